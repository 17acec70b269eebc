"""What is measured of one flight, each figure with its standard uncertainty.

The hip path is the fitted path of the centre of mass plus the smoothed hip-minus-centre offset: the
fit carries what physics knows, the offset what the body does. Heights are of the hips (middle of the
hip joints) against the top of the rail.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bridge.messages import Measure, Moment, Quantity
from bridge.skeleton import INDEX
from capture.ballistics import Flightpath
from capture.body import complete, middle
from capture.camera import JOINT_BIAS_U_M, OFF_PLANE_U_M, View
from capture.elements import Features
from capture.phases import NS, Edge, Sample, Span, times_s
from capture.uncertainty import combine

Floats = NDArray[np.float64]

SMOOTH_HALF_S: Final = 0.10  # half-width of the smoothing window
SLOPE_HALF_S: Final = 0.12  # the same for rates of turning
OPEN_RAD: Final = math.radians(
    135
)  # hip angle from which a body counts as opened: common practice, no source
CLOSED_RAD: Final = math.radians(115)  # tighter than this at some time, or there is nothing to open from
ANGLE_U_RAD: Final = math.radians(4)  # of a joint angle seen side-on: our own estimate
FALL_TRUNK_RAD: Final = math.radians(60)  # trunk this far from upright on landing may be a fall
_GRID_S: Final = 0.002


@dataclass(frozen=True, slots=True)
class Smooth:
    """A local polynomial through noisy samples: values, slopes and their uncertainties at m times."""

    value: Floats  # (m, k)
    slope: Floats  # (m, k)
    u_value: Floats  # (m,)
    u_slope: Floats  # (m,)


def smooth(t_s: Floats, y: Floats, sigma: Floats, at_s: ArrayLike, half_s: float = SMOOTH_HALF_S) -> Smooth:
    """Robust local quadratic (Savitzky-Golay for irregular times) of (n, k) samples at (m,) times.

    Tricube weights over ``half_s`` to either side, widened where fewer than six samples lie inside;
    samples that disagree are weighed down once (Cauchy). The uncertainty comes from the weights that
    the samples have in the value and the greater of their stated and observed scatter.
    """
    good = np.isfinite(y).all(axis=1) & np.isfinite(sigma)
    t, y, sigma = t_s[good], y[good], sigma[good]
    at = np.asarray(at_s, dtype=float)
    if len(t) < 4:
        nan = np.full((len(at), y.shape[1]), np.nan)
        return Smooth(nan, nan.copy(), nan[:, 0].copy(), nan[:, 0].copy())
    robust = np.ones(len(t))
    for _ in range(2):
        kernel, _ = _kernels(t, robust / sigma**2, t, half_s)
        off = np.linalg.norm((y - kernel @ y) / sigma[:, None], axis=1)
        scale = max(1.4826 * float(np.median(off)) / math.sqrt(y.shape[1]), 0.3)
        robust = 1 / (1 + (off / (3 * scale)) ** 2)
    kernel, slope = _kernels(t, robust / sigma**2, at, half_s)
    observed = sigma * max(scale, 1.0)
    return Smooth(
        kernel @ y,
        slope @ y,
        np.sqrt(((kernel * observed) ** 2).sum(axis=1)),
        np.sqrt(((slope * observed) ** 2).sum(axis=1)),
    )


def _kernels(t: Floats, weight: Floats, at: Floats, half_s: float) -> tuple[Floats, Floats]:
    """Weights (m, n) that each sample has in the value and in the slope at each time."""
    s = t[None, :] - at[:, None]
    reach = np.maximum(half_s, np.sort(np.abs(s), axis=1)[:, min(5, len(t) - 1)] * 1.05)[:, None]
    window = np.clip(1 - (np.abs(s) / reach) ** 3, 0, None) ** 3 * weight
    u = s / reach
    a = np.stack([np.ones_like(u), u, u * u], axis=-1)
    normal = np.einsum("mni,mn,mnj->mij", a, window, a)
    normal += 1e-9 * np.trace(normal, axis1=1, axis2=2)[:, None, None] * np.eye(3)
    rows = np.linalg.solve(normal, np.einsum("mni,mn->min", a, window))
    return rows[:, 0], rows[:, 1] / reach


class SetUp:
    """What the camera's place does to heights; the variants are made once."""

    def __init__(self, view: View) -> None:
        self.view = view
        self._variants = [v for _, v in view.variants()]

    def height_u_m(self, xz_m: Floats, rail: str) -> float:
        """Standard uncertainty of the height over ``rail`` of hips at ``xz_m``, joint noise apart.

        Camera and apparatus, the gymnast off the flight plane, and the joints' definition.
        """
        px = self.view.project_plane(xz_m)
        nominal = self.view.to_plane(px)[1] - self.view.zero_m(rail)
        set_up = [float(v.to_plane(px)[1] - v.zero_m(rail) - nominal) for v in self._variants]
        beside = float(self.view.to_plane(self.view.project_plane(xz_m, OFF_PLANE_U_M))[1] - xz_m[1])
        return combine([*set_up, beside, JOINT_BIAS_U_M])

    def scale_u(self, low_m: Floats, high_m: Floats) -> float:
        """Relative standard uncertainty of the vertical distance between two points."""
        ends = np.stack([low_m, high_m])
        px = self.view.project_plane(ends)
        nominal = float(np.diff(self.view.to_plane(px)[:, 1])[0])
        parts = [float(np.diff(v.to_plane(px)[:, 1])[0]) - nominal for v in self._variants]
        beside = self.view.to_plane(self.view.project_plane(ends, OFF_PLANE_U_M))
        parts.append(float(np.diff(beside[:, 1])[0]) - nominal)
        return combine(parts) / max(abs(nominal), 1e-6)


class HipPath:
    """The hips between and a little beyond the edges of a flight."""

    def __init__(self, samples: Sequence[Sample], origin_ns: int, path: Flightpath) -> None:
        self.path = path
        self._t = times_s(samples, origin_ns)
        self._offset = np.array([s.hips - s.com for s in samples])
        u = np.array([s.hips_u_m for s in samples])
        self._sigma = np.where(np.isfinite(u), np.maximum(u, 1e-3), 0.01)

    def at(self, t_s: ArrayLike) -> tuple[Floats, Floats, Floats, Floats]:
        """Place (m, 2), velocity (m, 2), and the uncertainties (m,) of height and of vertical speed."""
        t = np.atleast_1d(np.asarray(t_s, dtype=float))
        offset = smooth(self._t, self._offset, self._sigma, t)
        place = self.path.at(t) + offset.value
        velocity = self.path.velocity(t) + offset.slope
        u = np.hypot(self.path.u_z(t), offset.u_value)
        return place, velocity, u, np.hypot(self.path.u_vz(), offset.u_slope)

    def apex(self, begin_s: float, end_s: float) -> float:
        """When the hips are highest between two times."""
        grid = np.arange(begin_s, end_s + _GRID_S / 2, _GRID_S)
        place, *_ = self.at(grid)
        return float(grid[int(np.nanargmax(place[:, 1]))])


@dataclass(frozen=True, slots=True)
class Figures:
    """The figures of one flight; times in seconds from the origin."""

    apex_s: float
    apex: Quantity
    moments: tuple[Moment, ...]
    measures: tuple[Measure, ...]
    doubt: str  # something a judge should know; often empty


def trunk_angle(samples: Sequence[Sample]) -> Floats:
    """Angle (n,) of the line hips to shoulders from up towards +x, unwrapped, radians.

    A median over three pictures guards the unwrapping against a picture with wrong joints.
    """
    joints = complete(np.array([s.joints for s in samples]))
    line = middle(joints, "shoulder") - middle(joints, "hip")
    length = np.linalg.norm(line, axis=1, keepdims=True)
    unit = line / np.where(length > 1e-6, length, np.nan)
    padded = np.concatenate([unit[:1], unit, unit[-1:]])
    steady = np.median(np.stack([padded[:-2], padded[1:-1], padded[2:]]), axis=0)
    angle = np.arctan2(steady[:, 0], steady[:, 1])
    known = np.isfinite(angle)
    if known.any():
        angle[known] = np.unwrap(angle[known])
        angle[~known] = np.interp(np.flatnonzero(~known), np.flatnonzero(known), angle[known])
    return np.asarray(angle, dtype=np.float64)


def features_of(
    samples: Sequence[Sample],
    origin_ns: int,
    span: Span,
    start: Edge,
    end: Edge,
    path: Flightpath,
    view: View,
) -> Features:
    """What the flight did, for :mod:`capture.elements`."""
    t = times_s(samples, origin_ns)
    angle = trunk_angle(samples)
    first, last = np.interp([start.t_s, end.t_s], t, angle)
    begin_xz, end_xz = path.at([start.t_s, end.t_s])
    rail = next((r for r in view.rails if r.name == span.start_rail), None)
    inside = (t >= start.t_s) & (t <= end.t_s)
    crosses = swing = 0.0
    hands_m = 0.0
    if rail is not None:
        hands = middle(complete(np.array([s.joints for s in samples])), "wrist")
        clear = np.linalg.norm(hands - rail.axis, axis=1)[inside]
        hands_m = float(np.nanquantile(clear, 0.9)) if np.isfinite(clear).any() else 0.0
        here, there = begin_xz[0] - rail.x_m, end_xz[0] - rail.x_m
        over = -here * np.sign(there) if here * there < 0 else -min(abs(here), abs(there))
        crosses = math.tanh(float(over) / 0.15)
        before = (t >= start.t_s - 0.25) & (t <= start.t_s)
        com = np.array([s.com for s in samples])[before] - rail.axis
        com = com[np.isfinite(com).all(axis=1)]
        if len(com) >= 3:
            about = np.unwrap(np.arctan2(com[:, 0], com[:, 1]))
            swing = math.tanh(float(about[-1] - about[0]) / 0.3)
    upside = [float(-math.cos(a)) for a in (first, last)]
    return Features(
        start_rail=span.start_rail,
        end_rail=span.end_rail,
        end_kind=span.end_kind,
        turns=float(last - first) / (2 * math.pi),
        swing=swing,
        travel_m=float(end_xz[0] - begin_xz[0]),
        crosses=crosses,
        duration_s=end.t_s - start.t_s,
        hands_clear_m=hands_m,
        inverted=(1 + min(upside)) / 2,
        inverted_end=upside[1],
    )


def measure(
    samples: Sequence[Sample],
    origin_ns: int,
    span: Span,
    start: Edge,
    end: Edge,
    path: Flightpath,
    set_up: SetUp,
    rail: str,
) -> Figures:
    """Every figure of one flight whose edges and path are known."""
    view = set_up.view
    zero = view.zero_m(rail)
    hips = HipPath(samples, origin_ns, path)
    apex_s = hips.apex(start.t_s, end.t_s)
    moments: list[Moment] = []

    def moment(name: str, t_s: float, u_s: float) -> Moment:
        place, velocity, u, u_rise = hips.at(t_s)
        height_u = combine([float(u[0]), set_up.height_u_m(place[0], rail), float(velocity[0, 1]) * u_s])
        return Moment(
            name=name,
            t_ns=origin_ns + round(t_s * NS),
            height=Quantity(float(place[0, 1]) - zero, height_u, "m"),
            rise=Quantity(float(velocity[0, 1]), combine([float(u_rise[0]), path.g_m_s2 * u_s]), "m/s"),
        )

    moments.append(moment("release", start.t_s, start.u_s))
    moments.append(moment("apex", apex_s, 0.0))
    t = times_s(samples, origin_ns)
    shape = _Shape(samples, t)
    if span.end_kind == "landing":
        opening = shape.opening(apex_s, start.t_s, end.t_s)
        if opening is not None:
            moments.append(moment("opening", opening, 0.01))
    moments.append(moment(span.end_kind, end.t_s, end.u_s))
    if span.end_kind == "regrasp":
        down = _down_swing(samples, t, end.t_s)
        if down is not None:
            moments.append(_seen_moment("down_swing", samples, t, down, origin_ns, set_up, rail))

    measures = _travel(start, end, path)
    measures += _clearance(hips, start, end, span, view, rail)
    measures += _turning(shape, hips, start, end, moment, rail)
    measures += shape.at_apex(apex_s)
    if span.end_kind == "regrasp":
        measures += shape.body_line(end.t_s)
    doubt = ""
    if span.end_kind == "landing" and view.rails and shape.trunk_tilt(end.t_s + 0.1) > FALL_TRUNK_RAD:
        doubt = "she did not come to the mat upright: this may be a fall"
    elif apex_s <= start.t_s + _GRID_S:
        doubt = "the hips were highest at the release"
    top = moments[1]
    return Figures(apex_s, top.height, tuple(moments), tuple(measures), doubt)


class _Shape:
    """Angles of the body over time."""

    def __init__(self, samples: Sequence[Sample], t: Floats) -> None:
        self.t = t
        joints = complete(np.array([s.joints for s in samples]))
        self._trunk = trunk_angle(samples)
        self._raw = np.array([s.joints for s in samples])
        self._hip = _joint_angle(joints, "shoulder", "hip", "knee")
        self._knee = _joint_angle(joints, "hip", "knee", "ankle")
        line = middle(joints, "ankle") - middle(joints, "shoulder")
        self._line = np.arctan2(line[:, 1], np.abs(line[:, 0]))

    def _at(self, values: Floats, t_s: float) -> tuple[float, float]:
        found = smooth(self.t, values[:, None], np.full(len(values), ANGLE_U_RAD), [t_s])
        return float(found.value[0, 0]), math.hypot(float(found.u_value[0]), ANGLE_U_RAD)

    def turns(self, begin_s: float, end_s: float) -> float:
        """Turns of the trunk between two times, + from up towards +x."""
        a, b = np.interp([begin_s, end_s], self.t, self._trunk)
        return float(b - a) / (2 * math.pi)

    def time_of_turn(self, begin_s: float, end_s: float, turns: float) -> float | None:
        """When the trunk has made so many turns (either way) since ``begin_s``."""
        grid = np.arange(begin_s, end_s, _GRID_S)
        made = np.abs(np.interp(grid, self.t, self._trunk) - np.interp(begin_s, self.t, self._trunk)) / (
            2 * np.pi
        )
        reached = np.flatnonzero(made >= turns)
        return float(grid[reached[0]]) if len(reached) else None

    def counter_start(self, begin_s: float, end_s: float) -> float | None:
        """When the trunk starts to turn the other way than it did at ``begin_s``."""
        grid = np.arange(begin_s, end_s, 0.005)
        if len(grid) < 4:
            return None
        sigma = np.full(len(self.t), ANGLE_U_RAD)
        rate = smooth(self.t, self._trunk[:, None], sigma, grid, SLOPE_HALF_S).slope[:, 0]
        sense = np.sign(rate[0])
        other = np.flatnonzero(rate * sense < -0.5)
        return float(grid[other[0]]) if len(other) else None

    def half_twists(self, begin_s: float, end_s: float) -> int:
        """Half turns about the long axis: swings of the shoulder line across the trunk, side-on.

        Seen from the side the line of the shoulders shows its full width once in each half turn.
        """
        inside = (self.t >= begin_s - 0.05) & (self.t <= end_s + 0.05)
        across = np.stack([np.cos(self._trunk), -np.sin(self._trunk)], axis=1)
        parts = []
        for name in ("shoulder", "hip"):
            wide = self._raw[:, INDEX[f"right_{name}"]] - self._raw[:, INDEX[f"left_{name}"]]
            parts.append((wide * across).sum(axis=1))
        width = (parts[0] + parts[1])[inside] / 2
        width = width[np.isfinite(width)]
        if len(width) < 5:
            return 0
        steady = np.convolve(width, np.ones(3) / 3, mode="valid")
        states = np.where(steady > 0.12, 1, np.where(steady < -0.12, -1, 0))
        lobes = [s for i, s in enumerate(states) if s != 0 and (i == 0 or states[i - 1] != s)]
        return sum(1 for i, s in enumerate(lobes) if i == 0 or s != lobes[i - 1])

    def opening(self, apex_s: float, begin_s: float, end_s: float) -> float | None:
        """When a closed body has opened before the landing; None when it never was closed."""
        grid = np.arange(begin_s, end_s, 0.005)
        if len(grid) < 4:
            return None
        hip = smooth(self.t, self._hip[:, None], np.full(len(self.t), ANGLE_U_RAD), grid, 0.06).value[:, 0]
        if not np.isfinite(hip).any() or np.nanmin(hip) > CLOSED_RAD:
            return None
        closed = np.flatnonzero(hip < CLOSED_RAD)[-1]
        opened = np.flatnonzero(hip[closed:] >= OPEN_RAD)
        return float(grid[closed + opened[0]]) if len(opened) else None

    def at_apex(self, apex_s: float) -> list[Measure]:
        """Hip and knee angle at the apex."""
        out = []
        for name, values in (("hip_angle", self._hip), ("knee_angle", self._knee)):
            value, u = self._at(values, apex_s)
            if math.isfinite(value):
                joint = name.split("_")[0]
                degrees = f"{math.degrees(value):.0f} degrees"
                sentence = f"At the highest point the {joint}s were at {degrees} (180 is straight)."
                out.append(
                    Measure(name=f"{name}_at_apex", quantity=Quantity(value, u, "rad"), sentence=sentence)
                )
        return out

    def body_line(self, end_s: float) -> list[Measure]:
        """Shoulders-to-feet line against horizontal at the regrasp, + feet higher."""
        value, u = self._at(self._line, end_s)
        if not math.isfinite(value):
            return []
        where = "above" if value >= 0 else "below"
        degrees = f"{abs(math.degrees(value)):.0f} degrees"
        sentence = f"At the regrasp the line from shoulders to feet was {degrees} {where} horizontal."
        return [Measure(name="body_line_at_regrasp", quantity=Quantity(value, u, "rad"), sentence=sentence)]

    def trunk_tilt(self, t_s: float) -> float:
        """Angle of the trunk from upright, 0 to pi."""
        angle = float(np.interp(t_s, self.t, self._trunk))
        return abs(math.remainder(angle, 2 * math.pi))


def _joint_angle(joints: Floats, first: str, at: str, second: str) -> Floats:
    """Inner angle (n,) at the middle joints ``at``, radians; pi is straight."""
    a, m, b = middle(joints, first), middle(joints, at), middle(joints, second)
    u, v = a - m, b - m
    cosine = (u * v).sum(axis=1) / np.maximum(np.linalg.norm(u, axis=1) * np.linalg.norm(v, axis=1), 1e-9)
    return np.asarray(np.arccos(np.clip(cosine, -1, 1)), dtype=np.float64)


def _travel(start: Edge, end: Edge, path: Flightpath) -> list[Measure]:
    duration, u_duration = end.t_s - start.t_s, combine([start.u_s, end.u_s])
    vx, vz = (float(v) for v in path.velocity(start.t_s))
    speed = math.hypot(vx, vz)
    u_vz = combine([path.u_vz(), path.g_m_s2 * start.u_s])
    u_speed = combine([vx * path.u_vx(), vz * u_vz]) / max(speed, 1e-6)
    angle = math.atan2(vz, abs(vx))
    u_angle = combine([vz * path.u_vx(), vx * u_vz]) / max(speed**2, 1e-6)
    travel = vx * duration
    u_travel = combine([path.u_vx() * duration, vx * u_duration])
    return [
        Measure(
            name="flight_time",
            quantity=Quantity(duration, u_duration, "s"),
            sentence=f"She was in the air for {duration:.2f} s.",
        ),
        Measure(
            name="release_speed",
            quantity=Quantity(speed, u_speed, "m/s"),
            sentence=f"Her centre of mass left at {speed:.1f} m/s.",
        ),
        Measure(
            name="release_angle",
            quantity=Quantity(angle, u_angle, "rad"),
            sentence=f"It left at {math.degrees(angle):.0f} degrees above horizontal.",
        ),
        Measure(
            name="travel",
            quantity=Quantity(travel, u_travel, "m"),
            sentence=f"It travelled {abs(travel):.2f} m across the bars.",
        ),
    ]


def _clearance(hips: HipPath, start: Edge, end: Edge, span: Span, view: View, rail: str) -> list[Measure]:
    found = next((r for r in view.rails if r.name == (span.start_rail or rail)), None)
    if found is None:
        return []
    place, _, u, _ = hips.at(np.arange(start.t_s, end.t_s, 0.005))
    distance = np.linalg.norm(place - found.axis, axis=1)
    nearest = int(np.nanargmin(distance))
    value = float(distance[nearest])
    return [
        Measure(
            name="least_distance",
            quantity=Quantity(value, combine([float(u[nearest]), JOINT_BIAS_U_M]), "m"),
            sentence=f"The hips came as near as {value:.2f} m to the {found.name} bar.",
        )
    ]


def _turning(
    shape: _Shape,
    hips: HipPath,
    start: Edge,
    end: Edge,
    moment: Callable[[str, float, float], Moment],
    rail: str,
) -> list[Measure]:
    turns = abs(shape.turns(start.t_s, end.t_s))
    twists = shape.half_twists(start.t_s, end.t_s)
    out = [
        Measure(
            name="salto_turns",
            quantity=Quantity(turns, 2 * ANGLE_U_RAD / (2 * math.pi), "turns"),
            sentence=f"The body turned {turns:.2f} times about the somersault axis.",
        ),
        Measure(
            name="twist_turns",
            quantity=Quantity(twists / 2, 0.25, "turns"),
            sentence=f"It turned about {twists / 2:.1f} times about its long axis.",
        ),
    ]
    if turns >= 1.5:
        first_end = shape.time_of_turn(start.t_s, end.t_s, 1.0)
        if first_end is not None:
            m: Moment = moment("first_salto_end", first_end, 0.01)
            second = hips.apex(first_end, end.t_s)
            later: Moment = moment("second_salto", second, 0.01)
            out.append(_height("first_salto_end_height", m.height, rail))
            out.append(_height("second_salto_height", later.height, rail))
    counter = shape.counter_start(start.t_s, end.t_s)
    if counter is not None:
        m = moment("counter_rotation", counter, 0.02)
        out.append(_height("counter_rotation_height", m.height, rail))
    return out


_HEIGHTS: Final = {
    "first_salto_end_height": "When the first salto was complete the hips were {}.",
    "second_salto_height": "In the second salto the hips rose to {}.",
    "counter_rotation_height": "When the body began to turn back the hips were {}.",
}


def height_sentence(name: str, height_m: float, rail: str) -> str:
    """What a judge is told of a height against ``rail``; "" for a measure that is no such height."""
    words = _HEIGHTS.get(name)
    if words is None:
        return ""
    where = "above" if height_m >= 0 else "below"
    against = "the line" if rail == "line" else f"the {rail} bar"
    return words.format(f"{abs(100 * height_m):.0f} cm {where} {against}")


def _height(name: str, quantity: Quantity, rail: str) -> Measure:
    return Measure(name=name, quantity=quantity, sentence=height_sentence(name, quantity.value, rail))


def _down_swing(samples: Sequence[Sample], t: Floats, end_s: float) -> float | None:
    """When, after a regrasp, the body hangs at its longest and swings down: hips farthest from the hands."""
    after = (t >= end_s) & (t <= end_s + 0.35)
    if after.sum() < 5:
        return None
    joints = complete(np.array([s.joints for s in samples]))[after]
    reach = np.linalg.norm(middle(joints, "hip") - middle(joints, "wrist"), axis=1)
    if not np.isfinite(reach).any():
        return None
    longest = float(np.nanmax(reach))
    return float(t[after][np.flatnonzero(reach >= 0.98 * longest)[0]])


def _seen_moment(
    name: str, samples: Sequence[Sample], t: Floats, at_s: float, origin_ns: int, set_up: SetUp, rail: str
) -> Moment:
    """A moment outside the flight: hips as seen, smoothed."""
    hips = np.array([s.hips for s in samples])
    sigma = np.array([s.hips_u_m for s in samples])
    found = smooth(t, hips, np.where(np.isfinite(sigma), np.maximum(sigma, 1e-3), 0.01), [at_s])
    zero = set_up.view.zero_m(rail)
    u = combine([float(found.u_value[0]), set_up.height_u_m(found.value[0], rail)])
    return Moment(
        name=name,
        t_ns=origin_ns + round(at_s * NS),
        height=Quantity(float(found.value[0, 1]) - zero, u, "m"),
        rise=Quantity(float(found.slope[0, 1]), float(found.u_slope[0]), "m/s"),
    )

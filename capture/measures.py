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
from bridge.skeleton import JOINTS, N_JOINTS
from capture.ballistics import BODY_BIAS_M, Flightpath
from capture.body import complete, joint_weights, middle
from capture.camera import JOINT_BIAS_U_M, OFF_PLANE_U_M, View
from capture.elements import Features
from capture.phases import NS, Edge, Sample, Span, times_s
from capture.shape import ANGLE_U_RAD, Shape, When, trunk_angle
from capture.smoothing import smooth
from capture.uncertainty import combine

Floats = NDArray[np.float64]

FALL_TRUNK_RAD: Final = math.radians(60)  # trunk this far from upright on landing may be a fall
ARCHED_RAD: Final = math.radians(10)  # a body bent to the back by less is said to be straight
SWING_S: Final = 0.25  # so long before the release the swing's sense is looked at
TURNS_U: Final = 2 * ANGLE_U_RAD / (2 * math.pi)  # of turns between release and end
LONGEST_SHARE: Final = 0.95  # a body this near to its greatest reach hangs at its longest
PULL_M_S2: Final = 40.0  # by which the hips' vertical speed may change while the body opens: our own estimate
_GRID_S: Final = 0.002
_OFFSET: Final = np.array([0.5 * (name in ("right_hip", "left_hip")) for name in JOINTS]) - joint_weights()


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


def offset_u_m(sigma_m: Floats) -> Floats:
    """Standard uncertainty (n,) of hips minus centre of mass, from the joints' (n, 14).

    The hips are part of the centre of mass, so both err alike (GUM, equation 13): what counts is each
    joint's weight in the difference.
    """
    known = np.where(np.isfinite(sigma_m), sigma_m, np.nan)
    worst = np.array([np.nanmax(row) if np.isfinite(row).any() else np.nan for row in known])
    filled = np.where(np.isfinite(known), known, worst[:, None]) if len(known) else known
    u = np.sqrt(((_OFFSET * filled) ** 2).sum(axis=1))
    return np.asarray(np.where(np.isfinite(u), np.maximum(u, 1e-3), 0.01), dtype=np.float64)


class HipPath:
    """The hips between the edges of a flight.

    Only pictures of the flight count: where a hold on a rail or the mat begins or ends, the body's
    course has corners that smoothing would cut.
    """

    def __init__(
        self, samples: Sequence[Sample], origin_ns: int, path: Flightpath, begin_s: float, end_s: float
    ) -> None:
        self.path = path
        inside = [s for s in samples if begin_s <= (s.t_ns - origin_ns) / NS <= end_s]
        self._t = times_s(inside, origin_ns)
        self._offset = np.array([s.hips - s.com for s in inside]).reshape(-1, 2)
        self._sigma = offset_u_m(np.array([s.sigma_m for s in inside]).reshape(-1, N_JOINTS))

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
    swing = swing_sense(samples, t, start.t_s, rail.axis) if rail is not None else 0.0
    crosses = hands_m = 0.0
    if rail is not None:
        hands = middle(complete(np.array([s.joints for s in samples])), "wrist")
        clear = np.linalg.norm(hands - rail.axis, axis=1)[inside]
        hands_m = float(np.nanquantile(clear, 0.9)) if np.isfinite(clear).any() else 0.0
        here, there = begin_xz[0] - rail.x_m, end_xz[0] - rail.x_m
        over = -here * np.sign(there) if here * there < 0 else -min(abs(here), abs(there))
        crosses = math.tanh(float(over) / 0.15)
    upside = [float(-math.cos(a)) for a in (first, last)]
    trunk_over = 0.0
    taken = next((r for r in view.rails if r.name == span.end_rail), None)
    if taken is not None:
        from_rail = end_xz - taken.axis
        rises = float(from_rail[1] / max(np.linalg.norm(from_rail), 1e-6))
        trunk_over = math.asin(upside[1]) - math.asin(rises)
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
        trunk_over_rad=trunk_over,
    )


def swing_sense(samples: Sequence[Sample], t: Floats, release_s: float, axis: Floats) -> float:
    """Sense of the swing about a rail before the release, -1 to 1, + from up towards +x."""
    before = (t >= release_s - SWING_S) & (t <= release_s)
    com = np.array([s.com for s in samples])[before] - axis
    com = com[np.isfinite(com).all(axis=1)]
    if len(com) < 3:
        return 0.0
    about = np.unwrap(np.arctan2(com[:, 0], com[:, 1]))
    return math.tanh(float(about[-1] - about[0]) / 0.3)


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
    hips = HipPath(samples, origin_ns, path, start.t_s, end.t_s)
    apex_s = hips.apex(start.t_s, end.t_s)
    moments: list[Moment] = []

    def moment(name: str, t_s: float, u_s: float) -> Moment:
        place, velocity, u, u_rise = hips.at(t_s)
        height_u = combine([float(u[0]), set_up.height_u_m(place[0], rail), float(velocity[0, 1]) * u_s])
        return Moment(
            name=name,
            t_ns=origin_ns + round(t_s * NS),
            height=Quantity(float(place[0, 1]) - zero, height_u, "m"),
            rise=Quantity(float(velocity[0, 1]), combine([float(u_rise[0]), PULL_M_S2 * u_s]), "m/s"),
        )

    moments.append(moment("release", start.t_s, start.u_s))
    moments.append(moment("apex", apex_s, 0.0))
    t = times_s(samples, origin_ns)
    shape = Shape(samples, t)
    if span.end_kind == "landing" and (opening := shape.opening(start.t_s, end.t_s)) is not None:
        moments.append(moment("opening", opening.t_s, opening.u_s))
    moments.append(moment(span.end_kind, end.t_s, end.u_s))
    if span.end_kind == "regrasp" and (down := _down_swing(samples, t, end)) is not None:
        after = t >= end.t_s  # the hips' course has a corner where the rail is taken
        held = [s for s, late in zip(samples, after, strict=True) if late]
        moments.append(_seen_moment("down_swing", held, t[after], down, origin_ns, set_up, rail))

    left = next((r for r in view.rails if r.name == span.start_rail), None)
    swing = swing_sense(samples, t, start.t_s, left.axis) if left is not None else 0.0
    measures = _travel(start, end, path, set_up)
    measures += _clearance(hips, start, end, span, set_up, rail)
    measures += _turning(shape, hips, start, end, swing, moment, rail)
    measures += _shape_at_apex(shape, apex_s, start, end)
    if span.end_kind == "regrasp":
        measures += _body_line(shape, start, end)
    doubt = ""
    if span.end_kind == "landing" and view.rails and shape.trunk_tilt(end.t_s + 0.1) > FALL_TRUNK_RAD:
        doubt = "she did not come to the mat upright: this may be a fall"
    elif apex_s <= start.t_s + _GRID_S:
        doubt = "the hips were highest at the release"
    top = moments[1]
    return Figures(apex_s, top.height, tuple(moments), tuple(measures), doubt)


def _travel(start: Edge, end: Edge, path: Flightpath, set_up: SetUp) -> list[Measure]:
    duration, u_duration = end.t_s - start.t_s, combine([start.u_s, end.u_s])
    vx, vz = (float(v) for v in path.velocity(start.t_s))
    speed = math.hypot(vx, vz)
    # The body model errs slowly: at one end of the flight otherwise than at the other.
    drift = math.sqrt(2) * BODY_BIAS_M / duration
    scale = set_up.scale_u(path.at(end.t_s), path.at(end.t_s) + np.array([0.0, 1.0]))
    u_vx, u_vz = combine([path.u_vx(), drift]), combine([path.u_vz(), drift, path.g_m_s2 * start.u_s])
    u_speed = combine([vx * u_vx / max(speed, 1e-6), vz * u_vz / max(speed, 1e-6), speed * scale])
    angle = math.atan2(vz, abs(vx))
    u_angle = combine([vz * u_vx, vx * u_vz]) / max(speed**2, 1e-6)
    travel = vx * duration
    u_travel = combine([u_vx * duration, vx * u_duration, travel * scale])
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


def _clearance(hips: HipPath, start: Edge, end: Edge, span: Span, set_up: SetUp, rail: str) -> list[Measure]:
    found = next((r for r in set_up.view.rails if r.name == (span.start_rail or rail)), None)
    if found is None:
        return []
    place, _, u, _ = hips.at(np.arange(start.t_s, end.t_s, 0.005))
    distance = np.linalg.norm(place - found.axis, axis=1)
    nearest = int(np.nanargmin(distance))
    value = float(distance[nearest])
    return [
        Measure(
            name="least_distance",
            quantity=Quantity(
                value, combine([float(u[nearest]), set_up.height_u_m(place[nearest], found.name)]), "m"
            ),
            sentence=f"The hips came as near as {value:.2f} m to the {found.name} bar.",
        )
    ]


def _turning(
    shape: Shape,
    hips: HipPath,
    start: Edge,
    end: Edge,
    swing: float,
    moment: Callable[[str, float, float], Moment],
    rail: str,
) -> list[Measure]:
    turns = abs(shape.turns(start.t_s, end.t_s))
    twists = shape.half_twists(start.t_s, end.t_s)
    out = [
        Measure(
            name="salto_turns",
            quantity=Quantity(turns, TURNS_U, "turns"),
            sentence=f"The body turned {turns:.2f} times about the somersault axis.",
        ),
        Measure(
            name="twist_turns",
            quantity=Quantity(twists / 2, 0.25, "turns"),
            sentence=f"It turned about {twists / 2:.1f} times about its long axis.",
        ),
    ]
    if turns >= 1.5:
        first = shape.time_of_turn(start.t_s, end.t_s, 1.0)
        if first is not None:
            m = moment("first_salto_end", first.t_s, first.u_s)
            later = moment("second_salto", hips.apex(first.t_s, end.t_s), 0.0)
            rising = "still rising" if m.rise.value > 0 else "already falling"
            speed = f"{abs(m.rise.value):.1f} m/s"
            out += [
                _height("first_salto_end_height", m.height, rail),
                Measure(
                    name="first_salto_end_rise",
                    quantity=m.rise,
                    sentence=f"At the end of the first salto the hips were {rising}, at {speed}.",
                ),
                _height("second_salto_height", later.height, rail),
            ]
    if abs(swing) > 0.2 and (counter := shape.turns_back(start.t_s, end.t_s, swing)) is not None:
        m = moment("counter_rotation", counter.t_s, combine([counter.u_s, start.u_s]))
        out.append(_height("counter_rotation_height", m.height, rail))
    return out


def _shape_at_apex(shape: Shape, apex_s: float, start: Edge, end: Edge) -> list[Measure]:
    """Hip and knee angle and the arch at the apex."""
    out = []
    for name, joint, (value, u) in (
        ("hip_angle_at_apex", "hips", shape.hip_angle(apex_s)),
        ("knee_angle_at_apex", "knees", shape.knee_angle(apex_s)),
    ):
        if math.isfinite(value):
            degrees = f"{math.degrees(value):.0f} degrees"
            sentence = f"At the highest point the {joint} were at {degrees} (180 is straight)."
            out.append(Measure(name=name, quantity=Quantity(value, u, "rad"), sentence=sentence))
    # A body that twists shows its bends from ever other sides.
    if shape.half_twists(start.t_s, end.t_s) == 0:
        arch = shape.arch(apex_s, start.t_s - SWING_S, end.t_s + SWING_S)
        if arch is not None and math.isfinite(arch[0]):
            value, u = arch
            degrees = f"{abs(math.degrees(value)):.0f} degrees"
            how = f"arched by {degrees}" if value > 0 else f"bent forward by {degrees}"
            words = "straight" if abs(value) < ARCHED_RAD else how
            sentence = f"At the highest point the body was {words}."
            out.append(Measure(name="arch_at_apex", quantity=Quantity(value, u, "rad"), sentence=sentence))
    return out


def _body_line(shape: Shape, start: Edge, end: Edge) -> list[Measure]:
    """Shoulders-to-feet line against horizontal at the regrasp, + feet higher."""
    value, u = shape.line(end.t_s, start.t_s, end.t_s)
    if not math.isfinite(value):
        return []
    rate = (value - shape.line(end.t_s - 0.03, start.t_s, end.t_s)[0]) / 0.03
    where = "above" if value >= 0 else "below"
    degrees = f"{abs(math.degrees(value)):.0f} degrees"
    sentence = f"At the regrasp the line from shoulders to feet was {degrees} {where} horizontal."
    u = combine([u, rate * end.u_s])
    return [Measure(name="body_line_at_regrasp", quantity=Quantity(value, u, "rad"), sentence=sentence)]


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


def _down_swing(samples: Sequence[Sample], t: Floats, end: Edge) -> When | None:
    """When, after a regrasp, the body hangs at its longest and swings down: hips farthest from the hands."""
    after = (t >= end.t_s) & (t <= end.t_s + 0.35)
    if after.sum() < 5:
        return None
    joints = complete(np.array([s.joints for s in samples]))[after]
    reach = np.linalg.norm(middle(joints, "hip") - middle(joints, "wrist"), axis=1)
    u = np.array([s.hips_u_m for s in samples])[after]
    if not np.isfinite(reach).any():
        return None
    grid = np.arange(end.t_s, float(t[after][-1]), _GRID_S)
    found = smooth(t[after], reach[:, None], np.where(np.isfinite(u), np.maximum(u, 1e-3), 0.01), grid, 0.06)
    longest = float(np.nanmax(found.value))
    at = int(np.flatnonzero(found.value[:, 0] >= LONGEST_SHARE * longest)[0])
    # The body nears its length slowly: what the hands are unsure of moves the moment.
    slope = max(abs(float(found.slope[at, 0])), 0.3)
    return When(float(grid[at]), combine([math.sqrt(2) * float(found.u_value[at]) / slope, end.u_s]))


def _seen_moment(
    name: str, samples: Sequence[Sample], t: Floats, when: When, origin_ns: int, set_up: SetUp, rail: str
) -> Moment:
    """A moment outside the flight: hips as seen, smoothed."""
    hips = np.array([s.hips for s in samples])
    sigma = np.array([s.hips_u_m for s in samples])
    sigma = np.where(np.isfinite(sigma), np.maximum(sigma, 1e-3), 0.01)
    found = smooth(t, hips, sigma, [when.t_s])
    zero = set_up.view.zero_m(rail)
    rise = float(found.slope[0, 1])
    u = combine([float(found.u_value[0]), set_up.height_u_m(found.value[0], rail), rise * when.u_s])
    return Moment(
        name=name,
        t_ns=origin_ns + round(when.t_s * NS),
        height=Quantity(float(found.value[0, 1]) - zero, u, "m"),
        rise=Quantity(rise, combine([float(found.u_slope[0]), PULL_M_S2 * when.u_s]), "m/s"),
    )

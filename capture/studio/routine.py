"""A physical routine on the uneven bars, from the mount to the landing.

A routine is a list of pieces that follow one another with continuous position and velocity:
`Swing` (hands on a rail, speed from energy), `Move` (hands on a rail or feet on the mat, timed),
`Pirouette` (half turn in handstand), `Walk` (on the mat, seen only) and `FlightPlan`.
Which shapes make up an element is common practice, no source; the physics is in `capture.studio.flight`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicHermiteSpline, PchipInterpolator

from capture.rig import Sizes
from capture.studio import figure
from capture.studio.figure import Motion, Posture, Skeleton
from capture.studio.flight import (
    ANKLE_HEIGHT_M,
    G_N,
    INDEX,
    Flight,
    FlightPlan,
    Hold,
    anchored,
    course,
    frame_slice,
    lean,
    shape,
    solve,
)
from capture.studio.walk import Walk

Floats = NDArray[np.floating[Any]]

RATE_HZ: Final = 480.0
SLOWEST_RAD_S: Final = 0.45  # a gymnast keeps turning through handstand; swings turn round at their ends only
TURNING_RAD_S2: Final = 5.0  # how briskly a swing starts or stops at an end
FOLLOW_S: Final = 0.09  # a joint that comes out of a flight moving is slowed over about this time


@dataclass(frozen=True, slots=True)
class Rig:
    """Sizes of the apparatus, metres: rail tops above the floor, mat top above the floor."""

    high_bar_m: float = 2.50
    low_bar_m: float = 1.70
    inner_diagonal_m: float = 1.80
    rail_diameter_m: float = 0.04
    mat_m: float = 0.20

    @classmethod
    def of(cls, sizes: Sizes) -> Rig:
        """The same sizes as a surveyed rig's."""
        return cls(**{f.name: getattr(sizes, f.name) for f in fields(cls)})

    @property
    def spread_m(self) -> float:
        """Horizontal distance between the rail axes."""
        across = self.inner_diagonal_m + self.rail_diameter_m
        return float(np.sqrt(across**2 - (self.high_bar_m - self.low_bar_m) ** 2))

    def axis(self, rail: str) -> Floats:
        """Rail axis (x, z), metres; ``rail`` is "high" or "low"."""
        if rail == "high":
            return np.array([0.0, self.high_bar_m - self.rail_diameter_m / 2])
        return np.array([self.spread_m, self.low_bar_m - self.rail_diameter_m / 2])

    def top(self, rail: str) -> float:
        """Height of the rail's top, metres."""
        return self.high_bar_m if rail == "high" else self.low_bar_m


@dataclass(frozen=True, slots=True)
class TrueFlight:
    """What really happened in one flight; times in seconds of the routine."""

    family: str
    release_s: float
    apex_s: float  # of the hips
    end_s: float
    end_kind: str  # "regrasp" or "landing"
    rail: str  # the rail that is left
    end_rail: str  # the rail that is taken, "" at a landing
    reference_rail: str
    apex_m: float  # mid-hip over the top of the reference rail
    com_apex_m: float
    momentum_m2_s: float  # about the somersault axis, per kg of body mass, + forwards
    release_velocity_m_s: tuple[float, float]  # x, z
    salto_turns: float = 0.0  # of the pelvis in the air, net, + forwards
    twist_turns: float = 0.0  # + to her left
    hip_angle_rad: float = np.pi  # at the apex, between trunk and thighs, pi straight
    knee_angle_rad: float = np.pi  # at the apex, pi straight
    spine_rad: float = 0.0  # at the apex, + hollow, - arch
    body_line_rad: float = 0.0  # at the end: shoulders to ankles against horizontal, + feet higher
    fall: bool = False  # a regrasp that was missed
    clear_m: float = float("inf")  # least distance of a limb's middle line from a rail's axis, if watched


@dataclass(frozen=True, slots=True)
class Handstand:
    """The moment of a hold or a passage when the body is nearest to the vertical over a rail."""

    t_s: float
    rail: str
    angle_rad: float  # of the line hands to ankles off the vertical, 0 or more
    line_rad: float  # greatest of the bends at shoulders, hips and spine, 0 straight


@dataclass(frozen=True, slots=True)
class Performance:
    """A whole routine, finely sampled, and the truth about its flights."""

    motion: Motion
    flights: tuple[TrueFlight, ...]
    skeleton: Skeleton
    rig: Rig
    contacts: tuple[
        tuple[float, float, str], ...
    ]  # (start_s, end_s, "high" | "low" | "mat" | "turn" | "air")
    handstands: tuple[Handstand, ...] = ()


@dataclass(frozen=True, slots=True)
class Swing:
    """Hands on a rail: (CoM angle in degrees about the rail, shape) passed one after another.

    The speed follows from energy; between the energies at both ends it is taken as linear in the
    angle (or later), which stands for muscle work and friction.
    """

    keys: tuple[tuple[float, Floats], ...]
    start_rad_s: float | None = None  # None: as the piece before ends
    end_rad_s: float | None = None  # None: as the flight after needs, or as energy has it
    late: float = 1.0  # the work grows with the share of the angle to this power: above 1 towards the end


@dataclass(frozen=True, slots=True)
class Move:
    """Hands on a rail or feet on the mat: (seconds since the key before, pelvis pitch in degrees, shape)."""

    keys: tuple[tuple[float, float, Floats], ...]
    end_rad_s: float = 0.0  # pitch rate at the end


@dataclass(frozen=True, slots=True)
class Pirouette:
    """Half turn in handstand, hands close together."""

    seconds: float


@dataclass(frozen=True, slots=True)
class Piece:
    """One piece in its place: ``rail`` is "high", "low" or "mat" with the ankles at ``at_m``."""

    what: Swing | Move | Pirouette | Walk | FlightPlan
    rail: str
    facing: int = 1  # +1 faces +x, -1 faces -x
    at_m: tuple[float, float] = (0.0, 0.0)  # of the ankles on the mat, in the gymnast's own plane


def _about(rates: Floats, hold: Hold, skeleton: Skeleton) -> float:
    """CoM rate about the anchor, rad/s, from pelvis pitch and joint rates (10,)."""
    eps = 1e-5
    near = np.stack([hold.shape - eps * rates[1:], hold.shape + eps * rates[1:]])
    angle = lean(near, skeleton, hold.anchor)[0]
    return float(rates[0] + np.angle(np.exp(1j * (angle[1] - angle[0]))) / (2 * eps))


Course = Callable[[Floats], tuple[Floats, Floats]]  # times (T,) -> pitch (T,), shapes (T, 9)


def _bend(t: Floats, shapes: Floats, start: Floats, end: Floats) -> CubicHermiteSpline:
    """Course of the joints; those that move at an end are slowed within FOLLOW_S of it."""
    inner_t, inner = list(t), list(shapes)
    for at, rate, sign in ((0, start, 1.0), (-1, end, -1.0)):
        gap = t[1] - t[0] if at == 0 else t[-1] - t[-2]
        if np.any(np.abs(rate) > 0.1) and gap > 2.0 * FOLLOW_S:
            index = 1 if at == 0 else len(inner_t) - 1
            share = FOLLOW_S / gap
            other = shapes[1] if at == 0 else shapes[-2]
            # Between coasting on and going straight for the next key.
            knot = shapes[at] + 0.4 * sign * rate * FOLLOW_S + share * (other - shapes[at]) * 0.6
            inner_t.insert(index, t[at] + sign * FOLLOW_S)
            inner.insert(index, knot)
    return course(np.array(inner_t), np.array(inner), start, end)


def _swing(
    what: Swing, start: tuple[float, Floats], end: tuple[float | None, Floats], skeleton: Skeleton
) -> tuple[float, Course]:
    angles = np.radians([a for a, _ in what.keys])
    shapes = np.stack([s for _, s in what.keys])
    sign = np.sign(angles[-1] - angles[0])
    n = 40 * (len(angles) - 1) + 1
    # Dense at both ends, where a swing may turn round.
    dense = angles[0] + (angles[-1] - angles[0]) * 0.5 * (1 - np.cos(np.linspace(0, np.pi, n)))
    at_angle = PchipInterpolator(angles * sign, shapes, axis=0)(dense * sign)
    _, r = lean(at_angle, skeleton, "grip")
    still = anchored(np.arange(n, dtype=float), dense, at_angle, skeleton, "grip", np.zeros(2))
    k2 = r**2 + figure.inertia(still, skeleton)
    potential = -G_N * r * np.cos(dense)
    first = 0.5 * k2[0] * start[0] ** 2 + potential[0]
    last = first if end[0] is None else 0.5 * k2[-1] * end[0] ** 2 + potential[-1]
    gone = np.abs(dense - dense[0])
    energy = first + (last - first) * (gone / gone[-1]) ** what.late
    slowest = np.minimum(SLOWEST_RAD_S**2, start[0] ** 2 + 2 * TURNING_RAD_S2 * gone)
    if end[0] is not None:
        slowest = np.minimum(slowest, end[0] ** 2 + 2 * TURNING_RAD_S2 * gone[::-1])
    speed = np.sqrt(np.maximum(np.maximum(2 * (energy - potential) / k2, slowest), 1e-8))
    mid = 2.0 / (speed[1:] + speed[:-1])
    t = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(dense)) * mid)])
    slopes = sign * speed
    slopes[0] = start[0]
    slopes[-1] = sign * speed[-1] if end[0] is None else end[0]
    turning = CubicHermiteSpline(t, dense, slopes)
    key_t = np.interp(np.abs(angles - angles[0]), np.abs(dense - dense[0]), t)
    bend = _bend(key_t, shapes, start[1], end[1])

    def run(at: Floats) -> tuple[Floats, Floats]:
        bent = bend(at)
        return turning(at) - np.unwrap(lean(bent, skeleton, "grip")[0]), bent

    return float(t[-1]), run


def _move(what: Move, start: tuple[float, Floats], end: tuple[float, Floats]) -> tuple[float, Course]:
    t = np.cumsum([0.0, *(dt for dt, _, _ in what.keys[1:])])
    pitches = np.radians([p for _, p, _ in what.keys])
    shapes = np.stack([s for _, _, s in what.keys])
    both = np.column_stack([pitches, shapes])
    bend = _bend(t, both, np.concatenate([[start[0]], start[1]]), np.concatenate([[end[0]], end[1]]))

    def run(at: Floats) -> tuple[Floats, Floats]:
        values = bend(at)
        return values[:, 0], values[:, 1:]

    return float(t[-1]), run


NARROW: Final = -13.0  # degrees of shoulder spread that bring the hands together
HANDSTAND: Final = shape(ankle=66)


def _turned(motion: Motion, yaw: Floats, about_x_m: float) -> Motion:
    c, s, o, i = np.cos(yaw), np.sin(yaw), np.zeros_like(yaw), np.ones_like(yaw)
    turn = np.stack([c, -s, o, s, c, o, o, o, i], axis=-1).reshape(-1, 3, 3)
    centre = np.array([about_x_m, 0.0, 0.0])
    root = np.einsum("tij,tj->ti", turn, motion.root_m - centre) + centre
    return Motion(motion.t_s, root, turn @ motion.pelvis, motion.posture)


def _flat(pitch: Floats, shapes: Floats) -> Floats:
    """Ankle angle that keeps the soles level."""
    angle: Floats = shapes[:, INDEX["hip"]] - shapes[:, INDEX["knee"]] - pitch
    return (angle + np.pi) % (2 * np.pi) - np.pi


def _joined(parts: list[Motion]) -> Motion:
    def cat(values: list[Floats]) -> Floats:
        return np.concatenate(values)

    posture = Posture(**{f.name: cat([getattr(m.posture, f.name) for m in parts]) for f in fields(Posture)})
    return Motion(
        cat([m.t_s for m in parts]), cat([m.root_m for m in parts]), cat([m.pelvis for m in parts]), posture
    )


def perform(
    pieces: list[Piece],
    skeleton: Skeleton,
    rig: Rig,
    rate_hz: float = RATE_HZ,
    solver: Callable[[FlightPlan, Skeleton], Flight] = solve,
) -> Performance:
    """The pieces one after another.

    Each flight is solved first; the swing or move before it ends in its release pose and rates,
    the one after begins in its regrasp pose and rates.
    """
    solved: dict[int, Flight] = {
        i: solver(p.what, skeleton) for i, p in enumerate(pieces) if isinstance(p.what, FlightPlan)
    }
    pieces = list(pieces)
    for i, f in solved.items():  # poses at both ends have moved a little
        before, after = pieces[i - 1], pieces[i + 1]
        pieces[i - 1] = replace(before, what=_ending(before.what, f.plan.start, skeleton))
        pieces[i + 1] = replace(
            after,
            what=_beginning(after.what, f.plan.end, skeleton),
            at_m=(f.plan.end.point_m[0], f.plan.end.point_m[1]),
        )
    none = np.zeros(len(INDEX))
    now, rate = 0.0, (0.0, none)
    parts: list[Motion] = []
    flights: list[TrueFlight] = []
    contacts: list[tuple[float, float, str]] = []
    for i, piece in enumerate(pieces):
        what = piece.what
        following = solved.get(i + 1)
        previous = solved.get(i - 1)
        if isinstance(what, FlightPlan):
            length = solved[i].plan.flight_s
        elif isinstance(what, Pirouette):
            length = what.seconds
        elif isinstance(what, Walk):
            first = np.ceil(now * rate_hz - 1e-9) / rate_hz
            walked = what.run(_standing(parts, what), rate_hz, skeleton, first)
            parts.append(walked)
            length = float(walked.t_s[-1]) + 1 / rate_hz - now
            contacts.append((now, now + length, "mat"))
            now, rate = now + length, (0.0, none)
            continue
        else:
            joints = previous.end_rates[1:] if previous else none
            leaving = following.start_rates[1:] if following else none
            if isinstance(what, Swing):
                begin = rate[0] if what.start_rad_s is None else what.start_rad_s
                if previous:
                    begin = _about(previous.end_rates, previous.plan.end, skeleton)
                finish = what.end_rad_s
                if following:
                    finish = _about(following.start_rates, following.plan.start, skeleton)
                length, run = _swing(what, (begin, joints), (finish, leaving), skeleton)
                tail = run(np.array([length - 1e-5, length]))[0]
                rate = (float(tail[1] - tail[0]) / 1e-5, none)
            else:
                begin = float(previous.end_rates[0]) if previous else rate[0]
                finish = float(following.start_rates[0]) if following else what.end_rad_s
                length, run = _move(what, (begin, joints), (finish, leaving))
                rate = (finish, none)
        t = np.arange(np.ceil(now * rate_hz - 1e-9), np.ceil((now + length) * rate_hz - 1e-9)) / rate_hz
        local = t - now
        facing = piece.facing
        if isinstance(what, FlightPlan):
            f = solved[i]
            motion = f.motion(local, skeleton)
            if what.family:
                flights.append(_truth(f, now, piece, pieces[i + 1], rig, skeleton))
            contacts.append((now, now + length, "air"))
            rate = (float(f.end_rates[0]), none)
        elif isinstance(what, Pirouette):
            share = np.clip(local / length, 0, 1)
            shapes = np.repeat(HANDSTAND[None], len(t), axis=0)
            close = np.interp(share, [0, 0.2, 0.8, 1.0], [0, 1, 1, 0])
            shapes[:, INDEX["shoulder_spread"]] = np.radians(NARROW) * (3 * close**2 - 2 * close**3)
            motion = anchored(
                t, np.full(len(t), np.pi), shapes, skeleton, "grip", rig.axis(piece.rail) * [facing, 1]
            )
            s = np.clip((share - 0.15) / 0.7, 0, 1)
            motion = _turned(
                motion, np.pi * (10 * s**3 - 15 * s**4 + 6 * s**5), float(facing * rig.axis(piece.rail)[0])
            )
            contacts.append((now, now + length, "turn"))
            rate = (0.0, none)
        else:
            pitch, shapes = run(local)
            if piece.rail == "mat":
                shapes[:, INDEX["ankle"]] = _flat(pitch, shapes)
                motion = anchored(t, pitch, shapes, skeleton, "ankle", np.array(piece.at_m))
            else:
                motion = anchored(t, pitch, shapes, skeleton, "grip", rig.axis(piece.rail) * [facing, 1])
            contacts.append((now, now + length, piece.rail))
        motion = replace(motion, t_s=t)
        parts.append(motion if facing == 1 else _turned(motion, np.full(len(t), np.pi), 0.0))
        now += length
    motion = _joined(parts)
    return Performance(
        motion, tuple(flights), skeleton, rig, tuple(contacts), _handstands(motion, contacts, skeleton)
    )


def _standing(parts: list[Motion], walk: Walk) -> tuple[float, float, float]:
    """Where and which way she stands at the end of the parts; at the walk's first place if there are none."""
    if not parts:
        return (*walk.places[0], walk.heading_rad)
    root, front = parts[-1].root_m[-1], parts[-1].pelvis[-1, :, 0]
    return float(root[0]), float(root[1]), float(np.arctan2(front[1], front[0]))


NEAR_HANDSTAND_RAD: Final = np.radians(60.0)
FLOWN_RAD: Final = np.radians(25.0)


def _handstands(
    motion: Motion, contacts: list[tuple[float, float, str]], skeleton: Skeleton
) -> tuple[Handstand, ...]:
    joints = figure.segments(motion, skeleton)
    line = (joints["ankle"] - joints["grip"]).mean(axis=1)
    off = np.arctan2(np.hypot(line[:, 0], line[:, 1]), line[:, 2])
    p = motion.posture
    bent = np.max(np.abs(np.stack([np.pi - p.shoulder.mean(axis=1), p.hip.mean(axis=1), p.spine])), axis=0)
    held = np.full(len(off), "", dtype=object)
    rail = ""
    for start, end, where in contacts:
        if where in ("high", "low"):
            rail = where
        if where in ("high", "low", "turn"):
            held[(motion.t_s >= start) & (motion.t_s < end)] = rail
    near = (held != "") & (off < NEAR_HANDSTAND_RAD)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], near.astype(int), [0]])))
    found = []
    for first, last in edges.reshape(-1, 2):
        at = int(first + np.argmin(off[first:last]))
        if off[at] > FLOWN_RAD and (at == first or at == last - 1):
            continue  # on the way to or from a flight, not a handstand
        found.append(Handstand(float(motion.t_s[at]), str(held[at]), float(off[at]), float(bent[at])))
    return tuple(found)


def excerpt(performance: Performance, begin_s: float, end_s: float) -> Performance:
    """The seconds from ``begin_s`` to ``end_s``, with times counted from ``begin_s``.

    Flights and handstands that do not lie wholly inside are left out of the truth.
    """
    t = performance.motion.t_s
    part = np.flatnonzero((t >= begin_s - 1e-9) & (t <= end_s + 1e-9))
    if len(part) < 2:
        raise ValueError(f"no motion between {begin_s} s and {end_s} s; it runs from {t[0]} s to {t[-1]} s")
    cut = frame_slice(performance.motion, slice(int(part[0]), int(part[-1]) + 1))
    return replace(
        performance,
        motion=replace(cut, t_s=cut.t_s - begin_s),
        flights=tuple(
            replace(f, release_s=f.release_s - begin_s, apex_s=f.apex_s - begin_s, end_s=f.end_s - begin_s)
            for f in performance.flights
            if f.release_s >= begin_s and f.end_s <= end_s
        ),
        contacts=tuple(
            (max(a, begin_s) - begin_s, min(b, end_s) - begin_s, where)
            for a, b, where in performance.contacts
            if b > begin_s and a < end_s
        ),
        handstands=tuple(
            replace(h, t_s=h.t_s - begin_s) for h in performance.handstands if begin_s <= h.t_s <= end_s
        ),
    )


def placed(motion: Motion, shift_m: tuple[float, float, float], turn_rad: float = 0.0) -> Motion:
    """The motion elsewhere: turned about the world's z axis, + to the left, then shifted."""
    turned = _turned(motion, np.full(len(motion.t_s), turn_rad), 0.0)
    return replace(turned, root_m=turned.root_m + np.array(shift_m))


def _truth(f: Flight, start_s: float, piece: Piece, after: Piece, rig: Rig, skeleton: Skeleton) -> TrueFlight:
    t = np.linspace(0.0, f.plan.flight_s, 2001)
    motion = f.motion(t, skeleton)
    top = int(np.argmax(motion.root_m[:, 2]))
    landing = f.plan.end.anchor == "ankle"
    joints = figure.segments(motion, skeleton)
    shapes = f.shape_course(t[[top]])[0]
    trunk = joints["mid_shoulder"][top] - joints["mid_hip"][top]
    thigh = (joints["knee"][top] - joints["hip"][top]).mean(axis=0)
    trunk_thigh = float(trunk @ thigh / np.linalg.norm(trunk) / np.linalg.norm(thigh))
    feet = joints["ankle"][-1].mean(axis=0) - joints["mid_shoulder"][-1]
    pitch = f.pitch_course(np.array([0.0, f.plan.flight_s]))
    return TrueFlight(
        family=f.plan.family, release_s=start_s, apex_s=start_s + float(t[top]),
        end_s=start_s + f.plan.flight_s,
        end_kind="landing" if landing else "regrasp", rail=piece.rail, end_rail="" if landing else after.rail,
        reference_rail="high", apex_m=float(motion.root_m[top, 2]) - rig.top("high"),
        com_apex_m=float(f.com(t)[:, 1].max()) - rig.top("high"), momentum_m2_s=f.momentum,
        release_velocity_m_s=(piece.facing * float(f.velocity[0]), float(f.velocity[1])),
        salto_turns=float(pitch[1] - pitch[0]) / (2 * np.pi), twist_turns=f.plan.twist_turns,
        hip_angle_rad=float(np.arccos(np.clip(trunk_thigh, -1, 1))),
        knee_angle_rad=float(np.pi - shapes[INDEX["knee"]]), spine_rad=float(shapes[INDEX["spine"]]),
        body_line_rad=float(np.arctan2(feet[2], np.hypot(feet[0], feet[1]))), fall=f.plan.fall,
        clear_m=f.clear_m,
    )  # fmt: skip


def _through(
    keys: tuple[tuple[float, Floats], ...], least_deg: float = 12.0
) -> tuple[tuple[float, Floats], ...]:
    """The keys without those that the moved ends have come too close to or passed."""
    sign = 1.0 if keys[-1][0] > keys[0][0] else -1.0
    low, high = keys[0][0] * sign + least_deg, keys[-1][0] * sign - least_deg
    return (keys[0], *(k for k in keys[1:-1] if low < k[0] * sign < high), keys[-1])


def _ending(
    what: Swing | Move | Pirouette | Walk | FlightPlan, hold: Hold, skeleton: Skeleton
) -> Swing | Move:
    if isinstance(what, Swing):
        return replace(
            what, keys=_through((*what.keys[:-1], (float(np.degrees(hold.angle_rad)), hold.shape)))
        )
    assert isinstance(what, Move)
    pitch = float(np.degrees(hold.pitch(skeleton)))
    pitch += 360.0 * round((what.keys[-1][1] - pitch) / 360.0)
    return replace(what, keys=(*what.keys[:-1], (what.keys[-1][0], pitch, hold.shape)))


def _beginning(
    what: Swing | Move | Pirouette | Walk | FlightPlan, hold: Hold, skeleton: Skeleton
) -> Swing | Move:
    if isinstance(what, Swing):
        return replace(what, keys=_through(((float(np.degrees(hold.angle_rad)), hold.shape), *what.keys[1:])))
    assert isinstance(what, Move)
    pitch = float(np.degrees(hold.pitch(skeleton)))
    pitch += 360.0 * round((what.keys[0][1] - pitch) / 360.0)
    return replace(what, keys=((0.0, pitch, hold.shape), *what.keys[1:]))


# --- the elements, facing +x in their own plane; angles in degrees ---------------------------------

HANG: Final = shape(ankle=66)
GLIDE: Final = shape(shoulder=176, hip=14, hip_spread=6, neck=15)
LOW_GLIDE: Final = shape(shoulder=172, hip=48, hip_spread=14, neck=15)
GLIDE_END: Final = (-22.0, GLIDE)
LOW_GLIDE_END: Final = (-32.0, LOW_GLIDE)


def _kip_cast(
    end: tuple[float, Floats], rate_rad_s: float, skeleton: Skeleton, seconds: float = 0.92
) -> Move:
    """Glide kip to support and cast to handstand, from the front end of a glide (CoM angle, shape)."""
    s = seconds
    first = float(np.degrees(Hold(_deg(end[0]), end[1], "grip", np.zeros(2)).pitch(skeleton)))
    return Move((
        (0.0, first, end[1]),
        (0.36 * s, -58.0, shape(shoulder=148, hip=122, neck=20)),
        (0.30 * s, -72.0, shape(shoulder=92, hip=112, neck=20)),
        (0.24 * s, -55.0, shape(shoulder=52, hip=62, neck=10)),
        (0.22 * s, -24.0, shape(shoulder=26, hip=22)),
        (0.26 * s, 6.0, shape(shoulder=16, hip=12)),
        (0.26 * s, 34.0, shape(shoulder=28, hip=42, neck=-5)),
        (0.30 * s, 82.0, shape(shoulder=62, hip=4, hip_spread=15, neck=-15)),
        (0.30 * s, 122.0, shape(shoulder=112, hip=26, hip_spread=45, neck=-20)),
        (0.34 * s, 160.0, shape(shoulder=158, hip=18, hip_spread=25, neck=-15)),
        (0.30 * s, 180.0, HANDSTAND),
    ), rate_rad_s)  # fmt: skip


def _deg(value: float) -> float:
    return float(np.radians(value))


# Backward giant from handstand: down behind the rail, through the bottom, legs apart past the low bar.
_DOWN: Final = (
    (180.0, HANDSTAND),
    (150.0, shape(shoulder=174, hip=8, neck=5)),
    (95.0, shape(shoulder=178, hip=2)),
    (40.0, shape(shoulder=184, hip=-14, spine=-8)),
    (6.0, shape(shoulder=184, hip=-16, spine=-10)),
)
_BESIDE_LOW: Final = (
    (-24.0, shape(shoulder=166, hip=38, hip_spread=30, spine=4, neck=8)),
    (-46.0, shape(shoulder=150, hip=66, hip_spread=52, spine=8, neck=10)),
    (-72.0, shape(shoulder=152, hip=36, hip_spread=46, spine=2, neck=5)),
)
_AWAY_UP: Final = (
    (-40.0, shape(shoulder=168, hip=24)),
    (-100.0, shape(shoulder=162, hip=22, hip_spread=10)),
    (-150.0, shape(shoulder=172, hip=10)),
    (-184.0, HANDSTAND),
)
_UP: Final = (
    (-24.0, shape(shoulder=164, hip=26, spine=6)),
    (-60.0, shape(shoulder=150, hip=34, spine=8)),
)
# Backward giant facing away from the low bar, which lies beside the way down.
_AWAY_DOWN: Final = (
    (176.0, HANDSTAND),
    (140.0, shape(shoulder=172, hip=22, hip_spread=22, neck=5)),
    (100.0, shape(shoulder=164, hip=62, hip_spread=50)),
    (64.0, shape(shoulder=160, hip=68, hip_spread=54)),
    (30.0, shape(shoulder=176, hip=22, hip_spread=20)),
    (4.0, shape(shoulder=184, hip=-12, spine=-8)),
)
# Forward giant (down on the side of the low bar).
_FORWARD_DOWN: Final = (
    (-180.0, HANDSTAND),
    (-140.0, shape(shoulder=176, hip=18, hip_spread=15)),
    (-100.0, shape(shoulder=166, hip=55, hip_spread=45)),
    (-64.0, shape(shoulder=160, hip=66, hip_spread=54, spine=6)),
    (-30.0, shape(shoulder=172, hip=30, hip_spread=24)),
    (4.0, shape(shoulder=180, hip=-4, spine=-4)),
)
# Backward circle with straddled legs on the low bar.
_STALDER: Final = (
    (180.0, HANDSTAND),
    (150.0, shape(shoulder=164, hip=50, hip_spread=50, neck=10)),
    (100.0, shape(shoulder=118, hip=112, hip_spread=62, neck=20)),
    (40.0, shape(shoulder=96, hip=128, hip_spread=62, neck=20)),
    (-20.0, shape(shoulder=92, hip=128, hip_spread=62, neck=15)),
    (-60.0, shape(shoulder=104, hip=112, hip_spread=60, neck=10)),
    (-100.0, shape(shoulder=132, hip=60, hip_spread=50)),
)


@dataclass(frozen=True, slots=True)
class Amplitudes:
    """Wanted hip height over the high rail's top at each flight of the demo, metres."""

    first_transfer: float = 0.04
    counter: float = 0.52
    salto: float = 0.28
    high_to_low: float = -0.17
    second_transfer: float = 0.18
    dismount: float = 0.03


def _transfer(rig: Rig, apex_m: float) -> FlightPlan:
    return FlightPlan(
        "low_to_high",
        Hold(_deg(-142), shape(shoulder=165, hip=-10, hip_spread=30), "grip", rig.axis("low")),
        Hold(_deg(-52), shape(shoulder=142, hip=80, hip_spread=40), "grip", rig.axis("high")),
        0.55, _deg(80), ((0.5, shape(shoulder=140, hip=72, hip_spread=48)),), apex_m, rig.high_bar_m,
    )  # fmt: skip


def demo_pieces(skeleton: Skeleton, rig: Rig, amplitudes: Amplitudes) -> list[Piece]:
    """The demo routine: mount, six flights, dismount."""
    high, low = rig.axis("high"), rig.axis("low")
    ankle_z = rig.mat_m + ANKLE_HEIGHT_M
    stand = shape(shoulder=8, ankle=0)
    feet = np.array([low[0] - 0.86, ankle_z])
    jump = FlightPlan(
        "",
        Hold(_deg(168), shape(shoulder=120, hip=22, knee=18, ankle=20), "ankle", feet),
        Hold(_deg(16), shape(shoulder=155, hip=80, hip_spread=20), "grip", low),
        0.30, _deg(-10), (), None, rig.low_bar_m, {"start.angle": 0.0, "start.spine": 0.0},
    )  # fmt: skip
    counter = FlightPlan(
        "counter_regrasp",
        Hold(_deg(-115), shape(shoulder=172, hip=-34, hip_spread=15, spine=-6), "grip", high),
        Hold(_deg(90), shape(shoulder=112, hip=80, hip_spread=45), "grip", high),
        0.66, _deg(190),
        ((0.35, shape(shoulder=100, hip=70, hip_spread=65)),
         (0.8, shape(shoulder=100, hip=118, hip_spread=60))),
        amplitudes.counter, rig.high_bar_m, {"start.shoulder": 0.1},
    )  # fmt: skip
    salto = FlightPlan(
        "salto_regrasp",
        Hold(_deg(84), shape(shoulder=182, hip=0), "grip", high),
        Hold(_deg(80), shape(shoulder=143, hip=48, hip_spread=40), "grip", high),
        0.54, _deg(320),
        ((0.42, shape(shoulder=122, hip=98, hip_spread=45, neck=15)),
         (0.72, shape(shoulder=112, hip=104, hip_spread=50))),
        amplitudes.salto, rig.high_bar_m, {"start.shoulder": 0.08},
    )  # fmt: skip
    down = FlightPlan(
        "high_to_low_salto",
        Hold(_deg(-64), shape(shoulder=155, hip=25), "grip", high),
        Hold(_deg(92), shape(shoulder=146, hip=20), "grip", low),
        0.56, _deg(-180), ((0.5, shape(shoulder=125, hip=30, neck=-10)),), amplitudes.high_to_low,
        rig.high_bar_m, {"end.angle": 0.15, "flight": 0.04},
    )  # fmt: skip
    dismount = FlightPlan(
        "dismount",
        Hold(_deg(-70), shape(shoulder=146, hip=30), "grip", high),
        Hold(_deg(166), shape(shoulder=72, hip=68, knee=62, ankle=20), "ankle", np.array([2.1, ankle_z])),
        0.92, _deg(-650),
        (
            (0.27, shape(shoulder=48, hip=116, knee=126, neck=20)),
            (0.74, shape(shoulder=40, hip=118, knee=126, neck=10)),
        ),
        amplitudes.dismount, rig.high_bar_m, {"end.x": 0.15, "start.angle": 0.08},
    )  # fmt: skip
    long_glide = ((60.0, HANG), (8.0, shape(shoulder=180, hip=4)), GLIDE_END)
    under_low = (
        (45.0, shape(shoulder=148, hip=82, hip_spread=40)),
        (2.0, shape(shoulder=150, hip=98, hip_spread=45)),
        LOW_GLIDE_END,
    )
    to_high = (
        (-20.0, shape(shoulder=170, hip=20, hip_spread=10)),
        (20.0, shape(shoulder=182, hip=-8)),
        (75.0, shape(shoulder=168, hip=12)),
    )
    back_again = (
        (75.0, shape(shoulder=168, hip=12)),
        (30.0, shape(shoulder=180, hip=-4)),
        (2.0, HANG),
        GLIDE_END,
    )
    still = 0.6
    mount = Move((
        (0.0, 0.0, stand), (0.7, 0.0, stand),
        (0.40, 24.0, shape(shoulder=-25, hip=72, knee=78, ankle=0)),
        (0.28, 12.0, shape(shoulder=120, hip=22, knee=18, ankle=20)),
    ))  # fmt: skip
    landing = Move((
        (0.0, 40.0, stand), (0.16, 42.0, shape(shoulder=80, hip=100, knee=98)),
        (0.22, 40.0, shape(shoulder=75, hip=100, knee=98)),
        (0.50, 2.0, shape(shoulder=120, hip=4, knee=4)), (0.35, 0.0, shape(shoulder=165, shoulder_spread=12)),
        (0.9, 0.0, shape(shoulder=165, shoulder_spread=12)),
    ))  # fmt: skip

    def swing(*keys: tuple[float, Floats], start: float | None = None, end: float | None = None) -> Swing:
        return Swing(keys, start, end)

    at = (float(feet[0]), float(feet[1]))
    away = [  # facing away from the low bar
        Piece(Move(((0.0, 180.0, HANDSTAND), (0.4, 176.0, HANDSTAND)), -still), "high", -1),
        Piece(swing(*_AWAY_DOWN, *_AWAY_UP, start=-still, end=-still), "high", -1),
        Piece(swing(*_AWAY_DOWN, *_UP, (-70.0, HANG), start=-still), "high", -1),
        Piece(dismount, "high", -1),
        Piece(landing, "mat", -1),
    ]
    level = float(dismount.end.pitch(skeleton))
    sole = dismount.end.shape.copy()
    sole[INDEX["ankle"]] = _flat(np.array([level]), sole[None])[0]
    dismount = replace(dismount, end=replace(dismount.end, shape=sole))
    away[-2] = Piece(dismount, "high", -1)
    return [
        Piece(mount, "mat", at_m=at),
        Piece(jump, "low"),
        Piece(
            swing((16.0, HANG), (-8.0, shape(shoulder=160, hip=92, hip_spread=30)), LOW_GLIDE_END, end=0.0),
            "low",
        ),
        Piece(_kip_cast(LOW_GLIDE_END, -still, skeleton), "low"),
        Piece(swing(*_STALDER, (-140.0, HANG), start=-still), "low"),
        Piece(_transfer(rig, amplitudes.first_transfer), "low"),
        Piece(swing((-56.0, HANG), *to_high, end=0.0), "high"),
        Piece(swing(*back_again, start=0.0, end=0.0), "high"),
        Piece(_kip_cast(GLIDE_END, -still, skeleton), "high"),
        Piece(swing(*_DOWN, *_BESIDE_LOW, (-113.0, HANG), start=-still), "high"),
        Piece(counter, "high"),
        Piece(swing((90.0, HANG), *long_glide, end=0.0), "high"),
        Piece(_kip_cast(GLIDE_END, still, skeleton), "high"),
        Piece(swing(*_FORWARD_DOWN, (44.0, shape(shoulder=176, hip=10)), (84.0, HANG), start=still), "high"),
        Piece(salto, "high"),
        Piece(swing((80.0, HANG), *long_glide, end=0.0), "high"),
        Piece(_kip_cast(GLIDE_END, -still, skeleton), "high"),
        Piece(swing(*_DOWN, *_UP[:1], (-64.0, HANG), start=-still), "high"),
        Piece(down, "high"),
        Piece(swing((87.0, HANG), *under_low, end=0.0), "low"),
        Piece(_kip_cast(LOW_GLIDE_END, -still, skeleton), "low"),
        Piece(swing(*_STALDER, (-140.0, HANG), start=-still), "low"),
        Piece(_transfer(rig, amplitudes.second_transfer), "low"),
        Piece(swing((-56.0, HANG), *to_high, end=0.0), "high"),
        Piece(swing(*back_again, start=0.0, end=0.0), "high"),
        Piece(_kip_cast(GLIDE_END, 0.0, skeleton), "high"),
        Piece(Pirouette(1.0), "high"),
        *away,
    ]


def demo_routine(
    skeleton: Skeleton, rig: Rig, amplitudes: Amplitudes | None = None, rate_hz: float = RATE_HZ
) -> Performance:
    """The demo routine for a gymnast of these lengths on this rig, sampled at ``rate_hz``."""
    return perform(demo_pieces(skeleton, rig, amplitudes or Amplitudes()), skeleton, rig, rate_hz)

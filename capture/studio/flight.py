"""Planar flights that obey physics, and the supports they leave from and arrive at.

Everything here happens in the gymnast's own sagittal plane: (x, z) with x to the side she faces,
angles in radians, + turning forwards. Left and right move alike. In the air the centre of mass
falls with g and the angular momentum is constant; given where a flight starts and ends and how
long it lasts, the release velocity follows in closed form and the angular momentum from

    integral of (H - h(t)) / I(t) dt = net rotation of the pelvis,

with I the moment of inertia and h the momentum of the limbs moving against the pelvis. The joint
rates just before a release (and just after a regrasp) are the smallest ones that give exactly that
velocity and that momentum with the hands on the rail.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicHermiteSpline, PchipInterpolator
from scipy.optimize import least_squares

from capture.studio import figure
from capture.studio.figure import Motion, Posture, Skeleton

Floats = NDArray[np.floating[Any]]

G_N: Final = 9.80665  # m/s^2, standard gravity
STEP_S: Final = 0.002  # of the flight's integration
CHANNELS: Final = (
    "spine", "neck", "shoulder", "shoulder_spread", "elbow", "hip", "hip_spread", "knee", "ankle",
)  # fmt: skip
INDEX: Final = {name: i for i, name in enumerate(CHANNELS)}
# How readily each joint takes up speed at a release or regrasp, and at a touch-down.
GRIP_EASE: Final = {"shoulder": 1.0, "hip": 1.0, "spine": 0.5}
FEET_EASE: Final = {"shoulder": 0.3, "hip": 1.0, "knee": 1.3, "spine": 0.2}
PITCH_EASE: Final = 10.0
RATE_SU: Final = 4.0  # rad/s, what counts as an ordinary joint rate
RELEASE_SU: Final = 1e-4  # m^2/s, see Hold.rates
CONTACT_SU: Final = 0.5
IMPACT_SU: Final = 1.0  # m/s that the mat, not the joints, takes up at touch-down
ANKLE_HEIGHT_M: Final = 0.08  # of the joint above the sole; follows from the figure's foot


def shape(**degrees: float) -> Floats:
    """Joint angles (9,) in CHANNELS order, radians, from degrees; arms overhead, toes pointed if not said."""
    values = {"shoulder": 180.0, "ankle": float(np.degrees(figure.POINTED_RAD)), **degrees}
    unknown = set(values) - set(CHANNELS)
    if unknown:
        raise ValueError(f"no such joint: {', '.join(sorted(unknown))}")
    return np.radians([values.get(name, 0.0) for name in CHANNELS])


def pitch_motion(t_s: Floats, pitch_rad: Floats, root_xz_m: Floats, shapes: Floats) -> Motion:
    """Motion from pelvis pitch (T,), mid-hip (T, 2) and joint angles (T, 9), left and right alike."""
    both = {name: np.repeat(shapes[:, i : i + 1], 2, axis=1) for name, i in INDEX.items()}
    posture = Posture(
        spine=shapes[:, INDEX["spine"]], neck=shapes[:, INDEX["neck"]],
        **{name: values for name, values in both.items() if name not in ("spine", "neck")},
    )  # fmt: skip
    root = np.stack([root_xz_m[:, 0], np.zeros(len(t_s)), root_xz_m[:, 1]], axis=1)
    return Motion(
        np.asarray(t_s, dtype=float), root, figure.pitch(np.asarray(pitch_rad, dtype=float)), posture
    )


def anchored(
    t_s: Floats, pitch_rad: Floats, shapes: Floats, skeleton: Skeleton, anchor: str, point_m: Floats
) -> Motion:
    """Motion whose ``anchor`` joint ("grip" or "ankle", mid of both sides) stays at ``point_m`` (2,)."""
    free = pitch_motion(t_s, pitch_rad, np.zeros((len(t_s), 2)), shapes)
    reach = figure.segments(free, skeleton)[anchor].mean(axis=1)[:, (0, 2)]
    return pitch_motion(t_s, pitch_rad, point_m - reach, shapes)


def lean(shapes: Floats, skeleton: Skeleton, anchor: str) -> tuple[Floats, Floats]:
    """Angle (T,) of the CoM about the anchor at pitch zero, hanging = 0, and its distance (T,) in metres."""
    n = len(shapes)
    free = pitch_motion(np.arange(n, dtype=float), np.zeros(n), np.zeros((n, 2)), shapes)
    reach = figure.segments(free, skeleton)[anchor].mean(axis=1)[:, (0, 2)]
    d = figure.centre_of_mass(free, skeleton)[:, (0, 2)] - reach
    return np.arctan2(-d[:, 0], -d[:, 1]), np.hypot(d[:, 0], d[:, 1])


@dataclass(frozen=True, slots=True)
class Hold:
    """A pose in contact: the CoM stands at ``angle_rad`` about the anchor (hanging = 0, pi above it)."""

    angle_rad: float
    shape: Floats
    anchor: str
    point_m: Floats  # (2,)

    def pitch(self, skeleton: Skeleton) -> float:
        """Pelvis pitch, radians."""
        return float(self.angle_rad - lean(self.shape[None], skeleton, self.anchor)[0][0])

    def motion(self, skeleton: Skeleton) -> Motion:
        """The pose as a motion of one frame."""
        return anchored(
            np.zeros(1),
            np.array([self.pitch(skeleton)]),
            self.shape[None],
            skeleton,
            self.anchor,
            self.point_m,
        )

    def com(self, skeleton: Skeleton) -> Floats:
        """Centre of mass (2,), metres."""
        com: Floats = figure.centre_of_mass(self.motion(skeleton), skeleton)[0, (0, 2)]
        return com

    def rates(self, velocity: Floats, skeleton: Skeleton, momentum_su: float) -> tuple[Floats, Floats]:
        """Pitch rate and joint rates (10,), rad/s, as (at zero momentum, per unit of momentum).

        They are the smallest ones that give the CoM its velocity and, within about ``momentum_su``
        (m^2/s), the body its angular momentum: at a release that is exact; at a regrasp the pull of
        the rail and at a landing the mat change it in an instant.
        """
        ease = GRIP_EASE if self.anchor == "grip" else FEET_EASE
        names = ("pitch", *ease)
        eps, n = 1e-4, len(ease) + 1
        step = np.tile([-eps, 0.0, eps], n)
        shapes = np.repeat(self.shape[None], 3 * n, axis=0)
        angles = np.full(3 * n, self.pitch(skeleton))
        angles[:3] += step[:3]
        for i, name in enumerate(ease, start=1):
            shapes[3 * i : 3 * i + 3, INDEX[name]] += step[:3]
        # Three frames per joint: one finite difference each, so the times only matter within a triple.
        moved = anchored(step, angles, shapes, skeleton, self.anchor, self.point_m)
        com = figure.centre_of_mass(moved, skeleton)[:, (0, 2)].reshape(n, 3, 2)
        spin = [
            figure.angular_momentum(frame_slice(moved, slice(3 * i, 3 * i + 3)), skeleton)[1, 1]
            for i in range(n)
        ]
        weight = np.array([PITCH_EASE, *ease.values()]) * RATE_SU
        columns = np.concatenate([(com[:, 2] - com[:, 0]) / (2 * eps), np.array(spin)[:, None]], axis=1).T
        speed_su = IMPACT_SU if self.anchor == "ankle" and momentum_su == CONTACT_SU else 1e-4
        tight = np.array([speed_su, speed_su, momentum_su])
        rows = np.concatenate([columns * weight / tight[:, None], np.eye(n)])
        wanted = np.zeros((3 + n, 2))
        wanted[:2, 0] = velocity / tight[:2]
        wanted[2, 1] = 1.0 / momentum_su
        found = weight[:, None] * np.linalg.lstsq(rows, wanted, rcond=None)[0]
        rates = np.zeros((1 + len(CHANNELS), 2))
        for name, rate in zip(names, found, strict=True):
            rates[0 if name == "pitch" else 1 + INDEX[name]] = rate
        return rates[:, 0], rates[:, 1]


def frame_slice(motion: Motion, part: slice) -> Motion:
    """Some frames of a motion."""
    posture = Posture(**{f.name: getattr(motion.posture, f.name)[part] for f in fields(Posture)})
    return Motion(motion.t_s[part], motion.root_m[part], motion.pelvis[part], posture)


def course(t_s: Floats, values: Floats, start: Floats, end: Floats) -> CubicHermiteSpline:
    """Shape-preserving smooth course through (T, n) values whose rates at both ends are given."""
    slopes = np.array(PchipInterpolator(t_s, values, axis=0).derivative()(t_s))
    slopes[0], slopes[-1] = start, end
    return CubicHermiteSpline(t_s, values, slopes, axis=0)


@dataclass(frozen=True, slots=True)
class FlightPlan:
    """What a flight should look like; `solve` adjusts the poses at its ends and its length a little."""

    family: str  # "" for a jump to the rail, which is no release
    start: Hold
    end: Hold
    flight_s: float
    turn_rad: float  # net rotation of the pelvis, nearest full turns are chosen
    via: tuple[tuple[float, Floats], ...] = ()  # (share of the flight, joint angles)
    apex_m: float | None = None  # wanted height of the hips over the reference rail's top
    rail_top_m: float = 0.0
    free: Mapping[str, float] = field(default_factory=dict)  # what solve may move and how readily


@dataclass(frozen=True, slots=True)
class Flight:
    """A solved flight, local time from 0."""

    plan: FlightPlan
    velocity: Floats  # (2,) m/s of the CoM at release
    momentum: float  # m^2/s, per kg of body mass
    start_rates: Floats  # (10,) rad/s: pelvis pitch, then CHANNELS; the support before ends with them
    end_rates: Floats  # (10,) the support after begins with them
    start_com_m: Floats  # (2,)
    pitch_course: CubicHermiteSpline
    shape_course: CubicHermiteSpline
    root_m: Floats  # (T, 2) at every STEP_S or less

    def motion(self, t_s: Floats, skeleton: Skeleton) -> Motion:
        """The flight in its own plane at times (T,) since the release."""
        t = np.asarray(t_s, dtype=float)
        shapes, pitch = self.shape_course(t), self.pitch_course(t)
        still = pitch_motion(t, pitch, np.zeros((len(t), 2)), shapes)
        offset = figure.centre_of_mass(still, skeleton)[:, (0, 2)]
        return pitch_motion(t, pitch, self.com(t) - offset, shapes)

    def com(self, t_s: Floats) -> Floats:
        """Centre of mass (T, 2), metres, at times (T,) since the release."""
        path: Floats = self.start_com_m + self.velocity * t_s[:, None] - [0.0, 0.5 * G_N] * t_s[:, None] ** 2
        return path

    @property
    def hip_apex_m(self) -> float:
        """Highest mid-hip over the top of the reference rail, metres."""
        return float(self.root_m[:, 1].max() - self.plan.rail_top_m)


def fly(plan: FlightPlan, skeleton: Skeleton, step_s: float = STEP_S) -> Flight:
    """The one flight between the two poses in the plan's time."""
    n = max(int(np.ceil(plan.flight_s / step_s)), 20) + 1
    t = np.linspace(0.0, plan.flight_s, n)
    p0, p1 = plan.start.com(skeleton), plan.end.com(skeleton)
    fall = np.array([0.0, -G_N])
    v0 = (p1 - p0) / plan.flight_s - 0.5 * fall * plan.flight_s
    v1 = v0 + fall * plan.flight_s
    first = plan.start.pitch(skeleton)
    turn = plan.end.pitch(skeleton) - first
    turn += 2 * np.pi * np.round((plan.turn_rad - turn) / (2 * np.pi))
    times = np.array([0.0, *(share * plan.flight_s for share, _ in plan.via), plan.flight_s])
    through = np.stack([plan.start.shape, *(s for _, s in plan.via), plan.end.shape])

    start, start_per = plan.start.rates(v0, skeleton, RELEASE_SU)
    end, end_per = plan.end.rates(v1, skeleton, CONTACT_SU)

    def turned(momentum: float) -> tuple[Floats, CubicHermiteSpline, Floats, Floats]:
        bend = course(times, through, (start + momentum * start_per)[1:], (end + momentum * end_per)[1:])
        shapes = bend(t)
        still = pitch_motion(t, np.zeros(n), np.zeros((n, 2)), shapes)
        rate = (momentum - figure.angular_momentum(still, skeleton)[:, 1]) / figure.inertia(still, skeleton)
        gone = np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * np.diff(t))])
        return gone, bend, rate, figure.centre_of_mass(still, skeleton)[:, (0, 2)]

    # The net turn is a smooth, nearly straight function of H: a secant finds it in a few steps.
    a, b = 0.0, 0.12 * turn / plan.flight_s
    miss_a, miss_b = turned(a)[0][-1] - turn, turned(b)[0][-1] - turn
    for _ in range(12):
        if abs(miss_b) < 1e-9 or miss_a == miss_b:
            break
        a, b, miss_a = b, b - miss_b * (b - a) / (miss_b - miss_a), miss_b
        miss_b = turned(b)[0][-1] - turn
    gone, bend, rate, com_at_zero = turned(b)
    pitch = first + gone
    c, s = np.cos(pitch), np.sin(pitch)
    x, z = com_at_zero.T
    offset = np.stack([c * x + s * z, c * z - s * x], axis=1)
    com = p0 + v0 * t[:, None] + 0.5 * fall * t[:, None] ** 2
    turning = CubicHermiteSpline(t, pitch, rate)
    return Flight(
        plan, v0, float(b), start + b * start_per, end + b * end_per,
        p0, turning, bend, com - offset,
    )  # fmt: skip


MOVABLE: Final = {
    "start.angle": 0.15, "start.shoulder": 0.25, "start.hip": 0.25, "start.spine": 0.1, "end.angle": 0.1,
    "end.shoulder": 0.2, "end.hip": 0.2, "flight": 0.05,
}  # fmt: skip
TRIES: Final = 100


def _moved(plan: FlightPlan, names: tuple[str, ...], by: Floats) -> FlightPlan:
    holds = {"start": plan.start, "end": plan.end}
    length = plan.flight_s
    for name, amount in zip(names, by, strict=True):
        side, _, what = name.partition(".")
        if side == "flight":
            length += float(amount)
        elif what == "x":
            holds[side] = replace(holds[side], point_m=holds[side].point_m + np.array([amount, 0.0]))
        elif what == "angle":
            holds[side] = replace(holds[side], angle_rad=holds[side].angle_rad + float(amount))
        else:
            changed = holds[side].shape.copy()
            changed[INDEX[what]] += amount
            holds[side] = replace(holds[side], shape=changed)
    return replace(plan, start=holds["start"], end=holds["end"], flight_s=length)


def solve(plan: FlightPlan, skeleton: Skeleton) -> Flight:
    """The flight near the plan whose joint rates at both ends are small and whose hips reach the wanted apex.

    Poses and flight time may move by about the amounts in ``plan.free`` (default MOVABLE).
    """
    free = {**MOVABLE, **plan.free}
    names = tuple(name for name, readily in free.items() if readily > 0)
    scale = np.array([free[name] for name in names])

    def cost(x: Floats) -> Floats:
        flight = fly(_moved(plan, names, x * scale), skeleton, step_s=0.02)
        ease = 5.0 if plan.end.anchor == "grip" else 9.0
        parts = [0.4 * x, flight.start_rates[1:] / 4.0, flight.end_rates[1:] / ease]
        if plan.apex_m is not None:
            parts.append(np.array([(flight.hip_apex_m - plan.apex_m) / 0.02]))
        return np.concatenate(parts)

    # Poses of small rates lie in narrow valleys: look around first, then walk down.
    tries = np.random.default_rng(0).uniform(-2.0, 2.0, (TRIES, len(names)))
    best = min((np.zeros(len(names)), *tries), key=lambda x: float(np.sum(np.minimum(cost(x) ** 2, 100.0))))
    found = least_squares(
        cost, best, bounds=(-2.5, 2.5), loss="soft_l1", diff_step=1e-2, max_nfev=25, xtol=1e-4
    )
    return fly(_moved(plan, names, found.x * scale), skeleton)

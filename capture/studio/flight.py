"""Planar flights that obey physics, and the supports they leave from and arrive at.

Everything here happens in the gymnast's own sagittal plane: (x, z) with x to the side she faces,
angles in radians, + turning forwards. Left and right move alike. In the air the centre of mass
falls with g and the angular momentum is constant; given where a flight starts and ends and how
long it lasts, the release velocity follows in closed form and the angular momentum from

    integral of (H - h(t)) / I(t) dt = net rotation of the pelvis,

with I the moment of inertia and h the momentum of the limbs moving against the pelvis. The joint
rates just before a release (and just after a regrasp) are the smallest ones that give exactly that
velocity and that momentum with the hands on the rail.

Twists are laid over the solved somersault: the whole figure turns about the pelvis's long axis
through the CoM, so the CoM still falls exactly, and leans sideways by the angle at which the
somersault's momentum has just the component that this twist needs (the tilt of rigid-body twisting;
M. R. Yeadon's studies of twisting somersaults, from memory). What is simplified: arms move alike on
both sides, so the tilt comes by itself instead of from an arm; it is held to MOST_TILT_RAD; and a
body that is not round about its long axis, bent or spread, keeps its momentum only roughly while it
twists. How far it strays is measured in the tests. Without a twist it is constant.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicHermiteSpline, PchipInterpolator
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from bridge.errors import ConfigError
from capture.studio import figure, planar
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
MOST_TILT_RAD: Final = 0.30
CLEAR_M: Final = 0.09  # wanted between a limb's middle line and a rail's axis in the air
TOUCH_M: Final = 0.035  # a shank's half thickness less a little, on the rail's surface
HANDS_FREE: Final = 0.12  # share of a flight after the release, and before the regrasp, near the rail anyhow
REACHED_M: Final = 0.03  # how close to the wanted apex a solved flight must come
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
    at = planar.state(np.asarray(shapes, dtype=float), skeleton)
    d = at.com_m - planar.joint(at, anchor, skeleton)
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
        _, distance = lean(self.shape[None], skeleton, self.anchor)
        away = np.array([-np.sin(self.angle_rad), -np.cos(self.angle_rad)])
        com: Floats = self.point_m + distance[0] * away
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
        # Row 0 as it is, then every joint a little less and a little more.
        shapes = np.repeat(self.shape[None], 2 * n - 1, axis=0)
        for i, name in enumerate(ease):
            shapes[1 + 2 * i, INDEX[name]] -= eps
            shapes[2 + 2 * i, INDEX[name]] += eps
        at = planar.state(shapes, skeleton)
        pitch = self.pitch(skeleton)
        offset, towards = planar.turn(at.offset_m, np.array(pitch)), planar.turn(at.towards, np.array(pitch))
        com = planar.turn(at.com_m - planar.joint(at, self.anchor, skeleton), np.array(pitch))
        turning = np.array([1.0, -1.0])  # a pitch rate of 1 moves (x, z) by (z, -x)
        velocities = np.concatenate([(com[:1, ::-1] * turning), (com[2::2] - com[1::2]) / (2 * eps)])
        still = planar.State(
            np.repeat(towards[:1], n, axis=0), com[:1], np.repeat(offset[:1], n, axis=0), at.inertia_m2
        )
        spin = planar.spin(
            still,
            np.concatenate([offset[:1, :, ::-1] * turning, (offset[2::2] - offset[1::2]) / (2 * eps)]),
            np.concatenate([towards[:1, :, ::-1] * turning, (towards[2::2] - towards[1::2]) / (2 * eps)]),
            skeleton,
        )
        weight = np.array([PITCH_EASE, *ease.values()]) * RATE_SU
        columns = np.concatenate([velocities, spin[:, None]], axis=1).T
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
    """What a flight should look like; `solve` adjusts the poses at its ends and its length a little.

    After an odd number of half twists the gymnast faces the other way, and ``end`` is told in that
    new sagittal plane (x again to the side she faces, so x = 0 stays and the sign of x changes).
    """

    family: str  # "" for a jump to the rail, which is no release
    start: Hold
    end: Hold
    flight_s: float
    turn_rad: float  # net rotation of the pelvis, nearest full turns are chosen
    via: tuple[tuple[float, Floats], ...] = ()  # (share of the flight, joint angles)
    apex_m: float | None = None  # wanted height of the hips over the reference rail's top
    rail_top_m: float = 0.0
    free: Mapping[str, float] = field(default_factory=dict)  # what solve may move and how readily
    twist_turns: float = 0.0  # in halves, + to her left
    twist_share: tuple[float, float] = (0.15, 0.85)  # of the flight
    clear_of: tuple[tuple[float, float], ...] = ()  # rail axes (x, z) that no limb may touch in the air
    fall: bool = False  # she meant to regrasp

    @property
    def turned_about(self) -> bool:
        """Whether she ends facing the other way."""
        return round(2 * self.twist_turns) % 2 == 1


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
    miss_rad: float  # what the turn still lacks; some wild postures have no momentum that fits
    clear_m: float  # least distance of a limb's middle line from the plan's rails

    def motion(self, t_s: Floats, skeleton: Skeleton) -> Motion:
        """The flight in its own plane at times (T,) since the release."""
        t = np.asarray(t_s, dtype=float)
        shapes, pitch = self.shape_course(t), self.pitch_course(t)
        still = pitch_motion(t, pitch, np.zeros((len(t), 2)), shapes)
        offset = figure.centre_of_mass(still, skeleton)[:, (0, 2)]
        flat = pitch_motion(t, pitch, self.com(t) - offset, shapes)
        return self._twisted(flat, skeleton) if self.plan.twist_turns else flat

    def _twisted(self, flat: Motion, skeleton: Skeleton) -> Motion:
        """The twist and its tilt about the CoM, laid over the somersault."""
        angle, rate = twist(self.plan, flat.t_s)
        com = figure.centre_of_mass(flat, skeleton)
        about = figure.inertia(flat, skeleton, axis=flat.pelvis[:, :, 2])
        needed = about * rate / (self.momentum or 1e-9)
        tilt = np.arcsin(np.clip(needed, -np.sin(MOST_TILT_RAD), np.sin(MOST_TILT_RAD)))
        body = Rotation.from_euler("XZ", np.stack([-tilt, angle], axis=1))
        turned = flat.pelvis @ body.as_matrix()
        own = np.einsum("tji,tj->ti", flat.pelvis, flat.root_m - com)
        return Motion(flat.t_s, com + np.einsum("tij,tj->ti", turned, own), turned, flat.posture)

    def com(self, t_s: Floats) -> Floats:
        """Centre of mass (T, 2), metres, at times (T,) since the release."""
        path: Floats = self.start_com_m + self.velocity * t_s[:, None] - [0.0, 0.5 * G_N] * t_s[:, None] ** 2
        return path

    @property
    def hip_apex_m(self) -> float:
        """Highest mid-hip over the top of the reference rail, metres."""
        return float(self.root_m[:, 1].max() - self.plan.rail_top_m)


def twist(plan: FlightPlan, t_s: Floats) -> tuple[Floats, Floats]:
    """Twist angle and rate (T,), rad and rad/s, at times since the release; smooth at both ends."""
    begin, end = (share * plan.flight_s for share in plan.twist_share)
    s = np.clip((np.asarray(t_s, dtype=float) - begin) / (end - begin), 0.0, 1.0)
    whole = 2 * np.pi * plan.twist_turns
    return whole * s**3 * (10 - 15 * s + 6 * s**2), whole * 30 * s**2 * (1 - s) ** 2 / (end - begin)


def fly(plan: FlightPlan, skeleton: Skeleton, step_s: float = STEP_S) -> Flight:
    """The one flight between the two poses in the plan's time."""
    n = max(int(np.ceil(plan.flight_s / step_s)), 20) + 1
    t = np.linspace(0.0, plan.flight_s, n)
    p0, p1 = plan.start.com(skeleton), plan.end.com(skeleton)
    # In the plane of the release; about faces, the end pose is its own mirror image.
    about = -1.0 if plan.turned_about else 1.0
    mirror = np.array([about, 1.0])
    fall = np.array([0.0, -G_N])
    v0 = (p1 * mirror - p0) / plan.flight_s - 0.5 * fall * plan.flight_s
    v1 = v0 + fall * plan.flight_s
    first = plan.start.pitch(skeleton)
    net = about * plan.end.pitch(skeleton) - first
    net += 2 * np.pi * np.round((plan.turn_rad - net) / (2 * np.pi))
    times = np.array([0.0, *(share * plan.flight_s for share, _ in plan.via), plan.flight_s])
    through = np.stack([plan.start.shape, *(s for _, s in plan.via), plan.end.shape])

    start, start_per = plan.start.rates(v0, skeleton, RELEASE_SU)
    end, end_per = plan.end.rates(v1 * mirror, skeleton, CONTACT_SU)
    end_per = about * end_per

    def turned(momentum: float) -> tuple[Floats, CubicHermiteSpline, Floats, planar.State]:
        bend = course(times, through, (start + momentum * start_per)[1:], (end + momentum * end_per)[1:])
        at = planar.state(bend(t), skeleton)
        moved = planar.spin(
            at,
            np.gradient(at.offset_m, t, axis=0, edge_order=2),
            np.gradient(at.towards, t, axis=0, edge_order=2),
            skeleton,
        )
        rate = (momentum - moved) / at.inertia_m2
        gone = np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * np.diff(t))])
        return gone, bend, rate, at

    # The net turn is a smooth, nearly straight function of H: a secant finds it in a few steps.
    a, b = 0.0, 0.12 * net / plan.flight_s
    miss_a = turned(a)[0][-1] - net
    last = turned(b)
    miss_b = last[0][-1] - net
    for _ in range(20):
        if abs(miss_b) < 1e-9 or miss_a == miss_b:
            break
        a, b, miss_a = b, b - miss_b * (b - a) / (miss_b - miss_a), miss_b
        last = turned(b)
        miss_b = last[0][-1] - net
    gone, bend, rate, at = last
    pitch = first + gone
    # Mid-hip from the CoM in the pelvis's own axes (front, up): twisting turns the front part away.
    angle, _ = twist(plan, t)
    own = -at.com_m * np.stack([np.cos(angle), np.ones(n)], axis=1)
    com = p0 + v0 * t[:, None] + 0.5 * fall * t[:, None] ** 2
    root = com + planar.turn(own, pitch)
    turning = CubicHermiteSpline(t, pitch, rate)
    return Flight(
        plan, v0, float(b), start + b * start_per, end + b * end_per, p0, turning, bend, root,
        float(abs(miss_b)),
        _nearest(plan, t, com, pitch, angle, at, skeleton),
    )  # fmt: skip


_LIMBS: Final = (  # each with the tip that would have to be drawn in to pass a rail
    ("head_top", "mid_shoulder", "head_top"), ("mid_shoulder", "hip", "head_top"), ("hip", "knee", "toe"),
    ("knee", "ankle", "toe"), ("ankle", "toe", "toe"), ("mid_shoulder", "elbow", "grip"),
    ("elbow", "grip", "grip"),
)  # fmt: skip


def _nearest(
    plan: FlightPlan, t: Floats, com: Floats, pitch: Floats, angle: Floats, at: planar.State, k: Skeleton
) -> float:
    """Least distance between a limb's middle line and a rail's axis in the air, metres; inf without rails.

    Below zero when a limb passes through: by how much its tip reaches beyond. Arms are left out just
    after a release and just before a regrasp.
    """
    if not plan.clear_of:
        return float("inf")
    front = np.stack([np.cos(angle), np.ones(len(t))], axis=1)
    places = {
        name: com + planar.turn((planar.joint(at, name, k) - at.com_m) * front, pitch)
        for name in {n for limb in _LIMBS for n in limb}
    }
    share = t / plan.flight_s
    grasps = plan.end.anchor == "grip"
    inner = (share > HANDS_FREE) & ((share < 1 - HANDS_FREE) | (not grasps))
    least = float("inf")
    for rail in plan.clear_of:
        for first, last, tip in _LIMBS:
            part = inner if tip == "grip" else slice(None)
            a, b = (places[first] - rail)[part], (places[last] - rail)[part]
            along = b - a
            s = np.clip(-np.sum(a * along, axis=1) / np.maximum(np.sum(along**2, axis=1), 1e-9), 0, 1)
            away = np.hypot(*(a + s[:, None] * along).T)
            least = min(least, float(away.min()))
            side = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0] > 0
            within = (s > 0) & (s < 1)
            # A line that changes sides with the rail between its ends, from one moment to the next.
            through = (side[1:] != side[:-1]) & within[1:] & within[:-1] & (away[1:] < 0.3)
            if through.any():
                beyond = np.hypot(*(places[tip] - rail)[part][1:][through].T)
                least = min(least, -float(beyond.max()))
    return least


MOVABLE: Final = {
    "start.angle": 0.15, "start.shoulder": 0.25, "start.hip": 0.25, "start.spine": 0.1, "end.angle": 0.1,
    "end.shoulder": 0.2, "end.hip": 0.2, "flight": 0.05,
}  # fmt: skip
TRIES: Final = 100
MISS_RAD: Final = 1e-4
SHORTEST_S: Final = 0.06


def _bent(pose: Floats, name: str, by_rad: float) -> Floats:
    changed = pose.copy()
    changed[INDEX[name]] += by_rad
    return changed


def _moved(plan: FlightPlan, names: tuple[str, ...], by: Floats) -> FlightPlan:
    holds = {"start": plan.start, "end": plan.end}
    length, via = plan.flight_s, plan.via
    for name, amount in zip(names, by, strict=True):
        side, _, what = name.partition(".")
        if side == "flight":
            length = max(length + float(amount), SHORTEST_S)
        elif side == "via":
            via = tuple((share, _bent(pose, what, float(amount))) for share, pose in via)
        elif what == "x":
            holds[side] = replace(holds[side], point_m=holds[side].point_m + np.array([amount, 0.0]))
        elif what == "angle":
            holds[side] = replace(holds[side], angle_rad=holds[side].angle_rad + float(amount))
        else:
            holds[side] = replace(holds[side], shape=_bent(holds[side].shape, what, float(amount)))
    return replace(plan, start=holds["start"], end=holds["end"], flight_s=length, via=via)


def solve(plan: FlightPlan, skeleton: Skeleton, tries: int = TRIES, seed: int = 0) -> Flight:
    """The flight near the plan whose joint rates at both ends are small and whose hips reach the wanted apex.

    Poses and flight time may move by about the amounts in ``plan.free`` (default MOVABLE). Whether the
    apex was reached is for the caller to check, see `reached`.
    """
    free = {**MOVABLE, **plan.free}
    names = tuple(name for name, readily in free.items() if readily > 0)
    scale = np.array([free[name] for name in names])

    step_s = 0.01 if plan.clear_of else 0.02  # feet pass a rail at some 8 m/s

    def cost(x: Floats) -> Floats:
        flight = fly(_moved(plan, names, x * scale), skeleton, step_s)
        ease = 5.0 if plan.end.anchor == "grip" else 9.0
        parts = [0.4 * x, flight.start_rates[1:] / 4.0, flight.end_rates[1:] / ease]
        parts.append(np.array([5.0 + flight.miss_rad / 0.05 if flight.miss_rad > MISS_RAD else 0.0]))
        if plan.apex_m is not None:
            parts.append(np.array([(flight.hip_apex_m - plan.apex_m) / 0.02]))
        if plan.clear_of:
            parts.append(np.array([max(0.0, CLEAR_M - flight.clear_m) / 0.02]))
        return np.concatenate(parts)

    # Poses of small rates lie in narrow valleys: look around first, then walk down.
    around = np.random.default_rng(seed).uniform(-2.0, 2.0, (tries, len(names)))
    best = min((np.zeros(len(names)), *around), key=lambda x: float(np.sum(np.minimum(cost(x) ** 2, 100.0))))
    found = least_squares(
        cost, best, bounds=(-2.5, 2.5), loss="soft_l1", diff_step=1e-2, max_nfev=25, xtol=1e-4
    )
    return fly(_moved(plan, names, found.x * scale), skeleton)


def solve_clear(plan: FlightPlan, skeleton: Skeleton) -> Flight:
    """A flight that reaches the wanted apex and passes no limb through a rail, from a few starts.

    Raises:
        ConfigError: none was found; it names the height that this gymnast does reach.
    """
    best: Flight | None = None
    for seed, tries in enumerate((20, 40, 60)):
        flight = solve(plan, skeleton, tries, seed)
        if _fault(flight) == 0.0:
            return flight
        if best is None or _fault(flight) < _fault(best):
            best = flight
    assert best is not None
    about = "" if plan.apex_m is None else f" amplitude {plan.apex_m:+.2f} m"
    if best.clear_m < TOUCH_M:
        raise ConfigError(
            f"{plan.family}:{about} is not reachable by this gymnast on these rails without a limb through a "
            "rail; ask for more amplitude, another shape, or rails further apart"
        )
    raise ConfigError(
        f"{plan.family}:{about} is not reachable by this gymnast on these rails; the nearest found is "
        f"{best.hip_apex_m:+.2f} m: ask for that"
    )


def _fault(flight: Flight) -> float:
    """How far a flight is from what was wanted, 0 when good."""
    wanted = flight.plan.apex_m
    off = 0.0 if wanted is None else max(0.0, abs(flight.hip_apex_m - wanted) - REACHED_M)
    return off + max(0.0, TOUCH_M - flight.clear_m) + (flight.miss_rad if flight.miss_rad > MISS_RAD else 0.0)

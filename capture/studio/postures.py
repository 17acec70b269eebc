"""Random postures of gymnasts and bystanders, moving a little, for training pictures."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from capture.studio.body import BodyShape, labelled_joints, part_transforms
from capture.studio.figure import Motion, Posture, frames, segments

Floats = NDArray[np.floating[Any]]
Random = np.random.Generator
Range = tuple[float, float]

SOLE_M: Final = 0.08  # ankle above the sole, common practice, no source


@dataclass(frozen=True, slots=True)
class Family:
    """Ranges of joint angles, radians, that a kind of posture is drawn from."""

    share: float
    shoulder: Range
    hip: Range = (-0.15, 0.25)
    knee: Range = (0.0, 0.15)
    elbow: Range = (0.0, 0.2)
    spine: Range = (-0.2, 0.25)
    neck: Range = (-0.4, 0.4)
    hip_spread: Range = (-0.05, 0.12)
    shoulder_spread: Range = (-0.1, 0.25)
    ankle: Range = (0.6, 1.25)
    uneven: float = 0.06  # how far the sides differ
    hands: str = "free"  # "both" or "one" hand on a rail, or "free"
    stands: bool = False


FAMILIES: Final[dict[str, Family]] = {
    "swing": Family(0.20, (2.6, 3.25), hip=(-0.4, 0.5), spine=(-0.5, 0.4), hands="both"),
    "support": Family(0.05, (0.0, 1.0), hip=(-0.3, 0.4), hands="both"),
    "clear hip": Family(0.04, (0.3, 1.6), hip=(-0.1, 0.9), hands="both"),
    "pike circle": Family(0.06, (0.9, 2.9), hip=(1.3, 2.7), spine=(0, 0.7), hands="both"),
    "straddle circle": Family(
        0.06, (0.9, 2.9), hip=(1.0, 2.5), hip_spread=(0.4, 1.15), spine=(0, 0.7), hands="both"
    ),
    "one hand": Family(0.05, (2.5, 3.2), hip=(-0.3, 0.5), uneven=0.25, hands="one"),
    "tuck": Family(0.09, (0.4, 1.7), hip=(1.7, 2.5), knee=(1.4, 2.5), elbow=(0.2, 1.6), spine=(0.2, 0.9)),
    "pike": Family(0.07, (0.6, 2.4), hip=(1.3, 2.6), elbow=(0, 0.7), spine=(0, 0.8)),
    "straddle": Family(0.07, (0.9, 2.9), hip=(0.8, 2.4), hip_spread=(0.4, 1.2), spine=(-0.2, 0.7)),
    "layout": Family(0.07, (-0.3, 1.2), spine=(-0.5, 0.3), hip=(-0.4, 0.5), elbow=(0, 0.8)),
    "stretched": Family(0.04, (2.0, 3.2), spine=(-0.5, 0.4), hip=(-0.4, 0.5)),
    "twist": Family(0.07, (0.3, 2.8), elbow=(0.6, 2.4), uneven=0.5, hip=(-0.3, 0.5)),
    "landing": Family(
        0.05,
        (0.3, 2.8),
        hip=(0.2, 2.0),
        knee=(0.3, 1.9),
        ankle=(-0.6, 0.0),
        spine=(0, 0.6),
        uneven=0.12,
        stands=True,
    ),
    "standing": Family(
        0.04, (-0.4, 3.1), hip=(-0.1, 0.3), ankle=(-0.15, 0.1), elbow=(0, 1.5), uneven=0.35, stands=True
    ),
    "anything": Family(
        0.04,
        (-0.5, 3.2),
        hip=(-0.5, 2.5),
        knee=(0, 2.4),
        elbow=(0, 2.3),
        spine=(-0.7, 0.9),
        neck=(-0.7, 0.8),
        hip_spread=(-0.2, 1.0),
        shoulder_spread=(-0.4, 1.2),
        ankle=(-0.4, 1.3),
        uneven=0.6,
    ),
}
BYSTANDER: Final = Family(
    1,
    (-0.5, 1.2),
    hip=(-0.3, 0.6),
    knee=(0, 0.6),
    elbow=(0, 1.9),
    ankle=(-0.2, 0.2),
    uneven=0.3,
    stands=True,
    shoulder_spread=(0, 0.4),
)


@dataclass(frozen=True, slots=True)
class Figure:
    """One person over an exposure of T sub-frames; labels belong to the middle one."""

    shape: BodyShape
    transforms: Floats  # (T, P, 3, 4)
    joints: Floats  # (14, 3) m, at mid-exposure
    grip: float

    def outline(self) -> Floats:
        """Enough of the skin at mid-exposure to box the person, (n, 3) m."""
        s, middle = self.shape, self.transforms[len(self.transforms) // 2]
        some = slice(None, None, 11)
        rest = s.rest[some] + self.grip * s.grip[some]
        blend = np.einsum("vk,vkij->vij", s.weights[some], middle[s.parts[some]])
        return np.asarray(np.einsum("vij,vj->vi", blend[..., :3], rest) + blend[..., 3])


def choose(rng: Random) -> Family:
    """A family by its share."""
    share = np.array([f.share for f in FAMILIES.values()])
    return list(FAMILIES.values())[rng.choice(len(share), p=share / share.sum())]


def _pair(rng: Random, span: Range, uneven: float) -> Floats:
    return rng.uniform(*span) + rng.normal(0, uneven, 2)


def posed(
    rng: Random,
    shape: BodyShape,
    family: Family,
    at_m: Floats,
    times_s: Floats,
    speed: float,
    facing_rad: float | None = None,
) -> Figure:
    """Someone in a posture of a family.

    at_m: where it is: of the hands for those on a rail (a rail runs along y), of the feet's
        ground for those who stand, else of the hips.
    times_s: (T,) sub-frames round zero; ``speed`` scales how fast the body moves, 1 being brisk.
    facing_rad: direction faced (about z); random, along x when on a rail, without it.
    """
    n, on_rail = len(times_s), family.hands != "free"
    shoulder = _pair(rng, family.shoulder, family.uneven)
    spread = _pair(rng, family.shoulder_spread, family.uneven * 0.5)
    elbow = np.abs(_pair(rng, family.elbow, family.uneven))
    if on_rail:
        free = rng.integers(2) if family.hands == "one" else 2
        for side in (0, 1):
            if side == free:
                shoulder[side], spread[side], elbow[side] = (
                    rng.uniform(-0.3, 3.1),
                    rng.uniform(0, 0.9),
                    rng.uniform(0, 1.9),
                )
            elif family.hands == "both" and rng.random() < 0.9:
                mean = rng.normal(0.02, 0.05)
                shoulder[side], elbow[side], spread[side] = shoulder.mean(), elbow.mean(), mean
    base = {
        "spine": np.array(rng.uniform(*family.spine)),
        "neck": np.array(rng.uniform(*family.neck)),
        "shoulder": shoulder,
        "shoulder_spread": spread,
        "elbow": elbow,
        "hip": _pair(rng, family.hip, family.uneven),
        "hip_spread": _pair(rng, family.hip_spread, family.uneven * 0.4),
        "knee": np.abs(_pair(rng, family.knee, family.uneven)),
        "ankle": _pair(rng, family.ankle, family.uneven),
    }
    t = np.asarray(times_s, float)
    rate = {
        "spine": 1.5,
        "neck": 1.5,
        "shoulder": 3.5,
        "shoulder_spread": 1.5,
        "elbow": 3,
        "hip": 3.5,
        "hip_spread": 2,
        "knee": 3,
        "ankle": 2,
    }
    moving = {}
    for name, value in base.items():
        # Both sides move together, and each a little by itself unless both hands hold the rail.
        own = 0.0 if family.hands == "both" else 0.4
        pace = rate[name] * speed * (rng.normal() + own * rng.normal(size=value.shape))
        moving[name] = value + np.multiply.outer(t, pace) * np.ones_like(value)

    # Where the pelvis faces and how it is turned over.
    if facing_rad is None:
        facing_rad = (
            (0.0 if rng.random() < 0.5 else np.pi) + rng.normal(0, 0.06)
            if on_rail
            else rng.uniform(0, 2 * np.pi)
        )
        if not on_rail and not family.stands and rng.random() < 0.7:
            facing_rad = (0.0 if rng.random() < 0.5 else np.pi) + rng.normal(0, 0.35)
    if family.stands:
        lean = (
            moving["hip"][n // 2].mean() * rng.uniform(0.3, 0.9) if family.hip[1] > 1 else rng.normal(0, 0.08)
        )
        tip = (lean, rng.normal(0, 0.06))
    elif on_rail and family.shoulder[1] <= 1.0:
        tip = (rng.normal(0.1, 0.5), rng.normal(0, 0.04))
    else:
        tip = (rng.uniform(-np.pi, np.pi), rng.normal(0, 0.04 if on_rail else 0.25))
    pelvis = Rotation.from_euler("ZYX", [facing_rad, *tip])
    spin = np.array([0.0, rng.normal(0, 5.0), 0.0 if on_rail else rng.normal(0, 3.0)]) * speed
    turned = (pelvis * Rotation.from_rotvec(np.outer(t, spin))).as_matrix()
    root = np.outer(t, rng.normal(0, [2.0, 0.2, 2.0]) * speed)

    motion = Motion(t, root, turned, Posture(**moving))
    frame, joint = frames(motion, shape.skeleton), segments(motion, shape.skeleton)
    # Shoulders ride up with the arms, most in a stretched hang.
    raised = rng.uniform(0, 0.06) * np.sin(np.clip(moving["shoulder"], 0, np.pi) / 2) ** 2
    for name in ("shoulder", "elbow", "wrist", "grip"):
        joint[name] = joint[name] + raised[..., None] * frame["chest"][:, None, :, 2]
    if on_rail:
        hands = joint["grip"].mean(axis=1) if family.hands == "both" else joint["grip"][:, 1 - free]
        move = at_m - hands
    elif family.stands:
        sole = joint["ankle"][n // 2, :, 2].min() - SOLE_M
        sole = min(sole, joint["toe"][n // 2, :, 2].min())
        move = np.array([at_m[0], at_m[1], at_m[2] - sole]) - [*joint["mid_hip"][n // 2, :2], 0]
        move = np.broadcast_to(move, (n, 3))
    else:
        move = np.broadcast_to(at_m - joint["mid_hip"][n // 2], (n, 3))
    joint = {k: v + (move[:, None] if v.ndim == 3 else move) for k, v in joint.items()}
    grip = 1.0 if on_rail else float(rng.choice([0.0, 0.3, 0.8]))
    return Figure(shape, part_transforms(shape, joint, frame), labelled_joints(joint)[n // 2], grip)

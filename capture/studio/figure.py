"""The jointed figure that the studio moves: segment lengths, joint angles, mass and spin.

World axes are the apparatus axes (x across the rails, y along them, z up, metres). Arrays begin
with the frame axis T; left and right share a last axis of two, in the order (left, right).
Masses are fractions of body mass, so angular momentum here is per kilogram of body mass (m^2/s).
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation, Slerp

Floats = NDArray[np.floating[Any]]

# Standing flat, the toe tip lies this far below the horizontal through the ankle (ankle about
# 0.08 m above the sole); the foot is in line with the shank at ankle = pi/2 - FOOT_DROP_RAD.
FOOT_DROP_RAD: Final = 0.42
POINTED_RAD: Final = np.pi / 2 - FOOT_DROP_RAD


@dataclass(frozen=True, slots=True)
class Skeleton:
    """Distances between joint centres, metres."""

    trunk_m: float  # mid-hip to mid-shoulder, spine straight
    neck_m: float  # mid-shoulder to the neck joint
    head_m: float  # neck joint to head top
    shoulder_half_m: float
    hip_half_m: float
    upper_arm_m: float
    forearm_m: float
    hand_m: float  # wrist to the centre of the closed grip
    thigh_m: float
    shank_m: float
    foot_m: float  # ankle to toe tip

    @classmethod
    def default(cls, stature_m: float = 1.735) -> Skeleton:
        """De Leva (1996) female mean lengths, scaled to ``stature_m``.

        Neck at cervicale, grip at metacarpale 3. The widths and the ankle-to-toe distance are not
        in that table: common practice, no source.
        """
        k = stature_m / 1.735
        return cls(
            trunk_m=0.4979 * k, neck_m=0.1169 * k, head_m=0.2437 * k, shoulder_half_m=0.165 * k,
            hip_half_m=0.085 * k, upper_arm_m=0.2751 * k, forearm_m=0.2643 * k, hand_m=0.0780 * k,
            thigh_m=0.3685 * k, shank_m=0.4323 * k, foot_m=0.194 * k,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Posture:
    """Joint angles, radians; see each field for its sign."""

    spine: Floats  # (T,) upper trunk against pelvis at mid-trunk: + hollow (forward), - arch
    neck: Floats  # (T,) + chin to chest
    shoulder: Floats  # (T, 2) 0 arms along the trunk, pi/2 to the front, pi overhead
    shoulder_spread: Floats  # (T, 2) out of the sagittal plane, + outwards
    elbow: Floats  # (T, 2) flexion, 0 straight
    hip: Floats  # (T, 2) + thighs to the front, - behind
    hip_spread: Floats  # (T, 2) + outwards
    knee: Floats  # (T, 2) flexion, 0 straight
    ankle: Floats  # (T, 2) + toes pointed, 0 standing flat


@dataclass(frozen=True, slots=True)
class Motion:
    """A figure's path: times, mid-hip, pelvis rotation and joint angles."""

    t_s: Floats  # (T,) increasing
    root_m: Floats  # (T, 3) mid-hip
    pelvis: Floats  # (T, 3, 3) columns (front, left, up) of the pelvis in the world
    posture: Posture

    def at(self, t_s: Floats) -> Motion:
        """The motion at other times: rotations by slerp, the rest linearly; held beyond the ends."""
        t = np.clip(np.asarray(t_s, dtype=float), self.t_s[0], self.t_s[-1])
        right = np.clip(np.searchsorted(self.t_s, t, side="right"), 1, len(self.t_s) - 1)
        left = right - 1
        share = (t - self.t_s[left]) / (self.t_s[right] - self.t_s[left])

        def between(values: Floats) -> Floats:
            s = share.reshape(-1, *([1] * (values.ndim - 1)))
            mixed: Floats = values[left] * (1.0 - s) + values[right] * s
            return mixed

        turned = Slerp(self.t_s, Rotation.from_matrix(self.pelvis))(t).as_matrix()
        posture = Posture(**{f.name: between(getattr(self.posture, f.name)) for f in fields(Posture)})
        return Motion(np.asarray(t_s, dtype=float), between(self.root_m), turned, posture)


def pitch(angle: Floats) -> Floats:
    """Rotation about the left axis, (...,) -> (..., 3, 3); + tips the up axis to the front."""
    c, s, o, i = np.cos(angle), np.sin(angle), np.zeros_like(angle), np.ones_like(angle)
    return np.stack([c, o, s, o, i, o, -s, o, c], axis=-1).reshape(*np.shape(angle), 3, 3)


def _outwards(angle: Floats) -> Floats:
    """Rotation about the front axis that takes hanging limbs outwards, (T, 2) -> (T, 2, 3, 3)."""
    a = angle * np.array([1.0, -1.0])
    c, s, o, i = np.cos(a), np.sin(a), np.zeros_like(a), np.ones_like(a)
    return np.stack([i, o, o, o, c, -s, o, s, c], axis=-1).reshape(*np.shape(a), 3, 3)


def frames(motion: Motion, skeleton: Skeleton) -> dict[str, Floats]:
    """World rotation of each segment, columns (front, left, up).

    All equal the pelvis frame when standing straight with arms down; "up" of a limb runs from its
    distal to its proximal joint. "pelvis", "chest", "head" are (T, 3, 3); "upper_arm", "forearm",
    "hand", "thigh", "shank", "foot" are (T, 2, 3, 3).
    """
    p = motion.posture
    pelvis = motion.pelvis
    chest = pelvis @ pitch(p.spine)
    upper_arm = chest[:, None] @ pitch(-p.shoulder) @ _outwards(p.shoulder_spread)
    forearm = upper_arm @ pitch(-p.elbow)
    thigh = pelvis[:, None] @ pitch(-p.hip) @ _outwards(p.hip_spread)
    shank = thigh @ pitch(p.knee)
    return {
        "pelvis": pelvis, "chest": chest, "head": chest @ pitch(p.neck),
        "upper_arm": upper_arm, "forearm": forearm, "hand": forearm,
        "thigh": thigh, "shank": shank, "foot": shank @ pitch(p.ankle),
    }  # fmt: skip


def toe_direction() -> Floats:
    """Unit vector from ankle to toe tip in the foot frame."""
    return np.array([np.cos(FOOT_DROP_RAD), 0.0, -np.sin(FOOT_DROP_RAD)])


def segments(motion: Motion, skeleton: Skeleton) -> dict[str, Floats]:
    """Joint centres in the world, metres.

    "hip", "knee", "ankle", "toe", "shoulder", "elbow", "wrist", "grip" are (T, 2, 3); "mid_hip",
    "mid_trunk", "mid_shoulder", "neck", "head_top" are (T, 3).
    """
    return _joints(motion, skeleton, frames(motion, skeleton))


def _joints(motion: Motion, k: Skeleton, f: dict[str, Floats]) -> dict[str, Floats]:
    side = np.array([1.0, -1.0])[None, :, None]
    mid_hip = motion.root_m
    mid_trunk = mid_hip + 0.5 * k.trunk_m * f["pelvis"][..., 2]
    mid_shoulder = mid_trunk + 0.5 * k.trunk_m * f["chest"][..., 2]
    neck = mid_shoulder + k.neck_m * f["chest"][..., 2]
    hip = mid_hip[:, None] + side * k.hip_half_m * f["pelvis"][:, None, :, 1]
    knee = hip - k.thigh_m * f["thigh"][..., 2]
    ankle = knee - k.shank_m * f["shank"][..., 2]
    shoulder = mid_shoulder[:, None] + side * k.shoulder_half_m * f["chest"][:, None, :, 1]
    elbow = shoulder - k.upper_arm_m * f["upper_arm"][..., 2]
    wrist = elbow - k.forearm_m * f["forearm"][..., 2]
    return {
        "mid_hip": mid_hip, "mid_trunk": mid_trunk, "mid_shoulder": mid_shoulder,
        "neck": neck, "head_top": neck + k.head_m * f["head"][..., 2],
        "hip": hip, "knee": knee, "ankle": ankle, "toe": ankle + k.foot_m * (f["foot"] @ toe_direction()),
        "shoulder": shoulder, "elbow": elbow, "wrist": wrist, "grip": wrist - k.hand_m * f["hand"][..., 2],
    }  # fmt: skip


# De Leva (1996) Table 4, female: mass fraction, place of the centre of mass as a fraction of our own
# segment from its proximal or cranial end, and radii of gyration (sagittal, transverse, longitudinal).
# Head is "head 2" (vertex to cervicale). The table's masses add up to 0.9999; they are normalised.
MASS: Final = {
    "head": 0.0668, "upper_trunk": 0.1545, "middle_trunk": 0.1465, "lower_trunk": 0.1247,
    "upper_arm": 0.0255, "forearm": 0.0138, "hand": 0.0056, "thigh": 0.1478, "shank": 0.0481, "foot": 0.0129,
}  # fmt: skip
_PAIRED: Final = ("upper_arm", "forearm", "hand", "thigh", "shank", "foot")
TOTAL_MASS: Final = sum(m * (2 if name in _PAIRED else 1) for name, m in MASS.items())
CENTRE: Final = {
    "head": 0.4841, "upper_arm": 0.5754, "forearm": 0.4559, "hand": 0.7474, "thigh": 0.3612,
    "shank": 0.4416, "foot": 0.4014,
}  # fmt: skip
# The trunk's three parts along mid-hip to mid-shoulder (0.4979 m): part lengths 0.1815, 0.2053 and
# 0.1425 m from the hip upwards, with centres 0.4920, 0.4512 and 0.2077 from each part's upper end.
_TRUNK_M: Final = 0.4979
TRUNK_CENTRE: Final = {
    "lower_trunk": 0.1815 * (1 - 0.4920) / _TRUNK_M,
    "middle_trunk": (0.1815 + 0.2053 * (1 - 0.4512)) / _TRUNK_M,
    "upper_trunk": (0.1815 + 0.2053 + 0.1425 * (1 - 0.2077)) / _TRUNK_M,
}
TRUNK_LENGTH: Final = {
    "lower_trunk": 0.1815 / _TRUNK_M, "middle_trunk": 0.2053 / _TRUNK_M, "upper_trunk": 0.1425 / _TRUNK_M,
}  # fmt: skip
RADII: Final = {
    "head": (0.271, 0.295, 0.261), "upper_trunk": (0.746, 0.502, 0.718),
    "middle_trunk": (0.433, 0.354, 0.415), "lower_trunk": (0.433, 0.402, 0.444),
    "upper_arm": (0.278, 0.260, 0.148), "forearm": (0.261, 0.257, 0.094),
    "hand": (0.531, 0.454, 0.335), "thigh": (0.369, 0.364, 0.162), "shank": (0.271, 0.267, 0.093),
    "foot": (0.299, 0.279, 0.139),
}  # fmt: skip


def _masses(motion: Motion, k: Skeleton) -> tuple[Floats, Floats, Floats, Floats]:
    """Every segment's mass (S,), centre (T, S, 3), frame (T, S, 3, 3), principal inertia (S, 3)."""
    f = frames(motion, k)
    j = _joints(motion, k, f)
    mass: list[float] = []
    centre: list[Floats] = []
    frame: list[Floats] = []
    principal: list[Floats] = []

    def add(name: str, length_m: float, at: Floats, turned: Floats) -> None:
        m = MASS[name] / TOTAL_MASS
        mass.append(m)
        centre.append(at)
        frame.append(turned)
        principal.append(m * (np.array(RADII[name]) * length_m) ** 2)

    add("head", k.head_m, j["head_top"] + CENTRE["head"] * (j["neck"] - j["head_top"]), f["head"])
    for name, part in (("lower_trunk", "pelvis"), ("middle_trunk", "chest"), ("upper_trunk", "chest")):
        base = j["mid_hip"] if part == "pelvis" else j["mid_trunk"]
        along = TRUNK_CENTRE[name] - (0.0 if part == "pelvis" else 0.5)
        add(name, TRUNK_LENGTH[name] * k.trunk_m, base + along * k.trunk_m * f[part][..., 2], f[part])
    toe_up = pitch(np.array(np.pi / 2 - FOOT_DROP_RAD))  # turns the foot frame's up into toe-to-ankle
    for name, first, last, length in (
        ("upper_arm", "shoulder", "elbow", k.upper_arm_m),
        ("forearm", "elbow", "wrist", k.forearm_m),
        ("hand", "wrist", "grip", k.hand_m),
        ("thigh", "hip", "knee", k.thigh_m),
        ("shank", "knee", "ankle", k.shank_m),
        ("foot", "ankle", "toe", k.foot_m),
    ):
        for s in (0, 1):
            a, b = j[first][:, s], j[last][:, s]
            turned = f[name][:, s] @ toe_up.T if name == "foot" else f[name][:, s]
            add(name, length, a + CENTRE[name] * (b - a), turned)
    return np.array(mass), np.stack(centre, axis=1), np.stack(frame, axis=1), np.stack(principal)


def centre_of_mass(motion: Motion, skeleton: Skeleton) -> Floats:
    """Centre of mass (T, 3), metres (de Leva 1996, female, masses normalised)."""
    mass, centre, _, _ = _masses(motion, skeleton)
    com: Floats = np.einsum("s,tsi->ti", mass, centre)
    return com


def inertia(motion: Motion, skeleton: Skeleton, axis: Floats | None = None) -> Floats:
    """Moment of inertia (T,) about an axis through the CoM, per kg of body mass, m^2.

    axis: (T, 3) unit vectors in the world; the somersault axis (y) when not given.
    """
    mass, centre, frame, principal = _masses(motion, skeleton)
    offset = centre - np.einsum("s,tsi->ti", mass, centre)[:, None]
    about = np.array([[0.0, 1.0, 0.0]]) if axis is None else axis
    about = np.broadcast_to(about, (len(motion.t_s), 3))
    own = np.einsum("tsk,sk->t", np.einsum("tsik,ti->tsk", frame, about) ** 2, principal)
    away = np.cross(offset, about[:, None])
    moment: Floats = own + np.einsum("s,tsi->t", mass, away**2)
    return moment


def angular_momentum(motion: Motion, skeleton: Skeleton) -> Floats:
    """Angular momentum (T, 3) about the CoM per kg of body mass, m^2/s, by central differences.

    For a motion whose pelvis is held still this is the momentum of the internal motion alone.
    """
    mass, centre, frame, principal = _masses(motion, skeleton)
    offset = centre - np.einsum("s,tsi->ti", mass, centre)[:, None]
    velocity = np.gradient(offset, motion.t_s, axis=0, edge_order=2)
    rate = np.gradient(frame, motion.t_s, axis=0, edge_order=2)
    skew = rate @ np.swapaxes(frame, -1, -2)
    turning = skew - np.swapaxes(skew, -1, -2)
    spin = 0.5 * np.stack([turning[..., 2, 1], turning[..., 0, 2], turning[..., 1, 0]], axis=-1)
    local = np.einsum("tsji,tsj->tsi", frame, spin) * principal
    own = np.einsum("tsij,tsj->ti", frame, local)
    total: Floats = own + np.einsum("s,tsi->ti", mass, np.cross(offset, velocity))
    return total

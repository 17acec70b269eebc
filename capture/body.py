"""Centre of mass from the fourteen joints and a published segment-mass table.

How the joints stand in for the tables' endpoints:

* trunk: mid-shoulder to mid-hip, as the tables give it ("trunk 3" of de Leva);
* head: head top to neck. The neck joint lies between cervicale and suprasternale, so the fraction is
  re-expressed on that length;
* upper arm, forearm, thigh, shank: joint centre to joint centre;
* hand and foot: no joint of their own; their mass lies beyond wrist and ankle along forearm and shank,
  at the mean subject's ratio of lengths (pointed feet, straight wrists).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from bridge.skeleton import INDEX, N_JOINTS

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Segment:
    """Mass as a fraction of the body, centre as a fraction of the length from the first endpoint."""

    mass: float
    centre: float
    length_m: float  # of the table's mean subject


@dataclass(frozen=True, slots=True)
class SegmentTable:
    """A segment-mass table; limbs are given for one side."""

    name: str
    source: str
    head: Segment
    trunk: Segment
    upper_arm: Segment
    forearm: Segment
    hand: Segment
    thigh: Segment
    shank: Segment
    foot: Segment
    foot_from_ankle: float  # the foot's centre beyond the ankle, as a fraction of the shank

    @property
    def total(self) -> float:
        """Sum of all masses: 1 but for rounding in print."""
        limbs = (self.upper_arm, self.forearm, self.hand, self.thigh, self.shank, self.foot)
        return self.head.mass + self.trunk.mass + 2 * sum(s.mass for s in limbs)


_DE_LEVA = (
    "P. de Leva, Adjustments to Zatsiorsky-Seluyanov's segment inertia parameters, "
    "J. Biomech. 29(9):1223-1230, 1996, Table 4"
)
# The heel lies about a quarter of the foot behind the ankle: our own estimate, no source.
_HEEL = 0.25

DE_LEVA_FEMALE: Final = SegmentTable(
    name="de Leva female",
    source=_DE_LEVA,
    head=Segment(0.0668, 0.4841, 0.2437),  # vertex to cervicale
    trunk=Segment(0.4257, 0.3782, 0.4979),  # mid-shoulder to mid-hip
    upper_arm=Segment(0.0255, 0.5754, 0.2751),
    forearm=Segment(0.0138, 0.4559, 0.2643),
    hand=Segment(0.0056, 0.7474, 0.0780),  # wrist to metacarpale 3
    thigh=Segment(0.1478, 0.3612, 0.3685),
    shank=Segment(0.0481, 0.4352, 0.4386),  # knee to ankle joint centre
    foot=Segment(0.0129, 0.4014, 0.2283),  # heel to toe tip
    foot_from_ankle=(0.4014 - _HEEL) * 0.2283 / 0.4386,
)
DE_LEVA_MALE: Final = SegmentTable(
    name="de Leva male",
    source=_DE_LEVA,
    head=Segment(0.0694, 0.5002, 0.2429),
    trunk=Segment(0.4346, 0.4310, 0.5155),
    upper_arm=Segment(0.0271, 0.5772, 0.2817),
    forearm=Segment(0.0162, 0.4574, 0.2689),
    hand=Segment(0.0061, 0.7900, 0.0862),
    thigh=Segment(0.1416, 0.4095, 0.4222),
    shank=Segment(0.0433, 0.4459, 0.4340),  # knee to lateral malleolus
    foot=Segment(0.0137, 0.4415, 0.2581),
    foot_from_ankle=(0.4415 - _HEEL) * 0.2581 / 0.4340,
)
# Lengths are not in Winter's table: those of the female mean subject stand in for the folded ratios.
DEMPSTER_WINTER: Final = SegmentTable(
    name="Dempster, as given by Winter",
    source="D. A. Winter, Biomechanics and Motor Control of Human Movement, after Dempster 1955",
    head=Segment(0.081, 0.5, 0.2437),  # the ear canal, about half way from head top to C7
    trunk=Segment(0.497, 0.500, 0.4979),
    upper_arm=Segment(0.028, 0.436, 0.2751),
    forearm=Segment(0.016, 0.430, 0.2643),
    hand=Segment(0.006, 0.506, 0.0780),
    thigh=Segment(0.100, 0.433, 0.3685),
    shank=Segment(0.0465, 0.433, 0.4386),
    foot=Segment(0.0145, 0.500, 0.2283),
    foot_from_ankle=0.5 * (1 - _HEEL) * 0.2283 / 0.4386,  # malleolus to metatarsal head
)

# Neck joint below cervicale, as a fraction of the head's length to cervicale: half way down to
# suprasternale, which is 0.6148 - 0.5293 m lower in de Leva's mean subject.
_NECK_BELOW: Final = (0.6148 - 0.5293) / 2 / 0.2437
# Neck joint and head top above mid-shoulder, as fractions of the trunk, when they are not seen.
_NECK_ABOVE: Final = (0.6148 - (0.6148 - 0.5293) / 2 - 0.4979) / 0.4979
_TOP_ABOVE: Final = (0.6148 + 0.2437 - 0.4979) / 0.4979

_PAIRS: Final = tuple(
    (INDEX[f"right_{j}"], INDEX[f"left_{j}"]) for j in ("hip", "shoulder", "elbow", "wrist", "knee", "ankle")
)
_NECK, _TOP = INDEX["neck"], INDEX["head_top"]


def joint_weights(table: SegmentTable = DE_LEVA_FEMALE) -> Floats:
    """Weight of each joint in the centre of mass, (14,), summing to 1.

    Every segment's centre is a linear mix of two joints, so the whole body's is a mix of fourteen.
    """
    w = np.zeros(N_JOINTS)
    head_centre = table.head.centre / (1 + _NECK_BELOW)
    w[_TOP] += table.head.mass * (1 - head_centre)
    w[_NECK] += table.head.mass * head_centre
    for side in ("right", "left"):
        joint = {
            name: INDEX[f"{side}_{name}"] for name in ("shoulder", "elbow", "wrist", "hip", "knee", "ankle")
        }

        def put(mass: float, centre: float, first: int, second: int) -> None:
            w[first] += mass * (1 - centre)
            w[second] += mass * centre

        put(table.trunk.mass / 2, table.trunk.centre, joint["shoulder"], joint["hip"])
        put(table.upper_arm.mass, table.upper_arm.centre, joint["shoulder"], joint["elbow"])
        put(table.forearm.mass, table.forearm.centre, joint["elbow"], joint["wrist"])
        beyond = table.hand.centre * table.hand.length_m / table.forearm.length_m
        put(table.hand.mass, 1 + beyond, joint["elbow"], joint["wrist"])
        put(table.thigh.mass, table.thigh.centre, joint["hip"], joint["knee"])
        put(table.shank.mass, table.shank.centre, joint["knee"], joint["ankle"])
        put(table.foot.mass, 1 + table.foot_from_ankle, joint["knee"], joint["ankle"])
    return np.asarray(w / w.sum(), dtype=np.float64)


def complete(joints: Floats) -> Floats:
    """Joints (..., 14, 2) with gaps filled where that is honest.

    A missing limb joint takes its partner's place (side-on, the two nearly coincide); a missing neck
    or head top is put on the trunk's line. What still misses stays NaN.
    """
    full = np.array(joints, dtype=float)
    for right, left in _PAIRS:
        for one, other in ((right, left), (left, right)):
            gap = ~np.isfinite(full[..., one, :]).all(axis=-1)
            full[..., one, :] = np.where(gap[..., None], full[..., other, :], full[..., one, :])
    shoulder, hip = middle(full, "shoulder"), middle(full, "hip")
    for joint, above in ((_NECK, _NECK_ABOVE), (_TOP, _TOP_ABOVE)):
        gap = ~np.isfinite(full[..., joint, :]).all(axis=-1)
        guess = shoulder + above * (shoulder - hip)
        full[..., joint, :] = np.where(gap[..., None], guess, full[..., joint, :])
    return full


def middle(joints: Floats, name: str) -> Floats:
    """Half way between the left and right joint: (..., 14, 2) to (..., 2). NaN when either misses."""
    mid: Floats = (joints[..., INDEX[f"right_{name}"], :] + joints[..., INDEX[f"left_{name}"], :]) / 2
    return mid


def centre_of_mass(joints: Floats, table: SegmentTable = DE_LEVA_FEMALE) -> Floats:
    """Centre of mass (..., 2) of joints (..., 14, 2) in a plane; NaN where too few joints are seen."""
    com: Floats = np.einsum("j,...jk->...k", joint_weights(table), complete(joints))
    return com

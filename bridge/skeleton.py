"""The fourteen joints that Railcrest follows: twelve limb joints, neck and head top.

The order is that of the Leeds Sports Pose labels (Johnson & Everingham, CVPR 2011), so that
photographs labelled that way can be used without renaming.
"""

from __future__ import annotations

from typing import Final

JOINTS: Final[tuple[str, ...]] = (
    "right_ankle",
    "right_knee",
    "right_hip",
    "left_hip",
    "left_knee",
    "left_ankle",
    "right_wrist",
    "right_elbow",
    "right_shoulder",
    "left_shoulder",
    "left_elbow",
    "left_wrist",
    "neck",
    "head_top",
)
INDEX: Final[dict[str, int]] = {name: i for i, name in enumerate(JOINTS)}
N_JOINTS: Final = len(JOINTS)

# Joint that takes each joint's place when the picture is mirrored.
MIRROR: Final[tuple[int, ...]] = (5, 4, 3, 2, 1, 0, 11, 10, 9, 8, 7, 6, 12, 13)

# Pairs of joints joined by a line when the followed gymnast is drawn.
BONES: Final[tuple[tuple[int, int], ...]] = (
    (0, 1), (1, 2), (5, 4), (4, 3), (2, 3),
    (6, 7), (7, 8), (11, 10), (10, 9), (8, 9),
    (2, 8), (3, 9), (12, 13),
)  # fmt: skip

"""Reads Acclaim skeletons and motions (ASF, AMC) and gives joint centres by forward kinematics."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from bridge.skeleton import JOINTS

Floats = NDArray[np.float64]
UNIT_M = 0.0254 / 0.45  # one unit is 1/0.45 inch: ASF "length 0.45"
RATE = 120.0

# End of the named bone; the joints that bound a bone stand for the anatomical ones.
ENDS = {
    "right_ankle": "rtibia", "right_knee": "rfemur", "right_hip": "rhipjoint",
    "left_hip": "lhipjoint", "left_knee": "lfemur", "left_ankle": "ltibia",
    "right_wrist": "rradius", "right_elbow": "rhumerus", "right_shoulder": "rclavicle",
    "left_shoulder": "lclavicle", "left_elbow": "lhumerus", "left_wrist": "lradius",
    "neck": "thorax", "head_top": "head",
}  # fmt: skip


@dataclass
class Bone:
    offset: Floats
    axis: Floats
    freedom: tuple[str, ...] = ()
    parent: str = "root"


def read_skeleton(path: Path) -> dict[str, Bone]:
    bones: dict[str, Bone] = {}
    section, fields = "", {}
    in_bone = False
    for raw in path.read_text().splitlines():
        words = raw.split()
        if not words:
            continue
        if words[0].startswith(":"):
            section, in_bone = words[0], False
        elif section == ":bonedata":
            if words[0] == "begin":
                fields, in_bone = {}, True
            elif words[0] == "end":
                direction = np.array([float(v) for v in fields["direction"]])
                bones[fields["name"][0]] = Bone(
                    direction / np.linalg.norm(direction) * float(fields["length"][0]),
                    np.array([float(v) for v in fields["axis"][:3]]),
                    tuple(fields.get("dof", ())),
                )
                in_bone = False
            elif in_bone:
                fields[words[0]] = words[1:]
        elif section == ":hierarchy" and words[0] not in ("begin", "end"):
            for child in words[1:]:
                bones[child].parent = words[0]
    return bones


def read_motion(path: Path) -> list[dict[str, list[float]]]:
    frames: list[dict[str, list[float]]] = []
    for raw in path.read_text().splitlines():
        words = raw.split()
        if not words or words[0][0] in "#:":
            continue
        if len(words) == 1:
            frames.append({})
        else:
            frames[-1][words[0]] = [float(v) for v in words[1:]]
    return frames


def joints(skeleton: Path, motion: Path, first: int, last: int) -> tuple[Floats, Floats]:
    """Times (T,) and joints (T, 14, 3) in metres, z up, of AMC frames ``first`` to ``last`` (1-based)."""
    bones = read_skeleton(skeleton)
    order: list[str] = []
    left = list(bones)
    while left:
        for name in list(left):
            if bones[name].parent in ("root", *order):
                order.append(name)
                left.remove(name)
    frames = read_motion(motion)[first - 1 : last]
    out = np.empty((len(frames), len(JOINTS), 3))
    axes = {n: Rotation.from_euler("xyz", b.axis, degrees=True) for n, b in bones.items()}
    for i, frame in enumerate(frames):
        root = frame["root"]
        turn = {"root": Rotation.from_euler("xyz", root[3:], degrees=True)}
        at = {"root": np.array(root[:3])}
        for name in order:
            bone = bones[name]
            angles = dict(zip(bone.freedom, frame.get(name, []), strict=False))
            own = Rotation.from_euler("xyz", [angles.get(k, 0.0) for k in ("rx", "ry", "rz")], degrees=True)
            turn[name] = turn[bone.parent] * axes[name] * own * axes[name].inv()
            at[name] = at[bone.parent] + turn[name].apply(bone.offset)
        for k, joint in enumerate(JOINTS):
            out[i, k] = at[ENDS[joint]] * UNIT_M
    return np.arange(first, first + len(frames)) / RATE, out[..., [0, 2, 1]] * np.array([1.0, -1.0, 1.0])

"""The networks on labelled photographs: any folder of pictures with YOLO-pose labels of 14 joints.

Pictures and labels may lie in the folder's archives (``*.tar``, ``*.tgz``, ``*.tar.gz``) or unpacked
in it; a picture belongs to the label file of the same name, whose lines say ``class x y w h`` and 14
times ``x y visibility``, all but the visibility in shares of the picture, joints in
`bridge.skeleton` order. Of several people the one with the largest box is looked at.

The joint network sees the crop round the labelled joints, as it would when it follows; the finder
sees the whole picture and has found the person when one of its boxes overlaps the label's own box
with an IoU of 0.5. (In the reference data that box is the labelled joints' extent and, on every side,
12 % of its longer side more, cut off at the picture's edge.)
"""

from __future__ import annotations

import csv
import tarfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any, Final, Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from bridge.errors import ConfigError
from bridge.skeleton import N_JOINTS
from capture.bench.networks import (
    Look,
    against_torso,
    by_orientation,
    calibration,
    joints_against_torso,
    looks_airborne,
)
from capture.follow import Joints, People
from capture.joints import Crop, Found

Floats = NDArray[np.float64]
Image = NDArray[np.uint8]

PICTURES: Final = {".jpg", ".jpeg", ".png", ".webp", ".bmp"}
ARCHIVES: Final = (".tar", ".tgz", ".tar.gz")
SAME_BOX: Final = 0.5  # IoU
EYE_COLUMNS: Final = ("picture", "mid_hip_x", "mid_hip_y", "mid_shoulder_x", "mid_shoulder_y")


@dataclass(frozen=True, slots=True)
class Photograph:
    """A picture with its main person's label."""

    name: str  # without folder and suffix
    bgr: Image
    joints_px: Floats  # (14, 2), pixel centres at integers, NaN where not labelled
    box_px: Floats  # (4,) left, top, right, bottom


class _Item(Protocol):
    def __call__(self) -> bytes: ...


def _files(folder: Path, wanted: Callable[[str], bool]) -> Iterator[tuple[str, _Item]]:
    """Path inside the folder or archive, and what reads it, of each wanted file."""
    for path in sorted(folder.rglob("*")):
        if path.is_dir() or path.name.startswith("."):
            continue
        if path.name.endswith(ARCHIVES):
            try:
                with tarfile.open(path) as tar:
                    for member in tar:
                        if (
                            member.isfile()
                            and wanted(member.name)
                            and not Path(member.name).name.startswith(".")
                        ):
                            file = tar.extractfile(member)
                            assert file is not None  # it is a file
                            yield member.name, file.read
            except (tarfile.TarError, OSError, EOFError) as error:
                raise ConfigError(f"{path}: is no archive that can be read; fetch it again") from error
        elif wanted(inside := path.relative_to(folder).as_posix()):
            yield inside, path.read_bytes


def _key(inside: str) -> str:
    """What a picture and its label share: the path below ``images`` or ``labels``, without suffix."""
    parts = PurePosixPath(inside).with_suffix("").parts
    marks = [i for i, part in enumerate(parts) if part in ("images", "labels")]
    return "/".join(parts[marks[-1] + 1 :] if marks else parts)


def _main_person(text: str, name: str) -> Floats | None:
    """Numbers (47,) of the line with the largest box; None without any line."""
    lines = [line.split() for line in text.splitlines() if line.strip()]
    try:
        people = [np.array(line, float) for line in lines]
    except ValueError:
        people = [np.zeros(0)]
    if any(len(person) != 5 + 3 * N_JOINTS for person in people):
        raise ConfigError(
            f"{name}: is no label of {N_JOINTS} joints; each line needs class x y w h and "
            f"{N_JOINTS} times x y visibility"
        )
    return max(people, key=lambda person: float(person[3] * person[4]), default=None)


def photographs(folder: Path, wanted: Callable[[str], bool] = lambda name: True) -> Iterator[Photograph]:
    """The labelled pictures of a folder whose name is wanted.

    Raises:
        ConfigError: the folder holds no labelled pictures, or a file in it cannot be read.
    """
    if not folder.is_dir():
        raise ConfigError(f"{folder}: no such folder; give one with pictures and labels")
    labels = {
        _key(name): read().decode(errors="replace")
        for name, read in _files(folder, lambda name: name.endswith(".txt"))
    }

    def is_labelled(name: str) -> bool:
        path = PurePosixPath(name)
        return path.suffix.lower() in PICTURES and _key(name) in labels and wanted(path.stem)

    count = 0
    for inside, read in _files(folder, is_labelled):
        person = _main_person(labels[_key(inside)], inside)
        if person is None:
            continue
        bgr = cv2.imdecode(np.frombuffer(read(), np.uint8), cv2.IMREAD_COLOR)
        if bgr is None:
            raise ConfigError(f"{inside}: is no picture that can be read; take it and its label away")
        size = np.array(bgr.shape[1::-1])
        placed = person[5:].reshape(-1, 3)
        # Labels measure from the picture's corner; our pixel centres are at integers.
        joints = np.where(placed[:, 2:] > 0, placed[:, :2] * size - 0.5, np.nan)
        if not np.isfinite(joints).any():
            continue
        centre, half = person[1:3] * size - 0.5, person[3:5] * size / 2
        count += 1
        yield Photograph(
            PurePosixPath(inside).stem,
            np.asarray(bgr, np.uint8),
            joints,
            np.concatenate([centre - half, centre + half]),
        )
    if not count:
        raise ConfigError(f"{folder}: holds no pictures with labels; it needs images and labels of one name")


def read_by_eye(path: Path) -> dict[str, Floats]:
    """Places by eye: mid-hip and mid-shoulder (2, 2) px, by the picture's name without suffix.

    path: CSV with the header ``picture,mid_hip_x,mid_hip_y,mid_shoulder_x,mid_shoulder_y``; px of the
        picture as it is in the folder, pixel centres at integers; further columns are not read.

    Raises:
        ConfigError: the file cannot be read or is not of that form.
    """
    out = {}
    try:
        with path.open(newline="", encoding="utf-8") as file:
            rows = csv.DictReader(file)
            if not set(EYE_COLUMNS) <= set(rows.fieldnames or ()):
                raise ConfigError(f"{path}: its first line must name {','.join(EYE_COLUMNS)}")
            for row in rows:
                try:
                    places = np.array([float(row[name]) for name in EYE_COLUMNS[1:]])
                except (TypeError, ValueError):
                    places = np.full(4, np.nan)
                if not np.isfinite(places).all():
                    raise ConfigError(f"{path}: line {rows.line_num} needs a number in each column")
                out[Path(row["picture"]).stem] = places.reshape(2, 2)
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise ConfigError(f"{path}: cannot be read ({error}); give a CSV file") from error
    return out


def overlap(box: Floats, others: Floats) -> Floats:
    """Intersection over union of a box (4,) and others (N, 4 or more): left, top, right, bottom."""
    low, high = np.maximum(box[:2], others[:, :2]), np.minimum(box[2:4], others[:, 2:4])
    both = np.prod(np.clip(high - low, 0, None), axis=1)
    areas = np.prod(box[2:4] - box[:2]) + np.prod(others[:, 2:4] - others[:, :2], axis=1)
    return np.asarray(both / (areas - both))


def look(photo: Photograph, joints: Joints, people: People, by_eye: Floats | None) -> Look:
    """Run both networks on one photograph."""
    boxes = people.find(photo.bgr)
    return Look(
        true_px=photo.joints_px,
        found=joints(photo.bgr, Crop.round_points(photo.joints_px)),
        airborne=looks_airborne(photo.joints_px),
        box_found=bool((overlap(photo.box_px, boxes) >= SAME_BOX).any()),
        by_eye=by_eye,
    )


def figures(looks: Sequence[Look]) -> dict[str, Any]:
    """The figures of some photographs against their labels.

    ``n`` pictures have both hips and both shoulders labelled, ``n_boxes`` were shown to the finder.
    """
    found = [k.box_found for k in looks if k.box_found is not None]
    return {
        **against_torso(looks),
        **joints_against_torso(looks),
        "n_boxes": len(found),
        "found": round(sum(found) / len(found), 4) if found else None,
        **calibration(looks),
    }


def report(looks: Sequence[Look]) -> dict[str, Any]:
    """The figures of all photographs, of each orientation, and against places by eye where there are any.

    ``by_eye`` has the network against labels and against eye on the same pictures, and the labels
    themselves against the eye: no network trained on such labels is expected to agree better with them.
    """
    out = {
        **figures(looks),
        "orientation": {name: figures(some) for name, some in by_orientation(looks).items()},
    }
    placed = [k for k in looks if k.by_eye is not None]
    if placed:
        labels = [Look(k.true_px, _as_found(k.true_px), k.airborne, by_eye=k.by_eye) for k in placed]
        known = [k for k in labels if k.orientation]
        out["by_eye"] = {
            "network_against_labels": against_torso(placed),
            "network_against_eye": against_torso(placed, by_eye=True),
            "labels_against_eye": against_torso(known, by_eye=True),
            "orientation": {
                name: {
                    "network_against_labels": against_torso(some),
                    "network_against_eye": against_torso(some, by_eye=True),
                }
                for name, some in by_orientation(placed).items()
            },
        }
    return out


def _as_found(px: Floats) -> Found:
    return Found(px, np.full(len(px), np.nan), np.isfinite(px).all(axis=1).astype(float))

"""Lets any ultralytics pose model (COCO, 17 joints) stand in for the shipped networks."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from bridge.errors import ModelError
from bridge.skeleton import INDEX, N_JOINTS
from capture.finder import MOST, SURE, import_ultralytics
from capture.joints import Crop, Found

Floats = NDArray[np.float64]
Image = NDArray[np.uint8]

# Order of COCO's keypoints (Lin et al., ECCV 2014).
COCO: Final = (
    "nose", "left_eye", "right_eye", "left_ear", "right_ear", "left_shoulder", "right_shoulder", "left_elbow",
    "right_elbow", "left_wrist", "right_wrist", "left_hip", "right_hip", "left_knee", "right_knee",
    "left_ankle", "right_ankle",
)  # fmt: skip
RELATIVE_U: Final = 0.02  # of the crop's side: our own guess of a general model's joints
# Head top over the middle of the ears, in lengths from the shoulders' middle to the ears: our own estimate.
CROWN: Final = 0.8
REMEDY: Final = "give a pose model of ultralytics with COCO's 17 joints"


class PoseModel:
    """A pose model as finder and joint network in one; one pass a picture serves both.

    Raises:
        ModelError: the file is missing, unsafe or no pose model with 17 joints.
    """

    def __init__(self, path: Path) -> None:
        if not path.exists():
            raise ModelError(f"{path}: no such model; give a pose model of ultralytics with --model")
        if path.is_file():
            self.hashes = {path.name: hashlib.sha256(path.read_bytes()).hexdigest()}
        else:
            self.hashes = {
                f"{path.name}/{file.name}": hashlib.sha256(file.read_bytes()).hexdigest()
                for file in sorted(path.iterdir())
                if file.is_file()
            }
        ultralytics = import_ultralytics()
        try:
            self._model = ultralytics.YOLO(str(path.resolve()), task="pose")
            self._predict(np.zeros((64, 64, 3), np.uint8))
        except ModelError as error:
            raise ModelError(f"{path}: {error}; {REMEDY}") from error
        except ModuleNotFoundError as error:
            raise ModelError(f"{path}: needs {error.name}, which is not installed; {REMEDY}") from error
        except Exception as error:
            # The library raises whatever its loaders raise, down to bare exceptions.
            raise ModelError(f"{path}: cannot be loaded as a pose model; {REMEDY}") from error
        self._of: Image | None = None  # the picture that the boxes and joints are of
        self._boxes = np.zeros((0, 5))
        self._joints = np.zeros((0, len(COCO), 3))

    def find(self, bgr: Image) -> Floats:
        """People in a picture: (N, 5) left, top, right, bottom in px and score, best first."""
        self._see(bgr)
        return self._boxes

    def __call__(self, bgr: Image, crop: Crop) -> Found:
        """Joints of the person whose box lies best in the crop."""
        self._see(bgr)
        if not len(self._boxes):
            return _nobody()
        centres = (self._boxes[:, :2] + self._boxes[:, 2:4]) / 2
        away = np.abs(centres - (crop.x, crop.y)).max(axis=1)
        nearest = int(away.argmin())
        if away[nearest] > crop.side / 2:
            return _nobody()
        px, score = from_coco(self._joints[nearest])
        return Found(px=px, sigma_px=np.full(N_JOINTS, RELATIVE_U * crop.side), score=score)

    def _see(self, bgr: Image) -> None:
        if self._of is bgr:
            return
        result = self._predict(bgr)
        self._of = bgr
        self._boxes = np.column_stack(
            [result.boxes.xyxy.cpu().numpy(), result.boxes.conf.cpu().numpy()]
        ).astype(np.float64)
        self._joints = result.keypoints.data.cpu().numpy().astype(np.float64)

    def _predict(self, bgr: Image) -> Any:
        result = self._model.predict(bgr, conf=SURE, max_det=MOST, verbose=False, device="cpu")[0]
        if result.keypoints is None:
            raise ModelError("finds no joints")
        joints, values = result.keypoints.data.shape[1:]
        if (joints, values) != (len(COCO), 3):
            raise ModelError(f"finds {joints} joints of {values} values, not {len(COCO)} of 3")
        return result


def from_coco(joints: Floats) -> tuple[Floats, Floats]:
    """Our fourteen joints (14, 2) and scores (14,) from COCO's (17, 3) x, y, confidence."""
    px, score = np.full((N_JOINTS, 2), np.nan), np.zeros(N_JOINTS)
    at = {name: i for i, name in enumerate(COCO)}
    for name, i in INDEX.items():
        if name in at:
            px[i], score[i] = joints[at[name], :2], joints[at[name], 2]
    shoulders, ears = (joints[[at[f"{s}_{part}"] for s in ("left", "right")]] for part in ("shoulder", "ear"))
    neck, middle = shoulders[:, :2].mean(axis=0), ears[:, :2].mean(axis=0)
    px[INDEX["neck"]], score[INDEX["neck"]] = neck, shoulders[:, 2].min()
    px[INDEX["head_top"]], score[INDEX["head_top"]] = middle + CROWN * (middle - neck), ears[:, 2].max()
    return px, score


def _nobody() -> Found:
    return Found(np.full((N_JOINTS, 2), np.nan), np.full(N_JOINTS, np.nan), np.zeros(N_JOINTS))

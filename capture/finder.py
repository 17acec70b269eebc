"""Finds people in the whole picture: ultralytics' nano detector, one class, any orientation."""

from __future__ import annotations

import logging
import os
import sys
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
import platformdirs
from numpy.typing import NDArray

from bridge.errors import ModelError
from capture.models import find_network, import_openvino

log = logging.getLogger(__name__)

Floats = NDArray[np.float64]
Image = NDArray[np.uint8]

SURE: Final = 0.25  # detections less likely than this are not looked at
MOST: Final = 12  # people looked at in one picture


def import_ultralytics() -> Any:
    """Import ultralytics without network, installs, telemetry or changed thread counts."""
    settings = platformdirs.user_cache_path("railcrest") / "detector"
    settings.mkdir(parents=True, exist_ok=True)
    os.environ.update(
        YOLO_OFFLINE="1",
        YOLO_AUTOINSTALL="0",
        YOLO_VERBOSE="0",
        YOLO_CONFIG_DIR=str(settings),
        ULTRALYTICS_SAFE_LOAD="1",
        ULTRALYTICS_SKIP_REQUIREMENTS_CHECKS="1",
    )
    threads = cv2.getNumThreads()
    # Triton is for graphics cards only, and its LLVM crashes beside the one that Mesa draws with.
    sys.modules.setdefault("triton", None)  # type: ignore[arg-type]
    import_openvino()  # before the library imports it with its statistics
    import ultralytics

    cv2.setNumThreads(threads)  # its import sets them to none
    ultralytics.settings.update({"sync": False})
    return ultralytics


class Finder:
    """The shipped detector.

    Raises:
        ModelError: its files are missing or not the ones their hashes name.
    """

    def __init__(self, folder: Path | None = None) -> None:
        path, network = find_network("finder", folder)
        width, height = network.input_px
        self.hashes = network.files
        self._arguments: dict[str, Any] = {
            "imgsz": (height, width),
            "conf": SURE,
            "max_det": MOST,
            "verbose": False,
            "device": "cpu",
        }
        ultralytics = import_ultralytics()
        try:
            # The library takes an OpenVINO network by its folder's name.
            self._model = ultralytics.YOLO(str(path.parent), task="detect")
            self.find(np.zeros((height, width, 3), np.uint8))  # warm up before the first real picture
        except (RuntimeError, OSError, ValueError) as error:
            raise ModelError(f"{path}: cannot be loaded ({error}); install Railcrest again") from error

    def find(self, bgr: Image) -> Floats:
        """People in a picture: (N, 5) left, top, right, bottom in px and score, best first."""
        boxes = self._model.predict(bgr, **self._arguments)[0].boxes
        found = np.column_stack([boxes.xyxy.cpu().numpy(), boxes.conf.cpu().numpy()]).astype(np.float64)
        return found[np.argsort(-found[:, 4])]

"""The picture of a survey: beside the rig file, in each session, and what measuring compares with."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from bridge.errors import ConfigError
from bridge.session import SURVEY_FILE
from capture.rig import Rig

Image = NDArray[np.uint8]
ENDING: Final = ".still.png"


@dataclass(frozen=True, slots=True)
class Still:
    """A survey's picture (h, w, 3) BGR, and the bytes of its file."""

    image: Image
    data: bytes


def still_beside(rig_path: Path) -> Path:
    """Where the picture of a rig file's survey is written."""
    return rig_path.with_suffix(ENDING)


def write_still(path: Path, image: Image) -> None:
    """Write a survey's picture (h, w, 3) BGR as PNG.

    Raises:
        ConfigError: it cannot be written.
    """
    _, png = cv2.imencode(".png", image)
    try:
        path.write_bytes(png.tobytes())
    except OSError as error:
        raise ConfigError(f"{path}: cannot be written ({error.strerror}); choose another place") from error


def find_still(rig: Rig, session: Path | None = None) -> Still | None:
    """The picture of a rig's survey: the one its file names, or the copy in a session folder.

    Raises:
        ConfigError: the file names one that is not there, or that is no picture of the rig's size.
    """
    copied = session / SURVEY_FILE if session is not None else None
    if rig.still is not None and (rig.still.exists() or copied is None or not copied.exists()):
        return _read(rig.still, rig)
    return _read(copied, rig) if copied is not None and copied.exists() else None


def _read(path: Path, rig: Rig) -> Still:
    try:
        data = path.read_bytes()
        image = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR) if data else None
    except (OSError, cv2.error) as error:
        raise ConfigError(
            f"{path}: the survey's picture cannot be read; take a new survey, "
            f"or take still out of {rig.source}"
        ) from error
    if image is None or (image.shape[1], image.shape[0]) != tuple(rig.picture):
        raise ConfigError(
            f"{path}: is no picture of {rig.picture[0]}x{rig.picture[1]} px; take a new survey, "
            f"or take still out of {rig.source}"
        )
    return Still(np.asarray(image, np.uint8), data)

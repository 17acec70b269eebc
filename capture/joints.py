"""Joints of one person: a heat-map network on a square crop, decoded finer than its cells."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from bridge.errors import ModelError
from bridge.skeleton import JOINTS
from capture.models import find_network, import_openvino

Floats = NDArray[np.float64]
Image = NDArray[np.uint8]

STRIDE: Final = 4  # crop pixels a heat-map cell
GREY: Final = 114  # fills the crop beyond the picture, as in training
SHARE: Final = 0.68  # of the crop that the person's longer side takes, as in training
WINDOW_CELLS: Final = 2.0  # of the Gaussian that the decoding looks through
SPREAD_PX: Final = 5.0  # of a heat map as sharp as the ones trained towards
NEAR_CELLS: Final = 4.0  # round the peak, over which mass and spread are taken
ROUNDS: Final = 6


@dataclass(frozen=True, slots=True)
class Crop:
    """A square of the picture: its centre (pixel centres at integers) and side, px."""

    x: float
    y: float
    side: float

    @staticmethod
    def round_points(points: Floats) -> Crop:
        """The crop in which points (N, 2), NaN left out, take their usual share."""
        low, high = np.nanmin(points, axis=0), np.nanmax(points, axis=0)
        centre = (low + high) / 2
        return Crop(float(centre[0]), float(centre[1]), max(float((high - low).max()), 20.0) / SHARE)


@dataclass(frozen=True, slots=True)
class Found:
    """Joints in picture px with the network's own view of how good they are."""

    px: Floats  # (14, 2)
    sigma_px: Floats  # (14,)
    score: Floats  # (14,) mass of the heat map round its peak, 0 to 1


class JointNetwork:
    """The shipped joint network on OpenVINO, in 32-bit floating point so that every machine agrees.

    Args:
        threads: of inference; leave a core for decoding and recording.

    Raises:
        ModelError: its files are missing or not the ones their hashes name.
    """

    def __init__(self, threads: int = 1, folder: Path | None = None) -> None:
        path, network = find_network("joints", folder)
        self.hashes = network.files
        self.side = network.input_px[0]
        self._u = np.array([network.joint_u_px[name] for name in JOINTS])
        try:
            compiled = (
                import_openvino()
                .Core()
                .compile_model(
                    str(path),
                    "CPU",
                    {
                        "PERFORMANCE_HINT": "LATENCY",
                        "INFERENCE_NUM_THREADS": threads,
                        "INFERENCE_PRECISION_HINT": "f32",
                    },
                )
            )
        except RuntimeError as error:
            raise ModelError(f"{path}: cannot be loaded; install Railcrest again") from error
        self._request = compiled.create_infer_request()
        # Warm up before the first real picture.
        self._request.infer([np.zeros((1, 3, self.side, self.side), np.float32)])

    def __call__(self, bgr: Image, crop: Crop) -> Found:
        """Joints of the person whom the crop holds."""
        picture = cut(bgr, crop, self.side)
        data = cv2.dnn.blobFromImage(picture, 1 / 255, swapRB=True)
        logits = self._request.infer([data])[0][0]
        px, spread, mass = decode(np.asarray(logits, np.float64))
        scale = crop.side / self.side
        return Found(
            px=(px - (self.side - 1) / 2) * scale + (crop.x, crop.y),
            sigma_px=uncertainty(self._u, spread, mass) * scale,
            score=mass,
        )


def uncertainty(fitted: Floats, spread: Floats, mass: Floats) -> Floats:
    """Standard uncertainty of joints, crop px, from what `decode` tells.

    fitted: (..., 3) u, p, q of the registry; spread (px) and mass: (...). A wide or a divided heat map
    is a doubtful one; the powers are an empirical fit.
    """
    u, p, q = np.moveaxis(fitted, -1, 0)
    return np.asarray(u * (spread / SPREAD_PX) ** p * (1.01 - mass) ** q)


def cut(bgr: Image, crop: Crop, side: int) -> Image:
    """The crop as a picture of ``side`` px; what lies beyond the picture is grey.

    A crop that shrinks the picture is averaged first, so that thin limbs do not flicker.
    """
    scale = crop.side / side
    left, top = crop.x - (side - 1) / 2 * scale, crop.y - (side - 1) / 2 * scale
    shrink = max(1, int(scale))
    if shrink > 1:
        height, width = bgr.shape[:2]
        x0, y0 = max(0, int(left) - shrink), max(0, int(top) - shrink)
        x1 = min(width, int(left + crop.side) + 2 * shrink)
        y1 = min(height, int(top + crop.side) + 2 * shrink)
        x1, y1 = x1 - (x1 - x0) % shrink, y1 - (y1 - y0) % shrink
        if x1 <= x0 or y1 <= y0:
            return np.full((side, side, 3), GREY, np.uint8)
        size = ((x1 - x0) // shrink, (y1 - y0) // shrink)
        bgr = np.asarray(cv2.resize(bgr[y0:y1, x0:x1], size, interpolation=cv2.INTER_AREA), np.uint8)
        # A small pixel's centre lies in the middle of the pixels it stands for.
        left, top = ((v - v0 - (shrink - 1) / 2) / shrink for v, v0 in ((left, x0), (top, y0)))
        scale /= shrink
    to_picture = np.array([[scale, 0.0, left], [0.0, scale, top]])
    return np.asarray(
        cv2.warpAffine(
            bgr,
            to_picture,
            (side, side),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=(GREY, GREY, GREY),
        ),
        np.uint8,
    )


def decode(logits: Floats) -> tuple[Floats, Floats, Floats]:
    """Where each joint lies, from its heat map's logits (14, cells, cells).

    The mode is found by recentring a Gaussian window on the mean that it sees.

    Returns:
        crop px (14, 2); spread of the map round it (14,), px, per axis; its mass (14,), 0 to 1.
    """
    joints, cells = logits.shape[:2]
    flat = logits.reshape(joints, -1)
    weight = np.exp(flat - flat.max(axis=1, keepdims=True))
    weight /= weight.sum(axis=1, keepdims=True)
    maps = weight.reshape(logits.shape)
    peak = flat.argmax(axis=1)
    axis = np.arange(cells, dtype=np.float64)
    at = np.column_stack([peak % cells, peak // cells]).astype(np.float64)  # cells, x and y
    for _ in range(ROUNDS):
        x = np.exp(-((axis - at[:, :1]) ** 2) / (2 * WINDOW_CELLS**2))
        y = np.exp(-((axis - at[:, 1:]) ** 2) / (2 * WINDOW_CELLS**2))
        along = np.einsum("jyx,jy->jx", maps, y) * x
        down = np.einsum("jyx,jx->jy", maps, x) * y
        total = np.maximum(along.sum(axis=1), 1e-12)
        at = np.column_stack([along @ axis, down @ axis]) / total[:, None]
    near_x, near_y = np.abs(axis - at[:, :1]) < NEAR_CELLS, np.abs(axis - at[:, 1:]) < NEAR_CELLS
    along = np.einsum("jyx,jy->jx", maps, near_y) * near_x
    down = np.einsum("jyx,jx->jy", maps, near_x) * near_y
    mass = along.sum(axis=1)
    variance = (along * (axis - at[:, :1]) ** 2).sum(axis=1) + (down * (axis - at[:, 1:]) ** 2).sum(axis=1)
    spread = np.sqrt(variance / 2 / np.maximum(mass, 1e-12))
    return at * STRIDE + (STRIDE - 1) / 2, spread * STRIDE, mass

"""What lens, lamps and sensor do to a picture before it is coded, and when pictures are taken."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from capture.lens import Lens
from capture.studio.renderer import Camera

Floats = NDArray[np.floating[Any]]
Bytes = NDArray[np.uint8]

_NOISE_FIELDS: Final = 4
_SHAKE_HZ: Final = (0.9, 1.7, 3.1, 5.3)  # of a camera held in the hand, ours


def frame_times(
    seconds: float,
    fps: float,
    rng: np.random.Generator,
    jitter_share: float = 0.0,
    dropped_share: float = 0.0,
) -> Floats:
    """Capture times (N,) s from 0 of what is kept.

    jitter_share: each picture is early or late by up to this share of the frame time (below 0.5, so
    that time runs forward); dropped_share: of the pictures after the first that are lost.
    """
    times = np.arange(int(seconds * fps) + 1) / fps
    times = times + rng.uniform(-jitter_share, jitter_share, len(times)) / fps
    kept = rng.random(len(times)) >= dropped_share
    kept[0] = True
    return np.asarray(times[kept] - times[0])


def lamp_gain(
    t_s: Floats, mains_hz: float, depth: float, exposure_s: float, phase_rad: float = 0.0
) -> Floats:
    """Light of a lamp that goes out twice a mains period, averaged over exposures round ``t_s``; mean 1."""
    rate = 2 * mains_hz
    wave = np.cos(2 * np.pi * rate * np.asarray(t_s) + phase_rad)
    return np.asarray(1 + depth * np.sinc(rate * exposure_s) * wave)


@dataclass(frozen=True, slots=True)
class Drift:
    """How a camera turns about its place: a steady pan, and shake of the hand."""

    pan_rad_s: float = 0.0
    shake_rad: float = 0.0  # standard deviation about each axis
    seed: int = 0

    def camera(self, camera: Camera, t_s: float) -> Camera:
        """The camera as turned at a time; pan counts from 0 s."""
        if not (self.pan_rad_s or self.shake_rad):
            return camera
        rng = np.random.default_rng([self.seed, 9])
        phase = rng.uniform(0, 2 * np.pi, (3, len(_SHAKE_HZ)))
        size = self.shake_rad * np.sqrt(2 / len(_SHAKE_HZ))
        turn = size * np.sin(2 * np.pi * np.array(_SHAKE_HZ) * t_s + phase).sum(axis=1)
        turn[1] += self.pan_rad_s * t_s
        rotation = cv2.Rodrigues(turn)[0]
        return replace(camera, rotation=rotation @ camera.rotation, shift_m=rotation @ camera.shift_m)


class Optics:
    """Turns pinhole pictures of a padded camera into the pictures the sensor gives.

    ``wide`` is the pinhole camera to draw with: the same place, more picture round it.
    """

    def __init__(self, camera: Camera, k1: float = 0.0, k2: float = 0.0, pad_px: int = 0) -> None:
        self.camera = camera
        width, height = camera.size
        focal, centre = float(camera.matrix[0, 0]), camera.matrix[:2, 2]
        self.lens = Lens(
            picture=camera.size, focal_px=focal, centre_px=(float(centre[0]), float(centre[1])), k1=k1, k2=k2
        )
        self._map: Floats | None = None
        if k1 or k2:
            grid = np.stack(np.meshgrid(np.arange(width), np.arange(height)), axis=-1).astype(float)
            ideal = self.lens.undistort((grid - centre) / focal) * focal + centre
            beyond = max(0.0, float(-ideal.min()), *(ideal.reshape(-1, 2).max(0) - (width - 1, height - 1)))
            pad_px += int(np.ceil(beyond)) + 1
            self._map = (ideal + pad_px).astype(np.float32)
        self.pad_px = pad_px
        self.wide = camera.window(-pad_px, -pad_px, width + 2 * pad_px, height + 2 * pad_px)

    def project(self, points_m: Floats, turned: Camera | None = None) -> Floats:
        """Where the sensor sees world points (..., 3), px; ``turned``: the camera as turned then."""
        px = (turned or self.camera).project(points_m)
        focal, centre = self.lens.focal_px, np.array(self.lens.centre_px)
        return np.asarray(self.lens.distort((px - centre) / focal) * focal + centre)

    def see(self, picture: Bytes, turned: Camera | None = None) -> Bytes:
        """The sensor's picture of a pinhole picture drawn by ``wide``."""
        width, height = self.camera.size
        pad = self.pad_px
        if turned is not None and turned is not self.camera:
            # A turn about the place itself is a homography, whatever stands in the picture.
            turn = turned.rotation @ self.camera.rotation.T
            matrix = self.wide.matrix
            warp = matrix @ turn @ np.linalg.inv(matrix)
            picture = np.asarray(
                cv2.warpPerspective(
                    picture, warp, (picture.shape[1], picture.shape[0]), borderMode=cv2.BORDER_REPLICATE
                ),
                np.uint8,
            )
        if self._map is not None:
            return np.asarray(
                cv2.remap(picture, self._map, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE),
                np.uint8,
            )
        return picture[pad : pad + height, pad : pad + width]


class Sensor:
    """Lamps, glare and noise in the picture as it is read out."""

    def __init__(
        self,
        size: tuple[int, int],
        seed: int,
        exposure_s: float,
        row_s: float = 0.0,
        mains_hz: float = 50.0,
        flicker: float = 0.0,
        noise: float = 0.0,
        glare: float = 0.0,
    ) -> None:
        self.exposure_s, self.row_s, self.mains_hz, self.flicker = exposure_s, row_s, mains_hz, flicker
        rng = np.random.default_rng([seed, 7])
        width, height = size
        self._phase = float(rng.uniform(0, 2 * np.pi))
        self._rows_s = (np.arange(height) - (height - 1) / 2) * row_s
        self._noise = [
            np.asarray(
                rng.normal(0, noise, (height, width, 1)) + rng.normal(0, 0.5 * noise, (height, width, 3))
            )
            .round()
            .astype(np.int16)
            for _ in range(_NOISE_FIELDS if noise else 0)
        ]
        self._glare: NDArray[np.uint8] | None = None
        if glare:
            y, x = np.mgrid[0:height, 0:width] / height
            light = np.zeros((height, width))
            for _ in range(2):
                at = rng.uniform((0.1, 0.05), (0.9 * width / height, 0.45))
                light += np.exp(-((x - at[0]) ** 2 + (y - at[1]) ** 2) / rng.uniform(0.02, 0.10))
            warm = light[..., None] * np.array([1.0, 0.95, 0.85])
            self._glare = np.asarray(np.clip(255 * glare * warm, 0, 255), np.uint8)

    def read(self, picture: Bytes, t_s: float, frame: int) -> Bytes:
        """The picture (h, w, 3) as read out, its middle row exposed round ``t_s``."""
        if self.flicker:
            gain = lamp_gain(t_s + self._rows_s, self.mains_hz, self.flicker, self.exposure_s, self._phase)
            # Pictures are coded at roughly the square root of light.
            rows = np.sqrt(np.maximum(gain, 0)).astype(np.float32)
            picture = np.asarray(np.clip(picture * rows[:, None, None] + 0.5, 0, 255), np.uint8)
        if self._glare is not None:
            picture = np.asarray(cv2.add(picture, self._glare), np.uint8)
        if self._noise:
            rng = np.random.default_rng([frame, 8])
            field = self._noise[frame % _NOISE_FIELDS]
            field = np.roll(field, tuple(int(v) for v in rng.integers(0, field.shape[:2])), axis=(0, 1))
            picture = np.asarray(np.clip(picture.astype(np.int16) + field, 0, 255), np.uint8)
        return picture

"""Pictures of invented halls through cameras that are known, for tests of the survey."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from capture.camera import Camera
from capture.rig import Rig, presets

Image = NDArray[np.uint8]


@cache
def hall(
    seed: int,
    distance_m: float,
    height_m: float,
    off_deg: float,
    width: int = 1920,
    focal_px: float | None = None,
) -> tuple[Image, Camera]:
    """An empty hall (h, w, 3) BGR, and the camera that really filmed it."""
    from capture.studio import arena
    from capture.studio.film import side_on
    from capture.studio.renderer import Light, Renderer

    rng = np.random.default_rng([seed, 4])
    sizes = arena.Sizes()
    focal = focal_px or 0.1016 * width * distance_m
    size = (width, width * 9 // 16)
    seen = side_on(sizes, distance_m, height_m, np.radians(off_deg), focal, size, target_z_m=1.9)
    renderer = Renderer()
    try:
        scene = [renderer.place(m) for m in arena.meshes(sizes, rng)]
        light = Light(sun_colour=(0.42, 0.41, 0.39), sky=(0.60, 0.61, 0.64), ground=(0.36, 0.35, 0.34))
        rgb = renderer.draw(seen, [], scene, light).copy()
    finally:
        renderer.release()
    rig = Rig(size, presets()["senior"], "right" if seen.place_m[1] < 0 else "left")
    camera = Camera(rig, float(seen.matrix[0, 0]), np.asarray(seen.rotation), np.asarray(seen.place_m))
    return np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), np.uint8), camera


def noisy(picture: Image, sigma: float = 2.0, seed: int = 0) -> Image:
    """The picture with a camera's noise."""
    rng = np.random.default_rng(seed)
    return np.clip(picture + rng.normal(0, sigma, picture.shape), 0, 255).astype(np.uint8)

"""Every warning of the survey on pictures made to show it, and none where there is nothing to warn of."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
import pytest

from capture.camera import Camera, fit_camera
from capture.edges import grey
from capture.lens import Lens
from capture.picture_check import PictureState, picture_warnings, state_of
from capture.rails_seen import refine_rails
from capture.rig import Rig, presets
from capture.survey import _place_warned, bow_px
from tests.halls import Image, hall, noisy
from tests.simulated import rig_from

HALL = (20, 10.0, 1.6, 8.0)
TIMES = [round(k * 1e9 / 60) for k in range(9)]


@cache
def lit() -> Image:
    """A hall with the lamps on: the studio's is dim."""
    picture, _ = hall(23, 10.0, 1.8, 8.0, 1280)
    return np.clip(picture.astype(float) * 1.9 + 14, 0, 245).astype(np.uint8)


def keys(pictures: list[Image]) -> set[str]:
    state = state_of(pictures, TIMES[: len(pictures)])
    return {key for key, _ in picture_warnings(state, pictures[0].shape[1])}


def steady(picture: Image, sigma: float = 2.0) -> list[Image]:
    return [noisy(picture, sigma, k) for k in range(len(TIMES))]


def test_a_good_hall_has_no_warning() -> None:
    assert keys(steady(lit())) == set()


def test_flicker() -> None:
    # Lamps on 50 Hz mains pulse at 100 Hz; at 60 pictures a second that is seen as a beat of 20 Hz.
    pulses = [1 + 0.05 * np.sin(2 * np.pi * 100 * t / 1e9) for t in TIMES]
    pictures = [noisy(np.clip(lit() * p, 0, 255).astype(np.uint8), 2.0, k) for k, p in enumerate(pulses)]
    state = state_of(pictures, TIMES)
    assert "flicker" in keys(pictures)
    assert state.flicker == pytest.approx(0.05 / np.sqrt(2), rel=0.25)
    # Light that only grows, as at dusk or dawn, does not flicker.
    dawn = [noisy(np.clip(lit() * (0.9 + 0.02 * k), 0, 255).astype(np.uint8), 2.0, k) for k in range(9)]
    assert "flicker" not in keys(dawn)


def test_noise() -> None:
    grainy = steady(lit(), 14.0)
    assert "noise" in keys(grainy)
    assert state_of(grainy, TIMES).noise == pytest.approx(14.0 * 0.68, rel=0.25)  # grey of three channels


def test_dark_and_bright() -> None:
    assert "dark" in keys(steady((lit() // 6).astype(np.uint8)))
    glare = np.clip(lit().astype(int) * 3, 0, 255).astype(np.uint8)
    assert "bright" in keys(steady(glare, 0.0))


def test_soft_focus() -> None:
    sharp, soft = lit(), np.asarray(cv2.GaussianBlur(lit(), (0, 0), 3.0), np.uint8)
    assert "soft" in keys(steady(soft))
    found = state_of(steady(soft), TIMES).edge_px
    before = state_of(steady(sharp), TIMES).edge_px
    assert before is not None
    assert found is not None
    assert before < 1.2
    assert 1.8 < found < 3.6


@pytest.mark.parametrize("exposure_s", [1 / 500, 1 / 100])
def test_smear(exposure_s: float) -> None:
    """A patch crosses at 20 px a picture; its edges are smeared by speed times exposure."""
    pictures = []
    speed = 20 * 60.0  # px/s
    columns = np.arange(1280)
    for k, t in enumerate(TIMES):
        left = 300 + speed * (t / 1e9 + np.linspace(-0.5, 0.5, 81) * exposure_s)[:, None]
        cover = np.clip(np.minimum(columns + 0.5 - left, left + 60 - columns + 0.5), 0, 1).mean(axis=0)
        picture = lit().astype(float)
        band = picture[250:390]
        picture[250:390] = band * (1 - cover[:, None]) + np.array([230, 240, 250]) * cover[:, None]
        pictures.append(noisy(picture.astype(np.uint8), 1.5, k))
    state = state_of(pictures, TIMES)
    assert state.exposure_s is not None
    if exposure_s > 1 / 200:
        assert state.exposure_s == pytest.approx(exposure_s, rel=0.3)
        assert "smear" in keys(pictures)
    else:
        assert state.exposure_s < 1 / 300
        assert "smear" not in keys(pictures)


def test_nobody_moves_nothing_is_said_of_smear() -> None:
    assert state_of(steady(lit()), TIMES).exposure_s is None


def camera_from(place: tuple[float, float, float], focal: float = 2000.0, roll_deg: float = 0.0) -> Camera:
    rig = Rig((1920, 1080), presets()["senior"])
    return fit_camera(rig_from(Camera.looking(rig, place, [0.8, 0, 1.8], focal, np.radians(roll_deg))))


@pytest.mark.parametrize(
    ("camera", "key"),
    [
        (lambda: camera_from((0.5, -10.0, 2.0), roll_deg=3.0), "tilt"),
        (lambda: camera_from((0.5, -10.0, 2.0), roll_deg=-4.0), "tilt"),
        (lambda: camera_from((0.3, -5.5, 2.0), 1100.0), "near"),
        (lambda: camera_from((0.5, -22.0, 2.0), 1900.0), "far"),
        (lambda: camera_from((-5.0, -9.0, 2.0)), "oblique"),
    ],
)
def test_warnings_of_the_place(camera: object, key: str) -> None:
    found = camera()  # type: ignore[operator]
    assert [w.key for w in _place_warned(found, None)] == [key]


def test_a_good_place_has_no_warning() -> None:
    assert _place_warned(camera_from((0.5, -10.0, 2.4)), None) == []


def test_a_lens_that_bends_is_noticed() -> None:
    picture, true = hall(*HALL)
    straight = refine_rails(grey(picture), true)
    assert straight is not None
    bow, u = bow_px(straight)
    assert abs(bow) < max(3.0, 3 * u)
    # The same hall through a lens with barrel distortion.
    wide = Lens(picture=(1920, 1080), focal_px=1500.0, centre_px=(959.5, 539.5), k1=-0.16)
    grid = np.stack(np.meshgrid(np.arange(1920), np.arange(1080)), axis=-1) - np.array([959.5, 539.5])
    maps = (wide.undistort(grid / 1500.0) * 1500.0 + np.array([959.5, 539.5])).astype(np.float32)
    bent_picture = np.asarray(cv2.remap(picture, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR), np.uint8)
    bent = refine_rails(grey(bent_picture), true, 16.0)
    assert bent is not None
    bow, u = bow_px(bent)
    assert bow == pytest.approx(wide.bend_px(), abs=max(4 * u, 0.4 * wide.bend_px()))
    assert "lens" in [w.key for w in _place_warned(None, bent)]


def test_limits_are_the_limits() -> None:
    fine = PictureState(0.005, 2.0, 150.0, 0.01, 0.8, 1 / 1000)
    assert picture_warnings(fine, 1920) == []

"""The running check: a camera that was knocked, zoomed, darkened or defocused, and bars that were moved."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import pytest

from capture.camera_watch import EVERY_NS, CameraWatch
from tests.halls import Image, hall, noisy

STILL, CAMERA = None, None
SECOND = 1_000_000_000


def scene() -> tuple[Image, object]:
    return hall(23, 10.0, 1.8, 8.0, 1280)


def after(make: Callable[[int], Image], looks: int = 7) -> str | None:
    """What is said after some looks at a second's distance."""
    picture, camera = scene()
    watch = CameraWatch(picture, camera)  # type: ignore[arg-type]
    said = None
    for k in range(looks):
        said = watch.push(k * SECOND, noisy(make(k), 2.0, k))
    return said


def warped(scale: float = 1.0, dx: float = 0.0, dy: float = 0.0, turn_deg: float = 0.0) -> Image:
    picture, _ = scene()
    height, width = picture.shape[:2]
    turn = cv2.getRotationMatrix2D((width / 2, height / 2), turn_deg, scale)
    turn[:, 2] += (dx, dy)
    return np.asarray(
        cv2.warpAffine(picture, turn, (width, height), borderMode=cv2.BORDER_REPLICATE), np.uint8
    )


def test_a_still_camera_says_nothing() -> None:
    picture, camera = scene()
    assert CameraWatch(picture, camera).windows >= 10  # type: ignore[arg-type]
    assert after(lambda k: picture) is None


@pytest.mark.parametrize(("dx", "dy"), [(2.5, 0.0), (0.0, -3.0), (12.0, 5.0), (60.0, -25.0)])
def test_a_knock_is_noticed(dx: float, dy: float) -> None:
    said = after(lambda k: warped(dx=dx, dy=dy))
    assert said is not None
    assert said.startswith("the camera was moved")
    size = int(said.split(" px")[0].rsplit(" ", 1)[1])
    assert size == pytest.approx(np.hypot(dx, dy), abs=2 + 0.05 * np.hypot(dx, dy))


@pytest.mark.parametrize("percent", [-2.0, 1.5, 4.0])
def test_a_zoom_is_noticed(percent: float) -> None:
    said = after(lambda k: warped(scale=1 + percent / 100))
    assert said is not None
    assert said.startswith(f"the camera was zoomed by {percent:+.1f} %")


def test_a_camera_that_leans_is_noticed() -> None:
    assert (after(lambda k: warped(turn_deg=0.6)) or "").startswith("the camera was moved")


def test_dark_and_soft_are_said_and_pass() -> None:
    picture, camera = scene()
    dark, soft = (picture // 3).astype(np.uint8), np.asarray(cv2.GaussianBlur(picture, (0, 0), 2.5), np.uint8)
    assert "went dark" in (after(lambda k: dark) or "")
    assert "went soft" in (after(lambda k: soft) or "")
    watch = CameraWatch(picture, camera)  # type: ignore[arg-type]
    said = [watch.push(k * SECOND, noisy(dark if k < 5 else picture, 2.0, k)) for k in range(12)]
    assert said[4] is not None
    assert said[-1] is None


def test_a_little_less_light_is_no_matter() -> None:
    picture, _ = scene()
    assert after(lambda k: (picture * 0.75).astype(np.uint8)) is None


def test_a_moved_bar_is_noticed() -> None:
    picture, camera = scene()
    px = camera.project([[1.66, -1.3, 1.9], [1.66, 1.3, 1.9], [1.66, -1.3, 0], [1.66, 1.3, 0]])  # type: ignore[attr-defined]
    left, right = int(px[:, 0].min()) - 30, int(px[:, 0].max()) + 40
    moved = picture.copy()
    moved[:, left:right] = np.roll(picture, 12, axis=1)[:, left:right]
    said = after(lambda k: moved)
    assert said is not None
    assert said.startswith("the low bar was moved by about")


def test_people_and_a_swinging_rail_are_no_matter() -> None:
    picture, camera = scene()

    def people(k: int) -> Image:
        crossing = picture.copy()
        for x in (100 + 150 * k, 900 - 90 * k):
            crossing[260:660, max(0, x) : max(0, x) + 130] = (60, 80, 150)
        return crossing

    def swing(k: int) -> Image:
        swung = picture.copy()
        x, y = (int(v) for v in camera.project([0.0, -1.2, 2.48]))  # type: ignore[attr-defined]
        part = (slice(max(0, y - 60), y + 60), slice(x - 110, x + 110))
        swung[part] = np.roll(picture, (5, -4, 0, 6, -5)[k % 5], axis=0)[part]
        return swung

    assert after(people) is None
    assert after(swing) is None


def test_a_moved_camera_stays_moved_until_a_new_survey() -> None:
    picture, camera = scene()
    watch = CameraWatch(picture, camera)  # type: ignore[arg-type]
    for k in range(5):
        watch.push(k * SECOND, warped(dx=8.0))
    said = watch.reason
    assert said is not None
    for k in range(5, 12):
        assert watch.push(k * SECOND, picture) == said


def test_looks_come_no_faster_than_they_should() -> None:
    picture, camera = scene()
    watch = CameraWatch(picture, camera)  # type: ignore[arg-type]
    # A second's worth of pictures of a knocked camera is one look, which proves nothing yet.
    for k in range(60):
        assert watch.push(k * EVERY_NS // 60, warped(dx=9.0)) is None

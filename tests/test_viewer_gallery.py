"""The gallery draws every state, and text really shows up in it."""

from __future__ import annotations

from pathlib import Path

import pytest
from PySide6.QtGui import QImage

from overlay import gallery
from tests.sessions import recorded_session


def test_every_state_of_the_screen_is_drawn(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(gallery, "SIZES", ((1280, 800), (1280, 800)))
    monkeypatch.setattr(gallery, "Example", lambda width: gallery_example(320))
    paths = gallery.draw_gallery(tmp_path)
    names = {path.stem.split("-", 3)[3] for path in paths}
    assert names >= {
        "waiting", "live-plain", "live-line", "replay-plain", "replay-line", "replay-height", "band-above",
        "band-level", "band-below", "band-too-close", "band-withheld", "band-provisional", "ruling", "keys",
        "feed-lost",
    }  # fmt: skip
    images = {path.stem: QImage(str(path)) for path in paths}
    assert all(image.width() == 1280 and image.height() == 800 for image in images.values())
    light = images[next(name for name in images if "light" in name and "waiting" in name)]
    title = {light.pixelColor(x, y).lightness() for x in range(14, 224) for y in range(16, 36)}
    assert min(title) < 60 < 230 < max(title)  # ink on paper: there is a font


def gallery_example(width: int) -> object:
    from overlay.example import Example

    return Example(width)


def test_a_recorded_session_is_drawn_flight_by_flight(tmp_path: Path) -> None:
    paths = gallery.draw_gallery(tmp_path / "out", session=recorded_session(tmp_path / "s"))
    names = {path.stem.split("-", 3)[3] for path in paths}
    assert {"side-by-side-at-release", "side-by-side-at-apex"} <= names
    assert {"whole-routine-picture", "whole-routine-height"} <= names
    assert {"r1-f1-picture", "r1-f1-band", "r1-f1-at-release", "r1-f2-at-end"} <= names

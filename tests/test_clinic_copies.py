"""Collecting from shipped sessions, and teaching copies: what is painted over is gone, the original stays."""

from __future__ import annotations

import hashlib
import shutil
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PySide6.QtCore import QPointF, Qt
from PySide6.QtTest import QTest

from bridge.clock import ManualClock
from bridge.errors import ConfigError, RecordingError
from bridge.journal import Gymnast
from bridge.session import Session, SessionWriter, read_manifest
from overlay.clinic.collecting import Known, collect_flight, follow
from overlay.clinic.copies import FACTS, have_copy, original, paint_over, read_copy, session_of
from overlay.clinic.copy_places import copy_folder
from overlay.clinic.examples import Collection, Hidden
from overlay.clinic.hide import HideWindow
from overlay.pixels import decode_clip, frame_image

SHIPPED = Path(__file__).parent.parent / "recorded_sessions" / "clinic"
TODAY = date(2031, 5, 4)
COACH = Hidden(x=180, y=300, width=100, height=180)  # stands at the side in every picture of the flight


@pytest.fixture
def session(tmp_path: Path) -> Path:
    return Path(shutil.copytree(SHIPPED / "evening-2", tmp_path / "evening-2"))


@pytest.fixture
def kept(tmp_path: Path) -> Collection:
    return Collection(tmp_path / "set.json", lambda: TODAY)


def test_a_session_tells_all_but_grade_and_reason(session: Path, kept: Collection) -> None:
    example = collect_flight(kept, session, "r1-f2", "good", "hips clear of the bar")
    reading = next(r for r in Session.open(session).journal().readings() if r.flight == "r1-f2")
    assert (example.family, example.side, example.consent) == ("high_to_low_salto", "right", "teaching")
    assert (example.rule_book, example.rule_year) == ("Common practice", 2025)
    assert example.camera_place == "10.0 m away, 1.6 m high"
    assert (example.apex, example.band, example.gymnast) == (reading.apex, reading.band, "24")
    assert example.shape == "stretched"
    assert example.hidden is None
    with pytest.raises(ConfigError, match="no flight"):
        collect_flight(kept, session, "r9-f9", "good", "r")
    other = collect_flight(
        kept, session, "r1-f1", "poor", "r", Known(side="left", book="Invented", year=2031)
    )
    assert (other.side, other.rule_book, other.rule_year) == ("left", "Invented", 2031)


def test_what_is_hidden_is_gone_and_the_original_stays(session: Path, kept: Collection) -> None:
    before = hashlib.sha256((session / "feed-0001.mkv").read_bytes()).hexdigest()
    example = collect_flight(kept, session, "r1-f2", "good", "hips clear of the bar")
    kept.hide(example.id, [COACH])
    example = kept.get(example.id)
    folder, copy = have_copy(kept.copies, example)
    frames = decode_clip(copy.clip(folder))
    assert frames.times_ns == copy.times_ns
    begin, end = copy.times_ns[0], copy.times_ns[-1]
    original = dict(session_of(example).decode(begin, end))
    assert tuple(original) == copy.times_ns  # every picture, at its own time
    for t_ns, frame in list(zip(frames.times_ns, frames.frames, strict=True))[::20]:
        shown = frame.to_ndarray(format="rgb24").astype(int)
        there = original[t_ns].astype(int)
        x, y = slice(COACH.x + 4, COACH.x + COACH.width - 4), slice(COACH.y + 4, COACH.y + COACH.height - 4)
        assert there[y, x].std(axis=(0, 1)).min() > 10  # there was somebody to see
        assert shown[y, x].std(axis=(0, 1)).max() < 3  # and now one colour
        rest = np.abs(shown[:, 300:] - there[:, 300:])
        assert rest.mean() < 6  # the gymnast as she was, but for coding
    assert frame_image(frames.frames[0]).width() == copy.picture[0] == 960
    assert copy.reading.drawing is not None
    assert hashlib.sha256((session / "feed-0001.mkv").read_bytes()).hexdigest() == before
    assert [f for f in Session.open(session).verify() if f.grade == "error"] == []
    # the same again comes from the disk; another rectangle makes another copy
    made = (folder / FACTS).stat().st_mtime_ns
    assert have_copy(kept.copies, example)[1] == copy
    assert (folder / FACTS).stat().st_mtime_ns == made
    kept.hide(example.id, [])
    assert have_copy(kept.copies, kept.get(example.id))[1].hidden == ()


def test_painting_over_leaves_the_input_and_the_rest() -> None:
    pixels = np.arange(10 * 12 * 3, dtype=np.uint8).reshape(10, 12, 3)
    kept = pixels.copy()
    painted = paint_over(
        pixels, [Hidden(x=-3, y=4, width=6, height=100), Hidden(x=50, y=0, width=2, height=2)]
    )
    assert (pixels == kept).all()
    assert (painted[4:, :3] == painted[4, 0]).all()
    assert (painted[:4] == kept[:4]).all()
    assert (painted[4:, 3:] == kept[4:, 3:]).all()


def test_consent_and_day_of_deletion_travel_with_the_example(session: Path, kept: Collection) -> None:
    for flight in ("r1-f1", "r1-f2"):
        example = collect_flight(kept, session, flight, "middling", "r")
        have_copy(kept.copies, example)
    assert follow(kept) == []
    with SessionWriter(session, read_manifest(session)) as writer:
        writer.update(expires="2031-06-01")
    assert follow(kept) == []
    assert {e.expires for e in kept.find()} == {date(2031, 6, 1)}
    with SessionWriter(session, read_manifest(session)) as writer:
        writer.journal.append(Gymnast(start_number="24", consent="coaching"), 0)
    assert follow(kept) == []
    assert kept.find(cleared=True) == []
    assert len(list(kept.copies.iterdir())) == 2
    with SessionWriter(session, read_manifest(session)) as writer:
        writer.journal.append(Gymnast(start_number="24", consent="do not film"), 0)
    assert [line.partition(":")[0] for line in follow(kept)] == ["evening-2/r1-f1", "evening-2/r1-f2"]
    assert kept.find() == []
    assert list(kept.copies.iterdir()) == []  # the copies went, too
    assert "24" not in "".join(n.text for n in kept.notes)


def test_examples_stay_while_their_session_is_elsewhere(session: Path, kept: Collection) -> None:
    example = collect_flight(kept, session, "r1-f2", "good", "r")
    have_copy(kept.copies, example)
    shutil.rmtree(session)
    assert follow(kept) == []
    assert have_copy(kept.copies, example)[1].example == example.id
    shutil.rmtree(kept.copies)
    with pytest.raises(ConfigError, match="not there"):
        have_copy(kept.copies, example)


def test_names_of_copies_lead_nowhere_else(tmp_path: Path) -> None:
    places = {copy_folder(tmp_path, name) for name in ("../../etc/r1", "a/b", "a_b", "..", "/", "")}
    assert len(places) == 6
    assert {p.parent for p in places} == {tmp_path}
    with pytest.raises(RecordingError, match="no teaching copy"):
        read_copy(tmp_path)


def test_rectangles_are_drawn_by_keyboard_and_mouse(session: Path, kept: Collection, qtbot: Any) -> None:
    example = collect_flight(kept, session, "r1-f2", "good", "hips clear of the bar")
    window = HideWindow(
        example.id, original(example), (), ManualClock(), lambda parts: kept.hide(example.id, parts)
    )
    qtbot.addWidget(window)
    window.show()
    assert "Nothing is hidden" in window.said.text()
    keys, shift = Qt.Key, Qt.KeyboardModifier.ShiftModifier
    QTest.keyClick(window, keys.Key_N)
    assert window.stage.parts == [Hidden(x=400, y=225, width=160, height=90)]
    for _ in range(100):
        QTest.keyClick(window, keys.Key_Left)
    QTest.keyClick(window, keys.Key_Right, shift)
    QTest.keyClick(window, keys.Key_Up, shift)
    assert window.stage.parts == [Hidden(x=0, y=225, width=168, height=82)]
    stage = window.stage
    a, b = (QPointF(*stage.map.to_view(p)).toPoint() for p in ((600.0, 100.0), (700.0, 200.0)))
    QTest.mousePress(stage, Qt.MouseButton.LeftButton, pos=a)
    QTest.mouseMove(stage, b)
    QTest.mouseRelease(stage, Qt.MouseButton.LeftButton, pos=b)
    drawn = stage.parts[1]
    assert (drawn.x, drawn.y, drawn.width, drawn.height) == pytest.approx((600, 100, 100, 100), abs=2)
    QTest.keyClick(window, keys.Key_Tab)
    assert stage.chosen == 0
    QTest.keyClick(window, keys.Key_Delete)
    assert stage.parts == [drawn]
    QTest.keyClick(window, keys.Key_Return)
    assert kept.get(example.id).hidden == (drawn,)
    qtbot.waitUntil(lambda: not window.isVisible(), timeout=5000)

"""Collecting in the judge's window: one key keeps the flight, a better reason can follow."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

from bridge.clock import ManualClock
from bridge.journal import Gymnast
from bridge.session import SessionWriter, read_manifest
from overlay.additions import add_all
from overlay.clinic.examples import Collection
from overlay.clinic.in_viewer import FOLDER, CollectStrip
from overlay.desk import DeskThread
from overlay.feed import Feed
from overlay.recorded import FolderDesk, RecordedSession
from overlay.window import Window

SHIPPED = Path(__file__).parent.parent / "recorded_sessions" / "clinic" / "evening-2"
Key = Qt.Key


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("RAILCREST_DATA", str(tmp_path / "data"))
    return Path(shutil.copytree(SHIPPED, tmp_path / "evening-2"))


@pytest.fixture
def window(folder: Path, qtbot: Any) -> Iterator[Window]:
    clock = ManualClock()
    feed = Feed(clock)
    made = Window(feed, DeskThread(lambda: FolderDesk(folder, clock)), clock)
    made.setProperty(FOLDER, str(folder))
    add_all(made)
    qtbot.addWidget(made)
    made.show()
    feed.put(RecordedSession(folder).snapshot())
    qtbot.waitUntil(lambda: made.state.reading is not None, timeout=5000)
    yield made
    made.close()


def kept(tmp_path: Path) -> Collection:
    return Collection(tmp_path / "data" / "examples.json")


def strip_of(window: Window) -> CollectStrip:
    return window.findChild(CollectStrip)  # type: ignore[return-value]


def test_one_key_keeps_the_flight_with_what_was_measured(window: Window, tmp_path: Path) -> None:
    assert window.state.reading is not None
    flight = window.state.reading.flight
    QTest.keyClick(window.stage, Key.Key_F7)
    strip = strip_of(window)
    example = kept(tmp_path).get(f"evening-2/{flight}")
    assert (example.grade, example.family) == ("middling", window.state.reading.family)
    assert example.reason.startswith("hips ")
    assert "give or take" in example.reason
    assert strip.isVisible()
    assert strip.said.text().startswith("Kept as middling: ")
    assert "cleared for teaching" in strip.said.text()
    # a better reason, in which the window's own keys are only letters
    QTest.keyClicks(strip.reason, "hips stay at bar height too long")
    QTest.keyClick(strip.reason, Key.Key_Return)
    assert not strip.isVisible()
    assert kept(tmp_path).get(example.id).reason == "hips stay at bar height too long"
    QTest.keyClick(window.stage, Key.Key_F6)
    QTest.keyClick(strip.reason, Key.Key_Escape)
    assert not strip.isVisible()
    again = kept(tmp_path).get(example.id)
    assert again.grade == "good"
    assert "give or take" in again.reason


def test_what_may_not_be_kept_is_refused_in_words(window: Window, folder: Path, tmp_path: Path) -> None:
    with SessionWriter(folder, read_manifest(folder)) as writer:
        writer.journal.append(Gymnast(start_number="24", consent="this session only"), 0)
    QTest.keyClick(window.stage, Key.Key_F8)
    assert "Not kept" in strip_of(window).said.text()
    assert "this session only" in strip_of(window).said.text()
    assert strip_of(window).reason.isHidden()
    assert kept(tmp_path).find() == []
    QTest.keyClick(strip_of(window), Key.Key_Escape)
    window.setProperty(FOLDER, "")
    QTest.keyClick(window.stage, Key.Key_F8)
    assert "not on this machine" in strip_of(window).said.text()


def test_the_keys_stand_on_the_card(window: Window) -> None:
    assert {b.keys for b in window._bindings if b.action.startswith("collect_")} == {
        ("F6",),
        ("F7",),
        ("F8",),
    }

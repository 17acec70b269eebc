"""Correcting hips and bar by hand, on a real bus, worked out by capture's own view of the shipped session."""

from __future__ import annotations

from pathlib import Path

import pytest
from PySide6.QtCore import QPoint, Qt
from pytestqt.qtbot import QtBot

from bridge.messages import CorrectionRequest, FamilyRequest
from capture.bands import common_practice
from overlay import words
from tests.conftest import Bus
from tests.test_viewer_window import press, replaying, until
from tests.viewer_arena import Viewer
from tests.viewer_demo import DemoArena, copy_of_demo


@pytest.fixture
def viewer(viewer: Viewer, qtbot: QtBot) -> Viewer:
    """With the second flight in the replay."""
    press(qtbot, viewer.window, "2b")
    replaying(qtbot, viewer.window, "r1-f2")
    return viewer


def test_hips_moved_by_arrow_keys_give_another_height_which_is_kept_and_marked(
    arena: DemoArena, viewer: Viewer, qtbot: QtBot
) -> None:
    window, hand = viewer.window, viewer.window.hand
    reading = arena.flight(2)
    press(qtbot, window, "u")
    assert hand.isVisible()
    assert window.loop is not None and not window.loop.playing  # it stopped at the top
    assert hand.marks is not None and reading.drawing is not None
    assert hand.marks.hips == reading.drawing.apex
    for _ in range(2):
        qtbot.keyClick(hand, Qt.Key.Key_Down, Qt.KeyboardModifier.ShiftModifier)
    qtbot.keyClick(hand, Qt.Key.Key_Up)
    x, y = reading.drawing.apex  # type: ignore[misc]
    assert hand.marks.hips == pytest.approx((x, y + 19))
    until(qtbot, lambda: hand.figure.text().startswith("Follows: "))
    assert words.height_words(reading.apex) in hand.figure.text()  # type: ignore[arg-type]
    assert arena.journal.corrections() == ()  # only worked out so far
    qtbot.keyClick(hand, Qt.Key.Key_Return)
    until(qtbot, lambda: not hand.isVisible() and window.reading.by_hand.isVisible())
    kept = arena.journal.corrections()[0]
    assert (kept.flight, kept.by, kept.line_px) == ("r1-f2", "panel", 0.0)
    assert kept.height is not None and reading.apex is not None
    assert kept.height.value < reading.apex.value - 0.1
    assert kept.measured == reading.apex
    assert len(kept.wall_time) > 16
    said = window.reading.by_hand.text()
    assert said.startswith(f"Corrected by hand (hips; panel, {kept.wall_time[11:16]}): ")
    assert words.height_words(kept.height) in said
    assert window.reading.height_words.text() == words.short_height(reading.apex)  # what was measured stays
    assert "corrected by hand" in window.flights.item(1).text()
    marks = window.stage.layers.by_hand
    assert marks is not None and marks.hips == kept.hips
    press(qtbot, window, "p")
    assert "cm" not in window.reading.by_hand.text()  # no height where only the plain picture is asked for
    assert arena.journal.verify() is None
    late = Viewer(arena.addresses)
    qtbot.addWidget(late.window)
    try:
        until(qtbot, lambda: "r1-f2" in late.window.state.corrections)
    finally:
        late.close()


def test_the_bar_is_dragged_with_the_mouse_and_a_correction_is_taken_back(
    arena: DemoArena, viewer: Viewer, qtbot: QtBot
) -> None:
    window, hand, stage = viewer.window, viewer.window.hand, viewer.window.stage
    reading = arena.flight(2)
    press(qtbot, window, "u")
    qtbot.keyClick(hand, Qt.Key.Key_Tab)
    assert hand.buttons["bar"].isChecked()
    line = reading.drawing.line  # type: ignore[union-attr]
    dpr = stage.devicePixelRatioF()
    middle = ((line.a[0] + line.b[0]) / 2, (line.a[1] + line.b[1]) / 2)
    x, y = stage.map.to_view((middle[0], middle[1] + 40.0))
    qtbot.mousePress(stage, Qt.MouseButton.LeftButton, pos=QPoint(round(x / dpr), round(y / dpr)))
    qtbot.mouseRelease(stage, Qt.MouseButton.LeftButton, pos=QPoint(round(x / dpr), round(y / dpr)))
    assert hand.marks is not None
    assert hand.marks.line_px == pytest.approx(40.0, abs=1.5)
    assert hand.hasFocus()
    until(qtbot, lambda: hand.figure.text().startswith("Follows: "))
    qtbot.keyClick(hand, Qt.Key.Key_Return)
    until(qtbot, lambda: "(bar; panel" in window.reading.by_hand.text())
    kept = arena.journal.corrections()[0]
    assert kept.hips is None
    assert kept.height is not None and kept.height.value > reading.apex.value + 0.1  # type: ignore[union-attr]
    press(qtbot, window, "u")
    assert hand.marks.line_px == kept.line_px  # it goes on from what is on record
    qtbot.keyClick(hand, Qt.Key.Key_Backspace)
    until(qtbot, lambda: not window.reading.by_hand.isVisible())
    assert arena.journal.corrections()[0].height is None
    assert "corrected by hand" not in window.flights.item(1).text()


def test_escape_leaves_nothing_behind_and_zoom_makes_a_hand_finer(
    arena: DemoArena, viewer: Viewer, qtbot: QtBot
) -> None:
    window, hand = viewer.window, viewer.window.hand
    asked: list[CorrectionRequest] = []
    hand.asked.connect(asked.append)
    press(qtbot, window, "u")
    qtbot.keyClick(hand, Qt.Key.Key_Down)
    for _ in range(4):
        qtbot.keyClicks(hand, "+")
    qtbot.keyClick(hand, Qt.Key.Key_Down)
    assert asked[1].u_px == pytest.approx(max(1.0, asked[0].u_px / 1.25**4), rel=0.01)
    assert asked[1].u_px < asked[0].u_px / 2
    assert not any(request.keep for request in asked)
    qtbot.keyClick(hand, Qt.Key.Key_Escape)
    assert not hand.isVisible()
    assert window.in_replay
    assert window.stage.layers.by_hand is None
    assert arena.journal.corrections() == ()


def test_a_policy_without_heights_has_none_corrected(bus: Bus, tmp_path: Path, qtbot: QtBot) -> None:
    arena = DemoArena(bus, copy_of_demo(tmp_path / "demo"), policy="line")
    arena.begin()
    viewer = Viewer(arena.addresses)
    qtbot.addWidget(viewer.window)
    try:
        replaying(qtbot, viewer.window, "r1-f6")
        press(qtbot, viewer.window, "u")
        assert not viewer.window.hand.isVisible()
        assert "not corrected" in viewer.window.ruling.said.text()
        assert viewer.window.state.level == "picture"
    finally:
        viewer.close()
        arena.stop()


def test_the_band_of_a_correction_follows_a_change_of_family(
    arena: DemoArena, viewer: Viewer, bus: Bus, qtbot: QtBot
) -> None:
    client = bus.client(arena.addresses)
    reading = arena.flight(2)
    client.ask(CorrectionRequest(flight="r1-f2", t_ns=reading.apex_ns, line_px=-140.0, by="panel", keep=True))
    first = arena.journal.corrections()[0]
    client.ask(FamilyRequest(flight="r1-f2", family="dismount"))
    second = arena.journal.corrections()[0]
    assert second.line_px == first.line_px
    assert second.height == first.height
    call = common_practice().call("dismount", second.height.value, second.height.u)
    assert (second.band, second.range) == (call.band, call.range)
    assert second.range != first.range

"""The judge's window on a real bus: late joining, replay, policy, ruling, feed lost and back."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

import pytest
from PySide6.QtCore import QPoint, QPointF, Qt
from PySide6.QtGui import QColor, QWheelEvent
from PySide6.QtWidgets import QApplication, QLabel, QWidget
from pytestqt.qtbot import QtBot

from overlay.theme import DARK, LIGHT, Theme, contrast
from overlay.window import Window
from tests.conftest import Bus
from tests.viewer_arena import EXAMPLE, Arena, Viewer, arena_on

WAIT_MS = 8000


@pytest.fixture
def arena(bus: Bus) -> Iterator[Arena]:
    made, addresses = arena_on(bus)
    made.addresses = addresses  # type: ignore[attr-defined]
    try:
        yield made
    finally:
        made.stop()


@pytest.fixture
def viewer(arena: Arena, qtbot: QtBot) -> Iterator[Viewer]:
    made = Viewer(arena.addresses)  # type: ignore[attr-defined]
    qtbot.addWidget(made.window)
    try:
        yield made
    finally:
        made.close()


def press(qtbot: QtBot, window: Window, keys: str) -> None:
    for key in keys:
        qtbot.keyClicks(window.stage, key)


def until(qtbot: QtBot, check: object) -> None:
    qtbot.waitUntil(check, timeout=WAIT_MS)


def replaying(qtbot: QtBot, window: Window, flight: str) -> None:
    until(qtbot, lambda: window.in_replay and window.state.flight == flight)


def test_who_comes_late_gets_all_that_was(arena: Arena, viewer: Viewer, qtbot: QtBot) -> None:
    arena.begin()
    for place in range(3):
        arena.flight(place)
    late = Viewer(arena.addresses)  # type: ignore[attr-defined]
    qtbot.addWidget(late.window)
    try:
        until(qtbot, lambda: late.window.flights.count() == 3 and viewer.window.flights.count() == 3)
        assert late.window.title.text() == "Rehearsal cup, hall B"
        assert late.window.routines.currentText() == "routine 1, start number 114"
        replaying(qtbot, late.window, "r1-f3")
    finally:
        late.close()


def test_a_reading_appears_and_its_clip_loops_at_true_speed_first(
    arena: Arena, viewer: Viewer, qtbot: QtBot
) -> None:
    window = viewer.window
    arena.begin()
    reading = arena.flight(0)
    replaying(qtbot, window, reading.flight)
    loop = window.loop
    assert loop is not None
    assert loop.playing
    assert window.transport.speed.text() == "true speed"
    assert window.stage.image is not None
    until(qtbot, lambda: loop.views >= 1 and loop.speed == Fraction(1, 2))
    until(qtbot, lambda: window.transport.speed.text() == "half speed")
    times = arena.clips[-1]
    assert times.flight == reading.flight


def test_a_provisional_reading_waits_for_its_recording(arena: Arena, viewer: Viewer, qtbot: QtBot) -> None:
    window = viewer.window
    arena.begin(training=True)
    arena.flight(5)
    until(qtbot, lambda: window.flights.count() == 1)
    assert "provisional" in window.reading.state.text()
    assert not window.in_replay
    assert arena.clips == []
    arena.flight(5, state="settled")
    replaying(qtbot, window, "r1-f6")
    assert window.reading.state.text() == "settled"


def test_every_speed_step_and_moment_has_a_key(arena: Arena, viewer: Viewer, qtbot: QtBot) -> None:
    window = viewer.window
    arena.begin()
    reading = arena.flight(1)
    replaying(qtbot, window, reading.flight)
    loop = window.loop
    assert loop is not None
    for place, (key, named) in enumerate(zip("zxcv", ("true", "half", "quarter", "eighth"), strict=True)):
        press(qtbot, window, key)
        assert window.transport.speed.text() == f"{named} speed"
        assert window.transport.button(f"speed_{2**place}").isChecked()
    store = window._store
    assert store is not None
    for key, t_ns, said in (
        ("r", reading.release_ns, "at the release"),
        ("t", reading.apex_ns, "at the top"),
        ("e", reading.end_ns, "at the regrasp"),
    ):
        press(qtbot, window, key)
        assert not loop.playing
        assert loop.index == store.nearest(t_ns)
        assert window.transport.place.text().startswith(said)
        assert window.stage.layers.t_ns == store.times_ns[store.nearest(t_ns)]
    at = loop.index
    qtbot.keyClick(window.stage, Qt.Key.Key_Left)
    assert loop.index == at - 1
    press(qtbot, window, "..")
    assert loop.index == at + 1
    qtbot.keyClick(window.stage, Qt.Key.Key_End)
    assert loop.index == len(store) - 1
    qtbot.keyClick(window.stage, Qt.Key.Key_Space)
    assert loop.playing
    qtbot.keyClick(window.stage, Qt.Key.Key_Space)
    assert not loop.playing
    assert window.transport.speed.text() == "stopped"
    press(qtbot, window, "0")
    assert loop.by_itself
    window.transport.course.asked.emit(reading.apex_ns)  # more than 31 bits
    assert loop.index == store.nearest(reading.apex_ns)


def test_a_meet_begins_plain_and_the_line_is_one_key_away(arena: Arena, viewer: Viewer, qtbot: QtBot) -> None:
    window = viewer.window
    arena.begin()
    arena.flight(0)
    replaying(qtbot, window, "r1-f1")
    press(qtbot, window, "t")
    plain = window.stage.grab().toImage()
    assert not window.reading.height_words.isVisible()
    assert "cm" not in window.flights.item(0).text()
    press(qtbot, window, "l")
    lined = window.stage.grab().toImage()
    assert window.stage.layers.level == "line"
    assert not window.reading.height_words.isVisible()
    pmap = window.stage.map
    x, y = pmap.to_view((20.0, 0.0))
    line = EXAMPLE.line("high")
    y = pmap.to_view((0.0, line.a[1]))[1]
    around = [QPoint(round(x), round(y) + d) for d in range(-3, 4)]
    assert any(plain.pixelColor(p) != lined.pixelColor(p) for p in around)
    far = QPoint(round(x), round(y) + 60)
    assert plain.pixelColor(far) == lined.pixelColor(far)
    press(qtbot, window, "h")
    assert window.reading.height_words.text() == "31 cm above"
    assert window.reading.give.text() == "hips, give or take 3 cm (95 %)"
    assert window.reading.stands_above
    assert not window.reading.band.isVisible()
    press(qtbot, window, "b")
    assert window.reading.band.text() == "above, over 99 % sure"
    press(qtbot, window, "r")
    assert window.reading.moment.text() == (
        "At the release: hips 40 cm below, give or take 3 cm; rising 3.7 m/s, give or take 0.1"
    )
    press(qtbot, window, "l")
    assert not window.reading.moment.isVisible()


def test_the_policy_limits_what_can_be_shown(arena: Arena, viewer: Viewer, qtbot: QtBot) -> None:
    window = viewer.window
    arena.begin("line")
    arena.flight(0)
    replaying(qtbot, window, "r1-f1")
    press(qtbot, window, "b")
    assert window.state.level == "line"
    assert window.stage.layers.level == "line"
    assert not window.reading.height_words.isVisible()
    assert not window.reading.band.isVisible()
    assert not window.show_bar.button("height").isEnabled()
    assert window.show_bar.button("line").isEnabled()
    said = [label.text() for label in window.findChildren(QLabel) if label.isVisible()]
    assert not any("31 cm" in text or "sure" in text for text in said)


def test_too_close_shows_both_and_withheld_says_why(arena: Arena, viewer: Viewer, qtbot: QtBot) -> None:
    window = viewer.window
    arena.begin(training=True)
    arena.flight(3)
    until(qtbot, lambda: window.state.flight == "r1-f4")
    assert window.reading.band.text() == "too close to call"
    assert window.reading.chances.text() == "above (62 %) or level (38 %)"
    assert not window.reading.range.isVisible()
    arena.flight(4)
    until(qtbot, lambda: window.state.flight == "r1-f5")
    assert window.reading.band.text() == "no reading"
    assert window.reading.state.text() == "withheld: the camera was moved during the flight"
    assert not window.reading.height_words.isVisible()
    arena.flight(2)
    window.do("newest")
    until(qtbot, lambda: window.flights.count() == 3)
    window.do("previous")
    window.do("previous")
    assert window.reading.height_words.text() == "24 cm below"
    assert not window.reading.stands_above


def test_a_chosen_flight_stays_when_another_comes(arena: Arena, viewer: Viewer, qtbot: QtBot) -> None:
    window = viewer.window
    arena.begin()
    arena.flight(0)
    arena.flight(1)
    replaying(qtbot, window, "r1-f2")
    qtbot.keyClick(window.stage, Qt.Key.Key_Up)
    replaying(qtbot, window, "r1-f1")
    arena.flight(2)
    until(qtbot, lambda: window.flights.count() == 3)
    assert window.state.flight == "r1-f1"
    item = window.flights.item(1)
    centre = window.flights.visualItemRect(item).center()
    qtbot.mouseClick(window.flights.viewport(), Qt.MouseButton.LeftButton, pos=centre)
    replaying(qtbot, window, "r1-f2")
    press(qtbot, window, "n")
    replaying(qtbot, window, "r1-f3")


def test_live_is_one_key_away_and_the_replay_comes_back(arena: Arena, viewer: Viewer, qtbot: QtBot) -> None:
    window = viewer.window
    arena.begin()
    arena.preview()
    until(qtbot, lambda: window.stage.image is not None)
    assert window.transport.speed.text() == "live"
    arena.flight(0)
    replaying(qtbot, window, "r1-f1")
    assert window.small.isVisible()
    qtbot.keyClick(window.stage, Qt.Key.Key_Escape)
    assert not window.in_replay
    assert window.transport.speed.text() == "live"
    qtbot.keyClick(window.stage, Qt.Key.Key_Space)
    assert window.in_replay


def test_a_ruling_goes_to_the_desk_and_comes_back(arena: Arena, viewer: Viewer, qtbot: QtBot) -> None:
    window = viewer.window
    arena.begin()
    arena.flight(2)
    replaying(qtbot, window, "r1-f3")
    assert not window.ruling.record.isEnabled()
    press(qtbot, window, "g")
    first = QApplication.focusWidget()
    assert first is not None
    assert first.accessibleName() == "The panel rules: above"
    window.ruling.mark("below")
    window.ruling.note.setFocus()
    qtbot.keyClicks(window.ruling.note, "both agree, b")
    assert window.state.level == "picture"  # letters typed into the note are not keys
    qtbot.keyClick(window.ruling.note, Qt.Key.Key_Return)
    until(qtbot, lambda: "10:15" in window.ruling.said.text())
    assert window.ruling.said.text() == "The panel ruled: below at 10:15. Note: both agree, b"
    assert [r.ruling.decision for r in arena.rulings] == ["below"]
    assert "The panel ruled: below" in window.flights.item(0).text()


def test_a_lost_feed_is_said_within_two_seconds_and_comes_back(
    arena: Arena, viewer: Viewer, qtbot: QtBot
) -> None:
    window = viewer.window
    arena.begin()
    arena.preview()
    until(qtbot, lambda: window.health.text().startswith("Feed running") and window.stage.image is not None)
    arena.silence(True)
    heard_ns = viewer.feed.heard_ns
    until(qtbot, lambda: window.health.text().startswith("Feed lost"))
    assert heard_ns is not None
    assert window.clock.now_ns() - viewer.feed.heard_ns <= 2_000_000_000  # type: ignore[operator]
    assert window.health.text().startswith("Feed lost. Last picture ")
    assert window.stage.layers.stale
    assert window.stage.layers.banner == window.health.text()
    arena.flight(0)  # a record wakes it, and is not missed
    until(qtbot, lambda: window.flights.count() == 1)
    arena.silence(False)
    until(qtbot, lambda: window.health.text().startswith("Feed running"))
    assert not window.stage.layers.stale


def test_a_clip_that_cannot_be_had_is_said(arena: Arena, viewer: Viewer, qtbot: QtBot) -> None:
    window = viewer.window
    arena.begin()
    reading = EXAMPLE.readings()[0]
    arena.publisher.publish(reading, t_ns=0)  # the recording knows nothing of it
    until(qtbot, lambda: "no such flight" in window.stage.layers.banner)
    assert not window.in_replay
    arena.heights[reading.flight] = 0.31  # now it is on the disk: the viewer asks again by itself
    replaying(qtbot, window, reading.flight)
    until(qtbot, lambda: window.stage.layers.banner == "")


def test_a_recording_that_was_not_complete_is_fetched_again_in_place(
    arena: Arena, viewer: Viewer, qtbot: QtBot
) -> None:
    window = viewer.window
    arena.begin()
    arena.cut_after_end = True
    reading = arena.flight(0)
    replaying(qtbot, window, reading.flight)
    press(qtbot, window, "t")
    loop, store = window.loop, window._store
    assert loop is not None
    assert store is not None
    assert store.end_ns < reading.end_ns + 100_000_000
    at_ns = loop.position_ns
    arena.cut_after_end = False
    until(qtbot, lambda: window._store is not store)
    assert window._store is not None
    assert window._store.end_ns > reading.end_ns + 500_000_000
    assert window.loop is loop
    assert loop.position_ns == at_ns
    assert not loop.playing


def test_zoom_and_pan_by_wheel_keys_and_drag(arena: Arena, viewer: Viewer, qtbot: QtBot) -> None:
    window = viewer.window
    arena.begin()
    arena.flight(0)
    replaying(qtbot, window, "r1-f1")
    stage = window.stage
    at = QPointF(300.0, 200.0)
    before = stage.map.to_picture((300.0, 200.0))
    wheel = QWheelEvent(
        at, stage.mapToGlobal(at), QPoint(), QPoint(0, 240), Qt.MouseButton.NoButton,
        Qt.KeyboardModifier.NoModifier, Qt.ScrollPhase.NoScrollPhase, False,
    )  # fmt: skip
    QApplication.sendEvent(stage, wheel)
    assert stage.map.zoom == pytest.approx(1.5625)
    assert stage.map.to_picture((300.0, 200.0)) == pytest.approx(before, abs=0.01)
    left = stage.map.to_picture((0.0, 0.0))[0]
    qtbot.keyClick(stage, Qt.Key.Key_Right, Qt.KeyboardModifier.ShiftModifier)
    assert stage.map.to_picture((0.0, 0.0))[0] > left
    press(qtbot, window, "w")
    assert stage.map.zoom == 1.0
    press(qtbot, window, "+")
    assert stage.map.zoom == pytest.approx(1.25)


def test_the_card_of_keys_opens_and_closes(viewer: Viewer, qtbot: QtBot) -> None:
    window = viewer.window
    qtbot.keyClick(window.stage, Qt.Key.Key_Question, Qt.KeyboardModifier.ShiftModifier)
    assert window.card.isVisible()
    qtbot.keyClick(window.stage, Qt.Key.Key_Escape)
    assert not window.card.isVisible()


def test_the_caution_and_the_lines_uncertainty_are_always_in_sight(
    arena: Arena, viewer: Viewer, qtbot: QtBot
) -> None:
    window = viewer.window
    for size in ((1280, 800), (1920, 1080)):
        window.resize(*size)
        QApplication.processEvents()
        assert window.caution.isVisible()
        assert window.caution.text() == "Display aid only. The panel decides."
        assert window.rect().contains(window.caution.geometry())
    arena.begin()
    until(qtbot, lambda: "4 cm (95 %)" in window.line_words.text())


def test_everything_that_takes_the_keyboard_has_a_name(arena: Arena, viewer: Viewer, qtbot: QtBot) -> None:
    window = viewer.window
    arena.begin()
    arena.flight(0)
    replaying(qtbot, window, "r1-f1")
    focusable = [w for w in window.findChildren(QWidget) if w.focusPolicy() & Qt.FocusPolicy.TabFocus]
    named = [w for w in focusable if not w.objectName().startswith("qt_")]
    assert len(named) >= 20
    for widget in named:
        assert widget.accessibleName(), widget
    for label in window.findChildren(QLabel):
        if label.isVisible() and label.text():
            assert label.accessibleName(), label.text()


@pytest.mark.parametrize("theme", [LIGHT, DARK], ids=lambda t: t.name)
def test_every_word_on_the_screen_can_be_read(
    arena: Arena, viewer: Viewer, qtbot: QtBot, theme: Theme
) -> None:
    window = viewer.window
    window.set_theme(theme)
    arena.begin(training=True)
    arena.flight(1)
    replaying(qtbot, window, "r1-f2")
    QApplication.processEvents()
    screen = window.grab().toImage()
    seen = 0
    for label in window.findChildren(QLabel):
        if not label.isVisible() or not label.text():
            continue
        corner = label.mapTo(window, QPoint(0, 0))
        colours = {
            screen.pixelColor(corner.x() + x, corner.y() + y).rgb()
            for x in range(label.width())
            for y in range(label.height())
            if screen.rect().contains(corner.x() + x, corner.y() + y)
        }
        best = max(contrast(QColor(c).name(), theme.paper) for c in colours)
        assert best >= 4.5, (label.text(), best)
        assert label.fontInfo().pixelSize() >= 14
        seen += 1
    assert seen >= 10


def test_a_moved_camera_and_a_full_disk_are_said(arena: Arena, viewer: Viewer, qtbot: QtBot) -> None:
    window = viewer.window
    arena.begin()
    until(qtbot, lambda: window.health.text().startswith("Feed running,"))
    arena.space_s = 12 * 60.0 + 40
    until(qtbot, lambda: window.health.text() == "Feed running. Space for 12 minutes more")
    assert window.health.property("role") == "alarm"
    assert window.stage.layers.banner == ""
    arena.camera = "the camera was moved: the picture shifted by 9 px; set the line again"
    said = f"No readings: {arena.camera}"
    until(qtbot, lambda: window.health.text() == said and window.stage.layers.banner == said)
    arena.camera, arena.space_s = "", 3600.0
    until(qtbot, lambda: window.health.text().startswith("Feed running,") and not window.stage.layers.banner)
    assert window.health.property("role") == "quiet"

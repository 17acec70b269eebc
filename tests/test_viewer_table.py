"""What a judge does at the table, on a real bus over the shipped recorded session."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QApplication
from pytestqt.qtbot import QtBot

from overlay import words
from tests.conftest import Bus
from tests.test_viewer_window import press, replaying, until
from tests.viewer_arena import Viewer
from tests.viewer_demo import DemoArena, copy_of_demo


@pytest.fixture
def arena(bus: Bus, tmp_path: Path) -> Iterator[DemoArena]:
    made = DemoArena(bus, copy_of_demo(tmp_path / "demo"))
    try:
        yield made
    finally:
        made.stop()


@pytest.fixture
def viewer(arena: DemoArena, qtbot: QtBot) -> Iterator[Viewer]:
    arena.begin()
    made = Viewer(arena.addresses)
    qtbot.addWidget(made.window)
    try:
        until(qtbot, lambda: made.window.flights.count() == 6)
        yield made
    finally:
        made.close()


def test_a_number_key_brings_its_flight(arena: DemoArena, viewer: Viewer, qtbot: QtBot) -> None:
    window = viewer.window
    for number in (3, 1):
        press(qtbot, window, str(number))
        assert window.state.flight == arena.flight(number).flight
        replaying(qtbot, window, arena.flight(number).flight)
    press(qtbot, window, "9")  # there is none
    assert window.state.flight == arena.flight(1).flight


@pytest.mark.parametrize(
    ("number", "keys"),
    [
        (2, {"r": "release", "t": "top", "e": "regrasp", "s": "swing"}),
        (6, {"r": "release", "t": "top", "e": "landing"}),
    ],
)
def test_a_key_freezes_at_each_moment_that_the_reading_has(
    arena: DemoArena, viewer: Viewer, qtbot: QtBot, number: int, keys: dict[str, str]
) -> None:
    window = viewer.window
    press(qtbot, window, str(number))
    replaying(qtbot, window, arena.flight(number).flight)
    press(qtbot, window, "h")
    names = {"top": "apex", "swing": "down_swing"}
    at = {m.name: m for m in arena.flight(number).moments}
    for key, said in keys.items():
        press(qtbot, window, key)
        loop, store = window.loop, window._store
        assert loop is not None and store is not None
        assert not loop.playing
        moment = at[names.get(said, said)]
        assert loop.index == store.nearest(moment.t_ns)
        assert window.transport.place.text().startswith(f"at the {said}")
        if said != "top":
            assert window.reading.moment.text() == words.moment_sentence(moment)
    assert window.transport.button("down_swing").isVisible() == ("s" in keys)
    assert not window.transport.button("opening").isVisible()
    press(qtbot, window, "o")  # neither has an opening: nothing moves
    assert loop.index == store.nearest(moment.t_ns)


def test_the_opening_is_frozen_at_where_a_dismount_has_one(
    arena: DemoArena, viewer: Viewer, qtbot: QtBot
) -> None:
    window = viewer.window
    reading = arena.flight(6)
    top, landing = reading.moments[1], reading.moments[2]
    t_ns = (top.t_ns + landing.t_ns) // 2
    opening = msgspec.structs.replace(top, name="opening", t_ns=t_ns)
    arena.publisher.publish(msgspec.structs.replace(reading, moments=(*reading.moments, opening)), t_ns=0)
    press(qtbot, window, "6")
    replaying(qtbot, window, reading.flight)
    until(qtbot, lambda: window.transport.button("opening").isVisible())
    press(qtbot, window, "o")
    assert window.loop is not None
    assert window._store is not None
    assert window.loop.index == window._store.nearest(t_ns)


def test_a_routine_is_found_by_its_start_number(arena: DemoArena, viewer: Viewer, qtbot: QtBot) -> None:
    window = viewer.window
    other = msgspec.structs.replace(arena.routine, routine=2, start_number="007", end_ns=None)
    arena.publisher.publish(other, t_ns=0)
    until(qtbot, lambda: window.routines.count() == 2)
    press(qtbot, window, "#")
    prompt = window.prompt
    assert prompt.isVisible()
    assert prompt.says.text() == "routine 1, start number 114, 6 flights"  # Enter alone: the one that ended
    qtbot.keyClicks(prompt.field, "9")
    assert prompt.says.text() == "No routine of number 9. There are: 007, 114."
    qtbot.keyClick(prompt.field, Qt.Key.Key_Return)
    assert prompt.isVisible()
    prompt.field.clear()
    qtbot.keyClicks(prompt.field, "7")
    assert prompt.says.text() == "routine 2, start number 007, no flight"
    qtbot.keyClick(prompt.field, Qt.Key.Key_Return)
    assert not prompt.isVisible()
    assert window.state.routine == 2
    press(qtbot, window, "y")  # routine 2 is still under way
    assert window.state.routine == 1
    replaying(qtbot, window, "r1-f6")
    press(qtbot, window, "#")
    qtbot.keyClick(prompt.field, Qt.Key.Key_Escape)
    assert not prompt.isVisible()
    assert window.in_replay  # Escape closed the question, not the replay


def test_one_key_goes_to_the_plain_picture_and_back(arena: DemoArena, viewer: Viewer, qtbot: QtBot) -> None:
    window = viewer.window
    press(qtbot, window, "2")
    replaying(qtbot, window, "r1-f2")
    press(qtbot, window, "t")
    assert window.stage.layers.level == "picture"
    press(qtbot, window, "p")
    assert window.stage.layers.level == "line"  # nothing was drawn before: the line, and no more
    press(qtbot, window, "b")
    press(qtbot, window, "p")
    assert window.stage.layers.level == "picture"
    press(qtbot, window, "p")
    assert window.stage.layers.level == "band"


def test_plain_and_drawn_stand_side_by_side_in_step(arena: DemoArena, viewer: Viewer, qtbot: QtBot) -> None:
    window = viewer.window
    press(qtbot, window, "2")
    replaying(qtbot, window, "r1-f2")
    press(qtbot, window, "it")
    QApplication.processEvents()
    assert window.plain.isVisible()
    assert window.plain.layers.level == "picture"
    assert window.stage.layers.level == "line"
    assert window.plain.image is window.stage.image
    assert window.plain.map.scale == pytest.approx(window.stage.map.scale, rel=0.02)
    zoom = window.stage.map.zoom
    assert window.stage.map.visible[3] == pytest.approx(window.stage.height(), abs=1)  # nothing is wasted
    press(qtbot, window, "+")
    assert window.plain.map.zoom == window.stage.map.zoom == pytest.approx(1.25 * zoom)
    press(qtbot, window, "p")
    assert not window.plain.isVisible()
    assert window.stage.layers.level == "picture"


def test_the_policy_of_the_meet_limits_the_drawn_picture(bus: Bus, tmp_path: Path, qtbot: QtBot) -> None:
    arena = DemoArena(bus, copy_of_demo(tmp_path / "demo"), policy="picture")
    arena.begin()
    viewer = Viewer(arena.addresses)
    qtbot.addWidget(viewer.window)
    try:
        replaying(qtbot, viewer.window, "r1-f6")
        for keys in ("p", "i", "b"):
            press(qtbot, viewer.window, keys)
            assert viewer.window.stage.layers.level == "picture"
    finally:
        viewer.close()
        arena.stop()


def test_what_measuring_leaves_behind_is_said_in_words(
    arena: DemoArena, viewer: Viewer, qtbot: QtBot
) -> None:
    said = viewer.window.health
    until(qtbot, lambda: said.text() == "Feed running, 60 pictures a second")
    arena.step, arena.waiting, arena.space_s = 2, 40, 5 * 3600.0
    until(
        qtbot,
        lambda: said.text() == "Feed running, measuring every 2nd picture, 40 wait, space for 5 h",
    )


def test_the_margin_says_on_which_side_of_the_bar_the_hips_were(arena: DemoArena) -> None:
    said = [words.shortest_height(r.apex) for r in arena.readings if r.apex is not None]
    assert said == ["6 above", "54 above", "28 above", "16 below", "20 above", "3 above"]

"""What a judge does at the table, on a real bus over the shipped recorded session."""

from __future__ import annotations

from pathlib import Path

import msgspec
import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QApplication, QLabel, QWidget
from pytestqt.qtbot import QtBot

from bridge.messages import FamilyChance, Handstand, Quantity, StartList
from capture.family import FamilyChoices
from overlay import words
from tests.conftest import Bus
from tests.test_viewer_window import press, replaying, until
from tests.viewer_arena import Viewer
from tests.viewer_demo import DemoArena, copy_of_demo


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
    apexes = [r.apex for r in arena.readings if r.apex is not None]
    said = [words.shortest_height(apex).split() for apex in apexes]
    assert [
        (abs(float(cm) / 100 - abs(a.value)) < 0.006, side)
        for (cm, side), a in zip(said, apexes, strict=True)
    ] == [(True, "above" if a.value > 0 else "below") for a in apexes]
    assert {side for _, side in said} == {"above", "below"}


def shown(window: QWidget) -> str:
    """Every word on show."""
    return "\n".join(part.text() for part in window.findChildren(QLabel) if part.isVisible())


def test_all_measures_stand_on_one_page_with_their_give_or_take(
    arena: DemoArena, viewer: Viewer, qtbot: QtBot
) -> None:
    window = viewer.window
    press(qtbot, window, "6m")
    page = window.page
    assert page is not None
    reading = arena.flight(6)
    assert len(reading.measures) >= 10
    assert not any(m.sentence in shown(page) for m in reading.measures)  # not asked for yet
    assert "H shows heights" in shown(page)
    qtbot.keyClick(page, "h")
    said = shown(page)
    for measure in reading.measures:
        assert measure.sentence in said
        assert words.plus_minus(measure.quantity) in said
    for moment in reading.moments:
        assert words.short_height(moment.height) in said
        assert words.short_rise(moment.rise) in said
    assert words.gravity_sentence(reading.gravity) in said  # type: ignore[arg-type]
    angle = Quantity(0.05, 0.02, "rad")
    arena.publisher.publish(
        Handstand(
            handstand="r1-h1", routine=1, number=1, t_ns=5, rail="high", way="cast", angle=angle,
            hips_off=angle, shoulders_off=angle, sentence="3 degrees short of the vertical.",
        ),
        t_ns=0,
    )  # fmt: skip
    until(qtbot, lambda: "3 degrees short of the vertical." in shown(page))
    assert "± 3 degrees" in shown(page)
    qtbot.keyClick(page, "2")  # another flight, on the same page
    assert window.page is page
    assert arena.flight(2).measures[0].sentence in shown(page)
    qtbot.keyClick(page, Qt.Key.Key_Escape)
    assert window.page is None


def test_the_panel_changes_the_family_and_the_change_is_marked(
    arena: DemoArena, viewer: Viewer, qtbot: QtBot
) -> None:
    window = viewer.window
    likely = (FamilyChance("high_to_low_salto", 0.96), FamilyChance("dismount", 0.04))
    arena.put(msgspec.structs.replace(arena.flight(4), families=likely))
    press(qtbot, window, "4b")
    replaying(qtbot, window, "r1-f4")
    former = window.reading.range.text()
    press(qtbot, window, "k")
    assert window.family.isVisible()
    assert window.family.buttons[1].isChecked()
    assert "96 %" in window.family.buttons[1].text()
    place = next(n for n, b in enumerate(window.family.buttons) if "counter flight" in b.text())
    qtbot.keyClick(window.family, str(place))
    until(qtbot, lambda: not window.family.isVisible() and window.reading.family.isVisible())
    assert window.reading.family.text().startswith("Family chosen by the panel. Measured:")
    assert "counter flight" in window.reading.title.text()
    assert window.reading.range.text() != former  # the band's range is the counter's
    assert "family chosen by the panel" in window.flights.item(3).text()
    press(qtbot, window, "k")
    qtbot.keyClick(window.family, "0")
    until(qtbot, lambda: not window.reading.family.isVisible())
    assert window.reading.range.text() == former


def test_a_family_that_is_refused_says_why(arena: DemoArena, viewer: Viewer, qtbot: QtBot) -> None:
    window = viewer.window
    arena.families = FamilyChoices(arena.families._table, arena.families._view)  # it knows no flight
    press(qtbot, window, "2k")
    qtbot.keyClick(window.family, "3")
    until(qtbot, lambda: window.family.says.text().startswith("Not changed: "))
    qtbot.keyClick(window.family, Qt.Key.Key_Escape)
    assert not window.family.isVisible()
    assert window.state.flight == "r1-f2"


def test_who_looked_at_which_speeds_and_with_what_drawn_goes_on_record(
    arena: DemoArena, viewer: Viewer, qtbot: QtBot
) -> None:
    window = viewer.window
    replaying(qtbot, window, "r1-f6")  # shown by itself: nobody is known to have looked
    press(qtbot, window, "2")
    replaying(qtbot, window, "r1-f2")
    assert arena.journal.looks() == ()
    loop = window.loop
    assert loop is not None
    until(qtbot, lambda: loop.views >= 1)  # one pass at true speed
    press(qtbot, window, "lx")  # then at half speed with the line
    until(qtbot, lambda: loop.position_ns > arena.flight(2).release_ns + 200_000_000)
    press(qtbot, window, "ts1")
    until(qtbot, lambda: len(arena.journal.looks()) == 1)
    look = arena.journal.looks()[0]
    assert (look.flight, look.routine, look.by) == ("r1-f2", 1, "panel")
    assert look.stills == ("apex", "down_swing")
    first, second = sorted(look.views, key=lambda view: -view.speed)[:2]
    assert (first.speed, first.level) == (1.0, "picture")
    assert first.passes == pytest.approx(1.0, abs=0.15)
    assert (second.speed, second.level) == (0.5, "line")
    assert 0 < second.passes < 1
    assert len(look.wall_time) > 16
    press(qtbot, window, "2")
    until(qtbot, lambda: window.ruling.looks.isVisible())
    clock = look.wall_time[11:16]
    assert window.ruling.looks.text() == (
        f"Looked at: {clock} panel: true speed plain once; half speed with the line in part; "
        "frozen at top, start of the down-swing"
    )
    assert arena.journal.verify() is None


def test_a_ruling_and_closing_hand_in_what_was_seen(arena: DemoArena, viewer: Viewer, qtbot: QtBot) -> None:
    window = viewer.window
    press(qtbot, window, "3")
    replaying(qtbot, window, "r1-f3")
    press(qtbot, window, "t")
    window.ruling.mark("above")
    window.ruling.send()
    until(qtbot, lambda: "r1-f3" in window.state.rulings)
    assert [look.stills for look in arena.journal.looks()] == [("apex",)]
    press(qtbot, window, "e")
    viewer.close()
    assert [look.stills for look in arena.journal.looks()] == [("apex",), ("regrasp",)]


def test_true_speed_first_is_said_and_not_forced(arena: DemoArena, viewer: Viewer, qtbot: QtBot) -> None:
    window = viewer.window
    press(qtbot, window, "2")
    replaying(qtbot, window, "r1-f2")
    assert not window.notice.isVisible()  # it runs at true speed
    press(qtbot, window, "c")
    until(qtbot, lambda: window.notice.isVisible())
    assert window.notice.text() == words.NOT_AT_TRUE_SPEED
    assert window.loop is not None and window.loop.speed == 0.25  # said, not forbidden
    press(qtbot, window, "a")
    until(qtbot, lambda: not window.notice.isVisible())
    until(qtbot, lambda: window.loop is not None and window.loop.views >= 1)
    press(qtbot, window, "cl")
    QApplication.processEvents()
    assert not window.notice.isVisible()
    press(qtbot, window, "3")
    replaying(qtbot, window, "r1-f3")
    press(qtbot, window, "l")
    until(qtbot, lambda: window.notice.isVisible())
    press(qtbot, window, "2")  # what was seen is on record, whoever comes back
    replaying(qtbot, window, "r1-f2")
    press(qtbot, window, "t")
    until(qtbot, lambda: len(window.state.looks) >= 1)
    assert not window.notice.isVisible()


def test_the_time_of_day_and_since_the_last_routine_are_told(
    arena: DemoArena, viewer: Viewer, qtbot: QtBot
) -> None:
    window = viewer.window
    until(qtbot, lambda: window.time_words.text().startswith("It is "))
    assert words.clock_sentence("14:35:07", 185_000_000_000) == (
        "It is 14:35:07. The last routine ended 3 min 05 s ago."
    )


def test_a_warm_up_is_called_so_and_is_not_the_last_routine(
    arena: DemoArena, viewer: Viewer, qtbot: QtBot
) -> None:
    window = viewer.window
    later = msgspec.structs.replace(arena.routine, routine=2, start_number="7", end_ns=99_000_000_000)
    arena.publisher.publish(msgspec.structs.replace(later, warm_up=True), t_ns=0)
    until(qtbot, lambda: window.routines.count() == 2)
    assert window.routines.itemText(1) == "routine 2, start number 7, warm-up"
    press(qtbot, window, "y")
    assert window.state.routine == 1
    arena.publisher.publish(later, t_ns=0)
    until(qtbot, lambda: window.routines.itemText(1) == "routine 2, start number 7")
    press(qtbot, window, "y")
    assert window.state.routine == 2


def test_a_pause_is_said(arena: DemoArena, viewer: Viewer, qtbot: QtBot) -> None:
    window = viewer.window
    arena.publisher.publish(StartList(paused="break"), t_ns=0)
    until(qtbot, lambda: window.health.text() == "Paused. break")
    arena.publisher.publish(StartList(), t_ns=0)
    until(qtbot, lambda: window.health.text().startswith("Feed running"))

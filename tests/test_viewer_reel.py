"""The whole routine: a clock that waits for its pieces, bounded memory, and the page on a real bus."""

from __future__ import annotations

from fractions import Fraction

import pytest
from PySide6.QtCore import Qt
from pytestqt.qtbot import QtBot

from bridge.clock import ManualClock
from overlay.reel import AHEAD, BEHIND, PIECE_NS, TRIES, Reel
from overlay.replay import FrameStore
from overlay.whole_routine import AFTER_NS, BEFORE_NS, RUN_UP_NS, WholeRoutinePage
from tests.conftest import Bus
from tests.test_viewer_window import press, until
from tests.viewer_arena import Viewer
from tests.viewer_demo import DemoArena

S = 1_000_000_000
FRAME = S // 50


def piece(reel: Reel[int], place: int) -> FrameStore[int]:
    begin_ns, length_ns = reel.span(place)
    times = tuple(range(begin_ns, begin_ns + length_ns, FRAME))
    return FrameStore(times, list(range(len(times))))


def feed(reel: Reel[int]) -> list[int]:
    """Bring whatever it asks for; returns which pieces those were."""
    brought = []
    while (place := reel.next_wanted()) is not None:
        reel.put(place, piece(reel, place))
        brought.append(place)
    return brought


@pytest.fixture
def clock() -> ManualClock:
    return ManualClock(5 * S)


@pytest.fixture
def reel(clock: ManualClock) -> Reel[int]:
    return Reel(100 * S, 110 * S, clock)


def test_the_clock_stands_still_until_the_pictures_come(reel: Reel[int], clock: ManualClock) -> None:
    reel.play()
    clock.advance(3 * S)
    assert reel.waiting
    assert reel.position_ns == 100 * S
    assert reel.frame() is None
    assert feed(reel) == [0, 1, 2]
    clock.advance(S // 2)
    assert reel.position_ns == 100 * S + S // 2
    assert reel.frame() == (100 * S + S // 2, 25)
    clock.advance(10 * S)  # nobody brought the fourth second
    assert reel.position_ns == 103 * S
    assert reel.playing
    assert reel.waiting


def test_memory_holds_a_few_pieces_however_long_the_routine(reel: Reel[int], clock: ManualClock) -> None:
    reel.play()
    most = 0
    while reel.playing:
        feed(reel)
        most = max(most, reel.held)
        clock.advance(S // 10)
        _ = reel.position_ns
    assert reel.position_ns == 110 * S
    assert most <= (AHEAD + BEHIND + 1) * PIECE_NS // FRAME
    reel.play()  # from the end, it begins again
    assert reel.position_ns == 100 * S


def test_one_piece_is_asked_for_at_a_time_and_the_one_on_show_first(reel: Reel[int]) -> None:
    assert reel.next_wanted() == 0
    assert reel.next_wanted() is None
    reel.jump(107 * S)
    reel.put(0, piece(reel, 0))  # it came too late to be of use
    assert reel.next_wanted() == 7
    assert reel.held == 0


def test_speed_step_and_jump(reel: Reel[int], clock: ManualClock) -> None:
    feed(reel)
    reel.play()
    reel.choose_speed(Fraction(1, 4))
    clock.advance(S)
    assert reel.position_ns == 100 * S + S // 4
    reel.step(1)
    assert not reel.playing
    at_ns = reel.position_ns
    reel.step(-1)
    assert reel.position_ns == at_ns - FRAME
    reel.jump(0)
    assert reel.position_ns == 100 * S
    reel.jump(500 * S)
    assert reel.position_ns == 110 * S


def test_what_was_never_recorded_is_passed_over_and_said(reel: Reel[int], clock: ManualClock) -> None:
    reel.play()
    for _ in range(TRIES):
        assert reel.next_wanted() == 0
        reel.fail(0, "no picture was recorded then")
    assert reel.problem == "no picture was recorded then"
    assert reel.position_ns == 101 * S
    assert reel.next_wanted() == 1


def test_a_gap_that_was_asked_for_ahead_is_passed_over_when_its_turn_comes(
    reel: Reel[int], clock: ManualClock
) -> None:
    reel.play()
    assert reel.next_wanted() == 0
    reel.put(0, piece(reel, 0))
    for _ in range(TRIES):
        assert reel.next_wanted() == 1
        reel.fail(1, "no picture was recorded then")
    assert reel.position_ns == 100 * S  # the first piece is still to be seen
    clock.advance(S + S // 10)
    assert reel.next_wanted() == 2
    assert reel.position_ns == 102 * S
    assert "recorded" in reel.problem


# --- the page -----------------------------------------------------------------------------------


def test_a_routine_plays_from_the_mount_and_jumps_to_its_flights(
    arena: DemoArena, viewer: Viewer, qtbot: QtBot
) -> None:
    window = viewer.window
    press(qtbot, window, "q")
    page = window.page
    assert isinstance(page, WholeRoutinePage)
    reel = page.reel
    assert reel is not None
    assert reel.begin_ns == arena.routine.begin_ns - BEFORE_NS
    assert reel.end_ns == arena.routine.end_ns + AFTER_NS  # type: ignore[operator]
    until(qtbot, lambda: page.stage.image is not None and reel.position_ns > reel.begin_ns + S // 2)
    assert page.speed.text() == "true speed"
    assert page.stage.layers.level == "picture"
    assert [name for name, _ in page.course._course.moments] == list("123456")  # type: ignore[union-attr]
    qtbot.keyClick(page, "4")
    release_ns = arena.flight(4).release_ns
    assert abs(reel.position_ns - (release_ns - RUN_UP_NS)) < S // 10
    until(qtbot, lambda: reel.frame() is not None)
    t_ns, _ = reel.frame()  # type: ignore[misc]
    assert abs(t_ns - (release_ns - RUN_UP_NS)) < S
    qtbot.keyClick(page, Qt.Key.Key_Down)
    assert abs(reel.position_ns - (arena.flight(5).release_ns - RUN_UP_NS)) < S // 10
    qtbot.keyClick(page, Qt.Key.Key_Space)
    assert page.speed.text() == "stopped"
    qtbot.keyClick(page, "x")
    assert reel.speed == Fraction(1, 2)
    until(qtbot, lambda: not reel.waiting)
    assert reel.held <= (AHEAD + BEHIND + 1) * 62
    qtbot.keyClick(page, "h")
    reel.jump(arena.flight(5).apex_ns)
    until(qtbot, lambda: page.stage.layers.drawing is not None)
    assert page.stage.layers.drawing == arena.flight(5).drawing
    assert "flight 5" in page.where.text()
    qtbot.keyClick(page, Qt.Key.Key_Escape)
    assert window.page is None
    until(qtbot, lambda: len(arena.journal.looks()) == 1)
    look = arena.journal.looks()[0]
    assert (look.flight, look.routine) == ("", 1)
    assert {view.speed for view in look.views} >= {1.0}


def test_a_routine_that_is_not_there_is_refused(arena: DemoArena, bus: Bus) -> None:
    from bridge.messages import Clip, Refused, RoutineClipRequest

    client = bus.client(arena.addresses)
    answer = client.ask(RoutineClipRequest(routine=7, begin_ns=0))
    assert isinstance(answer, Refused)
    assert "no such routine" in answer.reason
    begin_ns = arena.routine.begin_ns
    asked = RoutineClipRequest(routine=1, begin_ns=begin_ns, length_ns=60 * S)
    answer = client.ask(asked)
    assert isinstance(answer, Clip)
    assert answer.end_ns - answer.begin_ns <= 4 * S  # no more than a few seconds at a time
    before = client.ask(RoutineClipRequest(routine=1, begin_ns=begin_ns - 60 * S))
    assert isinstance(before, Refused | Clip)
    if isinstance(before, Clip):
        assert before.begin_ns >= begin_ns - 3 * S  # what was long before the mount is not shown

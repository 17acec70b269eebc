"""Two flights side by side, in step, on a real bus over the shipped recorded session."""

from __future__ import annotations

from fractions import Fraction

import pytest
from PySide6.QtCore import Qt
from pytestqt.qtbot import QtBot

from overlay.side_by_side import SideBySidePage, in_step, partner
from tests.test_viewer_window import press, until
from tests.viewer_arena import Viewer
from tests.viewer_demo import DemoArena

S = 1_000_000_000
FRAME = S // 60


def opened(viewer: Viewer, qtbot: QtBot, flight: str) -> SideBySidePage:
    press(qtbot, viewer.window, f"{flight}j")
    page = viewer.window.page
    assert isinstance(page, SideBySidePage)
    until(qtbot, lambda: page.loop is not None)
    return page


def test_a_flight_of_the_same_family_is_set_beside_it(arena: DemoArena, viewer: Viewer, qtbot: QtBot) -> None:
    page = opened(viewer, qtbot, "5")
    assert [side.flight for side in page.sides] == ["r1-f5", "r1-f1"]  # both from the low bar to the high one
    assert page.titles[0].text() == "114, flight 5: low to high"
    assert page.loop is not None and page.loop.playing
    assert page.speed.text() == "true speed"
    assert partner(viewer.window.state, "r1-f6") in {f"r1-f{n}" for n in range(1, 6)}
    qtbot.keyClick(page, "3")
    until(qtbot, lambda: page.loop is not None and page.sides[1].flight == "r1-f3")
    qtbot.keyClick(page, Qt.Key.Key_Down)
    assert page.sides[1].flight == "r1-f4"
    qtbot.keyClick(page, Qt.Key.Key_Down)
    assert page.sides[1].flight == "r1-f6"  # the left one is passed over


@pytest.mark.parametrize(("key", "name"), [("r", "release"), ("t", "top")])
def test_both_are_in_step_at_the_moment_that_is_asked_for(
    arena: DemoArena, viewer: Viewer, qtbot: QtBot, key: str, name: str
) -> None:
    page = opened(viewer, qtbot, "5")
    qtbot.keyClick(page, key)
    loop = page.loop
    assert loop is not None and not loop.playing
    for side, number, place in zip(page.sides, (5, 1), page.places, strict=True):
        reading = arena.flight(number)
        wanted = reading.release_ns if key == "r" else reading.apex_ns
        shown = side.view.layers.t_ns
        assert shown is not None
        assert abs(shown - wanted) <= FRAME
        assert place.text() == f"at the {name}"
    for _ in range(6):
        qtbot.keyClick(page, Qt.Key.Key_Right)
    apart = {
        side.view.layers.t_ns - (r.release_ns if key == "r" else r.apex_ns)  # type: ignore[operator]
        for side, r in zip(page.sides, (arena.flight(5), arena.flight(1)), strict=True)
    }
    assert max(apart) - min(apart) <= FRAME
    assert page.places[0].text() == page.places[1].text() == f"0.10 s after {name}"


def test_speed_level_and_zoom_hold_for_both_and_both_looks_go_on_record(
    arena: DemoArena, viewer: Viewer, qtbot: QtBot
) -> None:
    page = opened(viewer, qtbot, "5")
    qtbot.keyClick(page, "c")
    assert page.loop is not None and page.loop.speed == Fraction(1, 4)
    assert page.speed.text() == "quarter speed"
    assert page.figures[0].text() == ""
    qtbot.keyClick(page, "h")
    assert [figure.text().split(",")[0] for figure in page.figures] == ["20 cm above", "6 cm above"]
    assert {side.view.layers.level for side in page.sides} == {"height"}
    zoom = page.sides[0].view.map.zoom
    qtbot.keyClick(page, "+")
    for side in page.sides:
        assert side.view.map.zoom == pytest.approx(1.25 * zoom)
    qtbot.keyClick(page, "t")
    qtbot.keyClick(page, "j")
    assert viewer.window.page is None
    until(qtbot, lambda: len(arena.journal.looks()) == 2)
    assert {look.flight for look in arena.journal.looks()} == {"r1-f5", "r1-f1"}
    assert all(look.stills == ("apex",) for look in arena.journal.looks())


def test_the_loop_runs_over_both_clips_and_holds_the_shared_moment(arena: DemoArena) -> None:
    from bridge.messages import Clip, ClipRequest
    from overlay.pixels import decode_clip

    stores = []
    for number in (1, 6):
        answer = arena.recorded.clip(ClipRequest(flight=f"r1-f{number}"))
        assert isinstance(answer, Clip)
        stores.append(decode_clip(answer, 20_000_000))
    at = [arena.flight(1).apex_ns, arena.flight(6).apex_ns]
    times = in_step(stores[0], stores[1], *at)
    assert 0 in times
    assert times[0] <= max(s.begin_ns - t for s, t in zip(stores, at, strict=True))
    assert times[-1] >= min(s.end_ns - t for s, t in zip(stores, at, strict=True))

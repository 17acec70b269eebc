"""The projector's window: as agreed while clips are marked, everything once they are locked, by keyboard."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

from bridge.clock import ManualClock
from overlay.clinic.collecting import collect_flight
from overlay.clinic.copies import have_copy
from overlay.clinic.copy_places import copy_folder
from overlay.clinic.examples import Collection, Reference
from overlay.clinic.practice import NS, Practice, Typed, plan
from overlay.clinic.projector import KEYS, Projector
from overlay.clinic.shelf import Shelf
from overlay.clinic.steps import read_steps
from overlay.theme import THEMES, contrast

ROOT = Path(__file__).parent.parent
SESSION = ROOT / "recorded_sessions" / "clinic" / "evening-2"
TABLE = ROOT / "capture" / "tables" / "bands_common_practice.toml"
TODAY = date(2031, 5, 4)
Key = Qt.Key


@dataclass
class Evening:
    window: Projector
    practice: Practice
    clock: ManualClock
    codes: list[str]
    qtbot: Any

    def press(self, key: Qt.Key, modifier: Qt.KeyboardModifier = Qt.KeyboardModifier.NoModifier) -> None:
        QTest.keyClick(self.window, key, modifier)

    def wait_for_clip(self) -> None:
        def there() -> None:
            self.window.tick()
            assert self.window._loop is not None

        self.qtbot.waitUntil(there, timeout=10_000)

    def pass_by(self, seconds: float) -> None:
        self.clock.advance(round(seconds * NS))
        self.window.tick()

    def mark_all(self, *marks: int) -> None:
        number = self.practice.state.number
        for code, mark in zip(self.codes, marks, strict=True):
            self.practice.mark(code, number, mark)
        self.window.tick()

    def show_and_mark(self, *marks: int) -> None:
        self.press(Key.Key_N)
        self.wait_for_clip()
        for _ in range(self.practice.state.plan.views):
            self.wait_for_clip()
            self.pass_by(30)
            self.pass_by(2)
        assert self.practice.state.phase == "marking"
        self.mark_all(*marks)
        self.press(Key.Key_Space)
        assert self.practice.state.phase == "locked"


@pytest.fixture
def evening(qtbot: Any, tmp_path: Path) -> Iterator[Evening]:
    kept = Collection(tmp_path / "set.json", lambda: TODAY)
    for number in (1, 2, 3, 4):
        example = collect_flight(kept, SESSION, f"r1-f{number}", "middling", "invented")
        why = Reference(mark=5, reason="invented: level.", by="panel of three", on=TODAY, slow_motion=True)
        kept.refer(example.id, why)
    examples = kept.find(cleared=True)
    for example in examples:
        have_copy(kept.copies, example)
    begun = plan("Evening", examples, read_steps(TABLE), today=TODAY, seed=2, views=2, slowness=2, repeats=1)
    practice = Practice(tmp_path / "p.sqlite", begun, clock=ManualClock(NS))
    codes = [practice.join()[1] for _ in range(4)]
    shelf = Shelf(kept.copies, examples)
    clock = ManualClock(NS)
    window = Projector(practice, shelf, clock, "http://192.0.2.7:8080/", "http://192.0.2.7:8080/?room=ABC234")
    window._timer.stop()
    qtbot.addWidget(window)
    window.show()
    yield Evening(window, practice, clock, codes, qtbot)
    shelf.close()
    practice.close()


def test_a_clip_is_shown_as_agreed_and_nothing_else(evening: Evening) -> None:
    window, practice = evening.window, evening.practice
    assert practice.state.plan.room_code in window.join.text()
    assert window.present.text() == "4 in the room"
    evening.press(Key.Key_PageDown)  # a presenter's remote
    evening.wait_for_clip()
    assert (practice.state.phase, practice.state.view) == ("viewing", 1)
    reading = window._ready.copy.reading  # type: ignore[union-attr]
    first, last = window._ready.copy.times_ns[0], window._ready.copy.times_ns[-1]  # type: ignore[union-attr]
    evening.pass_by(1.0)
    assert window.stage.image is not None
    # at half speed, one second on the wall is half a second of the flight
    assert window.stage.layers.t_ns == pytest.approx(first + NS // 2, abs=NS // 25)
    assert window.stage.layers.level == "picture"
    assert window.stage.layers.drawing is None
    assert not window.column.isVisible()
    for key in (Key.Key_B, Key.Key_L, Key.Key_1, Key.Key_T, Key.Key_Left, Key.Key_Space, Key.Key_K):
        evening.press(key)  # nothing that would show more, or show it otherwise
    assert window.stage.layers.level == "picture"
    assert window._loop is not None
    assert window._loop.playing
    assert float(window._loop.speed) == 0.5
    assert practice.state.phase == "viewing"
    evening.pass_by(2 * (last - first) / NS)
    assert window.stage.image is None  # no last picture to study
    evening.pass_by(1.5)
    assert practice.state.view == 2
    evening.wait_for_clip()
    evening.pass_by(2 * (last - first) / NS + 1)
    assert practice.state.phase == "marking"  # asked for as soon as the last view is over
    window.tick()
    assert window.stage.image is None
    assert "Your mark, please" in window.wait.text()
    assert reading.flight not in window.where.text()


def test_marks_are_locked_before_anything_is_revealed(evening: Evening) -> None:
    window, practice = evening.window, evening.practice
    shows = practice.state.plan.showings
    again = next(s.clip for s in shows if s.repeat)
    for _ in range(next(s.number for s in shows if s.clip != again) - 1):
        evening.show_and_mark(0, 0, 0, 5)
    evening.press(Key.Key_N)
    evening.wait_for_clip()
    for _ in range(2):
        evening.wait_for_clip()
        evening.pass_by(30)
        evening.pass_by(2)
    evening.practice.mark(evening.codes[0], practice.state.number, 0)
    evening.press(Key.Key_Space)
    assert practice.state.phase == "marking"
    assert "1 of 4 have marked" in window.said.text()
    evening.mark_all(0, 5, 5, 10)
    evening.press(Key.Key_Space)
    assert practice.state.phase == "locked"
    assert window.sheet.currentWidget() is window.wait
    assert not window.column.isVisible()
    evening.press(Key.Key_Space)
    evening.wait_for_clip()
    number = practice.state.number
    assert practice.state.revealed == (number,)
    assert window.column.isVisible()
    assert window.spread.accessibleDescription() == "0.00: 1, 0.05: 2, 0.10: 1"
    text = window.reference.text()
    assert text.startswith("Reference 0.05, panel of three: invented: level. Set with slow motion")
    window.tick()
    reading = window._ready.copy.reading  # type: ignore[union-attr]
    assert reading.flight == shows[number - 1].clip.partition("/")[2]
    assert window.reading.height_words.text() != ""
    assert "give or take" in window.reading.give.text()
    layers = window.stage.layers
    assert (layers.level, layers.drawing, layers.height) == ("band", reading.drawing, reading.apex)
    assert "m1" not in window.heading.text() + text
    # the whole reveal by keyboard
    evening.press(Key.Key_P)
    assert window.stage.layers.level == "picture"
    evening.press(Key.Key_H)
    assert window.stage.layers.level == "height"
    evening.press(Key.Key_T)
    assert window.stage.layers.t_ns == pytest.approx(reading.apex_ns, abs=NS // 25)
    at = window.stage.layers.t_ns
    evening.press(Key.Key_Right)
    assert at is not None
    assert window.stage.layers.t_ns is not None
    assert window.stage.layers.t_ns > at
    evening.press(Key.Key_4)
    assert window.said.text() == "eighth speed"
    evening.press(Key.Key_Space)
    assert (practice.state.phase, practice.state.number) == ("viewing", number + 1)


def test_what_comes_again_is_kept_for_later_and_found_at_the_end(evening: Evening) -> None:
    window, practice = evening.window, evening.practice
    shows = practice.state.plan.showings
    for s in shows:
        evening.show_and_mark(0, 0, 0, 0)
        later = any(o.clip == s.clip and o.number > s.number for o in shows)
        assert ("reveal" in window.hint.text()) != later
    evening.press(Key.Key_N)
    assert practice.state.phase == "ended"
    assert "over" in window.wait.text()
    evening.press(Key.Key_Down)
    assert practice.state.revealed == (1,)
    evening.press(Key.Key_Down)
    evening.press(Key.Key_Down)
    evening.press(Key.Key_Up)
    assert practice.state.revealed[-1] == 2
    evening.wait_for_clip()
    assert window.heading.text() == "Clip 2: 4 marks"
    paper, _ = "m9", None
    with pytest.raises(Exception, match="on paper"):
        practice.do(Typed(marker=paper, number=2, mark=0))


def test_the_teachers_page_may_steer_too(evening: Evening) -> None:
    from overlay.clinic.practice import Asked, Locked, Revealed, Viewed

    practice, window = evening.practice, evening.window
    shows = practice.state.plan.showings
    # What comes again later is not revealed yet.
    number = next(s.number for s in shows if sum(o.clip == s.clip for o in shows) == 1)
    for _ in range(number - 1):
        evening.show_and_mark(0, 5, 5, 10)
    practice.do(Viewed(number=number, view=1))
    evening.wait_for_clip()
    practice.do(Viewed(number=number, view=2))
    evening.wait_for_clip()
    practice.do(Asked(number=number))
    window.tick()
    assert "Your mark, please" in window.wait.text()
    evening.mark_all(0, 5, 5, 10)
    practice.do(Locked(number=number))
    window.tick()
    practice.do(Revealed(number=number))
    evening.wait_for_clip()
    assert window.column.isVisible()


def test_a_clip_that_cannot_be_shown_does_not_stop_the_evening(evening: Evening, tmp_path: Path) -> None:
    window, practice = evening.window, evening.practice
    second = practice.state.plan.showings[1].clip
    broken = copy_folder(tmp_path / "set-copies", second)
    (broken / "clip.mkv").write_bytes(b"no film")
    evening.show_and_mark(0, 0, 5, 5)
    evening.press(Key.Key_N)

    def told() -> None:
        window.tick()
        assert "cannot be shown" in window.said.text()

    evening.qtbot.waitUntil(told, timeout=10_000)
    assert practice.state.phase == "viewing"
    evening.press(Key.Key_Space)
    assert (practice.state.phase, practice.state.number) == ("locked", 2)
    assert {m.number for m in practice.state.locked_marks()} == {1}
    evening.show_and_mark(0, 0, 5, 5)
    assert practice.state.number == 3


def test_keys_are_named_once_and_colours_can_be_read(evening: Evening) -> None:
    keys = [key for keys in KEYS.values() for key in keys]
    assert len(keys) == len(set(keys))
    assert set(KEYS) == set(evening.window._actions)
    for theme in THEMES:
        for ink in (theme.ink, theme.quiet, theme.line, theme.hips):
            assert contrast(ink, theme.paper) >= 4.5
    evening.press(Key.Key_D)
    evening.press(Key.Key_Question)  # nothing there, and nothing breaks
    assert evening.window.palette().window().color().name().upper() == THEMES[1].paper.upper()
    evening.press(Key.Key_Q, Qt.KeyboardModifier.ControlModifier)
    evening.qtbot.waitUntil(lambda: not evening.window.isVisible(), timeout=5000)

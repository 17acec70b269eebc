"""The hall's screen on the real bus and over real session folders."""

from __future__ import annotations

import ast
import itertools
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from datetime import date, timedelta
from pathlib import Path

import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QImage
from PySide6.QtWidgets import QLabel, QWidget
from pytestqt.qtbot import QtBot

import overlay
from bridge.messages import BandChance, Clip, ClipRequest, Refused, SnapshotRequest
from bridge.session import Session
from overlay.hall import calm, gallery
from overlay.hall.calm import mean_luma
from overlay.hall.choices import Choices, load_choices
from overlay.hall.cover import Cover
from overlay.hall.figures import Fading
from overlay.hall.history import HistoryThread, OtherDays, read_past
from overlay.hall.sheet import Sheet
from overlay.hall.window import NOBODY
from overlay.theme import LIGHT
from tests.conftest import Bus
from tests.hall_rooms import Hall, Turns, training_day
from tests.sessions import TIMES_NS
from tests.viewer_arena import EXAMPLE, arena_on

DAY = date(2026, 11, 10)
AT_ONCE = Choices(delay_s=0.0)
# From one painted picture to the next the mean luma of the whole window may change by so much at most.
JUMP = 0.012


@pytest.fixture(autouse=True)
def _settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("RAILCREST_CONFIG", str(tmp_path / "config"))


@pytest.fixture
def turns(bus: Bus) -> Iterator[Turns]:
    arena, addresses = arena_on(bus)
    try:
        yield Turns(arena, addresses)
    finally:
        arena.stop()


@pytest.fixture
def open_hall(turns: Turns) -> Iterator[Callable[..., Hall]]:
    halls: list[Hall] = []

    def make(choices: Choices | None = AT_ONCE, size: tuple[int, int] = (1280, 720)) -> Hall:
        halls.append(Hall(turns.addresses, choices=choices, size=size))
        return halls[-1]

    yield make
    for hall in halls:
        hall.close()


def parts(hall: Hall) -> tuple[Fading | Sheet | Cover, ...]:
    window = hall.window
    return window.figure, window.ladder, window.counts_part, window.chooser, window.card, window.cover


def still(hall: Hall, qtbot: QtBot) -> None:
    """Wait until nothing fades any more."""
    qtbot.waitUntil(lambda: all(part.still for part in parts(hall)), timeout=8000)


def shows(hall: Hall, qtbot: QtBot, number: str) -> None:
    """Wait until the big figure says ``number``."""
    qtbot.waitUntil(lambda: hall.window.figure.number.text() == number, timeout=8000)
    still(hall, qtbot)


def test_the_last_turn_shows_itself_and_loops_at_true_speed_then_slowly(
    qtbot: QtBot, turns: Turns, open_hall: Callable[..., Hall]
) -> None:
    turns.begin(("A7", "coaching"))
    hall = open_hall()
    window = hall.window
    qtbot.waitUntil(lambda: window.picture.words == "Waiting for the first turn.", timeout=5000)
    turns.turn("A7", 0.28)
    shows(hall, qtbot, "28 cm")
    assert window.figure.where.text() == "above the high bar"
    assert window.figure.give.text() == "hips, give or take 3 cm"
    assert window.figure.stands_above
    assert window.figure.who.text() == "A7"
    assert window.counts.text() == "1 release, 0 dismounts today"
    qtbot.waitUntil(lambda: window.picture.image is not None, timeout=5000)
    assert window.picture.layers.level == "height"
    assert window.loop is not None
    speeds = {window.speed.text()}

    def both() -> bool:
        speeds.add(window.speed.text())
        return {"true speed", "quarter speed"} <= speeds

    qtbot.waitUntil(both, timeout=8000)
    turns.turn("A7", -0.12)
    shows(hall, qtbot, "12 cm")
    assert window.figure.where.text() == "below the high bar"
    assert not window.figure.stands_above
    assert window.loop is not None


def test_beside_it_stand_her_last_and_her_best_turn_and_nobody_else_s(
    qtbot: QtBot, turns: Turns, open_hall: Callable[..., Hall]
) -> None:
    turns.begin(("A7", "coaching"), ("B2", "coaching"))
    for number, height in (("A7", 0.30), ("B2", 0.90), ("A7", 0.20), ("B2", 0.80)):
        turns.turn(number, height)
    turns.turn("A7", 0.21)
    hall = open_hall()
    shows(hall, qtbot, "21 cm")
    assert hall.window.others.text() == "Last: 20 cm above, ± 3\nBest: 30 cm above, ± 3"
    assert hall.window.figure.said.text() == "About the same as her last turn."
    assert [(r.figure.number, r.name) for r in hall.window.ladder.rungs] == [
        ("30 cm", "best"), ("20 cm", "last"), ("21 cm", "now"),
    ]  # fmt: skip
    assert "90 cm" not in hall.window.ladder.accessibleDescription()
    hall.window.do("earlier")
    shows(hall, qtbot, "80 cm")
    assert hall.window.others.text() == "Last: 90 cm above, ± 3\nBest: 90 cm above, ± 3"


def test_a_turn_of_nobody_known_is_compared_with_nothing(
    qtbot: QtBot, turns: Turns, open_hall: Callable[..., Hall]
) -> None:
    turns.begin()
    turns.turn("", 0.30)
    turns.turn("", 0.20)
    hall = open_hall()
    shows(hall, qtbot, "20 cm")
    assert hall.window.ladder.text == NOBODY
    assert (hall.window.others.text(), hall.window.counts.text()) == ("", "")


def test_withheld_too_close_and_a_grip_change_are_said_in_words(
    qtbot: QtBot, turns: Turns, open_hall: Callable[..., Hall]
) -> None:
    turns.begin(("A7", "coaching"))
    hall = open_hall()
    figure, picture = hall.window.figure, hall.window.picture
    close = (BandChance("level", 0.6), BandChance("above", 0.4))
    turns.turn("A7", 0.1, band="too close to call", chances=close)
    shows(hall, qtbot, "10 cm")
    assert figure.said.text() == "Too close to call: level or above."
    turns.turn("A7", 0.0, state="withheld", reason="the camera was moved", apex=None)
    qtbot.waitUntil(lambda: figure.said.text() == "No figure: the camera was moved.", timeout=5000)
    assert figure.number.text() == ""
    turns.turn("A7", 0.6, family="hop_regrasp", band="")
    shows(hall, qtbot, "0.66 s")
    assert figure.said.text().startswith("A grip change near handstand: the bar line does not apply.")
    assert figure.rule.isHidden()
    qtbot.waitUntil(lambda: picture.image is not None, timeout=5000)
    assert picture.layers.level == "picture"


def test_who_is_not_to_be_filmed_is_not_shown(
    qtbot: QtBot, turns: Turns, open_hall: Callable[..., Hall]
) -> None:
    turns.begin(("B2", "do not film"))
    turns.turn("B2", 0.3)
    hall = open_hall()
    qtbot.waitUntil(lambda: hall.window.picture.words == "Not shown.", timeout=5000)
    still(hall, qtbot)
    assert hall.window.figure.number.text() == ""
    assert turns.arena.clips == []


def test_a_meet_that_shows_no_heights_shows_none_here(
    qtbot: QtBot, turns: Turns, open_hall: Callable[..., Hall]
) -> None:
    turns.arena.publisher.publish(EXAMPLE.scene("line", False), t_ns=0)
    turns.turn("12", 0.3)
    hall = open_hall()
    said = hall.window.figure.said
    qtbot.waitUntil(lambda: said.text() == "This session shows the picture without heights.", timeout=5000)
    qtbot.waitUntil(lambda: hall.window.picture.image is not None, timeout=5000)
    assert hall.window.picture.layers.level == "line"
    assert hall.window.figure.number.text() == ""


def test_every_third_turn_on_request_and_after_a_pause(
    qtbot: QtBot, turns: Turns, open_hall: Callable[..., Hall]
) -> None:
    turns.begin(("A7", "coaching"))
    hall = open_hall(Choices(when="some", every=3, delay_s=0.0))
    window = hall.window
    for left in (2, 1):
        turns.turn("A7", 0.2)
        words = f"Shown every third turn: {left} more."
        qtbot.waitUntil(lambda words=words: window.picture.words == words, timeout=5000)
        assert window.picture.image is None
    turns.turn("A7", 0.31)
    shows(hall, qtbot, "31 cm")
    turns.turn("A7", 0.1)
    qtbot.waitUntil(lambda: window.picture.words.startswith("Shown every third"), timeout=5000)
    qtbot.keyClick(window, Qt.Key.Key_Space)
    shows(hall, qtbot, "10 cm")
    window.gate.choices = Choices(delay_s=1.0)
    turns.turn("A7", 0.12)
    qtbot.waitUntil(lambda: window.picture.words == "In a moment.", timeout=5000)
    shows(hall, qtbot, "12 cm")


def test_she_guesses_first_and_then_sees(qtbot: QtBot, turns: Turns, open_hall: Callable[..., Hall]) -> None:
    turns.begin(("A7", "coaching"))
    turns.turn("A7", 0.3, band="above")
    hall = open_hall(Choices(guess=True, delay_s=0.0))
    window = hall.window
    qtbot.waitUntil(lambda: window.picture.words.startswith("Guess first"), timeout=5000)
    still(hall, qtbot)
    assert window.figure.number.text() == ""
    qtbot.keyClick(window, Qt.Key.Key_2)
    shows(hall, qtbot, "30 cm")
    assert window.figure.said.text() == "Guessed level, measured above."


def test_nothing_new_comes_on_while_she_is_on_the_bars(
    qtbot: QtBot, turns: Turns, open_hall: Callable[..., Hall], monkeypatch: pytest.MonkeyPatch
) -> None:
    turns.begin(("A7", "coaching"), ("B2", "coaching"))
    hall = open_hall()
    window = hall.window
    turns.publish("A7", 0.4, EXAMPLE.reading(1, 0.4, routine=1), over=False)
    qtbot.waitUntil(lambda: window.picture.words == "She is on the bars.", timeout=5000)
    turns.publish("A7", 0.3, EXAMPLE.reading(2, 0.3, routine=1))
    shows(hall, qtbot, "30 cm")
    turns.publish("B2", 0.1, EXAMPLE.reading(1, 0.1, routine=2), over=False)
    qtbot.waitUntil(lambda: len(window.book.over) == 3, timeout=5000)
    qtbot.wait(300)
    assert window.figure.number.text() == "30 cm"  # the turn before goes on
    monkeypatch.setattr("overlay.hall.window.LONGEST_REST_NS", 0)  # an end that never comes is not waited for
    shows(hall, qtbot, "10 cm")


def test_all_flights_of_a_turn_are_shown_one_after_the_other(
    qtbot: QtBot, turns: Turns, open_hall: Callable[..., Hall]
) -> None:
    turns.begin(("A7", "coaching"))
    turns.publish("A7", 0.2, EXAMPLE.reading(1, 0.2, routine=1))
    turns.publish("A7", 0.4, EXAMPLE.reading(2, 0.4, routine=1, family="dismount", end_kind="landing"))
    hall = open_hall(Choices(delay_s=0.0, slow=2))
    shows(hall, qtbot, "40 cm")
    assert hall.window.counts.text() == "1 release, 1 dismount today"
    qtbot.waitUntil(lambda: hall.window.figure.number.text() == "20 cm", timeout=15000)


def test_the_coach_picks_the_measures_and_they_are_remembered(
    qtbot: QtBot, turns: Turns, open_hall: Callable[..., Hall]
) -> None:
    turns.begin(("A7", "coaching"))
    turns.turn("A7", 0.3)
    turns.turn("A7", 0.3)
    hall = open_hall()
    shows(hall, qtbot, "30 cm")
    qtbot.keyClick(hall.window, Qt.Key.Key_C)
    chooser = hall.window.chooser
    chooser.first.setCurrentText("time in the air")
    chooser.second.setCurrentText("hips at the highest point")
    chooser.whom.setCurrentText("A7's salto")
    chooser.delay.setValue(0)
    qtbot.mouseClick(chooser.keep, Qt.MouseButton.LeftButton)
    shows(hall, qtbot, "0.66 s")
    assert hall.window.figure.second.text() == "30 cm above the high bar, ± 3"
    assert hall.window.ladder.rungs[-1].figure.number == "0.66 s"
    assert load_choices().shown("A7", "salto_regrasp") == ("flight_time", "apex")
    again = open_hall(None)
    shows(again, qtbot, "0.66 s")


def test_whose_turn_it_was_is_put_right_in_the_journal(qtbot: QtBot, tmp_path: Path) -> None:
    folder = training_day(tmp_path / "today", DAY, (0.2, 0.25), gymnast="")
    hall = Hall(folder=folder, choices=AT_ONCE)
    try:
        window = hall.window
        shows(hall, qtbot, "25 cm")
        assert window.figure.who.text() == "turn 2"
        qtbot.keyClick(window, Qt.Key.Key_C)
        qtbot.keyClicks(window.chooser.who.lineEdit(), "A7")
        qtbot.mouseClick(window.chooser.keep, Qt.MouseButton.LeftButton)
        qtbot.waitUntil(lambda: window.figure.who.text() == "A7", timeout=8000)
    finally:
        hall.close()
    with Session.open(folder).journal() as journal:
        assert journal.routines()[-1].start_number == "A7"


def test_one_touch_tags_a_turn_in_the_journal_of_a_recorded_session(qtbot: QtBot, tmp_path: Path) -> None:
    folder = training_day(tmp_path / "today", DAY, (0.2, 0.25))
    hall = Hall(folder=folder, choices=AT_ONCE)
    try:
        window = hall.window
        shows(hall, qtbot, "25 cm")
        qtbot.waitUntil(lambda: window.picture.image is not None, timeout=5000)
        qtbot.keyClick(window, Qt.Key.Key_M)
        qtbot.waitUntil(lambda: window.tag_buttons["made"].isChecked(), timeout=5000)
        qtbot.mouseClick(window.tag_buttons["spotted"], Qt.MouseButton.LeftButton)
        qtbot.waitUntil(lambda: window.book.outcome("r2-f1") == "spotted", timeout=5000)
        qtbot.keyClick(window, Qt.Key.Key_S)
        qtbot.waitUntil(lambda: window.book.outcome("r2-f1") == "", timeout=5000)
        window.do("earlier")
        qtbot.keyClick(window, Qt.Key.Key_X)
        qtbot.waitUntil(lambda: window.book.outcome("r1-f1") == "missed", timeout=5000)
        window.do("newest")
        qtbot.waitUntil(lambda: window.others.text() == "Nothing of hers to compare with yet.", timeout=5000)
    finally:
        hall.close()
    with Session.open(folder).journal() as journal:
        assert {t.flight: t.outcome for t in journal.tags()} == {"r2-f1": "", "r1-f1": "missed"}
        assert {t.by for t in journal.tags()} == {"coach"}
        assert all(t.wall_time for t in journal.tags())
        assert len(journal.rows("tag")) == 4
        assert journal.verify() is None


def test_other_days_stand_beside_it_and_in_the_trend_with_what_was_left_out(
    qtbot: QtBot, tmp_path: Path
) -> None:
    root = tmp_path / "sessions"
    training_day(root / "1", DAY - timedelta(9), (0.30, 0.35, 0.5), outcomes=("made", "made", "spotted"))
    training_day(root / "2", DAY - timedelta(5), (0.6,), high_bar_m=2.5)
    training_day(root / "3", DAY - timedelta(4), (0.7,), gymnast="B2")
    folder = training_day(root / "4", DAY, (0.2, 0.25))
    hall = Hall(folder=folder, choices=AT_ONCE)
    history = HistoryThread(folder, root)
    history.read.connect(hall.window.take_past, Qt.ConnectionType.QueuedConnection)
    try:
        window = hall.window
        history.start()
        shows(hall, qtbot, "25 cm")
        qtbot.waitUntil(lambda: "Best: 35 cm" in window.others.text(), timeout=5000)
        assert window.others.text() == "Last: 20 cm above, ± 3\nBest: 35 cm above, ± 3"
        window.do("trend")
        qtbot.waitUntil(lambda: "A7, salto" in window.trend.title.text(), timeout=8000)
        assert "4 turns on 2 days, middle 28 cm, spread 6 cm" in window.trend.title.text()
        assert window.trend.left_out.text() == (
            "Left out. 1 turn: spotted; 1 turn: the high bar was at 2.50 m, here 2.40 m."
        )
        days = {(DAY - d.day).days: d.releases for d in window.trend.load if d.releases}
        assert days == {0: 2, 5: 1, 9: 3}
        assert "17 days without" not in window.trend.load_title.text()
        assert "18 days without" in window.trend.load_title.text()
        assert "10 November: 25 cm above the high bar" in window.trend.graph.accessibleDescription()
        assert "70 cm" not in window.trend.graph.accessibleDescription()
        still(hall, qtbot)
        window.do("back")
        still(hall, qtbot)
        assert window.page.isVisible()
    finally:
        assert history.stop()
        hall.close()


def test_a_turn_stands_beside_her_best_of_another_day_in_step(qtbot: QtBot, tmp_path: Path) -> None:
    root = tmp_path / "sessions"
    best_of_all = training_day(root / "1", DAY - timedelta(9), (0.35,))
    folder = training_day(root / "2", DAY, (0.30, 0.25))
    hall = Hall(folder=folder, choices=AT_ONCE, root=root)
    history = HistoryThread(folder, root)
    history.read.connect(hall.window.take_past, Qt.ConnectionType.QueuedConnection)
    try:
        window = hall.window
        history.start()
        shows(hall, qtbot, "25 cm")
        qtbot.waitUntil(lambda: "Best: 35 cm" in window.others.text(), timeout=5000)
        qtbot.keyClick(window, Qt.Key.Key_B)
        best, mine = window.strip.pictures[:2]
        captions = window.strip.captions
        qtbot.waitUntil(lambda: best.image is not None and mine.image is not None, timeout=8000)
        assert captions[0].text() == "best: 35 cm above, ± 3, 01 November"
        assert captions[1].text() == "now: 25 cm above, ± 3"
        assert window.loop is not None
        release = [r.release_ns for r in window.book.over][-1]
        window.loop.freeze(release)
        window.tick()
        for picture, source, at in ((best, best_of_all, 10), (mine, folder, 26)):
            recorded = next(iter(Session.open(source).decode(TIMES_NS[at], TIMES_NS[at])))[1]
            assert picture.image is not None
            row = [picture.image.pixelColor(x, 48).red() for x in range(8, 192, 16)]
            assert row == recorded[48, 8::16, 0].tolist()  # each picture carries its number
        qtbot.keyClick(window, Qt.Key.Key_B)
        qtbot.waitUntil(lambda: window.mode == "one" and window.figure.isVisible(), timeout=8000)
    finally:
        assert history.stop()
        hall.close()


def test_release_top_and_end_stand_side_by_side(
    qtbot: QtBot, turns: Turns, open_hall: Callable[..., Hall]
) -> None:
    turns.begin(("A7", "coaching"))
    turns.turn("A7", 0.3)
    hall = open_hall()
    shows(hall, qtbot, "30 cm")
    qtbot.keyClick(hall.window, Qt.Key.Key_R)
    strip = hall.window.strip
    qtbot.waitUntil(lambda: strip.isVisible() and strip.still and hall.window.cover.still, timeout=10000)
    assert [c.text() for c in strip.captions] == [
        "release: 41 cm below, ± 3",
        "top: 30 cm above, ± 3",
        "regrasp",
    ]
    images = [p.image for p in strip.pictures]
    assert images[0] != images[1] != images[2]
    assert [p.layers.t_ns for p in strip.pictures] == sorted(p.layers.t_ns or 0 for p in strip.pictures)
    hall.window.do("earlier")  # there is none before
    qtbot.keyClick(hall.window, Qt.Key.Key_R)
    qtbot.waitUntil(lambda: hall.window.picture.isVisible(), timeout=8000)


def test_clips_of_other_days_are_refused_in_words(tmp_path: Path) -> None:
    days = OtherDays(tmp_path)
    training_day(tmp_path / "1", DAY, (0.2,))
    assert isinstance(days.ask(ClipRequest(flight="1/r1-f1")), Clip)
    for flight, why in (("1/r9-f9", "no such flight"), ("../1/r1-f1", "no session of that name")):
        answer = days.ask(ClipRequest(flight=flight))
        assert isinstance(answer, Refused)
        assert why in answer.reason
    assert isinstance(days.ask(SnapshotRequest()), Refused)


def test_a_session_that_has_not_begun_has_no_past(tmp_path: Path) -> None:
    assert read_past(tmp_path / "none", tmp_path).here is None
    assert read_past(None, tmp_path).turns == ()


# --- nothing beeps, nothing flashes ---


def test_no_module_of_the_viewer_can_make_a_sound() -> None:
    silent = {"QtMultimedia", "QSoundEffect", "QSound", "QMediaPlayer", "QAudioSink", "QAudioOutput", "beep",
              "winsound", "simpleaudio", "sounddevice", "pyaudio", "QtTextToSpeech", "bell"}  # fmt: skip
    found = []
    for path in Path(overlay.__file__).parent.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            names: list[str] = []
            if isinstance(node, ast.Import):
                names = [part for alias in node.names for part in alias.name.split(".")]
            elif isinstance(node, ast.ImportFrom):
                names = [*(node.module or "").split("."), *(alias.name for alias in node.names)]
            elif isinstance(node, ast.Attribute):
                names = [node.attr]
            elif isinstance(node, ast.Constant) and isinstance(node.value, str) and "\a" in node.value:
                names = ["bell"]
            found += [f"{path.name}: {name}" for name in names if name in silent]
    assert found == []


class _Watched(gallery._Hall):
    """Led through every state of the gallery, its brightness noted at every picture painted."""

    lumas: list[float]

    def tick(self) -> None:
        super().tick()
        self.lumas.append(mean_luma(self.window.grab().toImage()))


@pytest.mark.parametrize("begin", ["dark", "light"])
def test_brightness_never_jumps_from_one_picture_to_the_next(qtbot: QtBot, begin: str) -> None:
    _Watched.lumas = []
    theme = LIGHT if begin == "light" else gallery.DARK
    hall = _Watched(gallery.Example(320), (480, 270), theme)
    hall.window._timer.stop()  # every picture is painted and measured here
    names = list(gallery._states(hall))
    hall.window.do("back")
    hall.window.do("theme")
    hall.settle()
    lumas = hall.lumas
    hall.window.close()
    assert len(names) >= 14
    steps = [abs(b - a) for a, b in itertools.pairwise(lumas)]
    assert max(lumas) - min(lumas) > 0.5  # from one sheet to the other, over pictures and none
    assert max(steps) <= JUMP, f"{max(steps):.4f} at picture {steps.index(max(steps))} of {len(steps)}"


def test_a_bright_picture_comes_slowly_and_stands_unveiled_in_the_end() -> None:
    level = calm.Calm(0.1)
    levels = []
    while not level.settled or not levels:
        level.follow(0.9)
        levels.append(level.level)
    assert len(levels) == 80
    assert max(b - a for a, b in itertools.pairwise(levels)) <= calm.STEP + 1e-9
    grey = QImage(64, 64, QImage.Format.Format_RGB32)
    grey.fill(0xFF808080)
    assert mean_luma(grey) == pytest.approx(128 / 255, abs=1e-6)


# --- readable from the bars, and by a screen reader ---


@pytest.mark.parametrize("size", [(1280, 800), (1920, 1080), (3840, 2160)])
def test_what_the_gymnast_reads_is_large_enough(
    qtbot: QtBot, turns: Turns, open_hall: Callable[..., Hall], size: tuple[int, int]
) -> None:
    """On a screen 0.69 m high (55 inches) at 8 m: capitals of 5 minutes of arc are 12 mm (normal sight).

    A font of 3.8 hundredths of the height has capitals of 19 mm there, the figure of 80 mm and more.
    """
    turns.begin(("A7", "coaching"))
    turns.turn("A7", 0.3)
    turns.turn("A7", 0.25)
    hall = open_hall(AT_ONCE, size)
    shows(hall, qtbot, "25 cm")
    window = hall.window
    part = min(size[1], size[0] * 100 / 177) / 100
    told = window.figure
    for words in (told.who, told.where, told.give, told.said, window.speed, window.others, window.counts):
        assert words.fontInfo().pixelSize() >= 3.7 * part, words.accessibleName()
        assert (
            words.fontMetrics()
            .boundingRect(0, 0, words.width(), 9999, int(Qt.TextFlag.TextWordWrap), words.text())
            .height()
            <= words.height() + 2
        ), f"{words.accessibleName()} is cut: {words.text()}"
    assert window.figure.number.fontInfo().pixelSize() >= 14 * part
    assert window.figure.number.fontMetrics().horizontalAdvance("25 cm") <= window.figure.width()


def test_every_part_has_a_name_for_a_screen_reader(
    qtbot: QtBot, turns: Turns, open_hall: Callable[..., Hall]
) -> None:
    turns.begin(("A7", "coaching"))
    turns.turn("A7", 0.3)
    hall = open_hall()
    shows(hall, qtbot, "30 cm")
    window = hall.window
    chooser, trend = window.chooser, window.trend
    wanted: list[QWidget] = [window, window.picture, window.ladder, trend.graph, trend.counted, window.card]
    wanted += [chooser, chooser.when, chooser.first, chooser.second, chooser.whom, window.choose]
    wanted += [*window.tag_buttons.values(), *window.page.findChildren(QLabel)]
    assert [type(part).__name__ for part in wanted if not part.accessibleName()] == []
    assert window.figure.number.accessibleDescription().startswith("hips at the highest point: 30 cm above")
    assert "made" in window.card.accessibleDescription()


def test_it_starts_and_quits_as_a_program(tmp_path: Path) -> None:
    folder = training_day(tmp_path / "sessions" / "1", DAY, (0.2,))
    start = """
import sys
from pathlib import Path
from overlay.hall.app import run_hall
from PySide6.QtCore import QTimer

def shown(window):
    def look():
        if window.figure.number.text() == "" or window.past.name == "":
            return
        timer.stop()
        print(window.figure.number.text(), window.past.name)
        window.do("quit")

    timer = QTimer(window)
    timer.timeout.connect(look)
    timer.start(100)

sys.exit(run_hall(Path(sys.argv[1]), None, Path(sys.argv[1]).parent, shown=shown))
"""
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", start, str(folder)],
        env=os.environ | {"QT_QPA_PLATFORM": "offscreen"},
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.split() == ["20", "cm", "1"]


def test_every_state_is_drawn(tmp_path: Path) -> None:
    paths = gallery.draw_hall(tmp_path, gallery.Example(160), [((640, 400), gallery.DARK)])
    names = {path.stem.split("-", 4)[4] for path in paths}
    assert {"waiting", "best-yet", "withheld", "trend", "guess-first", "not-filmed"} <= names
    assert all(QImage(str(path)).width() == 640 for path in paths)

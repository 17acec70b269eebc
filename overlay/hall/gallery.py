"""Draws every state of the hall's screen to PNG files, for people to look at. All of it is invented."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Final

import msgspec
from PySide6.QtWidgets import QApplication

from bridge.clock import ManualClock
from bridge.messages import Entry, Measure, Quantity, Reading, Routine, Snapshot, StartList, Tag
from bridge.turns import SetUp, Turn
from overlay.app import start_application
from overlay.desk import Connection, DeskThread
from overlay.example import Example
from overlay.feed import Feed
from overlay.hall.choices import Choices, for_family
from overlay.hall.history import Past
from overlay.hall.window import HallWindow
from overlay.pixels import decode_clip
from overlay.theme import DARK, LIGHT, Theme

SHEETS: Final = (
    ((1280, 800), DARK), ((1920, 1080), DARK), ((1920, 1080), LIGHT), ((3840, 2160), DARK),
)  # fmt: skip
HERE: Final = SetUp(
    preset="club",
    sizes={"high_bar_m": 2.4, "low_bar_m": 1.6, "inner_diagonal_m": 1.6, "mat_m": 0.12},
    place="", expected_u_m=0.016, distance_m=9.0, height_m=2.2, off_axis_rad=0.1,
)  # fmt: skip
TODAY: Final = date(2026, 11, 20)
HEIGHTS: Final = ((-25, (0.16, 0.19, 0.21, 0.18)), (-21, (0.20, 0.17, 0.24)), (-11, (0.22, 0.25, 0.21, 0.27)),
                  (-4, (0.24, 0.28, 0.26)))  # fmt: skip


def timed(reading: Reading, flight_s: float) -> Reading:
    """The reading with a time in the air."""
    measure = Measure(name="flight_time", quantity=Quantity(flight_s, 0.012, "s"), sentence="")
    return msgspec.structs.replace(reading, measures=(measure,))


def past_of(example: Example) -> Past:
    """Four training days of one invented gymnast, and one whose bars were set otherwise."""
    turns = []
    for days, heights in HEIGHTS:
        for i, height in enumerate(heights):
            reading = timed(example.reading(1, height, routine=i + 1), 0.62 + height / 4)
            turns.append(_turn(TODAY + timedelta(days=days), reading, HERE))
    other = replace(HERE, sizes={**HERE.sizes, "high_bar_m": 2.5})
    turns += [
        _turn(TODAY + timedelta(days=-18), timed(example.reading(1, h, routine=1), 0.7), other)
        for h in (0.31, 0.29)
    ]
    turns.sort(key=lambda t: t.day)
    return Past("today", HERE, TODAY, tuple(turns))


def _turn(day: date, reading: Reading, set_up: SetUp) -> Turn:
    return Turn(
        session=f"{day}", day=day, training=True, set_up=set_up, gymnast="A7", consent="coaching",
        reading=reading,
    )  # fmt: skip


def _no_desk() -> Connection:
    raise AssertionError("the gallery asks nothing of a desk")


class _Hall:
    """One window led through its states."""

    def __init__(self, example: Example, size: tuple[int, int], theme: Theme) -> None:
        self.example = example
        self.clock = ManualClock(10_000_000_000)
        self.feed = Feed(self.clock)
        self.window = HallWindow(self.feed, DeskThread(_no_desk), self.clock, theme, Choices(delay_s=0.0))
        self.window.resize(*size)
        self.window.show()
        self.readings: list[Reading] = []
        self.heights: dict[str, float] = {}
        self.numbers: list[str] = []

    def settle(self, least: int = 3) -> None:
        """Let everything that fades come to rest."""
        ticks = 0
        while ticks < least or not self.window.still:
            self.tick()
            ticks += 1
        QApplication.processEvents()

    def tick(self) -> None:
        """Let the screen go on by one picture."""
        QApplication.processEvents()
        self.window.tick()

    def turn(self, number: str, reading: Reading, height: float) -> None:
        """Another turn comes."""
        self.readings.append(reading)
        self.heights[reading.flight] = height
        self.numbers.append(number)
        self._publish()
        self.window.show_clip(reading.flight, decode_clip(self.example.clip(reading, height)))
        self.window.do("newest")
        if self.window.loop is not None:
            self.window.loop.freeze(reading.apex_ns)
        self.settle()

    def _publish(self, tags: Sequence[Tag] = ()) -> None:
        routines = tuple(
            Routine(routine=r.routine, start_number=n, begin_ns=r.release_ns, end_ns=r.end_ns)
            for r, n in zip(self.readings, self.numbers, strict=True)
        )
        entries = (
            Entry(number="A7", order=1, consent="coaching"),
            Entry(number="B2", order=2, consent="do not film"),
        )
        self.feed.put(
            Snapshot(
                seq=len(self.readings), scene=self.example.scene("band", True), routines=routines,
                readings=tuple(self.readings), tags=tuple(tags), start_list=StartList(entries=entries),
            )
        )  # fmt: skip
        self.settle()


def _states(hall: _Hall) -> Iterator[str]:
    """Lead the window from state to state; each name is yielded when the screen shows it."""
    example, window = hall.example, hall.window
    hall.settle()
    yield "waiting"
    for i, height in enumerate((0.22, 0.27, 0.24), 1):
        hall.turn("A7", timed(example.reading(1, height, routine=i), 0.66 + height / 5), height)
        if i == 1:
            yield "first-turn"
    yield "third-turn"
    window.take_past(past_of(example))
    window.gate.choices = window.gate.choices.with_measures(
        for_family("salto_regrasp"), ("apex", "flight_time")
    )
    hall.turn("A7", timed(example.reading(1, 0.33, routine=4), 0.74), 0.33)
    yield "best-yet"
    hall.turn("A7", timed(example.reading(1, -0.08, routine=5, band="too close to call",
              chances=(("level", 0.62), ("below", 0.38)), span=None), 0.6), -0.08)  # fmt: skip
    yield "below-too-close"
    hall.turn("A7", example.reading(1, 0.0, routine=6, state="withheld",
              reason="the camera was moved during the flight"), 0.0)  # fmt: skip
    yield "withheld"
    hall.turn("A7", example.reading(1, 0.6, routine=7, family="hop_regrasp", band=""), 0.6)
    yield "grip-change"
    hall.turn("B2", example.reading(1, 0.2, routine=8), 0.2)
    yield "not-filmed"
    hall.turn("", example.reading(1, 0.2, routine=9), 0.2)
    yield "nobody"
    window.gate.choices = msgspec.structs.replace(window.gate.choices, guess=True)
    hall.turn("A7", timed(example.reading(1, 0.29, routine=10, band="above"), 0.7), 0.29)
    yield "guess-first"
    window.do("guess_level")
    hall.settle()
    yield "guessed"
    window.gate.choices = Choices(when="some")
    for i in (11, 12):
        hall.turn("A7", timed(example.reading(1, 0.26, routine=i), 0.7), 0.26)
    yield "every-third"
    window.gate.choices = Choices(delay_s=0.0)
    window.do("see")
    window.do("three")
    hall.settle()
    yield "three-moments"
    window.do("beside")
    hall.settle()
    best = example.clip(example.reading(1, 0.33, routine=4), 0.33)
    window.take_answer(window.beside_tag, None, decode_clip(best))
    if window.loop is not None:
        window.loop.freeze(hall.readings[-1].apex_ns)
    hall.settle()
    yield "beside-her-best"
    window.do("beside")
    hall.settle()
    window.do("trend")
    hall.settle()
    yield "trend"
    window.do("back")
    hall.settle()
    window.do("choose")
    hall.settle()
    yield "chooser"
    window.do("back")
    window.do("keys")
    hall.settle()
    yield "keys"


def draw_hall(
    folder: Path,
    example: Example | None = None,
    sheets: Sequence[tuple[tuple[int, int], Theme]] = SHEETS,
) -> list[Path]:
    """Draw every state at each size and theme; returns the files.

    Raises:
        RailcrestError: Qt cannot start on this machine.
    """
    start_application()
    folder.mkdir(parents=True, exist_ok=True)
    drawn: list[Path] = []
    for size, theme in sheets:
        hall = _Hall(example or Example(1280), size, theme)
        for number, name in enumerate(_states(hall), 1):
            path = folder / f"hall-{size[0]}-{theme.name}-{number:02d}-{name}.png"
            hall.window.grab().save(str(path))
            drawn.append(path)
        hall.window.close()
        hall.window.deleteLater()
        QApplication.processEvents()
    return drawn

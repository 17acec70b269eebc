"""Draws every state of the screen to PNG files, for people to look at."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

import av
from PySide6.QtCore import QBuffer, QIODevice
from PySide6.QtWidgets import QApplication

from bridge.clock import ManualClock
from bridge.errors import RecordingError
from bridge.messages import (
    Clip,
    ClipRequest,
    Correction,
    Heartbeat,
    Look,
    Preview,
    Quantity,
    Reading,
    RoutineClipRequest,
    Ruling,
    Snapshot,
    Viewing,
)
from overlay.additions import add_all
from overlay.app import start_application
from overlay.desk import DeskThread
from overlay.example import HALF_NS, Example
from overlay.feed import Feed
from overlay.pixels import decode_clip
from overlay.policy import LEVELS
from overlay.recorded import RecordedSession
from overlay.replay import FrameStore
from overlay.side_by_side import SideBySidePage
from overlay.theme import DARK, LIGHT, Theme
from overlay.transport import FREEZES
from overlay.whole_routine import PIECE_BYTES, WholeRoutinePage
from overlay.window import Window, after_ns, moment_ns

SIZES: Final = ((1280, 800), (1920, 1080))


def _no_desk() -> object:
    raise AssertionError("the gallery asks nothing of a desk")


class _Scenes:
    """One window led through its states."""

    def __init__(self, example: Example, size: tuple[int, int], theme: Theme) -> None:
        self.example = example
        self.clock = ManualClock(10_000_000_000)
        self.feed = Feed(self.clock)
        self.desk = DeskThread(_no_desk)  # type: ignore[arg-type]
        self.window = Window(self.feed, self.desk, self.clock, theme)
        add_all(self.window)
        self.window.resize(*size)
        self.window.show()
        self.stores: dict[str, FrameStore[av.VideoFrame]] = {}

    def settle(self) -> None:
        """Let the window take what came and draw."""
        QApplication.processEvents()
        self.window.tick()
        QApplication.processEvents()

    def alive(self) -> None:
        """A heartbeat and a live picture."""
        now = self.clock.now_ns()
        image = self.example.frame(0.05, -HALF_NS // 3)
        buffer = QBuffer()
        buffer.open(QIODevice.OpenModeFlag.WriteOnly)
        image.scaledToWidth(960).save(buffer, "JPEG", 88)  # type: ignore[call-overload]
        self.feed.put(Preview(t_ns=now, jpeg=bytes(buffer.data().data()), scale=960 / image.width()))
        self.feed.put(self.example.pose(0.05, -HALF_NS // 3, now))
        self.feed.put(
            Heartbeat(
                feed="running", recorded=3600, measured=3600, dropped=0, fps=59.9, picture_age_ns=8_000_000
            )
        )
        self.settle()

    def choose(self, reading: Reading, apex_m: float) -> None:
        """Choose a flight, with its clip frozen at the apex."""
        if reading.flight not in self.stores:
            self.stores[reading.flight] = decode_clip(self.example.clip(reading, apex_m))
        self.window.state.choose(reading.flight)
        self.window.show_clip(reading.flight, self.stores[reading.flight])
        self.window.do("apex")
        self.settle()


def _states(scenes: _Scenes) -> Iterator[str]:
    """Lead the window from state to state; each name is yielded when the screen shows it."""
    example, window, feed = scenes.example, scenes.window, scenes.feed
    readings = example.readings()
    heights = (0.31, 0.02, -0.24, 0.11, 0.05, 0.42)
    scenes.settle()
    yield "waiting"
    feed.put(Snapshot(seq=1, scene=example.scene(), routines=(example.routine(),)))
    scenes.alive()
    yield "live-plain"
    window.do("line")
    scenes.alive()
    yield "live-line"
    for reading in readings:
        feed.put(reading)
    scenes.settle()
    scenes.choose(readings[1], heights[1])
    window.do("picture")
    yield "replay-plain"
    window.do("line")
    yield "replay-line"
    window.do("height")
    yield "replay-height"
    window.do("beside")
    yield "plain-beside-drawn"
    window.do("beside")
    window.do("number")
    yield "start-number"
    window.prompt.hide()
    window.do("band")
    window.do("measures")
    yield "measures"
    window.do("measures")
    window.do("family")
    yield "family"
    window.family.hide()
    for reading, height, name in zip(
        readings, heights, ("above", "level", "below", "too-close", "withheld", "provisional"), strict=True
    ):
        scenes.choose(reading, height)
        yield f"band-{name}"
    scenes.choose(readings[2], heights[2])
    window.do("speed_4")
    scenes.clock.advance(1_900_000_000)
    scenes.alive()
    yield "playing-quarter-speed"
    window.do("apex")
    window.do("by_hand")
    for _ in range(3):
        window.hand.step(0.0, 10.0)
    window.hand.say("Follows: 31 cm below, give or take 4 cm. Measured: 24 cm below, give or take 3 cm.")
    scenes.settle()
    yield "by-hand"
    window.do("live")
    made = Correction(
        flight=readings[2].flight, t_ns=readings[2].apex_ns, by="panel", wall_time="2026-11-25T14:30:12",
        hips=example.hip(heights[2] - 0.07, 0),
        height=Quantity(-0.31, 0.018, "m"), measured=readings[2].apex, band="below", band_p=0.99,
    )  # fmt: skip
    feed.put(made)
    scenes.settle()
    yield "corrected-by-hand"
    window.stage.zoom_by(2.2)
    yield "zoomed"
    window.stage.whole()
    window.ruling.mark("below")
    window.ruling.take_focus()
    feed.put(Ruling(flight=readings[2].flight, decision="below", note="both judges agree", by="panel",
                    wall_time="2026-11-25T14:32:05"))  # fmt: skip
    scenes.settle()
    yield "ruling"
    feed.put(Look(flight=readings[2].flight, routine=1, by="panel", lasted_s=20.0, stills=("release", "apex"),
                  views=(Viewing(speed=1.0, level="picture", passes=1.0),
                         Viewing(speed=0.25, level="line", passes=2.0)),
                  wall_time="2026-11-25T14:31:40"))  # fmt: skip
    scenes.settle()
    yield "looks-on-record"
    window.do("keys")
    yield "keys"
    window.do("keys")
    scenes.clock.advance(4_000_000_000)
    scenes.settle()
    yield "feed-lost-in-replay"
    window.do("live")
    scenes.settle()
    yield "feed-lost"


def _session_states(scenes: _Scenes, folder: Path) -> Iterator[str]:
    """Lead the window through the flights of a recorded session, at every level and moment."""
    recorded, window = RecordedSession(folder, "band"), scenes.window
    snapshot = recorded.snapshot()
    scenes.feed.put(snapshot)
    scenes.settle()
    yield from _routine_states(scenes, recorded, snapshot)
    yield from _side_by_side_states(scenes, recorded, snapshot)
    for reading in snapshot.readings:
        answer = recorded.clip(ClipRequest(flight=reading.flight, after_ns=after_ns(reading)))
        if not isinstance(answer, Clip):
            continue
        window.state.choose(reading.flight)
        window.show_clip(reading.flight, decode_clip(answer))
        for level in LEVELS:
            window.do(level)
            window.do("apex")
            scenes.settle()
            yield f"{reading.flight}-{level}"
        for moment in FREEZES:
            if moment != "apex" and moment_ns(reading, moment):
                window.do(moment)
                scenes.settle()
                yield f"{reading.flight}-at-{moment}"
        window.do("measures")
        scenes.settle()
        yield f"{reading.flight}-measures"
        window.do("measures")
        window.do("beside")
        window.do("apex")
        scenes.settle()
        yield f"{reading.flight}-plain-beside-drawn"
        window.do("beside")


def _routine_states(scenes: _Scenes, recorded: RecordedSession, snapshot: Snapshot) -> Iterator[str]:
    """Play the whole routine to the top of its flights."""
    window = scenes.window
    window.do("whole_routine")
    page = window.page
    if not isinstance(page, WholeRoutinePage) or page.reel is None:
        return
    for reading in snapshot.readings[-1:]:
        for level in ("picture", "height"):
            window.do(level)
            page.reel.jump(reading.apex_ns)
            while (place := page.reel.next_wanted()) is not None:
                begin_ns, length_ns = page.reel.span(place)
                request = RoutineClipRequest(routine=reading.routine, begin_ns=begin_ns, length_ns=length_ns)
                try:
                    answer = recorded.piece(request)
                except RecordingError as error:
                    page.reel.fail(place, str(error))
                    continue
                if isinstance(answer, Clip):
                    page.reel.put(place, decode_clip(answer, PIECE_BYTES))
            page.tick()
            scenes.settle()
            yield f"whole-routine-{level}"
    window.do("picture")
    window.do("whole_routine")


def _side_by_side_states(scenes: _Scenes, recorded: RecordedSession, snapshot: Snapshot) -> Iterator[str]:
    """Set another flight beside the last but one."""
    window = scenes.window
    window.state.choose(snapshot.readings[-2 if len(snapshot.readings) > 1 else -1].flight)
    window.do("side_by_side")
    page = window.page
    if isinstance(page, SideBySidePage):
        for place, side in enumerate(page.sides):
            answer = recorded.clip(side.asked) if side.asked is not None else None
            if isinstance(answer, Clip):
                page.put(place, decode_clip(answer, PIECE_BYTES))
        for level, moment in (("picture", "release"), ("height", "apex")):
            window.do(level)
            window.do(moment)
            scenes.settle()
            yield f"side-by-side-at-{moment}"
    window.do("picture")
    window.do("side_by_side")


def draw_gallery(
    folder: Path, say: Callable[[str], None] | None = None, session: Path | None = None
) -> list[Path]:
    """Draw every state at two sizes, light and dark.

    Args:
        folder: where the PNG files go; it is made if need be.
        say: called with each file's name.
        session: a recorded session to draw from, instead of the invented one.

    Raises:
        RailcrestError: Qt cannot start on this machine, or the session cannot be read.
    """
    start_application()
    folder.mkdir(parents=True, exist_ok=True)
    drawn: list[Path] = []
    for size, theme in ((SIZES[0], LIGHT), (SIZES[1], LIGHT), (SIZES[1], DARK)):
        scenes = _Scenes(Example(1280), size, theme)
        states = _states(scenes) if session is None else _session_states(scenes, session)
        for number, name in enumerate(states, start=1):
            QApplication.processEvents()
            path = folder / f"{size[0]}-{theme.name}-{number:02d}-{name}.png"
            scenes.window.grab().save(str(path))
            drawn.append(path)
            if say is not None:
                say(path.name)
        scenes.window.close()
        scenes.window.deleteLater()
        QApplication.processEvents()
    return drawn

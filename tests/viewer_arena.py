"""A small capture side for the viewer's tests: the real bus, an invented session, real H.264 clips."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field

import msgspec
from PySide6.QtCore import QBuffer, QIODevice

from bridge.bus import Addresses, DeskClient, Publisher, SessionFeed
from bridge.clock import SystemClock
from bridge.errors import RecordingError
from bridge.messages import (
    Accepted,
    Answer,
    ClipRequest,
    Heartbeat,
    Policy,
    Preview,
    Reading,
    RulingRequest,
    SnapshotRequest,
)
from overlay.desk import DeskThread
from overlay.example import Example
from overlay.feed import Feed, FeedThread
from overlay.window import Window
from tests.conftest import Bus

EXAMPLE = Example(320)
HEIGHTS = (0.31, 0.02, -0.24, 0.11, 0.05, 0.42)
WALL_TIME = "2026-03-01T10:15:00"


@dataclass
class Arena:
    """Publishes heartbeats until told to fall silent; answers for clips, rulings and snapshots."""

    publisher: Publisher
    heights: dict[str, float] = field(default_factory=dict)
    rulings: list[RulingRequest] = field(default_factory=list)
    clips: list[ClipRequest] = field(default_factory=list)
    cut_after_end: bool = False  # as when the pictures after the flight are not yet on the disk
    camera: str = ""
    space_s: float | None = None

    def __post_init__(self) -> None:
        self._quiet = threading.Event()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._beat)
        self._thread.start()

    def _beat(self) -> None:
        while not self._stop.wait(0.15):
            if not self._quiet.is_set():
                self.publisher.publish(
                    Heartbeat(
                        feed="running",
                        recorded=9,
                        measured=9,
                        dropped=0,
                        fps=60.0,
                        picture_age_ns=0,
                        reading_seq=self.publisher.records.seq,
                        camera=self.camera,
                        space_s=self.space_s,
                    ),
                    t_ns=0,
                )

    def silence(self, quiet: bool) -> None:
        """Stop or go on sending heartbeats."""
        (self._quiet.set if quiet else self._quiet.clear)()

    def stop(self) -> None:
        self._stop.set()
        self._thread.join(5)

    def begin(self, policy: Policy = "band", training: bool = False) -> None:
        """Publish the scene and the first routine."""
        self.publisher.publish(EXAMPLE.scene(policy, training), t_ns=0)
        self.publisher.publish(EXAMPLE.routine(), t_ns=0)

    def flight(self, place: int, **change: object) -> Reading:
        """Publish one of the example's readings."""
        reading = msgspec.structs.replace(EXAMPLE.readings()[place], **change)
        self.heights[reading.flight] = HEIGHTS[place]
        self.publisher.publish(reading, t_ns=reading.end_ns)
        return reading

    def preview(self) -> None:
        """Publish one live picture."""
        buffer = QBuffer()
        buffer.open(QIODevice.OpenModeFlag.WriteOnly)
        EXAMPLE.frame(0.1, 0).save(buffer, "JPEG")  # type: ignore[call-overload]
        self.publisher.publish(Preview(t_ns=1, jpeg=bytes(buffer.data().data()), scale=1.0), t_ns=1)

    def handlers(self) -> dict[type, object]:
        return {SnapshotRequest: self._snapshot, ClipRequest: self._clip, RulingRequest: self._rule}

    def _snapshot(self, _request: SnapshotRequest) -> Answer:
        return self.publisher.records.snapshot()

    def _clip(self, request: ClipRequest) -> Answer:
        self.clips.append(request)
        reading = self.publisher.records.reading(request.flight)
        if reading is None or request.flight not in self.heights:
            raise RecordingError(f"{request.flight}: no such flight in the recording")
        clip = EXAMPLE.clip(reading, self.heights[request.flight])
        return msgspec.structs.replace(clip, end_ns=reading.end_ns) if self.cut_after_end else clip

    def _rule(self, request: RulingRequest) -> Answer:
        self.rulings.append(request)
        self.publisher.publish(msgspec.structs.replace(request.ruling, wall_time=WALL_TIME), t_ns=0)
        return Accepted()


def arena_on(bus: Bus) -> tuple[Arena, Addresses]:
    """An arena with its desk served, and where it is found."""
    publisher = bus.publisher()
    arena = Arena(publisher)
    desk = bus.desk(publisher, arena.handlers())  # type: ignore[arg-type]
    return arena, desk.addresses


class Viewer:
    """A window with its threads on a real bus."""

    def __init__(self, addresses: Addresses) -> None:
        clock = SystemClock()
        self.feed = Feed(clock)
        self.desk = DeskThread(lambda: DeskClient(addresses))
        self.receiver = FeedThread(lambda: SessionFeed(addresses), self.feed)
        self.window = Window(self.feed, self.desk, clock)
        self.receiver.start()
        self.desk.start()
        self.window.show()

    def close(self) -> None:
        self.window.close()
        assert self.receiver.stop(), "the feed thread did not end"
        assert self.desk.stop(), "the desk thread did not end"

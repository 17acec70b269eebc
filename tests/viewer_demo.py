"""The shipped demo session on a real bus, answered from its recording, for the viewer's tests."""

from __future__ import annotations

import shutil
import threading
from pathlib import Path

import msgspec

from bridge.bus import Addresses
from bridge.clock import SystemClock
from bridge.messages import (
    Accepted,
    Answer,
    ClipRequest,
    Heartbeat,
    Policy,
    Reading,
    RulingRequest,
    SnapshotRequest,
)
from overlay.recorded import RecordedSession
from tests.conftest import Bus

DEMO = Path(__file__).parents[1] / "recorded_sessions" / "demo"
NUMBER = "114"  # a start number, invented


def copy_of_demo(folder: Path) -> Path:
    """A copy that may be written to."""
    folder.mkdir(parents=True)
    for file in DEMO.iterdir():
        if not file.name.endswith(("-shm", "-wal")):
            shutil.copy(file, folder / file.name)
    return folder


class DemoArena:
    """Publishes what the recording holds when told to; clips come from its segments."""

    def __init__(self, bus: Bus, folder: Path, policy: Policy = "band", training: bool = False) -> None:
        self.folder = folder
        self.recorded = RecordedSession(folder, policy)
        whole = self.recorded.snapshot()
        self.scene = msgspec.structs.replace(whole.scene, training=training)
        self.routine = msgspec.structs.replace(whole.routines[0], start_number=NUMBER)
        self.readings = whole.readings
        self.clock = SystemClock()
        self.publisher = bus.publisher()
        self.addresses: Addresses = bus.desk(self.publisher, self.handlers()).addresses
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._beat)
        self._thread.start()

    def begin(self) -> None:
        """The scene, the routine and every flight."""
        for body in (self.scene, self.routine, *self.readings):
            self.publisher.publish(body, t_ns=0)

    def flight(self, number: int) -> Reading:
        """The routine's flight of this number."""
        return self.readings[number - 1]

    def handlers(self) -> dict[type, object]:
        """What the desk answers."""
        return {
            SnapshotRequest: lambda _: self.publisher.records.snapshot(),
            ClipRequest: self.recorded.clip,
            RulingRequest: self._rule,
        }

    def _rule(self, request: RulingRequest) -> Answer:
        self.publisher.publish(self.recorded.enter(request.ruling, self.clock.now_ns()), t_ns=0)
        return Accepted()

    def _beat(self) -> None:
        while not self._stop.wait(0.2):
            self.publisher.publish(
                Heartbeat(
                    feed="running", recorded=9, measured=9, dropped=0, fps=60.0, picture_age_ns=0,
                    reading_seq=self.publisher.records.seq, waiting=self.waiting, step=self.step,
                    space_s=self.space_s,
                ),
                t_ns=0,
            )  # fmt: skip

    waiting, step = 0, 1
    space_s: float | None = None

    def stop(self) -> None:
        """Stop beating."""
        self._stop.set()
        self._thread.join(5)

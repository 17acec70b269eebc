"""The shipped demo session on a real bus, for the viewer's tests.

The desk answers with capture's own parts, from the recording, the rig file and the band table; only the
pictures are not measured again.
"""

from __future__ import annotations

import shutil
import threading
from pathlib import Path

import msgspec

from bridge.bus import Addresses
from bridge.clock import SystemClock
from bridge.journal import FILE as JOURNAL_FILE
from bridge.journal import Journal
from bridge.messages import (
    Accepted,
    Answer,
    ClipRequest,
    FamilyRequest,
    Heartbeat,
    Policy,
    Reading,
    RulingRequest,
    SnapshotRequest,
)
from bridge.session import Session
from capture.bands import common_practice
from capture.by_hand import ByHand
from capture.camera import view_of
from capture.family import FamilyChoices
from capture.rig import load_rig
from capture.station import ASKED_AT_TABLE
from capture.table_desk import TableDesk
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
        view = view_of(load_rig(folder / "rig.toml"))
        self.journal = Journal(folder / JOURNAL_FILE, write=True)
        self.families = FamilyChoices(common_practice(), view, self.readings)
        self.publisher = bus.publisher()
        self.table = TableDesk(
            Session.open(folder),
            self.journal,
            self.publisher,
            ByHand(common_practice(), view),
            routines=lambda: (self.routine,),
            unfilmed=lambda _: False,
            now_ns=self.clock.now_ns,
        )
        self.addresses: Addresses = bus.desk(self.publisher, self.handlers()).addresses
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._beat)
        self._thread.start()

    def begin(self) -> None:
        """The scene, the routine and every flight."""
        for body in (self.scene, self.routine, *self.readings):
            self.publisher.publish(body, t_ns=0)

    def put(self, reading: Reading) -> None:
        """Tell a reading that was measured otherwise."""
        self.publisher.publish(self.families.take(reading), t_ns=0)

    def flight(self, number: int) -> Reading:
        """The routine's flight of this number."""
        return self.readings[number - 1]

    def handlers(self) -> dict[type, object]:
        """What the desk answers."""
        return {
            SnapshotRequest: lambda _: self.publisher.records.snapshot(),
            ClipRequest: self.recorded.clip,
            RulingRequest: self._rule,
            FamilyRequest: self._change_family,
            **dict.fromkeys(ASKED_AT_TABLE, self.table.answer),
        }

    def _change_family(self, request: FamilyRequest) -> Answer:
        self.publisher.publish(self.families.choose(request.flight, request.family), t_ns=0)
        self.table.family_changed(request.flight)
        return Accepted()

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
        """Stop beating, and close the journal."""
        self._stop.set()
        self._thread.join(5)
        self.journal.close()

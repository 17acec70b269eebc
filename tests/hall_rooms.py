"""A training hall for tests: real session folders of several days, and the hall's window on a real bus."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime, time
from pathlib import Path

import msgspec

from bridge.bus import Addresses, DeskClient, SessionFeed
from bridge.clock import SystemClock
from bridge.journal import Consent, Gymnast
from bridge.messages import (
    Entry,
    Measure,
    Outcome,
    Quantity,
    Reading,
    Routine,
    StartList,
    Tag,
)
from bridge.session import SessionWriter, new_manifest
from overlay.desk import DeskThread
from overlay.feed import Feed, FeedThread
from overlay.hall.choices import Choices
from overlay.hall.history import OtherDays
from overlay.hall.window import HallWindow
from overlay.recorded import FolderDesk, FolderSource
from tests.sessions import TIMES_NS, invented_reading, write_segment
from tests.viewer_arena import EXAMPLE, Arena

RIG = """format = 1
[apparatus]
preset = "club"
high_bar_m = {high_bar_m}
low_bar_m = 1.60
inner_diagonal_m = 1.60
mat_m = 0.12
"""
CAMERA = {"expected_u_m": 0.016, "distance_m": 9.0, "height_m": 2.2, "off_axis_rad": 0.1}


def training_day(
    folder: Path,
    day: date,
    heights_m: Sequence[float],
    *,
    gymnast: str = "A7",
    consent: Consent = "coaching",
    outcomes: Sequence[Outcome] = (),
    high_bar_m: float = 2.4,
    camera: dict[str, float] | None = None,
    training: bool = True,
    family: str = "salto_regrasp",
) -> Path:
    """A closed session with one flight a turn, all of one invented gymnast, over real pictures."""
    manifest = new_manifest(
        f"Turns in Larkmoor hall, {day}",
        rig_toml=RIG.format(high_bar_m=high_bar_m),
        now=datetime.combine(day, time(17, 0), UTC),
        keep_days=3650,
        camera=camera or CAMERA,
        table="invented 2026",
        training=training,
        policy="band",
    )
    with SessionWriter(folder, manifest) as writer:
        write_segment(folder, TIMES_NS)
        journal = writer.journal
        if gymnast:
            journal.append(Gymnast(start_number=gymnast, consent=consent), 0)
        for i, height in enumerate(heights_m):
            at = 10 + 16 * i
            reading = invented_reading(
                1, at, at + 5, at + 10, flight=f"r{i + 1}-f1", routine=i + 1, family=family,
                apex=Quantity(height, 0.014, "m"),
                measures=(Measure(name="flight_time", quantity=Quantity(0.70, 0.01, "s"), sentence=""),),
            )  # fmt: skip
            begin_ns, end_ns = TIMES_NS[at], TIMES_NS[at + 12]
            routine = Routine(routine=i + 1, start_number=gymnast, begin_ns=begin_ns, end_ns=end_ns)
            journal.append(routine, begin_ns)
            journal.append(reading, reading.end_ns)
        for i, outcome in enumerate(outcomes):
            journal.append(Tag(flight=f"r{i + 1}-f1", outcome=outcome, by="coach"), 0)
    return folder


def start_list(*entries: tuple[str, Consent]) -> StartList:
    """A start list of these numbers and consents."""
    return StartList(
        entries=tuple(Entry(number=n, order=i + 1, consent=c) for i, (n, c) in enumerate(entries))
    )


class Turns:
    """Publishes turns of the invented session over the arena's bus."""

    def __init__(self, arena: Arena, addresses: Addresses) -> None:
        self.arena, self.addresses = arena, addresses
        self.count = 0

    def begin(self, *entries: tuple[str, Consent]) -> None:
        """Publish the scene of a training session, and a start list."""
        self.arena.publisher.publish(EXAMPLE.scene("band", True), t_ns=0)
        self.arena.publisher.publish(start_list(*entries), t_ns=0)

    def turn(self, number: str, height_m: float, **more: object) -> Reading:
        """Publish a turn of one flight; ``more`` changes its reading."""
        self.count += 1
        reading = EXAMPLE.reading(1, height_m, routine=self.count)
        measure = Measure(name="flight_time", quantity=Quantity(0.66, 0.012, "s"), sentence="")
        return self.publish(number, height_m, msgspec.structs.replace(reading, measures=(measure,), **more))

    def publish(self, number: str, height_m: float, reading: Reading, *, over: bool = True) -> Reading:
        """Publish a reading and whose it is; ``over``: she is off the bars."""
        self.arena.heights[reading.flight] = height_m
        begun = EXAMPLE.routine(reading.routine, number)
        routine = msgspec.structs.replace(begun, end_ns=reading.end_ns) if over else begun
        self.arena.publisher.publish(routine, t_ns=0)
        self.arena.publisher.publish(reading, t_ns=reading.end_ns)
        return reading


class Hall:
    """The hall's window with its threads, on a real bus or on a session folder."""

    def __init__(
        self,
        addresses: Addresses | None = None,
        folder: Path | None = None,
        choices: Choices | None = None,
        size: tuple[int, int] = (1280, 720),
        root: Path | None = None,
    ) -> None:
        clock = SystemClock()
        self.feed = Feed(clock)
        if folder is not None:
            self.desk = DeskThread(lambda: FolderDesk(folder, clock))
            self.receiver = FeedThread(lambda: FolderSource(folder, clock), self.feed)
        else:
            assert addresses is not None
            self.desk = DeskThread(lambda: DeskClient(addresses))
            self.receiver = FeedThread(lambda: SessionFeed(addresses), self.feed)
        self.others = DeskThread(lambda: OtherDays(root)) if root is not None else None
        self.window = HallWindow(self.feed, self.desk, clock, choices=choices, others=self.others)
        self.window.resize(*size)
        self.receiver.start()
        self.desk.start()
        if self.others is not None:
            self.others.start()
        self.window.show()

    def close(self) -> None:
        self.window.close()
        assert self.receiver.stop(), "the feed thread did not end"
        assert self.desk.stop(), "the desk thread did not end"
        assert self.others is None or self.others.stop(), "the thread of other days did not end"

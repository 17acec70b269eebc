"""The process at the arena: records every picture, measures it, publishes, and answers the desk.

Threads, none of which waits for a viewer: one reads the feed; one codes and records every picture in
order; one decodes what was recorded and one measures it (see capture.settling); one sends previews of
the newest picture; one answers the desk, one beats the heart. Recording goes before measuring, and measuring
before previews: where the machine cannot measure every picture of a live feed at once, all are recorded
all the same and measured as time allows.
"""

from __future__ import annotations

import contextlib
import logging
import os
import queue
import sys
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, Literal

import cv2
import msgspec
import numpy as np

from bridge.bus import Addresses, Desk, Publisher, remove_run_file, write_run_file
from bridge.clock import Clock
from bridge.errors import RailcrestError
from bridge.journal import Note, Pause
from bridge.messages import (
    Accepted,
    Answer,
    Clip,
    ClipRequest,
    CorrectionRequest,
    EntryRequest,
    FamilyRequest,
    Handstand,
    Heartbeat,
    LookRequest,
    PartRequest,
    Point,
    Pose,
    Preview,
    Reading,
    RecordBody,
    Refused,
    Routine,
    RoutineClipRequest,
    Ruling,
    RulingRequest,
    Scene,
    SnapshotRequest,
    StartList,
    Tag,
    TagRequest,
)
from bridge.removal import keep_unfilmed_out
from bridge.running_order import CARE, PAUSE_WORDS, RunningOrder
from bridge.session import Manifest, Session, SessionWriter
from capture.backlog import Ahead, Backlog, Unpacker, Waiting
from capture.camera_guard import withheld
from capture.family import FamilyChoices
from capture.feeds import Feed, Frame, Image
from capture.handstands import Record
from capture.lookout import Lookout
from capture.observation import JointObservation
from capture.pipeline import Pipeline, Step
from capture.segments import Segments
from capture.settling import Settling
from capture.table_desk import TableDesk

log = logging.getLogger(__name__)

QUEUE: Final = 48  # pictures that recording may lag behind, 300 MB at 1080p,
QUEUE_MEMORY: Final = 320 * 1024 * 1024  # bytes of them: fewer of larger pictures
FEED_END_S: Final = 3.0  # a feed that is told to end has this long, then it is left behind
MEASURE_END_S: Final = 1.5  # after a stop what was recorded is still measured for so long
MEASURING_NICE: Final = 2  # recording first, then measuring, then previews
PREVIEW_NICE: Final = 5
PREVIEW_WIDTH: Final = 960
PREVIEW_INTERVAL_S: Final = 1 / 25
JPEG_QUALITY: Final = 80
BLANK_INTERVAL_S: Final = 0.5
BLANK_GREY: Final = 60
UNFILMED: Final = "the gymnast is not to be filmed"
ASKED_AT_TABLE: Final = (RoutineClipRequest, LookRequest, CorrectionRequest)
HEARTBEAT_S: Final = 0.5
NS: Final = 1_000_000_000
AWAY_NS: Final = 3 * NS // 2  # a live feed without a picture for so long is told as lost


@dataclass(frozen=True, slots=True)
class Station:
    """Everything one run of capture needs."""

    feed: Feed
    pipeline: Pipeline
    scene: Scene
    folder: Path
    manifest: Manifest  # of the session, when the folder is new
    addresses: Addresses
    clock: Clock
    live: bool  # a live feed does not wait for measuring
    stay: bool  # keep answering the desk after the feed has ended, until told to stop
    still: bytes | None = None  # PNG of the survey, kept in the session
    start_list: EntryRequest | None = None  # loaded before the first picture

    def run(self, stop: threading.Event, ready: Callable[[Addresses], None] | None = None) -> int:
        """Work until the feed has ended, or ``stop`` is set.

        Args:
            stop: set to end early; what was recorded stays whole.
            ready: told the bus's addresses once it is open.

        Returns:
            Number of flights that were read.

        Raises:
            BusError: a port is in use; the session folder is not touched then.
            RecordingError: another capture records into the folder, or the disk is full.
        """
        return _Run(self, stop).work(ready)


@dataclass(slots=True)
class _Count:
    recorded: int = 0
    measured: int = 0
    newest_ns: int = 0  # clock time at which the newest picture came
    fps: float = 0.0
    ended: bool = False


class _Run:
    """State of one run, shared by its threads."""

    _publisher: Publisher
    _writer: SessionWriter
    _session: Session
    _backlog: Backlog
    _ahead: Ahead
    _settling: Settling
    _order: RunningOrder
    _families: FamilyChoices
    _table: TableDesk
    _unpacker: Unpacker

    def __init__(self, station: Station, stop: threading.Event) -> None:
        self._at = station
        self._stop = stop
        self._count = _Count()
        self._failure: RailcrestError | None = None
        width, height = station.feed.info.size
        most = min(QUEUE, max(8, QUEUE_MEMORY // (3 * width * height)))
        self._to_record: queue.Queue[Frame | None] = queue.Queue(most)
        self._recorded_all, self._measured_all = threading.Event(), threading.Event()
        self._seen: queue.SimpleQueue[JointObservation] = queue.SimpleQueue()
        self._newest: Frame | None = None
        self._segments = Segments(station.folder, station.feed.info, 1)
        self._pause: Pause | None = None  # under way
        self._passing: queue.Queue[Frame] = queue.Queue(1)  # pictures of a pause, to be looked at only
        self._ends: deque[int] = deque()  # last pictures of segments that a pause ended
        self._looked_out = False  # at least once
        self._taken_ns = 0  # of the picture that was measured last
        self._lookout: Lookout | None = None
        self._fresh = threading.Event()
        self._flights: set[str] = set()
        self._reading = threading.Lock()  # a reading is taken, journalled and told as one

    def work(self, ready: Callable[[Addresses], None] | None) -> int:
        at = self._at
        name = at.folder.name
        source = f"capture-{time.time_ns():x}"
        handlers: dict[type, Callable[[Any], Answer]] = {
            SnapshotRequest: lambda _: self._publisher.records.snapshot(),
            ClipRequest: self._clip,
            RulingRequest: self._rule,
            TagRequest: self._tag,
            FamilyRequest: self._change_family,
            **{kind: lambda request: self._table.answer(request) for kind in ASKED_AT_TABLE},
            EntryRequest: lambda request: self._order.answer(request),
            PartRequest: lambda request: self._order.answer(request),
        }
        # The bus first: when a port is in use, nothing has been written yet.
        with Publisher(at.addresses, name, source) as self._publisher:
            desk = Desk(self._publisher.addresses, name, source, handlers, at.clock)
            with desk, SessionWriter(at.folder, at.manifest, now_ns=at.clock.now_ns()) as self._writer:
                if at.still is not None:
                    self._writer.keep_survey(at.still)
                self._session = Session.open(at.folder)
                write_run_file(at.folder, name, desk.addresses)
                self._publisher.publish(at.scene, at.clock.now_ns())
                rows = self._writer.journal.rows("reading")
                readings = [e for row in rows if isinstance(e := row.entry(), Reading)]
                self._families = at.pipeline.family_choices(readings)
                for reading in self._writer.journal.readings():  # of an earlier segment
                    self._publisher.publish(reading, reading.end_ns)
                journal = self._writer.journal
                earlier: tuple[RecordBody, ...] = (
                    *journal.handstands(), *journal.rulings(), *journal.tags()
                )  # fmt: skip
                for said in earlier:
                    self._publisher.publish(said, at.clock.now_ns())
                self._begin_order()
                self._begin_table()
                self._segments = Segments(at.folder, at.feed.info, self._writer.segment)
                last = max((r.routine for r in self._writer.journal.routines()), default=0)
                self._settling = Settling(at.pipeline.again(last))
                as_it_came = at.feed.info.coded_as is not None
                self._backlog = Backlog(at.folder, as_it_came=as_it_came, wait=not at.live)
                self._ahead = Ahead(self._backlog, lambda: self._unpacker)
                if ready:
                    ready(desk.addresses)
                if self._writer.taken_over:
                    log.warning("%s; what it left is made whole meanwhile", self._writer.taken_over)
                self._work_with(desk)
                for text in self._writer.repaired:
                    log.warning("repaired: %s", text)
                if self._failure is None:
                    keep_unfilmed_out(at.folder, self._writer.journal, at.clock.now_ns())
                    self._warn_of_unmeasured()
        if self._failure is not None:
            raise self._failure
        return len(self._flights)

    def _work_with(self, desk: Desk) -> None:
        """Run the threads until the feed has ended, a stop comes, or one fails."""
        closing = threading.Event()
        helpers = [
            threading.Thread(target=desk.run, args=(closing,), name="desk"),
            threading.Thread(target=self._beat, args=(closing,), name="heartbeat"),
            threading.Thread(target=self._preview, args=(closing,), name="preview"),
        ]
        # A camera that hangs must not keep the process from ending.
        feed = threading.Thread(target=self._guard, args=(self._read,), name="feed", daemon=True)
        workers = [
            threading.Thread(target=self._guard, args=(task,), name=name)
            for name, task in (
                ("record", self._record),
                ("decode", self._decode),
                ("measure", self._measure),
            )
        ]
        for thread in (*helpers, feed, *workers):
            thread.start()
        try:
            while any(thread.is_alive() for thread in workers) and not self._stop.is_set():
                workers[-1].join(0.1)
                if not workers[-1].is_alive():
                    workers[0].join(0.1)
            if not self._stop.is_set():
                self._count.ended = True
                while self._at.stay and not self._stop.wait(0.1):
                    pass
        finally:
            self._stop.set()
            self._at.feed.close()
            feed.join(FEED_END_S)
            if feed.is_alive():
                log.warning("%s: does not end; left behind", self._at.feed.info.name)
                self._put(None)
            for thread in workers:  # what has come is recorded, whatever it takes
                thread.join()
            self._ahead.drop()
            if left := self._backlog.dropped:
                log.warning("%d pictures were recorded but not measured; railcrest measure does", left)
            closing.set()
            self._fresh.set()
            for thread in helpers:
                thread.join()
            remove_run_file(self._at.folder)

    def _guard(self, task: Callable[[], None]) -> None:
        """Run a thread's task; when it fails, the others end too and the failure is kept."""
        try:
            task()
        except Exception as error:
            if not isinstance(error, RailcrestError):
                log.exception("capture failed")
                error = RailcrestError(f"capture failed: {error!r}")
            self._failure = self._failure or error
            self._stop.set()
            self._ahead.drop()

    # --- the feed's thread ---

    def _read(self) -> None:
        at, last_ns = self._at, None
        try:
            for frame in at.feed:
                if last_ns is not None:
                    rate = NS / (frame.t_ns - last_ns)
                    self._count.fps += 0.05 * (rate - self._count.fps)
                last_ns = frame.t_ns
                self._count.newest_ns = at.clock.now_ns()
                self._newest = frame
                self._fresh.set()
                self._put(frame)
                if self._stop.is_set():
                    return
        finally:
            self._put(None)
        if at.feed.problem:
            log.warning("%s", at.feed.problem)

    def _put(self, item: Frame | None) -> None:
        while not self._recorded_all.is_set():
            with contextlib.suppress(queue.Full):
                self._to_record.put(item, timeout=0.2)
                return

    # --- the recorder's thread ---

    def _record(self) -> None:
        segments = self._segments
        try:
            for frame in iter(self._to_record.get, None):
                if why := self._order.withheld:
                    self._hold(why, frame)
                    continue
                self._let_go(frame.t_ns)
                kept = segments.write(frame)
                if kept is None:
                    continue
                if self._count.recorded == 0:
                    assert segments.described is not None
                    self._unpacker = Unpacker(segments.described)
                self._count.recorded += 1
                self._backlog.put(kept)
                self._write_seen()
            self._backlog.close()
            while not self._measured_all.wait(0.02):  # what is still being measured
                self._write_seen()
            self._write_seen()
            self._let_go(self._now_ns())
        finally:
            self._recorded_all.set()
            self._backlog.close()
            segments.close()

    def _write_seen(self) -> None:
        while not self._seen.empty():
            self._segments.write_joints(self._seen.get())

    def _hold(self, why: Literal["break", "warm-up", "do not film"], frame: Frame) -> None:
        """Keep nothing of a picture; it is only looked at, to see who comes and goes."""
        if self._pause is None or self._pause.why != why:
            self._let_go(frame.t_ns)
            last_ns = self._segments.end()
            if last_ns is not None or not self._looked_out:
                self._ends.append(last_ns or 0)
                self._looked_out = True
            self._pause = Pause(begin_ns=frame.t_ns, why=why)
            self._writer.journal.append(self._pause, frame.t_ns)
            self._order.pause(PAUSE_WORDS[why])
        self._write_seen()
        while not self._measured_all.is_set() and not self._stop.is_set():
            with contextlib.suppress(queue.Full):
                self._passing.put(frame, timeout=0 if self._at.live else 0.2)
                return
            if self._at.live:
                return  # the newest that fits is enough

    def _let_go(self, t_ns: int) -> None:
        if self._pause is not None:
            self._writer.journal.append(msgspec.structs.replace(self._pause, end_ns=t_ns), t_ns)
            self._pause = None
            self._order.pause("")

    # --- the decoding and the measuring thread ---

    def _decode(self) -> None:
        _yield_to_others(MEASURING_NICE)
        self._ahead.run()

    def _measure(self) -> None:
        _yield_to_others(MEASURING_NICE)
        try:
            give_up_ns: int | None = None
            while (taken := self._ahead.get(0.2 if self._pause is None else 0.01)) or not self._ahead.over:
                if taken is None:
                    self._look_out()
                    continue
                if self._stop.is_set() and give_up_ns is None:
                    give_up_ns = time.monotonic_ns() + round(MEASURE_END_S * NS)
                if give_up_ns is not None and time.monotonic_ns() > give_up_ns:
                    self._ahead.drop(1)
                    return
                self._measure_one(*taken)
            if self._failure is None:
                self._look_out()
                if self._lookout is None:
                    self._publish_records(self._settling.finish())
        finally:
            self._measured_all.set()

    def _look_out(self) -> None:
        """Nothing waits to be measured: look at what passes while no picture is kept."""
        while self._ends and self._taken_ns >= self._ends[0]:
            self._end_segment()
        if self._lookout is not None:
            with contextlib.suppress(queue.Empty):
                frame = self._passing.get_nowait()
                if frame.t_ns > self._taken_ns:  # and not left from an earlier pause
                    self._lookout.look(frame)

    def _end_segment(self) -> None:
        """A pause has come: settle what was recorded before it, and look out from there on."""
        self._ends.popleft()
        lookout = Lookout(self._settling.fork(), self._order)
        # Who was on the bars may still be: the lookout sees her leave.
        self._publish_records(tuple(r for r in self._settling.finish() if not isinstance(r, Routine)))
        self._lookout = lookout

    def _begin_segment(self, t_ns: int) -> None:
        """Pictures are kept again: measure them afresh, as measuring the recording again will."""
        self._lookout = None
        self._order.resume(t_ns)
        last = max((r.routine for r in self._order.routines), default=0)
        self._settling = Settling(self._at.pipeline.again(last))

    def _measure_one(self, waiting: Waiting, image: Image | None) -> None:
        while self._ends and waiting.t_ns > self._ends[0]:
            self._end_segment()
        if self._lookout is not None:
            self._begin_segment(waiting.t_ns)
        self._taken_ns = waiting.t_ns
        at, settling = self._at, self._settling
        lagging = at.live and settling.lagging(self._backlog.newest_ns - waiting.t_ns)
        newest = self._newest
        if lagging and newest is not None and settling.due(newest, now_ns := time.monotonic_ns()):
            glimpse = settling.glimpse(newest)
            settling.spent(now_ns, time.monotonic_ns())
            self._publisher.publish(_pose(glimpse), newest.t_ns)
            self._publish_records(glimpse.records)
        if image is None:
            return
        began_ns = time.monotonic_ns()
        step = settling.measure(Frame(waiting.index, waiting.t_ns, image))
        settling.took(waiting.t_ns, time.monotonic_ns() - began_ns)
        self._seen.put(step.observation)
        self._count.measured += 1
        if not lagging:
            self._publisher.publish(_pose(step), waiting.t_ns)
        self._publish_records(step.records)

    def _publish_records(self, records: tuple[Record, ...]) -> None:
        for record in records:
            if isinstance(record, Routine):
                self._order.take(record)
                continue
            if isinstance(record, Handstand):
                self._writer.journal.append(record, record.t_ns)
                self._publisher.publish(record, record.t_ns)
                continue
            with self._reading:
                self._tell_reading(self._families.take(record))
            self._flights.add(record.flight)

    def _tell_reading(self, reading: Reading) -> None:
        t_ns = reading.end_ns or self._at.clock.now_ns()
        self._writer.journal.append(reading, t_ns)
        self._publisher.publish(reading, t_ns)

    # --- previews and heartbeat ---

    def _preview(self, closing: threading.Event) -> None:
        _yield_to_others(PREVIEW_NICE)
        while not closing.is_set():
            self._fresh.wait(0.2)
            frame = self._newest
            if frame is None or not self._fresh.is_set():
                continue
            self._fresh.clear()
            scale = min(1.0, PREVIEW_WIDTH / frame.image.shape[1])
            if self._order.withheld:
                self._publish_blank(frame, scale)
                closing.wait(BLANK_INTERVAL_S)
                continue
            small = cv2.resize(frame.image, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
            good, jpeg = cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
            if good:
                self._publisher.publish(
                    Preview(t_ns=frame.t_ns, jpeg=jpeg.tobytes(), scale=scale), frame.t_ns
                )
            closing.wait(PREVIEW_INTERVAL_S)

    def _publish_blank(self, frame: Frame, scale: float) -> None:
        """A grey picture in place of one that nobody is to see."""
        height, width = (max(1, round(side * scale)) for side in frame.image.shape[:2])
        good, jpeg = cv2.imencode(".jpg", np.full((height, width), BLANK_GREY, np.uint8))
        if good:
            self._publisher.publish(Preview(t_ns=frame.t_ns, jpeg=jpeg.tobytes(), scale=scale), frame.t_ns)

    def _beat(self, closing: threading.Event) -> None:
        at, count = self._at, self._count
        while True:
            now_ns = at.clock.now_ns()
            age_ns = now_ns - count.newest_ns if count.newest_ns else 0
            lost = at.feed.problem if count.ended else at.live and age_ns > AWAY_NS
            seen = self._settling.camera_seen
            self._publisher.publish(
                Heartbeat(
                    feed="lost" if lost else "ended" if count.ended else "running",
                    recorded=count.recorded,
                    measured=count.measured,
                    dropped=self._backlog.dropped,
                    waiting=len(self._backlog) + len(self._ahead),
                    step=self._settling.step,
                    fps=round(count.fps, 2),
                    picture_age_ns=age_ns,
                    reading_seq=self._publisher.records.seq,
                    camera=self._settling.camera_problem,
                    light=seen[0] if seen is not None else None,
                    sharp=seen[1] if seen is not None else None,
                    wall_time=datetime.now().astimezone().isoformat(timespec="seconds"),
                    space_s=self._segments.space_s if not count.ended else None,
                ),
                now_ns,
            )
            if closing.wait(HEARTBEAT_S):
                return

    # --- the desk ---

    def _clip(self, request: ClipRequest) -> Answer:
        reading = self._publisher.records.reading(request.flight)
        if reading is None:
            return Refused(reason=f"{request.flight}: no such flight in this session")
        if self._order.unfilmed(reading.routine):
            return Refused(reason=f"{request.flight}: {UNFILMED}")
        begin_ns = reading.release_ns - min(request.before_ns, 5 * NS)
        end_ns = reading.end_ns + min(request.after_ns, 5 * NS)
        cut = self._session.clip(begin_ns, end_ns)
        return Clip(
            flight=request.flight,
            matroska=cut.data,
            times_ns=cut.times_ns,
            begin_ns=begin_ns,
            end_ns=min(end_ns, cut.times_ns[-1]),
        )

    # --- the start list ---

    def _warn_of_unmeasured(self) -> None:
        """Pictures that nobody measured may show somebody who is not to be filmed: say so for good."""
        left, numbers = self._backlog.dropped, self._order.unfilmed_unseen
        if left and numbers:
            text = (
                f"the last {left} pictures were recorded but not measured, and {', '.join(numbers)}, not to "
                "be filmed, had not been seen: look at the end of the recording"
            )
            self._writer.journal.append(Note(about=CARE, text=text), self._now_ns())
            log.warning("%s", text)

    def _begin_order(self) -> None:
        """Take the start list and the routines up where an earlier run of capture left them."""
        self._order = RunningOrder(self._writer.journal, self._tell, self._now_ns)
        earlier_ns = self._session.frame_times_ns()
        last_ns = int(earlier_ns[-1]) if len(earlier_ns) else 0
        self._order.resume(last_ns)
        for pause in self._writer.journal.pauses():
            if pause.end_ns is None:  # capture was killed in it
                ended = msgspec.structs.replace(pause, end_ns=max(last_ns, self._now_ns()))
                self._writer.journal.append(ended, self._now_ns())
        if self._at.start_list is not None and not self._order.start_list.entries:  # once, not at a restart
            self._order.answer(self._at.start_list)
        for routine in self._order.routines:
            self._tell(routine)
        self._tell(self._order.start_list)

    def _begin_table(self) -> None:
        """Answer the judges' table, and tell what it entered in an earlier run."""
        self._table = TableDesk(
            self._session,
            self._writer.journal,
            self._publisher,
            self._at.pipeline.by_hand(),
            routines=lambda: self._order.routines,
            unfilmed=lambda routine: self._order.unfilmed(routine),
            now_ns=self._at.clock.now_ns,
        )
        self._table.resume()

    def _tell(self, body: Routine | StartList) -> None:
        self._publisher.publish(body, self._now_ns())
        if isinstance(body, Routine):
            self._tell_readings_of(body.routine)

    def _tell_readings_of(self, routine: int) -> None:
        """Withdraw the readings of somebody who is not to be filmed; give them back when it was a mistake."""
        if not (told := [r for r in self._publisher.records.readings() if r.routine == routine]):
            return
        unfilmed = self._order.unfilmed(routine)
        kept = {r.flight: r for r in self._writer.journal.readings()} if not unfilmed else {}
        for reading in told:
            if unfilmed and reading.reason != UNFILMED:
                self._publisher.publish(withheld(reading, UNFILMED), reading.end_ns)
            elif reading.reason == UNFILMED and reading.flight in kept:
                self._publisher.publish(kept[reading.flight], reading.end_ns)

    def _now_ns(self) -> int:
        """Capture time: that of the newest picture, once there is one."""
        return self._newest.t_ns if self._newest is not None else self._at.clock.now_ns()

    def _rule(self, request: RulingRequest) -> Answer:
        return self._enter(request.ruling)

    def _tag(self, request: TagRequest) -> Answer:
        return self._enter(request.body)

    def _change_family(self, request: FamilyRequest) -> Answer:
        with self._reading:
            self._tell_reading(self._families.choose(request.flight, request.family))
            self._table.family_changed(request.flight)
        return Accepted()

    def _enter(self, said: Ruling | Tag) -> Answer:
        """Journal what somebody said of a flight, with the time, and tell everybody."""
        if self._publisher.records.reading(said.flight) is None:
            return Refused(reason=f"{said.flight}: no such flight in this session")
        now_ns = self._at.clock.now_ns()
        stamped = msgspec.structs.replace(
            said, wall_time=datetime.now(UTC).astimezone().isoformat(timespec="seconds")
        )
        self._writer.journal.append(stamped, now_ns)
        self._publisher.publish(stamped, now_ns)
        return Accepted()


def _yield_to_others(by: int) -> None:
    """Let the machine's other threads go before this one; Linux gives each thread its own place."""
    if sys.platform == "linux":
        with contextlib.suppress(OSError):
            os.nice(by)  # of this thread alone, and from wherever the process was put


def _pose(step: Step) -> Pose:
    def point(x: float, y: float) -> Point | None:
        return None if x != x else (round(x, 1), round(y, 1))

    px = step.observation.px
    return Pose(
        t_ns=step.observation.t_ns, joints=tuple(point(float(x), float(y)) for x, y in px), phase=step.phase
    )

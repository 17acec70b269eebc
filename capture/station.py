"""The process at the arena: records every picture, measures it, publishes, and answers the desk.

Threads, none of which waits for a viewer: one reads the feed; one records every picture in order;
one measures; one sends previews of the newest picture; one answers the desk and beats the heart.
Where the machine cannot measure every picture of a live feed, the picture is recorded all the
same and the heartbeat counts it as dropped from measuring.
"""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import cv2
import msgspec

from bridge.bus import Addresses, Desk, Publisher, remove_run_file, write_run_file
from bridge.clock import Clock
from bridge.errors import RailcrestError
from bridge.messages import (
    Accepted,
    Answer,
    Clip,
    ClipRequest,
    Heartbeat,
    Point,
    Pose,
    Preview,
    Reading,
    Refused,
    Routine,
    RulingRequest,
    Scene,
    SnapshotRequest,
)
from bridge.session import Manifest, Session, SessionWriter
from capture.feeds import Feed, Frame
from capture.observation import JointObservation
from capture.pipeline import Pipeline, Step
from capture.recorder import Recorder

log = logging.getLogger(__name__)

QUEUE: Final = 48  # pictures that recording or measuring may lag behind, 300 MB at 1080p
PREVIEW_WIDTH: Final = 960
PREVIEW_INTERVAL_S: Final = 1 / 25
JPEG_QUALITY: Final = 80
HEARTBEAT_S: Final = 0.5
NS: Final = 1_000_000_000


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
    dropped: int = 0
    newest_ns: int = 0  # clock time at which the newest picture came
    fps: float = 0.0
    ended: bool = False


class _Run:
    """State of one run, shared by its threads."""

    _publisher: Publisher
    _writer: SessionWriter
    _session: Session

    def __init__(self, station: Station, stop: threading.Event) -> None:
        self._at = station
        self._stop = stop
        self._count = _Count()
        self._failure: RailcrestError | None = None
        self._to_record: queue.Queue[Frame | None] = queue.Queue(QUEUE)
        self._to_measure: queue.Queue[Frame | None] = queue.Queue(QUEUE)
        self._seen: queue.SimpleQueue[JointObservation] = queue.SimpleQueue()
        self._newest: Frame | None = None
        self._fresh = threading.Event()
        self._flights: set[str] = set()

    def work(self, ready: Callable[[Addresses], None] | None) -> int:
        at = self._at
        name = at.folder.name
        source = f"capture-{time.time_ns():x}"
        handlers: dict[type, Callable[[Any], Answer]] = {
            SnapshotRequest: lambda _: self._publisher.records.snapshot(),
            ClipRequest: self._clip,
            RulingRequest: self._rule,
        }
        # The bus first: when a port is in use, nothing has been written yet.
        with Publisher(at.addresses, name, source) as self._publisher:
            desk = Desk(self._publisher.addresses, name, source, handlers, at.clock)
            with desk, SessionWriter(at.folder, at.manifest, now_ns=at.clock.now_ns()) as self._writer:
                self._session = Session.open(at.folder)
                write_run_file(at.folder, name, desk.addresses)
                self._publisher.publish(at.scene, at.clock.now_ns())
                for reading in self._writer.journal.readings():  # of an earlier segment
                    self._publisher.publish(reading, reading.end_ns)
                for ruling in self._writer.journal.rulings():
                    self._publisher.publish(ruling, at.clock.now_ns())
                if ready:
                    ready(desk.addresses)
                closing = threading.Event()
                helpers = [
                    threading.Thread(target=desk.run, args=(closing,), name="desk"),
                    threading.Thread(target=self._beat, args=(closing,), name="heartbeat"),
                    threading.Thread(target=self._preview, args=(closing,), name="preview"),
                ]
                workers = [
                    threading.Thread(target=self._guard, args=(self._read,), name="feed"),
                    threading.Thread(target=self._guard, args=(self._record,), name="record"),
                ]
                for thread in helpers + workers:
                    thread.start()
                try:
                    self._guard(self._measure)
                    for thread in workers:
                        thread.join()
                    self._count.ended = True
                    while at.stay and self._failure is None and not self._stop.wait(0.1):
                        pass
                finally:
                    self._stop.set()
                    at.feed.close()
                    closing.set()
                    self._fresh.set()
                    for thread in helpers + workers:
                        thread.join()
                    remove_run_file(at.folder)
        if self._failure is not None:
            raise self._failure
        return len(self._flights)

    def _guard(self, task: Callable[[], None]) -> None:
        """Run a thread's task; when it fails, the others end too and the failure is kept."""
        try:
            task()
        except RailcrestError as error:
            self._failure = self._failure or error
            self._stop.set()
        except Exception as error:
            log.exception("capture failed")
            self._failure = self._failure or RailcrestError(f"capture failed: {error!r}")
            self._stop.set()

    # --- the feed's thread ---

    def _read(self) -> None:
        at, last_ns = self._at, None
        try:
            for frame in at.feed:
                if self._stop.is_set():
                    return
                if last_ns is not None:
                    rate = NS / (frame.t_ns - last_ns)
                    self._count.fps += 0.05 * (rate - self._count.fps)
                last_ns = frame.t_ns
                self._count.newest_ns = at.clock.now_ns()
                self._newest = frame
                self._fresh.set()
                self._put(self._to_record, frame)
                if at.live:
                    try:
                        self._to_measure.put_nowait(frame)
                    except queue.Full:
                        self._count.dropped += 1
                else:
                    self._put(self._to_measure, frame)
        finally:
            self._put(self._to_record, None)
            self._put(self._to_measure, None)
        if at.feed.problem:
            log.warning("%s", at.feed.problem)

    def _put(self, to: queue.Queue[Frame | None], item: Frame | None) -> None:
        while not self._stop.is_set():
            try:
                to.put(item, timeout=0.2)
            except queue.Full:
                continue
            return

    def _take(self, source: queue.Queue[Frame | None]) -> Iterator[Frame]:
        while not self._stop.is_set():
            try:
                frame = source.get(timeout=0.2)
            except queue.Empty:
                continue
            if frame is None:
                return
            yield frame

    # --- the recorder's thread ---

    def _record(self) -> None:
        with Recorder(self._at.folder, self._at.feed.info, self._writer.segment) as recorder:
            for frame in self._take(self._to_record):
                recorder.write(frame)
                self._count.recorded = recorder.frames
                self._write_seen(recorder)
            # What is still being measured when the feed has ended.
            while self._measuring and not self._stop.wait(0.02):
                self._write_seen(recorder)
            self._write_seen(recorder)
            self._count.recorded = recorder.frames

    def _write_seen(self, recorder: Recorder) -> None:
        while not self._seen.empty():
            recorder.write_joints(self._seen.get())

    # --- the measuring thread ---

    _measuring = True

    def _measure(self) -> None:
        try:
            for frame in self._take(self._to_measure):
                step = self._at.pipeline.push(frame)
                self._seen.put(step.observation)
                self._count.measured += 1
                self._publisher.publish(_pose(step), frame.t_ns)
                for record in step.records:
                    self._publish_record(record)
            for record in self._at.pipeline.finish():
                self._publish_record(record)
        finally:
            self._measuring = False

    def _publish_record(self, record: Reading | Routine) -> None:
        t_ns = record.end_ns or self._at.clock.now_ns()
        self._writer.journal.append(record, t_ns)
        self._publisher.publish(record, t_ns)
        if isinstance(record, Reading):
            self._flights.add(record.flight)

    # --- previews and heartbeat ---

    def _preview(self, closing: threading.Event) -> None:
        while not closing.is_set():
            self._fresh.wait(0.2)
            frame = self._newest
            if frame is None or not self._fresh.is_set():
                continue
            self._fresh.clear()
            scale = min(1.0, PREVIEW_WIDTH / frame.image.shape[1])
            small = cv2.resize(frame.image, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
            good, jpeg = cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
            if good:
                self._publisher.publish(
                    Preview(t_ns=frame.t_ns, jpeg=jpeg.tobytes(), scale=scale), frame.t_ns
                )
            closing.wait(PREVIEW_INTERVAL_S)

    def _beat(self, closing: threading.Event) -> None:
        at, count = self._at, self._count
        while True:
            now_ns = at.clock.now_ns()
            self._publisher.publish(
                Heartbeat(
                    feed="running" if not count.ended else "lost" if at.feed.problem else "ended",
                    recorded=count.recorded,
                    measured=count.measured,
                    dropped=count.dropped,
                    fps=round(count.fps, 2),
                    picture_age_ns=now_ns - count.newest_ns if count.newest_ns else 0,
                    reading_seq=self._publisher.records.seq,
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

    def _rule(self, request: RulingRequest) -> Answer:
        ruling = request.ruling
        if self._publisher.records.reading(ruling.flight) is None:
            return Refused(reason=f"{ruling.flight}: no such flight in this session")
        now_ns = self._at.clock.now_ns()
        stamped = msgspec.structs.replace(
            ruling, wall_time=datetime.now(UTC).astimezone().isoformat(timespec="seconds")
        )
        self._writer.journal.append(stamped, now_ns)
        self._publisher.publish(stamped, now_ns)
        return Accepted()


def _pose(step: Step) -> Pose:
    def point(x: float, y: float) -> Point | None:
        return None if x != x else (round(x, 1), round(y, 1))

    px = step.observation.px
    return Pose(
        t_ns=step.observation.t_ns, joints=tuple(point(float(x), float(y)) for x, y in px), phase=step.phase
    )

"""A session folder as the viewer's source, whether capture runs there or the recording is closed.

While capture runs, everything comes over the bus. Once it has ended, and when an old session is
opened, readings come from the journal and clips from the recorded segments. No Qt here.
"""

from __future__ import annotations

import threading
from datetime import UTC, datetime
from pathlib import Path
from typing import Final, TypeVar

import msgspec

from bridge.bus import RUN_FILE, DeskClient, SessionFeed, read_run_file
from bridge.clock import Clock
from bridge.journal import FILE as JOURNAL_FILE
from bridge.journal import Journal
from bridge.messages import (
    Accepted,
    Answer,
    Clip,
    ClipRequest,
    EntryRequest,
    Envelope,
    Head,
    Heartbeat,
    Look,
    LookRequest,
    PartRequest,
    Policy,
    RailLine,
    Reading,
    Refused,
    Request,
    RoutineClipRequest,
    Ruling,
    RulingRequest,
    Scene,
    Snapshot,
    SnapshotRequest,
    Tag,
    TagRequest,
)
from bridge.routine_clip import routine_piece
from bridge.running_order import RunningOrder, start_list_of, unfilmed
from bridge.session import MANIFEST, Session, being_recorded

NS: Final = 1_000_000_000
BEAT_NS: Final = NS // 2
LOOK_NS: Final = NS  # how often it is looked whether capture runs
Said = TypeVar("Said", Ruling, Tag, Look)


def is_recorded(folder: Path) -> bool:
    """Whether the folder holds a session that nobody is recording."""
    return (folder / MANIFEST).is_file() and not being_recorded(folder)


class RecordedSession:
    """A closed session: its snapshot from the journal, its clips from the segments.

    Args:
        folder: the session folder.
        policy: the most that may be shown; left out: what the manifest says, and where it is silent
            everything of a training session and the line of a meet.

    Raises:
        RecordingError: the folder is no session, or cannot be read.
    """

    def __init__(self, folder: Path, policy: Policy | None = None) -> None:
        self._session = Session.open(folder)
        self._policy = policy

    def snapshot(self, scene: Scene | None = None) -> Snapshot:
        """Everything on record. ``scene``, if given, is kept as it was while capture ran."""
        with self._session.journal() as journal:
            readings, routines, rulings = journal.readings(), journal.routines(), journal.rulings()
            tags, handstands = journal.tags(), journal.handstands()
            looks, corrections = journal.looks(), journal.corrections()
            start_list = start_list_of(journal)
            seq = journal.head()[0]
        return Snapshot(
            seq=seq,
            scene=scene or self._scene(readings),
            routines=tuple(routines),
            readings=tuple(readings),
            rulings=tuple(rulings),
            tags=tuple(tags),
            handstands=tuple(handstands),
            looks=looks,
            corrections=corrections,
            start_list=start_list,
        )

    def clip(self, request: ClipRequest) -> Answer:
        """The recorded frames of a flight."""
        with self._session.journal() as journal:
            reading = next((r for r in journal.readings() if r.flight == request.flight), None)
            closed = reading is not None and unfilmed(journal, reading.routine)
        if reading is None:
            return Refused(reason=f"{request.flight}: no such flight in this session")
        if closed:
            return Refused(reason=f"{request.flight}: the gymnast is not to be filmed")
        begin_ns, end_ns = reading.release_ns - request.before_ns, reading.end_ns + request.after_ns
        cut = self._session.clip(begin_ns, end_ns)
        return Clip(
            flight=request.flight,
            matroska=cut.data,
            times_ns=cut.times_ns,
            begin_ns=begin_ns,
            end_ns=min(end_ns, cut.times_ns[-1]),
        )

    def piece(self, request: RoutineClipRequest) -> Answer:
        """A piece of a routine's recorded frames."""
        with self._session.journal() as journal:
            routine = next((r for r in journal.routines() if r.routine == request.routine), None)
            closed = unfilmed(journal, request.routine)
        if closed:
            return Refused(reason=f"routine {request.routine}: the gymnast is not to be filmed")
        return routine_piece(self._session, routine, request)

    def enter(self, said: Said, t_ns: int) -> Said:
        """Enter a ruling or a tag in the journal; returns it with its time."""
        now = datetime.now(UTC).astimezone().isoformat(timespec="seconds")
        stamped = msgspec.structs.replace(said, wall_time=now)
        with Journal(self._session.file(JOURNAL_FILE), write=True) as journal:
            journal.append(stamped, t_ns)
        return stamped

    def order(self, request: EntryRequest | PartRequest, t_ns: int) -> Answer:
        """Change the start list, or put a routine right."""
        with Journal(self._session.file(JOURNAL_FILE), write=True) as journal:
            return RunningOrder(journal, lambda _: None, lambda: t_ns).answer(request)

    def _scene(self, readings: tuple[Reading, ...]) -> Scene:
        manifest = self._session.manifest
        lines: dict[str, RailLine] = {}
        for reading in readings:
            if reading.drawing is not None:
                lines.setdefault(reading.drawing.line.rail, reading.drawing.line)
        return Scene(
            title=manifest.title,
            picture=self._picture(),
            lines=tuple(lines.values()),
            table=manifest.table,
            policy=self._policy or manifest.policy or ("band" if manifest.training else "line"),
            expected_u_m=manifest.camera.get("expected_u_m", 0.0),
            training=manifest.training,
        )

    def _picture(self) -> tuple[int, int]:
        """Size of the recorded pictures, px; (0, 0) when there are none."""
        for segment in self._session.segments():
            for _, pixels in self._session.decode(segment.t_ns[0], segment.t_ns[0]) if segment.t_ns else ():
                return pixels.shape[1], pixels.shape[0]
        return 0, 0


class FolderSource:
    """Messages of a session folder: over the bus while capture runs, from the disk once it has ended.

    Used by one thread. A capture that was killed leaves its addresses behind; then the feed counts as
    lost, not as ended.
    """

    def __init__(self, folder: Path, clock: Clock, policy: Policy | None = None) -> None:
        self._folder, self._clock, self._policy = folder, clock, policy
        self._live: SessionFeed | None = None
        self._recorded: RecordedSession | None = None
        self._scene: Scene | None = None
        self._seq = -1
        self._beat_ns: int | None = None
        self._looked_ns: int | None = None
        self.problem: str | None = None

    def poll(self, timeout_s: float = 0.0) -> list[Envelope]:
        """What is new, waiting at most ``timeout_s``."""
        self._look()
        if self._live is not None:
            envelopes = self._live.poll(timeout_s)
            self.problem = self._live.problem
            for envelope in envelopes:
                if isinstance(envelope.body, Snapshot):
                    self._scene = envelope.body.scene
                elif isinstance(envelope.body, Scene):
                    self._scene = envelope.body
            return envelopes
        assert self._recorded is not None
        self.problem = None
        now_ns = self._clock.now_ns()
        if self._beat_ns is not None and now_ns - self._beat_ns < BEAT_NS:
            threading.Event().wait(timeout_s)
            return []
        self._beat_ns = now_ns
        head = Head(session=self._folder.name, source="disk", seq=1, t_ns=now_ns)
        beat = Heartbeat(feed="ended", recorded=0, measured=0, dropped=0, fps=0.0, picture_age_ns=0)
        snapshot = self._recorded.snapshot(self._scene)
        new = [Envelope(head, snapshot)] if snapshot.seq != self._seq else []
        self._seq, self._scene = snapshot.seq, snapshot.scene
        return [*new, Envelope(head, beat)]

    def close(self) -> None:
        """Leave the bus."""
        if self._live is not None:
            self._live.close()
            self._live = None

    def _look(self) -> None:
        """See whether capture began or ended since the last look."""
        now_ns = self._clock.now_ns()
        if self._looked_ns is not None and now_ns - self._looked_ns < LOOK_NS:
            return
        self._looked_ns = now_ns
        killed = self._live is not None and (self._folder / RUN_FILE).exists()
        if is_recorded(self._folder) and not killed:
            if self._recorded is None:
                self._recorded = RecordedSession(self._folder, self._policy)
                self._seq = -1
            self.close()
        elif self._live is None:
            self._recorded = None
            self._live = SessionFeed(self._folder, self._clock)


class FolderDesk:
    """Answers for a session folder: capture's desk while it runs, the disk otherwise. One thread."""

    def __init__(self, folder: Path, clock: Clock) -> None:
        self._folder, self._clock = folder, clock
        self._client: DeskClient | None = None

    def ask(self, request: Request, timeout_s: float = 5.0) -> Answer:
        """Send a request and wait for its answer, which may be a refusal.

        Raises:
            BusError: capture runs but does not answer.
            RecordingError: the recording cannot be read or written.
        """
        if not is_recorded(self._folder):
            if self._client is None:
                self._client = DeskClient(read_run_file(self._folder).addresses, clock=self._clock)
            return self._client.ask(request, timeout_s)
        recorded = RecordedSession(self._folder)
        match request:
            case ClipRequest():
                return recorded.clip(request)
            case RulingRequest():
                recorded.enter(request.ruling, self._clock.now_ns())
                return Accepted()
            case TagRequest():
                recorded.enter(request.body, self._clock.now_ns())
                return Accepted()
            case EntryRequest() | PartRequest():
                return recorded.order(request, self._clock.now_ns())
            case LookRequest():
                recorded.enter(request.look, self._clock.now_ns())
                return Accepted()
            case RoutineClipRequest():
                return recorded.piece(request)
            case SnapshotRequest():
                return recorded.snapshot()
            case _:
                return Refused(reason="this recording is closed; it takes that only while capture runs")

    def close(self) -> None:
        """Leave the bus."""
        if self._client is not None:
            self._client.close()
            self._client = None

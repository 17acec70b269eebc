"""The session folder: what was recorded, with what, and where each moment of it is.

::

    session.json       the manifest: rig, camera, table, networks, software
    journal.sqlite     gymnasts, routines, readings, rulings, hashes of the files (bridge.journal)
    journal.sha256     the journal's own hash, while nobody writes it
    feed-0001.mkv      the pictures, one segment for each start of capture
    feed-0001.csv      frame, t_ns, pts: the exact capture time of each picture
    joints-0001.csv    the joints in each picture
    survey.png         the picture in which the rig was surveyed, where there is one
    lock               only while capture has the session open
    bus.json           only while capture runs: where its bus is

Pictures are found by capture time through the sidecar, never by frame number over frame rate; all
of it also works while capture is still writing. A session that a killed capture left open is made
whole by whoever opens it for writing next: tables and pictures are made to agree, and closed files
are sealed with their hash in the journal.
"""

from __future__ import annotations

import bisect
import contextlib
import fcntl
import hashlib
import io
import itertools
import json
import logging
import os
import re
import tempfile
import threading
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Annotated, Any, Final, Literal

import av
import msgspec
import numpy as np
import platformdirs
from numpy.typing import NDArray

from bridge.bus import RUN_FILE
from bridge.clock import Clock, SystemClock
from bridge.errors import RecordingError
from bridge.journal import FILE as JOURNAL_FILE
from bridge.journal import Journal, Note, Pause, Seal, Wall, hash_file, hash_line, sha256_of
from bridge.messages import Policy

log = logging.getLogger(__name__)

FORMAT: Final = 1
MANIFEST: Final = "session.json"
LOCK: Final = "lock"
SURVEY_FILE: Final = "survey.png"
KEEP_DAYS: Final = 30
NS: Final = 1_000_000_000
GAP_NS: Final = NS // 2  # pictures further apart than this are told
REPAIRING: Final = "repairing"
REPAIR_WAIT_S: Final = 30.0  # capture waits this long for a repair that somebody else is at
_SEGMENT: Final = re.compile(r"feed-(\d{4})\.mkv")
_BUFFER_LIMIT: Final = 512 * 1024 * 1024  # bytes of one clip
_OURS: Final = re.compile(r"(?:feed-\d{4}\.(?:mkv|csv)|joints-\d{4}\.csv)")  # what is always sealed
_PASSING: Final = {LOCK, RUN_FILE, JOURNAL_FILE, "journal.sha256", "journal.sqlite-wal", "journal.sqlite-shm"}
_AV_FAULTS: Final = (av.FFmpegError, EOFError, ValueError)


class Manifest(msgspec.Struct, frozen=True, kw_only=True):
    """What a session was recorded with. New fields have defaults; unknown ones are ignored."""

    format: Annotated[int, msgspec.Meta(ge=1)] = FORMAT
    minimum_reader: int = FORMAT  # the oldest reader format that understands this session
    title: str
    created: str  # ISO 8601 wall time
    created_ns: int = 0  # capture time at that moment
    expires: str = ""  # ISO 8601 date after which it is to be deleted
    software: str = ""
    rig_toml: str = ""
    rig_sha256: str = ""
    camera: dict[str, float] = {}
    table: str = ""
    models: dict[str, str] = {}  # file name -> SHA-256
    feed: dict[str, str | float] = {}
    training: bool = False
    policy: Policy | None = None  # the most that viewers may show; None in sessions that do not say


def new_manifest(
    title: str,
    *,
    rig_toml: str = "",
    now: datetime | None = None,
    created_ns: int = 0,
    keep_days: int = KEEP_DAYS,
    **more: Any,
) -> Manifest:
    """A manifest of now: dates and the rig's hash filled in; ``more`` are further fields."""
    now = now or datetime.now(UTC)
    return Manifest(
        title=title,
        created=now.astimezone().isoformat(timespec="seconds"),
        created_ns=created_ns,
        expires=(now.astimezone().date() + timedelta(days=keep_days)).isoformat(),
        rig_toml=rig_toml,
        rig_sha256=hashlib.sha256(rig_toml.encode()).hexdigest() if rig_toml else "",
        **more,
    )


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that a verification noticed."""

    grade: Literal["error", "warning"]
    text: str


@dataclass(frozen=True, slots=True)
class CutClip:
    """Recorded pictures as they were recorded: bytes of a container and each picture's capture time.

    Pictures before the asked-for beginning only serve to decode the later ones.
    """

    data: bytes
    times_ns: tuple[int, ...]


# --- finding sessions -----------------------------------------------------------------------


def data_dir(override: Path | None = None) -> Path:
    """Where sessions live: ``override``, else RAILCREST_DATA, else the user's data folder."""
    if override is not None:
        return override
    if named := os.environ.get("RAILCREST_DATA"):
        return Path(named)
    return platformdirs.user_data_path("railcrest")


def sessions_root(override: Path | None = None) -> Path:
    """The folder that holds the session folders."""
    return data_dir(override) / "sessions"


def find_sessions(root: Path) -> list[Path]:
    """Session folders under ``root``, in order of their names."""
    if not root.is_dir():
        return []
    return sorted(path.parent for path in root.glob(f"*/{MANIFEST}"))


def new_session_folder(title: str, root: Path, now: datetime | None = None) -> Path:
    """A free folder name for a new session: date, time, title. It is not made."""
    now = (now or datetime.now(UTC)).astimezone()
    words = re.sub(r"[^a-z0-9]+", "-", title.lower()).strip("-")[:40] or "session"
    base = root / f"{now:%Y-%m-%d-%H%M%S}-{words}"
    path, n = base, 1
    while path.exists():
        n += 1
        path = base.with_name(f"{base.name}-{n}")
    return path


# --- writing --------------------------------------------------------------------------------


class SessionWriter:
    """Holds a session open for writing: its lock, its manifest, its journal.

    A new folder is made; an existing session is gone on with, in a new segment. The lock goes with
    the process, so that one left by a killed capture is taken over, which :attr:`taken_over` tells
    and the journal notes. What it left is repaired by a thread of its own, so that recording goes on
    at once; :attr:`repaired` tells what was done, and so does the journal.

    Args:
        folder: the session folder.
        manifest: of a new session; for an existing one it is kept as it is.
        wall: wall clock for the journal.
        now_ns: capture time, for notes.
        repairing: nothing will be recorded, only repaired; a capture that starts waits for that.

    Raises:
        RecordingError: another capture has the session open, or the folder cannot be written.
    """

    def __init__(
        self,
        folder: Path,
        manifest: Manifest,
        *,
        wall: Wall | None = None,
        now_ns: int = 0,
        repairing: bool = False,
    ) -> None:
        self.folder = folder
        self.taken_over: str | None = None
        self.repaired: list[str] = []
        self._now_ns = now_ns
        self._lock: int | None = None
        try:
            folder.mkdir(parents=True, exist_ok=True)
            self._take_lock(repairing)
            for path in folder.glob(".*"):
                if path.name.startswith(
                    (f".{MANIFEST}-", f".{RUN_FILE}-", ".feed-", ".joints-", f".{SURVEY_FILE}-")
                ):
                    path.unlink(missing_ok=True)  # half written when the power went
            if (folder / MANIFEST).exists():
                self.manifest = read_manifest(folder)
            else:
                self.manifest = manifest
                _write_whole(folder / MANIFEST, _manifest_text(manifest))
            self.segment = 1 + max(_segment_numbers(folder), default=0)
            self.journal = Journal(folder / JOURNAL_FILE, write=True, **({"wall": wall} if wall else {}))
        except OSError as error:
            self._drop_lock()
            raise RecordingError(
                f"{folder}: cannot be written ({error}); choose another folder with --session"
            ) from error
        except RecordingError:
            self._drop_lock()
            raise
        if self.taken_over:
            log.info("%s", self.taken_over)
            self.journal.append(Note(about="lock", text=self.taken_over), now_ns)
        self._mending = threading.Thread(target=self._mend, name="repair")
        self._mending.start()

    def keep_survey(self, png: bytes) -> None:
        """Keep the picture in which the rig was surveyed; the first one stays.

        Raises:
            RecordingError: it cannot be written.
        """
        path = self.folder / SURVEY_FILE
        try:
            if not path.exists():
                _write_whole(path, png)
        except OSError as error:
            raise RecordingError(f"{path}: cannot be written ({error})") from error

    def update(self, **changes: Any) -> Manifest:
        """Fill in what became known after the start, such as the camera fit."""
        self.manifest = msgspec.structs.replace(self.manifest, **changes)
        try:
            _write_whole(self.folder / MANIFEST, _manifest_text(self.manifest))
        except OSError as error:
            raise RecordingError(f"{self.folder / MANIFEST}: cannot be written ({error})") from error
        seal(self.folder, self.journal, self._now_ns, [MANIFEST])
        return self.manifest

    def close(self) -> None:
        """Seal what was recorded, close the journal and give the lock back; safe to call twice.

        On a full disk the seals are left to the next one who opens the session.
        """
        if self._lock is None:
            return
        self._mending.join()
        try:
            seal(self.folder, self.journal, self._now_ns)
        except RecordingError as error:
            log.info("not sealed: %s", error)
        finally:
            self.journal.close()
            self._drop_lock()

    def _mend(self) -> None:
        """Make the earlier segments whole."""
        try:
            sealed = self.journal.seals()
            for number in _segment_numbers(self.folder):
                if number < self.segment and f"feed-{number:04d}.mkv" not in sealed:
                    self._say(_mend_segment(self.folder, number))
            earlier = {path.name for path in self.folder.iterdir() if _OURS.fullmatch(path.name)}
            earlier = {name for name in earlier if int(re.sub(r"\D", "", name)) < self.segment}
            fresh = seal(self.folder, self.journal, self._now_ns, earlier - sealed.keys())
            self._say([f"{', '.join(fresh)}: hashed"] if fresh else [])
        except (OSError, RecordingError) as error:
            log.warning("%s: not repaired (%s); run railcrest session repair later", self.folder, error)

    def _say(self, texts: Sequence[str]) -> None:
        for text in texts:
            log.info("repaired: %s", text)
            self.journal.append(Note(about="repair", text=text), self._now_ns)
            self.repaired.append(text)

    def __enter__(self) -> SessionWriter:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _take_lock(self, repairing: bool) -> None:
        path = self.folder / LOCK
        clock = SystemClock()
        begun_ns = clock.now_ns()
        while self._lock is None:
            number = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
            before = os.read(number, 64).decode(errors="replace").strip()
            try:
                fcntl.flock(number, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError as error:
                os.close(number)
                if before.endswith(REPAIRING) and clock.now_ns() - begun_ns < REPAIR_WAIT_S * NS:
                    clock.sleep_until(clock.now_ns() + NS // 10)
                    continue
                raise _in_use(self.folder, before) from error
            if path.exists() and path.stat().st_ino == os.fstat(number).st_ino:
                self._lock = number
            else:
                os.close(number)  # its holder removed it between our opening and locking it
        if before:
            self.taken_over = f"process {before} left the session open; it was taken over"
        os.ftruncate(number, 0)
        os.pwrite(number, f"{os.getpid()}{' ' + REPAIRING if repairing else ''}\n".encode(), 0)

    def _drop_lock(self) -> None:
        if self._lock is None:
            return
        number, self._lock = self._lock, None
        (self.folder / LOCK).unlink(missing_ok=True)  # while it is still ours
        os.close(number)


def being_recorded(folder: Path) -> bool:
    """Whether a running process holds the session."""
    holder = lock_holder(folder)
    return holder is not None and holder[0]


def lock_holder(folder: Path) -> tuple[bool, str] | None:
    """Whether a running process holds the session, and its number; None when nobody left a lock."""
    try:
        with (folder / LOCK).open("r+b") as file:
            pid = file.read(64).decode(errors="replace").strip()
            try:
                fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
            except BlockingIOError:
                return True, pid
            return False, pid
    except FileNotFoundError:
        return None
    except OSError as error:
        raise RecordingError(f"{folder / LOCK}: cannot be read ({error})") from error


def refuse_in_use(folder: Path) -> None:
    """Say early what :class:`SessionWriter` would say later. Raises RecordingError when others record there.

    A repair under way is no hindrance: capture waits for it.
    """
    holder = lock_holder(folder)
    if holder is not None and holder[0] and not holder[1].endswith(REPAIRING):
        raise _in_use(folder, holder[1])


def _in_use(folder: Path, pid: str) -> RecordingError:
    return RecordingError(
        f"{folder}: process {pid or 'unknown'} is recording into it; "
        "stop that one or choose another folder with --session"
    )


def seal(folder: Path, journal: Journal, now_ns: int = 0, names: Iterable[str] | None = None) -> list[str]:
    """Put hashes of a session's files into its journal.

    Args:
        folder: the session folder.
        journal: its journal, open for writing.
        now_ns: capture time of the rows.
        names: files that were changed or taken away on purpose; left out: all that have no hash yet.

    Returns:
        The files whose hash was new.

    Raises:
        RecordingError: a file cannot be read, or the journal not written.
    """
    sealed = journal.seals()
    fresh = []
    try:
        files = {p.name: p for p in folder.iterdir() if p.is_file() and not p.is_symlink()}
        lasting = {n for n in files if n not in _PASSING and not n.startswith(".")}
        for name in sorted(lasting - sealed.keys() if names is None else names):
            digest = sha256_of(files[name]) if name in files else ""
            if digest != sealed.get(name, ""):
                journal.append(Seal(file=name, sha256=digest), now_ns)
                fresh.append(name)
    except OSError as error:
        raise RecordingError(f"{folder}: cannot be read ({error})") from error
    return fresh


def repair(folder: Path) -> list[str]:
    """Make a session whole that was left open; says what was done, one line each.

    Raises:
        RecordingError: it is being recorded, is no session, or cannot be written.
    """
    with SessionWriter(folder, read_manifest(folder), repairing=True) as writer:
        pass
    (folder / RUN_FILE).unlink(missing_ok=True)
    return ([writer.taken_over] if writer.taken_over else []) + writer.repaired


def repair_left(folder: Path) -> list[str]:
    """:func:`repair` a session whose capture was killed; leaves any other alone."""
    holder = lock_holder(folder)
    return repair(folder) if holder is not None and not holder[0] else []


def clock_after(folder: Path) -> Clock:
    """The machine's clock, or one ahead of it where the session was begun before the machine last started.

    Times within a session only ever grow, also when it goes on after a restart.
    """
    clock = SystemClock()
    last_ns = (
        max((s.t_ns[-1] for s in Session.open(folder).segments() if s.t_ns), default=0)
        if (folder / MANIFEST).exists()
        else 0
    )
    behind_ns = last_ns + NS - clock.now_ns()
    return SystemClock(behind_ns) if behind_ns > 0 else clock


def _mend_segment(folder: Path, number: int) -> list[str]:
    """Make a segment's tables agree with the pictures that are on the disk; says what was done."""
    said: list[str] = []
    video, sidecar, joints = (
        folder / name
        for name in (f"feed-{number:04d}.mkv", f"feed-{number:04d}.csv", f"joints-{number:04d}.csv")
    )
    rows = _rows(sidecar)
    try:
        ticks = _picture_ticks(video)
    except RecordingError:
        if rows:
            return [f"{video.name}: none of its {len(rows)} pictures reached the disk"]
        for path in (video, sidecar, joints):
            path.unlink(missing_ok=True)
        return [f"{video.name}: held no picture yet and was taken away"]
    exact = {tick: t_ns for t_ns, tick in rows}
    base_ns = rows[0][0] - rows[0][1] * NS // 1000 if rows else 0
    kept = [(exact.get(tick, base_ns + tick * NS // 1000), tick) for tick in ticks]
    lost, rebuilt = len(exact.keys() - set(ticks)), sum(tick not in exact for tick in ticks)
    text = "frame,t_ns,pts\n" + "".join(f"{i},{t_ns},{tick}\n" for i, (t_ns, tick) in enumerate(kept))
    if not sidecar.exists() or sidecar.read_bytes() != text.encode():
        _write_whole(sidecar, text.encode())
        said.append(
            f"{video.name}: {len(kept)} pictures are whole, {lost} on their way to the disk are lost"
            + (f", {rebuilt} times are known to half a millisecond only" if rebuilt else "")
        )
    if joints.exists() and not (content := joints.read_bytes()).endswith(b"\n"):
        _write_whole(joints, content[: content.rfind(b"\n") + 1])
        said.append(f"{joints.name}: half a row at its end was taken away")
    return said


def _rows(sidecar: Path) -> list[tuple[int, int]]:
    """Capture time and tick of each row of a table of times, up to the first that is not whole."""
    try:
        lines = sidecar.read_bytes().split(b"\n")[:-1]
    except FileNotFoundError:
        return []
    rows = []
    for line in lines[1:]:
        try:
            _, t_ns, tick = line.split(b",")
            rows.append((int(t_ns), int(tick)))
        except ValueError:
            break
    return rows


def _picture_ticks(video: Path) -> list[int]:
    """The container's time stamps in a segment, in order. Raises RecordingError when it is none."""
    with _open(video) as container:
        stream = container.streams.video[0]
        ticks = []
        with contextlib.suppress(*_AV_FAULTS):  # where it was cut
            for packet in container.demux(stream):
                if packet.pts is not None and packet.size > 0 and not packet.is_corrupt:
                    ticks.append(_tick(packet.pts, stream.time_base))
    return ticks


def _manifest_text(manifest: Manifest) -> bytes:
    return msgspec.json.format(msgspec.json.encode(manifest), indent=2) + b"\n"


def _write_whole(path: Path, content: bytes) -> None:
    """Replace a file at once, so that a kill leaves the old or the new one."""
    number, name = tempfile.mkstemp(prefix=f".{path.name}-", dir=path.parent)
    try:
        with os.fdopen(number, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        Path(name).chmod(0o600)
        Path(name).replace(path)
    except BaseException:
        with contextlib.suppress(OSError):
            Path(name).unlink()
        raise


# --- reading --------------------------------------------------------------------------------


def read_manifest(folder: Path) -> Manifest:
    """The manifest of a session folder.

    Raises:
        RecordingError: there is none, it cannot be read, or it needs a newer Railcrest.
    """
    path = folder / MANIFEST
    try:
        content = path.read_bytes()
    except FileNotFoundError as error:
        raise RecordingError(f"{folder}: no session is there ({MANIFEST} is missing)") from error
    except OSError as error:
        raise RecordingError(f"{path}: cannot be read ({error})") from error
    try:
        stated = json.loads(content)
        if stated.get("format", 1) == 0:
            raise RecordingError(f"{path}: is of format 0, which no released Railcrest wrote; record it anew")
        needs = stated.get("minimum_reader", 1)
        if isinstance(needs, int) and needs > FORMAT:
            raise RecordingError(f"{path}: needs a newer Railcrest (format {needs}, this one reads {FORMAT})")
        return msgspec.json.decode(content, type=Manifest)
    except (msgspec.MsgspecError, ValueError, AttributeError, RecursionError) as error:
        raise RecordingError(f"{path}: is not a session manifest ({error})") from error


@dataclass(slots=True)
class Segment:
    """One recorded segment and the times of its pictures, as far as they are written.

    ``t_ns`` and ``ticks`` grow together; ticks are the container's time stamps in milliseconds.
    """

    number: int
    video: Path
    sidecar: Path
    t_ns: list[int] = field(default_factory=list)
    ticks: list[int] = field(default_factory=list)
    disorder: int | None = None  # first row whose time does not come after the one before
    _offset: int = 0

    def refresh(self) -> None:
        """Read the rows that were added since; a row that is only half written waits."""
        try:
            with self.sidecar.open("rb") as file:
                file.seek(self._offset)
                data = file.read()
        except FileNotFoundError:
            return
        except OSError as error:
            raise RecordingError(f"{self.sidecar}: cannot be read ({error})") from error
        whole = data.rfind(b"\n") + 1
        for line in data[:whole].splitlines():
            parts = line.split(b",")
            if parts[0] == b"frame":
                continue
            try:
                t_ns, tick = int(parts[1]), int(parts[2])
            except (IndexError, ValueError) as error:
                raise RecordingError(
                    f"{self.sidecar}: row {len(self.t_ns) + 1} cannot be read; see railcrest session verify"
                ) from error
            if self.disorder is None and self.t_ns and (t_ns <= self.t_ns[-1] or tick <= self.ticks[-1]):
                self.disorder = len(self.t_ns)
            self.t_ns.append(t_ns)
            self.ticks.append(tick)
        self._offset += whole


class Session:
    """A session folder opened for reading, also while it is being recorded."""

    def __init__(self, folder: Path, manifest: Manifest) -> None:
        self.folder = folder
        self.manifest = manifest
        self._segments: dict[int, Segment] = {}

    @classmethod
    def open(cls, folder: Path | str) -> Session:
        """Open a session folder. Raises RecordingError when it is none."""
        path = Path(folder)
        return cls(path, read_manifest(path))

    def file(self, name: str) -> Path:
        """A file of the session. Raises RecordingError when the name leads out of its folder."""
        path = self.folder / name
        if Path(name).name != name or name in {"", ".", ".."} or "\0" in name or path.is_symlink():
            raise RecordingError(f"{name!r}: not a file of session {self.folder.name}")
        return path

    def journal(self) -> Journal:
        """The journal, for reading; to be closed."""
        return Journal(self.file(JOURNAL_FILE))

    def segments(self) -> list[Segment]:
        """The segments in order, with all times written so far."""
        for number in _segment_numbers(self.folder):
            if number not in self._segments:
                self._segments[number] = Segment(
                    number,
                    self.file(f"feed-{number:04d}.mkv"),
                    self.file(f"feed-{number:04d}.csv"),
                )
        found = [self._segments[number] for number in sorted(self._segments)]
        for segment in found:
            segment.refresh()
        return found

    def frame_times_ns(self) -> NDArray[np.int64]:
        """Capture time of every recorded picture, ns, in order of recording."""
        return np.array([t for segment in self.segments() for t in segment.t_ns], np.int64)

    def clip(self, begin_ns: int, end_ns: int) -> CutClip:
        """Cut the pictures from ``begin_ns`` to ``end_ns`` as they were recorded, into Matroska.

        It begins at the key frame at or before ``begin_ns``. Where the time spans several segments,
        it comes from the one that holds most of it.

        Raises:
            RecordingError: nothing was recorded then.
        """
        return self._cut(begin_ns, end_ns, "matroska")

    def clip_mp4(self, begin_ns: int, end_ns: int) -> CutClip:
        """The same as :meth:`clip` in an MP4 container, for handing on."""
        return self._cut(begin_ns, end_ns, "mp4")

    def decode(self, begin_ns: int, end_ns: int) -> Iterator[tuple[int, NDArray[np.uint8]]]:
        """Decode the pictures from ``begin_ns`` to ``end_ns``: capture time, RGB (height, width, 3).

        Raises:
            RecordingError: nothing was recorded then.
        """
        segment, first, last = self._locate(begin_ns, end_ns)
        time_of = dict(zip(segment.ticks, segment.t_ns, strict=True))
        with _open(segment.video) as container:
            stream = container.streams.video[0]
            for packet in _packets(container, stream, segment.ticks[first]):
                tick = _tick(packet.pts, stream.time_base)
                try:
                    frames = packet.decode()
                except _AV_FAULTS:
                    return  # the recording was cut short here
                for frame in frames:
                    t_ns = time_of.get(_tick(frame.pts, stream.time_base))
                    if t_ns is not None and begin_ns <= t_ns <= end_ns:
                        yield t_ns, frame.to_ndarray(format="rgb24")
                if tick > segment.ticks[last]:
                    break
            with contextlib.suppress(*_AV_FAULTS):
                for frame in stream.codec_context.decode(None):
                    t_ns = time_of.get(_tick(frame.pts, stream.time_base))
                    if t_ns is not None and begin_ns <= t_ns <= end_ns:
                        yield t_ns, frame.to_ndarray(format="rgb24")

    def verify(self) -> list[Finding]:
        """Check that the session is whole; an empty list says it is.

        Every file that was closed is held against its hash, the journal against its chain and its own
        hash, and the pictures against their times.
        """
        findings: list[Finding] = []
        running = self._verify_lock(findings)
        sealed, pauses = self._verify_journal(findings, running)
        self._verify_seals(findings, sealed, running)
        last_ns: int | None = None
        for number in _segment_numbers(self.folder):
            try:
                last_ns = self._verify_segment(number, findings, last_ns, pauses)
            except RecordingError as error:
                findings.append(Finding("error", str(error)))
        if not _segment_numbers(self.folder):
            findings.append(Finding("warning", "no pictures were recorded"))
        rig = self.manifest.rig_toml
        if rig and hashlib.sha256(rig.encode()).hexdigest() != self.manifest.rig_sha256:
            findings.append(Finding("error", f"{MANIFEST}: the rig is not the one its hash names"))
        if self.expired():
            findings.append(Finding("warning", f"it was to be deleted after {self.manifest.expires}"))
        return findings

    def expired(self, today: date | None = None) -> bool:
        """Whether the day until which it may be kept is past."""
        try:
            return (today or datetime.now().astimezone().date()) > date.fromisoformat(self.manifest.expires)
        except ValueError:
            return False

    # --- inside ---

    def _locate(self, begin_ns: int, end_ns: int) -> tuple[Segment, int, int]:
        """The segment that holds most pictures of a time span, and the first and last of them."""
        best: tuple[Segment, int, int] | None = None
        for segment in self.segments():
            first = bisect.bisect_left(segment.t_ns, begin_ns)
            last = bisect.bisect_right(segment.t_ns, end_ns) - 1
            if last >= first and (best is None or last - first > best[2] - best[1]):
                best = segment, first, last
        if best is None:
            raise RecordingError(
                f"{self.folder}: no picture was recorded from {begin_ns / NS:.3f} s to {end_ns / NS:.3f} s"
            )
        return best

    def _cut(self, begin_ns: int, end_ns: int, container_format: str) -> CutClip:
        segment, first, last = self._locate(begin_ns, end_ns)
        time_of = dict(zip(segment.ticks, segment.t_ns, strict=True))
        group: list[Any] = []  # packets since the key frame before the beginning
        size = 0
        with _open(segment.video) as source:
            stream = source.streams.video[0]
            for packet in _packets(source, stream, segment.ticks[first]):
                tick = _tick(packet.pts, stream.time_base)
                if tick > segment.ticks[last] or tick not in time_of:
                    break
                if packet.is_keyframe and tick <= segment.ticks[first]:
                    group.clear()
                    size = 0
                group.append(packet)
                size += packet.size
                if size > _BUFFER_LIMIT:
                    raise RecordingError(f"{self.folder}: that clip is too long; ask for a shorter one")
            if not group or not group[0].is_keyframe:
                raise RecordingError(
                    f"{segment.video}: pictures at {begin_ns / NS:.3f} s are not on the disk yet; ask again"
                )
            times = [time_of[_tick(packet.pts, stream.time_base)] for packet in group]
            try:
                return CutClip(_remux(stream, group, container_format), tuple(sorted(times)))
            except (OSError, *_AV_FAULTS) as error:
                raise RecordingError(f"{segment.video}: no clip can be cut from it ({error})") from error

    def _verify_lock(self, findings: list[Finding]) -> bool:
        holder = lock_holder(self.folder)
        if holder is None:
            return False
        running, pid = holder
        if running:
            findings.append(Finding("warning", f"process {pid} is still recording into it"))
        else:
            findings.append(
                Finding("warning", f"process {pid} left it open; railcrest session repair makes it whole")
            )
        return running

    def _verify_journal(
        self, findings: list[Finding], running: bool
    ) -> tuple[dict[str, str], tuple[Pause, ...]]:
        """Check the journal; gives the hashes it holds, and when pictures were left out on purpose."""
        path = self.file(JOURNAL_FILE)
        try:
            stated = hash_file(path).read_text()
            if path.exists() and stated != hash_line(path):
                findings.append(Finding("error", f"{JOURNAL_FILE}: was changed after it was closed"))
        except FileNotFoundError:
            if not running:
                findings.append(
                    Finding("warning", f"{JOURNAL_FILE}: was not closed, so that only its rows are checked")
                )
        except (OSError, ValueError) as error:
            findings.append(Finding("error", f"{hash_file(path).name}: cannot be read ({error})"))
        try:
            with self.journal() as journal:
                if fault := journal.verify():
                    findings.append(Finding("error", fault))
                return journal.seals(), journal.pauses()
        except RecordingError as error:
            findings.append(Finding("error", str(error)))
            return {}, ()

    def _verify_seals(self, findings: list[Finding], sealed: dict[str, str], running: bool) -> None:
        for name, digest in sealed.items():
            if not digest or (running and name == MANIFEST):
                continue
            try:
                if sha256_of(self.file(name)) != digest:
                    findings.append(Finding("error", f"{name}: was changed after it was closed"))
            except FileNotFoundError:
                findings.append(Finding("error", f"{name}: is missing"))
            except (OSError, RecordingError) as error:
                findings.append(Finding("error", f"{name}: cannot be read ({error})"))
        if not running:
            findings += [
                Finding("warning", f"{path.name}: has no hash; railcrest session repair gives it one")
                for path in sorted(self.folder.iterdir())
                if _OURS.fullmatch(path.name) and not sealed.get(path.name)
            ]

    def _verify_segment(
        self, number: int, findings: list[Finding], last_ns: int | None, pauses: Sequence[Pause]
    ) -> int | None:
        """Check one segment, given when the one before ended; gives when this one ends."""
        segment = Segment(number, self.file(f"feed-{number:04d}.mkv"), self.file(f"feed-{number:04d}.csv"))
        segment.refresh()
        name, times = segment.video.name, segment.t_ns
        if segment.disorder is not None:
            text = f"{segment.sidecar.name}: row {segment.disorder + 1} is not later than the one before"
            findings.append(Finding("error", text))
        if times and last_ns is not None and times[0] <= last_ns:
            findings.append(Finding("warning", f"{name}: begins before the segment before it ended"))
        for before, after in itertools.pairwise(times):
            if after - before > GAP_NS and not on_purpose(before, after, pauses):
                text = f"{name}: no picture for {(after - before) / NS:.1f} s from {before / NS:.3f} s on"
                findings.append(Finding("warning", text))
        ticks = _picture_ticks(segment.video)
        if len(ticks) > len(times):
            findings.append(Finding("error", f"{name}: {len(ticks)} pictures but {len(times)} times"))
        elif ticks != segment.ticks[: len(ticks)]:
            findings.append(Finding("error", f"{name}: its pictures are not at the times of its table"))
        elif len(ticks) < len(times):
            lost = len(times) - len(ticks)
            findings.append(Finding("warning", f"{name}: the last {lost} pictures were lost"))
        return times[-1] if times else last_ns


def on_purpose(before_ns: int, after_ns: int, pauses: Iterable[Pause]) -> bool:
    """Whether the pictures between two were left out on purpose; whole groups go, a little more each side."""
    return any(
        before_ns >= p.begin_ns - 2 * GAP_NS and (p.end_ns is None or after_ns <= p.end_ns + 2 * GAP_NS)
        for p in pauses
    )


def _segment_numbers(folder: Path) -> list[int]:
    try:
        names = [path.name for path in folder.iterdir()]
    except OSError as error:
        raise RecordingError(f"{folder}: cannot be read ({error})") from error
    return sorted(int(match[1]) for name in names if (match := _SEGMENT.fullmatch(name)))


def _open(path: Path) -> Any:
    try:
        container = av.open(str(path))
    except (OSError, *_AV_FAULTS) as error:
        raise RecordingError(f"{path}: cannot be read as a video ({error})") from error
    if not container.streams.video:
        container.close()
        raise RecordingError(f"{path}: holds no pictures")
    return container


def _tick(pts: int, time_base: Fraction) -> int:
    """A container's time stamp in milliseconds."""
    return round(pts * time_base * 1000)


def _packets(container: Any, stream: Any, tick: int) -> Iterator[Any]:
    """Packets from the key frame at or before ``tick``; ends quietly where the recording does."""
    with contextlib.suppress(*_AV_FAULTS):  # a file that is being written has no index: read from its start
        container.seek(round(tick / 1000 / stream.time_base), stream=stream, backward=True)
    try:
        for packet in container.demux(stream):
            if packet.pts is not None and packet.size > 0:
                yield packet
    except _AV_FAULTS:
        return


def _remux(stream: Any, packets: Sequence[Any], container_format: str) -> bytes:
    buffer = io.BytesIO()
    with av.open(buffer, "w", format=container_format) as out:
        target = out.add_stream_from_template(stream)
        offset = packets[0].pts
        for packet in packets:
            packet.stream = target
            packet.pts = packet.dts = packet.pts - offset
            out.mux(packet)
    return buffer.getvalue()

"""The session folder: what was recorded, with what, and where each moment of it is.

::

    session.json       the manifest: rig, camera, table, networks, software
    journal.sqlite     gymnasts, routines, readings, rulings (bridge.journal)
    feed-0001.mkv      the pictures, one segment for each start of capture
    feed-0001.csv      frame, t_ns, pts: the exact capture time of each picture
    joints-0001.csv    the joints in each picture
    lock               only while capture has the session open
    bus.json           only while capture runs: where its bus is

Pictures are found by capture time through the sidecar, never by frame number over frame rate; all
of it also works while capture is still writing.
"""

from __future__ import annotations

import bisect
import contextlib
import fcntl
import hashlib
import io
import json
import logging
import os
import re
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Literal

import av
import msgspec
import numpy as np
import platformdirs
from numpy.typing import NDArray

from bridge.errors import RecordingError
from bridge.journal import FILE as JOURNAL_FILE
from bridge.journal import Journal, Note, Wall
from bridge.messages import Policy

log = logging.getLogger(__name__)

FORMAT: Final = 1
MANIFEST: Final = "session.json"
LOCK: Final = "lock"
KEEP_DAYS: Final = 30
NS: Final = 1_000_000_000
_SEGMENT: Final = re.compile(r"feed-(\d{4})\.mkv")
_BUFFER_LIMIT: Final = 512 * 1024 * 1024  # bytes of one clip
_AV_FAULTS: Final = (av.FFmpegError, EOFError, ValueError)


class Manifest(msgspec.Struct, frozen=True, kw_only=True):
    """What a session was recorded with. New fields have defaults; unknown ones are ignored."""

    format: int = FORMAT
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
    table_sha256: str = ""
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
    and the journal notes.

    Args:
        folder: the session folder.
        manifest: of a new session; for an existing one it is kept as it is.
        wall: wall clock for the journal.
        now_ns: capture time, for a take-over note.

    Raises:
        RecordingError: another capture has the session open, or the folder cannot be written.
    """

    def __init__(
        self, folder: Path, manifest: Manifest, *, wall: Wall | None = None, now_ns: int = 0
    ) -> None:
        self.folder = folder
        self.taken_over: str | None = None
        self._lock: int | None = None
        try:
            folder.mkdir(parents=True, exist_ok=True)
            self._take_lock()
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

    def update(self, **changes: Any) -> Manifest:
        """Fill in what became known after the start, such as the camera fit."""
        self.manifest = msgspec.structs.replace(self.manifest, **changes)
        try:
            _write_whole(self.folder / MANIFEST, _manifest_text(self.manifest))
        except OSError as error:
            raise RecordingError(f"{self.folder / MANIFEST}: cannot be written ({error})") from error
        return self.manifest

    def close(self) -> None:
        """Close the journal and give the lock back; safe to call twice."""
        self.journal.close()
        self._drop_lock()

    def __enter__(self) -> SessionWriter:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _take_lock(self) -> None:
        path = self.folder / LOCK
        while self._lock is None:
            number = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
            before = os.read(number, 64).decode(errors="replace").strip()
            try:
                fcntl.flock(number, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError as error:
                os.close(number)
                raise RecordingError(
                    f"{self.folder}: process {before or 'unknown'} is recording into it; "
                    "stop that one or choose another folder with --session"
                ) from error
            if path.exists() and path.stat().st_ino == os.fstat(number).st_ino:
                self._lock = number
            else:
                os.close(number)  # its holder removed it between our opening and locking it
        if before:
            self.taken_over = f"process {before} left the session open; it was taken over"
        os.ftruncate(number, 0)
        os.pwrite(number, f"{os.getpid()}\n".encode(), 0)

    def _drop_lock(self) -> None:
        if self._lock is None:
            return
        number, self._lock = self._lock, None
        (self.folder / LOCK).unlink(missing_ok=True)  # while it is still ours
        os.close(number)


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
        needs = json.loads(content).get("minimum_reader", 1)
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
        """Check that the session is whole; an empty list says it is."""
        findings: list[Finding] = []
        self._verify_lock(findings)
        self._verify_journal(findings)
        for number in _segment_numbers(self.folder):
            try:
                self._verify_segment(number, findings)
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

    def _verify_lock(self, findings: list[Finding]) -> None:
        holder = lock_holder(self.folder)
        if holder is None:
            return
        running, pid = holder
        if running:
            findings.append(Finding("warning", f"process {pid} is still recording into it"))
        else:
            findings.append(
                Finding("warning", f"process {pid} left it open: the last half second may be lost")
            )

    def _verify_journal(self, findings: list[Finding]) -> None:
        try:
            with self.journal() as journal:
                if fault := journal.verify():
                    findings.append(Finding("error", fault))
        except RecordingError as error:
            findings.append(Finding("error", str(error)))

    def _verify_segment(self, number: int, findings: list[Finding]) -> None:
        segment = Segment(number, self.file(f"feed-{number:04d}.mkv"), self.file(f"feed-{number:04d}.csv"))
        segment.refresh()
        if segment.disorder is not None:
            findings.append(
                Finding(
                    "error",
                    f"{segment.sidecar.name}: row {segment.disorder + 1} is not later than the one before",
                )
            )
        pictures = 0
        with _open(segment.video) as container:
            stream = container.streams.video[0]
            try:
                for packet in container.demux(stream):
                    pictures += packet.size > 0
            except _AV_FAULTS as error:
                findings.append(Finding("warning", f"{segment.video.name}: ends early ({error})"))
        if pictures > len(segment.t_ns):
            findings.append(
                Finding("error", f"{segment.video.name}: {pictures} pictures but {len(segment.t_ns)} times")
            )
        elif pictures < len(segment.t_ns):
            lost = len(segment.t_ns) - pictures
            findings.append(Finding("warning", f"{segment.video.name}: the last {lost} pictures were lost"))


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

"""Takes pictures and joints of given times out of a session's segments, for good.

Pictures can only go by whole groups (at most half a second), since the later ones of a group need the
earlier; so a little before and after goes too. The rest stays as it was recorded, at its own times.
What the file system keeps of overwritten files is not in our hands: an encrypted disk is the answer there.
"""

from __future__ import annotations

import contextlib
import csv
import io
import os
import tempfile
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, Final

import av

from bridge.errors import RecordingError
from bridge.session import Segment, Session

Span = tuple[int, int]  # capture time from and to, ns, both included
_AV_FAULTS: Final = (av.FFmpegError, EOFError, ValueError)


def erase_pictures(session: Session, spans: Sequence[Span]) -> list[str]:
    """Take out the pictures and joints of the given times.

    Args:
        session: not being recorded.
        spans: capture times.

    Returns:
        Names of the files that were changed or taken away; they need a new seal.

    Raises:
        RecordingError: a segment cannot be read, or not be written.
    """
    changed: list[str] = []
    for segment in session.segments():
        joints = session.file(f"joints-{segment.number:04d}.csv")
        try:
            if any(_within(t_ns, spans) for t_ns in segment.t_ns):
                kept = _rewrite(segment, spans)
                changed += [segment.video.name, segment.sidecar.name]
                if not kept:
                    joints.unlink(missing_ok=True)
                    changed.append(joints.name)
                    continue
            else:
                kept = None
            if joints.exists() and _thin(joints, spans, kept):
                changed.append(joints.name)
        except OSError as error:
            raise RecordingError(f"{segment.video}: cannot be rewritten ({error})") from error
    return changed


def _within(t_ns: int, spans: Iterable[Span]) -> bool:
    return any(begin_ns <= t_ns <= end_ns for begin_ns, end_ns in spans)


def _rewrite(segment: Segment, spans: Sequence[Span]) -> set[int]:
    """Write a segment anew without those times; gives the times that stay."""
    time_of = dict(zip(segment.ticks, segment.t_ns, strict=True))
    kept: list[tuple[int, int]] = []  # time, tick
    number, name = tempfile.mkstemp(prefix=f".{segment.video.name}-", dir=segment.video.parent)
    os.close(number)
    written = Path(name)
    try:
        with (
            av.open(str(segment.video)) as source,
            av.open(str(written), "w", format="matroska") as out,
        ):
            stream: Any = source.streams.video[0]
            target = out.add_stream_from_template(stream)
            for group in _groups(source, stream):
                times = [time_of.get(_tick(packet)) for packet in group]
                if any(t is None or _within(t, spans) for t in times):
                    continue
                for packet, t_ns in zip(group, times, strict=True):
                    assert t_ns is not None
                    kept.append((t_ns, _tick(packet)))
                    packet.stream = target
                    packet.dts = packet.pts
                    out.mux(packet)
        if kept:
            _sync(written)
            _replace(segment.sidecar, _table(kept))
            written.chmod(0o600)
            written.replace(segment.video)
        else:
            segment.sidecar.unlink(missing_ok=True)
            segment.video.unlink(missing_ok=True)
    except _AV_FAULTS as error:
        raise RecordingError(f"{segment.video}: cannot be rewritten ({error})") from error
    finally:
        written.unlink(missing_ok=True)
    return {t_ns for t_ns, _ in kept}


def _groups(source: Any, stream: Any) -> Iterable[list[Any]]:
    """Packets from key frame to key frame; ends quietly where the recording does."""
    group: list[Any] = []
    with contextlib.suppress(*_AV_FAULTS):
        for packet in source.demux(stream):
            if packet.pts is None or packet.size == 0:
                continue
            if packet.is_keyframe and group:
                yield group
                group = []
            group.append(packet)
    if group:
        yield group


def _tick(packet: Any) -> int:
    tick: int = round(packet.pts * packet.time_base * 1000)
    return tick


def _table(kept: Sequence[tuple[int, int]]) -> bytes:
    text = "frame,t_ns,pts\n" + "".join(f"{i},{t_ns},{tick}\n" for i, (t_ns, tick) in enumerate(kept))
    return text.encode()


def _thin(joints: Path, spans: Sequence[Span], kept: set[int] | None) -> bool:
    """Take rows out of a table of joints; says whether there were any."""
    text = joints.read_text()
    rows = list(csv.reader(io.StringIO(text)))

    def stays(row: list[str]) -> bool:
        if not row or not row[0].lstrip("-").isdigit():
            return True  # the headings
        t_ns = int(row[0])
        return not _within(t_ns, spans) and (kept is None or t_ns in kept)

    staying = [row for row in rows if stays(row)]
    if len(staying) == len(rows):
        return False
    out = io.StringIO(newline="")
    csv.writer(out, lineterminator="\n").writerows(staying)
    _replace(joints, out.getvalue().encode())
    return True


def _replace(path: Path, content: bytes) -> None:
    number, name = tempfile.mkstemp(prefix=f".{path.name}-", dir=path.parent)
    with os.fdopen(number, "wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    Path(name).replace(path)


def _sync(path: Path) -> None:
    number = os.open(path, os.O_RDONLY)
    try:
        os.fsync(number)
    finally:
        os.close(number)

"""What leaves a session: a table of readings, markers for video players, clips of flights."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from bridge.errors import ConfigError, RecordingError
from bridge.journal import FILE as JOURNAL_FILE
from bridge.journal import Journal, Note
from bridge.messages import Reading
from bridge.session import NS, Session

BEFORE_NS = 600_000_000
AFTER_NS = 600_000_000

COLUMNS = (
    "flight", "routine", "start_number", "number", "state", "reason", "family", "family_p", "family_by",
    "rail", "release_ns", "apex_ns", "end_ns", "end_kind", "flight_time_s", "apex_height_m",
    "apex_height_u_m", "band", "band_p", "range_low", "range_high", "gravity_m_s2", "gravity_u_m_s2",
    "ruling", "ruling_by", "ruling_note",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Exported:
    """Files that were written, and what was left out with the reason."""

    files: tuple[Path, ...]
    left_out: tuple[str, ...] = ()


def export(
    session: Session, out: Path, *, clips: bool = True, by: str = "", why: str = "", replace: bool = False
) -> Exported:
    """Write ``readings.csv``, ``feed-*.vtt`` and, with ``clips``, one MP4 a flight into ``out``.

    The export is noted in the session's journal where that can be written.

    Raises:
        ConfigError: ``out`` holds files of an earlier export and ``replace`` is not set.
        RecordingError: the session cannot be read, or ``out`` cannot be written.
    """
    if not replace and out.is_dir() and any(out.iterdir()):
        raise ConfigError(f"{out}: is not empty; choose another folder or give --replace")
    files: list[Path] = []
    left_out: list[str] = []
    try:
        out.mkdir(parents=True, exist_ok=True)
        with session.journal() as journal:
            readings = journal.readings()
            closed = {g.start_number for g in journal.gymnasts() if g.consent == "do not film"}
            numbers = {r.routine: r.start_number for r in journal.routines()}
            files.append(_readings(journal, readings, numbers, out / "readings.csv"))
        files += _markers(session, readings, out)
        for reading in readings if clips else ():
            if numbers.get(reading.routine) in closed:
                left_out.append(f"{reading.flight}: the gymnast is not to be filmed")
                continue
            try:
                files.append(export_clip(session, reading, out))
            except RecordingError as error:
                left_out.append(f"{reading.flight}: {error}")
    except OSError as error:
        raise RecordingError(f"{out}: cannot be written ({error}); choose another folder") from error
    try:
        with Journal(session.file(JOURNAL_FILE), write=True) as journal:
            names = ", ".join(path.name for path in files)
            journal.append(Note(about="export", text=f"{names}; why: {why or 'not said'}", by=by), 0)
    except RecordingError as error:
        left_out.append(f"the note of this export in the journal: {error}")
    return Exported(tuple(files), tuple(left_out))


def export_clip(session: Session, reading: Reading, out: Path) -> Path:
    """Write one flight as MP4, as it was recorded, with some time before and after."""
    if not reading.release_ns or not reading.end_ns:
        raise RecordingError("has no settled release and end")
    clip = session.clip_mp4(reading.release_ns - BEFORE_NS, reading.end_ns + AFTER_NS)
    name = "".join(c if c.isalnum() or c in "-_" else "_" for c in reading.flight)
    path = out / f"flight-{name}.mp4"
    path.write_bytes(clip.data)
    return path


def _readings(journal: Journal, readings: Iterable[Reading], numbers: dict[int, str], path: Path) -> Path:
    rulings = {ruling.flight: ruling for ruling in journal.rulings()}
    with path.open("w", newline="", encoding="utf-8") as file:
        table = csv.DictWriter(file, COLUMNS)
        table.writeheader()
        for r in readings:
            ruling = rulings.get(r.flight)
            row: dict[str, object] = {
                "flight": r.flight, "routine": r.routine, "start_number": numbers.get(r.routine, ""),
                "number": r.number, "state": r.state, "reason": r.reason,
                "family": r.family, "family_p": f"{r.family_p:.3f}", "family_by": r.family_by, "rail": r.rail,
                "release_ns": r.release_ns, "apex_ns": r.apex_ns, "end_ns": r.end_ns,
                "end_kind": r.end_kind, "band": r.band, "band_p": f"{r.band_p:.4f}",
            }  # fmt: skip
            if r.release_ns and r.end_ns:
                row["flight_time_s"] = f"{(r.end_ns - r.release_ns) / NS:.4f}"
            if r.apex is not None:
                row["apex_height_m"], row["apex_height_u_m"] = f"{r.apex.value:.4f}", f"{r.apex.u:.4f}"
            if r.gravity is not None:
                row["gravity_m_s2"], row["gravity_u_m_s2"] = f"{r.gravity.value:.3f}", f"{r.gravity.u:.3f}"
            if r.range is not None:
                row["range_low"], row["range_high"] = r.range
            if ruling is not None:
                row["ruling"], row["ruling_by"] = _text(ruling.decision), _text(ruling.by)
                row["ruling_note"] = _text(ruling.note)
            table.writerow(row)
    return path


def _text(text: str) -> str:
    """Free text that a spreadsheet will not take for a formula."""
    return "'" + text if text[:1] in {"=", "+", "-", "@", "\t", "\r"} else text


def _markers(session: Session, readings: Iterable[Reading], out: Path) -> list[Path]:
    """One WebVTT file beside each segment's name, with a cue for each flight in it."""
    readings = list(readings)
    files = []
    for segment in session.segments():
        if not segment.t_ns:
            continue
        lines = ["WEBVTT", ""]
        first_ns, last_ns = segment.t_ns[0], segment.t_ns[-1]
        for r in readings:
            if not (r.end_ns and first_ns <= r.release_ns <= last_ns):
                continue
            lines += [
                r.flight,
                f"{_stamp(r.release_ns - first_ns)} --> {_stamp(max(r.end_ns, r.release_ns + 1) - first_ns)}",
                _caption(r),
                "",
            ]
        path = out / f"{segment.video.stem}.vtt"
        path.write_text("\n".join(lines), encoding="utf-8")
        files.append(path)
    return files


def _caption(r: Reading) -> str:
    words = f"{r.family.replace('_', ' ')} " if r.family else ""
    if r.apex is None or r.state == "withheld":
        text = f"{words}no reading: {r.reason}" if r.reason else f"{words}no reading"
    else:
        text = f"{words}{100 * r.apex.value:+.0f} ± {196 * r.apex.u:.0f} cm, {r.band} (display only)"
    return " ".join(text.replace("&", "&amp;").replace("<", "&lt;").replace("-->", "→").split())


def _stamp(t_ns: int) -> str:
    ms = round(t_ns / 1e6)
    return f"{ms // 3_600_000:02d}:{ms // 60_000 % 60:02d}:{ms // 1000 % 60:02d}.{ms % 1000:03d}"

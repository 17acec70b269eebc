"""What leaves a session: a table of readings, markers for video players, clips of flights.

Consent goes along: nothing of whoever is not to be filmed, pictures only of those who allow what they are
for, nothing at all once the day of deletion is past. Every export is logged: who, what, when, why.
"""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from bridge.consent import Consents, Purpose, refuse_expired
from bridge.errors import ConfigError, RecordingError
from bridge.journal import FILE as JOURNAL_FILE
from bridge.journal import Journal, Note
from bridge.messages import Reading
from bridge.running_order import entries_of
from bridge.session import NS, Session

BEFORE_NS = 600_000_000
AFTER_NS = 600_000_000

COLUMNS = (
    "flight", "routine", "start_number", "number", "state", "reason", "family", "family_p", "family_by",
    "rail", "release_ns", "apex_ns", "end_ns", "end_kind", "flight_time_s", "apex_height_m",
    "apex_height_u_m", "band", "band_p", "range_low", "range_high", "gravity_m_s2", "gravity_u_m_s2",
    "ruling", "ruling_by", "ruling_note", "consent", "delete_by",
)  # fmt: skip
ABOUT = "about.txt"
WHY = "; why: "  # between what was exported and why, in the log


@dataclass(frozen=True, slots=True)
class Exported:
    """Files that were written, and what was left out with the reason."""

    files: tuple[Path, ...]
    left_out: tuple[str, ...] = ()


def export(
    session: Session,
    out: Path,
    *,
    clips: bool = True,
    by: str = "",
    why: str = "",
    replace: bool = False,
    only: str = "",
    purpose: Purpose = "coaching",
) -> Exported:
    """Write ``readings.csv``, ``feed-*.vtt`` and, with ``clips``, one MP4 a flight into ``out``.

    The export is noted in the session's journal where that can be written.

    Args:
        session: it stays as it is, but for the note in its journal.
        out: folder to write to.
        clips: also the pictures, of those whose consent covers ``purpose``.
        by: role of whoever exports.
        why: what it is for, in words.
        replace: write over an earlier export.
        only: a start number; then nothing of anybody else leaves.
        purpose: what the pictures are for.

    Raises:
        ConfigError: ``out`` holds files of an earlier export and ``replace`` is not set; the session was
            to be deleted; nobody has the number ``only``.
        RecordingError: the session cannot be read, or ``out`` cannot be written.
    """
    refuse_expired(session)
    if not replace and out.is_dir() and any(out.iterdir()):
        raise ConfigError(f"{out}: is not empty; choose another folder or give --replace")
    files: list[Path] = []
    left_out: list[str] = []
    try:
        out.mkdir(parents=True, exist_ok=True)
        with session.journal() as journal:
            consents = Consents(journal, session.manifest)
            names = ClipNames(session, journal)
            readings = [r for r in journal.readings() if not only or consents.number(r.routine) == only]
            if only and not readings:
                raise ConfigError(
                    f"{only}: nobody with this start number has a flight in {session.folder.name}"
                )
            stay = {r.flight: consents.figures_stay(r.routine) for r in readings}
            left_out += [f"{flight}: {why_not}" for flight, why_not in stay.items() if why_not]
            readings = [r for r in readings if not stay[r.flight]]
            files.append(_readings(journal, readings, consents, out / "readings.csv"))
        files += _markers(session, readings, out)
        for reading in readings if clips else ():
            try:
                if stays := consents.picture_stays(reading.routine, purpose):
                    left_out.append(f"{reading.flight}: {stays}")
                else:
                    files.append(export_clip(session, reading, out, names.of(reading)))
            except RecordingError as error:
                left_out.append(f"{reading.flight}: {error}")
        files.append(_about(session, out / ABOUT, only, purpose, why))
    except OSError as error:
        raise RecordingError(f"{out}: cannot be written ({error}); choose another folder") from error
    try:
        note_export(session, ", ".join(path.name for path in files), by=by, why=why)
    except RecordingError as error:
        left_out.append(f"the note of this export in the journal: {error}")
    return Exported(tuple(files), tuple(left_out))


def note_export(session: Session, what: str, *, by: str = "", why: str = "") -> None:
    """Log that something left the session. Raises RecordingError when the journal cannot be written."""
    with Journal(session.file(JOURNAL_FILE), write=True) as journal:
        journal.append(Note(about="export", text=f"{what}{WHY}{why or 'not said'}", by=by), 0)


@dataclass(frozen=True, slots=True)
class LoggedExport:
    """One line of the export log."""

    when: str  # ISO 8601, UTC
    by: str
    what: str
    why: str


def logged_exports(journal: Journal) -> list[LoggedExport]:
    """What left a session, in order of time."""
    found = []
    for row in journal.rows("note"):
        note = row.entry()
        if isinstance(note, Note) and note.about == "export":
            what, _, why = note.text.partition(WHY)
            found.append(LoggedExport(row.wall_time, note.by, what, why))
    return found


class ClipNames:
    """Names of clips, always alike: date, session, apparatus, rotation, order, number, take, flight."""

    def __init__(self, session: Session, journal: Journal) -> None:
        self._head = f"{session.manifest.created[:10]}_{_plain(session.manifest.title)[:40]}_bars"
        self._entries = {e.number: e for e in entries_of(journal)}
        self._takes: dict[int, tuple[str, int]] = {}
        taken: Counter[str] = Counter()
        for routine in journal.routines():
            if not routine.warm_up and routine.start_number:
                taken[routine.start_number] += 1
                self._takes[routine.routine] = routine.start_number, taken[routine.start_number]

    def of(self, reading: Reading) -> str:
        """The name of a flight's clip, without its ending."""
        if reading.routine not in self._takes:
            return f"{self._head}_routine{reading.routine:02d}_f{reading.number}"
        number, take = self._takes[reading.routine]
        parts = [self._head]
        if entry := self._entries.get(number):
            parts += [f"r{_plain(entry.rotation)}"] if entry.rotation else []
            parts.append(f"o{entry.order:02d}")
        return "_".join([*parts, f"n{_plain(number)}", f"t{take}", f"f{reading.number}"])


def _plain(text: str) -> str:
    return "".join(c if c.isalnum() else "-" for c in text).strip("-")


def _about(session: Session, path: Path, only: str, purpose: Purpose, why: str) -> Path:
    """What somebody who comes upon the folder later must know."""
    manifest = session.manifest
    lines = [
        f"From {manifest.title}, recorded {manifest.created[:10]}.",
        f"Delete by {manifest.expires}." if manifest.expires else "",
        f"Of start number {only} alone." if only else "",
        f"The clips are for {purpose} and for nothing else: they show people who agreed to that.",
        f"Handed on for: {why or 'not said'}.",
        "Display aid only: the panel decides. Do not pass on, publish or keep longer.",
    ]
    path.write_text("\n".join(line for line in lines if line) + "\n", encoding="utf-8")
    return path


def export_clip(session: Session, reading: Reading, out: Path, name: str = "") -> Path:
    """Write one flight as MP4, as it was recorded, with some time before and after.

    Args:
        name: of the file without its ending; left out: after the flight.
    """
    if not reading.release_ns or not reading.end_ns:
        raise RecordingError("has no settled release and end")
    clip = session.clip_mp4(reading.release_ns - BEFORE_NS, reading.end_ns + AFTER_NS)
    plain = "".join(c if c.isalnum() or c in "-_" else "_" for c in name or f"flight-{reading.flight}")
    path = out / f"{plain}.mp4"
    path.write_bytes(clip.data)
    return path


def _readings(journal: Journal, readings: Iterable[Reading], consents: Consents, path: Path) -> Path:
    rulings = {ruling.flight: ruling for ruling in journal.rulings()}
    with path.open("w", newline="", encoding="utf-8") as file:
        table = csv.DictWriter(file, COLUMNS)
        table.writeheader()
        for r in readings:
            ruling = rulings.get(r.flight)
            row: dict[str, object] = {
                "flight": r.flight, "routine": r.routine, "start_number": consents.number(r.routine),
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
            row["consent"], row["delete_by"] = consents.of(r.routine) or "", consents.expires
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

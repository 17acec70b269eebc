"""Finds one gymnast in a session and takes her out: pictures, joints, readings, rulings, start list.

What goes, goes for good; a dated note without her number stays, and so does a journal that verifies. What
was handed on before cannot be fetched back: the export log names it, so that people can be asked. Example
sets elsewhere are told through the entry-point group :data:`GROUP`: a callable from the session's name, her
start number and the files of further sets to one line for each thing that went.
"""

from __future__ import annotations

import dataclasses
import importlib.metadata
import re
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import msgspec

from bridge.erasing import Span, erase_pictures
from bridge.errors import ConfigError, RecordingError
from bridge.journal import Gymnast, Journal, Note, Pause, Row
from bridge.messages import Reading, Routine
from bridge.running_order import CALLED, CARE, entries_of
from bridge.session import NS, Session, SessionWriter, read_manifest, seal

GROUP: Final = "railcrest.forget"
AROUND_NS: Final = 10 * NS  # pictures nearer than this to somebody else's routine stay
FIRST_LAST_NS: Final = 60 * NS  # before the session's first routine and after its last
AT_LEAST_NS: Final = 2 * NS  # of the walk to and from the bars always goes

Forget = Callable[[str, str, Sequence[Path]], Sequence[str]]


@dataclass(frozen=True, slots=True)
class Held:
    """What a session holds of one gymnast."""

    routines: tuple[int, ...]
    flights: tuple[str, ...]
    spans: tuple[Span, ...]  # of her pictures
    rows: tuple[int, ...]  # of the journal
    exported: tuple[str, ...]  # notes of exports that may hold something of hers

    def __bool__(self) -> bool:
        return bool(self.rows or self.spans)


def find(journal: Journal, number: str, *, warm_up: bool = False) -> Held:
    """Everything a session holds under a start number; with ``warm_up`` all warm-up, too.

    Raises:
        RecordingError: a row cannot be read.
    """
    routines = {r.routine for r in journal.routines() if r.start_number == number or (warm_up and r.warm_up)}
    return _held(journal, number, routines)


def remove_gymnast(
    folder: Path,
    number: str,
    *,
    warm_up: bool = False,
    by: str = "",
    why: str = "",
    sets: Sequence[Path] = (),
) -> list[str]:
    """Take one gymnast out of a closed session; says what went, one line each.

    Args:
        folder: the session folder.
        number: her start number.
        warm_up: take all warm-up out, too; there nobody is told apart.
        by: role of whoever asks.
        why: noted beside what went.
        sets: files of example sets other than the user's own.

    Raises:
        ConfigError: nothing in the session is under that number.
        RecordingError: it is being recorded, or cannot be read or written.
    """
    with SessionWriter(folder, read_manifest(folder), repairing=True) as writer:
        session = Session.open(folder)
        held = find(writer.journal, number, warm_up=warm_up)
        if not held:
            raise ConfigError(f"{folder.name}: nothing is on record under {number}; see railcrest meet show")
        said = _take_out(session, writer.journal, held, by=by, why=why or "the gymnast was removed")
        said += _elsewhere(session.folder.name, number, sets)
        warm_ups = sum(r.warm_up for r in writer.journal.routines()) if not warm_up else 0
        if warm_ups:
            said.append(f"in {warm_ups} warm-up turns nobody is told apart; --warm-up takes them all out")
        said += [f"handed on before, ask for it back: {text}" for text in held.exported]
        return said


def keep_unfilmed_out(folder: Path, journal: Journal, t_ns: int = 0) -> list[str]:
    """Take out what was recorded of gymnasts who are not to be filmed; says what went.

    Her routines stay on record with their times, without pictures, joints, readings and rulings.

    Args:
        folder: of a session that is not being recorded any more, and whose lock the caller holds.
        journal: its journal, open for writing.
    """
    session = Session.open(folder)
    held = _unfilmed(session, journal)
    if held is None:
        return []
    return _take_out(session, journal, held, why="not to be filmed", t_ns=t_ns)


def still_held(session: Session) -> bool:
    """Whether a session still holds pictures or readings of somebody who is not to be filmed."""
    with session.journal() as journal:
        return _unfilmed(session, journal) is not None


# --- inside ---------------------------------------------------------------------------------


def _unfilmed(session: Session, journal: Journal) -> Held | None:
    """What is there of routines of gymnasts who are not to be filmed; None when nothing is."""
    unfilmed = {e.number for e in entries_of(journal) if e.consent == "do not film"}
    pauses = [p for p in journal.pauses() if p.why == "do not film"]
    hers = [r for r in journal.routines() if r.start_number in unfilmed and not r.warm_up]
    if not hers:
        return None
    held = _held(journal, None, {r.routine for r in hers})
    recorded = {
        r.routine
        for r in hers
        if not any(
            p.begin_ns <= r.begin_ns - AT_LEAST_NS and (p.end_ns is None or p.end_ns >= (r.end_ns or 0))
            for p in pauses
        )
    }
    spans = _spans(journal, recorded)
    times_ns = session.frame_times_ns()
    there = any(((times_ns >= a) & (times_ns <= b)).any() for a, b in spans)
    if not held.rows and not there:
        return None
    return dataclasses.replace(held, spans=spans)


def _held(journal: Journal, number: str | None, routines: Collection[int]) -> Held:
    """What hangs on routines; with a number also what is under that number itself."""
    rows: list[int] = []
    flights: dict[str, None] = {}
    exported: list[str] = []
    everything = [(row, row.entry()) for row in journal.rows() if row.kind != "taken out"]
    for _, entry in everything:
        if isinstance(entry, Reading) and entry.routine in routines:
            flights.setdefault(entry.flight)
    for row, entry in everything:
        match entry:
            case Routine():
                hers = number is not None and (entry.routine in routines or entry.start_number == number)
            case Gymnast():
                hers = entry.start_number == number
            case Note():
                words = re.findall(r"[\w./-]+", entry.text) if entry.about in (CALLED, CARE) else []
                hers = number in words
                if entry.about == "export":
                    exported.append(_export_line(row, entry))
            case _:  # readings, handstands, rulings, tags: whatever hangs on a routine or a flight
                on = getattr(entry, "routine", None), getattr(entry, "flight", None)
                hers = on[0] in routines or on[1] in flights
        if hers:
            rows.append(row.id)
    return Held(
        routines=tuple(sorted(routines)),
        flights=tuple(flights),
        spans=_spans(journal, routines),
        rows=tuple(rows),
        exported=tuple(exported) if routines else (),
    )


def _export_line(row: Row, note: Note) -> str:
    return f"{row.wall_time[:16].replace('T', ' ')} UTC by {note.by or 'not said'}: {note.text}"


def _spans(journal: Journal, routines: Collection[int]) -> tuple[Span, ...]:
    """From somebody else's routine before to somebody else's after, but for a little around those."""
    ordered = sorted(journal.routines(), key=lambda r: r.begin_ns)
    spans = []
    for place, routine in enumerate(ordered):
        if routine.routine not in routines:
            continue
        end_ns = routine.end_ns if routine.end_ns is not None else routine.begin_ns
        before = [r for r in ordered[:place] if r.routine not in routines]
        after = [r for r in ordered[place + 1 :] if r.routine not in routines]
        from_ns = routine.begin_ns - FIRST_LAST_NS
        if before:
            from_ns = (before[-1].end_ns or before[-1].begin_ns) + AROUND_NS
        to_ns = after[0].begin_ns - AROUND_NS if after else end_ns + FIRST_LAST_NS
        spans.append((min(from_ns, routine.begin_ns - AT_LEAST_NS), max(to_ns, end_ns + AT_LEAST_NS)))
    return tuple(spans)


def _take_out(
    session: Session, journal: Journal, held: Held, *, why: str, by: str = "", t_ns: int = 0
) -> list[str]:
    """Pictures first, then the journal: a removal that is cut short can simply be asked for again."""
    before = len(session.frame_times_ns())
    routines = {r.routine: r for r in journal.routines()}
    changed = erase_pictures(session, held.spans)
    gone = before - len(Session.open(session.folder).frame_times_ns())
    for begin_ns, end_ns in held.spans if changed else ():
        journal.append(Pause(begin_ns=begin_ns, end_ns=end_ns, why="removed"), t_ns)
    journal.take_out(held.rows, why, by, t_ns)
    left = {r.routine for r in journal.routines()}
    for number in held.routines:
        if number not in left:  # that there was a routine stays known, without whose
            bare = msgspec.structs.replace(routines[number], start_number="", by_hand=True)
            journal.append(bare, bare.end_ns or t_ns)
    seal(session.folder, journal, t_ns, changed)
    text = (
        f"{len(held.routines)} routines, {len(held.flights)} flights, {gone} pictures and "
        f"{len(held.rows)} rows taken out: {why}"
    )
    journal.append(Note(about="removal", text=text, by=by), t_ns)
    return [text]


def _elsewhere(session: str, number: str, sets: Sequence[Path]) -> list[str]:
    """Tell whoever else keeps something of gymnasts."""
    said: list[str] = []
    for point in importlib.metadata.entry_points(group=GROUP):
        try:
            forget: Forget = point.load()
        except Exception as error:
            raise RecordingError(
                f"{point.name}: could not be asked to forget her ({error}); see railcrest doctor"
            ) from error
        said += [f"{point.name}: {text}" for text in forget(session, number, sets)]
    return said


__all__ = ["GROUP", "Held", "find", "keep_unfilmed_out", "remove_gymnast", "still_held"]

"""Writes a review note and what belongs to it, and tells the journal."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

from bridge.consent import refuse_expired
from bridge.errors import ConfigError, RecordingError
from bridge.export import export_clip
from bridge.journal import FILE as JOURNAL_FILE
from bridge.journal import Journal, Note, sha256_of
from overlay.note.facts import Instant, NoteFacts, collect
from overlay.note.page import Paper, write_page
from overlay.note.stills import Still, stills


@dataclass(frozen=True, slots=True)
class Written:
    """Files that were written, the page first, and what was left out with the reason."""

    files: tuple[Path, ...]
    left_out: tuple[str, ...] = ()


def write_note(
    folder: Path,
    flight: str,
    out: Path,
    *,
    with_name: bool = False,
    paper: Paper = "a4",
    by: str = "",
    why: str = "",
    replace: bool = False,
) -> Written:
    """Write one flight's page, stills, clip and table into a folder. Qt must be running.

    The journal notes it with the page's hash, so that the paper can be held against the session later.

    Args:
        folder: the session folder, also while it is being recorded.
        flight: for example ``r1-f2``.
        out: where the files go; it is made if need be.
        with_name: print the gymnast's name, where one is known.
        paper: its size.
        by: who asked for it, by role.
        why: what for.
        replace: overwrite an earlier note of this flight there.

    Raises:
        ConfigError: a note of this flight is there already, or the session's day of deletion is past.
        RecordingError: no such flight, the gymnast is not to be filmed, or files cannot be read or written.
    """
    facts = collect(folder, flight, with_name=with_name)
    refuse_expired(facts.session)
    page = out / f"note-{flight}.pdf"
    if page.exists() and not replace:
        raise ConfigError(f"{page}: is there already; choose another folder or give --replace")
    left_out: list[str] = []
    shown: list[Still] = []
    try:
        out.mkdir(parents=True, exist_ok=True)
        try:
            shown = stills(facts.session, facts.reading, facts.instants, facts.level)
        except RecordingError as error:
            left_out.append(f"stills: {error}")
        write_page(page, facts, shown, paper)
        files = [page, *_pictures(shown, flight, out)]
        try:
            files.append(export_clip(facts.session, facts.reading, out))
        except RecordingError as error:
            left_out.append(f"clip: {error}")
        if facts.measured:
            files.append(_table(facts, out / f"note-{flight}.csv"))
        else:
            left_out.append("table: this session's policy, or the reading, gives no figures")
    except OSError as error:
        raise RecordingError(f"{out}: cannot be written ({error}); choose another folder") from error
    text = f"review note of {flight}: {', '.join(p.name for p in files)}; {page.name} {sha256_of(page)}"
    named = ", with the name" if with_name and facts.gymnast and facts.gymnast.name else ""
    try:
        with Journal(facts.session.file(JOURNAL_FILE), write=True) as journal:
            journal.append(Note(about="export", text=f"{text}{named}; why: {why or 'not said'}", by=by), 0)
    except RecordingError as error:
        left_out.append(f"the note of this export in the journal: {error}")
    return Written(tuple(files), tuple(left_out))


def _pictures(shown: list[Still], flight: str, out: Path) -> list[Path]:
    files = []
    for number, still in enumerate(shown, 1):
        for kind, image in (("plain", still.plain), ("drawn", still.drawn)):
            if image is None:
                continue
            path = out / f"still-{flight}-{number}-{still.instant.name}-{kind}.png"
            if not image.save(str(path), "PNG"):  # type: ignore[call-overload]  # the stub asks for bytes
                raise RecordingError(f"{path}: cannot be written; choose another folder")
            files.append(path)
    return files


def _table(facts: NoteFacts, path: Path) -> Path:
    """Every figure with its standard uncertainty, one a row."""
    reading = facts.reading
    rows: list[tuple[str, float, float, str, int | str]] = []
    for instant in facts.instants:
        rows += _instant_rows(instant)
    rows += [(m.name, m.quantity.value, m.quantity.u, m.quantity.unit, "") for m in reading.measures]
    if reading.gravity is not None:
        rows.append(("gravity", reading.gravity.value, reading.gravity.u, reading.gravity.unit, ""))
    rows += [(f"chance_{c.band.replace(' ', '_')}", c.p, 0.0, "1", "") for c in reading.chances]
    with path.open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file)
        table.writerow(("what", "value", "standard_uncertainty", "unit", "t_ns"))
        for what, value, u, unit, t_ns in rows:
            table.writerow((what, f"{value:.6g}", f"{u:.3g}", unit, t_ns))
    return path


def _instant_rows(instant: Instant) -> list[tuple[str, float, float, str, int | str]]:
    rows: list[tuple[str, float, float, str, int | str]] = []
    for kind, quantity in (("height", instant.height), ("rise", instant.rise)):
        if quantity is not None:
            rows.append((f"{instant.name}_{kind}", quantity.value, quantity.u, quantity.unit, instant.t_ns))
    return rows

"""Keep a recorded flight as an example: what the session knows of it is filled in by itself."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable
from contextlib import closing
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, Final

from bridge.errors import ConfigError, RailcrestError
from bridge.journal import FILE as JOURNAL_FILE
from bridge.journal import Journal, Note
from bridge.messages import Reading
from bridge.session import Session
from overlay.clinic.copies import session_of
from overlay.clinic.examples import Collection, Example, Grade, Side, example_of

_YEAR: Final = re.compile(r"^(?P<book>.*?)\s*(?P<year>\d{4})$")


@dataclass(frozen=True, slots=True)
class Known:
    """What is said of a flight beside its reading; what is left empty comes from the session."""

    side: Side | None = None
    book: str = ""
    year: int | None = None
    level: str = ""
    camera: str = ""
    shape: str = ""


def collect_flight(
    kept: Collection, folder: Path, flight: str, grade: Grade, reason: str, known: Known | None = None
) -> Example:
    """Keep a flight of a session folder in a collection.

    Consent and the day of deletion come from the session; rule book and year from its band table's
    name; the low bar's side and the camera's place from its rig; the body's shape from its measures.

    Raises:
        ConfigError: no such flight, no day of deletion, consent does not cover it, or something that the
            session does not know was not said.
        RecordingError: the session or the collection cannot be read or written.
    """
    known = known or Known()
    session = Session.open(folder)
    with closing(session.journal()) as journal:
        reading = next((r for r in journal.readings() if r.flight == flight), None)
        if reading is None:
            raise ConfigError(f"{folder}: no flight {flight}; railcrest sessions show lists them")
        who = {r.routine: r.start_number for r in journal.routines()}.get(reading.routine, "")
        consents = {g.start_number: g.consent for g in journal.gymnasts()}
    if not session.manifest.expires:
        raise ConfigError(f"{folder}: it has no day of deletion; set one first")
    rig = _rig(session)
    book = _YEAR.match(session.manifest.table)
    side = known.side or rig.get("apparatus", {}).get("low_bar_side", "right")
    title = known.book or (book["book"] if book else session.manifest.table)
    year = known.year or (int(book["year"]) if book else None)
    if not title or year is None:
        raise ConfigError(f"{folder}: it does not say which rule book and year; name them")
    example = example_of(
        reading,
        session=folder.resolve().name,
        folder=str(folder.resolve()),
        gymnast=who,
        grade=grade,
        reason=reason,
        side="left" if side == "left" else "right",
        rule_book=title,
        rule_year=year,
        consent=consents.get(who, "this session only"),
        expires=date.fromisoformat(session.manifest.expires),
        level=known.level,
        camera_place=known.camera or str(rig.get("camera", {}).get("place", "")),
        shape=known.shape or shape_words(reading),
    )
    kept.add(example)
    return kept.get(example.id)


def follow(kept: Collection) -> list[str]:
    """Follow what became of the sessions: consent and day of deletion travel with the examples.

    Examples whose consent ended or whose day is past go, and their copies with them. A session that is
    not there now, as on a disk that is not plugged in, leaves its examples as they were.

    Returns:
        What changed, one line each.
    """
    said: list[str] = []
    consents: dict[str, dict[str, Any]] = {}
    for example in kept.find():
        try:
            session = session_of(example)
        except ConfigError:
            continue
        if example.folder not in consents:
            with closing(session.journal()) as journal:
                consents[example.folder] = {g.start_number: g.consent for g in journal.gymnasts()}
            if session.manifest.expires:
                kept.set_expiry(example.session, date.fromisoformat(session.manifest.expires))
        consent = consents[example.folder].get(example.gymnast, "this session only")
        if consent != example.consent:
            gone = kept.set_consent(example.session, example.gymnast, consent)
            said += [f"{name}: taken out, consent became “{consent}”" for name in gone]
    said += [f"{name}: taken out, its day was past" for name in kept.drop_expired()]
    return said


def note_export(examples: Iterable[Example], what: str, by: str, why: str) -> list[str]:
    """Note in each session's journal that pictures of it left: what, by whom (role) and what for.

    Returns:
        Where it could not be noted, one line each.
    """
    said = []
    by_folder: dict[str, list[str]] = {}
    for example in examples:
        by_folder.setdefault(example.folder, []).append(example.flight)
    for folder, flights in by_folder.items():
        try:
            with Journal(Session.open(folder).file(JOURNAL_FILE), write=True) as journal:
                text = f"{what}: {', '.join(flights)}; why: {why or 'not said'}"
                journal.append(Note(about="export", text=text, by=by), 0)
        except RailcrestError as error:
            said.append(f"the export is not noted in {folder}: {error}")
    return said


def shape_words(reading: Reading) -> str:
    """The body's shape at the highest point, from the hip and knee angles; "" when not measured.

    Stretched hips are over 150 degrees and bent knees under 120: our choice, for finding examples only.
    """
    degrees = {m.name: m.quantity.value for m in reading.measures if m.name.endswith("_angle_at_apex")}
    hip, knee = degrees.get("hip_angle_at_apex"), degrees.get("knee_angle_at_apex")
    if hip is None or knee is None:
        return ""
    hip, knee = (57.29577951308232 * a for a in (hip, knee))
    if hip > 150:
        return "stretched"
    return "tucked" if knee < 120 else "piked"


def _rig(session: Session) -> dict[str, Any]:
    try:
        return tomllib.loads(session.manifest.rig_toml)
    except tomllib.TOMLDecodeError:
        return {}

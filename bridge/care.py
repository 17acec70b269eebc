"""What is due, deleting on the agreed day, and copies that are proved to be good."""

from __future__ import annotations

import logging
import shutil
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Final

import msgspec

from bridge.consent import days_left, refuse_expired
from bridge.errors import CheckError, ConfigError, RailcrestError, RecordingError
from bridge.journal import Journal, Note, sha256_of
from bridge.removal import keep_unfilmed_out, still_held
from bridge.session import (
    LOCK,
    Session,
    SessionWriter,
    being_recorded,
    find_sessions,
    read_manifest,
    repair_left,
)

log = logging.getLogger(__name__)

DELETED: Final = "deleted.jsonl"  # beside the sessions: what was deleted, when and why
SOON_DAYS: Final = 7
_NOT_COPIED: Final = {LOCK, "bus.json", "journal.sqlite-wal", "journal.sqlite-shm"}


@dataclass(frozen=True, slots=True)
class Due:
    """A session, and what is to be done with it."""

    folder: Path
    title: str
    expires: str  # ISO 8601 date
    days_left: int | None  # negative when its day is past; None when it has none
    recording: bool = False
    holds_unfilmed: bool = False  # pictures or readings of somebody who is not to be filmed
    problem: str = ""  # why it could not be looked into

    @property
    def overdue(self) -> bool:
        """Whether the day until which it may be kept is past."""
        return self.days_left is not None and self.days_left < 0

    @property
    def words(self) -> str:
        """When it goes, in words."""
        if self.problem:
            return self.problem
        if self.days_left is None:
            text = "no day of deletion was set"
        elif self.overdue:
            text = f"to be deleted since {self.expires}"
        else:
            days = {0: "today is its last day", 1: "1 day left"}.get(
                self.days_left, f"{self.days_left} days left"
            )
            text = f"kept until {self.expires}, {days}"
        if self.recording:
            text += "; being recorded"
        if self.holds_unfilmed:
            text += "; still holds somebody who is not to be filmed"
        return text


class Deleted(msgspec.Struct, frozen=True, kw_only=True):
    """The dated note that stays of a deleted session."""

    when: str  # ISO 8601, UTC
    session: str
    recorded: str
    expires: str
    pictures: int
    why: str


def due(root: Path, today: date | None = None) -> list[Due]:
    """All sessions under a folder, the most urgent first."""
    found = [_due(folder, today) for folder in find_sessions(root)]
    return sorted(found, key=lambda d: (d.days_left is None, d.days_left or 0, d.folder.name))


def purge(root: Path, today: date | None = None) -> list[str]:
    """Delete what is past its day, and take out whoever is not to be filmed; says what was done.

    Sessions that are being recorded are left alone.

    Raises:
        RecordingError: something cannot be deleted, or the note of it cannot be written.
    """
    said = delete_overdue(root, today)
    for found in due(root, today):
        if found.holds_unfilmed and not found.recording:
            repair_left(found.folder)
            with SessionWriter(found.folder, read_manifest(found.folder), repairing=True) as writer:
                said += [f"{found.folder.name}: {t}" for t in keep_unfilmed_out(found.folder, writer.journal)]
    return said


def delete_overdue(root: Path, today: date | None = None) -> list[str]:
    """Delete the sessions that are past their day, but for those being recorded; says what went.

    Raises:
        RecordingError: something cannot be deleted, or the note of it cannot be written.
    """
    said = []
    for folder in find_sessions(root):
        try:
            left = days_left(read_manifest(folder), today)
            recording = being_recorded(folder)
        except RailcrestError as error:
            log.info("%s: left alone (%s)", folder, error)
            continue
        if left is not None and left < 0 and not recording:
            said.append(_delete(folder, root, "the day until which it was to be kept was past"))
    return said


def deleted(root: Path) -> list[Deleted]:
    """The notes of what was deleted under a folder. Raises RecordingError when they cannot be read."""
    path = root / DELETED
    try:
        lines = path.read_bytes().splitlines() if path.exists() else []
        return [msgspec.json.decode(line, type=Deleted) for line in lines]
    except (OSError, msgspec.MsgspecError) as error:
        raise RecordingError(f"{path}: cannot be read ({error})") from error


def keep_until(folder: Path, day: date, *, by: str = "", why: str = "") -> None:
    """Set another day of deletion, with a note of who wanted it and why.

    Raises:
        ConfigError: no reason is given.
        RecordingError: it is being recorded, or cannot be written.
    """
    if not why.strip():
        raise ConfigError(f"{folder.name}: say why it is kept until {day}; the note stays with it")
    with SessionWriter(folder, read_manifest(folder), repairing=True) as writer:
        before = writer.manifest.expires or "no day"
        writer.update(expires=day.isoformat())
        text = f"to be deleted after {day} instead of {before}: {why}"
        writer.journal.append(Note(about="expiry", text=text, by=by), 0)


@dataclass(frozen=True, slots=True)
class Copied:
    """A copy that was read back and found to be the same."""

    folder: Path
    files: int
    size: int  # bytes
    journal_rows: int
    journal_head: str  # hash of the last row, to be noted elsewhere


def copy_session(folder: Path, into: Path, *, by: str = "") -> Copied:
    """Copy a closed session to another disk and prove the copy: every file read back, all seals checked.

    Args:
        folder: the session folder.
        into: the folder in which the copy is made, under the same name.
        by: role of whoever copies; noted in the journal, so in the copy, too.

    Raises:
        ConfigError: it is to be deleted, or something is there already.
        CheckError: the session itself does not verify, or the copy differs.
        RecordingError: it is being recorded, cannot be read, or the disk is full.
    """
    session = Session.open(folder)
    refuse_expired(session)
    repair_left(folder)
    if being_recorded(folder):
        raise RecordingError(f"{folder}: is being recorded; copy it when capture has ended")
    faults = [f.text for f in session.verify() if f.grade == "error"]
    if faults:
        raise CheckError(f"{folder}: does not verify, so it is not copied ({faults[0]})")
    target = into / folder.name
    if target.exists():
        raise ConfigError(f"{target}: is there already; choose another folder or take it away")
    with Journal(folder / "journal.sqlite", write=True) as journal:
        journal.append(Note(about="copy", text=f"copied to {into.name or into}", by=by), 0)
    files = sorted(p for p in folder.iterdir() if p.is_file() and p.name not in _NOT_COPIED)
    files = [p for p in files if not p.name.startswith(".")]
    size = 0
    try:
        target.mkdir(parents=True)
        for path in files:
            shutil.copy2(path, target / path.name)
            size += path.stat().st_size
        for path in files:
            if sha256_of(target / path.name) != sha256_of(path):
                raise CheckError(f"{target / path.name}: differs from what was copied; the disk is not good")
    except OSError as error:
        shutil.rmtree(target, ignore_errors=True)
        raise RecordingError(f"{target}: cannot be written ({error}); choose another disk") from error
    copy = Session.open(target)
    faults = [f.text for f in copy.verify() if f.grade == "error"]
    if faults:
        raise CheckError(f"{target}: the copy does not verify ({faults[0]}); copy it again elsewhere")
    with copy.journal() as journal:
        rows, head = journal.head()
    return Copied(target, len(files), size, rows, head)


# --- inside ---------------------------------------------------------------------------------


def _due(folder: Path, today: date | None) -> Due:
    try:
        session = Session.open(folder)
        return Due(
            folder=folder,
            title=session.manifest.title,
            expires=session.manifest.expires,
            days_left=days_left(session.manifest, today),
            recording=being_recorded(folder),
            holds_unfilmed=still_held(session),
        )
    except RailcrestError as error:
        return Due(folder, "", "", None, problem=f"cannot be looked into: {error}")


def _delete(folder: Path, root: Path, why: str) -> str:
    manifest = read_manifest(folder)
    note = Deleted(
        when=datetime.now(UTC).isoformat(timespec="seconds"),
        session=folder.name,
        recorded=manifest.created,
        expires=manifest.expires,
        pictures=len(Session.open(folder).frame_times_ns()),
        why=why,
    )
    try:
        # The note first: a deletion that is cut short is noted twice rather than not at all.
        with (root / DELETED).open("ab") as file:
            file.write(msgspec.json.encode(note) + b"\n")
        shutil.rmtree(folder)
    except OSError as error:
        raise RecordingError(f"{folder}: cannot be deleted ({error})") from error
    return f"{folder.name}: deleted, {note.pictures} pictures; {why}"

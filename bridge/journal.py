"""The journal of a session: gymnasts, routines, readings, rulings and notes, chained by SHA-256.

Each row's hash covers the row and the hash of the row before it, so a later change to a row shows,
and so does a missing one. (Rows cut off the very end leave no trace in the chain itself; the hash
of the last row can be noted elsewhere, and :meth:`Journal.head` gives it.) SQLite in WAL mode with
full synchronisation: a committed row survives a kill and a power cut. Beside a journal that nobody
is writing lies ``journal.sha256``, the hash of the whole file, which ``sha256sum -c`` checks, too.

What must go for a gymnast's sake is taken out of its rows for good (:meth:`Journal.take_out`): the row's
hash stays, and a later row says which rows were emptied, when and why.

The views ``readings``, ``flights``, ``handstands``, ``rulings``, ``routines``, ``gymnasts``, ``tags`` and
``notes`` are for people with the sqlite3 tool.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import sqlite3
import threading
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Literal, TypeVar, cast

import msgspec

from bridge.errors import RecordingError
from bridge.messages import Body, Correction, Handstand, Look, Part, Reading, Routine, Ruling, Tag
from bridge.messages import Consent as Consent

FORMAT: Final = 1
FILE: Final = "journal.sqlite"
START: Final = "0" * 64  # what stands for the hash before the first row


class Gymnast(Body, frozen=True, kw_only=True, tag="gymnast"):
    """Somebody on the start list, and what may be done with the pictures."""

    start_number: str
    consent: Consent = "this session only"
    name: str = ""  # only when names are switched on
    order: int = 0  # place in the whole list, from 1; 0: not known
    rotation: str = ""
    group: str = ""
    scratched: bool = False


class PartBegan(Body, frozen=True, kw_only=True, tag="part"):
    """Another part of the session began: warm-up, competition or a break."""

    part: Part
    by: str = ""  # role, not a name


class Pause(Body, frozen=True, kw_only=True, tag="pause"):
    """A time of which no picture is kept on purpose; ``end_ns`` comes in a later row of the same begin."""

    begin_ns: int
    end_ns: int | None = None
    why: Literal["break", "warm-up", "do not film", "removed"]


class Removed(Body, frozen=True, kw_only=True, tag="removed"):
    """Rows whose content was taken out for somebody's sake. Their hashes stay, so that the chain holds."""

    rows: tuple[int, ...]
    why: str
    by: str = ""  # role, not a name


class TakenOut(Body, frozen=True, kw_only=True, tag="taken out"):
    """What stands in a row whose content was taken out."""


class Note(Body, frozen=True, kw_only=True, tag="note"):
    """Something that happened: a take-over after a crash, an export, a deletion."""

    about: str
    text: str
    by: str = ""  # role, not a name


class Seal(Body, frozen=True, kw_only=True, tag="seal"):
    """The hash of a file of the session as it stood when it was closed; empty once it is taken away."""

    file: str
    sha256: str


T = TypeVar("T", bound=Body)
Entry = (
    Gymnast
    | Routine
    | Reading
    | Handstand
    | Ruling
    | Note
    | Seal
    | PartBegan
    | Tag
    | Look
    | Correction
    | Pause
    | Removed
    | TakenOut
)
Wall = Callable[[], datetime]


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the journal."""

    id: int
    wall_time: str  # ISO 8601, UTC
    t_ns: int  # capture time
    kind: str
    body: str  # JSON
    prev_sha256: str
    sha256: str

    def entry(self) -> Entry:
        """The row's body. Raises RecordingError when it cannot be read."""
        try:
            return cast(Entry, _decoder.decode(self.body))
        except msgspec.MsgspecError as error:
            raise RecordingError(
                f"journal row {self.id} cannot be read ({error}); see railcrest session verify"
            ) from error

    def expected_sha256(self) -> str:
        """The hash that the row's content calls for."""
        return _hash(self.prev_sha256, self.id, self.wall_time, self.t_ns, self.kind, self.body)


_decoder: Final[msgspec.json.Decoder[Any]] = msgspec.json.Decoder(Entry)
# What is said of a damaged schema need not be text itself.
_FAULTS: Final = (sqlite3.Error, UnicodeDecodeError)
_COLUMNS: Final = "id, wall_time, t_ns, kind, body, prev_sha256, sha256"


def _view(name: str, kind: str, *fields: str) -> str:
    columns = ", ".join(f"json_extract(body, '$.{path}') AS {label}" for path, label in _pairs(fields))
    return (
        f"CREATE VIEW IF NOT EXISTS {name} AS "
        f"SELECT id, wall_time, t_ns, {columns} FROM journal WHERE kind = '{kind}';"
    )


def _pairs(fields: tuple[str, ...]) -> Iterator[tuple[str, str]]:
    for field in fields:
        path, _, label = field.partition(" ")
        yield path, label or path


_ROWS_STAY: Final = """
CREATE TRIGGER IF NOT EXISTS journal_rows_stay BEFORE UPDATE ON journal
    BEGIN SELECT RAISE(ABORT, 'journal rows are not changed; add a row'); END
"""
_SCHEMA: Final = f"""
CREATE TABLE IF NOT EXISTS journal (
    id INTEGER PRIMARY KEY,
    wall_time TEXT NOT NULL,
    t_ns INTEGER NOT NULL,
    kind TEXT NOT NULL,
    body TEXT NOT NULL,
    prev_sha256 TEXT NOT NULL,
    sha256 TEXT NOT NULL
);
{_ROWS_STAY};
CREATE TRIGGER IF NOT EXISTS journal_rows_remain BEFORE DELETE ON journal
    BEGIN SELECT RAISE(ABORT, 'journal rows are not deleted; add a row'); END;
{_view("gymnasts", "gymnast", "start_number", "consent", "name")}
{_view("routines", "routine", "routine", "start_number", "begin_ns", "end_ns")}
{
    _view(
        "readings", "reading", "flight", "routine", "number", "state", "reason", "family", "family_by",
        "rail", "release_ns", "apex_ns", "end_ns", "end_kind", "apex.value apex_height_m",
        "apex.u apex_height_u_m", "band", "band_p", "gravity.value gravity_m_s2", "gravity.u gravity_u_m_s2",
    )
}
{
    _view(
        "handstands", "handstand", "handstand", "routine", "number", "way", "rail", "t_ns nearest_ns",
        "angle.value angle_rad", "angle.u angle_u_rad", "side", "hips_off.value hips_off_m",
        "hips_off.u hips_off_u_m", "shape", "shoulders_off.value shoulders_off_m",
        "shoulders_off.u shoulders_off_u_m", "sentence",
    )
}
{_view("rulings", "ruling", "flight", "decision", "note", "by")}
{_view("notes", "note", "about", "text", "by")}
{_view("looks", "look", "flight", "routine", "by", "lasted_s", "views", "stills")}
{
    _view(
        "corrections", "correction", "flight", "t_ns corrected_t_ns", "hips", "line_px",
        "height.value height_m", "height.u height_u_m", "measured.value measured_m", "band", "by",
    )
}
{_view("tags", "tag", "flight", "outcome", "by")}
CREATE VIEW IF NOT EXISTS flights AS
    SELECT r.*,
        (SELECT decision FROM rulings u WHERE u.flight = r.flight ORDER BY u.id DESC LIMIT 1) AS ruling
    FROM readings r WHERE r.id IN (SELECT max(id) FROM readings GROUP BY flight) ORDER BY r.release_ns;
PRAGMA user_version = {FORMAT};
"""  # fmt: skip


def _hash(prev: str, number: int, wall_time: str, t_ns: int, kind: str, body: str) -> str:
    # JSON of a list tells where each part ends, so no two rows give the same text.
    return hashlib.sha256(msgspec.json.encode([prev, number, wall_time, t_ns, kind, body])).hexdigest()


def hash_file(path: Path) -> Path:
    """Where the hash of a closed journal stands."""
    return path.with_suffix(".sha256")


def hash_line(path: Path) -> str:
    """What :func:`hash_file` holds for a journal as it is now."""
    return f"{sha256_of(path)}  {path.name}\n"


def sha256_of(path: Path) -> str:
    """SHA-256 of a file's content. Raises OSError when it cannot be read."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _log_file(path: Path) -> Path:
    return path.with_name(path.name + "-wal")


def _text(data: bytes) -> str:
    """A text as it is stored; a damaged one still reads, as another than was hashed."""
    return data.decode(errors="replace")


def _utc_now() -> datetime:
    return datetime.now(UTC)


class Journal:
    """The journal of one session. Several threads and processes may append to it.

    Args:
        path: the SQLite file.
        write: open for appending, and create it when it is not there.
        wall: wall clock, for the date and time of each row.

    Raises:
        RecordingError: the file cannot be opened or is from a newer version.
    """

    def __init__(self, path: Path, *, write: bool = False, wall: Wall = _utc_now) -> None:
        self._path = path
        self._write = write
        self._wall = wall
        self._lock = threading.Lock()
        self._closed = False
        if not write and not path.is_file():
            raise RecordingError(f"{path}: there is no journal; is this a session folder?")
        try:
            if write:
                hash_file(path).unlink(missing_ok=True)
                self._db = sqlite3.connect(path, check_same_thread=False, isolation_level=None)
                self._db.execute("PRAGMA journal_mode=WAL")
                self._db.execute("PRAGMA synchronous=FULL")
            else:
                # Without a write-ahead log nobody is writing; then leave no files of ours beside it.
                live = _log_file(path).exists()
                uri = f"{path.absolute().as_uri()}?{'mode=ro' if live else 'immutable=1'}"
                self._db = sqlite3.connect(uri, uri=True, check_same_thread=False, isolation_level=None)
            self._db.text_factory = _text
            try:
                version = self._db.execute("PRAGMA user_version").fetchone()[0]
                if version > FORMAT:
                    raise RecordingError(f"{path}: written by a newer Railcrest; update this one")
                if write:
                    self._db.executescript(_SCHEMA)
                self._read_last()
            except BaseException:
                self._db.close()
                raise
        except (*_FAULTS, OSError) as error:
            raise self._refused(error) from error

    def append(self, entry: Entry, t_ns: int) -> Row:
        """Add a row, which is on the disk when this returns.

        Args:
            entry: what is added.
            t_ns: capture time; 0 for what does not happen in capture.

        Raises:
            RecordingError: the file cannot be written, or the disk is full.
        """
        kind = cast(str, type(entry).__struct_config__.tag)
        body = msgspec.json.encode(entry).decode()
        with self._lock:
            if self._closed:
                raise RecordingError(f"{self._path}: the journal is closed; open the session again")
            wall_time = self._wall().astimezone(UTC).isoformat(timespec="milliseconds")
            try:
                # The write lock first, so that rows of two processes follow each other in one chain.
                self._db.execute("BEGIN IMMEDIATE")
                try:
                    number, prev = self._read_last()
                    digest = _hash(prev, number + 1, wall_time, t_ns, kind, body)
                    row = Row(number + 1, wall_time, t_ns, kind, body, prev, digest)
                    self._db.execute(
                        f"INSERT INTO journal ({_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?)",
                        (row.id, wall_time, t_ns, kind, body, prev, digest),
                    )
                    self._db.execute("COMMIT")
                except BaseException:
                    if self._db.in_transaction:
                        self._db.execute("ROLLBACK")
                    raise
            except (*_FAULTS, OverflowError) as error:
                raise self._refused(error) from error
            return row

    def rows(self, kind: str | None = None) -> list[Row]:
        """All rows in order, or those of one kind."""
        where, values = ("WHERE kind = ?", (kind,)) if kind else ("", ())
        try:
            with self._lock:
                found = self._db.execute(
                    f"SELECT {_COLUMNS} FROM journal {where} ORDER BY id", values
                ).fetchall()
        except _FAULTS as error:
            raise self._refused(error) from error
        return [Row(*row) for row in found]

    def readings(self) -> tuple[Reading, ...]:
        """The newest reading of each flight, in order of release."""
        newest = {r.flight: r for r in self._entries(Reading)}
        return tuple(sorted(newest.values(), key=lambda r: (r.release_ns, r.routine, r.number)))

    def handstands(self) -> tuple[Handstand, ...]:
        """The newest row of each handstand, in order of time."""
        newest = {h.handstand: h for h in self._entries(Handstand)}
        return tuple(sorted(newest.values(), key=lambda h: h.t_ns))

    def routines(self) -> tuple[Routine, ...]:
        """The newest row of each routine, in order."""
        newest = {r.routine: r for r in self._entries(Routine)}
        return tuple(sorted(newest.values(), key=lambda r: r.routine))

    def rulings(self) -> tuple[Ruling, ...]:
        """The panel's last ruling on each flight."""
        return tuple({r.flight: r for r in self._entries(Ruling)}.values())

    def tags(self) -> tuple[Tag, ...]:
        """How each flight went, as the coach last said."""
        return tuple({t.flight: t for t in self._entries(Tag)}.values())

    def looks(self) -> tuple[Look, ...]:
        """Who looked at what, in order."""
        return tuple(self._entries(Look))

    def corrections(self) -> tuple[Correction, ...]:
        """The last correction by hand of each flight."""
        return tuple({c.flight: c for c in self._entries(Correction)}.values())

    def gymnasts(self) -> tuple[Gymnast, ...]:
        """The newest row of each gymnast."""
        return tuple({g.start_number: g for g in self._entries(Gymnast)}.values())

    def parts(self) -> list[tuple[int, PartBegan]]:
        """When each part of the session began, ns of capture time, in the order they were told."""
        return [(row.t_ns, e) for row in self.rows("part") if isinstance(e := row.entry(), PartBegan)]

    def pauses(self) -> tuple[Pause, ...]:
        """The times of which no picture is kept on purpose, in order of their begin."""
        newest = {p.begin_ns: p for p in self._entries(Pause)}
        return tuple(newest[begin_ns] for begin_ns in sorted(newest))

    def take_out(self, rows: Collection[int], why: str, by: str = "", t_ns: int = 0) -> None:
        """Take the content of rows out for good; a new row says which, when and why.

        The rows keep their place, time and hash, so that the chain still verifies; what they said cannot
        be had from the file any more.

        Raises:
            RecordingError: the file cannot be written.
        """
        if not rows:
            return
        self.append(Removed(rows=tuple(sorted(rows)), why=why, by=by), t_ns)
        body = msgspec.json.encode(TakenOut()).decode()
        with self._lock:
            try:
                self._db.execute("PRAGMA secure_delete=ON")
                self._db.execute("BEGIN IMMEDIATE")
                try:
                    self._db.execute("DROP TRIGGER journal_rows_stay")
                    self._db.executemany(
                        "UPDATE journal SET kind = ?, body = ? WHERE id = ?",
                        [("taken out", body, number) for number in sorted(rows)],
                    )
                    self._db.execute(_ROWS_STAY)
                    self._db.execute("COMMIT")
                except BaseException:
                    if self._db.in_transaction:
                        self._db.execute("ROLLBACK")
                    raise
                self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
                self._db.execute("VACUUM")
                self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            except _FAULTS as error:
                raise self._refused(error) from error

    def seals(self) -> dict[str, str]:
        """The last hash of each file that was sealed."""
        return {s.file: s.sha256 for s in self._entries(Seal)}

    def head(self) -> tuple[int, str]:
        """Number and hash of the last row; ``(0, START)`` when there is none."""
        with self._lock:
            try:
                return self._read_last()
            except _FAULTS as error:
                raise self._refused(error) from error

    def verify(self) -> str | None:
        """Walk the chain; returns what is wrong with the first bad row, or None."""
        try:
            with self._lock:
                said = self._db.execute("PRAGMA quick_check(1)").fetchone()[0]
        except _FAULTS as error:
            raise self._refused(error) from error
        if said != "ok":
            return f"journal: the file is damaged ({' '.join(said.split())})"
        prev = START
        blanked: set[int] = set()
        removed: set[int] = set()
        for number, row in enumerate(self.rows(), 1):
            if row.id != number:
                return f"journal row {number} is missing"
            if row.prev_sha256 != prev:
                return f"journal row {row.id} does not follow from row {row.id - 1}: one of them was changed"
            try:
                whole = row.expected_sha256() == row.sha256
                if not whole and row.kind == "taken out" and row.entry() == TakenOut():
                    whole = True
                    blanked.add(row.id)
                elif whole and row.kind == "removed" and isinstance(said := row.entry(), Removed):
                    removed.update(n for n in said.rows if n < row.id)
            except (TypeError, ValueError, msgspec.MsgspecError, RecordingError):
                whole = False
            if not whole:
                return f"journal row {row.id} was changed after it was written"
            prev = row.sha256
        if unsaid := blanked - removed:
            return f"journal row {min(unsaid)} was emptied, and no later row says why"
        return None

    def close(self) -> None:
        """Close the file; safe to call twice."""
        with self._lock:
            if self._closed:
                return
            self._closed = True
            self._db.close()
            # The last one to close the file takes its write-ahead log away; only then is it as it will stay.
            if self._write and not _log_file(self._path).exists():
                with contextlib.suppress(OSError):
                    hash_file(self._path).write_text(hash_line(self._path))

    def __enter__(self) -> Journal:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _entries(self, kind: type[T]) -> Iterator[T]:
        for row in self.rows(cast(str, kind.__struct_config__.tag)):
            entry = row.entry()
            if isinstance(entry, kind):
                yield entry

    def _read_last(self) -> tuple[int, str]:
        row = self._db.execute("SELECT id, sha256 FROM journal ORDER BY id DESC LIMIT 1").fetchone()
        return (row[0], row[1]) if row else (0, START)

    def _refused(self, error: Exception) -> RecordingError:
        text = str(error)
        if "full" in text or getattr(error, "errno", None) in (errno.ENOSPC, errno.EDQUOT):
            return RecordingError(f"{self._path}: the disk is full; free some space and start again")
        if "locked" in text:
            return RecordingError(f"{self._path}: another program holds it; close that and try again")
        return RecordingError(f"{self._path}: cannot be used ({text}); see railcrest session verify")

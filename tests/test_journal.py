"""Committed rows stay, and a change to any of them shows."""

from __future__ import annotations

import shutil
import signal
import sqlite3
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

from bridge.errors import RecordingError
from bridge.journal import START, Gymnast, Journal, Note
from bridge.messages import Reading, Routine, Ruling
from tests.sessions import invented_reading

NOW = datetime(2026, 3, 4, 5, 6, 7, tzinfo=UTC)
READING = invented_reading(1, 30, 45, 60)
ENTRIES = (
    Gymnast(start_number="12", consent="coaching"),
    Routine(routine=1, start_number="12", begin_ns=5),
    invented_reading(1, 30, 45, 60, state="provisional"),
    READING,
    Ruling(flight="r1-f1", decision="level", note="close; “see again” – ü", by="panel"),
    Ruling(flight="r1-f1", decision="above", by="panel"),
    Note(about="export", text="CSV"),
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    with Journal(tmp_path / "journal.sqlite", write=True, wall=lambda: NOW) as journal:
        for i, entry in enumerate(ENTRIES):
            journal.append(entry, i)
    return tmp_path / "journal.sqlite"


def tamper(path: Path, statement: str) -> None:
    """Change the file as somebody with the sqlite3 tool would."""
    db = sqlite3.connect(path)
    db.executescript(f"DROP TRIGGER journal_rows_stay; DROP TRIGGER journal_rows_remain; {statement};")
    db.close()


def test_everything_comes_back(path: Path) -> None:
    with Journal(path) as journal:
        assert tuple(row.entry() for row in journal.rows()) == ENTRIES
        assert journal.readings() == (READING,)
        assert journal.routines() == (ENTRIES[1],)
        assert journal.rulings() == (ENTRIES[5],)
        assert journal.gymnasts() == (ENTRIES[0],)
        assert journal.verify() is None
        rows = journal.rows()
        assert rows[0].prev_sha256 == START
        assert journal.head() == (len(ENTRIES), rows[-1].sha256)
        assert {row.wall_time for row in rows} == {"2026-03-04T05:06:07.000+00:00"}


def test_the_chain_goes_on_after_opening_again(path: Path) -> None:
    with Journal(path, write=True) as journal:
        assert journal.append(Note(about="x", text="y"), 99).id == len(ENTRIES) + 1
        assert journal.verify() is None


@pytest.mark.parametrize(
    ("statement", "says"),
    [
        ("UPDATE journal SET body = replace(body, '0.123', '0.223') WHERE id = 4", "row 4 was changed"),
        ("UPDATE journal SET t_ns = 7 WHERE id = 1", "row 1 was changed"),
        ("UPDATE journal SET wall_time = '' WHERE id = 7", "row 7 was changed"),
        ("UPDATE journal SET kind = 'note' WHERE id = 2", "row 2 was changed"),
        ("UPDATE journal SET body = x'ff00' WHERE id = 3", "row 3 was changed"),
        ("DELETE FROM journal WHERE id = 3", "row 3 is missing"),
        ("DELETE FROM journal WHERE id = 1", "row 1 is missing"),
        (
            "DELETE FROM journal WHERE id = 3; UPDATE journal SET id = id - 1 WHERE id > 3",
            "row 3 does not follow from row 2",
        ),
        ("UPDATE journal SET prev_sha256 = sha256 WHERE id = 5", "row 5 does not follow"),
    ],
)
def test_a_change_shows(path: Path, statement: str, says: str) -> None:
    tamper(path, statement)
    with Journal(path) as journal:
        fault = journal.verify()
        assert fault is not None
        assert says in fault


def test_rows_are_not_changed_by_mistake(path: Path) -> None:
    db = sqlite3.connect(path)
    for statement in ("UPDATE journal SET t_ns = 1", "DELETE FROM journal"):
        with pytest.raises(sqlite3.IntegrityError, match="add a row"):
            db.execute(statement)
    db.close()


def test_people_with_sqlite3_read_the_flights(path: Path) -> None:
    db = sqlite3.connect(path)
    db.row_factory = sqlite3.Row
    (flight,) = db.execute("SELECT * FROM flights").fetchall()
    assert flight["apex_height_m"] == 0.123
    assert flight["apex_height_u_m"] == 0.014
    assert flight["state"] == "settled"
    assert flight["ruling"] == "above"
    assert db.execute("SELECT count(*) FROM readings").fetchone()[0] == 2
    assert db.execute("SELECT note FROM rulings").fetchone()[0] == "close; “see again” – ü"
    assert db.execute("SELECT start_number, consent FROM gymnasts").fetchone()[:] == ("12", "coaching")
    db.close()


def test_a_kill_loses_no_committed_row(tmp_path: Path) -> None:
    script = (
        "import sys; from pathlib import Path\n"
        "from bridge.journal import Journal, Note\n"
        "journal = Journal(Path(sys.argv[1]), write=True)\n"
        "while True: print(journal.append(Note(about='a', text='b'), 0).id, flush=True)\n"
    )
    path = tmp_path / "journal.sqlite"
    child = subprocess.Popen([sys.executable, "-c", script, str(path)], stdout=subprocess.PIPE)
    assert child.stdout is not None
    for _ in range(30):
        last = int(child.stdout.readline())
    child.send_signal(signal.SIGKILL)
    child.wait()
    last = max([last, *(int(line) for line in child.stdout.read().split(b"\n")[:-1])])
    child.stdout.close()
    with Journal(path) as journal:
        assert journal.verify() is None
        assert journal.head()[0] >= last
    with Journal(path, write=True) as journal:
        journal.append(Note(about="a", text="after"), 0)
        assert journal.verify() is None


def test_a_read_only_folder_can_be_read(path: Path) -> None:
    path.parent.chmod(0o500)
    try:
        with Journal(path) as journal:
            assert journal.readings() == (READING,)
        assert {p.name for p in path.parent.iterdir()} == {"journal.sha256", "journal.sqlite"}
    finally:
        path.parent.chmod(0o700)


def test_what_is_no_journal_is_refused(tmp_path: Path, path: Path) -> None:
    with pytest.raises(RecordingError, match="no journal"):
        Journal(tmp_path / "missing.sqlite")
    (tmp_path / "text").write_text("no database, but long enough to be looked at" * 50)
    with pytest.raises(RecordingError, match="cannot be used"):
        Journal(tmp_path / "text")
    newer = tmp_path / "newer.sqlite"
    shutil.copy(path, newer)
    db = sqlite3.connect(newer)
    db.execute("PRAGMA user_version = 99")
    db.close()
    with pytest.raises(RecordingError, match="newer Railcrest"):
        Journal(newer)


def test_a_row_that_cannot_be_read_is_named(path: Path) -> None:
    tamper(path, 'UPDATE journal SET body = \'{"kind": "unheard of"}\' WHERE id = 4')
    with Journal(path) as journal, pytest.raises(RecordingError, match="row 4 cannot be read"):
        journal.readings()


def test_a_closed_or_read_only_journal_takes_no_rows(path: Path) -> None:
    with Journal(path) as journal, pytest.raises(RecordingError, match="cannot be used"):
        journal.append(READING, 0)
    with pytest.raises(RecordingError, match="closed"):
        journal.append(READING, 0)


def test_unset_fields_keep_their_defaults(tmp_path: Path) -> None:
    with Journal(tmp_path / "j.sqlite", write=True) as journal:
        bare = Reading(flight="r1-f1", routine=1, number=1, state="withheld", reason="lost from sight")
        journal.append(bare, 0)
        assert journal.readings() == (bare,)

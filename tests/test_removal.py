"""One gymnast is found and taken out everywhere; a dated note stays, and what is left still verifies."""

from __future__ import annotations

import sqlite3
from datetime import UTC, date, datetime
from pathlib import Path

import av
import pytest

from bridge.erasing import erase_pictures
from bridge.errors import ConfigError, RecordingError
from bridge.journal import Gymnast, Journal, Note, Removed
from bridge.removal import keep_unfilmed_out, remove_gymnast, still_held
from bridge.session import Session, SessionWriter, data_dir, read_manifest
from capture.feeds import recorded_feeds
from capture.recorder import read_joints
from overlay.clinic.examples import Collection, example_of
from tests.meets import NS, TURN_S, begin_of, recorded_meet, times_of


@pytest.fixture
def meet(tmp_path: Path) -> Path:
    return recorded_meet(tmp_path / "2026-03-01-cup", "coaching", "coaching", "teaching")


def in_turn(t_ns: int, turn: int) -> bool:
    return begin_of(turn) <= t_ns <= begin_of(turn) + TURN_S * NS


def picture_times(folder: Path) -> list[int]:
    return [int(t) for t in Session.open(folder).frame_times_ns()]


def decoded(folder: Path) -> int:
    count = 0
    for path in folder.glob("*.mkv"):
        with av.open(str(path)) as container:
            count += sum(1 for _ in container.decode(video=0))
    return count


def test_everything_of_hers_goes_and_nothing_of_the_others(meet: Path) -> None:
    reading = next(r for r in Session.open(meet).journal().readings() if r.routine == 2)
    examples = Collection(data_dir() / "examples.json")
    for gymnast, flight in (("22", reading), ("23", reading)):
        example = example_of(
            flight, session=meet.name, gymnast=gymnast, grade="good", reason="clear", side="left",
            rule_book="invented", rule_year=2026, consent="teaching", expires=date(2099, 1, 1),
        )  # fmt: skip
        examples.add(example if gymnast == "22" else _renamed(example))
    said = remove_gymnast(meet, "22", by="welfare officer", why="her parents asked")

    left = picture_times(meet)
    assert not [t for t in left if in_turn(t, 2)]
    assert {t for t in times_of(3) if in_turn(t, 1) or in_turn(t, 3)} <= set(left)
    assert decoded(meet) == len(left) < len(times_of(3))
    joints = [seen.t_ns for seen in read_joints(meet / "joints-0001.csv")]
    assert joints == left
    session = Session.open(meet)
    with session.journal() as journal:
        assert [g.start_number for g in journal.gymnasts()] == ["21", "23"]
        assert [(r.routine, r.start_number) for r in journal.routines()] == [(1, "21"), (2, ""), (3, "23")]
        assert [r.flight for r in journal.readings()] == ["r1-f1", "r3-f1"]
        assert [r.flight for r in journal.rulings()] == ["r1-f1", "r3-f1"]
        notes = journal.rows("note")
        assert "her parents asked" in notes[-1].body
        assert "welfare officer" in notes[-1].body
        assert notes[-1].wall_time.startswith(datetime.now(UTC).date().isoformat())
        assert journal.verify() is None
    assert session.verify() == []
    whole = (meet / "journal.sqlite").read_bytes()
    assert b"r2-f1" not in whole
    assert b'"start_number":"22"' not in whole
    assert [e.gymnast for e in Collection(data_dir() / "examples.json").find()] == ["23"]
    assert any("examples: examples.json" in line for line in said)


def _renamed(example):  # type: ignore[no-untyped-def]
    import msgspec

    return msgspec.structs.replace(example, gymnast="23", id="2026-03-01-cup/r3-f1", flight="r3-f1")


def test_what_is_left_still_plays_at_its_own_times(meet: Path) -> None:
    before = {t: pixels.tobytes() for t, pixels in Session.open(meet).decode(0, 2**62)}
    remove_gymnast(meet, "22")
    after = dict(Session.open(meet).decode(0, 2**62))
    assert len(after) == len(picture_times(meet))
    assert all(pixels.tobytes() == before[t] for t, pixels in after.items())
    clip = Session.open(meet).clip(begin_of(3), begin_of(3) + 4 * NS)
    assert clip.times_ns[0] == begin_of(3)
    assert [frame.t_ns for frame in recorded_feeds(meet)[0]] == picture_times(meet)


def test_the_only_gymnast_leaves_no_picture_file(tmp_path: Path) -> None:
    folder = recorded_meet(tmp_path / "s", "coaching")
    remove_gymnast(folder, "21")
    assert not list(folder.glob("feed-*")) and not list(folder.glob("joints-*"))
    assert [f.text for f in Session.open(folder).verify()] == ["no pictures were recorded"]


def test_a_number_that_is_not_there_is_refused(meet: Path) -> None:
    with pytest.raises(ConfigError, match="nothing is on record under 99"):
        remove_gymnast(meet, "99")


def test_a_session_that_is_being_recorded_is_left_alone(meet: Path) -> None:
    with (
        SessionWriter(meet, read_manifest(meet)),
        pytest.raises(RecordingError, match="is recording into it"),
    ):
        remove_gymnast(meet, "22")


def test_what_was_handed_on_is_named(meet: Path) -> None:
    with Journal(meet / "journal.sqlite", write=True) as journal:
        journal.append(Note(about="export", text="flight-r2-f1.mp4; why: review", by="coach"), 0)
    said = remove_gymnast(meet, "22")
    assert any("ask for it back" in line and "by coach: flight-r2-f1.mp4" in line for line in said)


def test_asking_again_after_half_a_removal_finishes_it(meet: Path) -> None:
    erase_pictures(Session.open(meet), [(begin_of(2), begin_of(2) + TURN_S * NS)])  # and then the power went
    remove_gymnast(meet, "22")
    assert Session.open(meet).verify() == []


def test_pictures_go_by_whole_groups(tmp_path: Path) -> None:
    from tests.sessions import recorded_session

    folder = recorded_session(tmp_path / "s", "libx264")
    times = picture_times(folder)
    erase_pictures(Session.open(folder), [(times[60], times[61])])
    left = picture_times(folder)
    assert set(times) - set(left) == set(times[50:75])  # groups of 25
    assert len(dict(Session.open(folder).decode(0, 2**62))) == len(left)


def test_who_is_not_to_be_filmed_is_found_afterwards_too(meet: Path) -> None:
    assert not still_held(Session.open(meet))
    with Journal(meet / "journal.sqlite", write=True) as journal:
        journal.append(Gymnast(start_number="23", consent="do not film", order=3), 0)
    assert still_held(Session.open(meet))
    with SessionWriter(meet, read_manifest(meet)) as writer:
        (said,) = keep_unfilmed_out(meet, writer.journal)
        assert keep_unfilmed_out(meet, writer.journal) == []
    assert said.endswith("taken out: not to be filmed")
    assert not still_held(Session.open(meet))
    assert not [t for t in picture_times(meet) if in_turn(t, 3)]
    with Session.open(meet).journal() as journal:
        assert [r.start_number for r in journal.routines()] == ["21", "22", "23"]  # that she was there stays
        assert [r.routine for r in journal.readings()] == [1, 2]
    assert Session.open(meet).verify() == []


# --- the journal ---


def rows_of(path: Path) -> Journal:
    return Journal(path / "journal.sqlite", write=True)


def test_an_emptied_row_that_no_later_row_names_shows(meet: Path) -> None:
    with sqlite3.connect(meet / "journal.sqlite") as db:
        db.execute("DROP TRIGGER journal_rows_stay")
        db.execute("UPDATE journal SET kind = 'taken out', body = '{\"kind\":\"taken out\"}' WHERE id = 4")
    db.close()
    with Session.open(meet).journal() as journal:
        assert journal.verify() == "journal row 4 was emptied, and no later row says why"


def test_a_row_changed_under_cover_of_a_removal_shows(meet: Path) -> None:
    with rows_of(meet) as journal:
        journal.take_out([4], "asked for")
        assert journal.verify() is None
    with sqlite3.connect(meet / "journal.sqlite") as db:
        db.execute("DROP TRIGGER journal_rows_stay")
        db.execute('UPDATE journal SET body = \'{"kind":"note","about":"x","text":"y"}\' WHERE id = 4')
    db.close()
    with Session.open(meet).journal() as journal:
        assert journal.verify() == "journal row 4 was changed after it was written"


def test_taking_out_is_told_and_rows_cannot_be_changed_afterwards(meet: Path) -> None:
    with rows_of(meet) as journal:
        journal.take_out([2, 3], "asked for", by="welfare officer")
        (row,) = journal.rows("removed")
        assert row.entry() == Removed(rows=(2, 3), why="asked for", by="welfare officer")
    with sqlite3.connect(meet / "journal.sqlite") as db, pytest.raises(sqlite3.IntegrityError):
        db.execute("UPDATE journal SET body = '' WHERE id = 1")
    db.close()

"""Consent and the day of deletion follow what leaves; deleting leaves a note; copies are proved."""

from __future__ import annotations

import csv
import json
from datetime import date, timedelta
from pathlib import Path

import pytest

from bridge.care import copy_session, deleted, due, keep_until, purge
from bridge.cli import main
from bridge.errors import CheckError, ConfigError, ExitCode, RecordingError
from bridge.export import export
from bridge.session import Session, SessionWriter, read_manifest, sessions_root
from tests.meets import recorded_meet


@pytest.fixture
def meet(tmp_path: Path) -> Path:
    return recorded_meet(sessions_root() / "cup", "coaching", "do not film", "this session only", "teaching")


def expire(folder: Path, days: int = 1) -> None:
    with SessionWriter(folder, read_manifest(folder)) as writer:
        writer.update(expires=(date.today() - timedelta(days=days)).isoformat())


def clips(out: Path) -> list[str]:
    return sorted(p.stem.split("_bars_")[1] for p in out.glob("*.mp4"))


def test_nothing_of_whoever_is_not_to_be_filmed_leaves(meet: Path, tmp_path: Path) -> None:
    done = export(Session.open(meet), tmp_path / "out")
    with (tmp_path / "out" / "readings.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [(r["start_number"], r["consent"]) for r in rows] == [
        ("21", "coaching"), ("23", "this session only"), ("24", "teaching"),
    ]  # fmt: skip
    assert {r["delete_by"] for r in rows} == {read_manifest(meet).expires}
    for path in (tmp_path / "out").iterdir():
        assert b"r2-f1" not in path.read_bytes()
    assert clips(tmp_path / "out") == ["r1_o01_n21_t1_f1", "r1_o04_n24_t1_f1"]
    assert "r2-f1: the gymnast is not to be filmed" in done.left_out
    assert "r3-f1: consent is “this session only”" in done.left_out


def test_for_teaching_only_what_was_given_for_teaching(meet: Path, tmp_path: Path) -> None:
    export(Session.open(meet), tmp_path / "out", purpose="teaching")
    assert clips(tmp_path / "out") == ["r1_o04_n24_t1_f1"]


def test_one_gymnasts_clips_are_handed_over_alone(
    meet: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    arguments = ["session", "export", str(meet), "--out", str(out), "--number", "24"]
    assert main([*arguments, "--by", "meet staff", "--why", "for her coach"]) == 0
    with (out / "readings.csv").open(newline="") as file:
        assert [r["flight"] for r in csv.DictReader(file)] == ["r4-f1"]
    assert clips(out) == ["r1_o04_n24_t1_f1"]
    about = (out / "about.txt").read_text()
    assert "Of start number 24 alone." in about
    assert f"Delete by {read_manifest(meet).expires}." in about
    capsys.readouterr()
    assert main(["session", "exports", str(meet), "--json"]) == 0
    (line,) = json.loads(capsys.readouterr().out)
    assert (line["by"], line["why"]) == ("meet staff", "for her coach")
    assert "n24_t1_f1.mp4" in line["what"]
    assert main(["session", "exports", str(meet)]) == 0
    assert "UTC  by meet staff; why: for her coach; " in capsys.readouterr().out
    assert main([*arguments[:-1], "99", "--replace"]) == ExitCode.CONFIG


def test_nothing_leaves_after_its_day(meet: Path, tmp_path: Path) -> None:
    expire(meet)
    with pytest.raises(ConfigError, match="run railcrest session purge"):
        export(Session.open(meet), tmp_path / "out")
    with pytest.raises(ConfigError, match="nothing leaves it"):
        copy_session(meet, tmp_path / "disk")
    assert not (tmp_path / "out").exists()


def test_what_is_due_is_shown_and_deleted_with_a_note(meet: Path, capsys: pytest.CaptureFixture[str]) -> None:
    later = recorded_meet(sessions_root() / "later", "coaching", title="Later")
    expire(meet, days=3)
    assert main(["session", "due"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("due  cup  Invented cup: to be deleted since")
    assert "30 days left" in lines[1] and not lines[1].startswith("due")
    assert main(["session", "purge"]) == 0
    assert "cup: deleted" in capsys.readouterr().out
    assert not meet.exists() and later.exists()
    (note,) = deleted(sessions_root())
    assert (note.session, note.pictures > 0) == ("cup", True)
    assert main(["session", "purge"]) == 0
    assert capsys.readouterr().out.strip() == "nothing is due"


def test_purging_takes_out_who_is_not_to_be_filmed(meet: Path) -> None:
    (found,) = due(sessions_root())
    assert found.holds_unfilmed
    assert "still holds somebody" in found.words
    assert any("not to be filmed" in text for text in purge(sessions_root()))
    (found,) = due(sessions_root())
    assert not found.holds_unfilmed
    assert Session.open(meet).verify() == []


def test_a_session_that_is_being_recorded_is_not_deleted(meet: Path) -> None:
    expire(meet)
    with SessionWriter(meet, read_manifest(meet)):
        assert purge(sessions_root()) == []
    assert meet.exists()


def test_another_day_needs_a_reason_and_leaves_a_note(meet: Path) -> None:
    day = date.today() + timedelta(days=90)
    with pytest.raises(ConfigError, match="say why"):
        keep_until(meet, day)
    keep_until(meet, day, by="meet director", why="an appeal is open")
    assert read_manifest(meet).expires == day.isoformat()
    session = Session.open(meet)
    with session.journal() as journal:
        assert "an appeal is open" in journal.rows("note")[-1].body
    assert session.verify() == []


def test_a_copy_is_read_back_and_proved(
    meet: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["session", "copy", str(meet), str(tmp_path / "disk"), "--by", "meet staff"]) == 0
    said = capsys.readouterr().out
    assert "each read back and the same" in said
    copy = tmp_path / "disk" / "cup"
    assert Session.open(copy).verify() == []
    with Session.open(copy).journal() as journal:
        assert journal.head()[1] in said
        assert "copied to disk" in journal.rows("note")[-1].body
    names = {p.name for p in meet.iterdir()}
    assert {p.name for p in copy.iterdir()} == names
    assert main(["session", "copy", str(meet), str(tmp_path / "disk")]) == ExitCode.CONFIG


def test_a_bad_copy_is_noticed(meet: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import shutil

    def flawed(source: Path, target: Path) -> None:
        data = bytearray(source.read_bytes())
        data[len(data) // 2] ^= 1
        target.write_bytes(data)

    monkeypatch.setattr(shutil, "copy2", flawed)
    with pytest.raises(CheckError, match="differs from what was copied"):
        copy_session(meet, tmp_path / "disk")


def test_a_session_that_does_not_verify_or_is_recorded_is_not_copied(meet: Path, tmp_path: Path) -> None:
    with SessionWriter(meet, read_manifest(meet)), pytest.raises(RecordingError, match="is being recorded"):
        copy_session(meet, tmp_path / "disk")
    with (meet / "feed-0001.csv").open("a") as file:
        file.write("9999,99999999999999,999999\n")
    with pytest.raises(CheckError, match="does not verify, so it is not copied"):
        copy_session(meet, tmp_path / "disk")


def test_removing_in_one_action(meet: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["session", "remove", "24", "--every-session", "--show"]) == 0
    assert capsys.readouterr().out.startswith("cup: 1 routines, 1 flights")
    assert main(["session", "remove", "24", str(meet), "--by", "welfare officer", "--why", "asked"]) == 0
    assert "taken out: asked" in capsys.readouterr().out
    assert main(["session", "remove", "24", str(meet)]) == ExitCode.CONFIG
    assert main(["session", "remove", "24"]) == ExitCode.CONFIG
    assert Session.open(meet).verify() == []

"""The command line: one line for every fault, an exit code for every kind, data apart from messages."""

from __future__ import annotations

import csv
import importlib.metadata
import itertools
import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import av
import pytest
import typer

from bridge import errors
from bridge.cli import MEANINGS, build_app, main
from bridge.doctor import (
    DEBIAN,
    check_data_folder,
    check_disk,
    check_packages,
    check_python,
    examine,
    libraries_check,
)
from bridge.errors import ExitCode, RailcrestError
from bridge.journal import Gymnast
from bridge.session import Session, SessionWriter, new_manifest, sessions_root
from tests.clips import number_of
from tests.sessions import TIMES_NS, recorded_session

ROOT = Path(__file__).resolve().parent.parent


class Point:
    """An entry point, as the package metadata gives them."""

    def __init__(self, name: str, load: Callable[[], Callable[[typer.Typer], None]]) -> None:
        self.name = name
        self.load = load


def app_raising(error: BaseException) -> typer.Typer:
    def register(app: typer.Typer) -> None:
        @app.command()
        def fail() -> None:
            raise error

    return build_app(lambda: [Point("side", lambda: register)])[0]


def run(*arguments: str, app: typer.Typer | None = None) -> int:
    return main(list(arguments), app or build_app(list)[0])


# --- faults and exit codes ------------------------------------------------------------------


@pytest.mark.parametrize(
    "kind", [k for k in vars(errors).values() if isinstance(k, type) and issubclass(k, RailcrestError)]
)
def test_every_fault_is_one_line_and_its_exit_code(
    kind: type[RailcrestError], capsys: pytest.CaptureFixture[str]
) -> None:
    code = run("fail", app=app_raising(kind("rig.toml: no such point; add it")))
    assert code == kind.exit_code
    out, err = capsys.readouterr()
    assert out == ""
    assert err == "railcrest: rig.toml: no such point; add it\n"


def test_a_fault_of_ours_is_one_line_and_a_trace_only_when_asked(capsys: pytest.CaptureFixture[str]) -> None:
    app = app_raising(ZeroDivisionError("by zero"))
    assert run("fail", app=app) == ExitCode.UNEXPECTED
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert "ZeroDivisionError" in err


@pytest.mark.logs_warnings
def test_verbose_shows_where_a_fault_came_from(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("-v", "fail", app=app_raising(ZeroDivisionError("by zero"))) == ExitCode.UNEXPECTED
    assert "Traceback" in capsys.readouterr().err


def test_the_keyboard_stops_it_quietly(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("fail", app=app_raising(KeyboardInterrupt())) == ExitCode.INTERRUPTED
    assert "Traceback" not in capsys.readouterr().err


def test_a_command_may_give_its_own_exit_code() -> None:
    assert run("fail", app=app_raising(typer.Exit(5))) == 5


@pytest.mark.parametrize(
    "arguments", [["nonsense"], ["session", "verify"], ["--nonsense"], ["session", "export", "x"]]
)
def test_wrong_arguments(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert run(*arguments) == ExitCode.USAGE
    assert capsys.readouterr().out == ""


def test_help_tells_the_exit_codes(capsys: pytest.CaptureFixture[str]) -> None:
    assert set(MEANINGS) == set(ExitCode)
    assert run("--help") == 0
    out = capsys.readouterr().out
    for code in ExitCode:
        assert f"{code.value}: {MEANINGS[code][:40]}" in out
    assert max(len(line) for line in out.splitlines()) <= 80


def test_readme_tells_the_same_exit_codes() -> None:
    text = (ROOT / "README.md").read_text()
    for code, meaning in MEANINGS.items():
        assert f"| {code.value} | {meaning} |" in text


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("--version") == 0
    assert capsys.readouterr().out.startswith("railcrest ")


def test_a_side_that_cannot_be_loaded_breaks_no_other(capsys: pytest.CaptureFixture[str]) -> None:
    def broken() -> Callable[[typer.Typer], None]:
        raise ModuleNotFoundError("No module named 'anny'")

    def good() -> Callable[[typer.Typer], None]:
        def register(app: typer.Typer) -> None:
            @app.command()
            def hello() -> None:
                typer.echo("here")

        return register

    app, absent = build_app(lambda: [Point("studio", broken), Point("capture", good)])
    assert len(absent) == 1
    assert run("hello", app=app) == 0
    assert capsys.readouterr().out == "here\n"
    run("doctor", app=app)
    assert "studio: its commands cannot be loaded" in capsys.readouterr().out


def test_the_real_command_and_a_real_interrupt(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "bridge", "session", "verify", str(tmp_path)],
        capture_output=True, text=True, cwd=ROOT, check=False, timeout=60,
    )  # fmt: skip
    assert done.returncode == ExitCode.RECORDING
    assert done.stderr == f"railcrest: {tmp_path}: no session is there (session.json is missing)\n"
    script = (
        "import sys, time, typer; from bridge.cli import build_app, main\n"
        "app = build_app(lambda: [])[0]\n"
        "@app.command()\n"
        "def wait():\n    print('waiting', flush=True); time.sleep(60)\n"
        "sys.exit(main(['wait'], app))"
    )
    child = subprocess.Popen(
        [sys.executable, "-c", script], cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert child.stdout is not None
    assert child.stdout.readline() == b"waiting\n"
    child.send_signal(signal.SIGINT)
    _, err = child.communicate(timeout=20)
    assert child.returncode == ExitCode.INTERRUPTED
    assert b"Traceback" not in err


# --- session --------------------------------------------------------------------------------


def test_sessions_are_listed(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert run("session", "list") == 0
    assert capsys.readouterr().out == ""
    recorded_session(sessions_root() / "one")
    (sessions_root() / "broken").mkdir()
    (sessions_root() / "broken" / "session.json").write_text("{")
    with SessionWriter(sessions_root() / "two", new_manifest("Evening")):
        assert run("session", "list", "--json") == 0
    rows = {Path(row["folder"]).name: row for row in json.loads(capsys.readouterr().out)}
    assert rows["one"]["title"] == "Invented turns"
    assert (rows["one"]["flights"], rows["one"]["routines"], rows["one"]["state"]) == (2, 1, "closed")
    assert rows["two"]["state"] == "recording"
    assert rows["broken"]["state"].startswith("unreadable")
    assert run("session", "list", "--data-dir", str(tmp_path / "elsewhere")) == 0
    assert capsys.readouterr().out == ""


def test_a_session_verifies_until_somebody_changes_a_row(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = recorded_session(tmp_path / "s")
    assert run("session", "verify", str(folder)) == 0
    assert capsys.readouterr().out == "whole\n"
    db = sqlite3.connect(folder / "journal.sqlite")
    db.executescript(
        "DROP TRIGGER journal_rows_stay;"
        "UPDATE journal SET body = replace(body, '0.123', '0.323') WHERE id = 3;"
    )
    db.close()
    assert run("session", "verify", str(folder), "--json") == ExitCode.CHECK
    assert json.loads(capsys.readouterr().out) == [
        {"grade": "error", "text": "journal.sqlite: was changed after it was closed"},
        {"grade": "error", "text": "journal row 3 was changed after it was written"},
    ]


def test_an_export_opens_with_common_tools(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder, out = recorded_session(tmp_path / "s"), tmp_path / "out"
    assert run("session", "export", str(folder), "--out", str(out), "--by", "coach", "--why", "review") == 0
    stdout, stderr = capsys.readouterr()
    day = Session.open(folder).manifest.created[:10]
    assert sorted(Path(line).name for line in stdout.splitlines()) == [
        f"{day}_Invented-turns_bars_n12_t1_f1.mp4", f"{day}_Invented-turns_bars_n12_t1_f2.mp4",
        "about.txt", "feed-0001.vtt", "readings.csv",
    ]  # fmt: skip
    assert stderr == ""

    with (out / "readings.csv").open(newline="") as file:
        first, second = csv.DictReader(file)
    assert first["apex_height_m"] == "0.1230"
    assert first["apex_height_u_m"] == "0.0140"
    assert first["start_number"] == "12"
    assert first["ruling"] == "above"
    assert float(first["flight_time_s"]) == pytest.approx((TIMES_NS[60] - TIMES_NS[30]) / 1e9, abs=1e-4)
    assert (second["state"], second["apex_height_m"]) == ("withheld", "")
    assert second["reason"] == "the fall does not fit gravity"

    vtt = (out / "feed-0001.vtt").read_text()
    assert vtt.startswith("WEBVTT\n\nr1-f1\n00:00:00.500 --> 00:00:01.000\nsalto regrasp +12 ± 3 cm, above")
    assert "no reading: the fall does not fit gravity" in vtt

    with av.open(str(next(out.glob("*_f1.mp4")))) as container:
        frames = list(container.decode(video=0))
    numbers = [number_of(frame.to_ndarray(format="bgr24")) for frame in frames]
    assert numbers == list(range(numbers[0], numbers[-1] + 1))
    assert numbers[0] <= 30
    assert numbers[-1] >= 60
    spacing = [b.time - a.time for a, b in itertools.pairwise(frames)]
    assert max(spacing) < 0.021, "times in the clip are the recorded ones"

    with Session.open(folder).journal() as journal:
        (note,) = journal.rows("note")
        assert "readings.csv" in note.body
        assert "review" in note.body
    assert Session.open(folder).verify() == []

    assert run("session", "export", str(folder), "--out", str(out)) == ExitCode.CONFIG
    assert "not empty" in capsys.readouterr().err
    assert run("session", "export", str(folder), "--out", str(out), "--replace", "--no-clips") == 0


def test_no_clip_leaves_of_a_gymnast_who_is_not_to_be_filmed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = recorded_session(tmp_path / "s")
    with SessionWriter(folder, new_manifest("")) as writer:
        writer.journal.append(Gymnast(start_number="12", consent="do not film"), 0)
        # An export while capture runs is noted in the same chain.
        assert run("session", "export", str(folder), "--out", str(tmp_path / "out")) == 0
        writer.journal.append(Gymnast(start_number="13"), 0)
        assert writer.journal.verify() is None
    assert not list((tmp_path / "out").glob("*.mp4"))
    assert capsys.readouterr().err.count("not to be filmed") == 2


# --- doctor ---------------------------------------------------------------------------------


def test_doctor_names_what_is_missing_and_how_to_get_it(tmp_path: Path) -> None:
    assert check_python((3, 10)).grade == "missing"
    assert check_python((3, 13)).grade == "ok"
    lacking = libraries_check("Qt", ["libEGL.so.1", "libxcb-cursor.so.0", "libodd.so.9"], needed=True)
    assert lacking.grade == "missing"
    assert "sudo apt install libegl1 libxcb-cursor0 the package with libodd.so.9" in lacking.text
    assert libraries_check("Qt", [], needed=True).grade == "ok"
    assert check_disk(tmp_path, 2**80).grade == "advice"
    assert check_disk(tmp_path / "not" / "yet", 1).grade == "ok"
    assert check_data_folder(tmp_path / "not" / "yet").grade == "ok"
    assert check_data_folder(Path("/proc/railcrest")).grade == "missing"


def test_doctor_compares_versions() -> None:
    for version, grade in {"18.0": "ok", "18": "ok", "100.1.2": "ok", "17.9": "missing"}.items():
        (av_check,) = [c for c in check_packages(lambda name, v=version: v) if c.name == "av"]  # type: ignore[misc]
        assert av_check.grade == grade, version

    def none(name: str) -> str:
        raise importlib.metadata.PackageNotFoundError(name)

    checks = check_packages(none)
    assert {check.grade for check in checks} == {"missing"}
    assert any("pip install 'msgspec>=" in check.text for check in checks)
    assert not any(check.name == "anny" for check in checks), "extras are not required"


def test_doctor_knows_every_library_that_ci_installs() -> None:
    installed = set((ROOT / ".ci" / "run").read_text().split())
    assert set(DEBIAN.values()) - installed <= {"libglx0", "libopengl0", "libxcb-util1"}  # come with others


def test_doctor_agrees_with_its_exit_code(capsys: pytest.CaptureFixture[str]) -> None:
    checks = examine()
    code = run("doctor", "--json")
    printed = json.loads(capsys.readouterr().out)
    assert {c["name"] for c in printed} == {c.name for c in checks}
    assert code == (ExitCode.SYSTEM if any(c["grade"] == "missing" for c in printed) else ExitCode.OK)
    assert {"python", "Qt", "OpenCV", "data folder", "disk"} <= {c["name"] for c in printed}


def test_the_command_line_starts_without_heavy_libraries() -> None:
    code = (
        "import sys, bridge.cli\n"
        "bridge.cli.build_app()\n"
        "print(sorted({'cv2', 'torch', 'ultralytics', 'PySide6', 'openvino'} & set(sys.modules)))"
    )
    began = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True, timeout=60
    )
    assert done.stdout == "[]\n"
    assert time.monotonic() - began < 30

"""The whole program as a teacher starts it: one command, a window, a page, and a quiet end."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from bridge.session import SessionWriter, read_manifest
from overlay.clinic.collecting import collect_flight
from overlay.clinic.examples import Collection
from overlay.clinic.practice import Practice
from tests.clinic_rooms import Browserless

ROOT = Path(__file__).parent.parent
SHIPPED = ROOT / "recorded_sessions" / "clinic" / "evening-2"
TABLE = ROOT / "capture" / "tables" / "bands_common_practice.toml"


@pytest.fixture
def kept(tmp_path: Path) -> Path:
    session = Path(shutil.copytree(SHIPPED, tmp_path / "evening-2"))
    with SessionWriter(session, read_manifest(session)) as writer:
        writer.update(expires=(date.today() + timedelta(days=300)).isoformat())
    made = Collection(tmp_path / "set.json")
    for number in (2, 3):
        collect_flight(made, session, f"r1-f{number}", "good", "invented")
    return tmp_path / "set.json"


@contextlib.contextmanager
def started(*arguments: object) -> Iterator[subprocess.Popen[str]]:
    command = [sys.executable, "-m", "bridge", "clinic", "practice", *map(str, arguments)]
    environment = os.environ | {"QT_QPA_PLATFORM": "offscreen", "PYTHONUNBUFFERED": "1"}
    process = subprocess.Popen(
        command, cwd=ROOT, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    try:
        yield process
    finally:
        if process.poll() is None:
            process.kill()
        process.communicate(timeout=20)


def addresses(process: subprocess.Popen[str]) -> tuple[str, str]:
    assert process.stdout is not None
    found = {}
    while len(found) < 2:
        line = process.stdout.readline()
        assert line, process.stderr.read() if process.stderr else ""
        name, _, address = line.strip().partition(": ")
        found[name] = address
    return found["teacher"], found["markers"]


@pytest.mark.parametrize("window", [True, False])
def test_a_practice_begins_ends_quietly_and_goes_on(kept: Path, tmp_path: Path, window: bool) -> None:
    journal = tmp_path / "practice.sqlite"
    how = ["--set", kept, "--as-recorded" if window else "--no-window"]
    with started(journal, "--table", TABLE, "--title", "Invented", *how) as process:
        teacher_url, url = addresses(process)
        teacher, marker = Browserless(url), Browserless(url)
        where = urlsplit(teacher_url)
        assert teacher.ask(f"{where.path}?{where.query}")[0] == 303
        room = teacher.ask("/api/room")[1]
        assert (room["title"], room["of"], room["phase"]) == ("Invented", 2, "waiting")
        code = marker.ask("/api/join", {"room": room["room_code"]})[1]["code"]
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=30)
        assert process.returncode in (0, 130), err
        assert "Traceback" not in err
    with started(journal, *how) as process:
        back = Browserless(addresses(process)[1])
        assert back.ask("/api/return", {"code": code})[1] == {"marker": "m1"}
        with pytest.raises(Exception, match="another program"):
            Practice(journal)


def test_what_is_not_cleared_any_more_is_not_shown(kept: Path, tmp_path: Path) -> None:
    journal = tmp_path / "practice.sqlite"
    with started(journal, "--table", TABLE, "--set", kept) as process:
        _, err = process.communicate(timeout=60)
        assert process.returncode == 3
        assert "nobody looked it over for numbers, names and scores" in err
    examples = Collection(kept)
    for example in examples.find():
        examples.hide(example.id, [])
    with started(journal, "--set", kept) as process:
        addresses(process)
    Collection(kept).forget("evening-2", "24")
    with started(journal, "--set", kept) as process:
        _, err = process.communicate(timeout=60)
        assert process.returncode == 3
        assert "not cleared for teaching any more" in err

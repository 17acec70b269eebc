"""The start list at a real capture process, over the real bus and through the command line."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from bridge.bus import DeskClient, read_run_file
from bridge.errors import ExitCode
from bridge.messages import Snapshot, SnapshotRequest
from bridge.session import Session
from tests.test_station import DEMO, PART_S, S, capture, wait_for

LIST = "order;number;rotation;consent\n1;21;1;coaching\n2;22;1;teaching\n3;23;2;\n"


@dataclass(frozen=True)
class Meet:
    process: subprocess.Popen[str]
    session: Path
    desk: DeskClient
    folder: Path

    def railcrest(self, *arguments: str, code: int = 0) -> str:
        done = subprocess.run(
            [sys.executable, "-m", "bridge", *arguments],
            capture_output=True, text=True, timeout=60, check=False,
        )  # fmt: skip
        assert done.returncode == code, done.stderr
        return done.stdout if code == 0 else done.stderr

    def meet(self, *arguments: str, code: int = 0) -> str:
        return self.railcrest("meet", *arguments, "--session", str(self.session), code=code)

    def snapshot(self) -> Snapshot:
        answer = self.desk.ask(SnapshotRequest())
        assert isinstance(answer, Snapshot)
        return answer

    def numbers(self) -> dict[int, str] | None:
        return {r.routine: r.start_number for r in self.snapshot().routines} or None


@pytest.fixture(scope="module")
def meet(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Meet]:
    folder = tmp_path_factory.mktemp("meet")
    feed = folder / "part.mkv"
    shipped = Session.open(DEMO.folder)
    first_ns = int(shipped.frame_times_ns()[0])
    feed.write_bytes(shipped.clip(first_ns, first_ns + PART_S * S).data)
    (folder / "list.csv").write_text(LIST)
    session = folder / "session"
    process = subprocess.Popen(capture(feed, session), stderr=subprocess.PIPE, text=True)
    desk = DeskClient(wait_for(lambda: read_run_file(session).addresses))
    try:
        yield Meet(process, session, desk, folder)
    finally:
        desk.close()
        process.kill()
        process.communicate()


def test_a_routine_carries_the_first_number_of_the_list(meet: Meet) -> None:
    meet.meet("start-list", str(meet.folder / "list.csv"))
    assert wait_for(meet.numbers) == {1: "21"}
    listed = meet.snapshot().start_list
    assert listed is not None
    assert [(e.number, e.rotation, e.consent) for e in listed.entries][1:] == [
        ("22", "1", "teaching"),
        ("23", "2", "this session only"),
    ]
    assert listed.next == "22"


def test_one_command_puts_it_right_for_everybody(meet: Meet) -> None:
    wait_for(meet.numbers)
    meet.meet("number", "22", "--routine", "1")
    assert meet.numbers() == {1: "22"}
    shown = json.loads(meet.meet("show", "--json"))
    assert shown["routines"][0]["start_number"] == "22"
    assert shown["start_list"]["next"] == "21"
    with Session.open(meet.session).journal() as journal:
        assert [r.start_number for r in journal.routines()] == ["22"]


def test_a_wrong_number_is_refused_with_the_remedy(meet: Meet) -> None:
    said = meet.meet("number", "99", "--routine", "1", code=ExitCode.CONFIG)
    assert said.strip() == "railcrest: 99 is not on the start list; add her first"


def test_it_is_put_right_afterwards_just_the_same(meet: Meet) -> None:
    wait_for(lambda: meet.snapshot().routines[0].end_ns, 240)
    meet.process.send_signal(signal.SIGTERM)
    assert meet.process.wait(30) == ExitCode.OK
    meet.meet("number", "23", "--routine", "1")
    meet.meet("scratch", "21")
    lines = meet.meet("show").splitlines()
    assert lines[:2] == ["part: competition", "next: 22"]
    assert any("23" in line and "routine 1" in line for line in lines)
    assert "scratched" in lines[2]
    assert Session.open(meet.session).verify() == []
    meet.railcrest("session", "export", str(meet.session), "--out", str(meet.folder / "out"), "--no-clips")
    rows = (meet.folder / "out" / "readings.csv").read_text().splitlines()
    assert rows[1].split(",")[:3] == ["r1-f1", "1", "23"]

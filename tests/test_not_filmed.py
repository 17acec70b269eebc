"""Of a gymnast who is not to be filmed no picture, joint or reading is kept, and nobody has to remember.

A real station records an invented meet of small pictures. Each picture carries a number that says who is on
the bars; a scripted pipeline reads it, so that no network is needed here. (That the shipped networks see a
mount is tested at the end, on the demo's pictures.)
"""

from __future__ import annotations

import copy
import dataclasses
import subprocess
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

import av
import numpy as np
import pytest

from bridge.bus import DeskClient, read_run_file
from bridge.clock import SystemClock
from bridge.messages import (
    Accepted,
    ClipRequest,
    Consent,
    Entry,
    EntryRequest,
    PartRequest,
    Phase,
    Reading,
    Refused,
    Request,
    Routine,
)
from bridge.running_order import RunningOrder
from bridge.session import Session, SessionWriter, new_manifest
from capture.bands import common_practice
from capture.camera import view_of
from capture.feeds import Frame, open_feed
from capture.flights import FlightWatch
from capture.observation import JointObservation
from capture.pipeline import Pipeline, Step
from capture.rig import load_rig
from capture.routines import RoutineCutter
from tests.clips import number_of, write_clip
from tests.sessions import invented_reading
from tests.test_live import NS, Station, station
from tests.test_station import DEMO, wait_for

TURN_S, AWAY_S = 14, 36  # more than the half minute after which a turn is over
EVERY_MS = 400
ON, LAST = 100, 50  # number of a turn's first picture is ON * turn; its last says so


class Scripted(Pipeline):
    """A pipeline that reads from a picture's number who is on the bars, and gives one reading a turn."""

    models: ClassVar[dict[str, str]] = {}  # type: ignore[misc]

    def __init__(self, last: int = 0) -> None:
        self._cutter = RoutineCutter(last=last)
        self._watch = FlightWatch(view_of(load_rig(DEMO.rig)), common_practice())  # for its table and view
        self._guard = None

    def again(self, last_routine: int) -> Scripted:
        return Scripted(last_routine)

    def fork(self) -> Scripted:
        twin = Scripted()
        twin._cutter = copy.copy(self._cutter)
        return twin

    def push(self, frame: Frame) -> Step:
        number = number_of(frame.image)
        phase: Phase = "support" if number else "away"
        seen = JointObservation(frame.t_ns, np.full((14, 2), float(number)), np.ones(14), np.ones(14))
        records: tuple[Reading | Routine, ...] = self._cutter.push(frame.t_ns, phase)
        if number % ON == LAST:
            reading = invented_reading(
                1, 0, 0, 0, flight=f"r{self._cutter.number}-f1", routine=self._cutter.number,
                family="dismount", end_kind="landing",
                release_ns=frame.t_ns - 2 * NS, apex_ns=frame.t_ns - 2 * NS, end_ns=frame.t_ns - NS,
            )  # fmt: skip
            records = (*records, reading)
        return Step(seen, phase, records)

    def finish(self) -> tuple[Reading | Routine, ...]:
        return self._cutter.finish()


@dataclass(frozen=True)
class Film:
    path: Path
    numbers: tuple[int, ...]  # of its pictures, one each EVERY_MS


@pytest.fixture(scope="module")
def four_turns(tmp_path_factory: pytest.TempPathFactory) -> Film:
    numbers: list[int] = [0] * 20
    for turn in range(1, 5):
        numbers += [turn * ON + min(i, LAST - 1) for i in range(TURN_S * 1000 // EVERY_MS)]
        numbers += [turn * ON + LAST] + [0] * (AWAY_S * 1000 // EVERY_MS)
    path = tmp_path_factory.mktemp("film") / "meet.mkv"
    write_clip(path, [i * EVERY_MS for i in range(len(numbers))], codec="mjpeg", numbers=numbers)
    return Film(path, tuple(numbers))


def listed(folder: Path, *consents: Consent) -> None:
    """A session with a start list, before capture begins."""
    entries = tuple(Entry(number=str(20 + i), order=i, consent=c) for i, c in enumerate(consents, 1))
    with SessionWriter(folder, new_manifest("Invented")) as writer:
        order = RunningOrder(writer.journal, lambda _: None, lambda: 0)
        assert order.answer(EntryRequest(action="load", entries=entries, consent="coaching")) == Accepted()


def meet_station(film: Film, folder: Path, *, live: bool = False) -> Station:
    feed = open_feed(str(film.path), SystemClock(), live=False)
    return station(feed, Scripted(), folder, live=live)  # type: ignore[arg-type]


def record(film: Film, folder: Path) -> Session:
    meet_station(film, folder).run(threading.Event())
    return Session.open(folder)


def turns_in_pictures(session: Session) -> dict[int, int]:
    """How many pictures of each turn the session's files hold; 0 stands for the empty bars."""
    found: dict[int, int] = {}
    for path in sorted(session.folder.glob("*.mkv")):
        with av.open(str(path)) as container:
            for frame in container.decode(video=0):
                turn = number_of(frame.to_ndarray(format="bgr24")) // ON
                found[turn] = found.get(turn, 0) + 1
    return found


def turns_in_joints(session: Session) -> set[int]:
    return {
        round(float(line.split(",")[1])) // ON
        for path in session.folder.glob("joints-*.csv")
        for line in path.read_text().splitlines()[1:]
    } - {0}


def bytes_of_journal(session: Session) -> bytes:
    return (session.folder / "journal.sqlite").read_bytes()


def test_without_anybody_to_leave_out_all_is_kept(tmp_path: Path, four_turns: Film) -> None:
    listed(tmp_path / "s", *(["coaching"] * 4))
    session = record(four_turns, tmp_path / "s")
    with session.journal() as journal:
        assert [r.start_number for r in journal.routines()] == ["21", "22", "23", "24"]
        assert all(r.end_ns for r in journal.routines())
        assert [r.flight for r in journal.readings()] == ["r1-f1", "r2-f1", "r3-f1", "r4-f1"]
        assert journal.pauses() == ()
    assert sum(turns_in_pictures(session).values()) == len(four_turns.numbers)
    assert session.verify() == []


def test_her_turn_passes_without_a_picture_and_the_next_is_whole(tmp_path: Path, four_turns: Film) -> None:
    listed(tmp_path / "s", "coaching", "do not film", "coaching", "teaching")
    session = record(four_turns, tmp_path / "s")
    pictures = turns_in_pictures(session)
    whole = TURN_S * 1000 // EVERY_MS + 1
    assert {turn: pictures.get(turn, 0) for turn in (1, 2, 3, 4)} == {1: whole, 2: 0, 3: whole, 4: whole}
    assert turns_in_joints(session) == {1, 3, 4}
    with session.journal() as journal:
        routines = journal.routines()
        assert [r.start_number for r in routines] == ["21", "22", "23", "24"]
        assert [r.routine for r in journal.readings()] == [1, 3, 4]
        (pause,) = journal.pauses()
        assert pause.why == "do not film"
        her = routines[1]
        assert pause.begin_ns < her.begin_ns < (her.end_ns or 0) < (pause.end_ns or 0) < routines[2].begin_ns
    assert [s.number for s in session.segments()] == [1, 2]
    assert session.verify() == []


def test_the_first_on_the_list_is_not_filmed_either(tmp_path: Path, four_turns: Film) -> None:
    listed(tmp_path / "s", "do not film", "do not film", "coaching", "do not film")
    session = record(four_turns, tmp_path / "s")
    assert set(turns_in_pictures(session)) == {0, 3}
    with session.journal() as journal:
        assert [r.start_number for r in journal.routines()] == ["21", "22", "23", "24"]
    assert session.verify() == []


def test_what_was_recorded_before_her_number_was_put_right_goes_at_the_end(
    tmp_path: Path, four_turns: Film
) -> None:
    folder = tmp_path / "s"
    listed(folder, "coaching", "coaching", "coaching", "coaching", "do not film")
    started = meet_station(four_turns, folder)
    with Running(started, stay=True) as running:
        flight = wait_for(lambda: running.flight(4))
        assert running.ask(EntryRequest(action="number", number="25", routine=2)) == Accepted()
        refused = running.ask(ClipRequest(flight="r2-f1"))
        assert refused == Refused(reason="r2-f1: the gymnast is not to be filmed")
        assert not isinstance(running.ask(ClipRequest(flight=flight)), Refused)
        withdrawn = {r.flight: (r.state, r.apex) for r in running.snapshot().readings}
        assert withdrawn["r2-f1"] == ("withheld", None)
        assert withdrawn["r1-f1"][0] == "settled"
    session = Session.open(folder)
    assert set(turns_in_pictures(session)) == {0, 1, 3, 4}
    assert turns_in_joints(session) == {1, 3, 4}
    with session.journal() as journal:
        assert [r.routine for r in journal.readings()] == [1, 3, 4]
        assert [r.start_number for r in journal.routines()] == ["21", "25", "22", "23"]
        assert journal.verify() is None
    assert b"r2-f1" not in bytes_of_journal(session)
    assert session.verify() == []


def test_in_a_break_nothing_is_recorded(tmp_path: Path, four_turns: Film) -> None:
    folder = tmp_path / "s"
    listed(folder, "coaching", "coaching")
    with SessionWriter(folder, new_manifest("Invented")) as writer:
        RunningOrder(writer.journal, lambda _: None, lambda: 1).answer(PartRequest(part="break"))
    started = meet_station(four_turns, folder)
    with Running(started, stay=True) as running:
        wait_for(lambda: running.routines() >= 4 or None)
        snapshot = running.snapshot()
        assert snapshot.start_list is not None
        assert snapshot.start_list.paused == "break: nothing is recorded"
        assert [r.warm_up for r in snapshot.routines] == [True] * 4
    session = Session.open(folder)
    assert turns_in_pictures(session) == {}
    with session.journal() as journal:
        assert [p.why for p in journal.pauses()] == ["break"]


@pytest.mark.parametrize(("consent", "kept"), [("coaching", True), ("do not film", False)])
def test_warm_up_is_kept_only_where_everybody_in_it_may_be_filmed(
    tmp_path: Path, four_turns: Film, consent: Consent, kept: bool
) -> None:
    folder = tmp_path / "s"
    listed(folder, "coaching", "coaching", consent)
    with SessionWriter(folder, new_manifest("Invented")) as writer:
        RunningOrder(writer.journal, lambda _: None, lambda: 1).answer(PartRequest(part="warm-up"))
    session = record(four_turns, folder)
    assert bool(turns_in_pictures(session)) == kept
    with session.journal() as journal:
        assert [(r.warm_up, r.start_number) for r in journal.routines()] == [(True, "")] * 4


def test_somebody_who_only_touches_the_bars_does_not_end_the_pause(tmp_path: Path) -> None:
    numbers = [0] * 10 + [101] * 10 + [0] * 180 + [200 + i % 50 for i in range(70)] + [0] * 180
    numbers += [300 + i % 50 for i in range(70)] + [0] * 20
    path = tmp_path / "meet.mkv"
    write_clip(path, [i * EVERY_MS for i in range(len(numbers))], codec="mjpeg", numbers=numbers)
    listed(tmp_path / "s", "do not film", "coaching")
    session = record(Film(path, tuple(numbers)), tmp_path / "s")
    assert set(turns_in_pictures(session)) == {0, 3}
    with session.journal() as journal:
        assert [r.start_number for r in journal.routines()] == ["", "21", "22"]


class Slow(Scripted):
    """One that measures five pictures a second."""

    def again(self, last_routine: int) -> Slow:
        return Slow(last_routine)

    def push(self, frame: Frame) -> Step:
        time.sleep(0.2)
        return super().push(frame)


@pytest.mark.logs_warnings
def test_pictures_that_nobody_measured_are_told_when_she_may_be_on_them(
    tmp_path: Path, four_turns: Film
) -> None:
    listed(tmp_path / "s", "coaching", "do not film")
    started = dataclasses.replace(meet_station(four_turns, tmp_path / "s"), pipeline=Slow())
    with Running(started, stay=True) as running:
        wait_for(lambda: running.routines_begun() or None)
    with Session.open(tmp_path / "s").journal() as journal:
        notes = [row.body for row in journal.rows("note")]
    assert any("22, not to be filmed, had not been seen" in body for body in notes)


def test_the_shipped_networks_see_her_come_and_no_picture_stays(tmp_path: Path) -> None:
    shipped = Session.open(DEMO.folder)
    first_ns = int(shipped.frame_times_ns()[0])
    part = tmp_path / "part.mkv"
    part.write_bytes(shipped.clip(first_ns, first_ns + 3 * NS).data)
    (tmp_path / "list.csv").write_text("number,consent\n21,do not film\n22,coaching\n")
    done = subprocess.run(
        [
            sys.executable, "-m", "bridge", "capture", "--feed", str(part), "--rig", str(DEMO.rig),
            "--session", str(tmp_path / "s"), "--port", "0", "--fast",
            "--start-list", str(tmp_path / "list.csv"),
        ],
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    session = Session.open(tmp_path / "s")
    with session.journal() as journal:
        (routine,) = journal.routines()
        assert routine.start_number == "21"
        (pause,) = journal.pauses()
        assert pause.why == "do not film"
        assert pause.end_ns is not None
        assert journal.readings() == ()
    assert not list(session.folder.glob("*.mkv"))
    assert not list(session.folder.glob("joints-*"))
    assert [f.text for f in session.verify()] == ["no pictures were recorded"]


class Running:
    """A station at work in a thread of its own, and a desk client."""

    def __init__(self, started: Station, *, stay: bool) -> None:
        self._station = dataclasses.replace(started, stay=stay)
        self._stop = threading.Event()
        self._failed: list[BaseException] = []
        self._thread = threading.Thread(target=self._run)

    def _run(self) -> None:
        try:
            self._station.run(self._stop)
        except BaseException as error:
            self._failed.append(error)

    def __enter__(self) -> Running:
        self._thread.start()
        self.desk = DeskClient(wait_for(lambda: read_run_file(self._station.folder).addresses))
        return self

    def __exit__(self, *_: object) -> None:
        self.desk.close()
        self._stop.set()
        self._thread.join(30)
        assert not self._thread.is_alive()
        assert not self._failed

    def ask(self, request: Request) -> object:
        return self.desk.ask(request)

    def snapshot(self):  # type: ignore[no-untyped-def]
        from bridge.messages import Snapshot, SnapshotRequest

        answer = self.desk.ask(SnapshotRequest())
        assert isinstance(answer, Snapshot)
        return answer

    def routines(self) -> int:
        return len([r for r in self.snapshot().routines if r.end_ns])

    def routines_begun(self) -> int:
        return len(self.snapshot().routines)

    def flight(self, routine: int) -> str | None:
        return next((r.flight for r in self.snapshot().readings if r.routine == routine), None)

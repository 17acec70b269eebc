"""The process at the arena, as a viewer meets it: snapshot, clip, ruling, and a clean end."""

from __future__ import annotations

import io
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest

from bridge.bus import DeskClient, read_run_file
from bridge.errors import BusError, ExitCode
from bridge.messages import (
    Accepted,
    Clip,
    ClipRequest,
    FamilyRequest,
    Reading,
    Refused,
    Ruling,
    RulingRequest,
    Snapshot,
    SnapshotRequest,
    Tag,
    TagRequest,
)
from bridge.session import Session
from capture.demo import demo_files

DEMO = demo_files()
S = 1_000_000_000
PART_S = 8  # of the demo: its first flight


@dataclass(frozen=True)
class Arena:
    process: subprocess.Popen[str]
    session: Path
    desk: DeskClient


def capture(feed: Path, session: Path) -> list[str]:
    return [
        sys.executable, "-m", "bridge", "capture", "--feed", str(feed), "--rig", str(DEMO.rig),
        "--session", str(session), "--port", "0", "--fast", "--stay",
    ]  # fmt: skip


@pytest.fixture(scope="module")
def arena(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Arena]:
    folder = tmp_path_factory.mktemp("arena")
    feed = folder / "part.mkv"
    shipped = Session.open(DEMO.folder)
    first_ns = int(shipped.frame_times_ns()[0])
    feed.write_bytes(shipped.clip(first_ns, first_ns + PART_S * S).data)
    session = folder / "session"
    process = subprocess.Popen(capture(feed, session), stderr=subprocess.PIPE, text=True)
    desk = DeskClient(wait_for(lambda: read_run_file(session).addresses))
    try:
        yield Arena(process, session, desk)
    finally:
        desk.close()
        process.kill()
        process.communicate()


def wait_for(what: Callable[[], Any], seconds: float = 120) -> Any:
    deadline = time.monotonic() + seconds
    while True:
        try:
            if (found := what()) is not None:
                return found
        except BusError:
            pass
        if time.monotonic() > deadline:
            pytest.fail(f"nothing within {seconds} s")
        time.sleep(0.1)


def settled(arena: Arena) -> Snapshot | None:
    snapshot = arena.desk.ask(SnapshotRequest())
    assert isinstance(snapshot, Snapshot | Refused)
    if isinstance(snapshot, Snapshot) and any(r.state == "settled" for r in snapshot.readings):
        return snapshot
    return None


def test_a_late_joiner_is_told_everything(arena: Arena) -> None:
    snapshot = wait_for(lambda: settled(arena))
    assert snapshot.scene.picture == (1920, 1080)
    assert {line.rail for line in snapshot.scene.lines} == {"high", "low"}
    assert [reading.family for reading in snapshot.readings] == ["low_to_high"]
    assert [routine.routine for routine in snapshot.routines][:1] == [1]


def test_a_clip_comes_as_the_recorded_pictures_with_their_times(arena: Arena) -> None:
    reading = wait_for(lambda: settled(arena)).readings[0]
    clip = arena.desk.ask(ClipRequest(flight=reading.flight))
    assert isinstance(clip, Clip)
    with av.open(io.BytesIO(clip.matroska)) as container:
        frames = [frame.to_ndarray(format="gray") for frame in container.decode(video=0)]
    assert len(frames) == len(clip.times_ns)
    assert clip.times_ns[0] <= reading.release_ns - 600_000_000 <= clip.begin_ns
    assert clip.times_ns[-1] >= reading.end_ns
    # The part was cut into a container that knows whole milliseconds.
    assert np.diff(clip.times_ns) == pytest.approx(S / 60, abs=1_000_000)
    # The drawing fits the pictures: the hip path runs inside them.
    assert reading.drawing is not None
    height, width = frames[0].shape
    assert all(0 <= p.x < width and 0 <= p.y < height for p in reading.drawing.hips)


def test_a_clip_of_no_flight_is_refused(arena: Arena) -> None:
    answer = arena.desk.ask(ClipRequest(flight="../../etc"))
    assert isinstance(answer, Refused)
    assert "no such flight" in answer.reason


def test_the_panels_ruling_is_journalled_and_told(arena: Arena) -> None:
    flight = wait_for(lambda: settled(arena)).readings[0].flight
    ruling = Ruling(flight=flight, decision="level", note="seen twice", by="chair")
    assert arena.desk.ask(RulingRequest(ruling=ruling)) == Accepted()
    snapshot = arena.desk.ask(SnapshotRequest())
    assert isinstance(snapshot, Snapshot)
    assert [(r.flight, r.decision, r.by) for r in snapshot.rulings] == [(flight, "level", "chair")]
    assert snapshot.rulings[0].wall_time
    with Session.open(arena.session).journal() as journal:
        assert [r.note for r in journal.rulings()] == ["seen twice"]


def test_a_coachs_tag_is_journalled_and_told(arena: Arena) -> None:
    flight = wait_for(lambda: settled(arena)).readings[0].flight
    for outcome in ("made", "spotted"):
        tag = Tag(flight=flight, outcome=outcome, by="coach")
        assert arena.desk.ask(TagRequest(body=tag)) == Accepted()
    snapshot = arena.desk.ask(SnapshotRequest())
    assert isinstance(snapshot, Snapshot)
    assert [(t.flight, t.outcome, t.by) for t in snapshot.tags] == [(flight, "spotted", "coach")]
    assert isinstance(arena.desk.ask(TagRequest(body=Tag(flight="r9-f9", outcome="made"))), Refused)
    with Session.open(arena.session).journal() as journal:
        assert [t.outcome for t in journal.tags()] == ["spotted"]
        assert len(journal.rows("tag")) == 2


def swung(arena: Arena) -> Reading | None:
    snapshot = settled(arena)
    reading = snapshot.readings[0] if snapshot is not None else None
    return reading if reading is not None and reading.measures[-1].name == "backswing" else None


def told(arena: Arena) -> Reading:
    snapshot = arena.desk.ask(SnapshotRequest())
    assert isinstance(snapshot, Snapshot)
    return snapshot.readings[0]


def test_the_panels_family_is_journalled_and_told_and_can_be_taken_back(arena: Arena) -> None:
    measured = wait_for(lambda: swung(arena))  # its last settled reading brings the backswing
    assert (measured.family, measured.family_by, measured.start_rail) == ("low_to_high", "", "low")
    for family in ("salto_regrasp", "", "counter_regrasp"):
        request = FamilyRequest(flight=measured.flight, family=family)
        assert arena.desk.ask(request) == Accepted()
        if not family:
            assert told(arena) == measured
        else:
            changed = told(arena)
            assert (changed.family, changed.family_by) == (family, "panel")
            assert changed.apex == measured.apex
            assert changed.families == measured.families
    with Session.open(arena.session).journal() as journal:
        rows = [row.entry() for row in journal.rows("reading")]
        assert [r.family for r in rows if isinstance(r, Reading) and r.state == "settled"] == [
            "low_to_high", "low_to_high", "salto_regrasp", "low_to_high", "counter_regrasp"
        ]  # fmt: skip
        assert journal.readings() == (changed,)
    for flight, family in ((measured.flight, "giant"), ("r9-f9", "dismount")):
        refused = arena.desk.ask(FamilyRequest(flight=flight, family=family))
        assert isinstance(refused, Refused)
        assert "no " in refused.reason


def test_a_second_capture_on_the_session_is_refused(arena: Arena) -> None:
    wait_for(lambda: settled(arena))
    done = subprocess.run(
        capture(DEMO.folder, arena.session), capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == ExitCode.RECORDING
    assert "is recording into it" in done.stderr
    assert arena.process.poll() is None
    read_run_file(arena.session)  # the first one's addresses still stand


def test_it_ends_cleanly_when_told_to(arena: Arena) -> None:
    wait_for(lambda: settled(arena))
    arena.process.send_signal(signal.SIGTERM)
    assert arena.process.wait(30) == ExitCode.OK
    session = Session.open(arena.session)
    assert session.verify() == []
    assert len(session.frame_times_ns()) > 60 * (PART_S - 1)
    with pytest.raises(BusError):
        read_run_file(arena.session)


def test_the_panels_family_outlives_a_restart(arena: Arena) -> None:
    with subprocess.Popen(capture(DEMO.folder, arena.session), stderr=subprocess.PIPE, text=True) as again:
        with DeskClient(wait_for(lambda: read_run_file(arena.session).addresses)) as desk:
            snapshot = wait_for(lambda: s if isinstance(s := desk.ask(SnapshotRequest()), Snapshot) else None)
            earlier = next(r for r in snapshot.readings if r.routine == 1)
            assert (earlier.family, earlier.family_by) == ("counter_regrasp", "panel")
            assert desk.ask(FamilyRequest(flight=earlier.flight, family="")) == Accepted()
        again.send_signal(signal.SIGTERM)
        assert again.wait(60) == ExitCode.OK
    with Session.open(arena.session).journal() as journal:
        assert next(r.family for r in journal.readings() if r.flight == earlier.flight) == "low_to_high"

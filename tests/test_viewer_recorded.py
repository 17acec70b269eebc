"""A session folder as the viewer's source: closed, taken up again by capture, closed again, killed."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.bus import Addresses, remove_run_file, write_run_file
from bridge.clock import ManualClock
from bridge.errors import RecordingError
from bridge.messages import Clip, ClipRequest, Heartbeat, Refused, Snapshot
from bridge.session import SessionWriter, read_manifest
from overlay.pixels import decode_clip
from overlay.recorded import LOOK_NS, FolderDesk, FolderSource, RecordedSession, is_recorded
from tests.conftest import Bus
from tests.sessions import TIMES_NS, recorded_session


def bodies(source: FolderSource) -> list[type]:
    return [type(envelope.body) for envelope in source.poll(0.0)]


def test_a_closed_session_gives_one_snapshot_and_says_it_has_ended(tmp_path: Path) -> None:
    clock = ManualClock(5 * LOOK_NS)
    source = FolderSource(recorded_session(tmp_path / "s"), clock)
    first = source.poll(0.0)
    snapshot = first[0].body
    assert isinstance(snapshot, Snapshot)
    assert [r.state for r in snapshot.readings] == ["settled", "withheld"]
    assert snapshot.scene.picture == (192, 96)
    assert snapshot.scene.policy == "line"
    beat = first[1].body
    assert isinstance(beat, Heartbeat)
    assert beat.feed == "ended"
    assert bodies(source) == []
    clock.advance(LOOK_NS)
    assert bodies(source) == [Heartbeat]


def test_the_policy_asked_for_holds_for_a_closed_session(tmp_path: Path) -> None:
    folder = recorded_session(tmp_path / "s")
    assert RecordedSession(folder, "band").snapshot().scene.policy == "band"
    with pytest.raises(RecordingError):
        RecordedSession(tmp_path / "none")


def test_clips_come_from_the_disk(tmp_path: Path) -> None:
    desk = FolderDesk(recorded_session(tmp_path / "s"), ManualClock())
    answer = desk.ask(ClipRequest(flight="r1-f1", before_ns=100_000_000, after_ns=100_000_000))
    assert isinstance(answer, Clip)
    store = decode_clip(answer)
    assert set(store.times_ns) <= set(TIMES_NS)
    assert store.begin_ns >= TIMES_NS[30] - 100_000_000
    assert store.end_ns <= TIMES_NS[60] + 100_000_000
    assert len(store) >= 30
    assert isinstance(desk.ask(ClipRequest(flight="r9-f9")), Refused)
    desk.close()


def test_it_follows_capture_as_it_begins_and_ends(tmp_path: Path, bus: Bus) -> None:
    clock = ManualClock(5 * LOOK_NS)
    folder = recorded_session(tmp_path / "s")
    source = FolderSource(folder, clock)
    assert Snapshot in bodies(source)
    with SessionWriter(folder, read_manifest(folder)):
        assert not is_recorded(folder)
        clock.advance(LOOK_NS)
        assert bodies(source) == []
        assert source.problem is not None
        assert "no capture is running" in source.problem
    clock.advance(LOOK_NS)
    assert Snapshot in bodies(source)
    source.close()


def test_a_capture_that_was_killed_counts_as_lost_not_as_ended(tmp_path: Path, bus: Bus) -> None:
    clock = ManualClock(5 * LOOK_NS)
    folder = recorded_session(tmp_path / "s")
    with SessionWriter(folder, read_manifest(folder)):
        source = FolderSource(folder, clock)
        assert bodies(source) == []
        write_run_file(folder, "s", Addresses(state=1, records=2, desk=3))
    clock.advance(LOOK_NS)
    assert bodies(source) == []
    remove_run_file(folder)
    clock.advance(LOOK_NS)
    assert Snapshot in bodies(source)
    source.close()

"""A recorded session measured again from its joints gives the readings that its journal holds."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.errors import RecordingError
from bridge.session import Session
from capture.bands import common_practice
from capture.camera import view_of
from capture.demo import demo_files
from capture.flights import measure_track
from capture.recorder import read_joints
from capture.rig import parse_rig

DEMO = demo_files()


def test_a_session_measured_again_reads_the_same() -> None:
    session = Session.open(DEMO.folder)
    with session.journal() as journal:
        journalled = {reading.flight: reading for reading in journal.readings()}
    view = view_of(parse_rig(session.manifest.rig_toml))
    again = measure_track(read_joints(DEMO.folder / "joints-0001.csv"), view, common_practice())
    assert [reading.flight for reading in again] == sorted(journalled)
    for reading in again:
        before = journalled[reading.flight]
        assert (reading.state, reading.family, reading.band, reading.end_kind, reading.rail) == (
            before.state, before.family, before.band, before.end_kind, before.rail,
        )  # fmt: skip
        # The table rounds joints to a thousandth of a pixel.
        assert reading.apex is not None
        assert before.apex is not None
        assert reading.apex.value == pytest.approx(before.apex.value, abs=2e-4)
        assert reading.apex.u == pytest.approx(before.apex.u, abs=2e-4)
        for name in ("release_ns", "apex_ns", "end_ns"):
            assert getattr(reading, name) == pytest.approx(getattr(before, name), abs=2_000_000)


def test_a_table_that_holds_no_joints_is_refused(tmp_path: Path) -> None:
    (tmp_path / "joints-0001.csv").write_text("a,b\n1,2\n")
    with pytest.raises(RecordingError, match="not a table of joints"):
        list(read_joints(tmp_path / "joints-0001.csv"))

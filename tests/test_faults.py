"""Faults done to the real programs, in the short form of ``railcrest bench faults``."""

from __future__ import annotations

import pytest

from capture.bench.faults import trials


@pytest.mark.logs_warnings
def test_what_is_recorded_survives() -> None:
    outcomes = list(trials(1, seed=4, short=True))
    assert [o.fault for o in outcomes if not o.survived] == []
    assert len(outcomes) == 6
    told = {o.fault: o.said for o in outcomes}
    assert "is recording into it" in told["SIGTERM, and a second capture"]
    assert "the disk is full" in told["disk full"]
    assert "20 of 20 found" in told["one byte flipped"]
    assert max(o.lost_s for o in outcomes if o.lost_s is not None) <= 0.5

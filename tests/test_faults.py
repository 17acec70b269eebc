"""Faults done to the real programs, in the short form of ``railcrest bench faults``."""

from __future__ import annotations

import pytest

from capture.bench.faults import FAULTS, trials

LONG = {"restarted", "unplugged"}  # test_launch.py and test_feeds.py hold the same without networks
OUTCOMES = {"killed": 2, "ended": 2, "disk full": 1, "times": 1}
SAID = {
    "SIGTERM, and a second capture": "is recording into it",
    "one byte flipped": "20 of 20 found",
    "disk full": "the disk is full",
    "times repeat, go back, leap": "3 pictures out of order left out",
}


@pytest.mark.logs_warnings
@pytest.mark.parametrize("fault", sorted(FAULTS.keys() - LONG))
def test_what_is_recorded_survives(fault: str) -> None:
    outcomes = list(trials(1, seed=4, only={fault}))
    assert [o for o in outcomes if not o.survived] == []
    assert len(outcomes) == OUTCOMES[fault]
    for outcome in outcomes:
        assert SAID.get(outcome.fault, "") in outcome.said
        assert outcome.lost_s is None or outcome.lost_s <= 0.5

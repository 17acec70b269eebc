"""Release and regrasp on the studio's exact motions, side-on and from an oblique place, at 60 a second."""

import numpy as np
import pytest

from capture.bands import common_practice
from capture.flights import measure_track
from tests.rehearsed import START_S, Eye, play, seen

FLIGHTS = [
    [("counter_regrasp", {})],
    [("counter_regrasp", {"facing": "high", "amplitude_m": 0.4, "twist_turns": 0.5})],
    [("salto_regrasp", {})],
    [("salto_regrasp", {"direction": "back", "twist_turns": 0.5, "shape": "piked"})],
    [("high_to_low_salto", {})],
    [("high_to_low_overshoot", {}), ("low_to_high", {})],
]


@pytest.mark.parametrize(
    ("eye", "allowed_s"),
    [(Eye(), 0.015), (Eye(off_deg=25, high_m=3.0), 0.024)],
    ids=["side-on", "oblique"],
)
def test_release_and_regrasp_are_about_a_picture_or_finer(eye: Eye, allowed_s: float) -> None:
    release, regrasp, told = [], [], []
    for elements in FLIGHTS:
        show = play(elements)
        last = show.flights[-1]
        for seed in range(3):
            observations, view = seen(show, eye, seed, last.release_s - 1.5, last.end_s + 1.0)
            (reading,) = [
                r
                for r in measure_track(observations, view, common_practice())
                if r.end_ns / 1e9 - START_S > last.release_s
            ]
            release.append(reading.release_ns / 1e9 - START_S - last.release_s)
            regrasp.append(reading.end_ns / 1e9 - START_S - last.end_s)
            air = next(m.quantity for m in reading.measures if m.name == "flight_time")
            told.append((air.value - (last.end_s - last.release_s)) / air.u)
    for misses in (release, regrasp):
        assert np.sqrt(np.mean(np.square(misses))) < allowed_s
    assert np.mean(np.abs(told) < 1.96) >= 0.85  # 18 flights, three each alike in all but noise

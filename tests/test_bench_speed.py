"""The live bench's own arithmetic: rigs for other sizes, what a process costs, what grows."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from bridge.errors import RailcrestError
from bridge.messages import Reading
from bridge.session import Session
from capture.bench.process import cost_of
from capture.bench.soak import Sample, _slope, against_truth
from capture.bench.speed import Setting, made, scaled_rig
from capture.camera import view_of
from capture.demo import demo_files
from capture.feeds import FileFeed
from capture.rig import load_rig, parse_rig
from capture.studio import truth
from tests.sessions import invented_reading

RIG = demo_files().rig


def test_a_rig_for_smaller_pictures_sees_the_same_bars() -> None:
    whole, half = view_of(load_rig(RIG)), view_of(parse_rig(scaled_rig(RIG.read_text(), (960, 540), 0.5)))
    for before, after in zip(whole.lines(), half.lines(), strict=True):
        for was, now in ((before.a, after.a), (before.b, after.b)):
            assert now == pytest.approx([(v + 0.5) / 2 - 0.5 for v in was], abs=0.5)


def test_a_clip_at_half_the_rate_and_another_size_keeps_its_times(tmp_path: Path) -> None:
    setting = Setting("half", height=180, rate=0.5)
    film, rig = made(demo_files().folder, RIG, setting, tmp_path, seconds=0.5)
    frames = list(FileFeed(film))
    assert frames[0].image.shape[:2] == (180, 320)
    assert load_rig(rig).picture == (320, 180)
    assert (frames[-1].t_ns - frames[0].t_ns) / (len(frames) - 1) == pytest.approx(1e9 / 30, rel=0.02)


def test_this_process_costs_something_and_one_that_is_gone_is_named() -> None:
    cost = cost_of(os.getpid())
    assert cost.cpu_s > 0.1
    assert cost.rss_mb > 20
    assert cost.files > 2
    assert cost.threads >= 1
    with pytest.raises(RailcrestError, match="process 999999999"):
        cost_of(999_999_999)


def test_growth_is_told_an_hour_and_leaves_the_warming_up_out() -> None:
    cost = cost_of(os.getpid())
    samples = [Sample(36.0 * i, cost, 0.0) for i in range(101)]
    values = [100.0 + (0 if i <= 20 else 3.0 * i / 100) for i in range(101)]
    assert _slope(samples, values) == pytest.approx(3.0)
    assert _slope(samples[:2], values[:2]) is None


def test_a_soak_counts_readings_of_no_flight_and_flights_without_a_reading() -> None:
    flights = truth.read(demo_files().truth).flights
    clip_ns = Session.open(demo_files().folder).frame_times_ns()
    period_ns = int(np.diff(clip_ns).mean()) * len(clip_ns)
    first_ns = 5_000_000_000
    recorded_ns = first_ns + np.arange(3) * period_ns

    def read(turn: int, second: float) -> Reading:
        at_ns = first_ns + turn * period_ns + round(second * 1e9)
        return invented_reading(1, 30, 45, 60, release_ns=at_ns, end_ns=at_ns + 500_000_000)

    whole = [read(turn, f.release_s) for turn in range(3) for f in flights]
    assert against_truth(whole, recorded_ns, clip_ns, flights) == (0, 0)
    assert against_truth(whole[1:3] + whole[4:], recorded_ns, clip_ns, flights) == (0, 2)
    between_s = (flights[0].end_s + flights[1].release_s) / 2
    assert against_truth([*whole, read(1, between_s)], recorded_ns, clip_ns, flights) == (1, 0)
    assert against_truth([], recorded_ns, clip_ns, flights) == (0, 2 * len(flights))

"""A long run on a feed that loops: what grows, what is lost, and whether the clock keeps true."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from bridge.messages import Reading
from bridge.session import Session
from capture.bench.arena import arena, watch
from capture.bench.process import Cost, cost_of
from capture.studio.truth import FlightTruth

NS: Final = 1_000_000_000
SAMPLES: Final = 120  # in all
WARM: Final = 0.2  # of the run, left out of the slopes
NEAR_S: Final = 0.3  # of a true flight that a reading is told to be of


@dataclass(frozen=True, slots=True)
class Sample:
    """Capture at one moment of the run."""

    s: float
    cost: Cost
    journal_mb: float


def soak(
    clip: Path,
    rig: Path,
    flights: Sequence[FlightTruth],
    minutes: float,
    tell: Callable[[str, float], None],
    *,
    fast: bool = False,
) -> dict[str, Any]:
    """Run capture on a session's clip again and again for so long, with one viewer.

    Args:
        flights: the truth of the clip, against which false and missed flights are counted.
        fast: as fast as it can be measured instead of paced: more routines in the same time.
    """
    seconds, samples = 60 * minutes, []
    with arena(f"loop:{clip}", rig, *(["--fast"] if fast else [])) as at, ThreadPoolExecutor(1) as pool:
        end, began = threading.Event(), time.monotonic()
        watching = pool.submit(watch, at.session, seconds, end)
        try:
            while (now_s := time.monotonic() - began) < seconds and at.alive():
                samples.append(Sample(now_s, cost_of(at.pid), _journal_mb(at.session)))
                tell(f"{samples[-1].cost.rss_mb:.0f} MB", now_s / seconds)
                end.wait(seconds / SAMPLES)
        finally:
            end.set()
        seen = watching.result()
        survived = at.alive()
        at.supervisor.stop()
        session = Session.open(at.session)
        times = session.frame_times_ns()
        faults = [finding.text for finding in session.verify() if finding.grade == "error"]
        with session.journal() as journal:
            readings = journal.readings()
    false, missed = against_truth(readings, times, Session.open(clip).frame_times_ns(), flights)
    last, beat = samples[-1], seen.beat
    return {
        "minutes": round(last.s / 60, 2),
        "survived": survived,
        "faults": faults,
        "recorded": len(times),
        "dropped": beat.dropped if beat else None,
        "waiting": beat.waiting if beat else None,
        "step": seen.highest_step,
        "flights": len(readings),
        "false_flights": false,
        "missed_flights": missed,
        "rss_mb": round(last.cost.rss_mb),
        "rss_mb_an_hour": _slope(samples, [s.cost.rss_mb for s in samples]),
        "files": last.cost.files,
        "files_an_hour": _slope(samples, [s.cost.files for s in samples]),
        "threads": last.cost.threads,
        "threads_an_hour": _slope(samples, [s.cost.threads for s in samples]),
        "journal_mb": round(last.journal_mb, 2),
        "journal_mb_an_hour": _slope(samples, [s.journal_mb for s in samples]),
        # Recorded time against this process's own clock; says nothing when it is not paced.
        "drift_ms": None if fast else round((float(times[-1] - times[0]) / NS - last.s) * 1000),
    }


def against_truth(
    readings: Sequence[Reading],
    recorded_ns: NDArray[np.int64],
    clip_ns: NDArray[np.int64],
    flights: Sequence[FlightTruth],
) -> tuple[int, int]:
    """How many readings are of no flight, and how many flights have no reading.

    Args:
        recorded_ns: time of every recorded picture of a clip that was played again and again.
        clip_ns: time of every picture of the clip.
        flights: its truth; a flight that was read counts, whether settled or withheld.
    """
    if not len(recorded_ns):
        return len(readings), 0
    length_ns = int(clip_ns[-1] - clip_ns[0])
    period_ns = length_ns + length_ns // (len(clip_ns) - 1)
    read: set[tuple[int, int]] = set()
    false = 0
    for reading in readings:
        turn, at_ns = divmod(reading.release_ns - int(recorded_ns[0]), period_ns)
        of = [i for i, f in enumerate(flights) if f.release_s - NEAR_S < at_ns / NS < f.end_s + NEAR_S]
        false += not of
        read.update((turn, i) for i in of[:1])
    ends_ns = [reading.end_ns for reading in readings] or [int(recorded_ns[-1])]
    until_ns = max(ends_ns) - int(recorded_ns[0])
    due = {
        (turn, i)
        for turn in range(until_ns // period_ns + 1)
        for i, f in enumerate(flights)
        if turn * period_ns + f.end_s * NS < until_ns
    }
    return false, len(due - read)


def _journal_mb(session: Path) -> float:
    return sum(path.stat().st_size for path in session.glob("journal.sqlite*")) / 1e6


def _slope(samples: list[Sample], values: list[float] | list[int]) -> float | None:
    """Growth an hour by least squares, once it has warmed up; None when there is too little."""
    kept = [(s.s / 3600, v) for s, v in zip(samples, values, strict=True) if s.s > WARM * samples[-1].s]
    if len(kept) < 3:
        return None
    hours, grown = zip(*kept, strict=True)
    return round(float(np.polyfit(np.array(hours), np.array(grown, np.float64), 1)[0]), 2)

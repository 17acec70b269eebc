"""A long run on a feed that loops: what grows, what is lost, and whether the clock keeps true."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from bridge.session import Session
from capture.bench.arena import arena, watch
from capture.bench.process import Cost, cost_of

NS: Final = 1_000_000_000
SAMPLES: Final = 120  # in all
WARM: Final = 0.2  # of the run, left out of the slopes


@dataclass(frozen=True, slots=True)
class Sample:
    """Capture at one moment of the run."""

    s: float
    cost: Cost
    journal_mb: float


def soak(
    clip: Path, rig: Path, minutes: float, tell: Callable[[str, float], None], *, fast: bool = False
) -> dict[str, Any]:
    """Run capture on a clip again and again for so long, with one viewer.

    Args:
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
    last, beat = samples[-1], seen.beat
    return {
        "minutes": round(last.s / 60, 2),
        "survived": survived,
        "faults": faults,
        "recorded": len(times),
        "dropped": beat.dropped if beat else None,
        "waiting": beat.waiting if beat else None,
        "step": seen.highest_step,
        "flights": len(seen.settled_ns),
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


def _journal_mb(session: Path) -> float:
    return sum(path.stat().st_size for path in session.glob("journal.sqlite*")) / 1e6


def _slope(samples: list[Sample], values: list[float] | list[int]) -> float | None:
    """Growth an hour by least squares, once it has warmed up; None when there is too little."""
    kept = [(s.s / 3600, v) for s, v in zip(samples, values, strict=True) if s.s > WARM * samples[-1].s]
    if len(kept) < 3:
        return None
    hours, grown = zip(*kept, strict=True)
    return round(float(np.polyfit(np.array(hours), np.array(grown, np.float64), 1)[0]), 2)

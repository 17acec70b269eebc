"""Live measuring: one exact pass that settles, and glimpses ahead of it where it lags.

The exact pass takes every recorded picture in order, from the first, exactly as measuring the
recording again does; settled readings come from it alone, so both are the same to the last digit
however slow the machine. Where it lags behind the feed, a fork of it glimpses at the newest picture
now and then: poses stay live, and what it reads is shown as provisional until the exact pass has
come there and settles, or withdraws it. Where the machine could keep up, glimpses take no more than half
of what the exact pass leaves over, so that it catches up; where it could not, they take their full share.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import msgspec

from bridge.messages import Reading
from capture.camera_guard import withheld
from capture.feeds import Frame
from capture.handstands import Record
from capture.pipeline import Pipeline, Step

NS: Final = 1_000_000_000
LAG_NS: Final = 250_000_000  # this far behind, glimpses begin
CAUGHT_UP_NS: Final = 50_000_000
GLIMPSE_NS: Final = 50_000_000  # between glimpses, where the machine can
SHARE: Final = 0.5  # of the time that glimpses may take where the exact pass cannot keep up anyway
LEAST_SHARE: Final = 0.04  # of the time that glimpses take at least
KEEPS_UP: Final = 0.95  # of a feed's time: where the exact pass needs less it can catch up
STEADY_NS: Final = 2 * NS  # of the feed, over which is seen how much time the exact pass needs
LATE_NS: Final = 4 * NS  # this long after its apex the exact pass has settled every flight

SETTLING: Final = "settling: not every recorded picture has been measured yet"
WITHDRAWN: Final = "not a flight after all, as every recorded picture shows"


class Settling:
    """The exact pass of a live feed and its glimpses ahead.

    Args:
        pipeline: before its first picture.
    """

    def __init__(self, pipeline: Pipeline) -> None:
        self._exact = pipeline
        self._ahead: Pipeline | None = None
        self._glimpsed: Frame | None = None
        self._next_ns = 0
        self._shown: dict[str, Reading] = {}  # by glimpses alone
        self._settled: set[str] = set()
        self.step = 1  # every how manieth picture is looked at live
        self._needs = KEEPS_UP  # time that the exact pass takes for a second of the feed
        self._exact_ns: int | None = None  # capture time of the picture measured last

    @property
    def camera_problem(self) -> str:
        """Why readings are withheld now for the camera's sake, or ""."""
        return self._exact.camera_problem

    def measure(self, frame: Frame) -> Step:
        """Take the next recorded picture. Its records are as they stay."""
        step = self._exact.push(frame)
        return Step(step.observation, step.phase, tuple(self._exactly(step.records, frame.t_ns)))

    @property
    def camera_seen(self) -> tuple[float, float] | None:
        """Light and sharpness now, as parts of the survey's; None while they are not known."""
        return self._exact.camera_seen

    def fork(self) -> Pipeline:
        """One that goes on from where the exact pass stands, without touching it."""
        return self._exact.fork()

    def finish(self) -> tuple[Record, ...]:
        """Settle what is still open when every recorded picture has been measured."""
        return tuple(self._exactly(self._exact.finish(), None))

    def lagging(self, lag_ns: int) -> bool:
        """Whether the exact pass lags, now that it is ``lag_ns`` behind the feed."""
        if lag_ns > LAG_NS and self._ahead is None:
            self._ahead, self._glimpsed = self._exact.fork(), None
        elif lag_ns < CAUGHT_UP_NS and self._ahead is not None:
            self._ahead, self.step = None, 1
        return self._ahead is not None

    def due(self, frame: Frame, now_ns: int) -> bool:
        """Whether to glimpse at the feed's newest picture now."""
        return now_ns >= self._next_ns and (self._glimpsed is None or frame.t_ns > self._glimpsed.t_ns)

    def glimpse(self, frame: Frame) -> Step:
        """Look at the feed's newest picture while the exact pass lags."""
        assert self._ahead is not None
        step = self._ahead.push(frame)
        if self._glimpsed is not None:
            self.step = max(1, frame.index - self._glimpsed.index)
        self._glimpsed = frame
        return Step(step.observation, step.phase, tuple(self._roughly(step.records)))

    def took(self, t_ns: int, spent_ns: int) -> None:
        """Be told how long the exact pass took for the picture captured at ``t_ns``."""
        before_ns, self._exact_ns = self._exact_ns, t_ns
        if before_ns is None:
            return
        share = min(1.0, (t_ns - before_ns) / STEADY_NS)
        self._needs += share * (spent_ns / (t_ns - before_ns) - self._needs)

    def spent(self, began_ns: int, now_ns: int) -> None:
        """Be told how long a glimpse took."""
        share = SHARE if self._needs > KEEPS_UP else max(LEAST_SHARE, (1 - self._needs) / 2)
        self._next_ns = began_ns + max(GLIMPSE_NS, round((now_ns - began_ns) / share))

    def _exactly(self, records: tuple[Record, ...], t_ns: int | None) -> Iterator[Record]:
        for record in records:
            if isinstance(record, Reading):
                self._shown.pop(record.flight, None)
                if record.state != "provisional":
                    self._settled.add(record.flight)
            yield record
        for name, reading in list(self._shown.items()):
            if t_ns is None or t_ns > reading.apex_ns + LATE_NS:
                del self._shown[name]
                yield withheld(reading, WITHDRAWN)

    def _roughly(self, records: tuple[Record, ...]) -> Iterator[Reading]:
        for record in records:
            if not isinstance(record, Reading) or record.state == "withheld":
                continue
            if record.flight in self._settled:
                continue
            reading = msgspec.structs.replace(record, state="provisional", reason=SETTLING)
            self._shown[reading.flight] = reading
            yield reading

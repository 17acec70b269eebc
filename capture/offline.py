"""Measures a recording: the same exact pass as live, as fast as the pictures can be read.

Of a session every recorded picture is measured in order, each segment afresh from its first picture,
at its recorded time. That is what live settling does, so the settled readings are the same to the
last digit on the same machine.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any

from bridge.messages import Quantity, Reading, Routine
from capture.camera_guard import HINDSIGHT_NS
from capture.feeds import Feed, FileFeed
from capture.pipeline import Pipeline

NS = 1_000_000_000


def settled_readings(
    feed: Feed, pipeline: Pipeline, progress: Callable[[], None] | None = None
) -> Iterator[Reading]:
    """The final reading of each flight of one feed, as soon as it is final.

    A settled one may be taken back for a little while, when the camera turns out to have been moved.

    Args:
        progress: called once for each picture.
    """
    waiting: dict[str, Reading] = {}
    for frame in feed:
        for reading in _final(pipeline.push(frame).records):
            waiting[reading.flight] = reading
        for name in [n for n, r in waiting.items() if frame.t_ns > r.end_ns + HINDSIGHT_NS]:
            yield waiting.pop(name)
        if progress:
            progress()
    for reading in _final(pipeline.finish()):
        waiting[reading.flight] = reading
    yield from waiting.values()


def measured_again(
    feeds: Iterable[FileFeed],
    pipeline: Pipeline,
    progress: Callable[[], None] | None = None,
    routines: Sequence[Routine] = (),
) -> Iterator[Reading]:
    """The final reading of each flight of a session's segments, which count routines on.

    Args:
        pipeline: before its first picture.
        routines: as the journal has them; those of which no picture was kept are counted, too.
    """
    last = 0
    for feed in feeds:
        last = max((r.routine for r in routines if r.begin_ns < feed.begin_ns), default=last)
        again = pipeline.again(last)
        yield from settled_readings(feed, again, progress)
        last = again.routine


def _final(records: tuple[Any, ...]) -> Iterator[Reading]:
    for record in records:
        if isinstance(record, Reading) and record.state != "provisional":
            yield record


def as_row(reading: Reading, origin_ns: int = 0) -> dict[str, Any]:
    """One flight for machines: plain names, units in the names, null where nothing is known.

    Args:
        origin_ns: capture time from which seconds are counted.
    """
    return {
        "flight": reading.flight,
        "family": reading.family or None,
        "release_s": _seconds(reading.release_ns - origin_ns),
        "apex_s": _seconds(reading.apex_ns - origin_ns),
        "end_s": _seconds(reading.end_ns - origin_ns),
        "end_kind": reading.end_kind,
        "apex_cm": _figure(reading.apex, 100, 1),
        "apex_u_cm": _spread(reading.apex, 100, 1),
        "band": reading.band or None,
        "band_p": round(reading.band_p, 4) if reading.band else None,
        "range": list(reading.range) if reading.range else None,
        "state": reading.state,
        "reason": reading.reason or None,
        "gravity_ms2": _figure(reading.gravity, 1, 3),
        "gravity_u": _spread(reading.gravity, 1, 3),
        "rail": reading.rail,
    }


def _seconds(t_ns: int) -> float:
    return round(t_ns / NS, 4)


def _figure(quantity: Quantity | None, factor: float, digits: int) -> float | None:
    return None if quantity is None else round(quantity.value * factor, digits)


def _spread(quantity: Quantity | None, factor: float, digits: int) -> float | None:
    return None if quantity is None else round(quantity.u * factor, digits)

"""Measures a recording: the same pipeline as live, as fast as the pictures can be read."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from bridge.messages import Quantity, Reading
from capture.feeds import Feed
from capture.pipeline import Pipeline

NS = 1_000_000_000


def settled_readings(
    feed: Feed, pipeline: Pipeline, progress: Callable[[], None] | None = None
) -> Iterator[Reading]:
    """The final reading of each flight, as soon as it is final.

    Args:
        progress: called once for each picture.
    """
    for frame in feed:
        yield from _final(pipeline.push(frame).records)
        if progress:
            progress()
    yield from _final(pipeline.finish())


def _final(records: tuple[Any, ...]) -> Iterator[Reading]:
    for record in records:
        if isinstance(record, Reading) and record.state != "provisional":
            yield record


def as_row(reading: Reading) -> dict[str, Any]:
    """One flight for machines: plain names, units in the names, null where nothing is known."""
    return {
        "flight": reading.flight,
        "family": reading.family or None,
        "release_s": _seconds(reading.release_ns),
        "apex_s": _seconds(reading.apex_ns),
        "end_s": _seconds(reading.end_ns),
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

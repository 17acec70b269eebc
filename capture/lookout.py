"""Sees when somebody mounts and leaves the bars while no picture is kept.

It looks at the live pictures as they pass and keeps nothing but the times: no picture, no joints, no
reading. So a gymnast who is not to be filmed comes and goes without anybody having to press a key.
"""

from __future__ import annotations

from typing import Final

from bridge.messages import EntryRequest, Routine
from bridge.running_order import RunningOrder
from capture.feeds import Frame
from capture.pipeline import Pipeline

SHORT_NS: Final = 10_000_000_000  # whoever was on the bars for less was not yet the one who is waited for


class Lookout:
    """Watches over one pause.

    Args:
        pipeline: a fork of the one that measured up to the pause.
        order: told of whoever comes and goes.
    """

    def __init__(self, pipeline: Pipeline, order: RunningOrder) -> None:
        self._pipeline, self._order = pipeline, order

    def look(self, frame: Frame) -> None:
        """Look at a picture that will not be kept."""
        for record in self._pipeline.push(frame).records:
            if isinstance(record, Routine):
                self._take(record)

    def _take(self, routine: Routine) -> None:
        self._order.take(routine)
        told = next(r for r in self._order.routines if r.routine == routine.routine)
        if routine.end_ns is None or told.warm_up or not told.start_number:
            return
        if routine.end_ns - routine.begin_ns < SHORT_NS:
            # Somebody touched the bars. To end the pause now could film the one it is kept for.
            self._order.answer(EntryRequest(action="number", number="", routine=routine.routine))

"""Cuts the stream of phases into routines: from mounting the apparatus to leaving it for good."""

from __future__ import annotations

from typing import Final

from bridge.messages import Phase, Routine

# A gymnast who has fallen has 30 s to go on, and that is still her routine (2015 text of the
# international code, as quoted in public summaries; later codes may differ).
GONE_NS: Final = 30_000_000_000


class RoutineCutter:
    """Numbers routines, and tells when one begins and ends."""

    def __init__(self, gone_ns: int = GONE_NS, last: int = 0) -> None:
        self._gone_ns = gone_ns
        self._open: Routine | None = None
        self._last_on_ns = 0
        self._count = last  # number of the last routine before

    @property
    def number(self) -> int:
        """Number of the routine under way, or of the last one; 0 before the first."""
        return self._count

    def push(self, t_ns: int, phase: Phase) -> tuple[Routine, ...]:
        """Take the next picture's phase; times increase. Returns routines that began or ended."""
        if phase != "away":
            self._last_on_ns = t_ns
            if self._open is None:
                self._count += 1
                self._open = Routine(routine=self._count, start_number="", begin_ns=t_ns)
                return (self._open,)
        elif self._open is not None and t_ns - self._last_on_ns > self._gone_ns:
            return self.finish()
        return ()

    def finish(self) -> tuple[Routine, ...]:
        """End the routine under way, if any."""
        if self._open is None:
            return ()
        routine, self._open = self._open, None
        return (
            Routine(
                routine=routine.routine,
                start_number=routine.start_number,
                begin_ns=routine.begin_ns,
                end_ns=self._last_on_ns,
            ),
        )

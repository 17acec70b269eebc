"""The clock that everything is given, so that tests and replays can run at any speed."""

from __future__ import annotations

import time
from typing import Protocol


class Clock(Protocol):
    """Monotonic time in integer nanoseconds."""

    def now_ns(self) -> int:
        """Time now, ns."""
        ...

    def sleep_until(self, t_ns: int) -> None:
        """Return once ``now_ns() >= t_ns``."""
        ...


class SystemClock:
    """The machine's monotonic clock, ``ahead_ns`` ahead of it."""

    def __init__(self, ahead_ns: int = 0) -> None:
        self._ahead_ns = ahead_ns

    def now_ns(self) -> int:
        return time.monotonic_ns() + self._ahead_ns

    def sleep_until(self, t_ns: int) -> None:
        while (left := t_ns - self.now_ns()) > 0:
            time.sleep(left / 1e9)


class ManualClock:
    """A clock that moves only when told to, or when somebody sleeps on it."""

    def __init__(self, now_ns: int = 0) -> None:
        self._now_ns = now_ns

    def now_ns(self) -> int:
        return self._now_ns

    def sleep_until(self, t_ns: int) -> None:
        self._now_ns = max(self._now_ns, t_ns)

    def advance(self, by_ns: int) -> None:
        """Move the clock forward by ``by_ns`` nanoseconds."""
        self._now_ns += by_ns

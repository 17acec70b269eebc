"""Who looked at what: counts how much of a flight is seen at which speed and with how much drawn. No Qt."""

from __future__ import annotations

from fractions import Fraction
from typing import Final

from bridge.clock import Clock
from bridge.messages import Look, Policy, Viewing

LONGEST_STEP_NS: Final = 400_000_000  # a longer leap between two calls was a jump, not playing
WHOLE: Final = 0.85  # so much of a flight counts as having seen it
LEAST_NS: Final = 100_000_000  # less than this at one speed is a slip of the finger


class Watch:
    """What is seen of one flight, or of a whole routine, while it is on show.

    Args:
        flight: its name; "" for the whole routine.
        routine: the routine.
        span_ns: how long one pass is, capture time.
        clock: measures how long it was looked at.

    Attributes:
        touched: whether anybody did something; what only ran by itself was not looked at for certain.
    """

    def __init__(self, flight: str, routine: int, span_ns: int, clock: Clock) -> None:
        self.flight, self.routine, self.span_ns = flight, routine, max(1, span_ns)
        self.touched = False
        self._clock = clock
        self._begun_ns = clock.now_ns()
        self._seen_ns: dict[tuple[Fraction, Policy], int] = {}
        self._stills: list[str] = []
        self._last_ns: int | None = None

    def saw(self, position_ns: int, playing: bool, speed: Fraction, level: Policy) -> None:
        """The picture of ``position_ns`` is on show, at this speed, with so much drawn."""
        last_ns, self._last_ns = self._last_ns, position_ns if playing else None
        if last_ns is not None and playing and 0 < position_ns - last_ns <= LONGEST_STEP_NS:
            key = speed, level
            self._seen_ns[key] = self._seen_ns.get(key, 0) + position_ns - last_ns

    def froze(self, moment: str) -> None:
        """The picture was frozen at a moment."""
        if self._stills[-1:] != [moment]:
            self._stills.append(moment)

    def passes(self, speed: Fraction) -> float:
        """How many passes were seen at this speed, whatever was drawn."""
        return sum(ns for (own, _), ns in self._seen_ns.items() if own == speed) / self.span_ns

    def look(self, by: str) -> Look | None:
        """What is to be journalled; None when nobody looked."""
        seen = {key: ns for key, ns in self._seen_ns.items() if ns >= LEAST_NS}
        if not self.touched or not (seen or self._stills):
            return None
        return Look(
            flight=self.flight,
            routine=self.routine,
            by=by,
            lasted_s=round((self._clock.now_ns() - self._begun_ns) / 1e9, 1),
            views=tuple(
                Viewing(speed=float(speed), level=level, passes=round(ns / self.span_ns, 2))
                for (speed, level), ns in seen.items()
            ),
            stills=tuple(self._stills),
        )


def seen_at_true_speed(looks: list[Look], flight: str, now: Watch | None) -> bool:
    """Whether anybody, at any time, saw this flight whole at true speed, by itself."""
    told = sum(v.passes for look in looks if look.flight == flight for v in look.views if v.speed == 1.0)
    here = now.passes(Fraction(1)) if now is not None and now.flight == flight else 0.0
    return told + here >= WHOLE

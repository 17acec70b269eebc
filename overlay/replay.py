"""The replay loop: frames found by their capture time, and a clock that runs over them.

No Qt here: time comes from an injected clock, so the loop can be tested at any speed.
"""

from __future__ import annotations

import itertools
import statistics
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Final, Generic, TypeVar

from bridge.clock import Clock

Frame = TypeVar("Frame")

TRUE_SPEED: Final = Fraction(1)
SPEEDS: Final[tuple[Fraction, ...]] = (Fraction(1), Fraction(1, 2), Fraction(1, 4), Fraction(1, 8))
REST_NS: Final = 350_000_000  # wall time the last picture stays before the loop begins again


@dataclass(frozen=True, slots=True)
class FrameStore(Generic[Frame]):
    """Frames with their capture times, in order.

    ``times_ns`` is strictly increasing and as long as ``frames``.
    """

    times_ns: tuple[int, ...]
    frames: Sequence[Frame]

    def __post_init__(self) -> None:
        if not self.times_ns or len(self.times_ns) != len(self.frames):
            raise ValueError("a frame store needs one time for every frame, and at least one frame")
        if any(b <= a for a, b in zip(self.times_ns, self.times_ns[1:], strict=False)):
            raise ValueError("frame times must increase")

    def __len__(self) -> int:
        return len(self.times_ns)

    @property
    def begin_ns(self) -> int:
        """Capture time of the first frame, ns."""
        return self.times_ns[0]

    @property
    def end_ns(self) -> int:
        """Capture time of the last frame, ns."""
        return self.times_ns[-1]

    def shown_at(self, t_ns: int) -> int:
        """Index of the frame on show at ``t_ns``: the last one taken at or before it."""
        return max(0, bisect_right(self.times_ns, t_ns) - 1)

    def nearest(self, t_ns: int) -> int:
        """Index of the frame taken nearest to ``t_ns``."""
        right = bisect_left(self.times_ns, t_ns)
        if right == 0:
            return 0
        if right == len(self.times_ns):
            return right - 1
        left = right - 1
        return left if t_ns - self.times_ns[left] <= self.times_ns[right] - t_ns else right

    def missing(self) -> int:
        """How many frames are missing, judged by gaps against the usual frame distance."""
        if len(self.times_ns) < 3:
            return 0
        steps = [b - a for a, b in itertools.pairwise(self.times_ns)]
        usual = statistics.median(steps)
        return sum(max(round(step / usual) - 1, 0) for step in steps)


class Loop:
    """Runs over a span of capture time again and again.

    Left to itself it shows the span at true speed first, then at half, quarter and eighth speed (or as
    ``programme`` says), then begins again at true speed. A speed chosen by hand stays.
    """

    def __init__(
        self,
        times_ns: Sequence[int],
        clock: Clock,
        rest_ns: int = REST_NS,
        programme: Sequence[Fraction] = SPEEDS,
    ) -> None:
        self._programme = tuple(programme)
        self._store: FrameStore[None] = FrameStore(tuple(times_ns), [None] * len(times_ns))
        self._clock = clock
        self._rest_ns = rest_ns
        self._place = 0  # place in the programme of speeds
        self._chosen: Fraction | None = None
        self._playing = False
        self._from_wall_ns = clock.now_ns()
        self._from_ns = self._store.begin_ns
        self.views = 0  # whole passes seen, whatever the speed

    @property
    def playing(self) -> bool:
        """Whether the loop runs."""
        return self._playing

    @property
    def speed(self) -> Fraction:
        """Speed now, as a part of true speed."""
        return self._programme[self._place] if self._chosen is None else self._chosen

    @property
    def by_itself(self) -> bool:
        """Whether the speed follows the programme rather than a choice by hand."""
        return self._chosen is None

    @property
    def index(self) -> int:
        """Index of the frame on show."""
        return self._store.shown_at(self.position_ns)

    @property
    def position_ns(self) -> int:
        """Capture time on show, ns, within the span. Takes account of passes that ended."""
        if not self._playing:
            return self._from_ns
        while True:
            left_ns = self._store.end_ns - self._from_ns
            took_ns = int(left_ns / self.speed) + self._rest_ns
            gone_ns = self._clock.now_ns() - self._from_wall_ns
            if gone_ns < took_ns:
                return min(self._store.end_ns, self._from_ns + int(gone_ns * self.speed))
            self._from_wall_ns += took_ns
            self._from_ns = self._store.begin_ns
            self.views += 1
            if self._chosen is None:
                self._place = (self._place + 1) % len(self._programme)

    def play(self) -> None:
        """Run on from the frame on show; from the last frame, begin again."""
        if self._playing:
            return
        if self._from_ns >= self._store.end_ns:
            self._from_ns = self._store.begin_ns
        self._from_wall_ns = self._clock.now_ns()
        self._playing = True

    def pause(self) -> None:
        """Stop on the frame on show."""
        self._from_ns = self._store.times_ns[self.index]
        self._playing = False

    def toggle(self) -> None:
        """Play when stopped, stop when playing."""
        if self._playing:
            self.pause()
        else:
            self.play()

    def restart(self) -> None:
        """Begin again at true speed, as when the flight was first chosen."""
        self._chosen = None
        self._place = 0
        self._from_ns = self._store.begin_ns
        self._from_wall_ns = self._clock.now_ns()
        self._playing = True

    def extend(self, times_ns: Sequence[int]) -> None:
        """Run on over a longer recording of the same span, keeping place and speed."""
        position_ns = self.position_ns
        self._store = FrameStore(tuple(times_ns), [None] * len(times_ns))
        self._from_ns = min(max(position_ns, self._store.begin_ns), self._store.end_ns)
        self._from_wall_ns = self._clock.now_ns()

    def choose_speed(self, speed: Fraction | None) -> None:
        """Keep to ``speed``; None goes back to the programme, from true speed."""
        if speed is not None and speed <= 0:
            raise ValueError("a speed must be above zero")
        self._from_ns = self.position_ns
        self._from_wall_ns = self._clock.now_ns()
        self._chosen = speed
        if speed is None:
            self._place = 0

    def slower(self) -> None:
        """Keep to the next slower speed."""
        self._shift(1)

    def faster(self) -> None:
        """Keep to the next faster speed, at most true speed."""
        self._shift(-1)

    def _shift(self, by: int) -> None:
        place = SPEEDS.index(self.speed) + by if self.speed in SPEEDS else 0
        self.choose_speed(SPEEDS[min(max(place, 0), len(SPEEDS) - 1)])

    def step(self, by: int) -> None:
        """Stop, and go ``by`` frames on (back when negative), staying within the span."""
        index = self.index + by
        self._playing = False
        self._from_ns = self._store.times_ns[min(max(index, 0), len(self._store) - 1)]

    def freeze(self, t_ns: int) -> None:
        """Stop on the frame taken nearest to ``t_ns``."""
        self._playing = False
        self._from_ns = self._store.times_ns[self._store.nearest(t_ns)]

"""A long stretch of recording played through once, in pieces, so that memory stays bounded. No Qt here.

Pieces are asked for as they are needed: the one on show, the next, the one before. While the one on show
has not come the clock stands still, so that nothing is skipped.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Final, Generic

from bridge.clock import Clock
from overlay.replay import TRUE_SPEED, Frame, FrameStore

PIECE_NS: Final = 1_000_000_000
AHEAD: Final = 2  # pieces kept in advance
BEHIND: Final = 1  # and kept for stepping back
TRIES: Final = 3
NOTHING_THERE: Final = "nothing was recorded then"


class Reel(Generic[Frame]):
    """Plays capture time from ``begin_ns`` to ``end_ns``.

    Attributes:
        begin_ns, end_ns: the stretch, capture time; ``end_ns`` may grow.
        problem: why the piece on show cannot be had, in words, or "".
    """

    def __init__(self, begin_ns: int, end_ns: int, clock: Clock) -> None:
        self.begin_ns, self.end_ns = begin_ns, max(end_ns, begin_ns + 1)
        self.problem = ""
        self._clock = clock
        self._pieces: dict[int, FrameStore[Frame]] = {}
        self._failed: dict[int, int] = {}
        self._awaited: int | None = None
        self._speed = TRUE_SPEED
        self._playing = False
        self._from_ns = begin_ns
        self._from_wall_ns = clock.now_ns()

    # --- the clock --------------------------------------------------------------------------------

    @property
    def playing(self) -> bool:
        """Whether it runs, or would run if its pieces were here."""
        return self._playing

    @property
    def speed(self) -> Fraction:
        """Part of true speed."""
        return self._speed

    @property
    def waiting(self) -> bool:
        """Whether the piece on show has still to come."""
        return self._place(self._from_ns) not in self._pieces

    @property
    def position_ns(self) -> int:
        """Capture time on show; it stops at the end, and where a piece has still to come."""
        if self._playing:
            now_ns = self._clock.now_ns()
            gone_ns = 0 if self.waiting else now_ns - self._from_wall_ns
            self._from_ns = min(self._from_ns + int(gone_ns * self._speed), self._reach_ns())
            self._from_wall_ns = now_ns  # from here on, as the piece behind may be let go
            self._playing = self._from_ns < self.end_ns
        return self._from_ns

    def _reach_ns(self) -> int:
        """How far it can run with the pieces that are here."""
        place = self._place(self._from_ns)
        while place in self._pieces:
            place += 1
        return min(self.end_ns, max(self._from_ns, self.begin_ns + place * PIECE_NS))

    def play(self) -> None:
        """Run on; from the end, begin again."""
        if not self._playing:
            if self._from_ns >= self.end_ns:
                self._from_ns = self.begin_ns
            self._from_wall_ns = self._clock.now_ns()
            self._playing = True

    def pause(self) -> None:
        """Stop on the picture on show."""
        self._from_ns = self.position_ns
        self._playing = False

    def toggle(self) -> None:
        """Play when stopped, stop when playing."""
        if self._playing:
            self.pause()
        else:
            self.play()

    def choose_speed(self, speed: Fraction) -> None:
        """Run at another speed from here."""
        self._from_ns = self.position_ns
        self._from_wall_ns = self._clock.now_ns()
        self._speed = speed

    def jump(self, t_ns: int) -> None:
        """Go to a capture time, playing or stopped as it was."""
        self._from_ns = min(max(t_ns, self.begin_ns), self.end_ns)
        self._from_wall_ns = self._clock.now_ns()
        self.problem = ""

    def step(self, by: int) -> None:
        """Stop, and go so many pictures on (back when negative), as far as pictures are here."""
        self.pause()
        times = [t for place in sorted(self._pieces) for t in self._pieces[place].times_ns]
        if not times:
            return
        on_show = max((i for i, t in enumerate(times) if t <= self._from_ns), default=0)
        self._from_ns = times[min(max(on_show + by, 0), len(times) - 1)]

    # --- the pieces -------------------------------------------------------------------------------

    def frame(self) -> tuple[int, Frame] | None:
        """Capture time and picture on show; None while it has still to come."""
        t_ns = self.position_ns
        store = self._pieces.get(self._place(t_ns))
        if store is None:
            return None
        index = store.shown_at(t_ns)
        return store.times_ns[index], store.frames[index]

    def span(self, place: int) -> tuple[int, int]:
        """Beginning and length of a piece, ns."""
        begin_ns = self.begin_ns + place * PIECE_NS
        return begin_ns, min(PIECE_NS, max(1, self.end_ns - begin_ns))

    def next_wanted(self) -> int | None:
        """The piece to ask for now; None while one is on its way or all that are needed are here.

        Whoever asks calls :meth:`put` or :meth:`fail` with what came.
        """
        self._pass_over()
        here = self._place(self.position_ns)
        needed: list[int] = [here, *range(here + 1, here + AHEAD + 1), *range(here - BEHIND, here)]
        for place in [p for p in self._pieces if p not in needed]:
            del self._pieces[place]
        if self._awaited is not None:
            return None
        for place in needed:
            inside = 0 <= place <= self._place(self.end_ns)
            if inside and place not in self._pieces and self._failed.get(place, 0) < TRIES:
                self._awaited = place
                return place
        return None

    def put(self, place: int, store: FrameStore[Frame]) -> None:
        """A piece has come."""
        self._awaited = None
        self._pieces[place] = store
        self.problem = ""

    def fail(self, place: int, why: str) -> None:
        """A piece cannot be had. What nobody recorded is passed over; the words say so."""
        self._awaited = None
        self._failed[place] = self._failed.get(place, 0) + 1
        here = self._place(self._from_ns)
        if self._failed[place] >= TRIES and place in (here, here + 1) and self._playing:
            self.problem = why
        self._pass_over()

    def _pass_over(self) -> None:
        """Go on past a piece that cannot be had, once it is its turn."""
        here = self._place(self.position_ns)
        if self._playing and here not in self._pieces and self._failed.get(here, 0) >= TRIES:
            self.problem = self.problem or NOTHING_THERE
            self._from_ns = min(self.end_ns, self.begin_ns + (here + 1) * PIECE_NS)
            self._from_wall_ns = self._clock.now_ns()

    @property
    def held(self) -> int:
        """How many pictures are in memory."""
        return sum(len(store) for store in self._pieces.values())

    def missing(self) -> int:
        """Pictures that are missing in the pieces in memory, judged by gaps."""
        return sum(store.missing() for store in self._pieces.values())

    def _place(self, t_ns: int) -> int:
        last = (self.end_ns - 1 - self.begin_ns) // PIECE_NS
        return min(max(0, (t_ns - self.begin_ns) // PIECE_NS), max(0, last))

"""When a turn may be seen: at once, after a pause, every third one, when asked for, after a guess. No Qt."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, Literal

from bridge.clock import Clock
from overlay.hall.choices import Choices

NS: Final = 1_000_000_000
Guess = Literal["above", "level", "below"]
GUESSES: Final[tuple[Guess, ...]] = ("above", "level", "below")
GUESS_WORDS: Final = (
    "Guess first: were the hips above, level with or below the bar?\n1 above   2 level   3 below"
)
_ORDINALS: Final[dict[int, str]] = {2: "second", 3: "third", 4: "fourth", 5: "fifth", 6: "sixth"}


@dataclass
class Gate:
    """Holds a turn back until it may be seen.

    Attributes:
        choices: when turns are shown.
        guess: what the gymnast guessed of the turn at hand.
    """

    clock: Clock
    choices: Choices = field(default_factory=Choices)
    guess: Guess | None = None
    _turn: str = ""
    _place: int = 0
    _came_ns: int = 0
    _asked: bool = False
    _guessed: bool = False

    def turn(self, turn: str, place: int, *, can_be_guessed: bool = True) -> None:
        """Another turn is over.

        Args:
            turn: its name; the same again changes nothing.
            place: the how manieth of hers it is, from 1.
            can_be_guessed: whether there will be an answer to a guess.
        """
        if turn != self._turn:
            self._turn, self._place, self._came_ns = turn, place, self.clock.now_ns()
            self.guess, self._asked, self._guessed = None, False, not can_be_guessed

    def ask(self) -> None:
        """Somebody wants to see it: only a guess that is due still comes first."""
        self._asked = True

    def take_guess(self, guess: Guess | None) -> None:
        """The gymnast guessed, or would not (None); she sees it now."""
        self.guess, self._guessed = guess, True

    @property
    def asks_for_guess(self) -> bool:
        """Whether a guess is waited for now."""
        return bool(self._turn) and self.choices.guess and not self._guessed and not self._waits()

    def holds(self) -> str:
        """Why the turn is not shown yet, in words; "" when it may be seen."""
        return self._waits() or (GUESS_WORDS if self.asks_for_guess else "")

    def _waits(self) -> str:
        """What is waited for before a guess, in words, or ""."""
        if self._asked:
            return ""
        chosen = self.choices
        if chosen.when == "asked":
            return "Ask to see it."
        if chosen.when == "some" and (left := -self._place % chosen.every):
            ordinal = _ORDINALS.get(chosen.every, f"{chosen.every}th")
            return f"Shown every {ordinal} turn: {left} more."
        left_ns = self._came_ns + round(chosen.delay_s * NS) - self.clock.now_ns()
        return "In a moment." if left_ns > 0 else ""

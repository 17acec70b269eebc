"""What the set-up screen shows of a survey, and what a person does to its points. No Qt here."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from bridge.messages import Point, RailLine

STEP_PX: Final = 0.25  # of an arrow key
LONG_STEP_PX: Final = 5.0  # with Shift
COVERAGE_FACTOR: Final = 2.0  # give-or-takes are twice the standard uncertainty

_PLACES: Final = {
    "near": "near end",
    "far": "far end",
    "mid": "middle",
    "near.foot": "near foot",
    "far.foot": "far foot",
}


@dataclass(frozen=True, slots=True)
class Handle:
    """A survey point on the picture. ``off`` is how far it lies from where the fit puts it, px."""

    name: str  # as in a rig file, for example "high.near.foot"
    at: Point
    u_px: float = 1.0
    off: Point = (0.0, 0.0)
    by_hand: bool = False

    @property
    def words(self) -> str:
        """The point as people say it."""
        rail, _, place = self.name.partition(".")
        return f"{rail} bar, {_PLACES.get(place, place)}"

    @property
    def off_px(self) -> float:
        """Distance from where the fit puts it."""
        return float((self.off[0] ** 2 + self.off[1] ** 2) ** 0.5)


@dataclass(frozen=True, slots=True)
class SurveyShown:
    """A survey as the screen shows it; whoever fits the camera makes one after every change."""

    handles: tuple[Handle, ...] = ()
    lines: tuple[RailLine, ...] = ()  # empty: no camera yet
    line_u_m: tuple[float, ...] = ()  # of each line's height, standard uncertainty
    expected_u_m: float | None = None  # of a reading from this place, standard uncertainty
    place: str = ""
    automatic: bool = False
    warnings: tuple[str, ...] = ()
    better: tuple[str, ...] = ()
    problem: str = ""  # why there is no camera

    def headline(self) -> str:
        """What a reading costs from here, or what is wrong."""
        if self.expected_u_m is None:
            return self.problem or "set the points on the bars"
        cm = 100 * COVERAGE_FACTOR * self.expected_u_m
        return f"A reading from here: give or take {cm:.1f} cm (95 %)"

    def state(self) -> str:
        """How the points came about."""
        if any(h.by_hand for h in self.handles):
            return "points set by hand"
        return "found by itself" if self.automatic else "a proposal: look at every point"


class HandleSet:
    """The points as they stand on the screen, and which of them is selected."""

    def __init__(self) -> None:
        self.handles: tuple[Handle, ...] = ()
        self.selected: int | None = None

    @property
    def current(self) -> Handle | None:
        """The selected point."""
        return None if self.selected is None else self.handles[self.selected]

    def show(self, handles: Sequence[Handle]) -> None:
        """Take points from a survey; the selection stays with its name."""
        name = self.current.name if self.current else None
        self.handles = tuple(handles)
        names = [h.name for h in self.handles]
        self.selected = names.index(name) if name in names else (0 if names else None)

    def select(self, index: int) -> None:
        """Select a point by its place in the list."""
        if 0 <= index < len(self.handles):
            self.selected = index

    def turn(self, by: int) -> None:
        """Select the next point, or the one before."""
        if self.handles:
            self.selected = ((self.selected or 0) + by) % len(self.handles)

    def nearest(self, at: Point, within_px: float) -> int | None:
        """The point nearest to a place in the picture."""
        if not self.handles:
            return None
        far = [(h.at[0] - at[0]) ** 2 + (h.at[1] - at[1]) ** 2 for h in self.handles]
        best = min(range(len(far)), key=far.__getitem__)
        return best if far[best] <= within_px**2 else None

    def place(self, at: Point, picture: tuple[int, int]) -> None:
        """Put the selected point somewhere, inside the picture."""
        if self.selected is None:
            return
        x = min(max(at[0], 0.0), picture[0] - 1.0)
        y = min(max(at[1], 0.0), picture[1] - 1.0)
        moved = replace(self.handles[self.selected], at=(x, y), off=(0.0, 0.0), by_hand=True)
        self.handles = (*self.handles[: self.selected], moved, *self.handles[self.selected + 1 :])

    def step(self, dx: float, dy: float, picture: tuple[int, int]) -> None:
        """Move the selected point by a little."""
        if self.current is not None:
            self.place((self.current.at[0] + dx, self.current.at[1] + dy), picture)

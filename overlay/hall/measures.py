"""What a coach can have shown of a flight, put into one figure and few words. No Qt here."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from bridge.messages import Quantity, Reading
from overlay import words

DEFAULT: Final = "apex"


@dataclass(frozen=True, slots=True)
class Kind:
    """One measure as the hall shows it.

    ``more`` and ``less`` say how a larger and a smaller value differ. Where a larger value is what a
    flight is for, ``aims`` is set and her best turn is the largest; of the others her usual is shown.
    """

    name: str
    title: str
    of: str  # what the figure is of, in a word or two, where the bar follows
    unit: str  # as shown: cm, s, °
    more: str
    less: str
    aims: bool = False
    against_bar: bool = False  # zero is the bar


_ALL: Final[tuple[Kind, ...]] = (
    Kind("apex", "hips at the highest point", "hips", "cm", "higher", "lower", aims=True, against_bar=True),
    Kind("flight_time", "time in the air", "", "s", "longer", "shorter", aims=True),
    Kind("release", "hips at the release", "hips at release", "cm", "later", "earlier", against_bar=True),
    Kind("end", "hips at the regrasp", "hips at regrasp", "cm", "higher", "lower", against_bar=True),
    Kind("least_distance", "hips nearest to the bar", "hips", "cm", "farther", "nearer"),
    Kind("travel", "travel across the bars", "", "cm", "farther", "shorter"),
    Kind("release_angle", "direction at the release", "at release", "°", "steeper", "flatter"),
    Kind("hip_angle_at_apex", "hip angle at the highest point", "", "°", "more open", "more closed"),
    Kind("knee_angle_at_apex", "knee angle at the highest point", "", "°", "straighter", "more bent"),
    Kind("body_line_at_regrasp", "shoulders to feet at the regrasp", "", "°", "higher", "lower"),
)
KINDS: Final[dict[str, Kind]] = {kind.name: kind for kind in _ALL}


@dataclass(frozen=True, slots=True)
class Figure:
    """A value and half its 95 % interval, in the unit shown, and how both are said."""

    kind: Kind
    value: float
    give: float
    number: str  # "28 cm"
    where: str  # "above the high bar", "in the air"

    @property
    def give_words(self) -> str:
        """What the figure is of, with its give-or-take."""
        said = f"give or take {_number(self.kind, self.give)}"
        return f"{self.kind.of}, {said}" if self.kind.of else said

    @property
    def sentence(self) -> str:
        """Everything in one sentence."""
        give = _number(self.kind, self.give)
        return f"{self.kind.title}: {self.number} {self.where}, give or take {give} ({words.COVERAGE})"


def figure(reading: Reading, name: str) -> Figure | None:
    """One measure of a flight; None where it was not measured or the reading is withheld."""
    kind = KINDS.get(name)
    quantity = None if kind is None or reading.state == "withheld" else _quantity(reading, name)
    if kind is None or quantity is None:
        return None
    factor = {"m": 100.0, "rad": 180.0 / math.pi}.get(quantity.unit, 1.0)
    value, give = quantity.value * factor, 2.0 * quantity.u * factor
    # Rounded up to what is shown, so that the words never promise more than the measurement.
    give = math.ceil(give * 100 - 1e-9) / 100 if kind.unit == "s" else max(1.0, math.ceil(give - 1e-9))
    return Figure(kind, value, give, _number(kind, abs(value)), _where(reading, kind, value))


def _quantity(reading: Reading, name: str) -> Quantity | None:
    if name == "apex":
        return reading.apex
    if name in ("release", "end"):
        wanted = "release" if name == "release" else "regrasp"
        return next((m.height for m in reading.moments if m.name == wanted), None)
    return next((m.quantity for m in reading.measures if m.name == name), None)


def _number(kind: Kind, value: float) -> str:
    if kind.unit == "s":
        return f"{value:.2f} s"
    whole = math.floor(value + 0.5)
    return f"{whole}°" if kind.unit == "°" else f"{whole} {kind.unit}"


def _where(reading: Reading, kind: Kind, value: float) -> str:
    if kind.against_bar:
        bar = words.bar_name(reading.rail, reading.drawing.line.label if reading.drawing else "")
        side = "above" if value > 0 else "below"
        return f"at the {bar}" if math.floor(abs(value) + 0.5) == 0 else f"{side} the {bar}"
    if kind.name == "flight_time":
        return "in the air"
    if kind.name == "least_distance":
        return "nearest to the bar"
    if kind.name == "travel":
        return "across the bars"
    if kind.name == "release_angle":
        return "above horizontal" if value >= 0 else "below horizontal"
    if kind.name == "body_line_at_regrasp":
        return "feet above level" if value >= 0 else "feet below level"
    return f"{kind.name.split('_')[0]}s, 180° is straight"


def difference(now: Figure, then: Figure, whose: str) -> str:
    """How this turn stands to another: only what both uncertainties leave sure is called a difference."""
    apart = now.value - then.value
    if abs(apart) <= math.hypot(now.give, then.give):
        return f"about the same as {whose}"
    word = now.kind.more if apart > 0 else now.kind.less
    by = _number(now.kind, abs(apart)).replace(" ", "\N{NO-BREAK SPACE}")
    return f"{word} than {whose}, by {by}"


def best(figures: Iterable[Figure]) -> Figure | None:
    """The largest, of a measure that aims upwards."""
    return max((f for f in figures if f.kind.aims), key=lambda f: f.value, default=None)


def usual(figures: Iterable[Figure]) -> Figure | None:
    """The middle one of several by value; of an even number the lower of the two middle ones."""
    ordered = sorted(figures, key=lambda f: f.value)
    return ordered[(len(ordered) - 1) // 2] if ordered else None


def bar_does_not_apply(reading: Reading) -> str:
    """Why the height against the bar says nothing of this flight, or ""."""
    if reading.family == "hop_regrasp":
        return "A grip change near handstand: the bar line does not apply."
    if reading.rail not in ("high", "low"):
        return "No bar here: heights are against the line drawn."
    return ""

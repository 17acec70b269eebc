"""How far the markers of a practice agree: with each other, the reference, the measurement, themselves.

Plain counts come first; a statistic stands beside them with its interval. What a room sees
(:class:`RoomAgreement`) holds no marker's name and no order among markers; what one marker gets
(:class:`OwnAgreement`) holds nothing of another's. Repeated showings serve self-consistency only.
"""

from __future__ import annotations

import csv
import io
import itertools
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from overlay.clinic.rater_statistics import (
    Estimate,
    Limits,
    alpha_interval,
    count_table,
    disagreement_weights,
    icc_agreement,
    kappa_with_interval,
    limits_of_agreement,
    mean_of_pairs,
    mean_with_interval,
    rank_correlation,
    slope,
)
from overlay.clinic.steps import Steps, points

FEW_CLIPS: Final = 20  # below this, dots and counts say more than a statistic: rule of thumb, no source
WIDE: Final = 0.3  # an interval wider than this on a scale that ends at 1 is called wide: our choice


@dataclass(frozen=True, slots=True)
class Item:
    """One showing of a clip, with what its marks are compared with."""

    number: int  # 1 for the first showing of the practice
    clip: str
    repeat: bool
    steps: Steps
    reference: int | None = None  # hundredths
    measured: tuple[int, int] | None = None  # hundredths: deduction range of the measured band


@dataclass(frozen=True, slots=True)
class Mark:
    """A marker's deduction for one showing, hundredths."""

    marker: str
    number: int
    mark: int
    paper: bool = False  # written on paper and typed in afterwards


@dataclass(frozen=True, slots=True)
class Counts:
    """Plain counts: how many of ``n`` were the same, and how many at most one step apart."""

    n: int
    exact: int
    within_one: int


@dataclass(frozen=True, slots=True)
class Differences:
    """Differences in points: positive is stricter than what is compared with."""

    n: int
    signed: float
    absolute: float
    interval: Estimate | None  # of the signed mean; None with fewer than two marks


@dataclass(frozen=True, slots=True)
class Disputed:
    """A clip, and how far its markers lie apart: the mean over pairs, in steps."""

    clip: str
    apart: float
    spread: tuple[tuple[int, int], ...]  # mark and how many gave it, every step of the family


@dataclass(frozen=True, slots=True)
class Panel:
    """Intraclass correlation over the clips that all of ``markers`` marked."""

    clips: int
    markers: int
    single: Estimate  # ICC(2,1)
    average: Estimate  # ICC(2,k)


@dataclass(frozen=True, slots=True)
class RoomAgreement:
    """What the room may see: no names, no ranking."""

    clips: int
    markers: int
    pairs: Counts  # every two markers on every clip
    reference: Counts
    from_reference: Differences | None
    from_measurement: Differences | None
    repeats: Counts
    later_minus_first: Differences | None  # the same clip shown again, freed of what clip it was
    order: Estimate | None  # change of the difference from the reference, points per ten showings
    kappa: float | None  # weighted, linear: mean over every two markers
    alpha: Estimate | None  # Krippendorff, ordinal
    panel: Panel | None
    disputed: tuple[Disputed, ...]  # most disputed first
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class OwnAgreement:
    """What one marker gets, privately."""

    marker: str
    marked: int
    reference: Counts
    from_reference: Differences | None
    from_measurement: Differences | None
    kappa: Estimate | None  # with the reference, linear weights over steps
    rank: float | None  # Kendall's tau-b with the reference
    limits: Limits | None  # within which differences from the reference are expected, points
    repeats: Counts
    order: Estimate | None
    cautions: tuple[str, ...]


def room_agreement(items: Sequence[Item], marks: Iterable[Mark]) -> RoomAgreement:
    """Agreement of a whole room.

    Args:
        items: the showings.
        marks: of any of them; each marker at most once for each showing.

    Raises:
        ValueError: a mark is no step of its clip, doubled, or of an unknown showing.
    """
    table = _Table(items, marks)
    first = {n: i for n, i in table.items.items() if not i.repeat}
    by_clip = {n: [m.mark for m in table.by_number(n)] for n in first}
    pairs = [
        (item.steps, a, b) for n, item in first.items() for a, b in itertools.combinations(by_clip[n], 2)
    ]
    panel = _panel(table, list(first))
    marked = [m for m in table.marks.values() if m.number in first]
    several = len(table.markers) > 1 and bool(first)
    matrix = table.matrix(list(first), table.markers)
    found_alpha = alpha_interval(matrix) if several else None
    scale = np.array(table.scale)
    places = np.where(np.isnan(matrix), np.nan, np.searchsorted(scale, np.nan_to_num(matrix)))
    clips = sum(1 for n in first if by_clip[n])
    intervals = [*([panel.single, panel.average] if panel else []), *([found_alpha] if found_alpha else [])]
    return RoomAgreement(
        clips=clips,
        markers=len(table.markers),
        pairs=_counts(pairs),
        reference=_counts(table.with_reference(marked)),
        from_reference=_differences(_from_reference(table, marked)),
        from_measurement=_differences(_from_measurement(table, marked)),
        repeats=_counts((s, a, b) for s, a, b, _ in table.repeats()),
        later_minus_first=_differences([(b - a) / 100 for _, a, b, _ in table.repeats()]),
        order=_order(table, table.marks.values()),
        kappa=mean_of_pairs(places, len(scale)) if several else None,
        alpha=found_alpha,
        panel=panel,
        disputed=_disputed(first, by_clip),
        cautions=_cautions(clips, len(table.markers), intervals),
    )


def own_agreement(items: Sequence[Item], marks: Iterable[Mark], marker: str) -> OwnAgreement:
    """One marker's agreement, from that marker's marks alone. Raises ValueError as :func:`room_agreement`."""
    table = _Table(items, (m for m in marks if m.marker == marker))
    own = [m for m in table.marks.values() if not table.items[m.number].repeat]
    compared = [m for m in own if table.items[m.number].reference is not None]
    mine = [m.mark for m in compared]
    theirs = [r for m in compared if (r := table.items[m.number].reference) is not None]
    scale = table.scale
    pairs = count_table([scale.index(m) for m in mine], [scale.index(r) for r in theirs], len(scale))
    return OwnAgreement(
        marker=marker,
        marked=len(own),
        reference=_counts(table.with_reference(own)),
        from_reference=_differences(_from_reference(table, own)),
        from_measurement=_differences(_from_measurement(table, own)),
        kappa=kappa_with_interval(pairs, disagreement_weights(len(scale), "linear")),
        rank=rank_correlation(mine, theirs),
        limits=limits_of_agreement([m / 100 for m in mine], [r / 100 for r in theirs]),
        repeats=_counts((s, a, b) for s, a, b, _ in table.repeats()),
        order=_order(table, table.marks.values()),
        cautions=_cautions(len(own), 1, []),
    )


def marks_csv(items: Sequence[Item], marks: Iterable[Mark]) -> str:
    """Raw marks for whoever wants to check the sums: RFC 4180, deductions in points."""
    table = _Table(items, marks)
    text = io.StringIO()
    out = csv.writer(text)
    out.writerow(
        ["showing", "clip", "repeat", "marker", "mark", "paper", "reference", "measured_from", "measured_to"]
    )
    for mark in sorted(table.marks.values(), key=lambda m: (m.number, m.marker)):
        item = table.items[mark.number]
        measured = [points(h) for h in item.measured] if item.measured else ["", ""]
        reference = "" if item.reference is None else points(item.reference)
        out.writerow(
            [
                item.number,
                _plain(item.clip),
                int(item.repeat),
                mark.marker,
                points(mark.mark),
                int(mark.paper),
                reference,
                *measured,
            ]
        )
    return text.getvalue()


def _plain(text: str) -> str:
    """A name that no spreadsheet takes for a formula."""
    return f"'{text}" if text[:1] in "=+-@\t\r" else text


class _Table:
    """The marks, checked, and looked at from several sides."""

    def __init__(self, items: Sequence[Item], marks: Iterable[Mark]) -> None:
        self.items: Mapping[int, Item] = {i.number: i for i in items}
        if len(self.items) != len(items):
            raise ValueError("two showings have the same number")
        for item in items:
            if item.reference is not None and item.reference not in item.steps.hundredths:
                raise ValueError(
                    f"{item.clip}: the reference {points(item.reference)} is no step of its table"
                )
        self.marks: dict[tuple[str, int], Mark] = {}
        for mark in marks:
            if mark.number not in self.items:
                raise ValueError(f"showing {mark.number} is unknown")
            if mark.mark not in self.items[mark.number].steps.hundredths:
                raise ValueError(f"{points(mark.mark)} is no step of showing {mark.number}")
            if (mark.marker, mark.number) in self.marks:
                raise ValueError(f"{mark.marker} marked showing {mark.number} twice")
            self.marks[mark.marker, mark.number] = mark
        self.markers = sorted({m.marker for m in self.marks.values()}, key=lambda m: (len(m), m))
        # Every deduction of the table in order: the places of these are the categories of kappa.
        self.scale = sorted({h for i in items for h in i.steps.hundredths})

    def by_number(self, number: int) -> list[Mark]:
        return [m for m in (self.marks.get((who, number)) for who in self.markers) if m]

    def with_reference(self, marks: Iterable[Mark]) -> list[tuple[Steps, int, int]]:
        pairs = []
        for m in marks:
            item = self.items[m.number]
            if item.reference is not None:
                pairs.append((item.steps, m.mark, item.reference))
        return pairs

    def repeats(self) -> list[tuple[Steps, int, int, str]]:
        """Steps, first mark, later mark and marker, for every clip that a marker marked again."""
        first = {i.clip: n for n, i in self.items.items() if not i.repeat}
        found = []
        for (who, number), later in sorted(self.marks.items()):
            item = self.items[number]
            earlier = self.marks.get((who, first.get(item.clip, -1))) if item.repeat else None
            if earlier:
                found.append((item.steps, earlier.mark, later.mark, who))
        return found

    def matrix(self, numbers: Sequence[int], markers: Sequence[str]) -> np.ndarray:
        """Marks, hundredths: (markers, showings), NaN where there is none."""
        return np.array(
            [[m.mark if (m := self.marks.get((who, n))) else math.nan for n in numbers] for who in markers]
        )


def _counts(pairs: Iterable[tuple[Steps, int, int]]) -> Counts:
    apart = [steps.apart(a, b) for steps, a, b in pairs]
    return Counts(len(apart), sum(d == 0 for d in apart), sum(d <= 1 for d in apart))


def _from_reference(table: _Table, marks: Iterable[Mark]) -> list[float]:
    return [(mark - reference) / 100 for _, mark, reference in table.with_reference(marks)]


def _from_measurement(table: _Table, marks: Iterable[Mark]) -> list[float]:
    """Distance from the measured band's range: nothing within it, else to its nearer end."""
    found = []
    for m in marks:
        measured = table.items[m.number].measured
        if measured is not None:
            low, high = measured
            found.append((m.mark - min(max(m.mark, low), high)) / 100)
    return found


def _differences(values: Sequence[float]) -> Differences | None:
    if not values:
        return None
    absolute = sum(map(abs, values)) / len(values)
    return Differences(len(values), sum(values) / len(values), absolute, mean_with_interval(values))


def _order(table: _Table, marks: Iterable[Mark]) -> Estimate | None:
    known = [m for m in marks if table.items[m.number].reference is not None]
    return slope([m.number / 10 for m in known], _from_reference(table, known))


def _panel(table: _Table, numbers: Sequence[int]) -> Panel | None:
    """ICC needs complete marks: markers who marked at least half, clips that all of those marked."""
    if not table.markers or not numbers:
        return None
    marks = table.matrix(numbers, table.markers)
    marks = marks[(~np.isnan(marks)).mean(axis=1) >= 0.5]
    marks = marks[:, ~np.isnan(marks).any(axis=0)]
    found = icc_agreement(marks.T) if min(marks.shape) >= 2 else None
    return Panel(marks.shape[1], marks.shape[0], *found) if found else None


def _disputed(first: Mapping[int, Item], by_clip: Mapping[int, Sequence[int]]) -> tuple[Disputed, ...]:
    found = []
    for number, item in first.items():
        apart = [item.steps.apart(a, b) for a, b in itertools.combinations(by_clip[number], 2)]
        if apart:
            spread = tuple((h, by_clip[number].count(h)) for h in item.steps.hundredths)
            found.append(Disputed(item.clip, sum(apart) / len(apart), spread))
    return tuple(sorted(found, key=lambda d: (-d.apart, d.clip)))


def _cautions(clips: int, markers: int, intervals: Sequence[Estimate]) -> tuple[str, ...]:
    said = []
    if clips < FEW_CLIPS:
        said.append(f"Only {clips} clip{'' if clips == 1 else 's'}: look at the dots and the counts first.")
    if any(math.isnan(i.low) or i.high - i.low > WIDE for i in intervals):
        who = f"{clips} clips and {markers} markers"
        said.append(f"The interval is wide: {who} do not settle how well this room agrees.")
    return tuple(said)

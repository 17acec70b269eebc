"""Several practices side by side: before and after a clinic, and the clips that stay disputed."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from scipy import stats

from overlay.clinic.agreement import Item, Mark, RoomAgreement, room_agreement
from overlay.clinic.rater_statistics import CONFIDENCE, Estimate
from overlay.clinic.summary import interval_words


@dataclass(frozen=True, slots=True)
class Session:
    """One practice: its locked showings and marks."""

    title: str
    items: tuple[Item, ...]
    marks: tuple[Mark, ...]


@dataclass(frozen=True, slots=True)
class Change:
    """What changed from one practice to another, for the room. Differences are after minus before."""

    before: RoomAgreement
    after: RoomAgreement
    miss: Estimate | None  # change of the usual miss against the reference, points
    paired: int  # markers known to be the same persons; 0: two groups of markers
    same_clips: int  # clips that were in both: they may be remembered


@dataclass(frozen=True, slots=True)
class StillDisputed:
    """A clip over several practices."""

    clip: str
    practices: int
    marks: int
    apart: float  # mean over pairs of markers within a practice, steps
    from_reference: float | None  # mean, points; positive is stricter


def usual_misses(session: Session) -> dict[str, float]:
    """Mean absolute difference from the reference of each marker, points; repeats left out."""
    items = {i.number: i for i in session.items}
    misses: dict[str, list[float]] = {}
    for m in session.marks:
        item = items[m.number]
        if item.reference is not None and not item.repeat:
            misses.setdefault(m.marker, []).append(abs(m.mark - item.reference) / 100)
    return {who: sum(found) / len(found) for who, found in misses.items()}


def mean_difference(first: Sequence[float], second: Sequence[float], paired: bool) -> Estimate | None:
    """Mean of ``second`` minus mean of ``first`` with its 95 % interval, in their unit.

    Student's paired interval, or Welch's (1947) for two groups of unequal spread. None with fewer than
    two of either, or where all values are alike.
    """
    if min(len(first), len(second)) < 2:
        return None
    if paired:
        differences = [b - a for a, b in zip(first, second, strict=True)]
        if max(differences) == min(differences):
            return None
        found = stats.ttest_rel(second, first)
    else:
        if max(first) == min(first) and max(second) == min(second):
            return None
        found = stats.ttest_ind(second, first, equal_var=False)
    span = found.confidence_interval(CONFIDENCE)
    mean = sum(second) / len(second) - sum(first) / len(first)
    if math.isnan(float(span.low)):
        return None
    return Estimate(mean, float(span.low), float(span.high))


def change_between(before: Session, after: Session, same: Mapping[str, str] | None = None) -> Change:
    """Compare two practices.

    Args:
        same: markers of ``after`` by their number in ``before``, where the teacher knows who is who;
            left out: two groups.

    Raises:
        ValueError: ``same`` names a marker who is not there, or one twice.
    """
    one, two = usual_misses(before), usual_misses(after)
    pairs = dict(same or {})
    if len(set(pairs.values())) != len(pairs):
        raise ValueError("a marker is paired twice")
    if unknown := [m for m in pairs if m not in one] + [m for m in pairs.values() if m not in two]:
        raise ValueError(f"{', '.join(unknown)}: no marks against a reference there")
    if pairs:
        miss = mean_difference([one[a] for a in pairs], [two[b] for b in pairs.values()], True)
    else:
        miss = mean_difference(list(one.values()), list(two.values()), False)
    return Change(
        before=room_agreement(before.items, before.marks),
        after=room_agreement(after.items, after.marks),
        miss=miss,
        paired=len(pairs),
        same_clips=len({i.clip for i in before.items} & {i.clip for i in after.items}),
    )


def disputed_over(sessions: Sequence[Session]) -> list[StillDisputed]:
    """Clips of several practices, most disputed first: pairs of markers of one practice are compared."""
    apart: dict[str, list[int]] = {}
    off: dict[str, list[float]] = {}
    seen: dict[str, set[int]] = {}
    marks: dict[str, int] = {}
    for number, session in enumerate(sessions):
        for item in session.items:
            given = [m.mark for m in session.marks if m.number == item.number]
            if item.repeat or not given:
                continue
            seen.setdefault(item.clip, set()).add(number)
            marks[item.clip] = marks.get(item.clip, 0) + len(given)
            pairs = itertools.combinations(given, 2)
            apart.setdefault(item.clip, []).extend(item.steps.apart(a, b) for a, b in pairs)
            if item.reference is not None:
                off.setdefault(item.clip, []).extend((m - item.reference) / 100 for m in given)
    found = [
        StillDisputed(
            clip,
            len(seen[clip]),
            marks[clip],
            sum(steps) / len(steps),
            sum(off[clip]) / len(off[clip]) if clip in off else None,
        )
        for clip, steps in apart.items()
        if steps
    ]
    return sorted(found, key=lambda d: (-d.apart, d.clip))


def change_lines(change: Change) -> list[str]:
    """A comparison in plain sentences, counts first."""
    said = []
    for name, room in (("Before", change.before), ("After", change.after)):
        who = f"{room.clips} clips, {room.markers} markers"
        ref, pairs = room.reference, room.pairs
        said.append(f"{name} ({who}): {ref.exact} of {ref.n} marks exact against the reference,")
        said.append(f"    {ref.within_one} within one step; two markers: {pairs.exact} of {pairs.n} exact.")
        if room.from_reference is not None:
            miss = room.from_reference.absolute
            said.append(
                f"    Usual miss {miss:.3f} points; on average {room.from_reference.signed:+.3f} points"
                f"{interval_words(room.from_reference)}."
            )
    if change.miss is None:
        said.append("The change of the usual miss cannot be told from so few markers.")
    else:
        e = change.miss
        way = "smaller" if e.value < 0 else "larger"
        sure = "" if e.low > 0 or e.high < 0 else " The interval holds no change at all."
        kind = f"{change.paired} markers in both" if change.paired else "two groups of markers"
        said.append(
            f"The usual miss became {abs(e.value):.3f} points {way} "
            f"(95 % interval of the change {e.low:+.3f} to {e.high:+.3f}; {kind}).{sure}"
        )
    if change.same_clips:
        said.append(f"{change.same_clips} clips were in both: they may have been remembered.")
    said.append("A change after a clinic is not proof of its cause.")
    return said


def disputed_lines(found: Sequence[StillDisputed], most: int = 20) -> list[str]:
    """The most disputed clips in plain sentences."""
    said = []
    for d in found[:most]:
        off = "" if d.from_reference is None else f", {d.from_reference:+.3f} points from the reference"
        times = f"{d.practices} practice{'' if d.practices == 1 else 's'}"
        said.append(f"{d.clip}: {d.apart:.1f} steps apart on average{off} ({d.marks} marks, {times})")
    return said

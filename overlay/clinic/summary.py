"""Agreement in plain sentences: for the room without names or order, and for one marker privately."""

from __future__ import annotations

import math

from overlay.clinic.agreement import FEW_CLIPS, Counts, Differences, OwnAgreement, RoomAgreement
from overlay.clinic.rater_statistics import Estimate
from overlay.clinic.steps import points

MOST_DISPUTED = 5  # clips named in a summary


def room_lines(room: RoomAgreement) -> list[str]:
    """What the room gets, counts first."""
    clips = f"{room.clips} clip{'' if room.clips == 1 else 's'}"
    said = [f"{clips}, {room.markers} marker{'' if room.markers == 1 else 's'}."]
    said += room.cautions
    said.append(_counts("Two markers on one clip", room.pairs))
    said.append(_counts("Marks against the reference", room.reference))
    said += _differences("the reference", room.from_reference)
    said += _differences("the measured band", room.from_measurement)
    said.append(_counts("The same clip marked again", room.repeats))
    if room.later_minus_first is not None:
        later = room.later_minus_first
        mean = f"{later.signed:+.3f} points on average{interval_words(later)}"
        said.append(f"Second mark against first: {mean}.")
    said += _order(room.order)
    if room.kappa is not None:
        said.append(f"Weighted kappa, linear, mean over every two markers: {room.kappa:.2f}.")
    if room.alpha is not None:
        said.append(f"Krippendorff's alpha, ordinal (1 full agreement, 0 chance): {_interval(room.alpha)}.")
    if room.panel is not None:
        who = f"{room.panel.markers} markers, {room.panel.clips} clips marked by all of them"
        said.append(f"ICC(2,1), one marker: {_interval(room.panel.single)} ({who}).")
        said.append(f"ICC(2,k), mean of the panel: {_interval(room.panel.average)}.")
    disputed = [d for d in room.disputed if d.apart > 0][:MOST_DISPUTED]
    for d in disputed:
        dots = ", ".join(f"{points(step)} {'●' * count}" for step, count in d.spread if count)
        said.append(f"Disputed: {d.clip}, {d.apart:.1f} steps apart on average: {dots}")
    return said


def own_lines(own: OwnAgreement) -> list[str]:
    """What one marker gets, privately."""
    said = [f"Marker {own.marker.removeprefix('m')}: {own.marked} clips marked."]
    said += own.cautions
    said.append(_counts("Your marks against the reference", own.reference))
    said += _differences("the reference", own.from_reference)
    said += _differences("the measured band", own.from_measurement)
    said.append(_counts("The same clip marked again", own.repeats))
    if own.kappa is not None:
        said.append(f"Weighted kappa with the reference, linear: {_interval(own.kappa)}.")
    if own.limits is not None and own.limits.n >= FEW_CLIPS and own.limits.sd > 0:
        low, high = own.limits.low, own.limits.high
        span = f"{low:+.2f} to {high:+.2f} points from the reference"
        said.append(f"Nineteen of twenty of your marks are expected {span}.")
    if own.rank is not None:
        said.append(f"Right order, Kendall's tau-b with the reference: {own.rank:.2f}.")
    said += _order(own.order)
    return said


def _counts(what: str, c: Counts) -> str:
    if c.n == 0:
        return f"{what}: none."
    return f"{what}: {c.exact} of {c.n} exact, {c.within_one} of {c.n} within one step."


def _differences(what: str, d: Differences | None) -> list[str]:
    if d is None:
        return []
    way = "stricter" if d.signed > 0 else "milder"
    mean = (
        f"{abs(d.signed):.3f} points {way} on average"
        if round(abs(d.signed), 3)
        else "neither way on average"
    )
    return [f"Against {what}: {mean}{interval_words(d)}; usual miss {d.absolute:.3f} points ({d.n} marks)."]


def interval_words(d: Differences) -> str:
    """The interval of a mean difference, after a comma; nothing where there are too few marks for one."""
    return f", {_span(d.interval)}" if d.interval else ""


def _order(order: Estimate | None) -> list[str]:
    if order is None:
        return []
    if not round(abs(order.value), 3):
        return [
            f"Over the evening: neither stricter nor milder, {_span(order)} points for every ten showings."
        ]
    way = "stricter" if order.value > 0 else "milder"
    return [
        f"Over the evening: {abs(order.value):.3f} points {way} for every ten showings, {_span(order)} "
        "(positive is stricter)."
    ]


def _span(e: Estimate) -> str:
    return f"95 % interval {e.low:+.3f} to {e.high:+.3f}"


def _interval(e: Estimate, form: str = ".2f") -> str:
    if math.isnan(e.low):
        return f"{e.value:{form}}, no interval"
    return f"{e.value:{form}}, 95 % interval {e.low:{form}} to {e.high:{form}}"

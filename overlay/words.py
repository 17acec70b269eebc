"""Readings and states put into the sentences that stand on the screen.

Heights are the hips against the top of a bar. Every give-or-take is twice the standard
uncertainty (coverage of about 95 % for a normal distribution), rounded up to whole centimetres,
so that the words never promise more than the measurement.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from fractions import Fraction
from typing import Final

from bridge.messages import (
    BandChance,
    Correction,
    Heartbeat,
    Look,
    Moment,
    Policy,
    Quantity,
    Reading,
    Routine,
    Ruling,
    Scene,
)
from overlay.policy import includes

CAUTION: Final = "Display aid only. The panel decides."
TOO_CLOSE: Final = "too close to call"
COVERAGE: Final = "95 %"
LITTLE_WAITING: Final = 8  # so few pictures wait to be measured now and then

FAMILIES: Final[dict[str, str]] = {
    "counter_regrasp": "counter flight, same bar regrasped",
    "salto_regrasp": "salto, same bar regrasped",
    "low_to_high": "low bar to high bar",
    "high_to_low_salto": "salto from high bar to low bar",
    "high_to_low_overshoot": "overshoot from high bar to low bar",
    "hop_regrasp": "grip change with flight",
    "dismount": "dismount",
}
SHORT_FAMILIES: Final[dict[str, str]] = {
    "counter_regrasp": "counter",
    "salto_regrasp": "salto",
    "low_to_high": "low to high",
    "high_to_low_salto": "salto to low",
    "high_to_low_overshoot": "overshoot",
    "hop_regrasp": "grip change",
    "dismount": "dismount",
}
MOMENTS: Final[dict[str, str]] = {
    "release": "release",
    "opening": "opening",
    "apex": "top",
    "regrasp": "regrasp",
    "landing": "landing",
    "down_swing": "start of the down-swing",
}
LEVEL_WORDS: Final[dict[Policy, str]] = {
    "picture": "plain picture",
    "line": "bar line",
    "height": "hip height",
    "band": "band",
}
DECISIONS: Final[tuple[str, ...]] = ("above", "level", "below", "no decision")
_SPEEDS: Final[dict[Fraction, str]] = {
    Fraction(1): "true speed",
    Fraction(1, 2): "half speed",
    Fraction(1, 4): "quarter speed",
    Fraction(1, 8): "eighth speed",
}


def space_sentence(space_s: float) -> str:
    """How long the disk still has room, in words."""
    minutes = int(space_s // 60)
    return (
        f"Space for {minutes} minute{'' if minutes == 1 else 's'} more" if minutes else "Space runs out now"
    )


def ordinal(n: int) -> str:
    """``2nd``, ``3rd``, ``11th``."""
    ending = "th" if 10 <= n % 100 <= 20 else {1: "st", 2: "nd", 3: "rd"}.get(n % 10, "th")
    return f"{n}{ending}"


def feed_sentence(beat: Heartbeat) -> str:
    """How a running feed fares: its rate, what measuring leaves behind, and the room on the disk."""
    parts = ["Feed running"]
    if beat.step > 1:
        parts.append(f"measuring every {ordinal(beat.step)} picture")
    if beat.waiting > max(LITTLE_WAITING, beat.fps / 4):
        parts.append(f"{beat.waiting} wait")
    if beat.dropped:
        parts.append(f"{beat.dropped} pictures recorded but not measured")
    if len(parts) == 1:
        parts.append(f"{beat.fps:.0f} pictures a second")
    if beat.space_s is not None:
        parts.append(f"space for {age_words(round(beat.space_s * 1e9))}")
    return ", ".join(parts)


def camera_sentence(problem: str) -> str:
    """Why no reading is given for the camera's sake."""
    return f"No readings: {problem}"


def bar_name(rail: str, label: str = "") -> str:
    """The bar as judges call it; away from bars, the label of the reference line."""
    return {"high": "high bar", "low": "low bar"}.get(rail) or label or "line"


def give_or_take_cm(u_m: float) -> int:
    """Half-width of the 95 % interval, whole centimetres, rounded up (at least 1)."""
    return max(1, math.ceil(200.0 * u_m - 1e-9))


def rounded_cm(height_m: float) -> int:
    """Height in whole centimetres, halves away from zero."""
    return int(math.copysign(math.floor(abs(height_m) * 100.0 + 0.5), height_m))


def short_height(height: Quantity) -> str:
    """The height in very few words: ``12 cm above``, ``5 cm below`` or ``at bar height``."""
    cm = rounded_cm(height.value)
    if cm == 0:
        return "at the bar"
    return f"{abs(cm)} cm {'above' if cm > 0 else 'below'}"


def shortest_height(height: Quantity) -> str:
    """The height where centimetres stand beside it: ``12 above``, ``5 below`` or ``at the bar``."""
    return short_height(height).replace(" cm", "")


def height_sentence(height: Quantity, bar: str) -> str:
    """The height with its give-or-take, as one sentence."""
    cm = rounded_cm(height.value)
    where = f"{abs(cm)} cm {'above' if cm > 0 else 'below'}" if cm else "at"
    return f"hips {where} the {bar}, give or take {give_or_take_cm(height.u)} cm ({COVERAGE})"


def give_or_take(u_m: float) -> str:
    """The give-or-take alone, with its coverage."""
    return f"give or take {give_or_take_cm(u_m)} cm ({COVERAGE})"


def height_words(height: Quantity) -> str:
    """The height with its give or take, without naming the bar."""
    return f"{short_height(height)}, give or take {give_or_take_cm(height.u)} cm"


def correction_sentence(correction: Correction, level: Policy) -> str:
    """That a height was corrected by hand, by whom and when; no more than ``level`` allows."""
    if correction.height is None:
        return ""
    parts = ("hips", correction.hips is not None), ("bar", bool(correction.line_px))
    what = " and ".join(name for name, is_set in parts if is_set)
    clock = correction.wall_time[11:16]
    head = f"Corrected by hand ({what}; {', '.join(filter(None, (correction.by, clock)))})"
    if not includes(level, "height"):
        return f"{head}."
    said = f"{head}: {height_words(correction.height)}"
    if includes(level, "band") and correction.band:
        close = correction.band == TOO_CLOSE
        said += f", {TOO_CLOSE}" if close else f", {correction.band}, {percent(correction.band_p)} sure"
    return f"{said}."


def percent(p: float) -> str:
    """A probability in whole per cent that never says 0 or 100."""
    if p >= 0.995:
        return "over 99 %"
    if p < 0.005:
        return "under 1 %"
    return f"{math.floor(100.0 * p + 0.5)} %"


def candidates(chances: Iterable[BandChance]) -> tuple[BandChance, ...]:
    """The two likeliest bands, likeliest first."""
    return tuple(sorted(chances, key=lambda chance: -chance.p)[:2])


def band_sentence(reading: Reading) -> str:
    """The band with its probability; where it is too close to call, both candidates."""
    if not reading.band:
        return ""
    if reading.band == TOO_CLOSE:
        both = " or ".join(f"{c.band} ({percent(c.p)})" for c in candidates(reading.chances))
        return f"{TOO_CLOSE}: {both}" if both else TOO_CLOSE
    return f"{reading.band}, {percent(reading.band_p)} sure"


def range_sentence(span: tuple[float, float] | None, table: str = "") -> str:
    """The table's range for the band. It is never a deduction and never added up."""
    if span is None:
        return ""
    low, high = span
    body = f"{high:.2f}" if math.isclose(low, high) else f"{low:.2f} to {high:.2f}"
    if high <= 0.0:
        body = "none"
    source = f" ({table})" if table else ""
    return f"range in the table{source}: {body}"


def family_words(family: str) -> str:
    """What the flight does, in words."""
    return FAMILIES.get(family, family.replace("_", " ")) or "flight"


def short_family(family: str) -> str:
    """What the flight does, in a word or two, where room is short."""
    return SHORT_FAMILIES.get(family, family.replace("_", " ")) or "flight"


def plus_minus(quantity: Quantity) -> str:
    """Half-width of the 95 % interval in the unit that is spoken, rounded up."""
    off = 2.0 * quantity.u
    match quantity.unit:
        case "m":
            return f"± {give_or_take_cm(quantity.u)} cm"
        case "rad":
            return f"± {math.ceil(math.degrees(off) - 1e-9)} degrees"
        case "s" | "turns":
            return f"± {math.ceil(100.0 * off - 1e-9) / 100.0:.2f} {quantity.unit}"
        case _:
            return f"± {math.ceil(10.0 * off - 1e-9) / 10.0:.1f} {quantity.unit.replace('s2', 's²')}"


def angle_words(angle: Quantity) -> str:
    """An angle off the vertical."""
    return f"{math.degrees(angle.value):.0f} degrees off the vertical"


def gravity_sentence(gravity: Quantity) -> str:
    """What the fall itself says of scale and timing: it must give the earth's gravity back."""
    return f"Check of scale and time: the fall gives {gravity.value:.1f} m/s² (9.8 is right)."


def rise_words(rise: Quantity) -> str:
    """How the hips move up or down."""
    way = "rising" if rise.value >= 0 else "falling"
    return f"{way} {abs(rise.value):.1f} m/s, give or take {math.ceil(20.0 * rise.u - 1e-9) / 10.0:.1f}"


def short_rise(rise: Quantity) -> str:
    """The same where ± has been explained."""
    return rise_words(rise).replace(" m/s, give or take", " ±") + " m/s"


def moment_sentence(moment: Moment) -> str:
    """Hips and their vertical speed at one moment, each with its give-or-take."""
    cm = rounded_cm(moment.height.value)
    where = f"{abs(cm)} cm {'above' if cm > 0 else 'below'}" if cm else "at the bar"
    name = MOMENTS.get(moment.name, moment.name.replace("_", " "))
    return (
        f"At the {name}: hips {where}, give or take {give_or_take_cm(moment.height.u)} cm; "
        f"{rise_words(moment.rise)}"
    )


def end_word(reading: Reading | None) -> str:
    """How the flight ends: ``regrasp`` or ``landing``."""
    return reading.end_kind if reading else "regrasp"


def family_choice_sentence(reading: Reading) -> str:
    """That the panel chose the family, and what was measured; "" when it did not."""
    if not reading.family_by:
        return ""
    said = f"Family chosen by the {reading.family_by}."
    if not reading.families:
        return said
    measured = reading.families[0]
    return f"{said} Measured: {short_family(measured.family)} ({percent(measured.p)})."


def state_sentence(reading: Reading) -> str:
    """Provisional, settled or withheld, and why."""
    if reading.state == "withheld":
        return f"withheld: {reading.reason or 'the picture did not allow a measurement'}"
    if reading.state == "provisional":
        more = f": {reading.reason}" if reading.reason else f", it settles after the {end_word(reading)}"
        return f"provisional{more}"
    return f"settled, but {reading.reason}" if reading.reason else "settled"


def speed_words(speed: Fraction) -> str:
    """A play-back speed in words."""
    return _SPEEDS.get(speed, f"{float(speed):g} times true speed")


def age_words(age_ns: int) -> str:
    """An age in words, coarser as it grows."""
    seconds = age_ns // 1_000_000_000
    if seconds < 1:
        return "less than 1 s"
    if seconds < 120:
        return f"{seconds} s"
    minutes = seconds // 60
    return f"{minutes} min" if minutes < 120 else f"{minutes // 60} h"


def feed_lost_sentence(picture_age_ns: int | None) -> str:
    """What is said when nothing comes any more."""
    if picture_age_ns is None:
        return "Feed lost. No picture has come yet."
    return f"Feed lost. Last picture {age_words(picture_age_ns)} ago."


def line_sentence(scene: Scene | None) -> str:
    """How far off the line may be from this place."""
    if scene is None or scene.expected_u_m <= 0.0:
        return "How far off the line may be from this place is not known."
    return f"From this place the line may be off by {give_or_take_cm(scene.expected_u_m)} cm ({COVERAGE})."


def count_words(n: int, thing: str) -> str:
    """``no flight``, ``1 flight``, ``3 flights``."""
    return f"{n or 'no'} {thing}{'' if n < 2 else 's'}"


def routine_words(routine: Routine) -> str:
    """A routine's name in lists: its place and the start number."""
    name = f"routine {routine.routine}"
    number = f", start number {routine.start_number}" if routine.start_number else ""
    return f"{name}{number}{', warm-up' if routine.warm_up else ''}"


def ruling_sentence(ruling: Ruling) -> str:
    """The panel's ruling as it was recorded."""
    note = f" Note: {ruling.note}" if ruling.note else ""
    clock = ruling.wall_time[11:16]
    at = f" at {clock}" if len(clock) == 5 else ""
    return f"The panel ruled: {ruling.decision}{at}.{note}"


_TIMES: Final = {1: "once", 2: "twice"}
_LEVEL_SHOWN: Final[dict[str, str]] = {
    "picture": "plain",
    "line": "with the line",
    "height": "with the height",
    "band": "with the band",
}


def times_words(passes: float) -> str:
    """``once``, ``twice``, ``5 times``, or ``in part``."""
    n = math.floor(passes + 0.25)
    return "in part" if n < 1 else _TIMES.get(n, f"{n} times")


def look_sentence(look: Look) -> str:
    """Who looked, when, at which speeds, and with how much drawn."""
    clock = look.wall_time[11:16]
    seen = [
        f"{speed_words(Fraction(v.speed))} {_LEVEL_SHOWN[v.level]} {times_words(v.passes)}"
        for v in look.views
    ]
    if look.stills:
        names = dict.fromkeys(MOMENTS.get(name, name) for name in look.stills)
        seen.append(f"frozen at {', '.join(names)}")
    return f"{clock} {look.by or 'somebody'}: {'; '.join(seen)}".strip()


def clock_sentence(clock: str, ended_ago_ns: int | None) -> str:
    """The time of day, and how long ago the last routine ended. Information, no more."""
    if ended_ago_ns is None:
        return f"It is {clock}."
    return f"It is {clock}. The last routine ended {duration_words(ended_ago_ns)} ago."


def duration_words(span_ns: int) -> str:
    """``42 s``, ``3 min 05 s``, or hours."""
    minutes, seconds = divmod(max(0, span_ns) // 1_000_000_000, 60)
    if minutes >= 120:
        return age_words(span_ns)
    return f"{minutes} min {seconds:02d} s" if minutes else f"{seconds} s"


NOT_AT_TRUE_SPEED: Final = "Nobody has seen this flight whole at true speed yet.  Z: true speed"


def flight_sentence(reading: Reading, level: Policy, label: str = "") -> str:
    """One flight as a whole sentence, saying no more than ``level`` allows."""
    parts = [f"flight {reading.number}", family_words(reading.family)]
    if reading.family_by:
        parts.append(f"family chosen by the {reading.family_by}")
    if reading.state == "withheld":
        parts.append("withheld")
    elif includes(level, "height") and reading.apex is not None:
        parts.append(height_sentence(reading.apex, bar_name(reading.rail, label)))
        if includes(level, "band") and reading.band:
            parts.append(band_sentence(reading))
        parts.append(reading.state)
    return ", ".join(parts)

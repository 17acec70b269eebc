"""How the recording stands, in a few big words. No Qt here.

Each line has one of three grades. A grade is told by its sign and its words, never by a colour alone.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Final, Literal

from bridge.messages import Entry, Heartbeat, Routine, StartList
from overlay.words import age_words

Grade = Literal["good", "look", "bad"]
SIGNS: Final[dict[Grade, str]] = {"good": "●", "look": "◆", "bad": "▲"}
NS: Final = 1_000_000_000
SILENT_NS: Final = 2 * NS  # without a heartbeat
SHORT_S: Final = 30 * 60.0  # of room on the disk
SCARCE_S: Final = 10 * 60.0
BEHIND: Final = 120  # pictures that wait to be measured
DIM: Final = 0.7  # part of the light at set-up; readings are withheld long after
SOFT: Final = 0.8  # part of the sharpness at set-up


@dataclass(frozen=True, slots=True)
class Line:
    """One thing that staff look at."""

    name: str
    words: str  # big
    grade: Grade
    remedy: str = ""  # small

    @property
    def sentence(self) -> str:
        """All of it, for a screen reader."""
        grade = {"good": "good", "look": "look at it", "bad": "see to it now"}[self.grade]
        return f"{self.name}: {self.words}; {grade}. {self.remedy}".strip()


def health(
    beat: Heartbeat | None,
    silent_ns: int | None,
    listed: StartList | None,
    trouble: str = "",
    busy: bool = False,
) -> tuple[Line, ...]:
    """The lines, always the same ones in the same order.

    Args:
        beat: the last heartbeat; None before the first.
        silent_ns: time since it came.
        listed: the start list, which says whether recording is paused.
        trouble: why the bus cannot be reached.
        busy: whether somebody is on the bars.
    """
    lost = beat is None or silent_ns is None or silent_ns > SILENT_NS
    lines = (
        (_forgotten(listed, busy) if not lost else None)
        or _recording(beat, lost, silent_ns, listed.paused if listed else "", trouble),
        *(_camera(beat) if beat is not None and not lost else _unknown()),
    )
    if beat is None or lost:
        return (
            *lines,
            *(Line(name, "not known", "look") for name in ("Space left", "Pictures", "Measuring")),
        )
    return (*lines, _space(beat), _pictures(beat), _measuring(beat))


def _forgotten(listed: StartList | None, busy: bool) -> Line | None:
    """A break that somebody forgot to end."""
    if listed is None or listed.part != "break" or not busy:
        return None
    return Line("Recording", "paused, but somebody is on the bars", "bad", "end the break: F2 or F3")


def _recording(beat: Heartbeat | None, lost: bool, silent_ns: int | None, paused: str, trouble: str) -> Line:
    name = "Recording"
    if beat is None:
        return Line(name, "no word from capture", "bad", trouble or "start railcrest capture")
    if lost:
        words = f"no word for {age_words(silent_ns or 0)}"
        return Line(name, words, "bad", trouble or "look at capture's machine")
    if beat.feed == "lost":
        return Line(name, "camera lost", "bad", "look at its cable and its power")
    if beat.feed == "ended":
        return Line(name, "ended", "look", "the session is closed or the film is over")
    if paused:
        words, _, more = paused.partition(": ")
        return Line(name, f"paused, {words}", "look", more)
    return Line(name, "on", "good")


def _unknown() -> tuple[Line, Line, Line]:
    return (
        Line("Bars in view", "not known", "look"),
        Line("Focus", "not known", "look"),
        Line("Light", "not known", "look"),
    )


def _camera(beat: Heartbeat) -> tuple[Line, Line, Line]:
    said, _, remedy = beat.camera.partition("; ")
    light, sharp = beat.light, beat.sharp
    if light is None or sharp is None:
        if not beat.camera:
            return _unknown()
        return (Line("Bars in view", said, "bad", remedy), *_unknown()[1:])
    dark, soft = "went dark" in beat.camera, "went soft" in beat.camera
    bars = Line("Bars in view", "as at set-up", "good")
    if beat.camera and not (dark or soft):
        bars = Line("Bars in view", "not as at set-up", "bad", beat.camera)
    elif dark:
        bars = Line("Bars in view", "too dark to tell", "look")
    focus = Line("Focus", "sharp", "good")
    if dark:
        focus = Line("Focus", "too dark to tell", "look")
    elif soft:
        focus = Line("Focus", "soft", "bad", remedy or "focus on the high bar again")
    elif sharp < SOFT:
        focus = Line(
            "Focus", f"softer, {100 * sharp:.0f}\u00a0% of set-up", "look", "watch it, or focus again"
        )
    part = f"{100 * light:.0f}\u00a0% of set-up"
    lit = Line("Light", part, "good")
    if dark:
        lit = Line("Light", f"dark, {part}", "bad", "see to the light or the exposure")
    elif light < DIM:
        lit = Line("Light", f"dimmer, {part}", "look", "did a row of lamps go out?")
    return bars, focus, lit


def _space(beat: Heartbeat) -> Line:
    if beat.space_s is None:
        return Line("Space left", "not known yet", "look" if beat.feed == "running" else "good")
    minutes = int(beat.space_s // 60)
    words = f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= 60 else f"{minutes} min"
    if beat.space_s < SCARCE_S:
        return Line("Space left", words, "bad", "free some space now; nothing recorded is lost")
    if beat.space_s < SHORT_S:
        return Line("Space left", words, "look", "free some space in the next break")
    return Line("Space left", "over 24 h" if minutes >= 1440 else words, "good")


def _pictures(beat: Heartbeat) -> Line:
    words = f"{beat.dropped or 'none'} dropped"
    if beat.dropped:
        return Line(
            "Pictures", words, "bad", "recorded but not measured; railcrest measure does it afterwards"
        )
    if beat.feed == "running" and beat.picture_age_ns > NS:
        return Line("Pictures", f"none for {age_words(beat.picture_age_ns)}", "bad", "look at the camera")
    return Line("Pictures", words, "good", f"{beat.fps:.0f} a second")


def _measuring(beat: Heartbeat) -> Line:
    if beat.waiting > BEHIND:
        late = f"{beat.waiting / beat.fps:.0f} s" if beat.fps > 1 else f"{beat.waiting} pictures"
        return Line("Measuring", f"{late} behind", "look", "all is recorded; readings settle later")
    return Line("Measuring", "keeps up", "good")


def wall_clock(beat: Heartbeat | None) -> str:
    """Capture's own time of day, to be held against the hall's clock."""
    try:
        return f"{datetime.fromisoformat(beat.wall_time):%H:%M:%S}" if beat is not None else "--:--:--"
    except ValueError:
        return "--:--:--"


def worst(lines: Iterable[Line]) -> Grade:
    """The worst grade of several lines."""
    grades = {line.grade for line in lines}
    return "bad" if "bad" in grades else "look" if "look" in grades else "good"


# --- who ---


def on_the_bars(routines: Iterable[Routine]) -> Routine | None:
    """The routine under way."""
    last = max(routines, key=lambda r: r.routine, default=None)
    return last if last is not None and last.end_ns is None else None


def state_words(entry: Entry, routines: Iterable[Routine], listed: StartList) -> str:
    """Where a gymnast on the list stands."""
    hers = [r for r in routines if r.start_number == entry.number and not r.warm_up]
    if any(r.end_ns is None for r in hers):
        return "on the bars now"
    if entry.scratched:
        return "scratched"
    places = " and ".join(str(r.routine) for r in hers)
    if entry.number == listed.next:
        return f"next, again (routine {places})" if hers else "next"
    if hers:
        unfilmed = ", not filmed" if entry.consent == "do not film" else ""
        return f"seen, routine {places}{unfilmed}"
    return "to come"


def number_words(number: str) -> str:
    """A start number, or that there is none."""
    return number or "–"

"""Everything that the review note says of one flight, read from the session folder. No Qt here."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

from bridge.errors import RecordingError
from bridge.journal import Consent, Gymnast, Journal
from bridge.messages import Correction, Look, Policy, Quantity, Reading, Routine, Ruling
from bridge.session import Manifest, Segment, Session
from bridge.turns import set_up_of
from overlay import words
from overlay.policy import includes

NS: Final = 1_000_000_000
FOUR: Final = ("release", "apex", "opening", "regrasp", "landing", "down_swing")
BEFORE_NS: Final = 600_000_000
AFTER_NS: Final = 600_000_000


@dataclass(frozen=True, slots=True)
class Instant:
    """One of the four moments: its name, when, and the hips then where they were measured."""

    name: str
    t_ns: int
    height: Quantity | None = None
    rise: Quantity | None = None


@dataclass(frozen=True, slots=True)
class NoteFacts:
    """What the note says. ``level`` is the most that this session's policy lets it show."""

    session: Session
    reading: Reading
    routine: Routine | None
    gymnast: Gymnast | None
    with_name: bool
    level: Policy
    ruling: Ruling | None
    correction: Correction | None
    looks: tuple[Look, ...]
    instants: tuple[Instant, ...]
    head: tuple[int, str]
    fault: str | None  # what is wrong with the journal's chain
    segment: Segment | None
    segment_sha256: str  # "" while it is still being recorded
    pictures: int
    missing: int

    @property
    def manifest(self) -> Manifest:
        """The session's manifest."""
        return self.session.manifest

    @property
    def consent(self) -> Consent:
        """What may be done with the pictures."""
        return self.gymnast.consent if self.gymnast else "this session only"

    @property
    def who(self) -> str:
        """The start number; the name only where it is switched on."""
        number = self.routine.start_number if self.routine else ""
        told = f"start number {number}" if number else "no start number"
        name = self.gymnast.name if self.gymnast and self.with_name else ""
        return f"{told}, {name}" if name else told

    @property
    def when(self) -> str:
        """Day and time of day of the release, as the recording machine's clock had it."""
        try:
            begun = datetime.fromisoformat(self.manifest.created)
        except ValueError:
            return ""
        if not 0 < self.manifest.created_ns <= self.reading.release_ns:  # a film has a clock of its own
            return f"{begun:%d %B %Y}"
        at = begun + timedelta(seconds=(self.reading.release_ns - self.manifest.created_ns) / NS)
        return f"{at:%d %B %Y, %H:%M:%S}"

    @property
    def bar(self) -> str:
        """The bar that heights are against."""
        reading = self.reading
        return words.bar_name(reading.rail, reading.drawing.line.label if reading.drawing else "")

    @property
    def measured(self) -> bool:
        """Whether heights are on the page."""
        return includes(self.level, "height") and self.reading.state != "withheld"


def collect(folder: Path, flight: str, *, with_name: bool = False) -> NoteFacts:
    """Read what the note says of one flight.

    Raises:
        RecordingError: no such session or flight, or the gymnast is not to be filmed.
    """
    session = Session.open(folder)
    with session.journal() as journal:
        reading = next((r for r in journal.readings() if r.flight == flight), None)
        if reading is None:
            known = ", ".join(r.flight for r in journal.readings()) or "none"
            raise RecordingError(f"{flight}: no such flight in {folder.name}; it has {known}")
        routine = next((r for r in journal.routines() if r.routine == reading.routine), None)
        gymnast = _gymnast(journal, routine)
        if gymnast is not None and gymnast.consent == "do not film":
            raise RecordingError(f"{flight}: the gymnast is not to be filmed, so no note is written")
        correction = next((c for c in journal.corrections() if c.flight == flight), None)
        looks = tuple(look for look in journal.looks() if look.flight == flight)
        ruling = next((r for r in journal.rulings() if r.flight == flight), None)
        head, fault, seals = journal.head(), journal.verify(), journal.seals()
    if not reading.release_ns or not reading.end_ns:
        raise RecordingError(f"{flight}: it has not settled yet; write the note once it has")
    segment = _segment(session.segments(), reading)
    times = [t for t in segment.t_ns if _about(reading, t)] if segment else []
    policy: Policy = "band" if session.manifest.training else "line"
    return NoteFacts(
        session=session,
        reading=reading,
        routine=routine,
        gymnast=gymnast,
        with_name=with_name,
        level=session.manifest.policy or policy,
        ruling=ruling,
        correction=correction if correction is not None and correction.height is not None else None,
        looks=looks,
        instants=instants(reading),
        head=head,
        fault=fault,
        segment=segment,
        segment_sha256=seals.get(segment.video.name, "") if segment else "",
        pictures=len(times),
        missing=_missing(times),
    )


def _gymnast(journal: Journal, routine: Routine | None) -> Gymnast | None:
    number = routine.start_number if routine else ""
    return next((g for g in journal.gymnasts() if number and g.start_number == number), None)


def instants(reading: Reading) -> tuple[Instant, ...]:
    """The four moments of a flight in order of time; of one without them release, top and end."""
    found = {m.name: Instant(m.name, m.t_ns, m.height, m.rise) for m in reading.moments if m.name in FOUR}
    for name, t_ns in (
        ("release", reading.release_ns),
        ("apex", reading.apex_ns),
        (reading.end_kind, reading.end_ns),
    ):
        if t_ns and name not in found:
            found[name] = Instant(name, t_ns)
    if reading.apex is not None and "apex" in found:  # the reading itself is what is told
        found["apex"] = replace(found["apex"], height=reading.apex)
    return tuple(sorted(found.values(), key=lambda instant: instant.t_ns))[:4]


def _about(reading: Reading, t_ns: int) -> bool:
    return reading.release_ns - BEFORE_NS <= t_ns <= reading.end_ns + AFTER_NS


def _segment(segments: Sequence[Segment], reading: Reading) -> Segment | None:
    for segment in segments:
        if segment.t_ns and segment.t_ns[0] <= reading.release_ns <= segment.t_ns[-1]:
            return segment
    return None


def _missing(times: Sequence[int]) -> int:
    """How many pictures are missing, judged by gaps against the usual distance."""
    from overlay.replay import FrameStore

    return FrameStore(tuple(times), [None] * len(times)).missing() if times else 0


# --- in words -------------------------------------------------------------------------------


def instant_words(facts: NoteFacts, instant: Instant) -> tuple[str, ...]:
    """What stands below a still: which moment, when, and the hips then."""
    after = (instant.t_ns - facts.reading.release_ns) / NS
    name = words.MOMENTS.get(instant.name, instant.name.replace("_", " "))
    said = [name, "at the release" if instant.name == "release" else f"{after:.2f} s after the release"]
    if facts.measured and instant.height is not None:
        cm = words.rounded_cm(instant.height.value)
        side = f"{abs(cm)} cm {'above' if cm > 0 else 'below'}" if cm else "at the bar"
        said.append(f"hips {side}, ± {words.give_or_take_cm(instant.height.u)} cm")
        if instant.rise is not None:
            said.append(words.short_rise(instant.rise))
    return tuple(said)


def _sentence(text: str) -> str:
    """Words as a sentence of their own."""
    return f"{text[:1].upper()}{text[1:]}."


def reading_words(facts: NoteFacts) -> tuple[str, ...]:
    """The reading in sentences, as far as the session's policy lets it be told."""
    reading = facts.reading
    said = [f"What it was: {words.family_words(reading.family)}."]
    if chosen := words.family_choice_sentence(reading):
        said.append(chosen)
    if not includes(facts.level, "height"):
        return (*said, "This session's display policy prints no heights and no bands.")
    if reading.state == "withheld" or reading.apex is None:
        return (*said, f"No height is given: {reading.reason or 'the picture did not allow a measurement'}.")
    said.append(_sentence(words.state_sentence(reading)))
    if facts.correction is not None and facts.correction.height is not None:
        by_hand = words.height_sentence(facts.correction.height, facts.bar)
        said.append(f"Corrected by hand by {facts.correction.by or 'somebody'}: {by_hand}.")
    if includes(facts.level, "band") and reading.band:
        chances = ", ".join(f"{c.band} {words.percent(c.p)}" for c in reading.chances)
        said.append(f"Band: {words.band_sentence(reading)}." + (f" Chances: {chances}." if chances else ""))
        if span := words.range_sentence(reading.range, facts.manifest.table):
            said.append(f"{_sentence(span)} It is no deduction, and ranges are never added up.")
    if reading.gravity is not None:
        said.append(_given(words.gravity_sentence(reading.gravity), reading.gravity))
    return tuple(said)


def measure_words(facts: NoteFacts) -> tuple[str, ...]:
    """The further measures, each with its give-or-take."""
    if not facts.measured:
        return ()
    return tuple(_given(m.sentence, m.quantity) for m in facts.reading.measures)


def _given(sentence: str, quantity: Quantity) -> str:
    """A sentence with its give-or-take before the full stop."""
    return f"{sentence.rstrip('.')} ({words.plus_minus(quantity)})."


def camera_words(facts: NoteFacts) -> tuple[str, ...]:
    """Where the camera stood and what that costs."""
    set_up = set_up_of(facts.manifest)
    place = set_up.place
    if set_up.distance_m is not None and set_up.height_m is not None:
        place = f"{set_up.distance_m:.1f} m away, {set_up.height_m:.1f} m high"
        if set_up.off_axis_rad is not None:
            place += f", {abs(set_up.off_axis_rad) * 57.29578:.0f} degrees off the bars' direction"
    said = [f"Camera: {place or 'its place is not written down'}."]
    if set_up.expected_u_m > 0:
        off = words.give_or_take_cm(set_up.expected_u_m)
        said.append(f"From this place the line may be off by {off} cm ({words.COVERAGE}).")
    bars = [f"{name.replace('_m', '').replace('_', ' ')} {size:.2f} m" for name, size in set_up.sizes.items()]
    if bars:
        said.append(f"Bars: {', '.join(bars)}.")
    gaps = f"{facts.missing} missing" if facts.missing else "none missing"
    said.append(f"Clip: {facts.pictures} pictures, {gaps}.")
    return tuple(said)


def look_words(facts: NoteFacts, most: int = 5) -> tuple[str, ...]:
    """Who looked, when, at which speeds, with how much drawn."""
    if not facts.looks:
        return ("Nobody's looking is on record.",)
    said = [f"{words.look_sentence(look)}." for look in facts.looks[-most:]]
    if more := len(facts.looks) - len(said):
        said.insert(0, f"{more} earlier; see the journal.")
    return tuple(said)


CAUTIONS: Final = (
    "Display aid only. The panel decides, under its own code of points.",
    "It gives no deduction and is no evidence for an inquiry unless the rules of this meet say so.",
    "Hips are estimated: check them against the plain pictures. Slow motion and repetition change how faults "
    "look: watch at true speed first. Detection can miss a flight or invent one; the full recording is kept.",
)


def keeping_words(facts: NoteFacts) -> str:
    """What may be done with the paper."""
    expires = facts.manifest.expires
    until = f" Delete it with the session, by {expires}." if expires else ""
    return f"Consent: {facts.consent}. It shows a person, often a minor: keep it with the session.{until}"


def checksum_words(facts: NoteFacts) -> tuple[str, ...]:
    """What the note can be held against later."""
    number, digest = facts.head
    chain = f"not whole: {facts.fault}" if facts.fault else "whole"
    said = [f"session {facts.session.folder.name}, flight {facts.reading.flight}, {facts.manifest.software}",
            f"journal row {number}, SHA-256 {digest}, chain {chain}"]  # fmt: skip
    if facts.segment is not None:
        seal = facts.segment_sha256 or "not sealed"
        said.append(f"{facts.segment.video.name} SHA-256 {seal}")
    if facts.manifest.rig_sha256:
        said.append(f"rig SHA-256 {facts.manifest.rig_sha256}")
    return tuple(said)

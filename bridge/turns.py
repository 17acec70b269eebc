"""One gymnast's flights over several sessions: which may be compared, and how many there were.

Heights from unlike set-ups do not share a graph: the bars must have the same sizes, and the camera must
have stood in much the same place and tell heights about as well. What is left out is counted, each with
its reason in words. A gymnast is only ever compared with herself.
"""

from __future__ import annotations

import math
import tomllib
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any, Final

from bridge.consent import ALLOWED
from bridge.errors import RecordingError
from bridge.journal import Consent
from bridge.messages import Outcome, Reading
from bridge.session import Manifest, Session

# How far set-ups may differ. Common practice, no source, except that bars are set to 1 cm.
SIZE_M: Final = 0.015
NEARER: Final = 1.25  # one distance over the other
HEIGHT_M: Final = 0.5
ANGLE_RAD: Final = math.radians(10)
BLURRIER: Final = 1.5  # one expected uncertainty over the other
SIZES: Final[dict[str, str]] = {
    "high_bar_m": "high bar",
    "low_bar_m": "low bar",
    "inner_diagonal_m": "diagonal between the bars",
    "mat_m": "mat",
}


@dataclass(frozen=True, slots=True)
class SetUp:
    """Bars and camera of a session, as far as its manifest says. Lengths in metres."""

    preset: str
    sizes: Mapping[str, float]  # as SIZES; empty where no bars stand
    place: str
    expected_u_m: float  # standard uncertainty expected of an apex; 0: not known
    distance_m: float | None = None
    height_m: float | None = None
    off_axis_rad: float | None = None


@dataclass(frozen=True, slots=True)
class Turn:
    """One measured flight, whose it was and how it came to be measured."""

    session: str  # name of the session's folder
    day: date
    training: bool
    set_up: SetUp
    gymnast: str  # start number or initials; "" where nobody said
    consent: Consent
    reading: Reading
    outcome: Outcome = ""
    warm_up: bool = False


@dataclass(frozen=True, slots=True)
class Comparison:
    """Flights that may be compared, oldest first, and why others were left out, with how many."""

    kept: tuple[Turn, ...]
    left_out: tuple[tuple[str, int], ...]


@dataclass(frozen=True, slots=True)
class DayLoad:
    """What one gymnast did on one day; a day of rest has neither."""

    day: date
    releases: int = 0
    dismounts: int = 0


def set_up_of(manifest: Manifest) -> SetUp:
    """The set-up that a manifest tells of. A rig that cannot be read tells of no bars."""
    try:
        rig: dict[str, Any] = tomllib.loads(manifest.rig_toml)
    except tomllib.TOMLDecodeError:
        rig = {}
    bars = _table(rig.get("apparatus"))
    camera, facts = _table(rig.get("camera")), manifest.camera
    return SetUp(
        preset=str(bars.get("preset", "")),
        sizes={name: float(v) for name in SIZES if isinstance(v := bars.get(name), int | float)},
        place=str(camera.get("place", "")),
        expected_u_m=facts.get("expected_u_m", 0.0),
        distance_m=facts.get("distance_m"),
        height_m=facts.get("height_m"),
        off_axis_rad=facts.get("off_axis_rad"),
    )


def _table(value: object) -> dict[str, Any]:
    return value if isinstance(value, dict) else {}


def turns_of(folder: Path) -> list[Turn]:
    """Every flight of a session that is over, in order.

    Raises:
        RecordingError: the folder is no session, or cannot be read.
    """
    session = Session.open(folder)
    manifest = session.manifest
    with session.journal() as journal:
        readings, routines = journal.readings(), {r.routine: r for r in journal.routines()}
        outcomes = {t.flight: t.outcome for t in journal.tags()}
        consents = {g.start_number: g.consent for g in journal.gymnasts()}
    set_up, day = set_up_of(manifest), day_of(manifest)
    turns = []
    for reading in readings:
        routine = routines.get(reading.routine)
        number = routine.start_number if routine else ""
        if reading.state == "provisional":
            continue
        turns.append(
            Turn(
                session=folder.name,
                day=day,
                training=manifest.training,
                set_up=set_up,
                gymnast=number,
                consent=consents.get(number, "this session only"),
                reading=reading,
                outcome=outcomes.get(reading.flight, ""),
                warm_up=routine.warm_up if routine else False,
            )
        )
    return turns


def day_of(manifest: Manifest) -> date:
    """The day on which a session was begun."""
    try:
        return datetime.fromisoformat(manifest.created).date()
    except ValueError:
        return datetime.fromtimestamp(0, UTC).date()


def gather(folders: Iterable[Path], today: date | None = None) -> tuple[list[Turn], list[str]]:
    """All flights of several sessions, oldest first, and the sessions that could not be taken, with why."""
    turns: list[Turn] = []
    refused: list[str] = []
    for folder in folders:
        try:
            if Session.open(folder).expired(today):
                refused.append(f"{folder.name}: the day until which it may be kept is past")
                continue
            turns += turns_of(folder)
        except RecordingError as error:
            refused.append(f"{folder.name}: {error}")
    return sorted(turns, key=lambda t: (t.day, t.session, t.reading.release_ns)), refused


def unlike(there: SetUp, here: SetUp) -> str:
    """Why heights of two set-ups do not belong together, or "" when they do."""
    for each in (there, here):
        if not each.preset and not each.sizes:
            return "it was not measured against bars"
    whole = there.sizes.keys() == here.sizes.keys() == SIZES.keys()
    if not whole and (there.preset, there.sizes.keys()) != (here.preset, here.sizes.keys()):
        return "the sizes of its bars are not all written down"
    for name, size in here.sizes.items():
        if abs(there.sizes[name] - size) > SIZE_M:
            return f"the {SIZES[name]} was at {there.sizes[name]:.2f} m, here {size:.2f} m"
    if moved := _moved(there, here):
        return moved
    if min(there.expected_u_m, here.expected_u_m) <= 0:
        return "how well its camera told heights is not known"
    if max(there.expected_u_m, here.expected_u_m) > BLURRIER * min(there.expected_u_m, here.expected_u_m):
        there_cm, here_cm = _cm(there.expected_u_m), _cm(here.expected_u_m)
        return f"its camera told heights to {there_cm} cm, this one to {here_cm} cm"
    return ""


def _moved(there: SetUp, here: SetUp) -> str:
    a, b = (there.distance_m, here.distance_m)
    if a is not None and b is not None:
        if max(a, b) > NEARER * min(a, b):
            return f"the camera stood {a:.0f} m away, here {b:.0f} m"
        if abs((there.height_m or 0.0) - (here.height_m or 0.0)) > HEIGHT_M:
            return f"the camera stood {there.height_m:.1f} m high, here {here.height_m:.1f} m"
        turned = abs((there.off_axis_rad or 0.0) - (here.off_axis_rad or 0.0))
        far = turned > ANGLE_RAD
        return f"the camera stood {math.degrees(turned):.0f} degrees further round" if far else ""
    if there.place and there.place == here.place:
        return ""
    return "where its camera stood is not written down"


def _cm(u_m: float) -> int:
    return math.ceil(200 * u_m - 1e-9)


def comparable(
    turns: Sequence[Turn], *, gymnast: str, family: str, rail: str, here: SetUp, session: str
) -> Comparison:
    """One gymnast's flights of one family that may be compared with those of ``session``.

    Args:
        turns: of all sessions, oldest first.
        gymnast: whose; nobody's are compared when it is not known.
        family: of the flights.
        rail: the bar they are measured against.
        here: the set-up they must be like.
        session: name of the folder of the session on show; the others are held against it.
    """
    kept: list[Turn] = []
    out: Counter[str] = Counter()
    for turn in turns if gymnast else ():
        reading = turn.reading
        if turn.gymnast != gymnast or reading.family != family or reading.rail != rail:
            continue
        if reason := _left_out(turn, here, session):
            out[reason] += 1
        else:
            kept.append(turn)
    return Comparison(tuple(kept), tuple(out.most_common()))


def _left_out(turn: Turn, here: SetUp, session: str) -> str:
    """Why a flight of hers is not compared, or ""."""
    if turn.consent == "do not film":
        return "she is not to be filmed"
    if turn.session != session:
        if not turn.training:
            return "a meet's start numbers do not tell who she is"
        if turn.consent not in ALLOWED["coaching"]:
            return "her consent was for that session only"
        if reason := unlike(turn.set_up, here):
            return reason
    if turn.reading.state != "settled" or turn.reading.apex is None:
        return "the reading was withheld"
    return "spotted" if turn.outcome == "spotted" else ""


def load(turns: Sequence[Turn], gymnast: str, until: date, days: int = 21) -> list[DayLoad]:
    """Releases and dismounts of one gymnast on each of the ``days`` up to ``until``, days of rest among them.

    Every flight counts, also one whose reading was withheld: it was flown all the same.
    """
    found = [t for t in turns if gymnast and t.gymnast == gymnast and t.consent != "do not film"]
    landed = Counter(t.day for t in found if t.reading.end_kind == "landing")
    caught = Counter(t.day for t in found if t.reading.end_kind != "landing")
    span = (until - timedelta(days=n) for n in reversed(range(days)))
    return [DayLoad(day, caught[day], landed[day]) for day in span]

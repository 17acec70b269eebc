"""The session as the hall sees it: whose flight is whose, how many, what may be compared. No Qt."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime

from bridge.journal import Consent
from bridge.messages import Outcome, Reading, Routine, Scene, Snapshot, StartList, Tag
from bridge.turns import SetUp, Turn, comparable


class TurnBook:
    """Scene, routines, readings and tags as they stand; gymnasts are told by start number or initials."""

    def __init__(self) -> None:
        self.scene: Scene | None = None
        self.routines: dict[int, Routine] = {}
        self.readings: dict[str, Reading] = {}
        self.tags: dict[str, Tag] = {}
        self.start_list: StartList | None = None

    def apply(self, body: object) -> None:
        """Take in a snapshot or one record."""
        match body:
            case Snapshot():  # it replaces everything
                self.scene, self.start_list = body.scene, body.start_list
                self.routines, self.readings, self.tags = {}, {}, {}
                for part in (*body.routines, *body.readings, *body.tags):
                    self.apply(part)
            case Scene():
                self.scene = body
            case Routine():
                self.routines[body.routine] = body
            case Reading():
                self.readings[body.flight] = body
            case Tag():
                self.tags[body.flight] = body
            case StartList():
                self.start_list = body

    @property
    def over(self) -> list[Reading]:
        """The flights that are over, in the order they were flown."""
        found = (r for r in self.readings.values() if r.state != "provisional")
        return sorted(found, key=lambda r: (r.release_ns, r.routine, r.number))

    def on_bars(self, reading: Reading) -> bool:
        """Whether the turn of a flight is still under way."""
        routine = self.routines.get(reading.routine)
        return routine is not None and routine.end_ns is None

    def gymnast(self, reading: Reading) -> str:
        """Whose flight it was; "" where nobody said."""
        routine = self.routines.get(reading.routine)
        return routine.start_number if routine else ""

    def consent(self, gymnast: str) -> Consent:
        """What may be done with her pictures."""
        for entry in self.start_list.entries if self.start_list and gymnast else ():
            if entry.number == gymnast:
                return entry.consent
        return "this session only"

    def outcome(self, flight: str) -> Outcome:
        """How a flight went, as tagged."""
        tag = self.tags.get(flight)
        return tag.outcome if tag else ""

    def place(self, reading: Reading) -> int:
        """The how manieth turn of hers this is, from 1; where nobody knows whose, of all such turns."""
        whose = self.gymnast(reading)
        turns = {r.routine for r in self.over if self.gymnast(r) == whose and r.routine <= reading.routine}
        return len(turns | {reading.routine})

    def counts(self, gymnast: str) -> tuple[int, int]:
        """Her releases that ended at a bar, and her dismounts, in this session so far."""
        hers = [r for r in self.over if self.gymnast(r) == gymnast]
        landed = sum(r.end_kind == "landing" for r in hers)
        return len(hers) - landed, landed

    def before(self, reading: Reading, past: Sequence[Turn], here: SetUp | None, name: str) -> list[Turn]:
        """Her comparable flights before this one, oldest first; nobody's when it is not known whose it was.

        Args:
            reading: the flight to compare with.
            past: flights of other sessions.
            here: the set-up of this session; None leaves the other sessions out.
            name: the folder name of this session.
        """
        gymnast = self.gymnast(reading)
        if not gymnast or here is None:
            past = ()
            here = here or SetUp(preset="", sizes={}, place="", expected_u_m=0.0)
        mine = [t for t in self.as_turns(here, name) if t.reading.release_ns < reading.release_ns]
        found = comparable(
            [*(t for t in past if t.session != name), *mine],
            gymnast=gymnast, family=reading.family, rail=reading.rail, here=here, session=name,
        )  # fmt: skip
        return list(found.kept)

    def as_turns(self, here: SetUp, name: str, day: date | None = None) -> list[Turn]:
        """The flights of this session, as those of other days come from their folders."""
        day = day or datetime.now().astimezone().date()
        return [
            Turn(
                session=name,
                day=day,
                training=True,
                set_up=here,
                gymnast=(gymnast := self.gymnast(reading)),
                consent=self.consent(gymnast),
                reading=reading,
                outcome=self.outcome(reading.flight),
            )
            for reading in self.over
        ]

"""What the viewer knows of the session, and which flight is chosen. No Qt here."""

from __future__ import annotations

import itertools

from bridge.messages import (
    Correction,
    Handstand,
    Look,
    Policy,
    Reading,
    Routine,
    Ruling,
    Scene,
    Snapshot,
    StartList,
)
from overlay.policy import first_level, limited


class SessionState:
    """Scene, routines, readings and rulings as they stand, and the judge's choices.

    The newest flight is chosen by itself until the judge has chosen another; then hers stays,
    until she asks for the newest again.
    """

    def __init__(self) -> None:
        self.scene: Scene | None = None
        self.routines: dict[int, Routine] = {}
        self.readings: dict[str, Reading] = {}
        self.rulings: dict[str, Ruling] = {}
        self.handstands: dict[str, Handstand] = {}
        self.looks: list[Look] = []
        self.corrections: dict[str, Correction] = {}
        self.start_list: StartList | None = None
        self.flight: str | None = None
        self.routine: int | None = None
        self.following = True
        self._wanted: Policy = "picture"
        self._drawn: Policy = "line"  # what was drawn last

    @property
    def level(self) -> Policy:
        """What is shown now: what the judge asked for, within the policy of the scene."""
        return "picture" if self.scene is None else limited(self._wanted, self.scene.policy)

    def show(self, level: Policy) -> None:
        """Ask for a level; the scene's policy still limits it."""
        if level != "picture":
            self._drawn = level
        self._wanted = level

    def toggle_plain(self) -> None:
        """From the drawn picture to the plain one, and back to what was drawn."""
        self._wanted = self._drawn if self.level == "picture" else "picture"

    @property
    def drawn_level(self) -> Policy:
        """What is drawn where a plain and a drawn picture stand side by side."""
        if self.scene is None:
            return "picture"
        return limited(self._drawn if self._wanted == "picture" else self._wanted, self.scene.policy)

    @property
    def reading(self) -> Reading | None:
        """The chosen flight's reading."""
        return self.readings.get(self.flight) if self.flight else None

    def flights(self, routine: int | None = None) -> tuple[Reading, ...]:
        """The readings of one routine (the one on show by default), in order."""
        wanted = self.routine if routine is None else routine
        found = (r for r in self.readings.values() if r.routine == wanted)
        return tuple(sorted(found, key=lambda r: r.number))

    def apply(self, body: object) -> None:
        """Take in a snapshot or one record."""
        match body:
            case Snapshot():  # it replaces everything
                self._take_scene(body.scene)
                self.routines, self.readings, self.rulings = {}, {}, {}
                self.handstands, self.looks, self.corrections = {}, [], {}
                kept = (body.routines, body.readings, body.rulings, body.handstands, body.looks)
                for part in (*itertools.chain(*kept), *body.corrections):
                    self._take(part)
                self.start_list = body.start_list
            case Scene():
                self._take_scene(body)
            case _:
                self._take(body)
        gone = self.flight is not None and self.flight not in self.readings
        if self.following or gone:
            self.following = True
            self._choose_newest()

    def choose(self, flight: str) -> None:
        """The judge chooses a flight; it stays chosen while others come."""
        self.following = False
        self.flight = flight
        self.routine = self.readings[flight].routine

    def choose_routine(self, routine: int) -> None:
        """The judge chooses a routine: its last flight is chosen."""
        self.following = False
        self.routine = routine
        flights = self.flights()
        self.flight = flights[-1].flight if flights else None

    @property
    def ended(self) -> Routine | None:
        """The routine that ended last, warm-up apart; while none has ended, the newest that has a flight."""
        over = [r for r in self.routines.values() if r.end_ns is not None]
        over = [r for r in over if not r.warm_up] or over
        if over:
            return max(over, key=lambda r: (r.end_ns or 0, r.routine))
        begun = [r for r in self.routines.values() if self.flights(r.routine)]
        return max(begun, key=lambda r: r.routine, default=None)

    def with_number(self, start_number: str) -> tuple[Routine, ...]:
        """The routines of a start number, the newest first; leading noughts do not count."""
        wanted = start_number.strip().lstrip("0").casefold()
        found = (r for r in self.routines.values() if r.start_number.lstrip("0").casefold() == wanted)
        return tuple(sorted(found, key=lambda r: -r.routine)) if wanted else ()

    def numbered(self, number: int) -> Reading | None:
        """The flight of the routine on show that bears this number."""
        return next((r for r in self.flights() if r.number == number), None)

    def neighbour(self, by: int) -> str | None:
        """The flight ``by`` places on in the routine, staying within it."""
        names = [r.flight for r in self.flights()]
        if not names:
            return None
        if self.flight not in names:
            return names[-1]
        return names[min(max(names.index(self.flight) + by, 0), len(names) - 1)]

    def follow(self) -> None:
        """Choose the newest flight, and every newer one as it comes."""
        self.following = True
        self._choose_newest()

    def _take_scene(self, scene: Scene) -> None:
        if self.scene is None or (scene.title, scene.training) != (self.scene.title, self.scene.training):
            self._wanted = first_level(scene)
            self._drawn = "line" if self._wanted == "picture" else self._wanted
        self.scene = scene

    def _take(self, body: object) -> None:
        match body:
            case Routine():
                self.routines[body.routine] = body
            case Reading():
                self.readings[body.flight] = body
            case Ruling():
                self.rulings[body.flight] = body
            case Handstand():
                self.handstands[body.handstand] = body
            case Look():
                self.looks.append(body)
            case Correction():
                self.corrections[body.flight] = body
            case StartList():
                self.start_list = body

    def _choose_newest(self) -> None:
        places = [r.routine for r in self.readings.values()] + list(self.routines)
        self.routine = max(places, default=None)
        flights = self.flights() if self.routine is not None else ()
        self.flight = flights[-1].flight if flights else None

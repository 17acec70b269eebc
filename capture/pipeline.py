"""From pictures to readings: one pipeline for a live feed and for a recording.

Every picture goes through the same three steps: the follower finds the gymnast's joints, the
flight watch turns joints into phases and readings, and the caller publishes, records or prints
what comes out. Only the feed and the clock differ between live and offline.
"""

from __future__ import annotations

import copy
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from bridge.messages import Handstand, Phase, Reading
from capture.bands import BandTable
from capture.by_hand import ByHand
from capture.camera import View
from capture.camera_guard import CameraGuard, Image, guard_for
from capture.family import FamilyChoices
from capture.feeds import Frame
from capture.flights import FlightWatch
from capture.follow import Follower
from capture.handstands import HandstandWatch, Record
from capture.observation import JointObservation
from capture.routines import RoutineCutter


@dataclass(frozen=True, slots=True)
class Step:
    """What one picture brought."""

    observation: JointObservation
    phase: Phase
    records: tuple[Record, ...]


class Pipeline:
    """Follows the gymnast through a feed, cuts her routines and reads her flights.

    What comes out depends on nothing but the pictures pushed since it was made, so that the same
    recorded pictures always give the same readings.

    Args:
        last_routine: number of the last routine before; the next one counts on from it.
        guard: withholds readings while the camera is not as it was at set-up.
    """

    def __init__(
        self,
        follower: Follower,
        watch: FlightWatch,
        last_routine: int = 0,
        guard: CameraGuard | None = None,
    ) -> None:
        self._follower = follower
        self._watch = watch
        self._guard = guard
        self._last_ns = 0
        self._routines = RoutineCutter(last=last_routine)
        self._handstands = HandstandWatch(watch.view, watch.table)
        # As they were before the first picture.
        self._fresh = copy.copy(follower), _twin(watch)

    @property
    def models(self) -> dict[str, str]:
        """File names and SHA-256 of the networks in use."""
        return self._follower.models

    @property
    def routine(self) -> int:
        """Number of the routine under way, or of the last one."""
        return self._routines.number

    @property
    def camera_problem(self) -> str:
        """Why readings are withheld now for the camera's sake, or ""."""
        return self._guard.reason if self._guard is not None else ""

    def family_choices(self, readings: Iterable[Reading]) -> FamilyChoices:
        """The panel's say in the families, with the band table and the view readings are made with."""
        return FamilyChoices(self._watch.table, self._watch.view, readings)

    def by_hand(self) -> ByHand:
        """Works corrections by hand out with the band table and the view readings are made with."""
        return ByHand(self._watch.table, self._watch.view)

    @property
    def camera_seen(self) -> tuple[float, float] | None:
        """Light and sharpness now, as parts of the survey's; None while they are not known."""
        return self._guard.seen if self._guard is not None else None

    def again(self, last_routine: int) -> Pipeline:
        """A pipeline as this one was before its first picture, on the same networks."""
        follower, watch = self._fresh
        guard = self._guard.again() if self._guard is not None else None
        return Pipeline(copy.copy(follower), _twin(watch), last_routine, guard)

    def fork(self) -> Pipeline:
        """One that goes on from where this one stands, on the same networks, without touching it."""
        twin = copy.copy(self)
        # A follower's state is values that it replaces, never changes; its networks are shared.
        twin._follower = copy.copy(self._follower)
        twin._watch, twin._routines = _twin(self._watch), copy.copy(self._routines)
        twin._handstands = _twin(self._handstands)
        twin._guard = self._guard.fork() if self._guard is not None else None
        return twin

    def push(self, frame: Frame) -> Step:
        """Take the next picture, in capture order."""
        self._last_ns = frame.t_ns
        if self._guard is not None:
            self._guard.look(frame.t_ns, frame.image)
        observation = self._follower.push(frame.t_ns, frame.image)
        readings = self._watch.push(observation)
        routines = self._routines.push(frame.t_ns, self._watch.phase)
        if routines and routines[0].end_ns is None:
            self._watch.begin_routine(self._routines.number)
            self._handstands.begin_routine(self._routines.number)
        handstands = self._handstands.push(self._watch.newest)
        return Step(observation, self._watch.phase, self._judged((*routines, *readings, *handstands)))

    def finish(self) -> tuple[Record, ...]:
        """Settle what is still open when the feed has ended."""
        return self._judged((*self._watch.finish(), *self._handstands.finish(), *self._routines.finish()))

    def _judged(self, records: tuple[Record, ...]) -> tuple[Record, ...]:
        if self.camera_problem:  # a lean is none while the vertical is not known
            records = tuple(r for r in records if not isinstance(r, Handstand))
        return records if self._guard is None else self._guard.judged(records, self._last_ns)


W = TypeVar("W", FlightWatch, HandstandWatch)


def _twin(watch: W) -> W:
    """A copy with a state of its own; what it looks through and looks up is shared."""
    return copy.deepcopy(watch, {id(shared): shared for shared in (watch.view, watch.table)})


def open_pipeline(
    view: View, table: BandTable, model: Path | None = None, still: Image | None = None
) -> Pipeline:
    """Load the networks and tie them to a view and a band table.

    Args:
        model: an ultralytics pose model (COCO-17) to use in place of the shipped networks.
        still: the survey's picture (h, w, 3) BGR; None: the feed's first second serves.

    Raises:
        ModelError: a network is missing or not the one its hash names.
    """
    return Pipeline(Follower.load(view, model), FlightWatch(view, table), guard=guard_for(view, still))

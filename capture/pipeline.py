"""From pictures to readings: one pipeline for a live feed and for a recording.

Every picture goes through the same three steps: the follower finds the gymnast's joints, the
flight watch turns joints into phases and readings, and the caller publishes, records or prints
what comes out. Only the feed and the clock differ between live and offline.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from bridge.messages import Phase, Reading, Routine
from capture.bands import BandTable
from capture.camera import View
from capture.feeds import Frame
from capture.flights import FlightWatch
from capture.follow import Follower
from capture.observation import JointObservation
from capture.routines import RoutineCutter


@dataclass(frozen=True, slots=True)
class Step:
    """What one picture brought."""

    observation: JointObservation
    phase: Phase
    records: tuple[Reading | Routine, ...]


class Pipeline:
    """Follows the gymnast through a feed, cuts her routines and reads her flights."""

    def __init__(self, follower: Follower, watch: FlightWatch) -> None:
        self._follower = follower
        self._watch = watch
        self._routines = RoutineCutter()

    @property
    def models(self) -> dict[str, str]:
        """File names and SHA-256 of the networks in use."""
        return self._follower.models

    def push(self, frame: Frame) -> Step:
        """Take the next picture, in capture order."""
        observation = self._follower.push(frame.t_ns, frame.image)
        readings = self._watch.push(observation)
        routines = self._routines.push(frame.t_ns, self._watch.phase)
        if routines and routines[0].end_ns is None:
            self._watch.begin_routine(self._routines.number)
        return Step(observation, self._watch.phase, (*routines, *readings))

    def finish(self) -> tuple[Reading | Routine, ...]:
        """Settle what is still open when the feed has ended."""
        return (*self._watch.finish(), *self._routines.finish())


def open_pipeline(view: View, table: BandTable, model: Path | None = None) -> Pipeline:
    """Load the networks and tie them to a view and a band table.

    Args:
        model: an ultralytics pose model (COCO-17) to use in place of the shipped networks.

    Raises:
        ModelError: a network is missing or not the one its hash names.
    """
    return Pipeline(Follower.load(view, model), FlightWatch(view, table))

"""From joints to readings: the one measurer, live and offline.

``FlightWatch`` takes one observation after the other and answers with readings: provisional just after
the apex, settled (or withheld, with the reason) after regrasp or landing.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from bridge.messages import Drawing, FamilyChance, PathPoint, Phase, Quantity, Reading
from capture.backswing import backswing, given_up
from capture.ballistics import GRAVITY, Flightpath, check_gravity
from capture.bands import BandTable
from capture.camera import View
from capture.drawing import line_of, scale_of
from capture.elements import families
from capture.falls import fall_in
from capture.family import banded, rail_of
from capture.measures import HipPath, SetUp, features_of, measure
from capture.observation import JointObservation
from capture.phases import (
    FASTEST_G,
    NS,
    SHORTEST_S,
    SLOWEST_G,
    Edge,
    Given,
    Grip,
    Left,
    PhaseWatch,
    Sample,
    Span,
    fit_samples,
    hands_jump,
    held_still,
    refine,
    sample_of,
)
from capture.uncertainty import combine

Floats = NDArray[np.float64]

HISTORY_NS: Final = 20 * NS
SETTLE_NS: Final = 300_000_000  # pictures after the end that a settled reading waits for
MARGIN_NS: Final = 450_000_000  # pictures before the release that it looks at
PAST_APEX_S: Final = 0.045  # pictures past the apex that a provisional reading waits for
FEWEST_SEEN: Final = 0.5  # share of a flight's pictures that must show her
# g known no better than this share proves no flight: where hands were seen to leave a rail, and where
# the fall alone must tell.
UNTESTED: Final = 0.25
UNTESTED_ALONE: Final = 0.08
HOP_M: Final = 0.30  # away from the bars a rise or fall of less is a hop, which is no flight worth reading


@dataclass(slots=True)
class _Open:
    """A flight under way or waiting to be settled."""

    left: Left
    number: int = 0  # given on first publication
    shown: bool = False
    span: Span | None = None


class FlightWatch:
    """Finds and measures the flights of a routine, picture by picture."""

    def __init__(self, view: View, table: BandTable, routine: int = 1) -> None:
        self.view = view
        self.table = table
        self._set_up = SetUp(view)
        self._phases = PhaseWatch(view)
        self._history: deque[Sample] = deque()
        self._open: _Open | None = None
        self._waiting: list[_Open] = []
        self._swings: list[Reading] = []  # settled, and the swing after the regrasp still to be seen
        self._routine = routine
        self._count = 0

    @property
    def newest(self) -> Sample:
        """The newest picture's joints in the flight plane; there must have been one."""
        return self._history[-1]

    @property
    def phase(self) -> Phase:
        """The gymnast's phase in the newest picture."""
        return self._phases.phase

    def begin_routine(self, routine: int) -> None:
        """Count flights from 1 again, for another routine."""
        self._routine, self._count = routine, 0

    def push(self, observation: JointObservation) -> list[Reading]:
        """Take the next picture's joints; times must increase. Returns what has become known."""
        if self._history and observation.t_ns <= self._history[-1].t_ns:
            raise ValueError(f"picture at {observation.t_ns} ns is not later than the one before it")
        sample = sample_of(observation, self.view)
        self._history.append(sample)
        while self._history[0].t_ns < sample.t_ns - HISTORY_NS:
            self._history.popleft()

        out: list[Reading] = []
        event = self._phases.push(sample)
        if isinstance(event, Left):
            self._open = _Open(event)
        elif isinstance(event, Span) and self._open is not None:
            self._open.span = event
            self._waiting.append(self._open)
            self._open = None
        elif isinstance(event, Given) and self._open is not None:
            out += self._given(self._open, event)
            self._open = None
        if self._open is not None and not self._open.shown and self._phases.phase == "flight":
            out += self._provisional(self._open, sample.t_ns)
        out += self._settle(sample.t_ns)
        out += self._swung(sample.t_ns)
        return out

    def finish(self) -> list[Reading]:
        """Settle what still waits; call when the feed has ended."""
        out = self._settle(None)
        if self._open is not None and self._history:
            left = self._open.left
            falling = self._phases.phase == "flight"
            given = Given(
                left.first_ns, self._history[-1].t_ns, left.rail, "lost" if falling else "not falling"
            )
            out += self._given(self._open, given)
            self._open = None
        return out

    # --- readings ---------------------------------------------------------------------------

    def _name(self, flight: _Open) -> tuple[str, int]:
        if flight.number == 0:
            self._count += 1
            flight.number = self._count
        return f"r{self._routine}-f{flight.number}", flight.number

    def _between(self, begin_ns: int, end_ns: int) -> list[Sample]:
        return [s for s in self._history if begin_ns <= s.t_ns <= end_ns]

    def _withheld(
        self, flight: _Open, begin_ns: int, end_ns: int, reason: str, g: Quantity | None = None
    ) -> Reading:
        name, number = self._name(flight)
        span = flight.span
        return Reading(
            flight=name,
            routine=self._routine,
            number=number,
            state="withheld",
            reason=reason,
            rail=self._rail("", flight.left.rail),
            start_rail=flight.left.rail,
            end_rail=span.end_rail if span is not None else "",
            release_ns=begin_ns,
            apex_ns=(begin_ns + end_ns) // 2,
            end_ns=end_ns,
            end_kind=span.end_kind if span is not None else "landing",
            gravity=g if g is not None and math.isfinite(g.value) else None,
        )

    def _given(self, flight: _Open, event: Given) -> list[Reading]:
        """She was lost, or no end was seen: withheld when it was a flight, else nothing."""
        if event.why == "lost" and (flight.shown or self._was_flight(event)):
            reason = "she was lost from view before the regrasp or landing"
        elif flight.shown:
            reason = "what looked like a flight had no end; the picture shows no regrasp or landing"
        else:
            return []
        return [self._withheld(flight, event.first_ns, event.last_ns, reason)]

    def _was_flight(self, event: Given) -> bool:
        inside = self._between(event.first_ns, event.last_ns)
        free = fit_samples(inside, event.first_ns, 0.0, (event.last_ns - event.first_ns) / NS, None)
        return (
            free is not None
            and SLOWEST_G < free.g_m_s2 < FASTEST_G
            and free.u_g < 0.25 * free.g_m_s2
            and free.t_last_s - free.t_first_s > 0.2
        )

    def _rail(self, family: str, start_rail: str) -> str:
        return rail_of(self.table, self.view, family, start_rail)

    def _provisional(self, flight: _Open, now_ns: int) -> list[Reading]:
        """The apex from the pictures so far, once the hips have begun to fall."""
        origin = flight.left.first_ns
        now = (now_ns - origin) / NS
        samples = self._between(origin - MARGIN_NS, now_ns)
        path = fit_samples(samples, origin, 0.0, now)
        free = fit_samples(samples, origin, 0.0, now, None)
        if path is None or free is None:
            return []
        hips = HipPath(samples, origin, path, 0.0, now)
        apex_s = hips.apex(0.0, now)
        if now - apex_s < PAST_APEX_S:
            return []
        if not free.g_m_s2 + 2 * free.u_g > SLOWEST_G or free.g_m_s2 - 2 * free.u_g > FASTEST_G:
            return []
        if not self.view.rails:
            # A parabola goes on where she may have landed: the fall must have been seen.
            inside = self._between(origin, now_ns)
            seen = np.array([s.com[1] for s in inside if math.isfinite(s.com[1])])
            u_g = check_gravity(free, 0.02).g.u
            if np.ptp(seen) < HOP_M or not self._stands_alone(path, u_g, 0.0, now, inside):
                return []
        family = "low_to_high" if flight.left.rail == "low" else "salto_regrasp"
        rail = self._rail("", flight.left.rail)
        place, _, u, _ = hips.at(apex_s)
        # A path that is still short may lean: the last pictures weigh more than they will.
        height = Quantity(
            float(place[0, 1]) - self.view.zero_m(rail),
            combine([2 * float(u[0]), self._set_up.height_u_m(place[0], rail)]),
            "m",
        )
        call = self.table.call(family, height.value, height.u)
        name, number = self._name(flight)
        flight.shown = True
        return [
            Reading(
                flight=name,
                routine=self._routine,
                number=number,
                state="provisional",
                rail=rail,
                start_rail=flight.left.rail,
                release_ns=origin,
                apex_ns=origin + round(apex_s * NS),
                end_ns=now_ns,
                apex=height,
                band=call.band if call else "",
                band_p=call.p if call else 0.0,
                chances=call.chances if call else (),
                drawing=self._drawing(hips, samples, origin, 0.0, now, apex_s, rail),
            )
        ]

    def _settle(self, now_ns: int | None) -> list[Reading]:
        out: list[Reading] = []
        for flight in list(self._waiting):
            assert flight.span is not None
            if now_ns is not None and now_ns < flight.span.last_ns + SETTLE_NS:
                continue
            self._waiting.remove(flight)
            reading = self._settled(flight, flight.span)
            if reading is not None:
                out.append(reading)
                if (reading.state, reading.start_rail, reading.end_rail) == ("settled", "low", "high"):
                    self._swings.append(reading)
        return out

    def _swung(self, now_ns: int) -> list[Reading]:
        """Readings of flights from the low rail up, once the swing after the regrasp has turned round."""
        out = []
        for reading in list(self._swings):
            rail = next(r for r in self.view.rails if r.name == reading.end_rail)
            swing = backswing(self._between(reading.end_ns, now_ns), reading.end_ns, rail)
            if swing is not None:
                measures = banded((*reading.measures, swing), reading.family, self.table)
                out.append(msgspec.structs.replace(reading, measures=measures))
            if swing is not None or given_up(now_ns, reading.end_ns) or self._open is not None:
                self._swings.remove(reading)
        return out

    def _settled(self, flight: _Open, span: Span) -> Reading | None:
        origin = span.first_ns
        samples = self._between(origin - MARGIN_NS, span.last_ns + SETTLE_NS + NS // 20)
        inside = [s for s in samples if origin <= s.t_ns <= span.last_ns]
        seen = sum(bool(np.isfinite(s.com).all()) for s in inside)
        grips = tuple(self._phases.grip(r) if r else Grip() for r in (span.start_rail, span.end_rail))
        found = refine(samples, span, self.view.rails, (grips[0], grips[1]), self.view.floor_m)
        if found is None or seen < max(5, FEWEST_SEEN * len(inside)):
            if flight.shown:
                return self._withheld(
                    flight, origin, span.last_ns, "too few pictures of the flight show her joints"
                )
            return None
        start, end, path = found
        free = fit_samples(samples, origin, start.t_s + 0.004, end.t_s - 0.004, None)
        begin_ns, end_ns = origin + round(start.t_s * NS), origin + round(end.t_s * NS)
        if free is None or not self._is_flight(free.g_m_s2, free.u_g, start, end):
            if not flight.shown:
                return None
            return self._withheld(
                flight, begin_ns, end_ns, "not a flight after all: the body was not falling freely"
            )
        middle_s = path.t0_s
        low, high = path.at([end.t_s, middle_s])
        scale_u = self._set_up.scale_u(low, high) if abs(high[1] - low[1]) > 0.02 else 0.02
        check = check_gravity(free, scale_u)
        if not self.view.rails and not self._stands_alone(path, check.g.u, start.t_s, end.t_s, inside):
            if not flight.shown:
                return None
            reason = "not a flight after all: a hop, or the body was not seen to fall freely"
            return self._withheld(flight, begin_ns, end_ns, reason, check.g)
        # Hands that the network misplaced for a few pictures look like a very short flight.
        jumped = check.g.u > UNTESTED_ALONE * GRAVITY and hands_jump(samples, span, self.view.rails)
        if jumped or (not check.passed and check.g.u > UNTESTED * GRAVITY):
            if not flight.shown:
                return None
            reason = "not a flight after all: the hands were not seen clearly"
            return self._withheld(flight, begin_ns, end_ns, reason, check.g)
        if not check.passed:
            if not self.view.rails and not flight.shown:
                return None  # only the fall could have told that it was a flight
            return self._withheld(flight, begin_ns, end_ns, check.reason, check.g)

        features = features_of(samples, origin, span, start, end, path, self.view)
        fall = fall_in(samples, span, start, end, path, features.turns, self.view.rails)
        if fall is not None and fall.sure:
            return self._withheld(flight, begin_ns, end_ns, fall.reason, check.g)
        chances = families(features) if self.view.rails else {"": 0.0}
        family = max(chances, key=lambda name: chances[name])
        rail = self._rail(family, span.start_rail)
        figures = measure(samples, origin, span, start, end, path, self._set_up, rail)
        call = self.table.call(family, figures.apex.value, figures.apex.u)
        hips = HipPath(samples, origin, path, start.t_s, end.t_s)
        name, number = self._name(flight)
        return Reading(
            flight=name,
            routine=self._routine,
            number=number,
            state="settled",
            reason=fall.reason if fall is not None else figures.doubt,
            family=family,
            family_p=chances[family],
            families=tuple(
                FamilyChance(name, p) for name, p in sorted(chances.items(), key=lambda c: -c[1]) if name
            ),
            rail=rail,
            start_rail=span.start_rail,
            end_rail=span.end_rail,
            release_ns=begin_ns,
            apex_ns=origin + round(figures.apex_s * NS),
            end_ns=end_ns,
            end_kind=span.end_kind,
            apex=figures.apex,
            band=call.band if call else "",
            band_p=call.p if call else 0.0,
            chances=call.chances if call else (),
            range=call.range if call else None,
            gravity=check.g,
            moments=figures.moments,
            measures=banded(figures.measures, family, self.table),
            drawing=self._drawing(hips, samples, origin, start.t_s, end.t_s, figures.apex_s, rail),
        )

    @staticmethod
    def _stands_alone(
        path: Flightpath, u_g: float, begin_s: float, end_s: float, inside: Sequence[Sample]
    ) -> bool:
        """Whether a fall is a flight although no hands were seen to leave a rail.

        The fall must be long enough to know g, no hand or foot may have stayed where it was, and the
        centre of mass must have risen or fallen by more than a hop.
        """
        highest = path.at(min(max(path.apex_s, begin_s), end_s))[1]
        lowest = path.at([begin_s, end_s])[:, 1].min()
        return bool(u_g <= UNTESTED_ALONE * GRAVITY and highest - lowest > HOP_M) and not held_still(inside)

    @staticmethod
    def _is_flight(g: float, u_g: float, start: Edge, end: Edge) -> bool:
        if end.t_s - start.t_s < SHORTEST_S:
            return False
        return g + 2 * u_g > SLOWEST_G and g - 2 * u_g < FASTEST_G and u_g < 0.5 * GRAVITY

    def _drawing(
        self,
        hips: HipPath,
        samples: Sequence[Sample],
        origin_ns: int,
        begin_s: float,
        end_s: float,
        apex_s: float,
        rail: str,
    ) -> Drawing:
        inside = [s.t_ns for s in samples if begin_s <= (s.t_ns - origin_ns) / NS <= end_s]
        times = np.array([(t - origin_ns) / NS for t in inside])
        place, *_ = hips.at(np.append(times, apex_s))
        px = self.view.project_plane(place)
        path = tuple(
            PathPoint(t, float(x), float(y))
            for t, (x, y) in zip(inside, px[:-1], strict=True)
            if math.isfinite(x)
        )
        return Drawing(
            line=line_of(self.view, rail),
            hips=path,
            apex=(float(px[-1, 0]), float(px[-1, 1])),
            scale=scale_of(self.view, rail, place[-1]),
        )


def measure_track(
    observations: Iterable[JointObservation], view: View, table: BandTable, routine: int = 1
) -> list[Reading]:
    """The last reading of every flight of a recorded track: the same class, fed everything."""
    watch = FlightWatch(view, table, routine)
    latest: dict[str, Reading] = {}
    for observation in observations:
        for reading in watch.push(observation):
            latest[reading.flight] = reading
    for reading in watch.finish():
        latest[reading.flight] = reading
    return list(latest.values())

"""Handstands on casts and giants: how near to the vertical she comes, and how straight the body is there.

A handstand is a visit of a stretched body, hands on a rail, to the sector above it; what counts is the
moment when the line from hands to feet is nearest to the vertical. Toes are not among the joints: the
line ends at the ankles, which in a stretched body lie on it.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bridge.messages import Handstand, Quantity, Reading, Routine
from bridge.skeleton import INDEX
from capture.bands import BandTable
from capture.body import complete, middle
from capture.camera import JOINT_BIAS_U_M, OFF_PLANE_U_M, View, spread_of
from capture.phases import NS, Sample, times_s
from capture.rig import Rail
from capture.shape import belly_side
from capture.smoothing import smooth
from capture.uncertainty import combine

Floats = NDArray[np.float64]
Way = Literal["giant", "cast", "held", ""]
Record = Reading | Routine | Handstand  # what a picture may bring, for the journal and for everybody

# The figures below are our own choices; none comes from a publication.
ENTER_RAD: Final = math.radians(70)  # a body this near to the vertical over its hands is on its way
LEAVE_RAD: Final = math.radians(80)
HOLDS_M: Final = 0.25  # a hand this near to a rail holds it
STRETCHED: Final = 0.80  # hands to feet, as a share of the longest that was seen
HIPS_OVER: Final = 0.10  # hips over the hands, as a share of that length
FEWEST: Final = 5  # pictures of a visit
LOST_NS: Final = NS // 4  # unseen or off the rail so long, the visit is over
LONGEST_NS: Final = 8 * NS  # a visit is told after that at the latest
SEEN_NS: Final = 3 * NS  # so long before it is looked how she came
ABOUT_S: Final = 0.25  # pictures to either side that smooth the moment
HANG_RAD: Final = math.radians(60)  # feet this near to straight below the hands: she hung
SUPPORT_M: Final = 0.40  # hips this near to the rail, trunk upright: she was in support
THROUGH_RAD: Final = math.radians(1.5)  # nearer to the vertical than this, no side is told
FLOWN_RAD: Final = math.radians(25)  # a visit that begins or ends nearer to the vertical is a handstand
PAUSE_RAD_S: Final = math.radians(20)  # a line that leans on more slowly pauses
ON_LINE_M: Final = 0.03  # hips less than this off the line are on it
_WRISTS: Final = (INDEX["right_wrist"], INDEX["left_wrist"])


@dataclass(frozen=True, slots=True)
class _Seen:
    """One picture of a body over a rail."""

    sample: Sample
    rail: Rail
    lean_rad: float  # of the line hands to feet, from up towards +x
    length_m: float


class HandstandWatch:
    """Follows the line from hands to feet picture by picture, and tells each handstand once it is over."""

    def __init__(self, view: View, table: BandTable, routine: int = 1) -> None:
        self.view, self.table = view, table
        self._routine, self._count = routine, 0
        self._history: deque[Sample] = deque()
        self._visit: list[_Seen] = []
        self._before: tuple[Sample, ...] = ()
        self._longest_m = 0.0
        self._late: list[Handstand] = []

    def begin_routine(self, routine: int) -> None:
        """Count handstands from 1 again, for another routine."""
        self._late += self.finish()  # of the routine before
        self._routine, self._count = routine, 0

    def push(self, sample: Sample) -> list[Handstand]:
        """Take the next picture; times must increase. Returns a handstand that is over."""
        if not self.view.rails:
            return []
        late, self._late = self._late, []
        return late + self._push(sample)

    def _push(self, sample: Sample) -> list[Handstand]:
        seen = self._over_rail(sample)
        self._history.append(sample)
        while self._history[0].t_ns < sample.t_ns - SEEN_NS:
            self._history.popleft()
        if not self._visit:
            if seen is not None and abs(seen.lean_rad) < ENTER_RAD:
                self._visit, self._before = [seen], tuple(self._history)[:-1]
            return []
        first, last = self._visit[0], self._visit[-1]
        if seen is not None and seen.rail.name == last.rail.name and abs(seen.lean_rad) < LEAVE_RAD:
            self._visit.append(seen)
            over = sample.t_ns - first.sample.t_ns > LONGEST_NS
        else:
            over = seen is not None or sample.t_ns - last.sample.t_ns > LOST_NS
        return self.finish() if over else []

    def finish(self) -> list[Handstand]:
        """Tell the handstand that is still being held; call when the feed has ended."""
        visit, self._visit = self._visit, []
        late, self._late = self._late, []
        found = self._told(visit) if len(visit) >= FEWEST else None
        return [*late, found] if found is not None else late

    def _over_rail(self, sample: Sample) -> _Seen | None:
        """The line from hands to feet of a stretched body whose hips and feet are over the hands."""
        joints = complete(sample.joints)
        hip, ankle = middle(joints, "hip"), middle(joints, "ankle")
        hands = sample.joints[list(_WRISTS)]
        if not (np.isfinite(hip).all() and np.isfinite(ankle).all() and np.isfinite(hands).any()):
            return None
        away = {r: np.linalg.norm(hands - r.axis, axis=1) for r in self.view.rails}
        rail = min(away, key=lambda r: float(np.nanmin(away[r])))
        if np.nanmin(away[rail]) > HOLDS_M:
            return None
        grip = hands[away[rail] <= HOLDS_M].mean(axis=0)
        line = ankle - grip
        length = float(np.linalg.norm(line))
        # The longest body that was seen, forgotten slowly should a picture have been wrong.
        self._longest_m = max(length if length < 2.6 else 0.0, 0.9998 * self._longest_m)
        stretched = length > STRETCHED * self._longest_m
        if not stretched or hip[1] - grip[1] < HIPS_OVER * length or ankle[1] < hip[1]:
            return None
        return _Seen(sample, rail, math.atan2(float(line[0]), float(line[1])), length)

    def _told(self, visit: Sequence[_Seen]) -> Handstand | None:
        origin = visit[0].sample.t_ns
        lean = np.array([s.lean_rad for s in visit])
        t = times_s([s.sample for s in visit], origin)
        sigma = np.array([_end_u_m(s.sample) / s.length_m for s in visit])
        grid = np.arange(t[0], t[-1] + 1e-9, 0.01) if t[-1] > 0.05 else t
        found = smooth(t, lean[:, None], sigma, grid)
        course, rate = found.value[:, 0], found.slope[:, 0]
        if not np.isfinite(course).all():
            return None
        nearest = int(np.argmin(np.abs(course)))
        crosses = np.flatnonzero(np.diff(np.sign(course)) != 0)
        if len(crosses):
            nearest = int(crosses[0])
        elif nearest in (0, len(grid) - 1) and abs(course[nearest]) > FLOWN_RAD:
            # On the way from or to a flight, or folding on the way down: what counts is where she paused.
            paused = np.flatnonzero(np.abs(rate) < PAUSE_RAD_S)
            if not len(paused):
                return None
            nearest = int(paused[np.argmin(np.abs(course[paused]))])
        at_s = float(grid[nearest])
        figures = _Figures([s.sample for s in visit], t, at_s, visit[0].rail, self.view)
        angle, u_angle = abs(figures.lean_rad), figures.lean_u
        if len(crosses):
            angle = 0.0
        way = self._way(visit[0].rail)
        side: Literal["short", ""] = "short" if angle > THROUGH_RAD else ""
        belly = belly_side(complete(np.array([s.joints for s in (*self._before, *_samples(visit))])))
        hips, shoulders = figures.hips_off, figures.shoulders_off
        shape: Literal["arch", "pike", ""] = ""
        if belly and abs(hips.value) > ON_LINE_M:
            # On her hands she faces the other way than upright; hips to the belly's side are an arch.
            shape = "arch" if hips.value * belly < 0 else "pike"
        self._count += 1
        call = self.table.call_angle("handstand", angle, u_angle)
        return Handstand(
            handstand=f"r{self._routine}-h{self._count}",
            routine=self._routine,
            number=self._count,
            t_ns=origin + round(at_s * NS),
            rail=visit[0].rail.name,
            way=way,
            angle=Quantity(angle, u_angle, "rad"),
            side=side,
            hips_off=Quantity(abs(hips.value), hips.u, "m"),
            shape=shape,
            shoulders_off=Quantity(abs(shoulders.value), shoulders.u, "m"),
            sentence=_sentence(way, visit[0].rail.name, angle, side, hips.value, shape, shoulders.value),
            band=call.band if call else "",
            band_p=call.p if call else 0.0,
            range=call.range if call else None,
        )

    def _way(self, rail: Rail) -> Way:
        """Whether she came from a hang or from support, whichever was later."""
        for sample in reversed(self._before):
            joints = complete(sample.joints)
            hip, shoulder, ankle = (middle(joints, name) for name in ("hip", "shoulder", "ankle"))
            if not np.isfinite([hip, shoulder, ankle]).all():
                continue
            feet = ankle - rail.axis
            if abs(math.atan2(float(feet[0]), float(-feet[1]))) < HANG_RAD and hip[1] < rail.axis[1] - 0.5:
                return "giant"
            near = np.linalg.norm(hip - rail.axis) < SUPPORT_M and hip[1] > rail.axis[1] - 0.1
            if near and shoulder[1] > hip[1] + 0.2:
                return "cast"
        return ""


class _Figures:
    """What is measured at one moment: the line's lean, and hips and shoulders off it (+ towards +x).

    Seen upside down, "+ towards +x" of a body whose hips are off the line to that side.
    """

    def __init__(self, samples: Sequence[Sample], t: Floats, at_s: float, rail: Rail, view: View) -> None:
        near = [s for s, when in zip(samples, t, strict=True) if abs(when - at_s) <= ABOUT_S]
        when = np.array([v for v in t if abs(v - at_s) <= ABOUT_S])
        joints = complete(np.array([s.joints for s in near]))
        hands = np.array([s.joints[list(_WRISTS)] for s in near])
        off = np.linalg.norm(hands - rail.axis, axis=2, keepdims=True) > HOLDS_M
        grip = np.nanmean(np.where(off, np.nan, hands), axis=1)
        points = [grip, *(middle(joints, name) for name in ("shoulder", "hip", "ankle"))]
        sigma = np.array([_end_u_m(s) for s in near])
        found = [smooth(when, p, sigma, [at_s]) for p in points]
        xz = np.array([f.value[0] for f in found])  # (4, 2): hands, shoulders, hips, feet
        u = np.array([float(f.u_value[0]) for f in found])
        px = view.project_plane(xz)
        set_up = spread_of(view, lambda v: _line(v.to_plane(px)))
        beside = _line(view.to_plane(view.project_plane(xz, OFF_PLANE_U_M))) - _line(xz)
        lean, shoulders, hips = _line(xz)
        length = float(np.linalg.norm(xz[3] - xz[0]))
        ends = combine([float(u[0]), float(u[3]), math.sqrt(2) * JOINT_BIAS_U_M])
        self.lean_rad = float(lean)
        self.lean_u = combine([ends / length, float(set_up[0]), float(beside[0])])

        def off_line(value: float, index: int, own: float) -> Quantity:
            share = float(np.linalg.norm(xz[1 if index == 1 else 2] - xz[0])) / length
            parts = [own, JOINT_BIAS_U_M, (1 - share) * float(u[0]), share * float(u[3])]
            parts += [(1 - share) * JOINT_BIAS_U_M, share * JOINT_BIAS_U_M]
            return Quantity(value, combine([*parts, float(set_up[index]), float(beside[index])]), "m")

        self.shoulders_off = off_line(float(shoulders), 1, float(u[1]))
        self.hips_off = off_line(float(hips), 2, float(u[2]))


def _line(xz_m: ArrayLike) -> Floats:
    """Lean of the line hands to feet from up towards +x, and shoulders and hips off it, of (4, 2) points."""
    hands, shoulders, hips, feet = np.asarray(xz_m, dtype=float)
    line = feet - hands
    across = np.array([line[1], -line[0]]) / np.linalg.norm(line)  # towards +x of an upright line
    return np.array(
        [math.atan2(line[0], line[1]), float((shoulders - hands) @ across), float((hips - hands) @ across)]
    )


def _end_u_m(sample: Sample) -> float:
    """Standard uncertainty of the middle of two joints, one standing for all four ends."""
    known = sample.sigma_m[np.isfinite(sample.sigma_m)]
    return max(float(np.median(known)) / math.sqrt(2), 1e-3) if len(known) else 0.01


def _samples(visit: Sequence[_Seen]) -> list[Sample]:
    return [seen.sample for seen in visit]


_CAME: Final[dict[str, str]] = {
    "giant": "Giant to handstand",
    "cast": "Cast to handstand",
    "held": "Handstand",
    "": "Handstand",
}


def _sentence(
    way: Way, rail: str, angle: float, side: str, hips_m: float, shape: str, shoulders_m: float
) -> str:
    degrees = f"{math.degrees(angle):.0f} degrees"
    near = f"{degrees} short of the vertical" if side else "to the vertical"
    how = {"arch": ", arched", "pike": ", piked"}.get(shape, "")
    return (
        f"{_CAME[way]} on the {rail} bar: {near}; the hips were {abs(100 * hips_m):.0f} cm and "
        f"the shoulders {abs(100 * shoulders_m):.0f} cm off the line from hands to feet{how}."
    )

"""Whether what came down to the mat, or seemed to take a rail again, was a fall.

A dismount leaves the rail behind: she travels away from it, makes a salto and never has a rail within
reach again. A missed regrasp brings the hands past a rail that they do not hold; a slip brings her down
below the rail or between the rails. What no dismount does withholds the reading; what a dismount hardly
ever does is stated as a doubt.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from bridge.skeleton import INDEX
from capture.ballistics import Flightpath
from capture.body import complete, middle
from capture.phases import GRIP_M, NEAR_M, NS, Edge, Sample, Span, times_s
from capture.rig import Rail

Floats = NDArray[np.float64]

# Our own choices from the description of the elements, tried on simulated falls and dismounts.
CLEAR_S: Final = 0.3  # by then a dismount has carried the shoulders out of reach of the rail
ARM_M: Final = 0.54  # shoulder to wrist where it was not seen: de Leva's female mean, straight
WITHIN: Final = 1.15  # a shoulder this many times an arm's reach from a rail could have held it
STEADY_S: Final = 0.05  # what a hand does for less is not believed
# Eight women at the 1994 World Championships left for their dismounts at 1.33 m/s on average (S. Prassas,
# ISBS abstract): well below half of it is slower than a safe dismount.
SLOW_M_S: Final = 0.5
LEAST_TURNS: Final = 0.5  # of a dismount: one salto is about 0.75 turns from hang to feet
AFTER_S: Final = (0.18, 0.30)  # so long after hands met a rail they must be seen to hold it
GONE_M: Final = 0.30  # hands this far from a rail do not hold it
FOREARM_M: Final = 0.26  # de Leva's female mean
ELBOW_M: Final = 0.06  # elbows this much farther from a rail than a held one allows prove it
SAG_M: Final = 0.12  # meanwhile a body that is held leaves the parabola of its flight by more than this


@dataclass(frozen=True, slots=True)
class Fall:
    """Why a flight looks like a fall, in words a judge understands, and whether nothing else is possible."""

    reason: str
    sure: bool


PASSED: Final = Fall("looks like a fall: the hands passed the bar and did not hold", True)
SLIPPED: Final = Fall("looks like a fall: the hands took the bar and did not hold it", True)
BETWEEN: Final = Fall("looks like a fall: she came down between the bars", True)
UNDER: Final = Fall("looks like a fall: from the low bar she came down at the high bar", True)
ACROSS: Final = Fall("this may be a fall: she came down on the other side of the bar that she left", False)
CLOSE: Final = Fall("this may be a fall: she came down close to the bar", False)
NO_SALTO: Final = Fall("this may be a fall, or a dismount without a salto", False)


def fall_in(
    samples: Sequence[Sample],
    span: Span,
    start: Edge,
    end: Edge,
    path: Flightpath,
    turns: float,
    rails: Sequence[Rail],
) -> Fall | None:
    """What speaks for a fall in a flight from a rail; times count from ``span.first_ns``.

    Args:
        turns: of the trunk during the flight, either way.
    """
    if not rails or not span.start_rail:
        return None
    t = times_s(samples, span.first_ns)
    if span.end_kind == "regrasp":
        return SLIPPED if _let_go(samples, t, span, path, rails) else None
    at = {r.name: r for r in rails}
    left = at[span.start_rail]
    begin_m, end_m = (float(x) for x in path.at([start.t_s, end.t_s])[:, 0])
    across_m = sorted(r.x_m for r in rails)
    if _rail_in_reach(samples, t, start, end, rails):
        return PASSED
    if len(rails) > 1 and across_m[0] < end_m < across_m[-1]:
        return BETWEEN
    if span.start_rail == "low" and abs(end_m - across_m[0]) < abs(end_m - across_m[-1]):
        return UNDER
    if (begin_m - left.x_m) * (end_m - left.x_m) < 0:
        return ACROSS
    if abs(path.vx_m_s) + path.u_vx() < SLOW_M_S:
        return CLOSE
    return NO_SALTO if abs(turns) < LEAST_TURNS else None


def _arm_m(samples: Sequence[Sample], t: Floats, start: Edge) -> float:
    """Length of her arms, from shoulder to wrist, while she hangs on the rail before the release."""
    hang = [s.joints for s, at in zip(samples, t, strict=True) if at < start.t_s]
    if not hang:
        return ARM_M
    joints = complete(np.array(hang))
    length = np.linalg.norm(middle(joints, "shoulder") - middle(joints, "wrist"), axis=1)
    length = length[np.isfinite(length)]
    return min(max(float(np.quantile(length, 0.8)), 0.4), 0.7) if len(length) >= 5 else ARM_M


def _rail_in_reach(
    samples: Sequence[Sample], t: Floats, start: Edge, end: Edge, rails: Sequence[Rail]
) -> bool:
    """Whether, clear of the rail she left, hands or shoulders came near enough to one to hold it."""
    late = (t >= start.t_s + CLEAR_S) & (t <= end.t_s)
    if late.sum() < 3:
        return False
    reach = _arm_m(samples, t, start) + GRIP_M
    joints = complete(np.array([s.joints for s, chosen in zip(samples, late, strict=True) if chosen]))
    for rail in rails:
        for limb, near_m in (("wrist", reach), ("shoulder", WITHIN * reach)):
            away = np.linalg.norm(middle(joints, limb) - rail.axis, axis=1)
            if _stays_below(t[late], away, near_m):
                return True
    return False


def _stays_below(t: Floats, value: Floats, limit: float) -> bool:
    """Whether a value stays below a limit for :data:`STEADY_S`, in three pictures at least."""
    known = np.isfinite(value)
    t, below = t[known], value[known] < limit
    begun = 0
    for i, low in enumerate(below):
        if not low:
            begun = i + 1
        elif i - begun >= 2 and t[i] - t[begun] >= STEADY_S:
            return True
    return False


def _let_go(
    samples: Sequence[Sample], t: Floats, span: Span, path: Flightpath, rails: Sequence[Rail]
) -> bool:
    """Whether hands that met a rail are soon off it while she falls on, or hands and elbows are well away."""
    met_s = (span.last_ns - span.first_ns) / NS
    after = (t >= met_s + AFTER_S[0]) & (t <= met_s + AFTER_S[1])
    if after.sum() < 2:
        return False
    chosen = [s for s, a in zip(samples, after, strict=True) if a]
    axis = next(r.axis for r in rails if r.name == span.end_rail)
    hands, elbows = (
        _nearest(np.array([s.joints[[INDEX[f"right_{n}"], INDEX[f"left_{n}"]]] for s in chosen]), axis)
        for n in ("wrist", "elbow")
    )
    off = np.linalg.norm(np.array([s.com for s in chosen]) - path.at(t[after]), axis=1)
    falling = bool(np.isfinite(off).any() and np.nanmedian(off) < SAG_M)
    return (falling and hands > GRIP_M + NEAR_M) or (hands > GONE_M and elbows > GRIP_M + FOREARM_M + ELBOW_M)


def _nearest(pair: Floats, axis: Floats) -> float:
    """Median distance of the nearer of two joints (n, 2, 2) from an axis; 0 when it is not seen."""
    away = np.linalg.norm(pair - axis, axis=2)
    seen = away[np.isfinite(away).any(axis=1)]
    return float(np.median(np.nanmin(seen, axis=1))) if len(seen) >= 2 else 0.0

"""Which family a flight belongs to: what the flight does, never who it is named after.

A handful of features is scored per family and the scores turned into probabilities by a softmax.
Families whose rails do not fit are out. The scores are our own, set from the description of each
family; they are not fitted to recordings.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from bridge.messages import EndKind


@dataclass(frozen=True, slots=True)
class Features:
    """What a flight did."""

    start_rail: str
    end_rail: str
    end_kind: EndKind
    turns: float  # of the trunk about the somersault axis, + from up towards +x
    swing: float  # sense of the swing about the rail before release, -1 to 1, same sign rule
    travel_m: float  # of the centre of mass across the rails
    crosses: float  # -1 to 1: 1 when the centre of mass goes well over to the rail's other side
    duration_s: float
    hands_clear_m: float  # farthest the middle of the hands was from the rail left
    inverted: float  # 0 to 1: how nearly upside down she was at release and regrasp
    inverted_end: float = 0.0  # the same at the regrasp alone, -1 (head up) to 1
    trunk_over_rad: float = 0.0  # at the regrasp: how much steeper the trunk rises from the rail than the CoM


def step(value: float, middle: float, width: float) -> float:
    """From -1 to 1, 0 at ``middle``; saturates about ``width`` to either side."""
    return math.tanh((value - middle) / width)


def scores(f: Features) -> dict[str, float]:
    """Score of each family that the rails allow."""
    turned = abs(f.turns)
    if f.end_kind == "landing":
        return {"dismount": 5.0}
    if f.start_rail == "low" and f.end_rail == "high":
        return {"low_to_high": 5.0}
    if f.start_rail == "high" and f.end_rail == "low":
        # The salto turns on past upside down until the body lies along the flight; the overshoot turns
        # less and ends with the trunk upside down over the hands. The salto comes arched, arms before the
        # body, so that the trunk lies flatter than the line from the rail to the centre of mass; in the
        # overshoot the trunk leads to handstand and the legs follow.
        salto = 3 * step(turned, 0.47, 0.08) - 2 * step(f.inverted_end, 0.30, 0.25)
        salto -= 3 * step(f.trunk_over_rad, 0.0, 0.2)
        return {"high_to_low_salto": salto, "high_to_low_overshoot": -salto}
    # Same rail. Counter flight: over the rail, turning against the swing. Salto: turns with the swing.
    against = -math.copysign(1.0, f.turns) * f.swing * min(turned / 0.15, 1.0)
    salto = 2.5 * step(turned, 0.50, 0.12) - 1.5 * against - 1.0 * f.crosses
    counter = -2.5 * step(turned, 0.55, 0.12) + 1.5 * against + 2.0 * f.crosses
    hop = (
        -3.0 * step(f.duration_s, 0.38, 0.08)
        - 2.5 * step(f.hands_clear_m, 0.35, 0.10)
        + 2.0 * (2 * f.inverted - 1)
        - 2.0 * step(turned, 0.25, 0.08)
    ) / 1.5
    return {"counter_regrasp": counter, "salto_regrasp": salto, "hop_regrasp": hop}


def families(f: Features) -> dict[str, float]:
    """Probability of each possible family; sums to 1."""
    s = scores(f)
    top = max(s.values())
    weights = {name: math.exp(value - top) for name, value in s.items()}
    total = sum(weights.values())
    return {name: w / total for name, w in weights.items()}

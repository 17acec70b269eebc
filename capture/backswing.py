"""The swing that follows a regrasp from the low rail: how high the body comes behind the high rail."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from bridge.messages import Measure, Quantity
from capture.body import complete, middle
from capture.phases import NS, Sample, times_s
from capture.rig import Rail
from capture.shape import ANGLE_U_RAD, unwrapped
from capture.smoothing import smooth

Floats = NDArray[np.float64]

NAME: Final = "backswing"
LONGEST_S: Final = 3.0  # after the regrasp; a swing that has not turned by then is none
PAST_HANG_RAD: Final = math.radians(10)  # the body hangs past the vertical by this: the swing has begun
TURNED_RAD: Final = math.radians(4)  # and has turned round once it has come back by this
_STEP_S: Final = 0.01


def backswing(samples: Sequence[Sample], end_ns: int, rail: Rail) -> Measure | None:
    """Line from shoulders to feet against horizontal where the first swing after a regrasp turns round.

    The swing is followed by the hips about the rail: from the side where she regrasped through the hang
    and up the other side, until they come back.

    Args:
        samples: from the regrasp on, as far as there are any.
        end_ns: the regrasp.

    Returns:
        None while the swing has not turned round yet.
    """
    after = [s for s in samples if s.t_ns >= end_ns]
    t = times_s(after, end_ns)
    if len(t) < 12 or t[-1] < 0.3:
        return None
    joints = complete(np.array([s.joints for s in after]))
    arm = middle(joints, "hip") - rail.axis
    about = np.arctan2(arm[:, 0], -arm[:, 1])  # 0 in the hang, + towards +x
    known = np.isfinite(about)
    if known.sum() < 12:
        return None
    grid = np.arange(0.0, t[-1], _STEP_S)
    sigma = np.full(len(t), ANGLE_U_RAD / 2)
    turned = unwrapped(np.where(known, about, np.nan))
    swing = smooth(t, turned[:, None], np.where(known, sigma, np.nan), grid)
    angle, rate = swing.value[:, 0], swing.slope[:, 0]
    low = np.flatnonzero(np.diff(np.sign(angle)) != 0)
    if len(low) and low[0] > 0:
        # Regrasped before the hang: the swing is what comes on the other side.
        begin, sense = int(low[0]) + 1, float(np.sign(rate[low[0]]))
    else:
        begin, sense = 0, float(np.sign(rate[: max(len(rate) // 4, 1)].mean()))
    reach = sense * angle[begin:]
    if len(reach) < 3 or reach.max() < PAST_HANG_RAD:
        return None
    top = int(np.argmax(reach))
    if reach[top] - reach[top:].min() < TURNED_RAD:
        return None
    at = float(grid[begin + top])
    line = middle(joints, "ankle") - middle(joints, "shoulder")
    elevation = unwrapped(np.arctan2(line[:, 1], line[:, 0]))
    seen = np.isfinite(line).all(axis=1)
    found = smooth(t, elevation[:, None], np.where(seen, sigma, np.nan), [at])
    if not np.isfinite(found.value).all():
        return None
    value = math.asin(math.sin(float(found.value[0, 0])))
    u = math.hypot(float(found.u_value[0]), ANGLE_U_RAD)
    where = "above" if value >= 0 else "below"
    words = f"The swing after the regrasp came to {abs(math.degrees(value)):.0f} degrees {where} horizontal."
    return Measure(name=NAME, quantity=Quantity(value, u, "rad"), sentence=words)


def given_up(now_ns: int, end_ns: int) -> bool:
    """Whether a swing that has not turned round by now is waited for no longer."""
    return now_ns > end_ns + LONGEST_S * NS

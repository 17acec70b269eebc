"""The body's shape over time, seen side-on: turning, twisting, angles at hips and knees, arch, body line.

Angles are taken from joints in the flight plane. Which way is "to the belly" is not seen side-on; it is
told from what joints can do: hips and arms bend to the front, knees to the back.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bridge.skeleton import INDEX
from capture.body import complete, middle
from capture.phases import Sample
from capture.smoothing import Smooth, smooth

Floats = NDArray[np.float64]

SLOPE_HALF_S: Final = 0.12  # half-width of the smoothing window for rates of turning
OPEN_RAD: Final = math.radians(
    135
)  # hip angle from which a body counts as opened: common practice, no source
CLOSED_RAD: Final = math.radians(115)  # tighter than this at some time, or there is nothing to open from
ANGLE_U_RAD: Final = math.radians(4)  # of an angle between joints as the network puts them: our own estimate
TURNING_RAD_S: Final = 0.5  # a trunk that turns slower is not said to turn
LOBE_M: Final = 0.12  # shoulders this wide across the trunk show their width
HIPS_BEND_RAD: Final = math.radians(40)  # hips bent more are bent to the front: they extend by less
KNEES_BEND_RAD: Final = math.radians(15)
ARMS_RAD: Final = (math.radians(65), math.radians(140))  # arms this far from the trunk are to the front
AGREED: Final = 0.6  # share of the signs that must agree on the belly's side
_GRID_S: Final = 0.002


@dataclass(frozen=True, slots=True)
class When:
    """A moment in seconds from the origin and its standard uncertainty."""

    t_s: float
    u_s: float


def trunk_angle(samples: Sequence[Sample]) -> Floats:
    """Angle (n,) of the line hips to shoulders from up towards +x, unwrapped, radians.

    A median over three pictures guards the unwrapping against a picture with wrong joints.
    """
    joints = complete(np.array([s.joints for s in samples]))
    line = middle(joints, "shoulder") - middle(joints, "hip")
    length = np.linalg.norm(line, axis=1, keepdims=True)
    unit = line / np.where(length > 1e-6, length, np.nan)
    padded = np.concatenate([unit[:1], unit, unit[-1:]])
    steady = np.median(np.stack([padded[:-2], padded[1:-1], padded[2:]]), axis=0)
    angle = np.arctan2(steady[:, 0], steady[:, 1])
    return unwrapped(angle)


def bends(joints: Floats) -> tuple[Floats, Floats, Floats]:
    """Signed bends (n,) at hips, knees and shoulders of completed joints (n, 14, 2), radians.

    Each is the turn from the line before the joint to the line after it, 0 when straight (arms along the
    trunk), + for the thighs (and arms) to +x of a body that stands upright.
    """
    hip, knee, ankle = (middle(joints, name) for name in ("hip", "knee", "ankle"))
    shoulder, wrist = middle(joints, "shoulder"), middle(joints, "wrist")
    down = hip - shoulder
    return _turn(down, knee - hip), _turn(knee - hip, ankle - knee), _turn(down, wrist - shoulder)


def belly_side(joints: Floats) -> int:
    """Which way a body faces that does not twist: +1 as one that stands upright and faces +x, else -1.

    Args:
        joints: (n, 14, 2), completed.

    Returns:
        0 when the joints never bend enough to tell, or contradict each other.
    """
    hips, knees, arms = bends(joints)
    votes = np.concatenate(
        [
            np.sign(hips) * np.maximum(np.abs(hips) - HIPS_BEND_RAD, 0),
            -np.sign(knees) * np.maximum(np.abs(knees) - KNEES_BEND_RAD, 0),
            np.sign(arms) * 0.3 * ((np.abs(arms) > ARMS_RAD[0]) & (np.abs(arms) < ARMS_RAD[1])),
        ]
    )
    votes = votes[np.isfinite(votes)]
    total = float(np.abs(votes).sum())
    if total < 0.5 or abs(float(votes.sum())) < AGREED * total:
        return 0
    return 1 if votes.sum() > 0 else -1


class Shape:
    """Angles of the body over time; ``t`` are the samples' times in seconds from an origin."""

    def __init__(self, samples: Sequence[Sample], t: Floats) -> None:
        self.t = t
        self._raw = np.array([s.joints for s in samples])
        self._joints = complete(self._raw)
        self._trunk = trunk_angle(samples)
        self._hip = _joint_angle(self._joints, "shoulder", "hip", "knee")
        self._knee = _joint_angle(self._joints, "hip", "knee", "ankle")
        line = middle(self._joints, "ankle") - middle(self._joints, "shoulder")
        self._line = unwrapped(np.arctan2(line[:, 1], line[:, 0]))
        self._bend = unwrapped(bends(self._joints)[0])

    def turns(self, begin_s: float, end_s: float) -> float:
        """Turns of the trunk between two times, + from up towards +x."""
        a, b = np.interp([begin_s, end_s], self.t, self._trunk)
        return float(b - a) / (2 * math.pi)

    def time_of_turn(self, begin_s: float, end_s: float, turns: float) -> When | None:
        """When the trunk has made so many turns (either way) since ``begin_s``."""
        grid = np.arange(begin_s, end_s, _GRID_S)
        made = np.abs(np.interp(grid, self.t, self._trunk) - np.interp(begin_s, self.t, self._trunk)) / (
            2 * np.pi
        )
        reached = np.flatnonzero(made >= turns)
        if not len(reached):
            return None
        at = float(grid[reached[0]])
        return When(at, math.sqrt(2) * ANGLE_U_RAD / max(abs(float(self._rate([at])[0])), 1.0))

    def turns_back(self, begin_s: float, end_s: float, sense: float) -> When | None:
        """When, from ``begin_s`` on, the trunk first turns against ``sense`` (+ from up towards +x).

        None when it does not, or only in the last moments before ``end_s``.
        """
        grid = np.arange(begin_s, end_s, 0.005)
        if len(grid) < 4 or sense == 0:
            return None
        rate = self._rate(grid) * math.copysign(1.0, sense)
        back = rate < -TURNING_RAD_S
        if back.sum() < 0.5 * len(grid):  # a counter-rotation lasts
            return None
        first = int(np.flatnonzero(back)[0])
        growth = abs(float(np.gradient(rate, 0.005)[first]))
        return When(float(grid[first]), min(TURNING_RAD_S / max(growth, 5.0), 0.05) if first else 0.0)

    def half_twists(self, begin_s: float, end_s: float) -> int:
        """Half turns about the long axis: swings of the shoulder line across the trunk, side-on.

        Seen from the side the line of the shoulders shows its full width once in each half turn.
        """
        inside = (self.t >= begin_s - 0.05) & (self.t <= end_s + 0.05)
        across = np.stack([np.cos(self._trunk), -np.sin(self._trunk)], axis=1)
        parts = []
        for name in ("shoulder", "hip"):
            wide = self._raw[:, INDEX[f"right_{name}"]] - self._raw[:, INDEX[f"left_{name}"]]
            parts.append((wide * across).sum(axis=1))
        width = (parts[0] + parts[1])[inside] / 2
        width = width[np.isfinite(width)]
        if len(width) < 5:
            return 0
        steady = np.convolve(width, np.ones(3) / 3, mode="valid")
        states = np.where(steady > LOBE_M, 1, np.where(steady < -LOBE_M, -1, 0))
        lobes = [s for i, s in enumerate(states) if s != 0 and (i == 0 or states[i - 1] != s)]
        return sum(1 for i, s in enumerate(lobes) if i == 0 or s != lobes[i - 1])

    def opening(self, begin_s: float, end_s: float) -> When | None:
        """When a closed body has opened before the landing; None when it never was closed."""
        grid = np.arange(begin_s, end_s, 0.005)
        if len(grid) < 4:
            return None
        found = self._smooth(self._hip, grid, 0.06)
        hip = found.value[:, 0]
        if not np.isfinite(hip).any() or np.nanmin(hip) > CLOSED_RAD:
            return None
        closed = np.flatnonzero(hip < CLOSED_RAD)[-1]
        opened = np.flatnonzero(hip[closed:] >= OPEN_RAD)
        if not len(opened):
            return None
        at = int(closed + opened[0])
        return When(float(grid[at]), ANGLE_U_RAD / max(abs(float(found.slope[at, 0])), 1.0))

    def hip_angle(self, t_s: float) -> tuple[float, float]:
        """Inner angle between trunk and thighs, pi when straight, and its standard uncertainty."""
        return self._at(self._hip, t_s)

    def knee_angle(self, t_s: float) -> tuple[float, float]:
        """Inner angle between thighs and shanks, pi when straight, and its standard uncertainty."""
        return self._at(self._knee, t_s)

    def arch(self, t_s: float, begin_s: float, end_s: float) -> tuple[float, float] | None:
        """Bend of the trunk against the thighs, + to the back (arched), - to the front (piked).

        None when it is not seen between the two times which way she faces.
        """
        inside = (self.t >= begin_s) & (self.t <= end_s)
        side = belly_side(self._joints[inside])
        if side == 0:
            return None
        value, u = self._at(self._bend, t_s)
        return -side * math.remainder(value, 2 * math.pi), u

    def line(self, t_s: float, begin_s: float, end_s: float) -> tuple[float, float]:
        """Line from shoulders to feet against horizontal, + feet higher, from samples between two times."""
        inside = (self.t >= begin_s) & (self.t <= end_s)
        angle = smooth(
            self.t[inside], self._line[inside, None], np.full(int(inside.sum()), ANGLE_U_RAD / 2), [t_s]
        )
        value = math.asin(math.sin(float(angle.value[0, 0]))) if np.isfinite(angle.value).all() else math.nan
        return value, math.hypot(float(angle.u_value[0]), ANGLE_U_RAD)

    def trunk_tilt(self, t_s: float) -> float:
        """Angle of the trunk from upright, 0 to pi."""
        angle = float(np.interp(t_s, self.t, self._trunk))
        return abs(math.remainder(angle, 2 * math.pi))

    def _rate(self, at_s: ArrayLike) -> Floats:
        return self._smooth(self._trunk, at_s, SLOPE_HALF_S).slope[:, 0]

    def _at(self, values: Floats, t_s: float) -> tuple[float, float]:
        found = self._smooth(values, [t_s])
        return float(found.value[0, 0]), math.hypot(float(found.u_value[0]), ANGLE_U_RAD)

    def _smooth(self, values: Floats, at_s: ArrayLike, half_s: float = 0.10) -> Smooth:
        # Half of what an angle is uncertain by differs from picture to picture.
        return smooth(self.t, values[:, None], np.full(len(values), ANGLE_U_RAD / 2), at_s, half_s)


def _joint_angle(joints: Floats, first: str, at: str, second: str) -> Floats:
    """Inner angle (n,) at the middle joints ``at``, radians; pi is straight."""
    a, m, b = middle(joints, first), middle(joints, at), middle(joints, second)
    u, v = a - m, b - m
    cosine = (u * v).sum(axis=1) / np.maximum(np.linalg.norm(u, axis=1) * np.linalg.norm(v, axis=1), 1e-9)
    return np.asarray(np.arccos(np.clip(cosine, -1, 1)), dtype=np.float64)


def _turn(first: Floats, second: Floats) -> Floats:
    """Angle (n,) from one direction to another, + anticlockwise with x to the right and z up."""
    cross = first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]
    return np.asarray(np.arctan2(cross, (first * second).sum(axis=1)), dtype=np.float64)


def unwrapped(angle: Floats) -> Floats:
    """Angles (n,) without jumps; gaps are bridged linearly."""
    out = np.array(angle, dtype=np.float64)
    known = np.isfinite(out)
    if known.any():
        out[known] = np.unwrap(out[known])
        out[~known] = np.interp(np.flatnonzero(~known), np.flatnonzero(known), out[known])
    return out

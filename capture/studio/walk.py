"""What a gymnast does on the mat: walking, turning, chalking up. Seen, not measured: kinematic only.

Feet stay where they are put, soles level; legs are placed by two-link geometry.
Gait figures are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from capture.studio.figure import Motion, Posture, Skeleton
from capture.studio.flight import ANKLE_HEIGHT_M

Floats = NDArray[np.floating[Any]]

STEP_M: Final = 0.48
STEP_S: Final = 0.46
TURN_RAD_S: Final = 2.2
STAND_SHOULDER_RAD: Final = np.radians(8.0)
_LEG: Final = 0.985  # of the straight leg, at most


@dataclass(frozen=True, slots=True)
class Walk:
    """Steps from where she stands through ``places``, the last heading and a stay at the end.

    places: (x, y) in the world, metres. Heading: radians, 0 along +x, + to the left. ``rub_s``: how
    long she rubs her hands with chalk at each place in ``chalk_at`` (indices of places).
    """

    places: tuple[tuple[float, float], ...]
    heading_rad: float
    floor_m: float
    chalk_at: tuple[int, ...] = ()
    rub_s: float = 2.0
    stay_s: float = 0.4
    keep_heading: bool = False  # in place of ``heading_rad``
    ahead_m: float = 0.0  # first this far straight on

    def run(
        self, start: tuple[float, float, float], rate_hz: float, skeleton: Skeleton, first_s: float = 0.0
    ) -> Motion:
        """The walk from (x, y, heading); times from ``first_s`` on."""
        x, y, heading = start
        parts: list[tuple[Floats, ...]] = []
        if self.ahead_m:
            parts.append(_steps(x, y, heading, self.ahead_m, rate_hz))
            x, y = x + self.ahead_m * float(np.cos(heading)), y + self.ahead_m * float(np.sin(heading))
        for i, (to_x, to_y) in enumerate(self.places):
            away = float(np.hypot(to_x - x, to_y - y))
            if away > 0.05:
                towards = float(np.arctan2(to_y - y, to_x - x))
                parts.append(_turn(x, y, heading, towards, rate_hz))
                parts.append(_steps(x, y, towards, away, rate_hz))
                x, y, heading = to_x, to_y, towards
            if i in self.chalk_at:
                parts.append(_rub(x, y, heading, self.rub_s, rate_hz))
        last = heading if self.keep_heading else self.heading_rad
        parts.append(_turn(x, y, heading, last, rate_hz))
        parts.append(_still(x, y, last, self.stay_s, rate_hz))
        place, feet, lift, arms, elbows = (np.concatenate(column) for column in zip(*parts, strict=True))
        return _posed(place, feet, lift, arms, elbows, skeleton, self.floor_m, rate_hz, first_s)


def _still(x: float, y: float, heading: float, seconds: float, rate_hz: float) -> tuple[Floats, ...]:
    n = max(round(seconds * rate_hz), 1)
    place = np.tile([x, y, heading], (n, 1))
    zeros = np.zeros((n, 2))
    return place, zeros, zeros, np.full((n, 2), STAND_SHOULDER_RAD), zeros


def _turn(x: float, y: float, a: float, b: float, rate_hz: float) -> tuple[Floats, ...]:
    by = (b - a + np.pi) % (2 * np.pi) - np.pi
    n = max(round(abs(by) / TURN_RAD_S * rate_hz), 1)
    place, feet, lift, arms, elbows = _still(x, y, a, n / rate_hz, rate_hz)
    s = np.linspace(0, 1, n)
    place[:, 2] = a + by * s**2 * (3 - 2 * s)
    # Two or three small steps on the spot.
    steps = np.maximum(np.round(abs(by) / 0.8), 1) * np.pi * s
    lift = 0.05 * np.stack([np.clip(np.sin(2 * steps), 0, 1), np.clip(-np.sin(2 * steps), 0, 1)], axis=1)
    return place, feet, lift, arms, elbows


def _rub(x: float, y: float, heading: float, seconds: float, rate_hz: float) -> tuple[Floats, ...]:
    place, feet, lift, arms, _elbows = _still(x, y, heading, seconds, rate_hz)
    t = np.arange(len(place)) / rate_hz
    fade = np.clip(np.minimum(t, t[-1] - t) / 0.5, 0, 1)
    fade = (fade**2 * (3 - 2 * fade))[:, None]
    stir = 0.18 * np.sin(2 * np.pi * 1.6 * t)[:, None] * np.array([1.0, -1.0])
    up = np.radians(48) + stir
    return place, feet, lift, arms + fade * (up - arms), fade * (np.radians(72) - stir)


def _steps(x: float, y: float, heading: float, away: float, rate_hz: float) -> tuple[Floats, ...]:
    count = max(int(np.ceil(away / STEP_M)), 1) + 1  # the last brings the feet together
    length = away / (count - 1)
    n = max(round(count * STEP_S * rate_hz), 2)
    t = np.arange(n) / rate_hz
    ends = [0.0, *(length * min(k + 1, count - 1) for k in range(count))]
    plants = np.zeros((n, 2))
    lift = np.zeros((n, 2))
    for side in (0, 1):
        at = 0.0
        for k in range(side, count, 2):
            s = np.clip((t - k * STEP_S) / STEP_S, 0, 1)
            to = ends[k + 1]
            plants[:, side] += (to - at) * s**2 * (3 - 2 * s)
            lift[:, side] += 0.09 * np.sin(np.pi * s) ** 2
            at = to
        rest = away - at
        if rest > 1e-9:  # this side's last step is the closing one
            s = np.clip((t - (count - 1) * STEP_S) / STEP_S, 0, 1)
            plants[:, side] += rest * s**2 * (3 - 2 * s)
    total = count * STEP_S
    ease = 0.5 * STEP_S
    # Even pace with a soft start and end.
    reach = np.clip(t, 0, total)
    pace = away / (total - ease)
    gone = np.where(
        reach < ease, 0.5 * pace * reach**2 / ease,
        np.where(
            reach > total - ease, away - 0.5 * pace * (total - reach) ** 2 / ease, pace * (reach - ease / 2)
        ),
    )  # fmt: skip
    place = np.stack([x + gone * np.cos(heading), y + gone * np.sin(heading), np.full(n, heading)], axis=1)
    feet = plants - gone[:, None]
    fade = np.clip(np.minimum(t, total - t) / 0.4, 0, 1)[:, None]
    arms = STAND_SHOULDER_RAD - 0.8 * fade * feet
    return place, feet, lift, arms, 0.3 * fade * np.ones((1, 2))


def _posed(
    place: Floats, feet: Floats, lift: Floats, arms: Floats, elbows: Floats,
    k: Skeleton, floor_m: float, rate_hz: float, first_s: float,
) -> Motion:  # fmt: skip
    n = len(place)
    longest = _LEG * (k.thigh_m + k.shank_m)
    straight = k.thigh_m + k.shank_m
    low = np.sqrt(np.maximum(longest**2 - np.abs(feet).max(axis=1) ** 2, 0.3))
    walking = np.clip(np.abs(feet).max(axis=1) / 0.08, 0, 1)
    height = straight + walking * (np.minimum(low, straight) - straight)
    # As smooth as a step is long.
    width = max(int(0.12 * rate_hz) | 1, 3)
    padded = np.pad(height, width // 2, mode="edge")
    height = np.minimum(np.convolve(padded, np.ones(width) / width, mode="valid"), straight)
    down = height[:, None] - lift
    r = np.clip(np.hypot(feet, down), 0.2, straight - 1e-9)
    knee = np.arccos(np.clip((r**2 - k.thigh_m**2 - k.shank_m**2) / (2 * k.thigh_m * k.shank_m), -1, 1))
    hip = np.arctan2(feet, down) + np.arctan2(k.shank_m * np.sin(knee), k.thigh_m + k.shank_m * np.cos(knee))
    zero = np.zeros((n, 2))
    posture = Posture(
        spine=np.zeros(n), neck=np.zeros(n), shoulder=arms, shoulder_spread=zero + 0.05, elbow=elbows,
        hip=hip, hip_spread=zero, knee=knee, ankle=hip - knee,
    )  # fmt: skip
    c, s = np.cos(place[:, 2]), np.sin(place[:, 2])
    o, i = np.zeros(n), np.ones(n)
    turned = np.stack([c, -s, o, s, c, o, o, o, i], axis=-1).reshape(n, 3, 3)
    root = np.column_stack([place[:, :2], floor_m + ANKLE_HEIGHT_M + height])
    return Motion(first_s + np.arange(n) / rate_hz, root, turned, posture)

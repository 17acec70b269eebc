"""What really happened in a flight of the studio: every measure by its plain definition, from the motion.

Nothing here uses the measuring modules: joints come from the figure at 480 Hz, without noise.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from bridge.skeleton import JOINTS

Floats = NDArray[np.float64]
AROUND_S = 0.4  # before the release and after the end
TRUNK_TURNS_RAD_S = 0.5


def fourteen(points: dict[str, Floats]) -> Floats:
    """Joints (T, 14, 3) in the order of bridge.skeleton, of the studio's named points."""
    columns = []
    for name in JOINTS:
        side, _, joint = name.partition("_")
        columns.append(points[name] if name in points else points[joint][:, 0 if side == "left" else 1])
    return np.stack(columns, axis=1)


def _angle(vector: Floats) -> Floats:
    """Direction (T,) of (T, 2) x and z, anticlockwise from +x, unwrapped."""
    return np.asarray(np.unwrap(np.arctan2(vector[:, 1], vector[:, 0])), dtype=np.float64)


def _between(first: Floats, second: Floats) -> Floats:
    cosine = (first * second).sum(axis=1) / np.linalg.norm(first, axis=1) / np.linalg.norm(second, axis=1)
    return np.asarray(np.arccos(np.clip(cosine, -1, 1)), dtype=np.float64)


class TrueFlight:
    """One flight of a studio performance; ``number`` counts from 0."""

    def __init__(self, performance: Any, number: int) -> None:
        from capture.studio import figure

        self.flight = f = performance.flights[number]
        self.rig = performance.rig
        last = float(performance.motion.t_s[-1])
        self.t = np.arange(f.release_s - AROUND_S, min(f.end_s + AROUND_S, last), 1 / 480)
        motion = performance.motion.at(self.t)
        points = figure.segments(motion, performance.skeleton)
        self.hips = motion.root_m[:, [0, 2]]
        self.com = figure.centre_of_mass(motion, performance.skeleton)[:, [0, 2]]
        self.shoulders = points["mid_shoulder"][:, [0, 2]]
        self.knees, self.ankles, self.wrists = (
            points[name].mean(axis=1)[:, [0, 2]] for name in ("knee", "ankle", "wrist")
        )
        front, up = motion.pelvis[:, [0, 2], 0], motion.pelvis[:, [0, 2], 2]
        self.facing = np.sign(up[:, 1] * front[:, 0] - up[:, 0] * front[:, 1])

    def moments(self) -> dict[str, tuple[float, float]]:
        """Height of the hips against the reference rail and their vertical speed at each moment."""
        f, top = self.flight, self.rig.top(self.flight.reference_rail)
        rise = np.gradient(self.hips[:, 1], self.t)
        found = {"release": f.release_s, "apex": f.apex_s, f.end_kind: f.end_s}
        if f.end_kind == "regrasp":
            after = np.flatnonzero((self.t >= f.end_s) & (self.t <= f.end_s + 0.35))
            reach = np.linalg.norm(self.hips - self.wrists, axis=1)[after]
            found["down_swing"] = float(self.t[after[np.flatnonzero(reach >= 0.95 * reach.max())[0]]])
        # Speeds may jump where the hold on a rail or the mat begins or ends: those in the air count.
        inner = {"release": f.release_s + 0.004, f.end_kind: f.end_s - 0.004}
        return {
            name: (
                float(np.interp(t, self.t, self.hips[:, 1])) - top,
                float(np.interp(inner.get(name, t), self.t, rise)),
            )
            for name, t in found.items()
        }

    def measures(self) -> dict[str, float]:
        """Every further measure, by the name that a reading gives it."""
        f, top = self.flight, self.rig.top(self.flight.reference_rail)
        air = (self.t >= f.release_s) & (self.t <= f.end_s)
        trunk = -_angle(self.shoulders - self.hips)
        rate = np.gradient(trunk, self.t)
        line = self.ankles - self.shoulders

        def at(values: Floats, t_s: float) -> float:
            return float(np.interp(t_s, self.t, values))

        vx, vz = f.release_velocity_m_s
        axis = self.rig.axis(f.rail)
        made = (trunk - at(trunk, f.release_s)) / (2 * np.pi)
        bend = _angle(self.knees - self.hips) - _angle(self.hips - self.shoulders)
        bend = (bend + np.pi) % (2 * np.pi) - np.pi
        out = {
            "flight_time": f.end_s - f.release_s,
            "release_speed": float(np.hypot(vx, vz)),
            "release_angle": float(np.arctan2(vz, abs(vx))),
            "travel": at(self.com[:, 0], f.end_s) - at(self.com[:, 0], f.release_s),
            "least_distance": float(np.linalg.norm(self.hips - axis, axis=1)[air].min()),
            "salto_turns": abs(at(made, f.end_s)),
            "twist_turns": abs(f.twist_turns),
            "hip_angle_at_apex": at(_between(self.shoulders - self.hips, self.knees - self.hips), f.apex_s),
            "knee_angle_at_apex": at(_between(self.hips - self.knees, self.ankles - self.knees), f.apex_s),
            "arch_at_apex": at(-self.facing * bend, f.apex_s),
        }
        if f.end_kind == "regrasp":
            across, up = at(line[:, 0], f.end_s), at(line[:, 1], f.end_s)
            out["body_line_at_regrasp"] = float(np.arcsin(up / np.hypot(across, up)))
        if out["salto_turns"] >= 1.5:
            first = np.flatnonzero(air & (np.abs(made) >= 1))[0]
            out["first_salto_end_height"] = float(self.hips[first, 1]) - top
            out["first_salto_end_rise"] = float(np.gradient(self.hips[:, 1], self.t)[first])
            out["second_salto_height"] = float(self.hips[first:][air[first:], 1].max()) - top
        before = (self.t >= f.release_s - 0.25) & (self.t <= f.release_s)
        swing = np.sign(np.diff(-_angle(self.com - axis)[before]).sum())
        back = air & (rate * swing < -TRUNK_TURNS_RAD_S)
        if back.sum() > 0.5 * air.sum():
            out["counter_rotation_height"] = float(self.hips[np.flatnonzero(back)[0], 1]) - top
        return out

    @staticmethod
    def backswing_of(performance: Any, number: int) -> float:
        """Line from shoulders to feet where the swing after the regrasp turns round, + above horizontal."""
        from capture.studio import figure

        f = performance.flights[number]
        t = np.arange(f.end_s, f.end_s + 3.0, 1 / 480)
        motion = performance.motion.at(t)
        points = figure.segments(motion, performance.skeleton)
        arm = motion.root_m[:, [0, 2]] - performance.rig.axis(f.end_rail)
        about = np.unwrap(np.arctan2(arm[:, 0], -arm[:, 1]))
        past = np.flatnonzero(np.sign(about) != np.sign(about[0]))[0]
        sense = np.sign(about[past])
        turned = np.flatnonzero(np.diff(sense * about[past:]) < 0)[0] + past
        line = (points["ankle"].mean(axis=1) - points["mid_shoulder"])[turned]
        return float(np.arcsin(line[2] / np.hypot(line[0], line[2])))

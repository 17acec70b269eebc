"""The truth that lies beside a rehearsal clip: what really happened in every flight.

The film code passes labelled hip positions, which may differ a little from the figure's mid-hip;
the apex written here is the highest of those.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from bridge.errors import ConfigError
from capture.studio import figure
from capture.studio.routine import Performance

Floats = NDArray[np.floating[Any]]
FORMAT: Final = 1
PATH_HZ: Final = 120.0


class FlightTruth(msgspec.Struct, frozen=True):
    """One flight; times in seconds of the clip, paths as [t, x, z] in apparatus axes, metres."""

    family: str
    release_s: float
    apex_s: float
    end_s: float
    end_kind: str  # "regrasp" or "landing"
    rail: str  # left at the release
    end_rail: str  # taken at the regrasp, "" at a landing
    reference_rail: str
    apex_m: float  # hips over the top of the reference rail
    com_apex_m: float
    hip_path: list[tuple[float, float, float]]
    com_path: list[tuple[float, float, float]]
    # From here on absent, or as by default, in files of the first demo.
    release_velocity_m_s: tuple[float, float] | None = None  # x, z of the CoM
    momentum_m2_s: float | None = None  # about the somersault axis, per kg of body mass, + forwards
    salto_turns: float | None = None  # of the pelvis in the air, net, + forwards
    twist_turns: float | None = None  # + to her left
    hip_angle_rad: float | None = None  # at the apex, between trunk and thighs, pi straight
    knee_angle_rad: float | None = None  # at the apex, pi straight
    spine_rad: float | None = None  # at the apex, + hollow, - arch
    body_line_rad: float | None = None  # at the end: shoulders to ankles against horizontal, + feet higher
    fall: bool = False  # a regrasp that was missed


class HandstandTruth(msgspec.Struct, frozen=True):
    """The moment when a handstand is nearest to the vertical."""

    t_s: float
    rail: str
    angle_rad: float  # of the line hands to ankles off the vertical
    line_rad: float  # greatest bend at shoulders, hips and spine


class Truth(msgspec.Struct, frozen=True):
    """Truth of a whole clip and the rig it was filmed on (rail tops above the floor, metres)."""

    high_bar_m: float
    low_bar_m: float
    inner_diagonal_m: float
    rail_diameter_m: float
    mat_m: float
    flights: list[FlightTruth]
    format: int = FORMAT
    handstands: list[HandstandTruth] = []


def tell(performance: Performance, hip_m: Floats | None = None) -> Truth:
    """Truth of a performance; ``hip_m`` (T, 3) is the labelled mid-hip at ``performance.motion.t_s``."""
    motion, rig = performance.motion, performance.rig
    hips = motion.root_m if hip_m is None else np.asarray(hip_m, dtype=float)
    if hips.shape != motion.root_m.shape:
        raise ValueError(f"hip path has shape {hips.shape}, the motion {motion.root_m.shape}")
    com = figure.centre_of_mass(motion, performance.skeleton)
    flights = []
    for f in performance.flights:
        n = max(int(np.ceil((f.end_s - f.release_s) * PATH_HZ)), 2) + 1
        t = np.linspace(f.release_s, f.end_s, n)
        inside = np.flatnonzero((motion.t_s >= f.release_s) & (motion.t_s <= f.end_s))
        top = inside[np.argmax(hips[inside, 2])]

        def path(points: Floats, at: Floats = t) -> list[tuple[float, float, float]]:
            x, z = (np.interp(at, motion.t_s, points[:, axis]) for axis in (0, 2))
            return [
                (round(float(a), 5), round(float(b), 5), round(float(c), 5))
                for a, b, c in zip(at, x, z, strict=True)
            ]

        flights.append(
            FlightTruth(
                family=f.family,
                release_s=f.release_s,
                apex_s=float(motion.t_s[top]),
                end_s=f.end_s,
                end_kind=f.end_kind,
                rail=f.rail,
                end_rail=f.end_rail,
                reference_rail=f.reference_rail,
                apex_m=float(hips[top, 2]) - rig.top(f.reference_rail),
                com_apex_m=f.com_apex_m,
                hip_path=path(hips),
                com_path=path(com),
                release_velocity_m_s=f.release_velocity_m_s,
                momentum_m2_s=f.momentum_m2_s,
                salto_turns=f.salto_turns,
                twist_turns=f.twist_turns,
                hip_angle_rad=f.hip_angle_rad,
                knee_angle_rad=f.knee_angle_rad,
                spine_rad=f.spine_rad,
                body_line_rad=f.body_line_rad,
                fall=f.fall,
            )
        )
    return Truth(
        rig.high_bar_m,
        rig.low_bar_m,
        rig.inner_diagonal_m,
        rig.rail_diameter_m,
        rig.mat_m,
        flights,
        handstands=[HandstandTruth(h.t_s, h.rail, h.angle_rad, h.line_rad) for h in performance.handstands],
    )


def write(truth: Truth, path: Path) -> None:
    """Write the truth as JSON."""
    path.write_bytes(msgspec.json.format(msgspec.json.encode(truth), indent=1))


def read(path: Path) -> Truth:
    """Read a truth file; raises ConfigError naming the file when it cannot be used."""
    try:
        truth = msgspec.json.decode(path.read_bytes(), type=Truth)
    except (OSError, UnicodeDecodeError, msgspec.MsgspecError) as error:
        raise ConfigError(f"{path}: not a readable truth file ({error}); make the clip again") from error
    if truth.format != FORMAT:
        raise ConfigError(
            f"{path}: truth format {truth.format}, this version reads {FORMAT}; make the clip again"
        )
    return truth

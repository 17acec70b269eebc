"""What the networks find against what is true: the figures that both network benches print.

Everybody is upright, hanging or inverted, told from the true or labelled joints alone; who is in the
air is a cut across these three.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from bridge.skeleton import INDEX
from capture.follow import SEEN
from capture.joints import Found

Floats = NDArray[np.float64]

HIPS: Final = (INDEX["right_hip"], INDEX["left_hip"])
SHOULDERS: Final = (INDEX["right_shoulder"], INDEX["left_shoulder"])
KNEES: Final = (INDEX["right_knee"], INDEX["left_knee"])
WRISTS: Final = (INDEX["right_wrist"], INDEX["left_wrist"])
ANKLES: Final = (INDEX["right_ankle"], INDEX["left_ankle"])
ORIENTATIONS: Final = ("upright", "hanging", "inverted", "airborne")
SMALLEST_TORSO_PX: Final = 5.0  # seen end-on the torso is no yardstick
GAUSSIAN_MEDIAN: Final = 0.6745  # of the absolute error, in standard deviations


@dataclass(frozen=True, slots=True)
class Look:
    """One person, seen by the joint network."""

    true_px: Floats  # (14, 2), NaN where not known
    found: Found
    airborne: bool
    box_found: bool | None = None  # by the finder, if it looked
    # Mid-hip and mid-shoulder (2, 2) px that somebody placed by eye, in place of the label's.
    by_eye: Floats | None = None

    @property
    def orientation(self) -> str:
        """Upright, hanging or inverted; empty where hips or shoulders are not known."""
        return orientation(self.true_px)


def middle(px: Floats, of: tuple[int, int]) -> Floats:
    """The middle (..., 2) of two joints of (..., 14, 2); NaN unless both are known."""
    return np.asarray((px[..., of[0], :] + px[..., of[1], :]) / 2)


def orientation(px: Floats) -> str:
    """How a person's joints (14, 2) lie: "upright", "hanging", "inverted", or "" where it cannot be told.

    Inverted: the hips lie above the shoulders. Hanging: both hands above the head, the hips below the
    shoulders and the knees below the hips, holding a rail or not. Upright: all others.
    """
    hips, shoulders = middle(px, HIPS)[1], middle(px, SHOULDERS)[1]
    if not np.isfinite([hips, shoulders]).all():
        return ""
    if hips < shoulders:
        return "inverted"
    crown = px[INDEX["head_top"], 1]
    if not np.isfinite(crown):
        crown = shoulders
    hands, knees = px[list(WRISTS), 1].max(), middle(px, KNEES)[1]
    return "hanging" if hands < crown and knees > hips else "upright"  # a comparison with NaN is false


def looks_airborne(px: Floats) -> bool:
    """Whether labelled joints (14, 2) alone make it likely that nothing carries the person.

    No hand and no foot is the lowest joint, and no hand the highest, hands and feet all labelled.
    Labels do not show the ground: most such people are in the air, some sit, lie or lean on hands.
    """
    y = px[:, 1]
    limbs = [*WRISTS, *ANKLES]
    if not np.isfinite(y[limbs]).all():
        return False
    return int(np.nanargmax(y)) not in limbs and int(np.nanargmin(y)) not in WRISTS


def mid_hip(looks: Sequence[Look], by_eye: bool = False) -> tuple[Floats, Floats]:
    """Mid-hip found minus true (N, 2) px, and the torso (N,) px, of looks whose hips and shoulders are known.

    by_eye: against places by eye instead of labels; looks without them are left out.
    """
    error, torso = [], []
    for look in looks:
        if by_eye:
            if look.by_eye is None:
                continue
            hips, shoulders = look.by_eye
        else:
            hips, shoulders = middle(look.true_px, HIPS), middle(look.true_px, SHOULDERS)
        length = float(np.linalg.norm(shoulders - hips))
        if length > SMALLEST_TORSO_PX:  # false for NaN
            error.append(middle(look.found.px, HIPS) - hips)
            torso.append(length)
    return np.array(error).reshape(-1, 2), np.array(torso)


def within(relative: Floats, share: float) -> float | None:
    """The part of errors smaller than ``share``; None without any."""
    return round(float((relative < share).mean()), 4) if len(relative) else None


def against_torso(looks: Sequence[Look], by_eye: bool = False) -> dict[str, Any]:
    """Mid-hip errors relative to the torso."""
    error, torso = mid_hip(looks, by_eye)
    relative = np.linalg.norm(error, axis=1) / torso
    return {
        "n": len(relative),
        "midhip_within_0.1": within(relative, 0.1),
        "midhip_within_0.2": within(relative, 0.2),
        "midhip_median": round(float(np.median(relative)), 4) if len(relative) else None,
    }


def joints_against_torso(looks: Sequence[Look]) -> dict[str, Any]:
    """Errors of every labelled joint relative to the torso."""
    relative = []
    for look in looks:
        torso = np.linalg.norm(middle(look.true_px, SHOULDERS) - middle(look.true_px, HIPS))
        if torso > SMALLEST_TORSO_PX:
            away = np.linalg.norm(look.found.px - look.true_px, axis=1) / torso
            relative.append(away[np.isfinite(away)])
    every = np.concatenate(relative) if relative else np.zeros(0)
    return {"joints_within_0.2": within(every, 0.2), "joints_within_0.5": within(every, 0.5)}


def calibration(looks: Sequence[Look]) -> dict[str, Any]:
    """Real error over predicted uncertainty of the joints that count as seen, either axis.

    ``u_factor``: median of |error| / u, against a Gaussian's 0.6745; what most joints have.
    ``u_factor_rms``: RMS error over RMS u; swapped sides and lost limbs weigh most here.
    """
    error, u = [], []
    for look in looks:
        use = np.isfinite(look.true_px).all(axis=1) & (look.found.score >= SEEN)
        error.append((look.found.px - look.true_px)[use])
        u.append(np.repeat(look.found.sigma_px[use, None], 2, axis=1))
    e, s = (np.concatenate(v).ravel() if v else np.zeros(0) for v in (error, u))
    if not len(e):
        return dict.fromkeys(("u_factor", "u_factor_rms", "within_1_u", "within_2_u", "within_3_u"))
    z = np.abs(e) / s
    return {
        "u_factor": round(float(np.median(z)) / GAUSSIAN_MEDIAN, 3),
        "u_factor_rms": round(float(np.sqrt((e**2).mean() / (s**2).mean())), 3),
        **{f"within_{k}_u": round(float((z < k).mean()), 4) for k in (1, 2, 3)},
    }


def in_px(looks: Sequence[Look]) -> dict[str, Any]:
    """Mid-hip errors in picture px: RMS length, bias across and down, and the worst."""
    error, _ = mid_hip(looks)
    names = ("midhip_rms_px", "midhip_bias_x_px", "midhip_bias_y_px", "midhip_median_px", "midhip_worst_px")
    if not len(error):
        return {"n": 0, **dict.fromkeys(names)}
    length = np.linalg.norm(error, axis=1)
    values = (np.sqrt((length**2).mean()), *error.mean(axis=0), np.median(length), length.max())
    return {"n": len(error), **{k: round(float(v), 3) for k, v in zip(names, values, strict=True)}}


def by_orientation(looks: Sequence[Look]) -> dict[str, list[Look]]:
    """The looks of each orientation; those in the air are named a second time under "airborne"."""
    out = {name: [k for k in looks if k.orientation == name] for name in ORIENTATIONS[:3]}
    out["airborne"] = [k for k in looks if k.airborne and k.orientation]
    return out


def studio_report(looks: Sequence[Look]) -> dict[str, Any]:
    """Figures of studio pictures, over all and of each orientation."""

    def figures(some: Sequence[Look]) -> dict[str, Any]:
        return {**in_px(some), **against_torso(some), **joints_against_torso(some), **calibration(some)}

    return {
        **figures(looks),
        "orientation": {name: figures(some) for name, some in by_orientation(looks).items()},
    }

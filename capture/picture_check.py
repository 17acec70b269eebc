"""What is wrong with a feed's pictures for measuring: flicker, noise, darkness, soft focus, smear.

Everything is measured on the pictures themselves, on what stands still in them where that matters.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]
Image = NDArray[np.uint8]

# Limits beyond which a warning is given: our own choice, from what the readings can bear.
FLICKER_LIMIT: Final = 0.015  # standard deviation of a still area's light over time, of its mean
NOISE_LIMIT: Final = 6.0  # grey levels, one picture
DARK_LIMIT: Final = 45.0  # grey level that nine tenths of the picture stay below
BRIGHT_LIMIT: Final = 0.10  # part of the picture that is white
SOFT_LIMIT_PX: Final = 2.2  # Gaussian standard deviation of a still edge, in a picture 1920 wide
SMEAR_LIMIT_M: Final = 0.03  # of hips at SMEAR_SPEED
SMEAR_SPEED_M_S: Final = 6.0  # of hips at the fastest
_BLOCK: Final = 16  # px
_SEARCH_PX: Final = 90  # for what moved, from one picture to the next
_MOVES: Final = 25.0  # grey levels from the still picture, before something counts as moving


@dataclass(frozen=True, slots=True)
class PictureState:
    """What was measured."""

    flicker: float  # relative, see FLICKER_LIMIT
    noise: float  # grey levels
    light: float  # grey level that nine tenths of the picture stay below
    white: float  # part of the picture
    edge_px: float | None  # Gaussian standard deviation of still edges; None: no edge is seen
    exposure_s: float | None  # from the smear of what moves; None: nothing moved enough


def still_picture(pictures: Sequence[Image]) -> Image:
    """The median (h, w, 3) of pictures over a second or two: whoever walks through vanishes."""
    if len(pictures) == 1:
        return pictures[0]
    out = np.empty_like(pictures[0])
    for row in range(0, len(out), 64):
        strip = np.stack([p[row : row + 64] for p in pictures])
        middle = len(pictures) // 2
        out[row : row + 64] = np.partition(strip, middle, axis=0)[middle]
    return out


def state_of(pictures: Sequence[Image], times_ns: Sequence[int]) -> PictureState:
    """Measure pictures (h, w, 3) BGR of one feed, taken at ``times_ns``, in order."""
    greys = [np.asarray(cv2.cvtColor(p, cv2.COLOR_BGR2GRAY), np.float32) for p in pictures]
    still = np.asarray(cv2.cvtColor(still_picture(pictures), cv2.COLOR_BGR2GRAY), np.float32)
    edge = edge_width_px(still)
    return PictureState(
        flicker=_flicker(greys),
        noise=_noise(greys),
        light=float(np.percentile(still, 90)),
        white=float((still >= 250).mean()),
        edge_px=edge,
        exposure_s=_exposure_s(greys, still, times_ns, edge),
    )


def _flicker(greys: Sequence[Floats]) -> float:
    """Spread over time of the light of blocks that stand still, relative; the median block's."""
    if len(greys) < 3:
        return 0.0
    # Lamps pulse in bands across the picture of a rolling shutter, so blocks, not the whole picture.
    blocks = np.stack(
        [
            cv2.resize(g, (g.shape[1] // _BLOCK, g.shape[0] // _BLOCK), interpolation=cv2.INTER_AREA)
            for g in greys
        ]
    )
    mean = blocks.mean(axis=0)
    spread = np.std(blocks - np.linspace(-1, 1, len(blocks))[:, None, None] * _drift(blocks), axis=0)
    lit = mean > 12
    return float(np.median(spread[lit] / mean[lit])) if lit.any() else 0.0


def _drift(blocks: Floats) -> Floats:
    """Slope of a steady change, which is no flicker."""
    t = np.linspace(-1, 1, len(blocks))
    return np.asarray(np.tensordot(t, blocks, axes=1) / (t @ t))


def _noise(greys: Sequence[Floats]) -> float:
    """Standard deviation of one pixel of one picture, grey levels, of what stands still."""
    if len(greys) < 2:
        return 0.0
    spreads = []
    for a, b in itertools.pairwise(greys):
        change = (b - a)[::2, ::2]
        spreads.append(1.4826 * float(np.median(np.abs(change - np.median(change)))) / np.sqrt(2))
    return float(np.median(spreads))


def edge_width_px(grey_: Floats) -> float | None:
    """Gaussian standard deviation of the sharper of the long straight edges, px; None if there are none."""
    found = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD).detect(np.clip(grey_, 0, 255).astype(np.uint8))[
        0
    ]
    if found is None:
        return None
    lines = np.asarray(found, float).reshape(-1, 4)
    length = np.hypot(lines[:, 2] - lines[:, 0], lines[:, 3] - lines[:, 1])
    widths = []
    for x0, y0, x1, y1 in lines[np.argsort(-length)[:80]]:
        rise = _rise_px(grey_, np.array([x0, y0]), np.array([x1, y1]))
        if rise is not None:
            widths.append(rise / np.sqrt(2 * np.pi))
    # The background may be out of focus by intent; what is sharp is what the camera is set to.
    return float(np.percentile(widths, 25)) if len(widths) >= 5 else None


def _rise_px(grey_: Floats, a: Floats, b: Floats, half_px: float = 14.0) -> float | None:
    """Step over steepest slope across a straight edge from a to b, px; None when it is no clean step."""
    along = (b - a) / max(1e-9, float(np.linalg.norm(b - a)))
    normal = np.array([-along[1], along[0]])
    steps = np.arange(-half_px, half_px + 0.01, 0.5)
    share = np.linspace(0.25, 0.75, 9)
    at = (a + share[:, None] * (b - a))[:, None] + steps[None, :, None] * normal
    levels = cv2.remap(
        grey_, at[..., 0].astype(np.float32), at[..., 1].astype(np.float32), cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    profile = np.asarray(levels, float).mean(axis=0)
    slope = np.gradient(profile, 0.5)
    peak = int(np.argmax(np.abs(slope[4:-4]))) + 4
    if abs(slope[peak]) < 3:
        return None
    # As far as the grey level keeps rising, this is one edge.
    sign = np.sign(slope[peak])
    low = high = peak
    while low > 0 and sign * slope[low - 1] > 0.06 * abs(slope[peak]):
        low -= 1
    while high < len(slope) - 1 and sign * slope[high + 1] > 0.06 * abs(slope[peak]):
        high += 1
    step = abs(profile[high] - profile[low])
    return float(step / abs(slope[peak])) if step > 12 else None


def _exposure_s(
    greys: Sequence[Floats], still: Floats, times_ns: Sequence[int], edge_px: float | None
) -> float | None:
    """How long each picture was exposed, from how far what moves is smeared.

    A moving edge rises over its travel during the exposure; the travel of the moving patch from picture to
    picture says how long that was. The middle of all patches that moved.
    """
    sharp = np.sqrt(2 * np.pi) * (edge_px if edge_px is not None else 0.8)
    found = []
    for k in range(len(greys) - 1):
        moves = (np.abs(greys[k] - still) > _MOVES).astype(np.uint8)
        moves = cv2.morphologyEx(moves, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
        moves = cv2.dilate(moves, np.ones((9, 9), np.uint8))
        count, _, stats, _ = cv2.connectedComponentsWithStats(moves)
        dt = (times_ns[k + 1] - times_ns[k]) / 1e9
        if not 0 < dt < 0.2:
            continue
        for x, y, w, h, area in stats[1:count]:
            if area < 900 or w < 24 or h < 24 or w > still.shape[1] // 2:
                continue
            travelled = _travel(greys[k], greys[k + 1], still, (int(x), int(y), int(w), int(h)))
            travel = float(np.hypot(*travelled))
            if travel < 4:
                continue
            box = (slice(max(0, y - 24), y + h + 24), slice(max(0, x - 24), x + w + 24))
            rise = _moving_rise_px(greys[k][box], moves[box], travelled / travel)
            if rise is not None:
                smear = np.sqrt(max(0.0, rise**2 - sharp**2))
                found.append(min(1.0, smear / travel) * dt)
    return float(np.median(found)) if len(found) >= 3 else None


def _travel(before: Floats, after: Floats, still: Floats, box: tuple[int, int, int, int]) -> Floats:
    """How far what moves in a box (left, top, width, height) has gone by the next picture, px."""
    x, y, w, h = box
    top, left = max(0, y - _SEARCH_PX), max(0, x - _SEARCH_PX)
    there = (slice(top, y + h + _SEARCH_PX), slice(left, x + w + _SEARCH_PX))
    first = np.abs(before[y : y + h, x : x + w] - still[y : y + h, x : x + w])
    match = cv2.matchTemplate(np.abs(after[there] - still[there]), first, cv2.TM_CCOEFF_NORMED)
    _, best, _, place = cv2.minMaxLoc(match)
    return np.array([place[0] + left - x, place[1] + top - y], float) if best > 0.7 else np.zeros(2)


def _moving_rise_px(patch: Floats, moves: Image, direction: Floats) -> float | None:
    """Rise, px along ``direction``, of the strongest edges of a patch that lie across it."""
    gx, gy = cv2.Sobel(patch, cv2.CV_32F, 1, 0) / 8, cv2.Sobel(patch, cv2.CV_32F, 0, 1) / 8
    along = np.where(moves > 0, gx * direction[0] + gy * direction[1], 0)
    across = np.abs(gx * direction[1] - gy * direction[0])
    strength = np.where(np.abs(along) > 2 * across, np.abs(along), 0)
    rows, columns = np.unravel_index(np.argsort(-strength.ravel())[:60], strength.shape)
    side = np.array([-direction[1], direction[0]])
    rises = []
    for row, column in zip(rows, columns, strict=True):
        if strength[row, column] < 3:
            break
        at = np.array([column, row], float)
        rise = _rise_px(patch, at - 4 * side, at + 4 * side, 20.0)
        if rise is not None:
            rises.append(rise)
    return float(np.median(rises)) if len(rises) >= 5 else None


def picture_warnings(state: PictureState, width_px: int) -> list[tuple[str, str]]:
    """(key, words) of each thing that should be put right before measuring."""
    found = []
    if state.flicker > FLICKER_LIMIT:
        found.append((
            "flicker",
            f"lamp flicker: the light pulses by {100 * state.flicker:.1f} %; set the exposure to a whole "
            "number of half mains periods (1/100 s or 1/50 s at 50 Hz mains, 1/120 s or 1/60 s at 60 Hz)",
        ))  # fmt: skip
    if state.noise > NOISE_LIMIT:
        found.append((
            "noise",
            f"noise: {state.noise:.0f} grey levels; more light or less gain",
        ))  # fmt: skip
    if state.light < DARK_LIMIT:
        found.append((
            "dark",
            f"too dark: nine tenths of the picture are below grey level {state.light:.0f} of 255; "
            "more light, a wider aperture or more gain",
        ))  # fmt: skip
    if state.white > BRIGHT_LIMIT:
        found.append((
            "bright",
            f"too bright: {100 * state.white:.0f} % of it is white; expose less, or leave windows out",
        ))  # fmt: skip
    soft = SOFT_LIMIT_PX * width_px / 1920
    if state.edge_px is not None and state.edge_px > soft:
        found.append((
            "soft",
            f"soft focus: edges are blurred over {state.edge_px:.1f} px; focus on the high bar and fix it",
        ))  # fmt: skip
    if state.exposure_s is not None:
        smear = SMEAR_SPEED_M_S * state.exposure_s
        if smear > SMEAR_LIMIT_M:
            found.append((
                "smear",
                f"smear: exposed for 1/{1 / state.exposure_s:.0f} s, hips move up to {100 * smear:.0f} cm; "
                "expose for 1/500 s or less",
            ))  # fmt: skip
    return found

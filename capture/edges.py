"""Sub-pixel places of poles in a picture: both edges, and the line midway between them.

A pole (rail, upright, cable) shows as a stripe. Across it the grey level steps at both edges; where
the step is steepest is the edge, to a fraction of a pixel by a parabola through the gradient's peak.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.floating[Any]]
Image = NDArray[np.uint8]

STEP_PX: Final = 0.5  # between samples across a pole
_ALONG: Final = (-2.0, -1.0, 0.0, 1.0, 2.0)  # px along the pole over which a profile is averaged
WEAKEST_EDGE: Final = 1.6  # grey levels per pixel, of both edges together as they speak for a pole
STRONG_EDGE: Final = 8.0  # counts no more than this
BOTH_ONE_WAY: Final = 0.35  # of its worth, for a pair of edges that step the same way
OFF_LINE_PX: Final = 1.2  # farther from the pole's straight line than this is something else
EDGE_U_PX: Final = (
    0.35  # standard uncertainty of one midline from two edges: our own estimate, for light that
)
# falls on one side of a round pole and moves the edge that is seen


@dataclass(frozen=True, slots=True)
class Stripes:
    """Where a pole was looked for and seen."""

    centre_px: Floats  # (n, 2) midline where seen, else NaN
    offset_px: Floats  # (n,) from where it was looked for, along ``normal``; NaN where unseen
    width_px: Floats  # (n,) between the edges
    strength: Floats  # (n,) grey levels per pixel of the weaker edge

    @property
    def seen(self) -> NDArray[np.bool_]:
        """Which samples were seen, (n,)."""
        return np.isfinite(self.offset_px)


def grey(picture: Image) -> Floats:
    """Grey levels (h, w), float32, of a picture (h, w) or (h, w, 3) BGR.

    Their square root, on the scale 0 to 255: halls are dark and bright at once, and a camera's noise
    grows with the root of the light.
    """
    levels = picture.astype(np.float32)
    if levels.ndim == 3:
        levels = np.asarray(cv2.cvtColor(levels, cv2.COLOR_BGR2GRAY), np.float32)
    return np.asarray(np.sqrt(np.clip(levels, 0, 255) * np.float32(255)), np.float32)


def _slopes(
    grey_: Floats, centre: ArrayLike, along: ArrayLike, half_px: float
) -> tuple[Floats, Floats, Floats, Floats]:
    """Slope across a pole at n places: (slope (n, k), steps (k,), places (n, 2), normal (n, 2))."""
    places = np.asarray(centre, dtype=float)
    n = len(places)
    ahead = np.broadcast_to(np.asarray(along, dtype=float), (n, 2))
    ahead = ahead / np.linalg.norm(ahead, axis=1)[:, None]
    normal = np.stack([-ahead[:, 1], ahead[:, 0]], axis=1)
    k = int(np.ceil((half_px + 3) / STEP_PX))
    steps = np.arange(-k, k + 1) * STEP_PX
    at = (
        places[:, None, None]
        + normal[:, None, None] * steps[None, :, None, None]
        + ahead[:, None, None] * np.array(_ALONG)[None, None, :, None]
    )
    maps = at.reshape(n, -1, 2).astype(np.float32)
    levels = cv2.remap(grey_, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    profile = np.asarray(levels, float).reshape(n, len(steps), len(_ALONG)).mean(axis=2)
    profile = cv2.GaussianBlur(profile, (9, 1), 0.9 / STEP_PX, borderType=cv2.BORDER_REPLICATE)
    return np.gradient(profile, STEP_PX, axis=1), steps, places, normal


def _pair_strength(first: Floats, second: Floats) -> Floats:
    """How much two edges speak for a pole: the weaker's slope, and a little of the stronger's.

    A pole lighter or darker than what is on both sides of it is likelier than a step in the scenery; and a
    round pole's shaded side may all but vanish.
    """
    a, b = np.abs(first), np.abs(second)
    both = np.minimum(a, b) + 0.2 * np.minimum(np.maximum(a, b), STRONG_EDGE)
    return np.where(first * second < 0, both, BOTH_ONE_WAY * both)


def stripes(
    grey_: Floats, centre: ArrayLike, along: ArrayLike, reach_px: float, width_px: tuple[float, float]
) -> Stripes:
    """Look for a pole across each of n places, at each by itself.

    Args:
        grey_: grey levels (h, w), from :func:`grey`.
        centre: (n, 2) where the midline is expected, px.
        along: (n, 2) or (2,) the pole's direction in the picture.
        reach_px: how far to either side the midline may be.
        width_px: least and greatest width of the stripe.
    """
    slope, steps, places, normal = _slopes(grey_, centre, along, reach_px + width_px[1] / 2)
    n = len(slope)
    least, most = (max(2, round(w / STEP_PX)) for w in width_px)
    best = np.full(n, -1.0)
    left = np.zeros(n, int)
    right = np.zeros(n, int)
    for gap in range(least, most + 1):
        score = _pair_strength(slope[:, :-gap], slope[:, gap:])
        middle = (steps[:-gap] + steps[gap:]) / 2
        score = np.where(np.abs(middle) <= reach_px, score, -1.0)
        pick = np.argmax(score, axis=1)
        value = score[np.arange(n), pick]
        better = value > best
        best[better], left[better], right[better] = value[better], pick[better], pick[better] + gap
    return _fine(slope, steps, places, normal, left, right, best)


def pole_line(
    grey_: Floats,
    centre: ArrayLike,
    along: ArrayLike,
    reach_px: float,
    widths_px: Sequence[tuple[float, float]],
    known_px: Floats | None = None,
) -> tuple[Stripes, NDArray[np.bool_]]:
    """Look for one straight pole across n places along it, and say at which of them it is seen.

    The pole is the straight line on which the most edge is seen; its first quarter, second quarter and second
    half have a width each, for an upright has thicker and thinner parts.

    Args:
        grey_: grey levels (h, w), from :func:`grey`.
        centre: (n, 2) where the midline is expected, px.
        along: (n, 2) or (2,) the pole's direction in the picture.
        reach_px: how far to either side the midline may be.
        widths_px: ranges of width that the pole may have.
        known_px: the width (n,) where it is known: a round pole's shaded edge is seen too far in, or not at
            all, and its bright one says where the midline is.
    """
    least_px, most_px = min(w[0] for w in widths_px), max(w[1] for w in widths_px)
    slope, steps, places, normal = _slopes(grey_, centre, along, reach_px + most_px / 2 + 2)
    n = len(slope)
    gaps = _gaps(widths_px)
    middle = len(steps) // 2
    stride = 1 if reach_px <= 5 else 2
    reach = int(np.ceil(reach_px / STEP_PX))
    shifts = np.arange(-reach, reach + 1)
    table = np.zeros((n, len(shifts), len(gaps)))
    for j, gap in enumerate(gaps):
        a, b = middle + shifts - gap // 2, middle + shifts - gap // 2 + gap
        # A strong edge must not outweigh a pole that is seen all along.
        table[:, :, j] = np.minimum(_pair_strength(slope[:, a], slope[:, b]), STRONG_EDGE)
    coarse = np.arange(0, len(shifts), stride)
    first, last = (v.ravel() for v in np.meshgrid(coarse, coarse, indexing="ij"))
    share = np.linspace(0, 1, n)
    path = np.rint(first[:, None] + (last - first)[:, None] * share).astype(int)  # (lines, n)
    total = np.zeros(len(path))
    part = np.minimum(np.arange(n) * 4 // n, 2)
    picks = []
    for k in range(3):
        summed = np.zeros((len(path), len(gaps)))
        for r in np.flatnonzero(part == k):
            summed += table[r, path[:, r]]
        picks.append(np.argmax(summed, axis=1))
        total += summed.max(axis=1)
    chosen = int(np.argmax(total))
    line = first[chosen] + (last[chosen] - first[chosen]) * share
    gap = np.array([gaps[pick[chosen]] for pick in picks])[part]
    best = np.full(n, -1.0)
    left = np.zeros(n, int)
    right = np.zeros(n, int)
    rows = np.arange(n)
    for wider in range(-2, 3):
        for aside in range(-4, 5):
            a = np.clip(
                np.rint(middle - reach + line - gap / 2 - wider / 2 + aside / 2), 1, len(steps) - 2
            ).astype(int)
            b = np.clip(a + gap + wider, 1, len(steps) - 2)
            score = _pair_strength(slope[rows, a], slope[rows, b])
            better = (score > best) & (b > a)
            best[better], left[better], right[better] = score[better], a[better], b[better]
    found = _fine(slope, steps, places, normal, left, right, best)
    if known_px is not None:
        found = _by_strength(found, normal, places, np.abs(slope), steps, known_px)
    fits = (found.width_px > least_px - 1.0) & (found.width_px < most_px + 1.0)
    used = straight(np.arange(n) * 1.0, np.where(fits, found.offset_px, np.nan))
    return found, used


def _gaps(widths_px: Sequence[tuple[float, float]]) -> NDArray[np.int_]:
    """Widths to try, in steps across the pole."""
    gaps: set[int] = set()
    for least, most in widths_px:
        a, b = max(2, round(least / STEP_PX)), max(2, round(most / STEP_PX))
        gaps |= set(range(a, b + 1, 1 if b - a < 16 else 2))
    return np.array(sorted(gaps))


def _by_strength(
    found: Stripes, normal: Floats, places: Floats, size: Floats, steps: Floats, known_px: Floats
) -> Stripes:
    """The midline from each edge and the known width, each edge as sure as it is steep.

    Halls are lit from above. Where the pole looks thinner than it is, its lower side lies in its own shade,
    and what is seen there is the shade's edge: the lower edge then counts for less.
    """
    edges = [found.offset_px + sign * found.width_px / 2 for sign in (-1, 1)]
    weight = [
        np.array([np.interp(e, steps, r) if np.isfinite(e) else 0.0 for e, r in zip(edge, size, strict=True)])
        ** 2
        for edge in edges
    ]
    thin = np.clip((known_px - np.nan_to_num(found.width_px)) / (0.1 * known_px), 0, 5)
    for i, below in ((0, -normal[:, 1]), (1, normal[:, 1])):
        weight[i] *= np.exp(-(thin**2) * np.clip(below, 0, 1))
    total = np.maximum(weight[0] + weight[1], 1e-9)
    offset = (weight[0] * (edges[0] + known_px / 2) + weight[1] * (edges[1] - known_px / 2)) / total
    width = np.where(np.isfinite(offset), known_px, np.nan)
    return Stripes(places + normal * offset[:, None], offset, width, found.strength)


def _fine(
    slope: Floats,
    steps: Floats,
    places: Floats,
    normal: Floats,
    left: NDArray[np.int_],
    right: NDArray[np.int_],
    strength: Floats,
) -> Stripes:
    """Pairs of edges to a fraction of a step."""
    size = np.abs(slope)
    rows = np.arange(len(slope))

    def peak(index: NDArray[np.int_]) -> Floats:
        i = np.clip(index, 1, size.shape[1] - 2)
        for _ in range(2):  # to the top of the edge it stands on
            step = np.argmax(np.stack([size[rows, i - 1], size[rows, i], size[rows, i + 1]]), axis=0) - 1
            i = np.clip(i + step, 1, size.shape[1] - 2)
        a, b, c = size[rows, i - 1], size[rows, i], size[rows, i + 1]
        bend = a - 2 * b + c
        shift = np.where(bend < -1e-9, 0.5 * (a - c) / np.where(bend < -1e-9, bend, -1.0), 0.0)
        return np.asarray(steps[i] + np.clip(shift, -1, 1) * STEP_PX, dtype=np.float64)

    a, b = peak(left), peak(right)
    good = strength >= WEAKEST_EDGE
    offset = np.where(good, (a + b) / 2, np.nan)
    return Stripes(
        places + normal * offset[:, None], offset, np.where(good, b - a, np.nan), np.maximum(strength, 0.0)
    )


def straight(position: Floats, offset: Floats, u_px: float = OFF_LINE_PX) -> NDArray[np.bool_]:
    """Which offsets (n,) lie on the one straight line over ``position`` (n,) that most of them lie on."""
    index = np.flatnonzero(np.isfinite(offset))
    keep = np.zeros(len(offset), bool)
    if len(index) < 4:
        return keep
    s, d = position[index], offset[index]
    i, j = np.triu_indices(len(index), 1)
    far = np.abs(s[j] - s[i]) > 0.2 * (s.max() - s.min())
    i, j = i[far], j[far]
    rise = (d[j] - d[i]) / (s[j] - s[i])
    off = np.abs(d[i][:, None] + rise[:, None] * (s[None] - s[i][:, None]) - d[None])
    votes = (off < u_px).sum(axis=1)
    keep[index[off[int(np.argmax(votes))] < u_px]] = True
    return keep


@dataclass(frozen=True, slots=True)
class Snapped:
    """A handle's place on the pole near it."""

    px: tuple[float, float]
    u_px: float  # standard uncertainty across the pole
    width_px: float
    edges: tuple[tuple[float, float], tuple[float, float]]


def snap(
    grey_: Floats,
    at: tuple[float, float],
    along: ArrayLike,
    reach_px: float = 8.0,
    width_px: tuple[float, float] = (3.0, 30.0),
    length_px: float = 24.0,
) -> Snapped | None:
    """Move a handle across the pole onto its midline; None where no pole is seen.

    The place along the pole stays the person's. The midline is a straight line through the places seen over
    ``length_px`` of the pole, so the uncertainty is that of the line at the handle.
    """
    ahead = np.asarray(along, float) / float(np.linalg.norm(np.asarray(along, float)))
    s = np.linspace(-length_px / 2, length_px / 2, 13)
    found, keep = pole_line(grey_, np.array(at) + s[:, None] * ahead, ahead, reach_px, [width_px])
    if keep.sum() < 6:
        return None
    line, bends = np.polyfit(s[keep], found.offset_px[keep], 1, cov="unscaled")
    rest = found.offset_px[keep] - np.polyval(line, s[keep])
    spread = float(np.sqrt((rest**2).sum() / max(1, int(keep.sum()) - 2)))
    u = float(np.hypot(spread * np.sqrt(bends[1, 1]), EDGE_U_PX))
    normal = np.array([-ahead[1], ahead[0]])
    middle = np.array(at) + line[1] * normal
    width = float(np.median(found.width_px[keep]))
    a, b = (middle + sign * width / 2 * normal for sign in (-1, 1))
    return Snapped(
        (float(middle[0]), float(middle[1])),
        u,
        width,
        ((float(a[0]), float(a[1])), (float(b[0]), float(b[1]))),
    )

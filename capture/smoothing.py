"""Local polynomials through noisy samples at irregular times: values, slopes and their uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

SMOOTH_HALF_S: Final = 0.10  # half-width of the smoothing window
_STEP_S: Final = 0.005


@dataclass(frozen=True, slots=True)
class Smooth:
    """A local polynomial through noisy samples: values, slopes and their uncertainties at m times."""

    value: Floats  # (m, k)
    slope: Floats  # (m, k)
    u_value: Floats  # (m,)
    u_slope: Floats  # (m,)


def smooth(t_s: Floats, y: Floats, sigma: Floats, at_s: ArrayLike, half_s: float = SMOOTH_HALF_S) -> Smooth:
    """Robust local quadratic (Savitzky-Golay for irregular times) of (n, k) samples at (m,) times.

    Tricube weights over ``half_s`` to either side, widened where fewer than six samples lie inside;
    samples that disagree are weighed down once (Cauchy). Slopes are those of the curve of values: the
    slopes of the single quadratics lean where a curve bends the other way within the window. The
    uncertainty comes from the weights that the samples have and the greater of their stated and observed
    scatter.
    """
    good = np.isfinite(y).all(axis=1) & np.isfinite(sigma)
    t, y, sigma = t_s[good], y[good], sigma[good]
    at = np.asarray(at_s, dtype=float)
    if len(t) < 4:
        nan = np.full((len(at), y.shape[1]), np.nan)
        return Smooth(nan, nan.copy(), nan[:, 0].copy(), nan[:, 0].copy())
    robust = np.ones(len(t))
    for _ in range(2):
        kernel = _kernel(t, robust / sigma**2, t, half_s)
        off = np.linalg.norm((y - kernel @ y) / sigma[:, None], axis=1)
        scale = max(1.4826 * float(np.median(off)) / math.sqrt(y.shape[1]), 0.3)
        robust = 1 / (1 + (off / (3 * scale)) ** 2)
    weight = robust / sigma**2
    kernel = _kernel(t, weight, at, half_s)
    # At the ends one-sided: beyond the samples there is nothing to see.
    before, after = (
        np.maximum(at - _STEP_S, min(t[0], at.min())),
        np.minimum(at + _STEP_S, max(t[-1], at.max())),
    )
    slope = (_kernel(t, weight, after, half_s) - _kernel(t, weight, before, half_s)) / (after - before)[
        :, None
    ]
    observed = sigma * max(scale, 1.0)
    return Smooth(
        kernel @ y,
        slope @ y,
        np.sqrt(((kernel * observed) ** 2).sum(axis=1)),
        np.sqrt(((slope * observed) ** 2).sum(axis=1)),
    )


def _kernel(t: Floats, weight: Floats, at: Floats, half_s: float) -> Floats:
    """Weights (m, n) that each sample has in the value at each time."""
    s = t[None, :] - at[:, None]
    reach = np.maximum(half_s, np.sort(np.abs(s), axis=1)[:, min(5, len(t) - 1)] * 1.05)[:, None]
    window = np.clip(1 - (np.abs(s) / reach) ** 3, 0, None) ** 3 * weight
    u = s / reach
    a = np.stack([np.ones_like(u), u, u * u], axis=-1)
    normal = np.einsum("mni,mn,mnj->mij", a, window, a)
    normal += 1e-9 * np.trace(normal, axis1=1, axis2=2)[:, None, None] * np.eye(3)
    rows = np.linalg.solve(normal, np.einsum("mni,mn->min", a, window))
    return np.asarray(rows[:, 0], dtype=np.float64)

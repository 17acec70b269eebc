"""Agreement between raters: weighted kappa, Krippendorff's alpha, intraclass correlation, rank correlation.

Every function gives None, never a number, where the statistic is not defined (all marks alike, or
too few of them).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import krippendorff
import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

Level = Literal["nominal", "ordinal", "interval", "ratio"]
Weighting = Literal["nominal", "linear", "quadratic"]
CONFIDENCE: Final = 0.95
_Z: Final = 1.959963984540054  # standard normal quantile of 97.5 %


@dataclass(frozen=True, slots=True)
class Estimate:
    """A statistic with its 95 % interval, unitless unless its function says otherwise."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class VarianceTable:
    """Mean squares of a two-way layout without replication (Shrout & Fleiss 1979)."""

    targets: int
    raters: int
    between_targets: float
    within_targets: float
    between_raters: float
    residual: float


@dataclass(frozen=True, slots=True)
class Limits:
    """Bland & Altman's limits of agreement, in the unit of what was compared."""

    n: int
    mean: float
    sd: float
    low: float
    high: float
    mean_se: float  # standard error of the mean difference
    limit_se: float  # standard error of either limit


def count_table(first: Sequence[int], second: Sequence[int], categories: int) -> NDArray[np.int64]:
    """Counts of pairs: (categories, categories), the first rater in rows.

    Args:
        first, second: categories of the same items, each in ``range(categories)``.
        categories: how many there are.

    Raises:
        ValueError: the two differ in length, or a category is outside.
    """
    if len(first) != len(second):
        raise ValueError("both raters must have marked the same items")
    table = np.zeros((categories, categories), np.int64)
    for a, b in zip(first, second, strict=True):
        if not (0 <= a < categories and 0 <= b < categories):
            raise ValueError(f"category outside 0 to {categories - 1}")
        table[a, b] += 1
    return table


def disagreement_weights(categories: int, weighting: Weighting) -> NDArray[np.float64]:
    """Weights that grow with the distance between categories: (categories, categories), zero diagonal."""
    steps = np.abs(np.subtract.outer(np.arange(categories), np.arange(categories))).astype(np.float64)
    return {"nominal": (steps > 0).astype(np.float64), "linear": steps, "quadratic": steps**2}[weighting]


def weighted_kappa(table: ArrayLike, weights: ArrayLike) -> float | None:
    """Cohen's weighted kappa (Cohen 1968): 1 - (disagreement seen) / (disagreement by chance).

    Args:
        table: (k, k) counts or proportions, one rater in rows.
        weights: (k, k) disagreement weights; they need not be symmetric.

    Returns:
        Kappa, or None when no disagreement is expected by chance, as when all marks are alike.
    """
    seen = np.asarray(table, np.float64)
    if seen.sum() <= 0:
        return None
    seen = seen / seen.sum()
    chance = np.outer(seen.sum(axis=1), seen.sum(axis=0))
    cost = np.asarray(weights, np.float64)
    expected = float((cost * chance).sum())
    return None if expected <= 0 else 1.0 - float((cost * seen).sum()) / expected


def kappa_with_interval(counts: ArrayLike, weights: ArrayLike) -> Estimate | None:
    """Weighted kappa with its large-sample interval.

    The standard error is that of Fleiss, Cohen & Everitt 1969; the interval takes Student's quantile
    with one degree of freedom less than there are items, as irrCAC's does.

    Args:
        counts: (k, k) counts, one rater in rows.
        weights: (k, k) disagreement weights, zero on the diagonal.

    Returns:
        The estimate, or None where kappa is not defined or there are fewer than two items. Low and high
        are not a number when all marks agree: that formula then gives no width.
    """
    seen = np.asarray(counts, np.float64)
    n = float(seen.sum())
    kappa = weighted_kappa(seen, weights)
    if kappa is None or n < 2:
        return None
    error = kappa_se(seen, weights)
    if error <= 0:
        return Estimate(kappa, math.nan, math.nan)
    half = float(stats.t.ppf((1 + CONFIDENCE) / 2, n - 1)) * error
    return Estimate(kappa, kappa - half, min(kappa + half, 1.0))


def kappa_se(counts: ArrayLike, weights: ArrayLike) -> float:
    """Standard error of a weighted kappa that is not zero (Fleiss, Cohen & Everitt 1969)."""
    seen = np.asarray(counts, np.float64)
    n = float(seen.sum())
    seen = seen / n
    cost = np.asarray(weights, np.float64)
    agree = 1.0 - cost / cost.max()
    rows, columns = seen.sum(axis=1), seen.sum(axis=0)
    expected = float((agree * np.outer(rows, columns)).sum())
    kappa = (float((agree * seen).sum()) - expected) / (1 - expected)
    by_chance = (agree @ columns)[:, None] + (rows @ agree)[None, :]
    spread = float((seen * (agree - by_chance * (1 - kappa)) ** 2).sum())
    variance = (spread - (kappa - expected * (1 - kappa)) ** 2) / (n * (1 - expected) ** 2)
    return math.sqrt(variance) if variance > 1e-15 else 0.0


def mean_of_pairs(ratings: ArrayLike, categories: int, weighting: Weighting = "linear") -> float | None:
    """Weighted kappa of more than two raters: the mean over their pairs (Light 1971).

    Args:
        ratings: (raters, items), categories in ``range(categories)``, NaN where a rater gave none.

    Returns:
        The mean, or None when kappa is defined for no pair.
    """
    marks = np.asarray(ratings, np.float64)
    weights = disagreement_weights(categories, weighting)
    found = []
    for one, other in itertools.combinations(marks, 2):
        both = ~(np.isnan(one) | np.isnan(other))
        table = count_table(one[both].astype(int).tolist(), other[both].astype(int).tolist(), categories)
        kappa = weighted_kappa(table, weights)
        if kappa is not None:
            found.append(kappa)
    return float(np.mean(found)) if found else None


def alpha_interval(ratings: ArrayLike, level: Level = "ordinal", draws: int = 400) -> Estimate | None:
    """Krippendorff's alpha with a percentile interval: items drawn again with replacement (Efron 1979).

    The draws are the same at every call, so that a report says the same twice. None where alpha is.
    """
    marks = np.asarray(ratings, np.float64)
    value = alpha(marks, level)
    if value is None:
        return None
    draw = np.random.default_rng(1)
    again = [alpha(marks[:, draw.integers(0, marks.shape[1], marks.shape[1])], level) for _ in range(draws)]
    known = [a for a in again if a is not None]
    if len(known) < draws / 2:
        return Estimate(value, math.nan, math.nan)
    low, high = np.quantile(known, [(1 - CONFIDENCE) / 2, (1 + CONFIDENCE) / 2])
    return Estimate(value, float(low), float(high))


def alpha(ratings: ArrayLike, level: Level = "ordinal") -> float | None:
    """Krippendorff's alpha.

    Args:
        ratings: (raters, items), NaN where a rater gave no mark.
        level: level of measurement.

    Returns:
        Alpha, or None when fewer than two different values can be compared.
    """
    marks = np.asarray(ratings, np.float64)
    if marks.ndim != 2:
        raise ValueError("ratings must be raters by items")
    pairable = marks[:, (~np.isnan(marks)).sum(axis=0) >= 2]
    if np.unique(pairable[~np.isnan(pairable)]).size < 2:
        return None
    return float(krippendorff.alpha(pairable, level_of_measurement=level))


def variance_table(ratings: ArrayLike) -> VarianceTable | None:
    """Mean squares of complete ratings, (targets, raters); None with fewer than two of either."""
    x = np.asarray(ratings, np.float64)
    if x.ndim != 2 or min(x.shape) < 2:
        return None
    if np.isnan(x).any():
        raise ValueError("every rater must have marked every target")
    n, k = x.shape
    rows, columns, mean = x.mean(axis=1), x.mean(axis=0), x.mean()
    between = k * ((rows - mean) ** 2).sum()
    raters = n * ((columns - mean) ** 2).sum()
    within = ((x - rows[:, None]) ** 2).sum()
    left = ((x - rows[:, None] - columns[None, :] + mean) ** 2).sum()
    return VarianceTable(
        n,
        k,
        float(between / (n - 1)),
        float(within / (n * (k - 1))),
        float(raters / (k - 1)),
        float(left / ((n - 1) * (k - 1))),
    )


def icc_agreement(ratings: ArrayLike) -> tuple[Estimate, Estimate] | None:
    """ICC(2,1) and ICC(2,k): one rater's, and the mean rater's, absolute agreement.

    Two-way random effects, Shrout & Fleiss 1979, with the interval they give on their page 424
    (Satterthwaite's degrees of freedom).

    Args:
        ratings: (targets, raters), complete.

    Returns:
        Both estimates, or None when there are fewer than two targets or raters, or all marks are alike,
        or targets differ so much less than noise does that the second is not defined.
    """
    t = variance_table(ratings)
    if t is None:
        return None
    n, k = t.targets, t.raters
    scale = max(float(np.abs(np.asarray(ratings, np.float64)).max()), 1e-300) ** 2
    if max(t.between_targets, t.within_targets) <= 1e-20 * scale:
        return None
    if t.residual <= 1e-14 * max(t.between_targets, t.between_raters):
        # Without residual the F ratios are infinite and the interval is not defined by these formulas.
        single = t.between_targets / (t.between_targets + k * t.between_raters / n)
        none = Estimate(single, math.nan, math.nan)
        mean = t.between_targets / (t.between_targets + t.between_raters / n)
        return none, Estimate(mean, math.nan, math.nan)
    whole = t.between_targets + (k - 1) * t.residual + k * (t.between_raters - t.residual) / n
    if whole <= 1e-9 * (t.between_targets + t.residual):
        return None  # the variance of a mark comes out as nothing or less
    single = (t.between_targets - t.residual) / whole
    below = t.between_targets + (t.between_raters - t.residual) / n
    if below <= 1e-9 * (t.between_targets + t.residual):
        return None  # the variance of a mean mark comes out as nothing or less: noise, no agreement to state
    average = (t.between_targets - t.residual) / below
    f = t.between_raters / t.residual
    a, b = k * single * f, n * (1 + (k - 1) * single) - k * single
    freedom = (k - 1) * (n - 1) * (a + b) ** 2 / ((n - 1) * a**2 + b**2)
    tail = (1 + CONFIDENCE) / 2
    upper, lower = float(stats.f.ppf(tail, n - 1, freedom)), float(stats.f.ppf(tail, freedom, n - 1))
    spread = k * t.between_raters + (k * n - k - n) * t.residual
    low = n * (t.between_targets - upper * t.residual) / (upper * spread + n * t.between_targets)
    high = n * (lower * t.between_targets - t.residual) / (spread + n * lower * t.between_targets)
    return Estimate(single, low, high), Estimate(average, _stepped_up(low, k), _stepped_up(high, k))


def _stepped_up(single: float, k: int) -> float:
    """Spearman & Brown: reliability of the mean of ``k`` raters."""
    below = 1 + (k - 1) * single
    return k * single / below if below > 0 else -math.inf


def rank_correlation(first: Sequence[float], second: Sequence[float]) -> float | None:
    """Kendall's tau-b, which allows for ties; None when either side is all ties or shorter than three."""
    if len(first) != len(second):
        raise ValueError("both sides must be as long")
    if len(first) < 3 or len(set(first)) < 2 or len(set(second)) < 2:
        return None
    return float(stats.kendalltau(first, second).statistic)


def slope(x: Sequence[float], y: Sequence[float]) -> Estimate | None:
    """Least-squares slope of ``y`` on ``x`` with its 95 % interval, unit of y over unit of x.

    None with fewer than four points, or when all ``x`` are alike.
    """
    if len(x) < 4 or len(set(x)) < 2:
        return None
    fit = stats.linregress(x, y)
    half = float(stats.t.ppf((1 + CONFIDENCE) / 2, len(x) - 2)) * float(fit.stderr)
    return Estimate(float(fit.slope), float(fit.slope) - half, float(fit.slope) + half)


def mean_with_interval(values: Sequence[float]) -> Estimate | None:
    """Mean with Student's 95 % interval, in the unit of the values; None with fewer than two."""
    n = len(values)
    if n < 2:
        return None
    mean = float(np.mean(values))
    half = float(stats.t.ppf((1 + CONFIDENCE) / 2, n - 1)) * float(np.std(values, ddof=1)) / math.sqrt(n)
    return Estimate(mean, mean - half, mean + half)


def limits_of_agreement(first: Sequence[float], second: Sequence[float], z: float = _Z) -> Limits | None:
    """Limits within which 95 % of differences ``first - second`` are expected (Bland & Altman 1986).

    The standard error of a limit is their approximation sqrt(3 s^2 / n). None with fewer than two pairs.
    """
    d = np.subtract(first, second).astype(np.float64)
    n = d.size
    if n < 2:
        return None
    mean, sd = float(d.mean()), float(d.std(ddof=1))
    return Limits(n, mean, sd, mean - z * sd, mean + z * sd, sd / math.sqrt(n), math.sqrt(3 * sd**2 / n))

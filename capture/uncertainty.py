"""Law of propagation of uncertainty, its Monte Carlo check, and conformance probability.

JCGM 100:2008 (GUM), equations 10 and 13 and annex G.4; JCGM 106:2012, section 7.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import norm

Floats = NDArray[np.float64]
Model = Callable[[Floats], float]


@dataclass(frozen=True, slots=True)
class Propagated:
    """A value, its combined standard uncertainty and the effective degrees of freedom."""

    value: float
    u: float
    components: Floats  # |sensitivity| times u of each input
    freedom: float
    u_second_order: float  # with the next terms of the Taylor series (GUM 5.1.2, note)


def propagate(
    model: Model,
    values: ArrayLike,
    u: ArrayLike,
    correlation: ArrayLike | None = None,
    freedom: ArrayLike | None = None,
) -> Propagated:
    """Combined standard uncertainty of ``model(values)`` by finite steps of one standard uncertainty.

    ``values``, ``u`` and ``freedom`` are (n,), ``correlation`` (n, n). Second-order terms assume
    independent normal inputs.
    """
    x = np.asarray(values, dtype=float)
    du = np.asarray(u, dtype=float)
    n = len(x)
    value = model(x)
    steps = np.diag(du)
    up = np.array([model(x + s) for s in steps])
    down = np.array([model(x - s) for s in steps])
    signed = (up - down) / 2
    r = np.eye(n) if correlation is None else np.asarray(correlation, dtype=float)
    variance = float(signed @ r @ signed)

    # GUM 5.1.2 note: sum over i, j of (f_ij^2 / 2 + f_i f_ijj) u_i^2 u_j^2.
    extra = 0.0
    for i in range(n):
        for j in range(n):
            mixed = _mixed(model, x, steps[i], steps[j], value, up[i], down[i], i == j)
            third = _third(model, x, steps[i], steps[j])
            extra += mixed**2 / 2 + signed[i] * third
    nu = math.inf
    if freedom is not None:
        per_input = (np.abs(signed) ** 4 / np.asarray(freedom, dtype=float)).sum()
        nu = variance**2 / per_input if per_input > 0 else math.inf
    return Propagated(
        value, math.sqrt(variance), np.abs(signed), float(nu), math.sqrt(max(variance + extra, 0.0))
    )


def _mixed(
    model: Model, x: Floats, a: Floats, b: Floats, mid: float, up: float, down: float, same: bool
) -> float:
    if same:
        return up - 2 * mid + down
    return (model(x + a + b) - model(x + a - b) - model(x - a + b) + model(x - a - b)) / 4


def _third(model: Model, x: Floats, a: Floats, b: Floats) -> float:
    """Derivative once by ``a`` and twice by ``b``."""
    above = model(x + a + b) - 2 * model(x + a) + model(x + a - b)
    below = model(x - a + b) - 2 * model(x - a) + model(x - a - b)
    return (above - below) / 2


def monte_carlo(
    model: Model, values: ArrayLike, u: ArrayLike, draws: int, rng: np.random.Generator
) -> tuple[float, float]:
    """Mean and standard deviation of ``model`` over normal, independent inputs (JCGM 101:2008)."""
    x = np.asarray(values, dtype=float)
    inputs = x + rng.normal(size=(draws, len(x))) * np.asarray(u, dtype=float)
    outputs = np.array([model(row) for row in inputs])
    return float(outputs.mean()), float(outputs.std(ddof=1))


def combine(parts: Sequence[float]) -> float:
    """Root sum of squares of independent parts."""
    return math.sqrt(sum(p * p for p in parts))


def conformance(value: float, u: float, lower: float = -math.inf, upper: float = math.inf) -> float:
    """Probability that the true value lies in [lower, upper) for a normal state of knowledge.

    JCGM 106:2012, section 7: Phi((upper - value) / u) - Phi((lower - value) / u).
    """
    if u <= 0:
        return 1.0 if lower <= value < upper else 0.0
    return float(norm.cdf((upper - value) / u) - norm.cdf((lower - value) / u))

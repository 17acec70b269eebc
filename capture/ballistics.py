"""In the air the centre of mass obeys z = z0 + v t - g t^2 / 2: the robust fit, and the gravity check.

Standard gravity serves everywhere: between equator and pole g varies by 0.3 %, under 2 mm on a
0.6 m rise (WGS84 normal gravity).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bridge.messages import Quantity

Floats = NDArray[np.float64]

GRAVITY: Final = 9.80665  # m/s2, 3rd CGPM 1901
# Slow error of the body model over a flight, middle against ends: 10 mm at each joint, weighted as the
# joints weigh in the centre of mass (0.34), and more because neighbours err alike. Our own estimate.
BODY_BIAS_M: Final = 0.005
CHECK_K: Final = 3.0  # the gravity check allows this many standard uncertainties
_TUNING: Final = 2.0  # Cauchy weights fall to a half at this many robust standard deviations
_ITERATIONS: Final = 12
_EPS: Final = 1e-12


@dataclass(frozen=True, slots=True)
class Flightpath:
    """A parabola through the centre of mass.

    x = x0 + vx s, z = z0 + vz s - g s^2 / 2 with s = t - t0. Covariances are of (x0, vx) and of
    (z0, vz) or, with g free, (z0, vz, g); they carry the residuals' own scatter and correlation.
    """

    t0_s: float
    x0_m: float
    vx_m_s: float
    z0_m: float
    vz_m_s: float
    g_m_s2: float
    cov_x: Floats
    cov_z: Floats
    rms_m: float  # robust scatter about the path, vertical
    used: int  # samples with more than half weight
    t_first_s: float
    t_last_s: float

    def at(self, t_s: ArrayLike) -> Floats:
        """(..., 2) of x and z at times (...)."""
        s = np.asarray(t_s, dtype=float) - self.t0_s
        return np.stack(
            [self.x0_m + self.vx_m_s * s, self.z0_m + self.vz_m_s * s - self.g_m_s2 * s * s / 2], axis=-1
        )

    def velocity(self, t_s: ArrayLike) -> Floats:
        """(..., 2) of horizontal and vertical speed, m/s."""
        s = np.asarray(t_s, dtype=float) - self.t0_s
        return np.stack([np.full_like(s, self.vx_m_s), self.vz_m_s - self.g_m_s2 * s], axis=-1)

    def u_z(self, t_s: ArrayLike) -> Floats:
        """Standard uncertainty of the height at times (...)."""
        s = np.asarray(t_s, dtype=float) - self.t0_s
        return _spread(s, self.cov_z)

    def u_vz(self) -> float:
        """Standard uncertainty of the vertical speed at the middle of the samples, m/s."""
        return float(math.sqrt(self.cov_z[1, 1]))

    def u_vx(self) -> float:
        """Standard uncertainty of the horizontal speed, m/s."""
        return float(math.sqrt(self.cov_x[1, 1]))

    @property
    def apex_s(self) -> float:
        """When the centre of mass is highest."""
        return self.t0_s + self.vz_m_s / self.g_m_s2

    @property
    def u_g(self) -> float:
        """Standard uncertainty of g from the fit alone; 0 when g was given."""
        return float(math.sqrt(self.cov_z[2, 2])) if self.cov_z.shape == (3, 3) else 0.0


def fit_flightpath(
    t_s: ArrayLike, xz_m: ArrayLike, sigma_m: ArrayLike = 0.005, g_m_s2: float | None = GRAVITY
) -> Flightpath | None:
    """Robust parabola through (n,) times and (n, 2) points; ``g_m_s2=None`` leaves g free.

    Iteratively re-weighted least squares with Cauchy weights on the standardised distance from the
    path, so that a frame with wrong joints counts little in both axes. Samples with NaN are left out.

    Returns:
        The path, or None when fewer than five samples remain.
    """
    t = np.asarray(t_s, dtype=float)
    xz = np.asarray(xz_m, dtype=float)
    sigma = np.broadcast_to(np.asarray(sigma_m, dtype=float), t.shape)
    good = np.isfinite(xz).all(axis=1) & np.isfinite(sigma) & np.isfinite(t)
    t, xz, sigma = t[good], xz[good], np.maximum(sigma[good], 1e-4)
    if len(t) < 5:
        return None
    t0 = float((t[0] + t[-1]) / 2)
    s = t - t0
    ax = np.stack([np.ones_like(s), s], axis=1)
    if g_m_s2 is None:
        az, target = np.stack([np.ones_like(s), s, -s * s / 2], axis=1), xz[:, 1]
    else:
        az, target = ax, xz[:, 1] + g_m_s2 * s * s / 2

    weight = 1 / sigma**2
    robust = np.ones_like(s)
    for _ in range(_ITERATIONS):
        px = _solve(ax, xz[:, 0], weight * robust)
        pz = _solve(az, target, weight * robust)
        rx, rz = (xz[:, 0] - ax @ px) / sigma, (target - az @ pz) / sigma
        scale_x, scale_z = _scale(rx, robust), _scale(rz, robust)
        distance = np.maximum(np.abs(rx) / scale_x, np.abs(rz) / scale_z)
        renewed = 1 / (1 + (distance / _TUNING) ** 2)
        if np.max(np.abs(renewed - robust)) < 1e-3:
            break
        robust = renewed

    cov_x = _covariance(ax, weight * robust, rx, scale_x, robust)
    cov_z = _covariance(az, weight * robust, rz, scale_z, robust)
    return Flightpath(
        t0_s=t0,
        x0_m=float(px[0]),
        vx_m_s=float(px[1]),
        z0_m=float(pz[0]),
        vz_m_s=float(pz[1]),
        g_m_s2=float(pz[2]) if g_m_s2 is None else g_m_s2,
        cov_x=cov_x,
        cov_z=cov_z,
        rms_m=float(np.sqrt(np.average((rz * sigma) ** 2, weights=robust))),
        used=int((robust > 0.5).sum()),
        t_first_s=float(t[0]),
        t_last_s=float(t[-1]),
    )


@dataclass(frozen=True, slots=True)
class GravityCheck:
    """Whether a flight fitted with g free falls as the earth makes it fall."""

    passed: bool
    g: Quantity
    reason: str  # empty when passed


def check_gravity(free: Flightpath | None, scale_u: float) -> GravityCheck:
    """Compare g of a fit with g free against standard gravity.

    The uncertainty holds the fit's own, the scale's (relative, ``scale_u``), and what a slow error of
    the body model of :data:`BODY_BIAS_M` between middle and ends would do (8 b / T^2).
    """
    if free is None:
        return GravityCheck(
            False, Quantity(math.nan, math.nan, "m/s2"), "too few pictures of the flight show her joints"
        )
    duration = max(free.t_last_s - free.t_first_s, 1e-3)
    u = math.sqrt(free.u_g**2 + (GRAVITY * scale_u) ** 2 + (8 * BODY_BIAS_M / duration**2) ** 2)
    g = Quantity(free.g_m_s2, u, "m/s2")
    off = free.g_m_s2 - GRAVITY
    if abs(off) > CHECK_K * u:
        way = "faster" if off > 0 else "slower"
        return GravityCheck(
            False,
            g,
            f"gravity check failed: the body seems to fall {way} than it can "
            f"({free.g_m_s2:.1f} instead of 9.8 m/s2); check the survey, the picture times and the joints",
        )
    if u > 0.5 * GRAVITY:
        return GravityCheck(False, g, "too few clear pictures of the flight to check it against gravity")
    return GravityCheck(True, g, "")


def _solve(a: Floats, b: Floats, weight: Floats) -> Floats:
    root = np.sqrt(weight)
    return np.asarray(np.linalg.lstsq(a * root[:, None], b * root, rcond=None)[0], dtype=np.float64)


def _scale(standardised: Floats, robust: Floats) -> float:
    """Scatter of standardised residuals by their median, at least a tenth of what the network claims."""
    kept = np.abs(standardised[robust > 0.05]) if (robust > 0.05).sum() >= 5 else np.abs(standardised)
    return max(float(1.4826 * np.median(kept)), 0.1)


def _covariance(a: Floats, weight: Floats, standardised: Floats, scale: float, robust: Floats) -> Floats:
    """Inverse normal matrix times the residuals' variance, widened when neighbours are alike.

    The widening (1 + r) / (1 - r) is the variance inflation of a mean of a first-order autoregressive
    series with lag-one correlation r; a negative r is not believed.
    """
    freedom = max(robust.sum() - a.shape[1], 1.0)
    observed = float((robust * standardised**2).sum() / freedom)
    variance = max(observed, scale**2)
    inverse = np.linalg.pinv(a.T @ (a * weight[:, None]))
    kept = standardised[robust > 0.3]
    widening = 1.0
    if len(kept) >= 8:
        power = float((kept**2).sum())
        # A fit of k parameters makes neighbours look less alike than they are, by about k / n.
        lag = float((kept[1:] * kept[:-1]).sum() / max(power, _EPS)) + a.shape[1] / len(kept)
        lag = min(max(lag, 0.0), 0.8)
        if lag > 1.64 / math.sqrt(len(kept)):  # no widening on chance alone (5 % one-sided)
            widening = (1 + lag) / (1 - lag)
    return np.asarray(inverse * variance * widening, dtype=np.float64)


def _spread(s: Floats, covariance: Floats) -> Floats:
    columns = [np.ones_like(s), s] + ([-s * s / 2] if covariance.shape == (3, 3) else [])
    a = np.stack(columns, axis=-1)
    variance = np.einsum("...i,ij,...j->...", a, covariance, a)
    return np.asarray(np.sqrt(np.maximum(variance, 0.0)), dtype=np.float64)

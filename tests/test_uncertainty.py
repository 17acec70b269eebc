import math

import numpy as np
import pytest
from scipy.stats import t as student
from uncertainties import ufloat

from bridge.skeleton import INDEX
from capture.bands import common_practice
from capture.body import joint_weights
from capture.camera import OFF_PLANE_U_M
from capture.flights import measure_track
from capture.measures import SetUp, offset_u_m
from capture.uncertainty import combine, conformance, monte_carlo, propagate
from tests.simulated import camera_at, dismount, observe

# GUM (JCGM 100:2008) annex H.1, end gauge: l = l_s + d - l_s (d_alpha theta + alpha_s d_theta), nm.
# d = mean 215 + comparator random and systematic; theta = mean -0.1 + cyclic.
VALUES = [50_000_623, 215, 0, 0, 11.5e-6, 0, -0.1, 0, 0]
U = [
    25,
    5.8,
    3.9,
    6.7,
    2e-6 / math.sqrt(3),
    1e-6 / math.sqrt(3),
    0.2,
    0.5 / math.sqrt(2),
    0.05 / math.sqrt(3),
]
FREEDOM = [18, 24, 5, 8, math.inf, 50, math.inf, math.inf, 2]


def gauge(x: np.ndarray) -> float:
    length, d, random, systematic, alpha, d_alpha, theta, cyclic, d_theta = x
    return length + d + random + systematic - length * (d_alpha * (theta + cyclic) + alpha * d_theta)


def test_gum_h1() -> None:
    found = propagate(gauge, VALUES, U, freedom=FREEDOM)
    assert found.value == 50_000_838
    assert found.u == pytest.approx(31.66, abs=0.05)  # published: 32 nm
    assert found.components[0] == pytest.approx(25, abs=0.01)
    assert found.components[8] == pytest.approx(16.599, abs=0.002)
    assert found.components[5] == pytest.approx(2.887, abs=0.002)
    assert found.u_second_order == pytest.approx(33.81, abs=0.1)  # published: 34 nm
    assert int(found.freedom) == 16
    assert student.ppf(0.995, int(found.freedom)) * found.u == pytest.approx(92.5, abs=0.3)


def test_height_from_the_distance_of_the_rails() -> None:
    # H = S a / b with S = 0.80 m known to 8.165 mm and two pixel distances of u = 0.7071 px: 2.51 mm.
    found = propagate(lambda x: x[0] * x[1] / x[2], [0.8, 100, 400], [0.008165, 0.7071, 0.7071])
    assert found.value == pytest.approx(0.2)
    assert 1000 * found.u == pytest.approx(2.51, abs=0.01)
    for keypoint_mm, total_mm in ((10, 10.31), (20, 20.16), (30, 30.10)):
        assert combine([1000 * found.u, keypoint_mm]) == pytest.approx(total_mm, abs=0.01)


def test_correlation_counts() -> None:
    same = propagate(lambda x: x[0] - x[1], [1, 1], [0.1, 0.1], correlation=[[1, 1], [1, 1]])
    free = propagate(lambda x: x[0] - x[1], [1, 1], [0.1, 0.1])
    assert same.u == pytest.approx(0, abs=1e-9)
    assert free.u == pytest.approx(0.1 * math.sqrt(2))


def test_propagation_agrees_with_monte_carlo() -> None:
    rng = np.random.default_rng(3)
    _, spread = monte_carlo(gauge, VALUES, U, 40_000, rng)
    # Monte Carlo holds the second-order terms too; 40,000 draws know a deviation to 0.4 %.
    assert spread == pytest.approx(propagate(gauge, VALUES, U).u_second_order, rel=0.02)


def test_set_up_uncertainty_agrees_with_monte_carlo() -> None:
    """Height of hips over the rail: cameras drawn from the fit's covariance, gymnast off the plane."""
    _, camera = camera_at((2.5, -9.0, 1.4))
    at = np.array([0.5, 2.85])
    px = camera.project_plane(at)
    rng = np.random.default_rng(5)
    nominal = camera.parameters()
    heights = []
    for _ in range(1500):
        p = rng.multivariate_normal(nominal, camera.covariance)
        rig = camera.rig
        for _, step, moved in camera.tolerance_steps:
            weight = rng.normal()
            p = p + weight * step
            if moved.apparatus.high_bar_m != camera.rig.apparatus.high_bar_m:
                rail = camera.zero_m("high") + weight * (
                    moved.apparatus.high_bar_m - rig.apparatus.high_bar_m
                )
        beside = rng.normal(0, OFF_PLANE_U_M)
        heights.append(camera.with_parameters(p).to_plane(px, beside)[1] - rail)
    foretold = SetUp(camera).height_u_m(at, "high")
    assert combine([float(np.std(heights)), 0.010]) == pytest.approx(foretold, rel=0.08)


def test_gum_h1_by_a_general_library() -> None:
    """The same inputs through the package `uncertainties` (linear propagation by automatic derivatives)."""
    inputs = [ufloat(value, u) for value, u in zip(VALUES, U, strict=True)]
    by_library = gauge(inputs)  # type: ignore[arg-type]
    found = propagate(gauge, VALUES, U)
    assert by_library.n == pytest.approx(found.value)
    assert by_library.s == pytest.approx(found.u, rel=1e-4)
    parts = by_library.error_components()
    for variable, component in zip(inputs, found.components, strict=True):
        assert parts.get(variable, 0.0) == pytest.approx(component, rel=1e-4, abs=1e-6)


def test_correlated_inputs_by_a_general_library() -> None:
    """H = S (a - o) / (b - o): both picture distances share the rail's row o."""
    values, u = [0.8, 300.0, 600.0, 200.0], [0.008165, 0.5, 0.5, 0.5]
    s, a, b, o = (ufloat(value, spread) for value, spread in zip(values, u, strict=True))
    by_library = s * (a - o) / (b - o)
    found = propagate(lambda x: x[0] * (x[1] - x[3]) / (x[2] - x[3]), values, u)
    assert found.u == pytest.approx(by_library.s, rel=1e-4)
    # As two distances with their correlation it is the same (GUM, equation 13).
    two = propagate(
        lambda x: x[0] * x[1] / x[2],
        [0.8, 100.0, 400.0],
        [0.008165, 0.5 * math.sqrt(2), 0.5 * math.sqrt(2)],
        correlation=[[1, 0, 0], [0, 1, 0.5], [0, 0.5, 1]],
    )
    assert two.u == pytest.approx(by_library.s, rel=1e-3)


def test_hips_and_centre_of_mass_err_alike() -> None:
    """Hips minus centre of mass: a Monte Carlo over all joints, and the general library."""
    rng = np.random.default_rng(4)
    sigma = rng.uniform(0.004, 0.012, 14)
    hips = [INDEX["right_hip"], INDEX["left_hip"]]
    sigma[hips] = 0.006
    drawn = rng.normal(0, sigma, (40_000, 14))
    scatter = float(np.std(drawn[:, hips].mean(axis=1) - drawn @ joint_weights()))
    joints = [ufloat(0, s) for s in sigma]
    by_library = (joints[hips[0]] + joints[hips[1]]) / 2 - sum(
        float(w) * j for w, j in zip(joint_weights(), joints, strict=True)
    )
    assert float(offset_u_m(sigma[None])[0]) == pytest.approx(by_library.s, rel=1e-9)
    assert float(offset_u_m(sigma[None])[0]) == pytest.approx(scatter, rel=0.02)
    unknown = np.where(np.arange(14) == hips[0], np.nan, sigma)  # takes the worst of the others
    assert offset_u_m(unknown[None])[0] > by_library.s
    assert offset_u_m(np.full((1, 14), np.nan))[0] == 0.01


def test_what_joint_noise_makes_of_an_apex_agrees_with_monte_carlo() -> None:
    """One flight seen twelve times with other noise: the stated share of the joints against the scatter."""
    true, view = camera_at()
    t, joints, _ = dismount(speed=3.9, turns=1.7)
    set_up, heights, stated = SetUp(view), [], []
    for seed in range(12):
        reading = measure_track(observe(true, t, joints, seed=seed), view, common_practice())[-1]
        assert reading.apex is not None
        heights.append(reading.apex.value)
        at = view.to_plane(np.array(reading.drawing.apex))
        stated.append(math.sqrt(reading.apex.u**2 - set_up.height_u_m(at, "high") ** 2))
    scatter = float(np.std(heights, ddof=1))
    # Twelve draws know a deviation to a fifth; what is stated also allows for joints that err alike.
    assert 0.8 * scatter < np.mean(stated) < 2 * scatter
    assert np.mean(stated) < 0.004


def test_published_conformance_probabilities() -> None:
    """JCGM 106:2012: breakdown voltage 0.92, viscosity 0.66 (from memory), and Table 1."""
    assert conformance(-5.47, 0.05, upper=-5.40) == pytest.approx(0.92, abs=0.005)
    assert conformance(13.6, 1.8, 12.5, 16.3) == pytest.approx(0.66, abs=0.005)
    for z, p in ((0.84, 0.80), (1.28, 0.90), (1.64, 0.95), (2.33, 0.99), (3.09, 0.999)):
        assert conformance(0.0, 1.0, upper=z) == pytest.approx(p, abs=0.002)

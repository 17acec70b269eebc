import math

import numpy as np
import pytest
from scipy.stats import t as student

from capture.camera import OFF_PLANE_U_M
from capture.measures import SetUp
from capture.uncertainty import combine, monte_carlo, propagate
from tests.simulated import camera_at

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

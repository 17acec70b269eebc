import json
import math
from itertools import pairwise

import numpy as np
import pytest

from capture.ballistics import GRAVITY, check_gravity, fit_flightpath
from capture.body import DE_LEVA_MALE, joint_weights, middle
from tests.mocap import joints
from tests.reference import reference


def throw(
    n: int = 30, noise: float = 0.0, seed: int = 0, g: float = GRAVITY
) -> tuple[np.ndarray, np.ndarray]:
    t = np.arange(n) / 60
    z = 2.0 + 3.53 * t - g * t * t / 2
    xz = np.stack([0.3 + 1.33 * t, z], axis=1)
    return t, xz + np.random.default_rng(seed).normal(0, noise, xz.shape) if noise else xz


@pytest.mark.parametrize(
    ("v", "rise_m", "up_s"),
    [
        (2.5, 0.3187, 0.2549),
        (3.0, 0.4589, 0.3059),
        (3.53, 0.6353, 0.3600),
        (4.0, 0.8158, 0.4079),
        (4.5, 1.0325, 0.4589),
    ],
)
def test_rise_and_time_to_the_top(v: float, rise_m: float, up_s: float) -> None:
    # v^2 / 2 g and v / g with standard gravity.
    t = np.arange(50) / 60
    path = fit_flightpath(t, np.stack([0 * t, v * t - GRAVITY * t * t / 2], axis=1))
    assert path is not None
    assert path.apex_s == pytest.approx(up_s, abs=5e-5)
    assert path.at(path.apex_s)[1] == pytest.approx(rise_m, abs=6e-5)


@pytest.mark.parametrize(("trim", "low", "high"), [(0, 9.93, 9.99), (2, 9.93, 9.97)])
def test_ball_toss(trim: int, low: float, high: float) -> None:
    # BMC notes, balltoss.txt: least squares gives 9.978 (all) and 9.953 (two trimmed at each end); a
    # robust fit may lie between, since it trims by itself.
    d = np.loadtxt(reference("ballistics", "balltoss.txt"), skiprows=2)[trim : 22 - trim]
    path = fit_flightpath(d[:, 0], d[:, 1:], 0.002, None)
    assert path is not None
    assert low < path.g_m_s2 < high
    assert path.vx_m_s == pytest.approx(1.723, abs=0.006)
    assert path.apex_s == pytest.approx(0.2694, abs=0.001)
    # The fit's own error bar is far below the true error of scale: never report from the fit alone.
    assert path.u_g < 0.1 < path.g_m_s2 - GRAVITY
    assert check_gravity(path, 0.02).g.u > 0.15


def test_thrown_marker_with_irregular_times() -> None:
    d = np.loadtxt(reference("ballistics", "massa_A.txt"), skiprows=2)
    assert d[1, 0] - d[0, 0] > 0.04  # the first step is 46 ms, the others 8 or 9
    path = fit_flightpath(d[:, 0], d[:, 1:], 0.01, None)
    assert path is not None
    # Least squares on all rows: 9.899; with ten trimmed: 10.012; with twenty: 10.225.
    assert 9.8 < path.g_m_s2 < 10.3
    assert path.u_g > 0.1  # its residuals hang together, and the fit knows


def test_jump_of_a_real_person() -> None:
    # CMU 02_04, airborne 112 to 173, two frames trimmed: the centre of mass gives g within 1 %, the hips
    # alone are 2 to 3 % off.
    t, j = joints(reference("mocap", "02.asf"), reference("mocap", "02_04.amc"), 112, 173)
    t, plane = t[2:-2], j[2:-2][..., [0, 2]]
    for weights in (joint_weights(), joint_weights(DE_LEVA_MALE)):
        com = fit_flightpath(t, np.einsum("j,tjk->tk", weights, plane), 0.002, None)
        assert com is not None
        assert com.g_m_s2 == pytest.approx(GRAVITY, rel=0.01)
        assert com.rms_m < 0.002
        assert check_gravity(com, 0.005).passed
    hips = fit_flightpath(t, middle(plane, "hip"), 0.002, None)
    assert hips is not None
    assert 1.02 < hips.g_m_s2 / GRAVITY < 1.03


@pytest.mark.parametrize("every", [2, 4, 5])
def test_apex_does_not_depend_on_frame_rate(every: int) -> None:
    t, j = joints(reference("mocap", "02.asf"), reference("mocap", "02_04.amc"), 114, 170)
    com = np.einsum("j,tjk->tk", joint_weights(), j[..., [0, 2]])
    full, part = fit_flightpath(t, com, 0.002), fit_flightpath(t[::every], com[::every], 0.002)
    assert full is not None
    assert part is not None
    assert part.at(part.apex_s)[1] == pytest.approx(full.at(full.apex_s)[1], abs=2e-4)


def test_ten_small_jumps_and_the_contaminated_one() -> None:
    # CMU 01_01. Frames 2435 to 2475 touch something: its g is far out and must not pass.
    t, j = joints(reference("mocap", "01.asf"), reference("mocap", "01_01.amc"), 1, 2752)
    com = np.einsum("j,tjk->tk", joint_weights(), j)[:, [0, 2]]
    lowest = np.minimum(j[:, 0, 2], j[:, 5, 2])
    air = lowest > np.quantile(lowest, 0.05) + 0.12
    edges = np.flatnonzero(np.diff(air.astype(int)))
    jumps = [(a + 1, b + 1) for a, b in pairwise(edges) if air[a + 1] and 25 <= b - a < 70]
    assert len(jumps) == 10
    passed = []
    for a, b in jumps:
        part = slice(a + 3, b - 3)
        path = fit_flightpath(t[part], com[part], 0.002, None)
        assert path is not None
        check = check_gravity(path, 0.01)
        passed.append(check.passed)
        if not check.passed:
            assert 2400 < a < 2480
            assert "faster than it can (11" in check.reason
    assert sum(passed) == 9


def test_made_up_backflip_is_refused() -> None:
    # DeepMimic's backflip animation, 16 frames a second: its root is no parabola with g
    # (fits 6 to 15 when trimmed) and its body falls too slowly.
    frames = json.loads(reference("negative", "backflip_deepmimic.json").read_text())["Frames"]
    step = np.array([f[0] for f in frames])
    t = np.concatenate([[0.0], np.cumsum(step[:-1])])
    root = np.array([[f[1], f[2]] for f in frames])
    top = int(np.argmax(root[:, 1]))
    refused = 0
    for half in (3, 4):
        part = slice(max(top - half, 0), top + half + 1)
        path = fit_flightpath(t[part], root[part], 0.005, None)
        refused += path is None or not check_gravity(path, 0.01).passed or path.rms_m > 0.02
    assert refused == 2


@pytest.mark.parametrize("scale", [0.9, 1.1])
def test_wrong_scale_is_found(scale: float) -> None:
    t, xz = throw(36, 0.004)
    path = fit_flightpath(t, scale * xz, 0.004, None)
    check = check_gravity(path, 0.01)
    assert not check.passed
    assert ("slower" if scale < 1 else "faster") in check.reason


def test_right_scale_passes_nearly_always() -> None:
    passed = sum(
        check_gravity(fit_flightpath(*throw(36, 0.006, s), 0.006, None), 0.005).passed for s in range(200)
    )
    assert passed >= 198


def test_stray_frames_hardly_matter() -> None:
    t, xz = throw(40, 0.003)
    clean = fit_flightpath(t, xz, 0.003)
    bad = xz.copy()
    bad[[5, 6, 20, 31]] += [[0.3, -0.4], [0.2, -0.5], [-0.5, 0.6], [0.4, 0.3]]
    bad[12] = np.nan
    stray = fit_flightpath(t, bad, 0.003)
    assert clean is not None
    assert stray is not None
    assert stray.at(0.36)[1] == pytest.approx(clean.at(0.36)[1], abs=0.003)


def test_covariance_is_honest() -> None:
    misses, foretold = [], []
    for seed in range(300):
        path = fit_flightpath(*throw(36, 0.006, seed), 0.006)
        assert path is not None
        misses.append(path.at(0.36)[1] - throw(36)[1][0, 1] - 3.53 * 0.36 + GRAVITY * 0.36**2 / 2)
        foretold.append(float(path.u_z(0.36)))
    ratio = np.std(misses) / np.mean(foretold)
    assert 0.7 < ratio < 1.15  # never much too sure


def test_too_few_pictures() -> None:
    t, xz = throw(4)
    assert fit_flightpath(t, xz) is None
    check = check_gravity(None, 0.01)
    assert not check.passed
    assert math.isnan(check.g.value)
    assert "too few" in check.reason

"""Every figure of a flight against what really happened, within its stated uncertainty.

The truth is the studio's motion (tests/studio_truth.py), which shares no code with the measuring modules;
what no studio flight shows alone (the backswing, the belly's side, smoothing) is checked on figures whose
answer is known in closed form.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from bridge.messages import Moment, Quantity, Reading
from bridge.skeleton import INDEX
from capture.backswing import LONGEST_S, backswing, given_up
from capture.bands import common_practice
from capture.flights import FlightWatch, measure_track
from capture.measures import height_sentence
from capture.phases import sample_of
from capture.rig import Rail
from capture.shape import Shape, belly_side, bends, unwrapped
from capture.smoothing import smooth
from tests.simulated import camera_at, figure, observe
from tests.studio_truth import TrueFlight, fourteen

TABLE = common_practice()
TRUE, VIEW = camera_at()
SEEDS = 3
FEWEST = 3.0  # standard uncertainties within which every figure lies
ROUTINES = {
    "up": [("high_to_low_salto", {}), ("low_to_high", {})],
    "counter": [("counter_regrasp", {})],
    "front": [("salto_regrasp", {})],
    "tucked": [("dismount", {})],
    "stretched": [("dismount", {"shape": "stretched", "saltos": 2, "amplitude_m": 0.4, "arch_deg": 10})],
    "twisting": [("dismount", {"shape": "stretched", "saltos": 1, "twist_turns": 2})],
}


def only(reading: Reading, name: str) -> Quantity:
    return next(m.quantity for m in reading.measures if m.name == name)


def moment(reading: Reading, name: str) -> Moment:
    return next(m for m in reading.moments if m.name == name)


@pytest.fixture(scope="module")
def played() -> dict[str, Any]:
    score = pytest.importorskip("capture.studio.score")
    figures = pytest.importorskip("capture.studio.figure")
    rig = pytest.importorskip("capture.studio.routine").Rig()
    skeleton = figures.Skeleton.default()
    return {
        name: score.compose([score.Element(*e) for e in elements], skeleton, rig)
        for name, elements in ROUTINES.items()
    }


@pytest.fixture(scope="module")
def read(played: dict[str, Any]) -> list[tuple[Reading, TrueFlight, float | None]]:
    """Readings, what is true, and the true backswing where there is one."""
    from capture.studio import figure as figures

    out = []
    for performance in played.values():
        flights = performance.flights
        first, last = flights[0].release_s - 1.0, flights[-1].end_s + 2.0
        for seed in range(SEEDS):
            start = max(first, performance.motion.t_s[0]) + np.random.default_rng(seed).uniform(0, 1 / 60)
            t = np.arange(start, min(last, performance.motion.t_s[-1]), 1 / 60)
            points = figures.segments(performance.motion.at(t), performance.skeleton)
            readings = measure_track(observe(TRUE, t, fourteen(points), seed=seed), VIEW, TABLE)
            for number, flight in enumerate(flights):
                near = [r for r in readings if abs(r.release_ns / 1e9 - 100 - flight.release_s) < 0.1]
                assert len(near) == 1, (flight.family, seed)
                assert near[0].state == "settled"
                up = flight.family == "low_to_high"
                swing = TrueFlight.backswing_of(performance, number) if up else None
                out.append((near[0], TrueFlight(performance, number), swing))
    return out


def test_each_measure_lies_within_its_uncertainty(
    read: list[tuple[Reading, TrueFlight, float | None]],
) -> None:
    off: dict[str, list[float]] = {}
    for reading, true, swing in read:
        expected = true.measures()
        if swing is not None:
            expected["backswing"] = swing
        measured = {m.name: m.quantity for m in reading.measures}
        # Which way a twisting body faces is not told; everything else is.
        missing = set(expected) ^ set(measured)
        assert missing <= ({"arch_at_apex"} if true.flight.twist_turns else set()), true.flight.family
        for name, quantity in measured.items():
            off.setdefault(name, []).append((quantity.value - expected[name]) / quantity.u)
    assert set(off) == {
        "flight_time", "release_speed", "release_angle", "travel", "least_distance", "salto_turns",
        "twist_turns", "hip_angle_at_apex", "knee_angle_at_apex", "arch_at_apex", "body_line_at_regrasp",
        "first_salto_end_height", "first_salto_end_rise", "second_salto_height", "counter_rotation_height",
        "backswing",
    }  # fmt: skip
    for name, z in off.items():
        assert np.abs(z).max() < FEWEST, name
        assert np.sqrt(np.mean(np.square(z))) < 1.3, name


def test_the_moments_lie_within_their_uncertainty(
    read: list[tuple[Reading, TrueFlight, float | None]],
) -> None:
    heights: dict[str, list[float]] = {}
    rises: dict[str, list[float]] = {}
    for reading, true, _ in read:
        expected = true.moments()
        assert set(expected) <= {m.name for m in reading.moments} <= {*expected, "opening"}
        for name, (height, rise) in expected.items():
            m = moment(reading, name)
            heights.setdefault(name, []).append((m.height.value - height) / m.height.u)
            rises.setdefault(name, []).append((m.rise.value - rise) / m.rise.u)
        assert [m.t_ns for m in reading.moments] == sorted(m.t_ns for m in reading.moments)
    assert set(heights) == {"release", "apex", "regrasp", "landing", "down_swing"}
    for z in (*heights.values(), *rises.values()):
        assert np.abs(z).max() < FEWEST + 0.5
        assert np.sqrt(np.mean(np.square(z))) < 1.5


def test_sentences_say_what_a_judge_understands(
    read: list[tuple[Reading, TrueFlight, float | None]],
) -> None:
    said = {m.name: m.sentence for reading, _, _ in read for m in reading.measures}
    for name, sentence in said.items():
        assert sentence.endswith("."), name
        assert not any(word in sentence for word in ("rad", "z =", "_", "nan", "CoM", "rail")), sentence
    assert "high bar" in said["counter_rotation_height"]
    assert height_sentence("second_salto_height", -0.034, "low").endswith("3 cm below the low bar.")
    assert height_sentence("flight_time", 0.5, "high") == ""


def test_the_table_judges_counter_rotation_and_backswing_of_low_to_high_alone(
    read: list[tuple[Reading, TrueFlight, float | None]],
) -> None:
    for reading, _, swing in read:
        judged = {m.name for m in reading.measures if m.band}
        assert judged == (set() if swing is None else {"counter_rotation_height", "backswing"})
        if swing is not None:
            m = next(m for m in reading.measures if m.name == "backswing")
            assert (m.band, m.range) == ("below horizontal", (0.0, 0.10))  # 30 degrees below


def test_the_backswing_follows_without_delaying_the_settled_reading(played: dict[str, Any]) -> None:
    from capture.studio import figure as figures

    performance = played["up"]
    flight = performance.flights[-1]
    t = np.arange(flight.release_s - 1.0, flight.end_s + 2.5, 1 / 60)
    points = figures.segments(performance.motion.at(t), performance.skeleton)
    watch = FlightWatch(VIEW, TABLE)
    told = [
        (o.t_ns / 1e9 - 100, r) for o in observe(TRUE, t, fourteen(points), seed=5) for r in watch.push(o)
    ]
    settled = [(at, r) for at, r in told if r.state == "settled" and r.start_rail == "low"]
    assert len(settled) == 2
    (first_s, first), (second_s, second) = settled
    assert first_s - flight.end_s < 0.5
    assert flight.end_s + 0.5 < second_s < flight.end_s + 2.5
    assert [m.name for m in second.measures] == [*(m.name for m in first.measures), "backswing"]
    assert second.apex == first.apex


# --- known in closed form --------------------------------------------------------------------


def pendulum(start_deg: float, top_deg: float, seed: int, piked: float = 0.0) -> tuple[list[Any], float]:
    """Samples of a body that swings about the high rail from side to side, and its line at the top."""
    rail = VIEW.rails[0].axis
    t = np.arange(0, 2.4, 1 / 60)
    centre, half = math.radians((start_deg + top_deg) / 2), math.radians((top_deg - start_deg) / 2)
    joints = []
    for s in t:
        angle = centre - half * math.cos(2 * np.pi * s / 2.0)
        j = figure(-angle, 0.0, piked, 0.0)
        wrist = j[INDEX["left_wrist"]]
        joints.append(j - wrist + rail - 0.08 * wrist / np.linalg.norm(wrist))
    samples = [sample_of(o, VIEW) for o in observe(TRUE, t, np.array(joints), seed=seed, origin_s=0.0)]
    body = figure(-math.radians(top_deg), 0.0, piked, 0.0)
    line = body[INDEX["left_ankle"]] - body[INDEX["left_shoulder"]]
    return samples, math.asin(line[1] / np.linalg.norm(line))


@pytest.mark.parametrize(
    ("start", "top", "piked"),
    [(60, -75, 0.0), (60, -110, 0.0), (-50, 95, 0.0), (-5, -80, 0.0), (50, -80, 0.5)],
)
def test_backswing_of_a_pendulum(start: float, top: float, piked: float) -> None:
    z = []
    for seed in range(4):
        samples, line = pendulum(start, top, seed, piked)
        found = backswing(samples, samples[0].t_ns, VIEW.rails[0])
        z.append((found.quantity.value - line) / found.quantity.u)
        assert f"{abs(math.degrees(found.quantity.value)):.0f} degrees" in found.sentence
        assert ("above" in found.sentence) == (found.quantity.value >= 0)
    assert np.abs(z).max() < 2


def test_a_backswing_is_not_told_before_it_has_turned() -> None:
    samples, _ = pendulum(60, -75, 0)
    rail: Rail = VIEW.rails[0]
    told = [n for n in range(len(samples)) if backswing(samples[:n], samples[0].t_ns, rail) is not None]
    assert samples[told[0]].t_ns / 1e9 == pytest.approx(1.15, abs=0.12)  # it turns after 1 s
    assert not given_up(samples[-1].t_ns, samples[0].t_ns)
    assert given_up(samples[0].t_ns + round((LONGEST_S + 0.1) * 1e9), samples[0].t_ns)


@pytest.mark.parametrize("turned", [0.0, 0.9, 2.2, 4.0])
def test_the_bellys_side_is_told_by_what_joints_can_do(turned: float) -> None:
    mirror = np.array([-1.0, 1.0])
    # The figure faces -x when it stands upright: there its thighs and arms go, and its shanks to +x.
    tucked, piked, bent_knees = (
        figure(turned, -2.0, 1.4, 1.8),
        figure(turned, 0, 1.3, 0),
        figure(turned, 3, 0, 1),
    )
    for joints in (tucked, piked, bent_knees):
        some = np.repeat(joints[None], 5, axis=0)
        assert belly_side(some) == -1
        assert belly_side(some * mirror) == 1
    straight = np.repeat(figure(turned, math.pi, 0, 0)[None], 5, axis=0)
    arched = np.repeat(figure(turned, math.pi, -0.4, 0)[None], 5, axis=0)  # less than hips can bend forward
    assert belly_side(straight) == belly_side(arched) == 0
    hips, knees, _ = bends(figure(turned, 0, 1.3, 0.7)[None])
    assert (hips[0], knees[0]) == (pytest.approx(-1.3), pytest.approx(0.7))


def test_arch_is_to_the_back_and_pike_to_the_front() -> None:
    for thighs, arch in ((-0.3, 0.3), (0.6, -0.6)):
        t = np.arange(0, 1.2, 1 / 60)
        hip = np.where(t < 0.4, 1.3, thighs)  # at first she is piked: that tells the side
        joints = np.array([figure(0.8 * s, -2.5, h, 0.0) for s, h in zip(t, hip, strict=True)])
        joints += np.array([0.5, 2.6])
        for mirrored in (1.0, -1.0):
            samples = [sample_of(o, VIEW) for o in observe(TRUE, t, joints * [mirrored, 1.0], origin_s=0.0)]
            value, u = Shape(samples, t).arch(0.9, 0.0, 1.2)
            assert value == pytest.approx(arch, abs=2 * u)


def test_smoothing_gives_back_a_cubic_and_knows_its_noise() -> None:
    rng = np.random.default_rng(2)
    t = np.sort(rng.uniform(0, 1, 70))
    at = np.array([0.2, 0.5, 0.81])

    def curve(s: np.ndarray) -> np.ndarray:
        return 0.3 + 2 * s - 4 * s**2 + 3 * s**3

    clean = smooth(t, curve(t)[:, None], np.full(70, 0.01), at)
    assert clean.value[:, 0] == pytest.approx(curve(at), abs=2e-3)
    assert clean.slope[:, 0] == pytest.approx(2 - 8 * at + 9 * at**2, abs=0.06)
    values, slopes, u_value, u_slope = [], [], [], []
    for _ in range(300):
        found = smooth(t, curve(t)[:, None] + rng.normal(0, 0.01, (70, 1)), np.full(70, 0.01), at)
        values.append(found.value[:, 0])
        slopes.append(found.slope[:, 0])
        u_value.append(found.u_value)
        u_slope.append(found.u_slope)
    # Monte Carlo: the stated uncertainty is the scatter (robust weights cost a little).
    assert np.mean(u_value, axis=0) == pytest.approx(np.std(values, axis=0), rel=0.2)
    assert np.mean(u_slope, axis=0) == pytest.approx(np.std(slopes, axis=0), rel=0.2)


def test_smoothing_ignores_a_stray_and_says_when_it_knows_nothing() -> None:
    t = np.arange(0, 1, 1 / 60)
    y = np.sin(3 * t)[:, None]
    y[30] += 0.5
    found = smooth(t, y, np.full(60, 0.01), [t[30]])
    assert found.value[0, 0] == pytest.approx(math.sin(3 * t[30]), abs=0.01)
    assert np.isnan(smooth(t[:3], y[:3], np.full(3, 0.01), [0.0]).value).all()


def test_a_line_that_is_unseen_while_it_points_backwards_is_followed_past_it() -> None:
    angle = unwrapped(np.array([2.9, 3.05, np.nan, -3.05, -2.9]))
    assert angle == pytest.approx([2.9, 3.05, 3.14, 3.23, 3.38], abs=0.01)

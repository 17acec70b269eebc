"""Nothing that is not a flight may be called one, and edges are found between pictures."""

import numpy as np
import pytest

from bridge.skeleton import INDEX
from capture.bands import common_practice
from capture.flights import measure_track
from capture.phases import Evidence, Left, PhaseWatch, Term, locate_edge, sample_of
from tests.rehearsed import START_S, Eye, play, seen
from tests.simulated import ARMS, TRUNK, camera_at, figure, observe

TRUE, VIEW = camera_at()
RAIL = np.array([0.0, 2.48])
FPS = 60.0


def held(angles: np.ndarray) -> np.ndarray:
    """A stretched body that hangs from the high rail at these angles from the hang (pi: handstand)."""
    reach = ARMS + TRUNK
    return np.stack([figure(-a, 0, 0, 0) + RAIL + reach * np.array([np.sin(a), -np.cos(a)]) for a in angles])


def standing(n: int, arms: float = 0.0) -> np.ndarray:
    return np.stack([figure(0.0, arms, 0, 0) + np.array([0.9, 1.10])] * n)


def readings(joints: np.ndarray, seed: int = 0, **kwargs) -> list:
    times = np.arange(len(joints)) / FPS
    return measure_track(observe(TRUE, times, joints, seed=seed, **kwargs), VIEW, common_practice())


def giants() -> np.ndarray:
    t = np.arange(0, 6, 1 / FPS)
    # Speed from energy about a slow handstand, taken as angle against time by a smooth law.
    return held(np.pi + 2 * np.pi * t / 2 - 0.75 * np.sin(2 * np.pi * t / 2))


def test_giants_are_no_flights() -> None:
    assert readings(giants()) == []


def test_hands_lost_by_the_network_are_no_release() -> None:
    joints = giants()
    for first in (40, 130, 250):
        joints[first : first + 12, [INDEX["left_wrist"], INDEX["right_wrist"]]] = np.nan
    assert readings(joints) == []


@pytest.mark.parametrize("seed", range(6))
def test_hands_misplaced_by_the_network_are_no_release(seed: int) -> None:
    joints = giants()
    for first in (60 + 5 * seed, 200 + 3 * seed, 300 - 4 * seed):
        joints[first : first + 9, [INDEX["left_wrist"], INDEX["right_wrist"]]] += [0.35, 0.1]
    assert readings(joints, seed) == []


def test_standing_with_arms_up_and_walking_about_are_no_flights() -> None:
    walk = standing(300)
    walk[:, :, 0] += np.linspace(-2, 1, 300)[:, None]
    walk[:, :, 1] += 0.03 * np.sin(np.arange(300) / 5)[:, None]
    assert readings(np.concatenate([standing(120), standing(120, arms=0.05), walk])) == []


def test_jump_from_the_mat_to_the_rail_is_no_release() -> None:
    ground = standing(60)
    t = np.arange(0, 0.4, 1 / FPS)
    jump = np.stack([figure(0, 0, 0, 0) + np.array([0.0, 1.10 + 3.0 * s - 4.903 * s * s]) for s in t])
    assert readings(np.concatenate([ground, jump, held(np.zeros(120))])) == []


def test_swing_and_handstand_are_no_flights() -> None:
    swing = held(1.2 * np.sin(np.arange(0, 4, 1 / FPS) * 2.8))
    assert readings(np.concatenate([swing, held(np.full(120, np.pi))])) == []


def test_dropping_off_under_control_is_short_or_a_landing_never_a_regrasp() -> None:
    t = np.arange(0, 0.5, 1 / FPS)
    top = held(np.zeros(1))[0]
    floor = 0.2 + 0.10
    drop = np.stack([top - [0.0, min(4.903 * s * s, top[0, 1] - floor)] for s in t])
    found = readings(np.concatenate([held(np.zeros(90)), drop, np.stack([drop[-1]] * 60)]))
    assert all(r.end_kind == "landing" for r in found)


def test_one_hand_that_stays_is_no_release() -> None:
    joints = held(np.full(200, np.pi))
    joints[80:120, INDEX["left_wrist"]] += [0.35, 0.25]
    joints[80:120, INDEX["left_elbow"]] += [0.2, 0.15]
    assert readings(joints) == []


@pytest.mark.parametrize("edge", [0.013, 0.021, -0.008])
def test_edge_between_pictures(edge: float) -> None:
    """A hand that comes at 2.5 m/s and stops; a body whose acceleration steps by 15 m/s2."""
    t = np.arange(-0.15, 0.15, 1 / 60)
    rng = np.random.default_rng(1)
    hand = 0.08 + np.where(t < edge, 2.5 * (edge - t), 0) + rng.normal(0, 0.004, len(t))
    body = np.where(t > edge, 7.5 * (t - edge) ** 2, 0) + rng.normal(0, 0.004, len(t))
    sigma = np.full(len(t), 0.004)
    drift = 0.3 * sigma
    coming, pulled = (Term(1, 0.2, 0.2), Term(2, 0.1, 0.3)), (Term(2, 0.0, 0.15), Term(3, 0.0, 0.15))
    hands = Evidence(t, hand[:, None], sigma, drift, coming, (), (0.08, 0.02))
    mass = Evidence(t, body[:, None], sigma, drift, (), pulled, (0.0, 0.004))
    found = locate_edge([hands, mass], -0.1, 0.1)
    assert found.t_s == pytest.approx(edge, abs=0.004)
    assert 0.002 < found.u_s < 0.010


def test_signal_that_is_wrong_altogether_moves_no_edge() -> None:
    """Hands that the network puts on the rail 60 ms early, against feet and a body that agree."""
    t = np.arange(-0.15, 0.15, 1 / 60)
    rng = np.random.default_rng(2)
    sigma, drift = np.full(len(t), 0.004), np.full(len(t), 0.002)
    coming = (Term(1, 0.2, 0.2), Term(2, 0.1, 0.3))
    early = 0.08 + np.where(t < -0.06, 2.5 * (-0.06 - t), 0) + rng.normal(0, 0.004, len(t))
    feet = 0.10 + np.where(t < 0.01, 4.0 * (0.01 - t), 0) + rng.normal(0, 0.004, len(t))
    body = np.where(t > 0.01, 2.0 * (t - 0.01), 0) + rng.normal(0, 0.004, len(t))
    falling, stopped = (Term(1, 0.3, 0.3),), (Term(1, 0.0, 0.3),)
    found = locate_edge(
        [
            Evidence(t, early[:, None], sigma, drift, coming, (), (0.08, 0.02)),
            Evidence(t, feet[:, None], sigma, drift, falling, (), (0.10, 0.05)),
            Evidence(t, body[:, None], sigma, drift, (), stopped, (0.0, 0.004)),
        ],
        -0.1,
        0.1,
    )
    assert found.t_s == pytest.approx(0.01, abs=max(0.004, 2 * found.u_s))
    assert found.u_s < 0.02


@pytest.mark.parametrize("fps", [25.0, 50.0, 120.0, 240.0])
def test_how_long_a_hand_must_be_off_does_not_depend_on_the_frame_rate(fps: float) -> None:
    """Hands off for 20 ms by a stray network are no release; off for 200 ms they are."""

    def lefts(off_s: float) -> int:
        watch = PhaseWatch(VIEW)
        t = np.arange(0, 2.0, 1 / fps)
        joints = held(np.zeros(len(t)))
        wrists = [INDEX["left_wrist"], INDEX["right_wrist"]]
        gone = (t > 1.3) & (t < 1.3 + max(off_s, 1.5 / fps))
        joints[np.ix_(gone, wrists)] += [0.11, 0.0]
        found = [watch.push(sample_of(o, VIEW)) for o in observe(TRUE, t, joints, noise_px=0.5)]
        return sum(isinstance(event, Left) for event in found)

    assert lefts(0.020) == 0
    assert lefts(0.200) == 1


@pytest.mark.parametrize("family", ["high_to_low_overshoot", "high_to_low_salto"])
def test_slow_hands_at_120_pictures_a_second_are_not_taken_for_held(family: str) -> None:
    show = play([(family, {})])
    last = show.flights[-1]
    observations, view = seen(show, Eye(fps=120), 3, last.release_s - 1.5, last.end_s + 1.0)
    (reading,) = measure_track(observations, view, common_practice())
    assert reading.family == family
    assert reading.end_ns / 1e9 - START_S == pytest.approx(last.end_s, abs=0.05)

"""Handstands on casts and giants, against the studio's truth and a lean that is known in closed form."""

from __future__ import annotations

import math
from typing import Any

import msgspec
import numpy as np
import pytest

from bridge.messages import Handstand
from bridge.skeleton import INDEX
from capture.bands import common_practice, shipped_table
from capture.handstands import HandstandWatch
from capture.observation import JointObservation
from capture.phases import sample_of
from tests.simulated import camera_at, figure, observe
from tests.studio_truth import fourteen

TABLE = common_practice()
TRUE, VIEW = camera_at()


def watch(observations: list[JointObservation], view: Any = VIEW, table: Any = TABLE) -> list[Handstand]:
    watching = HandstandWatch(view, table, routine=4)
    told = [h for o in observations for h in watching.push(sample_of(o, view))]
    return told + watching.finish()


# --- the studio's casts and giants -----------------------------------------------------------


def casts(leans: list[tuple[float, dict[str, float]]], rail: str = "high") -> Any:
    """A performance of casts that end ``lean`` degrees short of the vertical and go down again."""
    routine = pytest.importorskip("capture.studio.routine")
    flight = pytest.importorskip("capture.studio.flight")
    figures = pytest.importorskip("capture.studio.figure")
    skeleton, rig = figures.Skeleton.default(), routine.Rig()
    support = flight.shape(shoulder=26, hip=20)
    up = (
        (34.0, flight.shape(shoulder=28, hip=42, neck=-5)),
        (82.0, flight.shape(shoulder=62, hip=4, hip_spread=15, neck=-15)),
        (122.0, flight.shape(shoulder=112, hip=26, hip_spread=45, neck=-20)),
    )
    keys: list[Any] = [(0.0, 2.0, support), (0.4, 2.0, support)]
    for lean, faults in leans:
        pose = routine.HANDSTAND.copy()
        for joint, degrees in faults.items():
            pose[flight.INDEX[joint]] += math.radians(degrees)
        hold = flight.Hold(math.radians(180 - lean), pose, "grip", np.zeros(2))
        pitch = math.degrees(hold.pitch(skeleton)) % 360.0
        keys += [(0.28, angle, shape) for angle, shape in up]
        keys += [(0.4, pitch, pose), (0.3, pitch, pose)]
        keys += [(0.28, angle, shape) for angle, shape in reversed(up)]
        keys += [(0.25, 2.0, support), (0.2, 2.0, support)]
    return routine.perform([routine.Piece(routine.Move(tuple(keys)), rail, 1)], skeleton, rig)


def off_line(performance: Any, t_s: float) -> tuple[float, float, float]:
    """Lean of the line hands to ankles, and hips and shoulders off it, from the motion itself."""
    figures = pytest.importorskip("capture.studio.figure")
    points = figures.segments(performance.motion.at(np.array([t_s])), performance.skeleton)
    hands, feet = (points[name].mean(axis=1)[0, [0, 2]] for name in ("wrist", "ankle"))
    line = feet - hands
    across = np.array([line[1], -line[0]]) / np.linalg.norm(line)
    hips, shoulders = (float((points[f"mid_{n}"][0, [0, 2]] - hands) @ across) for n in ("hip", "shoulder"))
    return math.atan2(abs(line[0]), line[1]), abs(hips), abs(shoulders)


def seen(performance: Any, seed: int, true: Any = TRUE, y_m: float = 0.0) -> list[JointObservation]:
    figures = pytest.importorskip("capture.studio.figure")
    t = np.arange(performance.motion.t_s[0], performance.motion.t_s[-1], 1 / 60)
    joints = fourteen(figures.segments(performance.motion.at(t), performance.skeleton))
    return observe(true, t, joints + np.array([0.0, y_m, 0.0]), seed=seed, origin_s=0.0)


LEANS = [
    (4.0, {}), (14.0, {"spine": -12.0}), (26.0, {"hip": 25.0}), (38.0, {"shoulder": -20.0}), (52.0, {}),
]  # fmt: skip


@pytest.mark.parametrize(("rail", "place"), [("high", None), ("low", (4.0, -9.0, 3.0))])
def test_casts_that_end_short_of_the_vertical(rail: str, place: Any) -> None:
    performance = casts(LEANS, rail)
    true, view = camera_at(place) if place else (TRUE, VIEW)
    z: list[float] = []
    for seed in range(3):
        y = float(np.random.default_rng(seed).normal(0, 0.10))
        told = watch(seen(performance, seed, true, y), view)
        assert [h.rail for h in told] == [rail] * len(LEANS)
        assert [h.way for h in told] == ["cast"] * len(LEANS)
        assert [h.side for h in told] == ["short"] * len(LEANS)
        assert [h.shape for h in told[:3]] == ["", "arch", "pike"]
        for h, (lean, _) in zip(told, LEANS, strict=True):
            assert math.degrees(h.angle.value) == pytest.approx(lean, abs=9)  # of the feet, not of the CoM
            angle, hips, shoulders = off_line(performance, h.t_ns / 1e9)
            z += [(h.angle.value - angle) / h.angle.u, (h.hips_off.value - hips) / h.hips_off.u]
            z.append((h.shoulders_off.value - shoulders) / h.shoulders_off.u)
    assert np.abs(z).max() < 3
    assert np.sqrt(np.mean(np.square(z))) < 1.2


def test_giants_pass_through_the_vertical_and_flights_are_no_handstands() -> None:
    score = pytest.importorskip("capture.studio.score")
    figures = pytest.importorskip("capture.studio.figure")
    routine = pytest.importorskip("capture.studio.routine")
    elements = [
        score.Element(*e)
        for e in (
            ("giant", {}),
            ("giant", {"direction": "front"}),
            ("pirouette", {}),
            ("counter_regrasp", {}),
        )
    ]
    performance = score.compose(elements, figures.Skeleton.default(), routine.Rig())
    told = watch(seen(performance, 1))
    assert len(told) == len(performance.handstands)
    assert [h.way for h in told[1:3]] == ["giant", "giant"]
    for h, truth in zip(told, performance.handstands, strict=True):
        assert h.t_ns / 1e9 == pytest.approx(truth.t_s, abs=0.6)  # it is held for some time
        assert h.angle.value == pytest.approx(truth.angle_rad, abs=3 * h.angle.u)
        assert (h.band, h.range) == ("within 10 degrees", (0.0, 0.0))
        assert h.hips_off.value < 3 * h.hips_off.u


# --- known in closed form --------------------------------------------------------------------


def leaning(lean: np.ndarray, thighs: float = 0.0, length: float = 1.0) -> np.ndarray:
    """Joints (T, 14, 2) of a figure upside down on the high rail with its hands, leaning towards +x."""
    out = []
    for angle in lean:
        j = figure(math.pi + angle, 0.0, thighs, 0.0) * length
        out.append(j - j[INDEX["left_wrist"]] + VIEW.rails[0].axis)
    return np.array(out)


def to_and_back(top_deg: float, seconds: float = 2.0) -> tuple[np.ndarray, np.ndarray]:
    """Times and lean of a body that comes from 85 degrees to ``top_deg`` and goes down again."""
    t = np.arange(0, seconds, 1 / 60)
    return t, np.radians(85 - (85 - top_deg) * np.sin(np.pi * t / seconds) ** 2)


@pytest.mark.parametrize("top", [2.5, 9.0, 21.0, 44.0, 60.0])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_the_angle_where_she_turns_back(top: float, sign: float) -> None:
    t, lean = to_and_back(top)
    (h,) = watch(observe(TRUE, t, leaning(sign * lean), seed=2, origin_s=3.0))
    assert h.angle.value == pytest.approx(math.radians(top), abs=2.5 * h.angle.u)
    assert 0.3 < math.degrees(h.angle.u) < 1.0
    assert h.t_ns / 1e9 == pytest.approx(4.0, abs=0.15)
    assert (h.handstand, h.routine, h.number) == ("r4-h1", 4, 1)
    assert f"{math.degrees(h.angle.value):.0f} degrees short of the vertical" in h.sentence
    assert h.sentence.startswith("Handstand on the high bar")
    assert h.hips_off.value < 3 * h.hips_off.u


def test_the_bodys_line() -> None:
    t, lean = to_and_back(5.0)
    body = figure(0.0, 0.0, 0.35, 0.0)
    wrist, ankle, hip, shoulder = (body[INDEX[f"left_{n}"]] for n in ("wrist", "ankle", "hip", "shoulder"))
    line = (ankle - wrist) / np.linalg.norm(ankle - wrist)
    across = np.array([line[1], -line[0]])
    hips, shoulders = (abs(float((p - wrist) @ across)) for p in (hip, shoulder))
    (h,) = watch(observe(TRUE, t, leaning(lean, thighs=0.35), seed=2))
    assert h.hips_off.value == pytest.approx(hips, abs=2.5 * h.hips_off.u)
    assert h.shoulders_off.value == pytest.approx(shoulders, abs=2.5 * h.shoulders_off.u)
    assert h.shape == ""  # this little a bend does not tell which side the belly is


def test_bands_come_from_the_table() -> None:
    t, lean = to_and_back(20.0)
    observations = observe(TRUE, t, leaning(lean), seed=3)
    (tenths,) = watch(observations, table=shipped_table("whole_tenths"))
    assert (tenths.band, tenths.range) == ("10 to 30 degrees", (0.10, 0.10))
    (cards,) = watch(observations)
    assert (cards.band, cards.range) == ("too close to call", (0.05, 0.10))  # 20 degrees is a limit there


def test_who_sits_piked_or_lets_go_is_in_no_handstand() -> None:
    _, lean = to_and_back(5.0)
    stretched = leaning(np.zeros(60) + np.radians(85))  # her length is known before
    piked = leaning(lean, thighs=2.3)
    far = leaning(lean) + np.array([0.6, 0.0])
    for joints in (piked, far):
        both = np.concatenate([stretched, joints])
        times = np.arange(len(both)) / 60
        assert watch(observe(TRUE, times, both, seed=1)) == []


def test_a_picture_or_two_without_her_change_nothing() -> None:
    t, lean = to_and_back(12.0)
    observations = observe(TRUE, t, leaning(lean), seed=4)
    (whole,) = watch(observations)
    lost = [
        JointObservation.empty(o.t_ns) if i in (58, 59, 60, 75) else o for i, o in enumerate(observations)
    ]
    (gappy,) = watch(lost)
    assert gappy.angle.value == pytest.approx(whole.angle.value, abs=whole.angle.u)


def test_one_that_is_held_to_the_end_is_told_at_the_end_and_a_long_one_in_time() -> None:
    t = np.arange(0, 1.0, 1 / 60)
    (h,) = watch(observe(TRUE, t, leaning(np.radians(np.full(60, 6.0))), seed=1))
    assert h.angle.value == pytest.approx(math.radians(6.0), abs=2.5 * h.angle.u)
    t = np.arange(0, 9.0, 1 / 30)
    watching = HandstandWatch(VIEW, TABLE)
    held = observe(TRUE, t, leaning(np.full(len(t), 0.1)), seed=1)
    assert [h.number for o in held for h in watching.push(sample_of(o, VIEW))] == [1]


def test_numbers_begin_again_with_a_routine() -> None:
    t, lean = to_and_back(5.0)
    watching = HandstandWatch(VIEW, TABLE, routine=1)
    told = []
    for n in range(3):
        if n == 2:
            watching.begin_routine(2)
        for o in observe(TRUE, t, leaning(lean), seed=n, origin_s=10.0 * n):
            told += watching.push(sample_of(o, VIEW))
    told += watching.finish()
    assert [h.handstand for h in told] == ["r1-h1", "r1-h2", "r2-h1"]
    assert msgspec.json.decode(msgspec.json.encode(told[0]), type=Handstand) == told[0]

"""The studio's figure and routine obey mechanics and look like gymnastics."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest

from bridge.errors import ConfigError
from capture.studio import figure, flight, routine, truth
from capture.studio.figure import POINTED_RAD, Motion, Posture, Skeleton
from capture.studio.flight import G_N, shape
from capture.studio.routine import Performance, Rig

SKELETON = Skeleton.default()


@pytest.fixture(scope="module")
def show() -> Performance:
    return routine.demo_routine(SKELETON, Rig())


def _com_offset(**degrees: float) -> np.ndarray:
    angles = {"shoulder": 0.0, **degrees}
    still = flight.pitch_motion(np.zeros(1), np.zeros(1), np.zeros((1, 2)), shape(**angles)[None])
    return figure.centre_of_mass(still, SKELETON)[0]


def test_segment_masses_add_up_as_published() -> None:
    # de Leva 1996, Table 4, female: the printed fractions add up to 0.9999.
    assert pytest.approx(0.9999, abs=1e-9) == figure.TOTAL_MASS
    trunk = figure.MASS["upper_trunk"] + figure.MASS["middle_trunk"] + figure.MASS["lower_trunk"]
    assert trunk == pytest.approx(0.4257, abs=1e-9)
    # The three parts' centres give the whole trunk's: 37.82 % from mid-shoulder to mid-hip ("trunk 3").
    centre = sum(figure.MASS[n] * figure.TRUNK_CENTRE[n] for n in figure.TRUNK_CENTRE) / trunk
    assert centre == pytest.approx(1 - 0.3782, abs=0.001)


@pytest.mark.parametrize(
    ("angles", "forward_mm", "above_mm"),
    [
        # Derived from de Leva (1996), female, 1.735 m, for set shapes. Our foot runs from ankle to
        # toe tip rather than from the heel, which is worth about 1 mm.
        ({"ankle": 0.0}, 2.4, 86.5),
        ({"shoulder": 180.0}, 0.0, 135.5),
        ({"shoulder": 180.0, "hip": 90.0}, 116.2, 251.7),
    ],
)
def test_centre_of_mass_of_set_shapes(angles: dict[str, float], forward_mm: float, above_mm: float) -> None:
    com = _com_offset(**angles)
    assert com[0] * 1000 == pytest.approx(forward_mm, abs=1.5)
    assert com[2] * 1000 == pytest.approx(above_mm, abs=1.5)
    assert com[1] == pytest.approx(0.0, abs=1e-12)


def test_joint_angles_turn_the_way_they_say() -> None:
    def joints(**degrees: float) -> dict[str, np.ndarray]:
        still = flight.pitch_motion(
            np.zeros(1),
            np.zeros(1),
            np.zeros((1, 2)),
            shape(**{"shoulder": 0.0, "ankle": 0.0, **degrees})[None],
        )
        return {name: at[0] for name, at in figure.segments(still, SKELETON).items()}

    assert joints(hip=90)["knee"][0, 0] > 0.3  # thighs to the front
    assert joints(knee=90)["ankle"][0, 0] < -0.3  # heels to the back
    assert joints(shoulder=90)["wrist"][0, 0] > 0.5
    assert joints(elbow=90)["wrist"][0, 0] > 0.2
    assert joints(spine=40)["neck"][0] > 0.1  # hollow leans forward
    assert joints(hip_spread=30)["ankle"][0, 1] > 0.4 > -0.4 > joints(hip_spread=30)["ankle"][1, 1]
    pointed = joints(ankle=float(np.degrees(POINTED_RAD)))
    assert pointed["toe"][0, 0] == pytest.approx(pointed["ankle"][0, 0], abs=1e-9)


def test_angular_momentum_of_a_rigid_turn_is_inertia_times_rate() -> None:
    t = np.linspace(0.0, 0.1, 201)
    turning = flight.pitch_motion(t, 3.0 * t, np.zeros((201, 2)), np.repeat(shape(hip=40)[None], 201, axis=0))
    spin = figure.angular_momentum(turning, SKELETON)[:, 1]
    assert spin == pytest.approx(3.0 * figure.inertia(turning, SKELETON), rel=1e-4)


def test_motion_between_frames() -> None:
    t = np.array([0.0, 1.0])
    motion = flight.pitch_motion(
        t, t * 0.4, np.array([[0.0, 0.0], [1.0, 2.0]]), np.stack([shape(), shape(hip=50)])
    )
    mid = motion.at(np.array([0.5]))
    assert mid.root_m[0] == pytest.approx([0.5, 0.0, 1.0])
    assert mid.posture.hip[0] == pytest.approx(np.radians([25, 25]))
    assert mid.pelvis[0] == pytest.approx(figure.pitch(np.array(0.2)))


def _inside(show: Performance, start_s: float, end_s: float) -> Motion:
    t = show.motion.t_s
    part = np.flatnonzero((t >= start_s) & (t < end_s))
    return flight.frame_slice(show.motion, slice(int(part[0]), int(part[-1]) + 1))


def test_every_flight_falls_with_g(show: Performance) -> None:
    for f in show.flights:
        air = _inside(show, f.release_s, f.end_s)
        com = figure.centre_of_mass(air, show.skeleton)
        t = air.t_s - air.t_s[0]
        quadratic = np.polynomial.Polynomial.fit(t, com[:, 2], 2).convert().coef
        assert -2 * quadratic[2] == pytest.approx(G_N, abs=1e-6)
        line = np.polynomial.Polynomial.fit(t, com[:, 0], 1)
        assert np.abs(com[:, 0] - line(t)).max() < 1e-6


def test_angular_momentum_is_kept_while_the_shape_changes(show: Performance) -> None:
    for f in show.flights:
        air = _inside(show, f.release_s, f.end_s)
        spin = figure.angular_momentum(air, show.skeleton)[3:-3, 1]
        moment = figure.inertia(air, show.skeleton)
        scale = max(abs(f.momentum_m2_s), 0.5)
        assert np.ptp(spin) < 0.005 * scale * 2, f.family
        if f.family == "dismount":
            assert moment.max() > 1.8 * moment.min()


def test_dismount_turns_faster_when_tucked(show: Performance) -> None:
    f = show.flights[-1]
    air = _inside(show, f.release_s, f.end_s)
    angle = np.unwrap(np.arctan2(air.pelvis[:, 0, 2], air.pelvis[:, 2, 2]))
    rate = np.abs(np.gradient(angle, air.t_s))
    assert rate.max() > 1.5 * rate[2]
    assert 1.5 < abs(angle[-1] - angle[0]) / (2 * np.pi) < 2.0  # the swing before makes up the two turns


def test_hands_stay_on_the_rail(show: Performance) -> None:
    grips = figure.segments(show.motion, show.skeleton)["grip"]
    t = show.motion.t_s
    for start, end, where in show.contacts:
        part = (t >= start) & (t < end)
        if where in ("high", "low"):
            off = grips[part][..., (0, 2)] - show.rig.axis(where)
            assert np.abs(off).max() < 1e-3
        elif where == "turn":  # one hand after the other, in truth; here both turn close together
            off = grips[part][..., (0, 2)] - show.rig.axis("high")
            assert np.abs(off).max() < 0.05


def test_velocity_is_continuous_at_every_change_of_grip(show: Performance) -> None:
    com = figure.centre_of_mass(show.motion, show.skeleton)
    t = show.motion.t_s
    for f in show.flights:
        times = [f.release_s] if f.end_kind == "landing" else [f.release_s, f.end_s]
        for at in times:
            i = int(np.searchsorted(t, at))
            speeds = []
            for part in (slice(i - 6, i), slice(i, i + 6)):
                fit = [np.polynomial.Polynomial.fit(t[part] - at, com[part, axis], 3) for axis in (0, 2)]
                speeds.append(np.array([c.deriv()(0.0) for c in fit]))
            assert np.abs(speeds[0] - speeds[1]).max() < 0.05, (f.family, at)


def test_joints_stay_within_what_a_gymnast_does(show: Performance) -> None:
    # Limits and rates: common practice, no source.
    p = show.motion.posture
    degrees = {f.name: np.degrees(getattr(p, f.name)) for f in fields(Posture)}
    limits = {
        "spine": (-45, 45),
        "shoulder": (-60, 225),
        "elbow": (-1, 150),
        "hip": (-60, 150),
        "knee": (-3, 150),
    }
    for name, (low, high) in limits.items():
        assert degrees[name].min() > low, name
        assert degrees[name].max() < high, name
    for name in limits:
        rate = np.abs(np.gradient(np.radians(degrees[name]), show.motion.t_s, axis=0))
        assert np.percentile(rate, 97) < 10.0, name
        assert rate.max() < 17.0, name  # a kip's pike and the dive into a tuck are the quickest


def test_families_bands_and_order(show: Performance) -> None:
    families = [f.family for f in show.flights]
    assert families == [
        "low_to_high", "counter_regrasp", "salto_regrasp", "high_to_low_salto", "low_to_high", "dismount",
    ]  # fmt: skip
    apexes = np.array([f.apex_m for f in show.flights])
    assert (apexes > 0.10).any()
    assert (np.abs(apexes) < 0.10).any()
    assert (apexes < -0.10).any()
    assert np.abs(np.abs(apexes) - 0.10).min() > 0.04
    for f in show.flights:
        assert f.release_s <= f.apex_s <= f.end_s


def test_a_high_dismount_is_like_the_published_ones() -> None:
    # Prassas, ISBS abstract: CoM 3.53 m/s up and 1.33 m/s out at release, mean of eight dismounts.
    # The demo's own dismount is lower on purpose, so that its hips only reach the rail.
    pieces = routine.demo_pieces(SKELETON, Rig(), routine.Amplitudes(dismount=0.20))
    plans = [p.what for p in pieces if isinstance(p.what, flight.FlightPlan) and p.what.family == "dismount"]
    out, up = flight.solve(plans[-1], SKELETON).velocity
    assert up == pytest.approx(3.53, abs=0.7)
    assert abs(out) == pytest.approx(1.33, abs=0.7)


def test_rise_from_the_published_release_speed() -> None:
    # v^2 / 2 g for the same 3.53 m/s: 0.635 m after 0.360 s.
    grip = np.zeros(2)
    start = flight.Hold(np.radians(-80), shape(shoulder=144, hip=32), "grip", grip)
    end = flight.Hold(np.radians(80), shape(shoulder=144, hip=32), "grip", grip)
    level = float(end.com(SKELETON)[1] - start.com(SKELETON)[1])
    seconds = 3.53 / G_N + np.sqrt((3.53 / G_N) ** 2 - 2 * level / G_N)
    flown = flight.fly(flight.FlightPlan("dismount", start, end, float(seconds), 0.0), SKELETON)
    assert flown.velocity[1] == pytest.approx(3.53, abs=1e-9)
    com = flown.com(np.linspace(0, seconds, 20001))[:, 1]
    assert com.max() - com[0] == pytest.approx(0.635, abs=5e-4)
    assert seconds * com.argmax() / 20000 == pytest.approx(0.360, abs=5e-4)


def test_rig_geometry() -> None:
    # EN/FIG sizes: 1.80 m inner diagonal puts the rail axes 1.657 m apart.
    assert Rig().spread_m == pytest.approx(1.657, abs=5e-4)


def test_truth_is_written_and_read(show: Performance, tmp_path: Path) -> None:
    told = truth.tell(show)
    truth.write(told, tmp_path / "truth.json")
    back = truth.read(tmp_path / "truth.json")
    assert back == told
    assert [f.apex_m for f in back.flights] == pytest.approx([f.apex_m for f in show.flights], abs=1e-4)
    for f in back.flights:
        hips = np.array(f.hip_path)
        assert hips[:, 2].max() - 2.50 == pytest.approx(f.apex_m, abs=1e-3)
        assert len(hips) >= 60 * (f.end_s - f.release_s)
    raised = truth.tell(show, show.motion.root_m + np.array([0.0, 0.0, 0.01]))
    assert raised.flights[0].apex_m == pytest.approx(told.flights[0].apex_m + 0.01)
    (tmp_path / "bad.json").write_text('{"format": 9}')
    with pytest.raises(ConfigError, match=r"bad\.json"):
        truth.read(tmp_path / "bad.json")

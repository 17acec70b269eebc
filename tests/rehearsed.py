"""Flights of the studio's exact motions as a camera and a network would show them.

The joints are the studio's own; what is added is what the model card states of the shipped networks:
scatter of Student's t with 4 degrees of freedom in units of the stated uncertainty (64, 88 and 96 % within
one, two and three), a part of it slow, a bias of every joint that stays for a flight, left taken for
right, and lost joints. The gymnast is off the flight plane, the apparatus off its nominal sizes and the
survey off its points, each by as much as the product says of them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from bridge.skeleton import JOINTS, N_JOINTS
from capture.body import joint_weights
from capture.camera import JOINT_BIAS_U_M, OFF_PLANE_U_M, Camera, fit_camera
from capture.observation import JointObservation
from capture.rig import POINT_NAMES, Rig, parse_rig, presets
from capture.studio import body, figure, score
from capture.studio.flight import G_N
from capture.studio.routine import Handstand, TrueFlight
from capture.studio.routine import Rig as Apparatus
from tests.simulated import rig_text

Floats = NDArray[np.float64]

START_S = 100.0  # capture time of a routine's first moment
WRISTS = [JOINTS.index("right_wrist"), JOINTS.index("left_wrist")]
DRIFT_S = 0.06  # for so long a network errs alike
OTHER_SIDE = np.array([
    JOINTS.index(n.replace("left", "#").replace("right", "left").replace("#", "right")) for n in JOINTS
])  # fmt: skip


@dataclass(frozen=True)
class Play:
    """Joints (T, 14, 3) at times (T,), and what really happened."""

    t_s: Floats
    joints: Floats
    flights: tuple[TrueFlight, ...]
    handstands: tuple[Handstand, ...]

    def at(self, t_s: Floats) -> Floats:
        """Joints (n, 14, 3) at other times (n,)."""
        i = np.clip(np.searchsorted(self.t_s, t_s) - 1, 0, len(self.t_s) - 2)
        share = ((t_s - self.t_s[i]) / (self.t_s[i + 1] - self.t_s[i]))[:, None, None]
        return np.asarray((1 - share) * self.joints[i] + share * self.joints[i + 1], dtype=np.float64)


def play(elements: list[tuple[str, Mapping[str, score.Value]]], shape: int = 0) -> Play:
    """These elements by the studio's gymnast ``shape``."""
    return _play(tuple((name, tuple(sorted(options.items()))) for name, options in elements), shape)


@cache
def _play(elements: tuple[tuple[str, tuple[tuple[str, score.Value], ...]], ...], shape: int) -> Play:
    gymnast = body.shapes()[shape].skeleton
    show = score.compose([score.Element(n, dict(o)) for n, o in elements], gymnast, Apparatus())
    joints = body.labelled_joints(figure.segments(show.motion, gymnast))
    return Play(show.motion.t_s, joints.astype(np.float64), show.flights, show.handstands)


@dataclass(frozen=True)
class Eye:
    """What the camera and the network do to the joints."""

    fps: float = 60.0
    jitter: float = 0.0  # of the time between pictures, share (variable frame rate)
    off_deg: float = 0.0  # of the camera from side-on
    high_m: float = 1.8  # camera over the floor
    away_m: float = 10.0
    u_m: float = 0.011  # usual standard uncertainty of a joint in one picture
    slow: float = 0.5  # share of it that drifts
    bias: float = 1.0  # of what the product says of joint bias, off-plane and sizes
    swaps_per_s: float = 0.0  # spells of some pictures with left and right exchanged
    lost: float = 0.0  # share of joints not found
    gaps_per_s: float = 0.0  # spells of some pictures in which nobody is found


def survey(eye: Eye, rng: np.random.Generator) -> tuple[Camera, Camera]:
    """The true camera, and the one fitted to noisy points of an apparatus off its nominal sizes."""
    a = np.radians(eye.off_deg)
    sizes = presets()["senior"]
    rig = Rig((1920, 1080), sizes, "right")
    place = (0.8 + eye.away_m * np.sin(a), -eye.away_m * np.cos(a), eye.high_m)
    true = Camera.looking(rig, place, (0.8, 0.0, 1.9), 195.0 * eye.away_m)
    tolerance = sizes.height_tolerance_m * eye.bias
    high, low, apart = rng.uniform(-tolerance, tolerance, 3)
    said = (
        f'preset = "senior"\nhigh_bar_m = {sizes.high_bar_m + high}\nlow_bar_m = {sizes.low_bar_m + low}\n'
        f"inner_diagonal_m = {sizes.inner_diagonal_m + apart}"
    )
    points = {
        n: (float(p[0]), float(p[1]))
        for n in POINT_NAMES
        for p in [true.project(rig.points3d(n)) + rng.normal(0, 0.7, 2)]
    }
    return true, fit_camera(parse_rig(rig_text(points, said)))


def seen(
    show: Play, eye: Eye, seed: int, begin_s: float | None = None, end_s: float | None = None
) -> tuple[list[JointObservation], Camera]:
    """What is seen of a play between two times, and the surveyed camera."""
    rng = np.random.default_rng(seed)
    true, view = survey(eye, rng)
    begin = show.t_s[0] if begin_s is None else max(begin_s, show.t_s[0])
    end = show.t_s[-1] if end_s is None else min(end_s, show.t_s[-1])
    n = int((end - begin) * eye.fps)
    steps = (1 + rng.uniform(-eye.jitter, eye.jitter, n)) / eye.fps
    t = begin + rng.uniform(0, 1 / eye.fps) + np.cumsum(steps)
    t = t[t < end]
    joints = show.at(t)
    joints[..., 1] += rng.normal(0, OFF_PLANE_U_M) * eye.bias

    # What stays for a flight: the hips by the product's figure, every joint by some millimetres more.
    stays = rng.normal(0, 0.006, (N_JOINTS, 3)) * eye.bias
    both = rng.normal(0, np.sqrt(JOINT_BIAS_U_M**2 - 0.006**2 / 2), 3) * eye.bias
    stays[[JOINTS.index("left_hip"), JOINTS.index("right_hip")]] += both
    joints = joints + stays

    scale = true.focal_px / eye.away_m
    u_px = eye.u_m * scale * np.exp(rng.normal(0, 0.25, (len(t), N_JOINTS)))
    quick = rng.standard_t(4, (len(t), N_JOINTS, 2))
    slow = np.empty((len(t), N_JOINTS, 2))
    slow[0] = rng.normal(size=(N_JOINTS, 2))
    for i in range(1, len(t)):
        keep = np.exp(-(t[i] - t[i - 1]) / DRIFT_S)
        slow[i] = keep * slow[i - 1] + np.sqrt(1 - keep**2) * rng.normal(size=(N_JOINTS, 2))
    error = np.sqrt(1 - eye.slow**2) * quick + eye.slow * slow
    px = true.project(joints) + u_px[..., None] * error

    for first, last in _spells(rng, t, eye.swaps_per_s):
        px[first:last] = px[first:last][:, OTHER_SIDE]
    px[rng.random((len(t), N_JOINTS)) < eye.lost] = np.nan
    for first, last in _spells(rng, t, eye.gaps_per_s):
        px[first:last] = np.nan
    u_px = np.where(np.isfinite(px[..., 0]), u_px, np.nan)
    scores = np.where(np.isfinite(u_px), 0.9, 0.0)
    times = [round((START_S + s) * 1e9) for s in t]
    return [JointObservation(*row) for row in zip(times, px, u_px, scores, strict=True)], view


def _spells(rng: np.random.Generator, t: Floats, per_s: float) -> list[tuple[int, int]]:
    count = int(rng.poisson(per_s * (t[-1] - t[0])))
    return [(int(a), int(a + rng.integers(1, 5))) for a in rng.integers(0, len(t), count)]


def slipped(show: Play, at_s: float, mat_m: float = 0.20) -> Play:
    """The same until the hands slip off the rail; then a body that keeps its shape falls to the mat.

    It keeps the speed of its centre of mass and turns on with the angular momentum it had about it.
    """
    weight = joint_weights()
    before = show.t_s < at_s
    joints, times = show.joints[before], show.t_s[before]
    (earlier, last), step_s = joints[-2:], float(times[-1] - times[-2])
    com = weight @ last
    speed = (com - weight @ earlier) / step_s
    arm = last - com
    moved = (last - earlier) / step_s - speed
    momentum = float((weight * (arm[:, 0] * moved[:, 2] - arm[:, 2] * moved[:, 0])).sum())
    rate = momentum / float((weight * (arm[:, [0, 2]] ** 2).sum(axis=1)).sum())
    falls, s = [], 0.0
    while not falls or falls[-1][:, 2].min() > mat_m + 0.09:
        s += step_s
        sine, cosine = np.sin(rate * s), np.cos(rate * s)
        turned = arm.copy()
        turned[:, 0] = cosine * arm[:, 0] - sine * arm[:, 2]
        turned[:, 2] = sine * arm[:, 0] + cosine * arm[:, 2]
        falls.append(com + speed * s + [0.0, 0.0, -G_N * s * s / 2] + turned)
    # What touched the mat stays; the rest sinks and stops, the sooner the nearer to it.
    down = falls[-1]
    share = np.clip((down[:, 2] - down[:, 2].min()) / 0.4, 0, 1)[:, None]
    velocity = (down - falls[-2]) / step_s if len(falls) > 1 else np.zeros_like(down)
    rest = np.arange(1, int(1.0 / step_s)) * step_s
    falls += [down + share * velocity * 0.07 * (1 - np.exp(-r / 0.07)) for r in rest]
    t = np.concatenate([times, times[-1] + step_s * np.arange(1, len(falls) + 1)])
    end_s = float(t[len(times) + len(falls) - len(rest) - 1])
    hands, apparatus = last[WRISTS].mean(axis=0)[[0, 2]], Apparatus()
    rail = min(("high", "low"), key=lambda r: float(np.linalg.norm(hands - apparatus.axis(r))))
    truth = TrueFlight(
        "slip",
        float(times[-1]),
        float(times[-1]),
        end_s,
        "landing",
        rail,
        "",
        rail,
        0.0,
        0.0,
        0.0,
        (0, 0),
        fall=True,
    )
    return Play(t, np.concatenate([joints, np.array(falls)]), (truth,), ())

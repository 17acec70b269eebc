"""Joints of an invented gymnast whose every height and time is known, for tests of the measuring modules.

A planar figure swings on the high rail, lets go, saltos freely and lands. Nothing here imports the
measuring modules' physics: the centre of mass is placed by the segment table, gravity by one formula.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.skeleton import INDEX, N_JOINTS
from capture.body import joint_weights
from capture.camera import Camera, fit_camera
from capture.observation import JointObservation
from capture.rig import POINT_NAMES, Rig, SurveyPoint, parse_rig, presets

Floats = NDArray[np.float64]
G = 9.80665
ARMS, TRUNK, NECK, HEAD, THIGH, SHANK = 0.62, 0.50, 0.08, 0.28, 0.37, 0.43  # grip to shoulder, and so on


def camera_at(
    position: tuple[float, float, float] = (0.8, -10.0, 1.8),
    focal_px: float = 2000.0,
    rng: np.random.Generator | None = None,
    target: tuple[float, float, float] = (0.8, 0.0, 2.1),
) -> tuple[Camera, Camera]:
    """(the true camera, the camera fitted to its noisy survey points)."""
    side = "right" if position[1] < 0 else "left"
    bare = Rig((1920, 1080), presets()["senior"], side)
    true = Camera.looking(bare, position, target, focal_px)
    rng = rng or np.random.default_rng(1)
    points = tuple(
        SurveyPoint(n, tuple(float(v) for v in true.project(bare.points3d(n)) + rng.normal(0, 0.7, 2)))
        for n in POINT_NAMES
    )
    return true, fit_camera(Rig((1920, 1080), presets()["senior"], side, points))


def rig_text(points: dict[str, tuple[float, float]], apparatus: str = 'preset = "senior"') -> str:
    """A rig file's text."""
    body = "".join(f'[[camera.points]]\nname = "{n}"\npx = [{x}, {y}]\n' for n, (x, y) in points.items())
    return f"format = 1\n[apparatus]\n{apparatus}\n[camera]\npicture = [1920, 1080]\n{body}"


def rig_from(
    camera: Camera, names: tuple[str, ...] = POINT_NAMES, noise_px: float = 0.0, seed: int = 0
) -> Rig:
    """The rig that a careful person would mark in ``camera``'s picture."""
    rng = np.random.default_rng(seed)
    marks = {n: camera.project(camera.rig.points3d(n)) + rng.normal(0, 1, 2) * noise_px for n in names}
    return parse_rig(rig_text({n: (float(p[0]), float(p[1])) for n, p in marks.items()}))


def figure(trunk: float, arms: float, thighs: float, knees: float) -> Floats:
    """Joints (14, 2) of a planar figure with mid-hip at 0.

    ``trunk`` is the angle of hips-to-shoulders from up towards +x; ``arms`` from the trunk's upward
    direction, ``thighs`` from its downward one and ``knees`` are flexions, to the front (+x when upright).
    """

    def ray(angle: float) -> Floats:
        return np.array([np.sin(angle), np.cos(angle)])

    up = ray(trunk)
    shoulder = TRUNK * up
    arm = ray(trunk + arms)
    elbow, wrist = shoulder + 0.28 * arm, shoulder + 0.54 * arm
    thigh = -ray(trunk + thighs)
    knee = THIGH * thigh
    ankle = knee - SHANK * ray(trunk + thighs - knees)
    out = np.zeros((N_JOINTS, 2))
    for side in ("right", "left"):
        for name, at in (
            ("hip", np.zeros(2)), ("shoulder", shoulder), ("elbow", elbow),
            ("wrist", wrist), ("knee", knee), ("ankle", ankle),
        ):  # fmt: skip
            out[INDEX[f"{side}_{name}"]] = at
    out[INDEX["neck"]] = shoulder + NECK * up
    out[INDEX["head_top"]] = shoulder + (NECK + HEAD) * up
    return out


@dataclass(frozen=True)
class Truth:
    """What really happened; seconds and metres against the top of the high rail."""

    release_s: float
    end_s: float
    apex_s: float
    apex_m: float
    turns: float


def smoothstep(x: Floats) -> Floats:
    x = np.clip(x, 0, 1)
    return x * x * x * (10 + x * (-15 + 6 * x))


def dismount(
    fps: float = 60.0,
    speed: float = 4.0,
    release_rad: float = 1.45,
    turns: float = 1.7,
    tuck: float = 1.6,
    rail: tuple[float, float] = (0.0, 2.48),
    mat_m: float = 0.20,
    phase_s: float = 0.0,
) -> tuple[Floats, Floats, Truth]:
    """Times (T,), joints (T, 14, 2) and the truth of a swing, release, salto and landing.

    The swing is a body turning about the rail to ``release_rad`` past the hang, towards -x (away from the low
    rail), with the centre of mass at ``speed``; then ``turns`` saltos with the body closed by ``tuck``.
    """
    w = joint_weights()
    swing_s = 1.0
    body = figure(0.0, 0.0, 0.0, 0.0)
    grip_to_hip = ARMS + TRUNK
    radius = grip_to_hip - float((w @ body)[1])
    rate = speed / radius

    # Turning the body about its grip from hang: trunk angle = -swing angle (hands up, feet to +x).
    def support(t: Floats) -> tuple[Floats, Floats]:
        s = t + swing_s  # 0 at the start of the swing
        x = np.clip(s / swing_s, 0, 1)
        # swing angle with rate growing to `rate` and a small pull back at the end
        angle = release_rad - rate * swing_s * (1 - x) * (0.35 + 0.65 * x)
        return angle, np.zeros_like(angle)

    hip0 = np.array(rail) + grip_to_hip * np.array([np.sin(release_rad), -np.cos(release_rad)])
    trunk0 = -release_rad
    com0 = hip0 + w @ figure(trunk0, 0, 0, 0)
    v0 = speed * np.array([np.cos(release_rad), np.sin(release_rad)])

    def shape(t: float, length: float) -> tuple[float, float, float, float]:
        x = np.array(t / length)
        close = float(smoothstep((x - 0.08) / 0.3) - smoothstep((x - 0.6) / 0.3))
        lower = float(smoothstep((x - 0.05) / 0.4))
        base = -rate * t
        extra = (2 * np.pi * -turns + rate * length) * float(smoothstep(x))
        return trunk0 + base + extra, -2.6 * lower, tuck * close, 1.1 * tuck * close

    def joints_in_flight(t: float, length: float) -> Floats:
        j = figure(*shape(t, length))
        com = com0 + v0 * t + np.array([0.0, -0.5 * G * t * t])
        return j - w @ j + com

    # The landing is when an ankle comes within 0.10 m of the mat; length depends on itself, so iterate.
    length = 1.0
    for _ in range(40):
        grid = np.linspace(0.3, 1.6, 651)
        low = np.array([joints_in_flight(t, length)[[0, 5], 1].min() for t in grid])
        reached = np.flatnonzero(low < mat_m + 0.10)
        renewed = float(grid[reached[0]]) if len(reached) else 1.6
        if abs(renewed - length) < 0.003:
            break
        length = 0.5 * (length + renewed)

    times = np.arange(-swing_s + phase_s, length + 0.8, 1 / fps)
    out = np.empty((len(times), N_JOINTS, 2))
    last = joints_in_flight(length, length)
    speeds = (last - joints_in_flight(length - 1e-4, length)) / 1e-4
    for i, t in enumerate(times):
        if t < 0:
            angle = float(support(np.array(t))[0])
            out[i] = (
                figure(-angle, 0, 0, 0)
                + np.array(rail)
                + grip_to_hip * np.array([np.sin(angle), -np.cos(angle)])
            )
        elif t < length:
            out[i] = joints_in_flight(float(t), length)
        else:
            # Feet stay; everything else sinks and stops, the sooner the nearer to the feet.
            after = t - length
            share = np.clip((last[:, 1] - last[[0, 5], 1].min()) / 0.4, 0, 1)
            out[i] = last + share[:, None] * speeds * after * np.exp(-after / 0.07)
    fine = np.linspace(0, length, 2001)
    hips = np.array([joints_in_flight(t, length)[[2, 3]].mean(axis=0) for t in fine])
    top = int(np.argmax(hips[:, 1]))
    # Away from the low rail, which stands at positive x: mirrored about the rail.
    out[..., 0] = 2 * rail[0] - out[..., 0]
    truth = Truth(0.0, length, float(fine[top]), float(hips[top, 1] - rail[1] - 0.02), turns)
    return times, out, truth


def observe(
    camera: Camera,
    times_s: Floats,
    joints: Floats,
    noise_px: float = 1.5,
    seed: int = 0,
    y_m: float = 0.0,
    half_width_m: float = 0.0,
    origin_s: float = 100.0,
) -> list[JointObservation]:
    """Project (T, 14, 2) plane joints or (T, 14, 3) joints, with pixel noise."""
    rng = np.random.default_rng(seed)
    if joints.shape[-1] == 2:
        side = np.array([1 if i < 3 or 6 <= i < 9 else -1 if i < 12 else 0 for i in range(N_JOINTS)])
        y = y_m + half_width_m * side
        joints = np.stack([joints[..., 0], np.broadcast_to(y, joints.shape[:-1]), joints[..., 1]], axis=-1)
    px = camera.project(joints) + rng.normal(0, noise_px, (*joints.shape[:-1], 2))
    sigma = np.full(N_JOINTS, max(noise_px, 0.3))
    return [
        JointObservation(round((origin_s + t) * 1e9), p, sigma, np.full(N_JOINTS, 0.9))
        for t, p in zip(times_s, px, strict=True)
    ]

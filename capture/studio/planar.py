"""Mass and spin of a figure whose left and right move alike, quickly: for solving flights.

Every segment's centre is a fixed mix of eight directions in the gymnast's own sagittal plane, so a
posture costs a few array operations. Same table and lengths as `capture.studio.figure`, which stays
the judge of the result; here a spread limb spins about its long axis as it turns in the plane.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from capture.studio.figure import (
    CENTRE,
    FOOT_DROP_RAD,
    MASS,
    RADII,
    TOTAL_MASS,
    TRUNK_CENTRE,
    TRUNK_LENGTH,
    Skeleton,
)

Floats = NDArray[np.floating[Any]]

# Angles come in the order spine, neck, shoulder, shoulder_spread, elbow, hip, hip_spread, knee, ankle.
_DIRECTIONS: Final = ("pelvis", "chest", "head", "upper_arm", "forearm", "thigh", "shank", "toe")
TRANSVERSE: Final = 1  # column of the radii that belongs to the somersault axis
LONGITUDINAL: Final = 2


@dataclass(frozen=True, slots=True)
class Masses:
    """A figure's segments as mixes of directions; lengths in metres, S segments."""

    mass: Floats  # (S,) both sides together
    centre: Floats  # (S, 8) from mid-hip
    own: Floats  # (S,) mass times squared radius of gyration about the somersault axis
    along: Floats  # (S,) the same about the segment's own length
    turned_by: NDArray[np.intp]  # (S,) which direction the segment turns with
    joints: dict[str, Floats]  # name -> (8,) from mid-hip


@lru_cache(maxsize=64)
def masses(skeleton: Skeleton) -> Masses:
    """The figure's segments."""
    k = skeleton
    at = {name: i for i, name in enumerate(_DIRECTIONS)}

    def mix(**lengths: float) -> Floats:
        row = np.zeros(len(_DIRECTIONS))
        for name, length in lengths.items():
            row[at[name]] = length
        return row

    joints = {"mid_hip": mix(), "hip": mix()}
    joints["mid_shoulder"] = mix(pelvis=0.5 * k.trunk_m, chest=0.5 * k.trunk_m)
    joints["neck"] = joints["mid_shoulder"] + mix(chest=k.neck_m)
    joints["head_top"] = joints["neck"] + mix(head=k.head_m)
    joints["elbow"] = joints["mid_shoulder"] - mix(upper_arm=k.upper_arm_m)
    joints["wrist"] = joints["elbow"] - mix(forearm=k.forearm_m)
    joints["grip"] = joints["wrist"] - mix(forearm=k.hand_m)
    joints["knee"] = -mix(thigh=k.thigh_m)
    joints["ankle"] = joints["knee"] - mix(shank=k.shank_m)
    joints["toe"] = joints["ankle"] + mix(toe=k.foot_m)
    rows: list[tuple[float, Floats, float, float, int]] = []

    def add(name: str, at_m: Floats, length: float, turned_by: str, sides: int) -> None:
        m = sides * MASS[name] / TOTAL_MASS
        own, along = (m * (RADII[name][axis] * length) ** 2 for axis in (TRANSVERSE, LONGITUDINAL))
        rows.append((m, at_m, own, along, at[turned_by]))

    add("head", joints["head_top"] + CENTRE["head"] * (joints["neck"] - joints["head_top"]),
        k.head_m, "head", 1)  # fmt: skip
    for name, part in (("lower_trunk", "pelvis"), ("middle_trunk", "chest"), ("upper_trunk", "chest")):
        along = TRUNK_CENTRE[name] * k.trunk_m
        half = 0.5 * k.trunk_m
        centre = mix(pelvis=along) if part == "pelvis" else mix(pelvis=half, chest=along - half)
        add(name, centre, TRUNK_LENGTH[name] * k.trunk_m, part, 1)
    for name, first, last, length, part in (
        ("upper_arm", "mid_shoulder", "elbow", k.upper_arm_m, "upper_arm"),
        ("forearm", "elbow", "wrist", k.forearm_m, "forearm"),
        ("hand", "wrist", "grip", k.hand_m, "forearm"),
        ("thigh", "hip", "knee", k.thigh_m, "thigh"),
        ("shank", "knee", "ankle", k.shank_m, "shank"),
        ("foot", "ankle", "toe", k.foot_m, "toe"),
    ):
        a, b = joints[first], joints[last]
        add(name, a + CENTRE[name] * (b - a), length, part, 2)
    return Masses(
        np.array([row[0] for row in rows]),
        np.stack([row[1] for row in rows]),
        np.array([row[2] for row in rows]),
        np.array([row[3] for row in rows]),
        np.array([row[4] for row in rows], dtype=np.intp),
        joints,
    )


def directions(shapes: Floats) -> Floats:
    """(T, 9) joint angles -> (T, 8, 2): in-plane (x, z) "up" directions at pelvis pitch zero.

    Limbs out of the plane are foreshortened in it.
    """
    spine, neck, shoulder, arm_out, elbow, hip, leg_out, knee, ankle = shapes.T

    def up(turn: Floats, tilt: Floats | float = 1.0, flexed: Floats | None = None) -> tuple[Floats, Floats]:
        """Up axis after a pitch of ``turn``, spreading (its cosine), then a flexion in the spread frame."""
        if flexed is None:
            x, z = np.zeros_like(turn), tilt * np.ones_like(turn)
        else:
            x, z = np.sin(flexed), tilt * np.cos(flexed)
        c, s = np.cos(turn), np.sin(turn)
        return c * x + s * z, c * z - s * x

    legs, arms = np.cos(leg_out), np.cos(arm_out)
    zero = np.zeros_like(spine)
    foot = ankle + knee
    toe_x = np.cos(FOOT_DROP_RAD) * np.cos(foot) - np.sin(FOOT_DROP_RAD) * np.sin(foot)
    toe_z = legs * (-np.cos(FOOT_DROP_RAD) * np.sin(foot) - np.sin(FOOT_DROP_RAD) * np.cos(foot))
    c, s = np.cos(-hip), np.sin(-hip)
    pairs = (
        up(zero), up(spine), up(spine + neck), up(spine - shoulder, arms), up(spine - shoulder, arms, -elbow),
        up(-hip, legs), up(-hip, legs, knee), (c * toe_x + s * toe_z, c * toe_z - s * toe_x),
    )  # fmt: skip
    return np.stack([np.stack(pair, axis=-1) for pair in pairs], axis=1)


@dataclass(frozen=True, slots=True)
class State:
    """A posture at pelvis pitch zero, mid-hip at the origin; (T, ...)."""

    towards: Floats  # (T, 8, 2)
    com_m: Floats  # (T, 2)
    offset_m: Floats  # (T, S, 2) of the segments from the CoM
    inertia_m2: Floats  # (T,) about the somersault axis through the CoM, per kg


def state(shapes: Floats, skeleton: Skeleton) -> State:
    """Where the masses are in these postures, (T, 9)."""
    body = masses(skeleton)
    towards = directions(shapes)
    centre = np.einsum("sd,tdi->tsi", body.centre, towards)
    com = np.einsum("s,tsi->ti", body.mass, centre)
    offset = centre - com[:, None]
    moment = np.einsum("s,tsi->t", body.mass, offset**2)
    flat = np.einsum("tdi->td", towards**2)[:, body.turned_by]
    return State(towards, com, offset, moment + flat @ body.own + (1 - flat) @ body.along)


def spin(at: State, d_offset: Floats, d_towards: Floats, skeleton: Skeleton) -> Floats:
    """Angular momentum (T,) about the somersault axis, per kg, from the rates of a `State`'s arrays."""
    body = masses(skeleton)
    r, v = at.offset_m, d_offset
    orbital = np.einsum("s,ts->t", body.mass, r[..., 1] * v[..., 0] - r[..., 0] * v[..., 1])
    u, w = at.towards[:, body.turned_by], d_towards[:, body.turned_by]
    swept = u[..., 1] * w[..., 0] - u[..., 0] * w[..., 1]
    flat = np.einsum("tsi->ts", u**2)
    total: Floats = orbital + swept @ body.own + (swept * (1 - flat) / np.maximum(flat, 0.05)) @ body.along
    return total


def joint(at: State, name: str, skeleton: Skeleton) -> Floats:
    """A joint (T, 2) from mid-hip at pitch zero, mid of both sides."""
    place: Floats = np.einsum("d,tdi->ti", masses(skeleton).joints[name], at.towards)
    return place


def turn(points: Floats, pitch_rad: Floats) -> Floats:
    """Points (..., 2) turned forwards by pitch (broadcast over the last axis)."""
    c, s = np.cos(pitch_rad), np.sin(pitch_rad)
    return np.stack(
        [c * points[..., 0] + s * points[..., 1], c * points[..., 1] - s * points[..., 0]], axis=-1
    )

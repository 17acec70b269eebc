"""The seven flight families as parameterised flights, with the swings that lead to and from them.

Everything is told in the gymnast's own sagittal plane (see `capture.studio.flight`): angles in degrees
of the CoM about the rail, hanging 0, in front of the rail negative. Which shapes make up an element is
common practice, no source; what may vary, and how far, stands in `capture.studio.score`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from capture.studio.figure import Skeleton
from capture.studio.flight import ANKLE_HEIGHT_M, G_N, INDEX, FlightPlan, Hold, shape
from capture.studio.routine import HANDSTAND, Rig

Floats = NDArray[np.floating[Any]]
Values = Mapping[str, float | str | bool]
Keys = tuple[tuple[float, Floats], ...]

# --- swings to a release, from handstand ------------------------------------------------------------

HANG: Final = shape(ankle=66)
# Backward giant facing the low rail: legs apart past it on the way up.
DOWN_FREE: Final[Keys] = (
    (180.0, HANDSTAND),
    (150.0, shape(shoulder=174, hip=8, neck=5)),
    (95.0, shape(shoulder=178, hip=2)),
    (40.0, shape(shoulder=184, hip=-10, spine=-6)),
    (10.0, shape(shoulder=184, hip=-10, spine=-8)),
)
UP_BESIDE: Final[Keys] = (
    (-22.0, shape(shoulder=168, hip=34, hip_spread=28, spine=4, neck=8)),
    (-48.0, shape(shoulder=152, hip=64, hip_spread=54, spine=8, neck=10)),
    (-74.0, shape(shoulder=152, hip=44, hip_spread=50, spine=2, neck=5)),
)
UP_FREE: Final[Keys] = (
    (-24.0, shape(shoulder=168, hip=22, spine=6)),
    (-58.0, shape(shoulder=158, hip=26, spine=6)),
)
# Backward giant facing away: the low rail lies beside the way down.
DOWN_BESIDE: Final[Keys] = (
    (180.0, HANDSTAND),
    (140.0, shape(shoulder=172, hip=22, hip_spread=22, neck=5)),
    (100.0, shape(shoulder=164, hip=62, hip_spread=50)),
    (64.0, shape(shoulder=160, hip=68, hip_spread=54)),
    (32.0, shape(shoulder=174, hip=26, hip_spread=24)),
    (6.0, shape(shoulder=182, hip=-8, spine=-6)),
)
# Forward giant facing the low rail, which lies beside the way down.
FORWARD_DOWN: Final[Keys] = (
    (-180.0, HANDSTAND),
    (-140.0, shape(shoulder=176, hip=18, hip_spread=15)),
    (-100.0, shape(shoulder=166, hip=55, hip_spread=45)),
    (-64.0, shape(shoulder=160, hip=66, hip_spread=54, spine=6)),
    (-30.0, shape(shoulder=172, hip=30, hip_spread=24)),
    (4.0, shape(shoulder=180, hip=-4, spine=-4)),
)
FORWARD_UP: Final[Keys] = ((44.0, shape(shoulder=176, hip=10)),)
# Backward circle with straddled legs on the low rail.
CIRCLE: Final[Keys] = (
    (180.0, HANDSTAND),
    (150.0, shape(shoulder=164, hip=50, hip_spread=50, neck=10)),
    (100.0, shape(shoulder=118, hip=112, hip_spread=62, neck=20)),
    (40.0, shape(shoulder=96, hip=128, hip_spread=62, neck=20)),
    (-20.0, shape(shoulder=92, hip=128, hip_spread=62, neck=15)),
    (-60.0, shape(shoulder=104, hip=112, hip_spread=60, neck=10)),
    (-100.0, shape(shoulder=132, hip=60, hip_spread=50)),
)


VIA: Final = {"via.hip": 0.2, "via.spine": 0.1, "via.shoulder": 0.2}  # shapes in the air may move too


@dataclass(frozen=True, slots=True)
class Way:
    """How a flight begins and ends: the rail and facing it needs, the swing to it, what comes after."""

    plan: FlightPlan
    rail: str
    facing: int  # before; +1 faces the low rail side when hanging
    approach: Keys  # from handstand; the release pose follows
    backward: bool  # whether the approach is a backward giant
    end_rail: str  # "" on the mat
    rises: bool = False  # after the regrasp she goes on to handstand


def _hold(angle_deg: float, pose: Floats, rail: str, rig: Rig, facing: int) -> Hold:
    return Hold(float(np.radians(angle_deg)), pose, "grip", rig.axis(rail) * np.array([facing, 1.0]))


def _faulty(pose: Floats, o: Values) -> Floats:
    """The pose with the element's faults of shape."""
    changed = pose.copy()
    changed[INDEX["knee"]] += np.radians(float(o.get("knees_deg", 0.0)))
    changed[INDEX["hip_spread"]] += np.radians(float(o.get("legs_apart_deg", 0.0)))
    changed[INDEX["spine"]] -= np.radians(float(o.get("arch_deg", 0.0)))
    return changed


def _seconds(start: Hold, end: Hold, skeleton: Skeleton, com_top_m: float) -> float:
    """Time in the air between two poses when the CoM reaches a height."""
    heights = (float(start.com(skeleton)[1]), float(end.com(skeleton)[1]))
    return float(sum(np.sqrt(2 * max(com_top_m - z, 0.005) / G_N) for z in heights))


def _plan(
    family: str,
    start: Hold,
    end: Hold,
    skeleton: Skeleton,
    rig: Rig,
    facing: int,
    o: Values,
    turn_deg: float,
    via: tuple[tuple[float, Floats], ...],
    com_over_hips_m: float,
    free: Mapping[str, float],
    twist_turns: float = 0.0,
    twist_share: tuple[float, float] = (0.15, 0.85),
) -> FlightPlan:
    amplitude = float(o["amplitude_m"])
    seconds = _seconds(start, end, skeleton, rig.high_bar_m + amplitude + com_over_hips_m)
    late = float(o.get("late_share", 0.0))
    clear = tuple((float(facing * rig.axis(r)[0]), float(rig.axis(r)[1])) for r in ("high", "low"))
    return FlightPlan(
        family, start, end, seconds, float(np.radians(turn_deg)),
        tuple((min(max(share + late, 0.08), 0.92), _faulty(pose, o)) for share, pose in via),
        amplitude, rig.high_bar_m, free,
        twist_turns=twist_turns, twist_share=twist_share, clear_of=clear,
    )  # fmt: skip


def _halves(twist_turns: float) -> int:
    return round(2 * twist_turns)


# --- families ---------------------------------------------------------------------------------------


def counter_regrasp(o: Values, skeleton: Skeleton, rig: Rig) -> Way:
    """Backward travel over the high rail with counter rotation."""
    facing = 1 if o["facing"] == "low" else -1
    twist = float(o["twist_turns"])
    shapes = {
        "straddled": (
            shape(shoulder=100, hip=70, hip_spread=65),
            shape(shoulder=100, hip=118, hip_spread=60),
        ),
        "piked": (shape(shoulder=100, hip=95), shape(shoulder=95, hip=132, spine=10)),
    }
    first, second = shapes[str(o["shape"])]
    after = -facing if _halves(twist) % 2 else facing
    end = {
        "straddled": shape(shoulder=112, hip=80, hip_spread=45),
        "piked": shape(shoulder=112, hip=85, hip_spread=8),
    }[str(o["shape"])]
    turned = after != facing
    if turned:
        end = shape(shoulder=150, hip=20)
    plan = _plan(
        "counter_regrasp",
        _hold(-115, shape(shoulder=172, hip=-34, hip_spread=15, spine=-6), "high", rig, facing),
        _hold(-75 if turned else 88, end, "high", rig, after),
        skeleton, rig, facing, o, 170 if turned else 190,
        ((0.35, first), (0.8, first if turned else second)),
        0.2, {"start.shoulder": 0.12, "end.angle": 0.15, **VIA}, twist, (0.25, 0.95),
    )  # fmt: skip
    low = UP_BESIDE if facing == 1 else UP_FREE
    down = DOWN_FREE if facing == 1 else DOWN_BESIDE
    return Way(plan, "high", facing, (*down, *low), True, "high")


def salto_regrasp(o: Values, skeleton: Skeleton, rig: Rig) -> Way:
    """Front or back salto beside the high rail."""
    twist = float(o["twist_turns"])
    front = o["direction"] == "front"
    facing = 1 if front else -1
    after = -facing if _halves(twist) % 2 else facing
    middle = {
        "tucked": (shape(shoulder=70, hip=105, knee=110, neck=15), shape(shoulder=90, hip=95, knee=70)),
        "piked": (shape(shoulder=115, hip=98, neck=15), shape(shoulder=112, hip=96)),
        "straddled": (shape(shoulder=122, hip=98, hip_spread=45, neck=15),
                      shape(shoulder=112, hip=104, hip_spread=50)),
        "stretched": (shape(shoulder=60, hip=30, spine=12), shape(shoulder=90, hip=38, spine=12)),
    }[str(o["shape"])]  # fmt: skip
    if front:
        turned = after != facing
        end = (
            shape(shoulder=150, hip=25)
            if turned
            else {
                "straddled": shape(shoulder=143, hip=48, hip_spread=40),
                "stretched": shape(shoulder=160, hip=20),
            }.get(str(o["shape"]), shape(shoulder=143, hip=50, hip_spread=8))
        )
        plan = _plan(
            "salto_regrasp",
            _hold(84, shape(shoulder=182, hip=0), "high", rig, facing),
            _hold(-75 if turned else 78, end, "high", rig, after),
            skeleton, rig, facing, o, 320, ((0.42, middle[0]), (0.72, middle[1])),
            -0.16 if o["shape"] != "stretched" else -0.05,
            {"start.shoulder": 0.08, "start.angle": 0.2, "end.angle": 0.15, **VIA}, twist, (0.25, 0.95),
        )  # fmt: skip
        return Way(plan, "high", facing, (*FORWARD_DOWN, *FORWARD_UP), False, "high")
    plan = _plan(
        "salto_regrasp",
        _hold(-86, shape(shoulder=160, hip=20), "high", rig, facing),
        _hold(70 if after != facing else -78, shape(shoulder=155, hip=25), "high", rig, after),
        skeleton, rig, facing, o, -350, ((0.36, middle[0]), (0.72, middle[1])),
        -0.05, {"start.angle": 0.2, "end.angle": 0.15, **VIA}, twist, (0.3, 0.95),
    )  # fmt: skip
    return Way(plan, "high", facing, (*DOWN_BESIDE, *UP_FREE), True, "high")


def low_to_high(o: Values, skeleton: Skeleton, rig: Rig) -> Way:
    """From a circle on the low rail backward up to the high rail."""
    turned = bool(_halves(float(o["twist_turns"])) % 2)
    end = shape(shoulder=145, hip=55, hip_spread=35) if turned else shape(shoulder=142, hip=80, hip_spread=40)
    # Lower flights leave the rail earlier and flatter.
    start = -142.0 + min(max(60.0 * (0.1 - float(o["amplitude_m"])), 0.0), 26.0)
    plan = _plan(
        "low_to_high",
        _hold(start, shape(shoulder=165, hip=-10, hip_spread=30), "low", rig, 1),
        _hold(56 if turned else -52, end, "high", rig, -1 if turned else 1),
        skeleton, rig, 1, o, 80,
        ((0.45, shape(shoulder=140, hip=75 if turned else 72, hip_spread=48)),),
        0.02, {"start.angle": 0.18, "end.angle": 0.13, **VIA}, float(o["twist_turns"]), (0.3, 0.97),
    )  # fmt: skip
    return Way(plan, "low", 1, CIRCLE, True, "high")


def high_to_low_salto(o: Values, skeleton: Skeleton, rig: Rig) -> Way:
    """Back salto between the rails to the low rail."""
    twist = float(o["twist_turns"])
    plan = _plan(
        "high_to_low_salto",
        _hold(-80, shape(shoulder=158, hip=22), "high", rig, 1),
        _hold(118, shape(shoulder=146, hip=-8, spine=-8), "low", rig, 1),
        skeleton, rig, 1, o, -185, ((0.45, shape(shoulder=118, hip=-12, spine=-10, neck=-10)),
         (0.82, shape(shoulder=135, hip=-26, spine=-16, knee=18))),
        -0.1, {"start.angle": 0.15, "end.angle": 0.18, "flight": 0.05, **VIA}, twist, (0.1, 0.8),
    )  # fmt: skip
    return Way(plan, "high", 1, (*DOWN_FREE, *UP_BESIDE), True, "low")


def high_to_low_overshoot(o: Values, skeleton: Skeleton, rig: Rig) -> Way:
    """From the high rail with half turn over to handstand-like support on the low rail."""
    line = float(o["line_deg"])
    plan = _plan(
        "high_to_low_overshoot",
        _hold(-84, shape(shoulder=158, hip=18), "high", rig, 1),
        _hold(-90 - line, shape(shoulder=162, hip=14), "low", rig, -1),
        skeleton, rig, 1, o, -130, ((0.5, shape(shoulder=140, hip=12, neck=-10)),),
        -0.1, {"start.angle": 0.15, "end.angle": 0.06, "flight": 0.06, **VIA}, 0.5, (0.02, 0.8),
    )  # fmt: skip
    return Way(plan, "high", 1, (*DOWN_FREE, *UP_BESIDE), True, "low", rises=line >= 30)


def hop_regrasp(o: Values, skeleton: Skeleton, rig: Rig) -> Way:
    """Both hands leave and retake the high rail near handstand."""
    facing = 1 if o["facing"] == "low" else -1
    start = _hold(-152, shape(shoulder=166, hip=12), "high", rig, facing)
    end = _hold(-172, shape(shoulder=176, hip=6), "high", rig, facing)
    seconds = float(o["flight_s"])
    plan = FlightPlan(
        "hop_regrasp", start, end, seconds, float(np.radians(-22)), ((0.5, shape(shoulder=162, hip=14)),),
        None, rig.high_bar_m,
        {"flight": 0.0, "start.angle": 0.2, "end.angle": 0.12},
    )  # fmt: skip
    if facing == 1:
        return Way(plan, "high", facing, (*DOWN_FREE, *UP_BESIDE, (-110.0, HANG)), True, "high", rises=True)
    return Way(plan, "high", facing, (*DOWN_BESIDE, *UP_FREE, (-110.0, HANG)), True, "high", rises=True)


def _feet(pose: Floats, lean_deg: float, x_m: float, rig: Rig, skeleton: Skeleton) -> Hold:
    """Standing on the mat with flat soles."""
    at = np.array([x_m, rig.mat_m + ANKLE_HEIGHT_M])
    flat = pose.copy()
    for _ in range(3):  # the ankle moves the CoM a little
        pitch = Hold(float(np.radians(lean_deg)), flat, "ankle", at).pitch(skeleton)
        angle = flat[INDEX["hip"]] - flat[INDEX["knee"]] - pitch
        flat[INDEX["ankle"]] = (angle + np.pi) % (2 * np.pi) - np.pi
    return Hold(float(np.radians(lean_deg)), flat, "ankle", at)


LANDED: Final = shape(shoulder=72, hip=68, knee=62, ankle=20)


def dismount(o: Values, skeleton: Skeleton, rig: Rig) -> Way:
    """From the high rail, one or two saltos, to the mat."""
    front = o["direction"] == "front"
    facing = 1 if front else -1
    twist = float(o["twist_turns"])
    saltos = int(float(o["saltos"]))
    turned = _halves(twist) % 2 == 1
    closed = {
        "tucked": shape(shoulder=45, hip=116, knee=124, neck=15),
        "piked": shape(shoulder=50, hip=118, neck=10),
        "stretched": shape(shoulder=35, hip=0, spine=0) if twist else shape(shoulder=30, hip=2, spine=-8),
    }[str(o["shape"])]
    # Own x: a back dismount travels to the front; about-faced she sees it from the other side.
    away = (-1.0 if front else 1.0) * 2.0 * (skeleton.thigh_m / 0.3685) ** 0.5
    side = -1.0 if turned else 1.0
    lean = 166.0 if away * side > 0 else -166.0
    end = _feet(_faulty(LANDED, {}), lean, away * side, rig, skeleton)
    start = (
        _hold(86, shape(shoulder=176, hip=4), "high", rig, facing) if front
        else _hold(-76, shape(shoulder=150, hip=28), "high", rig, facing)
    )  # fmt: skip
    turn = (320 if front else -290) + (360 if front else -360) * (saltos - 1)
    open_share = 0.76 if saltos == 2 else 0.62
    plan = _plan(
        "dismount", start, end, skeleton, rig, facing, o, turn,
        ((0.26, closed), (open_share, closed)),
        -0.18 if o["shape"] != "stretched" else -0.05,
        {"end.x": 0.2, "start.angle": 0.1, "flight": 0.05}, twist, (0.12, 0.86),
    )  # fmt: skip
    if front:
        return Way(plan, "high", facing, (*FORWARD_DOWN, *FORWARD_UP), False, "")
    return Way(plan, "high", facing, (*DOWN_BESIDE, *UP_FREE), True, "")


BUILD: Final = {
    "counter_regrasp": counter_regrasp,
    "salto_regrasp": salto_regrasp,
    "low_to_high": low_to_high,
    "high_to_low_salto": high_to_low_salto,
    "high_to_low_overshoot": high_to_low_overshoot,
    "hop_regrasp": hop_regrasp,
    "dismount": dismount,
}


def missed(way: Way, skeleton: Skeleton, rig: Rig) -> Way:
    """The same flight when the hands pass the rail: she comes down to the mat."""
    plan = way.plan
    grip = plan.end
    side = -1.0 if plan.turned_about else 1.0
    start_x = float(plan.start.com(skeleton)[0]) * side
    wanted = grip.com(skeleton)
    # Where the path that would have met the rail comes down to standing height.
    v_x = (float(wanted[0]) - start_x) / plan.flight_s
    standing = rig.mat_m + 0.6 * (skeleton.thigh_m + skeleton.shank_m + skeleton.trunk_m)
    start_z = float(plan.start.com(skeleton)[1])
    rise = (float(wanted[1]) - start_z) / plan.flight_s + 0.5 * G_N * plan.flight_s
    top = start_z + rise**2 / (2 * G_N)
    seconds = rise / G_N + float(np.sqrt(2 * (top - standing) / G_N))
    x = start_x + v_x * seconds
    end = _feet(LANDED, 172.0 if v_x > 0 else -172.0, x, rig, skeleton)
    turned = plan.turn_rad * seconds / plan.flight_s * (0.9 if abs(plan.turn_rad) > 3 else 1.0)
    scale = plan.flight_s / seconds
    via = (*((share * scale, pose) for share, pose in plan.via), (0.82, shape(shoulder=110, hip=55, knee=30)))
    return Way(
        FlightPlan(
            plan.family, plan.start, end, seconds, turned, via, plan.apex_m, plan.rail_top_m,
            {**plan.free, "end.x": 0.25, "flight": 0.06, "end.angle": 0.06}, plan.twist_turns,
            (plan.twist_share[0] * scale, plan.twist_share[1] * scale), plan.clear_of, True,
        ),
        way.rail, way.facing, way.approach, way.backward, "",
    )  # fmt: skip

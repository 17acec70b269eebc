"""A routine as a list of elements, the way a score is a list of notes.

`compose` turns elements into a physical performance and adds what joins them: swings, kips, casts
and half turns in handstand. `chance_score` makes one up. `VOCABULARY` says which elements there are,
what may be set, and where each range comes from.

A routine begins in handstand on the rail its first element needs, unless that is a ``mount``, and
ends in handstand unless it ends on the mat.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from bridge.errors import ConfigError
from capture.rig import Sizes
from capture.studio import families, routine
from capture.studio.figure import Skeleton
from capture.studio.flight import ANKLE_HEIGHT_M, INDEX, FlightPlan, Hold, shape, solve_clear
from capture.studio.routine import (
    GLIDE_END,
    HANDSTAND,
    LOW_GLIDE_END,
    RATE_HZ,
    Move,
    Performance,
    Piece,
    Pirouette,
    Rig,
    Swing,
    excerpt,
)
from capture.studio.walk import Walk

__all__ = ["VOCABULARY", "Element", "Kind", "Performance", "chance_score", "compose", "excerpt"]

Floats = NDArray[np.floating[Any]]
Value = float | str | bool

OURS: Final = "ours"
PRASSAS: Final = (
    "about the 0.28 m CoM peak and 3.53 m/s at release of Prassas (ISBS abstract, n = 8), widened by us"
)
CODE: Final = "kinds as in the element tables of the women's code 2025-2028"


@dataclass(frozen=True, slots=True)
class Element:
    """One element by name with what is to be different from usual."""

    name: str
    options: dict[str, Value] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Number:
    """An option that is a number between two bounds."""

    low: float
    high: float
    usual: float
    unit: str
    source: str = OURS
    step: float | None = None  # only whole multiples of this


@dataclass(frozen=True, slots=True)
class Choice:
    """An option that is one of a few words."""

    values: tuple[str, ...]
    usual: str
    source: str = CODE


@dataclass(frozen=True, slots=True)
class Flag:
    """An option that is on or off."""

    usual: bool = False
    source: str = OURS


@dataclass(frozen=True, slots=True)
class Kind:
    """What an element is and what may be set."""

    about: str
    options: Mapping[str, Number | Choice | Flag]
    flight: bool = False  # counts as a flight of that family


def _faults(**more: Number | Choice | Flag) -> dict[str, Number | Choice | Flag]:
    return {
        **more,
        "knees_deg": Number(0, 40, 0, "deg of bend in the air"),
        "legs_apart_deg": Number(0, 20, 0, "deg each side in the air"),
        "arch_deg": Number(0, 15, 0, "deg of loose arch in the air"),
        "late_share": Number(-0.05, 0.08, 0, "share of the flight by which shapes come late"),
    }


_MISSED: Final = Flag(False, "ours: hands pass the rail and she comes down to the mat")
_LANDING: Final = Choice(("stuck", "steps", "hands", "seat"), "stuck", OURS)
_LINE: Final[dict[str, Number | Choice | Flag]] = {
    "angle_deg": Number(-45, 45, 0, "deg off the vertical, + short of it",
                        "the code's bands end at 45 degrees, from memory"),
    "arch_deg": Number(0, 30, 0, "deg of arch"),
    "pike_deg": Number(0, 40, 0, "deg of pike at the hips"),
    "shoulder_deg": Number(0, 40, 0, "deg of closed shoulders"),
    "hold_s": Number(0.05, 2.0, 0.3, "s"),
}  # fmt: skip
_FACING: Final = Choice(("low", "high"), "low", "ours: facing the low rail, or away from it")

VOCABULARY: Final[dict[str, Kind]] = {
    "mount": Kind("jump to the low rail and kip to handstand", {}),
    "giant": Kind("whole swing round the high rail", {
        "direction": Choice(("back", "front"), "back"), "facing": _FACING}),
    "handstand": Kind("held handstand with a chosen angle and line", {**_LINE}),
    "cast": Kind("down to support and cast again", {**_LINE}),
    "pirouette": Kind("half turn in handstand", {"seconds": Number(0.7, 1.4, 1.0, "s")}),
    "swing": Kind("down from handstand, to and fro in hang, and kip up again", {
        "back_deg": Number(30, 85, 70, "deg of the backswing below or at horizontal, from hanging")}),
    "chalk": Kind("walk to the chalk, rub, and walk back; only on the mat", {
        "rub_s": Number(0.5, 6, 2, "s")}),
    "stand": Kind("stand on the mat", {"seconds": Number(0.2, 10, 1, "s")}),
    "counter_regrasp": Kind("counter flight over the high rail", _faults(
        amplitude_m=Number(0.25, 0.75, 0.5, "m, hips over the high rail"),
        shape=Choice(("straddled", "piked"), "straddled"),
        twist_turns=Number(0, 0.5, 0, "turns", CODE, 0.5),
        facing=Choice(("low", "high"), "low", "inward and outward: Kerwin and Irwin 2010"),
        missed=_MISSED, landing=_LANDING), True),
    "salto_regrasp": Kind("salto beside the high rail", _faults(
        amplitude_m=Number(0.0, 0.5, 0.28, "m, hips over the high rail"),
        direction=Choice(("front", "back"), "front"),
        shape=Choice(("straddled", "piked", "tucked", "stretched"), "straddled"),
        twist_turns=Number(0, 1.5, 0, "turns: up to 1 with a front, 0.5 or 1.5 with a back salto",
                            CODE, 0.5),
        missed=_MISSED, landing=_LANDING), True),
    "low_to_high": Kind("from a circle on the low rail backward up to the high rail", _faults(
        amplitude_m=Number(-0.15, 0.3, 0.1, "m, hips over the high rail"),
        twist_turns=Number(0, 0.5, 0, "turns", CODE, 0.5),
        missed=_MISSED, landing=_LANDING), True),
    "high_to_low_salto": Kind("back salto between the rails", _faults(
        amplitude_m=Number(-0.3, 0.2, -0.05, "m, hips over the high rail"),
        twist_turns=Number(0, 1, 0, "turns", CODE, 1.0),
        missed=_MISSED, landing=_LANDING), True),
    "high_to_low_overshoot": Kind("half turn over to support on the low rail", _faults(
        amplitude_m=Number(-0.2, 0.25, 0.0, "m, hips over the high rail"),
        line_deg=Number(0, 75, 40, "deg of the CoM line above horizontal at the regrasp")), True),
    "hop_regrasp": Kind("both hands leave and retake the high rail near handstand", {
        "flight_s": Number(0.08, 0.24, 0.16, "s"), "facing": _FACING}, True),
    "dismount": Kind("from the high rail to the mat", _faults(
        amplitude_m=Number(-0.1, 0.55, 0.2, "m, hips over the high rail", PRASSAS),
        direction=Choice(("back", "front"), "back"),
        saltos=Number(1, 2, 2, "saltos", CODE, 1.0),
        shape=Choice(("tucked", "piked", "stretched"), "tucked"),
        twist_turns=Number(0, 3, 0, "turns", CODE, 0.5),
        landing=_LANDING), True),
}  # fmt: skip
FAMILIES: Final = tuple(name for name, kind in VOCABULARY.items() if kind.flight)


def _values(element: Element) -> dict[str, Value]:
    """Every option of an element, checked."""
    kind = VOCABULARY.get(element.name)
    if kind is None:
        raise ConfigError(f"no element {element.name!r}; there are {', '.join(VOCABULARY)}")
    unknown = set(element.options) - set(kind.options)
    if unknown:
        has = ", ".join(kind.options) or "none"
        raise ConfigError(f"{element.name}: no option {min(unknown)!r}; it has {has}")
    values: dict[str, Value] = {}
    for name, option in kind.options.items():
        value = element.options.get(name, option.usual)
        where = f"{element.name}: {name} = {value!r}"
        if isinstance(option, Number):
            if isinstance(value, bool) or not isinstance(value, int | float):
                raise ConfigError(
                    f"{where} is not a number; give {option.low:g} to {option.high:g} {option.unit}"
                )
            if not option.low - 1e-9 <= value <= option.high + 1e-9:
                raise ConfigError(
                    f"{where} is out of range; give {option.low:g} to {option.high:g} {option.unit}"
                )
            if option.step and abs(value / option.step - round(value / option.step)) > 1e-6:
                raise ConfigError(f"{where} is no multiple of {option.step:g}; give one ({option.unit})")
            values[name] = float(value)
        elif isinstance(option, Choice):
            if value not in option.values:
                raise ConfigError(f"{where} is unknown; give one of {', '.join(option.values)}")
            values[name] = str(value)
        else:
            if not isinstance(value, bool):
                raise ConfigError(f"{where} is neither true nor false; give one of these")
            values[name] = value
    _together(element.name, values)
    return values


def _together(name: str, v: Mapping[str, Value]) -> None:
    """Options that only some others allow."""
    if name == "salto_regrasp":
        half = round(2 * float(v["twist_turns"])) % 2 == 1
        if v["direction"] == "back" and not half:
            raise ConfigError(
                "salto_regrasp: a back salto needs twist_turns 0.5 or 1.5 to see the rail again"
            )
        if v["direction"] == "front" and float(v["twist_turns"]) > 1:
            raise ConfigError("salto_regrasp: a front salto takes twist_turns 0, 0.5 or 1")
    if name == "dismount" and v["saltos"] == 2 and float(v["twist_turns"]) > 2:
        raise ConfigError("dismount: two saltos take twist_turns up to 2")


# --- composing --------------------------------------------------------------------------------------

STILL: Final = 0.6  # rad/s with which a swing leaves a handstand


def _swing(*keys: tuple[float, Floats], start: float | None = None, end: float | None = None) -> Swing:
    return Swing(keys, start, end, late=2.0)


@dataclass(slots=True)
class _Place:
    """Where she is between elements: in handstand on a rail, or standing on the mat."""

    rail: str  # "high", "low" or "mat"
    facing: int


class _Composer:
    def __init__(self, skeleton: Skeleton, rig: Rig) -> None:
        self.k, self.rig = skeleton, rig
        self.pieces: list[Piece] = []
        self.place: _Place | None = None

    # A handstand is left with the pitch rate that the next piece begins with.

    def leave(self, rate: float) -> None:
        """End the handstand that is being held with this pitch rate."""
        assert self.place is not None
        last = self.pieces[-1].what if self.pieces else None
        if isinstance(last, Move) and self.pieces[-1].rail != "mat" and last.keys[-1][2] is HANDSTAND:
            self.pieces[-1] = replace(self.pieces[-1], what=replace(last, end_rad_s=rate))
        else:
            self.pieces.append(
                Piece(
                    Move(((0.0, 180.0, HANDSTAND), (0.35, 180.0, HANDSTAND)), rate),
                    self.place.rail,
                    self.place.facing,
                )
            )

    def be_at(self, rail: str, facing: int, what: str) -> None:
        """In handstand on this rail, facing this way; turns round when needed."""
        if self.place is None:
            self.place = _Place(rail, facing)
        if self.place.rail == "mat":
            if rail == "low":
                self.mount()
            else:
                raise ConfigError(
                    f"{what}: she stands on the mat and it needs the {rail} rail; "
                    "put mount and low_to_high before it"
                )
        if self.place.rail != rail:
            way = "low_to_high" if rail == "high" else "high_to_low_salto or high_to_low_overshoot"
            raise ConfigError(
                f"{what}: it needs the {rail} rail and she is on the {self.place.rail} one; "
                f"put {way} before it"
            )
        if self.place.facing != facing:
            self.turn(1.0)

    def turn(self, seconds: float) -> None:
        assert self.place is not None
        self.leave(0.0)
        self.pieces.append(Piece(Pirouette(seconds), self.place.rail, self.place.facing))
        self.place.facing = -self.place.facing

    def add(self, what: Swing | Move | FlightPlan, rail: str | None = None) -> None:
        assert self.place is not None
        self.pieces.append(Piece(what, rail or self.place.rail, self.place.facing))

    def kip(self) -> None:
        """From the front end of a glide to handstand."""
        assert self.place is not None
        end = GLIDE_END if self.place.rail == "high" else LOW_GLIDE_END
        self.add(routine._kip_cast(end, 0.0, self.k))

    # --- elements

    def mount(self) -> None:
        rig = self.rig
        low = rig.axis("low")
        spot = (float(low[0]) - 0.86 * (self._reach() / 1.93), rig.mat_m + ANKLE_HEIGHT_M)
        stand = shape(shoulder=8, ankle=0)
        if self.place is None:
            self.place = _Place("mat", 1)
        else:
            self.pieces.append(Piece(Walk(((spot[0], 0.0),), 0.0, rig.mat_m), "mat"))
        self.place.facing = 1
        self.pieces.append(
            Piece(
                Move((
                    (0.0, 0.0, stand), (0.7, 0.0, stand),
                    (0.40, 24.0, shape(shoulder=-25, hip=72, knee=78, ankle=0)),
                    (0.28, 12.0, shape(shoulder=120, hip=22, knee=18, ankle=20)),
                )),
                "mat", 1, spot,
            )
        )  # fmt: skip
        jump = FlightPlan(
            "",
            Hold(
                float(np.radians(168)), shape(shoulder=120, hip=22, knee=18, ankle=20), "ankle",
                np.array(spot),
            ),
            Hold(float(np.radians(16)), shape(shoulder=155, hip=80, hip_spread=20), "grip", low),
            0.30, float(np.radians(-10)), (), None, rig.low_bar_m, {"start.angle": 0.0, "start.spine": 0.0},
        )  # fmt: skip
        self.add(jump, "mat")
        self.place.rail = "low"
        self.add(
            _swing(
                (16.0, families.HANG),
                (-8.0, shape(shoulder=160, hip=92, hip_spread=30)),
                LOW_GLIDE_END,
                end=0.0,
            )
        )
        self.kip()

    def _reach(self) -> float:
        k = self.k
        return k.upper_arm_m + k.forearm_m + k.trunk_m + k.thigh_m + k.shank_m + k.hand_m

    def giant(self, v: Mapping[str, Value]) -> None:
        front = v["direction"] == "front"
        facing = 1 if v["facing"] == "low" or front else -1
        self.be_at("high", facing, "giant")
        if front:
            self.leave(STILL)
            self.add(
                _swing(
                    *families.FORWARD_DOWN,
                    *families.FORWARD_UP,
                    (100.0, shape(shoulder=168, hip=16)),
                    (150.0, shape(shoulder=174, hip=10)),
                    (178.0, HANDSTAND),
                    start=STILL,
                    end=STILL,
                )
            )
            self.add(Move(((0.0, 178.0, HANDSTAND), (0.3, 180.0, HANDSTAND))))
            return
        self.leave(-STILL)
        up = (
            (*families.UP_BESIDE, (-110.0, shape(shoulder=162, hip=24, hip_spread=20)))
            if facing == 1
            else (*families.UP_FREE, (-100.0, shape(shoulder=162, hip=22, hip_spread=10)))
        )
        down = families.DOWN_FREE if facing == 1 else families.DOWN_BESIDE
        self.add(
            _swing(
                *down,
                *up,
                (-150.0, shape(shoulder=172, hip=10)),
                (-178.0, HANDSTAND),
                start=-STILL,
                end=-STILL,
            )
        )
        self.add(Move(((0.0, -178.0, HANDSTAND), (0.3, -180.0, HANDSTAND))))

    def _leaning(self, v: Mapping[str, Value]) -> tuple[float, Floats]:
        """Pelvis pitch (deg) and shape of a handstand with its faults."""
        pose = HANDSTAND.copy()
        pose[INDEX["spine"]] -= np.radians(float(v["arch_deg"]))
        pose[INDEX["hip"]] += np.radians(float(v["pike_deg"]))
        pose[INDEX["shoulder"]] -= np.radians(float(v["shoulder_deg"]))
        hold = Hold(float(np.radians(180 - float(v["angle_deg"]))), pose, "grip", np.zeros(2))
        return float(np.degrees(hold.pitch(self.k))) % 360.0, pose

    def handstand(self, v: Mapping[str, Value]) -> None:
        self._on_a_rail("handstand")
        self.leave(0.0)
        pitch, pose = self._leaning(v)
        self.add(
            Move((
                (0.0, 180.0, HANDSTAND), (0.5, pitch, pose), (float(v["hold_s"]), pitch, pose),
                (0.5, 180.0, HANDSTAND),
            ))
        )  # fmt: skip

    def cast(self, v: Mapping[str, Value]) -> None:
        self._on_a_rail("cast")
        self.leave(0.0)
        pitch, pose = self._leaning(v)
        support = shape(shoulder=26, hip=20)
        push = (
            (34.0, shape(shoulder=28, hip=42, neck=-5)),
            (82.0, shape(shoulder=62, hip=4, hip_spread=15, neck=-15)),
            (122.0, shape(shoulder=112, hip=26, hip_spread=45, neck=-20)),
        )  # fmt: skip
        down = tuple((0.28, angle, bent) for angle, bent in reversed(push))
        up = tuple((0.28, angle, bent) for angle, bent in push)
        self.add(
            Move((
                (0.0, 180.0, HANDSTAND), *down, (0.25, 2.0, support), (0.2, 2.0, support), *up,
                (0.40, pitch, pose), (float(v["hold_s"]), pitch, pose), (0.5, 180.0, HANDSTAND),
            ))
        )  # fmt: skip

    def _on_a_rail(self, what: str) -> None:
        if self.place is None:
            self.place = _Place("high", 1)
        if self.place.rail == "mat":
            self.be_at("low", 1, what)

    def swing(self, v: Mapping[str, Value]) -> None:
        self.be_at("high", 1, "swing")
        self.leave(-STILL)
        back = float(v["back_deg"])
        self.add(
            _swing(*families.DOWN_FREE, (-24.0, shape(shoulder=168, hip=30, hip_spread=20)),
                   (-52.0, shape(shoulder=160, hip=50, hip_spread=50)), start=-STILL, end=0.0)
        )  # fmt: skip
        self.add(
            _swing((-52.0, shape(shoulder=160, hip=50, hip_spread=50)), (-18.0, shape(shoulder=172, hip=20)),
                   (12.0, shape(shoulder=180, hip=-6)),
                   (back, shape(shoulder=172, hip=4)), start=0.0, end=0.0)
        )  # fmt: skip
        self._glide(back)

    def _glide(self, from_deg: float) -> None:
        """From the still end of a backswing forward through a glide, and kip."""
        self.add(
            _swing((from_deg, shape(shoulder=170, hip=8)), (24.0, shape(shoulder=180, hip=-2)),
                   (0.0, families.HANG), GLIDE_END, start=0.0, end=0.0)
        )  # fmt: skip
        self.kip()

    def chalk(self, v: Mapping[str, Value]) -> None:
        if self.place is None:
            self.place = _Place("mat", 1)
            self.pieces.append(Piece(Walk(((-1.6, 0.0),), 0.0, self.rig.mat_m), "mat"))
        if self.place.rail != "mat":
            raise ConfigError("chalk: she is on a rail; put it first, or after a missed flight or a dismount")
        self.pieces.append(
            Piece(Walk(((-1.6, 0.75),), np.pi / 2, self.rig.mat_m, (0,), float(v["rub_s"])), "mat")
        )

    def stand(self, v: Mapping[str, Value]) -> None:
        if self.place is None:
            self.place = _Place("mat", 1)
            self.pieces.append(Piece(Walk(((-1.2, 0.0),), 0.0, self.rig.mat_m), "mat"))
        if self.place.rail != "mat":
            raise ConfigError("stand: she is on a rail; put it first, or after a missed flight or a dismount")
        x_y = Walk((), 0.0, self.rig.mat_m, stay_s=float(v["seconds"]))
        self.pieces.append(Piece(replace(x_y, keep_heading=True), "mat"))

    def flight(self, name: str, v: Mapping[str, Value]) -> None:
        way = families.BUILD[name](v, self.k, self.rig)
        if v.get("missed"):
            way = families.missed(way, self.k, self.rig)
        self.be_at(way.rail, way.facing, name)
        assert self.place is not None
        start = -STILL if way.backward else STILL
        self.leave(start)
        release = (float(np.degrees(way.plan.start.angle_rad)), way.plan.start.shape)
        self.add(_swing(*routine._through((*way.approach, release)), start=start))
        self.add(way.plan)
        if way.plan.turned_about:
            self.place.facing = -self.place.facing
        self.place.rail = way.end_rail or "mat"
        if not way.end_rail:
            self._land(str(v["landing"]))
        elif way.rises:
            self._rise(way.plan)
        else:
            self._hang(way.plan)

    def _rise(self, plan: FlightPlan) -> None:
        """On to handstand from a support above the rail."""
        first = float(np.degrees(plan.end.pitch(self.k)))
        to = 180.0 if abs(first - 180.0) < abs(first + 180.0) else -180.0
        self.add(
            Move((
                (0.0, first, plan.end.shape), (0.45, 0.5 * (first + to), shape(shoulder=172, hip=10)),
                (0.5, to, HANDSTAND),
            ))
        )  # fmt: skip

    def _hang(self, plan: FlightPlan) -> None:
        """Down from a regrasp, through a glide and kip to handstand."""
        assert self.place is not None
        angle = float(np.degrees(plan.end.angle_rad))
        first = (angle, plan.end.shape)
        if self.place.rail == "low":
            if angle > 0:
                self.add(
                    _swing(first, (45.0, shape(shoulder=148, hip=82, hip_spread=40)),
                           (2.0, shape(shoulder=150, hip=98, hip_spread=45)), LOW_GLIDE_END, end=0.0)
                )  # fmt: skip
            else:
                pass_by = (
                    (-45.0, shape(shoulder=150, hip=90, hip_spread=45)),
                    (-8.0, shape(shoulder=150, hip=100, hip_spread=45)),
                    (35.0, shape(shoulder=160, hip=85, hip_spread=40)),
                )  # fmt: skip
                self.add(_swing(first, *pass_by, end=0.0))
                self.add(_swing(*reversed(pass_by[1:]), LOW_GLIDE_END, start=0.0, end=0.0))
            self.kip()
            return
        beside = self.place.facing * angle < 0  # on the low rail's side
        if angle > 0:
            past = (
                (
                    (64.0, shape(shoulder=158, hip=66, hip_spread=50)),
                    (30.0, shape(shoulder=172, hip=26, hip_spread=20)),
                )
                if beside
                else ((50.0, families.HANG),)
            )
            self.add(_swing(first, *past, (4.0, shape(shoulder=180, hip=4)), GLIDE_END, end=0.0))
            self.kip()
            return
        highest = 70.0 if self.place.facing == 1 else 50.0
        past = (
            (
                (-60.0, shape(shoulder=156, hip=66, hip_spread=50)),
                (-22.0, shape(shoulder=172, hip=18, hip_spread=10)),
            )
            if beside
            else ((-40.0, shape(shoulder=172, hip=10)),)
        )
        self.add(
            _swing(
                first,
                *past,
                (18.0, shape(shoulder=180, hip=-6)),
                (highest, shape(shoulder=170, hip=8)),
                end=0.0,
            )
        )
        self._glide(highest)

    def _land(self, how: str) -> None:
        stand = shape(shoulder=8, ankle=0)
        keys = [(0.0, 40.0, stand), (0.16, 42.0, shape(shoulder=80, hip=100, knee=98))]
        if how == "hands":
            keys += [
                (0.26, 74.0, shape(shoulder=100, hip=128, knee=78)),
                (0.5, 74.0, shape(shoulder=98, hip=128, knee=78)),
            ]
        elif how == "seat":
            keys += [
                (0.30, 20.0, shape(shoulder=45, hip=120, knee=140)),
                (0.35, -28.0, shape(shoulder=-35, hip=92, knee=128)),
                (0.7, -28.0, shape(shoulder=-35, hip=92, knee=128)),
                (0.5, 40.0, shape(shoulder=60, hip=125, knee=130)),
            ]
        else:
            keys.append((0.22, 40.0, shape(shoulder=75, hip=100, knee=98)))
        proud = shape(shoulder=165, shoulder_spread=12)
        keys += [(0.5, 2.0, shape(shoulder=60, hip=4, knee=4))]
        if how in ("stuck", "steps"):
            keys += [(0.45, 0.0, proud), (0.6, 0.0, proud)]
        self.add(Move((*keys, (0.4, 0.0, stand))), "mat")
        if how == "steps":
            assert self.place is not None
            self.pieces.append(Piece(Walk((), 0.0, self.rig.mat_m, ahead_m=0.6, keep_heading=True), "mat"))


def compose(
    elements: Sequence[Element], skeleton: Skeleton, rig: Rig | Sizes, rate_hz: float = RATE_HZ
) -> Performance:
    """The elements one after another with what joins them, for a gymnast of these lengths on this rig.

    Raises:
        ConfigError: an element or option is unknown or out of range, an element needs another rail
            than the one she is on, or an amplitude is not reachable.
    """
    if not elements:
        raise ConfigError(f"no elements; give at least one of {', '.join(VOCABULARY)}")
    sizes = rig if isinstance(rig, Rig) else Rig.of(rig)
    composer = _Composer(skeleton, sizes)
    checked = [(element.name, _values(element)) for element in elements]
    for name, v in checked:
        if name == "mount":
            if composer.place is not None and composer.place.rail != "mat":
                raise ConfigError("mount: she is on a rail already; put it first, or after a fall")
            composer.mount()
        elif name == "pirouette":
            composer._on_a_rail(name)
            composer.turn(float(v["seconds"]))
        elif name in FAMILIES:
            composer.flight(name, v)
        else:
            getattr(composer, name)(v)
    place = composer.place
    assert place is not None
    if place.rail != "mat":
        composer.leave(0.0)
        composer.add(Move(((0.0, 180.0, HANDSTAND), (0.4, 180.0, HANDSTAND))))
    return routine.perform(composer.pieces, skeleton, sizes, rate_hz, solve_clear)


# --- chance -----------------------------------------------------------------------------------------


def _random(rng: np.random.Generator, name: str) -> Element:
    options: dict[str, Value] = {}
    for key, option in VOCABULARY[name].options.items():
        if key in ("missed", "hold_s", "landing"):
            continue
        if key in ("knees_deg", "legs_apart_deg", "arch_deg", "late_share", "pike_deg", "shoulder_deg"):
            assert isinstance(option, Number)
            if rng.random() < 0.3:  # most are clean
                options[key] = round(float(rng.uniform(option.low, option.high)), 3)
        elif isinstance(option, Number):
            if option.step:
                steps = round((option.high - option.low) / option.step)
                options[key] = option.low + option.step * int(rng.integers(steps + 1))
            else:
                options[key] = round(float(rng.uniform(option.low, option.high)), 3)
        elif isinstance(option, Choice):
            options[key] = str(rng.choice(option.values))
    if name == "salto_regrasp":
        options["twist_turns"] = float(
            rng.choice([0.0, 0.5, 1.0] if options["direction"] == "front" else [0.5, 1.5])
        )
    if name == "dismount" and options["saltos"] == 2:
        options["twist_turns"] = min(float(options.get("twist_turns", 0.0)), 2.0)
    if name == "dismount":
        landing = VOCABULARY[name].options["landing"]
        assert isinstance(landing, Choice)
        options["landing"] = str(rng.choice(landing.values))
    return Element(name, options)


def chance_score(
    rng: np.random.Generator, flights: int = 6, families: Sequence[str] | None = None
) -> list[Element]:
    """Elements by chance over their whole ranges, with this many flights, in an order that can be done.

    families: from which the flights are drawn, all when not given. Flights that only change the rail
    are added where one of another family needs it, so there may be more flights than asked for; a
    dismount, if drawn, comes last. Whether a gymnast reaches every amplitude `compose` will say.
    """
    wanted = list(families if families is not None else FAMILIES)
    unknown = set(wanted) - set(FAMILIES)
    if unknown:
        raise ConfigError(f"no family {min(unknown)!r}; there are {', '.join(FAMILIES)}")
    elements: list[Element] = []
    rail = ""
    drawn = [str(rng.choice(wanted)) for _ in range(flights)]
    last = [name for name in drawn if name == "dismount"][:1]
    middle = [name for name in drawn if name != "dismount"]
    others = [name for name in wanted if name != "dismount"]
    while len(middle) + len(last) < flights and others:  # one dismount is enough
        middle.append(str(rng.choice(others)))
    for name in (*middle, *last):
        needs = "low" if name == "low_to_high" else "high"
        if rail and rail != needs:
            elements.append(_random(rng, "low_to_high" if needs == "high" else str(rng.choice(_DOWNWARD))))
        if rng.random() < 0.3:
            elements.append(_random(rng, str(rng.choice(["handstand", "cast"]))))
        elements.append(_random(rng, name))
        rail = "low" if name in _DOWNWARD else "high"
    return elements


_DOWNWARD: Final = ("high_to_low_salto", "high_to_low_overshoot")


def waiting_score(rng: np.random.Generator) -> list[Element]:
    """What a second gymnast does meanwhile in a warm-up: chalks, waits, chalks again; on the mat only.

    Her performance is a `Performance` of its own; `capture.studio.routine.placed` sets it beside the rails.
    """
    elements = []
    for _ in range(int(rng.integers(2, 4))):
        elements.append(Element("chalk", {"rub_s": round(float(rng.uniform(1.0, 5.0)), 2)}))
        elements.append(Element("stand", {"seconds": round(float(rng.uniform(1.0, 6.0)), 2)}))
    return elements

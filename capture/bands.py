"""Band tables: above, level or below the rail, how sure that is, and the deduction range.

A table is an editable TOML file (see ``tables/bands_common_practice.toml``). The tool shows a range,
never a score. Beside the heights of the flight families it may hold angles: of handstands off the
vertical, of the backswing below horizontal.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from importlib import resources
from itertools import pairwise
from pathlib import Path
from typing import Any, Final, Literal, TypeVar

import msgspec

from bridge.errors import ConfigError
from bridge.messages import BandChance
from capture.toml_file import decode, read_text
from capture.uncertainty import conformance

FAMILIES: Final = (
    "counter_regrasp",
    "salto_regrasp",
    "low_to_high",
    "high_to_low_salto",
    "high_to_low_overshoot",
    "hop_regrasp",
    "dismount",
)
ANGLES: Final = ("handstand", "backswing")  # off the vertical; against horizontal, + above it
SHIPPED: Final = ("common_practice", "whole_tenths")
SURE: Final = 0.95  # a band less likely than this is too close to call
TOO_CLOSE: Final = "too close to call"
_HIGHEST_LIMIT_M: Final = 3.0
_GREATEST_ANGLE_DEG: Final = 180.0
_SAME: Final = 1e-9


class BandEntry(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One band as written: limits in metres, or in half-widths of "level"."""

    name: str
    range: tuple[float, float]
    from_m: float | None = None
    to_m: float | None = None
    from_level: float | None = None
    to_level: float | None = None
    source: str = ""


class FamilyEntry(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One family as written; its bands are read one by one."""

    bands: list[dict[str, Any]]
    rail: Literal["high", "low"] = "high"
    source: str = ""


class AngleBandEntry(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One band of an angle as written: limits in degrees."""

    name: str
    range: tuple[float, float]
    from_deg: float | None = None
    to_deg: float | None = None
    source: str = ""


class AngleEntry(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The bands of one angle as written; they are read one by one."""

    bands: list[dict[str, Any]]
    source: str = ""


class TableFile(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A band table as written."""

    format: int
    unit: str
    name: str
    year: int
    families: dict[str, dict[str, Any]]
    angles: dict[str, dict[str, Any]] = {}
    level_half_width_m: float = 0.10
    source: str = ""


@dataclass(frozen=True, slots=True)
class Band:
    """From ``lower`` up to ``upper`` (metres against the rail, or radians), and the deduction range."""

    name: str
    lower: float
    upper: float
    range: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Family:
    """The bands of one flight family, lowest first."""

    rail: str
    bands: tuple[Band, ...]
    source: str


@dataclass(frozen=True, slots=True)
class Angle:
    """The bands of an angle, radians, lowest first."""

    bands: tuple[Band, ...]
    source: str


@dataclass(frozen=True, slots=True)
class Call:
    """What the table says of a height or an angle."""

    band: str  # a band's name, or TOO_CLOSE
    p: float  # probability of the likeliest band
    chances: tuple[BandChance, ...]  # every band, lowest first; sum to 1
    range: tuple[float, float] | None  # of the band; when too close, of the bands that reach 95 % together


@dataclass(frozen=True, slots=True)
class BandTable:
    """A checked band table."""

    name: str
    year: int
    level_half_width_m: float
    families: dict[str, Family]
    source: str
    angles: dict[str, Angle] = field(default_factory=dict)

    @property
    def title(self) -> str:
        """Name and year, as shown."""
        return f"{self.name} {self.year}"

    def call(self, family: str, height_m: float, u_m: float) -> Call | None:
        """Band of a height with standard uncertainty ``u_m``; None when the table has no such family."""
        entry = self.families.get(family)
        return None if entry is None else _call(entry.bands, height_m, u_m)

    def call_angle(self, angle: str, value_rad: float, u_rad: float) -> Call | None:
        """Band of one of :data:`ANGLES`; None when the table has nothing on it."""
        entry = self.angles.get(angle)
        return None if entry is None else _call(entry.bands, value_rad, u_rad)


def _call(bands: Sequence[Band], value: float, u: float) -> Call:
    chances = tuple(BandChance(b.name, conformance(value, u, b.lower, b.upper)) for b in bands)
    ranked = sorted(zip(chances, bands, strict=True), key=lambda pair: -pair[0].p)
    best, band = ranked[0]
    if best.p >= SURE:
        return Call(band.name, best.p, chances, band.range)
    total, low, high = 0.0, math.inf, -math.inf
    for chance, candidate in ranked:
        total += chance.p
        low, high = min(low, candidate.range[0]), max(high, candidate.range[1])
        if total >= SURE:
            break
    return Call(TOO_CLOSE, best.p, chances, (low, high))


def common_practice() -> BandTable:
    """The table that is used when none is named: common practice, no published source."""
    return shipped_table("common_practice")


def shipped_text(name: str) -> str:
    """The text of one of the tables :data:`SHIPPED` with the program."""
    return resources.files("capture.tables").joinpath(f"bands_{name}.toml").read_text(encoding="utf-8")


def shipped_table(name: str) -> BandTable:
    """One of the tables :data:`SHIPPED` with the program."""
    return parse_bands(shipped_text(name), f"bands_{name}.toml")


def load_bands(path: Path) -> BandTable:
    """Read a band table: a file, or one of :data:`SHIPPED` by its name.

    Raises:
        ConfigError: the file is missing or cannot be used; names the file, the line and the remedy.
    """
    if str(path) in SHIPPED and not path.exists():
        return shipped_table(str(path))
    return parse_bands(read_text(path, f"a band table, or one of {', '.join(SHIPPED)}"), str(path))


def parse_bands(text: str, source: str = "band table") -> BandTable:
    """Read the text of a band table; ``source`` names it in errors.

    Raises:
        ConfigError: see :func:`load_bands`.
    """
    place = _Places(text, source)
    file = decode(text, TableFile, source, "compare with the shipped band table")
    if file.unit != "m":
        raise ConfigError(
            f'{place.key("unit")}: unit = {file.unit!r}; write all limits in metres and unit = "m"'
        )
    if not 0 < file.level_half_width_m <= 0.5:
        raise ConfigError(
            f"{place.key('level_half_width_m')}: level_half_width_m = {file.level_half_width_m}; "
            "give metres, above 0 and at most 0.5"
        )
    if not file.families:
        raise ConfigError(f"{source}: no [families.*]; give at least one of {', '.join(FAMILIES)}")
    families = {}
    for key, raw in file.families.items():
        at = place.section("families", key)
        if key not in FAMILIES:
            raise ConfigError(f"{at} is unknown; use one of {', '.join(FAMILIES)}")
        entry = _convert(raw, FamilyEntry, at)
        bands = [
            _height_band(_convert(band, BandEntry, at_band), file.level_half_width_m, at_band)
            for band, at_band in zip(entry.bands, place.bands("families", key, entry.bands), strict=True)
        ]
        families[key] = Family(entry.rail, _whole(bands, place, "families", key, "m"), entry.source)
    angles = {}
    for key, raw in file.angles.items():
        at = place.section("angles", key)
        if key not in ANGLES:
            raise ConfigError(f"{at} is unknown; use one of {', '.join(ANGLES)}")
        angle = _convert(raw, AngleEntry, at)
        bands = [
            _angle_band(_convert(band, AngleBandEntry, at_band), at_band)
            for band, at_band in zip(angle.bands, place.bands("angles", key, angle.bands), strict=True)
        ]
        angles[key] = Angle(_whole(bands, place, "angles", key, "rad"), angle.source)
    return BandTable(file.name, file.year, file.level_half_width_m, families, file.source, angles)


T = TypeVar("T", bound=msgspec.Struct)
_KINDS: Final = {"families": "family", "angles": "angle"}


def _convert(raw: dict[str, Any], kind: type[T], at: str) -> T:
    try:
        return msgspec.convert(raw, kind)
    except msgspec.ValidationError as error:
        raise ConfigError(f"{at}: {error}; compare with the shipped band table") from error


class _Places:
    """Where things stand in the text of a table, for the first words of a refusal."""

    def __init__(self, text: str, source: str) -> None:
        # What stands behind a comment sign is none of it.
        self._lines = [line.partition("#")[0].strip() for line in text.splitlines()]
        self._source = source

    def key(self, name: str) -> str:
        """The first line that gives ``name`` a value."""
        return self._at(next((n for n, line in self._numbered() if re.match(rf"{name}\s*=", line)), None))

    def section(self, kind: str, name: str) -> str:
        """A family or an angle."""
        return f"{self._at(self._header(kind, name))}: {_KINDS[kind]} {name!r}"

    def bands(self, kind: str, name: str, bands: Sequence[dict[str, Any]]) -> list[str]:
        """The bands of a section, in the order in which they are written."""
        header = self._header(kind, name) or 1
        lines = []
        for number, line in self._numbered(header):
            if number > header and line.startswith("[") and not line.startswith(f"[[{kind}.{name}"):
                break
            lines += [number] * len(re.findall(r"(?:^|[{,\s])name\s*=", line))
        found: list[int | None] = [*lines] if len(lines) == len(bands) else [header] * len(bands)
        return [
            f"{self._at(n)}: {_KINDS[kind]} {name!r}, band {band.get('name', number)!r}"
            for number, (n, band) in enumerate(zip(found, bands, strict=True), 1)
        ]

    def _header(self, kind: str, name: str) -> int | None:
        starts = (f"[{kind}.{name}", f'[{kind}."{name}"', f"[[{kind}.{name}")
        return next((n for n, line in self._numbered() if line.startswith(starts)), None)

    def _numbered(self, first: int = 1) -> list[tuple[int, str]]:
        return list(enumerate(self._lines[first - 1 :], first))

    def _at(self, line: int | None) -> str:
        return self._source if line is None else f"{self._source}, line {line}"


def _whole(
    bands: list[tuple[Band, str]], place: _Places, kind: str, key: str, unit: Literal["m", "rad"]
) -> tuple[Band, ...]:
    """The bands, lowest first, once they are known to cover everything and to meet."""
    at = place.section(kind, key)
    names = [band.name for band, _ in bands]
    if len(bands) < 2 or len(set(names)) != len(names):
        raise ConfigError(f"{at} needs at least two bands with different names")
    bands = sorted(bands, key=lambda pair: pair[0].lower)
    what = "heights" if unit == "m" else "angles"

    def shown(value: float) -> str:
        return f"{value:+.2f}" if unit == "m" else f"{math.degrees(value):g}"

    word = "m" if unit == "m" else "degrees"
    (lowest, at_lowest), (highest, at_highest) = bands[0], bands[-1]
    if lowest.lower != -math.inf:
        raise ConfigError(
            f"{at_lowest} leaves {what} below {shown(lowest.lower)} {word} out; drop its 'from'"
        )
    if highest.upper != math.inf:
        raise ConfigError(
            f"{at_highest} leaves {what} above {shown(highest.upper)} {word} out; drop its 'to'"
        )
    for (lower, _), (upper, at_upper) in pairwise(bands):
        if upper.lower > lower.upper + _SAME:
            raise ConfigError(
                f"{at_upper} leaves a gap above {lower.name!r} "
                f"({shown(lower.upper)} to {shown(upper.lower)} {word}); make the limits meet"
            )
        if upper.lower < lower.upper - _SAME:
            raise ConfigError(
                f"{at_upper} and {lower.name!r} overlap "
                f"({shown(upper.lower)} to {shown(lower.upper)} {word}); make the limits meet"
            )
    return tuple(band for band, _ in bands)


def _height_band(entry: BandEntry, half_m: float, at: str) -> tuple[Band, str]:
    def limit(metres: float | None, levels: float | None, which: str, missing: float) -> float:
        if metres is not None and levels is not None:
            raise ConfigError(f"{at}: give {which}_m or {which}_level, not both")
        value = metres if metres is not None else (levels * half_m if levels is not None else missing)
        if (math.isfinite(value) and abs(value) > _HIGHEST_LIMIT_M) or math.isnan(value):
            raise ConfigError(f"{at}: {which} = {value:g} m; limits are metres, not centimetres")
        return value

    lower = limit(entry.from_m, entry.from_level, "from", -math.inf)
    upper = limit(entry.to_m, entry.to_level, "to", math.inf)
    return _band(entry.name, lower, upper, entry.range, at)


def _angle_band(entry: AngleBandEntry, at: str) -> tuple[Band, str]:
    def limit(degrees: float | None, which: str, missing: float) -> float:
        if degrees is None:
            return missing
        if not abs(degrees) <= _GREATEST_ANGLE_DEG:
            raise ConfigError(f"{at}: {which}_deg = {degrees:g}; angles go from -180 to 180 degrees")
        return math.radians(degrees)

    lower, upper = limit(entry.from_deg, "from", -math.inf), limit(entry.to_deg, "to", math.inf)
    return _band(entry.name, lower, upper, entry.range, at)


def _band(name: str, lower: float, upper: float, deduction: tuple[float, float], at: str) -> tuple[Band, str]:
    if not lower < upper:
        raise ConfigError(f"{at}: 'from' is not below 'to'; exchange them")
    low, high = deduction
    if not 0 <= low <= high <= 1:
        raise ConfigError(f"{at}: range = [{low}, {high}]; give low and high between 0 and 1")
    return Band(name, lower, upper, (low, high)), at

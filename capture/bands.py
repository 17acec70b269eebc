"""Band tables: above, level or below the rail, how sure that is, and the deduction range.

A table is an editable TOML file (see ``tables/bands_common_practice.toml``). The tool shows a range,
never a score.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from importlib import resources
from itertools import pairwise
from pathlib import Path
from typing import Final, Literal

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
SURE: Final = 0.95  # a band less likely than this is too close to call
TOO_CLOSE: Final = "too close to call"
_HIGHEST_LIMIT_M: Final = 3.0
_SAME_M: Final = 1e-9


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
    """One family as written."""

    bands: tuple[BandEntry, ...]
    rail: Literal["high", "low"] = "high"
    source: str = ""


class TableFile(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A band table as written."""

    format: int
    unit: str
    name: str
    year: int
    families: dict[str, FamilyEntry]
    level_half_width_m: float = 0.10
    source: str = ""


@dataclass(frozen=True, slots=True)
class Band:
    """Heights from ``lower_m`` up to ``upper_m`` against the rail, and their deduction range."""

    name: str
    lower_m: float
    upper_m: float
    range: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Family:
    """The bands of one flight family, lowest first."""

    rail: str
    bands: tuple[Band, ...]
    source: str


@dataclass(frozen=True, slots=True)
class Call:
    """What the table says of a height."""

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

    @property
    def title(self) -> str:
        """Name and year, as shown."""
        return f"{self.name} {self.year}"

    def call(self, family: str, height_m: float, u_m: float) -> Call | None:
        """Band of a height with standard uncertainty ``u_m``; None when the table has no such family."""
        entry = self.families.get(family)
        if entry is None:
            return None
        chances = tuple(
            BandChance(b.name, conformance(height_m, u_m, b.lower_m, b.upper_m)) for b in entry.bands
        )
        ranked = sorted(zip(chances, entry.bands, strict=True), key=lambda pair: -pair[0].p)
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
    """The table shipped with the program: common practice, no published source."""
    name = "bands_common_practice.toml"
    return parse_bands(resources.files("capture.tables").joinpath(name).read_text(encoding="utf-8"), name)


def load_bands(path: Path) -> BandTable:
    """Read a band table.

    Raises:
        ConfigError: the file is missing or cannot be used; names the file, the family and the remedy.
    """
    return parse_bands(read_text(path, "a band table"), str(path))


def parse_bands(text: str, source: str = "band table") -> BandTable:
    """Read the text of a band table; ``source`` names it in errors.

    Raises:
        ConfigError: see :func:`load_bands`.
    """
    file = decode(text, TableFile, source, "compare with the shipped band table")
    if file.unit != "m":
        raise ConfigError(f'{source}: unit = {file.unit!r}; write all limits in metres and unit = "m"')
    if not 0 < file.level_half_width_m <= 0.5:
        raise ConfigError(
            f"{source}: level_half_width_m = {file.level_half_width_m}; give metres, above 0 and at most 0.5"
        )
    if not file.families:
        raise ConfigError(f"{source}: no [families.*]; give at least one of {', '.join(FAMILIES)}")
    families = {}
    for key, entry in file.families.items():
        at = f"{source}{_line(text, key)}: family {key!r}"
        if key not in FAMILIES:
            raise ConfigError(f"{at} is unknown; use one of {', '.join(FAMILIES)}")
        families[key] = _family(entry, file.level_half_width_m, at)
    return BandTable(file.name, file.year, file.level_half_width_m, families, file.source)


def _line(text: str, family: str) -> str:
    for number, line in enumerate(text.splitlines(), 1):
        if line.strip().startswith(f"[families.{family}"):
            return f", line {number}"
    return ""


def _family(entry: FamilyEntry, half_m: float, at: str) -> Family:
    bands = [_band(b, half_m, at) for b in entry.bands]
    if len({b.name for b in bands}) != len(bands) or len(bands) < 2:
        raise ConfigError(f"{at} needs at least two bands with different names")
    bands.sort(key=lambda b: b.lower_m)
    if bands[0].lower_m != -math.inf:
        raise ConfigError(f"{at} leaves heights below {bands[0].lower_m:+.2f} m out; drop its lowest 'from'")
    if bands[-1].upper_m != math.inf:
        raise ConfigError(f"{at} leaves heights above {bands[-1].upper_m:+.2f} m out; drop its highest 'to'")
    for lower, upper in pairwise(bands):
        if upper.lower_m > lower.upper_m + _SAME_M:
            raise ConfigError(
                f"{at} has a gap between {lower.name!r} and {upper.name!r} "
                f"({lower.upper_m:+.2f} to {upper.lower_m:+.2f} m); make the limits meet"
            )
        if upper.lower_m < lower.upper_m - _SAME_M:
            raise ConfigError(
                f"{at}: {lower.name!r} and {upper.name!r} overlap "
                f"({upper.lower_m:+.2f} to {lower.upper_m:+.2f} m); make the limits meet"
            )
    return Family(entry.rail, tuple(bands), entry.source)


def _band(entry: BandEntry, half_m: float, at: str) -> Band:
    def limit(metres: float | None, levels: float | None, which: str, missing: float) -> float:
        if metres is not None and levels is not None:
            raise ConfigError(f"{at}, band {entry.name!r}: give {which}_m or {which}_level, not both")
        value = metres if metres is not None else (levels * half_m if levels is not None else missing)
        if (math.isfinite(value) and abs(value) > _HIGHEST_LIMIT_M) or math.isnan(value):
            raise ConfigError(
                f"{at}, band {entry.name!r}: {which} = {value:g} m; limits are metres, not centimetres"
            )
        return value

    lower = limit(entry.from_m, entry.from_level, "from", -math.inf)
    upper = limit(entry.to_m, entry.to_level, "to", math.inf)
    if not lower < upper:
        raise ConfigError(f"{at}, band {entry.name!r}: 'from' is not below 'to'; exchange them")
    low, high = entry.range
    if not 0 <= low <= high <= 1:
        raise ConfigError(
            f"{at}, band {entry.name!r}: range = [{low}, {high}]; give low and high between 0 and 1"
        )
    return Band(entry.name, lower, upper, (low, high))

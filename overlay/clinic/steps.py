"""The deductions a marker can choose from: those that the chosen band table names.

Deductions are kept in whole hundredths of a point, so that equal marks are equal.
"""

from __future__ import annotations

import itertools
import math
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec

from bridge.errors import ConfigError


@dataclass(frozen=True, slots=True)
class Steps:
    """Deductions of one family, hundredths of a point, rising.

    Raises:
        ConfigError: fewer than two, not rising, or negative.
    """

    hundredths: tuple[int, ...]

    def __post_init__(self) -> None:
        h = self.hundredths
        if len(h) < 2 or h[0] < 0 or any(b <= a for a, b in itertools.pairwise(h)):
            raise ConfigError(f"steps {list(h)}: name at least two deductions, rising from 0")

    def apart(self, first: int, second: int) -> int:
        """How many steps lie between two marks. Raises ValueError for what is no step."""
        return abs(self.hundredths.index(first) - self.hundredths.index(second))


@dataclass(frozen=True, slots=True)
class StepTable:
    """The steps of every family of one rule book and year."""

    title: str
    families: dict[str, Steps]

    def of(self, family: str) -> Steps:
        """Steps of a family. Raises ConfigError when the table has none for it."""
        if family not in self.families:
            raise ConfigError(f"{self.title}: no deductions for {family}; choose another table or clip")
        return self.families[family]


class _Band(msgspec.Struct):
    range: tuple[float, float]


class _Family(msgspec.Struct):
    bands: tuple[_Band, ...]


class _Table(msgspec.Struct):
    name: str
    year: int
    families: dict[str, _Family]


def read_steps(path: Path) -> StepTable:
    """The steps that a band table names.

    A range of one number is one step. A wider one holds every multiple of the table's grain within
    it, which is the greatest common divisor of all its deductions: 0.05 in "0.05" and "0.10 to 0.20".

    Raises:
        ConfigError: the file cannot be read, or is no band table.
    """
    try:
        raw: dict[str, Any] = tomllib.loads(path.read_text(encoding="utf-8"))
        table = msgspec.convert(raw, _Table)
    except OSError as error:
        raise ConfigError(f"{path}: cannot be read ({error.strerror})") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, msgspec.MsgspecError) as error:
        raise ConfigError(f"{path}: no band table ({error}); see capture/tables") from error
    ends = [h for family in table.families.values() for b in family.bands for h in map(hundredths, b.range)]
    grain = math.gcd(*ends) or 1
    families = {}
    for name, family in table.families.items():
        found = {0}
        for band in family.bands:
            low, high = map(hundredths, band.range)
            found.update(range(low, high + 1, grain))
        families[name] = Steps(tuple(sorted(found)))
    return StepTable(f"{table.name} {table.year}", families)


def shipped_tables() -> list[Path]:
    """The band tables that ship with Railcrest, the common practice first."""
    folder = Path(__file__).parents[2] / "capture" / "tables"
    return sorted(folder.glob("bands_*.toml"), key=lambda p: (p.stem != "bands_common_practice", p.stem))


def hundredths(points: float) -> int:
    """Points as whole hundredths. Raises ConfigError when they are not."""
    whole = round(points * 100)
    if not 0 <= points <= 10 or abs(points * 100 - whole) > 1e-6:
        raise ConfigError(f"deduction {points}: use whole hundredths from 0 to 10")
    return whole


def points(mark: int) -> str:
    """A mark as it is written: ``0.15``."""
    return f"{mark / 100:.2f}"

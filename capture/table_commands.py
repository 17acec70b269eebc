"""The command ``table``: shows the shipped band tables, checks one of your own, and copies one to edit."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from capture.bands import BandTable


def register(app: typer.Typer) -> None:
    """Add ``table`` to the command line."""
    app.command("table")(table)


def table(
    which: Annotated[
        Path | None, typer.Argument(help="A band table's file, or the name of a shipped one.")
    ] = None,
    copy_to: Annotated[
        Path | None, typer.Option("--copy-to", help="Write the table there, to be edited.")
    ] = None,
) -> None:
    """Check a band table and show what it says; without one, tell which are shipped."""
    from bridge.errors import ConfigError
    from capture.bands import SHIPPED, load_bands, shipped_table, shipped_text

    if which is None:
        if copy_to is not None:
            raise ConfigError(f"--copy-to {copy_to}: say which table, {' or '.join(SHIPPED)}")
        for name in SHIPPED:
            found = shipped_table(name)
            typer.echo(f"{name}: {found.title}, {found.source}")
        return
    found = load_bands(which)
    if copy_to is not None:
        shipped = str(which) in SHIPPED and not which.exists()
        text = shipped_text(str(which)) if shipped else which.read_text(encoding="utf-8")
        try:
            with copy_to.open("x", encoding="utf-8") as file:
                file.write(text)
        except OSError as error:
            raise ConfigError(f"{copy_to}: cannot be written ({error}); choose another file") from error
        typer.echo(f"{copy_to}: {found.title}, to be edited")
        return
    for line in _lines(which, found):
        typer.echo(line)


def _lines(which: Path, found: BandTable) -> Iterator[str]:
    yield f"{which}: {found.title}"
    yield f"  {found.source}"
    for name, family in found.families.items():
        yield f"{name}, hips against the {family.rail} bar"
        for band in reversed(family.bands):
            yield _line(band.name, band.lower * 100, band.upper * 100, "cm", band.range)
    for name, angle in found.angles.items():
        yield name
        for band in angle.bands:
            lower, upper = math.degrees(band.lower), math.degrees(band.upper)
            yield _line(band.name, lower, upper, "degrees", band.range)


def _line(name: str, lower: float, upper: float, unit: str, deduction: tuple[float, float]) -> str:
    if math.isinf(lower):
        limits = f"under {upper:+.0f} {unit}"
    elif math.isinf(upper):
        limits = f"from {lower:+.0f} {unit}"
    else:
        limits = f"{lower:+.0f} to {upper:+.0f} {unit}"
    low, high = deduction
    amount = f"{low:.2f}" if low == high else f"{low:.2f} to {high:.2f}"
    return f"  {name:24}{limits:24}{amount}"

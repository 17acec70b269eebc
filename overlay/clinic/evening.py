"""From the set-up window to a running practice."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path

from bridge.errors import ConfigError, RailcrestError
from overlay.clinic.examples import Collection
from overlay.clinic.practice import NS, Practice, plan
from overlay.clinic.set_up import Evening, SetUp, addresses
from overlay.clinic.steps import read_steps


def choose(
    kept: Collection, tables: Sequence[Path], folder: Path, report: Callable[[Path], Sequence[Path]]
) -> Evening | None:
    """Show the set-up window until the teacher begins or closes it. Qt has been started.

    Args:
        folder: where earlier practices lie.
        report: writes the reports of one, and gives their files.

    Returns:
        What was chosen; None when the window was closed.
    """
    from PySide6.QtCore import QEventLoop

    earlier = sorted(folder.glob("*.sqlite"), key=lambda p: p.name, reverse=True)
    window = SetUp(kept, tables, earlier, addresses())
    loop = QEventLoop()
    found: list[Evening] = []

    def begin(evening: Evening) -> None:
        found.append(evening)
        loop.quit()

    def write(journal: Path) -> None:
        try:
            files = report(journal)
            window.said.setText(f"{len(files)} reports in {files[0].parent}")
        except RailcrestError as error:
            window.said.setText(str(error))

    window.chosen.connect(begin)
    window.reports.connect(write)
    window.closing.connect(loop.quit)
    window.show()
    loop.exec()
    window.hide()
    window.deleteLater()
    return found[0] if found else None


def practice_of(evening: Evening, kept: Collection, folder: Path, today: date) -> Practice:
    """The practice that was chosen: a new one in a file of its own, or an earlier one.

    Raises:
        RailcrestError: it cannot be begun or gone on with.
    """
    if evening.go_on is not None:
        return Practice(evening.go_on)
    if evening.table is None:
        raise ConfigError("no band table: name the deductions of one")
    begun = plan(
        evening.title,
        [kept.get(name) for name in evening.clips],
        read_steps(evening.table),
        today=today,
        seed=random.randrange(2**31),
        repeats=evening.repeats,
        views=evening.views,
        slowness=evening.slowness,
        thinking_ns=evening.thinking_s * NS,
    )
    folder.mkdir(parents=True, exist_ok=True)
    path, n = folder / f"{today.isoformat()}.sqlite", 1
    while path.exists():
        n += 1
        path = folder / f"{today.isoformat()}-{n}.sqlite"
    return Practice(path, begun)

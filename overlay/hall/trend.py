"""One gymnast over weeks: every comparable turn with its uncertainty, the spread of each day, and the load.

Only what was measured in like set-ups stands in the graph; what was left out is said below it.
"""

from __future__ import annotations

import statistics
from collections import defaultdict
from collections.abc import Sequence
from datetime import date, datetime
from typing import Any, Final

import numpy as np
import pyqtgraph as pg
from PySide6.QtCore import Qt
from PySide6.QtGui import QColor, QFont
from PySide6.QtWidgets import QVBoxLayout, QWidget

from bridge.messages import Reading
from bridge.turns import Comparison, DayLoad, Turn, comparable, load
from overlay import words
from overlay.hall.book import TurnBook
from overlay.hall.figures import sized
from overlay.hall.history import Past
from overlay.hall.measures import KINDS, Figure, figure
from overlay.panel import label
from overlay.theme import DARK, Theme

LOAD_DAYS: Final = 21
WITHIN_DAY: Final = 0.6  # part of a day's width that its turns take
MEANING: Final = (
    "Each turn with its give or take (95 %). The box is the day's spread, the rule in it the middle turn. "
    "What differs by less than the bars is the same."
)


class TrendPage(QWidget):
    """The graph over weeks, the load of the last three weeks, and words about both."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._theme, self._unit = DARK, 10.8
        self._font = QFont(self.font())
        self.comparison = Comparison((), ())
        self.load: list[DayLoad] = []
        self.title = label("Whose turns", "", self)
        self.graph = self._plot("Turns over weeks")
        self.counted = self._plot("Releases and dismounts by day")
        self.load_title = label("Load", "", self)
        self.meaning = label("How to read it", "", self)
        self.meaning.setText(MEANING)
        self.left_out = label("Left out, and why", "", self)
        column = QVBoxLayout(self)
        column.addWidget(self.title)
        column.addWidget(self.graph, 5)
        column.addWidget(self.load_title)
        column.addWidget(self.counted, 2)
        column.addWidget(self.meaning)
        column.addWidget(self.left_out)

    def _plot(self, name: str) -> Any:
        plot = pg.PlotWidget(self)
        plot.setAccessibleName(name)
        plot.setMenuEnabled(False)
        plot.setMouseEnabled(False, False)
        plot.hideButtons()
        plot.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        return plot

    def set_theme(self, theme: Theme, unit_px: float) -> None:
        """Change colours and sizes; ``unit_px`` is a hundredth of the screen's height."""
        self._theme, self._unit = theme, unit_px
        u = unit_px
        sized(self.title, round(4.6 * u), theme.ink, bold=True)
        for part in (self.load_title, self.meaning, self.left_out):
            sized(part, max(15, round(2.6 * u)), theme.ink)
        font = self._font = QFont(self.font())
        font.setPixelSize(max(15, round(2.6 * u)))
        for plot in (self.graph, self.counted):
            plot.setBackground(QColor(theme.paper))
            for side in ("left", "bottom"):
                axis = plot.getAxis(side)
                axis.setPen(pg.mkPen(theme.quiet))
                axis.setTextPen(pg.mkPen(theme.ink))
                axis.setStyle(tickFont=font, tickLength=-6)
            plot.getAxis("left").setWidth(round(9 * u))
            plot.getAxis("bottom").setHeight(round(4.4 * u))
        self.layout().setContentsMargins(*[round(2 * u)] * 4)  # type: ignore[union-attr]

    def show_trend(self, book: TurnBook, past: Past, reading: Reading, name: str) -> None:
        """Draw one gymnast's turns of the flight's family, by one measure."""
        gymnast = book.gymnast(reading)
        kind = KINDS[name]
        today = past.day or datetime.now().astimezone().date()
        turns = [*(t for t in past.turns if t.session != past.name)]
        if past.here is not None:
            turns += book.as_turns(past.here, past.name, today)
            self.comparison = comparable(
                turns, gymnast=gymnast, family=reading.family, rail=reading.rail,
                here=past.here, session=past.name,
            )  # fmt: skip
        else:
            self.comparison = Comparison((), ())
        self.load = load(turns, gymnast, today, LOAD_DAYS)
        found = [(t, f) for t in self.comparison.kept if (f := figure(t.reading, name)) is not None]
        whose = gymnast or "No start number for this turn"
        self.title.setText(
            f"{whose}, {words.short_family(reading.family)}: {kind.title}, {kind.unit}. {_told(found)}"
        )
        self._draw(found)
        self._draw_load()
        self.left_out.setText(self._left_out(past))
        self.graph.setAccessibleDescription(
            "; ".join(f"{t.day:%d %B}: {f.number} {f.where}, {f.give_words}" for t, f in found)
        )

    def _left_out(self, past: Past) -> str:
        if past.here is None:
            return "This session's set-up is not known here, so nothing of other days is compared."
        parts = [
            f"{count} {'turn' if count == 1 else 'turns'}: {why}" for why, count in self.comparison.left_out
        ]
        parts += past.refused
        return "Left out. " + "; ".join(parts) + "." if parts else "Nothing was left out."

    def _draw(self, found: Sequence[tuple[Turn, Figure]]) -> None:
        self.graph.clear()
        days: defaultdict[date, list[Figure]] = defaultdict(list)
        for turn, each in found:
            days[turn.day].append(each)
        theme, u = self._theme, self._unit
        against_bar = bool(found) and found[0][1].kind.against_bar
        if against_bar:
            named = {"position": 0.02, "color": theme.line, "movable": False, "anchors": [(0, 0), (0, 0)]}
            bar = words.bar_name(found[0][0].reading.rail)
            line = pg.InfiniteLine(0.0, 0, pg.mkPen(theme.line, width=0.7 * u), label=bar, labelOpts=named)
            line.label.setFont(self._font)
            self.graph.addItem(line)
        xs: list[float] = []
        for day, figures in sorted(days.items()):
            values = [f.value for f in figures]
            at = day.toordinal()
            places = [at + WITHIN_DAY * ((i + 0.5) / len(figures) - 0.5) for i in range(len(figures))]
            xs += places
            if len(values) > 1:
                low, high = min(values), max(values)
                shade = QColor(theme.quiet)
                shade.setAlpha(70)
                box = pg.BarGraphItem(
                    x=[at], y0=[low], y1=[high], width=WITHIN_DAY + 0.2, brush=shade, pen=pg.mkPen(None)
                )
                self.graph.addItem(box)
            middle = statistics.median(values)
            half = (WITHIN_DAY + 0.2) / 2
            self.graph.plot([at - half, at + half], [middle, middle], pen=pg.mkPen(theme.ink, width=0.4 * u))
            self.graph.addItem(
                pg.ErrorBarItem(
                    x=_array(places), y=_array(values), height=_array([2 * f.give for f in figures]),
                    beam=0.0, pen=pg.mkPen(theme.hips, width=0.35 * u),
                )
            )  # fmt: skip
            self.graph.plot(
                places,
                values,
                pen=None,
                symbol="o",
                symbolSize=1.7 * u,
                symbolBrush=theme.hips,
                symbolPen=None,
            )
        axis = self.graph.getAxis("bottom")
        axis.setTicks([[(day.toordinal(), f"{day.day} {day:%b}") for day in _spaced(sorted(days))]])
        if xs:
            self.graph.setXRange(min(xs) - 1.0, max(xs) + 1.0, padding=0.02)
            tops = [f.value + f.give for _, f in found] + ([0.0] if against_bar else [])
            feet = [f.value - f.give for _, f in found] + ([0.0] if against_bar else [])
            self.graph.setYRange(min(feet), max(tops), padding=0.08)

    def _draw_load(self) -> None:
        self.counted.clear()
        theme = self._theme
        xs = [day.day.toordinal() for day in self.load]
        releases, dismounts = [d.releases for d in self.load], [d.dismounts for d in self.load]
        for offset, counts, colour in ((-0.2, releases, theme.line), (0.2, dismounts, theme.hips)):
            self.counted.addItem(
                pg.BarGraphItem(
                    x=[x + offset for x in xs], height=counts, width=0.36, brush=colour, pen=pg.mkPen(None)
                )
            )
        rest = sum(not (d.releases or d.dismounts) for d in self.load)
        self.load_title.setText(
            f"The last {LOAD_DAYS} days: {sum(releases)} releases (left bars), {sum(dismounts)} dismounts "
            f"(right bars), {rest} days without."
        )
        self.counted.getAxis("bottom").setTicks(
            [[(d.day.toordinal(), f"{d.day.day} {d.day:%b}") for d in self.load[::-4]]]
        )
        most = max([*releases, *dismounts, 4])
        self.counted.getAxis("left").setTicks([[(n, str(n)) for n in sorted({0, most // 2, most})]])
        if xs:
            self.counted.setXRange(xs[0] - 0.6, xs[-1] + 0.6, padding=0)
        self.counted.setYRange(0, most, padding=0.16)
        self.counted.setAccessibleDescription(
            "; ".join(f"{d.day:%d %B}: {d.releases} releases, {d.dismounts} dismounts" for d in self.load)
        )


def _told(found: Sequence[tuple[Turn, Figure]]) -> str:
    """How many turns on how many days, and how far apart they lie."""
    if not found:
        return "Nothing to compare yet."
    values = [f.value for _, f in found]
    days = len({t.day for t, _ in found})
    unit = found[0][1].kind.unit
    said = f"{len(values)} turn{'' if len(values) == 1 else 's'} on {days} day{'' if days == 1 else 's'}"
    if len(values) < 2:
        return f"{said}."
    digits = 2 if unit == "s" else 0
    middle, spread = statistics.median(values), statistics.stdev(values)
    return (
        f"{said}, middle {middle:.{digits}f} {unit}, spread {spread:.{digits}f} {unit} (standard deviation)."
    )


def _array(values: Sequence[float]) -> Any:

    return np.array(values, dtype=float)


def _spaced(days: Sequence[date], most: int = 12) -> list[date]:
    """At most so many of the days, evenly taken."""
    step = max(1, -(-len(days) // most))
    return list(days[::step])

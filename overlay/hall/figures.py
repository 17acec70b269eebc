"""The big figure, and beside it her other turns: all read from the bars."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import (
    QFrame,
    QGraphicsOpacityEffect,
    QHBoxLayout,
    QLabel,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from overlay.hall.measures import Figure
from overlay.panel import label
from overlay.theme import DARK, Theme

FADE_STEPS = 12  # pictures in which words go, and as many in which others come
LEAST_SPAN = 30.0  # the ladder reaches at least this far, in the unit shown


def sized(part: QLabel, px: int, colour: str, *, bold: bool = False) -> None:
    """Give a label its size and colour."""
    part.setStyleSheet(f"font-size: {px}px; color: {colour}; font-weight: {600 if bold else 400};")


class Fading(QWidget):
    """A part of the screen whose content goes and comes gently. Call :meth:`step` for every picture."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._effect = QGraphicsOpacityEffect(self)
        self._effect.setOpacity(1.0)
        self.setGraphicsEffect(self._effect)
        self._place = FADE_STEPS  # FADE_STEPS: whole; 0: gone
        self._next: Callable[[], None] | None = None
        self._key: object = None

    @property
    def still(self) -> bool:
        """Whether nothing is going or coming."""
        return self._next is None and self._place == FADE_STEPS

    def change(self, key: object, apply: Callable[[], None]) -> None:
        """Show other content, unless ``key`` says that it is on show already or on its way."""
        if key != self._key:
            self._key, self._next = key, apply

    def step(self) -> None:
        """Go on by one picture."""
        if self.still:
            return
        if self._next is not None and self._place == 0:
            apply, self._next = self._next, None
            apply()
        self._place += -1 if self._next is not None else 1
        self._effect.setOpacity(self._place / FADE_STEPS)


@dataclass(frozen=True, slots=True)
class Told:
    """What the big figure says."""

    who: str = ""
    skill: str = ""
    figure: Figure | None = None
    second: Figure | None = None
    said: tuple[str, ...] = ()  # how it stands to other turns, what was guessed, why nothing is told


class BigFigure(Fading):
    """Who, what, and one big figure; one against the bar stands above or below a rule that is the bar."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.who = label("Gymnast", "", self)
        self.skill = label("Skill", "", self)
        self.number = label("Figure", "", self)
        self.number.setWordWrap(False)
        self.where = label("Where", "", self)
        self.give = label("Give or take", "", self)
        self.rule = QFrame(self)
        self.rule.setAccessibleName("The bar")
        self.second = label("Second figure", "", self)
        self.said = label("In words", "", self)
        self._figure = QVBoxLayout()
        self._figure.setSpacing(0)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        head = QHBoxLayout()
        head.addWidget(self.who)
        head.addWidget(self.skill, 1)
        self.who.setWordWrap(False)
        column.addLayout(head)
        column.addStretch(2)
        column.addLayout(self._figure)
        column.addStretch(2)
        column.addWidget(self.second)
        column.addWidget(self.said)
        column.addStretch(1)
        self._stand(above=True)
        self._theme, self._unit = DARK, 10.8

    def set_theme(self, theme: Theme, unit_px: float) -> None:
        """Change colours and sizes; ``unit_px`` is a hundredth of the screen's height."""
        self._theme, self._unit = theme, unit_px
        u = unit_px
        sized(self.who, round(6 * u), theme.ink, bold=True)
        sized(self.skill, round(4.2 * u), theme.quiet)
        self.skill.setContentsMargins(round(2 * u), round(1.2 * u), 0, 0)
        sized(self.where, round(6 * u), theme.ink, bold=True)
        sized(self.give, round(4.6 * u), theme.ink)
        sized(self.second, round(4.6 * u), theme.ink)
        sized(self.said, round(4.2 * u), theme.ink)
        self.rule.setFixedHeight(round(1.2 * u))
        self.rule.setStyleSheet(f"background: {theme.line}; border: none;")
        self._size_number()

    def show_told(self, told: Told) -> None:
        """Change to other words, gently."""
        self.change(told, lambda: self._apply(told))

    def _apply(self, told: Told) -> None:
        figure = told.figure
        against_bar = figure is not None and figure.kind.against_bar
        self._stand(above=figure is None or not against_bar or figure.value >= 0.0)
        texts = {
            self.who: told.who,
            self.skill: told.skill,
            self.number: figure.number if figure else "",
            self.where: figure.where if figure else "",
            self.give: figure.give_words if figure else "",
            self.second: _short(told.second) if told.second else "",
            self.said: "\n".join(told.said),
        }  # fmt: skip
        for part, text in texts.items():
            part.setText(text)
            part.setVisible(bool(text))
        self.rule.setVisible(against_bar)
        self.number.setAccessibleDescription(figure.sentence if figure else "")
        self._size_number()

    def _stand(self, above: bool) -> None:
        parts = (self.number, self.where, self.give, self.rule)
        for part in parts:
            self._figure.removeWidget(part)
        for part in parts if above else (parts[3], *parts[:3]):
            self._figure.addWidget(part)

    @property
    def stands_above(self) -> bool:
        """Whether the figure stands above the rule."""
        return self._figure.indexOf(self.rule) > self._figure.indexOf(self.number)

    def _size_number(self) -> None:
        """Make the number as large as the width lets it be."""
        px = round(18 * self._unit)
        font = QFont(self.font())
        font.setWeight(QFont.Weight.DemiBold)
        font.setPixelSize(px)
        wide = QFontMetricsF(font).horizontalAdvance(self.number.text() or "000 cm")
        sized(
            self.number, min(px, int(px * self.width() / max(1.0, wide * 1.02))), self._theme.ink, bold=True
        )

    def resizeEvent(self, event: object) -> None:  # noqa: N802
        self._size_number()


def _short(figure: Figure) -> str:
    """A figure on one line."""
    return f"{figure.number} {figure.where}, ± {figure.give:g}"


@dataclass(frozen=True, slots=True)
class Rung:
    """One earlier turn on the ladder."""

    figure: Figure
    name: str = ""  # "last", "best", "now"; "" for the others


class Ladder(Fading):
    """Her turns from left to right against one rule, each with its uncertainty: how even they are shows.

    For a measure against the bar the rule is the bar; for another it is her usual.
    """

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.rungs: tuple[Rung, ...] = ()
        self.text = ""
        self._rule_name = ""
        self._rule = 0.0
        self._theme, self._unit = DARK, 10.8
        self.setAccessibleName("Her turns")
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)

    def set_theme(self, theme: Theme, unit_px: float) -> None:
        """Change colours and sizes; ``unit_px`` is a hundredth of the screen's height."""
        self._theme, self._unit = theme, unit_px
        self.update()

    def show_rungs(self, rungs: Sequence[Rung], rule: float, rule_name: str, text: str = "") -> None:
        """Show other turns, gently; without any, ``text`` says why."""
        key = (tuple(rungs), rule, rule_name, text)
        self.change(key, lambda: self._apply(*key))

    def _apply(self, rungs: tuple[Rung, ...], rule: float, rule_name: str, text: str) -> None:
        self.rungs, self._rule, self._rule_name, self.text = rungs, rule, rule_name, text
        said = [
            f"{r.name or 'another turn'}: {r.figure.number} {r.figure.where}, {r.figure.give_words}"
            for r in rungs
        ]
        self.setAccessibleDescription("; ".join(said) or text)
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        u = self._unit
        font = QFont(self.font())
        font.setPixelSize(round(3.6 * u))
        painter.setFont(font)
        tall = QFontMetricsF(font).height()
        under = any(r.figure.value < self._rule for r in self.rungs)
        box = QRectF(self.rect()).adjusted(0, 1.1 * tall, 0, -(2.1 if under else 1.2) * tall)
        if not self.rungs:
            painter.setPen(QColor(self._theme.quiet))
            flags = int(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter | Qt.TextFlag.TextWordWrap)
            painter.drawText(QRectF(self.rect()), flags, self.text)
            return
        reach = [abs(r.figure.value - self._rule) + r.figure.give for r in self.rungs]
        unit = self.rungs[0].figure.kind.unit
        span = max(*reach, {"s": 0.1, "°": 10.0}.get(unit, LEAST_SPAN / 2), 1e-6)
        ups = [max(0.0, r.figure.value + r.figure.give - self._rule) for r in self.rungs]
        downs = [max(0.0, self._rule - r.figure.value + r.figure.give) for r in self.rungs]
        high, low = max(*ups, span / 8), max(*downs, span / 8)

        def y_of(value: float) -> float:
            return box.top() + box.height() * (high - (value - self._rule)) / (high + low)

        rule_y = y_of(self._rule)
        name_width = QFontMetricsF(font).horizontalAdvance(self._rule_name) + 1.5 * u
        painter.setPen(QPen(QColor(self._theme.line), 0.9 * u))
        painter.drawLine(QPointF(0, rule_y), QPointF(self.width(), rule_y))
        painter.drawText(QRectF(0, rule_y - tall - 0.6 * u, name_width, tall), self._rule_name)
        step = (self.width() - name_width) / max(4, len(self.rungs))
        for i, rung in enumerate(self.rungs):
            self._draw(painter, rung, name_width + step * (i + 0.5), y_of, tall, step)

    def _draw(
        self,
        painter: QPainter,
        rung: Rung,
        x: float,
        y_of: Callable[[float], float],
        tall: float,
        step: float,
    ) -> None:
        u, figure = self._unit, rung.figure
        now = rung.name == "now"
        colour = QColor(self._theme.hips if now else self._theme.ink)
        high, low = y_of(figure.value + figure.give), y_of(figure.value - figure.give)
        shade = QColor(colour)
        shade.setAlpha(110)
        half = (2.4 if now else 1.8) * u
        painter.fillRect(QRectF(x - half, high, 2 * half, low - high), shade)  # its give or take
        painter.setPen(QPen(colour, (1.1 if now else 0.7) * u, Qt.PenStyle.SolidLine, Qt.PenCapStyle.FlatCap))
        painter.drawLine(QPointF(x - half, y_of(figure.value)), QPointF(x + half, y_of(figure.value)))
        number = figure.number.removesuffix(" cm")
        if figure.kind.against_bar and figure.value < 0 and math.floor(abs(figure.value) + 0.5):
            number = f"−{number}"
        below = figure.value < self._rule
        edge = low + 0.4 * u if below else high - 0.4 * u
        for top, text in ((edge if below else edge - tall, number), (self.height() - tall, rung.name)):
            painter.drawText(QRectF(x - step, top, 2 * step, tall), int(Qt.AlignmentFlag.AlignCenter), text)

"""The routine's flights on one ruled line: each a mark of hip height against the bar.

Time runs from left to right. The rule through all of them is the bar; a mark stands above it, on
it or below it, just as far as the hips did. A filled mark is settled, an open one provisional.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from PySide6.QtCore import QModelIndex, QPersistentModelIndex, QPointF, QRectF, QSize, Qt, Signal
from PySide6.QtGui import (
    QColor,
    QFont,
    QFontMetricsF,
    QKeyEvent,
    QPainter,
    QPaintEvent,
    QPen,
    QResizeEvent,
)
from PySide6.QtWidgets import (
    QAbstractItemView,
    QListWidget,
    QListWidgetItem,
    QStyle,
    QStyledItemDelegate,
    QStyleOptionViewItem,
    QWidget,
)

from bridge.messages import Policy, Reading, Ruling
from overlay import words
from overlay.policy import includes
from overlay.theme import LIGHT, Theme

LEAST_SPAN_M = 0.6  # the marks' scale reaches at least this far either side of the bar
_ROLE = Qt.ItemDataRole.UserRole


@dataclass(frozen=True, slots=True)
class Card:
    """What one place in the row shows."""

    reading: Reading
    level: Policy
    span_m: float
    ruling: Ruling | None
    by_hand: bool = False

    @property
    def sentence(self) -> str:
        """The card in words, for screen readers and tooltips."""
        line = self.reading.drawing.line.label if self.reading.drawing else ""
        text = words.flight_sentence(self.reading, self.level, line)
        if self.by_hand:
            text += ", corrected by hand"
        return f"{text}. {words.ruling_sentence(self.ruling)}" if self.ruling else text


class FlightRow(QListWidget):
    """The flights of one routine, left to right. ``chosen`` tells which the judge picked."""

    chosen = Signal(str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.theme = LIGHT
        self.base_px = 16
        self.setFlow(QListWidget.Flow.LeftToRight)
        self.setWrapping(False)
        self.setFrameShape(QListWidget.Shape.NoFrame)
        self.setHorizontalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        self.setVerticalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setUniformItemSizes(True)
        self.setItemDelegate(_CardDelegate(self))
        self.setAccessibleName("Flights of the routine")
        self.setAccessibleDescription("Each flight with its hip height against the bar, in order")
        self.itemClicked.connect(self._clicked)

    def set_theme(self, theme: Theme, base_px: int) -> None:
        """Change colours and the size of text."""
        self.theme = theme
        self.base_px = base_px
        self.setFixedHeight(round(9.4 * base_px))
        self.scheduleDelayedItemsLayout()
        self.viewport().update()

    def show_flights(
        self,
        readings: tuple[Reading, ...],
        chosen: str | None,
        level: Policy,
        rulings: dict[str, Ruling],
        by_hand: Collection[str] = (),
    ) -> None:
        """Show these flights and mark the chosen one."""
        span = LEAST_SPAN_M
        for r in readings:
            if r.apex is not None:
                span = max(span, abs(r.apex.value) + 2.0 * r.apex.u)
        while self.count() > len(readings):
            self.takeItem(self.count() - 1)
        for place, reading in enumerate(readings):
            if place >= self.count():
                self.addItem(QListWidgetItem())
            item = self.item(place)
            card = Card(reading, level, span, rulings.get(reading.flight), reading.flight in by_hand)
            if item.data(_ROLE) != card:
                item.setData(_ROLE, card)
                item.setText(card.sentence)
                item.setToolTip(card.sentence)
            if reading.flight == chosen and self.currentRow() != place:
                self.setCurrentRow(place)
                self.scrollToItem(item)
        if chosen is None:
            self.setCurrentRow(-1)
        self.viewport().update()

    def _clicked(self, item: QListWidgetItem) -> None:
        self.chosen.emit(item.data(_ROLE).reading.flight)

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Arrow keys and letters belong to the window; only Enter and Space choose here."""
        item = self.currentItem()
        if item is not None and event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            self._clicked(item)
        else:
            event.ignore()

    @property
    def rule_y(self) -> float:
        """Height of the bar's rule in the row, logical px."""
        return 4.75 * self.base_px

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        painter = QPainter(self.viewport())
        painter.fillRect(self.viewport().rect(), QColor(self.theme.paper))
        painter.setPen(QPen(QColor(self.theme.line), 3.0))
        painter.drawLine(QPointF(0, self.rule_y), QPointF(self.viewport().width(), self.rule_y))
        if self.count() == 0:
            painter.setPen(QColor(self.theme.quiet))
            box = QRectF(0, self.rule_y, self.viewport().width(), 2.2 * self.base_px)
            painter.drawText(box, int(Qt.AlignmentFlag.AlignCenter), "No flight in this routine yet")
        painter.end()
        super().paintEvent(event)

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802
        super().resizeEvent(event)
        self.scheduleDelayedItemsLayout()


class _CardDelegate(QStyledItemDelegate):
    """Paints one card. The rule is painted once by the row, through all of them."""

    def __init__(self, row: FlightRow) -> None:
        super().__init__(row)
        self._row = row

    def sizeHint(  # noqa: N802
        self, option: QStyleOptionViewItem, index: QModelIndex | QPersistentModelIndex
    ) -> QSize:
        return QSize(round(9.2 * self._row.base_px), self._row.viewport().height())

    def paint(
        self,
        painter: QPainter,
        option: QStyleOptionViewItem,
        index: QModelIndex | QPersistentModelIndex,
    ) -> None:
        card: Card | None = index.data(_ROLE)
        if card is None:
            return
        theme, em, row = self._row.theme, float(self._row.base_px), self._row
        chosen = bool(option.state & QStyle.StateFlag.State_Selected)
        box = QRectF(option.rect)
        reading = card.reading
        painter.save()
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        head = QRectF(box.left() + 1, box.top() + 1, box.width() - 2, 1.75 * em)
        if chosen:
            painter.fillRect(head, QColor(theme.ink))
            painter.setPen(QPen(QColor(theme.ink), 2.0))
            painter.drawRect(box.adjusted(1, 1, -1, -1))
        else:
            painter.setPen(QPen(QColor(theme.rule), 1.0))
            painter.drawLine(box.topRight(), box.bottomRight())
        painter.setPen(QColor(theme.paper if chosen else theme.ink))
        self._text(painter, head, f"{reading.number}  {words.short_family(reading.family)}", em, bold=True)
        self._mark(painter, box, card, row.rule_y, em, theme)
        painter.setPen(QColor(theme.ink))
        foot = QRectF(box.left(), box.bottom() - 1.6 * em, box.width(), 1.5 * em)
        self._text(painter, foot, self._foot(card), 0.94 * em)
        painter.restore()

    @staticmethod
    def _foot(card: Card) -> str:
        if card.ruling is not None:
            return f"panel: {card.ruling.decision}"
        if card.by_hand:
            return "by hand"
        if card.reading.state != "settled":
            return card.reading.state
        if card.reading.family_by:
            return f"family: {card.reading.family_by}"
        return ""

    @staticmethod
    def _text(painter: QPainter, box: QRectF, text: str, px: float, bold: bool = False) -> None:
        font = QFont(painter.font())
        font.setPixelSize(max(14, round(px)))
        font.setWeight(QFont.Weight.DemiBold if bold else QFont.Weight.Normal)
        painter.setFont(font)
        inner = box.adjusted(0.5 * px, 0, -0.3 * px, 0)
        text = QFontMetricsF(font).elidedText(text, Qt.TextElideMode.ElideRight, inner.width())
        painter.drawText(inner, int(Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignLeft), text)

    def _mark(
        self, painter: QPainter, box: QRectF, card: Card, rule_y: float, em: float, theme: Theme
    ) -> None:
        reading = card.reading
        x = box.left() + 0.95 * em
        if reading.state == "withheld":
            painter.setPen(QPen(QColor(theme.ink), 2.0, Qt.PenStyle.DotLine))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRect(QRectF(x - 0.6 * em, rule_y - 0.6 * em, 1.2 * em, 1.2 * em))
            painter.setPen(QColor(theme.ink))
            beside = QRectF(x + 0.7 * em, rule_y - 1.6 * em, box.width() - 2.0 * em, 1.4 * em)
            self._text(painter, beside, "no reading", em)
            return
        if reading.apex is None or not includes(card.level, "height"):
            return
        reach = 2.6 * em
        y = rule_y - reach * reading.apex.value / card.span_m
        half = reach * 2.0 * reading.apex.u / card.span_m
        colour = QColor(theme.hips)
        painter.setPen(QPen(colour, 1.5))
        painter.drawLine(QPointF(x, rule_y), QPointF(x, y))
        painter.setPen(QPen(colour, 2.5))
        painter.drawLine(QPointF(x - 0.35 * em, y - half), QPointF(x + 0.35 * em, y - half))
        painter.drawLine(QPointF(x - 0.35 * em, y + half), QPointF(x + 0.35 * em, y + half))
        painter.drawLine(QPointF(x, y - half), QPointF(x, y + half))
        painter.setBrush(colour if reading.state == "settled" else QColor(theme.paper))
        painter.drawEllipse(QPointF(x, y), 0.36 * em, 0.36 * em)
        painter.setPen(QColor(theme.ink))
        above = reading.apex.value >= 0.0
        width = box.right() - x - 0.25 * em
        lines = [words.short_height(reading.apex)]
        if includes(card.level, "band") and reading.band:
            close = reading.band == words.TOO_CLOSE
            lines.append("too close" if close else reading.band)
        step = 1.3 * em
        top = rule_y - step * len(lines) - 0.15 * em if above else rule_y + 0.15 * em
        for i, line in enumerate(lines):
            self._text(painter, QRectF(x + 0.1 * em, top + i * step, width, step), line, em, bold=i == 1)

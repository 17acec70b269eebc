"""How a room's marks spread: a dot for each mark over the steps, with reference and measured range.

No names, no order among markers. Nothing is told by colour alone: the reference is a ring with its
word, the measured range a bracket with its word.
"""

from __future__ import annotations

from PySide6.QtCore import QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QColor, QFont, QPaintDevice, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QSizePolicy, QWidget

from overlay.clinic.steps import points
from overlay.theme import LIGHT, Theme

Spread = tuple[tuple[int, int], ...]  # step and how many gave it


def paint_spread(
    painter: QPainter,
    box: QRectF,
    spread: Spread,
    reference: int | None,
    measured: tuple[int, int] | None,
    theme: Theme,
    text_px: float,
) -> float:
    """Paint a spread into a box, a row a step; gives the height that was used, in the painter's units."""
    font = QFont(painter.font())
    font.setBold(False)
    font.setPixelSize(max(1, round(text_px)))
    painter.setFont(font)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    row = text_px * 1.55
    label_width, dot = text_px * 2.9, text_px * 0.62
    for n, (step, count) in enumerate(spread):
        top = box.top() + n * row
        middle = top + row / 2
        painter.setPen(QPen(QColor(theme.rule), max(1.0, text_px / 16)))
        painter.drawLine(QPointF(box.left(), top + row), QPointF(box.right(), top + row))
        painter.setPen(QColor(theme.ink))
        there = int(Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignLeft)
        painter.drawText(QRectF(box.left(), top, label_width, row), there, points(step))
        x = box.left() + label_width
        inside = measured is not None and measured[0] <= step <= measured[1]
        room = box.width() - label_width - text_px * 8.5
        each = min(dot * 1.5, room / max(count, 1))
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(QColor(theme.ink))
        for k in range(count):
            painter.drawEllipse(QPointF(x + dot / 2 + k * each, middle), dot / 2, dot / 2)
        painter.setBrush(Qt.BrushStyle.NoBrush)
        words = []
        if step == reference:
            painter.setPen(QPen(QColor(theme.line), text_px / 7))
            painter.drawEllipse(QPointF(box.right() - text_px * 8.1, middle), dot * 0.62, dot * 0.62)
            words.append("reference")
        if inside:
            painter.setPen(QPen(QColor(theme.hips), text_px / 7))
            edge = box.right() - text_px * 0.4
            painter.drawLine(QPointF(edge, top + 1), QPointF(edge, top + row - 1))
            words.append("measured")
        painter.setPen(QColor(theme.ink))
        where = QRectF(box.right() - text_px * 7.3, top, text_px * 6.7, row)
        small = QFont(font)
        small.setPixelSize(max(1, round(text_px * (0.6 if len(words) > 1 else 0.8))))
        painter.setFont(small)
        painter.drawText(where, there, ", ".join(words))
        painter.setFont(font)
    return len(spread) * row


class SpreadView(QWidget):
    """A spread on the screen."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._spread: Spread = ()
        self._reference: int | None = None
        self._measured: tuple[int, int] | None = None
        self._theme, self._text_px = LIGHT, 18
        self.setAccessibleName("Spread of the room's marks")
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)

    def show_spread(self, spread: Spread, reference: int | None, measured: tuple[int, int] | None) -> None:
        """Show another spread."""
        self._spread, self._reference, self._measured = spread, reference, measured
        said = ", ".join(f"{points(step)}: {count}" for step, count in spread if count)
        self.setAccessibleDescription(said or "too few marks to show")
        self.updateGeometry()
        self.update()

    def set_theme(self, theme: Theme, text_px: int) -> None:
        """Change colours and the size of text."""
        self._theme, self._text_px = theme, text_px
        self.updateGeometry()
        self.update()

    def sizeHint(self) -> QSize:  # noqa: N802
        return QSize(16 * self._text_px, round(1.55 * self._text_px * len(self._spread)) + 4)

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        device: QPaintDevice = self
        painter = QPainter(device)
        box = QRectF(1, 1, self.width() - 2, self.height() - 2)
        paint_spread(
            painter, box, self._spread, self._reference, self._measured, self._theme, float(self._text_px)
        )
        painter.end()

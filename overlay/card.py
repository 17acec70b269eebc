"""The card with all keys, laid over the window."""

from __future__ import annotations

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QMouseEvent
from PySide6.QtWidgets import QFrame, QGridLayout, QHBoxLayout, QLabel, QVBoxLayout, QWidget

from overlay.keys import BINDINGS, key_words
from overlay.panel import label
from overlay.theme import Theme

_COLUMNS: tuple[tuple[str, ...], ...] = (
    ("Replay", "Freeze", "Speed"),
    ("Show", "Flights"),
    ("Picture", "Screen"),
)


class KeysCard(QFrame):
    """Every key and what it does. A click closes it."""

    closed = Signal()

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self._over = parent
        self.setAccessibleName("Card of keys")
        self.setAccessibleDescription(
            ". ".join(f"{key_words(binding)}: {binding.words}" for binding in BINDINGS)
        )
        self.setAutoFillBackground(True)
        outer = self._outer = QVBoxLayout(self)
        head = label("Keys", "band", self)
        head.setText("Keys   (? closes this card)")
        outer.addWidget(head)
        row = QHBoxLayout()
        row.setSpacing(28)
        outer.addLayout(row)
        for groups in _COLUMNS:
            column = QVBoxLayout()
            column.setSpacing(3)
            for group in groups:
                title = label(group, "title", self)
                title.setText(group)
                title.setWordWrap(False)
                column.addWidget(title)
                grid = QGridLayout()
                grid.setHorizontalSpacing(14)
                grid.setVerticalSpacing(1)
                grid.setColumnStretch(1, 1)
                for line, binding in enumerate(b for b in BINDINGS if b.group == group):
                    keys = QLabel(key_words(binding), self)
                    keys.setProperty("role", "title")
                    grid.addWidget(keys, line, 0, Qt.AlignmentFlag.AlignRight)
                    grid.addWidget(QLabel(binding.words, self), line, 1)
                column.addLayout(grid)
                column.addSpacing(8)
            column.addStretch(1)
            row.addLayout(column)
        self.hide()

    def set_theme(self, theme: Theme, base_px: int) -> None:
        """Change colours and margins."""
        self.setStyleSheet(f"KeysCard {{ background: {theme.paper}; border: 3px solid {theme.ink}; }}")
        self._outer.setContentsMargins(2 * base_px, base_px, 2 * base_px, base_px)

    def place(self) -> None:
        """Centre over the window."""
        parent = self._over
        size = self.sizeHint().boundedTo(parent.size())
        self.resize(size)
        self.move((parent.width() - size.width()) // 2, (parent.height() - size.height()) // 2)

    def mousePressEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        self.closed.emit()

"""The card with all keys, laid over the window."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from PySide6.QtCore import QSize, Qt, Signal
from PySide6.QtGui import QMouseEvent
from PySide6.QtWidgets import QFrame, QGridLayout, QHBoxLayout, QLabel, QVBoxLayout, QWidget

from overlay.keys import Binding, key_words
from overlay.panel import label
from overlay.sizes import forget_sizes
from overlay.theme import Theme

_COLUMNS: Final[tuple[tuple[str, ...], ...]] = (
    ("Replay", "Freeze"),
    ("Show", "Flights"),
    ("Look closer", "Picture", "Speed"),
    ("Screen", "More"),
)


class KeysCard(QFrame):
    """Every key and what it does. A click closes it."""

    closed = Signal()

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self._over = parent
        self._table: QWidget | None = None
        self._lines: list[QLabel] = []  # what each key does; broken in a narrow window
        self.setAccessibleName("Card of keys")
        self.setAutoFillBackground(True)
        outer = self._outer = QVBoxLayout(self)
        head = label("Keys", "band", self)
        head.setText("Keys   (? closes this card)")
        outer.addWidget(head)
        self.hide()

    def show_bindings(self, bindings: tuple[Binding, ...]) -> None:
        """Lay out these keys."""
        lines = _lines(bindings)
        self.setAccessibleDescription(". ".join(f"{keys}: {words}" for _, keys, words in lines))
        if self._table is not None:
            self._table.setParent(None)  # it would be laid out until it is really deleted
            self._table.deleteLater()
        self._table = QWidget(self)
        self._lines = []
        row = QHBoxLayout(self._table)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(22)
        self._outer.addWidget(self._table)
        for groups in _COLUMNS:
            column = QVBoxLayout()
            column.setSpacing(3)
            for group in groups:
                inside = [(keys, said) for own, keys, said in lines if own == group]
                if not inside:
                    continue
                title = label(group, "title", self._table)
                title.setText(group)
                title.setWordWrap(False)
                column.addWidget(title)
                grid = QGridLayout()
                grid.setHorizontalSpacing(14)
                grid.setVerticalSpacing(1)
                grid.setColumnStretch(1, 1)
                for line, (keys, said) in enumerate(inside):
                    key = QLabel(keys, self._table)
                    key.setProperty("role", "title")
                    grid.addWidget(key, line, 0, Qt.AlignmentFlag.AlignRight)
                    told = QLabel(said, self._table)
                    self._lines.append(told)
                    grid.addWidget(told, line, 1)
                column.addLayout(grid)
                column.addSpacing(8)
            column.addStretch(1)
            row.addLayout(column)

    def set_theme(self, theme: Theme, base_px: int) -> None:
        """Change colours and margins."""
        self.setStyleSheet(f"KeysCard {{ background: {theme.paper}; border: 3px solid {theme.ink}; }}")
        self._outer.setContentsMargins(2 * base_px, base_px, 2 * base_px, base_px)

    def place(self) -> None:
        """Centre over the window."""
        parent = self._over
        for breaks in (False, True):
            for line in self._lines:
                line.setWordWrap(breaks)
            forget_sizes(self._outer)
            if self.sizeHint().width() <= parent.width():
                break
        wide = min(self.sizeHint().width() if not breaks else parent.width(), parent.width())
        tall = self._outer.heightForWidth(wide) if breaks else self.sizeHint().height()
        size = QSize(wide, tall).boundedTo(parent.size())
        self.resize(size)
        self.move((parent.width() - size.width()) // 2, (parent.height() - size.height()) // 2)

    def mousePressEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        self.closed.emit()


_TOGETHER: Final[dict[str, tuple[str, str]]] = {
    "flight_1": ("1 to 9", "flight by its number"),
    "pan_left": ("Shift ← → ↑ ↓", "move the picture"),
}
_ALSO: Final = ("PgUp", "PgDown", "F1", "F11")  # second names of keys, not printed


def _lines(bindings: tuple[Binding, ...]) -> list[tuple[str, str, str]]:
    """Group, keys and words of each line; keys that do alike share one."""
    lines: list[tuple[str, str, str]] = []
    for binding in bindings:
        if binding.action in _TOGETHER:
            lines.append((binding.group, *_TOGETHER[binding.action]))
        elif not binding.action.startswith(("flight_", "pan_")):
            keys = tuple(key for key in binding.keys if key not in _ALSO)
            lines.append((binding.group, key_words(replace(binding, keys=keys)), binding.words))
    return lines

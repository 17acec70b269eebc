"""The hall's keys as data, and the card that shows them."""

from __future__ import annotations

from typing import Final

from PySide6.QtCore import Qt
from PySide6.QtGui import QMouseEvent
from PySide6.QtWidgets import QGridLayout, QLabel, QWidget

from overlay.hall.sheet import Sheet
from overlay.keys import Binding
from overlay.theme import Theme

BINDINGS: Final[tuple[Binding, ...]] = (
    Binding("see", ("Space",), "see the turn now; stop, go on", "Turn"),
    Binding("earlier", ("Left",), "flight before", "Turn"),
    Binding("later", ("Right",), "flight after", "Turn"),
    Binding("newest", ("N", "End"), "the newest again", "Turn"),
    Binding("beside", ("B",), "beside her best, in step; and back", "Turn"),
    Binding("three", ("R",), "release, top and end side by side; and back", "Turn"),
    Binding("guess_above", ("1",), "she guesses: above the bar", "Guess"),
    Binding("guess_level", ("2",), "she guesses: level with it", "Guess"),
    Binding("guess_below", ("3",), "she guesses: below it", "Guess"),
    Binding("guess_none", ("0",), "no guess, show it", "Guess"),
    Binding("made", ("M",), "made", "Tag"),
    Binding("missed", ("X",), "missed", "Tag"),
    Binding("spotted", ("S",), "spotted", "Tag"),
    Binding("choose", ("C",), "choose when and what is shown", "Screen"),
    Binding("trend", ("T",), "over weeks, and back", "Screen"),
    Binding("theme", ("L",), "light or dark", "Screen"),
    Binding("full", ("F", "F11"), "full screen or window", "Screen"),
    Binding("keys", ("?", "F1"), "this card", "Screen"),
    Binding("back", ("Esc",), "back to the replay", "Screen"),
    Binding("quit", ("Ctrl+Q",), "end", "Screen"),
)


def hall_keys() -> dict[str, str]:
    """Action of each key, by Qt's portable name in capitals where it is a sign."""
    return {key: binding.action for binding in BINDINGS for key in binding.keys}


class HallCard(Sheet):
    """Every key of the hall's screen. A click closes it."""

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self.setAccessibleName("Card of keys")
        self._grid = QGridLayout(self)
        self._grid.setHorizontalSpacing(18)
        for row, binding in enumerate(BINDINGS):
            key = QLabel("  ".join(binding.keys), self)
            key.setProperty("role", "title")
            self._grid.addWidget(key, row, 0, Qt.AlignmentFlag.AlignRight)
            self._grid.addWidget(QLabel(binding.words, self), row, 1)
        self.setAccessibleDescription(". ".join(f"{b.keys[0]}: {b.words}" for b in BINDINGS))

    def turn(self) -> None:
        """Show or hide the card."""
        if self.is_open:
            self.shut()
        else:
            self.open()

    def set_theme(self, theme: Theme, base_px: int) -> None:
        """Change colours and margins."""
        self.setStyleSheet(f"HallCard {{ background: {theme.paper}; border: 3px solid {theme.ink}; }}")
        self._grid.setContentsMargins(2 * base_px, base_px, 2 * base_px, base_px)

    def mousePressEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        self.shut()

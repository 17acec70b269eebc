"""A sheet that closes over the whole screen and opens again, so that another page never comes at once."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from PySide6.QtCore import Qt
from PySide6.QtGui import QColor, QPainter, QPaintEvent
from PySide6.QtWidgets import QWidget

STEPS: Final = 100  # pictures that closing takes, and opening: below a hundredth of full scale each


class Cover(QWidget):
    """Laid over everything. Call :meth:`step` for every picture the screen shows."""

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self._over = parent
        self._place = 0  # STEPS: closed; 0: open
        self._colour = QColor("black")
        self._next: Callable[[], None] | None = None
        self.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
        self.setAccessibleName("")
        self.hide()

    def change(self, colour: str, apply: Callable[[], None]) -> None:
        """Close in ``colour``, do what changes the screen, and open again."""
        self._colour, self._next = QColor(colour), apply
        self.place()
        self.show()
        self.raise_()

    @property
    def still(self) -> bool:
        """Whether it is open, with nothing to come."""
        return self._place == 0 and self._next is None

    def step(self) -> None:
        """Go on by one picture."""
        if self.still:
            return
        if self._next is not None and self._place == STEPS:
            apply, self._next = self._next, None
            apply()
            self.raise_()
        self._place += 1 if self._next is not None else -1
        self.setVisible(self._place > 0)
        self.update()

    def place(self) -> None:
        """Cover the window."""
        self.setGeometry(self._over.rect())

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        painter = QPainter(self)
        shade = QColor(self._colour)
        shade.setAlphaF(self._place / STEPS)
        painter.fillRect(self.rect(), shade)
        painter.end()

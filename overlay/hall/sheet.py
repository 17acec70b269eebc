"""A sheet that comes over the hall's screen and goes again, gently and at its right edge."""

from __future__ import annotations

from typing import Final

from PySide6.QtWidgets import QFrame, QGraphicsOpacityEffect, QWidget

STEPS: Final = 24  # pictures in which it comes, and in which it goes


class Sheet(QFrame):
    """Closed at first. Call :meth:`step` for every picture the screen shows."""

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self._over = parent
        self._effect = QGraphicsOpacityEffect(self)
        self.setGraphicsEffect(self._effect)
        self.setAutoFillBackground(True)
        self._place = 0  # STEPS: there; 0: gone
        self.is_open = False
        self.hide()

    def open(self) -> None:
        """Come."""
        self.is_open = True
        self._effect.setOpacity(self._place / STEPS)
        self.show()
        self.place()
        self.raise_()

    def shut(self) -> None:
        """Go."""
        self.is_open = False

    @property
    def still(self) -> bool:
        """Whether it is neither coming nor going."""
        return self._place == (STEPS if self.is_open else 0)

    def step(self) -> None:
        """Go on by one picture."""
        if self.still:
            return
        self._place += 1 if self.is_open else -1
        self._effect.setOpacity(self._place / STEPS)
        self.setVisible(self._place > 0)

    def place(self) -> None:
        """Stand at the right edge, over the words rather than over the picture."""
        size = self.sizeHint().boundedTo(self._over.size())
        self.resize(size)
        self.move(self._over.width() - size.width(), (self._over.height() - size.height()) // 2)

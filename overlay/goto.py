"""Asks for a start number and says whose routine it finds. Laid over the window like the card of keys."""

from __future__ import annotations

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import QFrame, QLineEdit, QVBoxLayout, QWidget

from bridge.messages import Routine
from overlay import words
from overlay.panel import label
from overlay.state import SessionState
from overlay.theme import Theme

LISTED = 24  # so many start numbers are named when one is not found


class NumberPrompt(QFrame):
    """Type a number and press Enter; Enter alone finds the routine that ended last."""

    found = Signal(int)  # routine
    closed = Signal()

    def __init__(self, state: SessionState, parent: QWidget) -> None:
        super().__init__(parent)
        self._state, self._over = state, parent
        self.setAccessibleName("Go to a start number")
        self.setAutoFillBackground(True)
        self.title = label("Go to a start number", "title", self)
        self.title.setText("Start number, then Enter. Enter alone: the routine that ended last.")
        self.field = QLineEdit(self)
        self.field.setMaxLength(12)
        self.field.setAccessibleName("Start number")
        self.field.setAccessibleDescription("Enter goes to the routine, Escape closes")
        self.says = label("What was found", "", self)
        self.column = QVBoxLayout(self)
        for part in (self.title, self.field, self.says):
            self.column.addWidget(part)
        self.field.textChanged.connect(self._look)
        self.field.returnPressed.connect(self._go)
        self.hide()

    def set_theme(self, theme: Theme, base_px: int) -> None:
        """Change colours and sizes."""
        self.setStyleSheet(
            f"NumberPrompt {{ background: {theme.paper}; border: 3px solid {theme.ink}; }}"
            f"QLineEdit {{ font-size: {2 * base_px}px; }}"
        )
        self.column.setContentsMargins(base_px, base_px, base_px, base_px)
        self.setFixedWidth(34 * base_px)

    def open(self) -> None:
        """Ask."""
        self.field.clear()
        self._look()
        self.show()
        self.raise_()
        self.place()
        self.field.setFocus(Qt.FocusReason.ShortcutFocusReason)

    def place(self) -> None:
        """In the upper part of the window, in the middle."""
        self.adjustSize()
        self.move((self._over.width() - self.width()) // 2, self._over.height() // 6)

    def _wanted(self) -> Routine | None:
        text = self.field.text().strip()
        if not text:
            return self._state.ended
        return next(iter(self._state.with_number(text)), None)

    def _look(self) -> None:
        self.says.setText(self._sentence())
        self.place()

    def _sentence(self) -> str:
        text, state, routine = self.field.text().strip(), self._state, self._wanted()
        if routine is not None:
            flights = len(state.flights(routine.routine))
            more = len(state.with_number(text)) - 1 if text else 0
            said = f"{words.routine_words(routine)}, {words.count_words(flights, 'flight')}"
            return (
                f"{said}; {words.count_words(more, 'earlier routine')} of this number" if more > 0 else said
            )
        if not text:
            return "No routine yet."
        numbers = sorted({r.start_number for r in state.routines.values() if r.start_number})
        if not numbers:
            return "No start numbers are known in this session: choose the routine in the list above."
        listed = ", ".join(numbers[:LISTED]) + (" and more" if len(numbers) > LISTED else "")
        return f"No routine of number {text}. There are: {listed}."

    def _go(self) -> None:
        routine = self._wanted()
        if routine is not None:
            self.found.emit(routine.routine)

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """No key of the window's table while a number is asked for."""
        if event.key() == Qt.Key.Key_Escape:
            self.closed.emit()

"""The panel says which family a flight is of; capture then reads it as of that family."""

from __future__ import annotations

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import QFrame, QPushButton, QVBoxLayout, QWidget

from bridge.messages import FamilyRequest, Reading
from overlay import words
from overlay.panel import label
from overlay.theme import Theme


class FamilyChoice(QFrame):
    """The families, likeliest first, each under a number; 0 takes the measured one again."""

    asked = Signal(object)  # FamilyRequest
    closed = Signal()

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self._over = parent
        self._reading: Reading | None = None
        self._order: tuple[str, ...] = ()
        self.setAccessibleName("Family of the flight")
        self.setAutoFillBackground(True)
        self.title = label("Family of the flight", "title", self)
        self.column = QVBoxLayout(self)
        self.column.addWidget(self.title)
        self.buttons: list[QPushButton] = []
        for number in range(len(words.FAMILIES) + 1):
            button = QPushButton(self)
            button.setStyleSheet("text-align: left;")
            button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
            button.setProperty("number", number)
            button.setAccessibleName(f"Family {number}")
            button.clicked.connect(self._clicked)
            self.buttons.append(button)
        for button in (*self.buttons[1:], self.buttons[0]):
            self.column.addWidget(button)
        self.says = label("What became of the choice", "", self)
        self.column.addWidget(self.says)
        self.hide()

    def set_theme(self, theme: Theme, base_px: int) -> None:
        """Change colours and sizes."""
        self.setStyleSheet(f"FamilyChoice {{ background: {theme.paper}; border: 3px solid {theme.ink}; }}")
        self.column.setContentsMargins(base_px, base_px, base_px, base_px)
        self.setFixedWidth(30 * base_px)

    def open(self, reading: Reading) -> None:
        """Offer the families for this reading."""
        self.show_reading(reading)
        self.say("")
        self.show()
        self.raise_()
        self.place()
        self.setFocus()

    def show_reading(self, reading: Reading) -> None:
        """Bring the list up to date."""
        self._reading = reading
        likely = {chance.family: chance.p for chance in reading.families}
        self._order = (*likely, *(family for family in words.FAMILIES if family not in likely))
        self.title.setText(f"Flight {reading.number} is a …   (number chooses, Esc closes)")
        for number, family in enumerate(self._order[: len(self.buttons) - 1], start=1):
            said = words.family_words(family)
            if family in likely:
                said += f"  ({words.percent(likely[family])} as measured)"
            self._caption(number, said, chosen=family == reading.family)
        self._caption(0, "as measured", chosen=not reading.family_by)

    def _caption(self, number: int, said: str, chosen: bool) -> None:
        button = self.buttons[number]
        button.setText(f"{number}  {said}")
        button.setCheckable(True)
        button.setChecked(chosen)
        button.setAccessibleName(f"{said}{', in force' if chosen else ''}")
        button.setAccessibleDescription(f"Key {number}")

    def say(self, text: str) -> None:
        """Say what became of the choice."""
        self.says.setText(text)
        self.says.setVisible(bool(text))

    def place(self) -> None:
        """In the upper part of the window, in the middle."""
        self.adjustSize()
        self.move((self._over.width() - self.width()) // 2, self._over.height() // 8)

    def _clicked(self) -> None:
        sender = self.sender()
        if isinstance(sender, QPushButton):
            sender.toggle()  # what is in force stays marked until the reading comes
            self._choose(sender.property("number"))

    def _choose(self, number: int) -> None:
        if self._reading is None or number > len(self._order):
            return
        family = self._order[number - 1] if number else ""
        self.say("Sent, waiting for the reading.")
        self.asked.emit(FamilyRequest(flight=self._reading.flight, family=family))

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Digits choose; no key of the window's table meanwhile."""
        if event.key() == Qt.Key.Key_Escape:
            self.closed.emit()
        elif event.text().isdigit():
            self._choose(int(event.text()))

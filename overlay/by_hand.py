"""Setting the hips, or the bar's line, by hand in the frozen picture. What height follows, capture says."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, Literal

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import QFrame, QHBoxLayout, QPushButton, QVBoxLayout, QWidget

from bridge.messages import Correction, CorrectionRequest, Point, Reading
from overlay import words
from overlay.ink import HandMarks, line_y
from overlay.panel import label
from overlay.theme import Theme

What = Literal["hips", "bar"]
FAR_PX: Final = 10.0  # a step with Shift, picture px
SCREEN_U_PX: Final = 1.5  # standard uncertainty of setting a point on the screen: our own estimate, no source
LEAST_U_PX: Final = 1.0  # of the picture, however near one looks
STEPS: Final[dict[int, tuple[int, int]]] = {
    Qt.Key.Key_Left: (-1, 0),
    Qt.Key.Key_Right: (1, 0),
    Qt.Key.Key_Up: (0, -1),
    Qt.Key.Key_Down: (0, 1),
}


class HandBar(QFrame):
    """What is set by hand, and the words and buttons for it; it stands under the picture while one sets.

    Arrow keys move by one picture pixel, with Shift by ten; Tab changes between hips and bar; Enter keeps;
    Backspace takes back what is on record; Esc leaves.
    """

    asked = Signal(object)  # CorrectionRequest, worked out only or kept
    moved = Signal()  # the marks have moved
    closed = Signal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.by = "panel"
        self._reading: Reading | None = None
        self._t_ns = 0
        self._what: What = "hips"
        self._hips: Point | None = None
        self._hips_set = False
        self._line_px = 0.0
        self._scale: Callable[[], float] = lambda: 1.0
        self.setAccessibleName("Set by hand")
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.title = label("What is set by hand", "title", self)
        self.figure = label("Height that follows", "", self)
        column = QVBoxLayout(self)
        column.setContentsMargins(8, 4, 8, 4)
        column.setSpacing(3)
        column.addWidget(self.title)
        column.addWidget(self.figure)
        row = QHBoxLayout()
        row.setSpacing(4)
        self.buttons: dict[str, QPushButton] = {}
        for name, text, run in (
            ("hips", "hips", lambda: self.choose("hips")),
            ("bar", "bar  Tab", lambda: self.choose("bar")),
            ("keep", "keep  Enter", self.keep),
            ("back", "take back  ⌫", self.take_back),
            ("leave", "leave  Esc", self.closed.emit),
        ):
            button = QPushButton(text, self)
            button.setAccessibleName(f"{text.partition('  ')[0]}, by hand")
            button.setCheckable(name in ("hips", "bar"))
            button.setFocusPolicy(Qt.FocusPolicy.NoFocus)
            button.clicked.connect(run)
            self.buttons[name] = button
            row.addWidget(button)
        column.addLayout(row)
        self.hide()

    def set_theme(self, theme: Theme, base_px: int) -> None:
        """Change colours."""
        self.setStyleSheet(f"HandBar {{ background: {theme.field}; border: 2px solid {theme.ink}; }}")

    # --- what is set ------------------------------------------------------------------------------

    @property
    def marks(self) -> HandMarks | None:
        """What is to be drawn; None when nothing is being set."""
        if self._reading is None:
            return None
        return HandMarks(self._hips, self._line_px, self._what)

    def open(self, reading: Reading, t_ns: int, scale: Callable[[], float], held: Correction | None) -> None:
        """Begin to set the hips in the picture of ``t_ns``.

        Args:
            reading: of the flight; measured, with a drawing.
            t_ns: capture time of the frozen picture.
            scale: screen px per picture px now, which says how finely a hand can set.
            held: the correction on record, if there is one.
        """
        assert reading.drawing is not None
        self._reading, self._t_ns = reading, t_ns
        self._scale = scale
        live = held if held is not None and held.height is not None else None
        self._hips_set = live is not None and live.hips is not None
        self._hips = live.hips if live is not None and live.hips is not None else reading.drawing.apex
        self._line_px = live.line_px if live is not None else 0.0
        self.choose("hips")
        self.figure.setText(f"Measured: {words.height_words(reading.apex)}." if reading.apex else "")
        self.show()
        self.setFocus()

    def close_(self) -> None:
        """Nothing is set any more."""
        self._reading = None
        self.hide()

    def in_picture(self, t_ns: int) -> None:
        """Another picture is on show: what is set is set in that one."""
        self._t_ns = t_ns

    def choose(self, what: What) -> None:
        """Set the hips, or the bar's line."""
        self._what = what
        for name in ("hips", "bar"):
            self.buttons[name].setChecked(name == what)
        said = "the hips: drag them" if what == "hips" else "the bar's line: drag it up or down"
        self.title.setText(f"By hand, {said}, or use the arrow keys (Shift: far)")
        self.moved.emit()

    def step(self, dx: float, dy: float) -> None:
        """Move what is being set by picture px, and ask what follows."""
        if self._reading is None:
            return
        if self._what == "bar":
            self._line_px += dy
        elif self._hips is not None:
            self._hips, self._hips_set = (self._hips[0] + dx, self._hips[1] + dy), True
        self._changed()

    def drag_to(self, at: Point) -> None:
        """The mouse puts what is being set here, picture px; what follows is asked when it is let go."""
        reading = self._reading
        if reading is None or reading.drawing is None:
            return
        if self._what == "bar":
            self._line_px = at[1] - line_y(reading.drawing.line, at[0])
        else:
            self._hips, self._hips_set = at, True
        self.moved.emit()

    def drop(self) -> None:
        """The mouse let go."""
        if self._reading is not None:
            self.setFocus()
            self._changed()

    def _changed(self) -> None:
        self.moved.emit()
        self._ask(keep=False)

    def _ask(self, keep: bool) -> None:
        if self._reading is None:
            return
        self.asked.emit(
            CorrectionRequest(
                flight=self._reading.flight,
                t_ns=self._t_ns,
                hips=self._hips if self._hips_set else None,
                line_px=self._line_px,
                u_px=max(LEAST_U_PX, SCREEN_U_PX / self._scale()),
                by=self.by,
                keep=keep,
            )
        )

    def keep(self) -> None:
        """Put on record what is set, if anything is."""
        if self._hips_set or self._line_px:
            self._ask(keep=True)

    def take_back(self) -> None:
        """Take back what is on record, and begin again from what was measured."""
        reading = self._reading
        if reading is not None and reading.drawing is not None:
            self._hips, self._hips_set, self._line_px = reading.drawing.apex, False, 0.0
            self.moved.emit()
            self._ask(keep=True)

    def say(self, text: str) -> None:
        """Say what follows, or why nothing does."""
        self.figure.setText(text)

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """All keys belong to setting while it lasts; zoom and pan go on to the window."""
        key = event.key()
        if key in STEPS:
            far = FAR_PX if event.modifiers() & Qt.KeyboardModifier.ShiftModifier else 1.0
            dx, dy = STEPS[key]
            self.step(far * dx, far * dy)
        elif key in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            self.keep()
        elif key in (Qt.Key.Key_Backspace, Qt.Key.Key_Delete):
            self.take_back()
        elif key in (Qt.Key.Key_Escape, Qt.Key.Key_U):
            self.closed.emit()
        elif event.text() in ("+", "=", "-", "w", "W", "?"):
            event.ignore()

    def focusNextPrevChild(self, forward: bool) -> bool:  # noqa: N802
        """Tab changes between hips and bar instead of leaving."""
        if self._reading is None:
            return super().focusNextPrevChild(forward)
        self.choose("bar" if self._what == "hips" else "hips")
        return True

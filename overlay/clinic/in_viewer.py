"""Collecting in the judge's window: one key keeps the chosen flight as an example, with a reason.

The key alone is enough: the reason is then what was measured. A better one can be typed at once.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import QFrame, QLineEdit, QVBoxLayout, QWidget

from bridge.errors import RailcrestError
from bridge.messages import Reading
from bridge.session import data_dir
from overlay import words
from overlay.clinic.collecting import collect_flight
from overlay.clinic.examples import Collection, Example, Grade
from overlay.keys import Binding
from overlay.panel import label

if TYPE_CHECKING:
    from overlay.window import Window

FOLDER: Final = "session_folder"  # property of the window: where the session lies on this machine, or ""
ELSEWHERE: Final = (
    "This session is not on this machine. Collect where it is recorded: railcrest clinic collect"
)
KEYS: Final[tuple[tuple[str, Grade], ...]] = (("F6", "good"), ("F7", "middling"), ("F8", "poor"))


def add(window: Window) -> None:
    """Add the three keys to the judge's window."""
    strip = CollectStrip(window)
    for key, grade in KEYS:
        binding = Binding(f"collect_{grade}", (key,), f"keep, {grade} example", "More")
        window.add_action(binding, partial(_collect, window, strip, grade))


def reason_of(reading: Reading) -> str:
    """A reason in words when nobody types one: what was measured."""
    if reading.apex is None or reading.state == "withheld":
        return "kept for a closer look; nothing was measured"
    label_of = reading.drawing.line.label if reading.drawing else ""
    said = words.height_sentence(reading.apex, words.bar_name(reading.rail, label_of))
    band = words.band_sentence(reading)
    return f"{said}; {band}" if band else said


def _collect(window: Window, strip: CollectStrip, grade: Grade) -> None:
    reading = window.state.reading
    if reading is None:
        strip.tell("No flight is chosen.")
        return
    if reading.state == "provisional":
        strip.tell("This reading is provisional. Keep the flight once it has settled.")
        return
    folder = str(window.property(FOLDER) or "")
    if not folder:
        strip.tell(ELSEWHERE)
        return

    def keep(reason: str) -> Example:
        return collect_flight(
            Collection(data_dir() / "examples.json"), Path(folder), reading.flight, grade, reason
        )

    strip.keep(
        f"flight {reading.number}, {words.family_words(reading.family)}", grade, reason_of(reading), keep
    )


class CollectStrip(QFrame):
    """Says what was kept, and takes a better reason. Enter writes it, Esc leaves the first one."""

    closed = Signal()

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self._over = parent
        self._keep: Callable[[str], Example] | None = None
        self._before: QWidget | None = None  # what had the keyboard
        self.setAccessibleName("Keep as an example")
        self.setAutoFillBackground(True)
        self.said = label("What became of it", "title", self)
        self.reason = QLineEdit(self)
        self.reason.setAccessibleName("Reason")
        self.reason.setMaxLength(400)
        self.reason.returnPressed.connect(self._better)
        self.hint = label("Keys", "quiet", self)
        self._column = QVBoxLayout(self)
        for part in (self.said, self.reason, self.hint):
            self._column.addWidget(part)
        self.hide()

    def keep(self, what: str, grade: Grade, reason: str, keep: Callable[[str], Example]) -> None:
        """Keep a flight at once, and offer its reason for writing."""
        self._keep = keep
        try:
            example = keep(reason)
        except RailcrestError as error:
            self.tell(f"Not kept: {error}")
            return
        cleared = "cleared for teaching" if example.consent == "teaching" else "not cleared for teaching"
        self.said.setText(f"Kept as {grade}: {what} ({cleared}, until {example.expires})")
        self.reason.setText(reason)
        self.reason.setVisible(True)
        self.hint.setText("Type a better reason, Enter writes it. Esc leaves it as it is.")
        self._open()
        self.reason.selectAll()
        self.reason.setFocus()

    def tell(self, text: str) -> None:
        """Say why nothing was kept."""
        self._keep = None
        self.said.setText(text)
        self.reason.setVisible(False)
        self.hint.setText("Esc closes this.")
        self._open()
        self.setFocus()

    def _open(self) -> None:
        if not self.isVisible():
            self._before = self._over.focusWidget()
        roles = self._over.palette()
        paper, ink = roles.window().color().name(), roles.windowText().color().name()
        self.setStyleSheet(f"CollectStrip {{ background: {paper}; border: 3px solid {ink}; }}")
        em = self._over.fontMetrics().height()
        self._column.setContentsMargins(em, em, em, em)
        self.setFixedWidth(min(44 * em, max(200, self._over.width() - 40)))
        self.show()
        self.raise_()
        self.adjustSize()
        over = self._over
        self.move((over.width() - self.width()) // 2, max(0, over.height() - self.height() - 90))

    def _better(self) -> None:
        text = self.reason.text().strip()
        if self._keep is not None and text:
            try:
                self._keep(text)
            except RailcrestError as error:
                self.tell(f"Not kept: {error}")
                return
        self._close()

    def _close(self) -> None:
        self.hide()
        if self._before is not None:
            self._before.setFocus()
        self.closed.emit()

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        if event.key() == Qt.Key.Key_Escape:
            self._close()
        elif self.reason.isVisible():
            event.accept()  # nothing typed here is a key of the window
        else:
            super().keyPressEvent(event)

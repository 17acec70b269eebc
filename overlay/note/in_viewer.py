"""The review note out of the judge's window: a page where it is asked for, and what was written."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Final

import platformdirs
from PySide6.QtCore import Qt, Signal, Slot
from PySide6.QtWidgets import QCheckBox, QComboBox, QGridLayout, QLineEdit, QPushButton, QVBoxLayout, QWidget

from bridge.errors import RailcrestError
from overlay import words
from overlay.keys import Binding
from overlay.note.page import Paper
from overlay.note.writer import Written, write_note
from overlay.pages import Page
from overlay.panel import label
from overlay.state import SessionState
from overlay.theme import Theme

if TYPE_CHECKING:
    from overlay.window import Window

FOLDER: Final = "session_folder"  # property of the window: where the session lies on this machine, or ""
ELSEWHERE: Final = (
    "This session is not on this machine. Write the note where it is recorded:  "
    "railcrest note SESSION {flight} --out FOLDER"
)
PAPERS: Final[tuple[tuple[Paper, str], ...]] = (("a4", "A4"), ("letter", "Letter"))


def add(window: Window) -> None:
    """Add the page to the judge's window."""
    page = NotePage(window.state, lambda: str(window.property(FOLDER) or ""), window)
    window.add_page(Binding("review_note", ("Ctrl+P",), "write the review note", "More"), page)


class NotePage(Page):
    """Where it goes, whether the name is on it, who asks and why; then one button."""

    finished = Signal(object)  # Written, or why not

    def __init__(
        self,
        state: SessionState,
        folder: Callable[[], str],
        parent: QWidget | None = None,
        notes: Path | None = None,
    ) -> None:
        super().__init__(parent)
        self._state = state
        self._folder = folder
        self._notes = notes or platformdirs.user_documents_path() / "railcrest notes"
        self._thread: threading.Thread | None = None
        self._flight: str | None = None
        self.setAccessibleName("Review note")
        self.title = label("Flight", "band", self)
        self.about = label("What is written", "", self)
        self.about.setText(
            "One page with the four moments plain and drawn, the reading, the camera's place, who looked, "
            "checksums and room for the panel; beside it the stills, the clip and a table. "
            "The session's journal keeps that it was written."
        )
        self.out = self._field("Folder", "Folder for the note and what belongs to it")
        self.by = self._field("Asked for by", "Who asks for it, by role; no names")
        self.by.setText("panel")
        self.why = self._field("What for", "What the note is for; no names")
        self.with_name = QCheckBox("print the gymnast's name, where one is known", self)
        self.with_name.setAccessibleName("Print the gymnast's name, where one is known")
        self.paper = QComboBox(self)
        self.paper.setAccessibleName("Paper size")
        self.paper.view().setAccessibleName("Paper size")
        self.paper.addItems([text for _, text in PAPERS])
        self.write = QPushButton("Write the note", self)
        self.write.setAccessibleName("Write the note")
        self.write.clicked.connect(self.start)
        self.said = label("What was written", "", self)
        self.said.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        grid = QGridLayout()
        rows: tuple[tuple[str, QWidget], ...] = (
            ("Folder", self.out), ("Asked for by, role", self.by), ("What for", self.why),
            ("Paper", self.paper), ("", self.with_name), ("", self.write),
        )  # fmt: skip
        for row, (text, part) in enumerate(rows):
            name = label(text or "Note", "", self)
            name.setText(text)
            name.setWordWrap(False)
            grid.addWidget(name, row, 0)
            grid.addWidget(part, row, 1)
        grid.setColumnStretch(1, 1)
        column = QVBoxLayout(self)
        for part in (self.title, self.about):
            column.addWidget(part)
        column.addLayout(grid)
        column.addWidget(self.said)
        column.addStretch(1)
        self.finished.connect(self._finished, Qt.ConnectionType.QueuedConnection)
        self.refresh()

    def _field(self, name: str, description: str) -> QLineEdit:
        field = QLineEdit(self)
        field.setAccessibleName(name)
        field.setAccessibleDescription(description)
        field.setMaxLength(300)
        return field

    def set_theme(self, theme: Theme, base_px: int) -> None:
        """Colours, or the size of text, have changed."""
        self.with_name.setStyleSheet(
            f"QCheckBox {{ color: {theme.ink}; }} QCheckBox::indicator {{ width: {base_px}px; "
            f"height: {base_px}px; border: 2px solid {theme.ink}; background: {theme.field}; }} "
            f"QCheckBox::indicator:checked {{ background: {theme.ink}; }}"
        )

    def shown(self) -> None:
        """The page has come to be shown."""
        self.refresh()
        self.write.setFocus()

    def refresh(self) -> None:
        """Tell which flight the note would be of."""
        reading = self._state.reading
        flight = reading.flight if reading else None
        busy = self._thread is not None and self._thread.is_alive()
        if flight != self._flight:
            self._flight = flight
            self.said.setText("")
        if reading is None:
            self.title.setText("No flight is chosen")
        else:
            self.title.setText(
                f"Review note of flight {reading.number}: {words.family_words(reading.family)}"
            )
        source = self._source()
        if source is None and flight is not None:
            self.said.setText(ELSEWHERE.format(flight=flight))
        if source is not None and not self.out.text():
            self.out.setText(str(self._notes / source.name))
        self.write.setEnabled(flight is not None and source is not None and not busy)

    def _source(self) -> Path | None:
        text = self._folder()
        return Path(text) if text else None

    def start(self) -> None:
        """Write the note, away from the screen; recording and replay go on."""
        source, flight = self._source(), self._flight
        if source is None or flight is None:
            return
        out, with_name = Path(self.out.text()).expanduser(), self.with_name.isChecked()
        paper, by, why = PAPERS[self.paper.currentIndex()][0], self.by.text().strip(), self.why.text().strip()

        def work() -> None:
            try:
                self.finished.emit(
                    write_note(
                        source, flight, out, with_name=with_name, paper=paper, by=by, why=why, replace=True
                    )
                )
            except RailcrestError as error:
                self.finished.emit(str(error))

        self.said.setText("Writing …")
        self.write.setEnabled(False)
        self._thread = threading.Thread(target=work, name="review note", daemon=True)
        self._thread.start()

    @Slot(object)
    def _finished(self, result: object) -> None:
        if self._thread is not None:
            self._thread.join(2.0)
        self._thread = None
        self.refresh()
        if isinstance(result, Written):
            page, *others = result.files
            left = "".join(f" Left out: {text}." for text in result.left_out)
            self.said.setText(f"Written: {page}, and {len(others)} files beside it.{left}")
        else:
            self.said.setText(f"Not written: {result}")

"""Everything that was measured of the chosen flight, and the routine's handstands, in words."""

from __future__ import annotations

from typing import Final

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QFrame, QGridLayout, QHBoxLayout, QLabel, QScrollArea, QVBoxLayout, QWidget

from bridge.messages import Handstand, Moment, Policy, Reading
from overlay import words
from overlay.pages import Page
from overlay.panel import label
from overlay.policy import includes
from overlay.state import SessionState
from overlay.theme import Theme

Row = tuple[str, ...]
WIDEST: Final = {2: 0, 3: 1, 4: 3}  # the column that takes the room that is left, by their number


class MeasuresPage(Page):
    """Moments on the left, further measures on the right, handstands below; no more than is allowed."""

    def __init__(self, state: SessionState, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._state = state
        self._shown: object = None
        self._base_px = 16
        self.setAccessibleName("Measures of the flight")
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.title = label("Flight", "band", self)
        self.note = label("What is shown", "", self)
        self.area = QScrollArea(self)
        self.area.setAccessibleName("Measures")
        self.area.setWidgetResizable(True)
        self.area.setFrameShape(QFrame.Shape.NoFrame)
        self.area.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.area.viewport().setAutoFillBackground(False)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(8)
        column.addWidget(self.title)
        column.addWidget(self.note)
        column.addWidget(self.area, 1)

    def set_theme(self, theme: Theme, base_px: int) -> None:
        """Colours, or the size of text, have changed."""
        self._base_px = base_px
        self.area.setStyleSheet(
            f"QScrollArea, QScrollArea > QWidget > QWidget {{ background: {theme.paper}; }}"
            f"QScrollArea QLabel {{ font-size: {round(1.22 * base_px)}px; }}"
        )
        self._shown = None
        self.refresh()

    def refresh(self) -> None:
        """Lay out what is known now, if it is not the same as before."""
        state = self._state
        reading, level = state.reading, state.level
        hands = tuple(h for h in state.handstands.values() if h.routine == state.routine)
        now = (reading, level, hands, state.scene.policy if state.scene else "")
        if now == self._shown:
            return
        self._shown = now
        said = (
            f"Flight {reading.number}: {words.family_words(reading.family)}" if reading else "No flight yet"
        )
        self.title.setText(said)
        self.note.setText(_note(reading, level, state.scene.policy if state.scene else "picture"))
        body = QWidget()
        row = QHBoxLayout(body)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(3 * self._base_px)
        left, right = QVBoxLayout(), QVBoxLayout()
        for column in (left, right):
            column.setSpacing(6)
            row.addLayout(column, 1)
        allowed = includes(level, "height")
        if reading is not None and allowed and reading.state != "withheld":
            self._table(left, "Hips against the bar", tuple(moment_row(m) for m in reading.moments))
            self._table(right, "Further measures", measure_rows(reading))
        if hands and allowed:
            self._table(left, "Handstands of the routine", tuple(handstand_row(h) for h in hands))
        for column in (left, right):
            column.addStretch(1)
        self.area.setWidget(body)

    def _table(self, column: QVBoxLayout, title: str, rows: tuple[Row, ...]) -> None:
        """A title and rows of words beneath it; the first of each row is a name."""
        if not rows:
            return
        head = label(title, "title")
        head.setText(title)
        column.addWidget(head)
        grid = QGridLayout()
        grid.setHorizontalSpacing(round(1.2 * self._base_px))
        grid.setVerticalSpacing(round(0.45 * self._base_px))
        grid.setColumnStretch(WIDEST[len(rows[0])], 1)
        for y, row in enumerate(rows):
            for x, text in enumerate(row):
                part: QLabel = label(f"{title}, {row[0]}", "title" if x == 0 and len(row) > 2 else "")
                part.setText(text)
                part.setWordWrap(x == WIDEST[len(row)])
                grid.addWidget(part, y, x, Qt.AlignmentFlag.AlignTop)
        column.addLayout(grid)
        column.addSpacing(self._base_px)


def _note(reading: Reading | None, level: Policy, policy: Policy) -> str:
    """Why nothing, or not everything, stands on the page; otherwise the state of the reading."""
    if reading is None:
        return "The first flight appears here when it is over."
    if not includes(policy, "height"):
        return "Heights and measures are not shown at this meet."
    if not includes(level, "height"):
        return "Not asked for yet: H shows heights and measures."
    return f"{words.state_sentence(reading)}. ± is give or take, in {words.COVERAGE} of cases."


def moment_row(moment: Moment) -> Row:
    """Name, hips, and how they move, of one moment."""
    return (
        words.MOMENTS.get(moment.name, moment.name.replace("_", " ")),
        words.short_height(moment.height),
        words.plus_minus(moment.height),
        words.short_rise(moment.rise),
    )


def measure_rows(reading: Reading) -> tuple[Row, ...]:
    """Sentence and give or take of every further measure; the gravity check last."""
    rows = [(m.sentence, words.plus_minus(m.quantity)) for m in reading.measures]
    if reading.gravity is not None:
        rows.append((words.gravity_sentence(reading.gravity), words.plus_minus(reading.gravity)))
    return tuple(rows)


def handstand_row(handstand: Handstand) -> Row:
    """Number and way, sentence with the give or take of its lengths, and that of its angle."""
    way = f" ({handstand.way})" if handstand.way else ""
    said = handstand.sentence or words.angle_words(handstand.angle)
    hips, shoulders = words.plus_minus(handstand.hips_off), words.plus_minus(handstand.shoulders_off)
    return (
        f"{handstand.number}{way}",
        f"{said} (hips {hips}, shoulders {shoulders})",
        words.plus_minus(handstand.angle),
    )

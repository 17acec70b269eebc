"""The reading in words, what may be shown, and the panel's ruling."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import QSize, Qt, Signal
from PySide6.QtGui import QKeyEvent, QPainter, QPaintEvent
from PySide6.QtWidgets import (
    QButtonGroup,
    QFrame,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from bridge.messages import Correction, Look, Policy, Reading, Ruling, Scene
from overlay import words
from overlay.keys import first_key
from overlay.policy import LEVELS, includes
from overlay.theme import Theme


def label(name: str, role: str = "", parent: QWidget | None = None) -> QLabel:
    """A wrapping label with a name for screen readers and a role for the style sheet."""
    made = QLabel(parent)
    made.setWordWrap(True)
    made.setTextFormat(Qt.TextFormat.PlainText)
    made.setAccessibleName(name)
    if role:
        made.setProperty("role", role)
    return made


class ShortLabel(QLabel):
    """A line that is shortened with dots where there is no room for it; the whole of it is the tooltip."""

    def minimumSizeHint(self) -> QSize:  # noqa: N802
        return QSize(self.fontMetrics().averageCharWidth() * 8, super().minimumSizeHint().height())

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        painter = QPainter(self)
        text = self.fontMetrics().elidedText(self.text(), Qt.TextElideMode.ElideRight, self.width())
        painter.drawText(self.rect(), int(Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignLeft), text)
        painter.end()


class ShowBar(QWidget):
    """What is shown over the picture: plain, line, height, band."""

    asked = Signal(str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._group = QButtonGroup(self)
        self._buttons: dict[Policy, QPushButton] = {}
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(4)
        short: dict[Policy, str] = {"picture": "plain", "line": "line", "height": "height", "band": "band"}
        for level in LEVELS:
            button = QPushButton(f"{short[level]}  {first_key(level)}", self)
            button.setCheckable(True)
            button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
            button.setAccessibleName(f"Show {words.LEVEL_WORDS[level]}")
            self._group.addButton(button)
            self._buttons[level] = button
            row.addWidget(button, 1)
        self._group.buttonClicked.connect(self._clicked)

    def button(self, level: Policy) -> QPushButton:
        """The button of one level."""
        return self._buttons[level]

    def _clicked(self, button: QPushButton) -> None:
        for level, own in self._buttons.items():
            if own is button:
                self.asked.emit(level)

    def show_level(self, level: Policy, allowed: Policy) -> None:
        """Mark ``level``; levels past ``allowed`` cannot be pressed."""
        for own, button in self._buttons.items():
            may = includes(allowed, own)
            button.setEnabled(may)
            button.setChecked(own == level)
            said = f"Show the {words.LEVEL_WORDS[own]}. Key {first_key(own)}."
            button.setAccessibleDescription(said if may else "Not shown at this meet.")
            button.setToolTip(said if may else "Not shown at this meet.")


class ReadingPanel(QWidget):
    """The reading. Its height stands above or below a rule, as the hips stood to the bar."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.title = label("Flight", "title", self)
        self.family = label("Family chosen by the panel", "notice", self)
        self.height_words = label("Hip height", "big", self)
        self.give = label("Give or take", "", self)
        self.rule = QFrame(self)
        self.rule.setAccessibleName("The bar")
        self.bar = label("Bar", "bar", self)
        self.band = label("Band", "band", self)
        self.chances = label("Candidates", "", self)
        self.range = label("Range in the table", "", self)
        self.state = label("State of the reading", "", self)
        self.by_hand = label("Corrected by hand", "notice", self)
        self.by_hand.hide()
        self.moment = label("Hips at the frozen moment", "", self)
        self.moment.hide()
        self.hint = label("What is shown", "quiet", self)
        self._figure = QVBoxLayout()
        self._figure.setSpacing(1)
        for part in (self.height_words, self.give, self.rule, self.bar):
            self._figure.addWidget(part)
        column = self._column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(6)
        column.addWidget(self.title)
        column.addWidget(self.family)
        column.addLayout(self._figure)
        column.addWidget(self.by_hand)
        for part in (self.band, self.chances, self.range, self.state, self.moment, self.hint):
            column.addWidget(part)
        column.addStretch(1)
        self._above = True

    def set_theme(self, theme: Theme, base_px: int) -> None:
        """Change the rule's colour."""
        self.rule.setFixedHeight(max(4, base_px // 4))
        self.rule.setStyleSheet(f"background: {theme.line}; border: none;")
        self.bar.setStyleSheet(f"color: {theme.line}; font-weight: 600;")

    def set_width(self, width_px: int) -> None:
        """Make the height as large as the width allows."""
        self.height_words.setStyleSheet(f"font-size: {round(width_px / 7.8)}px; font-weight: 600;")

    def set_spacing(self, px: int) -> None:
        """How far apart the lines stand, logical px."""
        self._column.setSpacing(px)

    def _stand(self, above: bool) -> None:
        """Put the words above the rule, or below it."""
        if above == self._above:
            return
        self._above = above
        parts = (self.height_words, self.give, self.rule, self.bar)
        for part in parts:
            self._figure.removeWidget(part)
        order = parts if above else (self.bar, self.rule, self.height_words, self.give)
        for part in order:
            self._figure.addWidget(part)

    @property
    def stands_above(self) -> bool:
        """Whether the height stands above the rule."""
        return self._above

    def show_moment(self, text: str) -> bool:
        """Say what the hips did at the moment the replay is frozen at. Returns whether that is new."""
        if text == self.moment.text():
            return False
        self.moment.setText(text)
        self.moment.setVisible(bool(text))
        self.hint.setVisible(bool(self.hint.text()) and not text)
        return True

    def show_correction(self, correction: Correction | None, level: Policy) -> None:
        """Say that, and how, the panel corrected the height."""
        self.by_hand.setText(words.correction_sentence(correction, level) if correction is not None else "")
        self.by_hand.setVisible(bool(self.by_hand.text()))

    def show_reading(self, reading: Reading | None, level: Policy, scene: Scene | None) -> None:
        """Say what ``level`` allows of the reading, and no more."""
        texts: dict[QLabel, str] = dict.fromkeys(
            (
                self.family,
                self.height_words,
                self.give,
                self.bar,
                self.band,
                self.chances,
                self.range,
                self.state,
            ),
            "",
        )
        line = reading.drawing.line.label if reading and reading.drawing else ""
        figure = False
        if reading is None:
            self.title.setText("No flight yet")
            self.hint.setText("The first flight appears here when it is over.")
        else:
            self.title.setText(f"Flight {reading.number}: {words.family_words(reading.family)}")
            texts[self.family] = words.family_choice_sentence(reading)
            texts[self.state] = words.state_sentence(reading)
            self.hint.setText(_hint(level))
            measured = reading.state != "withheld" and reading.apex is not None
            if not measured and includes(level, "height"):
                texts[self.band] = "no reading"
                self.hint.setText("")
            if measured and includes(level, "height") and reading.apex is not None:
                figure = True
                self._stand(words.rounded_cm(reading.apex.value) >= 0)
                texts[self.height_words] = words.short_height(reading.apex)
                texts[self.give] = f"hips, {words.give_or_take(reading.apex.u)}"
                texts[self.bar] = words.bar_name(reading.rail, line)
                self.height_words.setAccessibleDescription(
                    words.height_sentence(reading.apex, words.bar_name(reading.rail, line))
                )
            if measured and includes(level, "band") and reading.band:
                close = reading.band == words.TOO_CLOSE
                sentence = words.band_sentence(reading)
                texts[self.band] = words.TOO_CLOSE if close else sentence
                texts[self.chances] = sentence.partition(": ")[2] if close else ""
                texts[self.range] = words.range_sentence(reading.range, scene.table if scene else "")
            if reading.state != "withheld" and not includes(level, "height"):
                texts[self.state] = ""
        for part, text in texts.items():
            part.setText(text)
            part.setVisible(bool(text))
        self.rule.setVisible(figure)
        self.hint.setVisible(bool(self.hint.text()))


def _hint(level: Policy) -> str:
    """What a judge should bear in mind at this level."""
    if level == "picture":
        return "Plain picture. Watch at true speed first."
    if level == "line":
        return "Bar line shown where mid-bar is."
    return "Hips are estimated. Check them against the picture."


class RulingPanel(QWidget):
    """The panel's own decision: one of four, and a note. Enter records it."""

    ruled = Signal(Ruling)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._flight: str | None = None
        self.by = "panel"  # role, never a name
        self._group = QButtonGroup(self)
        self._buttons: dict[str, QPushButton] = {}
        self.title = label("Panel's ruling", "title", self)
        self.title.setText(f"The panel's ruling  ({first_key('ruling')})")
        grid = QGridLayout()
        grid.setSpacing(4)
        for i, decision in enumerate(words.DECISIONS):
            button = QPushButton(decision, self)
            button.setCheckable(True)
            button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
            button.setAccessibleName(f"The panel rules: {decision}")
            button.setAccessibleDescription("Space marks it, Enter records it")
            self._group.addButton(button)
            self._buttons[decision] = button
            grid.addWidget(button, i // 2, i % 2)
        self.note = QLineEdit(self)
        self.note.setMaxLength(200)
        self.note.setPlaceholderText("note, no names")
        self.note.setAccessibleName("Note to the ruling")
        self.note.setAccessibleDescription("Optional. No names.")
        self.record = QPushButton("Record", self)
        self.record.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.record.setAccessibleName("Record the panel's ruling")
        self.record.setAccessibleDescription("Sends the ruling to be kept with the recording")
        self.said = label("Ruling on record", "", self)
        self.looks = label("Who looked", "quiet", self)
        last = QHBoxLayout()
        last.setSpacing(4)
        last.addWidget(self.note, 1)
        last.addWidget(self.record)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(5)
        column.addWidget(self.title)
        column.addLayout(grid)
        column.addLayout(last)
        column.addWidget(self.said)
        column.addWidget(self.looks)
        self._group.buttonClicked.connect(self._refresh)
        self.note.returnPressed.connect(self.send)
        self.record.clicked.connect(self.send)
        self._refresh()

    def decision(self) -> str | None:
        """The decision marked, if any."""
        return next((d for d, b in self._buttons.items() if b.isChecked()), None)

    def mark(self, decision: str | None) -> None:
        """Mark a decision, or none."""
        self._group.setExclusive(False)
        for own, button in self._buttons.items():
            button.setChecked(own == decision)
        self._group.setExclusive(True)
        self._refresh()

    def take_focus(self) -> None:
        """Put the keyboard on the decision."""
        checked = self.decision() or words.DECISIONS[0]
        self._buttons[checked].setFocus(Qt.FocusReason.ShortcutFocusReason)

    def show_flight(self, flight: str | None, ruling: Ruling | None) -> None:
        """Show the ruling on record; another flight clears what was marked."""
        if flight != self._flight:
            self._flight = flight
            self.note.clear()
            self.mark(ruling.decision if ruling else None)
            self.say("")
        if ruling is not None:
            self.say(words.ruling_sentence(ruling))
        self._refresh()

    def show_looks(self, looks: Sequence[Look]) -> None:
        """Say who looked at the flight: the last time, and how many times before; all in the tooltip."""
        said = ""
        if looks:
            before = f" (and {words.count_words(len(looks) - 1, 'time')} before)" if len(looks) > 1 else ""
            said = f"Looked at{before}: {words.look_sentence(looks[-1])}"
        if said != self.looks.text():
            self.looks.setText(said)
            self.looks.setToolTip("\n".join(words.look_sentence(look) for look in looks))
        self.looks.setVisible(bool(said))

    def say(self, text: str) -> None:
        """Say what became of the ruling."""
        self.said.setText(text)
        self.said.setVisible(bool(text))

    def send(self) -> None:
        """Send what is marked, if anything is."""
        decision = self.decision()
        if decision is None or self._flight is None:
            return
        self.say("Sent, waiting for the record.")
        note = self.note.text().strip()
        self.ruled.emit(Ruling(flight=self._flight, decision=decision, note=note, by=self.by))

    def _refresh(self) -> None:
        for button in self._buttons.values():
            button.setEnabled(self._flight is not None)
        self.note.setEnabled(self._flight is not None)
        self.record.setEnabled(self._flight is not None and self.decision() is not None)

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        if event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter) and not self.note.hasFocus():
            self.send()
        else:
            super().keyPressEvent(event)

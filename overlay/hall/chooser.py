"""Where the coach chooses when a turn is shown and which one or two measures, for her or for the skill."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import msgspec
from PySide6.QtCore import Signal
from PySide6.QtWidgets import (
    QCheckBox,
    QComboBox,
    QDoubleSpinBox,
    QGridLayout,
    QPushButton,
    QSpinBox,
    QWidget,
)

from overlay import words
from overlay.hall.choices import LONGEST_DELAY_S, Choices, When, for_family, for_gymnast
from overlay.hall.measures import KINDS
from overlay.hall.sheet import Sheet
from overlay.panel import label
from overlay.theme import Theme

WHENS: Final[tuple[tuple[When, str], ...]] = (
    ("each", "every turn"),
    ("some", "every so many turns"),
    ("asked", "only when asked for"),
)
NOTHING: Final = "nothing more"


class Chooser(Sheet):
    """A sheet over the window. ``chosen`` brings the new choices; Esc closes it unchanged."""

    chosen = Signal(object)  # Choices
    named = Signal(str)  # whose turn it was

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self._choices = Choices()
        self._gymnast = ""
        self.setAccessibleName("When and what is shown")
        self.who = self._combo("Whose turn it was", [])
        self.who.setEditable(True)
        self.when = self._combo("When a turn is shown", [text for _, text in WHENS])
        self.every = QSpinBox(self)
        self.every.setRange(2, 20)
        self.every.setAccessibleName("Every how manieth turn")
        self.delay = QDoubleSpinBox(self)
        self.delay.setRange(0.0, LONGEST_DELAY_S)
        self.delay.setDecimals(0)
        self.delay.setSuffix(" s")
        self.delay.setAccessibleName("Pause before a turn is shown")
        self.guess = QCheckBox("the gymnast guesses first", self)
        self.guess.setAccessibleName("The gymnast guesses first, then sees")
        self.whole = QCheckBox("all flights of the turn", self)
        self.whole.setAccessibleName("All flights of the turn, one after the other")
        self.rest = QCheckBox("nothing new while she is on the bars", self)
        self.rest.setAccessibleName("Nothing new on the screen while she is on the bars")
        self.slow = self._combo("Slow speed", ["half speed", "quarter speed", "eighth speed"])
        self.first = self._combo("First measure", [kind.title for kind in KINDS.values()])
        self.second = self._combo("Second measure", [NOTHING, *(kind.title for kind in KINDS.values())])
        self.whom = self._combo("For whom the measures are", [])
        self.keep = QPushButton("Keep", self)
        self.keep.setAccessibleName("Keep these choices")
        self.keep.clicked.connect(self._keep)
        self._grid = QGridLayout(self)
        rows = (
            ("Whose turn", self.who), ("Show", self.when), ("Every", self.every),
            ("Pause first", self.delay), ("", self.guess),
            ("", self.whole), ("", self.rest), ("Then slowly, at", self.slow), ("Big figure", self.first),
            ("Second figure", self.second),
            ("Both for", self.whom), ("", self.keep),
        )  # fmt: skip
        for row, (text, part) in enumerate(rows):
            name = label(text, "", self)
            name.setText(text)
            name.setWordWrap(False)
            self._grid.addWidget(name, row, 0)
            self._grid.addWidget(part, row, 1)
        self.when.currentIndexChanged.connect(lambda place: self.every.setEnabled(WHENS[place][0] == "some"))

    def _combo(self, name: str, texts: list[str]) -> QComboBox:
        combo = QComboBox(self)
        combo.setAccessibleName(name)
        combo.view().setAccessibleName(name)
        combo.addItems(texts)
        return combo

    def open_for(self, choices: Choices, gymnast: str, family: str, numbers: Sequence[str] = ()) -> None:
        """Open with the choices as they stand, for one gymnast's flight; ``numbers`` are on the list."""
        self.who.clear()
        self.who.addItems(list(numbers))
        self.who.setCurrentText(gymnast)
        self.who.setEnabled(bool(family))
        self._choices, self._gymnast = choices, gymnast
        self.when.setCurrentIndex([key for key, _ in WHENS].index(choices.when))
        self.every.setValue(choices.every)
        self.every.setEnabled(choices.when == "some")
        self.delay.setValue(choices.delay_s)
        self.guess.setChecked(choices.guess)
        self.whole.setChecked(choices.whole_turn)
        self.rest.setChecked(choices.rest)
        self.slow.setCurrentIndex({2: 0, 4: 1, 8: 2}.get(choices.slow, 1))
        names = choices.shown(gymnast, family)
        known = list(KINDS)
        self.first.setCurrentIndex(known.index(names[0]))
        self.second.setCurrentIndex(1 + known.index(names[1]) if len(names) > 1 else 0)
        self.whom.clear()
        if family:
            self.whom.addItem(f"everybody's {words.short_family(family)}", for_family(family))
        if gymnast and family:
            key = for_gymnast(gymnast, family)
            self.whom.addItem(f"{gymnast}'s {words.short_family(family)}", key)
            self.whom.setCurrentIndex(1 if key in choices.measures else 0)
        self.whom.setEnabled(self.whom.count() > 0)
        self.open()
        self.when.setFocus()

    def _keep(self) -> None:
        known = list(KINDS)
        first = known[self.first.currentIndex()]
        more = self.second.currentIndex()
        names = (first,) if more <= 0 or known[more - 1] == first else (first, known[more - 1])
        choices = msgspec.structs.replace(
            self._choices,
            when=WHENS[self.when.currentIndex()][0],
            every=self.every.value(),
            delay_s=self.delay.value(),
            guess=self.guess.isChecked(),
            whole_turn=self.whole.isChecked(),
            rest=self.rest.isChecked(),
            slow=(2, 4, 8)[self.slow.currentIndex()],
        )
        if self.whom.currentData():
            choices = choices.with_measures(self.whom.currentData(), names)
        self.shut()
        self._over.setFocus()
        self.chosen.emit(choices)
        if self.who.isEnabled() and self.who.currentText().strip() != self._gymnast:
            self.named.emit(self.who.currentText().strip())

    def set_theme(self, theme: Theme, base_px: int) -> None:
        """Change colours and margins."""
        self.setStyleSheet(
            f"Chooser {{ background: {theme.paper}; border: 3px solid {theme.ink}; }} "
            f"QCheckBox {{ color: {theme.ink}; }} "
            f"QCheckBox::indicator {{ width: {base_px}px; height: {base_px}px; "
            f"border: 2px solid {theme.ink}; "
            f"background: {theme.paper}; }} QCheckBox::indicator:checked {{ background: {theme.ink}; }}"
            f"QSpinBox, QDoubleSpinBox {{ background: {theme.field}; color: {theme.ink}; "
            f"border: 1px solid {theme.quiet}; padding: 4px; }}"
        )
        self._grid.setContentsMargins(2 * base_px, base_px, 2 * base_px, base_px)
        self._grid.setSpacing(round(0.6 * base_px))

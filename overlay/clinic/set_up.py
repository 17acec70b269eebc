"""Setting up an evening: choose clips, how they are shown and where markers come in; or go on with one.

Everything here is on the keyboard, too: Tab goes round, Space ticks a clip, Ctrl+Return begins.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QCloseEvent, QKeySequence, QResizeEvent, QShortcut
from PySide6.QtNetwork import QAbstractSocket, QNetworkInterface
from PySide6.QtWidgets import (
    QAbstractItemView,
    QComboBox,
    QFormLayout,
    QHBoxLayout,
    QHeaderView,
    QLineEdit,
    QPushButton,
    QSpinBox,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from overlay import words
from overlay.clinic.examples import GRADES, Collection, Example, balanced
from overlay.clinic.practice import GAP, SLOWNESS
from overlay.clinic.steps import points
from overlay.panel import label
from overlay.theme import LIGHT, Theme, base_size_px

COLUMNS: Final = ("Clip", "Family", "Hips", "Band", "Shape", "Grade", "Reference", "Looked over", "Camera")
ANY: Final = "any"
HERE: Final = "this machine only"
_SPEED_WORDS: Final = ("true speed", "half speed", "quarter speed", "eighth speed")


@dataclass(frozen=True, slots=True)
class Evening:
    """What the teacher chose: a new practice over clips, or one to go on with."""

    host: str
    clips: tuple[str, ...] = ()
    title: str = ""
    table: Path | None = None
    views: int = 1
    slowness: int = 1
    thinking_s: int = 30
    repeats: int = 0
    go_on: Path | None = None


def addresses() -> list[str]:
    """This machine's IPv4 addresses on which others can reach it."""
    found = []
    for address in QNetworkInterface.allAddresses():
        v4 = address.protocol() == QAbstractSocket.NetworkLayerProtocol.IPv4Protocol
        if v4 and not address.isLoopback() and not address.isLinkLocal():
            found.append(address.toString())
    return found


class SetUp(QWidget):
    """The window. ``chosen`` gives an :class:`Evening`; ``reports`` the journal of one to report on.

    Args:
        kept: the example set.
        tables: band tables to choose from.
        practices: journals of earlier practices, newest first.
        hosts: addresses of this machine.
    """

    chosen = Signal(object)
    reports = Signal(object)
    closing = Signal()

    def __init__(
        self,
        kept: Collection,
        tables: Sequence[Path],
        practices: Sequence[Path] = (),
        hosts: Sequence[str] = (),
        theme: Theme = LIGHT,
    ) -> None:
        super().__init__()
        self._kept, self._tables, self._practices, self._theme = kept, tuple(tables), tuple(practices), theme
        self._all = kept.find(cleared=True)
        self._shown: list[Example] = []
        self._ticked: set[str] = set()
        self._base_px = 0
        self.setWindowTitle("Railcrest, set up an evening")
        self.setAccessibleName("Set up an evening of practice marking")
        self._build(hosts)
        self.resize(1280, 800)
        self._apply_theme()
        self.refresh()

    def _build(self, hosts: Sequence[str]) -> None:
        self.title_row = label("What this is", "band", self)
        self.title_row.setText("Practice marking: set up an evening")
        self.family = self._combo("Family", [ANY, *sorted({e.family for e in self._all})], words.short_family)
        self.grade = self._combo("Grade", [ANY, *GRADES])
        self.band = self._combo("Band", [ANY, *sorted({e.band for e in self._all if e.band})])
        self.shape = self._combo("Shape", [ANY, *sorted({e.shape for e in self._all if e.shape})])
        self.camera = QLineEdit(self)
        self.camera.setPlaceholderText("camera's place")
        self.camera.setAccessibleName("Words of the camera's place")
        self.camera.textChanged.connect(self.refresh)
        filters = QHBoxLayout()
        wanted: tuple[QWidget, ...] = (self.family, self.grade, self.band, self.shape, self.camera)
        for part in wanted:
            filters.addWidget(part)
        self.table = QTableWidget(0, len(COLUMNS), self)
        self.table.setHorizontalHeaderLabels(list(COLUMNS))
        self.table.setAccessibleName("Examples cleared for teaching")
        self.table.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.table.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.table.verticalHeader().setVisible(False)
        self.table.setTabKeyNavigation(False)
        self.table.horizontalHeader().setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
        self.table.horizontalHeader().setStretchLastSection(True)
        self.table.itemChanged.connect(self._item_changed)
        self.all = self._button("Tick all shown", lambda: self.tick(self._shown))
        self.none = self._button("Tick none", lambda: self._tick_names(set()))
        self.most = self._spin("Clips of a balanced set", 1, 60, 20)
        self.balance = self._button("Tick a balanced set of", self._balance)
        ticks = QHBoxLayout()
        for button in (self.all, self.none, self.balance, self.most):
            ticks.addWidget(button)
        ticks.addStretch(1)
        self.count = label("How many clips are ticked", "title", self)
        left = QVBoxLayout()
        left.addLayout(filters)
        left.addWidget(self.table, 1)
        left.addLayout(ticks)
        left.addWidget(self.count)
        self.name = QLineEdit("Practice marking", self)
        self.steps = self._combo("Deductions of", [p.stem for p in self._tables], _table_words)
        self.views = self._spin("Views of each clip", 1, 5, 1)
        self.speed = self._combo("Speed", list(_SPEED_WORDS))
        self.thinking = self._spin("Thinking time, seconds", 5, 300, 30)
        self.repeats = self._spin("Clips that come again, unseen as such", 0, 20, 0)
        self.host = self._combo("Markers come in at", [HERE, *hosts])
        form = QFormLayout()
        form.setRowWrapPolicy(QFormLayout.RowWrapPolicy.WrapAllRows)
        fields: tuple[tuple[str, QWidget], ...] = (
            ("Title", self.name),
            ("Deductions of", self.steps),
            ("Views of each clip", self.views),
            ("Speed", self.speed),
            ("Thinking time, seconds", self.thinking),
            ("Clips that come again", self.repeats),
            ("Markers come in at", self.host),
        )
        for said, field in fields:
            field.setAccessibleName(said)
            form.addRow(said, field)
        self.begin = self._button("Begin  Ctrl Return", self._begin)
        self.earlier = self._combo("Earlier evening", [p.stem for p in self._practices])
        self.go_on = self._button("Go on with it", self._go_on)
        self.report = self._button("Write its reports", self._report)
        self.said = label("What became of it", "", self)
        right = QVBoxLayout()
        right.addLayout(form)
        right.addWidget(self.begin)
        right.addStretch(1)
        if self._practices:
            right.addWidget(self.earlier)
            row = QHBoxLayout()
            row.addWidget(self.go_on)
            row.addWidget(self.report)
            right.addLayout(row)
        else:
            self.earlier.hide()
            self.go_on.hide()
            self.report.hide()
        right.addWidget(self.said)
        self.column = QWidget(self)
        self.column.setLayout(right)
        middle = QHBoxLayout()
        middle.addLayout(left, 1)
        middle.addWidget(self.column)
        caution = label("Caution", "caution", self)
        caution.setText(words.CAUTION)
        whole = QVBoxLayout(self)
        whole.setSizeConstraint(QVBoxLayout.SizeConstraint.SetNoConstraint)
        whole.addWidget(self.title_row)
        whole.addLayout(middle, 1)
        whole.addWidget(caution)
        QShortcut(QKeySequence("Ctrl+Return"), self, self._begin)
        QShortcut(QKeySequence("Ctrl+Q"), self, self.close)
        self.table.setFocus()

    def _combo(
        self, name: str, values: Sequence[str], say: Callable[[str], str] = lambda text: text
    ) -> QComboBox:
        made = QComboBox(self)
        made.setAccessibleName(name)
        for value in values:
            made.addItem(f"{name}: any" if value == ANY else say(value), value)
        made.currentIndexChanged.connect(self.refresh)
        return made

    def _spin(self, name: str, low: int, high: int, value: int) -> QSpinBox:
        made = QSpinBox(self)
        made.setAccessibleName(name)
        made.setRange(low, high)
        made.setValue(value)
        return made

    def _button(self, text: str, run: Callable[[], object]) -> QPushButton:
        made = QPushButton(text, self)
        made.setAutoDefault(True)  # Return presses it
        made.clicked.connect(lambda: run())
        return made

    # --- clips ------------------------------------------------------------------------------------

    def refresh(self) -> None:
        """Show the examples that fit the filters."""
        if not hasattr(self, "said"):
            return  # still being built
        self._shown = self._kept.find(
            cleared=True,
            family=_wanted(self.family),
            grade=next((g for g in GRADES if g == _wanted(self.grade)), None),
            band=_wanted(self.band),
            shape=_wanted(self.shape),
            camera=self.camera.text().strip() or None,
        )
        self.table.blockSignals(True)
        self.table.setRowCount(len(self._shown))
        for row, example in enumerate(self._shown):
            for column, text in enumerate(_cells(example)):
                item = QTableWidgetItem(text)
                item.setToolTip(example.reason)
                if column == 0:
                    item.setFlags(item.flags() | Qt.ItemFlag.ItemIsUserCheckable)
                    state = Qt.CheckState.Checked if example.id in self._ticked else Qt.CheckState.Unchecked
                    item.setCheckState(state)
                self.table.setItem(row, column, item)
        self.table.blockSignals(False)
        self._tell()

    def tick(self, examples: Sequence[Example]) -> None:
        """Tick examples beside those that are ticked."""
        self._tick_names(self._ticked | {e.id for e in examples})

    @property
    def ticked(self) -> tuple[str, ...]:
        """Names of the ticked examples, in order."""
        return tuple(sorted(self._ticked))

    def _tick_names(self, names: set[str]) -> None:
        self._ticked = names
        self.refresh()

    def _item_changed(self, item: QTableWidgetItem) -> None:
        if item.column() == 0:
            name = self._shown[item.row()].id
            on = item.checkState() == Qt.CheckState.Checked
            self._ticked = self._ticked | {name} if on else self._ticked - {name}
            self._tell()

    def _balance(self) -> None:
        families = sorted({e.family for e in self._shown})
        self._tick_names({e.id for e in balanced(self._shown, families, self.most.value())})

    def _tell(self) -> None:
        chosen = [e for e in self._all if e.id in self._ticked]
        unseen = sum(e.hidden is None for e in chosen)
        text = f"{len(chosen)} of {len(self._all)} clips ticked"
        if unseen:
            text += f"; {unseen} of them nobody has looked over for numbers, names and scores"
        self.count.setText(text)

    # --- beginning --------------------------------------------------------------------------------

    def _begin(self) -> None:
        if not self._ticked:
            self.said.setText("Tick at least one clip.")
            return
        unseen = [e.id for e in self._all if e.id in self._ticked and e.hidden is None]
        if unseen:
            self.said.setText(f"Look {len(unseen)} clips over first: railcrest clinic hide")
            return
        most = max(len(self._ticked) - GAP, 0)
        if self.repeats.value() > most:
            self.said.setText(f"{len(self._ticked)} clips leave room for at most {most} that come again.")
            return
        table = self._tables[self.steps.currentIndex()] if self._tables else None
        self.chosen.emit(
            Evening(
                host=self._host(),
                clips=self.ticked,
                title=self.name.text().strip() or "Practice marking",
                table=table,
                views=self.views.value(),
                slowness=SLOWNESS[self.speed.currentIndex()],
                thinking_s=self.thinking.value(),
                repeats=self.repeats.value(),
            )
        )

    def _go_on(self) -> None:
        if self._practices:
            self.chosen.emit(Evening(host=self._host(), go_on=self._practices[self.earlier.currentIndex()]))

    def _report(self) -> None:
        if self._practices:
            self.reports.emit(self._practices[self.earlier.currentIndex()])

    def _host(self) -> str:
        return "127.0.0.1" if self.host.currentData() == HERE else str(self.host.currentData())

    # --- Qt's events ------------------------------------------------------------------------------

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802
        self._apply_theme()

    def closeEvent(self, event: QCloseEvent) -> None:  # noqa: N802
        self.closing.emit()
        super().closeEvent(event)

    def _apply_theme(self) -> None:
        base = base_size_px(self.width(), self.height())
        self.column.setFixedWidth(round(0.27 * self.width()))
        if base == self._base_px:
            return
        self._base_px = base
        theme = self._theme
        self.setStyleSheet("")
        self.setPalette(theme.palette())
        table = f"""
        QTableWidget {{ background: {theme.field}; color: {theme.ink}; gridline-color: {theme.rule};
            border: 1px solid {theme.quiet}; }}
        QTableWidget:focus {{ border: 3px solid {theme.line}; }}
        QHeaderView::section {{ background: {theme.paper}; color: {theme.ink}; border: none;
            border-bottom: 2px solid {theme.ink}; padding: 4px; font-weight: 600; }}
        QTableWidget::item:selected {{ background: {theme.ink}; color: {theme.paper}; }}
        QTableWidget::indicator {{ width: {base}px; height: {base}px; border: 2px solid {theme.quiet};
            background: {theme.field}; }}
        QTableWidget::indicator:checked {{ background: {theme.line}; border-color: {theme.ink}; }}
        QSpinBox {{ background: {theme.field}; color: {theme.ink}; border: 1px solid {theme.quiet};
            min-height: {round(1.6 * base)}px; padding: 2px 6px; }}
        QSpinBox::up-button, QSpinBox::down-button {{ width: 0; height: 0; border: none; }}
        QSpinBox:focus {{ border: 3px solid {theme.line}; }}
        """
        self.setStyleSheet(theme.sheet(base) + table)
        head = self.table.horizontalHeader()
        head.setSectionResizeMode(0, QHeaderView.ResizeMode.Interactive)
        head.resizeSection(0, 12 * base)  # the box beside the name is not counted by itself


def _wanted(combo: QComboBox) -> str | None:
    value = str(combo.currentData())
    return None if value == ANY else value


def _cells(e: Example) -> tuple[str, ...]:
    hips = ""
    if e.apex is not None:
        cm = words.rounded_cm(e.apex.value)
        hips = f"{cm:+d} ± " if cm else "0 ± "
        hips += f"{words.give_or_take_cm(e.apex.u)} cm"
    return (
        e.id,
        words.short_family(e.family),
        hips,
        e.band,
        e.shape,
        e.grade,
        points(e.reference.mark) if e.reference else "none",
        "no" if e.hidden is None else f"{len(e.hidden)} hidden" if e.hidden else "yes",
        e.camera_place,
    )


def _table_words(stem: str) -> str:
    return stem.removeprefix("bands_").replace("_", " ")

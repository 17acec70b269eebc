"""The staff's window: health of the recording, who is on the bars, the start list and its corrections."""

from __future__ import annotations

from typing import Final

from PySide6.QtCore import Qt, QTimer, Signal
from PySide6.QtGui import QCloseEvent, QKeySequence, QResizeEvent, QShortcut
from PySide6.QtWidgets import (
    QAbstractItemView,
    QButtonGroup,
    QComboBox,
    QGridLayout,
    QHBoxLayout,
    QHeaderView,
    QLayout,
    QPushButton,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from bridge.clock import Clock
from bridge.messages import (
    Consent,
    Entry,
    EntryRequest,
    Heartbeat,
    Part,
    PartRequest,
    Refused,
    Request,
    StartList,
)
from overlay.desk import DeskThread
from overlay.feed import Feed
from overlay.meet.health import health, number_words, on_the_bars, state_words, wall_clock
from overlay.meet.tiles import Tiles, big
from overlay.panel import label
from overlay.state import SessionState
from overlay.theme import LIGHT, Theme, base_size_px
from overlay.words import CAUTION

TICK_MS: Final = 250
STAFF: Final = "meet staff"
TAG: Final = "staff"
PARTS: Final[tuple[tuple[Part, str, str], ...]] = (
    ("competition", "Competition", "F2"),
    ("warm-up", "Warm-up", "F3"),
    ("break", "Break", "F4"),
)
COLUMNS: Final = ("Order", "Number", "Rotation", "Group", "Consent", "Where she stands")
CONSENTS: Final[tuple[Consent, ...]] = ("do not film", "this session only", "coaching", "teaching")


class StaffWindow(QWidget):
    """It owns no thread; ``feed`` and ``desk`` are stopped by others."""

    closing = Signal()

    def __init__(self, feed: Feed, desk: DeskThread, clock: Clock, theme: Theme = LIGHT) -> None:
        super().__init__()
        self._feed, self._desk, self._clock, self._theme = feed, desk, clock, theme
        self.state = SessionState()
        self._beat: Heartbeat | None = None
        self._heard_ns: int | None = None
        self._shown: tuple[object, ...] | None = None
        self._base_px = 16
        self._by_hand = False  # the choice in the list; else it follows whoever is next
        self.setWindowTitle("Railcrest, meet staff")
        self.setAccessibleName("Railcrest, the staff's window")
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
        self._build()
        self.resize(1280, 800)
        self.set_theme(theme)
        self.refresh()
        feed.arrived.connect(self._take, Qt.ConnectionType.QueuedConnection)
        desk.answered.connect(self._answered, Qt.ConnectionType.QueuedConnection)
        self._timer = QTimer(self)
        self._timer.timeout.connect(self.refresh)
        self._timer.start(TICK_MS)

    # --- building ---

    def _build(self) -> None:
        self._title = label("Session", "title", self)
        self._time = big("Capture's clock", self)
        self._time.setAlignment(Qt.AlignmentFlag.AlignRight)
        self._caution = label("Caution", "quiet", self)
        self._caution.setText(CAUTION)
        head = QHBoxLayout()
        head.addWidget(self._title, 1)
        clock = label("What the clock is", "quiet", self)
        clock.setText("capture's clock")
        clock.setWordWrap(False)
        head.addWidget(clock)
        head.addWidget(self._time)

        self.tiles = Tiles(self)
        self._now_name, self._now = label("On the bars", "", self), big("On the bars now", self)
        self._next_name, self._next = label("Next", "", self), big("Next on the list", self)
        self._now_name.setText("On the bars")
        self._next_name.setText("Next on the list")
        self._now_more, self._next_more = (
            label("Her routine", "quiet", self),
            label("Of the next", "quiet", self),
        )
        who = QGridLayout()
        who.setHorizontalSpacing(24)
        for column, (name, number, more) in enumerate(
            ((self._now_name, self._now, self._now_more), (self._next_name, self._next, self._next_more))
        ):
            who.addWidget(name, 0, column)
            who.addWidget(number, 1, column)
            who.addWidget(more, 2, column)
            who.setColumnStretch(column, 1)

        self._parts: dict[Part, QPushButton] = {}
        parts, group = QHBoxLayout(), QButtonGroup(self)
        for part, words, key in PARTS:
            button = QPushButton(f"{words}  ({key})", self)
            button.setCheckable(True)
            button.setAccessibleName(f"{words} begins")
            button.clicked.connect(lambda _checked=False, part=part: self.begin(part))
            QShortcut(QKeySequence(key), self, lambda part=part: self.begin(part))
            group.addButton(button)
            parts.addWidget(button, 1)
            self._parts[part] = button

        self.table = QTableWidget(0, len(COLUMNS), self)
        self.table.setHorizontalHeaderLabels(COLUMNS)
        self.table.setAccessibleName("Start list")
        self.table.verticalHeader().hide()
        self.table.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.table.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        self.table.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.table.setTabKeyNavigation(False)
        self.table.setShowGrid(False)
        self.table.setWordWrap(False)
        header = self.table.horizontalHeader()
        header.setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
        header.setSectionResizeMode(len(COLUMNS) - 1, QHeaderView.ResizeMode.Stretch)
        header.setHighlightSections(False)
        header.setDefaultAlignment(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter)
        self.table.itemSelectionChanged.connect(self._chosen_by_hand)

        self.routine = QComboBox(self)
        self.routine.setMinimumContentsLength(22)
        self.routine.setAccessibleName("Routine that the number belongs to")
        self.consent = QComboBox(self)
        self.consent.setAccessibleName("What she allows")
        self.consent.addItems(CONSENTS)
        self.consent.activated.connect(self._set_consent)
        self._actions: dict[str, QPushButton] = {}
        rows = (
            ("put", "Put her on it", "F5", "Put the chosen gymnast on this routine", self.put_number),
            ("nobody", "Nobody", "F6", "This routine was nobody's on the list", self.put_nobody),
            ("warm-up", "Warm-up", "F7", "This routine was warm-up, or was not", self.mark_warm_up),
            ("next", "She is next", "F8", "The chosen gymnast is next", self.call),
            ("scratch", "Scratch", "F9", "Scratch the chosen gymnast, or put her back", self.scratch),
            ("up", "Up", "Ctrl+Up", "Let her change places with the one before", self.move_up),
            ("down", "Down", "Ctrl+Down", "Let her change places with the one after", self.move_down),
        )
        for action, words, key, spoken, run in rows:
            button = QPushButton(f"{words}  ({key})", self)
            button.setAccessibleName(spoken)
            button.setToolTip(spoken)
            button.clicked.connect(lambda _checked=False, run=run: run())
            QShortcut(QKeySequence(key), self, lambda button=button: button.click())
            self._actions[action] = button
        first, second = QHBoxLayout(), QHBoxLayout()
        first.addWidget(self.routine, 1)
        for action in ("put", "nobody", "warm-up"):
            first.addWidget(self._actions[action])
        for action in ("next", "scratch", "up", "down"):
            second.addWidget(self._actions[action])
        second.addWidget(self.consent, 1)
        QShortcut(QKeySequence.StandardKey.Quit, self, self.close)
        self._said = label("What became of it", "", self)

        left, right = QVBoxLayout(), QVBoxLayout()
        left.addLayout(who)
        left.addLayout(parts)
        left.addWidget(self.table, 1)
        left.addLayout(first)
        left.addLayout(second)
        left.addWidget(self._said)
        right.addWidget(self.tiles, 1)
        body = QHBoxLayout()
        body.setSpacing(20)
        body.addLayout(left, 3)
        body.addLayout(right, 2)
        whole = QVBoxLayout(self)
        whole.setSizeConstraint(QLayout.SizeConstraint.SetNoConstraint)
        whole.addLayout(head)
        whole.addLayout(body, 1)
        whole.addWidget(self._caution)

    def set_theme(self, theme: Theme) -> None:
        """Colours, and sizes that follow the window's."""
        self._theme = theme
        font_px = float(self.fontMetrics().height()) * 0.75
        base = base_size_px(self.width(), self.height(), min(font_px, 16.0))
        self.setPalette(theme.palette())
        self.setStyleSheet(
            theme.sheet(base)
            + f"""
            StaffWindow {{ background: {theme.paper}; }}
            QTableWidget {{ background: {theme.field}; color: {theme.ink}; border: 1px solid {theme.rule};
                selection-background-color: {theme.ink}; selection-color: {theme.paper}; }}
            QTableWidget::item {{ padding: 0 {base // 2}px; }}
            QTableWidget:focus {{ border: 3px solid {theme.line}; }}
            QHeaderView::section {{ background: {theme.paper}; color: {theme.quiet}; border: none;
                border-bottom: 1px solid {theme.quiet}; padding: 4px 8px; }}
            """
        )
        self._base_px = base
        row = round(1.9 * base)
        self.table.verticalHeader().setDefaultSectionSize(row)
        for number in (self._now, self._next):
            number.setStyleSheet(f"font-size: {round(3.4 * base)}px; font-weight: 600;")
        self._time.setStyleSheet(f"font-size: {round(2.0 * base)}px; font-weight: 600;")
        self._title.setStyleSheet(f"font-size: {round(1.3 * base)}px; font-weight: 600;")
        self._time.setMinimumWidth(round(11 * base))
        self.tiles.set_theme(theme, base)
        self._shown = None
        self.refresh()

    # --- what comes ---

    def _take(self) -> None:
        bundle = self._feed.take()
        for record in bundle.records:
            self.state.apply(record)
        if bundle.heartbeat is not None:
            self._beat, self._heard_ns = bundle.heartbeat, self._clock.now_ns()
        self.refresh()

    def refresh(self) -> None:
        """Show what is known now."""
        silent_ns = None if self._heard_ns is None else self._clock.now_ns() - self._heard_ns
        listed = self.state.start_list
        busy = on_the_bars(self.state.routines.values()) is not None
        self.tiles.show_lines(health(self._beat, silent_ns, listed, self._feed.trouble, busy))
        self._time.setText(wall_clock(self._beat))
        shown = (listed, tuple(self.state.routines.values()), self.state.scene)
        if shown == self._shown:
            return
        self._shown = shown
        scene = self.state.scene
        self._title.setText(scene.title if scene is not None else "Waiting for capture")
        self._show_who(listed or StartList())
        self._show_list(listed or StartList())
        self._show_routines()
        self._refresh_actions()

    def _show_who(self, listed: StartList) -> None:
        now = on_the_bars(self.state.routines.values())
        known = self.state.scene is not None
        self._now.setText(number_words(now.start_number) if now else "empty" if known else "–")
        self._now_more.setText("" if now is None else "warm-up" if now.warm_up else f"routine {now.routine}")
        self._next.setText(number_words(listed.next))
        entry = next((e for e in listed.entries if e.number == listed.next), None)
        if entry is None:
            self._next_more.setText(
                "nobody left" if listed.entries else "no start list: railcrest meet start-list"
            )
        else:
            rotation = f"rotation {entry.rotation}" if entry.rotation else f"order {entry.order}"
            closed = ", not to be filmed" if entry.consent == "do not film" else ""
            self._next_more.setText(rotation + closed)
        for part, button in self._parts.items():
            button.setChecked(part == listed.part)

    def _show_list(self, listed: StartList) -> None:
        chosen = self.chosen
        self.table.blockSignals(True)
        self.table.setRowCount(len(listed.entries))
        bold = self.table.font()
        bold.setPixelSize(self._base_px)
        for row, entry in enumerate(listed.entries):
            state = state_words(entry, self.state.routines.values(), listed)
            texts = (str(entry.order), entry.number, entry.rotation, entry.group, entry.consent, state)
            bold.setBold(state.startswith(("on the bars", "next")))
            bold.setStrikeOut(entry.scratched)
            for column, text in enumerate(texts):
                item = QTableWidgetItem(text)
                item.setFont(bold)
                self.table.setItem(row, column, item)
        if chosen is not None and (self._by_hand or not listed.next):
            self._choose(chosen.number)
        elif listed.next:
            self._choose(listed.next)
        self.table.blockSignals(False)

    def _show_routines(self) -> None:
        wanted = self.routine.currentData()
        at_last = self.routine.currentIndex() <= 0
        self.routine.blockSignals(True)
        self.routine.clear()
        for r in sorted(self.state.routines.values(), key=lambda r: -r.routine):
            what = "warm-up" if r.warm_up else r.start_number or "nobody"
            now = ", on the bars now" if r.end_ns is None else ""
            self.routine.addItem(f"Routine {r.routine}: {what}{now}", r.routine)
        if not at_last and (place := self.routine.findData(wanted)) >= 0:
            self.routine.setCurrentIndex(place)
        self.routine.blockSignals(False)

    def _refresh_actions(self) -> None:
        entry, routines = self.chosen, bool(self.state.routines)
        for action in ("next", "scratch", "up", "down"):
            self._actions[action].setEnabled(entry is not None)
        self._actions["put"].setEnabled(entry is not None and routines)
        self._actions["nobody"].setEnabled(routines)
        self._actions["warm-up"].setEnabled(routines)
        self.consent.setEnabled(entry is not None)
        words = "Restore" if entry is not None and entry.scratched else "Scratch"
        self._actions["scratch"].setText(f"{words}  (F9)")
        self.consent.setCurrentIndex(CONSENTS.index(entry.consent) if entry is not None else -1)

    # --- what staff do ---

    @property
    def chosen(self) -> Entry | None:
        """The gymnast chosen in the list."""
        rows = self.table.selectionModel().selectedRows() if self.table.rowCount() else []
        item = self.table.item(rows[0].row(), 1) if rows else None
        listed = self.state.start_list
        if item is None or listed is None:
            return None
        return next((e for e in listed.entries if e.number == item.text()), None)

    def _choose(self, number: str) -> None:
        for row in range(self.table.rowCount()):
            item = self.table.item(row, 1)
            if item is not None and item.text() == number:
                self.table.selectRow(row)
                return

    def choose(self, number: str) -> None:
        """Choose a gymnast in the list; she stays chosen until something was done with her."""
        self._choose(number)
        self._chosen_by_hand()

    def _chosen_by_hand(self) -> None:
        self._by_hand = True
        self._refresh_actions()

    def begin(self, part: Part) -> None:
        """Another part of the session begins."""
        self._ask(PartRequest(part=part, by=STAFF))

    def put_number(self) -> None:
        """The chosen gymnast was, or is, on the bars in the routine that is named."""
        if (entry := self.chosen) is not None:
            self._ask_entry("number", number=entry.number, routine=self.routine.currentData() or 0)

    def put_nobody(self) -> None:
        """The routine was nobody's on the list."""
        if (routine := self.routine.currentData()) is not None:
            self._ask_entry("number", number="", routine=routine)

    def mark_warm_up(self) -> None:
        """The routine was warm-up, or was not after all."""
        if (routine := self.routine.currentData()) is not None:
            was = self.state.routines[routine].warm_up
            self._ask_entry("competition" if was else "warm-up", routine=routine)

    def call(self) -> None:
        """The chosen gymnast is next, whatever the list says."""
        if (entry := self.chosen) is None:
            return
        if on_the_bars(self.state.routines.values()) is not None:
            self._said.setText("Somebody is on the bars; say who is next once she has left.")
            return
        self._ask_entry("number", number=entry.number)

    def scratch(self) -> None:
        """Scratch the chosen gymnast, or put her back."""
        if (entry := self.chosen) is not None:
            self._ask_entry("restore" if entry.scratched else "scratch", number=entry.number)

    def move_up(self) -> None:
        """Let the chosen gymnast change places with the one before."""
        self._swap(-1)

    def move_down(self) -> None:
        """Let the chosen gymnast change places with the one after."""
        self._swap(1)

    def _swap(self, by: int) -> None:
        entry, listed = self.chosen, self.state.start_list
        if entry is None or listed is None:
            return
        place = [e.number for e in listed.entries].index(entry.number) + by
        if 0 <= place < len(listed.entries):
            self._ask_entry("swap", number=entry.number, other=listed.entries[place].number)

    def _set_consent(self, place: int) -> None:
        if (entry := self.chosen) is not None:
            self._ask_entry("consent", number=entry.number, consent=CONSENTS[place])

    def _ask_entry(self, action: str, **more: object) -> None:
        self._ask(EntryRequest(action=action, by=STAFF, **more))  # type: ignore[arg-type]

    def _ask(self, request: Request) -> None:
        self._said.setText("")
        self._desk.ask(TAG, request)

    def _answered(self, tag: str, _request: Request, answer: object) -> None:
        if tag == TAG:
            self._said.setText(f"Not done: {answer.reason}" if isinstance(answer, Refused) else "Done.")
            self._by_hand = isinstance(answer, Refused)
            self._shown = None
            self.refresh()

    # --- Qt ---

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802
        super().resizeEvent(event)
        self.set_theme(self._theme)

    def closeEvent(self, event: QCloseEvent) -> None:  # noqa: N802
        self._timer.stop()
        self.closing.emit()
        super().closeEvent(event)

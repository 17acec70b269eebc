"""The window: what came from the session, put on the screen as the judge asked for it."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from fractions import Fraction
from functools import partial
from typing import Final

import av
from PySide6.QtCore import QKeyCombination, Qt, QTimer, Signal, Slot
from PySide6.QtGui import QCloseEvent, QKeyEvent, QKeySequence, QResizeEvent
from PySide6.QtWidgets import (
    QComboBox,
    QHBoxLayout,
    QMenu,
    QPushButton,
    QStackedWidget,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from bridge.clock import Clock
from bridge.messages import (
    Accepted,
    ClipRequest,
    Correction,
    CorrectionRequest,
    FamilyRequest,
    Heartbeat,
    LookRequest,
    Pose,
    Reading,
    Ruling,
)
from overlay import words
from overlay.by_hand import HandBar
from overlay.card import KeysCard
from overlay.desk import DeskThread, refusal
from overlay.family import FamilyChoice
from overlay.feed import Feed, Picture
from overlay.flights import FlightRow
from overlay.goto import NumberPrompt
from overlay.ink import HandMarks
from overlay.keys import BINDINGS, Binding, key_table, key_words
from overlay.looks import Watch, seen_at_true_speed
from overlay.measures_page import MeasuresPage
from overlay.pages import Page
from overlay.panel import ReadingPanel, RulingPanel, ShortLabel, ShowBar, label
from overlay.picture import Layers, PictureView
from overlay.pixels import frame_image
from overlay.policy import LEVELS, includes
from overlay.replay import FrameStore, Loop
from overlay.side_by_side import SideBySidePage
from overlay.sizes import forget_sizes
from overlay.state import SessionState
from overlay.theme import DARK, LIGHT, Theme, base_size_px
from overlay.transport import FREEZES, SPEEDS, Course, Transport
from overlay.whole_routine import WholeRoutinePage

SILENCE_NS: Final = 1_700_000_000  # heartbeats come once a second; longer silence is a lost feed
SAME_MOMENT_NS: Final = 200_000_000  # a pose further from the picture than this is not drawn on it
SPACE_SHORT_S: Final = 30 * 60  # less room on the disk than this is said
TICK_MS: Final = 8
BEFORE_NS: Final = 600_000_000  # replayed before the release
AFTER_NS: Final = 600_000_000  # and after the regrasp or landing
SWING_NS: Final = 250_000_000  # and at least so long after the start of the down-swing
AGAIN_NS: Final = 800_000_000
TRIES: Final = 4
MOVES: Final = ("closer", "farther", "whole", "pan_left", "pan_right", "pan_up", "pan_down")
UNSEEING: Final = ("theme", "full", "keys", "quit", "live", "newest")  # pressed without looking at a flight
MODIFIERS: Final = (
    Qt.KeyboardModifier.ShiftModifier
    | Qt.KeyboardModifier.ControlModifier
    | Qt.KeyboardModifier.AltModifier
    | Qt.KeyboardModifier.MetaModifier
)


def pressed_key(event: QKeyEvent) -> str:
    """The key as the table of keys names it. Signs count as printed, whatever Shift they need."""
    modifiers = event.modifiers() & MODIFIERS
    text = event.text()
    plain = not modifiers & ~Qt.KeyboardModifier.ShiftModifier
    if plain and len(text) == 1 and text.isprintable() and not text.isspace():
        return text.upper()
    return QKeySequence(QKeyCombination(modifiers, Qt.Key(event.key()))).toString(
        QKeySequence.SequenceFormat.PortableText
    )


class Window(QWidget):
    """The judge's window. It owns no thread; ``feed`` and ``desk`` are handed in and stopped by others.

    Attributes:
        state: what is known of the session, and the judge's choices.
        wall: the time of day.
        feed, desk, clock: as handed in; parts that add a page may use them.
        changed: something of the session, or the chosen flight, has changed.
    """

    closing = Signal()
    changed = Signal()

    def __init__(
        self,
        feed: Feed,
        desk: DeskThread,
        clock: Clock,
        theme: Theme = LIGHT,
        wall: Callable[[], datetime] = datetime.now,
    ) -> None:
        super().__init__()
        self.wall = wall
        self.state = SessionState()
        self.feed, self.desk, self.clock = feed, desk, clock
        self._theme, self._base_px = theme, 0
        self._system_px = float(self.fontInfo().pixelSize())
        self._picture: Picture | None = None
        self._pose: Pose | None = None
        self._heartbeat: Heartbeat | None = None
        self._held_live = False
        self._lost = False
        self._asked: tuple[str, str] | None = None  # flight and state of the clip last asked for
        self._store: FrameStore[av.VideoFrame] | None = None
        self._store_flight: str | None = None
        self._loop: Loop | None = None
        self._tries = 0
        self._again_ns: int | None = None  # when to ask for the same clip again
        self._shown: tuple[str, int] | None = None  # flight and frame on show
        self._trouble = ""
        self._actions: dict[str, Callable[[], object]] = {}
        self._bindings = BINDINGS
        self._keys = key_table()
        self._pages: dict[str, Page] = {}
        self._told_s = -1  # the second for which the time of day was last told
        self._watch: Watch | None = None  # what is seen of the flight on show
        self._beside = False  # plain and drawn picture side by side
        self.setWindowTitle("Railcrest")
        self.setAccessibleName("Railcrest, replay against the bar")
        self._build()
        self._actions = self._action_table()
        self.resize(1280, 800)
        self._apply_theme()
        self._refresh()
        feed.arrived.connect(self._take, Qt.ConnectionType.QueuedConnection)
        desk.clip_ready.connect(self.show_clip, Qt.ConnectionType.QueuedConnection)
        desk.clip_failed.connect(self._clip_failed, Qt.ConnectionType.QueuedConnection)
        desk.answered.connect(self._answered, Qt.ConnectionType.QueuedConnection)
        desk.ruling_done.connect(self._ruling_done, Qt.ConnectionType.QueuedConnection)
        self._timer = QTimer(self)
        self._timer.setTimerType(Qt.TimerType.PreciseTimer)
        self._timer.timeout.connect(self.tick)
        self._timer.start(TICK_MS)

    # --- building -------------------------------------------------------------------------------

    def _build(self) -> None:
        self.title = ShortLabel(self)
        self.title.setAccessibleName("Session")
        self.title.setProperty("role", "title")
        self.routines = QComboBox(self)
        self.routines.setAccessibleName("Routine")
        self.routines.setAccessibleDescription("Routine whose flights are shown")
        self.routines.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.routines.view().setAccessibleName("Routines")
        self.routines.activated.connect(self._routine_picked)
        self.health = label("Feed", "", self)
        self.health.setWordWrap(False)
        self.menu = QToolButton(self)
        self.menu.setText("Menu")
        self.menu.setAccessibleName("Menu of all actions")
        self.menu.setPopupMode(QToolButton.ToolButtonPopupMode.InstantPopup)
        self.menu.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.help = QPushButton("Keys  ?", self)
        self.help.setAccessibleName("Show the card of keys")
        self.help.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.help.clicked.connect(partial(self.do, "keys"))
        self.stage = PictureView("Picture", with_margin=True, parent=self)
        self.plain = PictureView("Plain picture", with_margin=False, parent=self)
        self.plain.hide()
        self.stage.zoomed.connect(lambda: self.plain.follow(self.stage.map))
        self.hand = HandBar(self)
        self.hand.asked.connect(partial(self.desk.ask, "by hand"))
        self.hand.moved.connect(self._draw_replay)
        self.hand.closed.connect(self._leave_hand)
        self.stage.hand_at.connect(self.hand.drag_to)
        self.stage.hand_off.connect(self.hand.drop)
        self.transport = Transport(self)
        self.transport.asked.connect(self.do)
        self.transport.course.asked.connect(self._freeze)
        self.row_title = label("Which flights", "quiet", self)
        self.row_title.setWordWrap(False)
        self.flights = FlightRow(self)
        self.flights.chosen.connect(self._flight_picked)
        self.small = PictureView("Live picture", with_margin=False, parent=self)
        self.small_title = label("Live", "title", self)
        self.small_title.setText("Live now")
        self.show_bar = ShowBar(self)
        self.show_bar.asked.connect(self.do)
        self.reading = ReadingPanel(self)
        self.ruling = RulingPanel(self)
        self.ruling.ruled.connect(self._rule)
        self.notice = label("True speed first", "notice", self)
        self.notice.setText(words.NOT_AT_TRUE_SPEED)
        self.notice.hide()
        self.caution = label("Caution", "caution", self)
        self.caution.setText(words.CAUTION)
        self.line_words = label("How far off the line may be", "", self)
        self.line_words.setWordWrap(False)
        self.card = KeysCard(self)
        self.card.closed.connect(partial(self.do, "keys"))
        self.prompt = NumberPrompt(self.state, self)
        self.prompt.found.connect(self._number_found)
        self.prompt.closed.connect(self._close_laid_over)
        self.family = FamilyChoice(self)
        self.family.asked.connect(self._ask_family)
        self.family.closed.connect(self._close_laid_over)

        head = QHBoxLayout()
        head.setSpacing(12)
        head.addWidget(self.title)
        head.addWidget(self.routines)
        head.addStretch(1)
        head.addWidget(self.health)
        head.addWidget(self.menu)
        head.addWidget(self.help)
        left = QVBoxLayout()
        left.setSpacing(6)
        pictures = QHBoxLayout()
        pictures.setSpacing(6)
        pictures.addWidget(self.plain)
        pictures.addWidget(self.stage, 1)
        left.addLayout(pictures, 1)
        left.addWidget(self.hand)
        left.addWidget(self.transport)
        left.addWidget(self.row_title)
        left.addWidget(self.flights)
        self.column = QWidget(self)
        right = QVBoxLayout(self.column)
        right.setContentsMargins(0, 0, 0, 0)
        right.setSpacing(8)
        right.addWidget(self.show_bar)
        right.addWidget(self.notice)
        right.addWidget(self.reading, 1)
        beside = QHBoxLayout()
        beside.setSpacing(10)
        beside.addWidget(self.small)
        beside.addWidget(self.small_title, 1, Qt.AlignmentFlag.AlignBottom)
        right.addLayout(beside)
        right.addWidget(self.ruling)
        self.table = QWidget(self)
        middle = QHBoxLayout(self.table)
        middle.setContentsMargins(0, 0, 0, 0)
        middle.setSpacing(14)
        middle.addLayout(left, 1)
        middle.addWidget(self.column)
        foot = QHBoxLayout()
        foot.setSpacing(24)
        foot.addWidget(self.caution)
        foot.addWidget(self.line_words)
        foot.addStretch(1)
        self.time_words = label("Time of day, as information", "quiet", self)
        self.time_words.setWordWrap(False)
        foot.addWidget(self.time_words)
        self.caution.setWordWrap(False)
        whole = QVBoxLayout(self)
        whole.setSizeConstraint(QVBoxLayout.SizeConstraint.SetNoConstraint)
        whole.setContentsMargins(14, 8, 14, 8)
        whole.setSpacing(8)
        whole.addLayout(head)
        self.stack = QStackedWidget(self)
        self.stack.addWidget(self.table)
        whole.addWidget(self.stack, 1)
        whole.addLayout(foot)
        self._own_page("measures", MeasuresPage(self.state, self))
        self._own_page("whole_routine", WholeRoutinePage(self))
        self._own_page("side_by_side", SideBySidePage(self))
        self._show_bindings()
        self._order_tabs()
        self.stage.setFocus()

    def _order_tabs(self) -> None:
        order: list[QWidget] = [self.stage, self.flights, self.routines]
        order += [self.show_bar.button(level) for level in LEVELS]
        order += [self.transport.button(a) for a in ("toggle", "back", "on", *FREEZES)]
        order += [self.transport.button(f"speed_{n}") for n in (1, 2, 4, 8)]
        for before, after in itertools.pairwise(order):
            QWidget.setTabOrder(before, after)

    # --- what other parts add ---------------------------------------------------------------------

    def add_action(self, binding: Binding, run: Callable[[], None]) -> None:
        """Add an action with its keys; menu and card of keys show it.

        Raises:
            ValueError: the action, or one of its keys, is there already.
        """
        bindings = (*self._bindings, binding)
        self._keys = key_table(bindings)
        self._bindings = bindings
        self._actions[binding.action] = run
        self._show_bindings()

    def add_page(self, binding: Binding, page: Page) -> None:
        """Add a page that the binding's keys open and close.

        Raises:
            ValueError: the action, or one of its keys, is there already.
        """
        self.add_action(binding, partial(self._toggle_page, binding.action))
        self._own_page(binding.action, page)

    def _own_page(self, action: str, page: Page) -> None:
        self._pages[action] = page
        self.stack.addWidget(page)
        page.set_theme(self._theme, self._base_px)

    @property
    def page(self) -> Page | None:
        """The page on show; None is the table."""
        shown = self.stack.currentWidget()
        return shown if isinstance(shown, Page) else None

    def show_page(self, action: str | None) -> None:
        """Show the page of an action; None goes back to the table."""
        former, wanted = self.page, self._pages[action] if action is not None else None
        if former is wanted:
            return
        self.stack.setCurrentWidget(self.table if wanted is None else wanted)
        if former is not None:
            former.left()
        if wanted is not None:
            wanted.set_theme(self._theme, self._base_px)
            wanted.setFocus()
            wanted.shown()
            wanted.refresh()
        else:
            self.stage.setFocus()
        self._refresh()

    def _toggle_page(self, action: str) -> None:
        self.show_page(None if self.page is self._pages[action] else action)

    def _show_bindings(self) -> None:
        """Menu and card of keys, from the table."""
        former = self.menu.menu()
        menu = QMenu(self)
        menus = {"": menu}
        for binding in self._bindings:
            if binding.group not in menus:
                menus[binding.group] = menu.addMenu(binding.group)
                menus[binding.group].setAccessibleName(binding.group)
            action = menus[binding.group].addAction(f"{binding.words}\t{key_words(binding)}")
            action.triggered.connect(partial(self.do, binding.action))
        self.menu.setMenu(menu)
        if former is not None:
            former.deleteLater()
        self.card.show_bindings(self._bindings)

    def _action_table(self) -> dict[str, Callable[[], object]]:
        return {
            "toggle": partial(self._replay, lambda loop: loop.toggle()),
            "back": partial(self._replay, lambda loop: loop.step(-1)),
            "on": partial(self._replay, lambda loop: loop.step(1)),
            "first": partial(self._replay, lambda loop: loop.step(-1_000_000)),
            "last": partial(self._replay, lambda loop: loop.step(1_000_000)),
            "again": partial(self._replay, lambda loop: loop.restart()),
            **{action: partial(self._speed, speed) for action, speed in SPEEDS.items()},
            "programme": partial(self._speed, None),
            **{name: partial(self._moment, name) for name in FREEZES},
            "picture": self._toggle_plain,
            "beside": self._toggle_beside,
            "line": partial(self._show, "line"),
            "height": partial(self._show, "height"),
            "band": partial(self._show, "band"),
            "previous": partial(self._neighbour, -1),
            "next": partial(self._neighbour, 1),
            "newest": self._newest,
            **{name: partial(self._toggle_page, name) for name in self._pages},
            "family": self._open_family,
            "by_hand": self._set_by_hand,
            "ended": self._ended,
            "number": self.prompt.open,
            **{f"flight_{n}": partial(self._flight_numbered, n) for n in range(1, 10)},
            "routine_before": partial(self._neighbour_routine, -1),
            "routine_after": partial(self._neighbour_routine, 1),
            "live": self._escape,
            **{action: partial(self.stage.steer, action) for action in MOVES},
            "ruling": lambda: self.ruling.take_focus(),
            "theme": self._other_theme,
            "full": self._full,
            "keys": self._toggle_card,
            "quit": self._quit,
        }

    # --- what came ------------------------------------------------------------------------------

    @Slot()
    def _take(self) -> None:
        bundle = self.feed.take()
        before = self.state.scene
        for record in bundle.records:
            self.state.apply(record)
        self._picture = bundle.picture or self._picture
        self._pose = bundle.pose or self._pose
        self._heartbeat = bundle.heartbeat or self._heartbeat
        scene = self.state.scene
        if scene is not None and scene is not before:
            self.stage.set_picture_size(scene.picture)
            self.small.set_picture_size(scene.picture)
            self.plain.set_picture_size(scene.picture)
            self._share_width()
        if bundle.records:
            self._fetch()
            self._refresh()
        elif bundle.picture or bundle.pose:
            self._draw_live()
        self._draw_health()

    def _fetch(self, again: bool = False) -> None:
        """Ask for the chosen flight's clip, once it is over or the judge asked for it."""
        reading = self.state.reading
        if reading is None or (reading.state == "provisional" and self.state.following):
            return
        key = (reading.flight, reading.state)
        if again or key != self._asked:
            self._tries = 0 if key != self._asked else self._tries
            self._asked, self._again_ns = key, None
            about = {"before_ns": BEFORE_NS, "after_ns": after_ns(reading)}
            self.desk.fetch(ClipRequest(flight=reading.flight, **about))

    def _ask_again(self) -> None:
        """Ask for the same clip once more in a moment, a few times at most."""
        if self._tries < TRIES:
            self._tries += 1
            self._again_ns = self.clock.now_ns() + AGAIN_NS

    @Slot(str, object)
    def show_clip(self, flight: str, store: FrameStore[av.VideoFrame]) -> None:
        """Show a flight's recorded frames, if it is still the chosen one."""
        reading = self.state.reading
        if flight != self.state.flight or reading is None:
            return
        if self._loop is not None and flight == self._store_flight:
            self._loop.extend(store.times_ns)
        else:
            self._loop = Loop(store.times_ns, self.clock)
            self._loop.restart()
        self._store, self._store_flight = store, flight
        self._shown = None
        self._trouble = ""
        # A reading settles before the pictures after the flight are all on the disk.
        if store.end_ns < reading.end_ns + after_ns(reading) * 3 // 4:
            self._ask_again()
        self._refresh()

    @Slot(str, str)
    def _clip_failed(self, flight: str, why: str) -> None:
        if flight == self.state.flight:
            self._ask_again()
            self._trouble = f"The recorded pictures of this flight cannot be shown: {why}"
            self._refresh()

    @Slot(object, str)
    def _ruling_done(self, ruling: Ruling, refused: str) -> None:
        if ruling.flight != self.state.flight:
            return
        if refused:
            self.ruling.say(f"Not recorded: {refused}")
        elif ruling.flight not in self.state.rulings:
            self.ruling.say("Accepted, waiting for the record.")

    # --- what the judge does --------------------------------------------------------------------

    def do(self, action: str) -> None:
        """Carry out an action of the table of keys."""
        if self._watch is not None and action not in UNSEEING:
            self._watch.touched = True
        page = self.page
        if page is not None and action not in ("live", "keys", "quit") and page.do(action):
            return
        self._actions[action]()

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        action = self._keys.get(pressed_key(event))
        if action is None:
            super().keyPressEvent(event)
        else:
            self.do(action)

    @property
    def in_replay(self) -> bool:
        """Whether the large picture is the replay; otherwise it is live."""
        return not self._held_live and self._loop is not None and self._store_flight == self.state.flight

    @property
    def loop(self) -> Loop | None:
        """The replay's clock, if a clip is there."""
        return self._loop if self._store_flight == self.state.flight else None

    def _replay(self, change: Callable[[Loop], None]) -> None:
        if self.loop is None:
            return
        self._held_live = False
        change(self.loop)
        self._refresh()

    def _speed(self, speed: Fraction | None) -> None:
        def change(loop: Loop) -> None:
            loop.choose_speed(speed)
            loop.play()

        self._replay(change)

    def _moment(self, name: str) -> None:
        reading = self.state.reading
        t_ns = moment_ns(reading, name) if reading is not None else 0
        if t_ns:
            self._freeze(t_ns)
            if self._watch is not None:
                self._watch.froze(
                    "apex" if name == "apex" else words.end_word(reading) if name == "end" else name
                )

    def _freeze(self, t_ns: int) -> None:
        self._replay(lambda loop: loop.freeze(t_ns))
        if self._watch is not None:
            self._watch.touched = True

    def _rule(self, ruling: Ruling) -> None:
        self._turn_away()
        self.desk.rule(ruling)

    def _mind_watch(self) -> None:
        """Begin to watch what has come on show, and hand in what was seen of what has left it."""
        reading = self.state.reading if self.in_replay and self.page is None else None
        if self._watch is not None and (reading is None or self._watch.flight != reading.flight):
            self._turn_away()
        if self._watch is None and reading is not None:
            assert self._store is not None
            span_ns = self._store.end_ns - self._store.begin_ns
            self._watch = Watch(reading.flight, reading.routine, span_ns, self.clock)
            self._watch.touched = not self.state.following

    def _turn_away(self) -> None:
        """Hand in what was seen of the flight on show."""
        self.hand_in(self._watch)
        self._watch = None

    def hand_in(self, watch: Watch | None) -> None:
        """Put on record what was seen."""
        look = watch.look(self.ruling.by) if watch is not None else None
        if look is not None:
            self.desk.ask("look", LookRequest(look=look))

    def _show(self, level: str) -> None:
        for own in LEVELS:
            if own == level:
                self.state.show(own)
        self._refresh()

    def _open_family(self) -> None:
        if self.state.reading is not None:
            self.family.open(self.state.reading)

    def _ask_family(self, request: FamilyRequest) -> None:
        self.desk.ask("family", request)

    @Slot(str, object, object)
    def _answered(self, tag: str, request: object, what: object) -> None:
        if tag == "family" and self.family.isVisible():
            if isinstance(what, Accepted):
                self._close_laid_over()
            else:
                self.family.say(f"Not changed: {refusal(what)}")
        if tag == "by hand" and isinstance(request, CorrectionRequest):
            self._by_hand_answered(request, what)

    # --- by hand --------------------------------------------------------------------------------

    def _set_by_hand(self) -> None:
        """Let the panel set hips or bar in the frozen picture; the top of the flight, if it was playing."""
        reading, loop, scene = self.state.reading, self.loop, self.state.scene
        if reading is None or loop is None or scene is None or not self.in_replay:
            return
        if not includes(scene.policy, "height"):
            self.ruling.say("Heights are not shown at this meet, and not corrected.")
            return
        if reading.state == "withheld" or reading.apex is None or reading.drawing is None:
            self.ruling.say("Nothing was measured that could be corrected.")
            return
        if self.page is not None:
            self.show_page(None)
        if not includes(self.state.level, "height"):
            self.state.show("height")
        if loop.playing:
            self._moment("apex")
        assert self._store is not None
        self.state.choose(reading.flight)  # a newer flight must not take its place meanwhile
        self.stage.sets = True
        self.stage.setCursor(Qt.CursorShape.CrossCursor)
        held = self.state.corrections.get(reading.flight)
        self.hand.by = self.ruling.by
        if self.stage.map.zoom == 1.0:
            self.stage.fill(reading.drawing.apex)
        self.hand.open(reading, self._store.times_ns[loop.index], self._screen_px, held)
        self._refresh()

    def _screen_px(self) -> float:
        """Screen px per picture px."""
        return self.stage.map.scale / self.stage.devicePixelRatioF()

    def _leave_hand(self) -> None:
        self.hand.close_()
        self.stage.sets = False
        self.stage.unsetCursor()
        self._frame()
        self.stage.setFocus()
        self._refresh()

    def _by_hand_answered(self, request: CorrectionRequest, what: object) -> None:
        if self.hand.marks is None or request.flight != self.state.flight:
            return
        if not isinstance(what, Correction):
            self.hand.say(f"No height follows: {refusal(what)}")
        elif request.keep:
            self._leave_hand()
        elif what.height is not None and what.measured is not None:
            measured = words.height_words(what.measured)
            self.hand.say(f"Follows: {words.height_words(what.height)}. Measured: {measured}.")

    def _hand_marks(self, reading: Reading, index: int) -> HandMarks | None:
        """What was, or is being, set by hand, as far as it belongs into this picture."""
        if self.hand.marks is not None:
            if self._store is not None:
                self.hand.in_picture(self._store.times_ns[index])
            return self.hand.marks
        held = self.state.corrections.get(reading.flight)
        if held is None or held.height is None or self._store is None:
            return None
        here = self._store.nearest(held.t_ns) == index
        return HandMarks(held.hips if here else None, held.line_px)

    def _toggle_plain(self) -> None:
        if self._beside:
            self._toggle_beside()
            self.state.show("picture")
        else:
            self.state.toggle_plain()
        self._refresh()

    def _toggle_beside(self) -> None:
        self._beside = not self._beside
        self.plain.setVisible(self._beside)
        if self._beside and self.state.level == "picture":
            self.state.show(self.state.drawn_level)
        self._share_width()
        self._frame()
        self._refresh()

    def _frame(self) -> None:
        """Show the whole picture; beside another, so much of it as fills the height, around the flight."""
        if not self._beside:
            self.stage.whole()
            return
        reading = self.state.reading
        drawing = reading.drawing if reading is not None else None
        for view in (self.stage, self.plain):
            view.fill(drawing.apex if drawing is not None else None)

    def _flight_numbered(self, number: int) -> None:
        reading = self.state.numbered(number)
        if reading is not None:
            self._flight_picked(reading.flight)

    def _ended(self) -> None:
        routine = self.state.ended
        if routine is not None:
            self._routine_picked_by_number(routine.routine)

    def _number_found(self, routine: int) -> None:
        self._close_laid_over()
        self._routine_picked_by_number(routine)

    def _close_laid_over(self) -> None:
        """Close what is laid over the window, and give the keyboard back."""
        for laid in (self.prompt, self.family):
            laid.hide()
        (self.page or self.stage).setFocus()

    def _routine_picked_by_number(self, routine: int) -> None:
        self.state.choose_routine(routine)
        self._choice_changed()

    def _choice_changed(self) -> None:
        if self.hand.marks is not None:
            self._leave_hand()
        self._held_live = False
        self._trouble = ""
        self._fetch(again=self._store_flight != self.state.flight)
        if self.loop is not None:
            self.loop.restart()
        self._frame()
        self._refresh()

    def _flight_picked(self, flight: str) -> None:
        self.state.choose(flight)
        self._choice_changed()

    def _neighbour(self, by: int) -> None:
        flight = self.state.neighbour(by)
        if flight is not None and (flight != self.state.flight or self._held_live):
            self._flight_picked(flight)

    def _newest(self) -> None:
        self.state.follow()
        self._choice_changed()

    def _routine_picked(self, place: int) -> None:
        self._routine_picked_by_number(self.routines.itemData(place))

    def _neighbour_routine(self, by: int) -> None:
        place = self.routines.currentIndex() + by
        if 0 <= place < self.routines.count():
            self._routine_picked(place)

    def _escape(self) -> None:
        if self.card.isVisible():
            self._toggle_card()
            return
        if self.hand.marks is not None:
            self._leave_hand()
            return
        if self.page is not None:
            self.show_page(None)
            return
        self._held_live = True
        self.stage.setFocus()
        self._refresh()

    def _toggle_card(self) -> None:
        self.card.setVisible(not self.card.isVisible())
        self.card.place()
        self.card.raise_()

    def _other_theme(self) -> None:
        self.set_theme(DARK if self._theme is LIGHT else LIGHT)

    def _quit(self) -> None:
        self.close()

    def _full(self) -> None:
        self.setWindowState(self.windowState() ^ Qt.WindowState.WindowFullScreen)

    # --- drawing --------------------------------------------------------------------------------

    @Slot()
    def tick(self) -> None:
        """Show the frame that is due, and look whether the feed still lives."""
        if (page := self.page) is not None:
            page.tick()
        loop = self.loop
        if self.in_replay and loop is not None and self.page is None:
            if self._watch is not None:
                self._watch.saw(loop.position_ns, loop.playing, loop.speed, self.state.level)
            if loop.playing:
                self._draw_replay()
            self._draw_notice()
        self._draw_time()
        lost = self._is_lost()
        if lost or lost != self._lost:
            self._draw_health()
        if self._again_ns is not None and self.clock.now_ns() >= self._again_ns:
            self._fetch(again=True)
        if self.state.scene is None:
            self._draw_live()  # says what it waits for
        if lost != self._lost:
            self._lost = lost
            if not lost and self._trouble:
                self._fetch(again=True)
            self._refresh()

    def _is_lost(self) -> bool:
        heard_ns = self.feed.heard_ns
        return heard_ns is not None and self.clock.now_ns() - heard_ns > SILENCE_NS

    def _refresh(self) -> None:
        """Bring the whole window up to date."""
        state, scene = self.state, self.state.scene
        level = state.level
        self.title.setText(scene.title if scene else "Waiting for the session")
        self.title.setToolTip(self.title.text())
        self._fill_routines()
        self.show_bar.show_level(level, scene.policy if scene else "picture")
        by_hand = {c.flight for c in state.corrections.values() if c.height is not None}
        self.flights.show_flights(state.flights(), state.flight, level, state.rulings, by_hand)
        self.plain.setVisible(self._beside)
        for part in (self.transport, self.row_title, self.flights):  # a large picture to set by hand in
            part.setVisible(self.hand.marks is None)
        self.reading.show_reading(state.reading, level, scene)
        self.reading.show_correction(state.corrections.get(state.flight or ""), level)
        self.ruling.show_flight(state.flight, state.rulings.get(state.flight) if state.flight else None)
        self.line_words.setText(words.line_sentence(scene))
        follow = "The newest is chosen by itself." if state.following else "Your choice stays; N: newest."
        self.row_title.setText(f"Flights of this routine. {follow}")
        self.ruling.show_looks([look for look in state.looks if look.flight == state.flight])
        self._mind_watch()
        self._draw_notice()
        self._draw_health()
        self._draw_live()
        if self.in_replay:
            self._draw_replay()
        self._fit_column()
        if (page := self.page) is not None:
            page.refresh()
        self.changed.emit()

    def _fill_routines(self) -> None:
        listed = [(words.routine_words(r), r.routine) for _, r in sorted(self.state.routines.items())]
        now = [(self.routines.itemText(i), self.routines.itemData(i)) for i in range(self.routines.count())]
        if listed != now:
            self.routines.clear()
            for text, routine in listed:
                self.routines.addItem(text, routine)
        self.routines.setVisible(bool(listed))
        self.routines.setCurrentIndex(
            next((i for i, (_, routine) in enumerate(listed) if routine == self.state.routine), -1)
        )

    def _draw_notice(self) -> None:
        """Say that true speed comes first, where it did not; nothing is forbidden."""
        state, loop = self.state, self.loop
        early = loop is not None and (loop.speed != 1 or not loop.playing or state.level != "picture")
        said = (
            early
            and self.in_replay
            and state.scene is not None
            and not state.scene.training
            and not seen_at_true_speed(state.looks, state.flight or "", self._watch)
        )
        if said == self.notice.isHidden():
            self.notice.setVisible(said)
            self._fit_column()

    def _draw_time(self) -> None:
        second = self.clock.now_ns() // 1_000_000_000
        if second == self._told_s:
            return
        self._told_s = second
        ended = self.state.ended
        newest = self._picture.t_ns if self._picture is not None else None
        ago = None
        if ended is not None and ended.end_ns is not None and newest is not None and not self._is_lost():
            ago = newest - ended.end_ns
        text = words.clock_sentence(self.wall().strftime("%H:%M:%S"), ago)
        if text != self.time_words.text():
            self.time_words.setText(text)

    def _draw_health(self) -> None:
        text, alarm = self._health()
        if text != self.health.text():
            self.health.setText(text)
        role = "alarm" if alarm else "quiet"
        changed = self.health.property("role") != role
        if changed:
            self.health.setProperty("role", role)
            self.health.style().unpolish(self.health)
            self.health.style().polish(self.health)
            self.health.updateGeometry()
        if (alarm or changed) and not self.in_replay:
            self._draw_live()

    def _health(self) -> tuple[str, bool]:
        """What is said of the feed, and whether it calls for attention."""
        beat, feed = self._heartbeat, self.feed
        if feed.heard_ns is None:
            return "No feed yet", False
        age = self.clock.now_ns() - feed.picture_ns if feed.picture_ns is not None else None
        if self._is_lost():
            return words.feed_lost_sentence(age), True
        if beat is None:
            return "Feed running", False
        if beat.feed == "lost":
            return f"Camera lost. Last picture {words.age_words(beat.picture_age_ns)} ago.", True
        if beat.feed == "ended":
            return "The recording has ended", False
        if self.state.start_list is not None and self.state.start_list.paused:
            return f"Paused. {self.state.start_list.paused}", False
        if beat.camera:
            return words.camera_sentence(beat.camera), True
        if beat.space_s is not None and beat.space_s < SPACE_SHORT_S:
            return f"Feed running. {words.space_sentence(beat.space_s)}", True
        return words.feed_sentence(beat), False

    def _live_layers(self) -> Layers:
        text, alarm = self._health()
        scene = self.state.scene
        beat = self._heartbeat
        stale = self._lost or (beat is not None and beat.feed == "lost")
        told = stale or (beat is not None and bool(beat.camera))
        pose = self._pose
        if pose is not None and self._picture is not None:
            pose = pose if abs(pose.t_ns - self._picture.t_ns) < SAME_MOMENT_NS else None
        return Layers(
            level=self.state.level,
            lines=scene.lines if scene else (),
            pose=pose,
            banner=text if alarm and told else "",
            stale=stale,
            empty="No live picture yet" if scene else f"Waiting for the session. {self.feed.trouble}",
        )

    def _draw_live(self) -> None:
        image = self._picture.image if self._picture else None
        layers = self._live_layers()
        if self.in_replay:
            self.small.show_image(image)
            self.small.show_layers(Layers(empty=layers.empty, stale=layers.stale))
            return
        self._shown = None
        if self._trouble and not layers.banner and not self._held_live:
            layers = replace(layers, banner=self._trouble)
        self.stage.show_image(image)
        self.stage.show_layers(layers)
        if self._beside:
            self.plain.show_image(image)
            self.plain.show_layers(Layers(empty=layers.empty, stale=layers.stale))
        self.reading.show_moment("")
        self.transport.show_live(can_replay=self.loop is not None)

    def _draw_replay(self) -> None:
        store, loop, reading = self._store, self.loop, self.state.reading
        if store is None or loop is None or reading is None:
            return
        index = loop.index
        t_ns = store.times_ns[index]
        if self._shown != (reading.flight, index):
            self._shown = (reading.flight, index)
            self.stage.show_image(frame_image(store.frames[index]))
        if self._beside:
            self.plain.show_image(self.stage.image)
            self.plain.show_layers(Layers(moving=loop.playing))
        scene = self.state.scene
        withheld = reading.state == "withheld"
        self.stage.show_layers(
            Layers(
                level=self.state.level,
                lines=scene.lines if scene else (),
                drawing=reading.drawing,
                height=None if withheld else reading.apex,
                t_ns=t_ns,
                moving=loop.playing,
                by_hand=self._hand_marks(reading, index),
            )
        )
        if self.reading.show_moment("" if loop.playing else self._moment_words(reading, index)):
            self._fit_column()
        missing = store.missing()
        pictures = f"{len(store)} pictures, " + (f"{missing} missing" if missing else "none missing")
        course = Course(store.begin_ns, store.end_ns, t_ns, moments(reading))
        self.transport.show_replay(
            course, loop.speed, loop.playing, loop.views, words.end_word(reading), pictures
        )

    def _moment_words(self, reading: Reading, index: int) -> str:
        """What is said of the moment on show, other than the apex, where the level allows heights."""
        if reading.state == "withheld" or not includes(self.state.level, "height") or self._store is None:
            return ""
        for moment in reading.moments:
            if moment.name != "apex" and self._store.nearest(moment.t_ns) == index:
                return words.moment_sentence(moment)
        return ""

    # --- theme and Qt's events ------------------------------------------------------------------

    def set_theme(self, theme: Theme) -> None:
        """Change to another sheet."""
        self._theme = theme
        self._base_px = 0
        self._apply_theme()
        self._share_width()
        self._refresh()

    def _apply_theme(self) -> None:
        base = base_size_px(self.width(), self.height(), self._system_px)
        if base == self._base_px:
            return
        self._base_px = base
        self.setPalette(self._theme.palette())
        self.setStyleSheet(self._theme.sheet(base))
        self.stage.set_theme(self._theme, base)
        self.small.set_theme(self._theme, max(14, round(0.9 * base)))
        self.plain.set_theme(self._theme, base)
        self.prompt.set_theme(self._theme, base)
        self.family.set_theme(self._theme, base)
        self.hand.set_theme(self._theme, base)
        for page in self._pages.values():
            page.set_theme(self._theme, base)
        self.transport.set_theme(self._theme, base)
        self.flights.set_theme(self._theme, base)
        self.reading.set_theme(self._theme, base)
        self.card.set_theme(self._theme, base)

    def _share_width(self) -> None:
        """Give the words the width that the picture, limited by its height, leaves free."""
        base, (across, down) = self._base_px, self.stage.picture_size
        self.layout().activate()  # type: ignore[union-attr]
        picture = round(self.stage.height() * across / down) + self.stage.margin_px
        column = min(self.width() - 42 - max(picture, self.transport.sizeHint().width()), 30 * base)
        column = max(column, round(21.5 * base))
        column = round(21.5 * base) if self._beside else column
        self.column.setFixedWidth(column)
        if self._beside:
            left = self.table.width() - column - 14
            self.plain.setFixedWidth(max(160, (left - self.stage.margin_px - 6) // 2))

    def _fit_column(self) -> None:
        """Let what must be read have its room: the live picture gives way first, lesser words after it."""
        layout = self.column.layout()
        if layout is None:
            return
        base, (across, down), width = self._base_px, self.stage.picture_size, self.column.width()
        self.reading.set_width(width)
        layout.setSpacing(8)
        reading = self.reading
        reading.set_spacing(6)
        lesser = [reading.hint, self.ruling.looks, reading.family]  # in the order in which they give way
        if reading.state.text() == "settled":
            lesser.insert(2, reading.state)
        for part in lesser:
            part.setVisible(bool(part.text()) and not (part is reading.hint and reading.moment.text()))
        live = (self.small, self.small_title)
        for view in live:
            view.setVisible(self.in_replay)
        least = round(4.5 * base)
        if self.in_replay:
            self.small.setFixedSize(round(least * across / down), least)

        def over() -> int:
            self.reading.height_words.ensurePolished()
            forget_sizes(layout)
            return layout.heightForWidth(width) - self.column.height()

        if over() > 0:
            for view in live:
                view.hide()
        for part in lesser:
            if over() > 0:
                part.hide()
        if over() > 0:
            layout.setSpacing(4)
            reading.set_spacing(2)
        for share in (0.8, 0.6):
            if over() > 0:
                self.reading.set_width(round(share * width))
        if self.small.isVisibleTo(self):
            most = round((width - 5 * base) * down / across)
            height = min(most, least + max(0, -over()))
            self.small.setFixedSize(round(height * across / down), height)

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802
        self._apply_theme()
        self._share_width()
        self._fit_column()
        if self.card.isVisible():
            self.card.place()
        for laid in (self.prompt, self.family):
            if laid.isVisible():
                laid.place()

    def closeEvent(self, event: QCloseEvent) -> None:  # noqa: N802
        self._timer.stop()
        self._turn_away()
        self.closing.emit()
        event.accept()


def after_ns(reading: Reading) -> int:
    """How long is replayed after the flight's end: on to the start of the down-swing, if need be."""
    return max(AFTER_NS, moment_ns(reading, "down_swing") - reading.end_ns + SWING_NS)


def moment_ns(reading: Reading, name: str) -> int:
    """When a moment was, by the name of its freezing action; 0 when the reading does not have it."""
    plain = {"release": reading.release_ns, "apex": reading.apex_ns, "end": reading.end_ns}
    if name in plain:
        return plain[name]
    return next((m.t_ns for m in reading.moments if m.name == name), 0)


def moments(reading: Reading) -> tuple[tuple[str, int], ...]:
    """The moments that can be frozen at, in short words, in order of time."""
    short = {"apex": "top", "end": words.end_word(reading), "down_swing": "swing"}
    named = ((short.get(name, name), moment_ns(reading, name)) for name in FREEZES)
    return tuple(sorted(((name, t_ns) for name, t_ns in named if t_ns), key=lambda m: m[1]))

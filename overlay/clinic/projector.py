"""The projector's window: clips as agreed, then, once the marks are locked, what there is to see.

The teacher steers it with the keyboard or a presenter's remote. While a clip is shown for marking
nothing but the plain picture is on the screen, at the agreed speed and as often as agreed; while
marks are given, not even that.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from functools import partial
from typing import Final

import segno
from PySide6.QtCore import Qt, QTimer, Signal
from PySide6.QtGui import QCloseEvent, QImage, QKeyEvent, QPixmap, QResizeEvent
from PySide6.QtWidgets import QHBoxLayout, QLabel, QStackedWidget, QVBoxLayout, QWidget

from bridge.clock import Clock
from bridge.errors import RailcrestError
from bridge.messages import Policy
from overlay import words
from overlay.clinic.practice import (
    NS,
    Asked,
    Ended,
    Event,
    Locked,
    Practice,
    Reveal,
    Revealed,
    State,
    Viewed,
    room_view,
)
from overlay.clinic.shelf import Ready, Shelf
from overlay.clinic.spread import SpreadView
from overlay.clinic.steps import points
from overlay.panel import ReadingPanel, label
from overlay.picture import Layers, PictureView
from overlay.pixels import ClipError, frame_image
from overlay.replay import Loop
from overlay.theme import DARK, LIGHT, Theme, base_size_px
from overlay.transport import SPEEDS
from overlay.window import pressed_key

TICK_MS: Final = 8
PAUSE_NS: Final = NS  # between two views of one clip
KEYS: Final[dict[str, tuple[str, ...]]] = {
    "go": ("Space", "Return", "Enter", "PgDown"),
    "lock": ("K",),
    "on": ("N",),
    "end": ("Ctrl+E",),
    "reveal_before": ("Up", "PgUp"),
    "reveal_after": ("Down",),
    "again": ("A",),
    "speed_1": ("1",),
    "speed_2": ("2",),
    "speed_4": ("3",),
    "speed_8": ("4",),
    "picture": ("P",),
    "line": ("L",),
    "height": ("H",),
    "band": ("B",),
    "release": ("R",),
    "apex": ("T",),
    "finish": ("E",),
    "back": ("Left", ","),
    "forward": ("Right", "."),
    "theme": ("D",),
    "full": ("F", "F11"),
    "leave_full": ("Esc",),
    "quit": ("Ctrl+Q",),
}
_HINTS: Final = {
    "waiting": "Space: first clip",
    "viewing": "",
    "marking": "K: lock now    Space: lock when all have marked",
    "locked": "Space: reveal    N: next clip without revealing",
    "between": "Space: next clip",
    "reveal": "Space: next clip   A: again   1 2 3 4: speed   P L H B: show   R T E: freeze   ← →: step   "
    "↑ ↓: other reveals",
    "ended": "↑ ↓: other reveals    Ctrl Q: close",
}
_LEVELS: Final[tuple[Policy, ...]] = ("picture", "line", "height", "band")


class Projector(QWidget):
    """The projector's window over one practice. It owns no thread.

    Args:
        practice: what is shown and steered; the room's page may steer it, too.
        shelf: gives the clips.
        clock: for playing; the practice has its own.
        address: where markers go, and with the room code, for the QR code.
    """

    closing = Signal()

    def __init__(
        self,
        practice: Practice,
        shelf: Shelf,
        clock: Clock,
        address: str = "",
        join_url: str = "",
        theme: Theme = LIGHT,
    ) -> None:
        super().__init__()
        self._practice, self._shelf, self._clock = practice, shelf, clock
        self._theme, self._base_px = theme, 0
        self._state: State = practice.state
        self._version = -1
        self._showing: tuple[int, int] | None = None  # number and view under way
        self._shown_reveal: int | None = None
        self._clip = ""  # on the stage, or to be
        self._ready: Ready | None = None
        self._loop: Loop | None = None
        self._frame: int | None = None
        self._after_ns: int | None = None  # when the pause after a view is over
        self._level: Policy = "band"
        self._trouble = ""
        self._keys = {key: action for action, keys in KEYS.items() for key in keys}
        self._actions = self._action_table()
        self.setWindowTitle("Railcrest practice")
        self.setAccessibleName("Practice, projector")
        self._build(address, join_url)
        self.resize(1280, 800)
        self._apply_theme()
        self.tick()
        self._timer = QTimer(self)
        self._timer.setTimerType(Qt.TimerType.PreciseTimer)
        self._timer.timeout.connect(self.tick)
        self._timer.start(TICK_MS)

    # --- building -------------------------------------------------------------------------------

    def _build(self, address: str, join_url: str) -> None:
        self.title = label("Practice", "title", self)
        self.where = label("Which clip", "title", self)
        self.where.setAlignment(Qt.AlignmentFlag.AlignRight)
        self.stage = PictureView("Clip", with_margin=True, parent=self)
        self.sheet = QStackedWidget(self)
        self.sheet.addWidget(self._door(address, join_url))
        self.sheet.addWidget(self.stage)
        self.wait = label("What to do", "huge", self)
        self.wait.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self.sheet.addWidget(self.wait)
        self.column = QWidget(self)
        self.heading = label("Reveal", "band", self)
        self.spread = SpreadView(self)
        self.few = label("Why there is no spread", "quiet", self)
        self.reference = label("Reference", "", self)
        self.reading = ReadingPanel(self)
        side = QVBoxLayout(self.column)
        side.setContentsMargins(0, 0, 0, 0)
        side.setSpacing(10)
        for part in (self.heading, self.spread, self.few, self.reference):
            side.addWidget(part)
        side.addWidget(self.reading, 1)
        self.said = label("State", "", self)
        self.hint = label("Keys", "quiet", self)
        self.caution = label("Caution", "caution", self)
        self.caution.setText(words.CAUTION)
        self.caution.setWordWrap(False)
        head = QHBoxLayout()
        head.addWidget(self.title, 1)
        head.addWidget(self.where, 1)
        middle = QHBoxLayout()
        middle.setSpacing(18)
        middle.addWidget(self.sheet, 1)
        middle.addWidget(self.column)
        foot = QHBoxLayout()
        foot.setSpacing(24)
        foot.addWidget(self.caution)
        foot.addWidget(self.hint, 1)
        whole = QVBoxLayout(self)
        whole.setSizeConstraint(QVBoxLayout.SizeConstraint.SetNoConstraint)
        whole.setContentsMargins(18, 10, 18, 10)
        whole.addLayout(head)
        whole.addLayout(middle, 1)
        whole.addWidget(self.said)
        whole.addLayout(foot)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)

    def _door(self, address: str, join_url: str) -> QWidget:
        """How to come in: address, code and QR code."""
        page = QWidget(self)
        self.join = label("Where to join", "huge", page)
        self.join.setText(
            f"Join at\n{address}\nRoom code  {self._state.plan.room_code}"
            if address
            else "Marks are given on paper today"
        )
        self.present = label("How many are in", "band", page)
        self.code = QLabel(page)
        self.code.setAccessibleName("QR code of the address with the room code")
        self.code.setAlignment(Qt.AlignmentFlag.AlignCenter)
        if join_url:
            drawn = io.BytesIO()
            segno.make(join_url, error="m").save(drawn, kind="png", scale=12, border=4)
            self.code.setPixmap(QPixmap.fromImage(QImage.fromData(drawn.getvalue())))
        words_side = QVBoxLayout()
        words_side.addStretch(1)
        words_side.addWidget(self.join)
        words_side.addWidget(self.present)
        words_side.addStretch(1)
        row = QHBoxLayout(page)
        row.addLayout(words_side, 1)
        row.addWidget(self.code)
        return page

    def _action_table(self) -> dict[str, Callable[[], None]]:
        return {
            "go": self._go,
            "lock": lambda: self._step(Locked(number=self._state.number)),
            "on": self._next_clip,
            "end": lambda: self._step(Ended()),
            "reveal_before": partial(self._other_reveal, -1),
            "reveal_after": partial(self._other_reveal, 1),
            "again": partial(self._replay, lambda loop: loop.restart()),
            **{action: partial(self._speed, speed) for action, speed in SPEEDS.items()},
            **{level: partial(self._show_level, level) for level in _LEVELS},
            "release": partial(self._freeze, "release_ns"),
            "apex": partial(self._freeze, "apex_ns"),
            "finish": partial(self._freeze, "end_ns"),
            "back": partial(self._replay, lambda loop: loop.step(-1)),
            "forward": partial(self._replay, lambda loop: loop.step(1)),
            "theme": self._other_theme,
            "full": lambda: self.showNormal() if self.isFullScreen() else self.showFullScreen(),
            "leave_full": lambda: self.showNormal() if self.isFullScreen() else None,
            "quit": lambda: QTimer.singleShot(0, self.close),
        }

    # --- what the teacher does --------------------------------------------------------------------

    def do(self, action: str) -> None:
        """Carry out an action of the table of keys."""
        self.tick()  # what is on the screen may be a moment old
        self._actions[action]()
        self.tick()

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        action = self._keys.get(pressed_key(event))
        if action is None or (event.isAutoRepeat() and action not in ("back", "forward")):
            super().keyPressEvent(event)
        else:
            self.do(action)

    @property
    def revealing(self) -> Reveal | None:
        """What is revealed on the screen now."""
        return room_view(self._state, self._practice.now_ns()).reveal

    def _go(self) -> None:
        """The next thing: first clip, lock, reveal, next clip, end."""
        state = self._state
        if state.phase == "marking":
            marked = sum(1 for _, number in state.marks if number == state.number)
            on_screens = len(state.codes) - len(state.paper)
            if marked < on_screens or not on_screens:
                self._trouble = f"{marked} of {on_screens} have marked; K locks now"
                return
            self._step(Locked(number=state.number))
        elif state.phase == "locked" and self.revealing is None and self._may_reveal(state.number):
            self._step(Revealed(number=state.number))
        elif state.phase in ("waiting", "locked"):
            self._next_clip()
        elif state.phase == "viewing" and not self._clip:  # it cannot be shown: leave it without marks
            for view in range(state.view + 1, state.plan.views + 1):
                self._step(Viewed(number=state.number, view=view))
            self._step(Asked(number=state.number))
            self._step(Locked(number=state.number))

    def _may_reveal(self, number: int) -> bool:
        return number in room_view(self._state, self._practice.now_ns()).revealable

    def _next_clip(self) -> None:
        state = self._state
        if state.phase not in ("waiting", "locked"):
            return
        if state.number < len(state.plan.showings):
            self._step(Viewed(number=state.number + 1, view=1))
        else:
            self._step(Ended())

    def _other_reveal(self, by: int) -> None:
        view = room_view(self._state, self._practice.now_ns())
        if view.phase not in ("locked", "ended") or not view.revealable:
            return
        now = view.reveal.number if view.reveal else 0
        below = [n for n in view.revealable if n < now]
        above = [n for n in view.revealable if n > now]
        wanted = (below[-1:] if by < 0 else above[:1]) or ([] if now else list(view.revealable[:1]))
        for number in wanted:
            self._step(Revealed(number=number))

    def _step(self, event: Event) -> None:
        self._trouble = ""
        try:
            self._practice.do(event)
        except RailcrestError as error:
            self._trouble = str(error)

    def _replay(self, change: Callable[[Loop], None]) -> None:
        if self._loop is not None and self.revealing is not None:
            change(self._loop)

    def _speed(self, speed: Fraction) -> None:
        def choose(loop: Loop) -> None:
            loop.choose_speed(speed)
            loop.play()

        self._replay(choose)

    def _freeze(self, moment: str) -> None:
        if self._ready is not None:
            t_ns = int(getattr(self._ready.copy.reading, moment))
            self._replay(lambda loop: loop.freeze(t_ns))

    def _show_level(self, level: Policy) -> None:
        if self.revealing is not None:
            self._level = level
            self._frame = None

    def _other_theme(self) -> None:
        self._theme = DARK if self._theme is LIGHT else LIGHT
        self._base_px = 0
        self._apply_theme()

    # --- the clock ------------------------------------------------------------------------------

    def tick(self) -> None:
        """Follow the practice and play on."""
        version = self._practice.version
        if version != self._version:
            self._version, self._state = version, self._practice.state
            self._follow()
        self._play()
        self._tell()

    def _follow(self) -> None:
        """The practice went on, here or on the teacher's page."""
        state = self._state
        reveal = self.revealing
        shows = state.plan.showings
        if state.phase == "viewing":
            if self._showing != (state.number, state.view):
                self._showing = (state.number, state.view)
                self._put(state.showing(state.number).clip)
                self._after_ns = None
        elif reveal is not None:
            if self._shown_reveal != reveal.number:
                self._level = "band"
                self._put(state.showing(reveal.number).clip)
                self._show_reveal(reveal)
            else:
                self._show_reveal(reveal)  # a mark on paper came in
        else:
            self._loop, self._clip = None, ""
        self._shown_reveal = reveal.number if reveal and state.phase != "viewing" else None
        if state.phase != "viewing" and state.number < len(shows) and reveal is None:
            self._shelf.ask(shows[state.number].clip)  # decoded while the room thinks

    def _put(self, clip: str) -> None:
        self._clip, self._ready, self._loop, self._frame = clip, None, None, None
        self.stage.show_image(None)
        self.stage.show_layers(Layers(empty="one moment"))
        self._shelf.ask(clip)

    def _play(self) -> None:
        if not self._clip:
            return
        if self._ready is None:
            self._take()
        if self._ready is None or self._loop is None:
            return
        if self._state.phase == "viewing":
            self._play_for_marking(self._loop)
        else:
            self._draw(self._loop)

    def _take(self) -> None:
        """Take the clip from the shelf once it is decoded, and begin to play it."""
        asked = self._shelf.ask(self._clip)
        if not asked.done() or asked.cancelled():
            return
        try:
            ready = asked.result()
        except (RailcrestError, ClipError, KeyError) as error:
            self._trouble, self._clip = f"This clip cannot be shown: {error}. Space goes on.", ""
            self.stage.show_layers(Layers(empty="This clip cannot be shown."))
            return
        self._ready = ready
        self.stage.set_picture_size(ready.copy.picture)
        self._loop = Loop(ready.frames.times_ns, self._clock)
        if self._state.phase == "viewing":
            self._loop.choose_speed(Fraction(1, self._state.plan.slowness))
            self._loop.play()
        else:
            self.reading.show_reading(ready.copy.reading, "band", None)
            self._loop.restart()

    def _play_for_marking(self, loop: Loop) -> None:
        """One pass, then the next view or the question; nothing is drawn over the picture."""
        if self._after_ns is None:
            self._draw(loop)
            if loop.views:
                loop.pause()
                self.stage.show_image(None)
                self.stage.show_layers(Layers(empty=""))
                again = self._state.view < self._state.plan.views
                self._after_ns = self._clock.now_ns() + (PAUSE_NS if again else 0)
        if self._after_ns is not None and self._clock.now_ns() >= self._after_ns:
            self._after_ns = None
            number, view = self._state.number, self._state.view
            if view < self._state.plan.views:
                self._step(Viewed(number=number, view=view + 1))
            else:
                self._step(Asked(number=number))

    def _draw(self, loop: Loop) -> None:
        assert self._ready is not None
        index = loop.index
        if index != self._frame:
            self._frame = index
            self.stage.show_image(frame_image(self._ready.frames.frames[index]))
        plain = self._state.phase == "viewing"
        reading = self._ready.copy.reading
        layers = Layers(level="picture", t_ns=self._ready.frames.times_ns[index], moving=loop.playing)
        if not plain:
            layers = replace(layers, level=self._level, drawing=reading.drawing, height=reading.apex)
        self.stage.show_layers(layers)

    # --- words ----------------------------------------------------------------------------------

    def _tell(self) -> None:
        state = self._state
        now_ns = self._practice.now_ns()
        view = room_view(state, now_ns)
        reveal = view.reveal
        marking, locked = view.phase == "marking", view.phase == "locked"
        self.title.setText(view.title)
        self.where.setText(self._where(state))
        page = 1 if view.phase == "viewing" or reveal is not None else 2 if state.number else 0
        if self.sheet.currentIndex() != page:
            self.sheet.setCurrentIndex(page)
        self.column.setVisible(reveal is not None)
        self.present.setText(f"{view.markers} in the room")
        marked = f"{view.marked} of {view.markers} have marked"
        if marking:
            self.wait.setText(f"Your mark, please\n{-(-view.left_ns // NS)} s\n{marked}")
        elif locked:
            self.wait.setText(f"Marks are locked\n{marked}")
        elif view.phase == "ended" and reveal is None:
            self.wait.setText("The practice is over\nThank you")
        kind: str = "reveal" if reveal is not None else str(view.phase)
        if kind == "locked" and not self._may_reveal(state.number):
            kind = "between"
        if view.phase == "ended":
            kind = "ended"
        self.hint.setText(_HINTS[kind])
        self.said.setText(self._trouble or self._speed_words(reveal))
        self.said.setVisible(bool(self.said.text()))

    def _where(self, state: State) -> str:
        if not state.number or state.phase == "ended":
            return ""
        plan, shown = state.plan, state.showing(state.number)
        views = f", view {state.view} of {plan.views}" if plan.views > 1 and state.phase == "viewing" else ""
        family = words.family_words(shown.family)
        return f"Clip {state.number} of {len(plan.showings)}, {family}, {plan.speed}{views}"

    def _speed_words(self, reveal: Reveal | None) -> str:
        if reveal is None or self._loop is None:
            return ""
        speed = words.speed_words(self._loop.speed)
        return speed if self._loop.playing else f"stopped, {speed}"

    def _show_reveal(self, reveal: Reveal) -> None:
        self.heading.setText(f"Clip {reveal.number}: {reveal.marked} marks")
        self.spread.show_spread(reveal.spread, reveal.reference, reveal.measured)
        self.spread.setVisible(bool(reveal.spread))
        self.few.setText("" if reveal.spread else "Too few marks to show without telling whose they are.")
        self.few.setVisible(not reveal.spread)
        text = "No reference mark was set."
        if reveal.reference is not None:
            slow = " Set with slow motion, which you did not see." if reveal.slow_motion else ""
            reason = reveal.reason.strip().removesuffix(".")
            text = f"Reference {points(reveal.reference)}, {reveal.by}: {reason}.{slow}"
        self.reference.setText(text)

    # --- Qt's events ----------------------------------------------------------------------------

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802
        self._apply_theme()

    def closeEvent(self, event: QCloseEvent) -> None:  # noqa: N802
        self._timer.stop()
        self.closing.emit()
        super().closeEvent(event)

    def _apply_theme(self) -> None:
        base = round(1.2 * base_size_px(self.width(), self.height()))
        width = round(0.3 * self.width())
        self.column.setFixedWidth(width)
        side = round(min(self.height() * 0.55, self.width() * 0.4))
        if not self.code.pixmap().isNull():
            self.code.setFixedSize(side, side)
            self.code.setScaledContents(True)
        if base == self._base_px:
            return
        self._base_px = base
        self.setStyleSheet("")  # a sheet that is replaced would bring its old palette back
        self.setPalette(self._theme.palette())
        huge = f'QLabel[role="huge"] {{ font-size: {round(2.6 * base)}px; font-weight: 600; }}'
        self.setStyleSheet(self._theme.sheet(base) + huge)
        self.stage.set_theme(self._theme, base)
        self.spread.set_theme(self._theme, base)
        self.reading.set_theme(self._theme, base)
        self.reading.set_width(width)

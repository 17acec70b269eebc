"""Two flights side by side in step: their releases, or their highest points, fall on the same moment."""

from __future__ import annotations

import statistics
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Final, Literal

import av
from PySide6.QtCore import Qt, Slot
from PySide6.QtWidgets import QHBoxLayout, QLabel, QPushButton, QVBoxLayout

from bridge.messages import ClipRequest, Reading, Refused
from overlay import words
from overlay.keys import first_key
from overlay.looks import Watch
from overlay.pages import Page
from overlay.panel import label
from overlay.picture import Layers, PictureView
from overlay.pixels import frame_image
from overlay.policy import includes
from overlay.replay import FrameStore, Loop
from overlay.state import SessionState
from overlay.theme import Theme
from overlay.transport import SPEEDS

if TYPE_CHECKING:
    from overlay.window import Window

Step = Literal["release", "apex"]
STEP_WORDS: Final[dict[Step, str]] = {"release": "release", "apex": "top"}
ABOUT_NS: Final = 600_000_000  # before the release and after the end
MEMORY_BYTES: Final = 200_000_000  # decoded pictures of one side; larger ones are reduced


def partner(state: SessionState, flight: str) -> str | None:
    """The flight to set beside ``flight``: the newest other one of its family, or else its neighbour.

    A gymnast is compared with herself first: a flight of the same start number goes before others.
    """
    own = state.readings[flight]
    number = _number(state, own)
    others = [r for r in state.readings.values() if r.flight != flight]
    if not others:
        return None

    def likeness(other: Reading) -> tuple[bool, bool, bool, int]:
        same = bool(number) and _number(state, other) == number
        return other.family == own.family, same, other.routine == own.routine, other.release_ns

    return max(others, key=likeness).flight


def _number(state: SessionState, reading: Reading) -> str:
    routine = state.routines.get(reading.routine)
    return routine.start_number if routine is not None else ""


def in_step(
    left: FrameStore[av.VideoFrame], right: FrameStore[av.VideoFrame], left_ns: int, right_ns: int
) -> tuple[int, ...]:
    """Times of a loop over both clips, ns from the moment that both share.

    It runs as long as either clip does, at the left one's usual distance of pictures.
    """
    begin_ns = min(left.begin_ns - left_ns, right.begin_ns - right_ns)
    end_ns = max(left.end_ns - left_ns, right.end_ns - right_ns)
    steps = [b - a for a, b in zip(left.times_ns, left.times_ns[1:], strict=False)] or [16_666_667]
    step_ns = max(1, round(statistics.median(steps)))
    # Counted from the shared moment, so that it is one of the times.
    return tuple(range(-(-begin_ns // step_ns) * step_ns, end_ns + 1, step_ns)) or (0,)


@dataclass(slots=True)
class Side:
    """One of the two pictures, with what it shows."""

    view: PictureView
    flight: str | None = None
    store: FrameStore[av.VideoFrame] | None = None
    watch: Watch | None = None
    shown: int = -1
    trouble: str = ""
    asked: ClipRequest | None = None


class SideBySidePage(Page):
    """The chosen flight on the left, another on the right, one clock over both."""

    def __init__(self, window: Window) -> None:
        super().__init__(window)
        self._window, self._state = window, window.state
        self.step: Step = "apex"
        self.loop: Loop | None = None
        self.setAccessibleName("Two flights side by side")
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        pictures = QHBoxLayout()
        pictures.setSpacing(10)
        self.sides: list[Side] = []
        self.titles: list[QLabel] = []
        self.figures: list[QLabel] = []
        self.places: list[QLabel] = []
        for name in ("Left flight", "Right flight"):
            view = PictureView(name, with_margin=False, parent=self)
            title = label(f"{name}: which", "title", self)
            figure = label(f"{name}: height", "", self)
            place = label(f"{name}: moment on show", "quiet", self)
            self.titles.append(title)
            self.figures.append(figure)
            self.places.append(place)
            column = QVBoxLayout()
            column.setSpacing(2)
            column.addWidget(view, 1)
            for part in (title, figure, place):
                part.setWordWrap(False)
                column.addWidget(part)
            pictures.addLayout(column, 1)
            self.sides.append(Side(view))
        self.speed = label("Speed of the replay", "band", self)
        self.speed.setWordWrap(False)
        row = QHBoxLayout()
        row.setSpacing(4)
        row.addWidget(self.speed)
        row.addSpacing(10)
        self.buttons: dict[str, QPushButton] = {}
        for action, text in (
            ("toggle", "play"), ("release", "in step at release"), ("apex", "at top"), ("speed_1", "true"),
            ("speed_2", "1/2"), ("speed_4", "1/4"), ("speed_8", "1/8"), ("previous", "other"),
            ("next", "other"), ("side_by_side", "back"),
        ):  # fmt: skip
            key = "Space" if action == "toggle" else first_key(action)
            button = QPushButton(f"{text}  {key}", self)
            spoken = {
                "previous": "other flight before",
                "next": "other flight after",
                "apex": "in step at top",
            }
            named = words.speed_words(SPEEDS[action]) if action in SPEEDS else spoken.get(action, text)
            button.setAccessibleName(named)
            button.setToolTip(named)
            button.setCheckable(action in SPEEDS or action in STEP_WORDS)
            button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
            button.clicked.connect(partial(window.do, action))
            self.buttons[action] = button
            row.addWidget(button)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(6)
        column.addLayout(pictures, 1)
        column.addLayout(row)
        window.desk.answered.connect(self._answered, Qt.ConnectionType.QueuedConnection)

    # --- the page -----------------------------------------------------------------------------------

    def set_theme(self, theme: Theme, base_px: int) -> None:
        """Colours, or the size of text, have changed."""
        for side in self.sides:
            side.view.set_theme(theme, base_px)
        self.speed.setFixedWidth(15 * base_px)

    def shown(self) -> None:
        """Set another flight beside the chosen one."""
        flight = self._state.flight
        if flight is not None:
            self._choose(0, flight)
            other = partner(self._state, flight)
            if other is not None:
                self._choose(1, other)

    def left(self) -> None:
        """Let the pictures go, and hand in what was seen."""
        for side in self.sides:
            self._turn_away(side)
            side.flight, side.store, side.shown = None, None, -1
            side.view.show_image(None)
        self.loop = None

    def refresh(self) -> None:
        """The chosen flight goes to the left; a reading may have changed."""
        flight = self._state.flight
        if flight is not None and flight not in (self.sides[0].flight, self.sides[1].flight):
            self._choose(0, flight)
        self._draw()

    def tick(self) -> None:
        """Show the pictures that are due."""
        loop = self.loop
        if loop is None:
            return
        position_ns = loop.position_ns
        for side in self.sides:
            if side.watch is not None:
                at_ns = position_ns + self._shared_ns(side)
                side.watch.saw(at_ns, loop.playing, loop.speed, self._state.level)
        self._draw()

    def do(self, action: str) -> bool:
        """Play, step, change speed, bring in step, change the right flight."""
        loop = self.loop
        if action in STEP_WORDS:
            self._bring_in_step("release" if action == "release" else "apex")
        elif action in ("previous", "next"):
            self._other(-1 if action == "previous" else 1)
        elif action.startswith("flight_"):
            reading = self._state.numbered(int(action.removeprefix("flight_")))
            if reading is not None and reading.flight != self.sides[0].flight:
                self._choose(1, reading.flight)
        elif action in ("opening", "end", "down_swing", "beside"):
            return True  # they belong to one flight
        elif self.sides[0].view.steer(action):
            self.sides[1].view.steer(action)
        elif loop is None:
            return False
        elif action in SPEEDS:
            loop.choose_speed(SPEEDS[action])
            loop.play()
        elif action == "programme":
            loop.choose_speed(None)
            loop.play()
        elif action in ("toggle", "again"):
            (loop.toggle if action == "toggle" else loop.restart)()
        elif action in ("back", "on", "first", "last"):
            loop.step({"back": -1, "on": 1, "first": -1_000_000, "last": 1_000_000}[action])
        else:
            return False
        self._draw()
        return True

    # --- what it does --------------------------------------------------------------------------------

    def _choose(self, place: int, flight: str) -> None:
        """Show a flight on one side."""
        side, reading = self.sides[place], self._state.readings[flight]
        self._turn_away(side)
        side.flight, side.store, side.shown, side.trouble = flight, None, -1, ""
        side.view.show_image(None)
        if self._state.scene is not None:
            side.view.set_picture_size(self._state.scene.picture)
        side.view.fill(reading.drawing.apex if reading.drawing is not None else None)
        self.loop = None
        side.asked = ClipRequest(flight=flight, before_ns=ABOUT_NS, after_ns=ABOUT_NS)
        self._window.desk.ask(_tag(place), side.asked, only_last=True, memory_bytes=MEMORY_BYTES)
        self._draw()

    @Slot(str, object, object)
    def _answered(self, tag: str, request: object, what: object) -> None:
        for place, side in enumerate(self.sides):
            if tag == _tag(place) and request == side.asked and side.flight is not None:
                if isinstance(what, FrameStore):
                    self.put(place, what)
                else:
                    side.trouble = what.reason if isinstance(what, Refused) else "no answer"
                self._draw()

    def put(self, place: int, store: FrameStore[av.VideoFrame]) -> None:
        """The pictures of the left (0) or the right (1) flight have come."""
        side = self.sides[place]
        assert side.flight is not None
        reading = self._state.readings[side.flight]
        side.store = store
        side.watch = Watch(side.flight, reading.routine, store.end_ns - store.begin_ns, self._window.clock)
        side.watch.touched = True
        self._begin()

    def _begin(self) -> None:
        """Run one clock over both, once both are here."""
        left, right = self.sides
        if left.store is not None and right.store is not None:
            times = in_step(left.store, right.store, self._shared_ns(left), self._shared_ns(right))
            self.loop = Loop(times, self._window.clock)
            self.loop.restart()

    def _bring_in_step(self, step: Step) -> None:
        """Let both share this moment, and stop there."""
        speed = self.loop.speed if self.loop is not None and not self.loop.by_itself else None
        self.step = step
        self._begin()
        if self.loop is not None:
            if speed is not None:
                self.loop.choose_speed(speed)
            self.loop.freeze(0)
            for side in self.sides:
                if side.watch is not None:
                    side.watch.froze(step)

    def _other(self, by: int) -> None:
        """Another flight on the right, through all flights of the session in order."""
        order = sorted(self._state.readings.values(), key=lambda r: (r.release_ns, r.flight))
        names = [r.flight for r in order if r.flight != self.sides[0].flight]
        if names:
            here = names.index(self.sides[1].flight) if self.sides[1].flight in names else -by
            self._choose(1, names[(here + by) % len(names)])

    def _shared_ns(self, side: Side) -> int:
        """Capture time of the moment that is shared."""
        reading = self._state.readings.get(side.flight or "")
        if reading is None:
            return 0
        return reading.release_ns if self.step == "release" else reading.apex_ns or reading.release_ns

    def _turn_away(self, side: Side) -> None:
        self._window.hand_in(side.watch)
        side.watch = None

    def _draw(self) -> None:
        for place in (0, 1):
            self._draw_side(place)
        loop = self.loop
        if loop is None:
            self.speed.setText("")
        else:
            self.speed.setText(words.speed_words(loop.speed) if loop.playing else "stopped")
            self.buttons["toggle"].setText(f"{'stop' if loop.playing else 'play'}  Space")
        for action, button in self.buttons.items():
            if action in SPEEDS:
                button.setChecked(loop is not None and loop.speed == SPEEDS[action])
            elif action in STEP_WORDS:
                button.setChecked(action == self.step)

    def _draw_side(self, place: int) -> None:
        side, state = self.sides[place], self._state
        reading = state.readings.get(side.flight or "")
        if reading is None:
            side.view.show_layers(Layers(empty="No other flight yet" if place else "No flight yet"))
            for part in (self.titles[place], self.figures[place], self.places[place]):
                part.setText("")
            return
        self.titles[place].setText(title_words(state, reading))
        self.figures[place].setText(figure_words(state, reading))
        loop, store = self.loop, side.store
        if loop is None or store is None:
            empty = f"Cannot be shown: {side.trouble}" if side.trouble else "Waiting for the pictures"
            side.view.show_layers(Layers(empty=empty))
            self.places[place].setText("")
            return
        at_ns = loop.position_ns + self._shared_ns(side)
        index = store.nearest(at_ns)
        if index != side.shown:
            side.shown = index
            side.view.show_image(frame_image(store.frames[index]))
        t_ns = store.times_ns[index]
        scene = state.scene
        side.view.show_layers(
            Layers(
                level=state.level,
                lines=scene.lines if scene is not None else (),
                drawing=reading.drawing,
                t_ns=t_ns,
                moving=loop.playing,
            )
        )
        over = not store.begin_ns <= at_ns <= store.end_ns
        self.places[place].setText(place_words(loop.position_ns, self.step, over))


def _tag(place: int) -> str:
    return f"side {place}"


def title_words(state: SessionState, reading: Reading) -> str:
    """Which flight it is, by start number, never by name."""
    number = _number(state, reading)
    whose = f"{number}, " if number else f"routine {reading.routine}, "
    return f"{whose}flight {reading.number}: {words.short_family(reading.family)}"


def figure_words(state: SessionState, reading: Reading) -> str:
    """The height, where the level allows it."""
    if not includes(state.level, "height"):
        return ""
    if reading.state == "withheld" or reading.apex is None:
        return "no reading"
    return f"{words.short_height(reading.apex)}, {words.give_or_take(reading.apex.u)}"


def place_words(position_ns: int, step: Step, over: bool) -> str:
    """How far from the shared moment it stands; both sides say the same, unless one clip is over."""
    name = STEP_WORDS[step]
    apart_s = position_ns / 1e9
    if abs(apart_s) < 0.0095:
        return f"at the {name}"
    return (
        f"{abs(apart_s):.2f} s {'after' if apart_s > 0 else 'before'} {name}{', clip over' if over else ''}"
    )

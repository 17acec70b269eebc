"""The whole routine at true speed, from mount to landing, with a post at every flight to jump to."""

from __future__ import annotations

from fractions import Fraction
from functools import partial
from typing import TYPE_CHECKING, Final

import av
from PySide6.QtCore import Qt, Slot
from PySide6.QtWidgets import QHBoxLayout, QPushButton, QVBoxLayout

from bridge.messages import Reading, Refused, Routine, RoutineClipRequest
from overlay import words
from overlay.keys import first_key
from overlay.looks import Watch
from overlay.pages import Page
from overlay.panel import label
from overlay.picture import Layers, PictureView
from overlay.pixels import frame_image
from overlay.policy import includes
from overlay.reel import PIECE_NS, Reel
from overlay.replay import FrameStore
from overlay.theme import Theme
from overlay.transport import FREEZES, SPEEDS, Course, CourseBar

if TYPE_CHECKING:
    from overlay.window import Window

TAG: Final = "routine"
BEFORE_NS: Final = 1_000_000_000  # shown before the mount
AFTER_NS: Final = 2_000_000_000  # and after the landing
RUN_UP_NS: Final = 1_500_000_000  # shown before the release of a flight that is jumped to
PIECE_BYTES: Final = 90_000_000  # decoded pictures of one piece; larger ones are reduced
OF_ONE_FLIGHT: Final = (*FREEZES, "beside", "programme")  # of no use here


class WholeRoutinePage(Page):
    """Plays the chosen routine once through; digits and arrows jump from flight to flight."""

    def __init__(self, window: Window) -> None:
        super().__init__(window)
        self._window, self._state = window, window.state
        self.reel: Reel[av.VideoFrame] | None = None
        self._routine: int | None = None
        self._watch: Watch | None = None
        self._drawn: object = None
        self.setAccessibleName("Whole routine")
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.stage = PictureView("Picture of the routine", with_margin=True, parent=self)
        self.speed = label("Speed of the replay", "band", self)
        self.speed.setWordWrap(False)
        self.where = label("Place in the routine", "quiet", self)
        self.where.setWordWrap(False)
        self.course = CourseBar(self)
        self.course.setAccessibleName("Course of the routine")
        self.course.asked.connect(self.go)
        top = QHBoxLayout()
        said = QVBoxLayout()
        said.setSpacing(0)
        said.addWidget(self.speed)
        said.addWidget(self.where)
        top.addLayout(said)
        top.addWidget(self.course, 1)
        row = QHBoxLayout()
        row.setSpacing(4)
        for action, text in (
            ("toggle", "play or stop"), ("previous", "flight before"), ("next", "flight after"),
            ("first", "mount"), ("last", "landing"), ("speed_1", "true"), ("speed_2", "1/2"),
            ("speed_4", "1/4"), ("speed_8", "1/8"), ("whole_routine", "back to the flights"),
        ):  # fmt: skip
            key = "Space" if action == "toggle" else first_key(action)
            button = QPushButton(f"{text}  {key}", self)
            button.setAccessibleName(words.speed_words(SPEEDS[action]) if action in SPEEDS else text)
            button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
            button.clicked.connect(partial(window.do, action))
            row.addWidget(button)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(6)
        column.addWidget(self.stage, 1)
        column.addLayout(top)
        column.addLayout(row)
        window.desk.answered.connect(self._answered, Qt.ConnectionType.QueuedConnection)

    # --- the page -----------------------------------------------------------------------------------

    def set_theme(self, theme: Theme, base_px: int) -> None:
        """Colours, or the size of text, have changed."""
        self.stage.set_theme(theme, base_px)
        self.course.set_theme(theme, base_px)
        self.speed.setFixedWidth(16 * base_px)
        self.where.setFixedWidth(16 * base_px)

    def shown(self) -> None:
        """Play from the mount, at true speed."""
        self._begin()

    def left(self) -> None:
        """Stop, let the pictures go, and hand in what was seen."""
        self._turn_away()
        self.reel = None
        self._routine = None
        self.stage.show_image(None)

    def refresh(self) -> None:
        """Another routine was chosen, or it went on."""
        if self._state.routine != self._routine:
            self._begin()
        elif self.reel is not None:
            self.reel.end_ns = max(
                self.reel.end_ns, self._end_ns(self._state.routines.get(self._routine or 0))
            )
        self._draw()

    def tick(self) -> None:
        """Show the picture that is due, and ask for the pieces that will be."""
        reel = self.reel
        if reel is None:
            return
        if self._watch is not None:
            self._watch.saw(reel.position_ns, reel.playing, reel.speed, self._state.level)
        place = reel.next_wanted()
        if place is not None and self._routine is not None:
            begin_ns, length_ns = reel.span(place)
            request = RoutineClipRequest(routine=self._routine, begin_ns=begin_ns, length_ns=length_ns)
            self._window.desk.ask(TAG, request, memory_bytes=PIECE_BYTES)
        self._draw()

    def do(self, action: str) -> bool:
        """Play, step, jump, change speed."""
        reel = self.reel
        if reel is None:
            return False
        if action in SPEEDS:
            reel.choose_speed(SPEEDS[action])
            reel.play()
        elif action == "toggle":
            reel.toggle()
        elif action in ("back", "on"):
            reel.step(-1 if action == "back" else 1)
        elif action in ("first", "again"):
            reel.choose_speed(Fraction(1))
            reel.jump(reel.begin_ns)
            reel.play()
        elif action == "last":
            self.go(reel.end_ns - AFTER_NS - RUN_UP_NS)
        elif action in ("previous", "next"):
            self._neighbour(-1 if action == "previous" else 1)
        elif action.startswith("flight_"):
            reading = self._state.numbered(int(action.removeprefix("flight_")))
            if reading is not None:
                self.go(reading.release_ns - RUN_UP_NS)
        elif action not in OF_ONE_FLIGHT and not self.stage.steer(action):
            return False
        self._draw()
        return True

    def go(self, t_ns: int) -> None:
        """Jump to a capture time and play on."""
        if self.reel is not None:
            self.reel.jump(t_ns)
            self.reel.play()

    # --- what it does --------------------------------------------------------------------------------

    def _begin(self) -> None:
        self._turn_away()
        self._routine = self._state.routine
        routine = self._state.routines.get(self._routine) if self._routine is not None else None
        scene = self._state.scene
        if scene is not None:
            self.stage.set_picture_size(scene.picture)
        self.stage.show_image(None)
        self.reel = None
        if routine is not None:
            self.reel = Reel(routine.begin_ns - BEFORE_NS, self._end_ns(routine), self._window.clock)
            self.reel.play()
            span_ns = self.reel.end_ns - self.reel.begin_ns
            self._watch = Watch("", routine.routine, span_ns, self._window.clock)
            self._watch.touched = True

    def _turn_away(self) -> None:
        self._window.hand_in(self._watch)
        self._watch = None

    def _end_ns(self, routine: Routine | None) -> int:
        """Where the routine ends, or how far it has come."""
        if routine is None:
            return 0
        if routine.end_ns is not None:
            return routine.end_ns + AFTER_NS
        flights = self._state.flights(routine.routine)
        return max((r.end_ns for r in flights), default=routine.begin_ns) + AFTER_NS

    def _neighbour(self, by: int) -> None:
        reel = self.reel
        if reel is None:
            return
        here_ns = reel.position_ns + RUN_UP_NS
        starts = [r.release_ns for r in self._state.flights()]
        near_ns = 500_000_000
        found = (
            [t for t in starts if t > here_ns + near_ns][:1]
            if by > 0
            else [t for t in starts if t < here_ns - near_ns][-1:]
        )
        if found:
            self.go(found[0] - RUN_UP_NS)

    @Slot(str, object, object)
    def _answered(self, tag: str, request: object, what: object) -> None:
        reel = self.reel
        if tag != TAG or reel is None or not isinstance(request, RoutineClipRequest):
            return
        if request.routine != self._routine:
            return
        place = (request.begin_ns - reel.begin_ns) // PIECE_NS
        if isinstance(what, FrameStore):
            reel.put(place, what)
        else:
            reel.fail(place, what.reason if isinstance(what, Refused) else "the desk answered otherwise")

    def _passing(self, t_ns: int) -> Reading | None:
        """The flight that is under way at a capture time."""
        return next((r for r in self._state.flights() if r.release_ns <= t_ns <= r.end_ns), None)

    def _draw(self) -> None:
        reel, scene = self.reel, self._state.scene
        if reel is None:
            self.stage.show_layers(Layers(empty="No routine yet"))
            self.speed.setText("")
            self.where.setText("")
            self.course.show_course(None)
            return
        shown = reel.frame()
        if shown is not None and shown[0] != self._drawn:
            self._drawn = shown[0]
            self.stage.show_image(frame_image(shown[1]))
        t_ns = reel.position_ns
        reading = self._passing(t_ns)
        level = self._state.level
        drawing = reading.drawing if reading is not None and includes(level, "height") else None
        self.stage.show_layers(
            Layers(
                level=level,
                lines=scene.lines if scene is not None else (),
                drawing=drawing,
                t_ns=t_ns,
                moving=reel.playing,
                banner="There are no pictures on record here." if reel.problem else "",
                empty="Waiting for the pictures",
            )
        )
        self.speed.setText(self._speed_words(reel))
        self.where.setText(self._where_words(reel, reading))
        posts = [(str(r.number), r.release_ns) for r in self._state.flights()]
        self.course.show_course(Course(reel.begin_ns, reel.end_ns, t_ns, tuple(posts)))

    @staticmethod
    def _speed_words(reel: Reel[av.VideoFrame]) -> str:
        if not reel.playing:
            return "the end" if reel.position_ns >= reel.end_ns else "stopped"
        return "waiting" if reel.waiting else words.speed_words(reel.speed)

    @staticmethod
    def _where_words(reel: Reel[av.VideoFrame], reading: Reading | None) -> str:
        gone_s = (reel.position_ns - reel.begin_ns) / 1e9
        whole_s = (reel.end_ns - reel.begin_ns) / 1e9
        missing = f", {reel.missing()} missing" if reel.missing() else ""
        flight = f", flight {reading.number}" if reading is not None else ""
        return f"{gone_s:.1f} s of {whole_s:.0f} s{flight}{missing}"

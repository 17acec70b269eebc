"""The replay's controls: the flight's course in time, speed in words, stepping and freezing."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from PySide6.QtCore import QPointF, QRectF, QSize, Qt, Signal
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QMouseEvent, QPainter, QPaintEvent, QPen, QResizeEvent
from PySide6.QtWidgets import QHBoxLayout, QPushButton, QSizePolicy, QVBoxLayout, QWidget

from overlay import words
from overlay.keys import first_key
from overlay.panel import label
from overlay.theme import LIGHT, Theme

FREEZES: Final = ("release", "apex", "opening", "end", "down_swing")
SPEEDS: Final = {f"speed_{n}": Fraction(1, n) for n in (1, 2, 4, 8)}  # by the action that chooses each


@dataclass(frozen=True, slots=True)
class Course:
    """The replayed span of time: its ends, the moments in it, and where the replay stands."""

    begin_ns: int
    end_ns: int
    now_ns: int
    moments: tuple[tuple[str, int], ...] = ()  # words and time, in order


class CourseBar(QWidget):
    """Time from left to right, with a post at each moment. A click freezes there."""

    asked = Signal(object)  # capture time, ns; object because Qt's int has 32 bits

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._course: Course | None = None
        self._theme = LIGHT
        self._em = 16
        self.setAccessibleName("Course of the flight")
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)

    def set_theme(self, theme: Theme, base_px: int) -> None:
        """Change colours and the size of text."""
        self._theme, self._em = theme, base_px
        self.setFixedHeight(round(2.9 * base_px))
        self.update()

    def show_course(self, course: Course | None) -> None:
        """Show another span or place."""
        if course != self._course:
            self._course = course
            self.update()

    def sizeHint(self) -> QSize:  # noqa: N802
        return QSize(300, round(2.9 * self._em))

    def _x(self, t_ns: int, course: Course) -> float:
        part = (t_ns - course.begin_ns) / max(1, course.end_ns - course.begin_ns)
        return self._em + part * (self.width() - 2.0 * self._em)

    def mousePressEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        self._ask(event)

    def mouseMoveEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        self._ask(event)

    def _ask(self, event: QMouseEvent) -> None:
        course = self._course
        if course is not None:
            part = (event.position().x() - self._em) / max(1.0, self.width() - 2.0 * self._em)
            span = course.end_ns - course.begin_ns
            self.asked.emit(course.begin_ns + round(min(max(part, 0.0), 1.0) * span))

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        theme, em, course = self._theme, float(self._em), self._course
        base = 2.1 * em
        painter.setPen(QPen(QColor(theme.quiet), 2.0))
        painter.drawLine(QPointF(em, base), QPointF(self.width() - em, base))
        if course is None:
            painter.end()
            return
        font = QFont(painter.font())
        font.setPixelSize(self._em)
        painter.setFont(font)
        metrics = QFontMetricsF(font)
        free = 0.0
        for name, t_ns in course.moments:
            if not course.begin_ns <= t_ns <= course.end_ns:
                continue
            x = self._x(t_ns, course)
            painter.setPen(QPen(QColor(theme.ink), 3.0))
            painter.drawLine(QPointF(x, base - 0.75 * em), QPointF(x, base + 0.3 * em))
            width = metrics.horizontalAdvance(name)
            left = max(free, min(x - width / 2.0, self.width() - width))
            painter.drawText(QRectF(left, 0, width + 2, 1.3 * em), int(Qt.AlignmentFlag.AlignLeft), name)
            free = left + width + 0.6 * em
        x = self._x(course.now_ns, course)
        painter.setPen(QPen(QColor(theme.paper), 2.0))
        painter.setBrush(QColor(theme.hips))
        painter.drawEllipse(QPointF(x, base), 0.5 * em, 0.5 * em)
        painter.end()


class Transport(QWidget):
    """Buttons for the replay. ``asked`` carries the action's name from the table of keys."""

    asked = Signal(str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.speed = label("Speed of the replay", "band", self)
        self.speed.setWordWrap(False)
        self.place = label("Place in the flight", "quiet", self)
        self.place.setWordWrap(False)
        self.course = CourseBar(self)
        self._buttons: dict[str, QPushButton] = {}
        self._texts: dict[str, str] = {}
        self._short = False  # a narrow window has no room for the keys on the buttons
        self._em = 16
        top = QHBoxLayout()
        words_column = QVBoxLayout()
        words_column.setSpacing(0)
        words_column.addWidget(self.speed)
        words_column.addWidget(self.place)
        top.addLayout(words_column)
        top.addWidget(self.course, 1)
        row = QHBoxLayout()
        row.setSpacing(4)
        groups = (
            (("toggle", "stop"), ("back", "back"), ("on", "on")),
            (
                ("release", "release"),
                ("apex", "top"),
                ("opening", "opening"),
                ("end", "regrasp"),
                ("down_swing", "swing"),
            ),
            (("speed_1", "true"), ("speed_2", "1/2"), ("speed_4", "1/4"), ("speed_8", "1/8")),
        )
        for place, group in enumerate(groups):
            if place:
                row.addSpacing(10)
            for action, text in group:
                row.addWidget(self._button(action, text))
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(4)
        column.addLayout(top)
        column.addLayout(row)

    def _button(self, action: str, text: str) -> QPushButton:
        button = QPushButton(self)
        button.setSizePolicy(QSizePolicy.Policy.MinimumExpanding, QSizePolicy.Policy.Fixed)
        button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        button.setCheckable(action.startswith("speed_"))
        button.clicked.connect(self._clicked)
        self._buttons[action] = button
        self._caption(action, text)
        return button

    def _caption(self, action: str, text: str) -> None:
        key = "Space" if action == "toggle" else first_key(action)
        button = self._buttons[action]
        self._texts[action] = text
        shown = text if self._short else f"{text}  {key}"
        if button.text() != shown:
            button.setText(shown)
        named = {"back": "one picture back", "on": "one picture on"}.get(action, text)
        if action in SPEEDS:
            named = words.speed_words(SPEEDS[action])
        elif action in FREEZES:
            named = f"freeze at the {'start of the down-swing' if action == 'down_swing' else text}"
        button.setAccessibleName(named)
        button.setToolTip(f"{named}, key {key}")

    def button(self, action: str) -> QPushButton:
        """The button of one action."""
        return self._buttons[action]

    def _clicked(self) -> None:
        for action, button in self._buttons.items():
            if button is self.sender():
                self.asked.emit(action)

    def set_theme(self, theme: Theme, base_px: int) -> None:
        """Change colours and the size of text."""
        self.course.set_theme(theme, base_px)
        self._em = base_px
        self.speed.setFixedWidth(round(15.5 * base_px))
        self.place.setFixedWidth(round(15.5 * base_px))

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802
        short = self.width() < 54 * self._em
        if short != self._short:
            self._short = short
            for action, text in tuple(self._texts.items()):
                self._caption(action, text)

    def show_replay(
        self, course: Course, speed: Fraction, playing: bool, views: int, end_word: str, pictures: str
    ) -> None:
        """Say where the replay stands."""
        said = words.speed_words(speed)
        self.speed.setText(said if playing else "stopped")
        self.place.setText(place_words(course) if playing else f"{place_words(course)}, {said}")
        self.place.setToolTip(pictures)
        self.course.setToolTip(pictures)
        self.course.setAccessibleDescription(f"{place_words(course)}. {pictures}. Seen {views} times.")
        self.course.show_course(course)
        self._caption("toggle", "stop" if playing else "play")
        self._caption("end", end_word)
        for action, own_speed in SPEEDS.items():
            self._buttons[action].setChecked(speed == own_speed)
        for button in self._buttons.values():
            button.setEnabled(True)
        for action, name in (("opening", "opening"), ("down_swing", "swing")):
            self._buttons[action].setVisible(any(own == name for own, _ in course.moments))

    def show_live(self, can_replay: bool) -> None:
        """The picture is live; all there is to do is to go back to the replay."""
        self.speed.setText("live")
        self.place.setText("Space: back to the replay" if can_replay else "no replay yet")
        self.course.show_course(None)
        for button in self._buttons.values():
            button.setChecked(False)
            button.setEnabled(False)
        self._buttons["opening"].hide()
        self._caption("toggle", "replay" if can_replay else "play")
        self._buttons["toggle"].setEnabled(can_replay)


def place_words(course: Course) -> str:
    """Where the replay stands, against the nearest moment: ``at the top``, ``0.12 s after release``."""
    if not course.moments:
        return f"{(course.now_ns - course.begin_ns) / 1e9:.2f} s from the start"
    name, t_ns = min(course.moments, key=lambda m: abs(m[1] - course.now_ns))
    apart = (course.now_ns - t_ns) / 1e9
    if abs(apart) < 0.0095:
        return f"at the {name}"
    return f"{abs(apart):.2f} s {'after' if apart > 0 else 'before'} {name}"

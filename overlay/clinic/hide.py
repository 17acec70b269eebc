"""Look an example over, and put rectangles over numbers, names and scoreboards of its copies.

The pictures on show are the original ones; what is chosen here is painted over in the copy only.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Final

import av
import msgspec
from PySide6.QtCore import QPointF, QRectF, Qt, QTimer, Signal
from PySide6.QtGui import (
    QCloseEvent,
    QColor,
    QKeyEvent,
    QMouseEvent,
    QPainter,
    QPaintEvent,
    QPen,
    QResizeEvent,
)
from PySide6.QtWidgets import QVBoxLayout, QWidget

from bridge.clock import Clock
from overlay.clinic.examples import Hidden
from overlay.panel import label
from overlay.picture import Layers, PictureView
from overlay.pixels import frame_image
from overlay.replay import FrameStore, Loop
from overlay.theme import LIGHT, VIDEO_HALO, VIDEO_LINE, Theme, base_size_px
from overlay.window import pressed_key

STEP_PX: Final = 8
SMALLEST_PX: Final = 8
KEYS: Final[dict[str, tuple[str, ...]]] = {
    "new": ("N",),
    "other": ("Tab", "O"),
    "remove": ("Del", "Backspace"),
    "left": ("Left",),
    "right": ("Right",),
    "up": ("Up",),
    "down": ("Down",),
    "narrower": ("Shift+Left",),
    "wider": ("Shift+Right",),
    "lower": ("Shift+Up",),
    "taller": ("Shift+Down",),
    "play": ("Space",),
    "back": (",",),
    "forward": (".",),
    "keep": ("Return", "Enter"),
    "leave": ("Esc",),
}
_HINT: Final = (
    "Drag, or N: new rectangle    arrows: move    Shift arrows: size    Tab: other one    Del: take away    "
    "Space: play    , .: step    Enter: keep    Esc: leave as it was"
)


class HideStage(PictureView):
    """The picture with the rectangles; a drag draws a new one."""

    drawn = Signal(object)  # Hidden

    def __init__(self, parent: QWidget) -> None:
        super().__init__("Pictures of the flight", with_margin=False, parent=parent)
        self.parts: list[Hidden] = []
        self.chosen = -1
        self._from: QPointF | None = None
        self._to: QPointF | None = None

    def mousePressEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        self._from = self._to = event.position()

    def mouseMoveEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        if self._from is not None:
            self._to = event.position()
            self.update()

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        if self._from is not None and self._to is not None:
            a, b = self._picture_at(self._from), self._picture_at(self._to)
            x0, x1 = sorted((round(a.x()), round(b.x())))
            y0, y1 = sorted((round(a.y()), round(b.y())))
            if x1 - x0 >= SMALLEST_PX and y1 - y0 >= SMALLEST_PX:
                self.drawn.emit(Hidden(x=x0, y=y0, width=x1 - x0, height=y1 - y0))
        self._from = self._to = None
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        super().paintEvent(event)
        painter = QPainter(self)
        dpr = self.devicePixelRatioF()
        painter.scale(1 / dpr, 1 / dpr)
        for n, part in enumerate(self.parts):
            x, y = self.map.to_view((part.x - 0.5, part.y - 0.5))
            box = QRectF(x, y, part.width * self.map.scale, part.height * self.map.scale)
            fill = QColor(VIDEO_HALO)
            fill.setAlpha(170)
            painter.fillRect(box, fill)
            thick = 4.0 if n == self.chosen else 1.5
            painter.setPen(QPen(QColor(VIDEO_LINE), thick * dpr))
            painter.drawRect(box)
        if self._from is not None and self._to is not None:
            painter.setPen(QPen(QColor(VIDEO_LINE), 2 * dpr, Qt.PenStyle.DashLine))
            painter.drawRect(QRectF(self._from * dpr, self._to * dpr))
        painter.end()

    def _picture_at(self, at: QPointF) -> QPointF:
        dpr = self.devicePixelRatioF()
        return QPointF(*self.map.to_picture((at.x() * dpr, at.y() * dpr)))


class HideWindow(QWidget):
    """Looks one example over.

    Args:
        name: of the example.
        frames: its original pictures.
        hidden: what was hidden before.
        clock: for playing.
        keep: is given the rectangles when the teacher keeps them; an empty tuple says there is nothing.
    """

    closing = Signal()

    def __init__(
        self,
        name: str,
        frames: FrameStore[av.VideoFrame],
        hidden: tuple[Hidden, ...],
        clock: Clock,
        keep: Callable[[tuple[Hidden, ...]], None],
        theme: Theme = LIGHT,
    ) -> None:
        super().__init__()
        self._frames, self._keep, self._theme = frames, keep, theme
        self._loop = Loop(frames.times_ns, clock)
        self._frame = -1
        self._keys = {key: action for action, keys in KEYS.items() for key in keys}
        self.setWindowTitle("Railcrest, hide in copies")
        self.title = label("Example", "title", self)
        self.title.setText(f"{name}: hide numbers, names and scoreboards in copies")
        self.stage = HideStage(self)
        self.stage.parts = list(hidden)
        self.stage.chosen = len(hidden) - 1
        self.stage.drawn.connect(self._add)
        self.said = label("Rectangles", "", self)
        self.hint = label("Keys", "quiet", self)
        self.hint.setText(_HINT)
        column = QVBoxLayout(self)
        column.setSizeConstraint(QVBoxLayout.SizeConstraint.SetNoConstraint)
        column.addWidget(self.title)
        column.addWidget(self.stage, 1)
        column.addWidget(self.said)
        column.addWidget(self.hint)
        first = frames.frames[0]
        self._size = (int(first.width), int(first.height))
        self.stage.set_picture_size(self._size)
        self.resize(1280, 800)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self._actions = self._action_table()
        self.tick()
        self._timer = QTimer(self)
        self._timer.timeout.connect(self.tick)
        self._timer.start(15)

    def _action_table(self) -> dict[str, Callable[[], None]]:
        return {
            "new": self._new,
            "other": self._other,
            "remove": self._remove,
            "left": partial(self._change, x=-STEP_PX),
            "right": partial(self._change, x=STEP_PX),
            "up": partial(self._change, y=-STEP_PX),
            "down": partial(self._change, y=STEP_PX),
            "narrower": partial(self._change, width=-STEP_PX),
            "wider": partial(self._change, width=STEP_PX),
            "lower": partial(self._change, height=-STEP_PX),
            "taller": partial(self._change, height=STEP_PX),
            "play": self._loop.toggle,
            "back": partial(self._loop.step, -1),
            "forward": partial(self._loop.step, 1),
            "keep": self._done,
            "leave": lambda: QTimer.singleShot(0, self.close),
        }

    def do(self, action: str) -> None:
        """Carry out an action of the table of keys."""
        self._actions[action]()
        self.tick()

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        action = self._keys.get(pressed_key(event))
        if action is None:
            super().keyPressEvent(event)
        else:
            self.do(action)

    def focusNextPrevChild(self, forward: bool) -> bool:  # noqa: N802
        return False  # Tab chooses among the rectangles

    def tick(self) -> None:
        """Play on, and say what is hidden."""
        if self._loop.index != self._frame:
            self._frame = self._loop.index
            self.stage.show_image(frame_image(self._frames.frames[self._frame]))
            self.stage.show_layers(Layers(t_ns=self._frames.times_ns[self._frame], moving=self._loop.playing))
        count = len(self.stage.parts)
        if not count:
            text = "Nothing is hidden. Enter keeps that: looked over, and nothing to hide."
        else:
            where = self.stage.parts[self.stage.chosen]
            text = (
                f"{count} hidden; the chosen one at {where.x}, {where.y}, {where.width} by {where.height} px"
            )
        if self.said.text() != text:
            self.said.setText(text)

    def _add(self, part: Hidden) -> None:
        self.stage.parts.append(part)
        self.stage.chosen = len(self.stage.parts) - 1
        self.stage.update()

    def _new(self) -> None:
        width, height = self._size[0] // 6, self._size[1] // 6
        x, y = (self._size[0] - width) // 2, (self._size[1] - height) // 2
        self._add(Hidden(x=x, y=y, width=width, height=height))

    def _other(self) -> None:
        if self.stage.parts:
            self.stage.chosen = (self.stage.chosen + 1) % len(self.stage.parts)
            self.stage.update()

    def _remove(self) -> None:
        if self.stage.parts:
            del self.stage.parts[self.stage.chosen]
            self.stage.chosen = len(self.stage.parts) - 1
            self.stage.update()

    def _change(self, x: int = 0, y: int = 0, width: int = 0, height: int = 0) -> None:
        if not self.stage.parts:
            return
        old = self.stage.parts[self.stage.chosen]
        w = min(max(old.width + width, SMALLEST_PX), self._size[0])
        h = min(max(old.height + height, SMALLEST_PX), self._size[1])
        moved = msgspec.structs.replace(
            old,
            x=min(max(old.x + x, 0), self._size[0] - w),
            y=min(max(old.y + y, 0), self._size[1] - h),
            width=w,
            height=h,
        )
        self.stage.parts[self.stage.chosen] = moved
        self.stage.update()

    def _done(self) -> None:
        self._keep(tuple(self.stage.parts))
        QTimer.singleShot(0, self.close)

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802
        base = base_size_px(self.width(), self.height())
        self.setPalette(self._theme.palette())
        self.setStyleSheet(self._theme.sheet(base))
        self.stage.set_theme(self._theme, base)

    def closeEvent(self, event: QCloseEvent) -> None:  # noqa: N802
        self._timer.stop()
        self.closing.emit()
        super().closeEvent(event)


def look_over(
    name: str,
    frames: FrameStore[av.VideoFrame],
    hidden: tuple[Hidden, ...],
    clock: Clock,
    keep: Callable[[tuple[Hidden, ...]], None],
) -> None:
    """Show the window for one example until it is closed; Qt has been started."""
    from PySide6.QtCore import QEventLoop

    window = HideWindow(name, frames, hidden, clock, keep)
    loop = QEventLoop()
    window.closing.connect(loop.quit)
    window.show()
    loop.exec()
    window.deleteLater()

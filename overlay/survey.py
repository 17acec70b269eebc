"""The set-up screen: the bars in the picture with a handle at every survey point, and what the place costs.

It knows no camera fit. It says what a person wants by its signals, and shows what comes back through
:meth:`SurveyScreen.show_survey` and :meth:`SurveyScreen.show_snapped`; nothing waits, so the answer may
come over the bus.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from PySide6.QtCore import QPointF, QRectF, QSize, Qt, QTimer, Signal
from PySide6.QtGui import (
    QColor,
    QFont,
    QImage,
    QKeyEvent,
    QMouseEvent,
    QPainter,
    QPainterPath,
    QPaintEvent,
    QPen,
    QResizeEvent,
    QWheelEvent,
)
from PySide6.QtWidgets import (
    QHBoxLayout,
    QLabel,
    QListWidget,
    QPushButton,
    QScrollArea,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from bridge.messages import Point
from overlay.ink import Ink
from overlay.picture_map import PictureMap
from overlay.survey_handles import LONG_STEP_PX, STEP_PX, Handle, HandleSet, SurveyShown
from overlay.theme import LIGHT, VIDEO_BODY, VIDEO_HALO, VIDEO_HIPS, Theme

RESIDUAL_TIMES: Final = 20  # residuals are drawn so many times longer than they are
GLASS_TIMES: Final = 8  # of the magnifier
GRIP_PX: Final = 16  # logical px within which a handle is taken hold of
SETTLE_MS: Final = 180  # after the last step of a handle the fit is asked for
_ARROWS: Final[dict[int, tuple[int, int]]] = {
    Qt.Key.Key_Left: (-1, 0),
    Qt.Key.Key_Right: (1, 0),
    Qt.Key.Key_Up: (0, -1),
    Qt.Key.Key_Down: (0, 1),
}


class HandlePicture(QWidget):
    """The picture with its handles, bar lines and residuals."""

    moved = Signal(bool)  # whether the person has let go
    chosen = Signal()

    def __init__(self, handles: HandleSet, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._handles = handles
        self._image: QImage | None = None
        self._shown = SurveyShown()
        self._theme = LIGHT
        self._text_px = 15
        self._map = PictureMap((1920, 1080), (0.0, 0.0, 1.0, 1.0))
        self._grip: Point | None = None  # from the pointer to the handle, picture px
        self._pan: QPointF | None = None
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setAccessibleName("Picture with the survey points")
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setAttribute(Qt.WidgetAttribute.WA_OpaquePaintEvent)

    @property
    def map(self) -> PictureMap:
        """The map from picture coordinates to device pixels."""
        return self._map

    def set_theme(self, theme: Theme, text_px: int) -> None:
        """Change colours and the size of text (logical px)."""
        self._theme, self._text_px = theme, text_px
        self.update()

    def show_image(self, image: QImage) -> None:
        """Show a still picture, full size."""
        self._image = image
        self._map = PictureMap((image.width(), image.height()), self._map.area)
        self.update()

    def show_survey(self, shown: SurveyShown) -> None:
        """Draw another survey's lines and residuals."""
        self._shown = shown
        self._tell()
        self.update()

    def zoom_by(self, factor: float, at: QPointF | None = None) -> None:
        """Zoom about a point of the widget (logical px), or about the selected handle."""
        dpr = self.devicePixelRatioF()
        handle = self._handles.current
        where = (self.width() * dpr / 2, self.height() * dpr / 2)
        if at is not None:
            where = (at.x() * dpr, at.y() * dpr)
        elif handle is not None:
            where = self._map.to_view(handle.at)
        self._map = self._map.zoomed(factor, where)
        self.update()

    def whole(self) -> None:
        """Show the whole picture again."""
        self._map = PictureMap(self._map.picture, self._map.area)
        self.update()

    def _tell(self) -> None:
        handle = self._handles.current
        if handle is not None:
            x, y = handle.at
            self.setAccessibleDescription(f"{handle.words}: {x:.2f} across, {y:.2f} down")

    # --- Qt's events ------------------------------------------------------------------------------

    def sizeHint(self) -> QSize:  # noqa: N802
        return QSize(880, 600)

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802
        dpr = self.devicePixelRatioF()
        area = (0.0, 0.0, max(1.0, self.width() * dpr), max(1.0, self.height() * dpr))
        self._map = replace(self._map, area=area)

    def wheelEvent(self, event: QWheelEvent) -> None:  # noqa: N802
        if event.angleDelta().y():
            self.zoom_by(1.25 ** (event.angleDelta().y() / 120.0), event.position())
            event.accept()

    def _picture_at(self, at: QPointF) -> Point:
        dpr = self.devicePixelRatioF()
        return self._map.to_picture((at.x() * dpr, at.y() * dpr))

    def mousePressEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        place = self._picture_at(event.position())
        index = self._handles.nearest(place, GRIP_PX * self.devicePixelRatioF() / self._map.scale)
        if index is None:
            self._pan = event.position()
            return
        self._handles.select(index)
        handle = self._handles.handles[index]
        # Taking hold of a handle beside its middle must not move it.
        self._grip = (handle.at[0] - place[0], handle.at[1] - place[1])
        self.chosen.emit()
        self._tell()
        self.update()

    def mouseMoveEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        if self._grip is not None:
            x, y = self._picture_at(event.position())
            self._handles.place((x + self._grip[0], y + self._grip[1]), self._map.picture)
            self.moved.emit(False)
            self.update()
        elif self._pan is not None:
            step = (event.position() - self._pan) * self.devicePixelRatioF()
            self._pan = event.position()
            self._map = self._map.moved(step.x(), step.y())
            self.update()

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        if self._grip is not None and (self._handles.current or Handle("", (0, 0))).by_hand:
            self.moved.emit(True)
        self._grip = self._pan = None

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        arrow = _ARROWS.get(event.key())
        if arrow is not None and self._handles.current is not None:
            shifted = bool(event.modifiers() & Qt.KeyboardModifier.ShiftModifier)
            size = LONG_STEP_PX if shifted else STEP_PX
            self._handles.step(arrow[0] * size, arrow[1] * size, self._map.picture)
            self._tell()
            self.moved.emit(True)
            self.update()
        elif event.key() in (Qt.Key.Key_PageDown, Qt.Key.Key_PageUp):
            self._handles.turn(1 if event.key() == Qt.Key.Key_PageDown else -1)
            self._tell()
            self.chosen.emit()
            self.update()
        elif event.text() in ("+", "="):
            self.zoom_by(1.6)
        elif event.text() == "-":
            self.zoom_by(1 / 1.6)
        elif event.text().lower() == "w":
            self.whole()
        else:
            super().keyPressEvent(event)

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        painter = QPainter(self)
        dpr = self.devicePixelRatioF()
        painter.scale(1.0 / dpr, 1.0 / dpr)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.fillRect(
            QRectF(0, 0, self.width() * dpr + 1, self.height() * dpr + 1), QColor(self._theme.paper)
        )
        if self._image is None:
            painter.end()
            return
        shown = QRectF(*self._map.visible)
        painter.setClipRect(shown)
        painter.setRenderHint(QPainter.RenderHint.SmoothPixmapTransform, self._map.scale < 3)
        painter.drawImage(QRectF(*self._map.target), self._image, QRectF(self._image.rect()))
        ink = Ink(painter, self._map, self._theme, dpr, self._text_px)
        for line in self._shown.lines:
            ink.rail(line)
        for index, handle in enumerate(self._handles.handles):
            self._draw_handle(painter, handle, index == self._handles.selected, dpr)
        painter.end()

    def _draw_handle(self, painter: QPainter, handle: Handle, selected: bool, dpr: float) -> None:
        at = QPointF(*self._map.to_view(handle.at))
        path = QPainterPath()
        gap, arm = 3 * dpr, (15 if selected else 9) * dpr
        for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1)):
            path.moveTo(at + QPointF(dx * gap, dy * gap))
            path.lineTo(at + QPointF(dx * arm, dy * arm))
        box = QRectF(at.x() - 7 * dpr, at.y() - 7 * dpr, 14 * dpr, 14 * dpr)
        # Set by hand: a square; found: a ring. The shape says it, not the colour.
        if handle.by_hand:
            path.addRect(box)
        else:
            path.addEllipse(box)
        if handle.off_px > 0.02:
            tip = (
                handle.at[0] - RESIDUAL_TIMES * handle.off[0],
                handle.at[1] - RESIDUAL_TIMES * handle.off[1],
            )
            stick = QPainterPath(at)
            stick.lineTo(QPointF(*self._map.to_view(tip)))
            _stroke(painter, stick, VIDEO_BODY, 2.0 * dpr)
        _stroke(painter, path, VIDEO_HIPS, (2.6 if selected else 1.6) * dpr)
        if selected:
            self._label(painter, handle, at, dpr)

    def _label(self, painter: QPainter, handle: Handle, at: QPointF, dpr: float) -> None:
        font = QFont(painter.font())
        font.setPixelSize(round(self._text_px * dpr))
        font.setWeight(QFont.Weight.DemiBold)
        painter.setFont(font)
        metrics = painter.fontMetrics()
        wide = metrics.horizontalAdvance(handle.words) + 14 * dpr
        left = at.x() + 20 * dpr
        if left + wide > self._map.visible[0] + self._map.visible[2]:
            left = at.x() - 20 * dpr - wide
        plate = QRectF(left, at.y() - metrics.height() - 12 * dpr, wide, metrics.height() + 6 * dpr)
        painter.fillRect(plate, QColor(self._theme.paper))
        painter.setPen(QColor(self._theme.ink))
        painter.drawText(plate, int(Qt.AlignmentFlag.AlignCenter), handle.words)


def _stroke(painter: QPainter, path: QPainterPath, colour: str, width: float) -> None:
    painter.setBrush(Qt.BrushStyle.NoBrush)
    for shade, wide in ((VIDEO_HALO, width * 2.4), (colour, width)):
        painter.setPen(QPen(QColor(shade), wide))
        painter.drawPath(path)


class Glass(QWidget):
    """The picture round the selected handle, magnified, every pixel a square."""

    def __init__(self, handles: HandleSet, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._handles = handles
        self._image: QImage | None = None
        self.setAccessibleName("Magnifier")
        self.setFixedHeight(184)

    def show_image(self, image: QImage) -> None:
        """Magnify another picture."""
        self._image = image
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        painter = QPainter(self)
        painter.fillRect(self.rect(), QColor(VIDEO_HALO))
        handle = self._handles.current
        if self._image is None or handle is None:
            painter.end()
            return
        w, h = self.width() / GLASS_TIMES, self.height() / GLASS_TIMES
        # Pixel (0, 0) covers -0.5 to 0.5.
        source = QRectF(handle.at[0] + 0.5 - w / 2, handle.at[1] + 0.5 - h / 2, w, h)
        painter.drawImage(QRectF(self.rect()), self._image, source)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        middle = QPointF(self.width() / 2, self.height() / 2)
        cross = QPainterPath()
        for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1)):
            cross.moveTo(middle + QPointF(4 * dx, 4 * dy))
            cross.lineTo(middle + QPointF(46 * dx, 46 * dy))
        _stroke(painter, cross, VIDEO_HIPS, 1.4)
        ring = QPainterPath()
        radius = max(2.0, 2 * handle.u_px * GLASS_TIMES)
        ring.addEllipse(middle, radius, radius)
        _stroke(painter, ring, VIDEO_BODY, 1.2)
        painter.end()


class SurveyScreen(QWidget):
    """The whole set-up screen.

    Signals:
        fit_asked: the points as they stand, a tuple of :class:`Handle`; answer with :meth:`show_survey`.
        snap_asked: a point's name and place; answer with :meth:`show_snapped`.
        find_asked: look for the bars anew; answer with :meth:`show_survey`.
        taken: the person takes the survey as it stands.
    """

    fit_asked = Signal(object)
    snap_asked = Signal(str, float, float)
    find_asked = Signal()
    taken = Signal(object)

    def __init__(self, theme: Theme = LIGHT, text_px: int = 15, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setWindowTitle("Railcrest: set-up")
        self._handles = HandleSet()
        self._theme = theme
        self.picture = HandlePicture(self._handles)
        self.glass = Glass(self._handles)
        self.headline = _label("title", wraps=True)
        self.state = _label("quiet", wraps=True)
        self.place = _label("", wraps=True)
        self.points = QListWidget()
        self.points.setAccessibleName("Survey points")
        self.notes = _label("", wraps=True)
        self.notes.setAccessibleName("What to look at, and what would be better")
        self.search = QPushButton("Find the bars again (F)")
        self.snap = QPushButton("To the middle of the pole (M)")
        self.take = QPushButton("Take this survey (Ctrl+Enter)")
        self._lay_out(text_px)
        self._asks = QTimer(self)
        self._asks.setSingleShot(True)
        self._asks.setInterval(SETTLE_MS)
        self._asks.timeout.connect(self._ask_fit)
        self.picture.moved.connect(self._moved)
        self.picture.chosen.connect(self._chosen)
        self.points.currentRowChanged.connect(self._row)
        self.search.clicked.connect(lambda: self.find_asked.emit())
        self.snap.clicked.connect(self._ask_snap)
        self.take.clicked.connect(lambda: self.taken.emit(self._handles.handles))
        self.show_survey(SurveyShown())

    @property
    def handles(self) -> tuple[Handle, ...]:
        """The points as they stand."""
        return self._handles.handles

    def _lay_out(self, text_px: int) -> None:
        self.setPalette(self._theme.palette())
        t = self._theme
        self.setStyleSheet(
            t.sheet(text_px)
            + f"""
            QListWidget {{ background: {t.field}; color: {t.ink}; border: 1px solid {t.quiet}; }}
            QListWidget:focus {{ border: 3px solid {t.line}; }}
            QListWidget::item {{ padding: 2px; }}
            QListWidget::item:selected {{ background: {t.ink}; color: {t.paper}; }}
            QScrollArea, QScrollArea > QWidget > QWidget {{ background: {t.paper}; }}
            """
        )
        self.setAutoFillBackground(True)
        self.picture.set_theme(self._theme, text_px)
        keys = _label("quiet", wraps=True)
        keys.setText(
            "Arrows: a quarter pixel; with Shift: five. Page keys: next point. + − W: closer, farther, whole."
        )
        aside = QVBoxLayout()
        for widget in (self.headline, self.state, self.place, self.glass, self.points):
            aside.addWidget(widget)
        scroll = QScrollArea()
        scroll.setWidget(self.notes)
        scroll.setWidgetResizable(True)
        scroll.setFrameShape(QScrollArea.Shape.NoFrame)
        scroll.setAccessibleName("Advice")
        self.notes.setAlignment(Qt.AlignmentFlag.AlignTop)
        scroll.setFixedHeight(9 * text_px)
        for button in (self.snap, self.search, self.take):
            aside.addWidget(button)
        aside.addWidget(keys)
        column = QWidget()
        column.setLayout(aside)
        column.setFixedWidth(390)
        row = QHBoxLayout(self)
        row.setContentsMargins(10, 10, 10, 10)
        # The window's least size is the person's business.
        row.setSizeConstraint(QHBoxLayout.SizeConstraint.SetNoConstraint)
        stage = QVBoxLayout()
        stage.addWidget(self.picture, 1)
        stage.addWidget(scroll)
        row.addLayout(stage, 1)
        row.addWidget(column)

    def show_image(self, image: QImage) -> None:
        """Show the feed's still picture, full size."""
        self.picture.show_image(image)
        self.glass.show_image(image)

    def show_survey(self, shown: SurveyShown) -> None:
        """Show a survey: its points take the place of those on the screen."""
        self._handles.show(shown.handles)
        self.headline.setText(shown.headline())
        self.state.setText(shown.state() if shown.handles else "")
        lines = [shown.place] if shown.place else []
        for line, u in zip(shown.lines, shown.line_u_m, strict=False):
            lines.append(f"{line.label} line: give or take {200 * u:.1f} cm (95 %)")
        self.place.setText("\n".join(lines))
        self.place.setVisible(bool(lines))
        notes = [f"▸ {words}" for words in shown.warnings]
        if shown.better:
            notes += ["Better would be", *(f"· {words}" for words in shown.better)]
        self.notes.setText("\n".join(notes) if notes else "Nothing to put right.")
        self.take.setEnabled(shown.expected_u_m is not None)
        self.picture.show_survey(shown)
        self._fill()

    def say(self, text: str) -> None:
        """Say something about what was asked for last."""
        self.state.setText(text)

    def show_snapped(self, handle: Handle) -> None:
        """Put a point where its pole is, and ask for the fit."""
        names = [h.name for h in self._handles.handles]
        if handle.name in names:
            self._handles.select(names.index(handle.name))
            self._handles.place(handle.at, self.picture.map.picture)
            self._moved(True)
            self.picture.update()

    # --- what the person does ---------------------------------------------------------------------

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        if event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter) and (
            event.modifiers() & Qt.KeyboardModifier.ControlModifier
        ):
            self.take.click()
        elif event.text().lower() == "m":
            self._ask_snap()
        elif event.text().lower() == "f":
            self.find_asked.emit()
        else:
            super().keyPressEvent(event)

    def _moved(self, done: bool) -> None:
        self.glass.update()
        self._fill()
        if done:
            self._asks.start()

    def _chosen(self) -> None:
        self.glass.update()
        self._fill()

    def _row(self, row: int) -> None:
        if row >= 0 and row != self._handles.selected:
            self._handles.select(row)
            self.glass.update()
            self.picture.update()

    def _ask_fit(self) -> None:
        self.fit_asked.emit(self._handles.handles)

    def _ask_snap(self) -> None:
        handle = self._handles.current
        if handle is not None:
            self.snap_asked.emit(handle.name, *handle.at)

    def _fill(self) -> None:
        """The list of points; every figure on the picture also stands here, for screen readers too."""
        self.points.blockSignals(True)
        while self.points.count() < len(self._handles.handles):
            self.points.addItem("")
        while self.points.count() > len(self._handles.handles):
            self.points.takeItem(self.points.count() - 1)
        for index, handle in enumerate(self._handles.handles):
            how = "set by hand" if handle.by_hand else f"± {2 * handle.u_px:.1f} px"
            off = f", off by {handle.off_px:.1f} px" if handle.off_px > 0.05 else ""
            self.points.item(index).setText(f"{handle.words}: {how}{off}")
        if self._handles.selected is not None:
            self.points.setCurrentRow(self._handles.selected)
        self.points.blockSignals(False)


def _label(role: str, wraps: bool) -> QLabel:
    label = QLabel()
    label.setWordWrap(wraps)
    if role:
        label.setProperty("role", role)
    return label

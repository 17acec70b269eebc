"""The picture with what is drawn over it, and the margin to its right.

It paints in device pixels, so that nothing blurs on a scaled screen.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from PySide6.QtCore import QPointF, QRectF, QSize, Qt, Signal
from PySide6.QtGui import (
    QColor,
    QFont,
    QImage,
    QMouseEvent,
    QPainter,
    QPaintEvent,
    QPen,
    QResizeEvent,
    QWheelEvent,
)
from PySide6.QtWidgets import QSizePolicy, QWidget

from bridge.messages import Drawing, Point, Policy, Pose, Quantity, RailLine
from overlay.ink import HandMarks, Ink
from overlay.picture_map import PictureMap
from overlay.policy import includes
from overlay.theme import LIGHT, Theme


@dataclass(frozen=True, slots=True)
class Layers:
    """What is drawn over the picture. ``level`` decides how much of it."""

    level: Policy = "picture"
    lines: tuple[RailLine, ...] = ()
    drawing: Drawing | None = None
    height: Quantity | None = None
    t_ns: int | None = None
    pose: Pose | None = None
    by_hand: HandMarks | None = None
    moving: bool = True  # smooth scaling only when the picture stands still
    banner: str = ""  # said across the picture, for example that the feed is lost
    stale: bool = False  # the picture is not of now, although it should be
    empty: str = ""  # said in place of a picture


class PictureView(QWidget):
    """One picture, fitted, with zoom and pan. ``with_margin`` adds the margin with the scale."""

    zoomed = Signal(float)
    hand_at = Signal(object)  # Point: the mouse sets something here, picture px
    hand_off = Signal()  # and lets go

    def __init__(self, name: str, with_margin: bool, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._image: QImage | None = None
        self._layers = Layers()
        self._theme = LIGHT
        self._with_margin = with_margin
        self._text_px = 16
        self._picture = (1920, 1080)
        self._map = PictureMap(self._picture, (0.0, 0.0, 1.0, 1.0))
        self._drag: QPointF | None = None
        self.sets = False  # whether the mouse sets something by hand instead of moving the picture
        self._filled: Point | None = None  # fills the height around here, whatever the size
        self.setAccessibleName(name)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setAttribute(Qt.WidgetAttribute.WA_OpaquePaintEvent)
        if with_margin:
            self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)

    @property
    def layers(self) -> Layers:
        """What is drawn now."""
        return self._layers

    @property
    def image(self) -> QImage | None:
        """The picture on show."""
        return self._image

    @property
    def map(self) -> PictureMap:
        """The map from picture coordinates to device pixels."""
        return self._map

    @property
    def picture_size(self) -> tuple[int, int]:
        """Size of the full picture, px."""
        return self._picture

    def set_theme(self, theme: Theme, text_px: int) -> None:
        """Change colours and the size of text (logical px)."""
        self._theme = theme
        self._text_px = text_px
        self._lay_out()

    def set_picture_size(self, picture: tuple[int, int]) -> None:
        """Size of the full picture, in which all drawing is given."""
        if picture != self._picture and min(picture) > 0:
            self._picture = picture
            self._map = PictureMap(picture, self._map.area)
            self._lay_out()

    def show_image(self, image: QImage | None) -> None:
        """Show another picture; it may be a reduced one."""
        self._image = image
        self.update()

    def show_layers(self, layers: Layers) -> None:
        """Draw other layers."""
        if layers != self._layers:
            self._layers = layers
            self.setAccessibleDescription(layers.banner or layers.empty)
            self.update()

    def zoom_by(self, factor: float, at: QPointF | None = None) -> None:
        """Zoom about a point of the widget (logical px), or about the middle."""
        dpr = self.devicePixelRatioF()
        left, top, width, height = self._map.area
        where = (at.x() * dpr, at.y() * dpr) if at else (left + width / 2.0, top + height / 2.0)
        self._set_map(self._map.zoomed(factor, where))

    def pan_by(self, dx: float, dy: float) -> None:
        """Move the picture by parts of the view's size."""
        _, _, width, height = self._map.area
        self._set_map(self._map.moved(dx * width, dy * height))

    def steer(self, action: str) -> bool:
        """Zoom or pan as an action of the table of keys says; returns whether it is one that does."""
        match action:
            case "closer":
                self.zoom_by(1.25)
            case "farther":
                self.zoom_by(0.8)
            case "whole":
                self.whole()
            case "pan_left":
                self.pan_by(0.1, 0.0)
            case "pan_right":
                self.pan_by(-0.1, 0.0)
            case "pan_up":
                self.pan_by(0.0, 0.1)
            case "pan_down":
                self.pan_by(0.0, -0.1)
            case _:
                return False
        return True

    def follow(self, other: PictureMap) -> None:
        """Show the same part of the picture as another view does."""
        self._set_map(replace(self._map, zoom=other.zoom, centre=other.centre))

    def fill(self, about: Point | None) -> None:
        """Fill the view from top to bottom with the part of the picture around a point of it."""
        self._filled = about or ((self._picture[0] - 1) / 2.0, (self._picture[1] - 1) / 2.0)
        self._lay_out()

    def whole(self) -> None:
        """Show the whole picture again."""
        self._filled = None
        self._set_map(PictureMap(self._picture, self._map.area))

    def _set_map(self, pmap: PictureMap) -> None:
        if pmap != self._map:
            self._map = pmap
            self._filled = None
            self.zoomed.emit(pmap.zoom)
            self.update()

    @property
    def margin_px(self) -> int:
        """Width of the margin, logical px."""
        return round(6.6 * self._text_px) if self._with_margin else 0

    def _lay_out(self) -> None:
        dpr = self.devicePixelRatioF()
        width = max(1.0, (self.width() - self.margin_px) * dpr)
        height = max(1.0, self.height() * dpr)
        self._map = replace(self._map, area=(0.0, 0.0, width, height))
        if self._filled is not None:
            zoom = max(1.0, height / width * self._picture[0] / self._picture[1])
            centre = (self._filled[0], (self._picture[1] - 1) / 2.0)
            self._map = replace(self._map, zoom=zoom, centre=centre).moved(0.0, 0.0)
        self.update()

    # --- Qt's events ----------------------------------------------------------------------------

    def sizeHint(self) -> QSize:  # noqa: N802
        return QSize(640 + self.margin_px, 360)

    def minimumSizeHint(self) -> QSize:  # noqa: N802
        return QSize(160, 90)

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802
        self._lay_out()

    def wheelEvent(self, event: QWheelEvent) -> None:  # noqa: N802
        if self._with_margin and event.angleDelta().y():
            self.zoom_by(1.25 ** (event.angleDelta().y() / 120.0), event.position())
            event.accept()

    def mousePressEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        if self._with_margin:
            self._drag = event.position()
            if self.sets:
                self._set_by_hand(event.position())

    def mouseMoveEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        if self._drag is not None and self.sets:
            self._set_by_hand(event.position())
        elif self._drag is not None:
            step = (event.position() - self._drag) * self.devicePixelRatioF()
            self._drag = event.position()
            self._set_map(self._map.moved(step.x(), step.y()))

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        if self._drag is not None and self.sets:
            self.hand_off.emit()
        self._drag = None

    def _set_by_hand(self, at: QPointF) -> None:
        dpr = self.devicePixelRatioF()
        self.hand_at.emit(self._map.to_picture((at.x() * dpr, at.y() * dpr)))

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        painter = QPainter(self)
        dpr = self.devicePixelRatioF()
        painter.scale(1.0 / dpr, 1.0 / dpr)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        whole = QRectF(0.0, 0.0, self.width() * dpr + 1, self.height() * dpr + 1)
        painter.fillRect(whole, QColor(self._theme.paper))
        layers = self._layers
        left, top, width, height = self._map.visible
        shown = QRectF(left, top, width, height)
        painter.save()
        painter.setClipRect(shown)
        ink = Ink(painter, self._map, self._theme, dpr, self._text_px)
        if self._image is None:
            painter.fillRect(shown, QColor(self._theme.field))
        else:
            painter.setRenderHint(QPainter.RenderHint.SmoothPixmapTransform, not layers.moving)
            painter.drawImage(QRectF(*self._map.target), self._image, QRectF(self._image.rect()))
            self._draw_over(ink)
        if layers.stale:
            painter.fillRect(shown, _veil(self._theme))
        painter.restore()
        if self._image is None and layers.empty:
            self._say(painter, shown, layers.empty, dpr)
        if layers.banner:
            self._banner(painter, shown, layers.banner, dpr)
        painter.setPen(QPen(QColor(self._theme.ink), dpr))
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.drawRect(shown.adjusted(0.5, 0.5, -0.5, -0.5))
        if self._with_margin:
            self._draw_margin(painter, ink, QRectF(left + width, top, self.margin_px * dpr, height))
        painter.end()

    def _draw_over(self, ink: Ink) -> None:
        layers = self._layers
        if includes(layers.level, "line"):
            for line in self._lines():
                ink.rail(line)
            if layers.pose is not None:
                ink.body(layers.pose)
        if includes(layers.level, "height") and layers.drawing is not None:
            ink.flight(layers.drawing, layers.t_ns)
            if layers.by_hand is not None:
                ink.by_hand(layers.drawing.line, layers.by_hand)

    def _lines(self) -> tuple[RailLine, ...]:
        return (self._layers.drawing.line,) if self._layers.drawing is not None else self._layers.lines

    def _draw_margin(self, painter: QPainter, ink: Ink, margin: QRectF) -> None:
        if self._image is None or not includes(self._layers.level, "line"):
            return
        painter.save()
        painter.setClipRect(margin)
        measured = includes(self._layers.level, "height") and self._layers.height is not None
        rising = measured and self._layers.height is not None and self._layers.height.value >= -0.005
        ink.margin_rules(margin, self._lines(), below=rising)
        if includes(self._layers.level, "height") and self._layers.drawing is not None:
            ink.margin_scale(margin, self._layers.drawing, self._layers.height, self._layers.t_ns)
        painter.restore()

    def _font(self, painter: QPainter, dpr: float, times: float) -> None:
        font = QFont(painter.font())
        font.setPixelSize(round(self._text_px * times * dpr))
        font.setWeight(QFont.Weight.DemiBold)
        painter.setFont(font)

    def _say(self, painter: QPainter, box: QRectF, text: str, dpr: float) -> None:
        self._font(painter, dpr, 1.3 if self._with_margin else 1.0)
        painter.setPen(QColor(self._theme.quiet))
        flags = int(Qt.AlignmentFlag.AlignCenter | Qt.TextFlag.TextWordWrap)
        painter.drawText(box.adjusted(20 * dpr, 0, -20 * dpr, 0), flags, text)

    def _banner(self, painter: QPainter, box: QRectF, text: str, dpr: float) -> None:
        self._font(painter, dpr, 1.3 if self._with_margin else 1.0)
        strip = QRectF(box.left(), box.top(), box.width(), painter.fontMetrics().height() + 18 * dpr)
        painter.fillRect(strip, QColor(self._theme.ink))
        painter.setPen(QColor(self._theme.paper))
        flags = int(Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignLeft)
        painter.drawText(strip.adjusted(14 * dpr, 0, 0, 0), flags, text)


def _veil(theme: Theme) -> QColor:
    """The window's own colour, half clear, laid over a picture that is no longer of now."""
    veil = QColor(theme.paper)
    veil.setAlpha(120)
    return veil

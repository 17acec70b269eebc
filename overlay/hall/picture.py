"""The replay as the hall shows it: thick lines that carry to the bars, and no sudden brightness."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from PySide6.QtCore import QRectF, Qt
from PySide6.QtGui import QColor, QFont, QImage, QPainter, QPaintEvent, QResizeEvent
from PySide6.QtWidgets import QSizePolicy, QWidget

from overlay.hall.calm import Calm, mean_luma
from overlay.ink import Ink
from overlay.picture import Layers
from overlay.picture_map import PictureMap
from overlay.policy import includes
from overlay.theme import DARK, Theme

TEXT_PER_WEIGHT: Final = 19.0  # lines grow with the text: 2.6 times those at the table on a screen of 1080


class HallPicture(QWidget):
    """One picture, fitted. Call :meth:`step` for every picture the screen shows."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._theme = DARK
        self._image: QImage | None = None
        self._layers = Layers()
        self._words = ""
        self._fresh = False
        self._text_px = 40
        self._map = PictureMap((1920, 1080), (0.0, 0.0, 1.0, 1.0))
        self._calm = Calm(self._paper_luma())
        self.setAccessibleName("The last turn")
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setAttribute(Qt.WidgetAttribute.WA_OpaquePaintEvent)

    @property
    def image(self) -> QImage | None:
        """The picture on show."""
        return self._image

    @property
    def layers(self) -> Layers:
        """What is drawn over it."""
        return self._layers

    @property
    def words(self) -> str:
        """What is said in place of a picture."""
        return self._words

    @property
    def still(self) -> bool:
        """Whether the picture stands without a veil."""
        return self._calm.settled and not self._fresh

    def set_theme(self, theme: Theme, text_px: int) -> None:
        """Change colours and the size of text (logical px)."""
        if theme is not self._theme and self._image is None:  # the whole screen changes, under its cover
            self._theme = theme
            self._calm = Calm(self._paper_luma())
        self._theme, self._text_px = theme, text_px
        self.update()

    def set_picture_size(self, picture: tuple[int, int]) -> None:
        """Size of the full picture, in which all drawing is given."""
        if min(picture) > 0:
            self._map = PictureMap(picture, self._map.area)
            self._lay_out()

    def show_picture(self, image: QImage, layers: Layers) -> None:
        """Show a picture with what is drawn over it."""
        self._fresh |= image is not self._image or layers != self._layers
        self._image, self._layers, self._words = image, layers, ""
        self.setAccessibleDescription("")

    def show_words(self, text: str) -> None:
        """Show no picture, and say why."""
        if self._image is not None or text != self._words:
            self._image, self._words = None, text
            self.setAccessibleDescription(text)
            self._fresh = True

    def step(self) -> None:
        """Go on to the next picture: its brightness follows, and it is painted."""
        if not self._fresh and self._calm.settled:
            return
        self._fresh = False
        self._calm.follow(mean_luma(self._image) if self._image is not None else self._paper_luma())
        self.update()

    def _paper_luma(self) -> float:
        c = QColor(self._theme.field)
        return 0.2126 * c.redF() + 0.7152 * c.greenF() + 0.0722 * c.blueF()

    def _lay_out(self) -> None:
        dpr = self.devicePixelRatioF()
        area = (0.0, 0.0, max(1.0, self.width() * dpr), max(1.0, self.height() * dpr))
        self._map = replace(self._map, area=area)
        self.update()

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802
        self._lay_out()

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        painter = QPainter(self)
        dpr = self.devicePixelRatioF()
        painter.scale(1.0 / dpr, 1.0 / dpr)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.fillRect(
            QRectF(0, 0, self.width() * dpr + 1, self.height() * dpr + 1), QColor(self._theme.paper)
        )
        box = QRectF(*self._map.visible)
        painter.setClipRect(box)
        if self._image is None:
            painter.fillRect(box, QColor(self._theme.field))
            self._calm.veil(painter, box)
            self._say(painter, box, dpr)
        else:
            painter.setRenderHint(QPainter.RenderHint.SmoothPixmapTransform, not self._layers.moving)
            painter.drawImage(QRectF(*self._map.target), self._image, QRectF(self._image.rect()))
            weight = self._text_px / TEXT_PER_WEIGHT
            self._draw_over(Ink(painter, self._map, self._theme, weight * dpr, TEXT_PER_WEIGHT))
            self._calm.veil(painter, box)
        painter.end()

    def _draw_over(self, ink: Ink) -> None:
        layers = self._layers
        if includes(layers.level, "line"):
            lines = (layers.drawing.line,) if layers.drawing is not None else layers.lines
            for line in lines:
                ink.rail(line)
        if includes(layers.level, "height") and layers.drawing is not None:
            ink.flight(layers.drawing, layers.t_ns)

    def _say(self, painter: QPainter, box: QRectF, dpr: float) -> None:
        font = QFont(painter.font())
        font.setPixelSize(max(1, round(self._text_px * dpr)))
        painter.setFont(font)
        painter.setPen(QColor(self._theme.quiet))
        flags = int(Qt.AlignmentFlag.AlignCenter | Qt.TextFlag.TextWordWrap)
        painter.drawText(box.adjusted(40 * dpr, 0, -40 * dpr, 0), flags, self._words)

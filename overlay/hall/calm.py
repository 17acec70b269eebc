"""Keeps the hall's screen from flashing.

Whatever is to be shown next, its mean luma is brought no further from that of the picture before than
:data:`STEP`; the rest follows picture by picture. Content is never mixed with older content: the new
picture is laid under a veil of black or white that clears away.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from PySide6.QtCore import QRectF
from PySide6.QtGui import QColor, QImage, QPainter

STEP: Final = 0.01  # of full scale, from one picture to the next
STRIDE: Final = 8  # every eighth pixel each way tells the mean well enough
# Luma of ITU-R BT.709, for blue, green, red as they lie in memory.
_WEIGHTS: Final = np.array([0.0722, 0.7152, 0.2126])


def mean_luma(image: QImage) -> float:
    """Mean luma of a picture, 0 to 1 (of coded values, as they go to the screen)."""
    if image.format() not in (QImage.Format.Format_RGB32, QImage.Format.Format_ARGB32_Premultiplied):
        image = image.convertToFormat(QImage.Format.Format_RGB32)
    rows = np.frombuffer(image.constBits(), np.uint8).reshape(image.height(), image.bytesPerLine())
    pixels = rows[::STRIDE, : 4 * image.width()].reshape(-1, image.width(), 4)[:, ::STRIDE, :3]
    return float(pixels.reshape(-1, 3).mean(axis=0) @ _WEIGHTS / 255.0)


class Calm:
    """Follows the mean luma of what is shown, one picture after the other."""

    def __init__(self, level: float, step: float = STEP) -> None:
        self.level = level
        self._step = step
        self._target = level

    @property
    def settled(self) -> bool:
        """Whether the last picture stands without a veil."""
        return self.level == self._target

    def follow(self, target: float) -> None:
        """Take the next picture, of mean luma ``target``."""
        self._target = target
        self.level = min(max(target, self.level - self._step), self.level + self._step)

    def veil(self, painter: QPainter, box: QRectF) -> None:
        """Lay over the picture what brings its mean luma to :attr:`level`."""
        if self.settled:
            return
        if self.level < self._target:
            shade = QColor.fromRgbF(0.0, 0.0, 0.0, 1.0 - self.level / self._target)
        else:
            shade = QColor.fromRgbF(1.0, 1.0, 1.0, (self.level - self._target) / (1.0 - self._target))
        painter.fillRect(box, shade)

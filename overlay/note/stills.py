"""Stills of the four moments, plain and drawn, with the whole body and the bar in them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from PySide6.QtCore import QRect
from PySide6.QtGui import QImage, QPainter

from bridge.errors import RecordingError
from bridge.messages import Policy, Reading
from bridge.session import Session
from overlay.ink import Ink, px_per_cm
from overlay.note.facts import Instant
from overlay.picture_map import PictureMap
from overlay.policy import includes
from overlay.theme import LIGHT

NEAR_NS: Final = 40_000_000  # a picture further from the moment than this is not it
BODY_CM: Final = 130.0  # kept free around the hips' path: the whole body, arms stretched
LEAST: Final = 0.4  # of the picture's width; no still is cropped closer
ASPECT: Final = 4 / 3


@dataclass(frozen=True, slots=True)
class Still:
    """One moment's picture: as recorded, and with the line (and the hips) drawn; None where not allowed."""

    instant: Instant
    t_ns: int
    plain: QImage
    drawn: QImage | None


def stills(session: Session, reading: Reading, instants: tuple[Instant, ...], level: Policy) -> list[Still]:
    """The stills of a flight, all cut alike.

    Raises:
        RecordingError: nothing was recorded at a moment.
    """
    return [_still(session, reading, instant, level) for instant in instants]


def _still(session: Session, reading: Reading, instant: Instant, level: Policy) -> Still:
    near = session.decode(instant.t_ns - NEAR_NS, instant.t_ns + NEAR_NS)
    t_ns, pixels = min(near, key=lambda found: abs(found[0] - instant.t_ns), default=(0, None))
    if pixels is None:
        raise RecordingError(f"{reading.flight}: no picture was recorded at its {instant.name}")
    height, width = pixels.shape[:2]
    rows = np.ascontiguousarray(pixels)
    whole = QImage(rows.data, width, height, 3 * width, QImage.Format.Format_RGB888)
    whole = whole.convertToFormat(QImage.Format.Format_RGB32)
    box = framing(reading, (width, height))
    drawn = _drawn(whole, box, reading, t_ns, level) if includes(level, "line") else None
    return Still(instant, t_ns, whole.copy(box), drawn)


def framing(reading: Reading, picture: tuple[int, int]) -> QRect:
    """The part of the picture that stills show: the whole flight, body and bar, never a tight crop."""
    width, height = picture
    drawing = reading.drawing
    scale = px_per_cm(drawing) if drawing is not None else None
    if drawing is None or not drawing.hips or not scale:
        return QRect(0, 0, width, height)
    xs, ys = [p.x for p in drawing.hips], [p.y for p in drawing.hips]
    reach = BODY_CM * scale
    left, right, top, foot = min(xs) - reach, max(xs) + reach, min(ys) - reach, max(ys) + reach
    across = max(right - left, (foot - top) * ASPECT, LEAST * width)
    across = min(across, width, height * ASPECT)
    down = across / ASPECT
    x = min(max((left + right - across) / 2, 0.0), width - across)
    y = min(max((top + foot - down) / 2, 0.0), height - down)
    return QRect(round(x), round(y), round(across), round(down))


def _drawn(whole: QImage, box: QRect, reading: Reading, t_ns: int, level: Policy) -> QImage:
    image = whole.copy(box)
    if reading.drawing is None:
        return image
    painter = QPainter(image)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    painter.translate(-box.x(), -box.y())
    area = (0.0, 0.0, float(whole.width()), float(whole.height()))
    weight = box.width() / 360.0  # an inch and three quarters on paper, whatever the camera
    ink = Ink(painter, PictureMap((whole.width(), whole.height()), area), LIGHT, weight, 16)
    ink.rail(reading.drawing.line)
    if includes(level, "height") and reading.state != "withheld":
        ink.flight(reading.drawing, t_ns)
    painter.end()
    return image

"""Pictures of a flight with its line, height and band, painted into images for reels and handouts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from PySide6.QtCore import QRectF, Qt
from PySide6.QtGui import QColor, QFont, QImage, QPainter

from bridge.messages import Policy, Reading
from overlay import words
from overlay.clinic.copies import Copy
from overlay.ink import Ink
from overlay.picture_map import PictureMap
from overlay.policy import includes
from overlay.theme import LIGHT, Theme

MOMENT_WORDS: Final[dict[str, str]] = {
    "release": "release",
    "apex": "highest point",
    "opening": "opening",
    "regrasp": "regrasp",
    "landing": "landing",
    "down_swing": "start of the down-swing",
}


@dataclass(frozen=True, slots=True)
class Size:
    """Of a whole image, px; both even."""

    width: int = 1280
    height: int = 720

    @property
    def text_px(self) -> int:
        """Size of plain text."""
        return max(12, self.height // 28)


def canvas(size: Size, theme: Theme = LIGHT) -> QImage:
    """An empty sheet."""
    image = QImage(size.width, size.height, QImage.Format.Format_RGB32)
    image.fill(QColor(theme.paper))
    return image


def write(
    painter: QPainter,
    box: QRectF,
    text: str,
    px: float,
    *,
    bold: bool = False,
    colour: str = LIGHT.ink,
    centre: bool = False,
) -> None:
    """Words into a box, wrapped."""
    font = QFont("DejaVu Sans")
    font.setPixelSize(max(1, round(px)))
    font.setBold(bold)
    painter.setFont(font)
    painter.setPen(QColor(colour))
    side = Qt.AlignmentFlag.AlignHCenter if centre else Qt.AlignmentFlag.AlignLeft
    flags = int(side | Qt.AlignmentFlag.AlignVCenter | Qt.TextFlag.TextWordWrap)
    painter.drawText(box, flags, text)


def paint_flight(
    painter: QPainter,
    box: QRectF,
    image: QImage,
    copy: Copy,
    level: Policy,
    t_ns: int,
    text_px: float,
    *,
    margin: bool = True,
    fill: bool = False,
    theme: Theme = LIGHT,
) -> None:
    """One picture of a flight with as much drawn over it as ``level`` says, and its margin with the scale.

    With ``fill`` the picture covers the box, its middle where the flight is, and loses its sides.
    """
    reading = copy.reading
    wide = 6.6 * text_px if margin else 0.0
    area = (box.left(), box.top(), box.width() - wide, box.height())
    pmap = PictureMap(copy.picture, area)
    if fill:
        across, down = area[2] / copy.picture[0], area[3] / copy.picture[1]
        hips = reading.drawing.hips if reading.drawing is not None else ()
        x = sum(p.x for p in hips) / len(hips) if hips else copy.picture[0] / 2
        zoom = max(across, down) / min(across, down)
        pmap = PictureMap(copy.picture, area, zoom, (x, copy.picture[1] / 2))
    left, top, width, height = pmap.visible
    painter.save()
    painter.setClipRect(QRectF(left, top, width, height))
    painter.setRenderHint(QPainter.RenderHint.SmoothPixmapTransform)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    painter.drawImage(QRectF(*pmap.target), image, QRectF(image.rect()))
    font = QFont("DejaVu Sans")
    painter.setFont(font)
    ink = Ink(painter, pmap, theme, max(1.0, box.height() / 700), text_px / max(1.0, box.height() / 700))
    drawing = reading.drawing
    if drawing is not None and includes(level, "line"):
        ink.rail(drawing.line)
        if includes(level, "height"):
            ink.flight(drawing, t_ns)
    painter.restore()
    if drawing is not None and margin and includes(level, "line"):
        strip = QRectF(left + width, top, wide, height)
        painter.save()
        painter.setClipRect(strip)
        high = includes(level, "height") and reading.apex is not None
        ink.margin_rules(
            strip, (drawing.line,), below=bool(high and reading.apex and reading.apex.value > -0.005)
        )
        if high:
            ink.margin_scale(strip, drawing, reading.apex, t_ns)
        painter.restore()


def moments_of(reading: Reading) -> list[tuple[str, int]]:
    """The moments of a flight in order: words and capture time. Release, top and end are always there."""
    found = {m.name: m.t_ns for m in reading.moments}
    found.setdefault("release", reading.release_ns)
    found.setdefault("apex", reading.apex_ns)
    found.setdefault(reading.end_kind, reading.end_ns)
    order = sorted(found.items(), key=lambda pair: pair[1])
    return [(MOMENT_WORDS.get(name, name.replace("_", " ")), t_ns) for name, t_ns in order]


def sentence_of(reading: Reading, level: Policy) -> str:
    """What ``level`` says of a flight in words."""
    if not includes(level, "height") or reading.apex is None or reading.state == "withheld":
        return ""
    label = reading.drawing.line.label if reading.drawing else ""
    said = words.height_sentence(reading.apex, words.bar_name(reading.rail, label))
    said = said[0].upper() + said[1:]
    if includes(level, "band") and reading.band:
        band = words.band_sentence(reading)
        close = reading.band == words.TOO_CLOSE
        said += f". {band[0].upper()}{band[1:]}" if close else f". Band: {band}"
    return said + "."

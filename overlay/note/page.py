"""The page itself: A4 or Letter, one page whatever there is to say, type embedded, room for the panel."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from PySide6.QtCore import QMarginsF, QPointF, QRectF, Qt
from PySide6.QtGui import (
    QColor,
    QFont,
    QFontMetricsF,
    QImage,
    QPageLayout,
    QPageSize,
    QPainter,
    QPdfWriter,
    QPen,
)

from bridge.errors import RecordingError
from overlay import words
from overlay.note import facts as say
from overlay.note.facts import NoteFacts
from overlay.note.stills import Still

Paper = Literal["a4", "letter"]
DPI: Final = 300
PT: Final = DPI / 72.0
MARGIN_PT: Final = 34.0
GAP_PT: Final = 8.0
INK: Final = "#16191C"
QUIET: Final = "#4B5157"
SIZES_PT: Final = (9.2, 8.6, 8.0, 7.4, 6.8, 6.2)  # of the text: the largest that fits is taken
SMALL_PT: Final = 6.6
_TOGETHER: Final = re.compile(r"(?<=\d) (?=cm|m\b|m/s|s\b|degrees|turns|%)|(?<=±) ")  # no line ends here
PANEL_PT: Final = 104.0  # height of the panel's box


@dataclass(frozen=True, slots=True)
class Line:
    """A paragraph of the text."""

    text: str
    bold: bool = False
    larger: float = 1.0


def bound(text: str) -> str:
    """The text with numbers and their units kept on one line."""
    return _TOGETHER.sub("\N{NO-BREAK SPACE}", text)


class _Page:
    """Draws with one painter; places are points from the page's inner corner."""

    def __init__(self, painter: QPainter, width: float, height: float) -> None:
        self.p = painter
        self.width, self.height = width, height

    def font(self, size: float, bold: bool = False, mono: bool = False) -> QFont:
        font = QFont("DejaVu Sans Mono" if mono else "DejaVu Sans")
        font.setPixelSize(max(1, round(size * PT)))
        font.setWeight(QFont.Weight.DemiBold if bold else QFont.Weight.Normal)
        return font

    def tall(self, text: str, font: QFont, width: float) -> float:
        box = QRectF(0, 0, width * PT, 10_000 * PT)
        found = QFontMetricsF(font, self.p.device()).boundingRect(
            box, int(Qt.TextFlag.TextWordWrap), bound(text)
        )
        return float(found.height()) / PT

    def text(
        self,
        x: float,
        y: float,
        width: float,
        text: str,
        font: QFont,
        colour: str = INK,
        centred: bool = False,
    ) -> float:
        """Write a paragraph; returns the place below it."""
        text = bound(text)
        tall = self.tall(text, font, width)
        self.p.setFont(font)
        self.p.setPen(QColor(colour))
        side = Qt.AlignmentFlag.AlignHCenter if centred else Qt.AlignmentFlag.AlignLeft
        box = QRectF(x * PT, y * PT, width * PT, (tall + 2) * PT)
        self.p.drawText(box, int(Qt.TextFlag.TextWordWrap) | int(side.value), text)
        return y + tall

    def rule(self, x: float, y: float, width: float, thick: float = 0.6, colour: str = INK) -> None:
        self.p.setPen(QPen(QColor(colour), thick * PT))
        self.p.drawLine(QPointF(x * PT, y * PT), QPointF((x + width) * PT, y * PT))

    def box(self, x: float, y: float, width: float, height: float) -> None:
        self.p.setPen(QPen(QColor(INK), 0.8 * PT))
        self.p.setBrush(Qt.BrushStyle.NoBrush)
        self.p.drawRect(QRectF(x * PT, y * PT, width * PT, height * PT))

    def image(self, x: float, y: float, width: float, height: float, image: QImage) -> None:
        """A picture, fitted into a box and framed."""
        part = min(width / image.width(), height / image.height())
        w, h = image.width() * part, image.height() * part
        at = QRectF((x + (width - w) / 2) * PT, (y + (height - h) / 2) * PT, w * PT, h * PT)
        self.p.setRenderHint(QPainter.RenderHint.SmoothPixmapTransform)
        self.p.drawImage(at, image, QRectF(image.rect()))
        self.p.setPen(QPen(QColor(INK), 0.4 * PT))
        self.p.setBrush(Qt.BrushStyle.NoBrush)
        self.p.drawRect(at)


def write_page(path: Path, facts: NoteFacts, shown: Sequence[Still], paper: Paper = "a4") -> None:
    """Write the note as PDF.

    Raises:
        RecordingError: the file cannot be written.
    """
    writer = QPdfWriter(str(path))
    writer.setPageSize(QPageSize(QPageSize.PageSizeId.A4 if paper == "a4" else QPageSize.PageSizeId.Letter))
    writer.setPageMargins(QMarginsF(*[MARGIN_PT] * 4), QPageLayout.Unit.Point)
    writer.setResolution(DPI)
    writer.setTitle(f"Review note, {facts.reading.flight}")
    writer.setCreator("Railcrest")
    painter = QPainter()
    if not painter.begin(writer):
        raise RecordingError(f"{path}: cannot be written; choose another folder")
    try:
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        _draw(_Page(painter, writer.width() / PT, writer.height() / PT), facts, shown)
    finally:
        painter.end()


def _draw(page: _Page, facts: NoteFacts, shown: Sequence[Still]) -> None:
    y = _head(page, facts)
    y = _pictures(page, facts, shown, y + 6)
    foot = _foot(page, facts)
    panel = foot - PANEL_PT - 6
    _told(page, facts, y + 6, panel - 6)
    _panel(page, facts, panel)


def _head(page: _Page, facts: NoteFacts) -> float:
    reading = facts.reading
    caution = page.font(9.2, bold=True)
    wide = QFontMetricsF(caution, page.p.device()).horizontalAdvance(words.CAUTION) / PT + 2
    page.text(page.width - wide, 6, wide, words.CAUTION, caution)
    y = page.text(0, 0, page.width - wide - GAP_PT, "Review note", page.font(17, bold=True))
    number = f"routine {reading.routine}, flight {reading.number}, {facts.who}"
    y = page.text(0, y + 1, page.width, f"{facts.manifest.title}. {facts.when}.", page.font(9.2))
    y = page.text(0, y, page.width, f"{number[:1].upper()}{number[1:]}.", caution)
    page.rule(0, y + 3, page.width, 1.2)
    return y + 4


def _pictures(page: _Page, facts: NoteFacts, shown: Sequence[Still], y: float) -> float:
    """The stills: plain above, drawn below, and what they show."""
    if not shown:
        return page.text(0, y, page.width, "No stills: the pictures cannot be read.", page.font(9.2))
    wide = (page.width - 3 * GAP_PT) / 4
    tall = wide * 3 / 4
    rows = [("As recorded", [s.plain for s in shown])]
    if all(s.drawn is not None for s in shown):
        what = "bar line and hips drawn" if facts.measured else "bar line drawn"
        rows.append((f"The same, {what}", [s.drawn for s in shown if s.drawn is not None]))
    for title, images in rows:
        y = page.text(0, y, page.width, title, page.font(7.4), QUIET) + 1
        for i, image in enumerate(images):
            page.image(i * (wide + GAP_PT), y, wide, tall, image)
        y += tall + 3
    lowest = y
    for i, still in enumerate(shown):
        x, at = i * (wide + GAP_PT), y
        for line, text in enumerate(say.instant_words(facts, still.instant)):
            at = page.text(x, at, wide, text, page.font(7.6, bold=line == 0))
        lowest = max(lowest, at)
    page.rule(0, lowest + 3, page.width)
    return lowest + 4


def _columns(facts: NoteFacts) -> tuple[list[Line], list[Line]]:
    """What stands left and right: the reading; camera, rulings and who looked."""
    left: list[Line] = []
    if facts.measured and facts.reading.apex is not None:
        left.append(
            Line(
                f"Hips{words.height_sentence(facts.reading.apex, facts.bar).removeprefix('hips')}.",
                bold=True,
                larger=1.35,
            )
        )
    left += [Line(text) for text in say.reading_words(facts)]
    left += [Line(text) for text in say.measure_words(facts)]
    right = [Line("Camera and clip", bold=True), *(Line(text) for text in say.camera_words(facts))]
    right += [Line("Band table", bold=True), Line(f"{facts.manifest.table or 'none'}.")]
    right += [Line("Who looked", bold=True), *(Line(text) for text in say.look_words(facts))]
    return left, right


def _told(page: _Page, facts: NoteFacts, top: float, foot: float) -> None:
    """Both columns in the largest type that fits."""
    left, right = _columns(facts)
    widths = (page.width * 0.54 - GAP_PT, page.width * 0.46 - GAP_PT)

    def height(lines: list[Line], width: float, size: float) -> float:
        return sum(page.tall(n.text, page.font(size * n.larger, n.bold), width) + 0.25 * size for n in lines)

    size = next(
        (s for s in SIZES_PT if max(height(left, widths[0], s), height(right, widths[1], s)) <= foot - top),
        SIZES_PT[-1],
    )
    for x, width, lines in ((0.0, widths[0], left), (page.width * 0.54 + GAP_PT, widths[1], right)):
        y = top
        end = foot if height(lines, width, size) <= foot - top else foot - 1.8 * size
        for line in lines:
            font = page.font(size * line.larger, line.bold)
            if y + page.tall(line.text, font, width) > end:
                page.text(
                    x, foot - 1.2 * size, width, "More stands in the journal.", page.font(size, bold=True)
                )
                break
            y = page.text(x, y, width, line.text, font) + 0.25 * size


def _panel(page: _Page, facts: NoteFacts, y: float) -> None:
    """Room for the panel's own decision, note and signature; what was ruled already is told."""
    page.box(0, y, page.width, PANEL_PT)
    size = 8.6
    title = "The panel's decision"
    if facts.ruling is not None:
        title += f" (on record: {words.ruling_sentence(facts.ruling)})"
    at = page.text(8, y + 5, page.width - 16, title, page.font(size, bold=True)) + 5
    x = 8.0
    for decision in words.DECISIONS:
        page.box(x, at + 1, 8, 8)
        page.text(x + 12, at - 0.5, 90, decision, page.font(size))
        x += 92
    at += 20
    page.text(8, at, 60, "Note", page.font(size))
    page.rule(40, at + 11, page.width - 48, 0.5)
    at = y + PANEL_PT - 24
    for x, name, wide in (
        (8.0, "Signed for the panel", 230.0),
        (250.0, "Role", 120.0),
        (382.0, "Day and time", 130.0),
    ):
        page.rule(x, at + 8, min(wide, page.width - x - 8), 0.5)
        page.text(x, at + 10, wide, name, page.font(SMALL_PT), QUIET)


def _foot(page: _Page, facts: NoteFacts) -> float:
    """Cautions and checksums at the foot; returns where they begin."""
    small, mono = page.font(SMALL_PT), page.font(SMALL_PT - 0.8, mono=True)
    parts = [(text, small) for text in (" ".join(say.CAUTIONS), say.keeping_words(facts))]
    parts += [(text, mono) for text in say.checksum_words(facts)]
    y = top = page.height - sum(page.tall(text, font, page.width) + 1 for text, font in parts)
    for text, font in parts:
        y = page.text(0, y, page.width, text, font) + 1
    return top

"""PDF pages for reports and handouts: A4, flowing text, pictures, dots, the caution on each page."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path
from types import TracebackType
from typing import Final

from PySide6.QtCore import QMarginsF, QRectF, Qt
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QImage, QPageSize, QPainter, QPdfWriter, QPen

from bridge.errors import RecordingError
from overlay import words
from overlay.theme import LIGHT, Theme

DPI: Final = 150
PT: Final = DPI / 72  # device px of one point
MARGIN_MM: Final = 18.0


class Paper:
    """A PDF that is written from top to bottom; use it with ``with``.

    Args:
        path: the file; it is replaced.
        title: of the document, also in its properties.
        day: told in the foot.

    Raises:
        RecordingError: the file cannot be written.
    """

    def __init__(self, path: Path, title: str, day: date, theme: Theme = LIGHT) -> None:
        self._path, self._theme, self._day = path, theme, day
        self._title = title
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            with path.open("ab"):
                pass
        except OSError as error:
            raise RecordingError(f"{path}: cannot be written ({error.strerror})") from error
        self._writer = QPdfWriter(str(path))
        self._writer.setPageSize(QPageSize(QPageSize.PageSizeId.A4))
        self._writer.setResolution(DPI)
        self._writer.setPageMargins(QMarginsF(MARGIN_MM, MARGIN_MM, MARGIN_MM, MARGIN_MM))
        self._writer.setTitle(title)
        self._writer.setCreator("Railcrest")
        self._painter = QPainter()
        if not self._painter.begin(self._writer):
            raise RecordingError(f"{path}: cannot be written; choose another place")
        self.width = float(self._writer.width())
        self._foot = 26 * PT
        self._height = float(self._writer.height()) - self._foot
        self._y = 0.0
        self._page = 1
        self._draw_foot()

    @property
    def painter(self) -> QPainter:
        """For drawing of one's own, within what :meth:`room` gives."""
        return self._painter

    def room(self, height: float) -> QRectF:
        """A box of the page's width and this height, px; on a new page when this one is full."""
        if self._y > 0 and self._y + height > self._height:
            self._writer.newPage()
            self._page += 1
            self._y = 0.0
            self._draw_foot()
        box = QRectF(0.0, self._y, self.width, height)
        self._y += height
        return box

    def heading(self, text: str, size_pt: float = 15.0) -> None:
        """A heading that is not left alone at the foot of a page."""
        tall = self._tall(text, size_pt, True, self.width)
        if self._y > 0:
            self.gap(0.5 * size_pt)
        box = self.room(tall + 40 * PT)
        self._y -= 40 * PT
        self._text(QRectF(box.left(), box.top(), box.width(), tall), text, size_pt, True, self._theme.ink)
        self.gap(0.3 * size_pt)

    def text(self, text: str, size_pt: float = 10.0, quiet: bool = False, bold: bool = False) -> None:
        """A paragraph."""
        tall = self._tall(text, size_pt, bold, self.width)
        colour = self._theme.quiet if quiet else self._theme.ink
        self._text(self.room(tall), text, size_pt, bold, colour)
        self.gap(0.35 * size_pt)

    def keep(self, height_pt: float) -> None:
        """Begin a new page unless this one still has so much room."""
        self.room(height_pt * PT)
        self._y -= height_pt * PT

    def gap(self, points: float) -> None:
        """Leave some room, points."""
        self._y += points * PT

    def table(self, head: Sequence[str], rows: Sequence[Sequence[str]], shares: Sequence[float]) -> None:
        """A table with ruled rows; ``shares`` are the columns' parts of the page's width.

        Its head stands again on every page.
        """
        size = 9.0

        def row(cells: Sequence[str], bold: bool) -> None:
            widths = [share * self.width for share in shares]
            tall = max(self._tall(c, size, bold, w - 6 * PT) for c, w in zip(cells, widths, strict=True))
            page = self._page
            box = self.room(tall + 4 * PT)
            if self._page != page and not bold:
                self._y -= tall + 4 * PT
                row(head, True)
                box = self.room(tall + 4 * PT)
            x = box.left()
            for cell, width in zip(cells, widths, strict=True):
                where = QRectF(x, box.top() + 2 * PT, width - 6 * PT, tall)
                self._text(where, cell, size, bold, self._theme.ink)
                x += width
            self._painter.setPen(QPen(QColor(self._theme.rule), 0.7 * PT))
            self._painter.drawLine(box.bottomLeft(), box.bottomRight())

        row(head, True)
        for cells in rows:
            row(cells, False)
        self.gap(6)

    def picture(self, image: QImage, words_below: str = "", share: float = 1.0) -> None:
        """A picture at a part of the page's width, with words below."""
        width = share * self.width
        height = width * image.height() / max(1, image.width())
        below = self._tall(words_below, 9.0, False, width) if words_below else 0.0
        box = self.room(height + below + 4 * PT)
        self._painter.setRenderHint(QPainter.RenderHint.SmoothPixmapTransform)
        self._painter.drawImage(QRectF(box.left(), box.top(), width, height), image, QRectF(image.rect()))
        if words_below:
            where = QRectF(box.left(), box.top() + height + 2 * PT, width, below)
            self._text(where, words_below, 9.0, False, self._theme.quiet)
        self.gap(6)

    def drawing(self, height_pt: float, draw: Callable[[QPainter, QRectF], object]) -> None:
        """Draw into a box of the page's width."""
        box = self.room(height_pt * PT)
        self._painter.save()
        draw(self._painter, box)
        self._painter.restore()
        self.gap(4)

    def close(self) -> None:
        """Finish the file."""
        if self._painter.isActive():
            self._painter.end()

    def __enter__(self) -> Paper:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _draw_foot(self) -> None:
        top = self._height + 6 * PT
        box = QRectF(0.0, top, self.width, self._foot - 6 * PT)
        said = f"{words.CAUTION}   {self._title}, {self._day.isoformat()}, page {self._page}"
        self._text(box, said, 8.0, False, self._theme.quiet)

    def _font(self, size_pt: float, bold: bool) -> QFont:
        font = QFont("DejaVu Sans")
        font.setPixelSize(max(1, round(size_pt * PT)))
        font.setBold(bold)
        return font

    def _tall(self, text: str, size_pt: float, bold: bool, width: float) -> float:
        metrics = QFontMetricsF(self._font(size_pt, bold), self._writer)
        flags = int(Qt.TextFlag.TextWordWrap)
        return metrics.boundingRect(QRectF(0, 0, width, 1e6), flags, text or " ").height() + 1

    def _text(self, box: QRectF, text: str, size_pt: float, bold: bool, colour: str) -> None:
        self._painter.setFont(self._font(size_pt, bold))
        self._painter.setPen(QColor(colour))
        self._painter.drawText(box, int(Qt.TextFlag.TextWordWrap), text)

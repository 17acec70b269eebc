"""What is drawn over the picture, and in the margin that carries the bar on to the right.

Everything comes in picture coordinates and goes through one :class:`PictureMap`; pen widths and
text sizes are device pixels. The margin continues the bar's line beyond the picture's edge as a
heavy rule, with centimetres above and below it, so that a height is read against one line.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QPainter, QPainterPath, QPen, QPolygonF

from bridge.messages import Drawing, PathPoint, Point, Pose, Quantity, RailLine
from bridge.skeleton import BONES
from overlay import words
from overlay.picture_map import PictureMap
from overlay.theme import VIDEO_BODY, VIDEO_HALO, VIDEO_HIPS, VIDEO_LINE, Theme

COVERAGE_FACTOR = 2.0  # half-widths drawn are twice the standard uncertainty


@dataclass(frozen=True, slots=True)
class HandMarks:
    """Hips and line set by hand; ``what`` of them is being moved now, if any."""

    hips: Point | None = None  # picture px; None: as measured, or not in this picture
    line_px: float = 0.0  # how far down the line was moved, picture px
    what: str = ""


def line_y(line: RailLine, x: float) -> float:
    """Height of the line in the picture at ``x``, picture px, carried on beyond its ends."""
    (ax, ay), (bx, by) = line.a, line.b
    return (ay + by) / 2.0 if bx == ax else ay + (by - ay) * (x - ax) / (bx - ax)


def hip_at(hips: Sequence[PathPoint], t_ns: int) -> Point | None:
    """The hips at ``t_ns``, between the path's points; None outside the path."""
    if not hips or not hips[0].t_ns <= t_ns <= hips[-1].t_ns:
        return None
    for before, after in itertools.pairwise(hips):
        if t_ns <= after.t_ns:
            part = (t_ns - before.t_ns) / max(1, after.t_ns - before.t_ns)
            return before.x + part * (after.x - before.x), before.y + part * (after.y - before.y)
    return hips[-1].x, hips[-1].y


def px_per_cm(drawing: Drawing) -> float | None:
    """Picture pixels per centimetre of height, from the ends of the height scale."""
    if len(drawing.scale) < 2:
        return None
    low, high = drawing.scale[0], drawing.scale[-1]
    rise = _against(drawing.line, low.x, low.y) - _against(drawing.line, high.x, high.y)
    return rise / (high.cm - low.cm) if high.cm != low.cm else None


def _against(line: RailLine, x: float, y: float) -> float:
    """How far a point lies below the line, picture px."""
    return y - line_y(line, x)


class Ink:
    """Draws with one painter through one map. ``dpr`` turns logical widths into device pixels."""

    def __init__(self, painter: QPainter, pmap: PictureMap, theme: Theme, dpr: float, text_px: float) -> None:
        self._p = painter
        self._map = pmap
        self._theme = theme
        self._dpr = dpr
        font = QFont(painter.font())
        font.setPixelSize(max(1, round(text_px * dpr)))
        self._font = font
        self._metrics = QFontMetricsF(font)

    def _at(self, point: Point) -> QPointF:
        return QPointF(*self._map.to_view(point))

    def _pen(
        self, colour: str, width: float, style: Qt.PenStyle = Qt.PenStyle.SolidLine, alpha: int = 255
    ) -> QPen:
        shade = QColor(colour)
        shade.setAlpha(alpha)
        pen = QPen(shade, width * self._dpr, style)
        pen.setCapStyle(Qt.PenCapStyle.FlatCap)
        pen.setJoinStyle(Qt.PenJoinStyle.RoundJoin)
        return pen

    def _haloed(
        self, path: QPainterPath, colour: str, width: float, style: Qt.PenStyle = Qt.PenStyle.SolidLine
    ) -> None:
        self._p.setBrush(Qt.BrushStyle.NoBrush)
        self._p.setPen(self._pen(VIDEO_HALO, width + 2.5, alpha=150))
        self._p.drawPath(path)
        self._p.setPen(self._pen(colour, width, style))
        self._p.drawPath(path)

    @property
    def _edge(self) -> float:
        """Where the picture ends on the right as far as it is in view, picture px."""
        left, _, width, _ = self._map.visible
        return self._map.to_picture((left + width, 0.0))[0]

    def _ends(self, line: RailLine) -> tuple[Point, Point]:
        """The line carried on to both edges of the picture."""
        right = self._map.picture[0] - 0.5
        return (-0.5, line_y(line, -0.5)), (right, line_y(line, right))

    def rail(self, line: RailLine) -> None:
        """The bar's height across the picture, and its 95 % band."""
        a, b = self._ends(line)
        half = COVERAGE_FACTOR * line.u_px
        band = QPolygonF([
            self._at((a[0], a[1] - half)), self._at((b[0], b[1] - half)),
            self._at((b[0], b[1] + half)), self._at((a[0], a[1] + half)),
        ])  # fmt: skip
        shade = QColor(VIDEO_LINE)
        shade.setAlpha(80)
        self._p.setPen(Qt.PenStyle.NoPen)
        self._p.setBrush(shade)
        self._p.drawPolygon(band)
        path = QPainterPath(self._at(a))
        path.lineTo(self._at(b))
        self._haloed(path, VIDEO_LINE, 2.0)

    def body(self, pose: Pose) -> None:
        """The followed gymnast, thin, so that she is not covered."""
        for i, j in BONES:
            a, b = pose.joints[i], pose.joints[j]
            if a is not None and b is not None:
                path = QPainterPath(self._at(a))
                path.lineTo(self._at(b))
                self._p.setPen(self._pen(VIDEO_HALO, 3.0, alpha=90))
                self._p.drawPath(path)
                self._p.setPen(self._pen(VIDEO_BODY, 1.2, alpha=190))
                self._p.drawPath(path)

    def by_hand(self, line: RailLine, marks: HandMarks) -> None:
        """What was set by hand: white and broken, so that it is not taken for what was measured."""
        if marks.line_px or marks.what == "bar":
            (ax, ay), (bx, by) = self._ends(line)
            moved = QPainterPath(self._at((ax, ay + marks.line_px)))
            moved.lineTo(self._at((bx, by + marks.line_px)))
            self._haloed(moved, VIDEO_BODY, 2.2, Qt.PenStyle.DashLine)
        if marks.hips is not None:
            at, arm = self._at(marks.hips), 15.0 * self._dpr
            cross = QPainterPath()
            for dx, dy in ((arm, 0.0), (-arm, 0.0), (0.0, arm), (0.0, -arm)):
                cross.moveTo(at + QPointF(dx, dy))
                cross.lineTo(at + QPointF(dx, dy) * 0.25)
            self._haloed(cross, VIDEO_BODY, 2.4)

    def flight(self, drawing: Drawing, t_ns: int | None) -> None:
        """The hip path, the top of the flight measured from the line, and the hips now."""
        if len(drawing.hips) > 1:
            path = QPainterPath(self._at((drawing.hips[0].x, drawing.hips[0].y)))
            for point in drawing.hips[1:]:
                path.lineTo(self._at((point.x, point.y)))
            self._haloed(path, VIDEO_HIPS, 1.8)
        if drawing.apex is not None:
            self._dimension(drawing.line, drawing.apex)
        now = hip_at(drawing.hips, t_ns) if t_ns is not None else None
        if now is not None:
            self._ring(self._at(now), 8.0)

    def _dimension(self, line: RailLine, apex: Point) -> None:
        """A dimension as on a working drawing: from the line to the apex, and on to the margin."""
        top, foot = self._at(apex), self._at((apex[0], line_y(line, apex[0])))
        post = QPainterPath(foot)
        post.lineTo(top)
        self._haloed(post, VIDEO_HIPS, 1.6)
        edge = self._edge
        out = QPainterPath(QPointF(top.x() - 14 * self._dpr, top.y()))
        out.lineTo(self._at((edge, line_y(line, edge) + _against(line, *apex))))
        self._haloed(out, VIDEO_HIPS, 1.4, Qt.PenStyle.DashLine)

    def _ring(self, at: QPointF, radius: float) -> None:
        path = QPainterPath()
        path.addEllipse(at, radius * self._dpr, radius * self._dpr)
        self._haloed(path, VIDEO_HIPS, 2.6)

    # --- the margin ---------------------------------------------------------------------------

    def margin_rules(self, margin: QRectF, lines: Sequence[RailLine], below: bool = False) -> None:
        """The bars' lines carried on into the margin, each with its name above the rule, or below."""
        for line in lines:
            y = self._at((self._edge, line_y(line, self._edge))).y()
            if not margin.top() <= y <= margin.bottom():
                continue
            self._level(margin, y, COVERAGE_FACTOR * line.u_px * self._map.scale, self._theme.line, 4.0)
            name = words.bar_name(line.rail, line.label)
            self._label(margin, y, (name,), self._theme.line, above=not below)

    def margin_scale(
        self, margin: QRectF, drawing: Drawing, height: Quantity | None, t_ns: int | None
    ) -> None:
        """Centimetres against the bar, the top of the flight with its give-or-take, the hips now."""
        edge = self._edge
        zero = line_y(drawing.line, edge)

        def y_of(x: float, y: float) -> float:
            return self._at((edge, zero + _against(drawing.line, x, y))).y()

        taken = [self._at((edge, zero)).y()]
        if drawing.apex is not None and height is not None:
            top = y_of(*drawing.apex)
            taken += [top, top + math.copysign(self._metrics.height(), -words.rounded_cm(height.value) - 0.5)]
        self._ticks(margin, [(tick.cm, y_of(tick.x, tick.y)) for tick in drawing.scale], taken)
        per_cm = px_per_cm(drawing)
        if drawing.apex is not None and height is not None and per_cm is not None:
            half = words.give_or_take_cm(height.u) * per_cm * self._map.scale
            self._level(margin, taken[1], half, self._theme.hips, 2.0)
            said = (words.shortest_height(height), f"± {words.give_or_take_cm(height.u)} cm")
            self._label(margin, taken[1], said, self._theme.hips, above=words.rounded_cm(height.value) >= 0)
        now = hip_at(drawing.hips, t_ns) if t_ns is not None else None
        if now is not None:
            self._p.setBrush(Qt.BrushStyle.NoBrush)
            self._p.setPen(self._pen(self._theme.hips, 2.6))
            at = QPointF(margin.right() - 12 * self._dpr, y_of(*now))
            self._p.drawEllipse(at, 7 * self._dpr, 7 * self._dpr)

    def _level(self, margin: QRectF, y: float, half: float, colour: str, width: float) -> None:
        """A height in the margin: a rule with its 95 % band."""
        shade = QColor(colour)
        shade.setAlpha(70)
        self._p.fillRect(QRectF(margin.left(), y - half, margin.width(), 2.0 * half), shade)
        self._p.setPen(self._pen(colour, width))
        self._p.drawLine(QPointF(margin.left(), y), QPointF(margin.right(), y))

    def _label(self, margin: QRectF, y: float, lines: Sequence[str], colour: str, above: bool) -> None:
        """Lines of words over or under a rule of the margin."""
        tall, gap = self._metrics.height(), 7 * self._dpr
        room = margin.width() - 8 * self._dpr
        font = QFont(self._font)
        font.setWeight(QFont.Weight.DemiBold)
        self._p.setFont(font)
        self._p.setPen(QColor(colour))
        block = tall * len(lines)
        top = y - gap - block if above else y + gap
        top = min(max(top, margin.top()), margin.bottom() - block)
        for i, line in enumerate(lines):
            text = QFontMetricsF(font).elidedText(line, Qt.TextElideMode.ElideRight, room)
            box = QRectF(margin.left() + 8 * self._dpr, top + i * tall, room, tall)
            self._p.drawText(box, int(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter), text)

    def _ticks(self, margin: QRectF, ticks: Sequence[tuple[int, float]], taken: Sequence[float]) -> None:
        """Marks of the height scale; numbers at even steps that leave room, clear of what is said."""
        if len(ticks) < 2:
            return
        tall = self._metrics.height()
        (cm_a, y_a), (cm_b, y_b) = ticks[0], ticks[-1]
        per_cm = abs(y_b - y_a) / max(1, abs(cm_b - cm_a))
        step = next((s for s in (10, 20, 50) if s * per_cm >= 1.6 * tall), 100)
        self._p.setFont(self._font)
        for cm, y in ticks:
            inside = margin.top() + tall / 2 < y < margin.bottom() - tall / 2
            if cm == 0 or not inside:
                continue
            numbered = cm % step == 0
            self._p.setPen(self._pen(self._theme.quiet, 1.4))
            reach = (11 if numbered else 6) * self._dpr
            self._p.drawLine(QPointF(margin.left(), y), QPointF(margin.left() + reach, y))
            if numbered and all(abs(y - other) > 1.9 * tall for other in taken):
                self._p.setPen(QColor(self._theme.quiet))
                box = QRectF(margin.left() + 15 * self._dpr, y - tall / 2, margin.width(), tall)
                self._p.drawText(box, int(Qt.AlignmentFlag.AlignVCenter), f"{abs(cm)}")

"""Reports as PDF: one marker's own, the room's without names or ranking, before and after."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFont, QPainter, QPen

from overlay import words
from overlay.clinic.agreement import Item, Mark, own_agreement, room_agreement
from overlay.clinic.compare import Change, StillDisputed, change_lines, disputed_lines
from overlay.clinic.paper import PT, Paper
from overlay.clinic.practice import FEW, State
from overlay.clinic.spread import paint_spread
from overlay.clinic.steps import points
from overlay.clinic.summary import own_lines, room_lines
from overlay.theme import LIGHT

_MEANING = (
    "A deduction above the reference is stricter, below it milder. The reference is one expert's or a "
    "panel's judgement, not the truth; it may have been set with slow motion, which the markers did not "
    "see. The measured range is that of the band in which the flight was measured, too close to call "
    "included. Repeats tell how far a marker agrees with the same eyes a little later."
)


def marker_report(path: Path, state: State, marker: str, day: date) -> None:
    """One marker's report, from that marker's marks alone. Needs a running Qt application.

    Raises:
        RecordingError: the file cannot be written.
    """
    items = {i.number: i for i in state.items()}
    marks = [m for m in state.locked_marks() if m.marker == marker]
    own = own_agreement(list(items.values()), marks, marker)
    with Paper(path, f"{state.plan.title}: private report, marker {marker.removeprefix('m')}", day) as paper:
        paper.heading(state.plan.title, 18)
        paper.text(f"Private report for marker {marker.removeprefix('m')}. For nobody else.", bold=True)
        paper.text(f"Steps of {state.plan.table}; {_how(state)}.", quiet=True)
        for line in own_lines(own)[1:]:
            paper.text(line)
        off = [_apart(items[m.number], m) for m in marks if not items[m.number].repeat]
        known = [n for n in off if n is not None]
        if known:
            paper.heading("Each clip a dot: steps from the reference", 12)
            paper.drawing(96, lambda painter, box: paint_offsets(painter, box, known))
        paper.heading("Clip by clip", 12)
        head = ("Clip", "What", "Your mark", "Reference", "Measured range", "")
        rows = [_row(state, items[m.number], m) for m in sorted(marks, key=lambda m: m.number)]
        paper.table(head, rows, (0.08, 0.36, 0.13, 0.13, 0.16, 0.14))
        again = _repeats(items, marks)
        if again:
            paper.heading("The same clip again", 12)
            shown = [(f"{a} and {b}", points(x), points(y)) for a, b, x, y in again]
            paper.table(("Clips", "First mark", "Second mark"), shown, (0.3, 0.2, 0.2))
        paper.heading("What this means", 12)
        paper.text(_MEANING, quiet=True)


def room_report(path: Path, state: State, day: date) -> None:
    """The room's summary: no names, no order among markers. Needs a running Qt application.

    Raises:
        RecordingError: the file cannot be written.
    """
    items, marks = state.items(), state.locked_marks()
    room = room_agreement(items, marks)
    with Paper(path, f"{state.plan.title}: the room", day) as paper:
        paper.heading(state.plan.title, 18)
        paper.text("The room's summary. It names nobody and puts nobody in order.", bold=True)
        paper.text(f"Steps of {state.plan.table}; {_how(state)}.", quiet=True)
        for line in room_lines(room):
            if not line.startswith("Disputed:"):
                paper.text(line)
        paper.heading("How the marks spread, most disputed clips first", 12)
        by_clip = {i.clip: i for i in items if not i.repeat}
        for d in room.disputed:
            item = by_clip[d.clip]
            total = sum(count for _, count in d.spread)
            shown = state.showing(item.number)
            what = words.family_words(shown.family)
            title = f"Clip {item.number}, {what}: {d.apart:.1f} steps apart on average"
            paper.keep(15.5 * len(d.spread) + 34)
            paper.text(title, bold=True)
            if total < FEW:
                paper.text("Too few marks to show without telling whose they are.", quiet=True)
                continue
            draw = _spread_of(d.spread, item)
            paper.drawing(10.0 * 1.55 * len(d.spread), draw)
            if shown.reason:
                paper.text(f"Reference: {shown.by}. {shown.reason}", 9, quiet=True)
        paper.heading("What this means", 12)
        paper.text(_MEANING, quiet=True)


def change_report(path: Path, change: Change, titles: tuple[str, str], day: date) -> None:
    """Before and after, for the room. Needs a running Qt application.

    Raises:
        RecordingError: the file cannot be written.
    """
    with Paper(path, "Before and after", day) as paper:
        paper.heading("Before and after", 18)
        paper.text(f"{titles[0]} and {titles[1]}. It names nobody and puts nobody in order.", bold=True)
        for line in change_lines(change):
            paper.text(line)
        for name, room in zip(titles, (change.before, change.after), strict=True):
            paper.heading(name, 12)
            for line in room_lines(room):
                paper.text(line)


def disputed_report(path: Path, found: Sequence[StillDisputed], practices: int, day: date) -> None:
    """The clips that several practices leave disputed. Needs a running Qt application."""
    with Paper(path, "Disputed clips", day) as paper:
        paper.heading("Disputed clips", 18)
        paper.text(f"Over {practices} practices, most disputed first.", bold=True)
        for line in disputed_lines(found, len(found)):
            paper.text(line)


def paint_offsets(painter: QPainter, box: QRectF, steps: Sequence[int]) -> None:
    """Dots over an axis of steps from the reference: milder to the left, stricter to the right."""
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    most = max(3, max(abs(s) for s in steps))
    each = box.width() / (2 * most + 1)
    counts = Counter(steps)
    base = box.bottom() - 30 * PT
    radius = min(4.0 * PT, each / 4, (base - box.top()) / (2.6 * max(counts.values())))
    font = QFont("DejaVu Sans")
    font.setPixelSize(round(9 * PT))
    painter.setFont(font)
    painter.setPen(QPen(QColor(LIGHT.ink), 1.0 * PT))
    painter.drawLine(QPointF(box.left(), base), QPointF(box.right(), base))
    for n in range(-most, most + 1):
        x = box.left() + (n + most + 0.5) * each
        painter.setPen(QPen(QColor(LIGHT.line if n == 0 else LIGHT.rule), (2.0 if n == 0 else 0.7) * PT))
        painter.drawLine(QPointF(x, base), QPointF(x, base + 5 * PT))
        painter.setPen(QColor(LIGHT.ink))
        under = QRectF(x - 60 * PT, base + 6 * PT, 120 * PT, 11 * PT)
        painter.drawText(
            under, int(Qt.AlignmentFlag.AlignHCenter), "as the reference" if n == 0 else f"{n:+d}"
        )
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(QColor(LIGHT.ink))
        for k in range(counts[n]):
            painter.drawEllipse(QPointF(x, base - (2.5 * k + 1.6) * radius), radius, radius)
    painter.setPen(QColor(LIGHT.quiet))
    under = QRectF(box.left(), base + 17 * PT, box.width(), 12 * PT)
    painter.drawText(under, int(Qt.AlignmentFlag.AlignLeft), "← milder")
    painter.drawText(under, int(Qt.AlignmentFlag.AlignRight), "stricter →")


def safe_name(title: str) -> str:
    """A title as part of a file's name."""
    return re.sub(r"[^a-z0-9]+", "-", title.lower()).strip("-")[:40] or "practice"


def _spread_of(spread: Sequence[tuple[int, int]], item: Item) -> Callable[[QPainter, QRectF], object]:
    def draw(painter: QPainter, box: QRectF) -> object:
        return paint_spread(painter, box, tuple(spread), item.reference, item.measured, LIGHT, 10 * PT)

    return draw


def _how(state: State) -> str:
    views = state.plan.views
    times = "once" if views == 1 else "twice" if views == 2 else f"{views} times"
    return f"each clip shown {times} at {state.plan.speed}, {state.plan.thinking_ns // 10**9} s to think"


def _apart(item: Item, mark: Mark) -> int | None:
    if item.reference is None:
        return None
    at = item.steps.hundredths
    return at.index(mark.mark) - at.index(item.reference)


def _row(state: State, item: Item, mark: Mark) -> tuple[str, ...]:
    shown = state.showing(item.number)
    measured = ""
    if item.measured is not None:
        low, high = item.measured
        measured = points(low) if low == high else f"{points(low)} to {points(high)}"
    reference = points(item.reference) if item.reference is not None else ""
    note = " ".join([*(["again"] if item.repeat else []), *(["on paper"] if mark.paper else [])])
    return (
        str(item.number),
        words.family_words(shown.family),
        points(mark.mark),
        reference,
        measured,
        note,
    )


def _repeats(items: dict[int, Item], marks: Sequence[Mark]) -> list[tuple[int, int, int, int]]:
    by_number = {m.number: m.mark for m in marks}
    first = {i.clip: n for n, i in items.items() if not i.repeat}
    found = []
    for number, item in sorted(items.items()):
        earlier = first.get(item.clip)
        if item.repeat and earlier in by_number and number in by_number and earlier is not None:
            found.append((earlier, number, by_number[earlier], by_number[number]))
    return found

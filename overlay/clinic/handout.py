"""A handout to take home: each flight of a reel on a page, its moments, reading and reference."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path

from PySide6.QtCore import QRectF
from PySide6.QtGui import QPainter

from bridge.messages import Policy
from overlay import words
from overlay.clinic.paper import Paper
from overlay.clinic.reel import Take
from overlay.clinic.steps import points
from overlay.clinic.stills import MOMENT_WORDS, Size, canvas, moments_of, paint_flight, sentence_of
from overlay.pixels import decode_clip, frame_image

_USE = (
    "Shown with consent for teaching, and only for that. Do not film this sheet, pass it on or put it on "
    "the net; give it back or destroy it when the clinic is over."
)


def write_handout(path: Path, title: str, takes: Sequence[Take], day: date) -> None:
    """Write a handout. Needs a running Qt application.

    Raises:
        RecordingError: a copy cannot be read, or the file not written.
    """
    with Paper(path, title, day) as paper:
        paper.heading(title, 18)
        paper.text(_USE, quiet=True)
        for number, take in enumerate(takes, 1):
            reading = take.copy.reading
            paper.keep(330)
            paper.heading(f"{number}. {words.family_words(reading.family)}", 13)
            frames = decode_clip(take.film())
            level: Policy = "picture" if reading.state == "withheld" else "height"
            shown = [(w, t) for w, t in moments_of(reading) if frames.begin_ns <= t <= frames.end_ns][:4]
            size = Size(1600, 940)
            image = canvas(size)
            painter = QPainter(image)
            for n, (_, t_ns) in enumerate(shown):
                box = QRectF((n % 2) * 800 + 4, (n // 2) * 470 + 4, 792, 460)
                still = frame_image(frames.frames[frames.nearest(t_ns)])
                paint_flight(painter, box, still, take.copy, level, t_ns, 22, margin=False)
            painter.end()
            paper.picture(image, "Left to right, top to bottom: " + ", ".join(w for w, _ in shown) + ".")
            told = sentence_of(reading, "band")
            paper.text(told or f"No reading: {reading.reason}", bold=True)
            if reading.moments:
                rows = [
                    (
                        MOMENT_WORDS.get(m.name, m.name),
                        f"{words.rounded_cm(m.height.value):+d} cm {words.plus_minus(m.height)}",
                        f"{m.rise.value:+.1f} m/s {words.plus_minus(m.rise)}",
                    )
                    for m in reading.moments
                ]
                paper.table(
                    ("Moment", "Hips against the bar (95 %)", "Rising (95 %)"), rows, (0.4, 0.35, 0.25)
                )
            if take.reference is not None:
                r = take.reference
                slow = " It was set with slow motion." if r.slow_motion else ""
                reason = r.reason.strip().removesuffix(".")
                paper.text(f"Reference {points(r.mark)}, set by {r.by}: {reason}.{slow}")
                if r.why_changed:
                    paper.text(f"It was changed: {r.why_changed}", quiet=True)

"""The parallax lesson as a reel and a handout: one flight, several places, and where a line really belongs.

Every figure is worked out from where the cameras stood; the sources say what else is known.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from fractions import Fraction
from pathlib import Path
from typing import Final

import msgspec
from PySide6.QtCore import QRectF
from PySide6.QtGui import QPainter

from bridge.lesson import Lesson, Sight, near_end_error_m
from bridge.messages import RailLine
from overlay import words
from overlay.clinic.copies import Copy
from overlay.clinic.paper import Paper
from overlay.clinic.reel import NS, REVEAL_S, SLOW, Beside, Look, Part, Scripted, Take, Title
from overlay.clinic.stills import Size, canvas, paint_flight
from overlay.pixels import decode_clip, frame_image

HEIGHTS_M: Final = (
    (1.2, "seated at a table"),
    (1.6, "standing"),
    (2.0, ""),
    (2.5, "bar height"),
    (4.0, "balcony"),
)
DISTANCES_M: Final = (5, 8, 10, 15, 20)
SOURCES: Final = (
    "The table: similar triangles, worked out here for a camera that looks along the bar.",
    "A control panel on a raised podium regularly gave higher marks than the seated panel; a judges' podium "
    "of 50 cm, at least 10 m away, was proposed (FIG, tumbling committee, bulletin 224, "
    "fig-docs.com/eBulletin/Bulletin224/html/49.html).",
    "Judges' precision and accuracy on an arm-angle hold depended on the angle they saw it from; the authors "
    "recommend training with knowledge of results (PubMed 21466084).",
)
MANY: Final = 3  # shown beside each other


def takes_of(folder: Path, lesson: Lesson) -> list[Take]:
    """The sights as takes of a reel, drawn against the line through mid-bar."""
    return [Take(_place(s), folder, _copy(s, lesson), file=s.film, title=_place(s)) for s in lesson.sights]


def lesson_script(folder: Path, lesson: Lesson) -> list[Part]:
    """The lesson's parts: each place plain, with the wrong line, with the right one; then some in step."""
    parts: list[Part] = [
        Title((lesson.title, "It is one flight. Only the camera stands elsewhere.")),
    ]
    takes = takes_of(folder, lesson)
    for sight, take in zip(lesson.sights, takes, strict=True):
        parts.append(Scripted(take, tuple(_looks(sight, take))))
    for group in _groups(lesson, takes):
        parts.append(Beside(tuple(group), "apex"))
    parts.append(Title((words.CAUTION, "Draw the line through mid-bar, or stand at bar height."), 4.0))
    return parts


def write_lesson_handout(path: Path, folder: Path, lesson: Lesson, day: date) -> None:
    """The lesson on paper: stills with both lines, the table, the sources. Needs a running Qt application.

    Raises:
        RecordingError: a film cannot be read, or the file not written.
    """
    with Paper(path, lesson.title, day) as paper:
        paper.heading(lesson.title, 18)
        paper.text(
            "It is one flight, filmed in the studio; nobody in it is real. Only the camera stands elsewhere."
        )
        for sight, take in zip(lesson.sights, takes_of(folder, lesson), strict=True):
            paper.keep(190)
            paper.heading(_place(sight), 12)
            frames = decode_clip(take.film())
            image = canvas(Size(1600, 460))
            painter = QPainter(image)
            still = frame_image(frames.frames[frames.nearest(sight.reading.apex_ns)])
            for n, copy in enumerate((_with_line(take.copy, sight.near), take.copy)):
                box = QRectF(n * 804, 0, 796, 456)
                paint_flight(painter, box, still, copy, "line", sight.reading.apex_ns, 22, margin=False)
            painter.end()
            paper.picture(
                image, "Left: level line through the near end of the bar. Right: line through mid-bar."
            )
            far = round(100 * sight.far_off_m)
            paper.text(f"{_near_words(sight)} Through the far end: {far:+d} cm.")
        paper.heading("What a line through the near end costs", 12)
        bar_m, rail_m = lesson.high_bar_m, lesson.rail_length_m
        paper.text(f"Bar {bar_m:g} m above the floor on which the camera stands, {rail_m:g} m long.")
        head = ("Camera above the floor", *[f"{d} m away" for d in DISTANCES_M])
        paper.table(head, table_rows(bar_m, rail_m), (0.35, *[0.13] * 5))
        podium = "A podium lifts the bar, which is as if the camera stood that much lower."
        paper.text(f"Centimetres too high; minus: too low. {podium}", quiet=True)
        paper.heading("Sources", 12)
        for source in SOURCES:
            paper.text(source, 9, quiet=True)


def table_rows(bar_m: float, rail_m: float) -> list[tuple[str, ...]]:
    """Error of a line through the near end, whole cm, by camera height and distance."""
    rows = []
    for height_m, name in HEIGHTS_M:
        errors = [round(100 * near_end_error_m(bar_m, height_m, d, rail_m / 2)) for d in DISTANCES_M]
        called = f"{height_m:.1f} m ({name})" if name else f"{height_m:.1f} m"
        rows.append((called, *[f"{cm:+d}" if cm else "0" for cm in errors]))
    return rows


def _looks(sight: Sight, take: Take) -> list[Look]:
    copy, reading = take.copy, take.copy.reading
    begin, apex = copy.times_ns[0], reading.apex_ns
    span = (copy.times_ns[-1] - begin) / NS
    name = _place(sight)
    near = _with_line(copy, sight.near)
    truth = "As it was"
    if reading.apex is not None:
        truth += f": hips {words.short_height(reading.apex).removesuffix(' the bar')} the bar"
    return [
        Look(span, begin, Fraction(1), caption=name, lower=words.speed_words(Fraction(1))),
        Look(span / float(SLOW) / 2, begin, SLOW * 2, caption=name, lower=words.speed_words(SLOW * 2)),
        Look(REVEAL_S, apex, caption=name, lower="stopped: highest point"),
        Look(2 * REVEAL_S, apex, level="line", caption=name, lower=_near_words(sight), copy=near),
        Look(1.5 * REVEAL_S, apex, level="line", caption=name, lower="The line through mid-bar"),
        Look(1.5 * REVEAL_S, apex, level="height", caption=name, lower=truth),
    ]


def _near_words(sight: Sight) -> str:
    cm = round(100 * sight.near_off_m)
    apex = sight.reading.apex
    if cm == 0:
        return "A line through the near end is right from here: the camera stands at bar height."
    way = "high" if cm > 0 else "low"
    said = f"A line through the near end of the bar stands {abs(cm)} cm too {way}."
    if apex is not None:
        seen = words.rounded_cm(apex.value) - cm
        where = f"{abs(seen)} cm {'above' if seen > 0 else 'below'}" if seen else "level with"
        true = words.rounded_cm(apex.value)
        as_was = f"{abs(true)} cm {'above' if true > 0 else 'below'}" if true else "level with it"
        said += f" The hips look {where} the bar; they were {as_was}."
    return said


def _groups(lesson: Lesson, takes: Sequence[Take]) -> list[list[Take]]:
    """The lowest, the one nearest bar height and the highest camera, in step."""
    order = sorted(range(len(takes)), key=lambda n: lesson.sights[n].height_m)
    if len(order) < 2:
        return []
    level = min(order, key=lambda n: abs(lesson.sights[n].height_m - lesson.high_bar_m))
    chosen = sorted({order[0], level, order[-1]}, key=lambda n: lesson.sights[n].height_m)
    return [[takes[n] for n in chosen][:MANY]]


def _place(sight: Sight) -> str:
    off = f", {abs(sight.off_deg):g} degrees off" if sight.off_deg else ""
    return f"Camera {sight.height_m:g} m high, {sight.distance_m:g} m away{off}"


def _copy(sight: Sight, lesson: Lesson) -> Copy:
    return Copy(
        example=f"{lesson.title}/{sight.film}",
        picture=sight.picture,
        times_ns=sight.times_ns,
        reading=sight.reading,
    )


def _with_line(copy: Copy, line: RailLine) -> Copy:
    drawing = copy.reading.drawing
    if drawing is None:
        return copy
    other = msgspec.structs.replace(drawing, line=line)
    return msgspec.structs.replace(copy, reading=msgspec.structs.replace(copy.reading, drawing=other))

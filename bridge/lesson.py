"""A parallax lesson: one flight filmed from several places, with the lines that could be drawn.

The studio writes it, the clinic shows it. A folder holds ``lesson.json`` and the films it names.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

import msgspec

from bridge.errors import RecordingError
from bridge.messages import RailLine, Reading

FORMAT: Final = 1
FILE: Final = "lesson.json"


class Sight(msgspec.Struct, frozen=True, kw_only=True):
    """The flight from one place."""

    film: str  # Matroska, a name in the lesson's folder
    distance_m: float  # level, from the middle of the high bar
    height_m: float  # above the floor
    off_deg: float  # off the bars' direction
    picture: tuple[int, int]
    times_ns: tuple[int, ...]
    reading: Reading  # the truth, drawn against the line through mid-bar
    near: RailLine  # level in the picture, through the near end of the bar
    far: RailLine
    near_off_m: float  # how much too high that line stands in the flight plane at the bar; negative: too low
    far_off_m: float


class Lesson(msgspec.Struct, frozen=True, kw_only=True):
    """A lesson as written."""

    format: int = FORMAT
    title: str
    high_bar_m: float  # top above the floor
    rail_length_m: float
    sights: tuple[Sight, ...]


def read_lesson(folder: Path) -> Lesson:
    """Read a lesson. Raises RecordingError when the folder holds none, or names a film outside."""
    try:
        lesson = msgspec.json.decode((folder / FILE).read_bytes(), type=Lesson)
    except (OSError, msgspec.MsgspecError, UnicodeDecodeError) as error:
        raise RecordingError(f"{folder}: no lesson ({error}); see railcrest studio parallax") from error
    if lesson.format > FORMAT:
        raise RecordingError(f"{folder}: written by a newer Railcrest; update this one")
    for sight in lesson.sights:
        if Path(sight.film).name != sight.film or not sight.times_ns:
            raise RecordingError(f"{folder}: {sight.film!r} is no film of this lesson")
    return lesson


def write_lesson(folder: Path, lesson: Lesson) -> None:
    """Write a lesson beside its films. Raises RecordingError when that cannot be done."""
    try:
        (folder / FILE).write_bytes(msgspec.json.format(msgspec.json.encode(lesson), indent=1))
    except OSError as error:
        raise RecordingError(f"{folder / FILE}: cannot be written ({error.strerror})") from error


def near_end_error_m(bar_m: float, camera_m: float, distance_m: float, half_rail_m: float) -> float:
    """How much too high a line through the near end of a bar stands at mid-bar, m; negative: too low.

    By similar triangles, for a camera that looks along the bar: the sight line over the near end, which
    is ``half_rail_m`` closer, goes on rising (or falling) until it is over the middle.

    Args:
        bar_m, camera_m: heights above the same floor.
        distance_m: of the camera from mid-bar, level.

    Raises:
        ValueError: the camera stands between the ends.
    """
    if distance_m <= half_rail_m:
        raise ValueError("the camera must stand beyond the near end")
    return (bar_m - camera_m) * half_rail_m / (distance_m - half_rail_m)

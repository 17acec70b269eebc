"""The parallax lesson: what the studio films agrees with the geometry, and the clinic shows it."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import av
import msgspec
import pytest

from bridge.errors import ConfigError, RecordingError
from bridge.lesson import FILE, near_end_error_m, read_lesson, write_lesson
from capture.studio.parallax import film_lesson, places_of
from overlay.clinic.lesson import lesson_script, table_rows, takes_of, write_lesson_handout
from overlay.clinic.reel import Beside, Scripted, part_name, write_reel
from overlay.clinic.stills import Size
from overlay.ink import line_y
from overlay.pixels import decode_clip
from tests.test_clinic_reports import is_pdf

SHIPPED = Path(__file__).parent.parent / "recorded_sessions" / "clinic" / "parallax"


def test_figures_by_similar_triangles() -> None:
    """Worked out apart from this program (bar 2.5 m above the camera's floor, 2.4 m long), whole cm."""
    rows = {row[0][:3]: row[1:] for row in table_rows(2.5, 2.4)}
    assert rows["1.2"] == ("+41", "+23", "+18", "+11", "+8")
    assert rows["1.6"] == ("+28", "+16", "+12", "+8", "+6")
    assert rows["2.0"] == ("+16", "+9", "+7", "+4", "+3")
    assert rows["2.5"] == ("0", "0", "0", "0", "0")
    assert rows["4.0"] == ("-47", "-26", "-20", "-13", "-10")
    with pytest.raises(ValueError, match="beyond"):
        near_end_error_m(2.5, 1.2, 1.0, 1.2)


def test_what_was_filmed_agrees_with_the_geometry() -> None:
    lesson = read_lesson(SHIPPED)
    half = lesson.rail_length_m / 2
    assert len({s.height_m for s in lesson.sights}) >= 4
    for sight in lesson.sights:
        expected = near_end_error_m(lesson.high_bar_m, sight.height_m, sight.distance_m, half)
        assert sight.near_off_m == pytest.approx(expected, abs=0.003)  # the camera is fitted to a survey
        assert sight.near_off_m * sight.far_off_m <= 0  # the far end errs to the other side
        # The same flight in every film.
        first = lesson.sights[0].reading
        assert sight.reading.apex == first.apex
        assert sight.reading.apex_ns == first.apex_ns
        # In the picture, too: hips against each line, by the scale of the drawing.
        drawing = sight.reading.drawing
        assert drawing is not None
        assert drawing.apex is not None
        assert sight.reading.apex is not None
        low, high = drawing.scale[0], drawing.scale[-1]
        cm_per_px = (high.cm - low.cm) / (low.y - high.y)
        x, y = drawing.apex
        assert (line_y(drawing.line, x) - y) * cm_per_px == pytest.approx(
            100 * sight.reading.apex.value, abs=2.0
        )


def test_a_film_from_two_places(tmp_path: Path) -> None:
    lesson = film_lesson(tmp_path, places_of(["1.2,10", "3,9,5"]), rows=360, fps=10)
    assert read_lesson(tmp_path) == lesson
    assert sorted(p.name for p in tmp_path.iterdir()) == [FILE, "sight-1.mkv", "sight-2.mkv"]
    assert [s.off_deg for s in lesson.sights] == [0.0, 5.0]
    for take, sight in zip(takes_of(tmp_path, lesson), lesson.sights, strict=True):
        assert decode_clip(take.film()).times_ns == sight.times_ns
    assert lesson.sights[0].near_off_m > 0.15
    assert lesson.sights[1].near_off_m < 0
    for wrong in ("1.2", "1,2,3,4", "x,10", "1.2,500"):
        with pytest.raises(ConfigError, match="height,distance"):
            places_of([wrong])
    with pytest.raises(ConfigError, match="at least one"):
        film_lesson(tmp_path, [])


def test_the_wrong_line_comes_before_the_right_one(qtbot: Any, tmp_path: Path) -> None:
    lesson = read_lesson(SHIPPED)
    parts = lesson_script(SHIPPED, lesson)
    assert sum(isinstance(p, Beside) for p in parts) == 1
    scripted = [p for p in parts if isinstance(p, Scripted)]
    assert len(scripted) == len(lesson.sights)
    for part, sight in zip(scripted, lesson.sights, strict=True):
        levels = [look.level for look in part.looks]
        assert levels == ["picture", "picture", "picture", "line", "line", "height"]
        wrong = part.looks[3]
        assert wrong.copy is not None
        assert wrong.copy.reading.drawing is not None
        assert wrong.copy.reading.drawing.line == sight.near
        if abs(sight.near_off_m) > 0.01:
            way = "too high" if sight.near_off_m > 0 else "too low"
            assert f"{abs(round(100 * sight.near_off_m))} cm {way}" in wrong.lower
    assert len({part_name(p, Size()) for p in parts}) == len(parts)
    out = tmp_path / "parallax.mp4"
    write_reel(out, [scripted[0]], Size(320, 180))
    with av.open(str(out)) as film:
        assert film.streams.video[0].frames == sum(round(30 * look.seconds) for look in scripted[0].looks)
    write_lesson_handout(tmp_path / "h.pdf", SHIPPED, lesson, date(2031, 5, 4))
    assert is_pdf(tmp_path / "h.pdf") == 2


def test_a_lesson_names_only_its_own_films(tmp_path: Path) -> None:
    lesson = read_lesson(SHIPPED)
    outside = msgspec.structs.replace(lesson.sights[0], film="../feed.mkv")
    write_lesson(tmp_path, msgspec.structs.replace(lesson, sights=(outside,)))
    with pytest.raises(RecordingError, match="no film of this lesson"):
        read_lesson(tmp_path)
    write_lesson(tmp_path, msgspec.structs.replace(lesson, format=99))
    with pytest.raises(RecordingError, match="newer"):
        read_lesson(tmp_path)
    with pytest.raises(RecordingError, match="no lesson"):
        read_lesson(tmp_path / "absent")

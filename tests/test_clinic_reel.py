"""The teaching reel: what is seen when, stopping and going on, and the handout."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Iterator
from datetime import date
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
import typer
from typer.testing import CliRunner

from bridge.errors import ConfigError
from bridge.journal import Gymnast
from bridge.session import Session, SessionWriter, read_manifest
from overlay.clinic.collecting import collect_flight
from overlay.clinic.commands import register
from overlay.clinic.copies import have_copy
from overlay.clinic.examples import Collection, Hidden, Reference
from overlay.clinic.handout import write_handout
from overlay.clinic.reel import (
    FPS,
    SLOW,
    Beside,
    Single,
    StoppedError,
    Take,
    Title,
    looks,
    part_name,
    script,
    write_reel,
)
from overlay.clinic.stills import Size, moments_of, sentence_of
from tests.test_clinic_reports import is_pdf

SHIPPED = Path(__file__).parent.parent / "recorded_sessions" / "clinic" / "evening-2"
TODAY = date(2031, 5, 4)
SMALL = Size(320, 180)


@pytest.fixture
def session(tmp_path: Path) -> Path:
    return Path(shutil.copytree(SHIPPED, tmp_path / "evening-2"))


@pytest.fixture
def kept(tmp_path: Path, session: Path) -> Collection:
    made = Collection(tmp_path / "set.json", lambda: TODAY)
    for flight in ("r1-f2", "r1-f3"):
        example = collect_flight(made, session, flight, "good", "invented")
        why = Reference(
            mark=0, reason="hips clear of the bar", by="panel of three", on=TODAY, slow_motion=True
        )
        made.refer(example.id, why)
    return made


@pytest.fixture
def takes(kept: Collection, qtbot: Any) -> list[Take]:
    return [Take(e.id, *have_copy(kept.copies, e), e.reference) for e in kept.find()]


def film(path: Path) -> Iterator[tuple[float, np.ndarray]]:
    with av.open(str(path)) as container:
        for frame in container.decode(video=0):
            assert frame.time is not None
            yield frame.time, frame.to_ndarray(format="rgb24")


def test_true_speed_and_plain_come_first_and_the_band_last(takes: list[Take]) -> None:
    seen = looks(takes[0])
    reading = takes[0].copy.reading
    assert [s.level for s in seen] == sorted(
        (s.level for s in seen), key=("picture", "line", "height", "band").index
    )
    moving = [s for s in seen if s.speed]
    assert [s.speed for s in moving] == [Fraction(1), SLOW]
    assert all(s.level == "picture" for s in moving)
    assert moving[0].lower == "true speed"
    assert moving[1].lower == "quarter speed"
    span = (takes[0].copy.times_ns[-1] - takes[0].copy.times_ns[0]) / 1e9
    assert [s.seconds for s in moving] == pytest.approx([span, 4 * span])
    stops = [(s.lower, s.from_ns) for s in seen if not s.speed and s.lower.startswith("stopped: ")]
    for word, t_ns in moments_of(reading):
        assert (f"stopped: {word}", t_ns) in stops
    assert len(moments_of(reading)) >= 4
    assert seen[-2].lower == sentence_of(reading, "band")
    assert "give or take" in seen[-2].lower
    assert "Set with slow motion." in seen[-1].lower
    said = " ".join(s.caption + s.lower for s in seen)
    assert takes[0].name not in said  # no session and no number on the film
    assert takes[0].copy.reading.flight not in said


def test_a_reel_stops_and_goes_on_where_it_was(takes: list[Take], tmp_path: Path) -> None:
    out = tmp_path / "reel.mp4"
    parts = script("Invented", [], [Beside(tuple(takes), "apex")])
    assert [type(p) for p in parts] == [Title, Beside, Title]
    lengths: list[int] = []

    def stop_in_the_second(done: int, of: int) -> bool:
        lengths.append(of)
        return done < 120

    with pytest.raises(StoppedError, match="goes on"):
        write_reel(out, parts, SMALL, stop_in_the_second)
    assert not out.exists()
    left = sorted(p.name for p in (tmp_path / ".reel-parts").iterdir())
    assert left == [f"{part_name(parts[0], SMALL)}.mp4"]  # the whole first part, and nothing half
    stamp = (tmp_path / ".reel-parts" / left[0]).stat().st_mtime_ns
    counted: list[int] = []

    def count(done: int, of: int) -> bool:
        if not counted:
            assert (tmp_path / ".reel-parts" / left[0]).stat().st_mtime_ns == stamp
        counted.append(done)
        return True

    write_reel(out, parts, SMALL, count)
    total = lengths[0]
    assert counted[0] == 75  # the card was not coded again
    assert counted == sorted(counted)
    assert counted[-1] == total
    assert not (tmp_path / ".reel-parts").exists()
    times = [t for t, _ in film(out)]
    assert len(times) == total
    assert np.diff(times) == pytest.approx(1 / FPS, abs=1e-3)


def test_in_step_means_the_same_moment_on_the_same_picture(takes: list[Take], tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="two or three"):
        Beside((takes[0],))
    with pytest.raises(ConfigError, match="at least one"):
        script("Invented", [])
    names = {part_name(p, SMALL) for p in (Single(takes[0], 1), Single(takes[0], 2), Single(takes[1], 1))}
    names |= {part_name(Beside((takes[0], takes[1]), s), SMALL) for s in ("apex", "release")}
    assert len(names) == 5
    assert part_name(Single(takes[0], 1), Size()) not in names


def test_one_flight_from_plain_to_band(takes: list[Take], tmp_path: Path) -> None:
    """On the film itself: nothing is drawn on the picture before the reveal, and the line then."""
    out = tmp_path / "reel.mp4"
    write_reel(out, [Single(takes[0], 1)], SMALL)
    seen = looks(takes[0], 1)
    begins = np.cumsum([0.0] + [round(s.seconds * FPS) / FPS for s in seen])
    reveal = next(n for n, s in enumerate(seen) if s.level == "line")
    apex_stop = next(n for n, s in enumerate(seen) if s.lower == "stopped: highest point")
    pictures = {round(t * FPS): p.astype(int) for t, p in film(out)}
    plain = pictures[round((begins[apex_stop] + 0.5) * FPS)]
    lined = pictures[round((begins[reveal] + 0.5) * FPS)]
    changed = np.abs(plain - lined).max(axis=2) > 60
    picture = changed[15:155, 10:230]
    rows = np.flatnonzero(picture.mean(axis=1) > 0.5)
    assert 1 <= len(rows) <= 8  # a line across the picture, and little else
    assert picture.mean() < 0.1


def test_by_command_only_what_is_cleared_and_with_a_note(
    kept: Collection, session: Path, tmp_path: Path, qtbot: Any
) -> None:
    app = typer.Typer()
    register(app)
    out, pdf = tmp_path / "reel.mp4", tmp_path / "handout.pdf"
    kept.hide("evening-2/r1-f2", [Hidden(x=180, y=300, width=100, height=180)])
    before = hashlib.sha256((session / "feed-0001.mkv").read_bytes()).hexdigest()
    how = ["clinic", "reel", str(out), "--beside", "evening-2/r1-f2,evening-2/r1-f3", "--height", "360"]
    how += ["--set", str(tmp_path / "set.json"), "--handout", str(pdf), "--by", "teacher"]
    with pytest.raises(ConfigError, match="r1-f3: nobody looked it over"):
        CliRunner().invoke(app, how, catch_exceptions=False)
    kept.hide("evening-2/r1-f3", [])
    done = CliRunner().invoke(app, how, catch_exceptions=False)
    assert done.exit_code == 0, done.output
    assert out.is_file()
    assert is_pdf(pdf) >= 2
    with Session.open(session).journal() as journal:
        notes = [row.body for row in journal.rows("note")]
    assert '"about":"export"' in notes[-1]
    assert "reel.mp4: r1-f2, r1-f3" in notes[-1]
    assert hashlib.sha256((session / "feed-0001.mkv").read_bytes()).hexdigest() == before
    with SessionWriter(session, read_manifest(session)) as writer:
        writer.journal.append(Gymnast(start_number="24", consent="coaching"), 0)
    with pytest.raises(ConfigError, match="not cleared"):
        CliRunner().invoke(app, how, catch_exceptions=False)


def test_the_handout_tells_reading_and_reference(takes: list[Take], tmp_path: Path) -> None:
    write_handout(tmp_path / "h.pdf", "Invented", takes[:1], TODAY)
    assert is_pdf(tmp_path / "h.pdf") >= 1

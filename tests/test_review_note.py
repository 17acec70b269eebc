"""The review note: one page whose figures are the journal's, with stills, clip and table beside it."""

from __future__ import annotations

import csv
import ctypes
import re
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import av
import msgspec
import numpy as np
import pypdfium2
import pypdfium2.raw as pdfium
import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QImage
from pytestqt.qtbot import QtBot
from typer.testing import CliRunner

from bridge.bus import DeskClient, SessionFeed
from bridge.cli import build_app
from bridge.clock import SystemClock
from bridge.errors import ConfigError, RecordingError
from bridge.journal import Consent, Gymnast, Note, sha256_of
from bridge.messages import (
    BandChance,
    Correction,
    Drawing,
    Look,
    Measure,
    Moment,
    PathPoint,
    Policy,
    Quantity,
    RailLine,
    Reading,
    Routine,
    Ruling,
    Tick,
    Viewing,
)
from bridge.session import Session, SessionWriter, new_manifest, read_manifest
from overlay.desk import DeskThread
from overlay.feed import Feed, FeedThread
from overlay.note.facts import collect, instants
from overlay.note.in_viewer import FOLDER, NotePage
from overlay.note.in_viewer import add as add_note
from overlay.note.stills import LEAST, framing
from overlay.note.writer import Written, write_note
from overlay.recorded import FolderDesk, FolderSource
from overlay.window import Window
from tests.conftest import Bus
from tests.hall_rooms import CAMERA, RIG
from tests.sessions import SIZE, TIMES_NS, invented_reading, write_segment
from tests.viewer_arena import arena_on

LINE = RailLine(rail="high", a=(0.0, 50.0), b=(191.0, 48.0), u_px=0.6, label="bar")
APEX = Quantity(0.1234, 0.0141, "m")


@pytest.fixture(autouse=True)
def _fonts(qapp: object) -> None:
    """Painting needs Qt."""


def moment(name: str, picture: int, height_m: float, rise: float) -> Moment:
    return Moment(
        name=name,
        t_ns=TIMES_NS[picture],
        height=Quantity(height_m, 0.02, "m"),
        rise=Quantity(rise, 0.1, "m/s"),
    )


def measured(**more: object) -> Reading:
    """A settled flight of pictures 30 to 60 with everything that can be measured."""
    hips = tuple(PathPoint(TIMES_NS[i], 60.0 + i, 70.0 - 0.1 * (225 - (i - 45) ** 2)) for i in range(30, 61))
    drawing = Drawing(
        line=LINE, hips=hips, apex=(105.0, 47.5),
        scale=(Tick(-50, 105.0, 69.0), Tick(50, 105.0, 29.0)),
    )  # fmt: skip
    return invented_reading(
        1, 30, 45, 60, **{
            "apex": APEX, "drawing": drawing, "band": "above", "band_p": 0.98, "range": (0.0, 0.05),
            "chances": (BandChance("above", 0.98), BandChance("level", 0.02)),
            "moments": (moment("release", 30, -0.45, 2.7), moment("apex", 45, 0.1234, 0.1),
                        moment("regrasp", 60, -0.31, -2.4), moment("down_swing", 68, -0.7, -3.5)),
            "measures": (Measure(name="flight_time", quantity=Quantity(0.5123, 0.011, "s"),
                                 sentence="She was in the air for 0.51 s."),),
            **more,
        }
    )  # fmt: skip


def reviewed(
    folder: Path,
    reading: Reading | None = None,
    *,
    consent: Consent = "coaching",
    policy: Policy | None = "band",
    looks: int = 1,
) -> Path:
    """A closed session with one flight, a ruling on it and people who looked at it."""
    manifest = new_manifest(
        "Invented inquiry", rig_toml=RIG.format(high_bar_m=2.4), camera=CAMERA, table="invented 2026",
        policy=policy, created_ns=TIMES_NS[0] - 3_000_000_000, software="railcrest test",
    )  # fmt: skip
    with SessionWriter(folder, manifest) as writer:
        write_segment(folder, TIMES_NS)
        journal = writer.journal
        journal.append(Gymnast(start_number="12", consent=consent, name="Invented Person"), 0)
        journal.append(Routine(routine=1, start_number="12", begin_ns=TIMES_NS[0]), TIMES_NS[0])
        journal.append(reading or measured(), TIMES_NS[61])
        journal.append(Ruling(flight="r1-f1", decision="level", note="both agree", by="panel"), TIMES_NS[140])
        for i in range(looks):
            seen = (
                Viewing(speed=1.0, level="picture", passes=1.0),
                Viewing(speed=0.25, level="line", passes=2.0),
            )
            journal.append(
                Look(flight="r1-f1", routine=1, by=f"judge {i + 1}", lasted_s=20.0, views=seen,
                     stills=("apex",), wall_time="2026-11-20T14:05:09+01:00"), TIMES_NS[141],
            )  # fmt: skip
    return folder


@dataclass(frozen=True)
class Paper:
    """A PDF as a reader sees it."""

    pages: int
    size_pt: tuple[float, float]
    text: str
    fonts: frozenset[tuple[str, bool]]  # name, embedded
    picture: np.ndarray  # grey values


def read(path: Path) -> Paper:
    document = pypdfium2.PdfDocument(path)
    page = document[0]
    words = page.get_textpage()
    text = re.sub(r"[\s\u00a0]+", " ", words.get_text_bounded())
    words.close()
    fonts = set()
    for thing in page.get_objects(filter=[pdfium.FPDF_PAGEOBJ_TEXT]):
        font = pdfium.FPDFTextObj_GetFont(thing.raw)
        name = ctypes.create_string_buffer(100)
        pdfium.FPDFFont_GetBaseFontName(font, name, 100)
        fonts.add((name.value.decode(), pdfium.FPDFFont_GetIsEmbedded(font) == 1))
    picture = page.render(scale=1.5, grayscale=True).to_numpy()
    found = Paper(len(document), page.get_size(), text, frozenset(fonts), np.array(picture).squeeze())
    document.close()
    return found


def test_the_page_says_what_the_journal_says(tmp_path: Path) -> None:
    folder = reviewed(tmp_path / "s")
    with Session.open(folder).journal() as journal:
        number, head = journal.head()
        seal = journal.seals()["feed-0001.mkv"]
    written = write_note(folder, "r1-f1", tmp_path / "out", by="head judge", why="inquiry 3")
    assert written.left_out == ()
    page = read(written.files[0])
    assert page.pages == 1
    assert page.size_pt == pytest.approx((595, 842), abs=1)
    for said in (
        "Invented inquiry", "Routine 1, flight 1, start number 12.", "Display aid only. The panel decides.",
        "Hips 12 cm above the high bar, give or take 3 cm (95 %).",
        "hips 45 cm below, ± 4 cm", "hips 12 cm above, ± 3 cm",
        "rising 2.7 ± 0.2 m/s", "start of the down-swing", "hips 70 cm below",
        "0.51 s (± 0.03 s)", "Band: above, 98 % sure. Chances: above 98 %, level 2 %.",
        "Range in the table (invented 2026): 0.00 to 0.05. It is no deduction",
        "9.0 m away, 2.2 m high, 6 degrees off", "may be off by 4 cm (95 %)", "high bar 2.40 m",
        "none missing", "invented 2026.",
        "14:05 judge 1: true speed plain once; quarter speed with the line twice",
        "The panel ruled: level", "Note: both agree", "Signed for the panel", "Consent: coaching.",
        "is no evidence for an inquiry", f"journal row {number}, SHA-256 {head}, chain whole",
        f"feed-0001.mkv SHA-256 {seal}", "session s, flight r1-f1, railcrest test",
    ):  # fmt: skip
        assert said in page.text, said
    assert "Invented Person" not in page.text
    assert len(page.fonts) == 3
    assert all(embedded for _, embedded in page.fonts)


def test_it_is_a_page_to_look_at_and_not_only_to_read(tmp_path: Path) -> None:
    page = read(write_note(reviewed(tmp_path / "s"), "r1-f1", tmp_path / "out").files[0])
    height, width = page.picture.shape
    margin = round(30 / 842 * height)
    edges = (
        page.picture[:margin],
        page.picture[-margin:],
        page.picture[:, :margin],
        page.picture[:, -margin:],
    )
    assert all(edge.min() == 255 for edge in edges)  # nothing runs off the paper
    still = page.picture[round(0.12 * height) : round(0.20 * height), round(0.1 * width) : round(0.2 * width)]
    assert still.std() > 10  # a picture, not an empty frame
    foot = page.picture[round(0.86 * height) : round(0.97 * height)]
    assert 0.01 < (foot < 128).mean() < 0.3


def test_stills_clip_and_table_lie_beside_it(tmp_path: Path) -> None:
    folder = reviewed(tmp_path / "s")
    written = write_note(folder, "r1-f1", tmp_path / "out")
    names = [path.name for path in written.files]
    assert names[0] == "note-r1-f1.pdf"
    moments = [(1, "release", 30), (2, "apex", 45), (3, "regrasp", 60), (4, "down_swing", 68)]
    for number, name, picture in moments:
        plain, drawn = (
            QImage(str(tmp_path / "out" / f"still-r1-f1-{number}-{name}-{kind}.png"))
            for kind in ("plain", "drawn")
        )
        assert plain.size() == drawn.size()
        assert plain != drawn
        recorded = next(iter(Session.open(folder).decode(TIMES_NS[picture], TIMES_NS[picture])))[1]
        box = framing(measured(), SIZE)
        middle = recorded[box.y() + box.height() // 2, box.x() + box.width() // 2]
        colour = plain.pixelColor(box.width() // 2, box.height() // 2)
        assert (colour.red(), colour.green(), colour.blue()) == tuple(middle)
    with av.open(str(tmp_path / "out" / "flight-r1-f1.mp4")) as film:
        assert sum(1 for _ in film.decode(film.streams.video[0])) >= 60
    with (tmp_path / "out" / "note-r1-f1.csv").open() as file:
        rows = {row["what"]: row for row in csv.DictReader(file)}
    assert (float(rows["apex_height"]["value"]), float(rows["apex_height"]["standard_uncertainty"])) == (
        APEX.value, APEX.u,
    )  # fmt: skip
    assert int(rows["apex_height"]["t_ns"]) == TIMES_NS[45]
    assert (rows["flight_time"]["value"], rows["flight_time"]["unit"]) == ("0.5123", "s")
    assert float(rows["regrasp_rise"]["value"]) == -2.4
    assert float(rows["chance_level"]["value"]) == 0.02


def test_the_journal_keeps_who_took_it_and_the_page_s_hash(tmp_path: Path) -> None:
    folder = reviewed(tmp_path / "s")
    written = write_note(folder, "r1-f1", tmp_path / "out", by="head judge", why="inquiry 3")
    with Session.open(folder).journal() as journal:
        notes = [row.entry() for row in journal.rows("note")]
        assert journal.verify() is None
    note = notes[-1]
    assert isinstance(note, Note)
    assert (note.about, note.by) == ("export", "head judge")
    assert sha256_of(written.files[0]) in note.text
    assert "note-r1-f1.pdf, still-r1-f1-1-release-plain.png" in note.text
    assert note.text.endswith("why: inquiry 3")
    assert Session.open(folder).verify() == []


def test_the_name_stands_there_only_when_it_is_switched_on(tmp_path: Path) -> None:
    folder = reviewed(tmp_path / "s")
    page = read(write_note(folder, "r1-f1", tmp_path / "out", with_name=True).files[0])
    assert "start number 12, Invented Person." in page.text
    with Session.open(folder).journal() as journal:
        note = journal.rows("note")[-1]
    assert "with the name" in note.body


def test_who_is_not_to_be_filmed_is_refused_and_nothing_is_written(tmp_path: Path) -> None:
    folder = reviewed(tmp_path / "s", consent="do not film")
    with pytest.raises(RecordingError, match=r"r1-f1: the gymnast is not to be filmed"):
        write_note(folder, "r1-f1", tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_nothing_leaves_a_session_after_its_day_of_deletion(tmp_path: Path) -> None:
    folder = reviewed(tmp_path / "s")
    with SessionWriter(folder, read_manifest(folder)) as writer:
        writer.update(expires=(date.today() - timedelta(days=1)).isoformat())
    with pytest.raises(ConfigError, match=r"s: to be deleted since .*; run railcrest session purge"):
        write_note(folder, "r1-f1", tmp_path / "out")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(("policy", "drawn"), [("picture", False), ("line", True), (None, True)])
def test_no_more_is_printed_than_the_session_s_policy_allows(
    tmp_path: Path, policy: Policy | None, drawn: bool
) -> None:
    written = write_note(reviewed(tmp_path / "s", policy=policy), "r1-f1", tmp_path / "out")
    page = read(written.files[0])
    assert "display policy prints no heights" in page.text
    assert "cm above" not in page.text
    assert "Band:" not in page.text
    assert ("bar line drawn" in page.text) is drawn
    assert any("drawn" in path.name for path in written.files) is drawn
    assert not any(path.suffix == ".csv" for path in written.files)
    assert any("table" in text for text in written.left_out)


def test_a_withheld_reading_says_why_and_gives_no_figure(tmp_path: Path) -> None:
    reading = measured(
        state="withheld", reason="the camera was moved", apex=None, band="", moments=(), measures=()
    )
    written = write_note(reviewed(tmp_path / "s", reading), "r1-f1", tmp_path / "out")
    page = read(written.files[0])
    assert "No height is given: the camera was moved." in page.text
    assert "cm above" not in page.text
    assert [i.name for i in instants(reading)] == ["release", "apex", "regrasp"]
    assert len([p for p in written.files if p.name.startswith("still")]) == 6


def test_a_height_corrected_by_hand_stands_beside_the_measured_one(tmp_path: Path) -> None:
    folder = reviewed(tmp_path / "s")
    with SessionWriter(folder, Session.open(folder).manifest) as writer:
        by_hand = Correction(
            flight="r1-f1", t_ns=TIMES_NS[45], hips=(105.0, 50.0), height=Quantity(0.05, 0.02, "m"),
            measured=APEX, by="panel",
        )  # fmt: skip
        writer.journal.append(by_hand, 0)
    page = read(write_note(folder, "r1-f1", tmp_path / "out").files[0])
    assert "Hips 12 cm above the high bar" in page.text
    assert "Corrected by hand by panel: hips 5 cm above the high bar, give or take 4 cm" in page.text


def test_it_stays_one_page_whatever_there_is_to_say(tmp_path: Path) -> None:
    many = tuple(
        Measure(
            name=f"m{i}",
            quantity=Quantity(1.0, 0.1, "m"),
            sentence=f"A long sentence about measure {i}, " * 3,
        )
        for i in range(30)
    )
    folder = reviewed(tmp_path / "s", measured(measures=many, reason="words " * 60), looks=40)
    for paper in ("a4", "letter"):
        written = write_note(folder, "r1-f1", tmp_path / paper, paper=paper)
        page = read(written.files[0])
        assert page.pages == 1
        assert "More stands in the journal." in page.text
        assert "35 earlier; see the journal." in page.text
        assert "Signed for the panel" in page.text
    assert page.size_pt == pytest.approx((612, 792), abs=1)


def test_an_earlier_note_is_not_overwritten_unasked(tmp_path: Path) -> None:
    folder = reviewed(tmp_path / "s")
    write_note(folder, "r1-f1", tmp_path / "out")
    with pytest.raises(ConfigError, match="is there already"):
        write_note(folder, "r1-f1", tmp_path / "out")
    assert isinstance(write_note(folder, "r1-f1", tmp_path / "out", replace=True), Written)
    (tmp_path / "file").write_text("")
    with pytest.raises(RecordingError, match="cannot be written"):
        write_note(folder, "r1-f1", tmp_path / "file" / "out")


def test_what_cannot_be_noted_is_said(tmp_path: Path) -> None:
    folder = reviewed(tmp_path / "s")
    with pytest.raises(RecordingError, match="r9-f9: no such flight in s; it has r1-f1"):
        collect(folder, "r9-f9")
    unsettled = reviewed(tmp_path / "u", measured(state="provisional", end_ns=0))
    with pytest.raises(RecordingError, match="has not settled yet"):
        collect(unsettled, "r1-f1")


def test_a_changed_journal_shows_on_the_page(tmp_path: Path) -> None:
    folder = reviewed(tmp_path / "s")
    db = sqlite3.connect(folder / "journal.sqlite")
    db.executescript(
        "DROP TRIGGER journal_rows_stay; UPDATE journal SET body = replace(body, '0.1234', '0.2234') "
        "WHERE kind = 'reading'"
    )
    db.commit()
    db.close()
    page = read(write_note(folder, "r1-f1", tmp_path / "out").files[0])
    assert "chain not whole: journal row" in page.text


def test_stills_show_the_whole_body_and_never_a_tight_crop() -> None:
    box = framing(measured(), (1920, 1080))
    assert box.width() >= LEAST * 1920
    assert box.width() / box.height() == pytest.approx(4 / 3, abs=0.01)
    small = framing(measured(), SIZE)
    assert small.height() == SIZE[1]  # 130 cm about the hips is more than this picture holds
    assert framing(msgspec.structs.replace(measured(), drawing=None), SIZE).width() == SIZE[0]


def test_the_command_writes_it(tmp_path: Path) -> None:
    folder = reviewed(tmp_path / "s")
    app, absent = build_app()
    assert not [text for text in absent if text.startswith("note")]
    done = CliRunner().invoke(
        app, ["note", str(folder), "r1-f1", "--out", str(tmp_path / "out"), "--why", "trial"]
    )
    assert done.exit_code == 0, done.output
    assert str(tmp_path / "out" / "note-r1-f1.pdf") in done.stdout
    assert (
        CliRunner().invoke(app, ["note", str(folder), "r1-f1", "--out", "x", "--paper", "a5"]).exit_code == 2
    )


# --- out of the viewer ---


@pytest.fixture
def threads() -> Iterator[list[FeedThread | DeskThread]]:
    made: list[FeedThread | DeskThread] = []
    yield made
    for thread in made:
        assert thread.stop()


def test_the_judge_writes_it_while_the_session_is_being_recorded(
    qtbot: QtBot, tmp_path: Path, threads: list[FeedThread | DeskThread]
) -> None:
    folder = reviewed(tmp_path / "s")
    clock = SystemClock()
    feed = Feed(clock)
    threads += [
        FeedThread(lambda: FolderSource(folder, clock), feed),
        DeskThread(lambda: FolderDesk(folder, clock)),
    ]
    desk = threads[1]
    assert isinstance(desk, DeskThread)
    window = Window(feed, desk, clock)
    qtbot.addWidget(window)
    window.setProperty(FOLDER, str(folder))
    add_note(window)
    for thread in threads:
        thread.start()
    window.show()
    qtbot.waitUntil(lambda: window.state.reading is not None, timeout=5000)
    window.do("review_note")
    page = window.findChild(NotePage)
    assert page is not None
    assert page.title.text() == "Review note of flight 1: salto, same bar regrasped"
    page.out.setText(str(tmp_path / "out"))
    page.why.setText("conference")
    with SessionWriter(folder, Session.open(folder).manifest):  # capture has it open
        qtbot.mouseClick(page.write, Qt.MouseButton.LeftButton)
        qtbot.waitUntil(lambda: page.said.text().startswith("Written"), timeout=15000)
    assert "10 files beside it" in page.said.text()
    assert read(tmp_path / "out" / "note-r1-f1.pdf").pages == 1
    with Session.open(folder).journal() as journal:
        assert any(
            "why: conference" in row.body and '"by":"panel"' in row.body for row in journal.rows("note")
        )
        assert journal.verify() is None
    names = [part for part in (page.out, page.by, page.why, page.paper, page.write, page.with_name)
             if not part.accessibleName()]  # fmt: skip
    assert names == []
    window.close()


def test_a_viewer_on_another_machine_says_where_to_write_it(
    qtbot: QtBot, bus: Bus, threads: list[FeedThread | DeskThread]
) -> None:
    arena, addresses = arena_on(bus)
    arena.begin(training=True)
    arena.flight(0)
    feed = Feed(SystemClock())
    threads += [FeedThread(lambda: SessionFeed(addresses), feed), DeskThread(lambda: DeskClient(addresses))]
    desk = threads[1]
    assert isinstance(desk, DeskThread)
    window = Window(feed, desk, SystemClock())
    qtbot.addWidget(window)
    add_note(window)
    for thread in threads:
        thread.start()
    window.show()
    try:
        qtbot.waitUntil(lambda: window.state.reading is not None, timeout=5000)
        window.do("review_note")
        page = window.findChild(NotePage)
        assert page is not None
        assert "railcrest note SESSION r1-f1" in page.said.text()
        assert not page.write.isEnabled()
    finally:
        window.close()
        arena.stop()

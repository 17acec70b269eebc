"""What a session recorded and what it did not, and the sheets to print."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from bridge.cli import main
from bridge.errors import ExitCode
from bridge.export import export
from bridge.journal import Journal
from bridge.messages import Accepted, Entry, EntryRequest, Routine
from bridge.report import report_sections, report_text, session_report
from bridge.running_order import RunningOrder
from bridge.session import Session, SessionWriter, read_manifest
from bridge.sheets import CHECKLIST, checklist_html, notice_html
from tests.meets import NS, begin_of, recorded_meet
from tests.sessions import invented_reading, recorded_session, write_segment


@pytest.fixture
def meet(tmp_path: Path) -> Path:
    folder = recorded_meet(tmp_path / "cup", "coaching", "do not film", "coaching", "teaching")
    with Journal(folder / "journal.sqlite", write=True) as journal:
        order = RunningOrder(journal, lambda _: None, lambda: NS)
        late = (Entry(number="30", order=0), Entry(number="31", order=0))
        assert order.answer(EntryRequest(action="add", entries=late)) == Accepted()
        assert order.answer(EntryRequest(action="scratch", number="31")) == Accepted()
        assert order.answer(EntryRequest(action="number", number="21", routine=4)) == Accepted()
        withheld = invented_reading(
            1, 0, 0, 0, flight="r3-f1", routine=3, state="withheld", reason="the camera was moved",
            release_ns=begin_of(3), end_ns=begin_of(3) + NS,
        )  # fmt: skip
        journal.append(withheld, begin_of(3))
        order.take(Routine(routine=5, start_number="", begin_ns=begin_of(5)))
    return folder


def test_seen_missed_doubtful_withheld_and_left(meet: Path, tmp_path: Path) -> None:
    export(Session.open(meet), tmp_path / "out", by="meet staff", why="for her coach")
    report = session_report(Session.open(meet))
    assert [t.number for t in report.seen] == ["21", "22", "23", "21", "24"]
    assert (report.listed, report.missed, report.scratched) == (6, ("30",), ("31",))
    assert report.not_filmed == ("22",)
    assert report.withheld == (("the camera was moved", 1),)
    said = "\n".join(report.doubtful)
    assert "routine 3 (23): only 8 s long; every reading was withheld" in said
    assert "routine 5 (24): its end was not seen; no flight was read" in said
    assert "21: on the bars 2 times, kept as one record" in said
    assert len(report.exports) == 1
    assert "by meet staff" in report.exports[0]
    assert report.findings == ()
    assert report.gaps == ()


def test_gaps_pauses_and_repairs_are_told(meet: Path) -> None:
    with SessionWriter(meet, read_manifest(meet)) as writer:
        last_ns = int(Session.open(meet).frame_times_ns()[-1])
        write_segment(meet, [last_ns + 90 * NS + i * NS // 5 for i in range(10)], segment=2, codec="mjpeg")
        del writer
    report = session_report(Session.open(meet))
    (gap,) = report.gaps
    assert "capture was not running for 90.0 s" in gap


def test_a_removal_is_a_pause_and_not_a_gap(meet: Path) -> None:
    assert main(["session", "remove", "23", str(meet), "--why", "asked"]) == 0
    report = session_report(Session.open(meet))
    assert [p.split(": ")[1] for p in report.pauses] == ["taken out afterwards"]
    assert report.gaps == ()
    assert "taken out: asked" in report.removals[0]
    assert report.findings == ()


def test_a_session_without_a_list_is_reported_too(tmp_path: Path) -> None:
    report = session_report(Session.open(recorded_session(tmp_path / "s")))
    assert [t.number for t in report.seen] == ["12"]
    assert "no start list" in report_text(report)
    assert report.missed == ()


def test_text_json_and_paper_say_the_same(
    meet: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    page, pdf = tmp_path / "report.html", tmp_path / "report.pdf"
    assert main(["session", "report", str(meet), "--out", str(page)]) == 0
    text = capsys.readouterr().out
    written = page.read_text()
    for _, lines in report_sections(session_report(Session.open(meet))):
        for line in lines:
            assert line in text
            assert line.replace("'", "&#x27;").replace('"', "&quot;") in written
    assert main(["session", "report", str(meet), "--json", "--out", str(pdf)]) == 0
    assert json.loads(capsys.readouterr().out)["missed"] == ["30"]
    assert pdf.read_bytes().startswith(b"%PDF") and pdf.stat().st_size > 5000
    assert main(["session", "report", str(meet), "--out", str(tmp_path / "report.doc")]) == ExitCode.CONFIG


def test_the_checklist_and_the_notice_are_printed(tmp_path: Path) -> None:
    for name, arguments in (
        ("checklist", []),
        ("notice", ["--organiser", "Larkmoor <club>", "--days", "14"]),
    ):
        for ending in ("html", "pdf"):
            out = tmp_path / f"{name}.{ending}"
            assert main(["meet", name, "--out", str(out), *arguments]) == 0
            assert out.stat().st_size > 1500
    notice = (tmp_path / "notice.html").read_text()
    assert "Larkmoor &lt;club&gt;" in notice
    assert "deleted after 14 days" in notice
    assert "____" in notice_html()


def test_the_checklist_covers_place_safety_and_care() -> None:
    text = checklist_html()
    assert text.count("☐") == sum(len(lines) for _, lines in CHECKLIST)
    for word in ("landing zones", "No flash", "Cables", "do not film", "common practice", "panel decides"):
        assert word in text

"""Reports and comparisons: what they hold, and what they must not hold."""

from __future__ import annotations

import random
import re
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from bridge.clock import ManualClock
from bridge.errors import RecordingError
from overlay.clinic.agreement import Item, Mark
from overlay.clinic.compare import (
    Session,
    change_between,
    change_lines,
    disputed_lines,
    disputed_over,
    mean_difference,
    usual_misses,
)
from overlay.clinic.paper import Paper
from overlay.clinic.practice import NS, Asked, Ended, Locked, Practice, State, Viewed, plan
from overlay.clinic.reports import change_report, disputed_report, marker_report, room_report, safe_name
from overlay.clinic.steps import Steps
from tests.clinic_rooms import TABLE, TODAY, clips

DAY = date(2031, 5, 4)
FIVE = Steps((0, 5, 10, 15, 20))

# Student's sleep data (1908), hours gained with two drugs, ten patients: data and the intervals that R's
# t.test prints for them, from memory.
FIRST = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
SECOND = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]


def test_differences_of_means_as_they_are_printed() -> None:
    groups, paired = mean_difference(FIRST, SECOND, False), mean_difference(FIRST, SECOND, True)
    assert groups is not None
    assert paired is not None
    assert groups.value == pytest.approx(1.58)
    assert (f"{groups.low:.7f}", f"{groups.high:.7f}") == ("-0.2054832", "3.3654832")
    assert (f"{paired.low:.7f}", f"{paired.high:.7f}") == ("0.7001142", "2.4598858")
    assert mean_difference([1.0], [1.0, 2.0], False) is None
    assert mean_difference([1.0, 1.0], [2.0, 2.0], False) is None
    assert mean_difference([1.0, 2.0], [2.0, 3.0], True) is None  # all differences alike: no spread


def practice_of(title: str, off: dict[str, int], names: str = "abcd") -> Session:
    items = tuple(Item(n, c, False, FIVE, 10) for n, c in enumerate(names, 1))
    marks = tuple(Mark(who, i.number, 10 + 5 * steps) for who, steps in off.items() for i in items)
    return Session(title, items, marks)


def test_before_and_after() -> None:
    before = practice_of("First", {"m1": 2, "m2": 1, "m3": -1})
    after = practice_of("Second", {"m1": 0, "m2": 1, "m3": 0}, "cdef")
    assert usual_misses(before) == pytest.approx({"m1": 0.1, "m2": 0.05, "m3": 0.05})
    change = change_between(before, after)
    assert change.miss is not None
    assert change.miss.value == pytest.approx(-0.05)
    assert (change.paired, change.same_clips) == (0, 2)
    paired = change_between(before, after, {"m1": "m3", "m2": "m2", "m3": "m1"})
    assert paired.miss is not None
    assert paired.miss.value == pytest.approx(-0.05)
    assert paired.paired == 3
    said = "\n".join(change_lines(change))
    assert "0.050 points smaller" in said
    assert "not proof of its cause" in said
    assert "2 clips were in both" in said
    assert not re.search(r"\bm\d|arker \d", said)
    for wrong in ({"m9": "m1"}, {"m1": "m9"}):
        with pytest.raises(ValueError, match="m9"):
            change_between(before, after, wrong)
    with pytest.raises(ValueError, match="twice"):
        change_between(before, after, {"m1": "m1", "m2": "m1"})


def test_disputed_over_several_practices() -> None:
    one = practice_of("First", {"m1": 0, "m2": 0})
    other = Session(
        "Second",
        (Item(1, "b", False, FIVE, 10), Item(2, "z", False, FIVE), Item(3, "b", True, FIVE, 10)),
        (Mark("m1", 1, 0), Mark("m2", 1, 20), Mark("m1", 2, 5), Mark("m1", 3, 20), Mark("m2", 3, 0)),
    )
    found = disputed_over([one, other])
    assert [d.clip for d in found] == ["b", "a", "c", "d"]  # one mark alone disputes nothing
    assert (found[0].practices, found[0].marks, found[0].apart) == (2, 4, 2.0)  # mean of 0 and 4 steps
    assert found[0].from_reference == pytest.approx(0.0)
    assert disputed_lines(found)[0].startswith("b: 2.0 steps apart on average, +0.000 points")


@pytest.fixture
def over(tmp_path: Path) -> Iterator[State]:
    begun = plan("Evening", clips(8), TABLE, today=TODAY, seed=1, repeats=2)
    with Practice(tmp_path / "p.sqlite", begun, clock=ManualClock(NS)) as practice:
        codes = [practice.join()[1] for _ in range(4)]
        draw = random.Random(3)
        for s in begun.showings:
            practice.do(Viewed(number=s.number, view=1))
            practice.do(Asked(number=s.number))
            for code in codes:
                practice.mark(code, s.number, draw.choice(s.steps))
            practice.do(Locked(number=s.number))
        practice.do(Ended())
        yield practice.state


@pytest.fixture
def said(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Every text that is drawn on paper."""
    texts: list[str] = []
    draw = Paper._text

    def listen(self: Paper, box: Any, text: str, *how: Any) -> None:
        assert box.bottom() <= self._height + self._foot + 1, f"drawn below the page: {text}"
        texts.append(text)
        draw(self, box, text, *how)

    monkeypatch.setattr(Paper, "_text", listen)
    return texts


def is_pdf(path: Path) -> int:
    """How many pages it has."""
    data = path.read_bytes()
    assert data.startswith(b"%PDF-")
    assert data.rstrip().endswith(b"%%EOF")
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", data))


def test_a_marker_gets_the_own_marks_and_nobody_elses(
    over: State, said: list[str], tmp_path: Path, qtbot: Any
) -> None:
    path = tmp_path / "m2.pdf"
    marker_report(path, over, "m2", DAY)
    assert is_pdf(path) >= 1
    text = "\n".join(said)
    assert "Private report for marker 2" in text
    assert "Only 8 clips" in text  # the small-sample warning
    assert "Right order" in text
    assert "The same clip again" in text
    assert "panel decides" in text
    for other in (1, 3, 4):
        assert f"marker {other}" not in text
    own = [m for m in over.locked_marks() if m.marker == "m2"]
    rows = [said[i + 2] for i, t in enumerate(said) if t == "dismount"]  # number, what, mark: the columns
    assert len(own) == 10
    assert len(rows) == 10
    alone = State(
        over.plan,
        phase="ended",
        number=over.number,
        codes=over.codes,
        marks={k: m for k, m in over.marks.items() if k[0] == "m2"},
    )
    first = list(said)
    said.clear()
    marker_report(path, alone, "m2", DAY)
    assert said == first  # the marks of others make no difference


def test_the_rooms_summary_names_nobody(over: State, said: list[str], tmp_path: Path, qtbot: Any) -> None:
    path = tmp_path / "room.pdf"
    room_report(path, over, DAY)
    assert is_pdf(path) >= 2
    text = "\n".join(said)
    assert "8 clips, 4 markers." in text
    assert not re.search(r"\bm\d|[Mm]arker \d", text)
    counts, statistics = text.index("exact"), text.index("alpha")
    assert counts < statistics
    assert len(re.findall(r"Clip \d+, dismount: ", text)) == 8
    shown = [float(x) for x in re.findall(r": (\d\.\d) steps apart", text)]
    assert shown == sorted(shown, reverse=True)


def test_other_reports_and_their_names(said: list[str], tmp_path: Path, qtbot: Any) -> None:
    one, two = practice_of("First", {"m1": 2, "m2": 1}), practice_of("Second", {"m1": 0, "m2": 1})
    change_report(tmp_path / "change.pdf", change_between(one, two), ("First", "Second"), DAY)
    disputed_report(tmp_path / "disputed.pdf", disputed_over([one, two]), 2, DAY)
    assert is_pdf(tmp_path / "change.pdf") == 2
    assert is_pdf(tmp_path / "disputed.pdf") == 1
    assert any("usual miss became" in t for t in said)
    assert safe_name("Evening: ../clinic 2") == "evening-clinic-2"
    assert safe_name("…") == "practice"
    with pytest.raises(RecordingError, match="cannot be written"):
        Paper(tmp_path / "change.pdf" / "x.pdf", "t", DAY)

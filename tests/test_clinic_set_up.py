"""Setting up an evening: filters, ticks, a balanced set, what is refused, and what begins."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from PySide6.QtCore import QPoint, Qt, QTimer
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from overlay.clinic.collecting import collect_flight
from overlay.clinic.evening import choose, practice_of
from overlay.clinic.examples import Collection, Reference
from overlay.clinic.practice import NS
from overlay.clinic.set_up import Evening, SetUp
from overlay.clinic.steps import shipped_tables

SHIPPED = Path(__file__).parent.parent / "recorded_sessions" / "clinic"
TODAY = date(2031, 5, 4)


@pytest.fixture
def kept(tmp_path: Path) -> Collection:
    made = Collection(tmp_path / "set.json", lambda: TODAY)
    for number, grades in (
        (2, ("poor", "good", "good", "middling")),
        (5, ("good", "middling", "good", "middling")),
    ):
        session = Path(shutil.copytree(SHIPPED / f"evening-{number}", tmp_path / f"evening-{number}"))
        for flight, grade in enumerate(grades, 1):
            example = collect_flight(made, session, f"r1-f{flight}", grade, "invented")  # type: ignore[arg-type]
            made.refer(example.id, Reference(mark=5, reason="invented", by="panel of three", on=TODAY))
            made.hide(example.id, [])
    return made


@pytest.fixture
def window(kept: Collection, tmp_path: Path, qtbot: Any) -> Iterator[SetUp]:
    made = SetUp(kept, shipped_tables(), [tmp_path / "2031-01-02.sqlite"], ["192.0.2.7"])
    qtbot.addWidget(made)
    made.show()
    yield made


def choose_in(combo: Any, value: str) -> None:
    combo.setCurrentIndex(combo.findData(value))


def test_filters_and_ticks(window: SetUp) -> None:
    assert window.table.rowCount() == 8
    choose_in(window.family, "dismount")
    assert window.table.rowCount() == 2
    window.tick(window._shown)
    choose_in(window.family, "any")
    choose_in(window.grade, "poor")
    assert [e.id for e in window._shown] == ["evening-2/r1-f1"]
    window.table.setCurrentCell(0, 0)
    box = window.table.visualItemRect(window.table.item(0, 0))
    QTest.keyClick(window.table, Qt.Key.Key_Space)
    assert window.ticked == ("evening-2/r1-f1", "evening-2/r1-f4", "evening-5/r1-f4")
    assert window.count.text().startswith("3 of 8 clips ticked")
    QTest.mouseClick(window.table.viewport(), Qt.MouseButton.LeftButton, pos=box.topLeft() + QPoint(10, 12))
    choose_in(window.grade, "any")
    window.camera.setText("11.0 m")
    assert {e.session for e in window._shown} == {"evening-5"}
    window.camera.clear()
    window.none.click()
    assert window.ticked == ()
    window.most.setValue(4)
    window.balance.click()
    assert len(window.ticked) == 4


def test_what_cannot_begin_says_why(window: SetUp, kept: Collection) -> None:
    begun: list[Evening] = []
    window.chosen.connect(begun.append)
    window.begin.click()
    assert "at least one" in window.said.text()
    window.all.click()
    window.repeats.setValue(20)
    QTest.keyClick(window, Qt.Key.Key_Return, Qt.KeyboardModifier.ControlModifier)
    assert "at most 5" in window.said.text()
    assert begun == []
    example = kept.get("evening-2/r1-f1")
    kept._examples[example.id] = type(example)(
        **{name: getattr(example, name) for name in example.__struct_fields__ if name != "hidden"}
    )
    again = SetUp(kept, shipped_tables())
    again.all.click()
    assert "1 of them nobody has looked over" in again.count.text()
    again.begin.click()
    assert "Look 1 clips over first" in again.said.text()
    again.close()


def test_an_evening_begins_as_it_was_set_up(window: SetUp, kept: Collection, tmp_path: Path) -> None:
    begun: list[Evening] = []
    window.chosen.connect(begun.append)
    window.all.click()
    window.name.setText("Spring clinic")
    window.views.setValue(2)
    window.speed.setCurrentIndex(2)
    window.thinking.setValue(20)
    window.repeats.setValue(3)
    choose_in(window.steps, "bands_common_practice")
    choose_in(window.host, "192.0.2.7")
    window.begin.click()
    (evening,) = begun
    assert (evening.host, evening.repeats, len(evening.clips)) == ("192.0.2.7", 3, 8)
    with practice_of(evening, kept, tmp_path / "practices", TODAY) as practice:
        made = practice.state.plan
        assert (made.title, made.views, made.slowness, made.thinking_ns) == ("Spring clinic", 2, 4, 20 * NS)
        assert (len(made.showings), made.speed, made.table) == (11, "quarter speed", "Common practice 2025")
    with practice_of(evening, kept, tmp_path / "practices", TODAY):
        pass
    names = sorted(p.name for p in (tmp_path / "practices").glob("*.sqlite"))
    assert names == ["2031-05-04-2.sqlite", "2031-05-04.sqlite"]
    first = tmp_path / "practices" / names[1]
    with practice_of(Evening(host="127.0.0.1", go_on=first), kept, tmp_path, TODAY) as practice:
        assert practice.state.plan == made


def test_the_window_gives_what_was_chosen(kept: Collection, tmp_path: Path, qtbot: Any) -> None:
    (tmp_path / "practices").mkdir()
    (tmp_path / "practices" / "2031-01-02.sqlite").touch()
    asked: list[Path] = []

    def report(journal: Path) -> list[Path]:
        asked.append(journal)
        return [tmp_path / "reports" / "room.pdf"]

    def act() -> None:
        window = next(w for w in QApplication.topLevelWidgets() if isinstance(w, SetUp) and w.isVisible())
        window.report.click()
        assert "1 reports in" in window.said.text()
        window.go_on.click()

    QTimer.singleShot(100, act)
    chosen = choose(kept, shipped_tables(), tmp_path / "practices", report)
    assert chosen is not None
    assert chosen.go_on == tmp_path / "practices" / "2031-01-02.sqlite"
    assert asked == [chosen.go_on]

    def leave() -> None:
        next(w for w in QApplication.topLevelWidgets() if isinstance(w, SetUp) and w.isVisible()).close()

    QTimer.singleShot(100, leave)
    assert choose(kept, shipped_tables(), tmp_path / "none", report) is None

"""The staff's window on a real session that a real station records, over the real bus."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QApplication, QComboBox, QLabel, QPushButton
from pytestqt.qtbot import QtBot

from bridge.clock import SystemClock
from bridge.session import Session
from overlay.desk import DeskThread
from overlay.feed import Feed, FeedThread
from overlay.meet.gallery import draw_staff
from overlay.meet.window import StaffWindow
from overlay.recorded import FolderDesk, FolderSource
from overlay.theme import THEMES, contrast
from tests.meets import recorded_meet
from tests.test_not_filmed import Film, Running, four_turns, listed, meet_station

__all__ = ["four_turns"]
SIZE_HINTS = "This plugin does not support propagateSizeHints()\n"


class Staff:
    """A staff window on a session folder, with its threads."""

    def __init__(self, folder: Path, qtbot: QtBot) -> None:
        clock = SystemClock()
        feed = Feed(clock)
        self.desk = DeskThread(lambda: FolderDesk(folder, clock))
        self.receiver = FeedThread(lambda: FolderSource(folder, clock), feed)
        self.window = StaffWindow(feed, self.desk, clock)
        self.qtbot = qtbot
        self.receiver.start()
        self.desk.start()
        self.window.show()
        self.window.activateWindow()

    def close(self) -> None:
        self.window.close()
        assert self.receiver.stop()
        assert self.desk.stop()
        self.window.deleteLater()
        QApplication.processEvents()

    def rows(self) -> dict[str, str]:
        """Where each gymnast stands, by number."""
        table = self.window.table
        return {
            table.item(row, 1).text(): table.item(row, 5).text()  # type: ignore[union-attr]
            for row in range(table.rowCount())
        }

    def routines(self) -> list[str]:
        turns = self.window.state.routines
        return ["warm-up" if turns[n].warm_up else turns[n].start_number for n in sorted(turns)]

    def press(self, key: Qt.Key) -> None:
        self.qtbot.keyClick(self.window, key)

    def wait(self, what: object, ms: int = 20_000) -> None:
        self.qtbot.waitUntil(what, timeout=ms)  # type: ignore[arg-type]


@pytest.fixture
def running(tmp_path: Path, four_turns: Film) -> Iterator[Running]:
    folder = tmp_path / "s"
    listed(folder, "coaching", "coaching", "do not film", "coaching", "coaching")
    with Running(meet_station(four_turns, folder), stay=True) as started:
        yield started


@pytest.fixture
def staff(running: Running, tmp_path: Path, qtbot: QtBot) -> Iterator[Staff]:
    made = Staff(tmp_path / "s", qtbot)
    try:
        yield made
    finally:
        made.close()


def test_staff_see_the_meet_and_put_it_right(staff: Staff, tmp_path: Path) -> None:
    staff.wait(lambda: staff.routines() == ["21", "22", "23", "24"] and "25" in staff.rows())
    staff.wait(lambda: staff.rows()["25"] == "next")
    assert staff.rows()["23"] == "seen, routine 3, not filmed"
    window = staff.window
    line = window.tiles.line("Recording")
    assert line is not None
    assert line.words in ("on", "ended")
    assert len(window._time.text()) == 8

    window.choose("25")  # it was she who went second
    window.routine.setCurrentIndex(window.routine.findData(2))
    staff.press(Qt.Key.Key_F5)
    staff.wait(lambda: staff.routines() == ["21", "25", "22", "23"])
    staff.wait(lambda: window._said.text() == "Done.")
    staff.wait(lambda: window.chosen is not None and window.chosen.number == "24")  # whoever is next

    window.routine.setCurrentIndex(window.routine.findData(1))
    staff.press(Qt.Key.Key_F7)
    staff.wait(lambda: staff.routines() == ["warm-up", "25", "21", "22"])
    staff.press(Qt.Key.Key_F7)
    staff.wait(lambda: staff.routines() == ["21", "25", "22", "23"])

    window.choose("24")
    staff.press(Qt.Key.Key_F9)
    staff.wait(lambda: staff.rows()["24"] == "scratched")
    staff.press(Qt.Key.Key_F9)
    staff.wait(lambda: staff.rows()["24"] == "next")
    with Session.open(tmp_path / "s").journal() as journal:
        assert [r.start_number for r in journal.routines()] == ["21", "25", "22", "23"]


def test_a_break_is_one_key_and_shows(staff: Staff) -> None:
    staff.wait(lambda: len(staff.routines()) == 4)
    staff.press(Qt.Key.Key_F4)
    staff.wait(lambda: staff.window._parts["break"].isChecked())
    staff.press(Qt.Key.Key_F2)
    staff.wait(lambda: staff.window._parts["competition"].isChecked())


def test_what_cannot_be_done_is_said(staff: Staff) -> None:
    staff.wait(lambda: len(staff.routines()) == 4 and "21" in staff.rows())
    staff.window.choose("21")
    staff.press(Qt.Key.Key_F9)
    staff.wait(lambda: staff.window._said.text().startswith("Not done: 21 was on the bars in routine 1"))


def test_a_closed_session_is_put_right_in_the_same_window(
    tmp_path: Path, four_turns: Film, qtbot: QtBot
) -> None:
    folder = tmp_path / "s"
    listed(folder, "coaching", "coaching", "coaching", "coaching", "coaching")
    with Running(meet_station(four_turns, folder), stay=True) as started:
        qtbot.waitUntil(lambda: started.routines() == 4, timeout=20_000)
    staff = Staff(folder, qtbot)
    try:
        staff.wait(lambda: staff.routines() == ["21", "22", "23", "24"] and "25" in staff.rows())
        recording = staff.window.tiles.line("Recording")
        assert recording is not None
        assert recording.words == "ended"
        staff.window.choose("25")
        staff.window.routine.setCurrentIndex(staff.window.routine.findData(4))
        staff.press(Qt.Key.Key_F5)
        staff.wait(lambda: staff.routines() == ["21", "22", "23", "25"])
    finally:
        staff.close()
    assert Session.open(folder).verify() == []


def test_every_widget_has_a_name_for_a_screen_reader(staff: Staff) -> None:
    staff.wait(lambda: bool(staff.rows()))
    for kind in (QPushButton, QComboBox, QLabel):
        for widget in staff.window.findChildren(kind):
            if widget.parent() is not None and widget.objectName() != "qt_scrollarea_viewport":
                assert widget.accessibleName() or widget.parent() is not staff.window, widget


def test_the_gallery_shows_every_state(tmp_path: Path) -> None:
    files = draw_staff(tmp_path)
    assert {path.name.rsplit("-", 2)[0] for path in files} == {
        "staff-well", "staff-ill", "staff-not-filmed", "staff-break", "staff-before",
    }  # fmt: skip
    assert all(path.stat().st_size > 10_000 for path in files)


def test_bad_tiles_can_be_read() -> None:
    for theme in THEMES:
        assert contrast(theme.ink, theme.field) >= 4.5
        assert contrast(theme.paper, theme.ink) >= 4.5


STARTS = """
import sys
from pathlib import Path
from PySide6.QtCore import QTimer
from overlay.meet.app import run_staff
sys.exit(run_staff(Path(sys.argv[1]), None, shown=lambda w: QTimer.singleShot(300, w.close)))
"""


def test_it_starts_and_quits_and_leaves_nothing_behind(tmp_path: Path) -> None:
    folder = recorded_meet(tmp_path / "s", "coaching")
    before = sorted(p.name for p in folder.iterdir())
    for _ in range(3):
        done = subprocess.run(
            [sys.executable, "-c", STARTS, str(folder)],
            capture_output=True, text=True, timeout=60, check=False,
        )  # fmt: skip
        assert (done.returncode, done.stderr.replace(SIZE_HINTS, "")) == (0, "")
    assert sorted(p.name for p in folder.iterdir()) == before

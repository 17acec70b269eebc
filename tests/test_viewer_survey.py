"""The set-up screen: handles by mouse and keys, what it asks for, and what it shows."""

from __future__ import annotations

from dataclasses import replace

import pytest
from PySide6.QtCore import QPoint, Qt
from PySide6.QtGui import QColor, QImage
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QLabel, QListWidget, QPushButton
from pytestqt.qtbot import QtBot

from bridge.messages import RailLine
from overlay.survey import SurveyScreen
from overlay.survey_handles import LONG_STEP_PX, STEP_PX, Handle, HandleSet, SurveyShown
from overlay.theme import DARK, LIGHT, Theme

HANDLES = (
    Handle("high.near", (700.0, 300.0), 0.6),
    Handle("high.far", (760.0, 320.0), 0.6),
    Handle("low.near", (1100.0, 460.0), 0.6),
    Handle("low.near.foot", (1104.0, 860.0), 0.6, (1.5, -2.0)),
)
LINES = (
    RailLine(rail="high", a=(300.0, 310.0), b=(1400.0, 306.0), u_px=0.7, label="high bar"),
    RailLine(rail="low", a=(500.0, 470.0), b=(1500.0, 466.0), u_px=0.6, label="low bar"),
)
SHOWN = SurveyShown(
    HANDLES, LINES, (0.003, 0.0025), 0.016, "10.0 m away, 1.6 m high", True,
    ("lamp flicker: the light pulses by 4 %",), ("at the height of the high bar: give or take 2.2 cm",),
)  # fmt: skip


def screen(qtbot: QtBot, theme: Theme = LIGHT) -> SurveyScreen:
    made = SurveyScreen(theme)
    qtbot.addWidget(made)
    made.resize(1280, 800)
    image = QImage(1920, 1080, QImage.Format.Format_RGB32)
    image.fill(QColor("#405060"))
    made.show_image(image)
    made.show_survey(SHOWN)
    with qtbot.waitExposed(made):
        made.show()
    return made


def at(made: SurveyScreen, index: int, dx: float = 0.0, dy: float = 0.0) -> QPoint:
    x, y = made.picture.map.to_view(made.handles[index].at)
    return QPoint(round(x + dx), round(y + dy))


def texts(made: SurveyScreen) -> str:
    return "\n".join(label.text() for label in made.findChildren(QLabel) if label.isVisible())


def test_it_says_what_the_place_costs(qtbot: QtBot) -> None:
    made = screen(qtbot)
    said = texts(made)
    assert "A reading from here: give or take 3.2 cm (95 %)" in said
    assert "high bar line: give or take 0.6 cm (95 %)" in said
    assert "10.0 m away, 1.6 m high" in said
    assert "found by itself" in said
    assert "lamp flicker" in said
    assert "at the height of the high bar" in said
    assert made.points.item(3).text() == "low bar, near foot: ± 1.2 px, off by 2.5 px"


@pytest.mark.parametrize("theme", [LIGHT, DARK])
def test_handles_lines_and_residuals_are_drawn(qtbot: QtBot, theme: Theme) -> None:
    made = screen(qtbot, theme)
    picture = made.picture.grab().toImage()
    plain = QColor("#405060")
    x, y = made.picture.map.to_view(HANDLES[2].at)
    ring = {picture.pixelColor(round(x) + d, round(y)).name() for d in range(4, 12)}
    assert any(QColor(c) != plain for c in ring)
    lx, ly = made.picture.map.to_view((1000.0, 307.5))
    assert any(picture.pixelColor(round(lx), round(ly) + d) != plain for d in (-1, 0, 1))
    # The residual is a stick twenty times as long, towards where the fit has the point.
    tx, ty = made.picture.map.to_view((1104.0 - 10 * 1.5, 860.0 + 10 * 2.0))
    assert any(picture.pixelColor(round(tx) + d, round(ty)) != plain for d in (-2, -1, 0, 1, 2))


def test_dragging_moves_a_handle_and_asks_for_the_fit(qtbot: QtBot) -> None:
    made = screen(qtbot)
    start, end = at(made, 1, 3, 2), at(made, 1, 23, -13)
    scale = made.picture.map.scale
    with qtbot.waitSignal(made.fit_asked, timeout=2000) as asked:
        QTest.mousePress(made.picture, Qt.MouseButton.LeftButton, pos=start)
        QTest.mouseMove(made.picture, end)
        QTest.mouseRelease(made.picture, Qt.MouseButton.LeftButton, pos=end)
    moved = asked.args[0][1]
    assert moved.name == "high.far"
    assert moved.by_hand
    # Held beside its middle, it keeps that distance.
    assert moved.at[0] - 760.0 == pytest.approx(20 / scale, abs=0.05)
    assert moved.at[1] - 320.0 == pytest.approx(-15 / scale, abs=0.05)
    assert asked.args[0][0] == HANDLES[0]
    assert "set by hand" in made.points.item(1).text()


def test_a_click_alone_moves_nothing(qtbot: QtBot) -> None:
    made = screen(qtbot)
    QTest.mouseClick(made.picture, Qt.MouseButton.LeftButton, pos=at(made, 2, 2, 1))
    assert made.handles == HANDLES
    assert made.points.currentRow() == 2


def test_arrow_keys_move_by_quarter_pixels(qtbot: QtBot) -> None:
    made = screen(qtbot)
    made.points.setCurrentRow(2)
    asked: list[object] = []
    made.fit_asked.connect(asked.append)
    for _ in range(3):
        QTest.keyClick(made.picture, Qt.Key.Key_Right)
    QTest.keyClick(made.picture, Qt.Key.Key_Up)
    QTest.keyClick(made.picture, Qt.Key.Key_Down, Qt.KeyboardModifier.ShiftModifier)
    assert made.handles[2].at == (1100.0 + 3 * STEP_PX, 460.0 - STEP_PX + LONG_STEP_PX)
    qtbot.waitUntil(lambda: len(asked) == 1, timeout=2000)  # once the fingers rest, not at each step
    QTest.keyClick(made.picture, Qt.Key.Key_PageDown)
    assert made.points.currentRow() == 3
    QTest.keyClick(made.picture, Qt.Key.Key_PageDown)
    assert made.points.currentRow() == 0


def test_snap_goes_to_the_pole_and_asks_for_the_fit(qtbot: QtBot) -> None:
    made = screen(qtbot)
    made.points.setCurrentRow(1)
    with qtbot.waitSignal(made.snap_asked, timeout=1000) as asked:
        QTest.keyClick(made.picture, Qt.Key.Key_M)
    assert asked.args == ["high.far", 760.0, 320.0]
    with qtbot.waitSignal(made.fit_asked, timeout=2000):
        made.show_snapped(Handle("high.far", (761.2, 318.9), 0.4, by_hand=True))
    assert made.handles[1].at == (761.2, 318.9)


def test_a_survey_can_be_taken_only_when_there_is_a_camera(qtbot: QtBot) -> None:
    made = screen(qtbot)
    with qtbot.waitSignal(made.taken, timeout=1000) as taken:
        QTest.keyClick(made.picture, Qt.Key.Key_Return, Qt.KeyboardModifier.ControlModifier)
    assert taken.args[0] == HANDLES
    made.show_survey(SurveyShown(HANDLES[:2], problem="2 points are set; at least 6 are needed"))
    assert not made.take.isEnabled()
    assert "at least 6" in texts(made)


def test_the_answer_keeps_the_selection(qtbot: QtBot) -> None:
    made = screen(qtbot)
    made.points.setCurrentRow(3)
    made.show_survey(replace(SHOWN, handles=HANDLES[1:]))
    assert made.points.currentRow() == 2
    assert made.picture.accessibleDescription().startswith("low bar, near foot: 1104.00 across")


def test_everything_has_a_name_for_screen_readers(qtbot: QtBot) -> None:
    made = screen(qtbot)
    for widget in (made.picture, made.points, made.glass):
        assert widget.accessibleName()
    assert all(button.text() for button in made.findChildren(QPushButton))
    assert len(made.findChildren(QListWidget)) == 1


def test_zoom_keeps_handles_on_their_places(qtbot: QtBot) -> None:
    made = screen(qtbot)
    made.points.setCurrentRow(2)
    before = made.picture.map.to_view(HANDLES[2].at)
    QTest.keyClicks(made.picture, "++")
    assert made.picture.map.scale > 1.0
    assert made.picture.map.to_view(HANDLES[2].at) == pytest.approx(before, abs=1.5)
    QTest.mouseClick(made.picture, Qt.MouseButton.LeftButton, pos=at(made, 2))
    assert made.handles == HANDLES
    QTest.keyClicks(made.picture, "w")
    assert made.picture.map.zoom == 1.0


def test_handles_stay_inside_the_picture() -> None:
    handles = HandleSet()
    handles.show(HANDLES)
    handles.select(0)
    handles.step(-5000.0, 9000.0, (1920, 1080))
    assert handles.current is not None
    assert handles.current.at == (0.0, 1079.0)
    assert handles.nearest((1100.0, 462.0), 10.0) == 2
    assert handles.nearest((1300.0, 100.0), 10.0) is None
    handles.show(())
    assert handles.current is None
    handles.step(1.0, 1.0, (1920, 1080))
    assert handles.handles == ()

"""Screens of every usual size and scale: nothing cut, nothing small, nothing without a name."""

from __future__ import annotations

import msgspec
import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QKeySequence
from PySide6.QtWidgets import QApplication, QLabel, QWidget
from pytestqt.qtbot import QtBot

from bridge.messages import Correction, FamilyChance, Look, Quantity, Ruling, Viewing
from overlay.additions import add_all
from overlay.keys import BINDINGS
from overlay.theme import DARK, LIGHT, SMALLEST_TEXT_PX, Theme
from overlay.window import Window
from tests.test_viewer_window import press, replaying, until
from tests.viewer_arena import Viewer
from tests.viewer_demo import DemoArena

# 1280x800, 1920x1080 and 3840x2160 at scales 1, 1.25 and 2, in logical pixels.
SIZES = ((1280, 800), (1024, 640), (1920, 1080), (1536, 864), (960, 540), (3840, 2160))


def everything_at_once(arena: DemoArena, window: Window, qtbot: QtBot) -> None:
    """The fullest screen there is: family, correction, ruling and looks of one flight, at band level."""
    reading = arena.flight(4)
    views = (Viewing(speed=1.0, level="picture", passes=1.0), Viewing(speed=0.25, level="line", passes=2.0))
    height = Quantity(-0.31, 0.02, "m")
    for body in (
        msgspec.structs.replace(reading, family_by="panel", families=(FamilyChance("dismount", 0.7),)),
        Correction(
            flight="r1-f4", t_ns=reading.apex_ns, line_px=3.0, height=height, measured=reading.apex,
            band="below", band_p=0.99, by="panel", wall_time="2026-03-01T10:15:00",
        ),
        Ruling(flight="r1-f4", decision="below", note="both judges agree", wall_time="2026-03-01T10:16:00"),
        Look(flight="r1-f4", routine=1, by="panel", lasted_s=9.0, views=views, stills=("release", "apex"),
             wall_time="2026-03-01T10:15:30"),
    ):  # fmt: skip
        arena.publisher.publish(body, t_ns=0)
    press(qtbot, window, "4b")
    replaying(qtbot, window, "r1-f4")
    press(qtbot, window, "t")
    until(qtbot, lambda: "r1-f4" in window.state.rulings and bool(window.ruling.looks.text()))


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
def test_no_word_beside_the_picture_is_cut(
    arena: DemoArena, viewer: Viewer, qtbot: QtBot, size: tuple[int, int]
) -> None:
    window = viewer.window
    everything_at_once(arena, window, qtbot)
    window.resize(*size)
    for _ in range(3):
        QApplication.processEvents()
        window._refresh()
    QApplication.processEvents()
    assert (window.width(), window.height()) == size
    seen = 0
    for part in window.column.findChildren(QLabel):
        if part.isVisible() and part.text() and part.wordWrap():
            assert part.height() >= part.heightForWidth(part.width()), (part.text(), size)
            seen += 1
    assert seen >= 8
    for part in (window.caution, window.ruling.note, window.ruling.record, window.transport, window.flights):
        corner = part.mapTo(window, part.rect().bottomRight())
        assert window.rect().contains(corner), part.accessibleName()
    assert window.reading.height_words.text() == "16 cm below"
    assert window.reading.by_hand.isVisible()


@pytest.mark.parametrize("theme", [LIGHT, DARK], ids=lambda theme: theme.name)
def test_on_every_page_words_are_large_and_everything_has_a_name(
    arena: DemoArena, viewer: Viewer, qtbot: QtBot, theme: Theme
) -> None:
    window = viewer.window
    window.set_theme(theme)
    everything_at_once(arena, window, qtbot)
    for action in ("measures", "whole_routine", "side_by_side"):
        window.do(action)
        QApplication.processEvents()
        page = window.page
        assert page is not None
        assert page.accessibleName()
        words = [part for part in page.findChildren(QLabel) if part.isVisible() and part.text()]
        assert words
        for part in words:
            assert part.accessibleName(), part.text()
            assert part.fontInfo().pixelSize() >= SMALLEST_TEXT_PX, part.text()
        for widget in page.findChildren(QWidget):
            if widget.focusPolicy() & Qt.FocusPolicy.TabFocus and not widget.objectName().startswith("qt_"):
                assert widget.accessibleName(), (action, widget)
        window.do(action)
        assert window.page is None


def test_every_action_is_in_the_menu_on_the_card_and_on_a_key(
    arena: DemoArena, viewer: Viewer, qtbot: QtBot
) -> None:
    window = viewer.window
    add_all(window)
    menu = window.menu.menu()
    assert menu is not None
    listed = {
        entry.text().partition("\t")[0]
        for sub in menu.actions()
        for entry in (sub.menu().actions() if sub.menu() is not None else [])  # type: ignore[union-attr]
    }
    card = window.card.accessibleDescription()
    for binding in window._bindings:
        assert binding.words in listed
        assert binding.action in window._actions
        if not binding.action.startswith(("flight_", "pan_")):
            assert binding.words in card
    assert len(window._bindings) > len(BINDINGS)
    for key in window._keys:
        assert len(key) == 1 or not QKeySequence(key).isEmpty(), key
    for size in SIZES:
        window.resize(*size)
        window.do("keys")
        QApplication.processEvents()
        assert window.rect().contains(window.card.geometry()), size
        assert window.card.width() >= min(window.card.sizeHint().width(), size[0])
        window.do("keys")


def test_what_painting_costs_is_told() -> None:
    from overlay.painting import painting_words

    assert painting_words().startswith("painting 1080p with everything drawn: ")

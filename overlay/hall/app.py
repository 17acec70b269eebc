"""Starts the hall's screen."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from bridge.bus import Addresses
from bridge.clock import SystemClock
from bridge.messages import Policy

if TYPE_CHECKING:
    from overlay.hall.window import HallWindow


def run_hall(
    session: Path | None,
    addresses: Addresses | None,
    root: Path,
    *,
    light: bool = False,
    windowed: bool = False,
    policy: Policy | None = None,
    shown: Callable[[HallWindow], None] | None = None,
) -> int:
    """Show the hall's screen until it is closed; returns the exit code.

    Args:
        session: the session folder, of a running capture or of a closed recording; or
        addresses: where the bus is.
        root: the folder of the session folders, for her turns of other days.
        light: begin with the light sheet.
        windowed: a window instead of the whole screen.
        policy: the most that may be shown of a closed recording.
        shown: called with the window once it is on the screen.

    Raises:
        RailcrestError: the screen cannot start.
    """
    from overlay.app import followers, run_window, start_application

    start_application()
    from PySide6.QtCore import Qt

    from overlay.desk import DeskThread
    from overlay.feed import Feed
    from overlay.hall.history import HistoryThread, OtherDays
    from overlay.hall.window import HallWindow
    from overlay.theme import DARK, LIGHT

    clock = SystemClock()
    feed = Feed(clock)
    receiver, desk = followers(session, addresses, feed, clock, policy)
    history = HistoryThread(session, root)
    others = DeskThread(lambda: OtherDays(root))
    window = HallWindow(feed, desk, clock, LIGHT if light else DARK, others=others)
    history.read.connect(window.take_past, Qt.ConnectionType.QueuedConnection)
    return run_window(
        window,
        (receiver, desk, others, history),
        full_screen=not windowed,
        shown=(lambda: shown(window)) if shown else None,
    )

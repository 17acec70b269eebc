"""Starts the staff's window."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from bridge.bus import Addresses
from bridge.clock import SystemClock

if TYPE_CHECKING:
    from overlay.meet.window import StaffWindow


def run_staff(
    session: Path | None,
    addresses: Addresses | None,
    *,
    dark: bool = False,
    shown: Callable[[StaffWindow], None] | None = None,
) -> int:
    """Show the staff's window until it is closed; returns the exit code.

    Args:
        session: the session folder, of a running capture or of a closed recording; or
        addresses: where the bus is.
        dark: begin with the dark sheet.
        shown: called with the window once it is on the screen.

    Raises:
        RailcrestError: the window cannot start.
    """
    from overlay.app import followers, run_window, start_application

    start_application()
    from overlay.feed import Feed
    from overlay.meet.window import StaffWindow
    from overlay.theme import DARK, LIGHT

    clock = SystemClock()
    feed = Feed(clock)
    receiver, desk = followers(session, addresses, feed, clock)
    window = StaffWindow(feed, desk, clock, DARK if dark else LIGHT)
    return run_window(window, (receiver, desk), shown=(lambda: shown(window)) if shown else None)

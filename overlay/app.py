"""Starting and stopping the viewer.

Before Qt is loaded: foreign Qt settings are taken out of the environment and Qt's libraries are
checked. After that: signals reach the event loop, an unforeseen error ends the program instead of
leaving a window that no longer works, and everything stops in stages.
"""

from __future__ import annotations

import contextlib
import logging
import os
import signal
import socket
import sys
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Final, Protocol

from bridge.bus import Addresses, DeskClient, SessionFeed
from bridge.clock import SystemClock
from bridge.doctor import check_libraries
from bridge.errors import ExitCode, RailcrestError, SystemLibraryError

if TYPE_CHECKING:
    from PySide6.QtWidgets import QApplication, QWidget

    from bridge.clock import Clock
    from bridge.messages import Policy
    from overlay.desk import DeskThread
    from overlay.feed import Feed, FeedThread
    from overlay.hall.window import HallWindow
    from overlay.meet.window import StaffWindow
    from overlay.window import Window

log = logging.getLogger(__name__)

FOREIGN_SETTINGS: Final = ("QT_QPA_PLATFORM_PLUGIN_PATH", "QT_QPA_FONTDIR")


class Stoppable(Protocol):
    """A thread that feeds a window."""

    def start(self) -> None:
        """Start it."""
        ...

    def stop(self, timeout_s: float = 3.0) -> bool:
        """Ask it to end, and wait; returns whether it ended."""
        ...


def clear_foreign_settings() -> None:
    """Take out Qt settings that another package left pointing at its own, older Qt."""
    for name in FOREIGN_SETTINGS:
        if "cv2" in Path(os.environ.get(name, "")).parts:
            del os.environ[name]


def check_system() -> None:
    """See that Qt's libraries load and that there is a screen to draw on.

    Raises:
        SystemLibraryError: names the Debian packages that are missing.
    """
    if not sys.platform.startswith("linux"):
        return
    platform = os.environ.get("QT_QPA_PLATFORM", "")
    if not platform and not {"DISPLAY", "WAYLAND_DISPLAY"} & os.environ.keys():
        raise SystemLibraryError("no display: start the viewer from a desktop, or set QT_QPA_PLATFORM")
    on_x11 = platform == "xcb" or (not platform and "WAYLAND_DISPLAY" not in os.environ)
    wanted = {"Qt", "Qt on X11"} if on_x11 else {"Qt"}
    for check in check_libraries():
        if check.name in wanted and check.text.startswith("lacks"):
            raise SystemLibraryError(f"the viewer cannot open a window: {check.name} {check.text}")


def start_application() -> QApplication:
    """Prepare the environment and start Qt.

    Raises:
        SystemLibraryError: a library or all fonts are missing.
    """
    clear_foreign_settings()
    check_system()
    from PySide6.QtGui import QFontDatabase
    from PySide6.QtWidgets import QApplication

    running = QApplication.instance()
    app = running if isinstance(running, QApplication) else QApplication(["railcrest"])
    app.setApplicationName("Railcrest")
    app.setStyle("Fusion")
    if not QFontDatabase.families():
        raise SystemLibraryError("no font on this machine: apt install fonts-dejavu-core")
    return app


class SignalWatch:
    """Turns SIGINT and SIGTERM into a quiet end: the first asks, the second insists.

    Python runs signal handlers only between its own instructions, and an idle event loop runs none.
    The wake-up descriptor makes the loop wake up.
    """

    def __init__(self, window: QWidget) -> None:
        from PySide6.QtCore import QSocketNotifier

        self._window = window
        self.received: int | None = None
        self._near, self._far = socket.socketpair()
        for end in (self._near, self._far):
            end.setblocking(False)
        self._kept_fd = signal.set_wakeup_fd(self._far.fileno(), warn_on_full_buffer=False)
        self._kept = {n: signal.signal(n, self._handle) for n in (signal.SIGINT, signal.SIGTERM)}
        self._notifier = QSocketNotifier(self._near.fileno(), QSocketNotifier.Type.Read, window)
        self._notifier.activated.connect(self._drain)

    def _drain(self) -> None:
        with contextlib.suppress(BlockingIOError):
            self._near.recv(64)

    def _handle(self, number: int, _frame: object) -> None:
        if self.received is not None:
            os._exit(128 + number)
        self.received = number
        self._window.close()

    def close(self) -> None:
        """Put the former handlers back."""
        self._notifier.setEnabled(False)
        for number, handler in self._kept.items():
            signal.signal(number, handler)
        signal.set_wakeup_fd(self._kept_fd)
        self._near.close()
        self._far.close()


def run(
    session: Path | None,
    addresses: Addresses | None,
    *,
    dark: bool = False,
    policy: Policy | None = None,
    role: str = "panel",
    shown: Callable[[Window], None] | None = None,
) -> int:
    """Show the viewer until it is closed.

    Args:
        session: the session folder, of a running capture or of a closed recording; or
        addresses: where the bus is.
        dark: begin with the dark sheet.
        policy: the most that may be shown of a closed recording.
        role: who looks and rules, as it goes on record.
        shown: called with the window once it is on the screen.

    Returns:
        The exit code: 0 when the window was closed or the program was asked to end.

    Raises:
        RailcrestError: the viewer cannot start.
    """
    start_application()
    from overlay.additions import add_all
    from overlay.feed import Feed
    from overlay.theme import DARK, LIGHT
    from overlay.window import Window

    clock = SystemClock()
    feed = Feed(clock)
    receiver, desk = followers(session, addresses, feed, clock, policy)
    window = Window(feed, desk, clock, DARK if dark else LIGHT)
    window.ruling.by = role
    window.setProperty("session_folder", str(session) if session is not None else "")
    add_all(window)
    return run_window(window, (receiver, desk), shown=partial(shown, window) if shown else None)


def followers(
    session: Path | None,
    addresses: Addresses | None,
    feed: Feed,
    clock: Clock,
    policy: Policy | None = None,
) -> tuple[FeedThread, DeskThread]:
    """The two threads, not started yet, that follow a session folder or a bus for a window.

    Raises:
        RailcrestError: neither is named.
    """
    from overlay.desk import DeskThread
    from overlay.feed import FeedThread
    from overlay.recorded import FolderDesk, FolderSource

    if session is not None:
        return (
            FeedThread(lambda: FolderSource(session, clock, policy), feed),
            DeskThread(lambda: FolderDesk(session, clock)),
        )
    if addresses is None:
        raise RailcrestError("name a session folder with --session, or a port with --port")
    return (
        FeedThread(lambda: SessionFeed(addresses, clock), feed),
        DeskThread(lambda: DeskClient(addresses, clock=clock)),
    )


def run_window(
    window: Window | HallWindow | StaffWindow,
    threads: Sequence[Stoppable],
    *,
    full_screen: bool = False,
    shown: Callable[[], None] | None = None,
) -> int:
    """Run a window and what feeds it until it is closed; returns the exit code.

    Args:
        window: not shown yet.
        threads: started before it is shown, stopped after it was closed.
        full_screen: show it over the whole screen.
        shown: called once it is on the screen.
    """
    app = start_application()
    from PySide6.QtCore import QTimer

    watch = SignalWatch(window)
    failed: list[BaseException] = []
    former_hook = sys.excepthook

    def hook(kind: type[BaseException], error: BaseException, trace: TracebackType | None) -> None:
        log.critical("the viewer met an unforeseen error", exc_info=(kind, error, trace))
        if not failed:
            failed.append(error)
            QTimer.singleShot(0, window.close)

    def stop_threads() -> None:
        ended = [thread.stop() for thread in threads]
        if not all(ended):
            log.warning("a thread of the viewer did not end in time")
        # A zero-length timer, so that nothing is taken down under a loop that still uses it.
        QTimer.singleShot(0, app.quit)

    sys.excepthook = hook
    app.setQuitOnLastWindowClosed(False)
    window.closing.connect(lambda: QTimer.singleShot(0, stop_threads))
    for thread in threads:
        thread.start()
    if full_screen:
        window.showFullScreen()
    else:
        window.show()
    if shown is not None:
        shown()
    try:
        app.exec()
    finally:
        sys.excepthook = former_hook
        for thread in threads:
            thread.stop()
        watch.close()
        window.deleteLater()
    return int(ExitCode.UNEXPECTED if failed else ExitCode.OK)

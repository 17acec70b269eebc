"""A practice in a room: the page in a thread of its own, the projector's window in front."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from types import TracebackType

from bridge.clock import SystemClock
from bridge.errors import ExitCode
from overlay.app import SignalWatch, start_application
from overlay.clinic.practice import Practice
from overlay.clinic.server import ClinicServer
from overlay.clinic.shelf import Shelf


class ServerThread:
    """Serves a practice's page until it is closed.

    Raises:
        BusError: the address or port cannot be had.
        ConfigError: ``host`` is no single address.
    """

    def __init__(self, practice: Practice, host: str, port: int) -> None:
        self.server = ClinicServer(practice, host, port)
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="page", daemon=True)
        self._thread.start()
        try:
            asyncio.run_coroutine_threadsafe(self.server.start(), self._loop).result(10)
        except BaseException:
            self._end()
            raise

    def close(self) -> None:
        """Stop listening; safe to call twice."""
        if not self._loop.is_closed():
            asyncio.run_coroutine_threadsafe(self.server.stop(), self._loop).result(10)
            self._end()

    def __enter__(self) -> ServerThread:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _end(self) -> None:
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(10)
        self._loop.close()


def run_room(
    practice: Practice,
    shelf: Shelf,
    host: str,
    port: int,
    tell: Callable[[str], None] = print,
    *,
    full: bool = False,
    shown: Callable[[object], None] | None = None,
) -> int:
    """Serve a practice and show the projector's window until it is closed.

    Args:
        tell: is given the teacher's address, then the markers'.
        full: fill the screen.
        shown: called with the window once it is on the screen.

    Returns:
        The exit code.

    Raises:
        BusError: the address or port cannot be had.
        SystemLibraryError: no window can be opened.
    """
    app = start_application()
    from PySide6.QtCore import QTimer

    from overlay.clinic.projector import Projector

    with ServerThread(practice, host, port) as page:
        tell(f"teacher: {page.server.teacher_url}")
        tell(f"markers: {page.server.url}")
        window = Projector(practice, shelf, SystemClock(), page.server.url, page.server.join_url)
        watch = SignalWatch(window)
        app.setQuitOnLastWindowClosed(False)
        window.closing.connect(lambda: QTimer.singleShot(0, app.quit))
        if full:
            window.showFullScreen()
        else:
            window.show()
        if shown is not None:
            shown(window)
        try:
            app.exec()
        finally:
            shelf.close()
            watch.close()
            window.deleteLater()
    return int(ExitCode.OK)

"""Her flights of other days, read from the session folders by a thread of its own."""

from __future__ import annotations

import threading
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import msgspec
from PySide6.QtCore import QObject, Signal

from bridge.errors import RecordingError
from bridge.messages import Answer, ClipRequest, Refused, Request
from bridge.session import find_sessions, read_manifest
from bridge.turns import SetUp, Turn, day_of, gather, set_up_of
from overlay.recorded import RecordedSession


@dataclass(frozen=True, slots=True)
class Past:
    """What other days left: this session's set-up, all flights of the others, and what could not be read."""

    name: str = ""  # folder name of this session
    here: SetUp | None = None
    day: date | None = None  # of this session
    turns: tuple[Turn, ...] = ()
    refused: tuple[str, ...] = ()


def read_past(session: Path | None, root: Path) -> Past:
    """Read every session under ``root`` but the one on show."""
    here: SetUp | None = None
    day: date | None = None
    name = session.name if session is not None else ""
    if session is not None:
        try:
            manifest = read_manifest(session)
        except RecordingError:
            return Past(name)  # not begun yet: nothing is comparable so far
        here, day = set_up_of(manifest), day_of(manifest)
    others = [f for f in find_sessions(root) if session is None or f.resolve() != session.resolve()]
    turns, refused = gather(others)
    return Past(name, here, day, tuple(turns), tuple(refused))


class OtherDays:
    """Cuts clips of other sessions under ``root``, asked for as ``session/flight``. Used by one thread."""

    def __init__(self, root: Path) -> None:
        self._root = root

    def ask(self, request: Request, timeout_s: float = 5.0) -> Answer:
        """The recorded frames of a flight, or why there are none."""
        if not isinstance(request, ClipRequest):
            return Refused(reason="only clips are kept of other days")
        session, _, flight = request.flight.partition("/")
        if session in {"", ".", ".."} or Path(session).name != session:
            return Refused(reason=f"{session}: no session of that name")
        return RecordedSession(self._root / session).clip(msgspec.structs.replace(request, flight=flight))

    def close(self) -> None:
        """Nothing is held open."""


class HistoryThread(QObject):
    """Reads the past once, away from the screen."""

    read = Signal(object)  # Past

    def __init__(self, session: Path | None, root: Path, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._session, self._root = session, root
        self._thread = threading.Thread(target=self._run, name="history", daemon=True)

    def start(self) -> None:
        """Start reading; ``read`` follows."""
        self._thread.start()

    def stop(self, timeout_s: float = 3.0) -> bool:
        """Wait for the reading to end. Returns whether it ended."""
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _run(self) -> None:
        self.read.emit(read_past(self._session, self._root))

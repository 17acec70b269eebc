"""Requests to the desk, made by a thread of their own so that the screen never waits.

The thread owns the connection: sockets must not be shared between threads.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from typing import Protocol

from PySide6.QtCore import QObject, Signal

from bridge.errors import RailcrestError
from bridge.messages import Accepted, Answer, Clip, ClipRequest, Refused, Request, Ruling, RulingRequest
from overlay.pixels import ClipError, decode_clip


class Connection(Protocol):
    """What is needed of a connection to the desk; :class:`bridge.bus.DeskClient` has it."""

    def ask(self, request: Request, timeout_s: float = 5.0) -> Answer:
        """Send a request and wait for its answer."""
        ...

    def close(self) -> None:
        """Close the sockets."""
        ...


class DeskThread(QObject):
    """Fetches clips and hands in rulings. Of several clips asked for, only the last is fetched."""

    clip_ready = Signal(str, object)  # flight, FrameStore[av.VideoFrame]
    clip_failed = Signal(str, str)  # flight, why
    ruling_done = Signal(object, str)  # Ruling, "" or why it was refused

    def __init__(self, connect: Callable[[], Connection], parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._connect = connect
        self._tasks: queue.SimpleQueue[ClipRequest | Ruling | None] = queue.SimpleQueue()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="desk", daemon=True)

    def start(self) -> None:
        """Start the thread."""
        self._thread.start()

    def fetch(self, request: ClipRequest) -> None:
        """Ask for a clip; ``clip_ready`` or ``clip_failed`` follows, unless another is asked for."""
        self._tasks.put(request)

    def rule(self, ruling: Ruling) -> None:
        """Hand in the panel's ruling; ``ruling_done`` follows."""
        self._tasks.put(ruling)

    def stop(self, timeout_s: float = 3.0) -> bool:
        """Ask the thread to end, and wait for it. Returns whether it ended."""
        self._stopping.set()
        self._tasks.put(None)
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _run(self) -> None:
        connection: Connection | None = None
        try:
            while not self._stopping.is_set():
                for task in self._waiting():
                    if self._stopping.is_set():
                        break
                    try:
                        connection = connection or self._connect()
                        self._carry_out(connection, task)
                    except (ClipError, RailcrestError) as error:
                        self._fail(task, str(error))
                        # Capture may have been started again elsewhere: look for it afresh next time.
                        if isinstance(error, RailcrestError) and connection is not None:
                            connection.close()
                            connection = None
        finally:
            if connection is not None:
                connection.close()

    def _waiting(self) -> list[ClipRequest | Ruling]:
        """All that waits: every ruling, and of the clips the one asked for last."""
        tasks = [self._tasks.get()]
        while not self._tasks.empty():
            tasks.append(self._tasks.get())
        clips = [t for t in tasks if isinstance(t, ClipRequest)]
        return [t for t in tasks if isinstance(t, Ruling)] + clips[-1:]

    def _carry_out(self, connection: Connection, task: ClipRequest | Ruling) -> None:
        if isinstance(task, Ruling):
            answer = connection.ask(RulingRequest(ruling=task))
            refused = "" if isinstance(answer, Accepted) else _reason(answer)
            self.ruling_done.emit(task, refused)
            return
        answer = connection.ask(task)
        if not isinstance(answer, Clip):
            raise ClipError(_reason(answer))
        frames = decode_clip(answer)
        if not self._stopping.is_set():
            self.clip_ready.emit(task.flight, frames)

    def _fail(self, task: ClipRequest | Ruling, why: str) -> None:
        if self._stopping.is_set():
            return
        if isinstance(task, Ruling):
            self.ruling_done.emit(task, why)
        else:
            self.clip_failed.emit(task.flight, why)


def _reason(answer: Answer) -> str:
    """Why a request was refused."""
    return answer.reason if isinstance(answer, Refused) else "the desk answered something else"

"""Requests to the desk, made by a thread of their own so that the screen never waits.

The thread owns the connection: sockets must not be shared between threads.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Protocol

from PySide6.QtCore import QObject, Signal

from bridge.errors import RailcrestError
from bridge.messages import (
    Accepted,
    Answer,
    Clip,
    ClipRequest,
    LookRequest,
    Refused,
    Request,
    Ruling,
    RulingRequest,
)
from overlay.pixels import MEMORY_BYTES, ClipError, decode_clip
from overlay.replay import FrameStore

KEPT: Final = (RulingRequest, LookRequest)  # still handed in when the viewer is closed
ASK_S: Final = 5.0
LAST_S: Final = 0.8


class Connection(Protocol):
    """What is needed of a connection to the desk; :class:`bridge.bus.DeskClient` has it."""

    def ask(self, request: Request, timeout_s: float = 5.0) -> Answer:
        """Send a request and wait for its answer."""
        ...

    def close(self) -> None:
        """Close the sockets."""
        ...


@dataclass(frozen=True, slots=True)
class Asked:
    """A request and who wants its answer."""

    tag: str
    request: Request
    memory_bytes: int = MEMORY_BYTES
    only_last: bool = False


class DeskThread(QObject):
    """Fetches clips, hands in rulings, and asks whatever else a part of the viewer wants to know.

    Of several clips asked for with :meth:`fetch` only the last is fetched; so it is with
    :meth:`ask` where ``only_last`` is set, for each tag by itself. Everything else is asked in turn.
    """

    clip_ready = Signal(str, object)  # flight, FrameStore[av.VideoFrame]
    clip_failed = Signal(str, str)  # flight, why
    ruling_done = Signal(object, str)  # Ruling, "" or why it was refused
    answered = Signal(str, object, object)  # tag, Request, and the answer: see ask

    def __init__(self, connect: Callable[[], Connection], parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._connect = connect
        self._tasks: queue.SimpleQueue[Asked | None] = queue.SimpleQueue()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="desk", daemon=True)

    def start(self) -> None:
        """Start the thread."""
        self._thread.start()

    def fetch(self, request: ClipRequest) -> None:
        """Ask for a clip; ``clip_ready`` or ``clip_failed`` follows, unless another is asked for."""
        self._tasks.put(Asked("", request, only_last=True))

    def rule(self, ruling: Ruling) -> None:
        """Hand in the panel's ruling; ``ruling_done`` follows."""
        self._tasks.put(Asked("", RulingRequest(ruling=ruling)))

    def ask(
        self, tag: str, request: Request, *, only_last: bool = False, memory_bytes: int = MEMORY_BYTES
    ) -> None:
        """Ask the desk anything; ``answered`` follows with ``tag``, the request and what came of it.

        What came is the desk's answer; for a clip its decoded frames, an
        :class:`overlay.replay.FrameStore` of at most ``memory_bytes``; and a :class:`Refused` with the
        reason in words when the desk refused, cannot be reached, or the clip cannot be read.
        """
        self._tasks.put(Asked(tag, request, memory_bytes, only_last))

    def stop(self, timeout_s: float = 3.0) -> bool:
        """Ask the thread to end, and wait for it. Returns whether it ended.

        What is to be kept on record, such as rulings, is still handed in; pictures are not waited for.
        """
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
                    if self._stopping.is_set() and (connection is None or not isinstance(task.request, KEPT)):
                        continue
                    try:
                        connection = connection or self._connect()
                        self._tell(task, self._carry_out(connection, task))
                    except (ClipError, RailcrestError) as error:
                        self._tell(task, Refused(reason=str(error)))
                        # Capture may have been started again elsewhere: look for it afresh next time.
                        if isinstance(error, RailcrestError) and connection is not None:
                            connection.close()
                            connection = None
        finally:
            if connection is not None:
                connection.close()

    def _waiting(self) -> list[Asked]:
        """All that waits, in turn; of what only the last is wanted of, the last."""
        tasks = [self._tasks.get()]
        while not self._tasks.empty():
            tasks.append(self._tasks.get())
        waiting = [task for task in tasks if task is not None]
        last = {task.tag: task for task in waiting if task.only_last}
        kept = [task for task in waiting if not task.only_last or task is last[task.tag]]
        # What is quickly asked goes before the pictures.
        return sorted(kept, key=lambda task: task.only_last)

    def _carry_out(self, connection: Connection, task: Asked) -> object:
        answer = connection.ask(task.request, LAST_S if self._stopping.is_set() else ASK_S)
        return decode_clip(answer, task.memory_bytes) if isinstance(answer, Clip) else answer

    def _tell(self, task: Asked, what: object) -> None:
        if self._stopping.is_set():
            return
        if task.tag:
            self.answered.emit(task.tag, task.request, what)
        elif isinstance(task.request, RulingRequest):
            self.ruling_done.emit(task.request.ruling, "" if isinstance(what, Accepted) else refusal(what))
        elif isinstance(task.request, ClipRequest):
            if isinstance(what, FrameStore):
                self.clip_ready.emit(task.request.flight, what)
            else:
                self.clip_failed.emit(task.request.flight, refusal(what))


def refusal(answer: object) -> str:
    """Why a request was refused."""
    return answer.reason if isinstance(answer, Refused) else "the desk answered something else"

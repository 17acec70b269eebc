"""Ties the set-up screen to the desk that fits the camera; a thread of its own asks, so nothing waits."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from typing import Final, Literal

from PySide6.QtCore import QObject, Qt, QTimer, Signal, Slot

from bridge.errors import RailcrestError
from bridge.messages import Answer, Point, Refused, SurveyAnswer, SurveyPlace, SurveyRequest
from overlay.desk import Connection
from overlay.pixels import jpeg_image
from overlay.survey import SurveyScreen
from overlay.survey_handles import Handle, SurveyShown

AGAIN_MS: Final = 200  # while the bars are being looked for
LOOKING: Final = "Looking for the bars …"


class SurveyLink(QObject):
    """Passes on what the screen asks for, and shows what comes back.

    Args:
        screen: the set-up screen.
        connect: makes the connection, in the thread that uses it.
    """

    answered = Signal(object, object)  # SurveyRequest, Answer
    taken = Signal(str)  # the rig file that was written

    def __init__(
        self, screen: SurveyScreen, connect: Callable[[], Connection], parent: QObject | None = None
    ) -> None:
        super().__init__(parent)
        self._screen, self._connect = screen, connect
        self._tasks: queue.SimpleQueue[SurveyRequest | None] = queue.SimpleQueue()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="set-up", daemon=True)
        self.answered.connect(self._show, Qt.ConnectionType.QueuedConnection)
        screen.fit_asked.connect(lambda points: self._ask("fit", points))
        screen.taken.connect(lambda points: self._ask("take", points))
        screen.snap_asked.connect(self._snap)
        screen.find_asked.connect(lambda: self._tasks.put(SurveyRequest(action="find")))

    def start(self) -> None:
        """Start the thread, and look for the bars."""
        self._thread.start()
        self._tasks.put(SurveyRequest(action="find", with_still=True))

    def stop(self, timeout_s: float = 3.0) -> bool:
        """Ask the thread to end, and wait for it. Returns whether it ended."""
        self._stopping.set()
        self._tasks.put(None)
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _ask(self, action: Literal["fit", "take"], points: tuple[Handle, ...]) -> None:
        self._tasks.put(SurveyRequest(action=action, points=tuple(_place(handle) for handle in points)))

    def _snap(self, name: str, x: float, y: float) -> None:
        self._tasks.put(SurveyRequest(action="snap", name=name, px=(x, y)))

    def _again(self) -> None:
        if not self._stopping.is_set():
            self._tasks.put(SurveyRequest(action="show"))

    @Slot(object, object)
    def _show(self, request: SurveyRequest, answer: Answer) -> None:
        screen = self._screen
        if not isinstance(answer, SurveyAnswer):
            screen.say(answer.reason if isinstance(answer, Refused) else "the desk answered something else")
            return
        if answer.still and (image := jpeg_image(answer.still)) is not None:
            screen.show_image(image)
        if answer.busy:
            screen.say(LOOKING)
            QTimer.singleShot(AGAIN_MS, self, self._again)
        elif request.action == "snap":
            if answer.snapped is None:
                screen.say("no pole is seen near this point")
            else:
                screen.show_snapped(_handle(answer.snapped))
        elif answer.taken:
            screen.say(f"written: {answer.taken}")
            self.taken.emit(answer.taken)
        # A point that was moved meanwhile has asked for a fit of its own.
        elif request.action != "fit" or _asked_places(request) == _shown_places(screen):
            screen.show_survey(shown(answer))

    # --- the thread ---

    def _run(self) -> None:
        connection: Connection | None = None
        try:
            while (task := self._tasks.get()) is not None and not self._stopping.is_set():
                answer: Answer
                try:
                    connection = connection or self._connect()
                    answer = connection.ask(task)
                except RailcrestError as error:
                    answer = Refused(reason=str(error))
                if not self._stopping.is_set():
                    self.answered.emit(task, answer)
        finally:
            if connection is not None:
                connection.close()


def shown(answer: SurveyAnswer) -> SurveyShown:
    """An answer as the screen shows it."""
    return SurveyShown(
        tuple(_handle(p) for p in answer.points), answer.lines, answer.line_u_m, answer.expected_u_m,
        answer.place, answer.automatic, answer.warnings, answer.better, answer.problem,
    )  # fmt: skip


def _handle(place: SurveyPlace) -> Handle:
    return Handle(place.name, place.px, place.u_px, place.off_px, place.by_hand)


def _place(handle: Handle) -> SurveyPlace:
    return SurveyPlace(name=handle.name, px=handle.at, u_px=handle.u_px, by_hand=handle.by_hand)


def _asked_places(request: SurveyRequest) -> dict[str, Point]:
    return {place.name: place.px for place in request.points}


def _shown_places(screen: SurveyScreen) -> dict[str, Point]:
    return {handle.name: handle.at for handle in screen.handles}

"""Answers the set-up screen over the bus, and starts both: ``railcrest survey FEED --screen``.

Finding the bars takes seconds and has a thread of its own; the screen asks again until it is done.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from pathlib import Path
from typing import Final

import cv2

from bridge.bus import Addresses, Desk
from bridge.errors import ConfigError
from bridge.launch import Supervisor, railcrest
from bridge.messages import Answer, Refused, SurveyAnswer, SurveyPlace, SurveyRequest
from capture.camera import Camera
from capture.rig import POINT_NAMES, SurveyPoint
from capture.survey import PointSeen, Survey, line_u_m
from capture.survey_desk import SurveyDesk

JPEG_QUALITY: Final = 95  # the person looks at single pixels
LOOKING: Final = "the bars are being looked for; wait a moment"
GUESS_U_PX: Final = 40.0  # of a point that nobody has found or set: our own estimate
GUESS_PLACE_M: Final = (0.8, -10.0, 1.8)  # and where a camera is guessed to stand


class SurveyService:
    """Carries out a screen's requests on a :class:`~capture.survey_desk.SurveyDesk`. Used by one thread.

    Args:
        desk: with the pictures.
        out: the rig file that is written when the person takes the survey.
    """

    def __init__(self, desk: SurveyDesk, out: Path) -> None:
        self._desk, self._out = desk, out
        self._finding: threading.Thread | None = None
        self._failed = ""
        self._guessed: tuple[SurveyPlace, ...] = ()  # points that only wait to be set by hand
        _, jpeg = cv2.imencode(".jpg", desk.still, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
        self._jpeg = jpeg.tobytes()
        self.taken = False

    def answer(self, request: SurveyRequest) -> Answer:
        """Answer one request; never waits. Errors of the survey are raised, and refused by the desk."""
        still = self._jpeg if request.with_still else b""
        if self._finding is not None and self._finding.is_alive():
            if request.action in ("show", "find"):
                return SurveyAnswer(busy=True, still=still)
            return Refused(reason=LOOKING)
        if self._finding is not None:
            self._finding.join()
            self._finding = None
            self._guess()
        match request.action:
            case "show":
                return self._stands(still=still)
            case "find":
                self._finding = threading.Thread(target=self._find, name="find", daemon=True)
                self._finding.start()
                return SurveyAnswer(busy=True, still=still)
            case "fit":
                self._fit(request.points)
                return self._stands()
            case "snap":
                seen = self._desk.snap(request.name, request.px)
                return self._stands(snapped=_place(seen) if seen is not None else None)
            case "take":
                return self._take(request.points)

    def close(self) -> None:
        """Wait for what is still being looked for."""
        if self._finding is not None:
            self._finding.join()

    def _find(self) -> None:
        self._failed = ""
        try:
            self._desk.find()
        except ConfigError as error:
            self._failed = str(error)

    def _guess(self) -> None:
        """Where nothing was found, lay out points for a person to drag."""
        self._guessed = ()
        found = self._desk.found
        if found is None or found.points:
            return
        rig = found.rig
        focal = 0.1016 * rig.picture[0] * abs(GUESS_PLACE_M[1])
        camera = Camera.looking(rig, GUESS_PLACE_M, [rig.apparatus.spread_m / 2, 0.0, 1.9], focal)
        self._guessed = tuple(
            SurveyPlace(name=name, px=(float(x), float(y)), u_px=GUESS_U_PX)
            for name in POINT_NAMES
            for x, y in [camera.project(rig.points3d(name))]
        )

    def _fit(self, points: Sequence[SurveyPlace]) -> None:
        # A guess tells nothing; only what a person has set counts then.
        use = [p for p in points if p.by_hand] if self._guessed else points
        self._desk.fit([SurveyPoint(p.name, p.px) for p in use])
        if self._guessed:
            self._guessed = tuple(p for p in points if not p.by_hand)

    def _take(self, points: Sequence[SurveyPlace]) -> Answer:
        found = self._desk.found
        known = {p.name: p.px for p in found.points} if found is not None else {}
        if {p.name: p.px for p in points if p.by_hand or not self._guessed} != known:
            self._fit(points)
        self._desk.take(self._out)
        self.taken = True
        return self._stands(taken=str(self._out))

    def _stands(
        self, *, still: bytes = b"", snapped: SurveyPlace | None = None, taken: str = ""
    ) -> SurveyAnswer:
        found = self._desk.found
        if found is None:
            return SurveyAnswer(problem=self._failed, still=still)
        return as_answer(found, self._guessed, still=still, snapped=snapped, taken=taken)


def as_answer(
    found: Survey,
    guessed: Sequence[SurveyPlace] = (),
    *,
    still: bytes = b"",
    snapped: SurveyPlace | None = None,
    taken: str = "",
) -> SurveyAnswer:
    """A survey as the screen is told it; ``guessed`` points come after its own."""
    camera = found.camera
    lines = camera.lines() if camera is not None else ()
    return SurveyAnswer(
        points=(*(_place(p) for p in found.points), *guessed),
        lines=lines,
        line_u_m=tuple(line_u_m(camera, line.rail) for line in lines) if camera is not None else (),
        expected_u_m=camera.expected_u_m() if camera is not None else None,
        place=camera.words() if camera is not None else "",
        automatic=found.automatic,
        warnings=tuple(w.words for w in found.warnings),
        better=found.better,
        problem=found.problem,
        still=still,
        snapped=snapped,
        taken=taken,
    )


def _place(seen: PointSeen) -> SurveyPlace:
    return SurveyPlace(name=seen.name, px=seen.px, u_px=seen.u_px, off_px=seen.off_px, by_hand=seen.by_hand)


def survey_bus(service: SurveyService) -> Desk:
    """A desk on this machine, on a port of the system's choice, that answers the screen."""
    return Desk(Addresses(), "set-up", "survey", {SurveyRequest: service.answer})


def show_screen(desk: SurveyDesk, out: Path) -> None:
    """Show the set-up screen until the survey is taken or the window closed.

    Raises:
        ConfigError: the window was closed and nothing taken.
    """
    service = SurveyService(desk, out)
    stop = threading.Event()
    with survey_bus(service) as bus:
        thread = threading.Thread(target=bus.run, args=(stop,), name="set-up desk")
        thread.start()
        try:
            port = str(bus.addresses.desk)
            code = Supervisor([railcrest("screen", "set-up-screen", "--port", port, ends_all=True)]).run()
        finally:
            stop.set()
            thread.join()
            service.close()
    if not service.taken:
        why = "the screen was closed" if code == 0 else f"the screen ended with exit code {code}"
        raise ConfigError(f"{out}: not written; {why} before the survey was taken")

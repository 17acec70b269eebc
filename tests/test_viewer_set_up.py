"""The set-up screen over the real bus: found, dragged, snapped, taken; and one command that does it all."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from pytestqt.qtbot import QtBot

from bridge.bus import DeskClient
from bridge.errors import ExitCode
from bridge.messages import Refused, SurveyAnswer, SurveyPlace, SurveyRequest
from capture.camera import fit_camera
from capture.rig import load_rig
from capture.survey_desk import SurveyDesk
from capture.survey_service import LOOKING, SurveyService, survey_bus
from capture.survey_still import find_still
from overlay.survey import SurveyScreen
from overlay.survey_link import SurveyLink
from tests.halls import hall

VIEW = (20, 10.0, 1.6, 8.0, 1280)
WAIT_MS = 60_000


@pytest.fixture
def served(tmp_path: Path) -> Iterator[tuple[SurveyService, DeskClient]]:
    picture, _ = hall(*VIEW)
    yield from serve(SurveyDesk([picture], [0]), tmp_path / "rig.toml")


def serve(desk: SurveyDesk, out: Path) -> Iterator[tuple[SurveyService, DeskClient]]:
    service, stop = SurveyService(desk, out), threading.Event()
    with survey_bus(service) as bus:
        thread = threading.Thread(target=bus.run, args=(stop,))
        thread.start()
        client = DeskClient(bus.addresses)
        try:
            yield service, client
        finally:
            client.close()
            stop.set()
            thread.join(5)
            service.close()


def found(client: DeskClient) -> SurveyAnswer:
    """The survey once the bars have been looked for."""
    client.ask(SurveyRequest(action="find"))
    deadline = time.monotonic() + WAIT_MS / 1000
    while True:
        answer = client.ask(SurveyRequest(action="show"))
        assert isinstance(answer, SurveyAnswer)
        if not answer.busy:
            return answer
        assert time.monotonic() < deadline
        time.sleep(0.1)


def test_the_screen_finds_drags_snaps_and_takes(
    served: tuple[SurveyService, DeskClient], qtbot: QtBot, tmp_path: Path
) -> None:
    service, client = served
    screen = SurveyScreen()
    qtbot.addWidget(screen)
    screen.resize(1280, 800)
    link = SurveyLink(screen, lambda: client)
    with qtbot.waitExposed(screen):
        screen.show()
    link.start()
    try:
        # The picture is there, and the screen alive, while the bars are still being looked for.
        qtbot.waitUntil(lambda: screen.state.text().startswith("Looking"), timeout=WAIT_MS)
        assert screen.picture.map.picture == (1280, 720)
        qtbot.waitUntil(lambda: len(screen.handles) >= 6, timeout=WAIT_MS)
        assert screen.headline.text().startswith("A reading from here: give or take")
        names = [handle.name for handle in screen.handles]
        screen.points.setCurrentRow(names.index("low.mid"))
        at = screen.handles[names.index("low.mid")].at
        for _ in range(4):
            QTest.keyClick(screen.picture, Qt.Key.Key_Up)
        qtbot.waitUntil(lambda: any(handle.off_px > 0.1 for handle in screen.handles), timeout=WAIT_MS)
        assert screen.handles[names.index("low.mid")].at == (at[0], at[1] - 1.0)
        assert screen.state.text() == "points set by hand"
        QTest.keyClick(screen.picture, Qt.Key.Key_M)
        qtbot.waitUntil(
            lambda: abs(screen.handles[names.index("low.mid")].at[1] - at[1]) < 0.6, timeout=WAIT_MS
        )
        with qtbot.waitSignal(link.taken, timeout=WAIT_MS) as taken:
            screen.take.click()
    finally:
        assert link.stop()
    assert service.taken
    rig = tmp_path / "rig.toml"
    assert taken.args == [str(rig)]
    _, true = hall(*VIEW)
    camera = fit_camera(load_rig(rig))
    assert camera.to_plane(true.project([0.0, 0.0, 2.5]))[1] == pytest.approx(2.5, abs=0.02)
    still = find_still(load_rig(rig))
    assert still is not None
    assert (still.image == hall(*VIEW)[0]).all()


def test_while_the_bars_are_looked_for_nothing_waits(served: tuple[SurveyService, DeskClient]) -> None:
    _, client = served
    begun = time.monotonic()
    first = client.ask(SurveyRequest(action="find", with_still=True))
    assert isinstance(first, SurveyAnswer)
    assert first.busy
    assert first.still[:2] == b"\xff\xd8"
    assert client.ask(SurveyRequest(action="fit")) == Refused(reason=LOOKING)
    assert client.ask(SurveyRequest(action="show")) == SurveyAnswer(busy=True)
    assert time.monotonic() - begun < 2


def test_where_nothing_is_found_points_are_laid_out_to_be_dragged(tmp_path: Path) -> None:
    blank, (_, true) = np.full((720, 1280, 3), 90, np.uint8), hall(*VIEW)
    for _, client in serve(SurveyDesk([blank], [0]), tmp_path / "rig.toml"):
        answer = found(client)
        assert "set the points by hand" in answer.problem
        assert len(answer.points) == 10
        assert all(0 <= p.px[0] < 1280 and 0 <= p.px[1] < 720 for p in answer.points)
        refused = client.ask(SurveyRequest(action="take", points=answer.points))
        assert isinstance(refused, Refused)
        assert "at least six" in refused.reason

        def dragged(point: SurveyPlace) -> SurveyPlace:
            x, y = true.project(true.rig.points3d(point.name))
            return SurveyPlace(name=point.name, px=(float(x), float(y)), by_hand=True)

        five = (*map(dragged, answer.points[:5]), *answer.points[5:])
        still_open = client.ask(SurveyRequest(action="fit", points=five))
        assert isinstance(still_open, SurveyAnswer)
        assert still_open.expected_u_m is None
        assert "5 points are set" in still_open.problem
        assert {p.name for p in still_open.points} == {p.name for p in answer.points}
        whole = client.ask(SurveyRequest(action="fit", points=tuple(map(dragged, answer.points))))
        assert isinstance(whole, SurveyAnswer)
        assert whole.expected_u_m is not None
        assert isinstance(client.ask(SurveyRequest(action="take", points=whole.points)), SurveyAnswer)
    assert (tmp_path / "rig.toml").exists()


def _catches(pid: int, number: int) -> bool:
    """Whether a process has a handler of its own for a signal."""
    (line,) = [x for x in Path(f"/proc/{pid}/status").read_text().splitlines() if x.startswith("SigCgt:")]
    return bool(int(line.split()[1], 16) >> (number - 1) & 1)


def test_one_command_shows_the_screen_and_says_when_nothing_was_taken(tmp_path: Path) -> None:
    picture, rig = tmp_path / "hall.png", tmp_path / "rig.toml"
    cv2.imwrite(str(picture), hall(*VIEW)[0])
    process = subprocess.Popen(
        [sys.executable, "-m", "bridge", "survey", str(picture), "--out", str(rig), "--screen"],
        stderr=subprocess.PIPE, text=True, env={**os.environ, "QT_QPA_PLATFORM": "offscreen"},
    )  # fmt: skip
    try:
        screen = child_of(process.pid, "set-up-screen")
        while not _catches(screen, signal.SIGTERM):  # its signal handlers come with its window
            assert process.poll() is None
            time.sleep(0.05)
        os.kill(screen, signal.SIGTERM)
        _, said = process.communicate(timeout=60)
    finally:
        process.kill()
    assert process.returncode == ExitCode.CONFIG, said
    assert "rig.toml: not written; the screen was closed" in said
    assert not rig.exists()


def child_of(pid: int, word: str) -> int:
    """The process that ``pid`` started with a word in its arguments."""
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        for path in Path("/proc").glob("[0-9]*/stat"):
            try:
                parent = int(path.read_text().rpartition(")")[2].split()[1])
                if parent == pid and word in (path.parent / "cmdline").read_text():
                    return int(path.parent.name)
            except (OSError, ValueError, IndexError):
                continue
        time.sleep(0.2)
    pytest.fail(f"no {word} was started")

"""Starting and stopping the viewer as a process of its own."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from bridge.bus import write_run_file
from bridge.doctor import libraries_check
from bridge.errors import SystemLibraryError
from bridge.session import Session
from overlay import app
from tests.conftest import Bus
from tests.sessions import recorded_session
from tests.viewer_arena import arena_on

START = """
import sys
from pathlib import Path
from overlay.app import run
from PySide6.QtCore import QTimer

def shown(window):
    print("shown", flush=True)
    {then}

sys.exit(run(Path(sys.argv[1]), None, shown=shown))
"""


@pytest.fixture
def session(bus: Bus, tmp_path: Path) -> Iterator[Path]:
    """A folder where a capture with one flight is running."""
    arena, addresses = arena_on(bus)
    arena.begin(training=True)
    arena.flight(0)
    write_run_file(tmp_path, "test session", addresses)
    try:
        yield tmp_path
    finally:
        arena.stop()


def viewer(session: Path, then: str) -> subprocess.Popen[str]:
    environment = os.environ | {
        "QT_QPA_PLATFORM": "offscreen",
        "QT_QPA_PLATFORM_PLUGIN_PATH": "/x/cv2/qt/plugins",
    }
    return subprocess.Popen(
        [sys.executable, "-X", "faulthandler", "-W", "error", "-c", START.format(then=then), str(session)],
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def test_it_starts_replays_and_quits_cleanly_three_times(session: Path) -> None:
    then = "QTimer.singleShot(1500, lambda: (print(window.in_replay, flush=True), window.close()))"
    for _ in range(3):
        process = viewer(session, then)
        out, err = process.communicate(timeout=60)
        assert process.returncode == 0, err
        assert out.split() == ["shown", "True"]
        assert err == ""


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_it_quickly(session: Path, number: signal.Signals) -> None:
    process = viewer(session, "pass")
    assert process.stdout is not None
    assert process.stdout.readline() == "shown\n"
    time.sleep(0.5)
    begun = time.monotonic()
    process.send_signal(number)
    _, err = process.communicate(timeout=30)
    assert process.returncode == 0, err
    assert time.monotonic() - begun < 5.0


def test_an_unforeseen_error_ends_it_with_a_code(session: Path) -> None:
    process = viewer(session, "QTimer.singleShot(200, lambda: 1 / 0)")
    _, err = process.communicate(timeout=60)
    assert process.returncode == 1
    assert "ZeroDivisionError" in err


def test_it_waits_where_no_capture_runs_yet(tmp_path: Path) -> None:
    then = "QTimer.singleShot(900, lambda: (print(window.stage.layers.empty, flush=True), window.close()))"
    process = viewer(tmp_path, then)
    out, err = process.communicate(timeout=60)
    assert process.returncode == 0, err
    assert "no capture is running there" in out


def test_a_closed_recording_is_shown_and_takes_a_ruling(tmp_path: Path) -> None:
    folder = recorded_session(tmp_path / "closed")
    then = (
        "QTimer.singleShot(1200, lambda: (window.do('previous'), "
        "window.ruling.mark('level'), window.ruling.send())); "
        "QTimer.singleShot(3000, lambda: (print(window.in_replay, window.title.text(), "
        "window.flights.count(), window.health.text(), window.state.level, sep='|', flush=True), "
        "window.close()))"
    )
    process = viewer(folder, then)
    out, err = process.communicate(timeout=60)
    assert process.returncode == 0, err
    assert out.splitlines()[1] == "True|Invented turns|2|The recording has ended|picture"
    with Session.open(folder).journal() as journal:
        assert [(r.flight, r.decision, r.by) for r in journal.rulings()] == [("r1-f1", "level", "panel")]
        assert journal.verify() is None


def test_foreign_qt_settings_are_taken_out(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("QT_QPA_PLATFORM_PLUGIN_PATH", "/lib/python/site-packages/cv2/qt/plugins")
    monkeypatch.setenv("QT_QPA_FONTDIR", "/usr/share/fonts")
    app.clear_foreign_settings()
    assert "QT_QPA_PLATFORM_PLUGIN_PATH" not in os.environ
    assert os.environ["QT_QPA_FONTDIR"] == "/usr/share/fonts"


def test_a_missing_library_is_named_by_its_package(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("QT_QPA_PLATFORM", "offscreen")
    app.check_system()
    lacking = [
        libraries_check("Qt", ["libEGL.so.1"], needed=True),
        libraries_check("OpenCV", ["x"], needed=True),
    ]
    monkeypatch.setattr(app, "check_libraries", lambda: lacking)
    with pytest.raises(SystemLibraryError, match=r"apt install libegl1$"):
        app.check_system()


def test_a_machine_without_a_screen_is_told_so(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("QT_QPA_PLATFORM", "DISPLAY", "WAYLAND_DISPLAY"):
        monkeypatch.delenv(name, raising=False)
    with pytest.raises(SystemLibraryError, match="no display"):
        app.check_system()

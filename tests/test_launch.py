"""What was started is stopped, whatever happens to whom."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from bridge.errors import ExitCode, RailcrestError
from bridge.launch import Declared, Supervisor, railcrest
from bridge.session import Session

ROOT = Path(__file__).resolve().parent.parent
WAITS = "import time; time.sleep(60)"
STUBBORN = (
    "import signal, sys, time; signal.signal(signal.SIGTERM, signal.SIG_IGN)\n"
    "open(sys.argv[1], 'w').close(); time.sleep(60)"
)


def python(name: str, code: str, *arguments: str, ends_all: bool = False, restarts: int = 0) -> Declared:
    return Declared(name, (sys.executable, "-c", code, *arguments), ends_all, restarts)


def alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    # A zombie that nobody has waited for is over, too.
    return "\nState:\tZ" not in Path(f"/proc/{pid}/status").read_text()


def until(condition: Callable[[], bool], within_s: float = 15.0) -> None:
    end = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < end, "it did not happen in time"
        time.sleep(0.02)


def test_it_ends_when_all_have_ended() -> None:
    supervisor = Supervisor([python("a", "pass"), python("b", "pass")])
    assert supervisor.run() == 0
    assert supervisor.exit_codes == {"a": 0, "b": 0}


@pytest.mark.parametrize(
    ("code", "expected"),
    [
        ("raise SystemExit(4)", 4),
        ("import os, signal; os.kill(os.getpid(), signal.SIGKILL)", ExitCode.UNEXPECTED),
    ],
)
def test_a_failure_is_told_by_the_exit_code(code: str, expected: int) -> None:
    assert Supervisor([python("good", "pass"), python("bad", code)]).run() == expected


def test_closing_the_window_ends_everything() -> None:
    supervisor = Supervisor([python("capture", WAITS), python("view", "pass", ends_all=True)])
    assert supervisor.run() == 0
    assert supervisor.ended_by == "view"
    assert supervisor.exit_codes["capture"] == -signal.SIGTERM
    assert supervisor.pids == {}


def test_a_stubborn_process_is_killed_in_time(tmp_path: Path) -> None:
    ready = tmp_path / "ready"
    supervisor = Supervisor([python("stubborn", STUBBORN, str(ready))], stop_within_s=0.3)
    supervisor.reconcile()
    until(ready.exists)
    began = time.monotonic()
    supervisor.stop()
    assert time.monotonic() - began < 5
    assert supervisor.exit_codes == {"stubborn": -signal.SIGKILL}


@pytest.mark.logs_warnings
def test_a_failed_process_is_started_again_as_often_as_declared(tmp_path: Path) -> None:
    code = "import sys; open(sys.argv[1], 'a').write('x'); raise SystemExit(4)"
    supervisor = Supervisor([python("often", code, str(tmp_path / "log"), restarts=2)])
    assert supervisor.run() == 4
    assert (tmp_path / "log").read_text() == "xxx"


def test_what_would_fail_the_same_again_is_not_started_again() -> None:
    began = time.monotonic()
    supervisor = Supervisor([python("full", f"raise SystemExit({int(ExitCode.RECORDING)})", restarts=9)])
    assert supervisor.run() == ExitCode.RECORDING
    assert time.monotonic() - began < 5


def test_reconcile_may_be_called_at_any_time() -> None:
    supervisor = Supervisor([python("a", WAITS)])
    try:
        assert supervisor.reconcile()
        pids = supervisor.pids
        assert supervisor.reconcile()
        assert supervisor.pids == pids
    finally:
        supervisor.stop()
    assert not alive(pids["a"])


def test_what_cannot_be_started_is_named_and_the_rest_is_stopped() -> None:
    supervisor = Supervisor([python("a", WAITS), Declared("b", ("/nonexistent/program",))])
    with pytest.raises(RailcrestError, match=r"b: /nonexistent/program cannot be started"):
        supervisor.run()
    assert supervisor.pids == {}
    assert supervisor.exit_codes == {"a": -signal.SIGTERM}


def test_an_event_stops_it() -> None:
    stop = threading.Event()
    supervisor = Supervisor([python("a", WAITS)])
    threading.Timer(0.2, stop.set).start()
    assert supervisor.run(stop) == ExitCode.INTERRUPTED


def test_two_of_one_name_are_refused() -> None:
    with pytest.raises(ValueError, match="one name"):
        Supervisor([python("a", ""), python("a", "")])


def test_railcrest_commands_run_in_this_interpreter() -> None:
    declared = railcrest("version", "--version")
    assert declared.argv[0] == sys.executable
    assert Supervisor([declared]).run() == 0


SUPERVISE = """
import sys
from pathlib import Path
from bridge.launch import Declared, Supervisor
child = (
    "import os, sys, time; from bridge.launch import die_with_parent; die_with_parent();"
    "open(sys.argv[1], 'w').write(str(os.getpid())); time.sleep(60)"
)
table = [Declared(str(i), (sys.executable, "-c", child, f"{sys.argv[1]}/{i}")) for i in range(2)]
sys.exit(Supervisor(table).run())
"""


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGKILL])
def test_no_orphans_when_the_supervisor_is_ended(tmp_path: Path, number: signal.Signals) -> None:
    supervisor = subprocess.Popen(
        [sys.executable, "-c", SUPERVISE, str(tmp_path)], env={**os.environ, "PYTHONPATH": str(ROOT)}
    )
    until(lambda: [p.read_text() != "" for p in sorted(tmp_path.iterdir())] == [True, True])
    pids = [int(path.read_text()) for path in tmp_path.iterdir()]
    assert all(alive(pid) for pid in pids)
    supervisor.send_signal(number)
    code = supervisor.wait(15)
    assert code == (-signal.SIGKILL if number == signal.SIGKILL else ExitCode.INTERRUPTED)
    until(lambda: not any(alive(pid) for pid in pids))


RECORDS = """
import sys, time
from pathlib import Path
from bridge.session import SessionWriter, new_manifest
from tests.sessions import record
folder, times = Path(sys.argv[1]), [time.monotonic_ns() + i * 16_666_667 for i in range(3000)]
with SessionWriter(folder, new_manifest("kept")) as writer:
    for written in record(folder, times, segment=writer.segment):
        time.sleep(0.001)
        if writer.segment == 2 and written == 200:
            break
"""


@pytest.mark.logs_warnings
def test_a_dead_capture_is_started_again_and_keeps_its_session(tmp_path: Path) -> None:
    folder = tmp_path / "s"
    declared = Declared(
        "capture",
        (sys.executable, "-c", RECORDS, str(folder)),
        restarts=1,
        environment={"PYTHONPATH": str(ROOT)},
    )
    supervisor = Supervisor([declared])
    try:
        supervisor.reconcile()
        table = folder / "feed-0001.csv"
        until(lambda: table.exists() and table.read_bytes().count(b"\n") > 150)
        os.kill(supervisor.pids["capture"], signal.SIGKILL)
        until(lambda: not supervisor.reconcile())
    finally:
        supervisor.stop()
    assert supervisor.exit_codes == {"capture": 0}
    session = Session.open(folder)
    assert [segment.number for segment in session.segments()] == [1, 2]
    assert not [f.text for f in session.verify() if f.grade == "error" or "no hash" in f.text]
    with session.journal() as journal:
        notes = " ".join(row.body for row in journal.rows("note"))
    assert "taken over" in notes
    assert "pictures are whole" in notes

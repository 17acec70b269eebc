"""One supervisor for the processes of a session: a table of what should run, kept true until it stops.

Each child is a plain process in a session of its own, so that Ctrl-C reaches the supervisor alone,
which asks all children at once to end, waits a bounded time, and kills what is left. A child that
calls :func:`die_with_parent` (the ``railcrest`` command does) also ends when the supervisor is killed.
"""

from __future__ import annotations

import ctypes
import logging
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from types import FrameType
from typing import Final

from bridge.errors import ExitCode, RailcrestError, SystemLibraryError

log = logging.getLogger(__name__)

PARENT_VARIABLE: Final = "RAILCREST_PARENT"
STOP_WITHIN_S: Final = 15.0  # capture finishes the pictures that wait and hashes what it recorded
TICK_S: Final = 0.05
PAUSE_S: Final = 0.25  # before the first restart; doubled before each further one,
LONGEST_PAUSE_S: Final = 5.0
PASSING: Final = frozenset({ExitCode.UNEXPECTED, ExitCode.FEED, ExitCode.BUS})  # may go well the next time
_PR_SET_PDEATHSIG: Final = 1  # <linux/prctl.h>


@dataclass(frozen=True, slots=True)
class Declared:
    """A process that should run.

    ``ends_all``: when it ends, for whatever reason, everything stops (the viewer's window was closed).
    ``restarts``: how often it is started again after it died or its feed failed, each time after a longer
    pause. What would only fail the same again, such as wrong settings or a full disk, is not.
    """

    name: str
    argv: tuple[str, ...]
    ends_all: bool = False
    restarts: int = 0
    environment: Mapping[str, str] = field(default_factory=dict)


def railcrest(name: str, *arguments: str, ends_all: bool = False, restarts: int = 0) -> Declared:
    """A declared ``railcrest`` command run by this same interpreter."""
    return Declared(name, (sys.executable, "-m", "bridge", *arguments), ends_all, restarts)


class Supervisor:
    """Runs declared processes and stops them together. Used by the main thread."""

    def __init__(self, table: Sequence[Declared], stop_within_s: float = STOP_WITHIN_S) -> None:
        names = [declared.name for declared in table]
        if len(set(names)) != len(names):
            raise ValueError(f"two processes have one name: {names}")
        self._table = {declared.name: declared for declared in table}
        self._stop_within_s = stop_within_s
        self._running: dict[str, subprocess.Popen[bytes]] = {}
        self._starts: dict[str, int] = dict.fromkeys(names, 0)
        self._not_before_s: dict[str, float] = dict.fromkeys(names, 0.0)
        self.exit_codes: dict[str, int] = {}  # of those that ended; -n when signal n ended it
        self.ended_by: str | None = None  # the process whose end stops everything

    @property
    def pids(self) -> dict[str, int]:
        """Process numbers of what runs."""
        return {name: process.pid for name, process in self._running.items()}

    def reconcile(self) -> bool:
        """Make what runs agree with the table; returns whether there is anything left to run.

        Raises:
            RailcrestError: a process cannot be started.
        """
        waiting = False
        for name, declared in self._table.items():
            process = self._running.get(name)
            if process is not None:
                code = process.poll()
                if code is None:
                    continue
                del self._running[name]
                self.exit_codes[name] = code
                pause_s = min(LONGEST_PAUSE_S, PAUSE_S * 2 ** (self._starts[name] - 1))
                self._not_before_s[name] = time.monotonic() + pause_s
                again = self._wanted(declared) and not declared.ends_all
                log.log(
                    logging.WARNING if again else logging.INFO,
                    "%s ended with exit code %d%s", name, code, "; it is started again" if again else "",
                )  # fmt: skip
                if declared.ends_all:
                    self.ended_by = self.ended_by or name
            if self.ended_by is None and self._wanted(declared):
                if time.monotonic() >= self._not_before_s[name]:
                    self._start(declared)
                else:
                    waiting = True
        return (bool(self._running) or waiting) and self.ended_by is None

    def run(self, stop: threading.Event | None = None) -> int:
        """Keep the table true until all have ended, one that ends all has, or a signal comes.

        Returns:
            130 when a signal stopped it; else the exit code of the process that ended all, or the
            first exit code that is not 0. A process ended by a signal counts as ``UNEXPECTED``.
        """
        stop = stop or threading.Event()
        with _signals(stop):
            try:
                while self.reconcile() and not stop.wait(TICK_S):
                    pass
            finally:
                interrupted = stop.is_set()
                self.stop()
        if interrupted:
            return int(ExitCode.INTERRUPTED)
        codes = [self.exit_codes[self.ended_by]] if self.ended_by else list(self.exit_codes.values())
        return next((code if code > 0 else int(ExitCode.UNEXPECTED) for code in codes if code), 0)

    def stop(self) -> None:
        """Ask all to end, wait a bounded time, kill what is left."""
        for process in self._running.values():
            if process.poll() is None:
                process.terminate()
        deadline = time.monotonic() + self._stop_within_s
        for name, process in self._running.items():
            try:
                process.wait(max(0.0, deadline - time.monotonic()))
            except subprocess.TimeoutExpired:
                log.info("%s did not end within %.1f s and was killed", name, self._stop_within_s)
                process.kill()
                process.wait()
            self.exit_codes[name] = process.returncode
        self._running.clear()

    def _wanted(self, declared: Declared) -> bool:
        starts = self._starts[declared.name]
        if starts == 0:
            return True
        code = self.exit_codes.get(declared.name, 0)
        return (code < 0 or code in PASSING) and starts <= declared.restarts

    def _start(self, declared: Declared) -> None:
        environment = {**os.environ, **declared.environment, PARENT_VARIABLE: str(os.getpid())}
        try:
            process = subprocess.Popen(
                declared.argv, env=environment, stdin=subprocess.DEVNULL, start_new_session=True
            )
        except OSError as error:
            raise RailcrestError(
                f"{declared.name}: {declared.argv[0]} cannot be started ({error})"
            ) from error
        self._starts[declared.name] += 1
        self._running[declared.name] = process
        log.info("%s started as process %d", declared.name, process.pid)


def die_with_parent() -> None:
    """Ask Linux to end this process when the supervisor that started it is gone.

    Does nothing when no supervisor started it. Called early by the main thread.
    """
    parent = os.environ.pop(PARENT_VARIABLE, "")
    if not parent.isdecimal():
        return
    if sys.platform == "linux":
        libc = ctypes.CDLL(None, use_errno=True)
        if libc.prctl(_PR_SET_PDEATHSIG, signal.SIGTERM, 0, 0, 0) != 0:
            raise SystemLibraryError(f"prctl failed: {os.strerror(ctypes.get_errno())}")
    if os.getppid() != int(parent):  # it was gone before we asked
        os.kill(os.getpid(), signal.SIGTERM)


@contextmanager
def _signals(stop: threading.Event) -> Iterator[None]:
    """Let SIGTERM, SIGINT and SIGHUP set ``stop`` in the meantime."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def handle(number: int, frame: FrameType | None) -> None:
        stop.set()

    before = {
        number: signal.signal(number, handle) for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)
    }
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)

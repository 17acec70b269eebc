"""A real capture process on a feed, watched over its bus as viewers do."""

from __future__ import annotations

import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from bridge.bus import SessionFeed, read_run_file
from bridge.errors import BusError, RailcrestError
from bridge.launch import Supervisor, railcrest
from bridge.messages import Heartbeat, Pose, Reading

NS: Final = 1_000_000_000
READY_S: Final = 60.0  # loading the networks on a busy machine


@dataclass(slots=True)
class Watched:
    """What one viewer saw; times are ages on arrival, ns."""

    pose_ages_ns: list[int] = field(default_factory=list)
    provisional_ns: dict[str, int] = field(default_factory=dict)  # after the apex, each flight's first
    settled_ns: dict[str, int] = field(default_factory=dict)  # after regrasp or landing, each flight's first
    beat: Heartbeat | None = None
    highest_step: int = 1


@dataclass(frozen=True, slots=True)
class Arena:
    """A running capture process, its session, and its number in the system."""

    session: Path
    supervisor: Supervisor
    pid: int

    def alive(self) -> bool:
        """Whether it still runs. To be called by one thread."""
        return self.supervisor.reconcile()


@contextmanager
def arena(feed: str, rig: Path, *options: str) -> Iterator[Arena]:
    """Run ``railcrest capture`` on a feed in a folder of its own, until the block ends.

    Raises:
        RailcrestError: it ended before its bus was there.
    """
    with tempfile.TemporaryDirectory(prefix="railcrest-bench-") as scratch:
        session = Path(scratch) / "session"
        arguments = ("--feed", feed, "--rig", str(rig), "--session", str(session), "--port", "0", *options)
        supervisor = Supervisor([railcrest("capture", "capture", *arguments)])
        try:
            yield Arena(session, supervisor, _pid(session, supervisor))
        finally:
            supervisor.stop()


def _pid(session: Path, supervisor: Supervisor) -> int:
    deadline = time.monotonic() + READY_S
    while time.monotonic() < deadline and supervisor.reconcile():
        with suppress(BusError):
            return read_run_file(session).pid
        time.sleep(0.1)
    raise RailcrestError("capture did not start; run railcrest doctor")


def watch(session: Path, seconds: float, end: threading.Event) -> Watched:
    """Follow a session like a viewer for so long, until ``end``, or until its feed has ended."""
    seen = Watched()
    deadline = time.monotonic() + seconds
    with SessionFeed(session, name="bench") as feed:
        while time.monotonic() < deadline and not end.is_set():
            for envelope in feed.poll(0.05):
                _note(seen, envelope.body)
            if seen.beat is not None and seen.beat.feed == "ended":
                break
    return seen


def _note(seen: Watched, body: object) -> None:
    now_ns = time.monotonic_ns()
    match body:
        case Pose():
            seen.pose_ages_ns.append(now_ns - body.t_ns)
        case Heartbeat():
            seen.beat = body
            seen.highest_step = max(seen.highest_step, body.step)
        case Reading() if body.state == "provisional":
            seen.provisional_ns.setdefault(body.flight, now_ns - body.apex_ns)
        case Reading():
            seen.settled_ns.setdefault(body.flight, now_ns - body.end_ns)
        case _:
            pass

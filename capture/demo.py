"""The demo: capture and viewer on a session that ships with Railcrest, and its check against the truth.

Without a window the same capture process runs, a viewer's feed follows it over the bus, and what
arrived is held against the truth file that the studio wrote beside the film.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import typer

import capture
from bridge.bus import SessionFeed
from bridge.errors import CheckError, ConfigError, RailcrestError, RecordingError
from bridge.launch import Declared, Supervisor, railcrest
from bridge.messages import Heartbeat, Reading, Snapshot
from bridge.session import Session
from capture.bands import TOO_CLOSE, common_practice
from capture.offline import as_row
from capture.studio import truth as truths
from capture.studio.truth import FlightTruth

NAME: Final = "demo"
NS: Final = 1_000_000_000
RESTARTS: Final = 3  # a capture that dies in the demo is started again
# What the demo must hold: two frames at 60 per second, and 4 cm.
TIME_LIMIT_S: Final = 2 / 60
APEX_LIMIT_M: Final = 0.04


@dataclass(frozen=True, slots=True)
class DemoFiles:
    """What a session that ships consists of."""

    folder: Path

    @property
    def rig(self) -> Path:
        """The rig file with the survey points."""
        return self.folder / "rig.toml"

    @property
    def truth(self) -> Path:
        """The truth of every flight."""
        return self.folder / "truth.json"


def demo_files() -> DemoFiles:
    """Where the demo session lies. Raises ConfigError when this installation does not hold it."""
    root = Path(next(iter(capture.__path__))).parent
    files = DemoFiles(root / "recorded_sessions" / NAME)
    if not files.rig.exists():
        raise ConfigError(f"{files.folder}: the demo session is not there; run from a checkout of Railcrest")
    return files


def play(*, fast: bool = False) -> int:
    """Run capture and viewer until the viewer is closed; returns its exit code."""
    with _declared_capture(fast) as (session, declared):
        viewer = railcrest("viewer", "view", "--session", str(session), ends_all=True)
        return Supervisor([declared, viewer]).run()


def play_headless(*, fast: bool = False, as_json: bool = False) -> None:
    """Run capture alone, print what arrives over the bus, and hold it against the truth.

    Raises:
        CheckError: a flight is missing, invented, or further from the truth than the demo allows.
        RailcrestError: capture ended early.
    """
    files = demo_files()
    with _declared_capture(fast) as (session, declared):
        supervisor = Supervisor([declared])
        try:
            readings = _follow(supervisor, session, as_json)
            # Of several starts the last one showed the whole film.
            first_ns = Session.open(session).segments()[-1].t_ns[0]
        finally:
            supervisor.stop()
    faults = compare(readings, truths.read(files.truth).flights, first_ns)
    if faults:
        raise CheckError("the demo does not hold: " + "; ".join(faults))
    typer.echo(f"{len(readings)} flights, all as filmed", err=True)


@contextmanager
def _declared_capture(fast: bool) -> Iterator[tuple[Path, Declared]]:
    files = demo_files()
    with tempfile.TemporaryDirectory(prefix="railcrest-demo-") as scratch:
        session = Path(scratch) / NAME
        arguments = ["--feed", str(files.folder), "--rig", str(files.rig), "--session", str(session)]
        arguments += [
            "--title",
            "Demo: a rehearsal filmed in the studio",
            "--port",
            "0",
            "--stay",
            "--training",
        ]
        if fast:
            arguments.append("--fast")
        yield session, railcrest("capture", "capture", *arguments, restarts=RESTARTS)


def _follow(supervisor: Supervisor, session: Path, as_json: bool) -> list[Reading]:
    """What a viewer knows once the feed has ended and every record has arrived."""
    known: dict[str, Reading] = {}
    with SessionFeed(session, name="demo") as feed:
        ended_at: int | None = None
        pid: int | None = None
        earlier = 0  # routines of a capture that died
        while ended_at is None or not feed.synced:
            if not supervisor.reconcile():
                code = next(iter(supervisor.exit_codes.values()), 1)
                error = RailcrestError(f"capture ended early with exit code {code}; see its message above")
                raise error
            now = supervisor.pids.get("capture", pid)
            if pid is not None and now != pid:
                typer.echo("capture died and was started again; the film begins anew", err=True)
                earlier, ended_at = _last_routine(session), None
            pid = now
            for envelope in feed.poll(0.1):
                body = envelope.body
                if isinstance(body, Snapshot):
                    known.update((reading.flight, reading) for reading in body.readings)
                elif isinstance(body, Reading):
                    known[body.flight] = body
                    _say(body, as_json)
                elif isinstance(body, Heartbeat) and body.feed != "running":
                    ended_at = body.reading_seq
    new = [reading for reading in known.values() if reading.routine > earlier]
    return sorted(new, key=lambda reading: reading.release_ns)


def _last_routine(session: Path) -> int:
    """Number of the last routine in a session's journal; 0 when there is none."""
    try:
        with Session.open(session).journal() as journal:
            return max((routine.routine for routine in journal.routines()), default=0)
    except RecordingError:
        return 0  # it died before it had made the session


def _say(reading: Reading, as_json: bool) -> None:
    if as_json:
        typer.echo(json.dumps(as_row(reading)))
        return
    words = [f"{reading.flight} {reading.state}"]
    if reading.family:
        words.append(reading.family)
    if reading.apex:
        words.append(f"hips {100 * reading.apex.value:+.0f} ± {200 * reading.apex.u:.0f} cm")
    if reading.band:
        words.append(f"{reading.band} ({reading.band_p:.0%})")
    if reading.reason:
        words.append(reading.reason)
    typer.echo(", ".join(words))


def compare(readings: list[Reading], truth: Sequence[FlightTruth], first_ns: int) -> list[str]:
    """What is wrong with readings, held against the truth; empty when nothing is.

    Args:
        first_ns: capture time of the film's first picture.
    """
    faults: list[str] = []
    left = list(readings)
    for true in truth:
        overlapping = [
            r
            for r in left
            if (r.release_ns - first_ns) / NS < true.end_s and (r.end_ns - first_ns) / NS > true.release_s
        ]
        if not overlapping:
            faults.append(f"the {true.family} at {true.release_s:.2f} s was missed")
            continue
        left.remove(overlapping[0])
        faults += [f"{overlapping[0].flight}: {fault}" for fault in _faults(overlapping[0], true, first_ns)]
    faults += [
        f"{reading.flight} at {(reading.release_ns - first_ns) / NS:.2f} s is invented" for reading in left
    ]
    return faults


def _faults(reading: Reading, true: FlightTruth, first_ns: int) -> Iterator[str]:
    if reading.state != "settled" or reading.apex is None:
        yield f"is {reading.state} ({reading.reason})"
        return
    if reading.family != true.family:
        yield f"read as {reading.family}, was {true.family}"
    for name, read_ns, true_s in (
        ("release", reading.release_ns, true.release_s),
        (true.end_kind, reading.end_ns, true.end_s),
    ):
        error_s = (read_ns - first_ns) / NS - true_s
        if abs(error_s) > TIME_LIMIT_S:
            yield f"{name} {1000 * error_s:+.0f} ms off"
    error_m = reading.apex.value - true.apex_m
    if abs(error_m) > APEX_LIMIT_M:
        yield f"apex {100 * error_m:+.1f} cm off"
    call = common_practice().call(true.family, true.apex_m, 1e-6)
    if call is not None and reading.band not in (call.band, TOO_CLOSE):
        yield f"called {reading.band}, was {call.band}"

"""Faults done to the real programs: what of the recording and of the journal is left afterwards.

Each trial starts ``railcrest capture`` on a paced film of the demo that never ends, does its fault, lets
the next start or ``railcrest session repair`` make the session whole, and looks at what is left. Lost is
what capture had recorded before the fault, by its own table of times, and does not play afterwards. How
far recording then was behind the clock is told beside it: on a machine that has other work it adds to
what is missing, and no fault of the recording's makes it smaller.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import av
import cv2
import numpy as np

from bridge.bus import read_run_file
from bridge.errors import BusError, CheckError, ExitCode, RailcrestError
from bridge.session import Segment, Session, repair
from capture.demo import demo_files
from capture.feeds import FeedInfo, FileFeed, Frame
from capture.recorder import Recorder

NS: Final = 1_000_000_000
FILM_S: Final = 14
PATIENCE_S: Final = 240.0  # for what a quiet machine does in five seconds
SMALL_DISK: Final = 4 * 1024 * 1024  # bytes
Tell = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one fault left."""

    fault: str
    rounds: int
    lost_s: float | None  # most of the recorded picture that was lost; None where that means nothing
    behind_s: float | None  # most that recording was behind the clock at the fault
    rows_lost: int  # of those committed in the journal
    plays: bool  # in PyAV, OpenCV and ffmpeg where it is installed, all that is on record
    whole: bool  # after the repair the session verifies without an error
    said: str  # by the program or the repair

    @property
    def survived(self) -> bool:
        """Whether what is promised was held."""
        return self.plays and self.whole and self.rows_lost == 0 and (self.lost_s or 0) <= 0.5


def trials(
    rounds: int, seed: int, tell: Tell = lambda _: None, *, only: Collection[str] = ()
) -> Iterator[Outcome]:
    """Do every fault ``rounds`` times, at moments drawn with ``seed``; the worst of each is told.

    Args:
        only: names out of :data:`FAULTS`, to do these alone.
    """
    os.environ.setdefault("OPENCV_FFMPEG_LOGLEVEL", "-8")  # a file that was cut is what is asked for
    with tempfile.TemporaryDirectory(prefix="railcrest-faults-") as scratch:
        folder = Path(scratch)
        film = _film(folder)
        for name, (fault, *further) in FAULTS.items():
            if only and name not in only:
                continue
            dice = random.Random(f"{seed} {name}")
            worst: Outcome | None = None
            for i in range(rounds):
                tell(f"{name}, {i + 1} of {rounds}")
                one = fault(film, folder / f"{name}-{i}", dice)
                worst = one if worst is None else _worse(worst, one)
            assert worst is not None
            yield worst
            for more in further:
                yield more(folder / f"{name}-0", folder / more.__name__, dice, rounds)


def _worse(a: Outcome, b: Outcome) -> Outcome:
    lost = [o.lost_s for o in (a, b) if o.lost_s is not None]
    behind = [o.behind_s for o in (a, b) if o.behind_s is not None]
    return replace(
        b,
        rounds=a.rounds + b.rounds, lost_s=max(lost, default=None), behind_s=max(behind, default=None),
        rows_lost=max(a.rows_lost, b.rows_lost),
        plays=a.plays and b.plays, whole=a.whole and b.whole, said=a.said if not a.survived else b.said,
    )  # fmt: skip


# --- the faults -----------------------------------------------------------------------------


def _killed(film: Path, session: Path, dice: random.Random) -> Outcome:
    with _capture(f"loop:{film}", session) as process:
        _wait_pictures(session, dice.uniform(1.5, 4.0))
        rows = _rows(session)
        at_ns = time.monotonic_ns()
        process.kill()
        process.wait()
    had_ns = _last_ns(session)
    shutil.copytree(session, _as_left(session), dirs_exist_ok=True)
    said = repair(session)
    return _left("kill -9", session, had_ns, at_ns, rows, _about_pictures(said))


def _restarted(film: Path, session: Path, dice: random.Random) -> Outcome:
    with _capture(f"loop:{film}", session, "--restarts", "2") as supervisor:
        _wait_pictures(session, dice.uniform(1.5, 3.0))
        rows = _rows(session)
        first = read_run_file(session).pid
        at_ns = time.monotonic_ns()
        subprocess.run(["kill", "-KILL", str(first)], check=True)
        had_ns = _last_ns(session)  # the next one is seconds away from repairing it
        _wait_pictures(session, 1.0, number=2)
        supervisor.terminate()
        code = supervisor.wait(PATIENCE_S)
    fault = "kill -9, restarted by the supervisor"
    outcome = _left(fault, session, had_ns, at_ns, rows, "", segment=1)
    with Session.open(session).journal() as journal:
        notes = [row.body for row in journal.rows("note")]
    noted = any("taken over" in note for note in notes) and any("pictures are whole" in n for n in notes)
    whole = outcome.whole and code == ExitCode.INTERRUPTED and noted
    return replace(
        outcome, whole=whole, said="taken over and repaired while recording went on" if noted else ""
    )


def _ended(film: Path, session: Path, dice: random.Random) -> Outcome:
    with _capture(f"loop:{film}", session) as process:
        _wait_pictures(session, dice.uniform(1.0, 2.0))
        second = subprocess.run(
            _command(f"loop:{film}", session),
            capture_output=True, text=True, timeout=PATIENCE_S, check=False,
        )  # fmt: skip
        rows, had_ns, at_ns = _rows(session), _last_ns(session), time.monotonic_ns()
        process.send_signal(signal.SIGTERM)
        process.wait(PATIENCE_S)
        refused = second.returncode == ExitCode.RECORDING and str(process.pid) in second.stderr
    said = _last_line(second.stderr)
    outcome = _left("SIGTERM, and a second capture", session, had_ns, at_ns, rows, said)
    return replace(outcome, whole=outcome.whole and refused and process.returncode == 0)


def _disk_full(film: Path, session: Path, dice: random.Random) -> Outcome:
    with _small_disk(session) as (limited, enlarge):
        with _capture(f"loop:{film}", session, limited=limited) as process:
            _, stderr = process.communicate(timeout=PATIENCE_S)
        enlarge()
        repair(session)  # what found no room is done now
        outcome = _left("disk full", session, None, None, 0, _last_line(stderr))
        return replace(outcome, whole=outcome.whole and process.returncode == ExitCode.RECORDING)


def _unplugged(film: Path, session: Path, dice: random.Random) -> Outcome:
    content = film.read_bytes()
    half = film.with_name("half.mkv")
    half.write_bytes(content[: round(len(content) * dice.uniform(0.15, 0.3))])
    frames = sum(1 for _ in FileFeed(half))
    with _capture(str(half), session) as process:
        _, stderr = process.communicate(timeout=PATIENCE_S)
    recorded = len(Session.open(session).frame_times_ns())
    outcome = _left("feed unplugged", session, None, None, 0, _last_line(stderr))
    return replace(
        outcome, whole=outcome.whole and recorded == frames and process.returncode == ExitCode.FEED
    )


def _cut(source: Path, session: Path, dice: random.Random, rounds: int) -> Outcome:
    """A power cut: each growing file ends at a byte of its own."""
    source = _as_left(source)
    worst: Outcome | None = None
    name = "feed-0001"
    places = _places(source / f"{name}.mkv")
    for _ in range(8 * rounds):
        shutil.rmtree(session, ignore_errors=True)
        shutil.copytree(source, session)
        video, table = session / f"{name}.mkv", session / f"{name}.csv"
        cut = dice.randrange(places[0][1], video.stat().st_size)
        with video.open("r+b") as file:
            file.truncate(cut)
        with table.open("r+b") as file:  # at least as far as the pictures, give or take a second
            file.truncate(dice.randrange(table.stat().st_size // 2, table.stat().st_size))
        on_disk = max(tick for tick, end in places if end <= cut)
        said = repair(session)
        one = _left("files cut at any byte", session, None, None, 0, _about_pictures(said))
        lost_s = (on_disk - Session.open(session).segments()[0].ticks[-1]) / 1000
        one = replace(one, lost_s=lost_s)
        worst = one if worst is None else _worse(worst, one)
    assert worst is not None
    return worst


def _flipped(source: Path, session: Path, dice: random.Random, rounds: int) -> Outcome:
    """One byte of a closed session is another than it was."""
    missed, rounds = [], 20 * rounds
    shutil.copytree(source, session)
    files = sorted(path for path in session.iterdir() if path.stat().st_size)
    for i in range(rounds):
        path = files[i % len(files)]
        content = path.read_bytes()
        at = dice.randrange(len(content))
        path.write_bytes(content[:at] + bytes([content[at] ^ 1 << dice.randrange(8)]) + content[at + 1 :])
        try:
            if not any(f.grade == "error" for f in Session.open(session).verify()):
                missed.append(f"{path.name} byte {at}")
        except RailcrestError:
            pass  # a manifest that cannot even be read
        path.write_bytes(content)
    said = f"missed: {', '.join(missed)}" if missed else f"{rounds} of {rounds} found by session verify"
    return Outcome("one byte flipped", rounds, None, None, 0, plays=True, whole=not missed, said=said)


def _times(film: Path, folder: Path, dice: random.Random) -> Outcome:
    """A feed whose times repeat, go back, and leap ahead."""
    folder.mkdir()
    picture = np.zeros((96, 192, 3), np.uint8)
    times_ms = [0, 16, 33, 33, 20, 50, 66, 3_600_000, 3_600_016, 80, 3_600_033]
    with Recorder(folder, FeedInfo("times", (192, 96), 60.0, None)) as recorder:
        for i, t_ms in enumerate(times_ms):
            recorder.write(Frame(i, t_ms * 1_000_000, picture))
    kept = [frame.t_ns for frame in FileFeed(folder)]
    whole = kept == sorted(set(kept)) and len(kept) == len(times_ms) - recorder.left_out == 8
    said = f"{recorder.left_out} pictures out of order left out, the rest in order"
    return Outcome("times repeat, go back, leap", 1, None, None, 0, _plays(folder, len(kept)), whole, said)


Fault = Callable[[Path, Path, random.Random], Outcome]
FAULTS: Final[dict[str, tuple[Fault, *tuple[Callable[[Path, Path, random.Random, int], Outcome], ...]]]] = {
    # The first gets the film and a folder; the others do more to what the first one left.
    "killed": (_killed, _cut),
    "restarted": (_restarted,),
    "ended": (_ended, _flipped),
    "disk full": (_disk_full,),
    "unplugged": (_unplugged,),
    "times": (_times,),
}


# --- looking at what is left ----------------------------------------------------------------


def _left(
    fault: str,
    folder: Path,
    had_ns: int | None,
    at_ns: int | None,
    rows: int,
    said: str,
    segment: int | None = None,
) -> Outcome:
    """What is left of a session, of which pictures up to ``had_ns`` were recorded at ``at_ns``."""
    session = Session.open(folder)
    segments = [s for s in session.segments() if segment in (None, s.number)]
    plays = all(_plays(folder, len(s.t_ns), s) for s in segments)
    last_ns = segments[-1].t_ns[-1] if segments and segments[-1].t_ns else 0
    lost_s = None if had_ns is None else max(0.0, (had_ns - last_ns) / NS)
    behind_s = None if had_ns is None or at_ns is None else max(0.0, (at_ns - had_ns) / NS)
    errors = [f.text for f in session.verify() if f.grade == "error" or "no hash" in f.text]
    lost_rows = max(0, rows - _rows(folder))
    return Outcome(fault, 1, lost_s, behind_s, lost_rows, plays, not errors, "; ".join(errors) or said)


def _last_ns(folder: Path, number: int = 1) -> int:
    """Capture time of the last picture that capture has recorded, whether it reached the disk or not."""
    segment = _segment(folder, number)
    segment.refresh()
    return segment.t_ns[-1]


def _segment(folder: Path, number: int) -> Segment:
    return Segment(number, folder / f"feed-{number:04d}.mkv", folder / f"feed-{number:04d}.csv")


def _as_left(session: Path) -> Path:
    """Where a killed session is kept as the kill left it."""
    return session.with_name(f"{session.name}-as-left")


def _plays(folder: Path, pictures: int, segment: Segment | None = None) -> bool:
    """Whether PyAV, OpenCV and the ffmpeg command, where there is one, decode that many of a segment."""
    path = segment.video if segment else folder / "feed-0001.mkv"
    with av.open(str(path)) as container:
        by_av = sum(1 for _ in container.decode(video=0))
    reader = cv2.VideoCapture(str(path))
    by_cv = 0
    while reader.grab():
        by_cv += 1
    reader.release()
    command = shutil.which("ffmpeg")
    by_command = by_av if command is None else _decoded_by(command, path)
    return by_av == by_cv == by_command == pictures > 0


def _decoded_by(command: str, path: Path) -> int:
    """Pictures that the ffmpeg command decodes."""
    arguments = (command, "-v", "quiet", "-i", str(path), "-map", "0:v", "-fps_mode", "passthrough")
    done = subprocess.run([*arguments, "-f", "framemd5", "-"], capture_output=True, text=True, check=False)
    return sum(not line.startswith("#") for line in done.stdout.splitlines())


def _places(video: Path) -> list[tuple[int, int]]:
    """Time stamp, ms, of each picture and where it ends in the file."""
    found = []
    with av.open(str(video)) as container:
        base = container.streams.video[0].time_base
        assert base is not None
        for packet in container.demux(video=0):
            if packet.pts is not None and packet.pos is not None and packet.size:
                found.append((round(packet.pts * base * 1000), packet.pos + packet.size + 16))
    return found


def _rows(folder: Path) -> int:
    with Session.open(folder).journal() as journal:
        return journal.head()[0]


def _about_pictures(said: Sequence[str]) -> str:
    return next((text for text in said if "pictures are whole" in text), "; ".join(said))


def _last_line(text: str) -> str:
    lines = [line for line in text.splitlines() if line.startswith("railcrest:")]
    return lines[-1] if lines else ""


# --- running capture ------------------------------------------------------------------------


def _film(folder: Path) -> Path:
    """The first seconds of the demo's film."""
    session = Session.open(demo_files().folder)
    first_ns = int(session.frame_times_ns()[0])
    film = folder / "film.mkv"
    film.write_bytes(session.clip(first_ns, first_ns + FILM_S * NS).data)
    return film


def _command(feed: str, session: Path, *more: str) -> Sequence[str]:
    return (
        sys.executable, "-m", "bridge", "-q", "capture", "--feed", feed, "--rig", str(demo_files().rig),
        "--session", str(session), "--port", "0", *more,
    )  # fmt: skip


@contextmanager
def _capture(
    feed: str, session: Path, *more: str, limited: Sequence[str] = ()
) -> Iterator[subprocess.Popen[str]]:
    process = subprocess.Popen(
        [*limited, *_command(feed, session, *more)],
        stderr=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        text=True,
    )
    try:
        yield process
    finally:
        process.terminate()
        try:
            process.communicate(timeout=PATIENCE_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.communicate()


@contextmanager
def _small_disk(folder: Path) -> Iterator[tuple[Sequence[str], Callable[[], None]]]:
    """A small file system at the folder or, where none may be mounted, a limit for each file.

    Gives what capture is to be started with, and what makes room on the disk afterwards.
    """
    folder.mkdir()
    size = f"size={SMALL_DISK}"
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", size, "tmpfs", str(folder)], capture_output=True, check=False
    ).returncode == 0  # fmt: skip

    def enlarge() -> None:
        if mounted:
            option = f"remount,size={2 * SMALL_DISK}"
            subprocess.run(["mount", "-o", option, str(folder)], check=True)

    try:
        yield () if mounted else ("prlimit", f"--fsize={SMALL_DISK}"), enlarge
    finally:
        if mounted:
            subprocess.run(["umount", "-l", str(folder)], check=True)


def _wait(what: Callable[[], bool]) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while True:
        try:
            if what():
                return
        except (BusError, OSError):
            pass
        if time.monotonic() > deadline:
            raise CheckError(f"capture did not get going within {PATIENCE_S:.0f} s")
        time.sleep(0.05)


def _wait_pictures(session: Path, seconds: float, number: int = 1) -> None:
    """Return once so many seconds of pictures were recorded."""
    segment = _segment(session, number)

    def recorded() -> bool:
        segment.refresh()
        return len(segment.t_ns) > 1 and segment.t_ns[-1] - segment.t_ns[0] >= seconds * NS

    _wait(recorded)

"""Live on a slow machine: all is recorded, and settles to what measuring the recording again gives."""

from __future__ import annotations

import itertools
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import msgspec
import numpy as np
import pytest

from bridge.bus import Addresses
from bridge.clock import ManualClock, SystemClock
from bridge.messages import Reading, Scene
from bridge.session import Session, new_manifest
from capture.backlog import IMAGES, Backlog, Unpacker
from capture.bands import common_practice
from capture.camera import View, view_of
from capture.coder import Coder, described
from capture.demo import demo_files
from capture.feeds import CodedPicture, Feed, FeedInfo, FileFeed, Frame, recorded_feeds
from capture.flights import FlightWatch
from capture.follow import Follower
from capture.observation import JointObservation
from capture.offline import measured_again
from capture.pipeline import Pipeline
from capture.recorder import read_joints
from capture.rig import load_rig
from capture.settling import SETTLING, Settling
from capture.station import Station
from capture.studio import truth
from tests.clips import number_of, numbered_picture, write_clip

DEMO = demo_files()
NS = 1_000_000_000
SIZE = (192, 96)


@pytest.fixture(scope="module")
def view() -> View:
    return view_of(load_rig(DEMO.rig))


@pytest.fixture(scope="module")
def track() -> list[JointObservation]:
    seen = list(read_joints(DEMO.folder / "joints-0001.csv"))
    flight = truth.read(DEMO.truth).flights[0]
    begin_s, end_s = flight.release_s - 1.5, flight.end_s + 0.8
    return [s for s in seen if begin_s < (s.t_ns - seen[0].t_ns) / NS < end_s]


class Known(Follower):
    """Sees what the demo's table of joints holds for the number that a picture carries, and takes its time.

    What it sees depends a little on the picture before, as a follower's square does.
    """

    def __init__(self, track: list[JointObservation], seconds: float = 0.0) -> None:
        self.models = {}
        self._track, self._seconds, self._before = track, seconds, 0

    def push(self, t_ns: int, bgr: np.ndarray) -> JointObservation:
        time.sleep(self._seconds)
        number = min(number_of(bgr), len(self._track) - 1)
        px = self._track[number].px + 1e-3 * (number - self._before) + 1e-6 * bgr.mean()
        self._before = number
        return replace(self._track[number], t_ns=t_ns, px=px)


def pipeline(view: View, track: list[JointObservation], seconds: float = 0.0) -> Pipeline:
    return Pipeline(Known(track, seconds), FlightWatch(view, common_practice()))


def station(feed: Feed, measuring: Pipeline, folder: Path, *, live: bool = True) -> Station:
    scene = Scene(title="Invented", picture=SIZE, lines=(), table="", policy="band")
    manifest = new_manifest("Invented")
    return Station(
        feed, measuring, scene, folder, manifest, Addresses.from_port(0), SystemClock(),
        live=live, stay=False,
    )  # fmt: skip


def film(path: Path, track: list[JointObservation], codec: str = "libx264", gop: int = 25) -> Path:
    times_ms = [round((s.t_ns - track[0].t_ns) / 1e6) for s in track]
    return write_clip(path, times_ms, codec=codec, gop=gop)


def journalled(folder: Path) -> list[Reading]:
    with Session.open(folder).journal() as journal:
        return [r.entry() for r in journal.rows("reading")]  # type: ignore[misc]


def settled(readings: list[Reading]) -> list[bytes]:
    """The last reading of each flight: a settled one may be filled in by what comes after the flight."""
    last = {r.flight: r for r in readings if r.state != "provisional"}
    return [msgspec.json.encode(r) for r in last.values()]


@pytest.mark.parametrize(
    ("codec", "gop"),
    [
        ("libx264", 25),  # recorded as it comes
        ("libx264", 200),  # cannot be cut often enough: coded again
        ("mjpeg", 1),  # a camera's own
    ],
)
def test_a_slow_machine_records_all_and_settles_to_the_last_digit(
    tmp_path: Path, view: View, track: list[JointObservation], codec: str, gop: int
) -> None:
    feed = FileFeed(film(tmp_path / "film.mkv", track, codec, gop), SystemClock())
    session = tmp_path / "session"
    station(feed, pipeline(view, track, 0.022), session).run(threading.Event())  # 45 a second, not 60
    assert len(Session.open(session).frame_times_ns()) == len(track)
    live = journalled(session)
    again = list(measured_again(recorded_feeds(session), pipeline(view, track)))
    assert len(again) == 1
    assert again[0].state == "settled"
    assert settled(live) == settled(again)
    assert len(list(read_joints(session / "joints-0001.csv"))) == len(track)


def pictures(track: list[JointObservation]) -> list[Frame]:
    return [Frame(i, s.t_ns, numbered_picture(i, SIZE)) for i, s in enumerate(track)]


def test_what_is_glimpsed_is_provisional_until_the_exact_pass_has_come_there(
    view: View, track: list[JointObservation]
) -> None:
    frames, settling = pictures(track), Settling(pipeline(view, track))
    for frame in frames[:40]:
        settling.measure(frame)
    assert not settling.lagging(NS // 10)
    assert settling.lagging(NS // 2)
    glimpsed = [record for frame in frames[40::3] for record in settling.glimpse(frame).records]
    assert settling.step == 3
    assert {(r.state, r.reason) for r in glimpsed if isinstance(r, Reading)} == {("provisional", SETTLING)}
    assert settling.lagging(NS // 10), "it has not caught up yet"
    assert not settling.lagging(0)
    assert settling.step == 1
    records = [record for frame in frames[40:] for record in settling.measure(frame).records]
    again = pipeline(view, track)
    expected = [record for frame in frames for record in again.push(frame).records]
    assert settled([r for r in (*records, *settling.finish()) if isinstance(r, Reading)]) == settled(
        [r for r in (*expected, *again.finish()) if isinstance(r, Reading)]
    )


@pytest.mark.parametrize(
    ("cost_ms", "catches_up"),
    [
        (14, True),  # a picture comes every 16.7 ms
        (22, False),
    ],
)
def test_glimpses_leave_the_exact_pass_time_to_catch_up(
    view: View, track: list[JointObservation], cost_ms: int, catches_up: bool
) -> None:
    settling = Settling(pipeline(view, track))
    times_ns = [i * NS // 60 for i in range(20 * 60)]
    now_ns, glimpses, lags_ns = 400_000_000, 0, []  # looking for somebody in the whole picture took so long
    for i, t_ns in enumerate(times_ns):
        now_ns = max(now_ns, t_ns)
        lags_ns.append(now_ns - t_ns)
        newest = Frame(i, min(now_ns, times_ns[-1]), numbered_picture(0, SIZE))
        if settling.lagging(lags_ns[-1]) and settling.due(newest, now_ns):
            settling.glimpse(newest)
            glimpses += 1
            settling.spent(now_ns, now_ns + cost_ms * 1_000_000)
            now_ns += cost_ms * 1_000_000
        settling.measure(Frame(i, t_ns, numbered_picture(0, SIZE)))
        settling.took(t_ns, cost_ms * 1_000_000)
        now_ns += cost_ms * 1_000_000
    assert glimpses > 3
    if catches_up:
        assert min(lags_ns) < 20_000_000
        assert max(lags_ns[600:]) < 50_000_000
    else:  # poses stay live meanwhile
        assert glimpses > 20 * 10


class Endless:
    """A camera that goes on until it is closed, and hiccups: pauses, then gives many at once."""

    problem = None

    def __init__(self) -> None:
        self.info = FeedInfo("invented camera", SIZE, 200.0, None)
        self.given = 0
        self._closed = threading.Event()

    def __iter__(self) -> Iterator[Frame]:
        begin_ns = time.monotonic_ns()
        while not self._closed.is_set():
            if self.given % 50 == 0:
                time.sleep(0.1)
            picture = numbered_picture(self.given % 400, SIZE)
            yield Frame(self.given, begin_ns + self.given * 5_000_000, picture)
            self.given += 1

    def close(self) -> None:
        self._closed.set()


@pytest.mark.logs_warnings
@pytest.mark.parametrize("live", [True, False])
def test_what_waits_when_it_is_stopped_is_recorded(
    tmp_path: Path, view: View, track: list[JointObservation], live: bool
) -> None:
    feed, stop = Endless(), threading.Event()
    threading.Timer(1.0, stop.set).start()
    session = tmp_path / "session"
    station(feed, pipeline(view, track, 0.05), session, live=live).run(stop)
    assert feed.given > 10
    recorded = Session.open(session).frame_times_ns()
    assert feed.given <= len(recorded) <= feed.given + 1
    assert len(list(FileFeed(session))) == len(recorded)


def test_a_second_segment_counts_routines_on(
    tmp_path: Path, view: View, track: list[JointObservation]
) -> None:
    session = tmp_path / "session"
    for _ in range(2):
        feed = FileFeed(film(tmp_path / "film.mkv", track))
        station(feed, pipeline(view, track), session, live=False).run(threading.Event())
    again = list(measured_again(recorded_feeds(session), pipeline(view, track)))
    assert [r.flight for r in again] == ["r1-f1", "r2-f1"]
    assert settled(journalled(session)) == settled(again)


def test_coding_gives_a_picture_for_a_picture_and_cuts_in_time() -> None:
    info = FeedInfo("invented", SIZE, 60.0, None)
    coder = Coder(info)
    frames = [coder.code(Frame(i, i * 16_666_667, numbered_picture(i, SIZE))) for i in range(90)]
    keys = [frame.t_ns for frame in frames if frame.coded is not None and frame.coded.keyframe]
    assert max(np.diff(keys)) <= NS // 2
    assert frames[0].coded is not None
    assert described(info, frames[0].coded).coded_as is not None


def test_what_waits_too_long_goes_to_the_disk_and_comes_back_in_order(tmp_path: Path) -> None:
    feed = FileFeed(write_clip(tmp_path / "clip.mkv", [round(i * 1000 / 60) for i in range(120)]))
    frames = list(feed)
    backlog = Backlog(tmp_path, as_it_came=True, wait=False, memory=10_000)
    for frame in frames:
        backlog.put(frame)
    backlog.close()
    unpacker = Unpacker(feed.info)
    carried = 0
    for frame in frames:
        waiting = backlog.get(0)
        assert waiting is not None
        carried += waiting.image is not None
        image = unpacker.image(waiting)
        assert waiting.t_ns == frame.t_ns
        np.testing.assert_array_equal(image, frame.image)
    assert backlog.get(0) is None
    assert carried == IMAGES


@pytest.mark.parametrize(
    ("size", "fps"),
    [((3840, 2160), 30), ((1280, 720), 120)],
)
def test_large_and_fast_feeds_are_recorded_whole(
    tmp_path: Path, view: View, size: tuple[int, int], fps: int
) -> None:
    clip = write_clip(tmp_path / "clip.mkv", [round(i * 1000 / fps) for i in range(fps // 3)], size=size)
    feed = FileFeed(clip, SystemClock())
    folder = tmp_path / "session"
    station(feed, pipeline(view, [JointObservation.empty(0)]), folder).run(threading.Event())
    again = list(FileFeed(folder))
    assert [number_of(frame.image) for frame in again] == list(range(fps // 3))
    assert again[0].image.shape == (size[1], size[0], 3)
    assert np.diff([frame.t_ns for frame in again]) == pytest.approx(NS / fps, abs=1_100_000)


def test_few_large_pictures_wait_decoded(tmp_path: Path) -> None:
    backlog = Backlog(tmp_path, as_it_came=True, wait=False)
    large = np.zeros((2160, 3840, 3), np.uint8)
    for i in range(20):
        backlog.put(Frame(i, i, large, CodedPicture(b"x", keyframe=True)))
    waiting = [backlog.get(0) for _ in range(20)]
    carried = [w.image is not None for w in waiting if w is not None]
    assert sum(carried) == 6  # 150 MB, as 24 of 1080p


@pytest.mark.parametrize("jump", [timedelta(days=-400), timedelta(hours=1)])
def test_a_wall_clock_that_jumps_while_recording_moves_no_picture(
    tmp_path: Path,
    view: View,
    track: list[JointObservation],
    monkeypatch: pytest.MonkeyPatch,
    jump: timedelta,
) -> None:
    jumps = itertools.count()
    monkeypatch.setattr(
        "bridge.journal._utc_now", lambda: datetime(2026, 3, 4, tzinfo=UTC) + (next(jumps) % 2) * jump
    )
    monkeypatch.setattr("time.time", lambda: float(10**9 * (next(jumps) % 2)))
    feed = FileFeed(film(tmp_path / "film.mkv", track), SystemClock())
    folder = tmp_path / "session"
    station(feed, pipeline(view, track), folder).run(threading.Event())
    session = Session.open(folder)
    assert not [f.text for f in session.verify() if f.grade == "error"]
    assert np.diff(session.frame_times_ns()) == pytest.approx(NS / 60, abs=1_100_000)
    assert settled(journalled(folder)) == settled(
        list(measured_again(recorded_feeds(folder), pipeline(view, track)))
    )


def test_a_feed_that_loops_goes_on_in_time(tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "clip.mkv", [0, 20, 40, 60])
    frames = list(FileFeed(clip, ManualClock(), loops=2))
    assert [round(f.t_ns / 1e6) for f in frames] == [0, 20, 40, 60, 80, 100, 120, 140]

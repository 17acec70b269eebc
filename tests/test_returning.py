"""Network cameras: their own code is recorded, their cable may come out and go in again.

No UVC device can be had where these tests run; a paced MJPEG stream over HTTP, as network cameras give
it, and a pipe with H.264 stand for one.
"""

from __future__ import annotations

import http.server
import os
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
import pytest

from bridge.bus import SessionFeed
from bridge.clock import ManualClock, SystemClock
from bridge.errors import FeedError
from bridge.messages import Heartbeat
from bridge.session import Session
from capture.camera import view_of
from capture.demo import demo_files
from capture.feeds import FeedInfo, FileFeed, Frame, StreamFeed, open_feed
from capture.observation import JointObservation
from capture.returning import ReturningFeed, open_returning
from capture.rig import load_rig
from tests.clips import number_of, numbered_picture, write_clip
from tests.test_live import pipeline, station

STEADY_MS = [round(i * 1000 / 60) for i in range(90)]
JPEGS = [
    cv2.imencode(".jpg", numbered_picture(i), [cv2.IMWRITE_JPEG_QUALITY, 85])[1].tobytes()
    for i in range(2400)
]


class Camera:
    """A network camera that gives MJPEG at 60 a second and whose cable can be pulled."""

    def __init__(self, port: int = 0) -> None:
        camera = self
        self.plugged = True
        self.sent = 0

        class Handler(http.server.BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                if not camera.plugged:
                    self.send_error(503)
                    return
                self.send_response(200)
                self.send_header("Content-Type", "multipart/x-mixed-replace; boundary=frame")
                self.end_headers()
                begun, first = time.monotonic(), camera.sent
                while camera.plugged and camera.sent < len(JPEGS):
                    time.sleep(max(0.0, begun + (camera.sent - first) / 60 - time.monotonic()))
                    jpeg = JPEGS[camera.sent]
                    head = b"--frame\r\nContent-Type: image/jpeg\r\nContent-Length: %d\r\n\r\n" % len(jpeg)
                    try:
                        self.wfile.write(head + jpeg + b"\r\n")
                    except OSError:
                        return
                    camera.sent += 1

            def log_message(self, *_: object) -> None:
                pass

        self.server = http.server.ThreadingHTTPServer(("127.0.0.1", port), Handler)
        self.server.daemon_threads = True
        threading.Thread(target=self.server.serve_forever, daemon=True).start()
        self.url = f"http://127.0.0.1:{self.server.server_port}/"


@pytest.fixture
def camera() -> Iterator[Camera]:
    made = Camera()
    yield made
    made.plugged = False
    made.server.shutdown()
    made.server.server_close()


def until(condition: Callable[[], bool], within_s: float = 60.0) -> None:
    end = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < end, "it did not happen in time"
        time.sleep(0.02)


def recorded_packets(folder: Path) -> list[bytes]:
    with av.open(str(folder / "feed-0001.mkv")) as container:
        return [bytes(packet) for packet in container.demux(video=0) if packet.size]


@pytest.mark.logs_warnings
def test_a_network_cameras_own_mjpeg_is_recorded_and_goes_on_when_it_is_back(
    tmp_path: Path, camera: Camera
) -> None:
    feed = ReturningFeed(
        lambda: open_feed(camera.url, SystemClock(), live=True), SystemClock(), pauses_s=(0.05,)
    )
    assert feed.info.coded_as is not None
    view = view_of(load_rig(demo_files().rig))
    stop, folder = threading.Event(), tmp_path / "session"
    nobody = [JointObservation.empty(0)]
    at = station(feed, pipeline(view, nobody), folder)
    beats: list[str] = []
    capture = threading.Thread(target=at.run, args=(stop,))
    capture.start()
    try:
        times: Callable[[], int] = lambda: len(Session.open(folder).frame_times_ns())  # noqa: E731
        until(lambda: (folder / "bus.json").exists() and times() > 30)
        with SessionFeed(folder) as viewer:

            def told(state: str) -> bool:
                bodies = [e.body for e in viewer.poll(0.05)]
                beats.extend(b.feed for b in bodies if isinstance(b, Heartbeat))
                return bool(beats) and beats[-1] == state

            until(lambda: told("running"))
            camera.plugged = False
            until(lambda: told("lost"))
            before = times()
            camera.plugged = True
            until(lambda: times() > before + 30)
            until(lambda: told("running"))
    finally:
        stop.set()
        capture.join(30)
    assert not capture.is_alive()
    assert feed.problem is None
    packets = recorded_packets(folder)
    places = [JPEGS.index(packet) for packet in packets]  # what was sent, byte for byte
    assert places == sorted(set(places))
    assert len(packets) > before + 30
    findings = Session.open(folder).verify()
    assert [f.grade for f in findings] == ["warning"]
    assert "no picture for" in findings[0].text


def test_h264_of_a_pipe_is_recorded_as_it_comes(tmp_path: Path) -> None:
    pipe = tmp_path / "camera"
    os.mkfifo(pipe)
    clip = write_clip(tmp_path / "clip.mkv", STEADY_MS, gop=25)

    def write() -> None:
        with av.open(str(clip)) as source, av.open(str(pipe), "w", format="mpegts") as out:
            stream = source.streams.video[0]
            target = out.add_stream_from_template(stream)
            for packet in source.demux(stream):
                if packet.size:
                    packet.stream = target
                    out.mux(packet)

    writing = threading.Thread(target=write)
    writing.start()
    feed = open_feed(str(pipe), SystemClock(), live=True)
    frames = list(feed)
    writing.join()
    assert feed.info.coded_as is not None
    assert [number_of(frame.image) for frame in frames] == list(range(len(STEADY_MS)))
    assert all(frame.coded is not None for frame in frames)
    assert frames[0].coded is not None
    assert frames[0].coded.keyframe
    steps = np.diff([frame.t_ns for frame in frames]) / 1e6
    assert steps == pytest.approx(np.diff(STEADY_MS), abs=0.1)


@pytest.mark.parametrize(
    ("gop", "b_frames"),
    [
        (60, 0),  # a second between key frames loses too much in a cut
        (25, 2),  # pictures out of order cannot be cut anywhere
    ],
)
def test_h264_that_cannot_be_cut_is_coded_again(tmp_path: Path, gop: int, b_frames: int) -> None:
    feed = StreamFeed(
        str(write_clip(tmp_path / "clip.mkv", STEADY_MS, gop=gop, b_frames=b_frames)), SystemClock()
    )
    assert feed.info.coded_as is None
    assert [number_of(frame.image) for frame in feed] == list(range(len(STEADY_MS)))


@pytest.mark.logs_warnings
def test_a_stream_whose_clock_leaps_is_laid_on_ours_anew(tmp_path: Path) -> None:
    clock = ManualClock(50_000_000_000)
    feed = StreamFeed(str(write_clip(tmp_path / "clip.mkv", STEADY_MS, codec="mjpeg")), clock)
    times = []
    for frame in feed:
        times.append(frame.t_ns)
        clock.advance(16_666_667 if len(times) != 40 else 5_000_000_000)  # as a camera started again
    assert len(times) == len(STEADY_MS)
    steps_ms = np.diff(times) / 1e6
    assert steps_ms[39] == pytest.approx(5000, abs=40)
    assert np.delete(steps_ms, 39) == pytest.approx(np.delete(np.diff(STEADY_MS), 39), abs=0.1)


class Fake:
    """A feed that gives so many pictures and then stops."""

    def __init__(self, times_ns: Sequence[int], size: tuple[int, int] = (192, 96)) -> None:
        self.info = FeedInfo("invented camera", size, 60.0, None)
        self.problem: str | None = None
        self._times_ns = times_ns

    def __iter__(self) -> Iterator[Frame]:
        for i, t_ns in enumerate(self._times_ns):
            yield Frame(i, t_ns, numbered_picture(i))
        self.problem = "invented camera: stopped giving pictures; check its cable"

    def close(self) -> None:
        pass


def opening(*feeds: Any) -> Callable[[], Any]:
    waiting = iter(feeds)

    def open_once() -> Any:
        feed = next(waiting)
        if feed is None:
            raise FeedError("invented camera: not there")
        return feed

    return open_once


@pytest.mark.logs_warnings
def test_a_feed_that_is_back_goes_on_in_time() -> None:
    feed = ReturningFeed(
        opening(Fake([1, 2, 3]), None, None, Fake([2, 3, 7, 8])), ManualClock(), pauses_s=(0.0,)
    )
    frames = []
    for frame in feed:
        assert feed.problem is None
        frames.append((frame.index, frame.t_ns))
        if frame.t_ns == 8:
            feed.close()
    assert frames == [(0, 1), (1, 2), (2, 3), (3, 7), (4, 8)]


@pytest.mark.logs_warnings
def test_a_feed_that_comes_back_as_another_ends() -> None:
    feed = ReturningFeed(opening(Fake([1, 2]), Fake([3], (96, 96))), ManualClock(), pauses_s=(0.0,))
    assert [frame.t_ns for frame in feed] == [1, 2]
    assert feed.problem is not None
    assert "another picture size" in feed.problem


def test_one_that_is_not_there_at_first_is_named_and_files_are_left_alone(tmp_path: Path) -> None:
    with pytest.raises(FeedError, match="not there"):
        ReturningFeed(opening(None), ManualClock())
    with pytest.raises(FeedError, match="cannot be opened"):
        open_returning("http://127.0.0.1:1/", SystemClock(), live=True)
    clip = write_clip(tmp_path / "clip.mkv", STEADY_MS[:5])
    assert isinstance(open_returning(str(clip), ManualClock(), live=True), FileFeed)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("camera:93@3840x2160@120", "camera 93: cannot be opened"),
        ("camera:0@wide", "name a camera like"),
        ("camera:", "name a camera like"),
    ],
)
def test_a_cameras_name_may_ask_for_a_size_and_a_rate(name: str, words: str) -> None:
    with pytest.raises(FeedError, match=words):
        open_feed(name, SystemClock(), live=True)

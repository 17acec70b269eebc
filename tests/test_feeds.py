"""Feeds give every picture once, in order, at its own capture time, or say in one line why not."""

from __future__ import annotations

from pathlib import Path

import av
import numpy as np
import pytest

from bridge.clock import ManualClock
from bridge.errors import FeedError
from capture.feeds import CodedCameraFeed, FileFeed, open_feed
from tests.clips import number_of, write_clip

STEADY_MS = [round(i * 1000 / 60) for i in range(90)]
# Gaps as a phone writes them: a few pictures early, late, or missing.
UNEVEN_MS = [0, 16, 35, 50, 66, 84, 150, 166, 184, 200, 233, 250, 266, 290, 300, 366, 383, 400]


@pytest.mark.parametrize(
    ("times_ms", "b_frames"),
    [
        (STEADY_MS, 0),  # as a camera records
        (STEADY_MS, 2),  # as an editor exports
        (UNEVEN_MS, 0),  # variable frame rate
        (UNEVEN_MS, 2),  # both
    ],
)
def test_every_picture_comes_at_its_own_time(tmp_path: Path, times_ms: list[int], b_frames: int) -> None:
    feed = FileFeed(write_clip(tmp_path / "clip.mkv", times_ms, b_frames=b_frames))
    frames = list(feed)
    assert [number_of(frame.image) for frame in frames] == list(range(len(times_ms)))
    assert [round(frame.t_ns / 1e6) for frame in frames] == times_ms
    assert feed.problem is None
    assert feed.info.frames == len(times_ms)


def test_a_paced_feed_waits_for_each_picture(tmp_path: Path) -> None:
    clock = ManualClock(5_000_000_000)
    feed = FileFeed(write_clip(tmp_path / "clip.mkv", UNEVEN_MS), clock)
    for frame, t_ms in zip(feed, UNEVEN_MS, strict=True):
        assert frame.t_ns == 5_000_000_000 + t_ms * 1_000_000
        assert clock.now_ns() == frame.t_ns


@pytest.mark.parametrize(
    ("gop", "b_frames", "as_it_came"),
    [
        (30, 0, True),  # closed groups of half a second
        (60, 0, False),  # a second between key frames loses too much in a cut
        (30, 2, False),  # pictures out of order cannot be cut anywhere
    ],
)
def test_only_cuttable_video_carries_its_coded_packets(
    tmp_path: Path, gop: int, b_frames: int, as_it_came: bool
) -> None:
    feed = FileFeed(write_clip(tmp_path / "clip.mkv", STEADY_MS, gop=gop, b_frames=b_frames))
    assert (feed.info.coded_as is not None) == as_it_came
    assert all((frame.coded is not None) == as_it_came for frame in feed)


@pytest.mark.parametrize("degrees", [90, 180, 270])
def test_rotation_marks_are_applied_once(tmp_path: Path, degrees: int) -> None:
    upright = next(iter(FileFeed(write_clip(tmp_path / "plain.mp4", STEADY_MS[:3], numbers=[5, 5, 5])))).image
    turned = FileFeed(write_clip(tmp_path / "turned.mp4", STEADY_MS[:3], rotation=degrees, numbers=[5, 5, 5]))
    image = next(iter(turned)).image
    # The mark's angle is counter-clockwise, as numpy's quarter turns are.
    expected = np.rot90(upright, degrees // 90)
    assert image.shape == expected.shape
    assert turned.info.size == (expected.shape[1], expected.shape[0])
    assert np.abs(image.astype(int) - expected.astype(int)).mean() < 3


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(FeedError, match=r"nowhere\.mkv: no such file"):
        open_feed(str(tmp_path / "nowhere.mkv"), ManualClock(), live=False)


def test_an_empty_file_is_named(tmp_path: Path) -> None:
    (tmp_path / "empty.mp4").touch()
    with pytest.raises(FeedError, match=r"empty\.mp4: is empty"):
        FileFeed(tmp_path / "empty.mp4")


def test_a_file_that_is_no_video_is_named(tmp_path: Path) -> None:
    (tmp_path / "letter.mp4").write_text("Dear judge, " * 200)
    with pytest.raises(FeedError, match=r"letter\.mp4: cannot be read as a video"):
        FileFeed(tmp_path / "letter.mp4")


def test_a_folder_without_a_recording_is_named(tmp_path: Path) -> None:
    with pytest.raises(FeedError, match=r"holds no feed-\*\.mkv"):
        FileFeed(tmp_path)


@pytest.mark.parametrize("suffix", ["mp4", "mkv"])
def test_a_truncated_video_gives_what_it_holds_and_says_so(tmp_path: Path, suffix: str) -> None:
    whole = write_clip(
        tmp_path / f"whole.{suffix}", [round(i * 1000 / 60) for i in range(240)], size=(960, 540)
    )
    data = whole.read_bytes()
    cut = tmp_path / f"cut.{suffix}"
    cut.write_bytes(data[: len(data) // 2])
    try:
        feed = FileFeed(cut)
    except FeedError as error:
        # An MP4 keeps its index at the end: without it nothing can be read.
        assert suffix == "mp4"
        assert "cut.mp4" in str(error)
        assert "\n" not in str(error)
        return
    frames = list(feed)
    assert suffix == "mkv"
    assert 0 < len(frames) < 240
    assert feed.problem is not None
    assert "cut short" in feed.problem


def test_an_unreachable_stream_is_named() -> None:
    with pytest.raises(FeedError, match=r"rtsp://127\.0\.0\.1:1/none: cannot be opened"):
        open_feed("rtsp://127.0.0.1:1/none", ManualClock(), live=True)


def test_a_cameras_own_mjpeg_comes_with_its_code(tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "camera.mkv", STEADY_MS[:20], codec="mjpeg")  # stands for the device
    clock = ManualClock(40_000_000)
    feed = CodedCameraFeed("camera 0", av.open(str(clip)), clock)
    frames = []
    for frame in feed:
        frames.append(frame)
        clock.advance(16_666_667 if len(frames) < 10 else 200_000_000)
    assert [number_of(frame.image) for frame in frames] == list(range(20))
    assert feed.info.coded_as is not None
    assert all(frame.coded is not None and frame.coded.keyframe for frame in frames)
    # The driver's own time while it is near the clock's, then the clock's.
    assert [round(frame.t_ns / 1e6) for frame in frames[:10]] == STEADY_MS[:10]
    assert frames[-1].t_ns > 1_000_000_000
    assert feed.problem == "camera 0: stopped giving pictures; check its cable"


def test_a_camera_without_mjpeg_is_refused(tmp_path: Path) -> None:
    container = av.open(str(write_clip(tmp_path / "camera.mkv", STEADY_MS[:5])))
    with pytest.raises(FeedError, match="gives no MJPEG"):
        CodedCameraFeed("camera 0", container, ManualClock())


@pytest.mark.logs_warnings
def test_a_file_with_repeated_times_is_not_recorded_as_it_comes(tmp_path: Path) -> None:
    # A coded picture left out would spoil those after it.
    clip = write_clip(tmp_path / "clip.mkv", STEADY_MS[:30])
    assert FileFeed(clip).info.coded_as is not None
    twice = tmp_path / "twice.mkv"
    with av.open(str(clip)) as source, av.open(str(twice), "w") as out:
        stream = source.streams.video[0]
        target = out.add_stream_from_template(stream)
        for packet in source.demux(stream):
            if packet.size:
                packet.stream = target
                packet.pts = packet.dts = packet.pts - 17 if packet.pts == 50 else packet.pts
                out.mux(packet)
    feed = FileFeed(twice)
    assert feed.info.coded_as is None
    assert [number_of(frame.image) for frame in feed] == [0, 1, 2, *range(4, 30)]


def test_a_missing_camera_is_named() -> None:
    with pytest.raises(FeedError, match="camera 93: cannot be opened"):
        open_feed("camera:93", ManualClock(), live=True)

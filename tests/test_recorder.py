"""What is recorded plays with its exact times, also after a kill."""

from __future__ import annotations

import csv
import os
import signal
import subprocess
import sys
import textwrap
from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from bridge.errors import RecordingError
from bridge.session import Session
from capture.feeds import FeedInfo, FileFeed, Frame
from capture.observation import JointObservation
from capture.recorder import Recorder
from tests.clips import number_of, numbered_picture, write_clip

SIZE = (192, 96)
INFO = FeedInfo("test", SIZE, 60.0, None)
# Capture times as a real camera gives them: uneven, and far from zero.
TIMES_NS = [7_000_000_123 + i * 16_666_667 + (i % 5) * 700_001 for i in range(150)]


def sidecar(folder: Path) -> list[dict[str, str]]:
    with (folder / "feed-0001.csv").open() as file:
        return list(csv.DictReader(file))


def test_pictures_and_times_come_back(tmp_path: Path) -> None:
    with Recorder(tmp_path, INFO) as recorder:
        for i, t_ns in enumerate(TIMES_NS):
            recorder.write(Frame(i, t_ns, numbered_picture(i, SIZE)))
    rows = sidecar(tmp_path)
    assert [int(row["t_ns"]) for row in rows] == TIMES_NS
    frames = list(FileFeed(tmp_path))
    assert [number_of(frame.image) for frame in frames] == list(range(len(TIMES_NS)))
    assert [frame.t_ns for frame in frames] == [t_ns - TIMES_NS[0] for t_ns in TIMES_NS]
    # The container alone knows whole milliseconds.
    stamps = np.array([frame.t_ns for frame in FileFeed(tmp_path / "feed-0001.mkv")])
    assert 0 < np.abs(stamps - (np.array(TIMES_NS) - TIMES_NS[0])).max() <= 500_000


def test_groups_are_closed_within_half_a_second(tmp_path: Path) -> None:
    with Recorder(tmp_path, INFO) as recorder:
        for i, t_ns in enumerate(TIMES_NS):
            recorder.write(Frame(i, t_ns, numbered_picture(i, SIZE)))
    with av.open(str(tmp_path / "feed-0001.mkv")) as container:
        assert not container.streams.video[0].codec_context.has_b_frames
        keys = [p.pts for p in container.demux(video=0) if p.pts is not None and p.is_keyframe]
    assert max(np.diff(keys)) <= 500
    assert len(keys) >= 5


def test_a_recorded_feed_is_recorded_as_it_came(tmp_path: Path) -> None:
    source = FileFeed(write_clip(tmp_path / "source.mkv", [round(i * 1000 / 60) for i in range(90)]))
    folder = tmp_path / "session"
    folder.mkdir()
    with Recorder(folder, source.info) as recorder:
        for frame in source:
            recorder.write(frame)
    before, after = list(FileFeed(tmp_path / "source.mkv")), list(FileFeed(folder))
    assert len(before) == len(after) == 90
    assert all(np.array_equal(a.image, b.image) for a, b in zip(before, after, strict=True))


def test_missing_joints_are_left_empty(tmp_path: Path) -> None:
    with Recorder(tmp_path, INFO) as recorder:
        recorder.write_joints(JointObservation.empty(42))
    lines = (tmp_path / "joints-0001.csv").read_text().splitlines()
    assert lines[0].startswith("t_ns,right_ankle_x_px,")
    assert lines[1].startswith("42,,,,0.000,")


def test_odd_sizes_lose_at_most_a_row_and_a_column(tmp_path: Path) -> None:
    with Recorder(tmp_path, FeedInfo("odd", (193, 97), 60.0, None)) as recorder:
        recorder.write(Frame(0, 0, numbered_picture(3, (193, 97))))
    assert FileFeed(tmp_path).info.size == (192, 96)


def test_a_kill_costs_at_most_half_a_second(tmp_path: Path) -> None:
    script = textwrap.dedent(
        """
        import sys, time
        from pathlib import Path
        from capture.feeds import FeedInfo, Frame
        from capture.recorder import Recorder
        from tests.clips import numbered_picture
        recorder = Recorder(Path(sys.argv[1]), FeedInfo("test", (192, 96), 60.0, None))
        for i in range(4000):
            recorder.write(Frame(i, i * 16_666_667, numbered_picture(i % 4096, (192, 96))))
            if i == 240:
                print("four seconds", flush=True)
        """
    )
    root = Path(__file__).resolve().parent.parent
    process = subprocess.Popen(
        [sys.executable, "-c", script, str(tmp_path)],
        stdout=subprocess.PIPE, cwd=root, env={**os.environ, "PYTHONPATH": str(root)},
    )  # fmt: skip
    assert process.stdout is not None
    assert process.stdout.readline().strip() == b"four seconds"
    process.send_signal(signal.SIGKILL)
    process.wait()
    process.stdout.close()

    frames = list(FileFeed(tmp_path))
    rows = sidecar(tmp_path)
    assert len(rows) >= 241  # the sidecar reached the system before the kill
    assert rows[len(frames) - 1]["t_ns"] == str((len(frames) - 1) * 16_666_667)
    lost_s = (int(rows[240]["t_ns"]) - frames[-1].t_ns) / 1e9
    assert lost_s <= 0.5
    capture = cv2.VideoCapture(str(tmp_path / "feed-0001.mkv"))
    assert capture.isOpened()
    assert capture.read()[0]
    capture.release()


def test_a_folder_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="cannot be written"):
        Recorder(tmp_path / "missing", INFO)


@pytest.mark.logs_warnings
def test_times_that_repeat_go_back_or_leap_are_kept_in_order(tmp_path: Path) -> None:
    times_ms = [0, 16, 33, 33, 20, 50, 3_600_000, 3_600_016, 66]
    with Recorder(tmp_path, INFO) as recorder:
        for i, t_ms in enumerate(times_ms):
            recorder.write(Frame(i, t_ms * 1_000_000, numbered_picture(i, SIZE)))
    assert recorder.left_out == 3
    frames = list(FileFeed(tmp_path))
    assert [number_of(frame.image) for frame in frames] == [0, 1, 2, 5, 6, 7]
    assert [frame.t_ns // 1_000_000 for frame in frames] == [0, 16, 33, 50, 3_600_000, 3_600_016]


FILLS = """
import errno, os, resource, sys
from pathlib import Path
import numpy as np
from bridge.errors import RecordingError
from bridge.session import SessionWriter, new_manifest
from capture.feeds import FeedInfo, Frame
from capture.recorder import Recorder
folder = Path(sys.argv[1])
dice = np.random.default_rng(1)
with SessionWriter(folder, new_manifest("full")) as writer:
    if sys.argv[2] == "limit":
        resource.setrlimit(resource.RLIMIT_FSIZE, (600_000, 600_000))
    try:
        with Recorder(folder, FeedInfo("noise", (192, 96), 60.0, None), writer.segment) as recorder:
            for i in range(3000):
                picture = dice.integers(0, 255, (96, 192, 3), np.uint8)
                recorder.write(Frame(i, i * 16_666_667, picture))
    except RecordingError as error:
        print(recorder.frames, error)
"""


@pytest.mark.parametrize("how", ["limit", "small disk"])
def test_a_full_disk_ends_the_recording_cleanly(tmp_path: Path, how: str) -> None:
    root = Path(__file__).resolve().parent.parent
    folder = tmp_path / "s"
    folder.mkdir()
    if how == "small disk":
        mount = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(folder)], capture_output=True, check=False
        )
        if mount.returncode:
            pytest.skip("no file system can be mounted here")
    try:
        done = subprocess.run(
            [sys.executable, "-c", FILLS, str(folder), how],
            capture_output=True, text=True, env={**os.environ, "PYTHONPATH": str(root)}, check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        assert "the disk is full; free some space" in done.stdout
        written = int(done.stdout.split()[0])
        played = len(list(FileFeed(folder)))
        # What the last write was about is not on the disk; a whole group is never lost.
        assert 0 <= written - played <= 30
        assert played > 30
        errors = [f.text for f in Session.open(folder).verify() if f.grade == "error"]
        assert errors == []
    finally:
        if how == "small disk":
            subprocess.run(["umount", "-l", str(folder)], check=True)


@pytest.mark.logs_warnings
def test_it_says_early_that_room_gets_short(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr("capture.recorder._room", lambda folder: 1)
    monkeypatch.setattr("capture.recorder.RATE_AFTER_S", 0.1)
    with Recorder(tmp_path, INFO) as recorder:
        recorder.write(Frame(0, 0, numbered_picture(0, SIZE)))
        recorder._closing.wait(1.0)
    assert "has room for 0 min more" in caplog.text
    assert recorder.space_s is not None
    caplog.clear()

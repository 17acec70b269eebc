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

"""Writes a feed into a session folder, so that a kill at any moment costs at most half a second.

Matroska, closed groups of pictures of at most half a second, no B-frames, every packet flushed,
and beside each segment a table of exact capture times. A feed that is already coded so is
recorded as it came, without coding it again. A thread sends what was written on to the disk itself
several times a second, so that the same holds when the power goes; and it watches the room left.
"""

from __future__ import annotations

import csv
import errno
import logging
import os
import threading
import time
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Any

import av
import numpy as np

from bridge.errors import RecordingError
from bridge.skeleton import JOINTS
from capture.feeds import FeedInfo, Frame
from capture.observation import JointObservation

log = logging.getLogger(__name__)

TICK = Fraction(1, 1000)  # Matroska's own clock; exact times stand beside the segment
NS_PER_TICK = 1_000_000
GOP_TICKS = 500
X264 = {"preset": "ultrafast", "crf": "20", "tune": "zerolatency", "x264-params": "scenecut=0:open-gop=0"}
# A cluster reaches the file when it is full; half a second is all that may be lost, on the disk as well.
FLUSHED = {"flush_packets": "1", "cluster_time_limit": "200"}
SYNC_S = 0.2
RATE_AFTER_S = 2.0  # until then it is not known how fast the disk fills
SHORT_S = 600  # warn when the disk has room for less than this
RESERVE = 64 * 1024 * 1024  # bytes left free for what ends a recording; on a small disk a sixteenth of it


class Recorder:
    """One segment of a session's recording.

    Args:
        folder: the session folder, which exists.
        info: the feed that is recorded.
        segment: number of the segment, from 1.

    Raises:
        RecordingError: the folder cannot be written, or the disk is full.
    """

    def __init__(self, folder: Path, info: FeedInfo, segment: int = 1) -> None:
        self.path = folder / f"feed-{segment:04d}.mkv"
        self._first_ns: int | None = None
        self._last_tick = -1
        self._last_key_tick = -GOP_TICKS
        self._waiting: dict[int, int] = {}  # tick -> capture time of frames inside the encoder
        self._frames = 0
        self._failed = False
        self._folder = folder
        self._last_ns: int | None = None
        self.left_out = 0  # pictures that came with a time not later than the one before
        self.space_s: float | None = None  # for how long the disk has room at this rate, once that is known
        try:
            self._container: Any = av.open(str(self.path), "w", format="matroska", options=FLUSHED)
            # Line buffering: each row reaches the system as soon as it is whole.
            self._times = (folder / f"feed-{segment:04d}.csv").open("w", newline="", buffering=1)
            self._joints = (folder / f"joints-{segment:04d}.csv").open("w", newline="", buffering=1)
        except (OSError, av.FFmpegError) as error:
            raise _refused(folder, error) from error
        self._time_rows = csv.writer(self._times, lineterminator="\n")
        self._time_rows.writerow(["frame", "t_ns", "pts"])
        self._joint_rows = csv.writer(self._joints, lineterminator="\n")
        self._joint_rows.writerow(_joint_columns())
        if info.coded_as is not None:
            self._stream = self._container.add_stream_from_template(info.coded_as)
        else:
            self._stream = self._container.add_stream("libx264", rate=max(1, round(info.nominal_fps or 30)))
            self._stream.width, self._stream.height = (side - side % 2 for side in info.size)
            self._stream.pix_fmt = "yuv420p"
            self._stream.options = dict(X264)
            context = self._stream.codec_context
            context.time_base = TICK
            context.max_b_frames = 0
            context.gop_size = 10_000  # key frames are asked for by time instead
        self._as_it_came = info.coded_as is not None
        self._closing = threading.Event()
        self._keeper = threading.Thread(target=self._keep, name="sync", daemon=True)
        self._keeper.start()

    @property
    def frames(self) -> int:
        """Pictures written so far."""
        return self._frames

    def write(self, frame: Frame) -> None:
        """Record one picture; one that is not later than the one before is left out and counted.

        Raises:
            RecordingError: the disk is full, or nearly so; what was recorded is whole.
        """
        if self._last_ns is not None and frame.t_ns <= self._last_ns:
            if not self.left_out:
                log.warning("%s: a picture repeats or goes back in time; left out", self.path.name)
            self.left_out += 1
            return
        self._last_ns = frame.t_ns
        if self._first_ns is None:
            self._first_ns = frame.t_ns
        tick = max(round((frame.t_ns - self._first_ns) / NS_PER_TICK), self._last_tick + 1)
        self._last_tick = tick
        self._waiting[tick] = frame.t_ns
        try:
            if _room(self._folder) <= 0:
                raise OSError(errno.ENOSPC, "nearly full")
            if self._as_it_came and frame.coded is not None:
                packet = av.Packet(frame.coded.data)
                packet.stream = self._stream
                packet.time_base = TICK
                packet.pts = packet.dts = tick
                packet.is_keyframe = frame.coded.keyframe
                self._mux(packet)
                return
            picture = av.VideoFrame.from_ndarray(self._even(frame), format="bgr24")
            picture.pts, picture.time_base = tick, TICK
            if tick - self._last_key_tick >= GOP_TICKS - 20:  # a frame early rather than a frame late
                picture.pict_type = av.video.frame.PictureType.I
                self._last_key_tick = tick
            for packet in self._stream.encode(picture):
                self._mux(packet)
        except (OSError, av.FFmpegError) as error:
            self._failed = True
            raise _refused(self.path, error) from error

    def write_joints(self, observation: JointObservation) -> None:
        """Record what the networks saw in one frame."""
        table = np.column_stack([observation.px, observation.sigma_px, observation.score])
        row = ["" if not np.isfinite(v) else f"{v:.3f}" for v in table.ravel()]
        try:
            self._joint_rows.writerow([observation.t_ns, *row])
        except OSError as error:
            raise _refused(self.path, error) from error

    def close(self) -> None:
        """Finish the segment; safe to call twice. After a failed write nothing more is raised."""
        if self._container is None:
            return
        container, self._container = self._container, None
        self._closing.set()
        self._keeper.join()
        faults = []
        for step in (lambda: self._flush(container), container.close, self._times.close, self._joints.close):
            try:
                step()
            except (OSError, av.FFmpegError) as error:
                faults.append(error)
        if faults and not self._failed:
            raise _refused(self.path, faults[0]) from faults[0]

    def _flush(self, container: Any) -> None:
        if not self._as_it_came and not self._failed:
            for packet in self._stream.encode():
                self._mux(packet, container)

    def _keep(self) -> None:
        """Send on to the disk what was written; say when the room gets short."""
        begun_s, warned = time.monotonic(), False
        video: int | None = None
        try:
            while not self._closing.wait(SYNC_S):
                if video is None and self.path.exists():
                    video = os.open(self.path, os.O_RDONLY)
                    _sync_folder(self._folder)
                for number in (video, self._times.fileno(), self._joints.fileno()):
                    if number is not None:
                        os.fdatasync(number)
                spent_s = time.monotonic() - begun_s
                if video is None or spent_s < RATE_AFTER_S:
                    continue
                rate = os.fstat(video).st_size / spent_s
                self.space_s = max(0.0, _room(self._folder) / max(rate, 1.0))
                if self.space_s < SHORT_S and not warned:
                    warned = True
                    log.warning(
                        "%s: the disk has room for %.0f min more; free some space",
                        self._folder,
                        self.space_s / 60,
                    )
        except OSError as error:  # writing meets it too, and says so
            log.info("%s: not sent to the disk (%s)", self._folder, error)
        finally:
            if video is not None:
                os.close(video)

    def __enter__(self) -> Recorder:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _even(self, frame: Frame) -> Any:
        """The picture with an even width and height, as 4:2:0 coding needs."""
        height, width = frame.image.shape[:2]
        return np.ascontiguousarray(frame.image[: height - height % 2, : width - width % 2])

    def _mux(self, packet: Any, container: Any = None) -> None:
        tick = packet.pts  # the muxer rescales it
        # The time first: a picture without its time is worth less than a time without its picture.
        self._time_rows.writerow([self._frames, self._waiting.pop(tick), tick])
        (container or self._container).mux(packet)
        self._frames += 1


def _joint_columns() -> list[str]:
    return ["t_ns", *(f"{name}_{part}" for name in JOINTS for part in ("x_px", "y_px", "sigma_px", "score"))]


def _room(folder: Path) -> int:
    """Bytes that may still be recorded before the disk counts as full."""
    disk = os.statvfs(folder)
    return disk.f_bavail * disk.f_frsize - min(RESERVE, disk.f_blocks * disk.f_frsize // 16)


def _sync_folder(folder: Path) -> None:
    """Make sure that the names of new files are on the disk, too."""
    number = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(number)
    finally:
        os.close(number)


def _refused(path: Path, error: Exception) -> RecordingError:
    number = getattr(error, "errno", None)
    if number in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
        return RecordingError(f"{path}: the disk is full; free some space and start again")
    return RecordingError(f"{path}: cannot be written ({error}); choose another folder with --session")


def read_joints(path: Path) -> Iterator[JointObservation]:
    """What the networks saw, back from the table that :meth:`Recorder.write_joints` wrote.

    Raises:
        RecordingError: it is no such table.
    """
    try:
        with path.open(newline="") as file:
            rows = csv.reader(file)
            if next(rows, None) != _joint_columns():
                raise RecordingError(f"{path}: is not a table of joints; give joints-0001.csv of a session")
            for row in rows:
                table = np.array([float(cell or "nan") for cell in row[1:]]).reshape(len(JOINTS), 4)
                yield JointObservation(int(row[0]), table[:, :2], table[:, 2], table[:, 3])
    except (OSError, ValueError) as error:
        raise RecordingError(f"{path}: cannot be read as a table of joints ({error})") from error

"""Feeds: where pictures come from, each with its capture time.

A feed is an iterable of :class:`Frame` in capture order with strictly increasing times. A recorded
file is read by its own timestamps (never frame number over frame rate), either as fast as
possible or paced like a camera; a UVC camera comes through OpenCV, a network stream through
PyAV. Where the feed already is closed-GOP H.264 or MJPEG, each frame carries its coded packet,
so that it can be recorded as it came.
"""

from __future__ import annotations

import csv
import itertools
import logging
import math
import re
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import av
import cv2
import numpy as np
from numpy.typing import NDArray

from bridge.clock import Clock
from bridge.errors import FeedError

log = logging.getLogger(__name__)

Image = NDArray[np.uint8]

NS = 1_000_000_000
WAITING = 64  # coded pictures that a decoder may hold back
# A recording must be cuttable at least this often, so only such feeds are recorded as they come.
LONGEST_GOP_NS = NS // 2
# A container whose pictures stop this long before its stated end was cut short.
CUT_SHORT_NS = NS // 2
STREAM_TIMEOUT_S = 5.0
STREAMS = ("rtsp://", "rtsps://", "srt://", "udp://", "http://", "https://")
UNTIMED = frozenset({"mpjpeg", "mjpeg", "h264"})  # formats whose times FFmpeg makes up
LOOKED_AT_NS, LOOKED_AT = 1_200_000_000, 300  # of a stream, to see whether it can be cut often enough
LEAP_NS = 2 * NS  # a stream's time further from its arrival has leapt
DRIVER_CLOCK_NS = 50_000_000  # a driver's stamp further from our clock runs on another one
CAMERA_SIZE = (1920, 1080)
CAMERA_FPS = 60.0
NS_PER_TICK = 1_000_000  # of a recording's container, whose exact times stand beside it


@dataclass(frozen=True, slots=True)
class CodedPicture:
    """A picture as its source coded it."""

    data: bytes
    keyframe: bool


@dataclass(frozen=True, slots=True)
class Frame:
    """One picture: BGR, shape (height, width, 3), and the time it was captured."""

    index: int
    t_ns: int
    image: Image
    coded: CodedPicture | None = None


@dataclass(frozen=True, slots=True)
class FeedInfo:
    """What is known of a feed before its first picture."""

    name: str
    size: tuple[int, int]  # width, height, px
    nominal_fps: float  # as the source states it; times never derive from it
    frames: int | None  # None when it has no end
    coded_as: av.VideoStream | None = None  # set when frames carry their coded packets


class Feed(Protocol):
    """Pictures with capture times."""

    info: FeedInfo
    problem: str | None  # set when the feed ended early, in one line

    def __iter__(self) -> Iterator[Frame]: ...

    def close(self) -> None:
        """Stop giving pictures and release the source. May be called from another thread."""
        ...


@dataclass(frozen=True, slots=True)
class _Survey:
    """What one pass over a file's packets tells, without decoding."""

    frames: int
    first_ns: int
    last_ns: int
    recordable: bool


def _survey(path: Path) -> _Survey:
    times: list[int] = []
    keys: list[int] = []
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        reordered = stream.codec_context.codec.name not in {"h264", "mjpeg"} or bool(
            stream.codec_context.has_b_frames
        )
        base = stream.time_base
        try:
            for packet in container.demux(stream):
                if packet.pts is None or base is None:
                    continue
                t_ns = int(packet.pts * base * NS)
                times.append(t_ns)
                if packet.is_keyframe:
                    keys.append(t_ns)
        except av.FFmpegError as error:
            log.warning("%s: unreadable after %.2f s (%s)", path.name, max(times, default=0) / NS, error)
    if not times:
        raise FeedError(f"{path}: holds no picture; give a video file that plays")
    gaps = np.diff([*keys, max(times)]) if keys else np.array([np.inf])
    recordable = not reordered and bool(keys) and float(gaps.max(initial=0)) <= LONGEST_GOP_NS
    recordable = recordable and bool((np.diff(times) > 0).all())
    return _Survey(len(times), min(times), max(times), recordable)


class FileFeed:
    """A recorded video file, or the pictures of a session folder.

    Args:
        path: the file, or a session folder holding ``feed-*.mkv``.
        pace: give each picture at its own time on this clock; None: as fast as possible.
        segment: of a session folder, counted from 1; its times are given as they were recorded.
        loops: how often it is played, one time after the other.

    Times are those of the file, or of a session's exact times beside its recording. Unless a segment
    is asked for they start at 0, or, when paced, at the clock's time of starting.

    Raises:
        FeedError: missing, empty, or not a video.
    """

    def __init__(
        self, path: Path, pace: Clock | None = None, *, segment: int | None = None, loops: float = 1
    ) -> None:
        self.problem: str | None = None
        self._path = _video_file(path) if segment is None else path / f"feed-{segment:04d}.mkv"
        self._as_recorded = segment is not None
        self._loops = loops
        self._exact = _exact_times(self._path) if path.is_dir() else {}
        # Of a picture whose time did not reach the disk.
        self._origin_ns = min((t - tick * NS_PER_TICK for tick, t in self._exact.items()), default=0)
        self._pace = pace
        self._closed = threading.Event()
        try:
            with av.open(str(self._path)) as container:
                if not container.streams.video:
                    raise FeedError(f"{self._path}: holds no video; give a video file")
                stream = container.streams.video[0]
                context = stream.codec_context
                size = (context.width, context.height)
                fps = float(stream.average_rate or 0)
                stated_ns = int(container.duration * 1000) if container.duration else 0
            self._found = _survey(self._path)
        except av.FFmpegError as error:
            raise FeedError(
                f"{self._path}: cannot be read as a video ({error.strerror}); give a file that plays"
            ) from error
        if min(size) <= 0:
            raise FeedError(f"{self._path}: has no picture size; give a video file that plays")
        if stated_ns - self._found.last_ns > CUT_SHORT_NS:
            self.problem = (
                f"{self._path}: cut short at {self._found.last_ns / NS:.2f} s of {stated_ns / NS:.2f} s; "
                "what came before is measured, get the whole file for the rest"
            )
        self._rotation = _rotation(self._path)
        if self._rotation in (90, 270):
            size = (size[1], size[0])
        self.info = FeedInfo(
            name=self._path.name,
            size=size,
            nominal_fps=fps,
            frames=round(self._found.frames * loops) if math.isfinite(loops) else None,
            coded_as=self._template() if self._found.recordable and self._rotation == 0 else None,
        )

    @property
    def begin_ns(self) -> int:
        """Time of the first picture when it is not paced."""
        return min(self._exact.values(), default=0) if self._as_recorded else 0

    def __iter__(self) -> Iterator[Frame]:
        start_ns = self._pace.now_ns() if self._pace else 0
        first_ns: int | None = None
        last_ns = -1
        index = 0
        for t_file_ns, image, coded in self._played():
            first_ns = t_file_ns if first_ns is None else first_ns
            t_ns = t_file_ns if self._as_recorded else start_ns + t_file_ns - first_ns
            if t_ns <= last_ns and index:
                # Never in a recordable one: a coded picture left out would spoil those after it.
                log.warning(
                    "%s: picture at %.3f s repeats or goes back; left out", self._path.name, t_ns / NS
                )
                continue
            if self._pace:
                self._pace.sleep_until(t_ns)
            if self._closed.is_set():
                return
            yield Frame(index, t_ns, image, coded)
            last_ns = t_ns
            index += 1

    def _played(self) -> Iterator[tuple[int, Image, CodedPicture | None]]:
        """Its pictures, as often as it is played; times grow on."""
        period_ns = self._found.last_ns - self._found.first_ns
        period_ns += period_ns // max(self._found.frames - 1, 1)
        for turn in itertools.count():
            if turn >= self._loops:
                return
            for t_ns, image, coded in self._decode():
                yield t_ns + turn * period_ns, image, coded

    def _decode(self) -> Iterator[tuple[int, Image, CodedPicture | None]]:
        waiting: dict[int, CodedPicture] = {}
        with av.open(str(self._path)) as container:
            stream = container.streams.video[0]
            stream.thread_type = "AUTO"
            base = stream.time_base
            if base is None:
                raise FeedError(f"{self._path}: has no time base; re-save it with another program")
            try:
                for packet in container.demux(stream):
                    if self.info.coded_as is not None and packet.pts is not None:
                        waiting[packet.pts] = CodedPicture(bytes(packet), packet.is_keyframe)
                    for picture in packet.decode():
                        if picture.pts is None:
                            continue
                        image = _upright(bgr_of(picture), self._rotation)
                        t_ns = int(picture.pts * base * NS)
                        t_ns = self._exact.get(round(t_ns / NS_PER_TICK), t_ns + self._origin_ns)
                        yield t_ns, image, waiting.pop(picture.pts, None)
            except av.FFmpegError as error:
                self.problem = self.problem or (
                    f"{self._path}: unreadable part way ({error.strerror}); what came before is measured"
                )

    def _template(self) -> av.VideoStream:
        """A stream to copy the codec's setup from; it keeps its own container open."""
        return av.open(str(self._path)).streams.video[0]

    def close(self) -> None:
        self._closed.set()


class CameraFeed:
    """A UVC camera through OpenCV, asked for MJPEG so that 60 fps fits the cable.

    The capture time is the clock's at ``grab``, before the picture is decoded.

    Raises:
        FeedError: the camera cannot be opened, or gives no picture.
    """

    def __init__(
        self, device: str, clock: Clock, size: tuple[int, int] = (1920, 1080), fps: float = 60
    ) -> None:
        self.problem: str | None = None
        self._clock = clock
        self._device = device
        self._closed = threading.Event()
        source: int | str = int(device) if device.isdigit() else device
        self._camera = cv2.VideoCapture(
            source,
            cv2.CAP_V4L2,
            [
                cv2.CAP_PROP_FOURCC, cv2.VideoWriter.fourcc(*"MJPG"),
                cv2.CAP_PROP_FRAME_WIDTH, size[0],
                cv2.CAP_PROP_FRAME_HEIGHT, size[1],
                cv2.CAP_PROP_FPS, round(fps),
            ],
        )  # fmt: skip
        if not self._camera.isOpened():
            raise FeedError(f"camera {device}: cannot be opened; is it plugged in, and used by nothing else?")
        granted = (
            int(self._camera.get(cv2.CAP_PROP_FRAME_WIDTH)),
            int(self._camera.get(cv2.CAP_PROP_FRAME_HEIGHT)),
        )
        self.info = FeedInfo(f"camera {device}", granted, self._camera.get(cv2.CAP_PROP_FPS), None)
        if granted != size:
            log.warning("camera %s: asked for %dx%d, it gives %dx%d", device, *size, *granted)

    def __iter__(self) -> Iterator[Frame]:
        index, last_ns = 0, -1
        try:
            while not self._closed.is_set():
                if not self._camera.grab():
                    self.problem = f"camera {self._device}: stopped giving pictures; check its cable"
                    return
                t_ns = self._clock.now_ns()
                good, image = self._camera.retrieve()
                if good and t_ns > last_ns:
                    yield Frame(index, t_ns, np.asarray(image, np.uint8))
                    index, last_ns = index + 1, t_ns
        finally:
            self._camera.release()

    def close(self) -> None:
        self._closed.set()


class CodedCameraFeed:
    """A UVC camera's own MJPEG through PyAV: each picture comes with its code, to be recorded as it came.

    Capture time is the driver's own where it runs on our clock, else the clock's on arrival.

    Args:
        name: what it is called in messages.
        container: the opened camera; closed with the feed.
        clock: of capture.

    Raises:
        FeedError: the camera does not give MJPEG of a stated size.
    """

    def __init__(self, name: str, container: Any, clock: Clock) -> None:
        self.problem: str | None = None
        self._name, self._container, self._clock = name, container, clock
        self._closed = threading.Event()
        stream = container.streams.video[0]
        context = stream.codec_context
        if context.codec.name != "mjpeg" or min(context.width, context.height) <= 0:
            raise FeedError(f"{name}: gives no MJPEG")
        size, fps = (context.width, context.height), float(stream.average_rate or 0)
        self.info = FeedInfo(name, size, fps, None, stream)

    @staticmethod
    def open(device: str, clock: Clock, size: tuple[int, int], fps: float) -> CodedCameraFeed:
        """Raises FeedError when it cannot be opened so."""
        path = f"/dev/video{device}" if device.isdigit() else device
        options = {
            "input_format": "mjpeg",
            "video_size": f"{size[0]}x{size[1]}",
            "framerate": f"{fps:g}",
        }
        try:
            container = av.open(path, format="v4l2", options=options, timeout=STREAM_TIMEOUT_S)
        except (av.FFmpegError, OSError, ValueError) as error:
            raise FeedError(f"camera {device}: cannot be opened for MJPEG ({error})") from error
        return CodedCameraFeed(f"camera {device}", container, clock)

    def __iter__(self) -> Iterator[Frame]:
        stream = self._container.streams.video[0]
        index, last_ns = 0, -1
        try:
            for packet in self._container.demux(stream):
                now_ns = self._clock.now_ns()
                if self._closed.is_set():
                    return
                if packet.size == 0:
                    break
                stamp_ns = int(packet.pts * stream.time_base * NS) if packet.pts is not None else -1
                t_ns = stamp_ns if abs(now_ns - stamp_ns) < DRIVER_CLOCK_NS else now_ns
                if t_ns <= last_ns:
                    continue  # every picture stands alone, so one left out spoils no other
                coded = CodedPicture(bytes(packet), keyframe=True)
                try:
                    pictures = packet.decode()
                except av.FFmpegError as error:
                    log.warning("%s: a damaged picture was left out (%s)", self._name, error)
                    continue
                for picture in pictures[:1]:
                    yield Frame(index, t_ns, bgr_of(picture), coded)
                    index, last_ns = index + 1, t_ns
            self.problem = f"{self._name}: stopped giving pictures; check its cable"
        except (av.FFmpegError, OSError) as error:
            self.problem = f"{self._name}: stopped giving pictures ({error}); check its cable"
        finally:
            self._container.close()

    def close(self) -> None:
        self._closed.set()


class StreamFeed:
    """A network stream (RTSP, SRT, MJPEG over HTTP), or a pipe that another program writes, through PyAV.

    MJPEG comes with its code, to be recorded as it came, and so does H.264 that can be cut every half
    second, as its first second shows. Capture time is the stream's own, laid on the clock at the first
    picture and again where it leaps; of a stream without times of its own it is the time of arrival.

    Raises:
        FeedError: nobody answers at the address, or it is no video.
    """

    def __init__(self, url: str, clock: Clock) -> None:
        self.problem: str | None = None
        self._url, self._clock = url, clock
        self._closed = threading.Event()
        options = {"rtsp_transport": "tcp"} if url.startswith("rtsp") else {}
        try:
            self._container: Any = av.open(url, options=options, timeout=(STREAM_TIMEOUT_S, STREAM_TIMEOUT_S))
        except (av.FFmpegError, OSError) as error:
            raise FeedError(
                f"{url}: cannot be opened ({error}); check the address and the network"
            ) from error
        if not self._container.streams.video:
            self._container.close()
            raise FeedError(f"{url}: holds no video; check the address")
        stream = self._container.streams.video[0]
        context = stream.codec_context
        self._intra = context.codec.name == "mjpeg"
        self._timed = self._container.format.name not in UNTIMED
        self._start_ns: int | None = None  # clock time of the stream's time 0
        self._first: list[tuple[Any, int]] = []  # packets already taken, and when they came
        recordable = self._intra or (context.codec.name == "h264" and self._can_be_cut(stream))
        self.info = FeedInfo(
            url,
            (context.width, context.height),
            float(stream.average_rate or 0) if self._timed else 0.0,
            None,
            stream if recordable else None,
        )

    def __iter__(self) -> Iterator[Frame]:
        stream = self._container.streams.video[0]
        coded = self.info.coded_as is not None
        index, last_ns = 0, -1
        waiting: dict[int | None, tuple[int, CodedPicture]] = {}
        try:
            for packet, came_ns in itertools.chain(self._first, self._packets(stream)):
                if self._closed.is_set():
                    return
                if coded and packet.size:
                    waiting[packet.pts] = came_ns, CodedPicture(bytes(packet), packet.is_keyframe)
                for picture in self._decoded(packet):
                    picture_came_ns, code = waiting.pop(picture.pts, (came_ns, None))
                    t_ns = self._time_ns(picture.pts, stream.time_base, picture_came_ns)
                    if t_ns <= last_ns:
                        if not coded or self._intra:
                            continue
                        t_ns = last_ns + NS_PER_TICK  # one left out would spoil those after it
                    yield Frame(index, t_ns, bgr_of(picture), code)
                    index, last_ns = index + 1, t_ns
                while len(waiting) > WAITING:  # it was damaged, and no picture comes of it
                    del waiting[next(iter(waiting))]
            self.problem = f"{self._url}: the stream ended"
        except (av.FFmpegError, OSError) as error:
            self.problem = f"{self._url}: the stream broke off ({error})"
        finally:
            self._container.close()

    def close(self) -> None:
        self._closed.set()

    def _packets(self, stream: Any) -> Iterator[tuple[Any, int]]:
        for packet in self._container.demux(stream):  # the last, empty, gets out what the decoder holds back
            yield packet, self._clock.now_ns()

    def _decoded(self, packet: Any) -> list[Any]:
        try:
            return list(packet.decode())
        except av.FFmpegError as error:
            log.warning("%s: a damaged picture was left out (%s)", self._url, error)
            return []

    def _can_be_cut(self, stream: Any) -> bool:
        """Whether its pictures come in order, and a key frame at least every half second of the first."""
        stamps: list[int] = []
        keys: list[int] = []
        try:
            for packet, came_ns in self._packets(stream):
                self._first.append((packet, came_ns))
                if not packet.size:
                    break
                if packet.pts is None or not self._timed:
                    return False
                stamps.append(int(packet.pts * stream.time_base * NS))
                if packet.is_keyframe:
                    keys.append(stamps[-1])
                if stamps[-1] - stamps[0] > LOOKED_AT_NS or len(stamps) > LOOKED_AT:
                    break
        except (av.FFmpegError, OSError) as error:
            raise FeedError(f"{self._url}: gives no pictures ({error}); check the camera") from error
        # Some begin with what they kept from before: only the last of that comes as it is captured.
        self._start_ns = min(
            (came - t for (_, came), t in zip(self._first, stamps, strict=False)), default=None
        )
        if not keys or stream.codec_context.has_b_frames or (np.diff(stamps) <= 0).any():
            return False
        # Those before the first key frame cannot be decoded and are not recorded.
        return int(np.diff([*keys, stamps[-1]]).max()) <= LONGEST_GOP_NS

    def _time_ns(self, pts: int | None, time_base: Any, came_ns: int) -> int:
        """Capture time of a picture that came at ``came_ns``."""
        if pts is None or not self._timed:
            return came_ns
        stamp_ns = int(pts * time_base * NS)
        if self._start_ns is None or abs(self._start_ns + stamp_ns - came_ns) > LEAP_NS:
            if self._start_ns is not None:
                log.warning("%s: its clock leapt; its times are laid on ours anew", self._url)
            self._start_ns = came_ns - stamp_ns
        return self._start_ns + stamp_ns


def open_feed(source: str, clock: Clock, *, live: bool) -> Feed:
    """Open a feed by what its name says: ``camera:0``, ``rtsp://...``, ``srt://...``, or a path.

    ``camera:0@3840x2160@30`` asks a camera for another size and rate than 1920x1080 at 60. A path may be
    a named pipe. ``loop:`` before a path plays it again and again, for endurance.

    Args:
        live: pace a recorded file like a camera; False: as fast as it can be read.

    Raises:
        FeedError: it cannot be opened.
    """
    if source.startswith("loop:"):
        path = Path(source.removeprefix("loop:"))
        return FileFeed(path, clock if live else None, loops=math.inf)
    if source.startswith("camera:"):
        device, size, fps = _camera_wish(source)
        try:
            return CodedCameraFeed.open(device, clock, size, fps)
        except FeedError as error:
            log.info("%s; its pictures are coded again", error)
            return CameraFeed(device, clock, size, fps)
    if source.startswith(STREAMS) or Path(source).is_fifo():
        return StreamFeed(source, clock)
    return FileFeed(Path(source), clock if live else None)


def _camera_wish(source: str) -> tuple[str, tuple[int, int], float]:
    """Device, size and rate that a camera's name asks for."""
    found = re.fullmatch(r"camera:([^@]+)(?:@(\d{2,5})x(\d{2,5}))?(?:@(\d{1,3}(?:\.\d+)?))?", source)
    if found is None:
        raise FeedError(f"{source}: name a camera like camera:0 or camera:0@1920x1080@60")
    size = (int(found[2]), int(found[3])) if found[2] else CAMERA_SIZE
    return found[1], size, float(found[4] or CAMERA_FPS)


def recorded_feeds(path: Path) -> list[FileFeed]:
    """A recording as it was recorded: the segments of a session, each with its capture times, or a file.

    Raises:
        FeedError: it cannot be read.
    """
    if not path.is_dir():
        return [FileFeed(path)]
    feeds = []
    for segment in sorted(path.glob("feed-*.mkv")):
        if _exact_times(segment):
            feeds.append(FileFeed(path, segment=int(segment.stem.removeprefix("feed-"))))
        else:
            log.warning("%s: capture ended before its first picture; left out", segment)
    return feeds or [FileFeed(path)]


def _video_file(path: Path) -> Path:
    """The file to read: the path itself, or a session folder's recording."""
    if path.is_dir():
        segments = sorted(path.glob("feed-*.mkv"))
        if not segments:
            raise FeedError(f"{path}: holds no feed-*.mkv; give a video file or a session folder")
        if len(segments) > 1:
            log.warning("%s: holds %d segments, only the first is read", path, len(segments))
        return segments[0]
    if not path.exists():
        raise FeedError(f"{path}: no such file; check the path")
    if path.stat().st_size == 0:
        raise FeedError(f"{path}: is empty; give a video file that plays")
    return path


def _exact_times(segment: Path) -> dict[int, int]:
    """Capture time of each container tick of a recorded segment, ns."""
    sidecar = segment.with_suffix(".csv")
    if not sidecar.exists():
        raise FeedError(f"{sidecar}: the capture times are missing; give the video file itself")
    try:
        with sidecar.open(newline="") as file:
            return {int(row["pts"]): int(row["t_ns"]) for row in csv.DictReader(file) if row["pts"]}
    except (KeyError, ValueError, TypeError) as error:
        raise FeedError(f"{sidecar}: is not a table of capture times ({error})") from error


def _rotation(path: Path) -> int:
    """Clockwise quarter turns, in degrees, that set the file's pictures upright."""
    with av.open(str(path)) as container:
        try:
            picture = next(container.decode(video=0), None)
        except av.FFmpegError as error:
            raise FeedError(f"{path}: its pictures cannot be decoded ({error.strerror})") from error
    if picture is None:
        raise FeedError(f"{path}: holds no picture that can be decoded; give a video file that plays")
    # PyAV states the display matrix's angle counter-clockwise.
    return int(-picture.rotation) % 360


_TURNS = {90: cv2.ROTATE_90_CLOCKWISE, 180: cv2.ROTATE_180, 270: cv2.ROTATE_90_COUNTERCLOCKWISE}


def _upright(image: Image, rotation: int) -> Image:
    turn = _TURNS.get(rotation)
    return image if turn is None else np.asarray(cv2.rotate(image, turn), np.uint8)


def bgr_of(picture: av.VideoFrame) -> Image:
    """A decoded picture as BGR, shape (height, width, 3)."""
    return np.asarray(picture.to_ndarray(format="bgr24"), np.uint8)

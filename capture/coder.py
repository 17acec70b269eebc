"""Codes the pictures of a feed that comes uncoded, so that all that follows sees what is recorded."""

from __future__ import annotations

import io
from dataclasses import replace
from fractions import Fraction
from typing import Any, Final

import av
import numpy as np

from bridge.errors import RecordingError
from capture.feeds import CodedPicture, FeedInfo, Frame

TICK: Final = Fraction(1, 1000)
NS_PER_TICK: Final = 1_000_000
GROUP_NS: Final = 480_000_000  # between key frames: a frame or two less than the half second promised
THREADS: Final = 1  # the other core measures; a picture of 1080p takes some 5 ms at this preset
X264: Final = {
    "preset": "ultrafast",
    "crf": "20",
    "tune": "zerolatency",  # every picture comes out as it goes in
    "x264-params": "scenecut=0:open-gop=0:sliced-threads=0",
}


class Coder:
    """Codes pictures as H.264: closed groups of less than half a second, no B-frames.

    Args:
        info: the feed whose pictures are coded.

    Raises:
        RecordingError: this picture size cannot be coded.
    """

    def __init__(self, info: FeedInfo) -> None:
        self._info = info
        self._first_ns: int | None = None
        self._key_ns: int | None = None
        self._last_tick = -1
        encoder: Any = av.CodecContext.create("libx264", "w")
        encoder.width, encoder.height = (side - side % 2 for side in info.size)  # as 4:2:0 needs
        encoder.pix_fmt = "yuv420p"
        encoder.time_base = TICK
        encoder.framerate = Fraction(max(1, round(info.nominal_fps or 30)))
        encoder.max_b_frames = 0
        encoder.gop_size = 10_000  # key frames are asked for by time instead
        encoder.thread_count = THREADS
        encoder.options = dict(X264)
        self._encoder = encoder

    def code(self, frame: Frame) -> Frame:
        """The frame with its coded picture. Raises RecordingError when the encoder refuses it."""
        if self._first_ns is None:
            self._first_ns = frame.t_ns
        tick = max(round((frame.t_ns - self._first_ns) / NS_PER_TICK), self._last_tick + 1)
        self._last_tick = tick
        height, width = (side - side % 2 for side in frame.image.shape[:2])
        picture: Any = av.VideoFrame.from_ndarray(
            np.ascontiguousarray(frame.image[:height, :width]), format="bgr24"
        )
        picture.pts, picture.time_base = tick, TICK
        if self._key_ns is None or frame.t_ns - self._key_ns >= GROUP_NS:
            picture.pict_type = av.video.frame.PictureType.I
            self._key_ns = frame.t_ns
        try:
            (packet,) = self._encoder.encode(picture)
        except (av.FFmpegError, ValueError) as error:
            raise RecordingError(f"{self._info.name}: a picture cannot be coded ({error})") from error
        return replace(frame, coded=CodedPicture(bytes(packet), packet.is_keyframe))


def described(info: FeedInfo, first: CodedPicture) -> FeedInfo:
    """What is known of a feed coded by :class:`Coder`, from its first coded picture."""
    stream = av.open(io.BytesIO(first.data), format="h264").streams.video[0]
    return replace(info, coded_as=stream)

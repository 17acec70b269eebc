"""Clips and previews turned into pictures Qt can paint.

A clip is kept as it was decoded (half the size of RGB, and less than a full second of 1080p
would otherwise fill half a gigabyte); one frame at a time is turned into RGB32 when it is shown.
"""

from __future__ import annotations

import io
from typing import Final

import av
import numpy as np
from numpy.typing import NDArray
from PySide6.QtGui import QImage

from bridge.messages import Clip
from overlay.replay import FrameStore

MEMORY_BYTES: Final = 500_000_000  # decoded frames kept at once; larger clips are reduced


class ClipError(Exception):
    """A clip that cannot be shown, and why, in words."""


def decode_clip(clip: Clip, memory_bytes: int = MEMORY_BYTES) -> FrameStore[av.VideoFrame]:
    """Decode a clip's frames with their capture times, from ``begin_ns`` on.

    Raises:
        ClipError: the bytes are not a film, or hold fewer frames than times.
    """
    wanted = sum(1 for t in clip.times_ns if clip.begin_ns <= t <= clip.end_ns)
    times: list[int] = []
    frames: list[av.VideoFrame] = []
    try:
        with av.open(io.BytesIO(clip.matroska), mode="r", format="matroska") as container:
            stream = container.streams.video[0]
            stream.thread_type = "AUTO"
            for t_ns, frame in zip(clip.times_ns, container.decode(stream), strict=False):
                if clip.begin_ns <= t_ns <= clip.end_ns:
                    times.append(t_ns)
                    frames.append(_reduced(frame, wanted, memory_bytes))
    except (av.FFmpegError, IndexError, ValueError) as error:
        raise ClipError(f"the recorded pictures cannot be read: {error}") from error
    if not frames:
        raise ClipError("the recording holds no picture of this flight")
    return FrameStore(tuple(times), frames)


def _reduced(frame: av.VideoFrame, count: int, memory_bytes: int) -> av.VideoFrame:
    """The frame, made smaller where all frames together would need too much memory."""
    need = 1.5 * frame.width * frame.height * count
    if need <= memory_bytes:
        return frame
    part = (memory_bytes / need) ** 0.5
    return frame.reformat(width=int(frame.width * part) // 2 * 2, height=int(frame.height * part) // 2 * 2)


def frame_image(frame: av.VideoFrame) -> QImage:
    """One decoded frame as an RGB32 picture."""
    return image_of(np.asarray(frame.to_ndarray(format="bgra"), np.uint8))


def image_of(pixels: NDArray[np.uint8]) -> QImage:
    """A picture that owns its pixels. ``pixels`` is (height, width, 4), blue green red any.

    The copy matters: Qt would otherwise share the array, and later writes would show.
    """
    whole = np.ascontiguousarray(pixels)
    height, width, channels = whole.shape
    if channels != 4 or whole.dtype != np.uint8:
        raise ValueError("pixels must be (height, width, 4) of uint8")
    return QImage(whole.data, width, height, whole.strides[0], QImage.Format.Format_RGB32).copy()


def jpeg_image(jpeg: bytes) -> QImage | None:
    """A preview as a picture, or None when the bytes are not one."""
    image = QImage.fromData(jpeg, "JPEG")  # type: ignore[arg-type]  # the stub asks for bytes, the call for str
    return None if image.isNull() else image.convertToFormat(QImage.Format.Format_RGB32)

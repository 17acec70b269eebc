"""Small real videos, coded by the tests themselves."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from numpy.typing import NDArray

BARS = 12  # bits of the barcode that numbers each picture


def numbered_picture(number: int, size: tuple[int, int] = (192, 96)) -> NDArray[np.uint8]:
    """A grey BGR picture that carries its number as a barcode, which survives lossy coding."""
    width, height = size
    image = np.full((height, width, 3), 96, np.uint8)
    step = width // BARS
    for bit in range(BARS):
        image[:, bit * step : (bit + 1) * step] = 230 if number >> bit & 1 else 20
    return image


def number_of(image: NDArray[np.uint8]) -> int:
    """The number a picture carries."""
    height, width = image.shape[:2]
    step = width // BARS
    middle = image[height // 2, step // 2 :: step][:BARS].mean(axis=-1)
    return sum(1 << bit for bit, level in enumerate(middle) if level > 128)


def write_clip(
    path: Path,
    times_ms: Sequence[int],
    *,
    codec: str = "libx264",
    gop: int = 30,
    b_frames: int = 0,
    rotation: int = 0,
    size: tuple[int, int] = (192, 96),
    numbers: Sequence[int] | None = None,
    options: dict[str, str] | None = None,
) -> Path:
    """Code one numbered picture at each time."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=60)
        stream.width, stream.height = size
        stream.pix_fmt = "yuv420p" if codec != "mjpeg" else "yuvj420p"
        stream.codec_context.time_base = Fraction(1, 1000)
        stream.codec_context.gop_size = gop
        stream.codec_context.max_b_frames = b_frames
        if options:
            stream.options = options
        if rotation:
            stream.set_display_rotation(rotation)
        for i, t_ms in enumerate(times_ms):
            image = numbered_picture(numbers[i] if numbers else i, size)
            picture = av.VideoFrame.from_ndarray(image, format="bgr24")
            picture.pts, picture.time_base = t_ms, Fraction(1, 1000)
            for packet in stream.encode(picture):
                container.mux(packet)
        for packet in stream.encode():
            container.mux(packet)
    return path

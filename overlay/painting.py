"""What it costs to paint one picture with everything drawn over it, measured on this machine."""

from __future__ import annotations

import statistics
import time
from typing import Final

from PySide6.QtGui import QImage

from overlay.app import start_application
from overlay.example import Example
from overlay.ink import HandMarks
from overlay.picture import Layers, PictureView
from overlay.pixels import decode_clip, frame_image

SIZE: Final = (1920, 1080)
LEFT_OUT: Final = 5  # first pictures, before everything is warm


def painting_ms(pictures: int = 60) -> tuple[float, float, float]:
    """Milliseconds of processor time to paint a 1080p picture with all that can be drawn, as it plays.

    Returns:
        The median and the 95th percentile of painting alone, and the median of turning a decoded frame
        into a picture, which comes on top.
    """
    start_application()
    example = Example(SIZE[0])
    reading = example.readings()[0]
    store = decode_clip(example.clip(reading, 0.31))
    view = PictureView("Picture", with_margin=True)
    view.resize(*SIZE)
    view.set_picture_size(example.picture)
    onto = QImage(SIZE[0], SIZE[1], QImage.Format.Format_RGB32)
    paint: list[float] = []
    convert: list[float] = []
    for i in range(pictures):
        place = len(store) // 3 + i % (len(store) // 3)
        begun = time.thread_time()
        image = frame_image(store.frames[place])
        convert.append(time.thread_time() - begun)
        view.show_image(image)
        view.show_layers(
            Layers(
                level="band",
                drawing=reading.drawing,
                height=reading.apex,
                t_ns=store.times_ns[place],
                by_hand=HandMarks((900.0, 400.0), 5.0),
            )
        )
        begun = time.thread_time()
        view.render(onto)
        paint.append(time.thread_time() - begun)
    view.deleteLater()
    kept = sorted(1e3 * s for s in paint[LEFT_OUT:])
    return statistics.median(kept), kept[int(0.95 * len(kept))], 1e3 * statistics.median(convert[LEFT_OUT:])


def painting_words() -> str:
    """The same as a line to be printed."""
    median, slow, convert = painting_ms()
    return (
        f"painting 1080p with everything drawn: {median:.1f} ms of processor time (95 % under {slow:.1f}), "
        f"and {convert:.1f} ms to turn a decoded frame into a picture"
    )

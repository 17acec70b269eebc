"""Teaching copies: a flight's pictures cut out of its session, with parts painted over for good.

A copy is a folder of two files that open with common tools: ``clip.mkv`` and ``copy.json`` (times,
reading, what was painted over). The session it comes from is never changed. What is painted over is
gone from the copy: the rectangle is filled with one colour, not softened.
"""

from __future__ import annotations

import contextlib
import io
import shutil
import tempfile
from collections.abc import Iterable
from fractions import Fraction
from pathlib import Path
from typing import Any, Final

import av
import msgspec
import numpy as np
from numpy.typing import NDArray

from bridge.errors import ConfigError, RecordingError
from bridge.messages import Clip, Reading
from bridge.session import Session
from overlay.clinic.copy_places import copy_folder
from overlay.clinic.examples import Example, Hidden
from overlay.replay import FrameStore

FORMAT: Final = 1
BEFORE_NS: Final = 800_000_000  # shown before the release
AFTER_NS: Final = 800_000_000  # and after the regrasp or landing
CLIP: Final = "clip.mkv"
FACTS: Final = "copy.json"
_TICKS: Final = 1_000_000  # per second, of the container's times; the exact ones stand in copy.json

Pixels = NDArray[np.uint8]


class Copy(msgspec.Struct, frozen=True, kw_only=True):
    """What ``copy.json`` says."""

    format: int = FORMAT
    example: str
    picture: tuple[int, int]
    times_ns: tuple[int, ...]
    hidden: tuple[Hidden, ...] = ()
    reading: Reading  # with its drawing: the line, the hip path, the scale

    def clip(self, folder: Path, file: str = CLIP) -> Clip:
        """The pictures, as the viewer plays them. Raises RecordingError when they cannot be read."""
        try:
            film = (folder / file).read_bytes()
        except OSError as error:
            raise RecordingError(
                f"{folder}: cannot be read ({error.strerror}); make the copy again"
            ) from error
        return Clip(
            flight=self.reading.flight,
            matroska=film,
            times_ns=self.times_ns,
            begin_ns=self.times_ns[0],
            end_ns=self.times_ns[-1],
        )


def read_copy(folder: Path) -> Copy:
    """What a copy says of itself. Raises RecordingError when it is none."""
    try:
        copy = msgspec.json.decode((folder / FACTS).read_bytes(), type=Copy)
    except (OSError, msgspec.MsgspecError, UnicodeDecodeError) as error:
        raise RecordingError(f"{folder}: no teaching copy ({error}); make it again") from error
    if copy.format > FORMAT:
        raise RecordingError(f"{folder}: written by a newer Railcrest; update this one")
    if not copy.times_ns:
        raise RecordingError(f"{folder}: a copy without pictures; make it again")
    return copy


def have_copy(copies: Path, example: Example) -> tuple[Path, Copy]:
    """The copy of an example as it is to be now: made when it is absent or another part is hidden.

    Raises:
        ConfigError: the session is not where it was.
        RecordingError: it cannot be read, or the copy not written.
    """
    folder = copy_folder(copies, example.id)
    with contextlib.suppress(RecordingError):
        found = read_copy(folder)
        if (found.example, found.hidden) == (example.id, example.hidden or ()):
            return folder, found
    return folder, make_copy(copies, example)


def make_copy(copies: Path, example: Example) -> Copy:
    """Cut an example's flight out of its session into the folder of copies, parts painted over.

    Raises:
        ConfigError: the session is not where it was.
        RecordingError: it cannot be read, or the copy not written.
    """
    session = session_of(example)
    reading = _reading(session, example)
    begin_ns, end_ns = reading.release_ns - BEFORE_NS, reading.end_ns + AFTER_NS
    times: list[int] = []
    film = io.BytesIO()
    with av.open(film, "w", format="matroska") as container:
        stream: Any = None
        for t_ns, pixels in session.decode(begin_ns, end_ns):
            height, width = pixels.shape[:2]
            if stream is None:
                stream = _stream(container, width // 2 * 2, height // 2 * 2)
            painted = paint_over(pixels, example.hidden or ())[: stream.height, : stream.width]
            frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(painted), format="rgb24")
            frame = frame.reformat(format="yuv420p", dst_colorspace="ITU709")
            frame.pts, frame.time_base = (t_ns - begin_ns) // 1000, Fraction(1, _TICKS)
            container.mux(stream.encode(frame))
            times.append(t_ns)
        if stream is None:
            raise RecordingError(f"{example.id}: no pictures of it are left")
        size = (int(stream.width), int(stream.height))
        container.mux(stream.encode(None))
    copy = Copy(
        example=example.id,
        picture=size,
        times_ns=tuple(times),
        hidden=example.hidden or (),
        reading=reading,
    )
    _write(copy_folder(copies, example.id), film.getvalue(), copy)
    return copy


def session_of(example: Example) -> Session:
    """The session an example comes from. Raises ConfigError when it is not where it was."""
    folder = Path(example.folder)
    if not example.folder or not folder.is_dir():
        raise ConfigError(
            f"{example.id}: session {example.folder or example.session} is not there; bring it back"
        )
    return Session.open(folder)


def original(example: Example) -> FrameStore[av.VideoFrame]:
    """The flight's own pictures, for looking them over. Raises as :func:`make_copy`."""
    session = session_of(example)
    reading = _reading(session, example)
    begin_ns, end_ns = reading.release_ns - BEFORE_NS, reading.end_ns + AFTER_NS
    times, frames = [], []
    for t_ns, pixels in session.decode(begin_ns, end_ns):
        times.append(t_ns)
        frames.append(av.VideoFrame.from_ndarray(pixels, format="rgb24").reformat(format="yuv420p"))
    return FrameStore(tuple(times), frames)


def _reading(session: Session, example: Example) -> Reading:
    with session.journal() as journal:
        reading = next((r for r in journal.readings() if r.flight == example.flight), None)
    if reading is None:
        raise ConfigError(f"{example.id}: the session has no such flight any more; take the example out")
    return reading


def paint_over(pixels: Pixels, hidden: Iterable[Hidden]) -> Pixels:
    """A picture with rectangles filled, each with the mean colour of its own edge; the input stays as it is.

    Args:
        pixels: (height, width, 3).
        hidden: rectangles, picture px; what lies outside the picture does not matter.
    """
    painted = pixels.copy()
    height, width = pixels.shape[:2]
    for part in hidden:
        x0, y0 = max(0, part.x), max(0, part.y)
        x1, y1 = min(width, part.x + part.width), min(height, part.y + part.height)
        if x0 >= x1 or y0 >= y1:
            continue
        inside = pixels[y0:y1, x0:x1]
        edge = np.concatenate([inside[0], inside[-1], inside[:, 0], inside[:, -1]])
        painted[y0:y1, x0:x1] = edge.mean(axis=0).round().astype(np.uint8)
    return painted


def _stream(container: Any, width: int, height: int) -> Any:
    stream = container.add_stream("libx264", rate=60)
    stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
    stream.codec_context.time_base = Fraction(1, _TICKS)
    stream.options = {
        "crf": "20",
        "preset": "veryfast",
        "x264-params": "bframes=0:keyint=30:scenecut=0:colorprim=bt709:transfer=bt709:colormatrix=bt709",
    }
    return stream


def _write(folder: Path, film: bytes, copy: Copy) -> None:
    """Both files or none: the folder is made beside its place and then moved there."""
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        made = Path(tempfile.mkdtemp(prefix=".copy-", dir=folder.parent))
        try:
            (made / CLIP).write_bytes(film)
            (made / FACTS).write_bytes(msgspec.json.format(msgspec.json.encode(copy), indent=1))
            if folder.exists():
                shutil.rmtree(folder)
            made.rename(folder)
        except BaseException:
            shutil.rmtree(made, ignore_errors=True)
            raise
    except OSError as error:
        raise RecordingError(f"{folder}: cannot be written ({error.strerror}); free some space") from error

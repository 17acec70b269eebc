"""A teaching reel: chosen flights in one MP4.

Each flight is seen first as it was: plain and at true speed. Then slowly, the speed written on the
picture; then stopped at its moments; only then come the line, the height and the band. Two or three
flights can be shown beside each other, in step at their release or highest point.

Parts are coded one by one into a folder beside the film and joined at the end, so that a reel which was
stopped goes on where it was.
"""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any, Final, Literal

import av
import msgspec
import numpy as np
from PySide6.QtCore import QRectF
from PySide6.QtGui import QImage, QPainter

from bridge.errors import ConfigError, ExitCode, RailcrestError, RecordingError
from bridge.messages import Clip, Policy
from overlay import words
from overlay.clinic.copies import CLIP, Copy
from overlay.clinic.examples import Reference
from overlay.clinic.steps import points
from overlay.clinic.stills import Size, canvas, moments_of, paint_flight, sentence_of, write
from overlay.pixels import decode_clip, frame_image
from overlay.replay import FrameStore
from overlay.theme import LIGHT

FPS: Final = 30
NS: Final = 1_000_000_000
SLOW: Final = Fraction(1, 4)
TITLE_S: Final = 2.5
FREEZE_S: Final = 1.2
USUAL: Final = Size()
REVEAL_S: Final = 2.2
STYLE: Final = 1  # goes up when parts are drawn otherwise, so that old ones are not taken over
Step = Literal["release", "apex"]
Progress = Callable[[int, int], bool]  # frames done and of how many; False stops


class StoppedError(RailcrestError):
    """The reel was stopped; finished parts are kept."""

    exit_code = ExitCode.INTERRUPTED


@dataclass(frozen=True, slots=True)
class Take:
    """One flight of a reel."""

    name: str  # of the example; never written on the picture
    folder: Path  # of its copy
    copy: Copy
    reference: Reference | None = None
    file: str = CLIP  # of its pictures, in the folder
    title: str = ""  # said in place of the family

    def film(self) -> Clip:
        """Its pictures. Raises RecordingError when they cannot be read."""
        return self.copy.clip(self.folder, self.file)


@dataclass(frozen=True, slots=True)
class Look:
    """A stretch of the reel: which capture times run by, and what is said and drawn."""

    seconds: float
    from_ns: int
    speed: Fraction = Fraction(0)  # 0: stopped
    level: Policy = "picture"
    caption: str = ""
    lower: str = ""
    copy: Copy | None = None  # drawn in place of the take's own: another line over the same pictures


@dataclass(frozen=True, slots=True)
class Title:
    """A title card."""

    lines: tuple[str, ...]
    seconds: float = TITLE_S


@dataclass(frozen=True, slots=True)
class Single:
    """One flight: plain, slow, stopped, revealed."""

    take: Take
    number: int


@dataclass(frozen=True, slots=True)
class Beside:
    """Two or three flights in step."""

    takes: tuple[Take, ...]
    step: Step = "apex"

    def __post_init__(self) -> None:
        if not 2 <= len(self.takes) <= 3:
            raise ConfigError("in step: name two or three flights")


@dataclass(frozen=True, slots=True)
class Scripted:
    """One flight with stretches of its own."""

    take: Take
    looks: tuple[Look, ...]


Part = Title | Single | Beside | Scripted


def script(title: str, takes: Sequence[Take], beside: Sequence[Beside] = (), note: str = "") -> list[Part]:
    """The parts of a reel, with its first and last card.

    Raises:
        ConfigError: nothing was chosen.
    """
    if not takes and not beside:
        raise ConfigError("a reel needs at least one flight; name clips")
    how = "Each flight: true speed first, then slowly, then stopped, then the bar line, height and band"
    parts: list[Part] = [Title((title, how))]
    parts += [Single(take, number) for number, take in enumerate(takes, 1)]
    parts += list(beside)
    last = [words.CAUTION, "Slow motion can change how a fault looks. Mark at true speed."]
    parts.append(Title((*last, note) if note else tuple(last), 4.0))
    return parts


def write_reel(
    path: Path, parts: Sequence[Part], size: Size = USUAL, progress: Progress = lambda done, of: True
) -> None:
    """Write a reel. Needs a running Qt application.

    Args:
        path: the MP4; parts lie in a folder beside it until it is whole.
        progress: called for every frame; when it gives False the reel stops, and goes on next time.

    Raises:
        StoppedError: ``progress`` asked to stop.
        RecordingError: a copy cannot be read, or the film not written.
    """
    folder = path.with_name(f".{path.stem}-parts")
    total = sum(_length(part) for part in parts)
    done = 0
    files = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for part in parts:
            file = folder / f"{part_name(part, size)}.mp4"
            files.append(file)
            count = _length(part)
            if not file.exists():
                _code(file, _frames(part, size), size, done, total, progress)
            done += count
            if not progress(done, total):
                raise StoppedError(f"{path}: stopped; the same command goes on where it was")
        _join(files, path)
        shutil.rmtree(folder)
    except (OSError, av.FFmpegError) as error:
        raise RecordingError(f"{path}: cannot be written ({error}); choose another place") from error


def part_name(part: Part, size: Size) -> str:
    """A name for what a part shows: another flight, reason or size gives another name."""
    told: list[Any] = [STYLE, size.width, size.height, FPS, type(part).__name__]
    if isinstance(part, Title):
        told += [part.lines, part.seconds]
    elif isinstance(part, Single):
        told += [part.number, *_told(part.take)]
    elif isinstance(part, Scripted):
        told += [*_told(part.take), [_look_told(look) for look in part.looks]]
    else:
        told += [part.step, *[_told(take) for take in part.takes]]
    return hashlib.sha256(msgspec.json.encode(told)).hexdigest()[:24]


def _look_told(look: Look) -> list[Any]:
    return [look.seconds, look.from_ns, str(look.speed), look.level, look.caption, look.lower, look.copy]


def _told(take: Take) -> list[Any]:
    return [take.name, take.file, take.title, take.copy, take.reference]


# --- what is seen when ----------------------------------------------------------------------------


def looks(take: Take, number: int = 0) -> list[Look]:
    """The stretches of one flight, in order."""
    copy, reading = take.copy, take.copy.reading
    begin, end = copy.times_ns[0], copy.times_ns[-1]
    span = (end - begin) / NS
    family = words.family_words(reading.family)
    name = f"{number}. {family}" if number else family
    found = [
        Look(0.8, begin, caption=name, lower="Watch at true speed"),
        Look(span, begin, Fraction(1), caption=name, lower=words.speed_words(Fraction(1))),
        Look(span / float(SLOW), begin, SLOW, caption=name, lower=words.speed_words(SLOW)),
    ]
    found += [
        Look(FREEZE_S, t_ns, caption=name, lower=f"stopped: {word}")
        for word, t_ns in moments_of(reading)
        if begin <= t_ns <= end
    ]
    apex = reading.apex_ns
    if reading.drawing is None or reading.state == "withheld":
        found.append(Look(REVEAL_S, apex, caption=name, lower="No reading: " + (reading.reason or "none")))
    else:
        at = "stopped: highest point"
        found.append(Look(REVEAL_S, apex, level="line", caption=name, lower=f"{at}, bar line"))
        grown: Policy
        for grown in ("height", "band"):
            found.append(Look(REVEAL_S, apex, level=grown, caption=name, lower=sentence_of(reading, grown)))
    if take.reference is not None:
        r = take.reference
        slow = " Set with slow motion." if r.slow_motion else ""
        said = f"Reference {points(r.mark)}, {r.by}: {r.reason.strip().removesuffix('.')}.{slow}"
        seen: Policy = "band" if reading.drawing is not None and reading.state != "withheld" else "picture"
        found.append(Look(3.0, apex, level=seen, caption=name, lower=said))
    return found


def _beside_looks(part: Beside) -> list[tuple[float, Fraction, float, Policy, str]]:
    """Seconds, speed, begin relative to the step (s), level, words."""
    lead = min((_step_ns(t, part.step) - t.copy.times_ns[0]) / NS for t in part.takes)
    rest = min((t.copy.times_ns[-1] - _step_ns(t, part.step)) / NS for t in part.takes)
    at = "highest point" if part.step == "apex" else "release"
    span = lead + rest
    return [
        (span, Fraction(1), -lead, "picture", f"in step at the {at}, {words.speed_words(Fraction(1))}"),
        (span / float(SLOW), SLOW, -lead, "picture", f"in step at the {at}, {words.speed_words(SLOW)}"),
        (REVEAL_S, Fraction(0), 0.0, "picture", f"stopped: {at}"),
        (REVEAL_S, Fraction(0), 0.0, "line", f"stopped: {at}, bar line"),
        (2 * REVEAL_S, Fraction(0), 0.0, "band", f"stopped: {at}, height and band"),
    ]


def _step_ns(take: Take, step: Step) -> int:
    return take.copy.reading.apex_ns if step == "apex" else take.copy.reading.release_ns


def _count(seconds: float) -> int:
    return max(1, round(seconds * FPS))


def _length(part: Part) -> int:
    """How many frames a part has."""
    if isinstance(part, Title):
        return _count(part.seconds)
    if isinstance(part, Single):
        return sum(_count(look.seconds) for look in looks(part.take, part.number))
    if isinstance(part, Scripted):
        return sum(_count(look.seconds) for look in part.looks)
    return sum(_count(seconds) for seconds, *_ in _beside_looks(part))


# --- drawing --------------------------------------------------------------------------------------


def _frames(part: Part, size: Size) -> Iterator[QImage]:
    if isinstance(part, Title):
        card = _card(part, size)
        for _ in range(_count(part.seconds)):
            yield card
    elif isinstance(part, Single):
        yield from _single(part.take, looks(part.take, part.number), size)
    elif isinstance(part, Scripted):
        yield from _single(part.take, part.looks, size)
    else:
        yield from _beside(part, size)


def _card(part: Title, size: Size) -> QImage:
    image = canvas(size)
    painter = QPainter(image)
    px = size.text_px
    top = size.height * 0.32
    for n, line in enumerate(part.lines):
        tall = px * (3.6 if n == 0 else 2.6)
        box = QRectF(size.width * 0.1, top, size.width * 0.8, tall)
        write(painter, box, line, px * (2.0 if n == 0 else 1.1), bold=n == 0, centre=True)
        top += tall + px * 0.8
    painter.fillRect(QRectF(size.width * 0.1, size.height * 0.28, size.width * 0.8, 4), LIGHT.line)
    painter.end()
    return image


def _single(take: Take, seen: Sequence[Look], size: Size) -> Iterator[QImage]:
    frames = decode_clip(take.film())
    held: tuple[object, QImage] | None = None
    for look in seen:
        for n in range(_count(look.seconds)):
            t_ns = look.from_ns + int(n / FPS * NS * look.speed)
            index = frames.shown_at(t_ns)
            key = (index, look)
            if held is None or held[0] != key:
                held = (key, _flight_image(take, frames, index, t_ns, look, size))
            yield held[1]


def _flight_image(
    take: Take, frames: FrameStore[av.VideoFrame], index: int, t_ns: int, look: Look, size: Size
) -> QImage:
    image = canvas(size)
    painter = QPainter(image)
    px = size.text_px
    head, foot = px * 1.9, px * 2.9
    box = QRectF(px, head, size.width - 2 * px, size.height - head - foot)
    paint_flight(
        painter, box, frame_image(frames.frames[index]), look.copy or take.copy, look.level, t_ns, px
    )
    wide = size.width - 2 * px
    write(painter, QRectF(px, 0, wide * 0.6, head), look.caption, px, bold=True)
    write(painter, QRectF(px, size.height - foot, wide * 0.74, foot), look.lower, px * 0.95)
    caution = QRectF(px + wide * 0.76, size.height - foot, wide * 0.24, foot)
    write(painter, caution, words.CAUTION, px * 0.62, colour=LIGHT.quiet)
    painter.end()
    return image


def _beside(part: Beside, size: Size) -> Iterator[QImage]:
    clips = [decode_clip(take.film()) for take in part.takes]
    held: tuple[object, QImage] | None = None
    for seconds, speed, begin_s, level, said in _beside_looks(part):
        for n in range(_count(seconds)):
            from_step_ns = int(begin_s * NS) + int(n / FPS * NS * speed)
            times = [_step_ns(take, part.step) + from_step_ns for take in part.takes]
            indices = tuple(clip.shown_at(t) for clip, t in zip(clips, times, strict=True))
            key = (indices, level, said)
            if held is None or held[0] != key:
                held = (key, _beside_image(part, clips, indices, times, level, said, size))
            yield held[1]


def _beside_image(
    part: Beside,
    clips: Sequence[FrameStore[av.VideoFrame]],
    indices: Sequence[int],
    times: Sequence[int],
    level: Policy,
    said: str,
    size: Size,
) -> QImage:
    image = canvas(size)
    painter = QPainter(image)
    px = size.text_px
    count = len(part.takes)
    gap = px * 0.6
    wide = (size.width - gap * (count + 1)) / count
    head, foot = px * 1.9, px * 1.9
    tall = size.height - head - foot - px * 6.0
    for n, take in enumerate(part.takes):
        left = gap + n * (wide + gap)
        box = QRectF(left, head + px, wide, tall)
        picture = frame_image(clips[n].frames[indices[n]])
        paint_flight(painter, box, picture, take.copy, level, times[n], px * 0.7, margin=False, fill=True)
        under = QRectF(left, box.bottom() + px * 0.3, wide, px * 4.6)
        text = f"{'ABC'[n]}: {take.title or words.family_words(take.copy.reading.family)}"
        told = sentence_of(take.copy.reading, level)
        write(painter, under, f"{text}. {told}" if told else text, px * 0.85)
    write(painter, QRectF(gap, 0, size.width - 2 * gap, head), said, px, bold=True)
    foot_box = QRectF(gap, size.height - foot, size.width - 2 * gap, foot)
    write(painter, foot_box, words.CAUTION, px * 0.7, colour=LIGHT.quiet)
    painter.end()
    return image


# --- coding ---------------------------------------------------------------------------------------


def _code(
    file: Path, images: Iterator[QImage], size: Size, done: int, total: int, progress: Progress
) -> None:
    """Code one part; it gets its name only once it is whole."""
    unfinished = file.with_suffix(".unfinished")
    try:
        with av.open(str(unfinished), "w", format="mp4") as container:
            stream: Any = container.add_stream("libx264", rate=FPS)
            stream.width, stream.height, stream.pix_fmt = size.width, size.height, "yuv420p"
            stream.options = {
                "crf": "20",
                "preset": "veryfast",
                "x264-params": "bframes=0:colorprim=bt709:transfer=bt709:colormatrix=bt709",
            }
            for n, image in enumerate(images):
                frame = av.VideoFrame.from_ndarray(_pixels(image), format="rgb24")
                frame = frame.reformat(format="yuv420p", dst_colorspace="ITU709")
                frame.pts = n
                frame.time_base = Fraction(1, FPS)
                container.mux(stream.encode(frame))
                if not progress(done + n + 1, total):
                    raise StoppedError("stopped; the same command goes on where it was")
            container.mux(stream.encode(None))
        unfinished.rename(file)
    except BaseException:
        unfinished.unlink(missing_ok=True)
        raise


def _pixels(image: QImage) -> np.ndarray:
    rgb = image.convertToFormat(QImage.Format.Format_RGB888)
    rows = np.frombuffer(rgb.constBits(), np.uint8).reshape(rgb.height(), rgb.bytesPerLine())
    return np.ascontiguousarray(rows[:, : 3 * rgb.width()].reshape(rgb.height(), rgb.width(), 3))


def _join(files: Sequence[Path], path: Path) -> None:
    """Join parts coded alike, without coding them again."""
    unfinished = path.with_name(f".{path.name}.unfinished")
    with av.open(str(unfinished), "w", format="mp4", options={"movflags": "faststart"}) as out:
        stream: Any = None
        at = Fraction(0)
        for file in files:
            with av.open(str(file)) as part:
                source = part.streams.video[0]
                if stream is None:
                    stream = out.add_stream_from_template(source)
                    stream.time_base = source.time_base
                assert source.time_base is not None
                begin = round(at / source.time_base)
                last = Fraction(0)
                for packet in part.demux(source):
                    if packet.dts is None or packet.pts is None:
                        continue
                    last = max(last, packet.pts * source.time_base)
                    packet.pts, packet.dts = packet.pts + begin, packet.dts + begin
                    packet.stream = stream
                    out.mux(packet)
                at += last + Fraction(1, FPS)
    unfinished.replace(path)

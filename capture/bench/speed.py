"""How fast live is: pictures a second against the plain library route, and what a viewer waits for.

The plain route is ultralytics' ``track`` on whole pictures at 640 on this processor, with a pose
network of its nano size whose weights are random: its cost is that of a trained one, less what tracking
people costs, for it finds none. Its hip error can therefore not be given.
"""

from __future__ import annotations

import os
import re
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from fractions import Fraction
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Final

import av
import numpy as np

from bridge.errors import ConfigError, RailcrestError
from capture.bench.arena import Watched, arena, watch
from capture.bench.process import cost_of
from capture.feeds import FileFeed
from capture.finder import import_ultralytics
from capture.follow import Follower
from capture.pipeline import Pipeline

NS: Final = 1_000_000_000
PLAIN: Final = "yolo26n-pose.yaml"
PLAIN_PX: Final = 640
VIEWERS: Final = (1, 4, 16)
SIZES: Final = (720, 1440, 2160)  # beside the clip's own height
RATES: Final = (0.5, 2.0)  # beside the clip's own rate
Tell = Callable[[str, float], None]


@dataclass(frozen=True, slots=True)
class Setting:
    """One way of running live."""

    name: str
    viewers: int = 1
    height: int | None = None  # px; None: the clip's own
    rate: float = 1.0  # times the clip's own


def settings() -> list[Setting]:
    """The plain one first, then how cost grows."""
    return [
        Setting("as it is"),
        *(Setting(f"{n} viewers", viewers=n) for n in VIEWERS[1:]),
        *(Setting(f"{height} lines", height=height) for height in SIZES),
        *(Setting(f"{rate:g} x the rate", rate=rate) for rate in RATES),
    ]


def speed(clip: Path, rig: Path, seconds: float, tell: Tell, *, growth: bool = True) -> dict[str, Any]:
    """Measure all of it on one clip.

    Args:
        clip: a session folder, or a video file.
        rig: its rig file.
        seconds: of each run.
        growth: also with other sizes, rates and numbers of viewers.
    """
    chosen = settings() if growth else settings()[:1]
    runs = len(chosen) + 2
    tell("the plain library route", 0 / runs)
    plain = fps_plain(clip, seconds)
    tell("ours, as fast as it goes", 1 / runs)
    ours = fps_ours(clip, rig, seconds)
    rows = {}
    with tempfile.TemporaryDirectory(prefix="railcrest-bench-") as scratch:
        for i, setting in enumerate(chosen):
            tell(f"live, {setting.name}", (2 + i) / runs)
            film, its_rig = made(clip, rig, setting, Path(scratch), seconds)
            rows[setting.name] = live(film, its_rig, seconds, setting.viewers)
    first = rows["as it is"]
    return {
        "ratio": round(ours / plain, 2),
        "fps_ours": round(ours, 1),
        "fps_plain": round(plain, 1),
        "plain_hip_error": None,  # its weights are random
        **{key: first[key] for key in ("dropped", "latency_ms", "provisional_ms", "settled_ms", "rss_mb")},
        "live": rows,
    }


def fps_plain(clip: Path, seconds: float) -> float:
    """Pictures a second of the plain library route, decoding included."""
    if find_spec("lap") is None:
        raise ConfigError("the library's tracker needs lap; pip install lap")
    library = import_ultralytics()
    film = clip / "feed-0001.mkv" if clip.is_dir() else clip
    model = library.YOLO(PLAIN)
    results = model.track(
        source=str(film), imgsz=PLAIN_PX, device="cpu", stream=True, verbose=False, save=False
    )
    return _rate(results, seconds)


def fps_ours(clip: Path, rig: Path, seconds: float) -> float:
    """Pictures a second of our whole measuring, decoding included, in one thread."""
    from capture.bands import common_practice
    from capture.camera import view_of
    from capture.flights import FlightWatch
    from capture.rig import load_rig

    view = view_of(load_rig(rig))
    pipeline = Pipeline(Follower.load(view), FlightWatch(view, common_practice()))
    return _rate((pipeline.push(frame) for frame in FileFeed(clip)), seconds)


def _rate(pictures: Iterator[Any], seconds: float) -> float:
    """Pictures a second, the first few left out: they warm up."""
    count, begin = 0, 0.0
    for i, _ in enumerate(pictures):
        if i == 10:
            begin = time.perf_counter()
        elif i > 10:
            count += 1
            if time.perf_counter() - begin > seconds:
                break
    if not count:
        raise RailcrestError("the clip is too short to time anything; give a longer one")
    return count / (time.perf_counter() - begin)


def live(film: Path, rig: Path, seconds: float, viewers: int) -> dict[str, Any]:
    """One paced run with so many viewers; what the first of them saw and what capture cost."""
    with arena(str(film), rig, "--stay") as at, ThreadPoolExecutor(viewers) as pool:
        end = threading.Event()
        before, ours, began = cost_of(at.pid), cost_of(os.getpid()), time.monotonic()
        watching = [pool.submit(watch, at.session, seconds, end) for _ in range(viewers)]
        seen = watching[0].result()
        after, took = cost_of(at.pid), time.monotonic() - began
        viewers_s = cost_of(os.getpid()).cpu_s - ours.cpu_s
        end.set()
        size = sum(path.stat().st_size for path in at.session.iterdir())
    return _row(seen) | {
        "cpu_cores": round((after.cpu_s - before.cpu_s) / took, 2),
        "viewers_cpu_cores": round(viewers_s / took, 2),  # all of them together; they show nothing
        "rss_mb": round(after.rss_mb),
        "mb_a_minute": round(size / 1e6 / took * 60, 1),
    }


def _row(seen: Watched) -> dict[str, Any]:
    beat = seen.beat
    if beat is None or not seen.pose_ages_ns:
        raise RailcrestError("capture sent nothing; run it alone to see why")
    p50, p95, p99 = np.percentile(np.array(seen.pose_ages_ns) / 1e6, [50, 95, 99])
    return {
        "fps": beat.fps,
        "recorded": beat.recorded,
        "measured": beat.measured,
        "dropped": beat.dropped,
        "waiting": beat.waiting,
        "step": seen.highest_step,
        "latency_ms": {"p50": round(p50, 1), "p95": round(p95, 1), "p99": round(p99, 1)},
        "provisional_ms": _median_ms(seen.provisional_ns),
        "settled_ms": _median_ms(seen.settled_ns),
    }


def _median_ms(ages_ns: dict[str, int]) -> float | None:
    return round(float(np.median(list(ages_ns.values()))) / 1e6, 1) if ages_ns else None


def made(clip: Path, rig: Path, setting: Setting, folder: Path, seconds: float) -> tuple[Path, Path]:
    """The clip at another size or rate, and a rig file for it."""
    if setting.height is None and setting.rate == 1.0:
        return clip, rig
    feed = FileFeed(clip)
    width, height = feed.info.size
    share = (setting.height or height) / height
    size = (round(width * share / 2) * 2, round(height * share / 2) * 2)
    film, its_rig = folder / f"{size[1]}-{setting.rate:g}.mkv", folder / f"{size[1]}.toml"
    its_rig.write_text(scaled_rig(rig.read_text(), size, share))
    with av.open(str(film), "w") as out:
        stream: Any = out.add_stream("libx264", rate=60)
        stream.width, stream.height = size
        stream.pix_fmt = "yuv420p"
        stream.options = {"preset": "ultrafast", "crf": "20"}
        stream.codec_context.time_base = Fraction(1, 1000)
        stream.codec_context.gop_size, stream.codec_context.max_b_frames = 25, 0
        every = max(1, round(1 / setting.rate))
        for frame in feed:
            t_ms = round(frame.t_ns / 1e6 / max(setting.rate, 1.0))
            if t_ms > 1000 * seconds:
                break
            if frame.index % every:
                continue
            picture: Any = av.VideoFrame.from_ndarray(frame.image, format="bgr24").reformat(*size)
            picture.pts, picture.time_base = t_ms, Fraction(1, 1000)
            out.mux(stream.encode(picture))
        out.mux(stream.encode())
    return film, its_rig


def scaled_rig(text: str, size: tuple[int, int], share: float) -> str:
    """A rig file's text for pictures ``share`` as large."""

    def point(found: re.Match[str]) -> str:
        x, y = ((float(v) + 0.5) * share - 0.5 for v in found[2].split(","))
        return f"{found[1]}[{x:.3f}, {y:.3f}]"

    text = re.sub(r"(?m)^(\s*px\s*=\s*)\[([^\]]*)\]", point, text)
    return re.sub(r"(?m)^(\s*picture\s*=\s*)\[[^\]]*\]", rf"\g<1>[{size[0]}, {size[1]}]", text)

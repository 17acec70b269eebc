"""The bench: what Railcrest promises, measured on rehearsal clips and printed with the machine.

A rehearsal clip is filmed afresh by the studio with a camera, an arena, clothes and lamps that no
network was trained on, coded as H.264 and measured from its pixels, one clip a flight. The survey
points carry half a pixel of noise, as a careful hand would leave.
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from bridge.errors import ConfigError
from bridge.messages import Reading
from capture.bands import TOO_CLOSE, common_practice
from capture.camera import view_of
from capture.feeds import FileFeed
from capture.offline import settled_readings
from capture.pipeline import open_pipeline
from capture.rig import parse_rig

BEFORE_S: Final = 1.2  # of a clip before the release
AFTER_S: Final = 0.8  # and after the end
SURVEY_NOISE_PX: Final = 0.5
FPS: Final = 60.0
NS: Final = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Place:
    """A kind of camera place, as ranges."""

    name: str
    distance_m: tuple[float, float]
    height_m: tuple[float, float]
    off_deg: tuple[float, float]


PLACES: Final = (
    Place("side-on, 8 to 15 m away, 1.5 to 2.5 m high", (8, 15), (1.5, 2.5), (0, 3)),
    Place("up to 25 degrees off, 8 to 15 m away, 1 to 4 m high", (8, 15), (1, 4), (8, 25)),
)


@dataclass(frozen=True, slots=True)
class Trial:
    """One rehearsal flight against what was read of it."""

    place: str
    family: str
    band: str
    apex_m: float
    release_s: float
    end_s: float
    readings: tuple[Reading, ...]

    @property
    def read(self) -> Reading | None:
        """The settled reading of the flight, if there is one."""
        return next((r for r in self._overlapping() if r.state == "settled" and r.apex is not None), None)

    @property
    def invented(self) -> int:
        """Readings that are of no flight."""
        return len(self.readings) - min(1, len(self._overlapping()))

    @property
    def missed(self) -> bool:
        """Whether nothing at all was read of the flight."""
        return not self._overlapping()

    def _overlapping(self) -> list[Reading]:
        return [r for r in self.readings if r.release_ns / NS < self.end_s and r.end_ns / NS > self.release_s]


def rehearse(clips: int, seed: int, progress: Callable[[str, float], None]) -> Iterator[Trial]:
    """Film and measure the flights of ``clips`` routines; places alternate.

    Raises:
        ConfigError: the studio's libraries are not installed.
    """
    try:
        from capture.studio import body, film, routine
    except ModuleNotFoundError as error:
        raise ConfigError(
            f"the bench needs {error.name}: install the studio with pip install -e '.[studio]'"
        ) from error

    people = body.shapes()
    gymnast = next(p for p in people if p.name.startswith("gymnast"))
    others = [p for p in people if not p.name.startswith("gymnast")]
    progress("solving the routine", 0.0)
    performance = routine.demo_routine(gymnast.skeleton, routine.Rig())
    table = common_practice()
    for clip in range(clips):
        rng = np.random.default_rng([seed, clip])
        place = PLACES[clip % len(PLACES)]
        distance_m = float(rng.uniform(*place.distance_m))
        sizes = film.sizes_of(performance.rig)
        camera = film.side_on(
            sizes,
            distance_m,
            float(rng.uniform(*place.height_m)),
            math.radians(float(rng.uniform(*place.off_deg))) * float(rng.choice([-1, 1])),
            focal_px=195.0 * distance_m,
        )
        stage = film.Stage(
            film.Shot(camera, sizes, fps=FPS, seed=int(rng.integers(1 << 30))),
            gymnast,
            others,
            performance.motion,
        )
        try:
            survey: dict[str, NDArray[np.floating[Any]]] = {
                name: px + rng.normal(0, SURVEY_NOISE_PX, 2) for name, px in stage.survey().items()
            }
            view = view_of(parse_rig(film.rig_toml(stage.shot, survey, place.name), f"clip {clip + 1}"))
            for n, flight in enumerate(performance.flights):
                progress(
                    f"clip {clip + 1} of {clips}, {flight.family}",
                    (clip + n / len(performance.flights)) / clips,
                )
                start_s = max(0.0, flight.release_s - BEFORE_S)
                times_s = np.arange(start_s, flight.end_s + AFTER_S, 1 / FPS)
                with tempfile.TemporaryDirectory(prefix="railcrest-bench-") as scratch:
                    path = Path(scratch) / "clip.mp4"
                    film.encode(
                        path,
                        (stage.frame(float(t))[0] for t in times_s),
                        list(times_s - times_s[0]),
                        camera.size,
                        FPS,
                        crf=21,
                    )
                    readings = tuple(settled_readings(FileFeed(path), open_pipeline(view, table)))
                call = table.call(flight.family, flight.apex_m, 1e-6)
                yield Trial(
                    place=place.name,
                    family=flight.family,
                    band=call.band if call else "",
                    apex_m=flight.apex_m,
                    release_s=flight.release_s - start_s,
                    end_s=flight.end_s - start_s,
                    readings=readings,
                )
        finally:
            stage.release()


def summary(trials: Sequence[Trial]) -> dict[str, Any]:
    """The figures that are promised, over some flights; None where nothing was read."""
    pairs = [(trial, trial.read) for trial in trials]
    read = [(trial, reading) for trial, reading in pairs if reading is not None and reading.apex is not None]
    apex = np.array([r.apex.value - t.apex_m for t, r in read if r.apex is not None])
    u = np.array([r.apex.u for _, r in read if r.apex is not None])
    release = np.array([r.release_ns / NS - t.release_s for t, r in read])
    end = np.array([r.end_ns / NS - t.end_s for t, r in read])
    sure = [(t, r) for t, r in read if r.band not in ("", TOO_CLOSE)]

    def rms(values: Any, factor: float, digits: int) -> float | None:
        return round(float(np.sqrt((values**2).mean())) * factor, digits) if len(values) else None

    return {
        "flights": len(trials),
        "settled": len(read),
        "missed": sum(t.missed for t in trials),
        "invented": sum(t.invented for t in trials),
        "apex_rms_cm": rms(apex, 100, 2),
        "apex_bias_cm": round(float(apex.mean()) * 100, 2) if len(apex) else None,
        "apex_worst_cm": round(float(np.abs(apex).max()) * 100, 2) if len(apex) else None,
        "within_95": round(float((np.abs(apex) <= 1.96 * u).mean()), 3) if len(apex) else None,
        "release_rms_ms": rms(release, 1000, 1),
        "end_rms_ms": rms(end, 1000, 1),
        "family_right": sum(r.family == t.family for t, r in read),
        "sure_bands": len(sure),
        "sure_and_wrong": sum(r.band != t.band for t, r in sure),
    }


def table_of(trials: Sequence[Trial]) -> dict[str, dict[str, Any]]:
    """The summary for each place and over all."""
    rows = {place.name: [t for t in trials if t.place == place.name] for place in PLACES}
    rows["all"] = list(trials)
    return {name: summary(some) for name, some in rows.items() if some}

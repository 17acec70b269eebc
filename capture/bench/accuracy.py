"""The bench: what Railcrest promises, measured on rehearsal flights from their pixels.

Every flight is of a scene of its own: family by turns, amplitude, gymnast, camera, lamps and company by
chance, with seeds no network was trained on; filmed, coded as H.264 and measured by the whole pipeline.
Survey points carry half a pixel of noise, as a careful hand would leave. Films are kept by the
digest of their scene, so a bench that was stopped goes on where it was.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any, Final

import msgspec
import numpy as np

from bridge.errors import ConfigError
from bridge.messages import Reading
from capture.bands import TOO_CLOSE, common_practice
from capture.bench.stills import RESERVED_SEED, cache_folder
from capture.camera import JOINT_BIAS_U_M, view_of
from capture.feeds import FileFeed
from capture.offline import settled_readings
from capture.pipeline import open_pipeline
from capture.rig import load_rig

BEFORE_S: Final = 1.0  # of a clip before the release
AFTER_S: Final = 0.6  # and after the end
SURVEY_NOISE_PX: Final = 0.5
NS: Final = 1_000_000_000
AT_ONCE: Final = 2
TRIES: Final = 12  # draws before a family counts as not reachable


class Known(msgspec.Struct, frozen=True):
    """What stands beside a kept film: the conditions of its scene."""

    family: str
    side_on: bool
    fps: float
    light: str


@dataclass(frozen=True, slots=True)
class Trial:
    """One rehearsal flight against what was read of its clip."""

    family: str
    band: str
    apex_m: float
    release_s: float
    end_s: float
    readings: tuple[Reading, ...]
    side_on: bool = True
    fps: float = 60.0
    light: str = "steady"

    @property
    def read(self) -> Reading | None:
        """The settled reading of the flight, if there is one."""
        return next((r for r in self._overlapping() if r.state == "settled" and r.apex is not None), None)

    @property
    def invented(self) -> int:
        """Readings that are of no flight, or a second one of the same."""
        return len(self.readings) - min(1, len(self._overlapping()))

    @property
    def missed(self) -> bool:
        """Whether nothing at all was read of the flight."""
        return not self._overlapping()

    @property
    def withheld(self) -> bool:
        """Whether the flight was seen and no height given."""
        return not self.missed and self.read is None

    def _overlapping(self) -> list[Reading]:
        return [r for r in self.readings if r.release_ns / NS < self.end_s and r.end_ns / NS > self.release_s]


def rehearse(
    scenes: int, seed: int, progress: Callable[[str, float], None], keep: Path | None = None
) -> Iterator[Trial]:
    """Film (or take from ``keep``) and measure ``scenes`` flights; side-on and oblique places alternate.

    Raises:
        ConfigError: the studio's libraries are not installed.
    """
    try:
        from capture.studio import stage
    except ModuleNotFoundError as error:
        raise ConfigError(
            f"the bench needs {error.name}: install the studio with pip install -e '.[studio]'"
        ) from error
    # A folder for each state of the studio: films of another one are other films.
    state = cache_folder()
    folder = keep / state.name if keep else state / "accuracy"
    gymnasts = len(stage.people()[0])
    # Filming and measuring keep one core busy: two flights go on at a time, each in a process of its own.
    with ProcessPoolExecutor(AT_ONCE, mp_context=get_context("spawn")) as pool:
        waiting = [pool.submit(_trial, folder / f"{seed}-{n}", seed, n, gymnasts) for n in range(scenes)]
        try:
            for number, future in enumerate(waiting):
                progress(f"flight {number + 1} of {scenes}", number / scenes)
                yield future.result()
        finally:
            pool.shutdown(cancel_futures=True)


def _trial(place: Path, seed: int, number: int, gymnasts: int) -> Trial:
    """Film a flight, unless its film is there, and measure it."""
    from capture.studio import truth

    if not (place / "known.json").exists():
        _make(place, seed, number, gymnasts)
    known = msgspec.json.decode((place / "known.json").read_bytes(), type=Known)
    (path,) = place.glob("*.mp4")
    true = truth.read(path.with_suffix(".truth.json"))
    flight = next(f for f in true.flights if f.family == known.family)
    table = common_practice()
    view = view_of(load_rig(path.with_suffix(".rig.toml")))
    readings = tuple(settled_readings(FileFeed(path), open_pipeline(view, table)))
    # Flights that only led to this one are cut off at the clip's ends: readings of them do not count.
    near = (flight.release_s - 0.5, flight.end_s + AFTER_S)
    readings = tuple(r for r in readings if r.end_ns / NS > near[0] and r.release_ns / NS < near[1])
    call = table.call(flight.family, flight.apex_m, 1e-6)
    return Trial(
        family=flight.family,
        band=call.band if call else "",
        apex_m=flight.apex_m,
        release_s=flight.release_s,
        end_s=flight.end_s,
        readings=readings,
        side_on=known.side_on,
        fps=known.fps,
        light=known.light,
    )


def _make(place: Path, seed: int, number: int, gymnasts: int) -> None:
    """Draw a scene whose flight can be done, and film it."""
    from capture.studio import scene as scenes
    from capture.studio import score, stage
    from capture.studio.optics import Optics

    family = score.FAMILIES[number % len(score.FAMILIES)]
    side_on = (number // len(score.FAMILIES) + number) % 2 == 0
    shapes = stage.people()[0]
    for attempt in range(TRIES):
        rng = np.random.default_rng([RESERVED_SEED + seed, number, attempt])
        elements = score.chance_score(rng, 1, [family])
        if family == "low_to_high":  # she begins on the high rail
            elements = score.chance_score(rng, 2, ["high_to_low_salto", family])
        steps = tuple(scenes.Step(name=e.name, options=dict(e.options)) for e in elements)
        scene = scenes.chance_scene(rng, steps, gymnasts, side_on)
        try:
            performance = stage.perform(scene, shapes[scene.gymnast - 1])
            at = next(n for n, f in enumerate(performance.flights, 1) if f.family == family and not f.fall)
            scene = msgspec.structs.replace(scene, flights=(at,), lead_s=BEFORE_S, after_s=AFTER_S)
            (clip,) = stage.film_scene(scene, place, performance)
        except (ConfigError, StopIteration):
            continue  # not every gymnast reaches every amplitude, nor is every place one to survey from
        rig = stage.camera_of(scene)
        noisy = {name: px + rng.normal(0, SURVEY_NOISE_PX, 2) for name, px in clip.survey.items()}
        optics = Optics(rig, scene.camera.k1, scene.camera.k2)
        clip.rig.write_text(stage.rig_text(scene, rig, optics, noisy), encoding="utf-8")
        scenes.write(scene, place / "scene.json")
        light = "glare" if scene.light.glare else "flicker" if scene.light.flicker else "steady"
        known = Known(family, side_on, scene.picture.fps, light)
        (place / "known.json").write_bytes(msgspec.json.encode(known))  # last: the film is whole
        return
    raise ConfigError(f"flight {number + 1}: no {family} found that can be done; give another --seed")


def summary(name: str, trials: Sequence[Trial]) -> dict[str, Any]:
    """The promised figures over some flights; None where nothing was read."""
    read = [(t, r) for t in trials if (r := t.read) is not None and r.apex is not None]
    apex = np.array([r.apex.value - t.apex_m for t, r in read if r.apex is not None])
    u = np.array([r.apex.u for _, r in read if r.apex is not None])
    release = np.array([r.release_ns / NS - t.release_s for t, r in read])
    end = np.array([r.end_ns / NS - t.end_s for t, r in read])
    wrong = sum(r.band not in ("", TOO_CLOSE) and r.band != t.band for t, r in read)

    def rms(values: Any, factor: float, digits: int) -> float | None:
        return round(float(np.sqrt((values**2).mean())) * factor, digits) if len(values) else None

    return {
        "name": name,
        "n": len(trials),
        "apex_rms_cm": rms(apex, 100, 2),
        "apex_bias_cm": round(float(apex.mean()) * 100, 2) if len(apex) else None,
        "coverage95": _coverage(apex, u),
        # On people the joint's definition errs by a constant that the studio's hips do not have.
        "coverage95_no_definition": _coverage(apex, np.sqrt(np.maximum(u**2 - JOINT_BIAS_U_M**2, 0))),
        "wrong_when_sure": round(wrong / len(trials), 4) if trials else None,
        "event_rms_ms": rms(np.concatenate([release, end]), 1000, 1),
        "release_rms_ms": rms(release, 1000, 1),
        "end_rms_ms": rms(end, 1000, 1),
        "missed": sum(t.missed for t in trials),
        "false": sum(t.invented for t in trials),
        "family_accuracy": round(sum(r.family == t.family for t, r in read) / len(read), 4) if read else None,
        "withheld": round(sum(t.withheld for t in trials) / len(trials), 4) if trials else None,
    }


def _coverage(off: Any, u: Any) -> float | None:
    """Share of values within 1.96 of their standard uncertainties."""
    return round(float((np.abs(off) <= 1.96 * u).mean()), 3) if len(off) else None


def groups_of(trials: Sequence[Trial]) -> list[dict[str, Any]]:
    """The summary over all, for each kind of place, and for each family, rate and light."""
    chosen = [("all", list(trials)), ("side-on", [t for t in trials if t.side_on])]
    chosen.append(("oblique", [t for t in trials if not t.side_on]))
    chosen += [(f, [t for t in trials if t.family == f]) for f in sorted({t.family for t in trials})]
    chosen += [(f"{r:g} fps", [t for t in trials if t.fps == r]) for r in sorted({t.fps for t in trials})]
    chosen += [(li, [t for t in trials if t.light == li]) for li in sorted({t.light for t in trials})]
    return [summary(name, some) for name, some in chosen if some or name == "all"]

"""Films scenes: composes what a scene file names, points its camera and writes the clips."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from math import radians
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bridge.errors import ConfigError
from capture.lens import lens_toml
from capture.rig import FEWEST_POINTS
from capture.studio import film, routine, score, truth
from capture.studio.body import BodyShape, shapes
from capture.studio.optics import Drift, Optics, Sensor, frame_times
from capture.studio.renderer import Camera
from capture.studio.scene import Scene

Floats = NDArray[np.floating[Any]]
Bytes = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Clip:
    """A clip with its truth; times count from its first picture."""

    path: Path
    rig: Path
    truth: Path
    t_s: Floats  # (N,)
    joints_px: Floats  # (N, 14, 2) the gymnast's as the sensor sees them
    survey: dict[str, Floats]  # picture places of the survey points that can be seen


def people(path: Path | None = None) -> tuple[list[BodyShape], list[BodyShape]]:
    """Gymnasts, and others."""
    everybody = shapes(path)
    gymnasts = [p for p in everybody if p.name.startswith("gymnast")]
    return gymnasts, [p for p in everybody if not p.name.startswith("gymnast")]


def perform(scene: Scene, gymnast: BodyShape) -> routine.Performance:
    """The scene's routine; raises ConfigError when an element cannot be done."""
    elements = [score.Element(step.name, dict(step.options)) for step in scene.elements]
    return score.compose(elements, gymnast.skeleton, routine.Rig.of(scene.sizes))  # type: ignore[arg-type]


def camera_of(scene: Scene) -> Camera:
    """The scene's camera at rest, without its lens's distortion."""
    c = scene.camera
    level = film.side_on(
        scene.sizes, c.distance_m, c.height_m, radians(c.off_deg), scene.focal_px, scene.picture.size
    )
    target = level.place_m + level.rotation[2]
    return Camera.looking(level.place_m, target, scene.focal_px, scene.picture.size, radians(c.roll_deg))


def pad_px(scene: Scene, seconds: float) -> int:
    """How much picture a turning camera needs round its own."""
    c = scene.camera
    turn = radians(abs(c.pan_deg_s)) * seconds + 6 * radians(c.shake_deg)
    return int(np.ceil(turn * scene.focal_px * 1.3))


def windows(scene: Scene, performance: routine.Performance) -> list[tuple[str, float, float]]:
    """Name, begin and end of each clip to film, seconds of the performance."""
    first, last = (float(performance.motion.t_s[i]) for i in (0, -1))
    if not scene.flights:
        return [("film", first, last)]
    if max(scene.flights) > len(performance.flights):
        raise ConfigError(
            f"flights: {max(scene.flights)} asked for; the routine has {len(performance.flights)}"
        )
    chosen = [(n, performance.flights[n - 1]) for n in scene.flights]
    return [
        (f"flight-{n}", max(first, f.release_s - scene.lead_s), min(last, f.end_s + scene.after_s))
        for n, f in chosen
    ]


def film_scene(
    scene: Scene,
    out: Path,
    performance: routine.Performance | None = None,
    progress: Callable[[str, float], None] = lambda what, share: None,
    shapes_path: Path | None = None,
) -> list[Clip]:
    """Film a scene into a folder: for each clip NAME.mp4, NAME.rig.toml and NAME.truth.json.

    Raises:
        ConfigError: no such gymnast or flight, or an element that cannot be done.
    """
    gymnasts, others = people(shapes_path)
    if scene.gymnast > len(gymnasts):
        raise ConfigError(f"gymnast: {scene.gymnast} asked for; there are {len(gymnasts)}")
    gymnast = gymnasts[scene.gymnast - 1]
    if performance is None:
        progress("solving the routine", 0.0)
        performance = perform(scene, gymnast)
    return [
        _film(scene, out, name, routine.excerpt(performance, begin, end), gymnast, others, progress)
        for name, begin, end in windows(scene, performance)
    ]


def _sub_frames(scene: Scene) -> int:
    """So many that a gymnast at 6 m/s moves about a pixel and a half between two."""
    smear_px = 6.0 * scene.picture.exposure_s * scene.focal_px / scene.camera.distance_m
    return int(np.clip(round(smear_px / 1.5), 1, 9))


def shot_of(scene: Scene, camera: Camera, cross_s: float = 0.0) -> film.Shot:
    """How the studio draws the scene."""
    return film.Shot(
        camera,
        scene.sizes,
        fps=scene.picture.fps,
        exposure_s=scene.picture.exposure_s,
        steps=_sub_frames(scene),
        seed=scene.seed,
        crf=scene.picture.crf,
        people=tuple(scene.hall.company),
        walls=scene.hall.walls,
        second_apparatus=scene.hall.second_apparatus,
        dark_leotard=scene.hall.dark_leotard,
        light_gain=scene.light.gain,
        row_s=scene.picture.row_s,
        cross_s=cross_s,
    )


def _film(
    scene: Scene,
    out: Path,
    name: str,
    part: routine.Performance,
    gymnast: BodyShape,
    others: list[BodyShape],
    progress: Callable[[str, float], None],
) -> Clip:
    start_s = float(part.motion.t_s[0])
    seconds = float(part.motion.t_s[-1]) - start_s
    rng = np.random.default_rng([scene.seed, 5])
    p, c = scene.picture, scene.camera
    times = frame_times(seconds, p.fps, rng, p.jitter_share, p.dropped_share)
    camera = camera_of(scene)
    optics = Optics(camera, c.k1, c.k2, pad_px(scene, seconds))
    drift = Drift(radians(c.pan_deg_s), radians(c.shake_deg), scene.seed)
    sensor = Sensor(
        camera.size, scene.seed, p.exposure_s, p.row_s, scene.light.mains_hz, scene.light.flicker, p.noise,
        scene.light.glare,
    )  # fmt: skip
    cross_s = float(np.mean([f.apex_s for f in part.flights])) if part.flights else seconds / 2
    staged = film.Stage(shot_of(scene, optics.wide, start_s + cross_s), gymnast, others, part.motion)
    joints = np.empty((len(times), 14, 2))

    def pictures() -> Iterator[Bytes]:
        for i, t in enumerate(times):
            picture, joints_m = staged.frame(start_s + float(t))
            turned = drift.camera(camera, float(t))
            joints[i] = optics.project(joints_m, turned)
            progress(f"filming {name}", (i + 1) / len(times))
            yield sensor.read(optics.see(picture, turned), start_s + float(t), i)

    paths = [out / f"{name}{end}" for end in (".mp4", ".rig.toml", ".truth.json")]
    try:
        survey = _survey(scene, staged, optics, drift.camera(camera, 0.0))
        film.encode(paths[0], pictures(), times.tolist(), camera.size, p.fps, p.crf)
    finally:
        staged.release()
    paths[1].write_text(rig_text(scene, camera, optics, survey), encoding="utf-8")
    begun = replace(part, motion=replace(part.motion, t_s=part.motion.t_s - start_s)) if start_s else part
    truth.write(truth.tell(begun), paths[2])
    return Clip(paths[0], paths[1], paths[2], times, joints, survey)


def _survey(scene: Scene, staged: film.Stage, optics: Optics, first: Camera) -> dict[str, Floats]:
    """Where the first picture shows the survey points that can be seen."""
    width, height = optics.camera.size
    places = scene.sizes.survey_points(float(optics.camera.place_m[1]))
    seen = {name: optics.project(places[name], first) for name in staged.survey()}
    seen = {n: px for n, px in seen.items() if (px >= 0).all() and (px <= (width - 1, height - 1)).all()}
    if len(seen) < FEWEST_POINTS:
        raise ConfigError(
            f"camera: only {len(seen)} survey points can be seen, {FEWEST_POINTS} are needed;"
            " give less camera.zoom or another place"
        )
    return seen


def rig_text(scene: Scene, camera: Camera, optics: Optics, survey: Mapping[str, Floats]) -> str:
    """The rig file of a scene's clip."""
    words = f"{scene.camera.distance_m:.1f} m away, {scene.camera.height_m:.1f} m high"
    text = film.rig_toml(shot_of(scene, camera), survey, words, scene.apparatus.preset)
    if scene.camera.k1 or scene.camera.k2:
        text += "\n" + lens_toml(optics.lens, "camera.lens")
    return text

"""Films one flight from several places, for the lesson on parallax.

The flight is the same in every film, to the last joint; only the camera stands elsewhere. Beside each film
stand the line through mid-bar, where the bar's height really is in the flight plane, and the level lines
through its near and far ends, which is what a ruler on the screen would give.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import av
import msgspec
import numpy as np

from bridge.errors import ConfigError
from bridge.lesson import Lesson, Sight, write_lesson
from bridge.messages import Drawing, PathPoint, Quantity, RailLine, Reading, Tick
from capture.camera import Camera, view_of
from capture.rig import load_rig
from capture.studio import stage, truth
from capture.studio.scene import CameraPlace, Hall, Picture, Scene, Step

NS: Final = 1_000_000_000
FLIGHT: Final = Step(name="dismount", options={"amplitude_m": 0.1, "saltos": 1.0, "shape": "stretched"})
SIGHTS: Final = ((1.2, 10.0, 0.0), (1.6, 10.0, 0.0), (2.5, 10.0, 0.0), (4.0, 10.0, 0.0), (1.2, 6.0, 0.0))


@dataclass(frozen=True, slots=True)
class Place:
    """Where a camera stands."""

    height_m: float
    distance_m: float
    off_deg: float


PLACES: Final = tuple(Place(*s) for s in SIGHTS)


def film_lesson(
    out: Path,
    places: Sequence[Place] = PLACES,
    rows: int = 540,
    fps: float = 30.0,
    seed: int = 7,
    progress: Callable[[str, float], None] = lambda what, share: None,
) -> Lesson:
    """Film the lesson into a folder: ``sight-1.mkv`` and so on, and ``lesson.json``.

    Raises:
        ConfigError: no places, or one from which the bars cannot be surveyed.
    """
    if not places:
        raise ConfigError("name at least one place")
    scenes = [_scene(place, rows, fps, seed) for place in places]
    gymnasts, _ = stage.people()
    progress("solving the flight", 0.0)
    performance = stage.perform(scenes[0], gymnasts[scenes[0].gymnast - 1])
    out.mkdir(parents=True, exist_ok=True)
    sights = []
    for number, (place, scene) in enumerate(zip(places, scenes, strict=True), 1):
        clip = stage.film_scene(scene, out / f".sight-{number}", performance, progress)[0]
        film = f"sight-{number}.mkv"
        _to_matroska(clip.path, out / film)
        sights.append(_sight(place, scene, clip, film))
        for file in clip.path.parent.iterdir():
            file.unlink()
        clip.path.parent.rmdir()
    sizes = scenes[0].sizes
    lesson = Lesson(
        title="The same flight from several places",
        high_bar_m=sizes.high_bar_m,
        rail_length_m=sizes.rail_length_m,
        sights=tuple(sights),
    )
    write_lesson(out, lesson)
    return lesson


def _scene(place: Place, rows: int, fps: float, seed: int) -> Scene:
    return Scene(
        seed=seed,
        elements=(FLIGHT,),
        flights=(1,),
        lead_s=0.8,
        after_s=0.6,
        camera=CameraPlace(
            height_m=place.height_m,
            distance_m=place.distance_m,
            off_deg=place.off_deg,
            zoom=round(
                min(1.0, place.distance_m / 8), 2
            ),  # near by, the uprights' feet must stay in the picture
        ),
        picture=Picture(height_px=rows, fps=fps, crf=25),
        hall=Hall(walls="drape", company=()),
    )


def _sight(place: Place, scene: Scene, clip: stage.Clip, film: str) -> Sight:
    camera = view_of(load_rig(clip.rig))
    if not isinstance(camera, Camera):
        raise ConfigError("the lesson needs the bars in the picture")
    sizes = scene.sizes
    told = truth.read(clip.truth).flights[0]
    times = tuple(round(t * NS) for t in clip.t_s)
    release, apex, end = (round(s * NS) for s in (told.release_s, told.apex_s, told.end_s))
    hips = np.asarray(told.hip_path, float)  # t, x, z
    hips_px = camera.project_plane(hips[:, 1:])
    path = tuple(
        PathPoint(round(t * NS), float(x), float(y))
        for t, (x, y) in zip(hips[:, 0], hips_px, strict=True)
        if told.release_s <= t <= told.end_s
    )
    middle = next(line for line in camera.lines() if line.rail == "high")
    top = (sizes.high_bar_m, sizes.rail_length_m / 2)
    reading = Reading(
        flight="r1-f1",
        routine=1,
        number=1,
        state="settled",
        family=told.family,
        family_p=1.0,
        rail="high",
        release_ns=release,
        apex_ns=apex,
        end_ns=end,
        end_kind="landing" if told.end_kind == "landing" else "regrasp",
        apex=Quantity(float(told.apex_m), 0.0, "m"),
        drawing=Drawing(
            line=middle,
            hips=path,
            apex=_at(path, apex),
            scale=_ticks(camera, sizes.high_bar_m),
        ),
    )
    near, near_off = _level_line(camera, -top[1], top[0], "near end")
    far, far_off = _level_line(camera, top[1], top[0], "far end")
    return Sight(
        film=film,
        distance_m=place.distance_m,
        height_m=place.height_m,
        off_deg=place.off_deg,
        picture=scene.picture.size,
        times_ns=times,
        reading=reading,
        near=near,
        far=far,
        near_off_m=near_off,
        far_off_m=far_off,
    )


def _level_line(camera: Camera, y_m: float, top_m: float, label: str) -> tuple[RailLine, float]:
    """A level line through an end of the high bar, and how much too high it stands at mid-bar, m."""
    end = np.asarray(camera.project((0.0, y_m, top_m)), float)
    middle = np.asarray(camera.project((0.0, 0.0, top_m)), float)
    width = float(camera.picture[0])
    line = RailLine(rail="line", a=(0.0, float(end[1])), b=(width - 1, float(end[1])), u_px=0.0, label=label)
    z_m = float(camera.to_plane((middle[0], end[1]))[1])
    return line, z_m - top_m


def _ticks(camera: Camera, top_m: float) -> tuple[Tick, ...]:
    cms = range(-60, 61, 10)
    places = camera.project_plane([(0.0, top_m + cm / 100) for cm in cms])
    return tuple(Tick(cm, float(x), float(y)) for cm, (x, y) in zip(cms, places, strict=True))


def _at(path: Sequence[PathPoint], t_ns: int) -> tuple[float, float]:
    times = [p.t_ns for p in path]
    x = float(np.interp(t_ns, times, [p.x for p in path]))
    return x, float(np.interp(t_ns, times, [p.y for p in path]))


def _to_matroska(source: Path, target: Path) -> None:
    """The same pictures in the container that the clinic plays."""
    with av.open(str(source)) as read, av.open(str(target), "w", format="matroska") as written:
        film = read.streams.video[0]
        stream: Any = written.add_stream_from_template(film)
        for packet in read.demux(film):
            if packet.dts is not None:
                packet.stream = stream
                written.mux(packet)


def places_of(texts: Sequence[str]) -> list[Place]:
    """Places as typed: ``height,distance,off`` in m, m and degrees; off may be left out.

    Raises:
        ConfigError: something else was typed, or a place no camera of the studio can take.
    """
    found = []
    for text in texts:
        try:
            numbers = [float(n) for n in text.split(",")]
            place = Place(*(numbers if len(numbers) == 3 else [*numbers, 0.0]))
            told = {"height_m": place.height_m, "distance_m": place.distance_m, "off_deg": place.off_deg}
            msgspec.convert(told, CameraPlace)
        except (ValueError, TypeError, msgspec.ValidationError) as error:
            raise ConfigError(f"place {text!r}: give height,distance or three numbers ({error})") from error
        found.append(place)
    return found

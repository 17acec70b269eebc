"""Studio pictures for the joint bench: 1920 x 1080, the camera 10 m from the high rail.

Stills show moments of a whole routine in all orientations, each arena with other clothes, another
gymnast and another camera place; films show flights of it as they are followed. Both are rendered on
demand and kept in the cache folder until the studio changes. A scale of 195 px a metre at the
rail makes 3 px there 1.5 cm.
"""

from __future__ import annotations

import functools
import hashlib
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import cv2
import numpy as np
import platformdirs
from numpy.typing import NDArray

from bridge.errors import ConfigError
from capture.bench.networks import ORIENTATIONS, Look, orientation
from capture.follow import Joints
from capture.joints import Crop

if TYPE_CHECKING:
    from capture.studio.body import BodyShape
    from capture.studio.figure import Motion
    from capture.studio.film import Shot
    from capture.studio.routine import Performance

Floats = NDArray[np.float64]
Image = NDArray[np.uint8]
Progress = Callable[[str, float], None]

# Seeds from here on belong to the bench: no training renders with them.
RESERVED_SEED: Final = 1_000_000
DISTANCE_M: Final = 10.0
PX_PER_M: Final = 195.0  # at the high rail
HEIGHT_M: Final = (1.5, 2.5)
OFF_DEG: Final = 25.0
EXPOSURES_S: Final = (1 / 250, 1 / 500, 1 / 1000)
IN_ONE_ARENA: Final = 24  # stills
MARGIN: Final = 1.5  # of a stored window, in sides of the crop
JPEG_QUALITY: Final = 92
FPS: Final = 60.0
LEAD_S: Final = 1.2  # of a film before the release
FILMS: Final = 3  # each of another flight, in another arena


@dataclass(frozen=True, slots=True)
class Still:
    """A window of a frame round the gymnast."""

    bgr: Image
    joints_px: Floats  # (14, 2) in the window, pixel centres at integers
    crop: Crop  # a little off the joints' own, as a following one is
    airborne: bool


@dataclass(frozen=True, slots=True)
class Film:
    """A followed clip with its truth."""

    path: Path
    rig: Path
    joints_px: Floats  # (N, 14, 2)


def look(still: Still, joints: Joints) -> Look:
    """Run the joint network on a still."""
    return Look(still.joints_px, joints(still.bgr, still.crop), still.airborne)


def cache_folder() -> Path:
    """Where rendered pictures are kept, one folder for each state of the studio."""
    digest = hashlib.sha256()
    studio = Path(str(resources.files("capture"))) / "studio"
    for path in [*sorted(studio.glob("*.py")), *sorted(studio.glob("*.npz"))]:
        if not path.name.startswith(("train_", "export", "joint_net")):
            digest.update(path.read_bytes())
    digest.update(Path(__file__).read_bytes())
    return platformdirs.user_cache_path("railcrest") / "bench" / digest.hexdigest()[:16]


def stills(count: int, seed: int, folder: Path, progress: Progress) -> list[Still]:
    """``count`` stills of a bench seed (0 up), from the folder or rendered into it.

    Raises:
        ConfigError: the studio's libraries are not installed.
    """
    path = folder / f"stills-{seed}-{count}.npz"
    if not path.exists():
        progress("solving the routine", 0.0)
        performance, gymnasts, others = _performance()
        made = render_stills(count, seed, performance, gymnasts, others, progress)
        path.parent.mkdir(parents=True, exist_ok=True)
        _save(path, made)
    return _load(path)


def films(seconds: float, seed: int, folder: Path, progress: Progress) -> list[Film]:
    """Clips of different flights, each ``seconds`` long, from the folder or filmed into it.

    Raises:
        ConfigError: the studio's libraries are not installed.
    """
    return [_film(number, seconds, seed, folder, progress) for number in range(FILMS)]


def _film(number: int, seconds: float, seed: int, folder: Path, progress: Progress) -> Film:
    name = f"film-{seed}-{seconds:g}-{number}"
    truth = folder / f"{name}.npy"
    if not truth.exists():
        progress("solving the routine", 0.0)
        performance, gymnasts, others = _performance()
        from capture.studio import film as filming

        flight = performance.flights[number % len(performance.flights)]
        folder.mkdir(parents=True, exist_ok=True)
        times_s = max(0.0, flight.release_s - LEAD_S) + np.arange(round(seconds * FPS)) / FPS
        shot = _shot(performance, np.random.default_rng([RESERVED_SEED + seed, number, 2]))
        motion = performance.motion.at(times_s)
        progress(f"filming {flight.family}", 0.0)
        made: Any = filming.film(
            shot,
            motion,
            gymnasts[0],
            others,
            folder,
            name,
            lambda share: progress(f"filming {flight.family}", share),
        )
        # Every survey point at its true place, hidden or not: the networks are tried here, not the survey.
        survey = shot.sizes.survey_points(float(shot.camera.place_m[1]))
        points = {name: shot.camera.project(place_m) for name, place_m in survey.items()}
        made.rig.write_text(filming.rig_toml(shot, points, "the bench"), encoding="utf-8")
        np.save(truth, shot.camera.project(made.joints_m))
    return Film(folder / f"{name}.mp4", folder / f"{name}.rig.toml", np.load(truth))


@functools.cache
def _performance() -> tuple[Performance, list[BodyShape], list[BodyShape]]:
    """A routine, gymnasts of whom the first performs it, and others."""
    try:
        from capture.studio import body, routine
    except ModuleNotFoundError as error:
        raise ConfigError(
            f"the bench needs {error.name}: install the studio with pip install -e '.[studio]'"
        ) from error
    people = body.shapes()
    gymnasts = [p for p in people if p.name.startswith("gymnast")]
    others = [p for p in people if not p.name.startswith("gymnast")]
    return routine.demo_routine(gymnasts[0].skeleton, routine.Rig()), gymnasts, others


def _shot(performance: Performance, rng: np.random.Generator) -> Shot:
    """A camera place 10 m away, and an arena."""
    from capture.studio import film as filming

    sizes = filming.sizes_of(performance.rig)
    camera = filming.side_on(
        sizes,
        DISTANCE_M,
        float(rng.uniform(*HEIGHT_M)),
        math.radians(float(rng.uniform(-OFF_DEG, OFF_DEG))),
        focal_px=PX_PER_M * DISTANCE_M,
    )
    return filming.Shot(
        camera,
        sizes,
        fps=FPS,
        exposure_s=float(rng.choice(EXPOSURES_S)),
        seed=RESERVED_SEED + int(rng.integers(RESERVED_SEED)),
    )


def worn_by(performance: Performance, shape: BodyShape) -> Motion:
    """The routine's motion with another body: the same angles, and hands or feet where they were.

    In the air the hips stay where they were. At the ends of contact the body jumps: for stills only.
    """
    from capture.studio.figure import Motion, segments

    motion = performance.motion
    was, now = segments(motion, performance.skeleton), segments(motion, shape.skeleton)
    shift = np.zeros_like(motion.root_m)
    for start_s, end_s, contact in performance.contacts:
        if contact != "air":
            held = "ankle" if contact == "mat" else "grip"
            at = (motion.t_s >= start_s) & (motion.t_s <= end_s)
            shift[at] = (was[held][at] - now[held][at]).mean(axis=1)
    return Motion(motion.t_s, motion.root_m + shift, motion.pelvis, motion.posture)


def render_stills(
    count: int,
    seed: int,
    performance: Performance,
    gymnasts: Sequence[BodyShape],
    others: Sequence[BodyShape],
    progress: Progress,
) -> list[Still]:
    """Draw stills, every orientation as often."""
    from capture.studio.film import Stage

    made: list[Still] = []
    for arena in range(-(-count // IN_ONE_ARENA)):
        rng = np.random.default_rng([RESERVED_SEED + seed, arena])
        shot, gymnast = _shot(performance, rng), gymnasts[arena % len(gymnasts)]
        motion = worn_by(performance, gymnast)
        times_s = np.arange(motion.t_s[0], motion.t_s[-1], 1 / FPS)
        in_air = np.array(
            [any(a < t < b and what == "air" for a, b, what in performance.contacts) for t in times_s]
        )
        lie = np.array([orientation(px) for px in shot.camera.project(gymnast.joints(motion.at(times_s)))])
        # Seen from the side everybody hangs, turns over and stands somewhere in a routine.
        choices = [np.flatnonzero(in_air if o == "airborne" else lie == o) for o in ORIENTATIONS]
        choices = [c for c in choices if len(c)]
        stage = Stage(shot, gymnast, others, motion)
        try:
            for _ in range(min(IN_ONE_ARENA, count - len(made))):
                at = int(rng.choice(choices[len(made) % len(choices)]))
                frame, joints_m = stage.frame(float(times_s[at]))
                px = shot.camera.project(joints_m).astype(np.float64)
                made.append(_still(frame, px, bool(in_air[at]), rng))
                progress(f"rendering still {len(made)} of {count}", len(made) / count)
        finally:
            stage.release()
    return made


def _still(rgb: Image, joints_px: Floats, airborne: bool, rng: np.random.Generator) -> Still:
    """The window of a frame that the crop, a little off, needs."""
    close = Crop.round_points(joints_px)
    # As in the calibration: a square that follows is never quite in the middle, nor of the right size.
    off = rng.normal(0, 0.04, 3)
    x, y, side = close.x + off[0] * close.side, close.y + off[1] * close.side, close.side * math.exp(off[2])
    height, width = rgb.shape[:2]
    half = MARGIN * side / 2
    left, top = max(0, int(x - half)), max(0, int(y - half))
    right, bottom = min(width, int(x + half)), min(height, int(y + half))
    bgr = np.ascontiguousarray(rgb[top:bottom, left:right, ::-1])
    return Still(bgr, joints_px - (left, top), Crop(x - left, y - top, side), airborne)


def _save(path: Path, made: Sequence[Still]) -> None:
    coded = [cv2.imencode(".jpg", s.bgr, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])[1].ravel() for s in made]
    new = path.with_suffix(".new.npz")
    np.savez(
        new,
        coded=np.concatenate(coded),
        ends=np.cumsum([len(c) for c in coded]),
        joints=np.stack([s.joints_px for s in made]),
        crops=np.array([(s.crop.x, s.crop.y, s.crop.side) for s in made]),
        airborne=np.array([s.airborne for s in made]),
    )
    new.replace(path)  # a bench that is stopped leaves no half a file under the name


def _load(path: Path) -> list[Still]:
    with np.load(path) as data:
        pieces = np.split(data["coded"], data["ends"][:-1])
        pictures = [np.asarray(cv2.imdecode(piece, cv2.IMREAD_COLOR), np.uint8) for piece in pieces]
        return [
            Still(picture, joints, Crop(*(float(v) for v in crop)), bool(airborne))
            for picture, joints, crop, airborne in zip(
                pictures, data["joints"], data["crops"], data["airborne"], strict=True
            )
        ]

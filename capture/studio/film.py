"""Films a performance in the rehearsal arena, as a fixed camera of the hall would.

The camera and the arena stand still, so the empty arena is drawn once; of every frame only the
windows round people are drawn again, a few sub-frames to an exposure, and laid over it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields
from fractions import Fraction
from pathlib import Path
from typing import Any, Final

import av
import numpy as np
from numpy.typing import NDArray

from capture.studio import arena, scenery
from capture.studio.body import REGION, BodyShape, labelled_joints, part_transforms
from capture.studio.figure import Motion, Posture, frames, segments
from capture.studio.renderer import Camera, Dressed, Light, Posed, Renderer, blend

Floats = NDArray[np.floating[Any]]
Bytes = NDArray[np.uint8]

Window = tuple[int, int, int, int]  # left, top, right, bottom, px

PICTURE: Final = (1920, 1080)
_TICKS: Final = 60_000  # of the file's clock in a second
_SKIN_M: Final = 0.17  # how far skin, hands and feet reach beyond the labelled joints
_STEP_PX: Final = 64  # windows come in multiples of this
_GRASP_M: Final = 0.07  # hands closer than this to a rail's axis are closed round it


@dataclass(frozen=True, slots=True)
class Shot:
    """How a performance is filmed."""

    camera: Camera
    sizes: arena.Sizes = field(default_factory=arena.Sizes)
    fps: float = 60.0
    exposure_s: float = 1 / 500
    steps: int = 3  # sub-frames in an exposure
    seed: int = 0  # arena, clothes and bystanders
    crf: int = 21
    company: bool = True  # whether those of ``people`` are there
    people: tuple[str, ...] = ("coach", "passer_by")  # of COMPANY
    walls: str = "crowd"  # as of `arena.meshes`
    second_apparatus: bool = False
    dark_leotard: bool = False
    light_gain: float = 1.0
    row_s: float = 0.0  # between one row's exposure and the next's
    cross_s: float = 0.0  # when a crossing coach is before the rails


def side_on(
    sizes: arena.Sizes,
    distance_m: float = 10.0,
    height_m: float = 1.6,
    off_rad: float = np.radians(10),
    focal_px: float = 1950.0,
    picture: tuple[int, int] = PICTURE,
    target_z_m: float = 2.35,
) -> Camera:
    """A camera at negative y that frames both rails, the floor and the highest flight.

    distance_m: from the middle of the high rail, level; off_rad: off the rails' direction, + with
    the camera on the high rail's side.
    """
    place = np.array([-distance_m * np.sin(off_rad), -distance_m * np.cos(off_rad), height_m])
    return Camera.looking(place, np.array([sizes.spread_m / 2, 0.0, target_z_m]), focal_px, picture)


def sizes_of(rig: Any) -> arena.Sizes:
    """The arena's sizes for a performance's rig: whatever sizes that names, the norms' for the rest."""
    names = {f.name for f in fields(arena.Sizes)}
    return arena.Sizes(**{name: float(getattr(rig, name)) for name in names if hasattr(rig, name)})


@dataclass(frozen=True, slots=True)
class Role:
    """A person in the film."""

    who: Dressed
    motion: Callable[[Floats], Motion]  # of times (T,) s
    gymnast: bool = False


class Stage:
    """An arena with its people, ready to be filmed."""

    def __init__(self, shot: Shot, gymnast: BodyShape, others: Sequence[BodyShape], motion: Motion) -> None:
        self.shot = shot
        self.renderer = Renderer()
        rng = np.random.default_rng([shot.seed, 4])
        near = float(np.sign(shot.camera.place_m[1])) or -1.0
        built = arena.meshes(shot.sizes, rng, shot.walls, shot.second_apparatus, -near)
        self.scene = [self.renderer.place(m) for m in built]
        self.light = Light(
            sun_colour=(0.42, 0.41, 0.39),
            sky=(0.60, 0.61, 0.64),
            ground=(0.36, 0.35, 0.34),
            gain=shot.light_gain,
        )
        wear = scenery.leotard(gymnast, rng)
        if shot.dark_leotard:
            cloth = np.isin(gymnast.region, [REGION["torso"], REGION["sleeve"]])
            wear[cloth] = 0.04 + 0.10 * wear[cloth]
        self.roles = [Role(self.renderer.dress(gymnast, wear), motion.at, gymnast=True)]
        if shot.company and others:
            for name in shot.people:
                if name == "second_gymnast":
                    moves = _waiting(gymnast, shot, rng, -near)
                    self.roles.append(
                        Role(self.renderer.dress(gymnast, scenery.leotard(gymnast, rng)), moves)
                    )
                    continue
                shape = others[int(rng.integers(len(others)))]
                moves = _path(COMPANY[name], shape, shot, near)
                self.roles.append(Role(self.renderer.dress(shape, scenery.tracksuit(shape, rng)), moves))
        self.empty = self.renderer.draw(shot.camera, [], self.scene, self.light).copy()
        self.depth = self.renderer.depths(shot.camera)

    def frame(self, t_s: float) -> tuple[Bytes, Floats]:
        """The picture (h, w, 3) RGB exposed round ``t_s``, and the gymnast's joints (14, 3) m then."""
        shot = self.shot
        offsets = (np.arange(shot.steps) - (shot.steps - 1) / 2) / shot.steps * shot.exposure_s
        rolled = self._rolled(t_s) if shot.row_s else None
        middle = shot.camera.size[1] / 2
        readout = np.zeros(1) if rolled is None else (np.array(rolled[1::2]) - middle) * shot.row_s
        # Of each sub-frame when the gymnast's first row and her last are exposed; the nominal time last.
        times = t_s + np.append((offsets[:, None] + readout).ravel(), 0.0)
        poses: list[tuple[Window, Dressed, Floats, float]] = []
        boxes: list[tuple[Window, bool]] = []
        shadows = []
        joints = np.empty((14, 3))
        for role in self.roles:
            motion, shape = role.motion(times), role.who.shape
            joint = segments(motion, shape.skeleton)
            closed = float(role.gymnast and self._grasps(joint["grip"][-1]))
            transforms = part_transforms(shape, joint, frames(motion, shape.skeleton))
            labels = labelled_joints(joint)
            if role.gymnast:
                joints = labels[-1]
            box = rolled if role.gymnast and rolled else self._box(_ends(joint), _SKIN_M)
            if box is not None:
                boxes.append((box, role.gymnast))
                poses.append((box, role.who, transforms, closed))
            x, y, z = motion.root_m[-1]
            ground = shot.sizes.mat_m if abs(y) < 1.1 else 0.0
            dark = 0.5 * float(np.exp(-0.7 * max(z - ground - 0.8, 0)))
            radius = 0.45 + 0.12 * (z - ground)
            shadows.append([x, y, radius, dark])
            if dark > 0.02:
                shade = self._box(np.array([[x, y, ground]]), 2.2 * radius, flat=True)
                boxes += [] if shade is None else [(shade, False)]
        image = self.empty.copy()
        lit = np.array(shadows)
        # Every window shows all that falls into it; the gymnast's, drawn last, lies over the others.
        for window, moving in sorted(boxes, key=lambda b: b[1]):
            x0, y0, x1, y1 = window
            # Only the gymnast moves enough to smear and to shear.
            steps = range(0, len(times) - 1, len(readout)) if moving else (len(times) - 1,)
            rolls = moving and len(readout) > 1
            camera = shot.camera.window(x0, y0, x1 - x0, y1 - y0)
            takes = [
                self.renderer.draw(
                    camera,
                    [
                        Posed(who, t[step], closed, t[step + 1] if rolls else None)
                        for box, who, t, closed in poses
                        if _meet(box, window)
                    ],
                    self.scene,
                    self.light,
                    shadows=lit,
                )
                for step in steps
            ]
            image[y0:y1, x0:x1] = blend(takes)
        return image, joints

    def _rolled(self, t_s: float) -> Window | None:
        """The window that the gymnast is in while any of a rolling shutter's rows is exposed."""
        shot = self.shot
        half = (shot.camera.size[1] * shot.row_s + shot.exposure_s) / 2
        motion = self.roles[0].motion(t_s + np.array([-half, 0.0, half]))
        return self._box(_ends(segments(motion, self.roles[0].who.shape.skeleton)), _SKIN_M)

    def _grasps(self, grips: Floats) -> bool:
        return any(
            bool((np.hypot(grips[:, 0] - x, grips[:, 2] - z) < _GRASP_M).any())
            for x, z in self.shot.sizes.rails().values()
        )

    def _box(self, points: Floats, margin_m: float, flat: bool = False) -> Window | None:
        """The window that holds points and a margin; None if out of the picture."""
        reach = margin_m * np.array(
            [[a, b, c] for a in (-1, 1) for b in (-1, 1) for c in ((0,) if flat else (-1, 1))]
        )
        px = self.shot.camera.project((points[:, None] + reach).reshape(-1, 3))
        width, height = self.shot.camera.size
        if not np.isfinite(px).all():
            return 0, 0, width, height
        low, high = np.floor(px.min(axis=0)), np.ceil(px.max(axis=0)) + 1
        if (high < 0).any() or low[0] >= width or low[1] >= height:
            return None
        x0, y0 = (int(max(v, 0)) for v in low)
        x1, y1 = int(min(high[0], width)), int(min(high[1], height))
        # Few sizes, so that few targets are needed on the device.
        x1, y1 = (
            min(x0 + -(-(x1 - x0) // _STEP_PX) * _STEP_PX, width),
            min(y0 + -(-(y1 - y0) // _STEP_PX) * _STEP_PX, height),
        )
        return (
            max(0, x1 - -(-(x1 - x0) // _STEP_PX) * _STEP_PX),
            max(0, y1 - -(-(y1 - y0) // _STEP_PX) * _STEP_PX),
            x1,
            y1,
        )

    def survey(self) -> dict[str, Floats]:
        """Picture places (2,) of the survey points that can be seen."""
        camera = self.shot.camera
        found = {}
        width, height = camera.size
        for name, place in self.shot.sizes.survey_points(float(camera.place_m[1])).items():
            px = camera.project(place)
            column, row = (round(float(v)) for v in px)
            inside = 0 <= column < width and 0 <= row < height
            if inside and self.depth[row, column] > camera.depth(place) - 0.2:
                found[name] = px
        return found

    def release(self) -> None:
        """Give the graphics device back."""
        self.renderer.release()


def _ends(joint: dict[str, Floats]) -> Floats:
    """Places (N, 3) that the body's skin lies round."""
    ends = (labelled_joints(joint), joint["toe"], joint["grip"])
    return np.concatenate([np.asarray(v).reshape(-1, 3) for v in ends])


def _meet(a: Window, b: Window) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def _posture(n: int, **angles: Floats | float) -> Posture:
    """Arms hanging and legs straight but for what is given, (n,) or (n, 2)."""
    sides = ("shoulder", "shoulder_spread", "elbow", "hip", "hip_spread", "knee", "ankle")
    both = {k: np.broadcast_to(np.asarray(angles.get(k, 0.0), float), (n, 2)) for k in sides}
    one = {k: np.broadcast_to(np.asarray(angles.get(k, 0.0), float), (n,)) for k in ("spine", "neck")}
    return Posture(**one, **both)


def _heading(angle_rad: float, n: int) -> Floats:
    c, s = np.cos(angle_rad), np.sin(angle_rad)
    return np.broadcast_to(np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]]), (n, 3, 3))


def _coach(t: Floats, shape: BodyShape, shot: Shot, near: float) -> Motion:
    """Stands behind the rails and shifts from foot to foot."""
    sway = np.sin(0.7 * t)
    n = len(t)
    arms = np.stack([0.5 + 0.06 * sway, 0.45 - 0.05 * sway], axis=-1)
    posture = _posture(n, shoulder=arms, elbow=1.75, shoulder_spread=0.12, neck=-0.15, spine=0.03 * sway)
    height = shape.skeleton.thigh_m + shape.skeleton.shank_m + 0.08
    root = np.stack([-1.75 + 0.015 * sway, np.full(n, 2.3), np.full(n, height)], axis=-1)
    return Motion(t, root, _heading(-0.6, n), posture)


def _passer_by(t: Floats, shape: BodyShape, shot: Shot, near: float) -> Motion:
    """Walks to and fro beyond the mats."""
    return _walking(t, shape, 5.2, 2.0)


def _crossing(t: Floats, shape: BodyShape, shot: Shot, near: float) -> Motion:
    """A coach who walks between the camera and the rails, before mid-apparatus at ``cross_s``."""
    return _walking(t - shot.cross_s, shape, 2.4 * near, 5.2)


def _spotter(t: Floats, shape: BodyShape, shot: Shot, near: float) -> Motion:
    """Stands on the mat by the high rail with arms ready."""
    sway = np.sin(1.1 * t)
    n = len(t)
    arms = np.stack([1.25 + 0.08 * sway, 1.15 - 0.08 * sway], axis=-1)
    posture = _posture(n, shoulder=arms, elbow=0.9, hip=0.12, knee=0.15, neck=-0.35)
    height = shape.skeleton.thigh_m + shape.skeleton.shank_m + 0.06 + shot.sizes.mat_m
    root = np.stack([np.full(n, -0.9), np.full(n, -0.95 * near), np.full(n, height)], axis=-1)
    return Motion(t, root, _heading(0.5 * near, n), posture)


def _walking(t: Floats, shape: BodyShape, y_m: float, start_m: float) -> Motion:
    """To and fro along x at one distance, ``start_m`` from one end at 0 s."""
    pace, length = 1.25, 9.0  # m/s, m
    way = np.mod(pace * t + start_m, 2 * length)
    out = way < length
    x = np.where(out, way, 2 * length - way) - length / 2
    step = 2 * np.pi * pace * t / 1.35  # one stride of two steps in 1.35 m
    n = len(t)
    swing = np.stack([np.sin(step), -np.sin(step)], axis=-1)
    lift = np.stack([np.cos(step), -np.cos(step)], axis=-1)
    legs = 0.42 * swing
    knees = 0.12 + 0.5 * np.clip(lift, 0, 1)
    posture = _posture(n, hip=legs, knee=knees, shoulder=-0.4 * swing, elbow=0.35, spine=0.05)
    leg = shape.skeleton.thigh_m + shape.skeleton.shank_m
    reach = shape.skeleton.thigh_m * np.cos(legs) + shape.skeleton.shank_m * np.cos(legs - knees)
    root = np.stack([x, np.full(n, y_m), np.minimum(reach.max(axis=1), leg) + 0.08], axis=-1)
    facing = np.where(out[:, None, None], _heading(0.0, n), _heading(np.pi, n))
    return Motion(t, root, facing, posture)


COMPANY: Final[dict[str, Callable[[Floats, BodyShape, Shot, float], Motion]]] = {
    "coach": _coach,
    "passer_by": _passer_by,
    "coach_crossing": _crossing,
    "spotter": _spotter,
}


def _path(
    move: Callable[[Floats, BodyShape, Shot, float], Motion], shape: BodyShape, shot: Shot, near: float
) -> Callable[[Floats], Motion]:
    return lambda t: move(np.asarray(t, float), shape, shot, near)


def _waiting(
    gymnast: BodyShape, shot: Shot, rng: np.random.Generator, behind: float
) -> Callable[[Floats], Motion]:
    """A second gymnast who warms up behind the apparatus, over and over."""
    from capture.studio import routine, score

    rig = routine.Rig(mat_m=0.0)
    waits = score.compose(score.waiting_score(rng), gymnast.skeleton, rig).motion
    waits = routine.placed(waits, (-1.2, 3.4 * behind, 0.0))
    return lambda t: waits.at(np.mod(np.asarray(t, float), waits.t_s[-1]))


# ---------------------------------------------------------------- files


def encode(
    path: Path,
    pictures: Iterator[Bytes],
    times_s: Sequence[float],
    size: tuple[int, int],
    fps: float,
    crf: int,
) -> None:
    """Write H.264: closed GOPs of half a second, no B-frames, each picture at its own time.

    path: .mp4 (times exact to 1/60000 s) or .mkv (whole milliseconds, as Matroska keeps them).
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    gop = max(1, round(fps / 2))
    with av.open(str(path), "w") as container:
        stream: Any = container.add_stream("libx264", rate=Fraction(fps).limit_denominator(1001))
        stream.width, stream.height, stream.pix_fmt = size[0], size[1], "yuv420p"
        stream.codec_context.time_base = Fraction(1, _TICKS)
        stream.time_base = Fraction(1, _TICKS)
        stream.options = {
            "crf": str(crf),
            "preset": "medium",
            "x264-params": f"bframes=0:keyint={gop}:min-keyint={gop}:scenecut=0:open-gop=0"
            ":colorprim=bt709:transfer=bt709:colormatrix=bt709",
        }
        for t, picture in zip(times_s, pictures, strict=True):
            frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(picture), format="rgb24")
            frame = frame.reformat(format="yuv420p", dst_colorspace="ITU709")
            frame.pts, frame.time_base = round(t * _TICKS), Fraction(1, _TICKS)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


def rig_toml(shot: Shot, points: Mapping[str, Floats], place: str, preset: str = "senior") -> str:
    """The rig file of a shot: its sizes and the survey points that can be seen."""
    s = shot.sizes
    lines = [
        "format = 1",
        "",
        "[apparatus]",
        f'preset = "{preset}"',
        *(
            f"{name} = {getattr(s, name):.3f}"
            for name in (
                "high_bar_m",
                "low_bar_m",
                "inner_diagonal_m",
                "rail_length_m",
                "rail_diameter_m",
                "mat_m",
            )
        ),
        f"upright_offset_m = {s.upright_y_m:.3f}",
        f'low_bar_side = "{"right" if shot.camera.place_m[1] < 0 else "left"}"',
        "",
        "[camera]",
        f"picture = [{shot.camera.size[0]}, {shot.camera.size[1]}]",
        "pixel_u = 0.5",
        f'place = "{place}"',
    ]
    for name, px in points.items():
        lines += ["", "[[camera.points]]", f'name = "{name}"', f"px = [{px[0]:.3f}, {px[1]:.3f}]"]
    return "\n".join(lines) + "\n"


@dataclass(frozen=True, slots=True)
class Film:
    """What was filmed."""

    path: Path
    rig: Path
    t_s: Floats  # (N,) mid-exposure of each frame
    joints_m: Floats  # (N, 14, 3) the gymnast's, world


def film(
    shot: Shot,
    motion: Motion,
    gymnast: BodyShape,
    others: Sequence[BodyShape],
    out: Path,
    name: str = "film",
    progress: Callable[[float], None] = lambda share: None,
) -> Film:
    """Film a whole motion into ``out``/``name``.mp4 with its rig file; times run from the motion's first.

    The motion must be that of ``gymnast.skeleton``.
    """
    start, end = float(motion.t_s[0]), float(motion.t_s[-1])
    count = int((end - start) * shot.fps) + 1
    times = np.arange(count) / shot.fps
    stage = Stage(shot, gymnast, others, motion)
    joints = np.empty((count, 14, 3))

    def pictures() -> Iterator[Bytes]:
        for i, t in enumerate(times):
            picture, joints[i] = stage.frame(start + float(t))
            progress((i + 1) / count)
            yield picture

    try:
        path = out / f"{name}.mp4"
        encode(path, pictures(), times.tolist(), shot.camera.size, shot.fps, shot.crf)
        rig = out / f"{name}.rig.toml"
        place = shot.camera.place_m
        words = f"{np.hypot(place[0], place[1]):.1f} m away, {place[2]:.1f} m high"
        rig.write_text(rig_toml(shot, stage.survey(), words), encoding="utf-8")
    finally:
        stage.release()
    return Film(path, rig, times, joints)

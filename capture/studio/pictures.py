"""Training pictures with exact joints and boxes, made by the studio.

Every picture is drawn from its own seed, so picture i of a seed is always the same one. Needs
body shapes, numpy, OpenCV and an EGL device; not the body model itself. One `Maker` a process.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any, Final, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from capture.studio import arena, scenery
from capture.studio.body import BodyShape, shapes
from capture.studio.postures import BYSTANDER, Figure, choose, posed
from capture.studio.renderer import Camera, Dressed, Light, Placed, Posed, Renderer, blend

Floats = NDArray[np.floating[Any]]
Bytes = NDArray[np.uint8]
Random = np.random.Generator

GYMNAST: Final = 0  # box classes
OTHER: Final = 1
VISIBLE, HIDDEN, OUTSIDE = 2, 1, 0
# How deep under the skin each joint lies at most, m (`bridge.skeleton` order): what lies nearer
# to the camera than that hides it.
_UNDER_SKIN_M: Final = np.array(
    [0.07, 0.09, 0.17, 0.17, 0.09, 0.07, 0.06, 0.07, 0.10, 0.10, 0.07, 0.06, 0.12, 0.07]
)
_GENERATION: Final = 48  # pictures drawn with one set of arenas and clothes


@dataclass(frozen=True, slots=True)
class Picture:
    """A crop round one person."""

    image: Bytes  # (size, size, 3) RGB
    joints: Floats  # (14, 3) x, y (px, centres at integers), 2 visible / 1 hidden / 0 outside


@dataclass(frozen=True, slots=True)
class Frame:
    """A whole frame for a detector."""

    image: Bytes  # (h, w, 3) RGB
    boxes: Floats  # (n, 5) left, top, right, bottom (px), class: 0 the gymnast, 1 somebody else
    joints: Floats  # (14, 3) of the gymnast; all NaN, 0 when there is none


class Maker:
    """Makes pictures by number.

    backgrounds: pictures (h, w, 3) RGB used besides the invented ones.
    """

    def __init__(
        self,
        people: Sequence[BodyShape],
        seed: int,
        size: int = 288,
        frame_size: tuple[int, int] = (640, 360),
        backgrounds: Sequence[Bytes] = (),
        samples: int = 4,
    ) -> None:
        self.seed, self.size, self.frame_size = seed, size, frame_size
        self.gymnast_shapes = [p for p in people if p.name.startswith("gymnast")]
        self.other_shapes = [p for p in people if not p.name.startswith("gymnast")]
        self.backgrounds = list(backgrounds)
        self.renderer = Renderer(samples)
        self._generation = -1
        self._gymnasts: list[Dressed] = []
        self._others: list[Dressed] = []
        self._halls: list[list[Placed]] = []
        self._rails: list[Placed] = []
        self._sizes: list[arena.Sizes] = []
        self._backdrops: list[Any] = []

    def _renew(self, generation: int) -> None:
        """New clothes, arenas and backdrops, the same for the same generation."""
        if generation == self._generation:
            return
        rng, draw = np.random.default_rng([self.seed, generation, 1]), self.renderer
        for person in (*self._gymnasts, *self._others):
            person.release()
        for mesh in (*self._rails, *(m for hall in self._halls for m in hall)):
            mesh.release()
        for texture in self._backdrops:
            texture.release()

        def some(people: list[BodyShape], n: int) -> list[BodyShape]:
            return [people[i] for i in rng.choice(len(people), n)]

        self._gymnasts = [draw.dress(s, scenery.leotard(s, rng)) for s in some(self.gymnast_shapes, 8)]
        self._others = [draw.dress(s, scenery.tracksuit(s, rng)) for s in some(self.other_shapes, 5)]
        self._sizes = [
            arena.Sizes(
                high_bar_m=2.5 + d,
                low_bar_m=1.7 + d,
                inner_diagonal_m=rng.uniform(1.5, 1.8),
                mat_m=rng.choice([0.1, 0.2]),
            )
            for d in rng.choice([0.0, -0.05, 0.05], 3)
        ]
        self._halls = [[draw.place(m) for m in (*arena.hall(rng), arena.mats(s, rng))] for s in self._sizes]
        self._rails = [draw.place(arena.apparatus(s, rng)) for s in self._sizes]
        made = [scenery.backdrop(rng) for _ in range(6)]
        given = (
            [self.backgrounds[i] for i in rng.choice(len(self.backgrounds), 12)] if self.backgrounds else []
        )
        self._backdrops = [draw.texture(b) for b in (*made, *given)]
        self._generation = generation

    # ------------------------------------------------------------ crops

    def crop(self, number: int) -> Picture:
        """Picture ``number``: one gymnast large, joints labelled."""
        self._renew(number // _GENERATION)
        for attempt in range(20):
            # A person whom others hide nearly whole teaches nothing: draw again, alone in the end.
            made = self._try_crop(np.random.default_rng([self.seed, number, 2, attempt]), attempt < 3)
            if (made.joints[:, 2] == VISIBLE).sum() >= 5:
                break
        return made

    def _try_crop(self, rng: Random, company: bool) -> Picture:
        which = int(rng.integers(len(self._halls)))
        sizes, family = self._sizes[which], choose(rng)
        times, speed = _exposure(rng)
        rail_x, rail_z = list(sizes.rails().values())[0 if rng.random() < 0.7 else 1]
        if family.hands != "free":
            at = np.array([rail_x, rng.uniform(-0.5, 0.5), rail_z])
        elif family.stands:
            at = np.array([rng.uniform(-5, 6), rng.uniform(-1, 1), sizes.mat_m])
        else:
            at = np.array([rng.uniform(-2.5, 3.5), rng.uniform(-0.4, 0.4), rng.uniform(0.9, 3.6)])
        dressed = self._gymnasts[rng.integers(len(self._gymnasts))]
        person = posed(rng, dressed.shape, family, at, times, speed)

        camera = _close_camera(rng, person.joints, self.size)
        cast = [(dressed, person)]
        if company and rng.random() < 0.3:
            cast.append(self._bystander(rng, camera, person, sizes, times))
        image = self._expose(rng, camera, cast, which, len(times))
        depth = self.renderer.depths(camera)
        return Picture(_develop(rng, image), _label(camera, person.joints, depth))

    def _bystander(
        self, rng: Random, camera: Camera, person: Figure, sizes: arena.Sizes, times: Floats
    ) -> tuple[Dressed, Figure]:
        """Somebody near the line of sight to a person, in front of or behind it."""
        eye = camera.place_m
        middle = person.joints.mean(axis=0)
        away = rng.uniform(0.55, 0.9) if rng.random() < 0.35 else rng.uniform(1.1, 2.0)
        at = eye + away * (middle - eye)
        at[:2] += rng.normal(0, 0.5, 2)
        at[2] = 0.0 if rng.random() < 0.6 else rng.uniform(0, 1.5)
        other = self._others[rng.integers(len(self._others))]
        return other, posed(rng, other.shape, BYSTANDER, at, times, 0.2)

    def _expose(
        self, rng: Random, camera: Camera, cast: Sequence[tuple[Dressed, Figure]], which: int, steps: int
    ) -> Bytes:
        """Draw an exposure; the last sub-frame drawn is the middle one, whose depths stay behind."""
        place = rng.random()
        scene, backdrop = [*self._halls[which], self._rails[which]], None
        if place > 0.55:
            backdrop = self._backdrops[rng.integers(len(self._backdrops))]
            scene = [self._rails[which]] if rng.random() < 0.6 else []
        w, h = rng.uniform(0.3, 1, 2)
        span = (rng.uniform(0, 1 - w), rng.uniform(0, 1 - h), w, h)
        light = _light(rng)
        middle = steps // 2
        shadows = np.array([[*f.joints[2:4].mean(axis=0)[:2], 0.6, 0.45] for _, f in cast]).reshape(-1, 4)
        takes = []
        for step in sorted(range(steps), key=lambda s: s == middle):
            people = [Posed(d, f.transforms[step], f.grip) for d, f in cast]
            takes.append(
                self.renderer.draw(
                    camera, people, scene, light, backdrop, span, clear=(0.3, 0.3, 0.32), shadows=shadows
                )
            )
        return blend(takes)

    # ------------------------------------------------------------ whole frames

    def frame(self, number: int) -> Frame:
        """Frame ``number``: an arena with up to four people, or an empty one."""
        self._renew(number // _GENERATION)
        rng = np.random.default_rng([self.seed, number, 3])
        which = int(rng.integers(len(self._halls)))
        sizes = self._sizes[which]
        times, speed = _exposure(rng)
        camera = _far_camera(rng, sizes, self.frame_size)
        cast: list[tuple[Dressed, Figure]] = []
        gymnast: Figure | None = None
        if rng.random() < 0.85:
            family = choose(rng)
            rail_x, rail_z = list(sizes.rails().values())[0 if rng.random() < 0.7 else 1]
            at = np.array([rail_x, rng.uniform(-0.4, 0.4), rail_z])
            if family.stands:
                at = np.array([rng.uniform(-4, 4.5), rng.uniform(-0.8, 0.8), sizes.mat_m])
            elif family.hands == "free":
                at = np.array([rng.uniform(-2.2, 3), rng.uniform(-0.3, 0.3), rng.uniform(1.0, 3.7)])
            dressed = self._gymnasts[rng.integers(len(self._gymnasts))]
            gymnast = posed(rng, dressed.shape, family, at, times, speed)
            cast.append((dressed, gymnast))
        for _ in range(rng.choice(4, p=[0.35, 0.3, 0.2, 0.15])):
            other = self._others[rng.integers(len(self._others))]
            x, y = rng.uniform(-5, 5), rng.uniform(-4, 7)
            if rng.random() < 0.4:  # the coach, close to the rails
                x, y = rng.uniform(-1.5, 3), rng.choice([-1, 1]) * rng.uniform(0.2, 1.8)
            floor = sizes.mat_m if abs(y) < 1.1 else 0.0
            cast.append((other, posed(rng, other.shape, BYSTANDER, np.array([x, y, floor]), times, 0.3)))
        image = self._expose(rng, camera, cast, which, len(times))
        depth = self.renderer.depths(camera)
        boxes = []
        for _, figure in cast:
            box = _box(camera, figure, depth)
            if box is not None:
                boxes.append([*box, GYMNAST if figure is gymnast else OTHER])
        joints = np.column_stack([np.full((14, 2), np.nan), np.zeros(14)]).astype(np.float32)
        if gymnast is not None:
            joints = _label(camera, gymnast.joints, depth)
        return Frame(_develop(rng, image), np.array(boxes, np.float32).reshape(-1, 5), joints)

    def release(self) -> None:
        """Give the graphics device back."""
        self.renderer.release()


def _exposure(rng: Random) -> tuple[Floats, float]:
    """Sub-frame times round mid-exposure, s, and how fast the body moves."""
    if rng.random() < 0.6:
        return np.zeros(1), 0.0
    steps = int(rng.choice([3, 5]))
    open_s = rng.choice([1 / 60, 1 / 120, 1 / 250, 1 / 500], p=[0.15, 0.25, 0.3, 0.3])
    return (np.arange(steps) - steps // 2) / steps * open_s, float(rng.uniform(0.3, 1.4))


def _light(rng: Random) -> Light:
    way = rng.normal(size=3)
    way[2] = abs(way[2]) + 0.3
    warm = 1 + rng.normal(0, 0.07, 3)
    strength = rng.uniform(0.1, 0.9)
    sky = rng.uniform(0.45, 1.05)
    return Light(
        sun=tuple(way),
        sun_colour=tuple(strength * warm),
        sky=tuple(sky * (1 + rng.normal(0, 0.04, 3))),
        ground=tuple(sky * rng.uniform(0.3, 0.8) * (1 + rng.normal(0, 0.05, 3))),
        gain=float(rng.uniform(0.75, 1.25)),
    )


def _eye(rng: Random, target: Floats) -> Floats:
    """Where a camera stands: mostly side-on to 45 degrees off, any height."""
    distance = float(np.exp(rng.uniform(np.log(3), np.log(25))))
    off = (
        rng.uniform(-np.pi, np.pi) if rng.random() < 0.12 else np.radians(np.clip(rng.normal(0, 22), -50, 50))
    )
    side = -np.pi / 2 if rng.random() < 0.6 else np.pi / 2
    eye = np.array([*(target[:2] + distance * np.array([np.cos(side + off), np.sin(side + off)])), 0.0])
    eye[2] = rng.uniform(0.4, 2.6) if rng.random() < 0.7 else rng.uniform(1.0, 2 + 0.25 * distance)
    return eye


def _close_camera(rng: Random, joints: Floats, size: int) -> Camera:
    """A camera whose picture one person fills by 35 to 95 per cent."""
    middle = 0.5 * (joints.min(axis=0) + joints.max(axis=0))
    roll = rng.uniform(-np.pi, np.pi) if rng.random() < 0.25 else rng.normal(0, 0.06)
    camera = Camera.looking(_eye(rng, middle), middle, 1000.0, (size, size), roll)
    px = camera.project(joints)
    low, high = px.min(axis=0), px.max(axis=0)
    # Joints end short of fingers and toes: about a tenth more.
    fill = rng.uniform(0.35, 0.95) * size / (1.12 * max(high - low))
    matrix = camera.matrix.copy()
    matrix[0, 0] *= fill
    matrix[1, 1] *= fill
    centre = (size - 1) / 2
    shift = centre - (centre + fill * (0.5 * (low + high) - centre))
    matrix[:2, 2] += shift + rng.normal(0, 0.05 if rng.random() < 0.7 else 0.14, 2) * size
    return Camera(matrix, camera.rotation, camera.shift_m, camera.size)


def _far_camera(rng: Random, sizes: arena.Sizes, size: tuple[int, int]) -> Camera:
    """A camera that frames the apparatus, as one set up for a session would, or closer."""
    target = np.array([sizes.spread_m / 2 + rng.normal(0, 0.6), 0.0, rng.uniform(1.2, 2.4)])
    eye = _eye(rng, target)
    distance = float(np.linalg.norm(target - eye))
    wide = float(np.exp(rng.uniform(np.log(3.5), np.log(12.0))))  # metres of arena across the picture
    return Camera.looking(eye, target, size[0] * distance / wide, size, rng.normal(0, 0.03))


def _label(camera: Camera, joints: Floats, depth: Floats) -> Floats:
    """Joints in the picture with their visibility, (14, 3)."""
    px = camera.project(joints)
    at = np.nan_to_num(np.round(px), nan=-1).astype(int)
    width, height = camera.size
    inside = (at[:, 0] >= 0) & (at[:, 0] < width) & (at[:, 1] >= 0) & (at[:, 1] < height)
    column, row = np.clip(at[:, 0], 0, width - 1), np.clip(at[:, 1], 0, height - 1)
    hidden = depth[row, column] < camera.depth(joints) - 1.3 * _UNDER_SKIN_M
    return np.column_stack([px, np.where(inside, np.where(hidden, HIDDEN, VISIBLE), OUTSIDE)]).astype(
        np.float32
    )


def _box(camera: Camera, figure: Figure, depth: Floats) -> Floats | None:
    """The box of a person clipped to the picture; None when hardly any of it can be seen."""
    outline = figure.outline()
    away = camera.depth(outline)
    if away.min() < 0.5:
        return None
    px = camera.project(outline)
    width, height = camera.size
    inside = (px[:, 0] >= 0) & (px[:, 0] <= width - 1) & (px[:, 1] >= 0) & (px[:, 1] <= height - 1)
    at = px[inside].astype(int)
    seen = depth[at[:, 1], at[:, 0]] > away[inside] - 0.5
    if seen.sum() < 0.15 * len(outline):
        return None
    low = np.clip(px.min(axis=0), 0, [width - 1, height - 1])
    high = np.clip(px.max(axis=0), 0, [width - 1, height - 1])
    return np.concatenate([low, high]) if (high - low).min() > 3 else None


def _develop(rng: Random, image: Bytes) -> Bytes:
    """What a real camera and its compression would make of a clean picture."""
    out = image.astype(np.float32) / 255
    out = np.clip(out * rng.uniform(0.75, 1.7) * (1 + rng.normal(0, 0.05, 3)), 0, None)
    out = np.clip(0.5 + (out - 0.5) * rng.uniform(0.75, 1.25), 0, 1) ** rng.uniform(0.7, 1.35)
    height, width = image.shape[:2]
    if rng.random() < 0.35:  # a person small in the frame, enlarged
        share = rng.uniform(0.35, 0.9)
        small = cv2.resize(out.astype(np.float32), None, fx=share, fy=share, interpolation=cv2.INTER_AREA)
        # resize keeps the outer edges in place, so the joints stay where they are
        out = cv2.resize(small, (width, height), interpolation=cv2.INTER_LINEAR)
    if rng.random() < 0.35:
        out = cv2.GaussianBlur(out.astype(np.float32), (0, 0), rng.uniform(0.3, 1.6))
    if rng.random() < 0.15:  # sharpened by the camera
        out = out + rng.uniform(0.3, 1.2) * (out - cv2.GaussianBlur(out.astype(np.float32), (0, 0), 1.2))
    if rng.random() < 0.7:
        out = out + rng.normal(
            0, rng.uniform(0.002, 0.045), out.shape[:2] + ((1,) if rng.random() < 0.4 else (3,))
        )
    if rng.random() < 0.06:
        out = np.repeat(out.mean(axis=2, keepdims=True), 3, axis=2)
    done = np.asarray(np.clip(out, 0, 1) * 255 + 0.5, np.uint8)
    if rng.random() < 0.6:
        ok, packed = cv2.imencode(".jpg", done, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(25, 96))])
        if ok:
            done = np.asarray(cv2.imdecode(packed, cv2.IMREAD_COLOR), np.uint8)
    return done


def read_backgrounds(folder: Path, longest_px: int = 512) -> list[Bytes]:
    """Every picture of a folder, (h, w, 3) RGB, shrunk to ``longest_px``."""
    out = []
    for path in sorted(folder.iterdir()):
        picture = cv2.imread(str(path), cv2.IMREAD_COLOR)
        if picture is None:
            continue
        share = min(1.0, longest_px / max(picture.shape[:2]))
        picture = cv2.resize(picture, None, fx=share, fy=share, interpolation=cv2.INTER_AREA)
        out.append(np.ascontiguousarray(picture[..., ::-1]))
    return out


def pictures(
    count: int, seed: int, size: int = 288, shapes_path: Path | None = None, backgrounds: Sequence[Bytes] = ()
) -> Iterator[Picture]:
    """Crops 0 to ``count`` of a seed."""
    maker = Maker(shapes(shapes_path), seed, size=size, backgrounds=backgrounds)
    try:
        for number in range(count):
            yield maker.crop(number)
    finally:
        maker.release()


def whole_frames(
    count: int,
    seed: int,
    size: tuple[int, int] = (640, 360),
    shapes_path: Path | None = None,
    backgrounds: Sequence[Bytes] = (),
) -> Iterator[Frame]:
    """Detector frames 0 to ``count`` of a seed."""
    maker = Maker(shapes(shapes_path), seed, frame_size=size, backgrounds=backgrounds)
    try:
        for number in range(count):
            yield maker.frame(number)
    finally:
        maker.release()


T = TypeVar("T")


def _in_shards(
    out: Path, name: str, items: Iterator[T], shard: int, save: Callable[[Path, Sequence[T]], None]
) -> int:
    out.mkdir(parents=True, exist_ok=True)
    total = part = 0
    while held := list(islice(items, shard)):
        save(out / f"{name}-{part:04d}.npz", held)
        total, part = total + len(held), part + 1
    return total


def write_crops(out: Path, items: Iterator[Picture], shard: int = 1000) -> int:
    """Write crops to ``crops-0000.npz`` and so on (image, joints); returns how many."""
    return _in_shards(out, "crops", items, shard, _save_crops)


def _save_crops(path: Path, items: Sequence[Picture]) -> None:
    np.savez(path, image=np.stack([p.image for p in items]), joints=np.stack([p.joints for p in items]))


def write_frames(out: Path, items: Iterator[Frame], shard: int = 1000) -> int:
    """Write whole frames to ``frames-0000.npz`` and so on; returns how many.

    Arrays: image, joints, boxes (all frames' boxes after another), first (where each frame's begin).
    """
    return _in_shards(out, "frames", items, shard, _save_frames)


def _save_frames(path: Path, items: Sequence[Frame]) -> None:
    np.savez(
        path,
        image=np.stack([f.image for f in items]),
        joints=np.stack([f.joints for f in items]),
        boxes=np.concatenate([f.boxes for f in items]),
        first=np.cumsum([0, *(len(f.boxes) for f in items)]),
    )

"""The rehearsal arena: rails, uprights, cables, mats, floor and walls, sized from a rig.

Axes of the apparatus: x across the rails towards the low one, y along them, z up from the floor.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from capture.studio import scenery
from capture.studio.renderer import Mesh

Floats = NDArray[np.floating[Any]]

DRAPE: Final = 0.35  # of a curtain's brightness
UPRIGHT_BEYOND_RAIL_M: Final = 0.04  # the upright's axis stands this far beyond the rail's end


@dataclass(frozen=True, slots=True)
class Sizes:
    """Apparatus sizes in metres; heights are of the rail's top above the floor."""

    high_bar_m: float = 2.50
    low_bar_m: float = 1.70
    inner_diagonal_m: float = 1.80
    rail_length_m: float = 2.40
    rail_diameter_m: float = 0.04
    mat_m: float = 0.20

    @property
    def high_z_m(self) -> float:
        """Height of the high rail's axis."""
        return self.high_bar_m - self.rail_diameter_m / 2

    @property
    def low_z_m(self) -> float:
        """Height of the low rail's axis."""
        return self.low_bar_m - self.rail_diameter_m / 2

    @property
    def spread_m(self) -> float:
        """Horizontal distance of the rail axes: the diagonal is measured between the insides."""
        centres = self.inner_diagonal_m + self.rail_diameter_m
        return float(np.sqrt(centres**2 - (self.high_bar_m - self.low_bar_m) ** 2))

    @property
    def upright_y_m(self) -> float:
        """Distance of the uprights from mid-rail."""
        return self.rail_length_m / 2 + UPRIGHT_BEYOND_RAIL_M

    def rails(self) -> dict[str, tuple[float, float]]:
        """(x, z) of each rail's axis."""
        return {"high": (0.0, self.high_z_m), "low": (self.spread_m, self.low_z_m)}

    def survey_points(self, camera_y_m: float) -> dict[str, Floats]:
        """World places of the points a survey names; near is the end nearer the camera."""
        near = 1.0 if camera_y_m > 0 else -1.0
        points = {}
        for rail, (x, z) in self.rails().items():
            for end, sign in (("near", near), ("far", -near)):
                points[f"{rail}.{end}"] = np.array([x, sign * self.rail_length_m / 2, z])
                points[f"{rail}.{end}.foot"] = np.array([x, sign * self.upright_y_m, 0.0])
            points[f"{rail}.mid"] = np.array([x, 0.0, z])
        return points


def _mesh(place: Floats, normal: Floats, uv: Floats, colour: Floats, picture: Any = None) -> Mesh:
    return Mesh(place, normal, uv, np.broadcast_to(colour, place.shape), picture)


def tube(start: ArrayLike, end: ArrayLike, radius_m: float, colour: Floats, sides: int = 12) -> Mesh:
    """A closed cylinder between two points."""
    first, last = np.asarray(start, float), np.asarray(end, float)
    along = (last - first) / np.linalg.norm(last - first)
    across = np.cross(along, [1.0, 0, 0] if abs(along[0]) < 0.9 else [0, 1.0, 0])
    across /= np.linalg.norm(across)
    turn = np.linspace(0, 2 * np.pi, sides + 1)[:, None]
    ring = np.cos(turn) * across + np.sin(turn) * np.cross(along, across)
    a, b = ring[:-1], ring[1:]
    place, normal = [], []
    for p, n in (
        (first + radius_m * a, a),
        (last + radius_m * a, a),
        (last + radius_m * b, b),
        (first + radius_m * a, a),
        (last + radius_m * b, b),
        (first + radius_m * b, b),
    ):
        place.append(p)
        normal.append(n)
    for middle, n in ((first, -along), (last, along)):
        for p in (middle + 0 * a, middle + radius_m * a, middle + radius_m * b):
            place.append(p)
            normal.append(n + 0 * a)
    # (corner, side, 3) to triangles
    place_, normal_ = np.stack(place), np.stack(normal)
    order = [
        np.concatenate([v[k : k + 3].transpose(1, 0, 2) for k in range(0, 12, 3)]).reshape(-1, 3)
        for v in (place_, normal_)
    ]
    return _mesh(order[0], order[1], np.zeros((len(order[0]), 2)), colour)


def quad(
    corner: ArrayLike,
    u: ArrayLike,
    v: ArrayLike,
    colour: Floats,
    picture: Any = None,
    repeat: tuple[float, float] = (1, 1),
) -> Mesh:
    """A rectangle from a corner and its two sides; its normal is u x v."""
    origin, across, up = (np.asarray(x, float) for x in (corner, u, v))
    st = np.array([[0, 0], [1, 0], [1, 1], [0, 0], [1, 1], [0, 1]], float)
    normal = np.cross(across, up) / np.linalg.norm(np.cross(across, up))
    # Picture rows run downwards: the second side points up.
    uv = np.column_stack([st[:, 0], 1 - st[:, 1]]) * repeat
    return _mesh(origin + st[:, :1] * across + st[:, 1:] * up, np.tile(normal, (6, 1)), uv, colour, picture)


def box(low: ArrayLike, high: ArrayLike, colour: Floats) -> Mesh:
    """An upright box."""
    near, far = np.asarray(low, float), np.asarray(high, float)
    x, y, z = np.diag(far - near)
    faces = [
        quad(near, y, x, colour),
        quad(near + z, x, y, colour),
        quad(near, x, z, colour),
        quad(near + y, z, x, colour),
        quad(near, z, y, colour),
        quad(near + x, y, z, colour),
    ]
    return join(faces)


def join(meshes: list[Mesh]) -> Mesh:
    """Meshes without pictures as one, drawn in one call."""
    return Mesh(
        np.concatenate([m.place for m in meshes]),
        np.concatenate([m.normal for m in meshes]),
        np.concatenate([m.uv for m in meshes]),
        np.concatenate([m.colour for m in meshes]),
    )


def apparatus(sizes: Sizes, rng: np.random.Generator) -> Mesh:
    """Rails, uprights with sleeves, cables to floor anchors."""
    radius = sizes.rail_diameter_m / 2
    rail_colour = np.array([0.86, 0.78, 0.62]) * rng.uniform(0.75, 1.1)
    steel = scenery.colour(rng, (0, 0.4), (0.25, 0.9))
    cable = np.full(3, rng.uniform(0.15, 0.55))
    parts = []
    for rail, (x, z) in sizes.rails().items():
        half = sizes.rail_length_m / 2
        parts.append(tube([x, -half, z], [x, half, z], radius, rail_colour, 16))
        out = -1.0 if rail == "high" else 1.0
        for y in (-sizes.upright_y_m, sizes.upright_y_m):
            parts.append(tube([x, y, 0], [x, y, z - 0.55], 0.038, steel))
            parts.append(tube([x, y, z - 0.55], [x, y, z + 0.03], 0.026, steel * 1.1))
            # The rail's end sits in a fitting on the upright.
            parts.append(tube([x, np.sign(y) * half, z], [x, y + np.sign(y) * 0.03, z], 0.024, steel * 0.6))
            parts.append(box([x - 0.08, y - 0.08, 0], [x + 0.08, y + 0.08, 0.015], steel * 0.7))
            for anchor_x, anchor_y in ((x + out * 2.2, np.sign(y) * 2.2), (x - out * 0.4, np.sign(y) * 2.75)):
                parts.append(tube([x, y, z - 0.05], [anchor_x, anchor_y, 0.04], 0.005, cable, 6))
                parts.append(
                    box(
                        [anchor_x - 0.05, anchor_y - 0.05, 0], [anchor_x + 0.05, anchor_y + 0.05, 0.05], cable
                    )
                )
    return join(parts)


def mats(sizes: Sizes, rng: np.random.Generator) -> Mesh:
    """Landing mats on both sides and between the uprights."""
    base, seam = scenery.colour(rng, (0.2, 0.9), (0.25, 0.8)), scenery.colour(rng, (0, 0.6), (0.5, 1))
    parts = []
    for i, (a, b) in enumerate(((-6.0, -0.5), (-0.5, sizes.spread_m + 0.5), (sizes.spread_m + 0.5, 7.0))):
        half = 1.1
        parts.append(box([a, -half, 0], [b - 0.01, half, sizes.mat_m], base * (1 - 0.05 * (i % 2))))
    for y in (-1.08, 1.04):
        parts.append(box([-6, y, sizes.mat_m], [7, y + 0.04, sizes.mat_m + 0.002], seam))
    return join(parts)


def hall(rng: np.random.Generator, full: bool = False, walls: str = "") -> Iterator[Mesh]:
    """Floor and four walls with pictures; ``full``: a competition hall, banners below and a crowd above.

    walls: "drape", a dark one all round, or "windows" above banners, in place of the crowd.
    """
    white, fine = np.ones(3), 2 if full else 1
    yield quad(
        [-30, -30, 0], [60, 0, 0], [0, 60, 0], white, scenery.floor(rng, 256 * fine, 256 * fine), (12, 12)
    )
    far = rng.uniform(8, 11) if full else rng.uniform(7, 16)
    height = rng.uniform(6, 8) if full else rng.uniform(5, 9)
    uppers = (scenery.crowd, scenery.windows, scenery.curtain, scenery.bricks)
    for corner, side in (
        ([-30, far, 0], [60, 0, 0]),
        ([30, -30, 0], [-60, 0, 0]),
        ([30, far, 0], [0, -60, 0]),
        ([-30, -30, 0], [0, 60, 0]),
    ):
        low = 1.6 if full else height * rng.uniform(0.15, 0.4)
        maker = scenery.banners if full else scenery.WALLS[rng.integers(len(scenery.WALLS))]
        times = 60 / (low * 8)  # the picture is eight times as wide as high
        if walls == "drape":
            yield quad(
                corner, side, [0, 0, low + height + 6], white * DRAPE, scenery.curtain(rng, 256, 768), (4, 1)
            )
            continue
        yield quad(corner, side, [0, 0, low], white, maker(rng, 96 * fine, 768 * fine), (times, 1))
        upper = scenery.crowd if full else uppers[rng.choice(4, p=[0.5, 0.2, 0.15, 0.15])]
        dim = 0.55 if full else rng.uniform(0.4, 0.9)
        if walls == "windows":
            upper, dim = scenery.windows, 1.0
        above = [corner[0], corner[1], low]
        yield quad(
            above,
            side,
            [0, 0, height],
            white * dim,
            upper(rng, 256 * fine, 768 * fine),
            (60 / (3 * height), 1),
        )


def beside(mesh: Mesh, shift_m: tuple[float, float, float]) -> Mesh:
    """The same mesh elsewhere."""
    return replace(mesh, place=mesh.place + np.array(shift_m))


def meshes(
    sizes: Sizes, rng: np.random.Generator, walls: str = "crowd", second: bool = False, behind: float = 1.0
) -> list[Mesh]:
    """A hall without its people.

    walls: "crowd" (competition), "training", "drape" or "windows"; second: another apparatus stands
    behind, ``behind`` (+1 or -1) along y.
    """
    built = list(hall(rng, full=walls != "training", walls=walls))
    if second:
        place = (float(rng.uniform(-1.5, 1.5)), 5.5 * behind, 0.0)
        built += [beside(mats(sizes, rng), place), beside(apparatus(sizes, rng), place)]
    return [*built, mats(sizes, rng), apparatus(sizes, rng)]

"""Finds rails and uprights in a picture and fits the camera to their edges, with nothing marked by hand.

Two near uprights are four points of one plane (top and foot of each); with a range of focal lengths
they give a few hundred cameras. Each camera says where the other uprights and the rails must be seen;
those that agree best with the picture's edges are refined on the sub-pixel midlines of all poles.

Seen from beside the bars a rail is foreshortened to a short piece, often steep in the picture; its
ends are where it meets its uprights, which is what fixes them. Feet behind the mat cannot be seen and
are not asked for.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from capture.camera import Camera
from capture.edges import Stripes, pole_line, stripes
from capture.rig import Rig

Floats = NDArray[np.floating[Any]]
Image = NDArray[np.uint8]
Side = Literal["left", "right"]

UPRIGHT_BEYOND_RAIL_M: Final = 0.02  # the uprights' axes beyond the rail's ends: our own estimate, ...
UPRIGHT_BEYOND_U_M: Final = 0.025  # ... with a wide standard uncertainty; the fit finds the value
UPRIGHT_WIDTH_M: Final = (0.04, 0.13)  # thinnest and thickest upright looked for: our own estimate
RAIL_WIDTH_SHARE: Final = (0.85, 1 / 0.85)  # of the rail's diameter
FOOT_U_M: Final = 0.015  # of where an upright meets the floor, its base plate included: our own estimate
FOOT_U_PX: Final = 2.0
LINE_U_PX: Final = 0.5  # of one pole's midline as a whole, shading and bent poles included: our own estimate
MERGED_U_PX: Final = 4.0  # of an upright that cannot be told from the one behind it: our own estimate
GOOD_SHARE: Final = 0.45  # of a pole's length that has to be seen before it counts as seen
HIDDEN_COSTS: Final = 0.5  # of what a pole is worth that is hidden behind another
_STEEPEST: Final = 0.14  # an upright leans less than this in the picture, horizontal by vertical
_RANK: Final = {"near": 0, "rail": 1, "far": 2}  # near uprights stand before rails, rails before far uprights
_BINS: Final = 12  # of edge direction
_WORK_WIDTH: Final = 960  # px; hypotheses are judged in a picture of this width


@dataclass(frozen=True, slots=True)
class Pole:
    """A straight piece of the apparatus: ``(3,)`` ends in metres, and how thick it may look."""

    name: str
    a: Floats
    b: Floats
    width_m: tuple[float, float]


@dataclass(frozen=True, slots=True)
class SeenPole:
    """A pole and what was seen of it."""

    pole: Pole
    expected_px: Floats  # (n, 2)
    normal: Floats  # (n, 2) across the pole in the picture
    found: Stripes
    used: NDArray[np.bool_]  # (n,)
    scale: Floats  # (n,) px per metre
    sight: NDArray[np.bool_]  # (n,) whether it is in the picture and behind no other pole

    @property
    def share(self) -> float:
        """Part of the pole's length that was seen."""
        return float(self.used.mean())

    @property
    def share_in_sight(self) -> float:
        """Part that was seen of what no other pole hides; 0 where that is next to nothing."""
        count = int(self.sight.sum())
        return float(self.used.sum() / count) if count >= 4 else 0.0


@dataclass(frozen=True, slots=True)
class RailsSeen:
    """The camera that the picture's edges speak for."""

    camera: Camera  # with covariance; its rig carries no points
    poles: tuple[SeenPole, ...]
    upright_offset_m: float
    agreement: float  # 0 to 1: how much of what must be visible is seen where it must be
    rival: float  # agreement of the best camera that stands elsewhere
    residual_px: float  # root mean square

    def share(self, name: str) -> float:
        """Part of a pole that was seen; 0 when it was not looked for."""
        return next((p.share for p in self.poles if p.pole.name == name), 0.0)

    @property
    def missing(self) -> tuple[str, ...]:
        """Poles that a survey needs and the picture does not show well, in words."""
        need = {
            "high rail": ("high.rail",),
            "low rail": ("low.rail",),
            "near upright of the high bar": ("high.near",),
            "near upright of the low bar": ("low.near",),
            "far uprights": ("high.far", "low.far"),
        }
        return tuple(words for words, names in need.items() if max(self.share(n) for n in names) < GOOD_SHARE)


def find_rails(grey_: Floats, rig: Rig, side: Side | None = None) -> RailsSeen | None:
    """The camera from the picture alone; None when no arrangement of poles agrees with the rig's sizes.

    Args:
        grey_: grey levels (h, w) of a picture without people, from :func:`capture.edges.grey`.
        rig: sizes; its points are not used.
        side: where the low bar is in the picture; None: found out.
    """
    edges = _EdgeMaps(grey_)
    guesses: list[tuple[Camera, float]] = []
    for each in (side,) if side else ("right", "left"):
        guesses += _candidates(edges, replace(rig, low_bar_side=each, points=()))
    guesses.sort(key=lambda g: -g[1])
    seen = [s for camera, _ in guesses[:6] if (s := _refine(grey_, camera, (9.0, 5.0, 4.0)))]
    if not seen:
        return None
    best = max(seen, key=lambda s: s.agreement)
    others = [s.agreement for s in seen if not _same_place(s.camera, best.camera)]
    return replace(best, rival=max(others, default=0.0))


def refine_rails(grey_: Floats, camera: Camera, reach_px: float = 12.0) -> RailsSeen | None:
    """The same fit from a camera that is known roughly, for example from points set by hand."""
    reaches = (reach_px, max(4.0, reach_px / 2), 4.0)
    return _refine(grey_, camera, reaches)


def _same_place(a: Camera, b: Camera) -> bool:
    marks = np.array([[0, 0, 2.5], [1.6, 0, 1.7], [0, -1.2, 0.2], [1.6, 1.2, 1.5]])
    off = np.linalg.norm(a.project(marks) - b.project(marks), axis=1)
    return bool(np.nanmax(off) < 0.02 * a.picture[0])


def model(rig: Rig, upright_offset_m: float) -> tuple[Pole, ...]:
    """Rails and uprights; far uprights only as far down as a mat leaves them in sight."""
    sizes = rig.apparatus
    near = -1.0 if rig.low_bar_side == "right" else 1.0
    parts = []
    for rail in rig.rails:
        x, z = rail.axis
        half = rail.length_m / 2
        widths = (RAIL_WIDTH_SHARE[0] * rail.diameter_m, RAIL_WIDTH_SHARE[1] * rail.diameter_m)
        parts.append(
            Pole(f"{rail.name}.rail", np.array([x, near * half, z]), np.array([x, -near * half, z]), widths)
        )
        for end, sign in (("near", near), ("far", -near)):
            y = sign * upright_offset_m
            foot = 0.03 if end == "near" else sizes.mat_m + 0.12
            top, bottom = np.array([x, y, z - 0.06]), np.array([x, y, foot])
            parts.append(Pole(f"{rail.name}.{end}", top, bottom, UPRIGHT_WIDTH_M))
    return tuple(parts)


# --- first guesses ---------------------------------------------------------------------------------


class _EdgeMaps:
    """Edges of a reduced picture, and the distance to the nearest edge of about the same direction."""

    def __init__(self, grey_: Floats) -> None:
        self.scale = min(1.0, _WORK_WIDTH / grey_.shape[1])
        self.full = np.clip(grey_, 0, 255).astype(np.uint8)
        small = cv2.resize(grey_, None, fx=self.scale, fy=self.scale, interpolation=cv2.INTER_AREA)
        small = cv2.GaussianBlur(small, (0, 0), 0.7)
        self.shape = small.shape
        gx, gy = cv2.Sobel(small, cv2.CV_32F, 1, 0), cv2.Sobel(small, cv2.CV_32F, 0, 1)
        edge = cv2.Canny(np.clip(small, 0, 255).astype(np.uint8), 18, 45) > 0
        direction = np.mod(np.arctan2(gy, gx) + np.pi / 2, np.pi)  # of the edge, 0 to pi
        bins = np.floor(direction / np.pi * _BINS).astype(int) % _BINS
        maps = []
        for k in range(_BINS):
            here = edge & ((bins == k) | (bins == (k + 1) % _BINS) | (bins == (k - 1) % _BINS))
            maps.append(cv2.distanceTransform((~here).astype(np.uint8), cv2.DIST_L2, 3))
        self.maps = np.stack(maps)

    def distance(self, px: Floats, direction: Floats) -> Floats:
        """Distance (...) px of the full picture to an edge at (..., 2) that runs along (..., 2)."""
        at = np.nan_to_num(px * self.scale, nan=-1e4, posinf=-1e4, neginf=-1e4)
        height, width = self.shape
        inside = (at >= 0).all(axis=-1) & (at[..., 0] < width - 1) & (at[..., 1] < height - 1)
        at = np.clip(at, 0, [width - 1.001, height - 1.001])
        column, row = at[..., 0].astype(int), at[..., 1].astype(int)
        u, v = at[..., 0] - column, at[..., 1] - row
        angle = np.mod(np.arctan2(direction[..., 1], direction[..., 0]), np.pi)
        k = np.floor(np.nan_to_num(angle) / np.pi * _BINS).astype(int) % _BINS
        m = self.maps
        found = (1 - v) * ((1 - u) * m[k, row, column] + u * m[k, row, column + 1]) + v * (
            (1 - u) * m[k, row + 1, column] + u * m[k, row + 1, column + 1]
        )
        return np.where(inside, found / self.scale, 1e3)


@dataclass(frozen=True, slots=True)
class _Upright:
    top: Floats
    bottom: Floats

    @property
    def length(self) -> float:
        return float(self.bottom[1] - self.top[1])


def _uprights(edges: _EdgeMaps) -> list[_Upright]:
    """Long, nearly vertical stripes, longest first."""
    found = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD).detect(edges.full)[0]
    if found is None:
        return []
    lines = np.asarray(found, float).reshape(-1, 4)
    a, b = lines[:, :2], lines[:, 2:]
    a, b = np.where((a[:, 1] < b[:, 1])[:, None], a, b), np.where((a[:, 1] < b[:, 1])[:, None], b, a)
    length = np.linalg.norm(b - a, axis=1)
    height, width = edges.full.shape
    steep = (np.abs(b - a)[:, 0] < _STEEPEST * (b - a)[:, 1]) & (length > 0.02 * height)
    a, b, length = a[steep], b[steep], length[steep]
    left = np.ones(len(a), bool)
    out: list[_Upright] = []
    for i in np.argsort(-length):
        if not left[i] or length[i] < 0.05 * height:
            continue
        slope = (b[i, 0] - a[i, 0]) / (b[i, 1] - a[i, 1])
        # Both edges of one pole, and its thicker and thinner part, lie within this of one line.
        near = 0.009 * width
        ends = [p[:, 0] - (a[i, 0] + slope * (p[:, 1] - a[i, 1])) for p in (a, b)]
        members = (np.abs(ends[0]) < near) & (np.abs(ends[1]) < near)
        left &= ~members
        spans = sorted(zip(a[members, 1], b[members, 1], strict=True))
        side = np.concatenate([ends[0][members], ends[1][members]])
        middle = (side.min() + side.max()) / 2
        for gap in (0.05 * height, 0.16 * height):
            for top, bottom in _chains(spans, gap):
                if bottom - top < 0.12 * height:
                    continue
                x = [a[i, 0] + slope * (y - a[i, 1]) + middle for y in (top, bottom)]
                upright = _Upright(np.array([x[0], top]), np.array([x[1], bottom]))
                if not any(
                    np.abs(u.top - upright.top).max() + np.abs(u.bottom - upright.bottom).max() < 4
                    for u in out
                ):
                    out.append(upright)
    out.sort(key=lambda u: -u.length)
    return out[:40]


def _chains(spans: Sequence[tuple[float, float]], gap: float) -> list[tuple[float, float]]:
    """Spans joined where less than ``gap`` lies between them."""
    joined: list[tuple[float, float]] = []
    for top, bottom in spans:
        if joined and top - joined[-1][1] < gap:
            joined[-1] = (joined[-1][0], max(joined[-1][1], bottom))
        else:
            joined.append((top, bottom))
    return joined


@dataclass(frozen=True, slots=True)
class _Guess:
    """Tops and bottoms of the near uprights, high one first, and a focal length."""

    ends: Floats  # (4, 2) px
    log_focal: float

    def near(self, rng: np.random.Generator, step: float) -> _Guess:
        """Another guess: ends slide along their poles by ``step`` of the high one's length."""
        length = float(np.linalg.norm(self.ends[1] - self.ends[0]))
        ends = self.ends.copy()
        for i in (0, 2):
            along = (ends[i + 1] - ends[i]) / np.linalg.norm(ends[i + 1] - ends[i])
            slide = rng.normal(0, step * length, 2)
            ends[i : i + 2] += slide[:, None] * along + rng.normal(0, 0.1 * step * length, (2, 2)) * [1, 0]
        return _Guess(ends, self.log_focal + float(rng.normal(0, 4 * step)))


def _candidates(edges: _EdgeMaps, rig: Rig, keep: int = 4) -> list[tuple[Camera, float]]:
    """Cameras from pairs of uprights, those that agree best with the edges first.

    Ends of uprights are seldom found to better than a few per cent of their length, so guesses are
    varied and the best of them varied again, by ever less.
    """
    rng = np.random.default_rng(1)
    width = rig.picture[0]
    offset = rig.apparatus.rail_length_m / 2 + UPRIGHT_BEYOND_RAIL_M
    focals = np.geomspace(0.6, 6.0, 9) * width if rig.lens is None else np.array([rig.lens.focal_px])
    guesses = []
    for high, low in itertools.permutations(_uprights(edges), 2):
        if _pair(high, low, rig):
            for focal in focals:
                plain = _Guess(np.array([high.top, high.bottom, low.top, low.bottom]), math.log(focal))
                guesses += [plain, *(plain.near(rng, 0.07) for _ in range(6))]
    judged = _judge(edges, rig, guesses, 14.0)
    earlier: list[_Judged] = []
    for step, soft_px in ((0.05, 12.0), (0.03, 10.0), (0.02, 8.0)):
        best = _spread_out(judged, 30)
        guesses = [
            child for guess, _, _ in best for child in (guess, *(guess.near(rng, step) for _ in range(16)))
        ]
        earlier, judged = judged, _judge(edges, rig, guesses, soft_px)
    settled = []
    for guess, camera, _ in _spread_out(earlier, 14) + _spread_out(judged, 14):
        moved = _settle(edges, camera, offset)
        if moved is not None:
            settled.append((guess, moved, float(_edge_scores(edges, [moved], offset, 5.0)[0])))
    return [(camera, score) for _, camera, score in _spread_out(settled, keep, apart=True)]


def _pair(high: _Upright, low: _Upright, rig: Rig) -> bool:
    """Whether two stripes can be the near uprights of the high and the low bar."""
    aside = (low.top[0] - high.top[0]) / high.length
    return (
        (aside > 0) == (rig.low_bar_side == "right")
        and 0.12 < abs(aside) < 1.4
        and 0.4 < low.length / high.length < 1.05
        and abs(low.bottom[1] - high.bottom[1]) < 0.35 * high.length
        and low.top[1] > high.top[1] - 0.05 * high.length
    )


_Judged = tuple[_Guess, Camera, float]


def _spread_out(judged: list[_Judged], keep: int, apart: bool = False) -> list[_Judged]:
    """The best, at most a third of them from one pair of stripes, so that none crowds out others."""
    chosen: list[_Judged] = []
    for item in sorted(judged, key=lambda j: -j[2]):
        alike = [
            c for c in chosen
            if np.abs(c[0].ends[:, 0] - item[0].ends[:, 0]).max() < 0.012 * item[1].picture[0]
        ]  # fmt: skip
        if len(alike) < max(2, keep // 3) and not (apart and any(not _apart(c[1], item[1]) for c in alike)):
            chosen.append(item)
        if len(chosen) == keep:
            break
    return chosen


def _judge(edges: _EdgeMaps, rig: Rig, guesses: Sequence[_Guess], soft_px: float) -> list[_Judged]:
    """The cameras that guesses stand for, each with its agreement with the edges."""
    sizes = rig.apparatus
    near = -1.0 if rig.low_bar_side == "right" else 1.0
    offset = sizes.rail_length_m / 2 + UPRIGHT_BEYOND_RAIL_M
    frame = Camera(rig, 1.0, np.eye(3), np.zeros(3))
    (xh, zh), (xl, zl) = (r.axis for r in rig.rails)
    world = np.array([[xh, zh, 0], [xh, 0, 0], [xl, zl, 0], [xl, 0, 0]])
    kept: list[tuple[_Guess, Camera]] = []
    for guess in guesses:
        focal = math.exp(guess.log_focal)
        ideal = (guess.ends - frame.centre_px) / focal
        if rig.lens is not None:
            ideal = rig.lens.undistort(ideal)
        ok, turns, shifts, _ = cv2.solvePnPGeneric(world, ideal, np.eye(3), None, flags=cv2.SOLVEPNP_IPPE)
        for turn, shift in zip(turns, shifts, strict=True) if ok else ():
            p = _from_plane(turn.ravel(), shift.ravel(), near * offset, focal)
            if p is not None and _plausible(p, rig):
                kept.append((guess, frame.with_parameters(np.asarray(p, np.float64))))
    scores = _edge_scores(edges, [c for _, c in kept], offset, soft_px) if kept else ()
    return [(g, c, float(s)) for (g, c), s in zip(kept, scores, strict=True)]


def _from_plane(turn: Floats, shift: Floats, y_m: float, focal: float) -> Floats | None:
    """Camera parameters from a pose against the plane y = ``y_m`` with axes (x, z, -y)."""
    pose = Rotation.from_rotvec(turn).as_matrix()
    # Columns of the pose are the plane's own axes: x, z and their cross product x cross z = -y.
    rotation = np.stack([pose[:, 0], -pose[:, 2], pose[:, 1]], axis=1)
    position = -rotation.T @ shift + np.array([0.0, y_m, 0.0])
    if not np.isfinite(position).all():
        return None
    return np.concatenate([Rotation.from_matrix(rotation).as_rotvec(), position, [math.log(focal)]])


def _plausible(p: Floats, rig: Rig) -> bool:
    """The camera stands outside the bars on its side, above the floor, and is nearly level."""
    x, y, z = p[3:6]
    if (y < 0) != (rig.low_bar_side == "right") or not 2.0 < abs(y) < 60 or not 0.1 < z < 12:
        return False
    if abs(x - 0.8) > 1.2 * abs(y):
        return False
    rotation = Rotation.from_rotvec(p[:3]).as_matrix()
    return bool(abs(math.atan2(rotation[0, 2], rotation[1, 2])) > math.pi - 0.12)


def _apart(a: Camera, b: Camera) -> bool:
    marks = np.array([[0, -1.2, 2.5], [0, 1.2, 2.5], [1.6, -1.2, 1.7], [1.6, 1.2, 1.7]])
    off = np.linalg.norm(a.project(marks) - b.project(marks), axis=1)
    return not bool(np.nanmax(off) < 0.006 * a.picture[0])


def _samples(pole: Pole, camera: Camera, n: int) -> tuple[Floats, Floats, Floats]:
    """(px (n, 2), direction (n, 2), scale (n,) px per metre) of places along a pole."""
    share = np.linspace(0, 1, n)[:, None]
    where = pole.a + share * (pole.b - pole.a)
    px = camera.project(where)
    step = camera.project(where + 1e-3 * (pole.b - pole.a)) - px
    depth = (where - camera.position) @ camera.rotation[2]
    return px, step / (np.linalg.norm(step, axis=1, keepdims=True) + 1e-12), camera.focal_px / depth


class _Sides:
    """Both sides of every pole as cameras see them, at 16 places along each."""

    def __init__(self, rig: Rig, offset: float) -> None:
        poles = model(rig, offset)
        share = np.linspace(0, 1, 16)[:, None]
        self.where = np.stack([q.a + share * (q.b - q.a) for q in poles])  # (poles, 16, 3)
        self.radius = np.array([0.5 * math.sqrt(q.width_m[0] * q.width_m[1]) for q in poles])[:, None, None]
        self.rank = np.array([_RANK[q.name.split(".")[1]] for q in poles])

    def distances(self, edges: _EdgeMaps, camera: Camera) -> tuple[Floats, Floats] | None:
        """(distance to the nearest edge (2, poles, 16) px, places (poles, 16, 2)); None behind the camera."""
        px = camera.project(self.where)
        if not np.isfinite(px).all():
            return None
        ahead = np.diff(px, axis=1, append=2 * px[:, -1:] - px[:, -2:-1])
        normal = np.stack([-ahead[..., 1], ahead[..., 0]], axis=-1)
        normal /= np.linalg.norm(normal, axis=2, keepdims=True) + 1e-9
        depth = (self.where - camera.position) @ camera.rotation[2]
        out = self.radius * (camera.focal_px / depth)[..., None] * normal
        return edges.distance(np.stack([px - out, px + out]), np.stack([ahead, ahead])), px

    def hidden(self, px: Floats) -> Floats:
        """Which part of each pole lies behind a nearer one, (poles,)."""
        part = np.zeros(len(px))
        thick = 0.006 * (px[..., 0].max() - px[..., 0].min() + px[..., 1].max() - px[..., 1].min())
        for k, places in enumerate(px):
            behind = np.zeros(len(places), bool)
            for j in np.flatnonzero(self.rank < self.rank[k]):
                a, b = px[j, 0], px[j, -1]
                t = np.clip(((places - a) @ (b - a)) / ((b - a) @ (b - a) + 1e-9), 0, 1)
                behind |= np.linalg.norm(a + t[:, None] * (b - a) - places, axis=1) < thick
            part[k] = behind.mean()
        return part


def _edge_scores(edges: _EdgeMaps, cameras: Sequence[Camera], offset: float, soft_px: float) -> Floats:
    """How well edges lie where each camera sees the poles' two sides: (n,), 0 to 1.

    A pole that hides behind another finds that one's edges and proves little: it counts for less.
    """
    sides = _Sides(cameras[0].rig, offset)
    scores = np.zeros(len(cameras))
    for i, camera in enumerate(cameras):
        found = sides.distances(edges, camera)
        if found is not None:
            shares = np.exp(-((found[0] / soft_px) ** 2)).mean(axis=(0, 2))
            scores[i] = float(((1 - HIDDEN_COSTS * sides.hidden(found[1])) * np.sqrt(shares)).mean())
    return scores


def _settle(edges: _EdgeMaps, camera: Camera, offset: float) -> Camera | None:
    """The camera moved so that the poles' sides lie on edges, as far as a few steps lead."""
    sides = _Sides(camera.rig, offset)

    def misses(p: Floats) -> Floats:
        found = sides.distances(edges, camera.with_parameters(np.asarray(p, np.float64)))
        known = [] if lens is None else [10 * (p[6] - math.log(lens.focal_px)) / lens.focal_u]
        return np.append(np.full(sides.where[..., 0].size * 2, 60.0) if found is None
                         else np.minimum(found[0], 60.0).ravel(), known)  # fmt: skip

    lens = camera.rig.lens
    found: Any = least_squares(
        misses, camera.parameters(), x_scale="jac", loss="soft_l1", f_scale=3.0, diff_step=1e-5, max_nfev=20
    )
    return camera.with_parameters(found.x) if _plausible(found.x, camera.rig) else None


# --- the fit on edges ------------------------------------------------------------------------------


def upright_widths(seen: Sequence[SeenPole]) -> list[tuple[float, float]]:
    """Ranges of width, m, that most of what is seen of the uprights has: all four are made alike.

    At most two, of the thicker and the thinner part; empty where too little is seen.
    """
    widths, worth = [], []
    for pole in seen:
        if not pole.pole.name.endswith("rail") and pole.used.any():
            widths.append((pole.found.width_px / pole.scale)[pole.used])
            worth.append(np.minimum(pole.found.strength[pole.used], 8.0))
    if not widths or sum(map(len, widths)) < 30:
        return []
    width, weight = np.concatenate(widths), np.concatenate(worth)
    grid = np.linspace(*UPRIGHT_WIDTH_M, 91)
    found: list[tuple[float, float]] = []
    for _ in range(2):
        # A wide edge of uncertainty: a tenth of the width, as the lens blurs both of its edges.
        votes = (weight * np.exp(-(((width - grid[:, None]) / (0.06 * grid[:, None])) ** 2))).sum(axis=1)
        top = float(grid[int(np.argmax(votes))])
        if votes.max() < 0.15 * np.concatenate(worth).sum():
            break
        found.append((0.9 * top, 1.1 * top))
        weight = np.where(np.abs(width - top) < 0.15 * top, 0.0, weight)
    return found


def end_on(seen: Sequence[SeenPole]) -> tuple[str, ...]:
    """Bars seen so nearly along the rail that the far upright hides behind the near one."""
    return tuple(
        s.pole.name.split(".")[0] for s in seen if s.pole.name.endswith("far") and s.sight.mean() < 0.6
    )


def _look(
    grey_: Floats,
    camera: Camera,
    offset: float,
    reach_px: float,
    upright_m: Sequence[tuple[float, float]] = (),
) -> list[SeenPole]:
    seen: list[SeenPole] = []
    height, width = grey_.shape
    # Nearer poles first: what stands before another pole hides it, and then lends it its edges.
    for pole in sorted(model(camera.rig, offset), key=lambda p: _RANK[p.name.split(".")[1]]):
        ends = camera.project(np.stack([pole.a, pole.b]))
        if not np.isfinite(ends).all():
            continue
        n = int(np.clip(np.linalg.norm(ends[1] - ends[0]) / 6, 12, 40))
        px, ahead, scale = _samples(pole, camera, n)
        inside = ((px > 4) & (px < np.array([width - 5, height - 5]))).all(axis=1)
        if not inside.any():
            continue
        typical = float(np.median(scale))
        known = scale * camera.rig.apparatus.rail_diameter_m if pole.name.endswith("rail") else None
        ranges = [pole.width_m] if not upright_m or pole.name.endswith("rail") else upright_m
        widths = [(max(1.5, a * typical), max(2.5, b * typical)) for a, b in ranges]
        found, used = pole_line(grey_, px, ahead, reach_px, widths, known)
        sight = inside & ~_behind(px, scale, pole, seen)
        used &= sight
        normal = np.stack([-ahead[:, 1], ahead[:, 0]], axis=1)
        seen.append(SeenPole(pole, px, normal, found, used, scale, sight))
    return seen


def _behind(px: Floats, scale: Floats, pole: Pole, nearer: Sequence[SeenPole]) -> NDArray[np.bool_]:
    """Which places (n,) along a pole lie behind a nearer one, edges included."""
    hidden = np.zeros(len(px), bool)
    mine = 0.5 * math.sqrt(pole.width_m[0] * pole.width_m[1]) * scale
    for other in nearer:
        if _RANK[other.pole.name.split(".")[1]] == _RANK[pole.name.split(".")[1]]:
            continue
        a, b = other.expected_px[0], other.expected_px[-1]
        along = (b - a) / (np.linalg.norm(b - a) + 1e-9)
        reach = (px - a) @ along
        # An upright goes on to the rail it carries, which is a little above where it is looked for.
        level = (reach > -0.1 * float(other.scale[0])) & (reach < float(np.linalg.norm(b - a)))
        aside = np.abs((px - a) @ np.array([-along[1], along[0]]))
        theirs = (
            0.5 * math.sqrt(other.pole.width_m[0] * other.pole.width_m[1]) * float(np.median(other.scale))
        )
        hidden |= level & (aside < mine + theirs + 1.0)
    return hidden


def _feet(
    grey_: Floats, camera: Camera, offset: float, seen: Sequence[SeenPole]
) -> list[tuple[Floats, float, float]]:
    """Where near uprights end at the floor: (place (3,), row px, its standard uncertainty px)."""
    out = []
    for pole in seen:
        if not pole.pole.name.endswith("near") or pole.share < GOOD_SHARE:
            continue
        x, y, _ = pole.pole.b
        floor = np.array([x, y, 0.0])
        foot = camera.project(floor)
        ahead = pole.expected_px[-1] - pole.expected_px[0]
        ahead /= np.linalg.norm(ahead)
        scale = float(np.linalg.norm(camera.project([x, y, 0.1]) - foot) / 0.1)
        steps = np.arange(-0.25, 0.15, 1.0 / scale)
        px = foot + steps[:, None] * scale * ahead
        if not ((px > 4) & (px < np.array(grey_.shape[::-1]) - 5)).all():
            continue
        width = float(np.nanmedian(pole.found.width_px[pole.used][-8:]))
        found = stripes(grey_, px, ahead, 3.0, (0.85 * width, 1.15 * width))
        good = found.seen & (np.abs(found.width_px - width) < 0.15 * width + 1)
        # The pole ends where fewer samples above are unseen, and below are seen, than anywhere else.
        above, below = np.cumsum(~good), np.cumsum(good[::-1])[::-1]
        cost = above + np.append(below[1:], 0)
        end = int(np.argmin(cost))
        if cost[end] > 0.1 * len(steps) or not 3 < end < len(steps) - 4:
            continue
        out.append((floor, float(px[end] @ ahead), math.hypot(FOOT_U_PX, FOOT_U_M * scale)))
    return out


def _refine(
    grey_: Floats, camera: Camera, reaches: Sequence[float], offset: float | None = None
) -> RailsSeen | None:
    """Fit camera and upright offset to the midlines seen, looking ever closer."""
    half = camera.rig.apparatus.rail_length_m / 2
    offset = half + UPRIGHT_BEYOND_RAIL_M if offset is None else offset
    plain = _rounds(grey_, camera, offset, reaches, ())
    if plain is None:
        return None
    # Once it is known how thick the uprights are, steps in the scenery are less easily taken for them.
    widths = upright_widths(plain.poles)
    again = _rounds(grey_, plain.camera, plain.upright_offset_m, (4.0, 4.0), widths) if widths else None
    return again if again is not None and again.agreement >= plain.agreement else plain


def _rounds(
    grey_: Floats,
    camera: Camera,
    offset: float,
    reaches: Sequence[float],
    widths: Sequence[tuple[float, float]],
) -> RailsSeen | None:
    half = camera.rig.apparatus.rail_length_m / 2
    residual = 0.0
    for reach in reaches:
        seen = _look(grey_, camera, offset, reach, widths)
        used = [s for s in seen if s.share >= 0.25]
        names = {s.pole.name for s in used}
        if len(used) < 4 or not names & {"high.rail", "low.rail"}:
            return None
        fitted = _fit_edges(camera, offset, used, _feet(grey_, camera, offset, seen), end_on(seen))
        if fitted is None:
            return None
        camera, offset, residual = fitted
        if not _plausible(camera.parameters(), camera.rig) or abs(offset - half) > 0.12:
            return None
    seen = _look(grey_, camera, offset, 2.5, widths)
    return RailsSeen(camera, tuple(seen), offset, _agreement(camera, offset, seen), 0.0, residual)


def _agreement(camera: Camera, offset: float, seen: Sequence[SeenPole]) -> float:
    """Mean share of the poles seen; one hidden behind another counts for less, seen or not."""
    sides = _Sides(camera.rig, offset)
    hidden = sides.hidden(camera.project(sides.where))
    share = {s.pole.name: s.share_in_sight for s in seen}
    names = [p.name for p in model(camera.rig, offset)]
    worth = 1 - HIDDEN_COSTS * hidden
    return float(np.mean([w * share.get(n, 0.0) for w, n in zip(worth, names, strict=True)]))


def _fit_edges(
    camera: Camera,
    offset: float,
    used: Sequence[SeenPole],
    feet: Sequence[tuple[Floats, float, float]],
    merged: Sequence[str],
) -> tuple[Camera, float, float] | None:
    rig = camera.rig
    half = rig.apparatus.rail_length_m / 2
    marks = []
    for s in used:
        pick = np.flatnonzero(s.used)
        share = pick / (len(s.used) - 1)
        # However many samples, a pole is one line: two places and two offsets, four observations' worth.
        alone = s.pole.name.endswith("rail") or s.pole.name.split(".")[0] not in merged
        u = (LINE_U_PX if alone else MERGED_U_PX) * math.sqrt(max(1.0, len(pick) / 4))
        marks.append((s.pole.name, share, s.found.centre_px[pick], s.normal[pick], u))
    ahead = [np.diff(camera.project(np.stack([f[0] + [0, 0, 0.3], f[0]])), axis=0)[0] for f in feet]
    ahead = [a / np.linalg.norm(a) for a in ahead]

    def misses(p: Floats) -> Floats:
        moved = camera.with_parameters(np.asarray(p[:7], np.float64))
        poles = {q.name: q for q in model(rig, p[7])}
        out = []
        for name, share, centre, normal, u in marks:
            pole = poles[name]
            px = moved.project(pole.a + share[:, None] * (pole.b - pole.a))
            out.append(((px - centre) * normal).sum(axis=1) / u)
        for (floor, end, u), direction in zip(feet, ahead, strict=True):
            y = math.copysign(p[7], floor[1])
            out.append(np.array([(moved.project([floor[0], y, 0.0]) @ direction - end) / u]))
        out.append(np.array([(p[7] - half - UPRIGHT_BEYOND_RAIL_M) / UPRIGHT_BEYOND_U_M]))
        if rig.lens is not None:
            out.append(np.array([(p[6] - math.log(rig.lens.focal_px)) / rig.lens.focal_u]))
        return np.asarray(np.nan_to_num(np.concatenate(out), nan=1e3))

    start = np.append(camera.parameters(), offset)
    try:
        found: Any = least_squares(misses, start, x_scale="jac", loss="soft_l1", max_nfev=30)
    except ValueError:
        return None
    n = sum(len(m[1]) for m in marks)
    raw = np.concatenate([np.full(len(m[1]), m[4]) for m in marks]) * misses(found.x)[:n]
    _, sizes, right = np.linalg.svd(found.jac, full_matrices=False)
    if sizes[-1] < 1e-9 * sizes[0]:
        return None
    covariance = (right.T / sizes**2) @ right
    # The weights already count a pole as one line; a worse fit than that raises the covariance.
    observed = float((found.fun[:n] ** 2).sum() / max(1, 4 * len(marks)))
    covariance *= max(1.0, observed)
    fitted = replace(camera.with_parameters(found.x[:7]), covariance=covariance[:7, :7])
    return fitted, float(found.x[7]), float(np.sqrt((raw**2).mean()))

"""Where the camera stands: pictures to metres in the flight plane, and what that costs in certainty.

A pinhole with square pixels; focal length and pose are fitted to the survey points by least squares,
with their covariance. Without a lens profile (:mod:`capture.lens`) the principal point is the picture's
centre and straight lines stay straight. Away from the bars a plane
with a scale and a line stands in for it. Both are a :class:`View`.

Pixel centres are at integer coordinates, x right, y down. The flight plane is y = 0.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Final, Protocol

import cv2
import msgspec
import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from bridge.errors import ConfigError
from bridge.messages import RailLine
from capture.rig import Rail, ReferenceSection, Rig

Floats = NDArray[np.float64]

OFF_PLANE_U_M: Final = 0.10  # standard uncertainty of the gymnast's y: our own estimate, no source
JOINT_BIAS_U_M: Final = 0.010  # of where a network puts the hip against the joint centre: our own estimate
# (general networks were 30 to 50 mm off at the hip: Needham et al., Sci. Rep. 11, 2021; the upper bound)
LINE_HALF_M: Final = 1.5  # a rail's height is drawn this far to either side
WORST_RESIDUAL: Final = 5.0  # of a survey point, in its standard uncertainties, before the fit is refused
WORST_CONDITION_U_M: Final = 0.25  # a place that cannot tell heights better than this is refused


class View(Protocol):
    """What turns a picture into metres in the flight plane, and back."""

    @property
    def picture(self) -> tuple[int, int]:
        """Width and height, px."""
        ...

    @property
    def rails(self) -> tuple[Rail, ...]:
        """The rails, high rail first; empty away from the bars."""
        ...

    @property
    def floor_m(self) -> float | None:
        """Height of the mat's top; None when it is not known."""
        ...

    def zero_m(self, rail: str) -> float:
        """Height z that readings against ``rail`` start from (the top of the rail, or the line)."""
        ...

    def to_plane(self, px: ArrayLike, y_m: float = 0.0) -> Floats:
        """Where the sight lines of (..., 2) pixels meet the plane y = ``y_m``: (..., 2) of x, z in metres."""
        ...

    def project_plane(self, xz_m: ArrayLike, y_m: float = 0.0) -> Floats:
        """Pixels (..., 2) of points (..., 2) of the plane y = ``y_m``."""
        ...

    def variants(self) -> tuple[tuple[str, View], ...]:
        """The view moved by one standard uncertainty along each independent source of error.

        The root sum of squares of what any figure changes by is that figure's uncertainty from the
        set-up (law of propagation, GUM 5.1.2, by finite steps).
        """
        ...

    def lines(self) -> tuple[RailLine, ...]:
        """The heights of the rails (or the line) as they are drawn."""
        ...

    def words(self) -> str:
        """The camera's place, in words."""
        ...

    def expected_u_m(self, rail: str | None = None) -> float:
        """Standard uncertainty to be expected of hip height near the rail, metres."""
        ...


def px_per_m(view: View, at_xz_m: ArrayLike) -> float:
    """Scale of the picture (vertical) at a point of the flight plane."""
    at = np.asarray(at_xz_m, dtype=float)
    step = np.array([0.0, 0.05])
    a, b = view.project_plane(at - step), view.project_plane(at + step)
    return float(np.hypot(*(b - a)) / 0.1)


def plane_jacobian(view: View, px: ArrayLike) -> Floats:
    """Derivative of (x, z) by (px x, px y) at pixels (..., 2): (..., 2, 2), metres per pixel."""
    p = np.asarray(px, dtype=float)
    columns = [
        (view.to_plane(p + step) - view.to_plane(p - step)) / 1.0
        for step in (np.array([0.5, 0]), np.array([0, 0.5]))
    ]
    return np.stack(columns, axis=-1)


def spread_of(view: View, figure: Callable[[View], Floats]) -> Floats:
    """Standard uncertainty of ``figure(view)`` that comes from the set-up, elementwise."""
    nominal = figure(view)
    total = np.zeros_like(nominal)
    for _, variant in view.variants():
        total += (figure(variant) - nominal) ** 2
    return np.sqrt(total)


def rail_line(view: View, rail: str, x_m: float, z_m: float, label: str) -> RailLine:
    """The height ``z_m`` drawn in the flight plane to either side of ``x_m``."""
    ends = np.array([[x_m - LINE_HALF_M, z_m], [x_m + LINE_HALF_M, z_m]])
    a, b = view.project_plane(ends)
    middle = np.array([x_m, z_m])
    pixel = view.project_plane(middle)
    # The drawn line's uncertainty is that of its height where the rail really is seen: a variant sees
    # the same height at another pixel.
    moved = [
        float(variant.project_plane(np.array([x_m, variant.zero_m(rail)]))[1] - pixel[1])
        for _, variant in view.variants()
    ]
    return RailLine(
        rail=rail,
        a=(float(a[0]), float(a[1])),
        b=(float(b[0]), float(b[1])),
        u_px=math.sqrt(sum(m * m for m in moved)),
        label=label,
    )


def _expected_u_m(view: View, rail: str, x_m: float) -> float:
    """Standard uncertainty expected of hips 0.3 m above the rail and 0.3 m beside it."""
    z = view.zero_m(rail) + 0.3
    px = view.project_plane(np.array([x_m + 0.3, z]))
    set_up = spread_of(view, lambda v: v.to_plane(px)[1:] - v.zero_m(rail))[0]
    beside = view.to_plane(view.project_plane(np.array([x_m + 0.3, z]), OFF_PLANE_U_M))[1] - z
    return float(math.sqrt(set_up**2 + beside**2 + JOINT_BIAS_U_M**2))


@dataclass(frozen=True, slots=True)
class Camera:
    """A pinhole camera and how well it is known.

    ``rotation`` turns apparatus axes into camera axes (x right, y down, z ahead).
    """

    rig: Rig
    focal_px: float
    rotation: Floats  # (3, 3)
    position: Floats  # (3,) metres
    covariance: Floats = field(
        default_factory=lambda: np.zeros((7, 7))
    )  # rotation vector, position, ln focal
    tolerance_steps: tuple[tuple[str, Floats, Rig], ...] = ()  # parameters moved by each size's uncertainty
    residual_px: float = 0.0  # root mean square of the fit's residuals

    @staticmethod
    def looking(
        rig: Rig, position: ArrayLike, target: ArrayLike, focal_px: float, roll_rad: float = 0.0
    ) -> Camera:
        """A camera at ``position`` that looks at ``target``; both (3,) metres. For the studio and tests."""
        place = np.asarray(position, dtype=float)
        ahead = np.asarray(target, dtype=float) - place
        ahead = ahead / np.linalg.norm(ahead)
        right = np.cross(ahead, [0.0, 0.0, 1.0])
        right = right / np.linalg.norm(right)
        down = np.cross(ahead, right)
        level = np.stack([right, down, ahead])
        roll = Rotation.from_rotvec([0.0, 0.0, roll_rad]).as_matrix()
        return Camera(rig, focal_px, roll @ level, place)

    @property
    def picture(self) -> tuple[int, int]:
        return self.rig.picture

    @property
    def rails(self) -> tuple[Rail, ...]:
        return self.rig.rails

    @property
    def floor_m(self) -> float | None:
        return self.rig.apparatus.mat_m

    @property
    def centre_px(self) -> Floats:
        """The principal point: the lens profile's, or the picture's middle; pixel centres at integers."""
        if self.rig.lens is not None:
            return np.array(self.rig.lens.centre_px)
        return (np.array(self.picture, dtype=float) - 1) / 2

    def zero_m(self, rail: str) -> float:
        return next(r.top_m for r in self.rails if r.name == rail)

    def project(self, xyz_m: ArrayLike) -> Floats:
        """Pixels (..., 2) of points (..., 3); NaN behind the camera."""
        points = (np.asarray(xyz_m, dtype=float) - self.position) @ self.rotation.T
        depth = np.where(points[..., 2:] > 1e-6, points[..., 2:], np.nan)
        ideal = points[..., :2] / depth
        lens = self.rig.lens
        return self.centre_px + self.focal_px * (ideal if lens is None else lens.distort(ideal))

    def project_plane(self, xz_m: ArrayLike, y_m: float = 0.0) -> Floats:
        xz = np.asarray(xz_m, dtype=float)
        return self.project(np.stack([xz[..., 0], np.full(xz.shape[:-1], y_m), xz[..., 1]], axis=-1))

    def to_plane(self, px: ArrayLike, y_m: float = 0.0) -> Floats:
        p = (np.asarray(px, dtype=float) - self.centre_px) / self.focal_px
        if self.rig.lens is not None:
            p = self.rig.lens.undistort(p)
        rays = np.concatenate([p, np.ones((*p.shape[:-1], 1))], axis=-1) @ self.rotation
        reach = (y_m - self.position[1]) / rays[..., 1]
        reach = np.where(reach > 0, reach, np.nan)
        hit = self.position + rays * reach[..., None]
        return hit[..., [0, 2]]

    def parameters(self) -> Floats:
        """The seven fitted numbers: rotation vector, position, logarithm of the focal length."""
        turn = Rotation.from_matrix(self.rotation).as_rotvec()
        return np.concatenate([turn, self.position, [math.log(self.focal_px)]])

    def with_parameters(self, p: Floats, rig: Rig | None = None) -> Camera:
        """The camera that these seven numbers describe."""
        turn = Rotation.from_rotvec(p[:3]).as_matrix()
        return replace(
            self,
            rig=rig or self.rig,
            focal_px=float(math.exp(p[6])),
            rotation=turn,
            position=np.array(p[3:6]),
        )

    def variants(self) -> tuple[tuple[str, View], ...]:
        found: list[tuple[str, View]] = []
        nominal = self.parameters()
        values, vectors = np.linalg.eigh(self.covariance)
        for value, vector in zip(values, vectors.T, strict=True):
            if value > 0:
                found.append(("camera", self.with_parameters(nominal + math.sqrt(value) * vector)))
        for name, step, rig in self.tolerance_steps:
            found.append((name, self.with_parameters(nominal + step, rig)))
        return tuple(found)

    def lines(self) -> tuple[RailLine, ...]:
        return tuple(rail_line(self, r.name, r.x_m, r.top_m, f"{r.name} bar") for r in self.rails)

    @property
    def distance_m(self) -> float:
        """From the middle of the high rail, level with the floor."""
        return float(np.hypot(self.position[0], self.position[1]))

    @property
    def off_axis_rad(self) -> float:
        """Angle between the rail's direction and the line of sight from above, 0 when side-on."""
        return float(math.atan2(abs(self.position[0]), abs(self.position[1])))

    def words(self) -> str:
        return (
            f"{self.distance_m:.1f} m away, {self.position[2]:.1f} m high, "
            f"{math.degrees(self.off_axis_rad):.0f} degrees off the rail's direction"
        )

    def expected_u_m(self, rail: str | None = None) -> float:
        chosen = self.rails[0] if rail is None else next(r for r in self.rails if r.name == rail)
        return _expected_u_m(self, chosen.name, chosen.x_m)


@dataclass(frozen=True, slots=True)
class PlaneView:
    """A plane with a scale and a line of height zero: used away from the bars."""

    reference: ReferenceSection
    zero_step_m: float = 0.0

    @property
    def picture(self) -> tuple[int, int]:
        return self.reference.picture

    @property
    def rails(self) -> tuple[Rail, ...]:
        return ()

    @property
    def floor_m(self) -> float | None:
        return None

    def zero_m(self, rail: str) -> float:
        return self.zero_step_m

    def _axes(self) -> tuple[Floats, Floats]:
        a, b = np.array(self.reference.line_px, dtype=float)
        along = (b - a) / np.linalg.norm(b - a)
        if along[0] < 0:
            along = -along
        up = np.array([along[1], -along[0]])  # picture y runs down
        return a, np.stack([along, up])

    def to_plane(self, px: ArrayLike, y_m: float = 0.0) -> Floats:
        origin, axes = self._axes()
        return (np.asarray(px, dtype=float) - origin) @ axes.T / self.reference.px_per_m

    def project_plane(self, xz_m: ArrayLike, y_m: float = 0.0) -> Floats:
        origin, axes = self._axes()
        return origin + np.asarray(xz_m, dtype=float) @ axes * self.reference.px_per_m

    def variants(self) -> tuple[tuple[str, View], ...]:
        r = self.reference
        scaled = msgspec.structs.replace(r, px_per_m=r.px_per_m * (1 + r.scale_u))
        return (
            ("scale", replace(self, reference=scaled)),
            ("line", replace(self, zero_step_m=r.line_u_px / r.px_per_m)),
        )

    def lines(self) -> tuple[RailLine, ...]:
        a, b = self.reference.line_px
        return (
            RailLine(rail="line", a=a, b=b, u_px=self.reference.line_u_px, label=self.reference.line_name),
        )

    def words(self) -> str:
        return f"{self.reference.px_per_m:.0f} px to the metre in the plane of the flight"

    def expected_u_m(self, rail: str | None = None) -> float:
        return _expected_u_m(self, "line", 0.0)


def facts(view: View) -> dict[str, float]:
    """What a session keeps of its camera: expected uncertainty and place, in metres and radians."""
    known = {"expected_u_m": view.expected_u_m()}
    if isinstance(view, Camera):
        known |= {
            "distance_m": view.distance_m,
            "height_m": float(view.position[2]),
            "off_axis_rad": view.off_axis_rad,
        }
    return known


def view_of(rig: Rig) -> View:
    """The fitted camera of a rig with bars, or the plane of one without.

    Raises:
        ConfigError: the camera cannot be fitted to the survey points.
    """
    if rig.reference is not None:
        return PlaneView(rig.reference)
    return fit_camera(rig)


def fit_camera(rig: Rig) -> Camera:
    """Focal length and pose from the survey points, by least squares.

    The covariance is (J'J)^-1 times the greater of the stated and the observed point variance; what
    the tolerances of the apparatus move the fit by is kept beside it.

    Raises:
        ConfigError: the points contradict each other (the worst is named) or leave the camera open.
    """
    names = [p.name for p in rig.points]
    where = np.array([rig.points3d(name) for name in names])
    pixels = np.array([p.px for p in rig.points], dtype=float)
    camera, jacobian, residuals = _fit(rig, where, pixels)

    expected = _point_u_px(rig, camera, names)
    misses = np.linalg.norm(residuals, axis=1)
    if float(np.max(misses / expected)) > WORST_RESIDUAL * math.sqrt(2):
        worst = _worst_point(rig, where, pixels, expected)
        without = _fit(rig, np.delete(where, worst, 0), np.delete(pixels, worst, 0))[0]
        off = float(np.linalg.norm(without.project(where[worst]) - pixels[worst]))
        raise ConfigError(
            f"{rig.source}: camera.points {names[worst]!r} is {off:.0f} px from where the others put it; "
            "mark it again, or check the sizes in [apparatus]"
        )

    # SVD instead of the normal equations: nothing is inverted that the points do not fix.
    left, sizes, right = np.linalg.svd(jacobian, full_matrices=False)
    if sizes[-1] < 1e-9 * sizes[0]:
        raise ConfigError(f"{rig.source}: camera.points leave the camera open; add feet of the uprights")
    inverse = right.T @ np.diag(1 / sizes) @ left.T
    freedom = residuals.size - (7 if rig.lens is None else 6)  # a profile all but gives the focal length
    observed = float((residuals**2).sum() / freedom)
    covariance = inverse @ inverse.T * max(rig.pixel_u**2, observed)
    inverse = inverse[:, : residuals.size]  # what moves with the points
    steps = []
    for key, moved in rig.tolerances():
        shift = camera.project(np.array([moved.points3d(name) for name in names])) - camera.project(where)
        steps.append((key, -inverse @ shift.ravel(), moved))
    camera = replace(
        camera,
        covariance=covariance,
        tolerance_steps=tuple(steps),
        residual_px=float(np.sqrt((residuals**2).mean())),
    )
    u = camera.expected_u_m()
    if not u < WORST_CONDITION_U_M:
        raise ConfigError(
            f"{rig.source}: camera.points leave heights uncertain by {100 * u:.0f} cm; "
            "add feet of the uprights and both ends of both rails"
        )
    return camera


def _fit(rig: Rig, where: Floats, pixels: Floats) -> tuple[Camera, Floats, Floats]:
    """Camera, Jacobian (2n, 7) of its pixels and residuals (n, 2), from n points.

    With a lens profile its focal length is one more observation, and the Jacobian has a row for it.
    """
    frame = Camera(rig, 1.0, np.eye(3), np.zeros(3))

    def misses(p: Floats) -> Floats:
        off = frame.with_parameters(p).project(where) - pixels
        off = np.nan_to_num(off, nan=1e4).ravel()
        if rig.lens is None:
            return off
        known = rig.pixel_u / rig.lens.focal_u * (p[6] - math.log(rig.lens.focal_px))
        return np.append(off, known)

    best = None
    for start in _starts(rig, where, pixels)[:3]:
        found = least_squares(misses, start, x_scale="jac", method="trf", max_nfev=80)
        if best is None or found.cost < best.cost:
            best = found
    if best is None:
        raise ConfigError(f"{rig.source}: no camera fits camera.points; check which point is which")
    return frame.with_parameters(best.x), np.asarray(best.jac), best.fun[: pixels.size].reshape(-1, 2)


def _starts(rig: Rig, where: Floats, pixels: Floats) -> list[Floats]:
    """First guesses over a range of focal lengths, best first."""
    width = rig.picture[0]
    frame = Camera(rig, 1.0, np.eye(3), np.zeros(3))
    found: list[tuple[float, Floats]] = []
    focals = np.geomspace(0.5, 8.0, 13) * width if rig.lens is None else [rig.lens.focal_px]
    for focal in focals:
        ideal = (pixels - frame.centre_px) / focal
        if rig.lens is not None:
            ideal = rig.lens.undistort(ideal)
        ok, turns, shifts, _ = cv2.solvePnPGeneric(where, ideal, np.eye(3), None, flags=cv2.SOLVEPNP_SQPNP)
        if not ok:
            continue
        for turn, shift in zip(turns, shifts, strict=True):
            rotation = Rotation.from_rotvec(turn.ravel())
            position = -rotation.inv().apply(shift.ravel())
            # The camera stands on the side from which the low bar is where the rig says.
            if (position[1] < 0) != (rig.low_bar_side == "right"):
                continue
            p = np.concatenate([rotation.as_rotvec(), position, [math.log(focal)]])
            off = frame.with_parameters(p).project(where) - pixels
            if np.isfinite(off).all():
                found.append((float((off**2).sum()), p))
    found.sort(key=lambda item: item[0])
    return [p for _, p in found]


def _point_u_px(rig: Rig, camera: Camera, names: list[str]) -> Floats:
    """Standard uncertainty (n,) of each point's place in the picture: marking and apparatus tolerance."""
    where = camera.project(np.array([rig.points3d(n) for n in names]))
    total = np.full(len(names), rig.pixel_u**2)
    for _, moved in rig.tolerances():
        there = camera.project(np.array([moved.points3d(n) for n in names]))
        total += ((there - where) ** 2).sum(axis=1)
    return np.asarray(np.sqrt(total), dtype=np.float64)


def _worst_point(rig: Rig, where: Floats, pixels: Floats, expected: Floats) -> int:
    """The point without which the others agree best."""
    costs = []
    for i in range(len(where)):
        try:
            left = _fit(rig, np.delete(where, i, 0), np.delete(pixels, i, 0))[2]
        except ConfigError:
            costs.append(math.inf)
            continue
        costs.append(float((np.linalg.norm(left, axis=1) / np.delete(expected, i)).sum()))
    return int(np.argmin(costs))

"""The rig: where the rails are, and where a few of their points stand in the picture.

Two kinds of rig file exist. On the bars, ``[apparatus]`` gives the sizes and ``[camera]`` the survey
points. Away from the bars, ``[reference]`` gives a drawn line and a scale in the plane of the flight.

Apparatus axes, metres: x across the rails with 0 at the high rail and the low rail at positive x;
y along the rails, 0 at mid-rail; z up from the floor. Heights of rails are those of their top.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from importlib import resources
from pathlib import Path
from typing import Final, Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from bridge.errors import ConfigError
from capture.lens import Lens, check_lens, load_lens
from capture.toml_file import decode, read_text

Floats = NDArray[np.float64]

FEWEST_POINTS: Final = 6
POINT_NAMES: Final = tuple(
    f"{rail}.{place}" for rail in ("high", "low") for place in ("near", "far", "mid", "near.foot", "far.foot")
)


class Sizes(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Sizes of the apparatus, metres; heights are from the floor to the top of the rail."""

    high_bar_m: float
    low_bar_m: float
    inner_diagonal_m: float  # between the insides of the rails
    rail_length_m: float
    rail_diameter_m: float
    height_tolerance_m: float  # half-width; also taken for diagonal and length
    mat_m: float  # height of the landing mat's top
    upright_offset_m: float | None = None  # |y| of the uprights' feet; half the rail when not given

    @property
    def spread_m(self) -> float:
        """Horizontal distance between the rails' axes."""
        return math.sqrt(self.centre_distance_m**2 - (self.high_bar_m - self.low_bar_m) ** 2)

    @property
    def centre_distance_m(self) -> float:
        """Distance between the rails' axes: inner diagonal and one rail diameter."""
        return self.inner_diagonal_m + self.rail_diameter_m


class ApparatusSection(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """``[apparatus]`` of a rig file."""

    preset: str = "senior"
    low_bar_side: Literal["left", "right"] = "right"
    high_bar_m: float | None = None
    low_bar_m: float | None = None
    inner_diagonal_m: float | None = None
    rail_length_m: float | None = None
    rail_diameter_m: float | None = None
    height_tolerance_m: float | None = None
    mat_m: float | None = None
    upright_offset_m: float | None = None


class SurveyPoint(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A named point of the apparatus and where it is in the picture."""

    name: str
    px: tuple[float, float]


class CameraSection(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """``[camera]`` of a rig file."""

    picture: tuple[int, int]
    points: tuple[SurveyPoint, ...] = ()
    pixel_u: float = 0.7  # standard uncertainty of one survey point, either axis, px
    place: str = ""
    lens: Lens | None = None  # left out: straight lines stay straight
    lens_file: str | None = None  # a lens file beside the rig file, in place of [camera.lens]
    still: str | None = None  # the survey's picture, a file beside the rig file


class ReferenceSection(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """``[reference]`` of a rig file: a line of height zero and a scale in the plane of the flight."""

    picture: tuple[int, int]
    px_per_m: float
    line_px: tuple[tuple[float, float], tuple[float, float]]
    scale_u: float = 0.01  # relative standard uncertainty of px_per_m
    line_u_px: float = 1.0  # standard uncertainty of the line's height, px
    line_name: str = "line"


class RigFile(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A rig file as written."""

    format: int
    apparatus: ApparatusSection | None = None
    camera: CameraSection | None = None
    reference: ReferenceSection | None = None


@dataclass(frozen=True, slots=True)
class Rail:
    """One rail: its name, where its axis crosses the flight plane, and its top."""

    name: str
    x_m: float
    top_m: float
    diameter_m: float
    length_m: float

    @property
    def axis(self) -> Floats:
        """Where the rail's axis crosses the flight plane: (x, z)."""
        return np.array([self.x_m, self.top_m - self.diameter_m / 2])


@dataclass(frozen=True, slots=True)
class Rig:
    """The apparatus and its survey points, or the reference line when there are no bars."""

    picture: tuple[int, int]
    sizes: Sizes | None = None
    low_bar_side: Literal["left", "right"] = "right"
    points: tuple[SurveyPoint, ...] = ()
    pixel_u: float = 0.7
    place: str = ""
    reference: ReferenceSection | None = None
    lens: Lens | None = None
    source: str = "rig"  # names the file in error messages
    still: Path | None = None  # the survey's picture

    @property
    def apparatus(self) -> Sizes:
        """Sizes of the bars.

        Raises:
            ConfigError: the rig has a reference line instead of bars.
        """
        if self.sizes is None:
            raise ConfigError(f"{self.source}: no [apparatus]; this rig has a reference line, not bars")
        return self.sizes

    @property
    def rails(self) -> tuple[Rail, ...]:
        """The rails, high rail first; empty away from the bars."""
        if self.sizes is None:
            return ()
        s = self.sizes
        return (
            Rail("high", 0.0, s.high_bar_m, s.rail_diameter_m, s.rail_length_m),
            Rail("low", s.spread_m, s.low_bar_m, s.rail_diameter_m, s.rail_length_m),
        )

    def points3d(self, name: str) -> Floats:
        """Place of a named point, (3,) metres.

        Raises:
            ConfigError: no such point.
        """
        if name not in POINT_NAMES:
            raise ConfigError(f"{self.source}: unknown point {name!r}; use one of {', '.join(POINT_NAMES)}")
        s = self.apparatus
        rail_name, _, place = name.partition(".")
        rail = self.rails[0 if rail_name == "high" else 1]
        x, z = rail.axis
        # A camera that sees the low bar on its right stands at negative y: that end is the nearer one.
        near = -1.0 if self.low_bar_side == "right" else 1.0
        side = {"mid": 0.0, "near": near, "far": -near}[place.split(".")[0]]
        if place.endswith("foot"):
            offset = s.upright_offset_m if s.upright_offset_m is not None else s.rail_length_m / 2
            return np.array([x, side * offset, 0.0])
        return np.array([x, side * s.rail_length_m / 2, z])

    def tolerances(self) -> tuple[tuple[str, Rig], ...]:
        """Rigs that differ by one standard uncertainty in one size each (rectangular: GUM 4.3.7)."""
        s = self.apparatus
        u = s.height_tolerance_m / math.sqrt(3)
        return tuple(
            (key, replace(self, sizes=msgspec.structs.replace(s, **{key: getattr(s, key) + u})))
            for key in ("high_bar_m", "low_bar_m", "inner_diagonal_m", "rail_length_m")
        )


def presets() -> dict[str, Sizes]:
    """Sizes shipped with the program, by name."""
    text = resources.files("capture.tables").joinpath("rigs.toml").read_text(encoding="utf-8")
    return msgspec.toml.decode(text, type=dict[str, Sizes])


def load_rig(path: Path) -> Rig:
    """Read a rig file.

    Raises:
        ConfigError: the file is missing or cannot be used; names the file, the key and the remedy.
    """
    return parse_rig(read_text(path, "a rig file"), str(path))


def parse_rig(text: str, source: str = "rig") -> Rig:
    """Read the text of a rig file; ``source`` names it in errors.

    Raises:
        ConfigError: see :func:`load_rig`.
    """
    file = decode(text, RigFile, source, "compare with the rig file format")
    if file.reference is not None:
        if file.apparatus is not None or file.camera is not None:
            raise ConfigError(f"{source}: [reference] stands beside [apparatus] or [camera]; keep one kind")
        return _reference_rig(file.reference, source)
    if file.apparatus is None or file.camera is None:
        raise ConfigError(f"{source}: needs [apparatus] and [camera], or [reference] away from the bars")
    return _bars_rig(file.apparatus, file.camera, source)


def _bars_rig(apparatus: ApparatusSection, camera: CameraSection, source: str) -> Rig:
    known = presets()
    if apparatus.preset not in known:
        raise ConfigError(
            f"{source}: apparatus.preset = {apparatus.preset!r} is unknown; use one of {', '.join(known)}"
        )
    own = {key: value for key in Sizes.__struct_fields__ if (value := getattr(apparatus, key)) is not None}
    sizes = msgspec.structs.replace(known[apparatus.preset], **own)
    check_sizes(sizes, source)
    _check_picture(camera.picture, "camera.picture", source)
    if not 0 < camera.pixel_u < 50:
        raise ConfigError(f"{source}: camera.pixel_u = {camera.pixel_u}; give pixels between 0 and 50")
    rig = Rig(
        camera.picture,
        sizes,
        apparatus.low_bar_side,
        camera.points,
        camera.pixel_u,
        camera.place,
        lens=_lens(camera, source),
        source=source,
        still=Path(source).parent / camera.still if camera.still is not None else None,
    )
    _check_points(rig)
    return rig


def _lens(camera: CameraSection, source: str) -> Lens | None:
    if camera.lens_file is None:
        if camera.lens is not None:
            check_lens(camera.lens, camera.picture, source, "camera.lens")
        return camera.lens
    if camera.lens is not None:
        raise ConfigError(f"{source}: camera.lens stands beside camera.lens_file; keep one of them")
    path = Path(source).parent / camera.lens_file
    lens = load_lens(path)
    check_lens(lens, camera.picture, str(path), "lens")
    return lens


def _reference_rig(reference: ReferenceSection, source: str) -> Rig:
    _check_picture(reference.picture, "reference.picture", source)
    for key, value in (
        ("px_per_m", reference.px_per_m),
        ("scale_u", reference.scale_u),
        ("line_u_px", reference.line_u_px),
    ):
        if not (math.isfinite(value) and value > 0):
            raise ConfigError(f"{source}: reference.{key} = {value}; give a number above 0")
    (ax, ay), (bx, by) = reference.line_px
    if not math.hypot(bx - ax, by - ay) >= 10:
        raise ConfigError(f"{source}: reference.line_px ends are less than 10 px apart; move them apart")
    return Rig(reference.picture, reference=reference, source=source)


def _check_picture(picture: tuple[int, int], key: str, source: str) -> None:
    if min(picture) < 64:
        raise ConfigError(f"{source}: {key} = {list(picture)}; give width and height in pixels")


def check_sizes(sizes: Sizes, source: str) -> None:
    """Refuse sizes that no bars can have.

    Raises:
        ConfigError: names the size and the remedy.
    """
    for key in Sizes.__struct_fields__:
        value = getattr(sizes, key)
        if value is None or (key == "mat_m" and value == 0):
            continue
        if not (math.isfinite(value) and 0 < value < 10):
            raise ConfigError(f"{source}: apparatus.{key} = {value}; give metres between 0 and 10")
    if sizes.high_bar_m <= sizes.low_bar_m:
        raise ConfigError(f"{source}: apparatus.high_bar_m is not above low_bar_m; exchange them")
    if sizes.centre_distance_m <= sizes.high_bar_m - sizes.low_bar_m + 0.1:
        raise ConfigError(
            f"{source}: apparatus.inner_diagonal_m = {sizes.inner_diagonal_m} is shorter than the bars' "
            "difference in height allows; measure from inside to inside of the rails"
        )


def _check_points(rig: Rig) -> None:
    names = [point.name for point in rig.points]
    places = {name: rig.points3d(name) for name in names}
    for point in rig.points:
        if names.count(point.name) > 1:
            raise ConfigError(f"{rig.source}: camera.points names {point.name!r} twice; keep one of them")
        if not all(math.isfinite(v) for v in point.px):
            raise ConfigError(
                f"{rig.source}: camera.points {point.name!r} has px = {point.px}; mark it again"
            )
    if len(names) < FEWEST_POINTS:
        raise ConfigError(
            f"{rig.source}: camera.points has {len(names)} points; mark at least {FEWEST_POINTS} "
            "(rail ends, rail middles, feet of the uprights)"
        )
    where = np.array([places[name] for name in names])
    pixels = np.array([point.px for point in rig.points])
    for cloud, what in ((where, "on the apparatus"), (pixels, "in the picture")):
        spread = np.linalg.svd(cloud - cloud.mean(axis=0), compute_uv=False)
        if spread[1] < 0.02 * spread[0]:
            raise ConfigError(
                f"{rig.source}: camera.points lie on one line {what}; add points of the other rail and feet"
            )

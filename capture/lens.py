"""What the lens does to straight lines, and how it is found from pictures of a ChArUco board.

Radial and tangential distortion after Brown (Decentering Distortion of Lenses, Photogrammetric
Engineering 32, 1966), in the order of OpenCV's ``calibrateCamera``: with x, y the ideal place in
units of the focal length and r2 = x^2 + y^2,

    x' = x (1 + k1 r2 + k2 r2^2 + k3 r2^3) + 2 p1 x y + p2 (r2 + 2 x^2)
    y' = y (1 + k1 r2 + k2 r2^2 + k3 r2^3) + p1 (r2 + 2 y^2) + 2 p2 x y
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import cv2
import msgspec
import numpy as np
from numpy.typing import ArrayLike, NDArray

from bridge.errors import ConfigError
from capture.toml_file import decode, read_text

Floats = NDArray[np.float64]
Image = NDArray[np.uint8]

FEWEST_BOARDS: Final = 6
FEWEST_CORNERS: Final = 8  # of one board, before its picture counts
WORST_RESIDUAL_PX: Final = 1.5  # root mean square, before a profile is refused
BEND_NOTICED_PX: Final = (
    1.5  # of a straight line across the picture; below, a profile is not worth the trouble
)
SMALLEST_FOCAL_U: Final = 1e-3  # relative; a board printed and flat to a part in a thousand: our own estimate


class Lens(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A lens at one setting of zoom and focus."""

    picture: tuple[int, int]
    focal_px: float
    centre_px: tuple[float, float]  # principal point; pixel centres at integers
    k1: float = 0.0
    k2: float = 0.0
    k3: float = 0.0
    p1: float = 0.0
    p2: float = 0.0
    focal_u: float = 0.005  # relative standard uncertainty of focal_px

    def distort(self, xy: ArrayLike) -> Floats:
        """Where the lens puts ideal places (..., 2), both in units of the focal length."""
        x, y = np.moveaxis(np.asarray(xy, dtype=float), -1, 0)
        r2 = x * x + y * y
        radial = 1 + r2 * (self.k1 + r2 * (self.k2 + r2 * self.k3))
        return np.stack(
            [
                x * radial + 2 * self.p1 * x * y + self.p2 * (r2 + 2 * x * x),
                y * radial + self.p1 * (r2 + 2 * y * y) + 2 * self.p2 * x * y,
            ],
            axis=-1,
        )

    def undistort(self, xy: ArrayLike) -> Floats:
        """The ideal places (..., 2) of what the lens put at ``xy``: Newton's method on :meth:`distort`."""
        seen = np.asarray(xy, dtype=float)
        ideal = seen.copy()
        for _ in range(12):
            miss = self.distort(ideal) - seen
            if np.nanmax(np.abs(miss), initial=0.0) < 1e-12:
                break
            x, y = np.moveaxis(ideal, -1, 0)
            r2 = x * x + y * y
            radial = 1 + r2 * (self.k1 + r2 * (self.k2 + r2 * self.k3))
            slope = self.k1 + r2 * (2 * self.k2 + 3 * r2 * self.k3)
            xx = radial + 2 * x * x * slope + 2 * self.p1 * y + 6 * self.p2 * x
            yy = radial + 2 * y * y * slope + 6 * self.p1 * y + 2 * self.p2 * x
            xy_ = 2 * x * y * slope + 2 * self.p1 * x + 2 * self.p2 * y
            size = xx * yy - xy_ * xy_
            ideal = ideal - np.stack(
                [(yy * miss[..., 0] - xy_ * miss[..., 1]) / size,
                 (xx * miss[..., 1] - xy_ * miss[..., 0]) / size],
                axis=-1,
            )  # fmt: skip
        return ideal

    def bend_px(self) -> float:
        """How far, at most, a straight line along the picture's border bows, px."""
        width, height = self.picture
        centre = np.array(self.centre_px)
        worst = 0.0
        for a, b in (
            ((0, 0), (width - 1, 0)),
            ((0, height - 1), (width - 1, height - 1)),
            ((0, 0), (0, height - 1)),
            ((width - 1, 0), (width - 1, height - 1)),
        ):
            line = np.linspace(np.array(a, float), np.array(b, float), 41)
            seen = self.distort((line - centre) / self.focal_px) * self.focal_px + centre
            along = (seen[-1] - seen[0]) / np.linalg.norm(seen[-1] - seen[0])
            off = seen - seen[0]
            worst = max(worst, float(np.abs(off[:, 0] * along[1] - off[:, 1] * along[0]).max()))
        return worst

    def words(self) -> str:
        """The lens in words."""
        return f"focal length {self.focal_px:.0f} px, straight lines bow by up to {self.bend_px():.1f} px"


class LensFile(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A lens file as written."""

    format: int
    lens: Lens


@dataclass(frozen=True, slots=True)
class Board:
    """A ChArUco board: squares across and down, and the marker's side as a share of the square's."""

    columns: int = 9
    rows: int = 6
    square_m: float = 0.04
    marker_share: float = 0.75
    dictionary: int = cv2.aruco.DICT_4X4_100

    def made(self) -> cv2.aruco.CharucoBoard:
        """OpenCV's board."""
        markers = cv2.aruco.getPredefinedDictionary(self.dictionary)
        side = self.square_m * self.marker_share
        return cv2.aruco.CharucoBoard((self.columns, self.rows), self.square_m, side, markers)

    def picture(self, px_per_square: int = 100) -> Image:
        """The board to print, grey levels, without a margin."""
        size = (self.columns * px_per_square, self.rows * px_per_square)
        return np.asarray(self.made().generateImage(size), np.uint8)


@dataclass(frozen=True, slots=True)
class LensFit:
    """A lens and how well the boards agree with it."""

    lens: Lens
    boards: int
    corners: int
    residual_px: float  # root mean square


def lens_from_boards(pictures: Sequence[Image], board: Board | None = None) -> LensFit:
    """The lens from pictures (h, w) or (h, w, 3) of a flat board held at many angles over the whole picture.

    Raises:
        ConfigError: too few boards are seen, the pictures differ in size, or the boards disagree.
    """
    if not pictures:
        raise ConfigError("lens: no pictures; film the board for some seconds at many angles")
    size = (pictures[0].shape[1], pictures[0].shape[0])
    made = (board or Board()).made()
    detector = cv2.aruco.CharucoDetector(made)
    things, places = [], []
    for picture in pictures:
        if (picture.shape[1], picture.shape[0]) != size:
            raise ConfigError("lens: the pictures differ in size; film the board with one camera setting")
        corners, ids, _, _ = detector.detectBoard(picture)
        if ids is None or len(ids) < FEWEST_CORNERS:
            continue
        thing, place = made.matchImagePoints(corners, ids)
        # Corners of one row of squares do not fix a plane's tilt.
        spread = np.linalg.svd(
            thing.reshape(-1, 3)[:, :2] - thing.reshape(-1, 3)[:, :2].mean(0), compute_uv=False
        )
        if spread[1] > 0.1 * spread[0]:
            things.append(np.asarray(thing, np.float32))
            places.append(np.asarray(place, np.float32))
    if len(things) < FEWEST_BOARDS:
        raise ConfigError(
            f"lens: the board is seen whole enough in {len(things)} of {len(pictures)} pictures; "
            f"show it in at least {FEWEST_BOARDS}, sharp, evenly lit and tilted differently each time"
        )
    found = cv2.calibrateCameraExtended(things, places, size, None, None, flags=cv2.CALIB_FIX_ASPECT_RATIO)
    residual, matrix, k, spreads = float(found[0]), found[1], np.ravel(found[2]), np.ravel(found[5])
    if residual > WORST_RESIDUAL_PX:
        raise ConfigError(
            f"lens: the boards contradict each other by {residual:.1f} px; use a flat, stiff board, "
            "keep zoom and focus, and check the number of squares"
        )
    lens = Lens(
        picture=size,
        focal_px=float(matrix[0, 0]),
        centre_px=(float(matrix[0, 2]), float(matrix[1, 2])),
        k1=float(k[0]),
        k2=float(k[1]),
        p1=float(k[2]),
        p2=float(k[3]),
        k3=float(k[4]),
        focal_u=max(float(spreads[0] / matrix[0, 0]), SMALLEST_FOCAL_U),
    )
    return LensFit(lens, len(things), sum(len(t) for t in things), residual)


def lens_toml(lens: Lens, table: str = "lens") -> str:
    """The lens as a table of a TOML file."""
    lines = [f"[{table}]"]
    for key in Lens.__struct_fields__:
        value = getattr(lens, key)
        numbers = ", ".join(repr(v) for v in value) if isinstance(value, tuple) else repr(value)
        lines.append(f"{key} = [{numbers}]" if isinstance(value, tuple) else f"{key} = {numbers}")
    return "\n".join(lines) + "\n"


def load_lens(path: Path) -> Lens:
    """Read a lens file.

    Raises:
        ConfigError: the file is missing or cannot be used; names the file, the key and the remedy.
    """
    file = decode(
        read_text(path, "a lens file"), LensFile, str(path), "make it again with the survey of a board"
    )
    check_lens(file.lens, file.lens.picture, str(path), "lens")
    return file.lens


def check_lens(lens: Lens, picture: tuple[int, int], source: str, key: str) -> None:
    """Refuse a lens that does not fit pictures of this size, or folds them over.

    Raises:
        ConfigError: names the file, the key and the remedy.
    """
    if lens.picture != picture:
        raise ConfigError(
            f"{source}: {key}.picture = {list(lens.picture)} is not the camera's {list(picture)}; "
            "make the profile with this camera setting"
        )
    if not (0 < lens.focal_px < 1e6 and 0 < lens.focal_u < 1):
        raise ConfigError(f"{source}: {key}.focal_px or focal_u is out of range; make the profile again")
    corners = np.array([[0, 0], [1, 0], [0, 1], [1, 1]]) * (np.array(picture) - 1.0)
    reach = np.abs(corners - np.array(lens.centre_px)).max(axis=0)
    r = np.linspace(0, float(np.hypot(*reach)) / lens.focal_px, 50)
    seen = lens.distort(np.stack([r, np.zeros_like(r)], axis=-1))[:, 0]
    if not (np.isfinite(seen).all() and (np.diff(seen) > 0).all()):
        raise ConfigError(f"{source}: {key} folds the picture over at its edge; make the profile again")

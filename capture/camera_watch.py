"""Notices, during a session, that the survey no longer holds: camera knocked or zoomed, picture dark or soft,
bars moved.

Small windows round the rails' ends, the feet and some fixed things of the hall are compared with the
survey's picture once a second, by phase correlation. A window that is covered by a person does not
correlate and is left out; a rail that swings under a gymnast goes to and fro, so the middle of several
looks counts. What all windows do together is the camera; what only one bar's windows do is that bar.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from capture.camera import Camera, px_per_m

Floats = NDArray[np.floating[Any]]
Image = NDArray[np.uint8]

WINDOW_PX: Final = 96  # in a picture 1920 wide
EVERY_NS: Final = 900_000_000  # looks come no faster than this
LOOKS: Final = 5  # the middle of so many counts
FEWEST_LOOKS: Final = 3
# Limits: our own choice, from what readings can bear.
MOVED_M: Final = 0.010  # at the high bar
MOVED_PX: Final = 1.2  # and never finer than this
RESPACED_M: Final = 0.020
ALIKE: Final = 0.55  # correlation below which a window shows something else
DARK_PART: Final = 0.45  # of the survey's light
SOFT_PART: Final = 0.60  # of the survey's sharpness
_SMALL_WIDTH: Final = 384
LOST_PART: Final = 0.25  # of the windows must be alike, or the picture shows something else


@dataclass(frozen=True, slots=True)
class _Window:
    """A piece of the survey's picture."""

    part: str  # "high", "low" or "hall"
    at: tuple[int, int]  # left, top
    grey: Floats  # (n, n)
    light: float
    sharp: float


@dataclass(slots=True)
class _Looks:
    """What was seen of a window lately."""

    shifts: deque[tuple[float, float] | None] = field(default_factory=lambda: deque(maxlen=LOOKS))

    def middle(self) -> Floats | None:
        """Median shift, px; None when it was covered too often."""
        seen = [s for s in self.shifts if s is not None]
        return np.median(np.array(seen), axis=0) if len(seen) >= FEWEST_LOOKS else None


class CameraWatch:
    """Compares a feed with the picture of its survey.

    Args:
        still: the survey's picture (h, w, 3) BGR, without people.
        camera: the fitted camera.
    """

    def __init__(self, still: Image, camera: Camera) -> None:
        self._camera = camera
        self._n = max(48, round(WINDOW_PX * still.shape[1] / 1920 / 16) * 16)
        self._hann = cv2.createHanningWindow((self._n, self._n), cv2.CV_32F)
        self._windows = _choose(still, camera, self._n)
        self._whole = _small(still)
        self._whole_hann = cv2.createHanningWindow(self._whole.shape[::-1], cv2.CV_32F)
        self._looks = [_Looks() for _ in self._windows]
        self._light: deque[float] = deque(maxlen=LOOKS)
        self._sharp: deque[float] = deque(maxlen=LOOKS)
        self._alike: deque[float] = deque(maxlen=LOOKS)
        self._last_ns: int | None = None
        self._times: deque[int] = deque(maxlen=LOOKS)
        self._for_now: str | None = None
        self._for_good: str | None = None

    @property
    def windows(self) -> int:
        """How many windows are watched."""
        return len(self._windows)

    @property
    def since_ns(self) -> int:
        """Capture time of the oldest look that counts towards what is said now."""
        return self._times[0]

    def push(self, t_ns: int, bgr: Image) -> str | None:
        """Look at a picture (h, w, 3) BGR taken at ``t_ns``; call it as often as you like.

        Returns:
            Why readings must be withheld, in words, or None. A camera or bar that was moved stays so
            until a new survey is made; darkness and softness pass by themselves.
        """
        if self._for_good is not None or (self._last_ns is not None and t_ns - self._last_ns < EVERY_NS):
            return self.reason
        self._last_ns = t_ns
        self._times.append(t_ns)
        self._look(bgr)
        if len(self._alike) >= FEWEST_LOOKS:
            self._for_now = self._passing()
            # In a dark or soft picture nothing can be told of places.
            if self._for_now is None:
                self._for_good = self._moved()
        return self.reason

    @property
    def seen(self) -> tuple[float, float] | None:
        """Light and sharpness now, as parts of the survey's; None before enough looks."""
        if len(self._light) < FEWEST_LOOKS:
            return None
        # Copies: the heartbeat asks from a thread of its own.
        return float(np.median(tuple(self._light))), float(np.median(tuple(self._sharp)))

    @property
    def reason(self) -> str | None:
        """The reason to withhold readings now, or None."""
        return self._for_good or self._for_now

    def _look(self, bgr: Image) -> None:
        light, sharp, alike = [], [], 0
        n = self._n
        far = self._far(bgr)
        for window, looks in zip(self._windows, self._looks, strict=True):
            x, y = window.at
            light.append(float(_grey(bgr[y : y + n, x : x + n]).mean()) / max(1.0, window.light))
            left = int(np.clip(x + far[0], 0, bgr.shape[1] - n))
            top = int(np.clip(y + far[1], 0, bgr.shape[0] - n))
            now = _grey(bgr[top : top + n, left : left + n])
            (dx, dy), same = _shift(window.grey, now, self._hann)
            shift = (dx + left - x, dy + top - y)
            if same < ALIKE:
                looks.shifts.append(None)
                # A softer picture is still alike; one of something else says nothing of sharpness.
                continue
            alike += 1
            sharp.append(_sharpness(now) / max(1e-6, window.sharp))
            looks.shifts.append(shift)
        self._light.append(float(np.median(light)) if light else 1.0)
        self._sharp.append(float(np.median(sharp)) if sharp else 1.0)
        self._alike.append(alike / max(1, len(self._windows)))

    def _far(self, bgr: Image) -> tuple[int, int]:
        """How far the whole picture has shifted, px, where that is more than the windows can see."""
        now = _small(bgr)
        (dx, dy), response = cv2.phaseCorrelate(self._whole.copy(), now, self._whole_hann)
        scale = bgr.shape[1] / now.shape[1]
        dx, dy = dx * scale, dy * scale
        if response < 0.05 or np.hypot(dx, dy) < self._n / 8:
            return (0, 0)
        return (round(dx), round(dy))

    def _passing(self) -> str | None:
        light = float(np.median(self._light))
        if light < DARK_PART:
            return (
                f"the picture went dark: {100 * light:.0f} % of the light at set-up; "
                "see to the light or the exposure"
            )
        sharp = float(np.median(self._sharp))
        if sharp < SOFT_PART:
            return "the picture went soft; focus on the high bar again and fix the focus"
        if float(np.median(self._alike)) < LOST_PART:
            return (
                "the bars are not where they were at set-up: the camera was turned, "
                "or something stands before it"
            )
        return None

    def _moved(self) -> str | None:
        half = self._n / 2
        places, shifts, parts = [], [], []
        for window, looks in zip(self._windows, self._looks, strict=True):
            middle = looks.middle()
            if middle is not None:
                places.append((window.at[0] + half, window.at[1] + half))
                shifts.append(middle)
                parts.append(window.part)
        if len(places) < 4:
            return None
        where, moved, part = np.array(places), np.array(shifts), np.array(parts)
        scale = px_per_m(self._camera, [0.0, self._camera.rails[0].top_m])
        limit = max(MOVED_PX, MOVED_M * scale)
        turn, inliers = _together(where, moved, limit)
        centre = np.array(self._camera.picture, float) / 2
        rails = np.array([self._camera.project_plane([r.x_m, r.top_m]) for r in self._camera.rails])
        if inliers.mean() > 0.6:
            at_rails = np.linalg.norm(_apply(turn, rails) - rails, axis=1).max()
            zoom = float(np.hypot(turn[0, 0], turn[1, 0]))
            slide = float(np.linalg.norm(_apply(turn, centre[None])[0] - centre))
            if at_rails > limit or abs(zoom - 1) * self._camera.picture[0] / 2 > 2 * limit:
                if abs(zoom - 1) * self._camera.picture[0] / 4 > slide:
                    return f"the camera was zoomed by {100 * (zoom - 1):+.1f} %; set the line again"
                return f"the camera was moved: the picture shifted by {slide:.0f} px; set the line again"
        rest = moved - (_apply(turn, where) - where)
        for name in ("high", "low"):
            mine = part == name
            if mine.sum() < 2:
                continue
            middle = np.median(rest[mine], axis=0)
            together = np.linalg.norm(rest[mine] - middle, axis=1) < limit
            size = float(np.linalg.norm(middle))
            if size > max(MOVED_PX, RESPACED_M * scale) and together.mean() > 0.6:
                return f"the {name} bar was moved by about {100 * size / scale:.0f} cm; set the line again"
        return None


def _small(bgr: Image) -> Floats:
    size = (_SMALL_WIDTH, max(16, round(_SMALL_WIDTH * bgr.shape[0] / bgr.shape[1])))
    return _grey(np.asarray(cv2.resize(bgr, size, interpolation=cv2.INTER_AREA), np.uint8))


def _grey(bgr: Image) -> Floats:
    return np.asarray(cv2.cvtColor(bgr, cv2.COLOR_BGR2GRAY), np.float32)


def _shift(before: Floats, now: Floats, hann: Floats) -> tuple[tuple[float, float], float]:
    """(shift px, correlation -1 to 1 once shifted back) of a window's content."""
    # OpenCV 5 lays the window over its arguments in place.
    (dx, dy), _ = cv2.phaseCorrelate(before.copy(), now.copy(), hann)
    n = len(before)
    if max(abs(dx), abs(dy)) > n / 3:
        return (dx, dy), -1.0
    back = np.array([[1, 0, dx], [0, 1, dy]], np.float32)
    laid = cv2.warpAffine(now, back, (n, n), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    edge = int(np.ceil(max(abs(dx), abs(dy)))) + 4
    a, b = before[edge:-edge, edge:-edge], laid[edge:-edge, edge:-edge]
    a, b = a - a.mean(), b - b.mean()
    return (float(dx), float(dy)), float((a * b).sum() / (np.sqrt((a * a).sum() * (b * b).sum()) + 1e-6))


def _sharpness(grey: Floats) -> float:
    """Steepness of a window's edges against its contrast, per px."""
    small = cv2.GaussianBlur(grey, (0, 0), 0.8)  # so that noise is not taken for sharpness
    gx, gy = cv2.Sobel(small, cv2.CV_32F, 1, 0) / 8, cv2.Sobel(small, cv2.CV_32F, 0, 1) / 8
    return float(np.percentile(np.hypot(gx, gy), 98) / (small.std() + 1.0))


def _choose(still: Image, camera: Camera, n: int) -> list[_Window]:
    """Windows round tops and feet of the uprights, and round corners of the hall far from the bars."""
    height, width = still.shape[:2]
    grey = _grey(still)
    found: list[_Window] = []

    def add(part: str, px: Floats) -> bool:
        x, y = round(float(px[0]) - n / 2), round(float(px[1]) - n / 2)
        x, y = int(np.clip(x, 0, width - n)), int(np.clip(y, 0, height - n))
        patch = grey[y : y + n, x : x + n]
        # What has an edge in one direction only can slide along it unseen.
        if cv2.cornerMinEigenVal(patch, 7).max() < 1e-4 * 255 or patch.std() < 4:
            return False
        found.append(_Window(part, (x, y), patch.copy(), float(patch.mean()), _sharpness(patch)))
        return True

    sizes = camera.rig.apparatus
    offset = sizes.upright_offset_m or sizes.rail_length_m / 2
    taken = []
    for rail in camera.rails:
        x, z = rail.axis
        for y in (-offset, offset):
            for place in ([x, y, z], [x, y, 0.3 * z if y * camera.position[1] < 0 else 0.0]):
                px = camera.project(place)
                if (px > n / 4).all() and px[0] < width - n / 4 and px[1] < height - n / 4:
                    taken.append(px)
                    add(rail.name, px)
    corners = cv2.goodFeaturesToTrack(grey, 200, 0.01, n / 2)
    for corner in np.asarray(corners).reshape(-1, 2) if corners is not None else ():
        if sum(w.part == "hall" for w in found) >= 12:
            break
        inside = n / 2 < corner[0] < width - n / 2 and n / 2 < corner[1] < height - n / 2
        clear = inside and all(np.linalg.norm(corner - t) > 1.2 * n for t in taken)
        if clear and add("hall", corner):
            taken.append(corner)
    return found


def _together(where: Floats, moved: Floats, limit: float) -> tuple[Floats, NDArray[np.bool_]]:
    """What the windows do together: a turn, zoom and slide (2, 3), and which windows do it."""
    there = where + moved
    turn, used = cv2.estimateAffinePartial2D(
        where.astype(np.float32), there.astype(np.float32), method=cv2.RANSAC, ransacReprojThreshold=limit / 2
    )
    if turn is None:
        return np.array([[1.0, 0, 0], [0, 1.0, 0]]), np.zeros(len(where), bool)
    return np.asarray(turn, float), np.asarray(used).ravel() > 0


def _apply(turn: Floats, px: Floats) -> Floats:
    return np.asarray(px @ turn[:, :2].T + turn[:, 2])

"""Follows one gymnast: the person on the apparatus, not the coach beside it or who walks behind.

While she is followed, each picture costs one pass of the joint network on a square that moves with
her. The finder looks over the whole picture at the start, whenever she is lost, and now and then
to see whether somebody else has mounted meanwhile. On the bars the gymnast is the person whose
hands are at a rail; with a reference line alone, the person who touches that line.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from bridge.skeleton import INDEX, N_JOINTS
from capture.camera import View
from capture.finder import Finder
from capture.joints import Crop, Found, JointNetwork
from capture.observation import JointObservation

Floats = NDArray[np.float64]
Image = NDArray[np.uint8]

NS: Final = 1_000_000_000
SEEN: Final = 0.35  # a joint whose map has less mass at its peak was not found
FOLLOWED: Final = 0.45  # mean score of a person who is really there
LOST_NS: Final = 120_000_000  # badly seen this long, she is looked for in the whole picture
LOOK_AGAIN_NS: Final = 200_000_000  # between two looks while nobody is followed
CHECK_NS: Final = NS  # between two looks while she is followed but not at a rail
AT_RAIL_M: Final = 0.30  # hands this close to a rail's axis, in the flight plane, may hold it
STEPS: Final = 12  # pictures over which the square's size is steadied

_WRISTS = [INDEX["right_wrist"], INDEX["left_wrist"]]


class People(Protocol):
    """Finds people in a picture: (N, 5) left, top, right, bottom, score."""

    def find(self, bgr: Image) -> Floats: ...


class Joints(Protocol):
    """Finds one person's joints in a crop."""

    def __call__(self, bgr: Image, crop: Crop) -> Found: ...


class Follower:
    """Follows the gymnast through a feed, picture by picture.

    Args:
        people: finds people in the whole picture.
        joints: finds one person's joints.
        distance: metres between a person's joints (14, 2) in the picture and the apparatus; the
            gymnast is the person for whom it is smallest.
        models: file names and hashes of the networks, for the session's manifest.
    """

    def __init__(
        self,
        people: People,
        joints: Joints,
        distance: Callable[[Floats], float],
        models: dict[str, str] | None = None,
    ) -> None:
        self._people = people
        self._joints = joints
        self._distance = distance
        self.models = models or {}
        self._crop: Crop | None = None
        self._shift = np.zeros(2)  # px a nanosecond
        self._last_ns: int | None = None
        self._good_ns = 0
        self._looked_ns: int | None = None

    @staticmethod
    def load(view: View, model: Path | None = None) -> Follower:
        """A follower with the shipped networks, or with an ultralytics pose model in their place.

        Raises:
            ModelError: a network is missing or not the one its hash names.
        """
        distance = apparatus_distance(view)
        if model is not None:
            from capture.pose_model import PoseModel

            pose = PoseModel(model)
            return Follower(pose, pose, distance, pose.hashes)
        finder, joints = Finder(), JointNetwork()
        return Follower(finder, joints, distance, {**finder.hashes, **joints.hashes})

    def push(self, t_ns: int, bgr: Image) -> JointObservation:
        """The followed gymnast's joints in the next picture; empty while there is none."""
        found = self._follow(t_ns, bgr) if self._crop is not None else None
        if found is None or self._must_look(t_ns, found):
            found = self._look(t_ns, bgr, found)
        self._last_ns = t_ns
        if found is None:
            return JointObservation.empty(t_ns)
        seen = found.score >= SEEN
        return JointObservation(
            t_ns,
            np.where(seen[:, None], found.px, np.nan),
            np.where(seen, found.sigma_px, np.nan),
            found.score,
        )

    # --- following ---

    def _follow(self, t_ns: int, bgr: Image) -> Found | None:
        """Joints in the square where she should be now; None when she has been lost for good."""
        assert self._crop is not None
        assert self._last_ns is not None
        ahead = self._shift * (t_ns - self._last_ns)
        crop = Crop(self._crop.x + float(ahead[0]), self._crop.y + float(ahead[1]), self._crop.side)
        found = self._joints(bgr, crop)
        if not _is_person(found):
            if t_ns - self._good_ns > LOST_NS:
                self._crop = None
                return None
            self._crop = crop
            return found
        self._settle_on(t_ns, crop, found)
        return found

    def _settle_on(self, t_ns: int, tried: Crop, found: Found) -> None:
        """Move the square onto the joints just found, its size slowly."""
        fresh = Crop.round_points(found.px[found.score >= SEEN])
        if self._crop is None or self._last_ns is None or self._last_ns < self._good_ns:
            self._crop, self._shift = fresh, np.zeros(2)
        else:
            moved = np.array([fresh.x - self._crop.x, fresh.y - self._crop.y])
            shift = moved / max(t_ns - self._last_ns, 1)
            self._shift = 0.5 * (self._shift + shift)
            # Open quickly when limbs reach out of the square, close slowly.
            side = max(fresh.side, tried.side + (fresh.side - tried.side) / STEPS)
            self._crop = Crop(fresh.x, fresh.y, side)
        self._good_ns = t_ns

    # --- looking over the whole picture ---

    def _must_look(self, t_ns: int, found: Found) -> bool:
        """Whether somebody else may have mounted: she is not at the apparatus, and it is time."""
        if self._looked_ns is not None and t_ns - self._looked_ns < CHECK_NS:
            return False
        return self._distance(_known(found)) > AT_RAIL_M

    def _look(self, t_ns: int, bgr: Image, followed: Found | None) -> Found | None:
        """Who is on the apparatus; goes on with the followed person while nobody is."""
        if followed is None and self._looked_ns is not None and t_ns - self._looked_ns < LOOK_AGAIN_NS:
            return None
        self._looked_ns = t_ns
        best, best_m = followed, self._distance(_known(followed)) if followed is not None else np.inf
        best_crop: Crop | None = None
        for box in self._people.find(bgr):
            crop = _crop_of(box)
            found = self._joints(bgr, crop)
            if not _is_person(found):
                continue
            again = Crop.round_points(found.px[found.score >= SEEN])
            found = self._joints(bgr, again)
            distance_m = self._distance(_known(found)) if _is_person(found) else np.inf
            if distance_m < min(best_m, AT_RAIL_M):
                best, best_m, best_crop = found, distance_m, again
        if best_crop is not None and best is not None:
            self._crop, self._shift = Crop.round_points(best.px[best.score >= SEEN]), np.zeros(2)
            self._good_ns = t_ns
        return best


def apparatus_distance(view: View) -> Callable[[Floats], float]:
    """How far a person's joints (14, 2) in the picture are from the apparatus, metres.

    On the bars: the middle of the hands from the nearer rail's axis, in the flight plane. With a
    reference line: the nearest joint from the line, 0 when she reaches both sides of it.
    """
    if view.rails:
        axes = np.array([rail.axis for rail in view.rails])

        def from_rails(px: Floats) -> float:
            hands = view.to_plane(px[_WRISTS])
            if not np.isfinite(hands).all():
                return float("inf")
            return float(np.linalg.norm(axes - hands.mean(axis=0), axis=1).min())

        return from_rails
    line = view.lines()[0]
    ends = np.array([line.a, line.b])

    def from_line(px: Floats) -> float:
        known = px[np.isfinite(px).all(axis=1)]
        if len(known) < N_JOINTS // 2:
            return float("inf")
        x, z = view.to_plane(known).T
        end_x = np.sort(view.to_plane(ends)[:, 0])
        beside_m = max(0.0, end_x[0] - float(x.max()), float(x.min()) - end_x[1])
        over_m = max(0.0, float(z.min()), -float(z.max()))
        return float(np.hypot(beside_m, over_m))

    return from_line


def _is_person(found: Found) -> bool:
    return bool(found.score.mean() >= FOLLOWED and (found.score >= SEEN).sum() >= N_JOINTS // 2)


def _known(found: Found) -> Floats:
    return np.where((found.score >= SEEN)[:, None], found.px, np.nan)


def _crop_of(box: Floats) -> Crop:
    left, top, right, bottom = box[:4]
    # The box reaches a little beyond the joints, so the joints take a little less than their share.
    return Crop((left + right) / 2, (top + bottom) / 2, 1.35 * float(max(right - left, bottom - top, 20.0)))

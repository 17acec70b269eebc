"""Follows one gymnast: the person on the apparatus, not the coach beside it or who walks behind.

While she is followed, each picture costs one pass of the joint network on a square that moves with
her. The finder looks over the whole picture at the start, whenever she is lost, and now and then
to see whether somebody else has mounted meanwhile. On the bars the gymnast is the person whose
hands are at a rail; with a reference line alone, the person whose hands or feet are at that line.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from bridge.skeleton import INDEX, N_JOINTS
from capture.camera import View, px_per_m
from capture.finder import Finder
from capture.joints import Crop, Found, JointNetwork
from capture.observation import JointObservation

Floats = NDArray[np.float64]
Image = NDArray[np.uint8]

NS: Final = 1_000_000_000
SEEN: Final = 0.35  # a joint whose map has less mass at its peak was not found
# Mean score of a person who is really there. Of 1,284 pictures of rehearsal flights the joints were right in,
# 0.3 % scored less than the first figure; of those that showed something else, more than half did.
FOLLOWED: Final = 0.55
TAKEN: Final = 0.62  # asked of a person not followed before
LOST_NS: Final = 120_000_000  # badly seen this long, she is looked for in the whole picture
LOOK_AGAIN_NS: Final = 200_000_000  # between two looks while nobody is followed
CHECK_NS: Final = NS  # between two looks while she is followed but not at a rail
AT_RAIL_M: Final = 0.30  # hands this close to a rail's axis, in the flight plane, may hold it
STEPS: Final = 12  # pictures over which the square's size is steadied
REACH_M: Final = 2.6  # side of a square that holds a gymnast at the apparatus
PLACE_M: Final = 0.7  # how far above or below a rail the middle of her may be
LINE_STEP_M: Final = 0.9  # between places along a reference line
LINE_UP_M: Final = 0.8  # middle of a person standing on a reference line
NEAR_LOST_NS: Final = NS  # this long after she was seen last she cannot be far from there

_WRISTS = [INDEX["right_wrist"], INDEX["left_wrist"]]
_ANKLES = [INDEX["right_ankle"], INDEX["left_ankle"]]


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
        places: squares of the picture at the apparatus, tried before the whole picture is.
        models: file names and hashes of the networks, for the session's manifest.
    """

    def __init__(
        self,
        people: People,
        joints: Joints,
        distance: Callable[[Floats], float],
        models: dict[str, str] | None = None,
        places: Sequence[Crop] = (),
    ) -> None:
        self._people = people
        self._joints = joints
        self._distance = distance
        self._places = tuple(places)
        self.models = models or {}
        self._crop: Crop | None = None
        self._good_crop: Crop | None = None
        self._lost_in: tuple[Crop | None, ...] = ()
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
        distance, places = apparatus_distance(view), apparatus_places(view)
        if model is not None:
            from capture.pose_model import PoseModel

            pose = PoseModel(model)
            return Follower(pose, pose, distance, pose.hashes, places)
        finder, joints = Finder(), JointNetwork()
        return Follower(finder, joints, distance, {**finder.hashes, **joints.hashes}, places)

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
                self._lost_in, self._crop = (self._good_crop, self._crop), None
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
        self._good_ns, self._good_crop = t_ns, self._crop

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
        best, best_m = None, AT_RAIL_M
        for crop, near_lost in self._candidates(t_ns, bgr, followed):
            found = self._person_in(bgr, crop)
            if found is None:
                continue
            # The one just lost need not be at a rail: she may be in the air.
            distance_m = 0.0 if near_lost else self._distance(_known(found))
            if distance_m < best_m:
                best, best_m = found, distance_m
        if best is None:
            return followed
        self._crop, self._shift = Crop.round_points(best.px[best.score >= SEEN]), np.zeros(2)
        self._good_ns, self._good_crop = t_ns, self._crop
        return best

    def _candidates(self, t_ns: int, bgr: Image, followed: Found | None) -> Iterator[tuple[Crop, bool]]:
        """Squares that may hold her, and whether each is where she was lost."""
        if followed is None and t_ns - self._good_ns < NEAR_LOST_NS:
            for lost in self._lost_in:
                if lost is not None:
                    yield Crop(lost.x, lost.y, 1.5 * lost.side), True
        for place in self._places:
            yield place, False
        if followed is None:  # to see whether somebody mounted, the places suffice
            for box in self._people.find(bgr):
                yield _crop_of(box), False

    def _person_in(self, bgr: Image, crop: Crop) -> Found | None:
        """Joints of the person in a square, seen once more in a square that fits; None without anybody."""
        found = self._joints(bgr, crop)
        if not _is_person(found):
            return None
        found = self._joints(bgr, Crop.round_points(found.px[found.score >= SEEN]))
        return found if _is_person(found, TAKEN) else None


def apparatus_places(view: View) -> list[Crop]:
    """Squares of the picture where somebody on the apparatus can be: by each rail, or along a line."""
    if view.rails:
        at = [rail.axis + np.array([0.0, up_m]) for rail in view.rails for up_m in (-PLACE_M, PLACE_M)]
    else:
        line = view.lines()[0]
        first_m, last_m = np.sort(view.to_plane(np.array([line.a, line.b]))[:, 0])
        count = max(1, round(float(last_m - first_m) / LINE_STEP_M))
        steps = first_m + (np.arange(count) + 0.5) * (last_m - first_m) / count
        at = [np.array([x, LINE_UP_M]) for x in steps]
    squares = []
    for xz in at:
        x, y = view.project_plane(xz)
        squares.append(Crop(float(x), float(y), REACH_M * px_per_m(view, xz)))
    return squares


def apparatus_distance(view: View) -> Callable[[Floats], float]:
    """How far a person's joints (14, 2) in the picture are from the apparatus, metres.

    On the bars: the middle of the hands from the nearer rail's axis, in the flight plane. With a
    reference line: the nearest hand or foot from the line; who merely walks by below it is far.
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
    first, last = view.to_plane(np.array([line.a, line.b]))
    along = last - first
    square = float(along @ along)

    def from_line(px: Floats) -> float:
        limbs = view.to_plane(px[_WRISTS + _ANKLES])
        limbs = limbs[np.isfinite(limbs).all(axis=1)]
        if len(limbs) == 0:
            return float("inf")
        share = np.clip((limbs - first) @ along / square, 0.0, 1.0)
        nearest = first + share[:, None] * along
        return float(np.linalg.norm(limbs - nearest, axis=1).min())

    return from_line


def _is_person(found: Found, least: float = FOLLOWED) -> bool:
    return bool(found.score.mean() >= least and (found.score >= SEEN).sum() >= N_JOINTS // 2)


def _known(found: Found) -> Floats:
    return np.where((found.score >= SEEN)[:, None], found.px, np.nan)


def _crop_of(box: Floats) -> Crop:
    left, top, right, bottom = box[:4]
    # The box reaches a little beyond the joints, so the joints take a little less than their share.
    return Crop((left + right) / 2, (top + bottom) / 2, 1.35 * float(max(right - left, bottom - top, 20.0)))

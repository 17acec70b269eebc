"""The survey: from a feed's pictures to a rig file, with what it costs to measure from this place.

The rails and uprights are found in the median of the pictures; the camera is fitted to their edges; the
survey points of the rig file are where that camera sees them, with a pixel uncertainty that gives the
rig's own fit the same covariance in height. Where the picture does not allow it, the best guess is
proposed and a person sets the points.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from bridge.errors import ConfigError
from capture.camera import Camera, View, fit_camera, px_per_m, spread_of
from capture.edges import grey, snap
from capture.feeds import Feed
from capture.lens import Lens, lens_toml
from capture.picture_check import PictureState, picture_warnings, state_of, still_picture
from capture.rails_seen import (
    UPRIGHT_WIDTH_M,
    RailsSeen,
    Side,
    end_on,
    find_rails,
    refine_rails,
    upright_widths,
)
from capture.rig import POINT_NAMES, Rig, Sizes, SurveyPoint

Floats = NDArray[np.floating[Any]]
Image = NDArray[np.uint8]

AGREES: Final = 0.70  # of the poles must be seen where the camera puts them, ...
CLEARER: Final = 0.08  # ... and by so much more than from any other place
LEAST_PIXEL_U: Final = 0.5
PROPOSAL_U_PX: Final = 3.0  # of a point that a person has yet to look at: our own estimate
SNAP_REACH_PX: Final = 8.0
# Limits of advice and warnings: our own choice.
NEAR_M, FEWEST_PX_PER_M = 7.0, 100.0
ROLL_RAD, OFF_AXIS_RAD = math.radians(2.0), math.radians(15.0)
BOW_PX: Final = 3.0
BOW_FLOOR_PX: Final = 0.3
GAIN_SAID: Final = 0.93  # a better place is named when it brings the uncertainty below this part


@dataclass(frozen=True, slots=True)
class Warned:
    """A warning: a key for programs, words for people."""

    key: str
    words: str


@dataclass(frozen=True, slots=True)
class PointSeen:
    """A survey point: where it is, how well, and how far from where the fit puts it."""

    name: str
    px: tuple[float, float]
    u_px: float
    off_px: tuple[float, float] = (0.0, 0.0)
    by_hand: bool = False


@dataclass(frozen=True, slots=True)
class Survey:
    """What a survey found."""

    rig: Rig  # with its points
    camera: Camera | None  # None: the points do not give one yet
    points: tuple[PointSeen, ...]
    automatic: bool  # nothing has to be set by hand
    warnings: tuple[Warned, ...]
    better: tuple[str, ...]  # what would be better, in words
    seen: RailsSeen | None
    problem: str = ""  # why there is no camera

    def as_row(self) -> dict[str, Any]:
        """The survey as JSON."""
        camera = self.camera
        row: dict[str, Any] = {
            "automatic": self.automatic,
            "problem": self.problem,
            "points": [
                {"name": p.name, "px": p.px, "u_px": p.u_px, "by_hand": p.by_hand} for p in self.points
            ],
            "warnings": [{"key": w.key, "words": w.words} for w in self.warnings],
            "better": list(self.better),
        }
        if camera is not None:
            row |= {
                "place": camera.words(),
                "position_m": [float(v) for v in camera.position],
                "focal_px": camera.focal_px,
                "roll_deg": math.degrees(roll_rad(camera)),
                "residual_px": camera.residual_px,
                "expected_u_cm": 100 * camera.expected_u_m(),
                "lines": [
                    {
                        "rail": line.rail,
                        "a": line.a,
                        "b": line.b,
                        "u_px": line.u_px,
                        "u_cm": 100 * line_u_m(camera, line.rail),
                    }
                    for line in camera.lines()
                ],
            }
        return row


def roll_rad(camera: Camera) -> float:
    """How far the camera is turned about its own axis, out of level."""
    right, down = camera.rotation[0], camera.rotation[1]
    return float(math.atan2(right[2], -down[2]))


def line_u_m(camera: Camera, rail: str) -> float:
    """Standard uncertainty of the rail's height as it is drawn, metres, from the set-up."""
    line = next(each for each in camera.lines() if each.rail == rail)
    chosen = next(r for r in camera.rails if r.name == rail)
    return line.u_px / px_per_m(camera, [chosen.x_m, chosen.top_m])


# --- pictures ----------------------------------------------------------------------------------------


def watch_feed(feed: Feed, seconds: float = 2.0, most: int = 25) -> tuple[list[Image], list[int]]:
    """Some pictures of a feed's first seconds and their times: a run for flicker and smear, then spread out.

    Raises:
        FeedError: see the feed. :class:`ConfigError`: it gives no picture.
    """
    pictures: list[Image] = []
    times: list[int] = []
    first: int | None = None
    run = most // 2 + 1
    for frame in feed:
        first = frame.t_ns if first is None else first
        passed = (frame.t_ns - first) / 1e9
        if len(pictures) < run or passed >= seconds * (len(pictures) - run + 1) / max(1, most - run):
            pictures.append(frame.image)
            times.append(frame.t_ns)
        if passed >= seconds or len(pictures) >= most:
            break
    feed.close()
    if not pictures:
        raise ConfigError(f"{feed.info.name}: gives no picture to survey")
    return pictures, times


# --- the survey --------------------------------------------------------------------------------------


def survey(
    pictures: Sequence[Image],
    times_ns: Sequence[int],
    sizes: Sizes,
    side: Side | None = None,
    lens: Lens | None = None,
    by_hand: Sequence[SurveyPoint] = (),
    source: str = "survey",
) -> Survey:
    """Find the apparatus in a feed's pictures (h, w, 3) BGR and fit the camera.

    Args:
        side: where the low bar is in the picture; None: found out.
        by_hand: points set by a person; they win over what is found, and snap to nothing.
    """
    still = still_picture(pictures)
    state = state_of(pictures, times_ns)
    rig = Rig((still.shape[1], still.shape[0]), sizes, side or "right", lens=lens, source=source)
    levels = grey(still)
    if by_hand:
        return survey_by_hand(levels, rig, by_hand, state, side)
    seen = find_rails(levels, rig, side)
    if seen is None:
        return Survey(
            rig, None, (), False, tuple(_picture_warned(state, rig)), (), None,
            "the bars were not found in the picture; set the points by hand",
        )  # fmt: skip
    return _from_edges(seen, rig, state)


def _from_edges(seen: RailsSeen, rig: Rig, state: PictureState | None) -> Survey:
    sizes = msgspec.structs.replace(rig.apparatus, upright_offset_m=round(seen.upright_offset_m, 4))
    rig = replace(rig, sizes=sizes, low_bar_side=seen.camera.rig.low_bar_side)
    camera = replace(seen.camera, rig=rig)
    names = _points_in_sight(camera)
    points = tuple(SurveyPoint(n, _pair(camera.project(rig.points3d(n)))) for n in names)
    rig = replace(rig, points=points, pixel_u=1.0)
    sure = (
        seen.agreement >= AGREES
        and seen.agreement >= seen.rival + CLEARER
        and not [m for m in seen.missing if "rail" in m or "near" in m]
        and not end_on(seen.poles)
    )
    try:
        u = _pixel_u(camera, fit_camera(rig))
        if not sure:
            u = max(u, PROPOSAL_U_PX)
        rig = replace(rig, pixel_u=u)
        fitted: Camera | None = fit_camera(rig)
        problem = ""
    except ConfigError as error:
        u, fitted, problem = 1.0, None, str(error)
    if fitted is not None:
        rig = replace(rig, place=fitted.words())
    marks = tuple(PointSeen(p.name, p.px, u) for p in points)
    automatic = sure and fitted is not None
    return Survey(
        rig, fitted, marks, automatic,
        tuple(_picture_warned(state, rig) + _place_warned(fitted, seen)),
        better_places(fitted) if fitted is not None else (), seen, problem,
    )  # fmt: skip


def survey_by_hand(
    levels: Floats,
    rig: Rig,
    by_hand: Sequence[SurveyPoint],
    state: PictureState | None = None,
    side: Side | None = None,
) -> Survey:
    """The camera from points that a person set, in ``rig``'s picture with grey levels ``levels``."""
    sides: tuple[Side, ...] = (side,) if side else ("right", "left")
    problem = ""
    best: tuple[Rig, Camera] | None = None
    for each in sides:
        tried = replace(rig, low_bar_side=each, points=tuple(by_hand))
        try:
            if len(by_hand) < 6:
                raise ConfigError(f"{rig.source}: {len(by_hand)} points are set; at least 6 are needed")
            fitted = fit_camera(tried)
        except ConfigError as error:
            problem = problem or str(error)
            continue
        if best is None or fitted.residual_px < best[1].residual_px:
            best = (tried, fitted)
    if best is None:
        marks = tuple(PointSeen(p.name, p.px, rig.pixel_u, by_hand=True) for p in by_hand)
        tried = replace(rig, points=tuple(by_hand))
        return Survey(tried, None, marks, False, tuple(_picture_warned(state, rig)), (), None, problem)
    rig, fitted = best
    rig = replace(rig, place=fitted.words())
    marks = tuple(
        PointSeen(
            p.name, p.px, rig.pixel_u, _pair(np.array(p.px) - fitted.project(rig.points3d(p.name))), True
        )
        for p in by_hand
    )
    seen = refine_rails(levels, fitted)
    warned = _picture_warned(state, rig) + _place_warned(fitted, seen)
    return Survey(rig, fitted, marks, False, tuple(warned), better_places(fitted), seen)


def refined(levels: Floats, found: Survey) -> Survey:
    """The survey again from the edges of the poles, starting from one that is roughly right."""
    if found.camera is None:
        return found
    seen = refine_rails(levels, found.camera)
    return found if seen is None else _from_edges(seen, found.rig, None)


def snapped(
    levels: Floats, camera: Camera, name: str, at: tuple[float, float], seen: RailsSeen | None = None
) -> PointSeen | None:
    """A handle moved onto the midline of its rail or upright; None where none is seen.

    A rail's end or middle is snapped across the rail, a foot across its upright, which is as thick as the
    uprights that were ``seen``.
    """
    foot = name.endswith("foot")
    where = camera.rig.points3d(name)
    if foot:
        # The upright is looked for above its base plate.
        where = where + np.array([0.0, 0.0, 0.2])
    along = np.array([0.0, 0.0, -0.1]) if foot else np.array([0.0, -0.1 * np.sign(where[1] or 1), 0.0])
    a, b = camera.project(np.stack([where, where + along]))
    scale = camera.focal_px / float((where - camera.position) @ camera.rotation[2])
    d = camera.rig.apparatus.rail_diameter_m
    widths = (0.8 * d, 1.3 * d)
    if foot:
        known = upright_widths(seen.poles) if seen is not None else []
        widths = max(known, default=UPRIGHT_WIDTH_M)  # the thicker part stands on the floor
    lift = a - camera.project(camera.rig.points3d(name)) if foot else np.zeros(2)
    start = (float(at[0] + lift[0]), float(at[1] + lift[1]))
    length = max(16.0, (0.2 if foot else 0.12) * scale)
    found = snap(levels, start, b - a, SNAP_REACH_PX, (scale * widths[0], scale * widths[1]), length)
    if found is None:
        return None
    return PointSeen(
        name, (found.px[0] - float(lift[0]), found.px[1] - float(lift[1])), found.u_px, by_hand=True
    )


def _pair(v: Floats) -> tuple[float, float]:
    return (float(v[0]), float(v[1]))


def _points_in_sight(camera: Camera) -> tuple[str, ...]:
    """Names of points inside the picture; feet behind the mat are left out."""
    width, height = camera.picture
    names = []
    for name in POINT_NAMES:
        if name.endswith("far.foot") and camera.rig.apparatus.mat_m > 0:
            continue
        px = camera.project(camera.rig.points3d(name))
        if 0 <= px[0] < width and 0 <= px[1] < height:
            names.append(name)
    return tuple(names)


def _pixel_u(edges: Camera, points: Camera) -> float:
    """Uncertainty of a point so that the points' fit knows heights no better than the edges' fit, px."""
    worst = LEAST_PIXEL_U
    for rail in edges.rails:
        for up in (0.0, 0.5):
            px = edges.project_plane([rail.x_m + 0.3, rail.top_m + up])

            def height(view: View, px: Floats = px, name: str = rail.name) -> NDArray[np.float64]:
                return np.asarray(view.to_plane(px)[1:] - view.zero_m(name))

            plain = replace(points, tolerance_steps=())
            of_points = float(spread_of(plain, height)[0])
            of_edges = float(spread_of(replace(edges, tolerance_steps=()), height)[0])
            if of_points > 0 and math.isfinite(of_edges):
                worst = max(worst, of_edges / of_points)
    return round(min(worst, 20.0), 2)


# --- advice and warnings -----------------------------------------------------------------------------


def _picture_warned(state: PictureState | None, rig: Rig) -> list[Warned]:
    return [] if state is None else [Warned(*w) for w in picture_warnings(state, rig.picture[0])]


def _place_warned(camera: Camera | None, seen: RailsSeen | None) -> list[Warned]:
    found = []
    if seen is not None and seen.missing:
        found.append(
            Warned(
                "hidden", f"not seen well: {', '.join(seen.missing)}; clear the view, or set points by hand"
            )
        )
    for bar in end_on(seen.poles) if seen is not None else ():
        words = f"end-on: the {bar} bar hides behind its upright; stand before the middle between the bars"
        found.append(Warned("end_on", words))
    bow, bow_u = bow_px(seen) if seen is not None else (0.0, math.inf)
    if abs(bow) > max(BOW_PX, 3 * bow_u):
        found.append(Warned(
            "lens", f"lens: straight lines bow by about {abs(bow):.0f} px at the sides; make a lens profile",
        ))  # fmt: skip
    if camera is None:
        return found
    roll = roll_rad(camera)
    if abs(roll) > ROLL_RAD:
        found.append(
            Warned(
                "tilt", f"tilt: the picture leans by {abs(math.degrees(roll)):.1f} degrees; level the camera"
            )
        )
    if camera.distance_m < NEAR_M:
        found.append(Warned(
            "near", f"too near: {camera.distance_m:.1f} m; go back to 10 m or more and zoom in",
        ))  # fmt: skip
    scale = px_per_m(camera, [0.0, camera.rails[0].top_m])
    if scale < FEWEST_PX_PER_M:
        found.append(Warned("far", f"too far: a metre at the bars is {scale:.0f} px; zoom in or come nearer"))
    if camera.off_axis_rad > OFF_AXIS_RAD:
        found.append(Warned(
            "oblique",
            f"oblique: {math.degrees(camera.off_axis_rad):.0f} degrees off the rail's line; go more side-on",
        ))  # fmt: skip
    return found


def bow_px(seen: RailsSeen) -> tuple[float, float]:
    """How far straight lines along the picture's sides bow, and its standard uncertainty, px; + outwards.

    Radial distortion bends a line in proportion to its distance from the middle of the picture, so one
    figure is fitted to the bends of all poles.
    """
    width, height = seen.camera.picture
    centre = np.array([width - 1, height - 1]) / 2
    bends, distances, weights = [], [], []
    for pole in seen.poles:
        places = pole.expected_px[pole.used]
        s = np.linalg.norm(places - places[:1], axis=1)
        if pole.share < 0.6 or len(s) < 12 or s[-1] < 150:
            continue
        (bend, _, _), spread = np.polyfit(s, pole.found.offset_px[pole.used], 2, cov=True)
        middle = len(places) // 2
        bends.append(bend)
        distances.append(float((places[middle] - centre) @ pole.normal[pole.used][middle]))
        # Light falls otherwise on thicker and thinner parts, which bends what is seen by this much.
        weights.append(1 / (spread[0, 0] + (4 * BOW_FLOOR_PX / s[-1] ** 2) ** 2))
    d, w = np.array(distances), np.array(weights)
    if len(d) < 2 or np.abs(d).max() < 0.05 * width:
        return 0.0, math.inf
    slope = -float((w * d * np.array(bends)).sum() / (w * d * d).sum())
    reach = width / 2 * height**2 / 4
    return slope * reach, float(reach / np.sqrt((w * d * d).sum()))


def better_places(camera: Camera) -> tuple[str, ...]:
    """Which changes of place would lower the uncertainty, each with what it would bring."""
    now = camera.expected_u_m()
    x, y, z = (float(v) for v in camera.position)
    reach = math.hypot(x, y)
    side = math.copysign(1.0, y)
    high = camera.rails[0].top_m
    # Exactly along a rail its far upright hides behind the near one, so between the bars it is.
    between = camera.rig.apparatus.spread_m / 2
    changes = (
        ("side-on, in front of the middle between the bars", (between, side * reach, z), 1.0),
        ("at the height of the high bar", (x, y, high), 1.0),
        ("farther back, zoomed in to the same picture", (1.5 * x, 1.5 * y, z), 1.5),
        ("side-on and at the height of the high bar", (between, side * reach, high), 1.0),
        ("side-on, at bar height and half as far again", (between, side * 1.5 * reach, high), 1.5),
    )
    found = []
    best = now
    for words, place, zoom in changes:
        u = expected_from(camera, place, zoom)
        if u is not None and u < GAIN_SAID * best:
            found.append(f"{words}: give or take {200 * u:.1f} cm instead of {200 * now:.1f} cm")
            best = u
    if abs(roll_rad(camera)) > math.radians(0.5):
        found.append("level, so that the picture and the hall stand alike")
    return tuple(found)


def expected_from(camera: Camera, place: tuple[float, float, float], zoom: float = 1.0) -> float | None:
    """Standard uncertainty of a reading from another place, m, with points as good; None where it fails."""
    sizes = camera.rig.apparatus
    rig = replace(camera.rig, points=(), lens=None)
    target = [sizes.spread_m / 2, 0.0, 0.8 * sizes.high_bar_m]
    there = Camera.looking(rig, place, target, camera.focal_px * zoom)
    names = [p.name for p in camera.rig.points] or list(POINT_NAMES)
    points = tuple(SurveyPoint(n, _pair(there.project(rig.points3d(n)))) for n in names)
    try:
        return fit_camera(replace(rig, points=points)).expected_u_m()
    except ConfigError:
        return None


# --- the rig file ------------------------------------------------------------------------------------


def rig_file(rig: Rig, preset: str, base: Sizes, still: str = "") -> str:
    """The rig as the text of a rig file: the preset, what differs from it, lens, points, still."""
    lines = ["format = 1", "", "[apparatus]", f'preset = "{preset}"', f'low_bar_side = "{rig.low_bar_side}"']
    sizes = rig.apparatus
    for key in Sizes.__struct_fields__:
        value = getattr(sizes, key)
        if value is not None and value != getattr(base, key):
            lines.append(f"{key} = {value:.4f}")
    place = rig.place.replace("\\", "\\\\").replace('"', '\\"')
    lines += [
        "",
        "[camera]",
        f"picture = [{rig.picture[0]}, {rig.picture[1]}]",
        f"pixel_u = {rig.pixel_u}",
        f'place = "{place}"',
    ]
    if still:
        lines.append(f'still = "{still}"')
    for point in rig.points:
        lines += [
            "",
            "[[camera.points]]",
            f'name = "{point.name}"',
            f"px = [{point.px[0]:.3f}, {point.px[1]:.3f}]",
        ]
    if rig.lens is not None:
        lines += ["", lens_toml(rig.lens, "camera.lens").rstrip()]
    return "\n".join(lines) + "\n"

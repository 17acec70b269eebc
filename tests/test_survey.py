"""The survey on halls filmed through known cameras, its sub-pixel edges, and its rig file and command."""

from __future__ import annotations

import json
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from typer.testing import CliRunner

from bridge.cli import build_app
from bridge.errors import ConfigError
from capture.camera import Camera, fit_camera
from capture.edges import grey, pole_line, snap, stripes
from capture.picture_check import still_picture
from capture.rails_seen import refine_rails
from capture.rig import POINT_NAMES, Rig, SurveyPoint, parse_rig, presets
from capture.survey import (
    Survey,
    better_places,
    expected_from,
    line_u_m,
    refined,
    rig_file,
    snapped,
    survey,
    survey_by_hand,
)
from capture.survey_commands import read_points
from capture.survey_desk import SurveyDesk
from capture.survey_draw import draw_survey, summary
from tests.halls import hall, noisy
from tests.simulated import rig_from

SENIOR = presets()["senior"]


def pole_picture(
    angle_rad: float, offset: float, width: float, light: int = 190, ground: int = 60
) -> np.ndarray:
    """A straight pole through the middle of a picture, drawn eight times as large and averaged down."""
    n, times = 120, 8
    at = (np.arange(n * times) + 0.5) / times - 0.5
    x, y = np.meshgrid(at, at)
    across = (x - 60) * -np.sin(angle_rad) + (y - 60) * np.cos(angle_rad) - offset
    fine = np.where(np.abs(across) < width / 2, light, ground).astype(np.float32)
    return cv2.GaussianBlur(cv2.resize(fine, (n, n), interpolation=cv2.INTER_AREA), (0, 0), 0.8).astype(
        np.uint8
    )


@pytest.mark.parametrize("angle_deg", [0, 17, 63, 90])
@pytest.mark.parametrize("offset", [-1.3, 0.0, 0.37, 2.5])
def test_midline_of_a_pole_is_found_to_a_tenth_of_a_pixel(angle_deg: float, offset: float) -> None:
    angle = np.radians(angle_deg)
    picture = grey(noisy(pole_picture(angle, offset, 7.4), 2.0, seed=1))
    along = np.array([np.cos(angle), np.sin(angle)])
    centre = 60 + np.linspace(-30, 30, 21)[:, None] * along
    each = stripes(picture, centre, along, 6.0, (4.0, 12.0))
    assert each.seen.all()
    assert np.abs(each.offset_px - offset).max() < 0.35
    # The root of the light moves both edges of a light pole outwards alike.
    assert np.median(each.width_px) == pytest.approx(7.4, abs=0.6)
    line, used = pole_line(picture, centre, along, 6.0, [(4.0, 12.0)])
    assert used.mean() > 0.9
    assert np.mean(line.offset_px[used]) == pytest.approx(offset, abs=0.1)
    handle = (60 + 5 * along[0], 60 + 5 * along[1])
    found = snap(picture, handle, along)
    assert found is not None
    off = (np.array(found.px) - handle) @ [-along[1], along[0]]
    assert off == pytest.approx(offset, abs=0.1)
    assert abs(off - offset) < 2 * found.u_px < 1.2


def test_nothing_to_snap_to() -> None:
    flat = np.full((120, 120), 90, np.uint8)
    assert snap(grey(noisy(flat, 2.0)), (60, 60), (1.0, 0.0)) is None


def test_people_vanish_from_the_still_picture() -> None:
    empty = np.random.default_rng(0).integers(0, 255, (90, 160, 3), dtype=np.uint8)
    pictures = []
    for k in range(9):
        picture = empty.copy()
        picture[20:, 14 * k : 14 * k + 30] = 255
        pictures.append(picture)
    assert (still_picture(pictures) == empty).all()


# (hall, distance m, height m, degrees off): side-on and oblique, low and high, near and far.
VIEWS = ((20, 10.0, 1.6, 8.0), (21, 12.0, 2.6, -12.0), (22, 9.0, 2.0, 16.0))


@cache
def found_in(view: int) -> Survey:
    picture, _ = hall(*VIEWS[view])
    return survey([noisy(picture, 2.0, k) for k in range(3)], [0, 10**7, 2 * 10**7], SENIOR)


@pytest.mark.parametrize("view", range(len(VIEWS)))
def test_bars_are_found_with_nothing_marked(view: int) -> None:
    _, true = hall(*VIEWS[view])
    found = found_in(view)
    assert found.automatic, (found.seen and found.seen.missing, found.problem)
    camera = found.camera
    assert camera is not None
    assert camera.distance_m == pytest.approx(true.distance_m, rel=0.08)
    for rail in true.rails:
        at = true.project([rail.x_m, 0.0, rail.top_m])
        off_m = camera.to_plane(at)[1] - rail.top_m
        assert abs(off_m) < 0.02
        assert abs(off_m) < 3.5 * np.hypot(line_u_m(camera, rail.name), 0.003)
    hips = true.project_plane([0.3, 2.8])
    assert abs(camera.to_plane(hips)[1] - 2.8) < 3 * camera.expected_u_m()
    assert 0.008 < camera.expected_u_m() < 0.03


def test_the_rig_file_gives_the_same_camera_and_uncertainty() -> None:
    found = found_in(0)
    assert found.camera is not None
    text = rig_file(found.rig, "senior", SENIOR)
    again = fit_camera(parse_rig(text))
    assert again.position == pytest.approx(found.camera.position, abs=2e-3)
    assert again.expected_u_m() == pytest.approx(found.camera.expected_u_m(), rel=0.01)
    lines = found.as_row()["lines"]
    assert [line["rail"] for line in lines] == ["high", "low"]
    assert 0 < lines[0]["u_cm"] < 2


def test_a_hidden_bar_is_said_and_nothing_is_claimed() -> None:
    picture, true = hall(*VIEWS[0])
    covered = picture.copy()
    ends = true.project([[1.65, -1.3, 1.8], [1.65, 1.3, 1.8], [1.65, -1.3, 0.0], [1.65, 1.3, 0.0]])
    (x0, y0), (x1, y1) = ends.min(axis=0).astype(int) - 40, ends.max(axis=0).astype(int) + 40
    covered[y0:y1, x0:x1] = (52, 60, 48)
    found = survey([covered], [0], SENIOR)
    assert not found.automatic
    if found.camera is None:
        assert found.problem
    else:
        assert any(w.key == "hidden" for w in found.warnings)


def test_a_picture_without_bars_says_so() -> None:
    blank = noisy(np.full((540, 960, 3), 90, np.uint8))
    found = survey([blank], [0], SENIOR)
    assert found.camera is None
    assert "set the points by hand" in found.problem
    assert summary(found)[0].startswith("no camera")


def by_hand(true: Camera, off_px: float = 0.0) -> tuple[SurveyPoint, ...]:
    names = [n for n in POINT_NAMES if n != "low.far.foot" and n != "high.far.foot"]
    rng = np.random.default_rng(2)
    px = {n: true.project(true.rig.points3d(n)) + rng.normal(0, off_px, 2) for n in names}
    return tuple(SurveyPoint(n, (float(p[0]), float(p[1]))) for n, p in px.items())


def test_points_set_by_hand_give_the_camera_and_its_residuals() -> None:
    picture, true = hall(*VIEWS[1])
    rig = Rig(true.picture, SENIOR)
    found = survey_by_hand(grey(picture), rig, by_hand(true, 0.5))
    assert found.camera is not None
    assert not found.automatic
    assert found.rig.low_bar_side == "right"
    assert all(p.by_hand for p in found.points)
    assert 0.1 < max(np.hypot(*p.off_px) for p in found.points) < 3
    # From points set roughly, the poles' edges lead to the place itself.
    closer = refined(grey(picture), survey_by_hand(grey(picture), rig, by_hand(true, 2.0)))
    assert closer.camera is not None
    at = true.project([0.0, 0.0, 2.5])
    assert abs(closer.camera.to_plane(at)[1] - 2.5) < 0.012


def test_too_few_points_are_said() -> None:
    picture, true = hall(*VIEWS[1])
    found = survey_by_hand(grey(picture), Rig(true.picture, SENIOR), by_hand(true)[:4])
    assert found.camera is None
    assert "at least 6" in found.problem


def test_a_handle_snaps_to_its_rail() -> None:
    picture, true = hall(*VIEWS[0])
    seen = refine_rails(grey(picture), true)
    for name, beside in (("high.mid", (0.0, 5.0)), ("low.mid", (0.0, -4.0)), ("low.near.foot", (4.0, 0.0))):
        at = true.project(true.rig.points3d(name))
        found = snapped(grey(picture), true, name, (at[0] + beside[0], at[1] + beside[1]), seen)
        assert found is not None, name
        assert found.u_px < 1.5
        # Across the pole it is right; along it, it stays where it was put.
        assert np.linalg.norm(np.array(found.px) - at) < np.hypot(*beside)
    # The middle of a rail that is level in the picture: its height is what counts.
    at = true.project(true.rig.points3d("low.mid"))
    level = snapped(grey(picture), true, "low.mid", (float(at[0]), float(at[1]) - 4.0))
    assert level is not None
    assert level.px[1] == pytest.approx(at[1], abs=0.8)


def test_better_places_are_better() -> None:
    low = rig_from(Camera.looking(Rig((1920, 1080), SENIOR), [-2.0, -8.0, 1.2], [0.8, 0, 1.9], 1560.0))
    camera = fit_camera(low)
    named = better_places(camera)
    assert any(words.startswith("at the height of the high bar") for words in named)
    raised = expected_from(camera, (-2.0, -8.0, 2.5))
    assert raised is not None
    assert raised < 0.9 * camera.expected_u_m()
    best = fit_camera(
        rig_from(Camera.looking(Rig((1920, 1080), SENIOR), [0.0, -15.0, 2.5], [0.8, 0, 1.9], 2900.0))
    )
    assert len(better_places(best)) <= 1


# --- the fit against other programs ------------------------------------------------------------------


def same_points() -> tuple[Camera, np.ndarray, np.ndarray]:
    """A camera fitted to noisy points, the points and their pixels."""
    true = Camera.looking(Rig((1920, 1080), SENIOR), [1.8, -9.0, 2.2], [0.8, 0, 1.6], 1800.0)
    rig = rig_from(true, noise_px=0.5, seed=4)
    where = np.array([rig.points3d(p.name) for p in rig.points])
    return fit_camera(rig), where, np.array([p.px for p in rig.points])


def test_fit_agrees_with_opencv() -> None:
    """OpenCV 5: solvePnP at our focal length, and calibrateCamera with the focal length free."""
    camera, where, px = same_points()
    matrix = np.array([[camera.focal_px, 0, 959.5], [0, camera.focal_px, 539.5], [0, 0, 1]])
    start = Rotation.from_matrix(camera.rotation).as_rotvec()
    shift0 = -camera.rotation @ camera.position
    _, turn, shift = cv2.solvePnP(
        where, px, matrix, None, start.reshape(3, 1) + 0.01, shift0.reshape(3, 1),
        useExtrinsicGuess=True, flags=cv2.SOLVEPNP_ITERATIVE,
    )  # fmt: skip
    rotation = cv2.Rodrigues(turn)[0]
    assert -rotation.T @ shift.ravel() == pytest.approx(camera.position, abs=2e-3)
    assert rotation == pytest.approx(camera.rotation, abs=2e-4)
    flags = (
        cv2.CALIB_USE_INTRINSIC_GUESS | cv2.CALIB_FIX_PRINCIPAL_POINT | cv2.CALIB_FIX_ASPECT_RATIO
        | cv2.CALIB_ZERO_TANGENT_DIST | cv2.CALIB_FIX_K1 | cv2.CALIB_FIX_K2 | cv2.CALIB_FIX_K3
    )  # fmt: skip
    guess = np.array([[1500.0, 0, 959.5], [0, 1500.0, 539.5], [0, 0, 1]])
    rms, free, _, turns, shifts = cv2.calibrateCamera(
        [where.astype(np.float32)], [px.astype(np.float32)], (1920, 1080), guess, None, flags=flags
    )
    assert free[0, 0] == pytest.approx(camera.focal_px, rel=2e-3)
    theirs = cv2.Rodrigues(turns[0])[0]
    assert -theirs.T @ shifts[0].ravel() == pytest.approx(camera.position, abs=0.02)
    assert rms == pytest.approx(np.sqrt(2) * camera.residual_px, rel=0.01)


def test_fit_agrees_with_pycolmap() -> None:
    """COLMAP's pose refinement (Schoenberger and Frahm, CVPR 2016) through pycolmap, focal length free."""
    pycolmap = pytest.importorskip("pycolmap")
    camera, where, px = same_points()
    # Its pixel centres are at halves.
    theirs = pycolmap.Camera(
        model="SIMPLE_PINHOLE", width=1920, height=1080, params=[1.01 * camera.focal_px, 960.0, 540.0]
    )
    start = pycolmap.Rigid3d(
        pycolmap.Rotation3d(camera.rotation), -camera.rotation @ (camera.position + 0.02)
    )
    options = pycolmap.AbsolutePoseRefinementOptions()
    options.refine_focal_length = True
    options.loss_function_scale = 1e3  # plain least squares
    found = pycolmap.refine_absolute_pose(start, px + 0.5, where, np.ones(len(px), bool), theirs, options)
    pose = found["cam_from_world"].matrix()
    assert theirs.params[0] == pytest.approx(camera.focal_px, rel=1e-3)
    assert -pose[:, :3].T @ pose[:, 3] == pytest.approx(camera.position, abs=0.01)
    assert theirs.img_from_cam(where @ pose[:, :3].T + pose[:, 3]) - 0.5 == pytest.approx(
        camera.project(where), abs=0.05
    )


# --- presets, points and the command -----------------------------------------------------------------


def test_presets_are_published_or_marked() -> None:
    known = presets()
    assert {"senior", "youth", "club"} <= set(known)
    for sizes in known.values():
        # Published: rails 2.40 m long and 4 cm thick (gymsymbol.com); inner diagonal 1.30 to 1.80 m.
        assert (sizes.rail_length_m, sizes.rail_diameter_m) == (2.40, 0.04)
        assert 1.30 <= sizes.inner_diagonal_m <= 1.80
        assert sizes.height_tolerance_m >= 0.01
    assert (known["youth"].high_bar_m, known["youth"].low_bar_m) == (2.50, 1.70)


def test_points_in_a_file(tmp_path: Path) -> None:
    path = tmp_path / "points.txt"
    path.write_text("# the high bar\nhigh.near 812.4 301.9\nlow.near.foot = 12, 3.5\n\n")
    assert read_points(path) == (
        SurveyPoint("high.near", (812.4, 301.9)),
        SurveyPoint("low.near.foot", (12.0, 3.5)),
    )
    path.write_text("high.near 1\n")
    with pytest.raises(ConfigError, match="line 1: give a name and two numbers"):
        read_points(path)
    path.write_text("high.top 1 2\n")
    with pytest.raises(ConfigError, match=r"'high\.top' is no point"):
        read_points(path)


def test_command_writes_rig_and_preview(tmp_path: Path) -> None:
    picture, true = hall(*VIEWS[0])
    still, rig, preview = tmp_path / "hall.png", tmp_path / "rig.toml", tmp_path / "look.png"
    cv2.imwrite(str(still), picture)
    app, _ = build_app()
    done = CliRunner().invoke(
        app,
        ["survey", str(still), "--out", str(rig), "--preview", str(preview), "--low-bar", "right", "--json"],
    )
    assert done.exit_code == 0, done.output
    row = json.loads(done.stdout)
    assert row["automatic"] is True
    assert row["rig"] == str(rig)
    assert row["expected_u_cm"] < 3
    assert fit_camera(parse_rig(rig.read_text())).distance_m == pytest.approx(true.distance_m, rel=0.08)
    drawn = cv2.imread(str(preview))
    assert drawn.shape[0] > picture.shape[0]  # the words stand below
    assert (drawn[: picture.shape[0]] != picture).any(axis=2).sum() > 3000
    points = tmp_path / "points.txt"
    points.write_text("".join(f"{p.name} {p.px[0]:.2f} {p.px[1]:.2f}\n" for p in by_hand(true)))
    typed = CliRunner().invoke(
        app, ["survey", str(still), "--out", str(rig), "--points", str(points), "--size", "mat_m=0.30"]
    )
    assert typed.exit_code == 0, typed.output
    assert "set by hand" in typed.stdout
    assert parse_rig(rig.read_text()).apparatus.mat_m == 0.30
    wrong = CliRunner().invoke(app, ["survey", str(still), "--out", str(rig), "--size", "roof_m=4"])
    assert wrong.exit_code == 2


def test_drawing_shows_points_and_band() -> None:
    picture, true = hall(*VIEWS[1])
    found = survey_by_hand(grey(picture), Rig(true.picture, SENIOR), by_hand(true, 0.3))
    drawn = draw_survey(picture, found)
    x, y = (round(v) for v in found.points[0].px)
    assert (drawn[y, x] != picture[y, x]).any()
    assert any("give or take" in line for line in summary(found))


def test_a_video_with_people_in_it(tmp_path: Path) -> None:
    from capture.studio.film import encode

    picture, true = hall(25, 10.0, 1.8, 9.0, 1280)
    times = [k / 15 for k in range(33)]

    def frames() -> Iterator[np.ndarray]:
        for k in range(33):
            crossing = noisy(picture, 2.0, k)
            for x in (60 + 34 * k, 1150 - 26 * k):
                crossing[300:640, max(0, x) : max(0, x) + 70] = (70, 60, 140)
            yield np.ascontiguousarray(crossing[..., ::-1])

    video, rig = tmp_path / "hall.mp4", tmp_path / "rig.toml"
    encode(video, frames(), times, (1280, 720), 15, 18)
    app, _ = build_app()
    done = CliRunner().invoke(app, ["survey", str(video), "--out", str(rig), "--low-bar", "right", "--json"])
    assert done.exit_code == 0, done.output
    row = json.loads(done.stdout)
    assert row["automatic"] is True
    camera = fit_camera(parse_rig(rig.read_text()))
    at = true.project([0.0, 0.0, 2.5])
    assert abs(camera.to_plane(at)[1] - 2.5) < 0.02


def test_a_desk_answers_a_screen(tmp_path: Path) -> None:
    picture, true = hall(*VIEWS[1])
    desk = SurveyDesk([picture], [0])
    assert desk.snap("high.mid", (900.0, 400.0)) is None
    with pytest.raises(ConfigError, match="set at least six"):
        desk.take(tmp_path / "rig.toml")
    points = by_hand(true, 1.0)
    assert desk.fit(points).camera is not None
    moved = desk.snap("low.mid", points[[p.name for p in points].index("low.mid")].px)
    assert moved is not None
    assert np.linalg.norm(np.array(moved.px) - true.project(true.rig.points3d("low.mid"))) < 2.5
    desk.take(tmp_path / "rig.toml")
    assert fit_camera(parse_rig((tmp_path / "rig.toml").read_text())).distance_m == pytest.approx(
        12.0, rel=0.1
    )

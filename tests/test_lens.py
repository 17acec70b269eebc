"""The lens: OpenCV's own model, rendered boards through a known lens, and the camera that uses it."""

from __future__ import annotations

from pathlib import Path

import cv2
import msgspec
import numpy as np
import pytest
from typer.testing import CliRunner

from bridge.cli import build_app
from bridge.errors import ConfigError
from capture.camera import Camera, fit_camera, spread_of
from capture.lens import Board, Lens, lens_from_boards, lens_toml, load_lens
from capture.rig import POINT_NAMES, Rig, load_rig, parse_rig, presets
from tests.simulated import rig_text

LENS = Lens(
    picture=(1280, 720),
    focal_px=1010.0,
    centre_px=(652.0, 351.0),
    k1=-0.21,
    k2=0.06,
    k3=-0.01,
    p1=0.0006,
    p2=-0.0004,
)
FULL = Lens(picture=(1920, 1080), focal_px=2000.0, centre_px=(950.0, 545.0), k1=-0.18, k2=0.05, p1=0.0004)


def test_distortion_is_opencvs_own() -> None:
    points = np.random.default_rng(3).uniform([-0.6, -0.35, 1], [0.6, 0.35, 1], (200, 3))
    matrix = np.array([[1010.0, 0, 652.0], [0, 1010.0, 351.0], [0, 0, 1]])
    theirs, _ = cv2.projectPoints(
        points, np.zeros(3), np.zeros(3), matrix, np.array([LENS.k1, LENS.k2, LENS.p1, LENS.p2, LENS.k3])
    )
    ours = LENS.distort(points[:, :2]) * LENS.focal_px + LENS.centre_px
    assert ours == pytest.approx(theirs.reshape(-1, 2), abs=1e-6)


def test_undistort_is_the_way_back() -> None:
    corner = (np.array([[0, 0], [1279, 0], [0, 719], [1279, 719]]) - LENS.centre_px) / LENS.focal_px
    grid = np.random.default_rng(0).uniform(corner[0], corner[3], (300, 2))
    for seen in (corner, grid):
        assert LENS.distort(LENS.undistort(seen)) == pytest.approx(seen, abs=1e-9)


def boards(lens: Lens, board: Board, count: int, seed: int = 0) -> list[np.ndarray]:
    """Pictures of a board as ``lens`` sees it: every pixel is asked where on the board it looks."""
    flat = board.picture(90)
    width, height = lens.picture
    grid = np.stack(np.meshgrid(np.arange(width), np.arange(height)), axis=-1).astype(float)
    rays = lens.undistort((grid - np.array(lens.centre_px)) / lens.focal_px)
    rays = np.concatenate([rays, np.ones((height, width, 1))], axis=-1)
    across = board.square_m * board.columns
    rng = np.random.default_rng(seed)
    made = []
    for i in range(count):
        turn = cv2.Rodrigues(rng.uniform([-0.6, -0.6, -0.3], [0.6, 0.6, 0.3]))[0]
        middle = np.array([0.09 * (i % 3 - 1), 0.06 * (i // 3 % 3 - 1), rng.uniform(0.34, 0.5)])
        # Where each ray meets the board's plane, in the board's own axes.
        normal = turn[:, 2]
        reach = (normal @ middle) / (rays @ normal)
        on = (rays * reach[..., None] - middle) @ turn
        px = (on[..., :2] + np.array([across, board.square_m * board.rows]) / 2) / board.square_m * 90 - 0.5
        maps = px.astype(np.float32)
        seen = cv2.remap(flat, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR, borderValue=200)
        made.append(cv2.GaussianBlur(seen, (0, 0), 0.7))
    return made


def test_a_known_lens_is_found_from_rendered_boards() -> None:
    fit = lens_from_boards(boards(LENS, Board(), 14))
    assert fit.boards >= 10
    assert fit.residual_px < 0.5
    assert fit.lens.focal_px == pytest.approx(LENS.focal_px, rel=0.004)
    assert fit.lens.centre_px == pytest.approx(LENS.centre_px, abs=4.0)
    # What counts is where it puts things: the same ray, everywhere in the picture.
    grid = np.stack(np.meshgrid(np.linspace(40, 1240, 13), np.linspace(40, 680, 9)), axis=-1)
    ray = LENS.undistort((grid - LENS.centre_px) / LENS.focal_px)
    back = fit.lens.distort(ray) * fit.lens.focal_px + fit.lens.centre_px
    assert np.abs(back - grid).max() < 4.5
    assert fit.lens.bend_px() == pytest.approx(LENS.bend_px(), rel=0.1)


def test_too_few_boards_are_refused() -> None:
    with pytest.raises(ConfigError, match="at least 6"):
        lens_from_boards(boards(LENS, Board(), 3))
    with pytest.raises(ConfigError, match="differ in size"):
        lens_from_boards([np.zeros((720, 1280), np.uint8), np.zeros((480, 640), np.uint8)])


def test_file_of_a_lens_comes_back(tmp_path: Path) -> None:
    path = tmp_path / "lens.toml"
    path.write_text("format = 1\n" + lens_toml(LENS))
    assert load_lens(path) == LENS
    path.write_text("format = 1\n" + lens_toml(msgspec.structs.replace(LENS, k1=-3.0)))
    with pytest.raises(ConfigError, match="folds"):
        load_lens(path)


def seen_points(lens: Lens) -> tuple[Camera, dict[str, tuple[float, float]]]:
    rig = Rig((1920, 1080), presets()["senior"], lens=lens)
    camera = Camera.looking(rig, [0.8, -7.0, 1.8], [0.8, 0, 1.6], lens.focal_px)
    marks = {n: camera.project(rig.points3d(n)) for n in POINT_NAMES}
    return camera, {n: (float(p[0]), float(p[1])) for n, p in marks.items()}


def test_camera_through_a_lens(tmp_path: Path) -> None:
    true, marks = seen_points(FULL)
    text = rig_text(marks) + lens_toml(FULL, "camera.lens")
    fitted = fit_camera(parse_rig(text))
    assert fitted.position == pytest.approx(true.position, abs=2e-3)
    assert fitted.residual_px < 0.01
    points = np.random.default_rng(0).uniform([-1.5, 0.2], [3.0, 4.0], (50, 2))
    assert fitted.to_plane(true.project_plane(points)) == pytest.approx(points, abs=2e-3)
    u = spread_of(fitted, lambda v: v.to_plane(true.project_plane([0.3, 2.8])))
    assert 0 < u[1] < 0.05
    # A pinhole for what a lens bent: the same points contradict each other, or heights are off.
    straight = fit_camera(parse_rig(rig_text(marks)))
    assert straight.residual_px > 20 * fitted.residual_px
    # The profile in a file of its own beside the rig file says the same.
    (tmp_path / "wide.toml").write_text("format = 1\n" + lens_toml(FULL))
    rig = tmp_path / "rig.toml"
    rig.write_text(rig_text(marks).replace("[camera]\n", '[camera]\nlens_file = "wide.toml"\n'))
    assert load_rig(rig).lens == FULL


def test_a_lens_of_another_picture_is_refused() -> None:
    _, marks = seen_points(FULL)
    with pytest.raises(ConfigError, match=r"camera.lens.picture"):
        parse_rig(rig_text(marks) + lens_toml(LENS, "camera.lens"))


def test_a_known_focal_length_makes_the_place_surer() -> None:
    _, marks = seen_points(FULL)
    sure = msgspec.structs.replace(FULL, focal_u=0.001)
    vague = msgspec.structs.replace(FULL, focal_u=0.2)
    a, b = (fit_camera(parse_rig(rig_text(marks) + lens_toml(each, "camera.lens"))) for each in (sure, vague))
    assert a.covariance[4, 4] < 0.5 * b.covariance[4, 4]  # y, the distance
    assert a.covariance[6, 6] == pytest.approx(0.001**2, rel=0.1)


def test_board_and_profile_by_command(tmp_path: Path) -> None:
    app, _ = build_app()
    runner = CliRunner()
    made = runner.invoke(app, ["survey", "board", "--out", str(tmp_path / "board.png")])
    assert made.exit_code == 0
    assert cv2.imread(str(tmp_path / "board.png")).shape[:2] == (960, 1440)
    files = []
    for i, picture in enumerate(boards(LENS, Board(), 9, seed=5)):
        files.append(str(tmp_path / f"{i}.png"))
        cv2.imwrite(files[-1], picture)
    out = tmp_path / "lens.toml"
    done = runner.invoke(app, ["survey", "lens", *files, "--out", str(out), "--json"])
    assert done.exit_code == 0, done.output
    assert load_lens(out).focal_px == pytest.approx(LENS.focal_px, rel=0.01)

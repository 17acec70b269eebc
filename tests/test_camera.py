import math

import numpy as np
import pytest

from bridge.errors import ConfigError
from capture.camera import Camera, PlaneView, fit_camera, plane_jacobian, spread_of, view_of
from capture.rig import POINT_NAMES, Rig, parse_rig, presets
from tests.simulated import camera_at, rig_from, rig_text

NO_MIDS = tuple(n for n in POINT_NAMES if "mid" not in n)
SIX = ("high.near", "high.far", "low.near", "low.far", "high.near.foot", "low.near.foot")

# How high (cm, + too high) the rail's height is drawn when it is drawn through the near end of the rail,
# worked by hand for a rail 2.5 m high and 2.4 m long: rows are camera heights, columns distances.
NEAR_END_CM = {
    1.2: {5: 41, 8: 23, 10: 18, 15: 11, 20: 8},
    1.6: {5: 28, 8: 16, 10: 12, 15: 8, 20: 6},
    2.0: {5: 16, 8: 9, 10: 7, 15: 4, 20: 3},
    2.5: {5: 0, 8: 0, 10: 0, 15: 0, 20: 0},
    4.0: {5: -47, 8: -26, 10: -20, 15: -13, 20: -10},
}


@pytest.mark.parametrize("height_m", NEAR_END_CM)
@pytest.mark.parametrize("distance_m", [5, 8, 10, 15, 20])
def test_line_through_near_end_is_wrong_by_the_known_amount(height_m: float, distance_m: int) -> None:
    rig = Rig((1920, 1080), presets()["senior"])
    camera = Camera.looking(rig, [0.0, -distance_m, height_m], [0.0, 0.0, 2.2], 1500.0)
    end = camera.project([0.0, -1.2, 2.5])
    seen = camera.to_plane(end)[1] - 2.5
    # Rounded to whole centimetres in the table: half a centimetre either way.
    assert 100 * seen == pytest.approx(NEAR_END_CM[height_m][distance_m], abs=0.55)


def test_drawn_line_runs_through_mid_rail() -> None:
    true, fitted = camera_at()
    line = fitted.lines()[0]
    assert line.rail == "high"
    a, b, at = np.array(line.a), np.array(line.b), true.project([0.0, 0.0, 2.5])
    share = (at[0] - a[0]) / (b[0] - a[0])
    assert a[1] + share * (b[1] - a[1]) == pytest.approx(at[1], abs=4 * line.u_px)
    assert 0.1 < line.u_px < 2.0


@pytest.mark.parametrize(
    ("distance_m", "percent"), [(5, 6.38), (8, 3.90), (10, 3.09), (15, 2.04), (20, 1.52)]
)
def test_nearer_things_look_bigger(distance_m: int, percent: float) -> None:
    # 1 / (1 - z / D) - 1 for z = 0.3 m.
    rig = Rig((1920, 1080), presets()["senior"])
    camera = Camera.looking(rig, [0.0, -distance_m, 2.0], [0.0, 0.0, 2.0], 1500.0)
    seen = camera.to_plane(camera.project([[0, -0.3, 2.0], [0, -0.3, 3.0]]))
    assert 100 * (seen[1, 1] - seen[0, 1] - 1) == pytest.approx(percent, abs=0.01)


@pytest.mark.parametrize("names", [POINT_NAMES, NO_MIDS, SIX])
@pytest.mark.parametrize("place", [(0.8, -10.0, 1.6), (4.5, -9.0, 3.5), (-3.0, -12.0, 1.0), (0.5, 8.0, 2.2)])
def test_exact_points_give_back_the_camera(names: tuple[str, ...], place: tuple[float, float, float]) -> None:
    true, _ = camera_at(place)
    marks = {n: true.project(true.rig.points3d(n)) for n in names}
    side = "right" if place[1] < 0 else "left"
    text = rig_text({n: (float(p[0]), float(p[1])) for n, p in marks.items()}, f'low_bar_side = "{side}"')
    fitted = fit_camera(parse_rig(text))
    assert fitted.position == pytest.approx(place, abs=1e-3)
    assert fitted.focal_px == pytest.approx(2000.0, rel=1e-4)
    assert fitted.residual_px < 1e-3


def test_covariance_foretells_the_scatter_of_heights() -> None:
    true, _ = camera_at()
    at = np.array([0.4, 2.9])
    px = true.project_plane(at)
    misses, foretold = [], []
    for seed in range(40):
        fitted = fit_camera(rig_from(true, noise_px=0.7, seed=seed))
        misses.append(fitted.to_plane(px)[1] - at[1])
        alone = Camera(fitted.rig, fitted.focal_px, fitted.rotation, fitted.position, fitted.covariance)
        foretold.append(spread_of(alone, lambda v: v.to_plane(px))[1])
    ratio = np.std(misses) / np.sqrt(np.mean(np.square(foretold)))
    assert 0.6 < ratio < 1.4  # a standard deviation of 40 draws is itself known to 11 %, so 4 sigma
    assert abs(np.mean(misses)) < 3 * np.std(misses) / math.sqrt(40)


def test_apparatus_tolerance_counts_once() -> None:
    """Bars 1 cm lower than stated: heights against the rail change by the scale only, and u covers it."""
    sizes = presets()["senior"]
    import msgspec

    lower = msgspec.structs.replace(sizes, high_bar_m=2.49, low_bar_m=1.695)
    real = Camera.looking(Rig((1920, 1080), lower), [0.8, -10, 1.8], [0.8, 0, 2.1], 2000.0)
    marks = {n: real.project(real.rig.points3d(n)) for n in POINT_NAMES}
    fitted = fit_camera(parse_rig(rig_text({n: (float(p[0]), float(p[1])) for n, p in marks.items()})))
    px = real.project_plane([0.3, 2.49 + 0.40])
    seen = fitted.to_plane(px)[1] - fitted.zero_m("high")
    u = spread_of(fitted, lambda v: np.array([v.to_plane(px)[1] - v.zero_m("high")]))[0]
    assert abs(seen - 0.40) < 0.006
    assert abs(seen - 0.40) < 3 * u
    assert u < 0.012


def test_wrong_point_is_named() -> None:
    true, _ = camera_at()
    marks = {n: true.project(true.rig.points3d(n)) for n in POINT_NAMES}
    marks["low.far.foot"] = marks["low.far.foot"] + [0, 35.0]
    with pytest.raises(ConfigError, match=r"'low.far.foot' is 3\d px"):
        fit_camera(
            parse_rig(rig_text({n: (float(p[0]), float(p[1])) for n, p in marks.items()}, ""), "hall.toml")
        )


def test_swapped_ends_are_refused() -> None:
    true, _ = camera_at()
    marks = {n: true.project(true.rig.points3d(n)) for n in POINT_NAMES}
    marks["high.near"], marks["low.near"] = marks["low.near"], marks["high.near"]
    with pytest.raises(ConfigError):
        fit_camera(
            parse_rig(rig_text({n: (float(p[0]), float(p[1])) for n, p in marks.items()}), "hall.toml")
        )


def test_plane_and_back() -> None:
    _, camera = camera_at((4.0, -9.0, 3.0))
    points = np.random.default_rng(0).uniform([-1.5, 0.2], [3.0, 4.0], (50, 2))
    assert camera.to_plane(camera.project_plane(points)) == pytest.approx(points)
    assert camera.to_plane(camera.project_plane(points, 0.4), 0.4) == pytest.approx(points)


def test_jacobian_is_the_derivative() -> None:
    _, camera = camera_at()
    px = np.array([900.0, 400.0])
    j = plane_jacobian(camera, px)
    step = np.array([3.0, -2.0])
    assert camera.to_plane(px + step) - camera.to_plane(px) == pytest.approx(j @ step, abs=1e-4)


def test_words_and_price_of_a_place() -> None:
    _, good = camera_at((0.8, -10.0, 2.5))
    _, low = camera_at((0.8, -5.0, 1.0), focal_px=900.0)
    assert good.words().startswith("10.0 m away, 2.5 m high")
    assert 0.01 < good.expected_u_m() < low.expected_u_m() < 0.2


def test_reference_plane() -> None:
    size = "picture = [1768, 994]\npx_per_m = 252.0\n"
    text = f"format = 1\n[reference]\n{size}line_px = [[0, 420], [1767, 420]]\n"
    view = view_of(parse_rig(text))
    assert isinstance(view, PlaneView)
    assert view.to_plane([252.0, 168.0]) == pytest.approx([1.0, 1.0])
    assert view.project_plane([1.0, 1.0]) == pytest.approx([252.0, 168.0])
    # 1 % of scale on 1 m, and 1 px of the line.
    u = spread_of(view, lambda v: np.array([v.to_plane([252.0, 168.0])[1] - v.zero_m("line")]))[0]
    assert u == pytest.approx(math.hypot(0.01, 1 / 252), rel=0.02)
    assert view.lines()[0].label == "line"


def test_tilted_reference_line_turns_the_vertical() -> None:
    text = (
        "format = 1\n[reference]\npicture = [800, 600]\npx_per_m = 100.0\nline_px = [[0, 300], [400, 340]]\n"
    )
    view = view_of(parse_rig(text))
    assert view.to_plane([0.0, 300.0]) == pytest.approx([0, 0])
    assert view.to_plane([400.0, 340.0])[1] == pytest.approx(0.0)
    assert view.to_plane([200.0, 220.0])[1] == pytest.approx(1.0 * 100 / math.hypot(100, 10), abs=1e-3)

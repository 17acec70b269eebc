"""Scenes and what their conditions leave in the pictures."""

from __future__ import annotations

import contextlib
from dataclasses import replace
from importlib import resources

import numpy as np
import pytest

from bridge.errors import ConfigError
from capture.lens import Lens

pytest.importorskip("moderngl")
with contextlib.suppress(ImportError):
    import roma  # noqa: F401  The body model loads it; loaded after Mesa it crashes the process.

from capture.studio import arena, body, figure, film, scene, stage
from capture.studio.optics import Drift, Optics, Sensor, frame_times, lamp_gain

SMALL = """
format = 1
seed = 3
flights = [1]
lead_s = 0.05
after_s = 0.0
[[elements]]
name = "hop_regrasp"
[picture]
height_px = 180
fps = 25
"""


def test_shipped_scenes_can_be_read() -> None:
    files = [p for p in (resources.files("capture.studio") / "scenes").iterdir() if p.name.endswith(".toml")]
    assert len(files) >= 2
    for file in files:
        assert scene.parse(file.read_text(encoding="utf-8"), file.name).elements


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("format = 1", "elements"),
        (SMALL + "exposure_s = 0.5", "picture.exposure_s"),
        (SMALL + "colour = 1", "colour"),
        (SMALL.replace("hop_regrasp", "somersault"), "elements[1].name"),
        (
            SMALL.replace('"hop_regrasp"', '"hop_regrasp"\noptions = { bounce = 1 }'),
            "elements[1].options.bounce",
        ),
        (SMALL + '[apparatus]\npreset = "huge"', "apparatus.preset"),
        (SMALL + "[apparatus]\nhigh_bar_m = 1.9", "apparatus.low_bar_m"),
        (SMALL + "[camera]\nheight_m = 9", "camera.height_m"),
        (SMALL.replace("flights = [1]", "flights = [0]"), "flights"),
    ],
)
def test_a_wrong_scene_is_refused_in_one_line_with_its_key(text: str, key: str) -> None:
    with pytest.raises(ConfigError) as caught:
        scene.parse(text, "s.toml")
    assert key in str(caught.value)
    assert "\n" not in str(caught.value)


def test_lamps_flicker_at_twice_the_mains() -> None:
    sensor = Sensor((8, 9), 1, exposure_s=1 / 2000, mains_hz=60, flicker=0.5)
    grey = np.full((9, 8, 3), 100, np.uint8)
    light = np.array([sensor.read(grey, i / 1000, i).mean() for i in range(1000)]) ** 2
    spectrum = np.abs(np.fft.rfft(light - light.mean()))
    assert np.argmax(spectrum) == 120  # of one second: hertz
    # A whole period of the light averages out; sampled at 25 a second, 50 Hz lamps stand still.
    assert lamp_gain(np.linspace(0, 1, 99), 50, 0.5, 1 / 100) == pytest.approx(1)
    assert np.ptp(lamp_gain(np.arange(50) / 25, 50, 0.5, 1e-3)) < 1e-9


def test_flicker_under_a_rolling_shutter_is_bands() -> None:
    sensor = Sensor((4, 1000), 1, exposure_s=1e-4, row_s=2e-5, mains_hz=50, flicker=0.6)
    rows = sensor.read(np.full((1000, 4, 3), 100, np.uint8), 0.0, 0)[:, 0, 0].astype(float)
    assert np.argmax(np.abs(np.fft.rfft(rows - rows.mean()))) == 2  # 20 ms of 100 Hz


def test_noise_has_its_deviation_and_changes_from_picture_to_picture() -> None:
    sensor = Sensor((64, 64), 1, exposure_s=1e-3, noise=4)
    grey = np.full((64, 64, 3), 100, np.uint8)
    one, two = sensor.read(grey, 0, 0).astype(float), sensor.read(grey, 0, 1).astype(float)
    assert one.std() == pytest.approx(4 * np.hypot(1, 0.5), rel=0.1)
    assert np.abs(one - two).mean() > 2
    assert np.array_equal(one, Sensor((64, 64), 1, exposure_s=1e-3, noise=4).read(grey, 0, 0))


def test_times_of_pictures() -> None:
    rng = np.random.default_rng(0)
    even = frame_times(2, 59.94, rng)
    assert np.diff(even) == pytest.approx(1 / 59.94)
    varied = np.diff(frame_times(20, 30, rng, jitter_share=0.3))
    assert varied.min() > 0
    assert varied.std() * 30 == pytest.approx(0.3 * np.sqrt(2 / 3), rel=0.2)
    lost = frame_times(20, 60, rng, dropped_share=0.1)
    assert len(lost) == pytest.approx(0.9 * 1201, rel=0.05)
    assert np.diff(lost).max() > 1.9 / 60


def test_a_wide_lens_bends_what_a_pinhole_keeps_straight() -> None:
    camera = film.side_on(arena.Sizes(), focal_px=325, picture=(320, 180))
    optics = Optics(camera, k1=-0.25)
    pad = optics.pad_px
    picture = np.zeros((180 + 2 * pad, 320 + 2 * pad, 3), np.uint8)
    picture[pad + 10] = 255  # a straight line near the top
    seen = optics.see(picture)[..., 0].astype(float)
    rows = (seen * np.arange(180)[:, None]).sum(axis=0) / seen.sum(axis=0)
    lens = Lens(picture=(320, 180), focal_px=325, centre_px=(159.5, 89.5), k1=-0.25)
    u = np.arange(-40.0, 360.0)
    xy = lens.distort(np.column_stack([(u - 159.5) / 325, np.full(len(u), (10 - 89.5) / 325)]))
    true = np.interp(np.arange(320), xy[:, 0] * 325 + 159.5, xy[:, 1] * 325 + 89.5)
    assert np.abs(rows - true).max() < 0.3
    assert np.ptp(rows) > 1.5


def test_a_turned_camera_moves_the_picture_as_its_projection_says() -> None:
    camera = film.side_on(arena.Sizes(), focal_px=325, picture=(320, 180))
    optics = Optics(camera, pad_px=40)
    turned = Drift(pan_rad_s=0.03, seed=1).camera(camera, 1.0)
    point = np.array([0.3, 0.0, 2.6])
    x, y = optics.wide.project(point)
    columns, rows = np.meshgrid(np.arange(400), np.arange(260))
    spot = 255 * np.exp(-((columns - x) ** 2 + (rows - y) ** 2) / 8)
    seen = optics.see(np.repeat(spot[..., None], 3, axis=2).astype(np.uint8), turned)[..., 0].astype(float)
    columns, rows = np.meshgrid(np.arange(320), np.arange(180))
    centre = np.array([(seen * columns).sum(), (seen * rows).sum()]) / seen.sum()
    assert centre == pytest.approx(optics.project(point, turned), abs=0.1)
    assert abs(centre[0] - camera.project(point)[0]) > 5


def _moving(shape: body.BodyShape, speed_m_s: float) -> figure.Motion:
    root = np.array([[-speed_m_s, 0, 3.0], [speed_m_s, 0, 3.0]])
    return figure.Motion(np.array([-1.0, 1.0]), root, film._heading(0.0, 2), film._posture(2))


def _shifts(shot: film.Shot, speed_m_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Where she changes the empty picture, and the rows' middles of it (NaN where nothing changes)."""
    shape = body.shapes()[0]
    staged = film.Stage(shot, shape, [], _moving(shape, speed_m_s))
    try:
        changed = np.abs(staged.frame(0.0)[0].astype(int) - staged.empty).max(axis=2) > 12
    finally:
        staged.release()
    top = round(float(shot.camera.project(np.array([0.0, 0.0, 2.2]))[1]))
    changed[top:] = False  # not the shadow
    count = changed.sum(axis=1)
    middles = np.where(count > 0, changed @ np.arange(changed.shape[1]) / np.maximum(count, 1), np.nan)
    return changed, middles


def test_smear_is_as_long_as_the_exposure_and_rolling_rows_shear() -> None:
    camera = film.side_on(arena.Sizes(), off_rad=0.0, focal_px=1950 / 3, picture=(640, 360))
    shot = film.Shot(camera, company=False, steps=7, exposure_s=1e-5, seed=2, walls="drape")
    width = {}
    for exposure in (1e-5, 1 / 60):
        changed, _ = _shifts(replace(shot, exposure_s=exposure), 6.0)
        width[exposure] = np.ptp(np.flatnonzero(changed.any(axis=0)))
    # 6 m/s for 1/60 s at 65 px a metre; the outermost sub-frames stand half a step inside.
    assert width[1 / 60] - width[1e-5] == pytest.approx(6 / 60 * 65 * 6 / 7, abs=2.5)
    _, still = _shifts(shot, 6.0)
    _, rolling = _shifts(replace(shot, row_s=4e-5), 6.0)
    rows = np.flatnonzero(np.isfinite(still) & np.isfinite(rolling))
    slope = np.polyfit(rows, (rolling - still)[rows], 1)[0]
    assert slope == pytest.approx(6 * 65 * 4e-5, rel=0.35)


def test_the_same_scene_films_the_same_and_its_truth_lies_on_its_joints(tmp_path) -> None:
    asked = scene.parse(SMALL + "noise = 3\n[camera]\nk1 = -0.1\nroll_deg = 1\n")
    gymnasts, _ = stage.people()
    performance = stage.perform(asked, gymnasts[0])
    one, two = (stage.film_scene(asked, tmp_path / n, performance)[0] for n in ("one", "two"))
    assert one.path.read_bytes() == two.path.read_bytes()
    assert one.rig.read_text(encoding="utf-8") == two.rig.read_text(encoding="utf-8")
    from capture.rig import load_rig
    from capture.studio import truth

    assert load_rig(one.rig).lens is not None
    flight = truth.read(one.truth).flights[0]
    path = np.array(flight.hip_path)
    optics = stage.Optics(stage.camera_of(asked), -0.1)
    inside = (one.t_s > flight.release_s) & (one.t_s < flight.end_s)
    assert inside.sum() >= 3
    for t, joints in zip(one.t_s[inside], one.joints_px[inside], strict=True):
        place = np.array([np.interp(t, path[:, 0], path[:, 1]), 0.0, np.interp(t, path[:, 0], path[:, 2])])
        assert joints[[2, 3]].mean(axis=0) == pytest.approx(optics.project(place), abs=0.5)

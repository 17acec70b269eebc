"""Cutting crops, decoding heat maps, and the joint network on people it never saw."""

from __future__ import annotations

import tarfile
from pathlib import Path

import cv2
import numpy as np
import pytest

from bridge.skeleton import INDEX, N_JOINTS
from capture.joints import STRIDE, Crop, JointNetwork, cut, decode, uncertainty
from tests.reference import reference

CELLS = 48
HIPS = [INDEX["right_hip"], INDEX["left_hip"]]
SHOULDERS = [INDEX["right_shoulder"], INDEX["left_shoulder"]]


@pytest.fixture(scope="module")
def network() -> JointNetwork:
    return JointNetwork()


def heat_maps(px: np.ndarray, spread_px: float) -> np.ndarray:
    """Logits of Gaussians at crop px (14, 2)."""
    axis = np.arange(CELLS) * STRIDE + (STRIDE - 1) / 2
    x = (axis - px[:, :1]) ** 2
    y = (axis - px[:, 1:]) ** 2
    return -(x[:, None, :] + y[:, :, None]) / (2 * spread_px**2)


@pytest.mark.parametrize("spread_px", [4.0, 5.0, 7.0])
def test_decoding_is_finer_than_the_cells(spread_px: float) -> None:
    px = np.random.default_rng(2).uniform(30, 160, (N_JOINTS, 2))
    got, spread, mass = decode(heat_maps(px, spread_px))
    assert np.abs(got - px).max() < 0.05
    assert (mass > 0.8).all()
    assert np.abs(spread - spread_px).max() < 0.8  # seen through a window


def test_decoding_takes_the_higher_of_two_peaks_and_says_how_much_lies_there() -> None:
    px = np.tile([[60.0, 90.0]], (N_JOINTS, 1))
    strong, weak = heat_maps(px, 5.0), heat_maps(px + np.array([80.0, 0.0]), 5.0)
    got, _, mass = decode(np.logaddexp(strong + np.log(0.7), weak + np.log(0.3)))
    assert np.abs(got - px).max() < 0.2
    assert np.abs(mass - 0.7).max() < 0.03


def test_a_wide_or_divided_map_is_less_sure() -> None:
    fitted = np.array([7.0, 1.2, 0.4])
    sure = uncertainty(fitted, np.array(5.0), np.array(0.99))
    assert uncertainty(fitted, np.array(7.0), np.array(0.99)) > sure
    assert uncertainty(fitted, np.array(5.0), np.array(0.6)) > 2 * sure
    assert uncertainty(fitted, np.array(5.0), np.array(1.0)) > 0


def blob_picture(at: tuple[float, float], width_px: float, size: tuple[int, int] = (900, 700)) -> np.ndarray:
    """A bright soft dot whose middle is at exact picture coordinates, pixel centres at integers."""
    x, y = np.arange(size[0]), np.arange(size[1])[:, None]
    dot = np.exp(-((x - at[0]) ** 2 + (y - at[1]) ** 2) / (2 * width_px**2))
    return np.repeat((dot * 255).astype(np.uint8)[..., None], 3, axis=2)


@pytest.mark.parametrize("side", [100.0, 192.0, 300.0, 410.0, 555.5, 640.0, 1003.0])
def test_a_place_in_the_crop_is_the_same_place_in_the_picture(side: float) -> None:
    at = (431.3, 322.8)
    crop = Crop(at[0] + 0.11 * side, at[1] - 0.07 * side, side)
    seen = cut(blob_picture(at, max(3.0, 0.02 * side)), crop, 192)[..., 0].astype(float)
    # Beyond the picture the crop is grey: look at the dot only.
    guess = (np.array(at) - (crop.x, crop.y)) * 192 / side + (192 - 1) / 2
    y, x = np.mgrid[0:192, 0:192]
    near = np.hypot(x - guess[0], y - guess[1]) < 25
    weight = np.where(near, seen, 0)
    middle = np.array([(x * weight).sum(), (y * weight).sum()]) / weight.sum()
    back = (middle - (192 - 1) / 2) * side / 192 + (crop.x, crop.y)
    assert np.abs(back - at).max() < 0.12 * side / 192 + 0.03


def test_a_crop_beyond_the_picture_is_grey() -> None:
    picture = np.zeros((100, 120, 3), np.uint8)
    assert (cut(picture, Crop(900.0, 900.0, 600.0), 192) == 114).all()
    corner = cut(picture, Crop(0.0, 0.0, 192.0), 192)
    assert (corner[:90, :90] == 114).all()
    assert (corner[100:150, 100:150] == 0).all()


def test_the_same_picture_gives_the_same_joints(network: JointNetwork) -> None:
    picture = np.random.default_rng(0).integers(0, 255, (400, 500, 3), dtype=np.uint8)
    first, second = (network(picture, Crop(250.0, 200.0, 300.0)) for _ in range(2))
    np.testing.assert_array_equal(first.px, second.px)
    assert first.px.shape == (N_JOINTS, 2)
    assert (first.sigma_px > 0).all()
    assert ((first.score >= 0) & (first.score <= 1)).all()


def test_an_empty_picture_holds_nobody(network: JointNetwork) -> None:
    found = network(np.full((400, 500, 3), 90, np.uint8), Crop(250.0, 200.0, 300.0))
    assert found.score.mean() < 0.4


def test_studio_pictures_that_no_training_saw(network: JointNetwork) -> None:
    pytest.importorskip("moderngl")
    from bridge.errors import SystemLibraryError
    from capture.studio.body import shapes
    from capture.studio.pictures import Maker

    try:
        maker = Maker(shapes(), seed=20_261, size=288)
    except SystemLibraryError as fault:
        pytest.skip(str(fault))
    miss, z = [], []
    for number in range(40):
        made = maker.crop(number)
        seen = made.joints[:, 2] > 0
        true = made.joints[:, :2].astype(float)
        found = network(np.ascontiguousarray(made.image[..., ::-1]), Crop.round_points(true[seen]))
        torso = np.linalg.norm(true[SHOULDERS].mean(axis=0) - true[HIPS].mean(axis=0))
        miss.append(np.linalg.norm(found.px[HIPS].mean(axis=0) - true[HIPS].mean(axis=0)) / max(torso, 20))
        z.append((np.abs(found.px - true) / found.sigma_px[:, None])[seen & (found.score > 0.35)])
    maker.release()
    # Measured on 700: median 0.043, 84 % within 0.1; 64 % and 87 % of errors within one and two u.
    assert np.median(miss) < 0.08
    assert np.mean(np.array(miss) < 0.1) > 0.65
    inside = np.concatenate(z)
    assert 0.5 < (inside < 1).mean() < 0.85
    assert (inside < 3).mean() > 0.88


def kept_out_photographs(limit: int) -> list[tuple[np.ndarray, np.ndarray]]:
    """(picture BGR, joints (14, 3) px) of photographs that no training saw."""
    from capture.studio.train_data import kept_out

    folder: Path = reference("gymnasts")
    with tarfile.open(folder / "labels.tgz") as tar:
        labels = {
            Path(m.name).stem: tar.extractfile(m).read().decode()
            for m in tar
            if m.isfile() and kept_out(Path(m.name).stem)
        }
    out = []
    for part in sorted(folder.glob("images-*.tar")):
        with tarfile.open(part) as tar:
            for member in tar:
                name = Path(member.name).stem
                if not member.isfile() or name not in labels or len(out) == limit:
                    continue
                picture = cv2.imdecode(
                    np.frombuffer(tar.extractfile(member).read(), np.uint8), cv2.IMREAD_COLOR
                )
                joints = np.array(labels[name].split()[5:], float).reshape(-1, 3)
                joints[:, :2] = joints[:, :2] * picture.shape[1::-1] - 0.5
                out.append((picture, joints))
    return out


def test_photographs_of_gymnasts_kept_out_of_training(network: JointNetwork) -> None:
    miss = []
    for picture, joints in kept_out_photographs(400):
        seen = joints[:, 2] > 0
        if not seen[[*HIPS, *SHOULDERS]].all():
            continue
        torso = np.linalg.norm(joints[SHOULDERS, :2].mean(axis=0) - joints[HIPS, :2].mean(axis=0))
        found = network(picture, Crop.round_points(joints[seen, :2]))
        miss.append(np.linalg.norm(found.px[HIPS].mean(axis=0) - joints[HIPS, :2].mean(axis=0)) / torso)
    # Labels: crowd-sourced, Johnson & Everingham, CVPR 2011. Measured 61 % and 29 %; goal 85 % and 60 %.
    assert len(miss) > 200
    assert np.mean(np.array(miss) < 0.2) > 0.5
    assert np.mean(np.array(miss) < 0.1) > 0.22

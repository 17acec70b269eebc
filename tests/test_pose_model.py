"""A general pose model in place of the shipped networks."""

from __future__ import annotations

import pickle
from pathlib import Path

import numpy as np
import pytest

from bridge.errors import ModelError
from bridge.skeleton import INDEX, N_JOINTS
from capture.finder import import_ultralytics
from capture.joints import Crop
from capture.pose_model import COCO, PoseModel, from_coco


def test_coco_joints_become_ours() -> None:
    joints = np.zeros((len(COCO), 3))
    joints[:, 0] = np.arange(len(COCO)) * 10
    joints[:, 1] = 500 - np.arange(len(COCO))
    joints[:, 2] = 0.9
    px, score = from_coco(joints)
    for side in ("left", "right"):
        for joint in ("ankle", "knee", "hip", "wrist", "elbow", "shoulder"):
            name = f"{side}_{joint}"
            np.testing.assert_array_equal(px[INDEX[name]], joints[COCO.index(name), :2])
    shoulders = [COCO.index("left_shoulder"), COCO.index("right_shoulder")]
    np.testing.assert_allclose(px[INDEX["neck"]], joints[shoulders, :2].mean(axis=0))
    assert px.shape == (N_JOINTS, 2)
    assert (score == 0.9).all()


def test_the_head_top_lies_beyond_the_ears() -> None:
    joints = np.ones((len(COCO), 3))
    seen = {
        "left_shoulder": (90, 200),
        "right_shoulder": (110, 200),
        "left_ear": (95, 170),
        "right_ear": (105, 170),
    }
    for name, at in seen.items():
        joints[COCO.index(name), :2] = at
    px, _ = from_coco(joints)
    x, y = px[INDEX["head_top"]]
    assert abs(x - 100) < 1
    assert y < 160


@pytest.mark.parametrize("name", ["absent.pt", "words.pt", "pickle.pt"])
def test_what_is_no_pose_model_is_refused_in_one_line(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    marker = tmp_path / "ran"
    if name == "words.pt":
        path.write_text("no network")
    elif name == "pickle.pt":

        class Runs:
            def __reduce__(self):
                return (Path.touch, (marker,))

        path.write_bytes(pickle.dumps(Runs()))
    with pytest.raises(ModelError) as error:
        PoseModel(path)
    assert "\n" not in str(error.value)
    assert name in str(error.value)
    assert not marker.exists()  # nothing in the file was run


def test_a_pose_model_of_the_library_can_be_used(tmp_path: Path) -> None:
    ultralytics = import_ultralytics()
    path = tmp_path / "untrained.pt"
    ultralytics.YOLO("yolo26n-pose.yaml").save(str(path))
    model = PoseModel(path)
    assert list(model.hashes) == ["untrained.pt"]
    picture = np.random.default_rng(0).integers(0, 255, (360, 640, 3), dtype=np.uint8)
    assert model.find(picture).shape[1] == 5
    found = model(picture, Crop(320.0, 180.0, 300.0))
    assert found.px.shape == (N_JOINTS, 2)
    assert found.score.shape == (N_JOINTS,)

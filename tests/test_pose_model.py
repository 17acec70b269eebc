"""A general pose model in place of the shipped networks."""

from __future__ import annotations

import hashlib
import importlib.util
import pickle
from pathlib import Path

import numpy as np
import pytest
import yaml

from bridge.errors import ExitCode, ModelError
from bridge.skeleton import INDEX, N_JOINTS
from capture import pose_model
from capture.bands import common_practice
from capture.camera import view_of
from capture.feeds import Frame
from capture.finder import import_ultralytics
from capture.follow import Follower
from capture.joints import Crop
from capture.pipeline import open_pipeline
from capture.pose_model import COCO, PoseModel, from_coco
from capture.rig import parse_rig


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


@pytest.fixture(scope="module")
def untrained(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A pose model of the library with random weights."""
    path = tmp_path_factory.mktemp("model") / "untrained.pt"
    import_ultralytics().YOLO("yolo26n-pose.yaml").save(str(path))
    return path


def picture(seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).integers(0, 255, (360, 640, 3), dtype=np.uint8)


def test_a_pose_model_of_the_library_can_be_used(untrained: Path) -> None:
    model = PoseModel(untrained)
    assert model.hashes == {"untrained.pt": hashlib.sha256(untrained.read_bytes()).hexdigest()}
    assert model.find(picture()).shape[1] == 5
    found = model(picture(), Crop(320.0, 180.0, 300.0))
    assert found.px.shape == (N_JOINTS, 2)
    assert found.score.shape == (N_JOINTS,)


def test_one_pass_serves_boxes_and_joints(untrained: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    model = PoseModel(untrained)
    monkeypatch.setattr(pose_model, "SURE", 0.0)  # what it finds means nothing, but it finds something
    first, second = picture(1), picture(2)
    passes = []
    predict = model._predict
    monkeypatch.setattr(model, "_predict", lambda bgr: passes.append(bgr) or predict(bgr))
    boxes = model.find(first)
    assert 0 < len(boxes) <= pose_model.MOST
    assert (np.diff(boxes[:, 4]) <= 0).all()  # best first
    best = boxes[-1]
    crop = Crop((best[0] + best[2]) / 2, (best[1] + best[3]) / 2, 200.0)
    found = model(first, crop)
    assert len(passes) == 1
    np.testing.assert_array_equal(found.sigma_px, pose_model.RELATIVE_U * 200.0)
    assert np.isfinite(found.px).all()
    assert (model(first, Crop(9000.0, 9000.0, 50.0)).score == 0).all()
    model.find(second)
    assert len(passes) == 2


RIG = """
format = 1
[reference]
picture = [640, 360]
px_per_m = 100.0
scale_u = 0.01
line_px = [[0, 300], [639, 300]]
line_name = "box"
"""


@pytest.mark.parametrize("sure", [0.25, 0.0])
def test_follower_and_pipeline_run_with_it(
    untrained: Path, monkeypatch: pytest.MonkeyPatch, sure: float
) -> None:
    monkeypatch.setattr(pose_model, "SURE", sure)
    view = view_of(parse_rig(RIG, "rig"))
    follower = Follower.load(view, untrained)
    assert list(follower.models) == ["untrained.pt"]
    assert follower.push(0, picture()).px.shape == (N_JOINTS, 2)
    pipeline = open_pipeline(view, common_practice(), untrained)
    assert pipeline.models == follower.models
    steps = [pipeline.push(Frame(i, i * 33_333_333, picture(i))) for i in range(4)]
    assert [s.observation.t_ns for s in steps] == [i * 33_333_333 for i in range(4)]
    assert pipeline.finish() == ()


def test_what_cannot_stand_in_is_refused_with_the_reason(tmp_path: Path) -> None:
    ultralytics = import_ultralytics()
    pose = yaml.safe_load((Path(ultralytics.__file__).parent / "cfg/models/26/yolo26-pose.yaml").read_text())
    for shape in ([14, 3], [17, 2]):
        config = tmp_path / f"yolo26n-pose{shape[0]}{shape[1]}.yaml"
        config.write_text(yaml.safe_dump({**pose, "kpt_shape": shape}))
        ultralytics.YOLO(str(config), task="pose").save(str(tmp_path / f"{shape[0]}x{shape[1]}.pt"))
    ultralytics.YOLO("yolo26n.yaml").save(str(tmp_path / "boxes.pt"))
    (tmp_path / "graph.mnn").write_text("no network")
    reasons = {
        "14x3.pt": "finds 14 joints of 3 values, not 17 of 3",
        "17x2.pt": "finds 17 joints of 2 values, not 17 of 3",
        "boxes.pt": "finds no joints",
        "graph.mnn": "needs MNN" if importlib.util.find_spec("MNN") is None else "cannot be loaded",
        "absent.pt": "no such model",
    }
    for name, reason in reasons.items():
        with pytest.raises(ModelError, match=reason) as error:
            PoseModel(tmp_path / name)
        text = str(error.value)
        assert "\n" not in text
        assert name in text
        assert "pose model" in text  # the remedy
        assert error.value.exit_code is ExitCode.MODEL

"""The network benches: reading labelled folders, the figures, studio pictures, and the commands."""

from __future__ import annotations

import json
import math
import shutil
import tarfile
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from typer.testing import CliRunner

from bridge.cli import build_app
from bridge.errors import ConfigError
from bridge.skeleton import INDEX, N_JOINTS
from capture.bench import cost, stills
from capture.bench.networks import HIPS, Look, calibration, in_px, looks_airborne, middle, orientation
from capture.bench.photographs import figures, look, overlap, photographs, read_by_eye, report
from capture.joints import Crop, Found, JointNetwork
from capture.studio.train_data import kept_out
from tests.reference import reference


def person(**moved: tuple[float, float]) -> np.ndarray:
    """Somebody who stands, 100 px of torso, with some joints (both sides by their bare name) elsewhere."""
    places = {
        "ankle": (0, 300), "knee": (0, 200), "hip": (0, 100), "wrist": (10, 100), "elbow": (5, 50),
        "shoulder": (0, 0), "neck": (0, -20), "head_top": (0, -60),
    } | moved  # fmt: skip
    px = np.empty((N_JOINTS, 2))
    for name, i in INDEX.items():
        px[i] = places.get(name) or places[name.split("_", 1)[1]]
    return px + 400.0


def found(px: np.ndarray, sigma_px: float = 4.0) -> Found:
    return Found(px, np.full(N_JOINTS, sigma_px), np.ones(N_JOINTS))


def test_orientation_is_told_from_the_joints() -> None:
    standing, hands_up = person(), {"wrist": (0.0, -120.0), "elbow": (0.0, -60.0)}
    assert orientation(standing) == "upright"
    assert orientation(person(**hands_up)) == "hanging"
    assert orientation(person(**hands_up, knee=(90, 80), ankle=(60, 20))) == "upright"  # tucked
    assert orientation(800 - person(**hands_up)) == "inverted"  # a handstand
    without_hip = standing.copy()
    without_hip[HIPS[0]] = np.nan
    assert orientation(without_hip) == ""
    without_wrist = person(**hands_up)
    without_wrist[INDEX["left_wrist"]] = np.nan
    assert orientation(without_wrist) == "upright"


def test_who_neither_stands_nor_hangs_is_likely_in_the_air() -> None:
    tucked = person(knee=(90, 60), ankle=(60, 90), wrist=(70, 60))
    assert looks_airborne(tucked)
    assert not looks_airborne(person())
    assert not looks_airborne(800 - person(wrist=(0, -120)))
    tucked[INDEX["left_ankle"]] = np.nan
    assert not looks_airborne(tucked)


def test_figures_of_known_errors() -> None:
    true = person()
    shifts = [5.0, 15.0, 15.0, 50.0]  # of a torso of 100 px
    looks = [Look(true, found(true + np.array([s, 0.0])), False, box_found=s < 20) for s in shifts]
    got = figures(looks)
    assert got["n"] == got["n_boxes"] == 4
    assert got["midhip_within_0.1"] == 0.25
    assert got["midhip_within_0.2"] == got["found"] == 0.75
    assert got["midhip_median"] == 0.15
    assert got["joints_within_0.5"] == 0.75
    px = in_px(looks)
    assert px["midhip_rms_px"] == pytest.approx(math.sqrt(np.mean(np.square(shifts))), abs=1e-3)
    assert px["midhip_bias_x_px"] == pytest.approx(np.mean(shifts))
    assert px["midhip_bias_y_px"] == 0
    assert px["midhip_worst_px"] == 50


def test_nothing_to_look_at_gives_no_figures() -> None:
    rows = report([])
    assert rows["n"] == 0
    assert rows["found"] is rows["midhip_within_0.1"] is rows["u_factor"] is None
    assert set(rows["orientation"]) == {"upright", "hanging", "inverted", "airborne"}


@pytest.mark.parametrize("factor", [0.5, 1.0, 2.0])
def test_calibration_is_real_error_over_predicted(factor: float) -> None:
    rng, true = np.random.default_rng(4), person()
    looks = [
        Look(true, found(true + rng.normal(0, 3.0 * factor, true.shape), 3.0), False) for _ in range(400)
    ]
    got = calibration(looks)
    assert got["u_factor"] == pytest.approx(factor, rel=0.05)
    assert got["u_factor_rms"] == pytest.approx(factor, rel=0.05)
    if factor == 1:
        assert got["within_1_u"] == pytest.approx(0.683, abs=0.02)
        assert got["within_2_u"] == pytest.approx(0.954, abs=0.01)


def test_a_joint_that_was_not_seen_does_not_count_for_calibration() -> None:
    true = person()
    seen = Found(true + np.array([3.0, 0.0]), np.full(N_JOINTS, 3.0), np.r_[0.0, np.ones(N_JOINTS - 1)])
    seen.px[0] += 500
    assert calibration([Look(true, seen, False)])["u_factor_rms"] == pytest.approx(math.sqrt(0.5), abs=1e-3)


def test_places_by_eye_and_labels_are_told_apart() -> None:
    eye = person()
    label = eye + np.array([15.0, 0.0])
    places = np.stack([middle(eye, HIPS), eye[INDEX["right_shoulder"]]])
    rows = report([Look(label, found(eye), False, by_eye=places), Look(label, found(label), False)])["by_eye"]
    assert rows["network_against_labels"] == {
        "n": 1, "midhip_within_0.1": 0.0, "midhip_within_0.2": 1.0, "midhip_median": 0.15
    }  # fmt: skip
    assert rows["network_against_eye"]["midhip_within_0.1"] == 1.0
    assert rows["labels_against_eye"]["midhip_within_0.1"] == 0.0
    assert rows["orientation"]["upright"]["network_against_eye"]["n"] == 1


def test_overlap_of_boxes() -> None:
    box = np.array([0.0, 0, 10, 10])
    others = np.array([[0.0, 0, 10, 10, 0.9], [5, 0, 15, 10, 0.8], [20, 20, 30, 30, 0.7]])
    np.testing.assert_allclose(overlap(box, others), [1, 1 / 3, 0])
    assert overlap(box, np.zeros((0, 5))).shape == (0,)


# --- folders ---

SIZE = (320, 240)  # width, height


def label_line(joints_px: np.ndarray, box: tuple[float, float, float, float]) -> str:
    shares = (joints_px + 0.5) / SIZE
    known = np.isfinite(joints_px).all(axis=1)
    points = " ".join(f"{x:.7f} {y:.7f} 2" if k else "0 0 0" for (x, y), k in zip(shares, known, strict=True))
    return f"0 {' '.join(str(v) for v in box)} {points}"


def labelled_folder(folder: Path, names: list[str]) -> np.ndarray:
    joints = np.random.default_rng(1).uniform(20, 200, (N_JOINTS, 2))
    joints[INDEX["neck"]] = np.nan
    (folder / "images" / "train").mkdir(parents=True)
    (folder / "labels" / "train").mkdir(parents=True)
    for name in names:
        picture = np.full((SIZE[1], SIZE[0], 3), 90, np.uint8)
        cv2.imwrite(str(folder / "images" / "train" / f"{name}.jpg"), picture)
        lines = [label_line(joints + 9, (0.5, 0.5, 0.1, 0.1)), label_line(joints, (0.5, 0.5, 0.4, 0.8))]
        (folder / "labels" / "train" / f"{name}.txt").write_text("\n".join(lines) + "\n")
    return joints


def packed(folder: Path, source: Path) -> Path:
    folder.mkdir()
    pictures = sorted((source / "images").rglob("*.jpg"))
    for part, some in (("images-1.tar", pictures[:1]), ("images-2.tar", pictures[1:])):
        with tarfile.open(folder / part, "w") as tar:
            for path in some:
                tar.add(path, path.relative_to(source))
    with tarfile.open(folder / "labels.tgz", "w:gz") as tar:
        tar.add(source / "labels", "labels")
    return folder


def test_a_folder_is_read_unpacked_or_packed(tmp_path: Path) -> None:
    joints = labelled_folder(tmp_path / "plain", ["a1", "b2", "c3"])
    for folder in (tmp_path / "plain", packed(tmp_path / "packed", tmp_path / "plain")):
        photos = list(photographs(folder))
        assert [p.name for p in photos] == ["a1", "b2", "c3"]
        np.testing.assert_allclose(photos[0].joints_px, joints, atol=1e-3)  # the person with the largest box
        np.testing.assert_allclose(photos[0].box_px, [95.5, 23.5, 223.5, 215.5], atol=1e-6)
        assert photos[0].bgr.shape == (SIZE[1], SIZE[0], 3)
        assert [p.name for p in photographs(folder, lambda name: name == "b2")] == ["b2"]


def test_what_cannot_be_read_is_refused_in_one_line(tmp_path: Path) -> None:
    labelled_folder(tmp_path / "bad", ["a1"])
    label = tmp_path / "bad" / "labels" / "train" / "a1.txt"
    broken = tmp_path / "broken"
    broken.mkdir()
    (broken / "images-1.tar").write_text("no archive" * 100)
    (tmp_path / "empty").mkdir()
    label.write_text("0 0.5 0.5 0.1 0.1 0.3 0.3 2\n")
    for folder, word in (("absent", "absent"), ("empty", "no pictures"), ("bad", "a1"), ("broken", "tar")):
        with pytest.raises(ConfigError, match=word) as error:
            list(photographs(tmp_path / folder))
        assert "\n" not in str(error.value)
    label.write_text(label_line(person() / 4, (0.5, 0.5, 0.1, 0.1)))
    (tmp_path / "bad" / "images" / "train" / "a1.jpg").write_text("no picture")
    with pytest.raises(ConfigError, match=r"a1\.jpg"):
        list(photographs(tmp_path / "bad"))


def test_places_by_eye_are_read_and_checked(tmp_path: Path) -> None:
    path = tmp_path / "eye.csv"
    path.write_text("picture,mid_hip_x,mid_hip_y,mid_shoulder_x,mid_shoulder_y,note\na1.jpg,1,2,3,4.5,dark\n")
    np.testing.assert_array_equal(read_by_eye(path)["a1"], [[1, 2], [3, 4.5]])
    path.write_text("picture,mid_hip_x,mid_hip_y,mid_shoulder_x,mid_shoulder_y\na1,1,2,3,4\nb2,1,2,,4\n")
    with pytest.raises(ConfigError, match="line 3"):
        read_by_eye(path)
    path.write_text("picture,x,y\na1,1,2\n")
    with pytest.raises(ConfigError, match="first line"):
        read_by_eye(path)
    with pytest.raises(ConfigError, match="none"):
        read_by_eye(tmp_path / "none.csv")


def test_bench_real_prints_one_object(tmp_path: Path) -> None:
    names = [f"{i:05d}" for i in range(40)]
    kept = [n for n in names if kept_out(n)][:1]
    joints = labelled_folder(tmp_path / "data", [*kept, next(n for n in names if not kept_out(n))])
    eye = tmp_path / "eye.csv"
    eye.write_text(f"picture,mid_hip_x,mid_hip_y,mid_shoulder_x,mid_shoulder_y\n{kept[0]},100,100,100,40\n")
    command = ["bench", "real", "--data", str(tmp_path / "data")]
    done = CliRunner().invoke(build_app()[0], [*command, "--json", "--held-out", "--relabelled", str(eye)])
    assert done.exit_code == 0, done.output
    rows = json.loads(done.stdout)
    assert rows["n"] == rows["n_boxes"] == 1
    assert rows["found"] == 0.0  # an even picture holds nobody
    assert rows["midhip_within_0.2"] in (0.0, 1.0)
    assert rows["by_eye"]["network_against_eye"]["n"] == 1
    assert rows["orientation"][orientation(joints)]["n"] == 1
    assert {"machine", "openvino", "precision"} <= set(rows)
    done = CliRunner().invoke(build_app()[0], command)
    assert done.exit_code == 0, done.output
    assert "midhip_within_0.1" in done.stdout


def test_reference_labels_are_what_the_bench_takes_them_for() -> None:
    folder = reference("gymnasts")
    for photo, _ in zip(photographs(folder), range(60), strict=False):
        known = photo.joints_px[np.isfinite(photo.joints_px).all(axis=1)]
        low, high = known.min(axis=0), known.max(axis=0)
        # The label's box: the joints' extent and 12 % of its longer side all round, cut off at the edge.
        margin, size = 0.12 * (high - low).max(), np.array(photo.bgr.shape[1::-1])
        box = np.concatenate([np.maximum(low - margin, -0.5), np.minimum(high + margin, size - 0.5)])
        np.testing.assert_allclose(photo.box_px, box, atol=0.05)


# --- studio pictures ---


@pytest.fixture(scope="module")
def performance():
    """A short made-up performance: hanging, then in the air upside down."""
    pytest.importorskip("moderngl")
    from capture.studio import body, routine
    from capture.studio.figure import Motion, Posture, pitch

    people = body.shapes()
    rig = routine.Rig()
    n = 61
    t = np.linspace(0, 1, n)
    high = rig.axis("high")
    reach = 1.05  # hands over mid-hip with arms overhead
    half = n // 2
    root = np.tile([0.0, 0.0, 0.0], (n, 1))
    root[:half] = [high[0], 0.0, high[-1] - reach]
    root[half:] = [high[0] - 0.6, 0.0, high[-1] + 0.5]
    angle = np.where(np.arange(n) < half, 0.0, math.pi)
    both, one = np.full((n, 2), 0.05), np.full(n, 0.02)
    posture = Posture(
        spine=one, neck=one, shoulder=np.full((n, 2), math.pi - 0.05), shoulder_spread=both * 0, elbow=both,
        hip=both, hip_spread=both * 0, knee=both, ankle=both,
    )  # fmt: skip
    motion = Motion(t, root, pitch(angle), posture)
    gymnasts = [p for p in people if p.name.startswith("gymnast")]
    made = SimpleNamespace(
        motion=motion,
        flights=(SimpleNamespace(family="dismount", release_s=0.5),),
        skeleton=gymnasts[0].skeleton,
        rig=rig,
        contacts=((0.0, 0.5, "high"), (0.5, 1.0, "air")),
    )
    return made, gymnasts[:2], people[-1:]


def render(performance, count: int, seed: int) -> list[stills.Still]:
    from bridge.errors import SystemLibraryError

    try:
        return stills.render_stills(count, seed, *performance, lambda what, share: None)
    except SystemLibraryError as fault:
        pytest.skip(str(fault))


def test_another_body_keeps_the_hands_where_they_were(performance) -> None:
    from capture.studio.figure import segments

    made, gymnasts, _ = performance
    motion = stills.worn_by(made, gymnasts[1])
    was, now = (
        segments(m, s)["grip"].mean(axis=1)
        for m, s in ((made.motion, made.skeleton), (motion, gymnasts[1].skeleton))
    )
    held = made.motion.t_s < 0.5
    np.testing.assert_allclose(now[held], was[held], atol=1e-9)
    in_air = made.motion.t_s > 0.51
    np.testing.assert_array_equal(motion.root_m[in_air], made.motion.root_m[in_air])


def test_stills_show_every_orientation_from_ten_metres(performance) -> None:
    made = render(performance, 6, 3)
    (again,), (other,) = render(performance, 1, 3), render(performance, 1, 4)
    np.testing.assert_array_equal(made[0].bgr, again.bgr)
    np.testing.assert_array_equal(made[0].joints_px, again.joints_px)
    assert made[0].crop != other.crop
    assert {orientation(s.joints_px) for s in made} == {"hanging", "inverted"}
    assert {s.airborne for s in made} == {True, False}
    for still in made:
        height, width = still.bgr.shape[:2]
        assert (still.joints_px > 0).all()
        assert (still.joints_px < (width, height)).all()
        # Thighs and shanks of 0.35 to 0.5 m, seen from about 10 m away at 195 px a metre.
        legs = np.linalg.norm(np.diff(still.joints_px[[0, 1, 2]], axis=0), axis=1)
        assert ((legs > 0.3 * stills.PX_PER_M) & (legs < 0.52 * stills.PX_PER_M)).all()


def test_bench_joints_prints_one_object_and_keeps_its_pictures(performance, tmp_path, monkeypatch) -> None:
    render(performance, 1, 1)  # skips without a graphics device
    monkeypatch.setattr(stills, "_performance", lambda: performance)
    monkeypatch.setattr(stills, "cache_folder", lambda: tmp_path / "cache")
    monkeypatch.setattr(cost, "PLAIN_CALLS", 1)
    monkeypatch.setattr(stills, "FILMS", 2)
    command = ["bench", "joints", "--count", "6", "--seconds", "0.1"]
    done = CliRunner().invoke(build_app()[0], [*command, "--json"])
    assert done.exit_code == 0, done.output
    rows = json.loads(done.stdout)
    assert rows["n"] == 6
    assert rows["orientation"]["hanging"]["n"] + rows["orientation"]["inverted"]["n"] == 6
    assert rows["orientation"]["upright"]["midhip_rms_px"] is None
    # Every figure a network of this kind must have, whatever its marks.
    assert rows["midhip_rms_px"] < 40
    assert 0.2 < rows["u_factor"] < 5
    costs = rows["cost"]
    assert costs["follow"]["frames"] == 12
    assert costs["follow"]["joints_calls"] >= 12
    counts = [costs["follow"][k] for k in ("n", "frames_astray", "frames_without_hips")]
    assert sum(counts) == 12
    assert costs["follow"]["ms_per_frame"] > costs["follow"]["joints_ms"] > 0
    assert costs["plain_over_followed"] == pytest.approx(
        costs["plain_pose_640_ms"] / costs["follow"]["ms_per_frame"], abs=0.01
    )
    if costs["precision"]["fast"]:
        assert costs["precision"]["joints_differ_median_px"] < 2

    # What was rendered is kept; the same pictures give the same figures.
    monkeypatch.setattr(stills, "_performance", lambda: pytest.fail("rendered again"))
    monkeypatch.setattr(cost, "cost", lambda followed, some: costs)
    done = CliRunner().invoke(build_app()[0], command)
    assert done.exit_code == 0, done.output
    assert str(rows["midhip_rms_px"]) in done.stdout
    assert "plain_over_followed" in done.stdout


def test_the_cache_is_another_one_when_the_studio_changes(monkeypatch, tmp_path) -> None:
    copied = tmp_path / "capture"
    shutil.copytree(Path(stills.__file__).parent.parent / "studio", copied / "studio")
    monkeypatch.setattr(stills.resources, "files", lambda package: copied)
    before = stills.cache_folder()
    with (copied / "studio" / "film.py").open("a") as file:
        file.write("# changed\n")
    assert stills.cache_folder() != before
    assert before.parts[-3:-1] == ("railcrest", "bench")


def test_looking_at_a_still_or_a_photograph_shifts_nothing(tmp_path: Path) -> None:
    # The networks get the pictures as they are: a still as its window, a photograph whole.
    class Everything:
        def __call__(self, bgr: np.ndarray, crop: Crop) -> Found:
            self.crop, self.shape = crop, bgr.shape
            return found(np.full((N_JOINTS, 2), (crop.x, crop.y)))

        def find(self, bgr: np.ndarray) -> np.ndarray:
            return np.array([[95.5, 23.5, 223.5, 215.5, 0.9]])

    joints = labelled_folder(tmp_path / "data", ["a1"])
    network = Everything()
    seen = look(next(iter(photographs(tmp_path / "data"))), network, network, None)
    assert seen.box_found
    low, high = np.nanmin(joints, axis=0), np.nanmax(joints, axis=0)
    assert network.crop.side == pytest.approx(max(high - low) / 0.68, rel=1e-4)
    np.testing.assert_allclose(seen.found.px[0], (low + high) / 2, atol=1e-3)


def test_one_core_is_given_back() -> None:
    import os

    before = cv2.getNumThreads()
    cores = os.sched_getaffinity(0) if hasattr(os, "sched_getaffinity") else set()
    with cost.one_core():
        assert cv2.getNumThreads() == 1
        assert not cores or len(os.sched_getaffinity(0)) == 1
        network = JointNetwork()
        assert network(np.full((400, 500, 3), 90, np.uint8), Crop(250.0, 200.0, 300.0)).score.mean() < 0.4
    assert cv2.getNumThreads() == before
    assert not cores or os.sched_getaffinity(0) == cores

"""The rehearsal arena's bodies, renderer, pictures and films."""

from __future__ import annotations

import warnings
from fractions import Fraction

import cv2
import numpy as np
import pytest

from bridge.errors import ConfigError, SystemLibraryError
from bridge.skeleton import INDEX
from capture.rig import parse_rig
from capture.studio import arena, body, figure, film, postures
from capture.studio.body import PART, PARTS
from capture.studio.pictures import GYMNAST, HIDDEN, OUTSIDE, VISIBLE, Maker
from capture.studio.renderer import Camera, Light, Mesh, Posed, Renderer, blend

FLAT = Light(sun_colour=(0, 0, 0), sky=(1, 1, 1), ground=(1, 1, 1))


@pytest.fixture(scope="module")
def people() -> list[body.BodyShape]:
    return body.shapes()


@pytest.fixture(scope="module")
def renderer():
    try:
        made = Renderer()
    except SystemLibraryError as fault:
        pytest.skip(str(fault))
    yield made
    made.release()


@pytest.fixture(scope="module")
def maker(renderer, people):
    made = Maker(people, seed=7, size=192, frame_size=(320, 180))
    yield made
    made.release()


def still(shape: body.BodyShape, facing_rad: float = 0.0, **angles: float) -> figure.Motion:
    posture = film._posture(1, **angles)
    return figure.Motion(np.zeros(1), np.array([[0.0, 0.0, 1.0]]), film._heading(facing_rad, 1), posture)


POSES = (
    {},
    {"shoulder": 3.1, "ankle": 1.1},
    {"hip": 2.2, "knee": 2.2, "shoulder": 1.2, "elbow": 0.9, "spine": 0.6, "neck": 0.4},
    {"hip": 1.9, "hip_spread": 0.9, "shoulder": 1.6},
    {"spine": -0.6, "hip": -0.4, "shoulder": 2.9},
)


# ---------------------------------------------------------------- apparatus


@pytest.mark.parametrize(
    ("diagonal_m", "spread_m"), [(1.30, 1.075), (1.60, 1.432), (1.70, 1.545), (1.80, 1.657)]
)
def test_spread_follows_from_the_inner_diagonal(diagonal_m: float, spread_m: float) -> None:
    # Pythagoras on the sizes of the norms: 2.50 m and 1.70 m rails, inner diagonal plus one diameter.
    assert arena.Sizes(inner_diagonal_m=diagonal_m).spread_m == pytest.approx(spread_m, abs=5e-4)


def test_survey_points_are_on_rails_and_floor() -> None:
    sizes = arena.Sizes()
    points = sizes.survey_points(camera_y_m=-10)
    assert points["high.near"] == pytest.approx([0, -1.2, 2.48])
    assert points["low.far"] == pytest.approx([sizes.spread_m, 1.2, 1.68])
    assert points["high.far.foot"] == pytest.approx([0, sizes.upright_y_m, 0])
    assert sizes.survey_points(camera_y_m=10)["high.near"][1] == pytest.approx(1.2)


# ---------------------------------------------------------------- body


def test_shapes_survive_their_file(tmp_path, people) -> None:
    path = tmp_path / "two.npz"
    body.save_shapes(path, people[:2])
    again = body.load_shapes(path)
    assert [s.name for s in again] == [s.name for s in people[:2]]
    assert again[1].skeleton == people[1].skeleton
    assert np.abs(again[1].rest - people[1].rest).max() < 1e-6
    with pytest.raises(ConfigError, match="no body shapes"):
        body.load_shapes(tmp_path / "none.npz")


@pytest.mark.parametrize("angles", POSES)
def test_limbs_of_the_mesh_go_where_the_figure_puts_them(people, angles) -> None:
    for shape in (people[0], people[-1]):
        motion = still(shape, facing_rad=0.7, **angles)
        transforms = shape.transforms(motion)
        joint = figure.segments(motion, shape.skeleton)
        main = shape.parts[np.arange(len(shape.rest)), shape.weights.argmax(axis=1)]
        skin = shape.vertices(transforms, grip=1.0)[0]
        for k, side in enumerate("LR"):
            # The palm closes round the grip, the foot sits below the ankle, thighs surround their axis.
            hand = skin[main == PART[f"hand.{side}"]].mean(axis=0)
            assert np.linalg.norm(hand - joint["grip"][0, k]) < 0.05
            thigh = skin[main == PART[f"thigh.{side}"]].mean(axis=0)
            axis = joint["hip"][0, k] + 0.5 * (joint["knee"][0, k] - joint["hip"][0, k])
            assert np.linalg.norm(thigh - axis) < 0.09
            toe = joint["toe"][0, k] - joint["ankle"][0, k]
            foot = skin[main == PART[f"foot.{side}"]].mean(axis=0) - joint["ankle"][0, k]
            assert foot @ toe > 0.5 * np.linalg.norm(foot) * np.linalg.norm(toe)
        labels = shape.joints(motion)[0]
        top = skin[main == PART["head"]]
        assert np.linalg.norm(top - labels[INDEX["head_top"]], axis=1).min() < 0.05


@pytest.fixture(scope="module")
def anny_body():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # what the body model and its libraries warn of while they load
        pytest.importorskip("anny", reason="the body model is not installed")
        model, regressor = body.body_model()
        shape = body.shape_from_model(model, regressor, {"gender": 1.0, "age": 0.6}, bun=False, name="check")
    return model, regressor, shape


def test_own_skinning_agrees_with_the_body_model(anny_body) -> None:
    import torch
    from scipy.spatial.transform import Rotation

    model, regressor, shape = anny_body
    phenotype = {
        k: torch.tensor([{"gender": 1.0, "age": 0.6}.get(k, 0.5)], dtype=torch.float64)
        for k in model.phenotype_labels
    }
    representative = {
        "pelvis": "root",
        "spine_1": "spine05",
        "spine_2": "spine04",
        "spine_3": "spine03",
        "spine_4": "spine02",
        "chest": "spine01",
        "neck": "neck01",
        "head": "head",
        "shoulder": "shoulder01",
        "upper_arm": "upperarm01",
        "forearm": "lowerarm01",
        "forearm_far": "lowerarm02",
        "hand": "wrist",
        "thigh": "upperleg01",
        "shank": "lowerleg01",
        "foot": "foot",
    }
    labels = list(model.bone_labels)
    identity = torch.eye(4, dtype=torch.float64)[None, None].repeat(1, len(labels), 1, 1)
    rng = np.random.default_rng(1)
    for _ in range(3):
        turned = identity.clone()
        for name in ("upperleg01", "lowerleg01", "upperarm01", "lowerarm01", "spine03", "foot"):
            for side in ("", ".L", ".R"):
                if name + side in labels:
                    turn = Rotation.from_rotvec(rng.normal(0, 0.5, 3)).as_matrix()
                    turned[0, labels.index(name + side), :3, :3] = torch.from_numpy(turn)
        with torch.no_grad(), warnings.catch_warnings():
            warnings.simplefilter("ignore")
            rest = model(pose_parameters=identity, phenotype_kwargs=phenotype)
            out = model(pose_parameters=turned, phenotype_kwargs=phenotype)
        bones = (out["bone_poses"] @ torch.linalg.inv(rest["bone_poses"]))[0].numpy()
        ours = np.stack(
            [
                bones[
                    labels.index(
                        ".".join([representative[p.partition(".")[0]], *p.partition(".")[2:]]).rstrip(".")
                    )
                ]
                for p in PARTS
            ]
        )[:, :3]
        skin = shape.vertices(ours[None])
        posed = regressor({**out, "vertices": torch.from_numpy(skin).double()})[0].numpy()
        theirs = regressor(out)[0].numpy()
        names = list(regressor.labels)
        for joint in ("shoulder", "elbow", "wrist", "hip", "knee", "ankle"):
            for side in ("left", "right"):
                i = names.index(f"{side}_{joint}")
                assert np.linalg.norm(posed[i] - theirs[i]) < 0.005, (side, joint)


def test_labelled_joints_stay_near_the_regressed_ones(anny_body) -> None:
    import torch

    _, regressor, shape = anny_body
    names = list(regressor.labels)
    for angles in POSES:
        motion = still(shape, **angles)
        skin = shape.vertices(shape.transforms(motion))
        regressed = regressor({"vertices": torch.from_numpy(skin).double()})[0].numpy()
        labels = shape.joints(motion)[0]
        for joint, most_m in (
            ("knee", 0.03),
            ("ankle", 0.03),
            ("elbow", 0.03),
            ("wrist", 0.03),
            ("hip", 0.05),
            ("shoulder", 0.05),
        ):
            for side in ("left", "right"):
                name = f"{side}_{joint}"
                assert np.linalg.norm(labels[INDEX[name]] - regressed[names.index(name)]) < most_m, (
                    angles,
                    name,
                )


# ---------------------------------------------------------------- renderer


def ball(centre_m: np.ndarray, radius_m: float) -> Mesh:
    vertices, faces = body._sphere(centre_m, radius_m, 24, 32)
    corner = vertices[faces].reshape(-1, 3)
    normal = (corner - centre_m) / radius_m
    return Mesh(corner, normal, np.zeros((len(corner), 2)), np.ones((len(corner), 3)))


@pytest.mark.parametrize("window", [None, (90, 60, 128, 96)])
def test_picture_coordinates_are_those_of_opencv(renderer, window) -> None:
    camera = Camera.looking(
        np.array([-2.0, -9.0, 1.4]), np.array([0.4, 0.1, 2.2]), 400.0, (320, 240), roll_rad=0.15
    )
    camera = Camera(
        camera.matrix + np.array([[0, 0, 11.3], [0, 0, -7.6], [0, 0, 0]]),
        camera.rotation,
        camera.shift_m,
        camera.size,
    )
    seen = camera if window is None else camera.window(*window)
    for point in (np.array([0.3, 0.2, 2.3]), np.array([0.9, -0.3, 2.0]), np.array([-0.2, 0.5, 1.9])):
        expected = cv2.projectPoints(
            point[None], cv2.Rodrigues(camera.rotation)[0], camera.shift_m, camera.matrix, np.zeros(5)
        )[0].ravel()
        assert camera.project(point) == pytest.approx(expected, abs=1e-6)
        mesh = renderer.place(ball(point, 0.06))
        picture = renderer.draw(seen, [], [mesh], FLAT)[..., 1].astype(float)
        mesh.release()
        row, column = np.indices(picture.shape)
        centroid = np.array([(column * picture).sum(), (row * picture).sum()]) / picture.sum()
        if window is not None:
            centroid += window[:2]
        assert np.abs(centroid - expected).max() < 0.1


def test_depths_are_metres_along_the_axis(renderer) -> None:
    camera = Camera.looking(np.array([0, -8.0, 1.0]), np.array([0, 0, 1.0]), 300.0, (64, 64))
    mesh = renderer.place(ball(np.array([0, 0, 1.0]), 0.5))
    renderer.draw(camera, [], [mesh], FLAT)
    mesh.release()
    depth = renderer.depths(camera)
    assert depth[32, 32] == pytest.approx(7.5, abs=0.02)
    assert depth[0, 0] > 100


def test_left_is_left_in_the_picture(renderer, people) -> None:
    shape = people[0]
    colour = np.zeros((len(shape.rest), 3))
    main = shape.parts[np.arange(len(shape.rest)), shape.weights.argmax(axis=1)]
    left = np.isin(main, [PART[p] for p in PARTS if p.endswith(".L")])
    right = np.isin(main, [PART[p] for p in PARTS if p.endswith(".R")])
    colour[left, 0], colour[right, 1] = 1, 1
    who = renderer.dress(shape, colour)
    motion = still(shape, shoulder=1.2, shoulder_spread=0.4)
    # She faces +x and so does not the camera: her left is on the right of the picture.
    camera = Camera.looking(np.array([6.0, 0, 1.0]), np.array([0, 0, 1.0]), 500.0, (256, 256))
    picture = renderer.draw(camera, [Posed(who, shape.transforms(motion)[0])], light=FLAT)
    who.release()
    column = np.indices(picture.shape[:2])[1]
    reds, greens = picture[..., 0] > 128, picture[..., 1] > 128
    assert column[reds].mean() > column[greens].mean() + 10
    px = camera.project(shape.joints(motion)[0])
    for name, mask in (
        ("left_knee", reds),
        ("right_knee", greens),
        ("left_elbow", reds),
        ("right_elbow", greens),
    ):
        u, v = np.round(px[INDEX[name]]).astype(int)
        assert mask[v, u], name


def test_blend_is_a_mean_in_linear_light() -> None:
    dark, bright = np.zeros((2, 2, 3), np.uint8), np.full((2, 2, 3), 200, np.uint8)
    assert (blend([dark, bright]) == round(200 / np.sqrt(2))).all()
    assert blend([bright]) is bright


# ---------------------------------------------------------------- training pictures


def test_hands_are_on_the_rail(people) -> None:
    rng = np.random.default_rng(3)
    rail = np.array([0.0, 0.1, 2.48])
    for name in ("swing", "support", "pike circle"):
        times = np.array([-0.002, 0, 0.002])
        for _ in range(5):
            posed = postures.posed(rng, people[0], postures.FAMILIES[name], rail, times, 1.0)
            wrists = posed.joints[[INDEX["left_wrist"], INDEX["right_wrist"]]].mean(axis=0)
            assert np.linalg.norm((wrists - rail)[[0, 2]]) < people[0].skeleton.hand_m + 0.02
            assert posed.transforms.shape == (3, len(PARTS), 3, 4)


def test_crops_are_the_same_again_and_labelled(maker, people) -> None:
    crops = [maker.crop(i) for i in range(8)]
    other = Maker(people, seed=7, size=192, frame_size=(320, 180))
    again = other.crop(5)
    other.release()
    assert (again.image == crops[5].image).all()
    assert (again.joints == crops[5].joints).all()
    assert any((a.image != crops[0].image).any() for a in crops[1:])
    for crop in crops:
        assert crop.image.shape == (192, 192, 3)
        assert crop.image.dtype == np.uint8
        seen = crop.joints[:, 2]
        assert set(np.unique(seen)) <= {OUTSIDE, HIDDEN, VISIBLE}
        assert (seen == VISIBLE).sum() >= 5
        inside = crop.joints[seen != OUTSIDE, :2]
        assert (inside > -0.5).all()
        assert (inside < 191.5).all()


def test_visible_joints_lie_on_the_person(renderer, people) -> None:
    from capture.studio.pictures import _label

    shape = people[1]
    who = renderer.dress(shape, np.ones((len(shape.rest), 3)))
    for angles in POSES:
        motion = still(shape, facing_rad=1.0, **angles)
        camera = Camera.looking(np.array([1.0, -7.0, 1.2]), np.array([0, 0, 1.1]), 500.0, (256, 256))
        picture = renderer.draw(camera, [Posed(who, shape.transforms(motion)[0])], light=FLAT)
        label = _label(camera, shape.joints(motion)[0], renderer.depths(camera))
        near = cv2.dilate((picture[..., 1] > 64).astype(np.uint8), np.ones((7, 7)))
        for u, v, seen in label:
            assert seen != OUTSIDE
            assert near[round(float(v)), round(float(u))]
    # Standing in profile the far wrist is behind the trunk and the near one in front of it.
    motion = still(shape, facing_rad=0.0)
    camera = Camera.looking(np.array([0, -7.0, 1.1]), np.array([0, 0, 1.1]), 500.0, (256, 256))
    renderer.draw(camera, [Posed(who, shape.transforms(motion)[0])], light=FLAT)
    label = _label(camera, shape.joints(motion)[0], renderer.depths(camera))
    assert label[INDEX["right_elbow"], 2] == VISIBLE
    assert label[INDEX["left_elbow"], 2] == HIDDEN
    who.release()


def test_frames_carry_boxes(maker) -> None:
    frames = [maker.frame(i) for i in range(10)]
    assert any(len(f.boxes) > 1 for f in frames)
    for f in frames:
        assert f.image.shape == (180, 320, 3)
        assert (f.boxes[:, :2] < f.boxes[:, 2:4]).all()
        assert (f.boxes[:, :4] >= 0).all()
        assert (f.boxes[:, [2, 3]] <= [319, 179]).all()
        mine = f.boxes[f.boxes[:, 4] == GYMNAST]
        assert len(mine) <= 1
        if len(mine) and (f.joints[:, 2] != OUTSIDE).all():
            x0, y0, x1, y1, _ = mine[0]
            assert (f.joints[:, 0] > x0 - 2).all()
            assert (f.joints[:, 0] < x1 + 2).all()
            assert (f.joints[:, 1] > y0 - 2).all()
            assert (f.joints[:, 1] < y1 + 2).all()


# ---------------------------------------------------------------- film


def test_film_has_exact_times_short_gops_and_a_true_rig(tmp_path, renderer, people) -> None:
    av = pytest.importorskip("av")
    sizes, shape = arena.Sizes(), people[0]
    times = np.linspace(0, 0.55, 56)
    motion = still(shape, shoulder=3.1)
    grip = figure.segments(motion, shape.skeleton)["grip"][0].mean(axis=0)
    n = len(times)
    moving = figure.Motion(
        times,
        np.broadcast_to(np.array([0, 0, sizes.high_z_m]) - grip + [0, 0, 1.0], (n, 3)),
        film._heading(0.0, n),
        film._posture(n, shoulder=3.1),
    )
    camera = film.side_on(sizes, focal_px=1950 / 4, picture=(480, 270))
    shot = film.Shot(camera, sizes, seed=1, steps=2)
    made = film.film(shot, moving, shape, [people[-1]], tmp_path, "short")
    with av.open(str(made.path)) as container:
        stream = container.streams.video[0]
        frames = list(container.decode(stream))
        assert [f.pts * f.time_base for f in frames] == [Fraction(i, 60) for i in range(len(made.t_s))]
        keys = [i for i, f in enumerate(frames) if f.key_frame]
        assert keys == list(range(0, len(frames), 30))
        assert {int(f.pict_type) for f in frames} == {1, 2}  # I and P, no B
    assert made.joints_m.shape == (len(made.t_s), 14, 3)
    rig = parse_rig(made.rig.read_text(encoding="utf-8"))
    assert rig.apparatus.spread_m == pytest.approx(sizes.spread_m)
    assert len(rig.points) >= 6
    for point in rig.points:
        place = sizes.survey_points(float(camera.place_m[1]))[point.name]
        assert point.px == pytest.approx(camera.project(place), abs=1e-3)


def test_only_windows_round_people_change(renderer, people) -> None:
    sizes, shape = arena.Sizes(), people[0]
    motion = figure.Motion(
        np.array([0.0, 1.0]), np.array([[0, 0, 3.0], [0.5, 0, 3.0]]), film._heading(0.0, 2), film._posture(2)
    )
    camera = film.side_on(sizes, focal_px=1950 / 4, picture=(480, 270))
    stage = film.Stage(film.Shot(camera, sizes, company=False, steps=3), shape, [], motion)
    whole = stage.renderer.draw(
        camera,
        [Posed(stage.roles[0].who, shape.transforms(motion.at(np.array([0.5])))[0])],
        stage.scene,
        stage.light,
        shadows=np.array([[0.0, 0, 1, 0]]),
    ).astype(int)
    picture, joints = stage.frame(0.5)
    stage.release()
    # Where the shadow does not fall the windows are seamless: like one whole drawing.
    above = np.s_[: round(float(camera.project(np.array([0.0, 0.0, 1.0]))[1]))]
    assert np.abs(picture[above].astype(int) - whole[above]).mean() < 0.3
    assert joints[[2, 3]].mean(axis=0) == pytest.approx([0.25, 0, 3.0], abs=1e-6)

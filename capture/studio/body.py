"""A parametric human body, split so that posing and filming it need nothing but numpy.

`make_shapes` asks Anny (Brégier et al., "Human Mesh Modeling for Anny Body", 2025) for rest
shapes; everything after that works on the plain arrays of `BodyShape`, which one small file
holds for many shapes.

The mesh is driven by the joint centres themselves: every limb turns about the joint centre that
is labelled, so the joints of the posed mesh are those of the figure that moves it, exactly. Joint
centres are those of the COCO key-point regressor at rest; the neck is the root of the neck, the
head top the crown.

Rest coordinates of a shape: x to the left of the body, y to its back, z up, metres.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from bridge.errors import ConfigError
from capture.studio import figure

Floats = NDArray[np.floating[Any]]

# The rigid parts that the skin hangs on.
SPINE: Final = ("spine_1", "spine_2", "spine_3", "spine_4")
SPINE_SHARE: Final = (0.10, 0.30, 0.50, 0.72)  # how far along the trunk each part lies
_SIDED: Final = ("shoulder", "upper_arm", "forearm", "forearm_far", "hand", "thigh", "shank", "foot")
PARTS: Final[tuple[str, ...]] = (
    "pelvis",
    *SPINE,
    "chest",
    "neck",
    "head",
    *(f"{name}.{side}" for side in "LR" for name in _SIDED),
)
PART: Final[dict[str, int]] = {name: i for i, name in enumerate(PARTS)}

# Regions of the skin that clothing colours.
REGIONS: Final = ("skin", "torso", "sleeve", "hair", "hand", "foot", "leg", "neck")
REGION: Final[dict[str, int]] = {name: i for i, name in enumerate(REGIONS)}

# Columns (front, left, up) of the standing body in rest coordinates.
STANDING: Final = np.array([[0.0, 1.0, 0.0], [-1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
FORMAT: Final = 1


@dataclass(frozen=True, slots=True)
class BodyShape:
    """One person's rest shape as plain arrays; V vertices, F triangles, four parts to a vertex."""

    rest: Floats  # (V, 3) m, fingers relaxed
    grip: Floats  # (V, 3) m, what to add to close the fingers round a rail
    normal: Floats  # (V, 3)
    faces: NDArray[np.uint16]  # (F, 3)
    parts: NDArray[np.uint8]  # (V, 4) indices into PARTS
    weights: Floats  # (V, 4), sum to one
    region: NDArray[np.uint8]  # (V,) indices into REGIONS
    centre: Floats  # (P, 3) m, rest position of the point each part turns about
    frame: Floats  # (P, 3, 3) rest axes of each part, columns (front, left, up)
    skeleton: figure.Skeleton
    name: str = ""

    def transforms(self, motion: figure.Motion) -> Floats:
        """Rest-to-world transform of every part, (T, P, 3, 4)."""
        return part_transforms(
            self, figure.segments(motion, self.skeleton), figure.frames(motion, self.skeleton)
        )

    def vertices(self, transforms: Floats, grip: float = 0.0) -> Floats:
        """Linear-blend skinning: (T, V, 3) metres from transforms (T, P, 3, 4)."""
        dense = np.zeros((len(self.rest), len(PARTS)), np.float32)
        np.add.at(dense, (np.arange(len(self.rest))[:, None], self.parts), self.weights.astype(np.float32))
        rest = np.column_stack([self.rest + grip * self.grip, np.ones(len(self.rest))]).astype(np.float32)
        posed = np.empty((len(transforms), len(rest), 3), np.float32)
        for t, part in enumerate(transforms):
            blend = (dense @ part.reshape(len(PARTS), 12).astype(np.float32)).reshape(-1, 3, 4)
            posed[t] = np.einsum("vij,vj->vi", blend, rest)
        return posed

    def joints(self, motion: figure.Motion) -> Floats:
        """The fourteen labelled joints in `bridge.skeleton` order, (T, 14, 3) metres."""
        return labelled_joints(figure.segments(motion, self.skeleton))


def labelled_joints(segments: Mapping[str, Floats]) -> Floats:
    """Fourteen joints in `bridge.skeleton` order, (T, 14, 3), from `figure.segments`."""
    left, right = 0, 1
    order = [
        segments["ankle"][:, right],
        segments["knee"][:, right],
        segments["hip"][:, right],
        segments["hip"][:, left],
        segments["knee"][:, left],
        segments["ankle"][:, left],
        segments["wrist"][:, right],
        segments["elbow"][:, right],
        segments["shoulder"][:, right],
        segments["shoulder"][:, left],
        segments["elbow"][:, left],
        segments["wrist"][:, left],
        segments["neck"],
        segments["head_top"],
    ]
    return np.stack(order, axis=1)


def _between(a: Floats, b: Floats, share: float) -> Floats:
    """Rotation a given share of the way from a to b, (T, 3, 3) each."""
    from scipy.spatial.transform import Rotation

    turn = Rotation.from_matrix(np.swapaxes(a, -1, -2) @ b)
    return np.asarray(a @ Rotation.from_rotvec(share * turn.as_rotvec()).as_matrix())


def part_transforms(shape: BodyShape, segments: Mapping[str, Floats], frames: Mapping[str, Floats]) -> Floats:
    """Rest-to-world transform of every part, (T, P, 3, 4), from a posed figure."""
    pelvis, chest, head = frames["pelvis"], frames["chest"], frames["head"]
    steps = len(pelvis)
    axes = np.empty((steps, len(PARTS), 3, 3))
    at = np.empty((steps, len(PARTS), 3))

    def put(name: str, rotation: Floats, place: Floats) -> None:
        axes[:, PART[name]], at[:, PART[name]] = rotation, place

    hip, top = segments["mid_hip"], segments["mid_shoulder"]
    middle = hip + 0.5 * shape.skeleton.trunk_m * pelvis[..., 2]
    put("pelvis", pelvis, hip)
    for name, s in zip(SPINE, SPINE_SHARE, strict=True):
        # A smooth trunk: the curve that leaves along the pelvis and arrives at the shoulders.
        put(name, _between(pelvis, chest, s), (1 - s) ** 2 * hip + 2 * s * (1 - s) * middle + s * s * top)
    put("chest", chest, top)
    put("neck", _between(chest, head, 0.5), segments["neck"])
    put("head", head, segments["neck"])
    for k, side in enumerate("LR"):
        upper, fore, hand = frames["upper_arm"][:, k], frames["forearm"][:, k], frames["hand"][:, k]
        shoulder, elbow, wrist = (segments[n][:, k] for n in ("shoulder", "elbow", "wrist"))
        put(f"shoulder.{side}", _between(chest, upper, 0.35), shoulder)
        put(f"upper_arm.{side}", upper, shoulder)
        put(f"forearm.{side}", fore, elbow)
        put(f"forearm_far.{side}", _between(fore, hand, 0.5), 0.5 * (elbow + wrist))
        put(f"hand.{side}", hand, wrist)
        put(f"thigh.{side}", frames["thigh"][:, k], segments["hip"][:, k])
        put(f"shank.{side}", frames["shank"][:, k], segments["knee"][:, k])
        put(f"foot.{side}", frames["foot"][:, k], segments["ankle"][:, k])
    turn = axes @ np.swapaxes(shape.frame, -1, -2)
    # A part that the blend only half turns rests in the frame of the part it starts from.
    return np.concatenate([turn, (at - np.einsum("tpij,pj->tpi", turn, shape.centre))[..., None]], axis=-1)


# ---------------------------------------------------------------- shapes from the body model


def _unit(v: Floats) -> Floats:
    return np.asarray(v / np.linalg.norm(v))


def _axes(up: Floats, left: Floats) -> Floats:
    """Columns (front, left, up) with ``up`` exact and ``left`` as near as can be."""
    up = _unit(up)
    left = _unit(left - up * (left @ up))
    return np.column_stack([np.cross(left, up), left, up])


def _bone_part(bone: str) -> str:
    """The part that carries a bone of the body model."""
    name, _, side = bone.partition(".")
    spine = {
        "root": "pelvis",
        "pelvis": "pelvis",
        "spine05": "spine_1",
        "spine04": "spine_2",
        "spine03": "spine_3",
        "spine02": "spine_4",
        "spine01": "chest",
        "clavicle": "chest",
        "neck01": "neck",
        "neck02": "neck",
        "neck03": "head",
        "head": "head",
        "eye": "head",
    }
    if name in spine:
        return spine[name]
    limbs = {
        "shoulder01": "shoulder",
        "upperarm01": "upper_arm",
        "upperarm02": "upper_arm",
        "lowerarm01": "forearm",
        "lowerarm02": "forearm_far",
        "wrist": "hand",
        "upperleg01": "thigh",
        "upperleg02": "thigh",
        "lowerleg01": "shank",
        "lowerleg02": "shank",
        "foot": "foot",
    }
    for start, part in (("finger", "hand"), ("metacarpal", "hand"), ("toe", "foot")):
        if name.startswith(start):
            return f"{part}.{side}"
    return f"{limbs[name]}.{side}"


def _curl(
    heads: Floats,
    labels: Sequence[str],
    parents: Sequence[int],
    palm: Mapping[str, Floats],
    hinge: Mapping[str, Floats],
) -> Floats:
    """Transforms (B, 3, 4) in rest coordinates that close each hand round a rail."""
    from scipy.spatial.transform import Rotation

    bend = {1: 0.9, 2: 1.25, 3: 0.7}
    out = np.zeros((len(labels), 3, 4))
    out[:, :, :3] = np.eye(3)
    for b, label in enumerate(labels):
        if not label.startswith("finger"):
            continue
        name, _, side = label.partition(".")
        finger, joint = int(name[6]), int(name[8])
        parent = out[parents[b]]
        turn = bend[joint] * (0.35 if finger == 1 else 1.0)
        rotation = parent[:, :3] @ Rotation.from_rotvec(turn * hinge[side]).as_matrix()
        place = parent[:, :3] @ heads[b] + parent[:, 3]
        out[b, :, :3], out[b, :, 3] = rotation, place - rotation @ heads[b]
    return out


def _sphere(
    centre: Floats, radius: float, rows: int = 8, columns: int = 12
) -> tuple[Floats, NDArray[np.int64]]:
    """Vertices and triangles of a small ball."""
    polar = np.linspace(0, np.pi, rows + 1)[:, None]
    round_ = np.linspace(0, 2 * np.pi, columns, endpoint=False)[None]
    ball = np.stack(
        [np.sin(polar) * np.cos(round_), np.sin(polar) * np.sin(round_), np.cos(polar) + 0 * round_], axis=-1
    ).reshape(-1, 3)
    i, j = np.meshgrid(np.arange(rows), np.arange(columns), indexing="ij")
    a, b = i * columns + j, i * columns + (j + 1) % columns
    faces = np.stack([np.stack([a, a + columns, b], -1), np.stack([b, a + columns, b + columns], -1)])
    return centre + radius * ball, faces.reshape(-1, 3)


def _normals(vertices: Floats, faces: NDArray[Any]) -> Floats:
    corner = vertices[faces]
    face = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    normal = np.zeros_like(vertices)
    for k in range(3):
        np.add.at(normal, faces[:, k], face)
    return np.asarray(normal / np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12))


def body_model() -> tuple[Any, Any]:
    """Anny and its COCO key-point regressor.

    Raises ConfigError when the body model is not installed.
    """
    try:
        import anny
    except ImportError:
        raise ConfigError("the body model is not installed: pip install 'railcrest[studio]'") from None
    model = anny.Anny()
    return model, anny.KeypointsRegressor.coco(model)


def shape_from_model(
    model: Any, regressor: Any, phenotype: Mapping[str, float], bun: bool, name: str
) -> BodyShape:
    """One rest shape of the body model; ``phenotype`` holds Anny's own parameters, 0 to 1."""
    import torch

    f8 = torch.float64
    pose = torch.eye(4, dtype=f8)[None, None].repeat(1, model.bone_count, 1, 1)
    kwargs = {k: torch.tensor([phenotype.get(k, 0.5)], dtype=f8) for k in model.phenotype_labels}
    with torch.no_grad():
        out = model(pose_parameters=pose, phenotype_kwargs=kwargs)
        points = regressor(out)[0].numpy()
    rest = out["vertices"][0].numpy()
    # The model puts its root bone at the origin when posed: bring the bones along.
    labels, parents = list(model.bone_labels), list(model.bone_parents)
    heads = out["rest_bone_heads"][0].numpy() + (rest - out["rest_vertices"][0].numpy()).mean(axis=0)
    head = dict(zip(labels, heads, strict=True))
    faces = np.asarray(model.get_triangular_faces() if callable(model.get_triangular_faces) else model.faces)
    coco = dict(zip(regressor.labels, points, strict=True))

    def pair(joint: str) -> tuple[Floats, Floats]:
        """Left and right centre of a joint, made symmetric."""
        flip = np.array([-1.0, 1.0, 1.0])
        left = 0.5 * (coco[f"left_{joint}"] + flip * coco[f"right_{joint}"])
        return left, flip * left

    joints = {j: pair(j) for j in ("hip", "knee", "ankle", "shoulder", "elbow", "wrist", "big_toe")}
    mid_hip, mid_shoulder = joints["hip"][0] * [0, 1, 1], joints["shoulder"][0] * [0, 1, 1]
    neck = np.array([0.0, mid_shoulder[1], head["neck01.L" if "neck01.L" in head else "neck01"][2]])
    head_top_z = rest[:, 2].max()

    centre = np.zeros((len(PARTS), 3))
    frame = np.tile(STANDING, (len(PARTS), 1, 1))
    centre[PART["pelvis"]], centre[PART["chest"]] = mid_hip, mid_shoulder
    for n, s in zip(SPINE, SPINE_SHARE, strict=True):
        centre[PART[n]] = (1 - s) * mid_hip + s * mid_shoulder
    centre[PART["neck"]] = centre[PART["head"]] = neck
    palm, hinge, grips = {}, {}, {}
    for k, side in enumerate("LR"):
        hip, knee, ankle, shoulder, elbow, wrist, toe = (joints[j][k] for j in joints)
        sign = 1.0 if side == "L" else -1.0
        x = np.array([1.0, 0.0, 0.0])
        # The elbow's hinge, from its natural bend at rest.
        fold = -np.cross(elbow - shoulder, wrist - elbow)
        knuckles = [head[f"finger{f}-1.{side}"] for f in (2, 3, 4, 5)]
        mean_knuckle = np.mean(knuckles, axis=0)
        across = knuckles[0] - knuckles[3]  # little finger to forefinger
        palm[side] = _unit(sign * np.cross(across, mean_knuckle - wrist))
        hinge[side] = _unit(np.cross(mean_knuckle - wrist, palm[side]))
        grip_at = mean_knuckle + 0.035 * palm[side] - 0.01 * _unit(mean_knuckle - wrist)
        grips[side] = grip_at
        hand_up = wrist - grip_at
        # Over-grip: palms look to the back when the arms hang.
        back = palm[side]
        hand_axes = _axes(hand_up, np.cross(_unit(hand_up), -back))
        for n, c, f in (
            ("shoulder", shoulder, STANDING),
            ("upper_arm", shoulder, _axes(shoulder - elbow, fold)),
            ("forearm", elbow, _axes(elbow - wrist, fold)),
            ("hand", wrist, hand_axes),
            ("thigh", hip, _axes(hip - knee, x)),
            ("shank", knee, _axes(knee - ankle, x)),
            ("foot", ankle, _axes(STANDING[:, 2], np.cross(STANDING[:, 2], (toe - ankle) * [1, 1, 0]))),
        ):
            centre[PART[f"{n}.{side}"]], frame[PART[f"{n}.{side}"]] = c, f
        centre[PART[f"forearm_far.{side}"]] = 0.5 * (elbow + wrist)
        frame[PART[f"forearm_far.{side}"]] = _between(
            frame[PART[f"forearm.{side}"]][None], hand_axes[None], 0.5
        )[0]
        frame[PART[f"shoulder.{side}"]] = _between(
            STANDING[None], frame[PART[f"upper_arm.{side}"]][None], 0.35
        )[0]

    def apart(a: str, b: str) -> float:
        return float(np.linalg.norm(joints[a][0] - joints[b][0]))

    skeleton = figure.Skeleton(
        trunk_m=float(np.linalg.norm(mid_shoulder - mid_hip)),
        neck_m=float(neck[2] - mid_shoulder[2]),
        head_m=float(head_top_z - neck[2]),
        shoulder_half_m=float(joints["shoulder"][0][0]),
        hip_half_m=float(joints["hip"][0][0]),
        upper_arm_m=apart("shoulder", "elbow"),
        forearm_m=apart("elbow", "wrist"),
        hand_m=float(np.linalg.norm(joints["wrist"][0] - grips["L"])),
        thigh_m=apart("hip", "knee"),
        shank_m=apart("knee", "ankle"),
        foot_m=apart("ankle", "big_toe"),
    )

    bones = model.vertex_bone_indices.numpy()
    share = model.vertex_bone_weights.numpy()
    closed = _curl(heads, labels, parents, palm, hinge)
    at = np.einsum("vbij,vj->vbi", closed[bones][..., :3], rest) + closed[bones][..., 3]
    grip = np.einsum("vb,vbi->vi", share, at) / share.sum(axis=1, keepdims=True) - rest
    dense = np.zeros((len(rest), len(PARTS)))
    of_bone = np.array([PART[_bone_part(b)] for b in labels])
    np.add.at(dense, (np.arange(len(rest))[:, None], of_bone[bones]), share)

    regions = _regions(rest, dense, head["head"], head_top_z)
    if bun:
        # Behind the crown, so that it does not become the head's highest point.
        skull = rest[dense[:, PART["head"]] > 0.9]
        ball, ball_faces = _sphere(np.array([0.0, skull[:, 1].max() + 0.012, head_top_z - 0.055]), 0.036)
        faces = np.concatenate([faces, ball_faces + len(rest)])
        rest, grip = np.concatenate([rest, ball]), np.concatenate([grip, 0 * ball])
        on_head = np.zeros((len(ball), len(PARTS)))
        on_head[:, PART["head"]] = 1
        dense = np.concatenate([dense, on_head])
        regions = np.concatenate([regions, np.full(len(ball), REGION["hair"], np.uint8)])
    parts = np.argsort(-dense, axis=1)[:, :4]
    weights = np.take_along_axis(dense, parts, axis=1)
    weights /= weights.sum(axis=1, keepdims=True)
    return BodyShape(
        rest=rest.astype(np.float32),
        grip=grip.astype(np.float32),
        normal=_normals(rest, faces).astype(np.float32),
        faces=faces.astype(np.uint16),
        parts=parts.astype(np.uint8),
        weights=weights.astype(np.float32),
        region=regions,
        centre=centre,
        frame=frame,
        skeleton=skeleton,
        name=name,
    )


def _regions(rest: Floats, dense: Floats, skull: Floats, top_z: float) -> NDArray[np.uint8]:
    """Which piece of clothing each vertex would wear."""
    main = dense.argmax(axis=1)
    region = np.full(len(rest), REGION["skin"], np.uint8)
    for i, part in enumerate(PARTS):
        name = part.partition(".")[0]
        label = {
            "pelvis": "torso",
            "chest": "torso",
            "shoulder": "torso",
            "upper_arm": "sleeve",
            "forearm": "sleeve",
            "forearm_far": "sleeve",
            "hand": "hand",
            "thigh": "leg",
            "shank": "leg",
            "foot": "foot",
            "neck": "neck",
            "head": "skin",
        }.get(name, "torso")
        region[main == i] = REGION[label]
    head = (main == PART["head"]) & (rest[:, 2] > skull[2] - 0.05)
    height = (rest[:, 2] - skull[2]) / (top_z - skull[2])  # 0 at the skull base, 1 at the crown
    depth = rest[:, 1] - skull[1]
    hair = head & ((depth > 0.02 - 0.06 * height) | (height > 0.72)) & ((height > 0.1) | (depth > 0.05))
    region[hair] = REGION["hair"]
    return region


def make_shapes(gymnasts: int, others: int, seed: int = 0) -> list[BodyShape]:
    """Random gymnasts (female, youth to adult, lean to muscular), then other adults.

    Raises ConfigError when the body model is not installed.
    """
    model, regressor = body_model()
    rng = np.random.default_rng(seed)
    shapes = []
    for i in range(gymnasts + others):
        gymnast = i < gymnasts
        phenotype = (
            {
                "gender": rng.uniform(0.85, 1),
                "age": rng.uniform(0.36, 0.68),
                "muscle": rng.uniform(0.55, 0.9),
                "weight": rng.uniform(0.25, 0.5),
                "height": rng.uniform(0.25, 0.6),
                "proportions": rng.uniform(0.4, 0.9),
            }
            if gymnast
            else {
                "gender": float(rng.integers(2)),
                "age": rng.uniform(0.6, 0.95),
                "muscle": rng.uniform(0.3, 0.7),
                "weight": rng.uniform(0.35, 0.75),
                "height": rng.uniform(0.3, 0.7),
                "proportions": rng.uniform(0.3, 0.8),
            }
        )
        name = f"gymnast {i + 1}" if gymnast else f"bystander {i - gymnasts + 1}"
        shapes.append(shape_from_model(model, regressor, phenotype, gymnast or rng.random() < 0.2, name))
    return shapes


# ---------------------------------------------------------------- the shapes file


def save_shapes(path: Path, shapes: Sequence[BodyShape]) -> None:
    """Write shapes to one compressed file, about 0.15 MB for each one."""
    store: dict[str, Any] = {"format": FORMAT, "names": np.array([s.name for s in shapes])}
    for i, s in enumerate(shapes):
        moved = np.flatnonzero(np.abs(s.grip).max(axis=1) > 1e-5)
        store |= {
            f"{i}.rest": s.rest.astype(np.float16),
            f"{i}.centre": s.centre.astype(np.float32),
            f"{i}.frame": s.frame.astype(np.float32),
            f"{i}.moved": moved.astype(np.uint16),
            f"{i}.grip": s.grip[moved].astype(np.float16),
            f"{i}.lengths": np.array([getattr(s.skeleton, f) for f in s.skeleton.__dataclass_fields__]),
        }
        # What shapes of one topology share is written once.
        same = f"topology{len(s.rest)}"
        if f"{same}.faces" not in store:
            store |= {
                f"{same}.faces": s.faces,
                f"{same}.parts": s.parts,
                f"{same}.region": s.region,
                f"{same}.weights": np.round(255 * s.weights).astype(np.uint8),
            }
    path.parent.mkdir(parents=True, exist_ok=True)
    np.savez_compressed(path, **store)


def load_shapes(path: Path) -> list[BodyShape]:
    """Read a shapes file.

    Raises ConfigError when the file is missing or of another format.
    """
    if not path.is_file():
        raise ConfigError(f"no body shapes at {path}: make them with 'railcrest studio shapes --out {path}'")
    with np.load(path, allow_pickle=False) as store:
        if int(store["format"]) != FORMAT:
            raise ConfigError(f"{path} holds body shapes of another format: make it again")
        shapes = []
        for i, name in enumerate(store["names"]):
            rest = store[f"{i}.rest"].astype(np.float32)
            same = f"topology{len(rest)}"
            faces, weights = store[f"{same}.faces"], store[f"{same}.weights"].astype(np.float32)
            grip = np.zeros_like(rest)
            grip[store[f"{i}.moved"]] = store[f"{i}.grip"]
            shapes.append(
                BodyShape(
                    rest=rest,
                    grip=grip,
                    normal=_normals(rest, faces),
                    faces=faces,
                    parts=store[f"{same}.parts"],
                    weights=weights / weights.sum(axis=1, keepdims=True),
                    region=store[f"{same}.region"],
                    centre=store[f"{i}.centre"].astype(np.float64),
                    frame=store[f"{i}.frame"].astype(np.float64),
                    skeleton=figure.Skeleton(*(float(x) for x in store[f"{i}.lengths"])),
                    name=str(name),
                )
            )
        return shapes


SHIPPED: Final = Path(__file__).with_name("shapes.npz")


def shapes(path: Path | None = None) -> list[BodyShape]:
    """Shapes from a file, or those that ship: gymnasts first, then bystanders."""
    return load_shapes(path or SHIPPED)

"""Turns trained networks into the files that ship, and calibrates the joints' uncertainty.

    python -m capture.studio.export --joints half.pt --size half --finder finder.pt \
        --check pictures_of_another_seed --out capture/weights

Weights are stored at half precision and computed with at single precision. Joint uncertainty is
fitted on studio pictures that no training saw: how far the network is off against how wide its heat map is.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import math
import shutil
import sys
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from bridge.skeleton import JOINTS

Floats = NDArray[np.float64]

LICENCE: Final = "AGPL-3.0-or-later"
DATA: Final = {
    "joints": (
        "8,009 photographs of the Leeds Sports Pose Extended set (Johnson & Everingham, CVPR 2011; from "
        "Flickr, distributed for research), and pictures rendered by capture/studio"
    ),
    "finder": (
        "frames rendered by capture/studio, and 8,009 photographs of the Leeds Sports Pose Extended set "
        "(Johnson & Everingham, CVPR 2011; from Flickr, distributed for research)"
    ),
}
FINDER_INPUT: Final = (640, 384)  # width, height
TAIL: Final = 4.0  # degrees of freedom of the error model: wrong joints happen, they must not set the width


def export_joints(weights: Path, size: str, out: Path) -> int:
    """Write ``joints.xml`` and ``joints.bin``; returns the side of the crop, px."""
    import torch

    from capture.models import import_openvino
    from capture.studio.joint_net import SIZES, JointNet
    from capture.studio.train_joints import load_state

    openvino = import_openvino()
    net, side = JointNet(SIZES[size]).eval(), SIZES[size].side
    net.load_state_dict(load_state(weights))
    model = openvino.convert_model(net, example_input=torch.zeros(1, 3, side, side))
    model.reshape([1, 3, side, side])
    openvino.save_model(model, out / "joints.xml", compress_to_fp16=True)
    return side


def export_finder(weights: Path, out: Path) -> None:
    """Write the folder ``finder_openvino_model``, whose name tells the library what it is."""
    import yaml  # type: ignore[import-untyped]

    from capture.finder import import_ultralytics
    from capture.models import import_openvino

    width, height = FINDER_INPUT
    made = Path(
        import_ultralytics()
        .YOLO(str(weights.resolve()))
        .export(format="openvino", imgsz=(height, width), half=False, device="cpu")
    )
    folder = out / "finder_openvino_model"
    folder.mkdir(exist_ok=True)
    openvino = import_openvino()
    model = openvino.Core().read_model(str(next(made.glob("*.xml"))))
    openvino.save_model(model, folder / "finder.xml", compress_to_fp16=True)
    told = yaml.safe_load((made / "metadata.yaml").read_text())
    for key in ("date", "description", "docs"):
        told.pop(key, None)
    (folder / "metadata.yaml").write_text(yaml.safe_dump(told, sort_keys=True))
    shutil.rmtree(made)


def fit_uncertainty(error: Floats, spread: Floats, mass: Floats) -> tuple[float, float, float]:
    """u, p, q of `capture.joints.uncertainty` for one joint.

    error: (n, 2) found minus true, crop px; spread (px) and mass: (n,). Maximum likelihood with Student's
    t (``TAIL`` degrees of freedom): its width is what most errors have, and a fit that follows must
    stand the rest, such as a left leg taken for the right one.
    """
    from scipy.optimize import minimize

    from capture.joints import uncertainty

    def cost(p: Floats) -> float:
        width = uncertainty(np.array([np.exp(p[0]), p[1], p[2]]), spread, mass)
        z = (error / width[:, None]) ** 2
        # A weak pull to mild powers keeps joints with few doubtful pictures from extremes.
        pull = 0.02 * (p[1] - 1) ** 2 + 0.05 * (p[2] - 0.3) ** 2
        return float(np.mean(2 * np.log(width)[:, None] + (TAIL + 1) * np.log1p(z / TAIL)) + pull)

    best = minimize(
        cost, [1.0, 1.0, 0.3], method="Nelder-Mead", options={"maxiter": 2000, "xatol": 1e-4, "fatol": 1e-7}
    )
    u, p, q = float(np.exp(best.x[0])), float(best.x[1]), float(best.x[2])
    return round(u, 3), round(max(p, 0.0), 3), round(max(q, 0.0), 3)


def calibrate(out: Path, check: Path) -> tuple[dict[str, tuple[float, float, float]], dict[str, float]]:
    """Uncertainty of each joint, and marks of the exported network on studio pictures."""
    from capture.joints import Crop, cut, decode, uncertainty
    from capture.models import import_openvino
    from capture.studio import train_data

    compiled = (
        import_openvino()
        .Core()
        .compile_model(str(out / "joints.xml"), "CPU", {"INFERENCE_PRECISION_HINT": "f32"})
    )
    data = train_data.studio(check)
    side = compiled.input(0).shape[-1]
    error, spread, mass, known = [], [], [], []
    rng = np.random.default_rng(0)
    for picture, joints in zip(data.pictures, data.joints, strict=True):
        seen = joints[:, 2] > 0
        crop = Crop.round_points(joints[seen, :2].astype(np.float64))
        # The square that follows a gymnast is never quite in the middle, nor of quite the right size.
        wobble = rng.normal(0, 0.04, 3)
        crop = Crop(
            crop.x + wobble[0] * crop.side, crop.y + wobble[1] * crop.side, crop.side * math.exp(wobble[2])
        )
        bgr = np.ascontiguousarray(picture[..., ::-1])
        blob = cut(bgr, crop, side)[..., ::-1].transpose(2, 0, 1)[None].astype(np.float32) / 255
        px, s, m = decode(np.asarray(compiled([blob])[0][0], np.float64))
        true = (joints[:, :2] - (crop.x, crop.y)) * side / crop.side + (side - 1) / 2
        error.append(px - true)
        spread.append(s)
        mass.append(m)
        known.append(seen)
    e, s, m, k = (np.array(v) for v in (error, spread, mass, known))
    found = k & (m >= 0.35)
    u = {
        name: fit_uncertainty(e[found[:, j], j], s[found[:, j], j], m[found[:, j], j])
        for j, name in enumerate(JOINTS)
    }
    width = uncertainty(np.array([u[n] for n in JOINTS]), s, m)
    z = np.abs(e) / width[..., None]
    hip, shoulder = e[:, 2:4].mean(axis=1), data.joints[:, 8:10, :2].mean(axis=1)
    torso = np.linalg.norm(shoulder - data.joints[:, 2:4, :2].mean(axis=1), axis=1)
    scale = np.array(
        [side / Crop.round_points(j[j[:, 2] > 0, :2].astype(np.float64)).side for j in data.joints]
    )
    both = found[:, 2:4].all(axis=1)
    relative = (np.linalg.norm(hip, axis=1) / (torso * scale))[both]
    marks = {
        "pictures": len(e),
        "joints_found": round(float(found.sum() / k.sum()), 4),
        "mid_hip_median_px": round(float(np.median(np.linalg.norm(hip, axis=1)[both])), 3),
        "mid_hip_mean_px_x": round(float(np.mean(hip[both, 0])), 3),
        "mid_hip_mean_px_y": round(float(np.mean(hip[both, 1])), 3),
        "mid_hip_median_of_torso": round(float(np.median(relative)), 4),
        "mid_hip_within_0.1": round(float((relative < 0.1).mean()), 4),
        "mid_hip_within_0.2": round(float((relative < 0.2).mean()), 4),
        "within_1_u": round(float((z < 1)[found].mean()), 4),
        "within_2_u": round(float((z < 2)[found].mean()), 4),
        "within_3_u": round(float((z < 3)[found].mean()), 4),
    }
    return u, marks


def main(arguments: list[str] | None = None) -> int:
    """Export the networks, calibrate, and write the registry."""
    parser = argparse.ArgumentParser(prog="python -m capture.studio.export", description=main.__doc__)
    parser.add_argument("--joints", type=Path, default=None)
    parser.add_argument("--size", default="half")
    parser.add_argument("--finder", type=Path, default=None)
    parser.add_argument("--check", type=Path, default=None, help="studio pictures of a seed not trained on")
    parser.add_argument("--out", type=Path, required=True)
    chosen = parser.parse_args(arguments)
    out: Path = chosen.out
    out.mkdir(parents=True, exist_ok=True)
    path = out / "models.json"
    registry = json.loads(path.read_text()) if path.exists() else {}
    if chosen.joints:
        side = export_joints(chosen.joints, chosen.size, out)
        registry["joints"] = _entry(out, ["joints.xml", "joints.bin"], (side, side), "joints")
        u, marks = calibrate(out, chosen.check)
        registry["joints"]["joint_u_px"] = u
        print(json.dumps(marks, indent=1))
    if chosen.finder:
        export_finder(chosen.finder, out)
        files = [f"finder_openvino_model/{n}" for n in ("finder.xml", "finder.bin", "metadata.yaml")]
        registry["finder"] = _entry(out, files, FINDER_INPUT, "finder")
    path.write_text(json.dumps(registry, indent=1) + "\n")
    return 0


def _entry(out: Path, files: list[str], size: tuple[int, int], name: str) -> dict[str, object]:
    hashes = {f: hashlib.sha256((out / f).read_bytes()).hexdigest() for f in files}
    return {"files": hashes, "input_px": list(size), "data": DATA[name], "licence": LICENCE}


if __name__ == "__main__":
    sys.exit(main())

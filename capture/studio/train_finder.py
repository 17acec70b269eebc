"""Trains the finder: ultralytics' nano detector, one class (person), from nothing: no weights are fetched.

    python -m capture.studio.train_data studio frames --frames 9000
    python -m capture.studio.train_finder --frames frames --photographs photographs.npz \
        --out weights --minutes 8

Studio frames have every person boxed. Photographs have only their main person labelled, so the training has
two halves. First people are cut out of them and pasted on frames of their own (`train_data.collage`).
Then that first finder looks at the whole photographs: whom else it is sure of is boxed too, where it is not
sure the picture is blurred away, and the training goes on with photographs as they are.
"""

from __future__ import annotations

import argparse
import os
import shutil
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np

from capture.studio import train_data

MODEL: Final = "yolo26n.yaml"
SIDE: Final = 640
SURE: Final = 0.45  # confidence from which somebody unlabelled is boxed
UNSURE: Final = 0.06  # below this nobody is there
FIRST_SHARE: Final = 0.3  # of the time, without whole photographs


def _collages(job: tuple[Path, Path, int, int, bool, int]) -> int:
    """One process: collages of photographed people on studio frames whose own people are painted over."""
    packed, folder, first, last, validation, limit = job
    cv2.setNumThreads(1)
    people = train_data.photographs(packed, validation, limit)
    frames = sorted((folder / "images").glob("studio-*.jpg"))
    for number in range(first, last):
        rng = np.random.default_rng([17, number, int(validation)])
        for _ in range(50):
            path = frames[int(rng.integers(len(frames)))]
            if not (folder / "labels" / f"{path.stem}.txt").read_text().strip():
                break
        else:
            continue
        backdrop = np.asarray(cv2.imread(str(path)), np.uint8)[..., ::-1].copy()
        if rng.random() < 0.3:  # besides halls: soft patches of colour
            noise = rng.integers(0, 255, (6, 10, 3), dtype=np.uint8)
            backdrop = cv2.resize(
                noise, (backdrop.shape[1], backdrop.shape[0]), interpolation=cv2.INTER_CUBIC
            )
        picture, boxes = train_data.collage(people, backdrop, rng)
        train_data.write_yolo(folder, f"collage-{number:06d}", picture, boxes)
    return last - first


def collages(
    packed: Path, folder: Path, count: int, processes: int, validation: bool, limit: int = 4000
) -> int:
    """Add ``count`` collages to a YOLO folder that holds studio frames; returns how many."""
    share = -(-count // processes)
    jobs = [
        (packed, folder, i * share, min(count, (i + 1) * share), validation, limit) for i in range(processes)
    ]
    with ProcessPoolExecutor(processes) as pool:
        return sum(pool.map(_collages, jobs))


@dataclass(frozen=True, slots=True)
class Plan:
    """How to train."""

    batch: int
    workers: int
    seed: int
    epochs: int | None = None  # instead of the time: the same every time


def train(frames: Path, out: Path, seconds: float, plan: Plan, start: Path | None, name: str) -> Path:
    """Train on the YOLO folder ``frames``; returns the weights' file."""
    os.environ.update(
        YOLO_OFFLINE="1", YOLO_AUTOINSTALL="0", YOLO_CONFIG_DIR=str(out / "settings"), WANDB_MODE="disabled"
    )
    (out / "settings").mkdir(parents=True, exist_ok=True)
    from ultralytics import YOLO, settings
    from ultralytics.engine.trainer import BaseTrainer

    settings.update({"sync": False, "tensorboard": False, "wandb": False})
    BaseTrainer.read_results_csv = lambda self: {}  # the table is for the hub only
    images = sorted((frames / "images").glob("*.jpg"))
    for part, chosen in (("train", images), ("val", images[::100])):
        (out / f"{part}.txt").write_text("".join(f"{p.resolve()}\n" for p in chosen))
    data = out / "person.yaml"
    data.write_text(f"path: {out.resolve()}\ntrain: train.txt\nval: val.txt\nnames:\n  0: person\n")
    model = YOLO(str(start) if start else MODEL)
    arguments: dict[str, Any] = (
        {"epochs": plan.epochs} if plan.epochs else {"time": seconds / 3600, "epochs": 300}
    )
    rate = 0.001 if start else 0.002
    model.train(
        data=str(data), imgsz=SIDE, batch=plan.batch, workers=plan.workers, seed=plan.seed, cache="ram",
        single_cls=True, pretrained=False, project=str(out), name=name, exist_ok=True, plots=False, val=False,
        amp=_amp(), cos_lr=True, warmup_epochs=1.0, optimizer="AdamW", lr0=rate, lrf=0.02,
        weight_decay=0.02, close_mosaic=2, mosaic=0.8, scale=0.5, flipud=0.25, fliplr=0.5, hsv_h=0.02,
        hsv_s=0.6, hsv_v=0.5, degrees=0.0, translate=0.15, verbose=False, **arguments,
    )  # fmt: skip
    return out / name / "weights" / "last.pt"


def whole_photographs(packed: Path, folder: Path, finder: Path, limit: int | None = None) -> int:
    """Add whole photographs to a YOLO folder, with the finder's help for those nobody labelled."""
    from ultralytics import YOLO

    people = train_data.photographs(packed, False, limit)
    model = YOLO(str(finder))
    for first in range(0, len(people.pictures), 256):
        some = range(first, min(first + 256, len(people.pictures)))
        cut = [_unsquared(people, i) for i in some]
        bgr = [np.ascontiguousarray(picture[..., ::-1]) for picture, _ in cut]
        seen = model.predict(bgr, imgsz=SIDE, conf=UNSURE, verbose=False, batch=64)
        for i, (picture, box), found in zip(some, cut, seen, strict=True):
            boxes, sure = found.boxes.xyxy.cpu().numpy(), found.boxes.conf.cpu().numpy()
            others = [
                (b, c)
                for b, c in zip(boxes, sure, strict=True)
                if overlap(box, b) < 0.3 and not _within(box, b)
            ]
            kept = [box, *(b for b, c in others if c >= SURE)]
            veiled = _veiled(picture, [b for b, c in others if c < SURE], kept)
            train_data.write_yolo(folder, f"photograph-{i:05d}", veiled, np.array(kept))
    return len(people.pictures)


def found_share(packed: Path, finder: Path, limit: int | None = None) -> float:
    """Share of the photographs kept out whose labelled person is found, at an overlap of a half."""
    from ultralytics import YOLO

    people = train_data.photographs(packed, True, limit)
    model, hits = YOLO(str(finder)), 0
    for i in range(len(people.pictures)):
        picture, box = _unsquared(people, i)
        bgr = np.ascontiguousarray(picture[..., ::-1])
        found = model.predict(bgr, imgsz=SIDE, conf=0.25, verbose=False)[0]
        hits += any(overlap(box, b) >= 0.5 for b in found.boxes.xyxy.cpu().numpy())
    return hits / len(people.pictures)


def _unsquared(people: train_data.Labelled, i: int) -> tuple[train_data.Bytes, train_data.Floats]:
    """A photograph without the grey round it, and its person's box."""
    x0, y0, x1, y1 = people.extent[i].astype(int)
    box = np.clip(people.boxes[i] - (x0, y0, x0, y0), 0, (x1 - x0 - 1, y1 - y0 - 1) * 2)
    return people.pictures[i, y0:y1, x0:x1], np.asarray(box, np.float32)


def overlap(a: train_data.Floats, b: train_data.Floats) -> float:
    """Intersection over union of two boxes."""
    low, high = np.maximum(a[:2], b[:2]), np.minimum(a[2:], b[2:])
    shared = float(np.prod(np.clip(high - low, 0, None)))
    both = float(np.prod(a[2:] - a[:2]) + np.prod(b[2:] - b[:2]))
    return shared / max(both - shared, 1e-6)


def _within(box: train_data.Floats, part: train_data.Floats) -> bool:
    """Whether most of ``part`` lies in ``box``: a limb of the same person, say."""
    low, high = np.maximum(box[:2], part[:2]), np.minimum(box[2:], part[2:])
    return float(np.prod(np.clip(high - low, 0, None))) > 0.6 * float(np.prod(part[2:] - part[:2]))


def _veiled(
    picture: train_data.Bytes, doubtful: list[train_data.Floats], kept: list[train_data.Floats]
) -> train_data.Bytes:
    """The picture with doubtful places blurred beyond recognition, but not where somebody is boxed."""
    if not doubtful:
        return picture
    small = cv2.resize(picture, (4, 4), interpolation=cv2.INTER_AREA)
    blurred = cv2.resize(small, picture.shape[1::-1], interpolation=cv2.INTER_LINEAR)
    mask = np.zeros(picture.shape[:2], np.float32)
    for value, boxes in ((1.0, doubtful), (0.0, kept)):
        for x0, y0, x1, y1 in np.asarray(boxes).astype(int):
            mask[max(y0, 0) : y1 + 1, max(x0, 0) : x1 + 1] = value
    mask = cv2.GaussianBlur(mask, (0, 0), 3)[..., None]
    return np.asarray(mask * blurred + (1 - mask) * picture, np.uint8)


def _amp() -> bool:
    """Half precision on a graphics card; the library's own check would fetch a model: answered here."""
    import torch
    from ultralytics.engine import trainer

    trainer.check_amp = lambda model: True
    return bool(torch.cuda.is_available())


def main(arguments: list[str] | None = None) -> int:
    """Train the finder."""
    parser = argparse.ArgumentParser(prog="python -m capture.studio.train_finder", description=main.__doc__)
    parser.add_argument("--frames", type=Path, required=True)
    parser.add_argument("--photographs", type=Path, default=None)
    parser.add_argument("--collages", type=int, default=4000)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument(
        "--until", type=float, default=None, help="instead of minutes: seconds since the epoch"
    )
    parser.add_argument("--epochs", type=int, default=None, help="instead of minutes, for exact repetition")
    parser.add_argument("--batch", type=int, default=64)
    parser.add_argument("--workers", type=int, default=12)
    parser.add_argument("--processes", type=int, default=16)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--start", type=Path, default=None, help="go on from these weights")
    chosen = parser.parse_args(arguments)
    chosen.out.mkdir(parents=True, exist_ok=True)
    until = time.time() + chosen.minutes * 60 if chosen.until is None else chosen.until
    plan = Plan(chosen.batch, chosen.workers, chosen.seed, chosen.epochs)
    best: Path | None = chosen.start
    if chosen.photographs:
        began = time.time()
        made = collages(
            chosen.photographs, chosen.frames, chosen.collages, chosen.processes, validation=False
        )
        print(f"{made} collages in {time.time() - began:.0f} s", flush=True)
        best = train(chosen.frames, chosen.out, FIRST_SHARE * (until - time.time()), plan, best, "first")
        shutil.copy(best, chosen.out / "finder.pt")
        began = time.time()
        made = whole_photographs(chosen.photographs, chosen.frames, best)
        print(f"{made} photographs in {time.time() - began:.0f} s", flush=True)
    best = train(chosen.frames, chosen.out, max(20.0, until - time.time()), plan, best, "second")
    shutil.copy(best, chosen.out / "finder.pt")
    print(f"finder in {chosen.out / 'finder.pt'}", flush=True)
    if chosen.photographs:
        print(f"found {found_share(chosen.photographs, best):.3f} of the photographs kept out", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())

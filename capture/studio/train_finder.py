"""Trains the finder: ultralytics' nano detector, one class (person), from nothing: no weights are fetched.

    python -m capture.studio.train_data studio frames --frames 9000
    python -m capture.studio.train_finder --frames frames --photographs photographs.npz \
        --out weights --minutes 8

Studio frames have every person boxed. Photographs have only their main person labelled, so people are cut
out of them and pasted on frames of their own (`train_data.collage`).
"""

from __future__ import annotations

import argparse
import os
import shutil
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np

from capture.studio import train_data

MODEL: Final = "yolo26n.yaml"
SIDE: Final = 640


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


def train(
    frames: Path,
    out: Path,
    seconds: float,
    epochs: int | None,
    batch: int,
    workers: int,
    seed: int,
    start: Path | None,
) -> Path:
    """Train on the YOLO folder ``frames``; returns the best weights' file."""
    os.environ.update(
        YOLO_OFFLINE="1", YOLO_AUTOINSTALL="0", YOLO_CONFIG_DIR=str(out / "settings"), WANDB_MODE="disabled"
    )
    (out / "settings").mkdir(parents=True, exist_ok=True)
    from ultralytics import YOLO, settings
    from ultralytics.engine.trainer import BaseTrainer

    settings.update({"sync": False, "tensorboard": False, "wandb": False})
    BaseTrainer.read_results_csv = lambda self: {}  # the table is for the hub only
    images = sorted((frames / "images").glob("*.jpg"))
    checked = [p for i, p in enumerate(images) if i % 25 == 0]
    taught = [p for i, p in enumerate(images) if i % 25]
    for name, part in (("train", taught), ("val", checked)):
        (out / f"{name}.txt").write_text("".join(f"{p.resolve()}\n" for p in part))
    data = out / "person.yaml"
    data.write_text(f"path: {out.resolve()}\ntrain: train.txt\nval: val.txt\nnames:\n  0: person\n")
    model = YOLO(str(start) if start else MODEL)
    arguments: dict[str, Any] = {"epochs": epochs} if epochs else {"time": seconds / 3600, "epochs": 300}
    model.train(
        data=str(data), imgsz=SIDE, batch=batch, workers=workers, seed=seed, cache="ram", single_cls=True,
        pretrained=False, project=str(out), name="run", exist_ok=True, plots=False, val=True, amp=_amp(),
        cos_lr=True, warmup_epochs=1.0, optimizer="AdamW", lr0=0.002, lrf=0.02, weight_decay=0.02,
        close_mosaic=3, mosaic=0.6, scale=0.5, flipud=0.25, fliplr=0.5, hsv_h=0.02, hsv_s=0.6, hsv_v=0.5,
        degrees=0.0, translate=0.15, verbose=False, **arguments,
    )  # fmt: skip
    best = out / "run" / "weights" / "best.pt"
    return best if best.exists() else out / "run" / "weights" / "last.pt"


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
    parser.add_argument("--minutes", type=float, default=8.0)
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
    if chosen.photographs:
        began = time.time()
        made = collages(
            chosen.photographs, chosen.frames, chosen.collages, chosen.processes, validation=False
        )
        print(f"{made} collages in {time.time() - began:.0f} s", flush=True)
    seconds = chosen.minutes * 60 if chosen.until is None else max(20.0, chosen.until - time.time())
    best = train(
        chosen.frames,
        chosen.out,
        seconds,
        chosen.epochs,
        chosen.batch,
        chosen.workers,
        chosen.seed,
        chosen.start,
    )
    shutil.copy(best, chosen.out / "finder.pt")
    print(f"finder in {chosen.out / 'finder.pt'}", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())

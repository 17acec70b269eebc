"""Training pictures: labelled photographs packed into one file, studio pictures rendered by many processes.

Photographs come from the Leeds Sports Pose Extended set as YOLO-pose labels (one class, 14 joints).
One hash rule, not chance, keeps some of them out for validation, so that every run keeps out the same.

    python -m capture.studio.train_data photographs FOLDER_WITH_TARS photographs.npz
    python -m capture.studio.train_data studio pictures --crops 40000 --frames 4000 --processes 16
"""

from __future__ import annotations

import argparse
import hashlib
import sys
import tarfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Floats = NDArray[np.float32]

SIDE: Final = 256  # photographs are shrunk to this, px
WEBP_QUALITY: Final = 64
KEPT_OUT: Final = 0.10  # share of photographs used for validation only
GREY: Final = 114  # fills the square round a picture
FINISHED: Final = "finished"  # marks a folder whose pictures are all there
CROP: Final = 256  # studio crops, px
FRAME: Final = (640, 384)  # studio frames for the finder, px


@dataclass(frozen=True, slots=True)
class Labelled:
    """Square pictures with one person's joints."""

    pictures: Bytes  # (N, side, side, 3) RGB, GREY where there is no picture
    joints: Floats  # (N, 14, 3) x, y (px, pixel centres at integers); third 0 where unlabelled
    extent: Floats  # (N, 4) x0, y0, x1, y1 of the picture inside the square
    boxes: Floats  # (N, 4) left, top, right, bottom of the person, px like the joints
    parts: Bytes  # (N,) by the name's hash: divides the pictures among teachers


def kept_out(name: str) -> bool:
    """Whether a photograph serves validation only: decided by its name alone."""
    digest = hashlib.sha256(f"railcrest {name}".encode()).digest()
    return int.from_bytes(digest[:4], "big") < KEPT_OUT * 2**32


def part_of(name: str) -> int:
    """A number from 0 to 255 that a photograph's name alone decides, apart from ``kept_out``."""
    return hashlib.sha256(f"railcrest {name}".encode()).digest()[4]


def _read(tar: tarfile.TarFile, member: tarfile.TarInfo) -> bytes:
    file = tar.extractfile(member)
    return b"" if file is None else file.read()


def _decoded(coded: Bytes) -> Bytes:
    """Picture (h, w, 3) BGR."""
    return np.asarray(cv2.imdecode(coded, cv2.IMREAD_COLOR), np.uint8)


def pack_photographs(source: Path, target: Path) -> int:
    """Shrink and pack photographs; returns how many.

    source: holds ``images-*.tar`` and ``labels.tgz`` (YOLO-pose lines).
    """
    with tarfile.open(source / "labels.tgz") as tar:
        labels = {Path(m.name).stem: _read(tar, m).decode() for m in tar if m.isfile()}
    names, coded, joints, boxes = [], [], [], []
    for part in sorted(source.glob("images-*.tar")):
        with tarfile.open(part) as tar:
            for member in tar:
                name = Path(member.name).stem
                if not member.isfile() or name not in labels:
                    continue
                picture = _decoded(np.frombuffer(_read(tar, member), np.uint8))
                height, width = picture.shape[:2]
                scale = min(1.0, SIDE / max(height, width))
                size = (max(1, round(width * scale)), max(1, round(height * scale)))
                if scale < 1:
                    picture = np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.uint8)
                numbers = np.array(labels[name].split()[1:], np.float32)
                x, y, wide, high = numbers[:4]
                corners = np.array([[x - wide / 2, y - high / 2], [x + wide / 2, y + high / 2]], np.float32)
                placed = numbers[4:].reshape(-1, 3)
                # Labels measure from the picture's corner; our pixel centres are at integers.
                placed[:, :2] = placed[:, :2] * size - 0.5
                names.append(name)
                joints.append(placed)
                boxes.append((corners * size - 0.5).ravel())
                coded.append(cv2.imencode(".webp", picture, [cv2.IMWRITE_WEBP_QUALITY, WEBP_QUALITY])[1])
    order = np.argsort(names)
    lengths = np.array([len(coded[i]) for i in order])
    np.savez(
        target,
        names=np.array(names)[order],
        joints=np.stack(joints)[order],
        boxes=np.stack(boxes)[order].astype(np.float32),
        ends=np.cumsum(lengths),
        coded=np.concatenate([coded[i].ravel() for i in order]),
    )
    return len(names)


def photographs(packed: Path, validation: bool, limit: int | None = None) -> Labelled:
    """Unpack the photographs for training or for validation, each in the middle of a grey square."""
    with np.load(packed) as data:
        chosen = np.array([i for i, n in enumerate(data["names"]) if kept_out(str(n)) == validation])[:limit]
        parts = np.array([part_of(str(n)) for n in data["names"][chosen]], np.uint8)
        ends, coded = data["ends"], data["coded"]
        labels, boxes = data["joints"][chosen].copy(), data["boxes"][chosen].copy()
    pictures = np.full((len(chosen), SIDE, SIDE, 3), GREY, np.uint8)
    extent = np.zeros((len(chosen), 4), np.float32)

    def unpack(k: int) -> None:
        i = chosen[k]
        picture = _decoded(coded[ends[i - 1] if i else 0 : ends[i]])
        height, width = picture.shape[:2]
        top, left = (SIDE - height) // 2, (SIDE - width) // 2
        pictures[k, top : top + height, left : left + width] = picture[..., ::-1]
        labels[k, :, :2] += (left, top)
        boxes[k] += (left, top, left, top)
        extent[k] = (left, top, left + width, top + height)

    with ThreadPoolExecutor() as pool:
        list(pool.map(unpack, range(len(chosen))))
    return Labelled(pictures, labels, extent, boxes, parts)


def _makers_share(job: tuple[Any, ...]) -> int:
    """One process: every ``processes``-th generation of pictures, until the count or the time is reached."""
    what, out, seed, count, until, index, processes = job
    cv2.setNumThreads(1)
    from capture.studio import pictures
    from capture.studio.body import shapes

    maker = pictures.Maker(shapes(), seed, size=CROP, frame_size=FRAME)
    step = pictures._GENERATION
    made: list[pictures.Picture] = []
    total = 0
    for first in range(index * step, count, processes * step):
        for number in range(first, min(first + step, count)):
            if time.time() > until:
                break
            total += 1
            if what == "crops":
                made.append(maker.crop(number))
            else:
                write_yolo(out, f"studio-{number:06d}", *_frame(maker, number))
    if made:
        np.savez(
            out / f"crops-{index:03d}.npz",
            image=np.stack([p.image for p in made]),
            joints=np.stack([p.joints for p in made]),
        )
    maker.release()
    return total


def _frame(maker: Any, number: int) -> tuple[Bytes, Floats]:
    frame = maker.frame(number)
    return frame.image, frame.boxes[:, :4]


def write_yolo(folder: Path, name: str, picture: Bytes, boxes: NDArray[Any]) -> None:
    """Write one detector picture (RGB) and its boxes (n, 4: left, top, right, bottom px) as YOLO files."""
    height, width = picture.shape[:2]
    size = np.array([width, height, width, height])
    low, high = boxes[:, :2], boxes[:, 2:]
    rows = np.column_stack([(low + high) / 2 + 0.5, high - low + 1]) / size
    rows = np.clip(rows, 0, 1)
    cv2.imwrite(str(folder / "images" / f"{name}.jpg"), picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 92])
    lines = ["0 " + " ".join(f"{v:.6f}" for v in row) + "\n" for row in rows]
    (folder / "labels" / f"{name}.txt").write_text("".join(lines))


def render(
    what: str, out: Path, seed: int, count: int, processes: int, seconds: float | None = None,
    report: Callable[[str], object] = print,
) -> int:  # fmt: skip
    """Render studio pictures with many processes; returns how many.

    what: "crops" (``crops-*.npz``: image (N, CROP, CROP, 3) RGB, joints (N, 14, 3)) or "frames" (YOLO files).
    seconds: stop early after so long; what is made is the same either way, only less of it.
    """
    out.mkdir(parents=True, exist_ok=True)
    if what == "frames":
        (out / "images").mkdir(exist_ok=True)
        (out / "labels").mkdir(exist_ok=True)
    began = time.time()
    until = began + (seconds if seconds is not None else 1e9)
    jobs = [(what, out, seed, count, until, i, processes) for i in range(processes)]
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        total = sum(pool.map(_makers_share, jobs))
    report(f"{total} {what} in {time.time() - began:.0f} s")
    (out / FINISHED).touch()
    return total


def finished(folder: Path) -> bool:
    """Whether the rendering into a folder is complete."""
    return (folder / FINISHED).exists()


def studio(folder: Path, limit: int | None = None) -> Labelled:
    """Rendered crops of a folder."""
    pictures, joints = [], []
    for path in sorted(folder.glob("crops-*.npz")):
        with np.load(path) as data:
            pictures.append(data["image"])
            joints.append(data["joints"])
    images = np.concatenate(pictures)[:limit]
    places = np.concatenate(joints)[:limit].astype(np.float32)
    extent = np.tile(np.array([0, 0, CROP, CROP], np.float32), (len(images), 1))
    boxes = np.concatenate([places[..., :2].min(axis=1), places[..., :2].max(axis=1)], axis=1)
    return Labelled(images, places, extent, boxes, np.zeros(len(images), np.uint8))


def collage(people: Labelled, backdrop: Bytes, rng: np.random.Generator) -> tuple[Bytes, Floats]:
    """Photographed people pasted on a frame without boxes, (h, w, 3) RGB, and their boxes (n, 4).

    Only the main person of a photograph is labelled, so each is cut out with a small margin that
    leaves few others. Most patches fade out at their edges, and patches without anybody are pasted
    too: a pasted edge must not come to mean a person.
    """
    picture = backdrop.copy()
    height, width = picture.shape[:2]
    taken = np.zeros((height, width), bool)
    boxes = []
    for _ in range(int(rng.integers(2, 9))):
        i = int(rng.integers(len(people.pictures)))
        x0, y0, x1, y1 = people.extent[i].astype(int)
        low = np.maximum(people.boxes[i, :2], (x0, y0))
        high = np.minimum(people.boxes[i, 2:], (x1 - 1, y1 - 1))
        margin = rng.uniform(0.02, 0.3, 4) * max(high - low)
        a = np.maximum(np.floor(low - margin[:2]), (x0, y0)).astype(int)
        b = np.minimum(np.ceil(high + margin[2:]), (x1, y1)).astype(int)
        patch = people.pictures[i, a[1] : b[1], a[0] : b[0]]
        box: Floats | None = np.concatenate([low - a, high - a])
        if rng.random() < 0.3:  # nobody: what lies beside the person in the same photograph
            sides = [(x0, y0, a[0], y1), (b[0], y0, x1, y1), (x0, y0, x1, a[1]), (x0, b[1], x1, y1)]
            left, top, right, bottom = max(sides, key=lambda s: (s[2] - s[0]) * (s[3] - s[1]))
            patch, box = people.pictures[i, top:bottom, left:right], None
        if min(patch.shape[:2]) < 16:
            continue
        longest = float(np.exp(rng.uniform(np.log(28), np.log(0.95 * height))))
        scale = longest / max(patch.shape[:2])
        size = (max(6, round(patch.shape[1] * scale)), max(6, round(patch.shape[0] * scale)))
        if size[0] >= width or size[1] >= height:
            continue
        share = np.array([size[0] / patch.shape[1], size[1] / patch.shape[0]] * 2)
        patch = np.asarray(
            cv2.resize(patch, size, interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR), np.uint8
        )
        if box is not None:
            box = (box + 0.5) * share - 0.5
        turn = int(rng.choice(4, p=[0.55, 0.15, 0.15, 0.15]))
        for _ in range(turn):
            w = patch.shape[1]
            patch = np.rot90(patch)
            if box is not None:
                box = np.array([box[1], w - 1 - box[2], box[3], w - 1 - box[0]], np.float32)
        if rng.random() < 0.5:
            patch = patch[:, ::-1]
            if box is not None:
                w = patch.shape[1]
                box = np.array([w - 1 - box[2], box[1], w - 1 - box[0], box[3]], np.float32)
        ph, pw = patch.shape[:2]
        if ph >= height or pw >= width:
            continue
        top, left = int(rng.integers(height - ph)), int(rng.integers(width - pw))
        window = np.s_[top : top + ph, left : left + pw]
        if taken[window].any():
            continue
        taken[window] = True
        picture[window] = patch if rng.random() < 0.3 else _faded(patch, picture[window], rng)
        if box is not None:
            boxes.append(box + np.array([left, top, left, top]))
    return picture, np.array(boxes, np.float32).reshape(-1, 4)


def _faded(patch: Bytes, behind: Bytes, rng: np.random.Generator) -> Bytes:
    """A patch that fades into what is behind it, over up to a fifth of its size from each edge."""
    height, width = patch.shape[:2]
    share = rng.uniform(0.05, 0.2)
    from_edge = [
        np.minimum(np.arange(n) + 0.5, n - 0.5 - np.arange(n)) / (share * n) for n in (height, width)
    ]
    alpha = np.clip(np.minimum(from_edge[0][:, None], from_edge[1][None]), 0, 1)[..., None]
    return np.asarray(alpha * patch + (1 - alpha) * behind, np.uint8)


def main(arguments: list[str] | None = None) -> int:
    """Pack photographs or render studio pictures."""
    parser = argparse.ArgumentParser(prog="python -m capture.studio.train_data", description=main.__doc__)
    commands = parser.add_subparsers(dest="command", required=True)
    pack = commands.add_parser("photographs")
    pack.add_argument("source", type=Path)
    pack.add_argument("target", type=Path)
    make = commands.add_parser("studio")
    make.add_argument("out", type=Path)
    make.add_argument("--crops", type=int, default=0)
    make.add_argument("--frames", type=int, default=0)
    make.add_argument("--processes", type=int, default=16)
    make.add_argument("--seed", type=int, default=11)
    make.add_argument("--seconds", type=float, default=None)
    chosen = parser.parse_args(arguments)
    if chosen.command == "photographs":
        print(f"{pack_photographs(chosen.source, chosen.target)} photographs in {chosen.target}")
        return 0
    for what, count in (("frames", chosen.frames), ("crops", chosen.crops)):
        if count:
            render(what, chosen.out, chosen.seed, count, chosen.processes, chosen.seconds)
    return 0


if __name__ == "__main__":
    sys.exit(main())

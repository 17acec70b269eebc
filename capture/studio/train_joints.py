"""Trains the joint network on photographs and studio pictures.

    python -m capture.studio.train_joints --photographs photographs.npz --studio pictures \
        --out weights --minutes 12 [--size full] [--leave-out 4:0] [--teacher full:teacher.pt]

All pictures lie on the device as one uint8 tensor and are turned, scaled, mirrored, shaded, blurred,
covered and cut off there in batches. The target is a Gaussian on the heat map, the loss softmax
cross-entropy. Labels of photographs are crowd-sourced and noisy, so a later opinion shares their
target: a teacher's, or, without one, that of the average of the network's own weights. The opinion
is asked about the crop before it is spoiled. A network learns wrong labels by heart in the end, so
the photographs are divided among several teachers, and each is asked only about those it never saw
(``--leave-out 4:1`` trains such a teacher; ``--teacher`` names them in the order of their parts).
Reproducible up to the device's own rounding with the same seed, data and number of steps.
"""

from __future__ import annotations

import argparse
import copy
import json
import math
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import torch
from torch.nn import functional

from bridge.skeleton import INDEX, MIRROR, N_JOINTS
from capture.studio import train_data
from capture.studio.joint_net import SIZES, STRIDE, JointNet, Size

SPREAD_SHARE: Final = 0.026  # standard deviation of the target, of the crop's side
OWN_OPINION_FROM: Final = 0.35  # of the training; before, the average of the weights knows too little
OWN_TRUST: Final = 0.5  # in its own opinion, on photographs
TEACHER_TRUST: Final = 0.7  # in a teacher's, on photographs; studio pictures are exact
AT_RUN_TIME: Final = 0.68  # share of the crop that the joints' longer side takes
PIECE_BYTES: Final = 15_000_000
UNSEEN_WEIGHT: Final = 0.1
GLARE: Final = 0.25  # rate at which a crop is veiled, and at which something glows in it


@dataclass(slots=True)
class Pool:
    """Labelled pictures on the device; pixel centres at integers."""

    pictures: torch.Tensor  # (N, 3, side, side) uint8
    joints: torch.Tensor  # (N, 14, 3)
    extent: torch.Tensor  # (N, 4)
    parts: torch.Tensor  # (N,)
    exact: bool  # every joint's place is known, also outside the picture

    @staticmethod
    def of(data: train_data.Labelled, device: str, exact: bool) -> Pool:
        """Move pictures to the device."""
        pictures = torch.empty(
            (len(data.pictures), 3, *data.pictures.shape[1:3]), dtype=torch.uint8, device=device
        )
        for i in range(0, len(pictures), 2048):
            pictures[i : i + 2048] = (
                torch.from_numpy(data.pictures[i : i + 2048]).to(device).permute(0, 3, 1, 2)
            )
        return Pool(
            pictures,
            torch.from_numpy(data.joints).to(device),
            torch.from_numpy(data.extent).to(device),
            torch.from_numpy(data.parts).to(device),
            exact,
        )

    def only(self, chosen: torch.Tensor) -> Pool:
        """The pictures that ``chosen`` (N,) marks."""
        return Pool(
            self.pictures[chosen], self.joints[chosen], self.extent[chosen], self.parts[chosen], self.exact
        )


@dataclass(slots=True)
class Batch:
    """Crops with their joints."""

    crops: torch.Tensor  # (n, 3, side, side) 0 to 1
    joints: torch.Tensor  # (n, 14, 2) crop px
    known: torch.Tensor  # (n, 14) bool: the joint lies in the crop and its place is known
    unseen: torch.Tensor  # (n, 14) bool: the joint is known to lie outside the crop

    @property
    def side(self) -> int:
        """Of a crop, px."""
        return int(self.crops.shape[-1])

    def joined(self, other: Batch) -> Batch:
        """This batch with another behind it."""
        return Batch(
            *(
                torch.cat([getattr(self, k), getattr(other, k)])
                for k in ("crops", "joints", "known", "unseen")
            )
        )

    def resized(self, side: int) -> Batch:
        """The same crops at another size."""
        if side == self.side:
            return self
        crops = functional.interpolate(self.crops, (side, side), mode="bilinear", antialias=True)
        return Batch(crops, (self.joints + 0.5) * (side / self.side) - 0.5, self.known, self.unseen)


def sample(pool: Pool, index: torch.Tensor, vary: bool, crop_px: int) -> Batch:
    """Cut crops of ``crop_px`` out of pictures; ``vary`` turns and scales them as training needs."""
    device, n = pool.pictures.device, len(index)
    side = pool.pictures.shape[-1]
    joints = pool.joints[index]
    here = joints[..., 2] > 0
    placed = torch.ones_like(here) if pool.exact else here
    far = torch.tensor(1e6, device=device)
    low = torch.where(here[..., None], joints[..., :2], far).amin(1)
    high = torch.where(here[..., None], joints[..., :2], -far).amax(1)
    extent = (high - low).amax(1).clamp(min=20)
    centre = (low + high) / 2

    def uniform(*shape: int) -> torch.Tensor:
        return torch.rand(*shape, device=device)

    def normal(*shape: int) -> torch.Tensor:
        return torch.randn(*shape, device=device)

    if vary:
        whole = (uniform(n) < 0.6).float()
        angle = (uniform(n) * 2 - 1) * math.pi * whole + normal(n) * 0.15
        share = 0.45 + 0.45 * uniform(n)
        flip = uniform(n) < 0.5
        shift = (uniform(n, 2) - 0.5) * ((1 - share) * 1.0)[:, None] * crop_px
        cut = (uniform(n) < 0.15)[:, None]
        shift = torch.where(cut, (uniform(n, 2) - 0.5) * crop_px * 0.9, shift)
    else:
        angle, share = torch.zeros(n, device=device), torch.full((n,), AT_RUN_TIME, device=device)
        flip, shift = torch.zeros(n, dtype=torch.bool, device=device), torch.zeros(n, 2, device=device)
    scale = share * crop_px / extent
    mirror = torch.where(flip, -1.0, 1.0)
    cos, sin = torch.cos(angle), torch.sin(angle)
    forward = torch.stack(
        [
            torch.stack([scale * cos * mirror, -scale * sin], -1),
            torch.stack([scale * sin * mirror, scale * cos], -1),
        ],
        1,
    )
    middle = (crop_px - 1) / 2 + shift
    back = torch.linalg.inv(forward)
    # grid_sample's coordinates run from -1 to 1 between the outer edges, half a pixel beyond the centres.
    theta = torch.zeros(n, 2, 3, device=device)
    theta[:, :, :2] = back * (crop_px / side)
    at_centre = centre + (back @ ((crop_px - 1) / 2 - middle)[..., None])[..., 0]
    theta[:, :, 2] = (2 * at_centre + 1) / side - 1
    grid = functional.affine_grid(theta, [n, 3, crop_px, crop_px], align_corners=False)
    pictures = pool.pictures[index].float()
    if vary:
        # Photographs end somewhere: fill what lies beyond with a plain colour of chance.
        fill = uniform(n, 3, 1, 1) * 255
    else:
        fill = torch.full((n, 3, 1, 1), float(train_data.GREY), device=device)
    row = torch.arange(side, device=device)
    box = pool.extent[index][:, :, None, None]
    inside = (row[None, None] >= box[:, 0]) & (row[None, None] < box[:, 2])
    inside = inside & (row[None, :, None] >= box[:, 1]) & (row[None, :, None] < box[:, 3])
    pictures = (pictures - fill) * inside[:, None]
    crops = (functional.grid_sample(pictures, grid, align_corners=False, padding_mode="zeros") + fill) / 255

    px = torch.einsum("nij,nkj->nki", forward, joints[..., :2] - centre[:, None]) + middle[:, None]
    order = torch.tensor(MIRROR, device=device)
    px = torch.where(flip[:, None, None], px[:, order], px)
    placed = torch.where(flip[:, None], placed[:, order], placed)
    within = ((px > -0.5) & (px < crop_px - 0.5)).all(-1)
    return Batch(crops.clamp(0, 1), px, placed & within, placed & ~within)


def spoil(crops: torch.Tensor, glare: float = GLARE) -> torch.Tensor:
    """Covering, light, colour, glare (veil and glow, each at that rate), blur and noise of chance."""
    device, n, side = crops.device, len(crops), crops.shape[-1]

    def uniform(*shape: int) -> torch.Tensor:
        return torch.rand(*shape, device=device)

    one = (n, 1, 1, 1)
    # A rectangle of somebody else's picture in front.
    row = torch.arange(side, device=device).float()
    size, corner = (0.08 + 0.27 * uniform(n, 2)) * side, uniform(n, 2) * side
    across = (row >= corner[:, :1]) & (row < corner[:, :1] + size[:, :1])
    down = (row >= corner[:, 1:]) & (row < corner[:, 1:] + size[:, 1:])
    cover = (down[:, :, None] & across[:, None, :])[:, None] & (uniform(*one) < 0.3)
    crops = torch.where(cover, crops.roll(1, 0), crops)

    crops = crops * (0.55 + 0.9 * uniform(*one))
    mean = crops.mean((1, 2, 3), keepdim=True)
    crops = (crops - mean) * (0.6 + 0.8 * uniform(*one)) + mean
    grey = crops.mean(1, keepdim=True)
    crops = grey + (crops - grey) * (uniform(*one) * 1.6)
    crops = crops * (1 + 0.12 * torch.randn(n, 3, 1, 1, device=device))
    # Glare: a veil over the whole and a glow round a lamp or the sun, as a lens makes them.
    glow_px = side * (0.15 + 0.9 * uniform(*one))
    x, y = (side * (1.6 * uniform(*one) - 0.3) for _ in range(2))
    far = ((row - x) ** 2 + (row[:, None] - y) ** 2) / glow_px**2
    tint = 1 - 0.25 * uniform(n, 3, 1, 1)
    haze = torch.where(uniform(*one) < glare, 0.75 * uniform(*one), torch.zeros(one, device=device))
    glow = torch.where(uniform(*one) < glare, 1.3 * uniform(*one), torch.zeros(one, device=device))
    crops = crops * (1 - haze) + haze * tint + glow * torch.exp(-far) * tint
    crops = crops.clamp(0, 1)
    pick = uniform(*one)
    soft = functional.avg_pool2d(crops, 3, 1, 1)
    smeared = functional.avg_pool2d(crops, (1, 7), 1, (0, 3)), functional.avg_pool2d(crops, (7, 1), 1, (3, 0))
    crops = torch.where(pick < 0.12, soft, crops)
    crops = torch.where((pick > 0.12) & (pick < 0.19), smeared[0], crops)
    crops = torch.where((pick > 0.19) & (pick < 0.26), smeared[1], crops)
    # Small people come enlarged: coarse, then smooth again.
    coarse = functional.interpolate(
        functional.interpolate(crops, scale_factor=0.5, mode="area"),
        size=(side, side),
        mode="bilinear",
        align_corners=False,
    )
    crops = torch.where((pick > 0.26) & (pick < 0.36), coarse, crops)
    return (crops + 0.035 * uniform(*one) * torch.randn_like(crops)).clamp(0, 1)


def _axis(cells: int, device: torch.device) -> torch.Tensor:
    """Crop px of the cells' centres: cell c covers pixels 4 c to 4 c + 3."""
    return torch.arange(cells, device=device).float() * STRIDE + (STRIDE - 1) / 2


def target(batch: Batch) -> torch.Tensor:
    """Where each joint lies: (n, 14, cells * cells), a Gaussian that sums to one."""
    axis = _axis(batch.side // STRIDE, batch.joints.device)
    spread = SPREAD_SHARE * batch.side
    x = torch.exp(-((axis - batch.joints[..., :1]) ** 2) / (2 * spread**2))
    y = torch.exp(-((axis - batch.joints[..., 1:]) ** 2) / (2 * spread**2))
    x, y = x / x.sum(-1, keepdim=True).clamp(min=1e-6), y / y.sum(-1, keepdim=True).clamp(min=1e-6)
    return (y[..., :, None] * x[..., None, :]).flatten(2)


def decode(logits: torch.Tensor, rounds: int = 4) -> tuple[torch.Tensor, torch.Tensor]:
    """Crop px (n, 14, 2) of each map's mode, found by recentring a Gaussian window; mass round it (n, 14)."""
    probability = logits.float().flatten(2).softmax(-1).reshape(logits.shape)
    cells = logits.shape[-1]
    axis = _axis(cells, logits.device)
    at = probability.flatten(2).argmax(-1)
    px = torch.stack([axis[at % cells], axis[at // cells]], -1)
    window = 2.0 * STRIDE
    for _ in range(rounds):
        x = torch.exp(-((axis - px[..., :1]) ** 2) / (2 * window**2))
        y = torch.exp(-((axis - px[..., 1:]) ** 2) / (2 * window**2))
        seen = probability * y[..., :, None] * x[..., None, :]
        total = seen.sum((-2, -1)).clamp(min=1e-9)
        px = torch.stack([(seen.sum(-2) * axis).sum(-1) / total, (seen.sum(-1) * axis).sum(-1) / total], -1)
    near = ((axis - px[..., :1]).abs() < 4 * STRIDE)[..., None, :] & (
        (axis - px[..., 1:]).abs() < 4 * STRIDE
    )[..., :, None]
    return px, (probability * near).sum((-2, -1))


@torch.no_grad()  # type: ignore[untyped-decorator]
def judge(model: torch.nn.Module, pool: Pool, side: int) -> dict[str, float]:
    """Errors on a validation pool, relative to torso length (mid-shoulder to mid-hip) and in crop px."""
    model.eval()
    hips, each, pixels = [], [], []
    for i in range(0, len(pool.pictures), 256):
        index = torch.arange(i, min(i + 256, len(pool.pictures)), device=pool.pictures.device)
        batch = sample(pool, index, False, side)
        with torch.autocast(index.device.type, dtype=torch.bfloat16, enabled=index.is_cuda):
            logits = model(batch.crops.contiguous(memory_format=torch.channels_last))
        px, _ = decode(logits)
        true, ok = batch.joints, batch.known
        rs, ls, rh, lh = (INDEX[f"{s}_{j}"] for j in ("shoulder", "hip") for s in ("right", "left"))
        mid = [(p[:, rh] + p[:, lh]) / 2 for p in (px, true)]
        torso = ((true[:, rs] + true[:, ls]) / 2 - mid[1]).norm(dim=-1)
        whole = ok[:, [rs, ls, rh, lh]].all(-1) & (torso > 5)
        miss = (mid[0] - mid[1]).norm(dim=-1)
        hips.append((miss / torso)[whole])
        pixels.append(miss[whole])
        each.append(((px - true).norm(dim=-1) / torso[:, None])[whole][ok[whole]])
    hip, joint, crop_px = torch.cat(hips), torch.cat(each), torch.cat(pixels)
    return {
        "pictures": len(hip),
        "mid_hip_within_0.1": round(float((hip < 0.1).float().mean()), 4),
        "mid_hip_within_0.2": round(float((hip < 0.2).float().mean()), 4),
        "mid_hip_median": round(float(hip.median()), 4),
        "mid_hip_median_px": round(float(crop_px.median()), 3),
        "joints_within_0.2": round(float((joint < 0.2).float().mean()), 4),
        "joints_within_0.5": round(float((joint < 0.5).float().mean()), 4),
    }


@dataclass(frozen=True, slots=True)
class Plan:
    """How to train."""

    size: Size
    seconds: float
    batch: int
    rate: float
    real_share: float  # share of photographs in a batch
    seed: int
    steps: int | None = None  # instead of the time: the same every time
    glare: float = GLARE


@dataclass(frozen=True, slots=True)
class Teacher:
    """Trained networks; photograph n is shown to the one that its part, modulo their number, names."""

    nets: Sequence[torch.nn.Module]
    side: int

    @torch.no_grad()  # type: ignore[untyped-decorator]
    def opinion(self, crops: torch.Tensor, parts: torch.Tensor, cells: int) -> torch.Tensor:
        """Probability of each joint's place, (n, 14, cells * cells), in the crops' order."""
        crops = crops.contiguous(memory_format=torch.channels_last)
        out = torch.empty(len(crops), N_JOINTS, cells * cells, device=crops.device)
        whose = parts.long() % len(self.nets)
        for k, net in enumerate(self.nets):
            mine = (whose == k).nonzero()[:, 0]
            if not len(mine):
                continue
            with torch.autocast(crops.device.type, dtype=torch.bfloat16, enabled=crops.is_cuda):
                maps = net(crops[mine])
            side = maps.shape[-1]
            total = maps.float().flatten(2).softmax(-1).reshape(maps.shape)
            # Adaptive mean pooling keeps a map's shares up to a factor.
            small = functional.adaptive_avg_pool2d(total, cells)
            out[mine] = small.flatten(2) * (side / cells) ** 2
        return out


def train(
    plan: Plan, real: Pool, studio: Callable[[], Pool | None], checks: dict[str, Pool], device: str,
    out: Path, teacher: Teacher | None = None, start: Path | None = None,
) -> tuple[JointNet, dict[str, dict[str, float]]]:  # fmt: skip
    """Train one network; returns the average of its weights over the last steps, and how it does.

    studio: the pool of studio pictures once it is there; photographs serve alone until then.
    out: where the averaged weights are kept while the training runs.
    """
    torch.manual_seed(plan.seed)
    side, cells = plan.size.side, plan.size.side // STRIDE
    model = JointNet(plan.size).to(device).to(memory_format=torch.channels_last)
    if start is not None:
        model.load_state_dict(load_state(start))
    average = copy.deepcopy(model).eval().requires_grad_(False)
    own = Teacher([average], side)
    decay = [p for p in model.parameters() if p.ndim > 1]
    plain = [p for p in model.parameters() if p.ndim <= 1]
    optimiser = torch.optim.AdamW(
        [{"params": decay, "weight_decay": 0.05}, {"params": plain, "weight_decay": 0.0}],
        lr=plan.rate,
        fused=device == "cuda",
    )
    began = said = time.time()
    step, done, seen, made = 0, 0.0, 0, studio()
    while done < 1:
        done = (time.time() - began) / plan.seconds if plan.steps is None else step / plan.steps
        for group in optimiser.param_groups:
            group["lr"] = (
                plan.rate
                * min(1, (step + 1) / 300)
                * (0.01 + 0.99 * 0.5 * (1 + math.cos(math.pi * min(done, 1))))
            )
        if made is None and step % 50 == 0:
            made = studio()
        n_real = plan.batch if made is None else round(plan.batch * plan.real_share)
        crop_px = side if teacher is None else teacher.side
        chosen = torch.randint(len(real.pictures), (n_real,), device=device)
        if teacher is not None and len(teacher.nets) > 1:
            # Together by teacher, so that each is asked once a step.
            chosen = chosen[(real.parts[chosen] % len(teacher.nets)).argsort()]
        batch = sample(real, chosen, True, crop_px)
        if made is not None:
            picked = torch.randint(len(made.pictures), (plan.batch - n_real,), device=device)
            batch = batch.joined(sample(made, picked, True, crop_px))
        clean, batch = batch.crops, batch.resized(side)
        aim = target(batch)
        adviser, trust = (teacher, TEACHER_TRUST) if teacher is not None else (own, OWN_TRUST)
        if teacher is not None or done > OWN_OPINION_FROM:
            said_of = adviser.opinion(clean[:n_real], real.parts[chosen], cells)
            aim[:n_real] = torch.lerp(aim[:n_real], said_of, trust)
        crops = spoil(batch.crops, plan.glare).contiguous(memory_format=torch.channels_last)
        with torch.autocast(device, dtype=torch.bfloat16, enabled=device == "cuda"):
            logits = model.train()(crops)
        log_p = logits.float().flatten(2).log_softmax(-1)
        known = batch.known.float()
        # A joint outside the crop should leave its map flat, so that its low peak tells.
        loss = (-(aim * log_p).sum(-1) * known).sum() / known.sum().clamp(min=1)
        loss = loss - UNSEEN_WEIGHT * (log_p.mean(-1) * batch.unseen).sum() / known.sum().clamp(min=1)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(model.parameters(), 5.0)
        optimiser.step()
        step, seen = step + 1, seen + plan.batch
        keep = 0.9995 * (1 - math.exp(-step / 500))
        with torch.no_grad():
            mine = [v for v in average.state_dict().values() if v.dtype.is_floating_point]
            new = [v for v in model.state_dict().values() if v.dtype.is_floating_point]
            torch._foreach_lerp_(mine, new, 1 - keep)
        if step in (1, 50) or time.time() - said > 60:
            said = time.time()
            marks = {k: judge(average, p, side) for k, p in checks.items()} if step > 50 else {}
            short = " ".join(
                f"{name} {m['mid_hip_within_0.1']:.3f} {m['mid_hip_within_0.2']:.3f}"
                f" {m['mid_hip_median_px']:.2f} px"
                for name, m in marks.items()
            )
            pace = seen / (said - began)
            print(
                f"step {step}, {said - began:.0f} s, {pace:.0f}/s, loss {loss.item():.3f} {short}", flush=True
            )
            save_state(average, out)
    return average, {k: judge(average, p, side) for k, p in checks.items()}


def save_state(model: torch.nn.Module, path: Path) -> None:
    """Write weights at half precision, in pieces of at most PIECE_BYTES (``path``, ``path.1`` ...)."""
    state = {
        k: v.half().cpu() if v.dtype.is_floating_point else v.cpu() for k, v in model.state_dict().items()
    }
    torch.save(state, path)
    data = path.read_bytes()
    for i, first in enumerate(range(0, len(data), PIECE_BYTES)):
        piece = path if i == 0 else path.with_name(f"{path.name}.{i}")
        piece.write_bytes(data[first : first + PIECE_BYTES])


def load_state(path: Path) -> dict[str, torch.Tensor]:
    """Read weights that `save_state` wrote."""
    import io

    data = path.read_bytes()
    i = 1
    while (piece := path.with_name(f"{path.name}.{i}")).exists():
        data += piece.read_bytes()
        i += 1
    state: dict[str, torch.Tensor] = torch.load(io.BytesIO(data), map_location="cpu", weights_only=True)
    return {k: v.float() if v.dtype.is_floating_point else v for k, v in state.items()}


def main(arguments: list[str] | None = None) -> int:
    """Train the joint network."""
    parser = argparse.ArgumentParser(prog="python -m capture.studio.train_joints", description=main.__doc__)
    parser.add_argument("--photographs", type=Path, required=True)
    parser.add_argument("--studio", type=Path, default=None)
    parser.add_argument("--studio-check", type=Path, default=None, help="studio pictures of another seed")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--name", default="joints")
    parser.add_argument("--minutes", type=float, default=8.0)
    parser.add_argument(
        "--until", type=float, default=None, help="instead of minutes: seconds since the epoch"
    )
    parser.add_argument("--steps", type=int, default=None, help="instead of minutes, for exact repetition")
    parser.add_argument("--batch", type=int, default=384)
    parser.add_argument("--rate", type=float, default=2e-3)
    parser.add_argument("--real-share", type=float, default=0.5)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--size", choices=tuple(SIZES), default="half")
    parser.add_argument("--teacher", action="append", default=[], help="SIZE:WEIGHTS, as often as wanted")
    parser.add_argument("--leave-out", default="", help="PARTS:PART, photographs that this one never sees")
    parser.add_argument("--glare", type=float, default=GLARE, help="rate of veils and glows")
    parser.add_argument("--start", type=Path, default=None)
    parser.add_argument("--limit", type=int, default=None, help="few pictures, to try the program")
    chosen = parser.parse_args(arguments)
    device = "cuda" if torch.cuda.is_available() else "cpu"
    torch.backends.cudnn.benchmark = True
    torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
    limit = chosen.limit
    real = Pool.of(train_data.photographs(chosen.photographs, False, limit), device, exact=False)
    checks = {
        "photographs": Pool.of(train_data.photographs(chosen.photographs, True, limit), device, exact=False)
    }
    if chosen.leave_out:
        parts, part = (int(v) for v in chosen.leave_out.split(":"))
        left = real.parts % parts == part
        checks["left out"], real = real.only(left), real.only(~left)
    if chosen.studio_check:
        checks["studio"] = Pool.of(train_data.studio(chosen.studio_check, limit), device, exact=True)

    def studio() -> Pool | None:
        if chosen.studio is None or not train_data.finished(chosen.studio):
            return None
        pool = Pool.of(train_data.studio(chosen.studio, limit), device, exact=True)
        print(f"{len(pool.pictures)} studio pictures", flush=True)
        return pool

    counts = {k: len(p.pictures) for k, p in checks.items()}
    print(f"{len(real.pictures)} photographs, checks {counts}", flush=True)
    teacher = None
    if chosen.teacher:
        nets = []
        for size, _, weights in (t.partition(":") for t in chosen.teacher):
            net = JointNet(SIZES[size]).eval().requires_grad_(False)
            net.load_state_dict(load_state(Path(weights)))
            nets.append(net.to(device).to(memory_format=torch.channels_last))
        teacher = Teacher(nets, SIZES[size].side)
    seconds = chosen.minutes * 60 if chosen.until is None else max(5.0, chosen.until - time.time())
    plan = Plan(
        SIZES[chosen.size],
        seconds,
        chosen.batch,
        chosen.rate,
        chosen.real_share,
        chosen.seed,
        chosen.steps,
        chosen.glare,
    )
    chosen.out.mkdir(parents=True, exist_ok=True)
    weights = chosen.out / f"{chosen.name}.pt"
    model, marks = train(plan, real, studio, checks, device, weights, teacher, chosen.start)
    save_state(model, weights)
    (chosen.out / f"{chosen.name}.json").write_text(json.dumps(marks, indent=1) + "\n")
    print(json.dumps(marks), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())

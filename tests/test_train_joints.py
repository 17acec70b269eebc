"""The trainer's parts: how photographs are divided among teachers, and whose opinion each one gets."""

from __future__ import annotations

import numpy as np
import pytest
import torch

from bridge.skeleton import N_JOINTS
from capture.studio import train_joints
from capture.studio.train_data import Labelled, kept_out, part_of
from capture.studio.train_joints import Pool, Teacher

CELLS = 8


def test_a_photographs_part_hangs_on_its_name_alone_and_not_on_whether_it_is_kept_out() -> None:
    names = [f"{n:05d}" for n in range(4000)]
    # Fifth byte of the SHA-256 of "railcrest 00000" and so on, by sha256sum.
    assert [part_of(n) for n in names[:3]] == [71, 43, 199]
    parts = np.array([part_of(n) for n in names])
    assert parts.min() >= 0 and parts.max() <= 255
    shares = np.bincount(parts % 4, minlength=4) / len(names)
    assert shares == pytest.approx([0.25] * 4, abs=0.03)
    out = np.array([kept_out(n) for n in names])
    assert np.bincount(parts[out] % 4, minlength=4) / out.sum() == pytest.approx([0.25] * 4, abs=0.1)


def test_a_pool_keeps_what_belongs_together() -> None:
    rng = np.random.default_rng(1)
    n, side = 6, 32
    data = Labelled(
        pictures=rng.integers(0, 256, (n, side, side, 3), dtype=np.uint8),
        joints=rng.uniform(0, side, (n, N_JOINTS, 3)).astype(np.float32),
        extent=np.tile(np.float32([0, 0, side, side]), (n, 1)),
        boxes=np.zeros((n, 4), np.float32),
        parts=np.array([0, 1, 2, 3, 4, 5], np.uint8),
    )
    pool = Pool.of(data, "cpu", exact=False)
    left = pool.parts % 4 == 1
    mine, rest = pool.only(left), pool.only(~left)
    assert mine.parts.tolist() == [1, 5]
    assert rest.parts.tolist() == [0, 2, 3, 4]
    for pool_, rows in ((mine, [1, 5]), (rest, [0, 2, 3, 4])):
        assert torch.equal(pool_.pictures, torch.from_numpy(data.pictures[rows]).permute(0, 3, 1, 2))
        assert torch.equal(pool_.joints, torch.from_numpy(data.joints[rows]))
        assert torch.equal(pool_.extent, torch.from_numpy(data.extent[rows]))
    assert not mine.exact


class Says(torch.nn.Module):
    """A network that is sure of one cell, and remembers which crops it was shown (by their first value)."""

    def __init__(self, cell: tuple[int, int], cells: int = CELLS) -> None:
        super().__init__()
        self.cell, self.cells, self.asked = cell, cells, []

    def forward(self, crops: torch.Tensor) -> torch.Tensor:
        self.asked += crops[:, 0, 0, 0].round().int().tolist()
        maps = torch.full((len(crops), N_JOINTS, self.cells, self.cells), -40.0)
        maps[:, :, self.cell[1], self.cell[0]] = 0.0
        return maps


def shown(n: int) -> torch.Tensor:
    """Crops whose first value is their number."""
    return torch.arange(n, dtype=torch.float32)[:, None, None, None].expand(n, 3, 32, 32).clone()


def test_each_teacher_is_asked_only_about_its_own_part() -> None:
    parts = torch.tensor([3, 0, 1, 254, 2, 5, 0], dtype=torch.uint8)  # 254 = 2 modulo 4
    nets = [Says((k, k)) for k in range(4)]
    said = Teacher(nets, side=32).opinion(shown(len(parts)), parts, CELLS)
    assert [sorted(net.asked) for net in nets] == [[1, 6], [2, 5], [3, 4], [0]]
    # The opinions come back in the crops' order, and are probabilities.
    assert torch.allclose(said.sum(-1), torch.ones(len(parts), N_JOINTS), atol=1e-5)
    best = said.argmax(-1)[:, 0]
    assert best.tolist() == [int(p) % 4 * (CELLS + 1) for p in parts]


def test_a_teacher_with_finer_maps_is_pooled_to_the_pupils_cells() -> None:
    said = Teacher([Says((5, 3), cells=2 * CELLS)], side=64).opinion(
        shown(2), torch.zeros(2, dtype=torch.uint8), CELLS
    )
    assert said.shape == (2, N_JOINTS, CELLS * CELLS)
    assert said[0, 0, 1 * CELLS + 2] == pytest.approx(1.0, abs=1e-4)
    assert float(said[0, 0].sum()) == pytest.approx(1.0, abs=1e-4)


def test_the_targets_mode_is_what_decoding_finds() -> None:
    joints = torch.tensor([[[10.0, 20.0]] * N_JOINTS])
    known = torch.ones(1, N_JOINTS, dtype=torch.bool)
    batch = train_joints.Batch(torch.zeros(1, 3, 64, 64), joints, known, ~known)
    aim = train_joints.target(batch).reshape(1, N_JOINTS, 16, 16)
    px, mass = train_joints.decode(aim.clamp(min=1e-12).log())
    assert px.numpy() == pytest.approx(joints.numpy(), abs=0.3)
    assert float(mass.min()) > 0.9

"""The joint network: a convolutional backbone, a small feature pyramid, one heat map a joint."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import timm
import torch
from torch import nn
from torch.nn import functional

from bridge.skeleton import N_JOINTS

STRIDE: Final = 4  # crop pixels a heat-map cell
SIDE: Final = 192  # crop of the network that ships, px
LARGE_SIDE: Final = 256  # crop of the teacher, px


@dataclass(frozen=True, slots=True)
class Size:
    """A backbone that timm knows, with what changes in it, and the channels of the pyramid."""

    backbone: str
    channels: int
    side: int = SIDE
    changes: Mapping[str, Any] = field(default_factory=dict)


# "half" ships; "wide" costs a fifth more; the others teach.
SIZES: Final[dict[str, Size]] = {
    "half": Size("resnet18", 64, changes={"channels": (32, 64, 128, 256)}),
    "wide": Size(
        "resnet18",
        48,
        changes={
            "layers": (2, 2, 3, 2),
            "channels": (32, 64, 160, 320),
            "block_args": {"attn_layer": "se"},
        },
    ),
    "full": Size("resnet18", 128),
    "large": Size("resnetrs50", 160, LARGE_SIDE, {"drop_path_rate": 0.1}),
    "medium": Size("resnet34d", 128, LARGE_SIDE, {"block_args": {"attn_layer": "se"}, "drop_path_rate": 0.1}),
}


class JointNet(nn.Module):  # type: ignore[misc]
    """Crops (N, 3, S, S), RGB 0 to 1, to logits (N, 14, S / 4, S / 4).

    The softmax of a joint's logits over its map is the probability of where it lies.
    """

    def __init__(self, size: Size) -> None:
        super().__init__()
        channels = size.channels
        self.backbone = timm.create_model(size.backbone, pretrained=False, features_only=True, **size.changes)
        info: Any = self.backbone.feature_info
        self.levels = [i for i, reduction in enumerate(info.reduction()) if reduction >= STRIDE]
        widths = info.channels()
        self.lateral = nn.ModuleList(nn.Conv2d(widths[i], channels, 1) for i in self.levels)
        self.smooth = nn.ModuleList(
            nn.Sequential(
                nn.Conv2d(channels, channels, 3, padding=1, bias=False),
                nn.BatchNorm2d(channels),
                nn.ReLU(True),
            )
            for _ in self.levels[:-1]
        )
        self.head = nn.Conv2d(channels, N_JOINTS, 1)

    def forward(self, crops: torch.Tensor) -> torch.Tensor:
        """Logits of crops."""
        features = self.backbone(crops)
        seen = [features[i] for i in self.levels]
        up = self.lateral[-1](seen[-1])
        for i in range(len(seen) - 2, -1, -1):
            up = self.smooth[i](
                functional.interpolate(up, scale_factor=2.0, mode="nearest") + self.lateral[i](seen[i])
            )
        return self.head(up)

"""The joint network: a convolutional backbone, a small feature pyramid, one heat map a joint."""

from __future__ import annotations

from typing import Any, Final

import timm
import torch
from torch import nn
from torch.nn import functional

from bridge.skeleton import N_JOINTS

STRIDE: Final = 4  # crop pixels a heat-map cell
SIDE: Final = 192  # crop, px
# Backbone and channels of the pyramid. "half" ships; "small" is a third cheaper and less sure;
# "large" is the teacher.
SIZES: Final[dict[str, tuple[str, int]]] = {
    "small": ("hgnetv2_b0", 48),
    "half": ("resnet18/2", 64),
    "large": ("resnet34d", 128),
}


class JointNet(nn.Module):  # type: ignore[misc]
    """Crops (N, 3, S, S), RGB 0 to 1, to logits (N, 14, S / 4, S / 4).

    The softmax of a joint's logits over its map is the probability of where it lies.

    backbone: a name that timm knows; "/2" behind a ResNet halves its channels.
    """

    def __init__(self, backbone: str, channels: int) -> None:
        super().__init__()
        name, _, share = backbone.partition("/")
        narrow = {"channels": tuple(c // int(share) for c in (64, 128, 256, 512))} if share else {}
        self.backbone = timm.create_model(name, pretrained=False, features_only=True, **narrow)
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

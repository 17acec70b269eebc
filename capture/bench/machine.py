"""What the bench's figures were measured on."""

from __future__ import annotations

import platform
from importlib.metadata import version


def machine() -> dict[str, str]:
    """What a figure was measured on."""
    return {
        "machine": f"{platform.machine()}, {platform.system()}, Python {platform.python_version()}",
        "railcrest": version("railcrest"),
        "openvino": version("openvino"),
        "ultralytics": version("ultralytics"),
        "precision": "joints FP32, finder as the library chooses",
    }

"""What may be drawn over the pictures of a flight: the rail's height, the hip path, the height scale."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from bridge.messages import RailLine, Tick
from capture.camera import View

Floats = NDArray[np.float64]

_SCALE_STEP_CM: Final = 10
_SCALE_PAST_M: Final = 0.2  # the scale goes on so far beyond the apex


def line_of(view: View, rail: str) -> RailLine:
    """The height of a rail (or "line") as it is drawn."""
    return next(line for line in view.lines() if line.rail == rail)


def scale_of(view: View, rail: str, apex_xz_m: Floats) -> tuple[Tick, ...]:
    """Marks of the height scale against ``rail``, upright in the flight plane through the apex (x, z)."""
    x, z = (float(v) for v in apex_xz_m)
    zero = view.zero_m(rail)
    reach = max(abs(z - zero), 0.3) + _SCALE_PAST_M
    steps = math.ceil(100 * reach / _SCALE_STEP_CM)
    marks = range(-steps * _SCALE_STEP_CM, (steps + 1) * _SCALE_STEP_CM, _SCALE_STEP_CM)
    at = view.project_plane(np.array([[x, zero + cm / 100] for cm in marks]))
    return tuple(Tick(cm, float(px), float(py)) for cm, (px, py) in zip(marks, at, strict=True))

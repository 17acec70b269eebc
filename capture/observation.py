"""What the networks see of the gymnast in one frame."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.skeleton import N_JOINTS

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class JointObservation:
    """Joints of the followed gymnast in one frame.

    A joint that was not found has NaN coordinates, never (0, 0).
    """

    t_ns: int  # capture time
    px: Floats  # (14, 2) picture coordinates, pixel centres at integers, x right, y down
    sigma_px: Floats  # (14,) standard uncertainty of each joint, either axis, px
    score: Floats  # (14,) 0 to 1, the network's own confidence

    def __post_init__(self) -> None:
        if (
            self.px.shape != (N_JOINTS, 2)
            or self.sigma_px.shape != (N_JOINTS,)
            or self.score.shape != (N_JOINTS,)
        ):
            raise ValueError(f"joints of shape {self.px.shape}, expected ({N_JOINTS}, 2)")

    @staticmethod
    def empty(t_ns: int) -> JointObservation:
        """Nobody seen in the frame taken at ``t_ns``."""
        nan = np.full(N_JOINTS, np.nan)
        return JointObservation(t_ns, np.full((N_JOINTS, 2), np.nan), nan, np.zeros(N_JOINTS))

    @property
    def seen(self) -> bool:
        """Whether anybody was found."""
        return bool(np.isfinite(self.px).any())

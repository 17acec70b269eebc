"""The height that follows when the panel sets the hips, or the bar's line, by hand in one picture.

The measured figure stays what it was; what comes out stands beside it. Uncertainty: where the camera stands
and the gymnast off the flight plane as for every height, and how well a hand sets a point, instead of the
fit's own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.errors import ConfigError
from bridge.messages import Correction, CorrectionRequest, Quantity, Reading
from capture.bands import BandTable
from capture.camera import JOINT_BIAS_U_M, OFF_PLANE_U_M, View
from capture.measures import SetUp
from capture.uncertainty import combine

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class ByHand:
    """Works corrections out with the band table and the view that readings are made with."""

    table: BandTable
    view: View

    def correction(self, reading: Reading, request: CorrectionRequest) -> Correction:
        """What follows from ``request``; with nothing set, that a former correction is taken back.

        Raises:
            ConfigError: the reading is withheld, or the hips are set outside the picture.
        """
        plain = Correction(flight=reading.flight, t_ns=request.t_ns, by=request.by, measured=reading.apex)
        if request.hips is None and request.line_px == 0.0:
            return plain
        if reading.apex is None or reading.drawing is None or reading.drawing.apex is None:
            reason = reading.reason or "nothing was measured"
            raise ConfigError(
                f"flight {reading.number} is withheld ({reason}): no height can follow from a hand"
            )
        if request.hips is not None:
            width, height = self.view.picture
            if not (0 <= request.hips[0] < width and 0 <= request.hips[1] < height):
                raise ConfigError("the hips are set outside the picture")
        value = self._height(reading, request)
        call = self.table.call(reading.family, value.value, value.u)
        return Correction(
            flight=reading.flight,
            t_ns=request.t_ns,
            hips=request.hips,
            line_px=request.line_px,
            height=value,
            measured=reading.apex,
            band=call.band if call else "",
            band_p=call.p if call else 0.0,
            chances=call.chances if call else (),
            range=call.range if call else None,
            by=request.by,
        )

    def _height(self, reading: Reading, request: CorrectionRequest) -> Quantity:
        """Hips against the line, as both are set."""
        assert reading.apex is not None and reading.drawing is not None and reading.drawing.apex is not None
        rail, view = reading.rail, self.view
        hips_px = np.array(request.hips if request.hips is not None else reading.drawing.apex)
        hips = view.to_plane(hips_px)
        per_px = _metres_per_px(view, hips_px)
        set_up_u = SetUp(view).height_u_m(hips, rail)
        if request.hips is not None:
            own_u = per_px * request.u_px
        else:  # as measured: all of its uncertainty but the set-up's
            own_u = math.sqrt(max(reading.apex.u**2 - set_up_u**2, 0.0))
        if request.line_px == 0.0:
            # The hips by hand, the line as surveyed.
            return Quantity(float(hips[1]) - view.zero_m(rail), combine([own_u, set_up_u]), "m")
        line_px = view.project_plane(np.array([hips[0], view.zero_m(rail)])) + np.array(
            [0.0, request.line_px]
        )

        def height(v: View) -> float:
            return float(v.to_plane(hips_px)[1] - v.to_plane(line_px)[1])

        value = height(view)
        set_up = [height(variant) - value for _, variant in view.variants()]
        beside = float(view.to_plane(view.project_plane(hips, OFF_PLANE_U_M))[1] - hips[1])
        line_u = _metres_per_px(view, line_px) * request.u_px
        if request.hips is None:
            value += reading.apex.value - (
                float(hips[1]) - view.zero_m(rail)
            )  # the fit's own, not its picture's
        return Quantity(value, combine([own_u, line_u, *set_up, beside, JOINT_BIAS_U_M]), "m")


def _metres_per_px(view: View, px: Floats) -> float:
    """Height that one pixel down the picture makes, metres."""
    step = np.array([0.0, 0.5])
    return abs(float(view.to_plane(px + step)[1] - view.to_plane(px - step)[1]))

"""Corrections by hand: the height that follows, its uncertainty, and what stays as it was."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest

from bridge.errors import ConfigError
from bridge.messages import CorrectionRequest, Reading
from bridge.session import Session
from capture.bands import common_practice
from capture.by_hand import ByHand
from capture.camera import view_of
from capture.demo import demo_files
from capture.measures import SetUp
from capture.rig import load_rig

DEMO = demo_files()


@pytest.fixture(scope="module")
def by_hand() -> ByHand:
    return ByHand(common_practice(), view_of(load_rig(DEMO.rig)))


@pytest.fixture(scope="module")
def readings() -> tuple[Reading, ...]:
    with Session.open(DEMO.folder).journal() as journal:
        return journal.readings()


def asked(reading: Reading, **more: object) -> CorrectionRequest:
    return CorrectionRequest(flight=reading.flight, t_ns=reading.apex_ns, by="panel", **more)  # type: ignore[arg-type]


def apex_px(reading: Reading) -> tuple[float, float]:
    assert reading.drawing is not None and reading.drawing.apex is not None
    return reading.drawing.apex


def test_hips_set_where_they_were_measured_give_the_measured_height(
    by_hand: ByHand, readings: tuple[Reading, ...]
) -> None:
    for reading in readings:
        assert reading.apex is not None
        found = by_hand.correction(reading, asked(reading, hips=apex_px(reading), u_px=0.0))
        assert found.height is not None
        assert found.height.value == pytest.approx(reading.apex.value, abs=0.01)
        assert found.measured == reading.apex
        # A hand without error still has the camera's place against it, as the reading has.
        at = by_hand.view.to_plane(np.array(apex_px(reading)))
        assert found.height.u == pytest.approx(SetUp(by_hand.view).height_u_m(at, reading.rail))


def test_ten_pixels_up_are_as_many_centimetres_as_the_height_scale_says(
    by_hand: ByHand, readings: tuple[Reading, ...]
) -> None:
    reading = readings[1]
    x, y = apex_px(reading)
    at = by_hand.correction(reading, asked(reading, hips=(x, y)))
    up = by_hand.correction(reading, asked(reading, hips=(x, y - 10.0)))
    ticks = reading.drawing.scale  # type: ignore[union-attr]
    per_px = (ticks[-1].cm - ticks[0].cm) / 100 / (ticks[0].y - ticks[-1].y)
    assert up.height.value - at.height.value == pytest.approx(10 * per_px, rel=0.02)  # type: ignore[union-attr]
    worse = by_hand.correction(reading, asked(reading, hips=(x, y), u_px=8.0))
    own = np.sqrt(worse.height.u**2 - at.height.u**2)  # type: ignore[union-attr]
    assert own == pytest.approx(per_px * np.sqrt(8.0**2 - 2.0**2), rel=0.02)


def test_a_line_moved_down_raises_the_height_and_band_and_range_follow(
    by_hand: ByHand, readings: tuple[Reading, ...]
) -> None:
    reading = readings[3]  # below
    assert reading.apex is not None
    assert reading.band == "below"
    moved = by_hand.correction(reading, asked(reading, line_px=30.0))
    assert moved.height is not None
    assert moved.height.value > reading.apex.value + 0.1
    assert moved.height.u > 0.01
    call = by_hand.table.call(reading.family, moved.height.value, moved.height.u)
    assert call is not None
    assert (moved.band, moved.range) == (call.band, call.range)
    both = by_hand.correction(reading, asked(reading, hips=apex_px(reading), line_px=30.0))
    assert both.height.value == pytest.approx(moved.height.value, abs=0.01)  # type: ignore[union-attr]


def test_nothing_set_takes_it_back_and_a_withheld_reading_takes_none(
    by_hand: ByHand, readings: tuple[Reading, ...]
) -> None:
    back = by_hand.correction(readings[0], asked(readings[0]))
    assert back.height is None
    assert back.measured == readings[0].apex
    withheld = msgspec.structs.replace(
        readings[0], state="withheld", apex=None, reason="the camera was moved"
    )
    with pytest.raises(ConfigError, match=r"withheld \(the camera was moved\)"):
        by_hand.correction(withheld, asked(withheld, hips=(5.0, 5.0)))
    with pytest.raises(ConfigError, match="outside the picture"):
        by_hand.correction(readings[0], asked(readings[0], hips=(-3.0, 5.0)))

"""A flight read as of another family: the rail it is measured against, its band and its range follow.

The measured family is a suggestion; the panel's choice stands. What was measured stays what it was: a
height only changes where the family is measured against another rail.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Final

import msgspec
import numpy as np

from bridge.errors import ConfigError
from bridge.messages import Drawing, Measure, Moment, Quantity, Reading
from capture import backswing
from capture.bands import FAMILIES, BandTable, Call
from capture.camera import View
from capture.drawing import line_of, scale_of
from capture.measures import SetUp, height_sentence
from capture.uncertainty import combine

PANEL: Final = "panel"


def rail_of(table: BandTable, view: View, family: str, start_rail: str) -> str:
    """The rail that a flight of ``family`` is measured against."""
    if not view.rails:
        return "line"
    if start_rail == "low" and family == "dismount":
        return "low"
    entry = table.families.get(family)
    return entry.rail if entry is not None else "high"


def with_family(reading: Reading, family: str, table: BandTable, view: View, by: str = PANEL) -> Reading:
    """``reading`` as of another family, which ``by`` chose.

    Args:
        reading: as it was measured.
        family: one of :data:`capture.bands.FAMILIES`.
        table: says the rail, the bands and the ranges of each family.
        view: the one that the reading was made with.
        by: a role, never a name.

    Raises:
        ConfigError: there is no such family.
    """
    if family not in FAMILIES:
        raise ConfigError(f"{family!r} is no family of flights; choose one of {', '.join(FAMILIES)}")
    rail = rail_of(table, view, family, reading.start_rail)
    moved = _against(reading, rail, view) if rail != reading.rail and reading.apex is not None else reading
    call = table.call(family, moved.apex.value, moved.apex.u) if moved.apex is not None else None
    return msgspec.structs.replace(
        moved,
        family=family,
        family_p=next((c.p for c in reading.families if c.family == family), 0.0),
        family_by=by,
        rail=rail,
        band=call.band if call else "",
        band_p=call.p if call else 0.0,
        chances=call.chances if call else (),
        range=call.range if call and reading.state != "provisional" else None,
        measures=banded(moved.measures, family, table),
    )


def banded(measures: Iterable[Measure], family: str, table: BandTable) -> tuple[Measure, ...]:
    """The measures, with the band of those that the table judges in a flight of ``family``.

    After a flight from the low rail up these are the hips when the counter-rotation starts and the
    backswing that follows.
    """

    def call(m: Measure) -> Call | None:
        if family == "low_to_high" and m.name == "counter_rotation_height":
            return table.call(family, m.quantity.value, m.quantity.u)
        if family == "low_to_high" and m.name == backswing.NAME:
            return table.call_angle("backswing", m.quantity.value, m.quantity.u)
        return None

    return tuple(
        Measure(
            name=m.name,
            quantity=m.quantity,
            sentence=m.sentence,
            band=c.band if (c := call(m)) is not None else "",
            range=c.range if c is not None else None,
        )
        for m in measures
    )


def _against(reading: Reading, rail: str, view: View) -> Reading:
    """The reading with every height against another rail."""
    assert reading.apex is not None
    step_m = view.zero_m(reading.rail) - view.zero_m(rail)
    set_up = SetUp(view)
    x_m = next(r.x_m for r in view.rails if r.name == reading.rail)
    if reading.drawing is not None and reading.drawing.apex is not None:
        x_m = float(view.to_plane(np.array(reading.drawing.apex))[0])

    def height(old: Quantity) -> Quantity:
        at = np.array([x_m, old.value + view.zero_m(reading.rail)])
        before, after = set_up.height_u_m(at, reading.rail), set_up.height_u_m(at, rail)
        own = math.sqrt(max(old.u**2 - before**2, 0.0))  # all but the set-up: joints, timing
        return Quantity(old.value + step_m, combine([own, after]), old.unit)

    def moment(old: Moment) -> Moment:
        return msgspec.structs.replace(old, height=height(old.height))

    def measure(old: Measure) -> Measure:
        sentence = height_sentence(old.name, old.quantity.value + step_m, rail)
        return Measure(name=old.name, quantity=height(old.quantity), sentence=sentence) if sentence else old

    drawing = reading.drawing
    if drawing is not None:
        apex_xz = np.array([x_m, reading.apex.value + view.zero_m(reading.rail)])
        drawing = Drawing(
            line=line_of(view, rail),
            hips=drawing.hips,
            apex=drawing.apex,
            scale=scale_of(view, rail, apex_xz),
        )
    return msgspec.structs.replace(
        reading,
        apex=height(reading.apex),
        moments=tuple(moment(m) for m in reading.moments),
        measures=tuple(measure(m) for m in reading.measures),
        drawing=drawing,
    )


class FamilyChoices:
    """What the panel makes of the flights' families, beside what is measured of them. One thread at a time.

    Args:
        readings: all on record, in the order they came.
    """

    def __init__(self, table: BandTable, view: View, readings: Iterable[Reading] = ()) -> None:
        self._table, self._view = table, view
        self._measured: dict[str, Reading] = {}
        self._chosen: dict[str, str] = {}
        for reading in readings:
            if reading.family_by:
                self._chosen[reading.flight] = reading.family
                self._measured[reading.flight] = self._unchosen(reading)
            else:
                self._chosen.pop(reading.flight, None)
                self._measured[reading.flight] = reading

    def take(self, reading: Reading) -> Reading:
        """What is to be told of a flight that has just been measured, or measured better."""
        self._measured[reading.flight] = reading
        family = self._chosen.get(reading.flight)
        return reading if family is None else with_family(reading, family, self._table, self._view)

    def choose(self, flight: str, family: str) -> Reading:
        """The reading of a flight as of the family that the panel chose; "" for the measured one.

        Raises:
            ConfigError: there is no such flight or family.
        """
        measured = self._measured.get(flight)
        if measured is None:
            raise ConfigError(f"{flight}: no such flight in this session")
        if family:
            told = with_family(measured, family, self._table, self._view)
            self._chosen[flight] = family
            return told
        self._chosen.pop(flight, None)
        return measured

    def _unchosen(self, reading: Reading) -> Reading:
        """The reading as it was measured, as far as one that follows a choice tells."""
        if reading.families:
            return with_family(reading, reading.families[0].family, self._table, self._view, by="")
        return msgspec.structs.replace(
            reading, family="", family_p=0.0, family_by="", band="", band_p=0.0, chances=(), range=None
        )

"""The panel changes a flight's family: rail, height, band and range follow, and what was measured stays."""

from __future__ import annotations

import msgspec
import pytest

from bridge.errors import ConfigError
from bridge.messages import Reading
from capture.bands import FAMILIES, BandTable, common_practice, parse_bands
from capture.camera import PlaneView
from capture.family import FamilyChoices, with_family
from capture.flights import measure_track
from capture.rig import ReferenceSection
from tests.simulated import camera_at, dismount, observe

TRUE, VIEW = camera_at()
TABLE = common_practice()
# One family is measured against the low rail, which is 0.80 m lower.
LOW = parse_bands(
    'format = 1\nunit = "m"\nname = "Hall"\nyear = 2031\n'
    '[families.dismount]\nbands = [{ name = "a", to_m = 0.0, range = [0.1, 0.2] }, '
    '{ name = "b", from_m = 0.0, range = [0.0, 0.0] }]\n'
    '[families.high_to_low_salto]\nrail = "low"\nbands = [{ name = "c", to_m = 0.9, range = [0.3, 0.4] }, '
    '{ name = "d", from_m = 0.9, range = [0.0, 0.1] }]\n'
)


def measured(table: BandTable = TABLE) -> Reading:
    t, joints, _ = dismount(turns=1.7)
    (reading,) = measure_track(observe(TRUE, t, joints, seed=3), VIEW, table)
    return reading


@pytest.fixture(scope="module")
def reading() -> Reading:
    return measured()


def test_a_measured_reading_tells_the_chances_of_each_family(reading: Reading) -> None:
    assert reading.family_by == ""
    assert [c.family for c in reading.families] == ["dismount"]
    assert sum(c.p for c in reading.families) == pytest.approx(1)
    assert (reading.start_rail, reading.end_rail) == ("high", "")


@pytest.mark.parametrize("family", FAMILIES)
def test_band_and_range_follow_the_family(reading: Reading, family: str) -> None:
    changed = with_family(reading, family, TABLE, VIEW)
    call = TABLE.call(family, reading.apex.value, reading.apex.u)
    assert (changed.family, changed.family_by) == (family, "panel")
    assert changed.family_p == (1.0 if family == "dismount" else 0.0)
    assert (changed.band, changed.band_p) == ((call.band, call.p) if call else ("", 0.0))
    assert changed.range == (call.range if call else None)
    assert changed.chances == (call.chances if call else ())
    same = ("flight", "apex", "rail", "moments", "measures", "drawing", "gravity", "families", "release_ns")
    assert all(getattr(changed, name) == getattr(reading, name) for name in same)


def test_another_rail_moves_every_height_and_the_drawn_line(reading: Reading) -> None:
    changed = with_family(reading, "high_to_low_salto", LOW, VIEW)
    assert changed.rail == "low"
    assert changed.apex.value == pytest.approx(reading.apex.value + 0.80)
    for before, after in zip(reading.moments, changed.moments, strict=True):
        assert after.height.value == pytest.approx(before.height.value + 0.80)
        assert after.rise == before.rise
    named = {m.name: m for m in reading.measures}
    for after in changed.measures:
        before = named[after.name]
        if after.name.endswith("_height"):
            assert after.quantity.value == pytest.approx(before.quantity.value + 0.80)
            assert "low bar" in after.sentence
        else:
            assert after == before
    assert any(m.name == "second_salto_height" for m in changed.measures)
    assert changed.drawing.line.rail == "low"
    zero = next(tick for tick in changed.drawing.scale if tick.cm == 0)
    assert VIEW.to_plane([zero.x, zero.y])[1] == pytest.approx(1.70)
    assert VIEW.to_plane(changed.drawing.apex)[1] - 1.70 == pytest.approx(changed.apex.value)
    assert (changed.band, changed.range) == ("d", (0.0, 0.1))
    # The low rail is nearer to the hips' survey, or farther: the uncertainty is what measuring gives.
    back = with_family(changed, "dismount", LOW, VIEW)
    assert back.apex.value == pytest.approx(reading.apex.value)
    assert back.apex.u == pytest.approx(reading.apex.u)


def test_height_against_the_other_rail_is_as_if_measured_so() -> None:
    both = parse_bands(
        'format = 1\nunit = "m"\nname = "Hall"\nyear = 2031\n[families.dismount]\nrail = "low"\n'
        'bands = [{ name = "a", to_m = 0.0, range = [0.1, 0.2] }, '
        '{ name = "b", from_m = 0.0, range = [0.0, 0.0] }]\n'
    )
    direct, changed = measured(both), with_family(measured(), "dismount", both, VIEW)
    assert changed.apex.value == pytest.approx(direct.apex.value)
    assert changed.apex.u == pytest.approx(direct.apex.u, rel=1e-6)
    assert (changed.drawing.line, changed.drawing.hips) == (direct.drawing.line, direct.drawing.hips)
    for one, other in zip(changed.drawing.scale, direct.drawing.scale, strict=True):
        assert (one.cm, one.x, one.y) == (other.cm, pytest.approx(other.x), pytest.approx(other.y))
    assert [m.sentence for m in changed.measures] == [m.sentence for m in direct.measures]


def test_a_family_that_is_none_is_refused(reading: Reading) -> None:
    with pytest.raises(ConfigError, match="'giant' is no family of flights; choose one of counter_regrasp"):
        with_family(reading, "giant", TABLE, VIEW)


def test_a_withheld_reading_keeps_no_height(reading: Reading) -> None:
    withheld = msgspec.structs.replace(
        reading, state="withheld", apex=None, band="", band_p=0.0, chances=(), range=None, drawing=None
    )
    changed = with_family(withheld, "counter_regrasp", TABLE, VIEW)
    assert (changed.family, changed.apex, changed.band, changed.range) == ("counter_regrasp", None, "", None)


def test_away_from_the_bars_the_line_stays_the_reference(reading: Reading) -> None:
    view = PlaneView(ReferenceSection(picture=(1768, 994), px_per_m=252.0, line_px=((0, 420), (1767, 420))))
    alone = msgspec.structs.replace(reading, rail="line", family="", families=())
    changed = with_family(alone, "dismount", TABLE, view)
    assert changed.rail == "line"
    assert changed.apex == reading.apex
    assert changed.band == reading.band


def test_a_choice_outlives_settling_and_can_be_taken_back(reading: Reading) -> None:
    choices = FamilyChoices(TABLE, VIEW)
    provisional = msgspec.structs.replace(reading, state="provisional", family="", families=(), range=None)
    assert choices.take(provisional) == provisional
    chosen = choices.choose(reading.flight, "low_to_high")
    assert (chosen.family, chosen.family_by, chosen.range) == ("low_to_high", "panel", None)
    settled = choices.take(reading)
    assert settled == with_family(reading, "low_to_high", TABLE, VIEW)
    assert choices.choose(reading.flight, "") == reading
    assert choices.take(reading) == reading
    with pytest.raises(ConfigError, match="no such flight"):
        choices.choose("r9-f9", "dismount")


def test_a_choice_outlives_a_restart(reading: Reading) -> None:
    told = with_family(reading, "low_to_high", TABLE, VIEW)
    again = FamilyChoices(TABLE, VIEW, [reading, told])
    assert again.take(reading) == told
    assert again.choose(reading.flight, "") == reading
    # Of a flight that was only settled after the choice no other row is on record.
    assert FamilyChoices(TABLE, VIEW, [told]).choose(reading.flight, "") == reading
    taken_back = FamilyChoices(TABLE, VIEW, [reading, told, reading])
    assert taken_back.take(reading) == reading

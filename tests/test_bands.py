import math
import re
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from bridge.errors import ConfigError
from capture import table_commands
from capture.bands import (
    ANGLES,
    FAMILIES,
    SHIPPED,
    TOO_CLOSE,
    common_practice,
    load_bands,
    parse_bands,
    shipped_table,
    shipped_text,
)
from capture.uncertainty import conformance

HEAD = 'format = 1\nunit = "m"\nname = "Hall"\nyear = 2031\nlevel_half_width_m = 0.05\n'
BANDS = """[families.dismount]
bands = [
  { name = "above", from_level = 1.0, range = [0.0, 0.0] },
  { name = "level", from_level = -1.0, to_level = 1.0, range = [0.05, 0.10] },
  { name = "below", to_level = -1.0, range = [0.20, 0.30] },
]
"""


ANGLE = """[angles.handstand]
bands = [
  { name = "in", to_deg = 10, range = [0.0, 0.0] },
  { name = "off", from_deg = 10, range = [0.1, 0.3] },
]
"""


@pytest.mark.parametrize(
    ("y", "u", "lower", "upper", "p"),
    [
        (-5.47, 0.05, -math.inf, -5.40, 0.9192),  # JCGM 106:2012, Zener diode, upper limit: 0.92
        (13.6, 1.8, 12.5, 16.3, 0.6626),  # JCGM 106:2012, motor-oil viscosity, two-sided: 0.66
        (0.0, 1.0, -math.inf, 1.6449, 0.95),  # JCGM 106:2012, Table 1
        (0.0, 1.0, -math.inf, 2.3263, 0.99),
        (0.0, 1.0, -math.inf, 2.0, 0.97725),  # guard band of 2 u
        (0.20, 0.02, 0.15, 0.25, 0.98758),
        (0.17, 0.02, 0.10, 0.15, 0.15842),
        (0.17, 0.02, 0.15, 0.25, 0.84131),
    ],
)
def test_conformance_probability(y: float, u: float, lower: float, upper: float, p: float) -> None:
    assert conformance(y, u, lower, upper) == pytest.approx(p, abs=5e-5)


def test_shipped_table_says_what_trade_says() -> None:
    table = common_practice()
    assert set(table.families) == set(FAMILIES) - {"hop_regrasp"}
    assert table.level_half_width_m == 0.10
    assert "no published source" in table.source
    for family in table.families.values():
        assert "no published source" in family.source
    assert table.call("counter_regrasp", 0.3, 0.02).range == (0.0, 0.0)
    assert table.call("counter_regrasp", 0.0, 0.02).range == (0.05, 0.05)
    assert table.call("salto_regrasp", -0.3, 0.02).range == (0.10, 0.20)
    assert table.call("dismount", -0.3, 0.02).range == (0.20, 0.30)
    # Hips at the rail already counts as above.
    assert table.call("low_to_high", 0.0, 0.02).band == "above"
    assert table.call("high_to_low_salto", 0.0, 0.02).band == "above"
    assert table.call("hop_regrasp", 0.0, 0.02) is None


def test_whole_tenths_are_whole_tenths_and_say_what_is_from_memory() -> None:
    """After the international code's general table, 0.10 / 0.30: from memory, no page was open."""
    table = shipped_table("whole_tenths")
    assert set(table.families) == set(FAMILIES) - {"hop_regrasp"}
    assert "from memory" in table.source
    for family in table.families.values():
        assert "from memory" in family.source
        assert "limits: common practice, no source" in family.source
        assert all(d == pytest.approx(round(10 * d) / 10) for b in family.bands for d in b.range)
    for angle in table.angles.values():
        assert "from memory" in angle.source
        assert all(d == pytest.approx(round(10 * d) / 10) for b in angle.bands for d in b.range)
    assert table.call("dismount", 0.0, 0.02).range == (0.10, 0.10)
    assert table.call("dismount", -0.3, 0.02).range == (0.30, 0.30)
    assert table.call("low_to_high", 0.0, 0.02).band == "above"


def test_tables_place_angles_too() -> None:
    for name in SHIPPED:
        table = shipped_table(name)
        assert set(table.angles) == set(ANGLES)
        # Handstands: 0 within 10 degrees of the vertical; a swing at horizontal costs nothing.
        assert table.call_angle("handstand", math.radians(7), math.radians(1)).range == (0.0, 0.0)
        assert table.call_angle("backswing", math.radians(3), math.radians(1)).range == (0.0, 0.0)
        assert table.call_angle("backswing", math.radians(-8), math.radians(1)).range[1] == 0.10
        close = table.call_angle("handstand", math.radians(10), math.radians(1))
        assert (close.band, close.p) == (TOO_CLOSE, pytest.approx(0.5))
        assert close.range == (0.0, table.angles["handstand"].bands[1].range[1])
    # International code, technique, from memory: 0.10 to 30 degrees, 0.30 to 45, 0.50 beyond.
    tenths = [(20, 0.10), (40, 0.30), (60, 0.50)]
    assert [
        shipped_table("whole_tenths").call_angle("handstand", math.radians(d), 0.01).range[1]
        for d, _ in tenths
    ] == [amount for _, amount in tenths]
    # US level 10 study cards for casts, a secondary source: brainscape.com, level-10-bars.
    cards = [(15, (0.05, 0.05)), (25, (0.10, 0.10)), (40, (0.15, 0.20)), (60, (0.25, 0.30))]
    assert [common_practice().call_angle("handstand", math.radians(d), 0.01).range for d, _ in cards] == [
        amount for _, amount in cards
    ]
    assert parse_bands(HEAD + BANDS).call_angle("handstand", 0.1, 0.01) is None


def test_a_shipped_table_is_found_by_its_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert load_bands(Path("whole_tenths")) == shipped_table("whole_tenths")
    monkeypatch.chdir(tmp_path)
    Path("whole_tenths").write_text(HEAD + BANDS)  # a file of that name goes before
    assert load_bands(Path("whole_tenths")).title == "Hall 2031"


def test_the_command_shows_checks_and_copies(tmp_path: Path) -> None:
    app = typer.Typer()
    table_commands.register(app)
    run = CliRunner().invoke

    assert "whole_tenths: Whole tenths 2024" in run(app, []).output
    shown = run(app, ["common_practice"]).output
    assert re.search(r"level +-10 to \+10 cm +0\.05\n", shown)
    assert re.search(r"10 to 20 degrees +\+10 to \+20 degrees +0\.05\n", shown)
    own = tmp_path / "own.toml"
    assert run(app, ["whole_tenths", "--copy-to", str(own)]).exit_code == 0
    assert own.read_text(encoding="utf-8") == shipped_text("whole_tenths")
    again = run(app, ["whole_tenths", "--copy-to", str(own)])
    assert isinstance(again.exception, ConfigError)  # nobody's own table is written over
    own.write_text(HEAD + BANDS.replace("dismount", "giant"))
    assert isinstance(run(app, [str(own)]).exception, ConfigError)
    assert isinstance(run(app, ["--copy-to", str(own)]).exception, ConfigError)


@pytest.mark.parametrize("height", [-0.4, -0.1, -0.02, 0.0, 0.09, 0.1, 0.13, 2.0])
@pytest.mark.parametrize("u", [0.0, 0.005, 0.02, 0.2])
def test_chances_sum_to_one(height: float, u: float) -> None:
    call = common_practice().call("dismount", height, u)
    assert sum(c.p for c in call.chances) == pytest.approx(1.0)
    assert call.p == pytest.approx(max(c.p for c in call.chances))


def test_too_close_shows_both_ranges() -> None:
    call = common_practice().call("dismount", 0.10, 0.02)
    assert call.band == TOO_CLOSE
    assert call.p == pytest.approx(0.5)
    assert call.range == (0.0, 0.10)
    sure = common_practice().call("dismount", 0.10 + 1.65 * 0.02, 0.02)
    assert sure.band == "above"


def test_half_width_is_a_setting() -> None:
    table = parse_bands(HEAD + BANDS)
    assert table.call("dismount", 0.08, 0.005).band == "above"
    assert table.title == "Hall 2031"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (
            HEAD + BANDS.replace("to_level = 1.0", "to_level = 0.5"),
            "line 8: family 'dismount', band 'above' leaves a gap",
        ),
        (
            HEAD + BANDS.replace("to_level = 1.0", "to_level = 1.5"),
            "line 8: family 'dismount', band 'above' and",
        ),
        (HEAD + BANDS.replace("dismount", "giant"), "line 6: family 'giant' is unknown"),
        (HEAD.replace('"m"', '"cm"') + BANDS, "unit = 'cm'"),
        (HEAD + BANDS.replace("from_level = 1.0", "from_m = 10.0"), "metres, not centimetres"),
        (HEAD + BANDS.replace("from_level = 1.0", "from_cm = 10.0"), "from_cm"),
        (
            HEAD + BANDS.replace("to_level = -1.0, range", "from_level = -3.0, to_level = -1.0, range"),
            "below -0.15 m",
        ),
        (
            HEAD + BANDS.replace("from_level = 1.0, range", "from_level = 1.0, to_m = 1, range"),
            "above +1.00 m",
        ),
        (HEAD + BANDS.replace("[0.20, 0.30]", "[0.30, 0.20]"), "range = [0.3, 0.2]"),
        (
            HEAD + BANDS.replace("from_level = -1.0, to_level = 1.0", "from_level = 1.0, to_level = -1.0"),
            "not below",
        ),
        (HEAD + BANDS.replace('"above"', '"level"'), "different names"),
        (HEAD.replace("0.05", "5") + BANDS, "level_half_width_m = 5"),
        (HEAD + "[families]\n", "no [families.*]"),
        (HEAD.replace('"m"', '"cm"') + BANDS, "line 2: unit"),
        (
            HEAD + BANDS.replace("from_level = 1.0", "from_cm = 10.0"),
            "line 8: family 'dismount', band 'above'",
        ),
        (HEAD + BANDS.replace("[0.20, 0.30]", "[0.30, 0.20]"), "line 10: family 'dismount', band 'below'"),
        (HEAD + BANDS.replace("[0.20, 0.30]", "0.3"), "line 10: family 'dismount', band 'below': Expected"),
        (HEAD + BANDS.replace('name = "level", ', ""), "line 6: family 'dismount', band 2: Object missing"),
        (
            HEAD + BANDS.replace("bands = [", "colour = 1\nbands = ["),
            "line 6: family 'dismount': Object",
        ),
        (HEAD + "wide = 2\n" + BANDS, "line 6: Object contains unknown field `wide`"),
        (HEAD.replace("2031", '"soon"') + BANDS, "line 4: Expected `int`"),
        (HEAD + BANDS.replace("range", "range range"), "line 8"),
        (HEAD + BANDS + ANGLE.replace("handstand", "giant"), "line 12: angle 'giant' is unknown; use one of"),
        (
            HEAD + BANDS + ANGLE.replace("to_deg = 10", "to_deg = 5"),
            "gap above 'in' (5 to 10 degrees)",
        ),
        (
            HEAD + BANDS + ANGLE.replace("to_deg = 10", "to_deg = 15"),
            "line 15: angle 'handstand', band",
        ),
        (HEAD + BANDS + ANGLE.replace("to_deg = 10", "to_deg = 400"), "-180 to 180 degrees"),
        (HEAD + BANDS + ANGLE.replace("to_deg", "to_m"), "line 14: angle 'handstand', band 'in'"),
        (HEAD.replace("format = 1", "format = 9") + BANDS, "format = 9"),
    ],
)
def test_faulty_table_is_refused_in_one_line(text: str, words: str) -> None:
    with pytest.raises(ConfigError) as caught:
        parse_bands(text, "hall.toml")
    assert str(caught.value).startswith("hall.toml")
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_missing_table_is_named(tmp_path) -> None:
    with pytest.raises(ConfigError, match=r"gone\.toml"):
        load_bands(tmp_path / "gone.toml")

import math

import pytest

from bridge.errors import ConfigError
from capture.bands import FAMILIES, TOO_CLOSE, common_practice, load_bands, parse_bands
from capture.uncertainty import conformance

HEAD = 'format = 1\nunit = "m"\nname = "Hall"\nyear = 2031\nlevel_half_width_m = 0.05\n'
BANDS = """[families.dismount]
bands = [
  { name = "above", from_level = 1.0, range = [0.0, 0.0] },
  { name = "level", from_level = -1.0, to_level = 1.0, range = [0.05, 0.10] },
  { name = "below", to_level = -1.0, range = [0.20, 0.30] },
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
        (HEAD + BANDS.replace("to_level = 1.0", "to_level = 0.5"), "gap between 'level' and 'above'"),
        (HEAD + BANDS.replace("to_level = 1.0", "to_level = 1.5"), "'level' and 'above' overlap"),
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

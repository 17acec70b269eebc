"""Agreement of a room and of one marker, on marks small enough to count by hand."""

from __future__ import annotations

import csv
import io
import textwrap
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.errors import ConfigError
from overlay.clinic.agreement import Item, Mark, marks_csv, own_agreement, room_agreement
from overlay.clinic.steps import Steps, hundredths, points, read_steps

FIVE = Steps((0, 5, 10, 15, 20))
ITEMS = [
    Item(1, "a", False, FIVE, reference=0, measured=(0, 0)),
    Item(2, "b", False, FIVE, reference=10, measured=(10, 20)),
    Item(3, "c", False, FIVE, reference=20, measured=None),
    Item(4, "d", False, FIVE, reference=5, measured=(5, 5)),
    Item(5, "b", True, FIVE, reference=10, measured=(10, 20)),
]


def marks(who: str, *values: int | None) -> list[Mark]:
    return [Mark(who, n, v) for n, v in enumerate(values, 1) if v is not None]


ROOM = marks("m1", 0, 10, 20, 5, 10) + marks("m2", 5, 15, 20, 10, 10) + marks("m3", 0, 0, 20, 5, 15)


def test_one_marker_by_hand() -> None:
    strict = own_agreement(ITEMS, ROOM, "m2")
    assert (strict.reference.n, strict.reference.exact, strict.reference.within_one) == (4, 1, 4)
    assert strict.from_reference is not None
    assert strict.from_reference.signed == pytest.approx(0.0375)
    assert strict.from_reference.absolute == pytest.approx(0.0375)
    # b was measured as 0.10 to 0.20, so 0.15 is no difference; c was not measured.
    assert strict.from_measurement is not None
    assert strict.from_measurement.n == 3
    assert strict.from_measurement.signed == pytest.approx((0.05 + 0 + 0.05) / 3)
    assert (strict.repeats.n, strict.repeats.exact, strict.repeats.within_one) == (1, 0, 1)
    assert strict.rank == pytest.approx(1)  # strict, but in the right order
    at_the_end = own_agreement(ITEMS, marks("m4", None, 20), "m4")
    assert at_the_end.from_measurement is not None
    assert (at_the_end.from_measurement.n, at_the_end.from_measurement.absolute) == (1, 0)
    assert strict.limits is not None
    assert strict.limits.mean == pytest.approx(0.0375)
    same = own_agreement(ITEMS, ROOM, "m1")
    assert same.kappa is not None
    assert same.kappa.value == pytest.approx(1)
    assert same.reference.exact == 4


def test_a_room_by_hand() -> None:
    room = room_agreement(ITEMS, ROOM)
    # a: 0 5 0, b: 10 15 0, c: all 20, d: 5 10 5; pairs apart in steps: 1 0 1, 1 2 3, 0 0 0, 1 0 1
    assert (room.pairs.n, room.pairs.exact, room.pairs.within_one) == (12, 5, 10)
    assert [d.clip for d in room.disputed] == ["b", "a", "d", "c"]
    assert room.disputed[0].apart == pytest.approx(2)
    assert room.disputed[0].spread == ((0, 1), (5, 0), (10, 1), (15, 1), (20, 0))
    assert (room.repeats.n, room.repeats.exact, room.repeats.within_one) == (3, 1, 2)
    assert room.later_minus_first is not None
    assert room.later_minus_first.signed == pytest.approx((0 - 0.05 + 0.15) / 3)
    assert room.panel is not None
    assert (room.panel.clips, room.panel.markers) == (4, 3)
    assert any("Only 4 clips" in text for text in room.cautions)
    assert any("wide" in text for text in room.cautions)


def test_the_room_sees_no_marker() -> None:
    assert "m1" not in repr(room_agreement(ITEMS, ROOM))


def test_missing_marks_are_missing_not_zero() -> None:
    few = marks("m1", 0, 10, 20, 5) + marks("m2", 5, None, 20, 10) + marks("m3", None, None, None, 5)
    room = room_agreement(ITEMS, few)
    assert room.pairs.n == 1 + 0 + 1 + 3
    assert room.panel is not None
    assert (room.panel.clips, room.panel.markers) == (3, 2)  # m3 marked too few, b was not marked by m2
    assert own_agreement(ITEMS, few, "m3").marked == 1


def test_nothing_marked_yet() -> None:
    room = room_agreement(ITEMS, [])
    assert (room.clips, room.markers, room.pairs.n) == (0, 0, 0)
    assert (room.alpha, room.panel, room.order, room.from_reference) == (None, None, None, None)
    nobody = own_agreement(ITEMS, [], "m1")
    assert (nobody.marked, nobody.kappa, nobody.rank) == (0, None, None)


def test_drift_shows_as_an_order_effect() -> None:
    items = [Item(n, f"c{n}", False, FIVE, reference=0) for n in range(1, 6)]
    room = room_agreement(items, marks("m1", 0, 5, 10, 15, 20))
    assert room.order is not None
    assert room.order.value == pytest.approx(0.5)  # 0.05 points a showing


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ([Mark("m1", 9, 0)], "unknown"),
        ([Mark("m1", 1, 7)], "no step"),
        ([Mark("m1", 1, 0), Mark("m1", 1, 5)], "twice"),
    ],
)
def test_wrong_marks_are_refused(wrong: list[Mark], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        room_agreement(ITEMS, wrong)


one_mark = st.one_of(st.none(), st.sampled_from(FIVE.hundredths))
rooms = st.lists(st.lists(one_mark, min_size=5, max_size=5), min_size=1, max_size=6)


@settings(max_examples=30, deadline=None)  # an interval of alpha is drawn in each
@given(rooms, st.randoms(use_true_random=False))
def test_neither_names_nor_order_of_marks_matter(room: list[list[int | None]], random: object) -> None:
    given_marks = [m for i, row in enumerate(room) for m in marks(f"m{i}", *row)]
    names = [f"m{i}" for i in range(len(room))]
    random.shuffle(names)  # type: ignore[attr-defined]
    renamed = [Mark(names[int(m.marker[1:])], m.number, m.mark) for m in given_marks]
    random.shuffle(renamed)  # type: ignore[attr-defined]
    one, other = room_agreement(ITEMS, given_marks), room_agreement(ITEMS, renamed)
    assert (one.pairs, one.reference, one.repeats) == (other.pairs, other.reference, other.repeats)
    assert one.disputed == other.disputed
    assert (one.alpha is None) == (other.alpha is None)
    if one.alpha and other.alpha:
        assert one.alpha.value == pytest.approx(other.alpha.value)
    assert one.kappa == pytest.approx(other.kappa)


@settings(max_examples=30, deadline=None)
@given(rooms)
def test_counts_are_counts(room: list[list[int | None]]) -> None:
    found = room_agreement(ITEMS, [m for i, row in enumerate(room) for m in marks(f"m{i}", *row)])
    for counts in (found.pairs, found.reference, found.repeats):
        assert 0 <= counts.exact <= counts.within_one <= counts.n
    apart = [d.apart for d in found.disputed]
    assert apart == sorted(apart, reverse=True)


@given(rooms)
def test_one_marker_report_holds_nothing_of_another(room: list[list[int | None]]) -> None:
    everyone = [m for i, row in enumerate(room) for m in marks(f"m{i}", *row)]
    alone = [m for m in everyone if m.marker == "m0"]
    assert repr(own_agreement(ITEMS, everyone, "m0")) == repr(own_agreement(ITEMS, alone, "m0"))


def test_raw_marks_as_csv() -> None:
    rows = list(csv.DictReader(io.StringIO(marks_csv(ITEMS, ROOM))))
    assert len(rows) == len(ROOM)
    assert rows[1] == {
        "showing": "1",
        "clip": "a",
        "repeat": "0",
        "marker": "m2",
        "mark": "0.05",
        "paper": "0",
        "reference": "0.00",
        "measured_from": "0.00",
        "measured_to": "0.00",
    }
    assert rows[-1]["repeat"] == "1"


def test_steps_come_from_the_shipped_table() -> None:
    root = Path(__file__).parent.parent
    table = read_steps(root / "capture" / "tables" / "bands_common_practice.toml")
    assert table.of("counter_regrasp").hundredths == (0, 5, 10, 15, 20)
    assert table.of("dismount").hundredths == (0, 5, 10, 20, 25, 30)  # 0.15 lies in none of its ranges
    with pytest.raises(ConfigError, match="hop_regrasp"):
        table.of("hop_regrasp")


def test_coarse_steps_stay_coarse(tmp_path: Path) -> None:
    path = tmp_path / "table.toml"
    path.write_text(
        textwrap.dedent("""
            name = "Invented"
            year = 2030
            [families.dismount]
            bands = [{ range = [0.0, 0.0] }, { range = [0.1, 0.1] }, { range = [0.3, 0.3] }]
        """)
    )
    table = read_steps(path)
    assert table.title == "Invented 2030"
    assert table.of("dismount").hundredths == (0, 10, 30)
    assert table.of("dismount").apart(0, 30) == 2


@pytest.mark.parametrize("text", ["", "name = ", "name = 'x'\nyear = 1\nfamilies = 3"])
def test_what_is_no_table_is_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "table.toml"
    path.write_text(text)
    with pytest.raises(ConfigError, match=r"table\.toml"):
        read_steps(path)
    with pytest.raises(ConfigError, match="absent"):
        read_steps(tmp_path / "absent.toml")


def test_marks_are_whole_hundredths() -> None:
    assert points(hundredths(0.15)) == "0.15"
    with pytest.raises(ConfigError, match="hundredths"):
        hundredths(0.123)
    with pytest.raises(ConfigError, match="rising"):
        Steps((0, 10, 10))

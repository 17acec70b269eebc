"""Collecting examples: what is kept, found, balanced, changed, and what goes when consent ends."""

from __future__ import annotations

import itertools
import json
from datetime import date, timedelta
from pathlib import Path

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import ConfigError, RecordingError
from bridge.messages import Quantity, Reading
from overlay.clinic.examples import (
    GRADES,
    SIDES,
    Collection,
    Example,
    Grade,
    Reference,
    Side,
    balance,
    balanced,
    example_of,
)

TODAY = date(2031, 5, 4)
READING = Reading(
    flight="r1-f2",
    routine=1,
    number=2,
    state="settled",
    family="dismount",
    apex=Quantity(0.21, 0.02, "m"),
    band="above",
    range=(0.0, 0.05),
)


def example(flight: str = "r1-f2", **changed: object) -> Example:
    made = example_of(
        msgspec.structs.replace(READING, flight=flight),
        session="spring",
        gymnast="12",
        grade="good",
        reason="hips still rise into the second salto",
        side="right",
        rule_book="Invented code",
        rule_year=2031,
        consent="teaching",
        expires=TODAY + timedelta(days=30),
        camera_place="8 m away, at bar height",
        level="national",
        shape="tucked",
    )
    return msgspec.structs.replace(made, **changed)


def collection(tmp_path: Path, today: date = TODAY) -> Collection:
    return Collection(tmp_path / "set" / "examples.json", lambda: today)


REFERENCE = Reference(mark=5, reason="clear of the bar, no rise after", by="panel of three", on=TODAY)


def test_what_is_collected_is_there_next_time(tmp_path: Path) -> None:
    kept = collection(tmp_path)
    kept.add(example())
    kept.refer("spring/r1-f2", REFERENCE)
    again = collection(tmp_path).get("spring/r1-f2")
    assert again.apex == Quantity(0.21, 0.02, "m")
    assert again.range == (0, 5)
    assert again.reference == REFERENCE
    assert again.cleared(TODAY)
    assert not again.cleared(TODAY + timedelta(days=31))


def test_a_withheld_reading_gives_no_height() -> None:
    made = example_of(
        msgspec.structs.replace(READING, state="withheld", reason="camera moved"),
        session="s",
        gymnast="1",
        grade="poor",
        reason="r",
        side="left",
        rule_book="b",
        rule_year=2031,
        consent="teaching",
        expires=TODAY,
    )
    assert (made.apex, made.band, made.range) == (None, "", None)


@pytest.mark.parametrize("consent", ["do not film", "this session only"])
def test_without_consent_nothing_is_kept(tmp_path: Path, consent: str) -> None:
    kept = collection(tmp_path)
    with pytest.raises(ConfigError, match=consent):
        kept.add(example(consent=consent))
    assert kept.find() == []


@pytest.mark.parametrize(
    "changed", [{"expires": TODAY - timedelta(days=1)}, {"reason": ""}, {"grade": "fine"}, {"side": "front"}]
)
def test_what_is_not_whole_is_not_kept(tmp_path: Path, changed: dict[str, object]) -> None:
    kept = collection(tmp_path)
    with pytest.raises(ConfigError, match="spring/r1-f2"):
        kept.add(example(**changed))


def test_a_changed_reference_says_why_and_leaves_the_old_one(tmp_path: Path) -> None:
    kept = collection(tmp_path)
    kept.add(example())
    kept.refer("spring/r1-f2", REFERENCE)
    with pytest.raises(ConfigError, match="say why"):
        kept.refer("spring/r1-f2", msgspec.structs.replace(REFERENCE, mark=10))
    other = msgspec.structs.replace(REFERENCE, mark=10, why_changed="challenged: the knees open early")
    kept.refer("spring/r1-f2", other)
    assert [r.mark for r in kept.get("spring/r1-f2").references] == [5, 10]
    kept.add(example(grade="middling"))  # collected once more: the references stay
    assert [r.mark for r in kept.get("spring/r1-f2").references] == [5, 10]


def test_finding(tmp_path: Path) -> None:
    kept = collection(tmp_path)
    kept.add(example("a"))
    kept.add(
        example("b", family="counter_regrasp", grade="poor", apex=Quantity(-0.1, 0.02, "m"), side="left")
    )
    kept.add(example("c", consent="coaching", shape="stretched", apex=None))

    def names(**asked: object) -> list[str]:
        return [e.flight for e in kept.find(**asked)]  # type: ignore[arg-type]

    assert names() == ["a", "b", "c"]
    assert names(family="dismount") == ["a", "c"]
    assert names(grade="poor", side="left") == ["b"]
    assert names(apex_m=(-0.2, 0.0)) == ["b"]
    assert names(shape="STRETCH") == ["c"]
    assert names(camera="bar height", level="national") == ["a", "b", "c"]
    assert names(consent="coaching") == ["c"]
    assert names(cleared=True) == ["a", "b"]
    assert names(disputed=["spring/b", "spring/gone", "spring/a"]) == ["b", "a"]
    assert names(band="level") == []


def test_examples_go_when_consent_ends_and_the_note_names_nobody(tmp_path: Path) -> None:
    kept = collection(tmp_path)
    kept.add(example("a", gymnast="Zz77"))
    kept.add(example("b", gymnast="Yy88"))
    kept.add(example("c", gymnast="Zz77", session="autumn", id="autumn/c"))
    assert kept.set_consent("spring", "Yy88", "coaching") == []
    assert not kept.get("spring/b").cleared(TODAY)
    assert kept.set_consent("spring", "Zz77", "this session only") == ["spring/a"]
    assert kept.forget("autumn", "Zz77") == ["autumn/c"]
    assert kept.forget("autumn", "Zz77") == []
    text = (tmp_path / "set" / "examples.json").read_text()
    assert "Zz77" not in text
    assert [n["on"] for n in json.loads(text)["notes"]] == ["2031-05-04", "2031-05-04"]


def test_what_is_past_its_date_goes(tmp_path: Path) -> None:
    kept = collection(tmp_path)
    kept.add(example("a", expires=TODAY))
    kept.add(example("b"))
    later = collection(tmp_path, TODAY + timedelta(days=1))
    assert later.find(cleared=True) == [later.get("spring/b")]
    assert later.drop_expired() == ["spring/a"]
    assert [e.flight for e in collection(tmp_path).find()] == ["b"]


def test_files_that_cannot_be_used_say_so(tmp_path: Path) -> None:
    path = tmp_path / "examples.json"
    path.write_text("{")
    with pytest.raises(ConfigError, match="no example collection"):
        Collection(path)
    path.write_text('{"format": 99}')
    with pytest.raises(ConfigError, match="newer"):
        Collection(path)
    (tmp_path / "file").write_text("")
    kept = Collection(tmp_path / "file2.json", lambda: TODAY)
    kept._path = tmp_path / "file" / "examples.json"
    with pytest.raises(RecordingError, match="cannot be written"):
        kept.add(example())
    assert kept.find() == []  # what is not on the disk is not said to be kept


FAMILIES = ("dismount", "counter_regrasp")


def test_balance_shows_what_is_missing() -> None:
    found = balance([example("a"), example("b"), example("c", side="left")], FAMILIES)
    assert len(found) == 2 * 3 * 2
    assert found["dismount", "good", "right"] == 2
    assert found["counter_regrasp", "poor", "left"] == 0


cells = st.tuples(st.sampled_from(FAMILIES), st.sampled_from(GRADES), st.sampled_from(SIDES))


@given(st.lists(cells, max_size=30), st.integers(0, 30))
def test_a_balanced_set_is_as_even_as_the_supply_allows(
    supply: list[tuple[str, Grade, Side]], size: int
) -> None:
    stock = [
        example(f"f{n:02}", id=f"s/f{n:02}", family=f, grade=g, side=s) for n, (f, g, s) in enumerate(supply)
    ]
    chosen = balanced(stock, FAMILIES, size)
    assert len(chosen) == min(size, len(stock))
    assert len({e.id for e in chosen}) == len(chosen)
    assert chosen == balanced(reversed(stock), FAMILIES, size)
    have, took = balance(stock, FAMILIES), balance(chosen, FAMILIES)
    for a, b in itertools.permutations(have, 2):
        # a cell lies behind another by two only when it has no more to give
        assert took[a] >= took[b] - 1 or took[a] == have[a]


def test_a_balanced_set_spreads_over_gymnasts() -> None:
    stock = [example("a", gymnast="1"), example("b", gymnast="1"), example("c", gymnast="2")]
    assert [e.flight for e in balanced(stock, FAMILIES, 2)] == ["a", "c"]

"""Start lists as organisers have them, and errors that say where and what to do."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.errors import ConfigError, ExitCode
from bridge.messages import Entry, Routine
from bridge.start_list import next_up, parse_start_list, read_start_list

PLAIN = "order,number,rotation,group,consent\n1,12,1,A,coaching\n2,7,1,A,do not film\n3,31,2,B,\n"
EXPECTED = (
    Entry(number="12", order=1, rotation="1", group="A", consent="coaching"),
    Entry(number="7", order=2, rotation="1", group="A", consent="do not film"),
    Entry(number="31", order=3, rotation="2", group="B"),
)


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_any_delimiter_encoding_and_line_end_is_read(
    tmp_path: Path, delimiter: str, encoding: str, newline: str
) -> None:
    path = tmp_path / "list.csv"
    path.write_bytes(PLAIN.replace(",", delimiter).replace("\n", newline).encode(encoding))
    assert read_start_list(path).entries == EXPECTED


def test_titles_above_blank_lines_and_other_headings_are_borne() -> None:
    text = (
        "Spring cup – bars;;;\n\nStart No.;Rot;Start order;Squad;Filming;Gymnast\n"
        "#31;2;1;B;;Somebody\n7;1;2;A;no;Anybody\n\n12.0;1;1;A;Coaching;Nobody\n;;;;;\n"
    )
    read = parse_start_list(text)
    assert read.entries == EXPECTED
    assert read.says_consent
    assert [e.name for e in parse_start_list(text, names=True).entries] == ["Nobody", "Anybody", "Somebody"]


def test_without_an_order_the_lines_own_order_holds() -> None:
    assert [e.number for e in parse_start_list("number\n9\n3\nB7\n").entries] == ["9", "3", "B7"]
    assert not parse_start_list("number\n9\n").says_consent


def test_rotations_are_in_order_of_their_numbers() -> None:
    text = "number,rotation,order\n1,10,1\n2,2,2\n3,2,1\n"
    assert [e.number for e in parse_start_list(text).entries] == ["3", "2", "1"]


def test_scratched_gymnasts_keep_their_line() -> None:
    read = parse_start_list("number,status\n1,\n2,scratched\n3,DNS\n")
    assert [e.scratched for e in read.entries] == [False, True, True]


@pytest.mark.parametrize(
    ("text", "place", "remedy"),
    [
        ("a,b\n1,2\n", "no column for the start numbers", "head one column “number”"),
        ("number,order\n", "no gymnast is on it", "one line for each"),
        ("number,order\n4,1\n,2\n", "line 3", "write it, or take the line out"),
        ("number,order\n4,first\n", "line 2: order “first”", "write 1, 2, 3"),
        ("number,order\n4,0\n", "line 2: order “0”", "write 1, 2, 3"),
        ("x\nnumber,order\n4,1\n4,2\n", "line 4: number 4 is on line 3", "a number of her own"),
        ("number,order\n4,1\n5,1\n", "line 3: order 1 is on line 2", "give each place once"),
        ("number,consent\n4,perhaps\n", "line 2: consent “perhaps”", "this session only"),
        ("number,status\n4,tired\n", "line 2: “tired”", "write scratched"),
        ("number,bib\n4,5\n", "“number” and “bib”", "take one column out"),
        ("number\n4 or 5\n", "line 2: “4 or 5” is no start number", "one word"),
    ],
)
def test_what_cannot_be_understood_is_named_with_its_line(text: str, place: str, remedy: str) -> None:
    with pytest.raises(ConfigError) as caught:
        parse_start_list(text, "list.csv")
    said = str(caught.value)
    assert place in said
    assert remedy in said
    assert said.startswith("list.csv")
    assert "\n" not in said
    assert caught.value.exit_code == ExitCode.CONFIG


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"none\.csv: cannot be read"):
        read_start_list(tmp_path / "none.csv")


@settings(max_examples=200, deadline=None)
@given(st.text(max_size=200))
def test_any_text_is_read_or_refused(text: str) -> None:
    try:
        assert parse_start_list("number,order,consent\n" + text).entries
    except ConfigError as error:
        assert "\n" not in str(error)


def test_next_is_the_first_who_was_not_on_the_bars() -> None:
    entries = parse_start_list("number,status\n1,\n2,scratched\n3,\n4,\n").entries
    first = Routine(routine=1, start_number="1", begin_ns=1)
    warm_up = Routine(routine=2, start_number="3", begin_ns=2, warm_up=True)
    assert next_up(entries, []) == "1"
    assert next_up(entries, [first, warm_up]) == "3"
    rest = [Routine(routine=n, start_number=str(n), begin_ns=n) for n in (3, 4)]
    assert next_up(entries, [first, *rest]) == ""

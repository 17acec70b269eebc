"""Which of her flights over weeks may be compared, what is left out and why, and how many there were."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest

from bridge.session import read_manifest
from bridge.turns import SetUp, comparable, gather, load, set_up_of, turns_of, unlike
from tests.hall_rooms import training_day
from tests.sessions import recorded_session

DAY = date(2026, 11, 10)
HERE = SetUp(
    preset="club",
    sizes={"high_bar_m": 2.4, "low_bar_m": 1.6, "inner_diagonal_m": 1.6, "mat_m": 0.12},
    place="", expected_u_m=0.016, distance_m=9.0, height_m=2.2, off_axis_rad=0.1,
)  # fmt: skip


def test_a_session_folder_tells_its_turns_and_its_set_up(tmp_path: Path) -> None:
    folder = training_day(tmp_path / "a", DAY, (0.2, 0.25), outcomes=("made", "spotted"))
    turns = turns_of(folder)
    assert [(t.gymnast, t.reading.flight, t.outcome, t.consent) for t in turns] == [
        ("A7", "r1-f1", "made", "coaching"),
        ("A7", "r2-f1", "spotted", "coaching"),
    ]
    assert turns[0].day == DAY
    assert set_up_of(read_manifest(folder)) == HERE
    assert unlike(set_up_of(read_manifest(folder)), HERE) == ""


@pytest.mark.parametrize(
    ("there", "why"),
    [
        ({"sizes": {**HERE.sizes, "high_bar_m": 2.5}}, "the high bar was at 2.50 m, here 2.40 m"),
        ({"sizes": {**HERE.sizes, "mat_m": 0.2}}, "the mat was at 0.20 m, here 0.12 m"),
        ({"sizes": {"high_bar_m": 2.4}}, "the sizes of its bars are not all written down"),
        ({"sizes": {}, "preset": ""}, "it was not measured against bars"),
        ({"distance_m": 6.0}, "the camera stood 6 m away, here 9 m"),
        ({"height_m": 1.2}, "the camera stood 1.2 m high, here 2.2 m"),
        ({"off_axis_rad": math.radians(25)}, "the camera stood 19 degrees further round"),
        ({"expected_u_m": 0.03}, "its camera told heights to 6 cm, this one to 4 cm"),
        ({"expected_u_m": 0.0}, "how well its camera told heights is not known"),
        ({"distance_m": None}, "where its camera stood is not written down"),
    ],
)
def test_unlike_set_ups_say_why(there: dict[str, object], why: str) -> None:
    assert unlike(replace(HERE, **there), HERE) == why


@pytest.mark.parametrize(
    "there",
    [
        {"sizes": {**HERE.sizes, "high_bar_m": 2.41}},  # set to a centimetre
        {"preset": "senior"},  # all sizes are written down and the same
        {"distance_m": 10.5, "height_m": 2.5, "expected_u_m": 0.02},
        {"distance_m": None, "place": "by the west door"},
    ],
)
def test_like_set_ups_may_differ_a_little(there: dict[str, object]) -> None:
    assert unlike(replace(HERE, **there), replace(HERE, place="by the west door")) == ""


def test_only_her_own_comparable_turns_are_kept_and_the_rest_is_counted(tmp_path: Path) -> None:
    sessions = (
        training_day(tmp_path / "1", DAY, (0.1, 0.2, 0.3), outcomes=("made", "missed", "spotted")),
        training_day(tmp_path / "2", DAY + timedelta(1), (0.2, 0.2), high_bar_m=2.5),
        training_day(tmp_path / "3", DAY + timedelta(2), (0.2,), consent="this session only"),
        training_day(tmp_path / "4", DAY + timedelta(3), (0.2,), training=False),
        training_day(tmp_path / "5", DAY + timedelta(4), (0.4,), gymnast="B2"),
        training_day(tmp_path / "6", DAY + timedelta(5), (0.4,), family="counter_regrasp"),
        training_day(tmp_path / "7", DAY + timedelta(6), (0.2,), consent="do not film"),
    )
    turns, refused = gather(sessions, DAY)
    assert refused == []
    found = comparable(turns, gymnast="A7", family="salto_regrasp", rail="high", here=HERE, session="9")
    assert [(t.session, t.reading.apex.value) for t in found.kept if t.reading.apex] == [
        ("1", 0.1),
        ("1", 0.2),
    ]
    assert dict(found.left_out) == {
        "spotted": 1,
        "the high bar was at 2.50 m, here 2.40 m": 2,
        "her consent was for that session only": 1,
        "a meet's start numbers do not tell who she is": 1,
        "she is not to be filmed": 1,
    }
    assert (
        comparable(turns, gymnast="", family="salto_regrasp", rail="high", here=HERE, session="9").kept == ()
    )


def test_the_session_on_show_needs_no_longer_consent(tmp_path: Path) -> None:
    turns = turns_of(training_day(tmp_path / "1", DAY, (0.1,), consent="this session only"))
    found = comparable(turns, gymnast="A7", family="salto_regrasp", rail="high", here=HERE, session="1")
    assert len(found.kept) == 1


def test_withheld_readings_are_left_out_but_count_as_flown(tmp_path: Path) -> None:
    turns = turns_of(recorded_session(tmp_path / "s"))
    found = comparable(turns, gymnast="12", family="dismount", rail="high", here=HERE, session="s")
    assert (found.kept, found.left_out) == ((), (("the reading was withheld", 1),))
    today = turns[0].day
    assert load(turns, "12", today, days=1)[0].dismounts == 1


def test_the_load_shows_days_of_rest(tmp_path: Path) -> None:
    turns = [
        *turns_of(training_day(tmp_path / "1", DAY, (0.1, 0.2))),
        *turns_of(training_day(tmp_path / "2", DAY + timedelta(3), (0.1,))),
    ]
    days = load(turns, "A7", DAY + timedelta(3), days=5)
    assert [(d.day - DAY).days for d in days] == [-1, 0, 1, 2, 3]
    assert [d.releases for d in days] == [0, 2, 0, 0, 1]
    assert load(turns, "", DAY, days=1)[0].releases == 0


def test_sessions_past_their_day_or_broken_are_named(tmp_path: Path) -> None:
    good = training_day(tmp_path / "good", DAY, (0.1,))
    broken = tmp_path / "broken"
    broken.mkdir()
    (broken / "session.json").write_text("{")
    turns, refused = gather([good, broken], DAY)
    assert len(turns) == 1
    assert refused[0].startswith("broken: ")
    turns, refused = gather([good], DAY + timedelta(days=4000))
    assert turns == []
    assert refused == ["good: the day until which it may be kept is past"]


def test_capture_keeps_where_its_camera_stood() -> None:
    from capture.camera import facts, view_of
    from capture.demo import demo_files
    from capture.rig import load_rig

    known = facts(view_of(load_rig(demo_files().rig)))
    assert known["distance_m"] == pytest.approx(10.0, abs=0.3)
    assert known["height_m"] == pytest.approx(1.6, abs=0.1)
    assert known["off_axis_rad"] == pytest.approx(math.radians(10), abs=0.03)
    assert known["expected_u_m"] == pytest.approx(0.016, abs=0.004)

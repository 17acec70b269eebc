"""How the recording stands, in words and signs that need no colour."""

from __future__ import annotations

import msgspec
import pytest

from bridge.messages import Entry, Heartbeat, Routine, StartList
from overlay.meet.health import NS, SIGNS, Line, health, on_the_bars, state_words, wall_clock, worst

BEAT = Heartbeat(
    feed="running", recorded=10, measured=10, dropped=0, fps=60.0, picture_age_ns=0, space_s=20_000.0,
    light=1.0, sharp=1.0, wall_time="2026-03-14T10:42:07+01:00",
)  # fmt: skip


def lines(paused: str = "", silent_ns: int | None = 0, **change: object) -> dict[str, Line]:
    beat = msgspec.structs.replace(BEAT, **change)
    return {line.name: line for line in health(beat, silent_ns, StartList(paused=paused))}


def test_all_is_well() -> None:
    found = lines()
    assert list(found) == [
        "Recording", "Bars in view", "Focus", "Light", "Space left", "Pictures", "Measuring",
    ]  # fmt: skip
    assert {line.grade for line in found.values()} == {"good"}
    assert found["Space left"].words == "5 h 33 min"
    assert wall_clock(BEAT) == "10:42:07"
    assert worst(found.values()) == "good"


@pytest.mark.parametrize(
    ("change", "name", "grade", "said"),
    [
        ({"feed": "lost"}, "Recording", "bad", "camera lost"),
        ({"feed": "ended"}, "Recording", "look", "ended"),
        ({"paused": "break: nothing is recorded"}, "Recording", "look", "paused, break"),
        ({"silent_ns": 5 * NS}, "Recording", "bad", "no word for 5 s"),
        ({"silent_ns": 5 * NS}, "Focus", "look", "not known"),
        (
            {"camera": "the camera was moved: the picture shifted by 9 px; set the line again"},
            "Bars in view", "bad", "not as at set-up",
        ),
        ({"camera": "the picture went soft; focus again", "sharp": 0.5}, "Focus", "bad", "soft"),
        ({"camera": "it went dark: 40 %; see to it", "light": 0.4}, "Light", "bad", "dark, 40\u00a0%"),
        ({"camera": "it went dark: 40 %; see to it", "light": 0.4}, "Focus", "look", "too dark"),
        ({"light": 0.6}, "Light", "look", "dimmer, 60\u00a0% of set-up"),
        ({"sharp": 0.7}, "Focus", "look", "softer, 70\u00a0% of set-up"),
        ({"light": None, "sharp": None}, "Light", "look", "not known"),
        ({"space_s": 500.0}, "Space left", "bad", "8 min"),
        ({"space_s": 1500.0}, "Space left", "look", "25 min"),
        ({"space_s": 200_000.0}, "Space left", "good", "over 24 h"),
        ({"dropped": 3}, "Pictures", "bad", "3 dropped"),
        ({"picture_age_ns": 4 * NS}, "Pictures", "bad", "none for 4 s"),
        ({"waiting": 600}, "Measuring", "look", "10 s behind"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_said_with_what_to_do(
    change: dict[str, object], name: str, grade: str, said: str
) -> None:
    line = lines(**change)[name]  # type: ignore[arg-type]
    assert line.grade == grade
    assert line.words.startswith(said)
    assert line.sentence.startswith(f"{name}: {said}")


def test_before_capture_runs_nothing_is_claimed() -> None:
    found = health(None, None, None, "no capture is running there")
    assert (found[0].words, found[0].remedy) == ("no word from capture", "no capture is running there")
    assert {line.words for line in found[1:]} == {"not known"}
    assert "good" not in {line.grade for line in found}
    assert wall_clock(None) == "--:--:--"


def test_a_break_that_was_forgotten_is_told_at_once() -> None:
    listed = StartList(part="break", paused="break: nothing is recorded")
    quiet, busy = (health(BEAT, 0, listed, busy=busy)[0] for busy in (False, True))
    assert (quiet.grade, quiet.words) == ("look", "paused, break")
    assert (busy.grade, busy.words) == ("bad", "paused, but somebody is on the bars")
    assert busy.remedy == "end the break: F2 or F3"


def test_each_grade_has_a_sign_of_its_own() -> None:
    assert len(set(SIGNS.values())) == 3


def test_where_a_gymnast_stands() -> None:
    listed = StartList(entries=(Entry(number="7", order=1, scratched=True),), next="9")
    turns = (
        Routine(routine=1, start_number="3", begin_ns=1, end_ns=2),
        Routine(routine=2, start_number="4", begin_ns=3),
        Routine(routine=3, start_number="9", begin_ns=1, end_ns=2),
    )

    def stands(number: str, **more: object) -> str:
        return state_words(Entry(number=number, order=1, **more), turns, listed)  # type: ignore[arg-type]

    assert stands("3") == "seen, routine 1"
    assert stands("3", consent="do not film") == "seen, routine 1, not filmed"
    assert stands("4") == "on the bars now"
    assert stands("7", scratched=True) == "scratched"
    assert stands("9") == "next, again (routine 3)"
    assert stands("8") == "to come"
    assert on_the_bars(turns) is None
    assert on_the_bars(turns[:2]) == turns[1]

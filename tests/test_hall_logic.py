"""What the hall says of a flight, when it says it, and what the coach chose."""

from __future__ import annotations

import importlib.metadata
from pathlib import Path

import msgspec
import pytest

from bridge.clock import ManualClock
from bridge.messages import Measure, Moment, Quantity, Reading, Snapshot, Tag
from bridge.removal import GROUP
from overlay.hall.book import TurnBook
from overlay.hall.choices import (
    Choices,
    choices_file,
    for_family,
    for_gymnast,
    forget,
    keep_choices,
    load_choices,
)
from overlay.hall.gate import GUESS_WORDS, NS, Gate
from overlay.hall.measures import KINDS, bar_does_not_apply, best, difference, figure, usual
from tests.viewer_arena import EXAMPLE


def reading(apex_m: float = 0.284, u_m: float = 0.0141, **more: object) -> Reading:
    made = EXAMPLE.reading(1, apex_m, u_m=u_m)
    measures = (
        Measure(name="flight_time", quantity=Quantity(0.687, 0.0233, "s"), sentence=""),
        Measure(name="least_distance", quantity=Quantity(0.412, 0.014, "m"), sentence=""),
        Measure(name="body_line_at_regrasp", quantity=Quantity(-1.46, 0.078, "rad"), sentence=""),
    )
    return msgspec.structs.replace(made, measures=measures, **more)


@pytest.mark.parametrize(
    ("name", "number", "where", "give"),
    [
        ("apex", "28 cm", "above the high bar", "hips, give or take 3 cm"),
        ("flight_time", "0.69 s", "in the air", "give or take 0.05 s"),
        ("least_distance", "41 cm", "nearest to the bar", "hips, give or take 3 cm"),
        ("body_line_at_regrasp", "84°", "feet below level", "give or take 9°"),
    ],
)
def test_a_measure_becomes_one_figure_and_few_words(name: str, number: str, where: str, give: str) -> None:
    found = figure(reading(), name)
    assert found is not None
    assert (found.number, found.where, found.give_words) == (number, where, give)
    assert number in found.sentence
    assert "95 %" in found.sentence


def test_a_figure_below_the_bar_and_one_at_it() -> None:
    below, at = figure(reading(-0.08), "apex"), figure(reading(0.002), "apex")
    assert below is not None
    assert at is not None
    assert (below.number, below.where) == ("8 cm", "below the high bar")
    assert (at.number, at.where) == ("0 cm", "at the high bar")


def test_moments_can_be_shown_too() -> None:
    release = Moment(
        name="release", t_ns=1, height=Quantity(-0.58, 0.04, "m"), rise=Quantity(2.7, 0.1, "m/s")
    )
    found = figure(reading(moments=(release,)), "release")
    assert found is not None
    assert (found.number, found.where, found.give_words) == (
        "58 cm", "below the high bar", "hips at release, give or take 8 cm",
    )  # fmt: skip
    assert figure(reading(moments=(release,)), "end") is None


def test_nothing_is_told_of_a_withheld_reading_or_an_unknown_measure() -> None:
    assert figure(reading(state="withheld"), "flight_time") is None
    assert figure(reading(), "release_angle") is None
    assert figure(reading(), "weight") is None


def test_only_what_the_uncertainties_leave_sure_is_called_a_difference() -> None:
    now, same, lower = (figure(reading(h), "apex") for h in (0.28, 0.25, 0.20))
    assert now is not None
    assert same is not None
    assert lower is not None
    assert difference(now, same, "her last turn") == "about the same as her last turn"
    assert difference(now, lower, "her last turn") == "higher than her last turn, by 8\N{NO-BREAK SPACE}cm"
    assert difference(lower, now, "her best") == "lower than her best, by 8\N{NO-BREAK SPACE}cm"


def test_best_is_only_of_what_a_flight_aims_at_and_usual_is_the_middle_turn() -> None:
    heights = [f for h in (0.2, 0.3, 0.1, 0.25) if (f := figure(reading(h), "apex")) is not None]
    top, middle = best(heights), usual(heights)
    assert top is not None
    assert middle is not None
    assert (top.number, middle.number) == ("30 cm", "20 cm")
    near = figure(reading(), "least_distance")
    assert near is not None
    assert best([near]) is None
    assert usual([]) is None


def test_no_measure_is_of_the_body_s_size() -> None:
    words = " ".join(f"{kind.name} {kind.title}" for kind in KINDS.values())
    assert not {"weight", "mass", "size", "tall", "length"} & set(words.replace("_", " ").split())


def test_it_says_where_the_bar_line_does_not_apply() -> None:
    assert bar_does_not_apply(reading()) == ""
    assert "does not apply" in bar_does_not_apply(reading(family="hop_regrasp"))
    assert "No bar" in bar_does_not_apply(reading(rail="line"))


# --- when ---


def gate(**chosen: object) -> tuple[Gate, ManualClock]:
    clock = ManualClock(5 * NS)
    return Gate(clock, Choices(**{"delay_s": 0.0, **chosen})), clock  # type: ignore[arg-type]


def test_a_turn_is_shown_after_the_pause() -> None:
    held, clock = gate(delay_s=3.0)
    held.turn("r1-f1", 1)
    assert held.holds() == "In a moment."
    clock.advance(2 * NS)
    held.turn("r1-f1", 1)  # the same again does not begin anew
    clock.advance(1 * NS)
    assert held.holds() == ""


def test_every_third_turn_is_shown_by_itself() -> None:
    held, _ = gate(when="some", every=3)
    said = []
    for place in range(1, 7):
        held.turn(f"r{place}-f1", place)
        said.append(held.holds())
    assert said == [
        "Shown every third turn: 2 more.", "Shown every third turn: 1 more.", "",
        "Shown every third turn: 2 more.", "Shown every third turn: 1 more.", "",
    ]  # fmt: skip
    held.turn("r7-f1", 7)
    held.ask()
    assert held.holds() == ""


def test_on_request_only() -> None:
    held, _ = gate(when="asked", delay_s=5.0)
    held.turn("r1-f1", 1)
    assert held.holds() == "Ask to see it."
    held.ask()
    assert held.holds() == ""
    held.turn("r2-f1", 2)
    assert held.holds() == "Ask to see it."


def test_she_guesses_first_then_sees() -> None:
    held, clock = gate(guess=True, delay_s=1.0)
    held.turn("r1-f1", 1)
    assert not held.asks_for_guess
    clock.advance(NS)
    assert held.holds() == GUESS_WORDS
    held.take_guess("level")
    assert (held.holds(), held.guess) == ("", "level")
    held.turn("r2-f1", 2)
    clock.advance(NS)
    assert held.guess is None
    held.take_guess(None)
    assert held.holds() == ""
    held.turn("r3-f1", 3, can_be_guessed=False)
    clock.advance(NS)
    assert held.holds() == ""


# --- what the coach chose ---


def test_measures_are_remembered_for_her_before_the_skill(tmp_path: Path) -> None:
    path = tmp_path / "settings" / "hall.json"
    chosen = Choices(when="some", every=4, delay_s=6.0, guess=True)
    chosen = chosen.with_measures(for_family("dismount"), ("flight_time",))
    chosen = chosen.with_measures(for_gymnast("A7", "dismount"), ("apex", "least_distance", "travel"))
    assert keep_choices(chosen, path) == ""
    again = load_choices(path)
    assert again == chosen
    assert again.shown("A7", "dismount") == ("apex", "least_distance")
    assert again.shown("B2", "dismount") == ("flight_time",)
    assert again.shown("B2", "salto_regrasp") == ("apex",)
    assert again.shown("B2", "hop_regrasp") == ("flight_time",)
    assert again.with_measures(for_gymnast("A7", "dismount"), ()).shown("A7", "dismount") == ("flight_time",)


def test_choices_lie_in_the_settings_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("RAILCREST_CONFIG", str(tmp_path))
    assert choices_file() == tmp_path / "hall.json"
    assert load_choices() == Choices()
    (tmp_path / "hall.json").write_text('{"every": 1}')
    assert load_choices() == Choices()
    (tmp_path / "file").write_text("")
    assert "not remembered" in keep_choices(Choices(), tmp_path / "file" / "hall.json")


def test_who_is_taken_out_leaves_no_choices(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("RAILCREST_CONFIG", str(tmp_path))
    chosen = Choices()
    for number in ("A7", "A77"):
        chosen = chosen.with_measures(for_gymnast(number, "dismount"), ("flight_time",))
    keep_choices(chosen)
    assert forget("any session", "A7") == ["hall.json: what the hall shows of dismount"]
    assert list(load_choices().measures) == ["gymnast A77, dismount"]
    assert forget("any session", "A7") == []
    assert forget("any session", "") == []
    told = importlib.metadata.entry_points(group=GROUP)
    assert forget in [point.load() for point in told]


# --- whose and how many ---


def test_the_book_counts_hers_only() -> None:
    book = TurnBook()
    mine = [EXAMPLE.reading(1, 0.2, routine=1), EXAMPLE.reading(2, 0.4, routine=1, end_kind="landing"),
            EXAMPLE.reading(1, 0.2, routine=3)]  # fmt: skip
    other = EXAMPLE.reading(1, 0.9, routine=2)
    unsettled = EXAMPLE.reading(2, 0.1, routine=3, state="provisional")
    book.apply(
        Snapshot(
            seq=1, scene=EXAMPLE.scene("band", True), readings=(*mine, other, unsettled),
            routines=tuple(EXAMPLE.routine(n, "B2" if n == 2 else "A7") for n in (1, 2, 3)),
            tags=(Tag(flight="r1-f1", outcome="missed"),),
        )
    )  # fmt: skip
    assert book.over[-1] == mine[2]
    assert book.counts("A7") == (2, 1)
    assert (book.place(mine[0]), book.place(other), book.place(mine[2])) == (1, 1, 2)
    before = book.before(mine[2], (), None, "s")
    assert [(t.reading.flight, t.outcome) for t in before] == [("r1-f1", "missed"), ("r1-f2", "")]
    assert book.before(msgspec.structs.replace(mine[2], routine=9), (), None, "s") == []
    book.apply(Tag(flight="r1-f1", outcome=""))
    assert book.outcome("r1-f1") == ""

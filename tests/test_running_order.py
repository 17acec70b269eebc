"""Who is on the bars: numbers by the list's order, put right with one action, everywhere at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.journal import Journal
from bridge.messages import Accepted, Entry, EntryRequest, PartRequest, Refused, Routine, StartList
from bridge.running_order import RESUME_NS, RunningOrder, start_list_of
from tests.sessions import invented_reading

S = 1_000_000_000
LIST = tuple(Entry(number=n, order=i, rotation="1") for i, n in enumerate(("11", "12", "13", "14"), 1))


class Meet:
    """A running order on a real journal, and what it told."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.now_ns = S
        self.told: list[StartList | Routine] = []
        self.open()
        self.ask("load", entries=LIST)

    def open(self) -> None:
        self.journal = Journal(self.path, write=True)
        self.order = RunningOrder(self.journal, self.told.append, lambda: self.now_ns)

    def again(self) -> None:
        """As after a restart of capture."""
        self.journal.close()
        self.open()

    def ask(self, action: str, **more: object) -> None:
        answer = self.order.answer(EntryRequest(action=action, **more))  # type: ignore[arg-type]
        assert answer == Accepted(), answer

    def refused(self, action: str, **more: object) -> str:
        answer = self.order.answer(EntryRequest(action=action, **more))  # type: ignore[arg-type]
        assert isinstance(answer, Refused)
        return answer.reason

    def turn(self, routine: int) -> None:
        """A whole routine."""
        self.now_ns = routine * 100 * S
        self.order.take(Routine(routine=routine, start_number="", begin_ns=self.now_ns))
        self.now_ns += 40 * S
        self.order.take(
            Routine(routine=routine, start_number="", begin_ns=routine * 100 * S, end_ns=self.now_ns)
        )

    @property
    def numbers(self) -> list[str]:
        return [r.start_number for r in self.order.routines]


@pytest.fixture
def meet(tmp_path: Path) -> Meet:
    return Meet(tmp_path / "journal.sqlite")


def test_routines_take_their_numbers_from_the_list_by_themselves(meet: Meet) -> None:
    for routine in (1, 2, 3):
        meet.turn(routine)
    assert meet.numbers == ["11", "12", "13"]
    assert [r.start_number for r in meet.journal.routines()] == ["11", "12", "13"]
    assert all(r.end_ns for r in meet.journal.routines())
    assert meet.order.start_list.next == "14"
    told = [t for t in meet.told if isinstance(t, StartList)]
    assert [t.next for t in told][-4:] == ["11", "12", "13", "14"]


def test_scratches_swaps_and_late_entries_change_whose_turn_it_is(meet: Meet) -> None:
    meet.ask("scratch", number="11")
    assert meet.order.start_list.next == "12"
    meet.ask("swap", number="12", other="14")
    assert [e.number for e in meet.order.start_list.entries] == ["11", "14", "13", "12"]
    meet.ask("add", entries=(Entry(number="9", order=2),))
    meet.turn(1)
    meet.ask("restore", number="11")
    meet.turn(2)
    assert meet.numbers == ["9", "11"]
    assert [e.order for e in meet.order.start_list.entries] == [1, 2, 3, 4, 5]


def test_one_correction_puts_the_routines_after_it_right_too(meet: Meet) -> None:
    for routine in (1, 2, 3):
        meet.turn(routine)
    meet.ask("number", number="12", routine=1)  # 12 went before 11
    assert meet.numbers == ["12", "11", "13"]
    meet.ask("number", number="", routine=3)  # somebody chalked the bar
    meet.turn(4)
    assert meet.numbers == ["12", "11", "", "13"]
    assert [r.start_number for r in meet.journal.routines()] == meet.numbers


def test_a_number_put_on_by_hand_stays(meet: Meet) -> None:
    for routine in (1, 2):
        meet.turn(routine)
    meet.ask("number", number="13", routine=2)
    meet.turn(3)
    assert meet.numbers == ["11", "13", "12"]
    meet.ask("number", number="14", routine=1)
    assert meet.numbers == ["14", "13", "11"]


def test_a_repeated_exercise_is_the_same_gymnasts(meet: Meet) -> None:
    meet.turn(1)
    meet.turn(2)
    meet.ask("number", number="11", routine=0)  # she may repeat; nobody is on the bars
    assert meet.order.start_list.next == "11"
    meet.turn(3)
    meet.turn(4)
    assert meet.numbers == ["11", "12", "11", "13"]


def test_the_number_under_way_can_be_put_right(meet: Meet) -> None:
    meet.order.take(Routine(routine=1, start_number="", begin_ns=100 * S))
    assert meet.order.under_way is not None
    meet.ask("number", number="14")
    meet.order.take(Routine(routine=1, start_number="", begin_ns=100 * S, end_ns=140 * S))
    assert meet.numbers == ["14"]
    assert meet.order.under_way is None
    assert meet.order.start_list.next == "11"


def test_warm_up_is_kept_apart(meet: Meet) -> None:
    meet.order.answer(PartRequest(part="warm-up"))
    meet.turn(1)
    meet.turn(2)
    assert [r.warm_up for r in meet.order.routines] == [True, True]
    assert meet.numbers == ["", ""]
    meet.now_ns = 290 * S
    meet.order.answer(PartRequest(part="competition"))
    meet.turn(3)
    assert meet.numbers == ["", "", "11"]
    meet.ask("competition", routine=2)  # the switch came late
    assert meet.numbers == ["", "11", "12"]
    meet.ask("warm-up", routine=2)
    assert meet.numbers == ["", "", "11"]


def test_which_part_it_is_counts_when_the_routine_began_not_when_it_was_measured(meet: Meet) -> None:
    meet.now_ns = 50 * S
    meet.order.answer(PartRequest(part="warm-up"))
    meet.now_ns = 150 * S
    meet.order.answer(PartRequest(part="competition"))
    meet.turn(1)  # began at 100 s, measured late
    assert meet.order.routines[0].warm_up


def test_everything_is_there_again_after_a_restart(meet: Meet) -> None:
    meet.turn(1)
    meet.ask("swap", number="12", other="14")
    meet.ask("consent", number="13", consent="do not film")
    meet.ask("number", number="13")
    meet.order.answer(PartRequest(part="break"))
    before = meet.order.start_list
    meet.again()
    assert meet.order.start_list == before
    assert start_list_of(meet.journal) == before
    assert before.next == "13"
    assert meet.order.consent("13") == "do not film"
    assert meet.journal.verify() is None


def test_a_routine_that_a_killed_capture_left_goes_on_as_hers(meet: Meet) -> None:
    meet.turn(1)
    meet.order.take(Routine(routine=2, start_number="", begin_ns=200 * S))
    meet.again()
    meet.order.resume(210 * S)
    assert meet.order.under_way is None
    meet.now_ns = 214 * S
    meet.order.take(Routine(routine=3, start_number="", begin_ns=214 * S))
    meet.order.take(Routine(routine=3, start_number="", begin_ns=214 * S, end_ns=230 * S))
    meet.turn(4)
    assert meet.numbers == ["11", "12", "12", "13"]


def test_after_a_long_time_it_is_the_next_gymnast(meet: Meet) -> None:
    meet.order.take(Routine(routine=1, start_number="", begin_ns=S))
    meet.again()
    meet.order.resume(5 * S)
    meet.order.take(Routine(routine=2, start_number="", begin_ns=6 * S + RESUME_NS))
    assert meet.numbers == ["11", "12"]


def test_a_newer_list_keeps_what_is_known_and_scratches_who_is_gone(meet: Meet) -> None:
    meet.ask("consent", number="12", consent="teaching")
    meet.turn(1)
    newer = (Entry(number="12", order=1), Entry(number="15", order=2), Entry(number="11", order=3))
    meet.ask("load", entries=newer)
    listed = {e.number: e for e in meet.order.start_list.entries}
    assert [e.number for e in meet.order.start_list.entries] == ["12", "15", "11", "13", "14"]
    assert listed["12"].consent == "teaching"
    assert listed["13"].scratched
    assert meet.order.start_list.next == "12"


@pytest.mark.parametrize(
    ("action", "more", "said"),
    [
        ("number", {"number": "99"}, "99 is not on the start list; add her first"),
        ("number", {"number": "11", "routine": 7}, "there is no routine 7; the last one is 1"),
        ("scratch", {"number": "11"}, "11 was on the bars in routine 1; put the right number"),
        ("swap", {"number": "11", "other": ""}, "nobody is not on the start list"),
        ("add", {"entries": (Entry(number="11", order=0),)}, "11 is on the start list already"),
        ("add", {"entries": (Entry(number="1 2", order=0),)}, "is no start number"),
        ("load", {}, "the start list is empty"),
        ("consent", {"number": "11"}, "say which consent"),
        ("warm-up", {}, "nobody is on the bars; say which routine"),
    ],
)
def test_what_cannot_be_done_is_refused_and_changes_nothing(
    meet: Meet, action: str, more: dict[str, object], said: str
) -> None:
    meet.turn(1)
    before = meet.order.start_list, meet.order.routines, meet.journal.head()
    assert said in meet.refused(action, **more)
    assert (meet.order.start_list, meet.order.routines, meet.journal.head()) == before


def test_without_a_list_any_number_goes(tmp_path: Path) -> None:
    with Journal(tmp_path / "journal.sqlite", write=True) as journal:
        order = RunningOrder(journal, lambda _: None, lambda: S)
        order.take(Routine(routine=1, start_number="", begin_ns=S))
        assert order.answer(EntryRequest(action="number", number="LK")) == Accepted()
        assert [r.start_number for r in order.routines] == ["LK"]


def test_a_list_that_comes_late_numbers_the_routines_before_it(tmp_path: Path) -> None:
    with Journal(tmp_path / "journal.sqlite", write=True) as journal:
        order = RunningOrder(journal, lambda _: None, lambda: 9 * S)
        for n in (1, 2):
            order.take(Routine(routine=n, start_number="", begin_ns=n * S, end_ns=n * S + 1))
        assert order.answer(EntryRequest(action="load", entries=LIST)) == Accepted()
        assert [r.start_number for r in order.routines] == ["11", "12"]


def fall(meet: Meet, routine: int, family: str) -> None:
    """A turn that ends 35 s before the next begins, with one flight of a family."""
    meet.now_ns = routine * 60 * S
    meet.order.take(Routine(routine=routine, start_number="", begin_ns=meet.now_ns))
    flight = invented_reading(
        1, 0, 0, 0, flight=f"r{routine}-f1", routine=routine, family=family, release_ns=meet.now_ns,
        end_ns=meet.now_ns + S,
    )  # fmt: skip
    meet.journal.append(flight, meet.now_ns)
    end_ns = meet.now_ns + 25 * S
    meet.order.take(Routine(routine=routine, start_number="", begin_ns=meet.now_ns, end_ns=end_ns))


def test_who_fell_and_goes_on_within_a_minute_is_one_record(meet: Meet) -> None:
    fall(meet, 1, "salto_regrasp")
    fall(meet, 2, "dismount")
    fall(meet, 3, "dismount")
    assert meet.numbers == ["11", "11", "12"]


def test_who_did_not_go_on_after_a_fall_is_put_right_with_one_number(meet: Meet) -> None:
    fall(meet, 1, "salto_regrasp")
    fall(meet, 2, "dismount")
    meet.ask("number", number="12", routine=2)
    fall(meet, 3, "dismount")
    assert meet.numbers == ["11", "12", "13"]

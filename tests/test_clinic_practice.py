"""Practice marking: order, privacy, the lock, and going on after a cut."""

from __future__ import annotations

import itertools
import sqlite3
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bridge.clock import ManualClock
from bridge.errors import RecordingError
from overlay.clinic.agreement import room_agreement
from overlay.clinic.examples import Example, Reference
from overlay.clinic.practice import (
    FEW,
    GAP,
    NS,
    Asked,
    Begun,
    Ended,
    Event,
    Joined,
    Locked,
    Marked,
    NotNowError,
    Practice,
    Revealed,
    Showing,
    State,
    Typed,
    Viewed,
    marker_view,
    plan,
    reveal_of,
    room_view,
    shuffled,
    tidy_code,
)
from overlay.clinic.steps import Steps, StepTable

FIVE = (0, 5, 10, 15, 20)
TODAY = date(2031, 5, 4)
TABLE = StepTable("Invented 2031", {"dismount": Steps(FIVE), "counter_regrasp": Steps((0, 10, 30))})


def example(name: str, reference: int | None = 5, family: str = "dismount") -> Example:
    given_by = Reference(mark=reference or 0, reason="hips at the bar", by="expert", on=date(2031, 5, 4))
    return Example(
        id=name,
        session="spring",
        flight=name,
        gymnast="12",
        family=family,
        grade="middling",
        reason="r",
        side="left",
        rule_book="b",
        rule_year=2031,
        band="level",
        range=(5, 10),
        consent="teaching",
        expires=date(2031, 12, 1),
        references=() if reference is None else (given_by,),
    )


def showing(number: int, clip: str, repeat: bool = False) -> Showing:
    return Showing(number=number, clip=clip, family="dismount", repeat=repeat, steps=FIVE, reference=5)


SHOWINGS = (showing(1, "a"), showing(2, "b"), showing(3, "a", True))
PLAN = Begun(title="Evening", table="t", room_code="ABC234", seed=1, showings=SHOWINGS, thinking_ns=10 * NS)


@pytest.fixture
def clock() -> ManualClock:
    return ManualClock(5 * NS)


@pytest.fixture
def practice(tmp_path: Path, clock: ManualClock) -> Iterator[Practice]:
    codes = (f"CODE{n:04}" for n in itertools.count(1))
    with Practice(tmp_path / "practice.sqlite", PLAN, clock=clock, code=lambda: next(codes)) as made:
        yield made


def open_showing(practice: Practice, number: int) -> None:
    practice.do(Viewed(number=number, view=1))
    practice.do(Asked(number=number))


def test_marking_from_view_to_reveal(practice: Practice, clock: ManualClock) -> None:
    codes = [practice.join()[1] for _ in range(3)]
    practice.do(Viewed(number=1, view=1))
    with pytest.raises(NotNowError, match="not open"):
        practice.mark(codes[0], 1, 5)
    practice.do(Asked(number=1))
    practice.mark(codes[0], 1, 5)
    practice.mark(codes[0], 1, 10)  # a slip of the finger can be put right until the lock
    practice.mark(codes[1], 1, 10)
    practice.mark(codes[2], 1, 20)
    assert marker_view(practice.state, "m1", clock.now_ns()).own == 10
    assert room_view(practice.state, clock.now_ns()).marked == 3
    with pytest.raises(NotNowError, match="lock showing 1"):
        practice.do(Revealed(number=1))
    practice.do(Locked(number=1))
    with pytest.raises(NotNowError, match="locked"):
        practice.mark(codes[0], 1, 0)
    with pytest.raises(NotNowError, match="for later"):
        practice.do(Revealed(number=1))  # its repeat is still to come
    open_showing(practice, 2)
    practice.mark(codes[0], 2, 15)
    practice.do(Locked(number=2))
    practice.do(Revealed(number=2))
    told = marker_view(practice.state, "m2", clock.now_ns()).reveal
    assert told is not None
    assert (told.marked, told.spread, told.reference) == (1, (), 5)  # one mark is not spread out
    open_showing(practice, 3)
    practice.do(Locked(number=3))
    practice.do(Revealed(number=1))
    told = marker_view(practice.state, "m2", clock.now_ns()).reveal
    assert told is not None
    assert told.spread == ((0, 0), (5, 0), (10, 2), (15, 0), (20, 1))
    practice.do(Ended())
    assert [m.mark for m in practice.state.locked_marks()] == [10, 15, 10, 20]
    assert room_agreement(practice.state.items(), practice.state.locked_marks()).markers == 3


def test_nothing_is_told_of_a_showing_that_is_not_revealed(practice: Practice) -> None:
    codes = [practice.join()[1] for _ in range(FEW)]
    open_showing(practice, 1)
    for code in codes:
        practice.mark(code, 1, 5)
    practice.do(Locked(number=1))
    with pytest.raises(NotNowError, match="not revealed"):
        reveal_of(practice.state, 1)


def test_thinking_time_locks_by_itself(practice: Practice, clock: ManualClock) -> None:
    code = practice.join()[1]
    open_showing(practice, 1)
    clock.advance(10 * NS - 1)
    practice.mark(code, 1, 5)
    assert marker_view(practice.state, "m1", clock.now_ns()).left_ns == 1
    clock.advance(1)
    with pytest.raises(NotNowError, match="locked"):
        practice.mark(code, 1, 10)
    assert practice.state.phase == "locked"
    assert [m.mark for m in practice.state.locked_marks()] == [5]


def test_views_are_as_agreed(tmp_path: Path, clock: ManualClock) -> None:
    twice = msgspec.structs.replace(PLAN, views=2)
    with Practice(tmp_path / "p.sqlite", twice, clock=clock) as practice:
        with pytest.raises(NotNowError, match="not next"):
            practice.do(Viewed(number=2, view=1))
        practice.do(Viewed(number=1, view=1))
        with pytest.raises(NotNowError, match="as often as agreed"):
            practice.do(Asked(number=1))
        practice.do(Viewed(number=1, view=2))
        with pytest.raises(NotNowError, match="2 times"):
            practice.do(Viewed(number=1, view=3))
        practice.do(Asked(number=1))
        with pytest.raises(NotNowError, match="lock the open"):
            practice.do(Ended())


def test_going_on_after_a_cut_loses_nothing(tmp_path: Path) -> None:
    path = tmp_path / "p.sqlite"
    with Practice(path, PLAN, clock=ManualClock(100 * NS)) as practice:
        codes = [practice.join()[1] for _ in range(2)]
        open_showing(practice, 1)
        practice.mark(codes[0], 1, 15)
        before = practice.state
    # After a restart of the machine the monotonic clock begins anew.
    clock = ManualClock(3 * NS)
    with Practice(path, clock=clock) as practice:
        assert practice.state.marks == before.marks
        assert practice.who(codes[0]) == "m1"
        assert practice.who("WRONG234") is None
        assert marker_view(practice.state, "m1", clock.now_ns()).own == 15
        assert marker_view(practice.state, "m2", clock.now_ns()).left_ns == 10 * NS
        practice.mark(codes[1], 1, 20)
        assert practice.join()[0] == "m3"
        practice.do(Locked(number=1))
        assert [m.mark for m in practice.state.locked_marks()] == [15, 20]


def test_only_one_program_runs_a_practice(tmp_path: Path, practice: Practice) -> None:
    with pytest.raises(RecordingError, match="another program"):
        Practice(tmp_path / "practice.sqlite")
    practice.close()
    practice.close()
    with Practice(tmp_path / "practice.sqlite") as again:
        assert again.state.plan == PLAN


def test_a_practice_that_ends_early_reveals_what_was_marked(practice: Practice) -> None:
    practice.join()
    open_showing(practice, 1)
    practice.do(Locked(number=1))
    practice.do(Ended())  # its repeat, showing 3, never comes
    practice.do(Revealed(number=1))
    with pytest.raises(NotNowError, match="lock showing 3"):
        practice.do(Revealed(number=3))


def test_own_codes_are_not_kept(tmp_path: Path, practice: Practice) -> None:
    _, code = practice.join()
    practice.close()
    assert not [p for p in tmp_path.iterdir() if code.encode() in p.read_bytes()]


def test_a_changed_journal_is_not_trusted(tmp_path: Path, practice: Practice) -> None:
    code = practice.join()[1]
    open_showing(practice, 1)
    practice.mark(code, 1, 15)
    practice.close()
    path = tmp_path / "practice.sqlite"
    with pytest.raises(RecordingError, match="holds a practice already"):
        Practice(path, PLAN)
    db = sqlite3.connect(path)
    with pytest.raises(sqlite3.IntegrityError, match="not changed"):
        db.execute("UPDATE journal SET body = replace(body, '15', '0')")
    db.execute("DROP TRIGGER journal_rows_stay")
    db.execute("UPDATE journal SET body = replace(body, '\"mark\":15', '\"mark\":0') WHERE kind = 'marked'")
    db.commit()
    db.close()
    with pytest.raises(RecordingError, match="cannot be trusted"):
        Practice(path)
    with pytest.raises(RecordingError, match="no practice"):
        Practice(tmp_path / "absent.sqlite")


def test_marks_on_paper_are_typed_in_once_and_only_for_paper(practice: Practice) -> None:
    practice.join()
    paper, code = practice.join(paper=True)
    open_showing(practice, 1)
    with pytest.raises(NotNowError, match="join first"):
        practice.mark(code, 1, 5)
    with pytest.raises(NotNowError, match="lock the showing"):
        practice.do(Typed(marker=paper, number=1, mark=5))
    practice.do(Locked(number=1))
    practice.do(Typed(marker=paper, number=1, mark=5))
    with pytest.raises(NotNowError, match="stands"):
        practice.do(Typed(marker=paper, number=1, mark=10))
    with pytest.raises(NotNowError, match="on paper"):
        practice.do(Typed(marker="m1", number=1, mark=10))
    assert practice.state.locked_marks()[0].paper


def test_no_marker_view_tells_of_clips_or_repeats(practice: Practice, clock: ManualClock) -> None:
    practice.join()
    for number in (1, 2, 3):
        open_showing(practice, number)
        told = msgspec.json.encode(marker_view(practice.state, "m1", clock.now_ns())).decode()
        assert "repeat" not in told
        assert "clip" not in told
        assert '"reference"' not in told
        practice.do(Locked(number=number))


# --- what no row of events may bring about --------------------------------------------------

WHO = ("m1", "m2", "m3", "m4")
numbers = st.integers(0, 4)
events: st.SearchStrategy[Event] = st.one_of(
    st.builds(Viewed, number=numbers, view=st.integers(1, 2)),
    st.builds(Asked, number=numbers),
    st.builds(Marked, marker=st.sampled_from(WHO), number=numbers, mark=st.sampled_from((*FIVE, 7))),
    st.builds(Locked, number=numbers),
    st.builds(Revealed, number=numbers),
    st.builds(Typed, marker=st.sampled_from(WHO), number=numbers, mark=st.sampled_from(FIVE)),
    st.builds(Ended),
)


class Room:
    """Draws what happens next, often something sensible, so that runs get far."""

    def __init__(self, data: st.DataObject) -> None:
        self.data = data
        self.state = State(PLAN)
        for n, who in enumerate(WHO):
            self.state = self.state.after(Joined(marker=who, code_sha256=str(n), paper=who == "m4"), 0)
        self.t_ns = 0

    def next(self) -> Event:
        s = self.state
        if self.data.draw(st.booleans()):
            return self.data.draw(events)
        if s.phase in ("waiting", "locked"):
            return Viewed(number=s.number + 1, view=1)
        if s.phase == "viewing":
            return Asked(number=s.number)
        if self.data.draw(st.integers(0, 3)):
            who, mark = self.data.draw(st.sampled_from(WHO)), self.data.draw(st.sampled_from(FIVE))
            return Marked(marker=who, number=s.number, mark=mark)
        return Locked(number=s.number)


def late_events(number: int) -> Iterator[Event]:
    """All that might bring a mark for a showing that never came."""
    yield Viewed(number=number, view=1)
    yield Asked(number=number)
    for who in WHO:
        yield Marked(marker=who, number=number, mark=FIVE[0])
        yield Typed(marker=who, number=number, mark=FIVE[0])


def refused(state: State, event: Event, t_ns: int) -> bool:
    """Whether an event is not allowed now."""
    try:
        state.after(event, t_ns)
    except NotNowError:
        return True
    return False


@settings(suppress_health_check=[HealthCheck.too_slow], deadline=None)
@given(st.data())
def test_marks_stand_after_the_lock_whatever_happens(data: st.DataObject) -> None:
    room = Room(data)
    for _ in range(data.draw(st.integers(1, 25))):
        before = room.state
        room.t_ns += data.draw(st.sampled_from((0, NS, 11 * NS)))
        event = room.next()
        try:
            room.state = before.after(event, room.t_ns)
        except NotNowError:
            continue
        after = room.state
        for s in SHOWINGS:
            if before.locked(s.number):
                assert after.locked(s.number), "a lock was opened"
                for who in WHO:
                    old, new = before.marks.get((who, s.number)), after.marks.get((who, s.number))
                    # only a marker on paper may come late, and only once
                    assert old == new or (old is None and who == "m4" and new is not None and new.paper)
        changed = {k for k in after.marks if after.marks[k] != before.marks.get(k)}
        assert not changed or changed == {(event.marker, event.number)}  # type: ignore[union-attr]
        assert all(m.mark in FIVE for m in after.marks.values())
        for number in after.revealed:
            clip = after.showing(number).clip
            for s in (s for s in SHOWINGS if s.clip == clip and not after.locked(s.number)):
                assert after.phase == "ended", "a clip was revealed that comes again"
                assert not any(m for (_, at), m in after.marks.items() if at == s.number)
                assert all(refused(after, late, room.t_ns) for late in late_events(s.number))


@settings(suppress_health_check=[HealthCheck.too_slow], deadline=None)
@given(st.data())
def test_nobody_sees_anything_of_another_before_the_reveal(data: st.DataObject) -> None:
    """Two rooms that differ only in what others mark look the same to m1 and, but for counts, to the room."""
    room = Room(data)
    other = room.state
    for _ in range(data.draw(st.integers(1, 25))):
        room.t_ns += data.draw(st.sampled_from((0, NS)))
        event = room.next()
        swapped = event
        if isinstance(event, Marked | Typed) and event.marker != "m1" and event.mark in FIVE:
            swapped = msgspec.structs.replace(event, mark=FIVE[-1] - event.mark)
        try:
            room.state = room.state.after(event, room.t_ns)
        except NotNowError as refused:
            with pytest.raises(NotNowError, match=str(refused)):
                other.after(swapped, room.t_ns)
            continue
        other = other.after(swapped, room.t_ns)
        mine, theirs = marker_view(room.state, "m1", room.t_ns), marker_view(other, "m1", room.t_ns)
        if mine.reveal is None:
            assert mine == theirs
            assert room_view(room.state, room.t_ns) == room_view(other, room.t_ns)
        else:
            assert theirs.reveal is not None
            if mine.reveal.marked < FEW:
                assert mine.reveal.spread == ()
            hidden = msgspec.structs.replace(mine.reveal, spread=theirs.reveal.spread)
            assert msgspec.structs.replace(mine, reveal=hidden) == theirs


@given(st.integers(GAP + 1, 20), st.integers(0, 20), st.integers(0, 2**31))
def test_the_order_is_shuffled_with_distant_repeats(clips: int, repeats: int, seed: int) -> None:
    names = [f"c{n}" for n in range(clips)]
    repeats = min(repeats, clips - GAP)
    order = shuffled(names, repeats, seed)
    assert order == shuffled(names[::-1], repeats, seed)
    assert sorted(clip for clip, again in order if not again) == sorted(names)
    again = [clip for clip, repeat in order if repeat]
    assert len(again) == len(set(again)) == repeats
    for clip in again:
        assert order.index((clip, True)) - order.index((clip, False)) > GAP


def test_too_many_repeats_are_refused() -> None:
    with pytest.raises(NotNowError, match="at most 1"):
        shuffled(["a", "b", "c", "d"], 2, 1)
    with pytest.raises(NotNowError, match="twice"):
        shuffled(["a", "a"], 0, 1)
    assert shuffled([f"c{n}" for n in range(12)], 0, 1) != shuffled([f"c{n}" for n in range(12)], 0, 2)


def test_a_plan_takes_steps_and_references_along() -> None:
    made = plan(
        "Evening",
        [example("a"), example("b", None, "counter_regrasp"), example("c"), example("d")],
        TABLE,
        today=TODAY,
        seed=4,
        repeats=1,
    )
    assert len(made.showings) == 5
    by_clip = {s.clip: s for s in made.showings}
    assert by_clip["a"].steps == FIVE
    assert (by_clip["a"].reference, by_clip["a"].by, by_clip["a"].measured) == (5, "expert", (5, 10))
    assert (by_clip["b"].steps, by_clip["b"].reference) == ((0, 10, 30), None)
    assert len(made.room_code) == 6
    with pytest.raises(NotNowError, match="no step"):
        plan("E", [example("a", 5, "counter_regrasp")], TABLE, today=TODAY, seed=1)
    with pytest.raises(NotNowError, match="not cleared"):
        plan("E", [example("a")], TABLE, today=date(2031, 12, 2), seed=1)
    with pytest.raises(NotNowError, match="at least one clip"):
        plan("E", [], TABLE, today=TODAY, seed=1)
    with pytest.raises(NotNowError, match="at least a second"):
        plan("E", [example("a")], TABLE, today=TODAY, seed=1, thinking_ns=0)
    with pytest.raises(NotNowError, match="true speed"):
        plan("E", [example("a")], TABLE, today=TODAY, seed=1, slowness=3)
    slow = plan("E", [example("a")], TABLE, today=TODAY, seed=1, slowness=4)
    assert (slow.slowness, slow.speed) == (4, "quarter speed")


def test_codes_are_read_as_people_type_them() -> None:
    assert tidy_code(" ab-c 234 ") == "ABC234"

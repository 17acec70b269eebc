"""The judges' table asks a running capture: pieces of a routine, looks, corrections by hand."""

from __future__ import annotations

import io

import av
import pytest

from bridge.messages import (
    Accepted,
    Clip,
    Correction,
    CorrectionRequest,
    Look,
    LookRequest,
    Reading,
    Refused,
    RoutineClipRequest,
    Snapshot,
    SnapshotRequest,
    Viewing,
)
from bridge.session import Session
from tests.test_station import Arena, arena, wait_for  # noqa: F401  # arena is a fixture

S = 1_000_000_000


def snapshot(arena: Arena) -> Snapshot:  # noqa: F811
    answer = arena.desk.ask(SnapshotRequest())
    assert isinstance(answer, Snapshot)
    return answer


@pytest.fixture
def reading(arena: Arena) -> Reading:  # noqa: F811
    def settled() -> Reading | None:
        return next((r for r in snapshot(arena).readings if r.state == "settled"), None)

    found = wait_for(settled)
    assert isinstance(found, Reading)
    return found


def test_a_routine_comes_in_pieces_while_capture_runs(arena: Arena, reading: Reading) -> None:  # noqa: F811
    begin_ns = reading.release_ns
    answer = arena.desk.ask(RoutineClipRequest(routine=1, begin_ns=begin_ns, length_ns=S // 2))
    assert isinstance(answer, Clip)
    assert answer.flight == "r1"
    inside = [t for t in answer.times_ns if answer.begin_ns <= t <= answer.end_ns]
    assert 25 <= len(inside) <= 35
    with av.open(io.BytesIO(answer.matroska)) as film:
        assert sum(1 for _ in film.decode(video=0)) == len(answer.times_ns)
    assert isinstance(arena.desk.ask(RoutineClipRequest(routine=9, begin_ns=0)), Refused)


def test_a_look_and_a_correction_are_journalled_and_told_to_everybody(
    arena: Arena,  # noqa: F811
    reading: Reading,
) -> None:
    look = Look(
        flight=reading.flight, routine=1, by="panel", lasted_s=4.0,
        views=(Viewing(speed=1.0, level="picture", passes=1.0),),
    )  # fmt: skip
    assert isinstance(arena.desk.ask(LookRequest(look=look)), Accepted)
    assert reading.drawing is not None and reading.drawing.apex is not None and reading.apex is not None
    x, y = reading.drawing.apex
    asked = CorrectionRequest(flight=reading.flight, t_ns=reading.apex_ns, hips=(x, y + 20), by="panel")
    worked_out = arena.desk.ask(asked)
    assert isinstance(worked_out, Correction)
    assert worked_out.height is not None and worked_out.height.value < reading.apex.value
    assert snapshot(arena).corrections == ()
    kept = arena.desk.ask(
        CorrectionRequest(flight=asked.flight, t_ns=asked.t_ns, hips=asked.hips, by="panel", keep=True)
    )
    assert isinstance(kept, Correction)
    told = snapshot(arena)
    assert told.corrections == (kept,)
    assert [(own.flight, own.views) for own in told.looks] == [(reading.flight, look.views)]
    assert told.looks[0].wall_time
    with Session.open(arena.session).journal() as journal:
        assert journal.looks() == told.looks
        assert journal.corrections() == told.corrections
        assert journal.verify() is None
    assert isinstance(arena.desk.ask(CorrectionRequest(flight="r9-f9", t_ns=0)), Refused)

"""Routines are cut from mounting to leaving, and a fall does not end one."""

from __future__ import annotations

from bridge.messages import Phase
from capture.routines import RoutineCutter

S = 1_000_000_000


def cut(phases: list[tuple[int, Phase]]) -> list[tuple[int, int, int | None]]:
    cutter = RoutineCutter()
    out = [record for t_s, phase in phases for record in cutter.push(t_s * S, phase)]
    out += cutter.finish()
    return [(r.routine, r.begin_ns // S, None if r.end_ns is None else r.end_ns // S) for r in out]


def test_a_routine_lasts_from_mount_to_landing() -> None:
    assert cut([(0, "away"), (3, "support"), (9, "flight"), (10, "support"), (40, "away"), (60, "away")]) == [
        (1, 3, None),
        (1, 3, 10),
    ]


def test_a_fall_of_up_to_thirty_seconds_stays_in_the_routine() -> None:
    assert cut([(0, "support"), (10, "away"), (39, "support"), (45, "away")]) == [(1, 0, None), (1, 0, 39)]


def test_the_next_gymnast_begins_a_routine_of_her_own() -> None:
    assert cut([(0, "support"), (10, "away"), (31, "away"), (32, "support"), (50, "support")]) == [
        (1, 0, None),
        (1, 0, 0),
        (2, 32, None),
        (2, 32, 50),
    ]


def test_an_empty_apparatus_has_no_routine() -> None:
    assert cut([(t, "away") for t in range(100)]) == []

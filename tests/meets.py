"""A small recorded meet: invented turns, pictures and joints, a start list."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from bridge.messages import Consent, Entry, EntryRequest, Routine, Ruling
from bridge.running_order import RunningOrder
from bridge.session import SessionWriter, new_manifest
from capture.observation import JointObservation
from capture.recorder import _joint_columns
from tests.sessions import invented_reading, write_segment

NS = 1_000_000_000
TURN_S, EVERY_S = 8, 40  # each turn, and from one to the next
STEP_NS = NS // 5


def begin_of(turn: int) -> int:
    """Capture time at which a turn begins, turns counting from 1."""
    return (turn * EVERY_S - 20) * NS


def times_of(turns: int) -> list[int]:
    return list(range(NS, begin_of(turns + 1), STEP_NS))


def recorded_meet(folder: Path, *consents: Consent, title: str = "Invented cup") -> Path:
    """A closed session in which everybody on the list was on the bars, in order; numbers from 21."""
    entries = tuple(
        Entry(number=str(20 + i), order=i, rotation="1", consent=c) for i, c in enumerate(consents, 1)
    )
    with SessionWriter(folder, new_manifest(title, rig_toml="format = 1\n", table="invented 2026")) as writer:
        times = times_of(len(consents))
        write_segment(folder, times, codec="mjpeg")
        write_joints(folder / "joints-0001.csv", times)
        order = RunningOrder(writer.journal, lambda _: None, lambda: NS)
        order.answer(EntryRequest(action="load", entries=entries, consent="coaching"))
        for turn in range(1, len(consents) + 1):
            begin_ns = begin_of(turn)
            order.take(Routine(routine=turn, start_number="", begin_ns=begin_ns))
            writer.journal.append(
                invented_reading(
                    1, 0, 0, 0, flight=f"r{turn}-f1", routine=turn, release_ns=begin_ns + 3 * NS,
                    family="dismount", end_kind="landing",
                    apex_ns=begin_ns + 3 * NS + NS // 3, end_ns=begin_ns + 4 * NS,
                ),
                begin_ns + 5 * NS,
            )  # fmt: skip
            writer.journal.append(Ruling(flight=f"r{turn}-f1", decision="above", by="panel"), begin_ns)
            end_ns = begin_ns + TURN_S * NS
            order.take(Routine(routine=turn, start_number="", begin_ns=begin_ns, end_ns=end_ns))
    return folder


def write_joints(path: Path, times_ns: list[int]) -> None:
    rows = [",".join(_joint_columns())]
    for t_ns in times_ns:
        seen = JointObservation(t_ns, np.full((14, 2), 9.0), np.ones(14), np.ones(14))
        table = np.column_stack([seen.px, seen.sigma_px, seen.score])
        rows.append(",".join([str(t_ns), *(f"{v:.3f}" for v in table.ravel())]))
    path.write_text("\n".join(rows) + "\n")

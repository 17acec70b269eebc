"""Draws the states of the staff's window to PNG files, for people to look at. All of it is invented."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Final

import msgspec
from PySide6.QtWidgets import QApplication

from bridge.clock import ManualClock
from bridge.messages import Consent, Entry, Heartbeat, Routine, Scene, Snapshot, StartList
from overlay.app import start_application
from overlay.desk import Connection, DeskThread
from overlay.feed import Feed
from overlay.meet.window import StaffWindow
from overlay.theme import DARK, LIGHT, Theme

SHEETS: Final[tuple[tuple[tuple[int, int], Theme], ...]] = (
    ((1280, 800), LIGHT), ((1920, 1080), LIGHT), ((1920, 1080), DARK), ((3840, 2160), LIGHT),
)  # fmt: skip
NS: Final = 1_000_000_000
WELL: Final = Heartbeat(
    feed="running", recorded=41_230, measured=41_228, dropped=0, fps=60.0, picture_age_ns=16_000_000,
    waiting=2, space_s=21_000.0, light=0.98, sharp=1.01, wall_time="2026-03-14T10:42:07+01:00",
)  # fmt: skip
ILL: Final = msgspec.structs.replace(
    WELL, light=0.61, sharp=0.74, waiting=900, space_s=400.0, dropped=31,
    camera="the camera was moved: the picture shifted by 14 px; set the line again",
)  # fmt: skip


def invented_list() -> StartList:
    """Twelve invented entries of two rotations."""
    consents: tuple[Consent, ...] = ("coaching", "this session only", "teaching", "do not film")
    return StartList(
        entries=tuple(
            Entry(
                number=str(101 + 7 * i % 60),
                order=i + 1,
                rotation=str(1 + i // 6),
                group="junior" if i % 3 else "senior",
                consent=consents[i % 4 if i % 4 != 3 or i == 7 else 0],
                scratched=i == 4,
            )
            for i in range(12)
        )
    )


def _states() -> Iterator[tuple[str, StartList, int, bool, Heartbeat | None]]:
    """Name, list, routines so far, whether the last is under way, heartbeat."""
    listed = invented_list()
    numbers = [e.number for e in listed.entries if not e.scratched]
    yield "well", msgspec.structs.replace(listed, next=numbers[4]), 4, True, WELL
    yield "ill", msgspec.structs.replace(listed, next=numbers[4]), 4, False, ILL
    closed = next(e.number for e in listed.entries if e.consent == "do not film")
    paused = "not to be filmed: nothing is recorded until her turn is over"
    yield "not-filmed", msgspec.structs.replace(listed, next=closed, paused=paused), 6, False, WELL
    on_break = msgspec.structs.replace(
        listed, next=numbers[5], part="break", paused="break: nothing is recorded"
    )
    yield "break", on_break, 5, False, WELL
    yield "before", StartList(), 0, False, None


def draw_staff(folder: Path) -> list[Path]:
    """Draw every state at several sizes; gives the files."""
    start_application()
    folder.mkdir(parents=True, exist_ok=True)
    files = []
    for name, listed, turns, under_way, beat in _states():
        clock = ManualClock(NS)
        feed, desk = Feed(clock), DeskThread(_nowhere)
        window = StaffWindow(feed, desk, clock)
        numbers = [e.number for e in listed.entries if not e.scratched]
        routines = tuple(
            Routine(
                routine=i + 1, start_number=numbers[i], begin_ns=i * 90 * NS,
                end_ns=None if under_way and i == turns - 1 else i * 90 * NS + 40 * NS,
            )
            for i in range(turns)
        )  # fmt: skip
        if beat is not None:
            scene = Scene(
                title="Larkmoor spring cup, bars", picture=(1920, 1080), lines=(), table="invented 2026",
                policy="band",
            )  # fmt: skip
            feed.put(Snapshot(seq=1, scene=scene, routines=routines, start_list=listed))
            feed.put(beat)
        window.show()
        for size, theme in SHEETS:
            window.resize(*size)
            window.set_theme(theme)
            QApplication.processEvents()
            path = folder / f"staff-{name}-{size[0]}x{size[1]}-{theme.name}.png"
            window.grab().save(str(path))
            files.append(path)
        window.close()
        window.deleteLater()
    return files


def _nowhere() -> Connection:
    raise AssertionError("nothing is asked while pictures are drawn")

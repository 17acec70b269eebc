"""The clinic's commands and sentences, from a recorded session to agreement."""

from __future__ import annotations

import csv
import io
import re
from datetime import UTC, datetime
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from bridge.clock import ManualClock
from bridge.errors import ConfigError
from bridge.journal import Gymnast
from bridge.messages import Quantity, Reading, Routine
from bridge.session import SessionWriter, new_manifest
from overlay.clinic.agreement import own_agreement, room_agreement
from overlay.clinic.commands import register
from overlay.clinic.examples import Collection
from overlay.clinic.practice import NS, Asked, Locked, Practice, Viewed, plan
from overlay.clinic.steps import read_steps
from overlay.clinic.summary import own_lines, room_lines
from tests.clinic_rooms import TABLE, TODAY, clips
from tests.test_clinic_agreement import ITEMS, ROOM

SHIPPED = Path(__file__).parent.parent / "capture" / "tables" / "bands_common_practice.toml"


def railcrest(*args: object) -> str:
    app = typer.Typer()
    register(app)
    done = CliRunner().invoke(app, ["clinic", *map(str, args)], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.stdout


@pytest.fixture
def session(tmp_path: Path) -> Path:
    folder = tmp_path / "spring"
    with SessionWriter(folder, new_manifest("Spring")) as writer:
        for n, consent in ((1, "teaching"), (2, "this session only")):
            writer.journal.append(Gymnast(start_number=str(n), consent=consent), 0)  # type: ignore[arg-type]
            writer.journal.append(Routine(routine=n, start_number=str(n), begin_ns=n), 0)
            reading = Reading(
                flight=f"r{n}-f1",
                routine=n,
                number=1,
                state="settled",
                family="dismount",
                apex=Quantity(0.05, 0.02, "m"),
                band="level",
                range=(0.05, 0.10),
            )
            writer.journal.append(reading, 0)
    return folder


HOW = ("--grade", "middling", "--reason", "hips at the bar", "--side", "right", "--book", "Invented")
MARK = ("--year", 2031, "--mark", 0.05, "--why", "no rise after", "--by", "panel of three")


def test_from_a_recorded_session_to_a_practice(session: Path, tmp_path: Path) -> None:
    kept = tmp_path / "set.json"
    assert railcrest("collect", session, "r1-f1", *HOW, *MARK, "--set", kept) == "spring/r1-f1\n"
    with pytest.raises(ConfigError, match="this session only"):
        railcrest("collect", session, "r2-f1", *HOW, *MARK, "--set", kept)
    with pytest.raises(ConfigError, match="no flight"):
        railcrest("collect", session, "r9-f1", *HOW, *MARK, "--set", kept)
    assert "middling" in railcrest("find", "--cleared", "--balanced", 3, "--set", kept)
    example = Collection(kept).get("spring/r1-f1")
    assert example.reference is not None
    assert (example.gymnast, example.reference.mark, example.range) == ("1", 5, (5, 10))
    today = datetime.now(UTC).date()
    made = plan("E", [example], read_steps(SHIPPED), today=today, seed=1)
    assert made.showings[0].height_m == 0.05


def test_agreement_of_a_practice(tmp_path: Path) -> None:
    path = tmp_path / "p.sqlite"
    with Practice(path, plan("E", clips(2), TABLE, today=TODAY, seed=1), clock=ManualClock(NS)) as practice:
        codes = [practice.join()[1] for _ in range(3)]
        for number in (1, 2):
            practice.do(Viewed(number=number, view=1))
            practice.do(Asked(number=number))
            for n, code in enumerate(codes):
                practice.mark(code, number, 5 * n)
            practice.do(Locked(number=number))
    said = railcrest("agree", path)
    assert "2 clips, 3 markers." in said
    assert "0 of 6 exact, 4 of 6 within one step" in said
    assert "m1" not in said
    mine = railcrest("agree", path, "--marker", "m2")
    assert mine.startswith("Marker 2: 2 clips marked.")
    rows = list(csv.DictReader(io.StringIO(railcrest("agree", path, "--csv"))))
    assert [r["mark"] for r in rows] == ["0.00", "0.05", "0.10"] * 2
    with pytest.raises(ConfigError, match="m9"):
        railcrest("agree", path, "--marker", "m9")


def test_sentences_put_counts_before_statistics() -> None:
    said = room_lines(room_agreement(ITEMS, ROOM))
    counts = next(n for n, line in enumerate(said) if "exact" in line)
    statistics = next(n for n, line in enumerate(said) if "alpha" in line or "ICC" in line)
    assert counts < statistics
    assert any("wide" in line for line in said[:counts])
    disputed = [line for line in said if line.startswith("Disputed")]
    assert disputed[0] == "Disputed: b, 2.0 steps apart on average: 0.00 ●, 0.10 ●, 0.15 ●"
    assert not any(f"m{n}" in line for n in (1, 2, 3) for line in said)
    assert all("%" in line for line in said if "ICC" in line)
    mine = own_lines(own_agreement(ITEMS, ROOM, "m2"))
    assert "1 of 4 exact, 4 of 4 within one step" in mine[2]
    assert any(re.search(r"0\.03[78] points stricter on average", line) for line in mine)  # 0.0375

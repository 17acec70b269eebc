"""The main job, end to end: the demo session through capture and bus, and bad input at the door."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from bridge.bus import read_run_file
from bridge.errors import ExitCode
from bridge.messages import Quantity, Reading
from bridge.session import Session, sessions_root
from capture.demo import compare, demo_files
from capture.studio import truth
from tests.clips import write_clip

DEMO = demo_files()
STEADY_MS = [round(i * 1000 / 60) for i in range(60)]


def railcrest(
    *arguments: str | Path, cwd: Path | None = None, timeout_s: float = 240
) -> subprocess.CompletedProcess[str]:
    """The real command in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "bridge", *map(str, arguments)],
        capture_output=True, text=True, timeout=timeout_s, check=False, cwd=cwd,
    )  # fmt: skip


def test_the_demo_holds_from_pixels_to_the_bus() -> None:
    done = railcrest("demo", "--headless", "--fast", "--json")
    assert done.returncode == ExitCode.OK, done.stderr
    rows = [json.loads(line) for line in done.stdout.splitlines()]
    settled = {row["flight"]: row for row in rows if row["state"] == "settled"}
    assert len(settled) == len(truth.read(DEMO.truth).flights)
    assert {row["band"] for row in settled.values()} == {"above", "level", "below"}
    # The judge sees something before the flight is settled.
    assert any(row["state"] == "provisional" for row in rows)


def test_measuring_gives_one_line_a_flight_and_leaves_nothing_behind(tmp_path: Path) -> None:
    before = {path.name: path.stat().st_mtime_ns for path in DEMO.folder.iterdir()}
    done = railcrest("measure", DEMO.folder, "--rig", DEMO.rig, "--json", cwd=tmp_path)
    assert done.returncode == ExitCode.OK, done.stderr
    rows = [json.loads(line) for line in done.stdout.splitlines()]
    readings = [as_reading(row) for row in rows]
    assert compare(readings, truth.read(DEMO.truth).flights, 0) == []
    assert set(rows[0]) >= {
        "family", "release_s", "apex_s", "end_s", "end_kind", "apex_cm", "apex_u_cm", "band", "band_p",
        "range", "state", "reason", "gravity_ms2", "gravity_u", "rail",
    }  # fmt: skip
    assert list(tmp_path.iterdir()) == []
    assert list(sessions_root().parent.iterdir()) == []
    assert {path.name: path.stat().st_mtime_ns for path in DEMO.folder.iterdir()} == before


def as_reading(row: dict[str, object]) -> Reading:
    fields = {name: row[name] for name in ("flight", "family", "state", "end_kind", "rail")}
    times = {f"{name}_ns": round(float(str(row[f"{name}_s"])) * 1e9) for name in ("release", "apex", "end")}
    apex = Quantity(float(str(row["apex_cm"])) / 100, float(str(row["apex_u_cm"])) / 100, "m")
    return Reading(routine=1, number=1, band=str(row["band"]), apex=apex, **fields, **times)  # type: ignore[arg-type]


def test_the_demo_session_that_ships_is_whole() -> None:
    assert [finding for finding in Session.open(DEMO.folder).verify() if finding.grade == "error"] == []


def test_the_demo_survives_a_capture_that_is_killed(tmp_path: Path) -> None:
    demo = subprocess.Popen(
        [sys.executable, "-m", "bridge", "demo", "--headless", "--fast", "--json"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env={**os.environ, "TMPDIR": str(tmp_path)},
    )  # fmt: skip
    try:
        assert demo.stdout is not None
        line = demo.stdout.readline()  # capture has begun to read flights
        assert json.loads(line)["flight"] == "r1-f1"
        (session,) = tmp_path.glob("railcrest-demo-*/demo")
        os.kill(read_run_file(session).pid, signal.SIGKILL)
        out, said = demo.communicate(timeout=240)
    finally:
        demo.kill()
    assert demo.returncode == ExitCode.OK, said
    assert "capture died and was started again; the film begins anew" in said
    rows = list(map(json.loads, out.splitlines()))
    settled = {row["flight"] for row in rows if row["state"] == "settled" and row["flight"][:3] != "r1-"}
    assert len(settled) == len(truth.read(DEMO.truth).flights)


def test_what_is_wrong_is_told_apart() -> None:
    true = truth.read(DEMO.truth).flights[0]
    right = Reading(
        flight="r1-f1", routine=1, number=1, state="settled", family=true.family, rail="high",
        release_ns=round(true.release_s * 1e9), end_ns=round(true.end_s * 1e9),
        end_kind=true.end_kind, band="too close to call", apex=Quantity(true.apex_m, 0.02, "m"),
    )  # fmt: skip
    assert compare([right], [true], 0) == []
    assert compare([], [true], 0) == [f"the {true.family} at {true.release_s:.2f} s was missed"]
    assert "is invented" in compare([right], [], 0)[0]
    late = {
        **{f: getattr(right, f) for f in right.__struct_fields__},
        "release_ns": right.release_ns + 50_000_000,
    }
    assert "release +50 ms off" in compare([Reading(**late)], [true], 0)[0]
    low = {
        **{f: getattr(right, f) for f in right.__struct_fields__},
        "apex": Quantity(true.apex_m - 0.05, 0.02, "m"),
    }
    assert "apex -5.0 cm off" in compare([Reading(**low)], [true], 0)[0]


# --- bad input: one clear line, the right exit code, nothing left behind -----------------------


def refused(done: subprocess.CompletedProcess[str], code: ExitCode, *words: str) -> None:
    assert done.returncode == code, done.stderr
    lines = done.stderr.strip().splitlines()
    assert len(lines) == 1, done.stderr
    assert done.stdout == ""
    for word in words:
        assert word in lines[0]


def test_a_missing_video_is_refused(tmp_path: Path) -> None:
    done = railcrest("measure", tmp_path / "nowhere.mp4", "--rig", DEMO.rig)
    refused(done, ExitCode.FEED, "nowhere.mp4", "no such file")


def test_an_empty_video_is_refused(tmp_path: Path) -> None:
    (tmp_path / "empty.mp4").touch()
    refused(railcrest("measure", tmp_path / "empty.mp4", "--rig", DEMO.rig), ExitCode.FEED, "is empty")


def test_a_file_that_is_no_video_is_refused_before_anything_is_written(tmp_path: Path) -> None:
    (tmp_path / "letter.mp4").write_text("Dear judge, " * 100)
    session = tmp_path / "session"
    done = railcrest("capture", "--feed", tmp_path / "letter.mp4", "--rig", DEMO.rig, "--session", session)
    refused(done, ExitCode.FEED, "letter.mp4", "cannot be read as a video")
    assert not session.exists()


def test_a_truncated_video_is_measured_as_far_as_it_goes_and_said(tmp_path: Path) -> None:
    data = (DEMO.folder / "feed-0001.mkv").read_bytes()
    cut = tmp_path / "cut.mkv"
    cut.write_bytes(data[: len(data) // 5])
    done = railcrest("measure", cut, "--rig", DEMO.rig, "--json")
    assert done.returncode == ExitCode.FEED
    assert "cut short" in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    assert len(done.stdout.splitlines()) >= 1  # the first flight lies in what is left


@pytest.mark.parametrize(
    ("points", "word"),
    [
        (["high.near", "high.far", "high.mid", "low.near", "low.far"], "6"),  # too few
        (["high.near"] * 6, "high.near"),  # the same one again and again
    ],
)
def test_a_rig_with_too_few_points_is_refused(tmp_path: Path, points: list[str], word: str) -> None:
    text = '[apparatus]\npreset = "senior"\nlow_bar_side = "right"\n[camera]\npicture = [1920, 1080]\n'
    text = "format = 1\n" + text
    for i, name in enumerate(points):
        text += f'[[camera.points]]\nname = "{name}"\npx = [{800 + 7 * i}.0, {500 + 11 * i}.0]\n'
    rig = tmp_path / "rig.toml"
    rig.write_text(text)
    refused(railcrest("measure", DEMO.folder, "--rig", rig), ExitCode.CONFIG, "rig.toml", word)


def test_a_rig_with_points_on_one_line_is_refused(tmp_path: Path) -> None:
    names = ["high.near", "high.mid", "high.far", "low.near", "low.mid", "low.far"]
    text = 'format = 1\n[apparatus]\npreset = "senior"\n[camera]\npicture = [1920, 1080]\n'
    for i, name in enumerate(names):
        text += f'[[camera.points]]\nname = "{name}"\npx = [{600 + 40 * i}.0, {500 + 20 * i}.0]\n'
    rig = tmp_path / "rig.toml"
    rig.write_text(text)
    refused(railcrest("measure", DEMO.folder, "--rig", rig), ExitCode.CONFIG, "rig.toml")


def test_a_rig_for_another_picture_size_is_refused(tmp_path: Path) -> None:
    small = write_clip(tmp_path / "small.mkv", STEADY_MS)
    refused(railcrest("measure", small, "--rig", DEMO.rig), ExitCode.CONFIG, "1920x1080", "192x96")


def test_a_port_in_use_is_named_and_leaves_nothing(tmp_path: Path) -> None:
    session = tmp_path / "session"
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        done = railcrest(
            "capture", "--feed", DEMO.folder, "--rig", DEMO.rig, "--session", session, "--port", str(port)
        )
    refused(done, ExitCode.BUS, f"port {port} is in use", "--port")
    assert not session.exists()


def test_a_network_that_is_not_the_one_its_hash_names_is_refused(tmp_path: Path) -> None:
    import capture.models

    folder = tmp_path / "weights"
    shutil.copytree(capture.models.weights_folder(), folder)
    path, _ = capture.models.find_network("joints", folder)
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(bytes(data))
    script = (
        "import capture.models, sys; from pathlib import Path\n"
        f"capture.models.weights_folder = lambda: Path({str(folder)!r})\n"
        "from bridge.cli import main\n"
        f"sys.argv = ['railcrest', 'measure', {str(DEMO.folder)!r}, '--rig', {str(DEMO.rig)!r}]\n"
        "sys.exit(main())"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, timeout=120, check=False
    )
    refused(done, ExitCode.MODEL, path.name, "hash")


def test_a_model_that_is_no_model_is_refused(tmp_path: Path) -> None:
    (tmp_path / "noise.pt").write_bytes(b"\x80\x02nothing to load" * 50)
    done = railcrest("measure", DEMO.folder, "--rig", DEMO.rig, "--model", tmp_path / "noise.pt")
    refused(done, ExitCode.MODEL, "noise.pt")

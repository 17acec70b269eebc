"""A session folder gives back what was recorded, by time, also while it is being written."""

from __future__ import annotations

import io
import json
import os
import signal
import stat
import subprocess
import sys
import threading
import time
from datetime import UTC, date, datetime
from pathlib import Path

import av
import numpy as np
import pytest
from numpy.typing import NDArray

from bridge.errors import ExitCode, RecordingError
from bridge.messages import Quantity, Reading, Routine, Ruling
from bridge.session import (
    Manifest,
    Session,
    SessionWriter,
    clock_after,
    data_dir,
    find_sessions,
    lock_holder,
    new_manifest,
    new_session_folder,
    read_manifest,
    refuse_in_use,
    sessions_root,
)
from tests.clips import number_of
from tests.sessions import SIZE, TIMES_NS, record, recorded_session, write_segment

NOW = datetime(2026, 3, 4, 5, 6, 7, tzinfo=UTC)


def numbers_in(data: bytes) -> list[int]:
    with av.open(io.BytesIO(data)) as container:
        return [number_of(frame.to_ndarray(format="bgr24")) for frame in container.decode(video=0)]


# --- the manifest ---------------------------------------------------------------------------


def test_the_manifest_comes_back_and_is_plain_json(tmp_path: Path) -> None:
    manifest = new_manifest(
        "Morning turns", rig_toml="format = 1\n", now=NOW, keep_days=7, table="invented 2026",
        models={"a.onnx": "00"}, camera={"focal_px": 1500.0}, feed={"name": "file", "fps": 60.0},
    )  # fmt: skip
    with SessionWriter(tmp_path / "s", manifest) as writer:
        assert writer.update(camera={"focal_px": 1510.0}).camera == {"focal_px": 1510.0}
    read = Session.open(tmp_path / "s").manifest
    assert read.title == "Morning turns"
    assert read.camera == {"focal_px": 1510.0}
    assert datetime.fromisoformat(read.created) == NOW
    assert (
        date.fromisoformat(read.expires) - datetime.fromisoformat(read.created).date() == date.resolution * 7
    )
    path = tmp_path / "s" / "session.json"
    assert json.loads(path.read_text())["format"] == 1
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_a_session_that_needs_a_newer_reader_is_refused_politely(tmp_path: Path) -> None:
    (tmp_path / "session.json").write_text('{"format": 9, "minimum_reader": 9, "shape": "unknown"}')
    with pytest.raises(RecordingError, match="needs a newer Railcrest") as caught:
        read_manifest(tmp_path)
    assert caught.value.exit_code == ExitCode.RECORDING


def test_a_newer_session_that_old_readers_understand_is_read(tmp_path: Path) -> None:
    (tmp_path / "session.json").write_text(
        '{"format": 2, "minimum_reader": 1, "title": "t", "created": "", "new_field": [1]}'
    )
    assert read_manifest(tmp_path).title == "t"


@pytest.mark.parametrize("content", ["", "[]", "{}", '{"title": 3, "created": ""}', "\0\1", "[" * 100_000])
def test_a_broken_manifest_is_named(tmp_path: Path, content: str) -> None:
    (tmp_path / "session.json").write_text(content)
    with pytest.raises(RecordingError, match=r"session\.json"):
        read_manifest(tmp_path)


def test_no_session_is_told(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="no session is there"):
        Session.open(tmp_path)


@pytest.mark.parametrize("name", ["../x", "/etc/passwd", "a/b", "..", ".", "", "x\0"])
def test_names_cannot_leave_the_folder(tmp_path: Path, name: str) -> None:
    session = Session(tmp_path, Manifest(title="", created=""))
    with pytest.raises(RecordingError, match="not a file of session"):
        session.file(name)


def test_a_link_out_of_the_folder_is_refused(tmp_path: Path) -> None:
    folder = recorded_session(tmp_path / "s")
    (folder / "feed-0001.mkv").rename(tmp_path / "elsewhere.mkv")
    (folder / "feed-0001.mkv").symlink_to(tmp_path / "elsewhere.mkv")
    with pytest.raises(RecordingError, match="not a file of session"):
        Session.open(folder).clip(TIMES_NS[0], TIMES_NS[5])


# --- the lock -------------------------------------------------------------------------------


def test_a_second_writer_is_refused(tmp_path: Path) -> None:
    manifest = new_manifest("t")
    with SessionWriter(tmp_path, manifest):
        assert lock_holder(tmp_path) == (True, str(os.getpid()))
        with pytest.raises(RecordingError, match=rf"process {os.getpid()} is recording"):
            SessionWriter(tmp_path, manifest)
        with pytest.raises(RecordingError, match=rf"process {os.getpid()} is recording"):
            refuse_in_use(tmp_path)
        assert lock_holder(tmp_path) == (True, str(os.getpid()))
    assert lock_holder(tmp_path) is None
    refuse_in_use(tmp_path)
    with SessionWriter(tmp_path, manifest) as again:
        assert again.taken_over is None


def test_the_lock_of_a_killed_capture_is_taken_over_and_noted(tmp_path: Path) -> None:
    script = (
        "import sys, time; from pathlib import Path\n"
        "from bridge.session import SessionWriter, new_manifest\n"
        "w = SessionWriter(Path(sys.argv[1]), new_manifest('t')); print('open', flush=True); time.sleep(60)"
    )
    child = subprocess.Popen([sys.executable, "-c", script, str(tmp_path)], stdout=subprocess.PIPE)
    assert child.stdout is not None
    assert child.stdout.readline() == b"open\n"
    with pytest.raises(RecordingError, match=f"process {child.pid} is recording"):
        SessionWriter(tmp_path, new_manifest("t"))
    child.send_signal(signal.SIGKILL)
    child.wait()
    child.stdout.close()
    assert lock_holder(tmp_path) == (False, str(child.pid))
    assert any("left it open" in f.text for f in Session.open(tmp_path).verify())
    with SessionWriter(tmp_path, new_manifest("t")) as writer:
        assert writer.taken_over is not None
        assert str(child.pid) in writer.taken_over
        assert [row.kind for row in writer.journal.rows()] == ["note"]


def test_a_folder_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(RecordingError, match="cannot be written"):
        SessionWriter(tmp_path / "file" / "s", new_manifest("t"))


# --- finding --------------------------------------------------------------------------------


def test_sessions_are_found_in_the_data_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("RAILCREST_DATA", str(tmp_path / "env"))
    assert data_dir(tmp_path / "given") == tmp_path / "given"
    assert sessions_root() == tmp_path / "env" / "sessions"
    assert find_sessions(sessions_root()) == []
    names = []
    for title in ("Juniors, Hall B", "../../../etc"):
        folder = new_session_folder(title, sessions_root(), NOW)
        assert folder.parent == sessions_root()
        SessionWriter(folder, new_manifest(title)).close()
        names.append(folder)
    assert find_sessions(sessions_root()) == sorted(names)
    assert new_session_folder("../../../etc", sessions_root(), NOW).name.endswith("-etc-2")
    monkeypatch.delenv("RAILCREST_DATA")
    assert "railcrest" in str(data_dir())


# --- clips by time --------------------------------------------------------------------------


@pytest.mark.parametrize("codec", ["libx264", "mjpeg"])
def test_a_clip_holds_the_recorded_pictures_and_their_times(tmp_path: Path, codec: str) -> None:
    session = Session.open(recorded_session(tmp_path / "s", codec=codec))
    begin, end = TIMES_NS[70], TIMES_NS[100]
    clip = session.clip(begin, end)
    numbers = numbers_in(clip.data)
    assert [TIMES_NS[n] for n in numbers] == list(clip.times_ns)
    assert clip.times_ns[-1] == end
    assert begin in clip.times_ns
    assert begin - clip.times_ns[0] <= 500_000_000, "it begins at the key frame before"


def test_every_clip_of_a_recording_is_right(tmp_path: Path) -> None:
    session = Session.open(recorded_session(tmp_path / "s"))
    for first in range(0, len(TIMES_NS) - 1, 13):
        for last in (first, first + 1, min(first + 47, len(TIMES_NS) - 1)):
            clip = session.clip(TIMES_NS[first], TIMES_NS[last])
            numbers = numbers_in(clip.data)
            assert numbers == list(range(numbers[0], last + 1))
            assert [TIMES_NS[n] for n in numbers] == list(clip.times_ns)
            assert numbers[0] <= first


def test_nothing_recorded_then_is_told(tmp_path: Path) -> None:
    session = Session.open(recorded_session(tmp_path / "s"))
    for begin, end in ((0, 1), (TIMES_NS[-1] + 1, TIMES_NS[-1] + 10**9), (TIMES_NS[9], TIMES_NS[3])):
        with pytest.raises(RecordingError, match="no picture was recorded"):
            session.clip(begin, end)


def test_a_clip_may_ask_for_more_than_was_recorded(tmp_path: Path) -> None:
    session = Session.open(recorded_session(tmp_path / "s"))
    assert session.clip(TIMES_NS[0] - 10**9, TIMES_NS[-1] + 10**9).times_ns == tuple(TIMES_NS)


def test_clips_are_given_while_the_recording_goes_on(tmp_path: Path) -> None:
    with SessionWriter(tmp_path, new_manifest("t")):
        session = Session.open(tmp_path)
        checked = 0
        for written in record(tmp_path, TIMES_NS):
            if written >= 80 and written % 10 == 0:
                end = TIMES_NS[written - 40]  # what is on the disk: at most half a second behind
                clip = session.clip(TIMES_NS[written - 50], end)
                numbers = numbers_in(clip.data)
                assert [TIMES_NS[n] for n in numbers] == list(clip.times_ns)
                assert clip.times_ns[-1] == end
                checked += 1
        assert checked >= 5
    assert list(session.frame_times_ns()) == TIMES_NS


def test_clips_are_given_from_a_recording_that_was_cut_short(tmp_path: Path) -> None:
    folder = recorded_session(tmp_path / "s", closed=False)
    video = folder / "feed-0001.mkv"
    video.write_bytes(video.read_bytes()[: video.stat().st_size * 2 // 3])
    with (folder / "feed-0001.csv").open("a") as file:
        file.write("150,9500")  # half a row
    session = Session.open(folder)
    assert len(session.frame_times_ns()) == len(TIMES_NS)
    clip = session.clip(TIMES_NS[0], TIMES_NS[-1])
    assert numbers_in(clip.data) == list(range(len(clip.times_ns)))
    assert 60 <= len(clip.times_ns) < len(TIMES_NS)
    findings = session.verify()
    assert any("were lost" in f.text for f in findings)
    assert not [f for f in findings if f.grade == "error"]


def test_a_session_goes_on_in_a_second_segment(tmp_path: Path) -> None:
    folder = recorded_session(tmp_path / "s")
    later = [t + 10**12 for t in TIMES_NS]
    with SessionWriter(folder, new_manifest("another title")) as writer:
        assert writer.segment == 2
        assert writer.manifest.title == "Invented turns"
        write_segment(folder, later, segment=2)
    session = Session.open(folder)
    assert list(session.frame_times_ns()) == TIMES_NS + later
    assert session.clip(later[3], later[9]).times_ns[-1] == later[9]
    assert session.clip(TIMES_NS[3], TIMES_NS[9]).times_ns[-1] == TIMES_NS[9]


def test_pictures_are_decoded_by_time(tmp_path: Path) -> None:
    session = Session.open(recorded_session(tmp_path / "s"))
    pictures: list[tuple[int, NDArray[np.uint8]]] = list(session.decode(TIMES_NS[41], TIMES_NS[77]))
    assert [t for t, _ in pictures] == TIMES_NS[41:78]
    assert [number_of(picture) for _, picture in pictures] == list(range(41, 78))
    assert pictures[0][1].shape == (SIZE[1], SIZE[0], 3)


# --- verifying ------------------------------------------------------------------------------


def test_a_whole_session_verifies(tmp_path: Path) -> None:
    assert Session.open(recorded_session(tmp_path / "s")).verify() == []


def test_what_is_wrong_is_found(tmp_path: Path) -> None:
    folder = recorded_session(tmp_path / "s")
    sidecar = folder / "feed-0001.csv"
    rows = sidecar.read_text().splitlines()
    rows[5], rows[6] = rows[6], rows[5]
    sidecar.write_text("\n".join(rows[:-3]) + "\n")
    manifest = json.loads((folder / "session.json").read_text())
    manifest["rig_toml"] += "# moved"
    manifest["expires"] = "2020-01-01"
    (folder / "session.json").write_text(json.dumps(manifest))
    (folder / "journal.sqlite").unlink()
    texts = {f.text: f.grade for f in Session.open(folder).verify()}
    for words, grade in {
        "not later than the one before": "error",
        "pictures but": "error",
        "rig is not the one": "error",
        "no journal": "error",
        "to be deleted after 2020-01-01": "warning",
    }.items():
        assert any(words in text and grade == g for text, g in texts.items()), (words, texts)


def test_a_garbled_sidecar_is_a_finding_not_a_crash(tmp_path: Path) -> None:
    folder = recorded_session(tmp_path / "s")
    (folder / "feed-0001.csv").write_bytes(b"frame,t_ns,pts\n0,\xff,1\n")
    assert any("cannot be read" in f.text for f in Session.open(folder).verify())
    (folder / "feed-0001.mkv").write_bytes(b"no video")
    (folder / "feed-0001.csv").write_bytes(b"frame,t_ns,pts\n")
    assert any("cannot be read as a video" in f.text for f in Session.open(folder).verify())


def test_a_session_can_be_verified_while_it_is_recorded(tmp_path: Path) -> None:
    with SessionWriter(tmp_path, new_manifest("t")) as writer:
        writer.journal.append(Routine(routine=1, start_number="12", begin_ns=0), 0)
        findings = Session.open(tmp_path).verify()
    assert {f.grade for f in findings} == {"warning"}
    assert any("still recording" in f.text for f in findings)


def test_the_journal_is_read_while_it_is_written(tmp_path: Path) -> None:
    reading = Reading(flight="r1-f1", routine=1, number=1, state="settled", apex=Quantity(0.1, 0.01, "m"))
    with SessionWriter(tmp_path, new_manifest("t"), wall=lambda: NOW) as writer:
        done = threading.Event()

        def write() -> None:
            for i in range(50):
                writer.journal.append(reading, i)
                writer.journal.append(Ruling(flight="r1-f1", decision="above"), i)
            done.set()

        thread = threading.Thread(target=write)
        thread.start()
        while not done.is_set():
            with Session.open(tmp_path).journal() as journal:
                assert journal.verify() is None
        thread.join()
    with Session.open(tmp_path).journal() as journal:
        assert journal.readings() == (reading,)
        assert len(journal.rows("reading")) == 50
    assert sorted(p.name for p in tmp_path.iterdir()) == [
        "journal.sha256", "journal.sqlite", "session.json",
    ]  # fmt: skip


def test_a_wall_clock_that_jumps_back_breaks_nothing(tmp_path: Path) -> None:
    times = iter([NOW, datetime(1999, 1, 1, tzinfo=UTC), *[NOW] * 9])
    with SessionWriter(tmp_path, new_manifest("t"), wall=lambda: next(times)) as writer:
        for i in range(3):
            writer.journal.append(Routine(routine=i, start_number="1", begin_ns=i), i)
    assert not [f for f in Session.open(tmp_path).verify() if f.grade == "error"]


def test_a_session_that_goes_on_after_the_machine_was_started_again_has_later_times(tmp_path: Path) -> None:
    assert clock_after(tmp_path / "new").now_ns() < 2**62
    with SessionWriter(tmp_path / "s", new_manifest("t")):
        far_ns = time.monotonic_ns() + 10**15  # as if the machine had run for eleven days more
        write_segment(tmp_path / "s", [far_ns + t for t in TIMES_NS])
    clock = clock_after(tmp_path / "s")
    assert clock.now_ns() > far_ns + TIMES_NS[-1]
    began = time.monotonic()
    clock.sleep_until(clock.now_ns() + 10**7)
    assert time.monotonic() - began < 5

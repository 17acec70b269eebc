"""Nothing that is read, however damaged, ends in anything but a value or a one-line error of ours.

Also: no name leads out of a folder, nothing is ever unpickled, and no viewer holds capture up.
"""

from __future__ import annotations

import ast
import contextlib
import csv
import resource
import shutil
import time
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest
import zmq
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bridge.bus import (
    REQUEST_BURST,
    REQUEST_LIMIT,
    TOO_OFTEN,
    Addresses,
    DeskClient,
    read_run_file,
    write_run_file,
)
from bridge.codec import encode
from bridge.errors import RailcrestError
from bridge.export import export_clip
from bridge.journal import Journal
from bridge.keys import public_key
from bridge.messages import (
    Envelope,
    Head,
    Heartbeat,
    Preview,
    Refused,
    Scene,
    Snapshot,
    SnapshotRequest,
)
from bridge.session import Manifest, Session, new_session_folder, read_manifest, repair
from bridge.start_list import read_start_list
from capture.bands import load_bands
from capture.demo import demo_files
from capture.feeds import FileFeed
from capture.lens import Lens, lens_toml, load_lens
from capture.recorder import read_joints
from capture.rig import load_rig
from capture.studio import truth
from tests.conftest import Bus
from tests.sessions import TIMES_NS, invented_reading, recorded_session

ROOT = Path(__file__).resolve().parent.parent
DEMO = demo_files()
TABLE = next((ROOT / "capture" / "tables").glob("*common*.toml"))


def run_file(path: Path) -> object:
    return read_run_file(path.parent)


def manifest(path: Path) -> object:
    return read_manifest(path.parent)


def journal(path: Path) -> object:
    with Journal(path) as opened:
        return opened.verify(), opened.readings(), opened.seals()


def sidecar(path: Path) -> object:
    return [segment.t_ns for segment in Session(path.parent, Manifest(title="", created="")).segments()]


def joints(path: Path) -> object:
    return list(read_joints(path))


def whole(path: Path) -> object:
    return Session(path.parent, Manifest(title="", created="")).verify()


def whole_files(folder: Path) -> Path:
    """One whole file of each kind that is read, in a session folder; also where the fuzzer begins."""
    recorded_session(folder)
    write_run_file(folder, "s", Addresses(state=1, records=2, desk=3))
    with (DEMO.folder / "joints-0001.csv").open() as file:
        (folder / "joints-0001.csv").write_text("".join(next(file) for _ in range(8)))
    shutil.copy(DEMO.rig, folder / "rig.toml")
    shutil.copy(TABLE, folder / "table.toml")
    shutil.copy(DEMO.truth, folder / "truth.json")
    lens = Lens(picture=(640, 360), focal_px=600.0, centre_px=(319.5, 179.5), k1=-0.05)
    (folder / "lens.toml").write_text("format = 1\n" + lens_toml(lens))
    (folder / "list.csv").write_text("number;order;rotation;consent\n12;1;1;no\n7;2;1;teaching\n")
    (folder / "own.key").write_text('metadata\ncurve\n    public-key = "' + "a" * 40 + '"\n')
    return folder


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return whole_files(tmp_path_factory.mktemp("hostile") / "s")


READERS: dict[str, tuple[str, Callable[[Path], object]]] = {
    "manifest": ("session.json", manifest),
    "run file": ("bus.json", run_file),
    "rig": ("rig.toml", load_rig),
    "band table": ("table.toml", load_bands),
    "truth": ("truth.json", truth.read),
    "times": ("feed-0001.csv", sidecar),
    "joints": ("joints-0001.csv", joints),
    "lens": ("lens.toml", load_lens),
    "start list": ("list.csv", read_start_list),
    "key": ("own.key", public_key),
    "journal": ("journal.sqlite", journal),
    "pictures": ("feed-0001.mkv", whole),
}


@pytest.mark.parametrize("kind", READERS)
def test_the_files_that_are_damaged_below_are_whole(kind: str, kept: Path) -> None:
    name, read = READERS[kind]
    assert read(kept / name)


@pytest.mark.parametrize("kind", READERS)
def test_a_damaged_file_is_read_or_refused(
    kind: str, kept: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    name, read = READERS[kind]
    content = (kept / name).read_bytes()
    folder = tmp_path_factory.mktemp("damaged")
    shutil.copytree(kept, folder, dirs_exist_ok=True)

    @settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
    @given(st.data())
    def damage(data: st.DataObject) -> None:
        damaged = bytearray(content)
        for _ in range(data.draw(st.integers(0, 6))):
            at = data.draw(st.integers(0, len(damaged) - 1))
            damaged[at : at + data.draw(st.integers(0, 3))] = data.draw(st.binary(max_size=3))
            damaged = damaged or bytearray(b"x")
        (folder / name).write_bytes(damaged[: data.draw(st.integers(0, len(damaged)))])
        try:
            read(folder / name)
        except RailcrestError as error:
            assert "Traceback" not in str(error)
            assert len(str(error)) < 2000

    damage()


@settings(max_examples=200, deadline=None)
@given(st.text(max_size=60))
def test_no_name_leads_out_of_the_folder(tmp_path_factory: pytest.TempPathFactory, name: str) -> None:
    root = Path("/nowhere/sessions")
    assert new_session_folder(name, root).parent == root
    assert ".." not in new_session_folder(name, root).name
    session = Session(root / "s", Manifest(title="", created=""))
    with contextlib.suppress(RailcrestError):
        assert session.file(name).parent == root / "s"


@settings(max_examples=20, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.text(min_size=1, max_size=30))
def test_no_flight_is_exported_out_of_the_folder(kept: Path, tmp_path: Path, flight: str) -> None:
    reading = msgspec.structs.replace(invented_reading(1, 30, 45, 60), flight=flight)
    assert export_clip(Session.open(kept), reading, tmp_path).parent == tmp_path


FORBIDDEN = {"pickle", "cPickle", "dill", "cloudpickle", "shelve", "marshal", "joblib"}
CALLS = {"recv_pyobj", "send_pyobj", "eval", "exec"}


def test_nothing_is_ever_unpickled() -> None:
    for path in sorted(p for side in ("bridge", "capture", "overlay") for p in (ROOT / side).rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text())):
            names: set[str] = set()
            if isinstance(node, ast.Import):
                names = {alias.name.split(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom):
                names = {(node.module or "").split(".")[0]}
            assert not names & FORBIDDEN, f"{path}:{node.lineno}"  # type: ignore[attr-defined]
            if not isinstance(node, ast.Call):
                continue
            called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            whole_name = ast.unparse(node.func)
            arguments = {keyword.arg: ast.unparse(keyword.value) for keyword in node.keywords}
            where = f"{path.relative_to(ROOT)}:{node.lineno} {whole_name}"
            method = isinstance(node.func, ast.Attribute) and called in {"eval", "exec"}  # torch's and Qt's
            assert called not in CALLS or method, where
            assert arguments.get("allow_pickle") != "True", where
            if whole_name == "torch.load":
                assert arguments.get("weights_only") == "True", where


# --- the bus --------------------------------------------------------------------------------


def test_whoever_asks_too_often_is_refused_and_others_are_not(bus: Bus, scene: Scene) -> None:
    publisher = bus.publisher()
    publisher.publish(scene, 0)
    desk = bus.desk(publisher, {SnapshotRequest: lambda _: publisher.records.snapshot()})
    greedy, modest = bus.client(desk.addresses), bus.client(desk.addresses)
    asked = 3 * REQUEST_BURST
    for _ in range(asked):
        greedy.begin(SnapshotRequest())
    answers: list[object] = []
    end = time.monotonic() + 10
    while Refused(reason=TOO_OFTEN) not in answers and time.monotonic() < end:
        answers += [envelope.body for envelope in greedy.collect(0.1).values()]
    assert REQUEST_BURST <= sum(isinstance(a, Snapshot) for a in answers) <= REQUEST_BURST + 40
    assert Refused(reason=TOO_OFTEN) in answers
    assert isinstance(modest.ask(SnapshotRequest()), Snapshot)


def test_replayed_and_future_messages_at_the_desk(bus: Bus, scene: Scene) -> None:
    publisher = bus.publisher()
    publisher.publish(scene, 0)
    desk = bus.desk(publisher, {SnapshotRequest: lambda _: publisher.records.snapshot()})
    context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
    try:
        rogue = context.socket(zmq.DEALER)
        rogue.linger = 0
        rogue.connect(desk.addresses.url(desk.addresses.desk))
        head = Head(session="", source="r", seq=1, t_ns=0)
        good = encode(Envelope(head, SnapshotRequest()))
        future = encode(Envelope(msgspec.structs.replace(head, version=99), SnapshotRequest()))
        for data in (good, good, future, bytes(REQUEST_LIMIT), encode(Envelope(head, Refused(reason="")))):
            rogue.send_multipart([b"\0" * 8, data])
        answers = []
        for _ in range(5):
            assert rogue.poll(5000)
            answers.append(rogue.recv_multipart()[1])
        assert b"update Railcrest" in answers[2]
        assert b"does not answer Refused" in answers[4]
    finally:
        context.destroy(linger=0)
    assert isinstance(bus.client(desk.addresses).ask(SnapshotRequest()), Snapshot)


def test_what_is_replayed_at_a_viewer_is_neither_shown_again_nor_counted_as_loss(bus: Bus) -> None:
    context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
    try:
        rogue = context.socket(zmq.PUB)
        rogue.linger = 0
        port = rogue.bind_to_random_port("tcp://127.0.0.1")
        viewer = bus.subscriber(Addresses(state=port, records=port))
        beat = Heartbeat(feed="running", recorded=0, measured=0, dropped=0, fps=0, picture_age_ns=0)

        def send(seq: int) -> None:
            data = encode(Envelope(Head(session="s", source="r", seq=seq, t_ns=seq), beat))
            rogue.send_multipart([b"heartbeat/", data])

        joined = 1
        while not viewer.poll(0.02):
            send(joined := joined + 1)
        viewer.lost.clear()
        newest = joined + 10
        for seq in (*range(joined + 1, newest), 3, joined, 2, newest):
            send(seq)
        got: list[int] = []
        end = time.monotonic() + 10
        while newest not in got and time.monotonic() < end:
            got += [envelope.head.seq for envelope in viewer.poll(0.1)]
        assert got == sorted(set(got))
        assert got[-1] == newest
        assert viewer.lost == {}
        assert viewer.unreadable >= 3
    finally:
        context.destroy(linger=0)


def test_a_viewer_that_never_reads_slows_nobody_and_costs_little(bus: Bus) -> None:
    publisher = bus.publisher()
    context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
    try:
        stuck = context.socket(zmq.SUB)
        stuck.setsockopt(zmq.SUBSCRIBE, b"")
        stuck.setsockopt(zmq.RCVHWM, 1)
        stuck.setsockopt(zmq.RCVBUF, 4096)
        stuck.connect(publisher.addresses.url(publisher.addresses.state))
        reader = bus.subscriber(publisher.addresses)
        picture = Preview(t_ns=0, jpeg=bytes(60_000), scale=0.5)
        end = time.monotonic() + 10
        while not reader.poll(0.02) and time.monotonic() < end:
            publisher.publish(picture, 0)
        before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        slowest_s = 0.0
        for i in range(3000):  # two minutes of previews
            began = time.perf_counter()
            publisher.publish(picture, i)
            slowest_s = max(slowest_s, time.perf_counter() - began)
        grown_mb = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb) / 1024
        assert slowest_s < 0.5
        assert grown_mb < 60, "3000 pictures are 180 MB; a queue holds 64"
        got: list[Envelope] = []
        while not got:
            publisher.publish(
                Heartbeat(feed="running", recorded=0, measured=0, dropped=0, fps=0, picture_age_ns=0), 1
            )
            got = reader.poll(0.1)
    finally:
        context.destroy(linger=0)


def test_a_desk_client_survives_what_no_desk_sends(bus: Bus) -> None:
    context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
    try:
        rogue = context.socket(zmq.ROUTER)
        rogue.linger = 0
        port = rogue.bind_to_random_port("tcp://127.0.0.1")
        client: DeskClient = bus.client(Addresses(desk=port))
        number = client.begin(SnapshotRequest())
        asker, *_ = rogue.recv_multipart()
        for parts in (
            [b""],
            [b"x" * 9, b""],
            [b"\0" * 8, b"", b""],
            [(number + 7).to_bytes(8, "big"), b"\xc1"],
        ):
            rogue.send_multipart([asker, *parts])
        with pytest.raises(RailcrestError, match="could not be read"):
            for _ in range(20):
                client.collect(0.2)
    finally:
        context.destroy(linger=0)


# --- what is repaired -----------------------------------------------------------------------


def test_a_session_left_open_is_repaired_and_says_so(tmp_path: Path) -> None:
    folder = recorded_session(tmp_path / "s", closed=False)
    video, table = folder / "feed-0001.mkv", folder / "feed-0001.csv"
    video.write_bytes(video.read_bytes()[: video.stat().st_size * 2 // 3])
    table.write_bytes(table.read_bytes()[:-5])
    said = repair(folder)
    assert any("pictures are whole" in text and "are lost" in text for text in said)
    assert Session.open(folder).verify() == []
    assert len(list(FileFeed(folder))) == len(Session.open(folder).frame_times_ns())
    with Session.open(folder).journal() as opened:
        assert '"lock"' in opened.rows("note")[0].body
    assert repair(folder) == []


def test_times_that_were_cut_off_are_rebuilt_to_half_a_millisecond(tmp_path: Path) -> None:
    folder = recorded_session(tmp_path / "s", closed=False)
    table = folder / "feed-0001.csv"
    exact = [int(row["t_ns"]) for row in csv.DictReader(table.read_text().splitlines())]
    table.write_bytes(b"".join(table.read_bytes().splitlines(keepends=True)[:51]) + b"51,70")
    said = repair(folder)
    assert any("100 times are known to half a millisecond only" in text for text in said)
    rebuilt = list(Session.open(folder).frame_times_ns())
    assert rebuilt[:50] == exact[:50]
    assert max(abs(int(a) - b) for a, b in zip(rebuilt, exact, strict=True)) <= 1_000_000


def test_any_flipped_bit_of_any_file_is_found(tmp_path: Path) -> None:
    folder = recorded_session(tmp_path / "s", closed=False)
    rows = (DEMO.folder / "joints-0001.csv").read_text().splitlines(keepends=True)
    (folder / "joints-0001.csv").write_text("".join(rows[: len(TIMES_NS) + 1]))
    (folder / "survey.png").write_bytes(b"invented picture" * 40)
    repair(folder)  # hashes them all
    assert Session.open(folder).verify() == []
    whole = {path: path.read_bytes() for path in sorted(folder.iterdir())}
    assert {path.name for path in whole} == {
        "feed-0001.csv", "feed-0001.mkv", "joints-0001.csv", "journal.sha256", "journal.sqlite",
        "session.json", "survey.png",
    }  # fmt: skip

    @settings(max_examples=300, deadline=None)
    @given(st.sampled_from(list(whole)), st.floats(0, 1, exclude_max=True), st.integers(0, 7))
    def flip(path: Path, share: float, bit: int) -> None:
        damaged = bytearray(whole[path])
        at = int(share * len(damaged))
        damaged[at] ^= 1 << bit
        path.write_bytes(damaged)
        try:
            with contextlib.suppress(RailcrestError):  # a manifest that is none any more
                assert any(f.grade == "error" for f in Session.open(folder).verify()), (path.name, at, bit)
        finally:
            path.write_bytes(whole[path])

    flip()
    assert Session.open(folder).verify() == []


@pytest.mark.parametrize("stated", ['"format": 0', '"format": 2, "minimum_reader": 2', '"format": "one"'])
def test_other_formats_are_refused_politely(tmp_path: Path, stated: str) -> None:
    (tmp_path / "session.json").write_text(f'{{{stated}, "title": "t", "created": ""}}')
    with pytest.raises(RailcrestError, match=r"format 0|newer Railcrest|not a session manifest"):
        read_manifest(tmp_path)

"""Records arrive whatever happens; state may be lost but is counted; nothing hangs."""

from __future__ import annotations

import json
import os
import socket
import stat
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest
import zmq

from bridge.bus import (
    REQUEST_LIMIT,
    STATE_QUEUE,
    Addresses,
    Publisher,
    SessionFeed,
    Subscriber,
    read_run_file,
    remove_run_file,
    write_run_file,
)
from bridge.clock import ManualClock
from bridge.codec import encode
from bridge.errors import BusError, ConfigError, ExitCode
from bridge.messages import (
    Accepted,
    Body,
    Clip,
    ClipRequest,
    Envelope,
    Head,
    Heartbeat,
    Pose,
    Preview,
    Reading,
    Refused,
    Routine,
    Ruling,
    RulingRequest,
    Scene,
    Snapshot,
    SnapshotRequest,
)
from bridge.topics import BY_BODY, TOPICS, topic_of
from tests.conftest import Bus

NS = 1_000_000_000
BEAT = Heartbeat(feed="running", recorded=1, measured=1, dropped=0, fps=60.0, picture_age_ns=0)


def pose(t_ns: int) -> Pose:
    return Pose(t_ns=t_ns, joints=((1.0, 2.0), *(None,) * 13), phase="flight")


def reading(number: int) -> Reading:
    return Reading(flight=f"r1-f{number}", routine=1, number=number, state="settled")


def beat(publisher: Publisher) -> Heartbeat:
    return Heartbeat(
        feed="running", recorded=1, measured=1, dropped=0, fps=60.0, picture_age_ns=0,
        reading_seq=publisher.records.seq,
    )  # fmt: skip


def until(condition: Callable[[], bool], within_s: float = 10.0) -> None:
    end = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < end, "it did not happen in time"


def joined(publisher: Publisher, subscriber: Subscriber) -> None:
    """Returns once the subscriber hears both sockets; nothing else tells that it is joined."""
    heard: set[type] = set()

    def hears() -> bool:
        publisher.publish(BEAT, 0)
        publisher.publish(Routine(routine=0, start_number="0", begin_ns=0), 0)
        heard.update(type(e.body) for e in subscriber.poll(0.02))
        return {Heartbeat, Routine} <= heard

    until(hears)
    time.sleep(0.05)
    subscriber.poll(0.05)
    subscriber.lost.clear()


# --- topics and addresses -------------------------------------------------------------------


def test_no_topic_is_the_beginning_of_another() -> None:
    prefixes = [topic.prefix for topic in TOPICS]
    assert not [(a, b) for a in prefixes for b in prefixes if a != b and b.startswith(a)]
    assert len(BY_BODY) == len(TOPICS) == len(set(prefixes))


def test_a_body_without_a_topic_is_not_published(bus: Bus) -> None:
    class Other(Body, frozen=True, tag="other"):
        pass

    with pytest.raises(BusError, match="Other is not published"):
        bus.publisher().publish(Other(), 0)  # type: ignore[arg-type]
    with pytest.raises(BusError, match="Accepted is not published"):
        topic_of(Accepted())  # type: ignore[arg-type]


@pytest.mark.parametrize("host", ["0.0.0.0", "*", "192.0.2.7", "::", "example.org"])
def test_other_interfaces_are_refused(host: str) -> None:
    addresses = Addresses.from_port(0, host)
    with pytest.raises(BusError, match="keys"):
        Publisher(addresses, "s", "run-1")
    with pytest.raises(BusError, match="keys"):
        Subscriber(addresses)
    with pytest.raises(BusError, match="keys"):
        SessionFeed(addresses)


def test_a_port_in_use_is_named_with_its_remedy(bus: Bus) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(BusError, match=rf"port {port} is in use: .* --port") as caught:
            Publisher(Addresses(state=port), "s", "run-1")
        assert caught.value.exit_code == ExitCode.BUS
        publisher = bus.publisher()
        with pytest.raises(BusError, match=f"port {port} is in use"):
            bus.desk(_at(publisher, port), {})


def _at(publisher: Publisher, desk_port: int) -> Publisher:
    publisher.addresses = Addresses(
        state=publisher.addresses.state, records=publisher.addresses.records, desk=desk_port
    )
    return publisher


@pytest.mark.parametrize("port", [1, 1023, 65534, 99999, -1])
def test_impossible_ports_are_refused(port: int) -> None:
    with pytest.raises(BusError, match="from 1024"):
        Addresses.from_port(port)


def test_the_run_file_is_private_and_tells_the_addresses(bus: Bus, tmp_path: Path) -> None:
    publisher = bus.publisher()
    path = write_run_file(tmp_path, "s", publisher.addresses)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert read_run_file(tmp_path).addresses == publisher.addresses
    assert json.loads(path.read_text())["pid"] == os.getpid()
    assert [p.name for p in tmp_path.iterdir()] == ["bus.json"]
    remove_run_file(tmp_path)
    with pytest.raises(BusError, match="no capture is running there"):
        read_run_file(tmp_path)


@pytest.mark.parametrize("content", [b"", b"{", b"[]", b'{"format": 1}', b"\xff\xfe"])
def test_a_broken_run_file_is_refused(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "bus.json").write_bytes(content)
    with pytest.raises(BusError, match="cannot be read"):
        read_run_file(tmp_path)


def test_a_run_file_of_an_ended_process_is_refused(tmp_path: Path) -> None:
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    path = write_run_file(tmp_path, "s", Addresses())
    path.write_text(path.read_text().replace(str(os.getpid()), str(ended.pid)))
    with pytest.raises(BusError, match="has ended"):
        read_run_file(tmp_path)


# --- publishing -----------------------------------------------------------------------------


def test_records_share_one_sequence_and_state_has_its_own(bus: Bus, scene: Scene) -> None:
    publisher = bus.publisher()
    heads = [
        publisher.publish(body, 5).head
        for body in (scene, pose(1), reading(1), pose(2), BEAT, Ruling(flight="r1-f1", decision="above"))
    ]
    assert [head.seq for head in heads] == [1, 1, 2, 2, 1, 3]
    assert {head.t_ns for head in heads} == {5}
    snapshot = publisher.records.snapshot()
    assert snapshot.seq == publisher.records.seq == 3
    assert snapshot.readings == (reading(1),)


def test_a_later_reading_replaces_the_earlier_one(bus: Bus, scene: Scene) -> None:
    publisher = bus.publisher()
    first = Reading(flight="r1-f1", routine=1, number=1, state="provisional")
    for body in (scene, first, reading(1), reading(2)):
        publisher.publish(body, 0)
    assert publisher.records.snapshot().readings == (reading(1), reading(2))
    assert publisher.records.reading("r1-f1") == reading(1)
    assert publisher.records.reading("r9-f9") is None


def test_publishing_from_several_threads_keeps_the_order(bus: Bus) -> None:
    publisher = bus.publisher()
    subscriber = bus.subscriber(publisher.addresses)
    joined(publisher, subscriber)
    first = publisher.records.seq + 1

    def publish() -> None:
        for i in range(100):
            publisher.publish(reading(i), i)

    threads = [threading.Thread(target=publish) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    got: list[int] = []

    def all_came() -> bool:
        got.extend(e.head.seq for e in subscriber.poll(0.05) if isinstance(e.body, Reading))
        return len(got) >= 400

    until(all_came)
    assert got == list(range(first, first + 400))
    assert subscriber.lost == {}


def test_only_the_newest_state_is_given_and_all_records(bus: Bus) -> None:
    publisher = bus.publisher()
    subscriber = bus.subscriber(publisher.addresses)
    joined(publisher, subscriber)
    for i in range(20):
        publisher.publish(pose(i), i)
        publisher.publish(reading(i), i)
    time.sleep(0.2)
    got = subscriber.poll(0.1)
    assert [e.body.t_ns for e in got if isinstance(e.body, Pose)] == [19]
    assert [e.body.number for e in got if isinstance(e.body, Reading)] == list(range(20))
    assert subscriber.lost == {}, "what the viewer itself skips is not lost on the way"


def test_previews_that_nobody_takes_are_lost_counted_and_harm_no_reading(bus: Bus) -> None:
    publisher = bus.publisher()
    subscriber = bus.subscriber(publisher.addresses)
    joined(publisher, subscriber)
    sent = 40 * STATE_QUEUE
    picture = bytes(60_000)
    for i in range(sent):
        publisher.publish(Preview(t_ns=i, jpeg=picture, scale=0.5), i)
        if i % 10 == 0:
            publisher.publish(reading(i), i)
    readings = 0

    def all_readings() -> bool:
        nonlocal readings
        readings += sum(isinstance(e.body, Reading) for e in subscriber.poll(0.05))
        return readings >= sent // 10

    until(all_readings)
    until(lambda: not subscriber.poll(0.1))
    publisher.publish(Preview(t_ns=sent, jpeg=b"", scale=0.5), sent)  # the next one shows the gap
    until(lambda: any(isinstance(e.body, Preview) for e in subscriber.poll(0.1)))
    assert readings == sent // 10
    assert "records" not in subscriber.lost
    assert 0 < subscriber.lost["preview"] < sent


def test_garbage_on_the_bus_is_counted_and_survived(bus: Bus) -> None:
    context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
    try:
        rogue = context.socket(zmq.PUB)
        rogue.linger = 0
        port = rogue.bind_to_random_port("tcp://127.0.0.1")
        subscriber = bus.subscriber(Addresses(state=port, records=port))
        good = encode(Envelope(Head(session="s", source="r", seq=1, t_ns=0), BEAT))
        got: list[Envelope] = []

        def heard() -> bool:
            rogue.send_multipart([b"heartbeat/", b"\x81\xff"])
            rogue.send_multipart([b"heartbeat/more", good])
            rogue.send_multipart([b"heartbeat/"])
            rogue.send_multipart([b"pose/", good])
            rogue.send_multipart([b"heartbeat/", good])
            got.extend(subscriber.poll(0.02))
            return bool(got)

        until(heard)
        assert {type(e.body) for e in got} == {Heartbeat}
        assert subscriber.unreadable >= 4
        assert subscriber.problem
    finally:
        context.destroy(linger=0)


def test_closing_is_quick_with_an_absent_peer_and_twice() -> None:
    publisher = Publisher(Addresses(), "s", "run-1")
    subscriber = Subscriber(Addresses(state=9, records=9))
    publisher.publish(reading(1), 0)
    began = time.monotonic()
    for part in (publisher, subscriber, publisher, subscriber):
        part.close()
    assert time.monotonic() - began < 1.5
    with pytest.raises(BusError, match="closed"):
        publisher.publish(reading(1), 0)


# --- the desk -------------------------------------------------------------------------------


def test_the_desk_answers_each_request_and_refuses_the_rest(bus: Bus) -> None:
    publisher = bus.publisher()
    seen: list[Ruling] = []

    def rule(request: RulingRequest) -> Accepted:
        seen.append(request.ruling)
        return Accepted()

    def clip(request: ClipRequest) -> Clip:
        if request.flight != "r1-f1":
            raise ConfigError(f"{request.flight}: no such flight")
        return Clip(flight="r1-f1", matroska=b"x" * 3_000_000, times_ns=(1, 2), begin_ns=1, end_ns=2)

    desk = bus.desk(publisher, {RulingRequest: rule, ClipRequest: clip})
    client = bus.client(desk.addresses)
    ruling = Ruling(flight="r1-f1", decision="level", by="panel")
    assert client.ask(RulingRequest(ruling=ruling)) == Accepted()
    assert seen == [ruling]
    answer = client.ask(ClipRequest(flight="r1-f1"))
    assert isinstance(answer, Clip)
    assert len(answer.matroska) == 3_000_000
    assert client.ask(ClipRequest(flight="r7-f7")) == Refused(reason="r7-f7: no such flight")
    refused = client.ask(SnapshotRequest())
    assert isinstance(refused, Refused)
    assert "SnapshotRequest" in refused.reason


def test_answers_find_their_requests(bus: Bus) -> None:
    def clip(request: ClipRequest) -> Clip:
        return Clip(flight=request.flight, matroska=b"", times_ns=(), begin_ns=0, end_ns=0)

    desk = bus.desk(bus.publisher(), {ClipRequest: clip})
    clients = [bus.client(desk.addresses) for _ in range(3)]
    numbers = {(c, client.begin(ClipRequest(flight=f"{c}-{i}"))): f"{c}-{i}"
               for c, client in enumerate(clients) for i in range(20)}  # fmt: skip
    answers: dict[tuple[int, int], str] = {}

    def all_answered() -> bool:
        for c, client in enumerate(clients):
            for number, envelope in client.collect(0.02).items():
                assert isinstance(envelope.body, Clip)
                answers[c, number] = envelope.body.flight
        return len(answers) == len(numbers)

    until(all_answered)
    assert answers == numbers


def test_nobody_at_the_desk_is_told_in_time(bus: Bus) -> None:
    desk = bus.desk(bus.publisher(), {}, serve=False)
    client = bus.client(desk.addresses)
    began = time.monotonic()
    with pytest.raises(BusError, match=r"no answer within 0\.2 s"):
        client.ask(SnapshotRequest(), timeout_s=0.2)
    assert time.monotonic() - began < 2
    assert desk.serve(1.0) == 1  # a late answer, to a request that nobody waits for
    stop = threading.Event()
    thread = threading.Thread(target=desk.run, args=(stop,))
    thread.start()
    try:
        answer = client.ask(ClipRequest(flight="x"))
    finally:
        stop.set()
        thread.join()
    assert isinstance(answer, Refused)
    assert "ClipRequest" in answer.reason, "the late answer must not be taken for this one"


@pytest.mark.logs_warnings
def test_a_fault_in_a_handler_is_refused_and_logged(bus: Bus, caplog: pytest.LogCaptureFixture) -> None:
    def fault(request: SnapshotRequest) -> Snapshot:
        raise ZeroDivisionError("secret detail")

    desk = bus.desk(bus.publisher(), {SnapshotRequest: fault})
    client = bus.client(desk.addresses)
    for _ in range(2):
        answer = client.ask(SnapshotRequest())
        assert isinstance(answer, Refused)
        assert "secret" not in answer.reason
    assert "secret detail" in caplog.text


def test_garbage_and_oversize_at_the_desk(bus: Bus, scene: Scene) -> None:
    publisher = bus.publisher()
    publisher.publish(scene, 0)
    desk = bus.desk(publisher, {SnapshotRequest: lambda request: publisher.records.snapshot()})
    context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
    try:
        rogue = context.socket(zmq.DEALER)
        rogue.linger = 0
        rogue.connect(desk.addresses.url(desk.addresses.desk))
        for parts in ([b""], [b"a", b"b", b"c"], [b"\0" * 8, b"\xc1garbage"]):
            rogue.send_multipart(parts)
        rogue.send_multipart([b"\1" * 8, bytes(REQUEST_LIMIT + 1)])
        answers = {}
        while len(answers) < 2:
            assert rogue.poll(5000)
            number, data = rogue.recv_multipart()
            answers[number] = data
        assert b"could not be read" in answers[b"\0" * 8]
        assert b"over the limit" in answers[b"\1" * 8]
        rogue.send_multipart([b"\2" * 8, bytes(32 * REQUEST_LIMIT)])  # hangs up on this one
    finally:
        context.destroy(linger=0)
    assert isinstance(bus.client(desk.addresses).ask(SnapshotRequest()), Snapshot)


# --- following a session --------------------------------------------------------------------


class Viewer:
    """What a viewer knows of a session, built from a feed alone."""

    def __init__(self, feed: SessionFeed) -> None:
        self.feed = feed
        self.readings: dict[str, Reading] = {}
        self.seen: list[type] = []
        self.titles: list[str] = []

    def poll(self, timeout_s: float = 0.05) -> None:
        for envelope in self.feed.poll(timeout_s):
            self.seen.append(type(envelope.body))
            if isinstance(envelope.body, Snapshot):
                self.readings = {r.flight: r for r in envelope.body.readings}
                self.titles.append(envelope.body.scene.title)
            elif isinstance(envelope.body, Reading):
                self.readings[envelope.body.flight] = envelope.body

    def until(self, condition: Callable[[], bool]) -> None:
        def step() -> bool:
            self.poll()
            return condition()

        until(step)


def capture(bus: Bus, scene: Scene, source: str = "run-1", addresses: Addresses | None = None) -> Publisher:
    """A publisher with a desk that gives snapshots."""
    publisher = bus.publisher(source, addresses)
    publisher.publish(scene, 0)
    desk = bus.desk(publisher, {SnapshotRequest: lambda request: publisher.records.snapshot()})
    publisher.addresses = desk.addresses
    return publisher


def test_a_viewer_that_joins_late_knows_everything(bus: Bus, scene: Scene) -> None:
    publisher = capture(bus, scene)
    for i in range(5):
        publisher.publish(reading(i), i)
    viewer = Viewer(bus.feed(publisher.addresses))
    viewer.until(lambda: len(viewer.readings) == 5)
    assert viewer.feed.synced
    assert viewer.seen[0] is Snapshot
    publisher.publish(reading(5), 5)
    publisher.publish(beat(publisher), 5)
    viewer.until(lambda: len(viewer.readings) == 6)


def test_records_sent_while_the_snapshot_is_on_its_way_are_neither_lost_nor_doubled(
    bus: Bus, scene: Scene
) -> None:
    publisher = bus.publisher()
    publisher.publish(scene, 0)
    desk = bus.desk(publisher, {SnapshotRequest: lambda r: publisher.records.snapshot()}, serve=False)
    viewer = Viewer(bus.feed(desk.addresses))
    viewer.poll()  # subscribes and asks
    time.sleep(0.3)
    publisher.publish(reading(1), 1)
    desk.serve(1.0)
    publisher.publish(reading(2), 2)
    time.sleep(0.1)
    viewer.until(lambda: len(viewer.readings) == 2)
    assert viewer.feed.snapshots == 1
    assert viewer.seen.count(Reading) == 1, "the one in the snapshot must not come again"


def test_a_lost_record_is_healed_by_a_snapshot(bus: Bus, scene: Scene) -> None:
    publisher = capture(bus, scene)
    viewer = Viewer(bus.feed(publisher.addresses))
    viewer.until(lambda: Snapshot in viewer.seen)

    def hears_records() -> bool:
        publisher.publish(Routine(routine=0, start_number="0", begin_ns=0), 0)
        return Routine in viewer.seen

    viewer.until(hears_records)
    taken = viewer.feed.snapshots
    publisher.records.put(reading(1))  # recorded by capture, but lost on the way
    publisher.publish(reading(2), 2)
    viewer.until(lambda: {"r1-f1", "r1-f2"} <= set(viewer.readings))
    assert viewer.feed.snapshots > taken
    assert viewer.feed.lost["records"] >= 1


def test_a_lost_last_record_is_noticed_by_the_heartbeat(bus: Bus, scene: Scene) -> None:
    publisher = capture(bus, scene)
    viewer = Viewer(bus.feed(publisher.addresses))
    viewer.until(lambda: Snapshot in viewer.seen)
    publisher.records.put(reading(1))

    def healed() -> bool:
        publisher.publish(beat(publisher), 1)
        return "r1-f1" in viewer.readings

    viewer.until(healed)


def test_a_restarted_capture_is_followed_on_the_same_ports(bus: Bus, scene: Scene) -> None:
    first = capture(bus, scene)
    first.publish(reading(1), 1)
    viewer = Viewer(bus.feed(first.addresses))
    viewer.until(lambda: len(viewer.readings) == 1)
    addresses = first.addresses
    bus.close_capture()
    second = capture(bus, Scene(title="Afternoon", picture=(1, 1), lines=(), table="", policy="line"),
                     "run-2", addresses)  # fmt: skip

    def followed() -> bool:
        second.publish(beat(second), 2)
        return viewer.titles[-1] == "Afternoon"

    viewer.until(followed)
    assert viewer.readings == {}


def test_a_restarted_capture_is_found_through_the_run_file(bus: Bus, scene: Scene, tmp_path: Path) -> None:
    clock = ManualClock(NS)
    viewer = Viewer(bus.feed(tmp_path, clock))
    viewer.poll()
    assert viewer.feed.problem is not None
    assert "no capture is running" in viewer.feed.problem
    for run in ("run-1", "run-2"):
        publisher = capture(bus, scene, run)
        write_run_file(tmp_path, "s", publisher.addresses)
        taken = viewer.feed.snapshots
        clock.advance(4 * NS)
        viewer.until(lambda taken=taken: viewer.feed.snapshots > taken)  # type: ignore[misc]
    assert viewer.feed.problem is None


def test_the_age_of_the_feed_is_the_heartbeat_s(bus: Bus, scene: Scene) -> None:
    publisher = capture(bus, scene)
    clock = ManualClock(50 * NS)
    viewer = Viewer(bus.feed(publisher.addresses, clock))
    assert viewer.feed.age_ns() is None

    def heard() -> bool:
        publisher.publish(beat(publisher), 0)
        return viewer.feed.age_ns() is not None

    viewer.until(heard)
    clock.advance(7 * NS)
    assert viewer.feed.age_ns() == 7 * NS


def test_a_refused_snapshot_is_asked_for_again(bus: Bus, scene: Scene) -> None:
    publisher = bus.publisher()
    desk = bus.desk(publisher, {SnapshotRequest: lambda request: publisher.records.snapshot()})
    viewer = Viewer(bus.feed(desk.addresses))
    viewer.until(lambda: viewer.feed.problem is not None)
    assert "not ready" in (viewer.feed.problem or "")
    publisher.publish(scene, 0)
    viewer.until(lambda: viewer.feed.synced)
    assert viewer.feed.problem is None


def test_without_capture_the_viewer_never_waits_longer_than_it_said(bus: Bus) -> None:
    feed = bus.feed(Addresses(state=9, records=9, desk=9))
    began = time.monotonic()
    for _ in range(5):
        assert feed.poll(0.02) == []
    assert time.monotonic() - began < 2
    assert not feed.synced

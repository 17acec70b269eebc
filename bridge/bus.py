"""The message bus: state that may be lost, records that must arrive, and a desk that answers.

Capture opens a :class:`Publisher` and a :class:`Desk`; a viewer opens a :class:`SessionFeed`, and a
:class:`DeskClient` for what it asks itself. State (poses, previews, heartbeats) and records (scene,
routines, readings, rulings) have sockets of their own, so that a viewer too slow for pictures
still gets every reading. A record that is lost all the same is healed by asking for a snapshot:
subscribe first, ask the desk, apply only what is newer.

The bus is bound to this machine, unless it is told another of its addresses: then every peer proves
by its CURVE key who it is, and only whom the allow-list names gets in (:mod:`bridge.keys`). A socket
is used by one thread at a time.
"""

from __future__ import annotations

import itertools
import logging
import os
import tempfile
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self, cast

import msgspec
import zmq
import zmq.utils.monitor
from zmq.auth.thread import ThreadAuthenticator

from bridge import keys
from bridge.clock import Clock, SystemClock
from bridge.codec import MESSAGE_LIMIT, decode, encode
from bridge.errors import BusError, RailcrestError
from bridge.messages import (
    Answer,
    Correction,
    Envelope,
    Handstand,
    Head,
    Heartbeat,
    Look,
    Reading,
    RecordBody,
    Refused,
    Request,
    Routine,
    Ruling,
    Scene,
    Snapshot,
    SnapshotRequest,
    StartList,
    StateBody,
    Tag,
)
from bridge.topics import BY_PREFIX, TOPICS, topic_of

log = logging.getLogger(__name__)

LOOPBACK: Final = ("127.0.0.1", "localhost")
DEFAULT_PORT: Final = 47310  # and the two after it; no registered service uses them
RUN_FILE: Final = "bus.json"
STATE_QUEUE: Final = 64  # messages a slow viewer may be behind before state is dropped: about a second
RECORD_QUEUE: Final = 10_000  # some 40 MB of readings; what is lost beyond is healed by a snapshot
ANSWER_QUEUE: Final = 64  # answers that wait for one asker before further ones are dropped
REQUEST_LIMIT: Final = 64 * 1024  # bytes
REQUEST_BURST: Final = 60  # requests of one asker at once,
REQUEST_RATE_HZ: Final = 20  # and from then on
ASKERS: Final = 256  # of whom that is remembered
TOO_OFTEN: Final = f"too many requests: at most {REQUEST_RATE_HZ} a second; ask again in a moment"
TERMINATION_LIMIT_S: Final = 2.0
NS: Final = 1_000_000_000


class Addresses(msgspec.Struct, frozen=True, kw_only=True):
    """Where a session's bus is found. Port 0 lets the system choose.

    ``server_key`` is capture's public key (Z85), with which viewers elsewhere know it is capture they
    speak to.
    """

    host: str = LOOPBACK[0]
    state: int = 0
    records: int = 0
    desk: int = 0
    server_key: str = ""

    @property
    def here(self) -> bool:
        """Whether only this machine can reach it."""
        return self.host in LOOPBACK

    @classmethod
    def from_port(cls, port: int = DEFAULT_PORT, host: str = LOOPBACK[0]) -> Addresses:
        """Three ports in a row from ``port``; all chosen by the system when ``port`` is 0."""
        if port == 0:
            return cls(host=host)
        if not 1024 <= port <= 65533:
            raise BusError(f"--port {port}: choose one from 1024 to 65533")
        return cls(host=host, state=port, records=port + 1, desk=port + 2)

    def elsewhere(self, host: str, key: Path | None) -> Addresses:
        """The same ports on another machine, whose capture has the public key in a file.

        Raises:
            ConfigError: the file holds no key.
        """
        server_key = keys.public_key(key).decode() if key is not None else ""
        return msgspec.structs.replace(self, host=host, server_key=server_key)

    def url(self, port: int) -> str:
        """ZeroMQ endpoint of one of the ports."""
        host = LOOPBACK[0] if self.here else self.host
        return f"tcp://{host}:{port or '*'}"


class RunFile(msgspec.Struct, frozen=True, kw_only=True):
    """What capture leaves in the session folder so that viewers find it."""

    format: int = 1
    session: str
    pid: int
    addresses: Addresses


def write_run_file(folder: Path, session: str, addresses: Addresses) -> Path:
    """Publish where the bus is, readable by this user only; whole or not at all."""
    path = folder / RUN_FILE
    content = msgspec.json.encode(RunFile(session=session, pid=os.getpid(), addresses=addresses))
    try:
        # mkstemp makes it mode 0600.
        number, name = tempfile.mkstemp(prefix=f".{RUN_FILE}-", dir=folder)
        with os.fdopen(number, "wb") as file:
            file.write(content + b"\n")
        Path(name).replace(path)
    except OSError as error:
        raise BusError(f"{path}: cannot be written ({error}); choose another session folder") from error
    return path


def remove_run_file(folder: Path) -> None:
    """Take the addresses back when the bus closes."""
    (folder / RUN_FILE).unlink(missing_ok=True)


def read_run_file(folder: Path) -> RunFile:
    """Where a session's bus is. Raises BusError when capture is not running there."""
    path = folder / RUN_FILE
    try:
        run = msgspec.json.decode(path.read_bytes(), type=RunFile)
    except FileNotFoundError as error:
        raise BusError(f"{folder}: no capture is running there; start railcrest capture first") from error
    except (OSError, msgspec.MsgspecError, UnicodeDecodeError) as error:
        raise BusError(f"{path}: cannot be read ({error}); start railcrest capture again") from error
    if run.format > 1:
        raise BusError(f"{path}: written by a newer Railcrest; update this one")
    if not _alive(run.pid):
        raise BusError(f"{folder}: the capture that ran there has ended; start railcrest capture again")
    return run


def _alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


# --- sockets --------------------------------------------------------------------------------


class _Sockets:
    """A context and its sockets, closed without lingering and within a bounded time."""

    def __init__(self) -> None:
        self._context: zmq.Context[zmq.Socket[bytes]] = zmq.Context()
        self._context.linger = 0
        self._sockets: list[zmq.Socket[bytes]] = []
        self._authenticator: ThreadAuthenticator | None = None
        self._curve: dict[int, bytes | int] = {}  # options of every socket made from now on

    def _guard(self, addresses: Addresses) -> Addresses:
        """Before a socket is bound where others can reach it: keys and an allow-list, or a refusal."""
        if addresses.here:
            return addresses
        public, secret = keys.own()
        try:
            nobody = not keys.allowed()
        except RailcrestError as error:
            raise BusError(str(error)) from error
        if nobody:
            raise BusError(
                f"{addresses.host}: other machines need keys on the allow-list, and none is there; "
                "run railcrest keys allow"
            )
        self._authenticator = ThreadAuthenticator(self._context)
        self._authenticator.start()
        self._authenticator.configure_curve_callback(credentials_provider=keys.AllowList())
        self._curve = {zmq.CURVE_SERVER: 1, zmq.CURVE_SECRETKEY: secret, zmq.CURVE_PUBLICKEY: public}
        return msgspec.structs.replace(addresses, server_key=public.decode())

    def _prove(self, addresses: Addresses) -> None:
        """Before a socket is connected to another machine: our keys, and the one we expect there."""
        if addresses.here:
            return
        if not addresses.server_key:
            raise BusError(f"{addresses.host}: other machines need keys; give that capture's with --key")
        public, secret = keys.own()
        self._curve = {
            zmq.CURVE_SERVERKEY: addresses.server_key.encode(),
            zmq.CURVE_SECRETKEY: secret,
            zmq.CURVE_PUBLICKEY: public,
        }

    def _socket(self, kind: int) -> zmq.Socket[bytes]:
        socket = self._context.socket(kind)
        self._sockets.append(socket)
        for option, value in self._curve.items():
            socket.setsockopt(option, value)
        return socket

    def _watch(self, socket: zmq.Socket[bytes]) -> _Door:
        """See whether a socket, not yet connected, is let in."""
        door = _Door(socket, with_key=bool(self._curve))
        self._sockets.append(door.monitor)
        return door

    def close(self) -> None:
        """Close the sockets; safe to call twice."""
        for socket in self._sockets:
            socket.close(linger=0)
        self._sockets.clear()
        if self._authenticator is not None:
            self._authenticator.stop()
            self._authenticator = None
        if self._context.closed:
            return
        ending = threading.Thread(target=self._context.term, name="bus-end", daemon=True)
        ending.start()
        ending.join(TERMINATION_LIMIT_S)
        if ending.is_alive():
            log.warning("the bus did not close within %.0f s", TERMINATION_LIMIT_S)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _bind(socket: zmq.Socket[bytes], addresses: Addresses, port: int) -> int:
    """Bind and return the port, which the system chose when ``port`` is 0."""
    try:
        socket.bind(addresses.url(port))
    except zmq.ZMQError as error:
        if error.errno == zmq.EADDRINUSE:
            raise BusError(
                f"port {port} is in use: stop the other capture, or choose another with --port"
            ) from error
        raise BusError(
            f"{addresses.host}, port {port}: cannot be opened ({error}); "
            "choose another with --listen or --port"
        ) from error
    endpoint = cast(bytes, socket.getsockopt(zmq.LAST_ENDPOINT))
    return int(endpoint.rstrip(b"\0").rsplit(b":", 1)[1])


# --- capture's side -------------------------------------------------------------------------


class Records:
    """Everything that must arrive, as it stands, with the sequence number of the last change.

    Safe from several threads.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._seq = 0
        self._scene: Scene | None = None
        self._routines: dict[int, Routine] = {}
        self._readings: dict[str, Reading] = {}
        self._handstands: dict[str, Handstand] = {}
        self._rulings: dict[str, Ruling] = {}
        self._tags: dict[str, Tag] = {}
        self._looks: list[Look] = []
        self._corrections: dict[str, Correction] = {}
        self._start_list: StartList | None = None

    @property
    def seq(self) -> int:
        """Sequence number of the last record; 0 before the first."""
        return self._seq

    def put(self, body: RecordBody) -> int:
        """Take a record in and give it its place in the sequence."""
        with self._lock:
            match body:
                case Scene():
                    self._scene = body
                case Routine():
                    self._routines[body.routine] = body
                case Reading():
                    self._readings[body.flight] = body
                case Handstand():
                    self._handstands[body.handstand] = body
                case Ruling():
                    self._rulings[body.flight] = body
                case Tag():
                    self._tags[body.flight] = body
                case Look():
                    self._looks.append(body)
                case Correction():
                    self._corrections[body.flight] = body
                case StartList():
                    self._start_list = body
            self._seq += 1
            return self._seq

    def reading(self, flight: str) -> Reading | None:
        """The newest reading of a flight."""
        with self._lock:
            return self._readings.get(flight)

    def readings(self) -> tuple[Reading, ...]:
        """The newest reading of each flight."""
        with self._lock:
            return tuple(self._readings.values())

    def snapshot(self) -> Snapshot:
        """Everything so far. Raises BusError before the scene is known."""
        with self._lock:
            if self._scene is None:
                raise BusError("capture is not ready yet; ask again")
            return Snapshot(
                seq=self._seq,
                scene=self._scene,
                routines=tuple(self._routines.values()),
                readings=tuple(self._readings.values()),
                rulings=tuple(self._rulings.values()),
                tags=tuple(self._tags.values()),
                start_list=self._start_list,
                handstands=tuple(self._handstands.values()),
                looks=tuple(self._looks),
                corrections=tuple(self._corrections.values()),
            )


class Publisher(_Sockets):
    """Publishes state and records. ``publish`` may be called from several threads.

    Args:
        addresses: where to bind; ports 0 are chosen by the system.
        session: name of the session.
        source: this run of capture; a viewer that sees it change starts afresh.

    Raises:
        BusError: a port is in use, or others could reach it and keys or allow-list are missing.
    """

    def __init__(self, addresses: Addresses, session: str, source: str) -> None:
        super().__init__()
        self.session, self.source = session, source
        self.records = Records()
        self._lock = threading.Lock()
        self._seqs = {topic.name: 0 for topic in TOPICS}
        try:
            addresses = self._guard(addresses)
            self._state = self._socket(zmq.PUB)
            self._state.setsockopt(zmq.SNDHWM, STATE_QUEUE)
            self._must = self._socket(zmq.PUB)
            self._must.setsockopt(zmq.SNDHWM, RECORD_QUEUE)
            self.addresses = msgspec.structs.replace(
                addresses,
                state=_bind(self._state, addresses, addresses.state),
                records=_bind(self._must, addresses, addresses.records),
            )
        except BusError:
            self.close()
            raise

    def publish(self, body: StateBody | RecordBody, t_ns: int, *, valid: bool = True) -> Envelope:
        """Send a body on its topic.

        Args:
            body: what is sent; its type has a topic in :mod:`bridge.topics`.
            t_ns: capture time.
            valid: False when the sender itself doubts it.

        Returns:
            The envelope as sent.

        Raises:
            BusError: the body's type has no topic, or the bus is closed.
        """
        topic = topic_of(body)
        # The lock is the memory barrier that lets a socket change threads, and keeps records in order.
        with self._lock:
            if self._context.closed:
                raise BusError("the bus is closed; open a new publisher")
            if topic.must_arrive:
                seq = self.records.put(cast(RecordBody, body))
            else:
                seq = self._seqs[topic.name] = self._seqs[topic.name] + 1
            head = Head(session=self.session, source=self.source, seq=seq, t_ns=t_ns, valid=valid)
            envelope = Envelope(head, body)
            data = encode(envelope)  # before the first part goes out, so that no half message is sent
            socket = self._must if topic.must_arrive else self._state
            socket.send_multipart([topic.prefix, data])
        return envelope

    def close(self) -> None:
        with self._lock:
            super().close()


Handler = Callable[[Any], Answer]


class Desk(_Sockets):
    """Answers requests, all from the one thread that calls :meth:`serve`.

    Args:
        addresses: where to bind the desk; port 0 is chosen by the system.
        session: name of the session.
        source: this run of capture.
        handlers: for each request type a callable from the request to its answer. A RailcrestError
            that it raises goes to the asker as the reason of a refusal.

    Raises:
        BusError: the port is in use, or others could reach it and keys or allow-list are missing.
    """

    def __init__(
        self,
        addresses: Addresses,
        session: str,
        source: str,
        handlers: Mapping[type, Handler],
        clock: Clock | None = None,
    ) -> None:
        super().__init__()
        self._session, self._source = session, source
        self._handlers = dict(handlers)
        self._clock = clock or SystemClock()
        self._answered = 0
        self._budgets: dict[bytes, tuple[float, int]] = {}  # asker -> requests left, and when that was, ns
        try:
            addresses = self._guard(addresses)
            self._router = self._socket(zmq.ROUTER)
            self._router.setsockopt(zmq.SNDHWM, ANSWER_QUEUE)
            self._router.setsockopt(zmq.MAXMSGSIZE, 16 * REQUEST_LIMIT)  # what is over it hangs up
            self._router.setsockopt(zmq.SNDTIMEO, 0)
            self.addresses = msgspec.structs.replace(
                addresses, desk=_bind(self._router, addresses, addresses.desk)
            )
        except BusError:
            self.close()
            raise

    def serve(self, timeout_s: float = 0.1) -> int:
        """Answer what has come, waiting at most ``timeout_s`` for the first; returns how many."""
        done = 0
        wait_ms = max(0, round(timeout_s * 1000))
        # Bounded, so that an asker who never pauses cannot hold the caller here.
        while done < REQUEST_BURST and self._router.poll(0 if done else wait_ms):
            self._answer(self._router.recv_multipart())
            done += 1
        return done

    def run(self, stop: threading.Event) -> None:
        """Serve until ``stop`` is set; the body of capture's desk thread."""
        while not stop.is_set():
            self.serve(0.1)

    def _answer(self, parts: Sequence[bytes]) -> None:
        if len(parts) != 3:
            log.info("desk: a request of %d parts was dropped", len(parts))
            return
        asker, number, data = parts
        answer = self._answer_to(data) if self._in_budget(asker) else Refused(reason=TOO_OFTEN)
        self._answered += 1
        head = Head(session=self._session, source=self._source, seq=self._answered, t_ns=self._clock.now_ns())
        coded = encode(Envelope(head, answer))
        if len(coded) > MESSAGE_LIMIT:
            coded = encode(Envelope(head, Refused(reason="that is too much for one answer; ask for less")))
        try:
            self._router.send_multipart([asker, number, coded])
        except zmq.ZMQError as error:
            log.info("desk: an asker went away before its answer (%s)", error)

    def _in_budget(self, asker: bytes) -> bool:
        """Whether an asker may ask now: a bucket of tokens for each."""
        now_ns = self._clock.now_ns()
        left, then_ns = self._budgets.pop(asker, (float(REQUEST_BURST), now_ns))
        left = min(float(REQUEST_BURST), left + (now_ns - then_ns) / NS * REQUEST_RATE_HZ)
        self._budgets[asker] = max(0.0, left - 1), now_ns
        if len(self._budgets) > ASKERS:
            del self._budgets[next(iter(self._budgets))]  # the one that asked longest ago
        return left >= 1

    def _answer_to(self, data: bytes) -> Answer:
        try:
            body = decode(data, REQUEST_LIMIT).body
            handler = self._handlers.get(type(body))
            if handler is None:
                return Refused(reason=f"the desk does not answer {type(body).__name__}")
            return handler(body)
        except RailcrestError as error:
            return Refused(reason=str(error))
        except Exception:
            log.exception("desk: a request could not be answered")
            return Refused(reason="capture could not answer; its log says why")


# --- the viewer's side ----------------------------------------------------------------------


class _Door:
    """What a connecting socket's monitor tells of being let in or shut out."""

    def __init__(self, socket: zmq.Socket[bytes], *, with_key: bool) -> None:
        no_key = "capture there lets nobody in without keys: see railcrest keys, and connect with --key"
        self._meanings: dict[int, str | None] = {
            zmq.EVENT_HANDSHAKE_SUCCEEDED: None,
            zmq.EVENT_HANDSHAKE_FAILED_AUTH: (
                "capture does not know this machine's key: carry its own.key there, run railcrest keys allow"
            ),
            zmq.EVENT_HANDSHAKE_FAILED_PROTOCOL: no_key,
            zmq.EVENT_HANDSHAKE_FAILED_NO_DETAIL: (
                "capture there broke off the greeting: its key is not the one given with --key"
                if with_key
                else no_key
            ),
        }
        events = 0
        for event in self._meanings:
            events |= event
        self.monitor = socket.get_monitor_socket(events)
        self._shut: str | None = None

    def shut(self) -> str | None:
        """Why we are shut out; None when we are not, or nobody is there."""
        while not self.monitor.closed and self.monitor.poll(0):
            event = zmq.utils.monitor.recv_monitor_message(self.monitor)
            self._shut = self._meanings.get(int(event["event"]), self._shut)
        return self._shut


class Subscriber(_Sockets):
    """Receives what is published, and counts what was lost.

    Raises:
        BusError: it is another machine, and a key is missing.
    """

    def __init__(self, addresses: Addresses) -> None:
        super().__init__()
        try:
            self._prove(addresses)
        except BusError:
            self.close()
            raise
        state, records = addresses.url(addresses.state), addresses.url(addresses.records)
        self._sub = self._socket(zmq.SUB)
        self._door = self._watch(self._sub)
        self._sub.setsockopt(zmq.MAXMSGSIZE, MESSAGE_LIMIT)
        for topic in TOPICS:
            self._sub.setsockopt(zmq.SUBSCRIBE, topic.prefix)
        self._sub.setsockopt(zmq.RCVHWM, STATE_QUEUE)
        self._sub.connect(state)
        self._sub.setsockopt(zmq.RCVHWM, RECORD_QUEUE)  # holds for the next connection only
        self._sub.connect(records)
        self._last: dict[str, tuple[str, int]] = {}  # topic (or "records") -> source, sequence number
        self.lost: dict[str, int] = {}  # topic (or "records") -> messages lost
        self.unreadable = 0  # messages that could not be decoded, or had come before
        self.problem: str | None = None  # why the last of them could not

    @property
    def shut_out(self) -> str | None:
        """Why capture does not let us in, if it does not."""
        return self._door.shut()

    def poll(self, timeout_s: float = 0.0) -> list[Envelope]:
        """Everything that has come, waiting at most ``timeout_s`` for the first.

        Of each topic that may be lost, only the newest is given. Records come first, in
        order.
        """
        records: list[Envelope] = []
        newest: dict[str, Envelope] = {}
        wait_ms = max(0, round(timeout_s * 1000))
        # Bounded, so that a sender that never pauses cannot hold the caller here.
        for _ in range(STATE_QUEUE + RECORD_QUEUE):
            if not self._sub.poll(0 if records or newest else wait_ms):
                break
            received = self._receive(self._sub.recv_multipart())
            if received is None:
                continue
            name, must_arrive, envelope = received
            if must_arrive:
                records.append(envelope)
            else:
                newest[name] = envelope
        return records + list(newest.values())

    def _receive(self, parts: Sequence[bytes]) -> tuple[str, bool, Envelope] | None:
        topic = BY_PREFIX.get(parts[0]) if len(parts) == 2 else None
        if topic is None:
            self._unreadable("a message came on no known topic")
            return None
        try:
            envelope = decode(parts[1])
        except BusError as error:
            self._unreadable(str(error))
            return None
        if type(envelope.body) is not topic.body:
            self._unreadable(f"{topic.name}: carried a {type(envelope.body).__name__}")
            return None
        if not self._counted("records" if topic.must_arrive else topic.name, envelope.head):
            self._unreadable(f"{topic.name}: one that had come before was sent again")
            return None
        return topic.name, topic.must_arrive, envelope

    def _counted(self, series: str, head: Head) -> bool:
        """Count what was lost before a message; False for one not newer than the last of its run."""
        source, seq = self._last.get(series, (head.source, head.seq - 1))
        if source == head.source and head.seq <= seq:
            return False
        if source == head.source and head.seq > seq + 1:
            self.lost[series] = self.lost.get(series, 0) + head.seq - seq - 1
        self._last[series] = head.source, head.seq
        return True

    def _unreadable(self, problem: str) -> None:
        if problem != self.problem:
            log.info("bus: %s", problem)
        self.unreadable += 1
        self.problem = problem


class DeskClient(_Sockets):
    """Asks the desk. Used by one thread.

    Raises:
        BusError: it is another machine, and a key is missing.
    """

    def __init__(self, addresses: Addresses, name: str = "viewer", clock: Clock | None = None) -> None:
        super().__init__()
        self._name = name
        self._clock = clock or SystemClock()
        self._numbers = itertools.count(1)
        try:
            self._prove(addresses)
        except BusError:
            self.close()
            raise
        url = addresses.url(addresses.desk)
        self._dealer = self._socket(zmq.DEALER)
        self._door = self._watch(self._dealer)
        self._dealer.setsockopt(zmq.MAXMSGSIZE, MESSAGE_LIMIT)
        self._dealer.setsockopt(zmq.SNDTIMEO, 0)
        self._dealer.connect(url)

    def begin(self, request: Request) -> int:
        """Send a request without waiting; :meth:`collect` gives its answer under this number."""
        number = next(self._numbers)
        head = Head(session="", source=self._name, seq=number, t_ns=self._clock.now_ns())
        data = encode(Envelope(head, request))
        try:
            self._dealer.send_multipart([number.to_bytes(8, "big"), data])
        except zmq.ZMQError as error:
            raise BusError(f"the desk takes no more requests ({error}); is capture running?") from error
        return number

    def collect(self, timeout_s: float = 0.0) -> dict[int, Envelope]:
        """The answers that have come by request number, waiting at most ``timeout_s`` for the first.

        Raises:
            BusError: an answer could not be read.
        """
        answers: dict[int, Envelope] = {}
        while self._dealer.poll(0 if answers else max(0, round(timeout_s * 1000))):
            parts = self._dealer.recv_multipart()
            if len(parts) == 2 and len(parts[0]) == 8:
                answers[int.from_bytes(parts[0], "big")] = decode(parts[1])
        return answers

    def ask(self, request: Request, timeout_s: float = 5.0) -> Answer:
        """Send a request and wait for its answer, which may be a refusal.

        Raises:
            BusError: nobody answers in time, or the answer could not be read.
        """
        number = self.begin(request)
        clock = SystemClock()  # sockets wait in real time, whatever clock the session runs on
        deadline_ns = clock.now_ns() + round(timeout_s * NS)
        while (left_ns := deadline_ns - clock.now_ns()) > 0:
            answer = self.collect(left_ns / NS).get(number)
            if answer is not None:
                return cast(Answer, answer.body)
        if shut := self._door.shut():
            raise BusError(shut)
        raise BusError(f"the desk gave no answer within {timeout_s:g} s; is capture still running?")


class SessionFeed:
    """Follows a session: first a snapshot, then everything newer, healed when something was lost.

    Args:
        locate: where the bus is: its addresses, a session folder, or a callable that gives them. It
            is asked again while nothing is heard, so that a restarted capture is found.
        clock: for the age of the feed and for asking again.

    Used by one thread.
    """

    PATIENCE_NS = 2 * NS  # until an unanswered snapshot request is sent again
    SILENCE_NS = 3 * NS  # until the addresses are looked up again

    def __init__(
        self,
        locate: Addresses | Path | Callable[[], Addresses],
        clock: Clock | None = None,
        name: str = "viewer",
    ) -> None:
        if isinstance(locate, Addresses) and not locate.here and not locate.server_key:
            raise BusError(f"{locate.host}: other machines need keys; give that capture's with --key")
        self._locate = _locator(locate)
        self._clock = clock or SystemClock()
        self._name = name
        self._addresses: Addresses | None = None
        self._subscriber: Subscriber | None = None
        self._desk: DeskClient | None = None
        self._asked: tuple[int, int] | None = None  # number and time of the open snapshot request
        self._ask_after_ns: int | None = None  # a refused or wanted snapshot is asked for from then on
        self._held: list[Envelope] = []  # records that wait for the snapshot
        self._source: str | None = None  # session and run of capture that the snapshot came from
        self._seq = 0
        self._heard_ns: int | None = None
        self._looked_ns: int | None = None
        self.problem: str | None = None  # why nothing comes, in one line
        self.snapshots = 0  # taken so far

    @property
    def synced(self) -> bool:
        """Whether everything that must arrive has arrived."""
        return self._source is not None and self._asked is None and self._ask_after_ns is None

    @property
    def lost(self) -> Mapping[str, int]:
        """Messages lost on the way, by topic; ``records`` were healed by a snapshot."""
        return self._subscriber.lost if self._subscriber else {}

    def age_ns(self) -> int | None:
        """Time since the last heartbeat; None before the first."""
        return None if self._heard_ns is None else self._clock.now_ns() - self._heard_ns

    def poll(self, timeout_s: float = 0.0) -> list[Envelope]:
        """What is new: a Snapshot (which replaces everything), records in order, newest state.

        Waits at most ``timeout_s`` for the first message; never longer, whether capture runs or not.
        """
        now_ns = self._clock.now_ns()
        if not self._connect(now_ns):
            if timeout_s > 0:
                threading.Event().wait(timeout_s)
            return []
        assert self._subscriber is not None
        assert self._desk is not None
        if self._wants_snapshot(now_ns):
            self._ask(now_ns)
        # While a snapshot is awaited, look at the desk often.
        received = self._subscriber.poll(min(timeout_s, 0.02) if self._asked else timeout_s)
        if problem := self._subscriber.shut_out or self._subscriber.problem:
            self.problem = problem
        out = list(self._take_snapshot())
        records = [e for e in received if not isinstance(e.body, StateBody)]
        for envelope in records:
            out += self._take_record(envelope)
        for envelope in received:
            if isinstance(envelope.body, StateBody):
                if isinstance(envelope.body, Heartbeat):
                    self._take_heartbeat(envelope, envelope.body)
                out.append(envelope)
        return out

    def close(self) -> None:
        """Leave the session; safe to call twice."""
        for part in (self._subscriber, self._desk):
            if part is not None:
                part.close()
        self._subscriber = self._desk = None
        self._addresses = None

    def __enter__(self) -> SessionFeed:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _connect(self, now_ns: int) -> bool:
        since = max((t for t in (self._heard_ns, self._looked_ns) if t is not None), default=None)
        if since is not None and now_ns - since < self.SILENCE_NS:
            return self._subscriber is not None
        self._looked_ns = now_ns
        try:
            addresses = self._locate()
            if addresses != self._addresses:
                self.close()
                self._subscriber = Subscriber(addresses)  # first of all, so that nothing newer is missed
                self._desk = DeskClient(addresses, self._name, self._clock)
                self._addresses = addresses
                self._restart(now_ns)
        except BusError as error:
            self.problem = str(error)
        return self._subscriber is not None

    def _restart(self, now_ns: int) -> None:
        self._asked, self._ask_after_ns = None, now_ns
        self._source, self._seq = None, 0
        self._held.clear()

    def _wants_snapshot(self, now_ns: int) -> bool:
        if self._asked is not None:
            return now_ns - self._asked[1] >= self.PATIENCE_NS
        return self._ask_after_ns is not None and now_ns >= self._ask_after_ns

    def _ask(self, now_ns: int) -> None:
        assert self._desk is not None
        try:
            self._asked = self._desk.begin(SnapshotRequest()), now_ns
            self._ask_after_ns = None
        except BusError as error:
            self.problem = str(error)
            self._ask_after_ns = now_ns + self.PATIENCE_NS

    def _take_snapshot(self) -> Iterator[Envelope]:
        assert self._desk is not None
        try:
            answers = self._desk.collect()
        except BusError as error:
            self.problem = str(error)
            return
        if self._asked is None or (envelope := answers.get(self._asked[0])) is None:
            return
        self._asked = None
        if not isinstance(envelope.body, Snapshot):
            self.problem = envelope.body.reason if isinstance(envelope.body, Refused) else None
            self._ask_after_ns = self._clock.now_ns() + NS // 5
            return
        if self._source == _run(envelope) and envelope.body.seq < self._seq:
            return  # older than what was applied meanwhile
        self.problem = None
        self.snapshots += 1
        self._source, self._seq = _run(envelope), envelope.body.seq
        yield envelope
        held, self._held = self._held, []
        for record in held:
            if _run(record) == self._source:  # what another run of capture sent is over
                yield from self._take_record(record)

    def _take_record(self, envelope: Envelope) -> Iterator[Envelope]:
        if self._source is None or self._asked is not None:
            self._held.append(envelope)
            return
        if _run(envelope) != self._source:
            self._restart(self._clock.now_ns())  # capture was started again
            self._held.append(envelope)
        elif envelope.head.seq == self._seq + 1:
            self._seq += 1
            yield envelope
        elif envelope.head.seq > self._seq:
            self._held.append(envelope)
            self._ask_after_ns = self._clock.now_ns()

    def _take_heartbeat(self, envelope: Envelope, beat: Heartbeat) -> None:
        self._heard_ns = self._clock.now_ns()
        if self._source is None or self._asked is not None:
            return
        if _run(envelope) != self._source:
            self._restart(self._clock.now_ns())
        elif beat.reading_seq > self._seq:
            self._ask_after_ns = self._clock.now_ns()


def _run(envelope: Envelope) -> str:
    """Session and run of capture that a message came from."""
    return f"{envelope.head.session}\0{envelope.head.source}"


def _locator(locate: Addresses | Path | Callable[[], Addresses]) -> Callable[[], Addresses]:
    if isinstance(locate, Addresses):
        return lambda: locate
    if isinstance(locate, Path):
        return lambda: read_run_file(locate).addresses
    return locate

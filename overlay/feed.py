"""The session's messages, received by a thread of their own.

The thread owns the sockets. It hands over what came in bundles: every record, and of the pictures,
poses and heartbeats only the newest, so that a slow screen never falls behind.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from PySide6.QtCore import QObject, Signal
from PySide6.QtGui import QImage

from bridge.clock import Clock
from bridge.errors import RailcrestError
from bridge.messages import Envelope, Heartbeat, Pose, Preview, RecordBody, Snapshot
from overlay.pixels import jpeg_image

Record = Snapshot | RecordBody


@dataclass(frozen=True, slots=True)
class Picture:
    """A live picture, reduced, and its capture time."""

    t_ns: int
    image: QImage


@dataclass(frozen=True, slots=True)
class Bundle:
    """What came since the last bundle: all records in order, and the newest of the rest."""

    records: tuple[Record, ...] = ()
    picture: Picture | None = None
    pose: Pose | None = None
    heartbeat: Heartbeat | None = None


class Source(Protocol):
    """What the thread needs of the bus; :class:`bridge.bus.SessionFeed` has it."""

    problem: str | None

    def poll(self, timeout_s: float = 0.0) -> list[Envelope]:
        """What came, waiting at most ``timeout_s`` for the first message."""
        ...

    def close(self) -> None:
        """Close the sockets."""
        ...


class Feed(QObject):
    """What the window needs of a feed. ``arrived`` says that :meth:`take` has something new.

    Attributes:
        heard_ns: when anything last came, on the viewer's clock; None until then.
        picture_ns: when a picture last came, on the viewer's clock; None until then.
        trouble: why the bus cannot be reached, in words, or "".
    """

    arrived = Signal()

    def __init__(self, clock: Clock, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._clock = clock
        self._lock = threading.Lock()
        self._bundle = Bundle()
        self._told = False
        self.heard_ns: int | None = None
        self.picture_ns: int | None = None
        self.trouble = ""

    def put(self, body: object) -> None:
        """Take in one body. Called by the thread that receives."""
        picture = None
        if isinstance(body, Preview):
            image = jpeg_image(body.jpeg)
            picture = Picture(body.t_ns, image) if image is not None else None
        now_ns = self._clock.now_ns()
        with self._lock:
            self.heard_ns = now_ns
            held = self._bundle
            if isinstance(body, Record):
                self._bundle = Bundle((*held.records, body), held.picture, held.pose, held.heartbeat)
            elif picture is not None:
                self.picture_ns = now_ns
                self._bundle = Bundle(held.records, picture, held.pose, held.heartbeat)
            elif isinstance(body, Pose):
                self._bundle = Bundle(held.records, held.picture, body, held.heartbeat)
            elif isinstance(body, Heartbeat):
                self._bundle = Bundle(held.records, held.picture, held.pose, body)
            tell, self._told = not self._told, True
        if tell:
            self.arrived.emit()

    def take(self) -> Bundle:
        """What came since the last call."""
        with self._lock:
            bundle, self._bundle = self._bundle, Bundle()
            self._told = False
        return bundle


class FeedThread:
    """Receives for a :class:`Feed` until it is stopped."""

    def __init__(self, connect: Callable[[], Source], feed: Feed) -> None:
        self._connect = connect
        self._feed = feed
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="feed", daemon=True)

    def start(self) -> None:
        """Start the thread."""
        self._thread.start()

    def stop(self, timeout_s: float = 3.0) -> bool:
        """Ask the thread to end, and wait for it. Returns whether it ended."""
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _run(self) -> None:
        source: Source | None = None
        try:
            while not self._stopping.is_set():
                try:
                    source = source or self._connect()
                    for envelope in source.poll(0.1):
                        self._feed.put(envelope.body)
                    self._feed.trouble = source.problem or ""
                except RailcrestError as error:
                    self._feed.trouble = str(error)
                    self._stopping.wait(0.5)
        finally:
            if source is not None:
                source.close()

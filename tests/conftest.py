"""What every test gets: no real user folders, no hanging bus, no unexpected warnings in the log."""

from __future__ import annotations

import logging
import os
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

from bridge.bus import Addresses, Desk, DeskClient, Handler, Publisher, SessionFeed, Subscriber
from bridge.clock import ManualClock
from bridge.messages import RailLine, Scene

if TYPE_CHECKING:
    from pytestqt.qtbot import QtBot

    from tests.viewer_arena import Viewer
    from tests.viewer_demo import DemoArena


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "logs_warnings: the test expects warnings in the log")


@pytest.fixture(autouse=True)
def _own_data_dir(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    """No test reads or writes the sessions of the person who runs it."""
    monkeypatch.setenv("RAILCREST_DATA", str(tmp_path_factory.mktemp("data")))


@pytest.fixture(autouse=True)
def _quiet_log(request: pytest.FixtureRequest, caplog: pytest.LogCaptureFixture) -> Iterator[None]:
    """A warning of ours in the log fails the test, unless it is marked ``logs_warnings``."""
    yield
    if request.node.get_closest_marker("logs_warnings"):
        return
    ours = ("bridge", "capture", "overlay")
    loud = [
        f"{record.name}: {record.getMessage()}"
        for record in caplog.get_records("call")
        if record.levelno >= logging.WARNING and record.name.split(".")[0] in ours
    ]
    assert not loud, f"unexpected in the log: {loud}"


class Bus:
    """A capture side on ports that the system chose, and viewers of it; all closed at the end."""

    def __init__(self) -> None:
        self._open: list[Publisher | Desk | DeskClient | Subscriber | SessionFeed] = []
        self._stops: list[tuple[threading.Event, threading.Thread]] = []

    def publisher(self, source: str = "run-1", addresses: Addresses | None = None) -> Publisher:
        publisher = Publisher(addresses or Addresses(), "test session", source)
        self._open.append(publisher)
        return publisher

    def desk(self, publisher: Publisher, handlers: dict[type, Handler], *, serve: bool = True) -> Desk:
        """A desk beside the publisher; with ``serve`` a thread answers until the end of the test."""
        desk = Desk(publisher.addresses, publisher.session, publisher.source, handlers)
        if serve:
            stop = threading.Event()
            thread = threading.Thread(target=desk.run, args=(stop,))
            thread.start()
            self._stops.append((stop, thread))
        self._open.append(desk)
        return desk

    def client(self, addresses: Addresses) -> DeskClient:
        client = DeskClient(addresses)
        self._open.append(client)
        return client

    def subscriber(self, addresses: Addresses) -> Subscriber:
        subscriber = Subscriber(addresses)
        self._open.append(subscriber)
        return subscriber

    def feed(self, addresses: Addresses | Path, clock: ManualClock | None = None) -> SessionFeed:
        feed = SessionFeed(addresses, clock)
        self._open.append(feed)
        return feed

    def stop_desks(self) -> None:
        for stop, thread in self._stops:
            stop.set()
            thread.join(5)
            assert not thread.is_alive(), "a desk did not stop"
        self._stops.clear()

    def close_capture(self) -> None:
        """Close what capture has open, as when it ends."""
        self.stop_desks()
        for part in self._open:
            if isinstance(part, Publisher | Desk):
                part.close()

    def close(self) -> None:
        self.stop_desks()
        for part in self._open:
            part.close()


@pytest.fixture
def bus() -> Iterator[Bus]:
    made = Bus()
    try:
        yield made
    finally:
        closing = threading.Thread(target=made.close, daemon=True)
        closing.start()
        closing.join(10)
        assert not closing.is_alive(), "the bus did not close within 10 s"


@pytest.fixture
def scene() -> Scene:
    line = RailLine(rail="high", a=(10.0, 40.0), b=(180.0, 40.0), u_px=0.8, label="bar")
    return Scene(
        title="Morning turns", picture=(192, 96), lines=(line,), table="invented 2026", policy="band"
    )


@pytest.fixture
def arena(bus: Bus, tmp_path: Path) -> Iterator[DemoArena]:
    """A copy of the shipped demo session on a real bus."""
    from tests.viewer_demo import DemoArena, copy_of_demo

    made = DemoArena(bus, copy_of_demo(tmp_path / "demo"))
    try:
        yield made
    finally:
        made.stop()


@pytest.fixture
def viewer(arena: DemoArena, qtbot: QtBot) -> Iterator[Viewer]:
    """The judges' window on that bus, with all six flights there."""
    from tests.viewer_arena import Viewer

    arena.begin()
    made = Viewer(arena.addresses)
    qtbot.addWidget(made.window)
    try:
        qtbot.waitUntil(lambda: made.window.flights.count() == 6, timeout=10_000)
        yield made
    finally:
        made.close()

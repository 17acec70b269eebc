"""A clinic's server on loopback for tests, and an invented set of clips."""

from __future__ import annotations

import asyncio
import contextlib
import http.client
import json
import shutil
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from bridge.clock import ManualClock
from overlay.clinic.examples import Example, Reference
from overlay.clinic.practice import NS, Begun, Practice, plan
from overlay.clinic.server import ClinicServer
from overlay.clinic.steps import Steps, StepTable

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
PHONE, TABLET = {"width": 390, "height": 844}, {"width": 820, "height": 1180}
TODAY = date(2031, 5, 4)
TABLE = StepTable("Invented 2031", {"dismount": Steps((0, 5, 10, 15, 20))})


def clips(count: int) -> list[Example]:
    """Invented examples: nothing here was measured."""
    return [
        Example(
            id=f"evening/r{n}-f1",
            session="evening",
            flight=f"r{n}-f1",
            gymnast=str(n),
            family="dismount",
            grade="middling",
            reason="invented",
            side="right",
            rule_book="Invented",
            rule_year=2031,
            range=(5, 10),
            band="level",
            consent="teaching",
            expires=date(2031, 12, 1),
            references=(
                Reference(mark=5 * (n % 5), reason=f"invented reason {n}", by="panel of three", on=TODAY),
            ),
        )
        for n in range(count)
    ]


@dataclass
class Browserless:
    """Somebody's device that speaks HTTP and keeps cookies."""

    url: str
    cookies: dict[str, str] = field(default_factory=dict)

    def ask(
        self, path: str, body: Any = None, *, raw: bytes | None = None, **headers: str
    ) -> tuple[int, Any, dict[str, str]]:
        where = urlsplit(self.url)
        with contextlib.closing(http.client.HTTPConnection(where.netloc, timeout=10)) as line:
            sent = {"Cookie": "; ".join(f"{k}={v}" for k, v in self.cookies.items())} if self.cookies else {}
            data = raw if raw is not None else None if body is None else json.dumps(body).encode()
            if data is not None:
                sent["Content-Type"] = "application/json"
            sent.update({k.replace("_", "-"): v for k, v in headers.items()})
            line.request("GET" if data is None else "POST", path, data, sent)
            answer = line.getresponse()
            text = answer.read()
            told = {k.lower(): v for k, v in answer.getheaders()}
        if "set-cookie" in told:
            name, _, value = told["set-cookie"].partition(";")[0].partition("=")
            self.cookies[name] = value
        kind = told.get("content-type", "")
        return answer.status, json.loads(text) if kind.startswith("application/json") else text.decode(), told


@dataclass
class Room:
    """A running clinic."""

    practice: Practice
    server: ClinicServer
    clock: ManualClock

    def device(self) -> Browserless:
        return Browserless(self.server.url)

    def teacher(self) -> Browserless:
        device = self.device()
        where = urlsplit(self.server.teacher_url)
        assert device.ask(f"{where.path}?{where.query}")[0] == 303
        return device


@contextlib.contextmanager
def room(path: Path, count: int = 4, *, repeats: int = 0, fresh: bool = True) -> Iterator[Room]:
    """A clinic over ``count`` clips, or the one that ``path`` holds."""
    begun = plan("Evening", clips(count), TABLE, today=TODAY, seed=5, repeats=repeats, room_code="ABC234")
    with serving(path, begun if fresh else None, ManualClock(NS)) as made:
        yield made


@contextlib.contextmanager
def serving(path: Path, begun: Begun | None, clock: ManualClock) -> Iterator[Room]:
    """A clinic's server in a thread of its own."""
    practice = Practice(path, begun, clock=clock)
    server = ClinicServer(practice)
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever)
    thread.start()
    try:
        asyncio.run_coroutine_threadsafe(server.start(), loop).result(10)
        yield Room(practice, server, clock)
    finally:
        asyncio.run_coroutine_threadsafe(server.stop(), loop).result(10)
        loop.call_soon_threadsafe(loop.stop)
        thread.join(10)
        loop.close()
        practice.close()

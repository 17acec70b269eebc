"""The room's web page: markers on phones, tablets and laptops, without internet.

A marker joins with the room code, gets an own code to come back with, and sees only what
:func:`overlay.clinic.practice.marker_view` gives. The teacher steers with a key that only this
machine's screen shows. The page listens on loopback unless the teacher names another address of this
machine; there it is plain HTTP, readable by others on that network: use the room's own.
"""

from __future__ import annotations

import asyncio
import io
import ipaddress
import secrets
from collections import deque
from collections.abc import Awaitable, Callable
from importlib import resources
from typing import Annotated, Any, Final, Literal, TypeVar

import msgspec
import segno
from aiohttp import web

from bridge.errors import BusError, ConfigError, RecordingError
from bridge.messages import Quantity
from overlay.clinic.agreement import marks_csv, own_agreement
from overlay.clinic.practice import (
    NS,
    Asked,
    Ended,
    Event,
    Locked,
    NotNowError,
    Practice,
    Reveal,
    Revealed,
    State,
    Typed,
    Viewed,
    marker_view,
    room_view,
    tidy_code,
)
from overlay.clinic.summary import own_lines
from overlay.words import family_words, height_sentence

LOOPBACK: Final = "127.0.0.1"
TRIES: Final = 10  # wrong codes from one address, then it waits
WAIT_NS: Final = 60 * NS
ADDRESSES: Final = 1000  # whose wrong codes are remembered
BODY_LIMIT: Final = 4096  # bytes
PATIENCE_S: Final = 8.0  # a page that has seen all waits so long for news
LOOK_S: Final = 0.1
_COOKIE: Final = "marker"
_KEY_COOKIE: Final = "teacher"
_HEADERS: Final = {
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; "
    "img-src 'self' data:; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
}
_PAGE: Final = resources.files("overlay.clinic") / "page"
_TYPES: Final = {"css": "text/css", "js": "text/javascript", "html": "text/html"}

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]
T = TypeVar("T")
Code = Annotated[str, msgspec.Meta(max_length=40)]


class _Join(msgspec.Struct, forbid_unknown_fields=True):
    room: Code


class _Return(msgspec.Struct, forbid_unknown_fields=True):
    code: Code


class _Mark(msgspec.Struct, forbid_unknown_fields=True):
    number: int
    mark: int


class _Step(msgspec.Struct, forbid_unknown_fields=True):
    do: Literal["view", "ask", "lock", "reveal", "end", "paper marker", "paper mark"]
    number: int = 0
    view: int = 1
    marker: Code = ""
    mark: int = 0


class ClinicServer:
    """The web page of one practice.

    Args:
        practice: what the page shows and changes.
        host: an address of this machine; others than loopback only when the teacher says so.
        port: 0 lets the system choose.

    Raises:
        ConfigError: ``host`` is no single address.
    """

    def __init__(self, practice: Practice, host: str = LOOPBACK, port: int = 0) -> None:
        try:
            address = ipaddress.ip_address(host)
        except ValueError as error:
            raise ConfigError(f"{host}: give the address in numbers, such as 192.168.1.20") from error
        if address.is_unspecified or address.is_multicast:
            raise ConfigError(f"{host}: name one address of this machine, not all of them")
        self._practice = practice
        self._host = f"[{address}]" if address.version == 6 else str(address)
        self._bind = host
        self._port = port
        self._key = secrets.token_urlsafe(16)
        self._wrong: dict[str, deque[int]] = {}
        self._runner: web.AppRunner | None = None
        self._stopping = False

    @property
    def url(self) -> str:
        """Where markers go."""
        return f"http://{self._host}:{self._port}/"

    @property
    def join_url(self) -> str:
        """The same with the room code, for the QR code."""
        return f"{self.url}?room={self._practice.state.plan.room_code}"

    @property
    def teacher_url(self) -> str:
        """Where the teacher goes; it holds the key."""
        return f"{self.url}teacher?key={self._key}"

    async def start(self) -> None:
        """Begin to listen. Raises BusError when the address or port cannot be had."""
        app = web.Application(client_max_size=BODY_LIMIT, middlewares=[self._guard])
        app.add_routes(
            [
                web.get("/", self._file("marker.html")),
                web.get("/style.css", self._file("style.css")),
                web.get("/marker.js", self._file("marker.js")),
                web.get("/room.js", self._file("room.js")),
                web.get("/reveal.js", self._file("reveal.js")),
                web.get("/join.svg", self._qr),
                web.get("/teacher", self._teacher),
                web.get("/room", self._room_page),
                web.get("/api/me", self._me),
                web.post("/api/join", self._join),
                web.post("/api/return", self._return),
                web.post("/api/mark", self._mark),
                web.get("/api/room", self._room),
                web.post("/api/room", self._step),
                web.get("/api/marks.csv", self._csv),
            ]
        )
        self._runner = web.AppRunner(app, access_log=None, handle_signals=False, shutdown_timeout=1.0)
        self._stopping = False
        await self._runner.setup()
        try:
            await web.TCPSite(self._runner, self._bind, self._port).start()
        except OSError as error:
            await self.stop()
            raise BusError(
                f"{self._host}:{self._port}: cannot listen there ({error.strerror}); "
                "choose another port or address"
            ) from error
        self._port = self._runner.addresses[0][1]

    async def stop(self) -> None:
        """Stop listening; safe to call twice."""
        self._stopping = True
        if self._runner is not None:
            await self._runner.cleanup()
            self._runner = None

    # --- what every request goes through ------------------------------------------------------

    @web.middleware
    async def _guard(self, request: web.Request, handler: Handler) -> web.StreamResponse:
        try:
            self._check_origin(request)
            answer = await handler(request)
        except web.HTTPException as error:
            answer = _said(error.status, error.text or error.reason)
        except NotNowError as error:
            answer = _said(409, str(error))
        except RecordingError as error:
            answer = _said(503, str(error))
        answer.headers.update(_HEADERS)
        return answer

    def _check_origin(self, request: web.Request) -> None:
        """Only our own pages: against other sites, and names that were made to point here."""
        names = [self._host, *(["localhost"] if ipaddress.ip_address(self._bind).is_loopback else [])]
        ours = {f"{name}:{self._port}" for name in names} | {n for n in names if self._port == 80}
        if request.host not in ours:
            raise web.HTTPForbidden(text="open the address that the room shows")
        if request.method == "POST":
            origin = request.headers.get("Origin")
            if origin is not None and origin.removeprefix("http://") not in ours:
                raise web.HTTPForbidden(text="open the address that the room shows")
            if request.content_type != "application/json":
                raise web.HTTPUnsupportedMediaType(text="send JSON")

    def _check_teacher(self, request: web.Request) -> None:
        if not secrets.compare_digest(request.cookies.get(_KEY_COOKIE, "").encode(), self._key.encode()):
            raise web.HTTPForbidden(text="only the teacher may do that; use the teacher's address")

    def _throttle(self, request: web.Request, right: bool) -> None:
        """Nobody guesses codes: after TRIES wrong ones an address waits."""
        now = self._practice.now_ns()
        while len(self._wrong) > ADDRESSES:  # the oldest goes: memory stays bounded whoever calls
            self._wrong.pop(next(iter(self._wrong)))
        tries = self._wrong.setdefault(request.remote or "", deque(maxlen=TRIES))
        if len(tries) == TRIES and now - tries[0] < WAIT_NS:
            raise web.HTTPTooManyRequests(text="too many wrong codes; wait a minute")
        if not right:
            tries.append(now)

    # --- pages --------------------------------------------------------------------------------

    def _file(self, name: str) -> Handler:
        async def give(request: web.Request) -> web.Response:
            return _page(name)

        return give

    async def _teacher(self, request: web.Request) -> web.Response:
        key = request.query.get("key")
        if key is None:
            self._check_teacher(request)
            return _page("room.html", role="teacher")
        if not secrets.compare_digest(key.encode(), self._key.encode()):
            raise web.HTTPForbidden(text="that key is not this room's")
        # The key leaves the address line at once, so that no projector shows it.
        answer = web.Response(status=303, headers={"Location": "/teacher"})
        answer.set_cookie(_KEY_COOKIE, self._key, httponly=True, samesite="Strict")
        return answer

    async def _room_page(self, request: web.Request) -> web.Response:
        self._check_teacher(request)
        return _page("room.html", role="projector")

    async def _qr(self, request: web.Request) -> web.Response:
        self._check_teacher(request)
        drawn = io.BytesIO()
        segno.make(self.join_url, error="m").save(drawn, kind="svg", scale=8, border=4, light="#ffffff")
        return web.Response(body=drawn.getvalue(), content_type="image/svg+xml")

    # --- markers ------------------------------------------------------------------------------

    async def _join(self, request: web.Request) -> web.Response:
        asked = await _body(request, _Join)
        right = secrets.compare_digest(tidy_code(asked.room), self._practice.state.plan.room_code)
        self._throttle(request, right)
        if not right:
            raise web.HTTPForbidden(text="that is not the room code; look in front")
        back = self._practice.who(request.cookies.get(_COOKIE, ""))
        if back is not None:  # the same device pressed Join again
            return _json({"marker": back})
        marker, code = self._practice.join()
        answer = _json({"marker": marker, "code": f"{code[:4]}-{code[4:]}"})
        answer.set_cookie(_COOKIE, code, httponly=True, samesite="Strict")
        return answer

    async def _return(self, request: web.Request) -> web.Response:
        code = tidy_code((await _body(request, _Return)).code)
        marker = self._practice.who(code)
        self._throttle(request, marker is not None)
        if marker is None:
            raise web.HTTPForbidden(text="nobody here has that code")
        answer = _json({"marker": marker})
        answer.set_cookie(_COOKIE, code, httponly=True, samesite="Strict")
        return answer

    async def _me(self, request: web.Request) -> web.Response:
        marker = self._marker(request)
        await self._news(request, lambda: self._practice.stage)
        return self._view_of(marker, self._practice.state)

    async def _news(self, request: web.Request, count: Callable[[], int]) -> None:
        """Wait until there is something that the asking page has not seen, at most PATIENCE_S."""
        seen = request.query.get("seen")
        for _ in range(round(PATIENCE_S / LOOK_S)):
            if self._stopping or seen is None or seen != str(count()):
                return
            await asyncio.sleep(LOOK_S)

    async def _mark(self, request: web.Request) -> web.Response:
        marker = self._marker(request)
        asked = await _body(request, _Mark)
        return self._view_of(marker, self._practice.mark(request.cookies[_COOKIE], asked.number, asked.mark))

    def _marker(self, request: web.Request) -> str:
        marker = self._practice.who(request.cookies.get(_COOKIE, ""))
        if marker is None:
            raise web.HTTPUnauthorized(text="join first")
        return marker

    def _view_of(self, marker: str, state: State) -> web.Response:
        view = marker_view(state, marker, self._practice.now_ns())
        told = msgspec.to_builtins(view)
        told["family_words"] = family_words(view.family) if view.family else ""
        told["reveal"] = _told(view.reveal)
        told["seen"] = self._practice.stage
        told["summary"] = []
        if state.phase == "ended":  # the marker's own figures, from the marker's own marks
            told["summary"] = own_lines(own_agreement(state.items(), state.locked_marks(), marker))
        return _json(told)

    # --- teacher ------------------------------------------------------------------------------

    async def _room(self, request: web.Request) -> web.Response:
        self._check_teacher(request)
        await self._news(request, lambda: self._practice.version)
        return self._room_json()

    async def _step(self, request: web.Request) -> web.Response:
        self._check_teacher(request)
        asked = await _body(request, _Step)
        if asked.do == "paper marker":
            marker, _ = self._practice.join(paper=True)
            return self._room_json(marker=marker)
        events: dict[str, Event] = {
            "view": Viewed(number=asked.number, view=asked.view),
            "ask": Asked(number=asked.number),
            "lock": Locked(number=asked.number),
            "reveal": Revealed(number=asked.number),
            "end": Ended(),
            "paper mark": Typed(marker=asked.marker, number=asked.number, mark=asked.mark),
        }
        self._practice.do(events[asked.do])
        return self._room_json()

    async def _csv(self, request: web.Request) -> web.Response:
        self._check_teacher(request)
        state = self._practice.state
        text = marks_csv(state.items(), state.locked_marks())
        return web.Response(
            text=text,
            content_type="text/csv",
            headers={"Content-Disposition": 'attachment; filename="marks.csv"'},
        )

    def _room_json(self, **more: str) -> web.Response:
        state = self._practice.state
        view = room_view(state, self._practice.now_ns())
        told = msgspec.to_builtins(view)
        told["reveal"] = _told(view.reveal)
        told["address"] = self.url
        told["seen"] = self._practice.version
        told["paper"] = _paper(state)
        following = state.number + (state.phase in ("waiting", "locked"))
        shows = state.plan.showings
        told["play"] = shows[following - 1].clip if state.phase != "ended" and following <= len(shows) else ""
        return _json({**told, **more})


def run(practice: Practice, host: str = LOOPBACK, port: int = 0, tell: Callable[[str], None] = print) -> None:
    """Serve a practice until the process is interrupted.

    Args:
        tell: is given the teacher's address, then the markers'.

    Raises:
        BusError: the address or port cannot be had.
    """

    async def serve() -> None:
        server = ClinicServer(practice, host, port)
        await server.start()
        try:
            tell(f"teacher: {server.teacher_url}")
            tell(f"markers: {server.url}")
            await asyncio.Event().wait()
        finally:
            await server.stop()

    asyncio.run(serve())


async def _body(request: web.Request, kind: type[T]) -> T:
    try:
        return msgspec.json.decode(await request.read(), type=kind)
    except (msgspec.MsgspecError, UnicodeDecodeError) as error:
        raise web.HTTPBadRequest(text=f"cannot be read: {error}") from error


def _json(told: dict[str, Any]) -> web.Response:
    return web.Response(body=msgspec.json.encode(told), content_type="application/json")


def _said(status: int, text: str) -> web.Response:
    answer = _json({"said": text})
    answer.set_status(status)
    return answer


def _page(name: str, role: str = "") -> web.Response:
    text = (_PAGE / name).read_text(encoding="utf-8").replace("ROLE", role)
    return web.Response(text=text, content_type=_TYPES[name.rpartition(".")[2]])


def _paper(state: State) -> list[dict[str, Any]]:
    """Markers on paper, each with the locked showings whose mark is not typed in yet."""
    return [
        {
            "marker": marker,
            "missing": [
                {"number": s.number, "steps": s.steps}
                for s in state.plan.showings
                if state.locked(s.number) and (marker, s.number) not in state.marks
            ],
        }
        for marker in state.codes
        if marker in state.paper
    ]


def _told(reveal: Reveal | None) -> dict[str, Any] | None:
    """A reveal with its height in words, give or take included."""
    if reveal is None:
        return None
    told: dict[str, Any] = msgspec.to_builtins(reveal)
    told["height_words"] = ""
    if reveal.height_m is not None and reveal.height_u_m is not None:
        height = height_sentence(Quantity(reveal.height_m, reveal.height_u_m, "m"), "high bar")
        told["height_words"] = f"{height}; band: {reveal.band}." if reveal.band else height
    return told

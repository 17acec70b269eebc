"""The room's page over real HTTP: a whole clinic, coming back, and what nobody may do."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from bridge.errors import BusError, ConfigError
from overlay.clinic.agreement import own_agreement, room_agreement
from overlay.clinic.practice import NS
from overlay.clinic.server import TRIES, ClinicServer, run
from tests.clinic_rooms import Browserless, Room, room


@pytest.fixture
def evening(tmp_path: Path) -> Iterator[Room]:
    with room(tmp_path / "practice.sqlite") as made:
        yield made


def join(made: Room) -> tuple[Browserless, str]:
    device = made.device()
    status, told, _ = device.ask("/api/join", {"room": "abc 234"})
    assert status == 200
    return device, told["code"]


def open_marks(teacher: Browserless, number: int) -> None:
    assert teacher.ask("/api/room", {"do": "view", "number": number, "view": 1})[0] == 200
    assert teacher.ask("/api/room", {"do": "ask", "number": number})[0] == 200


def test_eight_markers_and_twenty_clips(tmp_path: Path) -> None:
    with room(tmp_path / "practice.sqlite", 20, repeats=4) as made:
        teacher = made.teacher()
        markers = [join(made)[0] for _ in range(7)]
        paper = teacher.ask("/api/room", {"do": "paper marker"})[1]["marker"]
        showings = made.practice.state.plan.showings
        for s in showings:
            open_marks(teacher, s.number)
            assert s.reference is not None
            for k, device in enumerate(markers):
                # marker k is a step too strict at every (k + 1)-th showing
                mark = min(20, s.reference + 5 * (s.number % (k + 2) == 0))
                status, view, _ = device.ask("/api/mark", {"number": s.number, "mark": mark})
                assert (status, view["own"], view["reveal"]) == (200, mark, None)
            assert teacher.ask("/api/room", {"do": "lock", "number": s.number})[0] == 200
            typed = {"do": "paper mark", "marker": paper, "number": s.number, "mark": s.reference}
            assert teacher.ask("/api/room", typed)[0] == 200
        status, view, _ = teacher.ask("/api/room", {"do": "end"})
        assert (status, view["phase"], view["revealable"]) == (200, "ended", list(range(1, 25)))
        assert teacher.ask("/api/room", {"do": "reveal", "number": 3})[0] == 200
        told = markers[0].ask("/api/me")[1]["reveal"]
        assert sum(count for _, count in told["spread"]) == told["marked"] == 8
        assert told["reason"].startswith("invented reason")
        rows = list(csv.DictReader(io.StringIO(teacher.ask("/api/marks.csv")[1])))
        assert len(rows) == 24 * 8
        assert {r["paper"] for r in rows if r["marker"] == paper} == {"1"}
        items, marks = made.practice.state.items(), made.practice.state.locked_marks()
    found = room_agreement(items, marks)
    assert (found.clips, found.markers, found.repeats.n, found.reference.n) == (20, 8, 4 * 8, 160)
    assert found.reference.within_one == 160
    assert found.reference.exact == sum(r["mark"] == r["reference"] for r in rows if r["repeat"] == "0")
    assert found.panel is not None
    assert (found.panel.clips, found.panel.markers) == (20, 8)
    assert own_agreement(items, marks, paper).reference.exact == 20


def test_leaving_and_coming_back_on_another_device(tmp_path: Path) -> None:
    path = tmp_path / "practice.sqlite"
    with room(path) as made:
        teacher = made.teacher()
        device, code = join(made)
        open_marks(teacher, 1)
        device.ask("/api/mark", {"number": 1, "mark": 15})
        again = made.device()
        assert again.ask("/api/me")[0] == 401
        assert again.ask("/api/return", {"code": code.lower()})[0] == 200
        assert again.ask("/api/me")[1]["own"] == 15
        assert device.ask("/api/join", {"room": "ABC234"})[1] == {"marker": "m1"}  # no second marker
    with room(path, fresh=False) as made:  # the teacher's computer was started again
        assert made.device().ask("/api/return", {"code": code})[0] == 200
        device.url = made.server.url
        view = device.ask("/api/me")[1]
        assert (view["own"], view["marked"], view["phase"]) == (15, 1, "marking")


def test_nobody_marks_after_the_lock(evening: Room) -> None:
    teacher = evening.teacher()
    device, _ = join(evening)
    assert device.ask("/api/mark", {"number": 1, "mark": 5})[0] == 409
    open_marks(teacher, 1)
    assert device.ask("/api/mark", {"number": 1, "mark": 5})[0] == 200
    assert device.ask("/api/mark", {"number": 2, "mark": 5})[0] == 409
    assert device.ask("/api/mark", {"number": 1, "mark": 7})[0] == 409
    evening.clock.advance(30 * NS)
    status, told, _ = device.ask("/api/mark", {"number": 1, "mark": 10})
    assert (status, told["said"]) == (409, "marks are locked")
    assert device.ask("/api/me")[1]["own"] == 5


def test_nobody_sees_or_sets_the_marks_of_another(evening: Room) -> None:
    teacher = evening.teacher()
    (one, _), (two, _) = join(evening), join(evening)
    open_marks(teacher, 1)
    two.ask("/api/mark", {"number": 1, "mark": 20})
    view = one.ask("/api/me")[1]
    assert (view["own"], view["marked"], view["reveal"]) == (None, 0, None)
    assert one.ask("/api/mark", {"number": 1, "mark": 0, "marker": "m2"})[0] == 400
    for path in ("/api/room", "/api/marks.csv", "/room", "/teacher", "/join.svg", "/teacher?key=guess"):
        assert one.ask(path)[0] == 403, path
    for body in ({"do": "lock", "number": 1}, {"do": "reveal", "number": 1}):
        assert one.ask("/api/room", body)[0] == 403
    assert one.ask("/api/mark", {"number": 1, "mark": 5}, Cookie="marker=m2")[0] == 401
    assert evening.practice.state.marks["m2", 1].mark == 20
    room_told = teacher.ask("/api/room")[1]
    assert (room_told["marked"], room_told["reveal"]) == (1, None)


def test_codes_are_not_guessed(evening: Room) -> None:
    device = evening.device()
    for _ in range(TRIES):
        assert device.ask("/api/join", {"room": "WRONG2"})[0] == 403
    assert device.ask("/api/join", {"room": "ABC234"})[0] == 429
    assert device.ask("/api/return", {"code": "X"})[0] == 429
    evening.clock.advance(61 * NS)
    assert device.ask("/api/join", {"room": "ABC234"})[0] == 200


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Host": "elsewhere.invalid"}, 403),
        ({"Origin": "http://elsewhere.invalid"}, 403),
        ({"Origin": "null"}, 403),
        ({"Content_Type": "text/plain"}, 415),
    ],
)
def test_other_sites_cannot_mark(evening: Room, headers: dict[str, str], status: int) -> None:
    device, _ = join(evening)
    open_marks(evening.teacher(), 1)
    assert device.ask("/api/mark", {"number": 1, "mark": 5}, **headers)[0] == status
    assert evening.practice.state.marks == {}


@pytest.mark.parametrize("raw", [b"", b"{", b"[]", b'{"number": "x", "mark": 1}', b"\xff", b'{"number": 1}'])
def test_nonsense_is_refused_in_words(evening: Room, raw: bytes) -> None:
    device, _ = join(evening)
    status, told, _ = device.ask("/api/mark", raw=raw)
    assert status == 400
    assert told["said"].startswith("cannot be read")


def test_too_much_is_refused(evening: Room) -> None:
    assert evening.device().ask("/api/join", raw=b"x" * 5000)[0] == 413
    assert evening.device().ask("/nowhere")[0] == 404
    assert evening.device().ask("/../practice.py")[0] == 404


def test_pages_come_whole_and_keep_to_themselves(evening: Room) -> None:
    device: Any = evening.teacher()
    for path in ("/", "/style.css", "/marker.js", "/room.js", "/reveal.js", "/teacher", "/room", "/join.svg"):
        status, text, headers = device.ask(path)
        assert status == 200
        assert "http:" not in text.replace("http://www.w3.org", ""), f"{path} reaches outside"
        assert "'self'" in headers["content-security-policy"]
        assert headers["cache-control"] == "no-store"
    assert "HttpOnly" in device.ask(f"/teacher?key={evening.server._key}")[2]["set-cookie"]


def test_the_page_stays_on_one_address(evening: Room) -> None:
    assert evening.server.url.startswith("http://127.0.0.1:")
    for host in ("0.0.0.0", "::", "hall.invalid"):
        with pytest.raises(ConfigError):
            ClinicServer(evening.practice, host)
    port = int(evening.server.url.rstrip("/").rpartition(":")[2])
    with pytest.raises(BusError, match="cannot listen"):
        run(evening.practice, port=port)

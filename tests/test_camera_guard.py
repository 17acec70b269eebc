"""Readings are withheld while the camera is not as at set-up: live and measured again alike."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from bridge.bus import Addresses, Publisher
from bridge.clock import SystemClock
from bridge.errors import ConfigError
from bridge.messages import Heartbeat, Quantity, Reading, Scene
from bridge.session import SURVEY_FILE, Session, new_manifest
from capture.bands import common_practice
from capture.camera import view_of
from capture.camera_guard import CameraGuard, guard_for
from capture.demo import demo_files
from capture.feeds import FileFeed, recorded_feeds
from capture.flights import FlightWatch
from capture.follow import Follower
from capture.observation import JointObservation
from capture.offline import measured_again
from capture.pipeline import Pipeline
from capture.recorder import read_joints
from capture.rig import Rig, load_rig
from capture.station import Station
from capture.studio import truth
from capture.studio.film import encode
from capture.survey_still import find_still, still_beside, write_still
from tests.halls import Image, hall, noisy

NS = 1_000_000_000
DEMO = demo_files()
WIDTH = 1280


def scene(width: int = WIDTH) -> tuple[Image, object]:
    return hall(23, 10.0, 1.8, 8.0, width)


def shifted(picture: Image, dx: int) -> Image:
    return np.asarray(np.roll(picture, dx, axis=1), np.uint8)


def flight(name: str, begin_s: float, end_s: float) -> Reading:
    return Reading(
        flight=name, routine=1, number=1, state="settled", release_ns=round(begin_s * NS),
        apex_ns=round((begin_s + end_s) / 2 * NS), end_ns=round(end_s * NS),
        apex=Quantity(0.2, 0.01, "m"), band="above", band_p=0.99, range=(0.0, 0.0),
    )  # fmt: skip


def after_a_knock(still: bool, knock_s: float = 6.0, until_s: float = 12.0) -> CameraGuard:
    picture, camera = scene()
    guard = CameraGuard(camera, picture if still else None)  # type: ignore[arg-type]
    for k in range(round(until_s * 10)):
        shown = picture if k / 10 < knock_s else shifted(picture, 9)
        guard.look(k * NS // 10, noisy(shown, 2.0, k))
        if k / 10 < knock_s:
            assert guard.reason == ""
    return guard


@pytest.mark.parametrize("still", [True, False])
def test_flights_during_and_after_a_knock_are_withheld(still: bool) -> None:
    guard = after_a_knock(still)
    assert guard.reason.startswith("the camera was moved")
    before, during, later = flight("a", 1.0, 1.9), flight("b", 5.8, 6.7), flight("c", 10.0, 11.0)
    said = guard.judged((before, during, later), 12 * NS)
    assert said[0] == before
    for reading in said[1:]:
        assert isinstance(reading, Reading)
        assert (reading.state, reading.reason) == ("withheld", guard.reason)
        assert (reading.apex, reading.band, reading.range, reading.drawing) == (None, "", None, None)


def test_a_settled_reading_is_taken_back_once() -> None:
    picture, camera = scene()
    guard = CameraGuard(camera, picture)  # type: ignore[arg-type]
    out: list[Reading] = []
    for k in range(70):
        guard.look(k * NS // 10, shifted(picture, 9) if k >= 30 else picture)
        new = (flight("early", -9.0, -8.0),) if k == 5 else (flight("late", 3.0, 3.5),) if k == 40 else ()
        out += [r for r in guard.judged(new, k * NS // 10) if isinstance(r, Reading)]
    assert [(r.flight, r.state) for r in out] == [
        ("early", "settled"), ("late", "settled"), ("late", "withheld"),
    ]  # fmt: skip


def test_darkness_passes_and_so_does_withholding() -> None:
    picture, camera = scene()
    guard = CameraGuard(camera, picture)  # type: ignore[arg-type]
    dark = (picture // 3).astype(np.uint8)
    for k in range(30):
        guard.look(k * NS, dark if 8 <= k < 16 else picture)
        assert ("went dark" in guard.reason) == (10 <= k < 18)
    said = guard.judged((flight("a", 12.0, 13.0), flight("b", 25.0, 26.0)), 30 * NS)
    assert [r.state for r in said if isinstance(r, Reading)] == ["withheld", "settled"]


def test_a_fork_judges_and_looks_no_more() -> None:
    guard = after_a_knock(True, 2.0, 7.0)
    fork, again = guard.fork(), guard.again()
    picture, _ = scene()
    for k in range(70, 120):
        fork.look(k * NS // 10, picture)
    assert fork.reason == guard.reason != ""
    assert again.reason == ""
    (judged,) = fork.judged((flight("a", 6.0, 7.0),), 8 * NS)
    assert isinstance(judged, Reading)
    assert judged.state == "withheld"


def test_away_from_the_bars_nothing_is_watched() -> None:
    view = view_of(load_rig(DEMO.rig))
    assert guard_for(view) is not None

    class Plane:
        rails = ()

    assert guard_for(Plane()) is None  # type: ignore[arg-type]


# --- live and measured again --------------------------------------------------------------------


class ByTime(Follower):
    """Sees what the demo's table of joints holds for the time since the first picture."""

    def __init__(self, track: list[JointObservation]) -> None:
        self.models = {}
        self._track, self._begin_ns = track, -1
        self._times = np.array([s.t_ns - track[0].t_ns for s in track])

    def push(self, t_ns: int, bgr: Image) -> JointObservation:
        self._begin_ns = t_ns if self._begin_ns < 0 else self._begin_ns
        number = int(np.abs(self._times - (t_ns - self._begin_ns)).argmin())
        return replace(self._track[number], t_ns=t_ns)


def knocked_film(path: Path, seconds: float, knock_s: float) -> Path:
    picture, _ = scene(640)
    there, gone = (np.ascontiguousarray(p[..., ::-1]) for p in (picture, shifted(picture, 7)))
    times = [k / 60 for k in range(round(60 * seconds))]

    def frames() -> Iterator[Image]:
        for t in times:
            yield there if t < knock_s else gone

    encode(path, frames(), times, (640, 360), 60, 18)
    return path


@pytest.mark.parametrize("knock_s", [3.0, 30.0])
def test_measured_again_the_same_is_withheld(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, knock_s: float
) -> None:
    seen = list(read_joints(DEMO.folder / "joints-0001.csv"))
    true = truth.read(DEMO.truth).flights[0]
    track = [s for s in seen if true.release_s - 1.5 < (s.t_ns - seen[0].t_ns) / NS < true.end_s + 3]
    picture, camera = scene(640)
    view = view_of(load_rig(DEMO.rig))

    def pipeline() -> Pipeline:
        guard = CameraGuard(camera, picture)  # type: ignore[arg-type]
        return Pipeline(ByTime(track), FlightWatch(view, common_practice()), guard=guard)

    beats: list[Heartbeat] = []
    publish = Publisher.publish

    def noted(self: Publisher, body: object, t_ns: int, **more: bool) -> object:
        if isinstance(body, Heartbeat):
            beats.append(body)
        return publish(self, body, t_ns, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(Publisher, "publish", noted)
    feed = FileFeed(knocked_film(tmp_path / "film.mkv", 7.5, knock_s), SystemClock())
    folder = tmp_path / "session"
    _, png = cv2.imencode(".png", picture)
    Station(
        feed, pipeline(), Scene(title="Invented", picture=(640, 360), lines=(), table="", policy="band"),
        folder, new_manifest("Invented"), Addresses.from_port(0), SystemClock(), live=False, stay=False,
        still=png.tobytes(),
    ).run(threading.Event())  # fmt: skip
    with Session.open(folder).journal() as journal:
        live = {r.flight: r for r in journal.readings()}
    again = {r.flight: r for r in measured_again(recorded_feeds(folder), pipeline())}
    assert len(live) == 1
    assert live == again
    (reading,) = live.values()
    moved = knock_s < 7
    assert reading.state == ("withheld" if moved else "settled")
    assert reading.reason.startswith("the camera was moved") == moved
    assert any(beat.camera for beat in beats) == moved
    assert (folder / SURVEY_FILE).read_bytes() == png.tobytes()
    assert Session.open(folder).verify() == []


# --- the survey's picture -------------------------------------------------------------------------


def test_the_still_is_found_beside_the_rig_and_in_the_session(tmp_path: Path) -> None:
    picture, _ = scene()
    path = still_beside(tmp_path / "rig.toml")
    assert path.name == "rig.still.png"
    rig = Rig((picture.shape[1], picture.shape[0]), still=path, source="rig.toml")
    with pytest.raises(ConfigError, match=r"rig\.still\.png.*cannot be read; take a new survey"):
        find_still(rig)
    write_still(path, picture)
    found = find_still(rig)
    assert found is not None
    assert (found.image == picture).all()
    session = tmp_path / "session"
    session.mkdir()
    (session / SURVEY_FILE).write_bytes(found.data)
    path.unlink()
    copied = find_still(rig, session)
    assert copied is not None
    assert (copied.image == picture).all()
    assert find_still(replace(rig, still=None)) is None
    with pytest.raises(ConfigError, match="is no picture of 64x64 px"):
        find_still(replace(rig, picture=(64, 64)), session)

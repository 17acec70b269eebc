"""A fall is never read as a dismount, and a dismount is never called a fall."""

import pytest

from bridge.messages import Reading
from capture.bands import common_practice
from capture.flights import measure_track
from tests.rehearsed import Eye, Play, play, seen, slipped

TABLE = common_practice()
SIDE, OBLIQUE = Eye(), Eye(off_deg=25, high_m=3.0)
MISSED = {"missed": True}
OVER = ("high_to_low_overshoot", {})


def readings(show: Play, eye: Eye, seed: int = 0) -> list[Reading]:
    """Those of the last flight."""
    last = show.flights[-1]
    observations, view = seen(show, eye, seed, last.release_s - 1.5, last.end_s + 1.0)
    return measure_track(observations, view, TABLE)


def told(show: Play, eye: Eye, seed: int = 0) -> Reading:
    (reading,) = readings(show, eye, seed)
    return reading


@pytest.mark.parametrize("eye", [SIDE, OBLIQUE, Eye(fps=25)], ids=["60", "oblique", "25"])
@pytest.mark.parametrize(
    "elements",
    [
        [("counter_regrasp", MISSED)],
        [("counter_regrasp", {**MISSED, "facing": "high", "amplitude_m": 0.4})],
        [OVER, ("low_to_high", MISSED)],
        [OVER, ("low_to_high", {**MISSED, "twist_turns": 0.5})],
        [("high_to_low_salto", MISSED)],
    ],
    ids=["counter", "outward counter", "low to high", "low to high with turn", "between the bars"],
)
def test_missed_regrasp_is_withheld_as_a_fall(elements: list, eye: Eye) -> None:
    reading = told(play(elements), eye)
    assert reading.state == "withheld"
    assert "fall" in reading.reason
    assert reading.apex is None
    assert reading.band == ""


@pytest.mark.parametrize("eye", [SIDE, OBLIQUE, Eye(fps=25)], ids=["60", "oblique", "25"])
@pytest.mark.parametrize("more", [{}, {"direction": "back", "twist_turns": 0.5}])
def test_missed_salto_beside_the_bar_is_at_least_doubted(more: dict, eye: Eye) -> None:
    """It differs from a dismount only in that it hardly travels."""
    reading = told(play([("salto_regrasp", {**MISSED, **more})]), eye)
    assert "fall" in reading.reason


@pytest.mark.parametrize(
    "eye", [SIDE, OBLIQUE, Eye(fps=25), Eye(fps=120)], ids=["60", "oblique", "25", "120"]
)
@pytest.mark.parametrize(
    "more",
    [
        {},
        {"amplitude_m": 0.0, "saltos": 1.0},
        {"direction": "front", "saltos": 1.0, "shape": "piked", "twist_turns": 0.5},
        {"shape": "stretched", "saltos": 1.0, "twist_turns": 1.5, "amplitude_m": 0.35},
    ],
    ids=["double", "low", "front", "twisting"],
)
def test_dismount_is_no_fall(more: dict, eye: Eye) -> None:
    reading = told(play([("dismount", more)]), eye)
    assert reading.state == "settled"
    assert reading.family == "dismount"
    assert reading.reason == ""


@pytest.mark.parametrize("at_s", [1.35, 1.65, 1.95, 2.25, 2.55])
@pytest.mark.parametrize("facing", ["low", "high"])
def test_hands_that_slip_from_a_giant_are_no_dismount(facing: str, at_s: float) -> None:
    show = slipped(play([("giant", {"facing": facing}), ("giant", {"facing": facing})]), at_s)
    assert "fall" in told(show, SIDE).reason


@pytest.mark.parametrize("after_s", [0.04, 0.07])
def test_bar_that_is_taken_and_lost_again_is_no_regrasp(after_s: float) -> None:
    show = play([("counter_regrasp", {})])
    show = slipped(show, show.flights[-1].end_s + after_s)
    reading = told(show, SIDE)
    assert reading.state == "withheld"
    assert "fall" in reading.reason


def test_regrasp_that_holds_is_no_fall() -> None:
    for family in ("counter_regrasp", "salto_regrasp", "high_to_low_salto"):
        for eye in (SIDE, OBLIQUE):
            reading = told(play([(family, {})]), eye)
            assert reading.state == "settled"
            assert reading.family == family
            assert reading.reason == ""

"""The accuracy bench: its arithmetic, and a small fixed set through the whole pipeline."""

from __future__ import annotations

import json

import pytest

from bridge.messages import Quantity, Reading
from capture.bench.accuracy import Trial, groups_of, summary

NS = 1_000_000_000


def reading(apex_m: float, u_m: float, band: str, **more: object) -> Reading:
    given = {
        "flight": "r1-f1",
        "routine": 1,
        "number": 1,
        "family": "dismount",
        "state": "settled",
        "release_ns": NS,
        "apex_ns": int(1.3 * NS),
        "end_ns": 2 * NS,
        "apex": Quantity(value=apex_m, u=u_m, unit="m"),
        "band": band,
    }
    return Reading(**(given | more))  # type: ignore[arg-type]


def trial(*readings: Reading, **more: object) -> Trial:
    given = {"family": "dismount", "band": "above", "apex_m": 0.20, "release_s": 1.0, "end_s": 2.01}
    return Trial(**(given | more), readings=readings)  # type: ignore[arg-type]


def test_figures_by_hand() -> None:
    trials = [
        trial(reading(0.23, 0.01, "above")),  # 3 cm high, three times its uncertainty
        trial(reading(0.19, 0.01, "level")),  # 1 cm low, sure and wrong
        trial(),  # missed
        trial(reading(0.0, 0.0, "", state="withheld", apex=None)),
        trial(reading(0.20, 0.01, "above"), reading(0.20, 0.01, "above", release_ns=3 * NS, end_ns=4 * NS)),
    ]
    row = summary("all", trials)
    assert row["n"] == 5
    assert row["apex_rms_cm"] == pytest.approx((10 / 3) ** 0.5, abs=0.01)
    assert row["apex_bias_cm"] == pytest.approx(2 / 3, abs=0.01)
    assert row["coverage95"] == pytest.approx(2 / 3, abs=1e-3)
    assert row["wrong_when_sure"] == pytest.approx(1 / 5)
    assert (row["missed"], row["false"], row["withheld"]) == (1, 1, 0.2)
    assert (row["release_rms_ms"], row["end_rms_ms"]) == (0.0, 10.0)
    assert row["event_rms_ms"] == pytest.approx(50**0.5, abs=0.05)
    assert row["family_accuracy"] == 1.0


def test_groups_begin_with_all_and_go_to_json() -> None:
    groups = groups_of([trial(), trial(side_on=False, fps=25.0, light="glare")])
    assert [g["name"] for g in groups[:3]] == ["all", "side-on", "oblique"]
    assert {"25 fps", "60 fps", "glare", "steady", "dismount"} <= {g["name"] for g in groups}
    asked = {"name", "n", "apex_rms_cm", "apex_bias_cm", "coverage95", "wrong_when_sure", "event_rms_ms",
             "missed", "false", "family_accuracy", "withheld"}  # fmt: skip
    assert asked <= set(json.loads(json.dumps(groups))[0])


def test_a_flight_from_its_pixels_and_again_from_the_kept_film(tmp_path) -> None:
    pytest.importorskip("moderngl")
    from capture.bench.accuracy import rehearse

    shares: list[float] = []
    first = list(rehearse(1, 1, lambda what, share: shares.append(share), tmp_path))
    assert shares == [0.0]
    row = summary("all", first)
    assert (row["n"], row["missed"], row["false"]) == (1, 0, 0)
    # A wide gate: the table proper needs a hundred flights.
    assert row["apex_rms_cm"] is None or row["apex_rms_cm"] < 8
    (film,) = tmp_path.rglob("*.mp4")
    made = film.stat().st_mtime_ns
    assert list(rehearse(1, 1, lambda what, share: None, tmp_path)) == first
    assert film.stat().st_mtime_ns == made

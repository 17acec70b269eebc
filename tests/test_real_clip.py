"""A real clip through the real pipeline: a man hops on a wall, then jumps a salto; a woman walks by.

The clip (BSD 3-Clause, from a public pose library) belongs to the reference data. He looks into the sun: from
about frame 105 until after the landing the glare hides most of him.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from bridge.messages import Reading
from bridge.skeleton import INDEX
from capture.bands import common_practice
from capture.camera import View, view_of
from capture.feeds import FileFeed
from capture.models import REGISTRY, weights_folder
from capture.observation import JointObservation
from capture.pipeline import open_pipeline
from capture.rig import parse_rig
from tests.reference import reference

FPS = 30.0
# Read off the pictures: he leaves the wall at about frame 166 and stands on the grass at about 190.
RELEASE, LANDING = 166, 190
# The top edge of the wall; focal length 2520 px and 10 m distance, as the clip's own calibration says.
RIG = """format = 1
[reference]
picture = [1768, 994]
px_per_m = 252.0
scale_u = 0.01
line_px = [[0.0, 467.0], [720.0, 467.0]]
line_name = "wall top"
"""


@dataclass(frozen=True)
class Seen:
    view: View
    observations: list[JointObservation]
    readings: list[Reading]
    first_ns: int

    def frame(self, t_ns: int) -> float:
        return (t_ns - self.first_ns) / 1e9 * FPS


@pytest.fixture(scope="module")
def seen() -> Seen:
    path = reference("real_salto", "salto.mp4")
    if not (weights_folder() / REGISTRY).exists():
        pytest.skip("the networks are not shipped with this checkout")
    view = view_of(parse_rig(RIG))
    pipeline = open_pipeline(view, common_practice())
    steps = [pipeline.push(frame) for frame in FileFeed(path)]
    records = [r for step in steps for r in step.records] + list(pipeline.finish())
    observations = [step.observation for step in steps]
    readings = [r for r in records if isinstance(r, Reading)]
    return Seen(view, observations, readings, observations[0].t_ns)


def test_the_jumper_is_followed_not_the_woman_who_walks_by(seen: Seen) -> None:
    assert np.mean([o.seen for o in seen.observations[:100]]) > 0.9
    for i, o in enumerate(seen.observations):
        hips = seen.view.to_plane(o.px[[INDEX["right_hip"], INDEX["left_hip"]]].mean(axis=0))
        if not np.isfinite(hips).all():
            continue
        # He is over the wall, or beyond its end; she walks in front of it, below its top.
        assert hips[1] > 0 or hips[0] > 720 / 252, f"picture {i}: hips at {hips}"


def test_hops_are_no_flights(seen: Seen) -> None:
    for reading in seen.readings:
        assert seen.frame(reading.end_ns) > RELEASE, f"{reading.state} {reading.reason}"
        assert seen.frame(reading.release_ns) < LANDING, f"{reading.state} {reading.reason}"
    assert len({reading.flight for reading in seen.readings}) <= 1


def test_the_salto_is_measured(seen: Seen) -> None:
    shown = np.mean([o.seen for o in seen.observations[RELEASE : LANDING + 1]])
    settled = [r for r in seen.readings if r.state == "settled"]
    if shown < 0.5:
        # What is not seen is not read: no settled reading may come of it.
        assert settled == []
        pytest.xfail(
            f"the networks see him in only {shown:.0%} of the flight's pictures: he is lost in the glare"
        )
    assert len(settled) == 1
    reading = settled[0]
    assert seen.frame(reading.release_ns) == pytest.approx(RELEASE, abs=3)
    assert seen.frame(reading.end_ns) == pytest.approx(LANDING, abs=3)
    assert reading.gravity is not None
    assert reading.gravity.value == pytest.approx(9.80665, rel=0.10)

import math
import re

import numpy as np
import pytest

from bridge.errors import ConfigError
from capture.rig import POINT_NAMES, Rig, load_rig, parse_rig, presets
from tests.simulated import camera_at, rig_text

TRUE, _ = camera_at()
MARKS = {n: (float(p[0]), float(p[1])) for n in POINT_NAMES for p in [TRUE.project(TRUE.rig.points3d(n))]}


@pytest.mark.parametrize(
    ("diagonal_cm", "centres_cm", "across_cm"),
    [(130, 134, 107.5), (160, 164, 143.2), (170, 174, 154.5), (180, 184, 165.7)],
)
def test_distance_of_rails_follows_from_inner_diagonal(
    diagonal_cm: float, centres_cm: float, across_cm: float
) -> None:
    # Derived from the published norms: centre distance is the inner diagonal and one rail of 4 cm.
    rig = parse_rig(rig_text(MARKS, f"inner_diagonal_m = {diagonal_cm / 100}"))
    assert rig.apparatus.centre_distance_m == pytest.approx(centres_cm / 100)
    assert rig.apparatus.spread_m == pytest.approx(across_cm / 100, abs=0.0005)


def test_senior_sizes_and_undersides() -> None:
    # Tops 250 and 170 cm (teamgb.com 2014); undersides 246 and 166 cm (usgyms.net/fig.htm).
    senior = presets()["senior"]
    assert (senior.high_bar_m, senior.low_bar_m) == (2.50, 1.70)
    assert senior.high_bar_m - senior.rail_diameter_m == pytest.approx(2.46)
    assert senior.low_bar_m - senior.rail_diameter_m == pytest.approx(1.66)


def test_points_are_right_handed_and_near_is_nearer() -> None:
    rig = Rig((1920, 1080), presets()["senior"], "right")
    assert rig.points3d("high.near")[1] == -1.2  # the camera that sees the low bar on its right is at y < 0
    assert rig.points3d("high.mid") == pytest.approx([0, 0, 2.48])
    assert rig.points3d("low.far.foot") == pytest.approx([1.657, 1.2, 0.0], abs=5e-4)
    other = Rig((1920, 1080), presets()["senior"], "left")
    assert other.points3d("high.near")[1] == 1.2
    across, up = rig.points3d("low.mid") - rig.points3d("high.mid"), np.array([0, 0, 1.0])
    assert np.cross(up, across)[1] > 0


def test_tolerance_is_rectangular() -> None:
    rig = Rig((1920, 1080), presets()["senior"])
    moved = dict(rig.tolerances())
    assert moved["high_bar_m"].apparatus.high_bar_m - 2.5 == pytest.approx(0.01 / math.sqrt(3))
    # Scale of the 80 cm between the rails: 1.02 % from both tolerances together.
    assert math.hypot(*[0.01 / math.sqrt(3)] * 2) / 0.8 == pytest.approx(0.0102, abs=1e-4)


def drop(*names: str) -> dict[str, tuple[float, float]]:
    return {n: p for n, p in MARKS.items() if n not in names}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (rig_text(dict(list(MARKS.items())[:5])), "at least 6"),
        (rig_text({**drop("high.mid"), "high.middle": (1.0, 2.0)}), "unknown point 'high.middle'"),
        (rig_text(MARKS, 'preset = "junior"'), "apparatus.preset = 'junior'"),
        (rig_text(MARKS, "high_bar_m = 250"), "apparatus.high_bar_m = 250"),
        (rig_text(MARKS, "high_bar_m = 1.5"), "not above low_bar_m"),
        (rig_text(MARKS, "inner_diagonal_m = 0.6"), "inner_diagonal_m"),
        (rig_text(MARKS, "hight = 2.5"), "hight"),
        (rig_text({n: (100.0 + i, 200.0 + 2 * i) for i, n in enumerate(MARKS)}), "one line in the picture"),
        (rig_text(MARKS).replace("[1920, 1080]", "[0, 1080]"), "camera.picture"),
        (rig_text(MARKS).replace("format = 1", "format = 2"), "format = 2"),
        (rig_text(MARKS) + '[[camera.points]]\nname = "high.mid"\npx = [1, 2]\n', "twice"),
        ("format = 1\n[apparatus]\n", "[apparatus] and [camera]"),
        ("format = ", "TOML"),
        (
            "format = 1\n[reference]\npicture = [640, 480]\npx_per_m = -2\nline_px = [[0, 1], [99, 1]]\n",
            "reference.px_per_m",
        ),
        (
            "format = 1\n[reference]\npicture = [640, 480]\npx_per_m = 2\nline_px = [[0, 1], [1, 1]]\n",
            "reference.line_px",
        ),
    ],
)
def test_faulty_rig_is_refused_in_one_line(text: str, words: str) -> None:
    with pytest.raises(ConfigError) as caught:
        parse_rig(text, "hall.toml")
    message = str(caught.value)
    assert re.match(r"hall\.toml(, line \d+)?: ", message)
    assert words in message
    assert "\n" not in message


def test_missing_file_is_named(tmp_path) -> None:
    with pytest.raises(ConfigError, match=r"nowhere\.toml"):
        load_rig(tmp_path / "nowhere.toml")


def test_file_round_trip(tmp_path) -> None:
    path = tmp_path / "rig.toml"
    path.write_text(rig_text(MARKS), encoding="utf-8")
    rig = load_rig(path)
    assert rig.picture == (1920, 1080)
    assert [r.name for r in rig.rails] == ["high", "low"]
    assert len(rig.points) == len(POINT_NAMES)

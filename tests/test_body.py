import numpy as np
import pytest

from bridge.skeleton import INDEX
from capture.body import (
    DE_LEVA_FEMALE,
    DE_LEVA_MALE,
    DEMPSTER_WINTER,
    centre_of_mass,
    complete,
    joint_weights,
)
from tests.reference import reference
from tests.simulated import figure


def rows(name: str) -> dict[str, list[str]]:
    text = reference("ballistics", name).read_text()
    table = [line.split("\t") for line in text.splitlines()[1:] if line.strip()]
    return {line[0].strip(): [v.strip() for v in line[1:]] for line in table}


def test_female_table_matches_published_transcription() -> None:
    # BMC notes, BSPfemale_ZdeLeva.txt: de Leva 1996, Table 4.
    found = rows("segments_female_deleva.txt")
    pairs = {
        "head": "Head 2", "trunk": "Trunk 3", "upper_arm": "Upper arm", "forearm": "Forearm", "hand": "Hand",
        "thigh": "Thigh", "shank": "Shank", "foot": "Foot",
    }  # fmt: skip
    for ours, theirs in pairs.items():
        segment = getattr(DE_LEVA_FEMALE, ours)
        assert segment.mass == float(found[theirs][1]), ours
        assert segment.centre == float(found[theirs][2]), ours
    assert (
        found["Shank"][0] == "KJC-AJC"
    )  # 0.4352 goes with the ankle joint centre, 0.4416 with the malleolus


def test_winter_table_matches_published_transcription() -> None:
    found = rows("segments_dempster_winter.txt")
    pairs = {
        "trunk": "Trunk", "upper_arm": "Upper arm", "forearm": "Forearm", "hand": "Hand",
        "thigh": "Thigh", "shank": "Leg", "foot": "Foot",
    }  # fmt: skip
    for ours, theirs in pairs.items():
        segment = getattr(DEMPSTER_WINTER, ours)
        assert (segment.mass, segment.centre) == (float(found[theirs][1]), float(found[theirs][2])), ours
    assert DEMPSTER_WINTER.head.mass == float(found["Head neck"][1])


def test_sums() -> None:
    assert DE_LEVA_FEMALE.total == pytest.approx(0.9999, abs=1e-9)  # as printed; normalised in use
    assert DE_LEVA_MALE.total == pytest.approx(1.0, abs=1e-9)
    assert DEMPSTER_WINTER.total == pytest.approx(1.0, abs=1e-9)
    assert joint_weights().sum() == pytest.approx(1.0)


def test_traps_of_transcriptions() -> None:
    # Upper arm and forearm fractions are from the proximal joint; the female trunk is 0.4257, not 42.57.
    assert DE_LEVA_FEMALE.upper_arm.centre == 0.5754
    assert DE_LEVA_FEMALE.forearm.centre == 0.4559
    assert DE_LEVA_FEMALE.trunk.mass == 0.4257
    assert DE_LEVA_FEMALE.thigh.mass != DEMPSTER_WINTER.thigh.mass


def mean_subject(arms: float, hip: float = 0.0) -> np.ndarray:
    """Joints of de Leva's mean female subject, mid-hip at 0, trunk up."""
    j = np.zeros((14, 2))
    s = np.array([0, 0.4979])
    arm = np.array([np.sin(arms), np.cos(arms)])
    thigh = np.array([np.sin(hip), -np.cos(hip)])
    for side in ("right", "left"):
        j[INDEX[f"{side}_shoulder"]] = s
        j[INDEX[f"{side}_elbow"]] = s + 0.2751 * arm
        j[INDEX[f"{side}_wrist"]] = s + (0.2751 + 0.2643) * arm
        j[INDEX[f"{side}_knee"]] = 0.3685 * thigh
        j[INDEX[f"{side}_ankle"]] = (0.3685 + 0.4386) * thigh
    j[INDEX["neck"]] = [0, 0.6148 - (0.6148 - 0.5293) / 2]
    j[INDEX["head_top"]] = [0, 0.6148 + 0.2437]
    return j


@pytest.mark.parametrize(
    ("arms", "hip", "forward_mm", "up_mm"),
    [
        (np.pi, 0.0, 2.4, 86.5),  # standing, arms down
        (0.0, 0.0, 0.0, 135.5),  # straight, arms overhead
        (0.0, np.pi / 2, 116.2, 251.7),  # pike, arms overhead
    ],
)
def test_centre_of_mass_of_set_shapes(arms: float, hip: float, forward_mm: float, up_mm: float) -> None:
    # Worked from the same table with flat feet; ours are pointed, which is worth up to 4 mm.
    x, z = 1000 * centre_of_mass(mean_subject(arms, hip))
    assert x == pytest.approx(forward_mm, abs=5)
    assert z == pytest.approx(up_mm, abs=5)


def test_missing_joint_takes_its_partners_place() -> None:
    j = figure(0.3, 0.5, 0.2, 0.4)
    whole = centre_of_mass(j)
    for name in ("left_knee", "right_wrist", "right_ankle", "left_shoulder"):
        part = j.copy()
        part[INDEX[name]] = np.nan
        assert centre_of_mass(part) == pytest.approx(whole, abs=1e-9)
    part = j.copy()
    part[INDEX["head_top"]] = np.nan
    assert centre_of_mass(part) == pytest.approx(whole, abs=0.01)


def test_frame_without_either_hip_is_rejected() -> None:
    j = figure(0.3, 0.5, 0.2, 0.4)
    j[[INDEX["left_hip"], INDEX["right_hip"]]] = np.nan
    assert np.isnan(centre_of_mass(j)).all()
    assert np.isnan(complete(j)[INDEX["left_hip"]]).all()


def test_many_frames_at_once() -> None:
    j = np.stack([figure(a, 0.1, 0.2, 0.3) for a in np.linspace(0, 6, 7)])
    assert centre_of_mass(j).shape == (7, 2)
    assert centre_of_mass(j)[3] == pytest.approx(centre_of_mass(j[3]))

"""The shipped networks are the ones their hashes name, or are refused."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from bridge.errors import ExitCode, ModelError
from bridge.skeleton import JOINTS
from capture.models import find_network, read_registry, weights_folder


@pytest.fixture
def copied(tmp_path: Path) -> Path:
    return Path(shutil.copytree(weights_folder(), tmp_path / "weights"))


@pytest.mark.parametrize("name", ["joints", "finder"])
def test_shipped_networks_are_whole_and_say_what_they_are(name: str) -> None:
    path, network = find_network(name)
    assert path.suffix == ".xml"
    assert "Leeds Sports Pose" in network.data  # its licence asks for it
    assert network.licence


def test_every_joint_has_its_uncertainty() -> None:
    _, network = find_network("joints")
    assert set(network.joint_u_px) == set(JOINTS)
    assert all(u > 0 and p >= 0 and q >= 0 for u, p, q in network.joint_u_px.values())


def test_the_registry_names_every_shipped_file_and_they_are_small() -> None:
    folder = weights_folder()
    named = {folder / f for network in read_registry(folder).values() for f in network.files}
    shipped = {p for p in folder.rglob("*") if p.suffix in {".xml", ".bin", ".yaml"}}
    assert shipped == named
    assert sum(p.stat().st_size for p in named) < 15e6


def one_line(error: pytest.ExceptionInfo[ModelError], *parts: str) -> None:
    text = str(error.value)
    assert "\n" not in text
    assert all(part in text for part in parts)
    assert error.value.exit_code is ExitCode.MODEL


def test_a_changed_file_is_refused(copied: Path) -> None:
    weights = copied / "joints.bin"
    data = bytearray(weights.read_bytes())
    data[1000] ^= 1
    weights.write_bytes(data)
    with pytest.raises(ModelError) as error:
        find_network("joints", copied)
    one_line(error, "joints.bin", "hash")
    assert find_network("finder", copied)


def test_a_missing_file_is_refused(copied: Path) -> None:
    (copied / "joints.bin").unlink()
    with pytest.raises(ModelError) as error:
        find_network("joints", copied)
    one_line(error, "joints.bin", "cannot be read")


def test_an_unknown_network_and_a_spoilt_registry_are_refused(copied: Path) -> None:
    with pytest.raises(ModelError) as error:
        find_network("elbows", copied)
    one_line(error, "elbows")
    (copied / "models.json").write_text("{")
    with pytest.raises(ModelError) as error:
        find_network("joints", copied)
    one_line(error, "models.json")
    (copied / "models.json").unlink()
    with pytest.raises(ModelError) as error:
        find_network("joints", copied)
    one_line(error, "models.json", "missing")

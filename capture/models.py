"""The shipped networks: found by name, and used only when their files are the ones their hashes name."""

from __future__ import annotations

import hashlib
import sys
from importlib import resources
from pathlib import Path
from typing import Any, Final

import msgspec

from bridge.errors import ModelError

REGISTRY: Final = "models.json"


class Network(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One network of the registry."""

    files: dict[str, str]  # file name -> SHA-256; the first is the one to open
    input_px: tuple[int, int]  # width, height
    data: str  # what it was trained on
    licence: str
    # Standard uncertainty of a joint in the crop, px, from the spread of its heat map and the mass round
    # its peak: u, p, q in `u * (spread / 5 px) ** p * (1.01 - mass) ** q`, fitted on pictures not trained on.
    joint_u_px: dict[str, tuple[float, float, float]] = {}


def import_openvino() -> Any:
    """Import OpenVINO without its usage statistics, which its import would send off otherwise."""
    for name in ("openvino_telemetry", "openvino_telemetry.backend"):
        sys.modules.setdefault(name, None)  # type: ignore[arg-type]  # as if it were not installed
    import openvino

    return openvino


def weights_folder() -> Path:
    """Where the shipped networks lie."""
    return Path(str(resources.files("capture"))) / "weights"


def read_registry(folder: Path) -> dict[str, Network]:
    """The networks that a folder holds. Raises ModelError when it cannot be read."""
    path = folder / REGISTRY
    try:
        return msgspec.json.decode(path.read_bytes(), type=dict[str, Network])
    except FileNotFoundError as error:
        raise ModelError(f"{path}: is missing; install Railcrest again") from error
    except (OSError, msgspec.MsgspecError) as error:
        raise ModelError(f"{path}: cannot be read ({error}); install Railcrest again") from error


def find_network(name: str, folder: Path | None = None) -> tuple[Path, Network]:
    """The file to open for a network, its files checked against their hashes.

    Raises:
        ModelError: the network is unknown, or a file is missing or not the one its hash names.
    """
    folder = folder or weights_folder()
    network = read_registry(folder).get(name)
    if network is None:
        raise ModelError(f"{folder / REGISTRY}: names no network {name!r}; install Railcrest again")
    for file, expected in network.files.items():
        check_hash(folder / file, expected)
    return folder / next(iter(network.files)), network


def check_hash(path: Path, expected: str) -> None:
    """Refuse a file that is not the one a hash names. Raises ModelError."""
    try:
        actual = hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError as error:
        raise ModelError(f"{path}: cannot be read ({error.strerror}); install Railcrest again") from error
    if actual != expected:
        raise ModelError(
            f"{path}: is not the network it should be (its hash differs); install Railcrest again"
        )

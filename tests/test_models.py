"""The shipped networks are the ones their hashes name, or are refused; whatever runs them stays offline."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import textwrap
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


# Installed before anything else is imported, so that no import can have taken a function aside. Raising
# would do: but a library may swallow what is raised, so every attempt is counted too.
WATCH = """
    import sys

    tried = []
    NETWORK = ("socket.connect", "socket.bind", "socket.sendto", "socket.sendmsg", "socket.getaddrinfo",
               "socket.gethostby", "socket.getnameinfo", "urllib.Request", "http.client.connect")
    PROGRAMS = ("subprocess.Popen", "os.system", "os.exec", "os.posix_spawn", "os.spawn")
    INSTALLERS = ("pip", "uv", "conda", "curl", "wget", "git")

    def watch(event, arguments):
        if event.startswith(NETWORK):
            place = next((a for a in arguments if isinstance(a, (tuple, str, bytes))), "")
            host = place[0] if isinstance(place, tuple) else place
            if not str(host).startswith(("127.", "::1", "localhost")):
                tried.append((event, repr(arguments)))
                raise OSError("no network here")
        elif event.startswith(PROGRAMS):
            words = repr(arguments).replace("'", " ").replace("/", " ").replace(",", " ").split()
            if any(word.lower().startswith(INSTALLERS) for word in words):
                tried.append((event, repr(arguments)))
                raise OSError("nothing is installed here")

    sys.addaudithook(watch)
"""
RUN = """
    import time
    from pathlib import Path
    import numpy as np
    from bridge.errors import ModelError
    from capture.finder import Finder, import_ultralytics
    from capture.joints import Crop, JointNetwork
    from capture.pose_model import PoseModel

    picture = np.random.default_rng(0).integers(0, 255, (360, 640, 3), dtype=np.uint8)
    crop = Crop(320.0, 180.0, 300.0)
    assert Finder().find(picture).shape[1] == 5
    assert JointNetwork()(picture, crop).px.shape == (14, 2)

    ultralytics = import_ultralytics()
    here = Path(sys.argv[1])
    ultralytics.YOLO("yolo26n-pose.yaml").save(str(here / "made.pt"))
    model = PoseModel(here / "made.pt")
    model.find(picture)
    assert model(picture, crop).px.shape == (14, 2)
    # What needs a library that may not be here, or a file that is not, must not be fetched.
    for name in ("other.onnx", "other.mnn", "other.engine", "words.pt", "yolo26n-pose.pt"):
        if name != "yolo26n-pose.pt":
            (here / name).write_text("no network")
        try:
            PoseModel(here / name)
            raise SystemExit(f"{name} was taken for a pose model")
        except ModelError:
            pass
    time.sleep(0.5)  # for threads that report in the background
    assert "pytest" not in sys.modules  # the library keeps quiet where it sees pytest
    assert ultralytics.settings["sync"] is False
    assert not any(name.startswith("openvino_telemetry") and module for name, module in sys.modules.items())
    assert not tried, tried
    files = sorted(p.name for p in here.rglob("*") if p.is_file())
    print("files", *files)
"""


def in_plain_process(tmp_path: Path, program: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run a program as a user would: with settings and caches of its own, none there yet."""
    user = {name: str(tmp_path / name) for name in ("HOME", "XDG_CACHE_HOME", "XDG_CONFIG_HOME")}
    kept = {k: v for k, v in os.environ.items() if not k.startswith(("YOLO", "ULTRALYTICS", "PYTEST"))}
    return subprocess.run(
        [sys.executable, "-c", textwrap.dedent(program), *arguments],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        env={**kept, **user},
        cwd=tmp_path,
    )


def test_no_network_is_used_nothing_installed_nothing_reported(tmp_path: Path) -> None:
    there = tmp_path / "models"
    there.mkdir()
    done = in_plain_process(tmp_path, textwrap.dedent(WATCH) + textwrap.dedent(RUN), str(there))
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines()[-1] == "files made.pt other.engine other.mnn other.onnx words.pt"
    fonts = [p for p in tmp_path.rglob("*") if p.suffix in {".ttf", ".pt", ".zip"} and p.parent != there]
    assert not fonts


@pytest.mark.parametrize(
    "attempt",
    [
        "import socket; socket.create_connection(('192.0.2.1', 80), timeout=1)",
        "import urllib.request; urllib.request.urlopen('http://example.invalid/')",
        "import subprocess; subprocess.run([sys.executable, '-m', 'pip', '--version'])",
    ],
)
def test_the_watch_sees_what_it_is_for(tmp_path: Path, attempt: str) -> None:
    program = (
        textwrap.dedent(WATCH)
        + f"""
try:
    {attempt}
except OSError:
    pass
print("tried", len(tried))
"""
    )
    done = in_plain_process(tmp_path, program)
    assert done.stdout.split()[0] == "tried", done.stderr
    assert int(done.stdout.split()[1]) >= 1

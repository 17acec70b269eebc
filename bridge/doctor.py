"""What this machine lacks: Python, packages, system libraries, disk space, a folder to write to."""

from __future__ import annotations

import importlib.metadata
import importlib.util
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from bridge.session import data_dir

Grade = Literal["ok", "missing", "advice"]
PYTHON: Final = (3, 11)
LEAST_FREE_BYTES: Final = 5 * 1024**3  # about an hour of 1080p60
ENTRY_POINTS: Final = "railcrest.commands"

# Shared object -> Debian 12 package. From Debian 13 on some carry the suffix t64; apt finds them.
DEBIAN: Final[dict[str, str]] = {
    "libEGL.so.1": "libegl1",
    "libGL.so.1": "libgl1",
    "libGLX.so.0": "libglx0",
    "libOpenGL.so.0": "libopengl0",
    "libglib-2.0.so.0": "libglib2.0-0",
    "libgthread-2.0.so.0": "libglib2.0-0",
    "libfontconfig.so.1": "libfontconfig1",
    "libfreetype.so.6": "libfreetype6",
    "libxkbcommon.so.0": "libxkbcommon0",
    "libxkbcommon-x11.so.0": "libxkbcommon-x11-0",
    "libX11.so.6": "libx11-6",
    "libX11-xcb.so.1": "libx11-xcb1",
    "libdbus-1.so.3": "libdbus-1-3",
    "libxcb.so.1": "libxcb1",
    "libxcb-cursor.so.0": "libxcb-cursor0",
    "libxcb-icccm.so.4": "libxcb-icccm4",
    "libxcb-image.so.0": "libxcb-image0",
    "libxcb-keysyms.so.1": "libxcb-keysyms1",
    "libxcb-randr.so.0": "libxcb-randr0",
    "libxcb-render.so.0": "libxcb-render0",
    "libxcb-render-util.so.0": "libxcb-render-util0",
    "libxcb-shape.so.0": "libxcb-shape0",
    "libxcb-shm.so.0": "libxcb-shm0",
    "libxcb-sync.so.1": "libxcb-sync1",
    "libxcb-util.so.1": "libxcb-util1",
    "libxcb-xfixes.so.0": "libxcb-xfixes0",
    "libxcb-xkb.so.1": "libxcb-xkb1",
}


@dataclass(frozen=True, slots=True)
class Check:
    """One thing that was looked at. ``advice`` does not keep Railcrest from running."""

    grade: Grade
    name: str
    text: str


def examine(data: Path | None = None, absent_commands: Iterable[str] = ()) -> list[Check]:
    """Look at everything.

    Args:
        data: the data folder, when not the usual one.
        absent_commands: what was said of commands that could not be loaded.
    """
    checks = [check_python(sys.version_info[:2]), *check_packages(), *check_libraries()]
    checks += [check_data_folder(data_dir(data)), check_disk(data_dir(data))]
    checks += [Check("missing", "commands", text) for text in absent_commands]
    return checks


def check_python(version: tuple[int, int]) -> Check:
    """Whether the interpreter is new enough."""
    text = f"Python {version[0]}.{version[1]}"
    if version < PYTHON:
        return Check("missing", "python", f"{text}: needs {PYTHON[0]}.{PYTHON[1]} or newer")
    return Check("ok", "python", text)


def check_packages(version_of: Callable[[str], str] = importlib.metadata.version) -> list[Check]:
    """Whether each required package is there, in its required version."""
    try:
        required = importlib.metadata.requires("railcrest") or []
    except importlib.metadata.PackageNotFoundError:
        return [Check("missing", "railcrest", "is not installed: pip install -e .")]
    return [
        _package(match[1], match[2], version_of)
        for line in required
        if "extra ==" not in line and (match := re.match(r"([A-Za-z0-9._-]+)\s*([^;]*)", line))
    ]


def _package(name: str, wanted: str, version_of: Callable[[str], str]) -> Check:
    try:
        version = version_of(name)
    except importlib.metadata.PackageNotFoundError:
        return Check("missing", name, f"is not installed: pip install '{name}{wanted.strip()}'")
    for sign, bound in re.findall(r"(>=|<)\s*([0-9.]+)", wanted):
        older = _parts(version) < _parts(bound)
        if older == (sign == ">="):
            return Check("missing", name, f"{version}: needs {wanted.strip()}")
    return Check("ok", name, version)


def _parts(version: str) -> tuple[int, ...]:
    """Leading numbers of a version, without zeros at the end."""
    numbers = [int(part) for part in re.match(r"[0-9.]*", version)[0].split(".") if part]  # type: ignore[index]
    while numbers and numbers[-1] == 0:
        numbers.pop()
    return tuple(numbers)


def check_libraries() -> list[Check]:
    """Whether the system has what Qt and OpenCV load, told by the loader's own resolution."""
    if sys.platform != "linux":
        return [Check("advice", "system libraries", f"not looked at on {sys.platform}")]
    if shutil.which("ldd") is None:
        return [
            Check("advice", "system libraries", "not looked at: ldd is missing (Debian package libc-bin)")
        ]
    checks = []
    for name, needed, files in (
        ("Qt", True, _qt("libqoffscreen.so")),
        ("Qt on X11", False, _qt("libqxcb.so")),
        ("OpenCV", True, _opencv()),
    ):
        if not files:
            checks.append(
                Check("missing" if needed else "advice", name, "is not installed: pip install -e .")
            )
            continue
        lacking = sorted({library for file in files for library in _unresolved(file)})
        if name == "Qt" and not _found("libdbus-1.so.3"):
            lacking.append("libdbus-1.so.3")  # loaded at run time
        checks.append(libraries_check(name, lacking, needed=needed))
    return checks


def libraries_check(name: str, lacking: Iterable[str], *, needed: bool) -> Check:
    """Say which Debian packages bring the libraries that are lacking."""
    lacking = list(lacking)
    if not lacking:
        return Check("ok", name, "all libraries found")
    packages = sorted({DEBIAN.get(library, f"the package with {library}") for library in lacking})
    return Check("missing" if needed else "advice", name, f"lacks: sudo apt install {' '.join(packages)}")


def check_data_folder(folder: Path) -> Check:
    """Whether sessions can be written."""
    existing = next(path for path in (folder, *folder.parents) if path.exists())
    try:
        with tempfile.TemporaryFile(dir=existing):
            return Check("ok", "data folder", str(folder))
    except OSError as error:
        return Check("missing", "data folder", f"{folder}: cannot be written ({error}); set RAILCREST_DATA")


def check_disk(folder: Path, least_bytes: int = LEAST_FREE_BYTES) -> Check:
    """Whether there is room for about an hour of recording."""
    existing = next(path for path in (folder, *folder.parents) if path.exists())
    free = shutil.disk_usage(existing).free
    text = f"{free / 1024**3:.1f} GiB free"
    if free < least_bytes:
        return Check(
            "advice", "disk", f"{text}: an hour of recording takes about {least_bytes / 1024**3:.0f} GiB"
        )
    return Check("ok", "disk", text)


def _package_folder(name: str) -> Path | None:
    """Where a package lies, without importing it."""
    try:
        spec = importlib.util.find_spec(name)
    except (ImportError, ValueError):
        return None
    places = list(spec.submodule_search_locations or ()) if spec else []
    return Path(places[0]) if places else None


def _qt(plugin: str) -> list[Path]:
    folder = _package_folder("PySide6")
    if folder is None:
        return []
    files = [
        folder / "Qt/plugins/platforms" / plugin,
        *folder.glob("QtGui.abi3.so"),
        *folder.glob("QtWidgets.abi3.so"),
    ]
    return [file for file in files if file.exists()]


def _opencv() -> list[Path]:
    folder = _package_folder("cv2")
    return [] if folder is None else sorted(folder.glob("cv2*.so"))


def _unresolved(file: Path) -> list[str]:
    """Libraries that the loader cannot find for a file."""
    answer = subprocess.run(["ldd", str(file)], capture_output=True, text=True, check=False, timeout=30)
    return re.findall(r"^\s*(\S+) => not found", answer.stdout, re.MULTILINE)


def _found(library: str) -> bool:
    """Whether the loader finds a library by its name."""
    import ctypes

    try:
        ctypes.CDLL(library)
    except OSError:
        return False
    return True

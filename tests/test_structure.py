"""Dependencies point one way, and nobody on the measuring side knows Qt."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
QT = {"PySide6", "pyqtgraph", "shiboken6"}
UNSAFE = {"pickle", "shelve", "marshal"}
ALLOWED = {
    "bridge": {"bridge"},
    "capture": {"bridge", "capture"},
    "overlay": {"bridge", "overlay"},
}
OURS = set(ALLOWED)


def imports(path: Path) -> set[str]:
    """Top-level names of everything a module imports, also inside functions."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            found |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            found.add(node.module.split(".")[0])
    return found


MODULES = [path for package in sorted(OURS) for path in sorted((ROOT / package).rglob("*.py"))]


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(ROOT)))
def test_dependencies_point_one_way(path: Path) -> None:
    package = path.relative_to(ROOT).parts[0]
    used = imports(path)
    assert used & OURS <= ALLOWED[package]
    if package != "overlay":
        assert not used & QT
    else:
        assert "cv2" not in used  # its wheel brings a Qt of its own
    assert not used & UNSAFE


def test_every_package_is_looked_at() -> None:
    assert {path.relative_to(ROOT).parts[0] for path in MODULES} == OURS

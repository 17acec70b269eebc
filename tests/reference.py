"""Finds the reference data, which is not part of the project."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent


def reference(*parts: str) -> Path:
    """Path of a reference file; skips the test, saying why, when it is not there."""
    base = Path(os.environ.get("RAILCREST_REFERENCE_DATA", ROOT.parent / "shared" / "data"))
    path = base.joinpath(*parts)
    if not path.exists():
        pytest.skip(f"reference data not found: {path} (set RAILCREST_REFERENCE_DATA)")
    return path

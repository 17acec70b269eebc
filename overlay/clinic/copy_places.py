"""Where teaching copies lie, and taking them away."""

from __future__ import annotations

import shutil
from collections.abc import Iterable
from pathlib import Path

import msgspec

from bridge.errors import RecordingError


def copy_folder(copies: Path, example: str) -> Path:
    """Where an example's copy lies: a name that leads nowhere else."""
    safe = "".join(c if c.isalnum() or c in "-_" else "_" for c in example)
    return copies / f"{safe}-{msgspec.json.encode(example).hex()[-8:]}"


def drop_copies(copies: Path, examples: Iterable[str]) -> None:
    """Delete the copies of examples that went. Raises RecordingError when one cannot be deleted."""
    for example in examples:
        folder = copy_folder(copies, example)
        try:
            if folder.exists():
                shutil.rmtree(folder)
        except OSError as error:
            raise RecordingError(
                f"{folder}: cannot be deleted ({error.strerror}); delete it by hand"
            ) from error

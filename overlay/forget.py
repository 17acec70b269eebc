"""Takes one gymnast out of the example sets, when she is taken out of a session."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from bridge.session import data_dir
from overlay.clinic.examples import Collection


def forget(session: str, number: str, sets: Sequence[Path] = ()) -> list[str]:
    """Take the examples of a session's gymnast out of the user's example set and of ``sets``.

    Args:
        session: name of the session folder.
        number: her start number there.
        sets: files of further example sets.

    Returns:
        A line for each example that went.

    Raises:
        RailcrestError: a set cannot be read or written.
    """
    return [
        f"{path.name}: {name}"
        for path in (data_dir() / "examples.json", *sets)
        if path.exists()
        for name in Collection(path).forget(session, number)
    ]

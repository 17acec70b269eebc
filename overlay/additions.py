"""What other parts of the viewer add to the judge's window: one import and one call each."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from overlay.window import Window


def add_all(window: Window) -> None:
    """Let every part add its pages and actions. See :mod:`overlay.pages` for how that is done."""
    from overlay.clinic.in_viewer import add as add_collecting
    from overlay.note.in_viewer import add as add_note

    add_note(window)
    add_collecting(window)

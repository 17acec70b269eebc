"""Measuring a layout afresh."""

from __future__ import annotations

from PySide6.QtWidgets import QLayout


def forget_sizes(layout: QLayout) -> None:
    """Let a layout and all within it be measured afresh at once; Qt would tell them only later."""
    for i in range(layout.count()):
        item = layout.itemAt(i)
        inner, widget = (item.layout(), item.widget()) if item is not None else (None, None)
        if widget is not None:
            inner = widget.layout()
            widget.updateGeometry()
        if inner is not None:
            forget_sizes(inner)
    layout.invalidate()

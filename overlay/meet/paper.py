"""Puts a plain page on paper: HTML as it is, or PDF."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final

from bridge.errors import ConfigError, RecordingError

MARGIN_MM: Final = 14.0
DPI: Final = 96  # of the layout; letters are drawn as outlines


def write_page(html: str, path: Path, title: str) -> Path:
    """Write a page to ``path``, as HTML or PDF by its ending.

    Raises:
        ConfigError: the ending is neither.
        RecordingError: it cannot be written.
    """
    ending = path.suffix.lower()
    if ending not in (".html", ".pdf"):
        raise ConfigError(f"{path}: name it .pdf or .html")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if ending == ".html":
            path.write_text(html, encoding="utf-8")
        else:
            _write_pdf(html, path, title)
    except OSError as error:
        raise RecordingError(f"{path}: cannot be written ({error}); choose another folder") from error
    return path


def _write_pdf(html: str, path: Path, title: str) -> None:
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")  # paper needs no screen
    from overlay.app import start_application

    start_application()
    from PySide6.QtCore import QMarginsF, QSizeF
    from PySide6.QtGui import QPageLayout, QPageSize, QPdfWriter, QTextDocument

    path.write_bytes(b"")  # says so where it cannot be written
    writer = QPdfWriter(str(path))
    writer.setPageSize(QPageSize(QPageSize.PageSizeId.A4))
    writer.setPageMargins(QMarginsF(*[MARGIN_MM] * 4), QPageLayout.Unit.Millimeter)
    writer.setTitle(title)
    writer.setCreator("Railcrest")
    writer.setResolution(DPI)
    document = QTextDocument()
    document.setHtml(html.replace("margin:18mm;max-width:180mm;", ""))
    document.setDocumentMargin(0)
    document.setPageSize(QSizeF(writer.width(), writer.height()))
    document.print_(writer)

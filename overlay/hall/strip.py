"""Pictures side by side: three moments of one turn, or a turn beside her best in step."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from PySide6.QtGui import QImage
from PySide6.QtWidgets import QHBoxLayout, QVBoxLayout, QWidget

from overlay.hall.figures import sized
from overlay.hall.picture import HallPicture
from overlay.panel import label
from overlay.picture import Layers
from overlay.theme import Theme

MOST: Final = 3


@dataclass(frozen=True, slots=True)
class Panel:
    """One of the pictures and what stands below it; without a picture the words say why."""

    caption: str
    image: QImage | None = None
    layers: Layers = field(default_factory=Layers)


class Strip(QWidget):
    """Up to three pictures in a row. Call :meth:`step` for every picture the screen shows."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.pictures = [HallPicture(self) for _ in range(MOST)]
        self.captions = [label("What it shows", "", self) for _ in range(MOST)]
        self._columns = []
        self._row = QHBoxLayout(self)
        self._row.setContentsMargins(0, 0, 0, 0)
        for place, (picture, caption) in enumerate(zip(self.pictures, self.captions, strict=True), 1):
            picture.setAccessibleName(f"Picture {place}")
            whole = QWidget(self)
            column = QVBoxLayout(whole)
            column.setContentsMargins(0, 0, 0, 0)
            column.addWidget(picture, 1)
            column.addWidget(caption)
            self._row.addWidget(whole, 1)
            self._columns.append(whole)

    def set_theme(self, theme: Theme, unit_px: float) -> None:
        """Change colours and sizes; ``unit_px`` is a hundredth of the screen's height."""
        self._row.setSpacing(round(2 * unit_px))
        for picture, caption in zip(self.pictures, self.captions, strict=True):
            picture.set_theme(theme, round(3.8 * unit_px))
            sized(caption, round(3.8 * unit_px), theme.ink)
            caption.setFixedHeight(round(10.4 * unit_px))

    def set_picture_size(self, picture: tuple[int, int]) -> None:
        """Size of the full picture, in which all drawing is given."""
        for each in self.pictures:
            each.set_picture_size(picture)

    def show_panels(self, panels: tuple[Panel, ...]) -> None:
        """Show these pictures, as many as there are."""
        for place, whole in enumerate(self._columns):
            whole.setVisible(place < len(panels))
        for panel, picture, caption in zip(panels, self.pictures, self.captions, strict=False):
            if panel.image is None:
                picture.show_words(panel.caption)
                caption.setText("")
            else:
                picture.show_picture(panel.image, panel.layers)
                caption.setText(panel.caption)

    @property
    def still(self) -> bool:
        """Whether all pictures on show stand without a veil."""
        return all(
            p.still for p, whole in zip(self.pictures, self._columns, strict=True) if not whole.isHidden()
        )

    def step(self) -> None:
        """Go on to the next picture."""
        for picture, whole in zip(self.pictures, self._columns, strict=True):
            if not whole.isHidden():
                picture.step()

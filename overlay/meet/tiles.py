"""Big words on the staff's window: one tile for each thing that staff look at."""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QFrame, QGridLayout, QLabel, QVBoxLayout, QWidget

from overlay.meet.health import SIGNS, Line
from overlay.panel import label
from overlay.theme import Theme


class Tile(QFrame):
    """A name, big words, and what to do; turned dark on light (or light on dark) when it is bad."""

    def __init__(self, name: str, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("tile")
        self._name = label(name, "", self)
        self._words = label(f"{name}, now", "", self)
        self._remedy = label(f"{name}, what to do", "", self)
        self._remedy.setAlignment(Qt.AlignmentFlag.AlignTop)
        box = QVBoxLayout(self)
        box.setSpacing(2)
        for part in (self._name, self._words, self._remedy):
            box.addWidget(part)
        box.addStretch(1)
        self.line: Line | None = None
        self._look: tuple[Theme, int] | None = None

    def show_line(self, line: Line) -> None:
        """Show how it stands."""
        if line == self.line:
            return
        self.line = line
        self._name.setText(f"{SIGNS[line.grade]}  {line.name}")
        self._words.setText(line.words)
        self._remedy.setText(line.remedy)
        self._remedy.setVisible(bool(line.remedy))
        self.setAccessibleName(line.sentence)
        if self._look is not None:
            self.set_theme(*self._look)

    def set_theme(self, theme: Theme, base_px: int) -> None:
        """Colours and sizes."""
        self._look = theme, base_px
        grade = self.line.grade if self.line else "good"
        ink, paper = (theme.paper, theme.ink) if grade == "bad" else (theme.ink, theme.field)
        edge = {"good": 1, "look": max(3, base_px // 4), "bad": 1}[grade]
        line = theme.rule if grade == "good" else theme.ink
        self.setStyleSheet(
            f"#tile {{ background: {paper}; border: {edge}px solid {line}; }}"
            f"#tile QLabel {{ color: {ink}; background: transparent; }}"
        )
        self._name.setStyleSheet(f"font-size: {base_px}px; font-weight: 600;")
        self._words.setStyleSheet(f"font-size: {round(1.75 * base_px)}px; font-weight: 600;")
        self._remedy.setStyleSheet(f"font-size: {base_px}px;")


class Tiles(QWidget):
    """All lines in a grid of two columns."""

    COLUMNS = 2

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._tiles: dict[str, Tile] = {}
        self._grid = QGridLayout(self)
        self._grid.setContentsMargins(0, 0, 0, 0)
        self._grid.setSpacing(8)
        for column in range(self.COLUMNS):
            self._grid.setColumnStretch(column, 1)
        self._look: tuple[Theme, int] | None = None

    def show_lines(self, lines: tuple[Line, ...]) -> None:
        """Show the lines; the first takes a whole row."""
        for place, line in enumerate(lines):
            if line.name not in self._tiles:
                tile = self._tiles[line.name] = Tile(line.name, self)
                if place == 0:
                    self._grid.addWidget(tile, 0, 0, 1, self.COLUMNS)
                else:
                    row, column = divmod(place - 1, self.COLUMNS)
                    self._grid.addWidget(tile, row + 1, column)
                    self._grid.setRowStretch(row + 1, 1)
                if self._look is not None:
                    tile.set_theme(*self._look)
            self._tiles[line.name].show_line(line)

    def line(self, name: str) -> Line | None:
        """What a tile shows."""
        return self._tiles[name].line if name in self._tiles else None

    def set_theme(self, theme: Theme, base_px: int) -> None:
        """Colours and sizes."""
        self._look = theme, base_px
        for tile in self._tiles.values():
            tile.set_theme(theme, base_px)


def big(name: str, parent: QWidget) -> QLabel:
    """A label for one big number."""
    made = label(name, "", parent)
    made.setAlignment(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter)
    made.setWordWrap(False)
    return made

"""Colours and sizes. Two sheets, light and dark; over the picture the same inks serve both.

The hues come from the palette of Okabe & Ito (2008, Color Universal Design), which colour-blind
readers can tell apart. Colour is never the only sign: a band is told by where a mark stands
against the bar and by its word, a state by a filled or open mark and by its word.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from PySide6.QtGui import QColor, QPalette

# Over the picture: light inks with a dark halo, which stay visible on any background.
VIDEO_LINE: Final = "#56B4E9"
VIDEO_HIPS: Final = "#F5B41E"  # the palette's orange, lightened for smooth footage
VIDEO_BODY: Final = "#FFFFFF"
VIDEO_HALO: Final = "#101418"


@dataclass(frozen=True, slots=True)
class Theme:
    """One sheet. Text colours keep a contrast of at least 4.5 on ``paper`` and ``field``."""

    name: str
    paper: str  # the window
    field: str  # buttons and entry fields
    ink: str  # text
    quiet: str  # lesser text
    line: str  # the bar
    hips: str  # the hips
    rule: str  # thin separating rules, not text

    def palette(self) -> QPalette:
        """Qt's palette for standard widgets."""
        roles = QPalette.ColorRole
        palette = QPalette()
        for role, colour in (
            (roles.Window, self.paper),
            (roles.WindowText, self.ink),
            (roles.Base, self.field),
            (roles.AlternateBase, self.paper),
            (roles.Text, self.ink),
            (roles.Button, self.field),
            (roles.ButtonText, self.ink),
            (roles.BrightText, self.ink),
            (roles.ToolTipBase, self.field),
            (roles.ToolTipText, self.ink),
            (roles.PlaceholderText, self.quiet),
            (roles.Highlight, self.ink),
            (roles.HighlightedText, self.paper),
            (roles.Link, self.line),
        ):
            palette.setColor(role, QColor(colour))
        disabled = QPalette.ColorGroup.Disabled
        for role in (roles.WindowText, roles.Text, roles.ButtonText):
            palette.setColor(disabled, role, QColor(self.quiet))
        return palette

    def sheet(self, base_px: int) -> str:
        """Style sheet of buttons and fields: flat, square, ruled like paper."""
        pad = max(3, base_px // 4)
        return f"""
        * {{ font-size: {base_px}px; outline: 0; }}
        QPushButton, QComboBox, QLineEdit, QToolButton {{
            background: {self.field}; color: {self.ink}; border: 1px solid {self.quiet};
            border-radius: 0; padding: {pad}px {pad + 2}px; min-height: {round(1.5 * base_px)}px; }}
        QComboBox::drop-down {{ border: none; width: {round(1.4 * base_px)}px; }}
        QComboBox::down-arrow {{ width: 0; height: 0; border-left: 5px solid {self.field};
            border-right: 5px solid {self.field}; border-top: 7px solid {self.ink}; }}
        QScrollBar:horizontal {{ background: {self.paper}; height: {max(8, base_px // 2)}px; border: none; }}
        QScrollBar::handle:horizontal {{ background: {self.quiet}; min-width: 40px; }}
        QScrollBar::add-line, QScrollBar::sub-line {{ width: 0; height: 0; }}
        QPushButton:checked {{ background: {self.ink}; color: {self.paper}; border-color: {self.ink}; }}
        QPushButton:disabled {{ color: {self.quiet}; background: {self.paper};
            border-style: dotted; }}
        QPushButton:focus, QComboBox:focus, QLineEdit:focus, QToolButton:focus {{
            border: 3px solid {self.line}; padding: {max(0, pad - 2)}px {pad}px; }}
        QPushButton:hover:!checked {{ border-color: {self.ink}; }}
        QToolButton::menu-indicator {{ image: none; }}
        QMenu {{ background: {self.field}; color: {self.ink}; border: 1px solid {self.ink}; }}
        QMenu::item:selected {{ background: {self.ink}; color: {self.paper}; }}
        QComboBox QAbstractItemView {{ background: {self.field}; color: {self.ink};
            selection-background-color: {self.ink}; selection-color: {self.paper}; }}
        QLineEdit {{ placeholder-text-color: {self.quiet}; }}
        QLabel {{ color: {self.ink}; }}
        QLabel[role="quiet"] {{ color: {self.quiet}; }}
        QLabel[role="title"] {{ font-weight: 600; }}
        QLabel[role="band"] {{ font-size: {round(1.5 * base_px)}px; font-weight: 600; }}
        QLabel[role="alarm"] {{ background: {self.ink}; color: {self.paper}; font-weight: 600;
            padding: {pad}px {2 * pad}px; }}
        QLabel[role="notice"] {{ background: {self.field}; border-left: 4px solid {self.ink};
            padding: {max(1, pad // 2)}px {pad + 2}px; }}
        QLabel[role="caution"] {{ font-size: {round(1.12 * base_px)}px; font-weight: 600; }}
        """


LIGHT: Final = Theme(
    name="light",
    paper="#FAF6EC",
    field="#FFFFFF",
    ink="#16191C",
    quiet="#4B5157",
    line="#00649E",
    hips="#AD4A00",
    rule="#CFC8B8",
)
DARK: Final = Theme(
    name="dark",
    paper="#14171A",
    field="#23282D",
    ink="#F4F1E8",
    quiet="#B7BCC2",
    line="#56B4E9",
    hips="#F0A81C",
    rule="#454C53",
)
THEMES: Final[tuple[Theme, ...]] = (LIGHT, DARK)
SMALLEST_TEXT_PX: Final = 14


def base_size_px(width_px: int, height_px: int, system_px: float = 0.0) -> int:
    """Size of plain text: grows with the window, never under the smallest or the system's own."""
    return round(max(SMALLEST_TEXT_PX + 1, system_px, min(width_px / 80.0, 7.0 + height_px / 90.0, 30.0)))


def contrast(a: str, b: str) -> float:
    """Contrast ratio of two colours (WCAG 2.2, relative luminance of sRGB), 1 to 21."""

    def luminance(colour: str) -> float:
        q = QColor(colour)
        linear = [
            v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4
            for v in (q.redF(), q.greenF(), q.blueF())
        ]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)

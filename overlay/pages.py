"""Pages that take the table's place in the window, and how a part of the viewer adds its own.

A part adds to the window with a page, or with an action that opens a window of its own::

    def add(window: Window) -> None:
        window.add_page(Binding("board", ("Ctrl+B",), "the board", "More"), BoardPage(window))
        window.add_action(Binding("print", ("Ctrl+P",), "print it", "More"), partial(print_it, window))

and :mod:`overlay.additions` calls it. Key, menu and card of keys follow from the binding; a key that is
taken already is refused when the window is made, and a test holds that none is.
"""

from __future__ import annotations

from PySide6.QtWidgets import QWidget

from overlay.theme import Theme


class Page(QWidget):
    """A page between the window's head and foot. All of it is called in the window's thread.

    While a page is shown it is asked first what an action of the table of keys means; what it does not
    know, the window does. Esc and the page's own key lead back to the table.
    """

    def shown(self) -> None:
        """The page has come to be shown; the keyboard is its own."""

    def left(self) -> None:
        """The page is shown no longer."""

    def refresh(self) -> None:
        """Something of the session, or the chosen flight, has changed while the page is shown."""

    def tick(self) -> None:
        """Called every few milliseconds while the page is shown; nothing slow belongs here."""

    def do(self, action: str) -> bool:
        """Carry out an action of the table of keys.

        Returns:
            Whether the page did something of its own; if not, the window carries the action out.
        """
        return False

    def set_theme(self, theme: Theme, base_px: int) -> None:
        """Colours, or the size of plain text (logical px), have changed."""

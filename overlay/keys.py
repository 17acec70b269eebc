"""Every key and what it does, as data. The card of keys and the menu are drawn from this table."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Binding:
    """One action: its name in the program, its keys (Qt's portable names), and its words."""

    action: str
    keys: tuple[str, ...]
    words: str
    group: str


BINDINGS: Final[tuple[Binding, ...]] = (
    Binding("toggle", ("Space",), "play or stop", "Replay"),
    Binding("back", ("Left", ","), "one picture back", "Replay"),
    Binding("on", ("Right", "."), "one picture on", "Replay"),
    Binding("first", ("Home",), "first picture", "Replay"),
    Binding("last", ("End",), "last picture", "Replay"),
    Binding("again", ("A",), "again from the start, true speed first", "Replay"),
    Binding("speed_1", ("1",), "true speed", "Speed"),
    Binding("speed_2", ("2",), "half speed", "Speed"),
    Binding("speed_4", ("3",), "quarter speed", "Speed"),
    Binding("speed_8", ("4",), "eighth speed", "Speed"),
    Binding("programme", ("0",), "true, half, quarter, eighth in turn", "Speed"),
    Binding("release", ("R",), "freeze at the release", "Freeze"),
    Binding("apex", ("T",), "freeze at the top of the flight", "Freeze"),
    Binding("end", ("E",), "freeze at the regrasp or landing", "Freeze"),
    Binding("picture", ("P",), "plain picture", "Show"),
    Binding("line", ("L",), "bar line", "Show"),
    Binding("height", ("H",), "hip height", "Show"),
    Binding("band", ("B",), "band", "Show"),
    Binding("previous", ("Up", "PgUp"), "flight before", "Flights"),
    Binding("next", ("Down", "PgDown"), "flight after", "Flights"),
    Binding("newest", ("N",), "newest flight, and stay with the newest", "Flights"),
    Binding("routine_before", ("[",), "routine before", "Flights"),
    Binding("routine_after", ("]",), "routine after", "Flights"),
    Binding("live", ("Esc",), "live picture", "Flights"),
    Binding("closer", ("+", "="), "closer", "Picture"),
    Binding("farther", ("-",), "farther", "Picture"),
    Binding("whole", ("W",), "whole picture", "Picture"),
    Binding("pan_left", ("Shift+Left",), "move left", "Picture"),
    Binding("pan_right", ("Shift+Right",), "move right", "Picture"),
    Binding("pan_up", ("Shift+Up",), "move up", "Picture"),
    Binding("pan_down", ("Shift+Down",), "move down", "Picture"),
    Binding("ruling", ("G",), "go to the panel's ruling", "Screen"),
    Binding("theme", ("D",), "dark or light", "Screen"),
    Binding("full", ("F", "F11"), "full screen", "Screen"),
    Binding("keys", ("?", "F1"), "this card", "Screen"),
    Binding("quit", ("Ctrl+Q",), "close the viewer", "Screen"),
)

KEY_WORDS: Final[dict[str, str]] = {
    "Left": "←",
    "Right": "→",
    "Up": "↑",
    "Down": "↓",
    "PgUp": "Page up",
    "PgDown": "Page down",
    "Shift+Left": "Shift ←",
    "Shift+Right": "Shift →",
    "Shift+Up": "Shift ↑",
    "Shift+Down": "Shift ↓",
    "Ctrl+Q": "Ctrl Q",
}


def key_table(bindings: tuple[Binding, ...] = BINDINGS) -> dict[str, str]:
    """Key to action.

    Raises:
        ValueError: a key is bound twice, or an action is listed twice.
    """
    table: dict[str, str] = {}
    actions: set[str] = set()
    for binding in bindings:
        if binding.action in actions:
            raise ValueError(f"action {binding.action} is listed twice")
        actions.add(binding.action)
        for key in binding.keys:
            if key in table:
                raise ValueError(f"key {key} is bound to {table[key]} and to {binding.action}")
            table[key] = binding.action
    return table


def key_words(binding: Binding) -> str:
    """The keys of a binding as they are printed on the card."""
    return " or ".join(KEY_WORDS.get(key, key) for key in binding.keys)


def first_key(action: str) -> str:
    """The first key of an action, as printed on buttons."""
    for binding in BINDINGS:
        if binding.action == action:
            return KEY_WORDS.get(binding.keys[0], binding.keys[0])
    raise KeyError(action)

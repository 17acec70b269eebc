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
    Binding("again", ("A",), "again, true speed first", "Replay"),
    Binding("speed_1", ("Z",), "true speed", "Speed"),
    Binding("speed_2", ("X",), "half speed", "Speed"),
    Binding("speed_4", ("C",), "quarter speed", "Speed"),
    Binding("speed_8", ("V",), "eighth speed", "Speed"),
    Binding("programme", ("0",), "all four in turn", "Speed"),
    Binding("release", ("R",), "at the release", "Freeze"),
    Binding("opening", ("O",), "at the opening for the landing", "Freeze"),
    Binding("apex", ("T",), "at the top of the flight", "Freeze"),
    Binding("end", ("E",), "at the regrasp or landing", "Freeze"),
    Binding("down_swing", ("S",), "at the start of the down-swing", "Freeze"),
    Binding("picture", ("P",), "plain picture, and back to drawn", "Show"),
    Binding("beside", ("I",), "plain beside drawn", "Show"),
    Binding("line", ("L",), "bar line", "Show"),
    Binding("height", ("H",), "hip height", "Show"),
    Binding("band", ("B",), "band", "Show"),
    *(Binding(f"flight_{n}", (str(n),), f"flight {n} of the routine", "Flights") for n in range(1, 10)),
    Binding("previous", ("Up", "PgUp"), "flight before", "Flights"),
    Binding("next", ("Down", "PgDown"), "flight after", "Flights"),
    Binding("newest", ("N",), "newest flight, and stay with it", "Flights"),
    Binding("ended", ("Y",), "the routine that ended last", "Flights"),
    Binding("number", ("#", "/"), "go to a start number", "Flights"),
    Binding("routine_before", ("[",), "routine before", "Flights"),
    Binding("routine_after", ("]",), "routine after", "Flights"),
    Binding("live", ("Esc",), "live picture", "Flights"),
    Binding("whole_routine", ("Q",), "whole routine, mount to landing", "Look closer"),
    Binding("side_by_side", ("J",), "two flights side by side", "Look closer"),
    Binding("measures", ("M",), "all measures", "Look closer"),
    Binding("by_hand", ("U",), "correct hips or bar by hand", "Look closer"),
    Binding("family", ("K",), "family of the flight", "Look closer"),
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

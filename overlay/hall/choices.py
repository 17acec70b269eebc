"""What the coach chose for the hall's screen, remembered on this machine. No Qt here."""

from __future__ import annotations

import logging
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Final, Literal

import msgspec
import platformdirs

from bridge.errors import ConfigError
from overlay.hall.measures import DEFAULT, KINDS

log = logging.getLogger(__name__)

FILE: Final = "hall.json"
MOST: Final = 2  # one or two things a turn; more help less (see the README's notes on feedback)
When = Literal["each", "some", "asked"]
LONGEST_DELAY_S: Final = 120.0


class Choices(msgspec.Struct, frozen=True, kw_only=True):
    """When a turn is shown, and what of it.

    ``measures`` maps whom or what it was chosen for, as :func:`for_gymnast` and :func:`for_family`
    name it, to one or two measures.
    """

    when: When = "each"
    every: Annotated[int, msgspec.Meta(ge=2, le=20)] = 3  # of "some": every third turn
    delay_s: Annotated[float, msgspec.Meta(ge=0, le=LONGEST_DELAY_S)] = 3.0
    guess: bool = False  # the gymnast guesses first
    rest: bool = True  # nothing new while she is still on the bars
    whole_turn: bool = True  # its flights one after the other, not only the last
    slow: Annotated[int, msgspec.Meta(ge=2, le=8)] = 4  # a quarter of true speed
    measures: dict[str, tuple[str, ...]] = {}

    def shown(self, gymnast: str, family: str) -> tuple[str, ...]:
        """The measures for one gymnast's flight of a family: hers before the family's."""
        for key in (for_gymnast(gymnast, family), for_family(family)):
            known = tuple(name for name in self.measures.get(key, ()) if name in KINDS)[:MOST]
            if known:
                return known
        return (DEFAULT,) if family != "hop_regrasp" else ("flight_time",)

    def with_measures(self, key: str, names: tuple[str, ...]) -> Choices:
        """The same with other measures for ``key``; none takes the choice back."""
        kept = {k: v for k, v in self.measures.items() if k != key}
        return msgspec.structs.replace(self, measures=kept | ({key: names[:MOST]} if names else {}))


def for_gymnast(gymnast: str, family: str) -> str:
    """What a choice for one gymnast's flights of a family is kept under."""
    return f"gymnast {gymnast}, {family}" if gymnast else ""


def for_family(family: str) -> str:
    """What a choice for everybody's flights of a family is kept under."""
    return f"family {family}"


def forget(session: str, number: str, sets: Sequence[Path] = ()) -> list[str]:
    """Take out what was chosen for a gymnast who is taken out of a session; a line for each thing that went.

    Raises:
        ConfigError: the settings cannot be written.
    """
    path = choices_file()
    choices = load_choices(path)
    hers = [key for key in choices.measures if number and key.startswith(f"gymnast {number}, ")]
    if hers:
        kept = {key: names for key, names in choices.measures.items() if key not in hers}
        if refused := keep_choices(msgspec.structs.replace(choices, measures=kept), path):
            raise ConfigError(refused)
    return [f"{path.name}: what the hall shows of {key.partition(', ')[2]}" for key in hers]


def choices_file() -> Path:
    """Where choices lie: RAILCREST_CONFIG, else the user's settings folder."""
    named = os.environ.get("RAILCREST_CONFIG")
    return (Path(named) if named else platformdirs.user_config_path("railcrest")) / FILE


def load_choices(path: Path | None = None) -> Choices:
    """What was chosen last; the defaults where nothing was, or the file cannot be read."""
    path = path or choices_file()
    try:
        return msgspec.json.decode(path.read_bytes(), type=Choices)
    except FileNotFoundError:
        return Choices()
    except (OSError, msgspec.MsgspecError) as error:
        log.info("%s: cannot be used (%s); beginning anew", path, error)
        return Choices()


def keep_choices(choices: Choices, path: Path | None = None) -> str:
    """Write the choices down; returns "" or why they could not be."""
    path = path or choices_file()
    whole = path.with_name(path.name + "-new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        whole.write_bytes(msgspec.json.format(msgspec.json.encode(choices), indent=2) + b"\n")
        whole.replace(path)
    except OSError as error:
        return f"not remembered: {path} cannot be written ({error})"
    return ""

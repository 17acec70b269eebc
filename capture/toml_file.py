"""Reads a settings file that people write by hand, and says in one line what is wrong with it."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final, Protocol, TypeVar

import msgspec

from bridge.errors import ConfigError

FORMAT: Final = 1


class Formatted(Protocol):
    """A settings file states its format."""

    @property
    def format(self) -> int: ...


T = TypeVar("T", bound=Formatted)


def read_text(path: Path, what: str) -> str:
    """Text of a settings file; ``what`` names its kind in errors, e.g. "a rig file".

    Raises:
        ConfigError: the file is missing or is no text.
    """
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError(f"{path}: cannot be read ({error}); give the path of {what}") from error


def decode(text: str, kind: type[T], source: str, remedy: str) -> T:
    """The text of a settings file as ``kind``, a struct that forbids unknown keys.

    Args:
        source: names the file in errors.
        remedy: what to do when a key is wrong.

    Raises:
        ConfigError: not TOML, a key or value does not fit, or another format.
    """
    try:
        file = msgspec.toml.decode(text, type=kind)
    except msgspec.ValidationError as error:
        raise ConfigError(f"{source}{_line(text, str(error))}: {error}; {remedy}") from error
    except msgspec.DecodeError as error:  # which msgspec makes of tomllib's own error
        raise ConfigError(f"{source}: not valid TOML: {error}; correct that line") from error
    if file.format != FORMAT:
        raise ConfigError(f"{source}: format = {file.format}; this program reads format {FORMAT}")
    return file


def _line(text: str, fault: str) -> str:
    """Where the key that msgspec complains of stands first, as ", line 7"; "" when that is not plain."""
    key = re.search(r"unknown field `([^`]+)`", fault) or re.search(r"at `\$[^`]*\.(\w+)(?:\[[^`]*)?`", fault)
    if key is None:
        return ""
    given = re.compile(rf"(?:^|[{{,\s]){re.escape(key[1])}\s*=")
    for number, line in enumerate(text.splitlines(), 1):
        if given.search(line.partition("#")[0]):
            return f", line {number}"
    return ""

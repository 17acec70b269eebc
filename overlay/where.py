"""Where a screen finds its session: the options that the screens' commands share, and what they mean."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from bridge.bus import Addresses

SessionOption = Annotated[
    Path | None,
    typer.Option(help="Session folder: capture runs there, or it is a closed recording.", file_okay=False),
]
PortOption = Annotated[int | None, typer.Option(help="Port of a running capture on this machine.")]
ConnectOption = Annotated[
    str | None, typer.Option(metavar="ADDRESS", help="Address of a capture on another machine; needs --key.")
]
KeyOption = Annotated[
    Path | None, typer.Option(help="That capture's own.key; see railcrest keys.", dir_okay=False)
]


def find(session: Path | None, port: int | None, connect: str | None, key: Path | None) -> Addresses | None:
    """Where the bus is; None for a session folder, which is repaired first if capture left it broken.

    Raises:
        RailcrestError: the folder cannot be repaired, or the key does not serve.
    """
    from bridge.bus import DEFAULT_PORT, Addresses
    from bridge.session import repair_left

    if session is not None:
        for text in repair_left(session):
            typer.echo(f"{session}: {text}", err=True)
        return None
    addresses = Addresses.from_port(port or DEFAULT_PORT)
    return addresses if connect is None else addresses.elsewhere(connect, key)

"""The command that starts the hall's screen."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add ``hall`` to the command line."""

    @app.command()
    def hall(
        session: Annotated[
            Path | None,
            typer.Option(
                help="Session folder: capture runs there, or it is a closed recording.", file_okay=False
            ),
        ] = None,
        port: Annotated[int | None, typer.Option(help="Port of a running capture on this machine.")] = None,
        connect: Annotated[
            str | None,
            typer.Option(metavar="ADDRESS", help="Address of a capture on another machine; needs --key."),
        ] = None,
        key: Annotated[
            Path | None, typer.Option(help="That capture's own.key; see railcrest keys.", dir_okay=False)
        ] = None,
        data_dir: Annotated[
            Path | None, typer.Option(help="Where her turns of other days lie.", file_okay=False)
        ] = None,
        light: Annotated[bool, typer.Option("--light", help="Begin with the light sheet.")] = False,
        window: Annotated[
            bool, typer.Option("--window", help="In a window instead of the whole screen.")
        ] = False,
        gallery: Annotated[
            Path | None, typer.Option(help="Draw the screen's states to this folder, and stop.")
        ] = None,
    ) -> None:
        """Show the last turn on the hall's screen, for gymnast and coach."""
        # Qt is loaded only here, so that other commands start without it.
        if gallery is not None:
            from overlay.hall.gallery import draw_hall

            for path in draw_hall(gallery):
                typer.echo(path)
            return
        from bridge.bus import DEFAULT_PORT, Addresses
        from bridge.session import repair_left, sessions_root
        from overlay.hall.app import run_hall

        addresses = None
        if session is not None:
            for text in repair_left(session):
                typer.echo(f"{session}: {text}", err=True)
        else:
            addresses = Addresses.from_port(port or DEFAULT_PORT)
            if connect is not None:
                addresses = addresses.elsewhere(connect, key)
        root = sessions_root(data_dir)
        raise typer.Exit(run_hall(session, addresses, root, light=light, windowed=window))

"""The command that starts the hall's screen."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from overlay.where import ConnectOption, KeyOption, PortOption, SessionOption, find


def register(app: typer.Typer) -> None:
    """Add ``hall`` to the command line."""

    @app.command()
    def hall(
        session: SessionOption = None,
        port: PortOption = None,
        connect: ConnectOption = None,
        key: KeyOption = None,
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
        from bridge.session import sessions_root
        from overlay.hall.app import run_hall

        addresses = find(session, port, connect, key)
        root = sessions_root(data_dir)
        raise typer.Exit(run_hall(session, addresses, root, light=light, windowed=window))

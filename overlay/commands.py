"""The viewer's commands."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from overlay.where import ConnectOption, KeyOption, PortOption, SessionOption, find


def register(app: typer.Typer) -> None:
    """Add ``view`` to the command line, and what ``survey --screen`` starts."""

    @app.command("set-up-screen", hidden=True)
    def set_up_screen(port: Annotated[int, typer.Option(help="Port of the set-up desk.")]) -> None:
        """Show the set-up screen of a survey on this machine."""
        from bridge.bus import Addresses
        from overlay.survey_app import run_screen

        raise typer.Exit(run_screen(Addresses(desk=port)))

    @app.command()
    def view(
        session: SessionOption = None,
        port: PortOption = None,
        connect: ConnectOption = None,
        key: KeyOption = None,
        policy: Annotated[
            str | None,
            typer.Option(help="Most to show of a closed recording: picture, line, height or band."),
        ] = None,
        gallery: Annotated[
            Path | None, typer.Option(help="Draw the screen's states to this folder, and stop.")
        ] = None,
        role: Annotated[
            str, typer.Option(help="Who looks and rules, on record: a role, never a name.")
        ] = "panel",
        dark: Annotated[bool, typer.Option("--dark", help="Begin with the dark sheet.")] = False,
    ) -> None:
        """Show the judge's replay of a running or recorded session."""
        # Qt is loaded only here, so that other commands start without it.
        if gallery is not None:
            from overlay.gallery import draw_gallery
            from overlay.painting import painting_words

            for path in draw_gallery(gallery, session=session):
                typer.echo(path)
            typer.echo(painting_words(), err=True)
            return
        from overlay.app import run
        from overlay.policy import LEVELS

        most = next((level for level in LEVELS if level == policy), None)
        if policy is not None and most is None:
            raise typer.BadParameter("choose picture, line, height or band", param_hint="--policy")

        addresses = find(session, port, connect, key)
        raise typer.Exit(run(session, addresses, dark=dark, policy=most, role=role))

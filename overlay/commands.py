"""The viewer's commands."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


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
        from bridge.bus import DEFAULT_PORT, Addresses
        from bridge.session import repair_left
        from overlay.app import run
        from overlay.policy import LEVELS

        most = next((level for level in LEVELS if level == policy), None)
        if policy is not None and most is None:
            raise typer.BadParameter("choose picture, line, height or band", param_hint="--policy")

        if session is not None:
            for text in repair_left(session):
                typer.echo(f"{session}: {text}", err=True)
        addresses = None if session is not None else Addresses.from_port(port or DEFAULT_PORT)
        if addresses is not None and connect is not None:
            addresses = addresses.elsewhere(connect, key)
        raise typer.Exit(run(session, addresses, dark=dark, policy=most, role=role))

"""The command that writes a review note."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add ``note`` to the command line."""

    @app.command()
    def note(
        session: Annotated[Path, typer.Argument(help="Session folder.", file_okay=False)],
        flight: Annotated[str, typer.Argument(help="The flight, for example r1-f2.")],
        out: Annotated[
            Path, typer.Option(help="Folder for the page, stills, clip and table.", file_okay=False)
        ],
        name: Annotated[
            bool, typer.Option("--name", help="Print the gymnast's name, where one is known.")
        ] = False,
        paper: Annotated[str, typer.Option(help="a4 or letter.")] = "a4",
        by: Annotated[str, typer.Option(help="Who asks for it, by role; no names.")] = "",
        why: Annotated[str, typer.Option(help="What for.")] = "",
        replace: Annotated[
            bool, typer.Option("--replace", help="Overwrite an earlier note of this flight there.")
        ] = False,
    ) -> None:
        """Write the one-page review note of a flight, with stills, clip and table."""
        if paper not in ("a4", "letter"):
            raise typer.BadParameter("choose a4 or letter", param_hint="--paper")
        os.environ["QT_QPA_PLATFORM"] = "offscreen"  # paper needs no screen
        from overlay.app import start_application
        from overlay.note.writer import write_note

        start_application()
        written = write_note(
            session, flight, out, with_name=name, paper="a4" if paper == "a4" else "letter", by=by, why=why,
            replace=replace,
        )  # fmt: skip
        for path in written.files:
            typer.echo(path)
        for text in written.left_out:
            typer.echo(f"left out: {text}", err=True)

"""The command that starts the staff's window."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from bridge.cli import AsJson, sessions
from bridge.meet_commands import meet
from overlay.where import ConnectOption, KeyOption, PortOption, SessionOption, find

Paper = Annotated[Path, typer.Option("--out", "-o", help="File to write: .pdf or .html.", dir_okay=False)]


@sessions.command("report")
def session_report(
    folder: Path,
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="Also on paper: .pdf or .html.", dir_okay=False)
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Say what was recorded: routines seen, missed and doubtful, gaps, withheld readings, losses, exports."""
    import msgspec

    from bridge.report import report_html, report_text, session_report
    from bridge.session import Session, repair_left
    from overlay.meet.paper import write_page

    for text in repair_left(folder):
        typer.echo(f"{folder}: {text}", err=True)
    report = session_report(Session.open(folder))
    if as_json:
        typer.echo(msgspec.json.format(msgspec.json.encode(report), indent=2).decode())
    else:
        typer.echo(report_text(report), nl=False)
    if out is not None:
        write_page(report_html(report), out, f"Session report: {report.title}")
        typer.echo(out, err=True)


@meet.command("checklist")
def checklist(out: Paper) -> None:
    """Print the placement and safety checklist."""
    from bridge.sheets import checklist_html
    from overlay.meet.paper import write_page

    typer.echo(write_page(checklist_html(), out, "Placement and safety checklist"))


@meet.command("notice")
def notice(
    out: Paper,
    organiser: Annotated[str, typer.Option(help="Who films.")] = "",
    contact: Annotated[str, typer.Option(help="Whom to ask, by role and how.")] = "",
    days: Annotated[int, typer.Option(min=1, help="Days until recordings are deleted.")] = 30,
) -> None:
    """Print the notice about filming, for the door of the hall."""
    from bridge.sheets import notice_html
    from overlay.meet.paper import write_page

    html = notice_html(organiser=organiser, contact=contact, keep_days=days)
    typer.echo(write_page(html, out, "Filming at the uneven bars"))


def register(app: typer.Typer) -> None:
    """Add ``staff`` to the command line; importing this module adds what is printed."""

    @app.command()
    def staff(
        session: SessionOption = None,
        port: PortOption = None,
        connect: ConnectOption = None,
        key: KeyOption = None,
        dark: Annotated[bool, typer.Option("--dark", help="Begin with the dark sheet.")] = False,
        gallery: Annotated[
            Path | None, typer.Option(help="Draw the window's states to this folder, and stop.")
        ] = None,
    ) -> None:
        """Show meet staff whether all is well, who is on the bars and who is next."""
        # Qt is loaded only here, so that other commands start without it.
        if gallery is not None:
            from overlay.meet.gallery import draw_staff

            for path in draw_staff(gallery):
                typer.echo(path)
            return
        from overlay.meet.app import run_staff

        addresses = find(session, port, connect, key)
        raise typer.Exit(run_staff(session, addresses, dark=dark))

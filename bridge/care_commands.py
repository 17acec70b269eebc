"""``railcrest session due, purge, keep, remove, exports, copy``: care for the people filmed."""

from __future__ import annotations

import json
from dataclasses import asdict
from datetime import date
from pathlib import Path
from typing import Annotated, Any

import msgspec
import typer

from bridge.care import SOON_DAYS, copy_session, deleted, due, keep_until, purge
from bridge.cli import AsJson, DataDir, sessions
from bridge.errors import ConfigError
from bridge.export import logged_exports
from bridge.removal import find, remove_gymnast
from bridge.session import Session, find_sessions, repair_left, sessions_root

By = Annotated[str, typer.Option("--by", help="Who asks: a role, not a name. Noted.")]


def register(_app: typer.Typer) -> None:
    """The commands are part of ``session``; importing this module adds them."""


@sessions.command("due")
def session_due(data_dir: DataDir = None, as_json: AsJson = False) -> None:
    """Show which sessions are to be deleted when, the most urgent first."""
    root = sessions_root(data_dir)
    found = due(root)
    if as_json:
        rows: list[dict[str, Any]] = [
            {**asdict(d), "folder": str(d.folder), "words": d.words} for d in found
        ]  # fmt: skip
        gone = msgspec.to_builtins(deleted(root))
        typer.echo(json.dumps({"sessions": rows, "deleted": gone}, indent=2))
        return
    for d in found:
        urgent = d.overdue or d.holds_unfilmed or (d.days_left is not None and d.days_left <= SOON_DAYS)
        typer.echo(f"{'due  ' if urgent else '     '}{d.folder.name}  {d.title}: {d.words}")
    if not found:
        typer.echo(f"no sessions in {root}", err=True)


@sessions.command("purge")
def session_purge(data_dir: DataDir = None) -> None:
    """Delete what is past its day; a dated note of each stays beside the sessions."""
    for text in purge(sessions_root(data_dir)) or ["nothing is due"]:
        typer.echo(text)


@sessions.command("keep")
def session_keep(
    folder: Path,
    until: Annotated[str, typer.Option("--until", help="Day, as 2026-12-31.")],
    why: Annotated[str, typer.Option("--why", help="Noted beside the change.")] = "",
    by: By = "",
) -> None:
    """Set another day of deletion for a session."""
    try:
        day = date.fromisoformat(until)
    except ValueError as error:
        raise ConfigError(f"--until {until}: is no day; write it as 2026-12-31") from error
    keep_until(folder, day, by=by, why=why)


@sessions.command("remove")
def session_remove(
    number: Annotated[str, typer.Argument(help="Start number or initials.")],
    folders: Annotated[list[Path] | None, typer.Argument(help="Session folders.")] = None,
    every: Annotated[
        bool,
        typer.Option("--every-session", help="In every session where this number is the same gymnast."),
    ] = False,
    warm_up: Annotated[bool, typer.Option("--warm-up", help="All warm-up, too.")] = False,
    show: Annotated[
        bool, typer.Option("--show", help="Only say what is held; nothing is taken out.")
    ] = False,
    sets: Annotated[
        list[Path] | None, typer.Option("--set", help="A further example set.", dir_okay=False)
    ] = None,
    why: Annotated[str, typer.Option("--why", help="Noted; say nothing that names her.")] = "",
    by: By = "",
    data_dir: DataDir = None,
) -> None:
    """Take one gymnast out: pictures, joints, readings, rulings, start list, example sets."""
    if every == bool(folders):
        raise ConfigError("name the session folders, or give --every-session")
    places = folders or find_sessions(sessions_root(data_dir))
    nowhere = True
    for folder in places:
        for text in repair_left(folder):
            typer.echo(f"{folder}: {text}", err=True)
        with Session.open(folder).journal() as journal:
            held = find(journal, number, warm_up=warm_up)
        if not held:
            continue
        nowhere = False
        if show:
            typer.echo(
                f"{folder.name}: {len(held.routines)} routines, {len(held.flights)} flights, "
                f"{len(held.rows)} rows of the journal"
            )
            continue
        for text in remove_gymnast(folder, number, warm_up=warm_up, by=by, why=why, sets=sets or []):
            typer.echo(f"{folder.name}: {text}")
    if nowhere:
        raise ConfigError(f"nothing is on record under {number}; see railcrest meet show")


@sessions.command("exports")
def session_exports(folder: Path, as_json: AsJson = False) -> None:
    """Show what left a session: who, what, when, why."""
    with Session.open(folder).journal() as journal:
        log = logged_exports(journal)
    if as_json:
        typer.echo(json.dumps([asdict(line) for line in log], indent=2))
        return
    for line in log:
        when = line.when[:16].replace("T", " ")
        typer.echo(f"{when} UTC  by {line.by or 'not said'}; why: {line.why or 'not said'}; {line.what}")
    if not log:
        typer.echo("nothing left this session", err=True)


@sessions.command("copy")
def session_copy(
    folder: Path,
    into: Annotated[Path, typer.Argument(help="Folder on another disk.", file_okay=False)],
    by: By = "",
) -> None:
    """Copy a session to another disk, read it back, and say whether the copy is good."""
    done = copy_session(folder, into, by=by)
    typer.echo(f"{done.folder}: {done.files} files, {done.size / 1e6:.1f} MB, each read back and the same")
    typer.echo(f"its journal verifies: {done.journal_rows} rows, the last is {done.journal_head}")

"""The ``railcrest`` command. Data goes to standard output, messages to standard error.

Each side adds its own commands through the entry-point group ``railcrest.commands``: a callable that is
given the :class:`typer.Typer` app. A side that cannot be loaded is left out; ``railcrest doctor``
says why.
"""

from __future__ import annotations

import importlib.metadata
import json
import logging
import sys
from collections.abc import Callable, Iterable
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any, Final

import typer

from bridge.consent import PURPOSES
from bridge.doctor import ENTRY_POINTS, examine
from bridge.errors import CheckError, ExitCode, RailcrestError, SystemLibraryError
from bridge.export import export
from bridge.keys import commands as keys
from bridge.launch import die_with_parent
from bridge.session import Session, find_sessions, lock_holder, repair, repair_left, sessions_root

log = logging.getLogger(__name__)

MEANINGS: Final[dict[ExitCode, str]] = {
    ExitCode.OK: "done",
    ExitCode.UNEXPECTED: "a fault of ours; please report it",
    ExitCode.USAGE: "wrong arguments",
    ExitCode.CONFIG: "a rig, band table or settings file cannot be used",
    ExitCode.FEED: "the video or camera cannot be opened or read",
    ExitCode.MODEL: "a network file is missing or is not the one its hash names",
    ExitCode.BUS: "port in use, or nobody answers on the bus",
    ExitCode.RECORDING: "the session folder cannot be written or read, or the disk is full",
    ExitCode.CHECK: "a check failed: a flight is missing in the demo, a session does not verify",
    ExitCode.SYSTEM: "a system library is missing",
    ExitCode.INTERRUPTED: "stopped from the keyboard",
}
EPILOG: Final = "Exit codes:\n\n" + "\n\n".join(f"{code.value}: {text}" for code, text in MEANINGS.items())

DataDir = Annotated[
    Path | None,
    typer.Option(
        "--data-dir", help="Where sessions live, instead of RAILCREST_DATA or the user's data folder."
    ),
]
AsJson = Annotated[bool, typer.Option("--json", help="JSON on standard output, for other programs.")]

sessions = typer.Typer(
    help="What is recorded, whether it is whole, and taking it elsewhere.", no_args_is_help=True
)


def build_app(load: Callable[[], Iterable[Any]] | None = None) -> tuple[typer.Typer, list[str]]:
    """The command line with every side's commands, and what was said of those that cannot be loaded.

    Args:
        load: gives the entry points; those of the installed package when left out.
    """
    app = typer.Typer(
        name="railcrest",
        help="Measures how high each release and dismount on the uneven bars goes against the bar, and "
        "shows the panel an instant-replay loop. The display assists; the panel decides.",
        epilog=EPILOG,
        no_args_is_help=True,
        add_completion=True,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
        context_settings={"help_option_names": ["-h", "--help"]},
    )
    absent: list[str] = []

    @app.callback()
    def common(
        version: Annotated[
            bool,
            typer.Option("--version", is_eager=True, callback=_version, help="Print the version and stop."),
        ] = False,
        verbose: Annotated[
            int, typer.Option("--verbose", "-v", count=True, help="Say more; -vv still more.")
        ] = 0,
        quiet: Annotated[bool, typer.Option("--quiet", "-q", help="Say only what went wrong.")] = False,
    ) -> None:
        _set_log(verbose, quiet)

    app.add_typer(sessions, name="session")
    app.add_typer(keys, name="keys")

    @app.command()
    def doctor(data_dir: DataDir = None, as_json: AsJson = False) -> None:
        """Say what this machine lacks."""
        checks = examine(data_dir, absent)
        if as_json:
            typer.echo(json.dumps([asdict(check) for check in checks], indent=2))
        else:
            for check in checks:
                typer.echo(f"{check.grade:8} {check.name}: {check.text}")
        missing = [check.name for check in checks if check.grade == "missing"]
        if missing:
            raise SystemLibraryError(f"this machine lacks something for: {', '.join(missing)}")

    for point in load() if load else importlib.metadata.entry_points(group=ENTRY_POINTS):
        try:
            point.load()(app)
        except Exception as error:
            absent.append(f"{point.name}: its commands cannot be loaded ({type(error).__name__}: {error})")
            log.debug("entry point %s", point.name, exc_info=True)
    return app, absent


@sessions.command("list")
def session_list(data_dir: DataDir = None, as_json: AsJson = False) -> None:
    """List the recorded sessions."""
    rows = [_summary(folder) for folder in find_sessions(sessions_root(data_dir))]
    if as_json:
        typer.echo(json.dumps(rows, indent=2))
        return
    for row in rows:
        typer.echo(f"{row['folder']}  {row['title']}  {row['flights']} flights  {row['state']}")
    if not rows:
        typer.echo(f"no sessions in {sessions_root(data_dir)}", err=True)


@sessions.command("verify")
def session_verify(folder: Path, as_json: AsJson = False) -> None:
    """Check that a session is whole: journal chain, times, pictures, rig."""
    findings = Session.open(folder).verify()
    if as_json:
        typer.echo(json.dumps([asdict(finding) for finding in findings], indent=2))
    else:
        for finding in findings:
            typer.echo(f"{finding.grade}: {finding.text}")
        if not findings:
            typer.echo("whole")
    errors = sum(finding.grade == "error" for finding in findings)
    if errors:
        raise CheckError(f"{folder}: does not verify ({errors} errors)")


@sessions.command("repair")
def session_repair(folder: Path) -> None:
    """Make a session whole that was left open: after a kill, a power cut, a full disk."""
    for text in repair(folder) or ["nothing to repair"]:
        typer.echo(text)


@sessions.command("export")
def session_export(
    folder: Path,
    out: Annotated[Path, typer.Option("--out", "-o", help="Folder to write to.")],
    clips: Annotated[bool, typer.Option(help="Also one MP4 clip a flight.")] = True,
    by: Annotated[str, typer.Option(help="Who exports it: a role, not a name. Noted in the journal.")] = "",
    why: Annotated[str, typer.Option(help="What it is for. Noted in the journal.")] = "",
    replace: Annotated[bool, typer.Option(help="Write over an earlier export.")] = False,
    only: Annotated[
        str, typer.Option("--number", help="Hand over this gymnast's alone, by start number.")
    ] = "",
    purpose: Annotated[
        str, typer.Option(help="What pictures are for, coaching or teaching; consent must cover it.")
    ] = "coaching",
    as_json: AsJson = False,
) -> None:
    """Write readings as CSV, flights as WebVTT markers, and clips."""
    for text in repair_left(folder):
        typer.echo(f"{folder}: {text}", err=True)
    meant = next((p for p in PURPOSES if p == purpose), None)
    if meant is None:
        raise typer.BadParameter("choose coaching or teaching", param_hint="--purpose")
    done = export(
        Session.open(folder), out, clips=clips, by=by, why=why, replace=replace, only=only, purpose=meant
    )
    if as_json:
        typer.echo(json.dumps({"files": [str(p) for p in done.files], "left_out": done.left_out}, indent=2))
    else:
        for path in done.files:
            typer.echo(path)
    for text in done.left_out:
        typer.echo(f"left out: {text}", err=True)


def _summary(folder: Path) -> dict[str, Any]:
    """One line of ``session list``; a session that cannot be read says so instead of ending the list."""
    try:
        session = Session.open(folder)
        with session.journal() as journal:
            flights, routines = len(journal.readings()), len(journal.routines())
        holder = lock_holder(folder)
    except RailcrestError as error:
        return {
            "folder": str(folder),
            "title": "",
            "flights": 0,
            "routines": 0,
            "state": f"unreadable: {error}",
        }
    if holder is not None:
        state = "recording" if holder[0] else "left open"
    else:
        state = f"expired on {session.manifest.expires}" if session.expired() else "closed"
    return {
        "folder": str(folder),
        "title": session.manifest.title,
        "created": session.manifest.created,
        "expires": session.manifest.expires,
        "routines": routines,
        "flights": flights,
        "state": state,
    }


def version() -> str:
    """The installed version."""
    try:
        return importlib.metadata.version("railcrest")
    except importlib.metadata.PackageNotFoundError:
        return "not installed"


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"railcrest {version()}")
        raise typer.Exit


def _set_log(verbose: int, quiet: bool) -> None:
    steps = (logging.WARNING, logging.INFO, logging.DEBUG)
    level = logging.ERROR if quiet else steps[min(verbose, 2)]
    logging.basicConfig(
        stream=sys.stderr, level=level, format="%(levelname)s %(name)s: %(message)s", force=True
    )


def main(arguments: list[str] | None = None, app: typer.Typer | None = None) -> int:
    """Run the command line; every fault becomes one line on standard error and an exit code."""
    arguments = sys.argv[1:] if arguments is None else arguments
    wordy = any(a == "--verbose" or (a.startswith("-v") and set(a[1:]) == {"v"}) for a in arguments)
    try:
        die_with_parent()
        app = app or build_app()[0]
        app(args=arguments, prog_name="railcrest")
        return int(ExitCode.OK)
    except SystemExit as done:  # wrong arguments, --help, a command's own exit code
        return (
            done.code
            if isinstance(done.code, int)
            else int(ExitCode.UNEXPECTED if done.code else ExitCode.OK)
        )
    except RailcrestError as error:
        if wordy:
            log.debug("where it came from", exc_info=True)
        print(f"railcrest: {error}", file=sys.stderr)
        return int(error.exit_code)
    except KeyboardInterrupt:
        print("railcrest: stopped", file=sys.stderr)
        return int(ExitCode.INTERRUPTED)
    except Exception as error:
        if wordy:
            log.exception("a fault of ours")
        print(
            f"railcrest: a fault of ours ({type(error).__name__}: {error}); "
            "please report it with what railcrest -v says",
            file=sys.stderr,
        )
        return int(ExitCode.UNEXPECTED)


__all__ = ["EPILOG", "build_app", "main", "version"]

"""``railcrest meet``: the start list and the numbers of a session, whether it is being recorded or closed."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Final, cast, get_args

import msgspec
import typer

from bridge.bus import DeskClient, read_run_file
from bridge.errors import ConfigError, RecordingError
from bridge.journal import FILE as JOURNAL_FILE
from bridge.journal import Journal
from bridge.messages import (
    Accepted,
    Answer,
    Consent,
    Entry,
    EntryRequest,
    Part,
    PartRequest,
    Refused,
    Routine,
    Snapshot,
    SnapshotRequest,
    StartList,
)
from bridge.running_order import RunningOrder, load_request, start_list_of
from bridge.session import Session, being_recorded, clock_after, repair_left
from bridge.start_list import read_start_list

STAFF: Final = "meet staff"

meet = typer.Typer(
    help="The start list: load it, scratch, swap, and put the right number on a routine.",
    no_args_is_help=True,
)

SessionFolder = Annotated[Path, typer.Option("--session", help="Session folder, being recorded or closed.")]
Number = Annotated[str, typer.Argument(help="Start number.")]


def register(app: typer.Typer) -> None:
    """Add ``meet`` to the command line."""
    app.add_typer(meet, name="meet")


@meet.command("start-list")
def start_list(
    file: Annotated[Path, typer.Argument(help="CSV file with a column “number”.", dir_okay=False)],
    session: SessionFolder,
    names: Annotated[
        bool,
        typer.Option("--names", help="Keep names, too; only where the event's consent covers them."),
    ] = False,
) -> None:
    """Load the start list, or a newer one; whoever is not on it any more is scratched."""
    read = read_start_list(file, names=names)
    _ask(session, load_request(read, STAFF))
    closed = sum(e.consent == "do not film" for e in read.entries)
    typer.echo(f"{len(read.entries)} gymnasts on the list, {closed} not to be filmed", err=True)


@meet.command("show")
def show(
    session: SessionFolder, as_json: Annotated[bool, typer.Option("--json", help="JSON.")] = False
) -> None:
    """Show the list, who was on the bars, and whose turn is next."""
    listed, routines = standing(session)
    if as_json:
        rows = {"start_list": listed, "routines": routines}
        typer.echo(msgspec.json.format(msgspec.json.encode(rows), indent=2).decode())
        return
    for line in list_lines(listed, routines):
        typer.echo(line)


@meet.command("number")
def number(
    number: Annotated[str, typer.Argument(help="Start number; - for nobody on the list.")],
    session: SessionFolder,
    routine: Annotated[
        int, typer.Option("--routine", min=0, help="Which routine; left out: the one under way, or the next.")
    ] = 0,
) -> None:
    """Put a number on a routine, everywhere at once; those after it follow the list again."""
    who = "" if number == "-" else number
    _ask(session, EntryRequest(action="number", number=who, routine=routine, by=STAFF))


@meet.command("warm-up-routine")
def warm_up_routine(
    routine: Annotated[int, typer.Argument(min=1, help="Which routine.")],
    session: SessionFolder,
    counts: Annotated[bool, typer.Option("--counts", help="It was no warm-up after all.")] = False,
) -> None:
    """Say that a routine was warm-up; its number goes to the next one."""
    _ask(
        session, EntryRequest(action="competition" if counts else "warm-up", routine=routine, by=STAFF)
    )  # fmt: skip


@meet.command("scratch")
def scratch(number: Number, session: SessionFolder) -> None:
    """Scratch a gymnast."""
    _ask(session, EntryRequest(action="scratch", number=number, by=STAFF))


@meet.command("restore")
def restore(number: Number, session: SessionFolder) -> None:
    """Put a scratched gymnast back."""
    _ask(session, EntryRequest(action="restore", number=number, by=STAFF))


@meet.command("swap")
def swap(number: Number, other: Number, session: SessionFolder) -> None:
    """Let two gymnasts change places."""
    _ask(session, EntryRequest(action="swap", number=number, other=other, by=STAFF))


@meet.command("add")
def add(
    number: Number,
    session: SessionFolder,
    order: Annotated[int, typer.Option("--order", min=0, help="Place in the list; left out: last.")] = 0,
    rotation: Annotated[str, typer.Option("--rotation")] = "",
    group: Annotated[str, typer.Option("--group")] = "",
    consent: Annotated[str, typer.Option("--consent")] = "this session only",
) -> None:
    """Add a late entry."""
    entry = Entry(
        number=number, order=order, rotation=rotation, group=group, consent=consent_of(consent)
    )  # fmt: skip
    _ask(session, EntryRequest(action="add", entries=(entry,), by=STAFF))


@meet.command("consent")
def consent(number: Number, state: str, session: SessionFolder) -> None:
    """Change what a gymnast allows: do not film, this session only, coaching or teaching."""
    _ask(session, EntryRequest(action="consent", number=number, consent=consent_of(state), by=STAFF))


@meet.command("part")
def part(part: str, session: SessionFolder) -> None:
    """Say which part of the session begins: warm-up, competition or break."""
    if part not in get_args(Part):
        raise typer.BadParameter("choose warm-up, competition or break", param_hint="PART")
    _ask(session, PartRequest(part=cast(Part, part), by=STAFF))


def consent_of(text: str) -> Consent:
    """A consent state as typed. Raises ConfigError when it is none."""
    if text not in get_args(Consent):
        raise ConfigError(f"consent “{text}” is not known; write {', '.join(get_args(Consent))}")
    return cast(Consent, text)


def standing(session: Path) -> tuple[StartList, tuple[Routine, ...]]:
    """The start list and the routines of a session as they stand."""
    if _recorded_now(session):
        answer = _desk(session, SnapshotRequest())
        if not isinstance(answer, Snapshot):
            raise RecordingError(
                f"{session}: {answer.reason if isinstance(answer, Refused) else 'no answer'}"
            )
        return answer.start_list or StartList(), answer.routines
    with Session.open(session).journal() as journal:
        return start_list_of(journal) or StartList(), journal.routines()


def ask_session(session: Path, request: EntryRequest | PartRequest) -> Answer:
    """Have a request carried out by the capture that records the session, or on the closed session.

    Raises:
        RailcrestError: capture does not answer, or the session cannot be written.
    """
    if _recorded_now(session):
        return _desk(session, request)
    opened = Session.open(session)
    clock = clock_after(session)
    with Journal(opened.file(JOURNAL_FILE), write=True) as journal:
        return RunningOrder(journal, lambda _: None, clock.now_ns).answer(request)


def list_lines(listed: StartList, routines: tuple[Routine, ...]) -> list[str]:
    """The list as lines of text."""
    lines = [f"part: {listed.part}", f"next: {listed.next or 'nobody left on the list'}"]
    for entry in listed.entries:
        hers = [r.routine for r in routines if r.start_number == entry.number and not r.warm_up]
        said = [
            f"rotation {entry.rotation}" if entry.rotation else "",
            entry.group,
            entry.name,
            entry.consent,
            "scratched" if entry.scratched else "",
            "routine " + ", ".join(map(str, hers)) if hers else "",
        ]
        lines.append(f"{entry.order:3}  {entry.number:>6}  " + "; ".join(text for text in said if text))
    numbers = {e.number for e in listed.entries}
    for r in routines:
        if r.warm_up or r.start_number not in numbers:
            what = "warm-up" if r.warm_up else r.start_number or "no number"
            lines.append(f"     routine {r.routine}: {what}")
    return lines


def _ask(session: Path, request: EntryRequest | PartRequest) -> None:
    answer = ask_session(session, request)
    if not isinstance(answer, Accepted):
        raise ConfigError(
            answer.reason if isinstance(answer, Refused) else "the desk answered something else"
        )


def _recorded_now(session: Path) -> bool:
    for text in repair_left(session):
        typer.echo(f"{session}: {text}", err=True)
    return being_recorded(session)


def _desk(session: Path, request: EntryRequest | PartRequest | SnapshotRequest) -> Answer:
    client = DeskClient(read_run_file(session).addresses, "meet staff")
    try:
        return client.ask(request)
    finally:
        client.close()


__all__ = ["ask_session", "list_lines", "meet", "register", "standing"]

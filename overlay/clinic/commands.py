"""The clinic's commands: ``clinic collect``, ``find``, ``practice`` and ``agree``."""

from __future__ import annotations

import random
from contextlib import closing
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bridge.errors import ConfigError
from bridge.session import Session, data_dir

if TYPE_CHECKING:
    from overlay.clinic.examples import Collection, Example

Set = Annotated[Path | None, typer.Option("--set", help="The example set's file.", dir_okay=False)]


def register(app: typer.Typer) -> None:
    """Add ``clinic`` to the command line."""
    group = typer.Typer(
        help="Example flights, blind practice marking, and how far the markers agree.", no_args_is_help=True
    )
    group.command("collect")(collect)
    group.command("find")(find)
    group.command("practice")(practice)
    group.command("agree")(agree)
    app.add_typer(group, name="clinic")


def collect(
    session: Annotated[Path, typer.Argument(help="Session folder.", exists=True, file_okay=False)],
    flight: Annotated[str, typer.Argument(help="The flight, such as r1-f2.")],
    grade: Annotated[str, typer.Option(help="good, middling or poor.")],
    reason: Annotated[str, typer.Option(help="Why, in a sentence.")],
    side: Annotated[str, typer.Option(help="Where the low bar is in the picture: left or right.")],
    book: Annotated[str, typer.Option(help="Rule book.")],
    year: Annotated[int, typer.Option(help="Its year.")],
    level: Annotated[str, typer.Option(help="Of the gymnast's programme.")] = "",
    camera: Annotated[str, typer.Option(help="The camera's place, in words.")] = "",
    shape: Annotated[str, typer.Option(help="Body shape at the highest point.")] = "",
    mark: Annotated[float | None, typer.Option(help="Reference mark, points.")] = None,
    why: Annotated[str, typer.Option(help="Reasons of the reference mark.")] = "",
    by: Annotated[str, typer.Option(help="Who set it, by role.")] = "",
    set_file: Set = None,
) -> None:
    """Keep a recorded flight as an example, with its consent and expiry."""
    from overlay.clinic.examples import GRADES, SIDES, Reference, example_of
    from overlay.clinic.steps import hundredths

    wanted = next((g for g in GRADES if g == grade), None)
    where = next((s for s in SIDES if s == side), None)
    if wanted is None:
        raise typer.BadParameter("choose good, middling or poor", param_hint="--grade")
    if where is None:
        raise typer.BadParameter("choose left or right", param_hint="--side")
    if mark is not None and not (why and by):
        raise typer.BadParameter("a reference mark needs --why and --by", param_hint="--mark")
    opened = Session.open(session)
    with closing(opened.journal()) as journal:
        reading = next((r for r in journal.readings() if r.flight == flight), None)
        if reading is None:
            raise ConfigError(f"{session}: no flight {flight}; railcrest sessions show lists them")
        starts = {r.routine: r.start_number for r in journal.routines()}
        who = starts.get(reading.routine, "")
        consents = {g.start_number: g.consent for g in journal.gymnasts()}
    expires = opened.manifest.expires
    if not expires:
        raise ConfigError(f"{session}: it has no expiry date; set one first")
    example = example_of(
        reading,
        session=session.resolve().name,
        gymnast=who,
        grade=wanted,
        reason=reason,
        side=where,
        rule_book=book,
        rule_year=year,
        consent=consents.get(who, "this session only"),
        expires=date.fromisoformat(expires),
        level=level,
        camera_place=camera,
        shape=shape,
    )
    reference = None
    if mark is not None:
        reference = Reference(mark=hundredths(mark), reason=why, by=by, on=datetime.now(UTC).date())
    kept = _collection(set_file)
    kept.add(example)
    if reference is not None:
        kept.refer(example.id, reference)
    typer.echo(example.id)


def find(
    family: Annotated[str | None, typer.Option()] = None,
    grade: Annotated[str | None, typer.Option()] = None,
    cleared: Annotated[bool, typer.Option("--cleared", help="Only those cleared for teaching.")] = False,
    size: Annotated[
        int | None, typer.Option("--balanced", help="A balanced set of at most this many.")
    ] = None,
    set_file: Set = None,
) -> None:
    """List examples, or a set balanced over family, grade and side."""
    from overlay.clinic.examples import GRADES, balanced

    wanted = next((g for g in GRADES if g == grade), None)
    if grade is not None and wanted is None:
        raise typer.BadParameter("choose good, middling or poor", param_hint="--grade")
    found = _collection(set_file).find(family=family, grade=wanted, cleared=cleared)
    if size is not None:
        found = balanced(found, sorted({e.family for e in found}), size)
    for e in found:
        typer.echo(f"{e.id}\t{e.family}\t{e.grade}\t{e.side}\t{e.band or '-'}\t{e.expires}\t{e.reason}")


def practice(
    file: Annotated[
        Path, typer.Argument(help="The practice's journal; an existing one goes on.", dir_okay=False)
    ],
    table: Annotated[
        Path | None, typer.Option(help="Band table that names the steps.", dir_okay=False)
    ] = None,
    clip: Annotated[
        list[str] | None, typer.Option(help="An example; again for more. All cleared ones if none.")
    ] = None,
    title: Annotated[str, typer.Option()] = "Practice marking",
    repeats: Annotated[int, typer.Option(help="How many clips come a second time.")] = 0,
    views: Annotated[int, typer.Option(help="How often each clip is shown.")] = 1,
    speed: Annotated[str, typer.Option(help="Speed, as told to the markers.")] = "true speed",
    thinking_s: Annotated[float, typer.Option("--thinking", help="Thinking time, seconds.")] = 30.0,
    seed: Annotated[int | None, typer.Option(help="Of the shuffled order.")] = None,
    host: Annotated[str, typer.Option(help="Address of this machine that markers reach.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(help="0 lets the system choose.")] = 0,
    set_file: Set = None,
) -> None:
    """Serve a practice marking to the room, or go on with one."""
    from overlay.clinic.practice import NS, Practice, plan
    from overlay.clinic.server import run
    from overlay.clinic.steps import read_steps

    begun = None
    if not file.exists():
        if table is None:
            raise typer.BadParameter("name the band table of the steps", param_hint="--table")
        kept = _collection(set_file)
        chosen: list[Example] = [kept.get(c) for c in clip] if clip else kept.find(cleared=True)
        begun = plan(
            title,
            chosen,
            read_steps(table),
            today=datetime.now(UTC).astimezone().date(),
            seed=random.randrange(2**31) if seed is None else seed,
            repeats=repeats,
            views=views,
            speed=speed,
            thinking_ns=round(thinking_s * NS),
        )
    with Practice(file, begun) as held:
        run(held, host, port, tell=typer.echo)


def agree(
    file: Annotated[Path, typer.Argument(help="The practice's journal.", exists=True, dir_okay=False)],
    marker: Annotated[str | None, typer.Option(help="The private report of one marker, such as m3.")] = None,
    csv: Annotated[bool, typer.Option("--csv", help="The raw marks instead.")] = False,
) -> None:
    """Tell how far the markers agree: counts first, without names or ranking."""
    from bridge.journal import Journal
    from overlay.clinic.agreement import marks_csv, own_agreement, room_agreement
    from overlay.clinic.practice import replay
    from overlay.clinic.summary import own_lines, room_lines

    with closing(Journal(file)) as journal:
        state = replay(journal)
    items, marks = state.items(), state.locked_marks()
    if csv:
        typer.echo(marks_csv(items, marks), nl=False)
        return
    if marker is not None and marker not in state.codes:
        raise ConfigError(f"{marker}: nobody of that number joined; they are m1 to m{len(state.codes)}")
    lines = (
        own_lines(own_agreement(items, marks, marker)) if marker else room_lines(room_agreement(items, marks))
    )
    for line in lines:
        typer.echo(line)


def _collection(set_file: Path | None) -> Collection:
    from overlay.clinic.examples import Collection

    return Collection(set_file or data_dir() / "examples.json")

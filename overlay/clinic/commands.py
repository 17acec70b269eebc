"""The clinic's commands: ``clinic collect``, ``find``, ``practice`` and ``agree``."""

from __future__ import annotations

import random
from contextlib import closing
from datetime import UTC, date, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import msgspec
import typer

from bridge.errors import ConfigError
from bridge.session import data_dir

if TYPE_CHECKING:
    from overlay.clinic import compare as compared
    from overlay.clinic.examples import Collection, Example, Reference
    from overlay.clinic.practice import Practice, State

Set = Annotated[Path | None, typer.Option("--set", help="The example set's file.", dir_okay=False)]
AsRecorded = Annotated[
    bool,
    typer.Option(
        "--as-recorded", help="Take clips that nobody looked over for numbers, names and scores, too."
    ),
]


def register(app: typer.Typer) -> None:
    """Add ``clinic`` to the command line."""
    group = typer.Typer(
        help="Example flights, blind practice marking, and how far the markers agree.", no_args_is_help=True
    )
    group.command("evening")(evening)
    group.command("collect")(collect)
    group.command("refer")(refer)
    group.command("hide")(hide)
    group.command("tidy")(tidy)
    group.command("find")(find)
    group.command("practice")(practice)
    group.command("agree")(agree)
    group.command("report")(report)
    group.command("compare")(compare)
    group.command("disputed")(disputed)
    group.command("reel")(reel)
    group.command("lesson")(lesson)
    group.command("pack")(pack)
    group.command("unpack")(unpack)
    app.add_typer(group, name="clinic")


def collect(
    session: Annotated[Path, typer.Argument(help="Session folder.", exists=True, file_okay=False)],
    flight: Annotated[str, typer.Argument(help="The flight, such as r1-f2.")],
    grade: Annotated[str, typer.Option(help="good, middling or poor.")],
    reason: Annotated[str, typer.Option(help="Why, in a sentence.")],
    side: Annotated[str, typer.Option(help="Low bar left or right; left out: as the rig says.")] = "",
    book: Annotated[str, typer.Option(help="Rule book; left out: as the session's table says.")] = "",
    year: Annotated[int | None, typer.Option(help="Its year.")] = None,
    level: Annotated[str, typer.Option(help="Of the gymnast's programme.")] = "",
    camera: Annotated[str, typer.Option(help="The camera's place; left out: as the rig says.")] = "",
    shape: Annotated[str, typer.Option(help="Body shape at the highest point; left out: as measured.")] = "",
    mark: Annotated[float | None, typer.Option(help="Reference mark, points.")] = None,
    why: Annotated[str, typer.Option(help="Reasons of the reference mark.")] = "",
    by: Annotated[str, typer.Option(help="Who set it, by role.")] = "",
    slow_motion: Annotated[bool, typer.Option("--slow-motion", help="Set with slow motion.")] = False,
    set_file: Set = None,
) -> None:
    """Keep a recorded flight as an example, with its consent and expiry."""
    from overlay.clinic.collecting import Known, collect_flight
    from overlay.clinic.examples import GRADES, SIDES

    wanted = next((g for g in GRADES if g == grade), None)
    where = next((s for s in SIDES if s == side), None)
    if wanted is None:
        raise typer.BadParameter("choose good, middling or poor", param_hint="--grade")
    if side and where is None:
        raise typer.BadParameter("choose left or right", param_hint="--side")
    if mark is not None and not (why and by):
        raise typer.BadParameter("a reference mark needs --why and --by", param_hint="--mark")
    kept = _collection(set_file)
    known = Known(where, book, year, level, camera, shape)
    example = collect_flight(kept, session, flight, wanted, reason, known)
    if mark is not None:
        kept.refer(example.id, _reference(mark, why, by, slow_motion))
    typer.echo(example.id)


def refer(
    example: Annotated[str, typer.Argument(help="The example.")],
    mark: Annotated[float, typer.Option(help="Reference mark, points.")],
    why: Annotated[str, typer.Option(help="Reasons of the mark.")],
    by: Annotated[str, typer.Option(help="Who set it, by role.")],
    changed: Annotated[str, typer.Option(help="Why it is changed, where there was one.")] = "",
    slow_motion: Annotated[bool, typer.Option("--slow-motion", help="Set with slow motion.")] = False,
    set_file: Set = None,
) -> None:
    """Set an example's reference mark, or change it and say why."""
    _collection(set_file).refer(example, _reference(mark, why, by, slow_motion, changed))


def hide(
    example: Annotated[
        str | None, typer.Argument(help="The example; left out: all that nobody has looked over.")
    ] = None,
    part: Annotated[
        list[str] | None, typer.Option(help="Left,top,width,height in picture px; again for more.")
    ] = None,
    nothing: Annotated[
        bool, typer.Option("--nothing", help="Looked over: there is nothing to hide.")
    ] = False,
    set_file: Set = None,
) -> None:
    """Paint over numbers, names and scoreboards in copies: in a window, or by --part."""
    from overlay.clinic.copies import have_copy
    from overlay.clinic.examples import Hidden

    kept = _collection(set_file)
    if part or nothing:
        if example is None:
            raise typer.BadParameter("name the example", param_hint="EXAMPLE")
        hidden = []
        for text in part or []:
            try:
                x, y, width, height = (int(n) for n in text.split(","))
                hidden.append(msgspec.convert({"x": x, "y": y, "width": width, "height": height}, Hidden))
            except (ValueError, msgspec.ValidationError) as error:
                raise typer.BadParameter(
                    "give left,top,width,height in whole px", param_hint="--part"
                ) from error
        kept.hide(example, hidden)
    else:
        _look_over(kept, [kept.get(example)] if example else [e for e in kept.find() if e.hidden is None])
    for kind in [kept.get(example)] if example else [e for e in kept.find() if e.hidden is not None]:
        folder, _ = have_copy(kept.copies, kind)
        typer.echo(folder)


def _look_over(kept: Collection, examples: list[Example]) -> None:
    from bridge.clock import SystemClock
    from overlay.app import start_application
    from overlay.clinic.copies import original
    from overlay.clinic.hide import look_over

    start_application()
    for e in examples:
        look_over(e.id, original(e), e.hidden or (), SystemClock(), partial(kept.hide, e.id))


def tidy(set_file: Set = None) -> None:
    """Follow consent and days of deletion of the sessions; what is not cleared any more goes."""
    from overlay.clinic.collecting import follow

    for line in follow(_collection(set_file)):
        typer.echo(line)


def find(
    family: Annotated[str | None, typer.Option(help="Family, such as dismount.")] = None,
    grade: Annotated[str | None, typer.Option(help="good, middling or poor.")] = None,
    band: Annotated[str | None, typer.Option(help="Measured band, such as level.")] = None,
    shape: Annotated[str | None, typer.Option(help="Body shape at the highest point.")] = None,
    camera: Annotated[str | None, typer.Option(help="Words of the camera's place.")] = None,
    level: Annotated[str | None, typer.Option(help="Of the gymnast's programme.")] = None,
    apex: Annotated[
        str | None,
        typer.Option(help="Hip height against the bar, cm, from and to: -10..10.", metavar="FROM..TO"),
    ] = None,
    cleared: Annotated[bool, typer.Option("--cleared", help="Only those cleared for teaching.")] = False,
    by_dispute: Annotated[
        list[Path] | None,
        typer.Option("--disputed", help="Journal of a practice: most disputed first.", exists=True),
    ] = None,
    size: Annotated[
        int | None, typer.Option("--balanced", help="A balanced set of at most this many.")
    ] = None,
    set_file: Set = None,
) -> None:
    """List examples, or a set balanced over family, grade and side."""
    from overlay.clinic.compare import disputed_over
    from overlay.clinic.examples import GRADES, balanced

    wanted = next((g for g in GRADES if g == grade), None)
    if grade is not None and wanted is None:
        raise typer.BadParameter("choose good, middling or poor", param_hint="--grade")
    span = None
    if apex is not None:
        low, _, high = apex.partition("..")
        try:
            span = (float(low) / 100, float(high) / 100)
        except ValueError as error:
            raise typer.BadParameter(
                "give two numbers in cm, such as -10..10", param_hint="--apex"
            ) from error
    order = [d.clip for d in disputed_over([_session(file) for file in by_dispute or []])]
    found = _collection(set_file).find(
        family=family,
        grade=wanted,
        band=band,
        shape=shape,
        camera=camera,
        level=level,
        apex_m=span,
        cleared=cleared,
        disputed=order,
    )
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
    slower: Annotated[int, typer.Option(help="1 true speed, 2 half, 4 quarter, 8 eighth speed.")] = 1,
    thinking_s: Annotated[float, typer.Option("--thinking", help="Thinking time, seconds.")] = 30.0,
    seed: Annotated[int | None, typer.Option(help="Of the shuffled order.")] = None,
    host: Annotated[str, typer.Option(help="Address of this machine that markers reach.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(help="0 lets the system choose.")] = 0,
    window: Annotated[bool, typer.Option(help="The projector's window; without it, the page alone.")] = True,
    full: Annotated[bool, typer.Option("--full", help="The window fills the screen.")] = False,
    as_recorded: AsRecorded = False,
    set_file: Set = None,
) -> None:
    """Show a practice marking to the room, or go on with one."""
    from overlay.clinic.collecting import follow
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
            today=_today(),
            seed=random.randrange(2**31) if seed is None else seed,
            repeats=repeats,
            views=views,
            slowness=slower,
            thinking_ns=round(thinking_s * NS),
        )
    with Practice(file, begun) as held:
        if not window:
            run(held, host, port, tell=typer.echo)
            return
        kept = _collection(set_file)
        for line in follow(kept):
            typer.echo(line, err=True)
        raise typer.Exit(_show(held, kept, host, port, full=full, as_recorded=as_recorded))


def evening(
    full: Annotated[bool, typer.Option("--full", help="The projector's window fills the screen.")] = False,
    set_file: Set = None,
) -> None:
    """Set up an evening in a window: choose clips and how they are shown; or go on with an earlier one."""
    from overlay.app import start_application
    from overlay.clinic.collecting import follow
    from overlay.clinic.evening import choose, practice_of
    from overlay.clinic.steps import shipped_tables

    kept = _collection(set_file)
    for line in follow(kept):
        typer.echo(line, err=True)
    start_application()
    folder = data_dir() / "practices"
    chosen = choose(kept, shipped_tables(), folder, lambda file: _reports(file, file.parent / file.stem))
    if chosen is None:
        return
    with practice_of(chosen, kept, folder, _today()) as held:
        raise typer.Exit(_show(held, kept, chosen.host, 0, full=full))


def _show(
    held: Practice, kept: Collection, host: str, port: int, *, full: bool = False, as_recorded: bool = False
) -> int:
    """Show a practice in its window, with the page for its markers; gives the exit code."""
    from overlay.clinic.room_app import run_room
    from overlay.clinic.shelf import Shelf

    known = {e.id: e for e in kept.find(cleared=True)}
    shows = list(dict.fromkeys(s.clip for s in held.state.plan.showings))
    if absent := [name for name in shows if name not in known]:
        raise ConfigError(f"{', '.join(absent)}: not cleared for teaching any more; begin another practice")
    _refuse_unseen([known[name] for name in shows], as_recorded)
    shelf = Shelf(kept.copies, [known[name] for name in shows])
    shelf.prepare(lambda name, n, of: typer.echo(f"copy {n} of {of}: {name}", err=True))
    return run_room(held, shelf, host, port, tell=typer.echo, full=full)


def agree(
    file: Annotated[Path, typer.Argument(help="The practice's journal.", exists=True, dir_okay=False)],
    marker: Annotated[str | None, typer.Option(help="The private report of one marker, such as m3.")] = None,
    csv: Annotated[bool, typer.Option("--csv", help="The raw marks instead.")] = False,
) -> None:
    """Tell how far the markers agree: counts first, without names or ranking."""
    from overlay.clinic.agreement import marks_csv, own_agreement, room_agreement
    from overlay.clinic.summary import own_lines, room_lines

    state = _state(file)
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


def report(
    file: Annotated[Path, typer.Argument(help="The practice's journal.", exists=True, dir_okay=False)],
    out: Annotated[Path, typer.Option(help="Folder to write to.", file_okay=False)] = Path(),
    marker: Annotated[str | None, typer.Option(help="Only this marker's own, such as m3.")] = None,
) -> None:
    """Write PDF reports: one for each marker, private, and the room's, which names nobody."""
    from overlay.app import start_application

    start_application()
    for path in _reports(file, out, marker):
        typer.echo(path)


def _reports(file: Path, out: Path, marker: str | None = None) -> list[Path]:
    """Write the reports of a practice; Qt has been started."""
    from overlay.clinic.reports import marker_report, room_report, safe_name

    state = _state(file)
    if marker is not None and marker not in state.codes:
        raise ConfigError(f"{marker}: nobody of that number joined; they are m1 to m{len(state.codes)}")
    name, day = safe_name(state.plan.title), _today()
    written = []
    for who in [marker] if marker else list(state.codes):
        written.append(out / f"{name}-private-{who}.pdf")
        marker_report(written[-1], state, who, day)
    if marker is None:
        written.append(out / f"{name}-room.pdf")
        room_report(written[-1], state, day)
    return written


def compare(
    before: Annotated[Path, typer.Argument(help="Journal of the first practice.", exists=True)],
    after: Annotated[Path, typer.Argument(help="Journal of the later practice.", exists=True)],
    same: Annotated[
        list[str] | None,
        typer.Option(help="Who is who, such as m1=m4; again for more.", metavar="BEFORE=AFTER"),
    ] = None,
    pdf: Annotated[Path | None, typer.Option(help="Write a PDF, too.", dir_okay=False)] = None,
) -> None:
    """Tell what changed between two practices, without names or ranking."""
    from overlay.clinic.compare import change_between, change_lines

    pairs = dict(text.partition("=")[::2] for text in same or [])
    one, two = _session(before), _session(after)
    try:
        change = change_between(one, two, pairs)
    except ValueError as error:
        raise typer.BadParameter(str(error), param_hint="--same") from error
    for line in change_lines(change):
        typer.echo(line)
    if pdf is not None:
        from overlay.app import start_application
        from overlay.clinic.reports import change_report

        start_application()
        change_report(pdf, change, (one.title, two.title), _today())


def disputed(
    files: Annotated[list[Path], typer.Argument(help="Journals of practices.", exists=True, dir_okay=False)],
    pdf: Annotated[Path | None, typer.Option(help="Write a PDF, too.", dir_okay=False)] = None,
) -> None:
    """List the clips on which markers of these practices lie furthest apart."""
    from overlay.clinic.compare import disputed_lines, disputed_over

    found = disputed_over([_session(file) for file in files])
    for line in disputed_lines(found, len(found)):
        typer.echo(line)
    if pdf is not None:
        from overlay.app import start_application
        from overlay.clinic.reports import disputed_report

        start_application()
        disputed_report(pdf, found, len(files), _today())


def reel(
    out: Annotated[Path, typer.Argument(help="The film to write, such as reel.mp4.", dir_okay=False)],
    clip: Annotated[list[str] | None, typer.Option(help="An example; again for more.")] = None,
    beside: Annotated[
        list[str] | None, typer.Option(help="Two or three examples in step: A,B or A,B,C; again for more.")
    ] = None,
    step: Annotated[str, typer.Option("--step", help="In step at: apex or release.")] = "apex",
    title: Annotated[str, typer.Option()] = "Amplitude on bars",
    height: Annotated[int, typer.Option(help="Rows of the picture: 360, 720 or 1080.")] = 720,
    handout: Annotated[Path | None, typer.Option(help="A PDF to take home, too.", dir_okay=False)] = None,
    by: Annotated[str, typer.Option(help="Who makes it, by role; noted in the sessions.")] = "teacher",
    why: Annotated[str, typer.Option(help="What for; noted in the sessions.")] = "teaching reel",
    as_recorded: AsRecorded = False,
    set_file: Set = None,
) -> None:
    """Cut a teaching reel (MP4) of examples cleared for teaching; stopped, it goes on where it was."""
    from rich.progress import Progress

    from overlay.app import start_application
    from overlay.clinic.collecting import follow, note_export
    from overlay.clinic.copies import have_copy
    from overlay.clinic.handout import write_handout
    from overlay.clinic.reel import Beside, Take, script, write_reel
    from overlay.clinic.stills import Size

    if step not in ("apex", "release"):
        raise typer.BadParameter("choose apex or release", param_hint="--step")
    if height not in (360, 720, 1080):
        raise typer.BadParameter("choose 360, 720 or 1080", param_hint="--height")
    kept = _collection(set_file)
    for line in follow(kept):
        typer.echo(line, err=True)
    groups = [text.split(",") for text in beside or []]
    names = list(dict.fromkeys([*(clip or []), *(name for group in groups for name in group)]))
    for name in names:
        if not kept.get(name).cleared(_today()):
            raise ConfigError(f"{name}: not cleared for teaching today; leave it out")
    _refuse_unseen([kept.get(name) for name in names], as_recorded)
    takes = {}
    for name in names:
        folder, copy = have_copy(kept.copies, kept.get(name))
        takes[name] = Take(name, folder, copy, kept.get(name).reference)
    start_application()
    together = [
        Beside(tuple(takes[n] for n in group), "apex" if step == "apex" else "release") for group in groups
    ]
    parts = script(title, [takes[n] for n in clip or []], together)
    with Progress(transient=True) as bar:
        task = bar.add_task(out.name, total=None)

        def go_on(done: int, of: int) -> bool:
            bar.update(task, completed=done, total=of)
            return True

        write_reel(out, parts, Size(height * 16 // 9, height), go_on)
    if handout is not None:
        write_handout(handout, title, list(takes.values()), _today())
    for line in note_export([kept.get(n) for n in names], out.name, by, why):
        typer.echo(line, err=True)
    typer.echo(out)


def lesson(
    folder: Annotated[Path, typer.Argument(help="Made by railcrest studio parallax.", exists=True)],
    out: Annotated[Path, typer.Argument(help="The film to write, such as parallax.mp4.", dir_okay=False)],
    height: Annotated[int, typer.Option(help="Rows of the picture: 360, 720 or 1080.")] = 720,
    handout: Annotated[Path | None, typer.Option(help="A PDF to take home, too.", dir_okay=False)] = None,
) -> None:
    """Cut the parallax lesson: one flight from several places, and where a line really belongs."""
    from rich.progress import Progress

    from bridge.lesson import read_lesson
    from overlay.app import start_application
    from overlay.clinic.lesson import lesson_script, write_lesson_handout
    from overlay.clinic.reel import write_reel
    from overlay.clinic.stills import Size

    if height not in (360, 720, 1080):
        raise typer.BadParameter("choose 360, 720 or 1080", param_hint="--height")
    read = read_lesson(folder)
    start_application()
    with Progress(transient=True) as bar:
        task = bar.add_task(out.name, total=None)

        def go_on(done: int, of: int) -> bool:
            bar.update(task, completed=done, total=of)
            return True

        write_reel(out, lesson_script(folder, read), Size(height * 16 // 9, height), go_on)
    typer.echo(out)
    if handout is not None:
        write_lesson_handout(handout, folder, read, _today())
        typer.echo(handout)


def pack(
    out: Annotated[Path, typer.Argument(help="The parcel to write, such as lesson.zip.", dir_okay=False)],
    clip: Annotated[
        list[str] | None, typer.Option(help="An example; again for more. All cleared ones if none.")
    ] = None,
    by: Annotated[str, typer.Option(help="Who packs it, by role; noted in the sessions.")] = "teacher",
    why: Annotated[str, typer.Option(help="For whom and what; noted in the sessions.")] = "",
    set_file: Set = None,
) -> None:
    """Pack examples for another teacher: copies and rules on use, without start numbers."""
    from overlay.clinic import parcel
    from overlay.clinic.collecting import follow, note_export

    kept = _collection(set_file)
    for line in follow(kept):
        typer.echo(line, err=True)
    chosen = [kept.get(c) for c in clip] if clip else kept.find(cleared=True)
    count = parcel.pack(out, kept, chosen, _today())
    for line in note_export(chosen, out.name, by, why):
        typer.echo(line, err=True)
    typer.echo(f"{out}: {count} examples")


def unpack(
    parcel_file: Annotated[Path, typer.Argument(help="The parcel.", exists=True, dir_okay=False)],
    set_file: Set = None,
) -> None:
    """Take a parcel's examples into an example set."""
    from overlay.clinic import parcel

    for name in parcel.unpack(parcel_file, _collection(set_file), _today()):
        typer.echo(name)


def _state(file: Path) -> State:
    from bridge.journal import Journal
    from overlay.clinic.practice import replay

    with closing(Journal(file)) as journal:
        return replay(journal)


def _session(file: Path) -> compared.Session:
    from overlay.clinic.compare import Session

    state = _state(file)
    return Session(state.plan.title, tuple(state.items()), tuple(state.locked_marks()))


def _today() -> date:
    return datetime.now(UTC).astimezone().date()


def _refuse_unseen(examples: list[Example], as_recorded: bool) -> None:
    """Nothing is shown that nobody has looked over, unless the teacher says so."""
    unseen = [e.id for e in examples if e.hidden is None]
    if unseen and not as_recorded:
        raise ConfigError(
            f"{unseen[0]}: nobody looked it over for numbers, names and scores; run railcrest clinic hide, "
            "or give --as-recorded"
        )


def _reference(mark: float, why: str, by: str, slow_motion: bool, changed: str = "") -> Reference:
    from overlay.clinic.examples import Reference
    from overlay.clinic.steps import hundredths

    return Reference(
        mark=hundredths(mark), reason=why, by=by, on=_today(), slow_motion=slow_motion, why_changed=changed
    )


def _collection(set_file: Path | None) -> Collection:
    from overlay.clinic.examples import Collection

    return Collection(set_file or data_dir() / "examples.json")

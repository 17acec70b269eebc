"""The commands of the arena side: ``capture``, ``measure`` and ``demo``."""

from __future__ import annotations

import json
import signal
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from bridge.errors import ConfigError, FeedError

if TYPE_CHECKING:
    from bridge.messages import Routine
    from capture.bands import BandTable
    from capture.feeds import FeedInfo
    from capture.rig import Rig

RigFile = Annotated[Path, typer.Option("--rig", help="Rig file: where the rails stand in the picture.")]
TableFile = Annotated[
    Path | None,
    typer.Option("--table", help="Band table, a file or a shipped one by name; left out: common_practice."),
]
ModelFile = Annotated[
    Path | None,
    typer.Option("--model", help="A pose model of ultralytics (COCO-17) in place of the shipped networks."),
]


def register(app: typer.Typer) -> None:
    """Add the arena side's commands to the command line."""
    app.command("capture")(capture)
    app.command("measure")(measure)
    app.command("demo")(demo)


def capture(
    feed: Annotated[str, typer.Option("--feed", help="camera:0, rtsp://..., http://..., a pipe or a file.")],
    rig: RigFile,
    session: Annotated[
        Path | None,
        typer.Option("--session", help="Session folder; left out: a new one among your sessions."),
    ] = None,
    title: Annotated[str, typer.Option("--title", help="What the session is called.")] = "Session",
    table: TableFile = None,
    model: ModelFile = None,
    policy: Annotated[
        str, typer.Option("--policy", help="Most that viewers may show: picture, line, height or band.")
    ] = "band",
    port: Annotated[
        int | None, typer.Option("--port", help="First of three ports; 0: any that are free.")
    ] = None,
    listen: Annotated[
        str | None,
        typer.Option(
            "--listen",
            metavar="ADDRESS",
            help="Address of this machine for viewers on others; needs railcrest keys.",
        ),
    ] = None,
    restarts: Annotated[
        int,
        typer.Option(
            "--restarts", min=0, help="How often to start again, into the same session, when capture dies."
        ),
    ] = 0,
    fast: Annotated[
        bool,
        typer.Option("--fast", help="Read a file as fast as it can be measured, not paced like a camera."),
    ] = False,
    stay: Annotated[
        bool, typer.Option("--stay", help="Go on answering viewers after the feed has ended.")
    ] = False,
    training: Annotated[bool, typer.Option("--training", help="A training session, not a meet.")] = False,
    start_list: Annotated[
        Path | None,
        typer.Option("--start-list", help="CSV file, loaded before the first picture.", dir_okay=False),
    ] = None,
) -> None:
    """Record and measure a feed at the arena, and publish what is measured."""
    from importlib.metadata import version

    from bridge.bus import DEFAULT_PORT, LOOPBACK, Addresses
    from bridge.care import delete_overdue
    from bridge.messages import Scene
    from bridge.running_order import load_request
    from bridge.session import (
        clock_after,
        new_manifest,
        new_session_folder,
        refuse_in_use,
        sessions_root,
    )
    from bridge.start_list import read_start_list
    from capture.camera import facts, view_of
    from capture.pipeline import open_pipeline
    from capture.returning import open_returning
    from capture.station import Station
    from capture.survey_still import find_still

    if policy not in ("picture", "line", "height", "band"):
        raise typer.BadParameter("choose picture, line, height or band", param_hint="--policy")
    for text in delete_overdue(sessions_root()):
        typer.echo(text, err=True)
    folder = session or new_session_folder(title, sessions_root())
    if restarts:
        raise typer.Exit(_kept_alive(folder, restarts))
    refuse_in_use(folder)  # before the networks are loaded, which takes a while
    clock = clock_after(folder)
    source = open_returning(feed, clock, live=not fast)
    fitted, bands = _rig_for(rig, source.info), _table(table)
    view = view_of(fitted)
    still = find_still(fitted, folder)
    pipeline = open_pipeline(view, bands, model, still.image if still else None)
    scene = Scene(
        title=title,
        picture=source.info.size,
        lines=view.lines(),
        table=bands.title,
        policy=policy,  # type: ignore[arg-type]
        place=view.words(),
        expected_u_m=view.expected_u_m(),
        training=training,
    )
    manifest = new_manifest(
        title,
        rig_toml=rig.read_text(),
        created_ns=clock.now_ns(),
        software=f"railcrest {version('railcrest')}",
        camera=facts(view),
        table=bands.title,
        models=pipeline.models,
        feed={"name": source.info.name, "nominal_fps": source.info.nominal_fps},
        training=training,
        policy=policy,
    )
    stop, told = _stop_on_signals()
    addresses = Addresses.from_port(DEFAULT_PORT if port is None else port, listen or LOOPBACK[0])
    station = Station(
        source, pipeline, scene, folder, manifest, addresses, clock,
        live=not fast, stay=stay, still=still.data if still else None,
        start_list=load_request(read_start_list(start_list)) if start_list else None,
    )  # fmt: skip
    flights = station.run(stop, lambda _: typer.echo(f"recording into {folder}", err=True))
    typer.echo(f"{flights} flights read; session {folder}", err=True)
    if source.problem and not told.is_set():
        raise FeedError(source.problem)


def measure(
    video: Annotated[Path, typer.Argument(help="A video file, or a session folder.")],
    rig: RigFile,
    table: TableFile = None,
    model: ModelFile = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object a line and a flight.")] = False,
) -> None:
    """Measure the flights of a recording."""
    from rich.console import Console
    from rich.progress import MofNCompleteColumn, Progress, TimeRemainingColumn

    from capture.camera import view_of
    from capture.feeds import recorded_feeds
    from capture.offline import as_row, measured_again
    from capture.pipeline import open_pipeline
    from capture.survey_still import find_still

    feeds = recorded_feeds(video)
    fitted = _rig_for(rig, feeds[0].info)
    view = view_of(fitted)
    still = find_still(fitted, video)
    pipeline = open_pipeline(view, _table(table), model, still.image if still else None)
    rows: list[dict[str, Any]] = []
    columns = (*Progress.get_default_columns()[:2], MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("measuring", total=sum(feed.info.frames or 0 for feed in feeds))
        for reading in measured_again(feeds, pipeline, lambda: progress.advance(task), _routines_of(video)):
            rows.append(as_row(reading, feeds[0].begin_ns))
            if as_json:
                print(json.dumps(rows[-1]), flush=True)
    if not as_json:
        _print_table(rows)
    for feed in feeds:
        if feed.problem:
            raise FeedError(feed.problem)


def demo(
    headless: Annotated[
        bool, typer.Option("--headless", help="No window: print the readings, fail when a flight is missing.")
    ] = False,
    fast: Annotated[
        bool, typer.Option("--fast", help="As fast as it can be measured, not paced like a camera.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="With --headless: readings as JSON lines.")] = False,
) -> None:
    """Play the demo session: capture and viewer together, as on the day."""
    from capture.demo import play, play_headless

    if headless:
        play_headless(fast=fast, as_json=as_json)
    else:
        raise typer.Exit(play(fast=fast))


def _rig_for(path: Path, feed: FeedInfo) -> Rig:
    """The rig, which must be for pictures of the feed's size."""
    from capture.rig import load_rig

    rig = load_rig(path)
    if tuple(rig.picture) != feed.size:
        raise ConfigError(
            f"{path}: is for pictures of {rig.picture[0]}x{rig.picture[1]}, but {feed.name} gives "
            f"{feed.size[0]}x{feed.size[1]}; survey the rig in this feed"
        )
    return rig


def _routines_of(video: Path) -> tuple[Routine, ...]:
    """The routines that a session's journal holds; none of a video file."""
    from bridge.journal import FILE
    from bridge.session import Session

    if not (video / FILE).is_file():
        return ()
    with Session.open(video).journal() as journal:
        return journal.routines()


def _table(path: Path | None) -> BandTable:
    from capture.bands import common_practice, load_bands

    return load_bands(path) if path else common_practice()


def _kept_alive(folder: Path, restarts: int) -> int:
    """Run this same command under a supervisor, into one session however often it is started again."""
    from bridge.launch import Supervisor, railcrest

    # Of an option that is given twice the last counts.
    again = (*sys.argv[1:], "--restarts", "0", "--session", str(folder))
    return Supervisor([railcrest("capture", *again, restarts=restarts)]).run()


def _stop_on_signals() -> tuple[threading.Event, threading.Event]:
    """Two events that SIGINT and SIGTERM set, so that a recording always ends whole.

    Capture also sets the first when it ends by itself; the second tells that somebody asked.
    """
    stop, told = threading.Event(), threading.Event()

    def handle(*_: object) -> None:
        told.set()
        stop.set()

    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, handle)
    return stop, told


def _print_table(rows: list[dict[str, Any]]) -> None:
    from rich.console import Console
    from rich.table import Table

    # Into a file or a pipe a line a flight is kept whole.
    console = Console(file=sys.stdout, width=None if sys.stdout.isatty() else 150)
    if not rows:
        console.print("no flight was found")
        return
    table = Table(
        "flight", "family", "release s", "apex s", "end s", "ends in", "hips cm", "band", "g m/s2", "state"
    )
    for row in rows:
        height = "" if row["apex_cm"] is None else f"{row['apex_cm']:+.0f} ± {2 * row['apex_u_cm']:.0f}"
        band = "" if row["band"] is None else f"{row['band']} ({row['band_p']:.0%})"
        gravity = (
            "" if row["gravity_ms2"] is None else f"{row['gravity_ms2']:.2f} ± {2 * row['gravity_u']:.2f}"
        )
        state = row["state"] + (f": {row['reason']}" if row["reason"] else "")
        times = (f"{row[name]:.2f}" for name in ("release_s", "apex_s", "end_s"))
        table.add_row(
            row["flight"], row["family"] or "", *times, row["end_kind"], height, band, gravity, state
        )
    console.print(table)
    console.print("± is twice the standard uncertainty. Display aid only: the panel decides.")

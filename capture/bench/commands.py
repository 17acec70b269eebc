"""The ``railcrest bench`` commands; each imports what it needs only when it runs."""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any

import typer

bench = typer.Typer(help="Measure what Railcrest promises, on this machine.", no_args_is_help=True)


def register(app: typer.Typer) -> None:
    """Add the bench to the command line."""
    app.add_typer(bench, name="bench")


@bench.command("accuracy")
def bench_accuracy(
    scenes: Annotated[int, typer.Option("--scenes", min=1, help="How many flights to film.")] = 100,
    seed: Annotated[int, typer.Option("--seed", min=0, help="The same seed films the same again.")] = 1,
    keep: Annotated[Path | None, typer.Option("--keep", help="Folder for the films.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object.")] = False,
) -> None:
    """Film rehearsal flights from random places and hold what is read against the truth."""
    from rich.console import Console
    from rich.progress import Progress
    from rich.table import Table

    from capture.bench.accuracy import groups_of, rehearse
    from capture.bench.machine import machine

    with Progress(console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("bench", total=1.0)
        trials = list(
            rehearse(
                scenes,
                seed,
                lambda what, share: progress.update(task, description=what, completed=share),
                keep,
            )
        )
    groups = groups_of(trials)
    if as_json:
        print(json.dumps({**machine(), "groups": groups}))
        return
    console = Console(file=sys.stdout)
    table = Table(*groups[0])
    for group in groups:
        table.add_row(*("-" if value is None else str(value) for value in group.values()))
    console.print(table)
    console.print(", ".join(f"{name} {what}" for name, what in machine().items()))


@bench.command("real")
def bench_real(
    data: Annotated[
        Path, typer.Option("--data", help="Folder with photographs and labels of 14 joints (YOLO-pose).")
    ],
    held_out: Annotated[
        bool, typer.Option("--held-out", help="Only the photographs that no training sees.")
    ] = False,
    relabelled: Annotated[
        Path | None,
        typer.Option("--relabelled", help="CSV of mid-hips and mid-shoulders placed by eye."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object.")] = False,
) -> None:
    """Hold both networks against labelled photographs, one orientation of the body after another."""
    import os

    from rich.console import Console
    from rich.progress import Progress

    from capture.bench.machine import machine
    from capture.bench.photographs import look, photographs, read_by_eye, report
    from capture.finder import Finder
    from capture.joints import JointNetwork
    from capture.studio.train_data import kept_out

    eyes = read_by_eye(relabelled) if relabelled else {}
    joints, finder = JointNetwork(threads=os.cpu_count() or 1), Finder()
    looks = []
    with Progress(console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("photographs", total=None)
        for photo in photographs(data, kept_out if held_out else lambda name: True):
            looks.append(look(photo, joints, finder, eyes.get(photo.name)))
            progress.advance(task)
            progress.update(task, description=f"{len(looks)} photographs")
    rows = report(looks)
    if as_json:
        print(json.dumps({**machine(), **rows}))
        return
    _print_table({"all": rows, **rows["orientation"]})
    if placed := rows.get("by_eye"):
        of = {name: some for name, some in placed.items() if name != "orientation"}
        _print_table({name.replace("_", " "): some for name, some in of.items()})
    print("upright, hanging, inverted: told from the labelled joints; airborne: likely so, a cut across them")
    print(", ".join(f"{name} {what}" for name, what in machine().items()))


@bench.command("joints")
def bench_joints(
    count: Annotated[int, typer.Option("--count", min=4, help="How many studio pictures to look at.")] = 480,
    seed: Annotated[int, typer.Option("--seed", min=0, max=999_999, help="No training renders these.")] = 1,
    seconds: Annotated[
        float, typer.Option("--seconds", min=0.1, help="Length of each film that is followed for the cost.")
    ] = 3.0,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object.")] = False,
) -> None:
    """Hold the joint network against studio pictures that no training saw, and time it on one core."""
    from rich.console import Console
    from rich.progress import Progress

    from capture.bench.cost import cost
    from capture.bench.machine import machine
    from capture.bench.networks import studio_report
    from capture.bench.stills import cache_folder, films, look, stills
    from capture.joints import JointNetwork

    with Progress(console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("bench", total=1.0)

        def tell(what: str, share: float) -> None:
            progress.update(task, description=what, completed=share)

        folder = cache_folder()
        some = stills(count, seed, folder, tell)
        followed = films(seconds, seed, folder, tell)
        tell("looking", 0.0)
        network = JointNetwork()
        rows = studio_report([look(still, network) for still in some])
        tell("timing on one core", 0.5)
        costs = cost(followed, some)
    if as_json:
        print(json.dumps({**machine(), **rows, "cost": costs}))
        return
    _print_table({"all": rows, **rows["orientation"]})
    _print_table({"films followed, one core": costs["follow"]})
    _print_table({"one core": costs})
    _print_table({"precision, one core": costs["precision"]})
    print(", ".join(f"{name} {what}" for name, what in machine().items()))


@bench.command("faults")
def bench_faults(
    rounds: Annotated[int, typer.Option("--rounds", min=1, help="How often each fault is done.")] = 3,
    seed: Annotated[int, typer.Option("--seed", min=0, help="Draws the moments of the faults.")] = 1,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object.")] = False,
) -> None:
    """Kill, cut off, fill up and damage real recordings, and look at what is left."""
    from dataclasses import asdict

    from rich.console import Console
    from rich.progress import Progress
    from rich.table import Table

    from bridge.errors import CheckError
    from capture.bench.faults import trials
    from capture.bench.machine import machine

    with Progress(console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("faults", total=None)
        outcomes = list(trials(rounds, seed, lambda what: progress.update(task, description=what)))
    if as_json:
        print(json.dumps({**machine(), "faults": [{**asdict(o), "survived": o.survived} for o in outcomes]}))
    else:
        table = Table(
            "fault", "rounds", "lost s", "behind s", "rows lost", "plays", "whole", "survived", "said"
        )
        for o in outcomes:
            seconds = ("-" if s is None else f"{s:.2f}" for s in (o.lost_s, o.behind_s))
            words = ("yes" if flag else "no" for flag in (o.plays, o.whole, o.survived))
            table.add_row(o.fault, str(o.rounds), *seconds, str(o.rows_lost), *words, o.said)
        # Into a file or a pipe what was said is kept on few lines.
        Console(file=sys.stdout, width=None if sys.stdout.isatty() else 150).print(table)
        print("lost: of what was recorded; behind: how far recording was behind the camera at the fault")
        print(", ".join(f"{name} {what}" for name, what in machine().items()))
    if failed := [o.fault for o in outcomes if not o.survived]:
        raise CheckError(f"not survived: {', '.join(failed)}")


def _print_table(columns: Mapping[str, Mapping[str, Any]]) -> None:
    """Print figures by name, one column of them after another; what is no figure is left out."""
    from rich.console import Console
    from rich.table import Table

    table = Table("", *columns)
    for name, value in next(iter(columns.values())).items():
        if not isinstance(value, Mapping):
            table.add_row(name, *("-" if c[name] is None else str(c[name]) for c in columns.values()))
    Console(file=sys.stdout).print(table)


@bench.command("speed")
def bench_speed(
    seconds: Annotated[float, typer.Option("--seconds", min=2, help="Length of each run.")] = 20.0,
    growth: Annotated[
        bool, typer.Option("--growth/--no-growth", help="Also other sizes, rates and numbers of viewers.")
    ] = True,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object.")] = False,
) -> None:
    """Time live measuring against the plain library route, and what a viewer waits for."""
    from rich.console import Console
    from rich.progress import Progress

    from capture.bench.machine import machine
    from capture.bench.speed import speed
    from capture.demo import demo_files

    files = demo_files()
    with Progress(console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("bench", total=1.0)
        found = speed(
            files.folder,
            files.rig,
            seconds,
            lambda what, share: progress.update(task, description=what, completed=share),
            growth=growth,
        )
    if as_json:
        print(json.dumps({**machine(), **found}))
        return
    print(
        f"ours {found['fps_ours']} pictures a second, plain library route {found['fps_plain']}: "
        f"{found['ratio']} x; that route's weights are random, so its hip error cannot be given"
    )
    _print_table({
        name: {
            key: " / ".join(map(str, value.values())) if isinstance(value, Mapping) else value
            for key, value in row.items()
        }
        for name, row in found["live"].items()
    })  # fmt: skip
    print("latency_ms: from capture to a viewer, p50 / p95 / p99")
    print(", ".join(f"{name} {what}" for name, what in machine().items()))


@bench.command("soak")
def bench_soak(
    minutes: Annotated[float, typer.Option("--minutes", min=0.1, help="How long to run.")] = 20.0,
    fast: Annotated[
        bool, typer.Option("--fast", help="As fast as it can be measured: more routines in the same time.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object.")] = False,
) -> None:
    """Run live for long on a feed that loops, and see what grows or is lost."""
    from rich.console import Console
    from rich.progress import Progress

    from capture.bench.machine import machine
    from capture.bench.soak import soak
    from capture.demo import demo_files
    from capture.studio import truth

    files = demo_files()
    with Progress(console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("soak", total=1.0)
        found = soak(
            files.folder,
            files.rig,
            truth.read(files.truth).flights,
            minutes,
            lambda what, share: progress.update(task, description=what, completed=share),
            fast=fast,
        )
    if as_json:
        print(json.dumps({**machine(), **found}))
        return
    _print_table({"soak": found})
    print(", ".join(f"{name} {what}" for name, what in machine().items()))

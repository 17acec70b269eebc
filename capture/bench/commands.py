"""The ``railcrest bench`` commands; each imports what it needs only when it runs."""

from __future__ import annotations

import json
import sys
from typing import Annotated

import typer

bench = typer.Typer(help="Measure what Railcrest promises, on this machine.", no_args_is_help=True)


def register(app: typer.Typer) -> None:
    """Add the bench to the command line."""
    app.add_typer(bench, name="bench")


@bench.command("accuracy")
def bench_accuracy(
    clips: Annotated[
        int, typer.Option("--clips", min=1, help="How many routines to film; minutes each.")
    ] = 4,
    seed: Annotated[int, typer.Option("--seed", min=0, help="The same seed films the same again.")] = 1,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object.")] = False,
) -> None:
    """Film rehearsal flights from random places and hold what is read against the truth."""
    from rich.console import Console
    from rich.progress import Progress
    from rich.table import Table

    from capture.bench.accuracy import rehearse, table_of
    from capture.bench.machine import machine

    with Progress(console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("bench", total=1.0)
        trials = list(
            rehearse(
                clips, seed, lambda what, share: progress.update(task, description=what, completed=share)
            )
        )
    rows = table_of(trials)
    if as_json:
        print(json.dumps({**machine(), "accuracy": rows}))
        return
    console = Console(file=sys.stdout)
    table = Table("", *rows)
    for figure in rows["all"]:
        table.add_row(figure, *(str(row[figure]) for row in rows.values()))
    console.print(table)
    console.print(", ".join(f"{name} {what}" for name, what in machine().items()))

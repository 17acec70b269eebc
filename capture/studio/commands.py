"""The ``railcrest studio`` commands: the rehearsal arena."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

studio = typer.Typer(
    help="Rehearsal arena: invented routines on film with their truth, and training pictures.",
    no_args_is_help=True,
)

Out = Annotated[Path, typer.Option("--out", help="Folder to write to.")]
Seed = Annotated[int, typer.Option("--seed", min=0, help="The same seed makes the same again.")]


def register(app: typer.Typer) -> None:
    """Add the studio's commands to the command line."""
    app.add_typer(studio, name="studio")


@studio.command("shapes")
def make_shapes(
    out: Annotated[Path, typer.Option("--out", help="File to write (.npz).")],
    gymnasts: Annotated[int, typer.Option("--gymnasts", min=1)] = 7,
    others: Annotated[int, typer.Option("--others", min=1)] = 5,
    seed: Seed = 1,
) -> None:
    """Make body shapes from the parametric body model."""
    from capture.studio import body

    body.save_shapes(out, body.make_shapes(gymnasts, others, seed))
    typer.echo(f"{gymnasts + others} body shapes in {out}")


@studio.command("pictures")
def make_pictures(
    out: Out,
    count: Annotated[int, typer.Option("--count", min=1, help="How many pictures.")] = 1000,
    seed: Seed = 0,
    size: Annotated[int, typer.Option("--size", min=64, help="Side of a crop, pixels.")] = 288,
    whole: Annotated[bool, typer.Option("--whole", help="Whole frames with boxes instead of crops.")] = False,
    shapes: Annotated[Path | None, typer.Option("--shapes", help="Body shapes file.")] = None,
    backgrounds: Annotated[
        Path | None, typer.Option("--backgrounds", help="Folder of background pictures.")
    ] = None,
) -> None:
    """Make training pictures with exact joints (crops) or boxes (whole frames)."""
    from rich.progress import track

    from capture.studio import pictures

    given = pictures.read_backgrounds(backgrounds) if backgrounds else []
    if whole:
        frames = pictures.whole_frames(count, seed, shapes_path=shapes, backgrounds=given)
        total = pictures.write_frames(out, iter(track(frames, "frames", total=count)))
    else:
        crops = pictures.pictures(count, seed, size, shapes, given)
        total = pictures.write_crops(out, iter(track(crops, "crops", total=count)))
    typer.echo(f"{total} pictures in {out}")


@studio.command("film")
def make_film(
    out: Out,
    scene: Annotated[
        Path | None, typer.Argument(help="Scene file (TOML); the options below are for films without one.")
    ] = None,
    seed: Annotated[int | None, typer.Option("--seed", min=0, help="In place of the scene's own.")] = None,
    gymnast: Annotated[int, typer.Option("--gymnast", min=1, help="Which of the body shapes performs.")] = 1,
    distance_m: Annotated[
        float, typer.Option("--distance", min=3, help="Camera from the high rail's middle, m.")
    ] = 10.0,
    height_m: Annotated[float, typer.Option("--height", min=0.2, help="Camera above the floor, m.")] = 1.6,
    off_deg: Annotated[
        float, typer.Option("--off", min=-60, max=60, help="Camera off the rails' direction, degrees.")
    ] = 10.0,
    exposure_s: Annotated[
        float, typer.Option("--exposure", min=0, max=1 / 60, help="Exposure of a frame, s.")
    ] = 1 / 500,
    shapes: Annotated[Path | None, typer.Option("--shapes", help="Body shapes file.")] = None,
) -> None:
    """Film a scene, or the demo routine: clips, each with its rig file and what is true in it."""
    if scene is not None:
        _film_scene(scene, out, seed, shapes)
        return
    import math

    from rich.progress import Progress

    from capture.studio import body, film, routine, truth

    people = body.shapes(shapes)
    gymnasts = [p for p in people if p.name.startswith("gymnast")]
    others = [p for p in people if not p.name.startswith("gymnast")]
    if gymnast > len(gymnasts):
        raise typer.BadParameter(f"there are {len(gymnasts)} gymnasts", param_hint="--gymnast")
    performer = gymnasts[gymnast - 1]
    with Progress(transient=True) as progress:
        thinking = progress.add_task("routine", total=None)
        performance = routine.demo_routine(performer.skeleton, routine.Rig())
        progress.remove_task(thinking)
        sizes = film.sizes_of(performance.rig)
        # As far off as asked for, and the same picture of the rails.
        camera = film.side_on(sizes, distance_m, height_m, math.radians(off_deg), focal_px=195.0 * distance_m)
        task = progress.add_task("film", total=1.0)
        made = film.film(
            film.Shot(camera, sizes, exposure_s=exposure_s, seed=seed or 0),
            performance.motion,
            performer,
            others,
            out,
            progress=lambda share: progress.update(task, completed=share),
        )
    # The mesh turns about the labelled joints, so the labelled mid-hip is the figure's own.
    truth.write(truth.tell(performance), out / f"{made.path.stem}.truth.json")
    typer.echo(f"{made.path} ({len(made.t_s)} frames), {made.rig.name}, {made.path.stem}.truth.json")


def _film_scene(path: Path, out: Path, seed: int | None, shapes: Path | None) -> None:
    import msgspec
    from rich.progress import Progress

    from capture.studio import scene as scenes
    from capture.studio import stage

    scene = scenes.load(path)
    if seed is not None:
        scene = msgspec.structs.replace(scene, seed=seed)
    with Progress(transient=True) as progress:
        task = progress.add_task("film", total=1.0)
        clips = stage.film_scene(
            scene,
            out,
            progress=lambda what, share: progress.update(task, description=what, completed=share),
            shapes_path=shapes,
        )
    for clip in clips:
        typer.echo(f"{clip.path} ({len(clip.t_s)} frames), {clip.rig.name}, {clip.truth.name}")


@studio.command("parallax")
def make_parallax(
    out: Out,
    place: Annotated[
        list[str] | None,
        typer.Option(help="A camera's height,distance in m, perhaps ,degrees off; again for more."),
    ] = None,
    rows: Annotated[int, typer.Option(min=360, max=1080, help="Height of the picture, px.")] = 540,
    seed: Seed = 7,
) -> None:
    """Film one flight from several places, with the lines through mid-bar and through its ends."""
    from rich.progress import Progress

    from capture.studio import parallax

    places = parallax.places_of(place) if place else parallax.PLACES
    with Progress(transient=True) as progress:
        task = progress.add_task("film", total=1.0)
        lesson = parallax.film_lesson(
            out,
            places,
            rows,
            seed=seed,
            progress=lambda what, share: progress.update(task, description=what, completed=share),
        )
    for sight in lesson.sights:
        where = f"{sight.height_m:g} m high, {sight.distance_m:g} m away"
        off = f"{100 * sight.near_off_m:+.0f} cm"
        typer.echo(f"{sight.film}: {where}: a line through the near end stands {off} off")

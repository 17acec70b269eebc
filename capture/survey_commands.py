"""The survey's commands: ``survey FEED``, and ``survey lens`` for a lens profile."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperGroup

from bridge.errors import ConfigError

if TYPE_CHECKING:
    from capture.feeds import Image
    from capture.rig import Sizes, SurveyPoint

PICTURES = {".png", ".jpg", ".jpeg", ".bmp", ".tif", ".tiff"}


class _FeedFirst(TyperGroup):
    """``survey FEED`` is ``survey bars FEED``: whoever sets up a camera types the feed's name only."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        if args and args[0] not in self.commands and args[0] not in ctx.help_option_names:
            args = ["bars", *args]
        return super().parse_args(ctx, args)


def register(app: typer.Typer) -> None:
    """Add ``survey`` to the command line."""
    group = typer.Typer(
        cls=_FeedFirst,
        help="Find the bars in a feed's picture and write a rig file (survey FEED), or make a lens profile.",
        no_args_is_help=True,
    )
    group.command("bars")(bars)
    group.command("lens")(lens)
    group.command("board")(board)
    app.add_typer(group, name="survey")


def bars(
    feed: Annotated[str, typer.Argument(help="camera:0, rtsp://..., srt://..., a video file or a picture.")],
    out: Annotated[Path, typer.Option("--out", help="Rig file to write.")],
    preset: Annotated[
        str, typer.Option("--preset", help="Sizes of the bars: senior, youth, club, ...")
    ] = "senior",
    sizes: Annotated[
        list[str] | None,
        typer.Option("--size", help="A size of your own bars, for example high_bar_m=2.46; may be repeated."),
    ] = None,
    low_bar: Annotated[
        str | None, typer.Option("--low-bar", help="Where the low bar is in the picture: left or right.")
    ] = None,
    points: Annotated[
        Path | None,
        typer.Option("--points", help="Points set by hand: one a line, a name and two pixel coordinates."),
    ] = None,
    lens_file: Annotated[Path | None, typer.Option("--lens", help="Lens profile of this camera.")] = None,
    seconds: Annotated[float, typer.Option("--seconds", min=0.1, help="How long to watch the feed.")] = 2.0,
    preview: Annotated[Path | None, typer.Option("--preview", help="PNG with everything drawn.")] = None,
    screen: Annotated[
        bool, typer.Option("--screen", help="Show it on a screen, to look at and to set right by hand.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the survey as JSON.")] = False,
) -> None:
    """Find the bars in a feed's picture and write a rig file for capture."""
    import cv2

    from capture.lens import check_lens, load_lens
    from capture.picture_check import still_picture
    from capture.survey import rig_file, survey
    from capture.survey_draw import draw_survey, summary
    from capture.survey_still import still_beside, write_still

    if low_bar not in (None, "left", "right"):
        raise typer.BadParameter("choose left or right", param_hint="--low-bar")
    base, chosen = _sizes(preset, sizes or [])
    pictures, times = _pictures(feed, seconds)
    profile = load_lens(lens_file) if lens_file else None
    if profile is not None:
        size = (pictures[0].shape[1], pictures[0].shape[0])
        check_lens(profile, size, str(lens_file), "lens")
    if screen:
        from capture.survey_desk import SurveyDesk
        from capture.survey_service import show_screen

        desk = SurveyDesk(pictures, times, preset, chosen, low_bar, profile)  # type: ignore[arg-type]
        show_screen(desk, out)
        typer.echo(f"rig file {out}")
        return
    by_hand = read_points(points) if points else ()
    found = survey(pictures, times, chosen, low_bar, profile, by_hand, source=str(points or feed))  # type: ignore[arg-type]
    if preview is not None:
        _, png = cv2.imencode(".png", draw_survey(still_picture(pictures), found))
        _write(preview, png.tobytes())
    if found.camera is not None:
        text = rig_file(found.rig, preset, base, still_beside(out).name)
        if not found.automatic and not by_hand:
            text = (
                "# A PROPOSAL: not every pole was seen well. Look at the preview and correct the points.\n"
                + text
            )
        _write(out, text.encode())
        write_still(still_beside(out), still_picture(pictures))
    if as_json:
        typer.echo(json.dumps(found.as_row() | {"rig": str(out) if found.camera is not None else None}))
    else:
        for line in summary(found):
            typer.echo(line)
    if found.camera is None:
        raise ConfigError(f"{feed}: {found.problem}")
    if not as_json:
        typer.echo(f"rig file {out}")


def lens(
    sources: Annotated[list[Path], typer.Argument(help="A video of the board, or pictures of it.")],
    out: Annotated[Path, typer.Option("--out", help="Lens file to write.")],
    columns: Annotated[int, typer.Option("--columns", help="Squares across the board.")] = 9,
    rows: Annotated[int, typer.Option("--rows", help="Squares down the board.")] = 6,
    most: Annotated[int, typer.Option("--most", help="Pictures of a video to use, at most.")] = 40,
    as_json: Annotated[bool, typer.Option("--json", help="Print the profile as JSON.")] = False,
) -> None:
    """Make a lens profile from a ChArUco board shown to the camera at many angles, all over the picture."""
    import msgspec

    from capture.lens import Board, lens_from_boards, lens_toml

    pictures: list[Image] = []
    for source in sources:
        pictures += [_picture(source)] if source.suffix.lower() in PICTURES else _spread(source, most)
    fit = lens_from_boards(pictures, Board(columns, rows))
    head = f"# From {fit.boards} boards with {fit.corners} corners; they agree to {fit.residual_px:.2f} px."
    head += "\nformat = 1\n\n"
    _write(out, (head + lens_toml(fit.lens)).encode())
    if as_json:
        row = msgspec.to_builtins(fit.lens) | {"boards": fit.boards, "residual_px": fit.residual_px}
        typer.echo(json.dumps(row | {"bend_px": fit.lens.bend_px()}))
        return
    typer.echo(f"{fit.boards} boards agree to {fit.residual_px:.2f} px: {fit.lens.words()}")
    typer.echo(f"lens file {out}")


def board(
    out: Annotated[Path, typer.Option("--out", help="PNG to write; print it flat and stiff.")],
    columns: Annotated[int, typer.Option("--columns", help="Squares across the board.")] = 9,
    rows: Annotated[int, typer.Option("--rows", help="Squares down the board.")] = 6,
) -> None:
    """Write the board to print for a lens profile."""
    import cv2

    from capture.lens import Board

    _, png = cv2.imencode(".png", Board(columns, rows).picture(160))
    _write(out, png.tobytes())
    typer.echo(f"board {out}: {columns} by {rows} squares; print it on stiff, flat board")


def read_points(path: Path) -> tuple[SurveyPoint, ...]:
    """Points set by hand: one a line, ``high.near 812.4 301.9``; ``#`` begins a remark.

    Raises:
        ConfigError: names the file and the line.
    """
    from capture.rig import POINT_NAMES, SurveyPoint
    from capture.toml_file import read_text

    found: list[SurveyPoint] = []
    for number, line in enumerate(read_text(path, "a file of points").splitlines(), start=1):
        words = re.split(r"[\s,;=]+", line.partition("#")[0].strip())
        if words == [""]:
            continue
        try:
            name, x, y = words
            point = SurveyPoint(name, (float(x), float(y)))
        except ValueError as error:
            raise ConfigError(
                f"{path}, line {number}: give a name and two numbers, as in high.near 812.4 301.9"
            ) from error
        if name not in POINT_NAMES:
            raise ConfigError(
                f"{path}, line {number}: {name!r} is no point; use one of {', '.join(POINT_NAMES)}"
            )
        found.append(point)
    return tuple(found)


def _sizes(preset: str, own: list[str]) -> tuple[Sizes, Sizes]:
    """(the preset's sizes, those with one's own)."""
    import msgspec

    from capture.rig import Sizes, check_sizes, presets

    known = presets()
    if preset not in known:
        raise typer.BadParameter(f"choose one of {', '.join(known)}", param_hint="--preset")
    changed: dict[str, float] = {}
    for item in own:
        key, _, value = item.partition("=")
        try:
            changed[key] = float(value)
        except ValueError:
            changed[key] = float("nan")
        if key not in Sizes.__struct_fields__ or changed[key] != changed[key]:
            raise typer.BadParameter(
                f"{item!r}: write name=metres, with one of {', '.join(Sizes.__struct_fields__)}",
                param_hint="--size",
            )
    sizes = msgspec.structs.replace(known[preset], **changed)
    check_sizes(sizes, "--size")
    return known[preset], sizes


def _pictures(feed: str, seconds: float) -> tuple[list[Image], list[int]]:
    from bridge.clock import SystemClock
    from capture.feeds import open_feed
    from capture.survey import watch_feed

    if Path(feed).suffix.lower() in PICTURES:
        return [_picture(Path(feed))], [0]
    return watch_feed(open_feed(feed, SystemClock(), live=False), seconds)


def _picture(path: Path) -> Image:
    import cv2
    import numpy as np

    from bridge.errors import FeedError

    try:
        found = cv2.imdecode(np.frombuffer(path.read_bytes(), np.uint8), cv2.IMREAD_COLOR)
    except (OSError, cv2.error) as error:
        raise FeedError(f"{path}: cannot be read ({error}); give a picture or a video") from error
    if found is None:
        raise FeedError(f"{path}: is no picture; give a PNG or JPEG file")
    return np.asarray(found, np.uint8)


def _spread(video: Path, most: int) -> list[Image]:
    """Pictures spread evenly over a video."""
    from bridge.clock import SystemClock
    from capture.feeds import open_feed

    source = open_feed(str(video), SystemClock(), live=False)
    every = max(1, (source.info.frames or most) // most)
    return [frame.image for frame in source if frame.index % every == every // 2][:most]


def _write(path: Path, data: bytes) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    except OSError as error:
        raise ConfigError(f"{path}: cannot be written ({error.strerror}); choose another place") from error

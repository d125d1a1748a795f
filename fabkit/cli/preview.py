"""``fabkit preview``."""

from __future__ import annotations

from pathlib import Path

import click

from fabkit.cli import options
from fabkit.preview.options import Finish, LegendColour, MaskColour, PreviewOptions, Surroundings


@click.command("preview")
@options.PACKAGE
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    required=True,
    metavar="FOLDER",
    help="Folder for front.png and back.png.",
)
@click.option(
    "--mask",
    type=click.Choice([c.value for c in MaskColour]),
    default="green",
    show_default=True,
    help="Colour of the solder mask.",
)
@click.option(
    "--legend",
    type=click.Choice([c.value for c in LegendColour]),
    default="auto",
    show_default=True,
    help="Colour of the legend.",
)
@click.option(
    "--finish",
    type=click.Choice([f.value for f in Finish]),
    default="tin",
    show_default=True,
    help="What bare copper is coated with.",
)
@options.THICKNESS
@click.option(
    "--scale",
    type=float,
    default=20.0,
    show_default=True,
    metavar="NUMBER",
    help="Pixels per mm.",
)
@click.option("--width", type=int, metavar="PIXELS", help="Width of a picture, instead of --scale.")
@click.option(
    "--surroundings",
    type=click.Choice([s.value for s in Surroundings]),
    default="transparent",
    show_default=True,
    help="What lies behind the board.",
)
@click.option("--through", is_flag=True, help="Draw the back as seen through the front.")
@click.option(
    "--format",
    "formats",
    type=click.Choice(["png", "svg", "pdf"]),
    multiple=True,
    default=["png"],
    help="Kind of picture; png without it.  Repeatable.",
)
@options.REPLACE
@options.AS_JSON
def command(
    package: Path,
    out: Path,
    mask: str,
    legend: str,
    finish: str,
    thickness_mm: float | None,
    scale: float,
    width: int | None,
    surroundings: str,
    through: bool,
    formats: tuple[str, ...],
    replace: bool,
    as_json: bool,
) -> None:
    """Draw the finished board, front and back.

    Copper under mask, bare copper in its finish, legend, holes cut through, trimmed to the
    profile.  The back is drawn as you see it after turning the board over sideways.

    \b
    Example:
      fabkit preview gerbers.zip --out pictures --mask black
    """
    from fabkit import api
    from fabkit.cli.reading import read_board
    from fabkit.outputs import terminal
    from fabkit.outputs.json import to_json

    chosen = PreviewOptions(
        mask=MaskColour(mask),
        legend=LegendColour(legend),
        finish=Finish(finish),
        thickness_mm=thickness_mm,
        px_per_mm=scale,
        width_px=width,
        surroundings=Surroundings(surroundings),
        through=through,
    )
    with terminal.progress() as tell:
        board = read_board(package, tell)
        tell("drawing")
        written = api.draw(board, out, options=chosen, formats=formats, replace=replace)
    paths = [path.as_posix() for path in written]
    click.echo(to_json({"files": paths}) if as_json else "\n".join(paths), nl=not as_json)

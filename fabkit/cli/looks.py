"""Options about how pictures look, shared by every command that draws."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from fabkit.cli import options
from fabkit.cli.words import nearest, words

if TYPE_CHECKING:
    from fabkit.pictures.options import PreviewOptions

OPEN = click.option("--open", "show", is_flag=True, help="Open the result when it is written.")

LOOKS = options.several(
    options.COLOUR,
    click.option(
        "--legend",
        type=words("auto", "white", "black", "yellow"),
        default="auto",
        show_default=True,
        help="Colour of the legend: auto, white, black or yellow.",
    ),
    options.FINISH,
    options.THICKNESS,
    click.option(
        "--scale",
        type=float,
        default=20.0,
        show_default=True,
        metavar="NUMBER",
        help="Pixels per mm.",
    ),
    click.option(
        "--width", type=int, metavar="PIXELS", help="Width of a picture, instead of --scale."
    ),
    click.option(
        "--surroundings",
        type=words("transparent", "light", "dark"),
        default="transparent",
        show_default=True,
        help="Behind the board: transparent, light or dark.",
    ),
    click.option("--through", is_flag=True, help="Draw the back as seen through the front."),
)
"""How the finished board looks."""


def read_looks(
    *,
    colour: str | None,
    legend: str,
    finish: str | None,
    thickness_mm: float | None,
    scale: float,
    width: int | None,
    surroundings: str,
    through: bool,
) -> PreviewOptions:
    """Picture options from what was given; colours that hide the legend are reported.

    Raises
    ------
    BadParameter
        No picture can show such a colour or finish.
    """
    from fabkit.pictures.options import (
        FINISH_WORDS,
        Finish,
        LegendColour,
        MaskColour,
        PreviewOptions,
        Surroundings,
    )

    mask = MaskColour.of(colour or "green")
    seen = Finish.of(finish or "hasl")
    if mask is None:
        known = [c.value for c in MaskColour]
        message = f"'{colour}' is none of {', '.join(known)}{nearest(colour or '', known)}"
        raise click.BadParameter(message, param_hint="--colour")
    if seen is None:
        known = list(FINISH_WORDS)
        message = f"'{finish}' is none of {', '.join(known)}{nearest(finish or '', known)}"
        raise click.BadParameter(message, param_hint="--finish")
    if legend == mask:
        click.echo(f"note: {legend} legend on {mask} mask can hardly be read", err=True)
    return PreviewOptions(
        mask=mask,
        legend=LegendColour(legend),
        finish=seen,
        thickness_mm=thickness_mm,
        px_per_mm=scale,
        width_px=width,
        surroundings=Surroundings(surroundings),
        through=through,
    )


def open_files(paths: list[Path]) -> None:
    """Open what was written; say so where that cannot be done."""
    from fabkit.outputs.drawings import open_file

    for path in paths:
        if not open_file(path):
            click.echo(f"{path} is written, but nothing here can show it", err=True)

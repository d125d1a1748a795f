"""Options about how pictures look, shared by every command that draws."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from fabkit.cli import options
from fabkit.preview.options import Finish, LegendColour, MaskColour, PreviewOptions, Surroundings

F = TypeVar("F", bound=Callable[..., Any])

OPEN = click.option("--open", "show", is_flag=True, help="Open the result when it is written.")

_LOOKS = (
    click.option(
        "--mask",
        type=click.Choice([c.value for c in MaskColour]),
        default="green",
        show_default=True,
        help="Colour of the solder mask.",
    ),
    click.option(
        "--legend",
        type=click.Choice([c.value for c in LegendColour]),
        default="auto",
        show_default=True,
        help="Colour of the legend.",
    ),
    click.option(
        "--finish",
        type=click.Choice([f.value for f in Finish]),
        default="tin",
        show_default=True,
        help="What bare copper is coated with.",
    ),
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
        type=click.Choice([s.value for s in Surroundings]),
        default="transparent",
        show_default=True,
        help="What lies behind the board; sheets are always light.",
    ),
    click.option("--through", is_flag=True, help="Draw the back as seen through the front."),
)


def looks(function: F) -> F:
    """Add the options that say how the finished board looks."""
    for option in reversed(_LOOKS):
        function = option(function)
    return function


def read_looks(
    *,
    mask: str,
    legend: str,
    finish: str,
    thickness_mm: float | None,
    scale: float,
    width: int | None,
    surroundings: str,
    through: bool,
) -> PreviewOptions:
    """Picture options from what was given; colours that hide the legend are told."""
    if legend == mask:
        click.echo(f"note: {legend} legend on {mask} mask can hardly be read", err=True)
    return PreviewOptions(
        mask=MaskColour(mask),
        legend=LegendColour(legend),
        finish=Finish(finish),
        thickness_mm=thickness_mm,
        px_per_mm=scale,
        width_px=width,
        surroundings=Surroundings(surroundings),
        through=through,
    )


def open_files(paths: list[Path]) -> None:
    """Open what was written; say so where that cannot be done."""
    from fabkit.outputs.showing import open_file

    for path in paths:
        if not open_file(path):
            click.echo(f"{path} is written, but nothing here can show it", err=True)

"""Options about how pictures look, shared by every command that draws."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fabkit.cli.bundles import option
from fabkit.cli.options import Choice, word
from fabkit.cli.words import nearest

if TYPE_CHECKING:
    from fabkit.pictures.options import PreviewOptions


@dataclass(frozen=True, kw_only=True)
class Looks(Choice):
    """How the finished board looks."""

    legend: str = word(
        "--legend",
        ("auto", "white", "black", "yellow"),
        "Colour of the legend: auto, white, black or yellow.",
    )
    scale: float = option(
        "--scale",
        type=float,
        default=20.0,
        show_default=True,
        metavar="NUMBER",
        help="Pixels per mm.",
    )
    width: int | None = option(
        "--width", type=int, metavar="PIXELS", help="Width of a picture, instead of --scale."
    )
    surroundings: str = word(
        "--surroundings",
        ("transparent", "light", "dark"),
        "Behind the board: transparent, light or dark.",
    )
    through: bool = option(
        "--through", is_flag=True, help="Draw the back as seen through the front."
    )

    def options(self) -> PreviewOptions:
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

        mask = MaskColour.of(self.colour or "green")
        seen = Finish.of(self.finish or "hasl")
        if mask is None:
            raise _unknown(self.colour, [c.value for c in MaskColour], "--colour")
        if seen is None:
            raise _unknown(self.finish, list(FINISH_WORDS), "--finish")
        if self.legend == mask:
            click.echo(f"note: {self.legend} legend on {mask} mask can hardly be read", err=True)
        return PreviewOptions(
            mask=mask,
            legend=LegendColour(self.legend),
            finish=seen,
            thickness_mm=self.thickness_mm,
            px_per_mm=self.scale,
            width_px=self.width,
            surroundings=Surroundings(self.surroundings),
            through=self.through,
        )


def _unknown(given: str | None, known: Sequence[str], option: str) -> click.BadParameter:
    message = f"'{given}' is none of {', '.join(known)}{nearest(given or '', known)}"
    return click.BadParameter(message, param_hint=option)


def open_files(paths: Sequence[Path]) -> None:
    """Open what was written; say so where that cannot be done."""
    from fabkit.outputs.drawings import open_file

    for path in paths:
        if not open_file(path):
            click.echo(f"{path} is written, but nothing here can show it", err=True)

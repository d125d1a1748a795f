"""Options about controllers, jumpers and the numbers of keys."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import click

from fabkit.cli import options
from fabkit.cli.bundles import option

if TYPE_CHECKING:
    from fabkit.sheets.order import BoardUse
    from fabkit.wiring.model import WiringOptions


def _read_refs(ctx: click.Context, param: click.Parameter, value: str | None) -> tuple[str, ...]:
    """Read references separated by commas."""
    refs = tuple(r.strip() for r in (value or "").split(","))
    if value is not None and not all(refs):
        raise click.BadParameter(f"{value!r} is no list of references, such as J1,J2", ctx, param)
    return tuple(r for r in refs if r)


def _read_joined(
    _ctx: click.Context, _param: click.Parameter, values: tuple[str, ...]
) -> dict[str, tuple[str, str]]:
    """Read ``REF=PAD-PAD`` pairs."""
    how = "the jumper and the pads it joins, as in JP1=1-2 or 'JP*=2-3'"
    joined = {}
    for value in values:
        ref, pads = options.named(value, value.partition("="), how)
        one, _, other = (p.strip() for p in pads.partition("-"))
        if not one or not other:
            raise click.BadParameter(f"{value!r}: write {how}")
        joined[ref] = (one, other)
    return joined


@dataclass(frozen=True, kw_only=True)
class Wired:
    """What is on either half, and how its keys are numbered; fields as of ``WiringOptions``."""

    controllers: tuple[str, ...] = option(
        "--controller",
        callback=_read_refs,
        metavar="REFS",
        help="Controller or header rows.  Default: where most keys lead.",
    )
    right_controllers: tuple[str, ...] = option(
        "--right-controller",
        callback=_read_refs,
        metavar="REFS",
        help="The same for the right half, where it sits elsewhere.",
    )
    right_pins: str = options.word(
        "--right-pins", ("in-place", "swapped"), "Right half: pins in-place, or rows swapped."
    )
    jumpers: str = options.word(
        "--jumpers", ("up", "down"), "Reversible board: the side whose jumpers are closed."
    )
    joined: Mapping[str, tuple[str, str]] = option(
        "--joined",
        multiple=True,
        callback=_read_joined,
        metavar="REF=A-B",
        help="Joined pads of a three-pad jumper: JP1=1-2 or 'JP*=2-3'.",
    )
    right_joined: Mapping[str, tuple[str, str]] = option(
        "--right-joined",
        multiple=True,
        callback=_read_joined,
        metavar="REF=A-B",
        help="On the right half.  Default: the other two pads.",
    )
    use: BoardUse | None = options.board()
    walk: str = options.word(
        "--by", ("rows", "columns"), "Number keys row by row, or column by column."
    )
    thumbs: str = options.word(
        "--thumbs", ("last", "placed"), "Number turned thumb keys last or where they stand."
    )
    first: int = option(
        "--first",
        type=options.FROM_ZERO,
        default=0,
        show_default=True,
        metavar="N",
        help="Number of the first key.",
    )
    right_first: int | None = option(
        "--right-first",
        type=options.FROM_ZERO,
        metavar="N",
        help="First number of the right half.  Default: counting goes on.",
    )
    mirrored: bool = option(
        "--mirrored", is_flag=True, help="Number the right half from its right side."
    )

    def options(self) -> WiringOptions:
        """Give the same as options of the library."""
        from fabkit.wiring.model import WiringOptions

        return WiringOptions(**vars(self))

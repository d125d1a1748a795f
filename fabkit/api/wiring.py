"""Which controller pin each key is on."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from fabkit.api.designs import as_designs, require_same_count

if TYPE_CHECKING:
    from fabkit.board.model import Board
    from fabkit.house.order import BoardUse, Order
    from fabkit.keyboard.patterns import Pattern
    from fabkit.keyboard.sites import Site
    from fabkit.package.model import Side
    from fabkit.preview.options import PreviewOptions
    from fabkit.wiring.model import KeySite, Spot, Wiring, WiringOptions


def list_wiring(
    boards: Board | Sequence[Board],
    order: Order | None = None,
    *,
    options: WiringOptions | None = None,
    pins: Path | str | None = None,
    key_order: Path | str | None = None,
) -> Wiring:
    """Tell which controller pin each key is on, on the left half and on the right.

    Parameters
    ----------
    boards
        One design, or the designs of ``order`` in its order.
    order
        What each board is for; None lets the board tell.
    options
        Numbering, controller, and what happens when the board is turned over.
    pins
        A table (CSV or TOML) that names pins by place or pad number.
    key_order
        A TOML file that lists the keys in the order of their numbers.

    Raises
    ------
    SheetError
        A row of a table is wrong.
    UsageError
        The options name a part, a pad or a key that is not there.
    """
    from fabkit.wiring.build import Design, find_wiring
    from fabkit.wiring.model import WiringOptions
    from fabkit.wiring.pintable import load_key_order, load_pins

    designs = as_designs(boards)
    chosen = options or WiringOptions()
    if key_order is not None:
        chosen = replace(chosen, order=load_key_order(Path(key_order)))
    table = () if pins is None else load_pins(Path(pins))
    uses: list[BoardUse | None] = [None] * len(designs)
    if order is not None:
        require_same_count(designs, order)
        uses = [one.use for one in order.boards]
    made = [
        Design(board=board, sites=tuple(key_sites(board)), use=use, table=table)
        for board, use in zip(designs, uses, strict=True)
    ]
    return find_wiring(made, chosen, name=order.name if order is not None else "")


def key_sites(board: Board) -> Iterator[KeySite]:
    """Places of key switches, with the holes their contacts use from either face."""
    from fabkit.keyboard.patterns import load_patterns
    from fabkit.keyboard.sites import find_sites
    from fabkit.wiring.model import KeySite

    patterns = {p.key: p for p in load_patterns()}
    for site in find_sites(board.holes, tuple(patterns.values()), slots=board.slots):
        if site.kind == "key":
            pattern = patterns[site.pattern]
            face: Side = "bottom" if site.mirrored else "top"
            contacts = {face: _contacts(pattern, site, mirrored=site.mirrored)}
            if site.doubled:
                other: Side = "top" if site.mirrored else "bottom"
                contacts[other] = _contacts(pattern, site, mirrored=not site.mirrored)
            yield KeySite(
                x_mm=site.x_mm,
                y_mm=site.y_mm,
                rotation_deg=site.rotation_deg,
                contacts=contacts,
            )


def _contacts(pattern: Pattern, site: Site, *, mirrored: bool) -> tuple[Spot, ...]:
    """Holes of the contacts: those that must be there, off the line of the posts."""
    import math

    c, s = math.cos(math.radians(site.rotation_deg)), math.sin(math.radians(site.rotation_deg))
    sign = -1 if mirrored else 1
    return tuple(
        (
            site.x_mm + c * sign * h.x_mm - s * h.y_mm,
            site.y_mm + s * sign * h.x_mm + c * h.y_mm,
        )
        for h in pattern.required
        if h.y_mm
    )


def draw_wiring(
    boards: Board | Sequence[Board],
    found: Wiring,
    target: Path | str,
    *,
    options: PreviewOptions | None = None,
    replace: bool = False,
) -> Path:
    """Draw both halves as seen from the keys, with number and pin at each key.

    Parameters
    ----------
    boards
        Those the wiring was found on, in the same order.
    found
        As :func:`list_wiring` gives it.
    target
        What to write; its ending (``.png``, ``.svg``, ``.pdf``) says how.
    options
        Scale and margin.
    replace
        Whether an existing file may be overwritten.

    Raises
    ------
    UsageError
        The ending is not known, there is nothing to draw, or the picture would be too large.
    OutputRefused
        The file exists, or cannot be written.
    """
    from fabkit.errors import UsageError
    from fabkit.outputs.atomic import refuse_existing, write_file
    from fabkit.outputs.drawings import format_of, sheet_bytes
    from fabkit.preview.wiring_sheet import wiring_sheet

    path = Path(target)
    kind = format_of(path)
    refuse_existing(path, replace=replace)
    if not found.halves:
        raise UsageError("there are no keys to draw", hint="see the findings of `fabkit wiring`")
    picture = wiring_sheet(as_designs(boards), found, options)
    write_file(path, sheet_bytes(picture, kind, options), replace=replace)
    return path

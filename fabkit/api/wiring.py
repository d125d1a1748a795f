"""Which controller pin each key is on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from fabkit.api.designs import as_designs, as_single, require_same_count

if TYPE_CHECKING:
    from fabkit.board.model import Board
    from fabkit.keyboard.model import Use
    from fabkit.pictures.options import PreviewOptions
    from fabkit.sheets.order import Order
    from fabkit.wiring.model import Wiring, WiringOptions


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
    from fabkit.keyboard.build import describe
    from fabkit.wiring.build import Design, find_wiring
    from fabkit.wiring.model import WiringOptions
    from fabkit.wiring.pintable import load_key_order, load_pins

    given = as_designs(boards)
    designs = as_single(given)
    chosen = options or WiringOptions()
    if key_order is not None:
        chosen = replace(chosen, order=load_key_order(Path(key_order)))
    table = () if pins is None else load_pins(Path(pins))
    uses: list[Use | None] = [None] * len(designs)
    if order is not None:
        require_same_count(designs, order)
        uses = [one.stated for one in order.boards]
    made = [
        Design(board=board, use=use, table=table) for board, use in zip(designs, uses, strict=True)
    ]
    found = find_wiring(made, chosen, name=order.name if order is not None else "")
    said = (describe(b, chosen.use or u) for b, u in zip(given, uses, strict=True))
    return replace(found, boards=tuple(said))


def write_pin_form(found: Wiring, target: Path | str, *, replace: bool = False) -> Path:
    """Write a pin table to fill in: every hole that a controller may sit in, without names.

    Parameters
    ----------
    found
        As :func:`list_wiring` gives it.
    target
        CSV file to write.
    replace
        Whether an existing file may be overwritten.

    Raises
    ------
    UsageError
        There is no such hole, or the files name the pins already.
    OutputRefused
        The file exists, or cannot be written.
    """
    from fabkit.base.errors import UsageError
    from fabkit.outputs.atomic import write_file
    from fabkit.wiring.pintable import pin_form

    holes = [hole for number in sorted(found.headers) for hole in found.headers[number]]
    if not holes:
        raise UsageError(
            "no row of holes for a controller that the files leave nameless",
            hint=f"pins were read from {found.source}",
        )
    path = Path(target)
    write_file(path, pin_form(holes).encode(), replace=replace)
    return path


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
    from fabkit.base.errors import UsageError
    from fabkit.outputs.atomic import refuse_existing, write_file
    from fabkit.outputs.drawings import format_of, sheet_bytes
    from fabkit.pictures.wiring_sheet import wiring_sheet

    path = Path(target)
    kind = format_of(path)
    refuse_existing(path, replace=replace)
    if not found.halves:
        raise UsageError("there are no keys to draw", hint="see the findings of `fabkit wiring`")
    picture = wiring_sheet(as_single(boards), found, options)
    write_file(path, sheet_bytes(picture, kind, options), replace=replace)
    return path

"""The wiring of an order: which controller pin each key of its boards is on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from fabkit.board.model import Board
from fabkit.keyboard.build import describe
from fabkit.keyboard.ordered import as_designs, as_single, require_same_count
from fabkit.sheets.order import BoardUse, Order
from fabkit.wiring.build import Design, find_wiring
from fabkit.wiring.model import Wiring, WiringOptions
from fabkit.wiring.pintable import load_key_order, load_pins


def list_wiring(
    boards: Board | Sequence[Board],
    order: Order | None = None,
    *,
    options: WiringOptions | None = None,
    pins: Path | str | None = None,
    key_order: Path | str | None = None,
) -> Wiring:
    """List which controller pin each key is on, on the left half and on the right.

    Parameters
    ----------
    boards
        One design, or the designs of ``order`` in its order.
    order
        What each board is for; None leaves it to the files.
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
    given = as_designs(boards)
    designs = as_single(given)
    chosen = options or WiringOptions()
    if key_order is not None:
        chosen = replace(chosen, order=load_key_order(Path(key_order)))
    table = () if pins is None else load_pins(Path(pins))
    uses: list[BoardUse | None] = [None] * len(designs)
    if order is not None:
        require_same_count(designs, order)
        uses = [one.stated for one in order.boards]
    made = [
        Design(board=board, use=use, table=table) for board, use in zip(designs, uses, strict=True)
    ]
    found = find_wiring(made, chosen, name=order.name if order is not None else "")
    said = (describe(b, chosen.use or u) for b, u in zip(given, uses, strict=True))
    return replace(found, boards=tuple(said))

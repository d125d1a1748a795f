"""From what is given on the command line to an order."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from fabkit.base.errors import UsageError
from fabkit.cli import defaults, options

if TYPE_CHECKING:
    from fabkit.board.model import Board
    from fabkit.outputs.terminal import Tell
    from fabkit.sheets.order import BoardUse, Order

WANTED = click.argument("wanted", type=options.FILE, metavar="PACKAGE|ORDER.toml")

CHOICES = options.several(
    options.BOARD,
    options.HOUSE,
    click.option(
        "--parts", "parts_file", type=options.FILE, metavar="FILE", help="Your parts book."
    ),
    click.option("--keyboards", type=options.COUNT, metavar="N", help="Whole keyboards you want."),
    options.THICKNESS,
    options.COLOUR,
    options.FINISH,
)
"""What is wanted; overrides the order file."""

QUANTITY = click.option(
    "--quantity",
    "quantities",
    type=options.COUNT,
    multiple=True,
    metavar="N",
    help="Boards to price.  Default: quantities near what you need.",
)


def read_wanted(wanted: Path, *, use: BoardUse | None = None) -> Order:
    """Load an order file, or make the order of a bare package; ``use`` says what one board is.

    Raises
    ------
    UsageError
        An option that is for a package is given with an order file.
    """
    from dataclasses import replace

    import fabkit
    from fabkit.demo import find_demo
    from fabkit.sheets.order import order_for, with_use

    wanted = find_demo(wanted, usual="order.toml")
    roles = options.stated_roles()
    if wanted.suffix.lower() != ".toml":
        order = order_for(wanted, use=use)
        return replace(order, boards=(replace(order.boards[0], roles=roles),))
    if roles:
        raise UsageError(
            "--role is for a package; an order file states roles itself",
            hint="write them under [board.roles] of the board they belong to",
        )
    order = fabkit.load_order(wanted)
    if use is None:
        return order
    if len(order.boards) > 1:
        raise UsageError(
            f"--board is for one design; this order has {len(order.boards)}",
            hint="each [[board]] of the order file states with 'is' what it is",
        )
    one = order.boards[0]
    board = with_use(replace(one, stated=use, counted=False), use)
    return replace(order, boards=(board,))


def read_order(
    wanted: Path,
    *,
    use: BoardUse | None,
    house_files: tuple[Path, ...],
    parts_file: Path | None,
    keyboards: int | None,
    thickness_mm: float | None,
    colour: str | None,
    finish: str | None,
    quantities: tuple[int, ...] = (),
    silence: tuple[str, ...] = (),
) -> Order:
    """Load an order file, or make the order of a bare package; then apply what was given.

    Raises
    ------
    UsageError
        What was given does not make a whole order.
    """
    import tomllib
    from dataclasses import replace
    from decimal import Decimal

    from fabkit.sheets.order import CHOSEN

    order = read_wanted(wanted, use=use)
    if len(order.boards) == 1 and order.boards[0].stated in ("left", "right"):
        raise UsageError(
            f"--board {order.boards[0].stated}: the other half is missing",
            hint="write an order file of both: fabkit order new LEFT --right RIGHT",
        )
    choice = replace(
        order.choice, colour=colour or order.choice.colour, finish=finish or order.choice.finish
    )
    if thickness_mm is not None:
        choice = replace(choice, thickness_mm=Decimal(str(thickness_mm)), thickness_from=CHOSEN)
    count = keyboards or order.keyboards
    stated = tomllib.loads(order.data.decode("utf-8-sig"))
    order = defaults.fill_order(order, stated=defaults.keys_of(stated))
    return replace(
        order,
        choice=choice,
        houses=house_files or order.houses,
        parts=parts_file or order.parts,
        keyboards=count,
        quantities=quantities or order.quantities,
        # Builders share the keyboards of the file; another number has no such shares.
        builders=order.builders if count == order.keyboards else (),
        silenced=(*order.silenced, *options.read_silences(silence)),
    )


def read_boards(order: Order, tell: Tell) -> list[Board]:
    """Read every design of an order."""
    from fabkit.cli.reading import read_board
    from fabkit.keyboard.ordered import with_edge

    return [with_edge(read_board(one.package, tell, roles=one.roles), one) for one in order.boards]

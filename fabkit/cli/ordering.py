"""From what is given on the command line to an order."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from fabkit.cli import options
from fabkit.errors import UsageError

if TYPE_CHECKING:
    from fabkit.board.model import Board
    from fabkit.house.order import Order
    from fabkit.outputs.terminal import Tell

F = TypeVar("F", bound=Callable[..., Any])

WANTED = click.argument("wanted", type=click.Path(path_type=Path), metavar="PACKAGE|ORDER.toml")

KEYBOARDS = click.option(
    "--keyboards", type=click.IntRange(min=1), metavar="N", help="Whole keyboards you want."
)

PARTS_BOOK = click.option(
    "--parts",
    "parts_file",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Your parts book.  Without it a bundled, invented one.",
)

TODAY = click.option(
    "--date",
    "today",
    type=click.DateTime(["%Y-%m-%d"]),
    metavar="YYYY-MM-DD",
    help="Day to judge the age of prices by; today without it.",
)


def read_day(given: datetime | None) -> date:
    """Day given, else today by the user's own calendar."""
    return given.date() if given else date.today()  # noqa: DTZ011


_CHOICES = (
    options.HOUSE,
    PARTS_BOOK,
    KEYBOARDS,
    options.THICKNESS,
    click.option("--colour", metavar="NAME", help="Mask colour, as the house sheet names it."),
    click.option("--finish", metavar="NAME", help="Surface finish, as the house sheet names it."),
)


def choices(function: F) -> F:
    """Add the options that say what is wanted; they win over the order file."""
    for option in reversed(_CHOICES):
        function = option(function)
    return function


def read_wanted(wanted: Path, *, both: bool = False) -> Order:
    """Load an order file, or make the order of a bare package.

    ``both``: the package holds a whole keyboard on one board.
    """
    from dataclasses import replace

    from fabkit import api
    from fabkit.house.order import order_for

    roles = options.stated_roles()
    if wanted.suffix.lower() == ".toml":
        if roles:
            raise UsageError(
                "--role is for a package; an order file states roles itself",
                hint="write them under [board.roles] of the board they belong to",
            )
        return api.load_order(wanted)
    order = order_for(wanted)
    board = replace(order.boards[0], roles=roles)
    if both:
        board = replace(board, side="both", halves=2, per_keyboard=1)
    return replace(order, boards=(board,))


def read_order(
    wanted: Path,
    *,
    house_file: Path | None,
    parts_file: Path | None,
    keyboards: int | None,
    thickness_mm: float | None,
    colour: str | None,
    finish: str | None,
    quantities: tuple[int, ...] = (),
) -> Order:
    """Load an order file, or make the order of a bare package; then apply what was given."""
    from dataclasses import replace
    from decimal import Decimal

    from fabkit.house.order import CHOSEN

    order = read_wanted(wanted)
    choice = replace(
        order.choice, colour=colour or order.choice.colour, finish=finish or order.choice.finish
    )
    if thickness_mm is not None:
        choice = replace(choice, thickness_mm=Decimal(str(thickness_mm)), thickness_from=CHOSEN)
    count = keyboards or order.keyboards
    return replace(
        order,
        choice=choice,
        houses=(house_file,) if house_file else order.houses,
        parts=parts_file or order.parts,
        keyboards=count,
        quantities=quantities or order.quantities,
        # Builders share the keyboards of the file; another number has no such shares.
        builders=order.builders if count == order.keyboards else (),
    )


def read_boards(order: Order, tell: Tell) -> list[Board]:
    """Read every design of an order."""
    from fabkit.cli.reading import read_board

    return [read_board(one.package, tell, roles=one.roles) for one in order.boards]

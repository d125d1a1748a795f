"""What is bought: ``fabkit parts``, ``carry`` and ``quote``."""

from __future__ import annotations

from dataclasses import dataclass
from dataclasses import replace as with_fields
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fabkit.cli import options, printing
from fabkit.cli.model import argument, bundle, command, flag, valued
from fabkit.cli.reading import Choices, EdgeReading, Reading, package_or_order

if TYPE_CHECKING:
    from fabkit.sheets.order import Silence


@dataclass(frozen=True, kw_only=True)
class Parts:
    """What the command was given."""

    wanted: Path = package_or_order()
    choices: Choices = bundle(Choices)
    printed: printing.Printed = printing.printed("csv", "markdown", "xlsx")
    explain: str | None = valued(
        "--explain",
        "REF|KIND",
        "Show what a reference or a kind (diode, controller ...) is known by.",
    )
    reading: Reading = bundle(Reading)


@command("parts", Parts)
def list_parts(asked: Parts) -> None:
    """List the parts to buy, per half and per keyboard.

    Parts are read from component attributes, a placement or parts table, or by name from a
    netlist; otherwise they are recognised by their hole patterns.  The parts book states what they
    cost and what is carried over to the next revision.

    \b
    Example:
      fabkit parts gerbers.zip --keyboards 2 --parts my-parts.toml
      fabkit parts gerbers.zip --explain controller
    """
    import fabkit
    from fabkit.outputs import money

    asked.printed.settle()
    order = asked.choices.order(asked.wanted, asked.reading)
    with asked.reading.progress() as tell:
        boards = asked.reading.boards(order, tell)
        tell("listing the parts")
        bill = fabkit.list_parts(boards, order)
    if asked.explain is not None:
        places = money.explained(money.bill_record(bill), asked.explain)
        asked.printed.show(lambda console: money.print_explained(console, places))
    else:
        asked.printed.give(
            lambda console: money.print_bill(console, bill, boards),
            lambda form: money.render_parts(bill, form),
        )


@dataclass(frozen=True, kw_only=True)
class Carry:
    """What the command was given."""

    old: Path = argument("OLD", type=options.FILE)
    new: Path = argument("NEW", type=options.FILE)
    choices: Choices = bundle(Choices)
    silenced: tuple[Silence, ...] = options.silenced()
    old_keyboards: int | None = valued(
        "--old-keyboards",
        "N",
        "Old keyboards you built.  Default: as many as new ones.",
        type=options.COUNT,
    )
    keep: int = valued(
        "--keep",
        "N",
        "Old keyboards you do not take apart.",
        type=options.FROM_ZERO,
        default=0,
        show_default=True,
    )
    today: date = options.today()
    printed: printing.Printed = printing.printed("csv", "xlsx")
    reading: Reading = bundle(Reading)


@command("carry", Carry)
def carry(asked: Carry) -> None:
    """List parts you can reuse from the old revision, and what that saves.

    OLD and NEW are packages or order files.  Parts that carry over come off the old boards, what
    was bought too many comes out of the drawer, and the rest is bought; the new revision is
    priced with and without.

    \b
    Example:
      fabkit carry rev-a.zip rev-b.zip --keyboards 2 --keep 1
    """
    import fabkit
    from fabkit.outputs.money import print_carry, render_carry

    asked.printed.settle()
    before, after = (
        asked.choices.order(given, asked.reading, silenced=asked.silenced)
        for given in (asked.old, asked.new)
    )
    if asked.old_keyboards is not None:
        before = with_fields(before, keyboards=asked.old_keyboards, builders=())
    with asked.reading.progress() as tell:
        boards = [(asked.reading.boards(order, tell), order) for order in (before, after)]
        tell("pricing both ways")
        house = fabkit.load_house(after.houses[0]) if after.houses else None
        found = fabkit.carry_over(*boards, house=house, keep=asked.keep, today=asked.today)
    asked.printed.give(
        lambda console: print_carry(console, found), lambda form: render_carry(found, form)
    )


@dataclass(frozen=True, kw_only=True)
class Quote:
    """What the command was given."""

    wanted: Path = package_or_order()
    choices: Choices = bundle(Choices)
    quantities: tuple[int, ...] = options.quantities()
    silenced: tuple[Silence, ...] = options.silenced()
    why: bool = flag("--why", "Show the rule and the numbers behind every line.")
    today: date = options.today()
    printed: printing.Printed = printing.printed("csv", "markdown", "xlsx")
    reading: EdgeReading = bundle(EdgeReading)


@command("quote", Quote)
def quote(asked: Quote) -> None:
    """Price one half over several order quantities.

    Boards, options, shipping, tax and parts; minimum order and step of the house; what is left
    over.  Five boards of a reversible design make two and a half keyboards.

    \b
    Example:
      fabkit quote gerbers.zip --keyboards 2 --house my-house.toml --why
    """
    import fabkit
    from fabkit.outputs.money import print_costs, render_costs

    asked.printed.settle()
    order = asked.choices.order(
        asked.wanted, asked.reading, quantities=asked.quantities, silenced=asked.silenced
    )
    house, *others = [fabkit.load_house(path) for path in order.houses or (None,)]
    with asked.reading.progress() as tell:
        boards = asked.reading.boards(order, tell)
        tell("pricing")
        costs = fabkit.quote(
            boards,
            order,
            bill=fabkit.list_parts(boards, order),
            house=house,
            others=others,
            today=asked.today,
        )
    asked.printed.give(
        lambda console: print_costs(console, costs, why=asked.why),
        lambda form: render_costs(costs, form),
    )
    if not costs.offers:
        # As for any order that cannot be carried out as it is written.
        click.get_current_context().exit(2)

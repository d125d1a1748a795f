"""``fabkit carry``."""

from __future__ import annotations

from dataclasses import dataclass
from dataclasses import replace as with_fields
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from fabkit.cli import options, printing
from fabkit.cli.bundles import argument, bundle, command, option
from fabkit.cli.ordering import Choices
from fabkit.cli.reading import Reading

if TYPE_CHECKING:
    from fabkit.sheets.order import Silence


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What the command was given."""

    old: Path = argument("OLD", type=options.FILE)
    new: Path = argument("NEW", type=options.FILE)
    choices: Choices = bundle(Choices)
    silenced: tuple[Silence, ...] = options.silenced()
    old_keyboards: int | None = option(
        "--old-keyboards",
        type=options.COUNT,
        metavar="N",
        help="Old keyboards you built.  Default: as many as new ones.",
    )
    keep: int = option(
        "--keep",
        type=options.FROM_ZERO,
        default=0,
        show_default=True,
        metavar="N",
        help="Old keyboards you do not take apart.",
    )
    today: date = options.today()
    printed: printing.Printed = printing.printed("csv")
    reading: Reading = bundle(Reading)


@command("carry", Asked)
def run(asked: Asked) -> None:
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

    form = asked.printed.settle()
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
    if form == "text":
        asked.printed.show(lambda console: print_carry(console, found))
    else:
        asked.printed.show(render_carry(found, form))

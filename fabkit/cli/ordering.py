"""From what is given on the command line to an order."""

from __future__ import annotations

from dataclasses import dataclass
from dataclasses import replace as with_fields
from pathlib import Path
from typing import TYPE_CHECKING, Final

from fabkit.base.errors import UsageError
from fabkit.cli import defaults, options
from fabkit.cli.bundles import Declared, argument, bundle, option
from fabkit.cli.reading import Reading

if TYPE_CHECKING:
    from fabkit.sheets.order import BoardUse, Order, Silence

WANTED: Final = "PACKAGE|ORDER.toml"


def wanted() -> Declared:
    """Declare what an order is made of: a package or an order file."""
    return argument(WANTED, type=options.FILE)


@dataclass(frozen=True, kw_only=True)
class Choices:
    """What is wanted; overrides the order file."""

    use: BoardUse | None = options.board()
    house_files: tuple[Path, ...] = options.house()
    parts_file: Path | None = options.file("--parts", "FILE", "Your parts book.")
    keyboards: int | None = option(
        "--keyboards", type=options.COUNT, metavar="N", help="Whole keyboards you want."
    )
    choice: options.Choice = bundle(options.Choice)

    def order(
        self,
        given: Path,
        reading: Reading,
        *,
        quantities: tuple[int, ...] = (),
        silenced: tuple[Silence, ...] = (),
    ) -> Order:
        """Load an order file, or make the order of a bare package; then apply what was given.

        Raises
        ------
        UsageError
            What was given does not make a whole order.
        """
        from decimal import Decimal

        from fabkit.sheets.order import CHOSEN

        order = read_wanted(given, reading, use=self.use)
        if len(order.boards) == 1 and order.boards[0].stated in ("left", "right"):
            raise UsageError(
                f"--board {order.boards[0].stated}: the other half is missing",
                hint="write an order file of both: fabkit order new LEFT --right RIGHT",
            )
        mine, choice = self.choice, order.choice
        choice = with_fields(
            choice, colour=mine.colour or choice.colour, finish=mine.finish or choice.finish
        )
        if mine.thickness_mm is not None:
            thickness = Decimal(str(mine.thickness_mm))
            choice = with_fields(choice, thickness_mm=thickness, thickness_from=CHOSEN)
        count = self.keyboards or order.keyboards
        order = defaults.fill_order(order)
        return with_fields(
            order,
            choice=choice,
            houses=self.house_files or order.houses,
            parts=self.parts_file or order.parts,
            keyboards=count,
            quantities=quantities or order.quantities,
            # Builders share the keyboards of the file; another number has no such shares.
            builders=order.builders if count == order.keyboards else (),
            silenced=(*order.silenced, *silenced),
        )


def is_order(given: tuple[Path, ...]) -> bool:
    """Whether an order file is given rather than packages.

    Raises
    ------
    UsageError
        One is given beside something else.
    """
    files = [path for path in given if path.suffix.lower() == ".toml"]
    if files and len(given) > 1:
        raise UsageError(
            f"{files[0]} is an order file and names its boards itself",
            hint="give the order file alone, or packages alone",
        )
    return bool(files)


def read_wanted(given: Path, reading: Reading, *, use: BoardUse | None = None) -> Order:
    """Load an order file, or make the order of a bare package; ``use`` states what one board is.

    Raises
    ------
    UsageError
        An option that is for a package is given with an order file.
    """
    import fabkit
    from fabkit.demo import find_demo
    from fabkit.sheets.order import order_for, with_use

    given = find_demo(given, usual="order.toml")
    if given.suffix.lower() != ".toml":
        order = order_for(given, use=use)
        return with_fields(order, boards=(with_fields(order.boards[0], roles=reading.roles),))
    if reading.roles:
        raise UsageError(
            "--role is for a package; an order file states roles itself",
            hint="write them under [board.roles] of the board they belong to",
        )
    order = fabkit.load_order(given)
    if use is None:
        return order
    if len(order.boards) > 1:
        raise UsageError(
            f"--board is for one design; this order has {len(order.boards)}",
            hint="each [[board]] of the order file states with 'is' what it is",
        )
    one = order.boards[0]
    board = with_use(with_fields(one, stated=use, counted=False), use)
    return with_fields(order, boards=(board,))

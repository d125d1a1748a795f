"""From the paths that were given to boards and orders, with progress on the terminal."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from dataclasses import replace as with_fields
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fabkit.base.errors import UsageError
from fabkit.base.limits import Limits, changed_limits
from fabkit.base.steps import bound_memory
from fabkit.cli import options
from fabkit.cli.model import Declared, argument, bundle, fill_order, flag, valued
from fabkit.cli.options import named

if TYPE_CHECKING:
    from fabkit.board.model import Board
    from fabkit.outputs.terminal import Tell
    from fabkit.sheets.house import House
    from fabkit.sheets.order import BoardUse, Order, Silence

_LIMIT = re.compile(r"([a-z_]+)=([\d_]{1,18})(kib|mib|gib)?")
_BYTES = {"kib": 2**10, "mib": 2**20, "gib": 2**30}


def _read_roles(
    _ctx: click.Context, _param: click.Parameter, values: tuple[str, ...]
) -> dict[str, str]:
    how = "the file and its role, as in 1.gbr='top copper'"
    # A file's name may hold an equals sign; a role does not.
    return dict(named(value, value.rpartition("="), how) for value in values)


def _read_limits(ctx: click.Context, param: click.Parameter, values: tuple[str, ...]) -> Limits:
    limits = {}
    for value in values:
        found = _LIMIT.fullmatch(value.replace(" ", "").lower())
        if found is None or not found[2].strip("_"):
            raise click.BadParameter(
                f"{value!r}: write the limit and its bound, as in members=5000 or file_bytes=1GiB",
                ctx,
                param,
            )
        bound = int(found[2].replace("_", ""))
        limits[found[1]] = bound * _BYTES.get(found[3], 1)
    changed = changed_limits(limits)
    bound_memory(changed.memory_bytes)
    return changed


@dataclass(frozen=True, kw_only=True)
class Reading:
    """How packages are read."""

    roles: Mapping[str, str] = valued(
        "--role",
        "FILE=ROLE",
        "Tell fabkit what a file is: 1.gbr='top copper', *.art=unused.",
        multiple=True,
        callback=_read_roles,
    )
    limits: Limits = valued(
        "--limit",
        "NAME=NUMBER",
        "Raise or lower a safety limit: file_bytes=1GiB.",
        multiple=True,
        callback=_read_limits,
    )

    quiet: bool = flag("--quiet", "Show no progress.")

    def progress(self) -> AbstractContextManager[Tell]:
        """Show what is being done while it is, unless that is not wanted."""
        from fabkit.outputs.terminal import progress

        return progress(quiet=self.quiet)

    def board(self, path: Path, tell: Tell, *, roles: Mapping[str, str] | None = None) -> Board:
        """Open a package and build its board; ``roles`` stand in for those of ``--role``."""
        import fabkit

        tell(f"reading {path}")
        stated = self.roles if roles is None else roles
        opened = fabkit.open_package(path, limits=self.limits, roles=stated)
        tell("building the board")
        return fabkit.build_board(opened)

    def boards(self, order: Order, tell: Tell) -> list[Board]:
        """Read every design of an order."""
        from fabkit.keyboard.ordered import with_edge

        return [
            with_edge(self.board(one.package, tell, roles=one.roles), one) for one in order.boards
        ]


@dataclass(frozen=True, kw_only=True)
class EdgeReading(Reading):
    """The same, where the edge may be stated."""

    edge: str | None = valued(
        "--edge", "panel|board|N", "Take the panel, one board of it, or reading N."
    )

    def board(self, path: Path, tell: Tell, *, roles: Mapping[str, str] | None = None) -> Board:
        """Open a package and build its board, with the edge that is stated."""
        from fabkit.board.single import choose_edge

        board = super().board(path, tell, roles=roles)
        return board if self.edge is None else choose_edge(board, self.edge)


def package_or_order() -> Declared:
    """Declare what an order is made of: a package or an order file."""
    return argument("PACKAGE|ORDER.toml", type=options.FILE)


@dataclass(frozen=True, kw_only=True)
class Choices:
    """What is wanted; overrides the order file."""

    use: BoardUse | None = options.board()
    house_files: tuple[Path, ...] = options.house()
    parts_file: Path | None = options.file("--parts", "FILE", "Your parts book.")
    keyboards: int | None = valued(
        "--keyboards", "N", "Whole keyboards you want.", type=options.COUNT
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
        order = fill_order(order)
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


def first_house(files: Sequence[Path]) -> House:
    """Load the sheet that is judged by: the first one given, or the bundled one."""
    import fabkit

    return fabkit.load_house(next(iter(files), None))


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

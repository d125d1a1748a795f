"""From the path that was given to a board, with its progress on the terminal."""

from __future__ import annotations

import re
from collections.abc import Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fabkit.base.deaths import bound_memory
from fabkit.base.limits import Limits, changed_limits
from fabkit.cli.bundles import option
from fabkit.cli.options import named

if TYPE_CHECKING:
    from fabkit.board.model import Board
    from fabkit.outputs.terminal import Tell
    from fabkit.sheets.order import Order

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

    roles: Mapping[str, str] = option(
        "--role",
        multiple=True,
        callback=_read_roles,
        metavar="FILE=ROLE",
        help="Tell fabkit what a file is: 1.gbr='top copper', *.art=unused.",
    )
    limits: Limits = option(
        "--limit",
        multiple=True,
        callback=_read_limits,
        metavar="NAME=NUMBER",
        help="Raise or lower a safety limit: file_bytes=1GiB.",
    )

    quiet: bool = option("--quiet", is_flag=True, help="Show no progress.")

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

    edge: str | None = option(
        "--edge",
        metavar="panel|board|N",
        help="Take the panel, one board of it, or reading N.",
    )

    def board(self, path: Path, tell: Tell, *, roles: Mapping[str, str] | None = None) -> Board:
        """Open a package and build its board, with the edge that is stated."""
        from fabkit.board.single import choose_edge

        board = super().board(path, tell, roles=roles)
        return board if self.edge is None else choose_edge(board, self.edge)

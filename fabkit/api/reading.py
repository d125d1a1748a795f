"""Opening: files, packages, boards, house sheets and orders."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from fabkit.base.errors import UsageError
from fabkit.base.limits import DEFAULT_LIMITS, Limits

if TYPE_CHECKING:
    from fabkit.board.model import Board
    from fabkit.formats.drill.model import DrillFile
    from fabkit.formats.gerber.model import GerberFile
    from fabkit.package.model import Member, Package
    from fabkit.sheets.house import House
    from fabkit.sheets.order import Order


def read_gerber(path: Path | str, *, limits: Limits = DEFAULT_LIMITS) -> GerberFile:
    """Read one layer file.

    Raises
    ------
    UnreadableInput
        The file cannot be opened; what is wrong inside is in the result's ``problems``.
    LimitExceeded
        The file is larger than the limits allow.
    """
    from fabkit.formats.gerber.reader import read

    member = _only_member(path, limits)
    return read(member.data, name=member.name, limits=limits)


def read_drill(path: Path | str, *, limits: Limits = DEFAULT_LIMITS) -> DrillFile:
    """Read one NC drill file.

    A number format that the file does not state can only be told from a whole package: see
    ``needs_format`` of the result, and :func:`open_package`.

    Raises
    ------
    UnreadableInput
        The file cannot be opened; what is wrong inside is in the result's ``problems``.
    LimitExceeded
        The file is larger than the limits allow.
    """
    from fabkit.formats.drill.reader import read

    member = _only_member(path, limits)
    return read(member.data, name=member.name, limits=limits)


def _only_member(path: Path | str, limits: Limits) -> Member:
    from fabkit.package.opening import open_input

    members = open_input(Path(path), limits=limits).members
    if len(members) != 1 or Path(path).is_dir():
        raise UsageError(
            f"{path} holds {len(members)} files, where one was expected",
            hint="name a single file, or read it all with open_package",
        )
    return members[0]


def open_package(
    path: Path | str,
    *,
    limits: Limits = DEFAULT_LIMITS,
    roles: Mapping[str, str] | None = None,
) -> Package:
    """Open a folder or zip of exported files and tell what each file is for.

    ``demo`` is the bundled, invented demo.  One layer or drill file may stand for the set in its
    folder that it belongs to.  ``roles`` states what files are that do not say it themselves:
    ``{"1.gbr": "top copper"}``.

    Raises
    ------
    UnreadableInput
        It is missing, empty, damaged, encrypted, or holds no package or several.
    LimitExceeded
        It is larger than the limits allow.
    UsageError
        A role is stated that is not known, or for no file.
    """
    from fabkit.demo import find_demo
    from fabkit.package.build import read_package
    from fabkit.package.one_file import open_set

    found = find_demo(Path(path), usual="rev-b")
    return read_package(open_set(found, limits=limits), limits=limits, roles=roles)


def build_board(package: Package) -> Board:
    """Build the board that will be made from a package; problems ride along with it."""
    from fabkit.board.build import build_board as build

    return build(package)


def load_house(path: Path | str | None = None) -> House:
    """Load a house sheet; None gives the bundled, invented one.

    Raises
    ------
    SheetError
        A key of the sheet is wrong; names file, line and key.
    """
    from fabkit.sheets.house import load_house as load

    return load(path)


def load_order(path: Path | str) -> Order:
    """Load an order file; ``demo`` is that of the bundled, invented demo.

    Raises
    ------
    SheetError
        A key of the file is wrong; names file, line and key.
    """
    from fabkit.demo import find_demo
    from fabkit.sheets.order import load_order as load

    return load(find_demo(Path(path), usual="order.toml"))

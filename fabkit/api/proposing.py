"""Proposing an order: from a package, or a folder of several, to the boards of an order file."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from fabkit.api.reading import build_board, open_package
from fabkit.base.errors import UsageError
from fabkit.base.limits import DEFAULT_LIMITS, Limits

if TYPE_CHECKING:
    from fabkit.sheets.order import BoardUse
    from fabkit.sheets.order_template import ProposedBoard

_NO_NAME: Final = re.compile(
    r"(?:gerbers?|fab|fabrication|manufacturing|production|outputs?|exports?|plots?|pcbs?|boards?|"
    r"cam|left|right)?[-_. \d]*",
    re.IGNORECASE,
)
"""Names of folders that say nothing of the keyboard."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """What an order file would say: name of the keyboard, and its boards."""

    name: str
    boards: tuple[ProposedBoard, ...]


def propose_order(
    package: Path | str,
    *,
    right: Path | str | None = None,
    name: str | None = None,
    use: BoardUse | None = None,
    path_of: Callable[[Path], str] = str,
    roles: Mapping[str, str] | None = None,
    limits: Limits = DEFAULT_LIMITS,
    tell: Callable[[str], None] = lambda _: None,
) -> Proposal:
    """Propose an order of a package, or of all packages of a folder.

    Parameters
    ----------
    package
        A package, or a folder that holds several.
    right
        Package of the right half; ``package`` is the left one then.
    name
        Name of the keyboard; None takes that of the package, or of the folder it lies in where its
        own says nothing (``gerbers``).
    use
        What one board is; None leaves it to the files.
    path_of
        How a path is written in the order file.
    roles
        What files of ``package`` are, by name; for a single package.
    tell
        Told what is being done now.

    Raises
    ------
    FabkitError
        A package cannot be used.
    UsageError
        Roles or a use are stated, and the folder holds several packages.
    """
    from fabkit.demo import find_demo
    from fabkit.keyboard.proposing import propose_boards
    from fabkit.package.finding import find_packages

    source = find_demo(Path(package), usual="rev-b")
    paths = (source, Path(right)) if right else find_packages(source, limits=limits)
    if len(paths) > 1 and right is None and (use or roles):
        raise UsageError(
            f"{package} holds {len(paths)} packages; --board and --role are for one",
            hint="leave them out, and write 'is' and roles into the order file",
        )
    stated: list[BoardUse | None] = ["left", "right"] if right else [use] * len(paths)
    boards = []
    for number, path in enumerate(paths):
        tell(f"reading {path}")
        mine = roles if number == 0 else None
        boards.append(build_board(open_package(path, limits=limits, roles=mine)))
    title = name or _title(source, boards[0].name if len(paths) == 1 else "")
    written = [path_of(path) for path in paths]
    proposed = propose_boards(title, list(zip(written, boards, strict=True)), stated)
    if roles:
        proposed = tuple(
            replace(one, roles=roles) if one.package == written[0] else one for one in proposed
        )
    return Proposal(name=title, boards=proposed)


def _title(source: Path, own: str) -> str:
    """Name of a keyboard: the package's own, else the folder's, else that of the folder above."""
    folders = source.resolve()
    names = [own, folders.name, folders.parent.name]
    return next((n for n in names if not _NO_NAME.fullmatch(n)), own or folders.name)

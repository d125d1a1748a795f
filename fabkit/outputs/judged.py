"""One package judged, from bytes and settings to plain data.

The unit of all work on many packages: it knows no path and no clock, so that it gives the same in
this process, in another one and on another machine.  ``check`` of one package is made by it, too.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from pathlib import Path, PurePath
from typing import Final

from fabkit.base import VERSION
from fabkit.base.errors import explain
from fabkit.base.findings import Consequence, Severity
from fabkit.base.limits import DEFAULT_LIMITS, Limits
from fabkit.base.steps import bound_memory
from fabkit.base.tables import Record
from fabkit.board.build import build_board
from fabkit.board.model import Board
from fabkit.board.single import choose_edge
from fabkit.checks.choices import judge_thicknesses
from fabkit.checks.judging import check, compare_houses
from fabkit.checks.model import OPENINGS, CheckOptions
from fabkit.demo import find_demo
from fabkit.outputs.formats import FORMATS, plain
from fabkit.outputs.records import check_record
from fabkit.outputs.verdict import without_place
from fabkit.package.build import read_package
from fabkit.package.model import Intake
from fabkit.package.opening import is_zip, open_bytes
from fabkit.package.reading import open_set
from fabkit.sheets.house import House, house_from, load_house
from fabkit.sheets.toml_text import read_sheet_bytes

STATES: Final = ("fit", "decide", "stop", "unreadable", "broken")
"""What came of a package, from best to worst; ``broken`` is our fault."""

_STATE_OF: Final = {
    OPENINGS[Consequence.KNOW]: "fit",
    OPENINGS[Consequence.DECIDE]: "decide",
    OPENINGS[Consequence.STOP]: "stop",
}
WORDS: Final = {
    **{state: opening for opening, state in _STATE_OF.items()},
    "unreadable": "cannot be judged",
    "broken": "fabkit broke",
}
"""What each state is called."""

Given = bytes | Intake
"""A package: the bytes of a zip, or the files of a folder."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """What packages are judged by: plain data, so that it travels to other processes.

    Parameters
    ----------
    houses
        House sheets, each its name and its bytes; the first is the one ordered from.  Empty: the
        bundled, invented one.
    options
        What was chosen for the order; :meth:`CheckOptions.of` makes it of an order.
    roles
        What files are, as pairs of name and role.
    edge
        Which edge of a panel is meant, as for ``--edge``; None leaves it to the files.
    thicknesses
        Whether every thickness on offer is judged.
    fail_on
        Least severity that makes the status 1; None for never.
    limits
        Bounds on what a package may ask of the machine.
    """

    houses: tuple[tuple[str, bytes], ...] = ()
    options: CheckOptions = field(default_factory=CheckOptions)
    roles: tuple[tuple[str, str], ...] = ()
    edge: str | None = None
    thicknesses: bool = False
    fail_on: Severity | None = Severity.ERROR
    limits: Limits = DEFAULT_LIMITS

    @property
    def digest(self) -> str:
        """SHA-256 over all of it: equal settings give equal verdicts."""
        houses = [(name, hashlib.sha256(data).hexdigest()) for name, data in self.houses]
        text = json.dumps({**asdict(self), "houses": houses}, sort_keys=True, default=str)
        return hashlib.sha256(text.encode()).hexdigest()

    def load_houses(self) -> list[House]:
        """Read the house sheets.

        Raises
        ------
        SheetError, UnreadableInput
            A sheet is wrong.
        """
        read = [house_from(read_sheet_bytes(data, file=name)) for name, data in self.houses]
        return read or [load_house()]


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """What came of a package: the record of ``check``, and the exit status it asks for."""

    check: Record
    status: int


def read_given(path: Path, *, limits: Limits = DEFAULT_LIMITS) -> Given:
    """Read a package from a path: a zip as it is, a folder or the set of a file as its files.

    Raises
    ------
    UnreadableInput, LimitExceeded
        As :func:`fabkit.package.reading.open_set`.
    """
    found = find_demo(path, usual="rev-b")
    # A larger one is refused below, with the name of the limit.
    if found.is_file() and found.stat().st_size <= limits.file_bytes:
        data = found.read_bytes()
        if is_zip(data):
            return data
    return open_set(found, limits=limits)


def digest_of(given: Given) -> str:
    """SHA-256 of a package: of the bytes of a zip, or of names, sizes and bytes of its files."""
    if isinstance(given, bytes):
        return hashlib.sha256(given).hexdigest()
    made = hashlib.sha256()
    for member in given.members:
        made.update(f"{member.name}\0{len(member.data)}\0".encode("utf-8", "surrogatepass"))
        made.update(member.data)
    return made.hexdigest()


def check_given(
    given: Given,
    settings: Settings,
    *,
    source: str,
    right: Given | None = None,
    tell: Callable[[str], None] = lambda _: None,
) -> Judged:
    """Judge one package.

    Parameters
    ----------
    source
        How messages and records name the package.
    right
        The right half, where the package is a left one of another design.
    tell
        Called with a few words on what is being done now.

    Raises
    ------
    FabkitError
        The package cannot be read, or the settings make no sense.
    """
    house, *others = settings.load_houses()
    tell("building the board")
    board = _built(given, settings, source, settings.roles)
    other_half = _built(right, settings, source, ()) if right is not None else None
    files = [file for one in (board, other_half) if one for file in one.package.files]
    bound_memory(settings.limits.memory_to_check(sum(len(file.data) for file in files)))
    tell("checking")
    options = settings.options
    result = check(board, house, options=options, other_half=other_half)
    table = judge_thicknesses(board, house) if settings.thicknesses else ()
    houses = compare_houses(board, (house, *others) if others else (), options=options)
    return Judged(
        check=check_record(board, result, house, thicknesses=table, houses=houses),
        status=result.exit_status(settings.fail_on),
    )


def _built(
    given: Given, settings: Settings, source: str, roles: tuple[tuple[str, str], ...]
) -> Board:
    limits = settings.limits
    if isinstance(given, bytes):
        given = open_bytes(given, name=PurePath(source).name, source=source, limits=limits)
    board = build_board(read_package(given, limits=limits, roles=dict(roles)))
    return board if settings.edge is None else choose_edge(board, settings.edge)


def judge_given(given: Given, settings: Settings, *, source: str) -> Record:
    """Judge one package; what cannot be judged is a record with its message, too.

    Returns
    -------
    dict
        A document ``fabkit/judged/1``, plain data: state, verdict, digests of package and
        settings, the document of ``check --json``; the same for the same input, everywhere.
    """
    sha256 = digest_of(given)
    try:
        done = check_given(given, settings, source=source)
    except Exception as error:  # noqa: BLE001 -- one package must not lose the others
        return failed(source, settings, *explain(error), sha256=sha256)
    state = "broken" if done.status == 3 else _STATE_OF[done.check["opening"]]
    document = {"format": f"fabkit/check/{FORMATS['check']}", **without_place(done.check)}
    return {
        **_head(source, settings, sha256),
        "state": state,
        "verdict": done.check["verdict"],
        "status": done.status,
        "error": None,
        "check": plain(document),
    }


def failed(
    source: str, settings: Settings, message: str, hint: str, status: int, *, sha256: str | None
) -> Record:
    """Record why a package could not be judged."""
    return {
        **_head(source, settings, sha256),
        "state": "broken" if status == 3 else "unreadable",
        "verdict": None,
        "status": status,
        "error": {"message": message, "hint": hint},
        "check": None,
    }


def _head(source: str, settings: Settings, sha256: str | None) -> Record:
    return {
        "format": f"fabkit/judged/{FORMATS['judged']}",
        "package": source,
        "sha256": sha256,
        "settings": settings.digest,
        "version": VERSION,
    }

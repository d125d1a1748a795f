"""From a path to what is read: a whole package, the set that a file belongs to, or one file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from fabkit.base.errors import UsageError
from fabkit.base.limits import DEFAULT_LIMITS, Limits
from fabkit.base.streams import STANDARD_STREAM
from fabkit.demo import find_demo
from fabkit.formats.drill import reader as drill
from fabkit.formats.drill.model import DrillFile
from fabkit.formats.gerber import reader as gerber
from fabkit.formats.gerber.model import GerberFile
from fabkit.package.build import read_package
from fabkit.package.choosing import set_of
from fabkit.package.model import Intake, Member, Package
from fabkit.package.opening import open_input


def open_package(
    path: Path | str,
    *,
    limits: Limits = DEFAULT_LIMITS,
    roles: Mapping[str, str] | None = None,
) -> Package:
    """Open a folder or zip of exported files and find out what each file is for.

    Parameters
    ----------
    path
        Folder or zip; one layer or drill file stands for the set in its folder that it belongs
        to.  ``demo`` is the bundled, invented demo.
    limits
        Bounds on what the files may ask of the machine.
    roles
        What files are whose name and contents do not tell: ``{"1.gbr": "top copper"}``.

    Raises
    ------
    UnreadableInput
        It is missing, empty, damaged, encrypted, or holds no package or several.
    LimitExceeded
        It is larger than the limits allow.
    UsageError
        A role is stated that is not known, or for no file.
    """
    found = find_demo(Path(path), usual="rev-b")
    return read_package(open_set(found, limits=limits), limits=limits, roles=roles)


def read_gerber(path: Path | str, *, limits: Limits = DEFAULT_LIMITS) -> GerberFile:
    """Read one layer file.

    Raises
    ------
    UnreadableInput
        The file cannot be opened; what is wrong inside is in the result's ``problems``.
    LimitExceeded
        The file is larger than the limits allow.
    UsageError
        The path names several files.
    """
    member = _only_member(path, limits)
    return gerber.read(member.data, name=member.name, limits=limits)


def read_drill(path: Path | str, *, limits: Limits = DEFAULT_LIMITS) -> DrillFile:
    """Read one NC drill file.

    A number format that the file does not state can only be inferred from a whole package: see
    ``needs_format`` of the result, and :func:`open_package`.

    Raises
    ------
    UnreadableInput
        The file cannot be opened; what is wrong inside is in the result's ``problems``.
    LimitExceeded
        The file is larger than the limits allow.
    UsageError
        The path names several files.
    """
    member = _only_member(path, limits)
    return drill.read(member.data, name=member.name, limits=limits)


def _only_member(path: Path | str, limits: Limits) -> Member:
    members = open_input(Path(path), limits=limits).members
    if len(members) != 1 or Path(path).is_dir():
        raise UsageError(
            f"{path} holds {len(members)} files, where one was expected",
            hint="name a single file, or read it all with open_package",
        )
    return members[0]


def open_set(path: Path, *, limits: Limits = DEFAULT_LIMITS) -> Intake:
    """Open a folder, a zip, or the set that a layer or drill file is one of.

    Raises
    ------
    UnreadableInput, LimitExceeded
        As :func:`fabkit.package.opening.open_input`.
    """
    intake = open_input(path, limits=limits)
    if path == STANDARD_STREAM:
        return intake
    first = intake.members[0]
    alone = len(intake.members) == 1 and first.name == path.name and not path.is_dir()
    if not alone or not (
        gerber.looks_like_gerber(first.data) or drill.looks_like_drill(first.data)
    ):
        return intake
    folder = open_input(path.parent, limits=limits, deep=False)
    return replace(set_of(folder, first.name), source=intake.source)

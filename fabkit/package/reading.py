"""From paths to what is read: packages, the set that a file belongs to, or one file."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from fabkit.base.errors import (
    FabkitError,
    LimitExceeded,
    SeveralPackages,
    UnreadableInput,
    UsageError,
)
from fabkit.base.limits import DEFAULT_LIMITS, Limits
from fabkit.base.streams import STANDARD_STREAM
from fabkit.base.units import counted
from fabkit.demo import find_demo
from fabkit.formats.drill import reader as drill
from fabkit.formats.drill.model import DrillFile
from fabkit.formats.drill.reader import looks_like_drill
from fabkit.formats.gerber import reader as gerber
from fabkit.formats.gerber.model import GerberFile
from fabkit.formats.gerber.reader import looks_like_gerber
from fabkit.package.build import read_package
from fabkit.package.model import Intake, Member, Package
from fabkit.package.opening import (
    choose_set,
    find_litter,
    find_other_archive,
    is_zip,
    open_input,
    set_of,
)


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
        What files are whose name and contents do not show it: ``{"1.gbr": "top copper"}``.

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
    if not alone or not (looks_like_gerber(first.data) or looks_like_drill(first.data)):
        return intake
    folder = open_input(path.parent, limits=limits, deep=False)
    return replace(set_of(folder, first.name), source=intake.source)


def find_packages(path: Path, *, limits: Limits = DEFAULT_LIMITS) -> tuple[Path, ...]:
    """Find the packages of a folder.

    Parameters
    ----------
    path
        A package, or a folder that holds several.
    limits
        Bounds on what is opened.

    Returns
    -------
    tuple of Path
        The package itself, or those inside; each can be opened by its path.  A set that shares its
        folder with others is named by one of its files.

    Raises
    ------
    UnreadableInput
        It holds no package, or it is a zip that holds several.
    """
    intake = open_set(path, limits=limits)
    try:
        choose_set(intake, limits=limits)
    except SeveralPackages as several:
        if not path.is_dir():
            raise SeveralPackages(
                several.message, hint="Unpack it and name the folder.", names=several.names
            ) from None
        found = list(_inside(path, intake, several.names, limits))
        return tuple(dict.fromkeys(found))
    return (path,)


def _inside(path: Path, intake: Intake, names: Sequence[str], limits: Limits) -> Iterator[Path]:
    """Give the packages of a folder: of each folder in it, its zips, and the sets of its own files.

    A folder is taken whole where it can be: drill files and tables may lie beside the layers.
    """
    layers = [m.name for m in intake.members if looks_like_gerber(m.data)]
    telling = [*layers, *(name for name in names if (path / name).is_file())]
    for child in sorted({name.split("/")[0] for name in telling if "/" in name}):
        with suppress(UnreadableInput):  # what has no layers has been looked at already
            yield from find_packages(path / child, limits=limits)
    own = [name for name in names if "/" not in name and (path / name).is_file()]
    yield from (path / name for name in own)
    loose = [name for name in layers if "/" not in name]
    if loose and not set(own) & set(loose):
        yield path / loose[0]


_HEAD_BYTES = 2**16
"""Enough of a file to recognise what it is."""


@dataclass(frozen=True, slots=True)
class Gathered:
    """Packages in the order they were given, and a line for each path that was none itself."""

    packages: tuple[Path, ...]
    said: tuple[str, ...]


def gather(paths: Iterable[Path], *, limits: Limits = DEFAULT_LIMITS) -> Gathered:
    """Find the packages that paths mean; no file is kept in memory.

    A folder whose own files are layers is a package, with its sub-folders; a folder with zips or
    with folders of layers is a folder of packages.  Layers that are named one by one are the
    package of their folder.  All else that is named is a package by the user's word.
    """
    found: dict[Path, None] = {}
    said: list[str] = []
    for given in paths:
        path = find_demo(given, usual="rev-b")
        if path.is_dir():
            inside = tuple(sorted(_packages_in(path, limits)))
            if inside not in ((path,), ()):
                said.append(f"{given}: {counted(len(inside), 'package')} in it")
            found.update(dict.fromkeys(inside or (path,)))
        elif path.is_file() and _kind(path) == "layer":
            home = path.parent
            if home not in found:
                said.append(f"{home}: taken as the package that {path.name} is a file of")
            found[home] = None
        else:
            found[path] = None
    # What lies beside layers that were named is read with them.
    taken = [p for p in found if not (p.parent in found and p.is_file() and _kind(p) == "other")]
    return Gathered(tuple(taken), tuple(said))


def _packages_in(folder: Path, limits: Limits) -> Iterator[Path]:
    """Give the packages of a folder: itself, its zips, and those of its folders."""
    try:
        with os.scandir(folder) as listing:
            entries = sorted(listing, key=lambda entry: entry.name)
    except OSError:
        yield folder  # reading it says why it cannot be read
        return
    kinds: dict[str, list[Path]] = {"archive": [], "layer": [], "other": [], "folder": []}
    for entry in entries:
        if find_litter(entry.name) is None and not entry.is_symlink():
            kind = "folder" if entry.is_dir() else _kind(Path(entry.path))
            kinds[kind].append(Path(entry.path))
    archives, folders = kinds["archive"], kinds["folder"]
    if not archives or (kinds["layer"] and len(archives) == 1):
        if not (kinds["layer"] or folders):
            return
        try:
            yield from find_packages(folder, limits=limits)
        except LimitExceeded:
            pass
        except FabkitError:
            if kinds["layer"]:
                yield folder
            return
        else:
            return
    yield from archives
    if kinds["layer"]:
        yield kinds["layer"][0]
    for child in folders:
        yield from _packages_in(child, limits)


def _kind(path: Path) -> str:
    """Tell archives and layers (or drill files) from other files, by how they begin."""
    try:
        with path.open("rb") as stream:
            head = stream.read(_HEAD_BYTES)
    except (OSError, ValueError):
        return "other"
    if is_zip(head) or find_other_archive(head):
        return "archive"
    return "layer" if looks_like_gerber(head) or looks_like_drill(head) else "other"

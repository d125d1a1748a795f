"""Which packages are meant, where several paths or a folder of packages are given."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from fabkit.base.errors import FabkitError, LimitExceeded
from fabkit.base.limits import DEFAULT_LIMITS, Limits
from fabkit.base.units import counted
from fabkit.demo import find_demo
from fabkit.formats.drill.reader import looks_like_drill
from fabkit.formats.gerber.reader import looks_like_gerber
from fabkit.package.archive import find_litter, find_other_archive, is_zip
from fabkit.package.reading import find_packages

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
            inside = tuple(sorted(_inside(path, limits)))
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


def _inside(folder: Path, limits: Limits) -> Iterator[Path]:
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
        yield from _inside(child, limits)


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

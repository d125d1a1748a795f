"""Finds every package that a folder holds: zips, folders of layers, sets of files in one folder."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import suppress
from pathlib import Path

from fabkit.base.errors import SeveralPackages, UnreadableInput
from fabkit.base.limits import DEFAULT_LIMITS, Limits
from fabkit.formats.gerber.reader import looks_like_gerber
from fabkit.package.choosing import choose_set
from fabkit.package.model import Intake
from fabkit.package.reading import open_set


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
    """Packages of a folder: of each folder in it, its zips, and the sets of its own files.

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

"""What a board is called: by its folder or zip where that speaks, otherwise by its files."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import PurePosixPath
from typing import Final

from fabkit.formats.gerber.model import GerberFile
from fabkit.package.model import PackageFile, RoleKind
from fabkit.package.words import SIDE_WORDS, kind_of_word

_EMPTY: Final = frozenset(
    (
        *("gerber", "gerbers", "gbr", "gerberfiles", "pcb", "pcbs", "board", "boards", "circuit"),
        *("fab", "fabrication", "cam", "mfg", "manufacturing", "manufacture", "production", "prod"),
        *("output", "outputs", "out", "plot", "plots", "export", "exports", "exported", "file"),
        *("files", "release", "releases", "hardware", "hw", "build", "final", "latest", "new"),
        *("old", "order", "zip", "drill", "drills", "layers", "layer", "project", "untitled"),
        *("design", "keyboard", "for", "upload", "data"),
    )
)
"""Words that any folder of fabrication files may bear (common practice)."""

_VERSIONS: Final = frozenset(("rev", "revision", "ver", "version"))

_NUMBER: Final = re.compile(r"(?:v|r|ver|rev)?\d+[a-z]?|[a-z]", re.IGNORECASE)
"""A version, a revision, a date, or a part of one."""

_SPLIT: Final = re.compile(r"[-_. ()+]+")

FEWEST: Final = 3
"""Files that must begin alike, and letters that a name must have."""

_MADE: Final = frozenset(RoleKind) - {RoleKind.UNKNOWN, RoleKind.DRAWING, RoleKind.JOB}


def name_board(own: str, files: Sequence[PackageFile]) -> str:
    """Name a board after its folder or zip, or after its files where these speak more clearly.

    A folder named ``gerbers`` or ``v2.2`` names no board, ``widget_gerber_v2`` is the name of an
    export; of a folder ``high`` with files of ``widget-high`` the longer name is meant.  A revision
    that the files do not state is kept: ``widget rev-b``.

    Parameters
    ----------
    own
        Name of the folder or zip.
    files
        Of the package, with their roles.
    """
    words = _words(own)
    within = _name_of(files, keep=frozenset(words))
    if all(word in _EMPTY for word in words):
        return within or UNNAMED
    if not within:
        return own
    if any(word in _EMPTY for word in words):
        return within
    if all(map(_is_generic, words)):
        told = all(word in within.casefold() for word in words)
        numbered = any(map(_NUMBER.fullmatch, _words(within)))
        return within if told or numbered else f"{within} {own}"
    return within if len(within) > len(own) and set(words) <= set(_words(within)) else own


UNNAMED: Final = "unnamed board"
"""Name where neither folder nor files have one."""


def _words(name: str) -> list[str]:
    return [word.casefold() for word in _SPLIT.split(name) if word]


def _is_generic(word: str) -> bool:
    return word in _EMPTY or word in _VERSIONS or _NUMBER.fullmatch(word) is not None


def _name_of(files: Sequence[PackageFile], keep: frozenset[str]) -> str:
    """Name that the files give the board: their project's, or what most file names begin with."""
    made = [file for file in files if file.role.kind in _MADE]
    stated = Counter(name for file in made for name in _stated(file))
    begun = Counter(
        "".join(parts[:at])
        for file in made
        for parts in (_SPLIT_KEPT.split(PurePosixPath(file.name).stem),)
        for at in range(1, len(parts) + 1, 2)
    )
    most = max(FEWEST, len(made) // 2 + 1)
    alike = [name for name, count in begun.items() if count >= most]
    for name in (*(n for n, _ in stated.most_common(1)), max(alike, key=len, default="")):
        trimmed = _trimmed(name, keep)
        if len(trimmed) >= FEWEST and not all(map(_is_generic, _words(trimmed))):
            return trimmed
    return ""


_SPLIT_KEPT: Final = re.compile(r"([-_. ()+]+)")


def _stated(file: PackageFile) -> Iterator[str]:
    """Name of the project (Gerber Layer Format Specification 2021.02, section 5.6.8)."""
    if isinstance(file.content, GerberFile):
        project = file.content.attributes.get(".ProjectId", ())
        if project and project[0].strip():
            yield project[0].strip()


def _trimmed(name: str, keep: frozenset[str]) -> str:
    """Leave out words of sides and layers at the end, which most files may share."""
    parts = _SPLIT_KEPT.split(name)
    while len(parts) > 2:
        last = parts[-1].casefold()
        if last in keep or not (last in SIDE_WORDS or not last or kind_of_word(last) is not None):
            break
        parts = parts[:-2]
    return "".join(parts)

"""What a board is called, and its files: names of folders, safe names, names by role.

A board is called by its folder or zip where that speaks, otherwise by its files.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import PurePosixPath
from typing import Final

from fabkit.base.languages import in_english, without_accents
from fabkit.formats.gerber.model import GerberFile
from fabkit.formats.sidecars.model import Netlist
from fabkit.package.model import PackageFile, Role, RoleKind
from fabkit.package.words import SIDE_WORDS, image_names, kind_of_word

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
    # A folder "v2.2" names the revision that files "widget" do not state, unless they have one.
    if all(map(_is_generic, words)):
        told = all(word in within.casefold() for word in words)
        numbered = any(map(_NUMBER.fullmatch, _words(within)))
        return within if told or numbered else f"{within} {own}"
    return within if len(within) > len(own) and set(words) <= set(_words(within)) else own


UNNAMED: Final = "unnamed board"
"""Name where neither folder nor files have one."""


def names_something(name: str) -> bool:
    """Whether a name of a folder or package could be that of a keyboard.

    >>> names_something("wheatear"), names_something("gerbers_v2"), names_something("left")
    (True, False, False)
    """
    return not all(word in ("left", "right") or _is_generic(word) for word in _words(name))


def _words(name: str) -> list[str]:
    return [word.casefold() for word in _SPLIT.split(name) if word]


def _is_generic(word: str) -> bool:
    return word in _EMPTY or word in _VERSIONS or _NUMBER.fullmatch(word) is not None


def _name_of(files: Sequence[PackageFile], keep: frozenset[str]) -> str:
    """Name that the files give the board.

    Their project's, what most file names begin with, or the image name that most files share.
    """
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
    # What one file alone is called is its layer; what most are called is the board, or its file.
    images = Counter(_ENDING.sub("", name) for f in made for name in set(image_names(f.data)))
    image = [name for name, count in images.most_common(1) if count >= most]
    project = [name for name, _ in stated.most_common(1)]
    for name in (*project, max(alike, key=len, default=""), *image):
        trimmed = _trimmed(name, keep)
        if len(trimmed) >= FEWEST and not all(map(_is_generic, _words(trimmed))):
            return trimmed
    return ""


_ENDING: Final = re.compile(r"\.[A-Za-z][A-Za-z_]{1,9}$")
"""What follows the last dot of a file's name, such as ``.pcb``."""

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
        last = in_english(without_accents(parts[-1]).strip().casefold())
        if last in keep or not (last in SIDE_WORDS or not last or kind_of_word(last) is not None):
            break
        parts = parts[:-2]
    return "".join(parts)


_RESERVED: Final = frozenset(
    ("con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(1, 10)))
)
"""Names that no file may have where device names are reserved."""


def file_stem(name: str) -> str:
    """Make a name safe as a file's on every common system.

    >>> file_stem("Wheatear rev. B/2"), file_stem("con"), file_stem("..")
    ('Wheatear-rev.-B-2', 'con-board', 'board')
    """
    kept = "".join(c if c.isalnum() or c in "-_." else "-" for c in name).strip("-. ")
    if not kept:
        return "board"
    return f"{kept}-board" if kept.split(".")[0].casefold() in _RESERVED else kept


def safe_names(names: Iterable[str], *, but: str) -> list[str]:
    """Change what some common system refuses in names of an archive, or takes for another name.

    Device names, signs with a meaning, dots and spaces at the end (naming rules of file systems
    with drive letters), and names that differ in case alone, or are taken (``but``).

    >>> names = ["top.gbr", "con.gbr", "a b. ", "TOP.gbr", 'x/"q".gbr', "readme.txt"]
    >>> safe_names(names, but="readme.txt")
    ['top.gbr', 'file-con.gbr', 'a b', 'TOP-2.gbr', 'x/-q-.gbr', 'readme-2.txt']
    """
    taken = {but}
    out = []
    for name in names:
        safe = path = PurePosixPath(*map(_safe_part, PurePosixPath(name).parts))
        count = 2
        while str(safe).casefold() in taken:
            safe, count = path.with_name(f"{path.stem}-{count}{path.suffix}"), count + 1
        taken.add(str(safe).casefold())
        out.append(str(safe))
    return out


def _safe_part(part: str) -> str:
    kept = "".join("-" if c in '<>:"\\|?*' or not c.isprintable() else c for c in part)
    kept = kept.rstrip(". ") or "file"
    # The device is meant whatever ending follows, spaces before it included.
    device = kept.split(".")[0].rstrip().casefold() in _RESERVED
    return f"file-{kept}" if device else kept


def names_by_rule(files: Mapping[str, PackageFile], stem: str) -> dict[str, PackageFile]:
    """Name files by what they are: ``stem-top-copper-layer-1.gbr``.

    The rule: the stem, the words of the role joined by hyphens, a number from the second of a
    kind on, and the ending common in the trade: ``.gbr`` for layers and drills in Gerber form,
    ``.drl`` for drill programs, ``.gbrjob`` for the job file, ``.ipc`` for the netlist.

    Parameters
    ----------
    files
        By their present names, whose order numbers those of a kind.
    stem
        What the design is called.
    """
    named: dict[str, PackageFile] = {}
    for file in files.values():
        words = "job" if file.role.kind is RoleKind.JOB else str(file.role)
        base = f"{file_stem(stem)}-{'-'.join(words.replace('(', '').replace(')', '').split())}"
        name, count = base + _ending(file), 2
        while name in named:
            name, count = f"{base}-{count}{_ending(file)}", count + 1
        named[name] = file
    return dict(sorted(named.items()))


def _ending(file: PackageFile) -> str:
    if file.role.kind is RoleKind.JOB:
        return ".gbrjob"
    if isinstance(file.content, Netlist):
        return ".ipc"
    in_gerber_form = isinstance(file.content, GerberFile) or b"%FS" in file.data[:4096]
    return ".gbr" if in_gerber_form else ".drl"


def function_of(role: Role, copper: int) -> str:
    """File function of a role on a board of ``copper`` layers.

    Gerber Layer Format Specification 2021.02, section 5.6.3.

    >>> function_of(Role(kind=RoleKind.COPPER, side="bottom"), 4)
    'Copper,L4,Bot'
    """
    side = {"top": ",Top", "bottom": ",Bot"}.get(role.side or "", "")
    match role.kind:
        case RoleKind.COPPER:
            number = role.layer or (1 if role.side == "top" else copper)
            return f"Copper,L{number}{side or ',Inr'}"
        case RoleKind.MASK:
            return f"Soldermask{side}"
        case RoleKind.LEGEND:
            return f"Legend{side}"
        case RoleKind.PASTE:
            return f"Paste{side}"
        case RoleKind.PROFILE:
            return "Profile,NP"
        case RoleKind.DRILL if role.plated is not None:
            how = "Plated,1,{},PTH" if role.plated else "NonPlated,1,{},NPTH"
            return how.format(copper)
        case RoleKind.SCORE:
            return "Vcut"
        case _:
            return f"Other,{role}"


def polarity_of(role: Role) -> str:
    """File polarity of a role, usually (section 5.6.4): a mask shows where no mask is."""
    return "Negative" if role.kind is RoleKind.MASK else "Positive"

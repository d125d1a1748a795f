"""What files are called and state by their role: names safe on every system, file functions."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import PurePosixPath
from typing import Final

from fabkit.formats.gerber.model import GerberFile
from fabkit.formats.sidecars.model import Netlist
from fabkit.package.model import PackageFile, Role, RoleKind

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

"""The zip a board house gets: only what it needs, the same bytes each time, read back before use.

The archive of the same files and options is byte-identical with the same build of the compressor
(deflate's output may differ between builds, which is why the digest of the *contents* is given
too): sorted names, one date for all (1980-01-01, the first a zip can hold), mode 0644, no extra
fields, level 9.
"""

from __future__ import annotations

import hashlib
import re
import zipfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Final

from fabkit.base.errors import OutputRefused
from fabkit.outputs.atomic import new_file
from fabkit.package.model import Package, PackageFile, RoleKind
from fabkit.package.opening import ZIP_DATE

FOR_THE_HOUSE = frozenset(
    {
        RoleKind.COPPER,
        RoleKind.MASK,
        RoleKind.LEGEND,
        RoleKind.PASTE,
        RoleKind.PROFILE,
        RoleKind.DRILL,
        RoleKind.SCORE,
        RoleKind.OTHER_LAYER,
        RoleKind.JOB,
    }
)
"""Roles that go into the zip; everything else is for people or for assembly."""

README = "readme.txt"
_UNIX = 3
_MODE = 0o100644


@dataclass(frozen=True, slots=True, kw_only=True)
class Packed:
    """A written archive.

    Parameters
    ----------
    path
        Where it lies.
    members
        Names in the archive, with the SHA-256 of each.
    renamed
        Names in the archive that differ from those in the package, with the latter.
    left_out
        Files of the package that were not packed, with the reason.
    doubtful
        Those of them that draw or cut something which the board may need.
    sha256
        Of the archive.
    contents_sha256
        Of the names and digests of all members: the same whatever compressor wrote it.
    """

    path: Path
    members: Mapping[str, str]
    renamed: Mapping[str, str] = field(default_factory=dict)
    left_out: tuple[tuple[str, str], ...] = ()
    doubtful: tuple[str, ...] = ()
    sha256: str
    contents_sha256: str


def files_to_pack(
    package: Package, *, with_netlist: bool = False
) -> tuple[dict[str, PackageFile], tuple[tuple[str, str], ...]]:
    """Name in the archive to file, for all that the house needs; and what is left out, and why.

    Folders are dropped from the names where the plain names stay different from each other
    (also without regard to case, since the archive may be unpacked where case does not count).
    """
    wanted = FOR_THE_HOUSE | {RoleKind.NETLIST} if with_netlist else FOR_THE_HOUSE
    chosen = [f for f in package.files if f.role.kind in wanted]
    doubtful = doubtful_files(package)
    left = [
        (f.name, _NOT_KNOWN if f.name in doubtful else f"{f.role}: not needed to make the board")
        for f in package.files
        if f.role.kind not in wanted
    ]
    left += [(f.name, f.reason) for f in package.left_out]
    plain = [PurePosixPath(f.name).name for f in chosen]
    unique = len({n.casefold() for n in plain} | {README}) == len(plain) + 1
    names = plain if unique else [f.name for f in chosen]
    return dict(sorted(zip(names, chosen, strict=True))), tuple(sorted(left))


_NOT_KNOWN: Final = "it is not known whether the board needs it"

_CUTS: Final = re.compile(r"(?i)mill|rout|slot|cut.?out|score|v.?cut")
"""Words of files that may cut the board (common practice)."""


def doubtful_files(package: Package) -> tuple[str, ...]:
    """Find files that are left out and may be needed: without a role, or drawings of what is cut.

    One that draws nothing is needed by nobody.
    """
    return tuple(
        f.name
        for f in package.files
        if f.role.kind is RoleKind.UNKNOWN
        or (f.role.kind is RoleKind.DRAWING and _CUTS.search(PurePosixPath(f.name).name))
        if (f.gerber is not None and len(f.gerber.objects)) or f.drill is not None
    )


def is_renamed(name: str, file: PackageFile) -> bool:
    """Whether a file has another name in the archive than it was exported with."""
    return PurePosixPath(name).name != PurePosixPath(file.name).name


def write_archive(
    target: Path,
    contents: Mapping[str, bytes],
    *,
    verify: Callable[[Path], None],
    replace: bool = False,
) -> Packed:
    """Write a zip, read it back, and only then give it its name.

    ``verify`` gets the finished archive under its temporary name and raises when it is not good.

    Raises
    ------
    OutputRefused
        It exists, cannot be written, or did not read back as it was written.
    """
    with new_file(target, replace=replace) as part:
        with zipfile.ZipFile(part, "w") as archive:
            for name in sorted(contents):
                info = zipfile.ZipInfo(name, date_time=ZIP_DATE)
                info.create_system = _UNIX
                info.external_attr = _MODE << 16
                archive.writestr(info, contents[name], zipfile.ZIP_DEFLATED, 9)
        _compare(part, contents)
        verify(part)
        sha256 = digest(part.read_bytes())
    members = {name: digest(data) for name, data in contents.items()}
    return Packed(
        path=target, members=members, sha256=sha256, contents_sha256=contents_digest(members)
    )


def _compare(path: Path, contents: Mapping[str, bytes]) -> None:
    with zipfile.ZipFile(path) as archive:
        read = {info.filename: archive.read(info) for info in archive.infolist()}
    if read != contents:
        raise OutputRefused(
            "the archive did not read back as it was written",
            hint="the disk may be full or failing; nothing was kept",
        )


def digest(data: bytes) -> str:
    """SHA-256 in hexadecimal."""
    return hashlib.sha256(data).hexdigest()


def contents_digest(digests: Mapping[str, str]) -> str:
    """SHA-256 over sorted lines of ``digest  name``, as checksum tools print them."""
    lines = "".join(f"{digests[name]}  {name}\n" for name in sorted(digests))
    return digest(lines.encode())

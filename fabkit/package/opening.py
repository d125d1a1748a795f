"""Opens a folder, a zip or a single file, which may be hostile, and finds the one set it holds.

A fabrication data set is a folder or a zip; other archives are not allowed (Gerber Layer Format
Specification 2021.02, section 6.1).  What is read is counted against a budget before it is read,
and files that systems and editors leave behind are set aside by their names.
"""

from __future__ import annotations

import io
import lzma
import os
import stat
import struct
import zipfile
import zlib
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import compress
from pathlib import Path, PurePosixPath
from typing import Final

from fabkit.base.columns import gather
from fabkit.base.errors import LimitExceeded, SeveralPackages, UnreadableInput
from fabkit.base.findings import Finding, Place
from fabkit.base.limits import DEFAULT_LIMITS, Limits, how_to_raise
from fabkit.base.streams import STANDARD_STREAM, standard_input
from fabkit.base.units import format_number, some_of
from fabkit.demo import shown_path
from fabkit.formats.drill.reader import looks_like_drill
from fabkit.formats.gerber.reader import looks_like_gerber
from fabkit.formats.sidecars.workbooks import is_document
from fabkit.package.content import NO_LAYER, TEXT, kind_of_data
from fabkit.package.model import Intake, LeftOut, Member, RoleKind
from fabkit.package.words import NameSays, is_data_name, read_name, shared_words
from fabkit.rules import load_rule

ARCHIVE_BESIDE: Final = load_rule("package/archive-beside")

_OTHER_ARCHIVES: Final = (
    (0, b"Rar!\x1a\x07", "rar"),
    (0, b"7z\xbc\xaf\x27\x1c", "7z"),
    (0, b"\x1f\x8b", "gzip"),
    (0, b"BZh", "bzip2"),
    (0, b"\xfd7zXZ\x00", "xz"),
    (0, b"\x28\xb5\x2f\xfd", "zstandard"),
    (0, b"\x60\xea", "arj"),
    (257, b"ustar", "tar"),
)
_ZIP_STARTS: Final = (b"PK\x03\x04", b"PK\x05\x06", b"PK\x07\x08")
_FREE_BYTES: Final = 2**20
"""Below this unpacked size no ratio is judged: small texts pack extremely well."""
_ENTRY_BYTES: Final = 2**12
"""More than any usual entry of a directory takes: fewer bytes cannot be too many members."""
_ZIP_HINT: Final = "Export or zip the files again; a zip without a password is what is needed."


def is_zip(data: bytes) -> bool:
    """Check whether the bytes begin like a zip archive."""
    return data.startswith(_ZIP_STARTS)


def find_other_archive(data: bytes) -> str | None:
    """Kind of archive other than zip, by its first bytes; None when it is none."""
    return next((kind for at, magic, kind in _OTHER_ARCHIVES if data.startswith(magic, at)), None)


def read_archive(data: bytes, budget: Budget) -> tuple[list[Member], list[LeftOut]]:
    """Read every useful member of a zip archive.

    Parameters
    ----------
    budget
        What may still be spent; its ``source`` names the archive in messages.

    Returns
    -------
    Members in name order, and what was left out.

    Raises
    ------
    UnreadableInput
        Damaged, encrypted or hostile archive: names that lead out of it, links, duplicates.
    LimitExceeded
        More members, bytes or compression than the limits allow; counted from the directory
        before anything is unpacked.
    """
    source = budget.source
    budget.check_members(_stated_members(data))
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            return _read_members(archive, budget)
    # A damaged head of a packed member may ask for gigabytes to unpack it.
    except (zipfile.BadZipFile, EOFError, zlib.error, lzma.LZMAError, MemoryError) as error:
        raise UnreadableInput(
            f"{source} is a damaged or truncated zip ({error})", hint=_ZIP_HINT
        ) from error
    except (NotImplementedError, RuntimeError) as error:
        raise UnreadableInput(
            f"{source} is packed in a way that is not supported ({error})", hint=_ZIP_HINT
        ) from error
    except (OSError, ValueError, OverflowError) as error:
        raise UnreadableInput(f"{source} is a broken zip ({error})", hint=_ZIP_HINT) from error


def _stated_members(data: bytes) -> int:
    """Members that the end of the directory states; 0 where none is found.

    Counted before the directory is read, which takes time and memory with their number (APPNOTE
    4.3.14 to 4.3.16: the 64-bit record lies in front of the other where it is needed).
    """
    end = data.rfind(b"PK\x05\x06", max(0, len(data) - 2**16 - 22))
    if end < 0 or end + 22 > len(data):
        return 0
    (stated, size) = struct.unpack_from("<HI", data, end + 10)
    large = data.rfind(b"PK\x06\x06", max(0, end - 2**12), end)
    if large >= 0 and large + 56 <= end:
        (stated, size) = struct.unpack_from("<QQ", data, large + 32)
    # What is stated may be too little: an entry has at least 46 bytes, a usual one less than 200.
    return max(int(stated), min(int(size), end) // _ENTRY_BYTES)


def _read_members(archive: zipfile.ZipFile, budget: Budget) -> tuple[list[Member], list[LeftOut]]:
    wanted: list[tuple[str, zipfile.ZipInfo]] = []
    left_out: list[LeftOut] = []
    for info in archive.infolist():
        budget.count_member()
        name = _safe_name(info, budget)
        if info.is_dir():
            continue
        why = find_litter(name)
        if why is not None:
            left_out.append(LeftOut(name=name, reason=why))
            continue
        _check_member(info, name, budget)
        budget.count_bytes(name, info.file_size)
        wanted.append((name, info))
    members = []
    for name, info in sorted(wanted, key=lambda pair: (pair[0], pair[1].header_offset)):
        with archive.open(info) as stream:
            # One byte more than stated: enough to notice a member that unpacks to more, without
            # unpacking it.
            content = stream.read(info.file_size + 1)
        if len(content) != info.file_size:
            raise UnreadableInput(
                f"{name} in {budget.source} does not have the size its zip states", hint=_ZIP_HINT
            )
        members.append(Member(name, content))
    return members, left_out


def _safe_name(info: zipfile.ZipInfo, budget: Budget) -> str:
    # Some systems write backslashes, which would hide a way out from the tests below.
    name = info.filename.replace("\\", "/")
    parts = [part for part in name.split("/") if part not in ("", ".")]
    hint = "Do not unpack this zip; ask for a clean one."
    # A colon in second place follows the letter of a drive.
    if name.startswith("/") or (parts and parts[0][1:2] == ":"):
        raise UnreadableInput(
            f"{budget.source} holds a file with an absolute name: {name[:80]}", hint=hint
        )
    if ".." in parts:
        raise UnreadableInput(
            f"{budget.source} holds a file whose name leads out of it: {name[:80]}", hint=hint
        )
    if not parts:
        raise UnreadableInput(f"{budget.source} holds a file without a name", hint=hint)
    name = "/".join(parts)
    budget.check_depth(name)
    return name


def _check_member(info: zipfile.ZipInfo, name: str, budget: Budget) -> None:
    if info.flag_bits & 0x1:
        raise UnreadableInput(f"{name} in {budget.source} is encrypted", hint=_ZIP_HINT)
    # File types stand there only in zips made on Unix, system 3 (APPNOTE 4.4.2).
    mode = info.external_attr >> 16
    if info.create_system == 3 and stat.S_IFMT(mode) not in (0, stat.S_IFREG):
        kind = "symbolic link" if stat.S_ISLNK(mode) else "special file"
        raise UnreadableInput(
            f"{name} in {budget.source} is a {kind}, not a file",
            hint="Zip the file that the link points to in its place.",
        )
    ratio = budget.limits.archive_ratio
    if info.file_size > _FREE_BYTES and info.file_size > ratio * max(info.compress_size, 1):
        raise LimitExceeded(
            f"{name} in {budget.source} would unpack to {format_bytes(info.file_size)} from "
            f"{format_bytes(info.compress_size)}, more than {ratio} times its size",
            hint="No fabrication file packs that well: do not unpack this zip. "
            + how_to_raise("archive_ratio"),
        )


def format_bytes(count: int) -> str:
    """Write a size in the unit that suits it.

    >>> format_bytes(800), format_bytes(3 * 2**20)
    ('800 bytes', '3 MiB')
    """
    for unit, size in (("GiB", 2**30), ("MiB", 2**20), ("KiB", 2**10)):
        if count >= size:
            return f"{format_number(count / size, digits=1)} {unit}"
    return f"{count} bytes"


@dataclass(slots=True)
class Budget:
    """What is left of the limits while one package is opened."""

    source: str
    limits: Limits
    members: int = 0
    bytes_: int = 0

    def count_member(self) -> None:
        """Count one more name, used or not.

        Raises
        ------
        LimitExceeded
            When there are more than ``limits.members``.
        """
        self.members += 1
        self.check_members(self.members)

    def check_members(self, count: int) -> None:
        """Refuse a number of names, as :meth:`count_member`, before any of them is read."""
        if count > self.limits.members:
            raise LimitExceeded(
                f"{self.source} holds more than {self.limits.members} files",
                hint="Name the folder or zip that holds only the fabrication files of one board. "
                + how_to_raise("members"),
            )

    def count_bytes(self, name: str, size: int) -> None:
        """Count the bytes of one file that is about to be read.

        Raises
        ------
        LimitExceeded
            When the file or the package is too large.
        """
        if size > self.limits.file_bytes:
            raise LimitExceeded(
                f"{name} in {self.source} is {format_bytes(size)}, more than the "
                f"{format_bytes(self.limits.file_bytes)} allowed for one file",
                hint="Take the file out of the package, or export it again. "
                + how_to_raise("file_bytes", size),
            )
        self.bytes_ += size
        if self.bytes_ > self.limits.package_bytes:
            raise LimitExceeded(
                f"{self.source} holds more than the {format_bytes(self.limits.package_bytes)} "
                f"allowed for one package (reached at {name})",
                hint="Name the folder or zip that holds only the fabrication files of one board. "
                + how_to_raise("package_bytes"),
            )

    def check_depth(self, name: str) -> None:
        """Refuse a name that lies too many folders deep."""
        if name.count("/") > self.limits.path_depth:
            raise LimitExceeded(
                f"{name[:80]}... in {self.source} lies more than {self.limits.path_depth} "
                "folders deep",
                hint="Name the folder that holds the fabrication files themselves. "
                + how_to_raise("path_depth", name.count("/")),
            )


_FOLDERS: Final = {
    "__macosx": "resource forks of an operating system",
    "$recycle.bin": "the bin of an operating system",
    "system volume information": "data of an operating system",
}
_FILES: Final = {
    "thumbs.db": "picture cache of an operating system",
    "ehthumbs.db": "picture cache of an operating system",
    "desktop.ini": "folder settings of an operating system",
    "icon\r": "folder settings of an operating system",
}
_ENDINGS: Final = {
    "~": "backup copy of an editor",
    ".bak": "backup copy of an editor",
    ".tmp": "temporary file",
    ".swp": "temporary file of an editor",
    ".lck": "lock file of a program",
}


def find_litter(name: str) -> str | None:
    """Why a file of this name cannot belong to a package; None when it can.

    Parameters
    ----------
    name
        Path inside the package with ``/`` separators.

    Examples
    --------
    >>> find_litter("__MACOSX/._top.gtl")
    'resource forks of an operating system'
    >>> find_litter("top.gtl") is None
    True
    """
    *folders, last = name.lower().split("/")
    for folder in folders:
        if folder in _FOLDERS:
            return _FOLDERS[folder]
        if folder.startswith("."):
            return "inside a hidden folder"
    if last in _FILES:
        return _FILES[last]
    if last.startswith("._"):
        return "resource fork of an operating system"
    if last.startswith("~$"):
        return "lock file of a program"
    if last.startswith("."):
        return "hidden file"
    return next((why for end, why in _ENDINGS.items() if last.endswith(end)), None)


def open_input(path: Path, *, limits: Limits = DEFAULT_LIMITS, deep: bool = True) -> Intake:
    """Open what a user names as a package.

    Parameters
    ----------
    path
        Folder, zip archive or single file; ``-`` is a zip or file on standard input.
    deep
        Whether a folder is read with its sub-folders.
    limits
        Bounds on files, bytes, compression and depth, counted before anything is read.

    Returns
    -------
    Members in name order, so that the same input always gives the same package.  Archives
    inside are members as they are; :mod:`fabkit.package.opening` decides about them.

    Raises
    ------
    UnreadableInput
        Missing, empty, unreadable, damaged, encrypted, of another archive kind, or trying to
        lead out of itself.
    LimitExceeded
        Larger than the limits allow.
    """
    source = shown_path(path)
    budget = Budget(source, limits)
    if path == STANDARD_STREAM:
        return _read_standard_input(limits)
    try:
        exists, is_folder = path.exists(), path.is_dir()
    except (OSError, ValueError) as error:
        raise UnreadableInput(f"{path} cannot be read ({error})") from error
    if not exists:
        raise UnreadableInput(
            f"{path} does not exist", hint="Name a folder or a zip of exported files."
        )
    if is_folder:
        members, left_out = _read_folder(path, budget, deep=deep)
        return _intake(_as_text(path.resolve().name), members, left_out, budget)
    if not path.is_file():
        raise UnreadableInput(
            f"{path} is neither a folder nor a file",
            hint="Name a folder or a zip of exported files.",
        )
    return open_bytes(
        _read_file(path, path.name, budget), name=path.name, source=source, limits=limits
    )


def open_bytes(
    data: bytes, *, name: str, source: str = "", limits: Limits = DEFAULT_LIMITS
) -> Intake:
    """Open a zip or a single file whose bytes are at hand.

    Parameters
    ----------
    name
        What the file is called.
    source
        How messages name it; empty: by its name.

    Raises
    ------
    UnreadableInput, LimitExceeded
        As :func:`open_input`.
    """
    source = source or name
    budget = Budget(source, limits)
    if is_zip(data):
        members, left_out = read_archive(data, budget)
        return _intake(_as_text(Path(name).stem), members, left_out, budget)
    budget.count_bytes(name, len(data))
    _refuse_other_archive(source, data)
    return _intake(_as_text(Path(name).stem), [Member(_as_text(name), data)], [], budget)


def _read_standard_input(limits: Limits) -> Intake:
    """Open a zip or a single file on standard input."""
    data = standard_input(most=limits.package_bytes)
    Budget("standard input", limits).count_bytes("standard-input", len(data))
    return open_bytes(data, name="standard-input", source="standard input", limits=limits)


def _intake(name: str, members: list[Member], left_out: list[LeftOut], budget: Budget) -> Intake:
    if not any(member.data for member in members):
        what = "only empty files" if members else "no files that could belong to a board"
        raise UnreadableInput(
            f"{budget.source} holds {what}",
            hint="Name a folder or a zip of exported Gerber and drill files.",
        )
    kept, repeated = _drop_repeated_names(members, budget.source)
    left = sorted([*left_out, *repeated], key=lambda item: item.name)
    return Intake(
        name=name, source=_as_text(budget.source), members=tuple(kept), left_out=tuple(left)
    )


def _as_text(name: str) -> str:
    """Make a name that can be written: bytes of a file system that are no UTF-8 become U+FFFD."""
    return name.encode("utf-8", "surrogatepass").decode("utf-8", "replace")


def _drop_repeated_names(members: list[Member], source: str) -> tuple[list[Member], list[LeftOut]]:
    kept: dict[str, Member] = {}
    repeated = []
    for member in members:
        first = kept.setdefault(member.name.casefold(), member)
        if first is member:
            continue
        if first.data != member.data:
            raise UnreadableInput(
                f"{source} holds two different files named {first.name}"
                + (f" and {member.name}" if member.name != first.name else ""),
                hint="Many systems would keep only one of them: rename or remove one.",
            )
        repeated.append(LeftOut(name=member.name, reason=f"same bytes and name as {first.name}"))
    return list(kept.values()), repeated


def _read_folder(root: Path, budget: Budget, *, deep: bool) -> tuple[list[Member], list[LeftOut]]:
    members: list[Member] = []
    left_out: list[LeftOut] = []
    inside = root.resolve()
    waiting = [root]
    while waiting:
        folder = waiting.pop()
        try:
            with os.scandir(folder) as listing:
                entries = sorted(listing, key=lambda entry: entry.name)
        except OSError as error:
            raise UnreadableInput(
                f"{folder} cannot be read ({error.strerror})",
                hint="Check the permissions of the folder.",
            ) from error
        for entry in entries:
            path = Path(entry.path)
            name = _as_text(path.relative_to(root).as_posix())
            budget.count_member()
            budget.check_depth(name)
            why = find_litter(name)
            if why is None and entry.is_symlink():
                why = _judge_link(path, inside)
            if why is None and entry.is_dir(follow_symlinks=False):
                if deep:
                    waiting.append(path)
            elif why is None and not entry.is_file():
                why = "neither a file nor a folder"
            elif why is None:
                members.append(Member(name, _read_file(path, name, budget)))
            if why is not None:
                left_out.append(LeftOut(name=name, reason=why))
    return sorted(members, key=lambda member: member.name), left_out


def _judge_link(path: Path, inside: Path) -> str | None:
    """Why a symbolic link is left out; None when it leads to a file inside."""
    try:
        target = path.resolve(strict=True)
    except (OSError, RuntimeError):
        return "symbolic link that leads nowhere"
    if not target.is_relative_to(inside):
        raise UnreadableInput(
            f"{path} is a symbolic link that leads out of the package",
            hint="Put a copy of the file in its place, or remove the link.",
        )
    return None if target.is_file() else "symbolic link to a folder"


def _read_file(path: Path, name: str, budget: Budget) -> bytes:
    try:
        size = path.stat().st_size
        budget.count_bytes(name, size)
        with path.open("rb") as stream:
            data = stream.read(size + 1)
    except OSError as error:
        raise UnreadableInput(
            f"{path} cannot be read ({error.strerror})",
            hint="Check the permissions of the file.",
        ) from error
    return data


def _refuse_other_archive(source: str, data: bytes) -> None:
    kind = find_other_archive(data)
    if kind is not None:
        raise UnreadableInput(
            f"{source} is a {kind} archive; a fabrication data set is a folder or a zip",
            hint="Unpack it and name the folder, or pack it as a zip.",
        )


# A folder may hold layer files, a zip of them, or both; sub-folders may be parts of one set (layers
# here, drills there) or sets of their own.  Sets of their own are known by roles they share.

_TELLING = (RoleKind.COPPER, RoleKind.MASK, RoleKind.LEGEND, RoleKind.PASTE, RoleKind.PROFILE)
_NAMED_CANDIDATES = 12


def choose_set(intake: Intake, *, limits: Limits) -> Intake:
    """Choose the one set of layer files of an intake.

    Returns
    -------
    The intake without archives; the members of the archive that was used stand under its name.

    Raises
    ------
    UnreadableInput
        No layer or drill file at all.
    SeveralPackages
        Several sets, naming them.
    """
    packed = [is_zip(m.data) and not is_document(m.data) for m in intake.members]
    archives = list(compress(intake.members, packed))
    plain = [m for m, is_archive in zip(intake.members, packed, strict=True) if not is_archive]
    layers = [m for m in plain if _is_layer(m)]
    left_out = list(intake.left_out)
    problems = list(intake.problems)
    if layers:
        elsewhere = _lie_elsewhere(archives, layers)
        _refuse_several_folders(intake.source, layers, elsewhere)
        others = _with_layers(intake, elsewhere, limits)
        if others:
            _refuse(
                intake.source,
                "layer files in one folder and zips in others",
                [*_homes(layers), *(archive.name for archive, _, _ in others)],
            )
        left_out += [
            LeftOut(name=a.name, reason="an archive beside the loose layer files") for a in archives
        ]
        problems += [
            Finding.of(
                ARCHIVE_BESIDE,
                "not opened, because layer files lie beside it",
                Place(file=archive.name),
                assumed="not used",
            )
            for archive in archives
            if archive not in elsewhere
        ]
    elif archives:
        found = _with_layers(intake, archives, limits)
        if len(found) > 1:
            _refuse(intake.source, "zips", [archive.name for archive, _, _ in found])
        chosen, inside, dropped = found[0] if found else (None, [], [])
        layers = [m for m in inside if _is_layer(m)]
        plain = sorted([*plain, *inside], key=lambda member: member.name)
        left_out += dropped
        left_out += [
            LeftOut(name=a.name, reason="an archive without layer files")
            for a in archives
            if a is not chosen
        ]
        _refuse_several_folders(intake.source, layers, [])
    if not layers and not any(looks_like_drill(m.data) > 0 for m in plain):
        raise _without_layers(intake.source, plain, archives)
    _refuse_several_designs(intake.source, [*layers, *(m for m in plain if _is_drill(m, layers))])
    return replace(intake, members=tuple(plain), left_out=tuple(left_out), problems=tuple(problems))


def _without_layers(
    source: str, plain: Sequence[Member], archives: Sequence[Member]
) -> UnreadableInput:
    """Make the error about an input without a board, with what stands in the place of one."""
    hint = "Name a folder or a zip of exported fabrication files."
    alone = plain[0] if len(plain) == 1 and not archives else None
    if alone is not None and source.endswith(alone.name):
        what = kind_of_data(alone.data)
        if alone.name.endswith(".toml"):
            what = "a TOML file"
            hint = "This command takes the folder or zip of exported files that a sheet names."
        return UnreadableInput(f"{source} is {what}, and holds no Gerber or drill file", hint=hint)
    meant = alone or next((m for m in plain if is_data_name(m.name)), None)
    message = f"{source} holds no Gerber or drill file"
    if meant is not None:
        kind = kind_of_data(meant.data)
        message += f": {meant.name} is {NO_LAYER if kind == TEXT else kind}"
        hint = "Export the files again, or name another folder or zip."
    elif archives:
        message += f": the archives in {archives[0].name} are not opened"
        hint = "Unpack it, and name the folder or zip that holds the fabrication files."
    return UnreadableInput(message, hint=hint)


def _lie_elsewhere(archives: Sequence[Member], layers: Sequence[Member]) -> list[Member]:
    """Give the archives that lie neither in a folder of layers nor above one: sets of their own."""
    homes = [PurePosixPath(home) for home in _homes(layers)]
    return [a for a in archives if not any(h.is_relative_to(_home(a)) for h in homes)]


def _homes(members: Sequence[Member]) -> list[str]:
    """Folders of members, each once; ``.`` is the one named by the user."""
    return sorted({str(_home(member)) for member in members})


def _home(member: Member) -> PurePosixPath:
    return PurePosixPath(member.name).parent


_Opened = tuple[Member, list[Member], list[LeftOut]]
"""An archive, what it holds, and what of it is left out."""


def _with_layers(intake: Intake, archives: Sequence[Member], limits: Limits) -> list[_Opened]:
    """Give the archives that hold a layer or drill file."""
    found: list[_Opened] = []
    # One budget for all archives: many of them, each within the limits, may be too much together.
    spent = sum(len(m.data) for m in intake.members)
    for archive in archives:
        budget = Budget(f"{intake.source}/{archive.name}", limits, bytes_=spent)
        members, left_out = read_archive(archive.data, budget)
        spent = budget.bytes_
        if any(_is_layer(m) or looks_like_drill(m.data) for m in members):
            inside = [Member(f"{archive.name}/{m.name}", m.data) for m in members]
            left = [
                LeftOut(name=f"{archive.name}/{item.name}", reason=item.reason) for item in left_out
            ]
            found.append((archive, inside, left))
    return found


def _refuse(
    source: str, what: str, candidates: Sequence[str], hint: str = "Name one of them"
) -> None:
    shown = some_of(candidates, _NAMED_CANDIDATES)
    raise SeveralPackages(
        f"{source} holds {len(candidates)} packages, as {what}: {shown}",
        hint=f"{hint}; or write an order of them together: fabkit order new {source}",
        names=tuple(candidates),
    )


def _telling(says: NameSays) -> tuple[RoleKind, str | None] | None:
    if says.kind in _TELLING and says.confidence >= 0.5 and says.number is None:
        return says.kind, says.side
    return None


def _refuse_several_folders(
    source: str, layers: Sequence[Member], archives: Sequence[Member]
) -> None:
    folders = gather((str(_home(member)), member) for member in layers)
    if len(folders) < 2:
        return
    seen: dict[tuple[RoleKind, str | None], str] = {}
    for folder, members in sorted(folders.items()):
        shared = shared_words([member.name for member in members])
        for member in members:
            role = _telling(read_name(member.name, shared))
            if role is not None and seen.setdefault(role, folder) != folder:
                names = sorted([*folders, *(a.name for a in archives)])
                _refuse(source, "folders" + " and zips" * bool(archives), names)


def _is_layer(member: Member) -> bool:
    return looks_like_gerber(member.data) > looks_like_drill(member.data)


def _is_drill(member: Member, layers: Sequence[Member]) -> bool:
    return member not in layers and looks_like_drill(member.data) > 0


Design = tuple[str, ...]
"""Words of a file name that speak of no role: the design's own."""


def _designs(members: Sequence[Member]) -> dict[Design, list[Member]]:
    """Designs that each have files of the same roles; fewer than two are none."""
    designs: dict[Design, list[tuple[Member, NameSays]]] = defaultdict(list)
    for member in members:
        says = read_name(member.name)
        designs[says.rest].append((member, says))
    named = {rest: files for rest, files in designs.items() if len(files) >= 2}
    owners: dict[tuple[RoleKind, str | None], set[Design]] = defaultdict(set)
    for rest, files in named.items():
        for _, says in files:
            role = _telling(says)
            if role is not None:
                owners[role].add(rest)
    several = {rest for who in owners.values() if len(who) > 1 for rest in who}
    if len(several) < 2:
        return {}
    return {rest: [member for member, _ in named[rest]] for rest in sorted(several)}


def _refuse_several_designs(source: str, members: Sequence[Member]) -> None:
    """Refuse files of two boards in one folder: two names, each with the same roles."""
    designs = _designs(members)
    if not designs:
        return
    homes = [_homes(files) for files in designs.values()]
    if all(len(home) == 1 for home in homes) and len({h for (h,) in homes}) == len(homes):
        _refuse(source, "folders", sorted(h for (h,) in homes))
    first = sorted(files[0].name for files in designs.values())
    _refuse(
        source,
        "sets of files in one folder (one file of each)",
        first,
        f"Name one file of the set you mean, such as {first[0]} in {source} (unpack a zip first)",
    )


def set_of(intake: Intake, name: str) -> Intake:
    """Give the files of a folder that belong to the set one of them is of.

    A file belongs to the design whose words its name holds; a file that holds no design's words
    belongs to all.  Where the folder holds one design, that is all of it.
    """
    layers = [m for m in intake.members if _is_layer(m)]
    designs = _designs([*layers, *(m for m in intake.members if _is_drill(m, layers))])
    if not designs:
        return intake
    mine = _design_of(name, designs)
    if mine is None:
        return intake
    kept: list[Member] = []
    dropped: list[Member] = []
    for member in intake.members:
        belongs = _design_of(member.name, designs) in (mine, None)
        (kept if belongs else dropped).append(member)
    left = [LeftOut(name=m.name, reason=f"not of the set of {name}") for m in dropped]
    return replace(
        intake,
        name=" ".join(mine) or intake.name,
        members=tuple(kept),
        left_out=(*intake.left_out, *left),
    )


def _design_of(name: str, designs: Mapping[Design, object]) -> Design | None:
    """Design whose words a name holds, the one with most words first."""
    words = set(read_name(name).rest)
    fitting = [design for design in designs if design and words.issuperset(design)]
    return max(fitting, key=len, default=() if () in designs and not words else None)

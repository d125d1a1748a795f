"""Opens a folder, a zip or a single file and gives its named bytes.  Never writes."""

from __future__ import annotations

import os
from pathlib import Path

from fabkit.base.errors import UnreadableInput
from fabkit.base.limits import DEFAULT_LIMITS, Limits
from fabkit.base.streams import STANDARD_STREAM, standard_input
from fabkit.demo import shown_path
from fabkit.package.archive import Budget, find_litter, find_other_archive, is_zip, read_archive
from fabkit.package.model import Intake, LeftOut, Member


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
    inside are members as they are; :mod:`fabkit.package.choosing` decides about them.

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

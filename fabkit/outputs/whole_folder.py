"""A folder of outputs that changes places with the old one when it is whole; nothing is lost.

The new folder is filled under a hidden name beside the target.  In the end both are exchanged, in
one system call where the system has it.  Only then is the old one emptied: what fabkit wrote and
was not changed is removed, all else is moved into the new folder.  Every step can be stopped: what
is left then is found by the next run, and nothing of the user's is in danger.

The manifest of an order folder states what went in, what came out, and with which choices.  By it
the folder is known again: only one whose manifest names its files is ever replaced.
"""

from __future__ import annotations

import json
import os
import shutil
import stat
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from fabkit.base import VERSION
from fabkit.base.errors import OutputRefused
from fabkit.base.tables import Record
from fabkit.outputs.atomic import beside, digest, held, leftovers, new_part, refuse_place, refused

MANIFEST = "manifest.json"
MAKER = "fabkit order"
_LIBRARIES = ("matplotlib", "numpy", "pillow", "scipy", "shapely")


def versions() -> dict[str, str]:
    """Versions that can change an output's bytes."""
    found = {"fabkit": VERSION, "python": ".".join(str(n) for n in sys.version_info[:3])}
    for name in _LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found


def file_record(name: str, data: bytes) -> Record:
    """Name, length and SHA-256 of a file."""
    return {"name": name, "bytes": len(data), "sha256": digest(data)}


def folder_records(folder: Path) -> list[Record]:
    """Every file of a folder, in name order."""
    files = sorted(p for p in folder.rglob("*") if p.is_file())
    return [file_record(p.relative_to(folder).as_posix(), p.read_bytes()) for p in files]


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """What an existing folder holds, names at its top.

    ``strangers`` are files and folders of others, ``changed`` are outputs of ours with other bytes,
    ``unchanged`` those with ours; ``manifest`` is the manifest, where there is one.
    """

    strangers: tuple[str, ...] = ()
    changed: tuple[str, ...] = ()
    unchanged: tuple[str, ...] = ()
    manifest: tuple[str, ...] = ()


def look_at(folder: Path) -> Standing:
    """Compare a folder with its manifest.

    Raises
    ------
    OutputRefused
        It is not empty and no manifest of ours lists what is in it.
    """
    if not folder.exists():
        return Standing()
    if not folder.is_dir():
        raise OutputRefused(f"{folder} is a file", hint="give the name of a folder with --out")
    present = sorted(folder.iterdir())
    if not present:
        return Standing()
    ours = _outputs(folder / MANIFEST)
    if ours is None:
        raise OutputRefused(
            f"{folder} holds files that fabkit did not write, and was left as it is",
            hint="choose a new or empty folder with --out",
        )
    strangers, changed, unchanged = [], [], []
    for path in present:
        name = path.name
        if name == MANIFEST:
            continue
        if name not in ours or not _is_plain(path):
            strangers.append(name)
        elif (path.stat().st_size, digest(path.read_bytes())) != ours[name]:
            changed.append(name)
        else:
            unchanged.append(name)
    return Standing(
        strangers=tuple(strangers),
        changed=tuple(changed),
        unchanged=tuple(unchanged),
        manifest=(MANIFEST,),
    )


def _is_plain(path: Path) -> bool:
    """Accept only a file itself: no link to one, and nothing that would wait when it is read."""
    return path.is_file() and not path.is_symlink()


def _outputs(manifest: Path) -> dict[str, tuple[int, str]] | None:
    """Name to bytes and SHA-256 as the manifest has it; None when there is no manifest of ours."""
    if not _is_plain(manifest):
        return None
    try:
        record = json.loads(manifest.read_text(encoding="utf-8"))
        if record["made_by"] != MAKER:
            return None
        return {
            str(row["name"]): (int(row["bytes"]), str(row["sha256"])) for row in record["outputs"]
        }
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return None


_ROUNDS = 3
"""How often an old folder is emptied that others go on saving into."""


def settle_place(folder: Path, *, replace: bool) -> tuple[Path, list[str]]:
    """Heal what killed runs left, then refuse early what must not be replaced.

    Returns
    -------
    tuple
        The place itself (links resolved), and notes about what was healed.

    Raises
    ------
    OutputRefused
        The place cannot be written to or is in use as the working folder, the folder is not
        ours, or one of our files in it was changed and ``replace`` is false.
    """
    target = _place(folder)
    notes = _heal(target)
    _look(target, replace=replace)
    return target, notes


@contextmanager
def new_folder(folder: Path, *, replace: bool = False) -> Iterator[Path]:
    """Give a temporary folder to fill; it takes the place of ``folder`` when the block ends well.

    The old folder is looked at again right before and right after the exchange.  What the user
    keeps in it is moved over, in its own modes; outputs changed by hand are only replaced with
    ``replace``.

    Raises
    ------
    OutputRefused
        As for :func:`settle_place`; or a file of the user's has the name of a new output.
    """
    target = _place(folder)
    with ExitStack() as after:
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            with new_part(target, Path.mkdir) as part:
                after.callback(shutil.rmtree, part, ignore_errors=True)
                yield part
                _take_place(part, target, replace=replace)
        except OSError as error:
            raise refused(target, error) from error


def _place(folder: Path) -> Path:
    """Where a folder really goes."""
    absolute = Path(os.path.abspath(folder))  # noqa: PTH100 -- keeps a last symbolic link
    try:
        # The exchange would replace the link and leave the folder it leads to.
        target = absolute.resolve(strict=True) if absolute.is_symlink() else absolute
        mode = target.lstat().st_mode if os.path.lexists(target) else None
        here = Path.cwd()
    except (OSError, RuntimeError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise OutputRefused(
            f"cannot write {str(folder)[:80]}: {reason.lower()}",
            hint="give the name of a folder with --out",
        ) from error
    if target == target.parent:
        raise OutputRefused(
            f"{folder} is the root of the file system", hint="give a separate folder with --out"
        )
    if mode is not None and not stat.S_ISDIR(mode):
        kind = "a file" if stat.S_ISREG(mode) else "a device or a pipe"
        raise OutputRefused(f"{folder} is {kind}", hint="give the name of a folder with --out")
    if target == here or target in here.parents:
        raise OutputRefused(
            f"{folder} is the folder you are in, and would be replaced under your feet",
            hint="change to the folder above it and give its name with --out",
        )
    refuse_place(target)
    return target


def _look(folder: Path, *, replace: bool) -> Standing:
    """Look what an old folder holds; refuse one that must not be replaced."""
    standing = look_at(folder)
    if standing.changed and not replace:
        raise OutputRefused(
            f"{folder}: changed by hand since it was written: {', '.join(standing.changed)}",
            hint="move these files elsewhere, or say --replace to overwrite them",
        )
    return standing


def _judge(old: Path, new: Path, place: Path, *, replace: bool) -> None:
    """Refuse when the old folder holds what the new one would hide or take."""
    for name in _look(old, replace=replace).strangers:
        if os.path.lexists(new / name):
            raise OutputRefused(
                f"{place / name} is not ours, but a new file wants its name",
                hint="move it elsewhere and run again; nothing was changed",
            )


def _take_place(part: Path, target: Path, *, replace: bool) -> None:
    """Put the new folder where the old one is, and empty the old one."""
    # A run that held the folder may have moved it away while we waited: ask for what is there now.
    while target.exists():
        # Held, so that no other run takes it for a leftover under its later name.
        with held(target, wait=True) as ours:
            if ours:
                _replace(part, target, replace=replace)
                return
    part.rename(target)


def _replace(part: Path, target: Path, *, replace: bool) -> None:
    """Exchange new and old, and empty the old one."""
    _judge(target, part, target, replace=replace)
    # The place keeps the modes the user gave it; only we must be able to move files into it.
    part.chmod(stat.S_IMODE(target.stat().st_mode) | stat.S_IRWXU)
    # Under its last name first: whatever lies there after a kill is known by its ending.
    new = beside(target, ".old")
    part.rename(new)
    try:
        old = _exchange(new, target)
    except OSError:
        # Its first name again, under which the caller removes it.
        new.rename(part)
        raise
    try:
        # What was saved between the first look and the exchange shows only now. Nothing is removed
        # yet, so all can go back.
        _judge(old, target, target, replace=replace)
    except OutputRefused:
        shutil.rmtree(_exchange(old, target), ignore_errors=True)
        raise
    if not _empty(old, target, replace=replace):
        raise OutputRefused(
            f"{target} is written, but files of the old folder are left in {old.name} beside it",
            hint="they were saved while the folder was replaced: move them where you want them",
        )


def _exchange(new: Path, target: Path) -> Path:
    """Put ``new`` in the place of ``target``; give the name under which the old one is now.

    A kill in between leaves the old folder whole: as ``target``, or beside it while there is no
    ``target``.  After an error nothing is changed.
    """
    if _swap_names(new, target):
        return new
    aside = beside(target, ".old")
    target.rename(aside)
    try:
        new.rename(target)
    # On an interrupt, too: otherwise there would be no folder under the name.
    except BaseException:
        aside.rename(target)
        raise
    return aside


def _swap_names(one: Path, other: Path) -> bool:
    """Exchange two names in one system call; False where the system has none."""
    import ctypes

    try:
        libc = ctypes.CDLL(None)
        if sys.platform == "darwin":
            swap, here = libc.renamex_np, []
        else:
            swap, here = libc.renameat2, [ctypes.c_int(-100)]  # AT_FDCWD
    except (OSError, AttributeError, TypeError):
        return False
    names = [[*here, ctypes.c_char_p(os.fsencode(path))] for path in (one, other)]
    # 2 is RENAME_EXCHANGE of Linux (renameat2(2)) and RENAME_SWAP of macOS (renamex_np(2)).
    return bool(swap(*names[0], *names[1], ctypes.c_uint(2)) == 0)


def _empty(old: Path, target: Path, *, replace: bool) -> bool:
    """Move what is not ours from an old folder into its successor, remove the rest.

    Returns
    -------
    bool
        Whether all of it found its place and the old folder is gone.
    """
    # A file saved meanwhile keeps rmdir from removing the folder and is found by the next round;
    # removing a tree would take it along.
    for _ in range(_ROUNDS):
        standing = look_at(old)
        if standing.changed and not replace:
            return False
        for name in standing.strangers:
            # The rename would replace it without a word.
            if os.path.lexists(target / name):
                return False
            (old / name).rename(target / name)
        # The manifest goes last: until then it lists what is ours.
        for name in (*standing.changed, *standing.unchanged, *standing.manifest):
            (old / name).unlink(missing_ok=True)
        with suppress(OSError):
            old.rmdir()
            return True
    return False


def _heal(target: Path) -> list[str]:
    """Bring back, take over and clean what stopped runs left; notes about it."""
    notes = []
    if target.exists():
        look_at(target)  # nothing is moved into a folder that is not ours
    for old in leftovers(target, ".old"):
        end = "kept: look through it, then delete it"
        with suppress(OutputRefused, OSError):
            if not target.exists():
                # The run was stopped between the two renames of a system that cannot exchange
                # names.
                old.rename(target)
                end = f"brought back as {target.name}"
            elif _empty(old, target, replace=False):
                end = "cleaned"
        notes.append(f"{old.name}, left by a stopped run, was {end}")
    # A part was never in place, so nothing of the user's is in it.
    for part in leftovers(target, ".part"):
        shutil.rmtree(part, ignore_errors=True)
        notes.append(f"{part.name}, left by a stopped run, was removed")
    return notes

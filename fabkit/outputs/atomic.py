"""Writing that never leaves half a file, and never takes what was there before without being told.

Everything is written under a temporary name in the target's own folder and renamed when it is
whole.  A failure leaves the old output as it was.  A kill may leave a hidden file or folder that
ends in ``.part`` and may be deleted; between the two renames of a folder, the old one is whole
under a hidden name that ends in ``.old``.
"""

from __future__ import annotations

import os
import secrets
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from fabkit.errors import OutputRefused
from fabkit.streams import STANDARD_STREAM, standard_output


def _beside(target: Path, ending: str) -> Path:
    return target.with_name(f".{target.name}.{secrets.token_hex(4)}{ending}")


def refused(target: Path, error: OSError) -> OutputRefused:
    """Say in the user's words why the system would not let us write."""
    reason = error.strerror or str(error)
    return OutputRefused(
        f"cannot write {target}: {reason.lower()}",
        hint="choose another place with --out, or free some space and try again",
    )


def refuse_existing(target: Path, *, replace: bool) -> None:
    """Refuse early, before any long work, to overwrite a file.

    Raises
    ------
    OutputRefused
        ``target`` exists and ``replace`` is false, or it is a folder.
    """
    if target == STANDARD_STREAM:
        return
    if target.is_dir():
        raise OutputRefused(f"{target} is a folder", hint="give the name of a file with --out")
    if not replace and (target.exists() or target.is_symlink()):
        raise OutputRefused(
            f"{target} exists already and was left as it is",
            hint="choose another name with --out, or say --replace",
        )


@contextmanager
def new_file(target: Path, *, replace: bool = False) -> Iterator[Path]:
    """Give a temporary path to write to; it becomes ``target`` when the block ends well.

    The target ``-`` is standard output, which gets the file when it is whole.

    Raises
    ------
    OutputRefused
        ``target`` exists and ``replace`` is false, or it cannot be written.
    """
    refuse_existing(target, replace=replace)
    if target == STANDARD_STREAM:
        with tempfile.TemporaryDirectory() as folder:
            yield Path(folder) / "out"
            standard_output((Path(folder) / "out").read_bytes())
        return
    part = _beside(target, ".part")
    try:
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            yield part
            with part.open("rb+") as written:
                os.fsync(written.fileno())
            refuse_existing(target, replace=replace)
            part.replace(target)
        except OSError as error:
            raise refused(target, error) from error
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)


def write_file(target: Path, data: bytes, *, replace: bool = False) -> None:
    """Write a whole file, or nothing.

    Raises
    ------
    OutputRefused
        As for :func:`new_file`.
    """
    with new_file(target, replace=replace) as part:
        part.write_bytes(data)


@contextmanager
def new_folder(target: Path, *, carry: tuple[str, ...] = ()) -> Iterator[Path]:
    """Give a temporary folder to fill; it takes the place of ``target`` when the block ends well.

    The caller has made sure that everything in an old ``target`` may go, except the files named
    in ``carry`` (relative, ``/`` separators), which are copied over.

    Raises
    ------
    OutputRefused
        ``target`` cannot be written, or a file to carry over has the name of a new one.
    """
    target = Path(os.path.abspath(target))  # noqa: PTH100 -- keeps a last symbolic link
    if target.is_symlink():
        target = target.resolve()
    part, old = _beside(target, ".part"), _beside(target, ".old")
    try:
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            part.mkdir()
            yield part
            for name in carry:
                _carry_over(target / name, part / name)
            if target.exists():
                target.rename(old)
            try:
                part.rename(target)
            except OSError:
                if old.exists():
                    old.rename(target)
                raise
            shutil.rmtree(old, ignore_errors=True)
        except OSError as error:
            raise refused(target, error) from error
    finally:
        shutil.rmtree(part, ignore_errors=True)


def _carry_over(source: Path, target: Path) -> None:
    if target.exists() or target.is_symlink():
        raise OutputRefused(
            f"{source} is not ours, but a new file wants its name",
            hint="move it elsewhere and run again; nothing was changed",
        )
    target.parent.mkdir(parents=True, exist_ok=True)
    shutil.copy2(source, target, follow_symlinks=False)

"""Writing that never leaves half a file, and never takes what was there before without being asked.

Everything is written under a temporary name in the target's own folder and renamed when it is
whole.  A failure leaves the old output as it was.  A kill may leave a hidden file that ends in
``.part``; the next run removes it once no process holds it.  Folders: ``whole_folder``.

Who works on something holds it by a lock that ends with the process, however it ends.  The lock is
advisory (``flock`` of the system).  Where a system or a file system has none, nothing is known of
other processes, and nothing counts as left by a stopped run.

A zip is read back before it gets its name, and is the same bytes each time: sorted names, one date
for all (1980-01-01, the first a zip can hold), mode 0644, no extra fields, level 9.  Another build
of the compressor may deflate to other bytes, which is why the digest of the *contents* is given,
too.
"""

from __future__ import annotations

import hashlib
import os
import re
import secrets
import tempfile
import zipfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from fabkit.base import ZIP_DATE
from fabkit.base.errors import OutputRefused
from fabkit.base.streams import STANDARD_STREAM, standard_output


@contextmanager
def held(path: Path, *, wait: bool) -> Iterator[bool]:
    """Hold a file or folder; the hold stays with it when it is renamed.

    Parameters
    ----------
    path
        What is there already.
    wait
        Whether to wait while another process holds it.

    Yields
    ------
    bool
        Whether it is ours now and still has this name; without ``wait``, only when that is sure.
    """
    try:
        import fcntl

        # Without O_NONBLOCK the opening of a pipe waits for somebody who writes to it.
        descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
    except FileNotFoundError:
        yield False
        return
    except (ImportError, OSError):
        # No lock to be had: whoever waits goes on as without locks, whoever looks for leftovers
        # finds none.
        yield wait
        return
    try:
        ours = wait
        with suppress(OSError):
            fcntl.flock(descriptor, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
            # While we waited the holder may have renamed or removed it: the lock is on that, not
            # on what has the name now.
            ours = _names(path, descriptor)
        yield ours
    finally:
        os.close(descriptor)


def _names(path: Path, descriptor: int) -> bool:
    """Whether a name still leads to what is open."""
    try:
        return os.path.samestat(path.lstat(), os.fstat(descriptor))
    except FileNotFoundError:
        return False


_NAME_BYTES = 255
"""Bytes of one name that common file systems hold."""


def beside(target: Path, ending: str) -> Path:
    """Make a hidden name of our own in the target's folder."""
    # Random, so that two runs for one target never share a name; in the same folder, because a
    # rename is atomic only within one file system.
    return target.with_name(f".{target.name}.{secrets.token_hex(4)}{ending}")


@contextmanager
def new_part(target: Path, make: Callable[[Path], object]) -> Iterator[Path]:
    """Make something under a hidden name beside the target, and hold it meanwhile."""
    while True:
        part = beside(target, ".part")
        make(part)
        with held(part, wait=True) as ours:
            if ours:  # else another run took it for a leftover in the moment before
                yield part
                return


def leftovers(target: Path, ending: str) -> Iterator[Path]:
    """Find what stopped runs left beside a target, each held while it is looked at."""
    shape = re.compile(re.escape(f".{target.name}.") + "[0-9a-f]{8}" + re.escape(ending))
    try:
        found = sorted(p for p in target.parent.iterdir() if shape.fullmatch(p.name))
    except OSError:
        return
    for path in found:
        # Parts are files and folders: a link of such a name is not ours, nor is what it leads to.
        if not path.is_symlink():
            with held(path, wait=False) as ours:
                if ours:
                    yield path


def refuse_place(target: Path) -> None:
    """Refuse at once a place that nothing can be written to.

    Raises
    ------
    OutputRefused
        The name is too long, or the nearest folder above is none or cannot be written to.
    """
    # The hidden name is the longer one: a target that just fits could not be written beside itself.
    if len(os.fsencode(target.name)) + len("..01234567.part") > _NAME_BYTES:
        raise OutputRefused(
            f"the name {target.name[:40]}... is too long", hint="give a shorter name with --out"
        )
    try:
        # Missing folders are made later, so the nearest one that exists decides.
        path = Path(os.path.abspath(target))  # noqa: PTH100
        above = next(p for p in (*path.parents, path) if p.exists())
    except (OSError, ValueError) as error:
        raise OutputRefused(
            f"cannot write {str(target)[:80]}: {error}", hint="choose another place with --out"
        ) from error
    if not above.is_dir():
        raise OutputRefused(
            f"cannot write {target}: {above} is not a folder",
            hint="choose another place with --out",
        )
    if not os.access(above, os.W_OK | os.X_OK):
        raise OutputRefused(
            f"cannot write {target}: permission denied in {above}",
            hint="choose another place with --out",
        )


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
        ``target`` exists and ``replace`` is false, it is a folder, a device or a pipe, or its
        place cannot be written to.
    """
    if target == STANDARD_STREAM:
        return
    refuse_place(target)
    if target.is_dir():
        raise OutputRefused(f"{target} is a folder", hint="give the name of a file with --out")
    if target.exists() and not target.is_file():
        raise OutputRefused(
            f"{target} is a device or a pipe, not a file",
            hint="give the name of a file with --out, or - for standard output",
        )
    if not replace and (target.exists() or target.is_symlink()):
        raise OutputRefused(
            f"{target} exists already and was left as it is",
            hint="choose another name with --out, or add --replace",
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
            # A pipe takes nothing back: nothing is sent before the block has ended well.
            standard_output((Path(folder) / "out").read_bytes())
        return
    with ExitStack() as after:
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            for left in leftovers(target, ".part"):
                if left.is_file():
                    left.unlink(missing_ok=True)
            with new_part(target, partial(Path.touch, exist_ok=False)) as part:
                after.callback(_remove, part)
                yield part
                with part.open("rb+") as written:
                    # Without it a power cut may leave the new name with an empty file behind it.
                    os.fsync(written.fileno())
                # Asked again: the block may have worked long, and the rename overwrites what was
                # written there meanwhile.
                refuse_existing(target, replace=replace)
                part.replace(target)
        except OSError as error:
            raise refused(target, error) from error


def _remove(part: Path) -> None:
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


# Zips


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

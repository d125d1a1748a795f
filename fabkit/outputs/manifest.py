"""The manifest of an order folder: what went in, what came out, with which choices.

It is also how the folder is known again: only a folder whose manifest names its files is ever
replaced, files the user added are carried over, and files the user changed are not overwritten.
"""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from fabkit.base.errors import OutputRefused
from fabkit.base.tables import Record
from fabkit.base.version import VERSION
from fabkit.outputs.archive import digest

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

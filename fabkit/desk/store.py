"""Where orders lie: a folder each, which its user can see, copy, edit and delete.

In it are ``order.toml``, the packages and sheets it names, and ``done``: what was made of them.
Nothing else is remembered, so that a desk that was killed goes on where it was.
"""

from __future__ import annotations

import hashlib
import json
import re
import secrets
import shutil
import time
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from fabkit.base.errors import UnreadableInput, UsageError
from fabkit.base.tables import Record
from fabkit.demo import FOLDER as DEMO
from fabkit.outputs.atomic import leftovers, new_file, write_file
from fabkit.package.naming import file_stem

ORDER_FILE: Final = "order.toml"
PACKAGES: Final = "packages"
SHEETS: Final = "sheets"
DONE: Final = "done"
VIEWS: Final = ("picture", "verdict", "cost", "parts", "thickness", "wiring", "package", "changed")
"""Parts of the page, each a file in ``done``, in the order in which they become known."""

MOST_PACKAGES: Final = 40
"""Of one order: far more than designs of a keyboard."""
NAME_CHARACTERS: Final = 80
"""Of a label that are kept in the name of a file."""
_PART: Final = re.compile(r"\.(.+)\.[0-9a-f]{8}\.part")
_ID: Final = re.compile(r"[0-9a-f]{16}")


def default_folder() -> Path:
    """Find the platform's own place for a user's data."""
    from platformdirs import user_data_path

    return user_data_path("fabkit", appauthor=False) / "desk"


def safe_name(label: str, *, ending: str = "") -> str:
    r"""Make a file name of a label from elsewhere, which may look like a path.

    >>> safe_name("../../etc/passwd", ending=".zip"), safe_name("C:\\a\\v 2.zip", ending=".zip")
    ('passwd.zip', 'v-2.zip')
    """
    last = re.split(r"[/\\]", label.rstrip("/\\"))[-1]
    stem = last[: -len(ending)] if ending and last.casefold().endswith(ending) else last
    return file_stem(stem[:NAME_CHARACTERS]) + ending


@dataclass(frozen=True, slots=True)
class OrderFolder:
    """One order of the store."""

    id: str
    path: Path

    @property
    def order_file(self) -> Path:
        """Where the order file is, or will be."""
        return self.path / ORDER_FILE

    @property
    def done(self) -> Path:
        """Where lies what was made."""
        return self.path / DONE

    def text(self) -> bytes:
        """Read the order file; empty where there is none yet."""
        try:
            return self.order_file.read_bytes()
        except FileNotFoundError:
            return b""

    def view(self, name: str) -> Path:
        """Where a part of the page is."""
        return self.done / f"{name}.html"

    def packages(self) -> list[str]:
        """Paths of the packages, relative to the folder."""
        return self._names(PACKAGES)

    def sheets(self) -> list[str]:
        """Paths of the sheets, relative to the folder."""
        return self._names(SHEETS)

    def _names(self, part: str) -> list[str]:
        folder = self.path / part
        if not folder.is_dir():
            return []
        shown = (path for path in folder.iterdir() if not path.name.startswith("."))
        return sorted(f"{part}/{path.name}" for path in shown)

    def record(self, name: str) -> Record:
        """Read a JSON file of ``done``; empty where there is none."""
        try:
            found = json.loads((self.done / f"{name}.json").read_bytes())
        except (OSError, ValueError):
            return {}
        return found if isinstance(found, dict) else {}

    def keep_record(self, name: str, record: Record) -> None:
        """Write a JSON file of ``done``."""
        self.keep(f"{name}.json", json.dumps(record, ensure_ascii=False, default=str).encode())

    def keep(self, name: str, data: bytes) -> None:
        """Write a file of ``done``, whole or not at all."""
        write_file(self.done / name, data, replace=True)

    def stamp(self, name: str) -> str:
        """Time and size of a file of ``done``, as a short text; empty where there is none."""
        try:
            stat = (self.done / name).stat()
        except FileNotFoundError:
            return ""
        return f"{stat.st_mtime_ns:x}-{stat.st_size:x}"

    def inputs_digest(self) -> str:
        """Digest of the order file, sheets and packages: what was made of others is out of date."""
        made = hashlib.sha256(self.text())
        for name in (*self.packages(), *self.sheets()):
            with suppress(FileNotFoundError):  # it may go at any time
                stat = (self.path / name).stat()
                made.update(f"{name} {stat.st_size} {stat.st_mtime_ns}\0".encode())
        return made.hexdigest()

    def write_order(self, data: bytes) -> None:
        """Write the order file, whole or not at all."""
        write_file(self.order_file, data, replace=True)

    def add_demo(self) -> None:
        """Make this the order of the bundled demo."""
        for name in ("house.toml", "house-b.toml", "parts.toml"):
            write_file(self.path / SHEETS / name, (DEMO / name).read_bytes())
        with self.new_package("rev-b") as (part, package), zipfile.ZipFile(part, "w") as archive:
            for path in sorted((DEMO / "rev-b").iterdir()):
                archive.writestr(zipfile.ZipInfo(path.name), path.read_bytes())
        text = (DEMO / ORDER_FILE).read_text(encoding="utf-8")
        moved = {"rev-b": package} | {path.rsplit("/")[-1]: path for path in self.sheets()}
        for name, there in moved.items():
            text = text.replace(f'"{name}"', f'"{there}"')
        self.write_order(text.encode())

    @contextmanager
    def new_package(self, label: str) -> Iterator[tuple[Path, str]]:
        """Give a path to write a package to, and the name it gets when the block ends well.

        Raises
        ------
        UsageError
            The order has too many packages.
        """
        taken = {name.casefold() for name in self.packages()}
        if len(taken) >= MOST_PACKAGES:
            raise UsageError(
                f"an order has at most {MOST_PACKAGES} packages",
                hint="begin another order for the others",
            )
        stem = safe_name(label, ending=".zip")[: -len(".zip")]
        name, count = f"{PACKAGES}/{stem}.zip", 2
        while name.casefold() in taken:
            name, count = f"{PACKAGES}/{stem}-{count}.zip", count + 1
        with new_file(self.path / name) as part:
            yield part, name


class Store:
    """All orders of one user, in one folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def open(self) -> None:
        """Make the folder, readable by its user alone, and remove what killed desks left.

        Raises
        ------
        UnreadableInput
            It cannot be used.
        """
        try:
            self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        except OSError as error:
            raise UnreadableInput(
                f"{self.folder}: {error.strerror or error}", hint="name another place with --folder"
            ) from error
        for gone in self.folder.glob(".*.gone"):
            shutil.rmtree(gone, ignore_errors=True)
        for one in self.orders():
            for folder in (one.path, one.path / PACKAGES, one.path / SHEETS, one.done):
                _clean(folder)

    def orders(self) -> list[OrderFolder]:
        """All orders, the newest first."""
        found = (p for p in self.folder.iterdir() if _ID.fullmatch(p.name) and p.is_dir())
        return [OrderFolder(p.name, p) for p in sorted(found, reverse=True) if not p.is_symlink()]

    def get(self, name: str) -> OrderFolder | None:
        """Find an order; None where there is none of that name."""
        path = self.folder / name if _ID.fullmatch(name) else None
        if path is None or path.is_symlink() or not path.is_dir():
            return None
        return OrderFolder(name, path)

    def begin(self) -> OrderFolder:
        """Make a new order; names of later orders sort behind those of earlier ones."""
        name = f"{time.time_ns() // 1_000_000:011x}{secrets.token_hex(3)[:5]}"
        path = self.folder / name
        path.mkdir(mode=0o700)
        return OrderFolder(name, path)

    def remove(self, order: OrderFolder) -> None:
        """Delete an order with all that is in it."""
        # Under a hidden name first: what another desk writes meanwhile meets no half an order.
        gone = order.path.with_name(f".{order.id}.gone")
        order.path.rename(gone)
        shutil.rmtree(gone, ignore_errors=True)

    def listing(self) -> list[Record]:
        """Say of each order its name, revision, and what came of it; the newest first.

        Orders that nothing came into are not listed.
        """
        counts: dict[str, int] = {}
        rows = []
        for one in reversed(self.orders()):
            if not (one.order_file.exists() or one.packages() or one.sheets()):
                continue
            summary = one.record("summary")
            name = str(summary.get("name") or "")
            counts[name] = counts.get(name, 0) + 1
            rows.append(
                {
                    "id": one.id,
                    "name": name or None,
                    "revision": counts[name],
                    "changed": _changed(one),
                    "verdict": summary.get("verdict"),
                    "total": summary.get("total"),
                    "best": summary.get("best"),
                }
            )
        return rows[::-1]


def _clean(folder: Path) -> None:
    """Remove files that were never whole and that nobody writes any more."""
    parts = (_PART.fullmatch(path.name) for path in folder.glob(".*.part"))
    for name in {found[1] for found in parts if found}:
        for left in leftovers(folder / name, ".part"):
            if left.is_file():
                left.unlink(missing_ok=True)


def _changed(order: OrderFolder) -> str:
    """When an order was changed last: UTC, to the second."""
    there = order.order_file if order.order_file.exists() else order.path
    return time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(there.stat().st_mtime))

"""Counts what an input asks for, before it is read."""

from __future__ import annotations

from dataclasses import dataclass

from fabkit.base.errors import LimitExceeded
from fabkit.base.limits import Limits, how_to_raise
from fabkit.base.units import format_number


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

"""What opening a folder or an archive gives: named bytes."""

from __future__ import annotations

from dataclasses import dataclass

from fabkit.findings import Finding


@dataclass(frozen=True, slots=True)
class Member:
    """One file: its name inside the package (``/`` separators) and its bytes."""

    name: str
    data: bytes

    def __repr__(self) -> str:
        return f"Member({self.name!r}, {len(self.data)} bytes)"


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """A file that is not used, and why."""

    name: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Intake:
    """All files of one folder or archive."""

    name: str
    """Stem of the folder or archive."""
    source: str
    """Path as given."""
    members: tuple[Member, ...]
    left_out: tuple[LeftOut, ...]
    problems: tuple[Finding, ...] = ()

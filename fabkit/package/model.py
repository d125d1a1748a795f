"""A package: files with roles, confidence and reasons."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import StrEnum
from functools import cached_property
from typing import Literal

from fabkit.base.findings import Finding, Severity
from fabkit.base.limits import DEFAULT_LIMITS, Limits
from fabkit.base.tables import Result, Table, columns_of
from fabkit.base.units import counted
from fabkit.formats.drill.model import DrillFile
from fabkit.formats.gerber.model import GerberFile
from fabkit.formats.sidecars.model import JobFile, Netlist, PartsTable, Placement
from fabkit.package.order_text import OrderNote

Side = Literal["top", "bottom"]


def face_word(side: Side) -> str:
    """Call a face of the board as people do: ``front`` or ``back``."""
    return "front" if side == "top" else "back"


Content = GerberFile | DrillFile | JobFile | Netlist | Placement | PartsTable


class RoleKind(StrEnum):
    """What a file is for."""

    COPPER = "copper"
    MASK = "solder mask"
    LEGEND = "legend"
    PASTE = "paste"
    PROFILE = "profile"
    DRILL = "drill"
    SCORE = "score lines"
    GLUE = "glue"
    OTHER_LAYER = "other layer"
    """A further production layer: carbon, peelable mask, via fill ..."""
    COMPONENTS = "components"
    """A component layer (Gerber X3)."""
    JOB = "job file"
    NETLIST = "netlist"
    PLACEMENT = "placement table"
    PARTS = "parts table"
    DRAWING = "drawing"
    """Meant for people: drill map, fabrication or assembly drawing."""
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Member:
    """One file: its name inside the package (``/`` separators) and its bytes."""

    name: str
    data: bytes

    def __repr__(self) -> str:
        return f"Member({self.name!r}, {len(self.data)} bytes)"


def base_name(member: str) -> str:
    """Last part of a member's name, in lower case: lists and texts name files so, or otherwise."""
    return member.rsplit("/", 1)[-1].lower()


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Role:
    """What a file is for, on which side and layer."""

    kind: RoleKind
    side: Side | None = None
    layer: int | None = None
    """Copper: layer number from the top, from 1; None when not known."""
    inner: bool = False
    """Copper between the outer layers."""
    plated: bool | None = None
    """Drill: whether plated; None unknown or mixed."""

    def __str__(self) -> str:
        words = []
        if self.kind is RoleKind.DRILL and self.plated is not None:
            words.append("plated" if self.plated else "non-plated")
        if self.side:
            words.append(self.side)
        if self.inner:
            words.append("inner")
        words.append(str(self.kind))
        if self.kind is RoleKind.COPPER and self.layer is not None:
            words.append(f"(layer {self.layer})")
        return " ".join(words)


@dataclass(frozen=True, slots=True, kw_only=True)
class PackageFile:
    """One file of a package.

    ``confidence`` runs from 0 to 1; ``reason`` says in words where the role comes from.
    """

    name: str
    data: bytes = field(repr=False)
    role: Role
    confidence: float
    reason: str
    content: Content | None = field(repr=False)

    @property
    def problems(self) -> tuple[Finding, ...]:
        """What is wrong in it; no board is made from a drawing, so nothing there is an error."""
        found = () if self.content is None else self.content.problems
        if self.role.kind is not RoleKind.DRAWING:
            return found
        return tuple(replace(p, severity=min(p.severity, Severity.WARNING)) for p in found)

    @property
    def gerber(self) -> GerberFile | None:
        """Its content when it is a Gerber file."""
        return self.content if isinstance(self.content, GerberFile) else None

    @property
    def drill(self) -> DrillFile | None:
        """Its content when it is a drill file (in NC or Gerber form)."""
        return self.content if isinstance(self.content, DrillFile) else None


@dataclass(frozen=True, eq=False, repr=False)
class Package(Result):
    """All files of one design, each with its role; and what was left out."""

    name: str
    source: str
    files: tuple[PackageFile, ...]
    left_out: tuple[LeftOut, ...]
    remarks: tuple[Finding, ...]
    """What is wrong with the files as a set; ``problems`` has what is wrong in each, too."""
    stated: tuple[str, ...] = ()
    """Files whose role the user stated."""
    notes: tuple[OrderNote, ...] = ()
    """What texts beside the layers ask for in plain words."""
    limits: Limits = DEFAULT_LIMITS
    """Bounds it was read under; what is packed from it is read again under the same."""

    @property
    def brief(self) -> str:
        """What it is, in a few words."""
        return f"{self.name}: {counted(len(self.files), 'file')}"

    @cached_property
    def problems(self) -> tuple[Finding, ...]:
        """What is wrong with the set, then in each file."""
        return (*self.remarks, *(problem for file in self.files for problem in file.problems))

    def table(self) -> Table:
        """Every file with its role, in words and in parts, and where the role comes from."""
        keys = ("file", "role", "kind", "side", "layer", "plated", "confidence", "reason", "bytes")
        rows = []
        for f in self.files:
            role = (str(f.role), f.role.kind.value, f.role.side, f.role.layer, f.role.plated)
            rows.append((f.name, *role, f.confidence, f.reason, len(f.data)))
        return Table(columns_of(*keys, numbers=("layer", "confidence", "bytes")), tuple(rows))

    def of(self, kind: RoleKind, side: Side | None = None) -> tuple[PackageFile, ...]:
        """Files of a kind (and side), in package order."""
        return tuple(
            f for f in self.files if f.role.kind is kind and (side is None or f.role.side == side)
        )

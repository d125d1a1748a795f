"""What the small files beside the layers become."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from fabkit.base.findings import Finding

Side = Literal["top", "bottom"]
PointKind = Literal["through", "surface", "tooling", "blind"]


@dataclass(frozen=True, slots=True, kw_only=True)
class JobFileEntry:
    """One row of a job file's list of files."""

    path: str
    function: tuple[str, ...]
    polarity: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class JobFile:
    """A Gerber job file (``.gbrjob``); None where it states nothing."""

    name: str
    project: str | None
    revision: str | None
    size_mm: tuple[float, float] | None
    layers: int | None
    thickness_mm: float | None
    finish: str | None
    files: tuple[JobFileEntry, ...]
    design_rules: tuple[Mapping[str, Any], ...]
    stackup: tuple[Mapping[str, Any], ...]
    raw: Mapping[str, Any] = field(default_factory=dict)
    problems: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class NetPoint:
    """One test record of a bare-board netlist (IPC-D-356)."""

    net: str
    ref: str
    pin: str
    x_mm: float
    y_mm: float
    hole_mm: float | None
    plated: bool | None
    access: int
    """0 both sides, else the layer number (1 primary)."""
    size_mm: tuple[float, float] | None
    rotation_deg: float
    mask: int | None
    kind: PointKind
    line: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Netlist:
    """A bare-board netlist file."""

    name: str
    points: tuple[NetPoint, ...]
    problems: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedPart:
    """One row of a placement table; positions are as written, in mm."""

    ref: str
    value: str
    footprint: str
    x_mm: float
    y_mm: float
    rotation_deg: float
    side: Side | None
    """None where its word names no face."""
    fitted: bool = True
    line: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Placement:
    """A placement (centroid) table."""

    name: str
    parts: tuple[PlacedPart, ...]
    unit_stated: bool = True
    """False when no unit is stated and positions were read as millimetres."""
    problems: tuple[Finding, ...] = ()
    nameless: int = 0
    """Rows with a value or footprint and a position, but no designator; they are in no list."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedPart:
    """One row of a parts table."""

    refs: tuple[str, ...]
    value: str
    footprint: str
    part_number: str
    manufacturer: str
    quantity: int
    fitted: bool = True
    line: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class PartsTable:
    """A parts table (bill of material) beside the layers."""

    name: str
    rows: tuple[ListedPart, ...]
    problems: tuple[Finding, ...] = ()

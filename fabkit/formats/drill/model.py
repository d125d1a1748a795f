"""What a drill file becomes: columns of hits and slots, tools, the number format, problems."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from fabkit.base.columns import Bools, Ints
from fabkit.base.findings import Finding, Severity, raise_for
from fabkit.base.units import INCH_MM, counted
from fabkit.formats.gerber.model import Attributes
from fabkit.geometry.segments import Placing, Points, Segments

Unit = Literal["mm", "inch"]
Zeros = Literal["leading", "trailing", "point"]

ROUND_MM: Final = 0.01
"""A slot longer than wide by less than this is drilled, not routed."""


@dataclass(frozen=True, slots=True, eq=False)
class Hits(Points):
    """Round holes in file order, every repeat expanded.

    Columns
    -------
    x, y : float64, mm
    tool : int32
        Index into ``DrillFile.tools``; -1 when no tool was selected.
    attributes : int32
        Index into ``DrillFile.attribute_sets``.
    offset : int64
        Byte offset of the command.
    """

    tool: NDArray[np.int32]
    attributes: NDArray[np.int32]
    offset: Ints


@dataclass(frozen=True, slots=True, eq=False)
class Slots(Segments):
    """Straight and curved cuts of a round tool, in file order.

    Columns
    -------
    x0, y0, x1, y1, cx, cy, turn
        As in :class:`fabkit.geometry.segments.Segments`.
    tool, attributes, offset
        As in :class:`Hits`.
    path : int32
        Equal for the segments cut without lifting the tool; a drilled slot (G85) is a path of
        one segment.
    routed : bool
        True for a routed path, False for a drilled slot.
    """

    tool: NDArray[np.int32]
    attributes: NDArray[np.int32]
    path: NDArray[np.int32]
    routed: Bools
    offset: Ints


@dataclass(frozen=True, slots=True, kw_only=True)
class Tool:
    """One drill or router bit.

    ``diameter_mm`` is None when the file never states it.  ``plated`` is None when nothing in the
    file states.  ``function`` holds the fields of ``.AperFunction`` without plating fields.
    ``opening_of`` is set when this is no bit but a large round opening (G84, G32, G33): the row
    of the tool that cuts it; ``diameter_mm`` is then the finished diameter.
    """

    number: int
    diameter_mm: float | None
    plated: bool | None = None
    function: tuple[str, ...] = ()
    attributes: Attributes = field(default_factory=dict)
    offset: int | None = None
    opening_of: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberFormat:
    """How coordinate texts become lengths.

    ``zeros`` names the zeros that are written, as the format does: ``"leading"`` (trailing ones
    may be missing) or ``"trailing"``; ``"point"`` when every coordinate has a decimal point.
    """

    unit: Unit
    zeros: Zeros
    integers: int
    decimals: int
    evidence: str = "stated"
    """``"stated"``, ``"default"`` or what it was inferred from."""
    certain: bool = True
    """False when another format explains the file nearly as well."""

    @property
    def unit_mm(self) -> float:
        """One file unit in millimetres."""
        return INCH_MM if self.unit == "inch" else 1.0

    @property
    def step_mm(self) -> float:
        """Smallest step of a coordinate without a point, mm."""
        return float(self.unit_mm / 10**self.decimals)


@dataclass(frozen=True, slots=True, kw_only=True)
class FormatHint:
    """What words state of the numbers, in comments or beside the file; None where nothing."""

    unit: Unit | None = None
    zeros: Zeros | None = None
    digits: tuple[int, int] | None = None


@dataclass(frozen=True, eq=False, repr=False)
class DrillFile:
    """A drill file as read.

    Parameters
    ----------
    plated
        Of the whole file; None when unknown or mixed (then see the tools).
    span
        First and last copper layer, 1 on top; None when not stated.
    needs_format
        True when unit or digits are not stated and ``format`` is only a default: read again with
        a format inferred from the board (see :mod:`fabkit.formats.drill.inference`).
    plating_evidence
        What ``plated`` rests on: ``"attributes"``, ``"comments"``, ``"file name"`` or ``""``.
    work_zero_mm
        Sum of the shifts by G93, already contained in the coordinates.
    """

    name: str
    size_bytes: int
    hits: Hits
    slots: Slots
    tools: tuple[Tool, ...]
    attribute_sets: tuple[Attributes, ...]
    attributes: Attributes
    plated: bool | None
    span: tuple[int, int] | None
    format: NumberFormat
    needs_format: bool
    problems: tuple[Finding, ...]
    complete: bool
    plating_evidence: str = ""
    work_zero_mm: tuple[float, float] = (0.0, 0.0)

    def __repr__(self) -> str:
        hits, slots = len(self.hits), len(np.unique(self.slots.path))
        return f"<DrillFile {self.name}: {counted(hits, 'hole')}, {counted(slots, 'slot')}>"

    @property
    def function(self) -> tuple[str, ...]:
        """Fields of ``.FileFunction``; empty when it has none."""
        return self.attributes.get(".FileFunction", ())

    def placed(self, placing: Placing) -> DrillFile:
        """Give the same holes and slots laid elsewhere."""
        return replace(self, hits=self.hits.placed(placing), slots=self.slots.placed(placing))

    def raise_for(self, severity: Severity) -> None:
        """Raise UnreadableInput when any problem is at least as severe."""
        raise_for(self.problems, severity)

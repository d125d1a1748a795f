"""The catalogue of hole patterns: which holes make a switch site, a header, a screw hole."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Literal

from fabkit.keyboard.model import Family, Hold
from fabkit.sheets.reading import Count, Length, Span, Wrong, read_as
from fabkit.sheets.toml_text import SheetText, read_sheet

PatternKind = Literal[
    "key", "jack", "encoder", "stabiliser", "module", "header", "connector", "mounting"
]
BUNDLED = Path(__file__).with_name("patterns.toml")

PLACE_TOLERANCE_MM = 0.15
"""How far a hole may be from its place in the pattern.

Half the spread between published drawings of the same part plus the rounding of an inch export
(common practice); an order below the distance between different parts' holes.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class PatternHole:
    """One hole: place and range of diameters, mm."""

    x_mm: float
    y_mm: float
    least_mm: float
    most_mm: float
    optional: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """A row of holes of any length from ``least``."""

    least: int
    pitch_mm: float
    least_mm: float
    most_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Pattern:
    """A hole pattern.

    ``holes`` or ``run`` describes it; ``clear_mm`` keeps other holes away from its
    centre (0: they do not matter).
    """

    key: str
    title: str
    kind: PatternKind
    holes: tuple[PatternHole, ...]
    run: Run | None
    tolerance_mm: float
    clear_mm: float
    note: str
    family: Family = "not known"
    held_by: Hold = "not known"
    size_u: float = 1.0
    """Of a stabiliser: width of its key in key units."""

    @property
    def required(self) -> tuple[PatternHole, ...]:
        """Holes that must be there."""
        return tuple(h for h in self.holes if not h.optional)

    @property
    def contacts(self) -> tuple[PatternHole, ...]:
        """Of a key: holes of its contacts, those that must be there off the line of the posts."""
        return tuple(h for h in self.required if h.y_mm)


def load_patterns(path: Path | None = None) -> tuple[Pattern, ...]:
    """Load a pattern catalogue; None gives the bundled one.

    Raises
    ------
    SheetError
        A key is wrong; names file, line and key.
    """
    return _bundled() if path is None else patterns_from(read_sheet(path))


@lru_cache(maxsize=1)
def _bundled() -> tuple[Pattern, ...]:
    return patterns_from(read_sheet(BUNDLED))


# The file


@dataclass(frozen=True, kw_only=True)
class _Drilled:
    """What has a range of diameters."""

    diameter_mm: tuple[Length, Length]

    def __post_init__(self) -> None:
        if self.diameter_mm[0] > self.diameter_mm[1]:
            raise Wrong("diameter_mm", "not a range", expected="[smallest, largest]")


@dataclass(frozen=True, kw_only=True)
class _Hole(_Drilled):
    at_mm: tuple[float, float]
    optional: bool = False


@dataclass(frozen=True, kw_only=True)
class _Rows(_Drilled):
    """Two rows of holes around their common centre."""

    count: Annotated[int, Span(least=2, most=1000)]
    pitch_mm: Length
    apart_mm: Length


@dataclass(frozen=True, kw_only=True)
class _Row(_Drilled):
    """One row of holes of any length."""

    least: Annotated[int, Span(least=2, most=1000)]
    pitch_mm: Length


@dataclass(frozen=True, kw_only=True)
class _PatternTable:
    key: str
    title: str
    kind: PatternKind
    holes: tuple[_Hole, ...] = ()
    rows: _Rows | None = None
    row: _Row | None = None
    tolerance_mm: Annotated[float, Span(above=0, most=1)] = PLACE_TOLERANCE_MM
    clear_mm: Annotated[float, Span(least=0)] = 0.0
    note: str = ""
    family: Family = "not known"
    held_by: Hold = "not known"
    size_u: Annotated[float, Span(least=1, most=10)] = 1.0

    def __post_init__(self) -> None:
        if bool(self.holes or self.rows) == (self.row is not None):
            raise Wrong(
                "", "needs one of holes, rows and row", expected="holes = [...], rows or row"
            )
        if self.holes and all(hole.optional for hole in self.holes):
            raise Wrong("holes", "all are optional", expected="at least one that is not")


@dataclass(frozen=True, kw_only=True)
class _PatternFile:
    format: Count
    pattern: tuple[_PatternTable, ...]


def patterns_from(text: SheetText) -> tuple[Pattern, ...]:
    """Make a catalogue of its parsed text; raises as :func:`load_patterns`."""
    file = read_as(_PatternFile, text, what="the pattern catalogue")
    keys = [one.key for one in file.pattern]
    for n, key in enumerate(keys):
        if key in keys[:n]:
            raise text.error(
                ("pattern", n, "key"), f"'{key}' is there twice", expected="another key"
            )
    return tuple(
        Pattern(
            key=one.key,
            title=one.title,
            kind=one.kind,
            holes=_holes(one),
            run=None if one.row is None else _run(one.row),
            tolerance_mm=one.tolerance_mm,
            clear_mm=one.clear_mm,
            note=one.note,
            family=one.family,
            held_by=one.held_by,
            size_u=one.size_u,
        )
        for one in file.pattern
    )


def _holes(table: _PatternTable) -> tuple[PatternHole, ...]:
    """Holes as listed, or two rows spelled out around their common centre."""
    if table.holes or table.rows is None:
        return tuple(
            PatternHole(
                x_mm=hole.at_mm[0],
                y_mm=hole.at_mm[1],
                least_mm=hole.diameter_mm[0],
                most_mm=hole.diameter_mm[1],
                optional=hole.optional,
            )
            for hole in table.holes
        )
    rows = table.rows
    return tuple(
        PatternHole(
            x_mm=side * rows.apart_mm / 2,
            y_mm=((rows.count - 1) / 2 - i) * rows.pitch_mm,
            least_mm=rows.diameter_mm[0],
            most_mm=rows.diameter_mm[1],
        )
        for side in (-1, 1)
        for i in range(rows.count)
    )


def _run(row: _Row) -> Run:
    least, most = row.diameter_mm
    return Run(least=row.least, pitch_mm=row.pitch_mm, least_mm=least, most_mm=most)

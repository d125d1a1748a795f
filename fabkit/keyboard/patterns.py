"""The catalogue of hole patterns: which holes make a switch site, a header, a screw hole."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Literal

from fabkit.keyboard.model import Family, Hold
from fabkit.sheets.house import check_format
from fabkit.sheets.table import Table, read_sheet

PatternKind = Literal["key", "stabiliser", "module", "header", "connector", "mounting"]
KINDS: tuple[PatternKind, ...] = (
    "key",
    "stabiliser",
    "module",
    "header",
    "connector",
    "mounting",
)
FAMILIES: tuple[Family, ...] = ("full-height", "low-profile", "not known")
HOLDS: tuple[Hold, ...] = ("soldered", "socket", "not known")
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

    ``holes`` or ``run`` says what it looks like; ``clear_mm`` keeps other holes away from its
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


def patterns_from(table: Table) -> tuple[Pattern, ...]:
    """Build a catalogue from its parsed text."""
    check_format(table, "the pattern catalogue")
    patterns: list[Pattern] = []
    for row in table.tables("pattern"):
        pattern = Pattern(
            key=row.text("key"),
            title=row.text("title"),
            kind=row.text("kind", choices=KINDS),
            holes=_holes(row) or _rows(row),
            run=_run(row),
            tolerance_mm=row.number("tolerance_mm", PLACE_TOLERANCE_MM, above=0, most=1),
            clear_mm=row.number("clear_mm", 0.0, least=0),
            note=row.text("note", ""),
            family=row.text("family", "not known", choices=FAMILIES),
            held_by=row.text("held_by", "not known", choices=HOLDS),
        )
        if any(p.key == pattern.key for p in patterns):
            raise row.error("key", f"'{pattern.key}' is there twice", expected="a key of its own")
        if bool(pattern.holes) == (pattern.run is not None):
            raise row.error(
                None, "needs one of holes, rows and row", expected="holes = [...], rows or row"
            )
        if pattern.holes and not pattern.required:
            raise row.error("holes", "all are optional", expected="at least one that is not")
        row.done()
        patterns.append(pattern)
    table.done()
    return tuple(patterns)


def _range(row: Table) -> tuple[float, float]:
    sizes = row.decimals("diameter_mm", above=0)
    if len(sizes) != 2 or sizes[0] > sizes[1]:
        raise row.error("diameter_mm", "not a range", expected="[smallest, largest]")
    return float(sizes[0]), float(sizes[1])


def _holes(row: Table) -> tuple[PatternHole, ...]:
    holes = []
    for hole in row.tables("holes", None):
        at = hole.decimals("at_mm")
        if len(at) != 2:
            raise hole.error("at_mm", f"{len(at)} numbers", expected="[x, y]")
        least, most = _range(hole)
        holes.append(
            PatternHole(
                x_mm=float(at[0]),
                y_mm=float(at[1]),
                least_mm=least,
                most_mm=most,
                optional=hole.flag("optional", False),
            )
        )
        hole.done()
    return tuple(holes)


def _rows(row: Table) -> tuple[PatternHole, ...]:
    """Two rows of holes, spelled out around their common centre."""
    if "rows" not in row:
        row.table("rows", None)
        return ()
    rows = row.table("rows")
    count = rows.integer("count", least=2)
    pitch = rows.number("pitch_mm", above=0)
    apart = rows.number("apart_mm", above=0)
    least, most = _range(rows)
    rows.done()
    return tuple(
        PatternHole(
            x_mm=side * apart / 2,
            y_mm=((count - 1) / 2 - i) * pitch,
            least_mm=least,
            most_mm=most,
        )
        for side in (-1, 1)
        for i in range(count)
    )


def _run(row: Table) -> Run | None:
    if "row" not in row:
        row.table("row", None)
        return None
    inner = row.table("row")
    count = inner.integer("least", least=2)
    pitch = inner.number("pitch_mm", above=0)
    least, most = _range(inner)
    inner.done()
    return Run(least=count, pitch_mm=pitch, least_mm=least, most_mm=most)

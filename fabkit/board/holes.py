"""Everything drilled: duplicates removed, and what is plated where files do not state it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final, TypeVar

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.base.columns import Bools, Floats, Ints
from fabkit.base.findings import Finding, Place, Severity, places_at
from fabkit.board.model import BoardSlots, Holes, Layer
from fabkit.formats.drill.model import DrillFile, Hits, Slots
from fabkit.formats.gerber.model import GerberFile, object_boxes, object_shapes
from fabkit.formats.gerber.reader import looks_like_gerber
from fabkit.geometry.neighbours import PointTree
from fabkit.geometry.segments import Segments, join_boxes
from fabkit.package.model import Package, PackageFile, RoleKind
from fabkit.rules import load_rule

HOLES_DOUBLED: Final = load_rule("board/holes-given-twice")
PLATED_AND_NOT: Final = load_rule("board/plated-and-not")
HOLE_SIZE: Final = load_rule("board/hole-size-unknown")
PLATING_INFERRED: Final = load_rule("board/plating-inferred")

SAME_PLACE_MM: Final = 0.02
"""Holes of two files nearer than this are one hole: two roundings of a coarse inch format."""
SAME_SIZE_MM: Final = 0.06
"""Diameters nearer than this are one size: rounding to 0.1 mm or to a mil (common practice)."""
_PLACES: Final = 20
_Cuts = TypeVar("_Cuts", Holes, BoardSlots)


@dataclass(slots=True)
class Drilled:
    """Merged drill data."""

    holes: Holes
    slots: BoardSlots
    names: tuple[str, ...]
    functions: tuple[tuple[str, ...], ...]
    images: frozenset[str]
    """Names of the files in Gerber form."""
    findings: list[Finding] = field(default_factory=list)


def merge_drills(package: Package, copper_layers: int) -> Drilled:
    """Merge the drill files of a package.

    Parameters
    ----------
    copper_layers
        Number of copper layers, for the span of holes that do not state one; at least 1.
    """
    files = sorted((f for f in package.of(RoleKind.DRILL) if f.drill is not None), key=_precedence)
    table = _Table(files, max(copper_layers, 1))
    holes = Holes.concat(*(table.holes_of(n) for n in range(len(files))))
    slots = BoardSlots.concat(*(table.slots_of(n) for n in range(len(files))))
    images = frozenset(f.name for f in files if looks_like_gerber(f.data) > 0)
    merged = Drilled(holes, slots, tuple(f.name for f in files), tuple(table.functions), images)
    _report_sizes(merged)
    spots = holes.spots()
    merged.holes = _merge(merged, holes, spots, "holes")
    # The sum of the ends and the product of the sides show where a slot lies and how it leans,
    # whichever end it is cut from.
    first, last = slots.starts(), slots.ends()
    side, length = last - first, slots.chords()
    lean = np.where(length > 0, side[:, 0] * side[:, 1] / np.maximum(length, 1e-12), 0.0)
    keys = np.column_stack((first + last, np.abs(side), lean))
    merged.slots = _merge(merged, slots, keys, "slots")
    return merged


def _precedence(file: PackageFile) -> tuple[bool, bool, str]:
    """NC form first, then files that know their plating: these are kept of doubled holes."""
    drill = file.drill
    known = drill is not None and (
        drill.plated is not None or any(tool.plated is not None for tool in drill.tools)
    )
    return looks_like_gerber(file.data) > 0, not known, file.name


class _Table:
    """Turns the columns of one drill file into the columns of the board."""

    def __init__(self, files: Sequence[PackageFile], layers: int) -> None:
        self._files = files
        self._layers = layers
        self._codes: dict[tuple[str, ...], int] = {(): 0}
        self._paths = 0

    @property
    def functions(self) -> list[tuple[str, ...]]:
        return list(self._codes)

    def _drill(self, number: int) -> DrillFile:
        drill = self._files[number].drill
        if drill is None:
            raise TypeError("only drill files are merged")
        return drill

    def _shared(self, number: int, rows: Hits | Slots) -> dict[str, NDArray[Any]]:
        drill = self._drill(number)
        role = self._files[number].role
        of_file = drill.plated if drill.plated is not None else role.plated
        # One more row stands for tool -1: a hole before any tool was chosen.
        diameters = np.array([t.diameter_mm or 0.0 for t in drill.tools] + [0.0])
        plated = np.array(
            [_plated(t.plated, of_file) for t in drill.tools] + [_plated(None, of_file)]
        )
        numbers = np.array([t.number for t in drill.tools] + [-1])
        codes = np.array(
            [self._codes.setdefault(t.function, len(self._codes)) for t in drill.tools] + [0]
        )
        span = drill.span or (1, self._layers)
        count = len(rows)
        return {
            "diameter": diameters[rows.tool],
            "plated": plated[rows.tool],
            "file": np.full(count, number),
            "tool": numbers[rows.tool],
            "first": np.full(count, min(span)),
            "last": np.full(count, max(span)),
            "function": codes[rows.tool],
            "offset": rows.offset,
        }

    def holes_of(self, number: int) -> Holes:
        hits = self._drill(number).hits
        return Holes(x=hits.x, y=hits.y, **self._shared(number, hits))

    def slots_of(self, number: int) -> BoardSlots:
        slots = self._drill(number).slots
        numbers, back = np.unique(slots.path, return_inverse=True)
        path: NDArray[np.int32] = np.asarray(back.reshape(-1) + self._paths, dtype=np.int32)
        self._paths += len(numbers)
        return BoardSlots(
            **Segments.of(slots).by_name(),
            path=path,
            **self._shared(number, slots),
        )


def _plated(of_tool: bool | None, of_file: bool | None) -> int:
    chosen = of_tool if of_tool is not None else of_file
    return -1 if chosen is None else int(chosen)


def _report_sizes(merged: Drilled) -> None:
    for table in (merged.holes, merged.slots):
        rows = np.flatnonzero(table.diameter <= 0)
        if len(rows):
            merged.findings.append(
                Finding.of(
                    HOLE_SIZE,
                    f"{len(rows)} {'holes' if table is merged.holes else 'slots'} have no diameter",
                    *_places(merged, table, rows),
                    count=len(rows),
                    assumed="not cut",
                )
            )


def _places(merged: Drilled, table: Holes | BoardSlots, rows: Ints) -> list[Place]:
    x, y = (table.x, table.y) if isinstance(table, Holes) else (table.x0, table.y0)
    return [
        Place(file=merged.names[int(table.file[i])], x_mm=float(x[i]), y_mm=float(y[i]))
        for i in rows[:_PLACES]
    ]


def _merge(merged: Drilled, table: _Cuts, keys: Floats, word: str) -> _Cuts:
    """Keep one of each pair of equal cuts in different files; the earlier file's is kept."""
    if len(table) < 2 or len(np.unique(table.file)) < 2:
        return table
    pairs = PointTree(keys).pairs(SAME_PLACE_MM)
    a, b = pairs.min(axis=1, initial=len(table)), pairs.max(axis=1, initial=-1)
    same = (
        (table.file[a] != table.file[b])
        & (np.abs(table.diameter[a] - table.diameter[b]) <= SAME_SIZE_MM)
        & (table.first[a] == table.first[b])
        & (table.last[a] == table.last[b])
    )
    a, b = a[same], b[same]
    if not len(a):
        return table
    kept, dropped = np.minimum(a, b), np.maximum(a, b)
    order = np.lexsort((dropped, kept))
    kept, dropped = kept[order], dropped[order]
    plated, function = table.plated.copy(), table.function.copy()
    clash = (plated[kept] >= 0) & (plated[dropped] >= 0) & (plated[kept] != plated[dropped])
    if clash.any():
        rows = kept[clash]
        merged.findings.append(
            Finding.of(
                PLATED_AND_NOT,
                f"{len(rows)} {word if len(rows) > 1 else word[:-1]} plated in one file and "
                "non-plated in another",
                *_places(merged, table, rows),
                count=len(rows),
                measured=float(table.diameter[rows[0]]),
                unit="mm",
                assumed="counted once, plated",
            )
        )
    unknown = plated[kept] < 0
    plated[kept[unknown]] = plated[dropped[unknown]]
    plated[kept[clash]] = 1
    bare = function[kept] == 0
    function[kept[bare]] = function[dropped[bare]]
    gone = np.zeros(len(table), dtype=bool)
    gone[dropped] = True
    pairs_of_files = sorted(
        {
            (merged.names[int(table.file[i])], merged.names[int(table.file[j])])
            for i, j in zip(kept[~clash], dropped[~clash], strict=True)
        }
    )
    for one, other in pairs_of_files:
        here = (table.file[kept] == merged.names.index(one)) & (
            table.file[dropped] == merged.names.index(other)
        )
        rows = kept[here & ~clash]
        merged.findings.append(_again(merged, table, rows, (one, other), word))
    return table.with_columns(plated=plated, function=function).take(~gone)


def _again(merged: Drilled, table: _Cuts, rows: Ints, names: tuple[str, str], word: str) -> Finding:
    """Say that a file holds cuts of another again; whether that is meant, the counts show.

    A file of everything beside files of its parts holds all of theirs, and an image in Gerber form
    repeats the command file.  The same commands twice, or a few cuts of both, are a mistake.
    """
    one, other = names
    sizes = [int((table.file == merged.names.index(name)).sum()) for name in names]
    commands = not any(name in merged.images for name in names)
    twice = commands and len(rows) == sizes[0] == sizes[1]
    some = commands and len(rows) < min(sizes)
    return Finding.of(
        HOLES_DOUBLED,
        f"{one} and {other} hold the same {len(rows)} {word}"
        if twice
        else f"{len(rows)} {word} of {one} are in {other} again",
        *((Place(file=one), Place(file=other)) if twice else ()),
        *_places(merged, table, rows),
        count=len(rows),
        assumed="counted once",
        severity=Severity.WARNING if twice or some else HOLES_DOUBLED.severity,
        advice="Send one of the two files alone." if twice else "",
    )


_MOSTLY: Final = 0.5
_RING_MM: Final = 0.03
"""How far outside the rim of a hole its pad is looked for."""
_FELLOWS: Final = 5
_ONE_USE: Final = 0.8
"""Of at least so many holes of a tool, the share that shows what the tool is for."""
_DIRECTIONS: Final = 8
_ALL_AROUND: Final = 0.85
"""Share of directions in which copper must lie for a pad; a thermal gap may hide one."""


def infer_plating(
    drilled: Drilled, copper: Sequence[Layer], findings: list[Finding]
) -> tuple[Holes, BoardSlots]:
    """Fill in the plating that no file states.

    Parameters
    ----------
    copper
        Copper layers from the top down.
    findings
        Receives one note per kind of inference.
    """
    holes, slots = drilled.holes, drilled.slots
    # A drill file out of place would meet no pad, and all its holes would be taken for bare.
    placed = _placed_files(drilled, copper)
    open_holes = np.flatnonzero(
        (holes.plated < 0) & (holes.diameter > 0) & np.isin(holes.file, placed)
    )
    open_slots = np.flatnonzero(
        (slots.plated < 0) & (slots.diameter > 0) & np.isin(slots.file, placed)
    )
    if not copper or not len(open_holes) + len(open_slots):
        return holes, slots
    spots = np.concatenate((holes.spots()[open_holes], slots.middles()[open_slots]))
    x, y = spots.T
    radius = np.concatenate((holes.diameter[open_holes], slots.diameter[open_slots])) / 2
    # A slot has its pad across its width, a hole all around.
    side = np.concatenate((np.zeros(len(open_holes)), _across(slots, open_slots)))
    is_slot = np.concatenate((np.zeros(len(open_holes), bool), np.ones(len(open_slots), bool)))
    rims = np.array([_copper_at_rim(a.file, x, y, radius, side, is_slot) for a in copper])
    # A plated barrel joins layers, so pads on two of them show it.
    plated = ((rims >= _ALL_AROUND).sum(axis=0) >= 2).astype(np.int8)
    # One tool drills for one use: a hole beside its pad, or whose pad was lost, is as its fellows.
    tool = np.concatenate((holes.tool[open_holes], slots.tool[open_slots]))
    file = np.concatenate((holes.file[open_holes], slots.file[open_slots]))
    _, of_tool = np.unique(np.column_stack((file, tool)), axis=0, return_inverse=True)
    of_tool = of_tool.ravel()
    count = np.bincount(of_tool)
    usual = (count >= _FELLOWS) & (np.bincount(of_tool, plated) >= _ONE_USE * count)
    plated[usual[of_tool] & (rims > 0).any(axis=0)] = 1
    mostly = (count >= _FELLOWS) & (np.bincount(of_tool, plated) >= _MOSTLY * count)
    plated[mostly[of_tool] & (rims >= _ALL_AROUND).any(axis=0)] = 1
    of_holes, of_slots = holes.plated.copy(), slots.plated.copy()
    of_holes[open_holes] = plated[: len(open_holes)]
    of_slots[open_slots] = plated[len(open_holes) :]
    for value, word in ((1, "plated"), (0, "non-plated")):
        rows = np.flatnonzero(plated == value)
        if len(rows):
            why = "pads on two or more layers" if value else "no pads, or on one layer only"
            findings.append(
                Finding.of(
                    PLATING_INFERRED,
                    f"{len(rows)} of {len(plated)} holes and slots taken for {word}: {why}",
                    *places_at(spots[rows]),
                    count=len(rows),
                    assumed=f"taken for {word}",
                )
            )
    return holes.with_columns(plated=of_holes), slots.with_columns(plated=of_slots)


def _placed_files(drilled: Drilled, copper: Sequence[Layer]) -> list[int]:
    """Drill files most of whose holes lie in the copper's box.

    Holes elsewhere cannot show whether they have pads.  Where no layer draws anything, as on many
    plates, no hole has one, wherever it lies.
    """
    if not any(len(layer.file.objects) for layer in copper):
        return list(range(len(drilled.names)))
    box = join_boxes(layer.file.bounds for layer in copper)
    x0, y0, x1, y1 = box or (np.nan,) * 4
    placed = []
    for number in range(len(drilled.names)):
        holes = drilled.holes.file == number
        slots = drilled.slots.file == number
        x = np.concatenate((drilled.holes.x[holes], drilled.slots.x0[slots]))
        y = np.concatenate((drilled.holes.y[holes], drilled.slots.y0[slots]))
        inside = (x >= x0) & (x <= x1) & (y >= y0) & (y <= y1)
        if len(x) and inside.mean() > _MOSTLY:
            placed.append(number)
    return placed


def _across(slots: BoardSlots, rows: Ints) -> Floats:
    run = np.arctan2((slots.y1 - slots.y0)[rows], (slots.x1 - slots.x0)[rows])
    across: Floats = run + np.pi / 2
    return across


def _copper_at_rim(
    file: GerberFile,
    x: Floats,
    y: Floats,
    radius: Floats,
    side: Floats,
    is_slot: Bools,
) -> Floats:
    """(n,) float64: share of the directions in which copper lies beside the rim of each cut."""
    turn = np.arange(_DIRECTIONS) * (2 * np.pi / _DIRECTIONS)
    # Slots are asked on their two long sides alone, each several times.
    angle = np.where(
        is_slot[:, None], side[:, None] + np.pi * (np.arange(_DIRECTIONS) % 2), turn[None, :]
    )
    reach = (radius + _RING_MM)[:, None]
    px = (x[:, None] + reach * np.cos(angle)).reshape(-1)
    py = (y[:, None] + reach * np.sin(angle)).reshape(-1)
    dark = is_dark_at(file, px, py).reshape(-1, _DIRECTIONS)
    return np.asarray(dark.mean(axis=1))


def is_dark_at(file: GerberFile, x: Floats, y: Floats) -> Bools:
    """Whether the image is dark at points: the last object that covers a point decides.

    Parameters
    ----------
    x, y
        (n,) float64, mm.
    """
    dark = np.zeros(len(x), dtype=bool)
    boxes = object_boxes(file)
    real = np.flatnonzero(~np.isnan(boxes[:, 0]))
    if not len(real) or not len(x):
        return dark
    # Points are asked of single objects: the image of the layer would need all of them united.
    tree = shapely.STRtree(shapely.box(*boxes[real].T))
    points = shapely.points(x, y)
    at, box = tree.query(points)
    rows = real[box]
    used, back = np.unique(rows, return_inverse=True)
    shapes = object_shapes(file, used)
    shapely.prepare(shapes)
    covers = shapely.intersects(shapes[back.reshape(-1)], points[at])
    at, rows = at[covers], rows[covers]
    last = np.full(len(x), -1, dtype=np.int64)
    np.maximum.at(last, at, rows)
    hit = last >= 0
    dark[hit] = file.objects.dark[last[hit]]
    return dark

"""Copper areas filled by strokes side by side, where one region would do."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.base.columns import Bools, Floats, Ints
from fabkit.base.findings import Finding
from fabkit.base.units import counted
from fabkit.board.model import Layer
from fabkit.checks.declare import check
from fabkit.checks.model import Case
from fabkit.formats.gerber.model import Kind
from fabkit.geometry.neighbours import label_groups
from fabkit.rules import load_rule

STROKES: Final = 20
"""Overlapping parallel strokes that are no bundle of tracks any more."""

MOSTLY: Final = 0.25
"""Share of a tool's strokes that lie side by side where it paints: the others follow the rim."""

_BAND: Final = 1 / 16
"""Strokes whose levels differ by less than this share of their width count as one run where they
overlap."""

PAINTED: Final = load_rule("copper/pour-painted")


@check(id="copper/painted", rules=(PAINTED,), needs=("copper",))
def find_painted_areas(case: Case) -> Iterator[Finding]:
    """Copper areas are regions, not strokes side by side."""
    for layer, heaps in zip(case.board.copper, case.shared(heaps_of), strict=True):
        if heaps:
            count = sum(len(rows) for rows in heaps)
            yield Finding.of(
                PAINTED,
                f"{layer.name}: {count} strokes paint {counted(len(heaps), 'area')}",
                *(case.object_place(layer, int(rows[0])) for rows in heaps[:20]),
                count=len(heaps),
                measured=float(count),
                unit="strokes",
            )


def heaps_of(case: Case) -> tuple[list[Ints], ...]:
    """Rows of the strokes that lie side by side, heap by heap, for every copper layer."""
    return tuple(map(_heaps, case.board.copper))


def painting_strokes(case: Case, layer: int) -> Bools:
    """(number of objects,) bool: strokes with a tool that mostly paints areas of a copper layer."""
    objects = case.board.copper[layer].file.objects
    drawn = np.isin(objects.kind, (Kind.DRAW, Kind.ARC)) & objects.dark
    heaps = case.shared(heaps_of)[layer]
    rows = np.concatenate([np.empty(0, np.int64), *heaps])
    # One at least, for a layer of regions alone has none.
    tools = max(1, len(case.board.copper[layer].file.apertures))
    used = np.bincount(objects.aperture[drawn], minlength=tools)
    paints = np.bincount(objects.aperture[rows], minlength=tools) > MOSTLY * used.clip(1)
    return np.asarray(drawn & paints[np.where(drawn, objects.aperture, 0)])


def _heaps(layer: Layer) -> list[Ints]:
    """Rows of strokes that lie on each other side by side, largest heap first."""
    objects, found = layer.file.objects, []
    drawn = (objects.kind == Kind.DRAW) & objects.dark
    for rows in _by_tool(objects.aperture, np.flatnonzero(drawn)):
        width = layer.file.apertures[int(objects.aperture[rows[0]])].diameter_mm
        if not width:
            continue
        for across in (False, True):
            x0, y0, x1, y1 = (getattr(objects, name)[rows] for name in ("x0", "y0", "x1", "y1"))
            if across:
                x0, y0, x1, y1 = y0, x0, y1, x1
            lying = (y0 == y1) & (np.abs(x1 - x0) > 3 * width)
            if lying.sum() < STROKES:
                continue
            low, high = np.minimum(x0, x1)[lying], np.maximum(x0, x1)[lying]
            level = y0[lying]
            found += [rows[lying][heap] for heap in _side_by_side(low, high, level, width)]
    return sorted(found, key=lambda heap: (-len(heap), int(heap[0])))


def _by_tool(tool: NDArray[np.int32], rows: Ints) -> list[Ints]:
    """Rows of each tool, those with too few left out."""
    order = rows[np.argsort(tool[rows], kind="stable")]
    parts = np.split(order, np.flatnonzero(np.diff(tool[order])) + 1)
    return [part for part in parts if len(part) >= STROKES]


def _side_by_side(low: Floats, high: Floats, level: Floats, width: float) -> list[Ints]:
    """Give groups of strokes that overlap their neighbours on at least ``STROKES`` levels."""
    run = _runs(low, high, np.floor(level / (width * _BAND)))
    order = np.argsort(run, kind="stable")
    first = np.flatnonzero(np.diff(run[order], prepend=-1))
    left, right = np.minimum.reduceat(low[order], first), np.maximum.reduceat(high[order], first)
    under, over = np.minimum.reduceat(level[order], first), np.maximum.reduceat(level[order], first)
    strips = shapely.box(left, under - width / 2, right, over + width / 2)
    a, b = shapely.STRtree(strips).query(strips, predicate="intersects")
    # Strokes on one level go on from each other as tracks do; only different ones fill.
    beside = (a != b) & (over[a] != under[b]) & (under[a] != over[b])
    beside &= np.maximum(under[a] - over[b], under[b] - over[a]) < 0.99 * width
    label = label_groups(len(first), a[beside], b[beside])[run]
    order = np.argsort(label, kind="stable")
    groups = np.split(order, np.flatnonzero(np.diff(label[order])) + 1)
    return [g for g in groups if len(g) >= STROKES and len(np.unique(level[g])) >= STROKES]


def _runs(low: Floats, high: Floats, band: Floats) -> Ints:
    """Number the runs of strokes: those of one band that overlap, directly or in a chain.

    Runs of a band lie apart, so that each meets few of the others however many strokes there are.
    """
    order = np.lexsort((low, band))
    fresh = np.diff(band[order], prepend=np.nan) != 0
    # Each band is moved behind the one before it, so that one running maximum serves all.
    moved = (np.cumsum(fresh) - 1) * (np.ptp(np.concatenate((low, high))) + 1.0)
    reach = np.maximum.accumulate(high[order] + moved)
    fresh[1:] |= low[order][1:] + moved[1:] >= reach[:-1]
    run = np.empty(len(low), dtype=np.int64)
    run[order] = np.cumsum(fresh) - 1
    return run

"""Copper areas filled by strokes side by side, where one region would do."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.board.model import Layer
from fabkit.checks.case import Case
from fabkit.checks.declare import check
from fabkit.findings import Finding, Rule, Severity, Source
from fabkit.gerber.model import Kind

STROKES: Final = 20
"""Overlapping parallel strokes that are no bundle of tracks any more."""

PAINTED = Rule(
    id="copper/pour-painted",
    title="A copper area is painted with strokes",
    why="Strokes side by side look like hundreds of tracks: the house's software slows down, and "
    "neither its checks nor its corrections see one area.",
    source=Source("Gerber Layer Format Specification 2021.02", "section 7.2"),
    severity=Severity.WARNING,
    advice="Let the design program export filled areas as regions.",
)


@check(id="copper/painted", rules=(PAINTED,), needs=("copper",))
def find_painted_areas(case: Case) -> Iterator[Finding]:
    """Copper areas are regions, not strokes side by side."""
    for layer in case.board.copper:
        heaps = _heaps(layer)
        if heaps:
            count = sum(len(rows) for rows in heaps)
            yield Finding.of(
                PAINTED,
                f"{layer.name}: {count} strokes paint {len(heaps)} areas",
                *(case.object_place(layer, int(rows[0])) for rows in heaps[:20]),
                count=len(heaps),
                measured=float(count),
                unit="strokes",
            )


def _heaps(layer: Layer) -> list[NDArray[Any]]:
    """Rows of strokes that lie on each other side by side, largest heap first."""
    objects, found = layer.file.objects, []
    drawn = (objects.kind == Kind.DRAW) & objects.dark
    for tool, aperture in enumerate(layer.file.apertures):
        width = aperture.diameter_mm
        if not width:
            continue
        rows = np.flatnonzero(drawn & (objects.aperture == tool))
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


def _side_by_side(
    low: NDArray[Any], high: NDArray[Any], level: NDArray[Any], width: float
) -> list[NDArray[Any]]:
    """Groups of strokes that overlap their neighbours on at least ``STROKES`` levels."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    strips = shapely.box(low, level - width / 2, high, level + width / 2)
    a, b = shapely.STRtree(strips).query(strips, predicate="intersects")
    # Strokes on one level go on from each other as tracks do; only different ones fill.
    beside = (level[a] != level[b]) & (np.abs(level[a] - level[b]) < 0.99 * width)
    size = len(level)
    links = coo_array((np.ones(beside.sum()), (a[beside], b[beside])), shape=(size, size))
    _, label = connected_components(links, directed=False)
    order = np.argsort(label, kind="stable")
    groups = np.split(order, np.flatnonzero(np.diff(label[order])) + 1)
    return [g for g in groups if len(np.unique(level[g])) >= STROKES]

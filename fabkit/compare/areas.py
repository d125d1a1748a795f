"""What two layers differ in, as exact areas, worked out only where they can differ.

The image of a layer at a point is decided by the last object that covers it.  Two layers can
differ only where, in some run of one polarity, the objects that have no equal cover different
points.  There, and only there, both images are composed and subtracted.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Ints, Shapes
from fabkit.compare.matching import polarity_runs, unmatched
from fabkit.compare.model import SLIVER_MM
from fabkit.formats.gerber.model import GerberFile, compose, object_boxes, object_shapes
from fabkit.geometry.areas import unite
from fabkit.geometry.neighbours import label_groups

Flags = NDArray[np.bool_]
Shift = tuple[float, float]

MOSTLY: Final = 0.5
"""Share of objects without an equal above which whole images are compared."""


TAPER_MM: Final = 0.5
"""How far a thinning end of a difference is followed: a round pad moved by 0.02 mm leaves two
crescents, whose ends are thinner than a sliver for a sixth of its radius."""


def layer_difference(old: GerberFile, new: GerberFile, shift_mm: Shift) -> tuple[Shapes, Shapes]:
    """Areas that are new and areas that are gone.

    Parameters
    ----------
    old, new
        The layers.
    shift_mm
        What is added to positions of ``old``.

    Returns
    -------
    added, removed : (n,) object arrays of polygons, mm, in the coordinates of ``new``
        Slivers nowhere wider than ``SLIVER_MM`` are left out.
    """
    left = unmatched(old, new, shift_mm) if _last_run(old) == _last_run(new) else None
    if left is None or max(float(a.mean()) if len(a) else 0.0 for a in left) > MOSTLY:
        # Runs cannot be paired, or hardly anything is the same: the whole images tell.
        before, after = _moved(_parts(old.image), shift_mm), _parts(new.image)
    else:
        where = _suspects(old, new, left, shift_mm)
        if not len(where):
            return where, where
        where = shapely.get_parts(unite(where))
        before = within(_local(old, where, shift_mm), where)
        after = within(_local(new, where, (0.0, 0.0)), where)
    added, removed = differing(after, before)
    return thick(added), thick(removed)


def _last_run(file: GerberFile) -> int:
    return int(polarity_runs(file)[-1]) if len(file.objects) else 0


def _none() -> Shapes:
    return np.empty(0, dtype=object)


def _parts(shape: BaseGeometry) -> Shapes:
    parts: Shapes = shapely.get_parts(shape)
    return polygons_of(parts)


def polygons_of(shapes: Shapes) -> Shapes:
    """Polygons among shapes and their parts; lines and points that overlays leave are dropped."""
    parts = shapely.get_parts(shapely.get_parts(shapes))
    real = (shapely.get_type_id(parts) == shapely.GeometryType.POLYGON) & ~shapely.is_empty(parts)
    kept: Shapes = parts[real]
    return kept


def _moved(shapes: Shapes, shift: Shift) -> Shapes:
    if shift == (0.0, 0.0) or not len(shapes):
        return shapes
    moved: Shapes = shapely.transform(shapes, lambda points: points + shift)
    return moved


def _suspects(old: GerberFile, new: GerberFile, left: tuple[Flags, Flags], shift: Shift) -> Shapes:
    """Areas where objects without an equal cover different points, run by run."""
    runs = polarity_runs(old), polarity_runs(new)
    found = []
    for run in np.union1d(runs[0][left[0]], runs[1][left[1]]):
        mine = _united(old, np.flatnonzero(left[0] & (runs[0] == run)), shift)
        theirs = _united(new, np.flatnonzero(left[1] & (runs[1] == run)), (0.0, 0.0))
        found += [thick(a) for a in differing(mine, theirs)]
    return np.concatenate(found) if found else _none()


def _united(file: GerberFile, rows: Ints, shift: Shift) -> Shapes:
    if not len(rows):
        return _none()
    shapes = object_shapes(file, rows)
    return _moved(_parts(unite(shapes[~shapely.is_empty(shapes)])), shift)


def _local(file: GerberFile, where: Shapes, shift: Shift) -> Shapes:
    """Image of the objects that may touch some areas, which is the whole image there."""
    boxes = object_boxes(file) + np.array(shift + shift)
    real = np.flatnonzero(~np.isnan(boxes[:, 0]))
    if not len(real):
        return _none()
    tree = shapely.STRtree(shapely.box(*boxes[real].T))
    _, hit = tree.query(where, predicate="intersects")
    rows = real[np.unique(hit)]
    part = replace(file, objects=file.objects.take(rows))
    return _moved(_parts(compose(part)), shift)


def within(shapes: Shapes, areas: Shapes) -> Shapes:
    """Parts of polygons that lie in areas; neither may overlap among themselves."""
    out = [
        shapely.intersection(_joined(shapes[mine]), _joined(areas[theirs]))
        for mine, theirs in _clusters(shapes, areas)
    ]
    return _polygons(out)


def differing(left: Shapes, right: Shapes) -> tuple[Shapes, Shapes]:
    """What is in one set of polygons and not in the other, each way.

    Polygons of one set must not overlap.  Equal ones are set aside by their bytes; the others
    are overlaid cluster by cluster of those that touch.
    """
    if len(left) and len(right):
        names = [shapely.to_wkb(shapely.normalize(s)) for s in (left, right)]
        left, right = (
            s[~np.isin(own, other)]
            for s, own, other in zip((left, right), names, names[::-1], strict=True)
        )
    alone = np.ones(len(left), dtype=bool), np.ones(len(right), dtype=bool)
    only: tuple[list[BaseGeometry], list[BaseGeometry]] = [], []
    for mine, theirs in _clusters(left, right):
        alone[0][mine] = False
        alone[1][theirs] = False
        a, b = _joined(left[mine]), _joined(right[theirs])
        only[0].append(shapely.difference(a, b))
        only[1].append(shapely.difference(b, a))
    return (
        np.concatenate((left[alone[0]], _polygons(only[0]))),
        np.concatenate((right[alone[1]], _polygons(only[1]))),
    )


def _clusters(left: Shapes, right: Shapes) -> Iterator[tuple[Ints, Ints]]:
    """Rows of each side that hang together, where something of both touches.

    A fill with a hundred thousand vertices is so overlaid once with all it touches, and not
    once for each.
    """
    if not len(left) or not len(right):
        return
    shapely.prepare(left)
    b, a = shapely.STRtree(left).query(right, predicate="intersects")
    shapely.destroy_prepared(left)
    group = label_groups(len(left) + len(right), a, b + len(left))
    both = np.flatnonzero(np.bincount(group) > 1)
    order = np.argsort(group, kind="stable")
    starts = np.searchsorted(group[order], both)
    ends = np.searchsorted(group[order], both, side="right")
    for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
        rows = order[start:end]
        yield rows[rows < len(left)], rows[rows >= len(left)] - len(left)


def _joined(shapes: Shapes) -> BaseGeometry:
    return shapes[0] if len(shapes) == 1 else shapely.multipolygons(shapes)


def _polygons(shapes: Any) -> Shapes:
    array = np.empty(len(shapes), dtype=object)
    array[:] = shapes
    return polygons_of(array)


def thick(shapes: Shapes) -> Shapes:
    """What is somewhere wider than ``SLIVER_MM``, without the slivers that hang on to it.

    Shapes are shrunk by half that width; what is left is grown again, by more, so that corners
    and tapering ends come back whole, and cut to the shape it came from.
    """
    if not len(shapes):
        return shapes
    kept = shapely.buffer(shapes, -SLIVER_MM / 2, join_style="mitre")
    real = ~shapely.is_empty(kept)
    grown = shapely.buffer(kept[real], TAPER_MM, quad_segs=2)
    return polygons_of(shapely.intersection(shapes[real], grown))

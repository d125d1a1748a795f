"""What two layers differ in, as exact areas, worked out only where they can differ.

The image of a layer at a point is decided by the last object that covers it.  Two layers can
differ only where, in some run of one polarity, the objects that have no equal cover different
points.  There, and only there, both images are composed and subtracted.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.compare.matching import polarity_runs, unmatched
from fabkit.compare.model import SLIVER_MM, Shapes
from fabkit.geometry.islands import unite
from fabkit.gerber.model import GerberFile
from fabkit.gerber.shapes import compose, object_boxes, object_shapes

Flags = NDArray[np.bool_]
Shift = tuple[float, float]


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
    if _last_run(old) == _last_run(new):
        left = unmatched(old, new, shift_mm)
        where = _suspects(old, new, left, shift_mm)
    else:
        # Runs cannot be paired: everything is suspect.
        left = np.ones(len(old.objects), bool), np.ones(len(new.objects), bool)
        pieces = differing(_moved(_parts(old.image), shift_mm), _parts(new.image))
        where = thick(np.concatenate(pieces))
    if not len(where):
        return _none(), _none()
    where = shapely.get_parts(unite(where))
    before = within(_local(old, where, shift_mm), where)
    after = within(_local(new, where, (0.0, 0.0)), where)
    added, removed = differing(after, before)
    return thick(added), thick(removed)


def _last_run(file: GerberFile) -> int:
    return int(polarity_runs(file)[-1]) if len(file.objects) else 0


def _none() -> Shapes:
    return np.empty(0, dtype=object)


def _parts(shape: Any) -> Shapes:
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


def _united(file: GerberFile, rows: NDArray[Any], shift: Shift) -> Shapes:
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
    """Parts of polygons that lie in areas; each polygon is overlaid once, with all it touches."""
    if not len(shapes) or not len(areas):
        return _none()
    tree = shapely.STRtree(areas)
    mine, touched = tree.query(shapes, predicate="intersects")
    out = []
    for row, group in _grouped(mine, touched):
        window = areas[group[0]] if len(group) == 1 else shapely.union_all(areas[group])
        out.append(shapely.intersection(shapes[row], window))
    return polygons_of(np.array(out, dtype=object)) if out else _none()


def _grouped(key: NDArray[Any], value: NDArray[Any]) -> list[tuple[int, NDArray[Any]]]:
    """Values of each key, keys ascending."""
    order = np.lexsort((value, key))
    keys, first = np.unique(key[order], return_index=True)
    groups = np.split(value[order], first[1:])
    return list(zip(keys.tolist(), groups, strict=False))


def differing(left: Shapes, right: Shapes) -> tuple[Shapes, Shapes]:
    """What is in one set of polygons and not in the other, each way.

    Polygons of one set must not overlap.  Equal ones are set aside by their bytes; each of the
    others is overlaid only with those it touches.
    """
    if len(left) and len(right):
        names = [shapely.to_wkb(shapely.normalize(s)) for s in (left, right)]
        left, right = (
            s[~np.isin(own, other)]
            for s, own, other in zip((left, right), names, names[::-1], strict=True)
        )
    return _less(left, right), _less(right, left)


def _less(shapes: Shapes, others: Shapes) -> Shapes:
    """Polygons less all others."""
    if not len(shapes) or not len(others):
        return shapes
    out = shapes.copy()
    mine, touching = shapely.STRtree(others).query(shapes, predicate="intersects")
    for row, group in _grouped(mine, touching):
        cut = others[group[0]] if len(group) == 1 else shapely.union_all(others[group])
        out[row] = shapely.difference(shapes[row], cut)
    return polygons_of(out)


def thick(shapes: Shapes) -> Shapes:
    """What is somewhere wider than ``SLIVER_MM``, without the slivers that hang on to it.

    Shapes are shrunk by half that width; what is left is grown again, a little more so that
    corners and tapering ends come back whole, and cut to the shape it came from.
    """
    if not len(shapes):
        return shapes
    kept = shapely.buffer(shapes, -SLIVER_MM / 2, join_style="mitre")
    real = ~shapely.is_empty(kept)
    grown = shapely.buffer(kept[real], 2 * SLIVER_MM, join_style="mitre")
    return polygons_of(shapely.intersection(shapes[real], grown))

"""Objects of two layers laid on each other, and the areas in which they differ."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Bools, Floats, Ints, Shapes, rows_by
from fabkit.compare.model import SAME_MM, SLIVER_MM
from fabkit.formats.gerber.model import (
    GerberFile,
    Kind,
    compose,
    object_boxes,
    object_shapes,
    pen_widths,
    posed,
)
from fabkit.geometry.areas import polygons_of, touched, unite
from fabkit.geometry.neighbours import PointTree, label_groups

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
        # Runs cannot be paired, or hardly anything is the same: whole images are compared.
        before, after = moved(polygons_of(old.image), shift_mm), polygons_of(new.image)
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


NONE: Final[Shapes] = np.empty(0, dtype=object)


def moved(shapes: Shapes, shift: Shift) -> Shapes:
    """Shapes under a shift, mm."""
    if shift == (0.0, 0.0) or not len(shapes):
        return shapes
    there: Shapes = shapely.transform(shapes, lambda points: points + shift)
    return there


def _suspects(old: GerberFile, new: GerberFile, left: tuple[Bools, Bools], shift: Shift) -> Shapes:
    """Areas where objects without an equal cover different points, run by run."""
    runs = polarity_runs(old), polarity_runs(new)
    found = []
    # A dark object before an erasing one and the same behind it draw different images.
    for run in np.union1d(runs[0][left[0]], runs[1][left[1]]):
        mine = _united(old, np.flatnonzero(left[0] & (runs[0] == run)), shift)
        theirs = _united(new, np.flatnonzero(left[1] & (runs[1] == run)), (0.0, 0.0))
        found += [thick(a) for a in differing(mine, theirs)]
    return np.concatenate(found) if found else NONE


def _united(file: GerberFile, rows: Ints, shift: Shift) -> Shapes:
    if not len(rows):
        return NONE
    shapes = object_shapes(file, rows)
    return moved(polygons_of(unite(shapes[~shapely.is_empty(shapes)])), shift)


def _local(file: GerberFile, where: Shapes, shift: Shift) -> Shapes:
    """Image of the objects that may touch some areas, which is the whole image there."""
    boxes = object_boxes(file) + np.array(shift + shift)
    real = np.flatnonzero(~np.isnan(boxes[:, 0]))
    if not len(real):
        return NONE
    rows = real[touched(shapely.box(*boxes[real].T), where)]
    part = replace(file, objects=file.objects.take(rows))
    return moved(polygons_of(compose(part)), shift)


def within(shapes: Shapes, areas: Shapes) -> Shapes:
    """Parts of polygons that lie in areas; neither may overlap among themselves."""
    out = [
        shapely.intersection(_joined(shapes[mine]), _joined(areas[theirs]))
        for mine, theirs in _clusters(shapes, areas)
    ]
    return polygons_of(np.array(out, dtype=object))


def differing(left: Shapes, right: Shapes) -> tuple[Shapes, Shapes]:
    """Find what is in one set of polygons and not in the other, each way.

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
        np.concatenate((left[alone[0]], polygons_of(np.array(only[0], dtype=object)))),
        np.concatenate((right[alone[1]], polygons_of(np.array(only[1], dtype=object)))),
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
    for rows in rows_by(group).values():
        if len(rows) > 1:
            yield rows[rows < len(left)], rows[rows >= len(left)] - len(left)


def _joined(shapes: Shapes) -> BaseGeometry:
    return shapes[0] if len(shapes) == 1 else shapely.multipolygons(shapes)


def thick(shapes: Shapes, sliver_mm: float = SLIVER_MM) -> Shapes:
    """Keep what is somewhere wider than a sliver, without the slivers that hang on to it.

    Shapes are shrunk by half that width; what is left is grown again, by more, so that corners
    and tapering ends come back whole, and cut to the shape it came from.
    """
    if not len(shapes):
        return shapes
    kept = shapely.buffer(shapes, -sliver_mm / 2, join_style="mitre")
    real = ~shapely.is_empty(kept)
    grown = shapely.buffer(kept[real], TAPER_MM, quad_segs=2)
    return polygons_of(shapely.intersection(shapes[real], grown))


APART: Final = 1000.0
"""Column step that keeps unlike objects from ever being neighbours; larger than any board."""


def polarity_runs(file: GerberFile) -> Ints:
    """(n,) int64: number of the run of one polarity each object stands in; even runs are dark."""
    dark = file.objects.dark
    turns = np.concatenate(([True], dark))[:-1] != dark
    return np.cumsum(turns)


def unmatched(old: GerberFile, new: GerberFile, shift_mm: Shift) -> tuple[Bools, Bools]:
    """Objects of each file that have no equal in the other.

    Parameters
    ----------
    shift_mm
        What is added to positions of ``old``.
    """
    runs = polarity_runs(old), polarity_runs(new)
    classes = _tool_classes(old, new)
    left = np.ones(len(old.objects), dtype=bool), np.ones(len(new.objects), dtype=bool)
    kinds = old.objects.kind, new.objects.kind
    for kind in (Kind.FLASH, Kind.DRAW, Kind.ARC, Kind.REGION):
        rows = np.flatnonzero(kinds[0] == kind), np.flatnonzero(kinds[1] == kind)
        if not len(rows[0]) or not len(rows[1]):
            continue
        tables = [
            _table(file, r, run[r], cls, shift)
            for file, r, run, cls, shift in zip(
                (old, new), rows, runs, classes, (shift_mm, (0.0, 0.0)), strict=True
            )
        ]
        ways = [tables[0]] if kind in (Kind.FLASH, Kind.REGION) else [tables[0], _turned(tables[0])]
        back = (-shift_mm[0], -shift_mm[1])
        for way in ways:
            for side, (mine, theirs) in enumerate(((way, tables[1]), (tables[1], way))):
                # What has found its equal one way round is not asked again the other.
                open_ = np.flatnonzero(left[side][rows[side]])
                near, found = _alike(mine[open_], theirs)
                if kind == Kind.REGION:
                    files = (old, new) if side == 0 else (new, old)
                    pairs = rows[side][open_], rows[1 - side]
                    near = _same_contours(
                        *files, pairs, near, found, shift_mm if side == 0 else back
                    )
                left[side][rows[side][open_[near]]] = False
    return left


def _table(file: GerberFile, rows: Ints, run: Ints, classes: NDArray[Any], shift: Shift) -> Floats:
    """Rows that are near when objects are alike: x0 y0 x1 y1 cx cy turn, tool, run."""
    o = file.objects
    dx, dy = shift
    apart = APART * run
    if o.kind[rows[0]] == Kind.REGION:
        boxes = object_boxes(file)[rows]
        boxes = np.where(np.isnan(boxes), -APART, boxes)
        return np.column_stack((boxes + np.array((dx, dy, dx, dy)), apart))
    tool = classes[o.aperture[rows], o.pose[rows]]
    if o.kind[rows[0]] == Kind.FLASH:
        return np.column_stack((o.x0[rows] + dx, o.y0[rows] + dy, APART * tool, apart))
    widths = pen_widths(file, rows)
    # A round pen is known by its width; any other tool by its class.
    pen = np.where(np.isnan(widths), APART * (1 + tool), widths)
    middle = o.kind[rows[0]] == Kind.DRAW
    cx = (o.x0[rows] + o.x1[rows]) / 2 if middle else o.cx[rows]
    cy = (o.y0[rows] + o.y1[rows]) / 2 if middle else o.cy[rows]
    return np.column_stack(
        (
            *(o.x0[rows] + dx, o.y0[rows] + dy, o.x1[rows] + dx, o.y1[rows] + dy),
            *(cx + dx, cy + dy, APART * o.turn[rows].astype(np.float64), pen, apart),
        )
    )


def _alike(mine: Floats, theirs: Floats) -> tuple[Ints, Ints]:
    """Rows that have a row like them in the other table, and for every row the one like it."""
    found = np.full(len(mine), -1, dtype=np.int64)
    # Most rows are the same to the nanometre: those need no search for neighbours.
    # (Adding 0.0 makes -0.0 plain: equal numbers must have equal bytes.)
    names = [[row.tobytes() for row in np.round(t * 1e6) + 0.0] for t in (mine, theirs)]
    known = {name: row for row, name in enumerate(names[1])}
    found[:] = [known.get(name, -1) for name in names[0]]
    rest = np.flatnonzero(found < 0)
    if len(rest):
        # The largest difference of any column, so that none makes up for another.
        distance, near = PointTree(theirs).query(mine[rest], p=np.inf, within=2 * SAME_MM)
        fits = distance <= SAME_MM
        found[rest[fits]] = near[fits]
    return np.flatnonzero(found >= 0), found


def _turned(table: Floats) -> Floats:
    """Strokes drawn the other way round."""
    out = table[:, [2, 3, 0, 1, 4, 5, 6, 7, 8]].copy()
    out[:, 6] *= -1
    return out


def _same_contours(
    a: GerberFile,
    b: GerberFile,
    rows: tuple[Ints, ...],
    near: Ints,
    found: Ints,
    shift: Shift,
) -> Ints:
    """Of regions in boxes that agree, those whose contours agree segment by segment."""
    move = np.array((*shift, *shift, *shift))
    kept = []
    for k in near.tolist():
        i, j = rows[0][k], rows[1][found[k]]
        one = _segments(a, int(i))
        two = _segments(b, int(j))
        if len(one) == len(two) and len(one) and _agree(one, two, move):
            kept.append(k)
    return np.array(kept, dtype=np.int64)


def _agree(one: Floats, two: Floats, move: Floats) -> bool:
    apart = np.abs(one[:, :6] + move - two[:, :6])
    return bool(np.nan_to_num(apart).max() <= SAME_MM and np.array_equal(one[:, 6:], two[:, 6:]))


def _segments(file: GerberFile, row: int) -> Floats:
    s = file.segments
    part = slice(int(file.objects.first[row]), int(file.objects.last[row]))
    contour = s.contour[part].astype(np.float64)
    # Contours are numbered through the file; only their order in the region can agree.
    starts = contour - contour[:1]
    return np.column_stack(
        (
            *(s.x0[part], s.y0[part], s.x1[part], s.y1[part], s.cx[part], s.cy[part]),
            *(s.turn[part].astype(np.float64), starts),
        )
    )


def _tool_classes(old: GerberFile, new: GerberFile) -> tuple[NDArray[Any], NDArray[Any]]:
    """Class of each aperture in each pose, (apertures, poses) float64; alike tools share one."""
    used: list[tuple[int, int, int]] = []
    shapes: list[BaseGeometry] = []
    for number, file in enumerate((old, new)):
        o = file.objects
        pairs = np.unique(np.column_stack((o.aperture, o.pose))[o.aperture >= 0], axis=0)
        for aperture, pose in pairs.tolist():
            used.append((number, aperture, pose))
            shapes.append(posed(file.apertures[aperture].shape, file.poses[pose]))
    tables = [np.zeros((max(len(f.apertures), 1), max(len(f.poses), 1))) - 1.0 for f in (old, new)]
    array = np.empty(len(shapes), dtype=object)
    array[:] = shapes
    for (number, aperture, pose), cls in zip(used, _shape_classes(array), strict=True):
        tables[number][aperture, pose] = cls
    return tables[0], tables[1]


def _shape_classes(shapes: Shapes) -> list[int]:
    """Find the number of the first shape that each shape is the same as, within ``SAME_MM``."""
    if not len(shapes):
        return []
    box = np.nan_to_num(shapely.bounds(shapes), nan=-APART)
    marks = np.column_stack((box, np.sqrt(shapely.area(shapes))))
    classes: list[int] = []
    for k in range(len(shapes)):
        # Boxes and areas sift first, because the distance of two outlines takes long.
        near = np.flatnonzero((np.abs(marks[:k] - marks[k]) <= 2 * SAME_MM).all(axis=1))
        same = (
            j
            for j in near.tolist()
            if classes[j] == j
            and (
                shapely.equals_exact(shapes[j], shapes[k])
                or shapely.hausdorff_distance(shapes[j], shapes[k]) <= SAME_MM
            )
        )
        classes.append(next(same, k))
    return classes

"""Openings that are milled in many cuts: overlapping slots, and holes that run into a cut-out."""

from __future__ import annotations

from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Floats
from fabkit.base.findings import Finding, Place
from fabkit.base.units import AREA_MM2, counted, format_number
from fabkit.board import rules
from fabkit.board.edge import EdgePath, PathKind
from fabkit.board.figures import PLACES, Outline
from fabkit.board.model import BoardSlots, Holes, cut_shapes
from fabkit.geometry.neighbours import label_groups

_CUTS: Final = 3
"""So many overlapping slots mill one opening; two make a cross or an angle (common practice)."""
_SAME_SHARE: Final = 0.05
"""With less of a hole left in the material it is the cut-out itself, drilled and drawn."""


def merge_slots(
    outline: Outline, slots: BoardSlots, points: Floats, drill_names: tuple[str, ...]
) -> BoardSlots:
    """Take openings that overlapping non-plated slots mill out of the profile, and those slots.

    What such slots cut free falls out, unless it holds pads: then they follow a board's edge.

    Returns
    -------
    The slots that stay slots.
    """
    bare = np.flatnonzero(slots.plated != 1)
    if outline.shape is None or len(bare) < _CUTS:
        return slots
    mine = slots.take(bare)
    paths, numbers = np.unique(mine.path), mine.path
    shapes = cut_shapes(Holes.empty(), mine)
    a, b = shapely.STRtree(shapes).query(shapes, predicate="intersects")
    label = label_groups(len(shapes), a[a < b], b[a < b])
    openings: list[BaseGeometry] = []
    cuts: list[NDArray[np.int64]] = []
    pads = shapely.STRtree(shapely.points(points))
    for group in np.flatnonzero(np.bincount(label) >= _CUTS):
        rows = np.flatnonzero(label == group)
        milled = shapely.get_parts(shapely.union_all(shapes[rows]))
        opening = shapely.Polygon(milled[int(shapely.area(milled).argmax())].exterior)
        # Exporters flash each slot once more in copper; only pads on what falls out count.
        loose = shapely.difference(opening, shapely.union_all(milled))
        if outline.shape.contains(opening) and not len(pads.query(loose, predicate="contains")):
            openings.append(opening)
            cuts.append(rows)
    if not openings:
        return slots
    _take_out(outline, openings)
    many = sum(len(rows) for rows in cuts)
    outline.paths += [
        EdgePath(PathKind.CUT_OUT, (f"{len(rows)} slots that overlap mill it",), opening)
        for rows, opening in zip(cuts, openings, strict=True)
    ]
    row = int(bare[np.flatnonzero(numbers == paths[cuts[0][0]])[0]])
    area = format_number(sum(opening.area for opening in openings), digits=1)
    outline.findings.append(
        Finding.of(
            rules.ROUTED_CUT_OUT,
            f"{many} overlapping slots mill {counted(len(openings), 'cut-out')}, {area} mm² in all",
            *(
                Place(file=drill_names[int(slots.file[row])], x_mm=float(o.x), y_mm=float(o.y))
                for o in shapely.centroid(openings[:PLACES])
            ),
            count=len(openings),
            assumed="cut-outs, no slots",
        )
    )
    gone = np.isin(slots.path, paths[np.concatenate(cuts)]) & (slots.plated != 1)
    return slots.take(~gone)


def merge_holes(outline: Outline, holes: Holes) -> None:
    """Take the rest of bare holes that run into a cut-out out of the profile: they widen it."""
    shape = outline.shape
    bare = np.flatnonzero((holes.plated != 1) & (holes.diameter > 0))
    inner = [ring for part in (shape.geoms if shape is not None else ()) for ring in part.interiors]
    if not inner or not len(bare):
        return
    centres = shapely.points(holes.x[bare], holes.y[bare])
    tree = shapely.STRtree(np.array(inner, dtype=object))
    hole, ring = tree.query(
        centres, predicate="dwithin", distance=float(holes.diameter[bare].max()) / 2
    )
    near = shapely.distance(centres[hole], tree.geometries[ring]) < holes.diameter[bare][hole] / 2
    rows = bare[np.unique(hole[near])]
    discs = cut_shapes(holes.take(rows), BoardSlots.empty())
    left = shapely.area(shapely.intersection(discs, shape))
    discs = discs[left > _SAME_SHARE * shapely.area(discs)]
    if len(discs):
        outline.paths.append(
            EdgePath(
                PathKind.CUT_OUT,
                ("holes that run into a cut-out widen it",),
                shapely.GeometryCollection(list(discs)),
                len(discs),
            )
        )
        _take_out(outline, list(discs))


def _take_out(outline: Outline, openings: list[BaseGeometry]) -> None:
    rest = shapely.difference(outline.shape, shapely.union_all(openings))
    parts = shapely.get_parts(rest)
    parts = [p for p in parts if p.geom_type == "Polygon" and p.area > AREA_MM2]
    outline.shape = shapely.MultiPolygon(parts)

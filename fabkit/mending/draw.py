"""Change what a layer draws: leave objects out, add strokes, add dark or clear areas."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Bools, Floats, Ints, Shapes
from fabkit.formats.gerber.macros import StandardShape
from fabkit.formats.gerber.model import (
    Aperture,
    GerberFile,
    Kind,
    Objects,
    Pose,
)
from fabkit.formats.gerber.writer import with_contours
from fabkit.geometry.segments import Segments

FEWEST_MM2 = 1e-6
"""Smaller areas are not worth a region."""


def strokes_in(file: GerberFile) -> Ints:
    """Rows of the dark draws and arcs."""
    o = file.objects
    return np.flatnonzero(o.stroked & o.dark)


def without(file: GerberFile, rows: Ints | Bools) -> GerberFile:
    """Leave out objects, by rows or flags."""
    kept = np.delete(np.arange(len(file.objects)), rows)
    return replace(file, objects=file.objects.take(kept))


def polygons_in(shape: BaseGeometry | Shapes) -> Shapes:
    """Polygons of some size among the parts of shapes, (n,) object array."""
    parts = shapely.get_parts(shapely.get_parts(shape))
    parts = parts[shapely.get_type_id(parts) == shapely.GeometryType.POLYGON]
    kept: Shapes = parts[shapely.area(parts) > FEWEST_MM2]
    return kept


def with_areas(
    file: GerberFile, areas: Shapes, *, dark: bool, like: Ints | None = None
) -> GerberFile:
    """Add areas behind everything: dark ones draw, clear ones erase.

    Parameters
    ----------
    areas : (n,) object array of polygons, mm
    like : (n,) int64
        Rows of the objects whose attributes (net, part) they get; None gives them none.
    """
    if not len(areas):
        return file
    file, first, last = with_contours(file, areas)
    file, row = _with_plain_set(file)
    count = len(areas)
    added = _blank(count).with_columns(
        kind=np.full(count, Kind.REGION),
        aperture=np.full(count, -1),
        dark=np.full(count, dark),
        attributes=np.full(count, row) if like is None else file.objects.attributes[like],
        first=first,
        last=last,
    )
    return replace(
        file,
        objects=Objects.concat(file.objects, added),
        poses=file.poses or (Pose(),),
    )


def with_lines(file: GerberFile, lines: Floats, *, width_mm: float) -> GerberFile:
    """Add straight dark strokes, (n, 4) float64: x0, y0, x1, y1, mm."""
    made = Segments.straight(lines[:, :2], lines[:, 2:])
    file, row = _with_plain_set(file)
    code = 1 + max((a.code for a in file.apertures), default=9)
    pen = Aperture(
        code, "C", (width_mm / file.unit_mm,), width_mm, (width_mm, width_mm), {}, 0,
        StandardShape("C", width_mm, width_mm),
    )  # fmt: skip
    poses = file.poses if Pose() in file.poses else (*file.poses, Pose())
    count = len(lines)
    added = _blank(count).with_columns(
        **made.by_name(),
        kind=np.full(count, Kind.DRAW),
        aperture=np.full(count, len(file.apertures)),
        dark=np.ones(count, np.bool_),
        pose=np.full(count, poses.index(Pose())),
        attributes=np.full(count, row),
    )
    return replace(
        file,
        objects=Objects.concat(file.objects, added),
        apertures=(*file.apertures, pen),
        poses=poses,
    )


def _blank(count: int) -> Objects:
    """Rows of nothing: places nan, all else 0."""
    places = ("x0", "y0", "x1", "y1", "cx", "cy")
    return Objects(
        **{
            name: np.full(count, np.nan if name in places else 0, dtype)
            for name, dtype in Objects.DTYPES.items()
        }
    )


def _with_plain_set(file: GerberFile) -> tuple[GerberFile, int]:
    """Give the file and the row of a set without attributes."""
    sets = file.attribute_sets or ({},)
    if {} not in sets:
        sets = (*sets, {})
    return replace(file, attribute_sets=sets), sets.index({})

"""Make a layer, or change what it draws: leave objects out, add some, turn some into regions."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType
from typing import Final

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from fabkit.base.columns import Bools, Floats, Ints, Shapes
from fabkit.formats.gerber.macros import StandardShape
from fabkit.formats.gerber.model import (
    Aperture,
    Attributes,
    ContourSegments,
    GerberFile,
    Kind,
    Objects,
    Pose,
    nowhere,
    object_shapes,
)
from fabkit.geometry.areas import without_holes
from fabkit.geometry.segments import Segments

_NONE: Final[Attributes] = MappingProxyType({})


def strokes_in(file: GerberFile) -> Ints:
    """Rows of the dark draws and arcs."""
    return file.objects.dark_rows(Kind.DRAW, Kind.ARC)


def without(file: GerberFile, rows: Ints | Bools) -> GerberFile:
    """Leave out objects, by rows or flags."""
    kept = np.delete(np.arange(len(file.objects)), rows)
    return replace(file, objects=file.objects.take(kept))


def with_areas(
    file: GerberFile, areas: Shapes, *, dark: bool = True, like: Ints | None = None
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
    return _added(
        file,
        len(areas),
        kind=Kind.REGION,
        aperture=-1,
        dark=dark,
        attributes=row if like is None else file.objects.attributes[like],
        first=first,
        last=last,
    )


def with_strokes(
    file: GerberFile, lines: Segments, *, width_mm: float, attributes: Attributes = _NONE
) -> GerberFile:
    """Add dark strokes of a round pen, which has its own attributes."""
    kind = np.where(lines.turn != 0, Kind.ARC, Kind.DRAW)
    return _with_tool(file, lines, width_mm, attributes, kind)


def with_flashes(
    file: GerberFile, places: Floats, *, diameter_mm: float, attributes: Attributes = _NONE
) -> GerberFile:
    """Add equal dark discs at places, (n, 2) float64, mm."""
    return _with_tool(
        file, Segments.straight(places, places), diameter_mm, attributes, np.array(Kind.FLASH)
    )


def _with_tool(
    file: GerberFile,
    lines: Segments,
    wide_mm: float,
    attributes: Attributes,
    kind: NDArray[np.int64],
) -> GerberFile:
    file, row = _with_plain_set(file)
    tool = Aperture(
        code=1 + max((a.code for a in file.apertures), default=9),
        template="C",
        parameters=(wide_mm / file.unit_mm,),
        diameter_mm=wide_mm,
        size_mm=(wide_mm, wide_mm),
        attributes=attributes,
        offset=0,
        builder=StandardShape("C", wide_mm, wide_mm),
    )
    poses = file.poses if Pose() in file.poses else (*file.poses, Pose())
    return _added(
        replace(file, apertures=(*file.apertures, tool), poses=poses),
        len(lines),
        **lines.by_name(),
        kind=kind,
        aperture=len(file.apertures),
        dark=True,
        pose=poses.index(Pose()),
        attributes=row,
    )


def _added(file: GerberFile, count: int, **columns: ArrayLike) -> GerberFile:
    """Add rows to a file; columns that are not given are nan for places, otherwise 0."""
    usual: dict[str, ArrayLike] = {**dict.fromkeys(Objects.DTYPES, 0), **nowhere(count)}
    rows = Objects(
        **{name: np.array(np.broadcast_to(v, count)) for name, v in (usual | columns).items()}
    )
    return replace(file, objects=Objects.concat(file.objects, rows))


def _with_plain_set(file: GerberFile) -> tuple[GerberFile, int]:
    """Give the file and the row of a set without attributes."""
    sets = file.attribute_sets
    if {} not in sets:
        sets = (*sets, {})
    return replace(file, attribute_sets=sets), sets.index({})


def strokes_as_regions(file: GerberFile) -> GerberFile:
    """Give the file with strokes of anything but solid circles as the regions they cover.

    Section 2.4 lets only the solid standard circle stroke.
    """
    o = file.objects
    strokes = [k for k, a in enumerate(file.apertures) if a.diameter_mm is None]
    stroked = o.stroked
    rows = np.flatnonzero(stroked & np.isin(o.aperture, strokes))
    return with_regions(file, rows, object_shapes(file, rows)) if len(rows) else file


def with_regions(file: GerberFile, rows: Ints, shapes: Shapes) -> GerberFile:
    """Give the file with regions in place of some objects.

    Parameters
    ----------
    rows : (n,) int64
        Objects that are replaced; their attributes and polarity stay.
    shapes : (n,) object array
        Area of each, mm.
    """
    o = file.objects
    file, first, last = with_contours(file, shapes)
    sets = list(file.attribute_sets)
    joined: dict[tuple[int, int], int] = {}
    attributes = o.attributes[rows]
    # A region has no aperture to take attributes from, so it gets those of its tool.
    for k, row in enumerate(rows.tolist()):
        key = (int(o.attributes[row]), int(o.aperture[row]))
        if key[1] < 0:
            continue
        if key not in joined:
            joined[key] = len(sets)
            sets.append({**file.apertures[key[1]].attributes, **sets[key[0]]})
        attributes[k] = joined[key]
    regions = o.take(rows).with_columns(
        **nowhere(len(rows)),
        turn=np.zeros(len(rows)),
        kind=np.full(len(rows), Kind.REGION),
        aperture=np.full(len(rows), -1),
        pose=np.zeros(len(rows)),
        attributes=attributes,
        first=first,
        last=last,
    )
    return replace(file, objects=o.replaced(rows, regions), attribute_sets=tuple(sets))


def with_contours(file: GerberFile, shapes: Shapes) -> tuple[GerberFile, Ints, Ints]:
    """Add the contours of areas to a file, straight ones; no object draws them yet.

    Parameters
    ----------
    shapes : (n,) object array of polygons or multipolygons, mm
        Each is to be one region.  Areas with holes are cut into pieces without, because contours
        of one region add up.

    Returns
    -------
    file
        With the contours behind its own.
    first, last : (n,) int64
        Rows of the segments of each area.
    """
    parts, owner = shapely.get_parts(shapes, return_index=True)
    pierced = np.flatnonzero(shapely.get_num_interior_rings(parts) > 0)
    if len(pierced):
        pieces = [without_holes(p) if k in set(pierced.tolist()) else [p]
                  for k, p in enumerate(parts)]  # fmt: skip
        owner = np.repeat(owner, [len(some) for some in pieces])
        parts = np.array([p for some in pieces for p in some], dtype=object)
    points, ring = shapely.get_coordinates(shapely.get_exterior_ring(parts), return_index=True)
    starts = np.flatnonzero(ring[1:] == ring[:-1])
    number = int(file.segments.contour.max(initial=-1)) + 1
    segments = ContourSegments(
        **Segments.straight(points[starts], points[starts + 1]).by_name(),
        contour=(number + ring[starts]).astype(np.int32),
        offset=np.zeros(len(starts), np.int64),
    )
    counts = np.bincount(owner[ring[starts]], minlength=len(shapes))
    last = len(file.segments) + np.cumsum(counts)
    whole = replace(file, segments=ContourSegments.concat(file.segments, segments))
    return whole, last - counts, last

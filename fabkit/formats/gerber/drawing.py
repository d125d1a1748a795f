"""Make a layer, or change what it draws: leave objects out, add flashes, strokes and areas."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fabkit.base.columns import Bools, Floats, Ints, Shapes
from fabkit.formats.gerber.macros import StandardShape
from fabkit.formats.gerber.model import (
    Aperture,
    Attributes,
    GerberFile,
    Kind,
    Objects,
    Pose,
    nowhere,
)
from fabkit.formats.gerber.writer import with_contours
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

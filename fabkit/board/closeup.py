"""A small window of a layer, drawn so finely that arcs measure as arcs.

Whole layers are drawn with chords within two micrometres of their arcs.  A measure that decides
about a limit is taken again here, from the few objects around its place.
"""

from __future__ import annotations

from functools import cached_property
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Floats, Ints, Shapes
from fabkit.formats.gerber.model import GerberFile, Kind, object_boxes, object_shapes
from fabkit.geometry.areas import MARGIN_MM
from fabkit.geometry.facing import facets_of, find_gaps, find_widths

FINE_MM: Final = 1e-5
"""Chord error of a close-up: far below the micrometre that measures are stated in."""

_AROUND_MM: Final = 0.4
"""Copper this far around a measured place takes part in the measure."""

_SAME_PLACE_MM: Final = 0.1
"""The facing that is measured again lies this near to its coarse place."""


class CloseUp:
    """Windows of one layer's final image.

    Parameters
    ----------
    file
        The layer.
    """

    def __init__(self, file: GerberFile) -> None:
        self._file = file

    @cached_property
    def _rows(self) -> Ints:
        return np.flatnonzero(~np.isnan(self._boxes[:, 0]))

    @cached_property
    def _boxes(self) -> Floats:
        return object_boxes(self._file)

    @cached_property
    def _tree(self) -> shapely.STRtree:
        return shapely.STRtree(shapely.box(*self._boxes[self._rows].T))

    @cached_property
    def _regions(self) -> dict[int, BaseGeometry]:
        rows = np.flatnonzero(self._file.objects.kind == Kind.REGION)
        return dict(zip(rows.tolist(), object_shapes(self._file, rows), strict=True))

    def window(self, x: float, y: float, half: float) -> Shapes:
        """Separate polygons of the image within ``half`` of a place, both ways, mm.

        ``half`` must hold :data:`~fabkit.geometry.areas.MARGIN_MM`, so that no edge of the
        window lies on one of the copper.

        Regions are taken as the layer draws them (their arcs with its chords).
        """
        box = (x - half, y - half, x + half, y + half)
        rows = np.sort(self._rows[self._tree.query(shapely.box(*box))])
        objects = self._file.objects
        shapes = np.empty(len(rows), dtype=object)
        drawn = objects.kind[rows] != Kind.REGION
        shapes[drawn] = object_shapes(self._file, rows[drawn], chord_error_mm=FINE_MM)
        for k in np.flatnonzero(~drawn).tolist():
            shapes[k] = self._regions[int(rows[k])]
        shapes = shapely.clip_by_rect(shapes, *box)
        dark = objects.dark[rows]
        image: BaseGeometry = shapely.Polygon()
        for run in np.split(np.arange(len(rows)), np.flatnonzero(dark[1:] != dark[:-1]) + 1):
            if len(run):
                both = shapely.union_all(shapes[run])
                image = image.union(both) if dark[run[0]] else image.difference(both)
        parts = shapely.get_parts(image)
        found: Shapes = parts[shapely.get_type_id(parts) == shapely.GeometryType.POLYGON]
        return found

    def edge_distance(self, x: float, y: float, reach: float) -> float:
        """Distance from a point to the nearest copper edge, mm; ``reach`` when none is nearer."""
        half = reach + MARGIN_MM
        parts = self.window(x, y, half)
        rim = shapely.box(x - half, y - half, x + half, y + half).boundary
        lines = shapely.difference(shapely.boundary(parts), rim.buffer(1e-6))
        point = shapely.Point(x, y)
        distance = shapely.distance(lines[~shapely.is_empty(lines)], point)
        return min(float(distance.min()), reach) if len(distance) else reach

    def facing(self, x: float, y: float, distance: float, *, inside: bool) -> float:
        """Measure a gap (or width, when ``inside``) at a place again, mm.

        ``distance`` is the coarse measure, and the answer when nothing like it is found.
        """
        parts = self.window(x, y, distance / 2 + _AROUND_MM + MARGIN_MM)
        find = find_widths if inside else find_gaps
        found = find(facets_of(parts), distance + 0.01)
        near = np.hypot(found.x - x, found.y - y) <= _SAME_PLACE_MM
        fine = found.distance[near & (np.abs(found.distance - distance) <= 0.01)]
        return float(fine.min()) if len(fine) else distance

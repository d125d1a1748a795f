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

from fabkit.base.columns import Bools, Floats, Ints, Shapes
from fabkit.formats.gerber.model import GerberFile, Kind, object_boxes, object_shapes
from fabkit.geometry.areas import MARGIN_MM
from fabkit.geometry.facing import facets_of, find_gaps, find_widths
from fabkit.geometry.neighbours import meeting_boxes

FINE_MM: Final = 1e-5
"""Chord error of a close-up: far below the micrometre that measures are stated in."""

_AROUND_MM: Final = 0.4
"""Copper this far around a measured place takes part in the measure."""

_MOST_AT_ONCE: Final = 2_000
"""Objects that are drawn so finely at once: a disc has some two hundred corners then."""

_SAME_PLACE_MM: Final = 0.1
"""The facing that is measured again lies this near to its coarse place."""


class CloseUp:
    """Windows of one layer's final image."""

    def __init__(self, file: GerberFile) -> None:
        self._file = file

    @cached_property
    def _rows(self) -> Ints:
        return np.flatnonzero(~np.isnan(self._boxes[:, 0]))

    @cached_property
    def _boxes(self) -> Floats:
        return object_boxes(self._file)

    def _in_windows(self, boxes: Floats) -> tuple[Ints, Ints]:
        """Windows, and objects whose boxes meet them, by their places in ``_rows``."""
        window, row = np.concatenate([*meeting_boxes(boxes, self._boxes[self._rows])], axis=1)
        return window, row

    def windows(self, x: Floats, y: Floats, half: Floats) -> list[Shapes]:
        """Separate polygons of the image within ``half`` of places, both ways, mm.

        ``half`` must hold :data:`~fabkit.geometry.areas.MARGIN_MM`, so that no edge of the
        window lies on one of the copper.

        Regions are taken as the layer draws them (their arcs with its chords).
        """
        boxes = _boxes_about(x, y, half)
        window, row = self._in_windows(boxes)
        order = np.lexsort((row, window))
        # Objects around many places are drawn once.
        rows, at = np.unique(self._rows[row[order]], return_inverse=True)
        shapes = np.empty(len(rows), dtype=object)
        regions = self._file.objects.kind[rows] == Kind.REGION
        shapes[~regions] = object_shapes(self._file, rows[~regions], chord_error_mm=FINE_MM)
        shapes[regions] = object_shapes(self._file, rows[regions])
        dark = self._file.objects.dark[rows]
        mine = np.split(at, np.searchsorted(window[order], np.arange(1, len(x))))
        return [
            _painted(shapely.clip_by_rect(shapes[some], *box), dark[some])
            for some, box in zip(mine, boxes.tolist(), strict=True)
        ]

    def edge_distances(self, x: Floats, y: Floats, reach: Floats) -> Floats:
        """Distance from points to the nearest copper edge, mm; ``reach`` when none is nearer."""
        half = reach + MARGIN_MM
        found = reach.copy()
        rims = shapely.boundary(shapely.box(x - half, y - half, x + half, y + half))
        rims = shapely.buffer(rims, 1e-6)
        for k, parts in enumerate(self.windows(x, y, half)):
            lines = shapely.difference(shapely.boundary(parts), rims[k])
            apart = shapely.distance(
                lines[~shapely.is_empty(lines)], shapely.Point(float(x[k]), float(y[k]))
            )
            found[k] = apart.min(initial=found[k])
        return found

    def facings(self, x: Floats, y: Floats, distance: Floats, *, inside: bool) -> Floats:
        """Measure gaps (or widths, when ``inside``) at places again, mm.

        ``distance`` is the coarse measure, and the answer when nothing like it is found.
        """
        half = distance / 2 + _AROUND_MM + MARGIN_MM
        if len(x) > 1 and len(self._in_windows(_boxes_about(x, y, half))[0]) > _MOST_AT_ONCE:
            parts = np.array_split(np.arange(len(x)), 2)
            return np.concatenate(
                [self.facings(x[k], y[k], distance[k], inside=inside) for k in parts]
            )
        windows = self.windows(x, y, half)
        # All windows are measured together, each moved to its own place on one line.
        pitch = 2 * float(half.max()) + float(distance.max()) + 1
        counts = [int(shapely.get_num_coordinates(parts).sum()) for parts in windows]
        shift = np.column_stack((np.arange(len(x)) * pitch - x, -y)).repeat(counts, axis=0)
        moved: Shapes = shapely.transform(np.concatenate(windows), lambda xy: xy + shift)
        found = (find_widths if inside else find_gaps)(
            facets_of(moved), float(distance.max()) + 0.01
        )
        window = np.rint(found.x / pitch).astype(np.int64)
        near = np.hypot(found.x - window * pitch, found.y) <= _SAME_PLACE_MM
        near &= np.abs(found.distance - distance[window]) <= 0.01
        fine = np.full(len(x), np.inf)
        np.minimum.at(fine, window[near], found.distance[near])
        return np.where(np.isinf(fine), distance, fine)


def _boxes_about(x: Floats, y: Floats, half: Floats) -> Floats:
    return np.column_stack((x - half, y - half, x + half, y + half))


def _painted(shapes: Shapes, dark: Bools) -> Shapes:
    """Separate polygons left when shapes are drawn or erased in order."""
    image: BaseGeometry = shapely.Polygon()
    for run in np.split(np.arange(len(shapes)), np.flatnonzero(dark[1:] != dark[:-1]) + 1):
        if len(run):
            both = shapely.union_all(shapes[run])
            image = image.union(both) if dark[run[0]] else image.difference(both)
    parts = shapely.get_parts(image)
    found: Shapes = parts[shapely.get_type_id(parts) == shapely.GeometryType.POLYGON]
    return found

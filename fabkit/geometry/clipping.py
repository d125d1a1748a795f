"""Cutting out a small window of large polygons before an exact operation."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import shapely

MARGIN_MM: Final = 0.0123457
"""The window is grown by this, which no grid of coordinates has: clipping to a rectangle goes
wrong in GEOS (3.14 and before) where an edge of the polygon lies on an edge of the rectangle."""


def clip_to_box(shapes: Any, box: Any) -> Any:
    """What of one or many polygons lies in a box and a hair around it.

    Everything in the box is kept exactly, so intersections with what lies in it, and differences
    from it, are those of the whole polygon.

    Parameters
    ----------
    shapes
        A polygon or an object array of them.
    box : (4,) float64
        Left, lower, right and upper edge, mm.
    """
    x0, y0, x1, y1 = np.asarray(box, dtype=np.float64)
    return shapely.clip_by_rect(
        shapes, x0 - MARGIN_MM, y0 - MARGIN_MM, x1 + MARGIN_MM, y1 + MARGIN_MM
    )

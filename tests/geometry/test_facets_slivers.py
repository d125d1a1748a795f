"""Boundaries of specks whose corners lie closer than rounding."""

from __future__ import annotations

import numpy as np
import shapely

from fabkit.base.units import COINCIDENT_MM
from fabkit.geometry.facing import facets_of


def test_a_speck_that_would_shrink_to_a_point_spoils_no_other():
    """A triangle within rounding is kept as it is; the squares beside it have their four sides."""
    step = COINCIDENT_MM / 8
    speck = shapely.Polygon([(0, 0), (step, 0), (step, step)])
    square = shapely.box(5, 5, 6, 6)

    facets = facets_of(np.array([square, speck, square], dtype=object))

    assert np.bincount(facets.piece, minlength=3).tolist() == [4, 3, 4]

"""Pads that are flashed with an aperture of no size: they leave no copper."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
import shapely

from fabkit.base.columns import Bools, Ints, Shapes
from fabkit.base.findings import Finding
from fabkit.base.units import AREA_MM2, counted
from fabkit.board.copper import outer_face
from fabkit.checks.copper_facts import cuts_of, require_copper
from fabkit.checks.declare import check
from fabkit.checks.mask import mask_sides
from fabkit.checks.model import Case
from fabkit.geometry.neighbours import PointTree
from fabkit.rules import load_rule

NO_SIZE: Final = load_rule("copper/pad-without-size")

SAME_PLACE_MM: Final = 0.02
"""Pads of two faces nearer than this lie at one place: two roundings of a coarse inch format."""


@check(id="copper/pad-size", rules=(NO_SIZE,), needs=("outer-copper",))
def find_pads_without_size(case: Case) -> Iterator[Finding]:
    """No pad that a hole or an opening is made for is drawn with size 0."""
    copper, cuts = require_copper(case), case.shared(cuts_of)
    pads, face = copper.pads, outer_face(copper)
    # Bare holes are often flashed with size 0, and rightly so: they have no pads.
    empty = shapely.area(copper.pad_shapes) <= AREA_MM2
    if not empty[face != 0].any():
        return
    at = np.column_stack((pads.x, pads.y))
    for side in ("top", "bottom"):
        own = face == (1 if side == "top" else -1)
        rows = np.flatnonzero(empty & own)
        others = np.flatnonzero(~empty & (face != 0) & ~own)
        middles = shapely.points(at[rows])
        holed = _lie_on(middles, cuts.shapes)
        wanted = _lie_on(middles, cuts.shapes[cuts.plated == 1])
        if len(others) and len(rows):
            wanted |= holed & (PointTree(at[others]).query(at[rows])[0] <= SAME_PLACE_MM)
        for mask in case.shared(mask_sides):
            if mask.layer.side == side:
                wanted |= ~holed & _lie_on(middles, mask.openings)
        # Another object at the place may draw the pad.
        drawn = _lie_on(middles, copper.pad_shapes[np.flatnonzero(~empty & own)])
        lost = rows[wanted & ~drawn]
        if len(lost):
            layer = case.board.copper[int(pads.layer[lost[0]])]
            yield Finding.of(
                NO_SIZE,
                f"{counted(len(lost), 'pad')} on {layer.name}, with a plated hole or an opening, "
                "have size 0",
                *(case.object_place(layer, int(pads.row[k])) for k in lost[:20]),
                count=len(lost),
            )


def _lie_on(points: Shapes, shapes: Shapes) -> Bools:
    """Which points lie on any of some shapes."""
    out = np.zeros(len(points), dtype=bool)
    if len(points) and len(shapes):
        hit: Ints = shapely.STRtree(shapes).query(points, predicate="intersects")[0]
        out[hit] = True
    return out

"""Solder paste against pads."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
import shapely

from fabkit.base.findings import Finding
from fabkit.checks.case import Case
from fabkit.checks.copper_facts import cuts_of, on_board, require_copper
from fabkit.checks.copper_width import spot_place
from fabkit.checks.declare import check
from fabkit.checks.mask import mask_sides
from fabkit.checks.worst import group
from fabkit.geometry.areas import clip_to_box
from fabkit.package.model import RoleKind
from fabkit.rules import load_rule

OFF_PAD_MM2: Final = 0.01
"""Paste beside copper or under mask smaller than this is a touch of outlines."""

OFF_PAD: Final = load_rule("mask/paste-off-pad")
ON_HOLE: Final = load_rule("mask/paste-on-hole")


@check(id="mask/paste", rules=(OFF_PAD, ON_HOLE), needs=("paste", "outer-copper"))
def paste(case: Case) -> Iterator[Finding]:
    """Paste lies on bare copper."""
    copper, cuts = require_copper(case), case.shared(cuts_of)
    sides = {s.layer.side: s for s in case.shared(mask_sides)}
    for layer in case.board.layers:
        if layer.kind is not RoleKind.PASTE:
            continue
        prints = shapely.get_parts(layer.file.image)
        under = [i for i, c in enumerate(case.board.copper) if c.side == layer.side]
        if not len(prints) or not under:
            continue
        left = _without(prints, copper.pieces.polygons[copper.pieces.on_layer(under[0])])
        if layer.side in sides:
            masked = _without(prints, sides[layer.side].openings)
            left = np.where(shapely.area(masked) > shapely.area(left), masked, left)
        area = shapely.area(left)
        # Paste a little larger than its pad is a choice; paste mostly beside it is a mistake.
        middle = shapely.get_coordinates(shapely.point_on_surface(prints)).T
        mine = on_board(case, *middle)
        rows = np.flatnonzero(mine & (area > OFF_PAD_MM2) & (area > 0.5 * shapely.area(prints)))
        if len(rows):
            xy = shapely.get_coordinates(shapely.centroid(left[rows]))
            yield group(
                OFF_PAD,
                area[rows],
                lambda k, s=xy, a=layer: spot_place(case, a, *s[k]),  # type: ignore[misc]
                f"{layer.name} prints where no copper is bare, at most {{worst}}",
                most=True,
                limit=0.0,
                unit="mm²",
            )
        if len(cuts.shapes):
            tree = shapely.STRtree(cuts.shapes)
            cut = np.unique(tree.query(prints, predicate="intersects")[1])
            if len(cut):
                yield group(
                    ON_HOLE,
                    cuts.width[cut],
                    lambda k, c=cut, a=layer: spot_place(  # type: ignore[misc]
                        case, a, cuts.x[c[k]], cuts.y[c[k]]
                    ),
                    f"{layer.name} prints over holes, largest {{worst}}",
                    most=True,
                )


def _without(prints: np.ndarray, polygons: np.ndarray) -> np.ndarray:
    """What of each print is not covered by any of the polygons."""
    left = prints.copy()
    polygon, row = shapely.STRtree(prints).query(polygons, predicate="intersects")
    box = shapely.bounds(prints)
    for p, r in zip(polygon.tolist(), row.tolist(), strict=True):
        local = clip_to_box(polygons[p], box[r])
        left[r] = shapely.difference(left[r], local)
    return left

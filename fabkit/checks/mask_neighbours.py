"""Solder mask between the opening of a pad and foreign copper beside it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.base.findings import Finding
from fabkit.base.units import CHORD_ERROR_MM, COINCIDENT_MM
from fabkit.board.copper import Copper
from fabkit.checks.case import Case
from fabkit.checks.copper_facts import cuts_of, facets_by_layer, on_board, require_copper
from fabkit.checks.copper_width import SAME_SPOT_MM, spot_place
from fabkit.checks.declare import check
from fabkit.checks.mask import MaskSide, is_inverted, mask_sides, widest
from fabkit.checks.worst import group, judge
from fabkit.geometry.areas import clip_to_box
from fabkit.geometry.facing import thin_out
from fabkit.rules import load_rule

BARED_MM2: Final = 0.001
"""Foreign copper in an opening smaller than this is a touch of outlines."""

BARED: Final = load_rule("mask/neighbour-bared")
COVER: Final = load_rule("mask/cover-thin")


@check(
    id="mask/neighbours",
    rules=(BARED, COVER),
    limits=("mask_cover_mm",),
    needs=("mask", "outer-copper"),
)
def neighbours(case: Case) -> Iterator[Finding]:
    """Openings of pads bare no copper of another net, nor nearly so."""
    copper = require_copper(case)
    for side in case.shared(mask_sides):
        if not is_inverted(case, side) and len(side.openings):
            owned = _Owned(case, copper, side)
            yield from _bared(case, copper, side, owned)
            yield from _covers(case, copper, side, owned)


class _Owned:
    """Which openings have pads or plated holes, and the copper these belong to."""

    def __init__(self, case: Case, copper: Copper, side: MaskSide) -> None:
        cuts, joints = case.shared(cuts_of), copper.pieces.joints
        # A pad drawn with a stroke is known by its hole.
        hole = joints[:, 0]
        spots = np.concatenate(
            (
                shapely.points(copper.pads.x[side.pads], copper.pads.y[side.pads]),
                shapely.points(cuts.x[hole], cuts.y[hole]),
            )
        )
        islands = np.concatenate(
            (copper.pads.island[side.pads], copper.pieces.island[joints[:, 1]])
        )
        spot, self.openings = side.tree.query(spots, predicate="intersects")
        self._islands = copper.pieces.islands + 1
        self._keys = self._key(self.openings, islands[spot])

    def _key(self, opening: NDArray[Any], island: NDArray[Any]) -> NDArray[np.int64]:
        return np.asarray(opening.astype(np.int64) * self._islands + island)

    def foreign(self, opening: NDArray[Any], island: NDArray[Any]) -> NDArray[np.bool_]:
        """Whether the opening has pads, and none of them belongs to the island."""
        mine = np.isin(self._key(opening, island), self._keys)
        return np.asarray(np.isin(opening, self.openings) & ~mine)


def _bared(case: Case, copper: Copper, side: MaskSide, owned: _Owned) -> Iterator[Finding]:
    rows = copper.pieces.on_layer(side.copper_index)
    piece, opening = side.tree.query(copper.pieces.polygons[rows], predicate="intersects")
    mine = np.flatnonzero(owned.foreign(opening, copper.pieces.island[rows[piece]]))
    pieces, over = copper.pieces.polygons[rows[piece[mine]]], side.openings[opening[mine]]
    local = [clip_to_box(p, b) for p, b in zip(pieces, shapely.bounds(over), strict=True)]
    bared = shapely.intersection(np.array(local, dtype=object), over)
    # What is too small to matter may be empty, and nothing lies on an empty shape.
    bared = bared[shapely.area(bared) > BARED_MM2]
    spots = shapely.get_coordinates(shapely.point_on_surface(bared)).reshape(-1, 2)
    real = np.flatnonzero(on_board(case, *spots.T))
    if len(real):
        xy = spots[real]
        yield group(
            BARED,
            widest(bared[real]),
            lambda k: spot_place(case, side.layer, *xy[k]),
            f"openings in {side.layer.name} bare copper of other nets beside their pads, "
            "up to {worst} wide",
            most=True,
            limit=0.0,
        )


def _covers(case: Case, copper: Copper, side: MaskSide, owned: _Owned) -> Iterator[Finding]:
    reach = case.house.limit("mask_cover_mm").value
    layer = case.shared(facets_by_layer)[side.copper_index]
    opening, facet = layer.within(side.openings, reach)
    island = copper.pieces.island[layer.facets.piece[facet]]
    mine = np.flatnonzero(owned.foreign(opening, island))
    over, edges = side.openings[opening[mine]], layer.lines(facet[mine])
    cover = shapely.distance(over, edges)
    beside = cover > COINCIDENT_MM
    # Copper that is bared in places is told as such, not for the rest of its edge.
    bared = np.unique(opening[mine][~beside])
    beside &= ~np.isin(opening[mine], bared)
    order = np.flatnonzero(beside)[np.argsort(cover[beside], kind="stable")]
    near = shapely.shortest_line(over[order], edges[order])
    x, y = (
        shapely.get_coordinates(shapely.line_interpolate_point(near, 0.5, normalized=True))
        .reshape(-1, 2)
        .T
    )
    keep = np.flatnonzero(on_board(case, x, y))
    keep = keep[thin_out(x[keep], y[keep], SAME_SPOT_MM)]
    yield from judge(
        case,
        COVER,
        "mask_cover_mm",
        cover[order[keep]],
        lambda k: spot_place(case, side.layer, x[keep[k]], y[keep[k]]),
        f"thinnest mask between an opening in {side.layer.name} and foreign copper",
        slack=COINCIDENT_MM + CHORD_ERROR_MM,
    )

"""Where something is soldered, and the copper it is soldered to: what connectivity is told by."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.base.columns import Ints, Shapes
from fabkit.board.connectivity import pieces_at
from fabkit.board.copper import ATTACHED, VIA_MM, Copper, trace_copper
from fabkit.board.model import Board
from fabkit.compare.holes import ONE_PLACE_MM, Motion, near_pairs
from fabkit.compare.model import MOVED_MM, Alignment, Points
from fabkit.geometry.neighbours import PointTree
from fabkit.package.model import RoleKind, Side

Flags = NDArray[np.bool_]

SAME_SPOT_MM: Final = 0.05
"""A pad this near to the middle of a hole is that hole's (our choice)."""

FACES: Final[tuple[Side, Side]] = ("top", "bottom")


@dataclass(frozen=True, eq=False)
class Spots:
    """Places of one board where something can be soldered, on either face.

    Parameters
    ----------
    at : (n, 2) float64, mm
        A plated hole has a spot on each face that it has copper on.
    face : (n,) int64
        0 top, 1 bottom.
    island : (n,) int64
        Of :class:`fabkit.board.connectivity.Pieces`.
    names
        Reference and pin where the files state them, else empty.
    """

    at: Points
    face: Ints
    island: Ints
    names: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.at)

    def take(self, rows: NDArray[np.integer] | Flags) -> Spots:
        """Some of them, by rows or by flags."""
        chosen = np.arange(len(self))[rows]
        names = tuple(self.names[k] for k in chosen.tolist())
        return Spots(self.at[chosen], self.face[chosen], self.island[chosen], names)

    def laid(self, alignment: Alignment) -> Spots:
        """The spots of an old board as it lies on the new one."""
        return replace(self, at=alignment.lay(self.at))

    @classmethod
    def concat(cls, parts: Sequence[Spots]) -> Spots:
        """All of several, in order."""
        none = np.empty(0, np.int64)
        return cls(
            np.concatenate([np.empty((0, 2)), *(p.at for p in parts)]),
            np.concatenate([none, *(p.face for p in parts)]),
            np.concatenate([none, *(p.island for p in parts)]),
            tuple(name for p in parts for name in p.names),
        )


def find_spots(board: Board) -> Spots:
    """Find the pads, plated holes and bare copper of both faces that something is soldered to.

    Notes
    -----
    Vias are left out, because a revision may put them anywhere: they are told by the function
    their pads state, else they are plated holes up to ``VIA_MM``.  What solder mask covers is
    left out too.  A pad that is drawn and not flashed is told by the opening above it.
    """
    copper = trace_copper(board)
    middles, wide = _cut_middles(board)
    vias = PointTree(middles[~wide])
    found = []
    for face, side in enumerate(FACES):
        layer = next((k for k, a in enumerate(board.copper) if a.side == side), None)
        if layer is None:
            continue
        pads, attached = _pads(copper, layer, face, vias)
        barrels = _barrels(copper, layer, face, middles, wide)
        alone = ~np.isfinite(PointTree(pads.at).query(barrels.at, within=SAME_SPOT_MM)[0])
        spots = Spots.concat((pads.take(attached), barrels.take(alone)))
        openings = _openings(board, side)
        if len(openings):
            bared = pieces_at(openings, shapely.points(spots.at)) >= 0
            # A mask that bares none of them tells nothing, such as one that shows what it covers.
            spots = spots.take(bared) if bared.any() else spots
            known = np.concatenate((pads.at, middles[np.isfinite(middles).all(axis=1)]))
            found.append(_drawn(copper, layer, face, openings, known))
        found.append(spots)
    return Spots.concat(found)


def _cut_middles(board: Board) -> tuple[Points, Flags]:
    """Middles of all holes and slots, nan of those without a size; and which are no vias."""
    box = shapely.bounds(board.hole_shapes).reshape(-1, 4)
    wide = np.ones(len(box), dtype=bool)
    holes = board.holes
    wide[: len(holes)] = (holes.diameter > VIA_MM) | (holes.plated == 0)
    return (box[:, :2] + box[:, 2:]) / 2, wide


def _pads(copper: Copper, layer: int, face: int, vias: PointTree) -> tuple[Spots, Flags]:
    """Pads of a layer, each place once, and whether something is attached to them."""
    pads = copper.pads
    rows = np.flatnonzero((pads.layer == layer) & (pads.island >= 0))
    # Of pads drawn twice on one spot, one that states its pin.
    rows = rows[np.argsort(pads.pin[rows] < 0, kind="stable")]
    places = np.round(np.column_stack((pads.x[rows], pads.y[rows])), 3)
    rows = np.sort(rows[np.unique(places, axis=0, return_index=True)[1]])
    at = np.column_stack((pads.x[rows], pads.y[rows]))
    names = tuple(copper.pad_name(k) if pads.pin[k] >= 0 else "" for k in rows.tolist())
    spots = Spots(at, np.full(len(rows), face), pads.island[rows].astype(np.int64), names)
    soldered = np.array([bool(f) and f[0] in ATTACHED for f in copper.functions] + [False])
    stated = pads.function[rows] >= 0
    via = np.isfinite(vias.query(at, within=SAME_SPOT_MM)[0])
    return spots, np.where(stated, soldered[pads.function[rows]], ~via)


def _barrels(copper: Copper, layer: int, face: int, middles: Points, wide: Flags) -> Spots:
    """Plated holes and slots that are no vias, where they touch copper of a layer."""
    barrel, piece = copper.pieces.joints.T
    rows = np.flatnonzero(wide[barrel] & (copper.pieces.layer[piece] == layer))
    # Copper broken by its hole may touch it in several pieces, which the barrel joins.
    rows = rows[np.unique(barrel[rows], return_index=True)[1]]
    island = copper.pieces.island[piece[rows]].astype(np.int64)
    return Spots(middles[barrel[rows]], np.full(len(rows), face), island, ("",) * len(rows))


def _openings(board: Board, side: Side) -> Shapes:
    layer = board.layer(RoleKind.MASK, side)
    if layer is None or not len(layer.file.objects):
        return np.empty(0, dtype=object)
    image = layer.file.image
    if layer.negative and board.profile is not None:
        image = board.profile.difference(image)
    parts: Shapes = shapely.get_parts(image)
    return parts


def _drawn(copper: Copper, layer: int, face: int, openings: Shapes, known: Points) -> Spots:
    """Copper in the middle of openings that hold neither a flashed pad nor a hole."""
    free = np.ones(len(openings), dtype=bool)
    free[np.unique(shapely.STRtree(shapely.points(known)).query(openings, "intersects")[0])] = False
    box = shapely.bounds(openings[free])
    middle = (box[:, :2] + box[:, 2:]) / 2
    inside = shapely.intersects_xy(openings[free], middle[:, 0], middle[:, 1])
    rows = copper.pieces.on_layer(layer)
    piece = pieces_at(copper.pieces.polygons[rows], shapely.points(middle[inside]))
    at, piece = middle[inside][piece >= 0], rows[piece[piece >= 0]]
    island = copper.pieces.island[piece].astype(np.int64)
    return Spots(at, np.full(len(at), face), island, ("",) * len(at))


def pair_spots(old: Spots, new: Spots, motions: Sequence[Motion]) -> tuple[Ints, Ints]:
    """Rows of spots that are one and the same: at one place, or moved with their key or part.

    Parameters
    ----------
    old
        As it lies on the new board.
    motions
        Of keys and parts, in the coordinates of ``new``.
    """
    pairs: list[tuple[int, int]] = []
    for face in range(len(FACES)):
        mine, theirs = (np.flatnonzero(s.face == face) for s in (old, new))
        free = np.ones(len(old), dtype=bool), np.ones(len(new), dtype=bool)
        ways = [(old.at, MOVED_MM)]
        for motion in motions:
            near = np.hypot(*(old.at - motion.start).T) <= motion.reach_mm
            ways.append((np.where(near[:, None], motion.carry(old.at), np.inf), 4 * MOVED_MM))
        for places, reach in (*ways, (old.at, ONE_PLACE_MM)):
            a, b = mine[free[0][mine]], theirs[free[1][theirs]]
            for i, j in near_pairs(places[a], new.at[b], reach):
                row, other = int(a[i]), int(b[j])
                if free[0][row] and free[1][other]:
                    free[0][row] = free[1][other] = False
                    pairs.append((row, other))
    rows = np.array(sorted(pairs), dtype=np.int64).reshape(-1, 2)
    return rows[:, 0], rows[:, 1]

"""Which copper hangs together: pieces of every layer, joined through plated holes and slots.

Geometry alone decides.  The pieces of a layer are the separate polygons of its final image, cut
where a non-plated hole or slot goes through copper; a plated barrel joins every piece it touches
on the layers it spans.  Pieces joined in any number of steps are one *island*: copper at one
potential.
"""

from __future__ import annotations

from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Bools, Shapes, rows_by
from fabkit.base.copies import read_side_by_side
from fabkit.base.once import is_kept
from fabkit.base.steps import counting
from fabkit.base.units import AREA_MM2, CHORD_ERROR_MM, COINCIDENT_MM
from fabkit.board.model import Board, Layer
from fabkit.formats.gerber.model import GerberFile
from fabkit.geometry.areas import polygons_of
from fabkit.geometry.facing import FacetTree, facets_of
from fabkit.geometry.neighbours import label_groups

Ints = NDArray[np.int32]

TOUCH_MM: Final = COINCIDENT_MM + CHORD_ERROR_MM
"""A barrel this near to copper touches it: both are circles drawn with chords."""


@dataclass(frozen=True, eq=False)
class Pieces:
    """Separate polygons of copper on all layers, and what joins them.

    Parameters
    ----------
    polygons : (n,) object array of polygons, mm
        Pieces of all layers, top layer first.
    layer : (n,) int32
        Copper layer of each piece, from 0 on top.
    island : (n,) int32
        Island of each piece; islands are numbered in the order of their first piece.
    joints : (m, 2) int32
        Plated barrel (row of the cuts given to :func:`join_pieces`) and a piece it touches.
    boundaries
        Of each layer; ``facets.piece`` counts all pieces.
    """

    polygons: Shapes
    layer: Ints
    island: Ints
    joints: Ints
    boundaries: tuple[FacetTree, ...] = ()

    def __len__(self) -> int:
        return len(self.polygons)

    @property
    def islands(self) -> int:
        """Number of islands."""
        return int(self.island.max()) + 1 if len(self.island) else 0

    def islands_of(self, barrels: int) -> Ints:
        """Island of the copper that each of so many barrels touches, (barrels,); -1 without any."""
        island = np.full(barrels, -1, dtype=np.int32)
        island[self.joints[:, 0]] = self.island[self.joints[:, 1]]
        return island

    def on_layer(self, layer: int) -> Ints:
        """Rows of the pieces of one layer, counted from 0 on top."""
        return np.flatnonzero(self.layer == layer).astype(np.int32)


def split_pieces(image: BaseGeometry, cuts: Shapes) -> Shapes:
    """Separate polygons of an image after ``cuts`` have gone through it.

    Parameters
    ----------
    image
        Polygon, multi-polygon or empty geometry, mm.
    cuts : (m,) object array of polygons, mm
        Non-plated holes and slots.

    Returns
    -------
    (n,) object array of polygons larger than numerical dust.
    """
    parts = polygons_of(image)
    if len(cuts) and len(parts):
        tree = shapely.STRtree(cuts)
        part, cut = tree.query(parts, predicate="intersects")
        if len(part):
            # Cut a hair wider: a pad exactly as large as its bare hole leaves nothing, but two
            # circles drawn with chords would leave crumbs along the rim.
            wide = shapely.buffer(cuts, TOUCH_MM)
            left = [
                shapely.difference(parts[row], shapely.union_all(wide[cut[mine]]))
                for row, mine in rows_by(part).items()
            ]
            parts = np.concatenate((np.delete(parts, np.unique(part)), polygons_of(left)))
    # Dust that the difference leaves would be pieces, and islands, of its own.
    parts = parts[shapely.area(parts) > AREA_MM2]
    # Overlays give them in an order of their own; equal images must give equally numbered pieces.
    box = shapely.bounds(parts)
    return np.asarray(parts[np.lexsort((box[:, 1], box[:, 0]))], dtype=object)


def join_pieces(layers: list[Shapes], barrels: Shapes, first: Ints, last: Ints) -> Pieces:
    """Join the pieces of all layers through plated barrels.

    Parameters
    ----------
    layers : list of (n,) object arrays of polygons, mm
        Pieces of each layer, top first.
    barrels : (m,) object array of polygons, mm
        What is drilled or routed and then plated.
    first, last : (m,) int
        Copper layers each barrel spans, from 1 on top.
    """
    polygons = np.concatenate(layers) if layers else np.empty(0, dtype=object)
    layer = np.repeat(np.arange(len(layers)), [len(a) for a in layers]).astype(np.int32)
    count = len(polygons)
    spots = np.arange(count)
    # Trees and predicates work outside the interpreter's lock.
    with ThreadPoolExecutor(max_workers=2) as pool:
        found = list(
            pool.map(
                lambda k: _join_layer(
                    polygons, spots[layer == k], barrels, (first <= k + 1) & (last >= k + 1)
                ),
                range(len(layers)),
            )
        )
    none = np.empty(0, np.int64)
    barrel, piece, left, right = (
        np.concatenate((none, *(joins[k] for _, joins in found))) for k in range(4)
    )
    one, other = np.concatenate((piece, left)), np.concatenate((count + barrel, right))
    nodes = count + len(barrels)
    # Barrels are nodes beside the pieces, so one pass joins copper over any number of layers.
    labels = label_groups(nodes, one, other)[:count]
    # Number islands by first appearance, so that equal boards give equal numbers.
    _, first_row, inverse = np.unique(labels, return_index=True, return_inverse=True)
    rank = np.empty(len(first_row), dtype=np.int32)
    rank[np.argsort(first_row)] = np.arange(len(first_row), dtype=np.int32)
    return Pieces(
        polygons=polygons,
        layer=layer,
        island=rank[inverse],
        joints=np.column_stack((barrel, piece)).astype(np.int32),
        boundaries=tuple(boundary for boundary, _ in found),
    )


def _join_layer(
    polygons: Shapes, rows: Ints, barrels: Shapes, through: Bools
) -> tuple[FacetTree, tuple[NDArray[Any], ...]]:
    """Boundary of one layer; barrels with pieces they touch, and pieces that touch each other.

    Pieces that touch in a point, or lie nearer than coordinates can separate, are etched as one,
    though their polygons are apart.
    """
    facets = facets_of(polygons[rows])
    boundary = FacetTree(facets.with_columns(piece=rows[facets.piece]))
    mine = np.flatnonzero(through & ~shapely.is_empty(barrels))  # of holes of unknown size
    # A barrel that no boundary comes near lies in a piece wholly or not at all.
    inside = pieces_at(
        polygons[rows], shapely.get_point(shapely.get_exterior_ring(barrels[mine]), 0)
    )
    held = np.flatnonzero(inside >= 0)
    near, piece = boundary.pieces_within(barrels[mine], TOUCH_MM)
    pairs = np.unique(
        np.column_stack((np.append(rows[inside[held]], piece), np.append(mine[held], mine[near]))),
        axis=0,
    )
    return boundary, (pairs[:, 1], pairs[:, 0], *boundary.touching_pieces(COINCIDENT_MM))


def pieces_at(polygons: Shapes, points: Shapes) -> Ints:
    """Row of the polygon that holds each point; -1 where none does.

    Parameters
    ----------
    polygons : (n,) object array of polygons
    points : (m,) object array of points
    """
    found = np.full(len(points), -1, dtype=np.int32)
    if len(polygons) and len(points):
        # The tree holds the points: a polygon of a hundred thousand vertices is then prepared
        # once and asked about many points, not walked once a point.
        polygon, point = shapely.STRtree(points).query(polygons, predicate="intersects")
        # Two polygons that share a point both hold it; the lower row is written last and counts.
        order = np.argsort(-polygon, kind="stable")
        found[point[order]] = polygon[order]
    return found


def draw_layers(layers: Iterable[Layer]) -> None:
    """Draw the images of layers side by side, the largest first; each layer keeps its own."""
    # Checks have drawn all of them before, and a copy of the process would be made for nothing.
    left = (layer.file for layer in layers if not is_kept(layer.file, "image"))
    files = sorted(left, key=lambda file: -len(file.objects))
    read_side_by_side(files, _draw, "layers")


def _draw(file: GerberFile) -> None:
    _ = file.image


def trace_board(board: Board) -> Pieces:
    """Find the copper pieces of a board and join them; see :class:`Pieces`.

    The rows of ``joints`` count ``board.hole_shapes``: holes first, then slot paths.  A hole of
    unknown plating is taken as plated, because a hole meant to be bare is kept clear of copper.
    """
    cuts = board.hole_shapes
    plated, first, last = cut_columns(board)
    bare = cuts[plated == 0]
    draw_layers(board.copper)
    with ThreadPoolExecutor(max_workers=2) as pool:
        split = pool.map(lambda layer: split_pieces(layer.file.image, bare), board.copper)
        layers = list(counting(split, len(board.copper), "copper layers"))
    barrels = np.flatnonzero(plated != 0)
    pieces = join_pieces(layers, cuts[barrels], first[barrels], last[barrels])
    joints = pieces.joints.copy()
    if len(joints):
        # The plated cuts were counted alone there; joints count all of them.
        joints[:, 0] = barrels[joints[:, 0]]
    return replace(pieces, joints=joints)


def cut_columns(board: Board) -> tuple[NDArray[np.int8], Ints, Ints]:
    """Plating and span of each of ``board.hole_shapes``: holes first, then slot paths."""
    holes, slots = board.holes, board.slots
    # A path is one shape but a row for each segment: its first segment stands for it.
    _, row = np.unique(slots.path, return_index=True)
    return (
        np.concatenate((holes.plated, slots.plated[row])),
        np.concatenate((holes.first, slots.first[row])).astype(np.int32),
        np.concatenate((holes.last, slots.last[row])).astype(np.int32),
    )

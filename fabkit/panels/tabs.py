"""Break-off tabs with perforations: where a board may be held, and what a tab looks like.

A tab is what the router leaves between two slots with round ends.  It widens towards the edges it
joins, and a row of small holes along the board's edge is where it breaks.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Bools, Floats, Ints, Shapes
from fabkit.base.units import counted, format_mm
from fabkit.formats.gerber.model import GerberFile, Kind, object_boxes, object_shapes
from fabkit.panels.merging import without_outline
from fabkit.panels.model import BITE_SHARE, Copy, Measures, Tab

_STEP_MM: Final = 1.0
"""Places along an edge that are tried."""
_FARTHEST_GAPS: Final = 4.0
"""A tab is at most so many gaps long."""
_LEVEL_MM: Final = 0.6
"""The far edge is nearer at one side of a tab than at the other by at most this."""
_PLAIN_MM: Final = 0.005
_LOOK_MM: Final = 0.25
_BEND_MM: Final = 0.12
"""An edge this near to a straight line over the width of a tab is straight (our choice)."""
_MARGIN_MM: Final = 0.6
"""The edge goes on straight for this long beside a tab."""
_FILE_MM: Final = 12.0
"""Room before an edge that a file needs, and how much wider than the tab it is (our choice)."""
_FILE_ASIDE_MM: Final = 3.0
CLEAR_MM: Final = (2.0, 1.0)
"""Holes and pads keep this far from a tab, or the board breaks or lifts there; the second distance
is for boards that have no room for the first (our choice)."""
_EASY_MM: Final = 6.0
"""Farther than this from connectors and holes nothing is gained (our choice)."""
_COPPER_EASY_MM: Final = 1.0
_NEAR_EDGE_MM: Final = 8.0
_FAR_MM: Final = 1000.0
_WALL_MM: Final = 0.1
"""Between the last hole of a row and the slot beside the tab."""
_MERIT_MM: Final = 3.0
"""A place that is better by one is taken where it is nearer to other tabs by this much."""


@dataclass(frozen=True, slots=True, eq=False)
class Obstacles:
    """What a tab keeps away from, as trees of shapes in the coordinates of the panel."""

    firm: shapely.STRtree
    """Holes, slots and pads."""
    copper: shapely.STRtree

    def firm_mm(self, lines: Shapes) -> Floats:
        """Distance of lines from holes and pads, at most :data:`_EASY_MM`."""
        return _distance(self.firm, lines, _EASY_MM)

    def copper_mm(self, lines: Shapes) -> Floats:
        """Distance of lines from copper, at most :data:`_COPPER_EASY_MM`."""
        return _distance(self.copper, lines, _COPPER_EASY_MM)


def _distance(tree: shapely.STRtree, lines: Shapes, most: float) -> Floats:
    away = np.full(len(lines), most)
    if len(tree.geometries):
        (row, _), near = tree.query_nearest(
            lines, max_distance=most, return_distance=True, all_matches=False
        )
        away[row] = near
    return away


def find_obstacles(copy: Copy) -> Obstacles:
    """Collect what tabs of a board keep away from."""
    board = copy.board
    edge = shapely.boundary(board.profile)
    shapely.prepare(edge)
    firm = [board.hole_shapes]
    copper: list[Shapes] = []
    for layer in board.copper:
        bare, _ = without_outline(layer.file, board.profile)
        copper.append(_copper_near(bare, edge))
        if layer.side is None:
            continue
        o = layer.file.objects
        boxes = object_boxes(layer.file)
        pads = np.flatnonzero((o.kind == Kind.FLASH) & o.dark & ~np.isnan(boxes[:, 0]))
        firm.append(shapely.box(*boxes[pads].T))
    return Obstacles(_tree(firm, edge, copy), _tree(copper, edge, copy))


def _copper_near(file: GerberFile, edge: BaseGeometry) -> Shapes:
    """Copper near the edge of a board."""
    if not file.objects.dark.all():
        parts: Shapes = shapely.get_parts(file.image)
        return parts
    boxes = object_boxes(file)
    real = np.flatnonzero(~np.isnan(boxes[:, 0]))
    near = real[shapely.dwithin(edge, shapely.box(*boxes[real].T), _NEAR_EDGE_MM)]
    return object_shapes(file, near)


def _tree(shapes: Sequence[Shapes], edge: BaseGeometry, copy: Copy) -> shapely.STRtree:
    every = np.concatenate([np.asarray(s, dtype=object) for s in shapes] or [np.empty(0, object)])
    every = every[~shapely.is_empty(every)]
    every = every[shapely.dwithin(edge, every, _NEAR_EDGE_MM)]
    return shapely.STRtree(shapely.transform(every, copy.placing.points))


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """Where tabs may be, as columns.

    Parameters
    ----------
    board, piece
        (n,) int64: board, and the piece at the far end; numbers of the pieces of material.
    base, along, out
        (n, 2) float64, mm: where a tab leaves the board; unit vectors along the edge and outward.
    length
        (n, 3) float64, mm: to the far edge at its left, middle and right.
    reach
        (n, 2) float64, mm: how far holes reach into the board, and into the far one.
    clear
        (n, 2) float64, mm: from the nearest hole or pad, and from copper, at either end.
    merit
        (n,) float64: how good the place is, higher is better.
    """

    board: Ints
    piece: Ints
    base: Floats
    along: Floats
    out: Floats
    length: Floats
    reach: Floats
    clear: Floats
    merit: Floats

    def fits(self, measures: Measures, clear_mm: float) -> Bools:
        """Which places are clear of copper, and of holes and pads by so much."""
        return np.asarray((self.clear >= (clear_mm, measures.copper)).all(axis=1))

    def words(self, measures: Measures) -> str:
        """Say what the places lack."""
        if not len(self):
            return "nothing straight to hold it by lies before a straight edge"
        firm, copper = (format_mm(float(mm), digits=2) for mm in self.clear.max(axis=0))
        return (
            f"straight at {counted(len(self), 'place')}, at most {firm} from holes and pads, where"
            f" tabs keep {format_mm(CLEAR_MM[-1])}, and {copper} from copper, where holes keep"
            f" {format_mm(measures.copper)}"
        )

    def take(self, rows: Ints | Bools) -> Places:
        """Rows picked by an index array or a mask."""
        return Places(*(getattr(self, name)[rows] for name in self.__slots__))

    def __len__(self) -> int:
        return len(self.board)

    @classmethod
    def concat(cls, tables: Sequence[Places]) -> Places:
        """Rows of all tables, in order."""
        return cls(*(np.concatenate([getattr(t, n) for t in tables]) for n in cls.__slots__))

    def far_ends(self) -> Floats:
        """Middles of the far ends, (n, 2) float64, mm."""
        ends: Floats = self.base + self.out * self.length[:, 1:2]
        return ends


def find_places(
    number: int,
    pieces: Sequence[BaseGeometry],
    obstacles: Sequence[Obstacles],
    measures: Measures,
) -> Places:
    """Find the places where one board may be held, clear of holes and copper or not.

    Parameters
    ----------
    number
        Of the board among the pieces.
    pieces
        Boards first, then waste with the rails.
    obstacles
        Of each board.
    measures
        Of the panel.
    """
    half = measures.tab / 2 + measures.gap / 2
    board = pieces[number]
    base, along, out = _along_edges(board, half + _MARGIN_MM)
    side = np.array([-half, 0.0, half])
    starts = base[:, None, :] + side[:, None] * along[:, None, :]
    piece, length = _first_hits(starts, out, number, pieces, _FARTHEST_GAPS * measures.gap)
    good = (piece[:, 0] >= 0) & (piece == piece[:, :1]).all(axis=1)
    good &= np.ptp(length, axis=1) <= _LEVEL_MM
    good &= length.min(axis=1, initial=np.inf) >= measures.gap - 0.05
    rows = np.flatnonzero(good)
    base, along, out, starts = base[rows], along[rows], out[rows], starts[rows]
    length, target = length[rows], piece[rows, 1]
    reach = np.zeros((len(rows), 2))
    merit = np.zeros(len(rows))
    clear = np.full((len(rows), 2), np.inf)
    ends = starts + length[:, :, None] * out[:, None, :]
    sides = [(0, number, starts, np.arange(len(rows)))]
    sides += [
        (1, other, ends, np.flatnonzero(target == other))
        for other in range(len(obstacles))
        if other != number
    ]
    for end, one, spots, mine in sides:
        lines = shapely.linestrings(spots[mine][:, [0, 2]])
        firm, copper = obstacles[one].firm_mm(lines), obstacles[one].copper_mm(lines)
        deep = measures.bite * BITE_SHARE
        room = copper - measures.copper
        reach[mine, end] = np.where(room >= deep, deep, 0.0)
        clear[mine] = np.minimum(clear[mine], np.column_stack((firm, copper)))
        merit[mine] += firm + 2 * copper + (room >= deep)
    # A file lies along the edge, so there must be room before it: no notch of the board itself.
    wide = half + _FILE_ASIDE_MM
    corners = [(-wide, 0.05), (wide, 0.05), (wide, _FILE_MM), (-wide, _FILE_MM)]
    room = np.stack([base + u * along + v * out for u, v in corners], axis=1)
    shapely.prepare(board)
    merit -= 8.0 * shapely.intersects(board, shapely.polygons(room))
    # A short tab is stiff.
    merit -= length[:, 1] - measures.gap
    board_of = np.full(len(rows), number)
    return Places(board_of, target, base, along, out, length, reach, clear, merit)


def _along_edges(board: BaseGeometry, beside: float) -> tuple[Floats, Floats, Floats]:
    """Points of the edge where it runs straight for ``beside`` both ways, direction, way out.

    An edge that bends as little as a large arc does is straight enough.
    """
    ring = shapely.normalize(shapely.get_exterior_ring(board))
    length = float(shapely.length(ring))
    at = np.arange(0.0, length, _STEP_MM)
    # As many points between as show a corner or a bend.
    side = np.linspace(-beside, beside, 2 * int(np.ceil(beside / _LOOK_MM)) + 1)
    points = shapely.line_interpolate_point(ring, (at[:, None] + side) % length)
    spots = shapely.get_coordinates(points).reshape(len(at), len(side), 2)
    chord = spots[:, -1] - spots[:, 0]
    width = np.hypot(chord[:, 0], chord[:, 1])
    along = chord / np.maximum(width, 1e-9)[:, None]
    right = np.column_stack((along[:, 1], -along[:, 0]))
    off = np.abs(((spots - spots[:, :1]) * right[:, None]).sum(axis=2)).max(axis=1)
    straight = (off <= _BEND_MM) & (width > 2 * beside - _BEND_MM)
    out = right if shapely.is_ccw(ring) else -right
    return spots[straight, len(side) // 2], along[straight], out[straight]


def _first_hits(
    starts: Floats, out: Floats, number: int, pieces: Sequence[BaseGeometry], reach: float
) -> tuple[Ints, Floats]:
    """Piece that a ray meets first, and how far away; -1 for none or the board itself.

    Parameters
    ----------
    starts : (n, k, 2) float64, mm
    out : (n, 2) float64
    """
    count, each = starts.shape[:2]
    piece = np.full((count, each), -1, dtype=np.int64)
    length = np.full((count, each), reach)
    tails, tips = starts + 0.02 * out[:, None], starts + reach * out[:, None]
    rays = shapely.linestrings(np.stack((tails, tips), axis=2).reshape(-1, 2, 2))
    begin = shapely.points(starts.reshape(-1, 2))
    edges, owner = [], []
    for other, shape in enumerate(pieces):
        ring = shapely.get_coordinates(shapely.simplify(shape.exterior, _PLAIN_MM))
        edges.append(shapely.linestrings(np.stack((ring[:-1], ring[1:]), axis=1)))
        owner.append(np.full(len(ring) - 1, other))
    edge, owners = np.concatenate(edges), np.concatenate(owner)
    ray, hit = shapely.STRtree(edge).query(rays, predicate="intersects")
    away = shapely.distance(begin[ray], shapely.intersection(rays[ray], edge[hit]))
    # The nearest of each ray is written last.
    order = np.argsort(-away, kind="stable")
    ray, hit, away = ray[order], hit[order], away[order]
    piece.flat[ray] = np.where(owners[hit] == number, -1, owners[hit])
    length.flat[ray] = away
    return piece, length


def choose_places(places: Places, taken: Floats, *, wanted: int, spread: float) -> Ints:
    """Choose tabs of a piece: the best place, then each time the one farthest from all chosen.

    Parameters
    ----------
    places
        All that the piece has.
    taken
        (n, 2) float64, mm: where tabs hold it already.
    wanted
        How many it should have in all.
    spread
        Tabs nearer to each other than this gain nothing, mm.
    """
    chosen: list[int] = []
    away = np.full(len(places), _FAR_MM)
    for spot in taken:
        away = np.minimum(away, np.hypot(*(places.base - spot).T))
    while len(chosen) + len(taken) < wanted and len(places):
        value = away + _MERIT_MM * places.merit
        value[away < spread] = -np.inf
        best = int(value.argmax())
        if not np.isfinite(value[best]):
            break
        chosen.append(best)
        away = np.minimum(away, np.hypot(*(places.base - places.base[best]).T))
    return np.array(chosen, dtype=np.int64)


def make_tab(places: Places, row: int, boards: int, measures: Measures) -> Tab:
    """Make the tab of one place: its material and its holes."""
    base, along, out = places.base[row], places.along[row], places.out[row]
    left, middle, right = places.length[row].tolist()
    radius = measures.gap / 2
    half = measures.tab / 2 + radius
    slope = (right - left) / (2 * half)

    def at(u: float, v: float) -> Floats:
        spot: Floats = base + u * along + v * out
        return spot

    sink = 0.02
    band = shapely.Polygon(
        [at(-half, -sink), at(half, -sink), at(half, right + sink), at(-half, left + sink)]
    )
    slots = [
        shapely.buffer(
            shapely.LineString([at(u, min(radius, far / 2)), at(u, max(far - radius, far / 2))]),
            radius,
            quad_segs=32,
        )
        for u, far in ((-half, left), (half, right))
    ]
    shape = shapely.difference(band, shapely.union_all(slots))
    parts = shapely.get_parts(shape)
    shape = parts[int(shapely.area(parts).argmax())]
    lift = measures.bite / 2 - places.reach[row]
    rows = [base + _bites(lift[0], half, measures)[:, None] * along + lift[0] * out]
    other = int(places.piece[row]) if places.piece[row] < boards else None
    if other is not None:
        u = _bites(lift[1], half, measures)
        far = middle + slope * u - lift[1]
        rows.append(base + u[:, None] * along + far[:, None] * out)
    return Tab(
        board=int(places.board[row]),
        other=other,
        shape=shape,
        holes=np.concatenate(rows),
        middle=(float(base[0]), float(base[1])),
    )


def _bites(lift: float, half: float, measures: Measures) -> Floats:
    """Places of a row of holes along a tab, from its middle: none breaks into the slots beside."""
    radius = measures.gap / 2
    # Where the round end of the slot is as high as the far side of the holes.
    high = min(lift + measures.bite / 2, radius)
    aside = float(np.sqrt(radius**2 - (radius - high) ** 2))
    room = max(half - aside - measures.bite / 2 - _WALL_MM, measures.bite_step)
    count = int(2 * room / measures.bite_step + 1e-9) + 1
    places: Floats = np.linspace(-room, room, count)
    return places

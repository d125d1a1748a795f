"""What holds the boards of a panel: rails, the waste between them, break-off tabs, score lines.

A tab is what the router leaves between two slots with round ends.  It widens towards the edges it
joins, and a row of small holes along the board's edge is where it breaks.  A score line is cut from
edge to edge of the panel.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Bools, Floats, Ints, Shapes
from fabkit.base.errors import UsageError
from fabkit.base.units import COINCIDENT_MM, counted, format_mm
from fabkit.formats.gerber.model import GerberFile, Kind, object_boxes, object_shapes
from fabkit.geometry.neighbours import label_groups
from fabkit.panels.merging import without_outline
from fabkit.panels.model import BITE_SHARE, Copy, Frame, Measures, Tab
from fabkit.panels.nesting import ROUTE
from fabkit.sheets.house import House

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


_STRIP_MM: Final = 4.0
"""Waste narrower than this is routed away."""
_PIECE_MM2: Final = 150.0
"""So is waste smaller than this: it could not be held well."""
_FEWEST: Final = 2
"""Tabs that hold a piece."""
_DESIGN_SHARE: Final = 0.8
"""Tabs are laid nearer than the most the house allows."""
_SPREAD_MM: Final = 15.0
_ROUTED_MM: Final = 0.001


def outer(profile: BaseGeometry) -> BaseGeometry:
    """Outer outline of a board as one polygon."""
    return shapely.Polygon(shapely.get_exterior_ring(shapely.get_parts(profile)[0]))


def build_frame(copies: Sequence[Copy], measures: Measures, *, rails: bool) -> Frame:
    """Find what holds the boards.

    Raises
    ------
    UsageError
        A board has no straight edge for tabs, or cannot be joined to the others.
    """
    boards = [outer(copy.profile) for copy in copies]
    box, flat = _box(boards, measures, rails=rails)
    obstacles = [find_obstacles(copy) for copy in copies]
    waste = _waste(boards, box, measures)
    while True:
        pieces = [*boards, *waste]
        found = [find_places(k, pieces, obstacles, measures) for k in range(len(copies))]
        places, chosen = _held(copies, pieces, found, measures)
        held = np.bincount(places.piece[chosen], minlength=len(pieces))[len(boards) :]
        loose = [k for k in range(len(waste)) if held[k] < _FEWEST]
        if not loose:
            break
        # What too few tabs can hold is routed away; tabs that led to it must then lead elsewhere.
        waste = [piece for k, piece in enumerate(waste) if k not in loose]
    _refuse_loose(copies, len(pieces), places, chosen)
    tabs = tuple(make_tab(places, row, len(boards), measures) for row in chosen.tolist())
    clear = float(places.clear[chosen, 0].min(initial=np.inf))
    return Frame(box=box, waste=tuple(waste), tabs=tabs, clear_mm=clear, flat=flat)


def _box(
    boards: Sequence[BaseGeometry], measures: Measures, *, rails: bool
) -> tuple[tuple[float, float, float, float], bool]:
    """Box of the panel, and whether rails run along x."""
    x0, y0, x1, y1 = shapely.total_bounds(np.array(boards, dtype=object)).tolist()
    flat = x1 - x0 >= y1 - y0
    more = measures.rail + measures.gap if rails else 0.0
    if flat:
        return (x0, y0 - more, x1, y1 + more), flat
    return (x0 - more, y0, x1 + more, y1), flat


def _waste(
    boards: Sequence[BaseGeometry], box: tuple[float, float, float, float], measures: Measures
) -> list[BaseGeometry]:
    """Pieces that the router leaves when it has gone around each board."""
    around = shapely.buffer(np.array(boards, dtype=object), measures.gap, quad_segs=32)
    rest = shapely.difference(shapely.box(*box), shapely.union_all(around))
    # Grown back with round corners, waste has no points to be hurt by when it is broken off.
    rest = shapely.buffer(rest, -_STRIP_MM / 2, join_style="mitre")
    rest = shapely.buffer(rest, _STRIP_MM / 2, quad_segs=32)
    parts = shapely.get_parts(shapely.simplify(rest, _ROUTED_MM))
    return [part for part in parts.tolist() if part.area >= _PIECE_MM2]


def _held(
    copies: Sequence[Copy],
    pieces: Sequence[BaseGeometry],
    found: Sequence[Places],
    measures: Measures,
    clear_mm: Sequence[float] = CLEAR_MM,
) -> tuple[Places, Ints]:
    """Places for tabs, and those that are chosen: for each board, then for waste held too little.

    A tab between two boards holds both.
    """
    places = Places.concat([table.take(table.fits(measures, clear_mm[0])) for table in found])
    chosen: list[int] = []
    most = _DESIGN_SHARE * measures.tab_spacing
    for number, piece in enumerate(pieces):
        of_board = number < len(copies)
        x0, y0, x1, y1 = piece.bounds
        edge = piece.exterior.length if of_board else max(x1 - x0, y1 - y0)
        wanted = max(3 if of_board else _FEWEST, int(np.ceil(edge / most)))
        mine = np.flatnonzero((places.board if of_board else places.piece) == number)
        taken = np.concatenate(
            (
                places.base[[k for k in chosen if places.board[k] == number]],
                places.far_ends()[[k for k in chosen if places.piece[k] == number]],
            )
        )
        rows = choose_places(places.take(mine), taken, wanted=wanted, spread=_SPREAD_MM)
        chosen += [k for k in mine[rows].tolist() if k not in chosen]
        if of_board and len(rows) + len(taken) < _FEWEST:
            if len(clear_mm) > 1:
                return _held(copies, pieces, found, measures, clear_mm[1:])
            raise UsageError(
                f"{copies[number].label}: no straight edge for {_FEWEST} break-off tabs of"
                f" {format_mm(measures.tab)} that is clear of holes, pads and copper"
                f" ({found[number].words(measures)})",
                hint="try rails or another gap, or order this board alone",
            )
    return places, np.array(chosen, dtype=np.int64)


def _refuse_loose(copies: Sequence[Copy], count: int, places: Places, chosen: Ints) -> None:
    """Refuse a panel that would fall apart."""
    label = label_groups(count, places.board[chosen], places.piece[chosen])
    apart = [copy.label for copy, mine in zip(copies, label, strict=False) if mine != label[0]]
    if apart:
        raise UsageError(
            f"no break-off tab can join {copies[0].label} to {', '.join(apart)}",
            hint="use --rails, which join all boards, or another --gap",
        )


def with_marks(frame: Frame, measures: Measures) -> Frame:
    """Put tooling holes and fiducials into the rails."""
    x0, y0, x1, y1 = frame.box
    middle = measures.rail / 2
    # Near the ends of both rails; one corner has no fiducial, so that the panel lies one way only.
    wide = frame.flat
    length = x1 - x0 if wide else y1 - y0
    hole, mark = middle + measures.tooling_hole / 2, middle + 2 * measures.tooling_hole + 2
    ends = [(hole, length - hole), (mark, length - mark)]

    def at(u: float, v: float) -> tuple[float, float]:
        return (x0 + u, y0 + v) if wide else (x0 + v, y0 + u)

    across = (y1 - y0 if wide else x1 - x0) - middle
    tooling = [at(u, v) for v in (middle, across) for u in ends[0]]
    fiducials = [at(u, v) for v in (middle, across) for u in ends[1]][:3]
    return replace(frame, tooling=np.array(tooling), fiducials=np.array(fiducials))


def material(boards: Sequence[BaseGeometry], frame: Frame) -> BaseGeometry:
    """Unite boards with all that holds them.

    Raises
    ------
    UsageError
        It falls apart.
    """
    parts = [*boards, *frame.waste, *(tab.shape for tab in frame.tabs)]
    if len(frame.score):
        parts += seams(parts, frame.score)
    whole = shapely.union_all(np.array(parts, dtype=object))
    pieces = shapely.get_parts(whole)
    if len(pieces) != 1:
        raise UsageError(
            f"the panel would fall into {len(pieces)} pieces", hint="try another --gap, or --rails"
        )
    return pieces[0]


_SPECK_MM2: Final = 0.005


def build_scored_frame(copies: Sequence[Copy], measures: Measures, *, rails: bool) -> Frame:
    """Find the score lines between boards in rows and columns, and the rails beside them."""
    boxes = shapely.bounds(np.array([copy.profile for copy in copies], dtype=object))
    x0, y0 = boxes[:, :2].min(axis=0).tolist()
    x1, y1 = boxes[:, 2:].max(axis=0).tolist()
    inner = [_between(boxes[:, [k, k + 2]]) for k in (0, 1)]
    box, waste = (x0, y0, x1, y1), list[BaseGeometry]()
    wide = x1 - x0 >= y1 - y0
    if rails:
        more = measures.rail
        ends = (y0, y1) if wide else (x0, x1)
        inner[int(wide)] = [ends[0], *inner[int(wide)], ends[1]]
        low, high = ends[0] - more, ends[1] + more
        box = (x0, low, x1, high) if wide else (low, y0, high, y1)
        for a, b in ((low, ends[0]), (ends[1], high)):
            waste.append(shapely.box(x0, a, x1, b) if wide else shapely.box(a, y0, b, y1))
    lines = [(x, box[1], x, box[3]) for x in inner[0]] + [(box[0], y, box[2], y) for y in inner[1]]
    score = np.array(lines).reshape(-1, 4)
    return Frame(box=box, waste=tuple(waste), score=score, flat=wide)


def _between(spans: Floats) -> list[float]:
    """Borders between spans that lie beside each other, without the outermost ones."""
    starts = np.unique(spans[:, 0].round(2), return_index=True)[1]
    borders: list[float] = spans[starts, 0].tolist()
    return borders[1:]


def seams(parts: Sequence[BaseGeometry], score: Floats) -> list[BaseGeometry]:
    """Find strips of two micrometres over the edges that lie on each other along score lines.

    What is united with them has no seam where one edge is off the other by rounding.
    """
    found = []
    for x0, y0, x1, _ in score.tolist():
        axis, at = (0, x0) if x0 == x1 else (1, y0)
        runs = np.concatenate([_runs(part, axis, at) for part in parts])
        runs = runs[np.lexsort(runs.T[::-1])]
        # Of two edges on each other the later one begins in the earlier one.
        reach = np.maximum.accumulate(runs[:, 1])
        low, high = runs[1:, 0], np.minimum(runs[1:, 1], reach[:-1])
        for a, b in np.column_stack((low, high))[high - low > COINCIDENT_MM].tolist():
            strip = (at - COINCIDENT_MM, a, at + COINCIDENT_MM, b)
            found.append(shapely.box(*(strip if axis == 0 else (*strip[1::-1], *strip[:1:-1]))))
    return found


def _runs(part: BaseGeometry, axis: int, at: float) -> Floats:
    """Where the rim of an area runs along a line: from and to, (n, 2), mm."""
    ring = shapely.get_coordinates(part.exterior)
    on = np.abs(ring[:, axis] - at) <= COINCIDENT_MM
    along = ring[:, 1 - axis]
    runs = np.column_stack((along[:-1], along[1:]))[on[:-1] & on[1:]]
    return np.sort(runs, axis=1)


def refuse_unscorable(
    copies: Sequence[Copy], frame: Frame, house: House, thickness_mm: float
) -> None:
    """Refuse boards that are too thin for a score line, or have copper or holes too near to it.

    Raises
    ------
    UsageError
        What is too near, by how much, and what to do.
    """
    thin = house.limit("score_thickness_min_mm")
    if not thin.allows(thickness_mm):
        raise UsageError(
            f"boards of {format_mm(thickness_mm)} are too thin to be scored: your house scores from"
            f" {format_mm(thin.value)} ({thin.source})",
            hint=ROUTE,
        )
    lines = shapely.linestrings(frame.score.reshape(-1, 2, 2))
    for copy in copies:
        holes = shapely.transform(copy.board.hole_shapes, copy.placing.points)
        for what, key, tree in (
            ("copper", "copper_to_score_mm", find_obstacles(copy).copper),
            ("a hole", "hole_to_edge_mm", shapely.STRtree(holes)),
        ):
            limit = house.limit(key)
            _, away = tree.query_nearest(
                lines, max_distance=limit.value, return_distance=True, all_matches=False
            )
            nearest = float(away.min(initial=np.inf))
            if not limit.allows(nearest, tolerance=2 * COINCIDENT_MM):
                raise UsageError(
                    f"{what} of {copy.label} is {format_mm(nearest, digits=2)} from a score line;"
                    f" your house needs {format_mm(limit.value)} ({limit.source})",
                    hint=f"move it away from the edge in the layout, or {ROUTE}",
                )


def out_of_reach_mm(whole: BaseGeometry, frame: Frame, cutter_mm: float) -> float:
    """Length of the longest point beside a score line that a round cutter cannot reach; 0: none.

    Rounded corners of two boards end in such points where they meet.
    """
    grown = shapely.buffer(whole, cutter_mm / 2, quad_segs=16)
    left = shapely.difference(shapely.buffer(grown, -cutter_mm / 2, quad_segs=16), whole)
    parts = shapely.get_parts(left)
    lines = shapely.union_all(shapely.linestrings(frame.score.reshape(-1, 2, 2)))
    parts = parts[(shapely.area(parts) > _SPECK_MM2) & shapely.dwithin(parts, lines, 0.02)]
    box = shapely.bounds(parts)
    return float((box[:, 2:] - box[:, :2]).max(initial=0.0))

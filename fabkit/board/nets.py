"""Nets as meant against copper as drawn: opens, shorts, and points of a netlist without copper.

Where copper joins two nets, the piece that joins them is sought between what each of them owns.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Bools, Floats, Ints, Shapes, gather
from fabkit.board.connectivity import Pieces, pieces_at
from fabkit.board.copper import NO_NET, Copper
from fabkit.formats.gerber.model import GerberFile, object_shapes
from fabkit.formats.sidecars.model import Netlist, NetPoint
from fabkit.geometry.neighbours import PointTree, estimate_pairs, label_groups, usual_gap

BARREL: Final = -1
"""Layer of a plated hole, which lies on all of them."""

MOST_JOINTS: Final = 12
"""Places at which one piece of copper joins nets, that are looked for."""

MOST_CONTACTS: Final = 4_000_000
"""More pairs of objects in one piece of copper are not followed: some five seconds, 200 MB."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """A place whose pads belong to a net, by its number, on one layer or (``BARREL``) on all."""

    net: int
    x_mm: float
    y_mm: float
    layer: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Joint:
    """Where two nets meet: the nets by number, the place, the layer or ``BARREL``."""

    nets: tuple[int, int]
    x_mm: float
    y_mm: float
    layer: int


@dataclass(eq=False)
class _Graph:
    """Objects and plated holes of one island, which touch which, and the net of each, or -1.

    In a ``crowded`` one too many touch to be listed.
    """

    shapes: Shapes
    layer: Ints
    net: Ints
    left: Ints
    right: Ints
    crowded: bool
    gone: Bools = field(init=False)

    def __post_init__(self) -> None:
        self.gone = np.zeros(len(self.shapes), dtype=bool)

    def links(self) -> tuple[Ints, Ints]:
        """Give the ends of the contacts between what is still there."""
        there = ~(self.gone[self.left] | self.gone[self.right])
        return self.left[there], self.right[there]

    def parts(self) -> Ints:
        """(n,) int64: connected part of each node; what is gone is alone."""
        return np.asarray(label_groups(len(self.shapes), *self.links()), dtype=np.int64)

    def part(self, contact: tuple[int, int]) -> None:
        """Part two nodes that touch."""
        same = (self.left == contact[0]) & (self.right == contact[1])
        same |= (self.left == contact[1]) & (self.right == contact[0])
        self.left, self.right = self.left[~same], self.right[~same]


def find_joints(copper: Copper, island: int, claims: Sequence[Claim] | None) -> list[Joint]:
    """Find the places where one island joins nets, one after another until it joins none.

    Parameters
    ----------
    copper
        The board's copper.
    island
        Which piece of copper.
    claims
        What the nets own, as places; None takes the net names of the objects.

    Notes
    -----
    The shortest way from what one net owns to what another owns leads through the joint.  On that
    way it is the piece between the two without which they would be apart.
    Where millions of pairs of objects lie upon each other no way is sought: each net is said to
    meet the one of the most objects, at an object of its own.
    """
    graph = _graph(copper, island, claims)
    if graph.crowded:
        return _unsought(graph)
    joints = []
    for _ in range(MOST_JOINTS):
        way = _way(graph)
        if way is None:
            break
        joint, clean = _joint(graph, way)
        joints.append(joint)
        # Where most copper belongs to no net by name, a way round would be no other joint.
        if claims is not None and not clean:
            break
    return joints


def _unsought(graph: _Graph) -> list[Joint]:
    """Pair the net of the most objects with each other one, at the first object of that."""
    names, first, count = np.unique(graph.net, return_index=True, return_counts=True)
    named = names >= 0
    names, first, count = names[named], first[named], count[named]
    spots = shapely.get_coordinates(shapely.centroid(graph.shapes[first]))
    most = int(np.argmax(count)) if len(names) else 0
    return [
        Joint(
            nets=(min(int(net), int(names[most])), max(int(net), int(names[most]))),
            x_mm=float(x),
            y_mm=float(y),
            layer=int(graph.layer[row]),
        )
        for net, row, (x, y) in zip(names, first, spots, strict=True)
        if net != names[most]
    ][:MOST_JOINTS]


def _graph(copper: Copper, island: int, claims: Sequence[Claim] | None) -> _Graph:
    pieces = copper.pieces
    mine = np.append(pieces.island == island, False)
    shapes, layers, nets = [], [], []
    for index, layer in enumerate(copper.board.copper):
        objects = copper.layers[index]
        rows, left = _left(layer.file, np.flatnonzero(mine[objects.piece]))
        net = objects.net[rows].astype(np.int64)
        net[net >= 0] = np.where(copper.named[net[net >= 0]], net[net >= 0], -1)
        shapes.append(left)
        layers.append(np.full(len(rows), index))
        nets.append(net)
    joints = pieces.joints
    barrels = np.unique(joints[mine[joints[:, 1]], 0])
    shapes.append(copper.board.hole_shapes[barrels])
    layers.append(np.full(len(barrels), BARREL))
    nets.append(np.full(len(barrels), -1))
    shape, layer_of, net_of = (np.concatenate(a) for a in (shapes, layers, nets))
    tree = shapely.STRtree(shape)
    crowded = estimate_pairs(tree, shape) > MOST_CONTACTS
    left, right = tree.query(shape[:0] if crowded else shape, predicate="intersects")
    meet = (
        (layer_of[left] == layer_of[right])
        | (layer_of[left] == BARREL)
        | (layer_of[right] == BARREL)
    )
    meet &= left < right
    graph = _Graph(shape, layer_of, net_of, left[meet], right[meet], crowded)
    if claims is not None:
        graph.net[:] = -1
        spots = shapely.points([(c.x_mm, c.y_mm) for c in claims])
        spot, node = shapely.STRtree(shape).query(spots, predicate="intersects")
        # A plane below a surface pad is not its net's own.
        own = np.array([c.layer for c in claims])[spot]
        own = (own == BARREL) | (layer_of[node] == BARREL) | (layer_of[node] == own)
        spot, node = spot[own], node[own]
        # The smallest object at a place is the pad; the pour around it is not the net's own.
        order = np.lexsort((node, shapely.area(shape[node]), layer_of[node], spot))
        key = np.column_stack((spot, layer_of[node]))[order]
        first = order[np.unique(key, axis=0, return_index=True)[1]]
        graph.net[node[first]] = np.array([c.net for c in claims])[spot[first]]
    return graph


def _left(file: GerberFile, rows: Ints) -> tuple[Ints, Shapes]:
    """Give what is left of objects once later ones have erased from them, each part as one.

    A pour that is drawn whole and then cleared around foreign pads does not touch them.
    """
    shapes, clear = object_shapes(file, rows), np.flatnonzero(~file.objects.dark)
    erasers = object_shapes(file, clear)
    row, eraser = shapely.STRtree(erasers).query(shapes, predicate="intersects")
    later = clear[eraser] > rows[row]
    row, eraser = row[later], eraser[later]
    for k in np.unique(row).tolist():
        shapes[k] = shapely.difference(shapes[k], shapely.union_all(erasers[eraser[row == k]]))
    parts, of = shapely.get_parts(shapes, return_index=True)
    return rows[of], parts


def _way(graph: _Graph) -> list[int] | None:
    """Shortest way between objects of two nets in one part; None where no part has two."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import dijkstra

    part = graph.parts()
    owned = np.flatnonzero((graph.net >= 0) & ~graph.gone)
    pairs = np.unique(np.column_stack((part[owned], graph.net[owned])), axis=0)
    parts, counts = np.unique(pairs[:, 0], return_counts=True)
    if not (counts > 1).any():
        return None
    chosen = parts[counts > 1][0]
    inside = owned[part[owned] == chosen]
    names, sizes = np.unique(graph.net[inside], return_counts=True)
    few = names[np.argmin(sizes)]
    start, goal = inside[graph.net[inside] == few], inside[graph.net[inside] != few]
    left, right = graph.links()
    size = len(graph.shapes)
    matrix = coo_matrix((np.ones(len(left)), (left, right)), shape=(size, size)).tocsr()
    apart, before, _ = dijkstra(
        matrix, directed=False, indices=start, unweighted=True, min_only=True,
        return_predecessors=True,
    )  # fmt: skip
    at = int(goal[np.argmin(apart[goal])])
    way = [at]
    while before[at] >= 0:
        at = int(before[at])
        way.append(at)
    return way[::-1]


def _joint(graph: _Graph, way: list[int]) -> tuple[Joint, bool]:
    """Find the joint on a way and part the nets there; whether nothing else joined the two."""
    part = graph.parts()
    here = (part == part[way[0]]) & ~graph.gone
    one, other = (np.flatnonzero(here & (graph.net == graph.net[way[k]])) for k in (0, -1))
    ends = int(graph.net[way[0]]), int(graph.net[way[-1]])
    nets = (min(ends), max(ends))
    spot = shapely.centroid(graph.shapes[way[0]])
    if len(way) > 2 and shapely.intersects(graph.shapes[one], spot).all():
        # A lone place of a net in another's copper is itself what is out of place.
        graph.gone[one] = True
        layer = int(graph.layer[one].max())
        return Joint(nets=nets, x_mm=float(spot.x), y_mm=float(spot.y), layer=layer), True
    if len(way) == 2:
        graph.part((way[0], way[1]))
        x, y = _between(*graph.shapes[way])
        layer = int(graph.layer[way].max())
        clean = _severed(graph, one, other) > 0
        return Joint(nets=nets, x_mm=x, y_mm=y, layer=layer), clean
    steps = list(range(1, len(way) - 1))
    severed = []
    for k in steps:
        graph.gone[way[k]] = True
        severed.append(_severed(graph, one, other))
        graph.gone[way[k]] = False
    best = [k for k, how in zip(steps, severed, strict=True) if how == max(severed)]
    k = best[len(best) // 2]
    graph.gone[way[k]] = True
    shape = graph.shapes[way[k]]
    contacts = [_between(shape, graph.shapes[way[k + d]]) for d in (-1, 1)]
    line = shapely.shortest_line(shape, shapely.points(np.mean(contacts, axis=0)))
    x, y = shapely.get_coordinates(line)[0].tolist()
    joint = Joint(nets=nets, x_mm=x, y_mm=y, layer=int(graph.layer[way[k]]))
    return joint, max(severed) > 0


def _severed(graph: _Graph, one: Ints, other: Ints) -> int:
    """How well nets are severed: 0 not at all, 1 apart, 2 apart and each still whole."""
    part = graph.parts()
    of_one, of_other = np.unique(part[one]), np.unique(part[other])
    if np.isin(of_one, of_other).any():
        return 0
    return 1 + (len(of_one) == len(of_other) == 1)


def _between(one: BaseGeometry, other: BaseGeometry) -> tuple[float, float]:
    """Middle of what two shapes share."""
    common = shapely.intersection(one, other)
    x, y = shapely.get_coordinates(shapely.centroid(common))[0]
    return float(x), float(y)


SEARCH_MM: Final = 0.05
"""How far from its copper a netlist point may lie (common practice)."""

ALIGN_SHARE: Final = 0.8
"""Share of netlist points that must agree on a shift before it is applied (common practice)."""

BESIDE_PAD_MM: Final = 0.3
"""What lies no farther beyond the middles of two pads belongs to their part: half a small land
(IPC-7351, lands of chips 0402 to 0603 are 0.5 to 0.9 mm long)."""


JUMPER_MM: Final = 3.0
"""Half of how far apart the pads of a jumper are (common practice: 5.08 mm at most)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Terminal:
    """Something a net must reach: a pad with a net name, or a netlist point.

    ``layer`` counts from 0 on top; ``through`` reaches all of them.
    """

    net: str
    name: str
    x_mm: float
    y_mm: float
    layer: int
    island: int
    through: bool = False

    @property
    def part(self) -> str:
        """Reference of its part; empty when it names no pin."""
        ref, pin, _ = self.name.partition(" pin ")
        return ref if pin else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Open:
    """Terminals of one net that copper does not join to the rest of it.

    ``gap_mm`` and the place are where the two parts come nearest on one layer; None when they
    share no layer.  ``one_pin``: every terminal of the net is the same pin of the same part.
    ``module``: what is cut off are pins of a part with many pins far apart, which has others on the
    rest of the net.
    ``island`` is that of the part cut off, ``others`` are those of the rest of the net.
    """

    net: str
    island: int
    others: tuple[int, ...]
    cut_off: tuple[Terminal, ...]
    rest: int
    one_pin: bool
    module: bool
    gap_mm: float | None
    x_mm: float
    y_mm: float
    layer: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Short:
    """Copper that joins terminals or objects of several nets; the place is where they touch."""

    nets: tuple[str, ...]
    x_mm: float
    y_mm: float
    layer: int
    through_hole: bool
    part: str = ""
    """Reference of the part whose pads copper bridges; empty where nets touch elsewhere."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Aligned:
    """Netlist points on the board: the shift that was applied, and the points without copper."""

    shift_mm: tuple[float, float]
    terminals: tuple[Terminal, ...]
    lost: tuple[NetPoint, ...]


def pad_terminals(copper: Copper) -> tuple[Terminal, ...]:
    """List the pads that name a real net, in file order."""
    pads = copper.pads
    known = np.flatnonzero((pads.net >= 0) & (pads.island >= 0))
    return tuple(
        Terminal(
            net=copper.nets[pads.net[p]],
            name=copper.pad_name(int(p)),
            x_mm=float(pads.x[p]),
            y_mm=float(pads.y[p]),
            layer=int(pads.layer[p]),
            island=int(pads.island[p]),
        )
        for p in known[copper.named[pads.net[known]]]
    )


def find_opens(terminals: tuple[Terminal, ...], pieces: Pieces) -> list[Open]:
    """Nets whose terminals lie on more than one island, one :class:`Open` per part cut off."""
    nets: dict[str, dict[int, list[Terminal]]] = {}
    modules = _modules(terminals)
    for terminal in terminals:
        nets.setdefault(terminal.net, {}).setdefault(terminal.island, []).append(terminal)
    found = []
    for net in sorted(nets):
        parts = sorted(nets[net].items(), key=lambda part: (-len(part[1]), part[0]))
        for index, (island, cut_off) in enumerate(parts[1:], start=1):
            others = [i for j, (i, _) in enumerate(parts) if j != index]
            gap = _nearest(pieces, island, others)
            layer, distance, x, y = gap or (
                cut_off[0].layer,
                None,
                cut_off[0].x_mm,
                cut_off[0].y_mm,
            )
            found.append(
                Open(
                    net=net,
                    island=island,
                    others=tuple(others),
                    cut_off=tuple(cut_off),
                    rest=sum(len(t) for _, t in parts) - len(cut_off),
                    one_pin=_one_pin(t for _, part in parts for t in part),
                    module=_part_of(cut_off) in modules
                    and any(
                        t.part == _part_of(cut_off)
                        for k, (_, part) in enumerate(parts)
                        if k != index
                        for t in part
                    ),
                    gap_mm=distance,
                    x_mm=x,
                    y_mm=y,
                    layer=layer,
                )
            )
    return found


_MODULE_PINS: Final = 16
_MODULE_PITCH_MM: Final = 2.4
"""Modules stand on many pins 0.1 inch apart; the pins of chips stand closer (common practice)."""


def _part_of(terminals: Iterable[Terminal]) -> str:
    """Give the one part that terminals are pins of; empty where there are several, or none."""
    parts = {t.part for t in terminals}
    return parts.pop() if len(parts) == 1 else ""


def _modules(terminals: tuple[Terminal, ...]) -> set[str]:
    """Parts that stand on many pins far apart."""
    places: dict[str, set[tuple[float, float]]] = {}
    for t in terminals:
        if t.part:
            places.setdefault(t.part, set()).add((t.x_mm, t.y_mm))
    found = set()
    for part, spots in places.items():
        if len(spots) >= _MODULE_PINS:
            points = np.array(sorted(spots))
            if usual_gap(points) >= _MODULE_PITCH_MM:
                found.add(part)
    return found


def _one_pin(terminals: Iterable[Terminal]) -> bool:
    """Whether all terminals are one known pin of one part, such as the tabs of a shield."""
    names = {t.name for t in terminals}
    return len(names) == 1 and " pin " in names.pop()


def _nearest(
    pieces: Pieces, island: int, others: list[int]
) -> tuple[int, float, float, float] | None:
    """Layer, distance and middle of the nearest approach of an island to others."""
    best: tuple[int, float, float, float] | None = None
    mine, theirs = pieces.island == island, np.isin(pieces.island, others)
    for layer in np.intersect1d(pieces.layer[mine], pieces.layer[theirs]):
        a = pieces.polygons[mine & (pieces.layer == layer)]
        b = pieces.polygons[theirs & (pieces.layer == layer)]
        (row, near), distance = shapely.STRtree(b).query_nearest(
            a, all_matches=False, return_distance=True
        )
        pick = int(np.argmin(distance))
        if best is None or distance[pick] < best[1]:
            line = shapely.get_coordinates(shapely.shortest_line(a[row[pick]], b[near[pick]]))
            x, y = line.mean(axis=0)
            best = (int(layer), float(distance[pick]), float(x), float(y))
    return best


def find_shorts(copper: Copper) -> list[Short]:
    """Places where islands join several nets, by the objects' net names."""
    islands, counts = np.unique(copper.island_nets[:, 0], return_counts=True)
    terminals = pad_terminals(copper)
    return [
        _short(joint, copper.nets, terminals)
        for island in islands[counts > 1].tolist()
        for joint in find_joints(copper, island, None)
    ]


def find_terminal_shorts(terminals: Sequence[Terminal], copper: Copper) -> list[Short]:
    """Places where islands join several nets, by what terminals name alone."""
    by_island = gather((terminal.island, terminal) for terminal in terminals)
    found = []
    for island, mine in sorted(by_island.items()):
        nets = sorted({t.net for t in mine})
        if len(nets) > 1:
            number = {net: k for k, net in enumerate(nets)}
            claims = [
                Claim(
                    net=number[t.net],
                    x_mm=t.x_mm,
                    y_mm=t.y_mm,
                    layer=BARREL if t.through else t.layer,
                )
                for t in mine
            ]
            joints = find_joints(copper, island, claims)
            found += [_short(joint, nets, terminals) for joint in joints]
    return found


def _short(joint: Joint, names: Sequence[str], terminals: Sequence[Terminal]) -> Short:
    nets = tuple(sorted(names[net] for net in joint.nets))
    return Short(
        nets=nets,
        x_mm=joint.x_mm,
        y_mm=joint.y_mm,
        layer=max(joint.layer, 0),
        through_hole=joint.layer == BARREL,
        part=_bridged_part(joint, nets, terminals),
    )


def _bridged_part(joint: Joint, nets: Sequence[str], terminals: Sequence[Terminal]) -> str:
    """Find the part of two or three pins whose pads the joint lies between; empty without one.

    A bridge may run beside the straight line from pad to pad.
    """
    pins: dict[str, dict[str, list[Terminal]]] = {}
    for t in terminals:
        if t.part:
            pins.setdefault(t.part, {}).setdefault(t.name, []).append(t)
    for ref, named in sorted(pins.items()):
        if len(named) not in (2, 3):
            continue
        pads = [t for pads in named.values() for t in pads if t.net in nets]
        for a, b in combinations(pads, 2):
            middle = (a.x_mm + b.x_mm) / 2, (a.y_mm + b.y_mm) / 2
            reach = math.dist((a.x_mm, a.y_mm), middle) + BESIDE_PAD_MM
            near = reach <= JUMPER_MM and math.dist(middle, (joint.x_mm, joint.y_mm)) <= reach
            if a.net != b.net and near:
                return ref
    return ""


def align_netlist(netlist: Netlist, copper: Copper) -> Aligned:
    """Find the copper under every point of a netlist, after a shift that most points share.

    Netlists are often written from another origin than the layers.  When most points share one
    shift to pad centres it is applied, and reported by the caller.
    """
    points = [p for p in netlist.points if p.kind != "tooling"]
    layers = len(copper.board.copper)
    xy = np.array([(p.x_mm, p.y_mm) for p in points]).reshape(-1, 2)
    shift = shared_shift(xy, copper.pads.spots())
    placed = xy + shift
    island = np.full(len(points), -1, dtype=np.int32)
    layer_of = np.zeros(len(points), dtype=np.int32)
    for layer in range(layers):
        rows = copper.pieces.on_layer(layer)
        reach = np.array([_reaches(p, layer, layers) for p in points], dtype=bool)
        mine = np.flatnonzero(reach & (island < 0))
        if not len(rows) or not len(mine):
            continue
        spots = shapely.points(placed[mine])
        found = _pieces_near(copper.pieces.polygons[rows], spots)
        hit = found >= 0
        island[mine[hit]] = copper.pieces.island[rows[found[hit]]]
        layer_of[mine[hit]] = layer
    return Aligned(
        shift_mm=(float(shift[0]), float(shift[1])),
        terminals=tuple(
            Terminal(
                net=p.net,
                name=f"{p.ref} pin {p.pin}" if p.pin else (p.ref or "a point"),
                x_mm=float(placed[i, 0]),
                y_mm=float(placed[i, 1]),
                layer=int(layer_of[i]),
                island=int(island[i]),
                through=p.kind == "through" or p.access == 0,
            )
            for i, p in enumerate(points)
            if island[i] >= 0 and p.net not in NO_NET
        ),
        lost=tuple(p for i, p in enumerate(points) if island[i] < 0 and p.net not in NO_NET),
    )


def _reaches(point: NetPoint, layer: int, layers: int) -> bool:
    """Whether a point's copper is to be sought on a layer (from 0)."""
    return (
        point.kind == "through"
        or point.access in (0, layer + 1)
        or (point.access > layers and layer == layers - 1)
    )


def _pieces_near(polygons: Shapes, spots: Shapes) -> NDArray[np.int32]:
    """Row of the polygon at, else within the search radius of, each spot; -1 where none."""
    found = pieces_at(polygons, spots)
    rest = np.flatnonzero(found < 0)
    if len(rest):
        polygon, spot = shapely.STRtree(spots[rest]).query(
            polygons, predicate="dwithin", distance=SEARCH_MM
        )
        found[rest[spot]] = polygon
    return found


def shared_shift(xy: Floats, pads: Floats) -> Floats:
    """Shift from netlist points to pad centres, (n, 2) mm, that most points share, else none."""
    none = np.zeros(2)
    if len(xy) < 3 or len(pads) < 3:
        return none
    tree = PointTree(pads)
    if np.mean(tree.query(xy)[0] <= SEARCH_MM) >= ALIGN_SHARE / 2:
        return none
    # Candidates: the shifts that bring a few points, far apart, onto any pad.
    picked = xy[np.unique(np.linspace(0, len(xy) - 1, 5).astype(int))]
    shifts = np.round((pads[None] - picked[:, None]).reshape(-1, 2), 2)
    values, counts = np.unique(shifts, axis=0, return_counts=True)
    for shift in values[np.argsort(-counts, kind="stable")[:20]]:
        distance, near = tree.query(xy + shift)
        fits = distance <= SEARCH_MM
        if np.mean(fits) >= ALIGN_SHARE:
            return np.asarray(np.median(pads[near[fits]] - xy[fits], axis=0))
    return none


POSITIVE: Final = re.compile(
    r"(?:^|[^A-Z])V?BAT(?:T|TERY)?(?:$|[^A-Z])|^B\+$|BAT\+|^BAT_?P(?:OS)?$", re.IGNORECASE
)
"""The plus side of a cell."""

NEGATIVE: Final = re.compile(
    r"(?:^|[^A-Z])GND(?:$|[^A-Z])|^B-$|BAT-|^BAT_?N(?:EG)?$|^0V$|^VSS$", re.IGNORECASE
)
"""The minus side of a cell, and ground."""

GROUND: Final = re.compile(
    r"(?:^|[^A-Z])[AD]?GND(?:[A-Z]|_?[0-9]*$|[^A-Z])|^0V$|^VSS$|GROUND", re.IGNORECASE
)
"""Ground, also that of one half (``GNDR``)."""

SUPPLY: Final = re.compile(
    r"(?:^|[^A-Z])(?:V(?:CC|DD|IN|BUS|SYS|OUT|RAW|USB)|RAW|\+?\d+V\d*)(?:$|[^A-Z]|[LR]$)",
    re.IGNORECASE,
)
"""Supplies other than the cell itself."""


def is_ground(name: str) -> bool:
    """Whether a net or pin is ground by its name."""
    return bool(GROUND.search(name) or NEGATIVE.search(name))


def is_battery(name: str) -> bool:
    """Whether a net or pin is the plus side of a cell by its name."""
    return bool(POSITIVE.search(name))


def is_supply(name: str) -> bool:
    """Whether a net or pin is a supply, the cell's plus side among them."""
    return is_battery(name) or bool(SUPPLY.search(name))


def is_power(name: str) -> bool:
    """Whether a net is ground or a supply by its name: no scan line passes through it."""
    return is_ground(name) or is_supply(name)

"""Where the copper of two nets meets: the piece that joins them, between what each of them owns."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Bools, Ints, Shapes
from fabkit.board.copper import Copper
from fabkit.formats.gerber.model import object_shapes
from fabkit.geometry.neighbours import estimate_pairs, label_groups

BARREL: Final = -1
"""Layer of a plated hole, which lies on all of them."""

MOST_JOINTS: Final = 12
"""Places at which one piece of copper joins nets, that are looked for."""

MOST_CONTACTS: Final = 4_000_000
"""More pairs of objects in one piece of copper are not followed: some five seconds, 200 MB."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """A place whose pads belong to a net, by its number."""

    net: int
    x_mm: float
    y_mm: float


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
        rows = np.flatnonzero(mine[objects.piece])
        net = objects.net[rows].astype(np.int64)
        net[net >= 0] = np.where(copper.named[net[net >= 0]], net[net >= 0], -1)
        shapes.append(object_shapes(layer.file, rows))
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
        # The smallest object at a place is the pad; the pour around it is not the net's own.
        order = np.lexsort((node, shapely.area(shape[node]), layer_of[node], spot))
        key = np.column_stack((spot, layer_of[node]))[order]
        first = order[np.unique(key, axis=0, return_index=True)[1]]
        graph.net[node[first]] = np.array([c.net for c in claims])[spot[first]]
    return graph


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

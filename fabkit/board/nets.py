"""Nets as meant against copper as drawn: opens, shorts, pads and points without copper."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.base.columns import Floats, Shapes
from fabkit.board.connectivity import Pieces, pieces_at
from fabkit.board.copper import NO_NET, Copper
from fabkit.formats.gerber.model import object_shapes
from fabkit.formats.sidecars.model import Netlist, NetPoint
from fabkit.geometry.neighbours import PointTree, label_groups

SEARCH_MM: Final = 0.05
"""How far from its copper a netlist point may lie (common practice)."""

ALIGN_SHARE: Final = 0.8
"""Share of netlist points that must agree on a shift before it is applied (common practice)."""

BESIDE_PAD_MM: Final = 0.3
"""What lies no farther beyond the middles of two pads belongs to their part: half a small land
(IPC-7351, lands of chips 0402 to 0603 are 0.5 to 0.9 mm long)."""

_PAIRS_TRIED: Final = 200_000
"""Object pairs looked at when the touching place of a short is sought."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Terminal:
    """Something a net must reach: a pad with a net name, or a netlist point.

    ``layer`` counts from 0 on top.
    """

    net: str
    name: str
    x_mm: float
    y_mm: float
    layer: int
    island: int

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
    """

    net: str
    cut_off: tuple[Terminal, ...]
    rest: int
    one_pin: bool
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
                    cut_off=tuple(cut_off),
                    rest=sum(len(t) for _, t in parts) - len(cut_off),
                    one_pin=_one_pin(t for _, part in parts for t in part),
                    gap_mm=distance,
                    x_mm=x,
                    y_mm=y,
                    layer=layer,
                )
            )
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
    """Islands that join several nets, by the objects' net names."""
    names: dict[int, set[str]] = {}
    for island, net in copper.island_nets.tolist():
        names.setdefault(island, set()).add(copper.nets[net])
    return [
        _touching(copper, island, tuple(sorted(nets)))
        for island, nets in sorted(names.items())
        if len(nets) > 1
    ]


def find_terminal_shorts(terminals: Sequence[Terminal], copper: Copper) -> list[Short]:
    """Shorts by what terminals name alone: one for each closed jumper, one for each other island.

    A part of two or three pins whose pads of different nets are joined by the copper between them
    is a closed jumper.  Nets joined otherwise are reported where two of them come nearest on one
    layer.
    """
    by_island: dict[int, list[Terminal]] = {}
    for terminal in terminals:
        by_island.setdefault(terminal.island, []).append(terminal)
    found = []
    for _, mine in sorted(by_island.items()):
        nets = sorted({t.net for t in mine})
        if len(nets) < 2:
            continue
        bridges = list(_bridged_parts(mine, copper))
        at = {net: k for k, net in enumerate(nets)}
        ends = np.array([(at[b.nets[0]], at[b.nets[1]]) for b in bridges], np.int64).reshape(-1, 2)
        apart = label_groups(len(nets), ends[:, 0], ends[:, 1])
        if apart.max() == 0:
            found += bridges
        else:
            found.append(_nearest_short(mine, {n: int(apart[k]) for n, k in at.items()}))
    return found


def _bridged_parts(terminals: Sequence[Terminal], copper: Copper) -> Iterator[Short]:
    """Parts of two or three pins with copper from pad to pad, and pads on two nets."""
    parts: dict[tuple[str, int], dict[str, Terminal]] = {}
    for t in terminals:
        if t.part:
            parts.setdefault((t.part, t.layer), {}).setdefault(t.name, t)
    for (ref, layer), pins in sorted(parts.items()):
        if len(pins) not in (2, 3):
            continue
        rows = copper.pieces.on_layer(layer)
        mine = rows[copper.pieces.island[rows] == next(iter(pins.values())).island]
        for a, b in combinations(pins.values(), 2):
            if a.net != b.net and _joined_within(a, b, copper.pieces.polygons[mine]):
                yield Short(
                    nets=tuple(sorted((a.net, b.net))),
                    x_mm=(a.x_mm + b.x_mm) / 2,
                    y_mm=(a.y_mm + b.y_mm) / 2,
                    layer=layer,
                    through_hole=False,
                    part=ref,
                )


def _joined_within(a: Terminal, b: Terminal, polygons: Shapes) -> bool:
    """Whether copper joins two pads without leaving the place of their part.

    A bridge may run beside the straight line, so the copper of the whole place is looked at.
    """
    ends = shapely.points([(a.x_mm, a.y_mm), (b.x_mm, b.y_mm)])
    reach = float(shapely.distance(*ends)) / 2 + BESIDE_PAD_MM
    spot = shapely.buffer(shapely.points((a.x_mm + b.x_mm) / 2, (a.y_mm + b.y_mm) / 2), reach)
    near = polygons[shapely.intersects(polygons, spot)]
    parts = shapely.get_parts(shapely.intersection(near, spot))
    return bool((shapely.intersects(parts, ends[0]) & shapely.intersects(parts, ends[1])).any())


def _nearest_short(terminals: Sequence[Terminal], group: Mapping[str, int]) -> Short:
    """Place a short between nets of different groups at a terminal of the group with fewest.

    Of these terminals it is the one nearest to another group on its layer, so that a single stray
    point is found where it is, wherever its copper leads.
    """
    spots = np.array([(t.x_mm, t.y_mm, 1e4 * t.layer) for t in terminals])
    of = np.array([group[t.net] for t in terminals])
    counts = np.bincount(of)
    few = int(np.lexsort((np.arange(len(counts)), counts))[0])
    mine = np.flatnonzero(of == few)
    apart = PointTree(spots[of != few]).query(spots[mine])[0]
    at = terminals[mine[int(np.argmin(apart))]]
    return Short(
        nets=tuple(sorted(group)), x_mm=at.x_mm, y_mm=at.y_mm, layer=at.layer, through_hole=False
    )


def _touching(copper: Copper, island: int, nets: tuple[str, ...]) -> Short:
    """Where objects of different nets of one island touch; else where a barrel joins them."""
    codes = [copper.nets.index(n) for n in nets if n in copper.nets]
    for index, layer in enumerate(copper.board.copper):
        objects = copper.layers[index]
        of_island = np.zeros(len(copper.pieces) + 1, dtype=bool)
        of_island[:-1] = copper.pieces.island == island
        rows = np.flatnonzero(of_island[objects.piece] & np.isin(objects.net, codes))
        if len(np.unique(objects.net[rows])) < 2:
            continue
        shapes = object_shapes(layer.file, rows)
        left, right = shapely.STRtree(shapes).query(shapes)
        keep = (left < right) & (objects.net[rows[left]] != objects.net[rows[right]])
        left, right = left[keep][:_PAIRS_TRIED], right[keep][:_PAIRS_TRIED]
        touch = shapely.intersects(shapes[left], shapes[right])
        if not touch.any():
            continue
        pairs = list(zip(left[touch], right[touch], strict=True))
        common = [shapely.intersection(shapes[a], shapes[b]) for a, b in pairs]
        best = int(np.argmax(shapely.area(common)))
        x, y = shapely.get_coordinates(shapely.centroid(common[best]))[0]
        touching = tuple(sorted(copper.nets[objects.net[rows[k]]] for k in pairs[best]))
        return Short(
            nets=nets if len(nets) > 2 else touching,
            x_mm=float(x),
            y_mm=float(y),
            layer=index,
            through_hole=False,
        )
    return _bridged(copper, island, nets)


def _bridged(copper: Copper, island: int, nets: tuple[str, ...]) -> Short:
    """Place a short without objects that touch: at a barrel of both nets, else on the island."""
    pieces, joints = copper.pieces, copper.pieces.joints
    piece_nets: dict[int, set[int]] = {}
    for layer in copper.layers:
        mine = np.flatnonzero((layer.piece >= 0) & (layer.net >= 0))
        mine = mine[pieces.island[layer.piece[mine]] == island]
        for piece, net in np.unique(
            np.column_stack((layer.piece[mine], layer.net[mine])), axis=0
        ).tolist():
            if copper.nets[net] not in NO_NET:
                piece_nets.setdefault(piece, set()).add(net)
    barrels: dict[int, set[int]] = {}
    for barrel, piece in joints.tolist():
        barrels.setdefault(barrel, set()).update(piece_nets.get(piece, ()))
    for barrel, found in sorted(barrels.items()):
        if len(found) > 1:
            x, y = shapely.get_coordinates(shapely.centroid(copper.board.hole_shapes[barrel]))[0]
            return Short(nets=nets, x_mm=float(x), y_mm=float(y), layer=0, through_hole=True)
    row = int(np.flatnonzero(pieces.island == island)[0])
    x, y = shapely.get_coordinates(shapely.point_on_surface(pieces.polygons[row]))[0]
    return Short(
        nets=nets,
        x_mm=float(x),
        y_mm=float(y),
        layer=int(pieces.layer[row]),
        through_hole=False,
    )


def align_netlist(netlist: Netlist, copper: Copper) -> Aligned:
    """Find the copper under every point of a netlist, after a shift that most points share.

    Netlists are often written from another origin than the layers.  When most points share one
    shift to pad centres it is applied, and reported by the caller.
    """
    points = [p for p in netlist.points if p.kind != "tooling"]
    layers = len(copper.board.copper)
    xy = np.array([(p.x_mm, p.y_mm) for p in points]).reshape(-1, 2)
    shift = _shared_shift(xy, copper)
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


def _shared_shift(xy: Floats, copper: Copper) -> Floats:
    """Shift from netlist points to pad centres that most points share, else none."""
    pads = np.column_stack((copper.pads.x, copper.pads.y))
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

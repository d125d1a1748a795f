"""Nets as meant against copper as drawn: opens, shorts, pads and points without copper."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.base.columns import Floats, Shapes
from fabkit.board.connectivity import Pieces, pieces_at
from fabkit.board.copper import NO_NET, Copper
from fabkit.board.joints import BARREL, Claim, Joint, find_joints
from fabkit.formats.sidecars.model import Netlist, NetPoint
from fabkit.geometry.neighbours import PointTree

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
                        _part_of([t]) == _part_of(cut_off)
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
    parts = {t.name.rpartition(" pin ")[0] for t in terminals}
    return parts.pop() if len(parts) == 1 else ""


def _modules(terminals: tuple[Terminal, ...]) -> set[str]:
    """Parts that stand on many pins far apart."""
    places: dict[str, set[tuple[float, float]]] = {}
    for t in terminals:
        if part := t.name.rpartition(" pin ")[0]:
            places.setdefault(part, set()).add((t.x_mm, t.y_mm))
    found = set()
    for part, spots in places.items():
        if len(spots) >= _MODULE_PINS:
            points = np.array(sorted(spots))
            if np.median(PointTree(points).query(points, k=2)[0][:, 1]) >= _MODULE_PITCH_MM:
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
    by_island: dict[int, list[Terminal]] = {}
    for terminal in terminals:
        by_island.setdefault(terminal.island, []).append(terminal)
    found = []
    for island, mine in sorted(by_island.items()):
        nets = sorted({t.net for t in mine})
        if len(nets) > 1:
            number = {net: k for k, net in enumerate(nets)}
            claims = [Claim(net=number[t.net], x_mm=t.x_mm, y_mm=t.y_mm) for t in mine]
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

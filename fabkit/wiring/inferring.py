"""Diodes of a matrix told by copper alone: two pads of one kind, as far apart at every key."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely

from fabkit.board.copper import Copper
from fabkit.board.symmetry import outer_face
from fabkit.wiring.circuit import Bridge
from fabkit.wiring.pins import node_name

SPAN_MM: Final = (1.2, 16.0)
"""Distance of a diode's pads, from the smallest surface case to a leaded one (common practice)."""

ALIKE_MM: Final = 0.03
"""Pads of one diode have the same size, and diodes of one kind the same span."""

SHARE: Final = 0.7
"""Share of the keys that must have the same pair of pads before it is believed."""


@dataclass(frozen=True, slots=True)
class _Pair:
    """A pad of a key's copper and a like one on a line: span and way between them, and pads.

    Span and way are counted in steps of 0.1 mm.
    """

    key: str
    line: str
    span: int
    way: tuple[int, int]
    pad: int
    other: int


def infer_diodes(
    copper: Copper, contacts: Sequence[tuple[str, ...]], lines: Collection[str]
) -> tuple[Bridge, ...]:
    """Bridges between copper of keys that leads nowhere and the lines it must lead to.

    Parameters
    ----------
    copper
        The board's copper.
    contacts
        Nodes of each key's contacts that are not led on by known parts.
    lines
        Nodes that pins of the controller are on.

    Returns
    -------
    tuple of Bridge
        At most one a node; empty when no pair of pads recurs at most of the keys.  Their direction
        is not told.
    """
    # A diode leads to a line other than the one the key's other contact is on.
    beside = {n: set(nodes) for nodes in contacts for n in nodes if n not in lines}
    pairs = [p for p in _pairs(copper, beside, lines) if p.line not in beside[p.key]]
    best: dict[str, _Pair] = {}
    for span in sorted({p.span for p in pairs}):
        told = _told([p for p in pairs if abs(p.span - span) <= 1])
        if len(told) > len(best):
            best = told
    if not beside or len(best) < SHARE * len(beside):
        return ()
    return tuple(_bridge(copper, best[key]) for key in sorted(best))


def _told(pairs: Sequence[_Pair]) -> dict[str, _Pair]:
    """Pairs of keys whose pads of this span lead to one line only."""
    mine: dict[str, list[_Pair]] = defaultdict(list)
    for pair in pairs:
        mine[pair.key].append(pair)
    told = {k: p[0] for k, p in mine.items() if len({q.line for q in p}) == 1}
    # Where several would do, the one that lies as most of the others do.
    ways = Counter(p.way for p in told.values())
    for key, several in mine.items():
        usual = [p for p in several if ways[p.way] == max(ways[q.way] for q in several) > 0]
        if key not in told and len({p.line for p in usual}) == 1:
            told[key] = usual[0]
    return told


def _pairs(copper: Copper, loose: Collection[str], lines: Collection[str]) -> Iterator[_Pair]:
    pads = copper.pads
    outer = np.flatnonzero((outer_face(copper) != 0) & (pads.island >= 0))
    nodes = [
        node_name(copper, copper.nets[pads.net[k]] if pads.net[k] >= 0 else "", int(pads.island[k]))
        for k in outer
    ]
    key_pads = [k for k, node in enumerate(nodes) if node in loose]
    line_pads = [k for k, node in enumerate(nodes) if node in lines]
    if not key_pads or not line_pads:
        return
    at = np.column_stack((pads.x[outer], pads.y[outer]))
    box = shapely.bounds(copper.pad_shapes[outer])
    # Pads of a part that is turned have their width and height changed about.
    size = np.sort(np.column_stack((box[:, 2] - box[:, 0], box[:, 3] - box[:, 1])), axis=1)
    face = pads.layer[outer]
    rows = np.array(line_pads)
    for k in key_pads:
        apart = at[rows] - at[k]
        span = np.hypot(apart[:, 0], apart[:, 1])
        like = np.abs(size[rows] - size[k]).max(axis=1) <= ALIKE_MM
        fits = like & (face[rows] == face[k]) & (span >= SPAN_MM[0]) & (span <= SPAN_MM[1])
        for j in np.flatnonzero(fits):
            yield _Pair(
                nodes[k],
                nodes[rows[j]],
                round(float(span[j]) * 10),
                (round(float(apart[j, 0]) * 10), round(float(apart[j, 1]) * 10)),
                int(outer[k]),
                int(outer[rows[j]]),
            )


def _bridge(copper: Copper, pair: _Pair) -> Bridge:
    pads = copper.pads
    x = (pads.x[pair.pad] + pads.x[pair.other]) / 2
    y = (pads.y[pair.pad] + pads.y[pair.other]) / 2
    return Bridge(
        ref=f"@{x:.1f},{y:.1f}",
        kind="diode",
        nodes=(pair.key, pair.line),
        anode="",
        assumed=False,
        face=0,
    )

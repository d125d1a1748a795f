"""Diodes of a matrix found by copper alone: two pads of one kind, as far apart at every key."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.base.columns import Floats, Shapes
from fabkit.board.copper import Copper, outer_face
from fabkit.keyboard.model import Key
from fabkit.wiring.model import Bridge
from fabkit.wiring.pins import node_name

SPAN_MM: Final = (1.2, 16.0)
"""Distance of a diode's pads, from the smallest surface case to a leaded one (common practice)."""

NEAR_MM: Final = 25.0
"""The middle of a diode is this near to its key (common practice: within the neighbouring key), or
it stands in a bank."""

BANK_SHARE: Final = 0.3
"""Share of the keys whose diodes lie alike, from which they are a bank."""

CLEARLY: Final = 1.2
"""A diode is this many times nearer to its key than any other that might be the key's."""

ALIKE_MM: Final = 0.03
"""Pads of one diode have the same size, and diodes of one kind the same span."""

SHARE: Final = 0.7
"""Share of the keys that must have the same pair of pads before it is believed."""


@dataclass(frozen=True, slots=True)
class _Pair:
    """A pad of a key's copper and a like one on a line, which may be those of a diode.

    ``span`` is their distance and ``way`` the step from the one to the other as seen from the key,
    however it is turned; ``lie`` is the same step as it lies on the board.  All three are counted
    in steps of 0.1 mm.  ``middle`` is the place between the pads, ``away_mm`` from the key.
    """

    key: str
    line: str
    span: int
    way: tuple[int, int]
    middle: complex
    away_mm: float
    lie: tuple[int, int]


def infer_diodes(
    copper: Copper,
    contacts: Sequence[tuple[str, ...]],
    keys: Sequence[Key],
    lines: Collection[str],
) -> tuple[Bridge, ...]:
    """Infer the diodes between copper of keys that leads nowhere and the lines it must lead to.

    Parameters
    ----------
    copper
        The board's copper.
    contacts
        Nodes of each key's contacts that are not led on by known parts.
    keys
        The keys; a diode lies near its key, and is turned with it as a rule.
    lines
        Nodes that pins of the controller are on.

    Returns
    -------
    tuple of Bridge
        At most one a node; empty when no pair of pads recurs at most of the keys.  Their direction
        stays unknown.
    """
    # A diode leads to a line other than the one the key's other contact is on.
    beside = {n: set(nodes) for nodes in contacts for n in nodes if n not in lines}
    key_of = {n: key for nodes, key in zip(contacts, keys, strict=True) for n in nodes}
    pairs = [p for p in _pairs(copper, beside, key_of, lines) if p.line not in beside[p.key]]
    best: dict[str, _Pair] = {}
    for span in sorted({p.span for p in pairs}):
        # Spans are rounded to steps: those of one kind of diode may fall into neighbouring ones.
        certain = _certain([p for p in pairs if abs(p.span - span) <= 1])
        if len(certain) > len(best):
            best = certain
    if not beside or len(best) < SHARE * len(beside):
        return ()
    return tuple(_bridge(best[key]) for key in sorted(best))


def _certain(pairs: Sequence[_Pair]) -> dict[str, _Pair]:
    """Pairs by key, of keys whose pads of this span lead to one line only."""
    # A diode far from its key stands in a bank of diodes that all lie alike on the board.
    lies = Counter(lie for _, lie in {(p.key, p.lie) for p in pairs})
    alike = BANK_SHARE * len({p.key for p in pairs})
    mine: dict[str, list[_Pair]] = defaultdict(list)
    for pair in pairs:
        if pair.away_mm <= NEAR_MM or lies[pair.lie] >= alike:
            mine[pair.key].append(pair)
    certain = {k: p[0] for k, p in mine.items() if len({q.line for q in p}) == 1}
    # Where several lines are possible, the pair counts that lies to its key as most others do.
    ways = Counter(p.way for p in certain.values())
    for key, several in mine.items():
        usual = [p for p in several if ways[p.way] == max(ways[q.way] for q in several) > 0]
        if key not in certain and len({p.line for p in usual}) == 1:
            certain[key] = usual[0]
    # Where none lies so, the pair counts that is clearly the nearest.
    for key, several in mine.items():
        first, *others = sorted(several, key=lambda p: p.away_mm)
        others = [p for p in others if p.line != first.line]
        if key not in certain and all(p.away_mm > CLEARLY * first.away_mm for p in others):
            certain[key] = first
    return certain


def _pairs(
    copper: Copper, loose: Collection[str], key_of: Mapping[str, Key], lines: Collection[str]
) -> Iterator[_Pair]:
    lands = _lands(copper)
    key_pads = [k for k, node in enumerate(lands.nodes) if node in loose]
    line_pads = [k for k, node in enumerate(lands.nodes) if node in lines]
    if not key_pads or not line_pads:
        return
    rows = np.array(line_pads)
    for k in key_pads:
        node = lands.nodes[k]
        key = key_of[node]
        middle = (lands.at[rows] + lands.at[k]) / 2
        away = np.abs(middle - complex(key.x_mm, key.y_mm))
        apart = (lands.at[rows] - lands.at[k]) * np.exp(-1j * np.radians(key.rotation_deg))
        span = np.abs(apart)
        like = np.abs(lands.size[rows] - lands.size[k]).max(axis=1) <= ALIKE_MM
        fits = like & (lands.face[rows] == lands.face[k])
        fits &= (span >= SPAN_MM[0]) & (span <= SPAN_MM[1])
        for j in np.flatnonzero(fits):
            yield _Pair(
                node,
                lands.nodes[rows[j]],
                round(float(span[j]) * 10),
                _steps(apart[j]),
                complex(middle[j]),
                float(away[j]),
                _steps(lands.at[rows[j]] - lands.at[k]),
            )


@dataclass(frozen=True, eq=False)
class _Lands:
    """Places as complex numbers, sides of the narrowest box, face (0 for a hole), and node."""

    at: NDArray[np.complex128]
    size: Floats
    face: NDArray[np.int8]
    nodes: list[str]


def _steps(way: np.complex128) -> tuple[int, int]:
    return round(float(way.real) * 10), round(float(way.imag) * 10)


def _lands(copper: Copper) -> _Lands:
    """Lands of the outer layers, and plated holes whose land is drawn as an outline."""
    pads, faces = copper.pads, outer_face(copper)
    rows = np.flatnonzero((faces != 0) & (pads.island >= 0))
    shapes = copper.pad_shapes[rows]
    cut, first = np.unique(copper.pieces.joints[:, 0], return_index=True)
    barrels = copper.board.hole_shapes[cut]
    landed = shapely.STRtree(barrels).query(shapes, predicate="intersects")[1]
    bare = np.setdiff1d(np.arange(len(cut)), landed)
    islands = copper.pieces.island[copper.pieces.joints[first[bare], 1]]
    middle = shapely.centroid(barrels[bare])
    box = shapely.get_coordinates(
        shapely.get_exterior_ring(_narrowest(np.concatenate((shapes, barrels[bare]))))
    ).reshape(-1, 5, 2)
    sides = np.hypot(*np.diff(box[:, :3], axis=1).transpose(2, 0, 1))
    nets = [copper.nets[n] if n >= 0 else "" for n in pads.net[rows].tolist()]
    return _Lands(
        at=np.concatenate(
            (
                pads.x[rows] + 1j * pads.y[rows],
                shapely.get_x(middle) + 1j * shapely.get_y(middle),
            )
        ),
        # Turned with its key a land has the same narrowest box, round or square.
        size=np.sort(sides, axis=1),
        face=np.concatenate((faces[rows], np.zeros(len(bare), np.int8))),
        nodes=[
            *(node_name(copper, n, int(i)) for n, i in zip(nets, pads.island[rows], strict=True)),
            *(node_name(copper, "", int(i)) for i in islands),
        ],
    )


def _narrowest(shapes: Shapes) -> Shapes:
    """Draw the narrowest rectangle about each shape; upright about one without extent."""
    out: Shapes = shapely.oriented_envelope(shapes)
    flat = shapely.get_type_id(out) != shapely.GeometryType.POLYGON
    out[flat] = shapely.box(*shapely.bounds(shapely.buffer(shapes[flat], ALIKE_MM)).T)
    return out


def _bridge(pair: _Pair) -> Bridge:
    return Bridge(
        ref=f"@{pair.middle.real:.1f},{pair.middle.imag:.1f}",
        kind="diode",
        nodes=(pair.key, pair.line),
        anode="",
        assumed=False,
        face=0,
    )

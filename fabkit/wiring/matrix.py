"""The matrix: diodes that copper alone shows, rows and columns as wired, numbers of the keys."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.base.columns import Floats, Shapes, gather
from fabkit.base.errors import UsageError
from fabkit.board.copper import Copper, outer_face
from fabkit.geometry.areas import touched
from fabkit.geometry.neighbours import label_groups
from fabkit.keyboard.model import Hand, Key
from fabkit.keyboard.numbering import key_pitch
from fabkit.wiring.model import Bridge, DiodeUse, Line, WiringOptions
from fabkit.wiring.pins import node_name

ROW: Final = re.compile(r"ROW", re.IGNORECASE)
COLUMN: Final = re.compile(r"COL", re.IGNORECASE)
ROW_LETTER: Final = re.compile(r"(?:^|[^A-Za-z])R_?\d+$")
COLUMN_LETTER: Final = re.compile(r"(?:^|[^A-Za-z])C_?\d+$")

BETWEEN: Final = 0.6
"""A key that is at most this far above or below a row, in pitches, may belong to it."""

FEWEST_MATES: Final = 3
"""Keys of a line in one row of the layout that show where the line runs."""

Pair = tuple[Line, ...]
Cell = tuple[int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Matrix:
    """Rows and columns by net, and what showed which are which."""

    rows: frozenset[str]
    columns: frozenset[str]
    known_by: str


def find_matrix(pairs: Sequence[Pair], cells: Sequence[Cell]) -> Matrix | None:
    """Split the lines of keys into rows and columns so that every key has one of each.

    Parameters
    ----------
    pairs
        The lines of each key; keys with other than two are left aside.
    cells
        Row and column of each key in the layout.

    Returns
    -------
    Matrix or None
        None when no such split exists.
    """
    edges = [(a.node, b.node) for a, b in (p for p in pairs if len(p) == 2)]
    if not edges:
        return None
    # Each key joins two lines; rows and columns are the two colours of that graph.  Each line is
    # there twice, in either colour, and a key joins one of it to one of the other line.
    names = sorted({node for edge in edges for node in edge})
    at = {name: k for k, name in enumerate(names)}
    one, other = np.array([(at[a], at[b]) for a, b in edges]).T
    ends = np.concatenate((one, one + len(at))), np.concatenate((other + len(at), other))
    label = label_groups(2 * len(at), *ends).reshape(2, -1)
    # A ring of an odd number of keys: some line would be a row and a column.
    if (label[0] == label[1]).any():
        return None
    rows: set[str] = set()
    columns: set[str] = set()
    by_name = True
    for name in names:
        if name in rows | columns:
            continue
        alike = label == label[0, at[name]]
        sides = [{names[k] for k in np.flatnonzero(mine)} for mine in alike]
        first = _rows_by_name(sides)
        if first is None:
            by_name = False
            first = _rows_by_place(sides, pairs, cells)
        rows |= sides[first]
        columns |= sides[1 - first]
    known_by = "their names" if by_name else "where their keys stand"
    return Matrix(rows=frozenset(rows), columns=frozenset(columns), known_by=known_by)


def _rows_by_name(sides: Sequence[set[str]]) -> int | None:
    """Which of two sets is named as rows while the other is not; None when names do not show it."""
    scores = [sum(map(_row_or_column, side)) / len(side) for side in sides]
    if abs(scores[0] - scores[1]) <= 1:
        return None
    return 0 if scores[0] > scores[1] else 1


def _row_or_column(name: str) -> int:
    """1 for a name of rows, -1 for one of columns, 0 when it is neither or both."""
    words = bool(ROW.search(name)) - bool(COLUMN.search(name))
    return words or bool(ROW_LETTER.search(name)) - bool(COLUMN_LETTER.search(name))


def _rows_by_place(sides: Sequence[set[str]], pairs: Sequence[Pair], cells: Sequence[Cell]) -> int:
    """Choose the set whose lines keep to one layout row; the smaller set when both are alike."""
    wander = []
    for side in sides:
        met = gather(
            (line.node, cell)
            for pair, cell in zip(pairs, cells, strict=True)
            for line in pair
            if line.node in side
        )
        # A row's keys lie in many columns of the layout but in few of its rows.
        wander.append(
            sum(len({c[0] for c in mine}) - len({c[1] for c in mine}) for mine in met.values())
            / len(met)
        )
    if wander[0] == wander[1]:
        return 0 if len(sides[0]) <= len(sides[1]) else 1
    return 0 if wander[0] < wander[1] else 1


def rows_as_wired(cells: Sequence[Cell], seen: Floats, lines: Sequence[str]) -> tuple[Cell, ...]:
    """Move keys that stand between two rows of the layout to the one they are wired to.

    Parameters
    ----------
    cells
        Row and column of each key.
    seen : (n, 2) float64, mm
        Middles of the keys as seen.
    lines
        Net of each key's row; empty when not known.
    """
    usual = {
        line: Counter(c[0] for c, own in zip(cells, lines, strict=True) if own == line)
        for line in set(lines) - {""}
    }
    pitch = key_pitch(seen)
    out = list(cells)
    for k, (line, (row, column)) in enumerate(zip(lines, cells, strict=True)):
        if not line:
            continue
        wanted, count = usual[line].most_common(1)[0]
        mates = [m for m, c in enumerate(cells) if c[0] == wanted and m != k]
        if abs(wanted - row) != 1 or count < FEWEST_MATES or (wanted, column) in out:
            continue
        beside = min(mates, key=lambda m: abs(seen[m, 0] - seen[k, 0]))
        if abs(seen[beside, 1] - seen[k, 1]) <= BETWEEN * pitch:
            out[k] = wanted, column
    return tuple(out)


def flow(row: Line, column: Line) -> str:
    """Way of the current through a key; empty without diodes, or when they disagree."""
    ways = {_way(d, "row") for d in row.diodes} | {_way(d, "column") for d in column.diodes}
    return ways.pop() if len(ways) == 1 else ""


def _way(diode: DiodeUse, line: str) -> str:
    if diode.forward is None:
        return ""
    return "column to row" if diode.forward is (line == "row") else "row to column"


@dataclass(frozen=True, slots=True)
class ByHand:
    """Keys of a half as the user lists them.

    ``places`` is empty when the list is of this half alone; of a list for both halves it has the
    place of each key in the list, from 0.
    """

    order: list[int]
    places: list[int]


def order_by_hand(
    refs: Sequence[Sequence[str]],
    hand: Hand,
    options: WiringOptions,
    elsewhere: Collection[str] = (),
) -> ByHand | None:
    """Keys as the user's list has them; None when there is no list.

    Parameters
    ----------
    refs
        Names of each key; any will do.
    elsewhere
        Names of keys of the other half, which a list named ``keys`` may name as well.

    Raises
    ------
    UsageError
        The list names a key that is not there, or leaves one out; or there are lists, but none for
        this half.
    """
    if not options.order:
        return None
    wanted = options.order.get(hand) or options.order.get("keys")
    if not wanted:
        there = " and ".join(options.order)
        raise UsageError(
            f"the order of keys lists {there}, and the board has {_KINDS[hand]}",
            hint=f"list its keys under {'keys' if hand == 'whole' else f'{hand} or keys'}",
        )
    known = {name: k for k, names in enumerate(refs) for name in names}
    shared = hand not in options.order
    picked, places = [], []
    for place, name in enumerate(wanted):
        if name in known:
            picked.append(known[name])
            places.append(place)
        elif not (shared and name in elsewhere):
            near = get_close_matches(name, [*known, *elsewhere], n=1)
            raise UsageError(
                f"the order of keys names '{name}', which is no key of {_HALVES[hand]}",
                hint=f"did you mean '{near[0]}'?" if near else "it has " + ", ".join(known)[:200],
            )
    left = [names[0] for k, names in enumerate(refs) if k not in picked]
    if left or len(set(picked)) < len(picked):
        raise UsageError(
            f"the order of keys leaves out {', '.join(left)}"
            if left
            else "the order of keys names a key twice",
            hint=f"it must name each of the {len(refs)} keys of {_HALVES[hand]} once",
        )
    return ByHand(picked, places if len(picked) < len(wanted) else [])


_HALVES: Final[dict[Hand, str]] = {
    "left": "the left half",
    "right": "the right half",
    "whole": "the keyboard",
}
_KINDS: Final[dict[Hand, str]] = {
    "left": "a left half",
    "right": "a right half",
    "whole": "keys that are not split into halves",
}


def first_of(hand: Hand, options: WiringOptions, before: int) -> int:
    """Find the number of the first key of a half that comes after ``before`` keys."""
    if hand == "right" and options.right_first is not None:
        return options.right_first
    return options.first + before


# Diodes found by copper alone: two pads of one kind, as far apart at every key


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
    mine = gather(
        (pair.key, pair) for pair in pairs if pair.away_mm <= NEAR_MM or lies[pair.lie] >= alike
    )
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
    bare = np.flatnonzero(~touched(barrels, shapes))
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

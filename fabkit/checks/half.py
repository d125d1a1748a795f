"""Reversible halves: one board for both hands, and what happens when it is turned over."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.board.copper import Copper
from fabkit.board.symmetry import (
    KEY_REACH_MM,
    MATCH_MM,
    Key,
    Mirror,
    find_keys,
    find_mirror,
    left_face,
    outer_face,
    plus_marks,
    surface_pads,
)
from fabkit.checks.case import Case
from fabkit.checks.copper_facts import cuts_of, require_copper
from fabkit.checks.declare import check
from fabkit.checks.worst import group
from fabkit.findings import COMMON_PRACTICE, Finding, Place, Rule, Severity
from fabkit.gerber.model import Kind
from fabkit.package.model import RoleKind
from fabkit.units import format_mm, format_number

Floats = NDArray[np.float64]

POSITIVE: Final = re.compile(
    r"(?:^|[^A-Z])V?BAT(?:T|TERY)?(?:$|[^A-Z])|^B\+$|BAT\+|^BAT_?P(?:OS)?$", re.IGNORECASE
)
"""Words of the trade for the plus side of a cell."""

NEGATIVE: Final = re.compile(
    r"(?:^|[^A-Z])GND(?:$|[^A-Z])|^B-$|BAT-|^BAT_?N(?:EG)?$|^0V$|^VSS$", re.IGNORECASE
)
"""Words of the trade for the minus side of a cell."""

CELL_PART: Final = re.compile(
    r"(?:^|[^A-Z])(?:BAT(?:T|TERY)?|BT|CELL)(?:\d|$|[^A-Z])", re.IGNORECASE
)
"""References, values and footprints of cells and their plugs; BT is IEEE 315's letter code."""

PAIR_MM: Final = 15.0
"""Plus and minus of one cell connection lie within this of each other."""

MARK_MM: Final = 4.0
"""A polarity mark this near to its pad belongs to it."""

CAUTION: Final = (
    "A lithium cell connected the wrong way round can burn. Measure the plug with a meter before "
    "every first connection, for each half; the colour of a wire proves nothing. The cell maker's "
    "sheet and local codes come first, and licensed practice where they ask for it."
)

SYMMETRY = Rule(
    id="half/reversible",
    title="Board can be used with either face up",
    why="One design serves both hands, which decides how many boards a keyboard needs.",
    source=COMMON_PRACTICE,
    severity=Severity.NOTE,
    advice="Count one board a half when ordering.",
)
KEY_FACE = Rule(
    id="half/key-one-face",
    title="Key that works from one face only",
    why="On the half that is turned over, this key has no pads or no openings to solder to.",
    source=COMMON_PRACTICE,
    severity=Severity.WARNING,
    advice="Mirror the key's pads and mask openings onto the other face.",
)
NO_COUNTERPART = Rule(
    id="half/no-counterpart",
    title="Hole without a mirror image",
    why="On the turned half the part that needs it has no hole at its place.",
    source=COMMON_PRACTICE,
    severity=Severity.NOTE,
    advice="Nothing, when the part is used on one half or from one face only.",
)
POLARITY = Rule(
    id="half/battery-polarity",
    title="Battery plus and minus change places when the board is turned over",
    why="The two halves take the cell the other way round. " + CAUTION,
    source=COMMON_PRACTICE,
    severity=Severity.ERROR,
    advice="Double the footprint so that plus meets plus on both faces (plus, minus, plus, or "
    "jumper pads), and print + and - on both faces. " + CAUTION,
)
POLARITY_MARKED = Rule(
    id="half/battery-marks",
    title="Battery pads swap sides when the board is turned over, but are marked",
    why="Wires still go to the marked pads; a plug would be the wrong way round. " + CAUTION,
    source=COMMON_PRACTICE,
    severity=Severity.NOTE,
    advice="Solder wires by the marks on the face that is up; fit no keyed plug. " + CAUTION,
)
HEADER = Rule(
    id="half/header-rows",
    title="Controller rows change places when the board is turned over",
    why="The pins of the two rows swap, so the same controller meets other nets.",
    source=COMMON_PRACTICE,
    severity=Severity.NOTE,
    advice="Fit the controller face down on one half, or set jumper pads; tell it in the guide.",
)
LEGEND_MIRRORED = Rule(
    id="half/legend-mirrored",
    title="Legend of the bottom reads mirrored",
    why="Both legends are the same drawing in the files' coordinates, which are seen from the top: "
    "on the bottom it will read backwards.",
    source=COMMON_PRACTICE,
    severity=Severity.WARNING,
    advice="Mirror the bottom legend, and export again.",
)
LEGEND_MISSING = Rule(
    id="half/legend-one-face",
    title="Legend on one face only",
    why="On the half that is turned over nothing tells what goes where.",
    source=COMMON_PRACTICE,
    severity=Severity.NOTE,
    advice="Put the legend on both faces.",
)


def mirror_of(case: Case) -> Mirror | None:
    """Mirror symmetry of the board."""
    return find_mirror(require_copper(case))


def keys_of(case: Case) -> tuple[Key, ...]:
    """Key positions of the board."""
    return find_keys(case.board)


@check(id="half/symmetry", rules=(SYMMETRY, NO_COUNTERPART), needs=("holes", "outer-copper"))
def symmetry(case: Case) -> Iterator[Finding]:
    """A board that is nearly reversible is wholly so."""
    mirror, keys = case.shared(mirror_of), case.shared(keys_of)
    if mirror is None or not mirror.reversible or len(keys) < 4:
        return
    face = left_face(keys)
    left = f"; the left half has its {face} up, the right half the other face" if face else ""
    yield Finding.of(
        SYMMETRY,
        f"reversible about x = {format_mm(mirror.axis_mm)}: "
        f"{format_number(100 * mirror.hole_score, digits=1)} % of the holes and "
        f"{format_number(100 * mirror.pad_score, digits=1)} % of the surface pads have a "
        f"counterpart{left}",
        measured=mirror.hole_score,
        limit=1.0,
    )
    rows = mirror.lone_holes
    if len(rows):
        yield group(
            NO_COUNTERPART,
            case.board.holes.diameter[rows],
            lambda k: case.hole_place(int(rows[k])),
            f"{format_number(len(rows))} holes have no mirror image, largest {{worst}}",
            most=True,
        )


@check(id="half/keys", rules=(KEY_FACE,), needs=("holes", "outer-copper"))
def keys(case: Case) -> Iterator[Finding]:
    """On a reversible board every key can be soldered from both faces."""
    mirror, positions = case.shared(mirror_of), case.shared(keys_of)
    if mirror is None or not mirror.reversible or len(positions) < 4:
        return
    copper, cuts = require_copper(case), case.shared(cuts_of)
    surface = surface_pads(copper)
    face = outer_face(copper)
    through = np.flatnonzero((cuts.plated != 0) & (cuts.width > 0.9))
    spots = {
        side: np.column_stack((copper.pads.x[rows], copper.pads.y[rows]))
        for side, rows in (
            ("top", surface[face[surface] > 0]),
            ("bottom", surface[face[surface] < 0]),
        )
    }
    bored = np.column_stack((cuts.x[through], cuts.y[through]))
    open_spots = {side: spots[side][_opened(case, side, spots[side])] for side in spots}
    worst, where, lacking = [], [], []
    for key in positions:
        middle = np.array((key.x_mm, key.y_mm))
        near = {
            side: open_spots[side][np.abs(open_spots[side] - middle).max(axis=1) <= KEY_REACH_MM]
            - middle
            for side in spots
        }
        pins = bored[np.abs(bored - middle).max(axis=1) <= KEY_REACH_MM] - middle
        for side, other in (("top", "bottom"), ("bottom", "top")):
            lost = _without_image(near[other], near[side])
            # A soldered switch has plated pins at both mirrored places instead.
            if len(lost) and not (len(pins) >= 3 and not len(_without_image(pins, pins))):
                worst.append(float(len(lost)))
                where.append(key)
                lacking.append(side)
    if worst:
        yield group(
            KEY_FACE,
            np.array(worst),
            lambda k: Place(side=lacking[k], x_mm=where[k].x_mm, y_mm=where[k].y_mm),
            f"{format_number(len({(k.x_mm, k.y_mm) for k in where}))} of "
            f"{format_number(len(positions))} keys lack pads or mask openings on one face, "
            "{worst} at most",
            most=True,
            limit=0.0,
            unit="pads",
        )


def _without_image(points: Floats, there: Floats) -> Floats:
    """Points whose mirror image (x changes sign) is not among ``there``."""
    if not len(points):
        return points
    if not len(there):
        return points
    image = points * (-1, 1)
    apart = np.hypot(*(image[:, None] - there[None]).transpose(2, 0, 1)).min(axis=1)
    return points[apart > 2 * MATCH_MM]


def _opened(case: Case, side: str, points: Floats) -> NDArray[np.bool_]:
    """Which points lie in a mask opening; all, when there is no mask on that side."""
    layer = next((a for a in case.board.layers if a.kind is RoleKind.MASK and a.side == side), None)
    if layer is None or not len(points):
        return np.ones(len(points), dtype=bool)
    out = np.zeros(len(points), dtype=bool)
    tree = shapely.STRtree(shapely.points(points))
    out[tree.query(shapely.get_parts(layer.file.image), predicate="intersects")[1]] = True
    return out


# ---------------------------------------------------------------------------------------- battery


@dataclass(frozen=True, slots=True, kw_only=True)
class Terminals:
    """Pads of the cell: (n, 3) float64 each, x, y (mm) and face (1 top, -1 bottom, 0 both)."""

    plus: Floats
    minus: Floats


def cell_terminals(case: Case, copper: Copper) -> Terminals | None:
    """Pads a cell or its plug is connected to, by component, else by net name; None without."""
    pads = copper.pads
    parts = {c.ref: f"{c.ref} {c.value} {c.footprint}" for c in case.board.components}
    of_part = np.array(
        [
            bool(CELL_PART.search(parts.get(ref, "")) or CELL_PART.match(ref))
            for ref, *_ in copper.pins
        ]
        + [False]
    )
    plus_net = np.array([bool(POSITIVE.search(n)) for n in copper.nets] + [False])
    minus_net = np.array([bool(NEGATIVE.search(n)) for n in copper.nets] + [False])
    mine = of_part[pads.pin] & (outer_face(copper) != 0)
    plus = np.flatnonzero(mine & plus_net[pads.net])
    minus = np.flatnonzero(mine & minus_net[pads.net])
    if not len(plus) or not len(minus):
        return None
    return Terminals(plus=_spots(case, copper, plus), minus=_spots(case, copper, minus))


def _spots(case: Case, copper: Copper, rows: NDArray[np.int64]) -> Floats:
    """Distinct pad places with the faces they can be used from."""
    pads = copper.pads
    cuts = case.shared(cuts_of)
    table = np.column_stack((pads.x[rows], pads.y[rows], outer_face(copper)[rows])).astype(float)
    if len(cuts.shapes):
        hit = shapely.STRtree(cuts.shapes).query(
            shapely.points(table[:, :2]), predicate="intersects"
        )[0]
        table[hit, 2] = 0
    return np.unique(np.round(table, 3), axis=0)


@check(
    id="half/battery",
    rules=(POLARITY, POLARITY_MARKED),
    needs=("holes", "outer-copper", "nets"),
)
def battery(case: Case) -> Iterator[Finding]:
    """On a reversible board the battery keeps its polarity when the board is turned over."""
    mirror = case.shared(mirror_of)
    if mirror is None or not mirror.reversible or len(case.shared(keys_of)) < 4:
        return
    found = cell_terminals(case, require_copper(case))
    if found is None:
        return
    swapped, how = polarity_swaps(found, mirror.axis_mm)
    if not len(swapped):
        return
    places = [Place(x_mm=float(x), y_mm=float(y)) for x, y, _ in swapped]
    marked = all(_marked(case, side, found.plus) for side in ("top", "bottom"))
    rule = POLARITY_MARKED if marked else POLARITY
    tail = "; + is printed on both faces" if marked else "; + is not printed on both faces"
    yield Finding.of(rule, how + tail, *places, count=len(places))


def polarity_swaps(terminals: Terminals, axis: float) -> tuple[Floats, str]:
    """Plus terminals that meet minus, or change sides with it, when the board is turned over.

    A terminal is safe when the turned board has plus where plus was.  It is swapped when minus
    lies there instead, or when it is used from both faces and its pair is not doubled: then plus
    and minus change sides as seen from the face that is up.

    Returns
    -------
    swapped : (n, 3) float64
        Rows of ``terminals.plus``.
    how : str
        What happens, in words.
    """
    plus, minus = terminals.plus, terminals.minus
    image = plus.copy()
    image[:, 0] = 2 * axis - image[:, 0]
    onto_plus = _nearest(image, plus) <= 0.5
    onto_minus = _nearest(image, minus) <= 0.5
    clash = onto_minus & ~onto_plus
    if clash.any():
        return plus[clash], "turned over, battery minus lies where plus was"
    swapped = []
    for spot in plus[~onto_plus]:
        pair = minus[np.hypot(*(minus[:, :2] - spot[:2]).T) <= PAIR_MM]
        if not len(pair):
            continue
        partner = pair[np.argmin(np.hypot(*(pair[:, :2] - spot[:2]).T))]
        both_faces = spot[2] == 0 and partner[2] == 0
        doubled = np.any(_nearest(spot[None] * (1, 1, 1), minus) <= 0.5)
        if both_faces and not doubled:
            swapped.append(spot)
    table = np.array(swapped).reshape(-1, 3)
    return (
        table,
        "battery pads are reached from both faces, and a plug fitted from the other face meets plus and minus the other way round",
    )


def _nearest(points: Floats, there: Floats) -> Floats:
    return np.asarray(
        np.hypot(*(points[:, None, :2] - there[None, :, :2]).transpose(2, 0, 1)).min(axis=1)
    )


def _marked(case: Case, side: str, plus: Floats) -> bool:
    """Whether every plus terminal usable from a face has a plus sign beside it there."""
    face = 1 if side == "top" else -1
    mine = plus[(plus[:, 2] == 0) | (plus[:, 2] == face)]
    marks = plus_marks(case.board, "top" if side == "top" else "bottom")
    if not len(mine):
        return True
    return bool(len(marks) and np.all(_nearest(mine, marks) <= MARK_MM))


# --------------------------------------------------------------------------- controller and legend


@check(id="half/header", rules=(HEADER,), needs=("holes", "outer-copper", "nets"))
def header(case: Case) -> Iterator[Finding]:
    """Controller pins meet the same nets after turning the board over."""
    mirror = case.shared(mirror_of)
    if mirror is None or not mirror.reversible or len(case.shared(keys_of)) < 4:
        return
    copper = require_copper(case)
    pads = copper.pads
    by_part: dict[str, dict[tuple[float, float], str]] = {}
    for pad in np.flatnonzero((pads.pin >= 0) & (pads.net >= 0)):
        ref = copper.pins[pads.pin[pad]][0]
        spot = (round(float(pads.x[pad]), 2), round(float(pads.y[pad]), 2))
        by_part.setdefault(ref, {})[spot] = copper.nets[pads.net[pad]]
    for ref, spots in sorted(by_part.items()):
        if len(spots) < 10:
            continue
        points = np.array(list(spots))
        names = list(spots.values())
        middle = (points[:, 0].min() + points[:, 0].max()) / 2
        image = points * (-1, 1) + (2 * middle, 0)
        apart = np.hypot(*(image[:, None] - points[None]).transpose(2, 0, 1))
        partner = apart.argmin(axis=1)
        meets = apart.min(axis=1) <= 2 * MATCH_MM
        swapped = [i for i in np.flatnonzero(meets) if names[i] != names[partner[i]]]
        if len(swapped) >= 0.5 * len(points):
            yield Finding.of(
                HEADER,
                f"{ref}: {len(swapped)} of {len(points)} pins meet another net when the board is "
                "turned over",
                *(Place(x_mm=float(points[i, 0]), y_mm=float(points[i, 1])) for i in swapped[:20]),
                measured=float(len(swapped)),
                limit=0.0,
                unit="pins",
            )


@check(id="half/legend", rules=(LEGEND_MIRRORED, LEGEND_MISSING), needs=("holes", "outer-copper"))
def legend(case: Case) -> Iterator[Finding]:
    """On a reversible board both faces have a legend, and both can be read."""
    mirror = case.shared(mirror_of)
    if mirror is None or not mirror.reversible or len(case.shared(keys_of)) < 4:
        return
    strokes = {}
    for side in ("top", "bottom"):
        layer = case.board.layer(RoleKind.LEGEND, "top" if side == "top" else "bottom")
        if layer is None or not layer.file.objects.dark.any():
            other = "bottom" if side == "top" else "top"
            yield Finding.of(
                LEGEND_MISSING,
                f"there is no legend on the {side}",
                Place(side=side),
                advice=f"Put the legend of the {other} on the {side} too.",
            )
            return
        o = layer.file.objects
        rows = np.flatnonzero(np.isin(o.kind, (Kind.DRAW, Kind.ARC)) & o.dark)
        strokes[side] = np.column_stack((o.x0[rows], o.y0[rows], o.x1[rows], o.y1[rows]))
    top, bottom = strokes["top"], strokes["bottom"]
    if len(top) < 20 or len(bottom) < 20:
        return
    image = top * (-1, 1, -1, 1) + (2 * mirror.axis_mm, 0, 2 * mirror.axis_mm, 0)
    same, mirrored = _shared_strokes(top, bottom), _shared_strokes(image, bottom)
    if same >= 0.8 and mirrored < 0.5:
        yield Finding.of(
            LEGEND_MIRRORED,
            f"{format_number(100 * same, digits=0)} % of the bottom legend is the top legend, not "
            "mirrored",
            Place(side="bottom"),
            measured=same,
            limit=0.8,
        )


def _shared_strokes(a: Floats, b: Floats) -> float:
    """Share of strokes of ``a`` that are strokes of ``b``, either way round."""
    from scipy.spatial import cKDTree

    tree = cKDTree(b)
    apart = np.minimum(tree.query(a)[0], tree.query(a[:, [2, 3, 0, 1]])[0])
    return float(np.mean(apart <= MATCH_MM))

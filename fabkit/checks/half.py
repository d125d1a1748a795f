"""Reversible halves: one board for both hands, and what happens when it is turned over."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Bools, Floats, Ints
from fabkit.base.findings import Finding, Place, Rule
from fabkit.base.units import format_mm, format_number
from fabkit.board.components import netlist_points, point_face
from fabkit.board.copper import Copper, outer_face, surface_pads
from fabkit.board.model import Board
from fabkit.board.nets import NEGATIVE, POSITIVE
from fabkit.checks.copper_facts import cuts_of, require_copper
from fabkit.checks.declare import check
from fabkit.checks.mirror import MATCH_MM, Mirror, find_mirror
from fabkit.checks.model import Case, NotJudged
from fabkit.checks.pair import LACKING, OUTLINE, RELATION, UNRELATED, compare_pair
from fabkit.checks.worst import Measures, group, holes_at
from fabkit.geometry.areas import touched
from fabkit.geometry.neighbours import PointTree
from fabkit.geometry.segments import turned
from fabkit.keyboard.build import find_keyboard
from fabkit.keyboard.contacts import contact_pads
from fabkit.keyboard.model import Key, Keyboard
from fabkit.package.model import RoleKind, Side
from fabkit.rules import load_rule

CELL_PART: Final = re.compile(
    r"(?:^|[^A-Z])(?:BAT(?:T|TERY)?|BT|CELL)(?:\d|$|[^A-Z])", re.IGNORECASE
)
"""References, values and footprints of cells and their plugs; BT is IEEE 315's letter code."""

PAIR_MM: Final = 15.0
"""Plus and minus of one cell connection lie within this of each other."""

SAME_PAD_MM: Final = 0.5
"""A pad whose mirror image lies within this of another one meets it."""

MARK_MM: Final = 4.0
"""A polarity mark this near to its pad belongs to it."""


LAND_REACH_MM: Final = 4.5
"""Lands of a socket lie this near to the holes of its contacts: about 3.3 mm (common practice)."""

AT_MM: Final = 0.5
"""A pin is soldered to the pad at its hole."""

FAR_MM: Final = 1e6
"""Off every board: where a key has no pad."""

CONTACT_MM: Final = 1.2
"""Pads of switch contacts are wider than vias and the lands of small diodes (common practice)."""

TURNS: Final[tuple[tuple[Side, Side], ...]] = (("top", "bottom"), ("bottom", "top"))
"""Face of the keys, and the one they are soldered on."""

MOST_ODD: Final = 0.2
"""Share of the keys that may differ from the others and be slips."""

SYMMETRY: Final = load_rule("half/reversible")
NO_LANDS: Final = load_rule("half/key-lands")
DEAD: Final = load_rule("half/key-dead")
OTHER_NETS: Final = load_rule("half/key-nets")
KEY_FACE: Final = load_rule("half/key-one-face")
NO_COUNTERPART: Final = load_rule("half/no-counterpart")
POLARITY: Final = load_rule("half/battery-polarity")
POLARITY_MARKED: Final = load_rule("half/battery-marks")
PLUS_AT_MINUS: Final = load_rule("legend/plus-at-minus")
HEADER: Final = load_rule("half/header-rows")
LEGEND_MISSING: Final = load_rule("half/legend-one-face")


def keyboard_of(case: Case) -> Keyboard:
    """Find the board's keyboard, by the user's word where there is one."""
    return find_keyboard(case.board, case.options.use)


def mirror_of(case: Case) -> Mirror | None:
    """Counterparts on a reversible board; None for every other board."""
    keyboard = case.shared(keyboard_of)
    if keyboard.hands.use != "reversible":
        return None
    return find_mirror(require_copper(case), keyboard.keys)


@check(id="half/symmetry", rules=(SYMMETRY, NO_COUNTERPART), needs=("holes", "outer-copper"))
def symmetry(case: Case) -> Iterator[Finding]:
    """A board that is nearly reversible is wholly so."""
    mirror, keyboard = case.shared(mirror_of), case.shared(keyboard_of)
    if mirror is None:
        return
    keys, hands = keyboard.keys, keyboard.hands
    face = hands.groups[0].face_up
    left = f"; the left half has its {face} up, the right half the other face"
    left = left if hands.hand_known else ""
    about = (
        f" about x = {format_mm(mirror.axis_mm)}"
        if mirror.axis_mm is not None
        else f", each of {len(keys)} keys about its own middle"
    )
    yield Finding.of(
        SYMMETRY,
        f"reversible{about}: "
        f"{format_number(100 * mirror.hole_score, digits=1)} % of the holes and "
        f"{format_number(100 * mirror.pad_score, digits=1)} % of the surface pads have a "
        f"counterpart{left}",
        measured=mirror.hole_score,
        limit=1.0,
    )
    rows = mirror.lone_holes
    yield from group(
        NO_COUNTERPART,
        Measures(case.board.holes.diameter[rows], holes_at(case, rows)),
        f"{format_number(len(rows))} holes have no mirror image, largest {{worst}}",
        most=True,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Soldered:
    """Pads of both contacts of each key with one face up: (keys, 2) each.

    ``node`` is the copper each reaches, -1 where there is no pad; ``lone`` shows pads that reach no
    other, and ``there`` whether the face of the keys has pads at the same places.
    """

    node: Ints
    lone: Bools
    there: Bools


def soldered(case: Case) -> dict[Side, Soldered]:
    """Find the pads each key is soldered to, for each face that may be its own."""
    pads = contact_pads(require_copper(case))
    spots = np.unique(np.column_stack((np.round(pads.spots(), 2), pads.node)), axis=0)
    nodes, count = np.unique(spots[:, 2], return_counts=True)
    # The last row is that of no pad, -1.
    lone = np.append(count[np.searchsorted(nodes, pads.node)] == 1, np.False_)
    node = np.append(pads.node, -1)
    keys = case.shared(keyboard_of).keys
    reach = np.array([AT_MM if k.held_by == "soldered" else LAND_REACH_MM for k in keys])
    turn = np.array([-k.rotation_deg for k in keys])

    def nearest(up: Side, face: Side) -> tuple[Ints, Floats]:
        """Rows of a face's pads nearest to both contacts of each key, or -1, and how they lie."""
        out, lies = np.full((len(keys), 2), -1), np.full((len(keys), 2, 2), FAR_MM)
        known = np.flatnonzero([len(k.contacts.get(up, ())) == 2 for k in keys])
        own = pads.face == (1 if face == "top" else -1)
        rows = np.flatnonzero(own & (pads.size >= CONTACT_MM))
        if len(rows) and len(known):
            at = np.array([keys[k].contacts[up] for k in known])
            far, near = PointTree(pads.spots()[rows]).query(at.reshape(-1, 2))
            found = rows[near].reshape(-1, 2)
            lies[known] = turned(pads.spots()[found] - at, turn[known, None])
            out[known] = np.where(far.reshape(-1, 2) <= reach[known, None], found, -1)
        return out, lies

    out: dict[Side, Soldered] = {}
    for up, below in TURNS:
        # Where the land of a contact is no pad, the nearest one is of another part.
        usual = np.median(nearest(up, below)[1], axis=0)
        mine, there = (
            np.where(np.hypot(*np.moveaxis(lies - usual, 2, 0)) <= AT_MM, rows, -1)
            for rows, lies in (nearest(up, below), nearest(up, up))
        )
        out[up] = Soldered(node=node[mine], lone=lone[mine], there=there >= 0)
    return out


def _at_keys(
    rule: Rule, which: Bools, keys: Sequence[Key], side: Side, words: str
) -> list[Finding]:
    """Report keys with one finding; their places are on the face where the fault is."""
    rows = np.flatnonzero(which).tolist()
    at = [Place(side=side, x_mm=keys[r].x_mm, y_mm=keys[r].y_mm) for r in rows]
    said = f"{len(rows)} of {len(keys)} keys {words}"
    return [Finding.of(rule, said, *at, count=len(rows))] if rows else []


@check(id="half/contacts", rules=(NO_LANDS, DEAD, OTHER_NETS), needs=("holes", "outer-copper"))
def contacts(case: Case) -> Iterator[Finding]:
    """The contacts of every key have pads where those of the others have, and reach as much."""
    keyboard = case.shared(keyboard_of)
    keys = keyboard.keys
    if not keys:
        return
    sides = case.shared(soldered)
    if keyboard.hands.use == "reversible":
        nodes = {up: np.sort(sides[up].node, axis=1) for up in sides}
        whole = (nodes["top"] >= 0).all(axis=1) & (nodes["bottom"] >= 0).all(axis=1)
        dead: dict[Side, Bools] = {up: np.any(sides[up].lone, axis=1) for up in sides}
        for up, below in TURNS:
            words = (
                f"have a contact that reaches nothing with the {up} up, only with the {below} up"
            )
            yield from _at_keys(DEAD, whole & dead[up] & ~dead[below], keys, below, words)
        unlike: Bools = np.any(nodes["top"] != nodes["bottom"], axis=1)
        differ = whole & ~dead["top"] & ~dead["bottom"] & unlike
        if differ.sum() <= MOST_ODD * len(keys):
            words = "are joined to other copper with the bottom up than with the top up"
            yield from _at_keys(OTHER_NETS, differ, keys, "top", words)
        return
    for up, below in TURNS:
        mine = np.array([k.faces == (up,) and len(k.contacts.get(up, ())) == 2 for k in keys])
        bare = mine & (sides[up].node < 0).all(axis=1)
        if bare.sum() <= MOST_ODD * mine.sum():
            wrong = bare & sides[up].there.all(axis=1)
            words = f"have the lands of their contacts on the {up}, the others on the {below}"
            yield from _at_keys(NO_LANDS, wrong, keys, up, words)
            words = f"have no lands for their contacts on the {below}, where the others have"
            yield from _at_keys(NO_LANDS, bare & ~wrong, keys, below, words)


@check(id="half/keys", rules=(KEY_FACE,), needs=("holes", "outer-copper"))
def keys(case: Case) -> Iterator[Finding]:
    """On a reversible board every key can be soldered from both faces."""
    mirror, positions = case.shared(mirror_of), case.shared(keyboard_of).keys
    if mirror is None:
        return
    copper = require_copper(case)
    pads, face = copper.pads, outer_face(copper)[mirror.pads]
    centres = np.array([(k.x_mm, k.y_mm) for k in positions])
    lacking: dict[tuple[int, str], int] = {}
    # Pins go through the board: a key without holes for them fits one way only.
    for row, key in enumerate(positions):
        if key.held_by == "soldered" and len(key.faces) == 1:
            lacking[row, "bottom" if key.faces == ("bottom",) else "top"] = 1
    for here, there in (("top", "bottom"), ("bottom", "top")):
        image = mirror.images[face == (1 if here == "top" else -1)]
        usable = surface_pads(copper)
        usable = usable[outer_face(copper)[usable] == (1 if there == "top" else -1)]
        spots = pads.spots()[usable]
        spots = spots[_opened(case, there, spots)]
        lost = image[PointTree(spots).far_from(image, 2 * MATCH_MM)]
        for key in PointTree(centres).query(lost)[1].tolist():
            lacking[key, there] = lacking.get((key, there), 0) + 1
    if lacking:
        faces = sorted(lacking)
        yield from group(
            KEY_FACE,
            Measures(
                np.array([lacking[k] for k in faces], dtype=float),
                lambda k: Place(
                    side=faces[k][1],
                    x_mm=positions[faces[k][0]].x_mm,
                    y_mm=positions[faces[k][0]].y_mm,
                ),
            ),
            f"{format_number(len({key for key, _ in faces}))} of "
            f"{format_number(len(positions))} keys lack pads or mask openings on one face, "
            "up to {worst} each",
            most=True,
            limit=0.0,
            unit="pads",
        )


def _opened(case: Case, side: str, points: Floats) -> Bools:
    """Which points lie in a mask opening; all, when there is no mask on that side."""
    layer = next((a for a in case.board.layers if a.kind is RoleKind.MASK and a.side == side), None)
    if layer is None or not len(points):
        return np.ones(len(points), dtype=bool)
    return touched(shapely.points(points), shapely.get_parts(layer.file.image))


# ---------------------------------------------------------------------------------------- battery


@dataclass(frozen=True, slots=True, kw_only=True)
class Terminals:
    """Pads of the cell: (n, 3) float64 each, x, y (mm) and face (1 top, -1 bottom, 0 both)."""

    plus: Floats
    minus: Floats


def cell_terminals(case: Case, copper: Copper) -> Terminals | None:
    """Give the pads of a cell or its plug, by component, else by net name; None without."""
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
        return None if any(copper.nets) else _listed_terminals(case, parts)
    return Terminals(plus=_spots(case, copper, plus), minus=_spots(case, copper, minus))


def _listed_terminals(case: Case, parts: Mapping[str, str]) -> Terminals | None:
    """Find the same by a netlist, where the layers name no nets."""
    board = case.board
    points, spots = netlist_points(board.package, board.layers)
    if not points:
        raise NotJudged("net names in a copper layer, or a netlist")
    mine = [CELL_PART.search(parts.get(p.ref, p.ref)) is not None for p in points]
    ends = []
    for sign in (POSITIVE, NEGATIVE):
        rows = [r for r, p in enumerate(points) if mine[r] and sign.search(p.net)]
        faces = [point_face(points[r], len(board.copper)) for r in rows]
        ends.append(np.column_stack((spots[rows], faces)))
    return Terminals(plus=ends[0], minus=ends[1]) if all(map(len, ends)) else None


def _spots(case: Case, copper: Copper, rows: Ints) -> Floats:
    """Distinct pad places with the faces they can be used from."""
    pads = copper.pads
    cuts = case.shared(cuts_of)
    table = np.column_stack((pads.x[rows], pads.y[rows], outer_face(copper)[rows])).astype(float)
    # A pad with a hole takes its wire from either face.
    table[touched(shapely.points(table[:, :2]), cuts.shapes), 2] = 0
    return np.unique(np.round(table, 3), axis=0)


@check(
    id="half/battery",
    rules=(POLARITY, POLARITY_MARKED),
    needs=("holes", "outer-copper"),
)
def battery(case: Case) -> Iterator[Finding]:
    """On a reversible board the battery keeps its polarity when the board is turned over."""
    mirror = case.shared(mirror_of)
    if mirror is None:
        return
    found = cell_terminals(case, require_copper(case))
    if found is None:
        return
    swapped, how = polarity_swaps(found)
    if not len(swapped):
        return
    places = [Place(x_mm=float(x), y_mm=float(y)) for x, y in _pair_middles(swapped, found.minus)]
    marked = all(_marked(case, side, found.plus) for side in ("top", "bottom"))
    rule = POLARITY_MARKED if marked else POLARITY
    tail = "; + is printed on both faces" if marked else "; + is not printed on both faces"
    yield Finding.of(rule, how + tail, *places, count=len(places))


def polarity_swaps(terminals: Terminals) -> tuple[Floats, str]:
    """Plus terminals that meet minus when the board is turned over.

    The part stays where it is and is fitted from the other face, so its pads are mirrored about
    the middle of their group.  Plus that comes to lie on plus is safe (a doubled footprint: plus,
    minus, plus); plus that comes to lie on minus is swapped.  Pads of one face only are never
    met from the other.

    Returns
    -------
    swapped : (n, 3) float64
        Rows of ``terminals.plus``.
    how : str
        What happens, in words.
    """
    swapped = []
    for spot in terminals.plus:
        near = [
            table[np.hypot(*(table[:, :2] - spot[:2]).T) <= PAIR_MM]
            for table in (terminals.plus, terminals.minus)
        ]
        if not len(near[1]):
            continue
        group = np.concatenate(near)
        middle = (group[:, 0].min() + group[:, 0].max()) / 2
        image = spot[None] * (-1, 1, -1) + (2 * middle, 0, 0)
        # Seen from the other face: pads with holes serve both, others only the face they are on.
        plus, minus = (t[(t[:, 2] == 0) | (t[:, 2] == image[0, 2]) | (spot[2] == 0)] for t in near)
        safe, meets = (
            not PointTree(t[:, :2]).far_from(image[:, :2], SAME_PAD_MM)[0] for t in (plus, minus)
        )
        if meets and not safe:
            swapped.append(spot)
    table = np.array(swapped).reshape(-1, 3)
    return table, "turned over, battery plus and minus change places"


@check(id="legend/polarity", rules=(PLUS_AT_MINUS,), needs=("holes", "outer-copper"))
def polarity(case: Case) -> Iterator[Finding]:
    """A plus sign beside the pads of a cell stands at its plus pad."""
    found = cell_terminals(case, require_copper(case))
    if found is None:
        return
    ends = np.concatenate((found.plus, found.minus))
    for side, face in (("top", 1), ("bottom", -1)):
        near = np.flatnonzero((ends[:, 2] == 0) | (ends[:, 2] == face))
        marks = plus_marks(case.board, "top" if face > 0 else "bottom")
        if not len(near) or not len(marks):
            continue
        far, row = PointTree(ends[near, :2]).query(marks)
        beside = near[row[far <= MARK_MM]]
        at_minus = np.unique(beside[beside >= len(found.plus)])
        if len(at_minus) and len(at_minus) == len(np.unique(beside)):
            at = [Place(side=side, x_mm=x, y_mm=y) for x, y in ends[at_minus, :2].tolist()]
            yield Finding.of(
                PLUS_AT_MINUS,
                f"+ is printed on the {side} at the pad whose net is minus, not at that of plus",
                *at,
                count=len(at),
            )


def _pair_middles(plus: Floats, minus: Floats) -> Floats:
    """Middle between each plus terminal and the nearest minus one."""
    near = PointTree(minus[:, :2]).query(plus[:, :2])[1]
    return np.asarray((plus[:, :2] + minus[near, :2]) / 2)


def _marked(case: Case, side: str, plus: Floats) -> bool:
    """Whether every plus terminal usable from a face has a plus sign beside it there."""
    face = 1 if side == "top" else -1
    mine = plus[(plus[:, 2] == 0) | (plus[:, 2] == face)]
    marks = plus_marks(case.board, "top" if side == "top" else "bottom")
    return not PointTree(marks).far_from(mine[:, :2], MARK_MM).any()


# --------------------------------------------------------------------------- controller and legend


@check(id="half/header", rules=(HEADER,), needs=("holes", "outer-copper", "nets"))
def header(case: Case) -> Iterator[Finding]:
    """Controller pins meet the same nets after turning the board over."""
    mirror = case.shared(mirror_of)
    if mirror is None:
        return
    copper = require_copper(case)
    pads = copper.pads
    by_part: dict[str, dict[tuple[float, float], str]] = {}
    for pad in np.flatnonzero((pads.pin >= 0) & (pads.net >= 0)):
        ref = copper.pins[pads.pin[pad]][0]
        spot = (round(float(pads.x[pad]), 2), round(float(pads.y[pad]), 2))
        by_part.setdefault(ref, {})[spot] = copper.nets[pads.net[pad]]
    for ref, spots in sorted(by_part.items()):
        # A part with so few pins is no controller.
        if len(spots) < 10:
            continue
        points = np.array(list(spots))
        names = list(spots.values())
        middle = (points[:, 0].min() + points[:, 0].max()) / 2
        image = points * (-1, 1) + (2 * middle, 0)
        apart, partner = PointTree(points).query(image)
        swapped = [
            i for i in np.flatnonzero(apart <= 2 * MATCH_MM) if names[i] != names[partner[i]]
        ]
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


@check(id="half/legend", rules=(LEGEND_MISSING,), needs=("holes", "outer-copper"))
def legend(case: Case) -> Iterator[Finding]:
    """A reversible board has a legend on both faces."""
    mirror = case.shared(mirror_of)
    if mirror is None:
        return
    sides = ("top", "bottom")
    drawn = {
        str(a.side)
        for a in case.board.layers
        if a.kind is RoleKind.LEGEND and a.file.objects.dark.any()
    }
    lacking = [side for side in sides if side not in drawn]
    if len(lacking) == 1:
        yield Finding.of(
            LEGEND_MISSING, f"there is no legend on the {lacking[0]}", Place(side=lacking[0])
        )


def plus_marks(board: Board, side: Side) -> Floats:
    """(n, 2) float64, mm: middles of plus signs in the legend of a face."""
    layer = board.layer(RoleKind.LEGEND, side)
    if layer is None:
        return np.empty((0, 2))
    parts = shapely.get_parts(layer.file.image)
    if not len(parts):
        return np.empty((0, 2))
    box = shapely.bounds(parts)
    width, height = box[:, 2] - box[:, 0], box[:, 3] - box[:, 1]
    middle = np.column_stack(((box[:, 0] + box[:, 2]) / 2, (box[:, 1] + box[:, 3]) / 2))
    fits = (np.maximum(width, height) < 4.0) & (np.minimum(width, height) > 0.4)
    fits &= np.abs(width - height) < 0.3 * np.maximum(width, height)
    rows = np.flatnonzero(fits)
    return middle[[r for r in rows if _is_plus(parts[r], middle[r], width[r], height[r])]]


def _is_plus(shape: BaseGeometry, middle: Floats, width: float, height: float) -> bool:
    """Whether a figure has two bars through its middle and nothing in its corners."""
    x, y = middle
    arms = shapely.multipoints(
        [(x + 0.4 * width * s, y) for s in (-1, 1)] + [(x, y + 0.4 * height * s) for s in (-1, 1)]
    )
    # All of each corner: S and E have a bar through their middle and strokes around it.
    corners = [
        shapely.box(x + a * width, y + b * height, x + (a + 0.25) * width, y + (b + 0.25) * height)
        for a in (-0.5, 0.25)
        for b in (-0.5, 0.25)
    ]
    return bool(
        shapely.covers(shape, arms)
        and shapely.covers(shape, shapely.Point(x, y))
        and not shapely.intersects(shape, corners).any()
    )


CONTRADICTED: Final = load_rule("half/contradicted")


@check(id="half/use", rules=(CONTRADICTED,), needs=("holes",))
def use(case: Case) -> Iterator[Finding]:
    """The board is what the user says it is."""
    keyboard = case.shared(keyboard_of)
    hands = keyboard.hands
    if hands.contradiction:
        places = [
            Place(x_mm=keyboard.keys[g.keys[0]].x_mm, y_mm=keyboard.keys[g.keys[0]].y_mm)
            for g in hands.groups
            if g.keys
        ]
        yield Finding.of(CONTRADICTED, hands.contradiction, *places)


@check(id="half/pair", rules=(RELATION, UNRELATED, LACKING, OUTLINE))
def pair(case: Case) -> Iterator[Finding]:
    """A left and a right half that are two designs belong together."""
    if case.other_half is not None:
        yield from compare_pair(case.board, case.other_half)

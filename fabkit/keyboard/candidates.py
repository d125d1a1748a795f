"""Where a key may stand, as each kind of evidence sees it by itself.

Nothing is decided here: a screw hole of a centre post's size is a candidate like any other.
:mod:`fabkit.keyboard.build` lays the candidates on each other and weighs them.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely

from fabkit.base.columns import Floats, Ints, rows_by
from fabkit.base.units import INCH_MM
from fabkit.board.model import Board, Component, Holes
from fabkit.geometry.neighbours import PointTree, label_groups, usual_gap
from fabkit.geometry.segments import turned
from fabkit.keyboard.footprints import LandTable, box_middle, find_turns
from fabkit.keyboard.model import Evidence, Family, Hold, Spot
from fabkit.keyboard.patterns import PLACE_TOLERANCE_MM, Pattern, Site, find_sites

CENTRE_HOLE_MM: Final = (3.0, 5.4)
"""Diameters of the centre post's hole of key switches (common practice: 3.4, 4.0 and 5.0 mm)."""

GUIDE_REACH_MM: Final = (4.0, 7.0)
"""Distance of a pair of guide holes from the centre (common practice: 5.08 and 5.5 mm)."""

GUIDES_MM: Final[dict[Family, float]] = {"full-height": 5.08, "low-profile": 5.5}
"""Distance of the guide posts from the centre, by build of switch (common practice)."""

OPENING_MM: Final = (13.4, 14.6)
"""Sides of the square opening of a switch plate (common practice: 14 mm)."""

OBLONG_MM: Final = (11.5, 16.5)
"""Sides of openings for other builds of switch, which may be oblong (common practice)."""

KEY_PITCH_MM: Final = (13.0, 24.0)
"""Neighbouring keys are 14 to 20 mm apart (common practice); screw holes are farther apart."""

SWITCH_REF: Final = re.compile(r"^(?:[A-Za-z]?(?:SW|KEY|K|S))[_-]?\d", re.IGNORECASE)
"""References of switches: S is the letter code of IEEE 315; SW, K and KEY are common, also with
one letter before them for the right half's."""

SWITCH_WORDS: Final = re.compile(
    r"(?:^|[^a-z])(?:key ?)?switch|(?:^|[^a-z])key(?:[^a-z]|$)", re.IGNORECASE
)
"""Values and footprints of key switches."""

COARSE_GRID_MM: Final = INCH_MM / 100
"""Some inch exports round every place to a hundredth of an inch."""

CONTACT_HOLE_MM: Final = (0.7, 2.2)
"""Diameters of plated holes for the leads of switches and push buttons (common practice)."""

LEAST_CONTACT_MM: Final = 1.2
"""Lands of push buttons are at least this wide (common practice: 1.2 to 1.6 mm; lamps of four lands
in a 5 mm case have 1.0 mm)."""

LARGE_HOLE_MM: Final = 1.2
LARGE_LAND_MM: Final = 2.0
"""Of two contacts: from these sizes they are more than the leads of a small part."""

GROUP_MM: Final = 12.5
"""Contacts of one switch are no farther apart (common practice: half inch for large buttons)."""

NARROW_MM: Final = 4.5
WIDE_MM: Final = 3.0
"""Contacts of a switch span at least this much: several leads, and two large pads."""

FEWEST_GROUPS: Final = 6
"""Fewer equal groups are no evidence of keys: they may be any part that repeats."""

CLOSEST_MM: Final = 13.0
"""Keys are no nearer to each other."""

GRID_SHARE: Final = 0.75
"""Share of the groups that have neighbours along and across."""

NAMED_MM: Final = 3.0
"""A part stated this near to the middle of a group stands there."""

_STEP_MM: Final = 0.25
_MOST_CONTACTS: Final = 2000
_MOST_IN_GROUP: Final = 8
_ALIKE_MM: Final = 0.05
_FEW_HOLES: Final = 8
_FEWEST_OBLONG: Final = 6
_SIDES_MM: Final = 0.2
_PLATE_SHARE: Final = 0.5
"""Share of what is cut out of a plate that is cut out for single switches."""
_RECTANGULAR: Final = 0.8
"""Share of its least rectangle that an opening fills: notches for clips are cut into many."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A place one kind of evidence takes for a key's.

    Parameters
    ----------
    x_mm, y_mm
        Middle of the key, as exact as the evidence is (see ``Evidence``).
    rotation_deg
        None when the evidence does not show it.
    quarter
        The rotation is known but for quarter turns.
    score
        How strong it is by itself, from 0 to 1.
    contacts
        Places of the contacts by the face that is the key side, 1 for the top.
    mirrored
        The footprint is for the bottom as key side.
    pattern
        Key of the hole pattern; empty for other evidence.
    """

    x_mm: float
    y_mm: float
    evidence: Evidence
    score: float
    rotation_deg: float | None = None
    quarter: bool = False
    family: Family = "not known"
    held_by: Hold = "not known"
    contacts: tuple[tuple[int, tuple[Spot, ...]], ...] = ()
    mirrored: bool = False
    ref: str = ""
    holes: tuple[int, ...] = ()
    slots: tuple[int, ...] = ()
    pattern: str = ""


def place_tolerance(holes: Holes) -> float:
    """How far from its place a hole may be because the export rounds, mm.

    A file in which every place is a hundredth of an inch has lost up to half of that in x and y,
    at both ends of every distance.
    """
    # A few holes may lie on the grid by chance.
    if len(holes) < _FEW_HOLES:
        return 0.0
    at = np.concatenate((holes.x, holes.y))
    off = np.abs(at / COARSE_GRID_MM - np.round(at / COARSE_GRID_MM)) * COARSE_GRID_MM
    return COARSE_GRID_MM if np.all(off < 1e-4) else 0.0


def at_key_pitch(spots: Floats) -> bool:
    """Whether places stand as far from each other as keys do."""
    low, high = KEY_PITCH_MM
    return low <= usual_gap(spots) <= high


def from_patterns(board: Board, patterns: Sequence[Pattern]) -> Iterator[Candidate]:
    """Find keys by the hole patterns of their switches.

    Every pattern is offered all holes, because a footprint may take switches of several families,
    which share a centre and some of the holes.
    """
    keys = [p for p in patterns if p.kind == "key"]
    slack = place_tolerance(board.holes)
    found = find_sites(board.holes, keys, slots=board.slots, shared=True, slack_mm=slack)
    yield from map(_from_site, found)


def _from_site(site: Site) -> Candidate:
    face = -1 if site.mirrored else 1
    contacts = [(face, _contacts(site, mirrored=site.mirrored))]
    if site.doubled:
        contacts.append((-face, _contacts(site, mirrored=not site.mirrored)))
    return Candidate(
        x_mm=site.x_mm,
        y_mm=site.y_mm,
        evidence=Evidence.PATTERN,
        score=0.9,
        rotation_deg=site.rotation_deg,
        family=site.pattern.family,
        held_by=site.pattern.held_by,
        contacts=tuple(contacts),
        mirrored=site.mirrored,
        holes=site.holes,
        slots=site.slots,
        pattern=site.pattern.key,
    )


def _contacts(site: Site, *, mirrored: bool) -> tuple[Spot, ...]:
    shape = np.array([h.at_mm for h in site.pattern.contacts]).reshape(-1, 2)
    placed = turned(shape * (-1 if mirrored else 1, 1), site.rotation_deg)
    return tuple((site.x_mm + x, site.y_mm + y) for x, y in placed.tolist())


def from_centres(board: Board) -> Iterator[Candidate]:
    """Holes of a centre post's size: with a pair of smaller guide holes about them, and without.

    Guide holes may be plated or bare.  Without them only the most frequent size is taken, for the
    posts of one keyboard are alike.
    """
    h = board.holes
    points = h.spots()
    low, high = CENTRE_HOLE_MM
    bare = np.flatnonzero((h.plated != 1) & (h.diameter >= low) & (h.diameter <= high))
    if not len(bare):
        return
    tree = PointTree(points)
    slack = place_tolerance(h) + _ALIKE_MM
    lone = []
    for row in bare.tolist():
        near = tree.near(points[row], GUIDE_REACH_MM[1] + slack)
        near = near[h.diameter[near] < h.diameter[row] - _ALIKE_MM]
        pairs = list(_guides(points[near] - points[row], h.diameter[near], slack))
        if not pairs:
            lone.append(row)
        # A footprint for two builds of switch may have a pair of posts for each: both are offered.
        for pair in pairs:
            away = points[near[pair[0]]] - points[row]
            yield Candidate(
                x_mm=float(h.x[row]),
                y_mm=float(h.y[row]),
                evidence=Evidence.CENTRE,
                score=0.75,
                rotation_deg=folded(float(np.degrees(np.arctan2(away[1], away[0])))),
                quarter=True,
                family=_family(float(np.hypot(*away)), slack),
                holes=tuple(sorted((row, *near[list(pair)].tolist()))),
            )
    sizes = Counter(round(float(h.diameter[row]), 1) for row in lone)
    if sizes:
        usual = max(sorted(sizes), key=lambda size: sizes[size])
        for row in lone:
            if round(float(h.diameter[row]), 1) == usual:
                yield Candidate(
                    x_mm=float(h.x[row]),
                    y_mm=float(h.y[row]),
                    evidence=Evidence.CENTRE,
                    # Nothing by itself; with contacts that lie alike about it, it is a key.
                    score=0.2,
                    holes=(row,),
                )


def _family(guide_mm: float, slack: float) -> Family:
    """Build of switch by the distance of its guide posts."""
    for family, reach in GUIDES_MM.items():
        if abs(guide_mm - reach) <= PLACE_TOLERANCE_MM + slack:
            return family
    return "not known"


def _guides(away: Floats, diameter: Floats, slack: float) -> Iterator[tuple[int, int]]:
    """Pairs of like holes on either side of the origin, counter-clockwise from the left."""
    far = np.hypot(away[:, 0], away[:, 1]) >= GUIDE_REACH_MM[0]
    used: set[int] = set()
    for k in np.argsort(np.arctan2(away[:, 1], away[:, 0]), kind="stable").tolist():
        if k in used or not far[k]:
            continue
        facing = np.hypot(away[:, 0] + away[k, 0], away[:, 1] + away[k, 1]) < slack
        partners = np.flatnonzero(facing & (np.abs(diameter - diameter[k]) < _ALIKE_MM))
        if len(partners):
            used |= {k, int(partners[0])}
            yield k, int(partners[0])


def folded(degrees: float) -> float:
    """Fold the direction of a square into -45 to 45 degrees, and round a mere trace to 0."""
    turn = (degrees + 45) % 90 - 45
    return 0.0 if abs(turn) < 0.01 else turn


def from_openings(board: Board) -> Iterator[Candidate]:
    """Find openings a switch clips into: usual squares, and others that repeat as keys do.

    Some builds of switch need an oblong opening; it differs from other cut-outs in that many are
    alike and stand at key pitch.
    """
    if board.profile is None:
        return
    rings = [ring for part in board.profile.geoms for ring in part.interiors]
    if not rings:
        return
    box = shapely.bounds(np.array(rings, dtype=object))
    # A square lies in a box of its side when upright and of 1.42 times that when turned by 45.
    side = np.maximum(box[:, 2] - box[:, 0], box[:, 3] - box[:, 1])
    fits = np.flatnonzero((side >= OBLONG_MM[0]) & (side <= 1.5 * OBLONG_MM[1]))
    found = [o for row in fits.tolist() if (o := _opening(rings[row])) is not None]
    low, high = OPENING_MM
    cut_away = float(shapely.area(shapely.polygons(rings)).sum())
    if sum(o.short_mm * o.long_mm for o in found) < _PLATE_SHARE * cut_away:
        # A frame between two plates: most switches stand in openings that several share.
        return
    for alike in _by_size(found):
        spots = np.array([(o.x_mm, o.y_mm) for o in alike])
        many = len(alike) >= _FEWEST_OBLONG and at_key_pitch(spots)
        for o in alike:
            square = low <= o.short_mm and o.long_mm <= high
            if square or many:
                yield Candidate(
                    x_mm=o.x_mm,
                    y_mm=o.y_mm,
                    evidence=Evidence.OPENING,
                    score=0.8 if square else 0.75,
                    rotation_deg=folded(o.turn_deg),
                    quarter=True,
                    held_by="plate",
                )


@dataclass(frozen=True, slots=True)
class _Opening:
    """A nearly rectangular cut-out."""

    x_mm: float
    y_mm: float
    short_mm: float
    long_mm: float
    turn_deg: float


def _by_size(found: Sequence[_Opening]) -> list[list[_Opening]]:
    """Group openings whose sides differ by no more than drawing may add."""
    groups: list[list[_Opening]] = []
    for o in found:
        for group in groups:
            first = group[0]
            if max(abs(o.short_mm - first.short_mm), abs(o.long_mm - first.long_mm)) <= _SIDES_MM:
                group.append(o)
                break
        else:
            groups.append([o])
    return groups


def _opening(ring: shapely.LinearRing) -> _Opening | None:
    least = shapely.minimum_rotated_rectangle(ring)
    if least.geom_type != "Polygon":
        return None
    if shapely.Polygon(ring).area < _RECTANGULAR * least.area:
        return None
    corners = shapely.get_coordinates(least)
    sides = np.diff(corners[:3], axis=0)
    lengths = np.hypot(sides[:, 0], sides[:, 1])
    if lengths.min() < OBLONG_MM[0] or lengths.max() > OBLONG_MM[1]:
        return None
    x, y = corners[:4].mean(axis=0)
    turn = float(np.degrees(np.arctan2(sides[0, 1], sides[0, 0])))
    return _Opening(float(x), float(y), float(lengths.min()), float(lengths.max()), turn)


def from_components(board: Board) -> Iterator[Candidate]:
    """Components that are switches by reference, value or footprint, with a place."""
    for part in board.components:
        if part.x_mm is None or part.y_mm is None or not is_switch(part):
            continue
        yield Candidate(
            x_mm=part.x_mm,
            y_mm=part.y_mm,
            evidence=Evidence.naming(part),
            score=0.5,
            rotation_deg=part.rotation_deg,
            mirrored=part.side == "bottom",
            ref=part.ref,
        )


def is_switch(part: Component) -> bool:
    """Whether a component is a switch by its reference, value or footprint."""
    return bool(SWITCH_REF.match(part.ref) or SWITCH_WORDS.search(f"{part.value} {part.footprint}"))


def from_groups(board: Board, lands: LandTable) -> Iterator[Candidate]:
    """Equal groups of contacts at a key pitch: push buttons and bare contact pads.

    This is what is left where no hole pattern and no name shows a switch.  Arrays of other parts
    repeat as well, so much is asked: a part of two leads counts only when its lands are far apart
    and large (a resistor, a diode or a lamp has smaller ones), and the groups must fill a grid in
    both directions.
    """
    named = np.array([(c.x_mm, c.y_mm) for c in board.components if c.x_mm is not None])
    best: list[_Group] = []
    for alike in _like_contacts(board, lands):
        found = _repeated(alike)
        if len(found) > len(best) and _in_grid(found) and not _is_named(found, named):
            best = found
    turned = find_turns([g.spots for g in best])
    for group, known in zip(best, turned, strict=True):
        turn, middle = known or (None, box_middle(group.spots))
        yield Candidate(
            x_mm=float(middle[0]),
            y_mm=float(middle[1]),
            evidence=Evidence.PADS,
            score=0.7,
            rotation_deg=turn,
            contacts=tuple((face, group.places) for face in (1, -1)),
            holes=group.holes,
        )


@dataclass(frozen=True, slots=True, eq=False)
class _Contacts:
    """Contacts of one size: places (n, 2), whether they are large, rows of their holes or -1."""

    spots: Floats
    large: bool
    rows: Ints


@dataclass(frozen=True, slots=True, eq=False)
class _Group:
    """Contacts that lie together."""

    spots: Floats
    holes: tuple[int, ...]

    @property
    def places(self) -> tuple[Spot, ...]:
        """Places of all contacts: a switch may have more of them than are used."""
        return tuple((float(x), float(y)) for x, y in self.spots)


def _like_contacts(board: Board, lands: LandTable) -> Iterator[_Contacts]:
    """Plated holes of one diameter and surface lands of one size and face, where there are many."""
    h = board.holes
    low, high = CONTACT_HOLE_MM
    drilled = np.flatnonzero((h.plated != 0) & (h.diameter >= low) & (h.diameter <= high))
    for size, rows in _by_size_of(h.diameter[drilled], drilled):
        spots = h.spots()[rows]
        yield _Contacts(spots, size >= LARGE_HOLE_MM, rows)
    short, long = lands.short, lands.long
    for face in (1, -1):
        # Lands that name their part are left to what components show.
        bare = ~lands.through & (lands.face == face) & (lands.ref == 0)
        mine = np.flatnonzero(bare & (short >= LEAST_CONTACT_MM))
        for _, rows in _by_size_of(short[mine] + 1000 * np.round(long[mine], 1), mine):
            spots = lands.spots()[rows]
            yield _Contacts(spots, bool(short[rows[0]] >= LARGE_LAND_MM), np.full(len(rows), -1))


def _by_size_of(sizes: Floats, rows: Ints) -> Iterator[tuple[float, Ints]]:
    for size, mine in rows_by(np.round(sizes, 1)).items():
        if 2 * FEWEST_GROUPS <= len(mine) <= _MOST_CONTACTS:
            yield size, rows[mine]


def _repeated(alike: _Contacts) -> list[_Group]:
    """Find the largest set of equal groups that contacts of one size form, at whatever distance.

    Groups are made at every distance at which contacts could belong together, from the nearest
    on: a keyboard's contacts form one group a key at some of these.
    """
    pairs = PointTree(alike.spots).pairs(GROUP_MM)
    apart = np.hypot(*(alike.spots[pairs[:, 0]] - alike.spots[pairs[:, 1]]).T)
    best: list[_Group] = []
    for reach in np.unique(np.ceil(apart / _STEP_MM) * _STEP_MM).tolist():
        joined = pairs[apart <= reach]
        label = label_groups(len(alike.spots), joined[:, 0], joined[:, 1])
        groups = list(rows_by(label).values())
        looks = [_look(alike.spots[g]) for g in groups]
        for count in {len(g) for g in groups if 2 <= len(g) <= _MOST_IN_GROUP}:
            sized = [k for k, g in enumerate(groups) if len(g) == count]
            spans = np.array([looks[k] for k in sized])
            same = (np.abs(spans[:, None] - spans[None]) <= PLACE_TOLERANCE_MM).all(axis=2)
            # Groups of one size may be of several kinds of part: the look that most share counts.
            usual = same[int(same.sum(axis=1).argmax())]
            mine = [groups[sized[k]] for k in np.flatnonzero(usual).tolist()]
            span = float(spans[usual, 0].max())
            enough = span >= WIDE_MM if count == 2 else span >= NARROW_MM
            if (
                enough
                and (count > 2 or alike.large)
                and len(mine) > max(len(best), FEWEST_GROUPS - 1)
            ):
                best = [
                    _Group(alike.spots[g], tuple(r for r in alike.rows[g].tolist() if r >= 0))
                    for g in mine
                ]
    return best


def _look(spots: Floats) -> tuple[float, float]:
    """Longest and mean distance within a group, mm: the same however it is turned."""
    if len(spots) < 2:
        return 0.0, 0.0
    away = np.hypot(*(spots[:, None] - spots[None]).transpose(2, 0, 1))
    return float(away.max()), float(away.sum() / (len(spots) * (len(spots) - 1)))


def _in_grid(groups: Sequence[_Group]) -> bool:
    """Whether groups stand at a key pitch, in rows and columns: a strip of parts is no keyboard."""
    middles = np.array([box_middle(g.spots) for g in groups])
    if not at_key_pitch(middles):
        return False
    pairs = PointTree(middles).pairs(1.2 * KEY_PITCH_MM[1])
    away = middles[pairs[:, 1]] - middles[pairs[:, 0]]
    if np.hypot(*away.T).min(initial=np.inf) < CLOSEST_MM:
        return False
    ends = np.concatenate((pairs, pairs[:, ::-1]))
    ways = np.degrees(np.arctan2(away[:, 1], away[:, 0]))
    across = np.concatenate((ways, ways))
    cornered = 0
    for k in range(len(groups)):
        turns = across[ends[:, 0] == k]
        # A neighbour across as well as along (45 degrees apart or more): a strip has none.
        cornered += len(turns) > 1 and bool(
            (np.abs(np.sin(np.radians(turns - turns[0]))) > 0.7).any()
        )
    return cornered >= GRID_SHARE * len(groups)


def _is_named(groups: Sequence[_Group], named: Floats) -> bool:
    """Whether a placement table knows what stands at most of the groups: then the table decides."""
    if not len(named):
        return False
    away = PointTree(named).query(np.array([box_middle(g.spots) for g in groups]))[0]
    return bool((away <= NAMED_MM).mean() > 0.5)

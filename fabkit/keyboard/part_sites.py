"""Where the parts other than key switches stand: each physical place once, whatever names it.

References with lands, hole patterns and repeated pairs of holes or lands are laid on each other.
What two sources name at one place is one site; footprints that are offered for the same part (one
for each face of a reversible board, two makes of controller) are one site too.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

import numpy as np
import shapely

from fabkit.base.columns import Floats, Ints
from fabkit.base.once import once_per
from fabkit.base.units import natural
from fabkit.board.copper import VIA_MM
from fabkit.board.model import Board, Component
from fabkit.geometry.neighbours import PointTree
from fabkit.geometry.segments import turned
from fabkit.keyboard.alternatives import (
    DOUBLE_MM,
    Draft,
    apart_mm,
    cell_pads,
    merge,
    same_controller,
    turned_double,
)
from fabkit.keyboard.build import find_keyboard
from fabkit.keyboard.candidates import is_switch, place_tolerance
from fabkit.keyboard.footprints import Lands, LandTable, are_rows, box_middle, read_lands
from fabkit.keyboard.kinds import (
    diode_sites,
    find_chips,
    find_hole_pairs,
    find_land_pairs,
    find_light_quads,
    is_joined,
    kind_of,
    light_sites,
    may_control,
    pattern_site,
    why_no_part,
)
from fabkit.keyboard.model import Evidence, Group, Keyboard, Mount, PartKind, PartSite
from fabkit.keyboard.patterns import Site, find_lone, find_sites, load_patterns
from fabkit.package.model import Side

ON_LANDS: Final = 0.8
"""Share of a pattern's holes with lands of a component from which it is that component's."""

KEY_REACH_MM: Final = 6.0
"""Drills nearer than this to the middle of a key are the switch's own, or its light's."""

LIGHT_MM: Final = (3.5, 6.5)
"""Distance of a switch's light from its middle, on its axis (common practice: 4.7 to 5.1 mm)."""

CONTACT_MM: Final = 0.4
"""A hole this near to the stated place of a contact is the contact's."""

FEWEST_HEADER_PINS: Final = 4
"""Shorter rows are no headers: three holes in a row are as often a small switch or a plug."""

_AXIS_MM: Final = 1.5
PATTERN_KINDS: Final[dict[str, PartKind]] = {
    "jack": "audio jack",
    "encoder": "encoder",
    "stabiliser": "stabiliser",
    "module": "controller",
    "header": "header",
    "connector": "connector",
    "mounting": "screw hole",
}
PEGS_MM: Final = 13.0
"""Pegs of sockets stand no farther apart (common practice: 11.43 mm for modular sockets)."""

_FEWEST_PEGGED: Final = 4

IN_ROW_MM: Final = 3.0
"""The stated place of a part with rows of pins is this near to a pin: the middle of three rows at
2.54 mm lies 2.84 mm from one."""

FACING_MM: Final = 8.0
"""Rows of pins of one part are no farther from its middle (common practice: 7.62 mm)."""

_ON_PLACED: Final = ("header", "connector", "jack", "encoder")
"""Kinds of hole patterns that a part of a placement table stands in."""

_STANDING: Final = (
    "audio jack",
    "encoder",
    "circuit",
    "connector",
    "controller",
    "display",
    "header",
    "lithium connector",
    "other",
    "resistor",
)
"""Kinds of parts that stand in rows of holes; a resistor may be a network in a row."""

_ROW_KINDS: Final = ("header", "connector", "other")

_BY_HOLES: Final = ("connector", "header", "button", "other")
"""What names alone leave open: the holes of a jack or an encoder decide."""

_FEWEST_ROW_PINS: Final = 7


SOCKET_LAND_MM: Final = (4.5, 1.5)
"""A land of a switch socket lies no farther from its contact's hole, and is at least so wide
(common practice: 3.3 mm off, 2.5 mm wide)."""

LEAD_MM: Final = 1.6
"""Wider plated holes are for screws and posts, no leads (common practice)."""

ROUND_MM: Final = 0.1
"""How far the sides of a round cut-out may be from the diameter that its area gives: chords."""

ROUNDNESS: Final = 0.97
"""Share of its outline that a circle of its area has: 0.974 of an octagon, 0.89 of a square."""

WIDE_HOLE_MM: Final = 2.05
"""Narrower holes let no screw of the usual sizes through (ISO 273: 2.2 mm for M2)."""

WIDEST_HOLE_MM: Final = 6.5
"""Wider round cut-outs are for no screw, spacer or foot of a small board (common practice)."""

LIKE_MM: Final = 6.5
"""A land with no like one so near is a mark or a test point, no lead of a part."""


def find_part_sites(board: Board) -> tuple[PartSite, ...]:
    """Find the places of parts other than key switches; found once per board.

    Parameters
    ----------
    board
        The board; which places its key switches take is asked of :func:`find_keyboard`.

    Returns
    -------
    Sites by kind, then by reference, then by place.  Whether one is bought is not decided here;
    what is no part at all (drawings, test points, jumpers) is left out.
    """
    return _found(board)[0]


def count_loose(board: Board) -> tuple[int, int]:
    """Count surface lands and plated holes of no key and no site; 0 where files name parts."""
    return _found(board)[1]


def lone_holes(board: Board) -> tuple[tuple[float, float, float], ...]:
    """Wide holes that nothing explains, for screws, spacers or feet: x, y and diameter, mm."""
    return _found(board)[2]


@once_per
def _found(
    board: Board,
) -> tuple[tuple[PartSite, ...], tuple[int, int], tuple[tuple[float, float, float], ...]]:
    finder = _Finder(board, find_keyboard(board))
    sites = finder.find()
    loose = (0, 0) if board.components else (finder.loose_lands(), finder.loose_holes(sites))
    return sites, loose, finder.lone_holes(sites)


def sites_of(
    keyboard: Keyboard, group: Group, sites: Sequence[PartSite]
) -> tuple[tuple[PartSite, ...], tuple[PartSite, ...]]:
    """Sites on one half, and those whose half the files do not show.

    On a board with several groups of keys a site belongs to the group of the nearest key.
    """
    groups = {g.keys for g in keyboard.hands.groups}
    if len(groups) < 2:
        return tuple(sites), ()
    owner = {k: g.keys for g in keyboard.hands.groups for k in g.keys}
    rows = sorted(owner)
    tree = PointTree(np.array([(keyboard.keys[k].x_mm, keyboard.keys[k].y_mm) for k in rows]))
    placed = [s for s in sites if s.x_mm is not None]
    nowhere = tuple(s for s in sites if s.x_mm is None)
    if not placed:
        return (), nowhere
    _, nearest = tree.query(np.array([(s.x_mm, s.y_mm) for s in placed]))
    own = tuple(
        s for s, n in zip(placed, nearest.tolist(), strict=True) if owner[rows[n]] == group.keys
    )
    return own, nowhere


class _Finder:
    """Carries what every step of finding the sites needs."""

    def __init__(self, board: Board, keyboard: Keyboard) -> None:
        self.board = board
        self.keyboard = keyboard
        self.lands: Lands = read_lands(board)
        self.taken = {ref for k in keyboard.keys for ref in k.refs} | _unplaced(board, keyboard)
        self.net_uses = Counter(net for c in board.components for _, net in c.pins if net)
        self.parts = [c for c in board.components if self._counts(c)]
        self.centres = np.array([(k.x_mm, k.y_mm) for k in keyboard.keys]).reshape(-1, 2)
        # Holes and slots that belong to no key.
        self.free = _all_but(len(board.holes), [k.holes for k in keyboard.keys])
        self.free_slots = _all_but(len(board.slots), [k.slots for k in keyboard.keys])
        self.used_lands: set[int] = set()

    def find(self) -> tuple[PartSite, ...]:
        """All sites, in order."""
        drafts = [d for c in self.parts for d in self._from_component(c)]
        drafts = [*self._with_patterns(drafts), *self._drawn_screws()]
        if self.keyboard.keys and not self.board.components:
            drafts = self._with_chips(self._with_pairs(self._with_lights(drafts)))
        drafts = self._alternatives(self._lesser_circuits(drafts))
        return tuple(sorted((d.site for d in drafts), key=_order))

    def loose_holes(self, sites: Sequence[PartSite]) -> int:
        """Plated holes for leads that belong to no key and no site."""
        h = self.board.holes
        mine = {hole for site in sites for hole in site.holes}
        free = np.array([row for row in self._not_switches() if row not in mine], dtype=np.int64)
        free = np.intersect1d(free, self.free)
        size = h.diameter[free]
        return int(((h.plated[free] != 0) & (size > VIA_MM) & (size <= LEAD_MM)).sum())

    def loose_lands(self) -> int:
        """Surface lands of no key and no site, after :meth:`find`."""
        table = self.lands.table
        if not len(table):
            return 0
        free = ~table.through
        free[list(self.used_lands)] = False
        spots = [s for k in self.keyboard.keys for face in k.contacts.values() for s in face]
        if spots:
            reach, wide = SOCKET_LAND_MM
            apart = PointTree(np.array(spots)).query(table.spots())[0]
            free &= (apart > reach) | (table.short < wide)
        left = table.take(free)
        # Differences in face or size are made larger than any reach.
        looks = (1e4 * a for a in (left.short.round(1), left.long.round(1), left.face))
        return len(np.unique(PointTree(np.column_stack((left.spots(), *looks))).pairs(LIKE_MM)))

    def _counts(self, part: Component) -> bool:
        fields = {
            "value": part.value,
            "footprint": part.footprint,
            "mount": part.mount,
            "pins": str(len(part.pins)),
            "joined": "" if is_joined(part.pins, self.net_uses) else "no",
        }
        if part.ref in self.taken or why_no_part(part.ref, fields):
            return False
        # A name without lands and place is a text, or a footprint that lies under another.
        return bool(part.pins or part.x_mm is not None or part.value or part.footprint)

    # Named parts

    def _from_component(self, part: Component) -> Iterator[Draft]:
        """One site; two where both halves use the reference."""
        mine = self.lands.of(part.ref)
        made = self._one(part, mine)
        halves = self.half_of(mine.spots())
        first = halves == 0
        if len(mine) and 2 * first.sum() == len(mine):
            for half in (first, ~first):
                x, y = box_middle(mine.spots()[half]).tolist()
                yield replace(made, site=replace(made.site, x_mm=x, y_mm=y))
        else:
            yield made

    def half_of(self, points: Floats) -> Ints:
        """(n,) int64: which half points lie on, by the nearest key; 0 where there is but one."""
        if len({g.keys for g in self.keyboard.hands.groups}) < 2 or not len(points):
            return np.zeros(len(points), np.int64)
        half = np.zeros(len(self.centres), np.int64)
        for row, group in enumerate(self.keyboard.hands.groups):
            half[list(group.keys)] = row
        return half[PointTree(self.centres).query(points)[1]]

    def _one(self, part: Component, mine: LandTable) -> Draft:
        kind = kind_of(part.ref, part.value, part.footprint, part.pins)
        if kind == "diode" and self._is_light(part):
            kind = "light"
        by_pins = bool(self.keyboard.keys) and may_control(kind, len(part.pins))
        if by_pins:
            kind = "controller"
        x, y = part.x_mm, part.y_mm
        if x is None and len(mine):
            x, y = box_middle(mine.spots()).tolist()
        return Draft(
            PartSite(
                kind=kind,
                x_mm=x,
                y_mm=y,
                rotation_deg=part.rotation_deg or 0.0,
                faces=self._faces(part, mine),
                mount=_mount(part, mine),
                refs=(part.ref,),
                pins=len(part.pins) or len(mine),
                evidence=(Evidence.naming(part),),
                confidence=0.5 if kind == "other" else 0.95,
            ),
            nets=tuple(sorted(net for _, net in part.pins if self.net_uses[net] > 1)),
            by_pins=by_pins,
        )

    def _faces(self, part: Component, mine: LandTable) -> tuple[Side, ...]:
        """Faces it can be fitted on; on reversible boards what has lands on both fits either."""
        if part.side is None:
            return ()
        twice = (mine.face > 0).sum() == (mine.face < 0).sum() if len(mine) else False
        either = part.mount == "TH" or twice
        if self.keyboard.hands.use == "reversible" and either:
            return ("top", "bottom")
        return (part.side,)

    def _is_light(self, part: Component) -> bool:
        """Whether a diode stands where a switch's light does, and is on no switch's net."""
        if part.x_mm is None or not len(self.centres):
            return False
        nets = {net for _, net in part.pins if net}
        switched = self._switch_nets
        if nets & switched or not nets:
            return False
        _, near = PointTree(self.centres).query(np.array([(part.x_mm, part.y_mm)]))
        key = self.keyboard.keys[int(near[0])]
        away = np.array((part.x_mm - key.x_mm, (part.y_mm or 0.0) - key.y_mm))
        x, y = turned(away, -key.rotation_deg).tolist()
        low, high = LIGHT_MM
        return bool(abs(x) <= _AXIS_MM and low <= abs(y) <= high)

    @property
    def _switch_nets(self) -> set[str]:
        """Nets on the contacts of one to a few switches: no supply."""
        uses: dict[str, int] = defaultdict(int)
        for part in self.board.components:
            if part.ref in self.taken:
                for net in {net for _, net in part.pins if net}:
                    uses[net] += 1
        return {net for net, count in uses.items() if count <= max(1, len(self.centres) // 2)}

    # Hole patterns

    def _with_patterns(self, drafts: list[Draft]) -> list[Draft]:
        """Sites by hole patterns, laid on the named parts whose lands lie about their holes."""
        drafts = list(drafts)
        found = list(self._pattern_sites())
        placed = self._placed(drafts, [s for s in found if s.pattern.kind in _ON_PLACED])
        for site in found:
            pattern = site.pattern
            standing = placed.get((site.holes, site.slots), ())
            owners = self._owners(site) or standing
            named = [d for d in drafts if set(d.site.refs) & set(owners)]
            kind = PATTERN_KINDS[pattern.kind]
            if kind == "header" and site.pins < FEWEST_HEADER_PINS:
                kind = "connector"
            if pattern.kind == "mounting":
                if not self._is_screw(site.holes[0], named):
                    continue
                named = []
            if pattern.kind in ("jack", "encoder"):
                for d in named:
                    if d.site.kind in _BY_HOLES:
                        d.site = replace(d.site, kind=kind)
            if pattern.kind == "module" and named:
                drafts = self._with_module(drafts, named, site)
                continue
            if named:
                for d in named:
                    holes = tuple(sorted({*d.site.holes, *site.holes}))
                    d.site = replace(
                        d.site,
                        kind=kind if d.site.kind == "other" else d.site.kind,
                        pattern=pattern.key,
                        holes=holes,
                        pins=len(holes) if standing and pattern.row else d.site.pins,
                        evidence=tuple(dict.fromkeys((*d.site.evidence, Evidence.PATTERN))),
                    )
                continue
            drafts.append(Draft(pattern_site(kind, site)))
        return _with_rows(drafts, self.board) if self.keyboard.keys else drafts

    def _placed(
        self, drafts: Sequence[Draft], rows: Sequence[Site]
    ) -> dict[tuple[tuple[int, ...], tuple[int, ...]], tuple[str, ...]]:
        """By the holes and slots of a site: the part of a placement table that stands in it.

        Such parts have no lands of their name.  Their stated place is a pin, or the middle of one
        to three rows, or lies among the pins of a jack, an encoder or a socket.
        """
        parts = [
            d.site
            for d in drafts
            if d.site.kind in _STANDING and not len(self.lands.of(d.site.refs[0]))
        ]
        parts = [p for p in parts if p.x_mm is not None]
        if not parts or not rows:
            return {}
        spots = np.array([(p.x_mm, p.y_mm) for p in parts])
        h = self.board.holes
        out: dict[tuple[tuple[int, ...], tuple[int, ...]], tuple[str, ...]] = {}
        middles = np.array([(r.x_mm, r.y_mm) for r in rows])
        for row in rows:
            cuts = self.board.slots.take(np.array(row.slots, np.int64)).middles()
            mine = np.concatenate((h.spots()[list(row.holes)], cuts))
            away = PointTree(mine).query(spots)[0]
            if row.pattern.row is None:
                low, high = mine.min(axis=0) - 1.0, mine.max(axis=0) + 1.0
                may = [p.kind in (PATTERN_KINDS[row.pattern.kind], *_BY_HOLES) for p in parts]
                among = ((spots >= low) & (spots <= high)).all(axis=1) & may
                away = np.where(among, 0.0, np.inf)
            # A part between two equal rows stands in both, as far apart as they are.
            twin = 2 * spots - (row.x_mm, row.y_mm)
            facing = [r.pins == row.pins and r is not row for r in rows]
            if any(facing):
                apart = PointTree(middles[facing]).query(twin)[0]
                near = np.hypot(*(spots - (row.x_mm, row.y_mm)).T) <= FACING_MM
                away = np.where((apart <= 0.3) & near, 0.0, away)
            k = int(np.argmin(away))
            if away[k] <= IN_ROW_MM:
                out[row.holes, row.slots] = parts[k].refs
        return out

    def _pattern_sites(self) -> Iterator[Site]:
        patterns = [p for p in load_patterns() if p.kind != "key"]
        if not self.keyboard.keys:
            # Two rows of pins of a board without keys are its own connection to another board.
            patterns = [p for p in patterns if p.kind != "module"]
        slack = place_tolerance(self.board.holes)
        holes, slots = self.board.holes.take(self.free), self.board.slots.take(self.free_slots)
        for site in find_sites(holes, patterns, slots=slots, slack_mm=slack):
            yield replace(
                site,
                holes=tuple(self.free[list(site.holes)].tolist()),
                slots=tuple(self.free_slots[list(site.slots)].tolist()),
            )

    def _round_cut_outs(self) -> tuple[Floats, Floats]:
        """Round cut-outs that belong to no key: (n, 2) middles and (n,) diameters, mm."""
        shape = self.board.profile
        rings = [] if shape is None else [r for part in shape.geoms for r in part.interiors]
        if not rings:
            return np.empty((0, 2)), np.empty(0)
        corners = shapely.bounds(np.array(rings, dtype=object)).reshape(-1, 2, 2)
        sides, middles = corners[:, 1] - corners[:, 0], corners.mean(axis=1)
        wide = np.sqrt(shapely.area(shapely.polygons(rings)) * 4 / np.pi)
        taken = (np.abs(sides - wide[:, None]) <= ROUND_MM).all(axis=1)
        taken &= np.pi * wide >= ROUNDNESS * shapely.length(rings)
        if len(self.centres):
            taken &= PointTree(self.centres).query(middles)[0] >= KEY_REACH_MM
        return middles[taken], wide[taken]

    def _drawn_screws(self) -> Iterator[Draft]:
        """Screw holes that are drawn in the profile, as those of plates are, instead of drilled."""
        (middles, wide), h = self._round_cut_outs(), self.board.holes
        points, widths = np.concatenate((middles, h.spots())), np.concatenate((wide, h.diameter))
        for pattern in load_patterns() if len(wide) else ():
            if pattern.kind == "mounting":
                for site in find_lone(pattern, points, widths, np.ones(len(points), bool)):
                    if site.holes[0] < len(wide):
                        yield Draft(pattern_site("screw hole", replace(site, holes=())))

    def lone_holes(self, sites: Sequence[PartSite]) -> tuple[tuple[float, float, float], ...]:
        """Wide holes of no key, part and screw of a usual size: x, y and diameter, mm."""
        h = self.board.holes
        mine = {hole for site in sites for hole in site.holes}
        wide = np.flatnonzero(h.diameter >= WIDE_HOLE_MM)
        rows = [r for r in np.intersect1d(wide, self.free).tolist() if r not in mine]
        out = [
            (float(h.x[r]), float(h.y[r]), float(h.diameter[r])) for r in rows if self._is_screw(r)
        ]
        screws = np.array([(s.x_mm, s.y_mm) for s in sites if s.kind == "screw hole"], dtype=float)
        middles, widths = self._round_cut_outs()
        known = PointTree(screws.reshape(-1, 2)).query(middles)[0] <= ROUND_MM
        out += [
            (x, y, size)
            for (x, y), size in zip(middles[~known].tolist(), widths[~known].tolist(), strict=True)
            if WIDE_HOLE_MM <= size <= WIDEST_HOLE_MM
        ]
        return tuple(out)

    def _owners(self, site: Site) -> tuple[str, ...]:
        """Components with lands about most of a site's holes, together, the largest first."""
        table = self.lands.table
        if not len(table) or not (site.holes or site.slots):
            return ()
        h, cut = self.board.holes, self.board.slots.take(np.array(site.slots, np.int64))
        rows = [*site.holes, *site.slots]
        spots = np.concatenate((h.spots()[list(site.holes)], cut.middles()))
        through = np.flatnonzero(table.through & (table.ref > 0))
        if not len(through):
            return ()
        tree = PointTree(table.spots()[through])
        pairs = tree.between(spots, 0.2)
        held: dict[str, set[int]] = defaultdict(set)
        for hole, land in pairs.tolist():
            held[self.lands.refs[table.ref[through[land]]]].add(hole)
        # All footprints whose lands lie here; one that only touches an end is another part.
        least = max(1, min(3, len(rows) // 4))
        return tuple(ref for ref, holes in sorted(held.items()) if len(holes) >= least)

    def _is_screw(self, row: int, named: Sequence[Draft] = ()) -> bool:
        """Whether a lone hole is for a screw: no peg of a part, no hole of a switch."""
        x, y = float(self.board.holes.x[row]), float(self.board.holes.y[row])
        if len(self.centres):
            apart = np.hypot(self.centres[:, 0] - x, self.centres[:, 1] - y)
            if apart.min() < KEY_REACH_MM:
                return False
        if self._is_peg(row):
            return False
        for part in self.parts:
            mine = self.lands.of(part.ref)
            if len(mine) < 2:
                continue
            low = (mine.x.min() - 1.0, mine.y.min() - 1.0)
            high = (mine.x.max() + 1.0, mine.y.max() + 1.0)
            small = max(high[0] - low[0], high[1] - low[1]) < DOUBLE_MM
            inside = low[0] <= x <= high[0] and low[1] <= y <= high[1]
            if small and inside:
                return False
        return not any(len(d.site.refs) and d.site.pins > 1 for d in named)

    def _is_peg(self, row: int) -> bool:
        """Whether a lone hole and its twin hold the pegs of a socket whose pins lie between."""
        h = self.board.holes
        apart = np.hypot(h.x - h.x[row], h.y - h.y[row])
        twins = (np.abs(h.diameter - h.diameter[row]) < 0.05) & (apart > 0) & (apart <= PEGS_MM)
        pins = (h.plated != 0) & (h.diameter < 0.6 * h.diameter[row]) & (h.diameter > VIA_MM)
        for twin in np.flatnonzero(twins).tolist():
            x, y = (h.x[row] + h.x[twin]) / 2, (h.y[row] + h.y[twin]) / 2
            between = pins & (np.hypot(h.x - x, h.y - y) <= apart[twin] / 2 + 2.54)
            if between.sum() >= _FEWEST_PEGGED:
                return True
        return False

    def _with_module(self, drafts: list[Draft], named: Sequence[Draft], site: Site) -> list[Draft]:
        """Two rows of holes are a controller: named itself, or known by its two rows."""
        own = [d for d in named if d.site.pins >= ON_LANDS * len(site.holes)]
        if own:
            for d in own:
                d.site = replace(
                    d.site,
                    kind="controller",
                    pattern=site.pattern.key,
                    holes=site.holes,
                    evidence=(*d.site.evidence, Evidence.PATTERN),
                )
            return drafts
        for d in named:
            if d.site.kind in _ROW_KINDS:
                d.site = replace(d.site, kind="controller row")
        return [*drafts, Draft(pattern_site("controller", site))]

    # Repeated pairs

    def _with_pairs(self, drafts: list[Draft]) -> list[Draft]:
        """Two-lead parts that no file names, one a key: diodes."""
        used = {h for d in drafts for h in d.site.holes}
        rows = np.array(sorted(set(self._not_switches()) - used), dtype=np.int64)
        slack = place_tolerance(self.board.holes)
        # The push switch of an encoder is one more switch of the matrix.
        pushed = [(d.site.x_mm, d.site.y_mm) for d in drafts if d.site.pattern == "encoder-push"]
        centres = np.vstack((self.centres[self._fitted()], np.array(pushed).reshape(-1, 2)))
        found = (
            find_hole_pairs(self.board.holes, rows, centres, slack_mm=slack),
            find_land_pairs(self.lands.table, centres, slack_mm=slack),
        )
        self.used_lands.update(m for pair in found[1].values() for m in pair.members)
        sites = list(diode_sites(found))
        if self.keyboard.hands.use == "reversible":
            sites = [replace(s, faces=("top", "bottom")) for s in sites]
        return [*drafts, *(Draft(s) for s in sites)]

    def _fitted(self) -> list[int]:
        """Keys that are fitted together: of places that overlap, the first."""
        kept: list[int] = []
        for number, key in enumerate(self.keyboard.keys):
            if not set(key.instead_of) & set(kept):
                kept.append(number)
        return kept

    def _with_lights(self, drafts: list[Draft]) -> list[Draft]:
        """Lights of four lands that no file names, at most keys; one for two faces of a place."""
        slack = place_tolerance(self.board.holes)
        quads = find_light_quads(self.lands.table, self.centres, slack_mm=slack)
        for quad in quads:
            self.used_lands.update(quad.members)
        return [*drafts, *(Draft(site) for site in light_sites(quads))]

    def _with_chips(self, drafts: list[Draft]) -> list[Draft]:
        """Circuits by their lands; the largest of a half without a controller is its controller."""
        controlled = [d.site for d in drafts if d.site.kind == "controller"]
        spots = np.array([(s.x_mm, s.y_mm) for s in controlled]).reshape(-1, 2)
        done = set(self.half_of(spots).tolist())
        out = list(drafts)
        chips = find_chips(self.lands.table)
        most = max((len(c.members) for c in chips), default=0)
        for chip in chips:
            self.used_lands.update(chip.members)
            half = int(self.half_of(np.array([(chip.x_mm, chip.y_mm)]))[0])
            controls = half not in done and may_control("circuit", len(chip.members))
            # Of two halves joined by a cable one may have a smaller circuit that adds pins.
            controls = controls and len(chip.members) == most
            done.add(half)
            out.append(Draft(chip.site("controller" if controls else "circuit")))
        return out

    def _not_switches(self) -> list[int]:
        """Holes that are no contact and no post of a key."""
        h = self.board.holes
        spots = [s for k in self.keyboard.keys for face in k.contacts.values() for s in face]
        rows = np.arange(len(h))
        if spots and len(h):
            gap, _ = PointTree(np.array(spots)).query(h.spots())
            rows = rows[gap > CONTACT_MM]
        return [int(r) for r in rows]

    # One part, several footprints

    def _lesser_circuits(self, drafts: list[Draft]) -> list[Draft]:
        """Circuits with fewer pins than the largest, or beside a controller, add pins or lights."""
        controllers = [d for d in drafts if d.site.kind == "controller"]
        taken = [d for d in controllers if d.by_pins and not d.site.pattern]
        sure = len(taken) < len(controllers)
        most = max((d.site.pins for d in taken), default=0)
        for d in taken:
            if d.site.pins < most or sure:
                d.site = replace(d.site, kind="circuit")
        return drafts

    def _second_controller(self, a: Draft, b: Draft) -> bool:
        """Whether no file names two like controllers of one half: one of them is fitted.

        Boards offer a second place for the half on which the board is turned over.
        """
        first, second = a.site, b.site
        if first.kind != "controller" or second.kind != "controller" or a.nets or b.nets:
            return False
        if first.refs or second.refs or first.pins != second.pins or first.x_mm is None:
            return False
        spots = np.array([(first.x_mm, first.y_mm), (second.x_mm, second.y_mm)], dtype=float)
        return bool(np.ptp(self.half_of(spots)) == 0) and apart_mm(first, second) < 2 * DOUBLE_MM

    def _alternatives(self, drafts: list[Draft]) -> list[Draft]:
        """Footprints of which one is fitted become one site."""
        out = merge(drafts, same_controller, "controller")
        out = merge(out, self._second_controller, "controller")
        out = merge(out, cell_pads, "lithium connector")
        if self.keyboard.hands.use == "reversible":
            out = merge(out, turned_double)
        return out


def _all_but(count: int, taken: Sequence[Sequence[int]]) -> Ints:
    return np.setdiff1d(np.arange(count), [row for rows in taken for row in rows])


def _unplaced(board: Board, keyboard: Keyboard) -> set[str]:
    """Switches without a place, when as many keys are without a reference."""
    named = {ref for k in keyboard.keys for ref in k.refs}
    bare = sum(not k.refs for k in keyboard.keys)
    found = {c.ref for c in board.components if c.x_mm is None and c.pins and is_switch(c)} - named
    return found if len(found) <= bare else set()


def _mount(part: Component, mine: LandTable) -> Mount:
    if part.mount == "TH" and len(part.pins) == 2 and bool((~mine.through).any()):
        return "either"
    if part.mount == "TH":
        return "through-hole"
    drawn = not part.mount and len(mine) > 0 and not bool(mine.through.any())
    return "surface" if part.mount == "SMD" or drawn else "not known"


def _with_rows(drafts: list[Draft], board: Board) -> list[Draft]:
    """Two equal rows of holes side by side hold a controller that no pattern described."""
    rows = [d for d in drafts if d.site.kind == "header" and d.site.pins >= _FEWEST_ROW_PINS]
    spots = board.holes.spots()
    used: set[int] = set()
    made: list[Draft] = []
    for i, first in enumerate(rows):
        for j in range(i + 1, len(rows)):
            second = rows[j]
            a, b = first.site, second.site
            pair = {i, j}.isdisjoint(used) and a.pins == b.pins
            if not pair or not are_rows(spots[list(a.holes)], spots[list(b.holes)]):
                continue
            used |= {i, j}
            for d in (first, second):
                d.site = replace(d.site, kind="controller row")
            made.append(
                Draft(
                    PartSite(
                        kind="controller",
                        x_mm=((a.x_mm or 0.0) + (b.x_mm or 0.0)) / 2,
                        y_mm=((a.y_mm or 0.0) + (b.y_mm or 0.0)) / 2,
                        rotation_deg=a.rotation_deg,
                        mount="through-hole",
                        pins=a.pins + b.pins,
                        holes=tuple(sorted({*a.holes, *b.holes})),
                        evidence=(Evidence.PATTERN,),
                        confidence=0.7,
                    )
                )
            )
    return [*drafts, *made]


def _order(site: PartSite) -> tuple[object, ...]:
    first = site.refs[0] if site.refs else ""
    return (site.kind, not first, natural(first), -(site.y_mm or 0.0), site.x_mm or 0.0)

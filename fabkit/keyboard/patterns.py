"""Parts by their holes: the catalogue of patterns, and where they are found on a board.

A pattern is looked for in any turn, mirrored or doubled, from pairs of holes that are as far apart
as two of its holes are: each pair fixes a rotation, the other holes are then asked for where they
must be.  All pairs are tried at once.  Holes once taken by a pattern are not offered to later ones,
and the catalogue's order decides who asks first.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Literal

import numpy as np

from fabkit.base.columns import Bools, Floats, Ints, gather
from fabkit.board.model import BoardSlots, Holes
from fabkit.geometry.neighbours import PointTree
from fabkit.geometry.segments import turned
from fabkit.keyboard.model import Family, Hold
from fabkit.sheets.reading import Count, Length, Span, Wrong, read_as
from fabkit.sheets.toml_text import SheetText, read_sheet

PatternKind = Literal[
    "key", "jack", "encoder", "stabiliser", "module", "header", "connector", "mounting"
]
BUNDLED = Path(__file__).with_name("patterns.toml")

PLACE_TOLERANCE_MM = 0.15
"""How far a hole may be from its place in the pattern.

Half the spread between published drawings of the same part plus the rounding of an inch export
(common practice); an order below the distance between different parts' holes.
"""


@dataclass(frozen=True, kw_only=True)
class Sized:
    """What has a range of diameters, mm."""

    diameter_mm: tuple[Length, Length]

    def __post_init__(self) -> None:
        if self.least_mm > self.most_mm:
            raise Wrong("diameter_mm", "not a range", expected="[smallest, largest]")

    @property
    def least_mm(self) -> float:
        """Smallest diameter."""
        return self.diameter_mm[0]

    @property
    def most_mm(self) -> float:
        """Largest diameter."""
        return self.diameter_mm[1]


@dataclass(frozen=True, kw_only=True)
class PatternHole(Sized):
    """One hole: place and range of diameters, mm."""

    at_mm: tuple[float, float]
    optional: bool = False

    @property
    def x_mm(self) -> float:
        """To the right of the part's centre."""
        return self.at_mm[0]

    @property
    def y_mm(self) -> float:
        """Away from the user."""
        return self.at_mm[1]


@dataclass(frozen=True, kw_only=True)
class TwoRows(Sized):
    """Two rows of holes around their common centre."""

    count: Annotated[int, Span(least=2, most=1000)]
    pitch_mm: Length
    apart_mm: Length

    def holes(self) -> tuple[PatternHole, ...]:
        """All of them, one row after the other."""
        return tuple(
            PatternHole(
                at_mm=(side * self.apart_mm / 2, ((self.count - 1) / 2 - i) * self.pitch_mm),
                diameter_mm=self.diameter_mm,
            )
            for side in (-1, 1)
            for i in range(self.count)
        )


@dataclass(frozen=True, kw_only=True)
class Row(Sized):
    """A row of holes of any length from ``least``."""

    least: Annotated[int, Span(least=2, most=1000)]
    pitch_mm: Length


@dataclass(frozen=True, kw_only=True)
class Pattern:
    """A hole pattern, as the catalogue has it.

    ``holes`` (or two ``rows``, which become holes) or a ``row`` describes it; ``clear_mm`` keeps
    other holes away from its centre (0: they do not matter).
    """

    key: str
    title: str
    kind: PatternKind
    holes: tuple[PatternHole, ...] = ()
    rows: TwoRows | None = None
    row: Row | None = None
    tolerance_mm: Annotated[float, Span(above=0, most=1)] = PLACE_TOLERANCE_MM
    clear_mm: Annotated[float, Span(least=0)] = 0.0
    note: str = ""
    family: Family = "not known"
    held_by: Hold = "not known"
    size_u: Annotated[float, Span(least=1, most=10)] = 1.0
    """Of a stabiliser: width of its key in key units."""

    def __post_init__(self) -> None:
        if bool(self.holes or self.rows) == (self.row is not None):
            raise Wrong(
                "", "needs one of holes, rows and row", expected="holes = [...], rows or row"
            )
        if self.holes and all(hole.optional for hole in self.holes):
            raise Wrong("holes", "all are optional", expected="at least one that is not")
        if self.rows is not None and not self.holes:
            object.__setattr__(self, "holes", self.rows.holes())

    @property
    def required(self) -> tuple[PatternHole, ...]:
        """Holes that must be there."""
        return tuple(h for h in self.holes if not h.optional)

    @property
    def contacts(self) -> tuple[PatternHole, ...]:
        """Of a key: holes of its contacts, those that must be there off the line of the posts."""
        return tuple(h for h in self.required if h.y_mm)


@dataclass(frozen=True, kw_only=True)
class _PatternFile:
    format: Count
    pattern: tuple[Pattern, ...]


@lru_cache(maxsize=1)
def load_patterns() -> tuple[Pattern, ...]:
    """Load the bundled pattern catalogue."""
    return patterns_from(read_sheet(BUNDLED))


def patterns_from(text: SheetText) -> tuple[Pattern, ...]:
    """Make a catalogue of its parsed text.

    Raises
    ------
    SheetError
        A key is wrong; names file, line and key.
    """
    file = read_as(_PatternFile, text, what="the pattern catalogue")
    keys = [one.key for one in file.pattern]
    for n, key in enumerate(keys):
        if key in keys[:n]:
            raise text.error(
                ("pattern", n, "key"), f"'{key}' is there twice", expected="another key"
            )
    return file.pattern


FLAT_MM = 0.9
"""Slots narrower than this are for flat pins: round pins of switches need wider holes (common
practice)."""

VIA_SHARE = 0.5
"""A hole narrower than this share of another is a via beside it (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """A place of a part.

    Parameters
    ----------
    x_mm, y_mm
        The pattern's origin on the board.
    rotation_deg
        Counter-clockwise, from 0 up to 360, seen from the top; of the mirrored pattern when
        ``mirrored``.
    mirrored
        Found only as its mirror image, so it is used from the bottom.
    doubled
        Found both ways in one place: usable from either face, fitted once.
    holes
        Rows of the hole table that belong to it, ascending.
    slots
        Rows of the slot table that take the place of holes, ascending.
    pins
        Length of a row; 0 for patterns of fixed shape.
    """

    pattern: Pattern
    x_mm: float
    y_mm: float
    rotation_deg: float = 0.0
    mirrored: bool = False
    doubled: bool = False
    holes: tuple[int, ...]
    slots: tuple[int, ...] = ()
    pins: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Match:
    origin: tuple[float, float]
    angle: float
    mirrored: bool
    rows: tuple[int, ...]
    extras: int
    residual: float


class _Offer:
    """Holes that patterns may take: their rows and a tree of their places by range of diameters.

    Patterns share ranges, so each tree is built once for as long as the holes are free.
    """

    def __init__(self, points: Floats, diameters: Floats) -> None:
        self.points = points
        self.diameters = diameters
        self.free = np.ones(len(points), dtype=bool)
        self._known: dict[tuple[float, float], tuple[Ints, PointTree]] = {}

    def take(self, rows: Sequence[int]) -> None:
        """Offer some holes no longer."""
        if len(rows):
            self.free[list(rows)] = False
            self._known.clear()

    def sized(self, hole: PatternHole) -> tuple[Ints, PointTree]:
        """Rows of the free holes of a pattern hole's diameters, and the tree of their places."""
        asked = hole.least_mm, hole.most_mm
        if asked not in self._known:
            rows = _in_range(hole, self.diameters, self.free)
            self._known[asked] = rows, PointTree(self.points[rows])
        return self._known[asked]


@dataclass(frozen=True, slots=True, eq=False)
class _Form:
    """A pattern as it is looked for: as it is, or mirrored.

    ``order`` holds the required holes; the first of them and ``far`` are the farthest apart.
    """

    pattern: Pattern
    shape: Floats
    order: tuple[int, ...]
    far: int
    mirrored: bool


def find_sites(
    holes: Holes,
    patterns: Sequence[Pattern],
    *,
    slots: BoardSlots | None = None,
    shared: bool = False,
    slack_mm: float = 0.0,
) -> tuple[Site, ...]:
    """All sites of all patterns, by pattern and place.

    A slot stands for a hole at its ends and in its middle: boards for two kinds of switch stretch
    the pin holes.  Rows and lone holes are looked for among round holes alone.

    Parameters
    ----------
    holes, slots
        What is drilled.
    patterns
        The catalogue, in the order in which patterns may take holes.
    shared
        Every pattern is offered all holes, whatever another has taken.
    slack_mm
        By how much more than usual places may differ (coarse exports).
    """
    points = holes.spots()
    diameters = np.asarray(holes.diameter)
    round_holes = len(points)
    if slots is not None and len(slots):
        points = np.concatenate((points, slots.starts(), slots.ends(), slots.middles()))
        # A slot for a flat pin is as long as the hole for a round one is wide.
        length = slots.diameter + slots.chords()
        middle = np.where(slots.diameter < FLAT_MM, length, slots.diameter)
        diameters = np.concatenate([diameters, slots.diameter, slots.diameter, middle])
    offer = _Offer(points, diameters)
    sites: list[Site] = []
    for known in patterns:
        pattern = replace(known, tolerance_mm=known.tolerance_mm + slack_mm)
        if pattern.row is not None or len(pattern.required) == 1:
            part = slice(0, round_holes)
            search = _run_sites if pattern.row is not None else find_lone
            found = search(pattern, points[part], diameters[part], offer.free[part])
        else:
            matches = _find_matches(pattern, offer)
            if pattern.kind == "module":
                wide = points[offer.sized(pattern.required[0])[0]]
                matches = [m for m in matches if _is_whole(pattern, m, wide)]
            found = _choose(pattern, matches)
        if not shared:
            offer.take([row for site in found for row in site.holes])
        sites.extend(
            _with_slots(s, round_holes, len(slots) if slots is not None else 0) for s in found
        )
    return tuple(sites)


def _with_slots(site: Site, round_holes: int, slots: int) -> Site:
    """Points beyond the round holes become rows of the slot table."""
    if not slots:
        return site
    rows = [r for r in site.holes if r >= round_holes]
    return replace(
        site,
        holes=tuple(r for r in site.holes if r < round_holes),
        slots=tuple(sorted({(r - round_holes) % slots for r in rows})),
    )


def _in_range(hole: Sized, diameters: Floats, free: Bools) -> Ints:
    slack = 1e-6
    wide = (diameters >= hole.least_mm - slack) & (diameters <= hole.most_mm + slack)
    return np.flatnonzero(wide & free)


def _run_sites(pattern: Pattern, points: Floats, diameters: Floats, free: Bools) -> list[Site]:
    run = pattern.row
    if run is None:
        return []
    rows = _in_range(run, diameters, free)
    found = []
    for chain in find_runs(
        points[rows], run.pitch_mm, least=run.least, tolerance_mm=pattern.tolerance_mm
    ):
        members = rows[chain]
        ends = points[members[-1]] - points[members[0]]
        middle = (points[members[-1]] + points[members[0]]) / 2
        found.append(
            Site(
                pattern=pattern,
                x_mm=float(middle[0]),
                y_mm=float(middle[1]),
                rotation_deg=_degrees(np.arctan2(ends[1], ends[0])) % 180,
                holes=tuple(sorted(members.tolist())),
                pins=len(members),
            )
        )
    return found


def _find_matches(pattern: Pattern, offer: _Offer) -> list[_Match]:
    anchors, _ = offer.sized(pattern.required[0])
    if not len(anchors):
        return []
    shape = np.array([(h.x_mm, h.y_mm) for h in pattern.holes])
    order = tuple(i for i, h in enumerate(pattern.holes) if not h.optional)
    reach = np.linalg.norm(shape[list(order)] - shape[order[0]], axis=1)
    # Over the longest base a hole that is a little off turns the pattern least.
    far = order[int(np.argmax(reach))]
    ends, _ = offer.sized(pattern.holes[far])
    # Both ends may be off by the tolerance.
    slack = 2 * pattern.tolerance_mm
    pairs = _pairs_apart(offer.points, anchors, ends, float(reach.max()), slack)
    matches: list[_Match] = []
    for mirrored in (False, True):
        form = shape * (-1.0, 1.0) if mirrored else shape
        matches.extend(_verify(_Form(pattern, form, order, far, mirrored), pairs, offer))
    return matches


def _is_whole(pattern: Pattern, match: _Match, points: Floats) -> bool:
    """Whether two rows end where the pattern does: a longer module holds every shorter one too.

    One row alone may well go on: another part's holes can follow it.
    """
    shape = np.array([(h.x_mm, h.y_mm) for h in pattern.required])
    first, second = shape[: len(shape) // 2], shape[len(shape) // 2 :]
    step = first[1] - first[0]
    beyond = np.array([first[0] - step, second[0] - step, first[-1] + step, second[-1] + step])
    placed = turned(beyond * (-1, 1) if match.mirrored else beyond, match.angle) + match.origin
    met = PointTree(points).query(placed)[0] <= 2 * pattern.tolerance_mm
    return not (met[:2].all() or met[2:].all())


def find_lone(pattern: Pattern, points: Floats, diameters: Floats, free: Bools) -> list[Site]:
    """Find lone holes: no hole of their kind within the pattern's clear distance.

    Parameters
    ----------
    points, diameters
        (n, 2) and (n,) float64, mm.
    free
        (n,) bool: which may be taken.

    Holes less than half as wide do not count (vias may ring a screw hole), nor do holes that
    belong to a part found before.
    """
    hole = pattern.required[0]
    keep = _in_range(hole, diameters, free)
    if pattern.clear_mm and len(keep):
        wide = points[free & (diameters >= hole.least_mm * VIA_SHARE)]
        near = PointTree(wide).between(points[keep], pattern.clear_mm)[:, 0]
        keep = keep[np.bincount(near, minlength=len(keep)) == 1]
    return [
        Site(
            pattern=pattern,
            x_mm=float(points[i, 0]),
            y_mm=float(points[i, 1]),
            holes=(int(i),),
        )
        for i in keep
    ]


def _pairs_apart(points: Floats, first: Ints, second: Ints, apart: float, slack: float) -> Ints:
    """(n, 2) rows of pairs whose distance is ``apart`` within ``slack``."""
    if not len(second):
        return np.empty((0, 2), dtype=np.int64)
    near = PointTree(points[second]).between(points[first], apart + slack)
    pairs = np.column_stack([first[near[:, 0]], second[near[:, 1]]])
    span = points[pairs[:, 1]] - points[pairs[:, 0]]
    pairs = pairs[np.hypot(span[:, 0], span[:, 1]) >= apart - slack]
    pairs = pairs[pairs[:, 0] != pairs[:, 1]]
    # By their rows, so that which of equal matches is found first does not depend on the tree.
    ordered: Ints = pairs[np.lexsort((pairs[:, 1], pairs[:, 0]))]
    return ordered


def _verify(form: _Form, pairs: Ints, offer: _Offer) -> list[_Match]:
    """Pairs around which every required hole is in its place."""
    if not len(pairs):
        return []
    points, shape, holes = offer.points, form.shape, form.pattern.holes
    start, end = shape[form.order[0]], shape[form.far]
    span = points[pairs[:, 1]] - points[pairs[:, 0]]
    angles = np.arctan2(span[:, 1], span[:, 0]) - np.arctan2(*(end - start)[::-1])
    cos, sin = np.cos(angles), np.sin(angles)
    # (pairs, holes, 2): where each hole of the pattern would be, laid on the middle of the pair so
    # that the error of either end counts half
    local = shape - (start + end) / 2
    middle = (points[pairs[:, 0]] + points[pairs[:, 1]]) / 2
    expected = np.stack(
        [
            cos[:, None] * local[:, 0] - sin[:, None] * local[:, 1] + middle[:, :1],
            sin[:, None] * local[:, 0] + cos[:, None] * local[:, 1] + middle[:, 1:],
        ],
        axis=2,
    )
    rows = np.full(expected.shape[:2], -1, dtype=np.int64)
    alive = np.ones(len(pairs), dtype=bool)
    for i in [*form.order, *(j for j, h in enumerate(holes) if h.optional)]:
        candidates, tree = offer.sized(holes[i])
        if not len(candidates):
            if i in form.order:
                return []
            continue
        asked = np.flatnonzero(alive)
        # Wider than the tolerance, because two holes alone gave the turn; _fit() is strict.
        gap, nearest = tree.query(expected[asked, i], within=2 * form.pattern.tolerance_mm)
        hit = np.isfinite(gap)
        rows[asked[hit], i] = candidates[nearest[hit]]
        if i in form.order:
            alive[asked[~hit]] = False
    fits = (_fit(form, rows[k], points) for k in np.flatnonzero(alive))
    return [match for match in fits if match is not None]


def _fit(form: _Form, rows: Ints, points: Floats) -> _Match | None:
    """Best rotation and place for the holes found (least squares); None when one is too far off."""
    order = list(form.order)
    chosen = rows[order]
    if len(set(chosen.tolist())) < len(order):
        return None
    model, real = form.shape[order], points[chosen]
    model_mid, real_mid = model.mean(axis=0), real.mean(axis=0)
    a, b = model - model_mid, real - real_mid
    angle = np.arctan2(float((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum()), float((a * b).sum()))
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    off = np.linalg.norm(a @ turn.T - b, axis=1)
    if off.max() > form.pattern.tolerance_mm:
        return None
    origin = real_mid - turn @ model_mid
    extras = rows[[i for i in range(len(rows)) if i not in order]]
    found = [int(r) for r in (*chosen, *extras) if r >= 0]
    return _Match(
        origin=(float(origin[0]), float(origin[1])),
        angle=_degrees(angle),
        mirrored=form.mirrored,
        rows=tuple(sorted(set(found))),
        extras=int((extras >= 0).sum()),
        residual=float(off.max()),
    )


def _choose(pattern: Pattern, matches: list[_Match]) -> list[Site]:
    """One site a place: the match with most holes, then the best fit, then the smallest turn.

    A pattern that is its own mirror image, or its own half turn, matches several ways; only a
    mirror match that brings holes of its own makes a site doubled.
    """

    def rank(m: _Match) -> tuple[int, bool, float, float]:
        return -m.extras, m.mirrored, round(m.residual, 4), round(m.angle, 3)

    ordered = sorted(matches, key=rank)
    taken: set[int] = set()
    sites: list[Site] = []
    for match in ordered:
        if any(r in taken for r in match.rows):
            continue
        same = [
            m
            for m in matches
            if m.mirrored is not match.mirrored
            and np.hypot(m.origin[0] - match.origin[0], m.origin[1] - match.origin[1])
            <= pattern.tolerance_mm
            and set(m.rows) != set(match.rows)
            and not any(r in taken for r in m.rows)
        ]
        other = min(
            same, key=lambda m: (_turn_between(m.angle, match.angle), rank(m)), default=None
        )
        rows = set(match.rows) | (set(other.rows) if other else set())
        taken |= rows
        sites.append(
            Site(
                pattern=pattern,
                x_mm=match.origin[0],
                y_mm=match.origin[1],
                rotation_deg=match.angle,
                mirrored=match.mirrored,
                doubled=other is not None,
                holes=tuple(sorted(rows)),
            )
        )
    return sorted(sites, key=lambda s: (round(s.x_mm, 3), round(s.y_mm, 3)))


def _turn_between(a: float, b: float) -> float:
    turn = abs(a - b) % 360
    return min(turn, 360 - turn)


def _degrees(radians: float) -> float:
    """From 0 up to 360, without a tiny negative turn becoming 360."""
    turn = float(np.degrees(radians)) % 360
    return 0.0 if turn > 360 - 1e-9 else turn


STRAIGHT_RAD = 0.06
"""Two steps of a row differ by no more than this (about 3.4 degrees): two holes of a 2.54 mm row
may each be 0.075 mm off (common practice)."""


def find_runs(points: Floats, pitch_mm: float, *, least: int, tolerance_mm: float) -> list[Ints]:
    """Straight rows of equally spaced points, longest first; each point is in one row at most.

    Parameters
    ----------
    points : (n, 2) float64, mm
    pitch_mm, least
        Distance of neighbours, and points a row has at least.
    tolerance_mm
        How far a step may differ from the pitch.

    Returns
    -------
    list of (k,) int64
        Indices of each row, from one end to the other.
    """
    if len(points) < least:
        return []
    chains = _chains(points, pitch_mm, tolerance_mm)
    chains.sort(key=lambda c: (-len(c), points[c[0]].round(3).tolist()))
    taken = np.zeros(len(points), dtype=bool)
    found: list[Ints] = []
    for chain in chains:
        for piece in _free_pieces(chain, taken):
            if len(piece) >= least:
                taken[piece] = True
                found.append(np.array(piece, dtype=np.int64))
    return found


def _free_pieces(chain: list[int], taken: Bools) -> Iterator[list[int]]:
    """Stretches of a row that no longer row has taken."""
    piece: list[int] = []
    for index in chain:
        if taken[index]:
            if piece:
                yield piece
            piece = []
        else:
            piece.append(index)
    if piece:
        yield piece


def _chains(points: Floats, pitch_mm: float, tolerance_mm: float) -> list[list[int]]:
    """Maximal straight rows, each once."""
    pairs = PointTree(points).pairs(pitch_mm + tolerance_mm)
    if not len(pairs):
        return []
    step = points[pairs[:, 1]] - points[pairs[:, 0]]
    near = np.hypot(step[:, 0], step[:, 1]) >= pitch_mm - tolerance_mm
    pairs, step = pairs[near], step[near]
    # both directions, so that no row depends on what counts as forward
    edges: list[list[int]] = [*pairs.tolist(), *pairs[:, ::-1].tolist()]
    angles = np.arctan2(step[:, 1], step[:, 0])
    angles = np.concatenate([angles, np.arctan2(-step[:, 1], -step[:, 0])])
    onward = gather((start, k) for k, (start, _) in enumerate(edges))
    following = [-1] * len(edges)
    has_before = [False] * len(edges)
    for k, (_, end) in enumerate(edges):
        turns = ((abs(_turn(angles[n] - angles[k])), n) for n in onward.get(end, ()))
        straight = min((t for t in turns if t[0] <= STRAIGHT_RAD), default=None)
        if straight is not None:
            following[k] = straight[1]
            has_before[straight[1]] = True
    chains = []
    for k, (start, end) in enumerate(edges):
        if has_before[k]:
            continue
        chain, edge = [start, end], following[k]
        while edge >= 0 and edges[edge][1] not in chain:
            chain.append(edges[edge][1])
            edge = following[edge]
        # Every row is found from both of its ends.
        if chain[0] < chain[-1]:
            chains.append(chain)
    return chains


def _turn(radians: float) -> float:
    return (radians + np.pi) % (2 * np.pi) - np.pi

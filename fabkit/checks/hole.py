"""Holes and slots one by one: sizes the house can drill, rout and plate, and what is missing.

A hole is missing where pads or openings on both faces, or equals of a footprint, are made for it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import shapely

from fabkit.base.columns import Bools, Floats, Ints, Shapes
from fabkit.base.findings import Finding, Severity
from fabkit.base.units import COINCIDENT_MM, MIL_MM, counted, format_mm, format_number, some_of
from fabkit.board.connectivity import pieces_at
from fabkit.board.copper import VIA_MM, Copper, outer_face
from fabkit.checks.copper_facts import Cuts, cuts_at, cuts_of, on_board, require_copper
from fabkit.checks.declare import check
from fabkit.checks.fellows import ALIKE_MM as FELLOW_MM
from fabkit.checks.fellows import FEWEST, find_gaps_of_fellows, find_turned_fellows
from fabkit.checks.hole_spacing import break_rows
from fabkit.checks.model import Case
from fabkit.checks.worst import Measures, group, holes_at, judge, points_at, spots_at
from fabkit.formats.drill.model import ROUND_MM
from fabkit.geometry.areas import touched
from fabkit.geometry.neighbours import PointTree
from fabkit.keyboard.patterns import Pattern, PatternHole, find_sites, load_patterns
from fabkit.package.model import RoleKind
from fabkit.rules import load_rule

MANY_TOOLS: Final = 30
"""Tools in one drill set beyond which a machine's rack must be changed (common practice)."""

PLATED_SMALL: Final = load_rule("hole/plated-too-small")
BARE_SMALL: Final = load_rule("hole/non-plated-too-small")
TOO_LARGE: Final = load_rule("hole/too-large")
SLOT_NARROW: Final = load_rule("hole/slot-too-narrow")
SLOT_SHORT: Final = load_rule("hole/slot-too-short")
STEP: Final = load_rule("hole/odd-size")
TOOLS: Final = load_rule("hole/many-tools")
ASPECT: Final = load_rule("hole/aspect-ratio")


@check(
    id="hole/size",
    rules=(PLATED_SMALL, BARE_SMALL, TOO_LARGE),
    limits=("drill_min_plated_mm", "drill_min_nonplated_mm", "drill_max_mm"),
    needs=("holes",),
)
def sizes(case: Case) -> Iterator[Finding]:
    """Holes are neither smaller nor larger than the house drills."""
    holes = case.board.holes
    known = holes.diameter > 0
    # Plated, or drilled up to the least size, such a row breaks as well: any drill will do.
    enough = holes.diameter >= case.limit("drill_min_plated_mm")
    bites = case.shared(break_rows)[: len(holes)] & enough
    small = np.flatnonzero(bites & (holes.diameter < case.limit("drill_min_nonplated_mm")))
    yield from group(
        BARE_SMALL,
        Measures(holes.diameter[small], holes_at(case, small)),
        "holes in rows to break boards apart are only {worst}",
        limit=case.limit("drill_min_nonplated_mm"),
        severity=Severity.NOTE,
        advice="Nothing: plated or drilled larger, the rows break as well.",
    )
    for rule, key, mine, words in (
        (PLATED_SMALL, "drill_min_plated_mm", known & (holes.plated != 0), "smallest plated hole"),
        (
            BARE_SMALL,
            "drill_min_nonplated_mm",
            known & (holes.plated == 0) & ~bites,
            "smallest non-plated hole",
        ),
    ):
        rows = np.flatnonzero(mine)
        yield from judge(
            case, rule, key, Measures(holes.diameter[rows], holes_at(case, rows)), words
        )
    yield from judge(
        case, TOO_LARGE, "drill_max_mm", Measures(holes.diameter, case.hole_place), "largest hole"
    )


@check(
    id="hole/slot",
    rules=(SLOT_NARROW, SLOT_SHORT),
    limits=(
        "slot_min_width_plated_mm",
        "slot_min_width_nonplated_mm",
        "slot_min_length_ratio",
    ),
    needs=("slots",),
)
def slots(case: Case) -> Iterator[Finding]:
    """Slots are wide and long enough to be routed straight."""
    cuts = case.shared(cuts_of)
    for key, mine, words in (
        ("slot_min_width_plated_mm", cuts.plated != 0, "narrowest plated slot"),
        ("slot_min_width_nonplated_mm", cuts.plated == 0, "narrowest non-plated slot"),
    ):
        # That a path has no width is a finding of its own.
        rows = np.flatnonzero(mine & ~cuts.round & (cuts.width > 0))
        yield from judge(
            case, SLOT_NARROW, key, Measures(cuts.width[rows], cuts_at(case, rows)), words
        )
    length = slot_lengths(cuts)
    # A slot of no length is a round hole in other words.
    rows = np.flatnonzero(~cuts.round & (length > cuts.width + ROUND_MM))
    yield from judge(
        case,
        SLOT_SHORT,
        "slot_min_length_ratio",
        Measures(length[rows] / cuts.width[rows], cuts_at(case, rows)),
        "shortest slot, length over width,",
    )


def slot_lengths(cuts: Cuts) -> Floats:
    """(len(cuts),) float64: longest side of the smallest box around each slot, mm; 0 of others."""
    lengths = np.zeros(len(cuts.shapes))
    known = ~cuts.round & ~shapely.is_empty(cuts.shapes)
    boxes = shapely.minimum_rotated_rectangle(shapely.convex_hull(cuts.shapes[known]))
    # Kilometres away, the box of a slot may be a line.
    box = shapely.get_type_id(boxes) == shapely.GeometryType.POLYGON
    corners = shapely.get_coordinates(boxes[box]).reshape(-1, 5, 2)
    sides = np.hypot(*np.moveaxis(np.diff(corners[:, :3], axis=1), 2, 0))
    longest = shapely.length(boxes)
    longest[box] = sides.max(axis=1, initial=0.0)
    lengths[known] = longest
    return lengths


@check(id="hole/tools", rules=(STEP, TOOLS), needs=("holes",))
def tools(case: Case) -> Iterator[Finding]:
    """Drill sizes lie on the steps of the house's set and are not needlessly many."""
    holes = case.board.holes
    step = case.house.options.drill_step_mm
    off = np.abs(holes.diameter - np.round(holes.diameter / step) * step)
    # A size of the set that is stated in whole mils is no other size.
    odd = np.flatnonzero(off > MIL_MM / 2 + COINCIDENT_MM)
    if len(odd):
        sizes_mm = np.unique(np.round(holes.diameter[odd], 4))
        # The one that is rounded the most comes first.
        away = np.abs(sizes_mm - np.round(sizes_mm / step) * step)
        sizes_mm = sizes_mm[np.argsort(-np.round(away, 6), kind="stable")]
        first = [int(odd[np.argmin(np.abs(holes.diameter[odd] - s))]) for s in sizes_mm]
        texts = [
            f"{format_number(s)} ({format_number(np.round(s / step) * step)})" for s in sizes_mm
        ]
        yield Finding.of(
            STEP,
            f"drill sizes between the {format_mm(step)} steps (drilled as): {some_of(texts, 8)}",
            *(case.hole_place(row) for row in first[:20]),
            count=len(sizes_mm),
            measured=float(sizes_mm[0]),
            limit=float(np.round(sizes_mm[0] / step) * step),
            unit="mm",
        )
    sizes_mm = np.unique(np.round(holes.diameter / step))
    if len(sizes_mm) > MANY_TOOLS:
        yield Finding.of(
            TOOLS,
            f"{len(sizes_mm)} different drill sizes",
            measured=float(len(sizes_mm)),
            limit=float(MANY_TOOLS),
        )


@check(
    id="hole/aspect-ratio",
    rules=(ASPECT,),
    limits=("aspect_ratio",),
    needs=("holes", "thickness"),
)
def aspect(case: Case) -> Iterator[Finding]:
    """Plated holes are not too deep for their width at the chosen thickness."""
    holes = case.board.holes
    thickness = case.thickness_mm
    rows = np.flatnonzero((holes.plated != 0) & (holes.diameter > 0))
    if thickness is not None:
        yield from judge(
            case,
            ASPECT,
            "aspect_ratio",
            Measures(thickness / holes.diameter[rows], holes_at(case, rows), slack=1e-6),
            f"deepest hole, thickness {format_mm(thickness)} over diameter,",
        )


SAME_PLACE_MM: Final = 0.02
"""Pads of two faces nearer than this lie at one place: two roundings of a coarse inch format."""

ALIKE_MM: Final = 0.02
"""Sizes of pads that differ by less are alike."""

HOLED: Final = frozenset({"ComponentPad", "ViaPad"})
"""Functions of pads that have a hole (Gerber Layer Format Specification 2021.02, 5.6.10)."""

UNHOLED: Final = frozenset({"SMDPad", "BGAPad", "FiducialPad", "TestPad", "HeatsinkPad"})
"""Functions of pads that need none (there, too)."""

LEAST_PAD_MM: Final = 0.35
"""A smaller pad has no room for a hole: the smallest usual via is 0.2 mm wide."""

FIDUCIAL_MM: Final = 0.2
"""A round opening wider than its pad by this all around is that of a fiducial mark, which has no
hole (IPC-7351: a clear area around it as wide as its radius or more)."""

ROUND: Final = 1.03
"""Rim of a shape over that of a disc as large, up to which it counts as round."""

LEAST_HOLE_MM: Final = 0.8
MOST_HOLE_MM: Final = 8.0
"""Openings for bare holes: wider than a test point's, no wider than for a post of a key or a screw
with its head (common practice)."""

STEP_MM: Final = 0.05
"""Holes of a footprint whose sizes differ by less are alike: the usual step of drills."""

FEW_SHARE: Final = 0.25
"""Round pads alike of which fewer have a hole are of some other make (a choice of ours)."""

MOST_SHARE: Final = 0.8
"""Pads of other shapes alike of which fewer have a hole may be surface pads of both faces."""

ROUNDED_MM: Final = 0.05
"""A hole narrower by less was rounded: half a step of drills is 0.025 mm, a mil the same."""

OFF_MM: Final = (0.4, 4.0)
"""A middle hole off by less was rounded (contacts have play), by more it belongs to something else:
contacts are 4.6 mm and more from the middle."""

POST_NARROW: Final = load_rule("hole/post-narrow")
TURNED: Final = load_rule("hole/slot-turned")
MISSING: Final = load_rule("hole/missing")


@dataclass(frozen=True, eq=False)
class Twins:
    """Pads on both outer faces at one place.

    Parameters
    ----------
    top, bottom : (n,) int64
        Rows of ``Copper.pads``.
    kind : (n,) int64
        Equal for twins whose pads have the same shapes.
    width : (n,) float64, mm
        Of a round pad as large as the top one.
    holed : (n,) bool
        A hole or slot takes the middle of the pads.
    """

    top: Ints
    bottom: Ints
    kind: Ints
    width: Floats
    holed: Bools


def twins_of(case: Case) -> Twins:
    """Find the pads that lie on both outer faces at one place."""
    copper, cuts = require_copper(case), case.shared(cuts_of)
    pads, face = copper.pads, outer_face(copper)
    at = pads.spots()
    top, bottom = np.flatnonzero(face == 1), np.flatnonzero(face == -1)
    if not len(top) or not len(bottom):
        none = np.empty(0, np.int64)
        return Twins(none, none, none, np.empty(0), np.empty(0, dtype=bool))
    apart, near = PointTree(at[bottom]).query(at[top])
    pair = apart <= SAME_PLACE_MM
    top, bottom = top[pair], bottom[near[pair]]
    looks = np.hstack([_look(copper.pad_shapes[rows]) for rows in (top, bottom)])
    _, kind = np.unique(np.round(looks / ALIKE_MM).astype(np.int64), axis=0, return_inverse=True)
    holed = touched(shapely.points(at[top]), cuts.shapes)
    return Twins(top, bottom, kind.ravel(), looks[:, 0], holed)


def _look(shapes: Shapes) -> Floats:
    """(n, 2) float64, mm: width of a disc as large, quarter of the rim; alike at every turn."""
    return np.column_stack((2 * np.sqrt(shapely.area(shapes) / np.pi), shapely.length(shapes) / 4))


def _disc(shapes: Shapes) -> tuple[Floats, Bools]:
    """Width of a disc as large as each shape, mm, and whether it is one."""
    wide, rim = _look(shapes).T
    return wide, 4 * rim < np.pi * wide * ROUND


@check(id="hole/present", rules=(MISSING,), needs=("drill", "outer-copper"))
def present(case: Case) -> Iterator[Finding]:
    """Where pads, openings or equals of a footprint show that a hole is meant, there is one."""
    yield from _between_pads(case)
    yield from _in_openings(case)
    yield from _in_cut_outs(case)
    yield from _of_footprints(case)


def _between_pads(case: Case) -> Iterator[Finding]:
    """Pads on both faces that no hole joins."""
    twins = case.shared(twins_of)
    if not len(twins.top):
        return
    copper = require_copper(case)
    x, y = copper.pads.x[twins.top], copper.pads.y[twins.top]
    drilled = np.bincount(twins.kind[twins.holed], minlength=len(twins.kind))[twins.kind]
    share = drilled / np.bincount(twins.kind)[twins.kind]
    lone = ~twins.holed & (twins.width >= LEAST_PAD_MM) & on_board(case, x, y)
    lone &= ~_functions(copper, twins, UNHOLED)
    free, equal = _free(case, copper, twins)
    least = np.where(_round(copper, twins), FEW_SHARE, MOST_SHARE)
    # The hole of a pad of odd shape may lie off its middle.
    alone = ~touched(copper.pad_shapes[twins.top], case.shared(cuts_of).shapes)
    sure = lone & ((alone & _functions(copper, twins, HOLED)) | (free & (share >= least)))
    # A round pad on both faces that takes no paste has no other use than a hole.
    lone &= ~sure & alone & free & equal & _round(copper, twins)
    for mine, severity in ((sure, Severity.ERROR), (lone, Severity.WARNING)):
        rows = np.flatnonzero(mine)
        fellows = int(drilled[rows].max(initial=0))
        yield from group(
            MISSING,
            Measures(twins.width[rows], spots_at(case, case.board.copper[0], x[rows], y[rows])),
            f"{counted(len(rows), 'place')} with pads on both faces, up to {{worst}} wide, and no "
            "hole in their middle"
            + (f"; {counted(fellows, 'place')} with pads alike have one" if fellows else ""),
            most=True,
            severity=severity,
        )


def _in_openings(case: Case) -> Iterator[Finding]:
    """Round openings of both masks, without a pad, that no hole stands in."""
    masks = [a for a in case.board.layers if a.kind is RoleKind.MASK and a.side is not None]
    discs = [_round_parts(shapely.get_parts(layer.file.image)) for layer in masks[:2]]
    if len(discs) < 2 or not all(len(d) for d in discs):
        return
    apart, _ = PointTree(discs[1]).query(discs[0])
    x, y, wide = discs[0][apart <= ALIKE_MM].T
    shapes = shapely.buffer(shapely.points(x, y), wide / 2)
    taken = touched(shapes, case.shared(cuts_of).shapes) | touched(shapes, _outer_copper(case))
    rows = np.flatnonzero(~taken & on_board(case, x, y))
    yield from group(
        MISSING,
        Measures(wide[rows], spots_at(case, masks[0], x[rows], y[rows])),
        f"{counted(len(rows), 'round opening')} of both masks, up to {{worst}} wide, with neither "
        "pad nor hole",
        most=True,
        severity=Severity.WARNING,
    )


def _in_cut_outs(case: Case) -> Iterator[Finding]:
    """Round cut-outs of the profile that are not drilled, where nearly all others are."""
    if case.board.profile is None:
        return
    rings = shapely.get_rings(shapely.get_parts(case.board.profile))
    discs = _round_parts(shapely.polygons(rings))
    if not len(discs):
        return
    x, y, wide = discs.T
    taken = touched(shapely.points(x, y), case.shared(cuts_of).shapes)
    rows = np.flatnonzero(~taken)
    if len(discs) < FEWEST or taken.mean() < MOST_SHARE:
        return
    yield from group(
        MISSING,
        Measures(wide[rows], points_at(x[rows], y[rows])),
        f"{counted(len(rows), 'round cut-out')} of the profile, up to {{worst}} wide, "
        f"{'is' if len(rows) == 1 else 'are'} not drilled; {taken.sum()} others are",
        most=True,
        severity=Severity.WARNING,
    )


def _outer_copper(case: Case) -> Shapes:
    """Give the separate polygons of the outer copper layers."""
    pieces = require_copper(case).pieces
    outer = np.array([layer.side is not None for layer in case.board.copper], dtype=bool)
    return np.asarray(pieces.polygons[outer[pieces.layer]])


def _round_parts(parts: Shapes) -> Floats:
    """(n, 3) float64, mm: middle and width of the round ones among polygons, as wide as holes."""
    wide, is_round = _disc(parts)
    mine = is_round & (wide >= LEAST_HOLE_MM) & (wide <= MOST_HOLE_MM)
    middle = shapely.get_coordinates(shapely.centroid(parts[mine]))
    return np.column_stack((middle, wide[mine]))


def holes_of_parts(case: Case) -> tuple[Floats, Ints, Ints]:
    """Holes of footprints, vias left out: what footprints of parts are recognised by.

    Returns
    -------
    spots : (n, 2) float64, mm
    kinds : (k, 4) int64
        Whether bare, whether round, width and length (steps of ``STEP_MM``) of each kind.
    kind : (n,) int64
        Kind of each hole.
    """
    cuts = case.shared(cuts_of)
    rows = np.flatnonzero((cuts.plated == 0) | (cuts.width > VIA_MM))
    long = np.where(cuts.round, cuts.width, np.sqrt(shapely.area(cuts.shapes)))
    look = np.column_stack((cuts.plated == 0, cuts.round, cuts.width / STEP_MM, long / STEP_MM))
    kinds, kind = np.unique(np.round(look[rows]).astype(np.int64), axis=0, return_inverse=True)
    return cuts.spots()[rows], kinds, kind.ravel().astype(np.int64)


def _of_footprints(case: Case) -> Iterator[Finding]:
    """Bare holes that nearly all places of a footprint have and a few lack."""
    cuts = case.shared(cuts_of)
    spots, kinds, kind = case.shared(holes_of_parts)
    gaps = find_gaps_of_fellows(
        spots,
        kind,
        seeds=np.arange(len(kinds)),
        wanted=np.flatnonzero(kinds[:, 0] == 1),
    )
    if not gaps:
        return
    x, y = np.array([(g.x_mm, g.y_mm) for g in gaps]).T
    wide = STEP_MM * kinds[[g.kind for g in gaps], 2].astype(np.float64)
    discs = shapely.buffer(shapely.points(x, y), wide / 2)
    left = shapely.difference(discs, shapely.union_all(cuts.shapes[touched(cuts.shapes, discs)]))
    centred = PointTree(cuts.spots()).query(np.column_stack((x, y)))[0]
    # What is drilled there in another size or as part of a slot is not missing.
    lone = (shapely.area(left) > 0.1 * shapely.area(discs)) & (centred > 2 * FELLOW_MM)
    if case.board.profile is not None:
        lone &= shapely.covers(case.board.profile, discs)
    rows = np.flatnonzero(lone)
    fellows = max((gaps[r].fellows for r in rows), default=0)
    yield from group(
        MISSING,
        Measures(wide[rows], points_at(x[rows], y[rows])),
        f"a hole of {{worst}} is missing or off its place beside {counted(len(rows), 'part')}; "
        f"{counted(fellows, 'equal part')} have it",
        most=True,
        severity=Severity.WARNING,
    )


@check(id="hole/slot-direction", rules=(TURNED,), needs=("slots",))
def slot_directions(case: Case) -> Iterator[Finding]:
    """Slots of equal footprints lie alike."""
    cuts, slots = case.shared(cuts_of), case.board.slots
    # A path of several pieces has no direction of its own.
    rows = np.flatnonzero(~cuts.round)
    rows = rows[np.bincount(slots.path)[slots.path[cuts.slot_row[rows]]] == 1]
    axes = (slots.ends() - slots.starts())[cuts.slot_row[rows]] @ (1, 1j)
    long = np.abs(axes)
    rows, axes, long = (column[long > FELLOW_MM] for column in (rows, axes, long))
    look = np.round(np.column_stack((cuts.width[rows], long)) / STEP_MM)
    kind = np.unique(look, axis=0, return_inverse=True)[1].ravel().astype(np.int64)
    spots, _, other_kind = case.shared(holes_of_parts)
    turned = find_turned_fellows(cuts.spots()[rows], axes / np.abs(axes), kind, spots, other_kind)
    mine = rows[turned]
    yield from group(
        TURNED,
        Measures(cuts.width[mine], cuts_at(case, mine)),
        f"{counted(len(mine), 'slot')} up to {{worst}} wide {'lie' if len(mine) > 1 else 'lies'} "
        "in another direction than those of equal footprints",
        most=True,
    )


@check(id="hole/key-post", rules=(POST_NARROW, MISSING), needs=("holes",))
def key_posts(case: Case) -> Iterator[Finding]:
    """Holes of keys let in the switch or socket that the other holes are for."""
    board = case.board
    known = [p for p in load_patterns() if p.kind == "key"]
    # Holes of a whole footprint are no part of another that lacks something.
    whole = find_sites(board.holes, known, slots=board.slots, shared=True)
    held = sorted({row for site in whole for row in site.holes})
    rest = np.setdiff1d(np.arange(len(board.holes)), held)
    for pattern in known:
        posts = [h for h in pattern.holes if h.x_mm == h.y_mm == 0]
        if sum(site.pattern.key == pattern.key for site in whole) >= FEWEST - 1:
            for post in posts:
                yield from _posts_off(case, pattern, post, rest)
        for size in sorted({h.diameter_mm for h in pattern.holes}, reverse=True):
            asked = tuple(h for h in pattern.holes if h.diameter_mm == size)
            # Kinds of switches share middles, so that contacts of one may stand about another's.
            among = rest if asked[0] in posts else np.arange(len(board.holes))
            rows = np.setdiff1d(_narrowed(case, pattern, asked, among), held)
            if not len(rows):
                continue
            what, part = "holes of pegs", "pegs"
            if asked[0] in posts:
                what, part = "middle holes", "posts"
            elif asked[0] in pattern.contacts:
                what, part = (
                    "holes of contacts",
                    "sockets" if pattern.held_by == "socket" else "pins",
                )
            yield from group(
                POST_NARROW,
                Measures(board.holes.diameter[rows], holes_at(case, rows)),
                f"{what} of keys are {{worst}} wide; {part} of {pattern.family} switches need at "
                f"least {format_mm(asked[0].least_mm)}",
                limit=asked[0].least_mm,
            )
            return


def _narrowed(case: Case, pattern: Pattern, asked: Sequence[PatternHole], among: Ints) -> Ints:
    """Bare holes of sites that fit a pattern but for these holes, which are all too narrow."""
    holes, slots = case.board.holes.take(among), case.board.slots
    # Sizes that were exchanged may have made them narrower than any beside them.
    most = asked[0].least_mm - ROUNDED_MM
    narrow = tuple(replace(h, diameter_mm=(ROUNDED_MM, most), optional=False) for h in asked)
    others = tuple(h for h in pattern.required if h not in asked)
    asked_for = [replace(pattern, holes=others + narrow)]
    away = np.array([np.hypot(*h.at_mm) for h in asked])
    found: list[int] = []
    for site in find_sites(holes, asked_for, slots=slots, shared=True):
        rows = np.array(site.holes, dtype=np.int64)
        from_middle = np.hypot(holes.x[rows] - site.x_mm, holes.y[rows] - site.y_mm)
        there = np.abs(from_middle[:, None] - away) <= pattern.tolerance_mm
        mine = rows[there.any(axis=1) & (holes.diameter[rows] <= most) & (holes.plated[rows] == 0)]
        if len(mine) >= len(asked):
            found += among[mine].tolist()
    return np.unique(np.array(found, dtype=np.int64))


def _posts_off(case: Case, pattern: Pattern, post: PatternHole, rest: Ints) -> Iterator[Finding]:
    """Middle holes beside the place that the two contact holes of their key show."""
    if len(pattern.contacts) != 2:
        return
    free = case.board.holes.take(rest)
    at = free.spots() @ (1, 1j)
    one, two = (complex(*hole.at_mm) for hole in pattern.contacts)
    mine, first, second = (
        np.flatnonzero((free.diameter >= least) & (free.diameter <= most))
        for least, most in (h.diameter_mm for h in (post, *pattern.contacts))
    )
    mine = mine[free.plated[mine] == 0]
    if not (len(mine) and len(first) and len(second)):
        return
    step = at[second][None, :] - at[first][:, None]
    a, b = np.nonzero(np.abs(np.abs(step) - abs(two - one)) <= pattern.tolerance_mm)
    # A footprint may lie on either face, so its middle may be on either side.
    middles = np.concatenate(
        [
            at[first[a]] - p * step[a, b] / (q - p)
            for p, q in ((one, two), (one.conjugate(), two.conjugate()))
        ]
    )
    if not len(middles):
        return
    tree = PointTree(np.column_stack((middles.real, middles.imag)))
    off, _ = tree.query(free.spots()[mine])
    rows = np.flatnonzero((off > OFF_MM[0]) & (off <= OFF_MM[1]))
    if len(rows):
        yield Finding.of(
            MISSING,
            f"{counted(len(rows), 'middle hole')} of keys {'are' if len(rows) > 1 else 'is'} not "
            "where the contact holes show",
            *(case.hole_place(int(row)) for row in rest[mine[rows[:20]]]),
            count=len(rows),
            severity=Severity.WARNING,
            advice="Move it back to its key, and export the drill files again.",
        )


def _functions(copper: Copper, twins: Twins, names: frozenset[str]) -> Bools:
    """Twins of which a pad states one of some functions."""
    stated = copper.pads_stating(names)
    return np.asarray(stated[twins.top] | stated[twins.bottom])


def _round(copper: Copper, twins: Twins) -> Bools:
    """Twins with a round or oval top pad, by the standard aperture."""
    layer = copper.pads.layer[twins.top]
    row = copper.pads.row[twins.top]
    out = np.zeros(len(layer), dtype=bool)
    for index in np.unique(layer):
        file = copper.board.copper[index].file
        made = np.array([a.template in ("C", "O") for a in file.apertures] + [False])
        out[layer == index] = made[file.objects.aperture[row[layer == index]]]
    return out


def _free(case: Case, copper: Copper, twins: Twins) -> tuple[Bools, Bools]:
    """Twins that neither paste nor a wide round opening shows to be something else.

    Returns
    -------
    free : (n,) bool
        No paste is printed on them, and they are no fiducial marks.
    equal : (n,) bool
        The mask opens both or neither.
    """
    free = np.ones(len(twins.top), dtype=bool)
    opened = {}
    for layer in case.board.layers:
        if layer.kind not in (RoleKind.MASK, RoleKind.PASTE) or layer.side is None:
            continue
        pads = twins.top if layer.side == "top" else twins.bottom
        parts = shapely.get_parts(layer.file.image)
        spots = shapely.points(copper.pads.x[pads], copper.pads.y[pads])
        part = pieces_at(parts, spots)
        over = part >= 0
        if layer.kind is RoleKind.PASTE:
            free &= ~over
        else:
            opened[layer.side] = over
            rows = np.flatnonzero(over)
            wide, is_round = _disc(parts[part[rows]])
            free[rows[is_round & (wide - twins.width[rows] > 2 * FIDUCIAL_MM)]] = False
    both = list(opened.values())
    return free, both[0] == both[1] if len(both) == 2 else np.ones(len(free), dtype=bool)

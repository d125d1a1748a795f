"""Holes among themselves and against the board's edge."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Bools, Columns, Floats, Ints, Shapes
from fabkit.base.errors import TooHeavy
from fabkit.base.findings import Finding, Place, Severity
from fabkit.base.units import CHORD_ERROR_MM, COINCIDENT_MM, format_mm
from fabkit.board.connectivity import pieces_at
from fabkit.board.copper import VIA_MM
from fabkit.board.holes import PLATING_INFERRED
from fabkit.checks.copper_facts import (
    Cuts,
    at_cut_out,
    castellations,
    copper_of,
    cut_place,
    cuts_at,
    cuts_of,
    half_holes,
)
from fabkit.checks.declare import check
from fabkit.checks.model import Case
from fabkit.checks.worst import Measures, PlaceOf, at_rows, group, judge
from fabkit.geometry.facing import FacetTree, facets_of
from fabkit.geometry.neighbours import estimate_pairs, grown, label_groups
from fabkit.rules import load_rule

CUSP_MM: Final = 0.3
"""Overlap at least this wide: two holes make one clean opening, without a flap between them
(common practice: the thinnest wall a drill leaves standing)."""

BREAK_MM: Final = 1.0
"""Larger holes are not drilled to break boards apart (common practice: 0.4 to 0.7 mm)."""

BREAK_WALL_MM: Final = 1.0
"""Holes of a break row stand no further apart than this, also where one of them is left out."""

BREAK_REACH_MM: Final = 0.5
"""Some hole of a break row lies this near to the edge; most cross it."""

BREAK_ROW: Final = 3
"""Fewer small holes side by side are no row to break at."""

MOST_PAIRS: Final = 8_000_000
"""More pairs of holes near each other are not measured: some seconds, half a gigabyte."""

WALL: Final = load_rule("hole/wall-thin")
DUPLICATE: Final = load_rule("hole/duplicate")
CONCENTRIC: Final = load_rule("hole/concentric")
OVERLAP: Final = load_rule("hole/overlap")
JOINED: Final = load_rule("hole/joined")
EDGE_NEAR: Final = load_rule("hole/edge-near")
CROSSES: Final = load_rule("hole/crosses-edge")


@dataclass(frozen=True, slots=True, eq=False)
class Walls(Columns):
    """Pairs of cuts that are near each other: rows of both, and the wall (negative: overlap)."""

    left: Ints
    right: Ints
    wall: Floats


def find_walls(cuts: Cuts, reach_mm: float) -> Walls:
    """Walls thinner than ``reach_mm`` between all holes and slots, exact for round holes.

    Raises
    ------
    TooHeavy
        Millions of pairs lie upon each other.
    """
    shapes = cuts.shapes
    # Boxes half the reach wider meet wherever a wall may be thin; a tree that measures between the
    # polygons of round holes would take a hundred times as long.
    corners = grown(shapely.bounds(shapes), reach_mm / 2)
    boxes: Shapes = shapely.box(*corners.T)
    boxes[~np.isfinite(corners).all(axis=1)] = None
    tree = shapely.STRtree(boxes)
    pairs = estimate_pairs(tree, boxes)
    if pairs > MOST_PAIRS:
        near = f"some {pairs:,} pairs of them lie near each other"
        raise TooHeavy(f"walls between {len(shapes):,} holes", near)
    left, right = tree.query(boxes)
    keep = left < right
    left, right = left[keep], right[keep]
    # Polygons of round holes are off by their chords; centres and diameters are exact.
    wall = np.hypot(cuts.x[left] - cuts.x[right], cuts.y[left] - cuts.y[right])
    wall -= (cuts.width[left] + cuts.width[right]) / 2
    other = np.flatnonzero(~(cuts.round[left] & cuts.round[right]))
    wall[other] = shapely.distance(shapes[left[other]], shapes[right[other]])
    met = other[wall[other] == 0]
    box = shapely.bounds(shapely.intersection(shapes[left[met]], shapes[right[met]]))
    # Where they only touch, the common part has no box.
    wall[met] = -np.nan_to_num(np.minimum(box[:, 2] - box[:, 0], box[:, 3] - box[:, 1]))
    keep = wall < reach_mm
    return Walls(left[keep], right[keep], wall[keep])


def overlap_width(r0: Floats, r1: Floats, apart: Floats) -> Floats:
    """Width of the opening between two overlapping discs: their common chord, mm."""
    offset = (apart**2 + r0**2 - r1**2) / (2 * np.maximum(apart, 1e-12))
    return np.asarray(2 * np.sqrt(np.maximum(r0**2 - offset**2, 0.0)))


@check(
    id="hole/spacing",
    rules=(WALL, DUPLICATE, CONCENTRIC, OVERLAP, JOINED),
    limits=("hole_to_hole_mm", "hole_to_hole_same_net_mm"),
    needs=("drill",),
)
def spacing(case: Case) -> Iterator[Finding]:
    """Holes leave a wall between each other, or join on purpose."""
    cuts = case.shared(cuts_of)
    reach = max(case.limit("hole_to_hole_mm"), case.limit("hole_to_hole_same_net_mm"))
    walls = find_walls(cuts, reach)
    apart = np.hypot(
        cuts.x[walls.left] - cuts.x[walls.right], cuts.y[walls.left] - cuts.y[walls.right]
    )
    both_round = cuts.round[walls.left] & cuts.round[walls.right]
    centred = both_round & (apart < COINCIDENT_MM)
    same_size = np.abs(cuts.width[walls.left] - cuts.width[walls.right]) < COINCIDENT_MM
    same = same_size & (cuts.plated[walls.left] == cuts.plated[walls.right])
    place = _pair_places(case, cuts, walls)
    # Two copies of a part may lie on each other; of a via nothing is lost with one of the two.
    via = (cuts.plated[walls.left] == 1) & (cuts.width[walls.left] <= VIA_MM)
    twice, other = centred & same, centred & ~same
    for rule, mine, text, severity in (
        (DUPLICATE, twice & ~via, "the same hole is drilled twice, largest {worst}", None),
        (DUPLICATE, twice & via, "the same via is drilled twice, largest {worst}", Severity.NOTE),
        (CONCENTRIC, other, "two different holes at one place, larger one {worst}", None),
    ):
        rows = np.flatnonzero(mine)
        size = np.maximum(cuts.width[walls.left[rows]], cuts.width[walls.right[rows]])
        found = Measures(size, at_rows(place, rows))
        yield from group(rule, found, text, most=True, severity=severity)
    # A plated hole cut open by a bare one is wrong for certain only when a file calls them so.
    stated = all(f.id != PLATING_INFERRED.id for f in case.board.problems)
    rows = np.flatnonzero(~centred & (walls.wall <= 0))
    width, clean = _openings(cuts, walls.take(rows), apart[rows])
    # Of a row that is joined to one opening no wall is left: the next but one hole is met in it.
    joined = walls.take(rows[clean])
    opening = label_groups(len(cuts.shapes), joined.left, joined.right)
    parted = opening[walls.left] != opening[walls.right]
    for rule, picked, text in (
        (JOINED, clean, "holes joined to one opening, {worst} wide where they meet at the least"),
        (
            OVERLAP,
            ~clean & parted[rows],
            "holes overlap, {worst} wide where they meet at the least",
        ),
    ):
        mine = rows[picked]
        mixed = (cuts.plated[walls.left[mine]] == 0) != (cuts.plated[walls.right[mine]] == 0)
        yield from group(
            rule,
            Measures(width[picked], at_rows(place, mine)),
            text,
            limit=CUSP_MM,
            severity=Severity.ERROR if rule is OVERLAP and stated and mixed.any() else None,
        )
    yield from _thin_walls(case, cuts, walls, np.flatnonzero((walls.wall > 0) & parted))


def _pair_places(case: Case, cuts: Cuts, walls: Walls) -> PlaceOf:
    def place(row: int) -> Place:
        a, b = int(walls.left[row]), int(walls.right[row])
        found = cut_place(case, a)
        line = shapely.intersection(cuts.shapes[a], cuts.shapes[b])
        # Discs that just touch may stand a hair apart as polygons.
        if walls.wall[row] > 0 or shapely.is_empty(line):
            line = shapely.shortest_line(cuts.shapes[a], cuts.shapes[b])
        x, y = shapely.get_coordinates(shapely.centroid(line))[0]
        return case.place(found.file or "", found.offset, x_mm=x, y_mm=y)

    return place


def _openings(cuts: Cuts, walls: Walls, apart: Floats) -> tuple[Floats, Bools]:
    """Width of the opening where two cuts overlap, mm, and whether they join to a clean one."""
    left, right = walls.left, walls.right
    both_round = cuts.round[left] & cuts.round[right]
    width = np.where(
        both_round,
        overlap_width(cuts.width[left] / 2, cuts.width[right] / 2, apart),
        # A slot has no common chord with a hole: a square as large as their common part stands for
        # it.
        np.sqrt(shapely.area(shapely.intersection(cuts.shapes[left], cuts.shapes[right]))),
    )
    # A hole swallowed by another one leaves no flap at all: 9.9 is wider than any limit.
    width = np.where(-walls.wall >= np.minimum(cuts.width[left], cuts.width[right]), 9.9, width)
    bare = (cuts.plated[left] == 0) & (cuts.plated[right] == 0)
    plated = (cuts.plated[left] != 0) & (cuts.plated[right] != 0)
    # One tool hitting closer than its radius is how a slot is drilled without a slot command.
    nibbled = plated & both_round & (apart <= np.minimum(cuts.width[left], cuts.width[right]) / 2)
    slotted = plated & ~both_round
    return width, ((width >= CUSP_MM) & bare) | nibbled | slotted


def _thin_walls(case: Case, cuts: Cuts, walls: Walls, rows: Ints) -> Iterator[Finding]:
    in_row = case.shared(break_rows)
    # A row to break boards apart at has thin walls on purpose.
    rows = rows[~(in_row[walls.left[rows]] & in_row[walls.right[rows]])]
    thin = walls.take(rows)
    island = case.shared(copper_of).pieces.islands_of(len(cuts.shapes))
    # Between holes of one net nothing is shorted when the wall breaks, so another limit holds.
    one = (island[thin.left] >= 0) & (island[thin.left] == island[thin.right])
    place = _pair_places(case, cuts, thin)
    for key, mine, words in (
        ("hole_to_hole_mm", ~one, "thinnest wall between holes"),
        ("hole_to_hole_same_net_mm", one, "thinnest wall between holes of one net"),
    ):
        picked = np.flatnonzero(mine)
        yield from judge(
            case,
            WALL,
            key,
            Measures(thin.wall[picked], at_rows(place, picked), slack=CHORD_ERROR_MM),
            words,
        )


def break_rows(case: Case) -> Bools:
    """Cuts that stand in a row of small bare holes at the edge, to break boards apart."""
    cuts = case.shared(cuts_of)
    out = np.zeros(len(cuts.shapes), dtype=bool)
    if case.board.profile is None:
        return out
    small = np.flatnonzero((cuts.plated == 0) & cuts.round & (cuts.width <= BREAK_MM))
    if len(small) < BREAK_ROW:
        return out
    left, right = shapely.STRtree(cuts.shapes[small]).query(
        cuts.shapes[small], predicate="dwithin", distance=BREAK_WALL_MM
    )
    # Holes of one row are alike; a small hole of another size beside them is no part of it.
    alike = np.abs(cuts.width[small[left]] - cuts.width[small[right]]) < COINCIDENT_MM
    label = label_groups(len(small), left[alike], right[alike])
    rim = shapely.boundary(case.board.profile)
    shapely.prepare(rim)
    at_edge = np.zeros(len(small), dtype=bool)
    at_edge[label[shapely.dwithin(cuts.shapes[small], rim, BREAK_REACH_MM)]] = True
    out[small] = at_edge[label] & (np.bincount(label, minlength=len(small))[label] >= BREAK_ROW)
    return out


def edge_distance(cuts: Cuts, profile: BaseGeometry) -> tuple[Floats, Bools]:
    """Wall between each cut and the nearest board edge, and whether its centre is on the board.

    Returns
    -------
    wall : (n,) float64, mm
        Negative where the cut crosses the edge.
    inside : (n,) bool
    """
    polygons = shapely.get_parts(profile)
    rim = FacetTree(facets_of(polygons))
    centre = shapely.points(cuts.x, cuts.y)
    inside = pieces_at(polygons, centre) >= 0
    distance = rim.distance(centre)
    wall = np.where(inside, distance, -distance) - cuts.width / 2
    wall = np.where(~inside & (distance > cuts.width / 2), -distance, wall)
    slot = np.flatnonzero(~cuts.round & ~shapely.is_empty(cuts.shapes))
    if len(slot):
        apart = rim.distance(cuts.shapes[slot])
        wall[slot] = np.where(apart > 0, apart, -cuts.width[slot] / 2)
        inside[slot] = shapely.intersects(profile, centre[slot])
    return wall, inside


@check(
    id="hole/edge",
    rules=(EDGE_NEAR, CROSSES),
    limits=("hole_to_edge_mm", "hole_to_edge_thickness_ratio"),
    needs=("drill", "profile"),
)
def edge(case: Case) -> Iterator[Finding]:
    """Holes keep away from the board's edge."""
    cuts = case.shared(cuts_of)
    wall, inside = edge_distance(cuts, case.board.profile)
    boundary = shapely.boundary(case.board.profile)
    shapely.prepare(boundary)
    meets = shapely.dwithin(boundary, cuts.shapes, 0.0)
    in_row = case.shared(break_rows)
    if in_row.any():
        rows = np.flatnonzero(in_row)
        yield from group(
            CROSSES,
            Measures(cuts.width[rows], cuts_at(case, rows)),
            "rows of small bare holes at the edge, to break boards apart, largest {worst}",
            most=True,
            severity=Severity.NOTE,
            advice="Nothing, if boards are to be broken apart here; order it as a panel.",
        )
    yield from _crossings(case, np.flatnonzero(case.shared(crossings) & ~in_row))
    near = np.flatnonzero(inside & ~meets & ~in_row)
    thickness = case.thickness_mm or 0.0
    ratio = case.limit("hole_to_edge_thickness_ratio")
    standard, fine = (case.house.limit("hole_to_edge_mm", c) for c in ("standard", "fine"))
    if ratio * thickness > fine.value and near.size:
        rows = near[wall[near] < ratio * thickness - COINCIDENT_MM]
        # What breaks the limit itself is reported by it, and not a second time.
        rows = rows[wall[rows] >= standard.value - COINCIDENT_MM]
        yield from group(
            EDGE_NEAR,
            Measures(wall[rows], cuts_at(case, rows)),
            f"hole {{worst}} from the edge, less than {ratio:g} of the thickness "
            f"({format_mm(thickness)})",
            limit=ratio * thickness,
            severity=Severity.NOTE,
        )

    def where(row: int) -> str:
        x, y = float(cuts.x[near[row]]), float(cuts.y[near[row]])
        return "a cut-out" if at_cut_out(case.board.profile, x, y) else "the edge"

    yield from judge(
        case,
        EDGE_NEAR,
        (standard, fine),
        Measures(wall[near], cuts_at(case, near), where, slack=CHORD_ERROR_MM),
        "hole nearest to",
    )


def crossings(case: Case) -> Bools:
    """Cuts that the board's edge crosses, without those that are drawn as cut-outs, too."""
    cuts, profile = case.shared(cuts_of), case.board.profile
    out = np.zeros(len(cuts.shapes), dtype=bool)
    if profile is None:
        return out
    boundary = shapely.boundary(profile)
    shapely.prepare(boundary)
    rows = np.flatnonzero(shapely.dwithin(boundary, cuts.shapes, 0.0))
    rings = shapely.get_parts(shapely.get_rings(shapely.get_parts(profile)))
    discs = shapely.polygons(rings)
    drawn = np.zeros(len(rows), dtype=bool)
    size = shapely.area(discs)
    for k, cut in enumerate(cuts.shapes[rows]):
        # The same opening in the drill file and in the profile: of much the same size, then.
        alike = discs[np.abs(size - cut.area) < 0.06 * cut.area]
        both = shapely.area(shapely.symmetric_difference(alike, cut))
        drawn[k] = bool(np.any(both < 0.05 * cut.area))
    # What lies in a cut-out but for its rim is the first bite of routing it.
    left = shapely.area(shapely.intersection(cuts.shapes[rows], profile))
    drawn |= left < 0.05 * shapely.area(cuts.shapes[rows])
    out[rows[case.shared(castellations)[rows] | ~drawn]] = True
    return out


def _crossings(case: Case, rows: Ints) -> Iterator[Finding]:
    """Half holes: castellations are meant, others are to be looked at."""
    cuts = case.shared(cuts_of)
    halved, meant = case.shared(half_holes)[rows], case.shared(castellations)[rows]
    for mine, severity, text in (
        (meant, Severity.NOTE, "castellated holes on the edge: order them by name"),
        (
            ~meant & halved,
            Severity.WARNING,
            "plated holes are halved by the board's edge, and no file calls them castellated",
        ),
        (~meant & ~halved, Severity.WARNING, "holes cross the board's edge"),
    ):
        picked = rows[mine]
        yield from group(
            CROSSES,
            Measures(cuts.width[picked], cuts_at(case, picked)),
            text + ", largest {worst}",
            most=True,
            severity=severity,
        )

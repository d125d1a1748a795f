"""Narrowest copper, smallest gaps and sharp corners, measured on each finished layer."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from typing import Final

import numpy as np
import shapely

from fabkit.base.columns import Bools, Floats, Ints
from fabkit.base.copies import side_by_side
from fabkit.base.findings import Finding, Severity
from fabkit.base.units import CHORD_ERROR_MM, COINCIDENT_MM, format_mm
from fabkit.board.copper import Copper
from fabkit.board.model import Layer
from fabkit.checks.copper_facts import (
    SAME_SPOT_MM,
    Spots,
    copper_limits,
    copper_of,
    cuts_of,
    equal_strokes,
    measured_again,
    on_board,
    require_copper,
    strokes_of,
)
from fabkit.checks.copper_objects import painting_strokes
from fabkit.checks.declare import check
from fabkit.checks.model import Case
from fabkit.checks.worst import group, judge
from fabkit.formats.gerber.model import object_shapes
from fabkit.geometry.facing import Facets, FacetTree, Facings, find_facings, thin_out
from fabkit.rules import load_rule

HAIR_MM: Final = 0.02
"""Copper thinner than this is never formed: etch resist does not hold on so narrow a line (common
practice).  Fills drawn with strokes overlap each other by such hairs."""

WALL_MM: Final = 0.02
"""How far from a bare hole's wall copper may begin that the hole itself has cut."""

REACH_MARGIN: Final = 1.0001
"""Facings are looked for a hair beyond the limit, so that one on the limit is seen as kept."""

TRACK: Final = load_rule("copper/track-narrow")
NECK: Final = load_rule("copper/neck-narrow")
SLIVER: Final = load_rule("copper/sliver")
RIM: Final = load_rule("copper/rim-thin")
GAP: Final = load_rule("copper/gap-small")
GAP_OWN: Final = load_rule("copper/gap-within-net")


@dataclass(frozen=True, eq=False)
class Narrow:
    """Narrow gaps and widths of one copper layer.

    Parameters
    ----------
    gaps
        Between islands.
    harmless
        Worst ones of each spot that short nothing when they are bridged: inside one island, or
        beside copper that nothing is connected to.  There are a hundred thousand on a plane.
    widths
        Of copper.
    """

    gaps: Facings
    harmless: Facings
    widths: Facings


def narrow_copper(case: Case) -> tuple[Narrow, ...]:
    """Gaps and widths below the standard limits, per copper layer."""
    gap, width = copper_limits(case, "gap")[0].value, copper_limits(case, "track")[0].value
    gap, width = gap * REACH_MARGIN, width * REACH_MARGIN
    copper = case.shared(copper_of)

    def measure(layer: FacetTree) -> Narrow:
        gaps, widths = find_facings(layer.facets, gap_mm=gap, width_mm=width)
        # So fine a slit inside one conductor closes while it is imaged: nothing is left.
        own = gaps.take(~_shorting(copper, gaps) & (gaps.distance >= HAIR_MM))
        island = copper.pieces.island
        return Narrow(
            gaps=gaps.take(island[gaps.piece0] != island[gaps.piece1]),
            harmless=own.thinned(SAME_SPOT_MM),
            widths=widths,
        )

    works = [partial(measure, layer) for layer in copper.pieces.boundaries]
    return tuple(side_by_side(works, "layers"))


def _shorting(copper: Copper, gaps: Facings) -> Bools:
    """Gaps that join two conductors when they are bridged."""
    one, other = (copper.pieces.island[piece] for piece in (gaps.piece0, gaps.piece1))
    joins: Bools = (one != other) & copper.held[one] & copper.held[other]
    return joins


@check(
    id="copper/gap",
    rules=(GAP, GAP_OWN),
    limits=("gap_mm", "gap_2oz_mm", "gap_3oz_mm"),
    needs=("copper",),
)
def gaps(case: Case) -> Iterator[Finding]:
    """Conductors keep the gap that the house can etch."""
    copper = require_copper(case)
    standard, fine = copper_limits(case, "gap")
    tables: tuple[list[tuple[int, Facings]], ...] = ([], [])
    for index, narrow in enumerate(case.shared(narrow_copper)):
        foreign = narrow.gaps.take(_shorting(copper, narrow.gaps)).thinned(SAME_SPOT_MM)
        # Inside one net a gap costs nothing until it can no longer be etched at all.
        own = narrow.harmless.take(narrow.harmless.distance <= fine.value * REACH_MARGIN)
        for table, some in zip(tables, (foreign, own), strict=True):
            table.append((index, measured_again(case, index, some, inside=False)))
    for rule, table, words in (
        (GAP, tables[0], "smallest gap"),
        (GAP_OWN, tables[1], "smallest gap inside one net"),
    ):
        spots = Spots.gather(case, table)
        yield from judge(
            case,
            rule,
            (standard if rule is GAP else fine, fine),
            spots.measures(case),
            words,
        )


@check(
    id="copper/width",
    rules=(TRACK, NECK, SLIVER, RIM),
    limits=("track_mm", "track_2oz_mm", "track_3oz_mm", "sliver_mm"),
    needs=("copper",),
)
def widths(case: Case) -> Iterator[Finding]:
    """Tracks and the necks of fills are wide enough to survive etching."""
    require_copper(case)
    tracks, rest = [], []
    for index, narrow in enumerate(case.shared(narrow_copper)):
        found = narrow.widths
        paints = painting_strokes(case, index)
        # Where an area that is painted ends, it is as wide as the pen: a tip, and no track.
        tip = pen_at(case.board.copper[index], found, np.flatnonzero(paints))
        found = found.take(np.abs(found.distance - tip) > COINCIDENT_MM + CHORD_ERROR_MM)
        pen = pen_at(case.board.copper[index], found, np.flatnonzero(~paints))
        # A stroke as narrow as the copper it leaves is a track; other narrow copper is the rest
        # of a fill, a pad or a text.
        is_track = np.abs(found.distance - pen) <= COINCIDENT_MM + CHORD_ERROR_MM
        # The pen is exact, the measure is off by the chords of its arcs.
        some = found.take(is_track).with_columns(distance=pen[is_track])
        tracks.append((index, some.thinned(SAME_SPOT_MM)))
        some = found.take(~is_track).thinned(SAME_SPOT_MM)
        rest.append((index, measured_again(case, index, some, inside=True)))
    spots = Spots.gather(case, tracks)
    yield from judge(
        case,
        TRACK,
        copper_limits(case, "track"),
        spots.measures(case, slack=COINCIDENT_MM),
        "narrowest track",
    )
    sliver = case.limit("sliver_mm")
    spots = Spots.gather(case, rest)
    rim, hole = at_bare_walls(case, spots)
    yield from _rims(case, spots.take(rim), hole[rim], sliver)
    spots = spots.take(~rim)
    thin = spots.value < sliver - spots.slack
    necks = spots.take(~thin)
    yield from judge(
        case, NECK, copper_limits(case, "track"), necks.measures(case), "narrowest neck"
    )
    hair = spots.value < HAIR_MM
    for mine, severity, text in (
        (thin & ~hair, None, f"thinner than {format_mm(sliver)} may come loose"),
        (thin & hair, Severity.NOTE, "a hair like this is not formed, and joins nothing"),
    ):
        slivers = spots.take(mine)
        yield from group(
            SLIVER,
            slivers.measures(case),
            f"copper only {{worst}} wide {{where}}; {text}",
            limit=sliver,
            severity=severity,
        )


def at_bare_walls(case: Case, spots: Spots) -> tuple[Bools, Ints]:
    """Narrow copper between a bare hole's wall and the next edge, and the hole; -1 without."""
    cuts = case.shared(cuts_of)
    bare = np.flatnonzero(cuts.plated == 0)
    hole = np.full(len(spots), -1)
    if len(bare) and len(spots):
        (row, near), apart = shapely.STRtree(cuts.shapes[bare]).query_nearest(
            shapely.points(spots.x, spots.y), all_matches=False, return_distance=True
        )
        # Copper is cut a hair outside every bare hole; the spot is the middle of what is left.
        close = apart <= spots.value[row] / 2 + WALL_MM
        hole[row[close]] = bare[near[close]]
    return hole >= 0, hole


def _rims(case: Case, spots: Spots, hole: Ints, limit: float) -> Iterator[Finding]:
    """Report pads hardly larger than the bare hole in them, one place a hole and layer."""
    # A hair of a rim is not formed: such a pad is as large as its hole.
    thin = np.flatnonzero((spots.value < limit - spots.slack) & (spots.value >= HAIR_MM))
    order = thin[np.argsort(spots.value[thin], kind="stable")]
    keys = hole[order] * len(case.board.copper) + spots.layer[order]
    rims = spots.take(order[np.sort(np.unique(keys, return_index=True)[1])])
    yield from group(
        RIM,
        rims.measures(case),
        f"non-plated holes keep a rim of copper only {{worst}} wide {{where}}; "
        f"thinner than {format_mm(limit)} may come loose",
        limit=limit,
    )


def pen_at(layer: Layer, found: Facings, asked: Ints) -> Floats:
    """Width of the narrowest of some strokes over each facing, mm; inf where none runs there."""
    rows, width = strokes_of(layer)
    mine = np.isin(rows, asked)
    rows, width = rows[mine], width[mine]
    out = np.full(len(found), np.inf)
    if not len(found):
        return out
    # A pen wider than all of these places made none of them: its shapes need not be built.
    thin = width <= found.distance.max() + COINCIDENT_MM + CHORD_ERROR_MM
    rows, width = rows[thin], width[thin]
    if not len(rows):
        return out
    once = equal_strokes(layer, rows)[1]
    rows, width = rows[once], width[once]
    shapes = object_shapes(layer.file, rows)
    spot, shape = shapely.STRtree(shapes).query(
        shapely.points(found.x, found.y), predicate="intersects"
    )
    np.minimum.at(out, spot, width[shape])
    return out


ROUNDING_DEG: Final = 0.5
"""How far an angle may be off through rounded coordinates."""

ARM_MM: Final = 0.1
"""Straight runs of copper edge at least this long on both sides make a corner."""

TRAP: Final = load_rule("copper/acid-trap")


@check(id="copper/acid-traps", rules=(TRAP,), limits=("acid_trap_deg",), needs=("copper",))
def acid_traps(case: Case) -> Iterator[Finding]:
    """Copper meets copper at no sharp angle."""
    limit = case.limit("acid_trap_deg")
    found: list[Spots] = []
    for index, layer in enumerate(require_copper(case).pieces.boundaries):
        angle, x, y = open_corners(layer.facets)
        mine = np.flatnonzero((angle < limit) & on_board(case, x, y))
        mine = mine[np.argsort(angle[mine], kind="stable")]
        mine = mine[thin_out(x[mine], y[mine], SAME_SPOT_MM)]
        places = np.column_stack((x[mine], y[mine]))
        found.append(Spots.on_layer(index, angle[mine], places))
    yield from judge(
        case,
        TRAP,
        "acid_trap_deg",
        Spots.concat(*found).measures(case, slack=ROUNDING_DEG),
        "sharpest corner between copper",
    )


def open_corners(facets: Facets) -> tuple[Floats, Floats, Floats]:
    """Angle of the open ground at every corner of copper that points inwards, degrees; x, y.

    Corners of arcs and of steps shorter than :data:`ARM_MM` are left out: no etchant stays there.
    """
    dx, dy = facets.x1 - facets.x0, facets.y1 - facets.y0
    after = facets.after
    cross = dx * dy[after] - dy * dx[after]
    dot = dx * dx[after] + dy * dy[after]
    # Copper lies on the left, so that the open ground narrows where the boundary turns right.
    turn = -np.degrees(np.arctan2(cross, dot))
    length = np.hypot(dx, dy)
    rows = np.flatnonzero((turn > 0) & (length >= ARM_MM) & (length[after] >= ARM_MM))
    return 180.0 - turn[rows], facets.x1[rows], facets.y1[rows]

"""Copper around holes: the ring a drill leaves of its pad, and foreign copper too near."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Bools, Floats, Ints, Shapes
from fabkit.base.findings import Finding, Place, Severity
from fabkit.base.units import CHORD_ERROR_MM, COINCIDENT_MM, counted, format_mm, format_number
from fabkit.board.connectivity import TOUCH_MM, pieces_at
from fabkit.board.copper import Copper
from fabkit.checks.copper_facts import (
    Cuts,
    Spots,
    close_ups,
    cut_place,
    cuts_at,
    cuts_of,
    half_holes,
    remeasure,
    require_copper,
    strokes_of,
)
from fabkit.checks.declare import check
from fabkit.checks.model import Case
from fabkit.checks.worst import Measures, group, judge
from fabkit.formats.gerber.model import Kind
from fabkit.geometry.areas import clip_each, clip_to_box, touched
from fabkit.geometry.facing import FacetTree
from fabkit.geometry.neighbours import grown
from fabkit.package.model import RoleKind
from fabkit.rules import load_rule

SAMPLES: Final = 720
"""Directions in which a broken ring is looked at: half a degree each."""

_AT_ONCE: Final = 200
"""Cuts whose edges are looked for at once: each may have hundreds."""

BREAKOUT_DEG: Final = 90.0
"""Breakout that IPC-6012 lets a class 2 board have as made."""

SAME_RING_MM: Final = 0.01
"""A ring measured again that differs by more has met something else."""

SAME_PLACE_MM: Final = 0.05
"""A pad nearer to a hole's middle is that hole's own: two roundings of a coarse inch format."""

RIM_SHARE: Final = 0.5
"""Part of a bare hole's rim in copper, from which that copper was not drawn around it: what only
touches it, such as a pad beside it, covers less (a choice of ours)."""

FORGOTTEN_SHARE: Final = 0.2
"""Holes of one size without a pad on a face, by all of that size, up to which the pad is forgotten
rather than left out on purpose (a choice of ours)."""

OPENED_SHARE: Final = 0.5
"""The same where the mask of the face is open over the hole."""

RING_THIN: Final = load_rule("hole/ring-thin")
RING_BROKEN: Final = load_rule("hole/ring-broken")
NO_COPPER: Final = load_rule("hole/plated-without-copper")
NO_PAD: Final = load_rule("hole/pad-missing")
BARE_NEAR: Final = load_rule("hole/copper-near-bare")
BARE_PAD: Final = load_rule("hole/bare-through-copper")


@dataclass(frozen=True, eq=False)
class Rings:
    """Ring of every plated cut on every layer whose copper it touches.

    Parameters
    ----------
    cut, layer : (n,) int64
        Row of :class:`Cuts`; layer from 0.
    ring : (n,) float64, mm
        Least copper around the hole; negative where it breaks out.
    open_deg : (n,) float64
        Part of the rim without copper.
    exact : (n,) bool
        The ring follows from radii and centres; others are off by a chord or two.
    """

    cut: Ints
    layer: Ints
    ring: Floats
    open_deg: Floats
    exact: Bools

    @property
    def swallowed(self) -> Bools:
        """(n,) bool: the pad is no larger than its hole, so no copper is left of it."""
        return self.open_deg >= 360.0 * (1 - 0.5 / SAMPLES)


def rings_of(case: Case) -> Rings:
    """Measure all annular rings."""
    copper, cuts = require_copper(case), case.shared(cuts_of)
    joints = copper.pieces.joints
    touched = np.unique(
        np.column_stack((joints[:, 0], copper.pieces.layer[joints[:, 1]])), axis=0
    ).reshape(-1, 2)
    ring, broken = np.zeros(len(touched)), np.zeros(len(touched))
    exact = np.zeros(len(touched), dtype=bool)
    for index, facets in enumerate(copper.pieces.boundaries):
        polygons = copper.pieces.polygons[copper.pieces.on_layer(index)]
        mine = np.flatnonzero(touched[:, 1] == index)
        if len(mine):
            rows = touched[mine, 0]
            ring[mine], broken[mine] = _measure(facets, polygons, cuts, rows)
            circles = _as_circles(copper, index, cuts, rows, ring[mine])
            exact[mine] = circles != ring[mine]
            ring[mine] = circles
    return Rings(
        touched[:, 0].astype(np.int64), touched[:, 1].astype(np.int64), ring, broken, exact
    )


def _measure(layer: FacetTree, polygons: Shapes, cuts: Cuts, rows: Ints) -> tuple[Floats, Floats]:
    """Ring and open part of the rim of some cuts on one layer."""
    ring, broken = np.zeros(len(rows)), np.zeros(len(rows))
    centre = shapely.points(cuts.x[rows], cuts.y[rows])
    inside = pieces_at(polygons, centre) >= 0
    ring[:] = layer.distance(centre) - cuts.width[rows] / 2
    # A drill centre on solid copper whose nearest edge lies outside the drill: done.  The others
    # have pads with a hole of their own, break out, or are slots.
    rest = np.flatnonzero(~(cuts.round[rows] & inside & (ring > 0)))
    tree, shapes = shapely.STRtree(polygons), cuts.shapes[rows[rest]]
    wider = shapely.buffer(shapes, TOUCH_MM)
    for k, shape, rim in zip(rest.tolist(), shapes, wider, strict=True):
        ring[k], broken[k] = _broken_out(tree, shape, rim.exterior)
    whole = broken[rest] == 0
    ring[rest[whole]] = _to_edges(layer, shapes[whole], wider[whole])
    return ring, broken


def _as_circles(copper: Copper, layer: int, cuts: Cuts, rows: Ints, ring: Floats) -> Floats:
    """Give the same rings, from radii and centres where a round pad alone decides.

    Chords lie up to their error inside the circle; a coarse measure that much below a round
    pad's ring is that ring.
    """
    diameters = np.array(
        [a.diameter_mm or np.nan for a in copper.board.copper[layer].file.apertures]
    )
    pads = copper.pads.take(copper.pads.layer == layer)
    aperture = copper.board.copper[layer].file.objects.aperture[pads.row]
    width = np.where(aperture >= 0, diameters[aperture], np.nan) if len(diameters) else np.nan
    width = np.broadcast_to(width, len(pads))
    known = np.flatnonzero(~np.isnan(width))
    if not len(known):
        return ring
    (cut, pad), apart = shapely.STRtree(shapely.points(pads.x[known], pads.y[known])).query_nearest(
        shapely.points(cuts.x[rows], cuts.y[rows]), max_distance=0.5, return_distance=True
    )
    exact = np.full(len(rows), -np.inf)
    np.maximum.at(exact, cut, (width[known[pad]] - cuts.width[rows[cut]]) / 2 - apart)
    # A larger difference shows that something else than the round pad bounds the copper here.
    decides = cuts.round[rows] & (np.abs(exact - ring) <= 2 * CHORD_ERROR_MM) & (exact > 0)
    return np.where(decides, exact, ring)


def _broken_out(
    polygons: shapely.STRtree, shape: BaseGeometry, rim: BaseGeometry
) -> tuple[float, float]:
    """How far a cut breaks out, and the open part of its rim, degrees; 0 where it does not."""
    box = shapely.box(*shape.bounds).buffer(0.1)
    # A pour over the whole layer is cut down to the hole before hundreds of spots are tried on it.
    local = clip_to_box(polygons.geometries[polygons.query(box)], box.bounds)
    # Mostly one polygon holds the whole rim, and no spot need be tried.
    if shapely.covers(local, rim).any():
        return 0.0, 0.0
    spots = shapely.line_interpolate_point(rim, np.arange(SAMPLES) / SAMPLES, normalized=True)
    covered = np.zeros(SAMPLES, dtype=bool)
    for polygon in local:
        covered |= shapely.intersects(polygon, spots)
    if covered.all():
        return 0.0, 0.0
    bare = spots[~covered]
    depth = shapely.distance(shapely.union_all(local), bare).max() if len(local) else 0.0
    return min(-float(depth) + TOUCH_MM, 0.0), float(360.0 * (1 - covered.mean()))


def _to_edges(layer: FacetTree, shapes: Shapes, wider: Shapes) -> Floats:
    """Ring of cuts that copper surrounds: from each to the nearest edge outside it, (n,) float64.

    Edges are looked for within 1 mm: a ring without any is at least that wide.  Edges of the pad's
    own hole lie under the drill and go with it.
    """
    ring = np.full(len(shapes), np.inf)
    shapely.prepare(wider)
    for at in range(0, len(shapes), _AT_ONCE):
        row, facet = layer.within(shapes[at : at + _AT_ONCE], 1.0)
        row, lines = row + at, layer.lines(facet)
        outside = ~shapely.covers(wider[row], lines)
        row = row[outside]
        np.minimum.at(ring, row, shapely.distance(lines[outside], shapes[row]))
    return np.where(np.isinf(ring), 1.0, ring)


def _around(case: Case, cut: Ints, layer: Ints, values: Floats) -> Measures:
    """Measures of copper around cuts, each on one layer."""

    def place(row: int) -> Place:
        return cut_place(case, int(cut[row]), side=case.board.copper[layer[row]].side)

    def where(row: int) -> str:
        return f"on {case.board.copper[layer[row]].name}"

    return Measures(values, place, where, CHORD_ERROR_MM)


def _closer(case: Case, cut: Ints, layer: Ints, coarse: Floats) -> Floats:
    """Give the same copper around round cuts, measured again in close-ups."""
    cuts = case.shared(cuts_of)

    def measure(rows: Ints) -> Floats:
        x, y, radius = cuts.x[cut[rows]], cuts.y[cut[rows]], cuts.width[cut[rows]] / 2
        fine = coarse[rows].copy()
        for index in np.unique(layer[rows]).tolist():
            mine = layer[rows] == index
            fine[mine] = case.shared(close_ups)[index].edge_distances(
                x[mine], y[mine], radius[mine] + fine[mine] + 0.05
            )
            fine[mine] -= radius[mine]
        return np.where(np.abs(fine - coarse[rows]) < SAME_RING_MM, fine, coarse[rows])

    return remeasure(coarse, measure)


@check(
    id="hole/annular-ring",
    rules=(RING_THIN, RING_BROKEN),
    limits=("annular_ring_mm", "annular_ring_component_preferred_mm"),
    needs=("drill", "copper"),
)
def annular_ring(case: Case) -> Iterator[Finding]:
    """Every plated hole keeps enough copper around it on every layer that it joins."""
    rings, cuts = case.shared(rings_of), case.shared(cuts_of)
    castellated = case.shared(half_holes)
    preferred = case.limit("annular_ring_component_preferred_mm")
    # The edge cuts the ring of a castellation on purpose.
    usual = ~castellated[rings.cut] if len(rings.cut) else np.zeros(0, bool)
    broken = np.flatnonzero(usual & (rings.open_deg > 0) & ~rings.swallowed)
    if len(broken):
        worst = float(rings.open_deg[broken].max())
        yield from group(
            RING_BROKEN,
            _around(case, rings.cut, rings.layer, rings.ring).take(broken),
            f"holes break out of their pads over up to {format_number(worst, digits=0)} degrees of "
            f"the rim, by up to {format_mm(-rings.ring[broken].min())} {{where}}",
            limit=0.0,
            severity=Severity.ERROR if worst > BREAKOUT_DEG else Severity.WARNING,
        )
    whole = np.flatnonzero(usual & (rings.open_deg == 0))
    ring = rings.ring[whole].copy()
    # A close-up is dear. Wider rings pass in either measure, and those from radii are exact
    # already.
    doubtful = np.flatnonzero(
        (ring > 0) & (ring < preferred) & cuts.round[rings.cut[whole]] & ~rings.exact[whole]
    )

    cut, layer = rings.cut[whole], rings.layer[whole]
    ring[doubtful] = _closer(case, cut[doubtful], layer[doubtful], ring[doubtful])
    yield from judge(
        case,
        RING_THIN,
        "annular_ring_mm",
        _around(case, cut, layer, ring),
        "thinnest annular ring",
    )


@check(id="hole/pad", rules=(NO_COPPER, NO_PAD), needs=("drill", "outer-copper"))
def pads(case: Case) -> Iterator[Finding]:
    """Every plated hole has copper to hold on to."""
    copper, cuts = require_copper(case), case.shared(cuts_of)
    joints = copper.pieces.joints
    drawn = np.zeros((len(cuts.shapes), len(case.board.copper)), dtype=bool)
    drawn[joints[:, 0], copper.pieces.layer[joints[:, 1]]] = True
    # A pad no larger than its hole is drawn, but the drill takes all of it away.
    rings, joined = case.shared(rings_of), drawn.copy()
    joined[rings.cut[rings.swallowed], rings.layer[rings.swallowed]] = False
    plated = (cuts.plated == 1) & (cuts.width > 0)
    lonely = plated & ~joined.any(axis=1)
    for mine, words in (
        (~drawn.any(axis=1), "without any copper"),
        (drawn.any(axis=1), "with pads no larger than the hole, so that no copper is left"),
    ):
        rows = np.flatnonzero(lonely & mine)
        yield from group(
            NO_COPPER,
            Measures(cuts.width[rows], cuts_at(case, rows)),
            f"{counted(len(rows), 'plated hole')} {words}, the largest {{worst}}",
            most=True,
        )
    for index, layer in enumerate(case.board.copper):
        if layer.side is None:
            continue
        spans = (cuts.first <= index + 1) & (cuts.last >= index + 1)
        lacking = plated & spans & joined.any(axis=1) & ~joined[:, index]
        # What few of the holes of one size lack is forgotten; what most lack is meant.
        size = np.round(cuts.width / COINCIDENT_MM).astype(np.int64)
        _, kind = np.unique(size, return_inverse=True)
        share = np.bincount(kind, lacking)[kind] / np.bincount(kind, plated).clip(1)[kind]
        few = share <= FORGOTTEN_SHARE
        # An opening on this face was made for a pad that some of them have.
        few |= (share <= OPENED_SHARE) & _opened(case, str(layer.side), cuts)
        for mine, severity in ((lacking & few, Severity.WARNING), (lacking & ~few, None)):
            rows = np.flatnonzero(mine)
            yield from group(
                NO_PAD,
                Measures(cuts.width[rows], cuts_at(case, rows, side=layer.side)),
                f"{counted(len(rows), 'plated hole')} without a pad on {layer.name}"
                + (", where others of the same size have one" if severity else ""),
                most=True,
                severity=severity,
            )


def _opened(case: Case, side: str, cuts: Cuts) -> Bools:
    """Which holes the mask of one side leaves open."""
    out = np.zeros(len(cuts.shapes), dtype=bool)
    middles = shapely.points(cuts.x, cuts.y)
    for layer in case.board.layers:
        if layer.kind is RoleKind.MASK and layer.side == side and not layer.negative:
            out |= touched(middles, shapely.get_parts(layer.file.image))
    return out


@check(
    id="hole/bare-clearance",
    rules=(BARE_NEAR, BARE_PAD),
    limits=("nonplated_to_copper_mm",),
    needs=("drill", "copper"),
)
def bare_clearance(case: Case) -> Iterator[Finding]:
    """Copper keeps clear of non-plated holes."""
    layers, cuts = require_copper(case).pieces.boundaries, case.shared(cuts_of)
    bare = np.flatnonzero(cuts.plated == 0)
    if not len(bare):
        return
    distance = np.stack([nearest_copper(facets, cuts, bare) for facets in layers])
    # Pieces were cut a hair outside every bare hole, so copper that reached its wall is there.
    through = (distance <= 2 * TOUCH_MM).any(axis=0)
    nearest = distance.argmin(axis=0)
    near = np.flatnonzero(~through)
    least = distance.min(axis=0)
    close = near[least[near] < case.limit("nonplated_to_copper_mm")]
    close = close[cuts.round[bare[close]]]
    least[close] = _closer(case, bare[close], nearest[close], least[close])
    yield from judge(
        case,
        BARE_NEAR,
        "nonplated_to_copper_mm",
        _around(case, bare[near], nearest[near], least[near]),
        "copper nearest to a non-plated hole",
    )
    severed, (parted, gone, padded) = _severing(case, bare), _parting(case, bare)
    blind = through & ~severed & ~padded
    blind[blind] = _without_clearance(case, bare[blind])
    for mine, severity, text, advice in (
        (through & ~severed & ~parted & ~blind, None, "drilled through copper", ""),
        (
            blind,
            Severity.WARNING,
            "through copper that keeps no clearance around it",
            "Fill the pours again and export copper and holes together.",
        ),
        (
            severed & ~parted,
            Severity.WARNING,
            "cutting a track in two",
            "Move the hole or the track.",
        ),
        (parted & ~gone, Severity.WARNING, _PARTED, _PLATE),
        (
            parted & gone,
            Severity.ERROR,
            "as wide as the pads there that tracks lead to, so that no pad is left",
            _PLATE,
        ),
    ):
        rows = np.flatnonzero(mine)
        yield from group(
            BARE_PAD,
            _around(case, bare[rows], nearest[rows], cuts.width[bare[rows]]),
            f"{counted(len(rows), 'non-plated hole')} {text}, the largest {{worst}}",
            most=True,
            severity=severity,
            advice=advice,
        )


_PARTED: Final = "where tracks lead to pads on two layers, so that nothing joins the layers"
_PLATE: Final = (
    "Export these holes as plated, narrower than their pads, if a pin or a joint belongs there."
)


def _parting(case: Case, rows: Ints) -> tuple[Bools, Bools, Bools]:
    """Bare cuts in the middle of pads on several layers, where a track ends.

    A hole for a screw or a post may stand in pads; one that tracks are drawn to joins them.

    Returns
    -------
    parted, gone, padded : (n,) bool
        Which do so, which of the cuts leave nothing of their pads, and which stand in any.
    """
    copper, cuts = require_copper(case), case.shared(cuts_of)
    pads, middles = copper.pads, shapely.points(cuts.spots()[rows])
    cut, pad = shapely.STRtree(shapely.points(pads.spots())).query(
        middles, predicate="dwithin", distance=SAME_PLACE_MM
    )
    on = np.zeros((len(rows), len(case.board.copper)), dtype=bool)
    on[cut, pads.layer[pad]] = True
    gone = np.ones(len(rows), dtype=bool)
    wide = shapely.buffer(cuts.shapes[rows[cut]], TOUCH_MM)
    gone[cut[~shapely.covers(wide, copper.pad_shapes[pad])]] = False
    led = np.zeros(len(rows), dtype=bool)
    tree = shapely.STRtree(cuts.shapes[rows])
    for layer in case.board.copper:
        drawn = layer.file.objects.take(strokes_of(layer)[0])
        ends = shapely.points(np.concatenate((drawn.starts(), drawn.ends())))
        led[tree.query(ends, predicate="intersects")[1]] = True
    return np.asarray(led & (on.sum(axis=1) > 1)), gone, np.asarray(on.any(axis=1))


def _without_clearance(case: Case, rows: Ints) -> Bools:
    """Cuts of which a good part of the rim lies in copper of one layer: not made for each other."""
    pieces, cuts = require_copper(case).pieces, case.shared(cuts_of)
    out = np.zeros(len(rows), dtype=bool)
    rims = shapely.boundary(shapely.buffer(cuts.shapes[rows], 2 * TOUCH_MM))
    tree = shapely.STRtree(rims)
    for index in range(len(case.board.copper)):
        polygons = pieces.polygons[pieces.on_layer(index)]
        polygon, rim = tree.query(polygons, predicate="intersects")
        local = clip_each(polygons[polygon], grown(shapely.bounds(rims[rim]), TOUCH_MM))
        inside = shapely.length(shapely.intersection(rims[rim], local))
        covered = np.bincount(rim, inside, minlength=len(rows))
        out |= covered > RIM_SHARE * shapely.length(rims)
    return out


def _severing(case: Case, rows: Ints) -> Bools:
    """Round cuts over the whole width of a track, or over its bend, whose ends are apart then."""
    copper, cuts = require_copper(case), case.shared(cuts_of)
    out = np.zeros(len(rows), dtype=bool)
    discs = shapely.points(cuts.x[rows], cuts.y[rows])
    for index, layer in enumerate(case.board.copper):
        objects = layer.file.objects
        strokes, pen = strokes_of(layer)
        straight = (objects.kind[strokes] == Kind.DRAW) & np.isfinite(pen)
        strokes, pen = strokes[straight], pen[straight]
        drawn = objects.take(strokes)
        ends = np.stack((drawn.starts(), drawn.ends()), axis=1)
        lines = shapely.linestrings(ends)
        cut, line = shapely.STRtree(lines).query(
            discs, predicate="dwithin", distance=cuts.width[rows] / 2
        )
        radius = cuts.width[rows[cut]] / 2
        over = shapely.distance(discs[cut], lines[line]) <= radius - pen[line] / 2
        over &= cuts.round[rows[cut]]
        away = np.hypot(
            *np.moveaxis(ends[line] - shapely.get_coordinates(discs[cut])[:, None], 2, 0)
        )
        over &= (away > radius[:, None]).all(axis=1)
        polygons = copper.pieces.polygons[copper.pieces.on_layer(index)]
        piece = pieces_at(polygons, shapely.points(ends[line[over]].reshape(-1, 2))).reshape(-1, 2)
        apart = (piece[:, 0] != piece[:, 1]) & (piece >= 0).all(axis=1)
        out[cut[over][apart]] = True
        # Tracks that meet in the cut go on from its other side.
        into = (away < radius[:, None]).sum(axis=1) == 1
        into &= cuts.round[rows[cut]]
        cut, outer = cut[into], ends[line[into], np.argmax(away[into], axis=1)]
        rest = pieces_at(polygons, shapely.points(outer))
        met = np.unique(np.column_stack((cut, rest))[rest >= 0], axis=0)[:, 0]
        out |= np.bincount(met, minlength=len(rows)) > 1
    return out


def nearest_copper(layer: FacetTree, cuts: Cuts, rows: Ints) -> Floats:
    """Distance from each cut's wall to the nearest copper edge of a layer, mm; inf without any."""
    away = layer.distance(_middles(cuts, rows)) - _radii(cuts, rows)
    return np.asarray(np.maximum(away, 0.0))


INNER_NEAR: Final = load_rule("hole/inner-copper-near")


@check(
    id="hole/inner-clearance",
    rules=(INNER_NEAR,),
    limits=("plated_to_inner_copper_mm",),
    needs=("drill", "copper"),
)
def inner_clearance(case: Case) -> Iterator[Finding]:
    """Foreign copper of inner layers keeps clear of plated holes."""
    copper, cuts = require_copper(case), case.shared(cuts_of)
    island = copper.pieces.islands_of(len(cuts.shapes))
    reach = case.limit("plated_to_inner_copper_mm")
    found: list[Spots] = []
    for index, layer in enumerate(case.board.copper):
        if layer.side is not None:
            continue
        passed = (cuts.first <= index + 1) & (cuts.last >= index + 1)
        rows = np.flatnonzero((cuts.plated != 0) & passed)
        facets, middles = copper.pieces.boundaries[index], _middles(cuts, rows)
        hole, facet = facets.within(middles, _radii(cuts, rows) + reach)
        foreign = copper.pieces.island[facets.facets.piece[facet]] != island[rows[hole]]
        hole, facet = hole[foreign], facet[foreign]
        wall = facets.apart(middles[hole], facet)
        wall = np.maximum(wall - _radii(cuts, rows)[hole], 0.0)
        order = np.lexsort((wall, hole))
        worst = order[np.unique(hole[order], return_index=True)[1]]
        at = rows[hole[worst]]
        found.append(Spots.on_layer(index, wall[worst], cuts.spots()[at]))
    yield from judge(
        case,
        INNER_NEAR,
        "plated_to_inner_copper_mm",
        Spots.concat(*found).measures(case, slack=CHORD_ERROR_MM),
        "foreign inner copper nearest to a plated hole",
    )


def _middles(cuts: Cuts, rows: Ints) -> Shapes:
    """Round holes as points, slots as they are: distances less :func:`_radii` are to the wall."""
    points = shapely.points(cuts.x[rows], cuts.y[rows])
    return np.asarray(np.where(cuts.round[rows], points, cuts.shapes[rows]), dtype=object)


def _radii(cuts: Cuts, rows: Ints) -> Floats:
    return np.asarray(np.where(cuts.round[rows], cuts.width[rows] / 2, 0.0))

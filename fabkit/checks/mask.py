"""Solder mask: openings against pads, webs, copper laid bare, polarity."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Bools, Floats, Ints, Shapes
from fabkit.base.findings import Finding, Severity
from fabkit.base.units import AREA_MM2, CHORD_ERROR_MM, COINCIDENT_MM, format_mm, format_number
from fabkit.board.copper import ATTACHED, VIA_MM, Copper
from fabkit.board.model import Layer
from fabkit.checks.copper_facts import (
    SAME_SPOT_MM,
    along_edge,
    cuts_of,
    midway,
    on_board,
    require_copper,
    ties_of,
)
from fabkit.checks.declare import check
from fabkit.checks.model import Case
from fabkit.checks.worst import Measures, group, judge, spots_at
from fabkit.formats.gerber.model import object_shapes
from fabkit.geometry.areas import clip_each, touched
from fabkit.geometry.facing import facets_of, find_gaps, thin_out
from fabkit.geometry.neighbours import PointTree, boxes_of_groups, label_groups
from fabkit.package.model import RoleKind
from fabkit.rules import load_rule

INVERTED_SHARE: Final = 0.6
"""A mask file that paints more of the board than this, and not its pads, paints the mask."""

SHIFT_MM: Final = 0.05
"""An opening further than this off its pad's middle is shifted (common practice)."""

BARED_SHARE: Final = 0.5
"""A pad bared by less than this takes too little solder (a choice of ours: lands that the mask
bounds on purpose lose some hundredths of a millimetre at their rim)."""

RUNS_ONTO_MM: Final = 0.1
"""Mask that runs further onto one pad of many is a slip: printing is off by half of that (common
practice)."""

NEARLY_ALL: Final = 0.8
FEWEST_PADS: Final = 6
"""Mask on so large a share of the pads of a face, and on so many, is a mistake of the export."""

WEB_FITS_MM: Final = 0.35
"""Between pads this far apart a web fits in beside two usual margins; nearer ones, of fine pitches
and solder jumpers, often share an opening on purpose (common practice)."""

FEW: Final = 2
"""So many places of a face may be slips where a pattern would need more."""

JOINED: Final = 0.5
"""Odd pads, by the others of their size, up to which one or two are slips: of a header of six."""

SAME_PLACE_MM: Final = 0.05
"""A hole whose middle is this near to that of a pad is its hole."""

ALONE: Final = 0.2
"""Covered pads, by those open of the same size, up to which they are forgotten rather than meant
(a choice of ours; covered pads that are meant are covered all alike)."""

SLIPS: Final = 3
"""Parts that lack paste or openings, all beyond a line or each in part, from which it is no choice;
one of as many pads must lack it alone of its part (choices of ours)."""

LOOK_MM: Final = 0.02
"""Pads whose sizes differ by less are alike: twice the error of arcs drawn as chords."""

OF_PART_MM: Final = 3.0
"""Pads of one size within this are mostly of one part: the longest usual two-pad diodes (SOD-123)
have them 3.3 mm apart, chips of all usual sizes less."""

WEB: Final = load_rule("mask/web-thin")
USUAL_MARGIN_MM: Final = 0.16
"""Openings reach 0.05 to 0.10 mm beyond their pads (published maker guides), in old libraries
of footprints 0.15 (common practice)."""

MISSING: Final = load_rule("mask/opening-missing")
SMALL: Final = load_rule("mask/opening-small")
TIGHT: Final = load_rule("mask/opening-tight")
SHIFTED: Final = load_rule("mask/opening-shifted")
TINY_MM2: Final = 0.3
"""Lands are larger: half a millimetre square and more (common practice)."""
SEVERAL: Final = 4
"""Pads treated alike of which none is an exception are drawn so on purpose (a choice of ours)."""
FEW_SHARE: Final = 0.25
"""Where more of all pads are treated so, the whole layer may be wrong (a choice of ours)."""
TRACK_BARED: Final = load_rule("mask/track-bared")
SHARED: Final = load_rule("mask/opening-shared")
INVERTED: Final = load_rule("mask/inverted")


@dataclass(frozen=True, eq=False)
class MaskSide:
    """Openings of one side, with the copper layer and the pads beneath.

    ``pads`` are rows of ``Copper.pads``.
    """

    layer: Layer
    copper: Layer
    copper_index: int
    openings: Shapes
    pads: Ints
    attached: Bools

    @cached_property
    def tree(self) -> shapely.STRtree:
        """Tree over ``openings``."""
        return shapely.STRtree(self.openings)

    def over(self, shapes: Shapes) -> Bools:
        """Which openings lie over any of some shapes, (len(openings),) bool."""
        out = np.zeros(len(self.openings), dtype=bool)
        out[self.tree.query(shapes, predicate="intersects")[1]] = True
        return out


def copper_under(case: Case, layer: Layer) -> int | None:
    """Copper layer, from 0, that lies beneath a mask or paste layer; None without one."""
    return next((k for k, c in enumerate(case.board.copper) if c.side == layer.side), None)


def mask_sides(case: Case) -> tuple[MaskSide, ...]:
    """Both mask layers that have a copper layer beneath."""
    copper = require_copper(case)
    made = []
    for layer in case.board.layers:
        under = copper_under(case, layer)
        if layer.kind is not RoleKind.MASK or under is None:
            continue
        image = layer.file.image
        if layer.negative and case.board.profile is not None:
            image = shapely.difference(case.board.profile, image)
        pads = np.flatnonzero(
            (copper.pads.layer == under) & on_board(case, copper.pads.x, copper.pads.y)
        )
        parts = shapely.get_parts(image)
        made.append(
            MaskSide(
                layer=layer,
                copper=case.board.copper[under],
                copper_index=under,
                openings=parts[shapely.area(parts) > AREA_MM2],
                pads=pads,
                attached=attached_pads(case, copper, pads),
            )
        )
    return tuple(made)


def attached_pads(case: Case, copper: Copper, pads: Ints) -> Bools:
    """Give the pads something is attached to: by function, else every pad that is no via."""
    known = copper.pads.function[pads] >= 0
    out = copper.pads_stating(ATTACHED)[pads]
    if not known.all() and case.board.copper:
        cuts = case.shared(cuts_of)
        small = np.flatnonzero((cuts.width <= VIA_MM) & (cuts.plated != 0))
        vias = shapely.points(cuts.x[small], cuts.y[small])
        spots = shapely.points(copper.pads.x[pads], copper.pads.y[pads])
        out = np.where(known, out, ~touched(spots, vias, within_mm=0.05))
    # Nothing is soldered onto what joins two nets in the copper itself.
    names = np.array([ref for ref, _ in copper.pins] + [""])[copper.pads.pin[pads]]
    tie = np.isin(names, sorted(case.shared(ties_of)))
    for ref in np.unique(names[tie]):
        mine = names == ref
        tie[mine] = len(np.unique(copper.pads.piece[pads[mine]])) == 1 < np.count_nonzero(mine)
    drawn = shapely.area(copper.pad_shapes[pads]) > AREA_MM2
    return np.asarray(out & ~tie & drawn & (copper.pads.island[pads] >= 0))


def is_inverted(case: Case, side: MaskSide) -> bool:
    """Whether the file paints the mask instead of its openings."""
    if case.board.profile is None or not len(side.openings):
        return False
    copper = require_copper(case)
    pads = side.pads[side.attached]
    much = INVERTED_SHARE * case.board.area_mm2
    if not len(pads) or shapely.area(side.openings).sum() < much:
        return False
    # Cutting by the profile is dear: openings too small in all were sorted out before.
    if shapely.area(shapely.intersection(side.openings, case.board.profile)).sum() < much:
        return False
    spots = shapely.points(copper.pads.x[pads], copper.pads.y[pads])
    open_pads = np.unique(side.tree.query(spots, predicate="intersects")[0])
    # A board that is bare over most of its area opens its pads as well; a painted mask spares them.
    return len(open_pads) < 0.5 * len(pads)


@check(id="mask/polarity", rules=(INVERTED,), needs=("mask", "outer-copper", "profile"))
def polarity(case: Case) -> Iterator[Finding]:
    """Mask files show openings."""
    for side in case.shared(mask_sides):
        if is_inverted(case, side):
            yield Finding.of(
                INVERTED,
                f"{side.layer.name} covers most of the board but not the pads",
                case.place(side.layer.file.name, side=side.layer.side),
            )


@check(
    id="mask/web",
    rules=(WEB,),
    limits=("mask_web_mm", "mask_web_other_mm"),
    needs=("mask",),
)
def webs(case: Case) -> Iterator[Finding]:
    """Webs between openings are wide enough for the mask's colour."""
    colour = case.options.colour or "green"
    limits = case.house.mask_web(colour), case.house.mask_web(colour, "fine")
    advice = WEB.advice
    if case.house.mask_web("green").value < limits[0].value:
        advice += " Or choose green mask, which allows thinner webs."
    for layer in case.board.layers:
        if layer.kind is not RoleKind.MASK:
            continue
        openings = shapely.get_parts(layer.file.image)
        found = find_gaps(facets_of(openings), limits[0].value)
        found = found.take(found.piece0 != found.piece1)
        found = found.take(on_board(case, found.x, found.y)).thinned(SAME_SPOT_MM)
        measures = Measures(
            found.distance,
            spots_at(case, layer, found.x, found.y),
            slack=np.where(found.straight, COINCIDENT_MM, COINCIDENT_MM + CHORD_ERROR_MM),
        )
        # A web beside an opening without a pad holds back no solder.
        margins = _margins(case, layer, openings)[np.stack((found.piece0, found.piece1))]
        made_thin = (margins.max(axis=0) > USUAL_MARGIN_MM) & ~np.isnan(margins).any(axis=0)
        subject = f"thinnest {layer.name} web ({colour})"
        yield from judge(
            case, WEB, limits, measures.take(np.flatnonzero(made_thin)), subject, advice=advice
        )
        yield from group(
            WEB,
            measures.take(np.flatnonzero(~made_thin)),
            f"{subject} is {{worst}}: pads lie too near for a wider one, or it parts no pads",
            limit=limits[0].value,
            severity=Severity.NOTE,
            advice="Nothing, if one opening for the row of pads will do: houses leave the web out.",
        )


def _margins(case: Case, layer: Layer, openings: Shapes) -> Floats:
    """How far each opening reaches beyond the box of the pads in it, mm; nan without pads."""
    copper = require_copper(case)
    out = np.full(len(openings), np.nan)
    under = copper_under(case, layer)
    if under is None or not len(openings):
        return out
    pads = np.flatnonzero(copper.pads.layer == under)
    spots = shapely.points(copper.pads.x[pads], copper.pads.y[pads])
    pad, opening = shapely.STRtree(openings).query(spots, predicate="intersects")
    own = shapely.bounds(copper.pad_shapes[pads[pad]])
    boxes = boxes_of_groups(own, opening, len(openings))
    known = np.unique(opening)
    beyond = np.abs(shapely.bounds(openings[known]) - boxes[known])
    out[known] = beyond.max(axis=1)
    return out


@check(
    id="mask/openings",
    rules=(MISSING, SMALL, TIGHT, SHIFTED),
    limits=("mask_margin_mm",),
    needs=("mask", "outer-copper"),
)
def openings(case: Case) -> Iterator[Finding]:
    """Every pad that takes solder has an opening around it."""
    copper = require_copper(case)
    for side in case.shared(mask_sides):
        if not is_inverted(case, side):
            yield from _openings(case, copper, side)


@dataclass(frozen=True, eq=False)
class _Fit:
    """How the openings fit some pads; ``margin`` is negative where mask runs over the pad."""

    open: Bools
    margin: Floats
    off: Floats


def _fit(side: MaskSide, shapes: Shapes, lone: Shapes) -> _Fit:
    """Margin of the opening around each pad, and how far their middles are apart.

    One of those without a pad or hole is that of a covered pad of its size beside it.
    """
    # The centroid of a pad shaped like a ring or an L may lie off it.
    middle = shapely.point_on_surface(shapes)
    opened = np.full(len(shapes), -1)
    tree = shapely.STRtree(middle)
    opening, pad = tree.query(side.openings, predicate="intersects")
    opened[pad] = opening
    margin, off = np.full(len(shapes), -np.inf), np.zeros(len(shapes))
    rows = np.flatnonzero(opened >= 0)
    if len(rows):
        over = side.openings[opened[rows]]
        rim = shapely.boundary(over)
        margin[rows] = shapely.distance(shapely.boundary(shapes[rows]), rim)
        beyond = np.flatnonzero(~shapely.covers(over, shapes[rows]))
        # Rims drawn on the same line may differ in their last digits.
        wider = shapely.buffer(over[beyond], COINCIDENT_MM)
        for k in beyond[~shapely.covers(wider, shapes[rows[beyond]])].tolist():
            margin[rows[k]] = -_overlap_depth(shapes[rows[k]], over[k])
        # The middle of an opening that several pads share, or that is much larger, shows no shift.
        shared = np.bincount(opening, minlength=len(side.openings))[opened[rows]] > 1
        own = ~shared & (shapely.area(over) < 2.0 * shapely.area(shapes[rows]) + 0.5)
        off[rows] = np.where(
            own, shapely.distance(shapely.centroid(shapes[rows]), shapely.centroid(over)), 0.0
        )
    # Of a size that is mostly covered, vias for one, none has lost its opening.
    lost = forgotten(shapely.area(shapes), opened >= 0, 1.0)
    beside, away = _beside(lone, shapes, np.flatnonzero(lost))
    off[beside] = away
    return _Fit(open=(opened >= 0) | (off > 0), margin=margin, off=off)


def _beside(lone: Shapes, shapes: Shapes, covered: Ints) -> tuple[Ints, Floats]:
    """Covered pads with an opening of their size beside them, and how far off, the nearest last."""
    boxes, own = shapely.bounds(lone), shapely.bounds(shapes[covered])
    middles, at = ((box[:, :2] + box[:, 2:]) / 2 for box in (boxes, own))
    pad, opening = PointTree(middles).between(at, OF_PART_MM).T
    sizes, mine = (box[:, 2:] - box[:, :2] for box in (boxes, own))
    wider = sizes[opening] - mine[pad]
    alike = ((wider > -CHORD_ERROR_MM) & (wider < 2 * USUAL_MARGIN_MM)).all(axis=1)
    pad, opening = pad[alike], opening[alike]
    away = np.hypot(*(middles[opening] - at[pad]).T)
    order = np.argsort(-away, kind="stable")
    return covered[pad[order]], away[order]


def _overlap_depth(pad: BaseGeometry, opening: BaseGeometry) -> float:
    """How far mask runs over a pad's rim, mm: from the pad's rim to the opening's."""
    corners = shapely.points(shapely.get_coordinates(opening))
    corners = corners[shapely.intersects(pad, corners)]
    if len(corners):
        return float(shapely.distance(corners, shapely.boundary(pad)).max())
    return float(shapely.hausdorff_distance(shapely.difference(pad, opening), opening))


def _open_beyond(case: Case, side: MaskSide, shapes: Shapes) -> Bools:
    """Which pads have a plated hole whose other end lies in an opening: soldered from there."""
    cuts = case.shared(cuts_of)
    out = np.zeros(len(shapes), dtype=bool)
    plated = cuts.shapes[cuts.plated != 0]
    others = [s for s in case.shared(mask_sides) if s.layer.side != side.layer.side]
    if not len(plated) or not others:
        return out
    pad, hole = shapely.STRtree(plated).query(shapes, predicate="intersects")
    middle = shapely.centroid(plated[hole])
    for other in others:
        out[pad[other.tree.query(middle, predicate="intersects")[0]]] = True
    return out


@dataclass(frozen=True, slots=True, eq=False)
class _Bare:
    """Pads that parts are soldered to, with how the openings of their side fit them."""

    case: Case
    copper: Copper
    side: MaskSide
    pads: Ints
    shapes: Shapes
    area: Floats
    fit: _Fit

    @property
    def off(self) -> Bools:
        """Which have their opening beside them.

        One that covers its pad is not off it, however far it reaches beyond.
        """
        fit = self.fit
        return np.asarray(fit.open & (fit.off > SHIFT_MM) & (fit.margin < -CHORD_ERROR_MM))

    @property
    def small(self) -> Bools:
        """Which have the mask run onto them, their opening in place."""
        return np.asarray(self.fit.open & ~self.off & (self.fit.margin < -CHORD_ERROR_MM))

    def measured(self, values: Floats, rows: Ints) -> Measures:
        """Give values of some of the pads with their places."""
        mine = self.pads[rows]
        x, y = self.copper.pads.x[mine], self.copper.pads.y[mine]
        return Measures(values[rows], spots_at(self.case, self.side.layer, x, y))


def _openings(case: Case, copper: Copper, side: MaskSide) -> Iterator[Finding]:
    """Each pad that parts are soldered to against its opening."""
    pads = side.pads[side.attached]
    if not len(pads):
        return
    shapes = copper.pad_shapes[pads]
    spots = shapely.points(copper.pads.x[side.pads], copper.pads.y[side.pads])
    lone = side.openings[~side.over(spots) & ~side.over(case.shared(cuts_of).shapes)]
    fit = _fit(side, shapes, lone)
    bare = _Bare(case, copper, side, pads, shapes, shapely.area(shapes), fit)
    yield from _covered(bare)
    yield from group(
        SHIFTED,
        bare.measured(bare.fit.off, np.flatnonzero(bare.off)),
        f"openings in {side.layer.name} lie up to {{worst}} off their pads",
        most=True,
        limit=SHIFT_MM,
    )
    yield from _run_onto(bare)
    yield from _tight(bare)


def _covered(bare: _Bare) -> Iterator[Finding]:
    """Pads without an opening.

    A covered pad may be meant. It is a warning where its file states a pad for a part, or where
    nearly all pads of its size are open; not where all of a tiny size are covered alike, as bits
    of track that a footprint calls pads.
    """
    copper, side, pads, area, fit = bare.copper, bare.side, bare.pads, bare.area, bare.fit
    stated = copper.pads.function[pads] >= 0
    stated &= ~(_alike(area, ~fit.open) & (area < TINY_MM2))
    lost = forgotten(area, fit.open) | (not len(side.openings))
    through = _open_beyond(bare.case, side, bare.shapes)
    # One or two of the few of their size, open on the other face alone, are forgotten, too.
    few = np.count_nonzero(through & ~fit.open) <= FEW
    lost |= through & few & forgotten(area, fit.open, JOINED)
    # The first pin of a row is often square: its equals are those with holes of one size.
    drilled = _drilled(bare.case, copper, pads)
    lost |= through & few & (drilled > 0) & forgotten(drilled, fit.open)
    # What ends at a line was cut off, but for two halves that open either face alone.
    covered = ~fit.open & through
    covered &= (covered & forgotten(area, fit.open, len(area))).any()
    beyond = np.count_nonzero(fit.open & through) >= NEARLY_ALL * np.count_nonzero(
        fit.open & (drilled > 0)
    )
    border = border_of(copper.pads.spots()[pads], fit.open, np.flatnonzero(covered & beyond))
    lost |= covered & bool(border)
    for rows in (np.flatnonzero(through), np.flatnonzero(~through)):
        lost[rows] |= of_mixed_sizes(bare.shapes[rows], fit.open[rows])
    for mine, severity, where, tail in (
        (~fit.open & ~through & (stated | lost), Severity.WARNING, "", ""),
        (~fit.open & ~through & ~stated & ~lost, Severity.NOTE, "", ""),
        (~fit.open & through & lost, Severity.WARNING, border, _BEYOND),
        (~fit.open & through & ~lost, Severity.NOTE, "", _BEYOND),
    ):
        rows = np.flatnonzero(mine)
        yield from group(
            MISSING,
            bare.measured(area, rows),
            f"{format_number(len(rows))} of {format_number(len(pads))} pads{where} have no opening "
            f"in {side.layer.name}, largest {{worst}}{tail}",
            most=True,
            unit="mm²",
            severity=severity,
        )


def _run_onto(bare: _Bare) -> Iterator[Finding]:
    """Pads that the mask runs onto, their opening in place."""
    side, area, fit, small = bare.side, bare.area, bare.fit, bare.small
    hidden = np.zeros(len(area), dtype=bool)
    hidden[small] = _area_bared(side, bare.shapes[small]) < BARED_SHARE * area[small]
    # A land that the mask covers up to its hole is drawn so, where it is so throughout.
    hidden &= ~_alike(area, hidden)
    deep = fit.open & (fit.margin < -RUNS_ONTO_MM)
    alone = small & ~hidden & deep & forgotten(area, ~deep)
    opened = np.count_nonzero(fit.open)
    runs_on = small & (fit.margin < -RUNS_ONTO_MM / 2)
    # No land is bounded by mask on purpose where nearly all of a face are.
    whole = small & ~hidden & (np.count_nonzero(runs_on) >= max(NEARLY_ALL * opened, FEWEST_PADS))
    for mine, severity, tail in (
        (small & hidden, Severity.WARNING, " and covers more than half of them"),
        (whole, Severity.WARNING, ", on nearly all of this face"),
        (alone & ~whole, Severity.WARNING, ", unlike others of their size"),
        (small & ~hidden & ~alone & ~whole, Severity.NOTE, ""),
    ):
        rows = np.flatnonzero(mine)
        depth = format_mm(-fit.margin[rows].min(initial=0.0))
        yield from group(
            SMALL,
            bare.measured(fit.margin, rows),
            f"{side.layer.name} runs up to {depth} onto pads{tail}",
            limit=0.0,
            severity=severity,
        )


def _tight(bare: _Bare) -> Iterator[Finding]:
    """Openings that leave less room around their pads than the house aligns by."""
    fit, limit = bare.fit, bare.case.limit("mask_margin_mm")
    rows = np.flatnonzero(
        fit.open
        & ~bare.off
        & (fit.margin >= -CHORD_ERROR_MM)
        & (fit.margin < limit - COINCIDENT_MM - CHORD_ERROR_MM)
    )
    margins = np.maximum(fit.margin, 0.0)
    none = float(margins[rows].min(initial=1.0)) < COINCIDENT_MM
    yield from group(
        TIGHT,
        bare.measured(margins, rows),
        f"openings in {bare.side.layer.name} are {'not' if none else 'only {worst}'} larger than "
        f"their pads, per side; {format_mm(limit)} is usual",
        limit=limit,
    )


@check(id="mask/shared", rules=(SHARED,), needs=("mask", "outer-copper"))
def shared(case: Case) -> Iterator[Finding]:
    """No opening joins pads between which a web would fit."""
    copper = require_copper(case)
    for side in case.shared(mask_sides):
        pads = side.pads[side.attached]
        if not len(pads) or is_inverted(case, side):
            continue
        shapes = copper.pad_shapes[pads]
        middles = shapely.point_on_surface(shapes)
        pad, opening = side.tree.query(middles, predicate="intersects")
        order = np.argsort(opening, kind="stable")
        pad, opening = pad[order], opening[order]
        one, two = _in_one(opening)
        one, two = pad[one], pad[two]
        foreign = copper.pads.island[pads[one]] != copper.pads.island[pads[two]]
        one, two = one[foreign], two[foreign]
        apart = shapely.distance(shapes[one], shapes[two])
        joined = np.zeros(len(pads), dtype=bool)
        joined[one] = joined[two] = True
        slip = forgotten(shapely.area(shapes), ~joined, JOINED)
        far = apart >= WEB_FITS_MM
        rows = np.flatnonzero(far & (slip[one] & slip[two] | (np.count_nonzero(far) <= FEW)))
        ends = shapely.get_coordinates(middles)
        lines = shapely.linestrings(np.stack((ends[one[rows]], ends[two[rows]]), axis=1))
        # An opening with arms may hold two pads and cover what is between them.
        bared = np.unique(side.tree.query(lines, predicate="covered_by")[0])
        rows, lines = rows[bared], lines[bared]
        # Openings of bare holes for alternative parts may link pads that have no web to lose.
        lines = shapely.difference(shapely.difference(lines, shapes[one[rows]]), shapes[two[rows]])
        whole = ~touched(lines, case.shared(cuts_of).shapes)
        rows, lines = rows[whole], lines[whole]
        xy = shapely.get_coordinates(shapely.centroid(lines))
        yield from group(
            SHARED,
            Measures(apart[rows], spots_at(case, side.layer, *xy.T)),
            f"one opening in {side.layer.name} joins pads that are up to {{worst}} apart",
            most=True,
        )


def _in_one(opening: Ints) -> tuple[Ints, Ints]:
    """Pairs of rows of one opening, which stand in order: each with the next few."""
    ones, twos = [], []
    for step in range(1, 4):
        rows = np.flatnonzero(opening[:-step] == opening[step:])
        ones.append(rows)
        twos.append(rows + step)
    return np.concatenate(ones), np.concatenate(twos)


_BEYOND: Final = "; their holes are open on the other side"


def _drilled(case: Case, copper: Copper, pads: Ints) -> Floats:
    """(n,) float64, mm: width of the plated hole in the middle of each pad; 0 without one."""
    cuts = case.shared(cuts_of)
    out = np.zeros(len(pads))
    rows = np.flatnonzero(cuts.plated != 0)
    if len(rows):
        apart, near = PointTree(cuts.spots()[rows]).query(copper.pads.spots()[pads])
        here = apart <= SAME_PLACE_MM
        out[here] = cuts.width[rows[near[here]]]
    return out


def _alike(area: Floats, treated: Bools) -> Bools:
    """Sizes of which all pads, and several, are treated so, but few pads in all."""
    _, size = np.unique(np.round(area, 3), return_inverse=True)
    count, mine = np.bincount(size), np.bincount(size, weights=treated)
    out = ((mine == count) & (count >= SEVERAL))[size]
    return np.asarray(out & (out.mean() < FEW_SHARE))


def forgotten(area: Floats, opened: Bools, most: float = ALONE) -> Bools:
    """Covered pads of a size of which nearly all are open: left out by mistake."""
    _, alike = np.unique(np.round(area, 3), return_inverse=True)
    open_alike = np.bincount(alike[opened], minlength=alike.max(initial=-1) + 1)[alike]
    covered = np.bincount(alike[~opened], minlength=alike.max(initial=-1) + 1)[alike]
    return np.asarray(~opened & (covered <= most * open_alike))


def of_mixed_sizes(shapes: Shapes, done: Bools) -> Bools:
    """Pads left out of sizes that are mostly done, where several sizes are.

    One size may be that of parts treated in two ways on purpose, and vias of a size that is mostly
    covered are covered on purpose.
    """
    look = np.column_stack((np.sqrt(shapely.area(shapes)), shapely.length(shapes) / 4))
    size = np.unique(np.round(look / LOOK_MM), axis=0, return_inverse=True)[1].ravel()
    sizes = int(size.max(initial=-1)) + 1
    some, left = (np.bincount(size[mine], minlength=sizes) for mine in (done, ~done))
    mixed = (left > 0) & (left < some)
    return np.asarray(mixed[size] & ~done & (np.count_nonzero(mixed) >= SLIPS))


def border_of(at: Floats, there: Bools, lost: Ints) -> str:
    """Line beyond which all that was left out lies, of several parts, and no more; in words."""
    if len(lost) <= FEW or not there.any():
        return ""
    near = PointTree(at[lost]).pairs(OF_PART_MM)
    if len(np.unique(label_groups(len(lost), *near.T))) < SLIPS:
        return ""
    for axis, name, beyond in ((0, "x", "right of"), (1, "y", "above")):
        done, dry = at[there, axis], at[lost, axis]
        if dry.min() > done.max():
            return f" {beyond} {name} = {format_mm(float(done.max()))}"
        if dry.max() < done.min():
            beyond = {"x": "left of", "y": "below"}[name]
            return f" {beyond} {name} = {format_mm(float(done.min()))}"
    return ""


def _area_bared(side: MaskSide, shapes: Shapes) -> Floats:
    """(n,) float64: area of each pad that openings lay bare, mm²."""
    bared = np.zeros(len(shapes))
    pad, opening = side.tree.query(shapes, predicate="intersects")
    common = shapely.area(shapely.intersection(shapes[pad], side.openings[opening]))
    np.add.at(bared, pad, common)
    return bared


def widest(shapes: Shapes) -> Floats:
    """Width of each shape at its widest: the largest circle that fits in, mm."""
    # Two outlines that also touch along a line or in a point have more than areas in common.
    mixed = shapely.get_type_id(shapes) == shapely.GeometryType.GEOMETRYCOLLECTION
    shapes = np.where(mixed, shapely.buffer(shapes, 0.0), shapes)
    circles = shapely.maximum_inscribed_circle(shapes, tolerance=COINCIDENT_MM / 4)
    return np.asarray(2 * shapely.length(circles))


@check(id="mask/tracks", rules=(TRACK_BARED,), needs=("mask", "outer-copper"))
def tracks(case: Case) -> Iterator[Finding]:
    """Openings lie over pads and holes, not over tracks alone."""
    copper, cuts = require_copper(case), case.shared(cuts_of)
    for side in case.shared(mask_sides):
        if is_inverted(case, side) or not len(side.openings):
            continue
        spots = shapely.points(copper.pads.x[side.pads], copper.pads.y[side.pads])
        over = np.flatnonzero(~side.over(spots) & ~side.over(cuts.shapes))
        if not len(over):
            continue
        objects, own = side.copper.file.objects, copper.layers[side.copper_index]
        strokes = np.flatnonzero(objects.stroked & objects.dark & (own.piece >= 0))
        lines = object_shapes(side.copper.file, strokes)
        # Thousands of strokes are asked about the few openings that are left, not about all.
        over = over[touched(side.openings[over], lines)]
        middle = shapely.get_coordinates(shapely.centroid(side.openings[over]))
        over = over[on_board(case, *middle.T)] if len(over) else over
        over = over[~along_edge(case, side.openings[over])]
        if len(over):
            xy = shapely.get_coordinates(shapely.centroid(side.openings[over]))
            yield from group(
                TRACK_BARED,
                Measures(widest(side.openings[over]), spots_at(case, side.layer, *xy.T)),
                f"openings in {side.layer.name} lie over tracks where there is no pad, up to "
                "{worst} wide",
                most=True,
            )


BARED_MM2: Final = 0.001
"""Foreign copper in an opening smaller than this is a touch of outlines."""
BARED_MM: Final = 0.075
"""A mask is laid no more exactly than this (published maker guides)."""

BARED: Final = load_rule("mask/neighbour-bared")
COVER: Final = load_rule("mask/cover-thin")


@check(
    id="mask/neighbours",
    rules=(BARED, COVER),
    limits=("mask_cover_mm",),
    needs=("mask", "outer-copper"),
)
def neighbours(case: Case) -> Iterator[Finding]:
    """Openings of pads bare no copper of another net, nor nearly so."""
    copper = require_copper(case)
    for side in case.shared(mask_sides):
        if not is_inverted(case, side) and len(side.openings):
            owned = _Owned(case, copper, side)
            yield from _bared(case, copper, side, owned)
            yield from _covers(case, copper, side, owned)


class _Owned:
    """Which openings have pads or plated holes, and the copper these belong to."""

    def __init__(self, case: Case, copper: Copper, side: MaskSide) -> None:
        cuts, joints = case.shared(cuts_of), copper.pieces.joints
        # A pad drawn with a stroke is known by its hole.
        hole = joints[:, 0]
        spots = np.concatenate(
            (
                shapely.points(copper.pads.x[side.pads], copper.pads.y[side.pads]),
                shapely.points(cuts.x[hole], cuts.y[hole]),
            )
        )
        islands = np.concatenate(
            (copper.pads.island[side.pads], copper.pieces.island[joints[:, 1]])
        )
        spot, self.openings = side.tree.query(spots, predicate="intersects")
        self._islands = copper.pieces.islands + 1
        self._keys = self._key(self.openings, islands[spot])

    def _key(self, opening: Ints, island: NDArray[np.int32]) -> Ints:
        return np.asarray(opening.astype(np.int64) * self._islands + island)

    def foreign(self, opening: Ints, island: NDArray[np.int32]) -> Bools:
        """Whether the opening has pads, and none of them belongs to the island."""
        mine = np.isin(self._key(opening, island), self._keys)
        return np.asarray(np.isin(opening, self.openings) & ~mine)


def _bared(case: Case, copper: Copper, side: MaskSide, owned: _Owned) -> Iterator[Finding]:
    rows = copper.pieces.on_layer(side.copper_index)
    piece, opening = side.tree.query(copper.pieces.polygons[rows], predicate="intersects")
    mine = np.flatnonzero(owned.foreign(opening, copper.pieces.island[rows[piece]]))
    pieces, over = copper.pieces.polygons[rows[piece[mine]]], side.openings[opening[mine]]
    # Otherwise a pour would be cut whole by every opening over it.
    bared = shapely.intersection(clip_each(pieces, shapely.bounds(over)), over)
    # What is too small to matter may be empty, and nothing lies on an empty shape.
    bared = bared[shapely.area(bared) > BARED_MM2]
    bared = bared[widest(bared) > BARED_MM] if len(bared) else bared
    spots = shapely.get_coordinates(shapely.point_on_surface(bared)).reshape(-1, 2)
    real = np.flatnonzero(on_board(case, *spots.T))
    xy = spots[real]
    yield from group(
        BARED,
        Measures(widest(bared[real]), spots_at(case, side.layer, *xy.T)),
        f"openings in {side.layer.name} bare copper of other nets beside their pads, "
        "up to {worst} wide",
        most=True,
        limit=0.0,
    )


def _covers(case: Case, copper: Copper, side: MaskSide, owned: _Owned) -> Iterator[Finding]:
    reach = case.limit("mask_cover_mm")
    layer = copper.pieces.boundaries[side.copper_index]
    opening, facet = layer.within(
        side.openings,
        reach,
        only=lambda opening, piece: owned.foreign(opening, copper.pieces.island[piece]),
    )
    over, edges = side.openings[opening], layer.lines(facet)
    cover = shapely.distance(over, edges)
    beside = cover > COINCIDENT_MM
    # Copper that is bared in places is reported as bared, not also for the rest of its edge.
    beside &= ~np.isin(opening, opening[~beside])
    order = np.flatnonzero(beside)[np.argsort(cover[beside], kind="stable")]
    x, y = midway(over[order], edges[order]).T
    keep = np.flatnonzero(on_board(case, x, y))
    keep = keep[thin_out(x[keep], y[keep], SAME_SPOT_MM)]
    yield from judge(
        case,
        COVER,
        "mask_cover_mm",
        Measures(
            cover[order[keep]],
            spots_at(case, side.layer, x[keep], y[keep]),
            slack=COINCIDENT_MM + CHORD_ERROR_MM,
        ),
        f"thinnest mask between an opening in {side.layer.name} and foreign copper",
    )

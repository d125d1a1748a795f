"""Solder paste: prints against bare pads and holes, and what was left out of the layer."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
import shapely

from fabkit.base.columns import Bools, Floats, Ints, Shapes
from fabkit.base.findings import Finding, Place, Severity
from fabkit.base.units import format_number
from fabkit.board.copper import Copper
from fabkit.board.model import Layer
from fabkit.checks.copper_facts import cuts_of, on_board, require_copper
from fabkit.checks.declare import check
from fabkit.checks.mask import (
    FEW,
    FEWEST_PADS,
    OF_PART_MM,
    SHIFT_MM,
    SLIPS,
    MaskSide,
    border_of,
    copper_under,
    forgotten,
    mask_sides,
    of_mixed_sizes,
    widest,
)
from fabkit.checks.model import Case
from fabkit.checks.worst import Measures, group, spots_at
from fabkit.geometry.areas import clip_to_box, touched
from fabkit.geometry.neighbours import PointTree
from fabkit.package.model import RoleKind
from fabkit.rules import load_rule

OFF_PAD_MM2: Final = 0.01
"""Paste beside copper or under mask smaller than this is a touch of outlines."""

BEYOND_MM: Final = 0.3
"""Paste that reaches further beyond one pad or two is no choice; half of that is usual for
overprinting (common practice)."""

MUCH: Final = 0.2
"""Paste beside its pad and pad beside its paste, as shares of them, of which both are too much (a
choice of ours)."""

PRINTED_MM: Final = 0.1
"""Paste is printed no further off (common practice); what is drawn so was not drawn for its pad."""

WIDER: Final = 1.1
"""Share of their pads from which most prints are too large: IPC-7525 makes them no larger."""

COVERED: Final = 0.5
"""Least share of its pad that paste usually covers (IPC-7525: 80 to 95 %; 50 to 80 % on the large
pad under a part)."""

OFF_PAD: Final = load_rule("mask/paste-off-pad")
ON_HOLE: Final = load_rule("mask/paste-on-hole")
NO_PASTE: Final = load_rule("mask/paste-missing")
SMALL: Final = load_rule("mask/paste-small")
LARGE: Final = load_rule("mask/paste-large")


@check(
    id="mask/paste",
    rules=(OFF_PAD, ON_HOLE, NO_PASTE, SMALL, LARGE),
    needs=("paste", "outer-copper"),
)
def paste(case: Case) -> Iterator[Finding]:
    """Paste lies on bare copper."""
    copper, cuts = require_copper(case), case.shared(cuts_of)
    sides = {s.layer.side: s for s in case.shared(mask_sides)}
    for layer in case.board.layers:
        if layer.kind is not RoleKind.PASTE:
            continue
        prints = shapely.get_parts(layer.file.image)
        under = copper_under(case, layer)
        if not len(prints) or under is None:
            continue
        left = _without(prints, copper.pieces.polygons[copper.pieces.on_layer(under)])
        if layer.side in sides:
            masked = _without(prints, sides[layer.side].openings)
            # Off copper and under mask are mostly one place: the larger of both is reported, once.
            left = np.where(shapely.area(masked) > shapely.area(left), masked, left)
        area = shapely.area(left)
        # Paste a little larger than its pad is a choice; paste mostly beside it is a mistake.
        middle = shapely.get_coordinates(shapely.point_on_surface(prints)).T
        much = (area > OFF_PAD_MM2) & (area > MUCH * shapely.area(prints))
        rows = np.flatnonzero(on_board(case, *middle) & much)
        beside = area[rows] > 0.5 * shapely.area(prints[rows])
        beyond = ~beside & (widest(left[rows]) > BEYOND_MM)
        few = np.count_nonzero(beyond) <= FEW
        turned = _turned(copper, sides.get(layer.side), prints[rows])
        rows = rows[beside | beyond & few | turned]
        xy = shapely.get_coordinates(shapely.centroid(left[rows]))
        yield from group(
            OFF_PAD,
            Measures(area[rows], spots_at(case, layer, *xy.T)),
            f"{layer.name} prints up to {{worst}} where no copper is bare",
            most=True,
            limit=0.0,
            unit="mm²",
        )
        yield from _on_pads(case, copper, layer, np.delete(prints, rows))
        if layer.side in sides:
            yield from _unprinted(case, copper, sides[layer.side], layer, prints)
        cut = np.flatnonzero(touched(cuts.shapes, prints))
        yield from group(
            ON_HOLE,
            Measures(cuts.width[cut], spots_at(case, layer, cuts.x[cut], cuts.y[cut])),
            f"{layer.name} prints over holes, largest {{worst}}",
            most=True,
        )


def _on_pads(case: Case, copper: Copper, layer: Layer, prints: Shapes) -> Iterator[Finding]:
    """Prints against the pads they lie on: most of them larger, or any of that size beside it."""
    shapes = copper.pad_shapes[copper.pads.layer == copper_under(case, layer)]
    row, pad = shapely.STRtree(shapes).query(shapely.centroid(prints), predicate="intersects")
    if len(row) >= FEWEST_PADS:
        share = float(np.median(shapely.area(prints[row]) / shapely.area(shapes[pad])))
        if share > WIDER:
            yield Finding.of(
                LARGE,
                f"half of the prints of {layer.name} are {format_number(100 * share, digits=0)} % "
                "of their pads or more; no more than 100 % is usual",
                Place(file=layer.file.name, side=layer.side),
                measured=share,
                limit=1.0,
            )
    own, meant = shapely.bounds(prints[row]), shapely.bounds(shapes[pad])
    low, high = (own - meant)[:, :2], (own - meant)[:, 2:]
    alike = (np.abs(high - low) < 2 * SHIFT_MM).all(axis=1)
    off = np.full(len(prints), np.inf)
    # One that lies on two pads may be meant for either.
    np.minimum.at(off, row[alike], np.hypot(*((low + high)[alike] / 2).T))
    xy = shapely.get_coordinates(shapely.centroid(prints))
    rows = np.flatnonzero((off > PRINTED_MM) & (off < np.inf) & on_board(case, *xy.T))
    yield from group(
        OFF_PAD,
        Measures(off[rows], spots_at(case, layer, *xy[rows].T)),
        f"{layer.name} prints up to {{worst}} off the middle of pads of that size",
        most=True,
        limit=PRINTED_MM,
    )


def _turned(copper: Copper, side: MaskSide | None, prints: Shapes) -> Bools:
    """Whether prints that reach beyond their pads leave as much of them bare: a turned aperture.

    Paste that is printed larger on purpose covers its pad, and smaller paste lies on it.
    """
    out = np.zeros(len(prints), dtype=bool)
    if side is None or not len(prints):
        return out
    shapes = copper.pad_shapes[side.pads]
    row, pad = shapely.STRtree(shapes).query(
        shapely.centroid(prints), predicate="dwithin", distance=SHIFT_MM
    )
    same = shapely.distance(shapely.centroid(shapes[pad]), shapely.centroid(prints[row])) < SHIFT_MM
    row, pad = row[same], pad[same]
    bare = shapely.area(shapely.difference(shapes[pad], prints[row]))
    out[row] = bare > MUCH * shapely.area(shapes[pad])
    return out


def _unprinted(
    case: Case, copper: Copper, side: MaskSide, layer: Layer, prints: Shapes
) -> Iterator[Finding]:
    """Bare surface pads without paste, where nearly all others of their size have some."""
    pads = side.pads[side.attached]
    cuts = case.shared(cuts_of).shapes
    pads = pads[~touched(copper.pad_shapes[pads], cuts)]
    spots = shapely.points(copper.pads.x[pads], copper.pads.y[pads])
    pads = pads[np.unique(side.tree.query(spots, predicate="intersects")[0])]
    if not len(pads):
        return
    shapes, at = copper.pad_shapes[pads], copper.pads.spots()[pads]
    area, printed = shapely.area(shapes), touched(shapes, prints)
    yield from _small(layer, shapes[printed], area[printed], prints)
    rows, slip = np.flatnonzero(forgotten(area, printed)), False
    words = ", though others of their size are printed"
    # More of them are a part that is soldered by hand, but for what no hand would choose so.
    lost = np.flatnonzero(forgotten(area, printed, len(area)))
    border, in_part = border_of(at, printed, lost), _in_part_printed(copper, pads, printed)
    alone = _pads_alone(at, area, lost)
    if border:
        rows, slip, words = lost, True, f"{border}, though others of their size are printed"
    elif len(in_part):
        rows, slip, words = in_part, True, ", though other pads of their parts are printed"
    elif len(alone) >= max(SLIPS, len(lost) / SLIPS):
        rows, slip, words = alone, True, ", though others beside them are printed"
    elif len(mixed := np.flatnonzero(of_mixed_sizes(shapes, printed))):
        rows, slip, words = mixed, True, ", though of each of several sizes others are printed"
    yield from group(
        NO_PASTE,
        Measures(area[rows], spots_at(case, layer, *at[rows].T)),
        f"{layer.name} leaves out {format_number(len(rows))} of {format_number(len(pads))} bare "
        f"surface pads{words}; largest {{worst}}",
        most=True,
        unit="mm²",
        severity=NO_PASTE.severity if slip or len(rows) <= FEW else Severity.NOTE,
        advice="Export the paste layer again." if slip else "",
    )


def _small(layer: Layer, pads: Shapes, area: Floats, prints: Shapes) -> Iterator[Finding]:
    """Prints of which most cover too little of their pads to solder them."""
    if len(pads) < FEWEST_PADS:
        return
    tree = shapely.STRtree(prints)
    pad, print_ = tree.query(pads, predicate="intersects")
    common = shapely.area(shapely.intersection(pads[pad], prints[print_]))
    share = float(np.median(np.bincount(pad, common, minlength=len(pads)) / area))
    if share < COVERED:
        yield Finding.of(
            SMALL,
            f"half of the prints of {layer.name} cover {format_number(100 * share, digits=0)} % of "
            f"their pads or less; at least {format_number(100 * COVERED, digits=0)} % is usual",
            Place(file=layer.file.name, side=layer.side),
            measured=share,
            limit=COVERED,
        )


def _in_part_printed(copper: Copper, pads: Ints, printed: Bools) -> Ints:
    """Pads without paste of parts that have it on others, by their names, where several parts do.

    One or two parts may have tabs that take none.
    """
    pin = copper.pads.pin[pads]
    refs = np.array([ref for ref, _ in copper.pins])
    named = np.flatnonzero(pin >= 0)
    if not len(named):
        return named
    _, part = np.unique(refs[pin[named]], return_inverse=True)
    done = np.bincount(part, printed[named]) > 0
    mixed = done[part] & ~printed[named]
    return named[mixed] if len(np.unique(part[mixed])) >= SLIPS else named[:0]


def _pads_alone(at: Floats, area: Floats, lost: Ints) -> Ints:
    """Pads without paste whose neighbours of their size, one at least, are all printed."""
    _, size = np.unique(np.round(area, 3), return_inverse=True)
    pad, other = PointTree(at).between(at, OF_PART_MM).T
    alike = (size[pad] == size[other]) & (pad != other)
    pad, other = pad[alike], other[alike]
    dry = np.isin(np.arange(len(at)), lost)
    beside = np.bincount(pad, minlength=len(at))
    beside_dry = np.bincount(pad, dry[other], minlength=len(at))
    return np.flatnonzero(dry & (beside > 0) & (beside_dry == 0))


def _without(prints: Shapes, polygons: Shapes) -> Shapes:
    """Give what of each print is not covered by any of the polygons."""
    left = prints.copy()
    tree = shapely.STRtree(prints)
    # Most lie on their pad, which takes no clipping.
    covered = tree.query(polygons, predicate="covers")[1]
    left[covered] = shapely.Polygon()
    polygon, row = tree.query(polygons, predicate="intersects")
    rest = ~np.isin(row, covered)
    polygon, row = polygon[rest], row[rest]
    box = shapely.bounds(prints)
    for p, r in zip(polygon.tolist(), row.tolist(), strict=True):
        local = clip_to_box(polygons[p], box[r])
        left[r] = shapely.difference(left[r], local)
    return left

"""The shape of the board from what the profile file draws.

Centre lines count, not the pen's width (Gerber Layer Format Specification 2021.02, section 6.5).
Real profile files also hold frames, dimensions, lettering and lines drawn twice; each is
recognised by where copper and holes lie, and reported.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Bools, Floats, Ints, Shapes
from fabkit.base.findings import Finding, Severity, places_at
from fabkit.base.units import (
    CHORD_ERROR_MM,
    COINCIDENT_MM,
    OUTLINE_JOIN_MM,
    counted,
    format_mm,
    format_number,
)
from fabkit.board.figures import (
    INSIDE_SHARE,
    PROFILE_STRAY,
    Candidates,
    Evidence,
    Outline,
    dividing_lines,
    drop_doubles,
    drop_frames,
    drop_letters,
    drop_marks,
    holds,
    paint,
    polygons_in,
)
from fabkit.board.model import EdgePath, PathKind, size_words
from fabkit.board.panel import find_perforations, find_tabs
from fabkit.formats.gerber.model import GerberFile, Kind, object_shapes
from fabkit.geometry.areas import touched
from fabkit.geometry.neighbours import PointTree, boxes_of, boxes_of_groups
from fabkit.geometry.outlines import SAME_END_MM, Figures, figures_of, find_figures
from fabkit.geometry.segments import Segments, with_starts
from fabkit.rules import load_rule

PROFILE_GAP: Final = load_rule("profile/gap")
PROFILE_BRIDGED: Final = load_rule("profile/ends-apart")
PROFILE_CROSSING: Final = load_rule("profile/crossing")
PROFILE_FLASHES: Final = load_rule("profile/flashes")
PROFILE_TINY: Final = load_rule("profile/too-small")
PROFILE_SLOT: Final = load_rule("profile/slot-drawn")

_THIN_MM: Final = 0.6
"""Regions narrower than this draw a line, they are not the board itself."""
_CROSS_WIDTHS: Final = 3.0
"""The cross of a target is at most this many times as wide as its circle."""
_ROUND_CORNERS: Final = 12
"""A polygon of this many corners stands for a circle; boards of eight sides exist."""
_GAP_STEPS: Final = (0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)
"""Gaps that are tried in turn, mm, when an outline does not close."""
_MANY_LOOSE: Final = 500
"""With more loose ends only gaps up to 10 mm are tried: the pairs of ends grow with both."""
_SNUG: Final = 2.0
"""A figure up to this many times as large as the box of its pads fits it; keyboards are less."""
_CLOSER: Final = 0.7
"""A bridge is worth while when the figure around all pads becomes this much smaller."""
_SLOT_MM: Final = 0.6
"""Router bits are at least this wide (common practice: 0.6 to 2.4 mm)."""
_SLOT_PENS: Final = 3.0
"""A pen this many times as wide as the usual one draws a slot, not an outline."""
_MOST_SLOTS: Final = 500
_TINY_SHARE: Final = 0.25
"""A figure whose box is smaller than this share of the box of all pads cannot be the board."""


def trace_outline(files: Sequence[GerberFile], evidence: Evidence) -> Outline:
    """Trace the outline that profile files draw."""
    found = Outline(file=files[0].name if files else "")
    points = evidence.points
    strokes, regions, erased = _collect(files)
    strokes = _drop_targets(strokes, found)
    bodies, more = _split_regions(regions)
    if len(bodies) and len(erased):
        # Figures in figures are cut-outs, so what a filled board erases is one more of them.
        bodies = np.concatenate((bodies, shapely.get_parts(shapely.union_all(erased))))
    figures = _close(strokes, points, bodies, found)
    shapes = Candidates.of(
        figures.filled, figures.faces, figures.figure, np.concatenate((bodies, more))
    )
    shapes = drop_doubles(shapes, figures.doubled_mm, found)
    shapes = drop_letters(shapes, figures.stray, found)
    shapes = drop_frames(shapes, evidence, found)
    shapes = drop_marks(shapes, evidence, found)
    if not len(shapes):
        _report_flashes(files, evidence, found)
        _report_joins(figures, found, rim=None)
        _report_stray(figures, figures.stray, found)
        return found
    shape, paths = paint(shapes, evidence)
    stray = figures.stray
    _report_joins(figures, found, rim=None if shape.is_empty else shapely.boundary(shape))
    if _is_tiny(shape, points):
        found.leave_out(
            PathKind.STRAY,
            shapes.filled,
            "it is far smaller than the area of the pads",
            rule=PROFILE_TINY,
            message=f"the profile encloses {size_words(shape)} alone, and "
            f"the pads lie on {size_words(shapely.MultiPoint(points))}",
            assumed="not the board",
        )
    elif not shape.is_empty:
        shape, stray = _join_tabs(shape, stray, evidence.bites, found)
        found.shape = shape
        found.paths += paths
        found.lines = dividing_lines(shapes, shape)
    _report_flashes(files, evidence, found)
    slots = _drawn_slots(files, found.shape, points)
    # The path of a slot encloses nothing, but is no stray line.
    _report_stray(figures, stray[~_covered(stray, slots)], found)
    _cut_slots(slots, found)
    return found


def _join_tabs(
    shape: shapely.MultiPolygon, stray: Shapes, bites: Floats, found: Outline
) -> tuple[shapely.MultiPolygon, Shapes]:
    """Material with the tabs whose walls stop short of it, and the lines that are no walls."""
    tabs, walls = find_tabs(shape, stray, bites)
    if not len(tabs):
        return shape, stray
    rim = shapely.boundary(shape)
    ends = np.concatenate([shapely.get_point(walls, end) for end in (0, -1)])
    short = float(shapely.distance(ends, rim).max())
    middle = shapely.get_coordinates(shapely.centroid(tabs))
    found.report(
        PROFILE_BRIDGED,
        f"the walls of {counted(len(tabs), 'tab')} stop up to "
        f"{format_mm(short, digits=4)} before the edge",
        middle,
        measured=short,
        unit="mm",
        assumed="led on to the edge: a row of small holes runs across",
    )
    whole = shapely.union_all(np.array([shape, *tabs], dtype=object))
    near = shapely.buffer(shapely.union_all(walls), COINCIDENT_MM)
    return polygons_in(whole), stray[~shapely.covers(near, stray)]


def _drawn_slots(files: Sequence[GerberFile], shape: BaseGeometry, points: Floats) -> Shapes:
    """Slots drawn as their path: open strokes inside the board with a pen as wide as the slot.

    Such a pen is much wider than the outline's, and no pad lies under it.
    """
    found = []
    for file in files:
        o = file.objects
        width = np.array([a.diameter_mm or 0.0 for a in file.apertures] + [0.0])[o.aperture]
        drawn = (o.kind == Kind.DRAW) & o.dark
        if shape is None or not drawn.any():
            continue
        # Against the usual pen: an outline drawn 1 mm wide all round is no row of slots.
        least = max(_SLOT_MM, _SLOT_PENS * float(np.median(width[drawn])))
        rows = np.flatnonzero(drawn & (width >= least))
        if 0 < len(rows) <= _MOST_SLOTS:
            cuts = shapely.union_all(object_shapes(file, rows))
            parts = shapely.get_parts(cuts)
            shapely.prepare(shape)
            # A wide stroke that touches the rim may be outline itself.
            found.append(parts[shapely.contains_properly(shape, parts)])
    slots = np.concatenate(found) if found else np.empty(0, dtype=object)
    pads = shapely.STRtree(shapely.points(points)).query(slots, predicate="contains")[0]
    return np.asarray(np.delete(slots, pads), dtype=object)


def _covered(lines: Shapes, slots: Shapes) -> Bools:
    covered = np.zeros(len(lines), dtype=bool)
    if len(slots):
        covered[shapely.STRtree(slots).query(lines, predicate="within")[0]] = True
    return covered


def _cut_slots(slots: Shapes, found: Outline) -> None:
    if not len(slots) or found.shape is None:
        return
    found.shape = polygons_in(shapely.difference(found.shape, shapely.union_all(slots)))
    why = "it is drawn with a pen much wider than the outline's, inside the board"
    found.leave_out(
        PathKind.SLOT,
        slots,
        why,
        rule=PROFILE_SLOT,
        message=f"{counted(len(slots), 'slot')} drawn with a wide pen",
        assumed="milled as wide as the pen",
    )


def _is_tiny(shape: BaseGeometry, points: Floats) -> bool:
    if not len(points) or holds(shape, points) > 0.5:
        return False
    width, height = np.ptp(points, axis=0)
    x0, y0, x1, y1 = shape.bounds
    return bool((x1 - x0) * (y1 - y0) < _TINY_SHARE * width * height)


def _collect(files: Sequence[GerberFile]) -> tuple[Segments, Shapes, Shapes]:
    """Dark strokes, dark regions, and regions that erase."""
    parts: list[Segments] = []
    regions: list[Shapes] = []
    erased: list[Shapes] = []
    for file in files:
        o = file.objects
        stroked = o.stroked & o.dark
        functions = [a.function[:1] for a in file.apertures]
        marked = any(f == ("Profile",) for f in functions)
        # Exporters mark straight lines and forget arcs: what has no function counts as well.
        foreign = {("NonMaterial",)} if not marked else set(functions) - {("Profile",), ()}
        unwanted = np.array([f in foreign for f in functions] + [False])
        stroked &= ~unwanted[o.aperture]
        parts.append(Segments.of(o.take(stroked)))
        filled = o.kind == Kind.REGION
        regions.append(object_shapes(file, filled & o.dark))
        erased.append(object_shapes(file, filled & ~o.dark))
    empty = np.empty(0, dtype=object)
    return (
        Segments.concat(*parts),
        np.concatenate((empty, *regions)),
        np.concatenate((empty, *erased)),
    )


_DISC: Final = 0.95
"""Share of the disc around a shape from which on it counts as round; of an octagon it is 0.90."""


def _report_flashes(files: Sequence[GerberFile], evidence: Evidence, found: Outline) -> None:
    """Report flashes: rows across the material perforate it, shapes on it may be openings."""
    rows: list[shapely.LineString] | None = None
    for file in files:
        o = file.objects
        flashes = o.dark_rows(Kind.FLASH)
        if not len(flashes):
            continue
        if rows is None:
            rim = None if found.shape is None else shapely.boundary(found.shape)
            rows = [] if rim is None else find_perforations(rim, evidence.bites)
        spots = shapely.points(o.x0[flashes], o.y0[flashes])
        lines = np.array(rows, dtype=object)
        in_row = np.zeros(len(flashes), dtype=bool)
        in_row[shapely.STRtree(spots).query(lines, "dwithin", distance=SAME_END_MM)[1]] = True
        shapes = object_shapes(file, flashes)
        opening = ~in_row & _may_be_openings(shapes, evidence, found)
        if opening.any():
            mine = flashes[opening]
            largest = shapes[opening][np.argmax(shapely.area(shapes[opening]))]
            found.findings.append(
                Finding.of(
                    PROFILE_FLASHES,
                    f"{counted(len(mine), 'flashed shape')} of up to {size_words(largest)} on the "
                    "board, where no pad or hole is, in the profile",
                    *places_at(o.take(mine).starts(), file.name),
                    count=len(mine),
                    assumed="not cut out, in no picture either",
                    severity=Severity.WARNING,
                    advice="Draw openings as closed lines, and delete what is none.",
                )
            )
        for mine, words, assumed in (
            (flashes[in_row], "break-off hole", "a perforation, in rows from edge to edge"),
            (flashes[~in_row & ~opening], "flashed shape", "not part of the outline"),
        ):
            if len(mine):
                places = places_at(o.take(mine).starts(), file.name)
                message = f"{counted(len(mine), words)} in the profile"
                found.findings.append(
                    Finding.of(PROFILE_FLASHES, message, *places, count=len(mine), assumed=assumed)
                )


def _may_be_openings(shapes: Shapes, evidence: Evidence, found: Outline) -> Bools:
    """Which flashes on the board are neither round, as holes are, nor copies of pads."""
    out = np.zeros(len(shapes), dtype=bool)
    if found.shape is None:
        return out
    rows = np.flatnonzero(shapely.contains(found.shape, shapes) & (shapely.area(shapes) > 0))
    disc = np.pi * shapely.minimum_bounding_radius(shapes[rows]) ** 2
    rows = rows[shapely.area(shapes[rows]) < _DISC * disc]
    out[rows[~touched(shapes[rows], shapely.points(evidence.marks))]] = True
    return out


def _drop_targets(strokes: Segments, found: Outline) -> Segments:
    """Drop targets: circles with a cross of two short lines through their centre."""
    lines = np.flatnonzero(strokes.turn == 0)
    if len(lines) < 2:
        return strokes
    figure, circles, centres, width = _circles(strokes)
    tree = shapely.STRtree(shapely.points(strokes.middles()[lines]))
    circle, line = tree.query(
        shapely.points(centres), predicate="dwithin", distance=OUTLINE_JOIN_MM
    )
    length = strokes.chords()[lines][line]
    fits = (length >= width[circle]) & (length <= _CROSS_WIDTHS * width[circle])
    circle, line = circle[fits], line[fits]
    targets = np.flatnonzero(np.bincount(circle, minlength=len(circles)) >= 2)
    if not len(targets):
        return strokes
    found.report(
        PROFILE_STRAY,
        f"{counted(len(targets), 'target')} (a circle with a cross) in the profile",
        centres[targets],
        assumed="not part of the board",
        severity=Severity.NOTE,
    )
    keep = np.ones(len(strokes), dtype=bool)
    keep[np.isin(figure, circles[targets])] = False
    keep[lines[line[np.isin(circle, targets)]]] = False
    return strokes.take(keep)


def _circles(strokes: Segments) -> tuple[Ints, Ints, Floats, Floats]:
    """Figure of each stroke; the figures that are circles, their centres and widths.

    Exporters without arcs draw a circle by chords, others by two or four arcs.
    """
    figure = figures_of(strokes)
    points, owner = with_starts(strokes.starts(), *strokes.flatten(chord_error_mm=CHORD_ERROR_MM))
    mine = figure[owner]
    count = int(figure.max()) + 1
    middle = boxes_of_groups(boxes_of(points, points), mine, count).reshape(-1, 2, 2).mean(axis=1)
    radius = np.hypot(*(points - middle[mine]).T)
    near, far = np.full(count, np.inf), np.zeros(count)
    np.minimum.at(near, mine, radius)
    np.maximum.at(far, mine, radius)
    corners = np.bincount(mine, minlength=count)
    circles = np.flatnonzero((far - near <= OUTLINE_JOIN_MM) & (corners >= _ROUND_CORNERS))
    return figure, circles, middle[circles], 2 * far[circles]


def _split_regions(regions: Shapes) -> tuple[Shapes, Shapes]:
    """Regions that are bodies of boards, and figures drawn by thin regions."""
    empty = np.empty(0, dtype=object)
    regions = shapely.get_parts(regions) if len(regions) else empty
    regions = regions[shapely.area(regions) > 0] if len(regions) else empty
    if not len(regions):
        return empty, empty
    # Nearly the width of a long strip, whichever way it runs or bends.
    width = 2 * shapely.area(regions) / shapely.length(regions)
    solid = regions[width > _THIN_MM]
    bodies = []
    for part in shapely.get_parts(shapely.union_all(solid)) if len(solid) else ():
        # Rings, not a shape with holes: figures inside figures are judged as drawn lines are.
        bodies.append(shapely.Polygon(part.exterior))
        bodies += [shapely.Polygon(ring) for ring in part.interiors]
    lines = regions[width <= _THIN_MM]
    drawn = []
    if len(lines):
        # The centre line counts, as with a pen: half a width outwards from the inner rim.
        half = float(np.median(width[width <= _THIN_MM])) / 2
        for part in shapely.get_parts(shapely.union_all(lines)):
            inner = [shapely.Polygon(r).buffer(half, join_style="mitre") for r in part.interiors]
            drawn += [p for p in inner if p.geom_type == "Polygon"]
    return np.array(bodies, dtype=object), np.array(drawn, dtype=object)


def _close(strokes: Segments, points: Floats, bodies: Shapes, found: Outline) -> Figures:
    """Figures of strokes, with larger gaps bridged only when nothing else fits the board."""
    figures = find_figures(strokes)
    room = _room(figures, points, bodies, strokes)
    # Where a figure fits the pads already, a bridge could only enclose what is no board.
    if not len(figures.loose) or room <= _SNUG:
        return figures
    # From the smallest: a wide reach also joins ends that do not belong together.
    for gap_mm in _GAP_STEPS:
        if len(figures.loose) > _MANY_LOOSE and gap_mm > 10:
            break
        wider = find_figures(strokes, join_mm=gap_mm)
        # Lettering has loose ends too; closing them must bring the outline nearer to the board.
        if _room(wider, points, bodies, strokes) < _CLOSER * room:
            return wider
    if np.isfinite(room):
        return figures
    found.report(
        PROFILE_GAP,
        f"{counted(len(figures.loose), 'loose end')}: the outline is open",
        figures.loose,
        measured=_nearest_gap(figures.loose),
        limit=OUTLINE_JOIN_MM,
        unit="mm",
    )
    return figures


def _nearest_gap(loose: Floats) -> float | None:
    """Shortest distance between loose ends, mm."""
    if len(loose) < 2:
        return None
    distance, _ = PointTree(loose).query(loose, k=2)
    return float(distance[:, 1].min())


def _room(figures: Figures, points: Floats, bodies: Shapes, strokes: Segments) -> float:
    """Area of the smallest figure that holds all pads, over the area they need.

    When it takes several figures to hold them their sum counts; infinite when all together hold
    too few.  Without pads 1 when the figures fill a good part of the drawing.
    """
    shapes = np.concatenate((figures.filled, bodies))
    if not len(shapes):
        return float("inf")
    if not len(points):
        width = np.ptp(np.concatenate((strokes.x0, strokes.x1)))
        height = np.ptp(np.concatenate((strokes.y0, strokes.y1)))
        filled = float(shapely.area(shapely.union_all(shapes)))
        return 1.0 if filled > 0.3 * width * height else float("inf")
    shape, point = shapely.STRtree(shapely.points(points)).query(shapes, predicate="contains")
    share = np.bincount(shape, minlength=len(shapes)) / len(points)
    area = shapely.area(shapes)
    whole = share >= INSIDE_SHARE
    if whole.any():
        least = float(area[whole].min())
    # Boards on separate outlines: none holds all pads, but all together do.
    elif len(np.unique(point)) >= INSIDE_SHARE * len(points):
        least = float(area[share > 0].sum())
    else:
        return float("inf")
    return least / max(float(np.prod(np.ptp(points, axis=0))), 1.0)


def _report_joins(figures: Figures, found: Outline, *, rim: BaseGeometry | None) -> None:
    """Report where the outline was joined, and where it meets itself.

    ``rim`` is the edge of what was taken for the board: figures of a drawing beside it are not
    made, however they are drawn.  Without one all count.
    """
    bridges, crossings = figures.bridges, figures.crossings
    middles = (bridges[:, :2] + bridges[:, 2:]) / 2
    lengths = np.hypot(*(bridges[:, 2:] - bridges[:, :2]).T)
    if rim is not None:
        shapely.prepare(rim)
        on_rim = shapely.dwithin(rim, shapely.points(middles), OUTLINE_JOIN_MM)
        middles, lengths = middles[on_rim], lengths[on_rim]
        crossings = crossings[shapely.dwithin(rim, shapely.points(crossings), OUTLINE_JOIN_MM)]
    wide = lengths > OUTLINE_JOIN_MM
    for rule, rows, words in (
        (PROFILE_GAP, np.flatnonzero(wide), "the outline has a gap of {}"),
        (PROFILE_BRIDGED, np.flatnonzero(~wide), "ends of the outline are {} apart"),
    ):
        if not len(rows):
            continue
        rows = rows[np.argsort(-lengths[rows], kind="stable")]
        worst = float(lengths[rows[0]])
        found.report(
            rule,
            words.format(format_mm(worst, digits=4)),
            middles[rows],
            measured=worst,
            limit=OUTLINE_JOIN_MM,
            unit="mm",
            assumed="joined by a straight line",
        )
    if len(crossings):
        words = f"{counted(len(crossings), 'point')} where the outline meets itself"
        found.report(PROFILE_CROSSING, words, crossings)


def _report_stray(figures: Figures, stray: Shapes, found: Outline) -> None:
    if not len(stray) or not len(figures.filled):
        return
    total = format_number(float(shapely.length(stray).sum()), digits=1)
    lines = shapely.MultiLineString(list(stray))
    found.paths.append(EdgePath(PathKind.STRAY, ("it encloses nothing",), lines, len(stray)))
    found.report(
        PROFILE_STRAY,
        f"{counted(len(stray), 'line')}, {total} mm in all, enclosing nothing",
        shapely.get_coordinates(shapely.centroid(stray)),
        assumed="not part of the outline",
    )

"""The shape of the board from what the profile file draws.

Centre lines count, not the pen's width (Gerber Layer Format Specification 2021.02, section 6.5).
Real profile files also hold frames, dimensions, lettering and lines drawn twice; each is told
from the outline by where copper and holes are, and reported.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.board import rules
from fabkit.findings import Finding, Place
from fabkit.geometry.arcs import Floats
from fabkit.geometry.neighbours import PointTree
from fabkit.geometry.outlines import SAME_END_MM, Figures, Strokes, fill, find_figures, nest
from fabkit.gerber.model import GerberFile, Kind
from fabkit.gerber.shapes import object_shapes
from fabkit.units import OUTLINE_JOIN_MM, counted, format_mm, format_number

Shapes = NDArray[Any]

_DOUBLE_MM: Final = 0.3
"""A figure whose rim runs this near inside another's is the same line drawn twice."""
_THIN_MM: Final = 0.6
"""Regions narrower than this draw a line, they are not the board itself."""
_INSIDE_SHARE: Final = 0.98
"""The board holds at least this share of all pads and holes."""
_MARK_SHARE: Final = 0.01
"""A figure beside the board, without pads or holes and smaller than this share, is a mark."""
_CROSS_WIDTHS: Final = 3.0
"""The cross of a target is at most this many times as wide as its circle."""
_LETTER_MM: Final = 3.0
_LETTER_STRAYS: Final = 5
"""With this many open strokes of letter size, closed figures of letter size are letters too."""
_GAP_STEPS: Final = (0.2, 0.5, 1.0, 2.0, 5.0, 10.0)
"""Gaps that are tried in turn, mm, when an outline does not close."""
_PLACES: Final = 20


@dataclass(slots=True)
class Outline:
    """A board shape and what was found on the way."""

    shape: shapely.MultiPolygon | None = None
    findings: list[Finding] = field(default_factory=list)


def trace_outline(files: Sequence[GerberFile], points: Floats) -> Outline:
    """Trace the outline that profile files draw.

    Parameters
    ----------
    files
        Profile files, mostly one.
    points
        (n, 2) float64, mm: places of pads and holes, which the board must hold.
    """
    found = Outline()
    name = files[0].name if files else ""
    strokes, regions = _collect(files, found)
    strokes = _drop_targets(strokes, name, found)
    bodies, more = _split_regions(regions)
    figures = _close(strokes, points, bodies, name, found)
    filled = np.concatenate((figures.filled, bodies, more))
    filled = filled[np.argsort(-shapely.area(filled), kind="stable")] if len(filled) else filled
    filled = _drop_doubles(filled, figures.doubled_mm, name, found)
    filled = _drop_letters(filled, figures, name, found)
    filled = _drop_frames(filled, points, name, found)
    filled = _drop_marks(filled, points, name, found)
    _report_stray(figures, name, found)
    if len(filled):
        shape = fill(filled, nest(filled))
        found.shape = None if shape.is_empty else shape
    return found


def stroke_columns(file: GerberFile, rows: NDArray[Any]) -> Strokes:
    """Centre lines of some objects of a file."""
    o = file.objects
    return Strokes(
        o.x0[rows], o.y0[rows], o.x1[rows], o.y1[rows], o.cx[rows], o.cy[rows], o.turn[rows]
    )


def holds(shape: shapely.Geometry, points: Floats) -> float:
    """Share of points inside a shape; 0 without points."""
    if not len(points):
        return 0.0
    shapely.prepare(shape)
    return float(shapely.contains_xy(shape, points[:, 0], points[:, 1]).mean())


def _collect(files: Sequence[GerberFile], found: Outline) -> tuple[Strokes, Shapes]:
    parts: list[Strokes] = []
    regions: list[Shapes] = []
    for file in files:
        o = file.objects
        stroked = ((o.kind == Kind.DRAW) | (o.kind == Kind.ARC)) & o.dark
        functions = [a.function[:1] for a in file.apertures]
        marked = any(f == ("Profile",) for f in functions)
        # Exporters mark straight lines and forget arcs: what has no function counts as well.
        foreign = {("NonMaterial",)} if not marked else set(functions) - {("Profile",), ()}
        unwanted = np.array([f in foreign for f in functions] + [False])
        stroked &= ~unwanted[o.aperture]
        parts.append(stroke_columns(file, np.flatnonzero(stroked)))
        rows = np.flatnonzero((o.kind == Kind.REGION) & o.dark)
        regions.append(object_shapes(file, rows))
        flashes = np.flatnonzero((o.kind == Kind.FLASH) & o.dark)
        if len(flashes):
            found.findings.append(
                Finding.of(
                    rules.PROFILE_FLASHES,
                    f"{counted(len(flashes), 'flashed shape')} in the profile",
                    *(
                        Place(file=file.name, x_mm=float(o.x0[i]), y_mm=float(o.y0[i]))
                        for i in flashes[:_PLACES]
                    ),
                    count=len(flashes),
                    assumed="not part of the outline",
                )
            )
    empty = np.empty(0, dtype=object)
    return _join(parts), np.concatenate(regions) if regions else empty


def _join(parts: Sequence[Strokes]) -> Strokes:
    none = np.empty(0)
    if not parts:
        return Strokes(none, none, none, none, none, none, np.empty(0, np.int8))
    return Strokes(
        **{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Strokes)}
    )


def _drop_targets(strokes: Strokes, name: str, found: Outline) -> Strokes:
    """Drop targets: circles with a cross of two short lines through their centre."""
    circles = np.flatnonzero(np.abs(strokes.turn) == 2)
    lines = np.flatnonzero(strokes.turn == 0)
    if not len(circles) or len(lines) < 2:
        return strokes
    middle = np.column_stack(
        ((strokes.x0 + strokes.x1)[lines] / 2, (strokes.y0 + strokes.y1)[lines] / 2)
    )
    length = np.hypot((strokes.x1 - strokes.x0)[lines], (strokes.y1 - strokes.y0)[lines])
    centres = np.column_stack((strokes.cx[circles], strokes.cy[circles]))
    width = 2 * np.hypot(strokes.x0[circles] - centres[:, 0], strokes.y0[circles] - centres[:, 1])
    tree = shapely.STRtree(shapely.points(middle))
    circle, line = tree.query(shapely.points(centres), predicate="dwithin", distance=SAME_END_MM)
    fits = (length[line] >= width[circle]) & (length[line] <= _CROSS_WIDTHS * width[circle])
    circle, line = circle[fits], line[fits]
    targets = np.flatnonzero(np.bincount(circle, minlength=len(circles)) >= 2)
    if not len(targets):
        return strokes
    found.findings.append(
        Finding.of(
            rules.PROFILE_STRAY,
            f"{counted(len(targets), 'target')} (a circle with a cross) in the profile",
            *(
                Place(file=name, x_mm=float(x), y_mm=float(y))
                for x, y in centres[targets][:_PLACES]
            ),
            count=len(targets),
            assumed="not part of the board",
        )
    )
    keep = np.ones(len(strokes), dtype=bool)
    keep[circles[targets]] = False
    keep[lines[line[np.isin(circle, targets)]]] = False
    return strokes.take(keep)


def _split_regions(regions: Shapes) -> tuple[Shapes, Shapes]:
    """Regions that are bodies of boards, and figures drawn by thin regions."""
    empty = np.empty(0, dtype=object)
    regions = shapely.get_parts(regions) if len(regions) else empty
    regions = regions[shapely.area(regions) > 0] if len(regions) else empty
    if not len(regions):
        return empty, empty
    width = 2 * shapely.area(regions) / shapely.length(regions)
    solid = regions[width > _THIN_MM]
    bodies = []
    for part in shapely.get_parts(shapely.union_all(solid)) if len(solid) else ():
        bodies.append(shapely.Polygon(part.exterior))
        bodies += [shapely.Polygon(ring) for ring in part.interiors]
    lines = regions[width <= _THIN_MM]
    drawn = []
    if len(lines):
        half = float(np.median(width[width <= _THIN_MM])) / 2
        for part in shapely.get_parts(shapely.union_all(lines)):
            inner = [shapely.Polygon(r).buffer(half, join_style="mitre") for r in part.interiors]
            drawn += [p for p in inner if p.geom_type == "Polygon"]
    return _array(bodies), _array(drawn)


def _array(items: Sequence[shapely.Geometry]) -> Shapes:
    out = np.empty(len(items), dtype=object)
    out[:] = items
    return out


def _close(strokes: Strokes, points: Floats, bodies: Shapes, name: str, found: Outline) -> Figures:
    """Figures of strokes, with larger gaps bridged only when nothing else encloses the board."""
    figures = find_figures(strokes)
    if not len(figures.loose) or _is_enough(figures, points, bodies, strokes):
        _report_bridges(figures, name, found)
        return figures
    for gap_mm in _GAP_STEPS:
        wider = find_figures(strokes, join_mm=gap_mm)
        if _is_enough(wider, points, bodies, strokes):
            _report_bridges(wider, name, found)
            return wider
    found.findings.append(
        Finding.of(
            rules.PROFILE_GAP,
            f"{counted(len(figures.loose), 'loose end')}: the outline is open",
            *(Place(file=name, x_mm=float(x), y_mm=float(y)) for x, y in figures.loose[:_PLACES]),
            count=len(figures.loose),
            measured=_nearest_gap(figures.loose),
            limit=OUTLINE_JOIN_MM,
            unit="mm",
        )
    )
    return figures


def _nearest_gap(loose: Floats) -> float | None:
    """Shortest distance between loose ends, mm."""
    if len(loose) < 2:
        return None
    distance, _ = PointTree(loose).query(loose, k=2)
    return float(distance[:, 1].min())


def _is_enough(figures: Figures, points: Floats, bodies: Shapes, strokes: Strokes) -> bool:
    shapes = np.concatenate((figures.filled, bodies))
    if not len(shapes):
        return False
    if len(points):
        return holds(shapely.union_all(shapes), points) >= _INSIDE_SHARE
    width = np.ptp(np.concatenate((strokes.x0, strokes.x1)))
    height = np.ptp(np.concatenate((strokes.y0, strokes.y1)))
    return bool(shapely.area(shapely.union_all(shapes)) > 0.3 * width * height)


def _report_bridges(figures: Figures, name: str, found: Outline) -> None:
    lengths = np.hypot(*(figures.bridges[:, 2:] - figures.bridges[:, :2]).T)
    wide = lengths > OUTLINE_JOIN_MM
    for rule, rows, words in (
        (rules.PROFILE_GAP, np.flatnonzero(wide), "the outline has a gap of {}"),
        (rules.PROFILE_BRIDGED, np.flatnonzero(~wide), "ends of the outline are {} apart"),
    ):
        if not len(rows):
            continue
        rows = rows[np.argsort(-lengths[rows], kind="stable")]
        worst = float(lengths[rows[0]])
        found.findings.append(
            Finding.of(
                rule,
                words.format(format_mm(worst, digits=4)),
                *(
                    Place(
                        file=name,
                        x_mm=float(figures.bridges[i, 0] + figures.bridges[i, 2]) / 2,
                        y_mm=float(figures.bridges[i, 1] + figures.bridges[i, 3]) / 2,
                    )
                    for i in rows[:_PLACES]
                ),
                count=len(rows),
                measured=worst,
                limit=OUTLINE_JOIN_MM,
                unit="mm",
                assumed="joined by a straight line",
            )
        )


def _report_stray(figures: Figures, name: str, found: Outline) -> None:
    if len(figures.crossings):
        found.findings.append(
            Finding.of(
                rules.PROFILE_CROSSING,
                f"{counted(len(figures.crossings), 'point')} where the outline meets itself",
                *(
                    Place(file=name, x_mm=float(x), y_mm=float(y))
                    for x, y in figures.crossings[:_PLACES]
                ),
                count=len(figures.crossings),
            )
        )
    if not len(figures.stray) or not len(figures.filled):
        return
    middle = shapely.get_coordinates(shapely.centroid(figures.stray))
    total = format_number(float(shapely.length(figures.stray).sum()), digits=1)
    found.findings.append(
        Finding.of(
            rules.PROFILE_STRAY,
            f"{counted(len(figures.stray), 'line')}, {total} mm in all, enclosing nothing",
            *(Place(file=name, x_mm=float(x), y_mm=float(y)) for x, y in middle[:_PLACES]),
            count=len(figures.stray),
            assumed="not part of the outline",
        )
    )


def _drop_doubles(filled: Shapes, doubled_mm: float, name: str, found: Outline) -> Shapes:
    """Drop figures whose rim follows that of a larger one: the same line drawn twice."""
    keep = np.ones(len(filled), dtype=bool)
    if len(filled) > 1:
        rims = shapely.get_exterior_ring(filled)
        around = shapely.length(rims)
        tree = shapely.STRtree(filled)
        inner, outer = tree.query(shapely.point_on_surface(filled), predicate="within")
        for i, j in sorted(zip(inner.tolist(), outer.tolist(), strict=True)):
            if i <= j or not keep[j]:  # figures come largest first
                continue
            spare = (shapely.area(filled[j]) - shapely.area(filled[i])) / around[j]
            if spare < _DOUBLE_MM and shapely.hausdorff_distance(rims[i], rims[j]) < 2 * _DOUBLE_MM:
                keep[i] = False
                doubled_mm += float(around[i])
    if doubled_mm > OUTLINE_JOIN_MM:
        found.findings.append(
            Finding.of(
                rules.PROFILE_DOUBLED,
                f"{format_mm(doubled_mm, digits=1)} of the outline are drawn more than once",
                Place(file=name),
                assumed="taken once",
            )
        )
    kept: Shapes = filled[keep]
    return kept


def _drop_letters(filled: Shapes, figures: Figures, name: str, found: Outline) -> Shapes:
    """Drop closed letters: small figures in a file with many small open strokes."""
    if len(filled) < 2 or not len(figures.stray):
        return filled
    strays = figures.stray[shapely.length(figures.stray) < 2 * _LETTER_MM]
    if len(strays) < _LETTER_STRAYS:
        return filled
    boxes = shapely.bounds(filled)
    small = np.maximum(boxes[:, 2] - boxes[:, 0], boxes[:, 3] - boxes[:, 1]) < _LETTER_MM
    near = np.zeros(len(filled), dtype=bool)
    rows, _ = shapely.STRtree(strays).query(filled, predicate="dwithin", distance=_LETTER_MM)
    near[rows] = True
    letters = small & near
    if many := int(np.count_nonzero(letters)):
        x0, y0 = boxes[np.flatnonzero(letters)[0], :2]
        found.findings.append(
            Finding.of(
                rules.PROFILE_LETTERING,
                f"{counted(many, 'small closed figure')} among open strokes",
                Place(file=name, x_mm=float(x0), y_mm=float(y0)),
                count=many,
                assumed="not cut out",
            )
        )
    kept: Shapes = filled[~letters]
    return kept


def _drop_frames(filled: Shapes, points: Floats, name: str, found: Outline) -> Shapes:
    """Drop figures around the board, and what a drawing puts beside it."""
    if len(filled) < 2 or not len(points):
        return filled
    share = np.array([holds(shape, points) for shape in filled])
    whole = np.flatnonzero(share >= _INSIDE_SHARE)
    if len(whole) < 2:
        return filled
    board = filled[whole[-1]]  # the smallest that still holds all
    frames = whole[:-1]
    outside = ~shapely.intersects(filled, board)
    outside[frames] = True
    x0, y0, x1, y1 = shapely.bounds(filled[frames[0]])
    found.findings.append(
        Finding.of(
            rules.PROFILE_FRAME,
            f"a frame of {format_number(x1 - x0)} x {format_mm(y1 - y0)} lies around the board",
            Place(file=name, x_mm=float(x0), y_mm=float(y0)),
            assumed="not part of the board",
        )
    )
    kept: Shapes = filled[~outside]
    return kept


def _drop_marks(filled: Shapes, points: Floats, name: str, found: Outline) -> Shapes:
    """Drop small closed marks beside the board, such as targets and arrow heads."""
    if len(filled) < 2 or holds(shapely.union_all(filled), points) < _INSIDE_SHARE:
        return filled
    area = shapely.area(filled)
    small = (area < _MARK_SHARE * area[0]) & (nest(filled) == 0)
    marks = [i for i in np.flatnonzero(small) if holds(filled[i], points) == 0]
    if marks:
        centres = shapely.get_coordinates(shapely.centroid(filled[marks]))
        found.findings.append(
            Finding.of(
                rules.PROFILE_STRAY,
                f"{counted(len(marks), 'small closed figure')} beside the board",
                *(Place(file=name, x_mm=float(x), y_mm=float(y)) for x, y in centres[:_PLACES]),
                count=len(marks),
                assumed="not part of the board",
            )
        )
    kept: Shapes = np.delete(filled, marks)
    return kept

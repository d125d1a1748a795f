"""The profile: its paths read together, with the holes and slots that are part of them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Floats, Ints, rows_by
from fabkit.base.findings import Finding, Place, places_at
from fabkit.base.units import AREA_MM2, COINCIDENT_MM, OUTLINE_JOIN_MM, counted, format_number
from fabkit.board.figures import Evidence, Outline, holds, polygons_in
from fabkit.board.model import BoardSlots, EdgePath, Holes, Panel, PathKind, cut_shapes
from fabkit.board.outline import trace_outline
from fabkit.board.panel import find_panel
from fabkit.formats.gerber.model import GerberFile, Kind
from fabkit.formats.sidecars.model import JobFile
from fabkit.geometry.neighbours import PointTree, label_groups
from fabkit.geometry.outlines import find_figures
from fabkit.geometry.segments import Segments
from fabkit.package.model import Package, PackageFile, RoleKind
from fabkit.rules import load_rule

PROFILE_ACROSS: Final = load_rule("profile/line-across")
PROFILE_INFERRED: Final = load_rule("profile/inferred")
ROUTED_CUT_OUT: Final = load_rule("profile/routed-cut-out")
OUTLINE_ROUTED: Final = load_rule("board/outline-routed")

_COATS: Final = (RoleKind.COPPER, RoleKind.MASK, RoleKind.PASTE)
_MOST_STROKES: Final = 5_000
"""An aperture that draws more than this draws no outline."""
_HOLDS_ALL: Final = 0.995
_MARGIN_MM: Final = 5.0
_MOSTLY: Final = 0.5
"""Share of a layer's pads about the holes from which on it lies with them."""
_BORROW: Final = (
    *(RoleKind.DRAWING, RoleKind.UNKNOWN, RoleKind.OTHER_LAYER, RoleKind.LEGEND),
    *(RoleKind.MASK, RoleKind.PASTE, RoleKind.COPPER),
)
"""Where an outline is looked for when no profile file gives one, in this order."""


def build_profile(
    package: Package,
    points: Floats,
    holes: Holes,
    slots: BoardSlots,
    drill_names: Sequence[str],
) -> Outline:
    """Build the profile of a board.

    Parameters
    ----------
    points
        (n, 2) float64, mm: what the board must hold; see :func:`content_points`.
    drill_names
        File names that slots point into.
    """
    profiles = [f.gerber for f in package.of(RoleKind.PROFILE) if f.gerber is not None]
    profiles = [file for file in profiles if len(file.objects)]
    outline = trace_outline(profiles, _evidence(package, points, holes))
    if outline.shape is None:
        _borrow(package, points, outline)
    if outline.shape is not None:
        _cut_routed(outline, points, slots, drill_names)
    return outline


def panel_of(package: Package, outline: Outline, points: Floats, holes: Holes) -> Panel | None:
    """Find the panel that an outline is; see :func:`fabkit.board.panel.find_panel`."""
    if outline.shape is None:
        return None
    score, tracks = (
        np.concatenate(
            [np.empty((0, 4)), *(_strokes(f.gerber) for f in package.of(kind) if f.gerber)]
        )
        for kind in (RoleKind.SCORE, RoleKind.COPPER)
    )
    return find_panel(
        outline.shape,
        points=points,
        holes=_bites(package, holes, points),
        score=shapely.linestrings(score.reshape(-1, 2, 2)),
        drawn=outline.lines,
        tracks=tracks,
    )


_ACROSS_MM: Final = 1.0
"""Shorter lines inside the material are tips and doubled corners."""


def find_lines_across(outline: Outline, panel: Panel | None) -> Iterator[Finding]:
    """Find lines of the profile that divide the material, but are no edge of a board in a panel."""
    if outline.shape is None or not len(outline.lines):
        return
    edges = [shapely.boundary(outline.shape)]
    if panel is not None:
        pieces = np.concatenate((panel.boards, panel.rails, panel.tabs))
        edges += list(shapely.boundary(pieces))
    near = shapely.buffer(shapely.union_all(edges), OUTLINE_JOIN_MM, quad_segs=1)
    inside = shapely.intersection(shapely.union_all(outline.lines), outline.shape)
    left = shapely.get_parts(shapely.line_merge(shapely.difference(inside, near)))
    left = left[shapely.length(left) > _ACROSS_MM]
    if not len(left):
        return
    left = left[np.argsort(-shapely.length(left), kind="stable")]
    middle = shapely.line_interpolate_point(left, 0.5, normalized=True)
    longest = format_number(float(shapely.length(left[0])), digits=1)
    yield Finding.of(
        PROFILE_ACROSS,
        f"{counted(len(left), 'line')} across the material, the longest {longest} mm",
        *places_at(shapely.get_coordinates(middle), outline.file),
        count=len(left),
        measured=float(shapely.length(left[0])),
        unit="mm",
        assumed="not cut",
    )


def _bites(package: Package, holes: Holes, points: Floats) -> Floats:
    """Place and diameter of holes that may perforate the material, (n, 3)."""
    flashes = [_flashes(f.gerber) for f in package.of(RoleKind.PROFILE) if f.gerber is not None]
    return np.concatenate((_without_pads(package, holes, points), *flashes))


def _without_pads(package: Package, holes: Holes, points: Floats) -> Floats:
    """Place and diameter of holes without a pad, (n, 3)."""
    table = np.column_stack((holes.x, holes.y, holes.diameter))
    bare = holes.plated != 1
    if len(points) and len(package.of(RoleKind.COPPER)):
        # Exporters list perforations among the plated holes; they have no pads all the same.
        far = ~np.isfinite(PointTree(points).query(table[:, :2], within=COINCIDENT_MM * 20)[0])
        bare |= far
    bites: Floats = table[bare]
    return bites


def _flashes(file: GerberFile) -> Floats:
    """Place and diameter of round flashes, (n, 3)."""
    o = file.objects
    size = np.array([a.diameter_mm or 0.0 for a in file.apertures] + [0.0])
    rows = o.dark_rows(Kind.FLASH)
    table: Floats = np.column_stack((o.x0[rows], o.y0[rows], size[o.aperture[rows]]))
    return table


def _strokes(file: GerberFile) -> Floats:
    """List the ends of straight strokes, (n, 4)."""
    drawn = file.objects.take(file.objects.dark_rows(Kind.DRAW))
    return np.column_stack((drawn.starts(), drawn.ends()))


def _evidence(package: Package, points: Floats, holes: Holes) -> Evidence:
    jobs = [f.content for f in package.files if isinstance(f.content, JobFile)]
    stated = next((job.size_mm for job in jobs if job.size_mm is not None), None)
    marks = np.concatenate((points, holes.spots()))
    return Evidence(points, np.unique(marks, axis=0), _bites(package, holes, points), stated)


def content_points(package: Package, holes: Holes) -> Floats:
    """Places of outer pads, or of holes where there are no pads, mm: (n, 2) float64.

    Pads come first because drill files are out of place more often than layers.
    """
    drilled = holes.spots()
    found = [np.empty((0, 2))]
    for file in package.of(RoleKind.COPPER):
        if file.gerber is not None and not file.role.inner:
            o = file.gerber.objects
            if len(rows := o.dark_rows(Kind.FLASH)):
                found.append(o.take(rows).starts())
    if len(drilled):
        # A layer off or in another size, which the holes and the other one show, proves nothing.
        low, high = drilled.min(axis=0), drilled.max(axis=0)
        reach = high - low + _MARGIN_MM
        near = [((p >= low - reach) & (p <= high + reach)).all(axis=1).mean() for p in found[1:]]
        if near and max(near) > _MOSTLY:
            found = [p for p, share in zip(found[1:], near, strict=True) if share > _MOSTLY]
    pads = np.concatenate(found)
    return np.unique(pads if len(pads) else drilled, axis=0)


def _borrow(package: Package, points: Floats, outline: Outline) -> None:
    """Take the outline from strokes of another layer that close around everything."""
    if not len(points):
        return
    box = shapely.box(*points.min(axis=0), *points.max(axis=0))
    candidates: list[tuple[float, shapely.Polygon, PackageFile]] = []
    for kind in _BORROW:
        for file in package.of(kind):
            if file.gerber is not None:
                for rows in _groups(file.gerber, box):
                    figures = find_figures(Segments.of(file.gerber.objects.take(rows)))
                    candidates += [
                        (float(shape.area), shape, file)
                        for shape in figures.filled
                        if holds(shape, points) >= _HOLDS_ALL
                    ]
        if candidates:
            break
    if not candidates:
        return
    # The smallest: a frame around the drawing closes around everything as well.
    _, shape, file = min(candidates, key=lambda item: (item[0], item[2].name))
    outline.shape = shapely.MultiPolygon([shape])
    x0, y0, x1, y1 = shape.bounds
    size = f"{format_number(x1 - x0)} x {format_number(y1 - y0)} mm"
    outline.findings.append(
        Finding.of(
            PROFILE_INFERRED,
            f"an outline of {size} was found in the {file.role}",
            Place(file=file.name),
            assumed="used as the profile, without cut-outs",
        )
    )


def find_drawn_outline(problems: Iterable[Finding], package: Package) -> Finding | None:
    """Find that the outline was taken from a drawing or a legend, as no file is the profile.

    The rim of copper, mask or paste is only near the outline.
    """
    kinds = {file.name: file.role.kind for file in package.files}
    return next(
        (
            p
            for p in problems
            if p.id == PROFILE_INFERRED.id and kinds.get(p.places[0].file or "") not in _COATS
        ),
        None,
    )


def _groups(file: GerberFile, box: shapely.Polygon) -> Iterator[Ints]:
    """Strokes of one aperture that reach around the box."""
    o = file.objects
    stroked = o.stroked & o.dark
    x0, y0, x1, y1 = box.bounds
    slack = OUTLINE_JOIN_MM
    # Pen by pen, so that lettering of the same layer is not tangled with the outline.
    drawn = np.flatnonzero(stroked)
    for mine in rows_by(o.aperture[drawn]).values():
        rows = drawn[mine]
        if len(rows) > _MOST_STROKES:
            continue
        x = np.concatenate((o.x0[rows], o.x1[rows]))
        y = np.concatenate((o.y0[rows], o.y1[rows]))
        around = x.min() <= x0 + slack and y.min() <= y0 + slack
        if around and x.max() >= x1 - slack and y.max() >= y1 - slack:
            yield rows


def _cut_routed(
    outline: Outline, points: Floats, slots: BoardSlots, drill_names: Sequence[str]
) -> None:
    """Subtract what closed non-plated router paths cut free."""
    for path, ring in _closed_paths(slots):
        shape = outline.shape
        if shape is None or not shape.contains(ring):
            continue
        if holds(ring, points) > 0.5:
            continue  # a path around the board itself: its outline once more
        outline.shape = polygons_in(shape.difference(ring))
        row = int(np.flatnonzero(slots.path == path)[0])
        places = places_at(ring.centroid.coords, drill_names[int(slots.file[row])])
        message = f"a routed path cuts out {format_number(ring.area, digits=1)} mm²"
        outline.findings.append(Finding.of(ROUTED_CUT_OUT, message, *places))


def _closed_paths(slots: BoardSlots) -> Iterator[tuple[int, BaseGeometry]]:
    bare = slots.plated == 0
    paths, counts = np.unique(slots.path[bare], return_counts=True)
    for path, count in zip(paths, counts, strict=True):
        rows = np.flatnonzero(slots.path == path)
        full_circle = count == 1 and abs(int(slots.turn[rows[0]])) == 2
        if count < 2 and not full_circle:
            continue
        figures = find_figures(Segments.of(slots.take(rows)))
        if not len(figures.filled):
            continue
        ring = figures.filled[0]
        radius = float(slots.diameter[rows].max()) / 2
        # A path whose inside the tool clears anyway is a pocket, and cut as a slot.
        if not ring.buffer(-radius).is_empty:
            yield int(path), ring


_CUTS: Final = 3
"""So many overlapping slots mill one opening; two make a cross or an angle (common practice)."""
_SAME_SHARE: Final = 0.05
"""With less of a hole left in the material it is the cut-out itself, drilled and drawn."""


def merge_slots(
    outline: Outline, slots: BoardSlots, points: Floats, drill_names: tuple[str, ...]
) -> BoardSlots:
    """Take openings that overlapping non-plated slots mill out of the profile, and those slots.

    What such slots cut free falls out, unless it holds pads: then they follow a board's edge.

    Returns
    -------
    The slots that stay slots.
    """
    bare = np.flatnonzero(slots.plated != 1)
    if outline.shape is None or len(bare) < _CUTS:
        return slots
    mine = slots.take(bare)
    paths, numbers = np.unique(mine.path), mine.path
    shapes = cut_shapes(Holes.empty(), mine)
    a, b = shapely.STRtree(shapes).query(shapes, predicate="intersects")
    label = label_groups(len(shapes), a[a < b], b[a < b])
    openings: list[BaseGeometry] = []
    cuts: list[Ints] = []
    pads = shapely.STRtree(shapely.points(points))
    for rows in rows_by(label).values():
        if len(rows) < _CUTS:
            continue
        milled = shapely.get_parts(shapely.union_all(shapes[rows]))
        # The outer rim alone: an island that the slots go round falls out with them.
        opening = shapely.Polygon(milled[int(shapely.area(milled).argmax())].exterior)
        # Exporters flash each slot once more in copper; only pads on what falls out count.
        loose = shapely.difference(opening, shapely.union_all(milled))
        if outline.shape.contains(opening) and not len(pads.query(loose, predicate="contains")):
            openings.append(opening)
            cuts.append(rows)
    if not openings:
        return slots
    _take_out(outline, openings)
    many = sum(len(rows) for rows in cuts)
    outline.paths += [
        EdgePath(PathKind.CUT_OUT, (f"{len(rows)} slots that overlap mill it",), opening)
        for rows, opening in zip(cuts, openings, strict=True)
    ]
    row = int(bare[np.flatnonzero(numbers == paths[cuts[0][0]])[0]])
    area = format_number(sum(opening.area for opening in openings), digits=1)
    outline.findings.append(
        Finding.of(
            ROUTED_CUT_OUT,
            f"{many} overlapping slots mill {counted(len(openings), 'cut-out')}, {area} mm² in all",
            *places_at(
                shapely.get_coordinates(shapely.centroid(openings)),
                drill_names[int(slots.file[row])],
            ),
            count=len(openings),
            assumed="cut-outs, no slots",
        )
    )
    gone = np.isin(slots.path, paths[np.concatenate(cuts)]) & (slots.plated != 1)
    return slots.take(~gone)


def merge_holes(outline: Outline, holes: Holes) -> None:
    """Take the rest of bare holes that run into a cut-out out of the profile: they widen it."""
    shape = outline.shape
    bare = np.flatnonzero((holes.plated != 1) & (holes.diameter > 0))
    inner = [ring for part in (shape.geoms if shape is not None else ()) for ring in part.interiors]
    if not inner or not len(bare):
        return
    centres = shapely.points(holes.x[bare], holes.y[bare])
    rings = np.array(inner, dtype=object)
    # Asked this way round, each ring is prepared once for all centres.
    ring, hole = shapely.STRtree(centres).query(
        rings, predicate="dwithin", distance=float(holes.diameter[bare].max()) / 2
    )
    near = shapely.distance(centres[hole], rings[ring]) < holes.diameter[bare][hole] / 2
    rows = bare[np.unique(hole[near])]
    discs = cut_shapes(holes.take(rows), BoardSlots.empty())
    left = shapely.area(shapely.intersection(discs, shape))
    discs = discs[left > _SAME_SHARE * shapely.area(discs)]
    if len(discs):
        outline.paths.append(
            EdgePath(
                PathKind.CUT_OUT,
                ("holes that run into a cut-out widen it",),
                shapely.GeometryCollection(list(discs)),
                len(discs),
            )
        )
        _take_out(outline, list(discs))


def _take_out(outline: Outline, openings: list[BaseGeometry]) -> None:
    rest = shapely.difference(outline.shape, shapely.union_all(openings))
    outline.shape = polygons_in(rest, least_mm2=AREA_MM2)


_OFF_MM: Final = 0.1
"""How far beyond its half width a path along the outline may lie off it."""

_SHARE: Final = 0.5
"""Share of an outline that paths must follow to count as the outline; tabs leave gaps."""

_FACETS: Final = 16


def drop_retraced(
    slots: BoardSlots, profile: BaseGeometry, drill_names: tuple[str, ...], findings: list[Finding]
) -> BoardSlots:
    """Leave out router paths that run along the outline, which the profile already cuts.

    Plated paths stay: a plated edge is routed before the board is, and is meant.

    Parameters
    ----------
    findings
        Receives one note when there are such paths.
    """
    if profile is None or not len(slots):
        return slots
    rim = shapely.boundary(profile)
    chord = slots.chords()
    # Ends and points between them: a chord across the board has its ends alone on the outline.
    share = np.linspace(0, 1, _FACETS)[None]
    x = slots.x0[:, None] + share * (slots.x1 - slots.x0)[:, None]
    y = slots.y0[:, None] + share * (slots.y1 - slots.y0)[:, None]
    straight = slots.turn == 0
    # Points on the chord of an arc are off the arc: arcs are asked at their ends.
    x[~straight, 1:-1], y[~straight, 1:-1] = x[~straight, :1], y[~straight, :1]
    off = shapely.distance(shapely.points(x, y), rim).max(axis=1)
    along = (off <= slots.diameter / 2 + _OFF_MM) & (slots.plated != 1)
    follows = [
        path
        for path, rows in rows_by(slots.path).items()
        if along[rows].all() and chord[rows].sum() > 5 * slots.diameter[rows].max()
    ]
    mine = np.isin(slots.path, follows)
    if chord[mine].sum() < _SHARE * max(p.exterior.length for p in profile.geoms):
        return slots
    findings.append(
        Finding.of(
            OUTLINE_ROUTED,
            "the drill file routs along the outline of the board",
            *places_at(slots.take(mine).starts(), drill_names[slots.file[mine][0]], most=1),
            count=len(follows),
            assumed="the profile counts, and the paths are no slots",
        )
    )
    return slots.take(~mine)

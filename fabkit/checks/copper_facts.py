"""What several checks need to know about the copper, computed once a run (``Case.shared``).

Whole layers are drawn with chords within two micrometres of their arcs.  A measure that decides
about a limit is taken again in a close-up: a small window of a layer, of the few objects around its
place, drawn so finely that arcs measure as arcs.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Bools, Columns, Floats, Ints, Shapes
from fabkit.base.findings import Place
from fabkit.base.units import CHORD_ERROR_MM, COINCIDENT_MM
from fabkit.board.connectivity import cut_columns, pieces_at
from fabkit.board.copper import Copper, trace_copper
from fabkit.board.model import Layer
from fabkit.checks.model import Case, NotJudged
from fabkit.checks.worst import Measures, PlaceOf
from fabkit.formats.gerber.model import GerberFile, Kind, object_boxes, object_shapes, pen_widths
from fabkit.formats.sidecars.model import JobFile
from fabkit.geometry.areas import MARGIN_MM, polygons_of
from fabkit.geometry.facing import Facings, facets_of, find_gaps, find_widths
from fabkit.geometry.neighbours import grown, meeting_boxes
from fabkit.package.model import RoleKind
from fabkit.sheets.house import Limit

TIE: Final = re.compile(
    r"(?:net|star)[ _-]?tie|jumper|solder[ _-]?(?:bridge|link)|^(?:NT|JP|SJ)\d", re.IGNORECASE
)
"""References, values and footprints of parts that join nets on purpose (common practice)."""

SAME_SPOT_MM: Final = 0.5
"""Narrow places nearer than this are reported once: one bottleneck, not each of its corners."""

MEASURED_AGAIN: Final = 60
"""Distinct measures taken again per layer and rule: thrice what a finding shows."""


@dataclass(frozen=True, eq=False)
class Cuts:
    """Every hole and slot of the board as one table: holes first, then slot paths.

    ``slot_row`` is a row of ``board.slots`` for a path, -1 for a hole.
    """

    shapes: Shapes
    plated: NDArray[np.int8]
    first: NDArray[np.int32]
    last: NDArray[np.int32]
    width: Floats
    slot_row: Ints
    x: Floats
    y: Floats
    function: tuple[tuple[str, ...], ...]

    @property
    def round(self) -> Bools:
        """(n,) bool: drilled once, not a path."""
        return self.slot_row < 0

    def spots(self) -> Floats:
        """Places, (n, 2) float64, mm."""
        return np.column_stack((self.x, self.y))


def copper_of(case: Case) -> Copper:
    """Give the board's copper."""
    return trace_copper(case.board)


def ties_of(case: Case) -> frozenset[str]:
    """References of the parts that are there to join two nets by copper."""
    return frozenset(
        part.ref
        for part in case.board.components
        if any(TIE.search(word) for word in (part.ref, part.value, part.footprint))
    )


def cuts_of(case: Case) -> Cuts:
    """Give the board's holes and slots."""
    board = case.board
    holes, slots = board.holes, board.slots
    plated, first, last = cut_columns(board)
    _, row = np.unique(slots.path, return_index=True)
    middle = np.column_stack((slots.x0 + slots.x1, slots.y0 + slots.y1))[row] / 2
    # A path of unknown width has no shape and no centroid, but a place.
    spots, known = shapely.get_coordinates(
        shapely.centroid(board.hole_shapes[len(holes) :]), return_index=True
    )
    middle[known] = spots
    functions = np.concatenate((holes.function, slots.function[row]))
    return Cuts(
        shapes=board.hole_shapes,
        plated=plated,
        first=first,
        last=last,
        width=np.concatenate((holes.diameter, slots.diameter[row])),
        slot_row=np.concatenate((np.full(len(holes), -1), row)).astype(np.int64),
        x=np.concatenate((holes.x, middle[:, 0])),
        y=np.concatenate((holes.y, middle[:, 1])),
        function=tuple(
            board.hole_functions[f] if 0 <= f < len(board.hole_functions) else () for f in functions
        ),
    )


def jobs_of(case: Case) -> Iterator[tuple[str, JobFile]]:
    """Give the job files with their names."""
    for file in case.board.package.of(RoleKind.JOB):
        if isinstance(file.content, JobFile):
            yield file.name, file.content


def states_castellated(job: JobFile) -> object:
    """Give what a job file states about castellated edges; None for nothing."""
    specs = job.raw.get("GeneralSpecs")
    return specs.get("Castellated") if isinstance(specs, dict) else None


def castellations(case: Case) -> Bools:
    """Cuts that the drill file, their pads or the job file state to be halved on purpose."""
    cuts = case.shared(cuts_of)
    out = np.array(["Castellated" in "".join(f) for f in cuts.function], dtype=bool)
    copper = case.shared(copper_of)
    stated = copper.pads_stating(frozenset({"CastellatedPad"}))
    if stated.any():
        pads = shapely.STRtree(copper.pad_shapes[stated])
        out[pads.query(shapely.points(cuts.x, cuts.y), "intersects")[0]] = True
    if any(states_castellated(job) is True for _, job in jobs_of(case)):
        out |= _on_edge(case)
    return out


def half_holes(case: Case) -> Bools:
    """Cuts that the edge halves on purpose: stated, or plated with the middle on the edge."""
    return case.shared(castellations) | _on_edge(case)


def _on_edge(case: Case) -> Bools:
    """Plated holes with their middle on the edge: within a quarter of the diameter.

    A hole that only touches the edge is not there.
    """
    cuts, profile = case.shared(cuts_of), case.board.profile
    if profile is None or not len(cuts.x):
        return np.zeros(len(cuts.x), dtype=bool)
    off = shapely.distance(shapely.points(cuts.x, cuts.y), shapely.boundary(profile))
    on_edge: Bools = (cuts.plated == 1) & cuts.round & (off < cuts.width / 4)
    return on_edge


RING_MM: Final = 0.03
"""How far outside the rim of a cut-out its pad is looked for, as for holes."""

AROUND: Final = 0.5
"""Share of a rim along which a pad shows: one that is no longer than a slot leaves its ends."""

BARED: Final = 0.85
"""Share of a cut-out over which the mask is open."""


def padded_cuts(case: Case) -> Shapes:
    """Cut-outs of the profile with bare pads around them on both faces: slots to be plated."""
    board = case.board
    outer = [(k, layer.side) for k, layer in enumerate(board.copper) if layer.side is not None]
    masks = {a.side: a.file.image for a in board.layers if a.kind is RoleKind.MASK}
    # A pour that nobody cleared around a slot is covered by the mask.
    if board.profile is None or len(outer) < 2 or not masks.keys() >= {s for _, s in outer}:
        return np.empty(0, dtype=object)
    pieces = case.shared(copper_of).pieces
    # The first ring of each part is its outside.
    rings, part = shapely.get_rings(shapely.get_parts(board.profile), return_index=True)
    cuts = shapely.polygons(rings[1:][np.diff(part) == 0])
    for k, side in outer:
        rims = shapely.boundary(shapely.buffer(cuts, RING_MM))
        around = _shares(rims, pieces.polygons[pieces.on_layer(k)], shapely.length) >= AROUND
        cuts = cuts[around & (_shares(cuts, shapely.get_parts(masks[side])) >= BARED)]
    return np.asarray(cuts)


def _shares(
    shapes: Shapes, others: Shapes, size: Callable[[Shapes], Floats] = shapely.area
) -> Floats:
    """Share of each shape's size that polygons cover, which do not overlap."""
    row, other = shapely.STRtree(others).query(shapes, predicate="intersects")
    shared = size(shapely.intersection(shapes[row], others[other]))
    return np.asarray(np.bincount(row, shared, minlength=len(shapes)) / size(shapes))


def cut_place(case: Case, cut: int, *, side: str | None = None) -> Place:
    """Place of a hole or slot path, by its row in :class:`Cuts`."""
    cuts = case.shared(cuts_of)
    slot = int(cuts.slot_row[cut])
    found = case.hole_place(cut) if slot < 0 else case.slot_place(slot)
    return case.place(found.file or "", found.offset, side=side, x_mm=cuts.x[cut], y_mm=cuts.y[cut])


def cuts_at(case: Case, rows: Ints, *, side: str | None = None) -> PlaceOf:
    """Places of holes and slot paths, by their rows in :class:`Cuts`."""
    return lambda row: cut_place(case, int(rows[row]), side=side)


def pad_place(case: Case, pad: int) -> Place:
    """Place of a pad, by its row in ``Copper.pads``."""
    pads = case.shared(copper_of).pads
    return case.object_place(
        case.board.copper[pads.layer[pad]],
        int(pads.row[pad]),
        x_mm=float(pads.x[pad]),
        y_mm=float(pads.y[pad]),
    )


def strokes_of(layer: Layer) -> tuple[Ints, Floats]:
    """Rows of the dark draws and arcs of a layer, and the width of each.

    Returns
    -------
    rows : (n,) int64
    pen : (n,) float64, mm
        inf where the tool is no solid circle, or a point.
    """
    objects = layer.file.objects
    rows = objects.dark_rows(Kind.DRAW, Kind.ARC)
    pen = pen_widths(layer.file, rows)
    return rows, np.where(pen > 0, pen, np.inf)


def equal_strokes(layer: Layer, rows: Ints) -> tuple[Ints, Ints]:
    """Kinds of strokes that are drawn over each other by equal pens.

    Returns
    -------
    kind : (n,) int64
        Number of each stroke's kind.
    first : (k,) int64
        Which of the strokes, by its place in ``rows``, is the first of each kind.
    """
    o = layer.file.objects.take(rows)
    table = np.column_stack((o.x0, o.y0, o.x1, o.y1, o.cx, o.cy, o.turn, o.aperture, o.pose))
    table[np.isnan(table)] = 0.0  # the middle of a straight one
    _, first, kind = np.unique(table, axis=0, return_index=True, return_inverse=True)
    return kind.ravel(), first


def midway(one: Shapes, other: Shapes) -> Floats:
    """Find the places halfway between shapes, one by one.

    Returns
    -------
    (n, 2) float64, mm
        Middles of the shortest lines between them.
    """
    lines = shapely.shortest_line(one, other)
    middles = shapely.line_interpolate_point(lines, 0.5, normalized=True)
    return np.asarray(shapely.get_coordinates(middles).reshape(-1, 2))


def close_ups(case: Case) -> tuple[CloseUp, ...]:
    """Close-ups of every copper layer."""
    return tuple(CloseUp(layer.file) for layer in case.board.copper)


def measured_again(case: Case, layer: int, found: Facings, *, inside: bool) -> Facings:
    """Give the same facings with the ones beside arcs measured in a close-up."""
    close_up = case.shared(close_ups)[layer]
    rows = np.flatnonzero(~found.straight)
    distance = found.distance.copy()
    distance[rows] = remeasure(
        distance[rows],
        lambda some: close_up.facings(
            found.x[rows[some]], found.y[rows[some]], found.distance[rows[some]], inside=inside
        ),
    )
    return found.with_columns(distance=distance)


def remeasure(coarse: Floats, measure: Callable[[Ints], Floats]) -> Floats:
    """Replace coarse measures, smallest first, by fine ones.

    Places of one shape (the same pad over the same drill a hundred times) give one coarse
    measure to the last digit, so each distinct one is measured once.
    """
    _, first, same = np.unique(np.round(coarse, 7), return_index=True, return_inverse=True)
    fine = coarse[first].copy()
    if len(first):
        fine[:MEASURED_AGAIN] = measure(first[:MEASURED_AGAIN])
    return np.asarray(fine[same])


def copper_weight_oz(case: Case) -> float:
    """Copper weight the limits are taken for: as chosen, else 1 oz/ft2."""
    return 1.0 if case.options.copper_oz is None else case.options.copper_oz


def copper_limits(case: Case, what: str) -> tuple[Limit, Limit]:
    """Give the standard and fine limit of ``track`` or ``gap`` for the copper weight."""
    weight = copper_weight_oz(case)
    return case.house.copper_limit(what, weight), case.house.copper_limit(what, weight, "fine")


@dataclass(frozen=True, slots=True, eq=False)
class Spots(Columns):
    """Measured places on several layers.

    Columns
    -------
    value : float64
    x, y : float64, mm
    layer : int64
        Copper layer of the board, from 0.
    slack : float64
        How far a measure may be off.
    """

    value: Floats
    x: Floats
    y: Floats
    layer: Ints
    slack: Floats

    @classmethod
    def on_layer(
        cls, layer: int, value: Floats, places: Floats, slack: Floats | float = 0.0
    ) -> Spots:
        """Measures of one layer at places, (n, 2) float64, mm."""
        (x, y), count = places.T, len(value)
        return cls(value, x, y, np.full(count, layer), np.broadcast_to(slack, count))

    @classmethod
    def gather(cls, case: Case, tables: Iterable[tuple[int, Facings]]) -> Spots:
        """One table of facings of several layers, those off the board left out."""
        spots = cls.concat(
            *(
                cls.on_layer(
                    layer,
                    found.distance,
                    np.column_stack((found.x, found.y)),
                    np.where(found.straight, COINCIDENT_MM, COINCIDENT_MM + CHORD_ERROR_MM),
                )
                for layer, found in tables
            )
        )
        # Frames and text of the film beside the board are not made.
        return spots.take(on_board(case, spots.x, spots.y))

    def measures(self, case: Case, *, slack: float | None = None) -> Measures:
        """Give the measures with their places and layers (``on top copper``)."""

        def place(row: int) -> Place:
            layer = case.board.copper[self.layer[row]]
            return case.layer_place(layer, self.x[row], self.y[row])

        def where(row: int) -> str:
            return f"on {case.board.copper[self.layer[row]].name}"

        return Measures(self.value, place, where, self.slack if slack is None else slack)


EDGE_LINE_MM = 0.15
"""Copper or print this near to the board's edge is the outline drawn along with the layer."""


def at_cut_out(profile: BaseGeometry, x: Floats | float, y: Floats | float) -> Bools:
    """Which places are nearer to a cut-out than to the outer edge."""
    spot, parts = shapely.points(x, y), shapely.get_parts(profile)
    inner = shapely.MultiLineString([ring for part in parts for ring in part.interiors])
    outer = shapely.MultiLineString([part.exterior for part in parts])
    return np.asarray(shapely.distance(spot, inner) < shapely.distance(spot, outer))


def on_board(case: Case, x: Floats, y: Floats) -> Bools:
    """Which places lie on the board, off the line of its edge; all without a profile."""
    inside = np.ones(len(x), dtype=bool)
    if case.board.profile is None or not len(x):
        return inside
    return pieces_at(case.shared(board_core), shapely.points(x, y)) >= 0


def board_core(case: Case) -> Shapes:
    """Polygons of the board without the line of its edge."""
    core: Shapes = shapely.get_parts(shapely.buffer(case.board.profile, -EDGE_LINE_MM))
    # Asked by a dozen checks about their places.
    shapely.prepare(core)
    return core


def along_edge(case: Case, shapes: Shapes) -> Bools:
    """Which shapes are lines along the board's edge: the outline, drawn with the layer."""
    if case.board.profile is None or not len(shapes):
        return np.zeros(len(shapes), dtype=bool)
    rim = case.shared(edge_line)
    return np.asarray(shapely.area(shapely.intersection(shapes, rim)) > 0.9 * shapely.area(shapes))


def edge_line(case: Case) -> BaseGeometry:
    """Give the board's edge as a band in which an outline drawn with a layer lies."""
    return shapely.buffer(shapely.boundary(case.board.profile), 2 * EDGE_LINE_MM)


def require_copper(case: Case) -> Copper:
    """Give the board's copper, when every layer was read whole.

    Raises
    ------
    NotJudged
        A copper file was read in part only.
    """
    partial = [layer.file.name for layer in case.board.copper if not layer.file.complete]
    if partial:
        raise NotJudged(f"{partial[0]} could be read in part only")
    return case.shared(copper_of)


FINE_MM: Final = 1e-5
"""Chord error of a close-up: far below the micrometre that measures are stated in."""

_AROUND_MM: Final = 0.4
"""Copper this far around a measured place takes part in the measure."""

_MOST_AT_ONCE: Final = 2_000
"""Objects that are drawn so finely at once: a disc has some two hundred corners then."""

_SAME_PLACE_MM: Final = 0.1
"""The facing that is measured again lies this near to its coarse place."""


class CloseUp:
    """Windows of one layer's final image."""

    def __init__(self, file: GerberFile) -> None:
        self._file = file

    @cached_property
    def _rows(self) -> Ints:
        return np.flatnonzero(~np.isnan(self._boxes[:, 0]))

    @cached_property
    def _boxes(self) -> Floats:
        return object_boxes(self._file)

    def _in_windows(self, boxes: Floats) -> tuple[Ints, Ints]:
        """Windows, and objects whose boxes meet them, by their places in ``_rows``."""
        window, row = np.concatenate([*meeting_boxes(boxes, self._boxes[self._rows])], axis=1)
        return window, row

    def windows(self, x: Floats, y: Floats, half: Floats) -> list[Shapes]:
        """Separate polygons of the image within ``half`` of places, both ways, mm.

        ``half`` must hold :data:`~fabkit.geometry.areas.MARGIN_MM`, so that no edge of the
        window lies on one of the copper.

        Regions are taken as the layer draws them (their arcs with its chords).
        """
        boxes = grown(np.column_stack((x, y, x, y)), half)
        window, row = self._in_windows(boxes)
        order = np.lexsort((row, window))
        # Objects around many places are drawn once.
        rows, at = np.unique(self._rows[row[order]], return_inverse=True)
        shapes = np.empty(len(rows), dtype=object)
        regions = self._file.objects.kind[rows] == Kind.REGION
        shapes[~regions] = object_shapes(self._file, rows[~regions], chord_error_mm=FINE_MM)
        shapes[regions] = object_shapes(self._file, rows[regions])
        dark = self._file.objects.dark[rows]
        mine = np.split(at, np.searchsorted(window[order], np.arange(1, len(x))))
        return [
            _painted(shapely.clip_by_rect(shapes[some], *box), dark[some])
            for some, box in zip(mine, boxes.tolist(), strict=True)
        ]

    def edge_distances(self, x: Floats, y: Floats, reach: Floats) -> Floats:
        """Distance from points to the nearest copper edge, mm; ``reach`` when none is nearer."""
        half = reach + MARGIN_MM
        found = reach.copy()
        rims = shapely.boundary(shapely.box(x - half, y - half, x + half, y + half))
        rims = shapely.buffer(rims, 1e-6)
        for k, parts in enumerate(self.windows(x, y, half)):
            lines = shapely.difference(shapely.boundary(parts), rims[k])
            apart = shapely.distance(
                lines[~shapely.is_empty(lines)], shapely.Point(float(x[k]), float(y[k]))
            )
            found[k] = apart.min(initial=found[k])
        return found

    def facings(self, x: Floats, y: Floats, distance: Floats, *, inside: bool) -> Floats:
        """Measure gaps (or widths, when ``inside``) at places again, mm.

        ``distance`` is the coarse measure, and the answer when nothing like it is found.
        """
        half = distance / 2 + _AROUND_MM + MARGIN_MM
        if (
            len(x) > 1
            and len(self._in_windows(grown(np.column_stack((x, y, x, y)), half))[0]) > _MOST_AT_ONCE
        ):
            parts = np.array_split(np.arange(len(x)), 2)
            return np.concatenate(
                [self.facings(x[k], y[k], distance[k], inside=inside) for k in parts]
            )
        windows = self.windows(x, y, half)
        # All windows are measured together, each moved to its own place on one line.
        pitch = 2 * float(half.max()) + float(distance.max()) + 1
        counts = [int(shapely.get_num_coordinates(parts).sum()) for parts in windows]
        shift = np.column_stack((np.arange(len(x)) * pitch - x, -y)).repeat(counts, axis=0)
        moved: Shapes = shapely.transform(np.concatenate(windows), lambda xy: xy + shift)
        found = (find_widths if inside else find_gaps)(
            facets_of(moved), float(distance.max()) + 0.01
        )
        window = np.rint(found.x / pitch).astype(np.int64)
        near = np.hypot(found.x - window * pitch, found.y) <= _SAME_PLACE_MM
        near &= np.abs(found.distance - distance[window]) <= 0.01
        fine = np.full(len(x), np.inf)
        np.minimum.at(fine, window[near], found.distance[near])
        return np.where(np.isinf(fine), distance, fine)


def _painted(shapes: Shapes, dark: Bools) -> Shapes:
    """Separate polygons left when shapes are drawn or erased in order."""
    image: BaseGeometry = shapely.Polygon()
    for run in np.split(np.arange(len(shapes)), np.flatnonzero(dark[1:] != dark[:-1]) + 1):
        if len(run):
            both = shapely.union_all(shapes[run])
            image = image.union(both) if dark[run[0]] else image.difference(both)
    return polygons_of(image)

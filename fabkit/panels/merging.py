"""The layers, drills and tables of a panel: those of its boards as they lie, and its own marks."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Bools, Floats
from fabkit.base.errors import UsageError
from fabkit.base.units import counted
from fabkit.board.copper import NO_NET
from fabkit.board.model import BoardSlots, Component, Holes, Layer
from fabkit.board.single import place_component, renamed
from fabkit.formats.drill.model import DrillFile, Hits, NumberFormat, Slots, Tool
from fabkit.formats.gerber.drawing import with_regions, with_strokes, without
from fabkit.formats.gerber.model import (
    Aperture,
    Attributes,
    ContourSegments,
    GerberFile,
    Kind,
    Objects,
    Pose,
    blank_layer,
    object_boxes,
    object_shapes,
)
from fabkit.formats.sidecars.model import Netlist, NetPoint
from fabkit.geometry.areas import polygons_of
from fabkit.geometry.curves import ring_contour
from fabkit.geometry.segments import Segments
from fabkit.package.model import Role, RoleKind, Side
from fabkit.panels.model import Copy

_OWN: Final = 0.01
"""Boards keep this far within the half of the gap that is theirs, mm."""
_PEN_MM: Final = 0.1
_DRAWN_MM: Final = 0.15
"""Lines this near to the edge all along draw the outline."""
_LEFT: Final = frozenset((RoleKind.PROFILE, RoleKind.SCORE))
"""Layers that the panel has of its own."""
_PLAIN: Final = frozenset((RoleKind.COPPER, RoleKind.MASK, RoleKind.LEGEND, RoleKind.PASTE))
"""Layers whose function follows from what they are; others keep the one they state."""

BREAKOUT: Final = ("MechanicalDrill", "Breakout")
"""Function of a perforation's holes (Gerber Layer Format Specification 2021.02, section 5.6.10)."""
TOOLING: Final = ("MechanicalDrill", "Tooling")

LayerKey = tuple[RoleKind, Side | None, int, int]
"""Kind, side, layer number, and number among the board's layers of that kind."""


# Layers


def layers_by_key(layers: Iterable[Layer]) -> dict[LayerKey, Layer]:
    """Layers of a board that a panel takes over."""
    found: dict[LayerKey, Layer] = {}
    for layer in layers:
        if layer.kind in _LEFT:
            continue
        number = 0
        while (key := (layer.kind, layer.side, layer.index, number)) in found:
            number += 1
        found[key] = layer
    return found


def merge_layers(copies: Sequence[Copy], gap_mm: float) -> dict[LayerKey, GerberFile]:
    """Merge the layers of all boards as they lie, each within what is its own."""
    found: dict[LayerKey, list[GerberFile]] = defaultdict(list)
    for copy in copies:
        zone = zone_of(copy, gap_mm)
        for key, layer in layers_by_key(copy.board.layers).items():
            file = layer.file
            if layer.kind is RoleKind.COPPER and copy.board.profile is not None:
                file, _ = without_outline(file, copy.board.profile)
            placed = _within(file.placed(copy.placing), zone)
            sets = tuple(renamed(s, copy.prefix.__add__) for s in placed.attribute_sets)
            found[key].append(replace(placed, attribute_sets=sets))
    made = {}
    for key in sorted(found, key=_order):
        whole = concat_layers(found[key])
        if key[0] not in _PLAIN:
            stated = {n: v for n, v in found[key][0].attributes.items() if n == ".FileFunction"}
            whole = replace(whole, attributes=stated)
        made[key] = whole
    return made


def _order(key: LayerKey) -> tuple[int, int, str, int]:
    kind, side, index, number = key
    return list(RoleKind).index(kind), index, side or "", number


def zone_of(copy: Copy, gap_mm: float) -> BaseGeometry:
    """Find the board and half of the gap around it: what is drawn there reaches no other."""
    outline = shapely.Polygon(shapely.get_parts(copy.profile)[0].exterior)
    # Boards edge to edge own what is inside their outlines.
    return shapely.buffer(outline, gap_mm / 2 - _OWN, quad_segs=8) if gap_mm else outline


def _within(file: GerberFile, zone: BaseGeometry) -> GerberFile:
    """Leave out what is drawn beside a board, and cut what reaches beyond its zone."""
    boxes = object_boxes(file)
    real = ~np.isnan(boxes[:, 0])
    box = np.full(len(boxes), shapely.Point(), dtype=object)
    box[real] = shapely.box(*boxes[real].T)
    shapely.prepare(zone)
    # What leaves no image may name a component (section 5.6.15): its place counts.
    place = ~real & (file.objects.kind != Kind.REGION)
    box[place] = shapely.points(file.objects.x0[place], file.objects.y0[place])
    inside = shapely.covers(zone, box)
    doubtful = np.flatnonzero(~inside & real)
    shapes = object_shapes(file, doubtful)
    whole = shapely.covers(zone, shapes)
    inside[doubtful[whole]] = True
    cut = doubtful[~whole & shapely.intersects(zone, shapes)]
    if len(cut):
        clipped = shapely.intersection(zone, object_shapes(file, cut))
        flat = np.array([shapely.multipolygons(polygons_of(c)) for c in clipped], dtype=object)
        left = ~shapely.is_empty(flat)
        file = with_regions(file, cut[left], flat[left])
        inside[cut[left]] = True
    return replace(file, objects=file.objects.take(inside))


def without_outline(file: GerberFile, profile: BaseGeometry) -> tuple[GerberFile, int]:
    """Leave out lines along the edge of a board: the outline drawn in copper, too.

    On a panel they would run across the tabs.

    Returns
    -------
    The file, and how many lines are gone.
    """
    o = file.objects
    edge = shapely.boundary(profile)
    shapely.prepare(edge)
    lines = np.flatnonzero(o.stroked)
    ends = shapely.points(np.stack((o.starts()[lines], o.ends()[lines]), axis=1))
    lines = lines[shapely.dwithin(edge, ends, _DRAWN_MM).all(axis=1)]
    band = shapely.buffer(edge, _DRAWN_MM)
    shapely.prepare(band)
    lines = lines[shapely.covers(band, object_shapes(file, lines))]
    return without(file, lines), len(lines)


def concat_layers(files: Sequence[GerberFile]) -> GerberFile:
    """Draw several files one after the other as one; file attributes are left out."""
    apertures: dict[tuple[object, ...], int] = {}
    tools: list[Aperture] = []
    poses: list[Pose] = []
    sets: list[Attributes] = []
    objects: list[Objects] = []
    segments: list[ContourSegments] = []
    rows = contours = 0
    for file in files:
        number = np.empty(len(file.apertures) + 1, np.int32)
        # The last entry stands for -1: a region has none.
        number[-1] = -1
        for k, tool in enumerate(file.apertures):
            attributes = tuple(sorted(tool.attributes.items()))
            key = (tool.template, tool.builder, attributes)
            if key not in apertures:
                apertures[key] = len(tools)
                tools.append(tool)
            number[k] = apertures[key]
        o, s = file.objects, file.segments
        held = o.kind == Kind.REGION
        objects.append(
            o.with_columns(
                aperture=number[o.aperture],
                pose=o.pose + len(poses),
                attributes=o.attributes + len(sets),
                first=np.where(held, o.first + rows, 0),
                last=np.where(held, o.last + rows, 0),
            )
        )
        segments.append(s.with_columns(contour=s.contour + contours))
        rows += len(s)
        contours += int(s.contour.max(initial=-1)) + 1
        poses += file.poses
        sets += file.attribute_sets
    step = max((file.unit_mm / 10.0**file.decimals for file in files), default=1e-6)
    return replace(
        blank_layer(),
        objects=Objects.concat(*objects),
        segments=ContourSegments.concat(*segments),
        apertures=tuple(tools),
        poses=tuple(poses),
        attribute_sets=tuple(sets),
        # Arcs may be off by the rounding of the coarsest file.
        decimals=max(0, int(-np.ceil(np.log10(step)))),
        complete=all(file.complete for file in files),
    )


def lines_along(shapes: Iterable[BaseGeometry], *function: str) -> GerberFile:
    """Make a layer of thin lines along the rings of areas, arcs found again, or along lines."""
    rows: list[tuple[float, ...]] = []
    for part in shapely.get_parts(np.array(list(shapes), dtype=object)):
        if part.geom_type == "Polygon":
            for ring in (part.exterior, *part.interiors):
                rows += ring_contour(shapely.get_coordinates(ring)).rows()
        else:
            rows += [(*a, *b, 0.0, 0.0, 0) for a, b in pairwise(part.coords)]
    x0, y0, x1, y1, cx, cy, turn = np.array(rows, dtype=np.float64).reshape(-1, 7).T
    lines = Segments(x0, y0, x1, y1, cx, cy, turn.astype(np.int8))
    attributes = {".AperFunction": function}
    return with_strokes(blank_layer(), lines, width_mm=_PEN_MM, attributes=attributes)


# Drills


def merge_drills(
    copies: Sequence[Copy], marks: Mapping[tuple[float, tuple[str, ...]], Floats], gap_mm: float
) -> dict[Role, DrillFile]:
    """Merge holes and slots of all boards, and holes of the panel's own.

    Parameters
    ----------
    copies
        Boards as they lie.
    marks
        Places of holes without plating, (n, 2) float64, mm, by diameter and function.
    gap_mm
        Room between boards; holes beyond half of it belong to no board.

    Returns
    -------
    A file for each plating and span of layers.

    Raises
    ------
    UsageError
        It is not known which holes are plated.
    """
    parts: dict[tuple[bool, int, int], list[_Cuts]] = defaultdict(list)
    layers = max((len(copy.board.copper) for copy in copies), default=0) or 1
    for copy in copies:
        for key, cuts in _cuts_of(copy, gap_mm, layers):
            parts[key].append(cuts)
    for (diameter, function), places in marks.items():
        parts[False, 1, layers].append(_Cuts.round_holes(places, diameter, function))
    made: dict[Role, DrillFile] = {}
    for number, key in enumerate(sorted(parts, key=lambda k: (not k[0], k[1], k[2]))):
        plated, first, last = key
        role = Role(kind=RoleKind.DRILL, plated=plated, layer=number)
        made[role] = _drill_file(parts[key], plated=plated, span=(first, last), layers=layers)
    return made


@dataclass(frozen=True, slots=True)
class _Cuts:
    """Holes and slots of one board, with diameter and function of each."""

    places: Floats
    slots: Segments
    sizes: tuple[Floats, Floats]
    functions: tuple[list[tuple[str, ...]], list[tuple[str, ...]]]
    path: NDArray[np.int32]

    @classmethod
    def round_holes(cls, places: Floats, diameter: float, function: tuple[str, ...]) -> _Cuts:
        count = len(places)
        nothing = np.empty((0, 2))
        sizes = np.full(count, diameter), np.empty(0)
        return cls(
            places,
            Segments.straight(nothing, nothing),
            sizes,
            ([function] * count, []),
            np.empty(0, np.int32),
        )


def _cuts_of(
    copy: Copy, gap_mm: float, layers: int
) -> Iterator[tuple[tuple[bool, int, int], _Cuts]]:
    board = copy.board
    zone = zone_of(copy, gap_mm)
    shapely.prepare(zone)
    holes, slots = board.holes.placed(copy.placing), board.slots.placed(copy.placing)
    holes = holes.take((holes.diameter > 0) & shapely.contains_xy(zone, holes.x, holes.y))
    # A path is on the board when any of it is.
    touching = shapely.intersects(zone, slots.polylines()) if len(slots) else np.empty(0, bool)
    slots = slots.take((slots.diameter > 0) & np.isin(slots.path, slots.path[touching]))
    plating = [_known_plating(copy, table) for table in (holes, slots)]
    spans = [_spans(table, layers, bool(board.copper)) for table in (holes, slots)]
    keys = {
        (bool(p), int(a), int(b))
        for plated, span in zip(plating, spans, strict=True)
        for p, (a, b) in zip(plated.tolist(), span.tolist(), strict=True)
    }
    for plated, first, last in sorted(keys):
        mine = [
            np.flatnonzero((p == plated) & (s == (first, last)).all(axis=1))
            for p, s in zip(plating, spans, strict=True)
        ]
        h, s = holes.take(mine[0]), slots.take(mine[1])
        functions = tuple(
            [board.hole_functions[k] for k in table.function.tolist()] for table in (h, s)
        )
        yield (
            (plated, first, last),
            _Cuts(
                h.spots(),
                Segments.of(s),
                (h.diameter, s.diameter),
                (functions[0], functions[1]),
                s.path,
            ),
        )


def _known_plating(copy: Copy, table: Holes | BoardSlots) -> Bools:
    """Whether cuts are plated; where there is no copper nothing is."""
    if not copy.board.copper:
        return np.zeros(len(table), bool)
    unknown = int((table.plated < 0).sum())
    if unknown:
        raise UsageError(
            f"{copy.label}: the files do not state whether {counted(unknown, 'hole')} or slots are"
            " plated",
            hint="state it with --role DRILLFILE='plated drill' or 'non-plated drill'",
        )
    return np.asarray(table.plated == 1)


def _spans(table: Holes | BoardSlots, layers: int, copper: bool) -> NDArray[np.int64]:
    """Copper layers that cuts span; on a board without copper all of the panel's."""
    if not copper:
        return np.tile(np.array([1, layers]), (len(table), 1))
    return np.column_stack((table.first, table.last)).astype(np.int64)


def _drill_file(
    parts: Sequence[_Cuts], *, plated: bool, span: tuple[int, int], layers: int
) -> DrillFile:
    tools: dict[tuple[float, tuple[str, ...]], int] = {}

    def numbers(end: int) -> NDArray[np.int32]:
        keys = [
            (round(size, 6), function)
            for part in parts
            for size, function in zip(part.sizes[end].tolist(), part.functions[end], strict=True)
        ]
        return np.array([tools.setdefault(key, len(tools)) for key in keys], np.int32)

    hits, slots = numbers(0), numbers(1)
    places = np.concatenate([part.places for part in parts])
    lines = Segments.concat(*(part.slots for part in parts))
    path = [np.unique(part.path, return_inverse=True)[1].reshape(-1) for part in parts]
    start = np.cumsum([0, *(int(p.max(initial=-1)) + 1 for p in path[:-1])])
    paths = np.concatenate([p + k for p, k in zip(path, start, strict=True)])
    order = np.argsort(paths, kind="stable")
    zero, none = np.zeros(len(places), np.int32), np.zeros(len(lines), np.int32)
    spots, starts = zero.astype(np.int64), none.astype(np.int64)
    through = span == (1, layers)
    how = "PTH" if through else "Blind" if 1 in span or layers in span else "Buried"
    kind = ("Plated", *map(str, span), how) if plated else ("NonPlated", *map(str, span), "NPTH")
    return DrillFile(
        name="",
        size_bytes=0,
        hits=Hits(x=places[:, 0], y=places[:, 1], tool=hits, attributes=zero, offset=spots),
        slots=Slots(
            **lines.by_name(),
            tool=slots,
            attributes=none,
            path=paths,
            routed=np.ones(len(lines), np.bool_),
            offset=starts,
        ).take(order),
        tools=tuple(
            Tool(number=n, diameter_mm=size, plated=plated, function=function)
            for n, (size, function) in enumerate(tools, start=1)
        ),
        attribute_sets=({},),
        attributes={".FileFunction": kind},
        plated=plated,
        span=span,
        format=NumberFormat(unit="mm", zeros="point", integers=3, decimals=6),
        needs_format=False,
        problems=(),
        complete=True,
    )


# Tables


def merge_netlists(copies: Sequence[Copy]) -> Netlist | None:
    """Merge the netlists; None unless every board with copper has one."""
    points: list[NetPoint] = []
    for copy in copies:
        if not copy.board.copper:
            continue
        lists = [f.content for f in copy.board.package.files if isinstance(f.content, Netlist)]
        if not lists:
            return None
        points += [_moved_point(point, copy) for one in lists[:1] for point in one.points]
    return Netlist(name="", points=tuple(points)) if points else None


def _moved_point(point: NetPoint, copy: Copy) -> NetPoint:
    x, y = copy.placing.point(point.x_mm, point.y_mm)
    size = point.size_mm
    if size is not None and copy.placing.quarter_turns % 2 and point.rotation_deg % 180 == 0:
        size = size[::-1]
    return replace(
        point,
        net=point.net if point.net in NO_NET else copy.prefix + point.net,
        ref=copy.prefix + point.ref if point.ref not in ("", "VIA") else point.ref,
        x_mm=x,
        y_mm=y,
        size_mm=size,
    )


def merge_components(copies: Sequence[Copy]) -> tuple[Component, ...]:
    """Components of all boards as they lie, named apart."""
    return tuple(
        replace(place_component(part, copy.placing), ref=copy.prefix + part.ref)
        for copy in copies
        for part in copy.board.components
    )

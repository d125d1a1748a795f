"""Drill data in Gerber form: flashes are holes, draws and arcs are slots."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from fabkit.base.columns import Bools, Floats
from fabkit.base.findings import Finding, Place, ProblemLog
from fabkit.base.units import COINCIDENT_MM
from fabkit.formats.drill.model import DrillFile, Hits, NumberFormat, Slots, Tool
from fabkit.formats.drill.tools import plating_of, span_of, split_function
from fabkit.formats.gerber.model import GerberFile, Kind, Objects, Pose
from fabkit.geometry.segments import Segments
from fabkit.rules import load_rule

DRAWN: Final = load_rule("drill/drawn-holes")

_FILLED: Final = 0.75
"""Share of its box that a long aperture fills at least: an obround twice as long as wide, 0.89."""
_ALONG: Final = 0.9999
"""Draws of a long aperture are slots when they run along it: the cosine of 0.8 degrees."""


def drill_from_gerber(file: GerberFile) -> DrillFile:
    """Holes and slots of a drill image (Gerber Layer Format Specification, ``.FileFunction``).

    Each round aperture is a tool.  Draws and arcs that follow each other end to start with one
    aperture are one path; a lone draw is a slot of one segment.  Flashes of long apertures
    (obrounds, rectangles) are slots as wide as their narrow side, and so are draws of rectangles
    along their sides.  Regions, other apertures and clear objects are no holes and are reported.
    """
    file = _long_as_draws(file)
    objects = file.objects
    stroked = objects.stroked
    drilled = (objects.kind == Kind.FLASH) | stroked
    sizes = np.array([a.diameter_mm or 0.0 for a in file.apertures] + [0.0])
    good = drilled & objects.dark & (sizes[objects.aperture] > 0)
    # Scaled poses change the diameter, which tools cannot follow; no drill image uses them.
    scales = np.array([p.scale for p in file.poses] + [1.0])
    good &= np.isclose(scales[objects.pose], 1.0)
    point = stroked & (objects.turn == 0) & _near(objects.x0, objects.y0, objects.x1, objects.y1)

    used = np.unique(objects.aperture[good])
    row_of = np.full(len(file.apertures) + 1, -1, dtype=np.int32)
    row_of[used] = np.arange(len(used))
    hits = objects.take(good & (~stroked | point))
    cuts = objects.take(good & stroked & ~point)

    log = ProblemLog(file.name)
    plating = plating_of(file.name, file.attributes)
    tools = tuple(_tool(file, int(a), plating.stated) for a in used)
    made_hits = Hits(
        x=hits.x0,
        y=hits.y0,
        tool=row_of[hits.aperture],
        attributes=hits.attributes,
        offset=hits.offset,
    )
    made_slots = Slots(
        **Segments.of(cuts).by_name(),
        tool=row_of[cuts.aperture],
        attributes=cuts.attributes,
        path=_paths(cuts),
        routed=np.ones(len(cuts), dtype=bool),
        offset=cuts.offset,
    )
    tools, plated, evidence = plating.settle(tools, made_hits, made_slots, log)
    findings = list(log.freeze(b""))
    if odd := int((~good).sum()):
        offsets = objects.offset[~good][:20].tolist()
        findings.append(
            Finding.of(
                DRAWN,
                "objects that are neither round flashes nor round strokes make no hole",
                *(Place(file=file.name, offset=int(o)) for o in offsets),
                count=odd,
            )
        )
    return DrillFile(
        name=file.name,
        size_bytes=file.size_bytes,
        hits=made_hits,
        slots=made_slots,
        tools=tools,
        attribute_sets=file.attribute_sets,
        attributes=file.attributes,
        plated=plated,
        span=span_of(file.function),
        format=NumberFormat(
            unit="inch" if file.unit_mm != 1.0 else "mm",
            zeros="trailing",
            integers=6,
            decimals=file.decimals,
            evidence="stated",
        ),
        needs_format=False,
        problems=tuple(findings),
        complete=file.complete,
        plating_evidence=evidence,
    )


def _long_as_draws(file: GerberFile) -> GerberFile:
    """Give the file with each flash or draw of a long aperture as the draw of a round one."""
    o = file.objects
    sizes = np.array([a.diameter_mm or 0.0 for a in file.apertures] + [1.0])
    drawn = (o.kind == Kind.FLASH) | (o.kind == Kind.DRAW)
    rows = np.flatnonzero(drawn & o.dark & (o.aperture >= 0) & (sizes[o.aperture] == 0))
    if not len(rows):
        return file
    columns = {name: getattr(o, name).copy() for name in ("kind", "x0", "y0", "x1", "y1")}
    aperture, pose = o.aperture.copy(), o.pose.copy()
    apertures = list(file.apertures)
    made: dict[tuple[int, int], int] = {}
    plain = len(file.poses)
    for row in rows.tolist():
        found = _long(file, row)
        if found is None:
            continue
        width, (ax, ay) = found
        key = (int(o.aperture[row]), round(width * 1e6))
        if key not in made:
            made[key] = len(apertures)
            apertures.append(replace(file.apertures[key[0]], diameter_mm=width))
        # A slot goes from end to end: half the length beyond the width to either side.
        way = 1.0 if (o.x1[row] - o.x0[row]) * ax + (o.y1[row] - o.y0[row]) * ay >= 0 else -1.0
        columns["kind"][row] = Kind.DRAW
        columns["x0"][row] -= way * ax
        columns["y0"][row] -= way * ay
        columns["x1"][row] += way * ax
        columns["y1"][row] += way * ay
        aperture[row], pose[row] = made[key], plain
    objects = o.with_columns(**columns, aperture=aperture, pose=pose)
    return replace(file, objects=objects, apertures=tuple(apertures), poses=(*file.poses, Pose()))


def _long(file: GerberFile, row: int) -> tuple[float, tuple[float, float]] | None:
    """Width of the slot that a long aperture cuts, and from its middle to the end of its path."""
    import shapely

    o = file.objects
    made, pose = file.apertures[int(o.aperture[row])], file.poses[int(o.pose[row])]
    corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(made.shape))
    if len(corners) < 4 or pose.scale != 1.0:
        return None
    sides = np.diff(corners[:3], axis=0)
    length = np.hypot(sides[:, 0], sides[:, 1])
    longer = int(length.argmax())
    long, short = float(length[longer]), float(length[1 - longer])
    x, y = sides[longer] / long * (-1 if pose.mirror_x else 1, 1)
    turn = np.radians(pose.rotation_deg)
    x, y = x * np.cos(turn) - y * np.sin(turn), x * np.sin(turn) + y * np.cos(turn)
    # Rounded at the ends or not, a long aperture fills most of its box.
    if made.shape.area < _FILLED * long * short or long - short <= COINCIDENT_MM:
        return None
    run = np.array([o.x1[row] - o.x0[row], o.y1[row] - o.y0[row]])
    if o.kind[row] == Kind.DRAW and abs(run @ (x, y)) < _ALONG * np.hypot(*run):
        return None
    half = (long - short) / 2
    return short, (float(x * half), float(y * half))


def _near(x0: Floats, y0: Floats, x1: Floats, y1: Floats) -> Bools:
    return np.hypot(x1 - x0, y1 - y0) <= COINCIDENT_MM / 2


def _paths(cuts: Objects) -> NDArray[np.int32]:
    """Give each stroke the number of its path: a new one where it does not go on from the last."""
    if not len(cuts):
        return np.empty(0, np.int32)
    goes_on = _near(cuts.x1[:-1], cuts.y1[:-1], cuts.x0[1:], cuts.y0[1:])
    goes_on &= cuts.aperture[1:] == cuts.aperture[:-1]
    goes_on &= cuts.attributes[1:] == cuts.attributes[:-1]
    return np.concatenate(([0], np.cumsum(~goes_on))).astype(np.int32)


def _tool(file: GerberFile, aperture: int, stated: bool | None) -> Tool:
    made = file.apertures[aperture]
    plated, function = split_function(made.function)
    return Tool(
        number=made.code,
        diameter_mm=made.diameter_mm,
        plated=stated if plated is None else plated,
        function=function,
        attributes=made.attributes,
        offset=made.offset,
    )

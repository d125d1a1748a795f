"""Corrections of what is cut: the profile, its copies in other layers, holes and slots."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from pathlib import PurePosixPath
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.base.columns import Bools, Floats, Ints
from fabkit.base.units import COINCIDENT_MM, OUTLINE_JOIN_MM, counted, format_mm
from fabkit.board.model import PathKind
from fabkit.formats.drill.model import DrillFile
from fabkit.formats.drill.writer import split_plating
from fabkit.formats.gerber.drawing import strokes_in, with_strokes, without
from fabkit.formats.gerber.model import (
    GerberFile,
    Kind,
    object_boxes,
    object_shapes,
    pen_widths,
)
from fabkit.geometry.areas import touched
from fabkit.geometry.neighbours import PointTree
from fabkit.geometry.outlines import SAME_END_MM, find_figures
from fabkit.geometry.segments import Segments
from fabkit.mending.model import NOWHERE, WRITTEN_MM, Deed, Draft, Point, spots_of, stating
from fabkit.package.model import PackageFile, Role, RoleKind

EXTEND_MM: Final = 1.0
"""By how much an end of the profile is led on at most."""
_ALONG: Final = 0.01
"""Sine of the angle below which two ends run along one line, or beside each other."""
_WHOLE: Final = 0.98
"""Share of the outline that lines must cover to be a copy of it."""
_MOST: Final = 0.5
"""Share of a layer outside the board from which it is misplaced, not marked."""
_BOARDS: Final = (PathKind.BOARD_EDGE, PathKind.PANEL_EDGE, PathKind.RAIL)
_PRINTED: Final = (RoleKind.COPPER, RoleKind.MASK, RoleKind.PASTE, RoleKind.LEGEND)


def close_gaps(draft: Draft) -> Iterator[Deed]:
    """Join the ends of the profile that the reading of the outline joins."""
    for name, file, gerber in draft.layers(RoleKind.PROFILE):
        rows = strokes_in(gerber)
        lines = find_figures(Segments.of(gerber.objects.take(rows))).bridges
        apart = np.hypot(lines[:, 2] - lines[:, 0], lines[:, 3] - lines[:, 1])
        # Ends that are written alike meet; a line between them would be a point.
        lines, apart = lines[apart > WRITTEN_MM], apart[apart > WRITTEN_MM]
        if not len(lines) or apart.max() > OUTLINE_JOIN_MM:
            continue
        made = _with_lines(gerber, lines, rows)
        new = np.arange(len(gerber.objects), len(made.objects))
        draft.put(file, made)
        most = format_mm(float(apart.max()), digits=4)
        words = f"{counted(len(lines), 'gap')} of up to {most} closed"
        middles = (lines[:, :2] + lines[:, 2:]) / 2
        yield Deed.over("profile-gap", name, words, object_shapes(made, new), at=middles)


def _with_lines(file: GerberFile, lines: Floats, like: Ints) -> GerberFile:
    """Add straight strokes, (n, 4) float64, mm, as wide as the middle one of others."""
    width = float(np.nanmedian(pen_widths(file, like)))
    return with_strokes(file, Segments.straight(lines[:, :2], lines[:, 2:]), width_mm=width)


def extend_ends(draft: Draft) -> Iterator[Deed]:
    """Lead two straight ends of the profile on to where their lines meet."""
    for name, file, gerber in draft.layers(RoleKind.PROFILE):
        rows = strokes_in(gerber)
        strokes = Segments.of(gerber.objects.take(rows))
        loose = find_figures(strokes).loose
        if len(loose) < 2:
            continue
        tips = np.concatenate((strokes.starts(), strokes.ends()))
        away = np.concatenate((strokes.ends(), strokes.starts()))
        tip = PointTree(tips).query(loose)[1]
        straight = strokes.turn[tip % len(strokes)] == 0
        way = tips[tip] - away[tip]
        way /= np.maximum(np.hypot(way[:, 0], way[:, 1]), COINCIDENT_MM)[:, None]
        pairs = PointTree(loose).pairs(2 * EXTEND_MM)
        # An end with several others in reach may belong to any of them: its designer knows.
        partners = np.bincount(pairs.ravel(), minlength=len(loose))
        made: list[tuple[Point, ...]] = []
        for one, two in pairs.tolist():
            if (partners[[one, two]] == 1).all() and straight[[one, two]].all():
                corner = _meeting(loose[[one, two]], way[[one, two]])
                if corner is not None:
                    made.append((tuple(loose[one]), *corner, tuple(loose[two])))
        if left := len(loose) - 2 * len(made):
            reason = (
                f"{counted(left, 'end')} that may go to several others, or to none whose line it"
                f" meets within {format_mm(EXTEND_MM)}"
            )
            draft.refuse("profile-ends", name, reason)
        if not made:
            continue
        lines = np.array([(*p, *q) for points in made for p, q in pairwise(points)])
        content = _with_lines(gerber, lines, rows)
        new = np.arange(len(gerber.objects), len(content.objects))
        draft.put(file, content)
        corners = [shapely.convex_hull(shapely.multipoints(points)) for points in made]
        yield Deed(
            correction="profile-ends",
            file=name,
            words=f"{counted(len(made), 'pair')} of ends led on to where they meet",
            count=len(made),
            places=spots_of(np.array([points[0] for points in made])),
            claim=shapely.union_all([*object_shapes(content, new), *corners]),
        )


def _meeting(ends: Floats, ways: Floats) -> tuple[Point, ...] | None:
    """Corner that two ends are led on to; nothing between ends of one line; None if there is none.

    Parameters
    ----------
    ends, ways : (2, 2) float64, mm
        The ends, and the directions in which their lines go on, of length 1.
    """
    over = ends[1] - ends[0]
    cross = float(ways[0, 0] * ways[1, 1] - ways[0, 1] * ways[1, 0])
    if abs(cross) < _ALONG:
        beside = abs(float(ways[0, 0] * over[1] - ways[0, 1] * over[0]))
        facing = float(over @ ways[0]) > 0 > float(ways[0] @ ways[1])
        near = float(np.hypot(*over)) <= EXTEND_MM
        return () if facing and near and beside <= SAME_END_MM else None
    steps = (
        float(over[0] * ways[1, 1] - over[1] * ways[1, 0]) / cross,
        float(over[0] * ways[0, 1] - over[1] * ways[0, 0]) / cross,
    )
    if min(steps) < -SAME_END_MM or max(steps) > EXTEND_MM:
        return None
    corner = ends[0] + steps[0] * ways[0]
    return ((float(corner[0]), float(corner[1])),)


def draw_once(draft: Draft) -> Iterator[Deed]:
    """Leave out strokes of the profile that repeat another one from end to end."""
    known: set[tuple[float, ...]] = set()
    for name, file, gerber in draft.layers(RoleKind.PROFILE):
        o = gerber.objects
        again = np.zeros(len(o), np.bool_)
        columns = (o.x0, o.y0, o.x1, o.y1, np.where(o.turn == 0, 0, o.cx),
                   np.where(o.turn == 0, 0, o.cy))  # fmt: skip
        table = np.round(np.nan_to_num(np.column_stack(columns)) / COINCIDENT_MM)
        for row in strokes_in(gerber).tolist():
            x0, y0, x1, y1, cx, cy = table[row].tolist()
            turn = int(o.turn[row])
            # The other way round an arc turns the other way.
            ways = ((x0, y0, x1, y1, cx, cy, turn), (x1, y1, x0, y0, cx, cy, -turn))
            again[row] = any(way in known for way in ways)
            known.update(ways)
        if not again.any():
            continue
        gone, shapes = o.take(again), object_shapes(gerber, np.flatnonzero(again))
        draft.put(file, without(gerber, again))
        words = f"{counted(len(gone), 'line')} that another one repeats left out"
        yield Deed.over("profile-twice", name, words, shapes, at=gone.middles())


def take_out_copies(draft: Draft) -> Iterator[Deed]:
    """Leave the outline out of layers that repeat it as a whole."""
    profile = draft.board.profile
    if profile is None:
        return
    rim = shapely.boundary(profile)
    band = shapely.buffer(rim, OUTLINE_JOIN_MM)
    shapely.prepare(band)
    for name, file, gerber in draft.layers(*_PRINTED):
        rows = strokes_in(gerber)
        if not len(rows):
            continue
        # A stroke of a net is a track, even where it runs along the edge.
        rows = rows[~stating(gerber, ".N", ".P")[rows]]
        lines = gerber.objects.take(rows).polylines()
        on = shapely.covers(band, lines) & (shapely.length(lines) > COINCIDENT_MM)
        if not on.any():
            continue
        drawn = shapely.buffer(shapely.union_all(lines[on]), 2 * OUTLINE_JOIN_MM)
        if shapely.intersection(rim, drawn).length < _WHOLE * rim.length:
            continue
        gone = rows[on]
        draft.put(file, without(gerber, gone))
        words = f"{counted(len(gone), 'line')} that repeat the outline left out"
        yield Deed.over("profile-elsewhere", name, words, object_shapes(gerber, gone), at=NOWHERE)


def take_out_strays(draft: Draft) -> Iterator[Deed]:
    """Leave out what layers draw outside every outline, and what is no part of any board."""
    profile = draft.board.profile
    if profile is None:
        return
    if len(draft.board.edge.readings) > 1:
        draft.refuse("stray-marks", "", "the outline can be read in more than one way")
        return
    edges = [path.shape for kind in _BOARDS for path in draft.board.edge.of(kind)]
    rings = shapely.get_exterior_ring(shapely.get_parts(np.array([profile, *edges])))
    solid = shapely.union_all(shapely.polygons(rings[~shapely.is_missing(rings)]))
    shapely.prepare(solid)
    strays: list[tuple[str, PackageFile, GerberFile, Bools]] = []
    for name, file, gerber in draft.layers(*_PRINTED):
        boxes = object_boxes(gerber)
        shown = ~np.isnan(boxes[:, 0]) & gerber.objects.dark
        outside = shown.copy()
        outside[shown] = ~shapely.intersects(solid, shapely.box(*boxes[shown].T))
        if not outside.any():
            continue
        if outside.sum() > _MOST * shown.sum():
            draft.refuse("stray-marks", name, "most of the layer lies outside the board")
            continue
        strays.append((name, file, gerber, outside))
    wanted = [] if "stray-marks" in draft.asked else list(_wanted(draft, strays))
    if wanted:
        draft.refuse("stray-marks", "", f"{' and '.join(wanted)} outside the outline: perhaps"
                     " another board or a coupon; --with stray-marks leaves them out")  # fmt: skip
        return
    for name, file, gerber, outside in strays:
        boxes = object_boxes(gerber)[outside]
        shapes = object_shapes(gerber, np.flatnonzero(outside))
        draft.put(file, without(gerber, outside))
        words = f"{counted(len(boxes), 'object')} outside the board left out"
        middles = (boxes[:, :2] + boxes[:, 2:]) / 2
        yield Deed.over("stray-marks", name, words, shapes, at=middles)


def _wanted(
    draft: Draft, strays: list[tuple[str, PackageFile, GerberFile, Bools]]
) -> Iterator[str]:
    """Signs that what lies outside the outline belongs to a board."""
    named = 0
    flashed: dict[RoleKind, Floats] = {}
    boxes = [np.empty((0, 4))]
    for _, file, gerber, outside in strays:
        o = gerber.objects
        # Legend of a part that reaches over the edge is usual; copper of a net is not.
        named += int(stating(gerber, ".N", ".P")[outside].sum())
        boxes.append(object_boxes(gerber)[outside])
        rows = np.flatnonzero(outside & (o.kind == Kind.FLASH))
        places = np.column_stack((o.x0[rows], o.y0[rows]))
        kind = file.role.kind
        flashed[kind] = np.concatenate((flashed.get(kind, places[:0]), places))
    if named:
        yield f"{counted(named, 'object')} of a net"
    drilled = touched(draft.board.hole_shapes, shapely.box(*np.concatenate(boxes).T))
    if drilled.any():
        yield counted(int(drilled.sum()), "hole")
    copper, mask = (flashed.get(k, np.empty((0, 2))) for k in (RoleKind.COPPER, RoleKind.MASK))
    if len(copper) and len(mask):
        near = np.isfinite(PointTree(mask).query(copper, within=OUTLINE_JOIN_MM)[0])
        if near.any():
            yield counted(int(near.sum()), "bare pad")


# Holes and slots


_PEN_MM: Final = 0.1
"""Pen of a profile that has none."""


def drill_once(draft: Draft) -> Iterator[Deed]:
    """Keep one of several holes, or straight slots, of the same place, diameter and plating."""
    known: set[tuple[object, ...]] = set()
    for name, file, drill in draft.drills():
        hits, slots = drill.hits, drill.slots
        again = _repeated(drill, hits.spots(), hits.tool, known)
        # The other way round a slot is the same.
        ends = np.array(
            [
                sorted(pair)
                for pair in zip(slots.starts().tolist(), slots.ends().tolist(), strict=True)
            ]
        )
        twice = _repeated(drill, ends.reshape(-1, 4), slots.tool, known)
        # Of a path of several cuts none is left out alone.
        lone = np.bincount(slots.path, minlength=1)[slots.path] == 1 if len(slots) else twice
        twice &= lone & (slots.turn == 0)
        count = int(again.sum() + twice.sum())
        if not count:
            continue
        if again.all() and twice.all():
            del draft.files[name]  # all of it is in another file
        else:
            rest = replace(drill, hits=hits.take(~again), slots=slots.take(~twice))
            draft.put(file, rest)
        at = np.concatenate((hits.spots()[again], slots.starts()[twice]))
        words = [
            counted(int(flags.sum()), noun)
            for flags, noun in ((again, "hole"), (twice, "slot"))
            if flags.any()
        ]
        yield Deed(
            correction="hole-twice",
            file=name,
            words=f"{' and '.join(words)} that another one repeats left out",
            count=count,
            places=spots_of(at),
        )


def _repeated(
    drill: DrillFile, places: Floats, tools: NDArray[np.int32], known: set[tuple[object, ...]]
) -> Bools:
    """Which cuts are known already; the others are known from now on."""
    again = np.zeros(len(places), np.bool_)
    for row, (place, tool) in enumerate(zip(places.round(4).tolist(), tools.tolist(), strict=True)):
        made = drill.tools[tool] if tool >= 0 else None
        if made is not None and made.diameter_mm is not None:
            key = (*place, round(made.diameter_mm, 4), made.plated)
            again[row] = key in known
            known.add(key)
    return again


def part_plating(draft: Draft) -> Iterator[Deed]:
    """Give plated holes and others files of their own, where each tool states which it is."""
    layers = max(len(draft.board.copper), 1)
    for name, file, drill in draft.drills():
        stated = drill.plated if drill.plated is not None else file.role.plated
        if stated is not None or not (len(drill.hits) or len(drill.slots)):
            continue
        parts = split_plating(drill, layers=layers)
        if any(part.plated is None for part in parts):
            count = sum(len(p.hits) + len(p.slots) for p in parts if p.plated is None)
            draft.refuse(
                "drill-plating", name, f"{counted(count, 'hole')} whose plating no file states"
            )
            continue
        del draft.files[name]
        path = PurePosixPath(name)
        for part in parts:
            word = "plated" if part.plated else "non-plated"
            made = str(path.with_name(f"{path.stem}-{word}{path.suffix}"))
            role = Role(kind=RoleKind.DRILL, plated=part.plated)
            draft.files[made] = replace(
                file, name=made, role=role, content=replace(part, name=made)
            )
        yield Deed(
            correction="drill-plating",
            file=name,
            words="split into plated and non-plated holes",
            count=len(parts),
        )


def draw_cut_outs(draft: Draft) -> Iterator[Deed]:
    """Draw the cut-outs that overlapping slots mill as contours of the profile."""
    profiles = [(n, f) for n, f in draft.files.items() if f.role.kind is RoleKind.PROFILE]
    openings = np.array([p.shape for p in draft.board.edge.of(PathKind.CUT_OUT)], dtype=object)
    if len(profiles) != 1 or profiles[0][1].gerber is None or not len(openings):
        return
    # The board's slots are those that mill no cut-out together with others.
    kept = {tuple(place) for place in _ends(draft.board.slots).tolist()}
    used = np.zeros(len(openings), np.bool_)
    for name, file, drill in draft.drills():
        slots = drill.slots
        if not len(slots) or drill.plated:
            continue
        free = np.array([tuple(place) not in kept for place in _ends(slots).tolist()])
        within = shapely.STRtree(openings).query(slots.polylines(), predicate="covered_by")
        milled = free & np.isin(np.arange(len(slots)), within[0])
        if not milled.any():
            continue
        used[within[1][milled[within[0]]]] = True
        draft.put(file, replace(drill, slots=slots.take(~milled)))
        yield Deed(
            correction="slots-to-cut-out",
            file=name,
            words=f"{counted(int(milled.sum()), 'slot')} that overlap taken out",
            count=int(milled.sum()),
        )
    if not used.any():
        return
    name, file = profiles[0]
    gerber = file.gerber
    assert gerber is not None  # noqa: S101 -- looked at above, narrows for the type checker
    points, ring = shapely.get_coordinates(
        shapely.get_exterior_ring(openings[used]), return_index=True
    )
    starts = np.flatnonzero(ring[1:] == ring[:-1])
    width = pen_widths(gerber, strokes_in(gerber))
    made = with_strokes(
        gerber,
        Segments.straight(points[starts], points[starts + 1]),
        width_mm=float(np.nanmedian(width)) if np.isfinite(width).any() else _PEN_MM,
    )
    new = np.arange(len(gerber.objects), len(made.objects))
    draft.put(file, made)
    words = f"{counted(int(used.sum()), 'cut-out')} drawn"
    yield Deed.over("slots-to-cut-out", name, words, openings[used], drawn=object_shapes(made, new))


def _ends(slots: Segments) -> Floats:
    return np.asarray(np.column_stack((slots.starts(), slots.ends())).round(4), np.float64)

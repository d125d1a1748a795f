"""Corrections of drill files."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import PurePosixPath
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.base.columns import Bools, Floats
from fabkit.base.units import counted
from fabkit.board.model import PathKind
from fabkit.formats.drill.model import DrillFile
from fabkit.formats.drill.writer import split_plating
from fabkit.formats.gerber.drawing import strokes_in, with_strokes
from fabkit.formats.gerber.model import object_shapes, pen_widths
from fabkit.geometry.segments import Segments
from fabkit.mending.model import Deed, Draft, is_doubtful, spots_of
from fabkit.package.model import PackageFile, Role, RoleKind

_PEN_MM: Final = 0.1
"""Pen of a profile that has none."""


def drilled(draft: Draft) -> Iterator[tuple[str, PackageFile, DrillFile]]:
    """Drill files of the draft, by name."""
    for name, file in list(draft.files.items()):
        drills = file.role.kind is RoleKind.DRILL and not is_doubtful(file)
        if drills and file.drill is not None:
            yield name, file, file.drill


def drill_once(draft: Draft) -> Iterator[Deed]:
    """Keep one of several holes, or straight slots, of the same place, diameter and plating."""
    known: set[tuple[object, ...]] = set()
    for name, file, drill in drilled(draft):
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
            draft.files[name] = replace(file, content=rest)
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
    for name, file, drill in drilled(draft):
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
    for name, file, drill in drilled(draft):
        slots = drill.slots
        if not len(slots) or drill.plated:
            continue
        free = np.array([tuple(place) not in kept for place in _ends(slots).tolist()])
        within = shapely.STRtree(openings).query(slots.polylines(), predicate="covered_by")
        milled = free & np.isin(np.arange(len(slots)), within[0])
        if not milled.any():
            continue
        used[within[1][milled[within[0]]]] = True
        draft.files[name] = replace(file, content=replace(drill, slots=slots.take(~milled)))
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
    draft.files[name] = replace(file, content=made)
    words = f"{counted(int(used.sum()), 'cut-out')} drawn"
    yield Deed.over("slots-to-cut-out", name, words, openings[used], drawn=object_shapes(made, new))


def _ends(slots: Segments) -> Floats:
    return np.asarray(np.column_stack((slots.starts(), slots.ends())).round(4), np.float64)

"""What can be said of a file once it is read: tools, doubles, overlaps, slots."""

from __future__ import annotations

import statistics
from typing import Final

import numpy as np
from numpy.typing import NDArray

from fabkit.base.findings import ProblemLog, Rule, Severity
from fabkit.base.units import COINCIDENT_MM, INCH_MM
from fabkit.formats.drill import problems
from fabkit.formats.drill.model import DrillFile, Tool
from fabkit.geometry.neighbours import PointTree

SMALLEST_MM: Final = 0.10
LARGEST_MM: Final = 6.5
STEP_MM: Final = 0.05
"""Step of stock drills (common practice)."""
MANY_TOOLS: Final = 30
_PLACES: Final = 100
_FARTHEST_MM: Final = 1e9
_PAIRED_TOOLS: Final = 100
"""Tools compared with each other; every pair costs a search."""


def audit(
    file: DrillFile,
    log: ProblemLog,
    *,
    links: list[tuple[list[int], int]],
    undefined: frozenset[int],
) -> None:
    """Report what is wrong with the finished columns.

    Parameters
    ----------
    links
        Tool numbers told to be spares of each other, with the byte offset.
    undefined
        Rows of tools that were chosen but never defined.
    """
    made = len(file.hits) + len(file.slots)
    if not made:
        log.add(
            problems.NO_HOLES,
            "the file makes no hole",
            severity=None if file.tools else Severity.NOTE,
        )
    counts = _counts(file)
    _audit_tools(file, counts, undefined, log)
    _audit_links(file, links, log)
    _audit_slots(file, log)
    _audit_uses(file, log)
    if len(file.hits) > 1:
        _audit_overlaps(file, log)


def _counts(file: DrillFile) -> list[int]:
    rows = np.concatenate([file.hits.tool, file.slots.tool])
    used: list[int] = np.bincount(rows[rows >= 0], minlength=len(file.tools)).tolist()
    for row, tool in enumerate(file.tools):
        if tool.opening_of is not None:
            used[tool.opening_of] += used[row]
    return used


def _audit_tools(
    file: DrillFile, counts: list[int], undefined: frozenset[int], log: ProblemLog
) -> None:
    bits = [
        (row, tool, n)
        for row, (tool, n) in enumerate(zip(file.tools, counts, strict=True))
        if tool.opening_of is None
    ]
    odd: list[str] = []
    for row, tool, count in bits:
        size = tool.diameter_mm
        if not count:
            log.add(problems.TOOL_UNUSED, f"tool {tool.number} makes no hole", offset=tool.offset)
            continue
        if size is None:
            log.add(
                problems.TOOL_UNDEFINED if row in undefined else problems.TOOL_NO_SIZE,
                f"tool {tool.number} has no {'definition' if row in undefined else 'diameter'}",
                offset=tool.offset,
                count=count,
            )
            continue
        if not SMALLEST_MM <= size <= LARGEST_MM:
            log.add(
                problems.SIZE_RANGE,
                f"tool {tool.number} has a diameter of {size:.4g} mm",
                offset=tool.offset,
            )
        if abs(size / STEP_MM - round(size / STEP_MM)) * STEP_MM > INCH_MM / 2000:
            odd.append(f"{size:.3f}")
    if odd:
        log.add(problems.SIZE_STEP, f"diameters between stock drills, mm: {', '.join(odd)}")
    used = [tool for _, tool, count in bits if count]
    _audit_unit([tool.diameter_mm for tool in used if tool.diameter_mm is not None], log)
    _audit_repeated(used, log)
    if len(used) > MANY_TOOLS:
        log.add(problems.MANY_TOOLS, f"{len(used)} tools make holes")


def _audit_unit(sizes: list[float], log: ProblemLog) -> None:
    if not sizes or any(SMALLEST_MM <= s <= LARGEST_MM for s in sizes):
        return
    middle = statistics.median(sizes)
    for factor, words in (
        (INCH_MM, "inches read as millimetres"),
        (1 / INCH_MM, "millimetres read as inches"),
        (INCH_MM / 1000, "mils read as millimetres"),
        (1 / 1000, "mils read as inches"),
    ):
        if SMALLEST_MM <= middle * factor <= LARGEST_MM:
            log.add(
                problems.SIZE_UNIT, f"the middle diameter is {middle:.4g} mm; it looks like {words}"
            )
            return


def _audit_repeated(tools: list[Tool], log: ProblemLog) -> None:
    first: dict[tuple[object, ...], Tool] = {}
    for tool in tools:
        if tool.diameter_mm is None:
            continue
        key = (round(tool.diameter_mm, 4), tool.plated, tool.function)
        known = first.setdefault(key, tool)
        if known is not tool:
            log.add(
                problems.SIZE_REPEATED,
                f"tools {known.number} and {tool.number} are both {tool.diameter_mm:.4g} mm",
                offset=tool.offset,
            )


def _audit_links(file: DrillFile, links: list[tuple[list[int], int]], log: ProblemLog) -> None:
    sizes = {tool.number: tool.diameter_mm for tool in file.tools if tool.opening_of is None}
    for numbers, offset in links:
        if len({sizes[n] for n in numbers if n in sizes}) > 1:
            log.add(
                problems.TOOL_TWICE,
                f"tools {'/'.join(map(str, numbers))} are linked but differ in diameter",
                offset=offset,
            )


def _diameters(file: DrillFile) -> NDArray[np.float64]:
    sizes = [t.diameter_mm if t.diameter_mm is not None else np.nan for t in file.tools]
    return np.array([*sizes, np.nan])  # the last one answers for row -1


def _audit_uses(file: DrillFile, log: ProblemLog) -> None:
    """A via drill whose holes carry component pins serves two purposes."""
    pinned = np.array([".P" in names for names in file.attribute_sets])
    if not pinned.any():
        return
    for row in np.unique(file.hits.tool[pinned[file.hits.attributes]]).tolist():
        tool = file.tools[row]
        if row >= 0 and tool.function[:1] == ("ViaDrill",):
            log.add(
                problems.TOOL_MIXED,
                f"tool {tool.number} is for vias, but some of its holes take component pins",
                offset=tool.offset,
            )


def _audit_slots(file: DrillFile, log: ProblemLog) -> None:
    slots = file.slots
    drilled = ~slots.routed
    if not drilled.any():
        return
    length = np.hypot(slots.x1 - slots.x0, slots.y1 - slots.y0)
    width = _diameters(file)[slots.tool]
    short = np.flatnonzero(drilled & (length < width - COINCIDENT_MM))
    for row in short.tolist():
        log.add(
            problems.SLOT_SHORT,
            "slots are shorter overall than twice their width",
            offset=int(slots.offset[row]),
        )


def _audit_overlaps(file: DrillFile, log: ProblemLog) -> None:
    """Doubles, concentric hits and overlaps, each hole against its nearest neighbours."""
    hits = file.hits
    points = np.column_stack((hits.x, hits.y))
    if np.abs(points).max() > _FARTHEST_MM:
        return  # nonsense, and beyond the integers used below
    cell = np.round(points / COINCIDENT_MM).astype(np.int64)
    order = np.lexsort((np.arange(len(hits)), cell[:, 1], cell[:, 0], hits.tool))
    fresh = np.ones(len(hits), dtype=bool)
    fresh[1:] = (np.diff(cell[order], axis=0) != 0).any(axis=1) | (np.diff(hits.tool[order]) != 0)
    again = np.sort(order[~fresh])
    _tell(log, hits.offset[again], problems.DUPLICATE, "the same hole is drilled again")
    rows = np.sort(order[fresh])
    sizes = _diameters(file)
    groups = {t: rows[hits.tool[rows] == t] for t in np.unique(hits.tool[rows]).tolist()}
    known = [(t, g) for t, g in groups.items() if not np.isnan(sizes[t])]
    trees = {t: PointTree(points[g]) for t, g in known}
    concentric = np.zeros(len(hits), dtype=bool)
    overlapping = np.zeros(len(hits), dtype=bool)
    for i, (first, held) in enumerate(known[:_PAIRED_TOOLS]):
        for second, _ in known[i:_PAIRED_TOOLS]:
            reach = (sizes[first] + sizes[second]) / 2 - COINCIDENT_MM
            if reach <= 0:
                continue
            same = first == second
            near, _ = trees[second].query(points[held], k=2 if same else 1, within=reach)
            near = near[:, 1] if same else near
            centred = (near <= COINCIDENT_MM) & (not same)
            concentric[held[centred]] = True
            overlapping[held[np.isfinite(near) & ~centred]] = True
    _tell(log, hits.offset[concentric], problems.CONCENTRIC, "two tools drill the same centre")
    _tell(log, hits.offset[overlapping], problems.OVERLAP, "holes overlap each other")


def _tell(log: ProblemLog, offsets: NDArray[np.int64], rule: Rule, message: str) -> None:
    kept = offsets[:_PLACES].tolist()
    for offset in kept:
        log.add(rule, message, offset=offset)
    if len(offsets) > _PLACES:
        log.add(rule, message, count=len(offsets) - _PLACES)

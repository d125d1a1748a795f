"""What one drill file shows once it is read: tools without use, size or agreement.

Holes and slots themselves are judged on the board, with every drill file, the copper and the
house's limits in view (:mod:`fabkit.checks.hole`, :mod:`fabkit.checks.hole_spacing`).
"""

from __future__ import annotations

import statistics
from typing import Final

import numpy as np

from fabkit.base.findings import ProblemLog, Severity
from fabkit.base.units import INCH_MM
from fabkit.formats.drill import problems
from fabkit.formats.drill.model import DrillFile, Tool

SMALLEST_MM: Final = 0.10
LARGEST_MM: Final = 6.5


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
        Tool numbers stated to be spares of each other, with the byte offset.
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
    _audit_uses(file, log)


def _counts(file: DrillFile) -> list[int]:
    rows = np.concatenate([file.hits.tool, file.slots.tool])
    used: list[int] = np.bincount(rows[rows >= 0], minlength=len(file.tools)).tolist()
    for row, tool in enumerate(file.tools):
        if tool.opening_of is not None:
            used[tool.opening_of] += used[row]
    return used


MANY_ALIKE: Final = 2
"""So many tools of one size may differ in use; more are a mistake (a choice of ours)."""


def _audit_tools(
    file: DrillFile, counts: list[int], undefined: frozenset[int], log: ProblemLog
) -> None:
    bits = [
        (row, tool, n)
        for row, (tool, n) in enumerate(zip(file.tools, counts, strict=True))
        if tool.opening_of is None
    ]
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
    used = [tool for _, tool, count in bits if count]
    _audit_unit([tool.diameter_mm for tool in used if tool.diameter_mm is not None], log)
    _audit_repeated(used, log)


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
    sizes = {round(tool.diameter_mm or 0.0, 4) for tool in tools}
    uses = {(tool.plated, tool.function) for tool in tools}
    if len(sizes) == 1 and (len(tools) > MANY_ALIKE or (len(tools) > 1 and len(uses) == 1)):
        log.add(
            problems.ALL_ONE_SIZE,
            f"all {len(tools)} tools have a diameter of {tools[0].diameter_mm or 0:.4g} mm",
            offset=tools[0].offset,
        )
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


def _audit_uses(file: DrillFile, log: ProblemLog) -> None:
    """Report via drills whose holes carry component pins: they serve two purposes."""
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

"""Holes and slots one by one: sizes the house can drill, rout and plate, and the tools needed."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
import shapely

from fabkit.base.findings import Finding
from fabkit.base.units import COINCIDENT_MM, format_mm, format_number, some_of
from fabkit.checks.copper_facts import Cuts, cuts_at, cuts_of
from fabkit.checks.declare import check
from fabkit.checks.model import Case
from fabkit.checks.worst import Measures, holes_at, judge
from fabkit.rules import load_rule

MANY_TOOLS: Final = 30
"""Tools in one drill set beyond which a machine's rack must be changed (common practice)."""

ROUND_MM: Final = 0.01
"""A slot longer than wide by less than this is drilled, not routed."""

PLATED_SMALL: Final = load_rule("hole/plated-too-small")
BARE_SMALL: Final = load_rule("hole/non-plated-too-small")
TOO_LARGE: Final = load_rule("hole/too-large")
SLOT_NARROW: Final = load_rule("hole/slot-too-narrow")
SLOT_SHORT: Final = load_rule("hole/slot-too-short")
STEP: Final = load_rule("hole/odd-size")
TOOLS: Final = load_rule("hole/many-tools")
ASPECT: Final = load_rule("hole/aspect-ratio")


@check(
    id="hole/size",
    rules=(PLATED_SMALL, BARE_SMALL, TOO_LARGE),
    limits=("drill_min_plated_mm", "drill_min_nonplated_mm", "drill_max_mm"),
    needs=("holes",),
)
def sizes(case: Case) -> Iterator[Finding]:
    """Holes are neither smaller nor larger than the house drills."""
    holes = case.board.holes
    known = holes.diameter > 0
    for rule, key, mine, words in (
        (PLATED_SMALL, "drill_min_plated_mm", known & (holes.plated != 0), "smallest plated hole"),
        (
            BARE_SMALL,
            "drill_min_nonplated_mm",
            known & (holes.plated == 0),
            "smallest non-plated hole",
        ),
    ):
        rows = np.flatnonzero(mine)
        yield from judge(
            case, rule, key, Measures(holes.diameter[rows], holes_at(case, rows)), words
        )
    yield from judge(
        case, TOO_LARGE, "drill_max_mm", Measures(holes.diameter, case.hole_place), "largest hole"
    )


@check(
    id="hole/slot",
    rules=(SLOT_NARROW, SLOT_SHORT),
    limits=(
        "slot_min_width_plated_mm",
        "slot_min_width_nonplated_mm",
        "slot_min_length_ratio",
    ),
    needs=("slots",),
)
def slots(case: Case) -> Iterator[Finding]:
    """Slots are wide and long enough to be routed straight."""
    cuts = case.shared(cuts_of)
    for key, mine, words in (
        ("slot_min_width_plated_mm", cuts.plated != 0, "narrowest plated slot"),
        ("slot_min_width_nonplated_mm", cuts.plated == 0, "narrowest non-plated slot"),
    ):
        # That a path has no width is a finding of its own.
        rows = np.flatnonzero(mine & ~cuts.round & (cuts.width > 0))
        yield from judge(
            case, SLOT_NARROW, key, Measures(cuts.width[rows], cuts_at(case, rows)), words
        )
    length = slot_lengths(cuts)
    # A slot of no length is a round hole in other words.
    rows = np.flatnonzero(~cuts.round & (length > cuts.width + ROUND_MM))
    yield from judge(
        case,
        SLOT_SHORT,
        "slot_min_length_ratio",
        Measures(length[rows] / cuts.width[rows], cuts_at(case, rows)),
        "shortest slot, length over width,",
    )


def slot_lengths(cuts: Cuts) -> np.ndarray:
    """(len(cuts),) float64: longest side of the smallest box around each slot, mm; 0 of others."""
    lengths = np.zeros(len(cuts.shapes))
    known = ~cuts.round & ~shapely.is_empty(cuts.shapes)
    boxes = shapely.minimum_rotated_rectangle(shapely.convex_hull(cuts.shapes[known]))
    # Kilometres away, the box of a slot may be a line.
    box = shapely.get_type_id(boxes) == shapely.GeometryType.POLYGON
    corners = shapely.get_coordinates(boxes[box]).reshape(-1, 5, 2)
    sides = np.hypot(*np.moveaxis(np.diff(corners[:, :3], axis=1), 2, 0))
    longest = shapely.length(boxes)
    longest[box] = sides.max(axis=1, initial=0.0)
    lengths[known] = longest
    return lengths


@check(id="hole/tools", rules=(STEP, TOOLS), needs=("holes",))
def tools(case: Case) -> Iterator[Finding]:
    """Drill sizes lie on the steps of the house's set and are not needlessly many."""
    holes = case.board.holes
    step = case.house.options.drill_step_mm
    off = np.abs(holes.diameter - np.round(holes.diameter / step) * step)
    odd = np.flatnonzero(off > COINCIDENT_MM)
    if len(odd):
        sizes_mm = np.unique(np.round(holes.diameter[odd], 4))
        # The one that is rounded the most comes first.
        away = np.abs(sizes_mm - np.round(sizes_mm / step) * step)
        sizes_mm = sizes_mm[np.argsort(-np.round(away, 6), kind="stable")]
        first = [int(odd[np.argmin(np.abs(holes.diameter[odd] - s))]) for s in sizes_mm]
        texts = [
            f"{format_number(s)} ({format_number(np.round(s / step) * step)})" for s in sizes_mm
        ]
        yield Finding.of(
            STEP,
            f"drill sizes between the {format_mm(step)} steps (drilled as): {some_of(texts, 8)}",
            *(case.hole_place(row) for row in first[:20]),
            count=len(sizes_mm),
            measured=float(sizes_mm[0]),
            limit=float(np.round(sizes_mm[0] / step) * step),
            unit="mm",
        )
    sizes_mm = np.unique(np.round(holes.diameter / step))
    if len(sizes_mm) > MANY_TOOLS:
        yield Finding.of(
            TOOLS,
            f"{len(sizes_mm)} different drill sizes",
            measured=float(len(sizes_mm)),
            limit=float(MANY_TOOLS),
        )


@check(
    id="hole/aspect-ratio",
    rules=(ASPECT,),
    limits=("aspect_ratio",),
    needs=("holes", "thickness"),
)
def aspect(case: Case) -> Iterator[Finding]:
    """Plated holes are not too deep for their width at the chosen thickness."""
    holes = case.board.holes
    thickness = case.thickness_mm
    rows = np.flatnonzero((holes.plated != 0) & (holes.diameter > 0))
    if thickness is not None:
        yield from judge(
            case,
            ASPECT,
            "aspect_ratio",
            Measures(thickness / holes.diameter[rows], holes_at(case, rows), slack=1e-6),
            f"deepest hole, thickness {format_mm(thickness)} over diameter,",
        )

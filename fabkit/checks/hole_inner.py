"""Plated holes against foreign copper of inner layers, which they pass without a pad."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
import shapely

from fabkit.base.findings import Finding
from fabkit.base.units import CHORD_ERROR_MM
from fabkit.checks.case import Case
from fabkit.checks.copper_facts import (
    Cuts,
    Spots,
    cuts_of,
    facets_by_layer,
    require_copper,
)
from fabkit.checks.declare import check
from fabkit.checks.worst import judge
from fabkit.rules import load_rule

INNER_NEAR: Final = load_rule("hole/inner-copper-near")


@check(
    id="hole/inner-clearance",
    rules=(INNER_NEAR,),
    limits=("plated_to_inner_copper_mm",),
    needs=("drill", "copper"),
)
def inner_clearance(case: Case) -> Iterator[Finding]:
    """Foreign copper of inner layers keeps clear of plated holes."""
    copper, cuts = require_copper(case), case.shared(cuts_of)
    island = np.full(len(cuts.shapes), -1)
    joints = copper.pieces.joints
    island[joints[:, 0]] = copper.pieces.island[joints[:, 1]]
    reach = case.house.limit("plated_to_inner_copper_mm").value
    tables = [np.empty((0, 4))]
    for index, layer in enumerate(case.board.copper):
        if layer.side is not None:
            continue
        passed = (cuts.first <= index + 1) & (cuts.last >= index + 1)
        rows = np.flatnonzero((cuts.plated != 0) & passed)
        facets = case.shared(facets_by_layer)[index]
        hole, facet = facets.within(_middles(cuts, rows), _radii(cuts, rows) + reach)
        foreign = copper.pieces.island[facets.facets.piece[facet]] != island[rows[hole]]
        hole, facet = hole[foreign], facet[foreign]
        wall = shapely.distance(_middles(cuts, rows)[hole], facets.lines(facet))
        wall = np.maximum(wall - _radii(cuts, rows)[hole], 0.0)
        order = np.lexsort((wall, hole))
        worst = order[np.unique(hole[order], return_index=True)[1]]
        at = rows[hole[worst]]
        tables.append(
            np.column_stack((wall[worst], cuts.x[at], cuts.y[at], np.full(len(at), index)))
        )
    spots = Spots.of(np.concatenate(tables))
    yield from judge(
        case,
        INNER_NEAR,
        "plated_to_inner_copper_mm",
        spots.value,
        spots.place(case),
        "foreign inner copper nearest to a plated hole",
        slack=CHORD_ERROR_MM,
        where=spots.where(case),
    )


def _middles(cuts: Cuts, rows: np.ndarray) -> np.ndarray:
    """Round holes as points, slots as they are: distances less :func:`_radii` are to the wall."""
    points = shapely.points(cuts.x[rows], cuts.y[rows])
    return np.asarray(np.where(cuts.round[rows], points, cuts.shapes[rows]), dtype=object)


def _radii(cuts: Cuts, rows: np.ndarray) -> np.ndarray:
    return np.asarray(np.where(cuts.round[rows], cuts.width[rows] / 2, 0.0))

"""What holds the boards of a panel: rails, the waste between them, and tabs that reach all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Ints
from fabkit.base.errors import UsageError
from fabkit.base.units import format_mm
from fabkit.geometry.neighbours import label_groups
from fabkit.panels.model import Copy, Frame, Measures
from fabkit.panels.scoring import seams
from fabkit.panels.tabs import (
    CLEAR_MM,
    Places,
    choose_places,
    find_obstacles,
    find_places,
    make_tab,
)

_STRIP_MM: Final = 4.0
"""Waste narrower than this is routed away."""
_PIECE_MM2: Final = 150.0
"""So is waste smaller than this: it could not be held well."""
_FEWEST: Final = 2
"""Tabs that hold a piece."""
_DESIGN_SHARE: Final = 0.8
"""Tabs are laid nearer than the most the house allows."""
_SPREAD_MM: Final = 15.0
_PLAIN_MM: Final = 0.001


def outer(profile: BaseGeometry) -> BaseGeometry:
    """Outer outline of a board as one polygon."""
    return shapely.Polygon(shapely.get_exterior_ring(shapely.get_parts(profile)[0]))


def build_frame(copies: Sequence[Copy], measures: Measures, *, rails: bool) -> Frame:
    """Find what holds the boards.

    Raises
    ------
    UsageError
        A board has no straight edge for tabs, or cannot be joined to the others.
    """
    boards = [outer(copy.profile) for copy in copies]
    box = _box(boards, measures, rails=rails)
    obstacles = [find_obstacles(copy) for copy in copies]
    waste = _waste(boards, box, measures)
    while True:
        pieces = [*boards, *waste]
        found = [find_places(k, pieces, obstacles, measures) for k in range(len(copies))]
        places, chosen = _held(copies, pieces, found, measures)
        held = np.bincount(places.piece[chosen], minlength=len(pieces))[len(boards) :]
        loose = [k for k in range(len(waste)) if held[k] < _FEWEST]
        if not loose:
            break
        waste = [piece for k, piece in enumerate(waste) if k not in loose]
    _refuse_loose(copies, len(pieces), places, chosen)
    tabs = tuple(make_tab(places, row, len(boards), measures) for row in chosen.tolist())
    clear = float(places.clear[chosen, 0].min(initial=np.inf))
    return Frame(box=box, waste=tuple(waste), tabs=tabs, clear_mm=clear)


def _box(
    boards: Sequence[BaseGeometry], measures: Measures, *, rails: bool
) -> tuple[float, float, float, float]:
    x0, y0, x1, y1 = shapely.total_bounds(np.array(boards, dtype=object)).tolist()
    if rails:
        more = measures.rail + measures.gap
        if x1 - x0 >= y1 - y0:
            return x0, y0 - more, x1, y1 + more
        return x0 - more, y0, x1 + more, y1
    return x0, y0, x1, y1


def _waste(
    boards: Sequence[BaseGeometry], box: tuple[float, float, float, float], measures: Measures
) -> list[BaseGeometry]:
    """Pieces that the router leaves when it has gone around each board."""
    around = shapely.buffer(np.array(boards, dtype=object), measures.gap, quad_segs=32)
    rest = shapely.difference(shapely.box(*box), shapely.union_all(around))
    # Grown back with round corners, waste has no points to be hurt by when it is broken off.
    rest = shapely.buffer(rest, -_STRIP_MM / 2, join_style="mitre")
    rest = shapely.buffer(rest, _STRIP_MM / 2, quad_segs=32)
    parts = shapely.get_parts(shapely.simplify(rest, _PLAIN_MM))
    return [part for part in parts.tolist() if part.area >= _PIECE_MM2]


def _held(
    copies: Sequence[Copy],
    pieces: Sequence[BaseGeometry],
    found: Sequence[Places],
    measures: Measures,
    clear_mm: Sequence[float] = CLEAR_MM,
) -> tuple[Places, Ints]:
    """Places for tabs, and those that are chosen: for each board, then for waste held too little.

    A tab between two boards holds both.
    """
    places = Places.concat([table.take(table.fits(measures, clear_mm[0])) for table in found])
    chosen: list[int] = []
    most = _DESIGN_SHARE * measures.tab_spacing
    for number, piece in enumerate(pieces):
        of_board = number < len(copies)
        x0, y0, x1, y1 = piece.bounds
        edge = piece.exterior.length if of_board else max(x1 - x0, y1 - y0)
        wanted = max(3 if of_board else _FEWEST, int(np.ceil(edge / most)))
        mine = np.flatnonzero((places.board if of_board else places.piece) == number)
        taken = np.concatenate(
            (
                places.base[[k for k in chosen if places.board[k] == number]],
                places.far_ends()[[k for k in chosen if places.piece[k] == number]],
            )
        )
        rows = choose_places(places.take(mine), taken, wanted=wanted, spread=_SPREAD_MM)
        chosen += [k for k in mine[rows].tolist() if k not in chosen]
        if of_board and len(rows) + len(taken) < _FEWEST:
            if len(clear_mm) > 1:
                return _held(copies, pieces, found, measures, clear_mm[1:])
            raise UsageError(
                f"{copies[number].label}: no straight edge for {_FEWEST} break-off tabs of"
                f" {format_mm(measures.tab)} that is clear of holes, pads and copper"
                f" ({found[number].words(measures)})",
                hint="try rails or another gap, or order this board alone",
            )
    return places, np.array(chosen, dtype=np.int64)


def _refuse_loose(copies: Sequence[Copy], count: int, places: Places, chosen: Ints) -> None:
    """Refuse a panel that would fall apart."""
    label = label_groups(count, places.board[chosen], places.piece[chosen])
    apart = [copy.label for copy, mine in zip(copies, label, strict=False) if mine != label[0]]
    if apart:
        raise UsageError(
            f"no break-off tab can join {copies[0].label} to {', '.join(apart)}",
            hint="use --rails, which join all boards, or another --gap",
        )


def with_marks(frame: Frame, measures: Measures) -> Frame:
    """Put tooling holes and fiducials into the rails."""
    x0, y0, x1, y1 = frame.box
    middle = measures.rail / 2
    # Near the ends of both rails; one corner has no fiducial, so that the panel lies one way only.
    wide = x1 - x0 >= y1 - y0
    length = x1 - x0 if wide else y1 - y0
    hole, mark = middle + measures.tooling_hole / 2, middle + 2 * measures.tooling_hole + 2
    ends = [(hole, length - hole), (mark, length - mark)]

    def at(u: float, v: float) -> tuple[float, float]:
        return (x0 + u, y0 + v) if wide else (x0 + v, y0 + u)

    across = (y1 - y0 if wide else x1 - x0) - middle
    tooling = [at(u, v) for v in (middle, across) for u in ends[0]]
    fiducials = [at(u, v) for v in (middle, across) for u in ends[1]][:3]
    return replace(frame, tooling=np.array(tooling), fiducials=np.array(fiducials))


def material(boards: Sequence[BaseGeometry], frame: Frame) -> BaseGeometry:
    """Unite boards with all that holds them.

    Raises
    ------
    UsageError
        It falls apart.
    """
    parts = [*boards, *frame.waste, *(tab.shape for tab in frame.tabs)]
    if len(frame.score):
        parts += seams(parts, frame.score)
    whole = shapely.union_all(np.array(parts, dtype=object))
    pieces = shapely.get_parts(whole)
    if len(pieces) != 1:
        raise UsageError(
            f"the panel would fall into {len(pieces)} pieces", hint="try another --gap, or --rails"
        )
    return pieces[0]

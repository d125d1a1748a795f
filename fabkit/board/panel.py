"""Boards that hang together: a panel, its boards, rails, tabs, rows of small holes, score lines."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Bools, Floats, Ints, Shapes, rows_by
from fabkit.base.units import COINCIDENT_MM
from fabkit.board.figures import counts_in
from fabkit.board.model import EdgePath, Panel, PathKind
from fabkit.board.tabs import cut_stubs, find_necks, find_perforations, led_on
from fabkit.geometry.neighbours import PointTree, label_groups

_BOARD_SHARE: Final = 0.1
"""A board holds at least this share of the pads of the fullest board; a rail holds fewer."""
_BOARD_PADS: Final = 4
_STRIP_MM: Final = 20.0
"""Rails are narrower (common practice: 5 to 15 mm)."""
_EXTEND_MM: Final = 2.0
"""Score lines are drawn to the edge, or end this near to it."""
_DUST_MM2: Final = 0.01
_ACROSS: Final = 0.8
"""A score line runs along at least this share of the shorter side of a board."""
_SAME_AREA: Final = 0.01
_SAME_PLACE_MM: Final = 0.1
_SAME_SHARE: Final = 0.95
"""Equal boards have this share of their pads at equal places."""
_ASKED: Final = 150
"""So many pads are compared."""
_MOST_BOARDS: Final = 400


def find_panel(
    profile: BaseGeometry,
    *,
    points: Floats,
    holes: Floats,
    score: Shapes,
    drawn: Shapes,
    tracks: Floats,
) -> Panel | None:
    """Find the boards that one piece of material holds; None for a plain board.

    Parameters
    ----------
    profile
        Material with cut-outs, mm.
    points
        (n, 2) float64, mm: places of pads, or of holes where there are none.
    holes
        (m, 3) float64, mm: place and diameter of holes that may perforate the material.
    score
        Lines of score layers.
    drawn
        Rings of the profile that divide the material.
    tracks
        (t, 4) float64, mm: ends of copper tracks; what they join is one board.
    """
    rows = find_perforations(shapely.boundary(profile), holes)
    longer = [led_on(line, _EXTEND_MM) for line in score[shapely.length(score) > 0]]
    scored = np.array(longer, dtype=object)
    pieces = _split(profile, [*rows, *scored, *drawn])
    # Necks are inferred from widths alone, so only where nothing drilled or drawn parts the piece.
    if len(points) and not rows and not len(scored) and not len(drawn):
        pieces = _split(profile, find_necks(pieces, points))
    if len(pieces) < 2:
        return None
    # Without copper the points are holes, and a tab full of small holes would pass for a board.
    content = counts_in(pieces, _off(points, rows))
    if content.max() < _BOARD_PADS:  # a plate has cut-outs instead
        content = shapely.get_num_interior_rings(pieces)
    if content.max() >= _BOARD_PADS:
        held = content >= max(_BOARD_PADS, _BOARD_SHARE * content.max())
    else:
        held = ~_strips(pieces, profile.bounds) & (
            shapely.area(pieces) > _BOARD_SHARE * shapely.area(pieces).max()
        )
    boards = _joined(pieces, held, tracks)
    others = pieces[~held]
    if not len(boards) or (len(boards) == 1 and not len(others)) or len(boards) > _MOST_BOARDS:
        return None
    if len(boards) == 1 and shapely.area(others).sum() < 0.02 * boards[0].area:
        return None
    centres = shapely.get_coordinates(shapely.centroid(boards)).round(1)
    boards = boards[np.lexsort((centres[:, 1], centres[:, 0]))]
    boards, stubs = cut_stubs(boards, rows, points)
    others = np.concatenate((others, stubs))
    design, mirrored = _designs(boards, points)
    thin = np.array([_is_tab(piece) for piece in others], dtype=bool)
    x0, y0, x1, y1 = profile.bounds
    # Perforations leave a sliver between row and board: it is the end of the tab.
    rails, tabs = others[~thin], shapely.get_parts(shapely.union_all(others[thin]))
    score_lines = _apart(profile, scored, drawn, boards)
    return Panel(
        boards=boards,
        design=design,
        mirrored=mirrored,
        rails=rails,
        tabs=tabs,
        score_lines=score_lines,
        paths=tuple(_paths(boards, rails, tabs, rows, score_lines)),
        size_mm=(float(x1 - x0), float(y1 - y0)),
    )


def _paths(
    boards: Shapes, rails: Shapes, tabs: Shapes, rows: Sequence[BaseGeometry], score: Shapes
) -> list[EdgePath]:
    found: list[tuple[PathKind, Sequence[BaseGeometry] | Shapes, str]] = [
        (PathKind.BOARD_EDGE, boards, "pads lie in it, and it can be broken out"),
        (PathKind.RAIL, rails, "it is left over when the boards are taken out"),
        (PathKind.TAB, tabs, "it is small and joins larger parts"),
        (PathKind.PERFORATION, rows, "a row of small holes runs from edge to edge"),
        (PathKind.SCORE, score, "a straight line runs across the material"),
    ]
    return [
        EdgePath(kind, (why,), shapely.GeometryCollection(list(shapes)), len(shapes))
        for kind, shapes, why in found
        if len(shapes)
    ]


def _split(profile: BaseGeometry, lines: list[BaseGeometry]) -> Shapes:
    """Pieces of the material that lines part it into."""
    whole = shapely.get_parts(profile)
    if not len(lines):
        return np.asarray(whole, dtype=object)
    tree = shapely.STRtree(np.array(lines, dtype=object))
    pieces: list[BaseGeometry] = []
    for part in whole:
        mine = tree.query(part, predicate="intersects")
        if not len(mine):
            pieces.append(part)
            continue
        noded = shapely.union_all(
            np.array([part.boundary, *(lines[i] for i in np.sort(mine))], dtype=object)
        )
        faces = shapely.get_parts(shapely.polygonize([noded]))
        inside = shapely.contains(part, shapely.point_on_surface(faces))
        pieces += faces[inside & (shapely.area(faces) > _DUST_MM2)].tolist()
    return np.array(pieces, dtype=object)


def _off(points: Floats, rows: Sequence[BaseGeometry]) -> Floats:
    """Points that are no holes of a perforation."""
    if not rows or not len(points):
        return points
    on, _ = shapely.STRtree(rows).query(
        shapely.points(points), predicate="dwithin", distance=_SAME_PLACE_MM
    )
    return np.delete(points, on, axis=0)


def _strips(pieces: Shapes, bounds: tuple[float, float, float, float]) -> Bools:
    """Pieces that run along a whole side of the panel and are narrow: rails without pads."""
    box = shapely.bounds(pieces)
    wide, high = box[:, 2] - box[:, 0], box[:, 3] - box[:, 1]
    across = (wide > 0.9 * (bounds[2] - bounds[0])) & (high < _STRIP_MM)
    up = (high > 0.9 * (bounds[3] - bounds[1])) & (wide < _STRIP_MM)
    strips: Bools = across | up
    return strips


def _is_tab(piece: BaseGeometry) -> bool:
    x0, y0, x1, y1 = piece.bounds
    return bool(max(x1 - x0, y1 - y0) < _STRIP_MM)


def _joined(pieces: Shapes, held: Bools, tracks: Floats) -> Shapes:
    """Boards: pieces with pads, those that copper joins as one."""
    boards = pieces[held]
    if len(boards) < 2 or not len(tracks):
        return boards
    ends = tracks.reshape(-1, 2)
    board = np.full(len(ends), -1)
    for number, shape in enumerate(boards):
        x0, y0, x1, y1 = shape.bounds
        near = np.flatnonzero(
            (ends[:, 0] > x0) & (ends[:, 0] < x1) & (ends[:, 1] > y0) & (ends[:, 1] < y1)
        )
        shapely.prepare(shape)
        board[near[shapely.contains_xy(shape, ends[near, 0], ends[near, 1])]] = number
    pairs = board.reshape(-1, 2)
    pairs = pairs[(pairs >= 0).all(axis=1) & (pairs[:, 0] != pairs[:, 1])]
    if not len(pairs):
        return boards
    label = label_groups(len(boards), pairs[:, 0], pairs[:, 1])
    joined = [shapely.union_all(boards[rows]) for rows in rows_by(label).values()]
    return np.array([_largest(shape) for shape in joined], dtype=object)


def _largest(shape: BaseGeometry) -> BaseGeometry:
    parts = shapely.get_parts(shape)
    return parts[int(shapely.area(parts).argmax())]


def _apart(profile: BaseGeometry, scored: Shapes, drawn: Shapes, boards: Shapes) -> Shapes:
    """Score lines inside the material, drawn in a layer of their own or in the profile.

    Lines that are shorter than a side of a board are the mouths of tabs.  Pieces of
    one straight line are one score line.
    """
    lines = [shapely.get_parts(shapely.intersection(scored, profile))]
    if len(drawn):
        rim = shapely.boundary(profile).buffer(COINCIDENT_MM, quad_segs=1)
        inside = shapely.difference(shapely.union_all(drawn), rim)
        lines.append(shapely.get_parts(shapely.line_merge(inside)))
    every = np.concatenate(lines)
    box = shapely.bounds(boards)
    side = np.minimum(box[:, 2] - box[:, 0], box[:, 3] - box[:, 1]).min()
    every = every[shapely.length(every) > _ACROSS * side]
    if not len(every):
        return np.empty(0, dtype=object)
    ends = np.stack(
        [shapely.get_coordinates(shapely.get_point(every, end)) for end in (0, -1)], axis=1
    )
    step = ends[:, 1] - ends[:, 0]
    angle = np.arctan2(step[:, 1], step[:, 0]) % np.pi
    # Angle and distance from the origin name a straight line, however often it is interrupted.
    off = ends[:, 0, 1] * np.cos(angle) - ends[:, 0, 0] * np.sin(angle)
    keys = np.column_stack((np.round(angle, 2) % 3.14, np.round(off, 1)))
    _, row = np.unique(keys, axis=0, return_inverse=True)
    row = row.reshape(-1)
    return np.array(
        [shapely.union_all(every[row == k]) for k in range(int(row.max()) + 1)], dtype=object
    )


def _designs(boards: Shapes, points: Floats) -> tuple[Ints, Bools]:
    """Find the number of each board's design, and whether the board is mirrored.

    Boards are compared by their pads, turned by quarters and mirrored; without pads by their
    corners.
    """
    design = np.full(len(boards), -1, dtype=np.int64)
    mirrored = np.zeros(len(boards), dtype=bool)
    area = shapely.area(boards)
    spots = [_spots(board, points) for board in boards]
    firsts: list[int] = []
    for i in range(len(boards)):
        for number, j in enumerate(firsts):
            if abs(area[i] - area[j]) > _SAME_AREA * area[j]:
                continue
            flip = _same(spots[i], spots[j])
            if flip is not None:
                design[i], mirrored[i] = number, flip
                break
        else:
            design[i] = len(firsts)
            firsts.append(i)
    return design, mirrored


def _spots(board: BaseGeometry, points: Floats) -> Floats:
    """Places that mark a design, from the middle of the board's box."""
    shapely.prepare(board)
    mine = points[shapely.contains_xy(board, points[:, 0], points[:, 1])] if len(points) else points
    if not len(mine):
        mine = shapely.get_coordinates(board)
    x0, y0, x1, y1 = board.bounds
    placed: Floats = mine - np.array([(x0 + x1) / 2, (y0 + y1) / 2])
    return placed


def _same(one: Floats, other: Floats) -> bool | None:
    """Compare two boards: False when one is the other turned by quarters, True when mirrored too.

    None when they differ.
    """
    if abs(len(one) - len(other)) > (1 - _SAME_SHARE) * max(len(one), len(other)):
        return None
    tree = PointTree(other)
    asked = one[:: max(1, len(one) // _ASKED)]
    # Unmirrored first: a board that is its own mirror image is no mirrored one.
    for flip in (False, True):
        turned = asked * (-1, 1) if flip else asked
        for _ in range(4):
            distance, _ = tree.query(turned, within=_SAME_PLACE_MM)
            if np.isfinite(distance).mean() >= _SAME_SHARE:
                return flip
            turned = turned[:, ::-1] * (-1, 1)
    return None

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
from fabkit.geometry.areas import touched
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
    holes = np.array(rows, dtype=object)
    return points[~touched(shapely.points(points), holes, within_mm=_SAME_PLACE_MM)]


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
    row = np.unique(keys, axis=0, return_inverse=True)[1].reshape(-1)
    return np.array(
        [shapely.union_all(every[mine]) for mine in rows_by(row).values()], dtype=object
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


_SHORT_MM: Final = 0.25
"""Walls of tabs stop this far before the edge at most."""
_BESIDE_MM: Final = 0.5
"""Rows of holes lie this far from their tab at most (common practice: on the edge, or near it)."""
_MOST: Final = 0.5


def find_tabs(shape: BaseGeometry, lines: Shapes, holes: Floats) -> tuple[Shapes, Shapes]:
    """Find tabs between pairs of open lines that lead from edge to edge.

    Only the room between two lines across which a row of small holes runs is one: nothing is
    drilled where there is no material.

    Parameters
    ----------
    shape
        Material, mm.
    lines
        (n,) lines that enclose nothing.
    holes
        (m, 3) float64, mm: place and diameter of holes that may perforate a tab.

    Returns
    -------
    The tabs, grown by 0.001 mm so that they surely join the material, and their walls.
    """
    none = np.empty(0, dtype=object)
    if not len(lines) or not len(holes):
        return none, none
    rim = shapely.boundary(shape)
    walls = shapely.get_parts(shapely.line_merge(shapely.multilinestrings(lines)))
    shapely.prepare(rim)
    # A wall leads from edge to edge; a line with a loose end joins nothing.
    for end in (0, -1):
        tips = shapely.get_point(walls, end)
        walls = walls[shapely.dwithin(tips, rim, _SHORT_MM)]
    walls = walls[
        ~shapely.intersects(shape, shapely.line_interpolate_point(walls, 0.5, normalized=True))
    ]
    if len(walls) < 2:
        return none, none
    longer = np.array([led_on(wall, _SHORT_MM + COINCIDENT_MM) for wall in walls], dtype=object)
    drawn = shapely.union_all(np.array([rim, *longer], dtype=object))
    # Without the ends that lead on to the rim: the holes alone must lie in the tab.
    rows = [shapely.LineString(row.coords[1:-1]) for row in find_perforations(drawn, holes)]
    if not rows:
        return none, none
    faces = shapely.get_parts(shapely.polygonize([drawn]))
    faces = faces[~shapely.intersects(shape, shapely.point_on_surface(faces))]
    face, wall = shapely.STRtree(walls).query(faces, predicate="dwithin", distance=COINCIDENT_MM)
    beside = shapely.length(shapely.intersection(shapely.boundary(faces[face]), longer[wall]))
    real = beside > _MOST * shapely.length(walls[wall])
    face, wall = face[real], wall[real]
    # One wall and the rim may enclose any bay; a tab has a wall on either side.
    between = np.bincount(face, minlength=len(faces)) >= 2
    near = shapely.buffer(faces, _BESIDE_MM)
    crossed, row = shapely.STRtree(rows).query(near, predicate="intersects")
    lines_in = np.array(rows, dtype=object)[row]
    most = shapely.length(shapely.intersection(near[crossed], lines_in)) > _MOST * shapely.length(
        lines_in
    )
    between &= np.bincount(crossed[most], minlength=len(faces)) > 0
    tabs = shapely.buffer(faces[between], COINCIDENT_MM, join_style="mitre")
    return tabs, walls[np.unique(wall[between[face]])]


def led_on(line: BaseGeometry, reach: float) -> BaseGeometry:
    """Make a line a little longer at both ends, so that it surely reaches what it ends at."""
    xy = shapely.get_coordinates(line)
    first, last = xy[0] - xy[1], xy[-1] - xy[-2]
    ends = xy[0] + reach * first / np.hypot(*first), xy[-1] + reach * last / np.hypot(*last)
    return shapely.LineString([ends[0], *xy, ends[1]])


PERFORATION_MM: Final = 1.3
"""Holes of a perforation are at most this wide (common practice: 0.5 to 1.0 mm)."""
_BITES: Final = 3
_PITCH: Final = 3.0
"""Their centres are at most this many diameters apart."""
_OFF: Final = 0.6
"""They lie off the line between their neighbours by at most this share of their diameter."""
_SAME_MM: Final = 0.02
_NEIGHBOURS: Final = 16
"""Holes around one that can be its next in a row: few, as all are about equally far."""
_ROUNDED_MM: Final = 0.03
"""A coarse inch format moves hole and edge by 0.0127 mm each."""
_REACH_MM: Final = 2.5
"""The edge lies at most this far beyond the last hole of a row."""
_NECKS_MM: Final = (2.6, 4.3, 6.4)
"""Widths of tabs that are tried in turn (common practice: 2 to 6 mm, whole
numbers mostly, which are left clear of)."""
_PART_SHARE: Final = 0.02
"""What is smaller than this share of the material is no board and no rail."""
_CORNER_MM: Final = 0.5
"""The chords of an arc meet the wall of a tab this near to its corner."""
_MOST_PARTS: Final = 200
_LONGER_MM: Final = 0.1
"""Lines across tabs are this much longer at each end, so that they surely part them."""
_SIMPLE_MM: Final = 0.02
_MOST_CORNERS: Final = 20_000


def find_perforations(rim: BaseGeometry, holes: Floats) -> list[BaseGeometry]:
    """Lines through rows of small holes that run from edge to edge of the material.

    Parameters
    ----------
    rim
        Where the material ends, mm.
    holes
        (n, 3) float64, mm: place and diameter of holes without pads.
    """
    small = holes[(holes[:, 2] <= PERFORATION_MM) & (holes[:, 2] > 0)]
    if len(small) < _BITES:
        return []
    # Some neighbours of each, for thousands of holes may lie upon each other.
    most = min(_NEIGHBOURS + 1, len(small))
    far = _PITCH * PERFORATION_MM + COINCIDENT_MM
    near, other = PointTree(small[:, :2]).query(small[:, :2], k=most, within=far)
    row, column = np.nonzero(np.isfinite(near) & (other != np.arange(len(small))[:, None]))
    a, b, apart = row, other[row, column], near[row, column]
    # Each hole goes on to its nearest neighbours alone: rows may lie side by side.
    nearest = np.full(len(small), np.inf)
    np.minimum.at(nearest, a, apart)
    np.minimum.at(nearest, b, apart)
    fits = (
        (np.abs(small[a, 2] - small[b, 2]) <= _SAME_MM)
        & (apart <= _PITCH * small[a, 2])
        & (apart > COINCIDENT_MM)
        & (apart <= 1.4 * np.minimum(nearest[a], nearest[b]))
    )
    label = label_groups(len(small), a[fits], b[fits])
    shapely.prepare(rim)
    found = []
    for rows in rows_by(label).values():
        if len(rows) >= _BITES:
            line = _row(small[rows], rim)
            if line is not None:
                found.append(line)
    return found


def _row(holes: Floats, rim: BaseGeometry) -> BaseGeometry:
    """Line through a row of holes, led on to the rim at both ends; None when it is no row."""
    xy = holes[:, :2]
    middle = xy - xy.mean(axis=0)
    _, _, axes = np.linalg.svd(middle, full_matrices=False)
    along = middle @ axes[0]
    xy = xy[np.argsort(along, kind="stable")]
    step = np.diff(xy, axis=0)
    length = np.hypot(step[:, 0], step[:, 1])
    way = step / length[:, None]
    # A row bends little from hole to hole; a cluster or a grid does not.
    bend = np.abs(way[1:, 0] * way[:-1, 1] - way[1:, 1] * way[:-1, 0]) * length[1:]
    forward = (way[1:] * way[:-1]).sum(axis=1)
    if (bend > _OFF * holes[0, 2]).any() or (forward <= 0).any():
        return None
    reach = _REACH_MM + holes[0, 2]
    first = _end(xy[1], xy[0], xy[0] - reach * way[0], rim)
    last = _end(xy[-2], xy[-1], xy[-1] + reach * way[-1], rim)
    if first is None or last is None:
        return None
    return shapely.LineString(np.vstack((first, xy, last)))


def _end(before: Floats, hole: Floats, end: Floats, rim: BaseGeometry) -> Floats | None:
    """Where a row ends that leads from its last hole towards ``end``; None without a rim there.

    Holes on the very edge of a board are rounded to either side of it: the row then runs beside
    the edge, and is led across where the edge comes nearest.
    """
    tail = shapely.LineString((before, end))
    if shapely.intersects(rim, tail):
        return end
    if not shapely.dwithin(rim, tail, _ROUNDED_MM):
        return None
    near = shapely.intersection(rim, shapely.buffer(tail, _ROUNDED_MM))
    across = shapely.get_coordinates(shapely.shortest_line(near, shapely.Point(hole)))[0]
    way = across - hole
    length = np.hypot(*way)
    return across + way / length * _LONGER_MM if length > COINCIDENT_MM else None


def find_necks(pieces: Shapes, points: Floats) -> list[BaseGeometry]:
    """Lines across the tabs that join a frame to boards, or boards to one another.

    The narrowest tabs that part an empty frame from boards, or boards of one size from each
    other, count; a plain board with narrow places stays whole.

    Parameters
    ----------
    pieces
        Polygons, mm.
    points
        (n, 2) float64, mm: places of pads.
    """
    corners = int(shapely.get_num_coordinates(pieces).sum())
    if corners > _MOST_CORNERS or not _has_room(pieces):
        return []
    plain = shapely.simplify(pieces, _SIMPLE_MM)
    least = _PART_SHARE * float(shapely.area(pieces).sum())
    tree = shapely.STRtree(shapely.points(points))
    for width in _NECKS_MM:
        radius = width / 2
        # Shrunk by half a width, what hangs together by less comes apart, and boards stay.
        kept = shapely.get_parts(shapely.buffer(plain, -radius, quad_segs=8))
        kept = kept[shapely.area(kept) > least / 4]
        if not len(pieces) < len(kept) <= _MOST_PARTS:
            continue
        held = np.bincount(tree.query(kept, predicate="contains")[0], minlength=len(kept))
        full = held >= max(4, 0.1 * held.max())
        area = shapely.area(kept)[full]
        alike = len(area) > 1 and np.ptp(area) < 0.1 * area.max()
        if held.sum() >= 0.8 * len(points) and (alike or (~full & (held < 4)).any()):
            return _mouths(plain, kept, radius)
    return []


def _has_room(pieces: Shapes) -> bool:
    """Whether there are openings or bays at all: a frame or a row of boards has them."""
    hull = float(shapely.area(shapely.convex_hull(pieces)).sum())
    return float(shapely.area(pieces).sum()) < 0.99 * hull


def _mouths(pieces: Shapes, kept: Shapes, radius: float) -> list[BaseGeometry]:
    """Straight lines across the necks, where each core grown back leads on to another."""
    body = shapely.union_all(pieces)
    # Grown back, a core ends where its tab begins: the seam lies across the mouth.
    grown = shapely.buffer(kept, radius + COINCIDENT_MM)
    corners = PointTree(shapely.get_coordinates(body))
    lines = []
    for j in range(len(kept)):
        rest = shapely.get_parts(shapely.difference(body, grown[j]))
        onward = rest[shapely.intersects(rest, shapely.union_all(np.delete(kept, j)))]
        seams = shapely.intersection(onward, shapely.boundary(grown[j]))
        for seam in shapely.get_parts(shapely.line_merge(shapely.union_all(seams))):
            # A disc that does not fit through a tab rests on its two corners.
            ends = shapely.get_coordinates(seam)[[0, -1]]
            far, corner = corners.query(ends)
            ends[far < _CORNER_MM] = corners.points[corner[far < _CORNER_MM]]
            if np.hypot(*(ends[1] - ends[0])) > COINCIDENT_MM:
                lines.append(led_on(shapely.LineString(ends), _LONGER_MM))
    return lines


_STUB_MM: Final = 1.0
"""Rows of holes lie at most this far outside the edge (common practice: 0 to 0.5 mm)."""
_ASIDE_MM: Final = 3.0
"""The edge goes on at most this far beyond the last hole: half a tab's play and its rounding."""
_STRAIGHT_MM: Final = 0.5
"""The edge runs straight for this long at least; chords of a rounding are shorter."""
_LEVEL_MM: Final = 0.02
"""The edge lies equally far from the row at both ends, and runs along it."""
_PLAY_MM: Final = 0.2
"""The centre of the last hole lies this far beyond the wall of its tab at most."""
_PLAIN_MM: Final = 0.002


def cut_stubs(
    boards: Shapes, rows: Sequence[BaseGeometry], points: Floats
) -> tuple[Shapes, Shapes]:
    """Cut boards along their edge where a row of holes lies outside it.

    The edge is continued across the tab only where it is straight and at one level on both sides;
    a board without such an edge stays as it is.

    Parameters
    ----------
    boards
        (n,) polygons, mm, parted along the rows.
    rows
        Lines through the rows; the first and the last point lie beyond the holes.
    points
        (m, 2) float64, mm: places of pads; what holds one is no stub.

    Returns
    -------
    The boards in the same order, and the stubs.
    """
    cut = boards.copy()
    found: list[BaseGeometry] = []
    if not rows:
        return cut, np.empty(0, dtype=object)
    pads = shapely.STRtree(shapely.points(points))
    board, row = shapely.STRtree(rows).query(boards, predicate="intersects")
    for b, r in zip(board.tolist(), row.tolist(), strict=True):
        strip = _strip(boards[b], shapely.get_coordinates(rows[r])[1:-1])
        if strip is None:
            continue
        parts = shapely.get_parts(shapely.intersection(boards[b], strip))
        stub = parts[int(shapely.area(parts).argmax())]
        if not len(pads.query(stub, predicate="contains")):
            rest = shapely.get_parts(shapely.difference(cut[b], strip))
            cut[b] = rest[int(shapely.area(rest).argmax())]
            found.append(stub)
    return cut, np.array(found, dtype=object)


def _strip(board: BaseGeometry, holes: Floats) -> BaseGeometry | None:
    """Find the room outside a straight edge of a board, over a row of holes; None without one."""
    start, length = holes[0], float(np.hypot(*(holes[-1] - holes[0])))
    along = (holes[-1] - start) / length
    inward = np.array([-along[1], along[0]])
    middle = start + along * length / 2
    sides = shapely.contains(
        board, shapely.points([middle + inward * _LEVEL_MM * way for way in (2, -2)])
    )
    if sides[0] == sides[1]:
        return None
    axes = np.column_stack((along, inward if sides[0] else -inward))
    # Points on a straight edge would break it into edges too short to count.
    ring = shapely.get_coordinates(shapely.simplify(board.exterior, _PLAIN_MM))
    u, v = ((ring - start) @ axes).T
    low, high = np.minimum(u[1:], u[:-1]), np.maximum(u[1:], u[:-1])
    level = (v[1:] + v[:-1]) / 2
    edge = (np.abs(np.diff(v)) <= _LEVEL_MM) & (high - low >= _STRAIGHT_MM)
    edge &= np.abs(level) <= _STUB_MM
    before = np.flatnonzero(edge & (high <= _PLAY_MM) & (high >= -_ASIDE_MM))
    after = np.flatnonzero(edge & (low >= length - _PLAY_MM) & (low <= length + _ASIDE_MM))
    if not len(before) or not len(after):
        return None
    left, right = before[high[before].argmax()], after[low[after].argmin()]
    height = float(level[left])
    # An edge on the row or inside it leaves no stub, and one at two levels does not go on.
    if height <= _LEVEL_MM or abs(height - level[right]) > _LEVEL_MM:
        return None
    # A little wider than the tab: a hair of its wall would keep the size of the board.
    first, last = high[left] - _LEVEL_MM, low[right] + _LEVEL_MM
    corners = np.array(
        [(first, level[left]), (last, level[right]), (last, -_STUB_MM), (first, -_STUB_MM)]
    )
    return shapely.Polygon(start + corners @ axes.T)

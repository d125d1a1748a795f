"""Boards that hang together: a panel, its boards, rails, tabs, rows of small holes, score lines."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Bools, Floats, Ints, Shapes
from fabkit.base.units import COINCIDENT_MM, counted
from fabkit.board.edge import EdgePath, PathKind, size_words
from fabkit.board.stubs import cut_stubs
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


@dataclass(frozen=True, slots=True, eq=False)
class Panel:
    """Several boards, or one in a frame, that are made as one piece.

    Parameters
    ----------
    boards
        (n,) polygons, mm: the boards alone, without rails and tabs; from the left, from below.
    design
        (n,) int64: boards of one number are of one design.
    mirrored
        (n,) bool: the board is the mirror image of the first of its design.
    rails, tabs
        Polygons that are left over when the boards are taken out.
    score_lines
        Lines along which boards are broken apart, mm.
    paths
        What holds the boards together, with reasons.
    size_mm
        Width and height of the panel.
    """

    boards: Shapes
    design: Ints
    mirrored: Bools
    rails: Shapes
    tabs: Shapes
    score_lines: Shapes
    paths: tuple[EdgePath, ...]
    size_mm: tuple[float, float]

    @property
    def count(self) -> int:
        """How many boards it gives."""
        return len(self.boards)

    @property
    def equal(self) -> bool:
        """Whether all boards are of one design and none is a mirror image."""
        return int(self.design.max(initial=0)) == 0 and not self.mirrored.any()

    @property
    def words(self) -> str:
        """What it is, such as ``panel of 6 equal boards of 30 × 20 mm``."""
        first = size_words(self.boards[0])
        if self.count == 1:
            return f"panel of one board of {first}"
        if self.equal:
            return f"panel of {self.count} equal boards of {first}"
        if int(self.design.max()) == 0:
            return f"panel of {self.count} boards of {first}, mirror images of each other"
        sizes = ", ".join(
            f"{int((self.design == kind).sum())} of "
            f"{size_words(self.boards[int(np.argmax(self.design == kind))])}"
            for kind in range(int(self.design.max()) + 1)
        )
        return f"panel of {self.count} boards: {sizes}"


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
    scored = _extended(score)
    pieces = _split(profile, [*rows, *scored, *drawn])
    # Necks are inferred from widths alone, so only where nothing drilled or drawn parts the piece.
    if len(points) and not rows and not len(scored) and not len(drawn):
        pieces = _split(profile, find_necks(pieces, points))
    if len(pieces) < 2:
        return None
    # Without copper the points are holes, and a tab full of small holes would pass for a board.
    content = _count(pieces, _off(points, rows))
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


def _extended(lines: Shapes) -> Shapes:
    """Lines made a little longer, so that they surely reach the edge they end at."""
    if not len(lines):
        return lines
    ends = shapely.get_coordinates(lines).reshape(-1, 2, 2)
    along = ends[:, 1] - ends[:, 0]
    length = np.hypot(along[:, 0], along[:, 1])
    real = length > 0
    step = along[real] / length[real, None] * _EXTEND_MM
    longer = np.stack((ends[real, 0] - step, ends[real, 1] + step), axis=1)
    return np.asarray(shapely.linestrings(longer), dtype=object)


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


def _count(shapes: Shapes, points: Floats) -> Ints:
    if not len(points):
        return np.zeros(len(shapes), dtype=np.int64)
    tree = shapely.STRtree(shapely.points(points))
    shape, _ = tree.query(shapes, predicate="contains")
    counts: Ints = np.bincount(shape, minlength=len(shapes))
    return counts


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
    joined = [shapely.union_all(boards[label == k]) for k in np.unique(label)]
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


def panel_words(panel: Panel) -> str:
    """One line about a panel, its size included."""
    width, height = panel.size_mm
    rails = f", {counted(len(panel.rails), 'rail')}" if len(panel.rails) else ""
    return f"{panel.words}; {size_words(shapely.box(0, 0, width, height))} in all{rails}"


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
    order = np.argsort(label, kind="stable")
    starts = np.flatnonzero(np.diff(label[order], prepend=label[order[0]] - 1))
    shapely.prepare(rim)
    found = []
    for rows in np.split(order, starts[1:]):
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
    ends = (xy[0] - reach * way[0], xy[-1] + reach * way[-1])
    if not all(
        shapely.intersects(rim, shapely.LineString(np.array(tail)))
        for tail in ((xy[1], ends[0]), (xy[-2], ends[1]))
    ):
        return None
    return shapely.LineString(np.vstack((ends[0], xy, ends[1])))


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
            apart = float(np.hypot(*(ends[1] - ends[0])))
            if apart > COINCIDENT_MM:
                step = (ends[1] - ends[0]) / apart * _LONGER_MM
                lines.append(shapely.LineString([ends[0] - step, ends[1] + step]))
    return lines

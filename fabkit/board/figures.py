"""Which closed figures of the outline are board, cut-out, frame, lettering or mark."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Bools, Floats, Ints, Shapes
from fabkit.base.findings import Finding, Place, Rule, places_at
from fabkit.base.units import OUTLINE_JOIN_MM, counted, format_mm
from fabkit.board.model import Edge, EdgePath, PathKind, Reading, size_words
from fabkit.geometry.areas import polygons_of, touched, without_openings
from fabkit.rules import load_rule

PROFILE_STRAY: Final = load_rule("profile/stray-lines")
PROFILE_DOUBLED: Final = load_rule("profile/doubled-lines")
PROFILE_FRAME: Final = load_rule("profile/frame")
PROFILE_LETTERING: Final = load_rule("profile/lettering")

DOUBLE_MM: Final = 0.3
"""A figure whose rim runs this near inside another's is the same line drawn twice."""
INSIDE_SHARE: Final = 0.98
"""The board holds at least this share of all pads and holes."""
_MARK_SHARE: Final = 0.01
"""A figure beside the board, without pads or holes and smaller than this share, is a mark."""
_LETTER_MM: Final = 3.0
_LETTER_STRAYS: Final = 5
"""With this many open strokes of letter size, closed figures of letter size are letters too."""
_RAIL_MM: Final = 40.0
"""A frame farther from its board than this is no rail but a drawing sheet (common practice:
rails are 5 to 15 mm wide)."""
_BOARD_PADS: Final = 6
_BOARD_SHARE: Final = 0.01
"""A figure inside a cut-out is a board of its own when it holds this many and this share of all
pads; fewer lie over milled slots and screw holes too."""
_STRAY_SHARE: Final = 0.2
"""More of the pads and holes than this lie on no rail; a file is out of place then."""
_TAB_SHARE: Final = 0.6
"""Tabs and score lines join a frame to this share of a board's rim at most."""
_SAME_MM: Final = 0.5
"""A stated size agrees with a drawn one within the width of a pen (common practice)."""
_LINE_MM: Final = 1.0
"""Less of a ring inside the material is a rounding of its rim."""


@dataclass(slots=True)
class Outline:
    """A board shape and what was found on the way.

    ``lines`` are drawn rings that divide the material without an opening: where boards are
    scored or broken apart.
    """

    shape: shapely.MultiPolygon | None = None
    findings: list[Finding] = field(default_factory=list)
    paths: list[EdgePath] = field(default_factory=list)
    readings: list[Reading] = field(default_factory=list)
    lines: Shapes = field(default_factory=lambda: np.empty(0, dtype=object))
    file: str = ""

    def as_edge(self) -> Edge:
        """All paths and readings, what counts first."""
        if self.shape is None:
            return Edge(tuple(self.paths))
        first = Reading("as drawn", self.shape, ("it is the likeliest",))
        openings = shapely.difference(without_openings(self.shape), self.shape)
        others = (
            replace(r, profile=polygons_in(shapely.difference(r.profile, openings)))
            for r in self.readings
        )
        return Edge(tuple(self.paths), (first, *others))

    def leave_out(
        self,
        kind: PathKind,
        shapes: Shapes,
        why: str,
        *,
        rule: Rule | None = None,
        message: str = "",
        assumed: str = "not part of the board",
    ) -> None:
        """Record figures that are no material and no cut-out, and report them under a rule."""
        self.paths.append(
            EdgePath(kind, (why,), shapely.GeometryCollection(list(shapes)), len(shapes))
        )
        if rule is not None:
            spots = shapely.get_coordinates(shapely.centroid(shapes))
            self.report(rule, message, spots, assumed=assumed)

    def report(self, rule: Rule, message: str, spots: Floats, **numbers: object) -> None:
        """Report places of the outline, (n, 2), mm, under a rule."""
        places = places_at(spots, self.file)
        found = Finding.of(rule, message, *places, **{"count": len(spots)} | numbers)
        self.findings.append(found)


def polygons_in(shape: BaseGeometry, *, least_mm2: float = 0.0) -> shapely.MultiPolygon:
    """Polygons of a shape that are larger than some area; lines and points are left out."""
    return shapely.MultiPolygon(list(polygons_of(shape, above_mm2=least_mm2)))


@dataclass(frozen=True, slots=True, eq=False)
class Candidates:
    """Closed figures, largest first, and the cells that lines divide each into."""

    filled: Shapes
    cells: tuple[Shapes, ...]

    @classmethod
    def of(cls, filled: Shapes, faces: Shapes, owner: Ints, more: Shapes) -> Candidates:
        """From figures with their faces, and figures that are undivided."""
        order = np.argsort(owner, kind="stable")
        split = np.searchsorted(owner[order], np.arange(1, len(filled)))
        cells = []
        for row, mine in enumerate(np.split(order, split) if len(filled) else ()):
            cells.append(filled[row : row + 1] if len(mine) == 1 else _whole_cells(faces[mine]))
        cells += [more[i : i + 1] for i in range(len(more))]
        every = np.concatenate((filled, more))
        largest = np.argsort(-shapely.area(every), kind="stable") if len(every) else ()
        return cls(every[list(largest)], tuple(cells[i] for i in largest))

    def take(self, keep: Bools) -> Candidates:
        """Keep some of the figures."""
        return Candidates(
            self.filled[keep], tuple(c for c, k in zip(self.cells, keep, strict=True) if k)
        )

    def __len__(self) -> int:
        return len(self.filled)


def _whole_cells(faces: Shapes) -> Shapes:
    """Faces of one figure with the holes filled that other figures make."""
    cells = shapely.polygons(shapely.get_exterior_ring(faces))
    tree = shapely.STRtree(cells)
    for i in np.flatnonzero(shapely.get_num_interior_rings(faces)):
        inner = tree.query(cells[i], predicate="contains")
        inner = inner[inner != i]
        if len(inner):
            cells[i] = shapely.difference(cells[i], shapely.union_all(cells[inner]))
    return np.asarray(cells, dtype=object)


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """What the board must hold, and what is stated of it.

    Parameters
    ----------
    points
        (n, 2) float64, mm: places of pads, or of holes where there are none.
    marks
        (m, 2) float64, mm: pads and holes, those of rails too.
    bites
        (k, 3) float64, mm: place and diameter of holes that may perforate the material.
    size_mm
        Width and height that the job file states.
    """

    points: Floats
    marks: Floats
    bites: Floats
    size_mm: tuple[float, float] | None = None

    def held(self, shapes: Shapes) -> Floats:
        """Share of the points in each shape; 0 without points."""
        return counts_in(shapes, self.points) / max(len(self.points), 1)

    def states(self, shape: BaseGeometry) -> bool:
        """Whether a shape has the stated size."""
        if self.size_mm is None:
            return False
        x0, y0, x1, y1 = shape.bounds
        width, height = self.size_mm
        return bool(abs(x1 - x0 - width) <= _SAME_MM and abs(y1 - y0 - height) <= _SAME_MM)


def counts_in(shapes: Shapes, points: Floats) -> Ints:
    """How many points lie in each shape or on its rim, as half holes do, (n,) int64."""
    tree = shapely.STRtree(shapely.points(points))
    row = tree.query(shapes, predicate="dwithin", distance=OUTLINE_JOIN_MM)[0]
    counts: Ints = np.bincount(row, minlength=len(shapes))
    return counts


def holds(shape: shapely.Geometry, points: Floats) -> float:
    """Share of points inside a shape; 0 without points."""
    if not len(points):
        return 0.0
    shapely.prepare(shape)
    return float(shapely.contains_xy(shape, points[:, 0], points[:, 1]).mean())


def paint(found: Candidates, evidence: Evidence) -> tuple[shapely.MultiPolygon, list[EdgePath]]:
    """Material of nested figures, and what each figure was taken for.

    Figures inside figures alternate between material and opening.  A figure in an opening that
    holds pads of its own is a board, and of a figure that lines divide only the cells that hold
    pads are.
    """
    filled, cells = found.filled, found.cells
    flat = np.concatenate(cells)
    owner = np.repeat(np.arange(len(cells)), [len(c) for c in cells])
    pads = _own_points(flat, evidence.points)
    need = max(_BOARD_PADS, _BOARD_SHARE * len(evidence.points))
    depth, parent = _parents(filled, flat, owner)
    material = np.zeros(len(flat), dtype=bool)
    paths: list[EdgePath] = []
    result = shapely.MultiPolygon()
    starts = np.searchsorted(owner, np.arange(len(cells) + 1))
    for level in range(int(depth.max(initial=-1)) + 1):
        for i in np.flatnonzero(depth == level):
            mine = slice(starts[i], starts[i + 1])
            opening = parent[i] >= 0 and material[parent[i]]
            material[mine] = pads[mine] >= need if opening else True
            paths.append(_described(filled[i], opening, material[mine], int(pads[mine].sum())))
        here = depth[owner] == level
        result = result.union(shapely.union_all(flat[here & material]))
        if level and (here & ~material).any():
            result = result.difference(shapely.union_all(flat[here & ~material]))
    return polygons_in(result), paths


def dividing_lines(found: Candidates, shape: BaseGeometry) -> Shapes:
    """Rings that run inside the material for a part of their way."""
    several = [i for i, cells in enumerate(found.cells) if len(cells) > 1]
    rings = [shapely.get_exterior_ring(found.cells[i]) for i in several]
    # A figure that was filled though it lies in material divides it as well.
    inner = np.flatnonzero(_parents(found.filled, found.filled, np.arange(len(found)))[0] > 0)
    if len(inner):
        rings.append(shapely.get_exterior_ring(found.filled[inner]))
    if not rings:
        return np.empty(0, dtype=object)
    every = np.concatenate(rings)
    near = shapely.boundary(shape).buffer(OUTLINE_JOIN_MM, quad_segs=1)
    shapely.prepare(near)
    every = every[~shapely.covers(near, every)]
    inside = shapely.length(shapely.intersection(shapely.difference(every, near), shape))
    divide: Shapes = every[inside > _LINE_MM]
    return divide


def _own_points(shapes: Shapes, points: Floats) -> Ints:
    """How many points lie in each shape and in no smaller one inside it."""
    if not len(points):
        return np.zeros(len(shapes), dtype=np.int64)
    shape, point = shapely.STRtree(shapely.points(points)).query(shapes, predicate="contains")
    # The smallest owns a point: otherwise a frame would own the pads of every board in it.
    order = np.lexsort((shapely.area(shapes)[shape], point))
    shape, point = shape[order], point[order]
    smallest = np.diff(point, prepend=-1) != 0
    counts: Ints = np.bincount(shape[smallest], minlength=len(shapes))
    return counts


def _parents(filled: Shapes, cells: Shapes, owner: Ints) -> tuple[Ints, Ints]:
    """How many figures each figure lies in, and the smallest cell around it (-1: none)."""
    depth = np.zeros(len(filled), dtype=np.int64)
    parent = np.full(len(filled), -1, dtype=np.int64)
    if len(filled) < 2:
        return depth, parent
    # A point inside decides: rims that touch leave containment to rounding.
    inner, cell = shapely.STRtree(cells).query(shapely.point_on_surface(filled), predicate="within")
    area = shapely.area(filled)
    real = (owner[cell] != inner) & (area[owner[cell]] > area[inner])
    inner, cell = inner[real], cell[real]
    np.add.at(depth, inner, 1)
    order = np.lexsort((-area[owner[cell]], inner))
    parent[inner[order]] = cell[order]  # the last one written is the smallest
    return depth, parent


def _described(shape: BaseGeometry, opening: bool, material: Bools, pads: int) -> EdgePath:
    if not opening:
        why = f"it holds {pads} pads or holes" if pads else "it lies in nothing else"
        return EdgePath(PathKind.BOARD_EDGE, (why,), shape)
    if material.any():
        why = f"it lies in a frame and holds {pads} pads or holes"
        return EdgePath(PathKind.BOARD_EDGE, (why,), shape)
    kind = PathKind.SLOT if _is_slot(shape) else PathKind.CUT_OUT
    return EdgePath(kind, ("it lies inside the board",), shape)


def _is_slot(shape: BaseGeometry) -> bool:
    """Whether an opening is a slot drawn as its contour: long, straight and a bit wide."""
    box = shapely.get_coordinates(shapely.minimum_rotated_rectangle(shape))
    if len(box) < 4:
        return False
    short, long = sorted(np.hypot(*np.diff(box[:3], axis=0).T))
    return bool(short < 3.0 and long > 2 * short and shape.area > 0.75 * short * long)


def drop_doubles(found: Candidates, doubled_mm: float, outline: Outline) -> Candidates:
    """Drop figures whose rim follows that of a larger one: the same line drawn twice."""
    filled = found.filled
    keep = np.ones(len(filled), dtype=bool)
    if len(filled) > 1:
        rims = shapely.get_exterior_ring(filled)
        around = shapely.length(rims)
        area = shapely.area(filled)
        inner, outer = shapely.STRtree(filled).query(
            shapely.point_on_surface(filled), predicate="within"
        )
        # Figures come largest first; only those of nearly one area are compared at length.
        near = (inner > outer) & ((area[outer] - area[inner]) / around[outer] < DOUBLE_MM)
        for i, j in sorted(zip(inner[near].tolist(), outer[near].tolist(), strict=True)):
            # The mean distance is small, too, where rims agree all round but for one notch.
            if keep[j] and shapely.hausdorff_distance(rims[i], rims[j]) < 2 * DOUBLE_MM:
                keep[i] = False
                doubled_mm += float(around[i])
    if doubled_mm > OUTLINE_JOIN_MM:
        message = f"{format_mm(doubled_mm, digits=1)} of the outline are drawn more than once"
        place = Place(file=outline.file)
        outline.findings.append(Finding.of(PROFILE_DOUBLED, message, place, assumed="taken once"))
    if not keep.all():
        outline.leave_out(PathKind.DOUBLE, filled[~keep], "it follows a larger path closely")
    return found.take(keep)


def drop_letters(found: Candidates, stray: Shapes, outline: Outline) -> Candidates:
    """Drop closed letters: small figures in a file with many small open strokes."""
    if len(found) < 2 or not len(stray):
        return found
    strays = stray[shapely.length(stray) < 2 * _LETTER_MM]
    if len(strays) < _LETTER_STRAYS:
        return found
    boxes = shapely.bounds(found.filled)
    small = np.maximum(boxes[:, 2] - boxes[:, 0], boxes[:, 3] - boxes[:, 1]) < _LETTER_MM
    near = small & touched(found.filled, strays, within_mm=_LETTER_MM)
    if near.any():
        many = int(np.count_nonzero(near))
        outline.leave_out(
            PathKind.LETTERING,
            found.filled[near],
            "it is small and lies among open strokes",
            rule=PROFILE_LETTERING,
            message=f"{counted(many, 'small closed figure')} among open strokes",
            assumed="not cut out",
        )
    return found.take(~near)


def drop_frames(found: Candidates, evidence: Evidence, outline: Outline) -> Candidates:
    """Drop drawing frames around the board and what lies beside it; keep frames of a panel."""
    if len(found) < 2 or not len(evidence.points):
        return found
    share = evidence.held(found.filled)
    whole = np.flatnonzero(share >= INSIDE_SHARE).tolist()
    if not whole:
        return found
    body = _core(found, whole[-1], evidence)
    several = np.empty(0, dtype=np.int64) if body else _boards_in(found, whole[-1], share, evidence)
    outer = whole if len(several) else whole[:-1]
    if not outer:
        return found
    if body is None:
        body = shapely.union_all(found.filled[several]) if len(several) else found.filled[whole[-1]]
    kept = len(outer)
    while kept and (why := _why_panel(found, outer[kept - 1], whole[-1], body, evidence)):
        kept -= 1  # from the board outwards
        outline.paths.append(EdgePath(PathKind.PANEL_EDGE, why, found.filled[outer[kept]]))
    frames = outer[:kept]
    material = found.filled[outer[kept]] if kept < len(outer) else body
    outside = ~shapely.intersects(found.filled, material)
    outside[frames] = True
    if frames:
        _report_frame(found, frames, body, outline)
    elif outside.any():
        outline.leave_out(PathKind.MARK, found.filled[outside], "it lies beside the panel")
    if kept < len(outer):
        alone = Reading("without the frame", polygons_in(body), ("all pads lie inside it",))
        outline.readings.append(alone)
    return found.take(~outside)


def _core(found: Candidates, row: int, evidence: Evidence) -> BaseGeometry:
    """Find the cell of a divided figure that holds all pads; None when it is undivided."""
    cells = found.cells[row]
    if len(cells) < 2:
        return None
    share = evidence.held(cells)
    best = int(share.argmax())
    return cells[best] if share[best] >= INSIDE_SHARE else None


def _boards_in(found: Candidates, row: int, share: Floats, evidence: Evidence) -> Ints:
    """Figures directly inside a figure that hold its pads between them."""
    need = max(_BOARD_PADS / len(evidence.points), _BOARD_SHARE)
    inner = np.flatnonzero(shapely.contains_properly(found.filled[row], found.filled))
    inner = inner[(share[inner] >= need) & (inner != row)]
    if len(inner) < 2:
        return np.empty(0, dtype=np.int64)
    depth = _parents(found.filled[inner], found.filled[inner], np.arange(len(inner)))[0]
    inner = inner[depth == 0]
    return inner if share[inner].sum() >= INSIDE_SHARE else np.empty(0, dtype=np.int64)


def _why_panel(
    found: Candidates, row: int, board: int, body: BaseGeometry, evidence: Evidence
) -> tuple[str, ...]:
    """Why a frame is the edge of a panel; empty when it is one of a drawing."""
    frame = found.filled[row]
    if evidence.states(frame):
        return ("the job file states its size",)
    if evidence.states(body):
        return ()
    margin = np.abs(np.array(frame.bounds) - np.array(body.bounds)).max()
    if margin > _RAIL_MM:
        return ()
    why = []
    if board != row and body.geom_type == "Polygon" and len(found.cells[board]) > 1:
        mouths = shapely.intersection(body.exterior, found.filled[board].exterior).length
        if 0 < mouths < _TAB_SHARE * body.exterior.length:
            why.append("tabs join it to the board")
    if body.geom_type == "MultiPolygon":
        why.append(f"{len(body.geoms)} boards lie close together in it")
    # Outside the hull, because what lies in a bay of the board may be the board's own, and off
    # its rim, where half holes are.
    between = shapely.difference(frame, shapely.convex_hull(body).buffer(_LINE_MM))
    shapely.prepare(between)
    many = int(shapely.contains_xy(between, evidence.marks[:, 0], evidence.marks[:, 1]).sum())
    if 2 <= many < _STRAY_SHARE * len(evidence.marks):
        why.append(f"{many} pads and holes lie between it and the board")
    return tuple(why)


def _report_frame(
    found: Candidates, frames: Sequence[int], body: BaseGeometry, outline: Outline
) -> None:
    frame = found.filled[frames[0]]
    margin = np.abs(np.array(frame.bounds) - np.array(body.bounds)).max()
    kind = PathKind.SHEET if margin > _RAIL_MM else PathKind.FRAME
    outline.leave_out(
        kind,
        found.filled[list(frames)],
        "all pads and holes lie in a smaller figure inside it",
        rule=PROFILE_FRAME,
        message=f"a frame of {size_words(frame)} lies around the board",
    )
    if kind is PathKind.FRAME:
        outline.readings.append(
            Reading("with the frame", shapely.MultiPolygon([frame]), ("it lies near the board",))
        )


def drop_marks(found: Candidates, evidence: Evidence, outline: Outline) -> Candidates:
    """Drop small closed marks beside the board, such as targets and arrow heads."""
    share = evidence.held(found.filled)
    depth = _parents(found.filled, found.filled, np.arange(len(found)))[0]
    if len(found) < 2 or share[depth == 0].sum() < INSIDE_SHARE:
        return found
    area = shapely.area(found.filled)
    marks = (area < _MARK_SHARE * area[0]) & (depth == 0) & (share == 0)
    if marks.any():
        outline.leave_out(
            PathKind.MARK,
            found.filled[marks],
            "it is small, empty and lies beside the board",
            rule=PROFILE_STRAY,
            message=f"{counted(int(marks.sum()), 'small closed figure')} beside the board",
        )
    return found.take(~marks)

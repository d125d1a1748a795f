"""Legend: lines the printer holds, text one can read, no ink on bare copper or off the board."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
import shapely

from fabkit.base.columns import Bools, Floats, Ints, Shapes
from fabkit.base.findings import Finding
from fabkit.base.units import counted, format_number
from fabkit.board.model import Layer
from fabkit.checks.copper_facts import along_edge, on_board, require_copper, strokes_of
from fabkit.checks.declare import check
from fabkit.checks.mask import mask_sides
from fabkit.checks.model import Case
from fabkit.checks.worst import Measures, group, judge, objects_at, spots_at
from fabkit.geometry.areas import clip_to_box
from fabkit.geometry.facing import thin_out
from fabkit.geometry.neighbours import PointTree, label_groups
from fabkit.package.model import RoleKind
from fabkit.rules import load_rule

TALLEST_MM: Final = 4.0
"""Drawn figures larger than this are outlines of parts, not letters."""

WORD: Final = 3
"""Letters in a row from which on figures count as text."""

LETTERS: Final = 3
"""Fewer different letters on both sides prove nothing."""

ALIKE_MM: Final = 0.01
"""Figures whose sizes and centres differ by less have one shape."""

INK_MM2: Final = 0.02
"""Ink on bare copper smaller than this is not worth a word."""

LINE: Final = load_rule("legend/line-thin")
HEIGHT: Final = load_rule("legend/text-low")
INK: Final = load_rule("legend/on-copper")
OFF_BOARD: Final = load_rule("legend/off-board")


MIRRORED: Final = load_rule("legend/mirrored")


def _legends(case: Case) -> list[Layer]:
    return [a for a in case.board.layers if a.kind is RoleKind.LEGEND]


@check(id="legend/line", rules=(LINE,), limits=("legend_line_mm",), needs=("legend",))
def lines(case: Case) -> Iterator[Finding]:
    """Legend lines are wide enough to print."""
    for layer in _legends(case):
        rows, width = strokes_of(layer)
        thin = np.flatnonzero(width < case.house.limit("legend_line_mm").value)
        thin = thin[np.argsort(width[thin], kind="stable")]
        ends = layer.file.objects.take(rows[thin])
        thin = thin[thin_out(ends.x0, ends.y0, 1.0)]
        rows, width = rows[thin], width[thin]
        yield from judge(
            case,
            LINE,
            "legend_line_mm",
            Measures(width, objects_at(case, layer, rows, *_middles(layer, rows))),
            f"thinnest line of {layer.name}",
        )


def _middles(layer: Layer, rows: Ints) -> tuple[Floats, Floats]:
    """Points between the ends of strokes, mm."""
    o = layer.file.objects
    return (o.x0[rows] + o.x1[rows]) / 2, (o.y0[rows] + o.y1[rows]) / 2


@check(id="legend/text", rules=(HEIGHT,), limits=("legend_height_mm",), needs=("legend",))
def text(case: Case) -> Iterator[Finding]:
    """Legend text is tall enough to read."""
    for layer in _legends(case):
        height, x, y = word_heights(layer)
        height = height - _pen_near(layer, x, y)
        yield from judge(
            case,
            HEIGHT,
            "legend_height_mm",
            Measures(height, spots_at(case, layer, x, y), slack=0.02),
            f"lowest text of {layer.name}, estimated,",
        )


def _pen_near(layer: Layer, x: Floats, y: Floats) -> Floats:
    """Pen of the stroke nearest to each place, mm: text height is stated between centre lines."""
    objects = layer.file.objects
    rows, pen = strokes_of(layer)
    if not len(rows) or not len(x):
        return np.zeros(len(x))
    tree = PointTree(np.column_stack((objects.x0[rows], objects.y0[rows])))
    apart, near = tree.query(np.column_stack((x, y)))
    known = (apart <= TALLEST_MM) & np.isfinite(pen[near])
    return np.where(known, pen[near], 0.0)


def word_heights(
    layer: Layer,
) -> tuple[Floats, Floats, Floats]:
    """Estimated height of each word, and its place, mm.

    A letter is a figure of joined strokes; a word is at least three letters of nearly one height
    side by side, in any of the four reading directions.  Its height is that of its tallest
    letters, with the pen.
    """
    none = np.empty(0)
    parts = shapely.get_parts(layer.file.image)
    if not len(parts):
        return none, none, none
    box = shapely.bounds(parts)
    size = np.column_stack((box[:, 2] - box[:, 0], box[:, 3] - box[:, 1]))
    letter = (size.max(axis=1) <= TALLEST_MM) & (size.max(axis=1) >= 0.3)
    # A filled block is no letter: strokes leave more of their box free.
    letter &= shapely.area(parts) < 0.75 * size.prod(axis=1)
    box, size = box[letter], size[letter]
    if not len(box):
        return none, none, none
    found: list[tuple[float, float, float]] = []
    for along, across in ((0, 1), (1, 0)):
        reach = 0.35 * size[:, across]
        grown = box.copy()
        grown[:, along] -= reach
        grown[:, along + 2] += reach
        left, right = shapely.STRtree(shapely.box(*box.T)).query(shapely.box(*grown.T))
        alike = (np.abs(size[left, across] - size[right, across]) < 0.1 * size[left, across]) & (
            np.abs(box[left, across] - box[right, across]) < 0.1 * size[left, across]
        )
        left, right = left[alike], right[alike]
        label = label_groups(len(box), left, right)
        counts = np.bincount(label)
        for word in np.flatnonzero(counts >= WORD):
            mine = label == word
            # Letters stand upright: a row of dashes is wider than high and no word.
            if np.median(size[mine, along]) < np.median(size[mine, across]):
                found.append(
                    (
                        float(np.median(size[mine, across])),
                        float((box[mine, 0].min() + box[mine, 2].max()) / 2),
                        float((box[mine, 1].min() + box[mine, 3].max()) / 2),
                    )
                )
    table = np.array(found).reshape(-1, 3)
    return table[:, 0], table[:, 1], table[:, 2]


@check(id="legend/copper", rules=(INK,), needs=("legend", "mask", "outer-copper"))
def on_copper(case: Case) -> Iterator[Finding]:
    """Legend keeps off bare copper."""
    copper = require_copper(case)
    sides = {s.layer.side: s for s in case.shared(mask_sides)}
    for layer in _legends(case):
        side = sides.get(layer.side)
        if side is None or not len(side.openings):
            continue
        marks = shapely.get_parts(layer.file.image)
        mark, opening = side.tree.query(marks, predicate="intersects")
        if not len(mark):
            continue
        ink = shapely.intersection(marks[mark], side.openings[opening])
        ink = ink[shapely.area(ink) > INK_MM2]
        bare = copper.pieces.polygons[copper.pieces.on_layer(side.copper_index)]
        area = _shared_area(ink, bare)
        spots = shapely.get_coordinates(shapely.point_on_surface(ink))
        rows = np.flatnonzero((area > INK_MM2) & on_board(case, *spots.T))
        xy = shapely.get_coordinates(shapely.centroid(shapely.envelope(ink[rows])))
        yield from group(
            INK,
            Measures(area[rows], spots_at(case, layer, *xy.T)),
            f"{layer.name} lies on bare copper, up to {{worst}} in one place",
            most=True,
            limit=0.0,
            unit="mm²",
        )


def _shared_area(ink: Shapes, bare: Shapes) -> Floats:
    """Area each mark shares with copper, mm2."""
    area = np.zeros(len(ink))
    piece, mark = shapely.STRtree(ink).query(bare, predicate="intersects")
    box = shapely.bounds(ink)
    for p, m in zip(piece.tolist(), mark.tolist(), strict=True):
        local = clip_to_box(bare[p], box[m])
        area[m] += shapely.area(shapely.intersection(ink[m], local))
    return area


@check(id="legend/board", rules=(OFF_BOARD,), needs=("legend", "profile"))
def off_board(case: Case) -> Iterator[Finding]:
    """Legend lies on the board."""
    board = shapely.buffer(case.board.profile, 0.0)
    shapely.prepare(board)
    for layer in _legends(case):
        marks = shapely.get_parts(layer.file.image)
        if not len(marks):
            continue
        out = np.flatnonzero(~shapely.contains(board, marks))
        cut = out[shapely.intersects(board, marks[out])]
        # A line along the whole edge is the outline, drawn with the legend.
        cut = cut[~along_edge(case, marks[cut])]
        beyond = shapely.difference(marks[cut], board)
        area = shapely.area(beyond)
        rows = np.flatnonzero(area > INK_MM2)
        if len(rows):
            at_edge = shapely.intersection(marks[cut[rows]], shapely.boundary(board))
            xy = shapely.get_coordinates(shapely.centroid(shapely.envelope(at_edge)))
            yield from group(
                OFF_BOARD,
                Measures(area[rows], spots_at(case, layer, *xy.T)),
                f"{layer.name} is cut by the board's edge in {counted(len(rows), 'place')}, "
                "up to {worst} of one mark is lost",
                most=True,
                unit="mm²",
            )
        lost = out[~shapely.intersects(board, marks[out]) & (shapely.area(marks[out]) > INK_MM2)]
        if len(lost):
            xy = shapely.get_coordinates(shapely.point_on_surface(marks[lost]))
            width = np.sqrt(shapely.area(marks[lost]))
            yield from group(
                OFF_BOARD,
                Measures(width, spots_at(case, layer, *xy.T)),
                f"{layer.name} has marks wholly outside the board",
                most=True,
            )


@check(id="legend/direction", rules=(MIRRORED,), needs=("legend",))
def direction(case: Case) -> Iterator[Finding]:
    """Bottom text is mirrored in its file, as seen from the top."""
    sides = {layer.side: layer for layer in _legends(case)}
    if "top" not in sides or "bottom" not in sides:
        return
    same, turned = compare_letters(_letters(case, sides["top"]), _letters(case, sides["bottom"]))
    # Some figures look like the mirror image of another letter, so a clear majority is asked for.
    if same >= LETTERS and same > 3 * turned:
        layer = sides["bottom"]
        box = layer.file.bounds
        yield Finding.of(
            MIRRORED,
            f"{format_number(same)} letters of the bottom legend look the same as on the top, "
            f"{format_number(turned)} are mirrored",
            case.layer_place(layer, (box[0] + box[2]) / 2, (box[1] + box[3]) / 2),
            measured=float(same),
            limit=float(LETTERS),
            unit="letters",
        )


def _letters(case: Case, layer: Layer) -> Floats:
    """Width, height, area and centre of gravity (from the left, from below) of small figures."""
    parts = shapely.get_parts(layer.file.image)
    box = shapely.bounds(parts).reshape(-1, 4)
    size = box[:, 2:] - box[:, :2]
    small = (size.max(axis=1) <= TALLEST_MM) & (size.min(axis=1) > 0)
    small &= on_board(case, box[:, 0], box[:, 1])
    middle = shapely.get_coordinates(shapely.centroid(parts[small])) - box[small, :2]
    return np.column_stack((size[small], shapely.area(parts[small]), middle))


def compare_letters(top: Floats, bottom: Floats) -> tuple[int, int]:
    """How many different figures of one side are on the other as they are, and mirrored.

    Text may be turned by quarters on either side.  Figures that fit both ways (an A turned by
    nothing, an E turned by a half) prove nothing and are not counted; neither is a second figure
    of the same shape.

    Parameters
    ----------
    top, bottom : (n, 5) float64
        See :func:`_letters`.
    """
    if not len(top) or not len(bottom):
        return 0, 0
    tree = PointTree(top)
    image = bottom.copy()
    # Mirrored within its own box, a figure changes nothing but its centre of gravity.
    image[:, 3] = image[:, 0] - image[:, 3]
    near, far = _fits(tree, bottom), _fits(tree, image)
    pairs = PointTree(bottom).pairs(ALIKE_MM)
    shape = label_groups(len(bottom), pairs[:, 0], pairs[:, 1])
    same, turned = np.unique(shape[near]), np.unique(shape[far])
    return len(np.setdiff1d(same, turned)), len(np.setdiff1d(turned, same))


def _fits(tree: PointTree, figures: Floats) -> Bools:
    """Which figures, turned by some number of quarters, are in the tree."""
    found = np.zeros(len(figures), dtype=bool)
    turned = figures
    for _ in range(4):
        found |= tree.query(turned)[0] < ALIKE_MM
        width, height, area, x, y = turned.T
        turned = np.column_stack((height, width, area, height - y, x))
    return found

"""Legend: lines the printer holds, text one can read, no ink on bare copper or off the board.

Text the right way round, and all of it where it belongs.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
import shapely

from fabkit.base.columns import Bools, Floats, Ints, Shapes, rows_by
from fabkit.base.findings import Finding, Place, Severity
from fabkit.base.units import counted, format_mm, format_number
from fabkit.board.model import Layer
from fabkit.checks.copper_facts import along_edge, at_cut_out, on_board, require_copper, strokes_of
from fabkit.checks.declare import check
from fabkit.checks.legend_place import BESIDE_MM, find_better_place
from fabkit.checks.lettering import label_rows, read_direction, word_figures
from fabkit.checks.mask import MaskSide, mask_sides
from fabkit.checks.model import Case
from fabkit.checks.worst import Measures, group, judge, objects_at, spots_at
from fabkit.geometry.areas import clip_each
from fabkit.geometry.facing import thin_out
from fabkit.geometry.neighbours import PointTree
from fabkit.package.model import RoleKind
from fabkit.rules import load_rule

TALLEST_MM: Final = 4.0
"""Drawn figures larger than this are outlines of parts, not letters."""

WORD: Final = 3
"""Letters in a row from which on figures count as text."""

BESIDE: Final = 0.35
"""Letters of a word stand nearer to each other than this share of their height."""

EVIDENCE: Final = 0.5
"""Letters times how much better they read backwards, from which on a legend does; a word of four
clear letters gives about one."""

CLEARLY: Final = 5.0
"""That is to be this many times the evidence against it: legends the right way round give next to
none, rows of numbers in some fonts about as much for either."""

PLACES: Final = 20

INK_MM2: Final = 0.02
"""Ink on bare copper smaller than this is not worth a word."""

COVERED: Final = 0.1
"""Ink on a larger share of a pad spoils its joint (a choice of ours: what letters cover of
usual pads; outlines that touch pads stay below)."""

RARE: Final = 0.005
FEW: Final = 3
"""Up to so many inked pads of a face, or this share, are slips; more are its designer's habit."""

LINE: Final = load_rule("legend/line-thin")
HEIGHT: Final = load_rule("legend/text-low")
INK: Final = load_rule("legend/on-copper")
OFF_BOARD: Final = load_rule("legend/off-board")
MIRRORED: Final = load_rule("legend/mirrored")
ELSEWHERE: Final = load_rule("legend/out-of-place")


def _legends(case: Case) -> list[Layer]:
    return [a for a in case.board.layers if a.kind is RoleKind.LEGEND]


@check(id="legend/line", rules=(LINE,), limits=("legend_line_mm",), needs=("legend",))
def lines(case: Case) -> Iterator[Finding]:
    """Legend lines are wide enough to print."""
    for layer in _legends(case):
        rows, width = strokes_of(layer)
        thin = np.flatnonzero(width < case.limit("legend_line_mm"))
        thin = thin[np.argsort(width[thin], kind="stable")]
        ends = layer.file.objects.take(rows[thin])
        thin = thin[thin_out(ends.x0, ends.y0, 1.0)]
        rows, width = rows[thin], width[thin]
        middles = layer.file.objects.take(rows).middles()
        yield from judge(
            case,
            LINE,
            "legend_line_mm",
            Measures(width, objects_at(case, layer, rows, *middles.T)),
            f"thinnest line of {layer.name}",
        )


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


def word_heights(layer: Layer) -> tuple[Floats, Floats, Floats]:
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
        for mine in rows_by(label_rows(box, along, BESIDE)).values():
            # Letters stand upright: a row of dashes is wider than high and no word.
            tall = np.median(size[mine, across])
            if len(mine) >= WORD and np.median(size[mine, along]) < tall:
                found.append(
                    (
                        float(tall),
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
        inked = shapely.area(ink) > INK_MM2
        ink, opening, box = ink[inked], opening[inked], shapely.bounds(marks[mark[inked]])
        letter = (box[:, 2:] - box[:, :2]).max(axis=1) <= TALLEST_MM
        bare = copper.pieces.polygons[copper.pieces.on_layer(side.copper_index)]
        area = _shared_area(ink, bare)
        spots = shapely.get_coordinates(shapely.point_on_surface(ink))
        real = (area > INK_MM2) & on_board(case, *spots.T)
        slip = _slips(case, side, opening, np.where(real, area, 0.0), letter)
        for rows, severity, tail in (
            (np.flatnonzero(real & slip), Severity.WARNING, ", on pads for soldering"),
            (np.flatnonzero(real & ~slip), Severity.NOTE, ""),
        ):
            xy = shapely.get_coordinates(shapely.centroid(shapely.envelope(ink[rows])))
            yield from group(
                INK,
                Measures(area[rows], spots_at(case, layer, *xy.T)),
                f"{layer.name} lies on bare copper{tail}, up to {{worst}} in one place",
                most=True,
                limit=0.0,
                unit="mm²",
                severity=severity,
            )


def _slips(case: Case, side: MaskSide, opening: Ints, area: Floats, letter: Bools) -> Bools:
    """Which ink covers much of a pad, where that is rare on the face.

    A legend that crosses pads all over is left to the house to clip, as its designer does.
    Outlines of parts often run over pads with holes, letters do not.
    """
    pads, placed = side.pads[side.attached], require_copper(case).pads
    soldered = side.over(shapely.points(placed.x[pads], placed.y[pads]))
    drilled = side.over(case.board.hole_shapes)
    covered = np.zeros(len(side.openings))
    np.add.at(covered, opening, np.where(letter | ~drilled[opening], area, 0.0))
    hit = soldered & (covered >= COVERED * shapely.area(side.openings))
    rare = np.count_nonzero(hit) <= max(FEW, RARE * np.count_nonzero(soldered))
    return np.asarray(hit[opening] & rare)


def _shared_area(ink: Shapes, bare: Shapes) -> Floats:
    """Area each mark shares with copper, mm2."""
    area = np.zeros(len(ink))
    piece, mark = shapely.STRtree(ink).query(bare, predicate="intersects")
    # Otherwise a pour would be cut whole by every mark on it.
    local = clip_each(bare[piece], shapely.bounds(ink[mark]))
    np.add.at(area, mark, shapely.area(shapely.intersection(ink[mark], local)))
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
        # Outlines of connectors run over the edge on purpose, words never do.
        word = np.isin(cut, word_figures(marks))
        for rows, severity, what in (
            (np.flatnonzero((area > INK_MM2) & word), Severity.WARNING, "text of "),
            (np.flatnonzero((area > INK_MM2) & ~word), Severity.NOTE, ""),
        ):
            at_edge = shapely.intersection(marks[cut[rows]], shapely.boundary(board))
            xy = shapely.get_coordinates(shapely.centroid(shapely.envelope(at_edge)))
            inner = all(at_cut_out(case.board.profile, x, y) for x, y in xy.tolist())
            edge = "cut-outs" if inner else "the board's edge"
            yield from group(
                OFF_BOARD,
                Measures(area[rows], spots_at(case, layer, *xy.T)),
                f"{what}{layer.name} is cut by {edge} in "
                f"{counted(len(rows), 'place')}, up to {{worst}} of one mark is lost",
                most=True,
                unit="mm²",
                severity=severity,
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
                severity=Severity.NOTE,
            )


def figures_by(case: Case, layer: Layer, reach_mm: float) -> Shapes:
    """Give the connected figures of a legend on the board, or no further off than a distance."""
    figures: Shapes = shapely.get_parts(layer.file.image)
    if case.board.profile is not None:
        box = shapely.box(*case.board.profile.bounds)
        figures = figures[shapely.dwithin(figures, box, reach_mm)]
    return figures


@check(id="legend/direction", rules=(MIRRORED,), needs=("legend",))
def direction(case: Case) -> Iterator[Finding]:
    """Top text reads straight, and bottom text is mirrored in its file, as seen from the top."""
    wrong = []
    for layer in _legends(case):
        reading = read_direction(figures_by(case, layer, 0.0))
        straight, backwards = reading.straight, reading.backwards
        words, spots = reading.words_backwards, reading.spots
        if layer.side == "bottom":
            straight, backwards = backwards, straight
            words, spots = reading.words_straight, reading.spots_straight
        if layer.side and backwards >= EVIDENCE and backwards > CLEARLY * straight:
            wrong.append((layer, words, spots))
    for layer, words, spots in wrong:
        tail = ""
        if len(wrong) > 1:
            tail = "; so do those of the other legend: the two are exchanged, or both mirrored"
        yield Finding.of(
            MIRRORED,
            f"{counted(words, 'word')} of {layer.name} read backwards{tail}",
            *(case.layer_place(layer, x, y) for x, y in spots[:PLACES]),
            measured=float(words),
            unit="words",
        )


@check(id="legend/place", rules=(ELSEWHERE,), needs=("legend", "profile"))
def place(case: Case) -> Iterator[Finding]:
    """Legend lies where it keeps off openings, holes and the edge."""
    masks = {a.side: a for a in case.board.layers if a.kind is RoleKind.MASK}
    board = shapely.get_parts(case.board.profile)
    holes = shapely.get_parts(case.board.hole_shapes)
    for layer in _legends(case):
        openings = [masks[layer.side].file.image] if layer.side in masks else []
        avoided = (holes, *map(shapely.get_parts, openings))
        better = find_better_place(figures_by(case, layer, BESIDE_MM), board, avoided)
        if better is None:
            continue
        shift = (
            f"moved by {format_number(better.dx_mm, digits=2)}, {format_mm(better.dy_mm, digits=2)}"
        )
        how = f"turned by half a turn and {shift}" if better.turned else shift
        yield Finding.of(
            ELSEWHERE,
            f"{format_number(100 * better.now, digits=0)} % of {layer.name} lies on openings, "
            f"holes or beside the board; {how}, {format_number(100 * better.there, digits=0)} %",
            Place(file=layer.file.name, side=layer.side),
            measured=better.now,
            limit=better.there,
            unit="",
        )

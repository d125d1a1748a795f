"""Drill map: where each tool goes, a symbol of our own for each tool, and a table."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.base.columns import Floats, Ints
from fabkit.base.units import format_mm, format_number
from fabkit.board.model import Board
from fabkit.pictures import looks
from fabkit.pictures.finished import frame_around, outline, stray_holes
from fabkit.pictures.looks import USUAL_LOOK, PreviewOptions
from fabkit.pictures.scene import (
    Frame,
    Pen,
    Placed,
    Scene,
    SceneDraft,
    Sheet,
    fitted,
    letters,
    text_width,
    wrapped,
)
from fabkit.pictures.sheets import GAP_MM, enlargement, letter_size, scale_note, scales_up_to

PLATING: Final = {1: "plated", 0: "not plated", -1: "plating not stated"}
_TONES: Final = {1: looks.BLUE, 0: looks.VERMILION, -1: looks.PURPLE}

USUAL: Final = (0.7, 2.4)
"""Smallest and largest symbol where there is room, in heights of letters."""

LEAST: Final = 0.35
"""Smallest symbol whose form is still recognised, in heights of letters."""

EASY: Final = 0.6
"""Share of its usual size a symbol keeps before the map is rather drawn larger."""

LONGEST_MM: Final = 260.0
"""A map is not drawn larger than this for want of room: it fits A4 across."""


@dataclass(frozen=True, eq=False)
class ToolRow:
    """One row of the table: all holes and slots of one diameter and plating in one file."""

    file: str
    diameter_mm: float
    plated: int
    holes: Ints
    slots: Ints
    paths: int


def tool_rows(board: Board) -> tuple[ToolRow, ...]:
    """Tools of a board, by plating (plated first), then diameter, then file."""
    h, s = board.holes, board.slots
    nanometres = np.rint(np.concatenate((h.diameter, s.diameter)) * 1e6).astype(np.int64)
    keys = np.column_stack(
        (
            -np.concatenate((h.plated, s.plated)).astype(np.int64),
            nanometres,
            np.concatenate((h.file, s.file)).astype(np.int64),
        )
    )
    if not len(keys):
        return ()
    kinds, owner = np.unique(keys, axis=0, return_inverse=True)
    owner = owner.ravel()
    rows = []
    for k, (plated, size, file) in enumerate(kinds.tolist()):
        slots = np.flatnonzero(owner[len(h) :] == k)
        rows.append(
            ToolRow(
                file=board.drill_names[file] if 0 <= file < len(board.drill_names) else "",
                diameter_mm=size / 1e6,
                plated=-plated,
                holes=np.flatnonzero(owner[: len(h)] == k),
                slots=slots,
                paths=len(np.unique(s.path[slots])),
            )
        )
    return tuple(rows)


def drill_sheet(board: Board, options: PreviewOptions = USUAL_LOOK) -> Sheet:
    """Drill map of a board, seen from the front, with its table.

    Where holes lie close the map is drawn larger and symbols smaller, so that neighbours stay
    apart; what still overlaps is counted below the table.
    """
    rows = tool_rows(board)
    centres = [_centres(board, row) for row in rows]
    scale, size, sizes, overlapping = _symbols(board, rows, centres)
    mark_size = size / scale
    frame = frame_around(board, max(options.margin_mm, 2 * mark_size))
    draft = SceneDraft(f"{board.name}: drill map", frame)
    draft.coat("profile", looks.FAINT_INK, Pen.along(outline(board), 0.15 / scale))
    for k, (row, at, mark) in enumerate(zip(rows, centres, sizes, strict=True)):
        line = min(0.09 * mark_size, 0.12 * float(mark))
        pens = [symbol_pen(k, at[:, 0], at[:, 1], float(mark), line)]
        if len(row.slots):
            pens.append(Pen.along(_slot_shapes(board, row), 0.7 * line))
        title = f"{format_mm(row.diameter_mm)}, {PLATING[row.plated]}"
        draft.coat(title, _TONES[row.plated], Pen.concat(*pens))
    width, height = (scale * v for v in draft.scene().size_mm)
    table = _table(rows, size, _notes(board, frame, overlapping))
    wide, high = table.size_mm
    words = [f"Seen from the front{scale_note(scale)}."]
    if rows:
        words.append("Symbols stand on the centres and are not to scale.")
    if any(row.paths for row in rows):
        words.append("Slots are drawn at their size.")
    lines = wrapped(" ".join(words), size, width + GAP_MM - 4.0 * size)
    foot = (0.7 + 1.7 * len(lines)) * size
    full = max(height + foot, high)
    ground = SceneDraft("ground", (0.0, 0.0, width + GAP_MM + wide, full))
    ground.ground(looks.PAPER)
    below = full - height - foot
    set_lines = [
        letters(text, 2.0 * size, below + foot - (1.5 + 1.7 * k) * size, size)
        for k, text in enumerate(lines)
    ]
    ground.coat("name", looks.INK, *set_lines)
    return Sheet(
        f"{board.name}: drill map, seen from the front",
        width + GAP_MM + wide,
        full,
        (
            Placed(ground.scene(), 0.0, 0.0),
            Placed(draft.scene(), 0.0, full - height, scale),
            Placed(table, width + GAP_MM, full - high),
        ),
    )


def _slot_shapes(board: Board, row: ToolRow) -> NDArray[np.object_]:
    """Polygons of a tool's slots, one a path."""
    paths = np.unique(board.slots.path)
    mine = np.isin(paths, board.slots.path[row.slots])
    shapes: NDArray[np.object_] = board.hole_shapes[len(board.holes) :][mine]
    return shapes


def _centres(board: Board, row: ToolRow) -> Floats:
    """Where a tool's symbol stands: on holes, and in the middle of each slot; (n, 2)."""
    h = board.holes
    slots = _slot_shapes(board, row)
    middle = shapely.centroid(slots)
    # The middle of a bent slot may lie beside it.
    middle = np.where(shapely.contains(slots, middle), middle, shapely.point_on_surface(slots))
    return np.concatenate((h.spots()[row.holes], shapely.get_coordinates(middle)))


def _symbols(
    board: Board, rows: tuple[ToolRow, ...], centres: list[Floats]
) -> tuple[int, float, Floats, int]:
    """Scale of the map, height of its letters, each tool's symbol (mm), and how many overlap."""
    size = letter_size(enlargement(board) * max(board.size_mm))
    diameters = np.array([r.diameter_mm for r in rows])
    points = np.concatenate((np.empty((0, 2)), *centres))
    tool = np.repeat(np.arange(len(rows)), [len(c) for c in centres])
    for scale in scales_up_to(board, LONGEST_MM):
        low, high = (share * size / scale for share in USUAL)
        usual = np.clip(diameters, low, high)
        least = LEAST * size / scale
        sizes, overlapping = fitting_sizes(points, tool, diameters, usual, least)
        if (sizes >= EASY * usual).all():
            break
    return scale, size, sizes, overlapping


def _notes(board: Board, frame: Frame, overlapping: int) -> list[str]:
    """Write the notes below the table: holes off the board, symbols that overlap."""
    notes = []
    strays = stray_holes(board)
    if strays.any():
        x0, y0, x1, y1 = shapely.bounds(board.hole_shapes).T
        out = (x1 < frame[0]) | (x0 > frame[2]) | (y1 < frame[1]) | (y0 > frame[3])
        lost, unseen = int(strays.sum()), int(out.sum())
        verb = "lies" if lost == 1 else "lie"
        lie = f"{'all' if lost == len(strays) else lost} of them {verb} off the board"
        where = {0: "", lost: ", outside this map"}.get(unseen, f", {unseen} outside this map")
        notes.append(lie + where)
    if overlapping:
        notes.append(f"{overlapping} symbols overlap, for their holes lie close")
    return notes


def _short(file: str, size: float) -> str:
    """Shorten a file's path to its last part where the whole is too long."""
    room = 30 * size
    if text_width(file, size) <= room:
        return file
    return fitted(file.rpartition("/")[2], size, room)


def _table(rows: tuple[ToolRow, ...], size: float, notes: list[str]) -> Scene:
    """Table of tools; numbers stand under each other, point under point."""
    head = ("diameter", "plating", "holes", "slots", "file")
    decimals = max((len(format_number(r.diameter_mm).partition(".")[2]) for r in rows), default=0)
    cells = [
        (
            f"{r.diameter_mm:.{decimals}f} mm",
            PLATING[r.plated],
            str(len(r.holes)),
            str(r.paths),
            _short(r.file, size),
        )
        for r in rows
    ]
    total = ("all", "", str(sum(len(r.holes) for r in rows)), str(sum(r.paths for r in rows)), "")
    right = (True, False, True, True, False)
    grid = [head, *cells, total]
    bold = [k in (0, len(grid) - 1) for k in range(len(grid))]
    widths = [
        max(text_width(g[c], size, bold=b) for g, b in zip(grid, bold, strict=True))
        for c in range(len(head))
    ]
    step, gap, first = 2.2 * size, 1.6 * size, 4.0 * size
    edges = np.cumsum([first, *(w + gap for w in widths)])
    top = step * (len(grid) + len(notes) + 1)
    across = max(float(edges[-1]), *(first + text_width(n, size) + gap for n in ("", *notes)))
    table = SceneDraft("table of tools", (0.0, 0.0, across, top))
    words = [
        letters(note, first, top - step * (len(grid) + 1 + k), size) for k, note in enumerate(notes)
    ]
    for k, line in enumerate(grid):
        y = top - step * (k + 1)
        for c, text in enumerate(line):
            x = edges[c] + (widths[c] if right[c] else 0.0)
            words.append(
                letters(
                    text,
                    float(x),
                    y,
                    size,
                    align="right" if right[c] else "left",
                    bold=bold[k],
                )
            )
    table.coat("words", looks.INK, *words)
    for k, row in enumerate(rows):
        y = top - step * (k + 2) + size / 2
        pen = symbol_pen(k, np.array([2.0 * size]), np.array([y]), 1.5 * size, 0.09 * size)
        table.coat(f"symbol {k + 1}", _TONES[row.plated], pen)
    return table.scene()


_POLYGONS: Final = {
    "square": (4, 45.0),
    "diamond": (4, 0.0),
    "triangle": (3, 90.0),
    "wedge": (3, 270.0),
    "hexagon": (6, 0.0),
}
_OUTLINES: Final = ("circle", *_POLYGONS)
_INSIDES: Final = ("empty", "dot", "bar", "post", "cross")

SYMBOLS: Final = tuple((o, i) for i in _INSIDES for o in _OUTLINES)
"""Outline and inside of each symbol, in the order they are given out."""


APART: Final = 0.92
"""How much of the way between two centres their symbols may fill, so that they do not touch."""


def fitting_sizes(
    points: Floats, tool: Ints, diameters: Floats, usual: Floats, least: float
) -> tuple[Floats, int]:
    """Symbols as large as usual, or smaller so that neighbours do not touch.

    Parameters
    ----------
    points : (n, 2) float64, mm
        Centres.
    tool : (n,) int64
        Whose symbol stands there.
    diameters, usual : (tools,) float64, mm
        Of the holes, and of the symbols where there is room.
    least
        Smallest symbol, mm, whatever the room.

    Returns
    -------
    sizes : (tools,) float64, mm
    overlapping
        Symbols that still touch another one.

    Notes
    -----
    Two symbols share the way between their centres as their usual sizes ask; a tool's symbol is
    the smallest any of its neighbours leaves it.  Holes that overlap themselves ask for no room.
    """
    if not len(points):
        return usual, 0
    shrunk = np.ones(len(usual))
    spots = np.atleast_1d(shapely.points(points))
    tree = shapely.STRtree(spots)
    # From the larger symbol of each pair: few tools reach far, so few pairs are looked at.
    found = [
        tree.query(spots[tool == k], predicate="dwithin", distance=usual[k] / APART)
        for k in range(len(usual))
    ]
    a = np.concatenate([np.flatnonzero(tool == k)[near[0]] for k, near in enumerate(found)])
    b = np.concatenate([near[1] for near in found])
    larger = (usual[tool[b]] <= usual[tool[a]]) & (a != b)
    a, b = a[larger], b[larger]
    distance = np.hypot(*(points[a] - points[b]).T)
    separate = distance > (diameters[tool[a]] + diameters[tool[b]]) / 2
    distance, a, b = distance[separate], a[separate], b[separate]
    both = (usual[tool[a]] + usual[tool[b]]) / 2
    for end in (a, b):
        np.minimum.at(shrunk, tool[end], APART * distance / both)
    sizes: Floats = np.maximum(usual * shrunk, np.minimum(least, usual))
    touching = (sizes[tool[a]] + sizes[tool[b]]) / 2 > distance
    return sizes, len(np.unique(np.concatenate((a[touching], b[touching]))))


def symbol_pen(number: int, x: Floats, y: Floats, size_mm: float, line_mm: float) -> Pen:
    """Symbol ``number`` about each point.

    Parameters
    ----------
    number
        Wraps around after the last symbol; tools then differ by diameter in the table.
    x, y : (n,) float64, mm
    size_mm
        Diameter of the circle around the symbol.
    """
    outline, inside = SYMBOLS[number % len(SYMBOLS)]
    r = size_mm / 2
    strokes: list[tuple[float, float, float, float]] = []
    if outline != "circle":
        corners, first = _POLYGONS[outline]
        angle = np.radians(first + 360 / corners * np.arange(corners + 1))
        px, py = r * np.cos(angle), r * np.sin(angle)
        strokes += zip(px[:-1], py[:-1], px[1:], py[1:], strict=True)
    reach = 0.45 * r
    if inside in ("bar", "cross"):
        strokes.append((-reach, 0, reach, 0))
    if inside in ("post", "cross"):
        strokes.append((0, -reach, 0, reach))
    pens = []
    if outline == "circle":
        pens.append(Pen.circles(x, y, np.full(len(x), size_mm), line_mm))
    if inside == "dot":
        pens.append(Pen.discs(x, y, 0.3 * size_mm))
    if strokes:
        pens.append(_put(np.array(strokes, dtype=np.float64), x, y, line_mm))
    return Pen.concat(*pens)


def _put(strokes: Floats, x: Floats, y: Floats, line_mm: float) -> Pen:
    """Strokes about each point."""
    x0, y0, x1, y1 = ((at[:, None] + strokes[:, k]).ravel() for k, at in enumerate((x, y, x, y)))
    return Pen.lines(x0, y0, x1, y1, line_mm)

"""Drill map: where each tool goes, one symbol a tool, and a table."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.board.model import Board
from fabkit.preview import palette
from fabkit.preview.finished import frame_around, outline
from fabkit.preview.lettering import fitted, letters, text_width
from fabkit.preview.marks import symbol_pen
from fabkit.preview.options import PreviewOptions
from fabkit.preview.scene import Floats, Pen, Placed, Scene, SceneDraft, Sheet
from fabkit.preview.sheets import GAP_MM, enlargement, letter_size, scale_note
from fabkit.units import format_mm

PLATING: Final = {1: "plated", 0: "not plated", -1: "plating not stated"}
_TONES: Final = {1: palette.BLUE, 0: palette.VERMILION, -1: palette.PURPLE}


@dataclass(frozen=True, eq=False)
class ToolRow:
    """One row of the table: all holes and slots of one diameter and plating in one file."""

    file: str
    diameter_mm: float
    plated: int
    holes: NDArray[np.int64]
    slots: NDArray[np.int64]
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


def drill_sheet(board: Board, options: PreviewOptions | None = None) -> Sheet:
    """Drill map of a board, seen from the front, with its table."""
    options = options or PreviewOptions()
    rows = tool_rows(board)
    scale = enlargement(board)
    size = letter_size(scale * max(board.size_mm))
    mark_size = size / scale
    frame = frame_around(board, max(options.margin_mm, 2 * mark_size))
    draft = SceneDraft(f"{board.name}: drill map", frame)
    rings = shapely.get_rings(shapely.get_parts(outline(board)))
    draft.coat("profile", palette.FAINT_INK, Pen.along(rings, 0.15 / scale))
    line = 0.09 * mark_size
    for k, row in enumerate(rows):
        x, y = _centres(board, row)
        mark = float(np.clip(row.diameter_mm, 0.7 * mark_size, 2.4 * mark_size))
        title = f"{format_mm(row.diameter_mm)}, {PLATING[row.plated]}"
        pens = [symbol_pen(k, x, y, mark, line)]
        if len(row.slots):
            s = board.slots.take(row.slots)
            path = Pen(s.x0, s.y0, s.x1, s.y1, s.cx, s.cy, s.turn, np.full(len(s), line))
            pens.append(path)
        draft.coat(title, _TONES[row.plated], Pen.joined(pens))
    width, height = (scale * v for v in draft.scene().size_mm)
    table = _table(rows, size, _outside(board, frame))
    wide, high = table.size_mm
    foot = 2.4 * size
    full = max(height + foot, high)
    ground = SceneDraft("ground", (0.0, 0.0, width + GAP_MM + wide, full))
    ground.coat("ground", palette.PAPER)
    words = f"Seen from the front{scale_note(scale)}"
    ground.coat("name", palette.INK, letters(words, 2.0 * size, 0.9 * size, size))
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


def _centres(board: Board, row: ToolRow) -> tuple[Floats, Floats]:
    """Where a tool's symbol stands: on holes, and on the start of each slot."""
    h, s = board.holes, board.slots
    _, first = np.unique(s.path[row.slots], return_index=True)
    starts = row.slots[first]
    return (
        np.concatenate((h.x[row.holes], s.x0[starts])),
        np.concatenate((h.y[row.holes], s.y0[starts])),
    )


def _outside(board: Board, frame: tuple[float, float, float, float]) -> int:
    """Holes and slots that the map cannot show, for they lie off the board."""
    h, s = board.holes, board.slots
    _, first = np.unique(s.path, return_index=True)
    x, y = np.concatenate((h.x, s.x0[first])), np.concatenate((h.y, s.y0[first]))
    inside = (x > frame[0]) & (x < frame[2]) & (y > frame[1]) & (y < frame[3])
    return int((~inside).sum())


def _table(rows: tuple[ToolRow, ...], size: float, outside: int) -> Scene:
    """Table of tools; numbers stand under each other."""
    head = ("diameter", "plating", "holes", "slots", "file")
    cells = [
        (
            format_mm(r.diameter_mm),
            PLATING[r.plated],
            str(len(r.holes)),
            str(r.paths),
            fitted(r.file, size, 24 * size),
        )
        for r in rows
    ]
    note = f"{outside} of them off the board, outside this map" if outside else ""
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
    top = step * (len(grid) + (2 if note else 1))
    across = max(float(edges[-1]), first + text_width(note, size) + gap)
    table = SceneDraft("table of tools", (0.0, 0.0, across, top))
    words = [letters(note, first, top - step * (len(grid) + 1), size)]
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
    table.coat("words", palette.INK, *words)
    for k, row in enumerate(rows):
        y = top - step * (k + 2) + size / 2
        pen = symbol_pen(k, np.array([2.0 * size]), np.array([y]), 1.5 * size, 0.09 * size)
        table.coat(f"symbol {k + 1}", _TONES[row.plated], pen)
    return table.scene()

"""A paper template at full size: outline, holes and keys of each half, with bars to check it.

Lay a hand on it, push switches through it, before the board is paid for.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from math import ceil
from typing import Final

import numpy as np
import shapely

from fabkit.board.model import Board
from fabkit.keyboard.build import find_keyboard
from fabkit.keyboard.model import Key, Use
from fabkit.package.model import Side
from fabkit.preview import palette
from fabkit.preview.finished import frame_around, outline
from fabkit.preview.hands import face_word, one_face_note, views_as_used
from fabkit.preview.lettering import fitted, letters
from fabkit.preview.scene import Floats, Letters, Pen, Placed, Scene, SceneDraft, Sheet
from fabkit.preview.strays import stray_note
from fabkit.units import format_mm

MARGIN_MM: Final = 8.0
"""Strip along the paper's edge that many printers cannot reach (common practice)."""

FOOTER_MM: Final = 26.0
SIDE_MM: Final = 14.0
OVERLAP_MM: Final = 12.0
"""How much neighbouring pages share, so that they can be glued."""

AROUND_MM: Final = 4.0
SWITCH_MM: Final = 14.0
"""Side of the square opening a key switch clips into (common practice)."""

SMALL_HOLE_MM: Final = 0.8
"""Smaller holes are shown as dots; nothing is pushed through them."""

_LINE: Final = 0.2
_TEXT: Final = 2.2


class Paper(Enum):
    """Paper sizes, upright, mm (ISO 216:2007; ANSI/ASME Y14.1)."""

    A4 = (210.0, 297.0)
    LETTER = (215.9, 279.4)


@dataclass(frozen=True, slots=True, kw_only=True)
class PaperHalf:
    """One half as it lies before its hand.

    ``side`` is the face that is up; ``note`` is what speaks against this use of the board.
    """

    board: Board
    side: Side
    name: str
    keys: tuple[Key, ...] = ()
    note: str = ""


def halves_of(board: Board, use: Use | None = None) -> tuple[PaperHalf, ...]:
    """Every half a board gives, as it lies before its hand.

    Parameters
    ----------
    use
        What one board is by the user's word; None leaves it to the files.
    """
    keyboard = find_keyboard(board, use)
    note = one_face_note(keyboard)
    if not keyboard.hands.groups:
        return (PaperHalf(board=board, side="top", name="board", note=note),)
    return tuple(
        PaperHalf(
            board=board,
            side=side,
            name=f"{name[:1].lower()}{name[1:]}",
            keys=keyboard.keys,
            note=note,
        )
        for name, side in views_as_used(keyboard)
    )


def _square(key: Key) -> shapely.LinearRing:
    half = SWITCH_MM / 2
    corners = np.array([(-half, -half), (half, -half), (half, half), (-half, half)])
    return shapely.LinearRing(_turned(corners, key))


def _turned(points: Floats, key: Key) -> Floats:
    c, s = np.cos(np.radians(key.rotation_deg)), np.sin(np.radians(key.rotation_deg))
    moved: Floats = points @ np.array([[c, s], [-s, c]]) + (key.x_mm, key.y_mm)
    return moved


def half_scene(half: PaperHalf) -> SceneDraft:
    """Outline, holes and keys of a half at full size, in board coordinates."""
    board = half.board
    draft = SceneDraft(
        f"{half.name}, {face_word(half.side)} up",
        frame_around(board, AROUND_MM),
        mirrored=half.side == "bottom",
    )
    rings = shapely.get_rings(shapely.get_parts(outline(board)))
    h = board.holes
    small = h.diameter < SMALL_HOLE_MM
    if small.any():
        draft.coat(
            "small holes", palette.FAINT_INK, Pen.discs(h.x[small], h.y[small], h.diameter[small])
        )
    if half.keys:
        squares = np.array([_square(k) for k in half.keys], dtype=object)
        draft.coat("switch openings", palette.BLUE, Pen.along(squares, _LINE))
        ends = np.array([(-3.0, 0), (3.0, 0), (0, -3.0), (0, 3.0)])
        arms = np.array([_turned(ends, k) for k in half.keys])
        a, b = arms[:, [0, 2]].reshape(-1, 2), arms[:, [1, 3]].reshape(-1, 2)
        draft.coat(
            "key centres", palette.VERMILION, Pen.lines(a[:, 0], a[:, 1], b[:, 0], b[:, 1], 0.1)
        )
        names = [
            letters(k.refs[0], k.x_mm, k.y_mm + 4.6, 1.4, align="middle", mirrored=draft.mirrored)
            for k in half.keys
            if k.refs
        ]
        if names:
            draft.coat("key names", palette.INK, *names)
    large = ~small
    if large.any():
        draft.coat(
            "holes", palette.INK, Pen.circles(h.x[large], h.y[large], h.diameter[large], 0.12)
        )
    slots = board.hole_shapes[len(h) :]
    if len(slots):
        draft.coat(
            "slots", palette.INK, Pen.along(shapely.get_rings(shapely.get_parts(slots)), 0.12)
        )
    draft.coat("outline to cut along", palette.INK, Pen.along(rings, _LINE))
    return draft


@dataclass(frozen=True, slots=True)
class _Layout:
    """How a picture is spread over pages."""

    width: float
    height: float
    columns: int
    rows: int

    @property
    def area(self) -> tuple[float, float]:
        """Room for the drawing on one page, mm."""
        return self.width - 2 * MARGIN_MM - SIDE_MM, self.height - 2 * MARGIN_MM - FOOTER_MM


def _pages(length: float, room: float) -> int:
    return 1 if length <= room else ceil((length - OVERLAP_MM) / (room - OVERLAP_MM))


def _layout(size: tuple[float, float], paper: Paper) -> _Layout:
    """Fewest pages; upright when both ways need as many."""
    tried = []
    for width, height in (paper.value, paper.value[::-1]):
        empty = _Layout(width, height, 1, 1)
        columns, rows = (_pages(s, room) for s, room in zip(size, empty.area, strict=True))
        tried.append(_Layout(width, height, columns, rows))
    return min(tried, key=lambda page: page.columns * page.rows)


def _marks(draft: SceneDraft, layout: _Layout) -> None:
    """Crosses in the strips that neighbouring pages share."""
    x0, y0, x1, y1 = draft.frame
    room_x, room_y = layout.area
    width, height = x1 - x0, y1 - y0
    spots: list[tuple[float, float]] = []
    for column in range(1, layout.columns):
        u = column * (room_x - OVERLAP_MM) + OVERLAP_MM / 2
        spots += [(u, height * share) for share in (0.1, 0.5, 0.9)]
    for row in range(1, layout.rows):
        v = row * (room_y - OVERLAP_MM) + OVERLAP_MM / 2
        spots += [(width * share, v) for share in (0.1, 0.5, 0.9)]
    if not spots:
        return
    u, v = np.array(spots).T
    x = x1 - u if draft.mirrored else x0 + u
    y = y1 - v
    draft.coat(
        "overlap marks",
        palette.GREEN,
        Pen.lines(
            np.concatenate((x - 3, x)),
            np.concatenate((y, y - 3)),
            np.concatenate((x + 3, x)),
            np.concatenate((y, y + 3)),
            0.15,
        ),
        Pen.circles(x, y, np.full(len(x), 3.0), 0.15),
    )


def _bar(x: float, y: float, length: float, *, upright: bool) -> Pen:
    """A scale bar with a tick each 10 mm; its end ticks stand exactly ``length`` apart."""
    at = np.arange(0.0, length + 1e-9, 10.0)
    long = np.where((at == 0) | (at == length), 2.0, 1.0)
    along, across = np.concatenate(([0.0], at)), np.concatenate(([0.0], -long))
    along_end, across_end = np.concatenate(([length], at)), np.concatenate(([0.0], long))
    if upright:
        return Pen.lines(x + across, y + along, x + across_end, y + along_end, _LINE)
    return Pen.lines(x + along, y + across, x + along_end, y + across_end, _LINE)


def _furniture(layout: _Layout, title: str, note: str, warning: str) -> Scene:
    """White paper, title, instructions and the two bars."""
    page = SceneDraft(title, (0.0, 0.0, layout.width, layout.height))
    page.ground(palette.PAPER)
    left, low = MARGIN_MM, MARGIN_MM
    bar_x, bar_y = layout.width - MARGIN_MM - 5.0, low + 4.0
    page.coat("bar of 100 mm", palette.INK, _bar(left, low + 4.0, 100.0, upright=False))
    page.coat("bar of 50 mm", palette.INK, _bar(bar_x, bar_y, 50.0, upright=True))
    room = layout.width - 2 * MARGIN_MM - SIDE_MM
    texts: list[Letters] = [
        letters("100 mm", left + 102.5, low + 3.2, _TEXT),
        letters("50 mm", bar_x - 3.5, bar_y + 25.0, _TEXT, align="middle", turned_deg=90),
        letters(fitted(title, 2.8, room), left, low + (20.0 if warning else 16.4), 2.8, bold=True),
    ]
    print_true = "Print at 100 %, not fitted to the page. Both bars must be true."
    for k, line in enumerate((note, print_true)):
        texts.append(letters(fitted(line, _TEXT, room), left, low + 11.9 - 3.6 * k, _TEXT))
    page.coat("words", palette.INK, *texts)
    if warning:
        said = letters(fitted(warning, _TEXT, room), left, low + 15.5, _TEXT, bold=True)
        page.coat("what speaks against it", palette.VERMILION, said)
    return page.scene()


def paper_sheets(halves: Sequence[PaperHalf], *, paper: Paper = Paper.A4) -> tuple[Sheet, ...]:
    """Pages at full size, one or more for each half.

    A half larger than a page is spread over several that share a strip with marks: glue mark on
    mark.
    """
    sheets = []
    for half in halves:
        draft = half_scene(half)
        x0, y0, x1, y1 = draft.frame
        layout = _layout((x1 - x0, y1 - y0), paper)
        _marks(draft, layout)
        whole = draft.scene()
        width, height = (format_mm(v) for v in half.board.size_mm)
        title = f"{half.board.name}: {half.name}, {face_word(half.side)} up"
        squares = "; push switches through the squares" if half.keys else ". No keys were found"
        note = f"{width} x {height}. Cut along the outline{squares}."
        tiled = layout.columns * layout.rows > 1
        if tiled:
            note += " Glue the pages cross on cross."
        warning = ". ".join(w for w in (half.note, stray_note(half.board)) if w)
        for row in range(layout.rows):
            for column in range(layout.columns):
                window, place = _window(whole, layout, column, row)
                tile = f", page {column + 1}/{row + 1} (column/row)"
                named = title + (tile if tiled else "")
                sheets.append(
                    Sheet(
                        named,
                        layout.width,
                        layout.height,
                        (
                            Placed(_furniture(layout, named, note, warning), 0.0, 0.0),
                            Placed(window, *place),
                        ),
                    )
                )
    return tuple(sheets)


def _window(
    whole: Scene, layout: _Layout, column: int, row: int
) -> tuple[Scene, tuple[float, float]]:
    """The part of a scene one page shows, and where it lies on the page."""
    x0, y0, x1, y1 = whole.frame
    room_x, room_y = layout.area
    u, v = column * (room_x - OVERLAP_MM), row * (room_y - OVERLAP_MM)
    width, height = min(room_x, x1 - x0 - u), min(room_y, y1 - y0 - v)
    left = x1 - u - width if whole.mirrored else x0 + u
    frame = (left, y1 - v - height, left + width, y1 - v)
    window = Scene(whole.title, frame, whole.mirrored, whole.stencils, whole.nodes)
    inset = (room_x - width) / 2 if layout.columns == 1 else 0.0
    return window, (MARGIN_MM + inset, layout.height - MARGIN_MM - height)


def render_paper(halves: Sequence[PaperHalf], *, paper: Paper = Paper.A4) -> bytes:
    """Paper template as PDF."""
    from fabkit.preview.paint_pdf import pictures_pdf

    return pictures_pdf(paper_sheets(halves, paper=paper))

"""A paper template at full size: outline, holes and keys of each half, with bars to check it.

Lay a hand on it, push switches through it, before the board is paid for.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum
from math import ceil
from typing import Final, Literal

import numpy as np
import shapely

from fabkit.base.columns import Floats
from fabkit.base.units import format_mm, format_number
from fabkit.board.model import Board
from fabkit.geometry.segments import turned
from fabkit.keyboard.build import find_keyboard, half_boards
from fabkit.keyboard.model import Hand, Key
from fabkit.keyboard.numbering import key_pitch, number_group
from fabkit.package.model import Side, face_word
from fabkit.pictures import looks
from fabkit.pictures.finished import frame_around, one_face_note, outline, stray_note
from fabkit.pictures.scene import (
    Frame,
    Letters,
    Pen,
    Placed,
    Scene,
    SceneDraft,
    Sheet,
    fitted,
    letters,
    readable_deg,
    text_width,
)
from fabkit.sheets.order import BoardUse

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

CAP_GAP_MM: Final = 1.0
"""Between the caps of neighbouring keys (common practice: caps of 18 mm at a pitch of 19.05)."""

_LINE: Final = 0.2
_TEXT: Final = 2.2


class Paper(Enum):
    """Paper sizes, upright, mm (ISO 216:2007; ANSI/ASME Y14.1)."""

    A4 = (210.0, 297.0)
    LETTER = (215.9, 279.4)


@dataclass(frozen=True, slots=True, kw_only=True)
class PaperHalf:
    """One half as it lies before its hand.

    Parameters
    ----------
    board
        The board it is cut from.
    side
        Face that is up.
    name
        What it is, such as ``left half``.
    keys
        Its keys, and their numbers as the wiring counts them.
    home
        Positions in ``keys`` of those that the index fingers rest on.
    frame
        Part of the board that is shown, mm; None for all of it.
    note
        What speaks against this use of the board.
    """

    board: Board
    side: Side
    name: str
    keys: tuple[Key, ...] = ()
    numbers: tuple[int, ...] = ()
    home: tuple[int, ...] = ()
    frame: Frame | None = None
    note: str = ""


def halves_of(
    board: Board, use: BoardUse | None = None, *, before: int = 0
) -> tuple[PaperHalf, ...]:
    """Every half a board gives, as it lies before its hand.

    Parameters
    ----------
    use
        What one board is by the user's word; None leaves it to the files.
    before
        Keys of the halves that other boards give, which are numbered first.
    """
    keyboard = find_keyboard(board, use)
    note = one_face_note(keyboard)
    if not keyboard.hands.groups:
        return (PaperHalf(board=board, side="top", name="board", note=note),)
    halves = []
    groups = keyboard.hands.groups
    middles = [[(keyboard.keys[k].x_mm, keyboard.keys[k].y_mm) for k in g.keys] for g in groups]
    for group, own in zip(groups, half_boards(board, middles, AROUND_MM), strict=True):
        numbered = number_group(keyboard, group, before=before)
        before += len(set(numbered.numbers.values()))
        halves.append(
            PaperHalf(
                board=own.board,
                side=group.face_up,
                name=_NAMES[group.hand],
                keys=tuple(keyboard.keys[k] for k in group.keys),
                numbers=tuple(numbered.numbers[k] for k in group.keys),
                home=tuple(group.keys.index(k) for k in numbered.home),
                frame=own.frame,
                note=note,
            )
        )
    return tuple(halves)


_NAMES: Final[dict[Hand, str]] = {
    "left": "left half",
    "right": "right half",
    "whole": "keyboard",
}


def _square(key: Key, wide: float, high: float) -> shapely.Polygon:
    x, y = wide / 2, high / 2
    corners = np.array([(-x, -y), (x, -y), (x, y), (-x, y)])
    return shapely.Polygon(_turned(corners, key, key.rotation_deg))


def _turned(points: Floats, key: Key, degrees: float) -> Floats:
    return np.asarray(turned(points, degrees) + np.array((key.x_mm, key.y_mm)))


def half_scene(half: PaperHalf) -> SceneDraft:
    """Outline, holes and keys of a half at full size, in board coordinates."""
    board = half.board
    draft = SceneDraft(
        f"{half.name}, {face_word(half.side)} up",
        half.frame or frame_around(board, AROUND_MM),
        mirrored=half.side == "bottom",
    )
    h = board.holes
    small = h.diameter < SMALL_HOLE_MM
    if small.any():
        draft.coat(
            "small holes", looks.FAINT_INK, Pen.discs(h.x[small], h.y[small], h.diameter[small])
        )
    if half.keys:
        _draw_keys(draft, half)
    large = ~small
    if large.any():
        draft.coat("holes", looks.INK, Pen.circles(h.x[large], h.y[large], h.diameter[large], 0.12))
    slots = board.hole_shapes[len(h) :]
    if len(slots):
        draft.coat("slots", looks.INK, Pen.along(slots, 0.12))
    draft.coat("outline to cut along", looks.INK, Pen.along(outline(board), _LINE))
    return draft


def _draw_keys(draft: SceneDraft, half: PaperHalf) -> None:
    """Caps, switch openings, centres, numbers and names, and the bars of the home row."""
    pitch = key_pitch(np.array([(k.x_mm, k.y_mm) for k in half.keys]))
    # Of places that overlap one cap is enough to see where fingers go, but each has its opening.
    caps = np.array(
        [_square(k, pitch * k.size_u - CAP_GAP_MM, pitch - CAP_GAP_MM) for k in half.keys],
        dtype=object,
    )
    draft.coat("key caps", looks.FAINT_INK, Pen.along(caps, 0.15))
    squares = np.array([_square(k, SWITCH_MM, SWITCH_MM) for k in half.keys], dtype=object)
    draft.coat("switch openings", looks.BLUE, Pen.along(squares, _LINE))
    ends = np.array([(-3.0, 0), (3.0, 0), (0, -3.0), (0, 3.0)])
    arms = np.array([_turned(ends, k, k.rotation_deg) for k in half.keys])
    starts, stops = arms[:, [0, 2]].reshape(-1, 2), arms[:, [1, 3]].reshape(-1, 2)
    draft.coat("key centres", looks.VERMILION, Pen.between(starts, stops, 0.1))
    refs = [(key, key.refs[0]) for key in half.keys if key.refs]
    if refs:
        corner = _free_corner(half, NAME_CORNERS, [ref for _, ref in refs])
        names = [_beside(ref, key, corner, mirrored=draft.mirrored) for key, ref in refs]
        draft.coat("key names", looks.INK, *names)
    numbers = [(key, str(n)) for key, n in zip(half.keys, half.numbers, strict=False)]
    if numbers:
        corner = _free_corner(half, NUMBER_CORNERS, [number for _, number in numbers])
        words = [_beside(number, key, corner, mirrored=draft.mirrored) for key, number in numbers]
        draft.coat("key numbers", looks.INK, *words)
    if half.home:
        bars = np.array([_bar_of(half.keys[k]) for k in half.home])
        pen = Pen.between(bars[:, 0], bars[:, 1], 0.6)
        draft.coat("bars of the home row", looks.VERMILION, pen)


@dataclass(frozen=True, slots=True)
class _Corner:
    """Where a line of text stands on every key: as seen, mm from the middle of the key."""

    x: float
    y: float
    size: float
    align: Literal["left", "middle", "right"]

    def box(self, wide: float) -> Floats:
        """Corners of the room it takes."""
        left = self.x - wide * {"left": 0.0, "middle": 0.5, "right": 1.0}[self.align]
        right, top = left + wide, self.y + self.size
        return np.array([(left, self.y), (right, self.y), (right, top), (left, top)])


NUMBER_CORNERS: Final = tuple(
    _Corner(side * 6.7, low, size, "left" if side < 0 else "right")
    for size in (2.6, 2.0)
    for low in (-6.7, 6.7 - size)
    for side in (-1.0, 1.0)
)
"""Corners of the switch opening for the number of a key; a smaller one fits beside the holes of
both faces."""

NAME_CORNERS: Final = tuple(_Corner(0.0, y, 1.4, "middle") for y in (4.6, 2.8, -4.2, 5.4))
"""Rows for the name of a key, the usual one first."""


def _free_corner(half: PaperHalf, corners: Sequence[_Corner], texts: Sequence[str]) -> _Corner:
    """Find where the texts of the keys lie on the fewest holes.

    One corner for all keys, so that texts are found where they are looked for.
    """
    h = half.board.holes
    taken = shapely.STRtree(shapely.buffer(shapely.points(h.x, h.y), h.diameter / 2))
    as_seen = np.array((-1.0 if half.side == "bottom" else 1.0, 1.0))

    def covered(corner: _Corner) -> int:
        wide = max(text_width(text, corner.size) for text in texts)
        box = corner.box(wide) * as_seen
        boxes = [
            shapely.Polygon(_turned(box, key, readable_deg(key.rotation_deg))) for key in half.keys
        ]
        return len(np.unique(taken.query(boxes, predicate="intersects")[0]))

    return min(corners, key=covered)


def _beside(text: str, key: Key, corner: _Corner, *, mirrored: bool) -> Letters:
    """Set a line of text beside the middle of a key as seen, turned with it, readable upright."""
    turn = readable_deg(key.rotation_deg)
    at = np.array([(-corner.x if mirrored else corner.x, corner.y)])
    x, y = _turned(at, key, turn)[0].tolist()
    return letters(
        text,
        x,
        y,
        corner.size,
        align=corner.align,
        mirrored=mirrored,
        turned_deg=-turn if mirrored else turn,
    )


def _bar_of(key: Key) -> Floats:
    """Place the bar by which a finger finds the home row, at the lower edge of the cap."""
    return _turned(np.array([(-2.5, -7.8), (2.5, -7.8)]), key, readable_deg(key.rotation_deg))


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
        looks.GREEN,
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
    """Draw a scale bar with a tick each 10 mm; its end ticks stand exactly ``length`` apart."""
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
    page.ground(looks.PAPER)
    left, low = MARGIN_MM, MARGIN_MM
    bar_x, bar_y = layout.width - MARGIN_MM - 5.0, low + 4.0
    page.coat("bar of 100 mm", looks.INK, _bar(left, low + 4.0, 100.0, upright=False))
    page.coat("bar of 50 mm", looks.INK, _bar(bar_x, bar_y, 50.0, upright=True))
    room = layout.width - 2 * MARGIN_MM - SIDE_MM
    texts: list[Letters] = [
        letters("100 mm", left + 102.5, low + 3.2, _TEXT),
        letters("50 mm", bar_x - 3.5, bar_y + 25.0, _TEXT, align="middle", turned_deg=90),
        letters(fitted(title, 2.8, room), left, low + (20.0 if warning else 16.4), 2.8, bold=True),
    ]
    print_true = "Print at 100 %, not fitted to the page. Both bars must be true."
    for k, line in enumerate((note, print_true)):
        texts.append(letters(fitted(line, _TEXT, room), left, low + 11.9 - 3.6 * k, _TEXT))
    page.coat("words", looks.INK, *texts)
    if warning:
        said = letters(fitted(warning, _TEXT, room), left, low + 15.5, _TEXT, bold=True)
        page.coat("what speaks against it", looks.VERMILION, said)
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
        wide, high = half.board.size_mm
        size = f"{format_number(wide, digits=1)} × {format_mm(high, digits=1)}"
        part = "Part of a board of " if half.frame else ""
        title = f"{half.board.name}: {half.name}, {face_word(half.side)} up"
        squares = "; push switches through the squares" if half.keys else ". No keys were found"
        note = f"{part}{size}. Cut along the outline{squares}."
        if half.home:
            note += " Orange bar: the index finger's key."
        pages = layout.columns * layout.rows
        tiled = pages > 1
        if tiled:
            note += " Glue the pages cross on cross."
        warning = ". ".join(w for w in (half.note, stray_note(half.board)) if w)
        for row in range(layout.rows):
            for column in range(layout.columns):
                window, place = _window(whole, layout, column, row)
                tile = f", page {row * layout.columns + column + 1} of {pages}"
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
    """Cut out the part of a scene one page shows, and find where it lies on the page."""
    x0, y0, x1, y1 = whole.frame
    room_x, room_y = layout.area
    u, v = column * (room_x - OVERLAP_MM), row * (room_y - OVERLAP_MM)
    width, height = min(room_x, x1 - x0 - u), min(room_y, y1 - y0 - v)
    left = x1 - u - width if whole.mirrored else x0 + u
    frame = (left, y1 - v - height, left + width, y1 - v)
    inset = (room_x - width) / 2 if layout.columns == 1 else 0.0
    return replace(whole, frame=frame), (MARGIN_MM + inset, layout.height - MARGIN_MM - height)


def render_paper(halves: Sequence[PaperHalf], *, paper: Paper = Paper.A4) -> bytes:
    """Paper template as PDF."""
    from fabkit.pictures.paint_pdf import pictures_pdf

    return pictures_pdf(paper_sheets(halves, paper=paper))

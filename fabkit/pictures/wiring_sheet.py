"""Both halves as seen from the keys: number and pin at every key, the controller's pins named."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.base.columns import Bools, Floats
from fabkit.board.model import Board
from fabkit.geometry.neighbours import usual_gap
from fabkit.keyboard.build import HalfBoard, half_boards
from fabkit.keyboard.model import Spot
from fabkit.package.model import face_word
from fabkit.pictures import looks
from fabkit.pictures.finished import board_stencils, frame_around, outline
from fabkit.pictures.looks import USUAL_LOOK, PreviewOptions
from fabkit.pictures.scene import (
    Coat,
    Fill,
    Letters,
    Pen,
    Scene,
    SceneDraft,
    Sheet,
    letters,
    readable_deg,
    text_width,
)
from fabkit.pictures.sheets import side_by_side, text_size
from fabkit.wiring.model import HalfWiring, HeaderHole, KeyWire, Pin, Wiring

CAP_MM: Final = 15.0
"""Side of the square that stands for a key: a cap of one unit less a gap."""

NUMBER_MM: Final = 4.0
NAME_MM: Final = 1.9
LINE_GAP_MM: Final = 1.5
"""Heights of a key's number and of its names, and the gap between two of these where it fits."""

PIN_MM: Final = 1.5
SAME_PIN_MM: Final = 3.0
"""Pads of one pin nearer to each other than this are named once."""

HOLE_MM: Final = 1.6
"""Ring about a header hole."""

DASH_MM: Final = 1.5
BEYOND_MM: Final = 4.0
"""Dashes of the line the controller is turned about, and how far it reaches beyond the rows."""

LEAST_PIN_MM: Final = 0.6
"""Diameter of the dot on a pin of the controller, and the least where pins lie closer."""

WORDS: Final = {"left": "Left half", "right": "Right half", "whole": "Keyboard"}


def wiring_sheet(
    boards: Sequence[Board], wiring: Wiring, options: PreviewOptions = USUAL_LOOK
) -> Sheet:
    """Halves side by side, each seen from its key side."""
    scenes, names = [], []
    for half in wiring.halves:
        board = boards[half.board]
        same = [h for h in wiring.halves if h.board == half.board]
        middles = [[(k.x_mm, k.y_mm) for k in h.keys] for h in same]
        own = half_boards(board, middles, options.margin_mm)[same.index(half)]
        area = shapely.box(*(own.frame or own.board.bounds))
        holes = [
            h
            for h in wiring.headers.get(half.board, ())
            if shapely.intersects_xy(area, h.x_mm, h.y_mm)
        ]
        scenes.append(_half_scene(own, half, holes, options))
        first, last = (half.keys[0].index, half.keys[-1].index) if half.keys else (0, 0)
        name = f"{WORDS[half.hand]}, {face_word(half.face_up)} up: keys {first} to {last}"
        name += ", controller pins in orange" * any(_pins_of(half))
        names.append(name + "; the controller is turned about the dashed line" * bool(half.axis))
    size = max((text_size(b) for b in boards), default=2.0)
    return side_by_side(f"{wiring.name}: wiring", scenes, names, size)


def _half_scene(
    own: HalfBoard, half: HalfWiring, holes: Sequence[HeaderHole], options: PreviewOptions
) -> Scene:
    board = own.board
    mirrored = half.face_up == "bottom"
    frame = own.frame or frame_around(board, options.margin_mm)
    draft = SceneDraft(
        f"{board.name}: {half.hand}", frame, mirrored=mirrored, stencils=board_stencils(board)
    )
    draft.board(Coat(title="board", rgb=looks.GHOST_COPPER))
    draft.coat("profile", looks.FAINT_INK, Pen.along(outline(board), 0.15))
    caps = np.array([_cap(k, mirrored=mirrored) for k in half.keys], dtype=object)
    if not len(caps):
        return draft.scene()
    lost = np.array([not k.lines or any(not a.pins for a in k.lines) for k in half.keys])
    draft.coat("keys", looks.PAPER, Fill(caps))
    for title, rgb, mine in (
        ("rims of keys", looks.BLUE, caps[~lost]),
        ("rims of keys without a pin", looks.VERMILION, caps[lost]),
    ):
        if len(mine):
            draft.coat(title, rgb, Pen.along(mine, 0.35))
    spots, named = _pins_in_use(half)
    room = shapely.intersection(outline(board), shapely.box(*frame))
    if len(spots):
        gap = usual_gap(spots)
        wide = float(np.clip(gap, LEAST_PIN_MM, PIN_MM))
        draft.coat("pins in use", looks.ORANGE, Pen.discs(spots[:, 0], spots[:, 1], wide))
        if gap >= CLOSE_MM:
            off = 0.8 * PIN_MM
            texts = pin_names(spots, named, off, caps.tolist(), room, mirrored=mirrored)
            draft.coat("names of pins", looks.INK, *texts)
    elif holes:
        at = np.array([(h.x_mm, h.y_mm) for h in holes])
        draft.coat(
            "header holes",
            looks.ORANGE,
            Pen.circles(at[:, 0], at[:, 1], np.full(len(at), HOLE_MM), 0.15),
        )
        texts = hole_names(at, [h.name for h in holes], caps.tolist(), room, mirrored=mirrored)
        draft.coat("names of holes", looks.INK, *texts)
    if half.axis is not None:
        draft.coat("line the controller is turned about", looks.VERMILION, _dashes(*half.axis))
    none = "no pin" if half.controllers else "no pin known"
    words = [line for k in half.keys for line in _words(k, none, mirrored=mirrored)]
    draft.coat("numbers", looks.INK, *(text for text, bold in words if bold))
    draft.coat("names", looks.INK, *(text for text, bold in words if not bold))
    return draft.scene()


def _pins_of(half: HalfWiring) -> Iterator[Pin]:
    return (p for k in half.keys for a in k.lines for p in a.pins)


def _pins_in_use(half: HalfWiring) -> tuple[Floats, list[str]]:
    """Find the controller's pins in use, with their names.

    A pin that has several pads close together is named once.
    """
    spots: list[tuple[float, float]] = []
    named: list[str] = []
    for pin in sorted(_pins_of(half), key=lambda p: (p.x_mm, p.y_mm, p.name)):
        near = [
            name
            for (x, y), name in zip(spots, named, strict=True)
            if np.hypot(x - pin.x_mm, y - pin.y_mm) < SAME_PIN_MM
        ]
        if (not near or pin.name not in near) and (pin.x_mm, pin.y_mm) not in spots:
            spots.append((pin.x_mm, pin.y_mm))
            named.append(pin.name)
    return np.array(spots).reshape(-1, 2), named


def _dashes(start: Spot, end: Spot) -> Pen:
    """Draw a dashed line that reaches beyond both ends."""
    a, b = np.array(start), np.array(end)
    length = float(np.hypot(*(b - a)))
    along = (b - a) / length
    from_mm = np.arange(-BEYOND_MM, length + BEYOND_MM, 2 * DASH_MM)
    p, q = a + from_mm[:, None] * along, a + (from_mm + DASH_MM)[:, None] * along
    return Pen.between(p, q, 0.3)


def _turn(key: KeyWire, *, mirrored: bool) -> float:
    """Angle on the board of a key seen at its angle, a quarter turn being none for its text."""
    return -readable_deg(key.angle_deg) if mirrored else readable_deg(key.angle_deg)


def _cap(key: KeyWire, *, mirrored: bool) -> shapely.Polygon:
    from shapely import affinity

    half = CAP_MM / 2
    square = shapely.box(key.x_mm - half, key.y_mm - half, key.x_mm + half, key.y_mm + half)
    return affinity.rotate(square, _turn(key, mirrored=mirrored), origin=(key.x_mm, key.y_mm))


def _words(key: KeyWire, none: str, *, mirrored: bool) -> list[tuple[Letters, bool]]:
    """Set reference, number and pins one below the other about the middle, the number bold.

    ``none`` stands for the pin of a line that has none.
    """
    if key.line is not None:
        below = [_pins(key.line.pins, none)]
    elif key.row_line is not None and key.column_line is not None:
        rows, columns = key.row_line.pins, key.column_line.pins
        below = [f"row {_pins(rows, none)}", f"col {_pins(columns, none)}"]
    else:
        below = ["no pin known"]
    above = [] if not key.ref or key.ref.startswith("@") else [key.ref]
    lines = [(text, NAME_MM, False) for text in (*above, *below)]
    lines.insert(len(above), (str(key.index), NUMBER_MM, True))
    tall, gaps = sum(height for _, height, _ in lines), len(lines) - 1
    gap = min(LINE_GAP_MM, (CAP_MM - NAME_MM - tall) / gaps)
    up = (tall + gap * gaps) / 2
    out = []
    for text, height, bold in lines:
        up -= height
        out.append((_set(text, key, up, height, mirrored=mirrored, bold=bold), bold))
        up -= gap
    return out


def _pins(pins: Sequence[Pin], none: str) -> str:
    """Names of pins; a bare number is marked as a pin, or it reads as that of a row."""
    names = dict.fromkeys(p.function or f"pin {p.pin}" for p in pins)
    return " = ".join(names) or none


def _set(
    text: str, key: KeyWire, up: float, height: float, *, mirrored: bool, bold: bool = False
) -> Letters:
    """Set a line of text centred on a key, turned with it, made smaller when it would not fit."""
    room = CAP_MM - 1.4
    wide = text_width(text, height, bold=bold)
    height *= min(1.0, room / wide) if wide else 1.0
    turn = _turn(key, mirrored=mirrored)
    upright = -turn if mirrored else turn
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    return letters(
        text,
        key.x_mm - s * up,
        key.y_mm + c * up,
        height,
        align="middle",
        bold=bold,
        mirrored=mirrored,
        turned_deg=upright,
    )


USED_NAME_MM: Final = 1.4
"""Height of capitals: rows of pins a tenth of an inch apart keep a clear line between names."""

CLOSE_MM: Final = 1.2 * USED_NAME_MM
"""Pins nearer to each other, as on a chip, have no room for names of a size that reads."""

AROUND: Final = ((1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0))
"""Right, left, above, below, as seen; above and below the name runs upwards."""

IN_ROW_MM: Final = 0.3
"""How far off one line pins of one row may lie."""


def hole_names(
    at: Floats,
    names: Sequence[str],
    taken: Sequence[shapely.Geometry],
    inside: shapely.Geometry,
    *,
    mirrored: bool,
) -> list[Letters]:
    """Set the name of each header hole beside it, smaller where some would be left out.

    A table to fill in asks for all of them.  Parameters are those of :func:`pin_names`.
    """
    off, size = HOLE_MM / 2 + 0.4, min(USED_NAME_MM, 0.6 * usual_gap(at))
    texts: list[Letters] = []
    for share in (1.0, 0.8, 0.65):
        texts = pin_names(at, names, off, taken, inside, mirrored=mirrored, size=share * size)
        if len(texts) == len(names):
            break
    return texts


def pin_names(
    at: Floats,
    names: Sequence[str],
    off: float,
    taken: Sequence[shapely.Geometry],
    inside: shapely.Geometry,
    *,
    mirrored: bool,
    size: float = USED_NAME_MM,
) -> list[Letters]:
    """Set the name of each pin beside it.

    Parameters
    ----------
    at : (n, 2) float64, mm
        Places of the pins on the board.
    off
        Free space around the middle of a pin, mm.
    taken
        What no name may touch.
    inside
        Area that names stay in.
    mirrored
        Names read on a mirrored scene.
    size
        Height of their capitals, mm.

    Returns
    -------
    One line of text for each pin that has room on any side, in the order of the pins.
    """
    apart = np.hypot(*(at[:, None] - at).transpose(2, 0, 1)) + np.diag(np.full(len(at), np.inf))
    boxes = _boxes(at, [text_width(name, size) for name in names], off, size, mirrored=mirrored)
    blocks = shapely.STRtree([*taken, *shapely.buffer(shapely.points(at), off - size / 4)])
    free = shapely.covers(inside, boxes)
    pins, sides = np.divmod(blocks.query(boxes.ravel(), predicate="intersects")[0], len(AROUND))
    free[pins, sides] = False
    set_, done = [], np.array([], dtype=object)
    # Of pins as near to each other as a name to its pin, it could be any one's: chips have none.
    for k in np.flatnonzero(~(apart <= off).any(axis=1)).tolist():
        for side in _preferred(at, free, k, mirrored=mirrored):
            box = boxes[k, side]
            if free[k, side] and not shapely.intersects(done, box).any():
                set_.append(_set_beside(names[k], at[k], off, side, size, mirrored=mirrored))
                done = np.append(done, box)
                break
    return set_


def _boxes(
    at: Floats, widths: Sequence[float], off: float, size: float, *, mirrored: bool
) -> NDArray[np.object_]:
    """Room of each name on each side, on the board: (n, 4) rectangles."""
    sign = -1.0 if mirrored else 1.0
    out = np.empty((len(at), len(AROUND)), dtype=object)
    for k, ((x, y), wide) in enumerate(zip(at.tolist(), widths, strict=True)):
        for side, (right, up) in enumerate(AROUND):
            along, across = off + wide / 2, (wide / 2, 0.6 * size)
            half_x, half_y = across if right else across[::-1]
            mid_x, mid_y = x + sign * right * along, y + up * along
            out[k, side] = shapely.box(
                mid_x - half_x, mid_y - half_y, mid_x + half_x, mid_y + half_y
            )
    return out


def _preferred(at: Floats, free: Bools, k: int, *, mirrored: bool) -> list[int]:
    """Sides from best to worst: where most of a pin's row has room, then towards the others."""
    apart = np.abs(at - at[k])
    inwards = (at.mean(axis=0) - at[k]) * (-1.0 if mirrored else 1.0, 1.0)
    scores = []
    for side, (right, up) in enumerate(AROUND):
        row = apart[:, 0 if right else 1] <= IN_ROW_MM
        room = int(np.count_nonzero(free[row, side]))
        scores.append((-room, -float(np.sign(np.round(inwards @ (right, up), 6))), side))
    return [side for *_, side in sorted(scores)]


def _set_beside(
    word: str, at: Floats, off: float, side: int, size: float, *, mirrored: bool
) -> Letters:
    sign = -1.0 if mirrored else 1.0
    right, up = AROUND[side]
    x, y = float(at[0]), float(at[1])
    if right:
        x, y = x + sign * right * off, y - size / 2
    else:
        x, y = x + sign * size / 2, y + up * off
    return letters(
        word,
        x,
        y,
        size,
        align="left" if right + up > 0 else "right",
        mirrored=mirrored,
        turned_deg=0.0 if right else 90.0,
    )

"""Both halves as seen from the keys: number and pin at every key, the controller's pins marked."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np
import shapely

from fabkit.board.model import Board
from fabkit.geometry.neighbours import usual_gap
from fabkit.preview import palette
from fabkit.preview.finished import board_stencils, frame_around, outline
from fabkit.preview.hands import face_word
from fabkit.preview.lettering import letters, text_width
from fabkit.preview.options import PreviewOptions
from fabkit.preview.pin_names import pin_names
from fabkit.preview.scene import Coat, Fill, Group, Letters, Pen, Scene, SceneDraft, Sheet
from fabkit.preview.sheets import side_by_side, text_size
from fabkit.wiring.model import HalfWiring, KeyWire, Pin, Wiring

CAP_MM: Final = 15.0
"""Side of the square that stands for a key: a cap of one unit less a gap."""

AROUND_MM: Final = 14.0
"""Board shown around the keys of a half that shares its board with the other half."""

NUMBER_MM: Final = 4.0
NAME_MM: Final = 1.9
LINE_GAP_MM: Final = 1.5
"""Heights of a key's number and of its names, and the gap between two of these where it fits."""

PIN_MM: Final = 1.5
LEAST_PIN_MM: Final = 0.6
"""Diameter of the dot on a pin of the controller, and the least where pins lie closer."""

WORDS: Final = {"left": "Left half", "right": "Right half", "whole": "Keyboard"}


def wiring_sheet(
    boards: Sequence[Board], wiring: Wiring, options: PreviewOptions | None = None
) -> Sheet:
    """Halves side by side, each seen from its key side."""
    chosen = options or PreviewOptions()
    shared = len({h.board for h in wiring.halves}) < len(wiring.halves)
    faces = {h.face_up for h in wiring.halves}
    scenes, names = [], []
    for half in wiring.halves:
        board = boards[half.board]
        part = shared and len(faces) == 1
        scenes.append(_half_scene(board, half, chosen, part=part))
        first, last = (half.keys[0].index, half.keys[-1].index) if half.keys else (0, 0)
        name = f"{WORDS[half.hand]}, {face_word(half.face_up)} up: keys {first} to {last}"
        names.append(name + ", controller pins in orange" * any(_pins_of(half)))
    size = max((text_size(b) for b in boards), default=2.0)
    return side_by_side(f"{wiring.name}: wiring", scenes, names, size)


def _half_scene(board: Board, half: HalfWiring, options: PreviewOptions, *, part: bool) -> Scene:
    mirrored = half.face_up == "bottom"
    frame = _frame(half) if part else frame_around(board, options.margin_mm)
    draft = SceneDraft(
        f"{board.name}: {half.hand}", frame, mirrored=mirrored, stencils=board_stencils(board)
    )
    draft.nodes.append(
        Group(
            title="board",
            children=(Coat(title="board", rgb=palette.GHOST_COPPER),),
            inside=("profile",),
            outside=("holes",),
        )
    )
    rings = shapely.get_rings(shapely.get_parts(outline(board)))
    draft.coat("profile", palette.FAINT_INK, Pen.along(rings, 0.15))
    caps = np.array([_cap(k, mirrored=mirrored) for k in half.keys], dtype=object)
    if not len(caps):
        return draft.scene()
    lost = np.array([not k.lines or any(not a.pins for a in k.lines) for k in half.keys])
    draft.coat("keys", palette.PAPER, Fill(caps))
    for title, rgb, mine in (
        ("rims of keys", palette.BLUE, caps[~lost]),
        ("rims of keys without a pin", palette.VERMILION, caps[lost]),
    ):
        if len(mine):
            draft.coat(title, rgb, Pen.along(shapely.get_exterior_ring(mine), 0.35))
    pins = {(p.x_mm, p.y_mm): p for p in _pins_of(half)}
    if pins:
        spots = np.array(sorted(pins))
        wide = float(np.clip(usual_gap(spots), LEAST_PIN_MM, PIN_MM))
        draft.coat("pins in use", palette.ORANGE, Pen.discs(spots[:, 0], spots[:, 1], wide))
        named = [pins[x, y].name for x, y in spots.tolist()]
        room = shapely.intersection(outline(board), shapely.box(*frame))
        off = 0.8 * PIN_MM
        texts = pin_names(spots, named, off, caps.tolist(), room, mirrored=mirrored)
        draft.coat("names of pins", palette.INK, *texts)
    words = [line for k in half.keys for line in _words(k, mirrored=mirrored)]
    draft.coat("numbers", palette.INK, *(text for text, bold in words if bold))
    draft.coat("names", palette.INK, *(text for text, bold in words if not bold))
    return draft.scene()


def _pins_of(half: HalfWiring) -> Iterator[Pin]:
    return (p for k in half.keys for a in k.lines for p in a.pins)


def _frame(half: HalfWiring) -> tuple[float, float, float, float]:
    x, y = [k.x_mm for k in half.keys], [k.y_mm for k in half.keys]
    return min(x) - AROUND_MM, min(y) - AROUND_MM, max(x) + AROUND_MM, max(y) + AROUND_MM


def _turn(key: KeyWire, *, mirrored: bool) -> float:
    """Angle on the board of a key seen at its angle, a quarter turn being none for its text."""
    upright = (key.angle_deg + 45) % 90 - 45
    return -upright if mirrored else upright


def _cap(key: KeyWire, *, mirrored: bool) -> shapely.Polygon:
    from shapely import affinity

    half = CAP_MM / 2
    square = shapely.box(key.x_mm - half, key.y_mm - half, key.x_mm + half, key.y_mm + half)
    return affinity.rotate(square, _turn(key, mirrored=mirrored), origin=(key.x_mm, key.y_mm))


def _words(key: KeyWire, *, mirrored: bool) -> list[tuple[Letters, bool]]:
    """Reference, number and pins, one below the other about the middle; the number is bold."""
    if key.line is not None:
        below = [_pins(key.line.pins)]
    elif key.row_line is not None and key.column_line is not None:
        below = [f"row {_pins(key.row_line.pins)}", f"col {_pins(key.column_line.pins)}"]
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


def _pins(pins: Sequence[Pin]) -> str:
    """Names of pins; a bare number is said to be one, or it reads as that of a row."""
    names = dict.fromkeys(p.function or f"pin {p.pin}" for p in pins)
    return " = ".join(names) or "no pin"


def _set(
    text: str, key: KeyWire, up: float, height: float, *, mirrored: bool, bold: bool = False
) -> Letters:
    """A line of text centred on a key, turned with it, made smaller when it would not fit."""
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

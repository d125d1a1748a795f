"""Sheets about one board: halves as used, one layer, nets, islands, measures, a panel."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
import shapely

from fabkit.base.columns import Floats, Ints, Shapes
from fabkit.base.units import counted, format_mm, format_number
from fabkit.board.connectivity import Pieces
from fabkit.board.model import Board, Layer
from fabkit.keyboard.build import find_keyboard
from fabkit.package.model import RoleKind, Side, face_word
from fabkit.pictures import looks
from fabkit.pictures.finished import (
    SIDES,
    board_stencils,
    finished_face,
    frame_around,
    layer_stencil,
    one_face_note,
    outline,
    views_as_used,
)
from fabkit.pictures.looks import USUAL_LOOK, PreviewOptions, Surroundings
from fabkit.pictures.scene import (
    Coat,
    Fill,
    Pen,
    Placed,
    Scene,
    SceneDraft,
    Sheet,
    Stencil,
    letters,
    text_width,
)
from fabkit.sheets.order import BoardUse

GAP_MM: Final = 4.0


def text_size(board: Board) -> float:
    """Height of capitals that reads on a picture of the whole board, mm."""
    return letter_size(max(board.size_mm))


def letter_size(longest_mm: float) -> float:
    """Height of capitals that reads on a picture of that length, mm."""
    return float(np.clip(longest_mm / 55, 0.8, 2.6))


MOST_IN_PAIRS: Final = 6
"""More views than these would make a sheet in pairs a strip (our choice)."""

SCALES: Final = (1, 2, 3, 4, 5, 8, 10, 15, 20)
ROOM_MM: Final = 70.0
"""A board shorter than this is enlarged where numbers or symbols must find room on it."""


def enlargement(board: Board) -> int:
    """How many times its size a small board is drawn on a sheet with marks."""
    longest = max(board.size_mm)
    return next((n for n in SCALES if n * longest >= ROOM_MM), SCALES[-1])


def scales_up_to(board: Board, longest_mm: float) -> tuple[int, ...]:
    """Scales for a board on which much must find room, the usual one first."""
    usual, longest = enlargement(board), max(board.size_mm)
    return (usual, *(n for n in SCALES if n > usual and n * longest <= longest_mm))


def scale_note(scale: int) -> str:
    """Words behind the name of an enlarged board; none at full size."""
    return f", drawn {scale} : 1" if scale > 1 else ""


def face_name(side: Side, options: PreviewOptions) -> str:
    """Which face is seen, and that the back is seen through the front when it is."""
    seen = ", seen through the front" if side == "bottom" and options.through else ""
    return face_word(side) + seen


def on_sheet(options: PreviewOptions) -> PreviewOptions:
    """Options of a face that stands on a sheet's own ground, which is light."""
    return replace(options, surroundings=Surroundings.TRANSPARENT)


def side_by_side(
    title: str, scenes: Sequence[Scene], names: Sequence[str], size: float, *, across: int = 0
) -> Sheet:
    """Scenes in a row on light ground, each named below with room for its name.

    ``across`` is how many stand in a row before another is begun below it; 0 puts up one row.
    """
    foot = 3.2 * size
    across = across or max(len(scenes), 1)
    needed = [
        max(s.size_mm[0], text_width(n, size) + size) for s, n in zip(scenes, names, strict=True)
    ]
    widths = [max(needed[column::across]) for column in range(min(across, len(scenes)))]
    heights = [
        max(s.size_mm[1] for s in scenes[first : first + across]) + foot
        for first in range(0, len(scenes), across)
    ]
    width = sum(widths) + GAP_MM * (len(widths) - 1)
    height = sum(heights) + GAP_MM * (len(heights) - 1)
    ground = SceneDraft("ground and names", (0.0, 0.0, width, height))
    ground.ground(looks.SURROUNDINGS_LIGHT)
    placed, words = [], []
    for k, (scene, name) in enumerate(zip(scenes, names, strict=True)):
        row, column = divmod(k, across)
        x = sum(widths[:column]) + GAP_MM * column
        low = height - sum(heights[: row + 1]) - GAP_MM * row
        wide, high = scene.size_mm
        left = x + (widths[column] - wide) / 2
        placed.append(Placed(scene, left, low + foot + (heights[row] - foot - high) / 2))
        middle = x + widths[column] / 2
        words.append(letters(name, middle, low + 1.2 * size, size, align="middle"))
    ground.coat("names", looks.INK, *words)
    return Sheet(title, width, height, (Placed(ground.scene(), 0.0, 0.0), *placed))


def halves_sheet(
    board: Board, options: PreviewOptions = USUAL_LOOK, use: BoardUse | None = None
) -> Sheet:
    """Every half a board gives as used, each face named.

    No half is used as seen through its front: ``through`` does not apply.

    Parameters
    ----------
    use
        What one board is by the user's word; None leaves it to the files.
    """
    options = replace(on_sheet(options), through=False)
    keyboard = find_keyboard(board, use)
    views = views_as_used(board, keyboard)
    scenes = [finished_face(part, side, options) for _, side, part in views]
    names = [f"{name}, {face_word(side)} up" for name, side, _ in views]
    note = one_face_note(keyboard)
    if not keyboard.hands.groups:
        note = "No keys were found"
    if note:
        names[-1] += f". {note}"
    return side_by_side(f"{board.name}: as used", scenes, names, text_size(board))


def layer_sheet(board: Board, layer: Layer, options: PreviewOptions = USUAL_LOOK) -> Sheet:
    """One layer alone, dark on light, with the profile; bottom layers seen from the bottom."""
    draft = SceneDraft(
        f"{board.name}: {layer.name}",
        frame_around(board, options.margin_mm),
        mirrored=layer.side == "bottom" and not options.through,
        stencils={"layer": layer_stencil((layer,))},
    )
    draft.ground(looks.SURROUNDINGS_LIGHT)
    draft.coat(layer.name, looks.INK, inside=("layer",))
    draft.coat("profile", looks.BLUE, Pen.along(outline(board), 0.1))
    seen = "seen from the back" if draft.mirrored else "seen from the front"
    what = ": its openings" if layer.kind is RoleKind.MASK else ""
    name = f"{layer.name.capitalize()}{what}, {seen}"
    x0, y0, x1, y1 = layer.file.bounds
    if np.isnan(x0):
        name += "; it is empty"
    elif min(x0 - draft.frame[0], y0 - draft.frame[1]) < 0 or (
        max(x1 - draft.frame[2], y1 - draft.frame[3]) > 0
    ):
        name += "; it goes on outside this picture"
    return side_by_side(draft.title, [draft.scene()], [name], text_size(board))


@dataclass(frozen=True)
class _View:
    """A look at copper: what it is called, which copper layers it shows, and how it is turned."""

    name: str
    layers: tuple[int, ...]
    mirrored: bool

    @property
    def title(self) -> str:
        """Its name as the beginning of a caption."""
        return self.name[:1].upper() + self.name[1:]


def _views(board: Board, options: PreviewOptions) -> list[_View]:
    """Both faces, then the inner layers, seen from the front."""
    views = [
        _View(
            face_name(side, options),
            tuple(k for k, a in enumerate(board.copper) if a.side == side),
            side == "bottom" and not options.through,
        )
        for side in SIDES
    ]
    inner = [(k, a) for k, a in enumerate(board.copper) if a.side is None]
    return views + [_View(f"{a.name}, seen from the front", (k,), False) for k, a in inner]


def _ghost(board: Board, view: _View, options: PreviewOptions) -> tuple[SceneDraft, list[Coat]]:
    """Draw a pale board whose copper stays in the background."""
    copper = tuple(board.copper[k] for k in view.layers)
    draft = SceneDraft(
        f"{board.name}: {view.name}",
        frame_around(board, options.margin_mm),
        mirrored=view.mirrored,
        stencils=board_stencils(board) | {"copper": layer_stencil(copper)},
    )
    coats = [Coat(title="board", rgb=looks.PAPER)]
    if copper:
        coats.append(Coat(title="other copper", rgb=looks.GHOST_COPPER, inside=("copper",)))
    return draft, coats


RIMMED_MM: Final = 0.8
"""Smaller holes get no rim: those are vias, and rims would hide their rings."""


def _finish(draft: SceneDraft, coats: list[Coat], board: Board) -> None:
    """Trim and drill the board, and add rims: white board on light ground hides its edges."""
    draft.board(*coats)
    draft.coat("profile", looks.FAINT_INK, Pen.along(outline(board), 0.1))
    h = board.holes.take(np.flatnonzero(board.holes.diameter >= RIMMED_MM))
    slots = board.hole_shapes[len(board.holes) :]
    rims = [Pen.circles(h.x, h.y, h.diameter, 0.06), Pen.along(slots, 0.06)]
    draft.coat("rims of holes", looks.FAINT_INK, Pen.concat(*rims))


def _island_scene(
    board: Board,
    view: _View,
    pieces: Pieces,
    tones: dict[int, looks.Rgb],
    options: PreviewOptions,
    at_mm: tuple[float, float] | None = None,
) -> Scene:
    draft, coats = _ghost(board, view, options)
    for rgb in dict.fromkeys(tones.values()):
        lit = np.array([i for i, tone in tones.items() if tone == rgb])
        mine = np.isin(pieces.island, lit) & np.isin(pieces.layer, view.layers)
        if mine.any():
            name = f"p{len(draft.stencils)}"
            draft.stencils[name] = Stencil((Fill(pieces.polygons[mine]),))
            coats.append(Coat(title="lit copper", rgb=rgb, inside=(name,)))
    _finish(draft, coats, board)
    if at_mm is not None:
        size = text_size(board)
        x, y, around = (np.array([v]) for v in (*at_mm, 2.4 * size))
        draft.coat("rim of the point", looks.PAPER, Pen.circles(x, y, around, 0.5 * size))
        draft.coat("the point", looks.VERMILION, Pen.circles(x, y, around, 0.26 * size))
    return draft.scene()


def lit_sheet(
    board: Board,
    pieces: Pieces,
    islands: Collection[int],
    name: str,
    options: PreviewOptions = USUAL_LOOK,
    *,
    at_mm: tuple[float, float] | None = None,
) -> Sheet:
    """Light up some islands (one net, say) on both faces, with all other copper pale.

    Inner layers that hold copper of them are shown below, for there the faces' parts may be
    joined.  ``at_mm`` is a place to put a ring around.
    """
    tones = dict.fromkeys(sorted(islands), looks.BLUE)
    lit_layers = set(pieces.layer[np.isin(pieces.island, list(tones))].tolist())
    shown = name[:1].upper() + name[1:]
    scenes, names = [], []
    for k, view in enumerate(_views(board, options)):
        lit = not lit_layers.isdisjoint(view.layers)
        if lit or k < len(SIDES):
            scenes.append(_island_scene(board, view, pieces, tones, options, at_mm))
            where = f"{shown}, {view.name}" if k == 0 else view.title
            names.append(where if lit else f"{where}: none here")
    title = f"{board.name}: {name}"
    return side_by_side(title, scenes, names, text_size(board), across=_in_a_row(len(scenes)))


def _in_a_row(views: int) -> int:
    """Faces and inner layers in one row: both faces, or two pairs where there are many layers."""
    return len(SIDES) if views <= MOST_IN_PAIRS else 2 * len(SIDES)


def islands_sheet(board: Board, pieces: Pieces, options: PreviewOptions = USUAL_LOOK) -> Sheet:
    """Every island in a tone that differs from its neighbours' wherever seven tones suffice."""
    tones = island_tones(pieces)
    views = _views(board, options)
    scenes = [_island_scene(board, view, pieces, tones, options) for view in views]
    names = [view.title for view in views]
    names[0] += f"; {counted(pieces.islands, 'island')} of copper in all"
    title = f"{board.name}: islands of copper"
    return side_by_side(title, scenes, names, text_size(board), across=_in_a_row(len(scenes)))


NEIGHBOUR_MM: Final = 1.0


def island_tones(pieces: Pieces) -> dict[int, looks.Rgb]:
    """Choose a tone for each island, the largest first, unlike those of its neighbours."""
    if not len(pieces):
        return {}
    area = np.bincount(pieces.island, weights=shapely.area(pieces.polygons))
    pairs = _neighbours(pieces)
    starts = np.searchsorted(pairs[:, 0], np.arange(len(area) + 1))
    chosen = np.full(len(area), -1)
    used = np.zeros(len(looks.OVERLAYS), dtype=np.int64)
    for island in np.argsort(-area, kind="stable"):
        near = chosen[pairs[starts[island] : starts[island + 1], 1]]
        clashes = np.bincount(near[near >= 0], minlength=len(used))
        # Fewest clashes first, then the tone used least, then the published order.
        tone = np.lexsort((np.arange(len(used)), used, clashes))[0]
        chosen[island] = tone
        used[tone] += 1
    return {k: looks.OVERLAYS[tone] for k, tone in enumerate(chosen.tolist())}


def _neighbours(pieces: Pieces) -> Ints:
    """Pairs of islands that come near each other on a layer, both ways round, sorted; (n, 2)."""
    shapes = pieces.polygons
    x0, y0, x1, y1 = shapely.bounds(shapes).T
    reach = shapely.box(x0 - NEIGHBOUR_MM, y0 - NEIGHBOUR_MM, x1 + NEIGHBOUR_MM, y1 + NEIGHBOUR_MM)
    a, b = shapely.STRtree(shapes).query(reach)
    # A pour has a hundred thousand corners: it is prepared once and asked for its neighbours.
    corners = shapely.get_num_coordinates(shapes)
    larger = (corners[a] > corners[b]) | ((corners[a] == corners[b]) & (a < b))
    apart = pieces.island[a] != pieces.island[b]
    keep = larger & apart & (pieces.layer[a] == pieces.layer[b])
    a, b = a[keep], b[keep]
    shapely.prepare(shapes)
    near = shapely.dwithin(shapes[a], shapes[b], NEIGHBOUR_MM)
    found = np.column_stack((pieces.island[a[near]], pieces.island[b[near]])).astype(np.int64)
    return np.unique(np.concatenate((found, found[:, ::-1])), axis=0)


def measures_sheet(board: Board, options: PreviewOptions = USUAL_LOOK) -> Sheet:
    """Both faces with width, height and a grid."""
    faces = [measured_face(board, side, options) for side in SIDES]
    corner = ", ".join(format_number(v) for v in board.bounds[:2])
    front = f"Front; grid of 10 mm from the corner at {corner} mm"
    names = [front, face_name("bottom", options).capitalize()]
    return side_by_side(f"{board.name}: measures", faces, names, text_size(board))


def measured_face(
    board: Board, side: Side, options: PreviewOptions = USUAL_LOOK, *, digits: int = 3
) -> Scene:
    """Finished face with a grid of 10 mm from the board's corner, and its width and height."""
    face = finished_face(board, side, on_sheet(options))
    size = text_size(board)
    x0, y0, x1, y1 = board.bounds
    away = 5.2 * size
    beyond = 1.2 * size
    left, right = (beyond, away) if face.mirrored else (away, beyond)
    frame = (x0 - left, y0 - away, x1 + right, y1 + beyond)
    draft = SceneDraft(face.title, frame, mirrored=face.mirrored, stencils=face.stencils)
    draft.ground(looks.SURROUNDINGS_LIGHT)
    draft.nodes += face.nodes
    across, up = np.arange(x0, x1 + 1e-6, 10.0), np.arange(y0, y1 + 1e-6, 10.0)
    grid = Pen.lines(
        np.concatenate((across, np.full(len(up), x0))),
        np.concatenate((np.full(len(across), y0), up)),
        np.concatenate((across, np.full(len(up), x1))),
        np.concatenate((np.full(len(across), y1), up)),
        0.08 * size,
    )
    draft.coat("grid of 10 mm", looks.SKY_BLUE, grid, opacity=0.75)
    below, beside = y0 - 2.6 * size, (x1 + 2.6 * size if draft.mirrored else x0 - 2.6 * size)
    tick = 0.8 * size
    line = 0.1 * size
    draft.coat(
        "dimension lines",
        looks.INK,
        Pen.lines(
            np.array([x0, x0, x1, beside, beside - tick, beside - tick]),
            np.array([below, below - tick, below - tick, y0, y0, y1]),
            np.array([x1, x0, x1, beside, beside + tick, beside + tick]),
            np.array([below, below + tick, below + tick, y1, y0, y1]),
            line,
        ),
    )
    width, height = (format_mm(v, digits=digits) for v in board.size_mm)
    mirrored = draft.mirrored
    side_x = beside + (0.7 * size if mirrored else -0.7 * size)
    draft.coat(
        "dimensions",
        looks.INK,
        letters(width, (x0 + x1) / 2, below - 1.7 * size, size, align="middle", mirrored=mirrored),
        letters(
            height, side_x, (y0 + y1) / 2, size, align="middle", mirrored=mirrored, turned_deg=90
        ),
    )
    return draft.scene()


_DASH: Final = 1.2
"""Dashes and the room between them, in heights of capitals."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class PanelLook:
    """What of a panel is drawn over its board, mm.

    Parameters
    ----------
    names, boards
        Of each board, and its material.
    waste, tabs
        Polygons: what is thrown away, and what is broken.
    score
        (n, 4) float64: ends of the score lines, upright or level.
    """

    names: Sequence[str]
    boards: Shapes
    waste: Shapes
    tabs: Shapes
    score: Floats = field(default_factory=lambda: np.empty((0, 4)))


def panel_sheet(board: Board, look: PanelLook) -> Scene:
    """Draw the front of a panel with its size, a grid of 10 mm, and where it is parted."""
    face = measured_face(board, "top", digits=2)
    size = text_size(board)
    x0, y0, x1, y1 = face.frame
    beyond = 2.2 * size if len(look.score) else 0.0
    frame = (x0, y0, x1 + beyond, y1 + beyond)
    draft = SceneDraft.over(face, frame)
    draft.title = f"{board.name}: panel"
    draft.coat("waste", looks.SURROUNDINGS_LIGHT, Fill(look.waste), opacity=0.45)
    draft.coat("break-off tabs", looks.VERMILION, Fill(look.tabs), opacity=0.6)
    if len(look.score):
        _draw_score(draft, board, look.score, size)
    for name, shape in zip(look.names, look.boards, strict=True):
        # A name stays beside its board: of a frame with a wide opening, no middle lies on it.
        low, _, high, _ = shape.bounds
        wide = text_width(name, 1.5 * size, bold=True)
        height = 1.5 * size * min(1.0, (high - low) / wide)
        room = min(wide, high - low) / 2
        middle = shapely.point_on_surface(shape)
        x = min(max(middle.x, low + room), high - room)
        text = letters(name, x, middle.y, height, align="middle", bold=True)
        draft.coat("names", looks.VERMILION, text)
    return draft.scene()


def _draw_score(draft: SceneDraft, board: Board, score: Floats, size: float) -> None:
    """Dash each score line a little beyond the panel, and write there how far along it lies."""
    left, low, right, high = board.bounds
    dashes = []
    for ax, ay, bx, by in score.tolist():
        upright = ax == bx
        over = 0.8 * size
        start, end = (ay, by) if upright else (ax, bx)
        at = np.arange(start - over, end + over, 2 * _DASH * size)
        stop = np.minimum(at + _DASH * size, end + over)
        still = np.full(len(at), ax if upright else ay)
        dashes.append(
            np.column_stack((still, at, still, stop) if upright else (at, still, stop, still))
        )
        if upright:
            text = letters(
                format_number(ax - left, digits=2), ax, high + 1.3 * size, size, align="middle"
            )
        else:
            text = letters(
                format_number(ay - low, digits=2),
                *(right + 2.3 * size, ay),
                size,
                align="middle",
                turned_deg=90,
            )
        draft.coat("distances of score lines", looks.INK, text)
    ax, ay, bx, by = np.concatenate(dashes).T
    draft.coat("score lines", looks.VERMILION, Pen.lines(ax, ay, bx, by, 0.18 * size))

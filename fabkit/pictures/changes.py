"""Both faces with what is new and what is gone, in distinct colours and patterns."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Final

import numpy as np
import shapely

from fabkit.base.columns import ranges
from fabkit.base.once import once_per
from fabkit.board.model import Board, Layer
from fabkit.compare.model import HALF_KEY_MM, Change, Comparison, LayerChange, Points, Verb, What
from fabkit.geometry.neighbours import PointTree, boxes_of_groups, label_groups
from fabkit.package.model import RoleKind, Side, face_word
from fabkit.pictures import looks
from fabkit.pictures.finished import SIDES, board_stencils, layer_stencil, outline
from fabkit.pictures.scene import Coat, Fill, Frame, Pen, Scene, SceneDraft, Sheet, Stencil
from fabkit.pictures.sheets import side_by_side, text_size
from fabkit.pictures.vectors import fill_contours

ADDED: Final = looks.BLUE
REMOVED: Final = looks.VERMILION
KEY: Final = "blue is new, hatched vermilion is gone, rings mark places"

CONNECTED: Final = "lines join pads that are connected now, or, dashed, no longer"

MOVED: Final = "black pins lead to where keys and parts stand now"

SMALL_SHARE: Final = 0.04
"""Places smaller than this share of the board's longer side get a ring, so that no one misses
them (our choice); what moved with a key or part has its pin."""


def change_sheet(comparison: Comparison) -> Sheet:
    """Front and back side by side, and each inner layer that changed."""
    scenes = list(change_scenes(comparison).values())
    # Half of the key under either face: a long caption would push the faces apart.
    notes = {"top": KEY, "bottom": "; ".join(_signs(comparison))}
    names = [f"{face_word(side).capitalize()}: {notes[side]}".removesuffix(": ") for side in SIDES]
    for layer in comparison.layers:
        if layer.kind is RoleKind.COPPER and layer.side is None and not layer.equal:
            scenes.append(_inner_scene(comparison, layer))
            names.append(layer.name.capitalize())
    title = f"{comparison.old.name} to {comparison.new.name}: changes"
    return side_by_side(title, scenes, names, text_size(comparison.new))


def picture_key(comparison: Comparison) -> str:
    """List what the colours and signs of the pictures stand for."""
    return "; ".join((KEY, *_signs(comparison)))


def _signs(comparison: Comparison) -> Iterator[str]:
    """Explain the signs that only some pictures have."""
    if any(_is_move(c) for c in comparison.changes):
        yield MOVED
    if any(c.what is What.CONNECTION for c in comparison.changes):
        yield CONNECTED


def _is_move(change: Change) -> bool:
    """Whether a line with a dot shows the change."""
    return change.what in (What.KEY, What.PART) and change.moved_mm is not None


@once_per
def change_scenes(comparison: Comparison) -> Mapping[Side, Scene]:
    """Draw front and back, once: pictures and page show the same."""
    return {side: change_scene(comparison, side) for side in SIDES}


def change_scene(comparison: Comparison, side: Side) -> Scene:
    """One face of the new board, pale, with the changes of all its layers on it."""
    board = comparison.new
    layers = [a for a in comparison.layers if a.side in (side, None) and _on_face(a)]
    changes = [c for c in comparison.changes if c.side in (side, None)]
    draft = _ghost(comparison, side, tuple(a for a in board.copper if a.side == side))
    title = f"{comparison.old.name} to {comparison.new.name}: {face_word(side)}"
    draft.title = title
    _paint(draft, layers, changes, board)
    return draft.scene()


def _on_face(layer: LayerChange) -> bool:
    return layer.side is not None or layer.kind is RoleKind.PROFILE


def _inner_scene(comparison: Comparison, layer: LayerChange) -> Scene:
    board = comparison.new
    copper = tuple(
        a for a in board.copper if a.side is None and a.index == layer.index and a.file.objects
    )
    draft = _ghost(comparison, "top", copper)
    draft.title = f"{comparison.old.name} to {comparison.new.name}: {layer.name}"
    changes = [c for c in comparison.changes if c.subject == layer.name]
    _paint(draft, [layer], changes, board)
    return draft.scene()


MARGIN_MM: Final = 2.0


def frame_of(comparison: Comparison) -> Frame:
    """Box that holds both boards with a margin, in the coordinates of the new one."""
    dx, dy = comparison.alignment.shift_mm
    a = np.array(comparison.laid.bounds) + np.array((dx, dy, dx, dy))
    b = np.array(comparison.new.bounds)
    boxes = [box for box in (a, b) if np.isfinite(box).all()] or [np.zeros(4)]
    low, high = np.min(boxes, axis=0)[:2] - MARGIN_MM, np.max(boxes, axis=0)[2:] + MARGIN_MM
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def _ghost(comparison: Comparison, side: Side, copper: tuple[Layer, ...]) -> SceneDraft:
    board = comparison.new
    draft = SceneDraft(
        "",
        frame_of(comparison),
        mirrored=side == "bottom",
        stencils=board_stencils(board) | ({"copper": layer_stencil(copper)} if copper else {}),
    )
    draft.ground(looks.SURROUNDINGS_LIGHT)
    coats = [Coat(title="board", rgb=looks.PAPER)]
    if copper:
        coats.append(Coat(title="copper", rgb=looks.GHOST_COPPER, inside=("copper",)))
    draft.board(*coats)
    draft.coat("profile", looks.FAINT_INK, Pen.along(outline(board), 0.1))
    return draft


def _paint(
    draft: SceneDraft, layers: Sequence[LayerChange], changes: Sequence[Change], board: Board
) -> None:
    size = text_size(board)
    # A face may have no layer at all.
    none = np.empty(0, dtype=object)
    gone = np.concatenate([none, *(a.removed for a in layers)])
    fresh = np.concatenate([none, *(a.added for a in layers)])
    if len(gone):
        lost = Fill(gone)
        draft.stencils["gone"] = Stencil((lost,))
        draft.coat("gone", REMOVED, opacity=0.3, inside=("gone",))
        draft.coat("gone, hatched", REMOVED, _hatch(draft.frame, size), inside=("gone",))
        draft.coat("edge of what is gone", REMOVED, Pen.around(fill_contours(lost), 0.05))
    if len(fresh):
        draft.coat("new", ADDED, Fill(fresh), opacity=0.8)
    _paint_holes(draft, changes, size)
    _paint_moves(draft, changes, size)
    _paint_connections(draft, changes, size)
    _paint_rings(draft, changes, size, board)


def _hatch(frame: Frame, size: float) -> Pen:
    """Lines from lower left to upper right over the whole frame."""
    x0, y0, x1, y1 = frame
    step = 0.6 * size
    high = y1 - y0
    start = np.arange(x0 - high, x1, step)
    full = np.full(len(start), 1.0)
    return Pen.lines(start, full * y0, start + high, full * y1, 0.2 * size)


def _paint_holes(draft: SceneDraft, changes: Sequence[Change], size: float) -> None:
    """Holes and slots that are new (circle) or gone (circle with a cross), or of another size."""
    line = 0.14 * size
    for verbs, rgb, title in (
        ((Verb.REMOVED,), REMOVED, "holes that are gone"),
        ((Verb.ADDED, Verb.RESIZED, Verb.CHANGED), ADDED, "holes that are new"),
    ):
        mine = [c for c in changes if c.what in (What.HOLE, What.SLOT) and c.verb in verbs]
        boxes = np.array([c.box_mm for c in mine if c.box_mm is not None]).reshape(-1, 4)
        if not len(boxes):
            continue
        x, y = (boxes[:, 0] + boxes[:, 2]) / 2, (boxes[:, 1] + boxes[:, 3]) / 2
        across = np.maximum(boxes[:, 2] - boxes[:, 0], boxes[:, 3] - boxes[:, 1])
        pens = [Pen.circles(x, y, across + line, line)]
        if verbs == (Verb.REMOVED,):
            r = across / 2
            pens += [Pen.lines(x - r, y - r, x + r, y + r, line)]
            pens += [Pen.lines(x - r, y + r, x + r, y - r, line)]
        draft.coat(title, rgb, *pens)


def _paint_moves(draft: SceneDraft, changes: Sequence[Change], size: float) -> None:
    """Draw a line from the old place to the new one, with a dot at the new one."""
    mine = [c for c in changes if _is_move(c)]
    rows = [
        (c.x_mm - c.moved_mm[0], c.y_mm - c.moved_mm[1], c.x_mm, c.y_mm)
        for c in mine
        if c.moved_mm is not None and c.x_mm is not None and c.y_mm is not None
    ]
    if rows:
        at = np.array(rows)
        draft.coat(
            "keys and parts that moved",
            looks.INK,
            Pen.between(at[:, :2], at[:, 2:], 0.2 * size),
            Pen.discs(at[:, 2], at[:, 3], 0.6 * size),
        )


def _paint_connections(draft: SceneDraft, changes: Sequence[Change], size: float) -> None:
    """Draw a line between the nearest pads of each connection, dashed where it is gone."""
    mine = [c for c in changes if c.what is What.CONNECTION and c.ends_mm is not None]
    for verb, rgb, title in (
        (Verb.REMOVED, REMOVED, "connections that are gone"),
        (Verb.ADDED, ADDED, "connections that are new"),
    ):
        at = np.array([c.ends_mm for c in mine if c.verb is verb]).reshape(-1, 2, 2)
        if not len(at):
            continue
        start, end = at[:, 0], at[:, 1]
        if verb is Verb.REMOVED:
            start, end = _dashes(start, end, size)
        x, y = at.reshape(-1, 2).T
        # A light rim sets them off from copper of the same colour.
        for name, colour, rim in ((f"rim of {title}", looks.PAPER, 0.3), (title, rgb, 0.0)):
            line = Pen.between(start, end, (0.2 + rim) * size)
            draft.coat(name, colour, line, Pen.discs(x, y, (0.7 + rim) * size))


def _dashes(start: Points, end: Points, size: float) -> tuple[Points, Points]:
    """Lines cut into dashes, each starting and ending with one."""
    count = np.maximum(np.round(np.hypot(*(end - start).T) / size), 1).astype(int)
    line, k = np.repeat(np.arange(len(count)), count), ranges(np.zeros_like(count), count)
    parts = (2 * count - 1)[line]
    step = (end - start)[line]
    first = start[line] + step * (2 * k / parts)[:, None]
    return first, first + step / parts[:, None]


def _paint_rings(draft: SceneDraft, changes: Sequence[Change], size: float, board: Board) -> None:
    """Rings around places too small to be seen at a glance; near ones share a ring."""
    small = SMALL_SHARE * max(board.size_mm)
    boxes = [
        c.box_mm
        for c in changes
        if (c.is_area or c.what is What.CONNECTION)
        and c.box_mm is not None
        and max(c.size_mm or (0.0, 0.0)) < small
    ]
    pins = np.array([(c.x_mm, c.y_mm) for c in changes if _is_move(c)], dtype=float)
    table = np.array(boxes).reshape(-1, 4)
    centre = (table[:, :2] + table[:, 2:]) / 2
    apart, _ = PointTree(pins.reshape(-1, 2)).query(centre, p=np.inf, within=HALF_KEY_MM)
    table = table[~np.isfinite(apart)]
    if not len(table):
        return
    shapes = shapely.box(*table.T)
    left, right = shapely.STRtree(shapes).query(shapes, predicate="dwithin", distance=size)
    group = label_groups(len(table), left, right)
    count = int(group.max()) + 1
    low, high = np.hsplit(boxes_of_groups(table, group, count), 2)
    across = np.hypot(*(high - low).T)
    kept = across < small
    middle = ((low + high) / 2)[kept]
    ring = Pen.circles(middle[:, 0], middle[:, 1], across[kept] + 1.4 * size, 0.1 * size)
    draft.coat("places", looks.INK, ring)

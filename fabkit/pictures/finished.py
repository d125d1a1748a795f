"""The finished board: each face as scene, pixels or vectors, and which one is up when used."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.base.columns import Bools
from fabkit.base.errors import UnreadableInput
from fabkit.base.units import USUAL_THICKNESS_MM, counted
from fabkit.board.model import Board, Layer
from fabkit.keyboard.build import half_boards
from fabkit.keyboard.model import Keyboard
from fabkit.package.model import RoleKind, Side, face_word
from fabkit.pictures import looks
from fabkit.pictures.looks import USUAL_LOOK, PreviewOptions
from fabkit.pictures.paint_png import paint, png_bytes
from fabkit.pictures.scene import Coat, Fill, Film, Frame, Group, Node, Pen, Scene, Stencil

SIDES: Final[tuple[Side, Side]] = ("top", "bottom")

EDGE_BAND_MM = 0.12
"""Width of the light band that a routed edge shows from above."""

BARREL_RING_MM = 0.05
"""Width of the darker rim around a plated hole: twice a usual barrel's copper."""

WALL_SHARE = 0.15
"""Share of the thickness that is seen of the near edge: a glance nine degrees off upright."""


def films(board: Board, kind: RoleKind, side: Side | None) -> tuple[Layer, ...]:
    """Layers of a kind on a side."""
    return tuple(a for a in board.layers if a.kind is kind and a.side == side)


def layer_stencil(layers: tuple[Layer, ...]) -> Stencil:
    """Image of layers; a single negative layer is inverted."""
    inverted = len(layers) == 1 and layers[0].negative
    return Stencil(tuple(Film(a.file) for a in layers), inverted=inverted)


def outline(board: Board) -> shapely.Geometry:
    """Profile, or the box of everything when there is none."""
    if board.profile is not None and not board.profile.is_empty:
        return board.profile
    return shapely.box(*board.bounds)


def hole_pen(board: Board, *, grown_mm: float = 0.0, plated_only: bool = False) -> Pen:
    """Holes and slots as strokes of their tools."""
    h, s = board.holes, board.slots
    if plated_only:
        # Unknown counts as plated here: the rim is only drawn where there is bare metal anyway.
        h, s = h.take(h.plated != 0), s.take(s.plated != 0)
    wider = 2 * grown_mm
    holes = Pen.discs(h.x, h.y, h.diameter + wider)
    return Pen.concat(holes, Pen.by(s, s.diameter + wider))


def frame_around(board: Board, margin_mm: float) -> Frame:
    """Box of the board with a margin, mm.

    Raises
    ------
    UnreadableInput
        When the board is empty.
    """
    x0, y0, x1, y1 = board.bounds
    if not np.isfinite(board.bounds).all():
        raise UnreadableInput(
            f"{board.name} has nothing to draw: no profile, no copper, no holes",
            hint="check that the package holds the layers of one board",
        )
    return x0 - margin_mm, y0 - margin_mm, x1 + margin_mm, y1 + margin_mm


def board_stencils(board: Board) -> dict[str, Stencil]:
    """Make the stencils every picture of a board is cut with: ``profile`` and ``holes``."""
    return {
        "profile": Stencil((Fill(np.array([outline(board)], dtype=object)),)),
        "holes": Stencil((hole_pen(board),)),
    }


def _wall(board: Board, drop_mm: float) -> Stencil:
    """Outer edges moved down: what a glance from below sees of the board's thickness."""
    solid = [shapely.Polygon(p.exterior) for p in shapely.get_parts(outline(board))]
    moved = shapely.transform(np.array(solid, dtype=object), lambda p: p - (0.0, drop_mm))
    return Stencil((Fill(moved),))


def finished_face(board: Board, side: Side, options: PreviewOptions) -> Scene:
    """Scene of one face of the finished board.

    Parameters
    ----------
    side
        ``"top"`` is the front.  The bottom is seen after turning the board about a vertical
        axis, unless ``options.through``.

    Notes
    -----
    Legend is drawn only where there is mask: board houses clip it from openings (common
    practice), since ink on a pad spoils soldering.  Without a mask layer nothing is masked.
    """
    tones = looks.MASKS[options.mask]
    copper = films(board, RoleKind.COPPER, side)
    masks = films(board, RoleKind.MASK, side)
    legends = films(board, RoleKind.LEGEND, side)
    stencils = board_stencils(board)
    stencils["copper"] = layer_stencil(copper)
    stencils["openings"] = layer_stencil(masks)
    stencils["legend"] = layer_stencil(legends)
    stencils["edge"] = Stencil((Pen.along(outline(board), 2 * EDGE_BAND_MM),))
    stencils["barrels"] = Stencil((hole_pen(board, grown_mm=BARREL_RING_MM, plated_only=True),))

    layers: list[Node] = [Coat(title="laminate", rgb=looks.LAMINATE)]
    if copper:
        layers.append(
            Coat(title="bare metal", rgb=looks.FINISHES[options.finish], inside=("copper",))
        )
        metal = ("barrels", "copper", "openings") if masks else ("barrels", "copper")
        layers.append(
            Coat(title="rims of plated holes", rgb=looks.BARRELS[options.finish], inside=metal)
        )
    ink = Coat(
        title="legend", rgb=looks.legend_rgb(options.mask, options.legend), inside=("legend",)
    )
    if masks:
        coats: list[Node] = [Coat(title="solder mask", rgb=tones.on_laminate)]
        if copper:
            coats.append(Coat(title="copper under mask", rgb=tones.on_copper, inside=("copper",)))
        if legends:
            coats.append(ink)
        layers.append(Group(title="mask and legend", children=tuple(coats), outside=("openings",)))
    elif legends:
        layers.append(ink)
    layers.append(Coat(title="routed edge", rgb=looks.LAMINATE, opacity=0.55, inside=("edge",)))

    nodes: list[Node] = []
    surroundings = looks.SURROUNDINGS[options.surroundings]
    if surroundings is not None:
        nodes.append(Coat(title="surroundings", rgb=surroundings))
    thickness = options.thickness_mm or board.thickness_mm or USUAL_THICKNESS_MM
    drop = min(thickness * WALL_SHARE, options.margin_mm)
    if drop > 0:
        stencils["wall"] = _wall(board, drop)
        stencils["solid"] = _wall(board, 0.0)
        nodes.append(
            Coat(title="thickness", rgb=looks.CUT_EDGE, inside=("wall",), outside=("solid",))
        )
    nodes.append(
        Group(title="board", children=tuple(layers), inside=("profile",), outside=("holes",))
    )
    seen = " seen through the front" if side == "bottom" and options.through else ""
    return Scene(
        title=f"{board.name}: {face_word(side)} of the finished board{seen}",
        frame=frame_around(board, options.margin_mm),
        mirrored=side == "bottom" and not options.through,
        stencils=stencils,
        nodes=tuple(nodes),
    )


@dataclass(frozen=True, eq=False)
class Faces:
    """Both faces of a board.

    Parameters
    ----------
    front, back : (rows, columns, 4) uint8
        Red, green, blue, alpha.
    px_per_mm
        Their scale.
    """

    front: NDArray[np.uint8]
    back: NDArray[np.uint8]
    px_per_mm: float


def both_faces(board: Board, options: PreviewOptions = USUAL_LOOK) -> list[Scene]:
    """Front and back of the finished board."""
    return [finished_face(board, side, options) for side in SIDES]


def render_faces(board: Board, options: PreviewOptions = USUAL_LOOK) -> Faces:
    """Paint front and back of the finished board.

    Raises
    ------
    UsageError
        When a picture would be too large.
    """
    front, back = both_faces(board, options)
    scale = options.scale_for(front.size_mm)
    return Faces(front=paint(front, scale), back=paint(back, scale), px_per_mm=scale)


NOTEBOOK_PX = 900
"""Width of a board in a notebook."""


def notebook_png(board: Board) -> bytes:
    """Front and back side by side, as PNG."""
    faces = render_faces(board, PreviewOptions(width_px=NOTEBOOK_PX // 2))
    return png_bytes(np.concatenate([faces.front, faces.back], axis=1), faces.px_per_mm)


def views_as_used(board: Board, keyboard: Keyboard) -> tuple[tuple[str, Side, Board], ...]:
    """Name, face and board of every way a board is used, left before right.

    A reversible board is used in two ways; both halves on one board are shown apart where their
    outlines are; any other board is shown with its key side up, one without keys from both faces.
    """
    hands = keyboard.hands
    if not hands.groups:
        return (("Board", "top", board), ("Board", "bottom", board))
    named = [f"{g.hand.capitalize()} half" for g in hands.groups]
    if hands.use == "reversible":
        return tuple((n, g.face_up, board) for n, g in zip(named, hands.groups, strict=True))
    up = hands.groups[0].face_up
    if hands.use == "both" and len(hands.groups) == 2:
        spots = [
            [(keyboard.keys[k].x_mm, keyboard.keys[k].y_mm) for k in g.keys] for g in hands.groups
        ]
        parts = half_boards(board, spots, 0.0)
        if all(p.frame is None for p in parts):
            return tuple(
                (name, group.face_up, part.board)
                for name, group, part in zip(named, hands.groups, parts, strict=True)
            )
        crossed = (np.mean([x for x, _ in spots[0]]) > np.mean([x for x, _ in spots[1]])) is not (
            up == "bottom"
        )
        where = "the right one" if crossed else "the left one"
        return ((f"Both halves, {where} on the left", up, board),)
    words = {"both": "Both halves", "whole": "Whole keyboard", "plate": "Plate"}
    return ((words.get(hands.use, named[0]), up, board),)


def one_face_note(keyboard: Keyboard) -> str:
    """Words for a half whose switches fit one face only; none for any other board."""
    if keyboard.hands.use not in ("left", "right"):
        return ""
    return "Its switches fit one face only: turned over, this board is no other half"


def stray_holes(board: Board) -> Bools:
    """Which of ``board.hole_shapes`` cut nothing of the board: off it, or in a cut-out."""
    if not len(board.hole_shapes):
        return np.zeros(0, dtype=bool)
    whole = outline(board)
    shapely.prepare(whole)
    touched: Bools = shapely.intersects(whole, board.hole_shapes)
    return ~touched


def stray_note(board: Board) -> str:
    """Words about holes that lie off the board; none when all lie on it."""
    strays = stray_holes(board)
    lost, total = int(strays.sum()), len(strays)
    if not lost:
        return ""
    noun = "hole or slot" if len(board.slots) else "hole"
    if total == 1:
        return f"The only {noun} lies off the board"
    if lost == total:
        return f"All {total} {noun.replace(' or ', 's and ')}s lie off the board"
    verb = "lies" if lost == 1 else "lie"
    return f"{counted(lost, 'hole')} of {total} {verb} off the board"

"""The finished board as a scene: laminate, copper, mask, metal, legend, holes."""

from __future__ import annotations

from typing import Any

import numpy as np

from fabkit.base.errors import UnreadableInput
from fabkit.board.model import Board, Layer
from fabkit.package.model import RoleKind, Side
from fabkit.pictures import palette
from fabkit.pictures.options import PreviewOptions
from fabkit.pictures.scene import Coat, Fill, Film, Group, Node, Pen, Scene, Stencil

USUAL_THICKNESS_MM = 1.6
"""Board thickness when neither the package nor the user says (common practice)."""

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


def outline(board: Board) -> Any:
    """Profile, or the box of everything when there is none."""
    import shapely

    if board.profile is not None and not board.profile.is_empty:
        return board.profile
    return shapely.box(*board.bounds)


def hole_pen(board: Board, *, grown_mm: float = 0.0, plated_only: bool = False) -> Pen:
    """Holes and slots as strokes of their tools."""
    h, s = board.holes, board.slots
    if plated_only:
        # Unknown counts as plated here: the rim is only drawn where there is bare metal anyway.
        h, s = h.take(h.plated != 0), s.take(s.plated != 0)
    nothing = np.full(len(h), np.nan)
    join = np.concatenate
    return Pen(
        x0=join((h.x, s.x0)),
        y0=join((h.y, s.y0)),
        x1=join((h.x, s.x1)),
        y1=join((h.y, s.y1)),
        cx=join((nothing, s.cx)),
        cy=join((nothing, s.cy)),
        turn=join((np.zeros(len(h), np.int8), s.turn)),
        width=join((h.diameter, s.diameter)) + 2 * grown_mm,
    )


def frame_around(board: Board, margin_mm: float) -> tuple[float, float, float, float]:
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
    """The stencils every picture of a board is cut with: ``profile`` and ``holes``."""
    return {
        "profile": Stencil((Fill(np.array([outline(board)], dtype=object)),)),
        "holes": Stencil((hole_pen(board),)),
    }


def _wall(board: Board, drop_mm: float) -> Stencil:
    """Outer edges moved down: what a glance from below sees of the board's thickness."""
    import shapely

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
    import shapely

    tones = palette.MASKS[options.mask]
    copper = films(board, RoleKind.COPPER, side)
    masks = films(board, RoleKind.MASK, side)
    legends = films(board, RoleKind.LEGEND, side)
    stencils = board_stencils(board)
    stencils["copper"] = layer_stencil(copper)
    stencils["openings"] = layer_stencil(masks)
    stencils["legend"] = layer_stencil(legends)
    rings = shapely.get_rings(shapely.get_parts(outline(board)))
    stencils["edge"] = Stencil((Pen.along(rings, 2 * EDGE_BAND_MM),))
    stencils["barrels"] = Stencil((hole_pen(board, grown_mm=BARREL_RING_MM, plated_only=True),))

    layers: list[Node] = [Coat(title="laminate", rgb=palette.LAMINATE)]
    if copper:
        layers.append(
            Coat(title="bare metal", rgb=palette.FINISHES[options.finish], inside=("copper",))
        )
        metal = ("barrels", "copper", "openings") if masks else ("barrels", "copper")
        layers.append(
            Coat(title="rims of plated holes", rgb=palette.BARRELS[options.finish], inside=metal)
        )
    ink = Coat(
        title="legend", rgb=palette.legend_rgb(options.mask, options.legend), inside=("legend",)
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
    layers.append(Coat(title="routed edge", rgb=palette.LAMINATE, opacity=0.55, inside=("edge",)))

    nodes: list[Node] = []
    surroundings = palette.SURROUNDINGS[options.surroundings]
    if surroundings is not None:
        nodes.append(Coat(title="surroundings", rgb=surroundings))
    thickness = options.thickness_mm or board.thickness_mm or USUAL_THICKNESS_MM
    drop = min(thickness * WALL_SHARE, options.margin_mm)
    if drop > 0:
        stencils["wall"] = _wall(board, drop)
        stencils["solid"] = _wall(board, 0.0)
        nodes.append(
            Coat(title="thickness", rgb=palette.CUT_EDGE, inside=("wall",), outside=("solid",))
        )
    nodes.append(
        Group(title="board", children=tuple(layers), inside=("profile",), outside=("holes",))
    )
    face = "front" if side == "top" else "back"
    seen = " seen through the front" if side == "bottom" and options.through else ""
    return Scene(
        title=f"{board.name}: {face} of the finished board{seen}",
        frame=frame_around(board, options.margin_mm),
        mirrored=side == "bottom" and not options.through,
        stencils=stencils,
        nodes=tuple(nodes),
    )

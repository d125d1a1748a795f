"""A panel seen from its front: boards, tabs, waste and score lines, with their measures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import shapely

from fabkit.base.columns import Floats, Shapes
from fabkit.base.units import format_number
from fabkit.board.model import Board
from fabkit.pictures import palette
from fabkit.pictures.lettering import letters
from fabkit.pictures.scene import Fill, Pen, Scene, SceneDraft
from fabkit.pictures.sheets import measured_face, text_size

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
    draft = SceneDraft(f"{board.name}: panel", frame, stencils=face.stencils)
    draft.nodes += face.nodes
    draft.coat("waste", palette.SURROUNDINGS_LIGHT, Fill(look.waste), opacity=0.45)
    draft.coat("break-off tabs", palette.VERMILION, Fill(look.tabs), opacity=0.6)
    if len(look.score):
        _draw_score(draft, board, look.score, size)
    for name, shape in zip(look.names, look.boards, strict=True):
        middle = shapely.point_on_surface(shape)
        text = letters(name, middle.x, middle.y, 1.5 * size, align="middle", bold=True)
        draft.coat("names", palette.VERMILION, text)
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
        draft.coat("distances of score lines", palette.INK, text)
    ax, ay, bx, by = np.concatenate(dashes).T
    draft.coat("score lines", palette.VERMILION, Pen.lines(ax, ay, bx, by, 0.18 * size))

"""A small picture of each place that a finding is about: cut out, ringed, with a scale bar."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Final

import numpy as np
import shapely

from fabkit.base.columns import Floats
from fabkit.base.units import format_mm
from fabkit.board.model import Board
from fabkit.formats.gerber.model import object_boxes
from fabkit.package.model import Side
from fabkit.pictures import palette
from fabkit.pictures.finished import finished_face
from fabkit.pictures.lettering import letters, text_width
from fabkit.pictures.options import PreviewOptions
from fabkit.pictures.scene import Fill, Film, Part, Pen, Scene, SceneDraft, Stencil

SHAPE: Final = 4 / 3
"""Width of such a picture by its height."""

NARROWEST_MM: Final = 4.0
WIDEST_MM: Final = 16.0
USUAL_MM: Final = 10.0
"""Width of what is shown: least, most, and where nothing was measured (our choice)."""

TIMES: Final = 40.0
"""Width of what is shown by the length that was measured: a gap is then seen in its surroundings,
and still two pixels wide in a picture of a hundred."""

BARS_MM: Final = (0.5, 1.0, 2.0, 5.0)
"""Lengths of scale bars; the longest that takes no more than a third of the width is drawn."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """A place on a face and how much of its surroundings is shown, mm."""

    side: Side
    x_mm: float
    y_mm: float
    width_mm: float


def shown_width(measured_mm: float | None) -> float:
    """Width of what is shown of a place where a length was measured, mm."""
    if not measured_mm:
        return USUAL_MM
    return float(np.clip(TIMES * abs(measured_mm), NARROWEST_MM, WIDEST_MM))


def spot_scenes(board: Board, spots: Sequence[Spot], options: PreviewOptions) -> list[Scene]:
    """Draw the finished board about each place.

    Of the layers only the objects that reach into a picture are drawn: a whole face has a
    hundred times as many.
    """
    faces: dict[Side, Scene] = {}
    boxes: dict[int, Floats] = {}
    made = []
    for spot in spots:
        if spot.side not in faces:
            faces[spot.side] = finished_face(board, spot.side, options)
        made.append(_about(spot, faces[spot.side], boxes))
    return made


def _about(spot: Spot, face: Scene, boxes: dict[int, Floats]) -> Scene:
    across, up = spot.width_mm / 2, spot.width_mm / SHAPE / 2
    frame = (spot.x_mm - across, spot.y_mm - up, spot.x_mm + across, spot.y_mm + up)
    near = partial(_near, frame=frame, boxes=boxes)
    draft = SceneDraft(
        face.title,
        frame,
        mirrored=face.mirrored,
        stencils={name: near(stencil) for name, stencil in face.stencils.items()},
    )
    draft.nodes += face.nodes
    x, y, around = (np.array([v]) for v in (spot.x_mm, spot.y_mm, 0.6 * up))
    draft.coat("rim of the ring", palette.PAPER, Pen.circles(x, y, around, 0.11 * up))
    draft.coat("ring", palette.VERMILION, Pen.circles(x, y, around, 0.055 * up))
    _draw_bar(draft, up)
    return draft.scene()


def _near(
    stencil: Stencil, *, frame: tuple[float, float, float, float], boxes: dict[int, Floats]
) -> Stencil:
    """Leave out the objects of films that do not reach into a frame."""
    x0, y0, x1, y1 = frame
    parts: list[Part] = []
    for part in stencil.parts:
        if isinstance(part, Film):
            if id(part.file) not in boxes:
                boxes[id(part.file)] = object_boxes(part.file)
            box = boxes[id(part.file)]
            hit = (box[:, 0] <= x1) & (box[:, 2] >= x0) & (box[:, 1] <= y1) & (box[:, 3] >= y0)
            parts.append(Film(part.file, np.flatnonzero(hit)))
        else:
            parts.append(part)
    return replace(stencil, parts=tuple(parts))


def _draw_bar(draft: SceneDraft, up: float) -> None:
    """Put a scale bar with its length into the lower left corner, as seen."""
    x0, y0, x1, _ = draft.frame
    long = max(b for b in BARS_MM if b <= (x1 - x0) / 3 or b == BARS_MM[0])
    size, edge = 0.13 * up, 0.08 * up
    words = format_mm(long)
    wide = 3 * edge + long + text_width(words, size)
    low, mirrored = y0 + edge, draft.mirrored
    left, right = (x1 - edge, x1 - edge - wide) if mirrored else (x0 + edge, x0 + edge + wide)
    sign = -1.0 if mirrored else 1.0
    patch = shapely.box(min(left, right), low, max(left, right), low + size + 2 * edge)
    draft.coat("ground of the bar", palette.PAPER, Fill(np.array([patch], dtype=object)))
    begin, middle = left + sign * edge, low + edge + size / 2
    ends = np.array([begin, begin, begin + sign * long])
    half = np.array([0.0, size / 2, size / 2])
    other = np.array([begin + sign * long, begin, begin + sign * long])
    draft.coat(
        "scale bar", palette.INK, Pen.lines(ends, middle - half, other, middle + half, 0.25 * size)
    )
    at = begin + sign * (long + edge)
    draft.coat("its length", palette.INK, letters(words, at, low + edge, size, mirrored=mirrored))

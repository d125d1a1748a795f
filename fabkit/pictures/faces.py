"""Front and back of the finished board, as pixels and as vectors."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fabkit.board.model import Board
from fabkit.package.model import Side
from fabkit.pictures.finished import finished_face
from fabkit.pictures.options import PreviewOptions
from fabkit.pictures.paint_png import paint
from fabkit.pictures.scene import Scene


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


def scale_for(scene: Scene, options: PreviewOptions) -> float:
    """Pixels per mm that the options ask for."""
    if options.width_px is None:
        return options.px_per_mm
    return options.width_px / scene.size_mm[0]


def render_faces(board: Board, options: PreviewOptions | None = None) -> Faces:
    """Paint front and back of the finished board.

    Raises
    ------
    UsageError
        When a picture would be too large.
    """
    options = options or PreviewOptions()
    front = finished_face(board, "top", options)
    back = finished_face(board, "bottom", options)
    scale = scale_for(front, options)
    return Faces(front=paint(front, scale), back=paint(back, scale), px_per_mm=scale)


def render_svg(board: Board, side: Side, options: PreviewOptions | None = None) -> str:
    """Draw one face of the finished board as SVG."""
    from fabkit.pictures.paint_svg import picture_svg

    return picture_svg(finished_face(board, side, options or PreviewOptions()))


def render_pdf(board: Board, options: PreviewOptions | None = None) -> bytes:
    """Draw both faces as a PDF of two pages, true to scale."""
    from fabkit.pictures.paint_pdf import pictures_pdf

    chosen: Any = options or PreviewOptions()
    return pictures_pdf([finished_face(board, s, chosen) for s in ("top", "bottom")])

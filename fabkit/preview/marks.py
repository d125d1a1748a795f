"""Symbols of the drill map: our own, one for each tool, told apart by form as well as colour."""

from __future__ import annotations

from typing import Final

import numpy as np

from fabkit.preview.scene import Floats, Pen

_POLYGONS: Final = {
    "square": (4, 45.0),
    "diamond": (4, 0.0),
    "triangle": (3, 90.0),
    "wedge": (3, 270.0),
    "hexagon": (6, 0.0),
}
_OUTLINES: Final = ("circle", *_POLYGONS)
_INSIDES: Final = ("empty", "dot", "bar", "post", "cross")

SYMBOLS: Final = tuple((o, i) for i in _INSIDES for o in _OUTLINES)
"""Outline and inside of each symbol, in the order they are given out."""


def symbol_pen(number: int, x: Floats, y: Floats, size_mm: float, line_mm: float) -> Pen:
    """Symbol ``number`` about each point.

    Parameters
    ----------
    number
        Wraps around after the last symbol; the table then tells tools apart by diameter.
    x, y : (n,) float64, mm
    size_mm
        Diameter of the circle around the symbol.
    """
    outline, inside = SYMBOLS[number % len(SYMBOLS)]
    r = size_mm / 2
    strokes: list[tuple[float, float, float, float]] = []
    if outline != "circle":
        corners, first = _POLYGONS[outline]
        angle = np.radians(first + 360 / corners * np.arange(corners + 1))
        px, py = r * np.cos(angle), r * np.sin(angle)
        strokes += zip(px[:-1], py[:-1], px[1:], py[1:], strict=True)
    reach = 0.45 * r
    if inside in ("bar", "cross"):
        strokes.append((-reach, 0, reach, 0))
    if inside in ("post", "cross"):
        strokes.append((0, -reach, 0, reach))
    pens = []
    if outline == "circle":
        pens.append(Pen.circles(x, y, np.full(len(x), size_mm), line_mm))
    if inside == "dot":
        pens.append(Pen.discs(x, y, 0.3 * size_mm))
    if strokes:
        pens.append(_put(np.array(strokes, dtype=np.float64), x, y, line_mm))
    return Pen.joined(pens)


def _put(strokes: Floats, x: Floats, y: Floats, line_mm: float) -> Pen:
    """Strokes about each point."""
    x0, y0, x1, y1 = ((at[:, None] + strokes[:, k]).ravel() for k, at in enumerate((x, y, x, y)))
    return Pen.lines(x0, y0, x1, y1, line_mm)

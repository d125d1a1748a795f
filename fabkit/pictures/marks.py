"""Symbols of the drill map: our own, one for each tool, told apart by form as well as colour."""

from __future__ import annotations

from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from fabkit.pictures.scene import Floats, Pen

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


APART: Final = 0.92
"""How much of the way between two centres their symbols may fill, so that they do not touch."""


def fitting_sizes(
    points: Floats, tool: NDArray[np.int64], diameters: Floats, usual: Floats, least: float
) -> tuple[Floats, int]:
    """Symbols as large as usual, or smaller so that neighbours do not touch.

    Parameters
    ----------
    points : (n, 2) float64, mm
        Centres.
    tool : (n,) int64
        Whose symbol stands there.
    diameters, usual : (tools,) float64, mm
        Of the holes, and of the symbols where there is room.
    least
        Smallest symbol, mm, whatever the room.

    Returns
    -------
    sizes : (tools,) float64, mm
    overlapping
        Symbols that still touch another one.

    Notes
    -----
    Two symbols share the way between their centres as their usual sizes ask; a tool's symbol is
    the smallest any of its neighbours leaves it.  Holes that overlap themselves ask for no room.
    """
    if not len(points):
        return usual, 0
    shrunk = np.ones(len(usual))
    spots = np.atleast_1d(shapely.points(points))
    tree = shapely.STRtree(spots)
    # From the larger symbol of each pair: few tools reach far, so few pairs are looked at.
    found = [
        tree.query(spots[tool == k], predicate="dwithin", distance=usual[k] / APART)
        for k in range(len(usual))
    ]
    a = np.concatenate([np.flatnonzero(tool == k)[near[0]] for k, near in enumerate(found)])
    b = np.concatenate([near[1] for near in found])
    larger = (usual[tool[b]] <= usual[tool[a]]) & (a != b)
    a, b = a[larger], b[larger]
    distance = np.hypot(*(points[a] - points[b]).T)
    separate = distance > (diameters[tool[a]] + diameters[tool[b]]) / 2
    distance, a, b = distance[separate], a[separate], b[separate]
    both = (usual[tool[a]] + usual[tool[b]]) / 2
    for end in (a, b):
        np.minimum.at(shrunk, tool[end], APART * distance / both)
    sizes: Floats = np.maximum(usual * shrunk, np.minimum(least, usual))
    touching = (sizes[tool[a]] + sizes[tool[b]]) / 2 > distance
    return sizes, len(np.unique(np.concatenate((a[touching], b[touching]))))


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

"""Which way round lettering reads: figures of a legend against the shapes of letters.

A figure alone proves little: p turned over is b or q, and an L is found in any corner.  Figures in
a row share one reading direction, so words are compared as a whole: upright, upside down, and as
the mirror image of both.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
import shapely

from fabkit.base.columns import Bools, Floats, Ints, Shapes, rows_by
from fabkit.geometry.neighbours import label_groups

TALLEST_MM: Final = 6.0
LOWEST_MM: Final = 0.4
_GRID: Final = 12
"""Cells across and up; finer ones cost more and tell no more, for pens are a sixth of a letter."""
_WIDE: Final = 1.3
"""Figures wider than this many times their height are no letters."""
_BESIDE: Final = 0.45
"""Letters of a word stand nearer to each other than this share of their height."""
_LEVEL: Final = 0.1
"""Letters of a word differ in height and level by less than this share of their height."""
_LIKE: Final = 0.7
"""Likeness to letters from which on a row of figures is a word.

Right is 0.8 to 0.95 in fonts of strokes and of areas, rows of marks and pads stay below 0.6."""
_SURE: Final = 0.75
"""Likeness to a letter from which on a figure that stands alone may be one."""
_MOST_LONE: Final = 500
"""More figures of one height are dots and dashes of a drawing."""
_DIFFERENT: Final = 4
"""Figures of one height that are like fewer letters are symbols of parts."""
_CLEAR: Final = 0.05
"""A word proves something when it reads better one way round than the other by this much."""
_PEN: Final = 0.9
"""Pen of the strokes below, in their units: about a sixth of the height, as is usual."""

# Drawn for this purpose, each in its own box: digits are x (0 to 4) and y (0 to 6) in turn, strokes
# stand apart.  Only what tells a letter from its mirror image matters.
_STROKES: Final = """
A 002640 1232
B 00063645443342413000 0333
C 4536160501103041
D 00062644422000
E 40000646 0333
F 000646 0333
G 4536160501103041 414323
H 0006 4640 0343
J 0110203136
K 0006 4602 1340
L 060040
M 0006234640
N 00064046
O 163645413010010516
P 00063645443303
Q 163645413010010516 2240
R 00063645443303 2340
S 453616050413334241301001
T 0646 2620
U 060110304146
V 062046
W 0610243046
X 0640 0046
Y 062346 2320
Z 06460040
0 163645413010010516 0145
1 042620 1030
1 042620
2 05163645440040
3 0516364544334241301001 1333
3 064624344341301001
4 360242 3630
5 460603344341301001
6 4536160501103041423303
7 064610
8 163645443313040516 1302011030414233
9 0110304145361605041343
a 4640 4536160501103041
a 0516364540 43130201103041
b 0600 0314344341301001
d 4640 4334140301103041
e 03434536160501103041
f 46362510 0434
g 4641301001 4536160503123243
h 0600 0314344340
n 0600 0416364540
p 0600 0516364543321203
q 4640 4536160503123243
r 0600 04163645
t 16112030 0434
u 0601103041 4640
y 0622 4600
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """Which way round the words of a legend read, as seen from the top.

    Parameters
    ----------
    straight, backwards
        Evidence: letters times how much better they read that way round.
    words_straight, words_backwards
        Words that read clearly better that way round.
    spots : (n, 2) float64, mm
        Middles of the words that read backwards.
    spots_straight : (n, 2) float64, mm
        Middles of the words that read straight.
    """

    straight: float
    backwards: float
    words_straight: int
    words_backwards: int
    spots: Floats
    spots_straight: Floats


def read_direction(figures: Shapes) -> Reading:
    """Find out which way round figures read that stand in words; nothing without words."""
    words, upright = _words(figures)
    lone = _lone_letters(figures, words)
    words, upright = words + lone, np.append(upright, np.ones(len(lone), dtype=bool))
    counts = np.array([len(word) for word in words], dtype=np.int64)
    if not len(words):
        none = np.empty((0, 2))
        return Reading(
            straight=0.0,
            backwards=0.0,
            words_straight=0,
            words_backwards=0,
            spots=none,
            spots_straight=none,
        )
    rows = np.concatenate(words)
    first = np.cumsum(counts) - counts
    grid = _rasters(figures[rows]).reshape(-1, _GRID, _GRID)
    # Words that run upwards are laid down by a quarter turn.
    grid = np.where(np.repeat(upright, counts)[:, None, None], grid, np.rot90(grid, axes=(1, 2)))

    def likeness(seen: Floats) -> Floats:
        best = (seen.reshape(len(seen), -1) @ _letters().T).max(axis=1)
        return np.asarray(np.add.reduceat(best, first) / counts)

    straight = np.maximum(likeness(grid), likeness(grid[:, ::-1, ::-1]))
    backwards = np.maximum(likeness(grid[:, :, ::-1]), likeness(grid[:, ::-1, :]))
    lead = np.where(np.maximum(straight, backwards) >= _LIKE, straight - backwards, 0.0)
    ahead, behind = lead >= _CLEAR, lead <= -_CLEAR
    box = shapely.bounds(figures[rows])
    low = np.minimum.reduceat(box[:, :2], first)
    middles = (low + np.maximum.reduceat(box[:, 2:], first)) / 2
    return Reading(
        straight=float((lead * counts)[ahead].sum()),
        backwards=float(np.abs((lead * counts)[behind]).sum()),
        words_straight=int(ahead.sum()),
        words_backwards=int(behind.sum()),
        spots=middles[behind],
        spots_straight=middles[ahead],
    )


def _lone_letters(figures: Shapes, words: list[Ints]) -> list[Ints]:
    """Rows of level letters of one height that stand apart, as those of keys; a group a height."""
    box = shapely.bounds(figures).reshape(-1, 4)
    wide, tall = box[:, 2] - box[:, 0], box[:, 3] - box[:, 1]
    alone = (tall >= LOWEST_MM) & (tall <= TALLEST_MM) & (wide > 0) & (wide <= _WIDE * tall)
    for word in words:
        alone[word] = False
    rows = np.flatnonzero(alone)
    rows = rows[np.argsort(tall[rows], kind="stable")]
    groups = np.split(rows, np.flatnonzero(np.diff(tall[rows]) > _LEVEL / 2 * tall[rows[:-1]]) + 1)
    found = []
    for group in groups:
        if not _DIFFERENT <= len(group) <= _MOST_LONE:
            continue
        grid = _rasters(figures[group]).reshape(-1, _GRID, _GRID)
        views = (grid, grid[:, ::-1, ::-1], grid[:, :, ::-1], grid[:, ::-1, :])
        like = np.maximum.reduce([v.reshape(len(group), -1) @ _letters().T for v in views])
        sure = like.max(axis=1) >= _SURE
        if len(np.unique(like[sure].argmax(axis=1))) >= _DIFFERENT:
            found.append(group[sure])
    return found


def word_figures(figures: Shapes) -> Ints:
    """Rows of the figures that stand in words, by size and place alone."""
    return np.concatenate([np.empty(0, dtype=np.int64), *_words(figures)[0]])


def _words(figures: Shapes) -> tuple[list[Ints], Bools]:
    """Rows of figures that stand side by side as letters do, and whether each row is level."""
    box = shapely.bounds(figures).reshape(-1, 4)
    size = box[:, 2:] - box[:, :2]
    found: list[Ints] = []
    level: list[bool] = []
    for along, across in ((0, 1), (1, 0)):
        tall, wide = size[:, across], size[:, along]
        rows = np.flatnonzero(
            (tall >= LOWEST_MM) & (tall <= TALLEST_MM) & (wide > 0) & (wide <= _WIDE * tall)
        )
        label = label_rows(box[rows], along, _BESIDE)
        words = [rows[mine] for mine in rows_by(label).values() if len(mine) > 1]
        found += words
        level += [along == 0] * len(words)
    return found, np.array(level, dtype=bool)


def label_rows(boxes: Floats, along: int, beside: float) -> Ints:
    """Label figures by the row they stand in, side by side on one level.

    Parameters
    ----------
    boxes : (n, 4) float64, mm
        Of the figures.
    along
        Axis of the rows: 0 level, 1 upright.
    beside
        Share of its height within which a figure's neighbours stand.
    """
    across = 1 - along
    tall = boxes[:, across + 2] - boxes[:, across]
    grown = boxes.copy()
    grown[:, along] -= beside * tall
    grown[:, along + 2] += beside * tall
    one, other = shapely.STRtree(shapely.box(*boxes.T)).query(shapely.box(*grown.T))
    slack = _LEVEL * tall[one]
    same = (np.abs(tall[one] - tall[other]) < slack) & (
        np.abs(boxes[one, across] - boxes[other, across]) < slack
    )
    return label_groups(len(boxes), one[same], other[same])


@cache
def _letters() -> Floats:
    """Rasters of the letters, (n, cells) float64; see :func:`_rasters`."""
    shapes = []
    for line in _STROKES.split("\n")[1:-1]:
        strokes = [
            [(int(x), int(y)) for x, y in zip(stroke[::2], stroke[1::2], strict=True)]
            for stroke in line.split()[1:]
        ]
        shapes.append(shapely.buffer(shapely.MultiLineString(strokes), _PEN / 2, quad_segs=2))
    return _rasters(np.array(shapes, dtype=object))


def _rasters(shapes: Shapes) -> Floats:
    """Ink of each shape on a grid over its box, softened, without its mean, of length 1.

    The product of two such rows is the correlation of the two images.
    """
    box = shapely.bounds(shapes)[:, None, None]
    step = (np.arange(_GRID) + 0.5) / _GRID
    x = box[..., 0] + (box[..., 2] - box[..., 0]) * step[None, None, :]
    y = box[..., 1] + (box[..., 3] - box[..., 1]) * step[None, :, None]
    shapely.prepare(shapes)
    ink = shapely.contains_xy(shapes[:, None, None], *np.broadcast_arrays(x, y)).astype(float)
    # A stroke that lies half a cell beside that of the font still meets it.
    wide = np.pad(ink, ((0, 0), (1, 1), (1, 1)))
    ink = wide[:, :-2] + 2 * wide[:, 1:-1] + wide[:, 2:]
    ink = ink[..., :-2] + 2 * ink[..., 1:-1] + ink[..., 2:]
    flat = ink.reshape(len(ink), -1)
    flat -= flat.mean(axis=1, keepdims=True)
    return np.asarray(flat / np.maximum(np.linalg.norm(flat, axis=1, keepdims=True), 1e-9))

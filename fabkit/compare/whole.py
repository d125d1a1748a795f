"""What happened to a layer as a whole: moved, turned, mirrored, scaled, or grown at every edge."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import shapely

from fabkit.base.columns import Floats, Shapes
from fabkit.base.units import format_mm, format_number
from fabkit.compare.aligning import voted_shifts
from fabkit.compare.areas import differing, thick
from fabkit.compare.model import SAME_MM, Verb
from fabkit.formats.gerber.model import GerberFile, Kind, object_boxes
from fabkit.geometry.areas import polygons_of, unite
from fabkit.geometry.neighbours import PointTree
from fabkit.geometry.segments import Placing

FEW: Final = 4
"""Fewer objects, or shapes, than this show nothing of a layer as a whole (our choice)."""

MOST: Final = 0.9
"""Share of the objects that must have gone along for the layer to have moved (our choice)."""

LEAD: Final = 0.3
"""So much larger must that share be than the one of those that stayed."""

GROWN_SHARE: Final = 0.6
"""Share of the changed shapes that must have grown alike for the layer to have grown."""

GROWN_STEP_MM: Final = 0.005
"""Growth is reported to this."""

MOST_GROWN_MM: Final = 0.3
"""Edges that moved farther are another image."""


@dataclass(frozen=True, slots=True)
class Whole:
    """What happened to a layer as a whole.

    Parameters
    ----------
    verb
        Moved or resized.
    words
        Such as ``mirrored``, ``scaled to 102 %``; empty for a plain shift.
    moved_mm, turned_deg
        Of a shift or turn.
    grown_mm
        By how much every edge moved outwards; negative inwards.
    """

    verb: Verb
    words: str = ""
    moved_mm: tuple[float, float] | None = None
    turned_deg: float = 0.0
    grown_mm: float | None = None


def find_move(
    old: GerberFile, new: GerberFile, shift_mm: tuple[float, float]
) -> tuple[Whole, GerberFile] | None:
    """Find how a layer moved against the board; None when it did not.

    Returns
    -------
    What happened, and the old layer after it, in the coordinates of ``new``.
    """
    mine = _marks(old)
    mine[:, :2] += shift_mm
    theirs = _marks(new)
    if min(len(mine), len(theirs)) < FEW:
        return None
    tree = PointTree(theirs)
    stayed = _share(mine, tree, np.zeros(2))
    # A little more than half may stay where rows of equal things moved by their own pitch.
    if stayed > 1 - LEAD:
        return None
    laid = old.placed(Placing(dx_mm=shift_mm[0], dy_mm=shift_mm[1]))
    best: tuple[float, Placing] | None = None
    for placing in (Placing(mirrored=m, quarter_turns=q) for m in (False, True) for q in range(4)):
        turned = np.column_stack((placing.points(mine[:, :2]), mine[:, 2]))
        for shift in voted_shifts(turned, theirs)[:2]:
            near, row = tree.query(turned + np.append(shift, 0.0), within=0.02)
            fits = np.isfinite(near)
            if not fits.any():
                continue
            rest = np.median(theirs[row[fits], :2] - turned[fits, :2] - shift, axis=0)
            share = _share(turned, tree, shift + rest)
            if best is None or share > best[0] + 0.01:
                dx, dy = (shift + rest).tolist()
                best = share, replace(placing, dx_mm=dx, dy_mm=dy)
    if best is not None and best[0] >= MOST and best[0] >= stayed + LEAD:
        return _move_words(best[1]), laid.placed(best[1])
    return _scaled(laid, mine, theirs, stayed)


def _move_words(placing: Placing) -> Whole:
    plain = replace(placing, dx_mm=0.0, dy_mm=0.0)
    step = (round(placing.dx_mm, 4), round(placing.dy_mm, 4))
    if plain == Placing():
        return Whole(Verb.MOVED, moved_mm=step)
    if not plain.mirrored:
        return Whole(Verb.MOVED, f"turned by {90 * plain.quarter_turns}°")
    # Mirroring and half a turn is mirroring the other way.
    how = ("left to right", "and turned by 90°", "top to bottom", "and turned by 270°")
    return Whole(Verb.MOVED, f"mirrored {how[plain.quarter_turns]}")


def _scaled(
    laid: GerberFile, mine: Floats, theirs: Floats, stayed: float
) -> tuple[Whole, GerberFile] | None:
    low, high = mine[:, :2].min(axis=0), mine[:, :2].max(axis=0)
    to = theirs[:, :2].min(axis=0), theirs[:, :2].max(axis=0)
    if (high - low).min() < 1.0:
        return None
    factors = (to[1] - to[0]) / (high - low)
    factor = float(factors.mean())
    if abs(factors[0] - factors[1]) > 1e-3 * factor or abs(factor - 1) < 2e-4 or factor <= 0:
        return None
    shift = to[0] - factor * low
    # Sizes may be scaled as well, or not: places alone are compared.
    places = factor * mine[:, :2] + shift
    share = float(np.isfinite(PointTree(theirs[:, :2]).query(places, within=0.01)[0]).mean())
    if share < MOST or share < stayed + LEAD:
        return None
    dx, dy = shift.tolist()
    words = f"scaled to {format_number(100 * factor, digits=2)} %"
    steps = dict.fromkeys(("x0", "x1", "cx"), dx) | dict.fromkeys(("y0", "y1", "cy"), dy)
    o, s = laid.objects, laid.segments
    file = replace(
        laid,
        objects=o.with_columns(**{n: factor * getattr(o, n) + d for n, d in steps.items()}),
        segments=s.with_columns(**{n: factor * getattr(s, n) + d for n, d in steps.items()}),
    )
    return Whole(Verb.RESIZED, words), file


def _share(marks: Floats, tree: PointTree, shift: Floats) -> float:
    """Share of marks that have an equal under a shift."""
    moved = marks + np.append(shift, 0.0)
    return float(np.isfinite(tree.query(moved, within=3 * SAME_MM)[0]).mean())


def _marks(file: GerberFile) -> Floats:
    """Middle and size of each dark object, each once, (n, 3) float64, mm."""
    o = file.objects
    boxes = object_boxes(file)
    real = np.flatnonzero(np.isfinite(boxes).all(axis=1) & o.dark)
    box = boxes[real]
    marks = np.column_stack(
        ((box[:, :2] + box[:, 2:]) / 2, np.hypot(box[:, 2] - box[:, 0], box[:, 3] - box[:, 1]))
    )
    arcs = o.kind[real] == Kind.ARC
    # The box of an arc does not turn with it by other angles, but here it turns by quarters only.
    marks[arcs, 2] += 0.5
    return np.unique(np.round(marks, 5), axis=0)


def find_growth(old: Shapes, new: Shapes) -> tuple[Whole, Shapes, Shapes] | None:
    """Find by how much every edge of most changed shapes moved; None when they did not move alike.

    Parameters
    ----------
    old, new
        (n,) object arrays of polygons of either image, those of one not overlapping, mm.

    Returns
    -------
    What happened, and what of the image it does not explain: areas that are new, and gone.
    """
    if len(old) < FEW or not len(new):
        return None
    boxes, others = shapely.bounds(old), shapely.bounds(new)
    middle, at = ((b[:, :2] + b[:, 2:]) / 2 for b in (boxes, others))
    _, row = PointTree(at).query(middle)
    step = np.column_stack((boxes[:, :2] - others[row, :2], others[row, 2:] - boxes[:, 2:]))
    grown = step.mean(axis=1)
    alike = (np.abs(step - grown[:, None]) <= SAME_MM).all(axis=1)
    changed = np.abs(step).max(axis=1) > SAME_MM
    both = alike & changed & (np.abs(grown) <= MOST_GROWN_MM)
    if both.sum() < FEW:
        return None
    by = float(np.median(grown[both]))
    mine = both & (np.abs(grown - by) <= SAME_MM)
    if mine.sum() < FEW or mine.sum() < GROWN_SHARE * changed.sum():
        return None
    by = round(float(grown[mine].mean()), 4)
    # What did not change must not be grown; all else is, with what it grew together with.
    wider = shapely.buffer(old[changed], by, join_style="mitre", mitre_limit=2.0)
    before = polygons_of(unite(np.concatenate((old[~changed], wider[~shapely.is_empty(wider)]))))
    added, removed = differing(new, before)
    # Corners may have been rounded as they grew.
    slack = max(0.6 * abs(by), 2 * SAME_MM)
    return Whole(Verb.RESIZED, grown_mm=by), thick(added, slack), thick(removed, slack)


def growth_words(thing: str, grown_mm: float) -> str:
    """Say how a layer grew; ``thing`` is what its image shows, such as ``opening``."""
    wider = ("larger", "smaller") if thing == "opening" else ("wider", "narrower")
    how = wider[0] if grown_mm > 0 else wider[1]
    # Chords that stand for arcs are off by up to 2 um.
    by = GROWN_STEP_MM * round(abs(grown_mm) / GROWN_STEP_MM)
    return f"every {thing} {format_mm(by)} {how} per side"


def exchanged(
    mine: tuple[GerberFile, GerberFile],
    theirs: tuple[GerberFile, GerberFile],
    shift_mm: tuple[float, float],
) -> bool:
    """Whether two layers of the new board have each other's image of the old one."""
    before = [_marks(f) + np.append(shift_mm, 0.0) for f in mine]
    trees = [PointTree(_marks(f)) for f in theirs]
    if min(len(m) for m in (*before, *(t.points for t in trees))) < FEW:
        return False
    zero = np.zeros(2)
    straight = max(_share(m, t, zero) for m, t in zip(before, trees, strict=True))
    crossed = min(_share(m, t, zero) for m, t in zip(before, trees[::-1], strict=True))
    return crossed >= MOST and crossed >= straight + LEAD

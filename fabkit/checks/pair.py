"""A left and a right half that are two designs, and whether they belong together."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely

from fabkit.base.columns import Floats, Ints
from fabkit.base.findings import Finding, Place
from fabkit.base.units import format_mm, format_number
from fabkit.board.model import Board
from fabkit.checks.mirror import MATCH_MM
from fabkit.geometry.neighbours import PointTree
from fabkit.keyboard.build import find_keyboard
from fabkit.rules import load_rule

ALIKE_SHARE: Final = 0.9
"""Share of keys or holes that must fit for two boards to be halves of one keyboard (common
practice)."""

_FEWEST_KEYS: Final = 3
"""Keys of each half from which on they say how two halves belong together."""

OUTLINE_MM2: Final = 1.0
"""Outlines that differ by less are drawn alike (a choice of ours)."""

PLACES: Final = 20
"""Places a finding shows at most."""

RELATION: Final = load_rule("half/pair")
UNRELATED: Final = load_rule("half/pair-unrelated")
LACKING: Final = load_rule("half/pair-lacks")
OUTLINE: Final = load_rule("half/pair-outline")


@dataclass(frozen=True, slots=True, kw_only=True)
class Halves:
    """Two boards compared as left and right half.

    The two halves of a keyboard mirror each other in their keys, not in every hole: a footprint
    is often kept the same way round on both.  So keys decide, and holes where there are no keys.

    Parameters
    ----------
    compared
        ``keys`` or ``holes``: what was laid on each other.
    mirrored, copied
        Shares of them that fit after mirroring, and after mere shifting.
    only_left, only_right
        Those without a counterpart, mm, in each board's own coordinates.
    size_difference_mm
        Right less left, width and height.
    outline_difference_mm2
        Area of one outline that the other does not cover, laid on each other by their boxes.
    """

    compared: str
    mirrored: float
    copied: float
    only_left: tuple[tuple[float, float], ...]
    only_right: tuple[tuple[float, float], ...]
    size_difference_mm: tuple[float, float]
    outline_difference_mm2: float

    @property
    def relation(self) -> str:
        """``mirror images``, ``copies`` or ``different boards``."""
        if max(self.mirrored, self.copied) < ALIKE_SHARE:
            return "different boards"
        return "mirror images" if self.mirrored >= self.copied else "copies"


def compare_halves(left: Board, right: Board) -> Halves:
    """Compare two boards as the halves of one keyboard, by their keys and outlines."""
    keys = [find_keyboard(half).keys for half in (left, right)]
    with_keys = all(len(k) >= _FEWEST_KEYS for k in keys)
    a, b = (
        (np.array([(k.x_mm, k.y_mm, 0.0) for k in some]) for some in keys)
        if with_keys
        else (np.column_stack((h.x, h.y, h.diameter)) for h in (left.holes, right.holes))
    )
    image = b * (-1, 1, 1)
    mirrored, lost_a, lost_b = overlay(a, image)
    copied, copy_a, copy_b = overlay(a, b)
    if copied > mirrored:
        lost_a, lost_b = copy_a, copy_b
    w0, h0 = left.size_mm
    w1, h1 = right.size_mm
    return Halves(
        compared="keys" if with_keys else "holes",
        mirrored=mirrored,
        copied=copied,
        only_left=tuple((float(x), float(y)) for x, y in a[lost_a, :2]),
        only_right=tuple((float(x), float(y)) for x, y in b[lost_b, :2]),
        size_difference_mm=(w1 - w0, h1 - h0),
        outline_difference_mm2=_outline_difference(left, right, mirrored=mirrored >= copied),
    )


def _outline_difference(left: Board, right: Board, *, mirrored: bool) -> float:
    """Area between two outlines laid on each other at the corner of their boxes, mm2."""
    if left.profile is None or right.profile is None:
        return 0.0
    laid = []
    for profile, sign in ((left.profile, 1), (right.profile, -1 if mirrored else 1)):
        turned = shapely.transform(profile, lambda xy, s=sign: xy * (s, 1))
        corner = turned.bounds[:2]
        laid.append(shapely.transform(turned, lambda xy, c=corner: xy - c))
    return float(shapely.area(shapely.symmetric_difference(*laid)))


def overlay(a: Floats, b: Floats) -> tuple[float, Ints, Ints]:
    """Share of rows that fit after the best shift of ``b``, and the rows that do not."""
    none = np.empty(0, np.int64)
    if not len(a) or not len(b):
        return (1.0 if len(a) == len(b) else 0.0), np.arange(len(a)), np.arange(len(b))
    # With all rows the table of shifts would grow by the square; a sample votes for the same shift.
    picked = b[np.unique(np.linspace(0, len(b) - 1, 40).astype(int))]
    shift = (a[:, None, :2] - picked[None, :, :2]).reshape(-1, 2)
    same = (np.abs(a[:, None, 2] - picked[None, :, 2]) <= MATCH_MM).ravel()
    if not same.any():
        return 0.0, np.arange(len(a)), np.arange(len(b))
    bins, counts = np.unique(
        np.round(shift[same] / MATCH_MM).astype(np.int64), axis=0, return_counts=True
    )
    best: tuple[float, Ints, Ints] = (-1.0, none, none)
    tree = PointTree(a)
    # Votes for one shift may be split between neighbouring bins, so several are tried.
    for chosen in bins[np.argsort(-counts, kind="stable")[:5]]:
        moved = b.copy()
        moved[:, :2] += chosen * MATCH_MM
        # Twice the reach, because the shift itself is rounded to a bin.
        lost_b = np.flatnonzero(tree.far_from(moved, 2 * MATCH_MM))
        lost_a = np.flatnonzero(PointTree(moved).far_from(a, 2 * MATCH_MM))
        share = 1 - (len(lost_a) + len(lost_b)) / (len(a) + len(b))
        if share > best[0]:
            best = (share, lost_a, lost_b)
    return best


def compare_pair(left: Board, right: Board) -> tuple[Finding, ...]:
    """Say whether two boards are the halves of one keyboard, and where they differ.

    Returns
    -------
    Findings, worst first.
    """
    return tuple(sorted(_judge(compare_halves(left, right)), key=lambda f: -f.severity))


def _judge(halves: Halves) -> Iterator[Finding]:
    fitted = max(halves.mirrored, halves.copied)
    share = f"{format_number(100 * fitted, digits=0)} % of the {halves.compared} fit"
    if halves.relation == "different boards":
        yield Finding.of(
            UNRELATED,
            f"the two boards are neither mirror images nor copies: only {share}",
            measured=fitted,
            limit=1.0,
        )
        return
    yield Finding.of(
        RELATION, f"the two boards are {halves.relation}: {share}", measured=fitted, limit=1.0
    )
    for name, spots in (("left", halves.only_left), ("right", halves.only_right)):
        if spots:
            yield Finding.of(
                LACKING,
                f"{format_number(len(spots))} {halves.compared} of the {name} half have no "
                "counterpart on the other",
                *(Place(x_mm=x, y_mm=y) for x, y in spots[:PLACES]),
                count=len(spots),
            )
    if halves.outline_difference_mm2 > OUTLINE_MM2:
        wide, high = halves.size_difference_mm
        yield Finding.of(
            OUTLINE,
            f"the outlines differ by {format_number(halves.outline_difference_mm2, digits=1)} mm²; "
            f"the right half is {format_mm(wide)} wider and {format_mm(high)} higher",
            measured=halves.outline_difference_mm2,
            limit=OUTLINE_MM2,
            unit="mm²",
        )

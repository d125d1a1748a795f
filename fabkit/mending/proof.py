"""Prove that nothing but what is claimed changed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.columns import Floats, Ints, Shapes
from fabkit.base.units import COINCIDENT_MM, counted, format_number
from fabkit.board.copper import trace_copper
from fabkit.board.model import Board, Layer
from fabkit.checks.model import CheckResult
from fabkit.compare.areas import thick
from fabkit.compare.model import SAME_MM
from fabkit.formats.gerber.model import GerberFile
from fabkit.formats.gerber.writer import write_gerber
from fabkit.geometry.areas import polygons_of
from fabkit.geometry.neighbours import PointTree
from fabkit.mending.model import BY_FUNCTION, WRITTEN_MM, Deed, LayerProof

_MOVED_MM: Final = 5 * WRITTEN_MM
"""By so much an edge of a layer may move elsewhere: places, sizes and centres of arcs are each
rounded to the last decimal."""
_FINE_MM: Final = _MOVED_MM / 5
"""Chord error of images where chords of another number or turn may stand for the same arc."""
_CUT_MM: Final = 2 * WRITTEN_MM
"""Place and diameter of a hole may be off by so much."""


@dataclass(frozen=True, slots=True)
class Proof:
    """What was compared, and what failed."""

    layers: tuple[LayerProof, ...]
    pads: int
    failures: tuple[str, ...]


def prove(
    before: Board,
    after: Board,
    deeds: Sequence[Deed],
    names: Mapping[str, str],
    results: tuple[CheckResult, CheckResult],
) -> Proof:
    """Compare the board as given with the board as read back.

    Parameters
    ----------
    deeds
        Whose claims are where a layer may differ.
    names
        Name of each file as given to its name as written.
    results
        What is found on either board.
    """
    layers: list[LayerProof] = []
    failures: list[str] = []
    for old, new in _pairs(before, after, names, failures):
        claims = [d.claim for d in deeds if d.claim is not None and d.file == old.file.name]
        proof = _layer(old, new, shapely.union_all(claims) if claims else None)
        layers.append(proof)
        if proof.elsewhere_mm2:
            area = format_number(proof.elsewhere_mm2, digits=4)
            failures.append(f"{old.name}: {area} mm² differ where no correction claims it")
    named = sum(deed.count for deed in deeds if deed.correction == "hole-twice")
    failures += _holes(before, after, named)
    corners = [d.claim for d in deeds if d.claim is not None and d.correction == "profile-ends"]
    failures += _outline(before, after, corners)
    pads, parted = _pads(before, after, [d.claim for d in deeds if d.claim is not None])
    failures += parted
    failures += find_new(*results, drawn=bool(deeds))
    return Proof(tuple(layers), pads, tuple(failures))


def _pairs(
    before: Board, after: Board, names: Mapping[str, str], failures: list[str]
) -> Iterator[tuple[Layer, Layer]]:
    """Layers of both boards by the names of their files."""
    written = {layer.file.name: layer for layer in after.layers}
    for old in before.layers:
        new = written.pop(names.get(old.file.name, ""), None)
        if new is None or (new.kind, new.side, new.index) != (old.kind, old.side, old.index):
            failures.append(f"{old.name} is not read back as such")
        else:
            yield old, new
    failures += [f"{layer.name} is new" for layer in written.values()]


def _layer(old: Layer, new: Layer, claim: BaseGeometry | None) -> LayerProof:
    none = np.empty(0, dtype=object)
    parts = [none, none]
    around = None if claim is None else shapely.buffer(claim, COINCIDENT_MM, quad_segs=2)
    elsewhere = none
    # Written alike, they draw the same objects: half of the time of a set with large pours.
    if _spelt(old.file) != _spelt(new.file):
        one, two = old.file.image, new.file.image
        parts = [polygons_of(p) for p in _difference(one, two)]
        elsewhere = _wide(np.concatenate(parts), around)
        if len(elsewhere):
            # Another number of chords for an arc moves its edge by the chord error.
            one, two = (file.image_at(_FINE_MM) for file in (old.file, new.file))
            fine = [polygons_of(p) for p in _difference(one, two)]
            elsewhere = _wide(np.concatenate(fine), around)
    added, removed = map(thick, parts)
    return LayerProof(
        layer=old.name,
        before=old.file.name,
        after=new.file.name,
        added=added,
        removed=removed,
        elsewhere_mm2=float(shapely.area(elsewhere).sum()),
    )


def _difference(one: BaseGeometry, two: BaseGeometry) -> tuple[BaseGeometry, BaseGeometry]:
    return shapely.difference(two, one), shapely.difference(one, two)


def _wide(parts: Shapes, around: BaseGeometry | None) -> Shapes:
    """Parts of a difference, outside a claim, that are wider than rounding moves two edges."""
    if around is not None:
        parts = polygons_of(shapely.difference(parts, around))
    left = shapely.buffer(parts, -_MOVED_MM, join_style="mitre")
    kept: Shapes = parts[~shapely.is_empty(left)]
    return kept


def _spelt(file: GerberFile) -> bytes:
    return write_gerber(replace(file, attributes={}))


def _holes(before: Board, after: Board, named: int) -> Iterator[str]:
    """Holes and slots: the same places, diameters and plating, none fewer than were named."""
    one, two = (
        np.column_stack((b.holes.x, b.holes.y, b.holes.diameter, b.holes.plated.astype(float)))
        for b in (before, after)
    )
    yield from _compared("hole", one, two, _CUT_MM, named)
    # Long arcs are written as several, so slots are compared as what they cut; the same slot may
    # have other chords.
    cuts = [b.hole_shapes[len(b.holes) :] for b in (before, after)]
    slots = []
    for board, shapes in zip((before, after), cuts, strict=True):
        _, first = np.unique(board.slots.path, return_index=True)
        slots.append(
            np.column_stack((shapely.bounds(shapes).reshape(-1, 4), board.slots.plated[first]))
        )
    failures = list(_compared("slot", slots[0], slots[1], SAME_MM, named))
    yield from failures
    if not failures and len(slots[1]):
        near = PointTree(slots[0]).query(slots[1], p=np.inf, within=SAME_MM)[1]
        apart = shapely.hausdorff_distance(cuts[0][near], cuts[1])
        if (apart > SAME_MM).any():
            yield f"a slot is {format_number(float(apart.max()))} mm off"


def _compared(noun: str, one: Floats, two: Floats, slack: float, named: int) -> Iterator[str]:
    """Rows of tables that have none like them in the other, or fewer than were named."""
    sides = [_numbers_like(a, b, slack) for a in (one, two) for b in (one, two)]
    gone, more = (sides[1] == 0), (sides[3] > sides[2])
    new = int((sides[2] == 0).sum())
    lost = len(one) - len(two) + new
    if gone.any() or more.any() or new or lost > named:
        yield f"{counted(max(lost, int(gone.sum())), noun)} less and {new} more"


def _numbers_like(rows: Floats, others: Floats, slack: float) -> Ints:
    """How many rows of another table are like each row, (n,) int64."""
    pairs = PointTree(others).between(rows, slack)
    return np.bincount(pairs[:, 0], minlength=len(rows))


def _outline(before: Board, after: Board, claims: Sequence[BaseGeometry]) -> Iterator[str]:
    """Compare the outlines, but for corners that are claimed."""
    if (before.profile is None) != (after.profile is None):
        yield "the outline is gone" if after.profile is None else "there is an outline now"
    elif before.profile is not None and after.profile is not None:
        one, two = before.profile, after.profile
        if claims:
            around = shapely.buffer(shapely.union_all(claims), SAME_MM)
            one, two = (shapely.difference(p, around) for p in (one, two))
        apart = float(shapely.hausdorff_distance(one.boundary, two.boundary))
        if apart > SAME_MM or len(before.profile.geoms) != len(after.profile.geoms):
            yield f"the outline is {format_number(apart)} mm off"


def _pads(before: Board, after: Board, claims: Sequence[BaseGeometry]) -> tuple[int, list[str]]:
    """How many pads both boards have, and what is wrong when they are not joined alike."""
    if not before.copper or not after.copper:
        return 0, []
    one, two = (trace_copper(board).pads for board in (before, after))
    # Flashes that were cleared again are on no copper, and may lie where a pad is.
    one_at, two_at = (np.flatnonzero(p.island >= 0) for p in (one, two))
    old, new = (
        np.column_stack((p.x[at], p.y[at], p.layer[at].astype(np.float64)))
        for p, at in ((one, one_at), (two, two_at))
    )
    near, row = PointTree(new).query(old, p=np.inf, within=2 * _CUT_MM)
    found = np.flatnonzero(np.isfinite(near))
    islands = np.column_stack((one.island[one_at[found]], two.island[two_at[row[found]]]))
    kinds = np.unique(islands, axis=0)
    bad = np.zeros(len(islands), np.bool_)
    for side in (0, 1):
        _, number, count = np.unique(kinds[:, side], return_inverse=True, return_counts=True)
        parted = kinds[count[number.reshape(-1)] > 1]
        bad |= np.isin(islands[:, side], parted[:, side])
    failures = [f"{counted(int(bad.sum()), 'pad')} joined otherwise"] if bad.any() else []
    lost = old[~np.isfinite(near)]
    if len(lost):
        claimed = shapely.union_all(claims) if claims else shapely.Polygon()
        gone = int((~shapely.intersects(claimed, shapely.points(lost[:, :2]))).sum())
        failures += [f"{counted(gone, 'pad')} gone"] if gone else []
    return len(found), failures


_READING: Final = frozenset({"gerber", "drill", "package", "job", "register"})
"""Groups on the form of files."""
_MEASURED: Final = frozenset({"copper", "mask", "legend", "paste", "hole"})
"""Groups that measure images and holes; where both are proved the same, a place more is one that
was within rounding of the limit."""


def find_new(before: CheckResult, after: CheckResult, *, drawn: bool) -> Iterator[str]:
    """Rules that are broken now and were not, or in more places.

    ``drawn`` is whether any correction changed what is drawn or drilled.
    """
    uncounted = _READING if drawn else _READING | _MEASURED
    one, two = _broken(before), _broken(after)
    for rule, count in sorted(two.items()):
        if rule in BY_FUNCTION:
            continue
        if not one[rule]:
            yield f"{rule} is new"
        elif count > one[rule] and rule.partition("/")[0] not in uncounted:
            yield f"{rule} in {count - one[rule]} more places"


def places_of_new(before: CheckResult, after: CheckResult) -> list[tuple[float, float]]:
    """Places of findings of rules that are broken in more places now."""
    one, two = _broken(before), _broken(after)
    return [
        (place.x_mm, place.y_mm)
        for finding in after
        if two[finding.id] > one[finding.id]
        for place in finding.places
        if place.x_mm is not None and place.y_mm is not None
    ]


def _broken(result: CheckResult) -> Counter[str]:
    """How often each rule is broken."""
    counts: Counter[str] = Counter()
    for finding in result:
        counts[finding.id] += finding.count
    return counts

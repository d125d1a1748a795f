"""Prove that nothing but what is claimed changed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from fabkit.base.findings import Finding
from fabkit.base.units import COINCIDENT_MM, counted, format_number
from fabkit.board.copper import trace_copper
from fabkit.board.model import Board, Layer
from fabkit.checks.model import CheckResult
from fabkit.compare.areas import polygons_of, thick
from fabkit.compare.model import SAME_MM
from fabkit.formats.gerber.model import GerberFile
from fabkit.formats.gerber.writer import write_gerber
from fabkit.mending.model import WRITTEN_MM, Deed, LayerProof

_SHARE: Final = 1e-6
"""Share of a layer's area that may differ by rounding; the area of a profile's strokes is so
small that a millionth of a board's usual layer is allowed for it, too."""
_LEAST_MM2: Final = 1e-3
_PLACES_MM: Final = 1e-4
"""Holes are written with six decimals, read from files with four or fewer."""


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
    failures += _outline(before, after)
    pads, parted = _pads(before, after)
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
    one, two = old.file.image, new.file.image
    added = removed = shapely.Polygon()
    # Written alike, they draw the same objects: half of the time of a set with large pours.
    if _spelt(old.file) != _spelt(new.file):
        added, removed = shapely.difference(two, one), shapely.difference(one, two)
    elsewhere = 0.0
    allowed = max(_SHARE * one.area, WRITTEN_MM * one.length, _LEAST_MM2)
    around = None if claim is None else shapely.buffer(claim, COINCIDENT_MM, quad_segs=2)
    for part in (added, removed):
        rest = part if around is None else shapely.difference(part, around)
        elsewhere = max(elsewhere, float(rest.area))
    return LayerProof(
        layer=old.name,
        before=old.file.name,
        after=new.file.name,
        added=thick(polygons_of(np.array([added], dtype=object))),
        removed=thick(polygons_of(np.array([removed], dtype=object))),
        elsewhere_mm2=elsewhere if elsewhere > allowed else 0.0,
    )


def _spelt(file: GerberFile) -> bytes:
    return write_gerber(replace(file, attributes={}))


def _holes(before: Board, after: Board, named: int) -> Iterator[str]:
    """Holes and slots: the same places, diameters and plating, none fewer than were named."""
    for what in ("holes", "slots"):
        one, two = (_cuts(board, what) for board in (before, after))
        lost, new = one - two, two - one
        if new or sum(lost.values()) > named or one.keys() != two.keys():
            yield f"{counted(sum(lost.values()), what[:-1])} less and {sum(new.values())} more"


def _cuts(board: Board, what: str) -> Counter[tuple[float, ...]]:
    if what == "holes":
        h = board.holes
        columns = (h.x, h.y, h.diameter, h.plated.astype(float))
    else:
        s = board.slots
        # Long arcs are written as several, so slots are compared as what they cut.
        paths = board.hole_shapes[len(board.holes) :]
        low = shapely.bounds(paths).reshape(-1, 4)
        _, first = np.unique(s.path, return_index=True)
        columns = (*low.T, s.diameter[first], s.plated[first].astype(float))
        step = 0.01  # boxes of turned arcs are off by their chords
        return Counter(map(tuple, np.round(np.column_stack(columns) / step).tolist()))
    return Counter(map(tuple, np.round(np.column_stack(columns) / _PLACES_MM).tolist()))


def _outline(before: Board, after: Board) -> Iterator[str]:
    if (before.profile is None) != (after.profile is None):
        yield "the outline is gone" if after.profile is None else "there is an outline now"
    elif before.profile is not None and after.profile is not None:
        one, two = before.profile, after.profile
        apart = float(shapely.hausdorff_distance(one.boundary, two.boundary))
        if apart > SAME_MM or len(one.geoms) != len(two.geoms):
            yield f"the outline is {format_number(apart)} mm off"


def _pads(before: Board, after: Board) -> tuple[int, list[str]]:
    """How many pads both boards have, and what is wrong when they are not joined alike."""
    one, two = (_islands(board) for board in (before, after))
    shared = sorted(one.keys() & two.keys())
    forth: dict[int, int] = {}
    back: dict[int, int] = {}
    bad = sum(
        forth.setdefault(one[key], two[key]) != two[key]
        or back.setdefault(two[key], one[key]) != one[key]
        for key in shared
    )
    return len(shared), [f"{counted(bad, 'pad')} joined otherwise"] if bad else []


def _islands(board: Board) -> dict[tuple[float, ...], int]:
    if not board.copper:
        return {}
    pads = trace_copper(board).pads
    places = np.round(np.column_stack((pads.x, pads.y, pads.layer)), 3)
    return {
        tuple(place): island
        for place, island in zip(places.tolist(), pads.island.tolist(), strict=True)
        if island >= 0
    }


_READING: Final = frozenset({"gerber", "drill", "package", "job", "register"})
"""Groups on the form of files."""
_MEASURED: Final = frozenset({"copper", "mask", "legend", "paste", "hole"})
"""Groups that measure images and holes; where both are proved the same, a place more is one that
was within rounding of the limit."""

BY_FUNCTION: Final = frozenset(
    {
        "gerber/profile-content",
        "gerber/drawing-in-data",
        "gerber/negative-copper",
        "gerber/positive-mask",
        "gerber/drill-shape",
        "gerber/drill-clear",
        "package/copper-numbers",
    }
)
"""Rules that are only asked of files which state what they are: now that they do, what the source
itself draws comes to light."""


def find_new(before: CheckResult, after: CheckResult, *, drawn: bool) -> Iterator[str]:
    """Rules that are broken now and were not, or in more places.

    ``drawn`` is whether any correction changed what is drawn or drilled.
    """
    uncounted = _READING if drawn else _READING | _MEASURED
    one, two = (Counter(_broken(result)) for result in (before, after))
    for rule, count in sorted(two.items()):
        if rule in BY_FUNCTION:
            continue
        if not one[rule]:
            yield f"{rule} is new"
        elif count > one[rule] and rule.partition("/")[0] not in uncounted:
            yield f"{rule} in {count - one[rule]} more places"


def places_of_new(before: CheckResult, after: CheckResult) -> list[tuple[float, float]]:
    """Places of findings of rules that are broken in more places now."""
    one, two = (Counter(_broken(result)) for result in (before, after))
    findings: Sequence[Finding] = tuple(after)
    return [
        (place.x_mm, place.y_mm)
        for finding in findings
        if two[finding.id] > one[finding.id]
        for place in finding.places
        if place.x_mm is not None and place.y_mm is not None
    ]


def _broken(result: CheckResult) -> Iterator[str]:
    findings: Sequence[Finding] = tuple(result)
    for finding in findings:
        for _ in range(finding.count):
            yield finding.id

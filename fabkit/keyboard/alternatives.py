"""One part, several footprints: which sites are offered for the same part, of which one is fitted.

Boards offer a footprint for each face, two makes of controller, or two pads for one cell.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import product
from typing import Final

import numpy as np

from fabkit.keyboard.model import PartSite

OVERLAP_MM: Final = 10.0
"""Controllers nearer to each other than this overlap: one of them is fitted (common practice: the
narrowest boards with two rows of pins are 17 mm wide)."""

DOUBLE_MM: Final = 20.0
"""The footprints a reversible board offers for one part are no farther apart (common practice: a
key's width)."""

BUILT_IN_ONCE: Final = (
    "audio jack",
    "connector",
    "display",
    "encoder",
    "lithium connector",
    "power switch",
    "reset",
)
"""Of two of these on the same nets, close by, one is fitted; of capacitors, say, both are."""


@dataclass(slots=True)
class Draft:
    """A site being made."""

    site: PartSite
    nets: tuple[str, ...] = ()
    """Those that lead somewhere: exporters name the net of each lone pin after that pin."""
    by_pins: bool = False
    """A circuit taken for the controller by the number of its pins alone."""


Same = Callable[[Draft, Draft], bool]


def merge(drafts: list[Draft], same: Same, *kinds: str) -> list[Draft]:
    """Join drafts that are footprints for one part, each with the nearest of its kind.

    Of these kinds alone, where any are named.  No footprints of one part are ``2 * DOUBLE_MM``
    apart or more.
    """
    out: list[Draft] = []
    near: dict[tuple[str, int, int], dict[int, Draft]] = {}
    for d in drafts:
        asked = not kinds or d.site.kind in kinds
        others = {
            n: o
            for square in (_squares(d.site, 1) if asked else ())
            for n, o in near.get(square, {}).items()
            if same(o, d)
        }
        number = min(others, key=lambda n: (apart_mm(others[n].site, d.site), n), default=len(out))
        other = others.get(number, d)
        if other is d:
            out.append(d)
            for square in _squares(d.site, 0):
                near.setdefault(square, {})[number] = d
            continue
        for square in _squares(other.site, 0):
            del near[square][number]
        a, b = other.site, d.site
        if b.refs and not a.refs:
            a, b = b, a
        mounts = {a.mount, b.mount} - {"not known"}
        other.site = replace(
            a,
            refs=(*a.refs, *b.refs),
            faces=tuple(f for f in ("top", "bottom") if f in a.faces or f in b.faces),
            mount="either" if len(mounts) > 1 else a.mount,
            holes=tuple(sorted({*a.holes, *b.holes})),
            pattern=a.pattern or b.pattern,
            evidence=tuple(dict.fromkeys((*a.evidence, *b.evidence))),
        )
        other.nets = other.nets or d.nets
        for square in _squares(other.site, 0):
            near.setdefault(square, {})[number] = other
    return out


def _squares(site: PartSite, reach: int) -> Iterator[tuple[str, int, int]]:
    """Squares of ``2 * DOUBLE_MM`` that a site of a known place lies in or beside."""
    if site.x_mm is None or site.y_mm is None:
        return
    column, row = int(site.x_mm // (2 * DOUBLE_MM)), int(site.y_mm // (2 * DOUBLE_MM))
    for i, j in product(range(-reach, reach + 1), repeat=2):
        yield site.kind, column + i, row + j


def apart_mm(a: PartSite, b: PartSite) -> float:
    """Give the distance of two sites; infinite where the place of one is not known."""
    if a.x_mm is None or b.x_mm is None or a.y_mm is None or b.y_mm is None:
        return float("inf")
    return float(np.hypot(a.x_mm - b.x_mm, a.y_mm - b.y_mm))


def same_controller(a: Draft, b: Draft) -> bool:
    """Whether two controllers overlap or are wired alike pin by pin, so only one is fitted."""
    if a.site.kind != "controller" or b.site.kind != "controller":
        return False
    apart = apart_mm(a.site, b.site)
    wired = a.nets == b.nets and len(set(a.nets)) > 4
    return apart < OVERLAP_MM or (wired and apart < 2 * DOUBLE_MM)


def cell_pads(a: Draft, b: Draft) -> bool:
    """Whether two single pads are those for the wires of one lithium cell."""
    both = a.site.kind == b.site.kind == "lithium connector" and a.site.pins == b.site.pins == 1
    return both and len(a.site.refs) == 1 and apart_mm(a.site, b.site) < 2 * DOUBLE_MM


def turned_double(a: Draft, b: Draft) -> bool:
    """Whether close by the same part is on the other face, or wired to the same nets."""
    first, second = a.site, b.site
    if first.kind != second.kind or first.kind in ("screw hole", "controller row", "header"):
        return False
    if first.kind in ("audio jack", "encoder") and not (first.refs or second.refs):
        return apart_mm(first, second) < OVERLAP_MM
    if not first.refs or not second.refs or len(first.refs) > 1:
        return False
    if apart_mm(first, second) > DOUBLE_MM or first.pins != second.pins:
        return False
    wired = a.nets == b.nets and len(set(a.nets)) > 1
    faces = first.faces != second.faces and bool(first.faces) and bool(second.faces)
    if first.kind in BUILT_IN_ONCE:
        return wired or (faces and not a.nets)
    return faces and (wired or not a.nets)

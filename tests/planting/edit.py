"""A planted change: the package after it, and what a comparison must say of it."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from fnmatch import fnmatchcase
from math import hypot
from random import Random

from yardstick.gerber_text import Unfit
from yardstick.parcel import Parcel, Point

from fabkit.compare.model import Change, Comparison

MOST_SENTENCES = 6


@dataclass(frozen=True)
class Edit:
    """A package after a change.

    Parameters
    ----------
    kinds
        Patterns of kinds; a change of one of them must be reported.
    told
        Regular expression that the summary must contain.
    also
        Kinds of side effects that may be reported besides.
    place, reach
        Where it is, mm; every reported place must be this near.
    moved
        How far it moved, mm.
    """

    parcel: Parcel
    kinds: tuple[str, ...]
    told: str = ""
    also: tuple[str, ...] = ()
    place: Point | None = None
    reach: float = 2.5
    moved: Point | None = None


Planter = Callable[[Parcel, Random], Edit]
CHANGES: dict[str, Planter] = {}
"""Every kind of change by id, ``group/what``."""


def change(kind_id: str) -> Callable[[Planter], Planter]:
    """Enter a planter as a kind of change."""

    def entered(planter: Planter) -> Planter:
        CHANGES[kind_id] = planter
        return planter

    return entered


def planted(parcel: Parcel, kind_id: str) -> Edit:
    """Plant a change, always the same in the same package.

    Raises
    ------
    Unfit
        The package has no place for it.
    """
    seed = hashlib.sha256(f"{parcel.name}:{kind_id}".encode()).digest()
    edit = CHANGES[kind_id](parcel, Random(seed))
    if edit.parcel.files == parcel.files:
        raise Unfit("it would change nothing here")
    return edit


def faults(edit: Edit, comparison: Comparison) -> list[str]:
    """What a comparison says wrong of a planted change; empty when it is told exactly."""
    if comparison.equal:
        return ["MISSED"]
    found = []
    changes = comparison.changes
    mine = [c for c in changes if _fits(c, edit.kinds) and _near(c, edit)]
    if not mine:
        found.append(f"no {' or '.join(edit.kinds)}")
    if edit.moved and not any(_moved(c, edit.moved) for c in mine):
        found.append(f"not moved by {edit.moved}")
    strange = {c.kind for c in changes if not _fits(c, (*edit.kinds, *edit.also))}
    if strange:
        found.append(f"also {', '.join(sorted(strange))}")
    far = {c.kind for c in changes if not _near(c, edit)}
    if far:
        found.append(f"elsewhere {', '.join(sorted(far))}")
    said = " ".join(comparison.summary)
    if not re.search(edit.told, said, re.IGNORECASE):
        found.append(f"not told as /{edit.told}/")
    if len(comparison.summary) > MOST_SENTENCES:
        found.append(f"{len(comparison.summary)} sentences")
    return found


def _fits(reported: Change, kinds: Iterable[str]) -> bool:
    return any(fnmatchcase(reported.kind, kind) for kind in kinds)


def _near(reported: Change, edit: Edit) -> bool:
    if edit.place is None or reported.x_mm is None or reported.y_mm is None:
        return True
    return hypot(reported.x_mm - edit.place[0], reported.y_mm - edit.place[1]) <= edit.reach


def _moved(reported: Change, by: Point) -> bool:
    if f"{by[0]:.2f}, {by[1]:.2f} mm" in reported.after:
        return True
    return reported.moved_mm is not None and (
        hypot(reported.moved_mm[0] - by[0], reported.moved_mm[1] - by[1]) < 0.005
    )

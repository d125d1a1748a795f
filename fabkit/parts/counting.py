"""How many of a part each half takes, and on which face it is worked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from fabkit.base.natural import natural
from fabkit.keyboard.hands import opposite
from fabkit.keyboard.model import Group
from fabkit.package.model import Side
from fabkit.parts.book import Face
from fabkit.parts.model import Place, Record
from fabkit.parts.places import ORDER


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """One part as one half takes it.

    Parameters
    ----------
    count, fewest
        Pieces counted, and the fewest that may be fitted where places overlap.
    by_source
        Count by source.
    doubled
        Several footprints a piece, one of which is used.
    uneven
        Pieces on top and bottom where they ought to be equal.
    side
        Face it is worked on: ``top``, ``bottom`` or empty.
    """

    count: int
    fewest: int
    refs: tuple[str, ...]
    by_source: Mapping[str, int]
    doubled: bool
    uneven: tuple[int, int] | None
    side: str

    @property
    def source(self) -> str:
        """The first source that knows it."""
        return next(iter(self.by_source), "")

    @property
    def reason(self) -> str:
        """Why this many, in words."""
        others = [f"{n} by {name}" for name, n in self.by_source.items() if name != self.source]
        words = f"{self.by_source.get(self.source, self.count)} by {self.source}"
        if others:
            words += f" (also {', '.join(others)})"
        if self.fewest != self.count:
            words += f"; {self.fewest} to {self.count} fitted, not every place takes one"
        if self.doubled:
            words += "; several footprints a place, fitted once"
        return words


def tally_places(
    places: Sequence[Place],
    *,
    group: Group | None,
    side: Face,
    reversible: bool,
    keys: tuple[int, int] | None = None,
) -> Tally:
    """Count a part by its places.

    Parameters
    ----------
    group
        The half; shows which face is up.
    side
        Side of the keys it is worked on.
    reversible
        The board serves either hand: parts on both faces ought to be doubled.
    keys
        Fewest and most pieces, for what is fitted once a key.
    """
    face = working_face(side, group)
    records = [_record_on(p.records, face) for p in places if p.records]
    by_source: dict[str, int] = {}
    for name in (*ORDER, *sorted({s for p in places for s in p.sources} - set(ORDER))):
        count = sum(name in p.sources for p in places)
        if count:
            by_source[name] = count
    fewest, most = keys or (len(places), len(places))
    tops = sum("top" in p.faces for p in places)
    bottoms = sum("bottom" in p.faces for p in places)
    uneven = (tops, bottoms) if reversible and keys is None and tops and bottoms else None
    sides = {p.faces for p in places}
    only: str = next(iter(sides))[0] if len(sides) == 1 and len(next(iter(sides))) == 1 else ""
    stated = {r.side for p in places for r in p.records}
    if sides == {("top", "bottom")} and len(stated) == 1:
        only = _as_drawn(next(iter(stated)), group)
    doubled = any(len(p.records) > 1 for p in places)
    worked = face or (_back(group) if doubled and group is not None else "")
    return Tally(
        count=min(len(places), most),
        fewest=min(len(places), fewest),
        refs=tuple(sorted({r.ref for r in records if r.named}, key=natural)),
        by_source=by_source,
        doubled=doubled,
        uneven=uneven,
        side=worked or only,
    )


def _record_on(records: Sequence[Record], face: str) -> Record:
    """Choose the record of the footprint that is used: on the face worked on, else the first."""
    return next((r for r in records if face and r.side == face), records[0])


def working_face(side: Face, group: Group | None) -> Side | str:
    """Face of the board a part is worked on; empty when it is not known."""
    if side == "either" or group is None:
        return ""
    return group.face_up if side == "key" else _back(group)


def _as_drawn(side: Side | None, group: Group | None) -> str:
    """Face of a part whose leads fit either face.

    On a board turned over it is fitted from the other face, so that it lies to the keys as on the
    first half.
    """
    if side is None:
        return ""
    return opposite(side) if group is not None and group.face_up == "bottom" else side


def _back(group: Group) -> Side:
    return opposite(group.face_up)

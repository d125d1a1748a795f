"""A kind of plant: what it does to a package, and what counts as finding it."""

from __future__ import annotations

import hashlib
import random
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from yardstick.gerber_text import Edit, GerberText, Unfit, replaced
from yardstick.parcel import Parcel, Point

Item = TypeVar("Item")


@dataclass(frozen=True)
class Plant:
    """A package with one defect: where it is in mm, in which files, and how near counts as there.

    *hidden* says why nothing in the files gives it away, where that is so.
    """

    parcel: Parcel
    place: Point | None = None
    files: tuple[str, ...] = ()
    reach: float = 3.0
    hidden: str = ""


Planter = Callable[[Parcel, random.Random], Plant]


@dataclass(frozen=True)
class Kind:
    """One kind of plant.

    Parameters
    ----------
    id
        ``group/what``; the group names the part of the package.
    says
        What it does, in one sentence.
    found
        Rules, or groups of rules such as ``net/``, of which one must be new.
    weight
        The least consequence that counts: ``decide`` or ``stop``.
    """

    id: str
    says: str
    found: tuple[str, ...]
    weight: str
    planter: Planter

    @property
    def group(self) -> str:
        """The part of the package it is planted in."""
        return self.id.partition("/")[0]

    def plant(self, parcel: Parcel) -> Plant:
        """Plant it, always the same in the same package.

        Raises
        ------
        Unfit
            The package has nothing to plant it in.
        """
        seed = hashlib.sha256(f"{parcel.name}:{self.id}".encode()).digest()
        planted = self.planter(parcel, random.Random(seed))
        if planted.parcel.files == parcel.files:
            raise Unfit("it would change nothing here")
        return planted


KINDS: dict[str, Kind] = {}
"""Every harmful kind by id."""
HARMLESS: dict[str, Kind] = {}
"""Every harmless kind by id."""


def kind(
    kind_id: str, says: str, *found: str, weight: str = "decide"
) -> Callable[[Planter], Planter]:
    """Enter a planter as a kind."""

    def entered(planter: Planter) -> Planter:
        KINDS[kind_id] = Kind(kind_id, says, found, weight, planter)
        return planter

    return entered


def harmless(
    kind_id: str, says: str
) -> Callable[[Callable[[Parcel], Parcel]], Callable[[Parcel], Parcel]]:
    """Enter an edit that changes nothing that is made."""

    def entered(edit: Callable[[Parcel], Parcel]) -> Callable[[Parcel], Parcel]:
        HARMLESS[f"harmless/{kind_id}"] = Kind(
            f"harmless/{kind_id}", says, (), "decide", lambda parcel, _: Plant(edit(parcel))
        )
        return edit

    return entered


def pick(rng: random.Random, candidates: Iterable[Item], what: str) -> Item:
    """One of the candidates.

    Raises
    ------
    Unfit
        There is none.
    """
    found = list(candidates)
    if not found:
        raise Unfit(f"no {what}")
    return rng.choice(found)


def first(candidates: Sequence[Item], what: str) -> Item:
    """The first candidate.

    Raises
    ------
    Unfit
        There is none.
    """
    if not candidates:
        raise Unfit(f"no {what}")
    return candidates[0]


def edited(parcel: Parcel, name: str, edits: Iterable[Edit]) -> Parcel:
    """The package with edits in one layer's text."""
    return parcel.with_text(name, replaced(parcel.text(name), edits))


def layer_of(parcel: Parcel, kind_name: str, side: str | None = None) -> tuple[str, GerberText]:
    """The first editable layer of a kind that holds an image.

    Raises
    ------
    Unfit
        There is none.
    """
    layers = [
        (n, g)
        for n, g in parcel.layers(kind_name, side)
        if any(one.dark for one in (*g.marks, *g.regions))
    ]
    return first(layers, f"{side or ''} {kind_name} layer".strip())

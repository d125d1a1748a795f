"""Two boards, old and new: everything that changed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from typing import Final

import numpy as np

from fabkit.base.units import format_mm, format_number
from fabkit.board.model import Board
from fabkit.board.turned import turn_board
from fabkit.compare.aligning import align_boards
from fabkit.compare.holes import compare_holes
from fabkit.compare.joins import compare_joins
from fabkit.compare.keys import (
    compare_keys,
    compare_parts,
    names_at,
    why_no_parts,
    why_no_places,
)
from fabkit.compare.layers import compare_layers, find_places, layers_in_one
from fabkit.compare.model import COPPER_LAYERS, MOVED_MM, Change, Comparison, Verb, What
from fabkit.compare.nets import compare_nets, pins_of
from fabkit.compare.options import compare_options

NEAR_MM: Final = 12.0
"""A place this near to the middle of a part is said to be near it (our choice)."""


def compare_boards(
    old: Board, new: Board, *, tell: Callable[[str], None] = lambda _: None
) -> Comparison:
    """Find everything that differs between two boards.

    Parameters
    ----------
    old, new
        As built by :func:`fabkit.board.build.build_board`.
    tell
        Told what is being done now.
    """
    tell("laying the boards on each other")
    alignment = align_boards(old, new)
    given, old = old, turn_board(old, alignment.turned_deg)
    options, lacking = compare_options(old, new)
    facts = [*options, *_board_facts(old, new), *layers_in_one(old, new)]
    if not alignment.comparable:
        return Comparison(
            old=given,
            new=new,
            laid=old,
            alignment=alignment,
            changes=tuple(facts),
            layers=(),
            not_compared=lacking,
        )
    shift = alignment.shift_mm
    tell("comparing keys, parts and holes")
    keys = compare_keys(old, new, shift)
    changes: list[Change] = [*facts, *keys.changes]
    motions = keys.motions
    if why := why_no_parts(old, new):
        lacking["parts"] = why
    else:
        where = why_no_places(old, new)
        if where:
            lacking["positions of parts"] = where
        parts = compare_parts(old, new, shift, places=not where, keys=keys.changes)
        changes += parts.changes
        motions += parts.motions
    changes += compare_holes(old, new, shift, motions)
    tell("comparing nets")
    pins = pins_of(old, new)
    if not isinstance(pins, str):
        changes += compare_nets(*pins)
    tell("comparing layers")
    layers = compare_layers(old, new, shift)
    if isinstance(pins, str):
        lacking["names of nets"] = f"{pins}; what copper joins is compared instead"
        tell("comparing connections")
        changes += compare_joins(given, new, alignment, motions, layers, changes)
    for layer in layers:
        changes += find_places(layer)
    return Comparison(
        old=given,
        new=new,
        laid=old,
        alignment=alignment,
        changes=tuple(_ordered(_with_names(changes, old, new, shift))),
        layers=layers,
        not_compared=lacking,
    )


def _ordered(changes: Iterable[Change]) -> list[Change]:
    order = list(What)
    return sorted(changes, key=lambda c: order.index(c.what))


def _board_facts(old: Board, new: Board) -> Iterator[Change]:
    def fact(subject: str, before: str, after: str) -> Change:
        return Change(
            what=What.BOARD, verb=Verb.CHANGED, subject=subject, before=before, after=after
        )

    if len(old.copper) != len(new.copper):
        yield fact(COPPER_LAYERS, str(len(old.copper)), str(len(new.copper)))
    if old.profile is None or new.profile is None:
        if (old.profile is None) != (new.profile is None):
            yield fact("profile", *("none" if x.profile is None else "there" for x in (old, new)))
        return
    sizes = [board.size_mm for board in (old, new)]
    if any(abs(x - y) > MOVED_MM for x, y in zip(*sizes, strict=True)):
        words = [f"{format_number(w)} × {format_mm(h)}" for w, h in sizes]
        yield fact("outline size", words[0], words[1])
    counts = [len(board.profile.geoms) for board in (old, new) if board.profile is not None]
    if counts[0] != counts[1]:
        yield fact("separate boards in the profile", str(counts[0]), str(counts[1]))


def _with_names(
    changes: list[Change], old: Board, new: Board, shift: tuple[float, float]
) -> Iterator[Change]:
    """Name the part that is nearest to each place of a hole, slot or layer."""
    dx, dy = shift
    moved = {ref: (x + dx, y + dy) for ref, (x, y) in names_at(old).items()}
    spots = {**moved, **names_at(new)}
    refs = list(spots)
    at = np.array(list(spots.values())).reshape(-1, 2)
    for change in changes:
        told = change.what in (What.KEY, What.PART)
        if told or change.x_mm is None or change.y_mm is None or not refs:
            yield change
            continue
        away = np.hypot(*(at - (change.x_mm, change.y_mm)).T)
        nearest = int(np.argmin(away))
        yield replace(change, near=refs[nearest] if away[nearest] <= NEAR_MM else "")

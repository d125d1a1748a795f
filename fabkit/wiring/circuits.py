"""The circuits of two halves on one board: each half's own pins, though both use the same names."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from fabkit.geometry.neighbours import label_groups
from fabkit.keyboard.model import Hands
from fabkit.wiring.keys import KeyPins
from fabkit.wiring.pins import Pins


def split_circuits(
    pins: Pins, keys: Sequence[KeyPins], hands: Hands
) -> Iterator[tuple[Pins, Hands]]:
    """The pins of each half where two halves on one board are two circuits; else all together.

    Two halves drawn twice often have nets of one name that no copper joins.  Copper and parts that
    hang together are one circuit.

    Parameters
    ----------
    pins, keys, hands
        Of the board.
    """
    number = _circuits(pins)
    met = [
        {number[p.island] for k in group.keys for p in keys[k].pins if p.island >= 0}
        for group in hands.groups
    ]
    if hands.use != "both" or not all(met) or set.intersection(*met):
        yield pins, hands
        return
    for group, mine in zip(hands.groups, met, strict=True):
        own = tuple(p for p in pins.pins if p.island < 0 or number[p.island] in mine)
        yield replace(pins, pins=own), replace(hands, groups=(group,))


def _circuits(pins: Pins) -> dict[int, int]:
    """Number of the circuit that each island is part of: parts join what they are soldered to."""
    held = [p for p in pins.pins if p.island >= 0]
    refs = {ref: k for k, ref in enumerate(dict.fromkeys(p.ref for p in held))}
    islands = pins.copper.pieces.islands
    label = label_groups(
        islands + len(refs),
        np.array([p.island for p in held], int),
        np.array([islands + refs[p.ref] for p in held], int),
    )
    return {p.island: int(label[p.island]) for p in held}

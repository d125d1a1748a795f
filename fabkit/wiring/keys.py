"""Keys and their contacts: which part stands at each place, and which nets its contacts are on."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from fabkit.base.natural import natural
from fabkit.board.copper import Copper
from fabkit.board.model import Board, Component
from fabkit.keyboard.candidates import is_switch
from fabkit.keyboard.contacts import contact_pads, find_contacts
from fabkit.keyboard.model import Key, Spot
from fabkit.package.model import Side
from fabkit.wiring.model import Pin
from fabkit.wiring.pins import Pins, is_nameless

NEAR_MM: Final = 8.0
"""A key's part has its middle this near to the key's middle (common practice: less than half a
key pitch of 17 to 19 mm)."""

CONTACT_MM: Final = 3.0
"""A contact's pad comes this near to the middle of its hole: 1.5 mm of a socket's hole, and the
same again to the pad beside it (common practice)."""

SWITCH_PINS: Final = ("S1", "S2")
"""Pins of the switch in a part that is also something else, such as a knob (common practice)."""


@dataclass(frozen=True, eq=False, kw_only=True)
class KeyPins:
    """A key with the parts that are its switch, and their pins.

    ``number`` is its position in ``Keyboard.keys``.
    """

    key: Key
    number: int
    refs: tuple[str, ...]
    pins: tuple[Pin, ...]

    @property
    def ref(self) -> str:
        """Its reference, or a name made from its place."""
        return self.refs[0] if self.refs else self.key.ref


def find_key_pins(board: Board, pins: Pins, keys: Sequence[Key]) -> tuple[KeyPins, ...]:
    """Find the pins of every key: of its own components, else of the switch that stands there.

    Parameters
    ----------
    board, pins
        The board, and what is known of its pins.
    keys
        Those of its keyboard.
    """
    by_ref: dict[str, list[Pin]] = defaultdict(list)
    for pin in pins.pins:
        by_ref[pin.ref].append(pin)
    parts = {c.ref: c for c in board.components}
    standing = {k: [r for r in key.refs if r in by_ref] for k, key in enumerate(keys)}
    taken = {r for refs in standing.values() for r in refs}
    # A netlist names parts that no component attribute does.
    for ref in (
        r for r in by_ref if r not in taken and is_switch(parts.get(r) or Component(ref=r))
    ):
        middle = _middle(by_ref[ref], parts.get(ref))
        away = [_away(key, by_ref[ref], middle) for key in keys]
        nearest = int(np.argmin(away))
        if away[nearest] <= NEAR_MM and not keys[nearest].refs:
            standing[nearest].append(ref)
    return tuple(
        KeyPins(
            key=key,
            number=k,
            refs=tuple(sorted(standing[k], key=natural)) or key.refs,
            pins=tuple(p for r in sorted(standing[k], key=natural) for p in by_ref[r]),
        )
        for k, key in enumerate(_with_contacts(keys, pins.copper))
    )


def _with_contacts(keys: Sequence[Key], copper: Copper) -> tuple[Key, ...]:
    """Give keys whose pattern shows no contacts those that repeat round them."""
    if all(k.contacts for k in keys):
        return tuple(keys)
    found = find_contacts(np.array([(k.x_mm, k.y_mm) for k in keys]), contact_pads(copper))
    out = []
    for k, key in enumerate(keys):
        shown: dict[Side, tuple[Spot, ...]] = {
            side: tuple((float(x), float(y)) for x, y in found.spots[side][k])
            for side in key.faces
            if not np.isnan(found.spots[side][k]).any()
        }
        out.append(key if key.contacts or not shown else replace(key, contacts=shown))
    return tuple(out)


def _away(key: Key, pins: Sequence[Pin], middle: Spot) -> float:
    """How far a part's pads are from the contacts of a key, else their middles, mm."""
    if np.hypot(key.x_mm - middle[0], key.y_mm - middle[1]) > 2 * NEAR_MM:
        return float("inf")
    ways = [
        max(min(np.hypot(p.x_mm - x, p.y_mm - y) for p in pins) for x, y in spots)
        for spots in key.contacts.values()
        if spots
    ]
    return float(min(ways, default=np.hypot(key.x_mm - middle[0], key.y_mm - middle[1])))


def _middle(pins: Sequence[Pin], part: Component | None) -> tuple[float, float]:
    """Centroid where one is stated, which a rotation shows; else the middle of the pads."""
    if part is not None and part.rotation_deg is not None and part.x_mm is not None:
        return part.x_mm, part.y_mm or 0.0
    x, y = [p.x_mm for p in pins], [p.y_mm for p in pins]
    return (min(x) + max(x)) / 2, (min(y) + max(y)) / 2


def key_nodes(key: KeyPins, pins: Pins, face_up: Side) -> tuple[str, ...]:
    """Nets of a key's contacts, as used with a face up: two when all is well.

    Contacts on the face away from the keys count, and those that have a hole; when that face has
    none, those on the key side do.
    """
    up = 1 if face_up == "top" else -1
    for faces in ((0, -up), (0, up)):
        mine = [p for p in key.pins if p.face in faces and p.node]
        nodes = tuple(dict.fromkeys(p.node for p in mine))
        if len(nodes) > 2:
            # Pads that hold a part but join nothing have copper of their own.
            nodes = tuple(n for n in nodes if not is_nameless(n)) or nodes
        if len(nodes) > 2:
            nodes = _two_of(key, mine, face_up) or nodes
        if len(nodes) >= 2:
            return nodes
    return _by_holes(key, pins, face_up) or tuple(dict.fromkeys(p.node for p in key.pins if p.node))


def _two_of(key: KeyPins, pins: Sequence[Pin], face_up: Side) -> tuple[str, ...]:
    """Contacts of a part with more nets than a switch has."""
    named = [p.node for p in pins if p.pin in SWITCH_PINS or p.function in SWITCH_PINS]
    if len(set(named)) == 2:
        return tuple(dict.fromkeys(named))
    near = []
    for x, y in key.key.contacts.get(face_up, ()):
        apart = [np.hypot(p.x_mm - x, p.y_mm - y) for p in pins]
        near.append(pins[int(np.argmin(apart))].node)
    return tuple(dict.fromkeys(near)) if len(set(near)) == 2 else ()


def _by_holes(key: KeyPins, pins: Pins, face_up: Side) -> tuple[str, ...]:
    """Nets of the pads at a key's contact holes, where the files name no part."""
    up = 1 if face_up == "top" else -1
    found = []
    for spot in key.key.contacts.get(face_up, ()):
        nodes = pins.at(spot, within_mm=CONTACT_MM, face=-up) or pins.at(
            spot, within_mm=CONTACT_MM, face=up
        )
        found += nodes[:1]
    return tuple(dict.fromkeys(found))

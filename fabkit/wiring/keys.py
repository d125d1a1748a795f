"""Keys and their contacts: which part stands at each place, and which nets its contacts are on."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from fabkit.board.model import Board, Component
from fabkit.board.symmetry import find_lone_posts
from fabkit.package.model import Side
from fabkit.wiring.model import KeySite, Pin, Spot
from fabkit.wiring.pins import Pins, is_nameless, part_refs

SWITCH: Final = re.compile(r"(?:^|[^A-Za-z])(?:S|K|MX)\d|SW_?\d|KEY_?\d")
"""References of switches: S is the letter code of IEEE 315; SW, K, KEY and MX are common."""

SWITCH_WORDS: Final = re.compile(r"switch|(?:^|[^a-z])key|push.?button", re.IGNORECASE)
"""Values and footprints of switches."""

NEAR_MM: Final = 8.0
"""A key's part has its middle this near to the key's middle (common practice: less than half a
key pitch of 17 to 19 mm)."""

CONTACT_MM: Final = 3.0
"""A contact's pad comes this near to the middle of its hole: 1.5 mm of a socket's hole, and the
same again to the pad beside it (common practice)."""

SWITCH_PINS: Final = ("S1", "S2")
"""Pins of the switch in a part that is also something else, such as a knob (common practice)."""


@dataclass(frozen=True, eq=False, kw_only=True)
class BoardKey:
    """A key of a board: its place, the parts that stand there, and their pins."""

    ref: str
    site: KeySite
    refs: tuple[str, ...]
    pins: tuple[Pin, ...]

    @property
    def x_mm(self) -> float:
        """Its middle."""
        return self.site.x_mm

    @property
    def y_mm(self) -> float:
        """Its middle."""
        return self.site.y_mm


def find_board_keys(board: Board, pins: Pins, sites: Sequence[KeySite]) -> tuple[BoardKey, ...]:
    """Keys of a board, from the sites its holes show, else from its switches.

    Parameters
    ----------
    board, pins
        The board, and what is known of its pins.
    sites
        Places of switches by their holes; when there are none, lone centre holes are taken, and
        then parts that are switches by their reference and words.
    """
    by_ref: dict[str, list[Pin]] = defaultdict(list)
    for pin in pins.pins:
        by_ref[pin.ref].append(pin)
    parts = {c.ref: c for c in board.components}
    switches = [r for r in by_ref if is_switch(r, parts.get(r))]
    places = list(sites) or [KeySite(x_mm=k.x_mm, y_mm=k.y_mm) for k in find_lone_posts(board)]
    middles = {r: _middle(by_ref[r], parts.get(r)) for r in switches}
    if not places:
        switches = _alike(switches, parts, by_ref)
        places = [KeySite(x_mm=middles[r][0], y_mm=middles[r][1]) for r in switches]
    if not places:
        return ()
    standing: dict[int, list[str]] = defaultdict(list)
    for ref in switches:
        away = [_away(place, by_ref[ref], middles[ref]) for place in places]
        nearest = int(np.argmin(away))
        if away[nearest] <= NEAR_MM:
            standing[nearest].append(ref)
    keys = []
    for k, place in enumerate(places):
        refs = tuple(sorted(standing[k], key=natural))
        turn = next((t for r in refs if (t := _turn(parts.get(r))) is not None), None)
        site = place if turn is None or place.contacts else replace(place, rotation_deg=turn)
        keys.append(
            BoardKey(
                ref=refs[0] if refs else f"@{place.x_mm:.1f},{place.y_mm:.1f}",
                site=site,
                refs=refs,
                pins=tuple(p for r in refs for p in by_ref[r]),
            )
        )
    return tuple(keys)


def may_have_keys(board: Board, sites: Sequence[KeySite]) -> bool:
    """Whether holes or references leave room for a key, told without tracing the copper.

    Parameters
    ----------
    board, sites
        As for :func:`find_board_keys`.
    """
    if sites or find_lone_posts(board):
        return True
    parts = {c.ref: c for c in board.components}
    return any(is_switch(r, parts.get(r)) for r in (*parts, *part_refs(board)))


def _away(site: KeySite, pins: Sequence[Pin], middle: Spot) -> float:
    """How far a part's pads are from the contact holes of a site, else their middles, mm."""
    if np.hypot(site.x_mm - middle[0], site.y_mm - middle[1]) > 2 * NEAR_MM:
        return float("inf")
    ways = [
        max(min(np.hypot(p.x_mm - x, p.y_mm - y) for p in pins) for x, y in holes)
        for holes in site.contacts.values()
        if holes
    ]
    return float(min(ways, default=np.hypot(site.x_mm - middle[0], site.y_mm - middle[1])))


def natural(ref: str) -> tuple[tuple[int, int, str], ...]:
    """Sort key under which SW2 comes before SW10."""
    return tuple(
        (1, int(part), "") if part.isdecimal() else (0, 0, part)
        for part in re.split(r"(\d{1,9})", ref)
        if part
    )


def is_switch(ref: str, part: Component | None) -> bool:
    """Whether a part is a switch by its reference, value or footprint."""
    if SWITCH.search(ref):
        return True
    return part is not None and bool(SWITCH_WORDS.search(f"{part.value} {part.footprint}"))


def _turn(part: Component | None) -> float | None:
    return None if part is None else part.rotation_deg


def _middle(pins: Sequence[Pin], part: Component | None) -> tuple[float, float]:
    """Centroid where one is stated, which a rotation shows; else the middle of the pads."""
    if part is not None and part.rotation_deg is not None and part.x_mm is not None:
        return part.x_mm, part.y_mm or 0.0
    x, y = [p.x_mm for p in pins], [p.y_mm for p in pins]
    return (min(x) + max(x)) / 2, (min(y) + max(y)) / 2


def _alike(
    refs: Iterable[str], parts: dict[str, Component], pins: dict[str, list[Pin]]
) -> list[str]:
    """The most numerous kind of switch: a reset button is not a key."""

    def kind(ref: str) -> tuple[str, int]:
        part = parts.get(ref)
        return (part.footprint or part.value if part else ""), len(pins[ref])

    kinds = Counter(kind(r) for r in refs)
    if not kinds:
        return []
    most = max(sorted(kinds), key=lambda k: kinds[k])
    return sorted((r for r in refs if kind(r) == most), key=natural)


def key_nodes(key: BoardKey, pins: Pins, face_up: Side) -> tuple[str, ...]:
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


def _two_of(key: BoardKey, pins: Sequence[Pin], face_up: Side) -> tuple[str, ...]:
    """Contacts of a part with more nets than a switch has."""
    named = [p.node for p in pins if p.pin in SWITCH_PINS or p.function in SWITCH_PINS]
    if len(set(named)) == 2:
        return tuple(dict.fromkeys(named))
    near = []
    for x, y in key.site.contacts.get(face_up, ()):
        apart = [np.hypot(p.x_mm - x, p.y_mm - y) for p in pins]
        near.append(pins[int(np.argmin(apart))].node)
    return tuple(dict.fromkeys(near)) if len(set(near)) == 2 else ()


def _by_holes(key: BoardKey, pins: Pins, face_up: Side) -> tuple[str, ...]:
    """Nets of the pads at a key's contact holes, where the files name no part."""
    up = 1 if face_up == "top" else -1
    found = []
    for spot in key.site.contacts.get(face_up, ()):
        nodes = pins.at(spot, within_mm=CONTACT_MM, face=-up) or pins.at(
            spot, within_mm=CONTACT_MM, face=up
        )
        found += nodes[:1]
    return tuple(dict.fromkeys(found))

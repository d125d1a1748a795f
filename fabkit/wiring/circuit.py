"""The circuit of a board: contacts of keys, nets, pins, switches and jumpers as one graph."""

from __future__ import annotations

import re
from collections import defaultdict, deque
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from itertools import groupby
from typing import Final

import numpy as np

from fabkit.base.columns import gather
from fabkit.base.errors import UsageError
from fabkit.base.units import natural, some_of
from fabkit.board.copper import Copper
from fabkit.board.model import Board, Component
from fabkit.board.nets import is_power
from fabkit.geometry.neighbours import label_groups
from fabkit.keyboard.candidates import is_switch
from fabkit.keyboard.contacts import contact_pads, find_contacts
from fabkit.keyboard.model import Hands, Key, Spot
from fabkit.package.model import Side
from fabkit.wiring.model import Bridge, BridgeKind, DiodeUse, Line, Pin, WiringOptions
from fabkit.wiring.pins import Pins, is_nameless

_LETTERS: Final[dict[BridgeKind, re.Pattern[str]]] = {
    "jumper": re.compile(r"(?:^|[^A-Z])(?:JP|SJ)\d"),
    "diode": re.compile(r"(?:^|[^A-Z])(?:D|CR)\d"),
    "resistor": re.compile(r"(?:^|[^A-Z])(?:R|FB)\d"),
}
"""Letter codes: CR or D a diode, R a resistor, FB a ferrite bead (IEEE 315 and common practice)."""

JUMPER: Final = re.compile(r"jumper", re.IGNORECASE)
"""Values and footprints of jumpers, whatever their reference."""

LIGHT: Final = re.compile(r"LED|light", re.IGNORECASE)
ANODE: Final = re.compile(r"^(?:A\d*|ANODE)$", re.IGNORECASE)
CATHODE: Final = re.compile(r"^(?:K\d*|C|CATHODE|KATHODE)$", re.IGNORECASE)

CATHODE_PIN: Final = "1"
"""Pin 1 of a diode is its cathode: IPC-7351 (from memory), and common practice."""

FARTHEST: Final = 3
"""Parts in a row between a key and the controller; beyond it a net is no scan line."""

FEWEST_PINS: Final = 3
"""A controller, a header row or a port expander has at least this many pins."""


def find_bridges(
    pins: Iterable[Pin], parts: Mapping[str, Component], keys: Collection[str]
) -> tuple[Bridge, ...]:
    """Diodes, jumpers and resistors between two nets, by reference."""
    by_ref = gather((pin.ref, pin) for pin in pins if pin.ref not in keys)
    found: list[Bridge] = []
    for ref in sorted(by_ref, key=natural):
        kind = _kind(ref, parts.get(ref))
        if kind is None:
            continue
        throws = throws_of(by_ref[ref]) if kind == "jumper" else ()
        if throws:
            found += _changeover(ref, throws, _face(by_ref[ref]))
            continue
        ends = gather((pin.node, pin) for pin in by_ref[ref] if pin.node)
        if len(ends) == 2:
            found.append(_bridge(ref, kind, ends))
        elif len(ends) == 3 and kind == "diode":
            found += _double_diode(ref, ends)
    return tuple(found)


def _kind(ref: str, part: Component | None) -> BridgeKind | None:
    words = f"{part.value} {part.footprint}" if part else ""
    # Lights bear the letter D as well, and no scan line passes through one.
    if LIGHT.search(f"{ref} {words}"):
        return None
    named: BridgeKind | None = next(
        (k for k, letters in _LETTERS.items() if letters.search(ref)), None
    )
    return named or ("jumper" if JUMPER.search(words) else None)


def _face(pins: Iterable[Pin]) -> int:
    faces = {p.face for p in pins}
    return faces.pop() if len(faces) == 1 else 0


def _changeover(ref: str, throws: tuple[tuple[Pin, Pin], ...], face: int) -> Iterator[Bridge]:
    """List the ways of closing a jumper with three pads that join two nets."""
    for throw, (one, other) in enumerate(throws, start=1):
        if one.node and other.node and one.node != other.node:
            yield Bridge(
                ref=ref,
                kind="jumper",
                nodes=(one.node, other.node),
                anode="",
                assumed=False,
                face=face,
                throw=throw,
                pads=(one.pin, other.pin),
            )


def _bridge(ref: str, kind: BridgeKind, ends: Mapping[str, Sequence[Pin]]) -> Bridge:
    one, other = ends
    anode, assumed = _anode(ends) if kind == "diode" else ("", False)
    return Bridge(
        ref=ref,
        kind=kind,
        nodes=(one, other),
        anode=anode,
        assumed=assumed,
        face=_face(p for mine in ends.values() for p in mine),
    )


def _anode(ends: Mapping[str, Sequence[Pin]]) -> tuple[str, bool]:
    """Net of the anode, and whether pin 1 had to stand for the cathode."""
    for mark, flip in ((CATHODE, True), (ANODE, False)):
        hit = [n for n, mine in ends.items() if any(mark.match(_word(p)) for p in mine)]
        if len(hit) == 1:
            return next(n for n in ends if (n != hit[0]) is flip), False
    first = [n for n, mine in ends.items() if any(p.pin == CATHODE_PIN for p in mine)]
    if len(first) == 1:
        return next(n for n in ends if n != first[0]), True
    return "", False


def _word(pin: Pin) -> str:
    return pin.function if ANODE.match(pin.function) or CATHODE.match(pin.function) else pin.pin


def _double_diode(ref: str, ends: Mapping[str, Sequence[Pin]]) -> Iterator[Bridge]:
    """Two diodes in one case: the pin that is alone of its kind is common to both.

    Where pins are only numbered, pin 3 is the common one (common practice for small cases of
    three leads), and the direction stays unknown.
    """

    def are(mark: re.Pattern[str]) -> list[str]:
        return [n for n, mine in ends.items() if any(mark.match(_word(p)) for p in mine)]

    anodes, cathodes = are(ANODE), are(CATHODE)
    common = next((c[0] for c in (anodes, cathodes) if len(c) == 1), None)
    known = len(anodes) + len(cathodes) == 3
    if not known:
        common = next((n for n, mine in ends.items() if any(p.pin == "3" for p in mine)), None)
    for node in ends:
        if common is not None and node != common:
            made = _bridge(ref, "diode", {node: ends[node], common: ends[common]})
            anode = (common if common in anodes else node) if known else ""
            yield replace(made, anode=anode, assumed=False)


@dataclass(frozen=True, eq=False, kw_only=True)
class Circuit:
    """The nets of one half as used: which bridges count, and where the controller's pins are.

    Parameters
    ----------
    bridges
        By net.
    pins
        The controller's pins by net.
    closed
        Nets that no line passes through: ground, supplies, the net all keys share.
    """

    bridges: Mapping[str, tuple[Bridge, ...]]
    pins: Mapping[str, tuple[Pin, ...]]
    closed: frozenset[str]

    def line(self, node: str) -> Line:
        """Follow a contact to its scan line: the nearest net with a pin of the controller.

        Where the controller is not reached the line has no pins, and the diodes of the longest way
        that is known.
        """
        if node in self.pins and node not in self.closed:
            return Line(node=node, pins=self.pins[node])
        ways: deque[tuple[str, tuple[tuple[str, Bridge], ...]]] = deque([(node, ())])
        seen = {node}
        longest: tuple[tuple[str, Bridge], ...] = ()
        # Breadth first: the pin that fewest parts lie before is the line of the key.
        while ways:
            at, way = ways.popleft()
            if len(way) > len(longest) and way[-1][1].kind == "diode":
                longest = way
            if at != node and at in self.pins:
                return _line(at, self.pins[at], way)
            if len(way) == FARTHEST or (at in self.closed and at != node):
                continue
            for bridge in self.bridges.get(at, ()):
                there = bridge.other(at)
                # Through ground or a supply every net would lead to every other.
                if there not in seen and there not in self.closed:
                    seen.add(there)
                    ways.append((there, (*way, (at, bridge))))
        return _line(longest[-1][1].other(longest[-1][0]) if longest else node, (), longest)


def _line(node: str, pins: tuple[Pin, ...], way: tuple[tuple[str, Bridge], ...]) -> Line:
    diodes = tuple(
        DiodeUse(
            ref=bridge.ref,
            forward=None if not bridge.anode else bridge.anode == entered,
            assumed=bridge.assumed,
        )
        for entered, bridge in way
        if bridge.kind == "diode"
    )
    return Line(
        node=node,
        pins=pins,
        diodes=diodes,
        through=tuple(b.ref for _, b in way if b.kind != "diode"),
    )


def bridges_as_used(
    bridges: Iterable[Bridge],
    *,
    fitted_face: int,
    jumper_face: int,
    turnable: bool,
    thrown: Mapping[str, int],
) -> dict[str, tuple[Bridge, ...]]:
    """Bridges that count on a half, by net.

    On a board for either hand, jumpers are closed on one face only, and of two parts between the
    same nets the one on the fitted face is used.  ``thrown`` gives the way each jumper with three
    pads is closed; it is used whatever its face unless the other face has one for the same nets.
    """
    bridges = tuple(bridges)
    near = {frozenset(b.nodes) for b in bridges if b.throw and b.face in (0, jumper_face)}
    used: dict[tuple[object, ...], Bridge] = {}
    for bridge in bridges:
        far = turnable and bridge.kind == "jumper" and bridge.face not in (0, jumper_face)
        if far and (not bridge.throw or frozenset(bridge.nodes) in near):
            continue
        if bridge.throw != thrown.get(bridge.ref, 0):
            continue
        pair = (bridge.kind, *sorted(bridge.nodes))
        known = used.get(pair)
        if known is None or (known.face == -fitted_face and bridge.face != -fitted_face):
            used[pair] = bridge
    table = gather(
        (node, bridge)
        for bridge in sorted(used.values(), key=lambda b: natural(b.ref))
        for node in bridge.nodes
    )
    return {node: tuple(mine) for node, mine in table.items()}


def common_net(contacts: Sequence[tuple[str, ...]]) -> str:
    """Find the net that most keys share; empty when there is none."""
    # One key shares its net with none: only the name of a net can show it.
    if len(contacts) < 2:
        return next((n for nodes in contacts for n in nodes if is_power(n)), "")
    count: dict[str, int] = defaultdict(int)
    for nodes in contacts:
        for node in nodes:
            count[node] += 1
    node = max(sorted(count), key=lambda n: (count[n], is_power(n)), default="")
    share = count[node] / len(contacts) if node else 0
    # Rows and columns are not named like supplies, so fewer keys are enough for such a name.
    return node if share >= (0.3 if is_power(node) else COMMON_SHARE) else ""


COMMON_SHARE: Final = 0.75
"""Keys on one net from which they are wired direct, against that net; a matrix of several rows
and columns has fewer on every line."""


def find_controllers(
    pins: Iterable[Pin],
    contacts: Sequence[tuple[str, ...]],
    bridges: Mapping[str, tuple[Bridge, ...]],
    *,
    closed: frozenset[str],
    not_these: Collection[str],
) -> tuple[str, ...]:
    """Parts whose pins the keys' nets end on: first the one with most, then those for the rest."""
    wanted: set[str] = set()
    for nodes in contacts:
        for node in nodes:
            if node not in closed:
                wanted |= _reach(node, bridges, closed)
    on: dict[str, set[str]] = defaultdict(set)
    count: dict[str, int] = defaultdict(int)
    for pin in pins:
        count[pin.ref] += 1
        if pin.ref not in not_these and pin.node in wanted:
            on[pin.ref].add(pin.node)
    fit = {r: n for r, n in on.items() if count[r] >= FEWEST_PINS}
    chosen: list[str] = []
    left = set(wanted)
    while fit:
        # Counted by what is left: a connector that repeats the controller's nets gains nothing.
        ref = min(fit, key=lambda r: (-len(fit[r] & left), natural(r)))
        gain = len(fit[ref] & left)
        # One net in common may be chance; a single key has no more.
        if gain < (2 if chosen or len(contacts) > 1 else 1):
            break
        chosen.append(ref)
        left -= fit.pop(ref)
    return tuple(sorted(chosen, key=natural))


def _reach(
    node: str, bridges: Mapping[str, tuple[Bridge, ...]], closed: frozenset[str]
) -> set[str]:
    """Nets that can be reached from a contact through bridges."""
    seen, edge = {node}, [node]
    for _ in range(FARTHEST):
        edge = [
            there
            for at in edge
            for b in bridges.get(at, ())
            if (there := b.other(at)) not in closed and there not in seen
        ]
        seen |= set(edge)
    return seen


def split_circuits(
    pins: Pins, keys: Sequence[KeyPins], hands: Hands
) -> Iterator[tuple[Pins, Hands]]:
    """Split the pins by half where the halves on one board are two circuits, else keep them all.

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
    """Find the circuit that each island is part of: parts join what they are soldered to."""
    held = [p for p in pins.pins if p.island >= 0]
    refs = {ref: k for k, ref in enumerate(dict.fromkeys(p.ref for p in held))}
    islands = pins.copper.pieces.islands
    label = label_groups(
        islands + len(refs),
        np.array([p.island for p in held], int),
        np.array([islands + refs[p.ref] for p in held], int),
    )
    return {p.island: int(label[p.island]) for p in held}


# Keys and their contacts


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
    by_ref = gather((pin.ref, pin) for pin in pins.pins)
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
    if len(set(found)) > 2:
        # The third pin of a change-over switch is left free.
        found = [n for n in found if n not in pins.lone_nodes] or found
    return tuple(dict.fromkeys(found))


# Jumpers with three pads, which are closed the other way on a half that is turned over


Joined = Mapping[str, tuple[str, str]]

NAMED: Final = 6
"""Jumpers named one by one."""


def throws_of(pins: Sequence[Pin]) -> tuple[tuple[Pin, Pin], ...]:
    """Pair the pads that a jumper can join, the pair with the lower pad first.

    The middle pad is the one that lies most nearly between the other two, whatever its number.

    Parameters
    ----------
    pins
        All pins of one part.

    Returns
    -------
    Two pairs, each of one outer and the middle pad; empty when the part has other than three pads.
    """
    pads = gather((pin.pin, pin) for pin in pins)
    if len(pads) != 3:
        return ()
    names = sorted(pads, key=natural)
    at = np.array([np.mean([(p.x_mm, p.y_mm) for p in pads[n]], axis=0) for n in names])
    # Twice the way from each pad to the midpoint of the other two.
    off = np.hypot(*(3 * at - at.sum(axis=0)).T)
    # Rounded, so that of pads equally far off the lower number counts, not the last digit.
    middle = names[int(np.argmin(np.round(off, 3)))]
    first, second = (n for n in names if n != middle)
    return (pads[first][0], pads[middle][0]), (pads[middle][0], pads[second][0])


def thrown(
    bridges: Iterable[Bridge], options: WiringOptions, *, right: bool, turned: bool
) -> dict[str, int]:
    """Which way each jumper with three pads is closed on a half, by reference.

    Parameters
    ----------
    bridges
        Those of the board.
    options
        What the user states is joined.
    right
        For the right half.
    turned
        The half is the left half's board turned over: what is not stated is closed the other way.

    Raises
    ------
    UsageError
        A jumper has no such pads.
    """
    ways: dict[str, dict[int, tuple[str, str]]] = defaultdict(dict)
    for bridge in bridges:
        if bridge.throw:
            ways[bridge.ref][bridge.throw] = bridge.pads
    out = {}
    for ref, mine in ways.items():
        throw = _chosen(ref, mine, options.joined) or 1
        if turned:
            throw = 3 - throw
        out[ref] = (right and _chosen(ref, mine, options.right_joined)) or throw
    return out


def _chosen(ref: str, ways: Mapping[int, tuple[str, str]], joined: Joined) -> int:
    """Find the way that is asked for; 0 when none is.  Of several patterns the last counts."""
    asked = [pads for pattern, pads in joined.items() if fnmatchcase(ref, pattern)]
    if not asked:
        return 0
    hit = [throw for throw, pads in ways.items() if set(pads) == set(asked[-1])]
    if not hit:
        there = " or ".join("-".join(pads) for _, pads in sorted(ways.items()))
        raise UsageError(f"{ref} cannot join pads {'-'.join(asked[-1])}", hint=f"it joins {there}")
    return hit[0]


def refuse_unknown(bridges: Iterable[Bridge], options: WiringOptions) -> None:
    """Refuse names of jumpers that no board has.

    Raises
    ------
    UsageError
        A name or pattern matches no jumper with three pads.
    """
    refs = sorted({b.ref for b in bridges if b.throw}, key=natural)
    for pattern in (*options.joined, *options.right_joined):
        if not any(fnmatchcase(ref, pattern) for ref in refs):
            raise UsageError(
                f"'{pattern}' is no jumper with three pads",
                hint=f"there are {', '.join(refs[:20])}"
                if refs
                else "no part named JP or SJ, or called a jumper, has three pads with known pins",
            )


def closed_words(bridges: Iterable[Bridge]) -> Iterator[str]:
    """Which pads are joined, in sentences.

    Parameters
    ----------
    bridges
        Those that count on a half.
    """
    closed = {(b.pads, b.ref) for b in bridges if b.throw}
    for pads, mine in groupby(sorted(closed), key=lambda c: c[0]):
        refs = sorted({ref for _, ref in mine}, key=natural)
        names = some_of(refs, NAMED if len(refs) > NAMED + 1 else len(refs))
        verb = "joins" if len(refs) == 1 else "join"
        yield f"{names} {verb} pads {pads[0]} and {pads[1]} (--joined changes this)."

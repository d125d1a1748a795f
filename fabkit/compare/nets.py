"""Nets of two boards: renamed, new, gone; pins that are on another net."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

from fabkit.board.copper import NO_NET, netlist_of
from fabkit.board.model import Board
from fabkit.compare.model import Change, Verb, What

Pin = tuple[str, str]
"""Reference and pin."""
Pins = Mapping[Pin, str]
"""Net of each pin; empty for a pin on no net."""

_NONE: Final = "no net"


def pins_of(old: Board, new: Board) -> tuple[Pins, Pins] | str:
    """Pins of both boards from one kind of source, or why there is none."""
    by_attributes = [_attribute_pins(board) for board in (old, new)]
    if all(by_attributes):
        return by_attributes[0], by_attributes[1]
    by_netlist = [_netlist_pins(board) for board in (old, new)]
    if all(by_netlist):
        return by_netlist[0], by_netlist[1]
    known = [bool(a or n) for a, n in zip(by_attributes, by_netlist, strict=True)]
    if all(known):
        return "one board names nets in its layers, the other only in a netlist"
    lacking = [name for name, there in (("OLD", known[0]), ("NEW", known[1])) if not there]
    return "neither names any" if len(lacking) == 2 else f"{lacking[0]} names none"


def _attribute_pins(board: Board) -> Pins:
    pins = {
        (c.ref, pin): "" if net in NO_NET else net for c in board.components for pin, net in c.pins
    }
    return pins if any(pins.values()) else {}


def _netlist_pins(board: Board) -> Pins:
    netlist = netlist_of(board)
    if netlist is None:
        return {}
    return {
        (p.ref, p.pin): "" if p.net in NO_NET else p.net
        for p in netlist.points
        if p.ref and p.pin and p.kind != "tooling"
    }


def compare_nets(old: Pins, new: Pins) -> Iterator[Change]:
    """Nets that hold the same pins under another name are renamed; other pins have moved.

    Notes
    -----
    Only pins that both boards have tell: nets with exactly the same ones belong together, then
    nets of one name, then nets that share more than half of each other's.
    """
    common = sorted(old.keys() & new.keys())
    before, after = _members(old, common), _members(new, common)
    became = _pair(before, after)
    came = {b: a for a, b in became.items()}
    for a in sorted(became):
        if became[a] != a:
            yield Change(what=What.NET, verb=Verb.RENAMED, subject="net", before=a, after=became[a])
    for net in sorted({n for n in old.values() if n} - became.keys() - set(new.values())):
        yield Change(what=What.NET, verb=Verb.REMOVED, subject=f"net {net}")
    for net in sorted({n for n in new.values() if n} - came.keys() - set(old.values())):
        yield Change(what=What.NET, verb=Verb.ADDED, subject=f"net {net}")
    for pin in common:
        if became.get(old[pin], old[pin]) != new[pin]:
            yield Change(
                what=What.PIN,
                verb=Verb.MOVED,
                subject=_words(pin),
                before=old[pin] or _NONE,
                after=new[pin] or _NONE,
            )
    refs = {ref for ref, _ in old} & {ref for ref, _ in new}
    for pin in sorted(old.keys() - new.keys()):
        if pin[0] in refs:
            yield Change(
                what=What.PIN, verb=Verb.REMOVED, subject=_words(pin), before=old[pin] or _NONE
            )
    for pin in sorted(new.keys() - old.keys()):
        if pin[0] in refs:
            yield Change(
                what=What.PIN, verb=Verb.ADDED, subject=_words(pin), after=new[pin] or _NONE
            )


def _words(pin: Pin) -> str:
    return f"{pin[0]} pin {pin[1]}"


def _members(pins: Pins, common: list[Pin]) -> dict[str, frozenset[Pin]]:
    found: dict[str, set[Pin]] = {}
    for pin in common:
        if pins[pin]:
            found.setdefault(pins[pin], set()).add(pin)
    return {net: frozenset(members) for net, members in found.items()}


def _pair(
    before: Mapping[str, frozenset[Pin]], after: Mapping[str, frozenset[Pin]]
) -> dict[str, str]:
    """Which net became which."""
    by_pins = {members: net for net, members in after.items()}
    became = {net: by_pins[pins] for net, pins in before.items() if pins in by_pins}
    taken = set(became.values())
    for net in before:
        if net not in became and net in after and net not in taken:
            became[net] = net
            taken.add(net)
    for net in sorted(before.keys() - became.keys()):
        for other in sorted(after.keys() - taken):
            shared = len(before[net] & after[other])
            if 2 * shared > max(len(before[net]), len(after[other])):
                became[net] = other
                taken.add(other)
                break
    return became

"""What is wrong with a wiring: keys without pins, two on one pin, diodes, power on wrong pads."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Final

from fabkit.base.findings import Finding, Place, Rule, Severity
from fabkit.base.units import counted, some_of
from fabkit.board.nets import is_battery, is_ground, is_supply
from fabkit.rules import load_rule
from fabkit.wiring.model import HalfWiring, KeyWire, Line, Pin
from fabkit.wiring.pins import NO_PARTNER, is_nameless

NO_KEYS: Final = load_rule("wiring/no-keys")
PINS_UNKNOWN: Final = load_rule("wiring/pins-unknown")
HALF_UNKNOWN: Final = load_rule("wiring/half-unknown")
KEY_WITHOUT_PIN: Final = load_rule("wiring/key-without-pin")
PIN_TWO_KEYS: Final = load_rule("wiring/pin-two-keys")
SAME_CROSSING: Final = load_rule("wiring/same-row-column")
PIN_TWICE: Final = load_rule("wiring/pin-twice")
GROUND_PIN: Final = load_rule("wiring/ground-pin")
BATTERY_PIN: Final = load_rule("wiring/battery-pin")
KEY_ON_POWER: Final = load_rule("wiring/key-on-power-pin")
MIXED_DIODES: Final = load_rule("wiring/diode-direction")
NO_DIODE: Final = load_rule("wiring/no-diode")
DIODE_ASSUMED: Final = load_rule("wiring/cathode-assumed")
DIODES_INFERRED: Final = load_rule("wiring/diodes-inferred")
HALVES_DIFFER: Final = load_rule("wiring/halves-differ")
COPPER_OPEN: Final = load_rule("wiring/copper-open")
ODD_KEY: Final = load_rule("wiring/contacts-unclear")
NO_SCHEME: Final = load_rule("wiring/no-scheme")

RESET: Final = re.compile(r"^(?:N?RST|N?RESET|EN|RUN)\b", re.IGNORECASE)
"""Pins that restart the controller."""

LISTED: Final = 20
"""Places kept of a finding."""

NAMED: Final = 8
"""Keys named one by one."""


def judge_half(half: HalfWiring, seated: Sequence[Pin], pins: Sequence[Pin]) -> Iterator[Finding]:
    """Judge one half.

    Parameters
    ----------
    half
        Its wiring.
    seated
        Pins of its controller, as they sit on this half.
    pins
        All pins known of its board.
    """
    if half.scan == "other":
        message = f"{counted(len(half.keys), 'key')} between lines that are not rows and columns"
        yield _finding(NO_SCHEME, message, (), half)
    if half.keys and not any(a.pins for k in half.keys for a in k.lines):
        message = f"no pin is known of any of {counted(len(half.keys), 'key')}"
        yield _finding(HALF_UNKNOWN, message, half.keys, half)
        return
    yield from _keys_without_pin(half)
    yield from _shared(half)
    yield from _diodes(half)
    yield from _pins_twice(half, seated)
    yield from _power(half, seated)
    yield from _open(half, pins)


def _places(keys: Iterable[KeyWire], half: HalfWiring) -> tuple[Place, ...]:
    return tuple(Place(side=half.face_up, x_mm=k.x_mm, y_mm=k.y_mm) for k in list(keys)[:LISTED])


def _where_on(half: HalfWiring) -> str:
    return "" if half.hand == "whole" else f", {half.hand} half"


def _finding(rule: Rule, message: str, keys: Sequence[KeyWire], half: HalfWiring) -> Finding:
    said = message + _where_on(half)
    return Finding.of(rule, said, *_places(keys, half), count=max(1, len(keys)))


def _named(keys: Sequence[KeyWire]) -> str:
    refs = [k.ref for k in keys]
    # One more is named as well: its name is no longer than its count.
    return some_of(refs, NAMED if len(refs) > NAMED + 1 else len(refs))


def _all(keys: Sequence[KeyWire]) -> str:
    return "both" if len(keys) == 2 else "all"


def _keys_without_pin(half: HalfWiring) -> Iterator[Finding]:
    odd = [k for k in half.keys if len(k.nodes) != 2]
    lacking = [
        k for k in half.keys if k not in odd and (not k.lines or any(not a.pins for a in k.lines))
    ]
    one_net = [k for k in odd if len(k.nodes) < 2]
    for keys, words in (
        ([k for k in odd if k not in one_net], "more than two nets at"),
        (one_net, "fewer than two nets at"),
    ):
        if keys:
            yield _finding(ODD_KEY, f"{words} {_named(keys)}", keys, half)
    if lacking:
        nets = ", ".join(dict.fromkeys(a.node for k in lacking for a in k.lines if not a.pins))
        tail = f" (net {nets})" if nets and len(nets) < 120 else ""
        yield _finding(
            KEY_WITHOUT_PIN, f"{_named(lacking)}: no controller pin{tail}", lacking, half
        )


def _shared(half: HalfWiring) -> Iterator[Finding]:
    met: dict[tuple[str, ...], list[KeyWire]] = defaultdict(list)
    for key in half.keys:
        if half.scan == "direct" and key.line is not None:
            met[(key.line.node,)].append(key)
        elif key.row_line is not None and key.column_line is not None:
            met[key.row_line.node, key.column_line.node].append(key)
    for nodes, keys in met.items():
        if len(keys) < 2:
            continue
        if half.scan == "direct":
            on = ", ".join(p.label for a in keys[0].lines for p in a.pins) or "no pin"
            message = f"{_named(keys)} are {_all(keys)} on net {nodes[0]} ({on})"
            yield _finding(PIN_TWO_KEYS, message, keys, half)
        else:
            message = f"{_named(keys)} are {_all(keys)} at row {nodes[0]}, column {nodes[1]}"
            if len({frozenset(k.nodes) for k in keys}) == 1:
                # Side by side on one diode they are likely alternatives, or one key made twice.
                message += ", on the same two nets"
                made = _finding(SAME_CROSSING, message, keys, half)
                yield replace(made, severity=Severity.WARNING)
            else:
                yield _finding(SAME_CROSSING, message, keys, half)


def _diodes(half: HalfWiring) -> Iterator[Finding]:
    if half.scan != "matrix":
        return
    bare = [
        k
        for k in half.keys
        if len(k.lines) == 2 and all(a.pins for a in k.lines) and not any(a.diodes for a in k.lines)
    ]
    if bare:
        what = (
            "no key has a diode" if len(bare) == len(half.keys) else f"no diode at {_named(bare)}"
        )
        yield _finding(NO_DIODE, what, bare, half)
    ways = Counter(k.current for k in half.keys if k.current)
    if len(ways) > 1:
        (most, count), *_ = ways.most_common()
        wrong = [k for k in half.keys if k.current and k.current != most]
        yield _finding(
            MIXED_DIODES,
            f"current flows {most} at {count} keys, the other way at {_named(wrong)}",
            wrong,
            half,
        )
    assumed = {d.ref for k in half.keys for a in k.lines for d in a.diodes if d.assumed}
    if assumed:
        yield Finding.of(
            DIODE_ASSUMED,
            f"pin 1 of {counted(len(assumed), 'diode')} taken as cathode{_where_on(half)}",
            assumed="pin 1 is the cathode",
        )


def _lines(half: HalfWiring) -> dict[str, Line]:
    return {a.node: a for k in half.keys for a in k.lines if a.pins}


def _pins_twice(half: HalfWiring, pins: Sequence[Pin]) -> Iterator[Finding]:
    used = _lines(half)
    nets: dict[str, dict[str, Pin]] = defaultdict(dict)
    for pin in pins:
        name = pin.function or (f"{pin.ref}.{pin.pin}" if pin.pin else "")
        if name and name != NO_PARTNER and pin.node and not _nature(pin):
            nets[name][pin.node] = pin
    for name, ends in sorted(nets.items()):
        if len(ends) > 1 and any(node in used for node in ends):
            said = ", ".join(f"{p.ref}.{p.pin} on {node}" for node, p in sorted(ends.items()))
            keys = [k for k in half.keys if any(a.node in ends for a in k.lines)]
            yield _finding(PIN_TWICE, f"pin {name} is used twice: {said}", keys, half)


def _nature(pin: Pin) -> str:
    """``ground``, ``supply`` or ``reset``; empty for an ordinary pin.

    A pin's own name counts, else the net it is on where the controller has not been turned.
    """
    if is_ground(pin.function) or (not pin.function and is_ground(pin.home)):
        return "ground"
    if is_supply(pin.function) or (not pin.function and is_supply(pin.home)):
        return "supply"
    return "reset" if RESET.search(pin.function or pin.home) else ""


def _power(half: HalfWiring, pins: Sequence[Pin]) -> Iterator[Finding]:
    used = _lines(half)
    on_power: list[tuple[Pin, str]] = []
    met: set[tuple[str, str, str, str]] = set()
    for pin in pins:
        place = (pin.ref, pin.pin, pin.function, pin.node)
        # A pin with several lands is judged once.
        if not (pin.function or pin.home) or not pin.node or place in met:
            continue
        met.add(place)
        nature = _nature(pin)
        said = f"{pin.label} is on net {pin.node}"
        if pin.home and not pin.function:
            said = f"{pin.label}, which is {pin.home} on the left half, is on net {pin.node}"
        # Copper without a name may well be ground: only a name can contradict a pin.
        net_named = not is_nameless(pin.node)
        if pin.node in used and nature:
            on_power.append((pin, said))
        elif nature == "ground" and net_named and not is_ground(pin.node):
            yield _pin_finding(BATTERY_PIN if is_supply(pin.node) else GROUND_PIN, said, pin, half)
        elif (nature == "supply" and is_ground(pin.node)) or (
            is_battery(pin.node) and nature != "supply"
        ):
            yield _pin_finding(BATTERY_PIN, said, pin, half)
        elif not nature and pin.home and (is_ground(pin.node) or is_supply(pin.node)):
            yield _pin_finding(GROUND_PIN, said, pin, half)
    for pin, said in on_power:
        keys = [k for k in half.keys if any(a.node == pin.node for a in k.lines)]
        yield _finding(KEY_ON_POWER, f"{said}, with {_named(keys)}", keys, half)


def _open(half: HalfWiring, pins: Sequence[Pin]) -> Iterator[Finding]:
    """Nets of keys and lines whose pads lie on several pieces of copper."""
    nets = {n for k in half.keys for n in k.nodes} | set(_lines(half))
    nets.discard(half.common)
    parts: dict[str, dict[int, Pin]] = defaultdict(dict)
    for pin in pins:
        if pin.node in nets and pin.island >= 0:
            parts[pin.node].setdefault(pin.island, pin)
    for net, ends in sorted(parts.items()):
        if len(ends) > 1:
            said = ", ".join(p.label for p in list(ends.values())[:4])
            places = [Place(x_mm=p.x_mm, y_mm=p.y_mm) for p in ends.values()]
            message = f"net {net} is in {len(ends)} pieces, with {said}"
            yield Finding.of(COPPER_OPEN, message + _where_on(half), *places[:LISTED])


def _pin_finding(rule: Rule, message: str, pin: Pin, half: HalfWiring) -> Finding:
    return Finding.of(rule, message + _where_on(half), Place(x_mm=pin.x_mm, y_mm=pin.y_mm))


def compare_hands(left: HalfWiring, right: HalfWiring) -> Iterator[Finding]:
    """Places of one board whose key has another pin on the other half."""
    # On two boards, or with another controller, other pins are meant.
    if left.board != right.board or left.controllers != right.controllers:
        return
    pins = {_where(k): _pin_names(k) for k in left.keys}
    moved = [
        k for k in right.keys if (old := pins.get(_where(k))) is not None and old != _pin_names(k)
    ]
    if moved:
        yield Finding.of(
            HALVES_DIFFER,
            f"{_named(moved)}: another pin on the right half than on the left",
            *_places(moved, right),
            count=len(moved),
        )


def _where(key: KeyWire) -> tuple[float, float]:
    return round(key.x_mm, 3), round(key.y_mm, 3)


def _pin_names(key: KeyWire) -> list[str]:
    return sorted(p.label for a in key.lines for p in a.pins)

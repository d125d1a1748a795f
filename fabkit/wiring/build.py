"""Finding the wiring of a keyboard: boards, halves and numbers put together."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from fabkit.base.findings import Finding, Place
from fabkit.base.units import counted, format_number
from fabkit.board.copper import trace_copper
from fabkit.board.model import Board
from fabkit.keyboard.build import find_keyboard, headline
from fabkit.keyboard.grid import RULE, key_pitch
from fabkit.keyboard.model import Hand, Use
from fabkit.sheets.order import BESIDE
from fabkit.wiring import rules
from fabkit.wiring.bench import Bench
from fabkit.wiring.changeover import refuse_unknown
from fabkit.wiring.circuits import split_circuits
from fabkit.wiring.headers import find_headers
from fabkit.wiring.judge import compare_hands, judge_half
from fabkit.wiring.keys import find_key_pins
from fabkit.wiring.model import HalfWiring, HeaderHole, Wiring, WiringOptions
from fabkit.wiring.pins import NOTHING, TABLE, gather_pins
from fabkit.wiring.pintable import NamedPin

_HANDS: Final[tuple[Hand, ...]] = ("left", "whole", "right")


@dataclass(frozen=True, eq=False, kw_only=True)
class Design:
    """One board as given, and what it is for.

    ``use`` is None when nobody said; ``table`` names pins that the files leave nameless.
    """

    board: Board
    use: Use | None = None
    table: Sequence[NamedPin] = ()


def find_wiring(
    designs: Sequence[Design], options: WiringOptions | None = None, *, name: str = ""
) -> Wiring:
    """Find which controller pin each key is on.

    Parameters
    ----------
    designs
        One board, or the left and the right one.
    options
        What the user chose.
    name
        Name of the keyboard; that of the first board when empty.

    Raises
    ------
    UsageError
        The options name a part, a pad or a key that is not there.
    """
    wanted = options or WiringOptions()
    problems: list[Finding] = []
    sources: list[str] = []
    rule: list[str] = []
    halves: list[HalfWiring] = []
    benches: list[Bench] = []
    headers: dict[int, tuple[HeaderHole, ...]] = {}
    for number, design in enumerate(designs):
        board = design.board
        keyboard = find_keyboard(board, wanted.use or design.use)
        # Most of the work is to trace the copper: not for a board that has no key to wire.
        if not keyboard.keys or keyboard.hands.use in BESIDE:
            if len(designs) > 1 and keyboard.hands.use in BESIDE:
                continue
            message = f"no keys to wire on {board.name}: {headline(keyboard)}"
            problems.append(Finding.of(rules.NO_KEYS, message, Place(file=board.name)))
            continue
        pins = gather_pins(trace_copper(board), design.table)
        keys = find_key_pins(board, pins, keyboard.keys)
        sources.append(pins.source)
        if keyboard.hands.stated_by == "files":
            rule.append(f"{board.name}: {headline(keyboard)} ({keyboard.hands.why}).")
        pitch = key_pitch(np.array([(k.x_mm, k.y_mm) for k in keyboard.keys]))
        rule.append(RULE.format(pitch=format_number(pitch, digits=1)))
        mine = [
            Bench(number, trace_copper(board), own, keys, hands, wanted)
            for own, hands in split_circuits(pins, keys, keyboard.hands)
        ]
        benches += mine
        made = []
        for bench in mine:
            for one in bench.halves(sum(len(h.keys) for h in halves)):
                made.append((bench, one))
                halves.append(one.half)
        inferred = {b.ref for bench in mine for b in bench.inferred}
        if inferred:
            message = f"{counted(len(inferred), 'diode')} of {board.name} told by their pads alone"
            problems.append(Finding.of(rules.DIODES_INFERRED, message, Place(file=board.name)))
        if pins.source in (NOTHING, TABLE):
            headers[number] = find_headers(trace_copper(board), keyboard.keys)
        if pins.source == NOTHING:
            message = f"{board.name}: neither attributes nor a netlist name pins and nets"
            problems.append(Finding.of(rules.PINS_UNKNOWN, message, Place(file=board.name)))
            continue
        for bench, one in made:
            problems += judge_half(one.half, one.pins, bench.pins.pins)
    if benches:
        refuse_unknown([b for bench in benches for b in bench.bridges], wanted)
    halves.sort(key=lambda h: _HANDS.index(h.hand))
    if len(halves) == 2:
        problems += compare_hands(*halves)
    return Wiring(
        name=name or designs[0].board.name,
        source="; ".join(dict.fromkeys(sources)) or NOTHING,
        rule=tuple(dict.fromkeys((*rule, *_numbering_rule(wanted, halves)))),
        first=wanted.first,
        halves=tuple(halves),
        headers={k: v for k, v in headers.items() if v},
        problems=tuple(sorted(problems, key=lambda f: (-f.severity, f.id, f.message))),
    )


def _numbering_rule(options: WiringOptions, halves: Sequence[HalfWiring]) -> Iterator[str]:
    """How keys were numbered, in sentences."""
    if not halves:
        return
    if options.order:
        yield "Numbered in the order listed by hand."
    elif options.walk == "rows":
        yield "Numbered row by row from the top, from left to right as seen from the keys."
    else:
        yield "Numbered column by column from the left as seen from the keys, from the top."
    if options.thumbs == "last" and not options.order:
        yield "Turned thumb keys come last on each half; --thumbs placed leaves them in their rows."
    if options.mirrored and not options.order:
        yield "The right half counts from its right side, so that mirrored keys count alike."
    base = "zero-based" if options.first == 0 else "not zero-based"
    yield f"The first key is {options.first} ({base})."
    right = next((h for h in halves if h.hand == "right" and h.keys), None)
    if right is not None:
        yield (
            f"The right half starts at {right.keys[0].index}: both halves are one electrical row, "
            "left before right (common practice)."
        )

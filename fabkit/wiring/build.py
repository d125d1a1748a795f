"""Finding the wiring of a keyboard: boards, halves and numbers put together."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np

from fabkit.base.errors import UsageError
from fabkit.base.findings import Finding, Place, worst_first
from fabkit.base.units import counted, format_number, natural
from fabkit.board.copper import Copper, trace_copper
from fabkit.board.model import Board, Component
from fabkit.board.nets import is_power
from fabkit.keyboard.build import describe, find_keyboard, headline
from fabkit.keyboard.candidates import is_switch
from fabkit.keyboard.hands import opposite
from fabkit.keyboard.model import Group, Hand, Hands
from fabkit.keyboard.numbering import (
    RULE,
    fold_overlaps,
    key_order,
    key_pitch,
    lay_grid,
    seen_places,
    seen_points,
    thumb_keys,
)
from fabkit.keyboard.ordered import as_designs, as_single, require_same_count
from fabkit.package.model import Side
from fabkit.sheets.order import BESIDE, BoardUse, Order
from fabkit.wiring.circuit import (
    Circuit,
    KeyPins,
    bridges_as_used,
    closed_words,
    common_net,
    find_bridges,
    find_controllers,
    find_key_pins,
    key_nodes,
    refuse_unknown,
    split_circuits,
    thrown,
)
from fabkit.wiring.judge import DIODES_INFERRED, NO_KEYS, PINS_UNKNOWN, compare_hands, judge_half
from fabkit.wiring.matrix import (
    Matrix,
    find_matrix,
    first_of,
    flow,
    infer_diodes,
    order_by_hand,
    rows_as_wired,
)
from fabkit.wiring.model import (
    Bridge,
    HalfWiring,
    HeaderHole,
    KeyWire,
    Line,
    Pin,
    Scan,
    Wiring,
    WiringOptions,
)
from fabkit.wiring.pins import (
    NOTHING,
    TABLE,
    NamedPin,
    Pins,
    find_headers,
    gather_pins,
    in_leads,
    load_key_order,
    load_pins,
    swap_rows,
)

_HANDS: Final[tuple[Hand, ...]] = ("left", "whole", "right")


def list_wiring(
    boards: Board | Sequence[Board],
    order: Order | None = None,
    *,
    options: WiringOptions | None = None,
    pins: Path | str | None = None,
    key_order: Path | str | None = None,
) -> Wiring:
    """List which controller pin each key is on, on the left half and on the right.

    Parameters
    ----------
    boards
        One design, or the designs of ``order`` in its order.
    order
        What each board is for; None leaves it to the files.
    options
        Numbering, controller, and what happens when the board is turned over.
    pins
        A table (CSV or TOML) that names pins by place or pad number.
    key_order
        A TOML file that lists the keys in the order of their numbers.

    Raises
    ------
    SheetError
        A row of a table is wrong.
    UsageError
        The options name a part, a pad or a key that is not there.
    """
    given = as_designs(boards)
    designs = as_single(given)
    chosen = options or WiringOptions()
    if key_order is not None:
        chosen = replace(chosen, order=load_key_order(Path(key_order)))
    table = () if pins is None else load_pins(Path(pins))
    uses: list[BoardUse | None] = [None] * len(designs)
    if order is not None:
        require_same_count(designs, order)
        uses = [one.stated for one in order.boards]
    found = _find(designs, uses, table, chosen)
    name = order.name if order is not None and order.name else found.name
    said = (describe(b, chosen.use or u) for b, u in zip(given, uses, strict=True))
    return replace(found, name=name, boards=tuple(said))


def _find(
    boards: Sequence[Board],
    uses: Sequence[BoardUse | None],
    table: Sequence[NamedPin],
    options: WiringOptions,
) -> Wiring:
    """Find the wiring of boards of a stated use each; ``table`` names pins the files do not."""
    problems: list[Finding] = []
    sources: list[str] = []
    rule: list[str] = []
    halves: list[HalfWiring] = []
    benches: list[Bench] = []
    headers: dict[int, tuple[HeaderHole, ...]] = {}
    for number, (board, use) in enumerate(zip(boards, uses, strict=True)):
        keyboard = find_keyboard(board, options.use or use)
        # Most of the work is to trace the copper: not for a board that has no key to wire.
        if not keyboard.keys or keyboard.hands.use in BESIDE:
            if len(boards) > 1 and keyboard.hands.use in BESIDE:
                continue
            message = f"no keys to wire on {board.name}: {headline(keyboard)}"
            problems.append(Finding.of(NO_KEYS, message, Place(file=board.name)))
            continue
        pins = gather_pins(trace_copper(board), table)
        keys = find_key_pins(board, pins, keyboard.keys)
        sources.append(pins.source)
        if keyboard.hands.stated_by == "files":
            rule.append(f"{board.name}: {keyboard.hands.why}.")
        pitch = key_pitch(np.array([(k.x_mm, k.y_mm) for k in keyboard.keys]))
        rule.append(RULE.format(pitch=format_number(pitch, digits=1)))
        mine = [
            Bench(number, trace_copper(board), own, keys, hands, options)
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
            message = f"{counted(len(inferred), 'diode')} of {board.name} inferred from pads alone"
            problems.append(Finding.of(DIODES_INFERRED, message, Place(file=board.name)))
        if pins.source in (NOTHING, TABLE):
            headers[number] = find_headers(trace_copper(board), keyboard.keys)
        if pins.source == NOTHING:
            message = f"{board.name}: neither attributes nor a netlist name pins and nets"
            problems.append(Finding.of(PINS_UNKNOWN, message, Place(file=board.name)))
            continue
        for bench, one in made:
            problems += judge_half(one.half, one.pins, bench.pins.pins)
    if benches:
        refuse_unknown([b for bench in benches for b in bench.bridges], options)
    halves.sort(key=lambda h: _HANDS.index(h.hand))
    if len(halves) == 2:
        problems += compare_hands(*halves)
    return Wiring(
        name=boards[0].name,
        source="; ".join(dict.fromkeys(sources)) or NOTHING,
        rule=tuple(dict.fromkeys((*rule, *_numbering_rule(options, halves)))),
        first=options.first,
        halves=tuple(halves),
        headers={k: v for k, v in headers.items() if v},
        problems=worst_first(problems),
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


@dataclass(frozen=True, slots=True)
class _Wired:
    """A key with its nets and lines; ``also`` names places it is fitted instead of."""

    key: KeyPins
    nodes: tuple[str, ...]
    lines: tuple[Line, ...]
    also: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Seated:
    """A half, and the pins of its controller as they sit on it."""

    half: HalfWiring
    pins: tuple[Pin, ...]


class Bench:
    """One board with everything that its halves share.

    Parameters
    ----------
    number
        Which of the boards given, from 0.
    copper, pins, keys, hands
        The board, what is known of its pins, its keys, and which half each belongs to.
    options
        What the user chose.
    """

    def __init__(
        self,
        number: int,
        copper: Copper,
        pins: Pins,
        keys: tuple[KeyPins, ...],
        hands: Hands,
        options: WiringOptions,
    ) -> None:
        self.number = number
        self.bounds = copper.board.bounds
        self.holes = copper.board.holes
        self.pins = pins
        self.keys = keys
        self.hands = hands
        self.options = options
        parts = {c.ref: c for c in copper.board.components}
        self.key_refs = {r for k in keys for r in k.refs}
        self.bridges = find_bridges(pins.pins, parts, self.key_refs)
        self.no_hub = self.key_refs | {b.ref for b in self.bridges}
        self.no_hub |= {
            p.ref for p in pins.pins if is_switch(parts.get(p.ref) or Component(ref=p.ref))
        }
        self.power = frozenset(p.node for p in pins.pins if is_power(p.node))
        self.inferred: tuple[Bridge, ...] = ()
        if pins.source == TABLE:
            self.inferred = self._inferred(copper)
            self.bridges += self.inferred

    def _inferred(self, copper: Copper) -> tuple[Bridge, ...]:
        """Diodes that only the copper shows, where no file names parts."""
        lines = {p.node for p in self.pins.pins if p.ref not in self.no_hub} - self.power
        up = self.hands.groups[0].face_up
        contacts = [key_nodes(k, self.pins, up) for k in self.keys]
        common = common_net(contacts)
        bridged = {n for b in self.bridges for n in b.nodes} | {common}
        loose = [tuple(n for n in nodes if n not in bridged) for nodes in contacts]
        return infer_diodes(copper, loose, [k.key for k in self.keys], lines)

    def halves(self, before: int) -> Iterator[Seated]:
        """Make the halves of this board, left before right.

        Parameters
        ----------
        before
            Keys of the halves that other boards have made, which are numbered first.
        """
        for group in self.hands.groups:
            keys = [self.keys[k] for k in group.keys]
            made = self._half(group, keys, before)
            before += len(made.half.keys)
            yield made

    def _half(self, group: Group, keys: Sequence[KeyPins], before: int) -> Seated:
        hand, up = group.hand, group.face_up
        turnable = self.hands.use == "reversible"
        # Parts are soldered on the face away from the keys.
        facing = 1 if up == "top" else -1
        turned = turnable and hand == "right"
        jumper_face = facing if self.options.jumpers == "up" else -facing
        ways = thrown(self.bridges, self.options, right=hand == "right", turned=turned)
        bridges = bridges_as_used(
            self.bridges,
            fitted_face=-facing,
            jumper_face=jumper_face,
            turnable=turnable,
            thrown=ways,
        )
        contacts = [key_nodes(k, self.pins, up) for k in keys]
        common = common_net(contacts)
        closed = self.power | ({common} if common else frozenset())
        refs = self._named(hand) or find_controllers(
            self.pins.pins, contacts, bridges, closed=closed, not_these=self.no_hub
        )
        seated = tuple(p for p in self.pins.pins if p.ref in refs)
        axis = None
        if turned and self.options.right_pins == "swapped":
            over = swap_rows(seated)
            seated, axis = over.pins, over.axis
        led = turnable and axis is None
        if led:
            own, seated = seated, in_leads(seated, self.holes, jumper_face)
            led = seated != own
        circuit = Circuit(bridges=bridges, pins=_by_node(seated), closed=closed)
        wired = _fold(
            [
                _Wired(
                    key,
                    nodes,
                    tuple(circuit.line(n) for n in nodes if n != common) if len(nodes) == 2 else (),
                )
                for key, nodes in zip(keys, contacts, strict=True)
            ]
        )
        closed_ones = closed_words(b for mine in bridges.values() for b in mine)
        assumed = (*self._assumed(up, turned=turned, turnable=turnable, led=led), *closed_ones)
        half = HalfWiring(
            hand=hand,
            board=self.number,
            face_up=up,
            scan="unknown",
            common=common,
            controllers=refs,
            keys=(),
            assumed=assumed,
            axis=axis,
        )
        # Of a right half alone, the numbers are those behind a left half with as many keys.
        alone = hand == "right" and not before
        return Seated(self._numbered(half, group, wired, len(wired) if alone else before), seated)

    def _named(self, hand: Hand) -> tuple[str, ...]:
        """Check the controller the user named; empty when it is to be found on the board."""
        named = self.options.controllers
        if hand == "right" and self.options.right_controllers:
            named = self.options.right_controllers
        known = {p.ref for p in self.pins.pins}
        lost = next((r for r in named if r not in known), None)
        if lost is not None:
            some = ", ".join(sorted(known - self.no_hub, key=natural)[:20])
            raise UsageError(
                f"'{lost}' is no part with known pins",
                hint=f"there are {some}" if some else PINS_UNKNOWN.advice,
            )
        return named

    def _assumed(self, up: Side, *, turned: bool, turnable: bool, led: bool) -> Iterator[str]:
        if turnable:
            if not self.hands.hand_known:
                left = next(g.face_up for g in self.hands.groups if g.hand == "left")
                yield f"The keys do not show the hand: the {left} is up on the left half."
            yield (
                f"The {up} is the key side; of every key the pads on the {opposite(up)} count, "
                "and those with holes."
            )
        if turned and self.options.right_controllers:
            yield "The controller named for the right half is fitted there."
        elif turned and self.options.right_pins == "swapped":
            yield (
                "The controller sits the same way up as on the left half, so its rows change "
                "places: every hole takes the pin that lies opposite it across the rows."
            )
        elif led:
            yield (
                "The controller's footprint has jumpers of its own: those on the face that is "
                f"{self.options.jumpers} are closed, and its pins are in the holes these lead to."
            )
        elif turned:
            yield (
                "The controller is fitted from the other face, so that every pin stays in its own "
                "hole; give --right-pins swapped if its rows change places."
            )
        if turnable and any(b.kind == "jumper" and not b.throw for b in self.bridges):
            yield f"Jumpers on the face that is {self.options.jumpers} are closed."

    def _numbered(
        self, half: HalfWiring, group: Group, wired: Sequence[_Wired], before: int
    ) -> HalfWiring:
        """Give the keys of a half their numbers and lines."""
        seen, turns = seen_places([w.key.key for w in wired], group)
        # From the lower left corner as seen: of a board turned over, its right edge.
        corners = seen_points(np.array(self.bounds).reshape(2, 2), group)
        seen = seen - corners.min(axis=0)
        width, height = np.ptp(corners, axis=0)
        cells = lay_grid(seen, turns)
        scan, matrix = _scheme(half.common, wired, cells)
        if matrix is not None:
            lines = [next((a.node for a in w.lines if a.node in matrix.rows), "") for w in wired]
            cells = rows_as_wired(cells, seen, lines)
        mine = {w.key.number for w in wired}
        listed = order_by_hand(
            [_names(w) for w in wired],
            half.hand,
            self.options,
            [n for k in self.keys if k.number not in mine for n in (k.ref, *k.refs)],
        )
        if listed is not None:
            order = listed.order
        else:
            thumbs = self.options.thumbs == "last" and thumb_keys(
                cells, seen[:, 1].tolist(), turns.tolist()
            )
            order = key_order(
                cells,
                seen[:, 0].tolist(),
                walk=self.options.walk,
                from_right=self.options.mirrored and half.hand == "right",
                last=thumbs or (),
            )
        first = first_of(half.hand, self.options, before)
        numbers: Sequence[int] = range(first, first + len(order))
        if listed is not None and listed.places:
            numbers = [self.options.first + place for place in listed.places]
        keys = []
        for index, k in zip(numbers, order, strict=True):
            w = wired[k]
            wire = KeyWire(
                index=index,
                ref=w.key.ref,
                row=cells[k][0] + 1,
                column=cells[k][1] + 1,
                x_mm=w.key.key.x_mm,
                y_mm=w.key.key.y_mm,
                seen_x_mm=float(seen[k, 0]),
                seen_y_mm=float(seen[k, 1]),
                angle_deg=float(turns[k]),
                also=w.also,
                nodes=w.nodes,
            )
            keys.append(_with_lines(wire, scan, w.lines, matrix))
        basis = (
            (f"Rows and columns were distinguished by {matrix.known_by}.",)
            if matrix is not None
            else ()
        )
        return replace(
            half,
            scan=scan,
            common=half.common if scan == "direct" else "",
            keys=tuple(keys),
            rows=_visual((k.row_line, k.row, -k.seen_y_mm) for k in keys),
            columns=_visual((k.column_line, k.column, k.seen_x_mm) for k in keys),
            pitch_mm=key_pitch(seen),
            size_mm=(float(width), float(height)),
            assumed=(*half.assumed, *basis),
        )


def _names(wired: _Wired) -> tuple[str, ...]:
    return (wired.key.ref, *wired.key.refs, *wired.also)


def _visual(placed: Iterable[tuple[Line | None, int, float]]) -> tuple[Line, ...]:
    """Lines, each once, in the order in which most of their keys stand.

    Parameters
    ----------
    placed
        The line of each key, its row or column, and how far along it stands.
    """
    lines: dict[str, Line] = {}
    steps: dict[str, list[tuple[int, float]]] = defaultdict(list)
    for line, step, along in placed:
        if line is not None:
            lines.setdefault(line.node, line)
            steps[line.node].append((step, along))

    def rank(node: str) -> tuple[float, float, object]:
        cells, along = zip(*steps[node], strict=True)
        # The median: one key wired to another row must not move its line.
        return float(np.median(cells)), float(np.mean(along)), natural(node)

    return tuple(replace(lines[n], diodes=(), through=()) for n in sorted(lines, key=rank))


def _by_node(pins: Sequence[Pin]) -> dict[str, tuple[Pin, ...]]:
    """Pins by net; a pin with several pads once, by a pad with a hole if it has one."""
    found: dict[str, dict[tuple[str, str, str], Pin]] = defaultdict(dict)
    for pin in sorted(pins, key=lambda p: p.face != 0):
        if pin.node:
            found[pin.node].setdefault((pin.ref, pin.pin, pin.name), pin)
    return {
        node: tuple(sorted(mine.values(), key=lambda p: (natural(p.ref), natural(p.pin))))
        for node, mine in found.items()
    }


def _fold(wired: Sequence[_Wired]) -> list[_Wired]:
    """Count places that overlap as one key, as only one of them can be fitted.

    Places that are known to be on other lines stay separate keys.
    """
    at = {w.key.number: k for k, w in enumerate(wired)}
    near = [[at[n] for n in w.key.key.instead_of if n in at] for w in wired]
    ends = [frozenset(a.node for a in w.lines) for w in wired]
    stands_for = fold_overlaps(near, lambda a, b: ends[a] == ends[b])
    return [
        replace(wired[k], also=tuple(wired[m].key.ref for m in others))
        for k, others in sorted(stands_for.items())
    ]


def _scheme(
    common: str, wired: Sequence[_Wired], cells: Sequence[tuple[int, int]]
) -> tuple[Scan, Matrix | None]:
    """How the keys are wired."""
    if not any(w.lines for w in wired):
        return "unknown", None
    if common:
        return "direct", None
    if not any(a.pins for w in wired for a in w.lines):
        return "unknown", None
    matrix = find_matrix([w.lines for w in wired], cells)
    return ("other", None) if matrix is None else ("matrix", matrix)


def _with_lines(
    wire: KeyWire, scan: Scan, lines: tuple[Line, ...], matrix: Matrix | None
) -> KeyWire:
    """Enter the lines of a key as its row and column, or as its own line."""
    if matrix is not None and len(lines) == 2:
        row, column = lines if lines[0].node in matrix.rows else (lines[1], lines[0])
        return replace(wire, row_line=row, column_line=column, current=flow(row, column))
    if scan == "direct" and len(lines) == 1:
        return replace(wire, line=lines[0])
    if scan == "other" and len(lines) == 2:
        return replace(wire, row_line=lines[0], column_line=lines[1])
    return wire

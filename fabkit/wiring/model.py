"""What the wiring is: keys with their numbers and pins, half by half, and where they were read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from fabkit.base.findings import Finding
from fabkit.base.tables import Cell, Result, Table, columns_of
from fabkit.base.units import counted
from fabkit.keyboard.model import BoardIs, Hand, Spot
from fabkit.keyboard.numbering import Walk
from fabkit.package.model import Side
from fabkit.sheets.order import BoardUse

BridgeKind = Literal["diode", "jumper", "resistor"]
Scan = Literal["direct", "matrix", "other", "unknown"]
"""``direct``: one pin a key against a common net; ``matrix``: one row and one column a key."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pin:
    """A pad of a part, as one source gives it.

    ``node`` is the copper it lies on: its net's name, else a name made from the island. ``face``
    is 1 on the top, -1 on the bottom, 0 for both. ``function`` is what the part calls the pin.
    ``island`` numbers the copper under the pad, -1 when not known.  ``home`` is the net that the
    files lay this pin on, where the part has been turned and it sits on another.
    """

    ref: str
    pin: str
    function: str
    node: str
    x_mm: float
    y_mm: float
    face: int
    island: int = -1
    home: str = ""

    @property
    def name(self) -> str:
        """What the part calls the pin, else its number."""
        return self.function or self.pin

    @property
    def label(self) -> str:
        """Reference, number and name: ``J1.3 P3``."""
        number = f"{self.ref}.{self.pin}" if self.pin else self.ref
        return f"{number} {self.function}" if self.function else number


@dataclass(frozen=True, slots=True, kw_only=True)
class Bridge:
    """A part that joins two nets.

    ``anode`` is the pin of a diode that current enters by; empty when the pads do not show it.
    ``face`` is that of its pads, 0 for both. ``throw`` is 1 or 2 for the ways that a jumper with
    three pads can be closed, and ``pads`` the two it joins then; 0 for all other parts.
    """

    ref: str
    kind: BridgeKind
    nodes: tuple[str, str]
    anode: str
    assumed: bool
    face: int
    throw: int = 0
    pads: tuple[str, str] = ("", "")

    def other(self, node: str) -> str:
        """Find the net at the other end."""
        return self.nodes[1] if self.nodes[0] == node else self.nodes[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class DiodeUse:
    """A diode between a key and a line.

    ``forward`` is true when current flows from the key's other line through the key into this
    diode (anode at the key), false the other way round, None when the pads do not show it.
    ``assumed`` when pin 1 was taken for the cathode.
    """

    ref: str
    forward: bool | None
    assumed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A net of the scan: where it ends at the controller, and the diodes on the way."""

    node: str
    pins: tuple[Pin, ...] = ()
    diodes: tuple[DiodeUse, ...] = ()
    through: tuple[str, ...] = ()
    """References of jumpers and resistors on the way."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyWire:
    """One key of a half with its number and its pins.

    Parameters
    ----------
    index
        Running number.
    ref
        Reference, or a name made from its place when there is none.
    row, column
        Place in the layout, from 1.
    x_mm, y_mm
        On the board, as its files count.
    seen_x_mm, seen_y_mm, angle_deg
        As seen from the key side, from the lower left corner of the board; counter-clockwise.
    nodes
        The nets its two contacts are on, as used on this half.
    line
        Direct wiring: its own line. None otherwise.
    row_line, column_line
        Matrix wiring. None otherwise.
    current
        Matrix with diodes: ``column to row`` or ``row to column``; empty when not known.
    """

    index: int
    ref: str
    row: int
    column: int
    x_mm: float
    y_mm: float
    seen_x_mm: float
    seen_y_mm: float
    angle_deg: float
    also: tuple[str, ...] = ()
    """Places that overlap this key on the same lines: only one of them is fitted."""
    nodes: tuple[str, ...] = ()
    line: Line | None = None
    row_line: Line | None = None
    column_line: Line | None = None
    current: str = ""

    @property
    def lines(self) -> tuple[Line, ...]:
        """Its own line, or its row and column, those that are known."""
        return tuple(a for a in (self.line, self.row_line, self.column_line) if a is not None)


@dataclass(frozen=True, slots=True, kw_only=True)
class HalfWiring:
    """The wiring of one half (or of a whole keyboard).

    Parameters
    ----------
    hand
        Which half.
    board
        Number of the board among those given, from 0.
    face_up
        Face of the board that is the key side.
    scan
        How keys are wired.
    common
        The net all keys share, when wired direct.
    controllers
        References whose pins the keys are on.
    keys
        By running number.
    rows, columns
        Matrix lines: rows from the top, columns from the left, as seen from the keys.
    assumed
        What was taken for granted for this half, in sentences.
    axis
        Ends of the line that the controller was turned about, on the board; None when it was not.
    pitch_mm
        Usual distance of neighbouring keys.
    size_mm
        Width and height of the board.
    """

    hand: Hand
    board: int
    face_up: Side
    scan: Scan
    common: str
    controllers: tuple[str, ...]
    keys: tuple[KeyWire, ...]
    rows: tuple[Line, ...] = ()
    columns: tuple[Line, ...] = ()
    assumed: tuple[str, ...] = ()
    axis: tuple[Spot, Spot] | None = None
    pitch_mm: float = 0.0
    size_mm: tuple[float, float] = (0.0, 0.0)

    def pin_words(self, line: Line) -> str:
        """Pins a line ends at, as people call them; with the part's reference where several are."""
        several = len(self.controllers) > 1
        return " = ".join(
            f"{p.ref}.{p.name}" if several and not p.function else p.name for p in line.pins
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class HeaderHole:
    """A hole in a row for the pins of a controller or header, which no file names.

    ``node`` is the copper it is part of; empty when there is none.
    """

    row: str
    number: int
    x_mm: float
    y_mm: float
    node: str

    @property
    def name(self) -> str:
        """Row and number: ``A3``."""
        return f"{self.row}{self.number}"


def _key_row(key: KeyWire, half: HalfWiring) -> tuple[Cell, ...]:
    lines = (key.line, key.row_line, key.column_line)
    pins = ((a.node, half.pin_words(a)) if a is not None else ("", "") for a in lines)
    return (
        key.index,
        half.hand,
        key.ref,
        key.row,
        key.column,
        round(key.seen_x_mm, 4),
        round(key.seen_y_mm, 4),
        key.angle_deg,
        *(word for pair in pins for word in pair),
        " ".join(d.ref for line in key.lines for d in line.diodes),
        key.current,
        round(key.x_mm, 4),
        round(key.y_mm, 4),
        " ".join(key.also),
    )


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class Wiring(Result):
    """The wiring of a keyboard.

    Parameters
    ----------
    name
        Of the board or order.
    source
        Where pins and nets were read.
    rule
        How keys were numbered, in sentences.
    first
        Number of the first key.
    halves
        Left before right.
    problems
        Findings.
    headers
        By the number of the board: holes in rows that no file names.
    """

    name: str
    source: str
    rule: tuple[str, ...]
    first: int
    halves: tuple[HalfWiring, ...]
    problems: tuple[Finding, ...]
    headers: Mapping[int, tuple[HeaderHole, ...]] = field(default_factory=dict)
    boards: tuple[BoardIs, ...] = ()
    """What each board is."""

    @property
    def brief(self) -> str:
        """What it is, in a few words."""
        return f"{self.name}: " + ", ".join(
            f"{counted(len(half.keys), 'key')} {half.hand}" for half in self.halves
        )

    def table(self) -> Table:
        """Every key by its number, with its nets and pins; a half after the other."""
        return Table(
            columns_of(
                "index",
                "half",
                "ref",
                "row",
                "column",
                "seen_x_mm",
                "seen_y_mm",
                "angle",
                "net",
                "pin",
                "row_net",
                "row_pin",
                "column_net",
                "column_pin",
                "diode",
                "current",
                "board_x_mm",
                "board_y_mm",
                "instead_of",
            ),
            tuple(_key_row(key, half) for half in self.halves for key in half.keys),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class WiringOptions:
    """What the user chose.

    Parameters
    ----------
    use
        What the board is; default: as found in its files.
    walk
        Number keys row by row, or column by column.
    first
        Number of the first key.
    right_first
        Number of the right half's first key; None goes on after the left half.
    thumbs
        Keys of the thumb are numbered ``last``, or in the row where they are ``placed``.
    mirrored
        Number the right half from its outer side inwards, so that keys that mirror each other
        count alike; otherwise from left to right on both.
    controllers, right_controllers
        References of the controller or its header rows; default: as found on the board.
    right_pins
        ``in-place``: every pin keeps its hole when the board is turned over.  ``swapped``: the
        two rows change places.
    jumpers
        Jumpers that are closed lie on the face that is ``up`` or ``down``.
    joined, right_joined
        Pads that jumpers with three pads join, by reference or pattern.  Turned over, those that
        ``right_joined`` does not name join the other two.  Default: the lower pads.
    order
        References in the order they are numbered, by hand; overrides ``walk``.
    """

    use: BoardUse | None = None
    walk: Walk = "rows"
    first: int = 0
    right_first: int | None = None
    thumbs: Literal["last", "placed"] = "last"
    mirrored: bool = False
    controllers: tuple[str, ...] = ()
    right_controllers: tuple[str, ...] = ()
    right_pins: Literal["in-place", "swapped"] = "in-place"
    jumpers: Literal["up", "down"] = "up"
    joined: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    right_joined: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    order: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

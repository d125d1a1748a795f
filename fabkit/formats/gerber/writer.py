"""Write layers: columns of graphic objects in, a Gerber X3 file out.

What is written is plain: millimetres with six decimals, current commands alone, apertures as they
are used (see :mod:`fabkit.formats.gerber.apertures`), blocks and repeats expanded as the reader
has them, strokes of tools that may not stroke as the regions they cover.  Arcs stay arcs.  The
order and polarity of the objects, and all attributes, are kept.  The same columns give the same
bytes.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from fabkit.base.columns import (
    Bools,
    Columns,
    Floats,
    Ints,
    last_before,
    ranges,
    run_starts,
)
from fabkit.formats.gerber.apertures import Definitions, number
from fabkit.formats.gerber.drawing import strokes_as_regions
from fabkit.formats.gerber.model import (
    Attributes,
    GerberFile,
    Kind,
    Objects,
    Pose,
)
from fabkit.formats.gerber.standard import STANDARD, escape
from fabkit.formats.gerber.state import BROKEN_SHARE, ROUNDING_STEPS
from fabkit.geometry.segments import Segments

_STEPS: Final = 1_000_000
"""Coordinate steps of one millimetre."""
_FIRST_CODE: Final = 10
_JOIN_STEPS: Final = 5
"""Contours that end this close to their start end there: it is rounding."""
_PIECE: Final = np.pi / 6
_LENGTHS: Final = frozenset({".DrillTolerance", ".CHgt"})
"""Attributes whose fields are lengths in the unit of the file."""


def write_gerber(file: GerberFile) -> bytes:
    """Write a layer as a Gerber X3 file.

    Parameters
    ----------
    file
        As read, or as made: only its objects, segments, tables and attributes matter.

    Returns
    -------
    ASCII but for attribute values, which are UTF-8.  A stated checksum (``.MD5``) is made anew.

    Notes
    -----
    Reading the result gives the same objects within half a nanometre, except where the source
    draws what the format forbids: contours are closed, contour segments without length are left
    out, and tools that may not stroke become regions.  Nearly whole turns whose ends lie off one
    circle become several arcs.
    """
    file = strokes_as_regions(file)
    items = _items_of(file)
    objects = file.objects.take(items.owner[items.starts()])
    written = _Attributes(file)
    tools = _Tools(file, objects, written)
    states = _states(objects, tools, written)
    body = _text(items, objects.kind == Kind.REGION, states) if len(items) else b""
    head = [
        written.header(),
        "%FSLAX46Y46*%\n%MOMM*%\n",
        tools.text,
        "%LPD*%\nG01*\n",
        "G75*\n" if items.turn.any() else "",
    ]
    data = "".join(head).encode() + body
    if ".MD5" in file.attributes:
        # Section 5.6.9: over everything in front, line breaks left out.
        digest = hashlib.md5(data.replace(b"\n", b""), usedforsecurity=False).hexdigest()
        data += f"%TF.MD5,{digest}*%\n".encode()
    return data + b"M02*\n"


# What is drawn, in steps


@dataclass(frozen=True, slots=True, eq=False)
class _Items(Columns):
    """Flashes, strokes and contour segments in file order, in coordinate steps.

    ``owner`` is the row of the object, ``contour`` the number of the contour or -1.
    """

    owner: Ints
    contour: Ints
    x0: Ints
    y0: Ints
    x1: Ints
    y1: Ints
    cx: Floats
    cy: Floats
    turn: NDArray[np.int8]
    flash: Bools

    def starts(self) -> Ints:
        """First row of each object."""
        return run_starts(self.owner)

    def opens(self) -> Bools:
        """Whether each is the first segment of a contour."""
        out = np.zeros(len(self), np.bool_)
        out[run_starts(self.contour, self.owner)] = True
        return out & (self.contour >= 0)

    def stays(self) -> Bools:
        """Whether each ends where it starts."""
        out: Bools = (self.x0 == self.x1) & (self.y0 == self.y1)
        return out


def _items_of(file: GerberFile) -> _Items:
    o, s = file.objects, file.segments
    region = o.kind == Kind.REGION
    owner = np.repeat(np.arange(len(o)), np.where(region, o.last - o.first, 1))
    held = np.flatnonzero(region[owner])
    source = ranges(o.first[region], (o.last - o.first)[region])

    def steps(name: str) -> Floats:
        values: Floats = getattr(o, name)[owner]
        values[held] = getattr(s, name)[source]
        return np.nan_to_num(values * _STEPS)

    contour = np.full(len(owner), -1, np.int64)
    contour[held] = s.contour[source]
    flash = (o.kind == Kind.FLASH)[owner]
    turn = np.where(flash, np.int8(0), o.turn[owner])
    turn[held] = s.turn[source]
    x0, y0, x1, y1 = (np.rint(steps(name)).astype(np.int64) for name in ("x0", "y0", "x1", "y1"))
    made = _closed(_Items(owner, contour, x0, y0, x1, y1, steps("cx"), steps("cy"), turn, flash))
    still = made.stays() & (made.turn == 0) & (made.contour >= 0)
    return _parted(_as_circles(made.take(~still)))


def _closed(items: _Items) -> _Items:
    """Let every contour end where it starts."""
    starts = np.flatnonzero(items.opens())
    if not len(starts):
        return items
    ends = np.append(starts[1:], len(items)) - 1
    # Objects of other kinds may stand between two regions.
    inside = np.flatnonzero(items.contour >= 0)
    ends = inside[np.searchsorted(inside, ends, side="right") - 1]
    dx, dy = items.x0[starts] - items.x1[ends], items.y0[starts] - items.y1[ends]
    open_ = (dx != 0) | (dy != 0)
    near = open_ & (np.hypot(dx, dy) <= _JOIN_STEPS)
    x1, y1 = items.x1.copy(), items.y1.copy()
    x1[ends[near]], y1[ends[near]] = items.x0[starts[near]], items.y0[starts[near]]
    items = items.with_columns(x1=x1, y1=y1)
    first, last = starts[open_ & ~near], ends[open_ & ~near]
    if not len(first):
        return items
    end = items.take(last)
    begin = items.take(first)
    bridge = end.with_columns(
        x0=end.x1, y0=end.y1, x1=begin.x0, y1=begin.y0, turn=np.zeros(len(last))
    )
    order = np.argsort(np.concatenate((np.arange(len(items)), last)), kind="stable")
    return _Items.concat(items, bridge).take(order)


def _as_circles(items: _Items) -> _Items:
    """Whole turns end where they start; an arc that rounds to a point is a point."""
    full = np.abs(items.turn) == 2
    x1, y1 = np.where(full, items.x0, items.x1), np.where(full, items.y0, items.y1)
    point = np.flatnonzero((np.abs(items.turn) == 1) & items.stays())
    turn = items.turn.copy()
    # Written as an arc it would be a whole turn.
    turn[point] = 0
    return items.with_columns(x1=x1, y1=y1, turn=turn)


def _parted(items: _Items) -> _Items:
    """Write arcs whose ends lie off one circle, and are read so, as several arcs.

    The reader lets their radius grow evenly, and pieces of a twelfth of a turn about the nearest
    centres that put their ends on one circle follow that within a thousandth of the rounding.
    """
    x0, y0, x1, y1 = (getattr(items, n).astype(np.float64) for n in ("x0", "y0", "x1", "y1"))
    arcs = Segments(x0, y0, x1, y1, items.cx, items.cy, items.turn)
    near = arcs.radii()
    far = np.hypot(arcs.x1 - arcs.cx, arcs.y1 - arcs.cy)
    off = np.abs(near - far)
    loose = (off > ROUNDING_STEPS) & (off <= BROKEN_SHARE * np.maximum(near, far))
    rows = np.flatnonzero(loose & (np.abs(items.turn) == 1))
    if not len(rows):
        return items
    sweep = arcs.sweeps()
    counts = np.ones(len(items), np.int64)
    counts[rows] = np.ceil(np.abs(sweep[rows]) / _PIECE)
    owner = np.repeat(np.arange(len(items)), counts)
    step = ranges(np.zeros_like(counts), counts)
    made = items.take(owner)
    at = np.flatnonzero(step)
    held = owner[at]
    share = step[at] / counts[held]
    start = np.arctan2(arcs.y0 - arcs.cy, arcs.x0 - arcs.cx)[held]
    angle = start + sweep[held] * share
    radius = near[held] + (far - near)[held] * share
    x = np.rint(arcs.cx[held] + radius * np.cos(angle)).astype(np.int64)
    y = np.rint(arcs.cy[held] + radius * np.sin(angle)).astype(np.int64)
    columns = {name: getattr(made, name).copy() for name in ("x0", "y0", "x1", "y1")}
    columns["x0"][at], columns["y0"][at] = x, y
    columns["x1"][at - 1], columns["y1"][at - 1] = x, y
    made = made.with_columns(**columns)
    return _centred(made, np.isin(owner, rows))


def _centred(items: _Items, which: Bools) -> _Items:
    """Move some centres along the chord until both ends are equally far from them."""
    dx, dy = items.x1 - items.x0, items.y1 - items.y0
    x, y = items.cx - (items.x0 + items.x1) / 2, items.cy - (items.y0 + items.y1) / 2
    along = np.where(which, (x * dx + y * dy) / np.maximum(dx**2 + dy**2, 1), 0.0)
    return items.with_columns(cx=items.cx - along * dx, cy=items.cy - along * dy)


# Apertures and attributes


class _Tools:
    """D codes of the apertures as they are used, and the commands that define them."""

    def __init__(self, file: GerberFile, objects: Objects, attributes: _Attributes) -> None:
        flashed = np.flatnonzero(objects.kind != Kind.REGION)
        keys = objects.aperture[flashed].astype(np.int64) * len(file.poses) + objects.pose[flashed]
        given: dict[tuple[int, Pose], int] = {}
        used: set[int] = set()
        codes = np.zeros(len(file.apertures) * len(file.poses), np.int64)
        definitions = Definitions()
        lines: list[str] = []
        spare = max((a.code for a in file.apertures), default=9)
        for key in np.flatnonzero(np.bincount(keys)).tolist():
            row, posing = divmod(key, len(file.poses))
            aperture, pose = file.apertures[row], file.poses[posing]
            # A disc looks alike however it is mirrored or turned: one definition serves all.
            if aperture.diameter_mm is not None:
                pose = Pose(scale=pose.scale)
            code = given.get((row, pose))
            if code is None:
                code = aperture.code
                if code in used or code < _FIRST_CODE:
                    spare = code = max(spare, _FIRST_CODE - 1) + 1
                used.add(code)
                given[(row, pose)] = code
                lines.append(attributes.for_aperture(aperture.attributes))
                lines.append(definitions.define(code, aperture, pose))
            codes[key] = code
        lines.append(attributes.for_aperture({}))
        self.text = "".join(definitions.macros.values()) + "".join(lines)
        self.codes = np.zeros(len(objects), np.int64)
        """D code of each object; that of the object in front for regions, 0 where none is."""
        self.codes[flashed] = codes[keys]
        _carry(self.codes, objects.kind == Kind.REGION, 0)


def _carry(values: Ints, gaps: Bools, initial: int) -> None:
    """Fill gaps with the value in front, in place."""
    source = last_before(~gaps)
    values[:] = np.where(source < 0, initial, values[source])


class _Attributes:
    """Attribute commands, written where something changes."""

    def __init__(self, file: GerberFile) -> None:
        self._file = file.attributes
        self._unit_mm = file.unit_mm
        of_apertures = {name for name, (kind, _) in STANDARD.items() if kind == "A"}
        of_apertures.update(*(a.attributes for a in file.apertures))
        # A region holds aperture and object attributes together; only the names keep them apart.
        sets = file.attribute_sets
        self._held = [
            ({n: v for n, v in s.items() if n not in of_apertures},
             {n: v for n, v in s.items() if n in of_apertures})
            for s in sets
        ]  # fmt: skip
        self.object_ids = self._distinct(0)
        self.region_ids = self._distinct(1)
        self._present: Attributes = {}
        self._changes: dict[tuple[str, int, int], str] = {}

    def _distinct(self, kind: int) -> Ints:
        """Row of the first set of the same content, for each set; -1 where it is empty."""
        known: dict[tuple[tuple[str, tuple[str, ...]], ...], int] = {(): -1}
        return np.array(
            [known.setdefault(tuple(sorted(held[kind].items())), row)
             for row, held in enumerate(self._held)],
            np.int64,
        )  # fmt: skip

    def header(self) -> str:
        """File attributes, all but the checksum."""
        return "".join(
            self._set("F", name, fields) for name, fields in self._file.items() if name != ".MD5"
        )

    def for_aperture(self, attributes: Attributes) -> str:
        """Commands that make these the aperture attributes in force."""
        before, self._present = self._present, attributes
        return self._change("A", before, attributes)

    def change(self, kind: str, before: int, after: int) -> str:
        """Commands from one set to another, by the rows that :attr:`object_ids` give."""
        key = (kind, before, after)
        if key not in self._changes:
            part = 0 if kind == "O" else 1
            old, new = (self._held[row][part] if row >= 0 else {} for row in (before, after))
            self._changes[key] = self._change(kind, old, new)
        return self._changes[key]

    def _change(self, kind: str, before: Attributes, after: Attributes) -> str:
        gone = "".join(f"%TD{name}*%\n" for name in sorted(before.keys() - after.keys()))
        return gone + "".join(
            self._set(kind, name, fields)
            for name, fields in sorted(after.items())
            if before.get(name) != fields
        )

    def _set(self, kind: str, name: str, fields: tuple[str, ...]) -> str:
        if name in _LENGTHS and self._unit_mm != 1.0:
            fields = tuple(in_mm(text, self._unit_mm) for text in fields)
        return f"%T{kind}{','.join((name, *map(escape, fields)))}*%\n"


def in_mm(text: str, unit_mm: float) -> str:
    """Write a length of an attribute in millimetres; what is no number stays."""
    try:
        return number(float(text) * unit_mm)
    except ValueError:
        return text


# The text


def _states(objects: Objects, tools: _Tools, attributes: _Attributes) -> dict[int, str]:
    """Commands in front of those objects before which something changes."""
    region = objects.kind == Kind.REGION
    to = attributes.object_ids[objects.attributes]
    ta = attributes.region_ids[objects.attributes]
    # Only regions take aperture attributes from what is in force.
    _carry(ta, ~region, -1)
    columns = (tools.codes, objects.dark.astype(np.int64), to, ta)
    before = [
        np.concatenate(([start], c[:-1])) for c, start in zip(columns, _AT_START, strict=True)
    ]
    changed = np.zeros(len(objects), np.bool_)
    for old, new in zip(before, columns, strict=True):
        changed |= old[: len(new)] != new
    rows = np.flatnonzero(changed)
    table = np.column_stack([c[rows] for c in (*before, *columns)])
    out: dict[int, str] = {}
    for row, line in zip(rows.tolist(), table.tolist(), strict=True):
        code0, dark0, to0, ta0, code, dark, to1, ta1 = line
        out[row] = "".join((
            attributes.change("O", to0, to1) if to0 != to1 else "",
            attributes.change("A", ta0, ta1) if ta0 != ta1 else "",
            f"%LP{'D' if dark else 'C'}*%\n" if dark != dark0 else "",
            f"D{code}*\n" if code != code0 else "",
        ))  # fmt: skip
    return out


_AT_START: Final = (0, 1, -1, -1)
"""D code, polarity and rows of the attributes in force behind the header."""


def _text(items: _Items, regions: Bools, states: Mapping[int, str]) -> bytes:
    """Text of all objects.

    Parameters
    ----------
    regions : bool
        Of each object that has items, in order: whether it is a region.
    states
        Commands in front of the objects, by their place in that order.
    """
    count = len(items)
    # A line starts where the item in front ended, or behind a move.
    moved = items.opens()
    moved[:1] = True
    moved[1:] |= (items.x0[1:] != items.x1[:-1]) | (items.y0[1:] != items.y1[:-1])
    moved &= ~items.flash
    at = np.arange(count) + np.cumsum(moved)
    move = at[moved] - 1
    total = count + len(move)

    def column(values: NDArray[np.generic], moves: NDArray[np.generic] | int = 0) -> Ints:
        made = np.zeros(total, np.int64)
        made[at], made[move] = values, moves
        return made

    drawn = np.flatnonzero(~items.flash)
    wanted = np.where(items.turn == 0, 1, np.where(items.turn < 0, 2, 3))[drawn]
    mode = np.zeros(total, np.int64)
    mode[at[drawn]] = np.where(np.concatenate(([1], wanted[:-1])) != wanted, wanted, 0)
    first = items.starts()
    last = at[np.append(first[1:], count) - 1]
    front = at[first] - moved[first]
    opens, closes = np.zeros((2, total), np.bool_)
    opens[front[regions]] = closes[last[regions]] = True
    spelt, begin = Operations(
        code=column(np.where(items.flash, 3, 1), 2),
        x=column(items.x1, items.x0[moved]),
        y=column(items.y1, items.y0[moved]),
        i=column(np.rint(items.cx).astype(np.int64) - items.x0),
        j=column(np.rint(items.cy).astype(np.int64) - items.y0),
        arc=column(items.turn != 0) > 0,
        mode=mode,
        opens=opens,
        closes=closes,
    ).spelt()
    cuts = [0, *begin[front[list(states)]].tolist(), len(spelt)]
    pieces = [spelt[a:b] for a, b in pairwise(cuts)]
    texts = ["", *states.values()]
    return b"".join(part for pair in zip(map(str.encode, texts), pieces, strict=True)
                    for part in pair)  # fmt: skip


_CHUNK: Final = 1 << 13
"""Rows of a matrix: it should fit the processor's cache."""

Bytes = NDArray[np.uint8]


@dataclass(frozen=True, slots=True, eq=False)
class Operations(Columns):
    """Operations in file order, in coordinate steps.

    Columns
    -------
    code : int64
        1, 2 or 3 of D01, D02, D03.
    x, y, i, j : int64
        ``i`` and ``j`` count for arcs alone.
    arc : bool
        Whether a D01 is one.
    mode : int64
        1, 2 or 3 of the G01, G02 or G03 written in front; 0 for none.
    opens, closes : bool
        Whether G36 stands in front and G37 behind.
    """

    code: Ints
    x: Ints
    y: Ints
    i: Ints
    j: Ints
    arc: Bools
    mode: Ints
    opens: Bools
    closes: Bools

    def spelt(self) -> tuple[bytes, Ints]:
        """Text of all rows, and where that of each row begins, (n + 1,) int64."""
        texts: list[bytes] = []
        sizes: list[Ints] = []
        for first in range(0, len(self), _CHUNK):
            rows = self.take(slice(first, first + _CHUNK))
            letters, shown = _matrix(rows)
            texts.append(letters[shown].tobytes())
            sizes.append(np.count_nonzero(shown, axis=1))
        return b"".join(texts), np.cumsum(np.concatenate(([0], *sizes)))


def _matrix(rows: Operations) -> tuple[Bytes, Bools]:
    """Letters of the rows, and which of them are text."""
    always = np.ones(len(rows), np.bool_)
    numbers = [(b"X", rows.x, always), (b"Y", rows.y, always)]
    if rows.arc.any():
        numbers += [(b"I", rows.i, rows.arc), (b"J", rows.j, rows.arc)]
    widths = [len(str(int(np.abs(values).max(initial=0)))) for _, values, _ in numbers]
    words = 1 + sum(bool(used.any()) for used in (rows.opens, rows.mode, rows.closes))
    shape = (len(rows), words * len(_OPEN) + sum(widths) + 2 * len(numbers))
    letters, shown = np.empty(shape, np.uint8), np.empty(shape, np.bool_)
    at = 0

    def put(text: bytes, where: Bools) -> None:
        nonlocal at
        letters[:, at : at + len(text)] = np.frombuffer(text, np.uint8)
        shown[:, at : at + len(text)] = where[:, None]
        at += len(text)

    if rows.opens.any():
        put(_OPEN, rows.opens)
    if rows.mode.any():
        put(_MODE, rows.mode > 0)
        letters[:, at - 3] += rows.mode.astype(np.uint8)
    for (letter, values, where), width in zip(numbers, widths, strict=True):
        put(letter + b"-", where)
        shown[:, at - 1] &= values < 0
        _digits(np.abs(values), letters[:, at : at + width], shown[:, at : at + width])
        shown[:, at : at + width] &= where[:, None]
        at += width
    put(_OPERATION, always)
    letters[:, at - 3] += rows.code.astype(np.uint8)
    if rows.closes.any():
        put(_CLOSE, rows.closes)
    return letters, shown


_OPEN: Final = b"G36*\n"
_MODE: Final = b"G00*\n"
_OPERATION: Final = b"D00*\n"
_CLOSE: Final = b"G37*\n"


def _digits(values: Ints, letters: Bytes, shown: Bools) -> None:
    """Fill in the digits of numbers of at most as many digits as there are columns."""
    left: NDArray[np.integer] = values
    if len(values) and int(values.max()) < 2**32:
        left = values.astype(np.uint32)  # divides in half the time
    for column in range(letters.shape[1] - 1, -1, -1):
        shown[:, column] = left > 0
        after = left // 10
        letters[:, column] = left - after * 10 + ord("0")
        left = after
    shown[:, -1] = True

"""Pins of the controller: named by files or a table, or holes in rows that wait for names."""

from __future__ import annotations

import csv
import io
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from fabkit.base.columns import Floats, Ints
from fabkit.base.errors import SheetError, UnreadableInput, UsageError
from fabkit.base.findings import Place
from fabkit.board.components import VIA
from fabkit.board.connectivity import pieces_at
from fabkit.board.copper import NO_NET, VIA_MM, Copper, netlist_of, outer_face
from fabkit.board.model import Holes
from fabkit.board.nets import align_netlist
from fabkit.geometry.neighbours import PointTree
from fabkit.keyboard.model import Key, Spot
from fabkit.sheets.reading import Count, Line, read_as
from fabkit.sheets.toml_text import read_sheet, read_text
from fabkit.wiring.model import HeaderHole, Pin, Wiring

if TYPE_CHECKING:
    from shapely import STRtree


ATTRIBUTES: Final = "pin and net attributes of the copper layers"
NETLIST: Final = "the netlist beside the layers (IPC-D-356)"
TABLE: Final = "the pin table given, and the copper itself"
NOTHING: Final = "no source"

SAME_MM: Final = 0.05
"""Pads of one pin this near are one hole seen from both faces."""

HIT_MM: Final = 0.6
"""A place of the pin table may miss its pad by this much (common practice: half a pad)."""

NAMELESS: Final = "copper "
"""Name of copper without a net name, before a number."""

CONTROLLER: Final = "controller"
"""Reference of table rows that name none."""


@dataclass(frozen=True, eq=False)
class Pins:
    """All pins that are known, and the source that names them."""

    source: str
    pins: tuple[Pin, ...]
    copper: Copper

    def at(self, spot: tuple[float, float], *, within_mm: float, face: int) -> list[str]:
        """Find the node of the plated hole at a spot, else of pads of a face near it.

        Nearest first.
        """
        return self._barrel_at(spot) or pad_nodes_near(
            self.copper, spot, within_mm=within_mm, face=face
        )

    @cached_property
    def _barrels(self) -> tuple[STRtree, NDArray[np.int32]]:
        """Plated holes and slots, and the piece of copper that each joins."""
        import shapely

        cut, first = np.unique(self.copper.pieces.joints[:, 0], return_index=True)
        pieces = self.copper.pieces.joints[first, 1]
        return shapely.STRtree(self.copper.board.hole_shapes[cut]), pieces

    @cached_property
    def lone_nodes(self) -> frozenset[str]:
        """Nodes of copper with one pad, which joins nothing."""
        pads = self.copper.pads
        spots = np.column_stack((pads.island, pads.x / HIT_MM, pads.y / HIT_MM)).round()
        island, count = np.unique(np.unique(spots, axis=0)[:, 0].astype(int), return_counts=True)
        alone = island[(count == 1) & (island >= 0)].tolist()
        return frozenset(node_name(self.copper, "", i) for i in alone)

    def _barrel_at(self, spot: tuple[float, float]) -> list[str]:
        import shapely

        tree, pieces = self._barrels
        near = tree.query_nearest(shapely.Point(*spot), max_distance=HIT_MM, all_matches=False)
        islands = self.copper.pieces.island[pieces[near]]
        return [node_name(self.copper, "", int(i)) for i in islands]


def gather_pins(copper: Copper, table: Sequence[NamedPin] = ()) -> Pins:
    """Pins from the best source there is; rows of the user's table rename or add pins.

    Raises
    ------
    UsageError
        A row of the table names a pad that is not there, or a place without copper.
    """
    found = tuple(_from_attributes(copper))
    source = ATTRIBUTES
    if not any(p.node for p in found):
        found = tuple(_from_netlist(copper))
        source = NETLIST if found else NOTHING
    if table:
        found = _with_table(copper, found, table)
        source = TABLE if source == NOTHING else f"{source}; pin names from the table given"
    return Pins(source, found, copper)


def node_name(copper: Copper, net: str, island: int) -> str:
    """Name a net, else make a name from the island; empty for neither."""
    if net and net not in NO_NET:
        return net
    if island < 0:
        return ""
    named = [copper.nets[n] for n in copper.island_nets[copper.island_nets[:, 0] == island, 1]]
    return min(named) if named else f"{NAMELESS}{island + 1}"


def is_nameless(node: str) -> bool:
    """Whether a node's name was made from its island."""
    return node.startswith(NAMELESS)


def _from_attributes(copper: Copper) -> Iterable[Pin]:
    functions = _functions(copper)
    pads, faces = copper.pads, outer_face(copper)
    found: dict[tuple[object, ...], Pin] = {}
    for pad in np.flatnonzero(pads.pin >= 0):
        ref, number = copper.pins[pads.pin[pad]]
        net = copper.nets[pads.net[pad]] if pads.net[pad] >= 0 else ""
        x, y = float(pads.x[pad]), float(pads.y[pad])
        face = int(faces[pad])
        # A pin may have lands in several places, as a switch for either face has: each stays one,
        # and only the two faces of a hole are laid together.
        key = (ref, number, round(x / SAME_MM), round(y / SAME_MM))
        known = found.get(key)
        if known is not None and known.face != face:
            face = 0
        found[key] = Pin(
            ref=ref,
            pin=number,
            function=functions.get((ref, number), ""),
            node=node_name(copper, net, int(pads.island[pad])),
            x_mm=x,
            y_mm=y,
            face=face,
            island=int(pads.island[pad]),
        )
    return found.values()


def _functions(copper: Copper) -> dict[tuple[str, str], str]:
    """Read what parts call their pins: third field of ``.P`` (Gerber 2021.02, section 5.6.15)."""
    return {
        (fields[0], fields[1]): fields[2]
        for layer in copper.board.copper
        for attributes in layer.file.attribute_sets
        if len(fields := attributes.get(".P", ())) > 2 and fields[2] and fields[2] != fields[1]
    }


def _from_netlist(copper: Copper) -> Iterable[Pin]:
    netlist = netlist_of(copper.board)
    if netlist is None:
        return
    aligned = align_netlist(netlist, copper)
    shift = aligned.shift_mm
    for point in netlist.points:
        if point.ref not in ("", VIA) and point.net not in NO_NET and point.kind != "tooling":
            yield Pin(
                ref=point.ref,
                pin=point.pin,
                function="",
                node=point.net,
                x_mm=point.x_mm + shift[0],
                y_mm=point.y_mm + shift[1],
                face=_netlist_face(point.kind, point.access),
            )


def _netlist_face(kind: str, access: int) -> int:
    if kind == "through" or access == 0:
        return 0
    return 1 if access == 1 else -1


def _with_table(
    copper: Copper, pins: tuple[Pin, ...], table: Sequence[NamedPin]
) -> tuple[Pin, ...]:
    named: dict[int, str] = {}
    added = []
    for row in table:
        if row.at_mm is None:
            mine = [k for k, p in enumerate(pins) if p.pin == row.pad and row.ref in ("", p.ref)]
            refs = sorted({pins[k].ref for k in mine})
            if len(refs) != 1:
                what = f"{row.ref} pad {row.pad}" if row.ref else f"pad {row.pad}"
                why = f"is on {', '.join(refs[:6])}" if refs else "is on no part the files name"
                raise UsageError(
                    f"line {row.line} of the pin table: {what} {why}",
                    hint="name the part in the column ref, or give the place with x_mm and y_mm",
                )
            named |= dict.fromkeys(mine, row.name)
        else:
            added.append(_placed(copper, row, row.at_mm))
    # A pin that is there already is renamed, not added beside itself.
    tree = PointTree(np.array([(p.x_mm, p.y_mm) for p in pins])) if pins else None
    extra = []
    for pin in added:
        if tree is not None:
            apart, near = tree.query(np.array([(pin.x_mm, pin.y_mm)]))
            known = pins[int(near[0])]
            if apart[0] <= HIT_MM and pin.ref in (CONTROLLER, known.ref):
                spot = (known.x_mm, known.y_mm)
                named |= {k: pin.function for k, p in enumerate(pins) if (p.x_mm, p.y_mm) == spot}
                continue
        extra.append(pin)
    kept = [replace(p, function=named.get(k, p.function)) for k, p in enumerate(pins)]
    return (*kept, *extra)


def _placed(copper: Copper, row: NamedPin, at: tuple[float, float]) -> Pin:
    """Make a pin where the table puts it, on the copper that is there."""
    pads = copper.pads
    outer = np.flatnonzero((outer_face(copper) != 0) & (pads.island >= 0))
    apart = np.hypot(pads.x[outer] - at[0], pads.y[outer] - at[1])
    hit = outer[apart <= HIT_MM] if len(outer) else outer
    if len(hit):
        near = hit[np.argmin(np.hypot(pads.x[hit] - at[0], pads.y[hit] - at[1]))]
        faces = set(outer_face(copper)[hit[pads.island[hit] == pads.island[near]]].tolist())
        net = copper.nets[pads.net[near]] if pads.net[near] >= 0 else ""
        node = node_name(copper, net, int(pads.island[near]))
        face = faces.pop() if len(faces) == 1 else 0
        at = float(pads.x[near]), float(pads.y[near])
    else:
        node, face = _copper_at(copper, at), 0
        if not node:
            raise UsageError(
                f"line {row.line} of the pin table: no copper at {Place(x_mm=at[0], y_mm=at[1])} "
                f"mm for pin {row.name}",
                hint="places count as the board's files do; `fabkit sheet measures` and findings "
                "show them",
            )
    return Pin(
        ref=row.ref or CONTROLLER,
        pin=row.pad,
        function=row.name,
        node=node,
        x_mm=at[0],
        y_mm=at[1],
        face=face,
    )


def _copper_at(copper: Copper, at: tuple[float, float]) -> str:
    import shapely

    piece = int(pieces_at(copper.pieces.polygons, np.array([shapely.Point(*at)], object))[0])
    return "" if piece < 0 else node_name(copper, "", int(copper.pieces.island[piece]))


def pad_nodes_near(
    copper: Copper, spot: tuple[float, float], *, within_mm: float, face: int
) -> list[str]:
    """Nodes of pads of a face that come within a distance of a spot, nearest first."""
    import shapely

    pads = copper.pads
    mine = np.flatnonzero(
        (outer_face(copper) == face)
        & (pads.island >= 0)
        # Shapes are made of near pads alone; 5 mm from the middle covers lands up to 10 mm.
        & (np.abs(pads.x - spot[0]) < within_mm + 5)
        & (np.abs(pads.y - spot[1]) < within_mm + 5)
    )
    if not len(mine):
        return []
    apart = shapely.distance(copper.pad_shapes[mine], shapely.Point(*spot))
    near = mine[np.lexsort((mine, np.round(apart, 4)))][: int((apart <= within_mm).sum())]
    nodes = [
        node_name(
            copper,
            copper.nets[pads.net[k]] if pads.net[k] >= 0 else "",
            int(pads.island[k]),
        )
        for k in near
    ]
    return list(dict.fromkeys(n for n in nodes if n))


PITCHES_MM: Final = (2.54, 2.0, 1.27)
"""Pitches of headers and modules (common practice)."""

HOLE_MM: Final = (0.6, 1.35)
"""Plated holes for pins of headers and modules (common practice: 0.65 to 1.3 mm)."""

OFF_MM: Final = 0.13
"""How far a hole may lie off its place: a file in hundredths of an inch rounds by this much."""

FEWEST: Final = 5
"""Holes that make a row; fewer may be a jack, a jumper or a display."""


def find_headers(copper: Copper, keys: Sequence[Key]) -> tuple[HeaderHole, ...]:
    """Find rows of holes at the pitch of headers, apart from those of keys.

    Parameters
    ----------
    copper
        Copper of the board.
    keys
        Keys, whose holes are left out.

    Returns
    -------
    tuple of HeaderHole
        Row by row, named ``A``, ``B`` ... from the left, then from the top; holes of a row are
        numbered from the top, or from the left where it runs across.  A hole is in one row only,
        the longest.
    """
    board = copper.board
    holes = board.holes
    taken = {row for key in keys for row in key.holes}
    fits = (holes.plated == 1) & (holes.diameter >= HOLE_MM[0]) & (holes.diameter <= HOLE_MM[1])
    fits[sorted(taken)] = False
    rows = np.flatnonzero(fits)
    at = holes.spots()[rows]
    found = [_from_start(at, run) for run in _longest_runs(at)]
    found.sort(key=lambda run: (round(float(at[run, 0].min())), -round(float(at[run, 1].max()))))
    islands = _islands(copper, rows)
    return tuple(
        HeaderHole(
            row=_letters(number),
            number=place,
            x_mm=float(at[k, 0]),
            y_mm=float(at[k, 1]),
            node=node_name(copper, "", islands.get(int(rows[k]), -1)),
        )
        for number, run in enumerate(found)
        for place, k in enumerate(run, start=1)
    )


def _islands(copper: Copper, holes: Collection[int]) -> dict[int, int]:
    """Island that each plated hole is part of."""
    wanted = {int(h) for h in holes}
    return {
        hole: int(copper.pieces.island[piece])
        for hole, piece in copper.pieces.joints.tolist()
        if hole in wanted
    }


def _longest_runs(at: Floats) -> list[Ints]:
    """Straight runs at one pitch, the longest first; each hole in one run."""
    runs = [run for pitch in PITCHES_MM for run in _runs(at, pitch)]
    runs.sort(key=lambda run: (-len(run), run[0]))
    free = np.ones(len(at), dtype=bool)
    kept = []
    for run in runs:
        if free[run].all():
            free[run] = False
            kept.append(np.array(run))
    return kept


def _runs(at: Floats, pitch: float) -> Iterator[list[int]]:
    """Straight runs of holes at a pitch, as long as they go."""
    if len(at) < FEWEST:
        return
    tree = PointTree(at)
    pairs = tree.pairs(pitch + OFF_MM)
    near = np.hypot(*(at[pairs[:, 1]] - at[pairs[:, 0]]).T)
    pairs = pairs[np.abs(near - pitch) <= OFF_MM]
    met: set[tuple[int, int]] = set()
    for a, b in pairs.tolist():
        if (a, b) in met:
            continue
        run = [a, b]
        for _ in range(2):
            while (following := _next(tree, at, run)) is not None:
                run.append(following)
            run.reverse()
        met |= {(min(p), max(p)) for p in pairwise(run)}
        if len(run) >= FEWEST:
            yield run


def _next(tree: PointTree, at: Floats, run: Sequence[int]) -> int | None:
    """Find the hole one step on, in the direction of the whole run."""
    # Taken from the last step alone, one hole off its place would turn the whole row.
    step = (at[run[-1]] - at[run[0]]) / (len(run) - 1)
    apart, k = tree.query((at[run[-1]] + step)[None])
    following = int(k[0])
    return following if apart[0] <= OFF_MM and following not in run else None


def _from_start(at: Floats, run: Ints) -> Ints:
    """From the top down, or from the left where the row runs across."""
    first, last = at[run[0]], at[run[-1]]
    across = abs(last[0] - first[0]) > abs(last[1] - first[1])
    backwards = last[0] < first[0] if across else last[1] > first[1]
    return run[::-1] if backwards else run


def _letters(number: int) -> str:
    """Name a row: A, B ... Z, AA, AB ..."""
    text = ""
    number += 1
    while number:
        number, rest = divmod(number - 1, 26)
        text = chr(65 + rest) + text
    return text


# The user's table of pins: names for pads that the files leave nameless, as CSV or TOML


PIN_COLUMNS: Final = ("name", "ref", "pad", "x_mm", "y_mm")

PIN_EXPECTED: Final = "name, and x_mm with y_mm, or pad (and ref where several parts have that pad)"


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedPin:
    """One row, or one ``[[pin]]``: a name, and the pad that has it, by number or by place."""

    name: str
    ref: str = ""
    pad: str = ""
    at_mm: tuple[float, float] | None = None
    line: Line = None


def pin_form(found: Wiring) -> str:
    """Make a pin table to fill in, as CSV: every hole a controller may sit in, without names.

    Parameters
    ----------
    found
        As :func:`fabkit.list_wiring` gives it.

    Raises
    ------
    UsageError
        There is no such hole, or the files name the pins already.
    """
    holes = [hole for number in sorted(found.headers) for hole in found.headers[number]]
    if not holes:
        raise UsageError(
            "no row of holes for a controller that the files leave nameless",
            hint=f"pins were read from {found.source}",
        )
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(PIN_COLUMNS)
    for hole in holes:
        writer.writerow(("", hole.row, hole.number, f"{hole.x_mm + 0:.3f}", f"{hole.y_mm + 0:.3f}"))
    return text.getvalue()


def load_pins(path: Path) -> tuple[NamedPin, ...]:
    """Load a pin table; its ending shows whether it is TOML or CSV.

    Raises
    ------
    UnreadableInput
        It cannot be read.
    SheetError
        A row is wrong; names file, line and what was expected.
    """
    toml = path.suffix.lower() == ".toml"
    rows = _toml(path) if toml else _csv(path)
    if not rows:
        raise UnreadableInput(f"{path}: no pins in this table", hint=f"a row has {PIN_EXPECTED}")
    seen: dict[object, NamedPin] = {}
    for row in rows:
        if row.at_mm is not None and not all(abs(v) < 1e5 for v in row.at_mm):
            raise _error(path, row.line, "x_mm or y_mm is out of range")
        if not row.name:
            raise _error(path, row.line, "a pin without a name")
        if row.at_mm is None and not row.pad:
            raise _error(path, row.line, "give a place or a pad number")
        key = row.at_mm or (row.ref, row.pad)
        if key in seen:
            raise _error(path, row.line, f"the same pad as in line {seen[key].line}")
        seen[key] = row
    return rows


def _error(path: Path, line: int | None, message: str) -> SheetError:
    return SheetError(message, file=str(path), line=line, key="(row)", expected=PIN_EXPECTED)


def _csv(path: Path) -> tuple[NamedPin, ...]:
    text = read_text(path, what="pin table")
    first = text.partition("\n")[0]
    mark = max(",;\t", key=first.count)
    reader = csv.DictReader(io.StringIO(text), delimiter=mark)
    heads = [(h or "").strip().lower() for h in reader.fieldnames or ()]
    unknown = [h for h in heads if h not in PIN_COLUMNS]
    if unknown or "name" not in heads:
        wrong = f"'{unknown[0]}' is no column" if unknown else "there is no column 'name'"
        raise SheetError(
            wrong,
            file=str(path),
            line=1,
            key="(heads)",
            expected="columns out of " + ", ".join(PIN_COLUMNS),
        )
    reader.fieldnames = heads
    rows = []
    try:
        for row in reader:
            cells = {k: (v or "").strip() for k, v in row.items() if k and isinstance(v, str)}
            # A hole of a table to fill in that was left without a name is no pin.
            unfilled = not cells.get("name") and all(map(cells.get, PIN_COLUMNS[1:]))
            if any(cells.values()) and not unfilled:
                rows.append(_row(path, reader.line_num, cells))
    except csv.Error as error:
        raise _error(path, reader.line_num, f"not a table: {error}") from error
    return tuple(rows)


def _row(path: Path, line: int, cells: dict[str, str]) -> NamedPin:
    at = None
    if cells.get("x_mm") or cells.get("y_mm"):
        try:
            at = (float(cells.get("x_mm", "")), float(cells.get("y_mm", "")))
        except ValueError:
            raise _error(path, line, "x_mm and y_mm are not two numbers") from None
    named = {key: cells.get(key, "") for key in ("name", "ref", "pad")}
    return NamedPin(**named, at_mm=at, line=line)


@dataclass(frozen=True, kw_only=True)
class _PinFile:
    format: Count
    pin: tuple[NamedPin, ...]


def _toml(path: Path) -> tuple[NamedPin, ...]:
    return read_as(_PinFile, read_sheet(path), what="the pin table").pin


@dataclass(frozen=True, kw_only=True)
class _KeyOrder:
    """The order of keys by hand."""

    format: Count
    keys: tuple[str, ...] = ()
    left: tuple[str, ...] = ()
    right: tuple[str, ...] = ()


def load_key_order(path: Path) -> dict[str, tuple[str, ...]]:
    """Load the order of keys by hand: ``left``, ``right``, or ``keys`` for every half.

    Raises
    ------
    UnreadableInput
        It cannot be read.
    SheetError
        A key is wrong, or a reference is there twice.
    """
    text = read_sheet(path)
    order = read_as(_KeyOrder, text, what="the order of keys")
    found = {"keys": order.keys, "left": order.left, "right": order.right}
    for name, refs in found.items():
        twice = next((r for r in refs if refs.count(r) > 1), None)
        if twice is not None:
            raise text.error((name,), f"'{twice}' is there twice", expected="each reference once")
    if not any(found.values()):
        raise text.error((), "no keys", expected='keys = ["SW1", "SW2"], or left and right')
    return {name: refs for name, refs in found.items() if refs}


# Pins as they sit when the controller is turned over


MEETS_MM: Final = 0.5
"""A hole whose mirror image lies this near to another one takes that one's pin; pins as far along
their rows stand opposite each other."""

STEP_MM: Final = 4.0
"""Holes of one row are at most this far apart (common practice: 2.54 mm, or 1.27 and 2.0)."""

NO_PARTNER: Final = "(no pin)"


BEFORE_LEAD_MM: Final = 3.5
"""Pads of a jumper stand no farther from the hole of the lead that it joins (common practice: a
tenth of an inch, and the jumper)."""


def in_leads(pins: Sequence[Pin], holes: Holes, face: int) -> tuple[Pin, ...]:
    """Pins in the holes of their leads, where the footprint has jumpers of its own before these.

    Such a footprint numbers the pads and vias behind the jumpers, and the holes not at all: which
    pin is in a hole depends on the face whose jumpers are closed.
    """
    leads = holes.take(np.flatnonzero(holes.diameter > VIA_MM))
    if not len(leads) or not pins:
        return tuple(pins)
    at = np.array([(p.x_mm, p.y_mm) for p in pins])
    drilled = PointTree(leads.spots()).query(at)[0] <= SAME_MM
    free: dict[str, list[int]] = {}
    behind: dict[tuple[str, str], list[int]] = {}
    for k, pin in enumerate(pins):
        if pin.pin:
            behind.setdefault((pin.ref, pin.pin), []).append(k)
        elif drilled[k]:
            free.setdefault(pin.ref, []).append(k)
    out = list(pins)
    for (ref, _), mine in behind.items():
        pads = [k for k in mine if pins[k].face == face]
        if not pads or drilled[mine].any() or ref not in free:
            continue
        gap, near = PointTree(at[free[ref]]).query(at[pads])
        k = int(gap.argmin())
        if gap[k] <= BEFORE_LEAD_MM:
            x, y = at[free[ref][int(near[k])]].tolist()
            for row in mine:
                out[row] = replace(pins[row], x_mm=x, y_mm=y, face=0)
    return tuple(out)


@dataclass(frozen=True, eq=False)
class Turned:
    """Pins as they sit after the turn, and the two ends of the line it was turned about, mm."""

    pins: tuple[Pin, ...]
    axis: tuple[Spot, Spot] | None


def swap_rows(pins: Sequence[Pin]) -> Turned:
    """Pins as they sit when the module is turned over about its rows, holes in place.

    Every hole keeps its net and takes number and name of the pin opposite: the one of the other
    row that is as far along it.  Footprints that lie into each other, or one row for either face,
    have the same two pins there.  Where other than two pins are as far along, the hole takes the
    pin of the hole that mirrors it about the line half way between the outermost rows.  Doing it
    twice gives the pins back.
    """
    if len(pins) < 2:
        return Turned(tuple(pins), None)
    # Each hole once: two pins in one hole would be a step of no length.
    at = np.unique(np.round([(p.x_mm, p.y_mm) for p in pins], 4), axis=0)
    along = _along(at)
    across = np.array([-along[1], along[0]])
    # Half way between the outermost rows, in whatever direction they run.
    reach = at @ across
    middle = across * (reach.min() + reach.max()) / 2
    spots = np.array([(p.x_mm, p.y_mm) for p in pins]) - middle
    image = 2 * np.outer(spots @ along, along) - spots
    apart, mirrored = PointTree(spots).query(image)
    opposite = _opposite(pins, spots @ along)
    out = []
    for k, pin in enumerate(pins):
        facing = opposite[k]
        if facing is not None:
            out.append(_as(pin, pins[facing]))
        elif apart[k] <= MEETS_MM:
            out.append(_as(pin, pins[int(mirrored[k])]))
        else:
            out.append(replace(pin, pin="", function=NO_PARTNER, home=""))
    ends = np.outer([(at @ along).min(), (at @ along).max()], along) + middle
    (x0, y0), (x1, y1) = ends.tolist()
    return Turned(tuple(out), ((x0, y0), (x1, y1)))


def _as(hole: Pin, there: Pin) -> Pin:
    return replace(
        hole, ref=there.ref, pin=there.pin, function=there.function, home=there.home or there.node
    )


def _opposite(pins: Sequence[Pin], along: Floats) -> list[int | None]:
    """For each pin one of the pin opposite it; None where not exactly two are as far along."""
    out: list[int | None] = [None] * len(pins)
    order = np.argsort(along, kind="stable")
    for group in np.split(order, np.flatnonzero(np.diff(along[order]) > MEETS_MM) + 1):
        named = [int(k) for k in group if pins[k].pin]
        numbers = sorted({(pins[k].ref, pins[k].pin) for k in named})
        if len(numbers) != 2:
            continue
        for k in named:
            other = numbers[(pins[k].ref, pins[k].pin) == numbers[0]]
            out[k] = next(m for m in named if (pins[m].ref, pins[m].pin) == other)
    return out


def _along(at: Floats) -> Floats:
    """(2,) direction of the rows: the step from hole to hole that is met most often.

    Rows that lie into each other are nearer than the holes of one row, but not so often.
    """
    apart = at[None] - at[:, None]
    gap = np.hypot(apart[..., 0], apart[..., 1])
    np.fill_diagonal(gap, np.inf)
    steps = apart[gap <= max(STEP_MM, float(gap.min()))]
    alike = np.abs(steps[:, None] - steps).max(axis=2) <= MEETS_MM / 10
    counts = alike.sum(axis=1)
    length = np.round(np.hypot(steps[:, 0], steps[:, 1]), 2)
    best = int(np.lexsort((length, -counts))[0])
    step = steps[alike[best]].mean(axis=0)
    direction: Floats = step / np.hypot(*step)
    return direction

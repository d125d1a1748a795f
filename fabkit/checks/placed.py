"""Tables of placed and listed parts against the pads that carry the names of these parts.

Where neither copper layers nor a netlist name parts, nothing shows what belongs to which pad.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from fabkit.base.columns import Bools, Floats, gather
from fabkit.base.findings import Finding, Rule, Severity
from fabkit.base.units import counted, natural, some_of
from fabkit.board.components import placed_parts
from fabkit.board.copper import netlist_of
from fabkit.checks.copper_facts import require_copper
from fabkit.checks.declare import check
from fabkit.checks.half import keyboard_of
from fabkit.checks.model import Case, NotJudged
from fabkit.formats.sidecars.model import PartsTable, PlacedPart, Placement
from fabkit.keyboard.kinds import stem
from fabkit.rules import load_rule

OFF_PADS: Final = load_rule("placement/off-pads")
MIRRORED: Final = load_rule("placement/mirrored")
OTHER_SIDE: Final = load_rule("placement/other-side")
TURNED: Final = load_rule("placement/turned")
NOT_PLACED: Final = load_rule("placement/part-missing")
UNKNOWN: Final = load_rule("placement/part-unknown")
NOT_LISTED: Final = load_rule("partslist/part-missing")
LISTED_UNKNOWN: Final = load_rule("partslist/part-unknown")
NO_VALUE: Final = load_rule("partslist/value-missing")

NAMED: Final = 8
"""Parts named one by one."""

FEWEST: Final = 4
"""Fewer alike do not outvote one."""

MOST_ODD: Final = 0.2
"""Share of parts alike that may differ from the others and be slips."""

BESIDE_MM: Final = 0.5
"""The middle of a part may lie so far beyond half the size of its pads' box."""

STRAY_MM: Final = 5.0
"""Origins of connectors and modules lie as far as this off the box of their pads."""

VOTERS: Final = 100
"""Parts of a kind whose vote is counted."""

VALUED: Final = frozenset(("C", "D", "FB", "IC", "L", "Q", "R", "U", "X", "Y"))
"""Letters of parts whose footprints do not say what to buy (classes of IEEE 315-1975, 22.4)."""

SAME_MM: Final = 0.1
SAME_DEG: Final = 1.0
MOVED_MM: Final = 0.3

EXPLAINS: Final = 0.9
"""Share of parts that lie on their pads after a move that is believed."""


@dataclass(frozen=True, eq=False)
class _Site:
    """The pads of one part: (n, 2) middles in mm, and the face and the pin of each."""

    ref: str
    spots: Floats
    faces: tuple[str, ...]
    pins: tuple[str, ...]

    def on(self, face: str) -> _Site:
        """Those of its pads that are on one face: at least one."""
        mine = [k for k, own in enumerate(self.faces) if own == face]
        pins = tuple(self.pins[k] for k in mine)
        return _Site(self.ref, self.spots[mine], (face,) * len(mine), pins)

    @property
    def low(self) -> Floats:
        return np.asarray(self.spots.min(axis=0))

    @property
    def high(self) -> Floats:
        return np.asarray(self.spots.max(axis=0))

    @property
    def kind(self) -> tuple[str, int, int, int]:
        """Parts of one kind have the same letters, number of pads and spread, however turned."""
        out = np.hypot(*(self.spots - self.spots.mean(axis=0)).T)
        # Steps end where no usual size lies, or sizes alike would be rounded up and down.
        steps = np.floor(np.array([out.max(), out.mean()]) / SAME_MM + 0.637)
        most, mean = steps.astype(int).tolist()
        return stem(self.ref), len(self.spots), most, mean


def sites_of(case: Case) -> dict[str, _Site]:
    """Parts with pads, by reference: from the copper layers, else from the netlist."""
    copper = require_copper(case)
    pads = copper.pads
    side_of = {i: a.side for i, a in enumerate(case.board.copper) if a.side is not None}
    found: dict[str, list[tuple[float, float, str, str]]] = defaultdict(list)
    rows = np.flatnonzero((pads.pin >= 0) & np.isin(pads.layer, list(side_of)))
    for row in rows.tolist():
        ref, pin = copper.pins[pads.pin[row]]
        side = side_of[int(pads.layer[row])]
        found[ref].append((float(pads.x[row]), float(pads.y[row]), str(side), pin))
    netlist = netlist_of(case.board)
    if not found and netlist is not None:
        access = {i + 1: side for i, side in side_of.items()}
        for p in netlist.points:
            if p.ref and p.ref.upper() != "VIA" and p.pin and p.kind in ("through", "surface"):
                sides = ("top", "bottom") if not p.access else (access.get(p.access),)
                found[p.ref] += [(p.x_mm, p.y_mm, str(side), p.pin) for side in sides if side]
    return {
        ref: _Site(
            ref=ref,
            spots=np.array([(x, y) for x, y, _, _ in ends]),
            faces=tuple(side for _, _, side, _ in ends),
            pins=tuple(pin for _, _, _, pin in ends),
        )
        for ref, ends in found.items()
        if ref
    }


@dataclass(frozen=True, eq=False)
class _Rows:
    """Placed parts of one face that have pads: where they are said to be, and where pads are."""

    parts: tuple[PlacedPart, ...]
    sites: tuple[_Site, ...]

    @property
    def at(self) -> Floats:
        """(n, 2) float64, mm."""
        return np.array([(p.x_mm, p.y_mm) for p in self.parts]).reshape(-1, 2)

    @property
    def turn(self) -> Floats:
        """(n,) float64, degrees."""
        return np.array([p.rotation_deg for p in self.parts])

    def beyond(self, at: Floats) -> Floats:
        """(n,) float64, mm: how far places lie off their pads' boxes, half of their size away."""
        low = np.array([s.low for s in self.sites])
        high = np.array([s.high for s in self.sites])
        off = np.maximum(low - at, at - high).max(axis=1)
        return np.asarray(off - (high - low).max(axis=1) / 2)

    def middles(self) -> Floats:
        """(n, 2) float64, mm: middles of the pads, which turn with the part."""
        return np.array([s.spots.mean(axis=0) for s in self.sites])

    def kinds(self) -> Iterator[list[int]]:
        """Rows of parts alike, of which there are enough to vote."""
        groups = gather(
            ((part.footprint, *site.kind), row)
            for row, (part, site) in enumerate(zip(self.parts, self.sites, strict=True))
        )
        yield from (rows for rows in groups.values() if len(rows) >= FEWEST)


def _few(odd: int, of: int) -> bool:
    """Whether so many of a kind may be slips."""
    return odd <= max(1, MOST_ODD * of)


def _odd(votes: Floats, same: float, far: float) -> Bools | None:
    """Which of a kind differ from nearly all others; None where these do not agree.

    ``votes`` are (n,) complex128.  Where nearly all agree, one of the first few does.
    """
    apart = np.abs(votes[:VOTERS, None] - votes[None, :])
    best = int((apart <= same).sum(axis=1).argmax())
    odd = apart[best] > same
    if not _few(int(np.count_nonzero(odd)), len(votes)):
        return None
    return np.asarray(apart[best] > far)


def _either_way(vectors: Floats, turn: Floats, same: float, far: float) -> Bools | None:
    """Vote with turns seen from the top, and as seen from below; the calmer vote counts."""
    turned = (vectors * np.exp(-1j * sign * np.radians(turn)) for sign in (1, -1))
    found = [odd for votes in turned if (odd := _odd(votes, same, far)) is not None]
    return min(found, key=lambda odd: int(odd.sum()), default=None)


def _misplaced(rows: _Rows, at: Floats) -> Bools:
    """Parts that lie off their pads, or elsewhere on them than others of their kind."""
    off = rows.middles() - at
    shift = off[:, 0] + 1j * off[:, 1]
    out = rows.beyond(at) > STRAY_MM
    for mine in rows.kinds():
        odd = _either_way(shift[mine], rows.turn[mine], SAME_MM, MOVED_MM)
        if odd is not None:
            out[mine] = odd
    return np.asarray(out)


def _turned(rows: _Rows) -> Bools:
    """Parts turned otherwise than their pads are, going by others of their kind."""
    out = np.zeros(len(rows.parts), dtype=bool)
    way = np.full(len(rows.parts), np.nan, dtype=complex)
    for row, site in enumerate(rows.sites):
        ordered = sorted(range(len(site.pins)), key=lambda k: natural(site.pins[k]))
        step = site.spots[ordered[-1]] - site.spots[ordered[0]]
        if np.hypot(*step) > SAME_MM:
            way[row] = complex(*step) / np.hypot(*step)
    for mine in rows.kinds():
        if np.isnan(way[mine]).any():
            continue
        same = float(2 * np.sin(np.radians(SAME_DEG) / 2))
        odd = _either_way(way[mine], rows.turn[mine], same, 10 * same)
        if odd is not None:
            out[mine] = odd
    return out


AS_STATED: Final = ""
MOVED: Final = "moved"
"""Another origin: houses set it when they set up the machine (common practice)."""

_MOVES: Final = (
    (MOVED, np.eye(2)),
    ("mirrored left to right", np.diag((-1.0, 1.0))),
    ("mirrored top to bottom", np.diag((1.0, -1.0))),
    ("turned by 180 degrees", -np.eye(2)),
    ("turned by 90 degrees", np.array([[0.0, -1.0], [1.0, 0.0]])),
    ("turned by 270 degrees", np.array([[0.0, 1.0], [-1.0, 0.0]])),
)


def _explained(rows: _Rows) -> tuple[str, Floats]:
    """How the places of a face lie otherwise than its pads, and where they lie without that."""
    for words, move in _MOVES:
        at = rows.at @ move.T
        at = at + np.median(rows.middles() - at, axis=0)
        if len(rows.parts) >= FEWEST and (rows.beyond(at) <= BESIDE_MM).mean() >= EXPLAINS:
            return words, at
    return AS_STATED, rows.at


@check(
    id="placement/pads",
    rules=(OFF_PADS, MIRRORED, OTHER_SIDE, TURNED, NOT_PLACED, UNKNOWN),
    needs=("outer-copper",),
)
def placed(case: Case) -> Iterator[Finding]:
    """Placed parts lie on their pads."""
    tables = {
        f.name: f.content for f in case.board.package.files if isinstance(f.content, Placement)
    }
    found = placed_parts(case.board.package, case.board.profile, [])
    parts = [p for p in found if p.fitted and p.ref]
    if not parts:
        raise NotJudged("a placement table")
    sites = case.shared(sites_of)
    if not any(p.ref in sites for p in parts):
        raise NotJudged("pads that carry the names of the placed parts")
    file = next(name for name, table in tables.items() if table.parts)

    def of(
        rule: Rule, words: str, odd: Sequence[PlacedPart], **said: Severity
    ) -> Iterator[Finding]:
        if odd:
            at = [case.place(file, side=p.side, x_mm=p.x_mm, y_mm=p.y_mm) for p in odd[:NAMED]]
            names = some_of([p.ref for p in odd], NAMED)
            yield Finding.of(rule, f"{names}: {words}", *at, count=len(odd), **said)

    # A switch stands on the face of the keys, its socket is soldered on the other one.
    keys = case.shared(keyboard_of).keys
    held = {ref for k in keys if k.held_by in ("socket", "either") for ref in k.refs}
    plugged = [p for p in parts if p.ref in held]
    for side in ("top", "bottom"):
        mine = [p for p in parts if p.side == side and p.ref in sites]
        # Legs go through the board, and reversible boards have pads for a part on both faces.
        beneath = [p for p in mine if side not in sites[p.ref].faces]
        other = "bottom" if side == "top" else "top"
        above = [p for p in plugged if p in beneath]
        if 2 * len(above) > len(plugged):
            words = f"switches listed on the {side}, whose sockets are soldered on the {other}"
            yield from of(OTHER_SIDE, words, above, severity=Severity.NOTE)
            mine, beneath = ([p for p in a if p not in above] for a in (mine, beneath))
        yield from of(OTHER_SIDE, f"placed on the {side}, but all pads are on the {other}", beneath)
        mine = [p for p in mine if p not in beneath]
        if not mine:
            continue
        rows = _Rows(tuple(mine), tuple(sites[p.ref].on(side) for p in mine))
        off = int(np.count_nonzero(rows.beyond(rows.at) > BESIDE_MM))
        turned = _turned(rows)
        how, at = _explained(rows) if 2 * off > len(mine) else (AS_STATED, rows.at)
        # The middle of a turned part is turned with it.
        odd = _misplaced(rows, at) & ~turned
        said = f"places of {counted(len(mine), 'part')} on the {side}"
        if how not in (AS_STATED, MOVED):
            yield Finding.of(MIRRORED, f"{said} are {how} against their pads", case.place(file))
            continue
        if len(mine) >= FEWEST and odd.mean() > MOST_ODD:
            words = f"{said}: {off} lie off the pads of their parts"
            yield Finding.of(OFF_PADS, words, case.place(file), count=off)
            continue
        yield from of(OFF_PADS, "placed off the pads", [mine[k] for k in np.flatnonzero(odd)])
        yield from of(
            TURNED,
            "turned otherwise than others of the kind are on their pads",
            [mine[k] for k in np.flatnonzero(turned)],
        )
    refs = {p.ref for table in tables.values() for p in table.parts}
    missing = _missing(sites, refs, left_out=_unfitted(case))
    if missing:
        yield Finding.of(
            NOT_PLACED,
            f"{some_of(missing, NAMED)}: not in the table, though others of the kind are",
            case.place(file),
            count=len(missing),
        )
    strange = set(_strangers(sites, refs))
    yield from of(UNKNOWN, "no pad carries the name", [p for p in parts if p.ref in strange])


def _unfitted(case: Case) -> set[str]:
    """References that a table says are not fitted."""
    out: set[str] = set()
    for file in case.board.package.files:
        if isinstance(file.content, PartsTable):
            out |= {ref for row in file.content.rows if not row.fitted for ref in row.refs}
        elif isinstance(file.content, Placement):
            out |= {p.ref for p in file.content.parts if not p.fitted}
    return out


def _missing(
    sites: dict[str, _Site], listed: Collection[str], *, left_out: Collection[str]
) -> list[str]:
    """Parts that are not listed, though nearly all others of their kind are."""
    kinds = gather((site.kind, ref) for ref, site in sites.items() if ref not in left_out)
    out = []
    for refs in kinds.values():
        absent = [ref for ref in refs if ref not in listed]
        if len(refs) - len(absent) >= FEWEST and _few(len(absent), len(refs)):
            out += absent
    return sorted(out, key=natural)


def _strangers(sites: dict[str, _Site], listed: Collection[str]) -> list[str]:
    """Listed parts without pads, though nearly all listed ones, and some of their letters, have."""
    without = [ref for ref in listed if ref not in sites]
    letters = {stem(ref) for ref in sites}
    if not _few(len(without), len(listed)):
        return []
    return sorted((ref for ref in without if stem(ref) in letters), key=natural)


@check(
    id="partslist/pads",
    rules=(NOT_LISTED, LISTED_UNKNOWN, NO_VALUE),
    needs=("outer-copper",),
)
def listed(case: Case) -> Iterator[Finding]:
    """Parts lists name the parts that have pads, each with a value."""
    tables = {
        f.name: f.content for f in case.board.package.files if isinstance(f.content, PartsTable)
    }
    if not any(table.rows for table in tables.values()):
        raise NotJudged("a parts list")
    sites = case.shared(sites_of)
    refs = {ref for table in tables.values() for row in table.rows for ref in row.refs}
    place = case.place(next(iter(tables)))
    missing = _missing(sites, refs, left_out=())
    if missing and any(ref in sites for ref in refs):
        words = f"{some_of(missing, NAMED)}: not in the list, though others of the kind are"
        yield Finding.of(NOT_LISTED, words, place, count=len(missing))
    strange = _strangers(sites, refs)
    if strange:
        words = f"{some_of(strange, NAMED)}: no pad carries the name"
        yield Finding.of(LISTED_UNKNOWN, words, place, count=len(strange))
    for name, table in tables.items():
        rows = [r for r in table.rows if r.fitted and r.refs]
        bare = [r for r in rows if not r.value and not r.part_number]
        if not bare or len(rows) == 1 or not _few(len(bare), len(rows)):
            continue
        named = [ref for r in bare for ref in r.refs]
        yield Finding.of(
            NO_VALUE,
            f"{some_of(named, NAMED)}: neither value nor part number is stated",
            case.place(name),
            count=len(bare),
            severity=NO_VALUE.severity
            if any(stem(ref) in VALUED for ref in named)
            else Severity.NOTE,
        )

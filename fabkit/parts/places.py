"""The places of a board that take parts, what the files state of each, how many a half takes."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import hypot
from typing import Final

import numpy as np

from fabkit.base.units import natural
from fabkit.board.model import Board
from fabkit.board.nets import is_power
from fabkit.formats.sidecars.model import PartsTable, Placement
from fabkit.geometry.neighbours import PointTree, usual_gap
from fabkit.keyboard.build import find_keyboard
from fabkit.keyboard.hands import opposite
from fabkit.keyboard.kinds import is_joined, kind_of, plain, stem, why_no_part
from fabkit.keyboard.model import (
    Evidence,
    Family,
    Group,
    Hold,
    Key,
    Keyboard,
    PartSite,
    fitted_range,
)
from fabkit.keyboard.part_sites import count_loose, find_part_sites, lone_holes, sites_of
from fabkit.keyboard.patterns import Pattern, load_patterns
from fabkit.package.model import RoleKind, Side
from fabkit.parts.book import BookPart, Face
from fabkit.parts.model import Place, Record
from fabkit.sheets.order import BoardUse

NOT_KNOWN: Final = "what stands there is not known"

FEWEST_ROW: Final = 4
"""A shorter row of holes that nothing names may hold anything, so it is not counted."""

STANDS_FOR: Final[Mapping[str, tuple[str, ...]]] = {
    "controller": ("circuit",),
    "header": ("display",),
}
"""What a table may call a part whose holes look so: words of a circuit do not show that it is the
one that scans the keys, and displays stand on rows of holes."""

KNOB_MM: Final = 6.0
"""An encoder this near to the middle of a key stands in its place, and a light below its switch."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Half:
    """What one half of a board takes (of a board that is not split: all of it).

    ``keys`` counts the fewest and the most switches: places that overlap take one.
    """

    group: Group | None
    places: tuple[Place, ...]
    keys: tuple[int, int]
    keyboard: Keyboard


@dataclass(frozen=True, eq=False, kw_only=True)
class Places:
    """The places of one board, by half.

    Parameters
    ----------
    halves
        One for each group of the keyboard; one for a board without keys.
    loose
        Of the whole board: places whose half the files do not show.
    rows
        Rows of parts tables without references: pieces of a board.
    left_out
        Reference and reason of what is named and not bought.
    family, held
        Which switch is counted where several fit; ``choice`` states it in words, empty when only
        one fits.
    unsure
        Whether nothing shows which build of switch is meant.
    knobs
        Places that take a switch or an encoder.
    """

    board: Board
    keyboard: Keyboard
    halves: tuple[Half, ...]
    loose: tuple[Place, ...]
    rows: tuple[Record, ...]
    left_out: Mapping[str, str]
    family: Family
    held: Hold
    choice: str
    unsure: bool
    knobs: int
    unnamed: tuple[int, int] = (0, 0)
    """Surface lands, and plated holes, of parts that no file names and nothing shows."""
    nameless: tuple[tuple[str, int], ...] = ()
    """Placement tables with rows that name no part, and how many."""

    def all(self) -> tuple[Place, ...]:
        """Every place, on whichever half."""
        return (*(place for half in self.halves for place in half.places), *self.loose)


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """A design beside the boards that give the halves: what it is, and how many a keyboard has."""

    board: Board
    name: str
    use: BoardUse
    count: int


def find_places(board: Board, stated: BoardUse | None, *, verdict: Verdict) -> Places:
    """Find the places of a board.

    Parameters
    ----------
    board
        The board.
    stated
        What the board is by the user's word; None leaves it to the files.
    verdict
        The parts book's word on a reference.
    """
    return _Places(board, stated, verdict).build()


class _Places:
    """Carries what every step needs."""

    def __init__(self, board: Board, stated: BoardUse | None, verdict: Verdict) -> None:
        self.board = board
        self.verdict = verdict
        self.patterns = {p.key: p for p in load_patterns()}
        self.keyboard = find_keyboard(board, stated)
        records = read_records(board)
        self.records = {r.ref: r for r in records if r.named}
        self.rows = tuple(r for r in records if not r.named)
        self.placed = {c.ref for c in board.components if c.x_mm is not None}
        self.left_out: dict[str, str] = {}
        self.knobs = 0
        keys = self.keyboard.keys
        self.family, self.held, self.choice, self.unsure = _choose(keys, self.patterns)

    def build(self) -> Places:
        """Keys and sites by half."""
        keys = self._keys()
        sites = self._named(find_part_sites(self.board))
        placed = {ref for k in keys for ref in k.refs} | {r for s in sites for r in s.refs}
        for x, y, wide in lone_holes(self.board):
            self.left_out[f"hole of {wide:.2g} mm at {x:.1f}, {y:.1f}"] = NOT_KNOWN
        halves: list[Half] = []
        loose: tuple[PartSite, ...] = ()
        for group in self.keyboard.hands.groups:
            own, loose = sites_of(self.keyboard, group, sites)
            halves.append(
                Half(
                    group=group,
                    places=(
                        *(self._drop_not_fitted(keys[k]) for k in group.keys),
                        *self._sites(own),
                    ),
                    keys=self._fitted(group, own),
                    keyboard=self.keyboard,
                )
            )
        if not halves:
            places = tuple(self._sites(sites))
            halves.append(Half(group=None, places=places, keys=(0, 0), keyboard=self.keyboard))
        return Places(
            board=self.board,
            keyboard=self.keyboard,
            halves=tuple(halves),
            loose=(*self._sites(loose), *self._unplaced(placed)),
            rows=tuple(r for r in self.rows if self._is_part(r)),
            left_out=self.left_out,
            family=self.family,
            held=self.held,
            choice=self.choice,
            unsure=self.unsure,
            knobs=self.knobs,
            unnamed=(0, 0) if self.records or self.rows else count_loose(self.board),
            nameless=tuple(
                (file.name, file.content.nameless)
                for file in self.board.package.of(RoleKind.PLACEMENT)
                if isinstance(file.content, Placement) and file.content.nameless
            ),
        )

    def _named(self, sites: Sequence[PartSite]) -> list[PartSite]:
        """Give places that nothing names the references that only a table names, kind by kind.

        Each of these stands at one of the places of its kind; at which one is not known, so a place
        loses its pattern where those of its kind differ.
        """
        named = {ref for s in sites for ref in s.refs}
        spare: dict[str, list[str]] = defaultdict(list)
        for ref, record in self.records.items():
            f = record.fields
            if ref in named or record.sources != (TABLE,) or is_unusual(record):
                continue
            if record.fitted and not why_no_part(ref, f):
                spare[kind_of(ref, f.get("value", ""), f.get("footprint", ""))].append(ref)
        bare = {
            s.kind: {b.pattern for b in sites if b.kind == s.kind and not b.refs} for s in sites
        }
        out = []
        for site in sites:
            kinds = () if site.refs else (site.kind, *STANDS_FOR.get(site.kind, ()))
            given = next((spare[k] for k in kinds if spare[k]), None)
            if given:
                pattern = site.pattern if len(bare[site.kind]) == 1 else ""
                site = replace(site, refs=(given.pop(0),), pattern=pattern)
            out.append(site)
        return out

    def _fitted(self, group: Group, sites: Sequence[PartSite]) -> tuple[int, int]:
        """Fewest and most switches of a half; a key's place may take a knob instead."""
        fewest, most = self.keyboard.group_counts(group)
        knobs = [s for s in sites if s.kind == "encoder" and s.x_mm is not None]
        taken = sum(
            any(
                hypot((s.x_mm or 0.0) - key.x_mm, (s.y_mm or 0.0) - key.y_mm) < KNOB_MM
                for s in knobs
            )
            for key in (self.keyboard.keys[k] for k in group.keys)
        )
        self.knobs += taken
        return fewest - taken, most

    def _keys(self) -> list[Place]:
        """One place a key; switches that tables name without a place stand at keys without one."""
        named = {ref for k in self.keyboard.keys for ref in k.refs}
        bare = [k for k in self.keyboard.keys if not k.refs]
        spare = [
            r
            for r in sorted(self.records.values(), key=lambda r: natural(r.ref))
            if r.ref not in named and self._is_key_switch(r)
        ]
        # Of more switches than bare keys nothing shows which are on keys.
        given = dict(zip(map(id, bare), spare, strict=False)) if len(spare) <= len(bare) else {}
        out = []
        for key in self.keyboard.keys:
            records = [self.records[ref] for ref in key.refs if ref in self.records]
            records += [given[id(key)]] if id(key) in given else []
            sources = {s for r in records for s in r.sources}
            sources |= {HOLES} if key.patterns else set()
            out.append(
                Place(
                    kind="key switch",
                    records=tuple(records),
                    patterns=tuple(p for p in key.patterns if self._chosen(p)),
                    faces=key.faces,
                    mount="not known",
                    sources=tuple(s for s in ORDER if s in sources)
                    or tuple(e.value for e in key.evidence),
                    x_mm=key.x_mm,
                    y_mm=key.y_mm,
                    confidence=key.confidence,
                )
            )
        return out

    def _is_key_switch(self, record: Record) -> bool:
        """Whether a reference without a place is a switch of a key."""
        if record.ref in self.placed:
            return False
        f = record.fields
        kind = kind_of(record.ref, f.get("value", ""), f.get("footprint", ""))
        return kind == "button" and not why_no_part(record.ref, f)

    def _chosen(self, pattern: str) -> bool:
        known = self.patterns.get(pattern)
        if known is None:
            return True
        family = known.family in (self.family, "not known")
        return family and known.held_by in (self.held, "not known")

    def _sites(self, sites: Sequence[PartSite]) -> list[Place]:
        out = []
        for site in sites:
            records = tuple(self.records[ref] for ref in site.refs if ref in self.records)
            if records and not all(self._is_part(r) for r in records):
                continue
            if not records and site.kind == "controller row":
                continue  # the controller's own pins
            if not records and site.kind == "connector" and 0 < site.pins < FEWEST_ROW:
                name = f"row of {site.pins} holes at {site.x_mm:.1f}, {site.y_mm:.1f}"
                self.left_out[name] = NOT_KNOWN
                continue
            sources = {s for r in records for s in r.sources}
            sources |= {HOLES} if site.pattern or site.holes else set()
            sources |= {LANDS} if not sources else set()
            out.append(
                Place(
                    kind=site.kind,
                    records=records,
                    patterns=(site.pattern,) if site.pattern else (),
                    faces=site.faces,
                    mount=site.mount,
                    sources=tuple(s for s in ORDER if s in sources),
                    x_mm=site.x_mm,
                    y_mm=site.y_mm,
                    pins=site.pins,
                    confidence=site.confidence,
                )
            )
        return out

    def _unplaced(self, placed: set[str]) -> list[Place]:
        """List references that only a table names, or that have no lands."""
        out = []
        for record in self.records.values():
            if record.ref in placed or not self._is_part(record):
                continue
            f = record.fields
            if record.sources == ("component attributes",) and not any(
                f.get(n) for n in ("value", "footprint", "part_number", "mount", "pins")
            ):
                self.left_out[record.ref] = "no lands"
                continue
            out.append(
                Place(
                    kind=kind_of(record.ref, f.get("value", ""), f.get("footprint", "")),
                    records=(record,),
                    patterns=(),
                    faces=(record.side,) if record.side else (),
                    mount="not known",
                    sources=record.sources,
                    x_mm=None,
                    y_mm=None,
                )
            )
        return out

    def _drop_not_fitted(self, place: Place) -> Place:
        for record in place.records:
            if not record.fitted:
                self.left_out[record.ref] = "marked as not fitted"
        return replace(place, records=tuple(r for r in place.records if r.fitted))

    def _is_part(self, record: Record) -> bool:
        said = self.verdict(record)
        reason = "" if record.fitted else "marked as not fitted"
        if not reason:
            known = record.fields.get("ref", "")
            reason = why_no_part(known, record.fields) if said is None else said
        if reason:
            self.left_out[record.fields.get("ref") or record.ref] = reason
        return not reason


SWITCH_MM: Final = 14.0
"""Keys nearer than a switch is wide are places for one of several."""

LOW_PITCH_MM: Final = 18.5
"""Nearer keys have no room for the caps of full-height switches, which stand 19.05 mm apart;
low-profile ones stand so, too, or at 18 x 17 mm (common practice)."""


def _choose(keys: Sequence[Key], patterns: Mapping[str, Pattern]) -> tuple[Family, Hold, str, bool]:
    """Which switch is counted: the build and the way of holding most keys take, and why.

    Near keys are low-profile; then what the holes of the contacts show counts before what the
    posts show.  Last comes whether nothing of it decides.
    """
    shown = Counter(
        family for k in keys for family in {patterns[p].family for p in k.patterns if p in patterns}
    )
    families = sorted({f for k in keys for f in k.families if f != "not known"})
    gap = usual_gap(np.array([(k.x_mm, k.y_mm) for k in keys]).reshape(-1, 2))
    if SWITCH_MM < gap < LOW_PITCH_MM and "low-profile" in families:
        families = ["low-profile"]
    family: Family = "not known"
    if families:
        family = max(families, key=lambda f: (shown[f], sum(f in k.families for k in keys), f))
    holds = {k.held_by for k in keys}
    held: Hold = "not known"
    if holds & {"socket", "either"}:
        held = "socket"
    elif "soldered" in holds:
        held = "soldered"
    elif holds == {"plate"}:
        held = "plate"
    words = []
    if len(families) > 1:
        words.append(f"{' and '.join(families)} switches fit; {family} ones are counted")
    if "either" in holds:
        words.append("switches may be soldered or put in sockets; sockets are counted")
    return family, held, "; ".join(words), len(families) > 1


ATTRIBUTES = "component attributes"
PLACEMENT = "placement table"
NETLIST = "netlist"
TABLE = "parts table"
HOLES = "hole pattern"
LANDS = "pads"
FIXED = "fixed count"
ORDER = (ATTRIBUTES, PLACEMENT, NETLIST, TABLE, HOLES, LANDS, FIXED)
"""Sources, the most reliable first."""

_ESCAPE = re.compile(r"\\u([0-9A-Fa-f]{4})|\\U([0-9A-Fa-f]{8})|\\([0-9A-Fa-f]{4})")


Verdict = Callable[[Record], str | None]
"""The user's word on a reference: None when not given, empty for a part, else why it is none."""


def decoded(text: str) -> str:
    r"""Decode the escapes of a text (Gerber Layer Format 2021.02, section 3.4.3).

    >>> decoded(r"G\002A\002A")
    'G**'
    """
    return _ESCAPE.sub(lambda m: chr(int(m[1] or m[2] or m[3], 16)), text)


def read_records(board: Board) -> tuple[Record, ...]:
    """Merge what the sources of a board state by reference, in natural order."""
    found: dict[str, list[Record]] = {}
    loose: list[Record] = []
    for record in (*_from_components(board), *_from_placements(board), *_from_tables(board)):
        if record.named:
            found.setdefault(record.ref, []).append(record)
        else:
            loose.append(record)
    merged = [_merge(group) for group in found.values()]
    return (*sorted(merged, key=lambda r: natural(r.ref)), *loose)


def _merge(group: Sequence[Record]) -> Record:
    fields: dict[str, str] = {}
    for record in group:
        for name, value in record.fields.items():
            if value and not fields.get(name):
                fields[name] = value
    return Record(
        ref=group[0].ref,
        fields=fields,
        side=next((r.side for r in group if r.side), None),
        sources=tuple(s for s in ORDER if any(s in r.sources for r in group)),
        fitted=all(r.fitted for r in group),
    )


def _from_components(board: Board) -> Iterable[Record]:
    uses = Counter(net for part in board.components for _, net in part.pins if net)
    for part in board.components:
        yield Record(
            ref=part.ref,
            fields={
                "ref": decoded(part.ref),
                "value": decoded(part.value),
                "footprint": decoded(part.footprint),
                "part_number": decoded(part.part_number),
                "manufacturer": decoded(part.manufacturer),
                "mount": part.mount,
                "pins": str(len(part.pins)) if part.pins else "",
                "joined": "" if is_joined(part.pins, uses) else "no",
                "powered": "yes" if any(is_power(net) for _, net in part.pins) else "",
            },
            side=part.side,
            sources=(Evidence.naming(part).value,),
        )


def _from_placements(board: Board) -> Iterable[Record]:
    for file in board.package.of(RoleKind.PLACEMENT):
        if isinstance(file.content, Placement):
            for row in file.content.parts:
                yield Record(
                    ref=row.ref,
                    fields={"ref": row.ref, "value": row.value, "footprint": row.footprint},
                    side=row.side,
                    sources=(PLACEMENT,),
                    fitted=row.fitted,
                )


def _from_tables(board: Board) -> Iterable[Record]:
    for file in board.package.of(RoleKind.PARTS):
        if isinstance(file.content, PartsTable):
            for row in file.content.rows:
                fields = {
                    "value": row.value,
                    "footprint": row.footprint,
                    "part_number": row.part_number,
                    "manufacturer": row.manufacturer,
                }
                for ref in row.refs:
                    yield Record(
                        ref=ref,
                        fields={"ref": ref, **fields},
                        side=None,
                        sources=(TABLE,),
                        fitted=row.fitted,
                    )
                if not row.refs:
                    yield Record(
                        ref=row.value or row.footprint or "row",
                        fields=fields,
                        side=None,
                        sources=(TABLE,),
                        fitted=row.fitted,
                        pieces=row.quantity,
                        named=False,
                    )


# What a part is called, and what kind it is, by the words of tables and of the parts book


_KILO: Final = re.compile(r"(?<=\d)\s?K(?=\d|\b)")
"""Kilo, which tables of one board write both ways; SI writes k."""


def part_kind(part: BookPart) -> str:
    """Recognise what a part of the book is, by kinds, class or title; empty when not known."""
    if part.kinds:
        return part.kinds[0]
    words = f"{part.cls} {plain(part.key)} {plain(part.title)}"
    if part.cls in ("socket", "cap", "switch"):
        return {"socket": "switch socket", "cap": "key cap", "switch": "key switch"}[part.cls]
    if not any(p.startswith("switch-") for p in part.patterns):
        return ""
    for word, kind in (("socket", "switch socket"), ("cap", "key cap"), ("switch", "key switch")):
        if re.search(rf"\b{word}\b", words):
            return kind
    return ""


def row_kind(row: Record) -> str:
    """Recognise what a row of a table without references is about."""
    words = plain(description(row.fields))
    if re.search(r"\bkey ?caps?\b", words):
        return "key cap"
    if re.search(r"\bscrews?\b", words):
        return "screw hole"
    if re.search(r"\bcell\b", words):
        return "cell"
    if re.search(r"\bswitch sockets?\b", words):
        return "switch socket"
    kind = kind_of("", row.fields.get("value", ""), row.fields.get("footprint", ""))
    if kind in ("other", "button") and re.search(r"\b(?:key )?switch(?:es)?\b", words):
        return "key switch"
    return kind


def description(fields: Mapping[str, str]) -> str:
    """Part number, value and footprint, as far as they name anything."""
    names = ("part_number", "value", "footprint")
    stated = {n: fields.get(n, "").strip() for n in names}
    return " | ".join(
        _KILO.sub("k", v) if n == "value" else v
        for n, v in stated.items()
        if v and plain(v) not in _SAYS_NOTHING
    )


_SAYS_NOTHING: Final = frozenset(
    ("any", "n a", "na", "none", "tbd", "tht", "smd", "smt", "th", "generic", "val", "value", "")
)
"""Words in the place of a part number, value or footprint that name no part."""

_MILLI_OR_MEGA: Final = re.compile(r"(?<=\d)\s?[mM](?!(?i:hz))")


def one_spelling(named: str) -> str:
    """Give a description in one spelling: only of m and M after a number the case counts."""
    kept = {m.end() - 1 for m in _MILLI_OR_MEGA.finditer(named)}
    letters = "".join(c if k in kept else c.casefold() for k, c in enumerate(named))
    return re.sub(r"\s+", "", letters)


_SPECIAL: Final = re.compile(r"\b(?:tvs|esd|schottky|zener|suppress\w*|surge|power|varistor)\b")
"""Words of parts that are not the usual ones of their kind."""


SPECIAL_LETTERS: Final = {"ZD": "Zener diode"}
"""Letters of the same (common practice)."""


def is_special(place: Place) -> bool:
    """Whether words or nets of a place show another part than what is usual of its kind.

    A diode on a supply or on ground carries or clamps power; those of a matrix are on neither.
    """
    return any(
        (place.kind == "diode" and r.fields.get("powered")) or is_unusual(r) for r in place.records
    )


def is_unusual(record: Record) -> bool:
    """Whether its words alone show another part than what is usual of its kind."""
    words = (plain(record.fields.get(n, "")) for n in ("part_number", "footprint"))
    return stem(record.ref) in SPECIAL_LETTERS or any(_SPECIAL.search(w) for w in words)


def stated_value(place: Place) -> str:
    """Value the files state for a place; empty when it only repeats the reference or the kind."""
    for record in place.records:
        value = record.fields.get("value", "")
        if value and plain(value) not in (plain(record.ref), plain(stem(record.ref)), place.kind):
            return _KILO.sub("k", value)
    return ""


# How many of a part each half takes, and on which face it is worked


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """One part as one half takes it.

    Parameters
    ----------
    count, fewest
        Pieces counted, and the fewest that may be fitted where places overlap.
    by_source
        Count by source.
    doubled
        Several footprints a piece, one of which is used.
    uneven
        Pieces on top and bottom where they ought to be equal.
    side
        Face it is worked on: ``top``, ``bottom`` or empty.
    """

    count: int
    fewest: int
    refs: tuple[str, ...]
    by_source: Mapping[str, int]
    doubled: bool
    uneven: tuple[int, int] | None
    side: str

    @property
    def source(self) -> str:
        """The first source that knows it."""
        return next(iter(self.by_source), "")

    @property
    def reason(self) -> str:
        """Why this many, in words."""
        others = [f"{n} by {name}" for name, n in self.by_source.items() if name != self.source]
        words = f"{self.by_source.get(self.source, self.count)} by {self.source}"
        if others:
            words += f" (also {', '.join(others)})"
        if self.fewest != self.count:
            words += f"; {self.fewest} to {self.count} fitted, not every place takes one"
        if self.doubled:
            words += "; several footprints a place, fitted once"
        return words


def tally_places(
    places: Sequence[Place],
    *,
    group: Group | None,
    side: Face,
    reversible: bool,
    keys: tuple[int, int] | None = None,
) -> Tally:
    """Count a part by its places.

    Parameters
    ----------
    group
        The half; shows which face is up.
    side
        Side of the keys it is worked on.
    reversible
        The board serves either hand: parts on both faces ought to be doubled.
    keys
        Fewest and most pieces, for what is fitted once a key.
    """
    face = working_face(side, group)
    records = [_record_on(p.records, face) for p in places if p.records]
    by_source: dict[str, int] = {}
    for name in (*ORDER, *sorted({s for p in places for s in p.sources} - set(ORDER))):
        count = sum(name in p.sources for p in places)
        if count:
            by_source[name] = count
    fewest, most = keys or (len(places), len(places))
    tops = sum("top" in p.faces for p in places)
    bottoms = sum("bottom" in p.faces for p in places)
    uneven = (tops, bottoms) if reversible and keys is None and tops and bottoms else None
    sides = {p.faces for p in places}
    only: str = next(iter(sides))[0] if len(sides) == 1 and len(next(iter(sides))) == 1 else ""
    stated = {r.side for p in places for r in p.records}
    if sides == {("top", "bottom")} and len(stated) == 1:
        only = _as_drawn(next(iter(stated)), group)
    doubled = any(len(p.records) > 1 for p in places)
    worked = face or (_back(group) if doubled and group is not None else "")
    return Tally(
        count=min(len(places), most),
        fewest=min(len(places), fewest),
        refs=tuple(sorted({r.ref for r in records if r.named}, key=natural)),
        by_source=by_source,
        doubled=doubled,
        uneven=uneven,
        side=worked or only,
    )


def count_beneath(half: Half, places: Sequence[Place]) -> tuple[int, int] | None:
    """Fewest and most of the parts below switches whose places overlap; None where none do."""
    rows = half.group.keys if half.group else ()
    keys = [half.keyboard.keys[k] for k in rows]
    placed = [i for i, p in enumerate(places) if p.x_mm is not None]
    if not placed or not any(k.instead_of for k in keys):
        return None
    tree = PointTree(np.array([(k.x_mm, k.y_mm) for k in keys]))
    spots = np.array([(places[i].x_mm, places[i].y_mm) for i in placed], dtype=float)
    _, nearest = tree.query(spots, within=KNOB_MM)
    at = {rows[n]: i for i, n in zip(placed, nearest.tolist(), strict=True) if n < len(rows)}
    overlaps: list[list[int]] = [[] for _ in places]
    for row, i in at.items():
        overlaps[i] = [at[o] for o in half.keyboard.keys[row].instead_of if o in at]
    return fitted_range(overlaps)


def _record_on(records: Sequence[Record], face: str) -> Record:
    """Choose the record of the footprint that is used: on the face worked on, else the first."""
    return next((r for r in records if face and r.side == face), records[0])


def working_face(side: Face, group: Group | None) -> Side | str:
    """Face of the board a part is worked on; empty when it is not known."""
    if side == "either" or group is None:
        return ""
    return group.face_up if side == "key" else _back(group)


def _as_drawn(side: Side | None, group: Group | None) -> str:
    """Face of a part whose leads fit either face.

    On a board turned over it is fitted from the other face, so that it lies to the keys as on the
    first half.
    """
    if side is None:
        return ""
    return opposite(side) if group is not None and group.face_up == "bottom" else side


def _back(group: Group) -> Side:
    return opposite(group.face_up)

"""Building the parts list: the places of each half, priced and put into working order."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from fnmatch import fnmatchcase
from typing import Final

from fabkit.base.findings import Finding, Rule, Severity, worst_first
from fabkit.base.findings import Place as Where
from fabkit.base.units import counted, natural, some_of, some_titles
from fabkit.board.model import Board
from fabkit.keyboard.footprints import read_lands
from fabkit.keyboard.kinds import plain, stem
from fabkit.keyboard.part_sites import PATTERN_KINDS
from fabkit.keyboard.patterns import load_patterns
from fabkit.parts.book import NOTHING, BookPart, Face, PartsBook
from fabkit.parts.buying import Want, carry_over, pieces_wanted, plan_purchases
from fabkit.parts.model import (
    HALVES,
    Bill,
    BillLine,
    Fitting,
    Found,
    Half,
    Lasting,
    Place,
    Record,
    Usage,
    assembly_steps,
)
from fabkit.parts.model import ORDER as STAGE_ORDER
from fabkit.parts.places import (
    FIXED,
    HOLES,
    LANDS,
    ORDER,
    SPECIAL_LETTERS,
    TABLE,
    Beside,
    Places,
    Tally,
    count_beneath,
    description,
    find_places,
    is_special,
    one_spelling,
    part_kind,
    row_kind,
    stated_value,
    tally_places,
    working_face,
)
from fabkit.parts.places import Half as HalfPlaces
from fabkit.rules import load_rule

CONFLICT: Final = load_rule("parts/conflict")
KEYS_UNKNOWN: Final = load_rule("parts/keys-unknown")
UNKNOWN_PART: Final = load_rule("parts/unknown-part")
NO_PRICE: Final = load_rule("parts/no-price")
UNEVEN_FACES: Final = load_rule("parts/uneven-faces")
UNEVEN_HALVES: Final = load_rule("parts/uneven-halves")
NONE_FOUND: Final = load_rule("parts/none-found")
UNKNOWN_PATTERN: Final = load_rule("parts/unknown-pattern")
INCOMPLETE: Final = load_rule("parts/incomplete")
CHOICE: Final = load_rule("parts/choice")

SPARE_PINS: Final = 6
"""Pins of a controller that scan no key: supply, ground, reset (common practice)."""

FEWEST_HOLES: Final = 4
"""Fewer plated holes are as often for wires as for parts (common practice)."""

Bucket = Half | None
"""Where pieces go: a half, or (None) the whole keyboard."""

_SIDES: Final[dict[str, Face]] = {
    "key switch": "key",
    "key cap": "key",
    "switch socket": "back",
}

_STAGES: Final[dict[str, str]] = {
    "key switch": "switches",
    "switch socket": "sockets",
    "diode": "low",
    "resistor": "low",
    "capacitor": "low",
    "screw hole": "mechanical",
    "spacer": "mechanical",
    "stabiliser": "mechanical",
    "foot": "mechanical",
    "header": "headers",
    "controller row": "headers",
    "controller": "headers",
}


@dataclass(slots=True)
class _Line:
    """A line being made: a part of the book, or what the book does not know."""

    key: str
    title: str
    kind: str
    part: BookPart | None
    places: dict[Bucket, list[Place]] = field(default_factory=lambda: defaultdict(list))
    rows: list[tuple[Record, tuple[Bucket, ...]]] = field(default_factory=list)
    named: bool = True
    per_key: bool = False


def build_bill(
    board: Board | Mapping[Half, Board],
    book: PartsBook,
    *,
    usage: Usage | None = None,
    beside: Sequence[Beside] = (),
) -> Bill:
    """Build the parts list of a keyboard.

    Parameters
    ----------
    board
        The board, or one board by half.
    book
        The parts book.
    usage
        How many are built of what; one keyboard, and the board as its files show it, when None.
    beside
        Further designs of the order, whose parts come once a keyboard.

    Returns
    -------
    Bill
        What is doubtful or missing is in ``problems``.
    """
    builder = _Builder(board, book, usage or Usage())
    builder.take_beside(beside)
    return builder.build()


class _Builder:
    """Carries what every step of building a list needs."""

    def __init__(
        self,
        board: Board | Mapping[Half, Board],
        book: PartsBook,
        usage: Usage,
    ) -> None:
        self.book = book
        self.usage = usage
        self.problems: list[Finding] = []
        self.lines: dict[str, _Line] = {}
        self.found: list[Found] = []
        self.noted: set[int] = set()
        self.spellings: dict[str, str] = {}
        self.places: list[Places] = []
        self.buckets: dict[Bucket, HalfPlaces] = {}
        self.usual: dict[str, str] = {}
        self.loose: list[tuple[tuple[Bucket, ...], Places]] = []
        self.beside: list[tuple[Beside, Places]] = []
        if isinstance(board, Board):
            self._share_out(find_places(board, usage.use, verdict=self._verdict))
        else:
            for half in HALVES:
                self._take_half(half, find_places(board[half], half, verdict=self._verdict))
        self.name = self.places[0].board.name
        self.reversible = self.places[0].keyboard.hands.use == "reversible"

    # Which half takes what

    def _share_out(self, places: Places) -> None:
        """One board: both halves of it, one, or a keyboard that is not split."""
        self.places.append(places)
        hands = places.keyboard.hands
        mine: dict[Bucket, HalfPlaces] = {}
        if hands.use in ("reversible", "both", "left", "right"):
            for half in places.halves:
                hand = half.group.hand if half.group else "whole"
                if hand in HALVES:
                    mine.setdefault(hand, half)
        self.buckets = mine or {None: _joined(places)}
        each = hands.use in ("reversible", "left", "right")
        self.loose.append((tuple(mine) if each and mine else (None,), places))

    def _take_half(self, half: Half, places: Places) -> None:
        """One design of a pair."""
        self.places.append(places)
        own = next((h for h in places.halves if h.group and h.group.hand == half), None)
        self.buckets[half] = own or places.halves[0]
        self.loose.append(((half,), places))

    def take_beside(self, designs: Sequence[Beside]) -> None:
        """Take the places of further designs; a reference is named with its design."""
        for one in designs:
            places = find_places(one.board, one.use, verdict=self._verdict)
            self.beside.append((one, places))

    def _enter_beside(self) -> None:
        """Enter the parts of further designs, and of all plates the screws of one."""
        screwed = self._screwed()
        for one, places in self.beside:
            for place in places.all():
                if place.kind == "key switch" or (
                    place.kind == "screw hole" and one.use == "plate" and one is not screwed
                ):
                    continue
                records = tuple(replace(r, ref=f"{one.name}:{r.ref}") for r in place.records)
                for _ in range(one.count):
                    self._enter(replace(place, records=records), None, places)
            for row in places.rows:
                self._enter_row(row, (None,) * one.count)

    def _screwed(self) -> Beside | None:
        """Find the plate whose screws are counted: they go through the other boards, too.

        None where the boards that give the halves have as many holes for screws.
        """
        most = sum(
            place.kind == "screw hole" for half in self.buckets.values() for place in half.places
        )
        most *= self.usage.boards
        chosen = None
        for one, places in self.beside:
            count = one.count * sum(p.kind == "screw hole" for p in places.all())
            if one.use == "plate" and count > most:
                most, chosen = count, one
        return chosen

    # Which part a place takes

    def _verdict(self, record: Record) -> str | None:
        """Take the user's word on a reference: why it is no part, empty for a part, else None."""
        target, where = self._mapping(record)
        if target == NOTHING:
            return f"nothing, by the {where}"
        if target or self.book.find(record.fields) is not None:
            return ""
        return None

    def _mapped(self, record: Record) -> str:
        """Find what a reference is mapped to: a key, a description, nothing; empty when not."""
        return self._mapping(record)[0]

    def _mapping(self, record: Record) -> tuple[str, str]:
        """Find what a reference is mapped to, and where: the order file comes before the book."""
        ref = record.fields.get("ref") or record.ref
        for rows, where in (
            (self.usage.mapping.items(), "order file"),
            (self.book.mapping, "parts book"),
        ):
            exact = [t for p, t in rows if p == ref]
            wild = [t for p, t in rows if fnmatchcase(ref.casefold(), p.casefold())]
            if exact or wild:
                return (*exact, *wild)[0], where
        return "", ""

    def _named_part(self, record: Record) -> BookPart | None:
        target = self._mapped(record)
        by_key = next((p for p in self.book.parts if p.key == target), None)
        return by_key or (None if target else self.book.find(record.fields))

    def _parts_of(self, place: Place, *, keyed: bool) -> list[BookPart]:
        """Parts of the book at a place: by its words, by its holes, else by its kind.

        What is usual of a kind is that on boards with keys (``keyed``) alone.
        """
        own = [p for r in place.records if (p := self._named_part(r)) is not None]
        mapped = any(self._mapped(r) for r in place.records)
        if not mapped or place.kind == "key switch":
            own += [p for p in self.book.parts if set(p.patterns) & set(place.patterns)]
        if not own and not mapped and keyed and self._is_usual(place):
            own += [p for p in self.book.parts if place.kind in p.kinds]
        return list(dict.fromkeys(own))

    def _is_usual(self, place: Place) -> bool:
        """Whether a place takes what the book has for its kind: one with another value does not.

        Of several values on a keyboard the one most places state is meant.  Boards without keys
        do not count: they do not show which value is usual on a keyboard.
        """
        value = stated_value(place)
        if not value:
            return not is_special(place)
        if place.kind not in self.usual:
            halves = (h for places in self.places for h in places.halves if h.keys[1])
            counts = Counter(
                stated
                for half in halves
                for p in half.places
                if p.kind == place.kind and (stated := stated_value(p))
            )
            most = max(counts.values(), default=0)
            self.usual[place.kind] = min((v for v in counts if counts[v] == most), default="")
        return value == self.usual[place.kind]

    def _enter(self, place: Place, bucket: Bucket, places: Places) -> None:
        parts = self._parts_of(place, keyed=bool(places.keyboard.keys))
        lines = [self._line(p.key, p.title, part_kind(p) or place.kind, p) for p in parts]
        if place.kind == "key switch":
            kinds = {line.kind for line in lines}
            if "key switch" not in kinds:
                lines.append(self._unknown_switch(place, places))
            if places.held == "socket" and "switch socket" not in kinds:
                lines.append(self._unknown_socket(places))
            if "key cap" not in kinds and not parts:
                # Caps fit stems, not holes: a switch that the book does not know takes one, too.
                caps = [p for p in self.book.parts if part_kind(p) == "key cap"]
                lines += [self._line(p.key, p.title, "key cap", p) for p in caps[:1]]
            for line in lines:
                line.per_key = True
        elif not lines:
            lines.append(self._unknown(place))
        for line in lines:
            line.places[bucket].append(place)
        self._note(place, bucket, [line.title for line in lines])

    def _line(self, key: str, title: str, kind: str, part: BookPart | None) -> _Line:
        return self.lines.setdefault(key, _Line(key, title, kind, part))

    def _unknown_switch(self, place: Place, places: Places) -> _Line:
        words = place.records[0].fields if place.records else {}
        named = description(words)
        if named and "socket" not in plain(named):
            return self._line(named, named, "key switch", None)
        build = "" if places.family == "not known" else f", {places.family}"
        held = {"soldered": ", soldered", "socket": ", for a socket"}.get(places.held, "")
        return self._line("key switch", f"Key switch{build}{held}", "key switch", None)

    def _unknown_socket(self, places: Places) -> _Line:
        build = "" if places.family == "not known" else f", {places.family}"
        return self._line("switch socket", f"Switch socket{build}", "switch socket", None)

    def _unknown(self, place: Place) -> _Line:
        mapped = next((t for r in place.records if (t := self._mapped(r))), "")
        named = mapped or next((d for r in place.records if (d := description(r.fields))), "")
        if named:
            named = self.spellings.setdefault(one_spelling(named), named)
            return self._line(named, named, place.kind, None)
        pattern = next((p for p in load_patterns() if p.key in place.patterns[:1]), None)
        # A part that is named, and no more, is described by its holes as one that is not.
        shown = pattern and (not place.records or PATTERN_KINDS.get(pattern.kind) == place.kind)
        if pattern and shown and place.kind != "controller":
            pins = f", {place.pins} holes" if pattern.row is not None else ""
            title = f"{pattern.title[0].upper()}{pattern.title[1:]}{pins}"
            title = title.replace("Screw hole", "Screw")
            line = self._line(f"{pattern.key}{pins}", title, place.kind, None)
        else:
            mount = "" if place.mount == "not known" else f", {_MOUNTS[place.mount]}"
            pins = f", {place.pins} pins" if place.kind in _BY_PINS and place.pins else ""
            letters = stem(place.refs[0].rpartition(":")[2]) if place.refs else ""
            called = SPECIAL_LETTERS.get(letters, place.kind.capitalize())
            title = f"{called}{mount}{pins}, value not stated"
            if place.kind == "other":
                title = f"{letters or 'Part'}: kind and value not stated"
            line = self._line(title, title, place.kind, None)
        line.named = False
        return line

    def _note(self, place: Place, bucket: Bucket, titles: Sequence[str]) -> None:
        """Evidence of a place; that of a reversible board is noted once."""
        if (bucket == "right" and self.reversible) or id(place) in self.noted:
            return
        self.noted.add(id(place))
        half = "" if self.reversible or bucket is None else f"{bucket} half"
        self.found.append(Found(place=place, half=half, taken_for=tuple(titles)))

    # Building

    def build(self) -> Bill:
        """Build the whole list."""
        for bucket, half in self.buckets.items():
            places = self._places_of(bucket)
            plate = places.keyboard.hands.use == "plate"
            for place in half.places:
                # A plate holds the switches of the board below it, where they are counted.
                if plate and place.kind == "key switch":
                    continue
                if place.kind == "screw hole" and self._screwed() is not None:
                    continue
                for _ in range(self.usage.boards):
                    self._enter(place, bucket, places)
        for buckets, places in self.loose:
            for bucket in buckets:
                for place in places.loose:
                    self._enter(place, bucket, places)
            for row in places.rows:
                self._enter_row(row, buckets)
        self._enter_beside()
        keys = {h: self.buckets[h].keys[1] if h in self.buckets else 0 for h in HALVES}
        total = sum(h.keys[1] for h in self.buckets.values())
        made = [line for p in self.book.parts if (line := self._known(p))]
        made += [self._finish(line) for line in self.lines.values() if line.part is None]
        lines = [a for a in made if a.per_keyboard]
        lines.sort(key=lambda a: (a.step, not a.known, a.title, a.key))
        self._remark(lines, total)
        plan = plan_purchases([self._want(a) for a in lines], self.book.shops, self.book.currency)
        notice = self.book.notice
        left_out = {r: why for places in self.places for r, why in places.left_out.items()}
        for one, places in self.beside:
            left_out |= {f"{one.name}:{r}": why for r, why in places.left_out.items()}
        bill = Bill(
            name=self.name,
            usage=self.usage,
            lines=tuple(lines),
            currency=self.book.currency,
            plan=plan,
            rebuild=plan,
            assembly=assembly_steps(lines),
            left_out=tuple(sorted(left_out.items(), key=lambda row: natural(row[0]))),
            keys_per_half=keys,
            keys=total,
            found=tuple(self.found),
            whole=all(f.id != INCOMPLETE.id for f in self.problems),
            unnamed=(
                sum(p.unnamed[0] for p in self._all()),
                sum(p.unnamed[1] for p in self._all()),
            ),
            problems=worst_first(self.problems),
            notices=(notice,) if notice else (),
            prices_date=self.book.date.isoformat(),
            prices_gross=self.book.gross,
        )
        # The next revision is what `fabkit carry` finds from this list to the same list again.
        return replace(bill, rebuild=carry_over(bill, bill, self.book).plan)

    def _all(self) -> list[Places]:
        return [*self.places, *(places for _, places in self.beside)]

    def _places_of(self, bucket: Bucket) -> Places:
        if len(self.places) == 1 or bucket is None:
            return self.places[0]
        return self.places[HALVES.index(bucket)]

    def _enter_row(self, row: Record, buckets: tuple[Bucket, ...]) -> None:
        """Enter a row of a table without references: a part counted already, or further pieces."""
        part = self._named_part(row)
        title = description(row.fields) or row.ref
        kind = row_kind(row)
        same = [a for a in self.lines.values() if a.kind == kind and kind != "other"]
        if part is not None:
            line = self._line(part.key, part.title, part_kind(part) or kind, part)
        elif len(same) == 1:
            line = same[0]
            if line.part is None and not line.named:
                line.title, line.named = title, True
        else:
            line = self._line(title, title, kind, None)
        line.rows.append((row, buckets))

    def _known(self, part: BookPart) -> BillLine | None:
        line = self.lines.get(part.key)
        if line is None and not part.count:
            return None
        line = line or self._line(part.key, part.title, part_kind(part) or "other", part)
        return self._finish(line)

    def _finish(self, line: _Line) -> BillLine:
        """Settle counts, faces and reasons of one line."""
        part = line.part
        side: Face = part.face if part else _SIDES.get(line.kind, "either")
        pieces: dict[Bucket, int] = {"left": 0, "right": 0, None: 0}
        refs: dict[Half, tuple[str, ...]] = {"left": (), "right": ()}
        faces: dict[Half, str] = {"left": "", "right": ""}
        sources: dict[str, int] = {}
        reasons: list[str] = []
        for bucket in (*HALVES, None):
            half = self.buckets.get(bucket)
            group = half.group if half else None
            places = line.places.get(bucket, [])
            fixed = self._fixed(part, bucket)
            if places:
                fitted = half.keys if half and line.per_key else None
                if half and line.kind == "light":
                    fitted = count_beneath(half, places)
                tally = tally_places(
                    places,
                    group=group,
                    side=side,
                    reversible=self.reversible,
                    keys=fitted,
                )
                tally = self._with_rows(line, tally, bucket)
                pieces[bucket] = tally.count
                # Caps stand at the places of the switches, whose sources are compared already.
                if line.kind != "key cap":
                    self._compare(line, tally, bucket)
                if fixed and fixed != tally.count:
                    self._report(
                        CONFLICT,
                        f"{line.title}: the parts book counts {fixed}, {tally.source} "
                        f"{tally.count}; {tally.count} are counted",
                    )
                sources |= tally.by_source
                reasons.append(tally.reason)
                if bucket is not None:
                    refs[bucket], faces[bucket] = tally.refs, tally.side
                else:
                    refs["left"] = tally.refs
                    faces["left"] = faces["right"] = tally.side
            elif fixed:
                pieces[bucket] = fixed
                sources[FIXED] = fixed
                reasons.append(self._fixed_reason(part, bucket))
            if bucket is not None and not faces[bucket] and half is not None:
                faces[bucket] = working_face(side, group)
        if line.rows and not any(line.places.values()):
            self._count_rows(line, pieces, sources, reasons)
        left, right, once = pieces["left"], pieces["right"], pieces[None]
        fitting = part.fitting if part else _fitting(line)
        soldered = fitting is Fitting.SOLDERED
        lasting = Lasting.USED_UP if soldered else Lasting.CARRIED_OVER
        lasting = part.lasting if part else lasting
        if soldered and lasting is Lasting.CARRIED_OVER:
            reasons.append("to move it over it must be desoldered")
        if part is None:
            reasons.append("not in the parts book")
        return BillLine(
            key=line.key,
            title=line.title,
            cls=part.cls if part else "other",
            refs=refs,
            left=left,
            right=right,
            per_keyboard=left + right + once,
            faces=faces,
            fitting=fitting,
            lasting=lasting,
            lets_carry=part.lets_carry if part else (),
            step=STAGE_ORDER[part.stage if part else _stage(line)],
            caution=part.caution if part else "",
            sources=_ordered(sources),
            reason="; ".join(dict.fromkeys(reasons)),
            known=part is not None,
            priced=bool(part and part.prices),
        )

    def _with_rows(self, line: _Line, tally: Tally, bucket: Bucket) -> Tally:
        """Add the counts of rows without references beside those of the places."""
        pieces = sum(r.pieces for r, buckets in line.rows if bucket in buckets)
        if not pieces or TABLE in tally.by_source:
            return tally
        return replace(tally, by_source=_ordered({**tally.by_source, TABLE: pieces}))

    def _count_rows(
        self,
        line: _Line,
        pieces: dict[Bucket, int],
        sources: dict[str, int],
        reasons: list[str],
    ) -> None:
        """Pieces that only rows without references name."""
        counts: dict[Bucket, int] = {}
        for row, buckets in line.rows:
            for bucket in buckets:
                counts[bucket] = counts.get(bucket, 0) + row.pieces
        for bucket, count in counts.items():
            if pieces[bucket] not in (0, count):
                self._report(
                    CONFLICT,
                    f"{line.title}: the parts book counts {pieces[bucket]}, {TABLE} {count}; "
                    f"{count} are counted",
                )
            pieces[bucket] = count
        sources.clear()
        sources[TABLE] = max(counts.values())
        reasons[:] = [f"{sources[TABLE]} by {TABLE}"]

    def _fixed(self, part: BookPart | None, bucket: Bucket) -> int:
        counts = part.count if part else {}
        half = self.buckets.get(bucket)
        whole = bucket is None
        keys, halves = (half.keys[1], 2 if whole else 1) if half else (0, 0)
        once = counts.get("keyboard", 0) if whole else 0
        return counts.get("key", 0) * keys + counts.get("half", 0) * halves + once

    def _fixed_reason(self, part: BookPart | None, bucket: Bucket) -> str:
        counts = part.count if part else {}
        half = self.buckets.get(bucket)
        words = []
        if counts.get("key") and half:
            words.append(f"{counts['key']} a key, {half.keys[1]} keys")
        if counts.get("half") and half:
            words.append(f"{counts['half']} a half")
        if counts.get("keyboard") and bucket is None:
            words.append(f"{counts['keyboard']} a keyboard")
        return " and ".join(words) + " by the parts book"

    # Remarks

    def _compare(self, line: _Line, tally: Tally, bucket: Bucket) -> None:
        title = line.title
        where = "" if self.reversible or bucket is None else f" of the {bucket} half"
        # Holes show how many switches there are; of other parts they only confirm what is named.
        counting = [n for n in tally.by_source if line.per_key or n not in (HOLES, LANDS)]
        counts = [tally.by_source[n] for n in counting] or [tally.count]
        if min(counts) < tally.fewest or (max(counts) > tally.count == tally.fewest):
            said = ", ".join(f"{n} by {name}" for name, n in tally.by_source.items())
            self._report(
                CONFLICT,
                f"{title}{where}: {said}; {tally.count} are counted",
                measured=float(min(tally.by_source.values())),
                limit=float(max(tally.by_source.values())),
            )
        if tally.uneven is not None and tally.uneven[0] != tally.uneven[1]:
            self._report(
                UNEVEN_FACES,
                f"{title}: {tally.uneven[0]} on top, {tally.uneven[1]} on the bottom",
            )

    def _report(self, rule: Rule, message: str, **numbers: object) -> None:
        made = Finding.of(rule, message, Where(file=self.name), **numbers)
        if all(f.message != made.message or f.id != made.id for f in self.problems):
            self.problems.append(made)

    def _remark(self, lines: Sequence[BillLine], keys: int) -> None:
        needs_none = all(
            p.keyboard.hands.use == "plate"
            or (p.board.profile is not None and not len(read_lands(p.board).table))
            for p in self._all()
        )
        if not lines and not needs_none and not any(any(p.unnamed) for p in self._all()):
            self._report(NONE_FOUND, "no attributes, no tables, no known hole pattern")
        by_key = any(each == "key" and n for p in self.book.parts for each, n in p.count.items())
        if by_key and not keys:
            self._report(KEYS_UNKNOWN, "no place for a switch was found")
        unknown = [a for a in lines if not a.known]
        if unknown:
            names = some_titles([a.title for a in unknown], 5)
            self._report(UNKNOWN_PART, names, count=len(unknown))
        bare = [a.title for a in lines if a.known and not a.priced]
        if bare:
            self._report(NO_PRICE, some_titles(bare, len(bare)), count=len(bare))
        uneven = [a for a in lines if a.left != a.right]
        if uneven and set(self.buckets) == set(HALVES):
            sides = [f"{a.title}: {a.left} left, {a.right} right" for a in uneven]
            said = some_of(sides, 5, between="; ")
            self._report(UNEVEN_HALVES, said, count=len(uneven))
        for places in self.places:
            self._remark_board(places)
        for places in self._all():
            self._remark_unnamed(places)
        catalogue = {p.key for p in load_patterns()}
        for part in self.book.parts:
            for name in part.patterns:
                if name not in catalogue:
                    self._report(
                        UNKNOWN_PATTERN,
                        f"{part.title} ({self.book.file}:{part.line}): no pattern '{name}'",
                    )

    def _remark_board(self, places: Places) -> None:
        """Report what one board leaves open or seems to lack."""
        hands = places.keyboard.hands
        if places.choice:
            severity = Severity.WARNING if places.unsure else CHOICE.severity
            self._report(CHOICE, places.choice, severity=severity)
        if places.knobs:
            self._report(
                CHOICE,
                f"{counted(places.knobs, 'place')} for a switch or an encoder; both are listed",
            )
        fewest, most = places.keyboard.counts
        if fewest != most:
            self._report(
                CHOICE,
                f"{fewest} to {most} switches fit: places overlap; {most} are counted",
            )
        if len(self.places) == 1 and set(self.buckets) in ({"left"}, {"right"}):
            one = next(iter(self.buckets))
            other = "right" if one == "left" else "left"
            self._report(
                INCOMPLETE,
                f"this board is the {one} half; the {other} half's parts are not listed",
            )
        for half in places.halves[:1] if self.reversible else places.halves:
            self._remark_lacking(half, hands.use)

    def _remark_unnamed(self, places: Places) -> None:
        """Report parts that are on the board, or in a table, without a name."""
        lands, holes = places.unnamed
        counts = ((lands, "surface pad"), (holes, "plated hole"))
        if lands or holes >= FEWEST_HOLES:
            words = " and ".join(counted(n, word) for n, word in counts if n)
            self._report(
                INCOMPLETE,
                f"{words} belong to parts that no attribute or table names: lights, resistors, "
                "buttons and the like are not listed",
            )
        for name, rows in places.nameless:
            self._report(
                INCOMPLETE,
                f"{name}: {counted(rows, 'row')} without a designator; what they place is not "
                "listed",
            )

    def _remark_lacking(self, half: HalfPlaces, use: str) -> None:
        keys = half.keys[1]
        if not keys or use == "plate":
            return
        where = f" on the {half.group.hand} half" if half.group and use == "both" else ""
        controllers = [p for p in half.places if p.kind == "controller"]
        rows = [r for places in self.places for r in places.rows if row_kind(r) == "controller"]
        # Of two halves joined by a cable one may only have a circuit that adds pins.
        joined = any(p.kind == "circuit" and p.pins for p in half.places) and any(
            p.kind == "controller" for places in self.places for p in places.all()
        )
        if not controllers and not rows and not joined:
            self._report(
                INCOMPLETE,
                f"{counted(keys, 'key')} found{where}, no controller: it may sit on another board "
                "or be placed by wires",
            )
        usable = max((p.pins for p in controllers), default=0) - SPARE_PINS
        diodes = sum(p.kind == "diode" for p in half.places)
        if not diodes and controllers and usable > 0 and keys > usable:
            self._report(
                INCOMPLETE,
                f"{counted(keys, 'key')} found{where}, no diode: boards of this kind usually have "
                "one a key",
            )

    # Buying

    def _want(self, line: BillLine) -> Want:
        part = next((p for p in self.book.parts if p.key == line.key), None)
        return Want(
            key=line.key,
            title=line.title,
            lasting=line.lasting,
            need=line.need(self.usage),
            wanted=pieces_wanted(line, self.usage, self.book),
            prices=part.prices if part else (),
        )


_MOUNTS: Final = {
    "through-hole": "through-hole",
    "surface": "surface",
    "either": "through-hole or surface",
}
_BY_PINS: Final = ("controller", "header", "controller row", "circuit", "connector")


def _joined(places: Places) -> HalfPlaces:
    """Everything on a board that is not split."""
    if len(places.halves) == 1:
        return places.halves[0]
    return replace(
        places.halves[0],
        places=tuple(p for h in places.halves for p in h.places),
        keys=places.keyboard.counts,
    )


def _ordered(counts: Mapping[str, int]) -> dict[str, int]:
    """Order counts by source, the most reliable first."""
    names = (*ORDER, *sorted(set(counts) - set(ORDER)))
    return {n: counts[n] for n in names if n in counts}


def _fitting(line: _Line) -> Fitting:
    if line.kind in ("screw hole", "spacer"):
        return Fitting.SCREWED
    if line.kind == "stabiliser":
        return Fitting.PRESSED
    if line.kind in ("key cap", "foot", "cell"):
        return Fitting.LOOSE
    return Fitting.SOLDERED


def _stage(line: _Line) -> str:
    mounts = {p.mount for places in line.places.values() for p in places}
    if mounts == {"surface"}:
        return "surface"
    if line.kind in ("key cap", "cell"):
        return "plug"
    if line.kind in _STAGES:
        return _STAGES[line.kind]
    records = [r for places in line.places.values() for p in places for r in p.records]
    mount = next((m for r in records if (m := r.fields.get("mount"))), "")
    return {"SMD": "surface", "TH": "connectors"}.get(mount, "low")

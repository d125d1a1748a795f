"""Building the parts list: sources merged, counted by half, priced and put into working order."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import ROUND_CEILING

from fabkit.board.model import Board
from fabkit.findings import Finding, Place, Rule
from fabkit.house.order import BoardUse
from fabkit.keyboard.patterns import Pattern, load_patterns
from fabkit.parts import rules
from fabkit.parts.assembly import assembly_steps
from fabkit.parts.book import BookPart, Each, PartsBook
from fabkit.parts.buying import Want, pieces_wanted, plan_purchases
from fabkit.parts.counting import (
    Tally,
    count_keys,
    half_records,
    half_sites,
    tally_records,
    tally_sites,
    working_face,
)
from fabkit.parts.model import HALVES, Bill, BillLine, Fitting, Half, Lasting, Usage
from fabkit.parts.sources import (
    ATTRIBUTES,
    FIXED,
    HOLES,
    ORDER,
    Record,
    Seen,
    read_sources,
)
from fabkit.parts.stages import ORDER as STAGE_ORDER

NOT_PARTS = (
    "fiducial",
    "mounting hole",
    "mountinghole",
    "testpoint",
    "test point",
    "logo",
    "tooling",
    "mousebite",
    "mouse bite",
)
"""Generic words of the trade for things on a board that nobody buys."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Group:
    """References that are one part."""

    key: str
    part: BookPart | None
    records: tuple[Record, ...]


def build_bill(
    board: Board | Mapping[Half, Board],
    book: PartsBook,
    *,
    usage: Usage | None = None,
    patterns: Sequence[Pattern] | None = None,
) -> Bill:
    """Build the parts list of a keyboard.

    Parameters
    ----------
    board
        The board that makes both halves (see ``usage.use``), or one board by half.
    book
        The parts book.
    usage
        How many are built of what; one keyboard of reversible boards when None.
    patterns
        Hole patterns; None takes the bundled catalogue.

    Returns
    -------
    Bill
        Conflicts between sources are in ``problems``.
    """
    wanted = usage or Usage()
    known = load_patterns() if patterns is None else tuple(patterns)
    boards: Mapping[Half, Board] = (
        {"left": board, "right": board} if isinstance(board, Board) else board
    )
    read = {id(b): read_sources(b, known) for b in boards.values()}
    seen: dict[Half, Seen] = {half: read[id(boards[half])] for half in HALVES}
    use: BoardUse = wanted.use if isinstance(board, Board) else "left"
    return _Builder(seen, book, wanted, use, known).build()


class _Builder:
    """Carries what every step of building a list needs."""

    def __init__(
        self,
        seen: Mapping[Half, Seen],
        book: PartsBook,
        usage: Usage,
        use: BoardUse,
        patterns: Sequence[Pattern],
    ) -> None:
        self.seen = seen
        self.book = book
        self.usage = usage
        self.use = use
        self.reversible = use == "reversible"
        self.doubling = self.reversible and _shows_doubles(seen["left"], usage)
        self.patterns = patterns
        self.problems: list[Finding] = []
        self.left_out: dict[str, str] = {}

    def build(self) -> Bill:
        groups: dict[Half, dict[str, _Group]] = {h: self._group(self.seen[h]) for h in HALVES}
        tallies = {h: self._tally_known(h, groups[h]) for h in HALVES}
        keys = self._keys(tallies)
        lines = [line for p in self.book.parts if (line := self._known_line(p, tallies, keys))]
        lines.extend(self._unknown_lines(groups))
        lines.extend(self._pattern_lines())
        lines.sort(key=lambda a: (a.step, not a.known, a.title, a.key))
        self._remark(lines)
        wants = [self._want(a) for a in lines]
        plan = plan_purchases(wants, self.book.shops, self.book.currency)
        again = plan_purchases(
            [self._want_again(a) for a in lines], self.book.shops, self.book.currency
        )
        notice = self.book.notice
        return Bill(
            name=self.seen["left"].board.name,
            usage=self.usage,
            lines=tuple(lines),
            currency=self.book.currency,
            plan=plan,
            rebuild=again,
            assembly=assembly_steps(lines),
            left_out=tuple(sorted(self.left_out.items())),
            keys_per_half=keys,
            problems=tuple(sorted(self.problems, key=lambda f: (-f.severity, f.id, f.message))),
            notices=(notice,) if notice else (),
            prices_date=self.book.date.isoformat(),
            prices_gross=self.book.gross,
        )

    def _group(self, seen: Seen) -> dict[str, _Group]:
        """References by the part they are; those that are not bought are noted."""
        found: dict[str, list[Record]] = {}
        parts: dict[str, BookPart] = {}
        for record in seen.records:
            part = self.book.find(record.fields)
            reason = _why_not(record, part)
            if reason:
                self.left_out[record.ref] = reason
                continue
            if part is not None:
                key = part.key
                parts[key] = part
            else:
                names = ("part_number", "value", "footprint")
                key = " | ".join(v for n in names if (v := record.fields.get(n)))
                key = key or f"{record.ref.rstrip('0123456789')}, value not stated"
            found.setdefault(key, []).append(record)
        return {
            key: _Group(key=key, part=parts.get(key), records=tuple(records))
            for key, records in found.items()
        }

    def _tally_known(self, half: Half, groups: Mapping[str, _Group]) -> dict[str, Tally]:
        """Counts of the book's parts from references and hole patterns, conflicts reported."""
        seen = self.seen[half]
        tallies = {}
        for part in self.book.parts:
            group = groups.get(part.key)
            records = half_records(group.records if group else (), seen, self.use, half)
            counted = tally_records(records, doubling=self.doubling, half=half, part=part)
            sites = [s for s in seen.sites if s.pattern in part.patterns]
            by_holes = tally_sites(half_sites(sites, seen, self.use, half))
            if counted is None:
                if by_holes is not None:
                    tallies[part.key] = by_holes
                continue
            if by_holes is not None:
                counted = replace(counted, by_source={**counted.by_source, **by_holes.by_source})
            self._compare(part.title, counted, half)
            tallies[part.key] = counted
        return tallies

    def _compare(self, title: str, tally: Tally, half: Half) -> None:
        where = "" if self.reversible else f" of the {half} half"
        if len(set(tally.by_source.values())) > 1:
            said = ", ".join(f"{n} by {name}" for name, n in tally.by_source.items())
            self._report(
                rules.CONFLICT,
                f"{title}{where}: {said}; {tally.count} are counted",
                measured=float(min(tally.by_source.values())),
                limit=float(max(tally.by_source.values())),
            )
        if tally.uneven is not None and tally.uneven[0] != tally.uneven[1]:
            self._report(
                rules.UNEVEN_FACES,
                f"{title}: {tally.uneven[0]} on top, {tally.uneven[1]} on the bottom",
            )

    def _report(self, rule: Rule, message: str, **numbers: object) -> None:
        made = Finding.of(rule, message, Place(file=self.seen["left"].board.name), **numbers)
        if all(f.message != made.message or f.id != made.id for f in self.problems):
            self.problems.append(made)

    def _keys(self, tallies: Mapping[Half, Mapping[str, Tally]]) -> dict[Half, int]:
        keys: dict[Half, int] = {}
        for half in HALVES:
            marked = {
                p.title: tallies[half][p.key].count
                for p in self.book.parts
                if p.marks_key and p.key in tallies[half]
            }
            most = max(marked.values(), default=0)
            keys[half] = count_keys(self.seen[half], {half: most}, self.use)[half]
            for title, count in marked.items():
                if count != keys[half]:
                    self._report(
                        rules.CONFLICT,
                        f"{keys[half]} switch sites, but {count} x {title}"
                        + ("" if self.reversible else f" ({half} half)"),
                        measured=float(count),
                        limit=float(keys[half]),
                    )
        by_key = any(each == "key" and n for p in self.book.parts for each, n in p.count)
        if by_key and not any(keys.values()):
            self._report(rules.KEYS_UNKNOWN, "no switch site and no part that marks a key")
        return keys

    def _known_line(
        self,
        part: BookPart,
        tallies: Mapping[Half, Mapping[str, Tally]],
        keys: Mapping[Half, int],
    ) -> BillLine | None:
        counts = dict(part.count)
        pieces: dict[Half, int] = {}
        refs: dict[Half, tuple[str, ...]] = {}
        faces: dict[Half, str] = {}
        sources: dict[str, int] = {}
        reasons = []
        for half in HALVES:
            tally = tallies[half].get(part.key)
            fixed = counts.get("key", 0) * keys[half] + counts.get("half", 0)
            pieces[half] = tally.count if tally else fixed
            refs[half] = tally.refs if tally else ()
            face = working_face(part, half, reversible=self.reversible)
            faces[half] = face or (tally.side if tally else "")
            if tally is not None:
                sources |= tally.by_source
                reasons.append(_reason(tally))
                if fixed and fixed != tally.count:
                    self._report(
                        rules.CONFLICT,
                        f"{part.title}: the parts book counts {fixed} a half, {tally.source} "
                        f"{tally.count}; {tally.count} are counted",
                    )
            elif fixed:
                sources[FIXED] = fixed
                reasons.append(_fixed_reason(counts, keys[half]))
        once = counts.get("keyboard", 0)
        if once:
            sources.setdefault(FIXED, once)
            reasons.append(f"{once} a keyboard by the parts book")
        if not (pieces["left"] or pieces["right"] or once):
            return None
        return BillLine(
            key=part.key,
            title=part.title,
            cls=part.cls,
            refs=refs,
            left=pieces["left"],
            right=pieces["right"],
            per_keyboard=pieces["left"] + pieces["right"] + once,
            faces=faces,
            fitting=part.fitting,
            lasting=part.lasting,
            lets_carry=part.lets_carry,
            step=STAGE_ORDER[part.stage],
            caution=part.caution,
            sources={name: sources[name] for name in ORDER if name in sources},
            reason="; ".join(dict.fromkeys(reasons)),
            known=True,
        )

    def _unknown_lines(self, groups: Mapping[Half, Mapping[str, _Group]]) -> Iterable[BillLine]:
        """Parts the book does not know, by value and footprint."""
        keys = dict.fromkeys(k for h in HALVES for k, g in groups[h].items() if g.part is None)
        for key in keys:
            pieces: dict[Half, int] = {}
            refs: dict[Half, tuple[str, ...]] = {}
            faces: dict[Half, str] = {}
            sources: dict[str, int] = {}
            mount = ""
            for half in HALVES:
                group = groups[half].get(key)
                records = half_records(
                    group.records if group else (), self.seen[half], self.use, half
                )
                tally = tally_records(records, doubling=self.doubling, half=half, part=None)
                pieces[half] = tally.count if tally else 0
                refs[half] = tally.refs if tally else ()
                faces[half] = tally.side if tally else ""
                if tally is not None:
                    sources |= tally.by_source
                    self._compare(key, tally, half)
                    mount = mount or records[0].fields.get("mount", "")
            stage = "surface" if mount == "SMD" else "connectors" if mount == "TH" else "low"
            yield BillLine(
                key=key,
                title=key,
                cls="other",
                refs=refs,
                left=pieces["left"],
                right=pieces["right"],
                per_keyboard=pieces["left"] + pieces["right"],
                faces=faces,
                fitting=Fitting.SOLDERED,
                lasting=Lasting.USED_UP,
                lets_carry=(),
                step=STAGE_ORDER[stage],
                caution="",
                sources={name: sources[name] for name in ORDER if name in sources},
                reason=f"counted by {next(iter(sources), ATTRIBUTES)}; not in the parts book",
                known=False,
            )

    def _pattern_lines(self) -> Iterable[BillLine]:
        """Hole patterns no part of the book claims, where no list of parts says what they are."""
        claimed = {name for p in self.book.parts for name in p.patterns}
        for pattern in self.patterns:
            if pattern.key in claimed:
                continue
            pieces: dict[Half, int] = {}
            for half in HALVES:
                seen = self.seen[half]
                sites = [s for s in seen.sites if s.pattern == pattern.key]
                if any(name != HOLES for name in seen.present):
                    sites = []
                pieces[half] = len(half_sites(sites, seen, self.use, half))
            if any(pieces.values()):
                doubt = "; on a board for both halves one place of two may stay empty"
                yield BillLine(
                    key=f"pattern {pattern.key}",
                    title=pattern.title,
                    cls="other",
                    refs={"left": (), "right": ()},
                    left=pieces["left"],
                    right=pieces["right"],
                    per_keyboard=pieces["left"] + pieces["right"],
                    faces={"left": "", "right": ""},
                    fitting=Fitting.SOLDERED,
                    lasting=Lasting.USED_UP,
                    lets_carry=(),
                    step=STAGE_ORDER["headers"],
                    caution="",
                    sources={HOLES: pieces["left"]},
                    reason=f"{pieces['left']} places by hole pattern; not in the parts book"
                    + (doubt if self.reversible else ""),
                    known=False,
                )

    def _remark(self, lines: Sequence[BillLine]) -> None:
        if not lines:
            self._report(rules.NONE_FOUND, "no attributes, no tables, no known hole pattern")
        unknown = [a for a in lines if not a.known]
        if unknown:
            names = ", ".join(a.title for a in unknown[:5])
            more = f" and {len(unknown) - 5} more" if len(unknown) > 5 else ""
            self._report(rules.UNKNOWN_PART, f"{names}{more}", count=len(unknown))
        priced = {p.key for p in self.book.parts if p.prices}
        bare = [a.title for a in lines if a.known and a.key not in priced]
        if bare:
            self._report(rules.NO_PRICE, ", ".join(bare), count=len(bare))
        for line in lines:
            if line.left != line.right:
                self._report(
                    rules.UNEVEN_HALVES, f"{line.title}: {line.left} left, {line.right} right"
                )
        catalogue = {p.key for p in self.patterns}
        for part in self.book.parts:
            for name in part.patterns:
                if name not in catalogue:
                    self._report(
                        rules.UNKNOWN_PATTERN,
                        f"{part.title} ({self.book.file}:{part.line}): no pattern '{name}'",
                    )

    def _want(self, line: BillLine) -> Want:
        wanted = pieces_wanted(line, self.usage, self.book)
        return self._priced(line, line.need(self.usage), wanted)

    def _want_again(self, line: BillLine) -> Want:
        """Used-up parts anew (spares are still in the drawer), of the others what was lost."""
        need = line.need(self.usage)
        if line.lasting is Lasting.CARRIED_OVER:
            lost = need * self.usage.loss_share
            need = int(lost.to_integral_value(rounding=ROUND_CEILING))
        return self._priced(line, need, need)

    def _priced(self, line: BillLine, need: int, wanted: int) -> Want:
        part = next((p for p in self.book.parts if p.key == line.key), None)
        return Want(
            key=line.key,
            title=line.title,
            lasting=line.lasting,
            need=need,
            wanted=wanted,
            prices=part.prices if part else (),
        )


def _shows_doubles(seen: Seen, usage: Usage) -> bool:
    """Whether parts on both faces are to be read as doubles of one another.

    Key sites decide where there are any; else the order's word, if it was given.
    """
    keys = [s for s in seen.sites if s.kind == "key"]
    return any(s.doubled for s in keys) if keys else usage.stated


def _why_not(record: Record, part: BookPart | None) -> str:
    """Why a reference is not bought; empty when it is."""
    if not record.fitted:
        return "marked as not fitted"
    if part is not None:
        return ""
    if record.fields.get("mount") == "Fiducial":
        return "fiducial"
    words = " ".join(record.fields.get(n, "") for n in ("value", "footprint")).casefold()
    words = words.replace("_", " ").replace("-", " ")
    hit = next((w for w in NOT_PARTS if w in words), "")
    if hit:
        return f"not a part ({hit})"
    if record.fields.get("mount") == "Other" and not record.fields.get("pins"):
        return "no pins and not mounted"
    return ""


def _reason(tally: Tally) -> str:
    others = [f"{n} by {name}" for name, n in tally.by_source.items() if name != tally.source]
    words = f"{tally.count} by {tally.source}"
    if others:
        words += f" (also {', '.join(others)})"
    if tally.doubled:
        words += "; doubled on the other face, fitted once"
    return words


def _fixed_reason(counts: Mapping[Each, int], keys: int) -> str:
    words = []
    if counts.get("key"):
        words.append(f"{counts['key']} a key, {keys} keys")
    if counts.get("half"):
        words.append(f"{counts['half']} a half")
    return " and ".join(words) + " by the parts book"

"""Tables of parts that lie beside the layers, in text of any usual form.

Placement (centroid, pick-and-place) tables state where each part sits and how it is turned, parts
tables (bills of material) what it is.  Cells are parted by comma, semicolon, tab or bar, or set in
columns.  A table begins at the first line whose cells are headings we know; what stands before it
(comments, dates, units) is kept as the preamble.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from fabkit.base.findings import ProblemLog, Rule, Severity
from fabkit.base.languages import heading_in_english, in_english, letters_of, without_accents
from fabkit.base.units import INCH_MM, MIL_MM, some_of
from fabkit.formats.sidecars.model import ListedPart, PartsTable, PlacedPart, Placement, Side
from fabkit.rules import load_rule

PLACEMENT_NO_TABLE: Final = load_rule("placement/no-table")
PLACEMENT_ROW: Final = load_rule("placement/bad-row")
PLACEMENT_CELLS: Final = load_rule("placement/cells")
PLACEMENT_DOUBLE: Final = load_rule("placement/double-designator")
PLACEMENT_UNIT: Final = load_rule("placement/unit-assumed")
PLACEMENT_SIDE: Final = load_rule("placement/side-assumed")
PLACEMENT_SIDE_UNKNOWN: Final = load_rule("placement/side-unknown")
PARTS_NO_TABLE: Final = load_rule("partslist/no-table")
PARTS_ROW: Final = load_rule("partslist/bad-row")
PARTS_CELLS: Final = load_rule("partslist/cells")
PARTS_QUANTITY: Final = load_rule("partslist/quantity")
PARTS_DOUBLE: Final = load_rule("partslist/double-designator")

_SEPARATORS: Final = (",", ";", "\t", "|")
_HEADER_WITHIN: Final = 80
"""A header further down than this is not looked for."""
_MAX_CELL: Final = 65_536
"""Room for the designators of ten thousand parts; more is cut, and said to be."""
_LARGEST: Final = 1e9
"""A number beyond this is no length or angle, and may not be finite."""
_MOST_LINES: Final = 200
"""A cell in quotes that runs on for more lines lacks its closing quote (our rule)."""
UNITS_MM: Final[Mapping[str, float]] = {
    "mm": 1.0,
    "millimeter": 1.0,
    "millimeters": 1.0,
    "millimetre": 1.0,
    "millimetres": 1.0,
    "metric": 1.0,
    "мм": 1.0,
    "毫米": 1.0,
    "cm": 10.0,
    "um": 0.001,
    "in": INCH_MM,
    "inch": INCH_MM,
    "inches": INCH_MM,
    "imperial": INCH_MM,
    '"': INCH_MM,
    "mil": MIL_MM,
    "mils": MIL_MM,
    "th": MIL_MM,
    "thou": MIL_MM,
}
_NUMBER: Final = re.compile(r"^([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*([a-zA-Z\"]*)$")
_HEADING_UNIT: Final = re.compile(
    r"[\s_]*[\[(（](mm|мм|毫米|mils?|in|inch(?:es)?|thou)[\])）]$|[-_](mm|mil|in)$"
)


@dataclass(frozen=True, slots=True)
class Heading:
    """One heading: the field it means and the unit it states, mm per unit."""

    field: str
    unit_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Row:
    """One row: field to text, with its line number from 1 and byte-independent index."""

    cells: Mapping[str, str]
    line: int


@dataclass(frozen=True, slots=True)
class Table:
    """A table found in a text."""

    preamble: tuple[str, ...]
    headings: tuple[Heading, ...]
    rows: tuple[Row, ...]
    decimal_comma: bool
    faults: tuple[tuple[int, str], ...] = ()
    """Line from 1, and what of it could not be read as it stands."""
    continued: tuple[int, ...] = ()
    """Lines that were read as part of a quoted cell of the row above."""

    def report(self, rule: Rule, log: ProblemLog, offsets: Sequence[int]) -> None:
        """Report what of the rows is a guess."""
        for line, fault in self.faults:
            log.add(rule, fault, offset=offsets[line - 1])
        for line in self.continued:
            log.add(
                rule,
                "the line is read as part of a quoted cell of the row above",
                offset=offsets[line - 1],
                severity=Severity.NOTE,
            )

    def unit_of(self, field: str) -> float | None:
        """Give the unit stated by the heading of a field, mm per unit."""
        return next((h.unit_mm for h in self.headings if h.field == field), None)


def decode(data: bytes) -> str:
    """Text of a file in whatever encoding its first bytes show."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16", errors="replace")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("latin-1")


def split_lines(text: str) -> list[str]:
    r"""Lines as editors count them: other separators of Unicode are part of a cell.

    >>> split_lines("a\r\nb\x85c")
    ['a', 'b\x85c']
    """
    lines = re.split(r"\r\n|\n|\r", text)
    return lines[:-1] if lines and not lines[-1] else lines


def line_offsets(data: bytes) -> list[int]:
    """Byte at which each line begins."""
    offsets, at = [], 0
    for line in data.splitlines(keepends=True):
        offsets.append(at)
        at += len(line)
    return offsets


def normalise(heading: str) -> tuple[str, float | None]:
    """Heading in lower-case letters and digits, in English, and the unit it ends in.

    >>> normalise('"Center-X (mm)"'), normalise("Stückzahl")
    (('centerx', 1.0), ('quantity', None))
    """
    text = heading.strip().strip("\"'#*").strip().lower()
    unit = None
    found = _HEADING_UNIT.search(text)
    if found:
        unit = UNITS_MM[found[1] or found[2]]
        text = text[: found.start()]
    letters = letters_of(text)
    english = heading_in_english(letters)
    return english if english != letters else re.sub(r"[^a-z0-9]", "", text), unit


def find_table(
    text: str, known: Mapping[str, Sequence[str]], accepts: Callable[[frozenset[str]], bool]
) -> Table | None:
    """Find the table whose headings satisfy ``accepts``.

    Parameters
    ----------
    known
        Field to the spellings of its heading, normalised, best first.  When two headings mean
        the same field, the better spelling wins and the other is dropped.
    accepts
        Judges the set of fields found.
    """
    lines = split_lines(text)
    for index, line in enumerate(lines[:_HEADER_WITHIN]):
        bare = line.lstrip("#*; \ufeff") if line[:1] in "#*;" else line
        for separator in _SEPARATORS:
            if bare.count(separator) < 1:
                continue
            headings = _match(_split(bare, separator), known)
            if accepts(frozenset(h.field for h in headings)):
                return _separated(lines, index, separator, headings)
        if len(bare.split()) >= 3 and not any(s in bare for s in ",;"):
            headings = _match_words(bare, known)
            if accepts(frozenset(h.field for h in headings)):
                return _columned(lines, index, headings)
    return None


def parse_number(text: str, *, decimal_comma: bool = False) -> tuple[float, float | None] | None:
    """Give the number and its unit suffix in mm per unit; None when it is no number.

    >>> parse_number("12.5mm"), parse_number("1,5", decimal_comma=True), parse_number("x")
    ((12.5, 1.0), (1.5, None), None)
    """
    text = text.strip()
    if decimal_comma:
        # Where commas are decimal, points part thousands.
        text = text.replace(".", "").replace(",", ".") if "," in text else text
    found = _NUMBER.match(text)
    if found is None or len(text) > 40:
        return None
    suffix, number = found[2].lower(), float(found[1])
    if (suffix and suffix not in UNITS_MM) or abs(number) > _LARGEST:
        return None
    return number, UNITS_MM[suffix] if suffix else None


def find_unit(lines: Sequence[str]) -> float | None:
    """Give the unit stated in words before the table, mm per unit."""
    for line in lines:
        found = re.search(
            r"(?i)\b(?:units?(?: of measure)?|coordinates)\b\s*(?:[:=]|in|are|,)?\s*[\"']?([a-z]+)",
            line,
        )
        if found and found[1].lower() in UNITS_MM:
            return UNITS_MM[found[1].lower()]
    return None


def _split(line: str, separator: str) -> list[str]:
    try:
        reader = csv.reader([line], delimiter=separator, skipinitialspace=True)
        return [cell.strip() for cell in next(reader, [])]
    except csv.Error:
        return []


def _match(cells: Sequence[str], known: Mapping[str, Sequence[str]]) -> tuple[Heading, ...]:
    words = [normalise(cell) for cell in cells]
    owner: dict[int, str] = {}
    for field, spellings in known.items():
        # One column may suit two fields ("name"): the field listed first keeps it.
        ranked = [
            (spellings.index(word), column)
            for column, (word, _) in enumerate(words)
            if word in spellings and column not in owner
        ]
        if ranked:
            owner[min(ranked)[1]] = field
    return tuple(
        Heading(owner.get(column, ""), unit if column in owner else None)
        for column, (_, unit) in enumerate(words)
    )


def _match_words(line: str, known: Mapping[str, Sequence[str]]) -> tuple[Heading, ...]:
    """Headings of a line without separators: two blanks divide, else one or two words match."""
    spellings = {word for words in known.values() for word in words}
    cells: list[str] = []
    for chunk in re.split(r"\s{2,}|\t", line.strip()):
        words = chunk.split()
        while words:
            take = next(
                (
                    n
                    for n in (3, 2)
                    if n <= len(words) and normalise(" ".join(words[:n]))[0] in spellings
                ),
                1,
            )
            if take == 1 and normalise(words[0])[0] not in spellings:
                # "Pad X" is one heading, although only its second word means something to us.
                take += words[1:2] in (["X"], ["Y"])
            cells.append(" ".join(words[:take]))
            words = words[take:]
    return _match(cells, known)


def _separated(
    lines: Sequence[str], index: int, separator: str, headings: tuple[Heading, ...]
) -> Table:
    rows: list[Row] = []
    faults: list[tuple[int, str]] = []
    continued: list[int] = []
    at = index + 1
    while at < len(lines):
        number = at + 1
        cells, taken, fault = _record(lines, at, separator, len(headings))
        at += taken
        continued += range(number + 1, number + taken)
        if not any(cell.strip() for cell in cells):
            continue
        if any(cell.strip() for cell in cells[len(headings) :]):
            fault = fault or "more cells than headings"
        if any(len(cell) > _MAX_CELL for cell in cells):
            fault = fault or f"a cell of more than {_MAX_CELL} characters was cut"
        if fault:
            faults.append((number, fault))
        rows.append(Row(_assign(headings, cells), number))
    joined = [value for row in rows[:200] for value in row.cells.values()]
    comma = separator != "," and any(re.fullmatch(r"-?\d+,\d+", cell) for cell in joined)
    return Table(
        tuple(lines[:index]), headings, tuple(rows), comma, tuple(faults), tuple(continued)
    )


def _record(
    lines: Sequence[str], at: int, separator: str, columns: int
) -> tuple[list[str], int, str]:
    """Cells of the record that begins at a line, the lines it takes, and what is wrong with it.

    A quoted cell may hold line ends.  Where its closing quote is missing it would swallow the rows
    that follow, so the record then ends with its line.
    """
    line = lines[at]
    plain = line.split(separator)
    if '"' not in line:
        return plain, 1, ""
    reader = csv.reader(
        (f"{text}\n" for text in lines[at : at + _MOST_LINES]),
        delimiter=separator,
        skipinitialspace=True,
        strict=True,
    )
    try:
        cells = next(reader)
    except csv.Error:
        pass
    else:
        last = lines[at + reader.line_num - 1]
        whole = len(plain) == columns and len(last.split(separator)) == columns
        if reader.line_num == 1 or not whole:
            return cells, reader.line_num, ""
    loose = _split(line, separator)
    if len(loose) == columns:
        return loose, 1, "a quote is not closed" if line.count('"') % 2 else ""
    return [cell.replace('"', "") for cell in plain], 1, "a quote is not closed"


def _columned(lines: Sequence[str], index: int, headings: tuple[Heading, ...]) -> Table:
    body = [
        (number, line.rstrip())
        for number, line in enumerate(lines[index + 1 :], start=index + 2)
        if line.strip() and not re.fullmatch(r"[\s=\-+|]+", line) and not line.startswith("#")
    ]
    cuts = _gutters([line for _, line in body])
    rows = []
    for number, line in body:
        if len(cuts) > len(headings):
            # Blanks that divide a last column of free text are part of that text.
            ends = [*cuts[: len(headings)], cuts[-1]]
            cells = [line[a:b].strip() for a, b in pairwise(ends)]
        else:
            cells = line.split(maxsplit=len(headings) - 1)
        rows.append(Row(_assign(headings, cells), number))
    return Table(tuple(lines[:index]), headings, tuple(rows), False)


def _gutters(lines: Sequence[str]) -> list[int]:
    """Where columns of text begin: places that are blank in every line divide them."""
    width = max((len(line) for line in lines), default=0)
    inked = [False] * (width + 1)
    for line in lines:
        for place, sign in enumerate(line):
            if not sign.isspace():
                inked[place] = True
    starts = [i for i in range(width) if inked[i] and (i == 0 or not inked[i - 1])]
    return [*starts, width] if starts else []


def _assign(headings: Sequence[Heading], cells: Sequence[str]) -> dict[str, str]:
    return {
        heading.field: cell.strip()[:_MAX_CELL]
        for heading, cell in zip(headings, cells, strict=False)
        if heading.field
    }


_REF: Final = (
    *("designator", "refdes", "referencedesignator", "reference", "ref", "designation"),
    *("part", "name", "component", "item"),
)
_SHARED: Final = {
    "value": ("value", "val", "comment", "partvalue", "description", "component", "name"),
    "footprint": ("footprint", "package", "pattern", "landpattern", "case", "packagetype"),
    "fitted": ("fitted", "populate", "populated", "mounted", "fit"),
    "absent": ("dnp", "dnf", "dni", "donotpopulate", "donotplace", "donotfit", "notes"),
}
_AXIS: Final = (
    *("mid?", "center?", "centre?", "centroid?", "pos?", "?", "?pos", "?position", "position?"),
    *("?coord", "?coordinate", "?center", "?centre", "?location", "location?", "ref?"),
)
_PLACED: Final = {
    "ref": _REF,
    **_SHARED,
    "x": tuple(word.replace("?", "x") for word in _AXIS),
    "y": tuple(word.replace("?", "y") for word in _AXIS),
    "rotation": ("rotation", "rot", "angle", "orientation", "rotationdeg", "theta"),
    "side": ("side", "layer", "tb", "boardside", "mountside", "face", "mountingside"),
}
_LISTED: Final = {
    "ref": (
        *("designator", "designators", "refdes", "references", "reference", "refs", "ref"),
        *("referencedesignator", "referencedesignators", "parts", *_REF[6:]),
    ),
    **_SHARED,
    "quantity": ("quantity", "qty", "count", "amount", "pcs", "number", "quantityperpcb"),
    "part_number": (
        *("mpn", "manufacturerpartnumber", "manufacturerpart", "mfrpartnumber", "mfrpart"),
        *("mfgpartnumber", "mfgpart", "mfgpn", "mfrpn", "partnumber", "partno", "pn"),
    ),
    "manufacturer": ("manufacturer", "mfr", "mfg", "maker", "manufacturername", "brand"),
}
_TOP: Final = frozenset(
    (
        *("top", "t", "front", "f", "primary", "componentside", "comp", "component", "upper"),
        *("recto", "avant", "frente", "fronte", "gora", "gorna", "gorny"),
    )
)
_BOTTOM: Final = frozenset(
    (
        *("bottom", "bot", "b", "back", "secondary", "solderside", "solder", "lower"),
        *("verso", "arriere", "retro", "dol", "dolna", "dolny"),
    )
)
_ABSENT: Final = ("dnp", "dnf", "dni")
_YES: Final = (
    "yes",
    "y",
    "true",
    "1",
    "x",
    "ja",
    "j",
    "oui",
    "si",
    "sim",
    "tak",
    "да",
    "是",
    "はい",
)
_NO: Final = ("no", "n", "false", "0", "nein", "non", "nao", "nee", "nie", "нет", "否", "いいえ")


def _side_of(text: str) -> Side | None:
    """Face that a word names, in any of our languages; None where it is no name of a face."""
    word = re.sub(r"[^a-z0-9]", "", text.lower())
    if word.startswith(("top", "front")):
        return "top"
    if word.startswith(("bot", "back")):
        return "bottom"
    words = [in_english(w) for w in re.findall(r"[a-z]+", without_accents(text).lower())]
    top, bottom = bool(_TOP.intersection(words)), bool(_BOTTOM.intersection(words))
    return None if top == bottom else "top" if top else "bottom"


def _is_placement(fields: frozenset[str]) -> bool:
    return {"ref", "x", "y"} <= fields and bool(fields & {"rotation", "side"})


def _is_parts(fields: frozenset[str]) -> bool:
    described = fields & {"value", "footprint", "part_number"}
    return "ref" in fields and (("quantity" in fields and bool(described)) or len(described) >= 2)


def looks_like_placement(data: bytes) -> bool:
    """Check whether a heading line with designator, X, Y and rotation or side is found."""
    return _is_text(data) and find_table(decode(data[:65536]), _PLACED, _is_placement) is not None


def looks_like_parts(data: bytes) -> bool:
    """Check whether a heading line with designators and values or quantities is found."""
    return _is_text(data) and find_table(decode(data[:65536]), _LISTED, _is_parts) is not None


def _is_text(data: bytes) -> bool:
    return b"\x00" not in data[:64] or data.startswith((b"\xff\xfe", b"\xfe\xff"))


def _rows(
    table: Table, data: bytes, rule: Rule, log: ProblemLog
) -> Iterator[tuple[Row, int | None]]:
    """Rows with the byte at which each begins, once what of them is a guess was reported."""
    offsets = line_offsets(data)
    table.report(rule, log, offsets)
    for row in table.rows:
        yield row, offsets[row.line - 1] if row.line <= len(offsets) else None


def _is_fitted(row: Row) -> bool:
    """Whether a row's part is to be fitted, from its yes/no columns."""
    absent, fitted = (letters_of(row.cells.get(field, "")) for field in ("absent", "fitted"))
    return absent not in (*_ABSENT, *_YES) and fitted not in (*_ABSENT, *_NO)


def read_placement(data: bytes, *, name: str) -> Placement:
    """Read a placement table; never raises on content.

    Parameters
    ----------
    name
        Its member name, for messages and, when no column states it, for the side.
    """
    log = ProblemLog(name)
    table = find_table(decode(data), _PLACED, _is_placement)
    if table is None:
        log.add(PLACEMENT_NO_TABLE, "no heading with designator, X, Y and rotation or side")
        return Placement(name=name, parts=(), problems=log.freeze(data))
    reader = _Placer(table, log, find_unit(table.preamble), _side_of_file(name, table))
    parts = []
    seen: list[tuple[str, int | None, Severity | None]] = []
    for row, at in _rows(table, data, PLACEMENT_CELLS, log):
        part = reader.read(row, at)
        if part is None:
            continue
        # What has neither value nor footprint is lettering or a mark, not a part.
        seen.append((part.ref, at, None if part.value or part.footprint else Severity.NOTE))
        parts.append(part)
    apart = len({(p.x_mm, p.y_mm) for p in parts}) == len(parts)
    _add_doubles(log, PLACEMENT_DOUBLE, "placed", seen, panel=apart)
    if parts and not reader.unit_stated:
        log.add(PLACEMENT_UNIT, "no unit stated", assumed="read as millimetres")
    if table.rows and not parts:
        log.add(PLACEMENT_NO_TABLE, "no row below its headings has a designator and a position")
    if reader.guessed_sides:
        log.add(PLACEMENT_SIDE, "the side is not given in words", assumed=reader.guessed_sides)
    for word, refs in reader.strange_sides.items():
        log.add(
            PLACEMENT_SIDE_UNKNOWN,
            f"side {word[:40]!r} of {some_of(refs, 3)} names neither top nor bottom",
            assumed="their face is left open",
        )
    return Placement(
        name=name,
        parts=tuple(parts),
        unit_stated=reader.unit_stated,
        problems=log.freeze(data),
        nameless=reader.nameless,
    )


def _side_of_file(name: str, table: Table) -> Side | None:
    for line in table.preamble:
        found = re.search(r"(?i)\bside\s*[:=]\s*(top|bottom|front|back)", line)
        if found:
            return _side_of(found[1])
    words = set(map(in_english, re.findall(r"[a-z]+", without_accents(name).lower())))
    top, bottom = bool(words & {"top", "front"}), bool(words & {"bottom", "bot", "back"})
    return None if top == bottom else "top" if top else "bottom"


class _Placer:
    """Reads rows of one table, remembering what had to be assumed."""

    def __init__(
        self, table: Table, log: ProblemLog, general: float | None, file_side: Side | None
    ) -> None:
        self._table = table
        self._log = log
        self._general = general
        self._file_side = file_side
        self.unit_stated = general is not None
        self.guessed_sides = ""
        self.strange_sides: dict[str, list[str]] = {}
        self.nameless = 0

    def read(self, row: Row, offset: int | None) -> PlacedPart | None:
        ref = row.cells.get("ref", "")
        x, y = self._length(row, "x"), self._length(row, "y")
        if not ref or x is None or y is None:
            placed = x is not None and y is not None
            self.nameless += placed and bool(row.cells.get("value") or row.cells.get("footprint"))
            # Without either it is a closing word, a rule, or a part that was never placed.
            stated = row.cells.get("x") or row.cells.get("y")
            self._log.add(
                PLACEMENT_ROW,
                "row without designator or position" if stated else "row without a position",
                offset=offset,
                severity=None if stated else Severity.NOTE,
            )
            return None
        turn = parse_number(
            row.cells.get("rotation", "") or "0", decimal_comma=self._table.decimal_comma
        )
        if turn is None:
            self._log.add(
                PLACEMENT_ROW, "rotation is not a number", offset=offset, assumed="read as 0"
            )
        return PlacedPart(
            ref=ref,
            value=row.cells.get("value", ""),
            footprint=row.cells.get("footprint", ""),
            x_mm=x,
            y_mm=y,
            rotation_deg=turn[0] if turn else 0.0,
            side=self._side(row, ref),
            fitted=_is_fitted(row),
            line=row.line,
        )

    def _length(self, row: Row, field: str) -> float | None:
        number = parse_number(row.cells.get(field, ""), decimal_comma=self._table.decimal_comma)
        if number is None:
            return None
        unit = number[1] or self._table.unit_of(field)
        if unit is not None:
            self.unit_stated = True
        return number[0] * (unit or self._general or 1.0)

    def _side(self, row: Row, ref: str) -> Side | None:
        word = row.cells.get("side", "").strip()
        side = _side_of(word) or self._file_side
        if side is not None:
            return side
        if word in ("0", "1"):
            self.guessed_sides = "0 read as top, 1 as bottom"
            return "bottom" if word == "1" else "top"
        if letters_of(word):
            self.strange_sides.setdefault(word, []).append(ref)
            return None
        self.guessed_sides = "read as top"
        return "top"


_FEWEST_OF_PANEL: Final = 3
"""Fewer references that are all given as often are doubled by chance."""

_RANGE: Final = re.compile(r"^([A-Za-z_]+)(\d{1,5})\s*[-–]\s*\1?(\d{1,5})$")
_LONGEST_RANGE: Final = 1000


def read_parts(data: bytes, *, name: str) -> PartsTable:
    """Read a parts table; never raises on content."""
    log = ProblemLog(name)
    table = find_table(decode(data), _LISTED, _is_parts)
    if table is None:
        log.add(PARTS_NO_TABLE, "no heading with designators and values")
        return PartsTable(name=name, rows=(), problems=log.freeze(data))
    rows = []
    seen: list[tuple[str, int | None, Severity | None]] = []
    for row, at in _rows(table, data, PARTS_CELLS, log):
        listed = _read_row(row, log, at)
        if listed is None:
            continue
        seen += [(ref, at, None) for ref in listed.refs]
        rows.append(listed)
    _add_doubles(log, PARTS_DOUBLE, "listed", seen, panel=True)
    if table.rows and not rows:
        log.add(PARTS_NO_TABLE, "no row below its headings has a designator or a quantity")
    return PartsTable(name=name, rows=tuple(rows), problems=log.freeze(data))


def _add_doubles(
    log: ProblemLog,
    rule: Rule,
    how: str,
    seen: Sequence[tuple[str, int | None, Severity | None]],
    *,
    panel: bool,
) -> None:
    """Report references that are given again; a panel's table gives each as often as all others."""
    counts = Counter(ref for ref, _, _ in seen)
    times = set(counts.values())
    if panel and len(counts) >= _FEWEST_OF_PANEL and len(times) == 1 and times != {1}:
        log.add(
            rule,
            f"all {len(counts)} references are {how} {times.pop()} times, as for a panel",
            severity=Severity.NOTE,
        )
        return
    met: set[str] = set()
    for ref, at, severity in seen:
        if ref in met:
            log.add(rule, f"{ref} is {how} more than once", offset=at, severity=severity)
        met.add(ref)


_TO: Final = re.compile(
    r"\s*(?:[-\u2013\u2014~\u2026]|\.{2,3})\s*|\s+(?:to|through|thru)\s+", re.IGNORECASE
)
"""What stands between the first and the last of a range."""


def split_refs(text: str) -> tuple[str, ...]:
    """Designators of one cell; ranges are written out.

    >>> split_refs("R1, R3-R5 C2"), split_refs("C1..C3"), split_refs("D1 to D2")
    (('R1', 'R3', 'R4', 'R5', 'C2'), ('C1', 'C2', 'C3'), ('D1', 'D2'))
    """
    refs: list[str] = []
    for word in re.split(r"[,;\s]+", _TO.sub("-", text.strip())):
        found = _RANGE.match(word)
        if found and 0 <= int(found[3]) - int(found[2]) < _LONGEST_RANGE:
            refs += [f"{found[1]}{n}" for n in range(int(found[2]), int(found[3]) + 1)]
        elif word:
            refs.append(word)
    return tuple(refs)


def _read_row(row: Row, log: ProblemLog, offset: int | None) -> ListedPart | None:
    refs = split_refs(row.cells.get("ref", ""))
    said = row.cells.get("quantity", "")
    count = int(float(said)) if re.fullmatch(r"\d{1,6}(\.0*)?", said) else None
    if not refs and count is None:
        log.add(PARTS_ROW, "row without designators or quantity", offset=offset)
        return None
    for ref in refs:
        if _RANGE.match(ref):
            log.add(
                PARTS_QUANTITY,
                f"{ref} is no range of designators",
                offset=offset,
                assumed="counted as one part",
            )
    if count is not None and refs and count != len(refs):
        log.add(
            PARTS_QUANTITY,
            f"{', '.join(refs[:3])}: quantity {count}, {len(refs)} designators",
            offset=offset,
            assumed="the designators are counted",
        )
    return ListedPart(
        refs=refs,
        value=row.cells.get("value", ""),
        footprint=row.cells.get("footprint", ""),
        part_number=row.cells.get("part_number", ""),
        manufacturer=row.cells.get("manufacturer", ""),
        quantity=len(refs) or count or 0,
        fitted=_is_fitted(row),
        line=row.line,
    )

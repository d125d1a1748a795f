"""Bytes to rows: every operation word of a chunk at once, everything else handed on in order.

A layer is mostly ``X..Y..D01*``.  Such words are found and their numbers computed with array
operations over the raw bytes (eight digits at a time in one 64-bit integer); only commands
between % signs, comments and words of unusual form are left for Python to look at.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from fabkit.base.columns import Bools, Ints
from fabkit.base.findings import ProblemLog, Severity
from fabkit.rules import load_rule

STRAY_TEXT: Final = load_rule("gerber/stray-text")
STRAY_SPACE: Final = load_rule("gerber/stray-space")
STRAY_CHARACTER: Final = load_rule("gerber/stray-character")
UNBALANCED_PERCENT: Final = load_rule("gerber/unbalanced-percent")
UNKNOWN_COMMAND: Final = load_rule("gerber/unknown-command")
CODE_SPELLING: Final = load_rule("gerber/code-spelling")
WORD_ORDER: Final = load_rule("gerber/word-order")
OLD_END: Final = load_rule("gerber/old-end")
NUMBER_WIDTH: Final = load_rule("gerber/number-width")
NUMBER_RANGE: Final = load_rule("gerber/number-range")
NUMBER_WRONG: Final = load_rule("gerber/number-wrong")
COORDINATE_EMPTY: Final = load_rule("gerber/coordinate-empty")
COORDINATE_DECIMAL: Final = load_rule("gerber/coordinate-decimal")

Bytes = NDArray[np.uint8]

NONE: Final = -(2**63)
"""Stands for a coordinate that is not written."""

PAD: Final = 16
"""Bytes in front of the data, so that eight digits before any place can be loaded."""

_STAR, _PERCENT = 42, 37
_RANK = np.full(256, 255, np.uint8)
for _rank, _letter in enumerate("GXYIJD", start=1):
    _RANK[ord(_letter)] = _rank
_RANK[_STAR] = _RANK[_PERCENT] = 0

_ZEROS = np.uint64(0x3030303030303030)
_HIGH = np.uint64(0x8080808080808080)
_OVER_NINE = np.uint64(0x7676767676767676)
_KEEP = np.array([0] + [(2**64 - 1) - (2 ** (64 - 8 * k) - 1) for k in range(1, 9)], np.uint64)

EXTENDED_CODES: Final = frozenset(
    b"AD AM AB AS FS IN IP IR LM LN LP LR LS MI MO OF SF SR TA TD TF TO".split()
)


LARGEST: Final = 2**50
"""Larger coordinates are cut to this, so that sums and products of them stay exact."""


@dataclass(frozen=True, slots=True)
class Header:
    """What coordinates and sizes mean.

    Parameters
    ----------
    unit_mm
        Millimetres of the file's unit.
    whole_x, decimals_x, whole_y, decimals_y
        Digits of the coordinate format.
    trailing
        Trailing instead of leading zeros are omitted.
    incremental
        Coordinates are steps.
    """

    unit_mm: float
    whole_x: int
    decimals_x: int
    whole_y: int
    decimals_y: int
    trailing: bool
    incremental: bool

    def digits(self, letter: str) -> tuple[int, int]:
        """Digits before and after the point of the numbers behind X, Y, I or J."""
        along_x = letter in "XI"
        return (self.whole_x, self.decimals_x) if along_x else (self.whole_y, self.decimals_y)

    def padded(self, letter: str, value: Ints, digits: Ints, offset: Ints, log: ProblemLog) -> Ints:
        """Coordinate values after padding; numbers wider than the format are reported."""
        width = sum(self.digits(letter))
        log.add_each(
            NUMBER_WIDTH,
            f"numbers of more than {width} digits",
            offset[digits > width],
            assumed="all their digits count",
        )
        if self.trailing:
            value = value * 10 ** np.clip(width - digits, 0, 12)
        beyond = np.abs(value) > 2**31 - 1
        if beyond.any():
            log.add_each(NUMBER_RANGE, "coordinates beyond 32 bits", offset[beyond])
            value = np.clip(value, -LARGEST, LARGEST)
        return value


@dataclass(slots=True)
class Source:
    """The bytes of a file, padded so that windows of eight bytes exist around each of them."""

    data: bytes
    padded: Bytes = field(init=False)
    windows: NDArray[np.uint64] = field(init=False)

    def __post_init__(self) -> None:
        """Convert, check and freeze the columns."""
        size = len(self.data)
        self.padded = np.full(size + 2 * PAD, 48, np.uint8)
        self.padded[PAD : PAD + size] = np.frombuffer(self.data, np.uint8)
        self.windows = np.ndarray(
            (size + 2 * PAD - 7,), "<u8", buffer=self.padded.data, strides=(1,)
        )

    def numbers(self, first: Ints, end: Ints) -> tuple[Ints, Ints, Bools]:
        """Values of the optionally signed integers in ``data[first:end]``.

        Returns
        -------
        value : (n,) int64
        digits : (n,) int64
            Number of digits, sign not counted.
        ok : (n,) bool
            False where it is no integer of 1 to 18 digits.
        """
        lead = self.padded[first + PAD]
        minus = lead == 45
        signed = minus | (lead == 43)
        digits = end - first - signed
        ok = (digits > 0) & (digits <= 18)
        value, good = self._eight(end, np.clip(digits, 0, 8))
        ok &= good
        more = np.flatnonzero(digits > 8)
        if len(more):
            for shift in (8, 16):
                rest = np.clip(digits[more] - shift, 0, 8)
                high, good = self._eight(np.maximum(end[more] - shift, 0), rest)
                ok[more] &= good
                value[more] += np.where(ok[more], high, 0) * 10**shift
        np.negative(value, out=value, where=minus)
        return value, digits, ok

    def _eight(self, end: Ints, digits: Ints) -> tuple[Ints, Bools]:
        """Value of the last ``digits`` (0 to 8) decimal digits in front of each ``end``."""
        word = self.windows[end + (PAD - 8)]
        word ^= _ZEROS
        word &= _KEEP[digits]
        # Each byte less "0" is a digit unless it is over 9: adding 0x76 then sets its highest bit.
        ok = (((word + _OVER_NINE) | word) & _HIGH) == 0
        # Neighbours are joined three times: digits by 10, pairs by 100, fours by 10,000.  A factor
        # is that weight, shifted by the width of a part, plus 1: one product adds both parts.
        word *= np.uint64(2561)
        word >>= np.uint64(8)
        word &= np.uint64(0x00FF00FF00FF00FF)
        word *= np.uint64(6553601)
        word >>= np.uint64(16)
        word &= np.uint64(0x0000FFFF0000FFFF)
        word *= np.uint64(42949672960001)
        word >>= np.uint64(32)
        return word.view(np.int64), ok


@dataclass(slots=True)
class Rows:
    """One row a word outside % signs; ``NONE`` in x, y, i, j and -1 in d, g is "not written"."""

    x: Ints
    y: Ints
    i: Ints
    j: Ints
    d: Ints
    g: Ints
    offset: Ints

    def __len__(self) -> int:
        """Count the rows."""
        return len(self.offset)


@dataclass(slots=True)
class Chunk:
    """A stretch of the file.

    Parameters
    ----------
    rows
        Words outside % signs, in order; rows of words that Python must look at are blank.
    words
        ``(offset, end, row)`` of those words, without their ``*``.
    commands
        ``(offset, end, row)`` of each command between % signs, standing in front of ``row``.
    end
        Where the next chunk starts.
    misspelt
        Offsets of codes with too few or too many digits.
    combined
        Offsets of words with a G code and an operation.
    """

    rows: Rows
    words: list[tuple[int, int, int]]
    commands: list[tuple[int, int, int]]
    end: int
    misspelt: Ints
    combined: Ints


def _pairs(
    data: bytes, at: Ints, code: Bytes, *, final: bool, log: ProblemLog
) -> list[tuple[int, int]]:
    """Find opening and closing % among the tokens; -1 for an opening one left open."""
    percents = np.flatnonzero(code == _PERCENT)
    before = np.where(percents > 0, code[percents - 1], _STAR)
    gap = at[percents] - np.where(percents > 0, at[percents - 1], at[percents] - 1)
    at_start = (before == _STAR) | (before == _PERCENT)
    opens, closes = percents[::2], percents[1::2]
    # Signs that simply alternate need no loop; one that is lost would turn all that follows
    # inside out.
    if len(percents) % 2 == 0 and at_start.all() and (gap[1::2] == 1).all():
        return list(zip(opens.tolist(), closes.tolist(), strict=True))
    return _pairs_one_by_one(data, at, percents, at_start, final=final, log=log)


def _pairs_one_by_one(
    data: bytes,
    at: Ints,
    percents: Ints,
    at_start: Bools,
    *,
    final: bool,
    log: ProblemLog,
) -> list[tuple[int, int]]:
    """Find % signs that do not simply alternate: get back in step at new lines."""
    found: list[tuple[int, int]] = []
    opened = -1
    for token, is_start in zip(percents.tolist(), at_start.tolist(), strict=True):
        place = int(at[token])
        new_line = place == 0 or data[place - 1] in b"\r\n"
        starts_command = data[place + 1 : place + 3] in EXTENDED_CODES
        if opened < 0:
            if is_start or (new_line and starts_command):
                opened = token
            else:
                log.add(UNBALANCED_PERCENT, "% inside text", offset=place)
        elif new_line and starts_command:
            log.add(
                UNBALANCED_PERCENT,
                "a command is not closed by %",
                offset=int(at[opened]),
                assumed="it ends where the next one starts",
            )
            found.append((opened, token))
            opened = token
        else:
            found.append((opened, token))
            opened = -1
    if opened >= 0:
        if final:
            log.add(
                UNBALANCED_PERCENT,
                "a command is not closed by %",
                offset=int(at[opened]),
                assumed="it ends at its first *",
            )
        found.append((opened, -1))
    return found


def read_chunk(
    source: Source, start: int, stop: int, header: Header, log: ProblemLog
) -> Chunk | None:
    """Read ``data[start:stop]`` up to its last complete command.

    Returns None when not even one command is complete; the caller then asks for more.
    """
    data = source.data
    final = stop >= len(data)
    piece = source.padded[PAD + start : PAD + stop]
    at: Ints = np.flatnonzero((piece >= 65) | (piece == _STAR) | (piece == _PERCENT))
    code = piece[at]
    at += start
    before: Ints | None = None
    commands: list[tuple[int, int, int]] = []
    end = stop
    if (code == _PERCENT).any():
        pairs = _pairs(data, at, code, final=final, log=log)
        if pairs and pairs[-1][1] < 0:
            opened = pairs.pop()[0]
            if final:
                after = data.find(b"*", int(at[opened]))
                after = stop if after < 0 else after
                pairs.append((opened, int(np.searchsorted(at, after))))
            else:
                end = int(at[opened])
                if end == start:
                    return None
                at, code = at[:opened], code[:opened]
        at, code, before, commands = _lift_commands(at, code, pairs, start, stop)
    stars = np.flatnonzero(code == _STAR)
    done = int(at[stars[-1]]) + 1 if len(stars) else start
    if commands:
        done = max(done, commands[-1][1] + 1)
    if final:
        if (tail := data[done:end].strip(b"\r\n\t \0\x1a")) and tail != b"%":
            log.add(STRAY_TEXT, "text without its * at the end of the file", offset=done)
    elif end == stop:
        if done == start:
            return None
        end = done
    used = int(stars[-1]) + 1 if len(stars) else 0
    tokens = _Tokens(at[:used], code[:used], before, stars)
    return _rows(source, (start, end), tokens, commands, header, log)


@dataclass(slots=True)
class _Tokens:
    """Letters, stars and closing % of a chunk; the last one is a star.

    ``before`` holds the offset of the token in front of each, where commands were lifted out.
    """

    at: Ints
    code: Bytes
    before: Ints | None
    stars: Ints


def _lift_commands(
    at: Ints, code: Bytes, pairs: list[tuple[int, int]], start: int, stop: int
) -> tuple[Ints, Bytes, Ints, list[tuple[int, int, int]]]:
    """Take the tokens of commands between % signs out; their closing % stays as a mark."""
    before = np.empty_like(at)
    before[:1] = start - 1
    before[1:] = at[:-1]
    if not pairs:
        return at, code, before, []
    count = len(at)
    opens = np.array([p[0] for p in pairs], np.int64)
    closes = np.array([p[1] for p in pairs], np.int64)
    depth = np.zeros(count + 1, np.int64)
    depth[opens] += 1
    np.subtract.at(depth, closes, 1)
    keep = np.cumsum(depth[:count]) == 0
    # A lost closing % is replaced by the star in front of it, which then ends no other word.
    lost = closes[(closes < count) & (code[np.minimum(closes, count - 1)] == _STAR)]
    keep[lost] = False
    stars_before = np.concatenate(([0], np.cumsum(keep & (code == _STAR))))
    ends = np.append(at, stop)[closes]
    commands = list(
        zip((at[opens] + 1).tolist(), ends.tolist(), stars_before[opens].tolist(), strict=True)
    )
    return at[keep], code[keep], before[keep], commands


def _clean_start(source: Source, at: Ints, before: Ints) -> Bools:
    """Find words with nothing but one line end between them and what is before."""
    gap = at - before
    if not len(gap) or int(gap.max()) == 1:
        return np.ones(len(gap), np.bool_)
    last = source.padded[at + (PAD - 1)]
    line_end = (last == 10) | (last == 13)
    clean: Bools = (gap == 1) | (line_end & (gap == 2))
    if (gap == 3).any():
        second = source.padded[at + (PAD - 2)]
        clean |= line_end & (gap == 3) & ((second == 13) | (second == 10))
    return clean


def _rows(
    source: Source,
    span: tuple[int, int],
    tokens: _Tokens,
    commands: list[tuple[int, int, int]],
    header: Header,
    log: ProblemLog,
) -> Chunk:
    at, code, stars = tokens.at, tokens.code, tokens.stars
    count = len(stars)
    rank = _RANK[code]
    ahead = np.empty_like(rank)
    ahead[:1] = 0
    ahead[1:] = rank[:-1]
    is_letter = rank != 0
    # Letters of a word must come in the order G, X, Y, I, J, D, each once.
    wrong = (is_letter & (rank <= ahead)) | (rank == 255)
    word_of = np.repeat(np.arange(count), np.diff(stars, prepend=-1))
    openings = np.flatnonzero(is_letter & (ahead == 0))
    if tokens.before is not None:
        before = tokens.before[openings]
    else:
        before = at[openings - 1]
        if len(openings) and openings[0] == 0:
            before[0] = span[0] - 1
    wrong[openings[~_clean_start(source, at[openings], before)]] = True
    offset = np.full(count, -1, np.int64)
    offset[word_of[openings[::-1]]] = at[openings[::-1]]
    letters = np.flatnonzero(is_letter)
    first = at[letters]
    first += 1
    value, digits, ok = source.numbers(first, at[letters + 1])
    wrong[letters[~ok]] = True
    slow = offset < 0
    slow[word_of[wrong]] = True
    letter_word = word_of[letters]
    letter_rank = rank[letters]
    columns: dict[str, Ints] = {}
    for number, name in enumerate("GXYIJD", start=1):
        chosen = np.flatnonzero(letter_rank == number)
        column = np.full(count, -1 if name in "GD" else NONE, np.int64)
        if len(chosen):
            got = value[chosen]
            if name in "XYIJ":
                got = header.padded(name, got, digits[chosen], first[chosen], log)
            column[letter_word[chosen]] = got
        columns[name] = column
    spelt = _misspelt(letter_rank, value, digits)
    misspelt = first[spelt[~slow[letter_word[spelt]]]] - 1
    slow |= columns["G"] == 4
    combined = offset[_combined(columns, slow)]
    words: list[tuple[int, int, int]] = []
    rows_slow = np.flatnonzero(slow)
    if len(rows_slow):
        for name, column in columns.items():
            column[rows_slow] = -1 if name in "GD" else NONE
        words = _slow_words(span[0], at, stars, commands, rows_slow, offset)
    x, y, i, j, d, g = (columns[n] for n in "XYIJDG")
    rows = Rows(x, y, i, j, d, g, offset)
    return Chunk(rows, words, commands, span[1], misspelt, combined)


def _combined(columns: dict[str, Ints], slow: Bools) -> Ints:
    """Rows with a G code and something to do besides."""
    coded = np.flatnonzero((columns["G"] >= 0) & ~slow)
    if not len(coded):
        return coded
    g, d = columns["G"][coded], columns["D"][coded]
    busy = d >= 0
    for name in "XYIJ":
        busy |= columns[name][coded] != NONE
    busy &= (g != 54) & (g != 55)
    found: Ints = coded[busy]
    return found


def _misspelt(rank: Bytes, value: Ints, digits: Ints) -> Ints:
    """Letters whose code is not two digits (or has leading zeros beyond that)."""
    is_g = rank == 1
    is_d = rank == 6
    bad = (is_g & (digits != 2)) | (is_d & ((digits < 2) | ((digits > 2) & (value < 100))))
    return np.flatnonzero(bad)


def _slow_words(
    start: int,
    at: Ints,
    stars: Ints,
    commands: list[tuple[int, int, int]],
    rows: Ints,
    offset: Ints,
) -> list[tuple[int, int, int]]:
    """Where the words of ``rows`` start and end; a command between % signs ends what is before."""
    ends = at[stars[rows]]
    starts = np.where(rows > 0, at[stars[rows - 1]] + 1, 0)
    if rows[0] == 0:
        starts[0] = start
    if commands:
        closes = np.array([c[1] for c in commands], np.int64) + 1
        k = np.searchsorted(closes, ends, side="right") - 1
        starts = np.maximum(starts, np.where(k >= 0, closes[np.maximum(k, 0)], start))
    offset[rows] = starts
    return list(zip(starts.tolist(), ends.tolist(), rows.tolist(), strict=True))


COMMENT: Final = "comment"
END: Final = "end"
WORD: Final = "word"

_COMMENT = re.compile(r"\s*[Gg]0*4(?!\d)")
_OLD_ENDS = {
    "0": "(stop) in the place of M02, the end command",
    "1": "(optional stop), which was ignored",
}
_END = re.compile(r"[Mm]0*([012])\Z", re.ASCII)
_PART = re.compile(r"([A-Za-z])([+-]?[0-9.]*)", re.ASCII)
_INTEGER = re.compile(r"[+-]?\d{1,18}\Z", re.ASCII)
_DECIMAL = re.compile(r"[+-]?(?:\d{1,12}\.\d{0,12}|\.\d{1,12})\Z", re.ASCII)
_ORDER: Final = "GXYIJD"


@dataclass(frozen=True, slots=True)
class Word:
    """One word; ``text`` is a comment's text or a command that lost its % signs."""

    kind: str
    text: str = ""
    codes: tuple[int, ...] = ()
    """G codes in front of the last one."""
    xyij: tuple[int, int, int, int] = (NONE, NONE, NONE, NONE)
    d: int = -1
    g: int = -1


_NOTHING = Word(WORD)


def read_word(text: str, header: Header, offset: int, log: ProblemLog) -> Word:
    """Understand ``text`` (without its ``*``) as well as possible."""
    comment = _COMMENT.match(text)
    if comment is not None:
        return Word(COMMENT, text[comment.end() :])
    plain = "".join(text.split())
    if not plain:
        log.add(
            STRAY_TEXT,
            "an empty command: * with nothing before it",
            offset=offset,
            severity=Severity.NOTE,
        )
        return _NOTHING
    if plain != text.strip("\r\n\t \0\x1a"):
        log.add(STRAY_SPACE, "spaces inside a command", offset=offset)
    end = _END.match(plain)
    if end is not None:
        if end[1] == "2":
            return Word(END)
        log.add(OLD_END, f"M0{end[1]} {_OLD_ENDS[end[1]]}", offset=offset)
        return Word(END) if end[1] == "0" else _NOTHING
    if plain[:2].encode("utf-8", "replace") in EXTENDED_CODES:
        log.add(
            UNBALANCED_PERCENT, f"the command {plain[:2]} stands without its % signs", offset=offset
        )
        return Word(WORD, text.strip())
    return _read_parts(plain, header, offset, log)


def _read_parts(plain: str, header: Header, offset: int, log: ProblemLog) -> Word:
    parts = _PART.findall(plain)
    if "".join(a + b for a, b in parts) != plain:
        if any(not 32 <= ord(c) < 127 for c in plain):
            log.add(STRAY_CHARACTER, "characters that no command has", offset=offset)
        else:
            log.add(STRAY_TEXT, f"'{plain[:20]}' is no command", offset=offset)
        return _NOTHING
    if any(letter.upper() not in _ORDER for letter, _ in parts):
        log.add(UNKNOWN_COMMAND, f"'{plain[:20]}' is no command", offset=offset)
        return _NOTHING
    if any(letter.islower() for letter, _ in parts):
        log.add(CODE_SPELLING, "a command in lower-case letters", offset=offset)
    values: dict[str, int] = {}
    codes: list[int] = []
    ranks = []
    for letter, digits in parts:
        name = letter.upper()
        ranks.append(_ORDER.index(name))
        if name in "GD":
            if not digits.isdecimal() or len(digits) > 10:
                log.add(NUMBER_WRONG, f"'{letter}{digits[:12]}' is no code", offset=offset)
                return _NOTHING
            value = int(digits)
        else:
            value = _coordinate(name, digits, header, offset, log)
        if name == "G":
            codes.append(value)
        elif name in values:
            log.add(STRAY_TEXT, f"{name} stands twice in one command", offset=offset)
            return _NOTHING
        else:
            values[name] = value
    if ranks != sorted(ranks):
        log.add(WORD_ORDER, "parts of a command in unusual order", offset=offset)
    return Word(
        WORD,
        codes=tuple(codes[:-1]),
        xyij=(
            values.get("X", NONE),
            values.get("Y", NONE),
            values.get("I", NONE),
            values.get("J", NONE),
        ),
        d=values.get("D", -1),
        g=codes[-1] if codes else -1,
    )


def _coordinate(name: str, digits: str, header: Header, offset: int, log: ProblemLog) -> int:
    """File integer of one coordinate."""
    whole, decimals = header.digits(name)
    if _INTEGER.match(digits):
        count = len(digits.lstrip("+-"))
        value = int(digits)
        padding = max(whole + decimals - count, 0) if header.trailing else 0
        return int(max(-LARGEST, min(LARGEST, value * 10**padding)))
    if _DECIMAL.match(digits):
        log.add(COORDINATE_DECIMAL, f"a coordinate {name} with a decimal point", offset=offset)
        return round(float(digits) * 10.0**decimals)
    if digits.strip("+-"):
        log.add(NUMBER_WRONG, f"'{name}{digits[:24]}' is no coordinate", offset=offset)
    else:
        log.add(
            COORDINATE_EMPTY,
            f"a coordinate {name} without digits",
            offset=offset,
            assumed="taken as 0",
        )
    return 0

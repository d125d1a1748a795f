"""Bytes to rows: every operation word of a chunk at once, everything else handed on in order.

A layer is mostly ``X..Y..D01*``.  Such words are found and their numbers computed with array
operations over the raw bytes (eight digits at a time in one 64-bit integer); only commands
between % signs, comments and words of unusual form are left for Python to look at.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from fabkit.findings import ProblemLog
from fabkit.gerber.problems import NUMBER_RANGE, NUMBER_WIDTH, STRAY_TEXT, UNBALANCED_PERCENT

Ints = NDArray[np.int64]
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


@dataclass(slots=True)
class Source:
    """The bytes of a file, padded so that windows of eight bytes exist around each of them."""

    data: bytes
    padded: Bytes = field(init=False)
    windows: NDArray[np.uint64] = field(init=False)

    def __post_init__(self) -> None:
        size = len(self.data)
        self.padded = np.full(size + 2 * PAD, 48, np.uint8)
        self.padded[PAD : PAD + size] = np.frombuffer(self.data, np.uint8)
        self.windows = np.ndarray(
            (size + 2 * PAD - 7,), "<u8", buffer=self.padded.data, strides=(1,)
        )

    def numbers(self, first: Ints, end: Ints) -> tuple[Ints, Ints, NDArray[np.bool_]]:
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

    def _eight(self, end: Ints, digits: Ints) -> tuple[Ints, NDArray[np.bool_]]:
        """Value of the last ``digits`` (0 to 8) decimal digits in front of each ``end``."""
        word = self.windows[end + (PAD - 8)]
        word ^= _ZEROS
        word &= _KEEP[digits]
        ok = (((word + _OVER_NINE) | word) & _HIGH) == 0
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
class Layout:
    """How coordinates are written, as far as tokens care."""

    width_x: int = 18
    width_y: int = 18
    trailing: bool = False

    def apply(self, letter: int, value: Ints, digits: Ints, offset: Ints, log: ProblemLog) -> Ints:
        """Coordinate values after padding; numbers wider than the format are reported."""
        width = self.width_x if letter in b"XI" else self.width_y
        if len(digits) and int(digits.max()) > width:
            wide = np.flatnonzero(digits > width)
            log.add(
                NUMBER_WIDTH,
                f"numbers of more than {width} digits",
                offset=int(offset[wide[0]]),
                assumed="all their digits count",
                count=len(wide),
            )
        if self.trailing:
            value = value * 10 ** np.clip(width - digits, 0, 18)
        beyond = np.flatnonzero(np.abs(value) > 2**31 - 1)
        if len(beyond):
            log.add(
                NUMBER_RANGE,
                "coordinates beyond 32 bits",
                offset=int(offset[beyond[0]]),
                count=len(beyond),
            )
        return value


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
    short, long
        First offsets of codes with too few or too many digits, or -1; and how many.
    """

    rows: Rows
    words: list[tuple[int, int, int]]
    commands: list[tuple[int, int, int]]
    end: int
    misspelt: Ints
    combined: Ints


def _pairs(
    data: bytes, at: Ints, code: Bytes, end: int, *, final: bool, log: ProblemLog
) -> list[tuple[int, int]]:
    """Indices of opening and closing % among the tokens; -1 for an opening one left open."""
    percents = np.flatnonzero(code == _PERCENT)
    before = np.where(percents > 0, code[percents - 1], _STAR)
    gap = at[percents] - np.where(percents > 0, at[percents - 1], at[percents] - 1)
    at_start = (before == _STAR) | (before == _PERCENT)
    opens, closes = percents[::2], percents[1::2]
    if len(percents) % 2 == 0 and at_start.all() and (gap[1::2] == 1).all():
        return list(zip(opens.tolist(), closes.tolist(), strict=True))
    return _pairs_one_by_one(data, at, percents, at_start, end, final=final, log=log)


def _pairs_one_by_one(
    data: bytes,
    at: Ints,
    percents: Ints,
    at_start: NDArray[np.bool_],
    end: int,
    *,
    final: bool,
    log: ProblemLog,
) -> list[tuple[int, int]]:
    """The same for % signs that do not simply alternate: find back in step at new lines."""
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
    source: Source, start: int, stop: int, layout: Layout, log: ProblemLog
) -> Chunk | None:
    """Read ``data[start:stop]`` up to its last complete command.

    Returns None when not even one command is complete; the caller then asks for more.
    """
    data = source.data
    final = stop >= len(data)
    piece = source.padded[PAD + start : PAD + stop]
    at: Ints = np.flatnonzero((piece >= 65) | (piece == _STAR) | (piece == _PERCENT))
    code = piece[at]
    at = at + start
    commands: list[tuple[int, int, int]] = []
    end = stop
    gap_ok = None
    if (code == _PERCENT).any():
        pairs = _pairs(data, at, code, stop, final=final, log=log)
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
        at, code, gap_ok, commands = _lift_commands(piece, start, at, code, pairs, stop)
    if gap_ok is None:
        gap_ok = _gaps(piece, start, at)
    stars = np.flatnonzero(code == _STAR)
    last = int(stars[-1]) if len(stars) else -1
    if end == stop and not final:
        done = int(at[last]) + 1 if last >= 0 else start
        if commands:
            done = max(done, commands[-1][1] + 1)
        if done == start:
            return None
        end = done
    tail_from = int(at[last]) + 1 if last >= 0 else start
    if commands:
        tail_from = max(tail_from, commands[-1][1] + 1)
    if final and (tail := data[tail_from:end].strip()) and tail != b"%":
        log.add(STRAY_TEXT, "text without its * at the end of the file", offset=tail_from)
    return _rows(
        source, start, at[: last + 1], code[: last + 1], gap_ok, stars, commands, end, layout, log
    )


def _gaps(piece: Bytes, start: int, at: Ints) -> NDArray[np.bool_]:
    """True for each token that follows its predecessor after nothing but one line end."""
    before = np.empty_like(at)
    before[:1] = start - 1
    before[1:] = at[:-1]
    gap = at - before
    last = piece[at - start - 1]
    if len(gap) and at[0] == start:
        last[0] = 10
    line_end = (last == 10) | (last == 13)
    second = piece[at - start - 2]
    two = (gap == 3) & ((second == 13) | (second == 10))
    ok: NDArray[np.bool_] = (gap == 1) | (line_end & ((gap == 2) | two))
    return ok


def _lift_commands(
    piece: Bytes,
    start: int,
    at: Ints,
    code: Bytes,
    pairs: list[tuple[int, int]],
    stop: int,
) -> tuple[Ints, Bytes, NDArray[np.bool_], list[tuple[int, int, int]]]:
    """Take the tokens of commands between % signs out; their closing % stays as a mark."""
    gap_ok = _gaps(piece, start, at)
    count = len(at)
    if not pairs:
        return at, code, gap_ok, []
    opens = np.array([p[0] for p in pairs], np.int64)
    closes = np.array([p[1] for p in pairs], np.int64)
    depth = np.zeros(count + 1, np.int8)
    depth[opens] += 1
    np.subtract.at(depth, closes, 1)
    keep = np.cumsum(depth[:count], dtype=np.int64) == 0
    kept_before = np.concatenate(([0], np.cumsum(keep & (code == _STAR))))
    ends = np.append(at, stop)[closes]
    rows = kept_before[opens]
    commands = list(zip((at[opens] + 1).tolist(), ends.tolist(), rows.tolist(), strict=True))
    return at[keep], code[keep], gap_ok[keep], commands


def _rows(
    source: Source,
    start: int,
    at: Ints,
    code: Bytes,
    gap_ok: NDArray[np.bool_],
    stars: Ints,
    commands: list[tuple[int, int, int]],
    end: int,
    layout: Layout,
    log: ProblemLog,
) -> Chunk:
    count = len(stars)
    rank = _RANK[code]
    before = np.empty_like(rank)
    before[:1] = 0
    before[1:] = rank[:-1]
    is_letter = rank != 0
    opening = is_letter & (before == 0)
    wrong = is_letter & (rank <= before)
    wrong |= rank == 255
    gap_ok = gap_ok[: len(at)]
    wrong |= opening & ~gap_ok
    lengths = np.diff(stars, prepend=-1)
    word_of = np.repeat(np.arange(count), lengths)
    letters = np.flatnonzero(is_letter)
    first = at[letters] + 1
    nexts = at[letters + 1]
    value, digits, ok = source.numbers(first, nexts)
    wrong[letters[~ok]] = True
    # A word may only hold letters, and each directly after star or percent or a number.
    offset = np.full(count, -1, np.int64)
    openings = np.flatnonzero(opening)
    offset[word_of[openings[::-1]]] = at[openings[::-1]]
    slow = np.zeros(count, np.bool_)
    slow[word_of[wrong]] = True
    slow |= offset < 0
    letter_word = word_of[letters]
    letter_rank = rank[letters]
    columns: dict[int, Ints] = {}
    for number, name in enumerate("GXYIJD", start=1):
        chosen = np.flatnonzero(letter_rank == number)
        column = np.full(count, -1 if name in "GD" else NONE, np.int64)
        if len(chosen):
            got = value[chosen]
            if name in "XYIJ":
                got = layout.apply(ord(name), got, digits[chosen], first[chosen], log)
            column[letter_word[chosen]] = got
        columns[number] = column
    spelt = _misspelt(letter_rank, value, digits)
    misspelt = first[spelt[~slow[letter_word[spelt]]]] - 1
    slow |= columns[1] == 4
    combined = np.flatnonzero(~slow & (columns[1] >= 0) & (columns[1] != 4) & _has(columns))
    words: list[tuple[int, int, int]] = []
    rows_slow = np.flatnonzero(slow)
    if len(rows_slow):
        for column in columns.values():
            column[rows_slow] = NONE
        columns[1][rows_slow] = columns[6][rows_slow] = -1
        words = _slow_words(start, at, stars, commands, rows_slow, offset)
    rows = Rows(columns[2], columns[3], columns[4], columns[5], columns[6], columns[1], offset)
    return Chunk(rows, words, commands, end, misspelt, offset[combined])


def _has(columns: dict[int, Ints]) -> NDArray[np.bool_]:
    found: NDArray[np.bool_] = (
        (columns[2] != NONE)
        | (columns[3] != NONE)
        | (columns[4] != NONE)
        | (columns[5] != NONE)
        | ((columns[6] >= 0) & (columns[1] != 54) & (columns[1] != 55))
    )
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

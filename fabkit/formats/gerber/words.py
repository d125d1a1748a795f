"""Words of unusual form: comments, the end, and operations that are not plainly written."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from fabkit.base.findings import ProblemLog, Severity
from fabkit.formats.gerber.header import Header
from fabkit.formats.gerber.problems import (
    CODE_SPELLING,
    COORDINATE_DECIMAL,
    COORDINATE_EMPTY,
    NUMBER_WRONG,
    OLD_END,
    STRAY_CHARACTER,
    STRAY_SPACE,
    STRAY_TEXT,
    UNBALANCED_PERCENT,
    UNKNOWN_COMMAND,
    WORD_ORDER,
)
from fabkit.formats.gerber.tokens import EXTENDED_CODES, LARGEST, NONE

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
    whole, decimals = (
        (header.whole_x, header.decimals_x) if name in "XI" else (header.whole_y, header.decimals_y)
    )
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

"""The text of a sheet: opened within bounds, parsed, and every key with the line it stands in.

A text that is not TOML is read once more, line by line, for the slips that people make (``1,20``,
``20.01.2025``, a key given twice), so that the message can show the right spelling.
"""

from __future__ import annotations

import json
import re
import stat
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Final

from fabkit.base.errors import SheetError, UnreadableInput
from fabkit.base.streams import STANDARD_STREAM, standard_input

KeyPath = tuple[str | int, ...]
"""Keys from the top of a file down; items of a list by index."""

SHEET_BYTES: Final = 2**20
"""Larger than any sheet written by a person; a bound on what is parsed."""
LINE_CHARACTERS: Final = 4_000
"""Longer than any line written by a person; keys of many parts take time with their square."""

_TEXT_KEY: Final = "(text)"
"""Stands for a key where the text is not TOML and the line names none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetText:
    """A parsed TOML file.

    Parameters
    ----------
    data
        As :mod:`tomllib` gives it, with :class:`decimal.Decimal` for numbers with a point.
    file
        Its name in messages.
    lines
        Line of each key, table header and list item, from 1.
    raw
        The bytes of the file; empty where the text did not come from one.
    """

    data: Mapping[str, object]
    file: str
    lines: Mapping[KeyPath, int]
    raw: bytes = b""

    def line(self, path: KeyPath) -> int | None:
        """Line of a key, or of the nearest table around it."""
        while path:
            if path in self.lines:
                return self.lines[path]
            path = path[:-1]
        return None

    def cite(self, path: KeyPath) -> str:
        """Where a key stands: ``order.toml:12 want.keyboards``."""
        line = self.line(path)
        name = Path(self.file).name
        return f"{name}:{line} {dotted(path)}" if line is not None else f"{name} {dotted(path)}"

    def error(
        self, path: KeyPath, message: str, *, expected: str = "", nearest: str = ""
    ) -> SheetError:
        """Make the error to raise about a key, or about the whole file for an empty path."""
        return SheetError(
            message,
            file=self.file,
            line=self.line(path),
            key=dotted(path) or "(file)",
            expected=expected,
            nearest=nearest,
        )


def read_sheet(path: Path) -> SheetText:
    """Read a TOML file; ``-`` is standard input.

    Raises
    ------
    UnreadableInput
        The file is missing, too large or not text.
    SheetError
        The text is not TOML; names the line.
    """
    if path == STANDARD_STREAM:
        data, file = standard_input(most=SHEET_BYTES), "standard input"
    else:
        data, file = sheet_bytes(path), str(path)
    return read_sheet_bytes(data, file=file)


def read_sheet_bytes(data: bytes, *, file: str) -> SheetText:
    """As :func:`read_sheet`, of bytes at hand; ``file`` names them in messages."""
    return parse_sheet(_decoded(data, file), file=file, raw=data)


def read_text(path: Path, *, what: str, most: int = SHEET_BYTES) -> str:
    """Read another text file that the user wrote, such as a ``pin table``.

    Raises
    ------
    UnreadableInput
        As :func:`sheet_bytes`, or it is not UTF-8 text.
    """
    return _decoded(_bytes_of(path, what=what, wanted=what, most=most), str(path))


def sheet_bytes(path: Path) -> bytes:
    """Read the bytes of a sheet: of a plain file, and not more than a sheet may have.

    Raises
    ------
    UnreadableInput
        The file is missing, too large, or a device or pipe.
    """
    return _bytes_of(path, what="sheet", wanted="TOML file", most=SHEET_BYTES)


def _bytes_of(path: Path, *, what: str, wanted: str, most: int) -> bytes:
    hint = f"give the path of a readable {wanted}"
    try:
        # Asked before it is opened: opening a pipe waits for whoever writes into it.
        found = path.stat()
        if not stat.S_ISREG(found.st_mode):
            kind = "a folder" if stat.S_ISDIR(found.st_mode) else "a device or a pipe"
            raise UnreadableInput(f"{path}: is {kind}, not a file", hint=hint)
        with path.open("rb") as stream:
            data = stream.read(most + 1)
    except OSError as error:
        raise UnreadableInput(f"{path}: {error.strerror or error}", hint=hint) from error
    except ValueError as error:  # a name with a null character
        raise UnreadableInput(f"{str(path)[:80]!r}: {error}", hint=hint) from error
    if len(data) > most:
        raise UnreadableInput(
            f"{path}: {found.st_size} bytes is too large for a {what}",
            hint=f"a {what} has at most {most} bytes",
        )
    return data


def _decoded(data: bytes, file: str) -> str:
    hint = "save the file as UTF-8 text"
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise UnreadableInput(f"{file}: is UTF-16 text, not UTF-8", hint=hint)
    if b"\0" in data:
        line = data.count(b"\n", 0, data.index(b"\0")) + 1
        raise UnreadableInput(f"{file}:{line}: holds null bytes: this is not plain text", hint=hint)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise UnreadableInput(
            f"{file}:{line}: not UTF-8 text (byte {error.start})", hint=hint
        ) from error


def parse_sheet(text: str, *, file: str, raw: bytes = b"") -> SheetText:
    """As :func:`read_sheet`, of a text at hand."""
    for number, line in enumerate(text.split("\n"), start=1):
        if len(line) > LINE_CHARACTERS:
            raise SheetError(
                f"a line of {len(line)} characters",
                file=file,
                line=number,
                key=_key_in(line) or _TEXT_KEY,
                expected=f"lines of at most {LINE_CHARACTERS} characters",
            )
    try:
        data = tomllib.loads(text, parse_float=_exact)
    except (ValueError, RecursionError) as error:
        raise _not_toml(text, error, file) from error
    return SheetText(data=data, file=file, lines=key_lines(text), raw=raw)


def _exact(text: str) -> Decimal:
    """Read a number exactly; an exponent beyond what Decimal holds is as good as infinite."""
    try:
        return Decimal(text)
    except InvalidOperation:
        return Decimal("Infinity")


# Slips: what a line that is not TOML was meant to say


def _not_toml(text: str, error: Exception, file: str) -> SheetError:
    """Make the error about a text that is not TOML, with the right spelling of known slips."""
    text = text.replace("\r\n", "\n")
    lines = text.split("\n")
    found = re.search(r"at line (\d+), column (\d+)", str(error))
    # What stands before this place is valid TOML, but for what is given twice.
    valid = text
    if found:
        number = int(found.group(1))
        valid = "\n".join([*lines[: number - 1], lines[number - 1][: int(found.group(2)) - 1]])
    elif "end of document" in str(error):
        number = _opened(lines) or len(text.rstrip().split("\n"))
    else:
        return SheetError(
            f"not valid TOML: {error}",
            file=file,
            line=None,
            key=_TEXT_KEY,
            expected="key = value lines under [table] headers",
        )
    if "Unclosed array" in str(error):
        # It is noticed where the next key begins; the list began above.
        opened = [n for n in range(1, number) if re.search(r"=\s*\[", lines[n - 1])]
        number = opened[-1] if opened else number
    line = lines[number - 1].strip()
    twice = _given_twice(valid, error)
    if twice is not None:
        path, first, number = twice
        return SheetError(
            f"is given twice, in line {first} and in line {number}",
            file=file,
            line=number,
            key=dotted(path),
            expected="it once: keep one of the two lines, under one header",
        )
    message, expected = _slip(line) or (
        f"not valid TOML: {re.sub(r' [(]at .*[)]$', '', str(error))}",
        "key = value lines under [table] headers",
    )
    key = _key_in(line)
    return SheetError(
        message,
        file=file,
        line=number,
        key=dotted((*_table_above(lines[: number - 1]), key)) if key else _TEXT_KEY,
        expected=expected,
    )


def _opened(lines: list[str]) -> int | None:
    """Line, from 1, whose text in quotes runs to the end of the file; None where none does."""
    opened: dict[bool, int] = {}
    for number, line in enumerate(lines, start=1):
        found = re.match(r"""[^#"']*=\s*(\'{3}|"{3}|\'|")(.*)""", line)
        if found is not None and found.group(1) not in found.group(2):
            opened[len(found.group(1)) == 1] = number
    # A text in three quotes may be closed in a later line; one in a single quote may not.
    return opened.get(True, opened.get(False))


def _given_twice(text: str, error: Exception) -> tuple[KeyPath, int, int] | None:
    """Find the key that a text, valid but for it, gives twice, and its two lines."""
    if not str(error).startswith(("Cannot", "Duplicate")):
        return None
    walk = _Walk(text)
    try:
        walk.run()
    except IndexError:  # the text ends within a value
        return None
    return walk.twice[-1] if walk.twice else None


def _key_in(line: str) -> str:
    """Find the key of a line such as ``key = value``; empty when there is none."""
    found = re.match(r"\s*([\w.\"' -]{1,60}?)\s*[=:]", line)
    return found.group(1).strip("\"'") if found else ""


def _table_above(lines: list[str]) -> KeyPath:
    """Path of the table that lines stand in, by the headers above them."""
    headers = [
        (found.group(1) == "[[", found.group(2))
        for line in lines
        if (found := re.match(r"\s*(\[\[?)\s*([\w.-]+)\s*\]", line))
    ]
    if not headers:
        return ()
    double, name = headers[-1]
    return (*name.split("."), headers.count((True, name)) - 1) if double else tuple(name.split("."))


def _slip(line: str) -> tuple[str, str] | None:
    """Say what is wrong with a line and how it is written; None where no slip is known."""
    if line.startswith("{"):
        return "this is JSON, not TOML", "key = value lines under [table] headers"
    if line.startswith("["):
        if line.count("[") == line.count("]"):
            return None
        name = line.strip("[] ")
        marks = ("[[", "]]") if line.startswith("[[") else ("[", "]")
        return f"the header '{line}' is not closed", f"{marks[0]}{name}{marks[1]}"
    if line.startswith(("//", ";", "--", "/*")):
        return "a comment begins with #", f"# {line.lstrip('/;-* ')}"
    found = re.match(r"([^=:]+?)\s*(==|=|:)\s*(.*?)\s*$", line)
    if found is None:
        return "not a key with a value", "key = value"
    key, sign, value = found.groups()
    value = re.sub(r"\s+#.*$", "", value)
    if sign != "=":
        return "a value follows one equals sign", f"{key} = {correction(value) or value}"
    if re.search(r"[*?+/\\]", key) and not key.startswith(('"', "'")):
        return f"'{key}' has signs that a key may only have in quotes", f'"{key}" = {value}'
    if re.search(r"\s", key) and not key.startswith(('"', "'")):
        return f"'{key}' is not one word", f"{'_'.join(key.split())} = ..."
    if not value:
        return "no value", f"{key} = value, or # before the line to leave it out"
    right = correction(value)
    if right is not None:
        return f"cannot read {value}", right
    return _value_slip(value)


def _value_slip(value: str) -> tuple[str, str] | None:
    """Say what is wrong with a value that is no plain word or number."""
    if re.fullmatch(rf"{_NUMBER}(?:\s*[,;]\s+{_NUMBER})+", value):
        return f"cannot read {value}", f"[{', '.join(re.findall(_NUMBER, value))}], in brackets"
    if "\\" in value and value.startswith('"'):
        return "a backslash has a special meaning in double quotes", (
            f"'{value.strip(chr(34))}', in single quotes, or / in place of \\"
        )
    if value[0] in "\"'" and value.count(value[0]) == 1:
        return "the text is not closed", value + value[0]
    if value[0] in "[{" and (mended := _mended(value)) != value:
        return f"cannot read {value}", mended
    if value[0] == "[" and value.count("[") > value.count("]"):
        return "the list is not closed", "] behind its last item"
    if re.fullmatch(r"\d{4}-\d\d-\d\d", value):
        return f"there is no day {value}", "a day of the calendar, such as 2025-03-31"
    if value.startswith("''") and value.endswith("''"):
        return f"cannot read {value}", f'"{value.strip(chr(39))}", in double quotes'
    return None


def _mended(value: str) -> str:
    """Write a list or an inline table with commas between items, points in numbers, "quotes"."""
    mended = re.sub(rf"[{_QUOTES}]", '"', value)
    mended = mended.replace(";", ",")
    # A comma between two digits without a blank is a decimal one: lists are written with blanks.
    return re.sub(r"(?<==\s)(\d+),(\d+)|(?<==)(\d+),(\d+)", _with_point, mended)


def _with_point(found: re.Match[str]) -> str:
    whole, part = (found.group(1), found.group(2)) if found.group(1) else found.groups()[2:]
    return f"{whole}.{part}"


_QUOTES: Final = "\u201c\u201d\u201e\u2018\u2019\u00ab\u00bb"
_UNIT: Final = r"(?:mm|cm|in|mil|um|\u00b5m|g|kg|oz|pcs|x|cu|[A-Z]{3}|[\u20ac$\u00a3\u00a5])"
_NUMBER: Final = r"\d+(?:\.\d+)?"


def correction(value: str) -> str | None:
    """How a value would be written in TOML; None when nothing better is known.

    >>> correction("1,20"), correction("20.01.2025"), correction("20 %"), correction("yes")
    ('1.20, with a point', '2025-01-20, year first', '0.2, as a share', 'true')
    """
    if value.endswith((";", ",")):
        value = value[:-1].rstrip()
        return correction(value) or value or None
    if value[:1] in _QUOTES and value[:1]:
        return f'"{value.strip(_QUOTES)}", in straight quotes'
    day = _day(value)
    if day is not None:
        return f"{day.isoformat()}, year first"
    if re.fullmatch(r"-?\d{1,3}(?:[.' ]\d{3})*,\d+|-?\d+,\d+", value):
        return re.sub(r"[.' ]", "", value).replace(",", ".") + ", with a point"
    if re.fullmatch(r"-?\d{1,3}(?:[ ']\d{3})+(?:\.\d+)?|-?\d{1,3}(?:,\d{3}){2,}", value):
        return re.sub(r"[ ',]", "", value)
    if found := re.fullmatch(rf"({_NUMBER})\s*%", value):
        return f"{(Decimal(found.group(1)) / 100).normalize():f}, as a share"
    if found := re.fullmatch(rf"({_NUMBER})\s*{_UNIT}|{_UNIT}\s*({_NUMBER})", value):
        return f"{found.group(1) or found.group(2)}, the number alone"
    if re.fullmatch(r"-?\.\d+", value):
        return value.replace(".", "0.")
    if re.fullmatch(r"-?\d+\.", value):
        return f"{value}0"
    if found := re.fullmatch(r"0+(\d+(?:\.\d+)?)", value):
        return found.group(1)
    word = value.casefold()
    if word in ("true", "yes", "on", "false", "no", "off"):
        return "true" if word in ("true", "yes", "on") else "false"
    if word in ("none", "null", "nil", "~"):
        return "nothing: leave the key out"
    if re.fullmatch(r"[^\W\d][\w ./-]*", value):
        return f'"{value}", in quotes'
    return None


def _day(value: str) -> date | None:
    """Find the day that a text names in another order or without leading zeros."""
    found = re.fullmatch(r"(\d{1,4})([-./])(\d{1,2})\2(\d{1,4})", value)
    if found is None:
        return None
    first, middle, last = (int(found.group(k)) for k in (1, 3, 4))
    # With points the day is first; with slashes either may be, so only what is certain is proposed.
    orders = [(first, middle, last), (last, middle, first)]
    if found.group(2) == "/":
        orders.append((last, first, middle))
    days = []
    for year, month, day in orders:
        try:
            days += [date(year, month, day)] if year >= 1000 else []
        except ValueError:
            continue
    return days[0] if len(set(days)) == 1 else None


# Lines of keys

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_SCALAR_END = re.compile(r"[,\]}#\n]")
_BLANK = " \t"


class _Walk:
    """One pass over the text; ``lines`` maps paths (array items by index) to line numbers."""

    def __init__(self, text: str) -> None:
        self.text = text.replace("\r\n", "\n")
        self.at = 0
        self.lines: dict[KeyPath, int] = {}
        self._line = 1
        self._counted = 0
        self._items: dict[KeyPath, int] = {}
        self._stated: dict[KeyPath, int] = {}
        self.twice: list[tuple[KeyPath, int, int]] = []
        """Keys and tables stated twice, with both lines; none in valid TOML."""

    def run(self) -> dict[KeyPath, int]:
        base: KeyPath = ()
        while self._skip_filler():
            began = self.at
            if self.text[self.at] == "[":
                base = self._header()
            else:
                self._pair(base)
            if self.at == began:  # not TOML; in valid text every statement has a length
                break
        return self.lines

    def _here(self) -> int:
        self._line += self.text.count("\n", self._counted, self.at)
        self._counted = self.at
        return self._line

    def _skip(self, chars: str) -> None:
        while self.at < len(self.text) and self.text[self.at] in chars:
            self.at += 1

    def _skip_filler(self) -> bool:
        """Go over white space, line ends and comments; False at the end of the text."""
        while self.at < len(self.text):
            if self.text[self.at] in " \t\n":
                self.at += 1
            elif self.text[self.at] == "#":
                end = self.text.find("\n", self.at)
                self.at = len(self.text) if end < 0 else end
            else:
                return True
        return False

    def _header(self) -> KeyPath:
        double = self.text.startswith("[[", self.at)
        self.at += 2 if double else 1
        self._skip(_BLANK)
        line = self._here()
        path: KeyPath = ()
        keys = self._keys()
        for depth, key in enumerate(keys):
            path += (key,)
            if double and depth == len(keys) - 1:
                self.lines.setdefault(path, line)
                self._items[path] = self._items.get(path, -1) + 1
            if path in self._items:
                path += (self._items[path],)
        self.lines.setdefault(path, line)
        if not double:
            self._state(path, line)
        self._skip(" \t]")
        return path

    def _state(self, path: KeyPath, line: int) -> None:
        if path in self._stated:
            self.twice.append((path, self._stated[path], line))
        self._stated.setdefault(path, line)

    def _keys(self) -> list[str]:
        keys = []
        while True:
            self._skip(_BLANK)
            if self.text[self.at] in "\"'":
                start = self.at
                self._string()
                keys.append(self.text[start + 1 : self.at - 1])
            else:
                found = _BARE.match(self.text, self.at)
                if found is None:
                    return keys
                keys.append(found.group())
                self.at = found.end()
            self._skip(_BLANK)
            if self.at >= len(self.text) or self.text[self.at] != ".":
                return keys
            self.at += 1

    def _pair(self, base: KeyPath) -> None:
        line = self._here()
        path = base
        for key in self._keys():
            path += (key,)
            self.lines.setdefault(path, line)
        self._state(path, line)
        self._skip(_BLANK + "=")
        self._value(path)

    def _value(self, path: KeyPath) -> None:
        opening = self.text[self.at]
        if opening in "\"'":
            self._string()
        elif opening in "[{":
            self.at += 1
            index = 0
            while self._skip_filler() and self.text[self.at] not in "]}":
                if self.text[self.at] == ",":
                    self.at += 1
                elif opening == "{":
                    self._pair(path)
                else:
                    self.lines[(*path, index)] = self._here()
                    self._value((*path, index))
                    index += 1
            self.at += 1
        else:
            end = _SCALAR_END.search(self.text, self.at)
            self.at = end.start() if end else len(self.text)

    def _string(self) -> None:
        mark = self.text[self.at]
        triple = mark * 3
        if self.text.startswith(triple, self.at):
            self.at += 3
            while not self.text.startswith(triple, self.at):
                self.at += 2 if self.text[self.at] == "\\" and mark == '"' else 1
            self.at += 3
            self._skip(mark)  # up to two more marks may belong to the text
            return
        self.at += 1
        while self.text[self.at] != mark:
            self.at += 2 if mark == '"' and self.text[self.at] == "\\" else 1
        self.at += 1


def key_lines(text: str) -> dict[KeyPath, int]:
    r"""Find the line (from 1) of every key, table header and array item of a valid TOML text.

    >>> key_lines('a = 1\n[[b]]\nc = [\n  {d = 2},\n]\n')[("b", 0, "c", 0, "d")]
    4
    """
    return _Walk(text).run()


def dotted(path: KeyPath) -> str:
    """Write a path as the user would say it: ``rates.area[2].price``.

    >>> dotted(("rates", "area", 1, "price"))
    'rates.area[2].price'
    """
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            text += f".{part}" if text else part
    return text


def to_literal(value: object) -> str:
    r"""Write a text, a number, or a list of them as TOML 1.0.0; all of JSON's escapes are TOML's.

    >>> to_literal("a\"b"), to_literal([1.5, "x"])
    ('"a\\"b"', '[1.5, "x"]')
    """
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")

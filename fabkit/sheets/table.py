"""Reading our own TOML files: every wrong key, type or value is named with its line."""

from __future__ import annotations

import difflib
import re
import stat
import tomllib
from collections.abc import Iterable, Mapping
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any, TypeVar

from fabkit.base.errors import SheetError, UnreadableInput
from fabkit.base.streams import STANDARD_STREAM, standard_input
from fabkit.sheets.toml_lines import Path as KeyPath
from fabkit.sheets.toml_lines import dotted, key_lines

T = TypeVar("T")

SHEET_BYTES = 2**20
"""Larger than any sheet written by a person; a bound on what is parsed."""
LINE_CHARACTERS = 4_000
"""Longer than any line written by a person; keys of many parts take time with their square."""
MOST = 10**12
"""Larger than any whole number in a sheet: exact arithmetic takes time with the digits."""
_DIGITS = 30
"""Before and behind the point of a number, more than any price or measure has."""


class _Required:
    """Default of a key that must be there."""


REQUIRED = _Required()


def read_sheet(path: Path) -> Table:
    """Read a TOML file into a :class:`Table`; ``-`` is standard input.

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
    table = parse_sheet(_decoded(data, path), file=file)
    table.raw = data
    return table


def sheet_bytes(path: Path) -> bytes:
    """The bytes of a sheet, of a plain file and not more than a sheet may have.

    Raises
    ------
    UnreadableInput
        The file is missing, too large, or a device or pipe.
    """
    hint = "give the path of a readable TOML file"
    try:
        found = path.stat()
        if not stat.S_ISREG(found.st_mode):
            kind = "a folder" if stat.S_ISDIR(found.st_mode) else "a device or a pipe"
            raise UnreadableInput(f"{path}: is {kind}, not a file", hint=hint)
        with path.open("rb") as stream:
            data = stream.read(SHEET_BYTES + 1)
    except OSError as error:
        raise UnreadableInput(f"{path}: {error.strerror or error}", hint=hint) from error
    except ValueError as error:  # a name with a null character
        raise UnreadableInput(f"{str(path)[:80]!r}: {error}", hint=hint) from error
    if len(data) > SHEET_BYTES:
        raise UnreadableInput(
            f"{path}: {found.st_size} bytes is too large for a sheet",
            hint=f"a sheet has at most {SHEET_BYTES} bytes",
        )
    return data


def _decoded(data: bytes, path: Path) -> str:
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise UnreadableInput(
            f"{path}: not UTF-8 text (byte {error.start})", hint="save the file as UTF-8 text"
        ) from error


def parse_sheet(text: str, *, file: str) -> Table:
    """As :func:`read_sheet`, of a text at hand."""
    for number, line in enumerate(text.split("\n"), start=1):
        if len(line) > LINE_CHARACTERS:
            raise SheetError(
                f"a line of {len(line)} characters",
                file=file,
                line=number,
                key="(text)",
                expected=f"lines of at most {LINE_CHARACTERS} characters",
            )
    try:
        data = tomllib.loads(text, parse_float=Decimal)
    except (ValueError, RecursionError) as error:  # a number of 5000 digits is a ValueError
        found = re.search(r"at line (\d+)", str(error))
        raise SheetError(
            f"not valid TOML: {error}",
            file=file,
            line=int(found.group(1)) if found else None,
            key="(text)",
            expected="key = value lines under [table] headers",
        ) from error
    return Table(data, file=file, lines=key_lines(text))


class Table:
    """A TOML table with types checked as they are asked for.

    Ask for every key the table may have, then call :meth:`done`: what was never asked for is
    unknown and is reported with its nearest neighbour.
    """

    def __init__(
        self,
        data: Mapping[str, Any],
        *,
        file: str,
        lines: Mapping[KeyPath, int],
        path: KeyPath = (),
    ) -> None:
        self.data = data
        self.file = file
        self.lines = lines
        self.path = path
        self.raw = b""
        """The bytes of the whole file, where there is one."""
        self._asked: set[str] = set()

    def line(self, key: str | int | None = None) -> int | None:
        """Line of a key, else of the nearest table around it."""
        path = self.path if key is None else (*self.path, key)
        while path:
            if path in self.lines:
                return self.lines[path]
            path = path[:-1]
        return None

    def error(
        self, key: str | None, message: str, *, expected: str = "", nearest: str = ""
    ) -> SheetError:
        """The error to raise about a key (or about the table itself)."""
        path = self.path if key is None else (*self.path, key)
        return SheetError(
            message,
            file=self.file,
            line=self.line(key),
            key=dotted(path) or "(file)",
            expected=expected,
            nearest=nearest,
        )

    def __contains__(self, key: str) -> bool:
        return key in self.data

    def keys(self) -> tuple[str, ...]:
        """Keys in file order."""
        return tuple(self.data)

    def done(self) -> None:
        """Refuse keys that nobody asked for."""
        for key in self.data:
            if key not in self._asked:
                near = difflib.get_close_matches(key, sorted(self._asked), n=1, cutoff=0.5)
                raise self.error(
                    key,
                    "unknown key",
                    expected="one of " + ", ".join(sorted(self._asked)),
                    nearest=near[0] if near else "",
                )

    def _raw(self, key: str, default: object, expected: str) -> Any:
        self._asked.add(key)
        if key in self.data:
            return self.data[key]
        if default is not REQUIRED:
            return None
        unknown = [k for k in self.data if k not in self._asked]
        near = difflib.get_close_matches(key, unknown, n=1, cutoff=0.7)
        if near:
            raise self.error(near[0], "unknown key", expected=expected, nearest=key)
        raise self.error(key, "missing", expected=expected)

    def text(
        self, key: str, default: Any = REQUIRED, *, choices: Iterable[str] | None = None
    ) -> Any:
        """Text; one of ``choices`` when given."""
        names = tuple(choices) if choices is not None else ()
        expected = "one of " + ", ".join(names) if names else "text in quotes"
        value = self._raw(key, default, expected)
        if value is None:
            return default
        if not isinstance(value, str):
            raise self.error(key, f"{value!r} is not text", expected=expected)
        if names and value not in names:
            near = difflib.get_close_matches(value, names, n=1)
            raise self.error(
                key, f"'{value}' is not known", expected=expected, nearest=near[0] if near else ""
            )
        return value

    def flag(self, key: str, default: Any = REQUIRED) -> Any:
        """True or false."""
        value = self._raw(key, default, "true or false")
        if value is None:
            return default
        if not isinstance(value, bool):
            raise self.error(key, f"{value!r} is not true or false", expected="true or false")
        return value

    def decimal(
        self,
        key: str,
        default: Any = REQUIRED,
        *,
        least: Decimal | int | None = None,
        most: Decimal | int | None = None,
        above: Decimal | int | None = None,
    ) -> Any:
        """An exact number (Decimal)."""
        expected = _span("a number", least, most, above)
        value = self._raw(key, default, expected)
        return default if value is None else self._number(key, value, expected, least, most, above)

    def number(self, key: str, default: Any = REQUIRED, **bounds: Any) -> Any:
        """A number as float."""
        value = self.decimal(key, default, **bounds)
        return value if value is default else float(value)

    def integer(
        self,
        key: str,
        default: Any = REQUIRED,
        *,
        least: int | None = None,
        most: int | None = None,
    ) -> Any:
        """A whole number."""
        expected = _span("a whole number", least, most, None)
        value = self._raw(key, default, expected)
        if value is None:
            return default
        if isinstance(value, bool) or not isinstance(value, int):
            raise self.error(key, f"{value} is not a whole number", expected=expected)
        if least is not None and value < least:
            raise self.error(key, f"{value} is too small", expected=expected)
        if abs(value) > (MOST if most is None else most):
            raise self.error(
                key, "too large", expected=_span("a whole number", least, most or MOST, None)
            )
        return value

    def date(self, key: str, default: Any = REQUIRED) -> Any:
        """A date, written 2025-03-31 without quotes."""
        expected = "a date such as 2025-03-31, without quotes"
        value = self._raw(key, default, expected)
        if value is None:
            return default
        if type(value) is not date:
            raise self.error(key, f"{value!r} is not a date", expected=expected)
        return value

    def decimals(self, key: str, default: Any = REQUIRED, **bounds: Any) -> tuple[Decimal, ...]:
        """A list of exact numbers."""
        expected = "a list of numbers, such as [0.8, 1.6]"
        value = self._raw(key, default, expected)
        if value is None:
            return tuple(default)
        if not isinstance(value, list):
            raise self.error(key, f"{value!r} is not a list", expected=expected)
        span = _span("numbers", bounds.get("least"), bounds.get("most"), bounds.get("above"))
        return tuple(self._number(key, v, span, **bounds) for v in value)

    def integers(
        self,
        key: str,
        default: Any = REQUIRED,
        *,
        least: int | None = None,
        most: int = MOST,
    ) -> tuple[int, ...]:
        """A list of whole numbers."""
        values = self.decimals(key, default, least=least, most=most)
        for value in values:
            if value != int(value):
                raise self.error(key, f"{value} is not a whole number", expected="whole numbers")
        return tuple(int(v) for v in values)

    def texts(
        self, key: str, default: Any = REQUIRED, *, choices: Iterable[str] | None = None
    ) -> tuple[str, ...]:
        """A list of texts."""
        names = tuple(choices) if choices is not None else ()
        expected = "a list of texts" + (f" out of {', '.join(names)}" if names else "")
        value = self._raw(key, default, expected)
        if value is None:
            return tuple(default)
        if not isinstance(value, list) or not all(isinstance(v, str) for v in value):
            raise self.error(key, f"{value!r} is not a list of texts", expected=expected)
        for item in value:
            if names and item not in names:
                near = difflib.get_close_matches(item, names, n=1)
                raise self.error(
                    key,
                    f"'{item}' is not known",
                    expected=expected,
                    nearest=near[0] if near else "",
                )
        return tuple(value)

    def decimals_by_name(self, **bounds: Any) -> dict[str, Decimal]:
        """Exact numbers under names that the user chooses."""
        return {name: self.decimal(name, **bounds) for name in self.data}

    def texts_by_name(self) -> dict[str, str]:
        """Texts under names that the user chooses."""
        return {name: self.text(name) for name in self.data}

    def table(self, key: str, default: Any = REQUIRED) -> Table:
        """A table below this one; an empty one when it may be missing and is."""
        value = self._raw(key, default, f"a table [{dotted((*self.path, key))}]")
        if value is None:
            value = {}
        return self._below(key, value)

    def tables(self, key: str, default: Any = REQUIRED) -> tuple[Table, ...]:
        """A list of tables, ``[[key]]``."""
        expected = f"tables [[{dotted((*self.path, key))}]]"
        value = self._raw(key, default, expected)
        if value is None:
            return ()
        if not isinstance(value, list) or not all(isinstance(v, dict) for v in value):
            raise self.error(key, "not a list of tables", expected=expected)
        path = (*self.path, key)
        return tuple(
            Table(v, file=self.file, lines=self.lines, path=(*path, i)) for i, v in enumerate(value)
        )

    def named(self, key: str, default: Any = REQUIRED) -> dict[str, Table]:
        """Tables below this one by their name, ``[key.name]``."""
        around = self.table(key, default)
        return {name: around.table(name) for name in around.data}

    def _below(self, key: str, value: object) -> Table:
        if not isinstance(value, dict):
            raise self.error(
                key, f"{value!r} is not a table", expected=f"a table [{dotted((*self.path, key))}]"
            )
        return Table(value, file=self.file, lines=self.lines, path=(*self.path, key))

    def _number(
        self,
        key: str,
        value: object,
        expected: str,
        least: Decimal | int | None = None,
        most: Decimal | int | None = None,
        above: Decimal | int | None = None,
    ) -> Decimal:
        if isinstance(value, bool) or not isinstance(value, int | Decimal):
            raise self.error(key, f"{value!r} is not a number", expected=expected)
        number = Decimal(value)
        if not number.is_finite():
            raise self.error(key, f"{value} is not a finite number", expected=expected)
        if number and (number.adjusted() < -_DIGITS or len(number.as_tuple().digits) > _DIGITS):
            raise self.error(key, f"more than {_DIGITS} digits", expected=expected)
        if number and number.adjusted() > _DIGITS:
            raise self.error(key, "too large", expected=_span(expected, None, most or MOST, None))
        if least is not None and number < least:
            word = "negative" if number < 0 <= least else "too small"
            raise self.error(key, f"{number} is {word}", expected=expected)
        if above is not None and number <= above:
            raise self.error(key, f"{number} is too small", expected=expected)
        if most is not None and number > most:
            raise self.error(key, f"{number} is too large", expected=expected)
        return number


def _span(what: str, least: object, most: object, above: object) -> str:
    if least is not None and most is not None:
        return f"{what} from {least} to {most}"
    if least is not None:
        return f"{what} of at least {least}"
    if above is not None and most is not None:
        return f"{what} above {above}, at most {most}"
    if above is not None:
        return f"{what} above {above}"
    return f"{what} of at most {most}" if most is not None else what

"""In which line of a TOML text each key stands, so that a message can point at it.

The text has been accepted by :mod:`tomllib` before; this walk only counts lines, so it need not
judge anything.
"""

from __future__ import annotations

import re

Path = tuple[str | int, ...]

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_SCALAR_END = re.compile(r"[,\]}#\n]")
_BLANK = " \t"


class _Walk:
    """One pass over the text; ``lines`` maps paths (array items by index) to line numbers."""

    def __init__(self, text: str) -> None:
        self.text = text.replace("\r\n", "\n")
        self.at = 0
        self.lines: dict[Path, int] = {}
        self._line = 1
        self._counted = 0
        self._items: dict[Path, int] = {}

    def run(self) -> dict[Path, int]:
        base: Path = ()
        while self._skip_filler():
            if self.text[self.at] == "[":
                base = self._header()
            else:
                self._pair(base)
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

    def _header(self) -> Path:
        double = self.text.startswith("[[", self.at)
        self.at += 2 if double else 1
        self._skip(_BLANK)
        line = self._here()
        path: Path = ()
        keys = self._keys()
        for depth, key in enumerate(keys):
            path += (key,)
            if double and depth == len(keys) - 1:
                self.lines.setdefault(path, line)
                self._items[path] = self._items.get(path, -1) + 1
            if path in self._items:
                path += (self._items[path],)
        self.lines.setdefault(path, line)
        self._skip(" \t]")
        return path

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

    def _pair(self, base: Path) -> None:
        line = self._here()
        path = base
        for key in self._keys():
            path += (key,)
            self.lines.setdefault(path, line)
        self._skip(_BLANK + "=")
        self._value(path)

    def _value(self, path: Path) -> None:
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
                self.at += 2 if mark == '"' and self.text[self.at] == "\\" else 1
            self.at += 3
            self._skip(mark)  # up to two more marks may belong to the text
            return
        self.at += 1
        while self.text[self.at] != mark:
            self.at += 2 if mark == '"' and self.text[self.at] == "\\" else 1
        self.at += 1


def key_lines(text: str) -> dict[Path, int]:
    """Line (from 1) of every key, table header and array item of a valid TOML text.

    >>> key_lines('a = 1\\n[[b]]\\nc = [\\n  {d = 2},\\n]\\n')[("b", 0, "c", 0, "d")]
    4
    """
    return _Walk(text).run()


def dotted(path: Path) -> str:
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

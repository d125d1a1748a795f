"""The attribute dictionary (section 5): what TF, TA, TO and TD leave attached to things."""

from __future__ import annotations

import re
from collections.abc import Callable

from fabkit.base.findings import Rule
from fabkit.formats.gerber.model import Attributes
from fabkit.formats.gerber.problems import (
    ATTRIBUTE_DELETE,
    ATTRIBUTE_ESCAPE,
    ATTRIBUTE_KIND,
    ATTRIBUTE_NAME,
    ATTRIBUTE_REPEATED,
)

_NAME = re.compile(r"[._$A-Za-z][._$A-Za-z0-9]{0,126}\Z", re.ASCII)
_STANDARD = re.compile(r"\.[_$A-Za-z]", re.ASCII)
_ESCAPE = re.compile(r"\\(?:u([0-9A-Fa-f]{4})|U([0-9A-Fa-f]{8})|)")
_KINDS = {"F": "files", "A": "apertures", "O": "objects"}

Note = Callable[[Rule, str], None]


def unescape(text: str) -> tuple[str, bool]:
    r"""Replace ``\uXXXX`` and ``\UXXXXXXXX`` (section 3.4.3); False when one is broken.

    >>> unescape(r"10\u00B5F\u002C X7R")
    ('10µF, X7R', True)
    """
    whole = True

    def put(match: re.Match[str]) -> str:
        nonlocal whole
        digits = match[1] or match[2]
        value = int(digits, 16) if digits else -1
        if not 0 <= value <= 0x10FFFF or 0xD800 <= value < 0xE000:
            whole = False
            return match[0]
        return chr(value)

    return _ESCAPE.sub(put, text), whole


class Dictionary:
    """Attributes in force, and the interned sets that objects point to.

    Attributes
    ----------
    file
        File attributes.
    object_sets, aperture_sets
        Distinct contents met so far; index 0 is the empty one.
    """

    def __init__(self) -> None:
        self.file: dict[str, tuple[str, ...]] = {}
        self.object_sets: list[Attributes] = [{}]
        self.aperture_sets: list[Attributes] = [{}]
        self.file_offsets: dict[str, int] = {}
        self._object: dict[str, tuple[str, ...]] = {}
        self._aperture: dict[str, tuple[str, ...]] = {}
        self._object_ids: dict[tuple[tuple[str, tuple[str, ...]], ...], int] = {(): 0}
        self._aperture_ids: dict[tuple[tuple[str, tuple[str, ...]], ...], int] = {(): 0}
        self._kinds: dict[str, str] = {}
        self._parsed: dict[str, tuple[str, tuple[str, ...]]] = {}

    def object_id(self) -> int:
        """Index of the present object attributes in :attr:`object_sets`."""
        key = tuple(self._object.items())
        found = self._object_ids.get(key)
        if found is None:
            found = self._object_ids[key] = len(self.object_sets)
            self.object_sets.append(dict(key))
        return found

    def aperture_id(self) -> int:
        """Index of the present aperture attributes in :attr:`aperture_sets`."""
        key = tuple(self._aperture.items())
        found = self._aperture_ids.get(key)
        if found is None:
            found = self._aperture_ids[key] = len(self.aperture_sets)
            self.aperture_sets.append(dict(key))
        return found

    def set(self, kind: str, text: str, offset: int, note: Note) -> None:
        """Obey TF, TA or TO (``kind`` is F, A or O) with ``name,field,...``."""
        parsed = self._parsed.get(text)
        if parsed is None:
            parsed = self._parse(text, note)
            if len(self._parsed) < 100_000:
                self._parsed[text] = parsed
        name, fields = parsed
        if self._kinds.setdefault(name, kind) != kind:
            note(
                ATTRIBUTE_KIND,
                f"{name} is used for {_KINDS[self._kinds[name]]} and for {_KINDS[kind]}",
            )
        if kind == "F":
            if name in self.file:
                same = "with the same value" if self.file[name] == fields else "with another value"
                note(ATTRIBUTE_REPEATED, f"{name} is given again {same}")
            else:
                self.file[name] = fields
                self.file_offsets[name] = offset
            return
        # Replacing moves the name to the end only if it was removed first; order is kept
        # so that equal contents reached the same way share one set.
        (self._aperture if kind == "A" else self._object)[name] = fields

    def _parse(self, text: str, note: Note) -> tuple[str, tuple[str, ...]]:
        name, *fields = text.split(",")
        name = name.strip()
        if not _NAME.match(name) or (name[:1] == "." and not _STANDARD.match(name)):
            note(ATTRIBUTE_NAME, f"'{name[:40]}' is no attribute name")
        if "\\" in text:
            for k, value in enumerate(fields):
                fields[k], whole = unescape(value)
                if not whole:
                    note(ATTRIBUTE_ESCAPE, f"broken escape in {name}")
        return name, tuple(fields)

    def delete(self, text: str, note: Note) -> None:
        """Obey TD: forget one name, or everything but file attributes."""
        name, *fields = text.strip().split(",")
        if fields:
            note(ATTRIBUTE_DELETE, f"TD of {name} has fields")
        if not name:
            self._object.clear()
            self._aperture.clear()
            return
        found = self._object.pop(name, None)
        if found is None and self._aperture.pop(name, None) is None:
            note(ATTRIBUTE_DELETE, f"{name} is deleted, but is not set")

"""Places of findings as code hosts want them: a file of the repository and a line in it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any, Final

Record = dict[str, Any]

GROUPS: Final = {
    "mask": "solder mask",
    "legend": "legend",
    "paste": "paste",
    "hole": "drill",
    "drill": "drill",
    "profile": "profile",
    "outline": "profile",
}
"""Kind of file that shows what rules of a group are about; copper for all others."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SourcePlace:
    """A file and a line.

    Parameters
    ----------
    path
        Relative to the repository when the package lies in one, else to the package; ``/``.
    line
        From 1; 1 where the finding is about the board or the whole file.
    column
        From 1, in characters; None where it is not known.
    text
        What is at the place, for people.
    """

    path: str
    line: int
    column: int | None
    text: str


class SourcePlaces:
    """Finds the file and line of each place of a verdict.

    Parameters
    ----------
    check
        As made by :func:`fabkit.outputs.records.check_record`.
    """

    def __init__(self, check: Record) -> None:
        package = check["package"]
        self._files = package["files"]
        self._fold = find_prefix(package["source"])
        self.in_repository = self._fold is not None
        self._archive = Path(package["source"]).is_file()

    def of(self, finding: Record) -> list[SourcePlace]:
        """Every place of a finding; one for the whole package where it has none."""
        return [self._place(p, finding["id"]) for p in finding["places"] or [{"text": ""}]]

    def _place(self, place: Record, rule: str) -> SourcePlace:
        name = place.get("file") or self._shown_in(rule, place.get("side"))
        line = place.get("line")
        # Columns count bytes; they are characters only where the line is plain.
        plain = line is not None and place.get("excerpt", "").isascii()
        packed = self._archive and self.in_repository
        return SourcePlace(
            path=self._path(name),
            line=1 if packed or line is None else line,
            column=place.get("column") if plain and not packed else None,
            text=place["text"],
        )

    def _path(self, name: str) -> str:
        if self._fold is None:
            return name
        return self._fold if self._archive else f"{self._fold}/{name}".lstrip("/")

    def _shown_in(self, rule: str, side: str | None) -> str:
        """The file in which a place of the board can be seen."""
        kind = GROUPS.get(rule.split("/")[0], "copper")

        def fitness(file: Mapping[str, Any]) -> tuple[bool, bool, bool]:
            return file["kind"] == kind, file["side"] == side, file["kind"] == "profile"

        return str(max(self._files, key=fitness)["name"])


def find_prefix(source: str) -> str | None:
    """Path of a package from the root of the repository that holds it; None outside of one."""
    path = Path(source).resolve()
    for folder in path.parents if path.exists() else ():
        if (folder / ".git").exists():
            return path.relative_to(folder).as_posix()
    return None


class Fingerprints:
    """Marks by which a finding is known again when lines move; repeats are numbered."""

    def __init__(self) -> None:
        self._seen: dict[str, int] = {}

    def of(self, finding: Record) -> str:
        """The mark of a finding: its rule, where it was first seen, and how often before."""
        place = finding["places"][0] if finding["places"] else {}
        spot = [f"{place[k]:.1f}" for k in ("x_mm", "y_mm") if k in place]
        parts = (finding["id"], place.get("file"), place.get("side"), *spot, place.get("excerpt"))
        mark = sha256("|".join(str(p or "") for p in parts).encode("utf-8", "replace")).hexdigest()
        number = self._seen[mark] = self._seen.get(mark, 0) + 1
        return f"{mark[:32]}:{number}"

"""A package of files in memory, what each file is, and where pads, holes, tracks and edges lie."""

from __future__ import annotations

import io
import re
import zipfile
from collections import defaultdict
from dataclasses import dataclass
from functools import cached_property
from math import hypot
from pathlib import Path

from yardstick.drill_text import DrillText, Hit, read_drill
from yardstick.gerber_text import GerberText, Mark, Unfit, read_gerber

SIDES = ("top", "bottom")
Point = tuple[float, float]

_FUNCTIONS = {
    "copper": "copper",
    "soldermask": "mask",
    "paste": "paste",
    "legend": "legend",
    "profile": "profile",
    "component": "component",
    "plated": "drill",
    "nonplated": "drill",
}
_EXTENSIONS = {
    "gtl": ("copper", "top"),
    "gbl": ("copper", "bottom"),
    "gts": ("mask", "top"),
    "gbs": ("mask", "bottom"),
    "gtp": ("paste", "top"),
    "gbp": ("paste", "bottom"),
    "gto": ("legend", "top"),
    "gbo": ("legend", "bottom"),
    "gko": ("profile", ""),
    "gm1": ("profile", ""),
}
_WORDS = (
    ("mask", r"(solder.?)?mask|resist"),
    ("paste", r"paste|stencil"),
    ("legend", r"silk|legend|overlay"),
    ("profile", r"outline|profile|contour|edge"),
    ("copper", r"copper|signal|(top|bottom)(layer)?$"),
)


_DRAWN = r"placement|assembly|component|cent(er|re)s|che?c?k|notes|drawing"
"""Words of drawings that name a face, too."""


@dataclass(frozen=True)
class Role:
    """What a file is: its kind, its side, and for drills whether its holes are plated."""

    kind: str
    side: str = ""
    plated: bool | None = None


@dataclass(frozen=True)
class Pad:
    """A flash of copper with its file, and its size in mm."""

    mark: Mark
    file: str
    side: str
    box: tuple[float, float]

    @property
    def at(self) -> Point:
        """Its middle in mm."""
        return self.mark.x, self.mark.y


@dataclass(frozen=True)
class Hole:
    """A drilled hole or slot with its file, diameter in mm and whether it is plated."""

    hit: Hit
    file: str
    diameter: float
    plated: bool

    @property
    def at(self) -> Point:
        """Its first end in mm."""
        return self.hit.x, self.hit.y


def spot(x: float, y: float) -> tuple[int, int]:
    """A place as a key: the same within a few hundredths of a millimetre, mostly."""
    return round(x * 20), round(y * 20)


@dataclass(frozen=True)
class Parcel:
    """Files by name."""

    name: str
    files: dict[str, bytes]

    def text(self, name: str) -> str:
        """One file as text, byte by byte."""
        return self.files[name].decode("latin-1")

    def with_text(self, name: str, text: str) -> Parcel:
        """The package with one file written anew (or added)."""
        return Parcel(self.name, {**self.files, name: text.encode("latin-1")})

    def without(self, *names: str) -> Parcel:
        """The package without some files."""
        return Parcel(self.name, {n: d for n, d in self.files.items() if n not in names})

    def renamed(self, names: dict[str, str]) -> Parcel:
        """The package with files under other names."""
        return Parcel(self.name, {names.get(n, n): d for n, d in self.files.items()})

    # -- what each file is ---------------------------------------------------------------------

    @cached_property
    def roles(self) -> dict[str, Role]:
        """Role by file name, for layers and drills that are known."""
        found = {n: role_of(n, self.text(n)) for n in sorted(self.files)}
        return {n: role for n, role in found.items() if role}

    def named(self, kind: str, side: str | None = None) -> list[str]:
        """Names of the files of a kind (and side)."""
        return [n for n, r in self.roles.items() if r.kind == kind and side in (None, r.side)]

    @cached_property
    def gerbers(self) -> dict[str, GerberText]:
        """Layer files that can be edited."""
        found = {}
        for name, role in self.roles.items():
            if role.kind != "drill" or "%FS" in self.text(name):
                try:
                    found[name] = read_gerber(self.text(name))
                except Unfit:
                    continue
        return found

    @cached_property
    def drills(self) -> dict[str, DrillText]:
        """Drill files that can be edited."""
        found = {}
        for name in self.named("drill"):
            try:
                found[name] = read_drill(self.text(name))
            except Unfit:
                continue
        return found

    def layers(self, kind: str, side: str | None = None) -> list[tuple[str, GerberText]]:
        """Editable layers of a kind: name and text."""
        return [(n, self.gerbers[n]) for n in self.named(kind, side) if n in self.gerbers]

    # -- what lies where -----------------------------------------------------------------------

    @cached_property
    def pads(self) -> list[Pad]:
        """Copper flashes of the outer layers in mm, only of files with absolute coordinates."""
        return [
            Pad(mark, name, self.roles[name].side, layer.box_of(mark))
            for name, layer in self.layers("copper")
            if layer.absolute and self.roles[name].side in SIDES
            for mark in layer.flashes
        ]

    @cached_property
    def pads_at(self) -> dict[tuple[int, int], list[Pad]]:
        """Pads by spot."""
        found: dict[tuple[int, int], list[Pad]] = defaultdict(list)
        for pad in self.pads:
            found[spot(*pad.at)].append(pad)
        return found

    @cached_property
    def holes(self) -> list[Hole]:
        """Every hit; plated by its file's word, else by pads on both faces."""
        found = []
        for name, drill in self.drills.items():
            said = self.roles[name].plated
            for hit in drill.hits:
                both = len({p.side for p in self.pads_at.get(spot(hit.x, hit.y), [])}) == 2
                plated = both if said is None else said
                found.append(Hole(hit, name, drill.diameter(hit), plated))
        return found

    @cached_property
    def openings(self) -> dict[str, dict[tuple[int, int], list[Pad]]]:
        """Flashes of solder masks by side and spot."""
        return {side: self._flashes("mask", side) for side in SIDES}

    @cached_property
    def prints(self) -> dict[str, dict[tuple[int, int], list[Pad]]]:
        """Flashes of paste by side and spot."""
        return {side: self._flashes("paste", side) for side in SIDES}

    def _flashes(self, kind: str, side: str) -> dict[tuple[int, int], list[Pad]]:
        found: dict[tuple[int, int], list[Pad]] = defaultdict(list)
        for name, layer in self.layers(kind, side):
            for mark in layer.flashes:
                pad = Pad(mark, name, side, layer.box_of(mark))
                found[spot(mark.x, mark.y)].append(pad)
        return found

    @cached_property
    def hole_spots(self) -> dict[tuple[int, int], Hole]:
        """Holes by spot."""
        return {spot(*h.at): h for h in self.holes}

    @cached_property
    def has_nets(self) -> bool:
        """Whether copper layers name nets, or a netlist lies beside them."""
        named = any(p.mark.net for p in self.pads)
        return named or bool(self.netlists)

    @cached_property
    def netlists(self) -> list[str]:
        """Netlist files, known by their three-digit records."""
        return [
            n
            for n in sorted(self.files)
            if re.search(r"^3[12]7.{28}.*X[+-]?\d+Y[+-]?\d+", self.text(n)[:20000], re.MULTILINE)
        ]

    @cached_property
    def jobs(self) -> list[str]:
        """Job files."""
        return [n for n in sorted(self.files) if n.lower().endswith(".gbrjob")]

    @cached_property
    def placements(self) -> list[str]:
        """Placement tables: CSV with a side and a rotation in their headings."""
        found = []
        for name in sorted(self.files):
            head = self.text(name)[:400].lower()
            if name.lower().endswith((".csv", ".pos", ".txt")) and (
                "side" in head and "rot" in head
            ):
                found.append(name)
        return found

    @cached_property
    def edge(self) -> tuple[float, float, float, float]:
        """Box of the profile in mm: left, bottom, right, top.

        Raises
        ------
        Unfit
            There is no profile to tell it from.
        """
        ends = [
            point
            for _, layer in self.layers("profile")
            for m in layer.marks
            if m.kind == "draw"
            for point in ((m.x, m.y), (m.from_x, m.from_y))
        ]
        if not ends:
            raise Unfit("no profile with lines")
        xs, ys = [x for x, _ in ends], [y for _, y in ends]
        return min(xs), min(ys), max(xs), max(ys)

    def free_of_copper(self, x: float, y: float, reach: float) -> bool:
        """Whether no copper and no hole lies within *reach* of a place."""
        for _, layer in self.layers("copper"):
            for mark in layer.marks:
                wide = max(layer.box_of(mark)) / 2
                if mark.kind == "flash":
                    near = hypot(mark.x - x, mark.y - y)
                else:
                    near = _from_line((x, y), (mark.from_x, mark.from_y), (mark.x, mark.y))
                if near < wide + reach:
                    return False
            if any(region.holds(x, y) for region in layer.regions):
                return False
        return all(hypot(h.hit.x - x, h.hit.y - y) > reach + h.diameter for h in self.holes)

    def free_place(self, reach: float) -> Point:
        """The first place inside the board, row by row, without copper or holes near it.

        Raises
        ------
        Unfit
            Nowhere is free.
        """
        left, bottom, right, top = self.edge
        edges = [
            ((m.from_x, m.from_y), (m.x, m.y))
            for _, layer in self.layers("profile")
            for m in layer.marks
            if m.kind == "draw"
        ]
        for row in range(3, 18):
            for column in range(3, 28):
                x = left + (right - left) * column / 30
                y = bottom + (top - bottom) * row / 20
                if all(_from_line((x, y), a, b) > reach + 1 for a, b in edges) and (
                    _crossings((x, y), edges) % 2 and self.free_of_copper(x, y, reach)
                ):
                    return x, y
        raise Unfit("no free place on the board")

    # -- on disk -------------------------------------------------------------------------------

    def written(self, folder: Path, *, packed: bool = False) -> Path:
        """Write the package below a folder; give the path of the folder or zip."""
        if packed:
            path = folder / f"{self.name}.zip"
            path.write_bytes(zipped(self.files))
            return path
        path = folder / self.name
        for name, data in self.files.items():
            target = path / name
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(data)
        return path


def zipped(files: dict[str, bytes]) -> bytes:
    """A zip of files, all of one fixed date."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files.items():
            archive.writestr(zipfile.ZipInfo(name, (2031, 1, 1, 0, 0, 0)), data)
    return buffer.getvalue()


def load_parcel(path: Path, name: str | None = None) -> Parcel:
    """Read a folder or a zip."""
    if path.is_dir():
        files = {
            str(p.relative_to(path)): p.read_bytes() for p in sorted(path.rglob("*")) if p.is_file()
        }
    else:
        with zipfile.ZipFile(path) as archive:
            files = {
                info.filename: archive.read(info)
                for info in archive.infolist()
                if not info.is_dir()
            }
    return Parcel(name or path.stem, files)


def role_of(name: str, text: str) -> Role | None:
    """What a file is: by its attribute, else by words and extension of its name."""
    stem = Path(name).name
    extension = stem.lower().rpartition(".")[2]
    plated = _plating(stem)
    if found := re.search(r"TF\.FileFunction,([A-Za-z]+)((?:,[^*%\r\n]*)?)", text[:6000]):
        kind = _FUNCTIONS.get(found[1].lower())
        if not kind:
            return None
        side = next((s for s in SIDES if f",{s[:3]}" in found[2].lower()), "")
        if kind == "drill":
            return Role(kind, "", found[1].lower() == "plated")
        return Role(kind, side)
    if "M48" in text[:3000] or re.search(r"^T0*1\s*$", text[:3000], re.MULTILINE):
        return Role("drill", "", plated)
    if "%FS" not in text[:6000]:
        return None
    if extension in _EXTENSIONS:
        return Role(*_EXTENSIONS[extension])
    plain = re.sub(r"\.\w+$", "", stem.lower())
    if re.search(_DRAWN, plain):
        return None
    for kind, words in _WORDS:
        if re.search(words, plain):
            side = next((s for s in SIDES if s in plain), "")
            return Role(kind, side) if side or kind == "profile" else None
    return None


def _plating(name: str) -> bool | None:
    lower = name.lower()
    if re.search(r"npth|non.?plated|nonplated|unplated", lower):
        return False
    return True if re.search(r"pth|plated", lower) else None


def _from_line(point: Point, a: Point, b: Point) -> float:
    """Distance from a point to a straight piece."""
    dx, dy = b[0] - a[0], b[1] - a[1]
    square = dx * dx + dy * dy
    along = ((point[0] - a[0]) * dx + (point[1] - a[1]) * dy) / square if square else 0.0
    along = min(max(along, 0.0), 1.0)
    return hypot(point[0] - a[0] - along * dx, point[1] - a[1] - along * dy)


def _crossings(point: Point, edges: list[tuple[Point, Point]]) -> int:
    """How often a ray to the right crosses the edges."""
    x, y = point
    return sum(
        (ay > y) != (by > y) and x < ax + (y - ay) / (by - ay) * (bx - ax)
        for (ax, ay), (bx, by) in edges
    )

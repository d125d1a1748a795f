"""Plants in whole drill files: unit, format, place, plating, copies."""

from __future__ import annotations

import re
from collections.abc import Callable
from random import Random

from yardstick.drill_text import DrillText, Hit
from yardstick.gerber_text import Unfit
from yardstick.kind import Plant, first, kind
from yardstick.parcel import Parcel

OFF = ("drill/", "register/", "hole/", "package/", "board/")


def _main(parcel: Parcel, least: int = 4) -> tuple[str, DrillText]:
    """The drill file with most hits."""
    files = [(n, d) for n, d in parcel.drills.items() if len(d.hits) >= least]
    files.sort(key=lambda f: -len(f[1].hits))
    return first(files, f"drill file with {least} hits")


def _mapped(parcel: Parcel, place: Callable[[float, float], tuple[float, float]]) -> Plant:
    name, drill = _main(parcel)

    def moved(h: Hit) -> list[Hit]:
        return [Hit(*place(h.x, h.y), *place(h.to_x, h.to_y), h.tool, h.span)]

    return Plant(parcel.with_text(name, drill.changed(moved)), None, (name,))


def _substituted(parcel: Parcel, pattern: str, new: str, what: str) -> Plant:
    name, drill = _main(parcel)
    text, count = re.subn(pattern, new, drill.text, count=1, flags=re.MULTILINE)
    if not count:
        raise Unfit(f"no {what}")
    return Plant(parcel.with_text(name, text), None, (name,))


@kind("drill/other-unit", "States the other unit; the numbers stay.", *OFF)
def other_unit(parcel: Parcel, _: Random) -> Plant:
    _name, drill = _main(parcel)
    pair = {"METRIC": "INCH", "INCH": "METRIC", "M71": "M72", "M72": "M71"}
    if drill.unit not in pair:
        raise Unfit("no unit is stated")
    return _substituted(parcel, rf"^{drill.unit}", pair[drill.unit], "unit")


@kind("drill/unit-missing", "Leaves out the line with the unit.", *OFF)
def unit_missing(parcel: Parcel, _: Random) -> Plant:
    return _substituted(parcel, r"^(METRIC|INCH|M71|M72)[^\r\n]*\r?\n", "", "unit")


@kind("drill/shifted", "Moves every hit of a drill file by 5 mm.", *OFF, weight="stop")
def shifted(parcel: Parcel, _: Random) -> Plant:
    return _mapped(parcel, lambda x, y: (x + 5, y))


@kind("drill/shifted-a-little", "Moves every hit of a drill file by 0.4 mm.", *OFF)
def shifted_a_little(parcel: Parcel, _: Random) -> Plant:
    return _mapped(parcel, lambda x, y: (x + 0.3, y + 0.3))


@kind("drill/mirrored", "Mirrors a drill file about the board's middle.", *OFF, "half/")
def mirrored(parcel: Parcel, _: Random) -> Plant:
    left, _b, right, _t = parcel.edge
    return _mapped(parcel, lambda x, y: (left + right - x, y))


@kind("drill/turned", "Turns a drill file by a quarter turn about the origin.", *OFF)
def turned(parcel: Parcel, _: Random) -> Plant:
    return _mapped(parcel, lambda x, y: (-y, x))


@kind("drill/tenth", "Writes every coordinate of a drill file at a tenth.", *OFF)
def tenth(parcel: Parcel, _: Random) -> Plant:
    return _mapped(parcel, lambda x, y: (x / 10, y / 10))


@kind("drill/stretched", "Stretches a drill file by two per cent.", *OFF)
def stretched(parcel: Parcel, _: Random) -> Plant:
    return _mapped(parcel, lambda x, y: (x * 1.02, y * 1.02))


@kind("drill/file-twice", "Adds a copy of a drill file under another name.", *OFF)
def file_twice(parcel: Parcel, _: Random) -> Plant:
    name, _drill = _main(parcel)
    stem, dot, extension = name.rpartition(".")
    copy = f"{stem}-copy{dot}{extension}"
    return Plant(parcel.with_text(copy, parcel.text(name)), None, (name, copy))


@kind("drill/files-missing", "Leaves out every drill file.", *OFF, weight="stop")
def files_missing(parcel: Parcel, _: Random) -> Plant:
    names = parcel.named("drill")
    first(names, "drill file")
    return Plant(parcel.without(*names), None, tuple(names))


def _one_missing(parcel: Parcel, *, plated: bool) -> Plant:
    names = [n for n in parcel.named("drill") if parcel.roles[n].plated is plated]
    others = [n for n in parcel.named("drill") if n not in names]
    if not names or not others:
        raise Unfit("no separate file of such holes")
    return Plant(parcel.without(*names), None, tuple(names))


@kind("drill/plated-file-missing", "Leaves out the drill file of plated holes.", *OFF, "net/")
def plated_file_missing(parcel: Parcel, _: Random) -> Plant:
    return _one_missing(parcel, plated=True)


@kind(
    "drill/bare-file-missing",
    "Leaves out the drill file of bare holes.",
    *OFF,
    "job/",
    "mask/",
    "half/",
    "parts/",
)
def bare_file_missing(parcel: Parcel, _: Random) -> Plant:
    planted = _one_missing(parcel, plated=False)
    marked = any(
        parcel.openings[side].get((round(h.hit.x * 20), round(h.hit.y * 20)))
        for h in parcel.holes
        if not h.plated
        for side in ("top", "bottom")
    )
    hidden = "" if marked or parcel.jobs else "nothing marks the places of bare holes"
    return Plant(planted.parcel, None, planted.files, hidden=hidden)


@kind("drill/cut-short", "Ends a drill file in the middle of a line.", *OFF)
def cut_short(parcel: Parcel, _: Random) -> Plant:
    name, drill = _main(parcel, least=8)
    hit = drill.hits[len(drill.hits) * 2 // 3]
    return Plant(parcel.with_text(name, drill.text[: hit.span[0] + 3]), None, (name,))


@kind("drill/plating-exchanged", "Exchanges the contents of plated and bare drill file.", *OFF)
def plating_exchanged(parcel: Parcel, _: Random) -> Plant:
    plated = first([n for n in parcel.drills if parcel.roles[n].plated], "plated drill file")
    bare = first([n for n in parcel.drills if parcel.roles[n].plated is False], "bare drill file")
    if "FileFunction" in parcel.text(plated):
        new = {
            plated: parcel.text(plated).replace(",PTH", ",@").replace("Plated,", "NonPlated,"),
            bare: parcel.text(bare).replace("NonPlated,", "Plated,"),
        }
        new[plated] = new[plated].replace("NonNonPlated", "NonPlated").replace(",@", ",NPTH")
        new[bare] = new[bare].replace(",NPTH", ",PTH")
    else:
        new = {plated: parcel.text(bare), bare: parcel.text(plated)}
    changed = parcel.with_text(plated, new[plated]).with_text(bare, new[bare])
    return Plant(changed, None, (plated, bare))


@kind("drill/sizes-in-other-unit", "Writes the diameters in the other unit.", *OFF)
def sizes_in_other_unit(parcel: Parcel, _: Random) -> Plant:
    name, drill = _main(parcel)
    factor = 25.4 if drill.mm > 1 else 1 / 25.4
    text = drill.text
    for size, (start, end) in sorted(drill.tools.values(), key=lambda t: -t[1][0]):
        text = f"{text[:start]}{size / drill.mm * factor:.4f}{text[end:]}"
    return Plant(parcel.with_text(name, text), None, (name,))


@kind("drill/tool-undefined", "Leaves out the definition of a tool that is used.", *OFF)
def tool_undefined(parcel: Parcel, _: Random) -> Plant:
    name, drill = _main(parcel)
    tool = drill.hits[0].tool
    text, count = re.subn(
        rf"^T0*{tool}[FSC][^\r\n]*\r?\n", "", drill.text, count=1, flags=re.MULTILINE
    )
    if not count:
        raise Unfit("no tool table")
    return Plant(parcel.with_text(name, text), None, (name,))


@kind("drill/tool-without-size", "Leaves out the diameter of a tool that is used.", *OFF)
def tool_without_size(parcel: Parcel, _: Random) -> Plant:
    name, drill = _main(parcel)
    _size, (start, end) = drill.tools.get(drill.hits[0].tool, (0, (0, 0)))
    if not end:
        raise Unfit("no tool table")
    return Plant(parcel.with_text(name, drill.text[: start - 1] + drill.text[end:]), None, (name,))


@kind("drill/header-lost", "Leaves out everything before the first tool is chosen.", *OFF)
def header_lost(parcel: Parcel, _: Random) -> Plant:
    name, drill = _main(parcel)
    if not drill.header_end:
        raise Unfit("no header")
    rest = drill.text[drill.header_end :].partition("\n")[2]
    return Plant(parcel.with_text(name, rest), None, (name,))


@kind("drill/all-one-size", "Gives every tool the diameter of the largest.", *OFF)
def all_one_size(parcel: Parcel, _: Random) -> Plant:
    name, drill = _main(parcel)
    if len(drill.tools) < 2:
        raise Unfit("one tool alone")
    largest = max(size for size, _ in drill.tools.values())
    text = drill.text
    for _size, (start, end) in sorted(drill.tools.values(), key=lambda t: -t[1][0]):
        text = f"{text[:start]}{largest / drill.mm:.4f}{text[end:]}"
    return Plant(parcel.with_text(name, text), None, (name,))


@kind("drill/gerber-inside", "Writes an outer copper layer into a drill file.", *OFF)
def gerber_inside(parcel: Parcel, _: Random) -> Plant:
    name, _drill = _main(parcel)
    copper = first(parcel.named("copper"), "copper layer")
    return Plant(parcel.with_text(name, parcel.text(copper)), None, (name, copper))

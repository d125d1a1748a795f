"""Edits that change nothing that is made: each must stay silent."""

from __future__ import annotations

import re
from collections.abc import Callable

from yardstick.drill_text import DrillText
from yardstick.gerber_text import Edit, GerberText, Unfit, read_gerber, replaced, without_attributes
from yardstick.kind import first, harmless
from yardstick.parcel import Parcel


def _texts(parcel: Parcel) -> list[str]:
    """Names of layer and drill files."""
    return sorted(parcel.roles)


def _each(parcel: Parcel, names: list[str], change: Callable[[str], str]) -> Parcel:
    for name in names:
        parcel = parcel.with_text(name, change(parcel.text(name)))
    return parcel


def _layers(parcel: Parcel, change: Callable[[GerberText], str]) -> Parcel:
    """Every editable layer changed."""
    if not parcel.gerbers:
        raise Unfit("no layer that can be edited")
    for name, layer in parcel.gerbers.items():
        parcel = parcel.with_text(name, change(layer))
    return parcel


def _drills(parcel: Parcel, change: Callable[[DrillText], str]) -> Parcel:
    drills = {n: d for n, d in parcel.drills.items() if d.plain and d.hits}
    if not drills:
        raise Unfit("no drill file that can be edited")
    for name, drill in drills.items():
        parcel = parcel.with_text(name, change(drill))
    return parcel


@harmless("line-ends-crlf", "Ends lines with carriage return and line feed.")
def crlf(parcel: Parcel) -> Parcel:
    return _each(parcel, _texts(parcel), lambda t: re.sub(r"\r?\n", "\r\n", t))


@harmless("line-ends-lf", "Ends lines with line feed alone.")
def lf(parcel: Parcel) -> Parcel:
    return _each(parcel, _texts(parcel), lambda t: t.replace("\r\n", "\n"))


@harmless("no-line-ends", "Writes each layer on one line.")
def one_line(parcel: Parcel) -> Parcel:
    return _layers(parcel, lambda g: re.sub(r"[\r\n]+", "", g.text))


@harmless("blank-lines", "Adds blank lines between the commands of layers.")
def blank_lines(parcel: Parcel) -> Parcel:
    return _layers(parcel, lambda g: g.text.replace("*\n", "*\n\n"))


@harmless("byte-order-mark", "Puts a byte-order mark in front of every layer.")
def byte_order_mark(parcel: Parcel) -> Parcel:
    return _layers(parcel, lambda g: "\xef\xbb\xbf" + g.text)


@harmless("sub-folder", "Puts every file into a folder of the package.")
def sub_folder(parcel: Parcel) -> Parcel:
    return parcel.renamed({n: f"gerber files/{n}" for n in parcel.files})


@harmless("two-folders", "Puts layers and drills into two folders, without a job file.")
def two_folders(parcel: Parcel) -> Parcel:
    drills = set(parcel.named("drill"))
    names = {n: f"{'drill' if n in drills else 'layers'}/{n}" for n in parcel.files}
    return parcel.without(*parcel.jobs).renamed(names)


@harmless("zip", "Packs the files into a zip.")
def packed(parcel: Parcel) -> Parcel:
    return Parcel(parcel.name, {**parcel.files, PACKED: b""})


PACKED = ".packed"
"""A name that only says that the package is written as a zip; it is never written itself."""


@harmless("zip-with-litter", "Packs the files into a zip with what systems leave in zips.")
def zip_with_litter(parcel: Parcel) -> Parcel:
    litter = {PACKED: b"", ".DS_Store": b"\0\0\0\1Bud1", "Thumbs.db": b"\xd0\xcf\x11\xe0"}
    some = first(_texts(parcel), "layer")
    litter[f"__MACOSX/._{some}"] = b"\0\5\26\7\0\2"
    return Parcel(parcel.name, {**parcel.files, **litter})


@harmless("read-me", "Adds a text to read.")
def read_me(parcel: Parcel) -> Parcel:
    text = b"Please make 5 boards, black mask. Thank you.\n"
    return Parcel(parcel.name, {**parcel.files, "README.txt": text})


@harmless("board-moved", "Moves the whole board by 37.5 mm and 12.25 mm, tables left out.")
def board_moved(parcel: Parcel) -> Parcel:
    """Tables with coordinates of their own are left out rather than moved."""
    moved = _layers(parcel, lambda g: g.transformed(lambda x, y: (x + 37.5, y + 12.25)))
    if len(parcel.gerbers) != len([n for n, r in parcel.roles.items() if r.kind != "drill"]):
        raise Unfit("a layer cannot be moved")
    if len(parcel.drills) != len(parcel.named("drill")):
        raise Unfit("a drill file cannot be moved")

    def shifted(drill: DrillText) -> str:
        return drill.changed(
            lambda h: [
                type(h)(h.x + 37.5, h.y + 12.25, h.to_x + 37.5, h.to_y + 12.25, h.tool, h.span)
            ]
        )

    if parcel.named("drill"):
        moved = _drills(moved, shifted)
    return moved.without(*parcel.netlists, *parcel.placements)


@harmless("renamed", "Puts a word in front of every layer's and drill's name, job file left out.")
def renamed(parcel: Parcel) -> Parcel:
    names = {n: re.sub(r"([^/]+)$", r"final-\1", n) for n in _texts(parcel)}
    return parcel.without(*parcel.jobs).renamed(names)


@harmless(
    "extension-upper-case", "Writes extensions of layers and drills in capitals, no job file."
)
def extension_upper(parcel: Parcel) -> Parcel:
    names = {n: re.sub(r"\.\w+$", lambda m: m[0].upper(), n) for n in _texts(parcel)}
    return parcel.without(*parcel.jobs).renamed(names)


@harmless("comments", "Adds comments to layers.")
def comments(parcel: Parcel) -> Parcel:
    return _layers(parcel, lambda g: "G04 Checked by two people*\n" + g.text)


@harmless("drill-comments", "Adds a comment to the head of drill files.")
def drill_comments(parcel: Parcel) -> Parcel:
    def change(drill: DrillText) -> str:
        if not drill.header_end:
            raise Unfit("no header")
        at = drill.header_end
        return drill.text[:at] + "; checked by two people\n" + drill.text[at:]

    return _drills(parcel, change)


@harmless("apertures-renumbered", "Gives every aperture another D code.")
def renumbered(parcel: Parcel) -> Parcel:
    def change(layer: GerberText) -> str:
        text = re.sub(
            r"(A[DB])D0*(\d+)(?=[A-Za-z_.$*])", lambda m: f"{m[1]}D{int(m[2]) + 500}", layer.text
        )
        return re.sub(
            r"(?<=[*\s])(G54)?D0*([1-9]\d+)\*", lambda m: f"{m[1] or ''}D{int(m[2]) + 500}*", text
        )

    return _layers(parcel, change)


@harmless("unused-aperture", "Defines an aperture that is not used.")
def unused_aperture(parcel: Parcel) -> Parcel:
    def change(layer: GerberText) -> str:
        return replaced(layer.text, [(layer.end, layer.end, "%ADD998C,1.5*%\n")])

    return _layers(parcel, change)


@harmless("object-attributes-stripped", "Leaves out attributes of apertures and objects.")
def objects_stripped(parcel: Parcel) -> Parcel:
    return _layers(parcel, lambda g: without_attributes(g.text, "TA|TO|TD"))


@harmless("dates-stripped", "Leaves out creation dates and projects of layers.")
def dates_stripped(parcel: Parcel) -> Parcel:
    names = r"TF\.CreationDate|TF\.ProjectId|TF\.SameCoordinates|TF\.GenerationSoftware"
    return _layers(parcel, lambda g: without_attributes(g.text, names))


@harmless("dates-equal", "States one later creation date in every file.")
def dates_equal(parcel: Parcel) -> Parcel:
    date = r"\g<1>2033-02-03T04:05:06+00:00"
    said = r"""(CreationDate,|"CreationDate"\s*:\s*")[^*%"\r\n]*"""
    return _each(parcel, [*_texts(parcel), *parcel.jobs], lambda t: re.sub(said, date, t))


@harmless(
    "fewer-digits", "Writes coordinates of layers with one decimal less, where nothing is lost."
)
def fewer_digits(parcel: Parcel) -> Parcel:
    def change(layer: GerberText) -> str:
        whole, parts = layer.digits
        numbers = re.findall(r"[XYIJ][+-]?(\d+)", "".join(m[0] for *_, m in layer.operations))
        if layer.zeros != "L" or parts < 6 or any(int(n) % 10 for n in numbers):
            return layer.text
        edits: list[Edit] = [
            (s, e, re.sub(r"([XYIJ][+-]?\d+)", lambda m: _tenth(m[1]), layer.text[s:e]))
            for s, e, _ in layer.operations
        ]
        text = replaced(layer.text, edits)
        old, new = f"X{whole}{parts}Y{whole}{parts}", f"X{whole}{parts - 1}Y{whole}{parts - 1}"
        return text.replace(old, new, 1)

    return _layers(parcel, change)


def _tenth(word: str) -> str:
    return word[0] + str(int(word[1:]) // 10)


@harmless("leading-zeros", "Writes leading zeros in the coordinates of layers.")
def leading_zeros(parcel: Parcel) -> Parcel:
    def change(layer: GerberText) -> str:
        if layer.zeros != "L":
            return layer.text
        width = sum(layer.digits)
        edits: list[Edit] = [
            (
                s,
                e,
                re.sub(
                    r"([XY])(-?)(\d+)",
                    lambda m: m[1] + m[2] + m[3].zfill(width),
                    layer.text[s:e],
                ),
            )
            for s, e, _ in layer.operations
        ]
        return replaced(layer.text, edits)

    return _layers(parcel, change)


@harmless("coordinates-repeated", "Writes out every coordinate that a layer leaves out.")
def explicit(parcel: Parcel) -> Parcel:
    return _layers(parcel, lambda g: g.transformed(lambda x, y: (x, y)))


@harmless("moves-repeated", "Adds moves to the place where the pen already stands.")
def moves(parcel: Parcel) -> Parcel:
    def change(layer: GerberText) -> str:
        return replaced(
            layer.text,
            [
                (m.span[1], m.span[1], "\n" + layer.point(m.x, m.y, "D02"))
                for m in layer.marks
                if m.kind == "flash" and "D03" in layer.text[m.span[0] : m.span[1]]
            ],
        )

    return _layers(parcel, change)


@harmless("flash-repeated", "Flashes every pad a second time at the same place.")
def flashes_repeated(parcel: Parcel) -> Parcel:
    def change(layer: GerberText) -> str:
        return replaced(
            layer.text,
            [
                (m.span[1], m.span[1], "\n" + layer.point(m.x, m.y, "D03"))
                for m in layer.flashes
                if "D03" in layer.text[m.span[0] : m.span[1]]
            ],
        )

    return _layers(parcel, change)


@harmless("tracks-in-two", "Draws every straight line in two pieces.")
def in_two(parcel: Parcel) -> Parcel:
    def change(layer: GerberText) -> str:
        return replaced(
            layer.text,
            [
                (m.span[0], m.span[0], layer.point(*m.at, "D01") + "\n")
                for m in layer.draws
                if "G0" not in layer.text[m.span[0] : m.span[1]] and m.length > 0.5
            ],
        )

    return _layers(parcel, change)


@harmless("inches", "Writes layers in inches with six decimals.")
def inches(parcel: Parcel) -> Parcel:
    def change(layer: GerberText) -> str:
        if layer.mm > 1 or layer.macros or layer.zeros != "L" or "%MOMM*%" not in layer.text:
            return layer.text
        if layer.has_blocks or any(m.repeated for m in layer.marks):
            return layer.text
        whole, parts = layer.digits
        layer = read_gerber(_shapes_in_inch(layer))
        scale = 10**parts / 25.4 / 10**parts
        text = layer.transformed(
            lambda x, y: (x * scale * 10 ** (6 - parts), y * scale * 10 ** (6 - parts))
        )
        text = text.replace("%MOMM*%", "%MOIN*%", 1)
        return text.replace(f"X{whole}{parts}Y{whole}{parts}", "X36Y36", 1)

    return _layers(parcel, change)


def _shapes_in_inch(layer: GerberText) -> str:
    edits: list[Edit] = []
    for code, aperture in layer.apertures.items():
        words = layer.text[slice(*aperture.span)].split(",", 1)[-1].rstrip("*").split("X")
        if aperture.shape == "P":
            sizes = [f"{float(words[0]) / 25.4:.8f}", *words[1:]]
        else:
            sizes = [f"{float(w) / 25.4:.8f}" for w in words]
        edits.append(layer.redefined(code, f"{aperture.shape},{'X'.join(sizes)}"))
    return replaced(layer.text, edits)


@harmless("holes-re-ordered", "Writes the hits of each tool in the opposite order.")
def holes_reordered(parcel: Parcel) -> Parcel:
    def change(drill: DrillText) -> str:
        other = {}
        tools = {h.tool for h in drill.hits}
        for tool in sorted(tools):
            hits = [h for h in drill.hits if h.tool == tool]
            other.update(dict(zip(hits, reversed(hits), strict=True)))
        return drill.changed(lambda h: [other[h]])

    return _drills(parcel, change)


@harmless("tools-renumbered", "Gives every tool another number.")
def tools_renumbered(parcel: Parcel) -> Parcel:
    def change(drill: DrillText) -> str:
        return re.sub(
            r"^T0*([1-9]\d*)", lambda m: f"T{int(m[1]) + 20}", drill.text, flags=re.MULTILINE
        )

    return _drills(parcel, change)


@harmless("unused-tool", "Defines a tool that is not used.")
def unused_tool(parcel: Parcel) -> Parcel:
    def change(drill: DrillText) -> str:
        if not drill.header_end:
            raise Unfit("no header")
        line = f"T{max(drill.tools, default=0) + 1}C{3.0 / drill.mm:.4f}\n"
        return replaced(drill.text, [(drill.header_end, drill.header_end, line)])

    return _drills(parcel, change)


@harmless("netlist-left-out", "Leaves out the netlist.")
def netlist_left_out(parcel: Parcel) -> Parcel:
    return parcel.without(*parcel.netlists)


@harmless("job-left-out", "Leaves out the job file.")
def job_left_out(parcel: Parcel) -> Parcel:
    return parcel.without(*parcel.jobs)


@harmless("placement-left-out", "Leaves out the placement table.")
def placement_left_out(parcel: Parcel) -> Parcel:
    return parcel.without(*parcel.placements)


@harmless("old-selection", "Selects apertures in the old way, with G54 in front.")
def old_selection(parcel: Parcel) -> Parcel:
    return _layers(parcel, lambda g: re.sub(r"(?<=[*\s])(D[1-9]\d+\*)", r"G54\1", g.text))

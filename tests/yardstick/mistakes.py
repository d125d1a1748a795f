"""Plants that real exports bring: one set mirrored, parts of an older state, tools mixed up."""

from __future__ import annotations

from dataclasses import replace
from random import Random

from yardstick.drill_text import Hit
from yardstick.gerber_text import GerberText, Unfit, replaced
from yardstick.kind import Plant, edited, first, kind, layer_of
from yardstick.parcel import Parcel, spot

SET = ("register/", "package/", "hole/", "mask/", "copper/", "net/", "half/", "legend/")
DRILLS = ("drill/", "hole/", "register/", "board/", "copper/", "mask/", "half/", "net/")


@kind("layers/bottom-set-mirrored", "Mirrors every bottom layer about the board's middle.", *SET)
def bottom_set_mirrored(parcel: Parcel, _: Random) -> Plant:
    left, _b, right, _t = parcel.edge
    names = [n for n, g in parcel.gerbers.items() if parcel.roles[n].side == "bottom" and g.marks]
    first(names, "bottom layer")
    changed = parcel
    for name in names:
        text = parcel.gerbers[name].transformed(lambda x, y: (left + right - x, y), flip=True)
        changed = changed.with_text(name, text)
    layers = [parcel.gerbers[n] for n in names]
    same = all(_mirrors(layer, left + right) for layer in layers)
    return Plant(changed, None, tuple(names), hidden="all are their own mirror image" * same)


def _mirrors(layer: GerberText, across: float) -> bool:
    here = {spot(m.x, m.y) for m in layer.marks}
    there = {spot(across - m.x, m.y) for m in layer.marks}
    return len(here ^ there) < 0.05 * len(here | there)


@kind(
    "layers/partly-older",
    "Moves all marks in the right third of the bottom copper by 1.27 mm.",
    *SET,
)
def partly_older(parcel: Parcel, _: Random) -> Plant:
    name, layer = layer_of(parcel, "copper", "bottom")
    left, _b, right, _t = parcel.edge
    limit = right - (right - left) / 3
    if not any(m.x > limit for m in layer.flashes):
        raise Unfit("no pad there")
    text = layer.transformed(lambda x, y: (x + 1.27 if x > limit else x, y))
    return Plant(parcel.with_text(name, text), None, (name,))


@kind(
    "layers/of-another-board",
    "Turns, mirrors and stretches the top copper, so that it is as of another board.",
    *SET,
)
def of_another_board(parcel: Parcel, _: Random) -> Plant:
    name, layer = layer_of(parcel, "copper", "top")
    left, bottom, right, top = parcel.edge
    wide, high = (right - left) / (top - bottom), (top - bottom) / (right - left)
    text = layer.transformed(
        lambda x, y: (left + (y - bottom) * wide, bottom + (x - left) * high), flip=True
    )
    return Plant(parcel.with_text(name, text), None, (name,))


@kind("layers/inner-missing", "Leaves out the first inner copper layer.", "package/", "job/")
def inner_missing(parcel: Parcel, _: Random) -> Plant:
    inner = [n for n in parcel.named("copper", "") if n in parcel.gerbers]
    if len(inner) < 2:
        raise Unfit("fewer than two inner layers")
    return Plant(parcel.without(inner[0]), None, (inner[0],))


@kind(
    "copper/frame-drawn",
    "Draws a frame 15 mm outside the board in the top copper.",
    "copper/",
    "package/",
    "register/",
    weight="know",
)
def frame_drawn(parcel: Parcel, _: Random) -> Plant:
    name, layer = layer_of(parcel, "copper", "top")
    left, bottom, right, top = parcel.edge
    a, b, c, d = left - 15, bottom - 15, right + 15, top + 15
    corners = [(a, b, "D02"), *((x, y, "D01") for x, y in ((c, b), (c, d), (a, d), (a, b)))]
    changed = edited(parcel, name, [layer.added(f"C,{layer.size(0.2)}", corners)])
    return Plant(changed, None, (name,))


@kind("drill/sizes-exchanged", "Gives every tool the diameter of the next one.", *DRILLS)
def sizes_exchanged(parcel: Parcel, _: Random) -> Plant:
    name, drill = first(
        [(n, d) for n, d in parcel.drills.items() if len({s for s, _ in d.tools.values()}) > 1],
        "drill file of several sizes",
    )
    sizes = [size for size, _ in drill.tools.values()]
    edits = [
        (*span, f"{size / drill.mm:.4f}")
        for (_old, span), size in zip(drill.tools.values(), sizes[1:] + sizes[:1], strict=True)
    ]
    return Plant(parcel.with_text(name, replaced(drill.text, edits)), None, (name,))


@kind("holes/slots-as-holes", "Drills every slot as a round hole at its first end.", *DRILLS)
def slots_as_holes(parcel: Parcel, _: Random) -> Plant:
    name, drill = first(
        [(n, d) for n, d in parcel.drills.items() if d.plain and any(h.slot for h in d.hits)],
        "drill file with slots",
    )
    changed = drill.changed(lambda h: [Hit(h.x, h.y, h.x, h.y, h.tool, h.span)])
    return Plant(parcel.with_text(name, changed), None, (name,))


@kind("drill/all-plated", "Puts all bare holes into the plated drill file.", *DRILLS, "package/")
def all_plated(parcel: Parcel, _: Random) -> Plant:
    bare, holes = first(
        [(n, d) for n, d in parcel.drills.items() if parcel.roles[n].plated is False and d.hits],
        "bare drill file",
    )
    plated = first([n for n in parcel.drills if parcel.roles[n].plated], "plated drill file")
    changed = parcel.without(bare)
    for hit in holes.hits:
        drill = replace(changed, files=changed.files).drills[plated]
        if hit.slot or not holes.diameter(hit):
            raise Unfit("slots or sizes not known")
        changed = changed.with_text(plated, drill.added(hit.x, hit.y, holes.diameter(hit)))
        if len(holes.hits) > 400:
            raise Unfit("too many holes")
    return Plant(changed, None, (plated, bare))


@kind(
    "mask/openings-tight",
    "Makes every flashed opening as large as its pad.",
    "mask/",
    weight="know",
)
def openings_tight(parcel: Parcel, _: Random) -> Plant:
    name, layer = layer_of(parcel, "mask")
    side = parcel.roles[name].side
    boxes: dict[int, tuple[float, float]] = {}
    for mark in layer.flashes:
        pads = [p for p in parcel.pads_at.get(spot(mark.x, mark.y), []) if p.side == side]
        wide, _ = layer.box_of(mark)
        if pads and 0 < wide - pads[0].box[0] < 0.3:
            boxes[mark.aperture] = pads[0].box
    edits = [
        layer.redefined(code, f"{layer.apertures[code].shape},{'X'.join(map(layer.size, sizes))}")
        for code, (x, y) in boxes.items()
        for sizes in [(x,) if layer.apertures[code].shape == "C" else (x, y)]
        if layer.apertures[code].shape in ("C", "R", "O")
    ]
    first(edits, "opening larger than its pad")
    return Plant(edited(parcel, name, edits), None, (name,))

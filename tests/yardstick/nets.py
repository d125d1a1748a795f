"""Plants in what says which pads belong together, and in keyboards."""

from __future__ import annotations

import re
from collections import defaultdict
from dataclasses import replace
from random import Random

from yardstick.gerber_text import Unfit
from yardstick.kind import Plant, edited, first, kind, pick
from yardstick.parcel import SIDES, Hole, Pad, Parcel, spot

NETS = ("net/", "netlist/", "wiring/", "copper/")


def _labels(parcel: Parcel) -> list[Pad]:
    """Pads of parts whose net is named in the copper, on nets of several pads."""
    counts: dict[str, int] = defaultdict(int)
    for pad in parcel.pads:
        counts[pad.mark.net] += 1
    return [p for p in parcel.pads if p.mark.net and p.mark.pin and counts[p.mark.net] > 2]


@kind("nets/pad-relabelled", "Names another net at one pad of the copper.", *NETS)
def pad_relabelled(parcel: Parcel, rng: Random) -> Plant:
    pads = _labels(parcel)
    pad = pick(rng, pads, "pad with part and net name")
    other = pick(
        rng,
        [p for p in pads if p.mark.net != pad.mark.net and p.side == pad.side],
        "pad of another net",
    )
    layer = parcel.gerbers[pad.file]
    start, end = pad.mark.span
    same = layer.text[start:end]
    new = f"%TO.N,{other.mark.net}*%\n{same}\n%TO.N,{pad.mark.net}*%"
    return Plant(edited(parcel, pad.file, [(start, end, new)]), pad.at, (pad.file,), 1e3)


def _records(parcel: Parcel) -> tuple[str, list[tuple[int, str]]]:
    name = first(parcel.netlists, "netlist")
    lines = parcel.text(name).splitlines(keepends=True)
    return name, [(n, line) for n, line in enumerate(lines) if re.match(r"3[12]7", line)]


def _netlist(parcel: Parcel, name: str, changes: dict[int, str]) -> Plant:
    lines = parcel.text(name).splitlines(keepends=True)
    text = "".join(changes.get(n, line) for n, line in enumerate(lines))
    return Plant(parcel.with_text(name, text), None, (name,), 1e3)


def _net(line: str) -> str:
    return line[3:17].strip()


@kind("nets/netlist-exchanged", "Exchanges the nets of two points in the netlist.", *NETS)
def netlist_exchanged(parcel: Parcel, rng: Random) -> Plant:
    name, records = _records(parcel)
    counts: dict[str, int] = defaultdict(int)
    for _, line in records:
        counts[_net(line)] += 1
    good = [(n, line) for n, line in records if counts[_net(line)] > 1 and _net(line) != "N/C"]
    (a, one) = pick(rng, good, "net of two points")
    (b, two) = pick(rng, [r for r in good if _net(r[1]) != _net(one)], "second net")
    changes = {a: one[:3] + two[3:17] + one[17:], b: two[:3] + one[3:17] + two[17:]}
    return _netlist(parcel, name, changes)


@kind("nets/netlist-point-moved", "Moves one point of the netlist by 3 mm.", *NETS)
def netlist_point_moved(parcel: Parcel, rng: Random) -> Plant:
    name, records = _records(parcel)
    n, line = pick(rng, [r for r in records if re.search(r"X[+-]\d{6}", r[1])], "point")
    metric = "UNITS CUST 1" in parcel.text(name) or "UNITS SI" in parcel.text(name)
    step = 3000 if metric else 1181

    def moved(match: re.Match[str]) -> str:
        value = int(match[1]) + step
        return f"X{'-' if value < 0 else '+'}{abs(value):06d}"

    return _netlist(parcel, name, {n: re.sub(r"X([+-]\d{6})", moved, line, count=1)})


@kind("nets/netlist-of-another-board", "Mirrors every point of the netlist.", *NETS)
def netlist_mirrored(parcel: Parcel, _: Random) -> Plant:
    name, records = _records(parcel)
    values = [int(m[1]) for _, line in records if (m := re.search(r"X([+-]\d{6})", line))]
    if not values:
        raise Unfit("no points")
    across = min(values) + max(values)

    def mirrored(match: re.Match[str]) -> str:
        value = across - int(match[1])
        return f"X{'-' if value < 0 else '+'}{abs(value):06d}"

    changes = {n: re.sub(r"X([+-]\d{6})", mirrored, line, count=1) for n, line in records}
    planted = _netlist(parcel, name, changes)
    return replace(planted, place=None)


@kind("nets/netlist-cut-short", "Ends the netlist in its middle.", *NETS, "package/")
def netlist_cut_short(parcel: Parcel, _: Random) -> Plant:
    name, records = _records(parcel)
    lines = parcel.text(name).splitlines(keepends=True)
    half = records[len(records) // 2][0]
    return Plant(parcel.with_text(name, "".join(lines[:half]) + lines[half][:20]), None, (name,))


# -- keyboards ---------------------------------------------------------------------------------


@kind(
    "keyboard/cell-reversed",
    "Exchanges plus and minus of the battery's pads on one face.",
    "half/",
    "wiring/",
    "net/",
)
def cell_reversed(parcel: Parcel, _: Random) -> Plant:
    cells: dict[tuple[str, str], list[Pad]] = defaultdict(list)
    for pad in parcel.pads:
        if re.match(r"(BT|BAT|CELL|B)\d*$", pad.mark.part):
            cells[pad.mark.part, pad.side].append(pad)
    two = [pads for _, pads in sorted(cells.items()) if len(pads) == 2]
    a, b = first(two, "battery of two pads named as a part")
    layer = parcel.gerbers[a.file]
    edits = [
        *layer.rewritten(a.mark, layer.point(*b.at, "D03")),
        *layer.rewritten(b.mark, layer.point(*a.at, "D03")),
    ]
    place = ((a.mark.x + b.mark.x) / 2, (a.mark.y + b.mark.y) / 2)
    return Plant(edited(parcel, a.file, edits), place, (a.file,), 30)


def _switch_pads(parcel: Parcel) -> list[Pad]:
    """Pads without a hole of switches, known by their parts' letters."""
    return [
        p
        for p in parcel.pads
        if re.match(r"(SW|S|K|KEY|MX)\d+$", p.mark.part) and spot(*p.at) not in parcel.hole_spots
    ]


@kind(
    "keyboard/key-pad-lost",
    "Leaves out one key's pad and its opening on one face.",
    "half/",
    "net/",
    "mask/",
    "wiring/",
)
def key_pad_lost(parcel: Parcel, rng: Random) -> Plant:
    pad = pick(rng, _switch_pads(parcel), "surface pad of a switch named as a part")
    layer = parcel.gerbers[pad.file]
    changed = edited(parcel, pad.file, layer.dropped(pad.mark))
    for opening in parcel.openings[pad.side].get(spot(*pad.at), [])[:1]:
        film = parcel.gerbers[opening.file]
        changed = edited(changed, opening.file, film.dropped(opening.mark))
    return Plant(changed, pad.at, (pad.file,), 8)


@kind("keyboard/key-opening-lost", "Leaves out one key's opening on one face.", "half/", "mask/")
def key_opening_lost(parcel: Parcel, rng: Random) -> Plant:
    pads = [p for p in _switch_pads(parcel) if parcel.openings[p.side].get(spot(*p.at))]
    pad = pick(rng, pads, "opened pad of a switch named as a part")
    opening = parcel.openings[pad.side][spot(*pad.at)][0]
    film = parcel.gerbers[opening.file]
    return Plant(edited(parcel, opening.file, film.dropped(opening.mark)), pad.at, (opening.file,))


def _key_holes(parcel: Parcel) -> list[Hole]:
    """The widest bare holes of which there are at least six: where keys stand."""
    alike: dict[float, list[Hole]] = defaultdict(list)
    for hole in parcel.holes:
        if not hole.plated and not hole.hit.slot and parcel.drills[hole.file].plain:
            alike[round(hole.diameter, 2)].append(hole)
    sizes = sorted((d for d, holes in alike.items() if len(holes) >= 6 and d > 2.5), reverse=True)
    return alike[first(sizes, "six wide bare holes alike")]


@kind(
    "keyboard/key-hole-lost",
    "Leaves out the middle hole of one key.",
    "half/",
    "parts/",
    "hole/",
    "mask/",
    "drill/",
)
def key_hole_lost(parcel: Parcel, rng: Random) -> Plant:
    hole = pick(rng, _key_holes(parcel), "key")
    text = parcel.drills[hole.file].without([hole.hit])
    return Plant(parcel.with_text(hole.file, text), hole.at, (hole.file,), 8)


@kind(
    "keyboard/key-hole-moved",
    "Moves the middle hole of one key by 1.5 mm.",
    "half/",
    "parts/",
    "hole/",
    "mask/",
    "drill/",
)
def key_hole_moved(parcel: Parcel, rng: Random) -> Plant:
    hole = pick(rng, _key_holes(parcel), "key")
    h = hole.hit
    new = replace(h, x=h.x + 1.5, to_x=h.to_x + 1.5)
    text = parcel.drills[hole.file].changed(lambda hit: [new] if hit == h else [hit])
    return Plant(parcel.with_text(hole.file, text), hole.at, (hole.file,), 8)


@kind(
    "keyboard/key-holes-small",
    "Makes the middle holes of all keys 0.8 mm narrower.",
    "half/",
    "parts/",
    "hole/",
    "mask/",
    "drill/",
)
def key_holes_small(parcel: Parcel, _: Random) -> Plant:
    hole = _key_holes(parcel)[0]
    text = parcel.drills[hole.file].resized(hole.hit.tool, hole.diameter - 0.8)
    marked = any(parcel.openings[s].get(spot(*hole.at)) for s in SIDES)
    hidden = "" if marked else "no opening of the mask shows the size"
    return Plant(parcel.with_text(hole.file, text), None, (hole.file,), hidden=hidden)


@kind("keyboard/diode-reversed", "Exchanges the nets of one diode's two pads.", *NETS)
def diode_reversed(parcel: Parcel, rng: Random) -> Plant:
    diodes: dict[tuple[str, str], list[Pad]] = defaultdict(list)
    for pad in parcel.pads:
        if re.match(r"D\d+$", pad.mark.part) and pad.mark.net:
            diodes[pad.mark.part, pad.side].append(pad)
    two = [p for _, p in sorted(diodes.items()) if len({x.mark.net for x in p}) == 2 == len(p)]
    a, b = pick(rng, two, "diode of two pads named as a part")
    layer = parcel.gerbers[a.file]
    edits = []
    for pad, net in ((a, b.mark.net), (b, a.mark.net)):
        start, end = pad.mark.span
        same = layer.text[start:end]
        edits.append((start, end, f"%TO.N,{net}*%\n{same}\n%TO.N,{pad.mark.net}*%"))
    return Plant(edited(parcel, a.file, edits), a.at, (a.file,), 1e3)


@kind("keyboard/diode-turned", "Turns one diode of many in layout and circuit alike.", *NETS)
def diode_turned(parcel: Parcel, rng: Random) -> Plant:
    pins: dict[str, set[str]] = defaultdict(set)
    for pad in parcel.pads:
        if re.match(r"D\d+$", pad.mark.part) and pad.mark.net:
            pins[pad.mark.part].add(pad.mark.pin)
    part = pick(rng, [p for p, names in sorted(pins.items()) if len(names) == 2], "named diode")
    one, two = sorted(pins[part])
    other = {one: two, two: one}
    changed, files = parcel, []
    for name in parcel.named("copper") + parcel.named("component"):
        text = re.sub(
            rf"(TO\.P,{part},)({one}|{two})\b", lambda m: m[1] + other[m[2]], parcel.text(name)
        )
        if text != parcel.text(name):
            changed, files = changed.with_text(name, text), [*files, name]
    return Plant(changed, None, tuple(files))


@kind(
    "keyboard/stray-key-hole",
    "Adds the middle hole of a key where there is none.",
    "half/",
    "hole/",
    "parts/",
    "copper/",
    "profile/",
)
def stray_key_hole(parcel: Parcel, rng: Random) -> Plant:
    hole = pick(rng, _key_holes(parcel), "key")
    drill = parcel.drills[hole.file]
    x, y = hole.hit.x + 9.5, hole.hit.y + 7.0
    left, bottom, right, top = parcel.edge
    if not (left < x < right and bottom < y < top):
        x, y = hole.hit.x - 9.5, hole.hit.y - 7.0
    h = hole.hit
    new = replace(h, x=x, y=y, to_x=x, to_y=y)
    text = drill.changed(lambda hit: [hit, new] if hit == h else [hit])
    return Plant(parcel.with_text(hole.file, text), (x, y), (hole.file,), 8)

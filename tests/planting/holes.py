"""Changes of holes and slots."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from random import Random

from yardstick.gerber_text import Unfit
from yardstick.kind import first, pick
from yardstick.parcel import Hole, Parcel, spot

from planting.edit import Edit, change

JOINS = ("connection/*", "pin/*")


def _round(parcel: Parcel) -> list[Hole]:
    return [h for h in parcel.holes if not h.hit.slot and parcel.drills[h.file].plain]


def _lone(parcel: Parcel) -> list[Hole]:
    """Holes whose size only a few others share, so that no key stands over them."""
    sizes: dict[float, int] = defaultdict(int)
    for hole in _round(parcel):
        sizes[round(hole.diameter, 2)] += 1
    return [h for h in _round(parcel) if sizes[round(h.diameter, 2)] <= 6]


def _hole(parcel: Parcel, rng: Random) -> Hole:
    return pick(rng, _lone(parcel) or _round(parcel), "round hole")


def _stepped(parcel: Parcel, hole: Hole, dx: float, dy: float) -> Parcel:
    h = hole.hit
    new = replace(h, x=h.x + dx, y=h.y + dy, to_x=h.to_x + dx, to_y=h.to_y + dy)
    text = parcel.drills[hole.file].changed(lambda hit: [new] if hit == h else [hit])
    return parcel.with_text(hole.file, text)


def _move(kind_id: str, dx: float, dy: float) -> None:
    @change(kind_id)
    def moved(parcel: Parcel, rng: Random) -> Edit:
        hole = _hole(parcel, rng)
        made = _stepped(parcel, hole, dx, dy)
        return Edit(made, ("hole/moved",), "hole", JOINS, hole.at, 6, (dx, dy))


_move("hole/moved-a-little", 0.02, 0)
_move("hole/moved-aslant", 0.1, -0.1)
_move("hole/moved", 1.0, 0)
_move("hole/moved-up", 0, 2.0)


@change("hole/moved-far")
def moved_far(parcel: Parcel, rng: Random) -> Edit:
    hole = _hole(parcel, rng)
    x, y = parcel.free_place(2)
    made = _stepped(parcel, hole, x - hole.hit.x, y - hole.hit.y)
    return Edit(made, ("hole/moved", "hole/removed"), "hole", (*JOINS, "hole/added"))


@change("hole/removed")
def removed(parcel: Parcel, rng: Random) -> Edit:
    hole = _hole(parcel, rng)
    text = parcel.drills[hole.file].without([hole.hit])
    made = parcel.with_text(hole.file, text)
    return Edit(made, ("hole/removed",), "hole.*(gone|removed)", JOINS, hole.at, 30)


@change("hole/added")
def added(parcel: Parcel, rng: Random) -> Edit:
    x, y = parcel.free_place(1.5)
    name = pick(rng, [n for n, d in parcel.drills.items() if d.header_end], "drill file")
    made = parcel.with_text(name, parcel.drills[name].added(x, y, 1.3))
    return Edit(made, ("hole/added",), "hole.*(added|new)", (), (x, y))


@change("hole/resized")
def resized(parcel: Parcel, rng: Random) -> Edit:
    hole = _hole(parcel, rng)
    drill = parcel.drills[hole.file]
    without = parcel.with_text(hole.file, drill.without([hole.hit]))
    bare = without.drills[hole.file]
    made = without.with_text(hole.file, bare.added(*hole.at, hole.diameter + 0.1))
    return Edit(made, ("hole/resized",), "mm", JOINS, hole.at, 1)


@change("hole/tool-resized")
def tool_resized(parcel: Parcel, rng: Random) -> Edit:
    hole = _hole(parcel, rng)
    text = parcel.drills[hole.file].resized(hole.hit.tool, hole.diameter + 0.2)
    made = parcel.with_text(hole.file, text)
    return Edit(made, ("hole/resized", "slot/resized"), "mm", (*JOINS, "slot/*"))


@change("hole/plated-otherwise")
def replated(parcel: Parcel, rng: Random) -> Edit:
    files = [n for n, d in parcel.drills.items() if d.header_end and d.plain]
    said = [n for n in files if parcel.roles[n].plated is not None]
    hole = pick(rng, [h for h in _lone(parcel) if h.file in said], "hole of known plating")
    other = [n for n in said if parcel.roles[n].plated != parcel.roles[hole.file].plated]
    to = first(other, "file of the other plating")
    made = parcel.with_text(hole.file, parcel.drills[hole.file].without([hole.hit]))
    made = made.with_text(to, made.drills[to].added(*hole.at, hole.diameter))
    return Edit(made, ("hole/changed",), "plated", JOINS, hole.at, 30)


@change("hole/file-shifted")
def file_shifted(parcel: Parcel, rng: Random) -> Edit:
    name, drill = first([(n, d) for n, d in parcel.drills.items() if d.plain and d.hits], "drill")
    text = drill.changed(
        lambda h: [replace(h, x=h.x + 0.3, to_x=h.to_x + 0.3, y=h.y + 0.1, to_y=h.to_y + 0.1)]
    )
    made = parcel.with_text(name, text)
    kinds = ("hole/moved", "slot/moved", "key/moved")
    told = r"moved by 0\.3|lies 0\.30, 0\.10 mm off"
    return Edit(made, kinds, told, (*JOINS, "*/moved"), None, 1, (0.3, 0.1))


@change("hole/half-lost")
def half_lost(parcel: Parcel, rng: Random) -> Edit:
    drills = [(n, d) for n, d in parcel.drills.items() if d.plain and len(d.hits) >= 4]
    name, drill = first(drills, "drill")
    text = drill.without(drill.hits[len(drill.hits) // 2 :])
    also = (*JOINS, "key/removed", "slot/removed")
    return Edit(
        parcel.with_text(name, text),
        ("hole/removed",),
        "holes?.*(gone|removed)|removed, with \\d+ holes",
        also,
    )


@change("hole/via-lost")
def via_lost(parcel: Parcel, rng: Random) -> Edit:
    vias = [h for h in _round(parcel) if h.diameter <= 0.5 and parcel.pads_at.get(spot(*h.at))]
    hole = pick(rng, vias, "via")
    made = parcel.with_text(hole.file, parcel.drills[hole.file].without([hole.hit]))
    return Edit(made, ("hole/removed",), "hole.*(gone|removed)", JOINS, hole.at, 200)


def _slots(parcel: Parcel) -> list[Hole]:
    return [h for h in parcel.holes if h.hit.slot and parcel.drills[h.file].plain]


@change("slot/added")
def slot_added(parcel: Parcel, rng: Random) -> Edit:
    x, y = parcel.free_place(2.5)
    name = pick(rng, [n for n, d in parcel.drills.items() if d.header_end], "drill file")
    made = parcel.with_text(name, parcel.drills[name].added(x, y - 0.5, 1.1, slot_mm=1.5))
    return Edit(made, ("slot/added",), "slot.*(added|new)", (), (x, y))


@change("slot/removed")
def slot_removed(parcel: Parcel, rng: Random) -> Edit:
    slot = pick(rng, _slots(parcel), "slot")
    made = parcel.with_text(slot.file, parcel.drills[slot.file].without([slot.hit]))
    return Edit(made, ("slot/removed",), "slot.*(gone|removed)", JOINS, slot.at, 30)


@change("slot/longer")
def slot_longer(parcel: Parcel, rng: Random) -> Edit:
    slot = pick(rng, _slots(parcel), "slot")
    h = slot.hit
    new = replace(h, to_x=h.x + 1.2 * (h.to_x - h.x), to_y=h.y + 1.2 * (h.to_y - h.y))
    text = parcel.drills[slot.file].changed(lambda hit: [new] if hit == h else [hit])
    made = parcel.with_text(slot.file, text)
    return Edit(made, ("slot/resized",), "slot", JOINS, slot.at, 6)


# -- at every key ----------------------------------------------------------------------------


def key_centres(parcel: Parcel) -> list[Hole]:
    """The widest bare holes of which there are at least four: where keys stand.

    Raises
    ------
    Unfit
        There are none.
    """
    alike: dict[float, list[Hole]] = defaultdict(list)
    for hole in _round(parcel):
        alike[round(hole.diameter, 2)].append(hole)
    sizes = sorted((d for d, h in alike.items() if len(h) >= 4 and d > 2.5), reverse=True)
    return alike[first(sizes, "four wide holes alike")]


@change("key/holes-at-each")
def holes_at_each(parcel: Parcel, rng: Random) -> Edit:
    keys = key_centres(parcel)
    name = keys[0].file
    for key in keys:
        for step in (-0.7, 0.7):
            drill = parcel.drills[name]
            parcel = parcel.with_text(name, drill.added(key.hit.x + 4.3, key.hit.y + step, 0.9))
    told = r"2 holes at each of \d+ keys"
    return Edit(parcel, ("hole/added",), told, JOINS)


@change("key/centre-narrower")
def centre_narrower(parcel: Parcel, rng: Random) -> Edit:
    key = key_centres(parcel)[0]
    text = parcel.drills[key.file].resized(key.hit.tool, key.diameter - 0.2)
    return Edit(parcel.with_text(key.file, text), ("hole/resized",), "mm")


@change("key/peg-moved")
def peg_moved(parcel: Parcel, rng: Random) -> Edit:
    centres = key_centres(parcel)
    key = pick(rng, centres, "key")
    pegs = [
        h
        for h in _round(parcel)
        if 2 < abs(complex(*h.at) - complex(*key.at)) < 7 and h.hit.tool != key.hit.tool
    ]
    peg = pick(rng, pegs, "hole beside the middle of a key")
    made = _stepped(parcel, peg, 0, 1.0)
    return Edit(made, ("hole/moved",), "hole", (*JOINS, "hole/*"), peg.at, 3, (0, 1.0))


@change("key/moved")
def key_moved(parcel: Parcel, rng: Random) -> Edit:
    """Everything within 7 mm of a key's middle moves up by 0.6 mm."""
    key = pick(rng, key_centres(parcel), "key")
    x, y = key.at

    def mine(px: float, py: float) -> bool:
        return abs(px - x) < 7 and abs(py - y) < 7

    for name, drill in list(parcel.drills.items()):
        if drill.plain and any(mine(h.x, h.y) for h in drill.hits):
            text = drill.changed(
                lambda h: [replace(h, y=h.y + 0.6, to_y=h.to_y + 0.6)] if mine(h.x, h.y) else [h]
            )
            parcel = parcel.with_text(name, text)
    for name, layer in list(parcel.gerbers.items()):
        edits = []
        for flash in layer.flashes:
            if mine(flash.x, flash.y):
                edits += layer.moved(flash, 0, 0.6)
        try:
            text = layer.text
            for edit in sorted(set(edits), reverse=True):
                text = text[: edit[0]] + edit[2] + text[edit[1] :]
        except IndexError as error:
            raise Unfit("flashes overlap") from error
        parcel = parcel.with_text(name, text)
    also = ("hole/*", "part/*", "copper/*", "mask/*", "paste/*", "legend/*", *JOINS)
    return Edit(parcel, ("key/moved",), r"moved by 0, 0\.6", also, (x, y), 60, (0, 0.6))

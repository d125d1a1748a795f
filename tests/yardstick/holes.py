"""Plants in holes and slots."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from math import hypot
from random import Random

from yardstick.drill_text import DrillText
from yardstick.gerber_text import Unfit
from yardstick.kind import Plant, first, kind, pick
from yardstick.parcel import SIDES, Hole, Parcel, spot

LOST = ("hole/", "drill/", "package/", "net/", "register/", "mask/", "half/", "parts/")


def _holes(parcel: Parcel, *, plated: bool, least: float = 0.0) -> list[Hole]:
    """Round holes in files that can be rewritten, of at least a diameter in mm."""
    return [
        h
        for h in parcel.holes
        if h.plated == plated
        and not h.hit.slot
        and h.diameter > least
        and parcel.drills[h.file].plain
    ]


def _padded(parcel: Parcel) -> list[Hole]:
    """Plated component holes with a pad on both faces."""
    return [
        h
        for h in _holes(parcel, plated=True, least=0.55)
        if {p.side for p in parcel.pads_at.get(spot(*h.at), [])} == set(SIDES)
    ]


def _drill(parcel: Parcel, hole: Hole) -> DrillText:
    return parcel.drills[hole.file]


def _lost(parcel: Parcel, hole: Hole, hidden: str = "") -> Plant:
    text = _drill(parcel, hole).without([hole.hit])
    return Plant(parcel.with_text(hole.file, text), hole.at, (hole.file,), hidden=hidden)


def _moved(parcel: Parcel, hole: Hole, dx: float, dy: float, hidden: str = "") -> Plant:
    h = hole.hit
    new = replace(h, x=h.x + dx, y=h.y + dy, to_x=h.to_x + dx, to_y=h.to_y + dy)
    text = _drill(parcel, hole).changed(lambda hit: [new] if hit == h else [hit])
    return Plant(parcel.with_text(hole.file, text), hole.at, (hole.file,), hidden=hidden)


@kind("holes/component-hole-lost", "Leaves out one plated hole whose pads stay.", *LOST)
def component_hole_lost(parcel: Parcel, rng: Random) -> Plant:
    return _lost(parcel, pick(rng, _padded(parcel), "plated hole with pads on both faces"))


@kind("holes/via-lost", "Leaves out one via whose pads stay.", *LOST)
def via_lost(parcel: Parcel, rng: Random) -> Plant:
    vias = [
        h
        for h in _holes(parcel, plated=True)
        if h.diameter <= 0.5 and len(parcel.pads_at.get(spot(*h.at), [])) > 1
    ]
    return _lost(parcel, pick(rng, vias, "via with pads on both faces"))


@kind("holes/bare-hole-lost", "Leaves out one bare hole of many alike.", *LOST)
def bare_hole_lost(parcel: Parcel, rng: Random) -> Plant:
    bare = _holes(parcel, plated=False, least=0.8)
    alike: dict[float, list[Hole]] = defaultdict(list)
    for hole in bare:
        alike[round(hole.diameter, 2)].append(hole)
    many = [h for group in alike.values() if len(group) >= 8 for h in group]
    hole = pick(rng, many, "bare hole of eight or more alike")
    opened = any(parcel.openings[s].get(spot(*hole.at)) for s in SIDES)
    return _lost(parcel, hole, "" if opened else "no opening of the mask marks the place")


@kind("holes/all-plated-lost", "Leaves out every plated hole; the file stays.", *LOST)
def all_plated_lost(parcel: Parcel, _: Random) -> Plant:
    return _all_lost(parcel, plated=True)


@kind("holes/all-bare-lost", "Leaves out every bare hole; the file stays.", *LOST)
def all_bare_lost(parcel: Parcel, _: Random) -> Plant:
    return _all_lost(parcel, plated=False)


def _all_lost(parcel: Parcel, *, plated: bool) -> Plant:
    holes = [h for h in parcel.holes if h.plated == plated and _drill(parcel, h).plain]
    name = first(holes, "plated holes" if plated else "bare holes").file
    lost = {h.hit for h in holes if h.file == name}
    if len(lost) < 3:
        raise Unfit("fewer than three such holes")
    text = parcel.drills[name].without(lost)
    marked = any(
        parcel.pads_at.get(spot(h.x, h.y)) or parcel.openings["top"].get(spot(h.x, h.y))
        for h in lost
    )
    hidden = "" if marked else "neither pads nor openings mark the places"
    return Plant(parcel.with_text(name, text), None, (name,), hidden=hidden)


@kind("holes/half-of-file-lost", "Leaves out the second half of a drill file's hits.", *LOST)
def half_lost(parcel: Parcel, _: Random) -> Plant:
    files = [(n, d) for n, d in parcel.drills.items() if d.plain and len(d.hits) >= 8]
    name, drill = max(files, key=lambda f: len(f[1].hits), default=("", None))
    if drill is None:
        raise Unfit("no drill file with eight hits")
    lost = set(drill.hits[len(drill.hits) // 2 :])
    return Plant(parcel.with_text(name, drill.without(lost)), None, (name,))


@kind("holes/tool-lost", "Leaves out every hit of one tool of component holes.", *LOST)
def tool_lost(parcel: Parcel, rng: Random) -> Plant:
    tools = sorted({(h.file, h.hit.tool) for h in _padded(parcel)})
    name, tool = pick(rng, tools, "tool of plated component holes")
    drill = parcel.drills[name]
    lost = {h for h in drill.hits if h.tool == tool}
    place = next(iter(h for h in drill.hits if h.tool == tool))
    return Plant(
        parcel.with_text(name, drill.without(lost)), (place.x, place.y), (name,), reach=1e3
    )


@kind("holes/drilled-twice", "Writes one hit a second time.", "hole/", "drill/")
def drilled_twice(parcel: Parcel, rng: Random) -> Plant:
    hole = pick(rng, [h for h in parcel.holes if not h.hit.slot and h.diameter], "hole")
    text = _drill(parcel, hole).changed(lambda h: [h, h] if h == hole.hit else [h])
    return Plant(parcel.with_text(hole.file, text), hole.at, (hole.file,))


@kind("holes/two-sizes", "Drills one hole again, larger by half a millimetre.", "hole/")
def two_sizes(parcel: Parcel, rng: Random) -> Plant:
    hole = pick(rng, [h for h in parcel.holes if not h.hit.slot and h.diameter], "hole")
    text = _drill(parcel, hole).added(*hole.at, hole.diameter + 0.5)
    return Plant(parcel.with_text(hole.file, text), hole.at, (hole.file,))


@kind("holes/off-its-pad", "Moves one plated hole to the rim of its pad.", "hole/", "mask/", "net/")
def off_its_pad(parcel: Parcel, rng: Random) -> Plant:
    hole = pick(rng, _padded(parcel), "plated hole with pads")
    shift = max(parcel.pads_at[spot(*hole.at)][0].box) / 2 or 0.6
    return _moved(parcel, hole, shift, 0)


@kind("holes/plated-too-small", "Makes the smallest plated tool 0.08 mm wide.", "hole/", "drill/")
def plated_too_small(parcel: Parcel, _: Random) -> Plant:
    holes = sorted(_holes(parcel, plated=True), key=lambda h: h.diameter)
    hole = first(holes, "plated hole")
    text = _drill(parcel, hole).resized(hole.hit.tool, 0.08)
    return Plant(parcel.with_text(hole.file, text), hole.at, (hole.file,), reach=1e3)


@kind("holes/larger-than-pad", "Makes a plated tool wider than its pads.", "hole/")
def larger_than_pad(parcel: Parcel, rng: Random) -> Plant:
    hole = pick(rng, _padded(parcel), "plated hole with pads")
    size = max(max(p.box) for p in parcel.pads_at[spot(*hole.at)]) + 0.1
    if size < 0.3:
        raise Unfit("no pad of known size")
    text = _drill(parcel, hole).resized(hole.hit.tool, size)
    return Plant(parcel.with_text(hole.file, text), hole.at, (hole.file,), reach=1e3)


def _drill_to_add(parcel: Parcel) -> tuple[str, DrillText]:
    drills = [(n, d) for n, d in parcel.drills.items() if d.plain and d.header_end]
    bare = [(n, d) for n, d in drills if parcel.roles[n].plated is False]
    return first(bare or drills, "drill file with a tool table")


def _added(parcel: Parcel, x: float, y: float, diameter: float) -> Plant:
    name, drill = _drill_to_add(parcel)
    return Plant(parcel.with_text(name, drill.added(x, y, diameter)), (x, y), (name,))


@kind("holes/outside-board", "Adds a hole 10 mm outside the board.", "hole/", "register/")
def outside_board(parcel: Parcel, _: Random) -> Plant:
    left, bottom, _right, top = parcel.edge
    return _added(parcel, left - 10, (bottom + top) / 2, 1.0)


@kind("holes/across-the-edge", "Adds a bare hole in the middle of the longest edge.", "hole/")
def across_the_edge(parcel: Parcel, _: Random) -> Plant:
    sides = [m for _, g in parcel.layers("profile") for m in g.draws]
    sides.sort(key=lambda m: -m.length)
    return _added(parcel, *first(sides, "profile with straight lines").at, 1.0)


@kind("holes/wall-thin", "Adds a bare hole 0.05 mm beside another.", "hole/")
def wall_thin(parcel: Parcel, rng: Random) -> Plant:
    hole = pick(rng, _holes(parcel, plated=False, least=0.8), "bare hole")
    return _added(parcel, hole.hit.x, hole.hit.y + hole.diameter / 2 + 0.55, 1.0)


@kind("holes/overlapping", "Adds a bare hole that runs into a plated one.", "hole/")
def overlapping(parcel: Parcel, rng: Random) -> Plant:
    hole = pick(rng, _padded(parcel), "plated hole")
    return _added(parcel, hole.hit.x, hole.hit.y + hole.diameter / 2 + 0.3, 1.0)


@kind(
    "holes/through-track", "Adds a 1 mm hole on the middle of a track.", "hole/", "net/", "copper/"
)
def through_track(parcel: Parcel, rng: Random) -> Plant:
    tracks = [
        m
        for _, layer in parcel.layers("copper")
        if layer.absolute
        for m in layer.draws
        if m.length > 4
        and 0.05 < layer.box_of(m)[0] < 0.8
        and not any(r.holds(*m.at) for _, g in parcel.layers("copper") for r in g.regions)
    ]
    return _added(parcel, *pick(rng, tracks, "long track outside pours").at, 1.0)


@kind("holes/beside-track", "Adds a bare hole 0.05 mm beside a track.", "hole/", "copper/")
def beside_track(parcel: Parcel, rng: Random) -> Plant:
    tracks = [
        (m, layer.box_of(m)[0])
        for _, layer in parcel.layers("copper")
        if layer.absolute
        for m in layer.draws
        if m.length > 4
    ]
    rng.shuffle(tracks)
    for track, width in tracks:
        off = width / 2 + 0.55
        dx, dy = (track.x - track.from_x) / track.length, (track.y - track.from_y) / track.length
        x, y = track.at[0] - dy * off, track.at[1] + dx * off
        if parcel.free_of_copper(x, y, 0.52):
            return _added(parcel, x, y, 1.0)
    raise Unfit("no long track with room beside it")


@kind("holes/without-copper", "Adds a plated hole where there is no copper.", "hole/", "half/")
def without_copper(parcel: Parcel, _: Random) -> Plant:
    plated = [
        (n, d)
        for n, d in parcel.drills.items()
        if d.plain and d.header_end and parcel.roles[n].plated
    ]
    name, drill = first(plated, "drill file of plated holes")
    x, y = parcel.free_place(1.5)
    return Plant(parcel.with_text(name, drill.added(x, y, 0.8)), (x, y), (name,))


@kind(
    "holes/plated-and-bare",
    "Writes a plated hole into the bare drill file too.",
    "board/",
    "hole/",
    "drill/",
)
def plated_and_bare(parcel: Parcel, rng: Random) -> Plant:
    bare = [n for n, d in parcel.drills.items() if parcel.roles[n].plated is False and d.plain]
    name = first([n for n in bare if parcel.drills[n].header_end], "file of bare holes")
    hole = pick(rng, _padded(parcel), "plated hole")
    text = parcel.drills[name].added(*hole.at, hole.diameter)
    return Plant(parcel.with_text(name, text), hole.at, (name,))


@kind("holes/slot-lost", "Leaves out one slot.", *LOST)
def slot_lost(parcel: Parcel, rng: Random) -> Plant:
    slots = [h for h in parcel.holes if h.hit.slot and _drill(parcel, h).plain]
    hole = pick(rng, slots, "slot")
    return _lost(parcel, hole, _unmarked(parcel, hole))


def _unmarked(parcel: Parcel, slot: Hole) -> str:
    """Why the place of a slot cannot be told without it, if so."""
    middle = spot((slot.hit.x + slot.hit.to_x) / 2, (slot.hit.y + slot.hit.to_y) / 2)
    marked = parcel.pads_at.get(middle) or parcel.openings["top"].get(middle)
    return "" if marked else "neither pad nor opening marks the place"


@kind("holes/slot-narrow", "Makes the tool of a slot 0.2 mm wide.", "hole/", "drill/")
def slot_narrow(parcel: Parcel, rng: Random) -> Plant:
    hole = pick(rng, [h for h in parcel.holes if h.hit.slot and h.diameter], "slot")
    text = _drill(parcel, hole).resized(hole.hit.tool, 0.2)
    return Plant(parcel.with_text(hole.file, text), hole.at, (hole.file,), reach=1e3)


@kind("holes/slot-off", "Moves one slot by 2 mm.", "hole/", "mask/", "net/", "register/")
def slot_off(parcel: Parcel, rng: Random) -> Plant:
    slots = [h for h in parcel.holes if h.hit.slot and _drill(parcel, h).plain]
    hole = pick(rng, slots, "slot")
    return _moved(parcel, hole, 2, 0, _unmarked(parcel, hole))


@kind("holes/narrow-slot-added", "Adds a bare slot 0.3 mm wide.", "hole/", "profile/")
def narrow_slot_added(parcel: Parcel, _: Random) -> Plant:
    name, drill = _drill_to_add(parcel)
    x, y = parcel.free_place(2.5)
    text = drill.added(x, y - 0.75, 0.3, slot_mm=1.5)
    return Plant(parcel.with_text(name, text), (x, y), (name,))


@kind(
    "holes/pair-moved",
    "Moves one of a row of plated holes by 0.8 mm, pads staying.",
    "hole/",
    "net/",
    "mask/",
)
def row_moved(parcel: Parcel, rng: Random) -> Plant:
    padded = _padded(parcel)
    row = [
        h
        for h in padded
        if sum(hypot(h.hit.x - o.hit.x, h.hit.y - o.hit.y) < 2.6 for o in padded) >= 2
    ]
    hole = pick(rng, row, "row of plated holes")
    return _moved(parcel, hole, 0, 0.8)

"""Plants in copper layers: tracks, pads, pours and gaps."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from itertools import pairwise
from math import hypot
from random import Random

from yardstick.gerber_text import GerberText, Mark, Region, Unfit
from yardstick.kind import Plant, edited, first, kind, pick
from yardstick.parcel import SIDES, Pad, Parcel, spot

ISLANDS = ("net/", "copper/", "wiring/", "half/")
Track = tuple[str, GerberText, Mark]


def _tracks(parcel: Parcel, least: float = 2.0) -> list[Track]:
    """Straight tracks of the outer copper layers, of at least a length in mm."""
    return [
        (name, layer, mark)
        for name, layer in parcel.layers("copper")
        if layer.absolute
        for mark in layer.draws
        if mark.length >= least and 0.05 < layer.box_of(mark)[0] < 1.5
    ]


def _poured(parcel: Parcel, x: float, y: float) -> bool:
    """Whether a pour of some copper layer covers a place."""
    return any(r.holds(x, y) for _, g in parcel.layers("copper") for r in g.regions if r.dark)


def _rimmed(parcel: Parcel, mark: Mark) -> bool:
    """Whether a stroke lies in a pour or is the rim of one."""
    ux, uy = (mark.x - mark.from_x) / mark.length, (mark.y - mark.from_y) / mark.length
    x, y = mark.at
    return any(_poured(parcel, x - uy * off, y + ux * off) for off in (-0.2, 0.0, 0.2))


def _links(parcel: Parcel) -> dict[tuple[int, int], list[tuple[tuple[int, int], int]]]:
    """Which spots tracks join, on any layer, each with the number of its track."""
    joined: dict[tuple[int, int], list[tuple[tuple[int, int], int]]] = defaultdict(list)
    number = 0
    for _, layer in parcel.layers("copper"):
        for m in layer.marks:
            if m.kind == "draw":
                a, b = spot(m.from_x, m.from_y), spot(m.x, m.y)
                joined[a].append((b, number))
                joined[b].append((a, number))
                number += 1
    return joined


def _bridge(parcel: Parcel, rng: Random, least: float) -> Track:
    """A track outside pours that alone joins pads on its two sides.

    Raises
    ------
    Unfit
        There is none.
    """
    joined = _links(parcel)
    tracks = _tracks(parcel, least)
    rng.shuffle(tracks)
    for name, layer, mark in tracks:
        ends = spot(mark.from_x, mark.from_y), spot(mark.x, mark.y)
        if _poured(parcel, *mark.at) or any(
            _poured(parcel, x, y) for x, y in ((mark.x, mark.y), (mark.from_x, mark.from_y))
        ):
            continue
        sides = [_reached(joined, a, b) for a, b in (ends, ends[::-1])]
        if all(
            end not in other and any(parcel.pads_at.get(s) for s in side)
            for side, other, end in zip(sides, sides[::-1], ends, strict=True)
        ):
            return name, layer, mark
    raise Unfit("no track that alone joins two pads")


def _reached(
    joined: dict[tuple[int, int], list[tuple[tuple[int, int], int]]],
    start: tuple[int, int],
    barred: tuple[int, int],
) -> set[tuple[int, int]]:
    """Spots reached from a start without the direct step to *barred*."""
    seen, todo = {start}, [start]
    while todo:
        here = todo.pop()
        for there, _ in joined.get(here, []):
            if there not in seen and not (here == start and there == barred):
                seen.add(there)
                todo.append(there)
    return seen


def _without_nets(parcel: Parcel, why: str) -> str:
    return "" if parcel.has_nets else why


@kind("copper/track-cut", "Leaves out one piece of track that alone joins two pads.", *ISLANDS)
def track_cut(parcel: Parcel, rng: Random) -> Plant:
    name, layer, mark = _bridge(parcel, rng, 1.0)
    changed = edited(parcel, name, layer.dropped(mark))
    hidden = _without_nets(parcel, "no net names")
    return Plant(changed, mark.at, (name,), mark.length / 2 + 3, hidden)


@kind(
    "copper/track-loose", "Leaves out the middle of a track, so that two ends hang free.", *ISLANDS
)
def track_loose(parcel: Parcel, rng: Random) -> Plant:
    name, layer, m = _bridge(parcel, rng, 3.0)
    ux, uy = (m.x - m.from_x) / m.length, (m.y - m.from_y) / m.length
    new = (
        layer.point(m.at[0] - ux * 0.5, m.at[1] - uy * 0.5, "D01")
        + layer.point(m.at[0] + ux * 0.5, m.at[1] + uy * 0.5, "D02")
        + layer.point(m.x, m.y, "D01")
    )
    hidden = _without_nets(parcel, "no net names")
    return Plant(edited(parcel, name, layer.rewritten(m, new)), m.at, (name,), 3, hidden)


@kind("copper/track-thin", "Draws one track 0.05 mm wide.", "copper/")
def track_thin(parcel: Parcel, rng: Random) -> Plant:
    tracks = [t for t in _tracks(parcel) if not _rimmed(parcel, t[2])]
    name, layer, mark = pick(rng, tracks, "track")
    shape = f"C,{layer.size(0.05)}"
    return Plant(
        edited(parcel, name, layer.reshaped(mark, shape)), mark.at, (name,), mark.length / 2 + 1
    )


@kind(
    "copper/all-tracks-thin",
    "Makes the aperture of most tracks 0.06 mm wide.",
    "copper/",
    weight="stop",
)
def all_tracks_thin(parcel: Parcel, _: Random) -> Plant:
    used: dict[tuple[str, int], int] = defaultdict(int)
    for name, _layer, mark in _tracks(parcel):
        used[name, mark.aperture] += 1
    name, code = first(sorted(used, key=lambda k: (-used[k], k)), "track")
    layer = parcel.gerbers[name]
    changed = edited(parcel, name, [layer.redefined(code, f"C,{layer.size(0.06)}")])
    return Plant(changed, None, (name,))


def _near_pairs(parcel: Parcel, most: float) -> Iterator[tuple[Pad, Pad]]:
    """Pads of one face side by side, of different nets where nets are named."""
    for side in SIDES:
        pads = [p for p in parcel.pads if p.side == side and min(p.box) > 0]
        for a, b in pairwise(pads):
            apart = hypot(a.mark.x - b.mark.x, a.mark.y - b.mark.y)
            different = a.mark.net != b.mark.net or not a.mark.net
            if max(a.box) < apart < most and different:
                yield a, b


@kind(
    "copper/bridge",
    "Joins two neighbouring pads of different nets by a track.",
    "net/",
    "copper/",
    "wiring/",
)
def bridge(parcel: Parcel, rng: Random) -> Plant:
    a, b = pick(rng, _near_pairs(parcel, 6), "two pads side by side")
    layer = parcel.gerbers[a.file]
    line = [(*a.at, "D02"), (*b.at, "D01")]
    changed = edited(parcel, a.file, [layer.added(f"C,{layer.size(0.3)}", line)])
    hidden = _without_nets(parcel, "no net names")
    middle = ((a.mark.x + b.mark.x) / 2, (a.mark.y + b.mark.y) / 2)
    return Plant(changed, middle, (a.file,), 6, hidden)


@kind("copper/gap-small", "Adds a spot of copper 0.05 mm beside a track.", "copper/")
def gap_small(parcel: Parcel, rng: Random) -> Plant:
    tracks = [t for t in _tracks(parcel, 3) if not _rimmed(parcel, t[2])]
    name, layer, m = pick(rng, tracks, "track")
    off = layer.box_of(m)[0] / 2 + 0.3
    x = m.at[0] - (m.y - m.from_y) / m.length * off
    y = m.at[1] + (m.x - m.from_x) / m.length * off
    changed = edited(parcel, name, [layer.added(f"C,{layer.size(0.5)}", [(x, y, "D03")])])
    return Plant(changed, (x, y), (name,))


@kind("copper/near-edge", "Draws a track 0.05 mm inside the board's longest edge.", "copper/")
def near_edge(parcel: Parcel, _: Random) -> Plant:
    return _along_edge(parcel, 0.15)


@kind("copper/on-edge", "Draws a track along the board's longest edge, half outside.", "copper/")
def on_edge(parcel: Parcel, _: Random) -> Plant:
    return _along_edge(parcel, 0.0)


def _along_edge(parcel: Parcel, inside: float) -> Plant:
    sides = [m for _, g in parcel.layers("profile") for m in g.draws]
    sides.sort(key=lambda m: -m.length)
    m = first(sides, "profile with straight lines")
    name, layer = first(parcel.layers("copper"), "copper layer")
    left, bottom, right, top = parcel.edge
    middle = ((left + right) / 2, (bottom + top) / 2)
    nx, ny = -(m.y - m.from_y) / m.length, (m.x - m.from_x) / m.length
    if nx * (middle[0] - m.at[0]) + ny * (middle[1] - m.at[1]) < 0:
        nx, ny = -nx, -ny
    ends = []
    for share, code in ((0.4, "D02"), (0.6, "D01")):
        x = m.from_x + (m.x - m.from_x) * share + nx * inside
        y = m.from_y + (m.y - m.from_y) * share + ny * inside
        ends.append((x, y, code))
    changed = edited(parcel, name, [layer.added(f"C,{layer.size(0.2)}", ends)])
    return Plant(changed, m.at, (name,), m.length / 8 + 2)


def _holed(parcel: Parcel, side: str | None = None) -> list[Pad]:
    """Pads of plated holes."""
    return [
        p
        for p in parcel.pads
        if side in (None, p.side)
        and (hole := parcel.hole_spots.get(spot(*p.at)))
        and hole.plated
        and hole.diameter > 0.55
        and not _poured(parcel, *p.at)
        and not _covered(parcel, p)
    ]


def _covered(parcel: Parcel, pad: Pad) -> bool:
    """Whether another pad of the face reaches over the middle of this one."""
    return any(
        other.file == pad.file
        and other.mark.span != pad.mark.span
        and abs(other.mark.x - pad.mark.x) <= other.box[0] / 2
        and abs(other.mark.y - pad.mark.y) <= other.box[1] / 2
        for other in parcel.pads
    )


def _surface(parcel: Parcel) -> list[Pad]:
    """Pads without a hole that the mask opens."""
    return [
        p
        for p in parcel.pads
        if spot(*p.at) not in parcel.hole_spots
        and parcel.openings[p.side].get(spot(*p.at))
        and not _poured(parcel, *p.at)
        and not _covered(parcel, p)
    ]


@kind(
    "copper/pad-lost",
    "Leaves out a plated hole's pad on one face.",
    "hole/",
    "net/",
    "mask/",
    "half/",
    "copper/",
)
def pad_lost(parcel: Parcel, rng: Random) -> Plant:
    pad = pick(rng, _holed(parcel), "pad of a plated hole outside pours")
    layer = parcel.gerbers[pad.file]
    return Plant(edited(parcel, pad.file, layer.dropped(pad.mark)), pad.at, (pad.file,))


@kind(
    "copper/pads-lost-both",
    "Leaves out a plated hole's pads on both faces.",
    "hole/",
    "net/",
    "mask/",
    "half/",
)
def pads_lost_both(parcel: Parcel, rng: Random) -> Plant:
    pads = [
        p for p in _holed(parcel) if {o.side for o in parcel.pads_at[spot(*p.at)]} == set(SIDES)
    ]
    pad = pick(rng, pads, "plated hole with pads on both faces")
    here = parcel.pads_at[spot(*pad.at)]
    changed = parcel
    for name in sorted({p.file for p in here}):
        layer = parcel.gerbers[name]
        lost = [e for p in here if p.file == name for e in layer.dropped(p.mark)]
        changed = edited(changed, name, lost)
    return Plant(changed, pad.at, tuple(sorted({p.file for p in here})))


@kind(
    "copper/surface-pad-lost",
    "Leaves out a surface pad that the mask opens.",
    "mask/",
    "net/",
    "hole/",
    "half/",
    "copper/",
)
def surface_pad_lost(parcel: Parcel, rng: Random) -> Plant:
    pad = pick(rng, _surface(parcel), "surface pad with an opening")
    layer = parcel.gerbers[pad.file]
    return Plant(edited(parcel, pad.file, layer.dropped(pad.mark)), pad.at, (pad.file,))


@kind("copper/ring-thin", "Makes one pad 0.06 mm wider than its hole.", "hole/")
def ring_thin(parcel: Parcel, rng: Random) -> Plant:
    pad = pick(rng, _holed(parcel), "pad of a plated hole")
    layer = parcel.gerbers[pad.file]
    wide = parcel.hole_spots[spot(*pad.at)].diameter + 0.06
    changed = edited(parcel, pad.file, layer.reshaped(pad.mark, f"C,{layer.size(wide)}"))
    return Plant(changed, pad.at, (pad.file,))


@kind(
    "copper/pad-shifted",
    "Moves one surface pad by 0.6 mm; its opening stays.",
    "mask/",
    "net/",
    "copper/",
    "half/",
)
def pad_shifted(parcel: Parcel, rng: Random) -> Plant:
    pad = pick(rng, _surface(parcel), "surface pad with an opening")
    layer = parcel.gerbers[pad.file]
    return Plant(edited(parcel, pad.file, layer.moved(pad.mark, 0.6, 0)), pad.at, (pad.file,))


@kind("copper/pour-lost", "Leaves out the largest pour of a layer.", *ISLANDS, "mask/", "hole/")
def pour_lost(parcel: Parcel, _: Random) -> Plant:
    name, layer, region = _largest_pour(parcel)
    x, y = region.points[-1]
    start, end = region.span
    new = layer.point(x, y, "D02")
    changed = edited(parcel, name, [(start, end, new)])
    hidden = _without_nets(parcel, "no net names")
    return Plant(changed, None, (name,), hidden=hidden)


def _largest_pour(parcel: Parcel) -> tuple[str, GerberText, Region]:
    pours = [
        (n, g, r)
        for n, g in parcel.layers("copper")
        if g.absolute
        for r in g.regions
        if r.dark and r.area > 20
    ]
    pours.sort(key=lambda p: -p[2].area)
    return first(pours, "pour drawn as a region")


@kind(
    "copper/pour-over-pad",
    "Covers a pad inside a pour's clearance with copper of the pour.",
    "net/",
    "copper/",
    "wiring/",
)
def pour_over_pad(parcel: Parcel, rng: Random) -> Plant:
    name, layer, region = _largest_pour(parcel)
    side = parcel.roles[name].side
    near = [
        p
        for p in parcel.pads
        if p.side == side
        and p.mark.net != region.net
        and max(p.box) > 0
        and any(region.holds(p.mark.x + d, p.mark.y) for d in (-2, 2))
        and not region.holds(*p.at)
    ]
    pad = pick(rng, near, "foreign pad beside a pour")
    x, y = pad.at
    line = [(x - 2, y, "D02"), (x + 2, y, "D01")]
    changed = edited(parcel, name, [layer.added(f"C,{layer.size(0.4)}", line)])
    hidden = _without_nets(parcel, "no net names")
    return Plant(changed, pad.at, (name,), 4, hidden)


@kind(
    "copper/outline-drawn",
    "Draws the board's outline in a copper layer too.",
    "copper/",
    "net/",
    weight="know",
)
def outline_drawn(parcel: Parcel, _: Random) -> Plant:
    name, layer = first(parcel.layers("copper"), "copper layer")
    lines = [
        step
        for _, g in parcel.layers("profile")
        for m in g.draws
        for step in ((m.from_x, m.from_y, "D02"), (m.x, m.y, "D01"))
    ]
    if not lines:
        raise Unfit("no profile with straight lines")
    return Plant(edited(parcel, name, [layer.added(f"C,{layer.size(0.15)}", lines)]), None, (name,))


@kind(
    "copper/line-across",
    "Draws a line of copper across the whole board.",
    "net/",
    "copper/",
    "hole/",
)
def line_across(parcel: Parcel, _: Random) -> Plant:
    name, layer = first(parcel.layers("copper"), "copper layer")
    left, bottom, right, top = parcel.edge
    y = bottom + (top - bottom) * 0.43
    line = [(left - 1, y, "D02"), (right + 1, y, "D01")]
    changed = edited(parcel, name, [layer.added(f"C,{layer.size(0.3)}", line)])
    return Plant(changed, None, (name,))


@kind(
    "copper/aperture-undefined",
    "Leaves out the definition of the aperture most pads use.",
    "gerber/",
    weight="stop",
)
def aperture_undefined(parcel: Parcel, _: Random) -> Plant:
    return _most_used(parcel, "")


@kind(
    "copper/aperture-zero",
    "Gives the aperture most pads use the size 0.",
    "gerber/",
    "hole/",
    "mask/",
    "net/",
    "copper/",
)
def aperture_zero(parcel: Parcel, _: Random) -> Plant:
    return _most_used(parcel, "C,0")


def _most_used(parcel: Parcel, shape: str) -> Plant:
    used: dict[tuple[str, int], int] = defaultdict(int)
    for pad in parcel.pads:
        used[pad.file, pad.mark.aperture] += 1
    name, code = first(sorted(used, key=lambda k: (-used[k], k)), "pad")
    layer = parcel.gerbers[name]
    start, end = layer.apertures[code].span
    if not shape and (layer.text[start - 1], layer.text[end]) != ("%", "%"):
        raise Unfit("several commands between two % signs")
    new = layer.redefined(code, shape) if shape else (start - 1, end + 1, "")
    return Plant(edited(parcel, name, [new]), None, (name,))


@kind(
    "copper/pads-small",
    "Makes the pads of one aperture smaller than their holes.",
    "hole/",
    "mask/",
)
def pads_small(parcel: Parcel, rng: Random) -> Plant:
    pad = pick(rng, _holed(parcel), "pad of a plated hole")
    layer = parcel.gerbers[pad.file]
    wide = parcel.hole_spots[spot(*pad.at)].diameter * 0.9
    new = layer.redefined(pad.mark.aperture, f"C,{layer.size(wide)}")
    return Plant(edited(parcel, pad.file, [new]), pad.at, (pad.file,), reach=1e3)

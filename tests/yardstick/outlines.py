"""Plants in the profile."""

from __future__ import annotations

from random import Random

from yardstick.gerber_text import GerberText, Mark, Unfit, replaced
from yardstick.kind import Plant, edited, first, kind, layer_of
from yardstick.parcel import Parcel

PROFILE = ("profile/", "register/", "package/", "job/", "hole/", "copper/")


def _profile(parcel: Parcel) -> tuple[str, GerberText]:
    name, layer = layer_of(parcel, "profile")
    if not layer.absolute:
        raise Unfit("coordinates are increments")
    return name, layer


def _longest(layer: GerberText) -> Mark:
    sides = sorted(layer.draws, key=lambda m: -m.length)
    return first(sides, "straight line of the profile")


def _drawn(parcel: Parcel, points: list[tuple[float, float]], *, wide: float = 0.1) -> Plant:
    """Adds a line through points to the profile."""
    name, layer = _profile(parcel)
    path = [(x, y, "D01" if n else "D02") for n, (x, y) in enumerate(points)]
    place = points[len(points) // 2]
    return Plant(
        edited(parcel, name, [layer.added(f"C,{layer.size(wide)}", path)]), place, (name,), 6
    )


@kind("profile/missing", "Leaves out the profile.", "package/", "profile/")
def missing(parcel: Parcel, _: Random) -> Plant:
    names = parcel.named("profile")
    first(names, "profile")
    return Plant(parcel.without(*names), None, tuple(names))


@kind(
    "profile/segment-lost", "Leaves out the longest line of the profile.", *PROFILE, weight="stop"
)
def segment_lost(parcel: Parcel, _: Random) -> Plant:
    name, layer = _profile(parcel)
    mark = _longest(layer)
    return Plant(edited(parcel, name, layer.dropped(mark)), mark.at, (name,), mark.length / 2 + 3)


@kind("profile/gap", "Ends the longest line of the profile 1 mm early.", *PROFILE)
def gap(parcel: Parcel, _: Random) -> Plant:
    name, layer = _profile(parcel)
    m = _longest(layer)
    x, y = m.x - (m.x - m.from_x) / m.length, m.y - (m.y - m.from_y) / m.length
    new = layer.point(x, y, "D01") + layer.point(m.x, m.y, "D02")
    return Plant(edited(parcel, name, layer.rewritten(m, new)), (m.x, m.y), (name,))


@kind("profile/line-across", "Draws a line right across the board.", *PROFILE)
def line_across(parcel: Parcel, _: Random) -> Plant:
    left, bottom, right, top = parcel.edge
    y = bottom + (top - bottom) * 0.55
    plant = _drawn(parcel, [(left, y), ((left + right) / 2, y), (right, y)])
    return Plant(plant.parcel, plant.place, plant.files, right - left)


@kind("profile/narrow-cut", "Draws a cut-out 0.3 mm wide.", *PROFILE)
def narrow_cut(parcel: Parcel, _: Random) -> Plant:
    x, y = parcel.free_place(3)
    corners = [(x - 2, y), (x + 2, y), (x + 2, y + 0.3), (x - 2, y + 0.3), (x - 2, y)]
    return _drawn(parcel, corners)


@kind(
    "profile/cut-through-copper",
    "Draws a cut-out of 3 mm square over a pad.",
    *PROFILE,
    "mask/",
    "net/",
)
def cut_through_copper(parcel: Parcel, rng: Random) -> Plant:
    if not parcel.pads:
        raise Unfit("no pads")
    x, y = rng.choice(parcel.pads).at
    x, y = x + 0.4, y + 0.3
    corners = [(x - 2, y - 2), (x + 2, y - 2), (x + 2, y + 2), (x - 2, y + 2), (x - 2, y - 2)]
    return _drawn(parcel, corners)


@kind(
    "profile/crossing", "Draws one line of the profile over a loop that crosses itself.", *PROFILE
)
def crossing(parcel: Parcel, _: Random) -> Plant:
    name, layer = _profile(parcel)
    m = _longest(layer)
    ux, uy = (m.x - m.from_x) / m.length, (m.y - m.from_y) / m.length
    px, py = m.at
    steps = ((2, 2), (2, -2), (-2, 2), (-2, -2))
    new = "".join(layer.point(px + ux * a - uy * b, py + uy * a + ux * b, "D01") for a, b in steps)
    new += layer.point(m.x, m.y, "D01")
    return Plant(edited(parcel, name, layer.rewritten(m, new)), m.at, (name,), 5)


@kind("profile/frame", "Draws a frame 5 mm outside the board into the profile.", *PROFILE)
def frame(parcel: Parcel, _: Random) -> Plant:
    left, bottom, right, top = parcel.edge
    a, b, c, d = left - 5, bottom - 5, right + 5, top + 5
    plant = _drawn(parcel, [(a, b), (c, b), (c, d), (a, d), (a, b)])
    return Plant(plant.parcel, None, plant.files)


@kind("profile/lettering", "Writes two letters into the middle of the profile.", *PROFILE)
def lettering(parcel: Parcel, _: Random) -> Plant:
    x, y = parcel.free_place(3)
    return _drawn(parcel, [(x, y), (x, y + 2), (x + 1, y + 1), (x + 2, y + 2), (x + 2, y)])


@kind("profile/other-unit", "States the other unit in the profile.", *PROFILE, weight="stop")
def other_unit(parcel: Parcel, _: Random) -> Plant:
    name, layer = _profile(parcel)
    old, new = ("MOIN", "MOMM") if layer.mm > 1 else ("MOMM", "MOIN")
    if old not in layer.text:
        raise Unfit("the unit is not stated by MO")
    return Plant(parcel.with_text(name, layer.text.replace(old, new, 1)), None, (name,))


@kind("profile/shifted", "Moves the profile by 12 mm.", *PROFILE, weight="stop")
def shifted(parcel: Parcel, _: Random) -> Plant:
    name, layer = _profile(parcel)
    moved = parcel.with_text(name, layer.transformed(lambda x, y: (x + 12, y)))
    others = [g for n, g in parcel.gerbers.items() if n != name and (g.marks or g.regions)]
    hidden = "" if others or parcel.holes else "nothing else is drawn or drilled"
    return Plant(moved, None, (name,), hidden=hidden)


@kind("profile/mirrored", "Mirrors the profile about its middle.", *PROFILE)
def mirrored(parcel: Parcel, _: Random) -> Plant:
    name, layer = _profile(parcel)
    left, _b, right, _t = parcel.edge
    here = {(round(m.x, 1), round(m.y, 1)) for m in layer.marks}
    there = {(round(left + right - x, 1), y) for x, y in here}
    text = layer.transformed(lambda x, y: (left + right - x, y), flip=True)
    hidden = "the board is its own mirror image" if len(here ^ there) < 3 else ""
    return Plant(parcel.with_text(name, text), None, (name,), hidden=hidden)


@kind("profile/too-small", "Draws the profile at half its size.", *PROFILE, weight="stop")
def too_small(parcel: Parcel, _: Random) -> Plant:
    name, layer = _profile(parcel)
    left, bottom, right, top = parcel.edge
    mx, my = (left + right) / 2, (bottom + top) / 2
    text = layer.transformed(lambda x, y: ((x + mx) / 2, (y + my) / 2))
    return Plant(parcel.with_text(name, text), None, (name,))


@kind(
    "profile/empty-image",
    "Keeps the profile's header and leaves out its lines.",
    "profile/",
    "package/",
    "gerber/",
)
def empty_image(parcel: Parcel, _: Random) -> Plant:
    name, layer = _profile(parcel)
    edits = [e for m in layer.marks for e in ((*m.span, layer.point(m.x, m.y, "D02")),)]
    return Plant(parcel.with_text(name, replaced(layer.text, edits)), None, (name,))


@kind("profile/second-outline", "Draws the outline a second time, 0.4 mm to the side.", *PROFILE)
def second_outline(parcel: Parcel, _: Random) -> Plant:
    name, layer = _profile(parcel)
    lines = [
        step
        for m in layer.marks
        if m.kind == "draw" and not m.arc
        for step in ((m.from_x + 0.4, m.from_y, "D02"), (m.x + 0.4, m.y, "D01"))
    ]
    changed = edited(parcel, name, [layer.added(f"C,{layer.size(0.1)}", lines)])
    return Plant(changed, None, (name,))

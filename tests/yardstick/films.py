"""Plants in solder masks, paste and legends."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from math import hypot
from random import Random

from yardstick.gerber_text import GerberText, Unfit, without_attributes
from yardstick.kind import Plant, edited, first, kind, layer_of, pick
from yardstick.parcel import SIDES, Pad, Parcel, spot

MASK = ("mask/", "register/", "package/", "half/", "hole/")
PASTE = ("mask/", "register/", "package/", "paste/")
LEGEND = ("legend/", "register/", "package/", "half/")


def _opened(parcel: Parcel) -> Iterator[tuple[Pad, Pad]]:
    """Pads with the one flash of the mask that opens them."""
    for pad in parcel.pads:
        found = parcel.openings[pad.side].get(spot(*pad.at), [])
        if len(found) == 1:
            yield pad, found[0]


def _alone(parcel: Parcel, one: Pad) -> bool:
    """Whether no other opening of the face reaches into this one."""
    return not any(
        other is not one and hypot(other.mark.x - one.mark.x, other.mark.y - one.mark.y) < reach
        for found in parcel.openings[one.side].values()
        for other in found
        for reach in [(max(one.box) + max(other.box)) / 2]
    )


def _on_hole(parcel: Parcel, pad: Pad) -> bool:
    hole = parcel.hole_spots.get(spot(*pad.at))
    return bool(hole and hole.diameter > 0.55)


def _opening(parcel: Parcel, rng: Random, *, holed: bool | None = None) -> Pad:
    found = [o for p, o in _opened(parcel) if holed in (None, _on_hole(parcel, p))]
    return pick(rng, found, "pad with one opening")


def _layer(parcel: Parcel, pad: Pad) -> GerberText:
    return parcel.gerbers[pad.file]


@kind("mask/opening-lost", "Leaves out the opening of one surface pad.", "mask/", "half/")
def opening_lost(parcel: Parcel, rng: Random) -> Plant:
    pad = _opening(parcel, rng, holed=False)
    return Plant(
        edited(parcel, pad.file, _layer(parcel, pad).dropped(pad.mark)), pad.at, (pad.file,)
    )


@kind(
    "mask/hole-opening-lost",
    "Leaves out one opening of a through hole, on one face.",
    "mask/",
    "half/",
)
def hole_opening_lost(parcel: Parcel, rng: Random) -> Plant:
    pad = _opening(parcel, rng, holed=True)
    return Plant(
        edited(parcel, pad.file, _layer(parcel, pad).dropped(pad.mark)), pad.at, (pad.file,)
    )


@kind("mask/opening-small", "Makes one opening half as wide as its pad.", "mask/", "half/")
def opening_small(parcel: Parcel, rng: Random) -> Plant:
    found = [(p, o) for p, o in _opened(parcel) if min(p.box) > 0.5 and _alone(parcel, o)]
    pad, opening = pick(rng, found, "pad with one opening")
    layer = _layer(parcel, opening)
    shape = f"C,{layer.size(min(pad.box) / 2)}"
    changed = edited(parcel, opening.file, layer.reshaped(opening.mark, shape))
    return Plant(changed, opening.at, (opening.file,))


@kind("mask/all-openings-small", "Makes every opening of one face a third narrower.", "mask/")
def all_openings_small(parcel: Parcel, _: Random) -> Plant:
    name, layer = layer_of(parcel, "mask")
    edits = []
    used = {mark.aperture for mark in layer.flashes}
    for code, aperture in layer.apertures.items():
        if code in used and aperture.shape in ("C", "R", "O") and len(aperture.sizes) <= 2:
            sizes = "X".join(layer.size(s * 0.65) for s in aperture.sizes)
            edits.append(layer.redefined(code, f"{aperture.shape},{sizes}"))
    if not edits:
        raise Unfit("no openings of standard shapes")
    return Plant(edited(parcel, name, edits), None, (name,))


@kind("mask/opening-shifted", "Moves one opening by 0.5 mm.", "mask/", "half/")
def opening_shifted(parcel: Parcel, rng: Random) -> Plant:
    pad = _opening(parcel, rng)
    changed = edited(parcel, pad.file, _layer(parcel, pad).moved(pad.mark, 0.5, 0))
    return Plant(changed, pad.at, (pad.file,))


@kind("mask/shifted", "Moves a mask by 0.6 mm.", *MASK)
def mask_shifted(parcel: Parcel, _: Random) -> Plant:
    return _moved_layer(parcel, "mask", 0.6, 0)


@kind("mask/mirrored", "Mirrors a mask about the board's middle.", *MASK)
def mask_mirrored(parcel: Parcel, _: Random) -> Plant:
    return _mirrored_layer(parcel, "mask")


def _moved_layer(parcel: Parcel, what: str, dx: float, dy: float) -> Plant:
    name, layer = layer_of(parcel, what)
    text = layer.transformed(lambda x, y: (x + dx, y + dy))
    return Plant(parcel.with_text(name, text), None, (name,))


def _mirrored_layer(parcel: Parcel, what: str, side: str | None = None) -> Plant:
    name, layer = layer_of(parcel, what, side)
    left, _b, right, _t = parcel.edge
    text = layer.transformed(lambda x, y: (left + right - x, y), flip=True)
    hidden = "" if _differs(layer, left + right) else "its image is its own mirror image"
    return Plant(parcel.with_text(name, text), None, (name,), hidden=hidden)


def _differs(layer: GerberText, across: float) -> bool:
    """Whether an image is not its own mirror image."""
    here = {spot(m.x, m.y) for m in layer.marks}
    there = {spot(across - m.x, m.y) for m in layer.marks}
    return len(here - there) > 0.02 * len(here)


@kind(
    "mask/joined", "Opens two neighbouring pads and the web between them by one opening.", "mask/"
)
def joined(parcel: Parcel, rng: Random) -> Plant:
    pairs = _neighbours(parcel)
    a, b = pick(rng, pairs, "two neighbouring pads with openings")
    name, layer = first(parcel.layers("mask", a.side), "mask")
    middle = ((a.mark.x + b.mark.x) / 2, (a.mark.y + b.mark.y) / 2)
    line = [(*a.at, "D02"), (*b.at, "D01")]
    wide = max(min(*a.box, *b.box) * 0.8, 0.2)
    changed = edited(parcel, name, [layer.added(f"C,{layer.size(wide)}", line)])
    return Plant(changed, middle, (name,), 6)


def _apart(parcel: Parcel, a: Pad, b: Pad) -> bool:
    """Whether no third opening lies so near that it takes the web between two pads already."""
    x, y = (a.mark.x + b.mark.x) / 2, (a.mark.y + b.mark.y) / 2
    reach = hypot(a.mark.x - b.mark.x, a.mark.y - b.mark.y)
    return not any(
        hypot(o.mark.x - x, o.mark.y - y) < reach + max(o.box) / 2
        for key, found in parcel.openings[a.side].items()
        if key not in (spot(*a.at), spot(*b.at))
        for o in found
        if abs((o.mark.x - a.mark.x) * (b.mark.y - a.mark.y)
               - (o.mark.y - a.mark.y) * (b.mark.x - a.mark.x)) > 0.01 * reach
    )  # fmt: skip


def _neighbours(parcel: Parcel) -> list[tuple[Pad, Pad]]:
    pads = [p for p, _ in _opened(parcel) if min(p.box) > 0]
    return [
        (a, b)
        for a, b in pairwise(pads)
        if a.side == b.side
        and a.file == b.file
        and max(a.box) < hypot(a.mark.x - b.mark.x, a.mark.y - b.mark.y) < 4
        and (a.mark.net != b.mark.net or not a.mark.net)
    ]


@kind("mask/web-lost", "Widens two neighbouring openings until 0.03 mm of mask is left.", "mask/")
def web_lost(parcel: Parcel, rng: Random) -> Plant:
    found = [(a, b) for a, b in _neighbours(parcel) if _apart(parcel, a, b)]
    a, b = pick(rng, found, "two neighbouring pads with openings")
    dx, dy = abs(a.mark.x - b.mark.x), abs(a.mark.y - b.mark.y)
    if min(dx, dy) > 0.01:
        raise Unfit("the two pads do not stand in a row")
    wide = max(dx, dy) - 0.03
    edits = []
    for pad in (a, b):
        opening = parcel.openings[pad.side][spot(*pad.at)][0]
        layer = _layer(parcel, opening)
        across = opening.box[1 if dx > dy else 0] or wide
        size = (wide, across) if dx > dy else (across, wide)
        shape = f"R,{layer.size(size[0])}X{layer.size(size[1])}"
        edits += layer.reshaped(opening.mark, shape)
    middle = ((a.mark.x + b.mark.x) / 2, (a.mark.y + b.mark.y) / 2)
    return Plant(edited(parcel, opening.file, edits), middle, (opening.file,), 6)


@kind(
    "mask/neighbour-bared",
    "Widens one opening by 0.6 mm round about, next to foreign copper.",
    "mask/",
    "half/",
)
def neighbour_bared(parcel: Parcel, rng: Random) -> Plant:
    near = []
    tracks = [
        (m.at, p.side, m.net)
        for p in {p.file: p for p in parcel.pads}.values()
        for m in parcel.gerbers[p.file].draws
    ]
    for pad, opening in _opened(parcel):
        reach = max(opening.box) / 2 + 0.5
        if max(opening.box) and any(
            side == pad.side
            and (net != pad.mark.net or not net)
            and reach - 0.4 < hypot(x - pad.mark.x, y - pad.mark.y) < reach
            for (x, y), side, net in tracks
        ):
            near.append((pad, opening))
    pad, opening = pick(rng, near, "opening beside foreign copper")
    layer = _layer(parcel, opening)
    wide = max(opening.box) + 1.2
    changed = edited(parcel, opening.file, layer.reshaped(opening.mark, f"C,{layer.size(wide)}"))
    hidden = "" if pad.mark.net else "no net names"
    return Plant(changed, pad.at, (opening.file,), hidden=hidden)


@kind("mask/track-bared", "Opens the mask over the middle of a track.", "mask/", weight="know")
def track_bared(parcel: Parcel, rng: Random) -> Plant:
    found = [
        (m, parcel.roles[n].side)
        for n, g in parcel.layers("copper")
        if g.absolute and parcel.roles[n].side in SIDES
        for m in g.draws
        if m.length > 4 and parcel.named("mask", parcel.roles[n].side)
    ]
    mark, side = pick(rng, found, "long track under a mask")
    name, layer = first(parcel.layers("mask", side), "mask")
    edit = layer.added(f"C,{layer.size(1.2)}", [(*mark.at, "D03")])
    return Plant(edited(parcel, name, [edit]), mark.at, (name,))


@kind(
    "mask/inverted",
    "Draws the mask itself instead of its openings.",
    "mask/",
    "package/",
    "gerber/",
    weight="stop",
)
def inverted(parcel: Parcel, _: Random) -> Plant:
    name, layer = layer_of(parcel, "mask")
    left, bottom, right, top = parcel.edge
    start = min(s for s, _, _ in layer.operations)
    # Before the first aperture is chosen, so that it stays chosen.
    select = max(layer.text.rfind("D", 0, start), 0)
    at = layer.text.rfind("%", 0, select) + 1
    corners = [(left, bottom), (right, bottom), (right, top), (left, top), (left, bottom)]
    area = "".join(layer.point(x, y, "D01" if n else "D02") for n, (x, y) in enumerate(corners))
    text = layer.text[:at] + f"\nG01*\nG36*\n{area}\nG37*\n%LPC*%\n" + layer.text[at:]
    return Plant(parcel.with_text(name, text), None, (name,))


@kind("mask/file-missing", "Leaves out the mask of one face.", "package/", "job/", weight="decide")
def mask_missing(parcel: Parcel, _: Random) -> Plant:
    name = first(parcel.named("mask"), "mask")
    return Plant(parcel.without(name), None, (name,))


@kind(
    "mask/empty-image",
    "Keeps a mask's header and leaves out its image.",
    "mask/",
    "package/",
    "gerber/",
)
def mask_empty(parcel: Parcel, _: Random) -> Plant:
    return _emptied(parcel, "mask")


def _emptied(parcel: Parcel, what: str) -> Plant:
    name, layer = layer_of(parcel, what)
    start = min(s for s, _, _ in layer.operations)
    header = re.sub(r"[^%*]*\Z", "", layer.text[:start])
    return Plant(parcel.with_text(name, header + "\nM02*\n"), None, (name,))


@kind(
    "mask/is-copper",
    "Writes the copper's image into the mask's file.",
    "mask/",
    "package/",
    "register/",
)
def mask_is_copper(parcel: Parcel, _: Random) -> Plant:
    planted = _other_image(parcel, "mask", "copper")
    copper = parcel.gerbers[planted.files[1]]
    more = copper.draws or copper.regions
    return replace(planted, hidden="" if more else "its pads alone may be a mask")


def _other_image(parcel: Parcel, what: str, source: str) -> Plant:
    name, layer = layer_of(parcel, what)
    other, image = layer_of(parcel, source, parcel.roles[name].side or None)
    return Plant(parcel.with_text(name, with_image(layer.text, image.text)), None, (name, other))


def with_image(header: str, image: str) -> str:
    """The image of one file under the file attributes of another."""
    kept = re.findall(r"%TF[^%]*%|G04 ?#@! ?TF[^*]*\*", header)
    rest = without_attributes(image, "TF")
    return "\n".join([*kept, rest.lstrip()])


@kind("mask/other-unit", "States the other unit in a mask.", *MASK, "gerber/", weight="stop")
def mask_other_unit(parcel: Parcel, _: Random) -> Plant:
    return _other_unit(parcel, "mask")


def _other_unit(parcel: Parcel, what: str) -> Plant:
    name, layer = layer_of(parcel, what)
    old, new = ("MOIN", "MOMM") if layer.mm > 1 else ("MOMM", "MOIN")
    if old not in layer.text:
        raise Unfit("the unit is not stated by MO")
    return Plant(parcel.with_text(name, layer.text.replace(old, new, 1)), None, (name,))


@kind("mask/foreign-copy", "Writes the other face's mask into a mask's file.", *MASK)
def mask_foreign_copy(parcel: Parcel, _: Random) -> Plant:
    return _copied_face(parcel, "mask")


def _copied_face(parcel: Parcel, what: str) -> Plant:
    """The top image on the bottom too."""
    top, source = layer_of(parcel, what, "top")
    bottom, target = layer_of(parcel, what, "bottom")
    changed = parcel.with_text(bottom, with_image(target.text, source.text))
    return Plant(changed, None, (bottom, top), hidden=_alike(source, target))


def _alike(a: GerberText, b: GerberText) -> str:
    here = {spot(m.x, m.y) for m in a.marks}
    there = {spot(m.x, m.y) for m in b.marks}
    return "both faces are nearly alike" if len(here ^ there) < 0.05 * len(here | there) else ""


def _exchanged(parcel: Parcel, what: str) -> Plant:
    """Top and bottom images under each other's file attributes and names."""
    top, a = layer_of(parcel, what, "top")
    bottom, b = layer_of(parcel, what, "bottom")
    changed = parcel.with_text(top, with_image(a.text, b.text))
    changed = changed.with_text(bottom, with_image(b.text, a.text))
    return Plant(changed, None, (top, bottom), hidden=_alike(a, b))


@kind("layers/masks-exchanged", "Exchanges the images of the two masks.", *MASK)
def masks_exchanged(parcel: Parcel, _: Random) -> Plant:
    return _exchanged(parcel, "mask")


@kind(
    "layers/coppers-exchanged",
    "Exchanges the images of the outer copper layers.",
    "package/",
    "register/",
    "mask/",
    "net/",
    "half/",
    "copper/",
)
def coppers_exchanged(parcel: Parcel, _: Random) -> Plant:
    planted = _exchanged(parcel, "copper")
    pads = [{spot(m.x, m.y) for m in parcel.gerbers[n].flashes} for n in planted.files]
    alike = len(pads[0] ^ pads[1]) < 0.05 * len(pads[0] | pads[1])
    # Joined by their holes, the same tracks on the other face make the same circuit.
    return replace(
        planted, hidden=planted.hidden or ("all pads are on both faces" if alike else "")
    )


@kind("layers/pastes-exchanged", "Exchanges the images of the two paste layers.", *PASTE)
def pastes_exchanged(parcel: Parcel, _: Random) -> Plant:
    return _exchanged(parcel, "paste")


@kind("layers/legends-exchanged", "Exchanges the images of the two legends.", *LEGEND)
def legends_exchanged(parcel: Parcel, _: Random) -> Plant:
    return _exchanged(parcel, "legend")


@kind(
    "layers/copper-copied",
    "Writes the top copper's image into the bottom's file too.",
    "package/",
    "register/",
    "mask/",
    "net/",
    "half/",
    "hole/",
    "copper/",
)
def copper_copied(parcel: Parcel, _: Random) -> Plant:
    planted = _copied_face(parcel, "copper")
    tracked = _tracked(parcel.gerbers[planted.files[1]])
    hidden = planted.hidden or ("" if tracked else "pours alone may be alike on both faces")
    return replace(planted, hidden=hidden)


def _tracked(layer: GerberText) -> bool:
    """Whether tracks end on pads."""
    pads = {spot(m.x, m.y) for m in layer.flashes}
    ends = [end for m in layer.draws for end in ((m.x, m.y), (m.from_x, m.from_y))]
    return sum(spot(*end) in pads for end in ends) >= 4


# -- paste -------------------------------------------------------------------------------------


def _printed(parcel: Parcel) -> list[tuple[Pad, Pad]]:
    """Surface pads with the one flash of paste on them."""
    return [
        (p, found[0])
        for p in parcel.pads
        if len(found := parcel.prints[p.side].get(spot(*p.at), [])) == 1
    ]


@kind("paste/off-pad", "Moves one print of paste by 3 mm.", "mask/", "paste/")
def paste_off_pad(parcel: Parcel, rng: Random) -> Plant:
    left, bottom, right, top = parcel.edge
    found = [
        (one, dx, dy)
        for _, one in _printed(parcel)
        for dx, dy in ((3, 0), (0, 3), (-3, 0), (0, -3))
        if left + 2 < one.mark.x + dx < right - 2
        and bottom + 2 < one.mark.y + dy < top - 2
        and parcel.free_of_copper(one.mark.x + dx, one.mark.y + dy, 0.5)
    ]
    one, dx, dy = pick(rng, found, "printed pad with room beside it")
    changed = edited(parcel, one.file, _layer(parcel, one).moved(one.mark, dx, dy))
    return Plant(changed, (one.mark.x + dx, one.mark.y + dy), (one.file,), 5)


@kind("paste/print-lost", "Leaves out the paste of one pad of many.", "mask/", "paste/", "half/")
def paste_lost(parcel: Parcel, rng: Random) -> Plant:
    printed = _printed(parcel)
    if len(printed) < 6:
        raise Unfit("fewer than six printed pads")
    _pad, one = pick(rng, printed, "printed pad")
    changed = edited(parcel, one.file, _layer(parcel, one).dropped(one.mark))
    return Plant(changed, one.at, (one.file,))


@kind("paste/wider-than-pad", "Prints paste 1 mm wider than one pad.", "mask/", "paste/")
def paste_wide(parcel: Parcel, rng: Random) -> Plant:
    found = [(p, o) for p, o in _printed(parcel) if max(p.box)]
    pad, one = pick(rng, found, "printed pad of known size")
    layer = _layer(parcel, one)
    shape = f"R,{layer.size(pad.box[0] + 1)}X{layer.size(pad.box[1] + 1)}"
    return Plant(edited(parcel, one.file, layer.reshaped(one.mark, shape)), one.at, (one.file,))


@kind("paste/prints-turned", "Turns the oblong prints of one aperture by 90 degrees.", "mask/")
def paste_turned(parcel: Parcel, rng: Random) -> Plant:
    oblong = [o for p, o in _printed(parcel) if min(p.box) > 0 and max(o.box) > 1.4 * min(o.box)]
    plain = [o for o in oblong if _layer(parcel, o).apertures[o.mark.aperture].shape in "RO"]
    one = pick(rng, plain, "oblong print")
    layer = _layer(parcel, one)
    code, (width, height) = one.mark.aperture, one.box
    shape = f"{layer.apertures[code].shape},{layer.size(height)}X{layer.size(width)}"
    return Plant(edited(parcel, one.file, [layer.redefined(code, shape)]), one.at, (one.file,))


@kind("paste/shifted", "Moves a paste layer by 1 mm.", *PASTE)
def paste_shifted(parcel: Parcel, _: Random) -> Plant:
    return _moved_layer(parcel, "paste", 1, 0)


@kind("paste/mirrored", "Mirrors a paste layer about the board's middle.", *PASTE)
def paste_mirrored(parcel: Parcel, _: Random) -> Plant:
    return _mirrored_layer(parcel, "paste")


@kind("paste/other-unit", "States the other unit in a paste layer.", *PASTE, "gerber/")
def paste_other_unit(parcel: Parcel, _: Random) -> Plant:
    return _other_unit(parcel, "paste")


@kind("paste/is-mask", "Writes the mask's image into the paste's file.", *PASTE)
def paste_is_mask(parcel: Parcel, _: Random) -> Plant:
    return _other_image(parcel, "paste", "mask")


# -- legend ------------------------------------------------------------------------------------


@kind("legend/mirrored-top", "Mirrors the top legend about the board's middle.", *LEGEND)
def legend_mirrored_top(parcel: Parcel, _: Random) -> Plant:
    return _mirrored_layer(parcel, "legend", "top")


@kind("legend/mirrored-bottom", "Mirrors the bottom legend about the board's middle.", *LEGEND)
def legend_mirrored_bottom(parcel: Parcel, _: Random) -> Plant:
    return _mirrored_layer(parcel, "legend", "bottom")


@kind("legend/both-mirrored", "Mirrors both legends about the board's middle.", *LEGEND)
def legend_both_mirrored(parcel: Parcel, _: Random) -> Plant:
    one = _mirrored_layer(parcel, "legend", "top")
    two = _mirrored_layer(one.parcel, "legend", "bottom")
    return Plant(two.parcel, None, (*one.files, *two.files), hidden=one.hidden and two.hidden)


@kind("legend/shifted", "Moves a legend by 8 mm.", *LEGEND)
def legend_shifted(parcel: Parcel, _: Random) -> Plant:
    return _moved_layer(parcel, "legend", 8, 3)


@kind("legend/turned", "Turns a legend by half a turn about the board's middle.", *LEGEND)
def legend_turned(parcel: Parcel, _: Random) -> Plant:
    name, layer = layer_of(parcel, "legend")
    left, bottom, right, top = parcel.edge
    text = layer.transformed(lambda x, y: (left + right - x, bottom + top - y))
    return Plant(parcel.with_text(name, text), None, (name,))


@kind("legend/other-unit", "States the other unit in a legend.", *LEGEND, "gerber/")
def legend_other_unit(parcel: Parcel, _: Random) -> Plant:
    return _other_unit(parcel, "legend")


@kind("legend/is-copper", "Writes the copper's image into the legend's file.", *LEGEND)
def legend_is_copper(parcel: Parcel, _: Random) -> Plant:
    return _other_image(parcel, "legend", "copper")


@kind("legend/over-pad", "Draws strokes of a letter across a bare surface pad.", *LEGEND)
def legend_over_pad(parcel: Parcel, rng: Random) -> Plant:
    pads = [p for p, _ in _opened(parcel) if parcel.layers("legend", p.side)]
    pad = pick(rng, pads, "bare pad on a face with a legend")
    name, layer = layer_of(parcel, "legend", pad.side)
    x, y = pad.at
    letter = [
        (x - 0.6, y - 0.9, "D02"),
        (x, y + 0.9, "D01"),
        (x + 0.6, y - 0.9, "D01"),
        (x - 0.3, y, "D02"),
        (x + 0.3, y, "D01"),
    ]
    changed = edited(parcel, name, [layer.added(f"C,{layer.size(0.2)}", letter)])
    return Plant(changed, pad.at, (name,))


@kind(
    "legend/off-board", "Draws strokes of a letter 5 mm outside the board.", *LEGEND, weight="know"
)
def legend_off_board(parcel: Parcel, _: Random) -> Plant:
    name, layer = layer_of(parcel, "legend")
    _l, bottom, right, top = parcel.edge
    y = (bottom + top) / 2
    letter: list[tuple[float, float, str]] = [
        (right + 5, y, "D02"),
        (right + 5, y + 1.5, "D01"),
        (right + 6, y + 1.5, "D01"),
    ]
    changed = edited(parcel, name, [layer.added(f"C,{layer.size(0.2)}", letter)])
    return Plant(changed, (right + 5, y), (name,))


@kind("legend/strokes-thin", "Draws the legend with strokes 0.03 mm wide.", *LEGEND, weight="know")
def legend_thin(parcel: Parcel, _: Random) -> Plant:
    name, layer = layer_of(parcel, "legend")
    used = [m.aperture for m in layer.draws]
    if not used:
        raise Unfit("no strokes")
    code = max(sorted(set(used)), key=used.count)
    changed = edited(parcel, name, [layer.redefined(code, f"C,{layer.size(0.03)}")])
    return Plant(changed, None, (name,))

"""Plants in whole layers: shifted, mirrored, missing, of another date, another unit."""

from __future__ import annotations

import re
from random import Random

from yardstick.films import with_image
from yardstick.gerber_text import Unfit
from yardstick.kind import Plant, first, kind, layer_of
from yardstick.parcel import Parcel

LAYER = ("register/", "package/", "gerber/", "mask/", "hole/", "net/", "half/")
COPY = "another image of the same layer"


def _copper(parcel: Parcel, dx: float, dy: float, side: str = "top") -> Plant:
    name, layer = layer_of(parcel, "copper", side)
    text = layer.transformed(lambda x, y: (x + dx, y + dy))
    return Plant(parcel.with_text(name, text), None, (name,))


@kind("layers/copper-shifted", "Moves the top copper by 1 mm.", *LAYER, weight="stop")
def copper_shifted(parcel: Parcel, _: Random) -> Plant:
    return _copper(parcel, 1, 0)


@kind("layers/copper-shifted-a-little", "Moves the bottom copper by 0.25 mm.", *LAYER)
def copper_shifted_a_little(parcel: Parcel, _: Random) -> Plant:
    return _copper(parcel, 0.25, 0, "bottom")


@kind("layers/copper-far-off", "Moves the bottom copper by 300 mm.", *LAYER, weight="stop")
def copper_far_off(parcel: Parcel, _: Random) -> Plant:
    return _copper(parcel, 300, 0, "bottom")


@kind(
    "layers/copper-mirrored",
    "Mirrors the bottom copper about the board's middle.",
    *LAYER,
    weight="stop",
)
def copper_mirrored(parcel: Parcel, _: Random) -> Plant:
    name, layer = layer_of(parcel, "copper", "bottom")
    left, _b, right, _t = parcel.edge
    text = layer.transformed(lambda x, y: (left + right - x, y), flip=True)
    return Plant(parcel.with_text(name, text), None, (name,))


@kind(
    "layers/copper-turned",
    "Turns the top copper by half a turn about the board's middle.",
    *LAYER,
    weight="stop",
)
def copper_turned(parcel: Parcel, _: Random) -> Plant:
    name, layer = layer_of(parcel, "copper", "top")
    left, bottom, right, top = parcel.edge
    text = layer.transformed(lambda x, y: (left + right - x, bottom + top - y))
    return Plant(parcel.with_text(name, text), None, (name,))


@kind("layers/copper-stretched", "Stretches the top copper by one per cent.", *LAYER)
def copper_stretched(parcel: Parcel, _: Random) -> Plant:
    name, layer = layer_of(parcel, "copper", "top")
    text = layer.transformed(lambda x, y: (x * 1.01, y * 1.01))
    return Plant(parcel.with_text(name, text), None, (name,))


@kind("layers/copper-other-unit", "States the other unit in the top copper.", *LAYER, weight="stop")
def copper_other_unit(parcel: Parcel, _: Random) -> Plant:
    name, layer = layer_of(parcel, "copper", "top")
    old, new = ("MOIN", "MOMM") if layer.mm > 1 else ("MOMM", "MOIN")
    if old not in layer.text:
        raise Unfit("the unit is not stated by MO")
    return Plant(parcel.with_text(name, layer.text.replace(old, new, 1)), None, (name,))


@kind(
    "layers/copper-other-digits",
    "States one decimal less in the top copper's format.",
    *LAYER,
    weight="stop",
)
def copper_other_digits(parcel: Parcel, _: Random) -> Plant:
    name, layer = layer_of(parcel, "copper", "top")
    whole, parts = layer.digits
    old, new = f"X{whole}{parts}Y{whole}{parts}", f"X{whole}{parts - 1}Y{whole}{parts - 1}"
    if layer.zeros == "T" or old not in layer.text:
        raise Unfit("no format with leading zeros left out")
    return Plant(parcel.with_text(name, layer.text.replace(old, new, 1)), None, (name,))


def _missing(parcel: Parcel, what: str, side: str) -> Plant:
    names = parcel.named(what, side)
    first(names, f"{side} {what} layer")
    others = [n for n in parcel.named(what) if n not in names]
    hidden = "" if others or what == "copper" else "nothing shows that there was one"
    return Plant(parcel.without(*names), None, tuple(names), hidden=hidden)


@kind(
    "layers/top-copper-missing",
    "Leaves out the top copper.",
    "package/",
    "job/",
    "hole/",
    "mask/",
    weight="stop",
)
def top_copper_missing(parcel: Parcel, _: Random) -> Plant:
    return _missing(parcel, "copper", "top")


@kind(
    "layers/bottom-copper-missing",
    "Leaves out the bottom copper.",
    "package/",
    "job/",
    "hole/",
    "mask/",
    weight="stop",
)
def bottom_copper_missing(parcel: Parcel, _: Random) -> Plant:
    return _missing(parcel, "copper", "bottom")


@kind("layers/bottom-mask-missing", "Leaves out the bottom mask.", "package/", "job/")
def bottom_mask_missing(parcel: Parcel, _: Random) -> Plant:
    return _missing(parcel, "mask", "bottom")


@kind(
    "layers/copper-names-exchanged",
    "Exchanges the file names of the outer copper layers.",
    "package/",
    "job/",
    "register/",
    "mask/",
    "half/",
)
def copper_names_exchanged(parcel: Parcel, _: Random) -> Plant:
    return _names_exchanged(parcel, "copper")


@kind(
    "layers/mask-names-exchanged",
    "Exchanges the file names of the masks.",
    "package/",
    "job/",
    "register/",
    "mask/",
)
def mask_names_exchanged(parcel: Parcel, _: Random) -> Plant:
    return _names_exchanged(parcel, "mask")


def _names_exchanged(parcel: Parcel, what: str) -> Plant:
    top, a = layer_of(parcel, what, "top")
    bottom, b = layer_of(parcel, what, "bottom")
    changed = parcel.with_text(top, b.text).with_text(bottom, a.text)
    # Tracks on the other face make the same circuit where all pads are joined by holes.
    here, there = ({(round(m.x, 1), round(m.y, 1)) for m in g.flashes} for g in (a, b))
    alike = len(here ^ there) < 0.05 * len(here | there) and "TF.FileFunction" not in a.text
    hidden = "both faces are nearly alike" if alike else ""
    return Plant(changed, None, (top, bottom), hidden=hidden)


@kind(
    "layers/copper-and-mask-exchanged",
    "Exchanges the images of a copper layer and its mask.",
    "package/",
    "mask/",
    "register/",
    "hole/",
    "copper/",
    "net/",
)
def copper_and_mask_exchanged(parcel: Parcel, _: Random) -> Plant:
    name, copper = layer_of(parcel, "copper", "top")
    other, mask = layer_of(parcel, "mask", "top")
    changed = parcel.with_text(name, with_image(copper.text, mask.text))
    changed = changed.with_text(other, with_image(mask.text, copper.text))
    return Plant(changed, None, (name, other))


@kind(
    "layers/second-copy",
    "Adds another copper file of the same layer, with a track less.",
    "package/",
    weight="stop",
)
def second_copy(parcel: Parcel, _: Random) -> Plant:
    name, layer = layer_of(parcel, "copper", "top")
    marks = layer.draws or layer.flashes
    text = parcel.text(name)
    start, end = first(marks, "track").span
    mark = marks[0]
    text = text[:start] + layer.point(mark.x, mark.y, "D02") + text[end:]
    stem, dot, extension = name.rpartition(".")
    copy = f"{stem}-old{dot}{extension}"
    return Plant(parcel.with_text(copy, text), None, (name, copy))


@kind(
    "layers/older-date", "States a creation date two years earlier in one copper layer.", "package/"
)
def older_date(parcel: Parcel, _: Random) -> Plant:
    name, layer = layer_of(parcel, "copper", "top")
    text, count = re.subn(
        r"(CreationDate,)(\d{4})", lambda m: f"{m[1]}{int(m[2]) - 2}", layer.text, count=1
    )
    if not count:
        raise Unfit("no creation date")
    return Plant(parcel.with_text(name, text), None, (name,))


@kind("layers/other-project", "States another project in one copper layer.", "package/")
def other_project(parcel: Parcel, _: Random) -> Plant:
    name, layer = layer_of(parcel, "copper", "bottom")
    text, count = re.subn(
        r"TF\.ProjectId,[^*%]*",
        "TF.ProjectId,Other,00000000-0000-4000-8000-000000000000,1",
        layer.text,
        count=1,
    )
    if not count:
        raise Unfit("no project is stated")
    return Plant(parcel.with_text(name, text), None, (name,))


@kind(
    "layers/image-negative",
    "States that the top copper's image is negative.",
    "gerber/",
    "package/",
)
def image_negative(parcel: Parcel, _: Random) -> Plant:
    name, layer = layer_of(parcel, "copper", "top")
    unit = "%MOMM*%" if "%MOMM*%" in layer.text else "%MOIN*%"
    if unit not in layer.text:
        raise Unfit("no unit to put it behind")
    text = layer.text.replace(unit, unit + "\n%IPNEG*%", 1)
    return Plant(parcel.with_text(name, text), None, (name,))


@kind(
    "layers/drawn-in-clear",
    "Draws the whole top copper in clear polarity.",
    "copper/",
    "package/",
    "hole/",
    "mask/",
    "gerber/",
    "net/",
)
def drawn_in_clear(parcel: Parcel, _: Random) -> Plant:
    name, layer = layer_of(parcel, "copper", "top")
    if "%LPD*%" not in layer.text:
        raise Unfit("no polarity is stated")
    text = layer.text.replace("%LPD*%", "%LPC*%")
    return Plant(parcel.with_text(name, text), None, (name,))


@kind(
    "layers/inner-exchanged",
    "Exchanges the images of the first two inner copper layers.",
    "package/",
    "net/",
    "copper/",
)
def inner_exchanged(parcel: Parcel, _: Random) -> Plant:
    inner = [(n, g) for n, g in parcel.layers("copper") if parcel.roles[n].side == ""]
    if len(inner) < 2:
        raise Unfit("fewer than two inner layers")
    (one, a), (two, b) = inner[:2]
    changed = parcel.with_text(one, with_image(a.text, b.text))
    changed = changed.with_text(two, with_image(b.text, a.text))
    hidden = "" if parcel.has_nets else "no net names"
    return Plant(changed, None, (one, two), hidden=hidden)


@kind(
    "layers/legend-as-profile",
    "Writes the legend's image into the profile.",
    "profile/",
    "package/",
    "register/",
    weight="stop",
)
def legend_as_profile(parcel: Parcel, _: Random) -> Plant:
    name, layer = layer_of(parcel, "profile")
    other, legend = layer_of(parcel, "legend")
    changed = parcel.with_text(name, with_image(layer.text, legend.text))
    return Plant(changed, None, (name, other))

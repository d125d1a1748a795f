"""Changes of the whole board, of what names its parts and nets, and of stated options."""

from __future__ import annotations

import re
from random import Random

from yardstick.drill_text import Hit
from yardstick.gerber_text import Unfit
from yardstick.kind import KINDS, pick
from yardstick.packages import job_thickness
from yardstick.parcel import Parcel

from planting.edit import Edit, change


def mapped(parcel: Parcel, place, *, flip: bool = False) -> Parcel:
    """Every layer and drill with its coordinates mapped, tables left out.

    Raises
    ------
    Unfit
        A file cannot be edited.
    """
    made = parcel.without(*parcel.netlists, *parcel.placements, *parcel.jobs)
    for name, role in parcel.roles.items():
        if role.kind == "drill" and name not in parcel.gerbers:
            if name not in parcel.drills or not parcel.drills[name].plain:
                raise Unfit("a drill file cannot be edited")
            drill = parcel.drills[name]
            if drill.hits:
                text = drill.changed(
                    lambda h: [Hit(*place(h.x, h.y), *place(h.to_x, h.to_y), h.tool, h.span)]
                )
                made = made.with_text(name, text)
        elif name in parcel.gerbers:
            made = made.with_text(name, parcel.gerbers[name].transformed(place, flip=flip))
        else:
            raise Unfit("a layer cannot be edited")
    return made


@change("board/mirrored")
def mirrored(parcel: Parcel, rng: Random) -> Edit:
    if any(g.macros or "%LR" in g.text for g in parcel.gerbers.values()):
        raise Unfit("macros and turned pads are not mirrored here")
    return Edit(
        mapped(parcel, lambda x, y: (-x, y), flip=True),
        ("board/*",),
        "NEW is OLD mirrored",
        ("key/*", "part/*"),
    )


@change("board/scaled")
def scaled(parcel: Parcel, rng: Random) -> Edit:
    made = mapped(parcel, lambda x, y: (1.02 * x, 1.02 * y))
    return Edit(made, ("board/*",), r"scaled|not comparable|102", ("*",))


def panel(parcel: Parcel, count: int = 2, step: float | None = None) -> Parcel:
    """Lay a board several times side by side, 2 mm apart.

    Raises
    ------
    Unfit
        A file cannot be edited.
    """
    left, _, right, _ = parcel.edge
    wide = right - left + 2 if step is None else step
    made = parcel.without(*parcel.netlists, *parcel.placements, *parcel.jobs)
    for name, role in parcel.roles.items():
        if name in parcel.drills and role.kind == "drill" and name not in parcel.gerbers:
            drill = parcel.drills[name]
            if drill.hits:
                made = made.with_text(
                    name,
                    drill.changed(
                        lambda h: [
                            Hit(h.x + n * wide, h.y, h.to_x + n * wide, h.to_y, h.tool, h.span)
                            for n in range(count)
                        ]
                    ),
                )
        elif name in parcel.gerbers:
            layer = parcel.gerbers[name]
            if not layer.absolute or layer.has_blocks or any(m.repeated for m in layer.marks):
                raise Unfit("steps within steps")
            start = re.search(r"%ADD|%AM|G36|%TO", layer.text)
            body = start.start() if start else layer.text.index("*%", layer.text.index("%FS")) + 2
            repeat = f"%SRX{count}Y1I{wide / layer.mm:.6f}J0*%\n"
            lines = layer.text[body : layer.end]
            made = made.with_text(
                name, layer.text[:body] + repeat + lines + "%SR*%\n" + layer.text[layer.end :]
            )
        else:
            raise Unfit("a file cannot be edited")
    return made


@change("board/panel")
def panelised(parcel: Parcel, rng: Random) -> Edit:
    return Edit(panel(parcel, 3), ("board/*",), "panel of 3", ())


@change("board/thicker")
def thicker(parcel: Parcel, rng: Random) -> Edit:
    return Edit(job_thickness(parcel, rng).parcel, ("board/changed",), "thickness")


def _worded(parcel: Parcel, pattern: str, new: str) -> Parcel:
    made, count = parcel, 0
    for name in parcel.gerbers:
        text, times = re.subn(pattern, new, made.text(name))
        count += times
        made = made.with_text(name, text)
    if not count:
        raise Unfit("not named in these files")
    return made


@change("part/value")
def part_value(parcel: Parcel, rng: Random) -> Edit:
    words = sorted(
        set(re.findall(r"%TO\.CVal,([^*]+)\*%", "".join(map(parcel.text, parcel.gerbers))))
    )
    value = re.escape(pick(rng, words, "value of a part"))
    made = _worded(parcel, rf"%TO\.CVal,{value}\*%", "%TO.CVal,9k1*%")
    return Edit(made.without(*parcel.placements), ("part/changed",), "9k1", ("part/*",))


@change("net/renamed")
def net_renamed(parcel: Parcel, rng: Random) -> Edit:
    nets = sorted({p.mark.net for p in parcel.pads if p.mark.net and p.mark.pin})
    net = pick(rng, nets, "net")
    made = _worded(parcel, rf"%TO\.N,{re.escape(net)}\*%", "%TO.N,BRAND_NEW*%").without(
        *parcel.netlists
    )
    return Edit(made, ("net/renamed",), "BRAND_NEW", ("part/*",))


@change("net/pin-moved")
def pin_moved(parcel: Parcel, rng: Random) -> Edit:
    plant = KINDS["nets/pad-relabelled"].planter(parcel, rng)
    return Edit(
        plant.parcel.without(*parcel.netlists),
        ("pin/*", "net/*"),
        "pin",
        ("pin/*", "net/*", "part/*"),
    )

"""Changes of tracks, pads and pours."""

from __future__ import annotations

from random import Random

from yardstick import copper as plants
from yardstick.gerber_text import GerberText, Mark
from yardstick.kind import KINDS, edited, first, pick
from yardstick.parcel import Pad, Parcel

from planting.edit import Edit, change

TRACK = ("copper/*",)
JOINS = ("connection/*", "pin/*", "net/*")


def _tracks(parcel: Parcel, least: float = 1.0) -> list[tuple[str, GerberText, Mark]]:
    return [
        (name, layer, mark)
        for name, layer in parcel.layers("copper")
        for mark in layer.draws
        if mark.length > least and "G0" not in layer.text[mark.span[0] : mark.span[1]]
    ]


@change("copper/track-removed")
def track_removed(parcel: Parcel, rng: Random) -> Edit:
    name, layer, mark = pick(rng, _tracks(parcel), "track")
    made = edited(parcel, name, layer.dropped(mark))
    return Edit(made, ("copper/removed", "copper/changed"), "copper|track", JOINS, mark.at, 200)


@change("copper/track-cut")
def track_cut(parcel: Parcel, rng: Random) -> Edit:
    plant = KINDS["copper/track-cut"].planter(parcel, rng)
    return Edit(plant.parcel, ("copper/*",), "no longer joined", JOINS, plant.place, 250)


@change("copper/bridge")
def bridge(parcel: Parcel, rng: Random) -> Edit:
    plant = KINDS["copper/bridge"].planter(parcel, rng)
    kinds = ("copper/added", "copper/changed")
    return Edit(plant.parcel, kinds, "now joined|copper", JOINS, plant.place, 250)


@change("copper/track-added")
def track_added(parcel: Parcel, rng: Random) -> Edit:
    x, y = parcel.free_place(2)
    name, layer = first(parcel.layers("copper"), "copper")
    line = [(x - 1, y, "D02"), (x + 1, y, "D01")]
    made = edited(parcel, name, [layer.added(f"C,{layer.size(0.25)}", line)])
    return Edit(made, ("copper/added",), "copper.*added|added.*copper", (), (x, y))


@change("copper/track-wider")
def track_wider(parcel: Parcel, rng: Random) -> Edit:
    name, layer, mark = pick(rng, _tracks(parcel), "track")
    shape = f"C,{layer.size(layer.box_of(mark)[0] + 0.05)}"
    made = edited(parcel, name, layer.reshaped(mark, shape))
    return Edit(made, ("copper/added",), "copper", JOINS, mark.at, mark.length)


@change("copper/track-thinner")
def track_thinner(parcel: Parcel, rng: Random) -> Edit:
    name, layer, mark = pick(rng, _tracks(parcel), "track")
    shape = f"C,{layer.size(layer.box_of(mark)[0] * 0.7)}"
    made = edited(parcel, name, layer.reshaped(mark, shape))
    return Edit(made, ("copper/removed",), "copper", JOINS, mark.at, mark.length)


def _pad(parcel: Parcel, rng: Random) -> Pad:
    return pick(rng, [p for p in parcel.pads if min(p.box) > 0.5], "pad")


@change("copper/pad-moved")
def pad_moved(parcel: Parcel, rng: Random) -> Edit:
    pad = _pad(parcel, rng)
    made = edited(parcel, pad.file, parcel.gerbers[pad.file].moved(pad.mark, 0.1, 0.0))
    return Edit(made, ("copper/*",), "copper|pad", (*JOINS, "part/moved"), pad.at, 5)


@change("copper/pad-moved-a-little")
def pad_moved_little(parcel: Parcel, rng: Random) -> Edit:
    pad = _pad(parcel, rng)
    made = edited(parcel, pad.file, parcel.gerbers[pad.file].moved(pad.mark, 0.0, 0.02))
    return Edit(made, ("copper/*",), "copper|pad", (*JOINS, "part/moved"), pad.at, 5)


@change("copper/pad-removed")
def pad_removed(parcel: Parcel, rng: Random) -> Edit:
    pad = _pad(parcel, rng)
    made = edited(parcel, pad.file, parcel.gerbers[pad.file].dropped(pad.mark))
    also = (*JOINS, "part/*", "key/*")
    return Edit(made, ("copper/removed",), "copper|pad", also, pad.at, 60)


@change("copper/pad-larger")
def pad_larger(parcel: Parcel, rng: Random) -> Edit:
    pad = _pad(parcel, rng)
    layer = parcel.gerbers[pad.file]
    w, h = (layer.size(v + 0.1) for v in pad.box)
    made = edited(parcel, pad.file, layer.reshaped(pad.mark, f"R,{w}X{h}"))
    return Edit(made, ("copper/*",), "copper|pad", (*JOINS, "part/*"), pad.at, 5)


@change("copper/pads-of-one-size-larger")
def pads_larger(parcel: Parcel, rng: Random) -> Edit:
    name, layer = first([p for p in parcel.layers("copper") if p[1].flashes], "pads")
    codes = sorted({m.aperture for m in layer.flashes if layer.apertures[m.aperture].round})
    code = pick(rng, codes, "round pads")
    size = layer.size(layer.apertures[code].sizes[0] + 0.1)
    return Edit(
        edited(parcel, name, [layer.redefined(code, f"C,{size}")]), ("copper/*",), "copper", JOINS
    )


@change("copper/pour-removed")
def pour_removed(parcel: Parcel, rng: Random) -> Edit:
    plant = KINDS["copper/pour-lost"].planter(parcel, rng)
    return Edit(plant.parcel, ("copper/removed",), "[Pp]our.*(gone|removed)", JOINS)


@change("copper/pour-added")
def pour_added(parcel: Parcel, rng: Random) -> Edit:
    left, bottom, right, top = parcel.edge
    name, layer = first(
        [p for p in parcel.layers("copper") if not p[1].regions], "copper without pour"
    )
    a, b, c, d = left + 1, bottom + 1, right - 1, top - 1
    path = [(a, b, "D02"), (c, b, "D01"), (c, d, "D01"), (a, d, "D01"), (a, b, "D01")]
    lines = "".join(layer.point(x, y, k) + "\n" for x, y, k in path)
    clean = "%TD*%\n" if "%TO" in layer.text or "%TA" in layer.text else ""
    made = edited(
        parcel, name, [(layer.end, layer.end, f"{clean}%LPD*%\nG01*\nG36*\n{lines}G37*\n")]
    )
    return Edit(made, ("copper/added",), "[Pp]our.*(added|new)", JOINS)


@change("copper/pad-over-all-lost")
def pad_lost_both(parcel: Parcel, rng: Random) -> Edit:
    plant = plants.pads_lost_both(parcel, rng)
    also = (*JOINS, "part/*", "key/*", "hole/changed")
    return Edit(plant.parcel, ("copper/removed",), "copper", also, plant.place, 60)

"""Changes of whole layers: moved, turned, mirrored, scaled, grown, exchanged, left out."""

from __future__ import annotations

from collections.abc import Callable
from random import Random

from yardstick.gerber_text import GerberText, Unfit
from yardstick.kind import edited, layer_of, pick
from yardstick.parcel import SIDES, Parcel

from planting.edit import Edit, change

NAMES = {"copper": "copper", "mask": "solder mask", "legend": "legend", "paste": "paste"}
GROUPS = tuple(NAMES)


def _any(parcel: Parcel, what: str, least: int = 1) -> tuple[str, str, GerberText]:
    """Side, file and text of the first layer of a kind with an image on an outer side."""
    for side in SIDES:
        for name, layer in parcel.layers(what, side):
            if len(layer.marks) + len(layer.regions) >= least and layer.absolute:
                return side, name, layer
    raise Unfit(f"no {what} to change as a whole")


Placed = Callable[[float, float, tuple[float, float, float, float]], tuple[float, float]]


def _whole(what: str, done: str, told: str, place: Placed, *, flip: bool = False) -> None:
    @change(f"{what}/{done}")
    def whole(parcel: Parcel, rng: Random) -> Edit:
        side, name, layer = _any(parcel, what, 4)
        box = parcel.edge
        text = layer.transformed(lambda x, y: place(x, y, box), flip=flip)
        here = {(round(m.x, 2), round(m.y, 2)) for m in layer.marks}
        there = {tuple(round(v, 2) + 0.0 for v in place(x, y, box)) for x, y in here}
        if len(here & there) > 0.3 * len(here):
            raise Unfit("it looks much the same")
        told_of = rf"{side} {NAMES[what]}.*{told}"
        also = ("connection/*", "pin/*", "net/*", "part/*", "key/*") if what == "copper" else ()
        return Edit(parcel.with_text(name, text), (f"{what}/*",), told_of, also)


for _what in GROUPS:
    _whole(_what, "moved", r"(moved by|lies) 0\.50?, 0", lambda x, y, _: (x + 0.5, y))
    _whole(
        _what, "moved-a-little", r"(moved by|lies) 0(\.00)?, 0\.05", lambda x, y, _: (x, y + 0.05)
    )
    _whole(_what, "mirrored", "mirrored", lambda x, y, b: (b[0] + b[2] - x, y), flip=True)
    _whole(_what, "turned", "turned by 180", lambda x, y, b: (b[0] + b[2] - x, b[1] + b[3] - y))
    _whole(_what, "scaled", r"scaled.*102", lambda x, y, _: (x * 1.02, y * 1.02))


def grown(layer: GerberText, by: float) -> str:
    """Text whose apertures are wider by this on each side.

    Raises
    ------
    Unfit
        Regions or macros would have to grow.
    """
    if layer.regions or layer.macros:
        raise Unfit("regions or macros do not grow here")
    edits = []
    for code, aperture in layer.apertures.items():
        if aperture.shape not in ("C", "R", "O") or len(aperture.sizes) > 2:
            raise Unfit("apertures that do not grow here")
        sizes = "X".join(layer.size(s + 2 * by) for s in aperture.sizes)
        if min(s + 2 * by for s in aperture.sizes) <= 0:
            raise Unfit("nothing would be left")
        edits.append(layer.redefined(code, f"{aperture.shape},{sizes}"))
    text = layer.text
    for start, end, new in sorted(edits, reverse=True):
        text = text[:start] + new + text[end:]
    return text


def _grow(what: str, done: str, by: float) -> None:
    @change(f"{what}/{done}")
    def grow(parcel: Parcel, rng: Random) -> Edit:
        side, name, layer = _any(parcel, what, 3)
        made = parcel.with_text(name, grown(layer, by))
        size = f"{abs(by):g}".replace(".", r"\.")
        told = rf"{side} {NAMES[what]}.*{size} mm (larger|smaller|wider|narrower) per side"
        also = ("connection/*", "pin/*", "net/*") if what == "copper" else ()
        return Edit(made, (f"{what}/*",), told, also)


_grow("mask", "grown", 0.05)
_grow("mask", "shrunk", -0.03)
_grow("paste", "shrunk", -0.05)
_grow("legend", "wider", 0.02)
_grow("copper", "grown", 0.02)


def _missing(what: str) -> None:
    @change(f"{what}/left-out")
    def missing(parcel: Parcel, rng: Random) -> Edit:
        side, name, _ = _any(parcel, what)
        jobs = parcel.without(name, *parcel.jobs)
        also = (
            "board/changed",
            "connection/*",
            "pin/*",
            "part/*",
            "hole/changed",
            "key/*",
            "net/*",
        )
        return Edit(jobs, ("layer/removed",), rf"{side} {NAMES[what]}.* (is|are) missing", also)


for _what in GROUPS:
    _missing(_what)


def _exchange(what: str) -> None:
    @change(f"{what}/sides-exchanged")
    def exchange(parcel: Parcel, rng: Random) -> Edit:
        (a, top), (b, bottom) = (layer_of(parcel, what, side) for side in SIDES)
        here = {(round(m.x, 2), round(m.y, 2)) for m in top.marks}
        there = {(round(m.x, 2), round(m.y, 2)) for m in bottom.marks}
        if len(here & there) > 0.5 * min(len(here), len(there)):
            raise Unfit("both sides look much the same")
        heads = [t.text[: t.text.index("%FS")] for t in (top, bottom)]
        bodies = [t.text[len(h) :] for t, h in zip((top, bottom), heads, strict=True)]
        made = parcel.with_text(a, heads[0] + bodies[1]).with_text(b, heads[1] + bodies[0])
        also = ("connection/*", "pin/*", "part/*", "key/*", "net/*", "hole/changed", "paste/*")
        return Edit(made, (f"{what}/*",), rf"{NAMES[what]}.*exchanged", also)


_exchange("legend")
_exchange("mask")
_exchange("copper")


# -- single places of mask, paste, legend and profile --------------------------------------------


def _flash(parcel: Parcel, what: str, rng: Random, *, least: float = 0.0):
    found = [
        (name, layer, mark)
        for side in SIDES
        for name, layer in parcel.layers(what, side)
        for mark in layer.flashes
        if min(layer.box_of(mark)) > least
    ]
    return pick(rng, found, f"{what} flash")


def _place(what: str, done: str, kinds: tuple[str, ...]) -> None:
    @change(f"{what}/place-{done}")
    def place(parcel: Parcel, rng: Random) -> Edit:
        name, layer, mark = _flash(parcel, what, rng, least=0.3)
        if done == "removed":
            made = edited(parcel, name, layer.dropped(mark))
        elif done == "moved":
            made = edited(parcel, name, layer.moved(mark, 0.02, 0))
        else:
            w, h = (layer.size(v + 0.1) for v in layer.box_of(mark))
            made = edited(parcel, name, layer.reshaped(mark, f"R,{w}X{h}"))
        return Edit(made, kinds, NAMES[what], ("connection/*",), (mark.x, mark.y), 4)


for _what in ("mask", "paste"):
    _place(_what, "removed", (f"{_what}/removed",))
    _place(_what, "moved", (f"{_what}/changed",))
    _place(_what, "larger", (f"{_what}/added", f"{_what}/changed"))


@change("mask/place-added")
def opening_added(parcel: Parcel, rng: Random) -> Edit:
    x, y = parcel.free_place(1.5)
    _, name, layer = _any(parcel, "mask")
    made = edited(
        parcel, name, [layer.added(f"R,{layer.size(1)}X{layer.size(0.8)}", [(x, y, "D03")])]
    )
    return Edit(made, ("mask/added",), "mask", ("connection/*",), (x, y), 2)


@change("legend/stroke-removed")
def stroke_removed(parcel: Parcel, rng: Random) -> Edit:
    strokes = [
        (name, layer, mark)
        for name, layer in parcel.layers("legend")
        for mark in layer.draws
        if mark.length > 0.4 and "G0" not in layer.text[mark.span[0] : mark.span[1]]
    ]
    name, layer, mark = pick(rng, strokes, "stroke of legend")
    made = edited(parcel, name, layer.dropped(mark))
    return Edit(made, ("legend/removed",), "legend", (), mark.at, mark.length)


@change("legend/text-added")
def text_added(parcel: Parcel, rng: Random) -> Edit:
    x, y = parcel.free_place(2)
    _, name, layer = _any(parcel, "legend")
    path = [(x, y, "D02"), (x, y + 1, "D01"), (x + 0.6, y + 0.5, "D01"), (x + 0.6, y, "D01")]
    made = edited(parcel, name, [layer.added(f"C,{layer.size(0.15)}", path)])
    return Edit(made, ("legend/added",), "legend", (), (x, y), 2.5)


@change("profile/cut-out")
def cut_out(parcel: Parcel, rng: Random) -> Edit:
    x, y = parcel.free_place(3)
    name, layer = layer_of(parcel, "profile")
    points = ((x - 1, y - 1), (x + 1, y - 1), (x + 1, y + 1), (x - 1, y + 1), (x - 1, y - 1))
    path = [(px, py, "D01" if n else "D02") for n, (px, py) in enumerate(points)]
    made = edited(parcel, name, [layer.added(f"C,{layer.size(0.1)}", path)])
    return Edit(made, ("profile/removed",), "profile|cut-out", ("connection/*",), (x, y), 3)


@change("profile/edge-moved")
def edge_moved(parcel: Parcel, rng: Random) -> Edit:
    """The right edge moves out by 1 mm; the corners go with it."""
    name, layer = layer_of(parcel, "profile")
    middle = (parcel.edge[0] + parcel.edge[2]) / 2
    straight = {round(m.x, 2) for m in layer.marks if abs(m.x - m.from_x) < 1e-6}
    if not straight or any(m.arc and (m.x - middle) * (m.from_x - middle) < 0 for m in layer.marks):
        raise Unfit("no edge to move")
    text = layer.transformed(lambda x, y: (x + 1 if x > middle else x, y))
    return Edit(
        parcel.with_text(name, text),
        ("profile/added",),
        "outline|profile|mm",
        ("board/changed", "profile/*"),
    )


@change("profile/left-out")
def no_profile(parcel: Parcel, rng: Random) -> Edit:
    made = parcel.without(*parcel.named("profile"), *parcel.jobs)
    also = ("profile/*", "part/*", "connection/*", "hole/*", "key/*")
    return Edit(made, ("board/changed",), "profile|outline", also)

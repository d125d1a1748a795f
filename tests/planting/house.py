"""What board houses usually change in files, singly and together, and faults to hide under it."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable
from dataclasses import dataclass
from random import Random

from yardstick.gerber_text import Unfit, replaced, without_attributes
from yardstick.parcel import SIDES, Parcel

from planting.boards import mapped, panel
from planting.edit import CHANGES, Edit
from planting.layers import grown

HouseEdit = Callable[[Parcel], Parcel]
HOUSE: dict[str, HouseEdit] = {}
"""Usual edits by id."""

FAULTS = (
    "copper/bridge",
    "copper/pad-removed",
    "copper/track-added",
    "copper/track-cut",
    "copper/track-removed",
    "hole/added",
    "hole/moved",
    "hole/removed",
    "legend/stroke-removed",
    "mask/place-added",
    "mask/place-removed",
    "profile/cut-out",
    "profile/edge-moved",
    "slot/added",
)
"""Kinds of changes that must never be excused; unknown ones are left out."""


def house(edit_id: str) -> Callable[[HouseEdit], HouseEdit]:
    """Enter a usual edit."""

    def entered(edit: HouseEdit) -> HouseEdit:
        HOUSE[edit_id] = edit
        return edit

    return entered


def bare(parcel: Parcel) -> Parcel:
    """The package without tables, netlist and job file, which a house does not send back."""
    return parcel.without(*parcel.netlists, *parcel.placements, *parcel.jobs)


@house("mask-grown")
def mask_grown(parcel: Parcel) -> Parcel:
    made = parcel
    for name, layer in parcel.layers("mask"):
        made = made.with_text(name, grown(layer, 0.05))
    return made


@house("copper-compensated")
def copper_compensated(parcel: Parcel) -> Parcel:
    made = parcel
    for name, layer in parcel.layers("copper"):
        made = made.with_text(name, grown(layer, 0.02))
    return made


@house("legend-clipped")
def legend_clipped(parcel: Parcel) -> Parcel:
    """Erases the legend in openings and 0.1 mm around."""
    made = parcel
    for side in SIDES:
        openings = [(g, m) for _, g in parcel.layers("mask", side) for m in g.flashes]
        for name, layer in parcel.layers("legend", side):
            code = max(layer.apertures, default=9) + 1
            lines = []
            for n, (mask, mark) in enumerate(openings):
                shape = mask.apertures[mark.aperture].shape
                if shape not in ("C", "R", "O") or "%LR" in mask.text:
                    continue
                sizes = mask.apertures[mark.aperture].sizes
                wider = "X".join(layer.size(v + 0.2) for v in sizes)
                place = layer.point(mark.x, mark.y, "D03")
                lines.append(f"%ADD{code + n}{shape},{wider}*%\nD{code + n}*\n{place}")
            text = "%LPC*%\n" + "\n".join(lines) + "\n%LPD*%\n"
            made = made.with_text(name, replaced(layer.text, [(layer.end, layer.end, text)]))
    if made is parcel:
        raise Unfit("no legend or no openings")
    return made


@house("drills-merged")
def drills_merged(parcel: Parcel) -> Parcel:
    """Writes all holes into one file that does not state plating."""
    names = [n for n in parcel.named("drill") if n in parcel.drills]
    if len(names) < 2 or len(names) != len(parcel.named("drill")):
        raise Unfit("no two drill files")
    tools: dict[float, list[str]] = {}
    for name in names:
        drill = parcel.drills[name]
        if not drill.plain:
            raise Unfit("routed")
        for hit in drill.hits:
            x, y, to_x, to_y = (f"{v:.4f}" for v in (hit.x, hit.y, hit.to_x, hit.to_y))
            line = f"X{x}Y{y}" + (f"G85X{to_x}Y{to_y}" if hit.slot else "")
            tools.setdefault(round(drill.diameter(hit), 4), []).append(line)
    head = "".join(f"T{n}C{d:.4f}\n" for n, d in enumerate(tools, 1))
    body = "".join(f"T{n}\n" + "\n".join(v) + "\n" for n, v in enumerate(tools.values(), 1))
    text = f"M48\nMETRIC\n{head}%\nG90\nG05\n{body}M30\n"
    return parcel.without(*names).with_text("job-4711.drl", text)


@house("holes-enlarged")
def holes_enlarged(parcel: Parcel) -> Parcel:
    """Drills plated holes 0.1 mm larger."""
    made = parcel
    for name, drill in parcel.drills.items():
        if parcel.roles[name].plated is False:
            continue
        text = drill.text
        for size, (start, end) in sorted(drill.tools.values(), key=lambda t: -t[1][0]):
            text = text[:start] + f"{(size + 0.1) / drill.mm:.4f}" + text[end:]
        made = made.with_text(name, text)
    return made


@house("names-and-attributes")
def renamed(parcel: Parcel) -> Parcel:
    """Names files after what they are, and leaves out all attributes."""
    made, names = bare(parcel), {}
    for name, role in parcel.roles.items():
        if role.kind == "drill":
            word = {True: "plated", False: "nonplated", None: "holes"}[role.plated]
            new = f"4711-{word}.drl"
        elif role.kind in ("copper", "mask", "legend", "paste") and role.side:
            new = f"4711-{role.kind.replace('mask', 'soldermask')}-{role.side}.gbr"
        elif role.kind == "profile":
            new = "4711-outline.gbr"
        else:
            made = made.without(name)
            continue
        if new in names.values():
            raise Unfit("two files of one role")
        names[name] = new
        text = without_attributes(made.text(name))
        text = re.sub(r"^; ?#@!.*\r?\n", "", text, flags=re.MULTILINE)
        made = made.with_text(name, text)
    return made.renamed(names)


@house("panelised")
def panelised(parcel: Parcel) -> Parcel:
    return panel(parcel, 2)


@house("paste-left-out")
def paste_left_out(parcel: Parcel) -> Parcel:
    names = parcel.named("paste")
    if not names:
        raise Unfit("no paste")
    return bare(parcel.without(*names))


@house("board-moved")
def moved(parcel: Parcel) -> Parcel:
    return mapped(parcel, lambda x, y: (x + 25.4, y + 12.7))


ORDER = (
    "mask-grown",
    "copper-compensated",
    "legend-clipped",
    "holes-enlarged",
    "drills-merged",
    "paste-left-out",
    "names-and-attributes",
    "board-moved",
    "panelised",
)
"""The order in which a house does all of them."""


@dataclass(frozen=True)
class Sent:
    """A returned package, whether it is still the board, and where its fault is."""

    parcel: Parcel
    mine: bool
    fault: Edit | None = None


def all_edits(parcel: Parcel, *, without: tuple[str, ...] = ()) -> Parcel:
    """The package after every usual edit that it has a place for."""
    made = parcel
    for edit_id in ORDER:
        if edit_id in without:
            continue
        try:
            made = HOUSE[edit_id](made)
        except Unfit:
            continue
    return made


def returns(parcel: Parcel) -> dict[str, Callable[[], Sent]]:
    """Every way in which a package is sent back: edits singly, together, and each with a fault."""

    def one(edit_id: str) -> Sent:
        return Sent(HOUSE[edit_id](parcel), mine=True)

    def faulty(kind_id: str, panels: bool) -> Sent:
        seed = hashlib.sha256(f"{parcel.name}:{kind_id}".encode()).digest()
        fault = CHANGES[kind_id](parcel, Random(seed))
        skipped = () if panels else ("panelised", "board-moved")
        return Sent(all_edits(fault.parcel, without=skipped), mine=False, fault=fault)

    made: dict[str, Callable[[], Sent]] = {
        f"house/{edit_id}": lambda edit_id=edit_id: one(edit_id) for edit_id in HOUSE
    }
    made["house/together"] = lambda: Sent(all_edits(parcel), mine=True)
    made["house/together-no-panel"] = lambda: Sent(
        all_edits(parcel, without=("panelised",)), mine=True
    )
    for kind_id in FAULTS:
        if kind_id in CHANGES:
            made[f"house/fault/{kind_id}"] = lambda kind_id=kind_id: faulty(kind_id, False)
            made[f"house/fault-in-panel/{kind_id}"] = lambda kind_id=kind_id: faulty(kind_id, True)
    return made

"""What is chosen for the order: whether the house offers it, and what each thickness would mean.

Of every thickness offered: which holes forbid it, what it weighs, how much it gives under a key.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import groupby
from typing import Final

import numpy as np
import shapely

from fabkit.base.findings import Finding, Place, Rule, Severity
from fabkit.base.units import (
    COINCIDENT_MM,
    USUAL_THICKNESS_MM,
    and_words,
    board_weight_g,
    counted,
    format_mm,
    format_number,
    some_of,
)
from fabkit.board.model import Board, measure_laminate
from fabkit.checks.declare import check
from fabkit.checks.model import Case
from fabkit.keyboard.build import find_keyboard
from fabkit.package.model import RoleKind
from fabkit.package.order_text import OrderNote, finish_of
from fabkit.rules import load_rule
from fabkit.sheets.house import House, load_house, thickness_tolerance_mm

LAYERS_OFFERED: Final = load_rule("package/layers-not-offered")
THICKNESS_OFFERED: Final = load_rule("thickness/not-offered")
THICKNESS_DIFFERS: Final = load_rule("thickness/differs-from-job")
COLOUR: Final = load_rule("order/colour-not-offered")
FINISH: Final = load_rule("order/finish-not-offered")
COPPER: Final = load_rule("order/copper-not-offered")
LEAD: Final = load_rule("order/finish-with-lead")
NOTE_DIFFERS: Final = load_rule("order/note-differs")
NOTE: Final = load_rule("order/note")


@check(id="package/layers-offered", rules=(LAYERS_OFFERED,), needs=("copper",))
def find_layer_count(case: Case) -> Iterator[Finding]:
    """The house makes boards of this many copper layers."""
    count = len(case.board.copper)
    offered = case.house.options.layers
    if count not in offered:
        yield Finding.of(
            LAYERS_OFFERED,
            f"{counted(count, 'copper layer')}; the house offers "
            f"{', '.join(str(n) for n in offered)}",
            measured=float(count),
            # What an invented house does not offer, a real one may.
            severity=Severity.WARNING if case.house.invented else LAYERS_OFFERED.severity,
        )


@check(id="thickness/offered", rules=(THICKNESS_OFFERED, THICKNESS_DIFFERS), needs=("thickness",))
def find_thickness_problems(case: Case) -> Iterator[Finding]:
    """The house offers the chosen thickness, and the job file agrees."""
    chosen = case.thickness_mm
    assert chosen is not None  # noqa: S101 -- granted by needs
    offered = np.array(case.house.options.thickness_mm)
    nearest = float(offered[np.abs(offered - chosen).argmin()])
    within = abs(nearest - chosen) <= thickness_tolerance_mm(nearest)
    if abs(nearest - chosen) > COINCIDENT_MM:
        choices = ", ".join(format_number(t) for t in case.house.options.thickness_mm)
        yield Finding.of(
            THICKNESS_OFFERED,
            f"{format_mm(chosen)} is not offered; the house offers {choices} mm",
            measured=chosen,
            limit=nearest,
            unit="mm",
            advice=f"The nearest offered thickness is {format_mm(nearest)}.",
            # A layout states the sum of its stack-up; nobody ordered that number.
            severity=Severity.NOTE
            if within and case.options.thickness_mm is None
            else THICKNESS_OFFERED.severity,
        )
    stated = case.board.thickness_mm
    if stated is not None and abs(stated - chosen) > thickness_tolerance_mm(chosen):
        yield Finding.of(
            THICKNESS_DIFFERS,
            f"{format_mm(chosen)} is chosen, the job file says {format_mm(stated)}",
            *(Place(file=f.name) for f in case.board.package.of(RoleKind.JOB)),
            measured=chosen,
            limit=stated,
            unit="mm",
        )


@check(id="order/choices", rules=(COLOUR, FINISH, COPPER, LEAD))
def find_choices_not_offered(case: Case) -> Iterator[Finding]:
    """The house offers what was chosen."""
    chosen, offered = case.options, case.house.options
    for rule, what, choice, choices in (
        (COLOUR, "colour", chosen.colour, offered.colours),
        (FINISH, "finish", chosen.finish, offered.finishes),
    ):
        if choice is not None and choice not in choices:
            yield Finding.of(
                rule, f"{what} '{choice}' is not offered; the house offers {', '.join(choices)}"
            )
    if chosen.copper_oz is not None and chosen.copper_oz not in offered.copper_oz:
        words = ", ".join(f"{weight:g}" for weight in offered.copper_oz)
        yield Finding.of(
            COPPER, f"{chosen.copper_oz:g} oz copper is not offered; the house offers {words}"
        )
    finish = offered.finishes.get(chosen.finish or "")
    if finish is not None and not finish.rohs:
        yield Finding.of(LEAD, f"the finish '{finish.title}' contains lead")


@check(id="order/notes", rules=(NOTE_DIFFERS, NOTE))
def find_order_notes(case: Case) -> Iterator[Finding]:
    """What texts in the package ask for is what is ordered, where that is chosen by now."""
    asked: list[OrderNote] = []
    differing: dict[str, list[OrderNote]] = {}
    alike = groupby(sorted(case.board.package.notes, key=lambda n: n.what), key=lambda n: n.what)
    for what, group in alike:
        notes = list(group)
        # A text that leaves the choice is followed by either.
        if any(_is_followed(note, case) for note in notes):
            asked += notes
        else:
            differing[what] = notes
    if differing:
        wanted = and_words(
            [
                " or ".join(dict.fromkeys(_in_words(note) for note in notes))
                for notes in differing.values()
            ]
        )
        yield _of_notes(
            NOTE_DIFFERS,
            f"asks for {wanted}; ordered: {', '.join(_ordered(what, case) for what in differing)}",
            [note for notes in differing.values() for note in notes],
        )
    if asked:
        yield _of_notes(NOTE, f"asks for {and_words([_in_words(note) for note in asked])}", asked)


def _of_notes(rule: Rule, said: str, notes: Sequence[OrderNote]) -> Finding:
    quoted = some_of([f"'{text}'" for text in dict.fromkeys(note.text for note in notes)], 3)
    places = dict.fromkeys((note.file, note.line) for note in notes)
    return Finding.of(
        rule,
        f"a text {said}; its words: {quoted}",
        *(Place(file=file, line=line) for file, line in places),
    )


def _is_followed(note: OrderNote, case: Case) -> bool:
    """Whether what is ordered is what a note asks for, or may still be.

    How many are ordered, and of which stack-up, is not known here.
    """
    chosen, value = case.options, note.value
    if isinstance(value, str):
        if note.what == "colour":
            return not chosen.colour or value in chosen.colour.lower()
        if note.what == "finish" and chosen.finish:
            finish = finish_of(f"{case.house.finish_title(chosen.finish)}, {chosen.finish}")
            return finish is None or finish.endswith(value)
        return True
    if note.what == "thickness":
        ordered = case.thickness_mm
        return not ordered or abs(value - ordered) <= thickness_tolerance_mm(ordered)
    if note.what == "copper":
        return value == (chosen.copper_oz or value)
    return note.what != "layers" or not case.board.copper or value == len(case.board.copper)


def _in_words(note: OrderNote) -> str:
    value = note.value
    if isinstance(value, str):
        return f"{value} mask" if note.what == "colour" else value.replace("enig", "ENIG")
    if note.what == "thickness":
        return format_mm(value)
    if note.what == "copper":
        return f"{value:g} oz/ft2 copper"
    return counted(int(value), "copper layer" if note.what == "layers" else "board")


def _ordered(what: str, case: Case) -> str:
    """What is ordered instead."""
    chosen = case.options
    if what == "layers":
        return f"{len(case.board.copper)} in the files"
    if what == "thickness":
        return format_mm(case.thickness_mm or 0.0)
    if what == "copper":
        return f"{chosen.copper_oz:g} oz/ft2"
    finish = chosen.finish or ""
    return chosen.colour or "" if what == "colour" else case.house.finish_title(finish) or finish


MODULUS_GPA: Final = 22.0
POISSON: Final = 0.13
"""Glass-epoxy laminate, between lengthwise and crosswise (handbook article)."""

PRESS_N: Final = 5.0
"""A hard key press; switches bottom out at about a tenth to a fifth of it (common practice)."""

CLAMPED_PLATE: Final = 0.0056
"""Centre deflection of a clamped square plate under a point load is 0.0056 F a^2 / D
(Timoshenko and Woinowsky-Krieger, Theory of Plates and Shells, table 37, from memory)."""

SUPPORTED_PLATE: Final = 0.0116
"""The same for simply supported edges (ibid., table 23)."""

SUPPORT_MM: Final = (1.9, 3.6)
"""Bare or plated round holes of this size, off the keys, take screws (M2 to M3)."""

SOFT: Final = load_rule("thickness/soft")

FAR_MM: Final = 80.0
"""A key this far from any screw is held by something that no file shows (a choice of ours)."""

SOFT_MM: Final = 0.5
"""Estimated deflection that a typist feels (common practice, from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ThicknessRow:
    """One offered thickness.

    Parameters
    ----------
    allowed
        Whether every plated hole can be plated at it.
    fine
        True when that needs the house's fine class.
    aspect, hole_mm, hole_x_mm, hole_y_mm
        Largest thickness over drill, and the hole that has it; None without plated holes.
    weight_g
        Bare board: laminate and copper, holes subtracted; mask and legend ignored.
    stiffness
        Relative to 1.6 mm: the third power of the ratio.
    deflection_mm, key_x_mm, key_y_mm
        Estimate at the least supported key; see :func:`press_deflection`.  None without keys.
    reach_mm, held_by
        How far that key is from its nearest support, and what supports it: ``screws`` or
        ``outline``.
    clips
        Of a plate: which build of switch clips into it (common practice: full-height switches are
        made for 1.5 mm, low-profile ones for 1.2 mm, each within 0.1 mm); empty for others.
    tolerance_mm
        Plus and minus, common practice.
    surcharge
        As in the rate card; None without rates.
    """

    thickness_mm: float
    allowed: bool
    fine: bool
    aspect: float | None
    hole_mm: float | None
    hole_x_mm: float | None
    hole_y_mm: float | None
    weight_g: float
    stiffness: float
    deflection_mm: float | None
    key_x_mm: float | None
    key_y_mm: float | None
    tolerance_mm: float
    surcharge: Decimal | None
    reach_mm: float | None = None
    held_by: str = ""
    clips: str = ""

    @property
    def verdict(self) -> str:
        """Allowed or not, and by which hole."""
        if self.allowed and not self.fine:
            return "yes"
        hole = f"{format_mm(self.hole_mm or 0.0)} hole, {format_number(self.aspect or 0.0)} : 1"
        return f"fine class only ({hole})" if self.allowed else f"no ({hole})"


def relative_stiffness(thickness_mm: float) -> float:
    """Bending stiffness relative to a 1.6 mm board of the same material.

    >>> round(relative_stiffness(1.2), 4)
    0.4219
    """
    return (thickness_mm / USUAL_THICKNESS_MM) ** 3


def plate_rigidity_nmm(thickness_mm: float) -> float:
    """Bending rigidity E t^3 / 12 (1 - nu^2) of a plate, N mm."""
    return MODULUS_GPA * 1000 * thickness_mm**3 / (12 * (1 - POISSON**2))


def press_deflection(reach_mm: float, thickness_mm: float, *, force_n: float = PRESS_N) -> float:
    """Estimated deflection under a key press, mm.

    Assumptions: a square plate as wide as twice the distance from the key to its nearest
    support, pressed in the middle, with edges half way between clamped and free to turn; copper,
    cut-outs and the switches' own stiffness ignored.  Good for comparing thicknesses, not for
    design.
    """
    side = 2 * reach_mm
    factor = (CLAMPED_PLATE + SUPPORTED_PLATE) / 2
    return factor * force_n * side**2 / plate_rigidity_nmm(thickness_mm)


def least_supported_key(board: Board) -> tuple[float, float, float, str] | None:
    """Key farthest from any support: distance, x, y (mm), and what supports it.

    Supports are screw-sized holes off the keys; where those leave a key too far from any, the
    board is taken as held along its outline.  None when the board has no keys.
    """
    keys = find_keyboard(board).keys
    if not keys:
        return None
    spots = np.array([(k.x_mm, k.y_mm) for k in keys])
    holes = board.holes
    low, high = SUPPORT_MM
    screws = np.flatnonzero((holes.diameter >= low) & (holes.diameter <= high))
    centres = holes.spots()[screws]
    if len(centres):
        # Pegs of a switch have holes of a screw's size under the key, and hold nothing.
        off_keys = np.hypot(*(centres[:, None] - spots[None]).transpose(2, 0, 1)).min(axis=1) > 8.0
        centres = centres[off_keys]
    reach = np.full(len(spots), np.inf)
    if len(centres):
        reach = np.hypot(*(spots[:, None] - centres[None]).transpose(2, 0, 1)).min(axis=1)
    held_by = "screws"
    # One screw in a far corner would make any board look soft.
    if reach.max() > FAR_MM:
        if board.profile is None:
            return None
        reach = shapely.distance(shapely.points(spots), shapely.boundary(board.profile))
        held_by = "outline"
    worst = int(np.argmax(reach))
    return float(reach[worst]), float(spots[worst, 0]), float(spots[worst, 1]), held_by


def judge_thicknesses(board: Board, house: House | None = None) -> tuple[ThicknessRow, ...]:
    """Judge every thickness a house offers, thinnest first.

    Parameters
    ----------
    board
        As built by :func:`fabkit.build_board`.
    house
        The house sheet; None takes the bundled, invented one.
    """
    house = house or load_house()
    holes = board.holes
    # Holes whose plating is unknown count as plated, which is the harder case.
    plated = np.flatnonzero((holes.plated != 0) & (holes.diameter > 0))
    small = plated[np.argmin(holes.diameter[plated])] if len(plated) else None
    standard = house.limit("aspect_ratio")
    fine = house.limit("aspect_ratio", "fine")
    area, cover = measure_laminate(board)
    reach, key_x, key_y, held_by = least_supported_key(board) or (None, None, None, "")
    plate = find_keyboard(board).hands.use == "plate"
    rows = []
    for thickness in house.options.thickness_mm:
        aspect = None if small is None else thickness / float(holes.diameter[small])
        rows.append(
            ThicknessRow(
                thickness_mm=thickness,
                allowed=aspect is None or fine.allows(aspect),
                fine=aspect is not None and not standard.allows(aspect) and fine.allows(aspect),
                aspect=aspect,
                hole_mm=None if small is None else float(holes.diameter[small]),
                hole_x_mm=None if small is None else float(holes.x[small]),
                hole_y_mm=None if small is None else float(holes.y[small]),
                weight_g=board_weight_g(area, thickness, cover=cover),
                stiffness=relative_stiffness(thickness),
                deflection_mm=None if reach is None else press_deflection(reach, thickness),
                key_x_mm=key_x,
                key_y_mm=key_y,
                tolerance_mm=thickness_tolerance_mm(thickness),
                surcharge=_surcharge(house, thickness),
                reach_mm=reach,
                held_by=held_by,
                clips=_clips(thickness) if plate else "",
            )
        )
    return tuple(rows)


CLIPS_MM: Final = {"full-height": 1.5, "low-profile": 1.2}
"""Thickness of plate that the clips of each build of switch are made for (common practice)."""

CLIP_SLACK_MM: Final = 0.1


def _clips(thickness_mm: float) -> str:
    fit = (f for f, mm in CLIPS_MM.items() if abs(thickness_mm - mm) <= CLIP_SLACK_MM + 1e-9)
    return next(fit, "none")


def _surcharge(house: House, thickness_mm: float) -> Decimal | None:
    if house.rates is None:
        return None
    value = Decimal(str(thickness_mm))
    return sum((s.price for s in house.rates.thickness if s.applies(value)), Decimal(0))


@check(id="thickness/stiffness", rules=(SOFT,), needs=("thickness", "holes"))
def stiffness(case: Case) -> Iterator[Finding]:
    """The chosen thickness is stiff enough under the keys."""
    thickness, key = case.thickness_mm or USUAL_THICKNESS_MM, least_supported_key(case.board)
    if key is None:
        return
    sag = press_deflection(key[0], thickness)
    if sag > SOFT_MM:
        yield Finding.of(
            SOFT,
            f"a press of {format_number(PRESS_N)} N bends the {format_mm(thickness)} board by "
            f"about {format_mm(sag, digits=1)} at the key {format_mm(key[0], digits=0)} from "
            "its nearest support (plate estimate)",
            Place(x_mm=key[1], y_mm=key[2]),
            measured=sag,
            limit=SOFT_MM,
            unit="mm",
        )

"""What two revisions state of how they are to be made: finish, colours, thickness, material."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from fabkit.base.units import format_mm
from fabkit.board.model import Board
from fabkit.compare.model import SAME_MM, Change, Verb, What
from fabkit.formats.sidecars.model import JobFile
from fabkit.package.model import RoleKind


def fact(subject: str, before: str, after: str) -> Change:
    """Give the change of what holds for a whole board."""
    return Change(what=What.BOARD, verb=Verb.CHANGED, subject=subject, before=before, after=after)


@dataclass(frozen=True, slots=True)
class Stated:
    """One option: the words that are shown, and what is compared."""

    words: str
    meaning: str


_FINISHES: Final = (
    (r"|none", "none"),
    (r"(lf|(pb|lead)-?free)\b.*(hal|hasl)|(hal|hasl)\b.*(lf\b|(pb|lead)[- ]?free).*", "HAL free"),
    (r"(hal|hasl)\b.*", "HAL"),
    (r"enepig", "ENEPIG"),
    (r"enig|(electroless nickel )?immersion gold", "ENIG"),
    (r"(ht_?)?osp", "OSP"),
)
"""Spellings of one finish (Gerber job file format, list from memory); others as written."""

_FLAGS: Final = (
    ("Castellated", "castellated edges"),
    ("EdgePlating", "plated edges"),
    ("EdgeConnector", "edge connector"),
    ("ImpedanceControlled", "controlled impedance"),
    ("RoHS", "RoHS"),
    ("ROHS", "RoHS"),
)

_COLOURED: Final = (("soldermask", "solder mask colour"), ("legend", "legend colour"))

_RGB: Final = re.compile(r"r\d+g\d+b\d+")


def compare_options(old: Board, new: Board) -> tuple[list[Change], dict[str, str]]:
    """Options that the boards state differently, and those that only one states: no change.

    Returns
    -------
    changes, not_compared
        The latter as in :class:`fabkit.compare.model.Comparison`.
    """
    mine, theirs = stated_options(old), stated_options(new)
    names = [name for name, stated in (("OLD", mine), ("NEW", theirs)) if not stated]
    if len(names) == 2:
        return [], {"options": "neither states any"}
    if names:
        known = ", ".join(f"{title} {s.words}" for title, s in (mine or theirs).items())
        other = "NEW" if names == ["OLD"] else "OLD"
        return [], {"options": f"{names[0]} states none; {other} states {known}"}
    changes, lacking = [], {}
    for title in dict.fromkeys([*theirs, *mine]):
        a, b = mine.get(title), theirs.get(title)
        if a is None or b is None:
            silent, other = ("OLD", "NEW") if a is None else ("NEW", "OLD")
            said = a or b
            words = "" if said is None else said.words
            lacking[title] = f"{silent} does not state it; {other} states {words}"
        elif bool(_RGB.fullmatch(a.meaning)) != bool(_RGB.fullmatch(b.meaning)):
            lacking[title] = f"OLD states {a.words}, NEW {b.words}: a word and a mixture"
        elif title == "thickness" and abs(float(a.meaning) - float(b.meaning)) <= SAME_MM:
            continue
        elif a.meaning != b.meaning:
            changes.append(fact(title, a.words, b.words))
    return changes, lacking


def stated_options(board: Board) -> Mapping[str, Stated]:
    """Read what the job file of a board states of its making, by title.

    Only what no drawing shows: layers, outline and holes are compared as they are drawn.
    """
    found: dict[str, Stated] = {}
    if board.thickness_mm is not None:
        found["thickness"] = Stated(format_mm(board.thickness_mm), repr(board.thickness_mm))
    job = next(
        (f.content for f in board.package.of(RoleKind.JOB) if isinstance(f.content, JobFile)), None
    )
    if job is None:
        return found
    if job.finish is not None:
        found["finish"] = Stated(_shown(job.finish), _finish(job.finish))
    found |= _stackup(job)
    specs = job.raw.get("GeneralSpecs")
    specs = specs if isinstance(specs, dict) else {}
    for key, title in _FLAGS:
        if isinstance(specs.get(key), bool):
            words = "yes" if specs[key] else "no"
            found[title] = Stated(words, words)
    protection = specs.get("ViaProtection")
    if isinstance(protection, str) and protection.strip():
        found["via protection"] = _text(protection)
    return found


def _stackup(job: JobFile) -> dict[str, Stated]:
    """Colours of either face, material and copper thickness, as the layers are listed."""
    found: dict[str, Stated] = {}
    kinds = [str(row.get("Type", "")).casefold() for row in job.stackup]
    copper = [k for k, kind in enumerate(kinds) if kind == "copper"]
    if not copper:
        return found
    for k, (row, kind) in enumerate(zip(job.stackup, kinds, strict=True)):
        side = "top" if k < copper[0] else "bottom"
        for wanted, title in _COLOURED:
            if kind == wanted and _says(row, "Color"):
                found[f"{side} {title}"] = _text(row["Color"])
    materials = dict.fromkeys(
        row["Material"].strip()
        for row, kind in zip(job.stackup, kinds, strict=True)
        if kind == "dielectric" and _says(row, "Material")
    )
    if materials:
        found["material"] = _text(", ".join(materials))
    outer = [job.stackup[k].get("Thickness") for k in dict.fromkeys((copper[0], copper[-1]))]
    for title, heights in (
        ("outer copper", outer),
        ("inner copper", [job.stackup[k].get("Thickness") for k in copper[1:-1]]),
    ):
        known = [
            float(h) for h in heights if isinstance(h, int | float) and not isinstance(h, bool)
        ]
        if known and len(known) == len(heights):
            found[title] = _text(", ".join(dict.fromkeys(format_mm(h) for h in known)))
    return found


def _says(row: Mapping[str, Any], key: str) -> bool:
    return isinstance(row.get(key), str) and bool(row[key].strip())


def _text(value: str) -> Stated:
    return Stated(_shown(value), " ".join(value.split()).casefold())


def _shown(value: str) -> str:
    return " ".join(value.split()) or "none"


def _finish(value: str) -> str:
    """Reduce a finish to one name, however it is spelt."""
    words = " ".join(value.split()).casefold()
    return next((key for known, key in _FINISHES if re.fullmatch(known, words)), words)

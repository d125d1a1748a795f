"""Results as plain dictionaries: what JSON documents hold, and sentences are written from."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from fabkit.base.findings import Consequence, Finding, Place, Rule, Severity
from fabkit.base.tables import Record, picked
from fabkit.base.units import format_number
from fabkit.board.model import Board
from fabkit.checks.choices import ThicknessRow
from fabkit.checks.judging import HouseVerdict
from fabkit.checks.model import CheckResult, State
from fabkit.keyboard.model import BoardIs
from fabkit.outputs.atomic import Packed, digest
from fabkit.package.model import Package
from fabkit.rules import terms_of
from fabkit.sheets.house import House


def place_record(place: Place) -> Record:
    """Record what is known of a place."""
    known = {
        "text": str(place),
        "file": place.file,
        "line": place.line,
        "column": place.column,
        "offset": place.offset,
        "excerpt": place.excerpt or None,
        "caret": place.caret if place.excerpt else None,
        "side": place.side,
        "x_mm": place.x_mm,
        "y_mm": place.y_mm,
    }
    return {key: value for key, value in known.items() if value is not None}


def found_at(place: Record) -> str:
    """Say where a place is: in its file, or at its point."""
    return f"{'in' if place.get('file') else 'at'} {place['text']}"


def finding_record(finding: Finding) -> Record:
    """Record a finding with its rule's reasons."""
    rule = finding.rule
    return {
        "id": rule.id,
        "severity": finding.severity.word,
        "consequence": finding.consequence.word,
        "title": rule.title,
        "message": finding.message,
        "count": finding.count,
        "measured": finding.measured,
        "limit": finding.limit,
        "unit": finding.unit,
        "assumed": finding.assumed,
        "remedy": finding.remedy,
        "why": rule.why,
        "source": str(rule.source),
        "words": words_of(rule),
        "places": [place_record(p) for p in finding.places],
        **({"follows": finding.follows} if finding.follows else {}),
        **({"choice": finding.choice} if finding.choice else {}),
    }


def package_record(package: Package) -> Record:
    """Record what is in a package, each file with its role and the reason for it."""
    return {
        "name": package.name,
        "source": package.source,
        "files": [
            {"name": row.pop("file"), **row, "sha256": digest(file.data)}
            for row, file in zip(package.table().records(), package.files, strict=True)
        ],
        "left_out": [{"name": f.name, "reason": f.reason} for f in package.left_out],
    }


def name_alone(source: str) -> str:
    """Name a package by itself: the same wherever it lies and however its path was typed."""
    return Path(os.path.abspath(source)).name  # noqa: PTH100 -- keeps a last symbolic link


def board_record(board: Board) -> Record:
    """Size, layers and drill table of a board."""
    width, height = board.size_mm
    return {
        "name": board.name,
        "width_mm": width,
        "height_mm": height,
        "area_mm2": board.area_mm2,
        "panel": board.panel.words if board.panel else None,
        "copper_layers": len(board.copper),
        "layers": [layer.name for layer in board.layers],
        "thickness_mm": board.thickness_mm,
        "holes": len(board.holes),
        "slots": len(np.unique(board.slots.path)),
        "drills": drill_table(board),
        "components": len(board.components),
    }


def keyboard_record(said: BoardIs) -> Record:
    """Record what one board is: a half, both halves, a whole keyboard, a plate."""
    keyboard, hands = said.keyboard, said.hands
    return {
        "name": said.name,
        "is": hands.use,
        "halves": hands.halves,
        "keys": list(keyboard.counts),
        "groups": [
            {"hand": g.hand, "face_up": g.face_up, "keys": list(keyboard.group_counts(g))}
            for g in hands.groups
        ],
        "stated_by": hands.stated_by,
        "why": hands.why,
        "contradiction": hands.contradiction,
        "headline": said.headline,
        "size": said.size,
    }


def drill_table(board: Board) -> list[Record]:
    """Diameters with plating and number of round holes and slots, smallest first."""
    rows: dict[tuple[float, int], list[int]] = {}
    # To a tenth of a micrometre: one diameter of two files, one in inches, is one row.
    for diameter, plated in zip(board.holes.diameter, board.holes.plated, strict=True):
        rows.setdefault((round(float(diameter), 4), int(plated)), [0, 0])[0] += 1
    _, firsts = np.unique(board.slots.path, return_index=True)
    for row in firsts:
        key = (round(float(board.slots.diameter[row]), 4), int(board.slots.plated[row]))
        rows.setdefault(key, [0, 0])[1] += 1
    # Without copper there is nothing to plate.
    bare = not any(len(layer.file.objects) for layer in board.copper)
    words = {1: "plated", 0: "non-plated", -1: "non-plated" if bare else "not known"}
    return [
        {"diameter_mm": diameter, "plating": words[plated], "holes": holes, "slots": slots}
        for (diameter, plated), (holes, slots) in sorted(rows.items())
    ]


def house_record(house: House) -> Record:
    """Which house sheet was used, and the remarks that must go with it."""
    return picked(house, "name", "invented", "notice")


def count_record(result: CheckResult) -> Record:
    """Count findings by severity, causes by consequence, and checks that could not judge."""
    counts: Record = {s.word: result.count(s) for s in sorted(Severity, reverse=True)}
    for consequence in sorted(Consequence, reverse=True):
        mine = (f for f in result if f.consequence is consequence)
        counts[consequence.word] = sum(not f.follows for f in mine)
    counts["silenced"] = len(result.silenced)
    counts["not judged"] = len(result.in_state(State.NOT_JUDGED))
    counts["does not apply"] = len(result.in_state(State.APART))
    counts["broken"] = len(result.in_state(State.BROKEN))
    return counts


def check_record(
    board: Board,
    result: CheckResult,
    house: House,
    *,
    thicknesses: Sequence[ThicknessRow] = (),
    houses: Sequence[HouseVerdict] = (),
) -> Record:
    """Record the verdict with everything it rests on; thicknesses and houses where asked for."""
    return {
        **({"thicknesses": [thickness_record(row) for row in thicknesses]} if thicknesses else {}),
        **({"houses": [house_verdict_record(v) for v in houses]} if houses else {}),
        "package": package_record(board.package),
        "board": board_record(board),
        "boards": [keyboard_record(result.board)] if result.board else [],
        "house": house_record(house),
        "verdict": result.verdict,
        "opening": result.opening,
        "counts": count_record(result),
        "findings": [finding_record(f) for f in result],
        "silenced": [{**finding_record(f), "reason": reason} for f, reason in result.silenced],
        "checks": [
            {
                "id": o.check.id,
                "title": o.check.title,
                "state": o.state.value,
                "findings": len(o.findings),
                "reason": o.reason,
            }
            for o in result.outcomes
        ],
    }


def thickness_record(row: ThicknessRow) -> Record:
    """One offered thickness."""
    return picked(
        row,
        *("thickness_mm", "allowed", "fine", "verdict", "aspect", "hole_mm", "hole_x_mm"),
        *("hole_y_mm", "weight_g", "stiffness", "deflection_mm", "key_x_mm", "key_y_mm"),
        *("tolerance_mm", "surcharge", "reach_mm", "held_by", "clips"),
    )


def house_verdict_record(verdict: HouseVerdict) -> Record:
    """Whether one house can make the board."""
    return {
        **house_record(verdict.house),
        "makes": verdict.cls is not None,
        "class": verdict.cls,
        "reasons": verdict.rows(),
    }


def packed_record(packed: Packed) -> Record:
    """Record what went into an archive and what did not."""
    return {
        "path": packed.path.as_posix(),
        "sha256": packed.sha256,
        "contents_sha256": packed.contents_sha256,
        "members": [{"name": n, "sha256": d} for n, d in sorted(packed.members.items())],
        "renamed": [{"name": n, "exported_as": old} for n, old in sorted(packed.renamed.items())],
        "left_out": [{"name": n, "reason": r} for n, r in packed.left_out],
        "doubtful": list(packed.doubtful),
    }


def rule_record(rule: Rule) -> Record:
    """One entry of the catalogue."""
    return {
        "id": rule.id,
        "title": rule.title,
        "severity": rule.severity.word,
        "consequence": rule.consequence.word,
        "why": rule.why,
        "source": str(rule.source),
        "remedy": rule.advice,
        "words": words_of(rule),
    }


def words_of(rule: Rule) -> list[str]:
    """Terms of the glossary that a rule is about."""
    return [term.term for term in terms_of(rule)]


def house_sheet_record(house: House) -> Record:
    """Record what a house offers and can make."""
    options = house.options
    offers = {
        "copper layers": [str(n) for n in options.layers],
        "thickness, mm": [format_number(t) for t in options.thickness_mm],
        "copper, oz/ft2": [format_number(c) for c in options.copper_oz],
        "mask colours": list(options.colours),
        "finishes": list(options.finishes),
        "smallest order, boards": [str(house.minimum)],
        "in steps of, boards": [str(house.step)],
    }
    return {
        **house_record(house),
        "offers": [{"what": what, "choices": choices} for what, choices in offers.items()],
        "limits": house.rows(),
    }

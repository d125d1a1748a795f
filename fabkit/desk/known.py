"""What the page offers to choose: from the order file, the sheets, and what a run found out."""

from __future__ import annotations

from typing import Any, Final

from fabkit.base.errors import FabkitError
from fabkit.base.tables import Record
from fabkit.board.model import size_words
from fabkit.desk.store import OrderFolder
from fabkit.desk.wanted import book_in_use, house_in_use, sheet_path
from fabkit.outputs.model import OrderContents
from fabkit.parts.book import NOTHING
from fabkit.sheets.order import BoardUse, Order

MOST_ASSIGNED: Final = 600
"""References offered to be assigned; a page with more is of no use."""

USES: Final[dict[BoardUse, str]] = {
    "reversible": "one design for either half",
    "left": "left half",
    "right": "right half",
    "both": "both halves on one board",
    "whole": "a keyboard that is not split",
    "plate": "plate without copper",
    "none": "no keyboard",
}


def known_record(contents: OrderContents) -> Record:
    """Record what a run found out about boards, findings and parts."""
    findings: dict[str, Record] = {}
    for judged in contents.boards:
        for found in judged.result:
            findings.setdefault(
                found.rule.id,
                {
                    "id": found.rule.id,
                    "title": found.rule.title,
                    "consequence": found.consequence.word,
                    "message": found.message,
                },
            )
    choice = contents.order.choice
    return {
        "boards": {
            judged.ordered.package.as_posix(): {
                "use": judged.ordered.use,
                "edges": [
                    f"{size_words(reading.profile)}: {reading.name}"
                    for reading in judged.board.edge.readings
                ],
                "panel": judged.board.panel is not None,
            }
            for judged in contents.boards
        },
        "findings": list(findings.values()),
        "thickness": {"value": f"{choice.thickness_mm:f}", "from": choice.thickness_from},
        "assign": [
            {"ref": ref, "as": "; ".join(one.taken_for) or one.kind}
            for one in contents.bill.found
            for ref in one.refs
        ][:MOST_ASSIGNED],
    }


def choices_record(folder: OrderFolder, order: Order) -> Record:
    """Give what the controls of the page are filled with."""
    known = folder.record("known")
    choice = order.choice
    made: Record = {
        "keyboards": order.keyboards,
        "spare_halves": order.spare_halves,
        "halves": order.halves_wanted,
        "quantities": list(order.quantities),
        "mend": order.mend,
        "boards": [
            _board_record(n, one.package.as_posix(), order, known)
            for n, one in enumerate(order.boards)
        ],
        "silenced": [{"id": s.rule, "reason": s.reason} for s in order.silenced],
        "findings": known.get("findings", []),
        "mapping": dict(order.mapping),
        "assign": known.get("assign", []),
    }
    try:
        house = house_in_use(folder, order)
    except FabkitError as error:
        return {**made, "house": {"name": None, "error": error.message}}
    options = house.options
    settled = known.get("thickness", {}) if not choice.thickness_from else {}
    made |= {
        "house": {"name": house.name, **_sheet_record(order, "house", house.invented)},
        "thickness": _offered(
            settled.get("value", f"{choice.thickness_mm:f}"),
            [(f"{mm:g}", f"{mm:g} mm") for mm in options.thickness_mm],
        )
        | {"from": settled.get("from", choice.thickness_from)},
        "copper": _offered(
            f"{choice.copper_oz:f}", [(f"{oz:g}", f"{oz:g} oz/ft²") for oz in options.copper_oz]
        ),
        "colour": _offered(choice.colour, [(key, key) for key in options.colours]),
        "finish": _offered(
            choice.finish, [(key, one.title or key) for key, one in options.finishes.items()]
        ),
        "lead_time": _offered(
            choice.lead_time, [(k, k) for k in (house.rates.lead_time if house.rates else ())]
        ),
        "extras": _offered(
            list(choice.extras), [(k, k) for k in (house.rates.extras if house.rates else ())]
        ),
    }
    try:
        book = book_in_use(folder, order)
    except FabkitError as error:
        return {**made, "parts": {"name": None, "error": error.message}, "assign_offers": []}
    made["parts"] = {"name": book.name, **_sheet_record(order, "parts", book.invented)}
    parts = [(part.key, part.title) for part in book.parts]
    made["assign_offers"] = _offers([*parts, (NOTHING, "nothing: no part to buy")])
    return made


def _board_record(number: int, package: str, order: Order, known: Record) -> Record:
    one = order.boards[number]
    found = known.get("boards", {}).get(package, {})
    edges = [(str(n), text) for n, text in enumerate(found.get("edges", []), 1)]
    if found.get("panel"):
        edges = [("panel", "the panel as it is"), ("board", "one board of it"), *edges]
    return {
        "name": one.name,
        "package": package,
        "reading": one.stated,
        "found": found.get("use"),
        "readings": _offers(list(USES.items())),
        "edge": one.edge,
        "edges": _offers(edges) if len(edges) > 1 else [],
        "per_keyboard": one.per_keyboard if one.counted else None,
    }


def _sheet_record(order: Order, kind: str, invented: bool) -> Record:
    path = sheet_path(order, kind)
    return {"file": None if path is None else path.as_posix(), "invented": invented}


def _offered(value: object, offers: list[tuple[str, str]]) -> dict[str, Any]:
    return {"value": value, "offers": _offers(offers)}


def _offers(pairs: list[tuple[Any, str]]) -> list[Record]:
    return [{"value": value, "title": title} for value, title in pairs]

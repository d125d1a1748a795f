"""Parts list and cost sheet as plain dictionaries; amounts are exact decimal texts."""

from __future__ import annotations

from decimal import Decimal
from difflib import get_close_matches
from fnmatch import fnmatchcase
from typing import Any

from fabkit.base.errors import UsageError
from fabkit.costs.model import CostSheet, Line, Offer
from fabkit.outputs.records import finding_record, keyboard_record
from fabkit.parts.model import HALVES, Bill, BillLine, Found, Plan
from fabkit.sheets.money import unit_price

Record = dict[str, Any]


def bill_record(bill: Bill) -> Record:
    """A parts list: what goes in, what to buy, in which order to work."""
    return {
        "name": bill.name,
        "boards": [keyboard_record(said) for said in bill.boards],
        "keyboards": bill.usage.keyboards,
        "spare_halves": bill.usage.spare_halves,
        "keys": bill.keys,
        "keys_per_half": dict(bill.keys_per_half),
        "currency": bill.currency.code,
        "notices": list(bill.notices),
        "prices_of": bill.prices_date,
        "prices_include_tax": bill.prices_gross,
        "lines": [_bill_line(line, bill) for line in bill.lines],
        "plan": plan_record(bill.plan),
        "rebuild": plan_record(bill.rebuild),
        "assembly": [
            {
                "step": step.number,
                "title": step.title,
                "parts": list(step.parts),
                "cautions": list(step.cautions),
            }
            for step in bill.assembly
        ],
        "found": [_found(f) for f in bill.found],
        "left_out": [{"ref": ref, "reason": reason} for ref, reason in bill.left_out],
        "findings": [finding_record(f) for f in bill.problems],
    }


def _found(found: Found) -> Record:
    return {
        "refs": list(found.refs),
        "kind": found.kind,
        "x_mm": None if found.x_mm is None else round(found.x_mm, 3),
        "y_mm": None if found.y_mm is None else round(found.y_mm, 3),
        "half": found.half,
        "faces": list(found.faces),
        "known_by": list(found.sources),
        "patterns": list(found.patterns),
        "confidence": round(found.confidence, 2),
        "taken_for": list(found.taken_for),
    }


def explained(bill: Record, asked: str) -> list[Record]:
    """Places of a parts list that a reference (wildcards allowed), a kind or a part's title names.

    Raises
    ------
    UsageError
        Nothing on the board is called so.
    """
    wanted = asked.casefold()
    left = [f"{e['ref']}: not bought, {e['reason']}" for e in bill["left_out"]]
    found = [
        f
        for f in bill["found"]
        if wanted == f["kind"].casefold()
        or any(fnmatchcase(ref.casefold(), wanted) for ref in f["refs"])
        or any(wanted == title.casefold() for title in f["taken_for"])
    ]
    if found:
        return found
    why = next((text for text in left if text.casefold().startswith(f"{wanted}:")), "")
    names = sorted(
        {f["kind"] for f in bill["found"]} | {r for f in bill["found"] for r in f["refs"]}
    )
    near = get_close_matches(asked, names, 3)
    raise UsageError(
        why or f"nothing on this board is called '{asked}'",
        hint=f"perhaps {', '.join(near)}"
        if near
        else "kinds here: " + ", ".join(sorted({f["kind"] for f in bill["found"]})),
    )


def _bill_line(line: BillLine, bill: Bill) -> Record:
    return {
        "key": line.key,
        "part": line.title,
        "class": line.cls,
        "left": line.left,
        "right": line.right,
        "per_keyboard": line.per_keyboard,
        "needed": line.need(bill.usage),
        "refs": {half: list(line.refs.get(half, ())) for half in HALVES},
        "faces": {half: line.faces.get(half, "") for half in HALVES},
        "fitting": line.fitting.value,
        "lasting": line.lasting.value,
        "caution": line.caution,
        "priced": line.priced,
        "sources": dict(line.sources),
        "reason": line.reason,
    }


def plan_record(plan: Plan) -> Record:
    """What to buy where."""
    return {
        "total": plan.total,
        "method": plan.method,
        "purchases": plan.table().records(),
        "shops": [
            {
                "shop": s.shop,
                "goods": s.goods,
                "shipping": s.shipping,
                "small_order_fee": s.small_order_fee,
                "total": s.total,
            }
            for s in plan.shops
        ],
    }


def cost_record(sheet: CostSheet) -> Record:
    """A quote: an offer per quantity, the cheapest that covers the need, comparisons as tables."""
    return {
        "name": sheet.name,
        "boards": [keyboard_record(said) for said in sheet.boards],
        "house": sheet.house,
        "currency": sheet.currency.code,
        "notices": list(sheet.notices),
        "terms": dict(sheet.terms),
        "offers": [offer_record(offer) for offer in sheet.offers],
        "best": offer_record(sheet.best) if sheet.best else None,
        "tables": [
            {
                "title": table.title,
                "columns": list(table.heads),
                "rows": [["" if cell is None else cell for cell in row] for row in table.rows],
            }
            for table in sheet.comparisons()
        ],
        "findings": [finding_record(f) for f in sheet.problems],
    }


def offer_record(offer: Offer) -> Record:
    """All costs at one quantity, every line with the rule and the numbers that made it.

    What a board, half or keyboard costs has four decimals: it is a share, not an amount to pay.
    """
    return {
        "quantity": offer.quantity,
        "boards": offer.boards,
        "pieces": list(offer.pieces),
        "allowed": offer.allowed,
        "covers_need": offer.covers,
        "keyboards_possible": offer.keyboards_possible,
        "halves": {
            "made": offer.halves_made,
            "good": offer.halves_good,
            "used": offer.halves_used,
            "wanted": offer.halves_wanted,
            "left_over": offer.halves_left,
        },
        "left_over_worth": offer.currency.round(offer.left_worth),
        "weight_g": offer.weight_g,
        "board_total": offer.board_total,
        "parts_total": offer.parts_total,
        "total": offer.total,
        "next_step_costs": offer.marginal,
        "per_board": _per(offer.per_board),
        "per_half_made": _per(offer.per_half_made),
        "per_half_used": _per(offer.per_half_used),
        "parts_per_half": _per(offer.parts_per_half),
        "per_half": _per(offer.per_half),
        "per_keyboard": _per(offer.per_keyboard),
        "lines": [_cost_line(line) for line in offer.lines],
    }


def _cost_line(line: Line) -> Record:
    return {
        "key": line.key,
        "title": line.title,
        "for": line.group.value,
        "amount": line.amount,
        "invoiced": line.invoiced,
        "invoice_currency": line.invoice.code,
        "because": [
            {"rule": e.rule, "title": e.title, "amount": e.value, "why": e.why}
            for e in line.elements
        ],
    }


def _per(value: Decimal | None) -> Decimal | None:
    return None if value is None else unit_price(value)

"""Parts list, quote and carry-over: JSON, CSV, Markdown and text.

Amounts are exact decimal texts in JSON.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal
from difflib import get_close_matches
from fnmatch import fnmatchcase
from typing import TYPE_CHECKING, Final

from fabkit.base.columns import gather
from fabkit.base.errors import UsageError
from fabkit.base.findings import Consequence
from fabkit.base.tables import Record, picked
from fabkit.base.units import counted, some_titles
from fabkit.costs.lines import Line
from fabkit.costs.model import CostSheet, Offer
from fabkit.costs.sharing import sharing_text
from fabkit.keyboard.kinds import plain
from fabkit.outputs.formats import markdown_text, to_csv, to_document, to_markdown, to_xlsx
from fabkit.outputs.pricing import Carried
from fabkit.outputs.records import finding_record, keyboard_record
from fabkit.outputs.terminal import (
    Terminal,
    print_boards,
    print_findings,
    print_notices,
)
from fabkit.package.naming import file_stem
from fabkit.parts.model import HALVES, Bill, BillLine, Found, Plan, short_runs
from fabkit.sheets.prices import unit_price

if TYPE_CHECKING:
    from fabkit.board.model import Board
    from fabkit.costs.learning import LearnedHouse


def bill_record(bill: Bill) -> Record:
    """Record a parts list: what goes in, what to buy, in which order to work."""
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
    place = found.place
    return {
        "refs": list(place.refs),
        "kind": place.kind,
        "x_mm": None if place.x_mm is None else round(place.x_mm, 3),
        "y_mm": None if place.y_mm is None else round(place.y_mm, 3),
        "half": found.half,
        "faces": list(place.faces),
        "known_by": list(place.sources),
        "patterns": list(place.patterns),
        "confidence": round(place.confidence, 2),
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
    if not found:
        words = set(wanted.split())
        found = [
            f
            for f in bill["found"]
            if any(words <= set(plain(name).split()) for name in (f["kind"], *f["taken_for"]))
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
    """Record what to buy where."""
    return {
        "total": plan.total,
        "method": plan.method,
        "purchases": plan.table().records(),
        "shops": [
            picked(shop, "shop", "goods", "shipping", "small_order_fee", "total")
            for shop in plan.shops
        ],
    }


def cost_record(sheet: CostSheet) -> Record:
    """Record a quote: offers, the cheapest that covers the need, comparisons as tables."""
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
        "may_be_off": offer.spread,
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


def parts_files(bill: Bill) -> dict[str, bytes]:
    """``parts.csv``, ``shopping.csv``, ``parts.md`` and ``parts.json``."""
    parts, shopping, money = bill.parts_table(), bill.shopping_table(), bill.currency.code
    page = [f"# Parts of {markdown_text(bill.name)}\n", _notes(bill.notices)]
    shown = bill.shown_table()
    page.append(to_markdown(shown) if shown.rows else "No part is listed.\n")
    # The page is taken to the shop alone: what it lacks stands on it.
    missing = [f"Not bought: {refs} ({why})" for why, refs in left_by_reason(bill).items()]
    missing += [
        f"{finding.consequence.word.capitalize()}: {finding.message}. {finding.remedy}"
        for finding in bill.problems
        if finding.consequence >= Consequence.DECIDE
    ]
    page += [f"- {markdown_text(line)}" for line in missing]
    if shopping.rows:
        method = bill.plan.method
        page += [
            f"\n## To buy ({money})\n",
            f"Total {bill.plan.total} {money}; {markdown_text(method)}.\n",
            to_markdown(shopping),
        ]
    page.append("\n## Working order\n")
    for step in bill.assembly:
        page.append(f"{step.number}. {markdown_text(step.title)}")
        page += [f"   - [ ] {markdown_text(part)}" for part in step.parts]
        page += [f"   - **Caution:** {markdown_text(caution)}" for caution in step.cautions]
    return {
        "parts.csv": to_csv(parts, notes=bill.notices).encode(),
        "shopping.csv": to_csv(shopping, notes=bill.notices).encode(),
        "parts.md": ("\n".join(page) + "\n").encode(),
        "parts.json": to_document("parts", bill_record(bill)).encode(),
    }


def cost_files(costs: CostSheet) -> dict[str, bytes]:
    """``costs.csv``, ``cost-lines.csv``, ``costs.md`` and ``costs.json``; the shares of builders.

    A shared order has ``sharing.csv``, and a text to send to each builder (``share-NAME.txt``).
    """
    offers, lines = costs.offers_table(), costs.lines_table()
    terms = "".join(
        f"- {markdown_text(name)}: {markdown_text(value)}\n" for name, value in costs.terms.items()
    )
    page = [
        f"# Cost of {markdown_text(costs.name)} ({costs.currency.code})\n",
        _notes(costs.notices),
        terms,
        # For people: whole steps of the currency, and no halves where nothing has any.
        to_markdown(costs.compared_table()),
        *(
            f"\n## {markdown_text(table.title)}\n\n" + to_markdown(table)
            for table in (*costs.comparisons(), lines)
        ),
    ]
    return {
        "costs.csv": to_csv(offers, notes=costs.notices).encode(),
        "cost-lines.csv": to_csv(lines, notes=costs.notices).encode(),
        "costs.md": ("\n".join(page) + "\n").encode(),
        "costs.json": to_document("quote", cost_record(costs)).encode(),
        **_sharing_files(costs),
    }


def _sharing_files(costs: CostSheet) -> dict[str, bytes]:
    if not costs.shares or costs.best is None:
        return {}
    made = {"sharing.csv": to_csv(costs.shares_table(), notes=costs.notices).encode()}
    for share in costs.shares:
        stem, count = file_stem(share.name), 2
        name = f"share-{stem}.txt"
        while name.casefold() in {n.casefold() for n in made}:
            name, count = f"share-{stem}-{count}.txt", count + 1
        made[name] = sharing_text(share, costs).encode()
    return made


ENDINGS = {"csv": "csv", "markdown": "md", "json": "json"}


def render_parts(bill: Bill, form: str) -> str | bytes:
    """Write the parts list as ``csv``, ``markdown``, ``json`` or ``xlsx``."""
    if form == "xlsx":
        tables = {"Parts": bill.parts_table(), "To buy": bill.shopping_table()}
        return to_xlsx(tables, notes=bill.notices)
    return parts_files(bill)[f"parts.{ENDINGS[form]}"].decode()


def render_costs(costs: CostSheet, form: str) -> str | bytes:
    """Write the cost sheet as ``csv``, ``markdown``, ``json`` or ``xlsx``."""
    if form == "xlsx":
        tables = {"Costs": costs.offers_table(), "Lines": costs.lines_table()}
        return to_xlsx(tables, notes=costs.notices)
    return cost_files(costs)[f"costs.{ENDINGS[form]}"].decode()


def _notes(notices: Sequence[str]) -> str:
    return "".join(f"> {markdown_text(notice)}\n" for notice in notices)


def carry_record(found: Carried) -> Record:
    """Record parts that move, are bought and stay, and the new revision's cost both ways."""
    parts = found.parts
    costs = {row.pop("way"): row for row in found.costs_table().records()}
    return {
        "old": parts.old,
        "new": parts.new,
        "kept_keyboards": parts.kept,
        "currency": found.with_it.currency.code,
        "notices": list(found.notices),
        "lines": found.table().records(),
        "plan": plan_record(parts.plan),
        "cost": {
            "with": costs.get("with carry-over"),
            "without": costs.get("all bought anew"),
            "saved_per_half": found.saved_per_half,
        },
    }


def render_carry(found: Carried, form: str) -> str | bytes:
    """Write what carries over as ``csv``, ``json`` or ``xlsx``."""
    if form == "json":
        return to_document("carry", carry_record(found))
    table = found.table()
    keys = [column.key for column in table.columns if column.key != "key"]
    shown = table.only(*keys)
    if form == "xlsx":
        return to_xlsx({"Carried over": shown}, notes=found.notices)
    return to_csv(shown, notes=found.notices)


SHOWN_ROWS = 6
"""Rows of a comparison of costs shown unless all are asked for."""

PARTS_HIDDEN = ("left_face", "right_face", "refs", "reason")
BUY_SHOWN = ("part", "shop", "needed", "bought", "left_over", "unit_price", "cost")
"""Columns that fit a terminal, and those that do not; CSV and JSON have the rest."""

CARRY_SHOWN = (
    "part",
    "built_in",
    "lost",
    "drawer",
    "wanted",
    "moves",
    "from_drawer",
    "buy",
    "left",
)
"""Columns that fit a terminal; CSV and JSON have the rest."""


def print_carry(console: Terminal, found: Carried) -> None:
    """Print the parts, what is still bought, and the cost both ways."""
    parts, money = found.parts, found.with_it.currency.code
    console.print(f"From {parts.old} to {parts.new}")
    if parts.kept:
        console.print(f"  {parts.kept} old keyboards stay as they are")
    console.table(found.table().only(*CARRY_SHOWN))
    if parts.plan.purchases:
        bought = parts.plan.table().only(*BUY_SHOWN)
        console.table(replace(bought, title=f"still to buy, in {money}"))
    without = (
        f", without {some_titles(parts.unpriced, 3)}: no price known" if parts.unpriced else ""
    )
    console.print(f"parts still to buy: {parts.plan.total} {money}{without}")
    costs = found.costs_table()
    if costs.rows:
        console.table(costs)
        unit, halves = found.with_it.unit
        saved = found.saved_per_half
        said = "not known" if saved is None else f"{halves * saved} {money} a {unit}"
        console.print(f"saved by carrying over: {said}")
    else:
        console.print("no quantity covers the need; `fabkit quote` on the new revision shows why")
    print_notices(console, found.notices)


def print_bill(console: Terminal, bill: Bill, boards: Sequence[Board] = ()) -> None:
    """Print a parts list, what to buy, and the tables of its boards that could not be read."""
    record = bill_record(bill)
    print_boards(console, record["boards"])
    table = bill.shown_table()
    if table.rows:
        console.table(table.only(*(c.key for c in table.columns if c.key not in PARTS_HIDDEN)))
    else:
        console.print(f"{bill.name}: no part is listed")
    if bill.plan.purchases:
        console.table(bill.shopping_table().only(*BUY_SHOWN))
        console.print(f"in all {bill.plan.total} {bill.currency.code}", style="bold")
    for reason, refs in left_by_reason(bill).items():
        console.print(f"not bought: {refs} ({reason})", style="dim")
    problems = (p for board in boards for p in board.package.problems)
    unread = [finding_record(p) for p in problems if p.id in _UNREAD]
    print_findings(console, [*unread, *record["findings"]])
    print_notices(console, bill.notices)


_UNREAD: Final = ("partslist/no-table", "placement/no-table")


def left_by_reason(bill: Bill) -> dict[str, str]:
    """Give what is not bought by its reason, runs of references shortened, rows counted."""
    found = gather((reason, ref) for ref, reason in bill.left_out)
    return {why: _left_words(refs) for why, refs in found.items()}


def _left_words(refs: Sequence[str]) -> str:
    # What is no reference is named by its place: ``row of 3 holes at 12.0, 7.5``.
    placed = [ref for ref in refs if ref.startswith(("row of ", "hole of "))]
    many = Counter(ref.partition(" at ")[0].partition(" ") for ref in placed)
    named = short_runs([ref for ref in refs if ref not in placed])
    return ", ".join(
        filter(None, (named, *(f"{counted(n, k)} {of}" for (k, _, of), n in many.items())))
    )


def print_explained(console: Terminal, found: list[Record]) -> None:
    """Print what each place of a parts list is known by."""
    for one in found:
        name = " and ".join(one["refs"]) or one["kind"]
        place = "" if one["x_mm"] is None else f" at {one['x_mm']:.1f}, {one['y_mm']:.1f} mm"
        half = f", {one['half']}" if one["half"] else ""
        console.print(f"{name}{place}{half}", style="bold")
        patterns = f" ({', '.join(one['patterns'])})" if one["patterns"] else ""
        console.print(f"  known by: {', '.join(one['known_by'])}{patterns}")
        faces = " or ".join(one["faces"])
        console.print(f"  kind: {one['kind']}, {100 * one['confidence']:.0f} % sure")
        if faces:
            console.print(f"  face: {faces}")
        console.print(f"  listed as: {'; '.join(one['taken_for']) or 'nothing'}")


def print_costs(console: Terminal, sheet: CostSheet, *, why: bool = False) -> None:
    """Print an offer per quantity and the one that costs a half the least."""
    # Whoever has a quote has loaded this; `fabkit parts`, which shares this module, has not.
    from fabkit.costs.quote import INVENTED

    costs = cost_record(sheet)
    print_boards(console, costs["boards"])
    if not sheet.offers:
        console.print("no price", style="bold")
        print_findings(console, costs["findings"])
        for table in sheet.comparisons():
            console.table(table)
        return
    for line in (*sheet.answer(), *sheet.judged):
        console.print(line, style="bold")
    terms = ", ".join(f"{name} {value}" for name, value in sheet.terms.items())
    console.print(terms, style="dim")
    console.table(sheet.compared_table())
    if why:
        _print_reasons(console, costs)
    most = None if why else SHOWN_ROWS
    for table in sheet.comparisons():
        console.table(table, most=most)
        if most is not None and len(table.rows) > most:
            console.print(f" and {len(table.rows) - most} more: --why shows them", style="dim")
    # What is made up is said once, at the end.
    print_findings(console, (f for f in costs["findings"] if f["id"] != INVENTED.id))
    print_notices(console, ["; ".join(sheet.notices)] if sheet.notices else [])


def _print_reasons(console: Terminal, costs: Record) -> None:
    for offer in costs["offers"]:
        console.print(
            f"{offer['boards']} boards: {offer['total']} {costs['currency']}", style="bold"
        )
        for line in offer["lines"]:
            console.print(f"  {line['amount']:>9}  {line['title']} ({line['for']})")
            for because in line["because"]:
                console.print(f"             {because['title']} = {because['why']}")
    console.print()


def print_learned(console: Terminal, learned: LearnedHouse) -> None:
    """Print the rules learned from quotes, what is doubtful, and what to ask next."""
    console.print(learned.brief, style="bold")
    console.table(learned.table())
    console.table(learned.quotes_table())
    for problem in learned.problems:
        console.print(f"check: {problem}")
    for untold in learned.untold:
        console.print(f"not known: {untold}", style="dim")
    if learned.questions:
        console.print("further quotes that would settle most:")
    for question in learned.questions:
        console.print(f"  {question}")

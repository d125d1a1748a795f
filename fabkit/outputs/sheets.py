"""Parts list and cost sheet as files: CSV, Markdown, JSON, written from their tables."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from fabkit.costs.model import CostSheet
from fabkit.outputs.json import to_document
from fabkit.outputs.money_records import bill_record, cost_record
from fabkit.outputs.tables import markdown_text, to_csv, to_markdown
from fabkit.parts.model import Bill

Record = dict[str, Any]


def parts_files(bill: Bill) -> dict[str, bytes]:
    """``parts.csv``, ``shopping.csv``, ``parts.md`` and ``parts.json``."""
    parts, shopping, money = bill.parts_table(), bill.shopping_table(), bill.currency.code
    page = [f"# Parts of {markdown_text(bill.name)}\n", _notes(bill.notices), to_markdown(parts)]
    page += [
        f"\n## To buy ({money})\n",
        f"Total {bill.plan.total} {money}. {markdown_text(bill.plan.method)}\n",
        to_markdown(shopping),
        "\n## Working order\n",
    ]
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
    """``costs.csv``, ``cost-lines.csv``, ``costs.md`` and ``costs.json``."""
    offers, lines = costs.offers_table(), costs.lines_table()
    terms = "".join(
        f"- {markdown_text(name)}: {markdown_text(value)}\n" for name, value in costs.terms.items()
    )
    page = [
        f"# Cost of {markdown_text(costs.name)} ({costs.currency.code})\n",
        _notes(costs.notices),
        terms,
        to_markdown(offers),
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
    }


def no_keyboard(boards: Sequence[Record]) -> bool:
    """Whether nothing of an order is a keyboard, so that money counts per board."""
    return bool(boards) and all(said["is"] == "none" for said in boards)


def pieces_words(best: Record, boards: Sequence[Record]) -> str:
    """How many boards to order, of each design where there are several."""
    if len(boards) < 2:
        return f"{best['boards']} boards"
    many = [f"{n} {said['name']}" for n, said in zip(best["pieces"], boards, strict=True)]
    return f"{best['boards']} boards ({', '.join(many)})"


def best_words(best: Record, boards: Sequence[Record], currency: str) -> str:
    """What to order at the least cost, and what one half or board comes to."""
    alone = no_keyboard(boards)
    each = f"{best['per_keyboard']} per board" if alone else f"{best['per_half']} per half"
    what = pieces_words(best, boards)
    return f"cheapest for what you want: {what}, {best['total']} {currency} in all, {each}"


ENDINGS = {"csv": "csv", "markdown": "md", "json": "json"}


def render_parts(bill: Bill, form: str) -> str:
    """The parts list as ``csv``, ``markdown`` or ``json``."""
    return parts_files(bill)[f"parts.{ENDINGS[form]}"].decode()


def render_costs(costs: CostSheet, form: str) -> str:
    """The cost sheet as ``csv``, ``markdown`` or ``json``."""
    return cost_files(costs)[f"costs.{ENDINGS[form]}"].decode()


def _notes(notices: Sequence[str]) -> str:
    return "".join(f"> {markdown_text(notice)}\n" for notice in notices)

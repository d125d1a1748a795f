"""Parts list and cost sheet as files: CSV, Markdown, JSON, rendered from their records."""

from __future__ import annotations

from typing import Any

from fabkit.outputs.json import to_document
from fabkit.outputs.tables import to_csv, to_markdown

Record = dict[str, Any]

PARTS_COLUMNS = (
    "part",
    "left",
    "right",
    "per keyboard",
    "needed",
    "fitted",
    "lasting",
    "left face",
    "right face",
    "refs",
    "reason",
)
BUY_COLUMNS = ("part", "shop", "needed", "bought", "left over", "unit price", "cost", "price from")
OFFER_COLUMNS = (
    "boards",
    "keyboards",
    "halves left over",
    "boards cost",
    "parts cost",
    "total",
    "per board",
    "per half",
    "per keyboard",
)
LINE_COLUMNS = ("boards", "for", "line", "amount", "why")


def parts_rows(bill: Record) -> list[tuple[object, ...]]:
    """Rows of :data:`PARTS_COLUMNS`."""
    return [
        (
            line["part"] if line["priced"] else f"{line['part']} (no price)",
            line["left"],
            line["right"],
            line["per_keyboard"],
            line["needed"],
            line["fitting"],
            line["lasting"].replace("_", " "),
            line["faces"]["left"],
            line["faces"]["right"],
            " ".join(line["refs"]["left"]),
            line["reason"],
        )
        for line in bill["lines"]
    ]


def buy_rows(bill: Record) -> list[tuple[object, ...]]:
    """Rows of :data:`BUY_COLUMNS`: what to buy for the whole build."""
    return [
        (
            p["part"],
            p["shop"],
            p["needed"],
            p["bought"],
            p["left_over"],
            p["unit_price"],
            p["cost"],
            p["price_at"],
        )
        for p in bill["plan"]["purchases"]
    ]


def shopping_rows(bill: Record) -> list[tuple[object, ...]]:
    """Rows of :data:`BUY_COLUMNS`: what to buy, then what has no price, marked."""
    return buy_rows(bill) + [
        (line["part"], "", line["needed"], "", "", "no price", "", "")
        for line in bill["lines"]
        if not line["priced"] and line["needed"]
    ]


def offer_rows(costs: Record) -> list[tuple[object, ...]]:
    """Rows of :data:`OFFER_COLUMNS`, one per quantity."""
    return [
        (
            o["boards"],
            o["keyboards_possible"],
            o["halves"]["left_over"],
            o["board_total"],
            o["parts_total"],
            o["total"],
            o["per_board"],
            o["per_half"],
            o["per_keyboard"],
        )
        for o in costs["offers"]
    ]


def line_rows(costs: Record) -> list[tuple[object, ...]]:
    """Rows of :data:`LINE_COLUMNS`: every line of every quantity with its reason."""
    return [
        (
            offer["boards"],
            line["for"],
            line["title"],
            line["amount"],
            "; ".join(f"{b['title']}: {b['why']}" for b in line["because"]),
        )
        for offer in costs["offers"]
        for line in offer["lines"]
    ]


def _note_rows(record: Record, width: int) -> list[tuple[object, ...]]:
    """What must be repeated in every output, as last rows of a table."""
    blank = ("",) * (width - 1)
    return [(f"Note: {notice}", *blank) for notice in record["notices"]]


def parts_files(bill: Record) -> dict[str, bytes]:
    """``parts.csv``, ``shopping.csv``, ``parts.md`` and ``parts.json``."""
    rows, buy = parts_rows(bill), shopping_rows(bill)
    money = bill["currency"]
    page = [f"# Parts of {bill['name']}\n", _notes(bill), to_markdown(PARTS_COLUMNS, rows)]
    page += [
        f"\n## To buy ({money})\n",
        f"Total {bill['plan']['total']} {money}. {bill['plan']['method']}\n",
        to_markdown(BUY_COLUMNS, buy),
        "\n## Working order\n",
    ]
    for step in bill["assembly"]:
        page.append(f"{step['step']}. {step['title']}")
        page += [f"   - [ ] {part}" for part in step["parts"]]
        page += [f"   - **Caution:** {caution}" for caution in step["cautions"]]
    return {
        "parts.csv": to_csv(PARTS_COLUMNS, rows + _note_rows(bill, len(PARTS_COLUMNS))).encode(),
        "shopping.csv": to_csv(BUY_COLUMNS, buy + _note_rows(bill, len(BUY_COLUMNS))).encode(),
        "parts.md": ("\n".join(page) + "\n").encode(),
        "parts.json": to_document("parts", bill).encode(),
    }


def cost_files(costs: Record) -> dict[str, bytes]:
    """``costs.csv``, ``cost-lines.csv``, ``costs.md`` and ``costs.json``."""
    offers, lines = offer_rows(costs), line_rows(costs)
    terms = "\n".join(f"- {name}: {value}" for name, value in costs["terms"].items())
    page = [
        f"# Cost of {costs['name']} ({costs['currency']})\n",
        _notes(costs),
        f"{terms}\n",
        to_markdown(OFFER_COLUMNS, offers),
        *(
            f"\n## {table['title']}\n\n" + to_markdown(table["columns"], table["rows"])
            for table in costs["tables"]
        ),
        "\n## Every line\n",
        to_markdown(LINE_COLUMNS, lines),
    ]
    return {
        "costs.csv": to_csv(OFFER_COLUMNS, offers + _note_rows(costs, len(OFFER_COLUMNS))).encode(),
        "cost-lines.csv": to_csv(
            LINE_COLUMNS, lines + _note_rows(costs, len(LINE_COLUMNS))
        ).encode(),
        "costs.md": ("\n".join(page) + "\n").encode(),
        "costs.json": to_document("quote", costs).encode(),
    }


ENDINGS = {"csv": "csv", "markdown": "md", "json": "json"}


def render_parts(bill: Record, form: str) -> str:
    """The parts list as ``csv``, ``markdown`` or ``json``."""
    return parts_files(bill)[f"parts.{ENDINGS[form]}"].decode()


def render_costs(costs: Record, form: str) -> str:
    """The cost sheet as ``csv``, ``markdown`` or ``json``."""
    return cost_files(costs)[f"costs.{ENDINGS[form]}"].decode()


def _notes(record: Record) -> str:
    return "".join(f"> {notice}\n" for notice in record["notices"])

"""The page: everything an order came to, as one file that needs nothing else."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

from fabkit.base.tables import Cell, Column, Record, Table, columns_of, picked
from fabkit.base.units import counted, format_mm, format_number
from fabkit.board.model import Board
from fabkit.checks.choices import judge_thicknesses
from fabkit.costs.chart import curve_chart, shares_chart
from fabkit.costs.model import SHARES, UNNAMED, CostSheet, shares_of
from fabkit.costs.quote import INVENTED
from fabkit.mending.model import ORDER_AGAIN, find_offer
from fabkit.outputs import records
from fabkit.outputs.charts import chart_svg
from fabkit.outputs.drawings import look_of_order
from fabkit.outputs.formats import plain
from fabkit.outputs.model import JudgedBoard, OrderContents
from fabkit.outputs.money import BUY_SHOWN
from fabkit.outputs.report.board_view import (
    board_causes,
    compare_section,
    component_rows,
    face_pictures,
    pins_table,
    targets_record,
)
from fabkit.outputs.report.price_rules import price_rules
from fabkit.outputs.report.shell import SCRIPTS, render_page, trusted
from fabkit.outputs.terminal import SHOWN_CAUSES
from fabkit.outputs.verdict import checks_table, files_table, thickness_table
from fabkit.outputs.wiring import half_table, wiring_record
from fabkit.parts.model import CHARGER, DEFER, FUMES, HEAT, LEAD, LITHIUM, LITHIUM_CELL, Bill
from fabkit.pictures.looks import PreviewOptions
from fabkit.sheets.house import House
from fabkit.sheets.order import Order, OrderedBoard

PAPER_WIDTH_MM: Final = 180.0
"""What fits beside the margins of A4; wider boards are printed smaller, and not called true."""

PARTS_SHOWN: Final = ("part", "left", "right", "needed", "fitted", "lasting", "refs", "reason")
LINES_SHOWN: Final = ("boards", "line", "amount", "why")
"""Columns of the CSV files that a page has room for."""

AXIS_TITLES: Final = (
    ("thickness_mm", "Thickness"),
    ("copper_oz", "Copper"),
    ("colour", "Colour"),
    ("finish", "Finish"),
    ("lead_time", "Lead time"),
)

CHOSEN: Final = '<g class="now" visibility="hidden"><line/><circle r="6"/></g>'
"""What the script puts where the chosen quantity is."""

DUST: Final = (
    "Cutting, sanding or drilling glass-epoxy makes dust that harms lungs and eyes: wet it or draw "
    "it off, wear a fitting dust mask and glasses, wipe up wet."
)

LIMITS: Final = (
    "This page reports what the files and the sheets state; it does not replace the board house's "
    "own review, nor anyone licensed where local codes ask for one."
)


def _parts(bill: Bill) -> Table:
    """Parts without columns for halves where there are none."""
    table = bill.shown_table()
    keys = {column.key for column in table.columns}
    return replace(table.only(*(key for key in PARTS_SHOWN if key in keys)), title="")


def render_report(
    contents: OrderContents,
    bill: Record,
    costs: Record,
    packs: list[Record],
    panel: Record | None = None,
    *,
    views: Sequence[Record | None] = (),
) -> str:
    """Write the page.

    Parameters
    ----------
    bill, costs
        The records that the sheets were written from.
    packs, panel
        For each board what was packed, as in the manifest, and the panel of them.
    views
        For each board its :func:`picture_view`, where it is drawn already.

    Returns
    -------
    str
        HTML, with everything inside.
    """
    drawn = views or [None] * len(packs)
    sections = [
        board_view(contents.order, contents.house, judged, pack, number, picture)
        for number, (judged, pack, picture) in enumerate(
            zip(contents.boards, packs, drawn, strict=True), start=1
        )
    ]
    values = cost_values(contents, bill, costs)
    data = {
        "id": _identity(contents),
        "boards": [section.pop("script") for section in sections],
        "price": values["price"],
    }
    return render_page(
        "report.html.j2",
        SCRIPTS,
        data=plain(data),
        boards=with_headlines(sections, costs["boards"]),
        panel=panel,
        **rest_values(contents),
        **values,
    )


def with_headlines(views: Sequence[Record], boards: Sequence[Record]) -> list[Record]:
    """Add to each board what its order says it is."""
    return [view | {"said": said} for view, said in zip(views, boards, strict=True)]


def rest_values(contents: OrderContents) -> Record:
    """Give what sections without boards and prices are filled with, and the head of the page."""
    halves = wiring_record(contents.wiring)["halves"]
    return {
        "order": contents.order,
        "house": contents.house.name,
        "facts": " · ".join(_facts(contents)),
        "halves": [(half, half_table(half)) for half in halves if half["keys"]],
        "cautions": list(_cautions(contents)),
        "compared": _compared(contents),
        "shown_causes": SHOWN_CAUSES,
        "keyed": any(said.use != "none" for said in contents.costs.boards),
    }


def cost_values(contents: OrderContents, bill: Record, costs: Record) -> Record:
    """Give what the sections of costs and parts are filled with.

    ``bill`` and ``costs`` are the records that the sheets were written from.
    """
    order, sheet = contents.order, contents.costs
    price = price_rules(contents.facts, contents.bill, contents.house, order, sheet)
    curve = curve_chart(sheet)
    if price is not None and curve.scale is not None:
        # The script marks the chosen quantity on the chart by the same scale.
        sides = ("low", "high", "least", "most", "left", "wide", "foot", "tall")
        price["plot"] = {**picked(curve.scale, *sides), "halves": sheet.unit[1]}
    return {
        "price": price,
        "money": _headline(contents, costs),
        "offers": _marked(contents),
        "lines": sheet.lines_table().only(*LINES_SHOWN),
        "terms": ", ".join(f"{name} {value}" for name, value in sheet.terms.items()),
        "comparisons": [(t.title, replace(t, title="")) for t in sheet.comparisons()],
        "bill": bill,
        "parts": _parts(contents.bill),
        "shopping": contents.bill.shopping_table().only(*BUY_SHOWN),
        "axes": AXIS_TITLES,
        "unit": sheet.unit[0],
        "alone": sheet.unit[1] > 1,
        "lacking": sheet.lacking,
        "charts": {
            "curve": trusted(chart_svg(curve, CHOSEN)) if curve.scale else "",
            "shares": trusted(chart_svg(shares_chart(sheet))),
            "share_titles": [title for title, _ in SHARES],
        },
    }


def _headline(contents: OrderContents, costs: Record) -> Record:
    """Say first what to order, what it costs and lacks, and what that is paid for."""
    sheet, best = contents.costs, contents.costs.best
    notices = [notice[:1].upper() + notice[1:] for notice in costs["notices"]]
    # What the notices state already is not repeated.
    remarks = [f for f in costs["findings"] if f["id"] != INVENTED.id]
    said: Record = {"order": "", "notices": notices, "remarks": remarks}
    if best is None or best.per_half is None:
        return said
    money = sheet.currency.format
    # Names of many parts would hide the number; they are listed with the parts.
    count = sum(title != UNNAMED for title in sheet.unpriced)
    named = (counted(count, "part"),) if count else ()
    others = tuple(title for title in sheet.unpriced if title == UNNAMED)
    lacking = replace(sheet, unpriced=named + others).lacking
    paid = [(title, money(amount)) for title, amount in shares_of(best) if amount]
    return said | {
        "order": f"Order {_pieces(sheet, costs)}",
        "total": f"{money(best.total)} in all{lacking}",
        "each": [(name[:1].upper() + name[1:], money(amount)) for name, amount in sheet.each()],
        "paid": paid,
        "larger": sheet.larger,
    }


def _pieces(sheet: CostSheet, costs: Record) -> str:
    """Say how many boards to order, of each design where there are several."""
    best, boards = costs["best"], costs["boards"]
    if len(boards) < 2:
        return sheet.ordered
    many = [f"{n} {said['name']}" for n, said in zip(best["pieces"], boards, strict=True)]
    return f"{best['boards']} boards ({', '.join(many)})"


def _marked(contents: OrderContents) -> Record:
    """Offers with what speaks for or against each, and which one is the cheapest."""
    sheet = contents.costs
    table = sheet.compared_table()
    rows: list[tuple[Cell, ...]] = []
    best = None
    for row, offer in zip(table.rows, sheet.offers, strict=True):
        said = [] if offer.covers else ["not enough"]
        said += [] if offer.allowed else ["not sold in this number"]
        if sheet.best is not None and offer.boards == sheet.best.boards:
            best = len(rows)
            said.insert(0, "cheapest for what you want")
        rows.append((*row, ", ".join(said)))
    columns = (*table.columns, Column("remark"))
    return {"table": Table(columns, tuple(rows)), "best": best}


def _compared(contents: OrderContents) -> Record | None:
    if contents.compared is None:
        return None
    look = look_of_order(contents.order, contents.house)
    return compare_section(contents.compared.comparison, contents.compared.record, look)


def _identity(contents: OrderContents) -> str:
    """Make a short name for a browser to keep ticks under, different for each set of files."""
    digest = hashlib.sha256(contents.order.name.encode())
    for judged in contents.boards:
        for file in judged.board.package.files:
            digest.update(hashlib.sha256(file.data).digest())
    return digest.hexdigest()[:12]


def _facts(contents: OrderContents) -> Iterator[str]:
    for judged in contents.boards:
        width, height = judged.board.size_mm
        name = f"{judged.ordered.name}: " if len(contents.boards) > 1 else ""
        size = f"{format_number(width, digits=1)} × {format_mm(height, digits=1)}"
        yield f"{name}{size}, {counted(len(judged.board.copper), 'copper layer')}"
    choice = contents.order.choice
    yield choice.thickness_words
    yield f"{choice.colour}, {contents.house.finish_title(choice.finish) or choice.finish}"
    wanted, spare = contents.order.keyboards, contents.order.spare_halves
    more = f" and {spare} spare hal{'f' if spare == 1 else 'ves'}" if spare else ""
    unit = contents.costs.unit[0].replace("half", "keyboard")
    yield f"{counted(wanted, unit)}{more} wanted"


def picture_view(board: Board, look: PreviewOptions, number: int) -> Record:
    """Draw both faces of the board of this number, as its section shows them."""
    view = face_pictures(board, look, f"b{number}")
    for face in view["faces"]:
        face["svg"] = trusted(face["svg"])
    width, height = view["size_mm"]
    true = width <= PAPER_WIDTH_MM
    return {
        "view": view,
        "shape": f"{width / height:.3f}",
        "true": true,
        "true_size": f"{width:.3f}mm" if true else "100%",
    }


def pointed(board: Board, drawn: Record) -> Record:
    """Give what can be pointed at on a drawn board; ``script``: what the page's script gets."""
    targets, components = targets_record(board), component_rows(board)
    view = drawn["view"]
    return {
        "targets": targets,
        "components": components,
        "script": {
            "frame": view["frame"],
            "size_mm": view["size_mm"],
            "targets": {"rows": targets["rows"], "words": targets["words"]},
            "components": components,
        },
    }


def board_view(
    order: Order,
    house: House,
    judged: JudgedBoard,
    pack: Record,
    number: int,
    picture: Record | None = None,
) -> Record:
    """Give what the section of a board is filled with; ``script``: what the page's script gets.

    ``picture`` is its :func:`picture_view`, where it is drawn already.
    """
    board, result = judged.board, judged.result
    record = records.check_record(board, result, house)
    counts = record["counts"]
    broken = counts["stop"] or counts["broken"]
    look = look_of_order(order, house)
    drawn = picture or picture_view(board, look, number)
    causes = board_causes(board, record["findings"], look)
    acted = [*causes.get("stop", ()), *causes.get("decide", ())]
    quiet = [*causes.get("know", ()), *causes.get("form", ())]
    pointing = pointed(board, drawn)
    packed = pack["zip"]
    offered = judge_thicknesses(board, house)
    return {
        "name": judged.ordered.name,
        "title": _title(judged.ordered),
        "verdict": result.verdict,
        "tone": "stop" if broken else "decide" if counts["decide"] else "good",
        "pack_text": _pack_text(pack),
        "zip": packed,
        "accepted": list(pack.get("accepted", {}).items()),
        **drawn,
        **pointing,
        "acted": acted,
        "offer": ""
        if judged.mended
        else find_offer([c.lead["id"] for c in acted], call=ORDER_AGAIN),
        "known": causes.get("know", []),
        "formal": causes.get("form", []),
        "silenced": record["silenced"],
        "checks": checks_table(record["checks"]),
        "check_text": _check_text(record["checks"]),
        "thickness": thickness_table([records.thickness_record(row) for row in offered]),
        "thickness_chosen": next(
            (n for n, row in enumerate(offered) if row.thickness_mm == look.thickness_mm), None
        ),
        "pins": pins_table(board),
        "files": _files(record["package"], packed),
        "script": {
            **pointing["script"],
            "places": [
                [{key: spot[key] for key in ("x", "y", "side")} for spot in cause.spots]
                for cause in (*acted, *quiet)
            ],
            "consequences": [cause.lead["consequence"] for cause in (*acted, *quiet)],
        },
    }


def _title(one: OrderedBoard) -> str:
    """Name a design, with what it is where the name does not hold it."""
    return one.name if one.use in one.name.casefold() else f"{one.name}, {one.use}"


def _pack_text(pack: Record) -> str:
    if pack["zip"] is None:
        return f"There is no zip: {pack['reason']}." if pack["reason"] else ""
    members = len(pack["zip"]["members"])
    return f"Upload {pack['zip']['path']}: {members} files, read back after writing."


def _check_text(checks: Sequence[Record]) -> str:
    counts = Counter(check["state"] for check in checks)
    several = {"found": "found something", "does not apply": "do not apply"}
    one = several | {"does not apply": "does not apply"}
    return ", ".join(f"{n} {(one if n == 1 else several).get(s, s)}" for s, n in counts.items())


def _files(package: Record, packed: Record | None) -> Table:
    """Files of a package with what became of them; members of the zip keep or change folders."""
    inside, names, why = set(), set(), {}
    if packed is not None:
        inside = {m["sha256"] for m in packed["members"]}
        names = {m["name"] for m in packed["members"]}
        why = {row["name"]: row["reason"] for row in packed["left_out"]}
    table = files_table(package)
    rows = []
    for row, file in zip(table.rows, package["files"], strict=True):
        there = file["sha256"] in inside or file["name"].rsplit("/", 1)[-1] in names
        there = there and file["name"] not in why
        reason = why.get(file["name"], "")
        rows.append((*row, "yes" if there else f"no: {reason}" if reason else "no"))
    rows += [(f["name"], "not read", None, f["reason"], "no") for f in package["left_out"]]
    return Table((*table.columns, *columns_of("in_the_zip")), tuple(rows))


def _cautions(contents: OrderContents) -> Iterator[tuple[str, str]]:
    yield "Heat", HEAT
    yield "Fumes", FUMES
    yield "Lead", LEAD
    yield "Dust", DUST
    if any(line.caution == "lithium" for line in contents.bill.lines) or _has_battery(contents):
        yield "Lithium cells", LITHIUM
        yield "Lithium cells", LITHIUM_CELL
        yield "Charging", CHARGER
    yield "Limits of this page", DEFER
    yield "Limits of this page", LIMITS


def _has_battery(contents: OrderContents) -> bool:
    """Whether anything on the boards is called a battery or cell by its value or nets."""
    words = ("lithium", "battery", "lipo", "cell", "bat+")
    return any(
        word in f"{part.value} {' '.join(net for _, net in part.pins)}".lower()
        for judged in contents.boards
        for part in judged.board.components
        for word in words
    )

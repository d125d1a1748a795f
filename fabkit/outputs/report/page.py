"""The page: everything an order came to, as one file that needs nothing else."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from typing import Final

from fabkit.base.findings import Finding, Severity
from fabkit.base.tables import Record
from fabkit.base.units import format_mm, format_number
from fabkit.checks.thickness import judge_thicknesses
from fabkit.costs.chart import curve_chart, shares_chart
from fabkit.costs.model import SHARES
from fabkit.outputs import records
from fabkit.outputs.charts import chart_svg
from fabkit.outputs.drawings import look_of
from fabkit.outputs.json import plain
from fabkit.outputs.model import JudgedBoard, OrderContents
from fabkit.outputs.records import no_keyboard, pieces_words
from fabkit.outputs.report.board_view import (
    component_rows,
    face_pictures,
    place_rows,
    targets_record,
    wiring_rows,
)
from fabkit.outputs.report.compare_view import compare_section
from fabkit.outputs.report.price_rules import price_rules
from fabkit.outputs.report.shell import render_page, trusted
from fabkit.outputs.verdict import thickness_table
from fabkit.outputs.wiring import half_table, wiring_record
from fabkit.parts import assembly

SCRIPTS: Final = ("exact.js", "price.js", "board.js", "wipe.js", "page.js")
"""Parts of the page's script, in order."""

PAPER_WIDTH_MM: Final = 180.0
"""What fits beside the margins of A4; wider boards are printed smaller, and not called true."""

TONES: Final = {
    Severity.ERROR: "error",
    Severity.WARNING: "warning",
    Severity.NOTE: "good",
    None: "good",
}

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


def render_report(contents: OrderContents, bill: Record, costs: Record, packs: list[Record]) -> str:
    """Write the page.

    Parameters
    ----------
    bill, costs
        The records that the sheets were written from.
    packs
        For each board what was packed, as in the manifest.

    Returns
    -------
    str
        HTML, with everything inside.
    """
    order = contents.order
    views = [
        _board(contents, judged, pack, number) | {"said": costs["boards"][number - 1]}
        for number, (judged, pack) in enumerate(zip(contents.boards, packs, strict=True), start=1)
    ]
    price = price_rules(contents.facts, contents.bill, contents.house, order, contents.costs)
    curve = curve_chart(contents.costs)
    if price is not None and curve.scale is not None:
        # The script marks the chosen quantity on the chart by the same scale.
        of = curve.scale
        price["plot"] = {
            "low": of.low,
            "high": of.high,
            "least": of.least,
            "most": of.most,
            "left": of.left,
            "wide": of.wide,
            "foot": of.foot,
            "tall": of.tall,
            "halves": contents.costs.unit[1],
        }
    data = {
        "id": _identity(contents),
        "boards": [view.pop("script") for view in views],
        "price": price,
    }
    halves = wiring_record(contents.wiring)["halves"]
    return render_page(
        "report.html.j2",
        SCRIPTS,
        data=plain(data),
        order=order,
        house=contents.house.name,
        notices=costs["notices"],
        facts=list(_facts(contents, costs)),
        boards=views,
        bill=bill,
        costs=costs,
        comparisons=contents.costs.comparisons(),
        price=price,
        lacking=contents.costs.lacking,
        axes=AXIS_TITLES,
        alone=no_keyboard(costs["boards"]),
        halves=[(half, half_table(half)) for half in halves if half["keys"]],
        fittings=sorted({line["fitting"] for line in bill["lines"]}),
        charts={
            "curve": trusted(chart_svg(curve, CHOSEN)) if curve.scale else "",
            "shares": trusted(chart_svg(shares_chart(contents.costs))),
            "share_titles": [title for title, _ in SHARES],
        },
        cautions=list(_cautions(contents)),
        compared=_compared(contents),
    )


def _compared(contents: OrderContents) -> Record | None:
    if contents.compared is None:
        return None
    choice = contents.order.choice
    look = look_of(
        contents.house,
        colour=choice.colour,
        finish=choice.finish,
        thickness_mm=float(choice.thickness_mm),
    )
    return compare_section(contents.compared.comparison, contents.compared.record, look)


def _identity(contents: OrderContents) -> str:
    """Make a short name for a browser to keep ticks under, different for each set of files."""
    digest = hashlib.sha256(contents.order.name.encode())
    for judged in contents.boards:
        for file in judged.board.package.files:
            digest.update(hashlib.sha256(file.data).digest())
    return digest.hexdigest()[:12]


def _facts(contents: OrderContents, costs: Record) -> Iterator[tuple[str, str]]:
    for judged in contents.boards:
        width, height = judged.board.size_mm
        name = f", {judged.ordered.name}" if len(contents.boards) > 1 else ""
        yield f"Size{name}", f"{format_number(width, digits=1)} × {format_mm(height, digits=1)}"
        yield f"Copper layers{name}", str(len(judged.board.copper))
    choice = contents.order.choice
    finish = contents.house.options.finishes.get(choice.finish)
    yield "Thickness", choice.thickness_words
    yield "Colour and finish", f"{choice.colour}, {finish.title if finish else choice.finish}"
    wanted = contents.order.keyboards
    spare = contents.order.spare_halves
    yield (
        "Wanted",
        f"{wanted} keyboard{'' if wanted == 1 else 's'}"
        + (f" and {spare} spare hal{'f' if spare == 1 else 'ves'}" if spare else ""),
    )
    best, money = costs["best"], contents.costs.currency
    if best is not None:
        what = pieces_words(best, costs["boards"])
        yield "Cheapest order", f"{what}, {money.format(best['total'])}"
        if best["per_half"] is not None:
            each, per = ("board", "keyboard") if no_keyboard(costs["boards"]) else ("half", "half")
            yield f"One {each}", money.format(best[f"per_{per}"]) + contents.costs.lacking


def _board(contents: OrderContents, judged: JudgedBoard, pack: Record, number: int) -> Record:
    board, result, house = judged.board, judged.result, contents.house
    record = records.check_record(board, result, house)
    choice = contents.order.choice
    look = look_of(
        house,
        colour=choice.colour,
        finish=choice.finish,
        thickness_mm=float(choice.thickness_mm),
    )
    view = face_pictures(board, look, f"b{number}")
    for face in view["faces"]:
        if "svg" in face:
            face["svg"] = trusted(face["svg"])
    places = place_rows(result.findings)
    targets, components = targets_record(board), component_rows(board)
    width = view["size_mm"][0]
    packed = pack["zip"]
    offered = judge_thicknesses(board, house)
    return {
        "name": judged.ordered.name,
        "side": judged.ordered.use,
        "verdict": result.verdict,
        "tone": TONES[result.worst],
        "pack_text": _pack_text(pack),
        "zip": packed,
        "accepted": list(pack.get("accepted", {}).items()),
        "view": view,
        "true": width <= PAPER_WIDTH_MM,
        "true_size": f"{width:.3f}mm" if width <= PAPER_WIDTH_MM else "100%",
        "targets": targets,
        "components": components,
        "findings": [
            {**row, "spots": _spots(finding)}
            for row, finding in zip(record["findings"], result.findings, strict=True)
        ],
        "silenced": record["silenced"],
        "checks": record["checks"],
        "check_text": _check_text(record["checks"]),
        "thickness": thickness_table([records.thickness_record(row) for row in offered]),
        "thickness_chosen": next(
            (n for n, row in enumerate(offered) if row.thickness_mm == look.thickness_mm), None
        ),
        "wiring": wiring_rows(board),
        "files": _files(record["package"], packed),
        "left_out": record["package"]["left_out"],
        "script": {
            "frame": view["frame"],
            "size_mm": view["size_mm"],
            "targets": {"rows": targets["rows"], "words": targets["words"]},
            "components": components,
            "places": places,
            "severities": [f.severity.word for f in result.findings],
        },
    }


def _spots(finding: Finding) -> list[str]:
    """Words for each place on the board, in the order of ``place_rows``."""
    return [
        (f"{p.side} " if p.side else "")
        + f"{format_number(p.x_mm, digits=1)}, {format_mm(p.y_mm, digits=1)}"
        for p in finding.places
        if p.x_mm is not None and p.y_mm is not None
    ]


def _pack_text(pack: Record) -> str:
    if pack["zip"] is None:
        return f"There is no zip: {pack['reason']}."
    members = len(pack["zip"]["members"])
    return f"{pack['zip']['path']} holds {members} files and was read back after writing."


def _check_text(checks: Sequence[Record]) -> str:
    counts: dict[str, int] = {}
    for check in checks:
        counts[check["state"]] = counts.get(check["state"], 0) + 1
    return ", ".join(f"{n} {state}" for state, n in counts.items())


def _files(package: Record, packed: Record | None) -> list[Record]:
    """Files of a package with what became of them; members of the zip keep or change folders."""
    if packed is None:
        return [{**f, "packed": "not packed"} for f in package["files"]]
    inside = {m["sha256"] for m in packed["members"]}
    names = {m["name"] for m in packed["members"]}
    why = {row["name"]: row["reason"] for row in packed["left_out"]}
    made = []
    for file in package["files"]:
        there = file["sha256"] in inside or file["name"].rsplit("/", 1)[-1] in names
        there = there and file["name"] not in why
        made.append({**file, "packed": "yes" if there else f"no: {why.get(file['name'], '')}"})
    return made


def _cautions(contents: OrderContents) -> Iterator[tuple[str, str]]:
    yield "Heat", assembly.HEAT
    yield "Fumes", assembly.FUMES
    yield "Lead", assembly.LEAD
    yield "Dust", DUST
    if any(line.caution == "lithium" for line in contents.bill.lines) or _has_battery(contents):
        yield "Lithium cells", assembly.LITHIUM
        yield "Lithium cells", assembly.LITHIUM_CELL
        yield "Charging", assembly.CHARGER
    yield "Limits of this page", assembly.DEFER
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

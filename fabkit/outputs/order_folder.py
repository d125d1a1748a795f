"""The order folder: verdict, pictures, sheets and zip in one place, replaced only when whole."""

from __future__ import annotations

import io
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from dataclasses import replace as with_fields
from functools import partial
from pathlib import Path

from fabkit.base.copies import side_by_side
from fabkit.base.errors import FabkitError, FindingsRefused, TooHeavy
from fabkit.base.steps import step
from fabkit.base.tables import Record
from fabkit.checks.choices import judge_thicknesses
from fabkit.checks.model import CheckOptions
from fabkit.mending.model import ORDER_AGAIN
from fabkit.outputs import money, records
from fabkit.outputs.atomic import Packed
from fabkit.outputs.charts import chart_scene
from fabkit.outputs.comparison import render_comparison
from fabkit.outputs.drawings import (
    SheetChoice,
    build_sheet,
    change_files,
    look_of_order,
    paper_bytes,
    paper_of,
    picture_files,
    sheet_bytes,
)
from fabkit.outputs.formats import to_document
from fabkit.outputs.mended import deed_lines, mended_files, summary
from fabkit.outputs.model import JudgedBoard, OrderContents, OrderResult
from fabkit.outputs.pack import accepted_errors, pack
from fabkit.outputs.pricing import Compared
from fabkit.outputs.terminal import Tell, Terminal, print_findings
from fabkit.outputs.verdict import print_check, render_verdict
from fabkit.outputs.whole_folder import (
    MAKER,
    MANIFEST,
    file_record,
    folder_records,
    new_folder,
    versions,
)
from fabkit.outputs.wiring import wiring_files
from fabkit.outputs.zip_papers import PackOptions
from fabkit.package.naming import file_stem
from fabkit.pictures.looks import PreviewOptions
from fabkit.sheets.order import Order, OrderedBoard


def write_order(
    contents: OrderContents,
    folder: Path,
    *,
    tell: Tell,
    replace: bool = False,
) -> OrderResult:
    """Write the whole folder, or leave the old one.

    A board with errors is not packed; the rest is still written, so that the errors can be read.
    So is all else when one output is too heavy for this machine.

    Raises
    ------
    OutputRefused
        The folder is not ours, was changed by hand, or cannot be written.
    """
    from fabkit.outputs.report.page import render_report

    bill = money.bill_record(contents.bill)
    costs = money.cost_record(contents.costs)
    with new_folder(folder, replace=replace) as part:
        tell("writing pictures, sheets and zips")
        done = side_by_side(_works(contents, part, costs["boards"]), "outputs")
        boards = [one.entry for one in done if one.entry is not None]
        zips = [
            packed and with_fields(packed, path=folder / packed.path.name)
            for packed in (one.packed for one in done if one.entry is not None)
        ]
        whole = _panel(contents, part, tell)
        tell("writing the report")
        views = [one.view for one in done if one.drew]
        page = partial(render_report, contents, bill, costs, boards, whole, views=views)
        done.append(_write(part, "report", lambda: {"report.html": page().encode()}))
        found = {"panel": whole, "lost": [one.lost for one in done if one.lost is not None]}
        manifest = {**_manifest(contents, boards, part, costs), **found}
        (part / MANIFEST).write_bytes(to_document("order", manifest).encode())
    return OrderResult(
        folder=folder,
        order=contents.order,
        boards=contents.boards,
        zips=tuple(zips),
        bill=contents.bill,
        costs=contents.costs,
        wiring=contents.wiring,
        manifest=manifest,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Done:
    """What a work gave, beside the files that it wrote.

    Parameters
    ----------
    lost
        What was too heavy, and why.
    entry, packed
        Of packing: the board's entry of the manifest; the zip, None where errors forbid it.
    view
        Both faces of a board, as the report shows them.
    drew
        Whether this work was the one to draw them.
    """

    lost: Record | None = None
    entry: Record | None = None
    packed: Packed | None = None
    view: Record | None = None
    drew: bool = False


def _works(
    contents: OrderContents, folder: Path, keyboards: Sequence[Record]
) -> list[Callable[[], _Done]]:
    """List all that is written but report, panel and manifest; what takes long stands first."""
    works: list[Callable[[], _Done]] = []

    def write(what: str, make: Callable[[], Mapping[str, bytes]], prefix: str = "") -> None:
        works.append(partial(_write, folder, what, make, prefix))

    for number, keyboard in enumerate(keyboards):
        works.append(partial(_pack, contents, number, folder, keyboard))
    for judged in contents.boards:
        name, prefix = judged.ordered.name, _prefix(contents, judged)
        write(f"pictures of {name}", partial(_picture_files, contents, judged, "png"), prefix)
        for sheet, choice in _SHEETS.items():
            drawn = partial(_sheet_files, contents, judged, sheet, choice)
            write(f"{sheet} sheet of {name}", drawn, prefix)
    works += [partial(_draw, contents, number) for number in range(len(contents.boards))]
    for judged in contents.boards:
        name, prefix = judged.ordered.name, _prefix(contents, judged)
        drawn = partial(_picture_files, contents, judged, "svg")
        write(f"vector pictures of {name}", drawn, prefix)
    write("wiring", partial(_wiring_files, contents))
    write("workbook and chart of costs", partial(_workbook_files, contents))
    write("paper template", partial(_paper_files, contents))
    if contents.compared is not None:
        write("what changed", partial(_change_files, contents.compared))
    for judged in contents.boards:
        name, prefix = judged.ordered.name, _prefix(contents, judged)
        write(f"findings of {name}", partial(_findings_files, contents, judged), prefix)
        if judged.mended is not None:
            write(f"what was mended of {name}", partial(mended_files, judged.mended), prefix)
    write("parts", partial(money.parts_files, contents.bill))
    write("costs", partial(money.cost_files, contents.costs))
    return works


def _write(
    folder: Path, what: str, make: Callable[[], Mapping[str, bytes]], prefix: str = ""
) -> _Done:
    """Write the files that ``make`` gives, or note that they are lost, and why."""
    try:
        with step(f"writing {what}"):
            files = make()
    except TooHeavy as error:
        return _Done(lost={"what": what, "reason": error.message})
    for name, data in files.items():
        (folder / f"{prefix}{name}").write_bytes(data)
    return _Done()


def _pack(contents: OrderContents, number: int, folder: Path, keyboard: Record) -> _Done:
    target = folder / f"{stem_of(contents.order, contents.boards[number].ordered)}.zip"
    entry, packed = pack_board(contents, number, target, keyboard)
    return _Done(entry=entry, packed=packed)


def _draw(contents: OrderContents, number: int) -> _Done:
    """Draw a board for the report; what is too heavy is said when the report needs it."""
    from fabkit.outputs.report.page import picture_view

    view = None
    with suppress(TooHeavy), step(f"drawing {contents.boards[number].ordered.name} for the report"):
        view = picture_view(contents.boards[number].board, _look(contents), number + 1)
    return _Done(view=view, drew=True)


def _prefix(contents: OrderContents, judged: JudgedBoard) -> str:
    """Give what begins the names of a board's files: nothing where there is one board."""
    stem = stem_of(contents.order, judged.ordered)
    return f"{stem}-" if len(contents.boards) > 1 else ""


def _findings_files(contents: OrderContents, judged: JudgedBoard) -> dict[str, bytes]:
    record = records.check_record(
        judged.board,
        judged.result,
        contents.house,
        thicknesses=judge_thicknesses(judged.board, contents.house),
        houses=judged.houses,
    )
    text = io.StringIO()
    console = Terminal(text)
    print_check(console, record, mend=ORDER_AGAIN, files=True)
    console.print("\nevery finding, with its line in the file:", style="bold")
    print_findings(console, record["findings"])
    return {
        "findings.txt": text.getvalue().encode(),
        "findings.json": render_verdict(record, "json").encode(),
        "findings.sarif": render_verdict(record, "sarif").encode(),
    }


def _picture_files(contents: OrderContents, judged: JudgedBoard, kind: str) -> dict[str, bytes]:
    return picture_files(judged.board, _look(contents), formats=(kind,))


def _sheet_files(
    contents: OrderContents, judged: JudgedBoard, name: str, choice: SheetChoice
) -> dict[str, bytes]:
    sheet = build_sheet(judged.board, choice, options=_look(contents), result=judged.result)
    return {f"{name}.pdf": sheet_bytes(sheet, "pdf")}


def _look(contents: OrderContents) -> PreviewOptions:
    return look_of_order(contents.order, contents.house)


def _paper_files(contents: OrderContents) -> dict[str, bytes]:
    boards = [judged.board for judged in contents.boards]
    return {"paper.pdf": paper_bytes(boards, contents.order, paper=paper_of("a4"))}


_SHEETS = {"findings": SheetChoice(kind="findings"), "drill-map": SheetChoice(kind="drills")}
"""Sheets about each board, by the stem of their file."""


def _wiring_files(contents: OrderContents) -> dict[str, bytes]:
    """Table and picture of the wiring; nothing where no keys are."""
    from fabkit.pictures.wiring_sheet import wiring_sheet

    if not any(half.keys for half in contents.wiring.halves):
        return {}
    picture = wiring_sheet([judged.board for judged in contents.boards], contents.wiring)
    return {
        **wiring_files(contents.wiring),
        "wiring.png": sheet_bytes(picture, "png", PreviewOptions(px_per_mm=10.0)),
        "wiring.svg": sheet_bytes(picture, "svg"),
    }


def _change_files(compared: Compared) -> dict[str, bytes]:
    return {
        "changes.json": render_comparison(compared.record, "json").encode(),
        "changes.md": render_comparison(compared.record, "markdown").encode(),
        **change_files(compared.comparison),
    }


def _workbook_files(contents: OrderContents) -> dict[str, bytes]:
    from fabkit.costs.chart import curve_chart
    from fabkit.costs.workbook import write_workbook

    chart = chart_scene(curve_chart(contents.costs), contents.costs.notices)

    return {
        "costs.xlsx": write_workbook(contents.costs, contents.bill),
        "cost-per-half.png": sheet_bytes(chart, "png", PreviewOptions(px_per_mm=8.0)),
        "cost-per-half.svg": sheet_bytes(chart, "svg"),
    }


def pack_board(
    contents: OrderContents, number: int, target: Path, keyboard: Record
) -> tuple[Record, Packed | None]:
    """Pack a board; its entry of the manifest, and the zip or None where errors forbid it."""
    judged, choice = contents.boards[number], contents.order.choice
    options = PackOptions(
        name=judged.ordered.name if contents.order.file else None,
        thickness_mm=float(choice.thickness_mm),
        copper_oz=float(choice.copper_oz),
        colour=choice.colour,
        finish=choice.finish,
        finish_title=contents.house.finish_title(choice.finish),
        lead_time=choice.lead_time,
        extras=choice.extras,
        quantity=_pieces(contents, number),
        edge=judged.ordered.edge,
        mended=deed_lines(judged.mended) if judged.mended else (),
    )
    record: Record = {
        "board": judged.ordered.name,
        "is": judged.ordered.use,
        "keyboard": keyboard,
        "verdict": judged.result.verdict,
        "counts": records.count_record(judged.result),
    }
    if judged.mended is not None:
        record["mended"] = {
            "summary": summary(judged.mended),
            "corrections": sorted({deed.correction for deed in judged.mended.deeds}),
            "not_made": [
                {"id": left.correction, "file": left.file or None, "reason": left.reason}
                for left in judged.mended.left
            ],
            "nothing_to_do": list(judged.mended.idle),
        }
    try:
        with step(f"packing {judged.ordered.name}"):
            packed = pack(judged.board, target, result=judged.result, options=options)
    except (FindingsRefused, TooHeavy) as refused:
        return {**record, "zip": None, "reason": refused.message}, None
    made = {**records.packed_record(packed), "path": target.name}
    return {**record, "zip": made, "accepted": accepted_errors(judged.result)}, packed


def _panel(contents: OrderContents, part: Path, tell: Tell) -> Record | None:
    """Make one panel of the boards where the order wants it; its entry of the manifest."""
    order = contents.order
    if order.panel is None:
        return None
    from fabkit.outputs.panel import panel, panel_causes, panel_words

    # A design may be called so, too.
    stems = {stem_of(order, one) for one in order.boards}
    name = "panel" if "panel" not in stems else "panel-of-boards"
    try:
        with step("making the panel"):
            done = panel(
                [judged.board for judged in contents.boards],
                part / f"{name}.zip",
                order=order,
                house=contents.house,
                judged=CheckOptions.of(order),
                tell=tell,
            )
    except (FabkitError, TooHeavy) as refused:
        return {"zip": None, "reason": f"{refused.message}; {refused.hint}".rstrip("; ")}
    return {
        "zip": f"{name}.zip",
        "sha256": done.packed.sha256,
        "picture": f"{name}.png",
        "verdict": done.result.verdict,
        "words": panel_words(done.plan),
        "causes": panel_causes(done),
        "boards": len(done.plan.copies),
        "waste_share": done.plan.waste_share,
    }


def _pieces(contents: OrderContents, number: int) -> int | None:
    """Pieces of a design to order: for the one quantity asked for, or for the cheapest."""
    costs = contents.costs
    one = len(contents.order.quantities) == 1 and costs.offers
    chosen = costs.offers[0] if one else costs.best
    return chosen.pieces[number] if chosen else None


def stem_of(order: Order, ordered: OrderedBoard) -> str:
    """Stem of a design's files, different for each design of the order."""
    stem = file_stem(ordered.name)
    alike = [o for o in order.boards if file_stem(o.name).casefold() == stem.casefold()]
    if len(alike) == 1:
        return stem
    named = f"{stem}-{ordered.use}"
    same = [o for o in alike if o.use == ordered.use]
    return named if len(same) == 1 else f"{named}-{same.index(ordered) + 1}"


def _manifest(contents: OrderContents, boards: list[Record], part: Path, costs: Record) -> Record:
    order = contents.order
    choice = order.choice
    best = costs["best"]
    inputs = [file_record(name, data) for name, data in sorted(contents.sources.items())]
    inputs += [
        file_record(f"{judged.ordered.name}/{file.name}", file.data)
        for judged in contents.boards
        for file in (judged.mended.before if judged.mended else judged.board).package.files
    ]
    return {
        "made_by": MAKER,
        "name": order.name,
        "invented": order.invented,
        "notices": costs["notices"],
        "versions": versions(),
        "options": {
            "thickness_mm": choice.thickness_mm,
            "thickness_from": choice.thickness_from,
            "copper_oz": choice.copper_oz,
            "colour": choice.colour,
            "finish": choice.finish,
            "lead_time": choice.lead_time,
            "extras": list(choice.extras),
            "keyboards": order.keyboards,
            "spare_halves": order.spare_halves,
            "house": contents.house.name,
            "date": None if contents.today is None else contents.today.isoformat(),
            "silenced": [{"rule": s.rule, "reason": s.reason} for s in order.silenced],
        },
        "boards": boards,
        "cheapest": None
        if best is None
        else {
            "boards": best["boards"],
            "pieces": best["pieces"],
            "total": best["total"],
            "per_half": best["per_half"],
            "per_keyboard": best["per_keyboard"],
            "currency": costs["currency"],
        },
        "inputs": inputs,
        "outputs": folder_records(part),
    }

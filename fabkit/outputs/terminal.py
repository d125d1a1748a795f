"""Results for a person at a terminal, rendered from the same records as every other output.

Text from files may hold anything, escape sequences included: it is never read as markup, and
what cannot be printed is replaced.  Without a terminal there is no colour and no progress.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, TextIO

from fabkit.base.findings import times
from fabkit.base.streams import clean
from fabkit.base.tables import Cell, Column, Record, Table, columns_of
from fabkit.base.units import counted, format_mm, format_number
from fabkit.costs.model import CostSheet
from fabkit.outputs.glossary import glossary
from fabkit.parts.model import Bill

if TYPE_CHECKING:
    from rich.console import Console

Tell = Callable[[str], None]
"""Told what is being done now."""

PLAIN_WIDTH = 110
"""Columns when the output is no terminal: the same text everywhere."""

SHOWN_CAUSES = 6
"""Causes told under a verdict, two lines each; the rest is counted and waits for ``--all``."""

SHOWN_ROWS = 6
"""Rows of a comparison of costs shown unless all are asked for."""

PARTS_SHOWN = ("part", "left", "right", "per_keyboard", "needed", "fitted", "lasting")
BUY_SHOWN = ("part", "shop", "needed", "bought", "left_over", "unit_price", "cost")
"""Columns that fit a terminal; CSV and JSON have the rest."""

STYLES = {"stop": "bold red", "decide": "yellow", "know": "cyan", "form": "dim"}
SEVERITY_STYLES = {"error": "bold red", "warning": "yellow", "note": "cyan"}


def make_console(stream: TextIO | None = None) -> Console:
    """Open a console on a stream (standard output); markup and guessing of styles are off."""
    from rich.console import Console

    out = stream or sys.stdout
    return Console(
        file=out,
        width=None if out.isatty() else PLAIN_WIDTH,
        markup=False,
        emoji=False,
        highlight=False,
        soft_wrap=not out.isatty(),
    )


@contextmanager
def progress() -> Iterator[Tell]:
    """Show on standard error what is being done; silent unless that is a terminal."""
    if not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console

    console = Console(stderr=True, markup=False, highlight=False)
    with console.status("") as status:
        yield lambda text: status.update(clean(text) + " ...")


def print_table(console: Console, table: Table, *, most: int | None = None) -> None:
    """Print a table, ``most`` rows of it; numbers are aligned to the right."""
    from rich import box
    from rich.table import Table as Grid
    from rich.text import Text

    title = clean(table.title) or None
    grid = Grid(box=box.SIMPLE_HEAD, title=title, title_justify="left", pad_edge=False)
    cells = [[clean(cell) for cell in row] for row in table.texts()[:most]]
    for index, column in enumerate(table.columns):
        # A number is never broken over two lines, its heading may be.
        longest = max((len(row[index]) for row in cells), default=0) if column.number else None
        grid.add_column(
            clean(column.head),
            justify="right" if column.number else "left",
            min_width=longest,
            overflow="fold",
        )
    for row in cells:
        grid.add_row(*map(Text, row))
    with console.capture() as caught:
        console.print(grid)
    # The cells at the right edge are padded; nobody wants that in a file or a diff.
    lines = (line.rstrip() for line in caught.get().splitlines())
    console.file.write("\n".join(lines) + "\n")


def print_check(
    console: Console, record: Record, *, files: bool = False, full: bool = False
) -> None:
    """Print what the board is, the verdict, and the causes that stop it or ask for a decision.

    Unless ``full``, findings of one rule and consequence are one cause, shown by the first of
    them; what is only worth knowing, the form of the files and the checks that could not judge
    are one line: a person reads what matters, a program reads the JSON.
    """
    print_boards(console, record["boards"])
    console.print(clean(record["verdict"]), style=f"bold {_tone(record)}".strip())
    if full:
        for finding in record["findings"]:
            print_finding(console, finding)
    else:
        folded = _print_causes(console, record["findings"])
        folded += _skipped(record["checks"])
        if folded:
            console.print(f"folded: {'; '.join(folded)}; --all shows everything", style="dim")
    for finding in record["silenced"]:
        said = f"silenced: {finding['message']}  [{finding['id']}], because: {finding['reason']}"
        console.print(clean(said), style="dim")
    if full:
        _print_blind(console, record["checks"])
    for check in record["checks"]:
        if check["state"] == "broken":
            console.print(f"broken: {check['id']}: {clean(check['reason'])}", style="bold red")
    print_board(console, record["board"])
    if files:
        print_files(console, record["package"])
    if "thicknesses" in record:
        print_thicknesses(console, record["thicknesses"])
    if "houses" in record:
        print_houses(console, record["houses"])
    for notice in _house_notices(record):
        console.print(f"note: {clean(notice)}")


def _tone(record: Record) -> str:
    counts = record["counts"]
    return "red" if counts["stop"] or counts["broken"] else "yellow" if counts["decide"] else ""


def _house_notices(record: Record) -> list[str]:
    told = [record["house"]["notice"], *(h["notice"] for h in record.get("houses", ()))]
    return [notice for notice in dict.fromkeys(told) if notice]


def print_thicknesses(console: Console, thicknesses: list[Record]) -> None:
    """Print which thicknesses the house offers, what forbids them, and how they feel."""
    table = Table(
        (
            Column("thickness", unit="mm"),
            Column("verdict"),
            Column("aspect", "thickness : drill", number=True),
            Column("weight", "g", number=True),
            Column("stiffness", number=True),
            Column("press", unit="mm", number=True),
            Column("extra", number=True),
        ),
        tuple(
            (
                f"{format_number(row['thickness_mm'])} ± {format_number(row['tolerance_mm'])}",
                row["verdict"],
                "" if row["aspect"] is None else f"{_number(row['aspect'], digits=1)} : 1",
                format_number(row["weight_g"], digits=1),
                f"{format_number(100 * row['stiffness'], digits=0)} %",
                _number(row["deflection_mm"], digits=2),
                row["surcharge"],
            )
            for row in thicknesses
        ),
        title="thicknesses on offer; stiffness against 1.6 mm; press: estimated give under 5 N",
    )
    print_table(console, table)


def _number(value: float | None, *, digits: int) -> str:
    return "" if value is None else format_number(value, digits=digits)


def print_houses(console: Console, houses: list[Record]) -> None:
    """Print which house can make the board, at which class, and why not."""
    rows: list[tuple[Cell, ...]] = []
    for house in houses:
        reasons = [f"{r['message']} [{r['id']}]" for r in house["reasons"]]
        more = len(reasons) - 2
        why = "; ".join(reasons[:2]) + (f"; and {more} more" if more > 0 else "")
        rows.append((house["name"], house["class"] or "cannot make it", why))
    print_table(
        console, Table(columns_of("house", "class", "because"), tuple(rows), title="houses")
    )


def board_counts(board: Record) -> str:
    """How many copper layers, holes and slots a board has, in words."""
    kinds = (("copper_layers", "copper layer"), ("holes", "hole"), ("slots", "slot"))
    return ", ".join(counted(board[key], noun) for key, noun in kinds)


def print_boards(console: Console, boards: Sequence[Record]) -> None:
    """Print what each board is, one line each, and what speaks against the user's word."""
    for board in boards:
        lead = f"{clean(board['name'])}: " if len(boards) > 1 else ""
        console.print(f"{lead}{board['headline']}", style="bold")
        if board["contradiction"]:
            console.print(f"warning: {clean(board['contradiction'])}", style="yellow")


def print_board(console: Console, board: Record) -> None:
    """Print one line about the board."""
    thickness = board["thickness_mm"]
    width, height = board["width_mm"], board["height_mm"]
    words = [
        f"{clean(board['name'])}:",
        f"{format_number(width, digits=2)} × {format_mm(height, digits=2)},",
        f"{board_counts(board)},",
        f"{format_mm(thickness)} thick" if thickness else "thickness not stated",
    ]
    console.print(" ".join(words), style="bold")


def print_files(console: Console, package: Record) -> None:
    """Print every file with its role and the reason, then what is left out."""
    print_table(
        console,
        Table(
            columns_of("file", "is_the", "sure", "because", numbers=["sure"]),
            tuple(
                (f["name"], f["role"], f"{f['confidence']:.0%}", f["reason"])
                for f in package["files"]
            ),
        ),
    )
    if package["left_out"]:
        left = tuple((f["name"], f["reason"]) for f in package["left_out"])
        print_table(console, Table(columns_of("left_out", "because"), left))


def _blind(checks: Sequence[Record]) -> dict[str, list[str]]:
    """Ids of the checks that could not judge, by what was missing."""
    blind: dict[str, list[str]] = {}
    for check in checks:
        if check["state"] == "not judged":
            blind.setdefault(check["reason"], []).append(check["id"])
    return blind


def _print_blind(console: Console, checks: Sequence[Record]) -> None:
    """Print what could not be judged, and why."""
    for reason, ids in _blind(checks).items():
        console.print(f"skipped, {clean(reason)}: {', '.join(ids)}", style="dim")


def _skipped(checks: Sequence[Record]) -> list[str]:
    """How many checks could not judge, and why, in a few words; nothing where all could."""
    blind = _blind(checks)
    count = sum(map(len, blind.values()))
    reasons = ", ".join(clean(reason) for reason in blind)
    return [f"{counted(count, 'check')} skipped ({reasons})"] if blind else []


def _print_causes(console: Console, findings: Sequence[Record]) -> list[str]:
    """Print the causes to act on, worst first, and give in a few words what is not shown."""
    groups: dict[tuple[str, str], list[Record]] = {}
    for finding in findings:
        groups.setdefault((finding["id"], finding["consequence"]), []).append(finding)
    causes: dict[str, list[list[Record]]] = {}
    for (_, consequence), group in groups.items():
        causes.setdefault(consequence, []).append(group)
    acted = [*causes.get("stop", ()), *causes.get("decide", ())]
    for group in acted[:SHOWN_CAUSES]:
        print_finding(console, group[0], alike=group[1:], short=True)
    folded = []
    if rest := acted[SHOWN_CAUSES:]:
        ids = ", ".join(group[0]["id"] for group in rest)
        folded.append(f"{len(rest)} more to decide ({ids})")
    if known := causes.get("know"):
        folded.append(f"{len(known)} to know")
    if formal := causes.get("form"):
        folded.append(counted(len(formal), "remark") + " on the form of the files")
    return folded


def print_finding(
    console: Console, finding: Record, *, alike: Sequence[Record] = (), short: bool = False
) -> None:
    """Print one finding: what, where, against which limit, what to do.

    ``alike`` are further findings of the same rule, which are only counted.  When ``short``, it is
    two lines, without the line of the file, and with how to set it aside.
    """
    from rich.text import Text

    count = finding["count"] + sum(other["count"] for other in alike)
    word = finding["consequence"]
    head = Text(f"{word:<8}", style=STYLES[word])
    head.append(clean(finding["message"]), style="default")
    often = times(finding["message"], count)
    head.append(f" (and {len(alike)} more of the kind)" if alike and not often else often)
    head.append(f"  [{finding['id']}]", style="dim")
    console.print(head)
    place: Record = finding["places"][0] if finding["places"] else {"text": ""}
    where = f"at {clean(place['text'])}{_elsewhere(finding, alike)}" if place["text"] else ""
    assumed = f"assumed: {clean(finding['assumed'])}" if finding["assumed"] else ""
    what_to_do = f"do: {clean(finding['remedy'])}"
    if short:
        aside = f"or --silence {finding['id']}=REASON"
        said = "; ".join(t for t in (where, assumed, what_to_do) if t)
        console.print(f"        {said.rstrip('.')}; {aside}")
        return
    if where:
        console.print(f"        {where}")
    if place.get("excerpt"):
        console.print(f"        | {clean(place['excerpt'])}", style="dim")
        console.print(f"        | {' ' * place['caret']}^", style="dim")
    if assumed:
        console.print(f"        {assumed}")
    console.print(f"        {what_to_do}")


def _elsewhere(finding: Record, alike: Sequence[Record]) -> str:
    files = {p["file"] for f in (finding, *alike) for p in f["places"] if "file" in p}
    files -= {p.get("file") for p in finding["places"][:1]}
    if files:
        return f", and in {len(files)} other {'file' if len(files) == 1 else 'files'}"
    more = finding["count"] - 1
    return f", and {more} more here" if more > 0 else ""


def print_rule(console: Console, rule: Record) -> None:
    """Print one entry of the catalogue in full."""
    console.print(f"{rule['id']} ({rule['consequence']}): {rule['title']}", style="bold")
    for label, key in (("why", "why"), ("source", "source"), ("do", "remedy")):
        console.print(f"  {label}: {rule[key]}")
    for term in glossary():
        if term.term in rule["words"]:
            console.print(f"  {term.term}: {term.meaning}", style="dim")


def print_rules(console: Console, rules: Sequence[Record]) -> None:
    """Print the catalogue, one line an entry."""
    rows = tuple((r["id"], r["consequence"], r["title"]) for r in rules)
    print_table(console, Table(columns_of("id", "consequence", "finds"), rows))


def print_packed(console: Console, packed: Record) -> None:
    """Print what went into a zip and what did not."""
    for member in packed["members"]:
        console.print(f"  {clean(member['name'])}")
    for left in packed["left_out"]:
        console.print(f"  left out: {clean(left['name'])} ({clean(left['reason'])})", style="dim")
    console.print(f"{clean(packed['path'])}: {len(packed['members'])} files", style="bold")
    console.print(f"  SHA-256 {packed['sha256']}")


def print_house(console: Console, house: Record) -> None:
    """Print a house sheet: what it offers, then its limits in both classes."""
    console.print(clean(house["name"]), style="bold")
    for offer in house["offers"]:
        console.print(f"  {offer['what']}: {clean(', '.join(offer['choices']))}")
    limits = Table(
        columns_of("limit", "standard", "fine", "unit", "from", numbers=("standard", "fine")),
        tuple(
            (
                limit["title"],
                f"{limit['sense']} {format_number(limit['standard'])}",
                format_number(limit["fine"]),
                limit["unit"],
                "sheet" if limit["stated"] else "default",
            )
            for limit in house["limits"]
        ),
    )
    print_table(console, limits)
    if house["notice"]:
        console.print(f"note: {clean(house['notice'])}")


def print_notices(console: Console, record: Record) -> None:
    """Print what every output must repeat."""
    for notice in record["notices"]:
        console.print(f"note: {clean(notice)}")


def print_findings(console: Console, record: Record) -> None:
    """Print the findings of a result, worst first as they come."""
    for finding in record["findings"]:
        print_finding(console, finding)


def print_bill(console: Console, bill: Bill) -> None:
    """Print a parts list and what to buy."""
    from fabkit.outputs.money_records import bill_record

    record = bill_record(bill)
    print_boards(console, record["boards"])
    print_table(console, bill.parts_table().only(*PARTS_SHOWN))
    if bill.plan.purchases:
        print_table(console, bill.shopping_table().only(*BUY_SHOWN))
        console.print(f"in all {bill.plan.total} {bill.currency.code}", style="bold")
    for ref, reason in bill.left_out:
        console.print(f"not bought: {clean(ref)} ({clean(reason)})", style="dim")
    print_findings(console, record)
    print_notices(console, record)


def print_explained(console: Console, found: list[Record]) -> None:
    """Print what each place of a parts list is known by."""
    for one in found:
        name = " and ".join(one["refs"]) or one["kind"]
        place = "" if one["x_mm"] is None else f" at {one['x_mm']:.1f}, {one['y_mm']:.1f} mm"
        half = f", {one['half']}" if one["half"] else ""
        console.print(clean(f"{name}{place}{half}"), style="bold")
        patterns = f" ({', '.join(one['patterns'])})" if one["patterns"] else ""
        console.print(f"  known by: {clean(', '.join(one['known_by']))}{patterns}")
        faces = " or ".join(one["faces"])
        console.print(f"  kind: {one['kind']}, {100 * one['confidence']:.0f} % sure")
        if faces:
            console.print(f"  face: {faces}")
        console.print(f"  listed as: {clean('; '.join(one['taken_for']) or 'nothing')}")


def print_costs(console: Console, sheet: CostSheet, *, why: bool = False) -> None:
    """Print an offer per quantity and the one that costs a half the least."""
    from fabkit.outputs import sheets
    from fabkit.outputs.money_records import cost_record

    costs = cost_record(sheet)
    print_boards(console, costs["boards"])
    terms = ", ".join(f"{name} {value}" for name, value in sheet.terms.items())
    console.print(clean(terms), style="dim")
    print_table(console, sheet.compared_table())
    if why:
        _print_reasons(console, costs)
    most = None if why else SHOWN_ROWS
    for table in sheet.comparisons():
        print_table(console, table, most=most)
        if most is not None and len(table.rows) > most:
            console.print(f" and {len(table.rows) - most} more: --why shows them", style="dim")
    best = costs["best"]
    if best:
        said = sheets.best_words(best, costs["boards"], costs["currency"])
        console.print(clean(said), style="bold")
    print_findings(console, costs)
    print_notices(console, costs)


def _print_reasons(console: Console, costs: Record) -> None:
    for offer in costs["offers"]:
        console.print(
            f"{offer['boards']} boards: {offer['total']} {costs['currency']}", style="bold"
        )
        for line in offer["lines"]:
            console.print(f"  {line['amount']:>9}  {clean(line['title'])} ({line['for']})")
            for because in line["because"]:
                console.print(f"             {clean(because['title'])} = {clean(because['why'])}")
    console.print()


def print_order(console: Console, manifest: Record, *, folder: str) -> None:
    """Print what an order folder holds: verdict and zip of each board, cost, files."""
    from fabkit.outputs import sheets

    boards = [board["keyboard"] for board in manifest["boards"]]
    print_boards(console, boards)
    for board in manifest["boards"]:
        console.print(f"{clean(board['board'])}: {board['verdict']}", style="bold")
        if board["zip"] is None:
            console.print(f"  {clean(board['reason'])}", style="red")
    chosen = manifest["options"]
    console.print(f"thickness {chosen['thickness_mm']} mm, {clean(chosen['thickness_from'])}")
    best = manifest["cheapest"]
    if best:
        console.print(clean(sheets.best_words(best, boards, best["currency"])))
    print_notices(console, manifest)
    console.print(f"in {clean(folder)}:")
    for file in manifest["outputs"]:
        console.print(f"  {clean(file['name'])}")

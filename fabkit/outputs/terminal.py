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
from fabkit.base.tables import Record, Table, columns_of
from fabkit.base.units import counted, format_number
from fabkit.outputs.glossary import glossary
from fabkit.outputs.records import best_words

if TYPE_CHECKING:
    from rich.console import Console

Tell = Callable[[str], None]
"""Told what is being done now."""

PLAIN_WIDTH = 110
"""Columns when the output is no terminal: the same text everywhere."""

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


def print_order(console: Console, manifest: Record, *, folder: str) -> None:
    """Print what an order folder holds: verdict and zip of each board, cost, files."""
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
        console.print(clean(best_words(best, boards, best["currency"])))
    print_notices(console, manifest)
    console.print(f"in {clean(folder)}:")
    for file in manifest["outputs"]:
        console.print(f"  {clean(file['name'])}")

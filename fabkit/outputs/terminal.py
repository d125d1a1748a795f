"""What a person reads at a terminal: one console for all, and what several results print alike.

Text from files may hold anything, escape sequences included: it is never read as markup, and
what cannot be printed is replaced.  Without a terminal there is no colour and no progress.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Final, TextIO

from fabkit.base.findings import times
from fabkit.base.steps import at, listening
from fabkit.base.streams import clean
from fabkit.base.tables import Record, Table, columns_of
from fabkit.base.units import counted, format_number
from fabkit.outputs.records import found_at
from fabkit.rules import glossary

if TYPE_CHECKING:
    from rich.console import RenderableType

Tell = Callable[[str], None]
"""Called with what is being done now."""

PLAIN_WIDTH = 110
"""Columns when the output is no terminal: the same text everywhere."""

READABLE = 16
"""Characters of a text column that are worth less space between columns."""

SHOWN_CAUSES = 6
"""Causes shown under a verdict; the rest is counted and waits for ``--all``."""

STYLES = {"stop": "bold red", "decide": "yellow", "know": "cyan", "form": "dim"}


class Terminal:
    """A console that no text from a file can command.

    Control characters in what it prints become dots, markup and guessing of styles are off, and
    without a terminal there is no colour and one width everywhere.
    """

    def __init__(self, stream: TextIO | None = None) -> None:

        from rich.console import Console

        self._stream = stream or sys.stdout
        self._plain = not self._stream.isatty()
        self._console = Console(
            file=self._stream,
            width=PLAIN_WIDTH if self._plain else None,
            markup=False,
            emoji=False,
            highlight=False,
            soft_wrap=self._plain,
        )

    def print(
        self,
        *parts: str | tuple[str, str],
        style: str = "",
        unbroken: bool = False,
        hang: int = 0,
    ) -> None:
        """Print a line.

        Parameters
        ----------
        parts
            Texts, each alone or with its own style.  Line ends before the first are kept.
        style
            Style of all of it.
        unbroken
            Leave a long line to the terminal: a path can be copied from it.
        hang
            Columns by which what has no room on the first line of a terminal is indented.
        """
        from rich.text import Text

        line = Text()
        for part in parts:
            text, own = (part, "") if isinstance(part, str) else part
            said = text.lstrip("\n") if not line else text
            line.append("\n" * (len(text) - len(said)) + clean(said), style=own)
        if hang and not self._plain:
            rows = line[hang:].wrap(self._console, max(self._console.width - hang, READABLE))
            line = line[:hang]
            for n, row in enumerate(rows):
                row.rstrip()
                line.append("\n" + " " * hang if n else "").append_text(row)
        self._console.print(line, style=style or None, soft_wrap=unbroken or self._plain)

    def table(self, table: Table, *, most: int | None = None) -> None:
        """Print a table, ``most`` rows of it; numbers are aligned to the right.

        Where the words of a row have no room beside each other, it becomes a paragraph.
        """
        from rich import box
        from rich.cells import cell_len
        from rich.table import Table as Grid
        from rich.text import Text

        heads = [clean(head) for head in table.heads]
        cells = [[clean(cell) for cell in row] for row in table.texts()[:most]]
        natural, whole, least, readable = [], [], [], []
        for n, (head, column) in enumerate(zip(heads, table.columns, strict=True)):
            longest = max((cell_len(row[n]) for row in cells), default=0)
            natural.append(max(cell_len(head), longest))
            head_word = max(map(cell_len, head.split() or ("",)))
            # A head over two lines costs one line; a cell over two lines costs one each row.
            whole.append(max(head_word, longest))
            # Numbers and words are never broken over two lines; names of files may be.
            texts = () if column.number else (row[n] for row in cells)
            words = max((cell_len(word) for text in texts for word in text.split()), default=0)
            words = max(min(words, READABLE), head_word)
            least.append(max(words, longest if column.number else 0))
            readable.append(max(least[-1], 0 if column.number else min(longest, READABLE)))
        # One blank stands at either edge; those between columns give way to words.
        room, gaps = self._console.width - 2, len(heads) - 1
        gap = 3 if self._plain or not gaps else max(1, min(3, (room - sum(readable)) // gaps))
        if not self._plain and gaps > 1 and sum(least) + gap * gaps > room:
            self._paragraphs(clean(table.title), heads, cells)
            return
        grid = Grid(
            box=box.SIMPLE_HEAD,
            title=clean(table.title) or None,
            title_justify="left",
            pad_edge=False,
            padding=(0, int(gap > 1), 0, int(gap > 2)),
        )
        widths = _fit(natural, (whole, readable, least), room - gap * gaps)
        for head, width, column in zip(heads, widths, table.columns, strict=True):
            grid.add_column(
                Text(head),
                justify="right" if column.number else "left",
                width=width,
                overflow="fold",
            )
        for row in cells:
            grid.add_row(*map(Text, row))
        self._print_trimmed(grid)

    def _print_trimmed(self, *parts: RenderableType) -> None:
        """Print what is padded at the right edge; files and diffs are better without."""
        with self._console.capture() as caught:
            for part in parts:
                self._console.print(part)
        lines = (line.rstrip() for line in caught.get().splitlines())
        self._stream.write("\n".join(lines) + "\n")

    def _paragraphs(self, title: str, heads: Sequence[str], cells: Sequence[Sequence[str]]) -> None:
        """Print the rows of a table below each other: the first cell, then the others, named."""
        from rich.padding import Padding
        from rich.text import Text

        parts: list[RenderableType] = [Text(title, style="italic")] if title else []
        for first, *others in cells:
            said = (f"{head} {cell}" for head, cell in zip(heads[1:], others, strict=True) if cell)
            parts += [Text(first), Padding(Text(", ".join(said), style="dim"), (0, 0, 0, 2))]
        self._print_trimmed(*parts)


def _fit(natural: Sequence[int], floors: Iterable[Sequence[int]], room: int) -> list[int]:
    """Widths of columns: the widest give way, down to each floor in turn, and further if needed."""
    widths = list(natural)
    for floor in (*floors, [1] * len(widths)):
        while sum(widths) > room:
            wide = [n for n, width in enumerate(widths) if width > floor[n]]
            if not wide:
                break
            widths[max(wide, key=lambda n: widths[n])] -= 1
    return widths


@contextmanager
def progress(*, quiet: bool = False) -> Iterator[Tell]:
    """Show on standard error what is being done and how far it is; several times a second.

    Silent when ``quiet`` and unless standard error is a terminal.
    """
    if quiet or not sys.stderr.isatty():
        yield at
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (
        TextColumn("{task.description}", markup=False),
        BarColumn(24),
        TextColumn("{task.fields[share]}", markup=False),
        TimeElapsedColumn(),
    )
    console = Console(stderr=True, markup=False, highlight=False)
    with Progress(*columns, console=console, transient=True) as shown:
        task = shown.add_task("starting", total=None, share="")

        def tell(text: str) -> None:
            at(text)
            # Shown at once: a short stage may be over before the next picture of the whole.
            said = clean(text)
            shown.update(task, description=said, total=None, completed=0, share="", refresh=True)

        def hear(done: int, of: int, noun: str) -> None:
            share = f"{done} of {of} {noun}, {done / max(of, 1):.0%}"
            ends = done in (0, of)
            shown.update(task, total=of, completed=done, share=share, refresh=ends)

        with listening(hear):
            yield tell


def board_words(board: Record) -> str:
    """Give size, copper layers, holes and slots of a board in words."""
    return f"{board['width_mm']:.2f} × {board['height_mm']:.2f} mm, {board_counts(board)}"


_LABEL: Final = 8
"""Columns of what follows from a finding, such as ``decide``; the words stand behind it."""


def board_counts(board: Record) -> str:
    """How many copper layers, holes and slots a board has, in words."""
    kinds = (("copper_layers", "copper layer"), ("holes", "hole"), ("slots", "slot"))
    return ", ".join(counted(board[key], noun) for key, noun in kinds)


def print_boards(console: Terminal, boards: Sequence[Record]) -> None:
    """Print what each board is, one line each, and what speaks against the user's word."""
    for board in boards:
        lead = f"{board['name']}: " if len(boards) > 1 else ""
        first, last = by_weight(board)
        words = "; ".join(w for w in (first, board["size"], last if board["size"] else "") if w)
        if words:
            console.print(f"{lead}{words}", style="bold")
        print_contradiction(console, board)


def by_weight(board: Record) -> tuple[str, str]:
    """Give what is said of a board first and last: most boards are no keyboard and need not be."""
    if board["is"] != "none":
        return board["headline"], ""
    first, _, last = board["headline"].rpartition(", each: ")
    return first, last


def print_contradiction(console: Terminal, board: Record) -> None:
    """Print what speaks against the user's word of what a board is."""
    if board["contradiction"]:
        console.print(f"warning: {board['contradiction']}", style="yellow")


def print_finding(console: Terminal, finding: Record) -> None:
    """Print one finding in full: what, where, against which limit, what to do."""
    _print_said(console, finding)
    place: Record = finding["places"][0] if finding["places"] else {"text": ""}
    if place["text"]:
        console.print(f"        {found_at(place)}{_elsewhere(finding, [])}", hang=_LABEL)
    if place.get("excerpt"):
        console.print(f"        | {place['excerpt']}", style="dim")
        console.print(f"        | {' ' * place['caret']}^", style="dim")
    if finding["assumed"]:
        console.print(f"        assumed: {finding['assumed']}", hang=_LABEL)
    if "follows" in finding:
        console.print(f"        follows from {finding['follows']}")
    console.print(f"        do: {finding['remedy']}", hang=_LABEL)


def print_cause(
    console: Terminal, group: Sequence[Record], echoes: Sequence[str], *, brief: bool
) -> None:
    """Print a cause in two lines, or in one when ``brief``.

    Parameters
    ----------
    group
        Findings of one rule and consequence, or settled by one choice; the first is shown, others
        of its rule are counted, those of other rules named.
    echoes
        Ids of the findings that follow from it.
    """
    finding, *others = group
    alike = [other for other in others if other["id"] == finding["id"]]
    place: Record = finding["places"][0] if finding["places"] else {"text": ""}
    where = f"{found_at(place)}{_elsewhere(finding, alike)}" if place["text"] else ""
    _print_said(console, finding, others, where if brief else "")
    if brief:
        return
    verb = "follows" if len(echoes) == 1 else "follow"
    said = [
        where,
        f"assumed: {finding['assumed']}" if finding["assumed"] else "",
        f"{counted(len(echoes), 'finding')} {verb} from it ({_named(echoes)})" if echoes else "",
        f"do: {finding['remedy']}",
    ]
    line = "; ".join(text for text in said if text).rstrip(".")
    console.print(f"        {line}; or --silence {finding['id']}=REASON", hang=_LABEL)


def _named(ids: Sequence[str], most: int = 3) -> str:
    distinct = list(dict.fromkeys(ids))
    return ", ".join(distinct[:most]) + (", ..." if len(distinct) > most else "")


def _print_said(
    console: Terminal, finding: Record, others: Sequence[Record] = (), where: str = ""
) -> None:
    word = finding["consequence"]
    said = f"{cause_words(finding, others)} {where}".rstrip()
    console.print(
        (f"{word:<{_LABEL}}", STYLES[word]), said, (f"  [{finding['id']}]", "dim"), hang=_LABEL
    )


def cause_words(finding: Record, others: Sequence[Record] = ()) -> str:
    """Say what was found and how often, and what else one choice settles.

    ``others`` are further findings of the same rule, or of the same choice.
    """
    alike = [other for other in others if other["id"] == finding["id"]]
    too = [other["id"] for other in others if other["id"] != finding["id"]]
    count = finding["count"] + sum(other["count"] for other in alike)
    often = times(finding["message"], count)
    more = f" (and {len(alike)} more of the kind)" if alike and not often else often
    settled = f"; the {finding.get('choice')} settles {_named(too)}, too" if too else ""
    return f"{finding['message']}{more}{settled}"


def _elsewhere(finding: Record, alike: Sequence[Record]) -> str:
    files = {p["file"] for f in (finding, *alike) for p in f["places"] if "file" in p}
    files -= {p.get("file") for p in finding["places"][:1]}
    if files:
        return f", and in {len(files)} other {'file' if len(files) == 1 else 'files'}"
    more = finding["count"] - 1
    return f", and {more} more here" if more > 0 else ""


def print_rule(console: Terminal, rule: Record) -> None:
    """Print one entry of the catalogue in full."""
    console.print(f"{rule['id']} ({rule['consequence']}): {rule['title']}", style="bold")
    for label, key in (("why", "why"), ("source", "source"), ("do", "remedy")):
        console.print(f"  {label}: {rule[key]}")
    for term in glossary():
        if term.term in rule["words"]:
            console.print(f"  {term.term}: {term.meaning}", style="dim")


def print_rules(console: Terminal, rules: Sequence[Record]) -> None:
    """Print the catalogue, one line an entry; a single entry in full."""
    if len(rules) == 1:
        print_rule(console, rules[0])
        return
    rows = tuple((r["id"], r["consequence"], r["title"]) for r in rules)
    console.table(Table(columns_of("id", "consequence", "finds"), rows))


def print_packed(console: Terminal, packed: Record, verdict: str) -> None:
    """Print what went into a zip and what did not, then the verdict and what to upload."""
    before = {row["name"]: f" (exported as {row['exported_as']})" for row in packed["renamed"]}
    for member in packed["members"]:
        console.print(f"  {member['name']}{before.get(member['name'], '')}")
    for left in packed["left_out"]:
        console.print(f"  left out: {left['name']} ({left['reason']})", style="dim")
    if packed["doubtful"]:
        console.print(
            f"NOT PACKED, and perhaps needed: {', '.join(packed['doubtful'])}. If the board is "
            "milled, routed or scored by them, state what they are with --role",
            style="bold red",
        )
    console.print(verdict, style="bold")
    rest = f" ({len(packed['members'])} files, SHA-256 {packed['sha256']})"
    console.print("upload: ", (packed["path"], "bold"), rest)


def print_house(console: Terminal, house: Record) -> None:
    """Print a house sheet: what it offers, then its limits in both classes."""
    console.print(house["name"], style="bold")
    for offer in house["offers"]:
        console.print(f"  {offer['what']}: {', '.join(offer['choices'])}")
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
    console.table(limits)
    if house["notice"]:
        console.print(f"note: {house['notice']}")


def print_notices(console: Terminal, notices: Iterable[str]) -> None:
    """Print what every output must repeat."""
    for notice in notices:
        console.print(f"note: {notice}")


def print_findings(console: Terminal, findings: Iterable[Record]) -> None:
    """Print the findings of a result, worst first as they come."""
    for finding in findings:
        print_finding(console, finding)


def print_panel_verdict(console: Terminal, panel: Record, *, path: str, before: str = "") -> None:
    """Print the verdict on a panel, and beside it what stops it or is to decide."""
    console.print(f"{before}{panel['verdict']}", style="bold")
    shown = panel["causes"][:SHOWN_CAUSES]
    for cause in shown:
        stops = cause["consequence"] == "stop"
        text = f"  {cause['consequence']}: {cause['text']} [{cause['id']}]"
        console.print(text, style="red" if stops else "yellow")
        if stops:
            console.print(f"    {cause['remedy']}")
    if left := len(panel["causes"]) - len(shown):
        console.print(f"  and {left} more to decide: fabkit check {path}")


def print_order(
    console: Terminal, manifest: Record, answer: Sequence[str], *, folder: Path
) -> None:
    """Print verdict of each board and cost, then the page to open and the zips to upload.

    ``answer`` is what the quote states first.
    """
    boards = [board["keyboard"] for board in manifest["boards"]]
    print_boards(console, boards)
    for board in manifest["boards"]:
        console.print(f"{board['board']}: {board['verdict']}", style="bold")
        if "mended" in board:
            mended = board["mended"]
            console.print(f"mended first: {mended['summary']}")
            for left in mended["not_made"]:
                console.print(f"not mended: {left['reason']} [{left['id']}]", style="yellow")
            for name in mended["nothing_to_do"]:
                console.print(f"nothing to mend [{name}]", style="dim")
    panel = manifest["panel"]
    if panel is not None and panel["zip"] is not None:
        zipped = (folder / panel["zip"]).as_posix()
        print_panel_verdict(console, panel, path=zipped, before="one panel: ")
        console.print(panel["words"])
    chosen = manifest["options"]
    console.print(f"thickness {chosen['thickness_mm']} mm, {chosen['thickness_from']}")
    for line in answer:
        console.print(line)
    print_notices(console, manifest["notices"])
    for lost in manifest["lost"]:
        console.print(f"not written: {lost['what']}: {lost['reason']}", style="red")
    files = {output["name"] for output in manifest["outputs"]}
    first = next((name for name in ("report.html", "findings.txt") if name in files), "")
    page = (folder / first).as_posix()
    console.print("open first: ", (page, "bold"), f" ({len(files)} files beside it)")
    for board in manifest["boards"]:
        if board["zip"] is None:
            console.print(f"no zip of {board['board']}: {board['reason']}", style="red")
        else:
            console.print("upload:     ", ((folder / board["zip"]["path"]).as_posix(), "bold"))
    if panel is not None and panel["zip"] is None:
        console.print(f"no panel: {panel['reason']}", style="red")
    elif panel is not None:
        console.print("or, as one panel: ", (zipped, "bold"))

"""What came of many packages: how many are fit, which are not and why, which took longest."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from fabkit.base.tables import Record, Table, columns_of
from fabkit.base.units import counted
from fabkit.outputs.judged import STATES
from fabkit.outputs.terminal import Terminal

_SHOWN: Final = 5
"""Slowest packages and causes that are shown."""
_LISTED: Final = 200
"""Packages that are listed: the worst of them; a file of records has all."""
_WORDS: Final = {
    "fit": "fit to order",
    "decide": "decide before ordering",
    "stop": "do not order",
    "unreadable": "cannot be judged",
    "broken": "fabkit broke",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """What is kept of a record: a line of the summary.

    ``causes`` are the rules it must not be ordered for, or that need a decision: id and title.
    """

    package: str
    state: str
    words: str
    status: int
    seconds: float
    causes: tuple[tuple[str, str], ...]


def row_of(record: Record) -> Row:
    """Keep of a record what the summary needs."""
    error, check = record["error"], record["check"]
    found = [f for f in (check["findings"] if check else ()) if "follows" not in f]
    # What stops an order is named before what is to be decided.
    graver = [f for word in ("stop", "decide") for f in found if f["consequence"] == word]
    return Row(
        package=record["package"],
        state=record["state"],
        words=error["message"] if error else record["verdict"],
        status=record["status"],
        seconds=record.get("seconds", 0.0),
        causes=tuple({f["id"]: f["title"] for f in graver}.items()),
    )


def print_summary(console: Terminal, rows: Sequence[Row]) -> None:
    """Print what came of each package, the worst first; then counts, causes and the slowest."""
    folder = _folder_of(rows)
    room = _LISTED
    for state in reversed(STATES):
        mine = [row for row in rows if row.state == state]
        if not mine or not room:
            continue
        title = f"{_WORDS[state]}: {counted(len(mine), 'package')}"
        if state == "fit":
            names = [row.package[len(folder) :] + _note(row) for row in mine[:room]]
            more = f" and {len(mine) - room} more" if len(mine) > room else ""
            console.print(title)
            console.print(f"  {', '.join(names)}{more}")
            continue
        cells = tuple((row.package[len(folder) :], _reason(row)) for row in mine)
        console.table(Table(columns_of("package", "because"), cells, title=title), most=room)
        if len(mine) > room:
            console.print(f"and {counted(len(mine) - room, 'more package')}")
        room -= min(room, len(mine))
    counts = Counter(row.state for row in rows)
    said = [f"{counts[state]} {_WORDS[state]}" for state in STATES if counts[state]]
    place = f" in {folder}" if folder else ""
    console.print(f"\n{counted(len(rows), 'package')}{place}: {', '.join(said)}", style="bold")
    often = Counter(cause for row in rows for cause in row.causes)
    ranked = sorted(often.items(), key=lambda pair: (-pair[1], pair[0]))[:_SHOWN]
    if ranked:
        console.print("most common causes:")
    for (name, title), number in ranked:
        console.print(f"  {counted(number, 'package')}: {title} ({name})")
    slow = sorted(rows, key=lambda row: (-row.seconds, row.package))[:_SHOWN]
    if slow:
        named = ", ".join(f"{r.package[len(folder) :]} ({r.seconds:.1f} s)" for r in slow)
        console.print(f"slowest: {named}")


def _folder_of(rows: Sequence[Row]) -> str:
    """Folder that all packages lie in, with its slash, so that no line repeats it."""
    try:
        common = os.path.commonpath([os.path.dirname(row.package) for row in rows])  # noqa: PTH120
    except ValueError:
        return ""
    return os.path.join(common, "") if common else ""  # noqa: PTH118


def _reason(row: Row) -> str:
    if row.state in ("unreadable", "broken"):
        # Its message names the package, as the line does.
        return row.words.removeprefix(f"{row.package}: ")
    named = [title for _, title in row.causes[:1]]
    if len(row.causes) > 1:
        named.append(f"{len(row.causes) - 1} more")
    return "; ".join(named) + _note(row)


def _note(row: Row) -> str:
    return " (some of it was too heavy to be judged)" if row.status == 2 else ""

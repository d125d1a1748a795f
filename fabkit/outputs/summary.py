"""What came of many packages: how many are fit, which are not and why, which took longest."""

from __future__ import annotations

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
_WORDS: Final = {
    "fit": "fit to order",
    "decide": "decide before ordering",
    "stop": "do not order",
    "unreadable": "cannot be judged",
    "broken": "fabkit broke",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """What is kept of a record: a line of the summary."""

    package: str
    state: str
    words: str
    status: int
    seconds: float
    causes: tuple[str, ...]


def row_of(record: Record) -> Row:
    """Keep of a record what the summary needs."""
    error, check = record["error"], record["check"]
    found = check["findings"] if check else ()
    causes = {f["id"]: None for f in found if f["consequence"] in ("stop", "decide")}
    causes = {f["id"]: None for f in found if f["id"] in causes and "follows" not in f}
    return Row(
        package=record["package"],
        state=record["state"],
        words=error["message"] if error else record["verdict"],
        status=record["status"],
        seconds=record.get("seconds", 0.0),
        causes=tuple(causes),
    )


def print_summary(console: Terminal, rows: Sequence[Row]) -> None:
    """Print what came of each package, in the order given; then counts, causes and the slowest."""
    cells = tuple((row.package, _WORDS[row.state], _reason(row)) for row in rows)
    console.table(Table(columns_of("package", "outcome", "because"), cells))
    counts = Counter(row.state for row in rows)
    said = [f"{counts[state]} {_WORDS[state]}" for state in STATES if counts[state]]
    console.print(f"{counted(len(rows), 'package')}: {', '.join(said)}", style="bold")
    often = Counter(cause for row in rows for cause in row.causes)
    ranked = sorted(often.items(), key=lambda pair: (-pair[1], pair[0]))[:_SHOWN]
    if ranked:
        console.print("most common causes: " + ", ".join(f"{i} ({n})" for i, n in ranked))
    slow = sorted(rows, key=lambda row: (-row.seconds, row.package))[:_SHOWN]
    if slow:
        named = ", ".join(f"{row.package} ({row.seconds:.1f} s)" for row in slow)
        console.print(f"slowest: {named}")


def _reason(row: Row) -> str:
    if row.state in ("unreadable", "broken") or not row.causes:
        return row.words if row.state != "fit" else ""
    more = len(row.causes) - 3
    return ", ".join(row.causes[:3]) + (f" and {more} more" if more > 0 else "")

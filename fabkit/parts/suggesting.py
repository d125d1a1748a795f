"""What of a board's parts was doubtful, as lines that an order file starts with."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from fabkit.base.natural import natural
from fabkit.board.model import Board
from fabkit.keyboard.kinds import stem
from fabkit.parts.bill import build_bill
from fabkit.parts.book import load_parts
from fabkit.parts.model import Found, short_runs
from fabkit.sheets.order_template import ProposedName

SURE: Final = 0.9
"""Confidence from which a place is not doubtful."""

MOST_LINES: Final = 12
"""More would hide the file's other choices."""


def suggest_names(boards: Sequence[Board]) -> tuple[ProposedName, ...]:
    """Suggest what to say of references whose kind or value the files do not state.

    Parameters
    ----------
    boards
        The designs of an order.

    Returns
    -------
    A line for the references of one stem that were taken for the same, those most in doubt first.
    """
    book = load_parts()
    keys = {part.title: part.key for part in book.parts}
    groups: dict[tuple[str, str], list[Found]] = {}
    named: dict[str, set[str]] = {}
    for board in boards:
        for found in build_bill(board, book).found:
            title = "; ".join(found.taken_for)
            for ref in found.refs:
                named.setdefault(stem(ref), set()).add(ref)
            if found.refs and found.kind != "key switch" and _doubtful(found):
                groups.setdefault((stem(found.refs[0]), title), []).append(found)
    lines = []
    for (letters, title), places in groups.items():
        refs = list(dict.fromkeys(ref for place in places for ref in place.refs))
        alone = len(refs) > 1 and set(refs) == named[letters]
        pattern = f"{letters}[0-9]*" if alone else refs[0]
        target = keys.get(title) or places[0].kind
        if target == "other":
            target = "nothing"
        why = _why(places[0], title)
        if not alone and len(refs) > 1:
            why = f"so are {short_runs(sorted(refs[1:], key=natural))}: {why}"
        sure = min(place.confidence for place in places)
        lines.append((sure, ProposedName(refs=pattern, target=target, why=why)))
    lines.sort(key=lambda line: line[0])
    return tuple(line for _, line in lines[:MOST_LINES])


def _doubtful(found: Found) -> bool:
    unstated = any(title.endswith("value not stated") for title in found.taken_for)
    return found.confidence < SURE or unstated


def _why(found: Found, title: str) -> str:
    words = title.replace(": kind and value not stated", "")
    known = f"taken for {words}" if found.kind != "other" else "no file says what they are"
    return f"{known}; {100 * found.confidence:.0f} % sure"

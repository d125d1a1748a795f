"""The parts list of an order, and what of its parts was doubtful."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

from fabkit.base.units import natural
from fabkit.board.model import Board
from fabkit.keyboard.kinds import stem
from fabkit.keyboard.ordered import as_designs, as_single, describe_order, order_of
from fabkit.parts.bill import build_bill
from fabkit.parts.book import load_parts
from fabkit.parts.model import HALVES, Bill, Found, Usage, short_runs
from fabkit.parts.places import Beside
from fabkit.sheets.order import Order, lead_numbers
from fabkit.sheets.order_template import ProposedName


def list_parts(
    boards: Board | Sequence[Board],
    order: Order | None = None,
    *,
    book: Path | str | None = None,
) -> Bill:
    """List what must be bought.

    Parameters
    ----------
    boards
        One reversible design, or the designs of ``order`` in its order.
    order
        How many of what; None: one keyboard of the reversible design.
    book
        The parts book; None takes the order's, else the bundled, invented one.

    Raises
    ------
    SheetError
        A key of the parts book is wrong.
    UsageError
        Boards and order do not belong together.
    """
    given = as_designs(boards)
    designs = as_single(given)
    wanted = order_of(designs, order)
    loaded = load_parts(book if book is not None else wanted.parts)
    leads = lead_numbers(wanted.boards)
    by_use = {wanted.boards[n].use: designs[n] for n in leads}
    whole = designs[leads[0]] if len(leads) == 1 else {half: by_use[half] for half in HALVES}
    beside = [
        Beside(board=board, name=one.name, use=one.use, count=one.per_keyboard)
        for number, (one, board) in enumerate(zip(wanted.boards, designs, strict=True))
        if number not in leads
    ]
    bill = build_bill(whole, loaded, usage=Usage.of(wanted), beside=beside)
    return replace(bill, name=wanted.name, boards=describe_order(wanted, given))


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
            for ref in found.place.refs:
                named.setdefault(stem(ref), set()).add(ref)
            if found.place.refs and found.place.kind != "key switch" and _doubtful(found):
                groups.setdefault((stem(found.place.refs[0]), title), []).append(found)
    lines = []
    for (letters, title), places in groups.items():
        refs = list(dict.fromkeys(ref for one in places for ref in one.place.refs))
        # One pattern for a stem only where no other kind of part bears it.
        alone = len(refs) > 1 and set(refs) == named[letters]
        pattern = f"{letters}[0-9]*" if alone else refs[0]
        target = keys.get(title) or places[0].place.kind
        if target == "other":
            target = "nothing"
        why = _why(places[0], title)
        if not alone and len(refs) > 1:
            why = f"so are {short_runs(sorted(refs[1:], key=natural))}: {why}"
        sure = min(one.place.confidence for one in places)
        lines.append((sure, ProposedName(refs=pattern, target=target, why=why)))
    lines.sort(key=lambda line: line[0])
    return tuple(line for _, line in lines[:MOST_LINES])


def _doubtful(found: Found) -> bool:
    unstated = any(title.endswith("value not stated") for title in found.taken_for)
    return found.place.confidence < SURE or unstated


def _why(found: Found, title: str) -> str:
    words = title.replace(": kind and value not stated", "")
    known = f"taken for {words}" if found.place.kind != "other" else "no file says what they are"
    return f"{known}; {100 * found.place.confidence:.0f} % sure"

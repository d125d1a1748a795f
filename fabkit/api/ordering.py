"""Parts, prices, and everything an order asks for."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fabkit.api.designs import as_designs, as_single, order_of
from fabkit.api.judging import check, compare_houses
from fabkit.api.reading import build_board, load_house, load_order, open_package
from fabkit.api.wiring import list_wiring
from fabkit.base.errors import UnreadableInput, UsageError
from fabkit.base.limits import DEFAULT_LIMITS, Limits

if TYPE_CHECKING:
    from fabkit.board.model import Board
    from fabkit.checks.houses import HouseVerdict
    from fabkit.checks.model import CheckOptions, CheckResult
    from fabkit.costs.facts import BoardFacts
    from fabkit.costs.model import CostSheet
    from fabkit.parts.model import Bill
    from fabkit.sheets.house import House
    from fabkit.sheets.order import Order


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
    from fabkit.keyboard.ordered import describe_order
    from fabkit.parts.bill import build_bill
    from fabkit.parts.book import load_parts
    from fabkit.parts.model import HALVES, Usage
    from fabkit.sheets.order import lead_numbers

    given = as_designs(boards)
    designs = as_single(given)
    wanted = order_of(designs, order)
    loaded = load_parts(book if book is not None else wanted.parts)
    usage = Usage.of(wanted)
    leads = lead_numbers(wanted.boards)
    by_use = {wanted.boards[n].use: designs[n] for n in leads}
    whole = designs[leads[0]] if len(leads) == 1 else {half: by_use[half] for half in HALVES}
    bill = build_bill(whole, loaded, usage=usage)
    unlisted = [
        f"parts of {one.name} are not listed here: run fabkit parts {one.package}"
        for number, (one, board) in enumerate(zip(wanted.boards, designs, strict=True))
        if number not in leads and one.use == "none" and board.components
    ]
    return dataclasses.replace(
        bill,
        name=wanted.name,
        boards=describe_order(wanted, given),
        notices=(*bill.notices, *unlisted),
    )


def quote(
    boards: Board | Sequence[Board],
    order: Order | None = None,
    *,
    bill: Bill | None = None,
    house: House | None = None,
    others: Sequence[House] = (),
    results: Sequence[CheckResult] | None = None,
    today: date | None = None,
) -> CostSheet:
    """Price an order: per board, per half and per keyboard over several quantities.

    Parameters
    ----------
    boards
        One reversible design, or the designs of ``order`` in its order.
    order
        How many of what, with which options; None: one keyboard, usual options.
    bill
        Parts list; None prices bare boards.
    house, others
        The house ordered from (None: the bundled, invented one), and others to compare with.
    results
        Verdicts of the boards, which tell whether the fine class is needed; None finds them.
    today
        For the age of prices; None leaves it unjudged.

    Raises
    ------
    UsageError
        Boards and order do not belong together, or a board has no size.
    """
    from fabkit.costs.quote import quote as price
    from fabkit.keyboard.ordered import describe_order
    from fabkit.sheets.order import settle_thickness

    designs = as_designs(boards)
    wanted = order_of(designs, order)
    sheet = house or load_house()
    wanted = settle_thickness(wanted, [b.thickness_mm for b in designs], sheet)
    verdicts = results or [
        check(b, sheet, options=dataclasses.replace(judged_by(wanted), use=one.stated))
        for b, one in zip(designs, wanted.boards, strict=True)
    ]
    facts = _facts(wanted, designs, verdicts)
    priced = price(facts, bill, sheet, wanted, others=others, today=today)
    return dataclasses.replace(priced, boards=describe_order(wanted, designs))


def order(
    wanted: Order | Path | str,
    folder: Path | str,
    *,
    replace: bool = False,
    today: date | None = None,
    limits: Limits = DEFAULT_LIMITS,
    old: Path | str | None = None,
    tell: Callable[[str], None] = lambda _: None,
    note: Callable[[str], None] = lambda _: None,
) -> dict[str, Any]:
    """Do everything an order asks for, into one folder that is replaced only when whole.

    Parameters
    ----------
    wanted
        The order, or the path of an order file.
    folder
        Where the outputs go; an old order folder is replaced, any other is refused.
    replace
        Whether outputs changed by hand may be overwritten.
    today
        For the age of prices; None leaves it unjudged.
    limits
        Bounds on what the packages may ask of the machine.
    old
        Package of the old revision, for an order of one design: the report then shows what
        changed.
    tell
        Told what is being done now.
    note
        Told what stopped runs left and what became of it, and which sheets were edited meanwhile.

    Returns
    -------
    dict
        The manifest.

    Raises
    ------
    FabkitError
        An input cannot be used, or the folder cannot be written.
    """
    from fabkit.checks.houses import judge_house
    from fabkit.outputs.order_folder import (
        JudgedBoard,
        OrderContents,
        write_order,
    )
    from fabkit.outputs.whole_folder import settle_place
    from fabkit.sheets.order import settle_thickness

    asked = wanted if not isinstance(wanted, Path | str) else load_order(wanted)
    target = Path(folder)
    if old is not None and len(asked.boards) != 1:
        raise UsageError(
            f"the order has {len(asked.boards)} designs, and one package to compare with",
            hint="compare each design by itself: fabkit compare OLD NEW",
        )
    _, notes = settle_place(target, replace=replace)
    for healed in notes:
        note(healed)
    sources = _sheet_bytes(asked)
    house, *others = [load_house(path) for path in asked.houses or (None,)]
    boards = []
    for one in asked.boards:
        tell(f"reading {one.name}")
        boards.append(build_board(open_package(one.package, limits=limits, roles=one.roles)))
    asked = settle_thickness(order_of(boards, asked), [b.thickness_mm for b in boards], house)
    right = next((b for o, b in zip(asked.boards, boards, strict=True) if o.use == "right"), None)
    judged = []
    for one, board in zip(asked.boards, boards, strict=True):
        tell(f"checking {one.name}")
        options = dataclasses.replace(judged_by(asked), use=one.stated)
        other_half = right if one.use == "left" else None
        result = check(board, house, options=options, other_half=other_half)
        tell(f"comparing houses for {one.name}" if others else f"checked {one.name}")
        compared: tuple[HouseVerdict, ...] = ()
        if others:
            # The verdict of the house ordered from is there already.
            compared = (judge_house(house, result), *compare_houses(board, others, options=options))
        judged.append(JudgedBoard(ordered=one, board=board, result=result, houses=compared))
    tell("listing the parts")
    bill = list_parts(boards, asked)
    tell("pricing")
    costs = quote(
        boards,
        asked,
        bill=bill,
        house=house,
        others=others,
        results=[j.result for j in judged],
        today=today,
    )
    since = None
    if old is not None:
        from fabkit.api.comparing import compare_order

        before = build_board(open_package(old, limits=limits))
        since = compare_order(before, judged[0].board, judged[0].result, asked, house, tell=tell)
    tell("finding the wiring")
    contents = OrderContents(
        compared=since,
        wiring=list_wiring(boards, asked),
        order=asked,
        house=house,
        boards=tuple(judged),
        facts=_facts(asked, boards, [j.result for j in judged]),
        bill=bill,
        costs=costs,
        sources=sources,
        today=today,
    )
    for name in _edited(asked, sources):
        if name != Path(asked.file).name:
            raise UnreadableInput(
                f"{name} was changed while it was read", hint="save it, then run again"
            )
    manifest = write_order(
        contents,
        target,
        reopen=lambda part: build_board(open_package(part, limits=limits)),
        tell=tell,
        replace=replace,
    )
    for name in _edited(asked, sources):
        note(f"{name} was changed while the order ran; run again to order by what it is now")
    return manifest


def _facts(
    order: Order, boards: Sequence[Board], verdicts: Sequence[CheckResult]
) -> tuple[BoardFacts, ...]:
    """What a house charges by, of each design; the verdicts tell who needs the fine class."""
    from fabkit.costs.facts import facts_from_board, measure_cover

    return tuple(
        dataclasses.replace(
            facts_from_board(b, copper_cover=measure_cover(b), needs_fine=r.needs_fine),
            name=one.name,
        )
        for one, b, r in zip(order.boards, boards, verdicts, strict=True)
    )


def judged_by(order: Order) -> CheckOptions:
    """What an order means for the checks."""
    from fabkit.checks.model import CheckOptions

    choice = order.choice
    return CheckOptions(
        thickness_mm=float(choice.thickness_mm),
        copper_oz=float(choice.copper_oz),
        colour=choice.colour,
        finish=choice.finish,
        silenced=order.silenced,
    )


def _sheet_bytes(order: Order) -> dict[str, bytes]:
    """The order file as it was read, and the sheets it names as they are now."""
    from fabkit.sheets.toml_text import sheet_bytes

    own = {Path(order.file).name: order.data} if order.file else {}
    paths = (*order.houses, *filter(None, [order.parts]))
    return own | {path.name: sheet_bytes(path) for path in paths}


def _edited(order: Order, read: Mapping[str, bytes]) -> list[str]:
    """Names of the order file and sheets whose bytes are no longer those that were read."""
    own = [Path(order.file)] if order.file and Path(order.file).is_file() else []
    paths = (*own, *order.houses, *filter(None, [order.parts]))
    return [path.name for path in paths if _now(path) != read[path.name]]


def _now(path: Path) -> bytes | None:
    """The bytes of a file now; None when it is gone."""
    try:
        return path.read_bytes()
    except OSError:
        return None

"""Everything an order asks for, done together."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date
from pathlib import Path

from fabkit.base.errors import TooHeavy, UnreadableInput, UsageError
from fabkit.base.limits import DEFAULT_LIMITS, Limits
from fabkit.board.build import build_board
from fabkit.checks.houses import HouseVerdict, compare_houses, judge_house
from fabkit.checks.judging import check
from fabkit.checks.model import CheckOptions
from fabkit.compare.boards import compare_boards
from fabkit.costs.facts import facts_of_order
from fabkit.keyboard.ordered import order_of, with_edge
from fabkit.mending.mend import mend
from fabkit.mending.model import Mended
from fabkit.outputs.model import JudgedBoard, OrderContents, OrderResult
from fabkit.outputs.order_folder import write_order
from fabkit.outputs.pricing import quote
from fabkit.outputs.revisions import Compared, weigh_changes
from fabkit.outputs.whole_folder import settle_place
from fabkit.package.reading import open_package
from fabkit.parts.listing import list_parts
from fabkit.sheets.house import load_house
from fabkit.sheets.order import Order, load_order, settle_thickness
from fabkit.sheets.toml_text import sheet_bytes
from fabkit.wiring.listing import list_wiring
from fabkit.wiring.model import Wiring


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
) -> OrderResult:
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
        Called with a few words on what is being done now.
    note
        Called with what stopped runs left and what became of it, and with the sheets that were
        edited meanwhile.

    Returns
    -------
    OrderResult
        The boards with their verdicts and zips, parts, costs, wiring, and the manifest.

    Raises
    ------
    FabkitError
        An input cannot be used, or the folder cannot be written.
    """
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
    repaired: list[Mended | None] = []
    for one in asked.boards:
        tell(f"reading {one.name}")
        board = build_board(open_package(one.package, limits=limits, roles=one.roles))
        made = mend(board, house, tell=tell) if asked.mend else None
        repaired.append(made)
        board = made.after if made else board
        boards.append(with_edge(board, one))
    asked = settle_thickness(order_of(boards, asked), [b.thickness_mm for b in boards], house)
    right = next((b for o, b in zip(asked.boards, boards, strict=True) if o.use == "right"), None)
    judged = []
    for one, board, made in zip(asked.boards, boards, repaired, strict=True):
        tell(f"checking {one.name}")
        options = CheckOptions.of(asked, use=one.stated)
        other_half = right if one.use == "left" else None
        result = check(board, house, options=options, other_half=other_half)
        tell(f"comparing houses for {one.name}" if others else f"checked {one.name}")
        compared: tuple[HouseVerdict, ...] = ()
        if others:
            # The verdict of the house ordered from is there already.
            compared = (judge_house(house, result), *compare_houses(board, others, options=options))
        judged.append(
            JudgedBoard(ordered=one, board=board, result=result, houses=compared, mended=made)
        )
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
        before = build_board(open_package(old, limits=limits))
        comparison = compare_boards(before, judged[0].board, tell=tell)
        weighed = weigh_changes(
            comparison, order=asked, house=house, result=judged[0].result, tell=tell
        )
        since = Compared(comparison=comparison, consequences=weighed)
    tell("finding the wiring")
    try:
        wiring = list_wiring(boards, asked)
    except TooHeavy as error:
        said = f"not found: {error.message}"
        wiring = Wiring(name=asked.name, source="", rule=(said,), first=0, halves=(), problems=())
    contents = OrderContents(
        compared=since,
        wiring=wiring,
        order=asked,
        house=house,
        boards=tuple(judged),
        facts=facts_of_order(asked, boards, [j.result for j in judged]),
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
    done = write_order(contents, target, tell=tell, replace=replace)
    for name in _edited(asked, sources):
        note(f"{name} was changed while the order ran; run again to order by what it is now")
    return done


def _sheet_bytes(order: Order) -> dict[str, bytes]:
    """Read the sheets that an order names, and give them with the order file as it was read."""
    own = {Path(order.file).name: order.data} if order.file else {}
    paths = (*order.houses, *filter(None, [order.parts]))
    return own | {path.name: sheet_bytes(path) for path in paths}


def _edited(order: Order, read: Mapping[str, bytes]) -> list[str]:
    """Names of the order file and sheets whose bytes are no longer those that were read."""
    own = [Path(order.file)] if order.file and Path(order.file).is_file() else []
    paths = (*own, *order.houses, *filter(None, [order.parts]))
    return [path.name for path in paths if _now(path) != read[path.name]]


def _now(path: Path) -> bytes | None:
    """Read the bytes of a file now; None when it is gone."""
    try:
        return path.read_bytes()
    except OSError:
        return None

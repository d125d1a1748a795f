"""Everything an order asks for, done together."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from dataclasses import replace as with_fields
from datetime import date
from pathlib import Path

from fabkit.base.errors import TooHeavy, UnreadableInput, UsageError
from fabkit.base.limits import DEFAULT_LIMITS, Limits
from fabkit.board.build import build_board
from fabkit.board.model import Board
from fabkit.checks.judging import HouseVerdict, check, compare_houses, judge_house
from fabkit.checks.model import CheckOptions
from fabkit.compare.boards import compare_boards
from fabkit.costs.model import facts_of_order
from fabkit.keyboard.ordered import order_of, with_edge
from fabkit.mending.mend import MendOptions, mend
from fabkit.mending.model import Mended, choose
from fabkit.outputs.model import JudgedBoard, OrderContents, OrderResult
from fabkit.outputs.order_folder import write_order
from fabkit.outputs.pricing import Compared, quote, weigh_changes
from fabkit.outputs.terminal import Tell
from fabkit.outputs.watching import sheets_of
from fabkit.outputs.whole_folder import settle_place
from fabkit.package.reading import open_package
from fabkit.parts.listing import list_parts
from fabkit.sheets.house import House, load_house
from fabkit.sheets.order import Order, load_order
from fabkit.sheets.toml_text import sheet_bytes
from fabkit.wiring.build import list_wiring
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
    sources = source_bytes(asked)
    houses = houses_of(asked)
    designs = read_designs(asked, houses[0], limits=limits, tell=tell)
    asked = settle_order(asked, designs, houses[0])
    judged = judge_designs(asked, designs, houses, tell=tell)
    since = None
    if old is not None:
        before = build_board(open_package(old, limits=limits))
        since = changes_since(before, asked, judged[0], houses[0], tell=tell)
    contents = reckon(asked, judged, houses, today=today, tell=tell)
    contents = with_fields(contents, sources=sources, compared=since)
    for name in _edited(asked, sources):
        if name != Path(asked.file).name:
            raise UnreadableInput(
                f"{name} was changed while it was read", hint="save it, then run again"
            )
    done = write_order(contents, target, tell=tell, replace=replace)
    for name in _edited(asked, sources):
        note(f"{name} was changed while the order ran; run again to order by what it is now")
    return done


@dataclass(frozen=True, eq=False, kw_only=True)
class Design:
    """One design of an order as it was read; ``mended`` where the files were mended first."""

    board: Board
    mended: Mended | None = None


def houses_of(order: Order) -> tuple[House, ...]:
    """Load the sheets of an order: first the house ordered from, then those to compare."""
    return tuple(load_house(path) for path in order.houses or (None,))


def read_designs(
    order: Order, house: House, *, limits: Limits = DEFAULT_LIMITS, tell: Tell
) -> tuple[Design, ...]:
    """Read every design of an order, mended where that is wanted, with the edge it states."""
    try:
        choose(order.mend_with, ())
    except UsageError as error:
        place = order.place_of_corrections()
        raise UsageError(f"{place}{error.message}", hint=error.hint) from None
    options = MendOptions(asked=order.mend_with)
    designs = []
    for one in order.boards:
        tell(f"reading {one.name}")
        board = build_board(open_package(one.package, limits=limits, roles=one.roles))
        made = mend(board, house, options=options, tell=tell) if order.mend else None
        designs.append(Design(board=with_edge(made.after if made else board, one), mended=made))
    return tuple(designs)


def settle_order(order: Order, designs: Sequence[Design], house: House) -> Order:
    """Take from the files what the order leaves to them: what each board is, and the thickness."""
    return order_of([design.board for design in designs], order, house=house)


def judge_designs(
    order: Order, designs: Sequence[Design], houses: Sequence[House], *, tell: Tell
) -> tuple[JudgedBoard, ...]:
    """Check every design of a settled order, and compare the houses where there are several."""
    house, *others = houses
    pairs = list(zip(order.boards, designs, strict=True))
    right = next((design.board for one, design in pairs if one.use == "right"), None)
    judged = []
    for one, design in pairs:
        tell(f"checking {one.name}")
        options = CheckOptions.of(order, use=one.stated)
        other_half = right if one.use == "left" else None
        result = check(design.board, house, options=options, other_half=other_half)
        tell(f"comparing houses for {one.name}" if others else f"checked {one.name}")
        compared: tuple[HouseVerdict, ...] = ()
        if others:
            # The verdict of the house ordered from is there already.
            elsewhere = compare_houses(design.board, others, options=options)
            compared = (judge_house(house, result), *elsewhere)
        judged.append(
            JudgedBoard(
                ordered=one,
                board=design.board,
                result=result,
                houses=compared,
                mended=design.mended,
            )
        )
    return tuple(judged)


def changes_since(
    before: Board, order: Order, judged: JudgedBoard, house: House, *, tell: Tell
) -> Compared:
    """Compare the one design of a settled order with the revision before."""
    comparison = compare_boards(before, judged.board, tell=tell)
    weighed = weigh_changes(comparison, order=order, house=house, result=judged.result, tell=tell)
    return Compared(comparison=comparison, consequences=weighed)


def reckon(
    order: Order,
    judged: Sequence[JudgedBoard],
    houses: Sequence[House],
    *,
    today: date | None = None,
    tell: Tell,
) -> OrderContents:
    """List parts, price and find the wiring of a settled order whose designs are judged."""
    house, *others = houses
    boards, results = [j.board for j in judged], [j.result for j in judged]
    tell("listing the parts")
    bill = list_parts(boards, order)
    tell("pricing")
    costs = quote(
        boards, order, bill=bill, house=house, others=others, results=results, today=today
    )
    tell("finding the wiring")
    try:
        wiring = list_wiring(boards, order)
    except TooHeavy as error:
        said = f"not found: {error.message}"
        wiring = Wiring(name=order.name, source="", rule=(said,), first=0, halves=(), problems=())
    return OrderContents(
        wiring=wiring,
        order=order,
        house=house,
        boards=tuple(judged),
        facts=facts_of_order(order, boards, results),
        bill=bill,
        costs=costs,
        sources={},
        today=today,
    )


def source_bytes(order: Order) -> dict[str, bytes]:
    """Read the sheets that an order names, and give them with the order file as it was read."""
    own = {Path(order.file).name: order.data} if order.file else {}
    return own | {path.name: sheet_bytes(path) for path in sheets_of(order)}


def _edited(order: Order, read: Mapping[str, bytes]) -> list[str]:
    """Names of the order file and sheets whose bytes are no longer those that were read."""
    own = [Path(order.file)] if order.file and Path(order.file).is_file() else []
    return [path.name for path in (*own, *sheets_of(order)) if _now(path) != read[path.name]]


def _now(path: Path) -> bytes | None:
    """Read the bytes of a file now; None when it is gone."""
    try:
        return path.read_bytes()
    except OSError:
        return None

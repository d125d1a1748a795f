"""What the boards of an order are, and the order that a set of packages calls for."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import takewhile
from pathlib import Path
from typing import Final

from fabkit.base.errors import UsageError
from fabkit.base.limits import DEFAULT_LIMITS, Limits
from fabkit.base.units import counted, natural
from fabkit.board.build import build_board
from fabkit.board.model import Board
from fabkit.board.single import choose_edge, single_board
from fabkit.demo import find_demo
from fabkit.keyboard.build import describe, find_keyboard
from fabkit.keyboard.footprints import read_lands
from fabkit.keyboard.hands import FEWEST_LANDS, named_hand
from fabkit.keyboard.model import BoardIs, Hand, Hands
from fabkit.package.naming import names_something
from fabkit.package.reading import find_packages, open_package
from fabkit.sheets.house import House
from fabkit.sheets.order import (
    BESIDE,
    BoardUse,
    Order,
    OrderedBoard,
    boards_of,
    design_name,
    find_wrong_count,
    halves_of,
    order_for,
    package_stem,
    settle_thickness,
)
from fabkit.sheets.order_template import ProposedBoard


def as_designs(boards: Board | Sequence[Board]) -> tuple[Board, ...]:
    """Boards as a tuple, also when one is given alone."""
    return (boards,) if isinstance(boards, Board) else tuple(boards)


def as_single(boards: Board | Sequence[Board]) -> tuple[Board, ...]:
    """Boards as a tuple, each panel of equal boards as one of its boards."""
    return tuple(single_board(board) for board in as_designs(boards))


def require_same_count(boards: Sequence[Board], order: Order) -> None:
    """Refuse boards that are more or fewer than the order's designs.

    Raises
    ------
    UsageError
        They are.
    """
    if len(boards) != len(order.boards):
        raise UsageError(
            f"the order has {len(order.boards)} designs, but {len(boards)} boards were given",
            hint="give one board for each [[board]] of the order, in its order",
        )


def order_of(boards: Sequence[Board], order: Order | None, *, house: House | None = None) -> Order:
    """Make the order for some boards, each settled by its files where its use is not stated.

    Parameters
    ----------
    order
        As loaded; None orders one keyboard of the first board.
    house
        Whose thicknesses are offered: by it the thickness is settled, too, where it is left open.

    Raises
    ------
    UsageError
        The order has more or fewer designs.
    """
    wanted = order or order_for(boards[0].package.source)
    require_same_count(boards, wanted)
    if not wanted.file and len(boards) == 1:
        (one,), name = wanted.boards, boards[0].name
        # An order without a file was named by a path; the board may know better.
        if one.package is not None and wanted.name == one.name == package_stem(Path(one.package)):
            wanted = replace(wanted, name=name, boards=(replace(one, name=name),))
    settled = settle_uses(wanted, boards)
    if house is None:
        return settled
    return settle_thickness(settled, [board.thickness_mm for board in boards], house)


def settle_uses(order: Order, boards: Sequence[Board]) -> Order:
    """Take what each board is from its files where the user did not state it.

    Returns
    -------
    Order
        With use, halves and boards per keyboard of every design settled.  A lone half for one
        hand is counted as if the other hand's half were a design of the same price; a half or
        plate with its counterpart for the other hand counts once a keyboard.

    Raises
    ------
    UsageError
        The boards of one keyboard do not give two halves.
    """
    pairs = zip(order.boards, boards, strict=True)
    hands = [find_keyboard(board, one.stated).hands for one, board in pairs]
    # A circuit board has its counterpart in a circuit board, a plate in a plate.
    sides = [(h.use not in BESIDE, h.groups[0].hand if len(h.groups) == 1 else "") for h in hands]
    settled = []
    for one, found, (half, hand) in zip(order.boards, hands, sides, strict=True):
        if one.stated is None:
            one = replace(one, use=found.use)
        if not one.counted and (one.stated is None or one.use == "plate"):
            halves = plate_halves(found)
            paired = hand in _OTHER and (half, _OTHER[hand]) in sides
            once = one.use == "none" or (paired and halves == 1)
            one = replace(one, halves=halves, per_keyboard=1 if once else 2 // halves)
        settled.append(one)
    wrong = find_wrong_count(settled)
    if wrong is not None:
        name = settled[wrong.number].name
        raise UsageError(
            f"{order.name}: {wrong.message} ({name})", hint=f"expected {wrong.expected}"
        )
    return replace(order, boards=tuple(settled))


def with_edge(board: Board, one: OrderedBoard) -> Board:
    """Give the board with the edge that the order file states; as it is where it states none.

    Raises
    ------
    UsageError
        There is no such reading of its outline, or no single board.
    """
    if one.edge is None:
        return board
    try:
        return choose_edge(board, one.edge)
    except UsageError as error:
        raise UsageError(f"{one.name}: {error.message}", hint=error.hint) from error


_OTHER = {"left": "right", "right": "left"}


def plate_halves(hands: Hands) -> int:
    """Halves one board serves; a plate serves those its openings are for."""
    if hands.use == "plate" and hands.groups:
        return 2 if len(hands.groups) == 2 or hands.groups[0].hand == "whole" else 1
    return hands.halves or halves_of(hands.use)


def describe_order(order: Order, boards: Sequence[Board]) -> tuple[BoardIs, ...]:
    """Say what each board of a settled order is, and in its headline how a lone half is counted."""
    return tuple(
        replace(said, headline="; ".join(t for t in (said.headline, counted_as(one)) if t))
        for one, board in zip(order.boards, boards, strict=True)
        for said in [describe(board, one.stated, name=one.name)]
    )


def counted_as(one: OrderedBoard) -> str:
    """State what was assumed to count a lone half for one hand; empty for every other board."""
    if one.stated is None and one.use in ("left", "right") and one.per_keyboard == 2:
        other = "right" if one.use == "left" else "left"
        return f"the {other} half is counted as another board of the same price"
    return ""


_MOST_OF_KEYS: Final = 0.5
"""A plate with openings for at least this share of the keys holds the switches; another plate,
such as a middle layer, may have a few openings of a like size."""

_ALIKE_MM: Final = 1.0
"""Plates of a left and a right half are of one size (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """What an order file would hold: name of the keyboard, and its boards.

    ``read`` holds the board of each, as it was read.
    """

    name: str
    boards: tuple[ProposedBoard, ...]
    read: tuple[Board, ...] = ()

    @property
    def chosen(self) -> list[Board]:
        """Boards that are ordered, as they were read."""
        return [read for one, read in zip(self.boards, self.read, strict=True) if one.chosen]


def propose_order(
    *packages: Path | str,
    right: Path | str | None = None,
    name: str | None = None,
    use: BoardUse | None = None,
    path_of: Callable[[Path], str] = str,
    roles: Mapping[str, str] | None = None,
    limits: Limits = DEFAULT_LIMITS,
    tell: Callable[[str], None] = lambda _: None,
) -> Proposal:
    """Propose an order of one or more packages.

    Parameters
    ----------
    packages
        Packages, or folders that hold several.
    right
        Package of the right half; the only one of ``packages`` is the left one then.
    name
        Name of the keyboard; None takes that of the package, or of the folder it lies in where its
        own names nothing (``gerbers``).
    use
        What one board is; None leaves it to the files.
    path_of
        How a path is written in the order file.
    roles
        What files of the first package are, by name; for a single package.
    limits
        Bounds on what the packages may ask of the machine.
    tell
        Called with a few words on what is being done now.

    Raises
    ------
    FabkitError
        A package cannot be used.
    UsageError
        None is named; roles or a use are stated of several, or a right half besides several.
    """
    sources = [find_demo(Path(package), usual="rev-b") for package in packages]
    if not sources or (right and len(sources) > 1):
        raise UsageError(
            f"{counted(len(sources), 'package')} named{' and a right half' if right else ''}",
            hint="name the packages of the order, or a left half and with --right the right one",
        )
    inside = (path for source in sources for path in find_packages(source, limits=limits))
    paths = (sources[0], Path(right)) if right else tuple(dict.fromkeys(inside))
    if len(paths) > 1 and right is None and (use or roles):
        raise UsageError(
            f"there are {len(paths)} packages; --board and --role are for one",
            hint="leave them out, and write 'is' and roles into the order file",
        )
    stated: list[BoardUse | None] = ["left", "right"] if right else [use] * len(paths)
    boards = []
    for number, path in enumerate(paths):
        tell(f"reading {path}")
        mine = roles if number == 0 else None
        boards.append(build_board(open_package(path, limits=limits, roles=mine)))
    home = sources[0].resolve() if len(sources) == 1 else _shared_folder(sources)
    title = name or _title(home, boards[0].name if len(paths) == 1 else "")
    written = [path_of(path) for path in paths]
    proposed = propose_boards(title, list(zip(written, boards, strict=True)), stated)
    if roles:
        proposed = tuple(
            replace(one, roles=roles) if one.package == written[0] else one for one in proposed
        )
    by_path = dict(zip(written, boards, strict=True))
    read = tuple(by_path[one.package] for one in proposed)
    return Proposal(name=title, boards=proposed, read=read)


def _shared_folder(sources: Sequence[Path]) -> Path:
    """Folder that all of several packages lie in, somewhere."""
    first, *rest = (source.resolve().parents for source in sources)
    # On another drive there is none.
    return next((f for f in first if all(f in folders for folders in rest)), first[0])


def _title(home: Path, own: str) -> str:
    """Name of a keyboard: the package's own, else the folder's, else that of the folder above."""
    names = [own, home.name, home.parent.name]
    return next(filter(names_something, names), own or home.name)


@dataclass(frozen=True, eq=False, kw_only=True)
class _Found:
    """One package of a folder, read."""

    package: str
    board: Board
    said: BoardIs
    hand: Hand | None
    stated: BoardUse | None
    usual: int
    """Boards of it in a keyboard, as its files have it."""

    @property
    def size(self) -> tuple[float, float]:
        """Width and height, mm."""
        return self.board.size_mm

    @property
    def keys(self) -> int:
        """Keys of one half; of a plate all its openings."""
        keyboard = self.said.keyboard
        halves = (keyboard.group_counts(group)[1] for group in keyboard.hands.groups)
        return keyboard.counts[1] if self.said.use == "plate" else max(halves, default=0)

    def serves(self, lead: _Found) -> int:
        """Halves of a board that this plate's openings are enough for: 0, 1 or 2."""
        if self.said.use != "plate" or self.keys < _MOST_OF_KEYS * lead.keys:
            return 0
        return 2 if self.keys >= (1 + _MOST_OF_KEYS) * lead.keys else 1


@dataclass(frozen=True, slots=True, kw_only=True)
class _Choice:
    """Whether a package belongs to the order, as what, how often, and why."""

    use: BoardUse
    count: int
    why: str = ""
    chosen: bool = True


def propose_boards(
    keyboard: str,
    packages: Sequence[tuple[str, Board]],
    stated: Sequence[BoardUse | None] = (),
) -> tuple[ProposedBoard, ...]:
    """Propose which boards to order for a keyboard.

    Parameters
    ----------
    keyboard
        Its name; designs are named after it.
    packages
        Path as it will stand in the order file, and board, of each.
    stated
        What each is by the user's word; empty or None leaves it to the files.

    Returns
    -------
    tuple of ProposedBoard
        Boards that give the halves first, then plates; those that are not proposed stand last,
        with the reason.
    """
    words = stated or [None] * len(packages)
    found = [_read(path, board, word) for (path, board), word in zip(packages, words, strict=True)]
    if len(found) == 1:
        one = found[0]
        # A lone half is counted twice by its files; stated, the other half would be missed.
        lone = one.said.use in ("left", "right") and one.stated is None
        return (_proposed(one, _Choice(use=one.said.use, count=0), name="", alone=lone),)
    found.sort(key=lambda f: natural(f.package))
    choices = {f.package: choice for f, choice in _choose(found)}
    ordered = [f for f in found if choices[f.package].chosen]
    uses = [choices[f.package].use for f in ordered]
    made = []
    for one in found:
        choice = choices[one.package]
        alone = choice.chosen and uses.count(choice.use) == 1
        name = design_name(keyboard, Path(one.package), choice.use if alone else "")
        lone = choice.use in ("left", "right") and not {"left", "right"} <= set(uses)
        made.append(_proposed(one, choice, name=name, alone=lone and one.stated is None))
    return tuple(sorted(made, key=lambda b: (not b.chosen, b.use in BESIDE, b.use == "right")))


def _read(package: str, board: Board, stated: BoardUse | None) -> _Found:
    said = describe(board, stated)
    hands = said.hands
    one = len(hands.groups) == 1 and hands.groups[0].hand != "whole"
    hand = hands.groups[0].hand if one else named_hand(board) if not hands.groups else None
    usual = 2 // plate_halves(hands) if said.use == "plate" else boards_of(said.use)
    return _Found(package=package, board=board, said=said, hand=hand, stated=stated, usual=usual)


def _proposed(one: _Found, choice: _Choice, *, name: str, alone: bool) -> ProposedBoard:
    said = one.said
    found = f"{said.headline}: {said.hands.why}"
    return ProposedBoard(
        package=one.package,
        name=name,
        use=choice.use,
        per_keyboard=choice.count or None,
        usual=one.usual if choice.use == one.said.use else None,
        stated=not alone,
        chosen=choice.chosen,
        reasons=tuple(t for t in (found, said.hands.contradiction, choice.why) if t),
    )


def _choose(found: Sequence[_Found]) -> Iterator[tuple[_Found, _Choice]]:
    giving = [f for f in found if f.said.use not in BESIDE]
    leads = _leads(giving)
    for one in giving:
        if one in leads:
            yield one, _Choice(use=one.said.use, count=0)
        else:
            why = f"left out: the halves of this order are those of {_names(leads)}"
            yield one, _Choice(use=one.said.use, count=0, why=why, chosen=False)
    yield from _beside([f for f in found if f.said.use in BESIDE], leads)


def _leads(giving: Sequence[_Found]) -> list[_Found]:
    """Choose the boards that give the halves; of several the last by name: the newest revision."""
    whole = [f for f in giving if f.said.use not in ("left", "right")]
    if whole:
        return whole[-1:]
    hands = [[f for f in giving if f.said.use == use] for use in ("left", "right")]
    return [side[-1] for side in hands if side]


def _beside(rest: Sequence[_Found], leads: Sequence[_Found]) -> Iterator[tuple[_Found, _Choice]]:
    """Plates and other boards that go with the boards that give the halves."""
    holding = [f for f in rest if leads and f.serves(leads[0])]
    best = _switch_plates(holding, leads)
    for one in rest:
        if one in holding and one not in best:
            why = f"left out: {_names(best)} fits the same switches better, by keys and size"
            yield one, _Choice(use="plate", count=_count(one, rest, leads), why=why, chosen=False)
        elif one.said.use == "plate" or one.stated == "plate" or _is_bare(one, leads):
            plain = "" if one.said.use == "plate" else "hardly any copper to solder to: a plate"
            yield one, _Choice(use="plate", count=_count(one, rest, leads), why=plain)
        elif leads:
            why = "no keyboard: take the # away if it belongs to it, and say how many"
            yield one, _Choice(use="none", count=1, why=why, chosen=False)
        else:
            yield one, _Choice(use="none", count=1)


def _is_bare(one: _Found, leads: Sequence[_Found]) -> bool:
    """Whether it has fewer lands than the keyboard's switches alone would need."""
    fewest = FEWEST_LANDS * max((f.keys for f in leads), default=0)
    return len(read_lands(one.board).table) < fewest


def _names(found: Sequence[_Found]) -> str:
    return " and ".join(Path(f.package).name for f in found)


def _switch_plates(holding: Sequence[_Found], leads: Sequence[_Found]) -> list[_Found]:
    """Choose the plate that fits best by keys and size, and its counterpart for the other hand."""
    if not holding:
        return []
    lead = leads[0]

    def unfit(one: _Found) -> tuple[int, float, int]:
        off = sum(abs(a - b) for a, b in zip(one.size, lead.size, strict=True))
        return abs(one.keys - one.serves(lead) * lead.keys), round(off, 1), -_shared(one, lead)

    best = min(holding, key=unfit)
    pairs = [f for f in holding if _are_pair(f, best) and f.keys == best.keys]
    return [best, *pairs[:1]]


def _shared(one: _Found, other: _Found) -> int:
    """How many folders two packages share: revisions lie in folders of their own."""
    together = zip(Path(one.package).parts, Path(other.package).parts, strict=False)
    return sum(1 for _ in takewhile(lambda pair: pair[0] == pair[1], together))


def _are_pair(one: _Found, other: _Found) -> bool:
    """Whether two plates are the left and the right one of a keyboard."""
    hands = {one.hand, other.hand} == {"left", "right"}
    return hands and all(abs(a - b) < _ALIKE_MM for a, b in zip(one.size, other.size, strict=True))


def _count(one: _Found, rest: Sequence[_Found], leads: Sequence[_Found]) -> int:
    """Plates in one keyboard: by openings for switches, else by size beside the other boards."""
    if any(_are_pair(one, other) for other in rest):
        return 1
    if not leads:
        return 2 // plate_halves(find_keyboard(one.board).hands)
    if one.serves(leads[0]):
        return 2 // one.serves(leads[0])
    per_keyboard = 2 if len(leads) == 2 else boards_of(leads[0].said.use)
    # A plate half as large as a board of both halves is needed twice.
    whole, mine = (width * height for width, height in (leads[0].size, one.size))
    return per_keyboard * max(1, round(whole / mine)) if mine > 0 else per_keyboard

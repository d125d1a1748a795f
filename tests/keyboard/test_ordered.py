"""What the boards of an order are, once their files are read."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from shapely import MultiPolygon

import fabkit
from fabkit.base.errors import UsageError
from fabkit.board.model import Board
from fabkit.board.single import cut_out
from fabkit.keyboard.ordered import describe_order, settle_uses, with_edge
from fabkit.sheets.house import load_house
from fabkit.sheets.order import Order, OrderedBoard, order_from, ordered_board
from fabkit.sheets.toml_text import parse_sheet

FIXTURES = Path(__file__).parents[2] / "fixtures"


@pytest.fixture(scope="module")
def boards() -> dict[str, Board]:
    """A pair, a plate for both halves, a panel, and a board that is no keyboard."""
    paths = {
        "left": FIXTURES / "pair" / "left",
        "right": FIXTURES / "pair" / "right",
        "both": FIXTURES / "kinds" / "both-equal",
        "plate": FIXTURES / "kinds" / "plate",
        "panel": FIXTURES / "kinds" / "panel-scored",
        "none": FIXTURES / "defects" / "clean",
    }
    return {k: fabkit.build_board(fabkit.open_package(path)) for k, path in paths.items()}


def order_of(*boards: OrderedBoard) -> Order:
    """An order of some designs."""
    return Order(name="Redwing", file="order.toml", invented=True, boards=boards)


def unstated(name: str) -> OrderedBoard:
    """A design of which nobody said what it is."""
    return ordered_board(Path(name), name=name, use=None)


def counts(order: Order) -> list[tuple[str, int]]:
    """What each board is, and how many of it a keyboard takes."""
    return [(one.use, one.per_keyboard) for one in order.boards]


def test_a_pair_and_its_plate_are_counted_by_their_files(boards: dict[str, Board]) -> None:
    """One of each half a keyboard, and one plate that has openings for both."""
    order = order_of(*(unstated(name) for name in ("plate", "right", "left")))
    settled = settle_uses(order, [boards[n] for n in ("plate", "right", "left")])

    assert counts(settled) == [("plate", 1), ("right", 1), ("left", 1)]


def test_a_lone_half_beside_a_plate_is_counted_twice(boards: dict[str, Board]) -> None:
    """The other half is taken as equal, and the headline says so."""
    order = order_of(unstated("left"), unstated("plate"))
    given = [boards["left"], boards["plate"]]
    settled = settle_uses(order, given)

    assert counts(settled) == [("left", 2), ("plate", 1)]
    assert "the right half is counted" in describe_order(settled, given)[0].headline


def test_plates_of_single_halves_are_counted_by_their_counterpart(boards: dict[str, Board]) -> None:
    """A right half's plate beside a left half's: one each; alone it serves both hands: two."""
    left, right = (
        cut_out(boards["plate"], MultiPolygon([p])) for p in boards["plate"].profile.geoms
    )
    both, names = boards["both"], ("both", "left plate", "right plate")
    pair = settle_uses(order_of(*(unstated(n) for n in names)), [both, left, right])
    alone = settle_uses(order_of(*(unstated(n) for n in names[::2])), [both, right])

    assert counts(pair) == [("both", 1), ("plate", 1), ("plate", 1)]
    assert counts(alone) == [("both", 1), ("plate", 2)]
    for keyboards in (1, 3):
        wanted = replace(alone, keyboards=keyboards, quantities=(10,))
        (offer,) = fabkit.quote([both, right], order=wanted).offers
        # The plan: 2 plates a keyboard, in the house's smallest quantities.
        assert offer.pieces[1] == load_house().next_quantity(2 * keyboards)


def test_a_plate_said_to_be_the_right_half_is_counted_once_and_contradicted(
    boards: dict[str, Board],
) -> None:
    """The user's word counts: one of each a keyboard, with what the files show instead."""
    designs = [ordered_board(Path(n), name=n, use=u) for n, u in (("l", "left"), ("r", "right"))]
    given = [boards["left"], boards["plate"]]
    settled = settle_uses(order_of(*designs), given)

    assert counts(settled) == [("left", 1), ("right", 1)]
    assert "plate" in describe_order(settled, given)[1].hands.contradiction


def test_the_users_count_stays(boards: dict[str, Board]) -> None:
    """What is said of numbers is kept where what the board is comes from its files."""
    four = replace(unstated("plate"), counted=True, per_keyboard=4)
    settled = settle_uses(order_of(unstated("both"), four), [boards["both"], boards["plate"]])

    assert counts(settled) == [("both", 1), ("plate", 4)]


@pytest.mark.parametrize(
    ("names", "words"),
    [
        (("both", "left"), "one left and one right"),
        (("left", "left"), "one left and one right"),
        (("both", "left", "right"), "give 4 halves"),
    ],
)
def test_files_that_make_no_keyboards_are_refused(
    boards: dict[str, Board], names: tuple[str, ...], words: str
) -> None:
    """Counts that only the files show are checked after reading."""
    order = order_of(*(unstated(name) for name in names))
    with pytest.raises(UsageError, match=words):
        settle_uses(order, [boards[name] for name in names])


def test_a_bottom_plate_may_be_called_a_plate(boards: dict[str, Board]) -> None:
    """A plate without openings for switches contradicts nobody."""
    bottom = ordered_board(Path("none"), name="bottom", use="plate")
    given = [boards["both"], boards["none"]]
    said = describe_order(settle_uses(order_of(unstated("both"), bottom), given), given)

    assert said[1].use == "plate"
    assert said[1].headline == "plate without openings for switches"
    assert not said[1].hands.contradiction


def test_a_panel_says_how_many_boards_it_holds(boards: dict[str, Board]) -> None:
    """One headline of piece and board; the plan of the fixture has six boards."""
    order = order_of(unstated("panel"))
    said = describe_order(settle_uses(order, [boards["panel"]]), [boards["panel"]])

    assert said[0].headline.startswith("panel of 6 boards, each: ")


@pytest.mark.parametrize(
    ("edge", "size"), [("", (132, 82)), ('"panel"', (132, 82)), ('"board"', (66, 24))]
)
def test_an_order_file_states_the_edge(
    boards: dict[str, Board], edge: str, size: tuple[float, float]
) -> None:
    """All that is uploaded, or one board of the panel: sizes by the plan of the fixture."""
    one = edged(f"edge = {edge}\n" if edge else "")

    assert with_edge(boards["panel"], one).size_mm == pytest.approx(size, abs=0.01)


def test_an_edge_that_is_not_there_names_the_board(boards: dict[str, Board]) -> None:
    """A reading by number that the outline has not is refused with those it has."""
    with pytest.raises(UsageError, match="Redwing: there is no edge '7'") as caught:
        with_edge(boards["panel"], edged("edge = 7\n"))
    assert "1:" in caught.value.hint


def edged(line: str) -> OrderedBoard:
    """The board of an order file, with one more line."""
    text = f'format = 1\nname = "Redwing"\n[[board]]\npackage = "x"\n{line}'
    return order_from(parse_sheet(text, file="order.toml"), base=Path()).boards[0]

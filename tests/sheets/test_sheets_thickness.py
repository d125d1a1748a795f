"""The thickness of an order that names none: what the files state, as far as it is offered."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from pathlib import Path

from fabkit.sheets.house import load_house
from fabkit.sheets.order import (
    BoardChoice,
    Order,
    OrderedBoard,
    order_for,
    order_from,
    settle_thickness,
)
from fabkit.sheets.order_template import ProposedBoard, order_template
from fabkit.sheets.toml_text import parse_sheet

HOUSE = load_house()
PAIR = (
    OrderedBoard(package=Path("a"), name="a", use="left", per_keyboard=1),
    OrderedBoard(package=Path("b"), name="b", use="right", per_keyboard=1),
)


def settled(stated: float | None, order: Order | None = None) -> BoardChoice:
    """What is chosen when the one board states a thickness."""
    return settle_thickness(order or order_for("board"), [stated], HOUSE).choice


def test_stated_thickness_is_taken() -> None:
    """An order that names no thickness is made as the job file states, and says so."""
    assert 1.2 in HOUSE.options.thickness_mm
    choice = settled(1.2)
    assert choice.thickness_mm == Decimal("1.2")
    assert choice.thickness_words == "1.2 mm (as the job file states)"


def test_chosen_thickness_wins() -> None:
    """A thickness the user named stands, in an order file as in the library."""
    text = order_template(
        name="x", boards=[ProposedBoard(package="b")], chosen={"thickness_mm": 0.8}
    )
    order = order_from(parse_sheet(text, file="order.toml"), base=Path())
    assert settled(1.2, order).thickness_words == "0.8 mm"
    named = replace(order_for("b"), choice=BoardChoice(thickness_mm=Decimal("1.6")))
    assert settled(1.2, named).thickness_words == "1.6 mm"


def test_order_file_without_thickness_follows_the_board() -> None:
    """An order file that leaves the thickness out is no choice of 1.6 mm."""
    text = order_template(name="x", boards=[ProposedBoard(package="b")])
    order = order_from(parse_sheet(text, file="order.toml"), base=Path())
    assert settled(0.8, order).thickness_mm == Decimal("0.8")


def test_stack_up_sum_becomes_the_nearest_offered() -> None:
    """The sum of a stack-up within the tolerance is ordered as the nearest, which is said."""
    choice = settled(1.5842)
    assert choice.thickness_mm == Decimal("1.6")
    assert choice.thickness_from == "nearest offered; the job file states 1.584 mm"


def test_far_thickness_is_kept_and_named() -> None:
    """A thickness beyond any offered is not changed in silence; the nearest is named."""
    most = max(HOUSE.options.thickness_mm)
    choice = settled(2 * most)
    assert float(choice.thickness_mm) == 2 * most
    assert f"not offered, the nearest is {most:g} mm" in choice.thickness_from


def test_nothing_stated_is_usual() -> None:
    """Without any word 1.6 mm is taken, and called usual."""
    assert settled(None).thickness_words == "1.6 mm (usual; no file states another)"


def test_pair_names_the_file() -> None:
    """With two designs the one whose file states the thickness is named."""
    order = Order(name="pair", file="", invented=False, boards=PAIR)
    choice = settle_thickness(order, [None, 1.2], HOUSE).choice
    assert choice.thickness_words == "1.2 mm (as the job file of b states)"

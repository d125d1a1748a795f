"""The workbook recalculated by an independent engine after changes, against a quote of each."""

from __future__ import annotations

import io
import warnings
import zipfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from openpyxl import load_workbook

from fabkit.costs.model import BoardFacts, CostSheet
from fabkit.costs.quote import quote
from fabkit.costs.workbook import write_workbook
from fabkit.parts.book import Price, Shop
from fabkit.parts.buying import Want, plan_purchases
from fabkit.parts.model import Bill, Lasting, Usage
from fabkit.sheets.house import EXAMPLE, house_from
from fabkit.sheets.order import BoardChoice, Exchange, Order, OrderedBoard, Tax, order_for
from fabkit.sheets.prices import find_currency
from fabkit.sheets.toml_text import parse_sheet

D = Decimal
CU = find_currency("cu")
HOUSE = EXAMPLE.read_text(encoding="utf-8")
BREAKS = ((1, D("0.18")), (100, D("0.12")))
LIKE = ((1, D("0.18")), (100, D("0.12")))
"""Two parts with equal prices and equal pieces: their cells must not be one."""


def bill(breaks: tuple[tuple[int, Decimal], ...] = BREAKS, *, shipping: str = "3.45") -> Bill:
    """Two parts of one shop, invented."""
    lasting = Lasting.USED_UP
    prices = [
        Price(shop="Shop", pack=1, minimum=1, breaks=b, at=f"parts.toml:{n}")
        for n, b in enumerate((breaks, LIKE), 9)
    ]
    wants = [
        Want(key=k, title=t, lasting=lasting, need=170, wanted=170, prices=(p,))
        for k, t, p in zip("ab", ("Socket", "Diode"), prices, strict=True)
    ]
    shop = Shop(
        name="Shop", shipping=D(shipping), free_from=D(60), small_below=D(5), small_fee=D(2)
    )
    plan = plan_purchases(wants, {"Shop": shop}, CU)
    return Bill(
        name="half",
        usage=Usage(keyboards=2),
        lines=(),
        currency=CU,
        plan=plan,
        rebuild=plan,
        assembly=(),
        left_out=(),
        keys_per_half={"left": 18, "right": 18},
        problems=(),
        notices=(),
        prices_date="2025-01-01",
        prices_gross=False,
    )


ORDER = replace(
    order_for("half", keyboards=2),
    choice=BoardChoice(thickness_mm=D("1.2"), colour="black", finish="enig"),
    quantities=(5, 10),
    tax=Tax(
        vat_rate=D("0.19"),
        duty_rate=D("0.037"),
        duty_threshold=D(10),
        handling=D("1.25"),
        handling_share=D("0.02"),
        date=date(2025, 1, 1),
    ),
    currency="EUR",
    exchange=(Exchange(rate=D("0.9137"), from_currency="cu"),),
)
FACTS = BoardFacts(
    name="half",
    width_mm=D("95.123"),
    height_mm=D("72.004"),
    area_mm2=6500.0,
    layers=2,
    holes=400,
    smallest_drill_mm=D("0.15"),
    copper_cover=(0.4, 0.55),
)
BILL = bill()


@dataclass(frozen=True)
class Case:
    """A quote with every kind of line, and what may be changed in it."""

    house: str = HOUSE
    order: Order = ORDER
    facts: BoardFacts = FACTS
    bill: Bill = BILL

    def quote(self) -> CostSheet:
        return quote(
            self.facts, self.bill, house_from(parse_sheet(self.house, file="h.toml")), self.order
        )

    def with_house(self, old: str, new: str) -> Case:
        assert old in self.house
        return replace(self, house=self.house.replace(old, new, 1))

    def with_order(self, **changed: object) -> Case:
        return replace(self, order=replace(self.order, **changed))  # type: ignore[arg-type]

    def with_choice(self, **changed: object) -> Case:
        return self.with_order(choice=replace(self.order.choice, **changed))  # type: ignore[arg-type]

    def with_tax(self, **changed: object) -> Case:
        return self.with_order(tax=replace(self.order.tax, **changed))  # type: ignore[arg-type]

    def with_facts(self, **changed: object) -> Case:
        return replace(self, facts=replace(self.facts, **changed))  # type: ignore[arg-type]


class Recalculated:
    """The workbook in an engine that shares no code with ours."""

    def __init__(self, case: Case, folder: Path) -> None:
        self.data = write_workbook(case.quote())
        self.book = load_workbook(io.BytesIO(self.data))
        path = folder / "costs.xlsx"
        path.write_bytes(self.data)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            import formulas

            self.model: Any = formulas.ExcelModel().loads(str(path)).finish()

    def row(self, page: str, title: str, skip: int = 0) -> int:
        sheet = self.book[page]
        rows = [r for r in range(1, sheet.max_row + 1) if sheet.cell(r, 1).value == title]
        return rows[skip]

    def totals(self, changes: dict[str, float | str]) -> dict[str, float]:
        """Totals and costs of a half in both columns, after changes by ``page!cell``."""
        inputs = {}
        for at, value in changes.items():
            page, _, cell = at.partition("!")
            inputs[f"'[costs.xlsx]{page.upper()}'!{cell}"] = value
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            solution = self.model.calculate(inputs=inputs)
        found = {}
        for title in ("Total", "Per half", "Halves left over"):
            for column in "CD":
                key = f"'[costs.xlsx]QUOTE'!{column}{self.row('Quote', title)}"
                found[f"{title} {column}"] = float(solution[key].value[0, 0])
        return found


@pytest.fixture(scope="module")
def workbook(tmp_path_factory: pytest.TempPathFactory) -> Recalculated:
    return Recalculated(Case(), tmp_path_factory.mktemp("book"))


def expected(case: Case) -> dict[str, float]:
    found = {}
    for column, offer in zip("CD", case.quote().offers, strict=True):
        assert offer.per_half is not None
        found[f"Total {column}"] = float(offer.total)
        found[f"Per half {column}"] = float(offer.per_half)
        found[f"Halves left over {column}"] = float(offer.halves_left)
    return found


Change = tuple[str, str, int, str, float | str, Callable[[Case], Case]]
CHANGES: dict[str, Change] = {
    "nothing": ("Quote", "thickness", 0, "C", 1.2, lambda c: c),
    "10 to 11 pieces": (
        *("Quote", "pieces of each design that gives halves", 0, "D", 11),
        lambda c: c.with_order(quantities=(5, 11)),
    ),
    "10 to 55 pieces": (
        *("Quote", "pieces of each design that gives halves", 0, "D", 55),
        lambda c: c.with_order(quantities=(5, 55)),
    ),
    "10 to 400 pieces, two parcels": (
        *("Quote", "pieces of each design that gives halves", 0, "D", 400),
        lambda c: c.with_order(quantities=(5, 400)),
    ),
    "set-up": (
        "House",
        "set-up",
        0,
        "B",
        23.45,
        lambda c: c.with_house("setup = 8.00", "setup = 23.45"),
    ),
    "rate of up to 10": (
        *("House", "price per dm2", 0, "B", 0.61),
        lambda c: c.with_house("per_dm2 = 0.55", "per_dm2 = 0.61"),
    ),
    "exchange": (
        *("Quote", "exchange rate of cu", 0, "C", 1.05),
        lambda c: c.with_order(exchange=(Exchange(rate=D("1.05"), from_currency="cu"),)),
    ),
    "tax rate": ("Quote", "vat rate", 0, "C", 0.07, lambda c: c.with_tax(vat_rate=D("0.07"))),
    "duty threshold": (
        *("Quote", "duty threshold", 0, "C", 1000),
        lambda c: c.with_tax(duty_threshold=D(1000)),
    ),
    "handling": ("Quote", "handling", 0, "C", 4.5, lambda c: c.with_tax(handling=D("4.5"))),
    "thin board": (
        *("Quote", "thickness", 0, "C", 0.6),
        lambda c: c.with_choice(thickness_mm=D("0.6")),
    ),
    "colour": ("Quote", "mask colour", 0, "C", "green", lambda c: c.with_choice(colour="green")),
    "finish": ("Quote", "finish", 0, "C", "osp", lambda c: c.with_choice(finish="osp")),
    "copper": ("Quote", "copper", 0, "C", 2, lambda c: c.with_choice(copper_oz=D(2))),
    "lead time": ("Quote", "lead time", 0, "C", "24h", lambda c: c.with_choice(lead_time="24h")),
    "wider than a tier": (
        *("Quote", "half: width", 0, "C", 100.5),
        lambda c: c.with_facts(width_mm=D("100.5")),
    ),
    "layers": ("Quote", "half: copper layers", 0, "C", 4, lambda c: c.with_facts(layers=4)),
    "drill": (
        *("Quote", "half: smallest drill", 0, "C", 0.2),
        lambda c: c.with_facts(smallest_drill_mm=D("0.2")),
    ),
    "holes": ("Quote", "half: holes", 0, "C", 90, lambda c: c.with_facts(holes=90)),
    "fine class": (
        *("Quote", "half: needs the fine class", 0, "C", 1),
        lambda c: c.with_facts(needs_fine=True),
    ),
    "failures": (
        *("Quote", "boards that work", 0, "C", 0.75),
        lambda c: c.with_order(good_share=D("0.75")),
    ),
    "heavier packing": (
        *("House", "packing, g", 0, "B", 400),
        lambda c: c.with_house("packing_g = 150", "packing_g = 400"),
    ),
    "price of a band": (
        *("House", "parcel up to the weight, g", 0, "B", 14.5),
        lambda c: c.with_house(
            "price = 12.00\n\n[[rates.shipping", "price = 14.50\n\n[[rates.shipping"
        ),
    ),
    "limit of a band": (
        *("House", "parcel up to the weight, g", 0, "D", 250),
        lambda c: c.with_house("up_to_g = 500", "up_to_g = 250"),
    ),
    "price of a part": (
        *("Parts", "Socket", 0, "P", 0.1),
        lambda c: replace(c, bill=bill(((1, D("0.18")), (100, D("0.10"))))),
    ),
    "shipping of a shop": (
        *("Parts", "shipping from Shop", 0, "C", 7.9),
        lambda c: replace(c, bill=bill(shipping="7.90")),
    ),
}


@pytest.mark.parametrize("name", CHANGES)
def test_a_change_equals_a_quote_of_it(workbook: Recalculated, name: str) -> None:
    """One cell changed gives totals and costs of a half as a quote with the same change."""
    page, title, skip, column, value, changed = CHANGES[name]
    at = f"{page}!{column}{workbook.row(page, title, skip)}"
    assert workbook.totals({at: value}) == pytest.approx(expected(changed(Case())), abs=1e-6)


def test_a_ladder_moves_with_its_two_rungs(workbook: Recalculated) -> None:
    """The dearer rate ends at 9 pieces, the cheaper one begins at 10."""
    rows = [workbook.row("House", "price per dm2", n) + 1 for n in (0, 1)]
    found = workbook.totals({f"House!D{rows[0]}": 9, f"House!C{rows[1]}": 10})
    case = Case().with_house("to_quantity = 10", "to_quantity = 9")
    right = case.with_house("from_quantity = 11", "from_quantity = 10")
    assert found == pytest.approx(expected(right), abs=1e-6)


def test_inputs_of_equal_value_are_cells_of_their_own(workbook: Recalculated) -> None:
    """Ten more of 170 sockets at 0.12 add 1.20 cu: 1.10 EUR, and 19 % on it; diodes stay."""
    at = f"Parts!F{workbook.row('Parts', 'Socket')}"
    before, after = workbook.totals({at: 170}), workbook.totals({at: 180})
    # 21.60 cu at 0.9137 is 19.74 EUR after 20.40 cu, 18.64 EUR; tax on all rounds by itself.
    assert after["Total C"] - before["Total C"] == pytest.approx(1.10 + 0.21, abs=0.0101)
    # Below the break of 100 each costs 0.18: 16.20 cu are 14.80 EUR.
    fewer = workbook.totals({at: 90})
    assert fewer["Total C"] - before["Total C"] == pytest.approx(-3.84 - 0.73, abs=0.0101)


def test_values_stand_behind_the_formulas(workbook: Recalculated) -> None:
    """Viewers that do not calculate show every figure as the engine does, without noise."""
    kept = load_workbook(io.BytesIO(workbook.data), data_only=True)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        solution = workbook.model.calculate()
    seen = 0
    for page in workbook.book.worksheets:
        for row in page.iter_rows():
            for cell in row:
                if cell.data_type != "f":
                    continue
                value = kept[page.title][cell.coordinate].value
                key = f"'[costs.xlsx]{page.title.upper()}'!{cell.coordinate}"
                assert value == pytest.approx(float(solution[key].value[0, 0]), abs=1e-9)
                assert len(f"{value!r}") <= 14, f"{cell.coordinate} {value!r}"
                seen += 1
    assert seen > 60


def test_it_prints_on_four_pages(workbook: Recalculated) -> None:
    """Each page is landscape, one page wide and high, with repeated heads and frozen panes."""
    pages = workbook.book.worksheets
    assert [p.title for p in pages] == ["Quote", "House", "Parts", "Compared"]
    for page in pages:
        assert page.page_setup.orientation == "landscape"
        assert (page.page_setup.fitToWidth, page.page_setup.fitToHeight) == (1, 1)
        assert page.sheet_properties.pageSetUpPr.fitToPage
        assert page.print_title_rows
        assert page.freeze_panes


def test_rules_and_parts_have_rows_of_their_own(workbook: Recalculated) -> None:
    """No title of a rule or part stands twice on the page that reckons it."""
    for name in ("Quote", "Parts"):
        titles = [c.value for c in workbook.book[name]["A"] if c.value]
        assert len(titles) == len(set(titles)), name


def test_workbook_is_the_same_each_time(workbook: Recalculated) -> None:
    """No clock in it: bytes are equal, and every member has the fixed date."""
    assert workbook.data == write_workbook(Case().quote())
    with zipfile.ZipFile(io.BytesIO(workbook.data)) as archive:
        assert {i.date_time for i in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}


@pytest.mark.parametrize("mode", ["half-up", "half-even"])
def test_totals_equal_ours_to_the_cent(tmp_path: Path, mode: str) -> None:
    """Two designs and a plate, whole units of tax, volumetric weight and a least price."""
    text = HOUSE.replace('tax = "net"', f'tax = "net"\nrounding = "{mode}"\nminimum = 20')
    text = text.replace("packing_share = 0.05", "packing_share = 0.05\nvolumetric_divisor = 2000")
    case = Case(house=text).with_tax(whole_units=True)
    book = Recalculated(case, tmp_path)
    assert book.totals({}) == pytest.approx(expected(case), abs=1e-6)


def test_two_designs_and_a_plate(tmp_path: Path) -> None:
    """Plates follow the halves that are built; a change of quantity prices all three designs."""
    boards = tuple(
        OrderedBoard(package=Path(name), name=name, use=use, per_keyboard=each)
        for name, use, each in (("left", "left", 1), ("right", "right", 1), ("plate", "plate", 2))
    )
    facts = (
        replace(FACTS, name="left"),
        replace(FACTS, name="right", width_mm=D(101), area_mm2=7000.0),
        replace(FACTS, name="plate", smallest_drill_mm=None, holes=8, copper_cover=()),
    )
    house = house_from(parse_sheet(HOUSE, file="h.toml"))
    order = replace(ORDER, boards=boards, quantities=(5, 10), spare_halves=1)
    case = Case()
    book = Recalculated(replace(case, order=order, facts=facts), tmp_path)  # type: ignore[arg-type]
    at = f"Quote!D{book.row('Quote', 'pieces of each design that gives halves')}"
    right = quote(facts, BILL, house, replace(order, quantities=(5, 25)))
    found = book.totals({at: 25})
    assert [found["Total C"], found["Total D"]] == pytest.approx(
        [float(o.total) for o in right.offers], abs=1e-6
    )

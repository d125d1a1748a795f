"""The cost sheet as a workbook: inputs, every rule and part in a row of its own, live everywhere.

A change of quantity, size, option, price, tax or rate goes through tiers, rates, divisors, weight
and shipping band: they are looked up in the house's tables, which stand on their own page.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Final

from fabkit.base.tables import Table, cell_text
from fabkit.base.units import COPPER_G_CM3, COPPER_UM_PER_OZ, LAMINATE_G_CM3
from fabkit.costs.invoice import rates_of
from fabkit.costs.lines import PARTS_GROUPS, Group, Line
from fabkit.costs.model import Basis, CostSheet
from fabkit.costs.offers import Design, designs_of
from fabkit.costs.pages import (
    Cell,
    Page,
    Rounding,
    Scope,
    bold,
    money_form,
    saved,
    set_print,
    style_head,
    style_input,
    total_of,
)
from fabkit.parts.model import Bill, ShopOrder
from fabkit.sheets.prices import RateCard, Rung, Step

PLAIN: Final = "#,##0.######"
LANDED: Final = (Group.DUTY, Group.TAX, Group.HANDLING)
EXACT: Final = "#,##0.00####"


def write_workbook(sheet: CostSheet, bill: Bill | None = None) -> bytes:
    """Write the cost sheet, and the parts list if given, as an XLSX file."""
    from openpyxl import Workbook

    book = Workbook()
    pages = [Page(book.active)]
    book.active.title = "Quote"
    pages[0].texts(f"{sheet.name}: cost in {sheet.currency.code}")
    bold(book.active, 1)
    for notice in sheet.notices:
        pages[0].texts(notice)
    if sheet.basis is not None and sheet.offers:
        house = _House(Page(book.create_sheet("House")), sheet.basis)
        pages.append(house.page)
        pages.append(Page(book.create_sheet("Parts")))
        _Quote(pages[0], sheet, sheet.basis, house.cells, pages[-1]).write()
    pages.append(Page(book.create_sheet("Compared")))
    tables = [*sheet.comparisons()]
    if bill is not None:
        tables.insert(0, bill.parts_table())
    _write_tables(pages[-1], tables, bill.notices if bill is not None else ())
    return saved(book, pages)


class _House:
    """The page of the house's tables, and its cells by name."""

    def __init__(self, page: Page, basis: Basis) -> None:
        self.page, self.basis = page, basis
        self.cells: dict[str, Cell] = {}
        rates = rates_of(basis.house)
        page.texts(f"{basis.house.name}: what it charges, in {rates.currency.code}")
        page.texts(
            "Rule", "Value", "From, or longer side", "To, or shorter side", "Where it stands"
        )
        style_head(page.sheet, 2, 5)
        self._write(rates)
        set_print(page.sheet, heads=2, widths=(44, 14, 18, 18, 60))

    def _row(self, name: str, title: str, value: Decimal | str, at: str) -> int:
        row = self.page.texts(title, None, None, None, self.basis.house.cite(at))
        self.cells[name] = self.page.cell("B", row, value, PLAIN)
        style_input(self.page.sheet, f"B{row}")
        return row

    def _beside(self, name: str, column: str, row: int, value: Decimal | int | None) -> None:
        """Write a bound of a row; one that is open is larger than anything."""
        bound = Decimal(10**9) if value is None else Decimal(value)
        self.cells[name] = self.page.cell(column, row, bound, PLAIN)
        style_input(self.page.sheet, f"{column}{row}")

    def _write(self, rates: RateCard) -> None:
        house = self.basis.house
        self._row("minimum_order", "smallest order", Decimal(house.minimum), "order.minimum")
        self._row("order_step", "multiple it must be of", Decimal(house.step), "order.step")
        self._row("setup", "set-up", rates.setup, "rates.setup")
        self._row("least_price", "least price of a set of files", rates.minimum, "rates.minimum")
        for n, tier in enumerate(rates.tiers):
            row = self._row(f"tier{n}", "base price", tier.price, f"{tier.at}.price")
            self._beside(f"tier{n}_long", "C", row, max(tier.up_to_mm))
            self._beside(f"tier{n}_short", "D", row, min(tier.up_to_mm))
            self._rung(f"tier{n}", "    for quantities", tier)
        for n, rate in enumerate(rates.area.rates):
            self._row(f"rate{n}", "price per dm2", rate.per_dm2, f"{rate.at}.per_dm2")
            self._rung(f"rate{n}", "    for quantities", rate)
        self._row("side_step", "sides rounded up to, mm", rates.area.step_mm, "rates.area.step_mm")
        self._row("least_dm2", "least area, dm2", rates.area.min_dm2, "rates.area.min_dm2")
        for name, factors, at in (
            ("layer", rates.layer_factor, "rates.layer_factor"),
            ("copper", rates.copper_factor, "rates.copper_factor"),
        ):
            for n, (key, factor) in enumerate(factors.items()):
                what = "layers" if name == "layer" else "oz/ft2 copper"
                row = self._row(f"{name}{n}", f"factor of {key:f} {what}", factor, at)
                self._beside(f"{name}{n}_of", "C", row, key)
        for n, (word, factor) in enumerate(rates.lead_time.items()):
            self._named(f"lead{n}", f"factor of lead time {word}", word, factor, "rates.lead_time")
        for n, step in enumerate(rates.thickness):
            self._step(f"thickness{n}", "thickness", step)
        self._options(rates)
        self._further(rates)

    def _options(self, rates: RateCard) -> None:
        """Write mask colours, finishes, and steps by what the board measures."""
        house = self.basis.house
        for n, colour in enumerate(house.options.colours.values()):
            at = f"options.colours.{colour.key}.surcharge"
            self._named(f"colour{n}", f"mask {colour.key}", colour.key, colour.surcharge, at)
        for n, finish in enumerate(house.options.finishes.values()):
            at = f"options.finishes.{finish.key}"
            title = f"finish {finish.title}"
            self._named(f"finish{n}", title, finish.key, finish.surcharge, f"{at}.surcharge")
            self._row(
                f"finish{n}_dm2",
                f"{title}, per dm2",
                finish.surcharge_per_dm2,
                f"{at}.surcharge_per_dm2",
            )
        for key, steps in _fine_steps(rates):
            for n, step in enumerate(steps):
                self._step(f"{key}{n}", f"smallest {key}", step)

    def _further(self, rates: RateCard) -> None:
        """Write holes, panels, extras and shipping."""
        if rates.hole_density.per_dm2 is not None:
            dense, at = rates.hole_density, "rates.hole_density"
            self._row("holes_dm2", "holes included per dm2", dense.per_dm2 or Decimal(0), at)
            self._row("extra_hole", "each further hole", dense.extra_hole, at)
        for name, title, price in (
            ("extra_design", "further design on a panel", rates.extra_design),
            ("panel_price", "panel of several boards", rates.panel),
        ):
            self._row(name, title, price or Decimal(0), f"rates.{name.removesuffix('_price')}")
        for n, (word, price) in enumerate(rates.extras.items()):
            self._row(f"extra{n}", word.replace("-", " "), price, f"rates.extras.{word}")
        ship = rates.shipping
        self._row("packing_g", "packing, g", ship.packing_g, "rates.shipping.packing_g")
        self._row("packing_share", "packing, share", ship.packing_share, "rates.shipping")
        if ship.volumetric_divisor:
            at = "rates.shipping.volumetric_divisor"
            self._row("divisor", "volumetric divisor, cm3/kg", ship.volumetric_divisor, at)
            self._row("padding", "padding, mm", ship.stack_height_mm, "rates.shipping.padding_mm")
        for n, band in enumerate(ship.bands):
            row = self._row(
                f"band{n}", "parcel up to the weight, g", band.price, f"{band.at}.price"
            )
            self._beside(f"band{n}_g", "D", row, band.up_to_g)

    def _rung(self, name: str, title: str, rung: Rung) -> None:
        row = self.page.texts(title)
        self._beside(f"{name}_from", "C", row, rung.from_quantity)
        self._beside(f"{name}_to", "D", row, rung.to_quantity)

    def _named(self, name: str, title: str, word: str, value: Decimal, at: str) -> None:
        row = self._row(name, title, value, at)
        self.cells[f"{name}_of"] = self.page.cell("C", row, word)

    def _step(self, name: str, title: str, step: Step) -> None:
        """Write the bounds of a step, which applies below the one or above the other; its price."""
        row = self.page.texts(f"{title}: below, above, mm")
        self.cells[f"{name}_below"] = self.page.cell("C", row, step.below_mm or Decimal(0), PLAIN)
        self._beside(f"{name}_above", "D", row, step.above_mm)
        self._row(name, "    costs", step.price, f"{step.at}.price")


class _Parts:
    """The page of what is bought; a row a part, with its shop's price breaks beside it."""

    def __init__(self, page: Page, sheet: CostSheet, bill: Bill | None, shared: Scope) -> None:
        self.page, self.sheet, self.shared = page, sheet, shared
        self.total = Cell("0", Decimal(0))
        lines = [a for a in sheet.offers[0].lines if a.group in PARTS_GROUPS]
        plan = bill.plan if bill is not None else None
        breaks = max((len(p.breaks) for p in plan.purchases), default=0) if plan else 0
        money = sheet.currency.code
        heads = ["Part", "Shop", "Built in", "With spares", "Pack", "Bought", "Price each", "Cost"]
        heads += [f"Amount, {money}", "Left over", "Price from", "Why this many"]
        heads += [w for n in range(breaks) for w in (f"From {n + 1}", f"Each {n + 1}")]
        page.texts("What is bought; change what is bought, prices, breaks and charges of shops")
        page.texts(*heads)
        style_head(page.sheet, 2, len(heads))
        if bill is not None and lines:
            self._write(bill, lines)
        widths = (36, 16, 9, 9, 7, 9, 11, 11, 12, 9, 32, 32, *(9 for _ in range(2 * breaks)))
        set_print(page.sheet, heads=2, widths=widths)

    def _write(self, bill: Bill, lines: Sequence[Line]) -> None:
        from openpyxl.utils import get_column_letter

        page, form = self.page, money_form(bill.currency)
        rate = self.shared.get(f"exchange_{bill.currency.code}")
        goods: dict[str, list[Cell]] = {}
        amounts: list[Cell] = []
        for p in bill.plan.purchases:
            row = page.texts(p.title, p.shop, p.need, p.wanted, p.pack)
            scope = {"bought": page.cell("F", row, Decimal(p.bought), "#,##0")}
            style_input(page.sheet, f"F{row}")
            rungs: list[str] = []
            for n, (first, each) in enumerate(p.breaks or ((1, p.unit_price),)):
                at, price = (get_column_letter(13 + 2 * n + k) for k in (0, 1))
                scope[f"from{n}"] = page.cell(at, row, Decimal(first), "#,##0")
                scope[f"each{n}"] = page.cell(price, row, each, EXACT)
                style_input(page.sheet, f"{price}{row}")
                rungs.insert(0, f"bought >= from{n}, each{n}")
            scope["price"] = page.reckoned("G", row, _choice(rungs, "each0"), scope, EXACT)
            scope["exact"] = Cell(
                f"{scope['bought'].at}*{scope['price'].at}", Decimal(p.bought) * p.unit_price
            )
            cost = page.rounded("H", row, scope["exact"], Rounding(bill.currency), form)
            goods.setdefault(p.shop, []).append(cost)
            amounts.append(self._amount(row, cost, rate))
            page.formula("J", row, f"F{row}-C{row}", Decimal(p.left_over), "#,##0")
            page.cell("K", row, p.at)
            page.cell("L", row, p.reason)
        amounts += [self._shop(s, goods.get(s.shop, []), bill, rate) for s in bill.plan.shops]
        vat = next((a for a in lines if a.key == "parts-vat"), None)
        if vat is not None:
            row = page.texts(vat.title)
            scope = {"vat_rate": self.shared["vat_rate"], "parts": _sum(amounts)}
            exact = page.reckoned("H", row, "vat_rate * parts", scope, EXACT)
            made = page.rounded("I", row, exact, Rounding(vat.target), money_form(vat.target))
            amounts.append(made)
        row = page.texts("Total")
        whole = _sum(amounts)
        self.total = page.formula("I", row, whole.at, whole.value, money_form(self.sheet.currency))
        bold(page.sheet, row)

    def _amount(self, row: int, cost: Cell, rate: Cell | None) -> Cell:
        """Give the amount in the currency of the sheet."""
        form = money_form(self.sheet.currency)
        if rate is None:
            return self.page.formula("I", row, cost.at, cost.value, form)
        return self.page.rounded(
            "I", row, _product(cost, rate), Rounding(self.sheet.currency), form
        )

    def _shop(self, order: ShopOrder, goods: Sequence[Cell], bill: Bill, rate: Cell | None) -> Cell:
        """Write the charges of a shop, which hang on its goods; gives their amount."""
        page = self.page
        row = page.texts(f"shipping from {order.shop}", order.shop)
        scope = {"goods": _sum(goods)}
        for n, (name, value) in enumerate(
            (
                ("shipping", order.rate),
                ("free", order.free_from or Decimal(10**9)),
                ("below", order.small_below),
                ("fee", order.small_fee),
            )
        ):
            at = "CDEF"[n]
            scope[name] = page.cell(at, row, value, PLAIN)
            style_input(page.sheet, f"{at}{row}")
        page.cell("K", row, order.at)
        page.cell("L", row, "C to F: shipping, goods that make it free, small order below, its fee")
        charges = "choose(goods >= free, 0, shipping) + choose(goods < below, fee, 0)"
        exact = page.reckoned("G", row, charges, scope, EXACT)
        cost = page.rounded("H", row, exact, Rounding(bill.currency), money_form(bill.currency))
        return self._amount(row, cost, rate)


@dataclass(slots=True)
class _Quote:
    """The page of the quote: inputs, then a row a rule with a column for each quantity."""

    page: Page
    sheet: CostSheet
    basis: Basis
    house: dict[str, Cell]
    bought: Page
    scopes: list[dict[str, Cell]] = field(default_factory=list)
    columns: list[str] = field(default_factory=list)
    last: str = "D"

    def write(self) -> None:
        """Write the page."""
        from openpyxl.utils import get_column_letter

        offers = self.sheet.offers
        self.columns = [get_column_letter(3 + n) for n in range(len(offers))]
        self.last = get_column_letter(3 + len(offers))
        self.scopes = [dict(self.house) for _ in offers]
        designs = designs_of(self.basis.facts, self.basis.order)
        head = self.page.texts("Inputs: change the yellow cells", "Unit", "Value")
        self.page.cell(self.last, head, "Where it comes from")
        style_head(self.page.sheet, head, 3 + len(offers))
        self._inputs(designs)
        parts = _Parts(self.bought, self.sheet, self.basis.bill, self.scopes[0])
        head = self.page.texts("Rules", "Unit", *("Amount" for _ in offers))
        self.page.cell(self.last, head, "How it is reckoned")
        style_head(self.page.sheet, head, 3 + len(offers))
        row = self.page.texts("pieces of each design that gives halves", "pieces")
        for column, scope, offer in zip(self.columns, self.scopes, offers, strict=True):
            scope["bought"] = parts.total
            scope["q"] = self.page.cell(column, row, Decimal(offer.quantity), "#,##0")
            style_input(self.page.sheet, f"{column}{row}")
        bold(self.page.sheet, row)
        self._halves(designs)
        goods = [name for n, d in enumerate(designs) for name in self._design(n, d)]
        ship = self._shipping(designs)
        landed = self._landed(goods, ship)
        self._totals(designs, [*goods, ship, *landed])
        set_print(self.page.sheet, heads=1, widths=(44, 10, *(13 for _ in offers), 70))
        self.page.sheet.freeze_panes = "C2"

    # Rows

    def _given(self, name: str, title: str, value: Decimal | str, unit: str, origin: str) -> None:
        """Write an input that holds for every quantity."""
        row = self.page.texts(title, unit)
        cell = self.page.cell("C", row, value, PLAIN)
        style_input(self.page.sheet, f"C{row}")
        self.page.cell(self.last, row, origin)
        for scope in self.scopes:
            scope[name] = cell

    def _rule(self, name: str, title: str, expression: str, unit: str = "", note: str = "") -> str:
        """Write a row that reckons in every column; gives its name."""
        row = self.page.texts(title, unit)
        for column, scope in zip(self.columns, self.scopes, strict=True):
            scope[name] = self.page.reckoned(column, row, expression, scope, EXACT)
        self.page.cell(self.last, row, note or _in_words(expression))
        return name

    def _line(self, name: str, title: str, exact: str, rounding: Rounding) -> str:
        """Write an invoice line, rounded; below it in the sheet's currency if that is another."""
        row = self.page.texts(title, rounding.currency.code)
        self.page.cell(self.last, row, "rounded once, as invoiced")
        for column, scope in zip(self.columns, self.scopes, strict=True):
            scope[name] = self.page.rounded(
                column, row, scope[exact], rounding, money_form(rounding.currency)
            )
        bold(self.page.sheet, row)
        target = self.sheet.currency
        if rounding.currency.code == target.code:
            return name
        row = self.page.texts(f"{title}, in {target.code}", target.code)
        self.page.cell(self.last, row, "at the exchange rate, rounded")
        for column, scope in zip(self.columns, self.scopes, strict=True):
            product = _product(scope[name], scope[f"exchange_{rounding.currency.code}"])
            scope[f"{name}_here"] = self.page.rounded(
                column, row, product, Rounding(target), money_form(target)
            )
        bold(self.page.sheet, row)
        return f"{name}_here"

    # Blocks

    def _inputs(self, designs: Sequence[Design]) -> None:
        order, offer = self.basis.order, self.sheet.offers[0]
        choice = order.choice
        wanted = Decimal(order.halves_wanted)
        self._given("wanted", "halves wanted", wanted, "halves", "order: keyboards, spare halves")
        self._given("good_share", "boards that work", order.good_share, "share", "order")
        for line in offer.lines:
            name, rate = f"exchange_{line.invoice.code}", line.exchange
            if rate is not None and name not in self.scopes[0]:
                title = f"exchange rate of {line.invoice.code}"
                self._given(name, title, rate.value, rate.unit, rate.origin)
        for name, title, value, unit in (
            ("thickness_mm", "thickness", choice.thickness_mm, "mm"),
            ("copper_oz", "copper", choice.copper_oz, "oz/ft2"),
            ("colour", "mask colour", choice.colour, ""),
            ("finish", "finish", choice.finish, ""),
            ("lead_time", "lead time", choice.lead_time, ""),
        ):
            self._given(name, title, value, unit, "order; a name or size of the page House")
        for n, design in enumerate(designs):
            self._design_inputs(n, design)
        for line in offer.lines:
            if line.group in LANDED or line.key == "parts-vat":
                for item in line.elements[0].inputs:
                    if not item.lines and item.name not in self.scopes[0]:
                        title = item.name.replace("_", " ")
                        self._given(item.name, title, item.value, item.unit, item.origin)

    def _design_inputs(self, n: int, design: Design) -> None:
        facts = design.facts
        cover = sum(facts.copper_cover)
        beside = Decimal(design.beside) if design.beside else None
        for name, title, value, unit in (
            ("width", "width", facts.width_mm, "mm"),
            ("height", "height", facts.height_mm, "mm"),
            ("outline", "area of laminate", Decimal(repr(round(facts.area_mm2, 6))), "mm2"),
            ("layers", "copper layers", Decimal(facts.layers), "layers"),
            ("weighed", "layers that count in the weight", Decimal(len(facts.copper_cover)), ""),
            ("cover", "copper of all layers", Decimal(repr(round(cover, 9))), "share"),
            ("holes", "holes", Decimal(facts.holes), "hits"),
            ("drill", "smallest drill", facts.smallest_drill_mm, "mm"),
            ("track", "smallest track", facts.smallest_track_mm, "mm"),
            ("gives", "halves of a piece", Decimal(design.halves), "halves"),
            ("beside", "boards a keyboard", beside, "boards"),
            ("boards", "boards of a piece", Decimal(facts.boards) if beside else None, "boards"),
            ("designs", "designs of a piece", Decimal(design.designs), "designs"),
            ("fine", "needs the fine class", Decimal(int(facts.needs_fine)), "1 or 0"),
        ):
            if value is not None:
                label = f"{facts.name}: {title}"
                self._given(f"{name}_{n}", label, value, unit, "measured; as ordered")

    def _halves(self, designs: Sequence[Design]) -> None:
        made = total_of([f"gives_{n}" for n, _ in enumerate(designs)])
        self._rule("made", "halves made", f"q * ({made})", "halves")
        self._rule("good", "halves that work", f"({made}) * floor(q * good_share)", "halves")
        self._rule("used", "halves built", "min(good, wanted)", "halves")

    def _design(self, n: int, design: Design) -> Iterator[str]:
        """Rules of the board line of one design; gives the name of its amount."""
        rates = rates_of(self.basis.house)
        name, terms = design.facts.name, []
        code = rates.currency.code

        def rule(key: str, title: str, expression: str, unit: str = code, note: str = "") -> None:
            self._rule(f"{key}_{n}", f"{name}: {title}", expression, unit, note)
            if unit == code:
                terms.append(f"{key}_{n}")

        pieces = "q"
        if design.beside:
            # As `jobs_of` of the offers counts plates.
            boards = f"ceil(ceil(beside_{n} * used / 2) / boards_{n})"
            need = f"ceil({boards} / good_share)"
            pieces = f"ceil(max({need}, minimum_order, 1) / order_step) * order_step"
        rule("pieces", "pieces", pieces, "pieces")
        sides = [
            f"choose(side_step > 0, ceil({side}_{n} / max(side_step, 0.000001)) * side_step, "
            f"{side}_{n})"
            for side in ("width", "height")
        ]
        rule("dm2", "charged area", f"max({sides[0]} * {sides[1]} / 10000, least_dm2)", "dm2")
        rule("setup", "set-up", "setup", note="once per set of files")
        longer, shorter = f"max(width_{n}, height_{n})", f"min(width_{n}, height_{n})"
        tiers = [
            f"{longer} <= tier{k}_long and {shorter} <= tier{k}_short and "
            f"pieces_{n} >= tier{k}_from and pieces_{n} <= tier{k}_to, tier{k}"
            for k, _ in enumerate(rates.tiers)
        ]
        rule("base", "base price", _choice(tiers), note="smallest size the piece fits into")
        rungs = [
            f"pieces_{n} >= rate{k}_from and pieces_{n} <= rate{k}_to, rate{k}"
            for k, _ in enumerate(rates.area.rates)
        ]
        rule("rate", "price per dm2", _choice(rungs), f"{code}/dm2", "by quantity")
        layers = [f"layers_{n} == layer{k}_of, layer{k}" for k, _ in enumerate(rates.layer_factor)]
        copper = [
            f"copper_oz == copper{k}_of, copper{k}" for k, _ in enumerate(rates.copper_factor)
        ]
        lead = [f"lead_time == lead{k}_of, lead{k}" for k, _ in enumerate(rates.lead_time)]
        factor = " * ".join(map(_choice, (layers, copper, lead)))
        rule("factor", "factor", factor, "", "of layers, copper and lead time")
        rule("area", "area", f"pieces_{n} * dm2_{n} * rate_{n} * factor_{n}")
        for key, expression, note in self._surcharges(n, rates):
            rule(key, key.replace("_", " "), expression, note=note)
        for key, title, price in self._extras(n, design, rates):
            rule(key, title, price, note="page House")
        self._rule(f"others_{n}", f"{name}: all terms", total_of(terms), code, "unrounded")
        if rates.minimum:
            raised = f"max(others_{n}, least_price)"
            self._rule(f"exact_{n}", f"{name}: at least", raised, code, "the least price")
        exact = f"exact_{n}" if rates.minimum else f"others_{n}"
        yield self._line(f"boards_line_{n}", f"Boards: {name}", exact, Rounding(rates.currency))

    def _surcharges(self, n: int, rates: RateCard) -> Iterator[tuple[str, str, str]]:
        """Key, expression and note of each surcharge that may apply."""
        options = self.basis.house.options
        if rates.thickness:
            steps = [f"thickness{k}" for k, _ in enumerate(rates.thickness)]
            met = [_met("thickness_mm", step, step) for step in steps]
            yield "thickness", total_of(met), "thin or thick boards"
        colours = [f"colour == colour{k}_of, colour{k}" for k, _ in enumerate(options.colours)]
        yield "colour", _choice(colours), "of the mask"
        finishes = [
            f"finish == finish{k}_of, finish{k} + pieces_{n} * dm2_{n} * finish{k}_dm2"
            for k, _ in enumerate(options.finishes)
        ]
        yield "finish", _choice(finishes), "fixed, and per dm2"
        for key, fine in _fine_steps(rates):
            if fine and f"{key}_{n}" in self.scopes[0]:
                names = [f"{key}{k}" for k, _ in enumerate(fine)]
                dearest = _greatest([_met(f"{key}_{n}", name, name) for name in names])
                title = {"drill": "small_drill", "track": "fine_track"}[key]
                yield title, dearest, "the dearest step that is met"
        if rates.hole_density.per_dm2 is not None:
            beyond = f"ceil(max(holes_{n} - holes_dm2 * dm2_{n}, 0))"
            yield (
                "holes_beyond",
                f"pieces_{n} * {beyond} * extra_hole",
                "beyond the density included",
            )

    def _extras(self, n: int, design: Design, rates: RateCard) -> Iterator[tuple[str, str, str]]:
        """Key, title and expression of what is asked for by name, and of panels."""
        if design.designs > 1:
            yield "further", "further designs", f"(designs_{n} - 1) * extra_design"
        if design.panel:
            yield "panel", "panel", "panel_price"
        names = list(rates.extras)
        for word in self.basis.order.choice.extras:
            yield f"extra_{names.index(word)}", word.replace("-", " "), f"extra{names.index(word)}"
        fine = self.basis.house.fine_surcharge
        if fine and fine not in self.basis.order.choice.extras:
            paid = [
                _met(f"{key}_{n}", f"{key}{k}", "1")
                for key, steps in _fine_steps(rates)
                if f"{key}_{n}" in self.scopes[0]
                for k, _ in enumerate(steps)
            ]
            price = f"choose(({total_of(paid)}) > 0, 0, fine_{n} * extra{names.index(fine)})"
            yield "fine_class", "fine class", price

    def _shipping(self, designs: Sequence[Design]) -> str:
        rates = rates_of(self.basis.house)
        foil = f"({COPPER_UM_PER_OZ!r} * copper_oz / 1000)"
        for n, design in enumerate(designs):
            laminate = f"max(thickness_mm - weighed_{n} * {foil}, 0) * {LAMINATE_G_CM3!r}"
            copper = f"cover_{n} * {foil} * {COPPER_G_CM3!r}"
            # To a milligram, as a quote weighs it.
            weight = f"floor(outline_{n} * ({laminate} + {copper}) + 0.5) / 1000"
            self._rule(f"piece_g_{n}", f"{design.facts.name}: weight of a piece", weight, "g")
        boards = total_of([f"pieces_{n} * piece_g_{n}" for n, _ in enumerate(designs)])
        self._rule(
            "true_g",
            "weight with packing",
            f"tidy(({boards}) * (1 + packing_share) + packing_g)",
            "g",
        )
        if rates.shipping.volumetric_divisor:
            every = range(len(designs))
            longest = _greatest([f"max(width_{n}, height_{n})" for n in every])
            widest = _greatest([f"min(width_{n}, height_{n})" for n in every])
            pieces = total_of([f"pieces_{n}" for n in every])
            stack = f"(thickness_mm * ({pieces}) + padding)"
            bulk = f"tidy({longest} * {widest} * {stack} / divisor)"
            self._rule("bulk_g", "weight by volume", bulk, "g")
            self._rule("parcel_g", "weight that is charged", "max(true_g, bulk_g)", "g")
        else:
            self._rule("parcel_g", "weight that is charged", "true_g", "g")
        top = len(rates.shipping.bands) - 1
        self._rule("parcels", "parcels", f"max(1, ceil(parcel_g / band{top}_g))", "parcels")
        # Without `tidy` a spreadsheet may put a weight just at a limit into the next band.
        self._rule(
            "rest_g",
            "weight of the last parcel",
            f"tidy(parcel_g - (parcels - 1) * band{top}_g)",
            "g",
        )
        bands = [f"rest_g <= band{k}_g, band{k}" for k in range(top)]
        price = f"(parcels - 1) * band{top} + {_choice(bands, f'band{top}')}"
        code = rates.currency.code
        self._rule("postage", "shipping by weight", price, code, "smallest band that holds it")
        return self._line("shipping", "Shipping of the boards", "postage", Rounding(rates.currency))

    def _landed(self, goods: Sequence[str], ship: str) -> list[str]:
        """Duty, tax and handling, as the quote reckons them; gives the names of their amounts."""
        names: dict[str, str] = {}
        boards = [a for a in self.sheet.offers[0].lines if a.group is Group.BOARDS]
        names.update({line.key: name for line, name in zip(boards, goods, strict=True)})
        names["shipping"] = ship
        made = []
        for line in self.sheet.offers[0].lines:
            if line.group not in LANDED:
                continue
            element = line.elements[0]
            for item in element.inputs:
                if item.lines:
                    title = f"{line.title}: {item.name.replace('_', ' ')}"
                    expression = total_of([names[k] for k in item.lines])
                    self._rule(item.name, title, expression, line.target.code)
            self._rule(f"{line.key}_exact", line.title, element.expression, line.target.code)
            rounding = Rounding(line.target, whole=line.whole_units)
            name = self._line(
                f"{line.key}_paid", line.title.capitalize(), f"{line.key}_exact", rounding
            )
            names[line.key] = name
            made.append(name)
        return made

    def _totals(self, designs: Sequence[Design], boards: Sequence[str]) -> None:
        code = self.sheet.currency.code
        every = total_of([f"pieces_{n}" for n, _ in enumerate(designs)])
        for name, title, expression, unit in (
            ("landed", "Boards, landed", total_of(boards), code),
            ("parts", "Parts", "bought + 0", code),
            ("total", "Total", "landed + parts", code),
            ("left", "Halves left over", "good - used", "halves"),
            ("each", "Per board", f"landed / ({every})", code),
            ("bare", "Per bare half used", "choose(used > 0, landed / max(used, 1), 0)", code),
            ("half", "Per half", "choose(used > 0, bare + parts / wanted, 0)", code),
            ("keyboard", "Per keyboard", "2 * half", code),
            ("enough", "Enough halves", "choose(good >= wanted, 1, 0)", "1 or 0"),
            (
                "taken",
                "Taken by the house",
                "choose(q >= minimum_order and ceil(q / order_step) * order_step == q, 1, 0)",
                "1 or 0",
            ),
        ):
            self._rule(name, title, expression, unit)
            form = money_form(self.sheet.currency) if name in ("landed", "parts", "total") else ""
            for column in self.columns if form else ():
                self.page.sheet[f"{column}{self.page.row}"].number_format = form
            bold(self.page.sheet, self.page.row)


def _choice(pairs: Sequence[str], otherwise: str = "0 / 0") -> str:
    """Write a choice; where nothing fits the sheet shows an error, not a wrong price."""
    return f"choose({', '.join(pairs)}, {otherwise})" if pairs else otherwise


def _fine_steps(rates: RateCard) -> tuple[tuple[str, tuple[Step, ...]], ...]:
    """Give the steps by what a board measures, each with its name."""
    return ("drill", rates.small_drill), ("track", rates.fine_track)


def _met(value: str, step: str, then: str) -> str:
    """Write what counts where a value lies below or above the bounds of a step; else 0."""
    return f"choose({value} < {step}_below, {then}, {value} > {step}_above, {then}, 0)"


def _in_words(expression: str) -> str:
    """Write an expression as people read it: names without numbers and underlines."""
    return re.sub(r"(?<=[a-z])_?\d+\b", "", expression).replace("_", " ")


def _greatest(values: Sequence[str]) -> str:
    return f"max({', '.join(values)})" if len(values) > 1 else values[0]


def _sum(cells: Sequence[Cell]) -> Cell:
    """Give the sum of cells, as if it were one."""
    total = sum((c.value for c in cells if isinstance(c.value, Decimal)), Decimal(0))
    return Cell(f"SUM({','.join(c.at for c in cells)})" if cells else "0", total)


def _product(a: Cell, b: Cell) -> Cell:
    assert isinstance(a.value, Decimal)  # noqa: S101 -- amounts and rates are numbers
    assert isinstance(b.value, Decimal)  # noqa: S101
    return Cell(f"{a.at}*{b.at}", a.value * b.value)


def _write_tables(page: Page, tables: Sequence[Table], notices: Sequence[str]) -> None:
    """Write further results below each other, as values."""
    page.texts("Parts and comparisons, as they were worked out: these do not recalculate")
    for notice in notices:
        page.texts(notice)
    for table in tables:
        row = page.texts(table.title) if table.title else page.row
        bold(page.sheet, row)
        row = page.texts(*table.heads)
        style_head(page.sheet, row, len(table.columns))
        for cells in table.rows:
            page.texts(*(cell_text(c) if isinstance(c, str) else c for c in cells))
    set_print(page.sheet, heads=1, widths=(36, *(16 for _ in range(18))))

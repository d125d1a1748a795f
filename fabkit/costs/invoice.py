"""What is invoiced: boards with every surcharge, the parcel, duty and tax, and the parts.

Terms are added unrounded and each line is rounded once (common practice).
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from decimal import ROUND_CEILING, Decimal
from functools import partial
from typing import Final

from fabkit.base.errors import FabkitError
from fabkit.base.findings import Rule
from fabkit.costs.lines import Element, Group, Input, Line
from fabkit.costs.model import BoardFacts
from fabkit.parts.model import Bill, Plan, Purchase, ShopOrder
from fabkit.rules import load_rule
from fabkit.sheets.house import House
from fabkit.sheets.order import BoardChoice, Order, Tax
from fabkit.sheets.prices import AreaRate, Currency, RateCard, SizeTier, Step
from fabkit.sheets.reading import nearest

NOT_OFFERED: Final = load_rule("cost/not-offered")
_OR: Final = "Choose another house, or what this one offers: "
NO_PRICE: Final = load_rule("cost/no-price")

DM2 = 10_000
"""mm2 in one dm2."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One set of files ordered in one quantity.

    ``designs`` counts different boards inside one piece; a piece with more than one board in it
    is a panel.
    """

    facts: BoardFacts
    quantity: int
    designs: int = 1
    panel: bool = False


class Unpriced(FabkitError):
    """The house does not offer or does not price what is asked for.

    Parameters
    ----------
    rule
        What the finding made of it is: an option not on offer, a price missing, no exchange rate.
    option
        Key of the order's ``[options]`` that asks for it; empty when none does.
    """

    def __init__(
        self, message: str, *, remedy: str, rule: Rule = NOT_OFFERED, option: str = ""
    ) -> None:
        super().__init__(message, hint=remedy)
        self.rule = rule
        self.option = option


def rates_of(house: House) -> RateCard:
    """Return the rate card; raises Unpriced when the sheet has none."""
    if house.rates is None:
        raise Unpriced(
            f"'{house.name}' has no prices",
            remedy="add [rates] to the house sheet; `fabkit house new` writes a template",
            rule=NO_PRICE,
        )
    return house.rates


def find_tier(facts: BoardFacts, quantity: int, rates: RateCard) -> SizeTier:
    """Find the smallest size tier the piece fits into; raises Unpriced when there is none."""
    for tier in rates.tiers:
        if tier.fits(facts.width_mm, facts.height_mm) and tier.covers(quantity):
            return tier
    raise Unpriced(
        f"no base price for {quantity} pieces of {facts.width_mm:f} x {facts.height_mm:f} mm",
        remedy="add a [[rates.base]] row that covers this size and quantity",
        rule=NO_PRICE,
    )


def find_area_rate(quantity: int, rates: RateCard) -> AreaRate:
    """Find the area rate of a quantity; raises Unpriced when there is none."""
    for rate in rates.area.rates:
        if rate.covers(quantity):
            return rate
    raise Unpriced(
        f"no area rate for {quantity} pieces",
        remedy="add a [[rates.area.rate]] row that covers this quantity",
        rule=NO_PRICE,
    )


FINE: Final = {"small-drill": "small drill", "fine-track": "fine track or gap"}
"""Terms of what is measured on a board, with their titles."""


def dearest_steps(facts: BoardFacts, rates: RateCard) -> Iterator[tuple[str, Decimal, Step]]:
    """Give what of a board is so fine that it costs more: key, measure, and the dearest step.

    A fine measure is below the limits of all coarser steps as well: the dearest holds, not the sum.
    """
    for key, steps, value in (
        ("small-drill", rates.small_drill, facts.smallest_drill_mm),
        ("fine-track", rates.fine_track, facts.smallest_track_mm),
    ):
        met = [s for s in steps if value is not None and s.applies(value)]
        if met and value is not None:
            yield key, value, max(met, key=lambda s: s.price)


def check_offered(facts: BoardFacts, house: House, choice: BoardChoice) -> None:
    """Raise Unpriced for the first option the house does not offer."""
    options, wanted = house.options, float(choice.thickness_mm)
    closest = min(options.thickness_mm, key=lambda mm: abs(mm - wanted), default=wanted)
    instead = f"; the nearest is {closest:g} mm, choose it with --thickness or thickness_mm"
    learned = "; or ask for a quote with it, and learn the sheet anew" if house.learned else ""

    def need(
        value: float | str, offered: Collection[object], said: str, key: str, more: str = ""
    ) -> None:
        if value in offered:
            return
        known = [f"{v:g}" if isinstance(v, float) else str(v) for v in offered]
        near = nearest(value, known) if isinstance(value, str) else None
        more += f"; did you mean '{near}'?" if near else ""
        raise Unpriced(
            f"{said} not offered by '{house.name}'",
            remedy=f"{_OR}{', '.join(known)}{more}{learned}",
            option=key,
        )

    thick, copper = choice.thickness_mm, choice.copper_oz
    need(wanted, options.thickness_mm, f"thickness {thick:f} mm is", "thickness_mm", instead)
    need(float(copper), options.copper_oz, f"copper of {copper:f} oz/ft2 is", "copper_oz")
    need(facts.layers, options.layers, f"{facts.layers} copper layers are", "")
    need(choice.colour, options.colours, f"mask colour '{choice.colour}' is", "colour")
    need(choice.finish, options.finishes, f"finish '{choice.finish}' is", "finish")
    if choice.lead_free and not options.finishes[choice.finish].rohs:
        free = ", ".join(k for k, f in options.finishes.items() if f.rohs)
        raise Unpriced(
            f"finish '{choice.finish}' contains lead and the order asks for lead-free",
            remedy=f"lead-free finishes: {free}; or set lead_free = false in the order",
            option="finish",
        )


def board_elements(job: Job, house: House, choice: BoardChoice) -> tuple[Element, ...]:
    """Terms of the board line of one job.

    Raises
    ------
    Unpriced
        An option is not offered, or a price is missing.
    """
    check_offered(job.facts, house, choice)
    rates = rates_of(house)
    elements = tuple(_Terms(job, house, rates, choice).every())
    exact = sum((e.value for e in elements), Decimal(0))
    if exact >= rates.minimum:
        return elements
    # Alone: a tenth more for set-up, say, changes nothing as long as the least price holds.
    title = f"least price, instead of {exact.normalize():f}"
    place = house.cite("rates.minimum")
    code = rates.currency.code
    return (fixed("minimum", title, rates.minimum, code, place, "once per set of files"),)


def fixed(key: str, title: str, price: Decimal, unit: str, origin: str, rule: str) -> Element:
    """Make a term that is one price of the card."""
    name = key.replace("-", "_")
    return Element(
        key=key,
        title=title,
        rule=rule,
        expression=name,
        inputs=(Input(name=name, value=price, unit=unit, origin=origin),),
    )


class _Terms:
    """What the terms of one job are made of: its board, the options, and the house's prices."""

    def __init__(self, job: Job, house: House, rates: RateCard, choice: BoardChoice) -> None:
        self.job, self.house, self.rates, self.choice = job, house, rates, choice
        self.code = rates.currency.code
        self.pieces = Input(name="pieces", value=Decimal(job.quantity), origin="quantity")
        self.area, self.sides = _charged_area(job.facts, rates)

    def every(self) -> Iterator[Element]:
        """Give all terms that apply."""
        measured = tuple(self._measured())
        yield from self._base()
        yield from self._options()
        yield from measured
        yield from self._density()
        yield from self._panel()
        yield from self._named(fine_paid=bool(measured))

    def _fixed(self, key: str, title: str, price: Decimal, at: str, rule: str) -> Element:
        return fixed(key, title, price, self.code, self.house.cite(at), rule)

    def _cited(self, name: str, value: Decimal, at: str, *, per: str = "") -> Input:
        """Give an amount of money, with its place in the sheet."""
        return Input(name=name, value=value, unit=self.code + per, origin=self.house.cite(at))

    def _factor(self, name: str, value: Decimal, table: str, words: str) -> Input:
        origin = f"{self.house.cite(f'rates.{table}')}, {words}"
        return Input(name=name, value=value, origin=origin)

    def _base(self) -> Iterator[Element]:
        rates, facts, quantity = self.rates, self.job.facts, self.job.quantity
        yield self._fixed("setup", "set-up", rates.setup, "rates.setup", "once per set of files")
        tier = find_tier(facts, quantity, rates)
        title = f"base price up to {tier.width_mm:f} x {tier.height_mm:f} mm"
        fits = "smallest size the piece fits into"
        yield self._fixed("base", title, tier.price, f"{tier.at}.price", fits)
        rate = find_area_rate(quantity, rates)
        layers, copper = f"{facts.layers} layers", self.choice.copper_oz.normalize()
        by_layers = rates.layer_factor.get(Decimal(facts.layers))
        by_copper = rates.copper_factor.get(copper)
        if by_layers is None or by_copper is None:
            raise Unpriced(
                f"no area factor for {layers} of {copper:f} oz/ft2",
                remedy="add it to [rates.layer_factor] or [rates.copper_factor]",
                rule=NO_PRICE,
            )
        lead = self.choice.lead_time
        if lead not in rates.lead_time:
            raise Unpriced(
                f"lead time '{lead}' is not offered by '{self.house.name}'",
                remedy=_OR + ", ".join(rates.lead_time),
                option="lead_time",
            )
        yield Element(
            key="area",
            title="area",
            rule="price per dm2 falls with quantity; factors for layers, copper and lead time",
            expression=f"pieces * ({self.area}) * per_dm2 * layers * copper * lead_time",
            inputs=(
                self.pieces,
                *self.sides,
                self._cited("per_dm2", rate.per_dm2, f"{rate.at}.per_dm2", per="/dm2"),
                self._factor("layers", by_layers, "layer_factor", layers),
                self._factor("copper", by_copper, "copper_factor", f"{copper:f} oz/ft2"),
                self._factor("lead_time", rates.lead_time[lead], "lead_time", lead),
            ),
        )

    def _options(self) -> Iterator[Element]:
        choice, options = self.choice, self.house.options
        thickness = choice.thickness_mm
        for step in self.rates.thickness:
            if step.applies(thickness):
                title, at = f"thickness {thickness:f} mm", f"{step.at}.price"
                yield self._fixed("thickness", title, step.price, at, "thin or thick boards")
        colour = options.colours[choice.colour]
        if colour.surcharge:
            title, at = f"mask colour {colour.key}", f"options.colours.{colour.key}.surcharge"
            unusual = "colours other than the usual one"
            yield self._fixed("colour", title, colour.surcharge, at, unusual)
        finish = options.finishes[choice.finish]
        place, per_dm2 = f"options.finishes.{finish.key}", finish.surcharge_per_dm2
        if finish.surcharge or per_dm2:
            yield Element(
                key="finish",
                title=f"finish {finish.title}",
                rule="fixed price and price per dm2 of board",
                expression=f"fixed + pieces * ({self.area}) * finish_per_dm2",
                inputs=(
                    self._cited("fixed", finish.surcharge, f"{place}.surcharge"),
                    self.pieces,
                    *self.sides,
                    self._cited(
                        "finish_per_dm2", per_dm2, f"{place}.surcharge_per_dm2", per="/dm2"
                    ),
                ),
            )

    def _measured(self) -> Iterator[Element]:
        for key, value, step in dearest_steps(self.job.facts, self.rates):
            title = f"{FINE[key]}, {value:f} mm"
            met = f"measured {value:f} mm, below {step.below_mm} mm"
            yield self._fixed(key, title, step.price, f"{step.at}.price", met)

    def _density(self) -> Iterator[Element]:
        dense, at = self.rates.hole_density, "rates.hole_density"
        if dense.per_dm2 is None or not dense.extra_hole:
            return
        beyond = f"ceil(max(holes - holes_per_dm2 * ({self.area}), 0))"
        density = Element(
            key="hole-density",
            title="holes beyond the density included",
            rule="each hole of each piece beyond the density",
            expression=f"pieces * {beyond} * extra_hole",
            inputs=(
                self.pieces,
                Input(name="holes", value=Decimal(self.job.facts.holes), origin="measured"),
                Input(
                    name="holes_per_dm2",
                    value=dense.per_dm2,
                    origin=self.house.cite(f"{at}.per_dm2"),
                ),
                *self.sides,
                self._cited("extra_hole", dense.extra_hole, f"{at}.extra_hole"),
            ),
        )
        if density.value:
            yield density

    def _panel(self) -> Iterator[Element]:
        rates, designs = self.rates, self.job.designs
        if designs > 1:
            if not self.house.options.several_designs:
                raise Unpriced(
                    f"'{self.house.name}' does not take several designs on one panel",
                    remedy="order the designs apart",
                )
            price = _priced(rates.extra_design, "a further design on a panel", "extra_design")
            yield Element(
                key="extra-design",
                title="further designs on the panel",
                rule="each design beyond the first",
                expression="(designs - 1) * extra_design",
                inputs=(
                    Input(name="designs", value=Decimal(designs), origin="order"),
                    self._cited("extra_design", price, "rates.extra_design"),
                ),
            )
        if self.job.panel:
            price = _priced(rates.panel, "a panel", "panel")
            yield self._fixed("panel", "panel", price, "rates.panel", "several boards a piece")

    def _named(self, *, fine_paid: bool) -> Iterator[Element]:
        """Extras by name; the fine class is one of them unless a measured surcharge pays for it."""
        extras, asked = self.rates.extras, self.choice.extras
        names = list(asked)
        fine = self.house.fine_surcharge if self.job.facts.needs_fine and not fine_paid else ""
        if fine and fine not in names:
            names.append(fine)
        for name in names:
            if name not in extras:
                raise Unpriced(
                    f"extra '{name}' is not offered by '{self.house.name}'",
                    remedy=_OR + (", ".join(extras) or "none"),
                )
            why = "asked for by name" if name in asked else "the board needs the fine class"
            title = name.replace("-", " ")
            yield self._fixed(name, title, extras[name], f"rates.extras.{name}", why)


def _priced(price: Decimal | None, what: str, key: str) -> Decimal:
    if price is None:
        raise Unpriced(f"no price for {what}", remedy=f"add {key} to [rates]", rule=NO_PRICE)
    return price


def _charged_area(facts: BoardFacts, rates: RateCard) -> tuple[str, tuple[Input, ...]]:
    """Area of one piece that is charged: sides rounded up to the step, at least the minimum."""
    inputs = [
        Input(name="width_mm", value=facts.width_mm, unit="mm", origin="measured outline"),
        Input(name="height_mm", value=facts.height_mm, unit="mm", origin="measured outline"),
    ]
    width, height = "width_mm", "height_mm"
    if rates.area.step_mm:
        inputs.append(Input(name="step_mm", value=rates.area.step_mm, unit="mm"))
        width, height = (f"ceil({side} / step_mm) * step_mm" for side in (width, height))
    # Rounding is part of the expression, so that the formula in the workbook shows it, too.
    expression = f"{width} * {height} / {DM2}"
    if rates.area.min_dm2:
        inputs.append(Input(name="min_dm2", value=rates.area.min_dm2, unit="dm2"))
        expression = f"max({expression}, min_dm2)"
    return expression, tuple(inputs)


# The parcel


GRAMS_PER_KG = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Parcel:
    """The parcel of a board order."""

    weight_g: Decimal
    """Charged weight: true or volumetric, with packing."""
    parcels: int
    band_g: Decimal
    """Limit of the band each parcel falls into."""
    share_of_band: Decimal
    element: Element


def weigh_parcel(jobs: Sequence[Job], house: House, rates: RateCard, order: Order) -> Parcel:
    """Charged weight and shipping price of a board order.

    A weight equal to a band's limit belongs to the band; beyond the largest band the order is
    split into full parcels and a last one with the rest (common practice).
    """
    thickness, copper = order.choice.thickness_mm, order.choice.copper_oz
    boards = sum((j.facts.weight_g(thickness, copper) * j.quantity for j in jobs), Decimal(0))
    ship = rates.shipping
    weight = boards * (1 + ship.packing_share) + ship.packing_g
    how = (
        f"{boards:.3f} g of boards + {ship.packing_share * 100:.0f} % + {ship.packing_g:f} g "
        f"packing = {weight:.3f} g"
    )
    if ship.volumetric_divisor:
        longest = max(max(j.facts.width_mm, j.facts.height_mm) for j in jobs)
        widest = max(min(j.facts.width_mm, j.facts.height_mm) for j in jobs)
        # One stack of all boards; the divisor is in cm3 for a kg.
        stack = thickness * sum(j.quantity for j in jobs) + ship.stack_height_mm
        volumetric = longest * widest * stack / 1000 / ship.volumetric_divisor * GRAMS_PER_KG
        if volumetric > weight:
            weight = volumetric
            how = f"volumetric weight {weight:.3f} g"
    top = ship.bands[-1].up_to_g
    parcels = max(Decimal(1), (weight / top).to_integral_value(rounding=ROUND_CEILING))
    rest = weight - (parcels - 1) * top
    band = next(b for b in ship.bands if rest <= b.up_to_g)
    element = Element(
        key="shipping",
        title=f"parcel of up to {band.up_to_g:f} g"
        + (f", and {parcels - 1} of {top:f} g" if parcels > 1 else ""),
        rule="smallest weight band that holds the parcel; beyond the largest, full parcels first",
        expression="full_parcels * top_price + band_price",
        inputs=(
            Input(name="full_parcels", value=parcels - 1, origin=how),
            Input(
                name="top_price",
                value=ship.bands[-1].price,
                unit=rates.currency.code,
                origin=house.cite(f"{ship.bands[-1].at}.price"),
            ),
            Input(
                name="band_price",
                value=band.price,
                unit=rates.currency.code,
                origin=house.cite(f"{band.at}.price"),
            ),
        ),
    )
    return Parcel(
        weight_g=weight,
        parcels=int(parcels),
        band_g=band.up_to_g,
        share_of_band=rest / band.up_to_g,
        element=element,
    )


# Duty, tax and handling; parts


def tax_lines(lines: Iterable[Line], tax: Tax, target: Currency) -> tuple[Line, ...]:
    """Duty, tax and handling on the boards, in the currency of the sheet.

    The value that counts is goods and shipping (or goods alone); thresholds are passed when the
    value tested is above them.  What is paid at checkout costs as much, but no carrier's fee.
    """
    if tax.vat_rate is None and tax.duty_rate is None:
        return ()
    there = tuple(lines)
    goods = tuple(a.key for a in there if a.group is Group.BOARDS)
    carried = tuple(a.key for a in there if a.group in (Group.BOARDS, Group.SHIPPING))
    amounts = {a.key: a.amount for a in there}
    noted = f"{tax.at}, {tax.date}" + (f", {tax.source}" if tax.source else "")

    def total(name: str, keys: tuple[str, ...]) -> Input:
        value = sum((amounts[k] for k in keys), Decimal(0))
        return Input(name=name, value=value, unit=target.code, origin="lines above", lines=keys)

    def given(name: str, value: Decimal) -> Input:
        return Input(name=name, value=value, origin=noted)

    value_keys = carried if tax.customs_value == "cif" else goods
    tested = total("tested", goods if tax.test == "goods" else carried)
    value = total("customs_value", value_keys)
    made: list[Line] = []

    def add(key: str, title: str, group: Group, expression: str, *inputs: Input) -> None:
        element = Element(
            key=key, title=title, rule=f"{title}, as entered", expression=expression, inputs=inputs
        )
        line = Line(
            key=key,
            title=title,
            group=group,
            elements=(element,),
            invoice=target,
            target=target,
            # Duty and tax may be charged in whole units; the carrier's fee is not.
            whole_units=tax.whole_units and group is not Group.HANDLING,
        )
        made.append(line)
        # The rounded amount, as it is charged: tax is taken on it, and the carrier advances it.
        amounts[key] = line.amount

    if tax.duty_rate:
        add(
            "duty",
            "duty",
            Group.DUTY,
            "duty_rate * customs_value * above(tested, duty_threshold)",
            given("duty_rate", tax.duty_rate),
            value,
            tested,
            given("duty_threshold", tax.duty_threshold),
        )
    if tax.vat_rate:
        duty = ("duty",) if tax.duty_rate else ()
        add(
            "vat",
            "value added tax",
            Group.TAX,
            "vat_rate * taxed * above(tested, vat_threshold)",
            given("vat_rate", tax.vat_rate),
            total("taxed", (*value_keys, *duty)),
            tested,
            given("vat_threshold", tax.vat_threshold),
        )
    if (tax.handling or tax.handling_share) and made and not tax.prepaid:
        advanced = total("advanced", tuple(a.key for a in made))
        add(
            "handling",
            "handling by the carrier",
            Group.HANDLING,
            "above(advanced, 0) * (handling + handling_share * advanced)",
            advanced,
            given("handling", tax.handling),
            given("handling_share", tax.handling_share),
        )
    return tuple(made)


def parts_lines(
    bill: Bill, plan: Plan, tax: Tax, target: Currency, exchange: Input | None
) -> tuple[Line, ...]:
    """Lines of everything a plan buys; tax is added where the parts book's prices are net."""
    line = partial(Line, invoice=bill.currency, target=target, exchange=exchange)
    lines = [
        line(
            key=f"part {p.key}",
            title=f"{p.bought} x {p.title} ({p.shop})",
            group=Group.PARTS,
            elements=(_goods(p, bill.currency),),
            lasting=p.lasting,
        )
        for p in plan.purchases
    ]
    lines += [
        line(
            key=f"shop {shop.shop}",
            title=f"shipping from {shop.shop}",
            group=Group.PARTS_SHIPPING,
            elements=charges,
        )
        for shop in plan.shops
        if (charges := tuple(_charges(shop, bill.currency)))
    ]
    if tax.vat_rate and not bill.prices_gross and lines:
        key, title = "parts-vat", "value added tax on parts"
        value = sum((a.amount for a in lines), Decimal(0))
        keys = tuple(a.key for a in lines)
        vat = Element(
            key=key,
            title=title,
            rule="the parts book's prices are net",
            expression="vat_rate * parts",
            inputs=(
                Input(name="vat_rate", value=tax.vat_rate, origin=tax.at),
                Input(name="parts", value=value, origin="lines above", lines=keys),
            ),
        )
        lines.append(
            Line(
                key=key,
                title=title,
                group=Group.PARTS_SHIPPING,
                elements=(vat,),
                invoice=target,
                target=target,
            )
        )
    return tuple(lines)


def _goods(bought: Purchase, money: Currency) -> Element:
    price, pieces = bought.unit_price, Decimal(bought.bought)
    return Element(
        key="goods",
        title=bought.reason,
        rule="price of the largest break not above the pieces bought",
        expression="bought * unit_price",
        inputs=(
            Input(name="bought", value=pieces, origin=bought.reason),
            Input(name="unit_price", value=price, unit=money.code, origin=bought.at),
        ),
    )


def _charges(shop: ShopOrder, money: Currency) -> Iterator[Element]:
    small = "goods below the shop's limit"
    for key, title, price, rule in (
        ("parcel", "shipping", shop.shipping, "once a shop"),
        ("small-order", "small order fee", shop.small_order_fee, small),
    ):
        if price:
            yield fixed(key, title, price, money.code, shop.at, rule)

"""What comes on top of the boards: the parcel, duty, tax and handling; and the parts."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import ROUND_CEILING, Decimal

from fabkit.costs.board_line import Job, fixed
from fabkit.costs.model import Element, Group, Input, Line
from fabkit.parts.model import Bill, Lasting, Plan
from fabkit.sheets.house import House
from fabkit.sheets.money import Currency
from fabkit.sheets.order import Order, Tax
from fabkit.sheets.rates import RateCard

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
    code = bill.currency.code

    def line(key: str, title: str, group: Group, *terms: Element, lasts: Lasting | None) -> Line:
        return Line(
            key=key,
            title=title,
            group=group,
            elements=terms,
            invoice=bill.currency,
            target=target,
            exchange=exchange,
            lasting=lasts,
        )

    lines: list[Line] = []
    for p in plan.purchases:
        each = Input(name="unit_price", value=p.unit_price, unit=code, origin=p.at)
        goods = Element(
            key="goods",
            title=p.reason,
            rule="price of the largest break not above the pieces bought",
            expression="bought * unit_price",
            inputs=(Input(name="bought", value=Decimal(p.bought), origin=p.reason), each),
        )
        title = f"{p.bought} x {p.title} ({p.shop})"
        lines.append(line(f"part {p.key}", title, Group.PARTS, goods, lasts=p.lasting))
    for shop in plan.shops:
        charges = (
            ("parcel", "shipping", shop.shipping, "once a shop"),
            (
                "small-order",
                "small order fee",
                shop.small_order_fee,
                "goods below the shop's limit",
            ),
        )
        terms = [
            fixed(key, title, price, code, shop.at, rule)
            for key, title, price, rule in charges
            if price
        ]
        if terms:
            title = f"shipping from {shop.shop}"
            lines.append(line(f"shop {shop.shop}", title, Group.PARTS_SHIPPING, *terms, lasts=None))
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

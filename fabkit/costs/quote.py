"""The quote: board facts, parts list, house and order in, cost sheet with its remarks out."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import Final

from fabkit.base.findings import Finding, Severity, worst_first
from fabkit.base.units import counted, some_titles
from fabkit.costs.invoice import Unpriced, dearest_steps, rates_of, weigh_parcel
from fabkit.costs.model import UNNAMED, Basis, BoardFacts, CostSheet, HouseRow, LaidPanel, Offer
from fabkit.costs.offers import (
    Design,
    best_of,
    compare_ways,
    curve_quantities,
    designs_of,
    jobs_of,
    pieces_needed,
    price_quantity,
    shown_quantities,
    target_currency,
    try_cheapest,
    with_marginals,
)
from fabkit.costs.sensitivity import find_effects, price_revisions
from fabkit.costs.sharing import share_cost
from fabkit.parts.model import Bill
from fabkit.rules import load_rule
from fabkit.sheets.house import House, Learned
from fabkit.sheets.order import Order
from fabkit.sheets.prices import find_currency

CARD_OLD: Final = load_rule("cost/card-old")
INVENTED: Final = load_rule("cost/invented")
NEAR_TIER: Final = load_rule("cost/near-tier")
QUANTITY: Final = load_rule("cost/quantity-not-allowed")
SMALL_DRILL: Final = load_rule("cost/small-drill")
FINE_TRACK: Final = load_rule("cost/fine-track")
BUY_UP: Final = load_rule("cost/more-costs-less")
TAX_EMPTY: Final = load_rule("cost/tax-empty")
NEAR_BAND: Final = load_rule("cost/near-band")
SPLIT_PARCEL: Final = load_rule("cost/split-parcel")
LITHIUM: Final = load_rule("cost/lithium")
PANEL: Final = load_rule("cost/panel")
PARTS_UNPRICED: Final = load_rule("cost/parts-unpriced")
SHORT: Final = load_rule("cost/not-enough")


def quote(
    facts: BoardFacts | Sequence[BoardFacts],
    bill: Bill | None,
    house: House,
    order: Order,
    *,
    others: Sequence[House] = (),
    today: date | None = None,
    laid: LaidPanel | None = None,
) -> CostSheet:
    """Price an order.

    What the house does not offer, or has no price for, is a finding and leaves the sheet without
    offers: a total with a hole in it is never shown.

    Parameters
    ----------
    facts
        Of each design of the order, in its order.
    bill
        Parts list of the keyboard; None prices bare boards.
    others
        Further houses to compare with.
    today
        For the age of prices; None leaves it unjudged.
    laid
        One panel of the boards, as they were laid; None prices it by their boxes.

    Raises
    ------
    UsageError
        Facts and order do not belong together.
    """
    measured = (facts,) if isinstance(facts, BoardFacts) else tuple(facts)
    try:
        sheet = _quote(measured, bill, house, order, others, today)
        ways = compare_ways(measured, house=house, order=order, bill=bill, laid=laid)
        return replace(sheet, ways=ways)
    except Unpriced as error:
        where = order.place_of_option(error.option)
        # What an invented house does not offer, a real one may.
        most = Severity.WARNING if house.invented and not error.option else error.rule.severity
        problem = Finding.of(
            error.rule, f"{where}{error.message}", advice=error.hint, severity=most
        )
        code = order.currency or (house.rates.currency.code if house.rates else "cu")
        return CostSheet(
            name=order.name,
            house=house.name,
            currency=find_currency(code),
            houses=compare_houses(measured, bill, (house, *others), order) if others else (),
            problems=(problem,),
            notices=notices_of(house, bill),
            terms=_terms(measured, house, order, bill),
        )


def _quote(
    measured: Sequence[BoardFacts],
    bill: Bill | None,
    house: House,
    order: Order,
    others: Sequence[House],
    today: date | None,
) -> CostSheet:
    designs = designs_of(measured, order)
    need = pieces_needed(designs, order)

    def priced(quantities: Sequence[int]) -> tuple[Offer, ...]:
        return tuple(
            price_quantity(designs, q, house=house, order=order, bill=bill) for q in quantities
        )

    curve = with_marginals(priced(curve_quantities(need, house)))
    offers = with_marginals(priced(order.quantities or shown_quantities(need, house)))
    best = best_of(curve)
    problems: list[Finding] = [
        *house_remarks(house, order, bill, today),
        *invented_remarks(house, bill),
        *facts_remarks(measured, house),
        *offer_remarks(offers, curve, designs, house, order),
        *(bill_remarks(bill, order, today) if bill is not None else ()),
    ]
    return CostSheet(
        name=order.name,
        house=house.name,
        currency=target_currency(house, order),
        offers=offers,
        best=best,
        curve=curve,
        basis=Basis(house=house, order=order, facts=tuple(measured), bill=bill),
        unpriced=unpriced_parts(bill),
        untaxed=untaxed(house, order, bill),
        revisions=price_revisions(best, designs, house=house, order=order, bill=bill)
        if best is not None and bill is not None
        else None,
        shares=share_cost(best, order, bill) if best is not None else (),
        effects=find_effects(best, designs, house=house, order=order, bill=bill)
        if best is not None
        else (),
        houses=compare_houses(measured, bill, (house, *others), order) if others else (),
        problems=worst_first(problems),
        notices=(*notices_of(house, bill), *learned_notices(house, best, measured)),
        terms=_terms(measured, house, order, bill),
    )


def compare_houses(
    facts: Sequence[BoardFacts], bill: Bill | None, houses: Sequence[House], order: Order
) -> tuple[HouseRow, ...]:
    """Find each house's cheapest covering offer, cheapest first; houses without one come last."""
    designs = designs_of(facts, order)
    rows = []
    for house in houses:
        found = try_cheapest(designs, house=house, order=order, bill=bill)
        rows.append(
            HouseRow(
                name=house.name, offer=found.offer, reason=found.reason, invented=house.invented
            )
        )
    return tuple(sorted(rows, key=lambda r: (r.offer is None, r.offer.total if r.offer else 0)))


def _wanted(order: Order) -> str:
    return "board" if all(one.use == "none" for one in order.boards) else "keyboard"


def _spare(halves: int) -> str:
    return "1 spare half" if halves == 1 else f"{halves} spare halves"


def _terms(
    measured: Sequence[BoardFacts], house: House, order: Order, bill: Bill | None
) -> Mapping[str, str]:
    choice = order.choice
    terms = {
        "house": house.name,
        "prices of": str(rates_of(house).date) if house.rates else "no prices",
        "thickness": choice.thickness_words,
        "copper": f"{choice.copper_oz:f} oz/ft2",
        "mask": choice.colour,
        "finish": house.finish_title(choice.finish) or choice.finish,
        "lead time": choice.lead_time,
        # What is not chosen but costs more.
        **({"class": "fine (as checked)"} if any(f.needs_fine for f in measured) else {}),
        "wanted": counted(order.keyboards, _wanted(order))
        + (" and " + _spare(order.spare_halves) if order.spare_halves else ""),
    }
    if bill is not None and order.reuse_share:
        worth = bill.currency.format(bill.left_worth(order.reuse_share))
        terms["left-over parts are worth"] = f"{worth}, at {order.reuse_share * 100:.0f} %"
    if choice.extras:
        terms["extras"] = ", ".join(choice.extras)
    return terms


# Remarks: what is close to a price step, missing, invented, or learned from quotes


NEAR_TIER_MM = Decimal(2)
NEAR_TIER_SHARE = Decimal("0.02")
"""A side this little over a tier may be worth shrinking (common practice)."""
NEAR_BAND_SHARE = Decimal("0.95")


def house_remarks(
    house: House, order: Order, bill: Bill | None, today: date | None
) -> Iterator[Finding]:
    """Age of the prices, and taxes left out; invented prices do not age."""
    if not house.invented:
        yield from _age(f"the prices of '{house.name}'", rates_of(house).date, order, today)
    missing = untaxed(house, order, bill)
    if missing:
        yield Finding.of(TAX_EMPTY, f"the total is shown without {' and '.join(missing)}")


def _age(what: str, day: date, order: Order, today: date | None) -> Iterator[Finding]:
    age = (today - day).days if today is not None else 0
    if age > order.price_age_days:
        yield Finding.of(
            CARD_OLD,
            f"{what} are of {day}, {age} days ago",
            measured=float(age),
            limit=float(order.price_age_days),
            unit="days",
        )


def untaxed(house: House, order: Order, bill: Bill | None) -> tuple[str, ...]:
    """Name what of tax and duty the order states no rate of, where prices are net."""
    tax, missing = order.tax, []
    if rates_of(house).tax == "net":
        rates = (("tax", tax.vat_rate), ("duty", tax.duty_rate))
        missing += [word for word, rate in rates if rate is None]
    elif bill is not None and bill.plan.purchases and not bill.prices_gross:
        missing += ["tax on the parts"] if tax.vat_rate is None else []
    return tuple(missing)


def invented_remarks(house: House, bill: Bill | None) -> Iterator[Finding]:
    """Name the sheets whose prices are made up, in one finding."""
    notices = notices_of(house, bill)
    if notices:
        yield Finding.of(INVENTED, "; ".join(dict.fromkeys(notices)))


def notices_of(house: House, bill: Bill | None) -> tuple[str, ...]:
    """Give what every output must repeat of the sheets that prices are from."""
    return tuple(n for n in (house.notice, *(bill.notices if bill else ())) if n)


def facts_remarks(facts: Sequence[BoardFacts], house: House) -> Iterator[Finding]:
    """Sizes just over a tier, and surcharges a few features cause."""
    rates = rates_of(house)
    for board in facts:
        if board.panel:
            yield Finding.of(
                PANEL,
                f"{board.name} is a {board.panel}; a piece is a panel of "
                f"{board.width_mm:f} × {board.height_mm:f} mm",
                count=board.boards,
            )
        sides = sorted((board.width_mm, board.height_mm))
        for size in dict.fromkeys((t.width_mm, t.height_mm) for t in rates.tiers):
            limits = sorted(size)
            over = [s - a for s, a in zip(sides, limits, strict=True)]
            worst = max(over)
            # Either side must be near: shrinking one helps nothing where the other is far too long.
            near = all(
                o < NEAR_TIER_MM or o < a * NEAR_TIER_SHARE
                for o, a in zip(over, limits, strict=True)
            )
            if worst > 0 and near:
                yield Finding.of(
                    NEAR_TIER,
                    f"{board.name} is {worst:f} mm over the size {size[0]:f} x {size[1]:f} mm",
                    measured=float(max(sides)),
                    limit=float(max(limits)),
                    unit="mm",
                )
        for key, value, step in dearest_steps(board, rates):
            drill = key == "small-drill"
            if step.price:
                yield Finding.of(
                    SMALL_DRILL if drill else FINE_TRACK,
                    f"{board.name}: {value:f} mm costs {step.price} {rates.currency.code} extra",
                    measured=float(value),
                    limit=float(step.below_mm) if step.below_mm is not None else None,
                    unit="mm",
                    count=max(1, board.smallest_drill_count if drill else 1),
                )


def offer_remarks(
    offers: Sequence[Offer],
    curve: Sequence[Offer],
    designs: Sequence[Design],
    house: House,
    order: Order,
) -> Iterator[Finding]:
    """Report what is special about the quantities asked for, or found to be near the need."""
    rates = rates_of(house)
    for offer in offers:
        if not offer.allowed:
            good = house.next_quantity(offer.quantity)
            yield Finding.of(
                QUANTITY,
                f"{offer.quantity} pieces: '{house.name}' takes {house.minimum} or more, in steps "
                f"of {house.step}",
                advice=f"Ask for {good}.",
                measured=float(offer.quantity),
                limit=float(good),
            )
        # Beside the need a smaller quantity is shown to compare with.
        if not offer.covers and order.quantities:
            enough = next((o.quantity for o in curve if o.covers), None)
            yield Finding.of(
                SHORT,
                f"{offer.quantity} pieces give {offer.halves_good} halves, "
                f"{offer.halves_wanted} are wanted",
                advice=f"Order {enough}." if enough else "",
            )
        better = [o for o in curve if o.quantity > offer.quantity and o.total < offer.total]
        if better:
            best = min(better, key=lambda o: (o.total, o.quantity))
            yield Finding.of(
                BUY_UP,
                f"{best.quantity} pieces cost {offer.currency.format(best.total)}, "
                f"{offer.quantity} cost {offer.currency.format(offer.total)}",
                advice=f"Order {best.quantity}.",
            )
        jobs = jobs_of(designs, offer.quantity, house, order)
        parcel = weigh_parcel(jobs, house, rates, order)
        if parcel.parcels > 1:
            yield Finding.of(
                SPLIT_PARCEL,
                f"{offer.quantity} pieces weigh {parcel.weight_g / 1000:.2f} kg: "
                f"{parcel.parcels} parcels",
            )
        elif parcel.share_of_band > NEAR_BAND_SHARE:
            yield Finding.of(
                NEAR_BAND,
                f"{offer.quantity} pieces weigh {parcel.weight_g:.0f} g with packing, the band "
                f"ends at {parcel.band_g:f} g",
                measured=float(parcel.weight_g),
                limit=float(parcel.band_g),
                unit="g",
            )


def unpriced_parts(bill: Bill | None) -> tuple[str, ...]:
    """Name the parts that must be bought and have no price; none where no parts are counted."""
    if bill is None:
        return ()
    # Single parts, a controller or a jack, cost more than what is there by the dozen.
    lone = sorted(bill.unpriced, key=lambda a: a.need(bill.usage))
    named = (a.title.removesuffix(", value not stated") for a in lone)
    # Pads without a name, a controller that is on no board: the list knows it is not whole.
    return (*named, *((UNNAMED,) if not bill.whole else ()))


def bill_remarks(bill: Bill, order: Order, today: date | None) -> Iterator[Finding]:
    """Parts without a price, lithium cells, age of the parts book."""
    unpriced = [a.title for a in bill.unpriced]
    if unpriced:
        yield Finding.of(
            PARTS_UNPRICED,
            f"without price: {some_titles(unpriced, 5)}",
            count=len(unpriced),
        )
    cells = [a.title for a in bill.lines if a.caution == "lithium"]
    if cells:
        yield Finding.of(LITHIUM, f"lithium cells in the order: {', '.join(cells)}")
    if bill.prices_date and not bill.notices:
        yield from _age(
            "the parts book's prices", date.fromisoformat(bill.prices_date), order, today
        )


def learned_notices(
    house: House, best: Offer | None, facts: Sequence[BoardFacts]
) -> tuple[str, ...]:
    """State what a total from learned prices is worth; nothing for stated prices."""
    if house.learned is None or best is None:
        return ()
    money, total, off = best.currency.format, best.total, best.spread
    said = f"prices of '{house.name}' are learned from {counted(house.learned.quotes, 'quote')}"
    if off:
        said += (
            f": this order of {best.boards} boards costs between {money(total - off)} and "
            f"{money(total + off)}"
        )
    beyond = "; ".join(_beyond(house.learned, best, facts))
    return (said, f"beyond what was quoted, so uncertain: {beyond}") if beyond else (said,)


def _beyond(learned: Learned, best: Offer, facts: Sequence[BoardFacts]) -> Iterator[str]:
    first, last = learned.quantities
    for pieces in sorted({n for n in best.pieces if n and not first <= n <= last}):
        yield f"{pieces} boards (quotes: {first} to {last})"
    long, short = learned.up_to_mm
    for one in facts:
        if max(one.width_mm, one.height_mm) > long or min(one.width_mm, one.height_mm) > short:
            yield (
                f"{one.name}, {one.width_mm:f} × {one.height_mm:f} mm (quotes: up to {long:f} × "
                f"{short:f} mm)"
            )
    if learned.up_to_g is not None and best.weight_g > learned.up_to_g:
        yield f"a parcel of {best.weight_g:.0f} g (quotes: up to {learned.up_to_g:.0f} g)"
    if learned.lacking:
        yield f"{', '.join(learned.lacking)} (in no quote, so nothing is counted)"

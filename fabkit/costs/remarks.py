"""Remarks on a quote: what is close to a price step, missing, invented, or learned from quotes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from decimal import Decimal

from fabkit.base.findings import Finding
from fabkit.base.units import counted, some_titles
from fabkit.costs import rules
from fabkit.costs.board_line import dearest_steps, rates_of
from fabkit.costs.facts import BoardFacts
from fabkit.costs.landed_lines import weigh_parcel
from fabkit.costs.model import Offer
from fabkit.costs.offers import Design, jobs_of
from fabkit.parts.model import Bill
from fabkit.sheets.house import House, Learned
from fabkit.sheets.order import Order

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
        yield Finding.of(rules.TAX_EMPTY, f"the total is shown without {' and '.join(missing)}")


def _age(what: str, day: date, order: Order, today: date | None) -> Iterator[Finding]:
    age = (today - day).days if today is not None else 0
    if age > order.price_age_days:
        yield Finding.of(
            rules.CARD_OLD,
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
        yield Finding.of(rules.INVENTED, "; ".join(dict.fromkeys(notices)))


def notices_of(house: House, bill: Bill | None) -> tuple[str, ...]:
    """Give what every output must repeat of the sheets that prices are from."""
    return tuple(n for n in (house.notice, *(bill.notices if bill else ())) if n)


def facts_remarks(facts: Sequence[BoardFacts], house: House) -> Iterator[Finding]:
    """Sizes just over a tier, and surcharges a few features cause."""
    rates = rates_of(house)
    for board in facts:
        if board.panel:
            yield Finding.of(
                rules.PANEL,
                f"{board.name} is a {board.panel}; a piece is a panel of "
                f"{board.width_mm:f} × {board.height_mm:f} mm",
                count=board.boards,
            )
        sides = sorted((board.width_mm, board.height_mm))
        for size in dict.fromkeys((t.width_mm, t.height_mm) for t in rates.tiers):
            limits = sorted(size)
            over = [s - a for s, a in zip(sides, limits, strict=True)]
            worst = max(over)
            near = all(
                o < NEAR_TIER_MM or o < a * NEAR_TIER_SHARE
                for o, a in zip(over, limits, strict=True)
            )
            if worst > 0 and near:
                yield Finding.of(
                    rules.NEAR_TIER,
                    f"{board.name} is {worst:f} mm over the size {size[0]:f} x {size[1]:f} mm",
                    measured=float(max(sides)),
                    limit=float(max(limits)),
                    unit="mm",
                )
        for key, value, step in dearest_steps(board, rates):
            drill = key == "small-drill"
            if step.price:
                yield Finding.of(
                    rules.SMALL_DRILL if drill else rules.FINE_TRACK,
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
                rules.QUANTITY,
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
                rules.SHORT,
                f"{offer.quantity} pieces give {offer.halves_good} halves, "
                f"{offer.halves_wanted} are wanted",
                advice=f"Order {enough}." if enough else "",
            )
        better = [o for o in curve if o.quantity > offer.quantity and o.total < offer.total]
        if better:
            best = min(better, key=lambda o: (o.total, o.quantity))
            yield Finding.of(
                rules.BUY_UP,
                f"{best.quantity} pieces cost {offer.currency.format(best.total)}, "
                f"{offer.quantity} cost {offer.currency.format(offer.total)}",
                advice=f"Order {best.quantity}.",
            )
        jobs = jobs_of(designs, offer.quantity, house, order)
        parcel = weigh_parcel(jobs, house, rates, order)
        if parcel.parcels > 1:
            yield Finding.of(
                rules.SPLIT_PARCEL,
                f"{offer.quantity} pieces weigh {parcel.weight_g / 1000:.2f} kg: "
                f"{parcel.parcels} parcels",
            )
        elif parcel.share_of_band > NEAR_BAND_SHARE:
            yield Finding.of(
                rules.NEAR_BAND,
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
    return (*named, *(("parts that the files do not name",) if not bill.whole else ()))


def bill_remarks(bill: Bill, order: Order, today: date | None) -> Iterator[Finding]:
    """Parts without a price, lithium cells, age of the parts book."""
    unpriced = [a.title for a in bill.unpriced]
    if unpriced:
        yield Finding.of(
            rules.PARTS_UNPRICED,
            f"without price: {some_titles(unpriced, 5)}",
            count=len(unpriced),
        )
    cells = [a.title for a in bill.lines if a.caution == "lithium"]
    if cells:
        yield Finding.of(rules.LITHIUM, f"lithium cells in the order: {', '.join(cells)}")
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

"""Pricing one quantity, the quantities tried, and the ways to make the pair."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from decimal import ROUND_CEILING, Decimal
from functools import partial
from typing import Final

from fabkit.base.errors import UsageError
from fabkit.costs.invoice import (
    Job,
    Unpriced,
    board_elements,
    parts_lines,
    rates_of,
    tax_lines,
    weigh_parcel,
)
from fabkit.costs.lines import Element, Group, Input, Line
from fabkit.costs.model import BoardFacts, LaidPanel, Offer, Way, WayKey
from fabkit.parts.model import Bill, Plan
from fabkit.rules import load_rule
from fabkit.sheets.house import House, Learned
from fabkit.sheets.order import Order, lead_numbers
from fabkit.sheets.prices import Currency, find_currency

CURRENCY: Final = load_rule("cost/no-exchange-rate")

CURVE_STEPS = 24
"""Order steps looked at beyond the need when the cheapest quantity is searched."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Design:
    """One design of the order, as it is ordered.

    Parameters
    ----------
    facts
        Of one piece (a board, or a panel).
    halves
        Halves one piece gives; 0 for a plate that goes with them.
    designs, panel
        As in :class:`Job`.
    beside
        Of a plate or another board beside those that give the halves: how many in one keyboard.
    """

    facts: BoardFacts
    halves: int
    designs: int = 1
    panel: bool = False
    beside: int = 0


def designs_of(facts: Sequence[BoardFacts], order: Order) -> tuple[Design, ...]:
    """Pair the order's own designs with their facts, in order.

    Raises
    ------
    UsageError
        Not one set of facts per board of the order.
    """
    if len(facts) != len(order.boards):
        raise UsageError(
            f"{len(order.boards)} boards are ordered, but {len(facts)} were measured",
            hint="give the facts of each [[board]] of the order, in its order",
        )
    leads = lead_numbers(order.boards)
    return tuple(
        Design(
            facts=f,
            halves=b.halves * f.boards if number in leads else 0,
            panel=f.boards > 1,
            beside=0 if number in leads else b.per_keyboard,
        )
        for number, (f, b) in enumerate(zip(facts, order.boards, strict=True))
    )


def pieces_needed(designs: Sequence[Design], order: Order) -> int:
    """Pieces of each design that give the wanted halves, after the expected failures."""
    halves = order.halves_wanted
    if sum(d.halves > 0 for d in designs) > 1:  # a spare half may be a left or a right one
        halves = 2 * (order.keyboards + -(-order.spare_halves // 2))
    return _with_failures(-(-halves // sum(d.halves for d in designs)), order)


def _with_failures(good: int, order: Order) -> int:
    """Fewest pieces of which so many are expected to be good."""
    least = int((good / order.good_share).to_integral_value(rounding=ROUND_CEILING))
    # The quotient is rounded in its last digit: multiplied back it may fall just short.
    while int(least * order.good_share) < good:
        least += 1
    return least


def good_halves(designs: Sequence[Design], quantity: int, order: Order) -> int:
    """Halves of the pieces that are expected to be good."""
    return sum(d.halves for d in designs) * int(quantity * order.good_share)


def jobs_of(designs: Sequence[Design], quantity: int, house: House, order: Order) -> list[Job]:
    """List what is ordered of each design for a quantity of those that give the halves.

    Plates are ordered for the halves that are built, not for boards left over.
    """
    halves = min(good_halves(designs, quantity, order), order.halves_wanted)

    def pieces(design: Design) -> int:
        if not design.beside:
            return quantity
        # Counted for a keyboard of two halves; a half too many is made up to a whole board.
        boards = -(-design.beside * halves // 2)
        needed = _with_failures(-(-boards // design.facts.boards), order)
        return house.next_quantity(max(1, needed))

    return [
        Job(facts=d.facts, quantity=pieces(d), designs=d.designs, panel=d.panel) for d in designs
    ]


def target_currency(house: House, order: Order) -> Currency:
    """Currency of the cost sheet: the order's, or the card's."""
    if order.currency is None or order.currency == rates_of(house).currency.code:
        return rates_of(house).currency
    return find_currency(order.currency)


def exchange_to(currency: Currency, target: Currency, order: Order) -> Input | None:
    """Find the rate from a currency to the sheet's; None when they are the same.

    Raises
    ------
    Unpriced
        There is no rate.
    """
    if currency.code == target.code:
        return None
    for row in order.exchange:
        if row.from_currency == currency.code:
            note = f"{row.date or 'undated'}{', ' + row.source if row.source else ''}"
            return Input(
                name="exchange",
                value=row.rate,
                unit=f"{target.code} per {currency.code}",
                origin=f"order file, {note}",
            )
    raise Unpriced(
        f"no exchange rate from {currency.code} to {target.code}",
        remedy=f'add [[money.exchange]] with from = "{currency.code}" to the order file',
        rule=CURRENCY,
    )


def price_quantity(
    designs: Sequence[Design],
    quantity: int,
    *,
    house: House,
    order: Order,
    bill: Bill | None = None,
    plan: Plan | None = None,
) -> Offer:
    """Price one quantity of the designs that give the halves, and the plates that go with it.

    Parameters
    ----------
    plan
        Parts to count in; the bill's own plan when None.

    Raises
    ------
    Unpriced
        An option is not offered, a price or an exchange rate is missing.
    """
    rates = rates_of(house)
    target = target_currency(house, order)
    exchange = exchange_to(rates.currency, target, order)
    jobs = jobs_of(designs, quantity, house, order)

    line = partial(Line, invoice=rates.currency, target=target, exchange=exchange)
    lines = [
        line(
            key=f"boards {i}" if len(jobs) > 1 else "boards",
            title=f"{job.quantity} x {job.facts.name}",
            group=Group.BOARDS,
            elements=board_elements(job, house, order.choice),
        )
        for i, job in enumerate(jobs, start=1)
    ]
    parcel = weigh_parcel(jobs, house, rates, order)
    lines.append(
        line(
            key="shipping",
            title="shipping of the boards",
            group=Group.SHIPPING,
            elements=(parcel.element,),
        )
    )
    if rates.tax == "net":
        lines.extend(tax_lines(lines, order.tax, target))
    if bill is not None:
        chosen = plan or bill.plan
        # Where nothing is bought a missing rate is no reason to refuse.
        at_rate = exchange_to(bill.currency, target, order) if chosen.purchases else None
        lines.extend(parts_lines(bill, chosen, order.tax, target, at_rate))
    made = sum(d.halves for d in designs) * quantity
    good = good_halves(designs, quantity, order)
    return Offer(
        quantity=quantity,
        pieces=tuple(job.quantity for job in jobs),
        halves_made=made,
        halves_good=good,
        halves_used=min(good, order.halves_wanted),
        halves_wanted=order.halves_wanted,
        allowed=house.allowed(quantity),
        lines=tuple(lines),
        weight_g=parcel.weight_g,
        currency=target,
        spread=spread_of(lines, house.learned, parcel.weight_g, target),
    )


def spread_of(
    lines: Sequence[Line], learned: Learned | None, weight_g: Decimal, currency: Currency
) -> Decimal:
    """Money by which boards, shipping, tax and duty may be off either way; 0 for stated prices.

    Doubts of separate rules are added as squares, because they seldom err together.  Tax and duty
    are off by the same share as what they are taken on.
    """
    if learned is None:
        return Decimal(0)
    squares = paid = charged = Decimal(0)
    for line in lines:
        if line.group in (Group.BOARDS, Group.SHIPPING):
            rate = line.exchange.value if line.exchange is not None else Decimal(1)
            paid += line.amount
            squares += sum(
                ((rate * _doubt(e, learned, weight_g)) ** 2 for e in line.elements), Decimal(0)
            )
        elif line.group in (Group.DUTY, Group.TAX):
            charged += line.amount
    share = charged / paid if paid else Decimal(0)
    return currency.round(squares.sqrt() * (1 + share))


def _doubt(element: Element, learned: Learned, weight_g: Decimal) -> Decimal:
    values = {i.name: i.value for i in element.inputs}
    # A doubt may lie between two quotes: of area in pieces, of size in mm, of parcels in gram.
    measure = {
        "area": values.get("pieces"),
        "base": max(values.get("width_mm", Decimal(0)), values.get("height_mm", Decimal(0))),
        "shipping": weight_g,
    }.get(element.key)
    worst = Decimal(0)
    for one in learned.unsure:
        if one.rule != element.key:
            continue
        if one.between is not None and (
            measure is None or not one.between[0] < measure < one.between[1]
        ):
            continue
        worst = max(worst, one.amount + one.share * element.value)
    return worst


MOST_BELOW: Final = 200
MOST_BEYOND: Final = 400
"""Quantities priced below the need, for the chart, and from it on: each is priced whole."""


def curve_quantities(need: int, house: House) -> tuple[int, ...]:
    """List allowed quantities from the minimum to well beyond the need and next price breaks.

    Below a large need they are thinned out; from the need on each is there, at most
    :data:`MOST_BEYOND`, and then the price breaks.
    """
    rates = rates_of(house)
    first, least = house.next_quantity(1), house.next_quantity(need)
    top = least + CURVE_STEPS * house.step
    breaks = [*(a.from_quantity for a in rates.area.rates), *(t.from_quantity for t in rates.tiers)]
    # Breaks far beyond the need are left out.
    near = {house.next_quantity(b) for b in breaks if b <= 4 * top}
    stride = house.step * max(1, -(-(least - first) // (house.step * MOST_BELOW)))
    beyond = range(least, max([top, *near]) + 1, house.step)[:MOST_BEYOND]
    return tuple(sorted({*range(first, least, stride), *beyond, *near}))


def shown_quantities(need: int, house: House) -> tuple[int, ...]:
    """Quantities to show when the order names none: one step below the need to two above."""
    least = house.next_quantity(need)
    around = (least - house.step, least, least + house.step, least + 2 * house.step)
    return tuple(q for q in around if house.allowed(q))


def with_marginals(offers: Sequence[Offer]) -> tuple[Offer, ...]:
    """Offers with the price of the step to the next one; the last has none."""
    return tuple(
        replace(a, marginal=b.total - a.total) if b is not None else a
        for a, b in zip(offers, [*offers[1:], None], strict=True)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Priced:
    """The cheapest offer that covers the need, or why there is none."""

    offer: Offer | None
    reason: str


def try_cheapest(
    designs: Sequence[Design], *, house: House, order: Order, bill: Bill | None
) -> Priced:
    """Find the cheapest offer that covers the need among all quantities; the smaller on a tie."""
    try:
        need = pieces_needed(designs, order)
        offer = best_of(
            price_quantity(designs, q, house=house, order=order, bill=bill)
            for q in curve_quantities(need, house)
            if q >= need
        )
    except Unpriced as error:
        return Priced(offer=None, reason=error.message)
    return Priced(offer=offer, reason="" if offer else "no quantity tried covers the need")


def best_of(offers: Iterable[Offer]) -> Offer | None:
    """Choose the cheapest offer that covers the need; the smaller quantity on a tie."""
    return min((o for o in offers if o.covers), key=lambda o: (o.total, o.quantity), default=None)


def panel_of(boards: Sequence[BoardFacts], gap_mm: Decimal, *, stacked: bool) -> BoardFacts:
    """Facts of a panel that holds the boards side by side (or stacked) with a routed gap."""
    first = boards[0]
    gaps = gap_mm * (len(boards) - 1)
    widths = [b.width_mm for b in boards]
    heights = [b.height_mm for b in boards]
    drills = [b.smallest_drill_mm for b in boards if b.smallest_drill_mm is not None]
    tracks = [b.smallest_track_mm for b in boards if b.smallest_track_mm is not None]
    return replace(
        first,
        name=" + ".join(dict.fromkeys(b.name for b in boards)) + " panel",
        width_mm=max(widths) if stacked else sum(widths, gaps),
        height_mm=sum(heights, gaps) if stacked else max(heights),
        area_mm2=sum(b.area_mm2 for b in boards),
        smallest_drill_mm=min(drills, default=None),
        smallest_track_mm=min(tracks, default=None),
        holes=sum(b.holes for b in boards),
        needs_fine=any(b.needs_fine for b in boards),
    )


def compare_ways(
    facts: Sequence[BoardFacts],
    *,
    house: House,
    order: Order,
    bill: Bill | None,
    laid: LaidPanel | None = None,
) -> tuple[Way, ...]:
    """Price each way to make the pair, cheapest quantity each; the same parts and plates in all.

    The ways not ordered are estimates: they suppose boards of the measured size.  A panel is
    priced as its boards were ``laid``, else by their boxes.
    """
    if order.leads[0].use not in ("reversible", "left", "right"):
        return ()
    designs = designs_of(facts, order)
    halves = [d.facts for d in designs if not d.beside]
    beside = tuple(d for d in designs if d.beside)
    left, right = halves[0], halves[-1]
    # A reversible board has to hold what either half holds.
    bigger = max(halves, key=lambda f: f.width_mm * f.height_mm)
    ordered: WayKey = "reversible" if order.reversible else "two designs"
    if order.panel is not None:
        ordered = "one panel"
    panels = (
        [_laid_panel(designs, laid)]
        if laid is not None
        else [
            (*_boxed_panel((left, right), len(halves), house, stacked=s), beside)
            for s in (False, True)
        ]
    )
    ways: list[tuple[WayKey, str, list[tuple[Design, ...]]]] = [
        ("reversible", "one reversible design", [(Design(facts=bigger, halves=1), *beside)]),
        (
            "two designs",
            "left and right as two designs",
            [(Design(facts=left, halves=1), Design(facts=right, halves=1), *beside)],
        ),
        (
            "one panel",
            _PANELS[order.panel is not None, order.reversible],
            [(panel, *plates) for panel, _, plates in panels],
        ),
    ]
    found = []
    for key, title, choices in ways:
        offer, chosen, reason = _best(choices, house=house, order=order, bill=bill)
        found.append(
            Way(
                key=key,
                title=title,
                offer=offer,
                ordered=key == ordered,
                reason=reason,
                note=panels[chosen][1] if key == "one panel" else "",
            )
        )
    return tuple(found)


_PANELS: Final = {
    (False, False): "left and right on one panel",
    (False, True): "two of one design on one panel",
    (True, False): "all boards on one panel",
    (True, True): "all boards on one panel",
}
"""The way by panels: whether the order asks for it, and whether one design makes either half."""


def _boxed_panel(
    pair: tuple[BoardFacts, BoardFacts], designs: int, house: House, *, stacked: bool
) -> tuple[Design, str]:
    """Both halves side by side or stacked, for panels may fall into different size tiers."""
    gap = Decimal(str(house.limit("panel_gap_mm").value))
    facts = panel_of(pair, gap, stacked=stacked)
    waste = 1 - sum(one.area_mm2 for one in pair) / float(facts.width_mm * facts.height_mm)
    note = _panel_note(facts, "by boxes", waste)
    return Design(facts=facts, halves=2, designs=designs, panel=True), note


def _laid_panel(
    designs: Sequence[Design], laid: LaidPanel
) -> tuple[Design, str, tuple[Design, ...]]:
    """Panel whose boards were laid, what it is, and the designs that go beside it."""
    on = [(d, count) for d, count in zip(designs, laid.counts, strict=True) if count]
    every = [d.facts for d, count in on for _ in range(count)]
    facts = replace(
        panel_of(every, Decimal(0), stacked=False), width_mm=laid.width_mm, height_mm=laid.height_mm
    )
    halves = sum(d.halves * count for d, count in on)
    beside = tuple(d for d, count in zip(designs, laid.counts, strict=True) if not count)
    note = _panel_note(facts, "by outlines", laid.waste_share)
    return Design(facts=facts, halves=halves, designs=len(on), panel=True), note, beside


def _panel_note(facts: BoardFacts, how: str, waste: float) -> str:
    size = f"{facts.width_mm:.1f} x {facts.height_mm:.1f} mm"
    return f"{size} {how}, waste {100 * waste:.0f} %"


def _best(
    choices: Sequence[Sequence[Design]], *, house: House, order: Order, bill: Bill | None
) -> tuple[Offer | None, int, str]:
    """Cheapest offer among choices, and the number of its choice; or none, and why."""
    offers: list[tuple[Offer, int]] = []
    reasons = []
    for number, designs in enumerate(choices):
        refusal = _too_large(designs, house)
        if refusal:
            reasons.append(refusal)
            continue
        priced = try_cheapest(designs, house=house, order=order, bill=bill)
        if priced.offer is not None:
            offers.append((priced.offer, number))
        reasons.append(priced.reason)
    if offers:
        return *min(offers, key=lambda found: found[0].total), ""
    return None, 0, reasons[0]


def _too_large(designs: Sequence[Design], house: House) -> str:
    limit = house.limit("board_max_mm")
    for design in designs:
        longest = max(design.facts.width_mm, design.facts.height_mm)
        if not limit.allows(float(longest)):
            return f"{longest:f} mm is longer than {limit.value:g} mm ({limit.source})"
    return ""

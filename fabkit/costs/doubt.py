"""How far a price may be off whose rules were learned from quotes, and where they do not reach."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal

from fabkit.base.units import counted
from fabkit.costs.facts import BoardFacts
from fabkit.costs.model import Element, Group, Line, Offer
from fabkit.sheets.house import House, Learned
from fabkit.sheets.money import Currency


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

"""What a change does to the cost of a half: another price, option, revision or board."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

from fabkit.costs.invoice import Unpriced
from fabkit.costs.lines import PARTS_GROUPS, Element, Group, Input, Line
from fabkit.costs.model import Effect, Offer, Revisions
from fabkit.costs.offers import Design, Priced, price_quantity
from fabkit.parts.model import Bill, Lasting
from fabkit.sheets.house import House
from fabkit.sheets.order import BoardChoice, Order

CHANGE = Decimal("1.1")
# No prices: a tenth more of these would be another order.
_COUNTS = ("pieces", "full_parcels", "designs", "bought", "holes", "holes_per_dm2")


def find_effects(
    best: Offer, designs: Sequence[Design], *, house: House, order: Order, bill: Bill | None
) -> tuple[Effect, ...]:
    """Effects on the cost per half, largest first.

    Prices, rates and sides are raised by 10 % one at a time, with tiers, bands and quantities
    held; options are exchanged one at a time and priced anew at the same quantity.
    """
    base = best.per_half
    if base is None:
        return ()
    effects = [
        *_price_effects(best, base),
        *_option_effects(best, base, designs, house=house, order=order, bill=bill),
    ]
    moved = [e for e in effects if e.difference]
    return tuple(sorted(moved, key=lambda e: (-abs(e.difference), e.key)))


def recalculate(lines: Sequence[Line], change: Callable[[Input], Decimal]) -> list[Line]:
    """Calculate the same lines with inputs changed; sums of other lines follow."""
    amounts: dict[str, Decimal] = {}
    made = []
    for line in lines:
        elements = []
        for element in line.elements:
            inputs = tuple(
                replace(
                    i,
                    value=sum((amounts[k] for k in i.lines), Decimal(0)) if i.lines else change(i),
                )
                for i in element.inputs
            )
            elements.append(replace(element, inputs=inputs))
        exchange = line.exchange
        if exchange is not None:
            exchange = replace(exchange, value=change(exchange))
        new = replace(line, elements=tuple(elements), exchange=exchange)
        amounts[new.key] = new.amount
        made.append(new)
    return made


def _price_effects(best: Offer, base: Decimal) -> Iterator[Effect]:
    # One price may stand in several lines: by name and origin it is raised in all of them together.
    seen: dict[tuple[str, str], str] = {}
    for line in best.lines:
        for element in line.elements:
            for item in element.inputs:
                if item.name not in _COUNTS and not item.lines:
                    what = line.title if item.name == "unit_price" else element.title
                    name = item.name.replace("_", " ")
                    said = what if name == what.replace("-", "") else f"{name}, {what}"
                    seen.setdefault((item.name, item.origin), said)
        if line.exchange is not None:
            seen.setdefault((line.exchange.name, line.exchange.origin), "exchange rate")
    for key, title in seen.items():

        def change(item: Input, key: tuple[str, str] = key) -> Decimal:
            return item.value * CHANGE if (item.name, item.origin) == key else item.value

        changed = replace(best, lines=tuple(recalculate(best.lines, change)))
        half = changed.per_half
        if half is not None:
            yield Effect(
                key=f"{key[0]} {key[1]}",
                title=title,
                change="+10 %",
                per_half=half,
                difference=half - base,
            )


def _option_effects(
    best: Offer,
    base: Decimal,
    designs: Sequence[Design],
    *,
    house: House,
    order: Order,
    bill: Bill | None,
) -> Iterator[Effect]:
    # Choices of one kind that cost the same are one row.
    alike: dict[tuple[str, Decimal], list[str]] = {}
    for what, value, choice in _choices(order.choice, house):
        try:
            offer = price_quantity(
                designs, best.quantity, house=house, order=replace(order, choice=choice), bill=bill
            )
        except Unpriced:
            continue
        half = offer.per_half
        if half is not None:
            alike.setdefault((what, half), []).append(value)
    for (what, half), values in alike.items():
        title = f"{what} {', '.join(values)}"
        yield Effect(
            key=title, title=title, change="instead", per_half=half, difference=half - base
        )


def _choices(choice: BoardChoice, house: House) -> Iterator[tuple[str, str, BoardChoice]]:
    """Give each other choice that the house offers: what it is, its name, and the choice."""
    options = house.options
    for thickness in options.thickness_mm:
        if thickness != float(choice.thickness_mm):
            yield (
                "thickness",
                f"{thickness:g} mm",
                replace(choice, thickness_mm=Decimal(f"{thickness:g}")),
            )
    for copper in options.copper_oz:
        if copper != float(choice.copper_oz):
            ounces = Decimal(f"{copper:g}")
            yield "copper", f"{copper:g} oz/ft2", replace(choice, copper_oz=ounces)
    for colour in options.colours:
        if colour != choice.colour:
            yield "colour", colour, replace(choice, colour=colour)
    for finish in options.finishes:
        if finish != choice.finish:
            yield "finish", finish, replace(choice, finish=finish)
    if house.rates is not None:
        for lead in house.rates.lead_time:
            if lead != choice.lead_time:
                yield "lead time", lead, replace(choice, lead_time=lead)
    for extra in choice.extras:
        rest = tuple(e for e in choice.extras if e != extra)
        yield "without", extra, replace(choice, extras=rest)


# Later revisions


BREAK_EVEN_LIMIT = 50
"""More revisions than anyone builds."""


def price_revisions(
    best: Offer, designs: Sequence[Design], *, house: House, order: Order, bill: Bill
) -> Revisions:
    """Cost per half of the first build and of each further revision.

    A further revision buys boards again and the bill's rebuild plan: used-up parts less what the
    first build left over, and what the others lost.  "All new" solders everything: no sockets are
    bought, nothing moves on.
    """
    halves = Decimal(order.halves_wanted)
    again = price_quantity(
        designs, best.quantity, house=house, order=order, bill=bill, plan=bill.rebuild
    )
    first, later = best.total / halves, again.total / halves
    holders = {f"part {a.key}" for a in bill.lines if a.lets_carry}
    sockets = sum((a.amount for a in best.lines if a.key in holders), Decimal(0)) / halves
    all_new = first - sockets
    planned = order.revisions
    carried = sum(
        (
            a.amount
            for a in best.lines
            if a.group is Group.PARTS and a.lasting is Lasting.CARRIED_OVER
        ),
        Decimal(0),
    )
    return Revisions(
        planned=planned,
        first=first,
        next=later,
        average=(first + (planned - 1) * later) / planned,
        all_new_average=all_new,
        break_even=find_break_even(first, later, all_new),
        used_up=(best.total - carried) / halves,
        carried_over=carried / halves,
    )


def find_break_even(first: Decimal, later: Decimal, all_new: Decimal) -> int | None:
    """Smallest number of revisions at which ``first + (n - 1) later`` is at most ``n all_new``.

    >>> find_break_even(Decimal(50), Decimal(20), Decimal(40))
    2
    """
    for n in range(1, BREAK_EVEN_LIMIT + 1):
        if first + (n - 1) * later <= n * all_new:
            return n
    return None


# Another board


@dataclass(frozen=True, slots=True, kw_only=True)
class LineChange:
    """One line of the quote, as its share of a half, unrounded.

    ``reasons`` are the terms that changed: title, before, after (amounts of the whole order).
    """

    key: str
    title: str
    before: Decimal
    after: Decimal
    reasons: tuple[tuple[str, Decimal, Decimal], ...]

    @property
    def difference(self) -> Decimal:
        """What the line adds to a half."""
        return self.after - self.before


@dataclass(frozen=True, slots=True, kw_only=True)
class CostChange:
    """Cost of one half on the old board and on the new one.

    Parameters
    ----------
    before, after
        The cheapest order that covers the need; None when there is none.
    lines
        Lines that changed, the dearest first; their differences add up to that of the halves.
    tiers
        Base price rows of the house that each board falls into.
    reason
        Why there is no price; empty when there is.
    without_parts
        Why parts are left out of both prices; empty when they are in.
    """

    before: Offer | None
    after: Offer | None
    lines: tuple[LineChange, ...]
    tiers: tuple[str, str]
    reason: str
    without_parts: str = ""

    @property
    def difference(self) -> Decimal | None:
        """What a half costs more; negative when it costs less."""
        if self.before is None or self.after is None:
            return None
        a, b = self.before.per_half, self.after.per_half
        return None if a is None or b is None else b - a

    @property
    def tier_crossed(self) -> bool:
        """Whether the boards are priced by different rows of the house's base prices."""
        return self.tiers[0] != self.tiers[1]


def compare_costs(old: Priced, new: Priced) -> CostChange:
    """Compare the cheapest offers for two boards that were priced by the same order."""
    before, after = old.offer, new.offer
    if before is None or after is None:
        name, lacking = ("OLD", old) if before is None else ("NEW", new)
        reason = f"{name} has no price: {lacking.reason}"
        return CostChange(before=before, after=after, lines=(), tiers=("", ""), reason=reason)
    return CostChange(
        before=before,
        after=after,
        lines=_changed_lines(before, after),
        tiers=(_tier(before), _tier(after)),
        reason="",
    )


def _changed_lines(before: Offer, after: Offer) -> tuple[LineChange, ...]:
    mine, theirs = ({a.key: a for a in offer.lines} for offer in (before, after))
    made = []
    for key in dict.fromkeys([*theirs, *mine]):
        a, b = mine.get(key), theirs.get(key)
        either = b or a
        assert either is not None  # noqa: S101 -- the key came from one of the two
        change = LineChange(
            key=key,
            title=either.group.value if either.group not in PARTS_GROUPS else either.title,
            before=_share(before, a),
            after=_share(after, b),
            reasons=_reasons(a, b),
        )
        if change.difference:
            made.append(change)
    return tuple(sorted(made, key=lambda c: (-abs(c.difference), c.key)))


def _share(offer: Offer, line: Line | None) -> Decimal:
    """Share a line's amount among the halves, as ``Offer.per_half`` does."""
    if line is None:
        return Decimal(0)
    halves = offer.halves_wanted if line.group in PARTS_GROUPS else offer.halves_used
    return line.amount / halves if halves else Decimal(0)


def _reasons(a: Line | None, b: Line | None) -> tuple[tuple[str, Decimal, Decimal], ...]:
    mine, theirs = (
        {e.key: e for e in line.elements} if line is not None else {} for line in (a, b)
    )
    found = []
    for key in dict.fromkeys([*theirs, *mine]):
        before, after = mine.get(key), theirs.get(key)
        values = [e.value if e is not None else Decimal(0) for e in (before, after)]
        if values[0] != values[1]:
            found.append((_title(before, after), values[0], values[1]))
    return tuple(found)


def _title(before: Element | None, after: Element | None) -> str:
    titles = dict.fromkeys(e.title for e in (before, after) if e is not None)
    return " became ".join(titles)


def _tier(offer: Offer) -> str:
    return next((e.title for line in offer.lines for e in line.elements if e.key == "base"), "")

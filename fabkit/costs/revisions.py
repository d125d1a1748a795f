"""First build against later revisions."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from fabkit.costs.model import Group, Offer, Revisions
from fabkit.costs.offers import Design, price_quantity
from fabkit.parts.model import Bill, Lasting
from fabkit.sheets.house import House
from fabkit.sheets.order import Order

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

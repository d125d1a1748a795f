"""Sharing an order: what each builder gets, pays and still owes, exact to the cent."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

from fabkit.base.units import counted
from fabkit.costs.lines import Group, Line
from fabkit.costs.model import SHARE_KINDS, CostSheet, Offer, Share
from fabkit.parts.model import Bill
from fabkit.sheets.order import Builder, Order


def share_cost(offer: Offer, order: Order, bill: Bill | None) -> tuple[Share, ...]:
    """Split everything that is paid among builders by whole keyboards.

    Boards, parts, shipping, and duty with tax are each split by the largest remainder
    (:meth:`fabkit.sheets.prices.Currency.split`), so every column adds up to the cent.
    """
    builders = order.builders
    if not builders:
        return ()
    weights = [b.keyboards for b in builders]
    columns = [
        offer.currency.split(
            sum((a.amount for a in offer.lines if _kind(a) == kind), Decimal(0)), weights
        )
        for kind in SHARE_KINDS
    ]
    keeper = next((b.name for b in builders if b.keeps_left_overs), "")
    return tuple(
        Share(
            name=b.name,
            keyboards=b.keyboards,
            parts_of=parts,
            gets=tuple(_gets(b, order, bill)),
            shipping_out=b.shipping_out,
            paid=b.paid,
            keeps=tuple(_left_over(offer, order, bill)) if b.name == keeper else (),
            keeper=keeper,
        )
        for b, parts in zip(builders, zip(*columns, strict=True), strict=True)
    )


def _kind(line: Line) -> str:
    match line.group:
        case Group.BOARDS:
            return "boards"
        case Group.PARTS:
            return "parts"
        case Group.DUTY | Group.TAX | Group.HANDLING:
            return "duty_and_tax"
    return "duty_and_tax" if line.key == "parts-vat" else "shipping_in"


def _gets(builder: Builder, order: Order, bill: Bill | None) -> Iterator[tuple[int, str]]:
    for board in order.boards:
        yield builder.keyboards * board.per_keyboard, f"board {board.name}"
    for line in bill.lines if bill is not None else ():
        if line.per_keyboard:
            yield builder.keyboards * line.per_keyboard, line.title


def _left_over(offer: Offer, order: Order, bill: Bill | None) -> Iterator[tuple[int, str]]:
    """Boards and parts beyond what the builders get."""
    # Spare halves that were ordered are left over, too: they are in no keyboard of a builder.
    spare = offer.halves_good - 2 * order.keyboards
    if spare > 0:
        yield spare, "bare half" if spare == 1 else "bare halves"
    given = {a.key: order.keyboards * a.per_keyboard for a in bill.lines} if bill else {}
    for purchase in bill.plan.purchases if bill is not None else ():
        left = purchase.bought - given.get(purchase.key, purchase.need)
        if left > 0:
            yield left, purchase.title


def sharing_text(share: Share, costs: CostSheet) -> str:
    """Write a short text to send to one builder."""
    currency = costs.currency
    total = sum((s.amount for s in costs.shares), Decimal(0))
    rows = [
        *(
            (key.replace("_", " ").replace("shipping in", "shipping to whoever orders"), amount)
            for key, amount in zip(SHARE_KINDS, share.parts_of, strict=True)
        ),
        ("your share", share.amount),
    ]
    if share.shipping_out:
        rows.append(("onward shipping to you", share.shipping_out))
    if share.paid:
        rows.append(("paid in advance", -share.paid))
    rows.append(("you get back" if share.owed < 0 else "you owe", abs(share.owed)))
    digits = currency.digits
    lines = [
        f"{costs.name}: the share of {share.name}",
        "",
        f"{counted(share.keyboards, 'keyboard')}; the whole order costs {currency.format(total)}.",
        "",
        *(f"  {title:<28}{amount:>12,.{digits}f} {currency.code}" for title, amount in rows),
        "",
        "You get:",
        *(f"  {pieces:>5} x {title}" for pieces, title in share.gets),
    ]
    if share.keeps:
        lines += ["", "Left-overs, which you keep:"]
        lines += [f"  {pieces:>5} x {title}" for pieces, title in share.keeps]
    elif share.keeper and share.name != share.keeper:
        lines += ["", f"Left-overs stay with {share.keeper}."]
    # It goes into a mail: control characters from a name must not break its lines.
    shown = ("".join(c if c.isprintable() else "·" for c in line) for line in lines)
    return "\n".join(shown) + "\n"

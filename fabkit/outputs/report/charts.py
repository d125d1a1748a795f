"""Charts of the report, as SVG without styles of its own: classes are coloured by the page.

Every text is escaped; numbers are written with a fixed number of digits.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import ceil, floor, log10
from typing import Final
from xml.sax.saxutils import escape, quoteattr

from fabkit.costs.model import PARTS_GROUPS, CostSheet, Group, Offer

WIDTH: Final = 720
LEFT, RIGHT, TOP, BOTTOM = 64, 16, 16, 44


@dataclass(frozen=True, slots=True)
class Plot:
    """Where the curve's chart puts a quantity and an amount; the page uses the same numbers."""

    low: int
    high: int
    most: float
    height: int = 280

    def x(self, quantity: float) -> float:
        """Column of a quantity."""
        span = max(1, self.high - self.low)
        return LEFT + (quantity - self.low) / span * (WIDTH - LEFT - RIGHT)

    def y(self, amount: float) -> float:
        """Row of an amount."""
        return self.height - BOTTOM - amount / self.most * (self.height - TOP - BOTTOM)


def _nice(value: float, steps: int = 5) -> float:
    """Step of an axis: 1, 2 or 5 times a power of ten."""
    raw = value / steps
    power = 10 ** floor(log10(raw)) if raw > 0 else 1
    return next(k * power for k in (1, 2, 5, 10) if k * power >= raw - 1e-12)


def curve_plot(costs: CostSheet) -> Plot | None:
    """Axes for the cost of a half over the quantity; None when nothing is priced."""
    offers = [o for o in costs.curve if o.per_half is not None]
    if len(offers) < 2:
        return None
    most = max(float(o.per_half or 0) for o in offers)
    step = _nice(most)
    return Plot(offers[0].quantity, offers[-1].quantity, step * ceil(most / step))


def curve_chart(costs: CostSheet) -> str:
    """Cost of one half over the pieces ordered; empty when nothing is priced."""
    plot = curve_plot(costs)
    if plot is None:
        return ""
    offers = [o for o in costs.curve if o.per_half is not None]
    body = [_grid(plot, costs.currency.code)]
    for name, values in (
        ("bare", [float(o.per_half_used or 0) for o in offers]),
        ("whole", [float(o.per_half or 0) for o in offers]),
    ):
        body.append(_line(plot, [o.quantity for o in offers], values, name))
    best = costs.best
    if best is not None and best.per_half is not None and plot.low <= best.quantity <= plot.high:
        x, y = plot.x(best.quantity), plot.y(float(best.per_half))
        text = f"cheapest for what you want: {best.quantity}"
        end = x > WIDTH * 0.6
        body.append(
            f'<circle class="best" cx="{x:.1f}" cy="{y:.1f}" r="5"/>'
            f'<text class="best" x="{x + (-10 if end else 10):.1f}" y="{y + 24:.1f}"'
            f' text-anchor="{"end" if end else "start"}">{escape(text)}</text>'
        )
    body.append('<g class="now" visibility="hidden"><line/><circle r="6"/></g>')
    title = f"Cost of one half in {costs.currency.code}, by pieces ordered"
    return (
        f'<svg class="chart" viewBox="0 0 {WIDTH} {plot.height}" role="img"'
        f" aria-label={quoteattr(title)}>{''.join(body)}</svg>"
    )


def _grid(plot: Plot, code: str) -> str:
    step = _nice(plot.most)
    parts = []
    for k in range(round(plot.most / step) + 1):
        y = plot.y(k * step)
        parts.append(
            f'<line class="grid" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y:.1f}" y2="{y:.1f}"/>'
            f'<text x="{LEFT - 8}" y="{y + 4:.1f}" text-anchor="end">{k * step:g}</text>'
        )
    wide = max(1, round(_nice(plot.high - plot.low, 8)))
    ticks = [plot.low, *range(-(-(plot.low + 1) // wide) * wide, plot.high + 1, wide)]
    parts += [
        f'<text x="{plot.x(q):.1f}" y="{plot.height - BOTTOM + 18}" text-anchor="middle">{q}</text>'
        for q in ticks
    ]
    parts.append(
        f'<text x="{WIDTH - RIGHT}" y="{plot.height - 6}" text-anchor="end">pieces ordered</text>'
        f'<text x="4" y="{plot.height - 6}">{escape(code)} per half</text>'
    )
    return "".join(parts)


def _line(plot: Plot, quantities: Sequence[int], values: Sequence[float], name: str) -> str:
    points = [(plot.x(q), plot.y(v)) for q, v in zip(quantities, values, strict=True)]
    path = f"M{points[0][0]:.1f} {points[0][1]:.1f}"
    for (_, y0), (x, y) in pairwise(points):
        # Between two quantities that can be ordered the larger one is paid.
        path += f"V{y:.1f}H{x:.1f}" if y != y0 else f"H{x:.1f}"
    return f'<path class="{name}" d="{path}"/>'


SHARES: Final = (
    ("boards", (Group.BOARDS,)),
    ("shipping of the boards", (Group.SHIPPING,)),
    ("duty, tax, handling", (Group.DUTY, Group.TAX, Group.HANDLING)),
    ("parts with their shipping", PARTS_GROUPS),
)
"""What an order is paid for, in the order of the bars."""


def shares_of(offer: Offer) -> list[tuple[str, float]]:
    """Amount by what it is paid for."""
    return [
        (title, float(sum(a.amount for a in offer.lines if a.group in groups)))
        for title, groups in SHARES
    ]


def shares_chart(costs: CostSheet) -> str:
    """One bar an offer, cut by what is paid for; empty when nothing is priced."""
    if not costs.offers:
        return ""
    most = max(float(o.total) for o in costs.offers) or 1.0
    bar, gap, left, right = 26, 14, 120, 110
    height = len(costs.offers) * (bar + gap) + 6
    body = []
    for k, offer in enumerate(costs.offers):
        y, x = k * (bar + gap), float(left)
        body.append(
            f'<text x="{left - 10}" y="{y + bar * 0.68:.1f}" text-anchor="end">'
            f"{offer.boards} boards</text>"
        )
        for n, (title, amount) in enumerate(shares_of(offer)):
            wide = amount / most * (WIDTH - left - right)
            if wide > 0:
                body.append(
                    f'<rect class="s{n}" x="{x:.1f}" y="{y}" width="{max(wide - 1, 0.5):.1f}"'
                    f' height="{bar}"><title>{escape(f"{title}: {amount:.2f}")}</title></rect>'
                )
            x += wide
        total = costs.currency.format(offer.total)
        body.append(f'<text x="{x + 8:.1f}" y="{y + bar * 0.68:.1f}">{escape(total)}</text>')
    label = f"What each order is paid for, {costs.currency.code}"
    return (
        f'<svg class="chart" viewBox="0 0 {WIDTH} {height}" role="img"'
        f" aria-label={quoteattr(label)}>{''.join(body)}</svg>"
    )

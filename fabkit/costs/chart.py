"""Charts of a cost sheet, laid out once as marks; pages and files only draw them.

Places are in picture units, x to the right and y downwards.  What a mark looks like follows from
its kind: a page colours the kinds by its style, files by ``fabkit.outputs.charts``.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise
from math import ceil, floor, log10
from typing import Final, Literal

from fabkit.costs.model import CostSheet, Offer, shares_of

WIDTH: Final = 720
CURVE_HEIGHT: Final = 300
LEFT, RIGHT, TOP, BOTTOM = 64, 16, 34, 44
"""Room around the curves."""

TICK_ROOM: Final = 34
"""Least room between two numbers below the axis."""

ZOOMED: Final = 0.5
"""Where all amounts lie above this share of the largest, the axis does not begin at nought: the
differences are what the chart is for (our choice).  The axis then names its first amount."""

Align = Literal["left", "middle", "right"]


@dataclass(frozen=True, slots=True)
class Line:
    """A line through points."""

    kind: str
    points: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Dot:
    """A filled circle."""

    kind: str
    x: float
    y: float
    radius: float


@dataclass(frozen=True, slots=True)
class Bar:
    """A filled rectangle, ``x, y`` its upper left corner, with words for who points at it."""

    kind: str
    x: float
    y: float
    width: float
    height: float
    title: str = ""


@dataclass(frozen=True, slots=True)
class Words:
    """Text on a base line."""

    kind: str
    x: float
    y: float
    text: str
    align: Align = "left"


Mark = Line | Dot | Bar | Words


@dataclass(frozen=True, slots=True)
class Scale:
    """Where a chart puts a quantity and an amount; the page's script uses the same numbers."""

    low: int
    high: int
    least: float
    most: float

    left = LEFT
    wide = WIDTH - LEFT - RIGHT
    tall = CURVE_HEIGHT - TOP - BOTTOM
    foot = CURVE_HEIGHT - BOTTOM

    def x(self, quantity: float) -> float:
        """Column of a quantity."""
        return LEFT + (quantity - self.low) / max(1, self.high - self.low) * self.wide

    def y(self, amount: float) -> float:
        """Row of an amount."""
        return self.foot - (amount - self.least) / (self.most - self.least) * self.tall


@dataclass(frozen=True, slots=True)
class Chart:
    """A chart.

    Parameters
    ----------
    marks
        Bottom first.
    scale
        Of a chart over quantities.
    """

    title: str
    width: float
    height: float
    marks: tuple[Mark, ...]
    scale: Scale | None = None


def curve_chart(sheet: CostSheet) -> Chart:
    """Cost of a half (or board) over the pieces ordered, with its steps visible."""
    unit, halves = sheet.unit
    title = f"{sheet.name}: cost per {unit} in {sheet.currency.code}, by pieces ordered"
    offers = _interesting(sheet)
    if len(offers) < 2:
        middle = Words("note", WIDTH / 2, CURVE_HEIGHT / 2, "no price", "middle")
        return Chart(title, WIDTH, CURVE_HEIGHT, (middle,))
    lines = [("bare", "bare boards, landed", [_float(o.per_half_used, halves) for o in offers])]
    if any(o.parts_total for o in offers):
        lines.append(("whole", "with all parts", [_float(o.per_half, halves) for o in offers]))
    step, least, most = _amounts([v for *_, values in lines for v in values])
    quantities = [o.quantity for o in offers]
    scale = Scale(quantities[0], quantities[-1], least, most)
    marks = [*_short(sheet, scale, offers), *_axes(sheet, scale, step)]
    for kind, _, values in lines:
        marks.append(Line(kind, tuple(_steps(scale, quantities, values))))
    for _, words, values in lines:
        marks.append(Words("note", WIDTH - RIGHT, scale.y(values[-1]) - 8, words, "right"))
    return Chart(title, WIDTH, CURVE_HEIGHT, (*marks, *_best(sheet, scale)), scale)


def _float(per_half: Decimal | None, halves: int) -> float:
    return float(halves * (per_half or 0))


def _interesting(sheet: CostSheet) -> list[Offer]:
    """Cut the curve at three times the need, so that the steps can be seen."""
    curve = [o for o in sheet.curve if o.per_half is not None]
    covering = [o.quantity for o in curve if o.covers]
    shown = max((o.quantity for o in sheet.offers), default=0)
    top = max(3 * covering[0] if covering else 0, shown)
    return [o for o in curve if o.quantity <= top] or curve


def _amounts(values: Sequence[float]) -> tuple[float, float, float]:
    """Step of the axis, and where it begins and ends."""
    low, high = min(values), max(values)
    if low > ZOOMED * high:
        # A fifth of the largest is shown at least: cents must not look like a cliff.
        low = min(low, 0.8 * high)
        step = _nice(high - low)
        return step, step * floor(low / step), step * ceil(high / step)
    step = _nice(high)
    return step, 0.0, step * max(1, ceil(high / step))


def _nice(value: float) -> float:
    """Step of an axis that gives about five: 1, 2 or 5 times a power of ten."""
    raw = value / 5
    power = 10 ** floor(log10(raw)) if raw > 0 else 1
    return next(k * power for k in (1, 2, 5, 10) if k * power >= raw - 1e-12)


def _steps(
    scale: Scale, quantities: Sequence[int], values: Sequence[float]
) -> Iterator[tuple[float, float]]:
    """Between two quantities that can be ordered the larger one is paid."""
    points = [(scale.x(q), scale.y(v)) for q, v in zip(quantities, values, strict=True)]
    yield points[0]
    for (x0, y0), (x, y) in pairwise(points):
        if y != y0:
            yield x0, y
        yield x, y


def _short(sheet: CostSheet, scale: Scale, offers: Sequence[Offer]) -> Iterator[Mark]:
    """Shade the quantities that do not give what is wanted."""
    short = [o.quantity for o in offers if not o.covers]
    if short:
        wide = scale.x(max(short)) - LEFT
        yield Bar("short", LEFT, TOP, wide, scale.tall)
        noun = "halves" if sheet.unit[0] == "half" else "boards"
        yield Words("note", LEFT + 4, TOP + 14, f"up to {max(short)}: not enough {noun}")


def _axes(sheet: CostSheet, scale: Scale, step: float) -> Iterator[Mark]:
    for k in range(round((scale.most - scale.least) / step) + 1):
        amount = scale.least + k * step
        y = scale.y(amount)
        yield Line("grid", ((LEFT, y), (WIDTH - RIGHT, y)))
        yield Words("tick", LEFT - 8, y + 4, f"{amount:g}", "right")
    # The quantities that are priced in the table, then the end of the axis.
    priced = [o.quantity for o in sheet.offers if scale.low <= o.quantity <= scale.high]
    last = -TICK_ROOM * 1.0
    for quantity in dict.fromkeys((*priced, scale.high)):
        x = scale.x(quantity)
        if x - last >= TICK_ROOM:
            yield Words("tick", x, scale.foot + 18, f"{quantity}", "middle")
            last = x
    yield Words("tick", WIDTH - RIGHT, CURVE_HEIGHT - 6, "pieces ordered of each design", "right")
    begins = f", from {scale.least:g} up" if scale.least else ""
    yield Words("tick", 4, CURVE_HEIGHT - 6, f"{sheet.currency.code} per {sheet.unit[0]}{begins}")


def _best(sheet: CostSheet, scale: Scale) -> Iterator[Mark]:
    best, (unit, halves) = sheet.best, sheet.unit
    if best is None or best.per_half is None or not scale.low <= best.quantity <= scale.high:
        return
    each = halves * best.per_half
    x, y = scale.x(best.quantity), scale.y(float(each))
    yield Dot("best", x, y, 5)
    end = x > WIDTH * 0.6
    words = f"cheapest for what you want: {best.quantity}, {sheet.currency.format(each)} a {unit}"
    below = y + 24 if y + 24 < scale.foot else y - 12
    yield Words("best", x + (-10 if end else 10), below, words, "right" if end else "left")


def shares_chart(sheet: CostSheet) -> Chart:
    """One bar an offer, cut by what is paid for."""
    most = max((float(o.total) for o in sheet.offers), default=0.0) or 1.0
    bar, gap, left, right = 26, 14, 120, 110
    marks: list[Mark] = []
    for k, offer in enumerate(sheet.offers):
        y, x = k * (bar + gap), float(left)
        base = y + bar * 0.68
        marks.append(Words("tick", left - 10, base, f"{offer.boards} boards", "right"))
        for n, (title, amount) in enumerate(shares_of(offer)):
            wide = float(amount) / most * (WIDTH - left - right)
            if wide > 0:
                words = f"{title}: {amount:.2f}"
                marks.append(Bar(f"s{n}", x, y, max(wide - 1, 0.5), bar, words))
            x += wide
        marks.append(Words("tick", x + 8, base, sheet.currency.format(offer.total)))
    title = f"What each order is paid for, {sheet.currency.code}"
    return Chart(title, WIDTH, len(sheet.offers) * (bar + gap) + 6, tuple(marks))

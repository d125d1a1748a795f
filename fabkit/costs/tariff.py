"""What is learned from quotes, a tariff and weight bands, and the house sheet written from it.

A tariff is a sum of terms that are never negative: a fixed price, steps by size and quantity, a
price per area that falls with quantity, surcharges.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from itertools import pairwise
from typing import Final, Literal

from fabkit.costs.lines import figure
from fabkit.sheets.house import LARGEST_MM, Learned, Unsure
from fabkit.sheets.quotes import Asked
from fabkit.sheets.toml_text import to_literal

Kind = Literal[
    "setup",
    "size",
    "more",
    "rate",
    "fewer",
    "layers",
    "copper",
    "thin",
    "thick",
    "colour",
    "colour-but",
    "finish",
    "finish-area",
]


@dataclass(frozen=True, slots=True)
class Term:
    """One rule of a tariff.

    Parameters
    ----------
    kind
        ``size``: larger than a box (``at`` its longer and shorter side); ``more``: from a
        quantity on; ``rate``: per dm2; ``fewer``: more per dm2 below a quantity; ``layers`` and
        ``copper``: more per dm2; the others are surcharges.
    at
        Where it begins.
    name
        Of the colour or finish.
    """

    kind: Kind
    at: tuple[Decimal, ...] = ()
    name: str = ""

    @property
    def weight(self) -> float:
        """What it costs to suppose it; rarer rules a little more."""
        return {"setup": 1.0, "rate": 1.0, "more": 1.3, "finish-area": 1.2}.get(self.kind, 1.05)

    def applies(self, asked: Asked) -> bool:
        """Whether a request meets it."""
        match self.kind:
            case "size":
                return asked.long_mm > self.at[0] or asked.short_mm > self.at[1]
            case "more":
                return asked.quantity >= self.at[0]
            case "fewer":
                return asked.quantity < self.at[0]
            case "layers":
                return asked.layers == self.at[0]
            case "copper":
                return asked.copper_oz == self.at[0]
            case "thin":
                return asked.thickness_mm < self.at[0]
            case "thick":
                return asked.thickness_mm > self.at[0]
            case "colour":
                return asked.colour == self.name
            case "colour-but":
                return asked.colour != self.name
            case "finish" | "finish-area":
                return asked.finish == self.name
        return True

    @property
    def by_area(self) -> bool:
        """Whether it is paid for each dm2."""
        return self.kind in ("rate", "fewer", "layers", "copper", "finish-area")


@dataclass(frozen=True, slots=True, kw_only=True)
class Tariff:
    """Terms with their prices.

    Parameters
    ----------
    prices
        Of each term, as it is written in a sheet.
    spread
        How far each price may be off, either way.
    minimum
        Least price of an order; 0: none.
    step_mm, min_dm2
        Sides are rounded up to the step, and a piece counts at least this area.
    noise
        Share of a price that is left as error; 0: every price is met to its rounding.
    dropped
        Places of the quotes that contradict the others.
    bits
        Length of the description.
    """

    terms: tuple[Term, ...]
    prices: tuple[Decimal, ...]
    spread: tuple[float, ...] = ()
    minimum: Decimal = Decimal(0)
    step_mm: int = 0
    min_dm2: Decimal = Decimal(0)
    noise: float = 0.0
    dropped: tuple[int, ...] = ()
    bits: float = math.inf

    def of(self, kind: Kind) -> Iterator[tuple[Term, Decimal]]:
        """Terms of a kind with their prices."""
        return ((t, p) for t, p in zip(self.terms, self.prices, strict=True) if t.kind == kind)

    def rate(self, quantity: int) -> Decimal:
        """Price per dm2 of two layers and usual copper at a quantity."""
        fewer = (p for t, p in self.of("fewer") if quantity < t.at[0])
        return sum(fewer, sum((p for _, p in self.of("rate")), Decimal(0)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """A weight band as learned.

    Parameters
    ----------
    up_to_g, price
        As it is written.
    between_g
        Heaviest parcel known to be in it, and lightest known to be beyond; None: none is beyond.
    off
        Share that the price may be off.
    lines
        Of the quotes in it.
    """

    up_to_g: Decimal
    price: Decimal
    between_g: tuple[Decimal, Decimal | None]
    off: float
    lines: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Parcels:
    """How parcels are weighed and priced.

    Parameters
    ----------
    packing_g, packing_share
        Beside the boards; 0 where no quote states a weight: bands are then of boards alone.
    weighed
        Quotes that state a weight.
    contradictions
        Pairs of lines of which the first pays more for a lighter parcel.
    """

    packing_g: Decimal
    packing_share: Decimal
    bands: tuple[Band, ...]
    weighed: int
    contradictions: tuple[tuple[int, int], ...] = ()

    def gaps(self) -> Iterator[tuple[Decimal, Decimal, Decimal]]:
        """Weights between which a limit lies somewhere, and how much dearer the band above is."""
        for band, dearer in pairwise(self.bands):
            low, high = band.between_g
            if high is not None and high > low:
                yield low, high, dearer.price - band.price


def packed(boards_g: Decimal, share: Decimal, fixed_g: Decimal) -> Decimal:
    """Weight of boards with their packing, g."""
    return boards_g * (1 + share) + fixed_g


# The sheet, with a comment for each rule


_FINISH: Final[tuple[tuple[str, Kind], ...]] = (
    ("surcharge", "finish"),
    ("surcharge_per_dm2", "finish-area"),
)
_THICKNESS: Final[tuple[tuple[Kind, str], ...]] = (("thin", "below_mm"), ("thick", "above_mm"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Lessons:
    """Everything that a sheet is written from.

    Parameters
    ----------
    order
        Smallest order and the step, as far as the quotes show them.
    parcels
        None where no quote states a shipping price.
    remarks
        What the quotes cannot tell, a comment each.
    """

    name: str
    currency: str
    day: date
    order: tuple[int, int]
    requests: tuple[Asked, ...]
    tariff: Tariff
    parcels: Parcels | None
    learned: Learned
    remarks: tuple[str, ...]


def sheet_of(lessons: Lessons) -> str:
    """Write a house sheet as TOML; :func:`fabkit.sheets.house.house_from` reads it."""
    tables = (*_head(lessons), *_options(lessons), *_rates(lessons), *_shipping(lessons))
    return "\n".join((*tables, ""))


def _head(lessons: Lessons) -> Iterator[str]:
    learned = lessons.learned
    yield "# Board house as learned from quotes by `fabkit house learn`.  Add quotes to the table"
    yield "# and run it again rather than editing here.  Limits are left out: the defaults hold."
    for remark in lessons.remarks:
        yield f"# {' '.join(remark.split())}"
    yield "\nformat = 1"
    yield f"name = {to_literal(lessons.name)}"
    yield "\n[order]                        # as far as the quotes show it"
    yield f"minimum = {lessons.order[0]}\nstep = {lessons.order[1]}"
    yield "\n# What the quotes cover; beyond, a price is an extrapolation."
    yield "[learned]"
    yield f"quotes = {learned.quotes}"
    yield f"quantities = [{learned.quantities[0]}, {learned.quantities[1]}]"
    yield f"up_to_mm = [{figure(learned.up_to_mm[0])}, {figure(learned.up_to_mm[1])}]"
    if learned.up_to_g is not None:
        yield f"up_to_g = {figure(learned.up_to_g)}"
    if learned.lacking:
        yield f"lacking = {to_literal(learned.lacking)}"
    if learned.unsure:
        yield "\n# How far a rule may be off: a share or an amount of money; between: pieces, mm"
        yield "# of the longer side, or gram."
    for one in learned.unsure:
        yield from _unsure(one)


def _unsure(one: Unsure) -> Iterator[str]:
    yield f'[[learned.unsure]]\nrule = "{one.rule}"'
    if one.share:
        yield f"share = {figure(one.share)}"
    if one.amount:
        yield f"amount = {figure(one.amount)}"
    if one.between is not None:
        yield f"between = [{figure(one.between[0])}, {figure(one.between[1])}]"


def _options(lessons: Lessons) -> Iterator[str]:
    asked, tariff = lessons.requests, lessons.tariff
    yield "\n# Only what was quoted; another option has no known price."
    yield "[options]"
    yield f"layers = {sorted({a.layers for a in asked})}"
    for key, values in (
        ("thickness_mm", {a.thickness_mm for a in asked}),
        ("copper_oz", {a.copper_oz for a in asked}),
    ):
        yield f"{key} = [{', '.join(figure(v) for v in sorted(values))}]"
    for colour in sorted({a.colour for a in asked}):
        yield f"\n[options.colours.{colour}]"
        price = sum((p for t, p in tariff.of("colour") if t.name == colour), Decimal(0))
        price += sum((p for t, p in tariff.of("colour-but") if t.name != colour), Decimal(0))
        yield f"surcharge = {figure(price, 2)}"
    for finish in sorted({a.finish for a in asked}):
        yield f"\n[options.finishes.{finish}]"
        # Levelling in tin and lead goes by the name of the process alone (common practice).
        lead = finish == "hasl" or ("lead" in finish and "free" not in finish)
        yield f"rohs = {'false' if lead else 'true'}                    # judged by its name"
        for key, kind in _FINISH:
            price = sum((p for t, p in tariff.of(kind) if t.name == finish), Decimal(0))
            yield f"{key} = {figure(price, 2)}"


def _rates(lessons: Lessons) -> Iterator[str]:
    tariff, asked = lessons.tariff, lessons.requests
    setup = sum((p for _, p in tariff.of("setup")), Decimal(0))
    yield "\n[rates]"
    yield f"currency = {to_literal(lessons.currency)}"
    yield f"date = {lessons.day.isoformat()}              # of the newest quote"
    yield 'tax = "net"'
    yield f"setup = {figure(setup, 2)}                   # base price of the smallest size included"
    if tariff.minimum:
        yield f"minimum = {figure(tariff.minimum, 2)}"
    rungs = quantity_rungs([int(t.at[0]) for t, _ in tariff.of("more")])
    sizes = sorted(t.at[0] * t.at[1] for t, _ in tariff.of("size"))
    boxes = {t.at[0] * t.at[1]: (t, p) for t, p in tariff.of("size")}
    price = Decimal(0)
    largest = Decimal(max(float(max(a.long_mm for a in asked)), LARGEST_MM))
    ends = [boxes[s][0].at for s in sizes] + [(largest, largest)]
    for n, box in enumerate(ends):
        # Steps add up: a size costs what all smaller steps do.
        if n:
            price += boxes[sizes[n - 1]][1]
        for first, last in rungs:
            more = sum((p for t, p in tariff.of("more") if first >= t.at[0]), Decimal(0))
            yield f"\n[[rates.base]]\nup_to_mm = [{figure(box[0])}, {figure(box[1])}]"
            yield from _rung(first, last, alone=len(rungs) == 1)
            yield f"price = {figure(price + more, 2)}"
    yield "\n[rates.area]"
    yield f"step_mm = {tariff.step_mm}\nmin_dm2 = {figure(tariff.min_dm2)}"
    for first, last in quantity_rungs([int(t.at[0]) for t, _ in tariff.of("fewer")]):
        yield "\n[[rates.area.rate]]"
        yield from _rung(first, last, alone=False)
        yield f"per_dm2 = {figure(tariff.rate(first), 2)}"
    yield from _factors(tariff, asked)
    for kind, key in _THICKNESS:
        for term, paid in tariff.of(kind):
            limit = figure(term.at[0])
            yield f"\n[[rates.thickness]]\n{key} = {limit}\nprice = {figure(paid, 2)}"


def quantity_rungs(breaks: Sequence[int]) -> list[tuple[int, int | None]]:
    """First and last quantity of each rung of a ladder with these breaks."""
    starts = [1, *sorted(breaks)]
    return [(a, b - 1) for a, b in pairwise(starts)] + [(starts[-1], None)]


def _rung(first: int, last: int | None, *, alone: bool) -> Iterator[str]:
    if not alone:
        yield f"from_quantity = {first}"
        if last is not None:
            yield f"to_quantity = {last}"


def _factors(tariff: Tariff, asked: Sequence[Asked]) -> Iterator[str]:
    """Factors on the area part: what a kind adds, over the price per dm2 it adds to."""
    top = tariff.rate(min(a.quantity for a in asked))
    kinds: tuple[tuple[str, Kind, set[Decimal]], ...] = (
        ("layer_factor", "layers", {Decimal(a.layers) for a in asked}),
        ("copper_factor", "copper", {a.copper_oz for a in asked}),
    )
    for table, kind, values in kinds:
        if len(values) > 1:
            yield f"\n[rates.{table}]"
            more = {t.at[0]: p for t, p in tariff.of(kind)}
            for value in sorted(values):
                factor = 1 + more.get(value, Decimal(0)) / top if top else Decimal(1)
                yield f'"{figure(value)}" = {figure(factor.quantize(Decimal("0.0001")))}'


def _shipping(lessons: Lessons) -> Iterator[str]:
    parcels = lessons.parcels
    yield "\n[rates.shipping]"
    if parcels is None:
        yield "packing_g = 0\npacking_share = 0"
        yield "\n[[rates.shipping.band]]         # no quote states shipping: none is counted"
        yield "up_to_g = 1000000\nprice = 0.00"
        return
    if not parcels.weighed:
        yield "# No quote states a weight: bands are of the boards' own weight, without packing."
    yield f"packing_g = {figure(parcels.packing_g)}"
    yield f"packing_share = {figure(parcels.packing_share)}"
    for band in parcels.bands:
        yield f"\n[[rates.shipping.band]]\nup_to_g = {figure(band.up_to_g)}"
        yield f"price = {figure(band.price, 2)}"

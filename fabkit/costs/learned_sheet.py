"""A house sheet written from learned rules, with a comment for each."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from itertools import pairwise
from typing import Final

from fabkit.costs.parcels import Parcels
from fabkit.costs.tariff import Kind, Tariff
from fabkit.sheets.house import LARGEST_MM, Learned, Unsure
from fabkit.sheets.quotes import Asked
from fabkit.sheets.toml_text import to_literal

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


def figure(value: Decimal, digits: int = 0) -> str:
    """Write a number without superfluous zeros, with at least so many decimals."""
    text = f"{value.normalize():f}"
    whole, _, rest = text.partition(".")
    rest = rest.ljust(digits, "0")
    return f"{whole}.{rest}" if rest else whole

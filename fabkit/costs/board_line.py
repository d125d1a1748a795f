"""The board line of the invoice: set-up, size tier, area, and every surcharge that applies.

Terms are added unrounded and the line is rounded once (common practice).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from decimal import Decimal

from fabkit.base.errors import FabkitError
from fabkit.base.findings import Rule
from fabkit.costs import rules
from fabkit.costs.facts import BoardFacts
from fabkit.costs.model import Element, Input
from fabkit.sheets.house import House
from fabkit.sheets.order import BoardChoice
from fabkit.sheets.rates import AreaRate, RateCard, SizeTier
from fabkit.sheets.reading import nearest

DM2 = 10_000
"""mm2 in one dm2."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One set of files ordered in one quantity.

    ``designs`` counts different boards inside one piece; a piece with more than one board in it
    is a panel.
    """

    facts: BoardFacts
    quantity: int
    designs: int = 1
    panel: bool = False


class Unpriced(FabkitError):
    """The house does not offer or does not price what is asked for.

    Parameters
    ----------
    rule
        What the finding made of it is: an option not on offer, a price missing, no exchange rate.
    option
        Key of the order's ``[options]`` that asks for it; empty when none does.
    """

    def __init__(
        self, message: str, *, remedy: str, rule: Rule = rules.NOT_OFFERED, option: str = ""
    ) -> None:
        super().__init__(message, hint=remedy)
        self.rule = rule
        self.option = option


def rates_of(house: House) -> RateCard:
    """Return the rate card; raises Unpriced when the sheet has none."""
    if house.rates is None:
        raise Unpriced(
            f"'{house.name}' has no prices",
            remedy="add [rates] to the house sheet; `fabkit house new` writes a template",
            rule=rules.NO_PRICE,
        )
    return house.rates


def find_tier(facts: BoardFacts, quantity: int, rates: RateCard) -> SizeTier:
    """Find the smallest size tier the piece fits into; raises Unpriced when there is none."""
    for tier in rates.tiers:
        if tier.fits(facts.width_mm, facts.height_mm) and tier.covers(quantity):
            return tier
    raise Unpriced(
        f"no base price for {quantity} pieces of {facts.width_mm:f} x {facts.height_mm:f} mm",
        remedy="add a [[rates.base]] row that covers this size and quantity",
        rule=rules.NO_PRICE,
    )


def find_area_rate(quantity: int, rates: RateCard) -> AreaRate:
    """Find the area rate of a quantity; raises Unpriced when there is none."""
    for rate in rates.area.rates:
        if rate.covers(quantity):
            return rate
    raise Unpriced(
        f"no area rate for {quantity} pieces",
        remedy="add a [[rates.area.rate]] row that covers this quantity",
        rule=rules.NO_PRICE,
    )


def check_offered(facts: BoardFacts, house: House, choice: BoardChoice) -> None:
    """Raise Unpriced for the first option the house does not offer."""
    options = house.options

    def listed(values: Iterable[object]) -> str:
        return ", ".join(str(v) for v in values)

    def chosen(word: str, names: Iterable[str]) -> str:
        known = tuple(names)
        near = nearest(word, known)
        return listed(known) + (f"; did you mean '{near}'?" if near else "")

    wanted = float(choice.thickness_mm)
    closest = min(options.thickness_mm, key=lambda mm: abs(mm - wanted), default=wanted)
    problems = (
        (
            wanted not in options.thickness_mm,
            f"thickness {choice.thickness_mm:f} mm is not offered",
            listed(f"{t:g}" for t in options.thickness_mm)
            + f"; the nearest is {closest:g} mm, choose it with --thickness or thickness_mm",
            "thickness_mm",
        ),
        (
            float(choice.copper_oz) not in options.copper_oz,
            f"copper of {choice.copper_oz:f} oz/ft2 is not offered",
            listed(f"{t:g}" for t in options.copper_oz),
            "copper_oz",
        ),
        (
            facts.layers not in options.layers,
            f"{facts.layers} copper layers are not offered",
            listed(options.layers),
            "",
        ),
        (
            choice.colour not in options.colours,
            f"mask colour '{choice.colour}' is not offered",
            chosen(choice.colour, options.colours),
            "colour",
        ),
        (
            choice.finish not in options.finishes,
            f"finish '{choice.finish}' is not offered",
            chosen(choice.finish, options.finishes),
            "finish",
        ),
    )
    learned = "; or ask for a quote with it, and learn the sheet anew" if house.learned else ""
    for wrong, message, offered, option in problems:
        if wrong:
            raise Unpriced(
                f"{message} by '{house.name}'",
                remedy=f"offered: {offered}{learned}",
                option=option,
            )
    if choice.lead_free and not options.finishes[choice.finish].rohs:
        free = listed(k for k, f in options.finishes.items() if f.rohs)
        raise Unpriced(
            f"finish '{choice.finish}' contains lead and the order asks for lead-free",
            remedy=f"lead-free finishes: {free}; or set lead_free = false in the order",
            option="finish",
        )


def board_elements(job: Job, house: House, choice: BoardChoice) -> tuple[Element, ...]:
    """Terms of the board line of one job.

    Raises
    ------
    Unpriced
        An option is not offered, or a price is missing.
    """
    check_offered(job.facts, house, choice)
    rates = rates_of(house)
    measured = tuple(_measured_terms(job, house, rates))
    elements = (
        *_base_terms(job, house, rates, choice),
        *_option_terms(job, house, rates, choice),
        *measured,
        *_density_terms(job, house, rates),
        *_panel_terms(job, house, rates),
        *_named_terms(job, house, rates, choice, fine_paid=bool(measured)),
    )
    exact = sum((e.value for e in elements), Decimal(0))
    if exact >= rates.minimum:
        return elements
    # Alone: a tenth more for set-up, say, changes nothing as long as the least price holds.
    title = f"least price, instead of {exact.normalize():f}"
    place = house.cite("rates.minimum")
    code = rates.currency.code
    return (fixed("minimum", title, rates.minimum, code, place, "once per set of files"),)


def fixed(key: str, title: str, price: Decimal, unit: str, origin: str, rule: str) -> Element:
    """Make a term that is one price of the card."""
    name = key.replace("-", "_")
    return Element(
        key=key,
        title=title,
        rule=rule,
        expression=name,
        inputs=(Input(name=name, value=price, unit=unit, origin=origin),),
    )


def _area_term(facts: BoardFacts, rates: RateCard) -> Element:
    """Charged area of one piece: sides rounded up to the step, at least the minimum."""
    inputs = [
        Input(name="width_mm", value=facts.width_mm, unit="mm", origin="measured outline"),
        Input(name="height_mm", value=facts.height_mm, unit="mm", origin="measured outline"),
    ]
    width, height = "width_mm", "height_mm"
    if rates.area.step_mm:
        inputs.append(Input(name="step_mm", value=rates.area.step_mm, unit="mm"))
        width, height = (f"ceil({side} / step_mm) * step_mm" for side in (width, height))
    # Rounding is part of the expression, so that the formula in the workbook shows it, too.
    expression = f"{width} * {height} / {DM2}"
    if rates.area.min_dm2:
        inputs.append(Input(name="min_dm2", value=rates.area.min_dm2, unit="dm2"))
        expression = f"max({expression}, min_dm2)"
    return Element(
        key="area", title="charged area", rule="area", expression=expression, inputs=tuple(inputs)
    )


def _base_terms(job: Job, house: House, rates: RateCard, choice: BoardChoice) -> Iterator[Element]:
    code = rates.currency.code
    yield fixed(
        "setup", "set-up", rates.setup, code, house.cite("rates.setup"), "once per set of files"
    )
    tier = find_tier(job.facts, job.quantity, rates)
    yield fixed(
        "base",
        f"base price up to {tier.width_mm:f} x {tier.height_mm:f} mm",
        tier.price,
        code,
        house.cite(f"{tier.at}.price"),
        "smallest size the piece fits into",
    )
    rate = find_area_rate(job.quantity, rates)
    area = _area_term(job.facts, rates)
    layers, copper = job.facts.layers, choice.copper_oz.normalize()
    if Decimal(layers) not in rates.layer_factor or copper not in rates.copper_factor:
        raise Unpriced(
            f"no area factor for {layers} layers of {copper:f} oz/ft2",
            remedy="add it to [rates.layer_factor] or [rates.copper_factor]",
            rule=rules.NO_PRICE,
        )
    if choice.lead_time not in rates.lead_time:
        raise Unpriced(
            f"lead time '{choice.lead_time}' is not offered by '{house.name}'",
            remedy=f"offered: {', '.join(rates.lead_time)}",
            option="lead_time",
        )
    yield Element(
        key="area",
        title="area",
        rule="price per dm2 falls with quantity; factors for layers, copper and lead time",
        expression=f"pieces * ({area.expression}) * per_dm2 * layers * copper * lead_time",
        inputs=(
            Input(name="pieces", value=Decimal(job.quantity), origin="quantity"),
            *area.inputs,
            Input(
                name="per_dm2",
                value=rate.per_dm2,
                unit=f"{code}/dm2",
                origin=house.cite(f"{rate.at}.per_dm2"),
            ),
            Input(
                name="layers",
                value=rates.layer_factor[Decimal(layers)],
                origin=f"{house.cite('rates.layer_factor')}, {layers} layers",
            ),
            Input(
                name="copper",
                value=rates.copper_factor[copper],
                origin=f"{house.cite('rates.copper_factor')}, {copper:f} oz/ft2",
            ),
            Input(
                name="lead_time",
                value=rates.lead_time[choice.lead_time],
                origin=f"{house.cite('rates.lead_time')}, {choice.lead_time}",
            ),
        ),
    )


def _option_terms(
    job: Job, house: House, rates: RateCard, choice: BoardChoice
) -> Iterator[Element]:
    code = rates.currency.code
    for step in rates.thickness:
        if step.applies(choice.thickness_mm):
            yield fixed(
                "thickness",
                f"thickness {choice.thickness_mm:f} mm",
                step.price,
                code,
                house.cite(f"{step.at}.price"),
                "thin or thick boards",
            )
    colour = house.options.colours[choice.colour]
    if colour.surcharge:
        yield fixed(
            "colour",
            f"mask colour {colour.key}",
            colour.surcharge,
            code,
            house.cite(f"options.colours.{colour.key}.surcharge"),
            "colours other than the usual one",
        )
    finish = house.options.finishes[choice.finish]
    if finish.surcharge or finish.surcharge_per_dm2:
        area = _area_term(job.facts, rates)
        place = f"options.finishes.{finish.key}"
        yield Element(
            key="finish",
            title=f"finish {finish.title}",
            rule="fixed price and price per dm2 of board",
            expression=f"fixed + pieces * ({area.expression}) * finish_per_dm2",
            inputs=(
                Input(
                    name="fixed",
                    value=finish.surcharge,
                    unit=code,
                    origin=house.cite(f"{place}.surcharge"),
                ),
                Input(name="pieces", value=Decimal(job.quantity), origin="quantity"),
                *area.inputs,
                Input(
                    name="finish_per_dm2",
                    value=finish.surcharge_per_dm2,
                    unit=f"{code}/dm2",
                    origin=house.cite(f"{place}.surcharge_per_dm2"),
                ),
            ),
        )


def _measured_terms(job: Job, house: House, rates: RateCard) -> Iterator[Element]:
    code, facts = rates.currency.code, job.facts
    for key, title, steps, value in (
        ("small-drill", "small drill", rates.small_drill, facts.smallest_drill_mm),
        ("fine-track", "fine track or gap", rates.fine_track, facts.smallest_track_mm),
    ):
        met = [s for s in steps if value is not None and s.applies(value)]
        if met:
            # A fine measure is below the limits of all coarser steps as well: the dearest holds,
            # not the sum.
            step = max(met, key=lambda s: s.price)
            yield fixed(
                key,
                f"{title}, {value:f} mm",
                step.price,
                code,
                house.cite(f"{step.at}.price"),
                f"measured {value:f} mm, below {step.below_mm} mm",
            )


def _density_terms(job: Job, house: House, rates: RateCard) -> Iterator[Element]:
    code, facts = rates.currency.code, job.facts
    if rates.hole_density.per_dm2 is not None and rates.hole_density.extra_hole:
        area = _area_term(facts, rates)
        density = Element(
            key="hole-density",
            title="holes beyond the density included",
            rule="each hole of each piece beyond the density",
            expression=(
                f"pieces * ceil(max(holes - holes_per_dm2 * ({area.expression}), 0)) * extra_hole"
            ),
            inputs=(
                Input(name="pieces", value=Decimal(job.quantity), origin="quantity"),
                Input(name="holes", value=Decimal(facts.holes), origin="measured"),
                Input(
                    name="holes_per_dm2",
                    value=rates.hole_density.per_dm2,
                    origin=house.cite("rates.hole_density.per_dm2"),
                ),
                *area.inputs,
                Input(
                    name="extra_hole",
                    value=rates.hole_density.extra_hole,
                    unit=code,
                    origin=house.cite("rates.hole_density.extra_hole"),
                ),
            ),
        )
        if density.value:
            yield density


def _panel_terms(job: Job, house: House, rates: RateCard) -> Iterator[Element]:
    code = rates.currency.code
    if job.designs > 1:
        if not house.options.several_designs:
            raise Unpriced(
                f"'{house.name}' does not take several designs on one panel",
                remedy="order the designs apart",
            )
        if rates.extra_design is None:
            raise Unpriced(
                "no price for a further design on a panel",
                remedy="add extra_design to [rates]",
                rule=rules.NO_PRICE,
            )
        yield Element(
            key="extra-design",
            title="further designs on the panel",
            rule="each design beyond the first",
            expression="(designs - 1) * extra_design",
            inputs=(
                Input(name="designs", value=Decimal(job.designs), origin="order"),
                Input(
                    name="extra_design",
                    value=rates.extra_design,
                    unit=code,
                    origin=house.cite("rates.extra_design"),
                ),
            ),
        )
    if job.panel:
        if rates.panel is None:
            raise Unpriced(
                "no price for a panel", remedy="add panel to [rates]", rule=rules.NO_PRICE
            )
        yield fixed(
            "panel", "panel", rates.panel, code, house.cite("rates.panel"), "several boards a piece"
        )


def _named_terms(
    job: Job, house: House, rates: RateCard, choice: BoardChoice, *, fine_paid: bool
) -> Iterator[Element]:
    """Extras by name; the fine class is one of them unless a measured surcharge pays for it."""
    code = rates.currency.code
    names = list(choice.extras)
    fine = house.fine_surcharge if job.facts.needs_fine and not fine_paid else ""
    if fine and fine not in names:
        names.append(fine)
    for name in names:
        if name not in rates.extras:
            raise Unpriced(
                f"extra '{name}' is not offered by '{house.name}'",
                remedy=f"offered: {', '.join(rates.extras) or 'none'}",
            )
        yield fixed(
            name,
            name.replace("-", " "),
            rates.extras[name],
            code,
            house.cite(f"rates.extras.{name}"),
            "asked for by name" if name in choice.extras else "the board needs the fine class",
        )

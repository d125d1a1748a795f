"""Ways to make the pair: one reversible design, two designs, both on one panel."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from decimal import Decimal

from fabkit.costs.board_line import Unpriced
from fabkit.costs.facts import BoardFacts
from fabkit.costs.model import Offer, Way, WayKey
from fabkit.costs.offers import (
    Design,
    curve_quantities,
    designs_of,
    pieces_needed,
    price_quantity,
)
from fabkit.parts.model import Bill
from fabkit.sheets.house import House
from fabkit.sheets.order import Order


def cheapest_offer(
    designs: Sequence[Design], *, house: House, order: Order, bill: Bill | None
) -> Offer | None:
    """The cheapest offer that covers the need among all quantities tried; the smaller on a tie.

    Raises
    ------
    Unpriced
        As :func:`price_quantity`.
    """
    need = pieces_needed(designs, order)
    offers = (
        price_quantity(designs, q, house=house, order=order, bill=bill)
        for q in curve_quantities(need, house)
        if q >= need
    )
    return best_of(offers)


def best_of(offers: Iterable[Offer]) -> Offer | None:
    """The cheapest offer that covers the need; the smaller quantity on a tie."""
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
    facts: Sequence[BoardFacts], *, house: House, order: Order, bill: Bill | None
) -> tuple[Way, ...]:
    """Price each way to make the pair, cheapest quantity each; the same parts and plates in all.

    The ways not ordered are estimates: they suppose boards of the measured size.
    """
    if order.leads[0].use not in ("reversible", "left", "right"):
        return ()
    designs = designs_of(facts, order)
    halves = [d.facts for d in designs if not d.beside]
    beside = tuple(d for d in designs if d.beside)
    left, right = halves[0], halves[-1]
    bigger = max(halves, key=lambda f: f.width_mm * f.height_mm)
    gap = Decimal(str(house.limit("panel_gap_mm").value))
    panels = [panel_of((left, right), gap, stacked=s) for s in (False, True)]
    ordered: WayKey = "reversible" if order.reversible else "two designs"
    ways: list[tuple[WayKey, str, list[tuple[Design, ...]]]] = [
        ("reversible", "one reversible design", [(Design(facts=bigger, halves=1),)]),
        (
            "two designs",
            "left and right as two designs",
            [(Design(facts=left, halves=1), Design(facts=right, halves=1))],
        ),
        (
            "one panel",
            "left and right on one panel",
            [(Design(facts=p, halves=2, designs=2, panel=True),) for p in panels],
        ),
    ]
    found = []
    for key, title, choices in ways:
        whole = [(*made, *beside) for made in choices]
        offer, reason = _best(whole, house=house, order=order, bill=bill)
        found.append(Way(key=key, title=title, offer=offer, ordered=key == ordered, reason=reason))
    return tuple(found)


def _best(
    choices: Sequence[Sequence[Design]], *, house: House, order: Order, bill: Bill | None
) -> tuple[Offer | None, str]:
    offers, reasons = [], []
    for designs in choices:
        refusal = _too_large(designs, house)
        if refusal:
            reasons.append(refusal)
            continue
        try:
            offer = cheapest_offer(designs, house=house, order=order, bill=bill)
        except Unpriced as error:
            reasons.append(error.message)
            continue
        if offer is not None:
            offers.append(offer)
        else:
            reasons.append("no quantity tried covers the need")
    if offers:
        return min(offers, key=lambda o: o.total), ""
    return None, reasons[0]


def _too_large(designs: Sequence[Design], house: House) -> str:
    limit = house.limit("board_max_mm")
    for design in designs:
        longest = max(design.facts.width_mm, design.facts.height_mm)
        if not limit.allows(float(longest)):
            return f"{longest:f} mm is longer than {limit.value:g} mm ({limit.source})"
    return ""

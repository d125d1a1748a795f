"""What a quote can find."""

from __future__ import annotations

from fabkit.base.findings import COMMON_PRACTICE, Rule, Severity

_NOTE, _WARNING, _ERROR = Severity.NOTE, Severity.WARNING, Severity.ERROR


def _rule(rule_id: str, title: str, severity: Severity, why: str, advice: str) -> Rule:
    return Rule(
        id=rule_id, title=title, why=why, source=COMMON_PRACTICE, severity=severity, advice=advice
    )


CARD_OLD = _rule(
    "cost/card-old",
    "Prices are older than the age you set",
    _WARNING,
    "Board and shipping prices change within months; an old card gives a confident wrong number.",
    "Read the prices again and put the new date into the sheet.",
)
INVENTED = _rule(
    "cost/invented",
    "Prices are an invented example",
    _WARNING,
    "The bundled sheets show how a price is made up; nobody charges these prices.",
    "Make a sheet of your own house with `fabkit house new`.",
)
NOT_OFFERED = _rule(
    "cost/not-offered",
    "The house does not offer what is ordered",
    _ERROR,
    "An option that is not offered has no price, so no total would be true.",
    "Choose an offered option, or add it to the house sheet.",
)
NO_PRICE = _rule(
    "cost/no-price",
    "A part of the order has no price",
    _ERROR,
    "A total with a hole in it looks cheaper than it is.",
    "Add the price to the sheet named.",
)
NEAR_TIER = _rule(
    "cost/near-tier",
    "Just over a price tier",
    _NOTE,
    "A board a little smaller would fall into the cheaper tier.",
    "See whether the outline can shrink below the tier.",
)
QUANTITY = _rule(
    "cost/quantity-not-allowed",
    "The house does not take this quantity",
    _ERROR,
    "Houses sell in steps from a minimum; other quantities are refused or rounded up.",
    "Ask for the quantity named.",
)
SMALL_DRILL = _rule(
    "cost/small-drill",
    "Small drills cost extra",
    _NOTE,
    "Often a few holes decide for the whole order.",
    "Enlarge the holes if the design allows.",
)
FINE_TRACK = _rule(
    "cost/fine-track",
    "Fine tracks cost extra",
    _NOTE,
    "Often a few tracks decide for the whole order.",
    "Widen the tracks or gaps if the design allows.",
)
BUY_UP = _rule(
    "cost/more-costs-less",
    "More boards cost less",
    _NOTE,
    "A quantity break can make a larger order cheaper than a smaller one.",
    "Order the larger quantity.",
)
TAX_EMPTY = _rule(
    "cost/tax-empty",
    "No tax or duty was entered",
    _WARNING,
    "Parcels across a border are often taxed on arrival; the total is shown without.",
    "Enter the rates in force for you under [tax] in the order file, with date and source.",
)
CURRENCY = _rule(
    "cost/no-exchange-rate",
    "Two currencies and no rate between them",
    _ERROR,
    "Amounts of different currencies cannot be added.",
    "Add a [[money.exchange]] table with rate, date and source to the order file.",
)
NEAR_BAND = _rule(
    "cost/near-band",
    "The parcel is close to a shipping band's limit",
    _NOTE,
    "The weight is computed, so the parcel may fall into the next band.",
    "Reckon with the next band's price.",
)
SPLIT_PARCEL = _rule(
    "cost/split-parcel",
    "The order is heavier than the largest shipping band",
    _WARNING,
    "It is priced as several parcels; a house may quote freight instead.",
    "Ask the house, or order less at a time.",
)
LITHIUM = _rule(
    "cost/lithium",
    "Lithium cells are on the list",
    _WARNING,
    "Carriers restrict lithium cells: some refuse them, some ask for papers or a fee.",
    "Ask the shop before ordering; local codes and the carrier's rules decide.",
)
PANEL = _rule(
    "cost/panel",
    "The files describe a panel, which is priced as one piece",
    _NOTE,
    "The size and the quantity are those of panels; each gives several boards.",
    "Order as many panels as give the boards needed.",
)
PARTS_UNPRICED = _rule(
    "cost/parts-unpriced",
    "Some parts have no price",
    _WARNING,
    "The cost per half leaves them out.",
    "Add them to the parts book.",
)
SHORT = _rule(
    "cost/not-enough",
    "The quantity does not give the halves wanted",
    _WARNING,
    "Fewer keyboards than wanted can be built.",
    "Order the quantity named.",
)

RULES = (
    CARD_OLD,
    INVENTED,
    NOT_OFFERED,
    NO_PRICE,
    NEAR_TIER,
    QUANTITY,
    SMALL_DRILL,
    FINE_TRACK,
    BUY_UP,
    TAX_EMPTY,
    CURRENCY,
    NEAR_BAND,
    SPLIT_PARCEL,
    LITHIUM,
    PARTS_UNPRICED,
    SHORT,
    PANEL,
)
"""All of them, for the catalogue."""

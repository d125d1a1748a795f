"""What a quote can find."""

from __future__ import annotations

from typing import Final

from fabkit.rules import load_rule

CARD_OLD: Final = load_rule("cost/card-old")
INVENTED: Final = load_rule("cost/invented")
NOT_OFFERED: Final = load_rule("cost/not-offered")
NO_PRICE: Final = load_rule("cost/no-price")
NEAR_TIER: Final = load_rule("cost/near-tier")
QUANTITY: Final = load_rule("cost/quantity-not-allowed")
SMALL_DRILL: Final = load_rule("cost/small-drill")
FINE_TRACK: Final = load_rule("cost/fine-track")
BUY_UP: Final = load_rule("cost/more-costs-less")
TAX_EMPTY: Final = load_rule("cost/tax-empty")
CURRENCY: Final = load_rule("cost/no-exchange-rate")
NEAR_BAND: Final = load_rule("cost/near-band")
SPLIT_PARCEL: Final = load_rule("cost/split-parcel")
LITHIUM: Final = load_rule("cost/lithium")
PANEL: Final = load_rule("cost/panel")
PARTS_UNPRICED: Final = load_rule("cost/parts-unpriced")
SHORT: Final = load_rule("cost/not-enough")

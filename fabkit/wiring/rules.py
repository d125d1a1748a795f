"""Rules for what is found while the wiring is read."""

from __future__ import annotations

from typing import Final

from fabkit.rules import load_rule

NO_KEYS: Final = load_rule("wiring/no-keys")
PINS_UNKNOWN: Final = load_rule("wiring/pins-unknown")
HALF_UNKNOWN: Final = load_rule("wiring/half-unknown")
KEY_WITHOUT_PIN: Final = load_rule("wiring/key-without-pin")
PIN_TWO_KEYS: Final = load_rule("wiring/pin-two-keys")
SAME_CROSSING: Final = load_rule("wiring/same-row-column")
PIN_TWICE: Final = load_rule("wiring/pin-twice")
GROUND_PIN: Final = load_rule("wiring/ground-pin")
BATTERY_PIN: Final = load_rule("wiring/battery-pin")
KEY_ON_POWER: Final = load_rule("wiring/key-on-power-pin")
MIXED_DIODES: Final = load_rule("wiring/diode-direction")
NO_DIODE: Final = load_rule("wiring/no-diode")
DIODE_ASSUMED: Final = load_rule("wiring/cathode-assumed")
DIODES_INFERRED: Final = load_rule("wiring/diodes-inferred")
HALVES_DIFFER: Final = load_rule("wiring/halves-differ")
COPPER_OPEN: Final = load_rule("wiring/copper-open")
ODD_KEY: Final = load_rule("wiring/contacts-unclear")
NO_SCHEME: Final = load_rule("wiring/no-scheme")
